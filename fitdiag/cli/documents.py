"""The documents a round of a case ends with: for the client, for the fitter, for other programs."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitdiag.cli.diagnose import effects_of
from fitdiag.cli.output import say
from fitdiag.files import write_atomically
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.stages import Effects, Simulation
from fitdiag.problems import ProblemsFoundError
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import as_json, write_report
from fitdiag.sessions.case import refusals
from fitdiag.sessions.case_files import Case
from fitdiag.sessions.log import read_log
from fitdiag.sessions.state import Conclusion, conclude, fold

if TYPE_CHECKING:
    from fitdiag.pattern.piece import Pattern
    from fitdiag.reports.client_pdf import Paper
    from fitdiag.reports.history import RoundFacts

CARDS = ("shot-card.html", "shot-card.pdf")
PHOTOGRAPHS = (
    "From the back, the lens at the height of the hip line, and again at the crotch line.",
    "From the side, the lens at the height of the hip line.",
    "From the front, the lens at the height of the hip line.",
)


def write_documents(
    base: RuleBase,
    case: Case,
    conclusion: Conclusion,
    pattern: Pattern | None,
    today: date,
    *,
    large: bool,
    paper: Paper,
    drape: bool = True,
) -> list[Path]:
    """Every document of the round: for the client, for the fitter, for other programs. Who refused photos is not asked for any.

    With a pattern and a hip girth the plan is shown on simulated cloth, unless `drape` is off.
    """
    from fitdiag.photos.card import card_html, card_pdf
    from fitdiag.reports.client_pdf import client_pdf
    from fitdiag.reports.pages import client_page, fitter_page
    from fitdiag.reports.sheet import make_sheet
    from fitdiag.reports.turning import turning_answers

    one, units = case.rounds[-1], case.units
    folder = one.documents
    with refusals(folder, "this folder cannot be made"):
        folder.mkdir(mode=0o700, exist_ok=True)
    pattern_file = str(case.folder / case.pattern) if case.pattern else None
    effects = effects_of(base, conclusion, pattern_file)
    shown = _simulated(base, case, conclusion, pattern, effects) if drape else None
    common: dict[str, Any] = {
        "units": units, "client": case.name, "round_number": one.number, "date": today,
    }  # fmt: skip
    photographs = () if case.consent.refused else PHOTOGRAPHS
    sheet = make_sheet(base, conclusion, **common, pattern=pattern, photographs_next=photographs,
                       muslins=shown.pictures if shown is not None else ())  # fmt: skip
    report = make_report(base, conclusion, case.name, on_pattern=effects, simulated=shown)
    before = _before(base, case)
    pages: dict[str, str | bytes] = {
        "client.html": client_page(sheet, large=large),
        "client.pdf": client_pdf(sheet, paper=paper, large=large),
        "fitter.html": fitter_page(
            base, conclusion, **common, before=before, history=_facts(base, case), effects=effects,
            answers_that_would_turn=turning_answers(base, conclusion.diagnosis.findings, conclusion), simulated=shown,
        ),
    }  # fmt: skip
    if case.consent.refused:
        for name in CARDS:  # of an earlier run, before the no
            (folder / name).unlink(missing_ok=True)
    else:
        card: dict[str, Any] = {"units": units, "heights_mm": None, "large": large}
        card["keep_until"] = str(case.consent.keep_until or "the trousers fit")
        pages |= dict(zip(CARDS, (card_html(**card), card_pdf(**card, paper=paper)), strict=True))
    for name, content in pages.items():
        write_atomically(folder / name, content, replace=True)
    for ending in (".md", ".csv", ".json"):
        write_report(report, base, folder / f"list{ending}", replace=True)
    write_atomically(one.plan_file, as_json(report, base), replace=True)
    return [folder / name for name in (*pages, "list.md", "list.csv", "list.json")]


def _simulated(
    base: RuleBase, case: Case, conclusion: Conclusion, pattern: Pattern | None, effects: Effects | None
) -> Simulation | None:
    """The plan on simulated cloth with pictures; None, and the reason said, where it cannot be.

    From the second round on the muslin that was tried on was simulated before: how near it came is said, and the body is
    nudged for the rounds to come.
    """
    findings = conclusion.diagnosis.findings
    if pattern is None or "hip" not in findings.body_measures or not conclusion.plan.recommendations:
        return None
    from fitdiag.cli.drape import learn_body, simulated
    from fitdiag.sessions.case_body import nudges_of, together

    try:
        sewn, number = _as_sewn(case, pattern), case.rounds[-1].number
        earlier = together(tuple(nudge for nudge in nudges_of(case) if nudge.round != number))
        found = simulated(
            base, conclusion, sewn, solved=effects.solved if effects else None, nudges=earlier, drawn=True
        )
        return learn_body(base, case, findings, sewn, earlier, found) if number > 1 else replace(found, near=())
    except ProblemsFoundError as stopped:
        say(f"The plan was not shown on simulated cloth: {stopped.problems[0]}.")
        return None


def _as_sewn(case: Case, pattern: Pattern) -> Pattern:
    """The pattern of the muslin that is tried on now: with what was really done in the rounds of this case."""
    from fitdiag.pattern.moves import carry_out

    known = [(item.alteration, round(item.amount, 1)) for item in pattern.carried]
    for one in case.rounds:
        for item in one.done:
            if item.done and item.amount_mm and (item.alteration, round(item.amount_mm, 1)) not in known:
                pattern = carry_out(pattern, item.alteration, item.amount_mm).pattern
    return pattern


def _before(base: RuleBase, case: Case) -> Conclusion | None:
    """What was believed at the end of the round before."""
    if len(case.rounds) < 2 or not case.rounds[-2].log_file.exists():
        return None
    try:
        return conclude(base, fold(read_log(case.rounds[-2].log_file).events, base).findings)
    except ProblemsFoundError:
        return None


def _facts(base: RuleBase, case: Case) -> list[RoundFacts]:
    """The rounds as numbers for the chart."""
    from fitdiag.reports.history import RoundFacts

    facts = []
    expected: dict[str, tuple[float, float | None]] = {}
    for one in case.rounds:
        found = fold(read_log(one.log_file).events, base).findings.symptoms if one.log_file.exists() else {}
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
