"""From marked pictures to the numbers a fitter wants: each raw, corrected, with one standard deviation and a grade.

The camera is levelled (`setting`), the lines are followed (`snap`), each balance line is projected back onto the body and measured
(`lines`), and grainlines are measured where they cross them (`grains`). Several pictures of one fitting are combined: a side picture
shows the depth of the trunk, which corrects back and front. So do two pictures from two heights, since the false drop grows with the
tangent of the angle to the line.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.drawn import ROUND
from fitdiag.photos.grains import read_grain
from fitdiag.photos.lines import do_better, place_line, read_line
from fitdiag.photos.marks import Marks, Points, View
from fitdiag.photos.readings import Line, Measured, Reading, Word, called
from fitdiag.photos.section import Known
from fitdiag.photos.setting import Setting, setting
from fitdiag.photos.snap import Track, snap
from fitdiag.photos.trousers import HIP, KNEE_SHARE, KNEE_SHARE_ERROR, KNEES, WAIST
from fitdiag.photos.trust import Seen

BEYOND_MM = 9.0  # the end points of a line may lie before or beyond the outline
LENS_OFF_MM = 150.0  # a typed lens height that is off by more is wrong
ONE_MM, MOST_SHARED = 1.5, 0.04  # distance within which two lines count as one; share of a line's length
BORDER_NEARER_MM = 8.0  # the top edge is meant if it is this much nearer the points than the waistline
SEAM_REACH_MM = 7.0  # the centre seam is searched for only near its points; other seams and folds run beside it
_TURNED = {"dip left": "dip right", "dip right": "dip left"}  # seen from the front the wearer's left is on the right
DISAGREES = 2.5  # standard deviations of the difference
CLEAR = 2.0  # standard deviations from zero
MIRROR = "), as if one of them were a mirror image; ask which of its sides is the left one, and turn it if so"


@dataclass(frozen=True, eq=False)
class Looked:
    """The part of measuring that does not depend on the body: the levelled camera, and every line as followed."""

    setting: Setting
    seam: Track | None
    lines: Mapping[str, Track]
    grains: Mapping[str, Track]


def look(pixels: NDArray[np.uint8], marks: Marks) -> Looked:
    """Level one picture (H, W, 3, upright) and follow its confirmed lines."""
    marks = marks.confirmed()
    where = setting(pixels, marks)
    seam = None
    if len(marks.centre_seam) >= 3:
        seam = snap(pixels, marks.centre_seam, where.scale, reach_mm=SEAM_REACH_MM)
    lines = {
        name: (_waist if name == WAIST else snap)(pixels, points, where.scale, beyond_mm=BEYOND_MM)
        for name, points in marks.lines.items()
    }
    lines = _apart(lines, marks, where.scale)
    return Looked(
        where, seam, lines, {name: snap(pixels, points, where.scale) for name, points in marks.grains.items()}
    )


def _waist(pixels: NDArray[np.uint8], points: Points, scale: float, *, beyond_mm: float) -> Track:
    """The waistline drawn near the points; the top edge of the cloth if there is none, or if that is much nearer to them."""
    drawn, border = (snap(pixels, points, scale, edge=edge, beyond_mm=beyond_mm) for edge in (False, True))
    nearer = float(np.mean(_off(drawn, points)) - np.mean(_off(border, points)))
    return drawn if drawn.clear and nearer < BORDER_NEARER_MM * scale else border


def _off(track: Track, points: Points) -> list[float]:
    """Distance of a line from each of its marked points, px."""
    return [float(np.linalg.norm(track.pixels - point, axis=1).min()) for point in points]


def _apart(lines: Mapping[str, Track], marks: Marks, scale: float) -> dict[str, Track]:
    """The lines, with each that runs onto another marked so: of two, the one farther from its own points. The knee lines of two
    legs may meet at their ends."""
    apart = dict(lines)
    for one, other in combinations([name for name in lines if name not in KNEES], 2):
        gaps = np.linalg.norm(lines[one].pixels[:, None] - lines[other].pixels[None], axis=2)
        if max((gaps.min(axis=axis) < ONE_MM * scale).mean() for axis in (0, 1)) > MOST_SHARED:
            off = {name: max(_off(lines[name], marks.lines[name])) for name in (one, other)}
            strays, onto = sorted(off, key=lambda name: -off[name])
            apart[strays] = replace(apart[strays], onto=onto)
    return apart


def measure(
    pixels: NDArray[np.uint8], marks: Marks, known: Known | None = None, looked: Looked | None = None
) -> Measured:
    """Measure one picture (H, W, 3, upright) by its confirmed marks; `looked`: the result of `look`, if available."""
    looked = looked or look(pixels, marks)
    marks, whole = marks.confirmed(), marks
    where = looked.setting
    warnings = list(where.warnings)
    if whole.proposed:
        names = ", ".join(called(name) for name in whole.proposed)
        warnings.append(f"only proposed: {names}; what you confirm on the page is measured")
    readings: list[Reading] = []
    places: dict[str, Seen] = {}
    for name, track in looked.lines.items():
        seen = place_line(pixels, marks, where, known or Known(), looked.seam, name, track)
        if isinstance(seen, Reading):
            readings.append(seen)
        else:
            places[name] = seen
    for seen in places.values():
        readings += read_line(seen, [other for other in places.values() if other is not seen])
        warnings += do_better(seen)
    for name, track in looked.grains.items():
        readings += read_grain(marks, where, places, name, track)
    lines = {name: seen.line for name, seen in places.items()}
    warnings += _lens_height(marks, where, lines)
    return Measured(
        whole, tuple(readings), lines, looked.grains, looked.seam, where.pose.uprights, tuple(warnings), where.distance
    )


def _lens_height(marks: Marks, where: Setting, lines: Mapping[str, Line]) -> list[str]:
    """Warn of a typed lens height that cannot be right: hip and knee line give it from the usual proportions of bodies."""
    knees = [line.depression_deg for name, line in lines.items() if name in KNEES]
    if None in (marks.lens_height_mm, where.distance) or not (where.pose.levelled and knees and HIP in lines):
        return []
    assert marks.lens_height_mm is not None and where.distance is not None
    hip, knee = (
        math.tan(math.radians(angle)) * where.distance for angle in (lines[HIP].depression_deg, sum(knees) / len(knees))
    )
    floor = (knee - hip) / (1 - KNEE_SHARE)  # height of the hip line above the floor
    lens, error = floor + hip, floor * KNEE_SHARE_ERROR / (1 - KNEE_SHARE)
    if abs(lens - marks.lens_height_mm) < max(LENS_OFF_MM, 2 * error):
        return []
    return [
        f"the lens height was given as {marks.lens_height_mm / 10:.0f} cm above the floor; by the hip and the knee line it was about"
        f" {lens / 10:.0f} cm, give or take {error / 10:.0f} cm. The numbers rest on the picture, not on what was typed"
    ]


@dataclass(frozen=True)
class Together:
    """One quantity of the garment from all pictures: mm or degrees, one standard deviation, and where it comes from.

    A tilt or a lean above 0 is one to the right of `view`.
    """

    line: str
    what: str
    unit: str
    value: float
    error: float
    word: Word
    basis: str

    @property
    def view(self) -> View:
        if self.what == "tilt to the back":
            return "right"
        return "front" if self.line.startswith("front-") else "back"


def measure_all(pictures: Sequence[tuple[NDArray[np.uint8], Marks]], hip_girth: float | None = None) -> list[Measured]:
    """Measure pictures (H, W, 3) of one fitting: first for the outlines, then using what they show about each other.

    `hip_girth` in mm, if known.
    """
    looked = [look(pixels, marks) for pixels, marks in pictures]
    result = [measure(*one, Known(hip_girth=hip_girth), seen) for one, seen in zip(pictures, looked, strict=True)]
    halves = _halves(result, from_the_side=False)
    for from_the_side in (True, False):  # the side picture first: it uses the widths, the others its depths
        known = Known(_halves(result, from_the_side=True), halves, hip_girth)
        for index, (one, seen) in enumerate(zip(pictures, looked, strict=True)):
            if one[1].seen_from_the_side == from_the_side and (halves if from_the_side else known.deep):
                result[index] = measure(*one, known, seen)
    return result


def _halves(measured: Sequence[Measured], *, from_the_side: bool) -> dict[str, float]:
    """Half the width of each line round the trunk, mm, in the pictures from the side or in the others."""
    pictures = [one for one in measured if one.marks.seen_from_the_side == from_the_side]
    return {
        name: line.half_mm
        for picture in pictures for name, line in picture.lines.items() if name in ROUND and line.half_mm
    }  # fmt: skip


def together(measured: Sequence[Measured]) -> tuple[Together, ...]:
    """Combine readings into one value per quantity, weighted by their errors; disagreeing pictures are named and widen the error."""
    groups: dict[tuple[str, str], list[tuple[Reading, str]]] = {}
    for picture in measured:
        view, side = picture.marks.view, picture.marks.seen_from_the_side
        where = f"{'side' if side else view} picture"
        for reading in picture.readings:
            if reading.value is not None and reading.error is not None:
                kept, what = reading, reading.what
                if what.startswith("v angle"):
                    continue
                if side and what == "tilt":  # fall of the line towards the back
                    kept = replace(kept, what="tilt to the back", value=reading.value * (-1 if view == "left" else 1))
                elif what == "tilt" and view == "front":
                    kept = replace(kept, value=-reading.value)
                elif view == "front":  # another line than the one on the back
                    kept = replace(kept, line=f"front-{kept.line}", what=_TURNED.get(what, what))
                groups.setdefault((kept.line, kept.what), []).append((kept, where))
    return tuple(_joint(line, what, readings) for (line, what), readings in groups.items())


def _joint(line: str, what: str, readings: Sequence[tuple[Reading, str]]) -> Together:
    """Combine one quantity from all pictures that show it, the body's depth being the same in all of them.

    Two lens heights show the depth by themselves: the value and the depth are a joint least-squares fit to all readings.
    """
    values = np.array([reading.value or 0.0 for reading, _ in readings])
    deep = np.array([reading.by_depth for reading, _ in readings])
    own = np.array([max((reading.error or 1.0) ** 2 - reading.by_depth**2, 1e-4) ** 0.5 for reading, _ in readings])
    table = np.concatenate([np.stack([1 / own, deep / own], axis=1), [[0.0, 1.0]]])
    target = np.append(values / own, 0.0)
    value, depth = np.linalg.lstsq(table, target, rcond=None)[0]
    error = float(np.linalg.inv(table.T @ table)[0, 0]) ** 0.5
    if len(readings) > 1 and len({where for _, where in readings}) == 1 and not deep.any():
        error = float(min(own))  # pictures from one place share their errors
    words: tuple[Word, ...] = ("good", "fair", "don't use")
    word = min((reading.word for reading, _ in readings), key=words.index)
    text = " and ".join(dict.fromkeys(where for _, where in readings))
    rest = values - depth * deep
    far = max((abs(a - b) / math.hypot(e, f), abs(a - b)) for a, e in zip(rest, own, strict=True)
              for b, f in zip(rest, own, strict=True))  # fmt: skip
    if far[0] > DISAGREES:
        error, word = max(error, far[1] / 2), "fair"
        each = ", ".join(f"{where} {value / 10:.1f} cm" if reading.unit == "mm" else f"{where} {value:.1f} degrees"
                         for value, (reading, where) in zip(values, readings, strict=True))  # fmt: skip
        mirror = what == "tilt" and _as_mirrored(readings)
        text = f"the pictures disagree ({each}{MIRROR if mirror else '); look again or ask'}"
    return Together(line, what, readings[0][0].unit, float(value), error, word, text)


def _as_mirrored(readings: Sequence[tuple[Reading, str]]) -> bool:
    """Whether back and front lean equally to opposite sides: then one of them may be a mirror image."""
    clear = [(reading.value or 0.0, reading.error or 1.0, where) for reading, where in readings]
    return any(
        a * b < 0 and abs(a + b) < math.hypot(e, f) and min(abs(a) / e, abs(b) / f) > CLEAR
        for a, e, one in clear for b, f, other in clear if one != other
    )  # fmt: skip


def slope_mm(found: Together, measured: Sequence[Measured]) -> tuple[float, float] | None:
    """Convert a tilt to the difference in height between the side seams and its error, mm; None if the width is unknown."""
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
