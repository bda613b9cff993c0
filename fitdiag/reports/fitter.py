"""The page with the fitter's reasoning: the sections of the report, and between them tables of findings, beliefs, effects and
rounds, the chart, and answers that would change the list. One self-contained HTML file; its order and words: `fitter_page.html`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from markupsafe import Markup

from fitdiag.diagnosis.belief import Belief, Diagnosis, chance_words, done_text, lower_first
from fitdiag.knowledge.findings import SEVERITIES, Finding, Findings, gone_mm, settle
from fitdiag.knowledge.garment import Chart
from fitdiag.knowledge.model import RuleBase, Seen, Symptom
from fitdiag.knowledge.stations import station_of
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import Plan, first_choice
from fitdiag.planning.stages import MOVED_MM, Effects, Simulation, Stage, moving
from fitdiag.problems import ProblemsFoundError
from fitdiag.reports.report import Section, make_report
from fitdiag.reports.sheet import Heading, Sheet, drawn, whole_amounts
from fitdiag.reports.signs import captions, drawn_symptoms, figure
from fitdiag.sessions.carried import not_told
from fitdiag.sessions.case_files import Advised, Round
from fitdiag.sessions.state import Conclusion
from fitdiag.templates import render
from fitdiag.units import MM_PER_INCH, Units, day_words, format_change, format_error, format_length, format_reading

_SHOWN_FROM, _MOST_BELIEFS = 0.05, 8

# pictures under one heading: drawings (caption, SVG), and photos (caption, link, text for screen readers)
Figures = tuple[str, Sequence[tuple[str, Markup]], Sequence[tuple[str, str, str]]]


def shown_signs(base: RuleBase, findings: Findings, photos: Mapping[str, Sequence[str]]) -> list[Figures]:
    """Drawings of what was seen, right beside wrong, and the client's own pictures of that view.

    `photos`: by view (front, back, left, right) the links to pictures of this round.
    """
    groups, garment = list[Figures](), base.about.garment
    for finding in findings.seen:
        symptom = base.symptoms[finding.symptom]
        if symptom.id not in drawn_symptoms(garment):
            continue
        pairs = zip(captions(symptom.id, garment), (0, degree_of(symptom, finding)), strict=True)
        drawn = [
            (word, figure(symptom.id, n, side=finding.side, title=word, garment=garment) or Markup())
            for word, n in pairs
        ]
        station = station_of(symptom)
        views = ("left", "right") if station == "side" else (station,)
        description = "The client's picture with its measured lines"
        links = [("The client", link, description) for view in views for link in photos.get(view, ())]
        groups.append((symptom.title, drawn, links))
    return groups


def degree_of(symptom: Symptom, finding: Finding) -> int:
    """How strongly a sign is drawn: 1 slight, 2 clear, 3 strong, by the word or the amount of the finding; clear without one."""
    if finding.severity is not None:
        return SEVERITIES.index(finding.severity) + 1
    if finding.amount_mm is None or symptom.measure is None or not symptom.measure.grades_mm:
        return 2
    grades, sign = symptom.measure.grades_mm, 1.0 if symptom.measure.worse == "more" else -1.0
    passed = (n for n, word in enumerate(SEVERITIES, 1) if sign * (finding.amount_mm - grades[word]) >= 0)
    return max(passed, default=1)


def ranked_beliefs(now: Conclusion, before: Conclusion | None) -> list[tuple[Belief, float | None]]:
    """The causes that count before or now, likeliest first, each with its earlier probability."""
    earlier = {belief.cause: belief for belief in before.diagnosis.beliefs} if before else {}

    def most(belief: Belief) -> float:
        both = (belief, earlier.get(belief.cause))
        return max((one.probability for one in both if one is not None and one.has_sign), default=0.0)

    counting = (belief for belief in now.diagnosis.beliefs if most(belief) >= _SHOWN_FROM)
    ranked = sorted(counting, key=lambda belief: (-round(belief.probability, 12), belief.cause))[:_MOST_BELIEFS]
    return [(one, earlier[one.cause].probability if one.cause in earlier else None) for one in ranked]


Rows = list[tuple[str, ...]]  # of a table: what it is about, and the other cells


def moved_tables(plan: Plan, effects: Effects, units: Units) -> dict[str, tuple[Rows, Sequence[str]]]:
    """The rows and headings of the pattern measures that earlier rounds and this one change, by the title of their list in the report.

    Alterations go by their numbers on this page.
    """
    rank = {item.alteration: str(item.rank) for item in plan.recommendations}
    earlier = [f"After step {number}" for number in range(1, len(effects.history))]
    now = [f"After {rank.get(stage.name, stage.name)}" for stage in effects.stages[1:]]
    parts = (("Earlier rounds", effects.history, earlier), ("This round", effects.stages, now))
    return {
        f"{name}: measures that move": (_moved(stages, units), ("Measure", stages[0].name.capitalize(), *after))
        for name, stages, after in parts
        if moving(stages)
    }


def _moved(stages: Sequence[Stage], units: Units) -> Rows:
    """Each measure that moves through the stages, with its change where a stage changes it."""
    rows = []
    for name in moving(stages):
        last = stages[0].measures[name]
        values = [whole_amounts(format_reading(last, units))]
        for stage in stages[1:]:
            mm = stage.measures.get(name, last)
            change = format_change(last, mm, units) if abs(mm - last) >= MOVED_MM else ""
            values.append(whole_amounts(format_reading(mm, units) + (f" ({change})" if change else "")))
            last = mm
        rows.append((name, *values))
    return rows


History = Sequence[tuple[Round, Findings]]  # the rounds of a case in order, each with what was found at its try-on
Reading = tuple[float, float | None]  # mm, and its standard deviation if known
Values = tuple[tuple[int, Reading | None, Reading | None], ...]  # round, measured, expected


def values(base: RuleBase, series: Chart, history: History) -> Values:
    """What was measured and expected, round by round; of a sign that is gone nothing is left where an amount was expected."""
    rows: list[tuple[int, Reading | None, Reading | None]] = []
    expected: dict[str, Reading] = {}
    for one, findings in history:
        found = findings.symptoms.values()
        measured: dict[str, Reading] = {f.symptom: (f.amount_mm, f.error_mm) for f in found if f.amount_mm is not None}
        gone = [f.symptom for f in found if f.seen == "no" and f.symptom in series.of and f.symptom not in measured]
        left = {symptom: gone_mm(base.symptoms[symptom]) for symptom in gone if symptom in expected}
        measured |= {symptom: (mm, None) for symptom, mm in left.items() if mm is not None}
        rows.append((one.number, _reading(series, measured), _reading(series, expected)))
        expected = {s: (max(o.expected, 0.0), o.error) for s, o in one.outcome.items() if o.expected is not None}
    return tuple(rows)


def _reading(series: Chart, found: Mapping[str, Reading]) -> Reading | None:
    readings = ((found[key], sign) for key, sign in series.of.items() if key in found)
    return next(((mm * sign, error or None) for (mm, error), sign in readings), None)


def shown(base: RuleBase, history: History) -> tuple[tuple[Chart, Values], ...]:
    """The charts of the garment that have a value in any round."""
    charts = base.garment.charts if base.garment is not None else ()
    every = ((series, values(base, series, history)) for series in charts)
    return tuple((series, row) for series, row in every if any(was or wanted for _, was, wanted in row))


def value_text(reading: Reading | None, units: Units) -> str:
    """A value as shown in the table: `3/4 in ± 1/8 in`; a dash if there is none."""
    if reading is None:
        return "-"
    mm, error = reading
    return format_reading(mm, units) + (f" ± {format_error(error, units)}" if error else "")


# ------------------------------------------------------------------------------------------------------- the chart

_PANEL, _HIGH, _GAP = 92.0, 62.0, 8.0  # width and height of a panel, and the gap between panels
_LEFT, _TOP, _RIGHT, _BOTTOM = 17.0, 13.0, 4.0, 9.0  # margins of a panel, for text


def chart(base: RuleBase, history: History, units: Units) -> str:
    """The measures over the rounds, one panel below another, as SVG; empty without a value.

    A dot is measured, its bar is the error to either side, a ring is what was expected; shapes tell them apart, never colours.
    """
    panels = shown(base, history)
    if not panels:
        return ""
    in_words = "; ".join(
        f"{series.title}: "
        + ", ".join(f"round {number} {value_text(was, units)}" for number, was, _ in row if was is not None)
        for series, row in panels
        if any(was for _, was, _ in row)
    )
    return render(
        "reports/chart.svg", desc=in_words or "Only what was expected is known.",
        width=_PANEL, height=len(panels) * (_HIGH + _GAP) - _GAP, left=_LEFT, right=_PANEL - _RIGHT,
        panels=[_panel(series, row, units, n * (_HIGH + _GAP)) for n, (series, row) in enumerate(panels)],
    )  # fmt: skip


def _panel(series: Chart, row: Values, units: Units, top: float) -> dict[str, Any]:
    """What one panel shows, with coordinates."""
    readings = [one for _, *both in row for one in both if one is not None]
    ends = [mm + sign * (error or 0.0) for mm, error in readings for sign in (-1, 1)]
    ticks = _ticks(min(ends), max(ends), units)
    low, span = ticks[0], ticks[-1] - ticks[0]
    foot, high = top + _HIGH - _BOTTOM, _HIGH - _BOTTOM - _TOP
    step = (_PANEL - _RIGHT - _LEFT) / len(row)

    def y(mm: float) -> float:
        return foot - (mm - low) / span * high

    def mark(place: int, reading: Reading, aside: float = 0.0) -> dict[str, Any]:
        """The position of a value, and the ends of its error bar if the error is known."""
        mm, error = reading
        both = (y(mm - error), y(mm + error)) if error else ()
        return {"x": _LEFT + step * (place + 0.5) + aside, "y": y(mm), "ends": both}

    measured = [mark(place, was) for place, (_, was, _) in enumerate(row) if was is not None]
    return {
        "title": series.title, "note": series.note if min(ends) < 0 else "", "top": top, "foot": foot,
        "ticks": [(y(tick), format_reading(tick, units), abs(tick) < 0.01) for tick in ticks],
        "rounds": [(_LEFT + step * (place + 0.5), f"{'round ' if len(row) < 5 else ''}{number}")
                   for place, (number, _, _) in enumerate(row)],
        "measured": measured, "runs": list(pairwise(measured)),
        "expected": [mark(place, wanted, 3.2 if was is not None else 0.0)
                     for place, (_, was, wanted) in enumerate(row) if wanted is not None],
    }  # fmt: skip


def _ticks(low: float, high: float, units: Units) -> list[float]:
    """Three to six round values that span the range."""
    steps = [MM_PER_INCH / 8 * n for n in (1, 2, 4, 8, 16, 32, 80, 160)] if units == "in" else [2.5, 5, 10, 20, 50, 100]
    step = next((step for step in steps if high - low <= step * 3), steps[-1])
    while (high - low) / step > 6:
        step *= 2
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    if first == last:
        first, last = first - 1, last + 1
    return [n * step for n in range(first, last + 1)]


MOST_TRIED = 25  # unanswered symptoms, so that the page is made quickly
LEADING = 8  # causes
_LEAST = 0.02  # causes less probable than this are ignored


@dataclass(frozen=True)
class Turn:
    """If `symptom` were answered `answer` (now it is `now`; None: not asked yet), `first` would come first; None: nothing."""

    symptom: str
    now: Seen | None
    answer: Seen
    first: str | None


def turning_answers(base: RuleBase, findings: Findings, conclusion: Conclusion) -> list[Turn]:
    """Every single answer, open or given, that would change the first recommendation; the most telling symptoms first."""
    advised = next((item.alteration for item in conclusion.plan.recommendations), None)  # as the fitter chose
    today = (first_choice(conclusion.diagnosis), advised)
    turns: list[Turn] = []
    both: tuple[Seen, Seen] = ("yes", "no")
    for symptom in dict.fromkeys([*linked(base, conclusion.diagnosis), *findings.symptoms]):
        given = findings.symptoms.get(symptom)
        if given is None and symptom in conclusion.diagnosis.findings.symptoms:
            continue  # follows from other answers
        for answer in (answer for answer in both if given is None or given.seen != answer):
            changed = findings.with_finding(Finding(symptom, answer, origin="asked"))
            try:
                other = first_choice(Diagnosis(base, settle(base, with_measures(base, changed))[0]))
            except ProblemsFoundError:
                continue  # too many connected signs to compute
            if other not in today:
                turns.append(Turn(symptom, given.seen if given else None, answer, other))
    return turns


def linked(base: RuleBase, diagnosis: Diagnosis) -> list[str]:
    """The symptoms that say most about the leading causes, the most telling first."""
    often = base.words.how_often.words
    leading = sorted(diagnosis.probability.items(), key=lambda pair: (-round(pair[1], 12), pair[0]))
    weight: dict[str, float] = {}
    for cause, probability in leading[:LEADING]:
        if probability < _LEAST:
            continue
        for link in base.causes[cause].shows:
            weight[link.symptom] = weight.get(link.symptom, 0.0) + probability * often[link.how_often]
    return sorted(weight, key=lambda symptom: (-round(weight[symptom], 12), symptom))[:MOST_TRIED]


@dataclass(frozen=True)
class Beside:
    """What the page shows beside a conclusion, as far as it is known. `sheet`: what the client reads, with its drawings.

    `before`: the conclusion of the round before, or before the latest answers. `photos`: by view, links to the measured pictures
    of this round, as they stand from the page; `laid`: to those with simulated lines over them.
    """

    sheet: Sheet
    before: Conclusion | None = None
    history: History = ()
    effects: Effects | None = None
    turns: Sequence[Turn] = ()
    photos: Mapping[str, Sequence[str]] = field(default_factory=dict)
    simulated: Simulation | None = None
    laid: Mapping[str, Sequence[str]] = field(default_factory=dict)


# ------------------------------------------------------------------------------------------------------- the page


def fitter_page(base: RuleBase, conclusion: Conclusion, heading: Heading, beside: Beside) -> str:
    """The fitter's page as HTML: the sections of the report, in an order and with tables and pictures of its own."""
    units, history, effects = heading.units, beside.history, beside.effects

    def sections(*, steps: bool) -> dict[str, Section]:
        report = make_report(
            base, conclusion, heading.client, steps=steps, on_pattern=effects, simulated=beside.simulated
        )
        return {part.title: part for part in report.sections}

    named = "{0.number}. {0.title}: {0.amount}, {0.place}"
    over = "The client's picture, {}, with its own lines and those of simulated cloth now and then"
    return render(
        "reports/fitter_page.html", heading=heading.line, images="'self' file:" if beside.photos or beside.laid else "",
        base=base, plan=conclusion.plan, short=sections(steps=False), long=sections(steps=True), key=beside.sheet.key,
        changes=[(named.format(one), drawn(one.pictures), ()) for one in beside.sheet.changes if one.pictures],
        findings=conclusion.diagnosis.findings.symptoms.values(),
        signs=shown_signs(base, conclusion.diagnosis.findings, beside.photos),
        beliefs=ranked_beliefs(conclusion, beside.before), before=beside.before is not None, turns=beside.turns,
        laid=[(view, link, over.format(view)) for view, links in beside.laid.items() for link in links],
        moved=moved_tables(conclusion.plan, effects, units) if effects is not None else {}, on_pattern=effects is not None,
        history=history, series=shown(base, history), day=day_words,
        done=lambda item: done_text(base, item.as_done(), units), not_told=lambda one: [Advised(name) for name in not_told(one)],
        chart=Markup(chart(base, history, units) if len(history) > 1 else ""),  # its texts are escaped
        reading=lambda mm: whole_amounts(format_reading(mm, units)), length=lambda mm: whole_amounts(format_length(mm, units)),
        error=lambda mm: whole_amounts(format_error(mm, units)), chance=chance_words, lower=lower_first,
        value=lambda reading: whole_amounts(value_text(reading, units)),
    )  # fmt: skip
