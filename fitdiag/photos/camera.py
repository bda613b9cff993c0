"""Where the lens stood: levelling, horizon, distance, and the laws by which a picture deceives.

The picture is a central projection with its axis in the middle. In the levelled frame x runs to the right, y up and z level
away from the lens; a pixel is the ray (X, Y, 1) with Y the tangent of its height over the horizon.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.marks import Point

Array = NDArray[np.float64]
FULL_FRAME_DIAGONAL = math.hypot(36.0, 24.0)  # mm; "35 mm equivalent" compares diagonals (CIPA DCG-001, from memory)
USUAL_FOCAL_35 = (
    26.0  # the main lens of most telephones; fitter's judgement, used with a wide error where nothing is known
)


@dataclass(frozen=True, eq=False)
class Camera:
    """Focal length in px, the middle of the picture, and the direction of up in the camera's own frame (x right, y down)."""

    focal: float
    middle: Point
    up: tuple[float, float, float]

    def rays(self, pixels: Array) -> Array:
        """(N, 2) pixels to (N, 2) levelled rays: X to the right and Y up, at distance 1."""
        given = np.asarray(pixels, float)
        direction = np.stack(
            [given[:, 0] - self.middle[0], given[:, 1] - self.middle[1], np.full(len(given), self.focal)], axis=1
        )
        up = np.array(self.up)
        away = np.array([0.0, 0.0, 1.0]) - up[2] * up  # level, and the way the lens looks
        away /= np.linalg.norm(away)
        right = np.cross(away, -up)
        right = right if right[0] > 0 else -right
        depth = np.maximum(direction @ away, self.focal / 100)  # what would lie behind the lens lies far to the side
        return np.stack([direction @ right / depth, direction @ up / depth], axis=1)


def focal_px(focal_35mm: float, width: int, height: int) -> float:
    """Focal length in px from the 35 mm equivalent."""
    return focal_35mm / FULL_FRAME_DIAGONAL * math.hypot(width, height)


def upright(
    verticals: Sequence[tuple[Point, Point]], errors: Sequence[float], focal: float, middle: Point
) -> tuple[float, float, float]:
    """The direction of up in the camera's frame from two or more lines that are plumb; `errors`: px at their ends.

    Each line and the lens span a plane that holds the plumb direction; least squares over the planes' normals.
    """
    normals = []
    for (top, bottom), error in zip(verticals, errors, strict=True):
        first, last = ((x - middle[0], y - middle[1], focal) for x, y in (top, bottom))
        normal = np.cross(first, last)
        span = math.dist(top, bottom)
        normals.append(normal / np.linalg.norm(normal) * span / max(error, 0.05))
    direction = np.linalg.svd(np.array(normals))[2][-1]
    direction = direction if direction[1] < 0 else -direction
    return float(direction[0]), float(direction[1]), float(direction[2])


def false_drop(lens_above_mm: float, depth_mm: float, distance_mm: float) -> float:
    """How much lower the middle of a level line looks than its ends: the lens stands `lens_above_mm` over the line.

    `depth_mm`: from the plane of the side seams to the middle; `distance_mm`: from the lens to that plane. Exact (similar
    triangles). Negative when the lens stands below.

    >>> round(false_drop(700, 120, 2500), 1)
    35.3
    """
    return lens_above_mm * depth_mm / (distance_mm - depth_mm)


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


@dataclass(frozen=True)
class Section:
    """The trunk at one height: half an ellipse towards the lens. Lengths in mm, in the levelled frame.

    `x`, `z`: the middle between the side seams; `half`: half the width; `depth`: from there to the middle nearest the lens;
    `yaw`: radians, how far the body is turned, positive when its right (in the picture) is farther away.
    """

    x: float
    z: float
    half: float
    depth: float
    yaw: float

    def hit(self, rays: Array) -> Array:
        """Where level rays X (N,) meet the section: (N, 2) of (s, z); s from -1 at the left side to 1 at the right.

        A ray that just misses is taken at its nearest point.
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
        """X of the point nearest the lens (the centre seam)."""
        cos, sin = math.cos(self.yaw), math.sin(self.yaw)
        return (self.x + self.depth * sin) / (self.z - self.depth * cos)

    @classmethod
    def between(cls, left: float, right: float, z: float, depth: float, yaw: float = 0.0) -> Section:
        """The section whose outline is seen at the rays `left` and `right` from a lens at distance `z`."""
        half = (right - left) / 2 * z
        x = (left + right) / 2 * z
        cos, sin = math.cos(yaw), math.sin(yaw)
        for _ in range(4):
            # the outline's ray touches the ellipse: its distance from the middle is the ellipse's own reach that way
            reach = [
                math.sqrt((half * (cos - ray * sin)) ** 2 + (depth * (sin + ray * cos)) ** 2) for ray in (left, right)
            ]
            over = (right - left) * z - reach[0] - reach[1]
            half = max(half + over / 2, 1.0)
            x = ((left + right) * z + reach[0] - reach[1]) / 2
        return cls(x, z, half, depth, yaw)

    def turned_to(self, seam: float, left: float, right: float) -> Section:
        """The same turned so that the centre seam is seen at the ray `seam`."""
        section = self
        for _ in range(6):
            off = seam - section.middle_ray()
            yaw = section.yaw + off * section.z / max(section.depth, 1.0)
            yaw = min(max(yaw, -0.6), 0.6)
            section = Section.between(left, right, self.z, self.depth, yaw)
        return section

    def along(self, first: float, last: float) -> float:
        """Length along the section, mm, between two places s."""
        t = np.linspace(math.asin(max(-1.0, min(1.0, first))), math.asin(max(-1.0, min(1.0, last))), 200)
        pieces = np.hypot(self.half * np.cos(t), self.depth * np.sin(t))
        return float(abs(np.sum((pieces[1:] + pieces[:-1]) / 2 * np.abs(np.diff(t)))))
