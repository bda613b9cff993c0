"""A sheet of paper that hangs in the room, found without a mark.

In a level copy of the picture a sheet on a wall has plumb and level sides. All boxes with a sheet's sides are tried at once; the
likeliest have their edges followed in the picture itself. A frame that is printed on a sheet is none: it has paper on both sides.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from fitdiag.photos.camera import Camera
from fitdiag.photos.level import crossing, snap_straight
from fitdiag.photos.marks import A4, Points
from fitdiag.photos.strip import along_side, colours_at, opponent, step_across

Array = NDArray[np.float64]
Box = tuple[float, float, float, float]  # left, top, right, bottom, px
PAPERS = (A4, (215.9, 279.4))  # mm: ISO 216 and ANSI/ASME Y14.1
SIZES = (*PAPERS, *((high, wide) for wide, high in PAPERS))
LEVEL_ROWS = 300  # of the level copy
WIDEST_SEEN = 1.2  # of the distance: what is seen farther out to a side is left out
HEIGHTS = np.geomspace(0.03, 0.42, 50)  # of the copy's height: how tall sheets are looked for
TURNED = (1.0, 0.93)  # by so much a sheet on a wall that is turned looks narrower
FULL_STEP = 93  # percentile of all steps in lightness from which on one is a full edge
BEST_OF_SIZE, MOST_BOXES, LEAST_EDGE = 8, 24, 0.25
NEAR = 1.3  # cells of the copy within which an edge is followed
CELLS_OFF = 5.0  # so far at most the edges that were followed lie from the box
MOST_UNLIKE, MOST_ASKEW = 0.1, 0.12  # of a sheet's shape, and of right angles (cosine)
USUAL_UNLIKE, USUAL_ASKEW, USUAL_TINT = 0.04, 0.05, 9.0
LEAST_STEP = 2.5  # by which the colours on both sides of an edge differ; on both sides of a printed line is paper
LEAST_SURE, RIVAL, SAME_SHEET = 0.55, 0.75, 12.0  # px between the middles
BEYOND, GOES_ON = (-0.35, -0.1), 0.5  # of a side's length beyond its end; of its step
LEAST_MARK = 0.06  # of the looked-at part of a corner


@dataclass(frozen=True, eq=False)
class FoundSheet:
    """A sheet of paper: its corners, size (mm), how surely it is one (0 to 1), and whether another patch could be it as well."""

    corners: Points
    size: tuple[float, float]
    sure: float
    rival: bool = False


def find_sheet(pixels: NDArray[np.uint8], camera: Camera, body: Box | None) -> FoundSheet | None:
    """The sheet beside the body; None where nothing is surely one."""
    left, top, right, bottom = body or (0.0, 0.0, 0.0, 0.0)
    found: list[FoundSheet] = []
    for corners, edge in _boxes(pixels, camera):
        x, y = corners.mean(axis=0)
        if not (left < x < right and top < y < bottom) and (sheet := _as_sheet(pixels, camera, corners, edge)):
            found.append(sheet)
    best = max(found, key=lambda sheet: sheet.sure, default=None)
    if best is None or best.sure < LEAST_SURE:
        return None
    rivals = [one for one in found if one.sure > RIVAL * best.sure and math.dist(*_middles(one, best)) > SAME_SHEET]
    return replace(best, rival=bool(rivals))


def _middles(*sheets: FoundSheet) -> Array:
    middles: Array = np.mean([sheet.corners for sheet in sheets], axis=1)
    return middles


def _boxes(pixels: NDArray[np.uint8], camera: Camera) -> Iterator[tuple[Array, float]]:
    """Boxes that may be a sheet, the likeliest first: corners (4, 2), px, clockwise from the top left, and how full the faintest of
    their edges is (0 to 1). The mean step along a side of any length is the difference of two running sums."""
    height, width = pixels.shape[:2]
    border = [(x, y) for x in (0.0, width / 2, width - 1.0) for y in (0.0, height / 2, height - 1.0)]
    rays = np.clip(camera.rays(np.array(border)), -WIDEST_SEEN, WIDEST_SEEN)
    (left, low), (right, high), cell = rays.min(axis=0), rays.max(axis=0), height / LEVEL_ROWS / camera.focal
    level = np.stack(np.meshgrid(np.arange(left, right, cell), np.arange(high, low, -cell)), axis=-1)
    places = camera.pixels(level.reshape(-1, 2)).reshape(level.shape)
    share = max(1, height // (2 * LEVEL_ROWS))
    light = opponent(colours_at(np.asarray(Image.fromarray(pixels).reduce(share)), (places + 0.5) / share - 0.5))[
        ..., 0
    ]
    shown = ((places >= 0) & (places <= (width - 1, height - 1))).all(axis=-1)
    down, across = (np.where(shown, ndimage.correlate1d(light, [-1.0, 0.0, 1.0], axis=axis), 0.0) for axis in (0, 1))
    full = float(np.percentile(np.abs([down[shown], across[shown]]), FULL_STEP)) + 1e-9
    top, bottom = (_running(sign * down / full, 0) for sign in (1, -1))
    first, last = (_running(sign * across / full, 1) for sign in (1, -1))
    found: list[tuple[float, tuple[int, int, int, int]]] = []
    for tall in HEIGHTS * LEVEL_ROWS:
        for wide, rows in {
            (round(tall * size[0] / size[1] * turned), round(tall)) for size in SIZES for turned in TURNED
        }:
            if rows >= light.shape[0] or wide >= light.shape[1]:
                continue
            faintest = np.minimum(
                np.minimum(first[rows:, :-wide] - first[:-rows, :-wide], last[rows:, wide:] - last[:-rows, wide:])
                / rows,
                np.minimum(top[:-rows, wide:] - top[:-rows, :-wide], bottom[rows:, wide:] - bottom[rows:, :-wide])
                / wide,
            )
            strong = np.flatnonzero(faintest > LEAST_EDGE)
            for index in strong[np.argsort(-faintest.ravel()[strong])[:BEST_OF_SIZE]]:
                y, x = divmod(int(index), faintest.shape[1])
                found.append((float(faintest[y, x]), (x, y, x + wide, y + rows)))
    kept: list[tuple[int, int, int, int]] = []
    for edge, box in sorted(found, reverse=True):
        if len(kept) == MOST_BOXES:
            return
        if all(max(abs(a - b) for a, b in zip(box, other, strict=True)) > 1 for other in kept):
            kept.append(box)
            corners = np.array([(box[i], box[j]) for i, j in ((0, 1), (2, 1), (2, 3), (0, 3))])
            yield camera.pixels((left, high) + corners * (cell, -cell)), edge


def _running(steps: Array, axis: int) -> Array:
    """Running sums along a side of the full edges across it, each as it is at most within a cell."""
    sums: Array = np.cumsum(
        ndimage.maximum_filter1d(np.clip(steps, -1, 1).astype(np.float32), 3, axis=axis), axis=1 - axis
    )
    return sums


def _as_sheet(pixels: NDArray[np.uint8], camera: Camera, rough: Array, edge: float) -> FoundSheet | None:
    """A box as a sheet, its edges followed in the full picture; None where it cannot be one."""
    cell, corners = pixels.shape[0] / LEVEL_ROWS, rough
    for reach in (max(5, round(NEAR * cell)), 6):
        edges = [snap_straight(pixels, _point(corners[i]), _point(corners[(i + 1) % 4]), reach) for i in range(4)]
        corners = np.array([crossing(edges[i - 1], edges[i]) for i in range(4)])
        if not np.isfinite(corners).all() or np.abs(corners - rough).max() > CELLS_OFF * cell:
            return None
        rays = camera.rays(corners)
        sides = np.roll(rays, -1, axis=0) - rays
        long = np.linalg.norm(sides, axis=1) + 1e-9
        wide, tall = (long[:2] + long[2:]) / 2
        unlike, size = min((abs(math.log(tall / wide * size[0] / size[1])), size) for size in SIZES)
        askew = float(np.abs((sides * np.roll(sides, 1, axis=0)).sum(axis=1) / long / np.roll(long, 1)).max())
        if unlike > MOST_UNLIKE or askew > MOST_ASKEW:
            return None
    if any(step_across(pixels, corners[i], corners[(i + 1) % 4]) < LEAST_STEP for i in range(4)):
        return None
    if any(_goes_on(pixels, corners[i], corners[(i + 1) % 4], 0.8 * cell) for i in range(4)):
        return None
    tint = float(np.hypot(*np.median(_inside(pixels, corners)[:, 1:], axis=0)))
    off = (unlike / USUAL_UNLIKE) ** 2 + (askew / USUAL_ASKEW) ** 2 + (tint / USUAL_TINT) ** 2
    return FoundSheet(tuple(_point(corner) for corner in corners), size, edge * math.exp(-off))


def _inside(pixels: NDArray[np.uint8], corners: Array) -> Array:
    """Colours (N, 3) all over a sheet."""
    across, down = (part.ravel()[:, None] for part in np.meshgrid(*[np.linspace(0.08, 0.92, 24)] * 2))
    upper, lower = ((1 - across) * corners[a] + across * corners[b] for a, b in ((0, 1), (3, 2)))
    return opponent(colours_at(pixels, (1 - down) * upper + down * lower))


def _goes_on(pixels: NDArray[np.uint8], first: Array, last: Array, beside: float) -> bool:
    """Whether a side's step in colour goes on in its line beyond a corner, as the edge of a door frame does, or of what stands before a
    sheet."""
    outer, step = [], []
    for start, end in ((0.1, 0.9), BEYOND, (1 - BEYOND[1], 1 - BEYOND[0])):
        places, out = along_side(first, last, start, end)
        outer.append(opponent(colours_at(pixels, places + beside * out)))
        step.append(outer[-1] - opponent(colours_at(pixels, places - beside * out)))
    own = np.median(step[0], axis=0)
    size = float(own @ own) + 1e-9
    return any(
        abs(float(np.median(step[i] @ own)) / size - 1) < GOES_ON
        and np.linalg.norm(np.median(outer[i], axis=0) - np.median(outer[0], axis=0)) < GOES_ON * math.sqrt(size)
        for i in (1, 2)
    )


def marked_corner(pixels: NDArray[np.uint8], corners: Points) -> str:
    """Which upper corner of a sheet bears a dark mark: left, right, or nothing."""
    (ax, ay), (bx, by), _, (dx, dy) = corners
    across, down = np.array([bx - ax, by - ay]), np.array([dx - ax, dy - ay])
    shares = np.stack(np.meshgrid(np.linspace(0.05, 0.3, 24), np.linspace(0.04, 0.22, 24)), axis=-1)
    dark = []
    for mirror in (False, True):
        along = 1 - shares[..., :1] if mirror else shares[..., :1]
        light = opponent(colours_at(pixels, np.array([ax, ay]) + along * across + shares[..., 1:] * down))[..., 0]
        dark.append(float((light < 0.7 * np.percentile(light, 90)).mean()))
    for name, own, other in (("left", dark[0], dark[1]), ("right", dark[1], dark[0])):
        if own > LEAST_MARK and own > 3 * other:
            return name
    return ""


def _point(place: Array) -> tuple[float, float]:
    return float(place[0]), float(place[1])
