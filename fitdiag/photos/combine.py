"""Several pictures of one fitting put together: depth from the side picture, two lens heights, means by their errors.

A side picture tells how deep the trunk is, which corrects back and front. Two pictures from two heights need no depth: the
false drop grows with the tangent of the angle, so the drop is read off where that is zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.body import Known, depths_from_side
from fitdiag.photos.marks import ROUND_LINES, Marks
from fitdiag.photos.measure import measure
from fitdiag.photos.readings import Measured, Reading, Word

LEAST_SPREAD = 0.06  # tangent; two lens heights nearer than that tell nothing about the depth
DISAGREES = 2.5  # standard deviations of the difference
RING_ERROR = 0.045  # share of the false drop that is left when two heights are extrapolated; tuned on made pictures


@dataclass(frozen=True)
class Together:
    """One quantity of the garment from all pictures: mm or degrees, one standard deviation, and where it comes from."""

    line: str
    what: str
    unit: str
    value: float
    error: float
    word: Word
    told: str


def measure_all(pictures: Sequence[tuple[NDArray[np.uint8], Marks]], hip_girth: float | None = None) -> list[Measured]:
    """Measure pictures that belong together: first for the outlines, then with what they tell about each other."""
    rough = [measure(pixels, marks, Known(hip_girth=hip_girth)) for pixels, marks in pictures]
    halves: dict[str, float] = {}
    for found in rough:
        if not found.marks.seen_from_the_side:
            halves |= {n: line.half_mm for n, line in found.lines.items() if n in ROUND_LINES and line.half_mm}
    result = list(rough)
    depths: dict[str, tuple[float, float]] = {}
    if halves or any(found.marks.seen_from_the_side for found in rough):
        for index, (pixels, marks) in enumerate(pictures):
            if marks.seen_from_the_side:
                result[index] = measure(pixels, marks, Known(halves=halves))
                for name, (depth, error) in depths_from_side(result[index]).items():
                    if name not in depths or error < depths[name][1]:
                        depths[name] = (depth, error)
    if depths:
        for index, (pixels, marks) in enumerate(pictures):
            if marks.view == "back":
                result[index] = measure(pixels, marks, Known(depths=depths, hip_girth=hip_girth))
    return result


def two_heights(first: Measured, second: Measured, name: str) -> Reading | None:
    """The drop of a line from two pictures of one view with the lens at two heights; None if they are too alike."""
    one, other = first.lines.get(name), second.lines.get(name)
    if one is None or other is None or one.levelled_drop_mm is None or other.levelled_drop_mm is None:
        return None
    if not (one.track.clear and other.track.clear):
        return None
    t1, t2 = (math.tan(math.radians(line.depression_deg)) for line in (one, other))
    if abs(t1 - t2) < LEAST_SPREAD or min(abs(t1), abs(t2)) > math.tan(math.radians(8.0)):
        return None
    d1, d2 = one.levelled_drop_mm, other.levelled_drop_mm
    value = (d1 * t2 - d2 * t1) / (t2 - t1)
    share = abs(t1 / (t2 - t1)), abs(t2 / (t2 - t1))
    read = 0.6  # mm: line and cloth in each picture
    turn = RING_ERROR * abs(value - (d1 if abs(t1) < abs(t2) else d2))
    error = math.sqrt((share[1] * read) ** 2 + (share[0] * read) ** 2 + turn**2 + (0.03 * value) ** 2 + 0.2)
    near = d1 if abs(t1) < abs(t2) else d2
    return Reading(
        name, "drop", "mm", near, value, error, "good", "from two lens heights, so no depth of the body is needed"
    )


def together(measured: Sequence[Measured]) -> tuple[Together, ...]:
    """Each quantity once, means by their errors; pictures that disagree are named and the error grows with it."""
    found: dict[tuple[str, str], list[tuple[Reading, str]]] = {}
    for picture in measured:
        where = f"{_view(picture)} picture"
        for reading in picture.readings:
            if reading.value is not None and reading.error is not None:
                what = reading.what
                if (picture.marks.view == "front" and what in ("drop", "v depth")) or what.startswith("v angle"):
                    continue
                kept = replace(reading, what=what)
                if picture.marks.seen_from_the_side and what == "tilt":
                    kept = replace(kept, what="tilt to the back", value=_to_the_back(picture, reading.value))
                elif what == "tilt" and picture.marks.view == "front":
                    kept = replace(kept, value=-reading.value)
                elif kept.line.startswith("grain") and picture.marks.view == "front":
                    kept = replace(kept, line=f"front-{kept.line}")  # another line than the one on the back
                found.setdefault((kept.line, kept.what), []).append((kept, where))
    for view in ("back",):
        same = [picture for picture in measured if picture.marks.view == view]
        for first, second in pairwise(same):
            for name in ROUND_LINES:
                both = two_heights(first, second, name)
                if both is not None:
                    others = [item for item in found.get((name, "drop"), []) if item[1] != f"{view} picture"]
                    found[name, "drop"] = [*others, (both, "two back pictures")]
    return tuple(_mean(line, what, readings) for (line, what), readings in found.items())


def _mean(line: str, what: str, readings: Sequence[tuple[Reading, str]]) -> Together:
    values = [(reading.value or 0.0, reading.error or 1.0) for reading, _ in readings]
    weights = [1 / error**2 for _, error in values]
    value = sum(w * v for w, (v, _) in zip(weights, values, strict=True)) / sum(weights)
    error = 1 / math.sqrt(sum(weights))
    if len(values) > 1 and len({where for _, where in readings}) == 1:
        error = min(e for _, e in values)  # pictures from one place share what is wrong with them
    words: tuple[Word, ...] = ("good", "fair", "don't use")
    word = min((reading.word for reading, _ in readings), key=words.index)
    unit = readings[0][0].unit
    told = " and ".join(dict.fromkeys(where for _, where in readings))
    far = max((abs(a - b) / math.hypot(e, f), abs(a - b)) for a, e in values for b, f in values)
    if far[0] > DISAGREES:
        error, word = max(error, far[1] / 2), "fair"
        each = ", ".join(f"{where} {_amount(reading.value or 0.0, unit)}" for reading, where in readings)
        told = f"the pictures disagree ({each}); look again or ask"
    return Together(line, what, unit, value, error, word, told)


def _amount(value: float, unit: str) -> str:
    return f"{value:.0f} mm" if unit == "mm" else f"{value:.1f} degrees"


def _view(picture: Measured) -> str:
    return "side" if picture.marks.seen_from_the_side else picture.marks.view


def _to_the_back(picture: Measured, tilt: float) -> float:
    """A side picture's tilt as degrees by which the line falls towards the back."""
    return -tilt if picture.marks.view == "left" else tilt


def slope_mm(found: Together, measured: Sequence[Measured]) -> tuple[float, float] | None:
    """A tilt from side to side as a difference in height between the side seams, mm, and its error."""
    halves = [
        picture.lines[found.line].half_mm
        for picture in measured
        if found.line in picture.lines and not picture.marks.seen_from_the_side
    ]
    known = [half for half in halves if half]
    if not known:
        return None
    width = 2 * known[0]
    return width * math.tan(math.radians(found.value)), width * math.radians(found.error)
