"""From a few rough points to the drawn line itself, to a fraction of a pixel, and to the outline of the cloth at its ends.

A strip is cut out along a smooth curve through the points, as wide as a line may bend away from it on the cloth. Across it a drawn
line is a ridge: its colour differs from the cloth on both sides of it in the same direction. Dynamic programming finds the strongest
continuous ridge; a second strip along it, smoothed lengthwise, closes the gaps of stitches. Where the drawn line stops distinguishes
the outline from shadows and arms beside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.marks import Point, Points
from fitdiag.photos.strip import (
    ACROSS,
    DOWN,
    Array,
    beside,
    edge_along,
    ink_of,
    noise_of,
    normals,
    ridge_of,
    strip_across,
    strongest_path,
)

USUAL_SCALE = 1.75  # px per millimetre, if nothing better is known
MOST_SAMPLES = 2.0  # per millimetre; nothing finer is drawn by hand
REACH_MM = 18.0  # largest distance of a line with a V, a dip or a fork from the curve through three points
BESIDE_MM = (1.7, 2.9, 4.6)  # from the middle of a drawn line to the cloth beside it
STITCH_MM = 5.0  # smoothing length over stitches and gaps
LEAST_COVERED, LEAST_SNR, MOST_STEPPED = 0.8, 3.0, 0.3
INSIDE_MM, OUTSIDE_MM = 16.0, 12.0  # searched on either side of the marked point
HALF_HEIGHT_MM = 26.0  # above and below a line, over which the outline is nearly straight
CLICK_MM, LINE_MM = 6.0, 3.5  # standard deviation of a point, and of the end of a drawn line, from the outline
GAP = 8.5  # least difference of what shows between the legs from both, in units of `opponent`
INK_SEEN = 0.45  # share of the usual strength of a drawn line from which it counts as seen
CLOTH_HUE = 5.0  # difference of hue within one cloth, in the same units
STRANGE_HUE = 8.0  # difference of hue, in units of `opponent`, that no light makes: something else lies over the cloth
# a drawn line, or the top edge of the cloth, that stops this far before the outline is covered there, as by an arm
COVERED_MM, BORDER_COVERED_MM = 6.0, 18.0
MOST_CLICK_MM = 15.0  # no point is set this far beyond the outline, so a line that stops before is covered as well
UNSEEN_MM, UNDER_MM = 3.0, 12.0  # one standard deviation if no outline stands out; if it lies under an arm


@dataclass(frozen=True, eq=False)
class Track:
    """A line found in a picture: (N, 2) pixels from the first point to the last, and its quality.

    `covered`: share of the line above the noise; `snr`: its signal-to-noise ratio; `stepped`: share of the line where the cloth
    differs more from one side to the other than the line does from both, as at an outline.
    """

    pixels: Array
    covered: float
    snr: float
    stepped: float = 0.0
    beyond: int = 0  # number of pixels at each end beyond the marked points
    onto: str = ""  # another line it runs onto
    border: bool = False  # the edge of the cloth, not a drawn line

    @property
    def clear(self) -> bool:
        """Whether the line is clear enough to be measured."""
        seen = self.covered >= LEAST_COVERED and self.snr >= LEAST_SNR and self.stepped <= MOST_STEPPED
        return seen and not self.onto


def snap(
    pixels: NDArray[np.uint8], points: Points, scale: float = USUAL_SCALE, *, edge: bool = False,
    reach_mm: float = REACH_MM, beyond_mm: float = 0.0,
) -> Track:  # fmt: skip
    """Find the drawn line near three or more points of a picture (H, W, 3), or with `edge` the edge of the cloth.

    `scale`: approximate px per millimetre on the cloth; `beyond_mm`: how far the line is followed past its end points.
    """
    step, samples = _sampling(scale)
    beyond = round(beyond_mm * samples)
    curve = _curve(np.asarray(points, float), step, beyond)
    aside = DOWN if _runs_down(curve) else ACROSS
    first = _Strip(pixels, curve, scale, max(round(reach_mm * samples), 12), aside, edge=edge)
    path = first.path(2)
    if edge:
        return first.track(path, beyond)
    course = _curve(_smoothed(first.track(path, beyond).pixels, 2.5 * samples), step, exact=True)
    second = _Strip(pixels, course, scale, max(round(5 * samples), 8), aside, along=STITCH_MM)
    return second.track(second.path(1), beyond)


def _runs_down(course: Array) -> bool:
    """Whether a course (N, 2 px) runs down the cloth, as grainlines and seams do, rather than across."""
    wide, high = np.ptp(course, axis=0)
    return bool(high > wide)


def _sampling(scale: float) -> tuple[float, float]:
    """Px between samples, and samples per millimetre."""
    step = max(1.0, scale / MOST_SAMPLES)
    return step, scale / step


class _Strip:
    """The picture along a curve, straightened, and its ridge strength."""

    def __init__(
        self, pixels: NDArray[np.uint8], course: Array, scale: float, half: int, aside: tuple[int, float], *,
        edge: bool = False, along: float = 0.0,
    ) -> None:  # fmt: skip
        self.course, self.normal, self.half, self.aside, self.edge = course, normals(course), half, aside, edge
        self.step, samples = _sampling(scale)
        reaches = [max(round(mm * samples), 2 + index) for index, mm in enumerate(BESIDE_MM)]
        self.margin = max(reaches)
        offsets = np.arange(-half - self.margin, half + self.margin + 1, dtype=float) * self.step
        even = max(1.4 * samples, along * samples / 2)
        strip = strip_across(pixels, course, self.normal, offsets, even, 0.6 * samples)
        self.beside = list(beside(strip, reaches))
        self.cloth: Array | float = 1.0
        if edge:  # a step has only one difference, between its two sides
            self.beside = [(one - other, one - other) for one, other in self.beside[:2]]
            self.cloth = _cloth_under(strip, self.margin)

    def path(self, passes: int) -> NDArray[np.int64]:
        """Find the strongest ridge of one colour in some passes; leaves the ridge strength in `self.ridge`."""
        self.ridge, along = self.cloth * ridge_of(self.beside), np.arange(len(self.course))
        for _ in range(passes):
            colour = ink_of(self.beside, strongest_path(self.ridge, *self.aside), along)
            self.ridge = self.cloth * ridge_of((one @ colour, other @ colour) for one, other in self.beside)
        return strongest_path(self.ridge, *self.aside)

    def track(self, path: NDArray[np.int64], beyond: int) -> Track:
        """Refine a path to the line in the picture, with its quality between the marked points."""
        ridge, along = self.ridge, np.arange(len(path))
        window = np.clip(path + np.arange(-4, 5)[:, None], 0, len(ridge) - 1)
        weight = ridge[window, along]
        weight = np.maximum(weight - 0.3 * weight.max(axis=0), 0.0)
        total = weight.sum(axis=0)
        exact = np.where(total > 0, (weight * window).sum(axis=0) / np.maximum(total, 1e-9), path) - self.half
        marked = slice(beyond, len(path) - beyond)
        on = ridge[path, along][marked]
        noise = noise_of(ridge[np.abs(np.arange(len(ridge))[:, None] - path) > self.margin])
        one, other = self.beside[-1]
        across = np.linalg.norm((one - other)[path, along], axis=1)[marked]
        return Track(
            self.course + exact[:, None] * self.step * self.normal,
            covered=float((on > 2.5 * noise).mean()),
            snr=float(np.median(on) / noise),
            stepped=0.0 if self.edge else float((across > 2.0 * np.maximum(on, noise)).mean()),
            beyond=beyond,
            border=self.edge,
        )


def _cloth_under(strip: Array, margin: int) -> Array:
    """How much each place of a strip (M, N, 3) across the top edge of the cloth looks as if cloth lay under it: from 1 to nearly 0
    where the hue under it is another than at the strip's lower border, as of skin or a shirt. Of `margin` rows fewer at both ends."""
    hue = strip[..., 1:]
    cloth = np.median(hue[-margin:], axis=0)
    off = np.linalg.norm(hue[2 * margin :] - cloth, axis=2)
    return np.asarray(np.exp(-((off / CLOTH_HUE) ** 2)))


def _smoothed(pixels: Array, size: float) -> Array:
    """Smooth a course with a Gaussian of `size` samples; its ends stay."""
    reach = int(3 * size) + 1
    if len(pixels) < 2 * reach:
        return pixels
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / size) ** 2)
    kernel /= kernel.sum()
    ahead, behind = 2 * pixels[0] - pixels[reach:0:-1], 2 * pixels[-1] - pixels[-2 : -reach - 2 : -1]
    widened = np.concatenate([ahead, pixels, behind])
    return np.stack([np.convolve(widened[:, axis], kernel, mode="valid") for axis in (0, 1)], axis=1)


def _curve(points: Array, step: float, beyond: int = 0, *, exact: bool = False) -> Array:
    """A smooth curve through the points (exactly if `exact`), sampled every `step` px.

    `beyond`: number of samples of straight extension at each end.
    """
    points = _apart(points)
    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    count = max(8, int(chord[-1] / step) + 1)
    at = np.linspace(0.0, chord[-1], count)
    degree = min(len(points) - 1, 3)
    if not exact and (len(points) <= 4 or _runs_down(points)):  # these are nearly straight, however the points were set
        curve = np.stack([np.polyval(np.polyfit(chord, points[:, axis], degree), at) for axis in (0, 1)], axis=1)
    else:
        curve = np.stack([np.interp(at, chord, points[:, axis]) for axis in (0, 1)], axis=1)
    if beyond:
        on = np.arange(1, beyond + 1)[:, None]
        quarter = max(count // 4, 1)
        first, last = curve[0] - curve[quarter], curve[-1] - curve[-1 - quarter]
        first, last = (run / (np.hypot(*run) + 1e-12) * step for run in (first, last))
        curve = np.concatenate([curve[0] + on[::-1] * first, curve, curve[-1] + on * last])
    return np.asarray(curve, float)


def _apart(points: Array) -> Array:
    """Drop points coinciding with the one before; at least two are left."""
    kept = [points[0]]
    for point in points[1:]:
        if math.dist(point, kept[-1]) >= 0.5:
            kept.append(point)
    return np.array(kept if len(kept) > 1 else [points[0], points[0] + (1.0, 0.0)])


@dataclass(frozen=True)
class Edge:
    """The outline at one end of a line: its place, and one standard deviation, px.

    `covered_from`: where the line is last seen before it (x, px), if an arm or other clothes cover the rest.
    """

    place: Point
    error: float
    covered_from: float | None = None


def side_edge(pixels: NDArray[np.uint8], track: Track, scale: float, *, last: bool, above_mm: float) -> Edge:
    """Find the outline at the first or last end of a line, above which the cloth continues for `above_mm`."""
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
    likely = np.exp(-0.5 * (tries / (CLICK_MM * scale)) ** 2)
    last_seen = _line_stops(pixels, course, scale, edge=track.border)
    stop = way * (last_seen - float(end[0]))
    meant = 0.0 if track.border else stop  # the top edge of the cloth fades before its ends
    off = np.maximum(np.abs(tries - meant) - scale, 0) / (LINE_MM * scale)
    likely = likely * (0.35 + 0.65 * np.exp(-0.5 * off**2))
    scored = votes * likely[:, None]
    i, j = divmod(int(scored.argmax()), scored.shape[1])
    short = (BORDER_COVERED_MM if track.border else COVERED_MM) * scale
    if votes[i, j] < 2.0:
        if stop < -short:
            return Edge(_at(course, end, 0.0), UNDER_MM * scale, last_seen)
        return Edge(_at(course, end, meant * way), UNSEEN_MM * scale)
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
    error += 0.3 * max(0.0, abs(offset - meant) - 2 * scale)
    if stop < offset - short or stop < -MOST_CLICK_MM * scale:  # the outline may be the arm's own
        return Edge(_at(course, end, max(offset, 0.0) * way), UNDER_MM * scale, last_seen)
    error = math.hypot(error, max(0.0, -offset - CLICK_MM * scale))
    return Edge(_at(course, end, offset * way), error)


def legs_part(pixels: NDArray[np.uint8], centre: Point, scale: float) -> bool:
    """Whether the cloth opens right below a point at the centre: background, or deep shade, shows between two legs."""
    down, across = np.arange(20.0, 46.0, 2.0), np.arange(-24.0, 24.1, 1.0)  # mm
    course = np.array(centre) + scale * down[:, None] * np.array([0.0, 1.0])
    colours = strip_across(pixels, course, np.array([1.0, 0.0]), scale * across, 1.0, 1.5)
    left, right = (np.median(colours[(across > a) & (across < b)], axis=0) for a, b in ((-20, -10), (10, 20)))
    middle = colours[np.abs(across) < 8]
    apart = np.minimum(np.linalg.norm(middle - left, axis=2), np.linalg.norm(middle - right, axis=2)).max(axis=0)
    return float(np.median(apart)) > GAP


def _vote(slope: Array, out: Array, high: Array, scale: float, steepest: float) -> tuple[Array, Array, Array]:
    """Hough votes (offset, slant) of nearly upright lines, the offsets, and the slants as px sideways per px down."""
    step = out[1] - out[0]
    tries = np.arange(out[0] + 3 * scale, out[-1] - 2 * scale, step)
    slants = np.linspace(-steepest, steepest, round(40 * steepest) + 1)
    place = (tries[:, None, None] + slants[None, :, None] * high[None, None] - out[0]) / step
    index = np.clip(np.rint(place).astype(int), 0, len(out) - 1)
    near = np.exp(-0.5 * (high / (0.6 * HALF_HEIGHT_MM * scale)) ** 2)
    votes = (slope[index, np.arange(len(high))] * near).sum(axis=2) / near.sum()
    return votes, tries, slants


def _line_stops(pixels: NDArray[np.uint8], outwards: Array, scale: float, *, edge: bool) -> float:
    """Where a drawn line (with `edge` the edge of the cloth) followed outwards past its end (N, 2 px) is last seen: x, px.

    From its middle on, each sample that is as strong as ink speaks for the line, a fainter one against it; it stops where most has
    spoken for it. So the gap of a stitch does not end it, nor does a stray edge under an arm bring it back. Where both sides of it
    have another hue than its cloth, nothing is ink: the gap between two fingers may run just like a line.
    """
    samples = _sampling(scale)[1]
    offsets = np.linspace(-2.2, 2.2, 23) * max(3.0, 3.0 * scale)
    strip = strip_across(pixels, outwards, normals(outwards), offsets, 1.2 * samples, 1.0)
    middle, quarter = len(outwards) // 2, len(outwards) // 4
    usual = slice(quarter, len(outwards) - quarter)  # nothing covers a line there
    pairs = list(beside(strip, (6,)))  # samples of the strip that are about 3.6 mm
    if edge:
        pairs = [(one - other, one - other) for one, other in pairs]
    colour = ink_of(pairs, len(pairs[0][0]) // 2, usual)
    strength = ridge_of((one @ colour, other @ colour) for one, other in pairs)[3:-3].max(axis=0)
    strength = np.minimum(strength / (float(np.median(strength[usual])) + 1e-9), 1.0)
    strange = np.minimum(*(_off_hue(side, usual) for side in (strip[:7], strip[-7:])))
    strength[strange > STRANGE_HUE + 3 * float(np.median(strange[usual]))] = 0.0
    return float(outwards[middle + int(np.cumsum(strength[middle:] - INK_SEEN).argmax()), 0])


def _off_hue(side: Array, usual: slice) -> Array:
    """How far the hue along one side of a line (M, N, 3) is from the usual one."""
    hue = np.median(side, axis=0)[:, 1:]
    off: Array = np.linalg.norm(hue - np.median(hue[usual], axis=0), axis=1)
    return off


def _at(course: Array, end: Array, offset: float) -> Point:
    """The point on the course `offset` px to the right of its marked end."""
    x = float(end[0] + offset)
    order = np.argsort(course[:, 0], kind="stable")
    y = float(np.interp(x, course[order, 0], course[order, 1]))
    return x, y
