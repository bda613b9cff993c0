"""From a few rough points to the drawn line itself, to a fraction of a pixel.

A strip is cut out along a smooth curve through the points. Across it a drawn line is a ridge: its colour differs from the cloth
on both sides of it in the same direction. Dynamic programming finds the course with the strongest ridge that does not jump.
Straight edges (door frame, sheet of paper) are found by letting all straight lines near the two points vote.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.marks import Point, Points

Array = NDArray[np.float64]
HALF = 28  # px to each side of the curve through the points; a V or a dip bends the line away from it by so much
_STEP, _PENALTY, _PASSES = 2, 0.35, 3
_REACHES = (3, 5, 8)  # px from the middle of a drawn line to the cloth beside it
LEAST_COVERED, LEAST_SNR = 0.8, 3.0


@dataclass(frozen=True, eq=False)
class Track:
    """A line found in a picture: (N, 2) pixels from the first point to the last, and how well it was seen.

    `covered`: share of the course that stands out of the noise; `snr`: how far it does.
    """

    pixels: Array
    covered: float
    snr: float

    @property
    def clear(self) -> bool:
        """Whether the line was seen well enough to be measured."""
        return self.covered >= LEAST_COVERED and self.snr >= LEAST_SNR


def snap(pixels: NDArray[np.uint8], points: Points, *, edge: bool = False, half: int = HALF) -> Track:
    """The drawn line near three or more points of a picture (H, W, 3); with `edge` the border of the cloth instead."""
    curve, normal = _curve(np.asarray(points, float))
    margin = max(_REACHES)
    offsets = np.arange(-half - margin, half + margin + 1, dtype=float)
    strip = _smooth(_opponent(_sample(pixels, curve[:, None] + offsets[None, :, None] * normal[:, None])), 2.5, 1.0)
    beside = _steps(strip, half) if edge else _ridges(strip, half)
    ridge = np.zeros((len(strip), 2 * half + 1))
    for left, right in beside:
        alike = (left * right).sum(axis=2)
        weaker = np.minimum(np.linalg.norm(left, axis=2), np.linalg.norm(right, axis=2))
        ridge = np.maximum(ridge, np.where(alike > 0, weaker, 0.0))
    rows = np.arange(len(curve))
    for _ in range(_PASSES):
        path = _strongest_path(ridge)
        colour = np.zeros(3)
        for left, right in beside:
            colour = colour + np.median((left + right)[rows, path], axis=0)
        colour = colour / (float(np.linalg.norm(colour)) + 1e-9)
        ridge = np.zeros_like(ridge)
        for left, right in beside:
            ridge = np.maximum(ridge, np.minimum(left @ colour, right @ colour))
    path = _strongest_path(ridge)
    window = np.clip(path[:, None] + np.arange(-4, 5)[None], 0, ridge.shape[1] - 1)
    weight = ridge[rows[:, None], window]
    weight = np.maximum(weight - 0.3 * weight.max(axis=1, keepdims=True), 0.0)
    total = weight.sum(axis=1)
    exact = np.where(total > 0, (weight * window).sum(axis=1) / np.maximum(total, 1e-9), path) - half
    on = ridge[rows, path]
    far = np.abs(np.arange(ridge.shape[1])[None] - path[:, None]) > margin
    noise = 1.4826 * float(np.median(np.abs(ridge[far]))) + 0.15
    return Track(
        curve + exact[:, None] * normal,
        float((on > 2.5 * noise).mean()),
        float(np.median(on) / noise),
    )


def _ridges(strip: Array, half: int) -> list[tuple[Array, Array]]:
    """How the middle differs from the cloth on either side of it, for some widths of line."""
    margin, wide = max(_REACHES), 2 * half + 1
    middle = strip[:, margin:-margin]
    return [
        (
            middle - strip[:, margin - reach : margin - reach + wide],
            middle - strip[:, margin + reach : margin + reach + wide],
        )
        for reach in _REACHES
    ]


def _steps(strip: Array, half: int) -> list[tuple[Array, Array]]:
    """How one side differs from the other; given twice, since a step has only one difference."""
    margin, wide = max(_REACHES), 2 * half + 1
    found = []
    for reach in (2, 4):
        step = strip[:, margin + reach : margin + reach + wide] - strip[:, margin - reach : margin - reach + wide]
        found.append((step, step))
    return found


def snap_straight(pixels: NDArray[np.uint8], first: Point, last: Point, reach: int = 14) -> tuple[Point, Point, float]:
    """The straight edge or thin line near two points: its two ends (on the normals of the given ones) and one end's error in px.

    Where nothing stands out the given points come back, with a hand's error.
    """
    ends = np.array([first, last], float)
    along = ends[1] - ends[0]
    length = float(np.hypot(*along))
    unbound = (first, last, 4.0)
    if length < 40:
        return unbound
    normal = np.array([-along[1], along[0]]) / length
    count = int(min(max(length / 2, 30), 600))
    share = (np.arange(count) + 0.5) / count
    offsets = np.arange(-reach - 4, reach + 5, dtype=float)
    centre = ends[0] + share[:, None] * along
    strip = _smooth(_opponent(_sample(pixels, centre[:, None] + offsets[None, :, None] * normal)), 1.0, 1.0)
    slope = np.linalg.norm(strip[:, 4:] - strip[:, :-4], axis=2)[:, 2:-2]  # (count, 2 reach + 1)
    slope = np.minimum(slope, np.percentile(slope, 97))
    slope = slope / (np.median(slope) + 0.5)
    tries = np.arange(-reach, reach + 0.1, 1.0)
    votes = np.zeros((len(tries), len(tries)))
    rows = np.arange(count)
    for i, start in enumerate(tries):
        place = start + (tries[:, None] - start) * share[None] + reach
        low = np.clip(place.astype(int), 0, slope.shape[1] - 2)
        part = place - low
        votes[i] = (slope[rows, low] * (1 - part) + slope[rows, low + 1] * part).mean(axis=1)
    i, j = divmod(int(votes.argmax()), len(tries))
    if votes[i, j] < 1.8 * np.median(votes) + 0.2:
        return unbound
    line = tries[i] + (tries[j] - tries[i]) * share
    spread = 3.0
    for wide in (4, 3, 3):
        window = np.arange(-wide, wide + 1)
        place = np.clip(np.rint(line + reach)[:, None].astype(int) + window[None], 0, slope.shape[1] - 1)
        weight = np.maximum(slope[rows[:, None], place] - 1.0, 0.0) ** 2
        total = weight.sum(axis=1)
        seen = total > 0.5
        if seen.sum() < max(20, count // 5):
            return unbound
        found = (weight * place).sum(axis=1)[seen] / total[seen] - reach
        slant = np.stack([1 - share[seen], share[seen]], axis=1)
        kept = np.ones(len(found), bool)
        for _ in range(4):
            fit = np.linalg.lstsq(slant[kept], found[kept], rcond=None)[0]
            rest = found - slant @ fit
            spread = 1.4826 * float(np.median(np.abs(rest[kept]))) + 0.05
            kept = np.abs(rest) < 3 * spread
        line = fit[0] + (fit[1] - fit[0]) * share
    error = 2.0 * spread / np.sqrt(kept.sum() / 4.0)  # neighbours share their noise, so only every fourth counts
    start, end = ends[0] + fit[0] * normal, ends[1] + fit[1] * normal
    return (float(start[0]), float(start[1])), (float(end[0]), float(end[1])), float(max(error, 0.1))


def snap_side_edge(pixels: NDArray[np.uint8], track: Track, *, last: bool) -> tuple[Point, float]:
    """Where the cloth ends on one end of a line, and its error in px: the outline there is nearly straight for a hand's breadth."""
    end = track.pixels[-1 if last else 0]
    best: tuple[Point, float] | None = None
    for reach in (60, 36):
        top, bottom, error = snap_straight(pixels, (end[0], end[1] - reach), (end[0], end[1] + reach), 16)
        if error < 3.0:
            x = (top[0] + bottom[0]) / 2
            found = (float(x), float(np.interp(x, track.pixels[:, 0], track.pixels[:, 1])))
            if best is None:
                best = found, max(error, 1.0)
            elif abs(found[0] - best[0][0]) > 4:
                return best[0], 4.0  # a long and a short look do not agree
    return best if best is not None else ((float(end[0]), float(end[1])), 5.0)


def _curve(points: Array) -> tuple[Array, Array]:
    """A smooth curve through the points, a sample a pixel, and its unit normals."""
    points = _apart(points)
    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    count = max(8, int(chord[-1]) + 1)
    at = np.linspace(0.0, chord[-1], count)
    degree = min(len(points) - 1, 3)
    if len(points) <= 4:
        curve = np.stack([np.polyval(np.polyfit(chord, points[:, axis], degree), at) for axis in (0, 1)], axis=1)
    else:
        curve = np.stack([np.interp(at, chord, points[:, axis]) for axis in (0, 1)], axis=1)
    tangent = np.gradient(curve, axis=0)
    tangent = tangent / (np.hypot(tangent[:, 0], tangent[:, 1])[:, None] + 1e-12)
    normal: Array = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    return np.asarray(curve, float), normal


def _apart(points: Array) -> Array:
    """Without points that lie on the one before: no curve goes through one place twice. At least two are left."""
    kept = [points[0]]
    for point in points[1:]:
        if math.dist(point, kept[-1]) >= 1.0:
            kept.append(point)
    return np.array(kept if len(kept) > 1 else [points[0], points[0] + (1.0, 0.0)])


def _sample(pixels: NDArray[np.uint8], places: Array) -> Array:
    """Colours at (..., 2) places, between pixels mixed from the four round them; beyond the border the border's."""
    height, width = pixels.shape[:2]
    x = np.clip(places[..., 0], 0, max(width - 1.001, 0))
    y = np.clip(places[..., 1], 0, max(height - 1.001, 0))
    left, top = x.astype(int), y.astype(int)
    right, bottom = np.minimum(left + 1, width - 1), np.minimum(top + 1, height - 1)
    u, v = (x - left)[..., None], (y - top)[..., None]
    result: Array = (
        pixels[top, left] * ((1 - u) * (1 - v))
        + pixels[top, right] * (u * (1 - v))
        + pixels[bottom, left] * ((1 - u) * v)
        + pixels[bottom, right] * (u * v)
    )
    return result


def _opponent(colours: Array) -> Array:
    """Red, green, blue as lightness, red against green, yellow against blue: distances roughly as the eye sees them."""
    red, green, blue = (np.sqrt(colours[..., index] * 255.0) * 0.4 for index in range(3))
    return np.stack([(red + green + blue) / 1.7, (red - green) * 1.2, ((red + green) / 2 - blue) * 0.8], axis=-1)


def _smooth(strip: Array, along: float, across: float) -> Array:
    """Gaussian means over the first two axes of (N, M, 3); sizes in samples."""
    for axis, size in ((0, along), (1, across)):
        if size <= 0:
            continue
        reach = int(3 * size) + 1
        kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / size) ** 2)
        kernel /= kernel.sum()
        widened = np.pad(strip, [(reach, reach) if other == axis else (0, 0) for other in range(3)], mode="edge")
        length = strip.shape[axis]
        strip = sum(
            (part * np.take(widened, range(shift, shift + length), axis=axis) for shift, part in enumerate(kernel)),
            start=np.zeros_like(strip),
        )
    return strip


def _strongest_path(ridge: Array) -> NDArray[np.int64]:
    """The course from the first row to the last with the largest sum, moving at most `_STEP` columns a row."""
    scale = float(np.percentile(ridge.max(axis=1), 75)) + 1e-9
    score = np.minimum(ridge / scale, 1.5)
    best = score[0].copy()
    came = np.zeros(score.shape, dtype=np.int8)
    moves = range(-_STEP, _STEP + 1)
    width = score.shape[1]
    for row in range(1, len(score)):
        widened = np.pad(best, _STEP, constant_values=-np.inf)
        options = np.stack([widened[_STEP + move : _STEP + move + width] - _PENALTY * abs(move) for move in moves])
        choice = options.argmax(axis=0)
        came[row] = choice - _STEP
        best = score[row] + options[choice, np.arange(width)]
    path = np.zeros(len(score), dtype=np.int64)
    path[-1] = int(best.argmax())
    for row in range(len(score) - 1, 0, -1):
        path[row - 1] = path[row] + came[row, path[row]]
    return path
