"""What stands on the fitter's page beside the report: tables of findings, beliefs, effects, turning answers and rounds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from fitdiag.diagnosis.belief import Belief, chance_words, lower_first
from fitdiag.knowledge.findings import SEVERITIES, Finding, Findings, Origin
from fitdiag.knowledge.garment import Chart
from fitdiag.knowledge.model import RuleBase, Seen, Symptom
from fitdiag.knowledge.stations import station_of
from fitdiag.planning.plan import Plan
from fitdiag.planning.stages import MOVED_MM, Effects, Stage, moving
from fitdiag.reports.history import RoundFacts, shown, told
from fitdiag.reports.sheet import day_words, whole_amounts
from fitdiag.reports.signs import captions, drawn_symptoms, figure
from fitdiag.reports.turning import Turn
from fitdiag.sessions.state import Conclusion
from fitdiag.units import Units, format_length, format_reading

ORIGINS: Mapping[Origin, str] = {
    "asked": "asked", "volunteered": "unasked", "file": "findings file", "form": "the client's form", "photo": "photo",
    "earlier": "an earlier round", "derived": "follows from the rest",
}  # fmt: skip
ANSWERS: Mapping[Seen, str] = {"yes": "seen", "no": "not seen", "unsure": "cannot be said"}
_SHOWN_FROM, _MOST_BELIEFS = 0.05, 8


@dataclass(frozen=True)
class Table:
    """Rows of words under their heads; the first of each row names it. `bars`: shares before and now, one pair to a row."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    bars: tuple[tuple[float | None, float], ...] = ()


def findings_table(base: RuleBase, findings: Findings, units: Units) -> Table:
    """Each finding with its answer, its amount and error, and where it comes from; what is seen stands first."""
    order = {"yes": 0, "unsure": 1, "no": 2}
    ranked = sorted(findings.symptoms.values(), key=lambda finding: order[finding.seen])
    rows = tuple(
        (base.symptoms[finding.symptom].title, _answer(finding, units), _error(base, finding, units), _origin(base, finding))
        for finding in ranked
    )  # fmt: skip
    return Table(("Sign", "Answer", "Error", "From"), rows)


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
    return whole_amounts(f"± {format_length(finding.error_mm, units)}; {give}" if finding.error_mm else give)


def _origin(base: RuleBase, finding: Finding) -> str:
    if finding.origin == "derived" and base.symptoms[finding.symptom].from_ease:
        return "measures and ease"
    return ORIGINS[finding.origin]


@dataclass(frozen=True)
class Shown:
    """A sign that was seen, as it is drawn: its title, the right and the wrong, and the client's own pictures of that view."""

    title: str
    pictures: tuple[tuple[str, str], ...]
    photos: tuple[str, ...]


def shown_signs(base: RuleBase, findings: Findings, photos: Mapping[str, Sequence[str]]) -> tuple[Shown, ...]:
    """The drawings of what was seen. `photos`: by view (front, back, left, right) the links to pictures of this round."""
    result, garment = [], base.about.garment
    for finding in findings.seen:
        symptom = base.symptoms[finding.symptom]
        degree = degree_of(symptom, finding)
        words = captions(symptom.id, garment) if symptom.id in drawn_symptoms(garment) else ("", "")
        drawn = [
            (word, svg)
            for word, n in zip(words, (0, degree), strict=True)
            if (svg := figure(symptom.id, n, side=finding.side, title=word, garment=garment))
        ]
        station = station_of(symptom)
        views = ("left", "right") if station == "side" else (station,)
        links = tuple(link for view in views for link in photos.get(view, ()))
        if drawn:
            result.append(Shown(symptom.title, tuple(drawn), links))
    return tuple(result)


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
    return Table(("The pattern", *(("Before",) if before else ()), "Now"), tuple(rows), tuple(bars))


def effects_tables(plan: Plan, effects: Effects | None, units: Units) -> tuple[tuple[str, Table], ...]:
    """The measures that move through earlier rounds and through this one, with the numbers the alterations have here."""
    if effects is None:
        return ()
    rank = {item.alteration: str(item.rank) for item in plan.recommendations}
    earlier = [f"After step {number}" for number in range(1, len(effects.history))]
    now = [f"After {rank.get(stage.name, stage.name)}" for stage in effects.stages[1:]]
    parts = (("Earlier rounds", effects.history, earlier), ("This round", effects.stages, now))
    return tuple((name, _stages_table(stages, after, units)) for name, stages, after in parts if moving(stages))


def _stages_table(stages: Sequence[Stage], after: Sequence[str], units: Units) -> Table:
    rows = []
    for name in moving(stages):
        last = stages[0].measures[name]
        values = [whole_amounts(format_reading(last, units))]
        for stage in stages[1:]:
            mm = stage.measures.get(name, last)
            change = format_reading(abs(mm - last), units)
            sign = "+" if mm > last else "-"
            moved = f" ({sign}{change})" if abs(mm - last) >= MOVED_MM and not change.startswith("0 ") else ""
            values.append(whole_amounts(format_reading(mm, units) + moved))
            last = mm
        rows.append((name, *values))
    return Table(("Measure", stages[0].name.capitalize(), *after), tuple(rows))


def turns_table(base: RuleBase, turns: Iterable[Turn]) -> Table:
    """Which other answer would put what first."""
    rows = []
    for turn in turns:
        first = lower_first(base.alterations[turn.first].title) if turn.first else "nothing to alter yet"
        now = ANSWERS[turn.now] if turn.now else "open"
        rows.append((base.symptoms[turn.symptom].title, now, ANSWERS[turn.answer], first))
    return Table(("Sign", "Now", "If it were", "Then first"), tuple(rows))


def rounds_table(charts: Sequence[Chart], rounds: Sequence[RoundFacts], units: Units) -> Table:
    """The numbers of the chart, measured and expected, round by round."""
    series = shown(charts, rounds)
    rows = []
    for place, facts in enumerate(sorted(rounds, key=lambda facts: facts.number)):
        cells = []
        for _, values in series:
            _, was, wanted = values[place]
            cells.append(whole_amounts(told(was, units) + (f" (expected {told(wanted, units)})" if wanted else "")))
        rows.append((str(facts.number), *cells))
    return Table(("Round", *(one.title for one, _ in series)), tuple(rows))


def rounds_told(base: RuleBase, rounds: Sequence[RoundFacts], units: Units) -> tuple[str, ...]:
    """What was advised in each round and what was done, a sentence each."""

    def listed(items: Sequence[tuple[str, float | None]]) -> str:
        return "; ".join(
            lower_first(base.alterations[name].title if name in base.alterations else name)
            + (f", {format_length(mm, units)}" if mm is not None else "")
            for name, mm in items
        )

    result = []
    for facts in sorted(rounds, key=lambda facts: facts.number):
        day = f" ({day_words(facts.date)})" if facts.date else ""
        parts = [f"Advised: {listed(facts.advised)}."] if facts.advised else []
        if facts.done:
            parts.append(f"Done: {listed(facts.done)}.")
        elif facts.advised:
            parts.append("What was done is not known yet.")
        result.append(" ".join([f"Round {facts.number}{day}.", *(parts or ["Nothing advised so far."])]))
    return tuple(result)
