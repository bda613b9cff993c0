"""Strips of a picture across a curve: perceptual colours, ridges and edges, and the path of a line along the strip.

A strip is (M, N, 3): M places across the curve, N along it. A drawn line in it is a ridge: its colour differs from the cloth on both
sides of it in the same direction.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from fitdiag.photos.robust import OF_NORMAL

Array = NDArray[np.floating[Any]]
Pairs = Iterable[tuple[Array, Array]]  # differences of each place from one side of it, and from the other
BESIDE_PX = (4, 5, 6)  # from an edge to what is on either side of it
# largest step and penalty of lines across the cloth, and down it: see `strongest_path`
ACROSS, DOWN = (2, 0.35), (1, 1.2)


_ROOTS = np.sqrt(np.arange(256) * 255.0) * 0.4  # of each value of a byte: see `opponent`


def colours_at(pixels: NDArray[np.uint8], places: Array) -> Array:
    """Bilinear interpolation of colours at (..., 2) places; outside the picture its border is repeated."""
    height, width = pixels.shape[:2]
    x = np.clip(places[..., 0], 0, max(width - 1.001, 0))
    y = np.clip(places[..., 1], 0, max(height - 1.001, 0))
    left, top = x.astype(int), y.astype(int)
    right, bottom = np.minimum(left + 1, width - 1), np.minimum(top + 1, height - 1)
    u, v = (x - left)[..., None], (y - top)[..., None]
    flat, above, below = pixels.reshape(-1, pixels.shape[2]), top * width, bottom * width
    result: Array = (
        flat.take(above + left, axis=0) * ((1 - u) * (1 - v))
        + flat.take(above + right, axis=0) * (u * (1 - v))
        + flat.take(below + left, axis=0) * ((1 - u) * v)
        + flat.take(below + right, axis=0) * (u * v)
    )
    return result


def opponent(colours: NDArray[Any]) -> Array:
    """Convert RGB (..., 3) to opponent colours: lightness, red-green, yellow-blue; distances are roughly perceptual."""
    if colours.dtype == np.uint8:
        red, green, blue = (_ROOTS.take(colours[..., index]) for index in range(3))
    else:
        red, green, blue = (np.sqrt(colours[..., index] * 255.0) * 0.4 for index in range(3))
    return np.stack([(red + green + blue) / 1.7, (red - green) * 1.2, ((red + green) / 2 - blue) * 0.8], axis=-1)


def normals(course: Array) -> Array:
    """Return the unit normals (N, 2) of a course (N, 2)."""
    x, y = np.gradient(course, axis=0).T
    across: Array = np.stack([-y, x], axis=1) / (np.hypot(x, y)[:, None] + 1e-12)
    return across


def strip_across(
    pixels: NDArray[np.uint8], course: Array, normal: Array, offsets: Array, along: float, across: float
) -> Array:
    """Sample the strip (M, N, 3) at offsets (M) from a course (N, 2 px), with Gaussian smoothing of these sizes, in samples."""
    strip = opponent(colours_at(pixels, course + offsets[:, None, None] * normal))
    for axis, size in ((1, along), (0, across)):
        strip = ndimage.gaussian_filter1d(strip, size, axis=axis, mode="nearest", radius=int(3 * size) + 1)
    return strip


def beside(values: Array, reaches: Sequence[int]) -> Iterator[tuple[Array, Array]]:
    """Yield differences of values (M, N, ...) from those at each reach on either side; `max(reaches)` rows fewer at both ends."""
    margin, count = max(reaches), len(values)
    inner = values[margin : count - margin]
    for reach in reaches:
        one, other = (values[margin + way : count - margin + way] for way in (-reach, reach))
        yield inner - one, inner - other


def ridge_of(pairs: Pairs) -> Array:
    """Return the ridge strength (M, N), the largest over some line widths: how much places differ in the same direction from both
    sides, from differences in colour (M, N, 3) or in one colour component (M, N)."""
    ridge: Array | None = None
    for one, other in pairs:
        if one.ndim == 3:
            weaker = np.sqrt(np.minimum(*(np.einsum("ijk,ijk->ij", side, side) for side in (one, other))))
            weaker[np.einsum("ijk,ijk->ij", one, other) <= 0] = 0.0
        else:
            weaker = np.minimum(one, other)
        ridge = np.maximum(weaker, 0.0 if ridge is None else ridge, out=weaker)
    assert ridge is not None
    return ridge


def ink_of(pairs: Pairs, *course: Any) -> Array:
    """Return the unit colour difference of a course (its indices across and along) from both sides."""
    colour: Array = sum((np.median((one + other)[course], axis=0) for one, other in pairs), np.zeros(3))
    return colour / (float(np.linalg.norm(colour)) + 1e-9)


def noise_of(ridge: Array) -> float:
    """Return the noise level of ridge strengths, from the median absolute value."""
    return 0.15 + (OF_NORMAL * float(np.median(np.abs(ridge))) if ridge.size else 0.0)


def strongest_path(ridge: Array, most: int = ACROSS[0], penalty: float = ACROSS[1]) -> NDArray[np.int64]:
    """Return the path (N,) along ridge strengths (M, N) with the largest sum, by dynamic programming.

    It moves sideways at most `most` per sample, each step at a `penalty`, as a share of a strong ridge. Grainlines and seams run down
    the cloth nearly straight, and must not jump to a dart beside them.
    """
    scale = float(np.percentile(ridge.max(axis=0), 75)) + 1e-9
    score = np.minimum(ridge.T / scale, 1.5)
    count, width = score.shape
    cost = -penalty * np.abs(np.arange(-most, most + 1.0))
    sums = np.full((count, width + 2 * most), -np.inf)  # of the best path to each place
    inner = sums[:, most : most + width]
    around = np.lib.stride_tricks.sliding_window_view(sums, width, axis=1)  # [row, move, column]
    inner[0] = score[0]
    options, cost_of_move = np.empty((2 * most + 1, width)), cost[:, None]
    for before, here, own in zip(around[:-1], inner[1:], score[1:], strict=True):
        np.add(before, cost_of_move, options)
        np.maximum.reduce(options, 0, None, here)
        np.add(here, own, here)
    path = np.zeros(count, dtype=np.int64)
    path[-1] = column = int(inner[-1].argmax())
    for row in range(count - 2, -1, -1):
        column += int((sums[row, column : column + 2 * most + 1] + cost).argmax()) - most
        path[row] = column
    return path


def edge_along(slope: Array, course: Array, reach: int) -> tuple[NDArray[np.bool_], Array]:
    """Return where along a course (N places across) there is an edge within `reach` of it (N,), and the edge's centroid there;
    `slope` (M, N): colour gradient relative to its usual size."""
    place = np.clip(np.rint(course).astype(int) + np.arange(-reach, reach + 1)[:, None], 0, len(slope) - 1)
    weight = np.maximum(slope[place, np.arange(len(course))] - 1.0, 0.0) ** 2
    total = weight.sum(axis=0)
    seen = total > 0.5
    return seen, (weight * place).sum(axis=0)[seen] / total[seen]


def along_side(first: Array, last: Array, start: float, end: float) -> tuple[Array, Array]:
    """Return 60 points (60, 2) along a side between two shares of its length, and its outward normal (sides run clockwise)."""
    along = last - first
    out = np.array([along[1], -along[0]]) / (np.linalg.norm(along) + 1e-9)
    return first + np.linspace(start, end, 60)[:, None] * along, out


def step_across(pixels: NDArray[np.uint8], first: Array, last: Array) -> float:
    """Return the colour difference across an edge: nearly zero at a printed line, which has paper on both sides."""
    places, out = along_side(first, last, 0.1, 0.9)
    beyond, before = (
        np.median([opponent(colours_at(pixels, places + way * px * out)) for px in BESIDE_PX], axis=0)
        for way in (1, -1)
    )
    return float(np.median(np.linalg.norm(beyond - before, axis=1)))
