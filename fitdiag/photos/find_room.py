"""Plumb lines and a sheet of paper in the room, found without marks; they show how a picture was taken.

Long straight edges that lean little are found with a Hough transform of nearly upright lines. Those that can all be plumb for one
orientation of the camera are kept; what lies on the person is left out.

In a levelled copy of the picture a sheet on a wall has plumb and level sides. All boxes with a sheet's sides are tried at once; the
likeliest have their edges followed in the picture itself. A frame printed on a sheet does not count: it has paper on both sides.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from fitdiag.photos.camera import Camera, planes, unbent
from fitdiag.photos.level import BEND_USUAL, CLICK_ERROR, Pair, Pose, Straight, crossing, follow, posed, snap_straight
from fitdiag.photos.marks import A4, Points
from fitdiag.photos.strip import Array, along_side, colours_at, opponent, step_across

COARSE = 600  # px: height of the copy used for the Hough transform
MOST_LEAN = 0.24  # px sideways per px down
SHORTEST = 0.16  # of the picture's height
WALL = 0.7  # of the picture's height from the top: lower down floorboards look like upright lines
MOST_ROLL, MOST_PITCH = math.radians(12.0), math.radians(32.0)
USUAL_ROLL, USUAL_PITCH = math.radians(5.0), math.radians(20.0)
AGREES = math.radians(0.25)
BENDS = (0.0, -0.01, 0.01, -0.02, 0.02, -0.03, 0.03, -0.04, 0.04)
OFF_PLUMB = math.radians(0.12)  # with the bending known
MOST_KEPT, MOST_LOOKED_AT = 6, 16
SAME_STRING = 3.0  # px: edges that lie this close once they are followed are one
STANDS = 0.45  # of the picture's height from the top: an edge that begins lower is not a plumb line
ONE_SIDED = 0.4  # weight of lines that all stand in one place
ARMS = 0.45  # of the hip's width to each side, where arms hang: their edges are not plumb lines
PAPERS = (A4, (215.9, 279.4))  # mm: ISO 216 and ANSI/ASME Y14.1
SIZES = (*PAPERS, *((high, wide) for wide, high in PAPERS))
LEVEL_ROWS = 300  # of the level copy
WIDEST_SEEN = 1.2  # largest horizontal ray considered, tangent
HEIGHTS = np.geomspace(0.03, 0.42, 50)  # sheet heights tried, as shares of the copy's height
TURNED = (1.0, 0.93)  # foreshortening of a sheet on a turned wall
FULL_STEP = 93  # percentile of all lightness steps that counts as a full edge
BEST_OF_SIZE, MOST_BOXES, LEAST_EDGE = 8, 96, 0.25
MOST_FOLLOWED = 20  # of the boxes that are not on the body, nor a sheet followed already, nor near one that was tried
SAME_BOX = 2.0  # cells: boxes this near each other would be followed to the same edges
NEAR = 1.3  # cells of the copy within which an edge is followed
CELLS_OFF = 5.0  # largest distance of the followed edges from the box, cells
MOST_UNLIKE, MOST_ASKEW = 0.1, 0.12  # from a sheet's aspect ratio (log), and from right angles (cosine)
USUAL_UNLIKE, USUAL_ASKEW, USUAL_TINT = 0.04, 0.05, 9.0
LEAST_STEP = 2.5  # least colour difference across an edge; a printed line has paper on both sides
LEAST_SURE, RIVAL, SAME_SHEET = 0.35, 0.75, 12.0  # the last: px between the middles
SHEET_SHAPED, SURE_SHEET = 0.7, 0.5  # below these a sheet is doubted
MOST_PRINTED, PAST_PRINTED = 2, 1.5  # how often a side is sought farther out, and how far: in reaches
# px: from a side to what is surely paper or wall; to what lies farther out; reach along half a side, and how far the halves may
# be apart at a corner
CLOSE, FAR, CLOSE_REACH, HALVES_APART = 3.0, 12.0, 6, 2.0
LEAST_HALF = 42.0  # px: half a side that is shorter cannot be followed by itself
ANOTHER_SHEET = "something else could be the sheet as well"
NO_SHEET = "its sides are not quite a sheet's"
SIDE_ELSEWHERE = "one of its sides could lie elsewhere"
BEYOND, GOES_ON = (-0.35, -0.1), 0.5  # share of a side's length beyond its end; share of its step
LEAST_MARK = 0.06  # of the area searched in a corner
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
        """Largest distance of another segment's ends from this one's line, px."""
        (x, y), (last, low) = self.top, self.bottom
        return max(abs(x + (last - x) / (low - y) * (down - y) - at) for at, down in (other.top, other.bottom))


def find_uprights(
    pixels: NDArray[np.uint8], focal: float, focal_error: float, body: tuple[float, float] | None
) -> tuple[tuple[Pair, ...], Pose | None]:
    """Find plumb lines beside the body (px: its left and right), and the pose they give; no pose if fewer than two agree.

    `pixels` (H, W, 3); `focal` in px, `focal_error` as a share.
    """
    height, width = pixels.shape[:2]
    left, right = body or (0.36 * width, 0.64 * width)
    margin = ARMS * (right - left) if body else 0.015 * width
    segments = [
        one for one in _segments(pixels, (left, right))
        if not left - margin < (one.top[0] + one.bottom[0]) / 2 < right + margin and one.top[1] < STANDS * height
    ]  # fmt: skip
    chosen = _agreeing(_distinct(pixels, segments), focal, ((width - 1) / 2, (height - 1) / 2))
    for _ in range(5):
        pose = posed(follow(pixels, chosen), focal, focal_error)
        if not pose.levelled:
            return (), None
        flat = pose.camera.straight(np.array(pose.uprights))
        off = np.abs(planes(flat, focal) @ pose.camera.up)  # radians
        if len(chosen) == 2 or off.max() < OFF_PLUMB:
            break
        chosen = [one for one, wrong in zip(chosen, off, strict=True) if wrong < max(OFF_PLUMB, 0.999 * off.max())]
    return tuple(chosen), pose


def _distinct(pixels: NDArray[np.uint8], segments: Sequence[_Segment]) -> list[_Segment]:
    """Each edge once (non-maximum suppression), followed in the full picture, the longest and strongest first."""
    kept: list[_Segment] = []
    reach = max(6, round(3 * pixels.shape[0] / COARSE))
    for one in segments:
        if any(other.beside(one) < reach for other in kept):
            continue
        top, bottom, error = snap_straight(pixels, one.top, one.bottom, reach)
        if error > CLICK_ERROR:  # not straight: the lens may have bent it
            top, bottom, error = follow(pixels, [(one.top, one.bottom)]).line(0)
        followed = replace(one, top=top, bottom=bottom)
        if error < CLICK_ERROR and not any(other.beside(followed) < SAME_STRING for other in kept):
            kept.append(followed)
        if len(kept) == MOST_LOOKED_AT:
            break
    return kept


def _segments(pixels: NDArray[np.uint8], body: tuple[float, float]) -> list[_Segment]:
    """Long, straight, nearly upright edges, the strongest first; few from between the body's left and right (px)."""
    scale = pixels.shape[0] / COARSE
    copy = Image.fromarray(pixels).resize((round(pixels.shape[1] / scale), COARSE), Image.Resampling.BOX)
    colours = opponent(np.asarray(copy))
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
    first, last = (max(round(side / scale), 0) for side in body)
    votes[:, first:last] = 0.0
    segments = []
    for _ in range(30):
        index, column = divmod(int(votes.argmax()), width)
        if votes[index, column] < 1.2 * SHORTEST * COARSE:
            break
        segments += _runs(padded, rows, float(leans[index]), column, scale)
        apart = np.arange(width)[None] - column + (leans[:, None] - leans[index]) * rows[walls[[0, -1]], None, None]
        votes[(np.abs(apart) < 5).all(axis=0)] = 0.0  # a line this near at the top and at the bottom is the same one
    return sorted(segments, key=lambda one: -one.length * one.strength)


def _runs(padded: Array, rows: Array, lean: float, column: int, scale: float) -> list[_Segment]:
    """The stretches of a line along which there is an edge."""
    place = np.rint(column + lean * rows).astype(int) + COARSE // 2
    around = np.stack([padded[np.arange(COARSE), place + step] for step in (-1, 0, 1)]).max(axis=0)
    on = np.convolve(around > 0.5, np.ones(9) / 9, mode="same") > 0.55
    gap = round(0.03 * COARSE)
    runs, _ = ndimage.label(ndimage.binary_closing(np.pad(on, gap), np.ones(gap + 1))[gap:-gap])
    segments = []
    for (run,) in ndimage.find_objects(runs):
        if run.stop - 1 - run.start > SHORTEST * COARSE:
            top, bottom = (((column + lean * (at - COARSE / 2) + 0.5) * scale - 0.5, (at + 0.5) * scale - 0.5)
                           for at in (run.start, run.stop - 1))  # fmt: skip
            segments.append(_Segment(top, bottom, float(around[run].mean())))
    return segments


def _agreeing(segments: Sequence[_Segment], focal: float, middle: tuple[float, float]) -> list[Pair]:
    """The segments that are all plumb for one camera orientation and one radial distortion, chosen by their total length and
    strength, more so if they stand apart."""
    if len(segments) < 2:
        return []
    ends = np.array([(one.top, one.bottom) for one in segments]) - middle
    across = ends[:, :, 0].mean(axis=1)
    weights = np.array([one.length * one.strength for one in segments])
    first, second = np.triu_indices(len(segments), 1)
    best, chosen = 0.0, np.zeros(len(segments), bool)
    for bend in BENDS:
        normals = planes(unbent(ends, bend, math.hypot(*middle)), focal)
        ups = np.cross(normals[first], normals[second])
        size = np.linalg.norm(ups, axis=1, keepdims=True)
        ups *= -np.sign(ups[:, 1:2]) / np.maximum(size, 1e-9)
        roll, pitch = np.arctan2(ups[:, 0], -ups[:, 1]), np.arcsin(ups[:, 2])
        usual = (roll / USUAL_ROLL) ** 2 + (pitch / USUAL_PITCH) ** 2 + (bend / BEND_USUAL) ** 2
        held = (size[:, 0] > 0.02) & (np.abs(roll) < MOST_ROLL) & (np.abs(pitch) < MOST_PITCH)
        fits = np.maximum(0.0, 1 - (ups @ normals.T / AGREES) ** 2)
        far, near = (np.where(fits > 0, sign * across, -np.inf).max(axis=1) for sign in (1, -1))
        apart = np.minimum((far + near) / (2 * middle[0]), 1 - ONE_SIDED)
        score = np.where(held, (fits @ weights) * np.exp(-usual / 2) * (ONE_SIDED + apart), 0.0)
        if score.max() > best:
            best, chosen = float(score.max()), fits[score.argmax()] > 0
    return [(one.top, one.bottom) for one, agrees in zip(segments, chosen, strict=True) if agrees][:MOST_KEPT]


@dataclass(frozen=True, eq=False)
class FoundSheet:
    """A sheet of paper: its corners (px), size (mm), how well its shape and its edges are a sheet's (0 to 1 each), and what speaks
    against it."""

    corners: Points
    size: tuple[float, float]
    shape: float
    edge: float
    doubt: str = ""

    @property
    def sure(self) -> float:
        """Confidence, 0 to 1."""
        return self.shape * self.edge


def find_sheet(pixels: NDArray[np.uint8], camera: Camera, body: Box | None) -> FoundSheet | None:
    """Find the sheet beside the body in a picture (H, W, 3); None if nothing is clearly one."""
    left, top, right, bottom = body or (0.0, 0.0, 0.0, 0.0)
    sheets: list[FoundSheet] = []
    cell = pixels.shape[0] / LEVEL_ROWS
    tried: list[Array] = []
    for corners, edge in _boxes(pixels, camera):
        x, y = corners.mean(axis=0)
        on_the_body = left < x < right and top < y < bottom
        followed = any(np.abs(corners - sheet.corners).max() < CELLS_OFF * cell for sheet in sheets)
        if on_the_body or followed or any(np.abs(corners - other).max() < SAME_BOX * cell for other in tried):
            continue
        if (sheet := _as_sheet(pixels, camera, corners, edge)) is not None:
            sheets.append(sheet)
        tried.append(corners)
        if len(tried) == MOST_FOLLOWED:
            break
    best = max(sheets, key=lambda sheet: sheet.sure, default=None)
    if best is None or best.sure < LEAST_SURE:
        return None
    rivals = [one for one in sheets if one.sure > RIVAL * best.sure and math.dist(*_middles(one, best)) > SAME_SHEET]
    doubts = (
        (ANOTHER_SHEET, bool(rivals)),
        (NO_SHEET, best.shape < SHEET_SHAPED or best.sure < SURE_SHEET),
        (SIDE_ELSEWHERE, _side_elsewhere(pixels, np.array(best.corners))),
    )
    return replace(best, doubt=next((doubt for doubt, holds in doubts if holds), ""))


def _middles(*sheets: FoundSheet) -> Array:
    middles: Array = np.mean([sheet.corners for sheet in sheets], axis=1)
    return middles


def _boxes(pixels: NDArray[np.uint8], camera: Camera) -> Iterator[tuple[Array, float]]:
    """Boxes that may be a sheet, the likeliest first: corners (4, 2), px, clockwise from the top left, and the strength of the
    faintest edge (0 to 1). The mean step along a side is the difference of two cumulative sums."""
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
    boxes: list[tuple[float, tuple[int, int, int, int]]] = []
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
            if len(strong) > BEST_OF_SIZE:
                strong = strong[np.argpartition(faintest.ravel()[strong], -BEST_OF_SIZE)[-BEST_OF_SIZE:]]
            for index in strong:
                y, x = divmod(int(index), faintest.shape[1])
                boxes.append((float(faintest[y, x]), (x, y, x + wide, y + rows)))
    kept: list[tuple[int, int, int, int]] = []
    for edge, box in sorted(boxes, reverse=True):
        if len(kept) == MOST_BOXES:
            return
        if all(max(abs(a - b) for a, b in zip(box, other, strict=True)) > 1 for other in kept):
            kept.append(box)
            corners = np.array([(box[i], box[j]) for i, j in ((0, 1), (2, 1), (2, 3), (0, 3))])
            yield camera.pixels((left, high) + corners * (cell, -cell)), edge


def _running(steps: Array, axis: int) -> Array:
    """Cumulative sums, along a side, of the edges across it, each the largest within a cell."""
    sums: Array = np.cumsum(
        ndimage.maximum_filter1d(np.clip(steps, -1, 1).astype(np.float32), 3, axis=axis), axis=1 - axis
    )
    return sums


def _as_sheet(pixels: NDArray[np.uint8], camera: Camera, rough: Array, edge: float) -> FoundSheet | None:
    """Refine a box to a sheet by following its edges in the full picture; None if it cannot be one."""
    cell, corners = pixels.shape[0] / LEVEL_ROWS, rough
    for reach in (max(5, round(NEAR * cell)), 6):
        edges: list[Straight] = []
        for i in range(4):
            if (side := _side(pixels, corners[i], corners[(i + 1) % 4], reach)) is None:
                return None
            edges.append(side)
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
    if any(_goes_on(pixels, corners[i], corners[(i + 1) % 4], 0.8 * cell) for i in range(4)):
        return None
    tint = float(np.hypot(*np.median(_inside(pixels, corners)[:, 1:], axis=0)))
    off = (unlike / USUAL_UNLIKE) ** 2 + (askew / USUAL_ASKEW) ** 2 + (tint / USUAL_TINT) ** 2
    return FoundSheet(tuple(_point(corner) for corner in corners), size, math.exp(-off), edge)


def _side(pixels: NDArray[np.uint8], first: Array, last: Array, reach: int) -> Straight | None:
    """Follow a side of a sheet between two corners; where that is a printed line, with paper on both sides, the edge is sought farther
    out. None if there is none."""
    for _ in range(1 + MOST_PRINTED):
        side = snap_straight(pixels, _point(first), _point(last), reach)
        ends = np.array(side[:2])
        if side[2] >= CLICK_ERROR:
            return None
        if step_across(pixels, ends[0], ends[1]) >= LEAST_STEP:
            return side
        first, last = ends + PAST_PRINTED * reach * along_side(ends[0], ends[1], 0.0, 1.0)[1]
    return None


def _side_elsewhere(pixels: NDArray[np.uint8], corners: Array) -> bool:
    """Whether a side of a sheet may lie elsewhere: it has paper or wall on both sides, or its halves disagree at a corner."""
    paper = np.median(_inside(pixels, corners), axis=0)
    for i in range(4):
        first, last = corners[i], corners[(i + 1) % 4]
        places, out = along_side(first, last, 0.02, 0.98)
        within, beyond, far = (
            np.median(opponent(colours_at(pixels, places + px * out)), axis=0) for px in (-CLOSE, CLOSE, FAR)
        )
        if np.linalg.norm(beyond - paper) < np.linalg.norm(beyond - far):
            return True  # the paper goes on
        if np.linalg.norm(within - beyond) < np.linalg.norm(within - paper):
            return True  # the paper ends before
        for at, other in ((0, 29), (-1, 30)) if math.dist(places[0], places[29]) > LEAST_HALF else ():
            end, _, error = snap_straight(pixels, _point(places[at]), _point(places[other]), CLOSE_REACH)
            if error > CLOSE or abs(float((np.array(end) - places[at]) @ out)) > HALVES_APART:
                return True
    return False


def _inside(pixels: NDArray[np.uint8], corners: Array) -> Array:
    """Sample colours (N, 3) all over a sheet."""
    across, down = (part.ravel()[:, None] for part in np.meshgrid(*[np.linspace(0.08, 0.92, 24)] * 2))
    upper, lower = ((1 - across) * corners[a] + across * corners[b] for a, b in ((0, 1), (3, 2)))
    return opponent(colours_at(pixels, (1 - down) * upper + down * lower))


def _goes_on(pixels: NDArray[np.uint8], first: Array, last: Array, beside: float) -> bool:
    """Whether a side's colour step continues beyond a corner, as the edge of a door frame or of something in front of a sheet
    does."""
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
    """Return which upper corner of a sheet has a dark mark: "left", "right" or ""."""
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
