"""Several pictures of one fitting put together: depth from the side picture, two lens heights, means by their errors.

A side picture tells how deep the trunk is, which corrects back and front. Two pictures from two heights tell it too: the false drop
grows with the tangent of the angle to the line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.body import Known
from fitdiag.photos.drawn import ROUND
from fitdiag.photos.marks import Marks
from fitdiag.photos.measure import look, measure
from fitdiag.photos.readings import Measured, Reading, Word

_TURNED = {"dip left": "dip right", "dip right": "dip left"}  # seen from the front the wearer's left is on the right
DISAGREES = 2.5  # standard deviations of the difference
CLEAR = 2.0  # standard deviations from nothing
MIRROR = "), as if one of them were a mirror image; ask which of its sides is the left one, and turn it if so"


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
    looked = [look(pixels, marks) for pixels, marks in pictures]
    result = [measure(*one, Known(hip_girth=hip_girth), seen) for one, seen in zip(pictures, looked, strict=True)]
    halves = _halves(result, from_the_side=False)
    for from_the_side in (True, False):  # the side picture first: it is read by the widths, the others by its depths
        known = Known(_halves(result, from_the_side=True), halves, hip_girth)
        for index, (one, seen) in enumerate(zip(pictures, looked, strict=True)):
            if one[1].seen_from_the_side == from_the_side and (halves if from_the_side else known.deep):
                result[index] = measure(*one, known, seen)
    return result


def _halves(measured: Sequence[Measured], *, from_the_side: bool) -> dict[str, float]:
    """Half the width of each line round the trunk, mm, in the pictures from the side or in the others."""
    pictures = [found for found in measured if found.marks.seen_from_the_side == from_the_side]
    return {
        name: line.half_mm
        for found in pictures for name, line in found.lines.items() if name in ROUND and line.half_mm
    }  # fmt: skip


def together(measured: Sequence[Measured]) -> tuple[Together, ...]:
    """Each quantity once, means by their errors; pictures that disagree are named and the error grows with it."""
    found: dict[tuple[str, str], list[tuple[Reading, str]]] = {}
    for picture in measured:
        view, side = picture.marks.view, picture.marks.seen_from_the_side
        where = f"{'side' if side else view} picture"
        for reading in picture.readings:
            if reading.value is not None and reading.error is not None:
                kept, what = reading, reading.what
                if what.startswith("v angle"):
                    continue
                if side and what == "tilt":  # by so much the line falls towards the back
                    kept = replace(kept, what="tilt to the back", value=reading.value * (-1 if view == "left" else 1))
                elif what == "tilt" and view == "front":
                    kept = replace(kept, value=-reading.value)
                elif view == "front":  # another line than the one on the back
                    kept = replace(kept, line=f"front-{kept.line}", what=_TURNED.get(what, what))
                found.setdefault((kept.line, kept.what), []).append((kept, where))
    return tuple(_joint(line, what, readings) for (line, what), readings in found.items())


def _joint(line: str, what: str, readings: Sequence[tuple[Reading, str]]) -> Together:
    """One quantity from all pictures that show it, the body's depth being the same in all of them.

    Two lens heights tell the depth by themselves: the value and the depth that fit all readings best are found together.
    """
    values = np.array([reading.value or 0.0 for reading, _ in readings])
    deep = np.array([reading.by_depth for reading, _ in readings])
    own = np.array([max((reading.error or 1.0) ** 2 - reading.by_depth**2, 1e-4) ** 0.5 for reading, _ in readings])
    table = np.concatenate([np.stack([1 / own, deep / own], axis=1), [[0.0, 1.0]]])
    target = np.append(values / own, 0.0)
    value, depth = np.linalg.lstsq(table, target, rcond=None)[0]
    error = float(np.linalg.inv(table.T @ table)[0, 0]) ** 0.5
    if len(readings) > 1 and len({where for _, where in readings}) == 1 and not deep.any():
        error = float(min(own))  # pictures from one place share what is wrong with them
    words: tuple[Word, ...] = ("good", "fair", "don't use")
    word = min((reading.word for reading, _ in readings), key=words.index)
    told = " and ".join(dict.fromkeys(where for _, where in readings))
    rest = values - depth * deep
    far = max((abs(a - b) / math.hypot(e, f), abs(a - b)) for a, e in zip(rest, own, strict=True)
              for b, f in zip(rest, own, strict=True))  # fmt: skip
    if far[0] > DISAGREES:
        error, word = max(error, far[1] / 2), "fair"
        each = ", ".join(f"{where} {value:.0f} mm" if reading.unit == "mm" else f"{where} {value:.1f} degrees"
                         for value, (reading, where) in zip(values, readings, strict=True))  # fmt: skip
        mirror = what == "tilt" and _as_mirrored(readings)
        told = f"the pictures disagree ({each}{MIRROR if mirror else '); look again or ask'}"
    return Together(line, what, readings[0][0].unit, float(value), error, word, told)


def _as_mirrored(readings: Sequence[tuple[Reading, str]]) -> bool:
    """Whether back and front lean to opposite sides, as much as each other: then one of them may be a mirror image."""
    clear = [(reading.value or 0.0, reading.error or 1.0, where) for reading, where in readings]
    return any(
        a * b < 0 and abs(a + b) < math.hypot(e, f) and min(abs(a) / e, abs(b) / f) > CLEAR
        for a, e, one in clear for b, f, other in clear if one != other
    )  # fmt: skip


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
