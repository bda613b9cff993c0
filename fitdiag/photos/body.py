"""How deep the body is at a line: from marks, a side picture, a girth, or what bodies usually are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fitdiag.photos.marks import Marks
from fitdiag.photos.readings import Measured
from fitdiag.photos.section import depth_from_girth
from fitdiag.photos.trousers import HIP, LEG_DEPTH, LEG_DEPTH_ERROR, ROUND

DEPTH_ERROR = 8.0  # mm; of a depth that was taped
BACK_SHARE, BACK_SHARE_ERROR = 0.505, 0.03  # of the whole depth lies behind the side seams
SEAM_PLACE_ERROR = 11.0  # mm: the side seam as the middle, seen from the side by a body that is a little turned
CLEFT = 4.0  # mm: the centre seam lies so much deeper than the outline


@dataclass(frozen=True)
class Known:
    """What other pictures or a tape tell about the body, mm: depths to the middle, half widths, the hip girth."""

    depths: Mapping[str, tuple[float, float]] | None = None  # line: (mm, one standard deviation)
    halves: Mapping[str, float] | None = None
    hip_girth: float | None = None


def depth_at(marks: Marks, known: Known, name: str, half: float) -> tuple[float, float]:
    """From the side-seam plane to the middle, mm, and its error, from the best that is known."""
    if name not in ROUND:
        return LEG_DEPTH * half, LEG_DEPTH_ERROR * half
    if marks.seen_from_the_side:
        near = (known.halves or {}).get(name)
        return (near, 8.0) if near else (1.5 * half, 0.25 * half)
    share, error = ROUND[name].depth_in_front if marks.view == "front" else ROUND[name].depth
    found = [(share * half, error * half)]
    if name in marks.depths_mm:
        found.append((marks.depths_mm[name], DEPTH_ERROR))
    elif known.depths and name in known.depths:
        found.append(known.depths[name])
    if known.hip_girth and name == HIP:
        found.append((depth_from_girth(known.hip_girth, half), 12.0))
    weights = [1 / error**2 for _, error in found]
    mean = sum(weight * depth for weight, (depth, _) in zip(weights, found, strict=True)) / sum(weights)
    return mean, float(sum(weights) ** -0.5)


def depths_from_side(side: Measured) -> dict[str, tuple[float, float]]:
    """From a side picture: line to (depth from the side seams to centre back, error), mm, for the lines marked on it.

    Two ways, weighed by their errors: from the side seam, which a small turn of the body moves, and as a share of the whole
    depth, which bodies differ in. The centre seam lies a little deeper than the outline.
    """
    found: dict[str, tuple[float, float]] = {}
    if side.distance_mm is None:
        return found
    for name, line in side.lines.items():
        if name in ROUND and line.half_mm and line.depth_mm:
            middle = side.marks.lines[name][len(side.marks.lines[name]) // 2]
            seam = middle[0]
            if side.seam is not None and side.seam.clear:
                seam = float(np.interp(middle[1], side.seam.pixels[:, 1], side.seam.pixels[:, 0]))
            share = (seam - line.left[0]) / (line.right[0] - line.left[0])
            off = (2 * share - 1) * line.half_mm * (side.distance_mm - line.depth_mm) / side.distance_mm
            by_seam = line.half_mm - off if side.marks.view == "left" else line.half_mm + off
            by_share, share_error = BACK_SHARE * 2 * line.half_mm, BACK_SHARE_ERROR * 2 * line.half_mm
            weights = (1 / SEAM_PLACE_ERROR**2, 1 / share_error**2)
            mean = (weights[0] * by_seam + weights[1] * by_share) / sum(weights)
            found[name] = (mean - CLEFT, max(sum(weights) ** -0.5, abs(by_seam - by_share) / 3))
    return found
