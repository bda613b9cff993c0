"""How deep the body is at a line: from marks, a side picture, a girth, or what bodies usually are.

What counts is the depth from the middle to the outline, which is the widest place and not the side seam. How much of the whole depth
lies on either side of it differs from body to body.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fitdiag.photos.drawn import ROUND
from fitdiag.photos.marks import Marks
from fitdiag.photos.section import depth_from_girth
from fitdiag.photos.trousers import HIP, LEG_DEPTH, LEG_DEPTH_ERROR

DEPTH_ERROR = 8.0  # mm; of a depth that was taped
GIRTH_ERROR = 14.0  # mm; of a depth from a girth


@dataclass(frozen=True)
class Known:
    """What other pictures or a tape tell about the body, mm: half the widths of each line from the side, and from back or front,
    and the hip girth."""

    deep: Mapping[str, float] | None = None
    halves: Mapping[str, float] | None = None
    hip_girth: float | None = None


def depth_at(marks: Marks, known: Known, name: str, half: float) -> tuple[float, float]:
    """From the outline to the middle, mm, and its error, from all that is known."""
    if name not in ROUND:
        return LEG_DEPTH * half, LEG_DEPTH_ERROR * half
    if marks.seen_from_the_side:
        near = (known.halves or {}).get(name)
        return (near, 8.0) if near else (1.5 * half, 0.25 * half)
    usual = ROUND[name].front if marks.view == "front" else ROUND[name].back
    found = [(usual.of_half * half, usual.half_error * half)]
    if name in marks.depths_mm:
        found.append((marks.depths_mm[name], DEPTH_ERROR))
    elif known.deep and name in known.deep:
        whole = 2 * known.deep[name]
        found.append((usual.of_whole * whole, usual.whole_error * whole))
    if known.hip_girth and name == HIP:
        found.append((depth_from_girth(known.hip_girth, half), GIRTH_ERROR))
    weights = [1 / error**2 for _, error in found]
    mean = sum(weight * depth for weight, (depth, _) in zip(weights, found, strict=True)) / sum(weights)
    return mean, min(error for _, error in found)  # all rest on the same shape of the body, so they do not add up
