"""Where the cloth ends: the outline at the end of a line, told from shadows and arms beside it by where the drawn line stops."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.marks import Point
from fitdiag.photos.snap import Track
from fitdiag.photos.strip import Array, beside, edge_along, ink_of, normals, ridge_of, strip_across

INSIDE_MM, OUTSIDE_MM = 16.0, 12.0  # looked at on either side of the point that was set
HALF_HEIGHT_MM = 26.0  # the outline is nearly straight so far above and below a line
CLICK_MM, LINE_MM = 6.0, 3.5  # how far a point, and the end of a drawn line, lie from the outline
GAP = 8.5  # how much what shows between the legs differs from both, in units of `opponent`
UNSEEN_MM = 3.0  # one standard deviation where no outline stands out


@dataclass(frozen=True)
class Edge:
    """The outline on one end of a line: its place, and one standard deviation in px."""

    place: Point
    error: float


def side_edge(
    pixels: NDArray[np.uint8],
    track: Track,
    scale: float,
    *,
    last: bool,
    above_mm: float = HALF_HEIGHT_MM,
    click_mm: float = CLICK_MM,
) -> Edge:
    """The outline at the first or last end of a line, over which the cloth goes on for `above_mm`."""
    course = track.pixels if last else track.pixels[::-1]
    marked = course[: len(course) - track.beyond]
    end, way = marked[-1], 1.0 if marked[-1, 0] >= marked[0, 0] else -1.0
    step = max(1.0, scale / 2)
    out = np.arange(-INSIDE_MM * scale, OUTSIDE_MM * scale + 0.1, step)
    high = np.arange(-above_mm * scale, HALF_HEIGHT_MM * scale + 0.1, step)
    course_down = end + high[:, None] * np.array([0.0, 1.0])
    sideways = np.array([way, 0.0])
    strip = strip_across(pixels, course_down, sideways, out, 1.2 * scale / step, 0.5 * scale / step)
    gap = max(1, round(0.8 * scale / step))
    slope = np.zeros(strip.shape[:2])
    slope[gap:-gap] = np.linalg.norm(strip[2 * gap :] - strip[: -2 * gap], axis=2)
    slope = np.minimum(slope, np.percentile(slope, 98))
    floor = float(np.median(slope)) + 0.3
    votes, tries, slants = _vote(slope / floor, out, high, scale, 0.45 if above_mm else 1.2)
    likely = np.exp(-0.5 * (tries / (click_mm * scale)) ** 2)
    stop = 0.0 if track.border else way * _line_stops(pixels, marked, scale)
    off = np.maximum(np.abs(tries - stop) - scale, 0) / (LINE_MM * scale)
    likely = likely * (0.35 + 0.65 * np.exp(-0.5 * off**2))
    scored = votes * likely[:, None]
    i, j = divmod(int(scored.argmax()), scored.shape[1])
    if votes[i, j] < 2.0:
        return Edge(_at(course, end, stop * way), UNSEEN_MM * scale)
    rivals = scored.max(axis=1)
    rival = float(np.max(np.where(np.abs(tries - tries[i]) > 3 * scale, rivals, 0.0))) / float(rivals[i])
    seen, place = edge_along(slope / floor, (tries[i] + slants[j] * high - out[0]) / step, 2 * gap)
    offset = float(tries[i])
    if seen.sum() >= 6:
        near = np.exp(-0.5 * (high[seen] / (0.5 * HALF_HEIGHT_MM * scale)) ** 2)
        table = np.stack([np.ones(int(seen.sum())), high[seen]], axis=1) * near[:, None]
        offset = float(np.linalg.lstsq(table, (out[0] + step * place) * near, rcond=None)[0][0])
    if abs(offset - tries[i]) > 3 * scale:
        offset = float(tries[i])
    error = max(0.5, 0.4 * scale) + 2.5 * scale * max(0.0, rival - 0.45)
    error += 0.3 * max(0.0, abs(offset - stop) - 2 * scale)
    return Edge(_at(course, end, offset * way), error)


def legs_part(pixels: NDArray[np.uint8], centre: Point, scale: float) -> bool:
    """Whether the cloth opens right under a place at the centre: something else, or deep shade, is seen between two legs."""
    down, across = np.arange(20.0, 46.0, 2.0), np.arange(-24.0, 24.1, 1.0)  # mm
    course = np.array(centre) + scale * down[:, None] * np.array([0.0, 1.0])
    colours = strip_across(pixels, course, np.array([1.0, 0.0]), scale * across, 1.0, 1.5)
    left, right = (np.median(colours[(across > a) & (across < b)], axis=0) for a, b in ((-20, -10), (10, 20)))
    middle = colours[np.abs(across) < 8]
    apart = np.minimum(np.linalg.norm(middle - left, axis=2), np.linalg.norm(middle - right, axis=2)).max(axis=0)
    return float(np.median(apart)) > GAP


def _vote(slope: Array, out: Array, high: Array, scale: float, steepest: float) -> tuple[Array, Array, Array]:
    """How strongly each nearly upright line stands out: (offset, slant); slants as px sideways per px down."""
    step = out[1] - out[0]
    tries = np.arange(out[0] + 3 * scale, out[-1] - 2 * scale, step)
    slants = np.linspace(-steepest, steepest, round(40 * steepest) + 1)
    place = (tries[:, None, None] + slants[None, :, None] * high[None, None] - out[0]) / step
    index = np.clip(np.rint(place).astype(int), 0, len(out) - 1)
    near = np.exp(-0.5 * (high / (0.6 * HALF_HEIGHT_MM * scale)) ** 2)
    votes = (slope[index, np.arange(len(high))] * near).sum(axis=2) / near.sum()
    return votes, tries, slants


def _line_stops(pixels: NDArray[np.uint8], course: Array, scale: float) -> float:
    """Where the drawn line itself is seen last, px to the right of the end of its marked course."""
    size = max(6, round(14 * scale))
    tail = course[-min(len(course), 3 * size) :]
    run = _unit(tail[-1] - tail[max(0, len(tail) - 1 - size)])
    on = np.arange(1.0, OUTSIDE_MM * scale + 1)
    whole = np.concatenate([tail, tail[-1] + on[:, None] * run])
    offsets = np.linspace(-2.2, 2.2, 23) * max(3.0, 3.0 * scale)
    strip = strip_across(pixels, whole, normals(whole), offsets, 1.2 * scale, 1.0)
    inner = len(tail) - size
    if inner < 1:
        return 0.0
    pairs = list(beside(strip, (6,)))  # samples of the strip that are about `reach` px
    colour = ink_of(pairs, len(pairs[0][0]) // 2, slice(inner))
    strength = ridge_of((one @ colour, other @ colour) for one, other in pairs)[3:-3].max(axis=0)
    usual = float(np.median(strength[:inner]))
    seen = np.flatnonzero(strength > 0.45 * usual)
    stop = inner
    for index in seen[seen >= inner - size]:
        if index - stop > 5 * scale:  # a gap longer than a stitch's
            break
        stop = int(index)
    return float(whole[stop, 0] - tail[-1, 0])


def _at(course: Array, end: Array, offset: float) -> Point:
    """The place on the course `offset` px to the right of its marked end."""
    x = float(end[0] + offset)
    order = np.argsort(course[:, 0], kind="stable")
    y = float(np.interp(x, course[order, 0], course[order, 1]))
    return x, y


def _unit(vector: Array) -> Array:
    unit: Array = vector / (float(np.linalg.norm(vector)) + 1e-9)
    return unit
