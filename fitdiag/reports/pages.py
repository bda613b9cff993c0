"""Two pages of a round for the browser: the one a client keeps, and the one with the fitter's reasoning.

Each is one HTML file that asks nothing of anything: no script, one style known by its hash, drawings inside.
"""

from __future__ import annotations

from base64 import b64encode
from typing import Any

from markupsafe import Markup

from fitdiag.diagnosis.belief import lower_first
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.ink import svg
from fitdiag.reports import fitter
from fitdiag.reports import sheet as words
from fitdiag.reports.fitter import Beside, chart
from fitdiag.reports.report import Items, Section, make_report
from fitdiag.reports.sheet import Heading, Sheet
from fitdiag.reports.templates import template
from fitdiag.sessions.state import Conclusion
from fitdiag.units import format_length

_OTHERS = ("On simulated cloth", "Later, if still needed", "Leave alone")
_BESIDE_THE_SIGNS = ("Shape and stance", "Done in earlier rounds")  # the signs themselves stand in a table


def client_page(sheet: Sheet, *, large: bool = False) -> str:
    """The page for a client who works alone, as HTML."""
    changes = _drawn(sheet)
    muslins = [(caption, b64encode(picture).decode()) for caption, picture in sheet.muslins]
    page: str = template("client_page.html").render(
        words=words, sheet={**vars(sheet), "changes": changes, "muslins": muslins}, large=large
    )
    return page


def _drawn(sheet: Sheet) -> list[dict[str, Any]]:
    """The changes of a sheet with their drawings as SVG."""
    return [
        {
            **vars(change),  # every text in a drawing is escaped by its writer
            "pictures": [(picture.caption, Markup(svg(picture.drawing))) for picture in change.pictures],
        }
        for change in sheet.changes
    ]


def fitter_page(base: RuleBase, conclusion: Conclusion, heading: Heading, beside: Beside) -> str:
    """The page with the reasoning, as HTML."""
    findings, units, client = conclusion.diagnosis.findings, heading.units, heading.client
    charts = base.garment.charts if base.garment is not None else ()

    def sections(*, steps: bool) -> dict[str, Section]:
        report = make_report(base, conclusion, client, steps=steps, simulated=beside.simulated)
        return {part.title: part for part in report.sections}

    short, long = sections(steps=False), sections(steps=True)
    page: str = template("fitter_page.html").render(
        head=heading.line, verdict=conclusion.plan.verdict, plan=short["This round"],
        changes=_drawn(beside.sheet), key=beside.sheet.key,
        found=fitter.findings_table(base, findings, units), linked=bool(beside.photos or beside.laid),
        laid=[(view, link) for view, links in beside.laid.items() for link in links],
        drawn=[
            (sign, [(word, Markup(svg)) for word, svg in sign.pictures])
            for sign in fitter.shown_signs(base, findings, beside.photos)
        ],
        known=[part for part in short["Findings"].parts if isinstance(part, Items) and part.title in _BESIDE_THE_SIGNS],
        beliefs=fitter.beliefs_table(base, conclusion, beside.before), reasons=long["What the pattern may do"],
        turns=fitter.turns_table(base, beside.turns),
        others=[long[title] for title in _OTHERS if title in long], question=long.get("The next question worth asking"),
        effects=beside.effects, moved=fitter.effects_tables(conclusion.plan, beside.effects, units),
        solved=[
            f"Solved on this pattern: {lower_first(base.alterations[name].title)}, {format_length(mm, units)}."
            for name, mm in (beside.effects.solved.items() if beside.effects else ())
        ],
        chart=Markup(chart(charts, beside.history, units) if len(beside.history) > 1 else ""),  # every text in it is escaped
        rounds=fitter.rounds_table(charts, beside.history, units), rounds_told=fitter.rounds_told(base, beside.history, units),
        last=[long[title] for title in ("Notes", "Cautions") if title in long],
    )  # fmt: skip
    return page
