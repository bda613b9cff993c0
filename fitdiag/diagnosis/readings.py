"""From findings to readings: what was measured, against what a right block shows, with its error.

Signs that are one reading the two ways (the lines dip, the lines rise) are one axis here, with the reading of the first.
Real cloth and simulated cloth may have figures of their own; those of the kind that was read count, and the other kind's
only where there are none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import sqrt
from typing import NamedTuple, TypeVar

from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.model import AtRest, RuleBase, Slope, Symptom
from fitdiag.knowledge.order import once

_LEVEL_SCATTER = 0.5  # of a sign's own mark: how far right muslins differ where no rule says it; a fitter's judgement
_OFTEN_ENOUGH = 0.3


@dataclass(frozen=True)
class Axis:
    """A sign that can be measured, with the one that is the same reading the other way. `up` shows in a large reading."""

    id: str
    up: str | None
    down: str | None


@dataclass(frozen=True)
class AxisReading:
    """What was read on an axis, in mm: the value with one standard deviation, and what a right block shows."""

    axis: Axis
    value: float
    error: float
    rest: float
    round: int
    symptom: str
    graded: bool = False  # judged slight, clear or strong, not measured

    @property
    def excess(self) -> float:
        """What is more than a right block shows."""
        return self.value - self.rest


def axis_of(base: RuleBase, symptom: Symptom) -> Axis | None:
    """The axis a symptom lies on; None if it has no measure."""
    if symptom.measure is None:
        return None
    primary = symptom.measure.mirror_of or symptom.measure.same_as or symptom.id
    measure = base.symptoms[primary].measure
    mirror = base.mirrors.get(primary)
    if measure is not None and measure.worse == "less":
        return Axis(primary, mirror, primary)
    return Axis(primary, primary, mirror)


def turned(symptom: Symptom) -> bool:
    """Whether more of the symptom is less on its axis."""
    return symptom.measure is not None and symptom.measure.mirror_of is not None


class AxisSlope(NamedTuple):
    """What 1 mm of an extent gives on an axis, towards larger readings, its scatter, and where that comes from."""

    ratio: float
    scatter: float
    source: str


_Graded = TypeVar("_Graded", AtRest, AxisSlope, Slope)


def of_kind(base: RuleBase, figures: Iterable[_Graded], simulated: bool) -> _Graded | None:
    """The figure for cloth of this kind; that of the other kind where there is none."""
    other = None
    for figure in figures:
        if base.is_simulated(figure.source) == simulated:
            return figure
        other = other or figure
    return other


def at_rest(base: RuleBase, findings: Findings, axis: str) -> tuple[float, float, Mapping[str, float]]:
    """What a right block reads on this axis on this client: value, standard deviation, shared factors; all in mm."""
    simulated = findings.readings_from == "simulation"
    if axis in findings.at_rest:
        return findings.at_rest[axis], 0.0, {}
    if (mirror := base.mirrors.get(axis)) is not None and mirror in findings.at_rest:
        return findings.at_rest[mirror] * (-1.0 if turned(base.symptoms[mirror]) else 1.0), 0.0, {}
    return _at_rest(base, axis, simulated)


def _at_rest(base: RuleBase, axis: str, simulated: bool) -> tuple[float, float, Mapping[str, float]]:
    known = [row for row in base.rests_of[axis] if simulated or not base.is_simulated(row.source)]
    figure = of_kind(base, known, simulated)  # what a simulated right block reads says nothing of real cloth
    if figure is None:
        measure = base.symptoms[axis].measure
        return 0.0, _LEVEL_SCATTER * (measure.seen_from_mm if measure else 0.0), {}
    return figure.reads_mm, figure.scatter_mm, figure.moves_with


def own_shift(base: RuleBase, findings: Findings, symptom: Symptom) -> float:
    """By how much (mm) the mark of a sign is moved: what is known of the right block on this client less what is usual."""
    axis = axis_of(base, symptom)
    if axis is None or not (findings.at_rest or findings.readings_from == "simulation" or findings.body):
        return 0.0
    usual = _at_rest(base, axis.id, False)[0]
    shift = at_rest(base, findings, axis.id)[0] - usual
    return -shift if turned(symptom) else shift


def readings_of(base: RuleBase, findings: Findings) -> tuple[AxisReading, ...]:
    """Every axis that was measured or graded, this round's first; earlier rounds count back from it."""
    result = [
        reading for finding in findings.symptoms.values() if (reading := _reading(base, findings, finding)) is not None
    ]
    kept: dict[str, AxisReading] = {}
    for reading in result:  # both ways measured: the one that was seen counts
        if reading.axis.id not in kept or abs(reading.value) > abs(kept[reading.axis.id].value):
            kept[reading.axis.id] = reading
    result = list(kept.values())
    for earlier in findings.earlier:
        for name, (amount, error) in earlier.readings.items():
            symptom = base.symptoms.get(name)
            if symptom is not None and symptom.measure is not None:
                finding = Finding(name, "yes", amount, error)
                if (reading := _reading(base, findings, finding, earlier.round)) is not None:
                    result.append(reading)
    return tuple(result)


def _reading(base: RuleBase, findings: Findings, finding: Finding, number: int = 0) -> AxisReading | None:
    symptom = base.symptoms[finding.symptom]
    measure = symptom.measure
    if measure is None:
        return None
    axis = axis_of(base, symptom)
    assert axis is not None
    if finding.amount_mm is not None:
        value, error = finding.amount_mm, finding.error_mm or measure.give_mm
        if finding.left_mm is not None and finding.right_mm is not None:
            value, error = (finding.left_mm + finding.right_mm) / 2.0, error / sqrt(2.0)
    elif finding.seen == "yes" and finding.severity is not None and finding.severity in measure.grades_mm:
        marks = measure.grades_mm
        value, error = marks[finding.severity], abs(marks["strong"] - marks["slight"]) / 4.0
    else:
        return None
    if turned(symptom):
        value = -value
    rest = at_rest(base, findings, axis.id)[0]
    return AxisReading(axis, value, error, rest, number, symptom.id, finding.amount_mm is None)


@once
def slopes_of_all(base: RuleBase, simulated: bool) -> Mapping[int, Mapping[str, AxisSlope]]:
    """The slopes of every believed cause that has an extent, by the place of the cause."""
    believed = enumerate(base.believed.values())
    return {number: slopes_of(base, cause.id, simulated) for number, cause in believed if cause.extent is not None}


@once
def slopes_of(base: RuleBase, cause_id: str, simulated: bool) -> Mapping[str, AxisSlope]:
    """A cause's slopes by axis.

    Of real cloth a simulation says how much, not whether nor which way: there its slopes count only for signs that the cause
    shows more than rarely, and in that direction. Of simulated cloth nothing else is known than what the simulation says.
    """
    often = base.words.how_often.words
    shown: dict[str, set[bool]] = {}  # axis to the directions in which the cause shows it; True: larger readings
    for link in base.causes[cause_id].shows:
        axis = axis_of(base, base.symptoms[link.symptom])
        if often[link.how_often] >= _OFTEN_ENOUGH and axis is not None:
            shown.setdefault(axis.id, set()).add(link.symptom == axis.up)
    known: dict[str, list[AxisSlope]] = {}
    for name, slopes in base.slopes_of[cause_id].items():
        if (axis := axis_of(base, base.symptoms[name])) is not None:
            way = -1.0 if turned(base.symptoms[name]) else 1.0
            known.setdefault(axis.id, []).extend(
                AxisSlope(way * slope.ratio, slope.scatter, slope.source) for slope in slopes
            )
    result = {}
    for axis_id, slopes_here in known.items():
        figure = of_kind(base, slopes_here, simulated)
        if figure is not None:
            fitted = base.is_simulated(figure.source)
            if fitted == simulated or (not simulated and (figure.ratio > 0) in shown.get(axis_id, ())):
                result[axis_id] = figure
    return result
