"""The documents a round of a case ends with: for the client, for the fitter, for other programs; and its plan on simulated cloth."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from fitdiag.cli.diagnose import effects_of, pattern_in
from fitdiag.cli.forms import form_page
from fitdiag.cli.output import say
from fitdiag.files import make_folder, refusals, remove_file, write_all
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.stages import Simulation
from fitdiag.problems import ProblemsFoundError
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import WRITERS, as_json
from fitdiag.sessions.case_files import Advised, Case, Round
from fitdiag.sessions.log import ABOUT_FILES
from fitdiag.sessions.round_log import RoundLog, advised_list, append, digest
from fitdiag.sessions.rounds import choice_of, nudged
from fitdiag.sessions.state import Conclusion, conclude

if TYPE_CHECKING:
    from fitdiag.knowledge.findings import Findings
    from fitdiag.pattern.pdf import Paper
    from fitdiag.pattern.piece import Pattern
    from fitdiag.reports.fitter import RoundFacts

CARDS = ("shot-card.html", "shot-card.pdf")


@dataclass(frozen=True)
class Look:
    """How the documents of a round look: the day on them, large print, the paper; the plan on simulated cloth, if it was draped."""

    day: date
    large: bool
    paper: Paper
    shown: Simulation | None = None


def documents_of(base: RuleBase, case: Case, conclusion: Conclusion, look: Look) -> dict[Path, str | bytes]:
    """Every document of the last round: for the client, for the fitter, for other programs, the plan last.

    Who refused photos is not asked for any.
    """
    from fitdiag.reports.client_pdf import client_pdf
    from fitdiag.reports.fitter import Beside, fitter_page, turning_answers
    from fitdiag.reports.sheet import Heading, client_page, make_sheet
    from fitdiag.reports.shot_card import card_html, card_of, card_pdf

    one, units = case.rounds[-1], case.units
    pattern = pattern_in(base, case.pattern_file)
    effects = effects_of(base, conclusion, pattern)
    heading = Heading(units, case.name, one.number, look.day)
    photographs = () if case.consent.refused else base.about.photographs
    sheet = make_sheet(base, conclusion, heading, pattern=pattern, photographs_next=photographs,
                       muslins=look.shown.pictures if look.shown is not None else (), alone=case.alone)  # fmt: skip
    report = make_report(base, conclusion, case.name, on_pattern=effects, simulated=look.shown)
    beside = Beside(
        sheet, _before(base, case), _facts(base, case), effects, turning_answers(base, conclusion.diagnosis.findings, conclusion),
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
    asked = [(item.alteration, item.amount.mm, change.pictures) for item, change in listed]
    form, page = form_page(base, case, conclusion.diagnosis, asked, after=one.number)
    files: dict[Path, str | bytes] = {one.documents / name: content for name, content in pages.items()}
    return {**files, form: page, one.plan_file: as_json(report)}


def write_documents(base: RuleBase, case: Case, conclusion: Conclusion, look: Look) -> list[Path]:
    """Write the documents of the last round, after its log says of what they are made; those to be shown. Under the case's lock."""
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
        for name in CARDS:  # of an earlier run, before the no
            if case.consent.refused and (one.documents / name).exists():
                remove_file(one.documents / name)
    write_all(_laid(one, look) | files, replace=True)
    return [path for path in files if path.parent == one.documents]


def documents_again(base: RuleBase, case: Case, number: int) -> list[Path]:
    """Make the documents of a round again that are missing or were not made anew, by its log. Under the case's lock."""
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
    now = [Advised(item.alteration, item.amount.mm, item.side) for item in conclusion.plan.recommendations]
    if line["advised"] != advised_list(now):
        return []  # by the rules of today the list is another; what was sent cannot be made again
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
    """What was believed at the end of the round before."""
    if len(case.rounds) < 2:
        return None
    try:
        log = RoundLog.of(case.rounds[-2])
        return conclude(base, log.findings(base)) if log.begun else None
    except ProblemsFoundError:
        return None


def _facts(base: RuleBase, case: Case) -> list[RoundFacts]:
    """The rounds as numbers for the chart."""
    from fitdiag.reports.fitter import RoundFacts

    facts = []
    expected: dict[str, tuple[float, float | None]] = {}
    for one in case.rounds:
        found = RoundLog.of(one).findings(base).symptoms
        measured = {f.symptom: (f.amount_mm, f.error_mm) for f in found.values() if f.amount_mm is not None}
        measured |= {f.symptom: (0.0, None) for f in found.values() if f.seen == "no" and f.symptom in expected}
        facts.append(
            RoundFacts(
                one.number, one.opened, tuple((a.alteration, a.amount_mm) for a in one.advised),
                tuple((d.alteration, d.amount_mm) for d in one.done if d.done), measured, expected,
            )
        )  # fmt: skip
        expected = {s: (max(o.expected, 0.0), o.error) for s, o in one.outcome.items() if o.expected is not None}
    return facts


def simulated_round(
    base: RuleBase, case: Case, conclusion: Conclusion
) -> tuple[Simulation | None, Mapping[str, float] | None]:
    """The plan on simulated cloth with pictures, and by how much its try-on moves parts of the body (mm; None: not known).

    No simulation, and the reason said, where there is none. From the second round on the muslin that was tried on was
    simulated before: how near it came is said, and the body is to be nudged for the rounds to come.
    """
    findings, pattern = conclusion.diagnosis.findings, pattern_in(base, case.pattern_file)
    if pattern is None or "hip" not in findings.body_measures or not conclusion.plan.recommendations:
        return None, None
    from fitdiag.cli.drape import simulated

    effects = effects_of(base, conclusion, pattern)
    try:
        sewn, number = _as_sewn(case, pattern), case.rounds[-1].number
        earlier = nudged(one for one in case.rounds if one.number != number)
        solved = effects.solved if effects else None
        photos = sorted(case.rounds[-1].photos.glob("*.jpg"))
        found = simulated(base, conclusion, sewn, solved=solved, nudges=earlier, drawn=True, photos=photos)
        if number == 1 or not found.near:
            return replace(found, near=()), None
        moved = _taught(base, findings, sewn, earlier)
    except ProblemsFoundError as stopped:
        say(f"The plan was not shown on simulated cloth: {stopped.problems[0]}.")
        return None, None
    if moved:
        parts = "; ".join(f"{part.replace('-', ' ')} {mm:+.0f} mm" for part, mm in moved.items())
        told = f"For the next rounds the simulated body is moved a little: {parts}. `fitdiag case body NAME --take-back` takes it back."
        found = replace(found, near=(*found.near, told))
    return found, moved


def _taught(base: RuleBase, findings: Findings, sewn: Pattern, earlier: Mapping[str, float]) -> dict[str, float]:
    """By how much what came at this try-on moves parts of the body."""
    from fitdiag.cli.drape import progress
    from fitdiag.planning.explain import nudge
    from fitdiag.planning.muslins import block_for, cloth_of, wearer_of

    wearer = wearer_of(base, findings.body_measures, findings.body, findings.units, earlier)
    with progress("Comparing with what came") as tell:
        block = block_for(wearer.figure, sewn)
        return nudge(base, findings, sewn, block, wearer.figure, cloth_of(base), earlier, tell)


def _as_sewn(case: Case, pattern: Pattern) -> Pattern:
    """The pattern of the muslin that is tried on now: with what was really done in the rounds of this case."""
    from fitdiag.pattern.moves import carry_out

    known = [(item.alteration, round(item.amount, 1)) for item in pattern.carried]
    for one in case.rounds:
        for item in one.done:
            if item.done and item.amount_mm and (item.alteration, round(item.amount_mm, 1)) not in known:
                pattern = carry_out(pattern, item.alteration, item.amount_mm).pattern
    return pattern
