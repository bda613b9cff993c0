"""What hangs plumb in the room, found without a mark.

Long straight edges that lean little are looked for by letting all nearly upright lines vote. Those that can all be plumb for one
way of holding the camera are kept; what lies on the person is left out.
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
from fitdiag.photos.level import BEND_USUAL, CLICK_ERROR, Pair, Pose, follow, posed, snap_straight
from fitdiag.photos.strip import opponent

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
ARMS = 0.45  # of the hip's width to each side: there arms hang, whose edges are no plumb lines
Box = tuple[float, float, float, float]  # left, top, right, bottom, px


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
