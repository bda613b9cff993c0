"""From findings to readings: what was measured, relative to what a right block shows, with its error.

Signs that are the two directions of one reading (the lines dip, the lines rise) are one axis here, signed by the first. Real
and simulated cloth may have figures of their own; those of the kind that was read count, the other kind's only if there are
none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from math import sqrt
from typing import TypeVar

from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.model import AtRest, RuleBase, Slope, Symptom
from fitdiag.knowledge.order import once

# standard deviation of right muslins, as a share of the sign's threshold, if no rule gives it; a fitter's judgement
_LEVEL_SCATTER = 0.5
_OFTEN_ENOUGH = 0.3


@dataclass(frozen=True)
class Axis:
    """A measurable sign and its mirror: `up` shows at large readings, `down` at small ones."""

    id: str
    up: str | None
    down: str | None


@dataclass(frozen=True)
class AxisReading:
    """A reading on an axis, in mm: the value and its standard deviation."""

    axis: Axis
    value: float
    error: float
    round: int
    symptom: str
    graded: bool = False  # graded slight, clear or strong, not measured


def axis_of(base: RuleBase, symptom: Symptom) -> Axis | None:
    """The axis a symptom lies on; None if it has no measure."""
    if symptom.measure is None:
        return None
    measure, mirror = base.symptoms[symptom.axis].measure, base.mirrors.get(symptom.axis)
    if measure is not None and measure.worse == "less":
        return Axis(symptom.axis, mirror, symptom.axis)
    return Axis(symptom.axis, symptom.axis, mirror)


def turned(symptom: Symptom) -> bool:
    """Whether the symptom points against its axis."""
    return symptom.measure is not None and symptom.measure.mirror_of is not None


_Graded = TypeVar("_Graded", AtRest, Slope)


def of_kind(base: RuleBase, figures: Sequence[_Graded], simulated: bool) -> _Graded | None:
    """The figure for real or simulated cloth, as asked; the other kind's if there is none."""
    same_kind = (figure for figure in figures if base.is_simulated(figure.source) == simulated)
    return next(chain(same_kind, figures), None)


def at_rest(base: RuleBase, findings: Findings, axis: str) -> tuple[float, float, Mapping[str, float]]:
    """What a right block reads on this axis on this client: value, standard deviation, shared factors; all in mm."""
    if axis in findings.at_rest:
        return findings.at_rest[axis], 0.0, {}
    if (mirror := base.mirrors.get(axis)) is not None and mirror in findings.at_rest:
        return findings.at_rest[mirror] * (-1.0 if turned(base.symptoms[mirror]) else 1.0), 0.0, {}
    return _usually_at_rest(base, axis, findings.readings_from == "simulation")


def _usually_at_rest(base: RuleBase, axis: str, simulated: bool) -> tuple[float, float, Mapping[str, float]]:
    known = [row for row in base.rests_of[axis] if simulated or not base.is_simulated(row.source)]
    figure = of_kind(base, known, simulated)  # what a simulated right block reads says nothing of real cloth
    if figure is None:
        measure = base.symptoms[axis].measure
        return 0.0, _LEVEL_SCATTER * (measure.seen_from_mm if measure else 0.0), {}
    return figure.reads_mm, figure.scatter_mm, figure.moves_with


def own_shift(base: RuleBase, findings: Findings, symptom: Symptom) -> float:
    """How far (mm) a sign's threshold is shifted: what the right block shows on this client less what it usually shows."""
    if symptom.measure is None or not (findings.at_rest or findings.readings_from == "simulation"):
        return 0.0
    shift = at_rest(base, findings, symptom.axis)[0] - _usually_at_rest(base, symptom.axis, False)[0]
    return -shift if turned(symptom) else shift


def readings_of(base: RuleBase, findings: Findings) -> tuple[AxisReading, ...]:
    """A reading for every axis measured or graded, this round's (numbered 0) first, then those of earlier rounds."""
    now = [_reading(base, finding) for finding in findings.symptoms.values()]
    kept: dict[str, AxisReading] = {}
    for reading in filter(None, now):  # measured both ways: the larger one counts
        if reading.axis.id not in kept or abs(reading.value) > abs(kept[reading.axis.id].value):
            kept[reading.axis.id] = reading
    before = [
        _reading(base, Finding(name, "yes", amount, error), earlier.round)
        for earlier in findings.earlier
        for name, (amount, error) in earlier.readings.items()
        if name in base.symptoms
    ]
    return (*kept.values(), *filter(None, before))


def _reading(base: RuleBase, finding: Finding, number: int = 0) -> AxisReading | None:
    symptom = base.symptoms[finding.symptom]
    measure, axis = symptom.measure, axis_of(base, symptom)
    if measure is None or axis is None:
        return None
    if finding.amount_mm is not None:
        value, error = finding.amount_mm, finding.error_mm or measure.give_mm
        if finding.left_mm is not None and finding.right_mm is not None:
            value, error = (finding.left_mm + finding.right_mm) / 2.0, error / sqrt(2.0)
    elif finding.seen == "yes" and finding.severity is not None and finding.severity in measure.grades_mm:
        marks = measure.grades_mm
        value, error = marks[finding.severity], abs(marks["strong"] - marks["slight"]) / 4.0
    else:
        return None
    way = -1.0 if turned(symptom) else 1.0
    return AxisReading(axis, way * value, error, number, symptom.id, finding.amount_mm is None)


@once
def slopes_of(base: RuleBase, cause_id: str, simulated: bool) -> Mapping[str, Slope]:
    """A cause's slopes by axis, positive towards larger readings.

    For real cloth a simulation says how much, not whether or which way: its slopes count only for signs that the cause shows more
    than rarely, and in that direction. For simulated cloth only the simulation's slopes count.
    """
    often = base.words.how_often.words
    shown: dict[str, set[bool]] = {}  # axis to the directions in which the cause shows it; True: larger readings
    for link in base.causes[cause_id].shows:
        axis = axis_of(base, base.symptoms[link.symptom])
        if often[link.how_often] >= _OFTEN_ENOUGH and axis is not None:
            shown.setdefault(axis.id, set()).add(link.symptom == axis.up)
    known: dict[str, list[Slope]] = {}
    for name, slopes in base.slopes_of[cause_id].items():
        if (symptom := base.symptoms[name]).measure is not None:
            back = turned(symptom)
            mine = (slope.model_copy(update={"ratio": -slope.ratio}) if back else slope for slope in slopes)
            known.setdefault(symptom.axis, []).extend(mine)
    result = {}
    for axis_id, slopes_here in known.items():
        figure = of_kind(base, slopes_here, simulated)
        if figure is not None:
            fitted = base.is_simulated(figure.source)
            if fitted == simulated or (not simulated and (figure.ratio > 0) in shown.get(axis_id, ())):
                result[axis_id] = figure
    return result
