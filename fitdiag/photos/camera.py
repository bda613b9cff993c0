"""The camera model: pixels to levelled rays, and the perspective errors of a tilted, turned or off-height view.

The picture is a central projection with the principal point in the middle. In the levelled frame x points right, y up and z
horizontally away from the lens; a pixel is the ray (X, Y, 1) with Y the tangent of its elevation above the horizon.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fitdiag.photos.marks import Point
from fitdiag.photos.strip import Array

FULL_FRAME_DIAGONAL = math.hypot(36.0, 24.0)  # mm; "35 mm equivalent" compares diagonals (CIPA DCG-001, from memory)
USUAL_FOCAL_35 = 26.0  # the main lens of most phones; a judgement, used with a wide error


@dataclass(frozen=True, eq=False)
class Camera:
    """Focal length in px, the principal point, up in the camera's own frame (x right, y down), and radial distortion.

    `bend`: outward shift of a picture corner as a share of its distance from the middle; elsewhere the share grows with that
    distance squared (the first term of the usual radial distortion model).
    """

    focal: float
    middle: Point
    up: tuple[float, float, float]
    bend: float = 0.0

    def straight(self, pixels: Array) -> Array:
        """Undistort pixels (N, 2); returns (N, 2) px from the middle."""
        seen = np.asarray(pixels, float) - self.middle
        return unbent(seen, self.bend, math.hypot(*self.middle))

    def rays(self, pixels: Array) -> Array:
        """Convert pixels (N, 2) to levelled rays (N, 2): X right and Y up, at distance 1."""
        flat = self.straight(pixels)
        direction = np.concatenate([flat, np.full((len(flat), 1), self.focal)], axis=1)
        right, up, away = self._level()
        depth = np.maximum(direction @ away, self.focal / 100)  # points behind the lens go far to the side
        return np.stack([direction @ right / depth, direction @ up / depth], axis=1)

    def pixels(self, rays: Array) -> Array:
        """Inverse of `rays`: project levelled rays (N, 2) to pixels (N, 2)."""
        right, up, away = self._level()
        direction = rays[:, :1] * right + rays[:, 1:] * up + away
        flat = self.focal * direction[:, :2] / direction[:, 2:]
        return np.asarray(bent(flat, self.bend, math.hypot(*self.middle)) + self.middle)

    def _level(self) -> tuple[Array, Array, Array]:
        """Unit vectors right, up and horizontally away from the lens, in the camera's own frame."""
        up = np.array(self.up)
        away = np.array([0.0, 0.0, 1.0]) - up[2] * up
        away /= np.linalg.norm(away)
        right = np.cross(away, -up)
        return (right if right[0] > 0 else -right), up, away


def focal_px(focal_35mm: float, width: int, height: int) -> float:
    """Return the focal length in px from the 35 mm equivalent and the picture size in px."""
    return focal_35mm / FULL_FRAME_DIAGONAL * math.hypot(width, height)


def planes(ends: Array, focal: float) -> Array:
    """Return unit normals (N, 3) of the planes through the lens and lines with these ends (N, 2, 2), undistorted px from the middle."""
    rays = np.concatenate([ends, np.full((*ends.shape[:2], 1), focal)], axis=2)
    normals = np.cross(rays[:, 0], rays[:, 1])
    unit: Array = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    return unit


def unbent(seen: Array, bend: float, corner: float) -> Array:
    """Undistort points (N, 2), px from the middle; `corner`: px from the middle to a corner."""
    if not bend:
        return seen
    flat = seen
    for _ in range(6):
        flat = seen / _stretch(flat, bend, corner)
    return flat


def bent(flat: Array, bend: float, corner: float) -> Array:
    """Inverse of `unbent`: distort points (N, 2), px from the middle."""
    return flat * _stretch(flat, bend, corner)


def _stretch(flat: Array, bend: float, corner: float) -> Array:
    """Radial distortion factor of each point, capped far outside the picture."""
    radius_squared = np.minimum((flat**2).sum(axis=-1, keepdims=True) / max(corner, 1.0) ** 2, 4.0)
    factor: Array = 1 + bend * radius_squared
    return factor


def false_tilt(lens_above_mm: float, distance_mm: float, yaw_deg: float) -> float:
    """Return the apparent tilt, in degrees, of a level line through the side seams when the body is turned.

    >>> round(false_tilt(300, 2500, 10), 2)
    1.21
    """
    return math.degrees(math.atan(lens_above_mm / distance_mm * math.tan(math.radians(yaw_deg))))


def lens_within(allowed_mm: float, depth_mm: float, distance_mm: float) -> float:
    """Return how far, in mm, the lens may be above or below a line for at most `allowed_mm` of false drop.

    >>> round(lens_within(3, 120, 3000))
    72
    """
    return allowed_mm * (distance_mm - depth_mm) / depth_mm


def sheet_distance(camera: Camera, corners: Sequence[Point], width: float, height: float) -> float:
    """Return the horizontal distance, mm, from the lens to the middle of a sheet hanging upright and roughly facing the lens.

    Height counts most: the long side is upright, and turning the sheet does not shorten it.
    """
    rays = camera.rays(np.array(corners, float))
    tall = (rays[0, 1] + rays[1, 1] - rays[2, 1] - rays[3, 1]) / 2
    wide = (rays[1, 0] + rays[2, 0] - rays[0, 0] - rays[3, 0]) / 2
    return float((height * height / tall + width * width / wide) / (height + width))
