"""The course of a balance line put back onto the body: tilt, drop and V, for any assumed stance of camera and body."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.camera import Camera, Section
from fitdiag.photos.marks import Point
from fitdiag.photos.snap import Track

Array = NDArray[np.float64]
Kind = Literal["trunk", "side", "leg"]
V_WIDTHS = np.arange(28.0, 89.0, 6.0)  # mm to each side of the seam


@dataclass(frozen=True)
class Stance:
    """All that is uncertain about one line; the errors move these one at a time."""

    camera: Camera
    distance: float
    left: float  # px, x of the side edges on the line
    right: float
    seam: float
    depth: float
    flat: bool = False  # as if the body had no depth, and so could not be turned either


@dataclass(frozen=True, eq=False)
class Numbers:
    tilt: float
    drop: float
    end_drops: tuple[float, float]
    v_depth: float
    v_angles: tuple[float, float]
    section: Section
    noise: float


class Course:
    """Turns a tracked line into numbers for any assumed stance; outliers and the V's width are settled once."""

    def __init__(self, track: Track, left: Point, seam: Point, right: Point, kind: Kind) -> None:
        self.track, self.left, self.seam, self.right, self.kind = track, left, seam, right, kind
        self._weights: Array | None = None
        self._widths: tuple[float, float] | None = None

    def section(self, stance: Stance) -> tuple[Section, float]:
        """The section, and the place s of the centre seam on it."""
        rays = stance.camera.rays(
            np.array([(stance.left, self.left[1]), (stance.seam, self.seam[1]), (stance.right, self.right[1])])
        )[:, 0]
        section = Section.between(float(rays[0]), float(rays[2]), stance.distance, stance.depth)
        if self.kind != "trunk" or stance.flat:
            return section, float(section.hit(rays[1:2])[0, 0])
        return section.turned_to(float(rays[1]), float(rays[0]), float(rays[2])), 0.0

    def numbers(self, stance: Stance) -> Numbers:
        """Tilt, drop and V of the line on the cloth."""
        section, apex = self.section(stance)
        rays = stance.camera.rays(self.track.pixels)
        hits = section.hit(rays[:, 0])
        inside = (self.track.pixels[:, 0] > stance.left + 3) & (self.track.pixels[:, 0] < stance.right - 3)
        s, height = hits[:, 0], rays[:, 1] * hits[:, 1]
        if self._weights is None:
            most = 0.99 if self.kind == "side" else 0.985
            self._settle(s, height, inside & (np.abs(s) < most), section, apex)
        assert self._weights is not None and self._widths is not None
        table = _table(self.kind, s, section.half, apex, self._widths)
        root = np.sqrt(self._weights)[:, None]
        fit = np.linalg.lstsq(table * root, height * root[:, 0], rcond=None)[0]
        rest = (height - table @ fit)[self._weights > 0.1]
        v = float(fit[-1]) if self.kind == "trunk" else 0.0
        smooth = _table(self.kind, np.array([-1.0, apex, 1.0]), section.half, apex, self._widths) @ fit
        ends, middle = (float(smooth[0]), float(smooth[2])), float(smooth[1]) - v
        flat = section.half * math.cos(section.yaw)
        angles = tuple(math.degrees(math.atan(-v / width)) for width in self._widths)
        return Numbers(
            math.degrees(math.atan2((ends[1] - ends[0]) / 2, flat)),
            (ends[0] + ends[1]) / 2 - middle,
            (middle - ends[0], middle - ends[1]),
            -v,
            (angles[0], angles[1]),
            section,
            1.4826 * float(np.median(np.abs(rest))) if len(rest) else 1.0,
        )

    def _settle(self, s: Array, height: Array, inside: NDArray[np.bool_], section: Section, apex: float) -> None:
        """Choose the widths of the V and leave out what does not belong to the line."""
        weights = inside.astype(float)
        best: tuple[float, tuple[float, float]] | None = None
        thin = slice(None, None, max(1, len(s) // 250))
        for round_ in range(2):
            for left in V_WIDTHS:
                for right in V_WIDTHS:
                    if left != right and (round_ == 0 or self.kind != "trunk"):
                        continue
                    table = _table(self.kind, s[thin], section.half, apex, (left, right))
                    root = np.sqrt(weights[thin])
                    fit = np.linalg.lstsq(table * root[:, None], height[thin] * root, rcond=None)[0]
                    rest = float((weights[thin] * np.minimum((height[thin] - table @ fit) ** 2, 9.0)).sum())
                    if best is None or rest < best[0]:
                        best = (rest, (float(left), float(right)))
            assert best is not None
            table = _table(self.kind, s, section.half, apex, best[1])
            for _ in range(8):
                root = np.sqrt(weights)
                fit = np.linalg.lstsq(table * root[:, None], height * root, rcond=None)[0]
                rest_all = height - table @ fit
                scale = (
                    1.4826 * float(np.median(np.abs(rest_all[weights > 0.1]))) + 0.25 if (weights > 0.1).any() else 1.0
                )
                weights = inside * np.maximum(0.0, 1 - (rest_all / (4.7 * scale)) ** 2) ** 2
            best = None if round_ == 0 else best
            if round_ == 1:
                assert best is not None
                self._widths = best[1]
        self._weights = weights


def _table(kind: Kind, s: Array, half: float, apex: float, widths: tuple[float, float]) -> Array:
    """Columns of the fit over places s from side to side.

    Trunk: level, tilt, three round shapes, and a V with its own width on each side of the seam. Side picture: a bent line on each
    side of the seam, since a dip to the back begins there. Leg: level, tilt, one round shape.
    """
    ones, bow = np.ones_like(s), np.maximum(0.0, 1 - s * s)
    if kind == "leg":
        return np.stack([ones, s, bow], axis=1)
    if kind == "side":
        left, right = np.minimum(s - apex, 0.0), np.maximum(s - apex, 0.0)
        return np.stack([ones, left, left**2, left**5, right, right**2, right**5], axis=1)
    off = (s - apex) * half
    v = np.maximum(0.0, 1 - np.abs(off) / np.where(off < 0, widths[0], widths[1]))
    return np.stack([ones, s, np.sqrt(bow), bow, 1 - s**4, v], axis=1)
