"""A pinhole camera with a bending lens.

World: millimetres, x to the picture's right, y up, z towards the camera, the floor at y = 0, the body's axis at x = z = 0.
Camera axes: x right, y down, z forward. Pixels: the centre of the top left pixel is (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
FILM_DIAGONAL = 43.2666  # of a 36 x 24 mm frame: the 35 mm equivalent goes by the diagonal (CIPA DCG-001)


@dataclass(frozen=True)
class Camera:
    """`k1`, `k2`: bending at half the picture's diagonal, as a share (0.02 = a corner 2 % too far out). Angles in degrees.

    `pitch` is positive when the lens looks down, `roll` when plumb lines lean to the picture's right at their top.
    """

    width: int
    height: int
    focal_35mm: float
    lens_height: float
    distance: float
    sideways: float = 0.0
    pitch: float = 0.0
    roll: float = 0.0
    aim: float = 0.0
    k1: float = 0.0
    k2: float = 0.0
    shift: tuple[float, float] = (0.0, 0.0)

    @property
    def focal(self) -> float:
        """Focal length in pixels."""
        return self.focal_35mm * float(np.hypot(self.width, self.height)) / FILM_DIAGONAL

    @property
    def middle(self) -> Array:
        """The principal point in pixels."""
        return np.array([(self.width - 1) / 2 + self.shift[0], (self.height - 1) / 2 + self.shift[1]])

    @property
    def corner(self) -> float:
        """Half the diagonal over the focal length."""
        return float(np.hypot(self.width, self.height)) / 2 / self.focal

    @property
    def position(self) -> Array:
        """The lens in the world."""
        return np.array([self.sideways, self.lens_height, self.distance])

    @property
    def turn(self) -> Array:
        """Rows: the camera's right, down and forward in the world."""
        aim, pitch, roll = np.radians([self.aim, self.pitch, self.roll])
        forward = np.array([np.sin(aim) * np.cos(pitch), -np.sin(pitch), -np.cos(aim) * np.cos(pitch)])
        right = np.array([np.cos(aim), 0.0, np.sin(aim)])
        down = np.cross(forward, right)
        return np.stack(
            [right * np.cos(roll) - down * np.sin(roll), down * np.cos(roll) + right * np.sin(roll), forward]
        )

    @property
    def up(self) -> Array:
        """The plumb direction in camera axes."""
        return self.turn @ np.array([0.0, 1.0, 0.0])

    def opencv(self) -> tuple[Array, Array, Array, Array]:
        """The same camera in the terms of the OpenCV library: rotation, translation, matrix, distortion."""
        matrix = np.array([[self.focal, 0, self.middle[0]], [0, self.focal, self.middle[1]], [0, 0, 1.0]])
        bend = np.array([self.k1 / self.corner**2, self.k2 / self.corner**4, 0, 0])
        return self.turn, -self.turn @ self.position, matrix, bend

    def project(self, points: Array) -> tuple[Array, Array]:
        """World points (..., 3) to pixels (..., 2) and depths along the lens axis."""
        seen = (np.asarray(points) - self.position) @ self.turn.T
        flat = seen[..., :2] / seen[..., 2:]
        square = (flat**2).sum(-1, keepdims=True) / self.corner**2
        return flat * (1 + self.k1 * square + self.k2 * square**2) * self.focal + self.middle, seen[..., 2]

    def rays(self, pixels: Array) -> Array:
        """Directions in the world (..., 3), of any length, that end in these pixels."""
        bent = (np.asarray(pixels) - self.middle) / self.focal
        flat = bent
        for _ in range(12):
            square = (flat**2).sum(-1, keepdims=True) / self.corner**2
            flat = bent / (1 + self.k1 * square + self.k2 * square**2)
        return np.concatenate([flat, np.ones((*flat.shape[:-1], 1))], axis=-1) @ self.turn

    def all_rays(self) -> NDArray[np.float32]:
        """The rays of all pixels (height, width, 3), from every 12th one and straight between: right to 0.01 px."""
        step = 12
        rows, columns = np.arange(0, self.height + step, step), np.arange(0, self.width + step, step)
        y, x = np.meshgrid(rows, columns, indexing="ij")
        few = self.rays(np.stack([x, y], axis=-1).astype(float)).astype(np.float32)
        down, right = _between(self.height, len(rows), step), _between(self.width, len(columns), step)
        return np.stack([down @ few[..., axis] @ right.T for axis in range(3)], axis=-1)

    def looks_down_on(self, height: float, towards: float = 0.0) -> float:
        """Degrees by which the lens looks down on a height, at a distance behind or before the body's axis."""
        return float(np.degrees(np.arctan2(self.lens_height - height, self.distance - towards)))


def _between(length: int, knots: int, step: int) -> NDArray[np.float32]:
    """Weights (length, knots) that draw straight lines between knots."""
    place = np.arange(length) / step
    return np.maximum(0, 1 - np.abs(place[:, None] - np.arange(knots))).astype(np.float32)
