"""Strips of a picture along a curve: colours between pixels, colours as the eye tells them apart, Gaussian means."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Array = NDArray[np.float64]
BESIDE_PX = (4, 5, 6)  # from an edge: there lies what is on either side of it


def colours_at(pixels: NDArray[np.uint8], places: Array) -> Array:
    """Colours at (..., 2) places, between pixels mixed from the four round them; beyond the border the border's."""
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


def opponent(colours: Array) -> Array:
    """Red, green, blue as lightness, red against green, yellow against blue: distances roughly as the eye sees them."""
    red, green, blue = (np.sqrt(colours[..., index] * 255.0) * 0.4 for index in range(3))
    return np.stack([(red + green + blue) / 1.7, (red - green) * 1.2, ((red + green) / 2 - blue) * 0.8], axis=-1)


def smooth(strip: Array, along: float, across: float) -> Array:
    """Gaussian means over the first two axes of (N, M, 3); sizes in samples."""
    for axis, size in ((0, along), (1, across)):
        if size > 0:
            strip = ndimage.gaussian_filter1d(strip, size, axis=axis, mode="nearest", radius=int(3 * size) + 1)
    return strip


def along_side(first: Array, last: Array, start: float, end: float) -> tuple[Array, Array]:
    """60 places (N, 2) along a side between two shares of its length, and the direction out of what it goes round clockwise."""
    along = last - first
    out = np.array([along[1], -along[0]]) / (np.linalg.norm(along) + 1e-9)
    return first + np.linspace(start, end, 60)[:, None] * along, out


def step_across(pixels: NDArray[np.uint8], first: Array, last: Array) -> float:
    """How far the colours close to both sides of an edge differ: next to nothing where a line is printed with paper on both sides."""
    places, out = along_side(first, last, 0.1, 0.9)
    beyond, before = (
        np.median([opponent(colours_at(pixels, places + way * px * out)) for px in BESIDE_PX], axis=0)
        for way in (1, -1)
    )
    return float(np.median(np.linalg.norm(beyond - before, axis=1)))
