"""Proposals: balance lines and grainlines found without a mark, to be looked at and confirmed by the fitter.

The cloth is the patch of one colour in the middle of the picture that is shaped like trousers. Its rows are stretched to one
width; on that sheet a balance line is a ridge from side to side. A line is proposed only where nothing else could be meant, and
where snapping to its three points finds it again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter

from fitdiag.photos.marks import Marks, Points
from fitdiag.photos.snap import HALF, _opponent, _smooth, _strongest_path, snap

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
COARSE, FINE = 600, 1200  # px: heights of the copies on which the cloth and the lines are looked for
TOLERANCES = (0.34, 0.24, 0.17, 0.12)  # how unlike the cloth's colour may be, widest first
LEAST_COVERED, LEAST_SNR = 0.75, 3.5
BESIDE = 10  # fine px: what lies so near to a line belongs to it
ACROSS = 200  # samples from side edge to side edge
SHARES = np.linspace(0.02, 0.98, ACROSS)


@dataclass(frozen=True, eq=False)
class Garment:
    """The trousers' outline in fine px: per row the side edges and the inner edges of the legs, per column the waist."""

    top: Array
    first: int
    last: int
    fork: int
    left: Array
    right: Array
    inner_left: Array
    inner_right: Array
    width: float


@dataclass(frozen=True, eq=False)
class Found:
    """A ridge: (N, 2) fine px, the share of it that stands out, and how far it does."""

    pixels: Array
    covered: float
    snr: float

    @property
    def height(self) -> float:
        """Its middle row."""
        return float(np.median(self.pixels[:, 1]))


def proposals(pixels: NDArray[np.uint8], marks: Marks) -> Marks:
    """The marks with every line and grain added that was found for certain and not yet marked; each is named in `proposed`."""
    garment = None if marks.seen_from_the_side else find_garment(pixels)
    if garment is None:
        return marks
    ridges = _Ridges(_shrunk(pixels, FINE), garment)
    swap = marks.view == "front"
    found: dict[str, Found] = {}
    trunk = ridges.trunk()
    if trunk:
        found["hip"], found["crotch"] = trunk
    for first in (True, False):
        name = "left" if first != swap else "right"
        knee, grain = ridges.knee(first), ridges.grain(first)
        if knee:
            found[f"knee-{name}"] = knee
        if grain:
            found[f"grain-{name}"] = grain
    seam = ridges.seam()
    scale = pixels.shape[0] / FINE
    lines, grains = dict(marks.lines), dict(marks.grains)
    added: list[str] = []
    for name, ridge in found.items():
        points = _points(pixels, ridge, seam if name in ("hip", "crotch") else None, scale)
        if name not in marks.lines and name not in marks.grains and points:
            (grains if name.startswith("grain") else lines)[name] = points
            added.append(name)
    return replace(marks, lines=lines, grains=grains, proposed=tuple(dict.fromkeys((*marks.proposed, *added))))


def _points(pixels: NDArray[np.uint8], ridge: Found, seam: Array | None, scale: float) -> Points | None:
    """Three points on the ridge in full px; None where snapping to them does not find it again."""
    whole = (ridge.pixels + 0.5) * scale - 0.5
    middle = len(whole) // 2
    if seam is not None:
        at = (np.interp(whole[middle, 1] / scale, np.arange(len(seam)), seam) + 0.5) * scale - 0.5
        middle = int(np.argmin(np.abs(whole[:, 0] - at)))
    track = snap(pixels, tuple((float(x), float(y)) for x, y in whole[[0, middle, -1]]))
    if not track.clear:
        return None
    axis = 0 if abs(whole[-1, 0] - whole[0, 0]) > abs(whole[-1, 1] - whole[0, 1]) else 1
    off = np.abs(np.interp(track.pixels[:, axis], whole[:, axis], whole[:, 1 - axis]) - track.pixels[:, 1 - axis])
    if np.median(off) > 1.5 * scale or np.percentile(off, 90) > 6 * scale:
        return None
    height, width = pixels.shape[:2]
    ends = track.pixels[[0, int(np.argmin(np.abs(track.pixels[:, axis] - whole[middle, axis]))), -1]]
    return tuple(
        (round(float(min(max(x, 0), width - 1)), 1), round(float(min(max(y, 0), height - 1)), 1)) for x, y in ends
    )


# --- the cloth ------------------------------------------------------------------------------------------------------------


def _shrunk(pixels: NDArray[np.uint8], height: int) -> Image.Image:
    picture = Image.fromarray(pixels)
    return picture.resize((max(1, round(picture.width * height / picture.height)), height), Image.Resampling.BOX)


def find_garment(pixels: NDArray[np.uint8]) -> Garment | None:
    """The outline of the trousers, or None where nothing in the middle of the picture is shaped like them."""
    small = _shrunk(pixels, COARSE).filter(ImageFilter.MedianFilter(5))  # drawn lines are thinner than this
    colours = _opponent(np.asarray(small, float))
    light = np.maximum(colours[..., 0], 8.0)
    place = np.stack([np.log(light), *(1.6 * colours[..., index] / light for index in (1, 2))], axis=2)
    height, width = light.shape
    middle = place[int(0.3 * height) : int(0.8 * height) : 6, int(0.38 * width) : int(0.62 * width) : 6].reshape(-1, 3)
    near = np.linalg.norm(middle[:, None] - middle[None], axis=2) < 0.12
    seed = np.median(middle[near[int(near.sum(axis=1).argmax())]], axis=0)
    unlike = np.linalg.norm(place - seed, axis=2)
    for tolerance in TOLERANCES:
        garment = _trousers(_patch(unlike < tolerance))
        if garment is not None:
            return garment
    return None


def _patch(mask: Mask) -> Mask:
    """The largest connected patch that crosses the middle of the picture."""
    rest = Image.fromarray(np.where(mask, 255, 0).astype(np.uint8))
    height, width = mask.shape
    best = np.zeros_like(mask)
    for y in range(int(0.3 * height), int(0.8 * height), 12):
        for x in range(int(0.38 * width), int(0.62 * width), 12):
            if rest.getpixel((x, y)) == 255:
                ImageDraw.floodfill(rest, (x, y), 100)
                filled = np.asarray(rest) == 100
                if filled.sum() > best.sum():
                    best = filled
                rest.paste(1, mask=Image.fromarray(filled))
    return best


def _trousers(mask: Mask) -> Garment | None:
    """The outline of a patch, if it is shaped like trousers seen from the front or the back."""
    rows = np.flatnonzero(mask.sum(axis=1) >= 20)
    height, width = mask.shape
    if len(rows) < 0.3 * height or mask[:, [0, 1, -2, -1]].any():
        return None
    first, last = int(rows[0]), int(rows[-1])
    left = np.array([mask[y].argmax() for y in range(first, last + 1)], float)
    right = np.array([width - 1 - mask[y, ::-1].argmax() for y in range(first, last + 1)], float)
    wide = float(np.percentile(right - left, 90))
    if not 1.7 < (last - first) / wide < 4.6 or mask[first : last + 1].sum() < 0.6 * wide * (last - first):
        return None
    trunk = slice(int(0.15 * wide), int(0.9 * wide))
    if any(np.abs(np.diff(edge[trunk], n=2)).max() > 6 or _rough(edge[trunk]) > 1.2 for edge in (left, right)):
        return None
    # the gap between the legs: per row the widest empty run near the middle
    inner_left, inner_right = np.full(len(left), np.nan), np.full(len(left), np.nan)
    for index, y in enumerate(range(first, last + 1)):
        span = right[index] - left[index]
        low, high = int(left[index] + 0.3 * span), int(right[index] - 0.3 * span)
        empty = np.flatnonzero(~mask[y, low : high + 1])
        if index > 0.8 * wide and len(empty):
            inner_left[index], inner_right[index] = low + empty[0] - 1, low + empty[-1] + 1
    gaps = np.flatnonzero(np.isfinite(inner_left))
    fork = int(gaps[0]) if len(gaps) > 0.3 * len(left) else int(1.15 * wide)
    middle = np.median((left + right)[trunk]) / 2 if len(gaps) < 3 else np.nan
    index = np.arange(len(left))
    if len(gaps) >= 3:
        inner_left, inner_right = (np.interp(index, gaps, edge[gaps]) for edge in (inner_left, inner_right))
    else:
        inner_left = inner_right = np.full(len(left), middle)
    top = np.where(mask.any(axis=0), mask.argmax(axis=0), first).astype(float)
    big = FINE / COARSE
    fine = np.arange(round(height * big))

    def grown(edge: Array) -> Array:
        return (np.interp((fine + 0.5) / big - 0.5, first + index, edge) + 0.5) * big - 0.5

    return Garment(np.repeat(top, round(big)) * big, round(first * big), round(last * big), round((first + fork) * big),
                   grown(left), grown(right), grown(inner_left), grown(inner_right), wide * big)  # fmt: skip


def _rough(edge: Array) -> float:
    """How far an edge strays from a smooth curve, px."""
    at = np.linspace(-1, 1, len(edge))
    return float(np.sqrt(np.mean((edge - np.polyval(np.polyfit(at, edge, 5), at)) ** 2)))


# --- the lines ------------------------------------------------------------------------------------------------------------


class _Ridges:
    """Ridges on the fine copy, level and upright."""

    def __init__(self, picture: Image.Image, garment: Garment) -> None:
        self.garment = garment
        self.colours = _smooth(_opponent(np.asarray(picture, float)), 0.6, 0.6)
        self.level, self.upright = _ridge(self.colours, 0), _ridge(self.colours, 1)

    def sheet(self, ridge: Array, rows: NDArray[np.int64], left: Array, right: Array) -> Array:
        """(rows, ACROSS): the ridge with its rows stretched from edge to edge."""
        x = left[rows, None] + (right - left)[rows, None] * SHARES[None]
        low = np.clip(x.astype(int), 0, ridge.shape[1] - 2)
        part = x - low
        found: Array = ridge[rows[:, None], low] * (1 - part) + ridge[rows[:, None], low + 1] * part
        return found

    def across(self, rows: NDArray[np.int64], left: Array, right: Array, most: int) -> list[Found]:
        """The strongest ridges from side to side among these rows, strongest first."""
        sheet = self.sheet(self.level, rows, left, right)
        under = np.interp(left[rows, None] + (right - left)[rows, None] * SHARES[None],
                          np.arange(len(self.garment.top)), self.garment.top)  # fmt: skip
        sheet = np.where(rows[:, None] < under + 8, 0.0, sheet)
        sheet = _smooth(sheet[..., None], 0.0, 1.5)[..., 0]
        noise = 1.4826 * float(np.median(sheet[sheet > 0])) + 0.15 if (sheet > 0).any() else 1.0
        found = []
        for _ in range(most):
            path = _strongest_path(sheet.T)
            on = sheet[path, np.arange(ACROSS)]
            y = rows[path].astype(float)
            x = left[rows[path]] + (right - left)[rows[path]] * SHARES
            found.append(
                Found(np.stack([x, y], axis=1), float((on > 2.5 * noise).mean()), float(np.median(on) / noise))
            )
            sheet = np.where(np.abs(np.arange(len(rows))[:, None] - path[None]) <= BESIDE, 0.0, sheet)
        return found

    def trunk(self) -> tuple[Found, Found] | None:
        """The hip and the crotch line: the only two ridges round the trunk, one hand's breadth apart."""
        g = self.garment
        rows = np.arange(g.first + 4, min(g.fork, g.first + round(1.1 * g.width)))
        ridges = self.across(rows, g.left, g.right, 4)
        self.said = [(round(r.height - g.first) / g.width, r.covered, r.snr) for r in ridges]
        return None

    def knee(self, first: bool) -> Found | None:
        g = self.garment
        left, right = (g.left, g.inner_left) if first else (g.inner_right, g.right)
        rows = np.arange(g.fork, min(g.last - 10, round(g.first + 2.6 * g.width)))
        ridges = self.across(rows, left, right, 2)
        self.said = [(round(r.height - g.first) / g.width, r.covered, r.snr) for r in ridges]
        return None

    def grain(self, first: bool) -> Found | None:
        return None

    def seam(self) -> Array | None:
        return None


def _ridge(colours: Array, axis: int) -> Array:
    """How far each place differs from what lies on both sides of it along an axis, in the same direction of colour."""
    best = np.zeros(colours.shape[:2])
    for reach in (2, 3, 4):
        one, two = colours - np.roll(colours, reach, axis), colours - np.roll(colours, -reach, axis)
        weaker = np.minimum(np.linalg.norm(one, axis=2), np.linalg.norm(two, axis=2))
        best = np.maximum(best, np.where((one * two).sum(axis=2) > 0, weaker, 0.0))
    return best
