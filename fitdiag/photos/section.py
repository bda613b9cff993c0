"""The trunk at one height as half an ellipse towards the lens: ray intersections, yaw, arc lengths, and its depth from marks, a side
picture, a girth, or a prior.

What counts is the depth from the middle to the outline, which is the widest place and not the side seam. The share of the whole
depth on either side of it differs from body to body.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fitdiag.photos.drawn import ROUND
from fitdiag.photos.marks import Marks
from fitdiag.photos.strip import Array
from fitdiag.photos.trousers import HIP, LEG_DEPTH, LEG_DEPTH_ERROR

DEPTH_ERROR = 8.0  # mm; of a depth measured by hand
GIRTH_ERROR = 14.0  # mm; of a depth from a girth


@dataclass(frozen=True)
class Section:
    """The trunk at one height: half an ellipse towards the lens. Lengths in mm, in the levelled frame.

    `x`, `z`: the middle between the side seams; `half`: half the width; `depth`: from there to the point nearest the lens;
    `yaw`: radians, positive when the body's right (in the picture) is farther away.
    """

    x: float
    z: float
    half: float
    depth: float
    yaw: float

    def hit(self, rays: Array) -> Array:
        """Intersect horizontal rays X (N,) with the section; returns (N, 2) of (s, z), s from -1 at the left side to 1 at the right.

        A ray that just misses gives its nearest point.
        """
        cos, sin = math.cos(self.yaw), math.sin(self.yaw)
        # a point is (x + a s cos + b c sin, z + a s sin - b c cos) with s, c on the unit circle, c >= 0 towards the lens
        p, q = self.half * (cos - rays * sin), self.depth * (sin + rays * cos)
        target = rays * self.z - self.x
        size = np.hypot(p, q)
        angle = np.arctan2(q, p)
        swing = np.arccos(np.clip(target / size, -1.0, 1.0))
        # p s + q c = target with s = sin t, c = cos t: size * cos(t - (pi/2 - angle)) = target
        first, second = math.pi / 2 - angle + swing, math.pi / 2 - angle - swing
        z1 = self.z + self.half * np.sin(first) * sin - self.depth * np.cos(first) * cos
        z2 = self.z + self.half * np.sin(second) * sin - self.depth * np.cos(second) * cos
        near = np.where(z1 < z2, first, second)
        return np.stack([np.sin(near), np.minimum(z1, z2)], axis=1)

    def middle_ray(self) -> float:
        """Return the ray X of the point nearest the lens (the centre seam)."""
        cos, sin = math.cos(self.yaw), math.sin(self.yaw)
        return (self.x + self.depth * sin) / (self.z - self.depth * cos)

    @classmethod
    def between(cls, left: float, right: float, z: float, depth: float, yaw: float = 0.0) -> Section:
        """Return the section whose outline is seen at the rays `left` and `right` from distance `z`."""
        half = (right - left) / 2 * z
        x = (left + right) / 2 * z
        cos, sin = math.cos(yaw), math.sin(yaw)
        for _ in range(4):
            # the outline's ray is tangent to the ellipse: its distance from the middle is the ellipse's support there
            reach = [math.hypot(half * (cos - ray * sin), depth * (sin + ray * cos)) for ray in (left, right)]
            over = (right - left) * z - reach[0] - reach[1]
            half = max(half + over / 2, 1.0)
            x = ((left + right) * z + reach[0] - reach[1]) / 2
        return cls(x, z, half, depth, yaw)

    def turned_to(self, seam: float, left: float, right: float) -> Section:
        """Return the section turned so that the centre seam is seen at the ray `seam`."""
        section = self
        for _ in range(6):
            off = seam - section.middle_ray()
            yaw = section.yaw + off * section.z / max(section.depth, 1.0)
            yaw = min(max(yaw, -0.6), 0.6)
            section = Section.between(left, right, self.z, self.depth, yaw)
        return section

    def lengths(self, turn: Array) -> Array:
        """Return the arc length, mm, from the middle to each angle round the section (radians; s is its sine)."""
        grid = np.linspace(-math.pi / 2, math.pi / 2, 361)
        pieces = np.hypot(self.half * np.cos(grid), self.depth * np.sin(grid))
        table = np.concatenate([[0.0], np.cumsum((pieces[1:] + pieces[:-1]) / 2 * np.diff(grid))])
        lengths: Array = np.interp(turn, grid, table - table[180])
        return lengths

    def along(self, first: float, last: float) -> float:
        """Return the arc length, mm, between two positions s."""
        return abs(float(np.diff(self.lengths(np.arcsin(np.clip([first, last], -1.0, 1.0))))[0]))


def depth_from_girth(girth_mm: float, half_mm: float) -> float:
    """Return the mean depth of a trunk, mm, from its girth and half its width, by Ramanujan's perimeter of an ellipse (1914)."""
    low, high = 10.0, girth_mm / 2
    for _ in range(50):
        middle = (low + high) / 2
        a, b = half_mm, middle
        girth = math.pi * (3 * (a + b) - math.sqrt((3 * a + b) * (a + 3 * b)))
        low, high = (middle, high) if girth < girth_mm else (low, middle)
    return (low + high) / 2


@dataclass(frozen=True)
class Known:
    """What other pictures or a tape show about the body, mm: half the width of each line from the side, and from back or front,
    and the hip girth."""

    deep: Mapping[str, float] | None = None
    halves: Mapping[str, float] | None = None
    hip_girth: float | None = None


def depth_at(marks: Marks, known: Known, name: str, half: float) -> tuple[float, float]:
    """Return the depth from the outline to the middle and its error, mm, from all that is known; `half`: half the width, mm."""
    if name not in ROUND:
        return LEG_DEPTH * half, LEG_DEPTH_ERROR * half
    if marks.seen_from_the_side:
        near = (known.halves or {}).get(name)
        return (near, 8.0) if near else (1.5 * half, 0.25 * half)
    usual = ROUND[name].front if marks.view == "front" else ROUND[name].back
    depths = [(usual.of_half * half, usual.half_error * half)]
    if name in marks.depths_mm:
        depths.append((marks.depths_mm[name], DEPTH_ERROR))
    elif known.deep and name in known.deep:
        whole = 2 * known.deep[name]
        depths.append((usual.of_whole * whole, usual.whole_error * whole))
    if known.hip_girth and name == HIP:
        depths.append((depth_from_girth(known.hip_girth, half), GIRTH_ERROR))
    weights = [1 / error**2 for _, error in depths]
    mean = sum(weight * depth for weight, (depth, _) in zip(weights, depths, strict=True)) / sum(weights)
    # all depend on the same shape of the body, so errors do not average out
    return mean, min(error for _, error in depths)
