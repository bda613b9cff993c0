"""Two pages of a round for the browser: the one a client keeps, and the one with the fitter's reasoning.

Each is one HTML file that asks nothing of anything: no script, one style known by its hash, drawings inside.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterator

from markupsafe import Markup

from fitdiag.diagnosis.belief import lower_first
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.ink import svg
from fitdiag.reports import fitter
from fitdiag.reports import sheet as words
from fitdiag.reports.fitter import Beside, Figures, chart
from fitdiag.reports.report import Items, Section, make_report
from fitdiag.reports.sheet import Change, Heading, Sheet
from fitdiag.sessions.state import Conclusion
from fitdiag.templates import template
from fitdiag.units import format_length

_BESIDE_THE_SIGNS = ("Shape and stance", "Done in earlier rounds")  # the signs themselves stand in a table
_LAID = "Each set lies where the picture's own line begins and ends, by an estimated lens. Compare where lines turn and how steep they are."
_DOTS = "Full dots are measured, their bars the error to either side. Rings are what was expected."


def client_page(sheet: Sheet, *, large: bool = False) -> str:
    """The page for a client who works alone, as HTML."""
    changes = [{**vars(change), "pictures": _drawn(change)} for change in sheet.changes]
    muslins = [(caption, b64encode(picture).decode()) for caption, picture in sheet.muslins]
    page: str = template("reports/client_page.html").render(
        words=words, sheet={**vars(sheet), "changes": changes, "muslins": muslins}, large=large
    )
    return page


def _drawn(change: Change) -> list[tuple[str, Markup]]:
    """The drawings of a change as SVG; every text in a drawing is escaped by its writer."""
    return [(picture.caption, Markup(svg(picture.drawing))) for picture in change.pictures]


def fitter_page(base: RuleBase, conclusion: Conclusion, heading: Heading, beside: Beside) -> str:
    """The page with the reasoning, as HTML."""
    page: str = template("reports/fitter_page.html").render(
        head=heading.line, verdict=conclusion.plan.verdict, images="'self' file:" if beside.photos or beside.laid else "",
        sections=list(_reasoning(base, conclusion, heading, beside)),
    )  # fmt: skip
    return page


def _reasoning(base: RuleBase, conclusion: Conclusion, heading: Heading, beside: Beside) -> Iterator[Section]:
    """The sections of that page, in their order: those of the report, and between them tables and pictures."""
    findings, units = conclusion.diagnosis.findings, heading.units

    def sections(*, steps: bool) -> dict[str, Section]:
        report = make_report(base, conclusion, heading.client, steps=steps, simulated=beside.simulated)
        return {part.title: part for part in report.sections}

    short, long = sections(steps=False), sections(steps=True)
    yield short["This round"]
    named = "{0.number}. {0.title}: {0.amount}, {0.place}"
    drawn = [(named.format(one), _drawn(one), ()) for one in beside.sheet.changes if one.pictures]
    if drawn:
        yield Section("Before and after, drawn", (beside.sheet.key, Figures(tuple(drawn))))
    found, signs = fitter.findings_table(base, findings, units), fitter.shown_signs(base, findings, beside.photos)
    known = (one for one in short["Findings"].parts if isinstance(one, Items) and one.title in _BESIDE_THE_SIGNS)
    seen = (Section("What was seen, drawn", (signs,)),) if signs.groups else ()
    yield Section("What was found", (found if found.rows else "Nothing was noted.", *seen, *known))
    beliefs = fitter.beliefs_table(base, conclusion, beside.before)
    none = "No cause is likely from what was seen."
    yield Section(f"Beliefs{' before and after' if beside.before else ''}", (beliefs if beliefs.rows else none,))
    yield Section("For and against", long["What the pattern may do"].parts)
    turns = fitter.turns_table(base, beside.turns)
    none = "No single other answer among the most telling ones would turn the first recommendation."
    turning = ("One other answer alone, all others as they are:", turns) if turns.rows else (none,)
    question = long.get("The next question worth asking")
    yield Section("What would change the mind", (*turning, *([question] if question else ())))
    yield from (long[name] for name in ("On simulated cloth", "Later, if still needed", "Leave alone") if name in long)
    if beside.laid:
        told = "The client's picture, {}, with its own lines and those of simulated cloth now and then"
        pictures = [(view, link, told.format(view)) for view, links in beside.laid.items() for link in links]
        yield Section("Simulated lines over the pictures", (_LAID, Figures((("", (), pictures),), large=True)))
    if (effects := beside.effects) is not None:
        solved = (f"Solved on this pattern: {lower_first(base.alterations[name].title)}, {format_length(mm, units)}."
                  for name, mm in effects.solved.items())  # fmt: skip
        tables = fitter.effects_tables(conclusion.plan, effects, units)
        moved = tables or ("No measure of the pattern moves.",)
        grade = [f"The pattern is {effects.grade}."] if effects.grade else []
        warnings = [Items("Warnings", effects.warnings)] if effects.warnings else []
        yield Section("On the pattern", (*grade, *solved, *moved, *warnings))
    if rounds := fitter.rounds_told(base, beside.history, units):
        charts = base.garment.charts if base.garment is not None else ()
        picture = Markup(chart(charts, beside.history, units) if len(beside.history) > 1 else "")  # texts are escaped
        both = (
            Figures((("", ((_DOTS, picture),), ()),), large=True),
            fitter.rounds_table(charts, beside.history, units),
        )
        yield Section("Round by round", (Items("", rounds), *(both if picture else ())))
    yield from (long[name] for name in ("Notes", "Cautions") if name in long)
