"""What stands in the room, found without a mark: lines that hang plumb, and a sheet of paper.

Long straight edges that lean little are looked for by letting all nearly upright lines vote. Those that can all be plumb for one
way of holding the camera are kept; what lies on the person is left out. The sheet is a plain bright patch with four straight
edges and the sides of a sheet.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from fitdiag.photos.camera import Camera, unbent
from fitdiag.photos.level import BEND_USUAL, CLICK_ERROR, Pair, Pose, crossing, follow, posed, snap_straight
from fitdiag.photos.marks import A4, Points
from fitdiag.photos.strip import colours_at, opponent

Array = NDArray[np.float64]
COARSE = 600  # px: height of the copy on which upright lines vote
MOST_LEAN = 0.24  # px sideways per px down
SHORTEST = 0.16  # of the picture's height
WALL = 0.7  # of the picture's height from the top: lower down boards of the floor run like upright lines
MOST_ROLL, MOST_PITCH = math.radians(12.0), math.radians(32.0)
USUAL_ROLL, USUAL_PITCH = math.radians(5.0), math.radians(20.0)
AGREES = math.radians(0.25)
BENDS = (0.0, -0.01, 0.01, -0.02, 0.02, -0.03, 0.03, -0.04, 0.04)
OFF_PLUMB = math.radians(0.12)  # with the bending known
MOST_KEPT, MOST_LOOKED_AT = 6, 16
STANDS = 0.45  # of the picture's height from the top: what begins lower down is no plumb line
ONE_SIDED = 0.4  # what lines count that all stand in one place
LEAST_MARK = 0.06  # of the looked-at part of a corner
ARMS = 0.45  # of the hip's width to each side: there arms hang, whose edges are no plumb lines
UNLIKE = (1.2, 2.0, 3.2, 5.0, 8.0, 12.0)  # how far a sheet may differ from its own colour; the largest part is kept
LEAST_SURE, SAME_SHEET = 0.6, 12.0  # px between the middles
BEYOND, GOES_ON = (-0.35, -0.1), 0.5  # of a side's length beyond its end; of its step
Box = tuple[float, float, float, float]  # left, top, right, bottom, px
PAPERS = (A4, (215.9, 279.4))  # mm: ISO 216 and ANSI/ASME Y14.1


@dataclass(frozen=True, eq=False)
class _Segment:
    """A straight edge: its ends in px of the picture, and how strongly it stands out."""

    top: tuple[float, float]
    bottom: tuple[float, float]
    strength: float

    @property
    def length(self) -> float:
        return math.dist(self.top, self.bottom)

    def beside(self, other: _Segment) -> float:
        """How far another lies beside it at most, px."""
        (x, y), (last, low) = self.top, self.bottom
        return max(abs(x + (last - x) / (low - y) * (down - y) - at) for at, down in (other.top, other.bottom))


def find_uprights(
    pixels: NDArray[np.uint8], focal: float, focal_error: float, body: tuple[float, float] | None
) -> tuple[tuple[Pair, ...], Pose | None]:
    """Plumb lines beside the body (px, its left and right), and the pose they give; no pose where fewer than two agree."""
    height, width = pixels.shape[:2]
    left, right = body or (0.36 * width, 0.64 * width)
    margin = ARMS * (right - left) if body else 0.015 * width
    found = [
        one for one in _segments(pixels)
        if not left - margin < (one.top[0] + one.bottom[0]) / 2 < right + margin and one.top[1] < STANDS * height
    ]  # fmt: skip
    chosen = _agreeing(_distinct(pixels, found), focal, ((width - 1) / 2, (height - 1) / 2))
    for _ in range(5):
        pose = posed(follow(pixels, chosen), focal, focal_error)
        if not pose.levelled:
            return (), None
        off = np.array([_off_plumb(pair, pose.camera) for pair in pose.uprights])
        if len(chosen) == 2 or off.max() < OFF_PLUMB:
            break
        chosen = [one for one, wrong in zip(chosen, off, strict=True) if wrong < max(OFF_PLUMB, 0.999 * off.max())]
    return tuple(chosen), pose


def _distinct(pixels: NDArray[np.uint8], found: Sequence[_Segment]) -> list[_Segment]:
    """Each edge once, as it is followed in the full picture, the longest and strongest first."""
    kept: list[_Segment] = []
    reach = max(6, round(3 * pixels.shape[0] / COARSE))
    for one in found:
        if any(other.beside(one) < reach for other in kept):
            continue
        top, bottom, error = snap_straight(pixels, one.top, one.bottom, reach)
        if error < CLICK_ERROR:
            kept.append(replace(one, top=top, bottom=bottom))
        if len(kept) == MOST_LOOKED_AT:
            break
    return kept


def _coarse(pixels: NDArray[np.uint8]) -> tuple[Array, float]:
    """The colours of a small copy, and how many times as large the picture is."""
    scale = pixels.shape[0] / COARSE
    copy = Image.fromarray(pixels).resize((round(pixels.shape[1] / scale), COARSE), Image.Resampling.BOX)
    return opponent(np.asarray(copy, float)), scale


def _off_plumb(pair: Pair, camera: Camera) -> float:
    """Angle between a line of the picture and plumb, radians."""
    flat = camera.straight(np.array(pair))
    normal = np.cross([*flat[0], camera.focal], [*flat[1], camera.focal])
    return float(abs(normal @ np.array(camera.up)) / np.linalg.norm(normal))


def _segments(pixels: NDArray[np.uint8]) -> list[_Segment]:
    """Long straight edges that stand nearly upright, the strongest first."""
    colours, scale = _coarse(pixels)
    padded = np.pad(colours, [(0, 0), (2, 2), (0, 0)], mode="edge")
    left, slope, right = (
        np.linalg.norm(one - other, axis=2)
        for one, other in ((colours, padded[:, :-4]), (padded[:, 3:-1], padded[:, 1:-3]), (colours, padded[:, 4:]))
    )
    edge = np.maximum(slope, np.minimum(left, right))  # a string is darker or lighter than both sides
    noise = np.maximum(np.median(edge, axis=1, keepdims=True), 0.4)
    edge = np.minimum(edge / noise, 6.0)
    peak = (edge >= np.roll(edge, 1, axis=1)) & (edge >= np.roll(edge, -1, axis=1))
    edge = np.where(peak, np.maximum(edge - 1.5, 0.0), 0.0)
    wide = np.maximum(edge, 0.6 * np.maximum(np.roll(edge, 1, axis=1), np.roll(edge, -1, axis=1)))
    rows: Array = np.arange(COARSE, dtype=np.float64) - COARSE / 2
    width = wide.shape[1]
    leans = np.linspace(-MOST_LEAN, MOST_LEAN, 97)
    padded = np.pad(wide, [(0, 0), (COARSE // 2, COARSE // 2)])
    columns = np.arange(width) + COARSE // 2
    votes = np.zeros((len(leans), width))
    walls = np.arange(round(WALL * COARSE))
    for index, lean in enumerate(leans):
        moved = np.rint(lean * rows[walls]).astype(int)
        votes[index] = padded[walls[:, None], columns[None] + moved[:, None]].sum(axis=0)
    found = []
    for _ in range(30):
        index, column = divmod(int(votes.argmax()), width)
        if votes[index, column] < 1.2 * SHORTEST * COARSE:
            break
        found += _runs(padded, rows, float(leans[index]), column, scale)
        apart = np.arange(width)[None] - column + (leans[:, None] - leans[index]) * rows[walls[[0, -1]], None, None]
        votes[(np.abs(apart) < 5).all(axis=0)] = (
            0.0  # what passes so near at the top and at the bottom is the same line
        )
    return sorted(found, key=lambda one: -one.length * one.strength)


def _runs(padded: Array, rows: Array, lean: float, column: int, scale: float) -> list[_Segment]:
    """The stretches of a line over which an edge is seen."""
    place = np.rint(column + lean * rows).astype(int) + COARSE // 2
    around = np.stack([padded[np.arange(COARSE), place + step] for step in (-1, 0, 1)]).max(axis=0)
    on = np.convolve(around > 0.5, np.ones(9) / 9, mode="same") > 0.55
    gap = round(0.03 * COARSE)
    runs, _ = ndimage.label(ndimage.binary_closing(np.pad(on, gap), np.ones(gap + 1))[gap:-gap])
    found = []
    for (run,) in ndimage.find_objects(runs):
        if run.stop - 1 - run.start > SHORTEST * COARSE:
            top, bottom = (((column + lean * (at - COARSE / 2) + 0.5) * scale - 0.5, (at + 0.5) * scale - 0.5)
                           for at in (run.start, run.stop - 1))  # fmt: skip
            found.append(_Segment(top, bottom, float(around[run].mean())))
    return found


def _agreeing(found: Sequence[_Segment], focal: float, middle: tuple[float, float]) -> list[Pair]:
    """The segments that are all plumb for one way of holding the camera and one bending of its lens: those that most of their length
    speaks for, most of all where they stand apart."""
    if len(found) < 2:
        return []
    ends = np.array([(one.top, one.bottom) for one in found]) - middle
    across = ends[:, :, 0].mean(axis=1)
    weights = np.array([one.length * one.strength for one in found])
    first, second = np.triu_indices(len(found), 1)
    best, chosen = 0.0, np.zeros(len(found), bool)
    for bend in BENDS:
        flat = unbent(ends, bend, math.hypot(*middle))
        rays = np.concatenate([flat, np.full((*flat.shape[:2], 1), focal)], axis=2)
        planes = np.cross(rays[:, 0], rays[:, 1])
        planes /= np.linalg.norm(planes, axis=1, keepdims=True)
        ups = np.cross(planes[first], planes[second])
        size = np.linalg.norm(ups, axis=1, keepdims=True)
        ups *= -np.sign(ups[:, 1:2]) / np.maximum(size, 1e-9)
        roll, pitch = np.arctan2(ups[:, 0], -ups[:, 1]), np.arcsin(ups[:, 2])
        usual = (roll / USUAL_ROLL) ** 2 + (pitch / USUAL_PITCH) ** 2 + (bend / BEND_USUAL) ** 2
        held = (size[:, 0] > 0.02) & (np.abs(roll) < MOST_ROLL) & (np.abs(pitch) < MOST_PITCH)
        fits = np.maximum(0.0, 1 - (ups @ planes.T / AGREES) ** 2)
        far, near = (np.where(fits > 0, sign * across, -np.inf).max(axis=1) for sign in (1, -1))
        apart = np.minimum((far + near) / (2 * middle[0]), 1 - ONE_SIDED)
        score = np.where(held, (fits @ weights) * np.exp(-usual / 2) * (ONE_SIDED + apart), 0.0)
        if score.max() > best:
            best, chosen = float(score.max()), fits[score.argmax()] > 0
    return [(one.top, one.bottom) for one, agrees in zip(found, chosen, strict=True) if agrees][:MOST_KEPT]


# -- the sheet --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class FoundSheet:
    """A sheet of paper: its corners, size (mm), how surely it is one (0 to 1), and whether another patch could be it as well."""

    corners: Points
    size: tuple[float, float]
    sure: float
    rival: bool = False


def find_sheet(pixels: NDArray[np.uint8], camera: Camera, body: Box | None) -> FoundSheet | None:
    """The sheet beside the body; None where nothing is surely one."""
    colours, scale = _coarse(pixels)
    steep = np.zeros(colours.shape[:2])
    steep[:, 1:-1] = np.linalg.norm(colours[:, 2:] - colours[:, :-2], axis=2)
    steep[1:-1] = np.maximum(steep[1:-1], np.linalg.norm(colours[2:] - colours[:-2], axis=2))
    usual = float(np.median(steep)) + 0.3
    found: list[FoundSheet] = []
    left, top, right, bottom = body or (0.0, 0.0, 0.0, 0.0)
    for steepest in (2.0, 3.5, 6.0):
        for box in _patches(steep < steepest * usual):
            if left < (box[0] + box[2]) / 2 * scale < right and top < (box[1] + box[3]) / 2 * scale < bottom:
                continue
            corners = _grown(colours, box)
            sheet = None if corners is None else _as_sheet(pixels, camera, colours, corners, scale)
            if sheet and all(math.dist(*np.mean([sheet.corners, one.corners], axis=1)) > SAME_SHEET for one in found):
                found.append(sheet)
    found.sort(key=lambda sheet: -sheet.sure)
    if not found or found[0].sure < LEAST_SURE:
        return None
    return replace(found[0], rival=len(found) > 1 and found[1].sure > 0.75 * found[0].sure)


def _patches(plain: NDArray[np.bool_]) -> list[tuple[int, int, int, int]]:
    """Boxes (left, top, right, bottom) of connected plain patches of about a sheet's size."""
    height, width = plain.shape
    labels, _ = ndimage.label(plain)
    areas = np.bincount(labels.ravel())
    found = []
    for index, (rows, columns) in enumerate(ndimage.find_objects(labels), start=1):
        wide, tall = columns.stop - columns.start, rows.stop - rows.start
        if not 0.02 * height < min(wide, tall) < 0.4 * height or not 0.5 < tall / wide < 2.4:
            continue
        whole = columns.start > 0 and rows.start > 0 and columns.stop < width and rows.stop < height
        if whole and areas[index] > 0.55 * wide * tall:
            found.append((columns.start, rows.start, columns.stop, rows.stop))
    return found


def _grown(colours: Array, box: tuple[int, int, int, int]) -> Array | None:
    """The corners (4, 2), px of the copy, of all that has the colour of a plain patch and lies with it, over thin lines and marks
    printed on it; None where that has no end."""
    left, top, right, bottom = box
    reach = max(6, (bottom - top) // 3)
    rows, columns = slice(max(top - reach, 0), bottom + reach), slice(max(left - reach, 0), right + reach)
    window = colours[rows, columns]
    own = np.median(colours[top + 1 : bottom - 1, left + 1 : right - 1].reshape(-1, 3), axis=0)
    off = np.linalg.norm(window - own, axis=2)
    inside = (slice(top - rows.start, bottom - rows.start), slice(left - columns.start, right - columns.start))
    found: list[tuple[int, Array]] = []
    for most in UNLIKE:
        labels, _ = ndimage.label(ndimage.binary_closing(np.pad(off < most, 8), np.ones((5, 5)))[8:-8, 8:-8])
        if not labels[inside].any():
            continue
        own_part = labels == np.bincount(labels[inside].ravel())[1:].argmax() + 1
        y, x = np.nonzero(ndimage.binary_fill_holes(own_part))
        if len(x) < 60 or not (0 < x.min() <= x.max() < off.shape[1] - 1 and 0 < y.min() <= y.max() < off.shape[0] - 1):
            continue
        ends = [int(np.argmin(sx * x + sy * y)) for sx, sy in ((1, 1), (-1, 1), (-1, -1), (1, -1))]
        sides = np.array([(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)])
        corners: Array = np.stack([x[ends], y[ends]], axis=1) + sides + (columns.start, rows.start)
        (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
        area = abs((cx - ax) * (dy - by) - (dx - bx) * (cy - ay)) / 2
        if abs(area / len(x) - 1) < 0.12:
            found.append((len(x), corners))
    return max(found, key=lambda one: one[0])[1] if found else None


def _as_sheet(
    pixels: NDArray[np.uint8], camera: Camera, colours: Array, rough: Array, scale: float
) -> FoundSheet | None:
    """A patch with these corners as a sheet, its edges followed in the full picture; None where it cannot be one."""
    corners = (rough + 0.5) * scale - 0.5
    for _ in range(2):
        edges = [
            snap_straight(pixels, _point(corners[i]), _point(corners[(i + 1) % 4]), max(6, round(2.5 * scale)))
            for i in range(4)
        ]
        corners = np.array([crossing(edges[i - 1], edges[i]) for i in range(4)])
        if not np.isfinite(corners).all() or np.abs(corners - corners.mean(axis=0)).max() > 0.5 * max(pixels.shape[:2]):
            return None
    if any(edge[2] > 1.5 for edge in edges):
        return None
    rays = camera.rays(corners)
    sides = np.roll(rays, -1, axis=0) - rays
    long = np.linalg.norm(sides, axis=1)
    wide, tall = (long[:2] + long[2:]) / 2
    if min(long) <= 0:
        return None
    unlike, size = min(
        (abs(math.log(tall / wide / (size[1] / size[0]))), size) for size in (*PAPERS, *(p[::-1] for p in PAPERS))
    )
    square = float(np.abs((sides * np.roll(sides, 1, axis=0)).sum(axis=1) / long / np.roll(long, 1)).max())
    (left, top), (right, bottom) = rough.min(axis=0).round().astype(int), rough.max(axis=0).round().astype(int)
    inner = colours[top + 2 : bottom - 2, left + 2 : right - 2].reshape(-1, 3)
    reach = max(3, (right - left) // 6)
    ring = colours[max(top - reach, 0) : bottom + reach, max(left - reach, 0) : right + reach].reshape(-1, 3)
    tint, light = float(np.hypot(*np.median(inner[:, 1:], axis=0))), float(np.median(inner[:, 0]))
    darker = light - float(np.percentile(ring[:, 0], 15))
    sure = math.exp(-((unlike / 0.04) ** 2) - (square / 0.05) ** 2 - (tint / 9.0) ** 2)
    sure *= min(1.0, max(0.0, darker) / 2.5)
    if any(_goes_on(pixels, corners[i], corners[(i + 1) % 4], 2 * scale) for i in range(4)):
        return None
    return FoundSheet(tuple(_point(corner) for corner in corners), size, float(sure))


def _goes_on(pixels: NDArray[np.uint8], first: Array, last: Array, beside: float) -> bool:
    """Whether a side's step in colour goes on in its line beyond a corner, as the edge of a door frame does, or of what stands before a
    sheet."""
    along = last - first
    out = np.array([along[1], -along[0]]) / (np.linalg.norm(along) + 1e-9) * beside
    outer, step = [], []
    for start, end in ((0.1, 0.9), BEYOND, (1 - BEYOND[1], 1 - BEYOND[0])):
        places = first + np.linspace(start, end, 40)[:, None] * along
        outer.append(opponent(colours_at(pixels, places + out)))
        step.append(outer[-1] - opponent(colours_at(pixels, places - out)))
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
