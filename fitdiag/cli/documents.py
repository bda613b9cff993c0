"""The documents a round of a case ends with: for the client, for the fitter, for other programs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from fitdiag.cli.case_drape import simulated_round
from fitdiag.cli.diagnose import effects_of, pattern_in
from fitdiag.cli.forms import form_page
from fitdiag.files import make_folder, refusals, remove_file, write_all
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.stages import Simulation
from fitdiag.problems import ProblemsFoundError
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import WRITERS, as_json
from fitdiag.sessions.case_files import Advised, Case, Round
from fitdiag.sessions.choice import choice_of
from fitdiag.sessions.log import ABOUT_FILES
from fitdiag.sessions.round_log import RoundLog, advised_list, append, digest
from fitdiag.sessions.state import Conclusion, conclude

if TYPE_CHECKING:
    from fitdiag.pattern.pdf import Paper
    from fitdiag.reports.history import RoundFacts

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
    from fitdiag.photos.card import card_html, card_pdf
    from fitdiag.photos.card_words import card_of
    from fitdiag.reports.client_pdf import client_pdf
    from fitdiag.reports.pages import Beside, client_page, fitter_page
    from fitdiag.reports.sheet import Heading, make_sheet
    from fitdiag.reports.turning import turning_answers

    one, units = case.rounds[-1], case.units
    pattern = pattern_in(base, case.pattern_file)
    effects = effects_of(base, conclusion, pattern)
    heading = Heading(units, case.name, one.number, look.day)
    photographs = () if case.consent.refused else base.about.photographs
    sheet = make_sheet(base, conclusion, heading, pattern=pattern, photographs_next=photographs,
                       muslins=look.shown.pictures if look.shown is not None else (), alone=case.alone)  # fmt: skip
    report = make_report(base, conclusion, case.name, on_pattern=effects, simulated=look.shown)
    pages: dict[str, str | bytes] = {
        "client.html": client_page(sheet, large=look.large),
        "client.pdf": client_pdf(sheet, paper=look.paper, large=look.large),
        "fitter.html": fitter_page(base, conclusion, heading, Beside(
            before=_before(base, case), history=_facts(base, case), effects=effects,
            answers_that_would_turn=turning_answers(base, conclusion.diagnosis.findings, conclusion),
            photos=_pictures(one, sorted(path.name for path in one.photos.glob("*.measured.png"))),
            simulated=look.shown, sheet=sheet, laid=_pictures(one, look.shown.laid if look.shown is not None else ()),
        )),
    }  # fmt: skip
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
    with refusals(one.documents, "this cannot be written"):
        make_folder(one.documents)
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
    with refusals(one.documents, "this folder cannot be made"):
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
    from fitdiag.reports.history import RoundFacts

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
