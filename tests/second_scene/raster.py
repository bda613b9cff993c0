"""Triangles to pixels with a depth buffer, row by row, without a loop over triangles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .camera import Array, Camera

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Mesh:
    """World points (n, 3), triangles (m, 3) that turn the same way all over, values at the points (n, k), a name for what it is."""

    points: Array
    triangles: Ints
    values: Array
    kind: str
    closed: bool = True


@dataclass(frozen=True)
class Hits:
    """What is nearest in each sample: sample numbers (row by row), the triangle's three points, their weights, depths."""

    samples: Ints
    corners: Ints
    weights: Array
    depth: Array


def grid_triangles(rows: int, columns: int) -> Ints:
    """Two triangles for each cell of a grid of points that lies row by row."""
    corner = (np.arange(rows - 1)[:, None] * columns + np.arange(columns - 1)).ravel()
    first = np.stack([corner, corner + 1, corner + columns], axis=1)
    second = np.stack([corner + 1, corner + columns + 1, corner + columns], axis=1)
    return np.concatenate([first, second])


def rasterise(xy: Array, depth: Array, triangles: Ints, width: int, height: int) -> Hits:
    """The nearest triangle at each sample (i, j) of a raster; samples sit at whole numbers of `xy`."""
    corners = xy[triangles]
    area = _cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    one, two, three = corners[:, 0, 1], corners[:, 1, 1], corners[:, 2, 1]
    low, high = np.ceil(np.minimum(np.minimum(one, two), three)), np.floor(np.maximum(np.maximum(one, two), three))
    low, high = np.clip(low, 0, height), np.clip(high, -1, height - 1)
    rows = np.where(np.abs(area) > 1e-9, np.maximum(high - low + 1, 0), 0).astype(np.int64)
    which, step = _spread(rows)
    y = low[which].astype(np.int64) + step
    spin = np.sign(area[which])
    left, right = np.full(len(which), 0.0), np.full(len(which), width - 1.0)
    edges = []
    for index in range(3):
        a, b = corners[which, (index + 1) % 3], corners[which, (index + 2) % 3]
        slope = -(b[:, 1] - a[:, 1]) * spin
        rest = ((b[:, 0] - a[:, 0]) * (y - a[:, 1]) + (b[:, 1] - a[:, 1]) * a[:, 0]) * spin
        edges.append((slope, rest))
        with np.errstate(divide="ignore", invalid="ignore"):
            cut = -rest / slope
        left = np.where(slope > 0, np.maximum(left, cut), left)
        right = np.where(slope < 0, np.minimum(right, cut), right)
        right = np.where((slope == 0) & (rest < 0), -1.0, right)
    start, stop = np.ceil(left - 1e-6).astype(np.int64), np.floor(right + 1e-6).astype(np.int64)
    span, step = _spread(np.maximum(stop - start + 1, 0))
    x = start[span] + step
    weights = [slope[span] * x + rest[span] for slope, rest in edges]
    whole = weights[0] + weights[1] + weights[2]
    weights = [weight / whole for weight in weights]
    hit = which[span]
    depths = sum(weight * depth[triangles[:, index]][hit] for index, weight in enumerate(weights))
    if not len(hit):
        return Hits(hit, triangles[:0], np.empty((0, 3)), np.empty(0))
    left_, top = int(x.min()), int(y[span].min())  # a window round the mesh keeps the buffers small
    wide, high = int(x.max()) - left_ + 1, int(y[span].max()) - top + 1
    samples = (y[span] - top) * wide + x - left_
    nearest = np.full(wide * high, np.inf)
    np.minimum.at(nearest, samples, depths)
    best = np.flatnonzero(depths == nearest[samples])
    owner = np.full(wide * high, -1)
    owner[samples[best]] = best
    inside = np.flatnonzero(owner >= 0)
    best = owner[inside]
    samples = (inside // wide + top) * width + inside % wide + left_
    return Hits(samples, triangles[hit[best]], np.stack([weight[best] for weight in weights], axis=1), depths[best])


def cast(camera: Camera, meshes: list[Mesh], fine: int) -> tuple[list[Hits], Array]:
    """For each mesh the samples in which it is the nearest, `fine` x `fine` samples a pixel; and the whole depth buffer."""
    width, height = camera.width * fine, camera.height * fine
    nearest = np.full(width * height, np.inf)
    found = []
    for mesh in meshes:
        xy, depth = camera.project(mesh.points)
        xy = (xy + 0.5) * fine - 0.5
        triangles = mesh.triangles
        if mesh.closed:
            corners = xy[triangles]
            facing = _cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) < 0
            triangles = triangles[facing]
        hits = rasterise(xy, depth, triangles, width, height)
        nearest[hits.samples] = np.minimum(nearest[hits.samples], hits.depth)
        found.append(hits)
    kept = []
    for hits in found:
        front = hits.depth <= nearest[hits.samples]
        kept.append(Hits(hits.samples[front], hits.corners[front], hits.weights[front], hits.depth[front]))
    return kept, nearest.reshape(height, width)


def values_at(mesh: Mesh, hits: Hits) -> Array:
    """The mesh's values (n, k) where it is seen."""
    return blend(mesh.values, hits)


def blend(values: Array, hits: Hits) -> Array:
    """Values (n, k) of a mesh's points where it is seen."""
    return sum(values[hits.corners[:, index]] * hits.weights[:, index, None] for index in range(3))


def _cross(a: Array, b: Array) -> Array:
    return a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]


def _spread(counts: Ints) -> tuple[Ints, Ints]:
    """For counts (2, 0, 3): whose each item is (0, 0, 2, 2, 2) and the how manieth (0, 1, 0, 1, 2)."""
    whose = np.repeat(np.arange(len(counts)), counts)
    begin = np.cumsum(counts) - counts
    return whose, np.arange(len(whose)) - begin[whose]
