"""The camera: pixels to levelled rays, and the laws by which a picture deceives.

The picture is a central projection with its axis in the middle. In the levelled frame x runs to the right, y up and z level
away from the lens; a pixel is the ray (X, Y, 1) with Y the tangent of its height over the horizon.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fitdiag.photos.marks import Point
from fitdiag.photos.strip import Array

FULL_FRAME_DIAGONAL = math.hypot(36.0, 24.0)  # mm; "35 mm equivalent" compares diagonals (CIPA DCG-001, from memory)
USUAL_FOCAL_35 = 26.0  # the main lens of most telephones; fitter's judgement, used with a wide error


@dataclass(frozen=True, eq=False)
class Camera:
    """Focal length in px, the middle of the picture, up in the camera's own frame (x right, y down), and the lens's bending.

    `bend`: by which share a place in the corner of the picture is moved outwards; in between it grows with the square of the
    distance from the middle (the first term of the usual radial model of lenses).
    """

    focal: float
    middle: Point
    up: tuple[float, float, float]
    bend: float = 0.0

    def straight(self, pixels: Array) -> Array:
        """(N, 2) pixels to (N, 2) px from the middle, as a lens that does not bend would show them."""
        seen = np.asarray(pixels, float) - self.middle
        return unbent(seen, self.bend, math.hypot(*self.middle))

    def rays(self, pixels: Array) -> Array:
        """(N, 2) pixels to (N, 2) levelled rays: X to the right and Y up, at distance 1."""
        flat = self.straight(pixels)
        direction = np.concatenate([flat, np.full((len(flat), 1), self.focal)], axis=1)
        right, up, away = self._level()
        depth = np.maximum(direction @ away, self.focal / 100)  # what would lie behind the lens lies far to the side
        return np.stack([direction @ right / depth, direction @ up / depth], axis=1)

    def pixels(self, rays: Array) -> Array:
        """The way back: (N, 2) levelled rays to the pixels where this camera shows them."""
        right, up, away = self._level()
        direction = rays[:, :1] * right + rays[:, 1:] * up + away
        flat = self.focal * direction[:, :2] / direction[:, 2:]
        return np.asarray(bent(flat, self.bend, math.hypot(*self.middle)) + self.middle)

    def _level(self) -> tuple[Array, Array, Array]:
        """To the right, up, and level away from the lens, in the camera's own frame."""
        up = np.array(self.up)
        away = np.array([0.0, 0.0, 1.0]) - up[2] * up
        away /= np.linalg.norm(away)
        right = np.cross(away, -up)
        return (right if right[0] > 0 else -right), up, away


def focal_px(focal_35mm: float, width: int, height: int) -> float:
    """Focal length in px from the 35 mm equivalent."""
    return focal_35mm / FULL_FRAME_DIAGONAL * math.hypot(width, height)


def planes(ends: Array, focal: float) -> Array:
    """Unit normals (N, 3) of the planes through the lens and lines with these ends (N, 2, 2), px from the middle, not bent."""
    rays = np.concatenate([ends, np.full((*ends.shape[:2], 1), focal)], axis=2)
    normals = np.cross(rays[:, 0], rays[:, 1])
    found: Array = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    return found


def unbent(seen: Array, bend: float, corner: float) -> Array:
    """Places (N, 2), px from the middle, without the bending of the lens; `corner`: px from the middle to a corner."""
    if not bend:
        return seen
    flat = seen
    for _ in range(6):
        flat = seen / _stretch(flat, bend, corner)
    return flat


def bent(flat: Array, bend: float, corner: float) -> Array:
    """The way back: places (N, 2), px from the middle, as a lens that bends shows them."""
    return flat * _stretch(flat, bend, corner)


def _stretch(flat: Array, bend: float, corner: float) -> Array:
    """By how much the lens moves each place outwards; places far outside the picture are bent no further."""
    away = np.minimum((flat**2).sum(axis=-1, keepdims=True) / max(corner, 1.0) ** 2, 4.0)
    factor: Array = 1 + bend * away
    return factor


def false_tilt(lens_above_mm: float, distance_mm: float, yaw_deg: float) -> float:
    """How much a level line through the side seams seems to tilt, in degrees, when the body is turned.

    >>> round(false_tilt(300, 2500, 10), 2)
    1.21
    """
    return math.degrees(math.atan(lens_above_mm / distance_mm * math.tan(math.radians(yaw_deg))))


def lens_within(allowed_mm: float, depth_mm: float, distance_mm: float) -> float:
    """How far the lens may stand off the height of a line for at most `allowed_mm` of false drop.

    >>> round(lens_within(3, 120, 3000))
    72
    """
    return allowed_mm * (distance_mm - depth_mm) / depth_mm


def sheet_distance(camera: Camera, corners: Sequence[Point], width: float, height: float) -> float:
    """Level distance from the lens to the middle of a sheet that hangs upright, facing the lens or nearly: mm.

    The long way is the upright one, and a turned sheet is as high as it was; so the height counts for most.
    """
    rays = camera.rays(np.array(corners, float))
    tall = (rays[0, 1] + rays[1, 1] - rays[2, 1] - rays[3, 1]) / 2
    wide = (rays[1, 0] + rays[2, 0] - rays[0, 0] - rays[3, 0]) / 2
    return float((height * height / tall + width * width / wide) / (height + width))
