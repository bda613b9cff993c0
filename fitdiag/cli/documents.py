"""The documents at the end of a round, its plan on simulated cloth, and the client's form: writing them and taking forms in."""

from __future__ import annotations

import re
import zlib
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from fitdiag.cli.lists import effects_of, on_paper, sewn
from fitdiag.cli.output import say
from fitdiag.diagnosis.belief import Diagnosis, lower_first
from fitdiag.files import digest, make_folder, read_bytes, refusals, refuse_utf16, remove_file, write_all
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.stages import Simulation
from fitdiag.problems import ProblemsFoundError, Where, one_line, shown_path, stop
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import WRITERS, as_json
from fitdiag.sessions.carried import advised_as
from fitdiag.sessions.case_files import Case, Round
from fitdiag.sessions.log import ABOUT_FILES, Event
from fitdiag.sessions.round_log import RoundLog, advised_list, append
from fitdiag.sessions.rounds import choice_of, nudged
from fitdiag.sessions.state import Conclusion, conclude, fold, offered_event
from fitdiag.units import Units

if TYPE_CHECKING:
    from fitdiag.pattern.pdf import Paper
    from fitdiag.pattern.piece import Pattern
    from fitdiag.reports.form import Advice, Form

_FORM_QUESTIONS = 10
_LONGEST_MAIL = 64 * 1024  # bytes
_MOST_NAMED = 12  # sentences of a mail that are named one by one
CARDS = ("shot-card.html", "shot-card.pdf")


@dataclass(frozen=True)
class Look:
    """Settings of a round's documents: day, large print, paper, and the plan on simulated cloth if it was draped."""

    day: date
    large: bool
    paper: Paper
    shown: Simulation | None = None


def documents_of(base: RuleBase, case: Case, conclusion: Conclusion, look: Look) -> dict[Path, str | bytes]:
    """Every document of the last round by path, the plan last.

    A client who refused photos is not asked for any.
    """
    from fitdiag.reports.client_pdf import client_pdf
    from fitdiag.reports.fitter import Beside, fitter_page, turning_answers
    from fitdiag.reports.sheet import Heading, client_page, make_sheet
    from fitdiag.reports.shot_card import card_html, card_of, card_pdf

    one, units = case.rounds[-1], case.units
    pattern, earlier = on_paper(base, case, one.number)
    effects = effects_of(base, conclusion, pattern, earlier=earlier)
    heading = Heading(units, case.name, one.number, look.day)
    photographs = () if case.consent.refused else base.about.photographs
    sheet = make_sheet(base, conclusion, heading, pattern=sewn(pattern, earlier), photographs_next=photographs,
                       muslins=look.shown.pictures if look.shown is not None else (), alone=case.alone,
                       wrote=_made_of_the_mail(base, RoundLog.of(one), conclusion))  # fmt: skip
    report = make_report(base, conclusion, case.name, on_pattern=effects, simulated=look.shown)
    history = [(each, RoundLog.of(each).findings(base)) for each in case.rounds]
    beside = Beside(
        sheet, _before(base, case), history, effects, turning_answers(base, conclusion.diagnosis.findings, conclusion),
        _pictures(one, sorted(path.name for path in one.photos.glob("*.measured.png"))), look.shown,
        _pictures(one, look.shown.laid if look.shown is not None else ()),
    )  # fmt: skip
    pages: dict[str, str | bytes] = {
        "client.html": client_page(sheet, large=look.large),
        "client.pdf": client_pdf(sheet, paper=look.paper, large=look.large),
        "fitter.html": fitter_page(base, conclusion, heading, beside),
    }
    if not case.consent.refused and base.about.card is not None:
        kept = str(case.consent.keep_until or "the fitting ends")
        card = card_of(base.about.garment, base.about.card, units, None, kept, alone=case.alone)
        shown = card_html(card, large=look.large), card_pdf(card, large=look.large, paper=look.paper)
        pages |= dict(zip(CARDS, shown, strict=True))
    pages |= {f"list{ending}": WRITERS[ending](report) for ending in (".md", ".csv", ".json")}
    listed = zip(conclusion.plan.recommendations, sheet.changes, strict=True)
    asked = [(advised_as(item), change.pictures) for item, change in listed]
    after = one.number if asked else one.number - 1  # where nothing is altered, the same muslin is asked about again
    form, page = form_page(base, case, conclusion.diagnosis, asked, after=after)
    files: dict[Path, str | bytes] = {one.documents / name: content for name, content in pages.items()}
    return {**files, form: page, one.plan_file: as_json(report)}


def _made_of_the_mail(base: RuleBase, log: RoundLog, conclusion: Conclusion) -> tuple[str, ...]:
    """What became of the sentences of a mail or a form that nobody has confirmed yet, and of the mail's others where nothing was seen."""
    from fitdiag.interview.clauses import sentences

    session, seen = fold(log.events, base), conclusion.diagnosis.findings.seen
    waiting = {
        one.symptom: session.sentences[one.symptom] for one in session.offered if one.symptom in session.sentences
    }
    told = []
    mailed = [one_line(sentence, 400) for sentence in sentences(log.mail)]
    remarked = [
        one for one in dict.fromkeys(waiting.values()) if not any(one in other or other in one for other in mailed)
    ]
    for shown in (*mailed, *remarked):
        read = [lower_first(base.title(name)) for name, source in waiting.items() if source in shown or shown in source]
        if read:
            told.append(f'"{shown}" This was read as: {"; ".join(read)}. It counts once it has been looked at.')
        elif not seen:
            told.append(f'"{shown}" Nothing could be made of this yet.')
    return tuple(told[:_MOST_NAMED])


def write_documents(base: RuleBase, case: Case, conclusion: Conclusion, look: Look) -> list[Path]:
    """Log what the last round's documents are made of, then write them; return those to show. Call under the case's lock."""
    one = case.rounds[-1]
    files = documents_of(base, case, conclusion, look)
    line: dict[str, Any] = {
        "event": "documents",
        "day": look.day.isoformat(),
        "large": look.large,
        "paper": look.paper,
        "draped": look.shown is not None,
        **({"alone": True} if case.alone else {}),
    }
    held = {path.name: digest(text.encode() if isinstance(text, str) else text) for path, text in files.items()}
    line |= {"advised": advised_list(one.advised), "files": held}
    log = RoundLog.of(one)
    came = any(new["event"] not in ABOUT_FILES for new in log.fresh)
    if came or {**(log.last("documents") or {}), "at": ""} != {**line, "at": ""}:
        append(one, line)
    make_folder(one.documents)
    with refusals(one.documents, "this cannot be written"):
        for name in CARDS:  # left by a run before the client refused
            if case.consent.refused and (one.documents / name).exists():
                remove_file(one.documents / name)
    write_all(_laid(one, look) | files, replace=True)
    return [path for path in files if path.parent == one.documents]


def documents_again(base: RuleBase, case: Case, number: int) -> list[Path]:
    """Rebuild the missing or outdated documents of a round from its log, and return them. Call under the case's lock."""
    case = replace(case, rounds=tuple(one for one in case.rounds if one.number <= number))
    one = case.rounds[-1]
    log = RoundLog.of(one)
    line = log.last("documents")
    if line is None or not log.written(one.advised):
        return []
    case = replace(case, alone=bool(line.get("alone")))  # as it was then
    wanted = [path for path in log.unwritten(one) if not (case.consent.refused and path.name in CARDS)]
    if not wanted:
        return []
    conclusion = choice_of(base, conclude(base, log.findings(base)), one, case.units).concluded()
    now = [entry for item in conclusion.plan.recommendations for entry in advised_as(item)]
    if line["advised"] != advised_list(now):
        return []  # today's rules give another list, so what was sent cannot be rebuilt
    shown = simulated_round(base, case, conclusion)[0] if line.get("draped") else None
    paper: Paper = "a4" if line["paper"] == "a4" else "letter"
    look = Look(date.fromisoformat(line["day"]), bool(line["large"]), paper, shown)
    files = documents_of(base, case, conclusion, look)
    make_folder(one.documents)
    made = {path: content for path, content in files.items() if path in wanted}
    write_all(_laid(one, look) | made, replace=True)
    return list(made)


def _pictures(one: Round, names: Iterable[str]) -> dict[str, list[str]]:
    """Drawn-on copies of the round's pictures by view, as links from its documents; the pictures stay where they are."""
    links: dict[str, list[str]] = {}
    for name in names:
        view = name.partition(".")[0].partition(" ")[0].partition("-")[0]
        links.setdefault(view, []).append(f"../{one.photos.name}/{quote(name)}")
    return links


def _laid(one: Round, look: Look) -> dict[Path, str | bytes]:
    """The simulated lines over the round's pictures, beside them."""
    laid = look.shown.laid if look.shown is not None else {}
    return {one.photos / name: image for name, image in laid.items()}


def _before(base: RuleBase, case: Case) -> Conclusion | None:
    """The conclusion of the round before, if there is one."""
    if len(case.rounds) < 2:
        return None
    try:
        log = RoundLog.of(case.rounds[-2])
        return conclude(base, log.findings(base)) if log.begun else None
    except ProblemsFoundError:
        return None


def simulated_round(
    base: RuleBase, case: Case, conclusion: Conclusion
) -> tuple[Simulation | None, Mapping[str, float] | None]:
    """The plan on simulated cloth with pictures, and how far this try-on moves parts of the body (mm; None if unknown).

    Without a simulation, prints the reason. From the second round on, the muslin tried on was simulated before: reports how
    close it came, and how the body should be adjusted for later rounds.
    """
    findings, number = conclusion.diagnosis.findings, case.rounds[-1].number
    pattern = sewn(*on_paper(base, case, number))
    if pattern is None or "hip" not in findings.body_measures or not conclusion.plan.recommendations:
        return None, None
    from fitdiag.cli.drape import simulated

    effects = effects_of(base, conclusion, pattern)
    try:
        earlier = nudged(one for one in case.rounds if one.number != number)
        solved = effects.solved if effects else None
        photos = sorted(case.rounds[-1].photos.glob("*.jpg"))
        found = simulated(base, conclusion, pattern, solved=solved, nudges=earlier, drawn=True, photos=photos)
        if number == 1 or not found.near:
            return replace(found, near=()), None
        moved = _taught(base, findings, pattern, earlier)
    except ProblemsFoundError as stopped:
        say(f"The plan was not shown on simulated cloth: {stopped.problems[0]}.")
        return None, None
    if moved:
        parts = "; ".join(f"{part.replace('-', ' ')} {mm:+.0f} mm" for part, mm in moved.items())
        text = f"For the next rounds the simulated body is moved a little: {parts}. `fitdiag case body NAME --take-back` takes it back."
        found = replace(found, near=(*found.near, text))
    return found, moved


def _taught(base: RuleBase, findings: Findings, sewn: Pattern, earlier: Mapping[str, float]) -> dict[str, float]:
    """How far the findings of this try-on move parts of the body, mm."""
    from fitdiag.cli.drape import progress
    from fitdiag.planning.explain import nudge
    from fitdiag.planning.muslins import block_for, cloth_of, wearer_of

    wearer = wearer_of(base, findings.body_measures, findings.body_said, findings.units, earlier)
    with progress("Comparing with what came") as tell:
        block = block_for(wearer.figure, sewn)
        return nudge(base, findings, sewn, block, wearer.figure, cloth_of(base), earlier, tell)


# -- the client's form ------------------------------------------------------------------------------------------------


def token(case: Case, after: int) -> str:
    """The token that ties a form to its case: the folder's name and the round of the list before it (0: before any)."""
    name = case.folder.name
    plain = re.sub(r"[^a-z0-9-]", "-", name.lower())[:40]
    if plain != name:  # characters were replaced, so names could collide
        plain = f"{plain.strip('-') or 'case'}-{zlib.crc32(name.encode('utf-8', 'surrogateescape')):08x}"
    return f"{plain}-{after}"


def form_page(
    base: RuleBase, case: Case, diagnosis: Diagnosis, advised: Sequence[Advice], *, after: int
) -> tuple[Path, str]:
    """The path and page of the form about the try-on after a round's list (0: the first muslin), in the last round's folder."""
    from fitdiag.reports.form import client_form
    from fitdiag.reports.sheet import Heading

    page = client_form(
        base, _questions(base, diagnosis), Heading(case.units, case.name, after + 1, case.rounds[-1].opened), advised,
        token=token(case, after), photos=not case.consent.refused, alone=case.alone,
    )  # fmt: skip
    return case.rounds[-1].documents / f"form-try-on-{after + 1}.html", page


def _questions(base: RuleBase, diagnosis: Diagnosis) -> list[str]:
    """The most informative open questions a wearer can answer, after what was seen before, to check whether it is gone."""
    asked = [q.symptom for q in diagnosis.questions() if base.symptoms[q.symptom].by not in ("paper", "unpicking")]
    felt = [symptom for symptom in asked if base.symptoms[symptom].felt]
    seen = [finding.symptom for finding in diagnosis.findings.seen]
    return list(dict.fromkeys([*seen, *felt[:5], *asked]))[:_FORM_QUESTIONS]


def form_that_came(base: RuleBase, case: Case, path: str, command: str) -> Form:
    """Read a form. Raises ProblemsFoundError unless it is new and about the current try-on."""
    from fitdiag.reports.form import LARGEST, read_form

    raw = read_bytes(Path(path), LARGEST, "form")
    refuse_utf16(raw, Where(shown_path(path)), "form")
    form = read_form(raw.decode("utf-8", "replace"), base, path)
    where = Where(shown_path(path))
    last = case.rounds[-1] if case.rounds else None
    now = 0 if last is None else last.number if last.sent else last.number - 1
    found = next((n for n in range((last.number if last else 0) + 1) if form.token == token(case, n)), None)
    if found is None:
        message = "this form belongs to another case or round"
        raise stop("form-other", message, where=where, hint=f"it says '{one_line(form.token, 60)}'")
    refuse_again(case, form, command, where)
    if found < now:
        message = f"this form is about try-on {found + 1}, and try-on {now + 1} is looked at now"
        raise stop("form-old", message, where=where, hint="is there a newer one?")
    if found > now:
        message = f"this form is about the try-on after the list of round {found}, which is not written down as sent"
        raise stop("form-early", message, where=where, hint=f"{command} --sent writes it down; then do this again")
    return form


def what_came(base: RuleBase, case: Case, path: str, command: str) -> tuple[Form | None, str]:
    """The form in a file, or the text of a mail without one."""
    try:
        return form_that_came(base, case, path, command), ""
    except ProblemsFoundError as stopped:
        if stopped.problems[0].code != "no-form":
            raise
        text = read_bytes(Path(path), _LONGEST_MAIL, "mail").decode("utf-8", "replace")
        words = re.search(r"[A-Za-z]{2}.*\s.*[A-Za-z]{2}", text, re.DOTALL)
        if not words or "\0" in text or text.lstrip().startswith("<"):
            raise
        from fitdiag.interview.clauses import without_head

        return None, without_head(text)


def mail_events(base: RuleBase, text: str, units: Units, seen: Container[str]) -> list[Event]:
    """The findings a mail proposes, to be confirmed in the interview, but for what the fitter has `seen`.

    Prints what else it may mention, and what was not read.
    """
    say("There is no form in it: the mail is kept as a note, and nothing in it counts until you say so.")
    proposed = _proposed(base, text, units, seen, {})
    if not proposed:
        say("- No sentence names a sign plainly; name what you read in it yourself.")
    return proposed


def remark_events(base: RuleBase, form: Form, ticked: Iterable[Finding], seen: Container[str]) -> list[Event]:
    """The findings that the client's own words on a form propose, as those of a mail do, but for what was ticked just so."""
    if not form.words:
        return []
    say("The client's own words on the form are kept as a note, and nothing in them counts until you say so.")
    return _proposed(base, form.words, form.units, seen, {item.symptom: item.seen for item in ticked})


def _proposed(base: RuleBase, text: str, units: Units, seen: Container[str], ticked: Mapping[str, str]) -> list[Event]:
    """What free words propose that is neither seen nor ticked; prints what else they may mention, and what was not read."""
    from fitdiag.interview.mail import read_mail_and_rest
    from fitdiag.interview.search import Words

    read, rest = read_mail_and_rest(base, Words(base), text, units)
    others = [one for one in read if one.kind != "symptom"]
    for one in others:
        what = "A body note" if one.kind == "body note" else "Done before"
        say(f'- {what}, perhaps: {base.title(one.id)}. "{one_line(one.sentence, 120)}"')
    if others:
        where = "type what is so where earlier rounds and shape are asked for, or write it in a --findings file"
        say(f"  Nothing asks about these by itself: {where}.")
    for sentence in rest[:_MOST_NAMED]:
        say(f'- Nothing was read from: "{one_line(sentence, 120)}"')
    if len(rest) > _MOST_NAMED:
        say(f"- Nor from {len(rest) - _MOST_NAMED} more sentences; the note has them.")
    signs = [(one, one.finding) for one in read if one.finding is not None and one.id not in seen]
    told = [(one, finding) for one, finding in signs if ticked.get(one.id) != finding.seen]
    sentences = {one.id: one_line(one.sentence, 400) for one, _ in told}
    return [offered_event([finding for _, finding in told], sentences)] if told else []


def refuse_again(case: Case, form: Form, command: str, where: Where | None = None) -> None:
    """Refuse a form taken in before, unless by a command that was cut off before it concluded anything."""
    for one in case.rounds:
        if form.checksum in one.forms:
            if one == case.rounds[-1] and taken_in(RoundLog.of(one).fresh, "form", form.checksum):
                continue
            message = f"this form was taken in before, in round {one.number}"
            raise stop("form-again", message, where=where, hint=f"is there a newer one? To go on without it: {command}")


def taken_in(lines: Sequence[Event], key: str, value: str) -> bool:
    """Whether one of these log lines took in what it has under `key`, like the checksum of a form."""
    return any(line["event"] == "taken" and line.get(key) == value for line in lines)


def pressing(base: RuleBase, form: Form) -> list[Finding]:
    """Where the client felt pressing or pain, as the signs assumed until the fitter knows better; no fabric is taken in there."""
    taken_for = base.about.presses
    felt = [taken_for[when] for when, how in form.feels if how in ("presses", "hurts") and when in taken_for]
    return [Finding(symptom, "yes", origin="form") for symptom in felt]
