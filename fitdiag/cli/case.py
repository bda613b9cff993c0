"""The commands about one case: new, consent, show, body, close, export, delete, and repair (which others do silently).

The files of a case are rebuilt from the logs of its rounds.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from fitdiag.cli.arguments import body_lengths, body_notes, day_of, guess_units, rules_of
from fitdiag.cli.case_list import case_command, case_folder, parent_of
from fitdiag.cli.documents import documents_again
from fitdiag.cli.misses import forget_since
from fitdiag.cli.output import counted, say, say_all, say_then, write
from fitdiag.diagnosis.belief import done_text, lower_first
from fitdiag.files import disk, own_folder, remove_file, write_atomically
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import read_yaml
from fitdiag.problems import ProblemsFoundError, one_line, shown_path, stop
from fitdiag.sessions import case_export, case_files
from fitdiag.sessions.carried import not_told
from fitdiag.sessions.case import alone, days_to_come, new_case, open_case, save_case, update_round
from fitdiag.sessions.case_files import LONGEST_NOTE, ROUND_FILE, Case, Closed, Consent, Ending
from fitdiag.sessions.case_list import CASE_FILE, sweep_case
from fitdiag.sessions.round_log import RoundLog, make_files, round_text_in_log, settle
from fitdiag.templates import render
from fitdiag.units import format_error, format_reading


def new(
    name: str, given: str | None, *, units: str | None, body: list[str], measure: list[str], pattern: str | None,
    photos_consent: str | None, keep_until: str | None, note: list[str], alone: bool, rules: str | None,
) -> int:  # fmt: skip
    base, day = rules_of(rules), date.today()
    in_units = guess_units(units, measure)
    agreed = _consent(photos_consent, keep_until)
    if pattern:
        from fitdiag.pattern.formats import read_pattern

        read_pattern(pattern)  # fail now rather than in round 2
    parent = parent_of(given)
    draft = Case(
        parent, name, base.about.garment, in_units, day,
        body=body_notes(body, base, (*base.words.body_grades.words, "no")),
        body_measures=body_lengths(measure, in_units), alone=alone,
        consent=agreed, notes=tuple(note),
    )  # fmt: skip
    case = new_case(draft, Path(pattern) if pattern else None)
    say(f"A new case for {case.name}: {shown_path(case.folder)}")
    if not photos_consent:
        write_down = f"{case_command('case', 'consent', case.folder)} yes --keep-until DATE"
        say_then("Whether photos may be taken is not written down yet. When you have asked:", write_down)
    say(f"Next: {case_command('review', case.folder)}")
    return 0


def _consent(answer: str | None, keep_until: str | None) -> Consent:
    """The client's consent to photos as of today, and how long they may be kept; None if not asked yet."""
    if answer not in (None, "yes", "no"):
        message = f"'{one_line(answer, 20)}' does not say whether photos may be taken"
        raise stop("argument", message, hint="write yes or no")
    day, until = date.today(), day_of(keep_until) if keep_until else None
    if until is not None and answer != "yes":
        raise stop("argument", "photos are kept only with consent", hint="leave out --keep-until")
    if until is not None and until < day:
        later = day + timedelta(days=_KEPT_USUALLY)
        raise stop("argument", f"{until} is already past", hint=f"give a future day, like --keep-until {later}")
    return Consent(answer == "yes", day if answer else None, until)


def consent(name: str, given: str | None, answer: str, keep_until: str | None) -> int:
    case = open_case(case_folder(name, given))
    agreed, before = _consent(answer, keep_until), case.consent
    inside = case_export.contents(case.folder)
    kept = inside.photos - _drawn(inside)
    promised = before.keep_until if before.keep_until and (before.keep_until >= date.today() or kept) else None
    if agreed.keep_until is None and not before.removed and (agreed.photos or kept):
        agreed = replace(agreed, keep_until=promised)  # the promise for the existing photos still holds
    removed = before.removed if not agreed.photos and not kept else None
    save_case(case, replace(case, consent=replace(agreed, removed=removed)))
    if agreed.photos:
        until = f"until {agreed.keep_until}" if agreed.keep_until else "until they fit"
        say(f"Written down for {case.name}: photos may be taken, and kept {until}.")
        return 0
    say(f"Written down for {case.name}: no photos. The pages no longer ask for any.")
    if kept:
        text = f"Still there from before: {counted(kept, 'photo')}. To delete what there is:"
        say_then(text, f"{case_command('case', 'delete', case.folder)} --photos")
    return 0


def show(name: str, given: str | None) -> int:
    base, case = opened(name, given)
    say(case_page(case, case_export.contents(case.folder), base))
    return 0


def case_page(case: Case, inside: case_export.Contents, base: RuleBase) -> str:
    """The case and all its rounds, as `cli/case.txt` sets them out."""
    drawn = _drawn(inside)
    return render(
        "cli/case.txt", case=case, folder=shown_path(case.folder), photos=inside.photos - drawn, drawn=drawn,
        links=_links_text("passed over", inside) if inside.links else "", begin=case_command("review", case.folder),
        title=lambda name: lower_first(base.title(name)), done=lambda item: done_text(base, item.as_done(), case.units),
        not_told=not_told, reading=lambda mm: format_reading(mm, case.units), error=lambda mm: format_error(mm, case.units),
    ).rstrip("\n")  # fmt: skip


def _links_text(what: str, inside: case_export.Contents) -> str:
    return f"Links and other special files are {what}: {', '.join(shown_path(path) for path in inside.links[:5])}"


def close(name: str, given: str | None, *, fits: bool, given_up: bool, because: str | None) -> int:
    if (fits and given_up) or not (fits or given_up or because):
        raise stop("argument", "say how it ended", hint="add --fits, or --given-up, or --because 'in a few words'")
    case = open_case(case_folder(name, given))
    if case.closed:
        message = f"this case was closed {case.closed.day}"
        raise stop("closed", message, where=case.folder, hint="change the line 'closed:' in case.yaml by hand")
    outcome: Ending = "fits" if fits else "given-up" if given_up else "other"
    closed = Closed(date.today(), outcome, one_line(because or "", LONGEST_NOTE))
    case = save_case(case, replace(case, closed=closed))
    say(f"{case.name} is closed: {outcome}.")
    if case.consent.keep_until and case_export.contents(case.folder).photos:
        remove = f"{case_command('case', 'delete', case.folder)} --photos"
        say_then(f"The photos may be kept until {case.consent.keep_until}:", remove)
    return 0


def body(name: str, given: str | None, *, back: bool) -> int:
    """Show how the rounds adjusted the simulated body; `back` undoes the last adjustment."""
    _, case = opened(name, given)
    taught = [one for one in case.rounds if one.nudges]
    if back and taught:
        update_round(case, replace(taught[-1], nudges={}))
    if not taught:
        say("The simulated body is as the measures and notes make it.")
    for one in taught[-1:] if back else taught:
        for part, mm in one.nudges.items():
            say(f"Round {one.number}: {part.replace('-', ' ')} {mm:+g} mm{', taken back' if back else ''}.")
    return 0


# -- export, delete ----------------------------------------------------------------------------------------------------


def export(name: str, given: str | None, to: str, *, anonymous: bool, rules: str | None) -> int:
    base, case = opened(name, given, rules)
    copied = case_export.export_case(case, Path(to), base if anonymous else None)
    write(f"Written: {shown_path(to)} ({_amount(copied)})")
    if anonymous:
        say("Without name, pictures, pattern, plan, documents, notes and free text; days counted from the opening.")
        say("Body notes and measures are in it: they are what there is to learn from.")
    say_all([_links_text("left out", copied)] if copied.links else [])
    return 0


def delete(name: str, given: str | None, *, yes: bool, photos: bool) -> int:
    folder = case_folder(name, given)
    case_export.refuse_other_folder(folder)
    inside = case_export.contents(folder)
    if photos:
        photographs = f"{counted(inside.photos, 'photo')} of {shown_path(folder)}"
        say(f"This deletes {photographs} and the marks on them. The rest stays.")
    else:
        say(f"This deletes {shown_path(folder)}: {_amount(inside)}.")
        if inside.links:
            say(f"{counted(len(inside.links), 'link')} in it go too; what they point to stays.")
    say("Copies made elsewhere, in a backup or under version control stay.")
    if not yes and not _agreed():
        say("Nothing was deleted.")
        return 1
    if photos:
        case_export.delete_photos(open_case(folder), date.today())
    else:
        try:
            since = open_case(folder).opened
        except ProblemsFoundError:  # a damaged case is deleted too
            since = date.min
        # kept outside the case, perhaps about the client: words not understood, and simulated muslins
        forget_since(since)
        for draped in (own_folder() / "drapes").glob("*.npz"):
            remove_file(draped)
        case_export.delete_case(folder)
    say("Deleted.")
    return 0


def _agreed() -> bool:
    try:
        return input("Delete it? Write yes: ").strip().lower() == "yes"
    except EOFError:
        write()
        return False


def _amount(inside: case_export.Contents) -> str:
    size = f"{inside.size / 1e6:.1f} MB" if inside.size >= 1e6 else f"{max(1, round(inside.size / 1e3))} kB"
    return f"{counted(len(inside.files), 'file')}, {counted(inside.photos, 'photo')} among them, {size}"


def _drawn(inside: case_export.Contents) -> int:
    """How many pictures are drawn-on copies, with measurements or simulated lines."""
    return sum(path.name.endswith((".measured.png", ".simulated.png")) for path in inside.files)


_ROUNDS = "round-[0-9][0-9]"
_KEPT_USUALLY = 90  # days that photos may be kept, as an example


def repair(name: str, given: str | None, rules: str | None) -> int:
    """Rebuild missing or damaged files of a case, and say which were rebuilt and which cannot be."""
    folder = case_folder(name, given)
    base = rules_of(rules, folder / CASE_FILE)
    missing = [inner / ROUND_FILE for inner in sorted(folder.glob(_ROUNDS)) if not (inner / ROUND_FILE).exists()]
    with alone(folder):
        swept = sweep_case(folder)
        left = f"Removed: {counted(swept, 'file')} left half written by a command that was killed."
        lines = [left] if swept else []
        for path in missing:
            settle(path.parent)
        lines += [f"Made again: {shown_path(path)}" for path in missing if path.exists()]
        lines += _damaged(folder)
        case = open_case(folder)
        lines += [f"Made again: {shown_path(path)}" for path in made_again(base, case)]
    lost = [
        f"{shown_path(one.photos / name)} was taken in and is not there any more; take it in again if you still have it."
        for one in (case.rounds if not case.consent.removed else ())
        for name in RoundLog.of(one).pictures
        if not (one.photos / name).exists()
    ]
    say_all([*lines, *lost])
    if not lines and not lost:
        say(f"Nothing to repair: every file of {case.name} is there.")
    return 1 if lost else 0


def opened(name: str, given: str | None, rules: str | None = None) -> tuple[RuleBase, Case]:
    """Load the rules and the case; missing files are rebuilt, unless it cannot be written now.

    Says which days of it have not come yet.
    """
    folder = case_folder(name, given)
    base = rules_of(rules, folder / CASE_FILE)
    open_case(folder)  # do not touch a folder that is not a case, or a link
    try:
        with alone(folder):
            made_again(base, open_case(folder))
    except ProblemsFoundError as stopped:
        if stopped.problems[0].code not in ("cannot-save", "in-use", "log-in-use"):
            raise
    case = open_case(folder)
    say_all(days_to_come(case, date.today()))
    return base, case


def made_again(base: RuleBase, case: Case) -> list[Path]:
    """Rebuild the missing files of a case's rounds, and return them. Call under the case's lock."""
    made: list[Path] = []
    for one in case.rounds:
        if not one.log_file.exists():
            continue
        made += make_files(one, base, case.units, missing_only=True)
        log = RoundLog.of(one)
        if log.last("measured") is not None:
            from fitdiag.cli.photo import drawn_on, held_in, measured_in

            pictures = sorted(one.photos.glob("*.jpg"))
            missing = [drawn for path in pictures if not (drawn := drawn_on(path)).exists()]
            if missing and log.holds(held_in(pictures)):  # redraw only if the pictures are still those measured
                measured_in([str(path) for path in pictures], (), case.body_measures.get("hip"), case.units, None)
                made += missing
        made += documents_again(base, case, one.number)
    return made


def _damaged(folder: Path) -> list[str]:
    """Set aside an unreadable `round.yaml` and rewrite it, if the log holds its text; return what to report."""
    lines: list[str] = []
    for inner in sorted(folder.glob(_ROUNDS)):
        path = inner / ROUND_FILE
        try:
            if path.exists():
                case_files.round_in(read_yaml(path, case_files.LARGEST, "round"), int(inner.name[-2:]), inner)
            continue
        except ProblemsFoundError as stopped:
            text = round_text_in_log(inner)
            if text is None:
                raise
            aside = next(p for n in range(1, 1000) if not (p := path.with_name(f"{ROUND_FILE}.damaged-{n}")).exists())
            disk.rename(path, aside)
            write_atomically(path, text)
            lines.append(f"Made again: {shown_path(path)}; it could not be read: {stopped.problems[0].message}.")
            lines.append(f"The old file is kept as {shown_path(aside)}.")
    return lines
