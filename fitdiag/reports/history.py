"""What happened over the rounds of a case, as a small chart of three measures and as the numbers beside it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from fitdiag.knowledge.garment import Chart
from fitdiag.reports.templates import template
from fitdiag.units import MM_PER_INCH, Units, format_length, format_reading

Reading = tuple[float, float | None]  # mm, and its error of one standard deviation where one is known


@dataclass(frozen=True)
class RoundFacts:
    """One round: what was advised and what was done (alteration and mm), what was measured and what had been expected.

    `measured` and `expected` go by a symptom's id or by the name of a pattern measure. What is expected of round 3 stands
    with round 3, though it was said in round 2.
    """

    number: int
    date: dt.date | None = None
    advised: tuple[tuple[str, float | None], ...] = ()
    done: tuple[tuple[str, float | None], ...] = ()
    measured: Mapping[str, Reading] = field(default_factory=dict)
    expected: Mapping[str, Reading] = field(default_factory=dict)


Values = tuple[tuple[int, Reading | None, Reading | None], ...]  # round, measured, expected


def values(series: Chart, rounds: Sequence[RoundFacts]) -> Values:
    """What was measured and what was expected in each round, in the order of the rounds."""
    ordered = sorted(rounds, key=lambda facts: facts.number)
    return tuple(
        (facts.number, _reading(series, facts.measured), _reading(series, facts.expected)) for facts in ordered
    )


def _reading(series: Chart, found: Mapping[str, Reading]) -> Reading | None:
    for key, sign in series.of.items():
        if key in found and math.isfinite(found[key][0]):
            mm, error = found[key]
            return mm * sign, error if error is not None and math.isfinite(error) and error > 0 else None
    return None


def shown(charts: Sequence[Chart], rounds: Sequence[RoundFacts]) -> tuple[tuple[Chart, Values], ...]:
    """The charts of a garment that have a value in any round."""
    every = ((series, values(series, rounds)) for series in charts)
    return tuple((series, row) for series, row in every if any(was or wanted for _, was, wanted in row))


def told(reading: Reading | None, units: Units) -> str:
    """A value as it stands in the table: `3/4 in ± 1/8 in`; a dash where there is none."""
    if reading is None:
        return "-"
    mm, error = reading
    return format_reading(mm, units) + (f" ± {format_length(error, units)}" if error else "")


# ------------------------------------------------------------------------------------------------------- the chart

_PANEL, _HIGH, _GAP = 92.0, 62.0, 8.0  # of one measure: width and height of the whole, and between them
_LEFT, _TOP, _RIGHT, _BOTTOM = 17.0, 13.0, 4.0, 9.0  # room in it for words


def chart(charts: Sequence[Chart], rounds: Sequence[RoundFacts], units: Units) -> str:
    """The measures over the rounds, one panel under the other, as SVG; empty without a value.

    A dot is measured, its bar is the error to either side, a ring is what was expected; told by shape, never by colour.
    """
    panels = shown(charts, rounds)
    if not panels:
        return ""
    told_in_words = "; ".join(
        f"{series.title}: "
        + ", ".join(f"round {number} {told(was, units)}" for number, was, _ in row if was is not None)
        for series, row in panels
        if any(was for _, was, _ in row)
    )
    drawn: str = template("chart.svg").render(
        desc=told_in_words or "Only what was expected is known.",
        width=_PANEL, height=len(panels) * (_HIGH + _GAP) - _GAP, left=_LEFT, right=_PANEL - _RIGHT,
        panels=[_panel(series, row, units, n * (_HIGH + _GAP)) for n, (series, row) in enumerate(panels)],
    )  # fmt: skip
    return drawn


@dataclass(frozen=True)
class _Mark:
    """Where a value stands in the chart, and both ends of its error where one is known."""

    x: float
    y: float
    ends: tuple[float, ...]


def _panel(series: Chart, row: Values, units: Units, top: float) -> dict[str, Any]:
    """What one panel shows, and where."""
    readings = [one for _, *both in row for one in both if one is not None]
    ends = [mm + sign * (error or 0.0) for mm, error in readings for sign in (-1, 1)]
    ticks = _ticks(min(ends), max(ends), units)
    low, span = ticks[0], ticks[-1] - ticks[0]
    foot, high = top + _HIGH - _BOTTOM, _HIGH - _BOTTOM - _TOP
    step = (_PANEL - _RIGHT - _LEFT) / len(row)

    def y(mm: float) -> float:
        return foot - (mm - low) / span * high

    def mark(place: int, reading: Reading, aside: float = 0.0) -> _Mark:
        mm, error = reading
        both = (y(mm - error), y(mm + error)) if error else ()
        return _Mark(_LEFT + step * (place + 0.5) + aside, y(mm), both)

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
    """Three to six round values that hold everything between them."""
    steps = [MM_PER_INCH / 8 * n for n in (1, 2, 4, 8, 16, 32, 80, 160)] if units == "in" else [2.5, 5, 10, 20, 50, 100]
    step = next((step for step in steps if high - low <= step * 3), steps[-1])
    while (high - low) / step > 6:
        step *= 2
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    if first == last:
        first, last = first - 1, last + 1
    return [n * step for n in range(first, last + 1)]
