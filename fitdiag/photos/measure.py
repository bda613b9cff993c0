"""From a marked picture to the numbers a fitter wants: each raw, corrected, with one standard deviation and a word.

The camera is levelled (`setting`), the lines are followed (`snap`), each balance line is put back onto the body and read (`lines`),
and grainlines are read where they cross them (`grains`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.body import Known
from fitdiag.photos.grains import read_grain
from fitdiag.photos.lines import Place, read_line
from fitdiag.photos.marks import Marks, Points
from fitdiag.photos.readings import Line, Measured, Reading, called
from fitdiag.photos.setting import Setting, setting
from fitdiag.photos.snap import Track, snap
from fitdiag.photos.trousers import HIP, KNEE_SHARE, KNEE_SHARE_ERROR, KNEES, WAIST

BEYOND_MM = 9.0  # the points at a line's ends are set before or beyond the outline
LENS_OFF_MM = 150.0  # a typed height of the lens that is off by more is wrong
ONE_MM, MOST_SHARED = 1.5, 0.04  # two lines so near to each other are one there; of a line's length
BORDER_NEARER_MM = 8.0  # by so much the top edge lies nearer to the points than the waistline where it is meant
SEAM_REACH_MM = 7.0  # the centre seam is looked for near its points only; other seams and folds run beside it


@dataclass(frozen=True, eq=False)
class Looked:
    """What of a picture does not depend on what else is known of the body: the level camera, and every line as it was followed."""

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
    """The waistline drawn near the points; the border of the cloth where none is, or where that lies much nearer to them."""
    drawn, border = (snap(pixels, points, scale, edge=edge, beyond_mm=beyond_mm) for edge in (False, True))
    nearer = float(np.mean(_off(drawn, points)) - np.mean(_off(border, points)))
    return drawn if drawn.clear and nearer < BORDER_NEARER_MM * scale else border


def _off(track: Track, points: Points) -> list[float]:
    """How far a line lies from each point that was set on it, px."""
    return [float(np.linalg.norm(track.pixels - point, axis=1).min()) for point in points]


def _apart(lines: Mapping[str, Track], marks: Marks, scale: float) -> dict[str, Track]:
    """The lines, each that runs onto another one marked so: of two the one that lies farther from its own points. The knee lines
    of two legs may meet at their ends."""
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
    """Measure one picture (H, W, 3, upright) by its confirmed marks; `looked`, if it was looked at already."""
    looked = looked or look(pixels, marks)
    marks, whole = marks.confirmed(), marks
    where = looked.setting
    warnings = list(where.warnings)
    if whole.proposed:
        names = ", ".join(called(name) for name in whole.proposed)
        warnings.append(f"only proposed: {names}; what you confirm on the page is measured")
    readings: list[Reading] = []
    lines: dict[str, Line] = {}
    places: dict[str, Place] = {}
    for name, track in looked.lines.items():
        found = read_line(pixels, marks, where, known or Known(), looked.seam, name, track)
        readings += found.readings
        warnings += found.warnings
        if found.line is not None and found.place is not None:
            lines[name], places[name] = found.line, found.place
    for name, track in looked.grains.items():
        readings += read_grain(marks, where, places, name, track)
    warnings += _lens_height(marks, where, lines)
    return Measured(
        whole, tuple(readings), lines, looked.grains, looked.seam, where.pose.uprights, tuple(warnings), where.distance
    )


def _lens_height(marks: Marks, where: Setting, lines: Mapping[str, Line]) -> list[str]:
    """A word where the height of the lens that was typed cannot be: hip and knee line tell it from how bodies are built."""
    knees = [line.depression_deg for name, line in lines.items() if name in KNEES]
    if None in (marks.lens_height_mm, where.distance) or not (where.pose.levelled and knees and HIP in lines):
        return []
    assert marks.lens_height_mm is not None and where.distance is not None
    hip, knee = (
        math.tan(math.radians(angle)) * where.distance for angle in (lines[HIP].depression_deg, sum(knees) / len(knees))
    )
    floor = (knee - hip) / (1 - KNEE_SHARE)  # the hip line over the floor
    lens, error = floor + hip, floor * KNEE_SHARE_ERROR / (1 - KNEE_SHARE)
    if abs(lens - marks.lens_height_mm) < max(LENS_OFF_MM, 2 * error):
        return []
    return [
        f"the lens is said to have stood {marks.lens_height_mm / 10:.0f} cm over the floor; by the hip and the knee line it stood at"
        f" about {lens / 10:.0f} cm, give or take {error / 10:.0f}. The numbers rest on the picture, not on what was typed"
    ]
