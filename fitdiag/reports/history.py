"""What happened over the rounds of a case, as a small chart of three measures and as the numbers beside it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape

from fitdiag.knowledge.garment import Chart
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
    high = len(panels) * (_HIGH + _GAP) - _GAP
    told_in_words = "; ".join(
        f"{series.title}: "
        + ", ".join(f"round {number} {told(was, units)}" for number, was, _ in row if was is not None)
        for series, row in panels
        if any(was for _, was, _ in row)
    )
    parts = [
        f'<svg class="chart" xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="chart-t chart-d" '
        f'viewBox="0 0 {_n(_PANEL)} {_n(high)}">',
        '<title id="chart-t">Measures over the rounds</title>',
        f'<desc id="chart-d">{escape(told_in_words or "Only what was expected is known.")}</desc>',
    ]
    for number, (series, row) in enumerate(panels):
        parts += _panel(series, row, units, number * (_HIGH + _GAP))
    return "".join([*parts, "</svg>"])


def _panel(series: Chart, row: Values, units: Units, top: float) -> list[str]:
    readings = [one for _, *both in row for one in both if one is not None]
    ends = [mm + sign * (error or 0.0) for mm, error in readings for sign in (-1, 1)]
    ticks = _ticks(min(ends), max(ends), units)
    low, span = ticks[0], ticks[-1] - ticks[0]
    left, right = _LEFT, _PANEL - _RIGHT
    base, over = top + _HIGH - _BOTTOM, top + _TOP

    def y(mm: float) -> float:
        return base - (mm - low) / span * (base - over)

    step = (right - left) / len(row)
    parts = [f'<text x="0" y="{_n(top + 4.2)}" font-size="4.4" font-weight="bold">{escape(series.title)}</text>']
    if series.note and min(ends) < 0:
        parts.append(f'<text x="0" y="{_n(top + 9)}" font-size="3.6" fill="#5a6670">{escape(series.note)}</text>')
    for tick in ticks:
        width = 0.35 if abs(tick) < 0.01 else 0.15
        parts.append(_line(left, y(tick), right, y(tick), width, "#7d878f"))
        parts.append(
            f'<text x="{_n(left - 1.5)}" y="{_n(y(tick) + 1.3)}" font-size="3.6" text-anchor="end">'
            f"{escape(format_reading(tick, units))}</text>"
        )
    before: tuple[float, float] | None = None
    marks: list[str] = []
    for place, (number, was, wanted) in enumerate(row):
        x = left + step * (place + 0.5)
        parts.append(
            f'<text x="{_n(x)}" y="{_n(base + 5.5)}" font-size="3.8" text-anchor="middle">'
            f"{'round ' if len(row) < 5 else ''}{number}</text>"
        )
        if wanted is not None:
            aside = x + (3.2 if was is not None else 0.0)
            marks += _bar(aside, wanted, y, "1 0.8")
            marks.append(
                f'<circle cx="{_n(aside)}" cy="{_n(y(wanted[0]))}" r="1.5" fill="#fff" stroke="#22303c" stroke-width="0.5"/>'
            )
        if was is not None:
            if before is not None:
                parts.append(_line(*before, x, y(was[0]), 0.5, "#22303c"))
            before = (x, y(was[0]))
            marks += _bar(x, was, y, "")
            marks.append(f'<circle cx="{_n(x)}" cy="{_n(y(was[0]))}" r="1.5" fill="#22303c"/>')
    return [*parts, *marks]


def _bar(x: float, reading: Reading, y: object, dash: str) -> list[str]:
    mm, error = reading
    if not error or not callable(y):
        return []
    low, high = y(mm - error), y(mm + error)
    caps = [_line(x - 1.2, end, x + 1.2, end, 0.35, "#22303c") for end in (low, high)]
    return [_line(x, low, x, high, 0.35, "#22303c", dash), *caps]


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


def _line(x1: float, y1: float, x2: float, y2: float, width: float, grey: str, dash: str = "") -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}" stroke="{grey}" stroke-width="{_n(width)}" fill="none"{dashes}/>'


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
