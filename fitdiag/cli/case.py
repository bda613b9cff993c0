"""The commands about cases: new, consent, list, show, close, export, delete."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from rich.cells import cell_len as cells

from fitdiag.cli.output import say, say_all, say_aside, say_problems, width, write, write_json
from fitdiag.problems import ProblemsFoundError, command, one_line, shown_path, stop
from fitdiag.sessions.case_list import CASE_FILE, CaseList, Read, Row, list_cases
from fitdiag.sessions.recovery import recover

if TYPE_CHECKING:
    from fitdiag.knowledge.model import RuleBase
    from fitdiag.sessions.case_export import Contents
    from fitdiag.sessions.case_files import Case, Round

DEFAULT_FOLDER = "cases"
LIST_SCHEMA = "fitdiag.case-list/1"
_LONG_DAYS = 21  # so long without a word, and the fitter asks; a fitter's judgement
_TO_DO_CELLS = 35  # "wait for the form, sent 2026-11-02" is the longest
_SOON_DAYS = 30  # so many days before the end the list reminds of the photos


def parent_of(given: str | None) -> Path:
    """The folder that holds the cases, with everything cleaned up there that a killed command left."""
    parent = Path(given or DEFAULT_FOLDER)
    for told in recover(parent):
        say_aside(told)
    return parent


def _command(*words: str | Path) -> str:
    """A command about a case, which is named by its folder; where the cases lie elsewhere, it says so."""
    *first, folder = words
    elsewhere = Path(folder).parent != Path(DEFAULT_FOLDER)
    return command("fitdiag", *first, Path(folder).name, *(("--in", Path(folder).parent) if elsewhere else ()))


def case_folder(name: str, given: str | None = None) -> Path:
    """The folder of the case meant, or one clear message."""
    from fitdiag.sessions.case import find_case

    return find_case(parent_of(given), name)


# -- list --------------------------------------------------------------------------------------------------------------


def read_again(folder: Path) -> Read:
    """A case read in full, for the list."""
    from fitdiag.sessions.case import read_for_list

    return read_for_list(folder)


def show_list(given: str | None, *, as_json: bool, everything: bool, today: date | None = None) -> int:
    parent, day = parent_of(given), today or date.today()
    found = list_cases(parent, read_again) if given or parent.exists() else CaseList(())
    if as_json:
        write_json(list_json(found, day))
    else:
        write("\n".join(list_lines(found, day, width(), everything=everything)))
    say_problems(found.problems)
    return 1 if found.problems else 0


def list_json(found: CaseList, today: date) -> str:
    """The list as one JSON object, closed cases too."""
    rows = [
        {**row._asdict(), "days": None if row.closed else row.days(today), "days_left": row.days_left(today)}
        for row in found.rows
    ]
    unread = [str(problem) for problem in found.problems]
    data = {"schema": LIST_SCHEMA, "today": today.isoformat(), "cases": rows, "unreadable": unread}
    return json.dumps(data, ensure_ascii=False, indent=1)


def list_lines(found: CaseList, today: date, columns: int, *, everything: bool = False) -> list[str]:
    """The list for a terminal or a pipe: whose turn it is, the longest wait first, then the photos to think of."""
    groups = (("YOUR TURN", "fitter"), ("THE CLIENT'S TURN", "client"), *((("CLOSED", ""),) if everything else ()))
    longest = max((cells(row.name) for row in found.rows if row.waiting or everything), default=4)
    room = columns - 16 - _TO_DO_CELLS
    names = max(
        4, min(longest, room if room > 12 else columns - 14)
    )  # where it is narrow, what to do has a line of its own
    lines: list[str] = []
    for title, waiting in groups:
        rows = [row for row in found.rows if row.waiting == waiting]
        if rows:
            head = f" days  round  {'case':{names}}  {'to do' if waiting else 'how it ended'}"
            lines += ["", f"{title} ({len(rows)})", head if room > 12 else " days  round  case"]
            for row in rows:
                lines += _row_lines(row, today, names, columns)
    reminders = _reminders(found.rows, today)
    if reminders:
        lines += ["", f"PHOTOS ({len(reminders)})"]
        for told in reminders:
            lines += folded(told, columns, "  ", "    ")
    closed = sum(not row.waiting for row in found.rows)
    if closed and not everything:
        lines += ["", f"{closed} closed; `fitdiag case list --all` shows them."]
    if not found.rows and not found.problems:
        lines += ["", "No cases here yet. Begin one: fitdiag case new 'the lamplighter'"]
    return lines[1:]


def _row_lines(row: Row, today: date, names: int, columns: int) -> list[str]:
    days = row.days(today)
    if row.closed:
        head, to_do = "", f"{row.outcome}, {row.closed}"
    else:
        head = str(days)
        to_do = row.to_do
        if row.waiting == "client" and days >= _LONG_DAYS:
            to_do = f"ask how it goes; {to_do.rpartition(', ')[2]}"
    lines = [f"{head:>5}  {row.round or '-':>5}  {padded(row.name, names)}"]
    indent = " " * (16 + names)
    if columns - len(indent) >= _TO_DO_CELLS:
        lines[0] += f"  {to_do}"
    else:
        lines[0] = lines[0].rstrip()
        indent = " " * 7
        lines += folded(to_do, columns, indent, indent)
    if row.advised and not row.closed:
        told = f"advised in round {row.advised_in}: " if row.advised_in != row.round else "advised: "
        lines += folded(told + row.advised, columns, indent, indent)
    return lines


def _reminders(rows: Iterable[Row], today: date) -> list[str]:
    due = sorted(
        (left, row.name, row) for row in rows if (left := row.days_left(today)) is not None and left <= _SOON_DAYS
    )
    return [
        f"{padded(name, 30).rstrip()}: photos kept until {row.keep_until}: "
        + (
            f"{_days(left)} left"
            if left >= 0
            else f"OVERDUE by {_days(-left)}; {command('fitdiag', 'case', 'delete', row.folder)} --photos"
        )
        for left, name, row in due
    ]


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"


def folded(text: str, columns: int, first: str, then: str) -> list[str]:
    """A text in lines of at most so many columns, broken between words; a longer word keeps its line."""
    if cells(first) + cells(text) <= columns:
        return [first + text]
    lines = [first]
    for word in text.split():
        gap = "" if lines[-1] in (first, then) else " "
        if gap and cells(lines[-1]) + 1 + cells(word) > columns:
            lines.append(then)
            gap = ""
        lines[-1] += gap + word
    return lines


def padded(text: str, columns: int) -> str:
    """A text cut or filled to a number of columns."""
    if cells(text) > columns:
        while cells(text) > columns - 3:
            text = text[:-1]
        text += "..."
    return text + " " * (columns - cells(text))


# -- new, show, close --------------------------------------------------------------------------------------------------


def new(
    name: str, given: str | None, *, units: str | None, body: list[str], measure: list[str], pattern: str | None,
    photos_consent: str | None, keep_until: str | None, note: list[str], alone: bool = False, rules: str | None,
    today: date | None = None,
) -> int:  # fmt: skip

    from fitdiag.cli.arguments import body_lengths, folder_of, guess_units
    from fitdiag.knowledge.load import load_rules
    from fitdiag.plausible import BODY_MM
    from fitdiag.sessions.case import new_case
    from fitdiag.sessions.case_files import Case, Consent

    base = load_rules(folder_of(rules))
    day = today or date.today()
    in_units = guess_units(units, measure)
    if photos_consent not in (None, "yes", "no"):
        told = f"'{one_line(photos_consent, 20)}' is no answer"
        raise stop("argument", told, hint="write --photos-consent yes or no")
    until = _until(keep_until, day)
    if until is not None and photos_consent != "yes":
        raise stop("argument", "photos are kept only with consent", hint="add --photos-consent yes")
    if pattern:
        from fitdiag.pattern.formats import read_pattern

        read_pattern(pattern)  # so that nobody finds out in round 2 that it cannot be read
    parent = parent_of(given)
    draft = Case(
        parent, name, base.about.garment, in_units, day,
        body=_body_notes(body, base.body_notes, (*base.words.body_grades.words, "no")),
        body_measures=body_lengths(measure, in_units, tuple(BODY_MM)), alone=alone,
        consent=Consent(photos_consent == "yes", day if photos_consent else None, until), notes=tuple(note),
    )  # fmt: skip
    case = new_case(draft, Path(pattern) if pattern else None)
    say(f"A new case for {case.name}: {shown_path(case.folder)}")
    if not photos_consent:
        say("Whether photos may be taken is not written down yet. When you have asked:")
        write(f"  {_command('case', 'consent', case.folder)} yes --keep-until DATE")
    say(f"Next: {_command('review', case.folder)}")
    return 0


def _body_notes(texts: Iterable[str], known: Iterable[str], grades: tuple[str, ...]) -> dict[str, str]:
    """`flat-seat` or `low-seat=marked` texts as grades by note."""
    from fitdiag.problems import Hints

    result: dict[str, str] = {}
    for text in texts:
        note, sign, grade = (part.strip() for part in text.partition("="))
        note, grade = "-".join(note.lower().split()), grade if sign else "some"
        if note not in known:
            hint = Hints().near(note, known) or "`fitdiag rules list body-notes` shows them all"
            raise stop("argument", f"there is no body note '{one_line(note, 40)}'", hint=hint)
        if grade not in grades:
            told = f"'{one_line(grade, 30)}' is not a grade of a body note"
            raise stop("argument", told, hint=f"write {', '.join(grades)}")
        result[note] = grade
    return result


def _day(text: str) -> date:
    try:
        if len(text) != len("2026-12-01"):
            raise ValueError
        return date.fromisoformat(text)
    except ValueError:
        raise stop("argument", f"'{one_line(text, 20)}' is not a day", hint="write it like 2026-12-01") from None


def _until(text: str | None, today: date) -> date | None:
    """A day until which photos may be kept."""
    until = _day(text) if text else None
    if until is not None and until < today:
        raise stop("argument", f"{until} is over already", hint="give a day to come, like --keep-until 2026-12-01")
    return until


def consent(name: str, given: str | None, answer: str, keep_until: str | None, today: date | None = None) -> int:
    """Write down what the client says now about photos."""
    from fitdiag.sessions.case import open_case, save_case
    from fitdiag.sessions.case_export import contents
    from fitdiag.sessions.case_files import Consent

    case, day = open_case(case_folder(name, given)), today or date.today()
    if answer not in ("yes", "no"):
        raise stop("argument", f"'{one_line(answer, 20)}' is no answer", hint="write yes or no")
    until, before = _until(keep_until, day), case.consent
    if until is not None and answer == "no":
        raise stop("argument", "photos are kept only with consent", hint="leave out --keep-until")
    inside = contents(case.folder)
    kept = inside.photos - _drawn(inside)
    if until is None and before.keep_until and not before.removed and (before.keep_until >= day or kept):
        until = before.keep_until if answer == "yes" or kept else None  # what was promised for those there still holds
    removed = before.removed if answer == "no" and not kept else None
    save_case(case, replace(case, consent=Consent(answer == "yes", day, until, removed)))
    if answer == "yes":
        say(
            f"Written down for {case.name}: photos may be taken, and kept {f'until {until}' if until else 'until they fit'}."
        )
        return 0
    say(f"Written down for {case.name}: no photos. The pages no longer ask for any.")
    if kept:
        say(
            f"{_count(kept, 'photo')} taken before {'is' if kept == 1 else 'are'} still there. To delete what there is:"
        )
        write(f"  {_command('case', 'delete', case.folder)} --photos")
    return 0


def show(name: str, given: str | None) -> int:
    from fitdiag.sessions.case import open_case
    from fitdiag.sessions.case_export import contents

    folder = case_folder(name, given)
    from fitdiag.cli.arguments import folder_of
    from fitdiag.cli.repair import silently
    from fitdiag.knowledge.load import load_rules

    base = load_rules(folder_of(None, folder / CASE_FILE))
    silently(base, open_case(folder))
    say_all(case_lines(open_case(folder), contents(folder), base))
    return 0


def case_lines(case: Case, inside: Contents, base: RuleBase) -> list[str]:
    """A case in the words of the rules."""
    from fitdiag.units import format_reading

    agreed = case.consent
    lines = [f"{case.name} ({case.garment}, {case.units}), opened {case.opened}", f"Folder: {shown_path(case.folder)}"]
    if case.body:
        notes = (_named(note, base) + ("" if grade == "some" else f" ({grade})") for note, grade in case.body.items())
        lines.append(f"Body notes: {'; '.join(notes)}")
    for title, lengths in (("Body", case.body_measures), ("Pattern", case.pattern_measures)):
        if lengths:
            told = (f"{name.replace('-', ' ')} {format_reading(mm, case.units)}" for name, mm in lengths.items())
            lines.append(f"{title} measures: {', '.join(told)}")
    lines.append(f"Pattern: {case.pattern}" if case.pattern else "Pattern: none yet")
    if case.alone:
        lines.append("Fits herself, with nobody to help.")
    agreed_on = f", {'agreed' if agreed.photos else 'asked'} on {agreed.given}" if agreed.given else ""
    consent = f"Photos: {'yes' if agreed.photos else 'no' if agreed.given else 'not agreed on yet'}{agreed_on}"
    consent += f", kept until {agreed.keep_until}" if agreed.keep_until else ""
    consent += f", deleted on {agreed.removed}" if agreed.removed else ""
    drawn = _drawn(inside)
    copies = f" and {drawn} drawn-on copies" if drawn else ""
    lines.append(f"{consent}. {inside.photos - drawn} in the folder{copies}.")
    lines += [f"Note: {note}" for note in case.notes]
    for one in case.rounds:
        lines += ["", *_round_lines(one, case, base)]
    if case.closed:
        words = f": {case.closed.words}" if case.closed.words else ""
        lines += ["", f"Closed {case.closed.day}, {case.closed.outcome}{words}"]
    elif not case.rounds:
        lines += ["", f"No round yet. Begin: {_command('review', case.folder)}"]
    if inside.links:
        names = ", ".join(shown_path(path) for path in inside.links[:5])
        lines += ["", f"Links and other special files are passed over: {names}"]
    return lines


def _named(rule: str, base: RuleBase) -> str:
    from fitdiag.diagnosis.belief import lower_first

    found = base.find(rule)
    return lower_first(found[1].title) if found else rule.replace("-", " ")


def _round_lines(one: Round, case: Case, base: RuleBase) -> list[str]:
    from fitdiag.units import format_length, format_reading

    turn = "your turn" if one.waiting == "fitter" else "the client's turn"
    state = f": {turn} since {one.since}" if one == case.last_round and not case.closed else ""
    lines = [f"Round {one.number}, opened {one.opened}{': it fits' if one.fits else state}"]

    def told_of(alteration: str, mm: float | None, side: str | None = None) -> str:
        amount = f", {format_length(mm, case.units)}" if mm is not None else ""
        return f"{_named(alteration, base)}{amount}{f', {side} side' if side in ('left', 'right') else ''}"

    for when, told in ((one.sent, "documents sent"), (one.form_received, "form came back")):
        if when:
            lines.append(f"  {told} {when}")
    lines += [f"  advised: {told_of(item.alteration, item.amount_mm, item.side)}" for item in one.advised]
    lines += [f"  left out: {_named(alteration, base)}" for alteration in one.left_out]
    for item in one.done:
        how = "done" if item.done else "not done"
        lines.append(f"  {how}: {told_of(item.alteration, item.amount_mm)}")
    for symptom, values in one.outcome.items():
        named = (("before", values.before), ("expected", values.expected), ("now", values.observed))
        told = ", ".join(f"{name} {format_reading(mm, case.units)}" for name, mm in named if mm is not None)
        error = f" (give or take {format_reading(values.error, case.units)})" if values.error else ""
        lines.append(f"  {_named(symptom, base)}: {told or 'not measured'}{error}")
    return lines


def close(
    name: str, given: str | None, *, fits: bool, given_up: bool, because: str | None, today: date | None = None
) -> int:
    from fitdiag.sessions.case import close_case, open_case
    from fitdiag.sessions.case_files import LONGEST_NOTE, Closed, Ending

    if (fits and given_up) or not (fits or given_up or because):
        raise stop("argument", "say how it ended", hint="add --fits, or --given-up, or --because 'in a few words'")
    case = open_case(case_folder(name, given))
    if case.closed:
        told = f"this case was closed {case.closed.day}"
        raise stop("closed", told, where=case.folder, hint="change the line 'closed:' in case.yaml by hand")
    outcome: Ending = "fits" if fits else "given-up" if given_up else "other"
    case = close_case(case, Closed(today or date.today(), outcome, one_line(because or "", LONGEST_NOTE)))
    say(f"{case.name} is closed: {outcome}.")
    if case.consent.keep_until and not case.consent.removed:
        say(
            f"The photos may be kept until {case.consent.keep_until}: {_command('case', 'delete', case.folder)} --photos"
        )
    return 0


# -- export, delete ----------------------------------------------------------------------------------------------------


def export(name: str, given: str | None, to: str, *, anonymous: bool, rules: str | None) -> int:
    from fitdiag.cli.arguments import folder_of
    from fitdiag.cli.repair import silently
    from fitdiag.knowledge.load import load_rules
    from fitdiag.sessions.case import open_case
    from fitdiag.sessions.case_export import export_case

    folder = case_folder(name, given)
    base = load_rules(folder_of(rules, folder / CASE_FILE))
    silently(base, open_case(folder))
    copied = export_case(open_case(folder), Path(to), base if anonymous else None)
    say(f"Written: {shown_path(to)} ({_amount(copied)})")
    if anonymous:
        say(
            "Without name, photos, marks, pattern, plan, documents, notes and free text; days are counted from the opening."
        )
        say("Body notes and measures are in it: they are what there is to learn from.")
    if copied.links:
        say(f"Links and other special files were left out: {', '.join(shown_path(path) for path in copied.links[:5])}")
    return 0


def delete(name: str, given: str | None, *, yes: bool, photos: bool, today: date | None = None) -> int:
    from fitdiag.sessions.case import open_case
    from fitdiag.sessions.case_export import contents, delete_case, delete_photos, refuse_other_folder

    folder = case_folder(name, given)
    refuse_other_folder(folder)
    inside = contents(folder)
    if photos:
        say(
            f"This deletes {_count(inside.photos, 'photo')} of {shown_path(folder)} and the marks on them. The rest stays."
        )
    else:
        say(f"This deletes {shown_path(folder)}: {_amount(inside)}.")
        if inside.links:
            say(f"{_count(len(inside.links), 'link')} in it go too; what they point to stays.")
    say("Copies made elsewhere, in a backup or under version control stay.")
    if not yes and not _agreed():
        say("Nothing was deleted.")
        return 1
    if photos:
        delete_photos(open_case(folder), today or date.today())
    else:
        _forget(folder)
        delete_case(folder)
    say("Deleted.")
    return 0


def _forget(folder: Path) -> None:
    """What is kept outside the case and may be of the client: simulated muslins, and words that were not understood."""
    from fitdiag.cli.misses import forget_since
    from fitdiag.files import own_folder, remove_file
    from fitdiag.sessions.case import open_case

    try:
        opened = open_case(folder).opened
    except ProblemsFoundError:  # a damaged case goes too
        opened = date.min
    forget_since(opened)
    for draped in (own_folder() / "drapes").glob("*.npz"):
        remove_file(draped)


def _agreed() -> bool:
    try:
        return input("Delete it? Write yes: ").strip().lower() == "yes"
    except EOFError:
        write()
        return False


def _amount(inside: Contents) -> str:
    size = f"{inside.size / 1e6:.1f} MB" if inside.size >= 1e6 else f"{max(1, round(inside.size / 1e3))} kB"
    return f"{_count(len(inside.files), 'file')}, {_count(inside.photos, 'photo')} among them, {size}"


def _drawn(inside: Contents) -> int:
    """How many of the pictures are copies that show what was measured, or simulated lines."""
    return sum(path.name.endswith((".measured.png", ".simulated.png")) for path in inside.files)


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
