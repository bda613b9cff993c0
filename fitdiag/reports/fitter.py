"""The page with the fitter's reasoning: the sections of the report, and between them tables of findings, beliefs, effects and
rounds, the chart, and answers that would change the list. One self-contained HTML file.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from markupsafe import Markup

from fitdiag.diagnosis.belief import Belief, Diagnosis, chance_words, done_text, lower_first
from fitdiag.knowledge.findings import SEVERITIES, Finding, Findings, Origin, gone_mm, settle
from fitdiag.knowledge.garment import Chart
from fitdiag.knowledge.model import RuleBase, Seen, Symptom
from fitdiag.knowledge.stations import station_of
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import Plan, first_choice
from fitdiag.planning.stages import MOVED_MM, Effects, Simulation, Stage, moving
from fitdiag.problems import ProblemsFoundError
from fitdiag.reports.report import Items, Section, make_report
from fitdiag.reports.sheet import Heading, Sheet, drawn, whole_amounts
from fitdiag.reports.signs import captions, drawn_symptoms, figure
from fitdiag.sessions.carried import not_told
from fitdiag.sessions.case_files import Advised, Round
from fitdiag.sessions.state import Conclusion
from fitdiag.templates import render
from fitdiag.units import MM_PER_INCH, Units, day_words, format_change, format_error, format_length, format_reading

ORIGINS: Mapping[Origin, str] = {
    "asked": "asked", "volunteered": "unasked", "file": "findings file", "form": "the client's form", "photo": "photo",
    "earlier": "an earlier round", "derived": "follows from the rest",
}  # fmt: skip
ANSWERS: Mapping[Seen, str] = {"yes": "seen", "no": "not seen", "unsure": "can't say"}
_SHOWN_FROM, _MOST_BELIEFS = 0.05, 8


@dataclass(frozen=True)
class Table:
    """Text rows under headings; the first cell names the row. `bars`: shares before and now, one pair per row."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    bars: tuple[tuple[float | None, float], ...] = ()
    numbers: bool = True


@dataclass(frozen=True)
class Figures:
    """Groups of pictures: title, drawings (caption, SVG) and photos (caption, link, text for screen readers)."""

    groups: tuple[tuple[str, Sequence[tuple[str, Markup]], Sequence[tuple[str, str, str]]], ...]
    large: bool = False


def findings_table(base: RuleBase, findings: Findings, units: Units) -> Table:
    """Each finding with its answer, amount, error and origin; what is seen comes first."""
    order = {"yes": 0, "unsure": 1, "no": 2}
    ranked = sorted(findings.symptoms.values(), key=lambda finding: order[finding.seen])
    rows = tuple(
        (base.symptoms[finding.symptom].title, _answer(finding, units), _error(base, finding, units), _origin(base, finding))
        for finding in ranked
    )  # fmt: skip
    return Table("Signs, with their error and origin", ("Sign", "Answer", "Error", "From"), rows, numbers=False)


def _answer(finding: Finding, units: Units) -> str:
    parts = [ANSWERS[finding.seen]]
    if finding.severity:
        parts.append(finding.severity)
    if finding.amount_mm is not None:
        parts.append(whole_amounts(format_reading(finding.amount_mm, units)))
    if finding.side in ("left", "right"):
        parts.append(f"{finding.side} side only")
    return ", ".join(parts)


def _error(base: RuleBase, finding: Finding, units: Units) -> str:
    measure = base.symptoms[finding.symptom].measure
    if finding.amount_mm is None or measure is None:
        return "-"
    give = f"fitter ± {format_length(measure.give_mm, units)}"
    return whole_amounts(f"± {format_error(finding.error_mm, units)}; {give}" if finding.error_mm else give)


def _origin(base: RuleBase, finding: Finding) -> str:
    if finding.origin == "derived" and base.symptoms[finding.symptom].from_ease:
        return "measures and ease"
    return ORIGINS[finding.origin]


def shown_signs(base: RuleBase, findings: Findings, photos: Mapping[str, Sequence[str]]) -> Figures:
    """Drawings of what was seen, right beside wrong, and the client's own pictures of that view.

    `photos`: by view (front, back, left, right) the links to pictures of this round.
    """
    groups, garment = [], base.about.garment
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
    return Figures(tuple(groups))


def degree_of(symptom: Symptom, finding: Finding) -> int:
    """How strongly a sign is drawn: 1 slight, 2 clear, 3 strong, by the word or the amount of the finding; clear without one."""
    if finding.severity is not None:
        return SEVERITIES.index(finding.severity) + 1
    if finding.amount_mm is None or symptom.measure is None or not symptom.measure.grades_mm:
        return 2
    grades, sign = symptom.measure.grades_mm, 1.0 if symptom.measure.worse == "more" else -1.0
    passed = (n for n, word in enumerate(SEVERITIES, 1) if sign * (finding.amount_mm - grades[word]) >= 0)
    return max(passed, default=1)


def beliefs_table(base: RuleBase, now: Conclusion, before: Conclusion | None) -> Table:
    """The causes that count before or now, with both beliefs."""
    earlier = {belief.cause: belief for belief in before.diagnosis.beliefs} if before else {}

    def most(belief: Belief) -> float:
        both = (belief, earlier.get(belief.cause))
        return max((one.probability for one in both if one is not None and one.has_sign), default=0.0)

    ranked = sorted(
        (belief for belief in now.diagnosis.beliefs if most(belief) >= _SHOWN_FROM),
        key=lambda belief: (-round(belief.probability, 12), belief.cause),
    )[:_MOST_BELIEFS]
    rows, bars = [], []
    for belief in ranked:
        old = earlier[belief.cause].probability if belief.cause in earlier else None
        words = [chance_words(chance) for chance in (old, belief.probability) if chance is not None]
        rows.append((base.causes[belief.cause].title, *words))
        bars.append((old, belief.probability))
    heads = ("The pattern", *(("Before",) if before else ()), "Now")
    return Table("How likely each cause is", heads, tuple(rows), tuple(bars))


def effects_tables(plan: Plan, effects: Effects, units: Units) -> list[Table]:
    """Pattern measures changed by earlier rounds and by this one; alterations go by their numbers on this page."""
    rank = {item.alteration: str(item.rank) for item in plan.recommendations}
    earlier = [f"After step {number}" for number in range(1, len(effects.history))]
    now = [f"After {rank.get(stage.name, stage.name)}" for stage in effects.stages[1:]]
    parts = (("Earlier rounds", effects.history, earlier), ("This round", effects.stages, now))
    return [_stages_table(name, stages, after, units) for name, stages, after in parts if moving(stages)]


def _stages_table(title: str, stages: Sequence[Stage], after: Sequence[str], units: Units) -> Table:
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
    return Table(f"{title}: measures that move", ("Measure", stages[0].name.capitalize(), *after), tuple(rows))


def turns_table(base: RuleBase, turns: Iterable[Turn]) -> Table:
    """The other answers that would put another alteration first."""
    rows = []
    for turn in turns:
        first = lower_first(base.alterations[turn.first].title) if turn.first else "nothing to alter yet"
        now = ANSWERS[turn.now] if turn.now else "open"
        rows.append((base.symptoms[turn.symptom].title, now, ANSWERS[turn.answer], first))
    heads = ("Sign", "Now", "If it were", "Then first")
    return Table("Answers that would change the first recommendation", heads, tuple(rows), numbers=False)


def rounds_table(base: RuleBase, history: History, units: Units) -> Table:
    """The numbers of the chart, measured and expected, round by round."""
    series = shown(base, history)
    rows = []
    for place, (one, _) in enumerate(history):
        cells = []
        for _, values in series:
            _, was, wanted = values[place]
            expected = f" (expected {value_text(wanted, units)})" if wanted else ""
            cells.append(whole_amounts(value_text(was, units) + expected))
        rows.append((str(one.number), *cells))
    return Table("The same in numbers", ("Round", *(chart.title for chart, _ in series)), tuple(rows))


def round_sentences(base: RuleBase, history: History, units: Units) -> tuple[str, ...]:
    """One sentence per round: what was advised and what was done."""

    def listed(items: Iterable[Advised]) -> str:
        return "; ".join(done_text(base, item.as_done(), units) for item in items)

    result = []
    for one, _ in history:
        groups = (
            ("Advised", [item for item in one.advised if item.only_if is None]),
            ("Only if needed", [item for item in one.advised if item.only_if is not None]),
            ("Done", [item for item in one.done if item.done]),
            ("Not done", [item for item in one.done if not item.done]),
            ("Not known whether done", [Advised(name) for name in not_told(one)]),
        )
        parts = [f"{title}: {listed(items)}." for title, items in groups if items]
        if one.advised and not one.done:
            parts.append("What was done is not known yet.")
        parts = parts or ["Nothing advised so far."]
        result.append(" ".join([f"Round {one.number} ({day_words(one.opened)}).", *parts]))
    return tuple(result)


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

_BESIDE_THE_SIGNS = ("Shape and stance", "Done in earlier rounds")  # the signs themselves are in a table
_LAID = "Each set begins and ends where the picture's own line does, by an estimated lens. Compare where they turn and how steep they are."
_DOTS = "Full dots are measured, their bars the error to either side. Rings are what was expected."


def fitter_page(base: RuleBase, conclusion: Conclusion, heading: Heading, beside: Beside) -> str:
    """The fitter's page as HTML."""
    return render(
        "reports/fitter_page.html", heading=heading.line, verdict=conclusion.plan.verdict,
        images="'self' file:" if beside.photos or beside.laid else "",
        sections=list(_reasoning(base, conclusion, heading, beside)),
    )  # fmt: skip


def _reasoning(base: RuleBase, conclusion: Conclusion, heading: Heading, beside: Beside) -> Iterator[Section]:
    """Yield the sections of the page in order: those of the report, and between them tables and pictures."""
    findings, units = conclusion.diagnosis.findings, heading.units

    def sections(*, steps: bool) -> dict[str, Section]:
        report = make_report(
            base, conclusion, heading.client, steps=steps, on_pattern=beside.effects, simulated=beside.simulated
        )
        return {part.title: part for part in report.sections}

    short, long = sections(steps=False), sections(steps=True)
    yield short["This round"]
    named = "{0.number}. {0.title}: {0.amount}, {0.place}"
    changes = tuple((named.format(one), drawn(one.pictures), ()) for one in beside.sheet.changes if one.pictures)
    if changes:
        yield Section("Before and after, drawn", (beside.sheet.key, Figures(changes)))
    found, signs = findings_table(base, findings, units), shown_signs(base, findings, beside.photos)
    known = (one for one in short["Findings"].parts if isinstance(one, Items) and one.title in _BESIDE_THE_SIGNS)
    seen = (Section("What was seen, drawn", (signs,)),) if signs.groups else ()
    yield Section("What was found", (found if found.rows else "Nothing was noted.", *seen, *known))
    beliefs = beliefs_table(base, conclusion, beside.before)
    none = "No cause is likely from what was seen."
    yield Section(f"Beliefs{' before and after' if beside.before else ''}", (beliefs if beliefs.rows else none,))
    yield Section("For and against", long["What the pattern may do"].parts)
    turns = turns_table(base, beside.turns)
    none = "No single other answer among the most telling ones would change the first recommendation."
    turning = ("One other answer alone, all others as they are:", turns) if turns.rows else (none,)
    question = long.get("The next question worth asking")
    yield Section("What would change the conclusion", (*turning, *([question] if question else ())))
    yield from (long[name] for name in ("On simulated cloth", "Later, if still needed", "Leave alone") if name in long)
    if beside.laid:
        description = "The client's picture, {}, with its own lines and those of simulated cloth now and then"
        pictures = [(view, link, description.format(view)) for view, links in beside.laid.items() for link in links]
        yield Section("Simulated lines over the pictures", (_LAID, Figures((("", (), pictures),), large=True)))
    if (effects := beside.effects) is not None:
        tables = {table.caption: table for table in effects_tables(conclusion.plan, effects, units)}
        lists = long["On the pattern"].parts
        yield Section("On the pattern", tuple(tables.get(getattr(part, "title", ""), part) for part in lists))
    if rounds := round_sentences(base, beside.history, units):
        picture = Markup(chart(base, beside.history, units) if len(beside.history) > 1 else "")  # texts are escaped
        both = (Figures((("", ((_DOTS, picture),), ()),), large=True), rounds_table(base, beside.history, units))
        yield Section("Round by round", (Items("", rounds), *(both if picture else ())))
    yield from (long[name] for name in ("Notes", "Cautions") if name in long)
