"""Ridges in a picture: drawn lines, whose colour differs from the cloth on both sides, followed from end to end."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from fitdiag.photos.strip import ACROSS, DOWN, Array, beside, ink_of, noise_of, ridge_of, strongest_path

Span = tuple[float, float]
Ends = tuple[tuple[float, float], ...]
REACHES = (2, 4, 6)  # px from the middle of a line to the cloth beside it
ALONG = 3.0  # px: half width of the lengthwise smoothing that closes the gaps of stitches
LEAST_COVERED, LEAST_SNR = 0.6, 4.0
RIVAL = 0.6  # share of the best score from which on another ridge is a rival
HALF = 80  # px a line may fall or rise between its middle and its ends
CLOTH = (7, 9, 11)  # px from the middle of a line to bare cloth
# px along a line: median filter of the cloth, and distance of the samples before and after an outline
STEP_RUN, STEP_GAP = 9, 6
LEAST_STEP, USUAL_STEP = 4.5, 8.0  # how much the cloth changes at an outline, in units of `opponent`
NEAREST_END, MOST_ENDS = 20, 4
CLOTH_SAMPLES, FROM_END = 40, 30.0  # along a line; px from an end within which they lie
INK_SEEN, NEARLY_ALL = 0.4, 0.9  # of a line's usual strength; share of the places between two ends where it is seen
SAME_TINT = 3.0  # difference in tint within one cloth, in units of `opponent`
LOST = 0.6  # probability that a line ends where it is lost, with no outline seen there
ON, NEAR = (0.06, 0.5), 4  # share of a line's width beyond its end, and px beside it, where a wall joint would continue
BESIDE = 12  # px: anything this near a line belongs to it


@dataclass(frozen=True, eq=False)
class Ridge:
    """A ridge from its first end to its last: (N, 2) px of the copy, first axis along the ridge; its colour and strength."""

    pixels: Array
    colour: Array
    strength: float
    gap: float | None = None  # where it breaks, if it is put together from two halves
    whole: Array | None = None  # the same, continued beyond its ends
    firsts: Ends = ()  # where it may begin, and the probability (0 to 1): where it is lost, or the cloth beside it changes
    lasts: Ends = ()

    @property
    def first(self) -> float:
        """Coordinate where it begins."""
        return float(self.pixels[0, 0])

    @property
    def last(self) -> float:
        """Coordinate where it ends."""
        return float(self.pixels[-1, 0])

    @property
    def width(self) -> float:
        """Length from end to end, px."""
        return self.last - self.first

    @property
    def middle(self) -> float:
        """Coordinate halfway along."""
        return (self.first + self.last) / 2

    @property
    def lean(self) -> float:
        """Angle between the line through its ends and its first axis, degrees."""
        return abs(math.degrees(math.atan2(self.pixels[-1, 1] - self.pixels[0, 1], self.width)))

    def at(self, x: float) -> float:
        """Return its row in column `x`."""
        return float(np.interp(x, self.pixels[:, 0], self.pixels[:, 1]))

    def between(self, first: float, last: float) -> Ridge:
        """Return the part between two coordinates."""
        course = self.pixels if self.whole is None else self.whole
        return replace(self, pixels=course[(course[:, 0] >= first) & (course[:, 0] <= last)])


def same(one: Ridge, other: Ridge) -> bool:
    """Whether two ridges run along each other."""
    first, last = max(one.first, other.first), min(one.last, other.last)
    if last - first < 0.5 * min(one.width, other.width):
        return False
    x = np.linspace(first, last, 20)
    gaps = np.abs(np.interp(x, *one.pixels.T) - np.interp(x, *other.pixels.T))
    return float(np.median(gaps)) < BESIDE


def evened(colours: Array) -> Array:
    """Smooth a picture along its rows, so that stitches run together, and a little across."""
    for _ in range(2):  # two box filters are nearly a Gaussian
        colours = ndimage.uniform_filter1d(colours.astype(np.float32), 2 * round(ALONG) + 1, axis=1, mode="nearest")
    inner = (colours[:-2] + 2 * colours[1:-1] + colours[2:]) / 4
    return np.concatenate([colours[:1], inner, colours[-1:]])


class Ridges:
    """Ridges running from left to right in a picture; in a transposed one, those running down the cloth, nearly `straight`."""

    def __init__(self, colours: Array, *, straight: bool = False) -> None:
        self.colours = colours
        self.cone, self.aside = (0.25, DOWN) if straight else (0.5, ACROSS)
        margin = max(REACHES)
        self.ridge = np.pad(ridge_of(beside(colours, REACHES)), [(margin, margin), (0, 0)])

    def seeds(self, strip: Span, rows: Span, most: int) -> list[tuple[float, float]]:
        """Return (row in the middle of the strip, signal-to-noise ratio) of the ridges that cross it, strongest first."""
        low, high = max(round(rows[0]), 0), min(round(rows[1]) + 1, self.ridge.shape[0])
        part = self.ridge[low : max(high, low), max(round(strip[0]), 0) : max(round(strip[1]) + 1, 0)].copy()
        if min(part.shape) < 8:
            return []
        noise = noise_of(part)
        seeds = []
        for _ in range(most):
            path = strongest_path(np.asarray(part, float))
            on = part[path, np.arange(part.shape[1])] / noise
            if np.median(on) >= 0.75 * LEAST_SNR and (on > 2.0).mean() >= 0.55:
                seeds.append((float(low + path[len(path) // 2]), float(np.median(on))))
            part[np.abs(np.arange(len(part))[:, None] - path[None]) <= BESIDE] = 0.0
        return sorted(seeds, key=lambda seed: -seed[1])

    def only(
        self, strip: Span, rows: Span, reach: Span, jump: int, ink: Array | None = None, *,
        fits: Callable[[Ridge, Sequence[Ridge]], float] | None = None,
    ) -> tuple[Ridge | None, bool]:  # fmt: skip
        """Find the strongest ridge across a strip in these rows, followed to its ends; return it and whether it has a rival.

        `ink`: its colour, if known. `fits`: how well a ridge fits among all of them (0: not at all), a further weight; with it a ridge
        may continue beyond the reach.
        """
        followed = (
            self.follow(strip, row, reach, jump, beyond=fits is not None) for row, _ in self.seeds(strip, rows, 3)
        )
        ridges = [ridge for ridge in followed if ridge is not None]
        ranked = []
        for ridge in ridges:
            weight = ridge.strength * math.sqrt(ridge.width) * (1.0 if fits is None else fits(ridge, ridges))
            weight *= 1.0 if ink is None else max(0.0, float(ridge.colour @ ink))
            if weight > 0:
                ranked.append((weight, ridge))
        ranked.sort(key=lambda item: -item[0])
        if not ranked:
            return None, False
        rival = len(ranked) > 1 and ranked[1][0] > RIVAL * ranked[0][0] and not same(ranked[0][1], ranked[1][1])
        return ranked[0][1], rival

    def follow(self, strip: Span, row: float, reach: Span, jump: int, *, beyond: bool = False) -> Ridge | None:
        """Follow the ridge through the middle of a strip both ways within a reach until it is lost for more than `jump` px.

        One that continues past the reach is cut off there with `beyond`, else rejected (None).
        """
        start = round((strip[0] + strip[1]) / 2)
        left, right = max(round(reach[0]), 0), min(round(reach[1]) + 1, self.ridge.shape[1])
        if not left <= start < right:
            return None
        margin, height = max(REACHES), self.ridge.shape[0]
        low, high = max(round(row) - HALF, margin), min(round(row) + HALF + 1, height - margin)
        away = np.abs(np.arange(left, right) - start)
        cone = np.abs(np.arange(low, high)[:, None] - row) <= 8 + self.cone * away[None]
        columns = np.arange(left, right)
        near = np.flatnonzero(away <= max(26, (strip[1] - strip[0]) / 2))
        path = strongest_path(np.where(cone[:, near], self.ridge[low:high, near + left], 0.0))
        around = self.colours[low - margin : high + margin, near + left]
        colour = ink_of(beside(around, REACHES), path, np.arange(len(near)))
        ridge = self._of_one_colour(colour, slice(low, high), slice(left, right))
        within = np.where(cone, ridge, -1e4)  # never leaves the cone, however strong a line outside is
        path = _coarse_path(within, *self.aside)
        strength = ridge[path, columns - left]
        noise = noise_of(ridge)
        usual = float(np.median(strength[near]))
        seen = strength > max(2.0 * noise, 0.25 * usual)
        if seen[near].mean() < 0.9:
            jump = max(jump, 16)  # a dashed line
        steps = self._steps(columns, path + low)
        on = np.minimum(ndimage.uniform_filter1d(strength, 15, mode="nearest") / (usual + 1e-9), 1.0)
        lasts = _ends(steps, on, start - left, _run(seen, start - left, jump))
        most = len(on) - 1
        firsts = _ends(steps[::-1], on[::-1], most - start + left, _run(seen[::-1], most - start + left, jump))
        firsts = [(most - at, likely) for at, likely in firsts]
        if beyond:
            firsts, lasts = firsts or [(0, LOST)], lasts or [(most, LOST)]
        if not firsts or not lasts or lasts[0][0] - firsts[0][0] < 40:
            return None  # too short, or it continues beyond the reach
        kept = slice(firsts[0][0], lasts[0][0] + 1)
        covered, snr = float(seen[kept].mean()), float(np.median(strength[kept]) / noise)
        if covered < LEAST_COVERED or snr < LEAST_SNR:
            return None
        course = np.stack([columns, path + low], axis=1).astype(float)
        ends = [tuple((float(at + left), likely) for at, likely in candidates) for candidates in (firsts, lasts)]
        whole = Ridge(course, colour, snr, whole=course, firsts=ends[0], lasts=ends[1])
        return whole.between(ends[0][0][0], ends[1][0][0])

    def runs_on(self, line: Ridge) -> float:
        """Share of a length beyond a line's end over which a ridge of its colour continues straight on; the larger of both ends."""
        shares = [0.0]
        slope, row = np.polyfit(line.pixels[:, 0], line.pixels[:, 1], 1)
        usual = float(np.median(self._along(line, line.pixels[:, 0], line.pixels[:, 1])))
        for end, way in ((line.first, -1.0), (line.last, 1.0)):
            columns = end + way * line.width * np.linspace(*ON, 80)
            columns = columns[(columns >= 0) & (columns <= self.ridge.shape[1] - 1)]
            if len(columns) > 20:
                ridge = self._along(line, columns, slope * columns + row)
                shares.append(float((ridge > 0.4 * usual).mean()))
        return max(shares)

    def cloth(self, line: Ridge, way: int, margin: float) -> Array:
        """Colours (N, 3) of the cloth above (`way` -1) or below (1) a line, but for this share of its width at each end."""
        columns = np.linspace(line.first + margin * line.width, line.last - margin * line.width, CLOTH_SAMPLES)
        return self._cloth(columns, np.interp(columns, *line.pixels.T), way)

    def goes_on(self, line: Ridge, inner: float, outer: float) -> bool:
        """Whether between two coordinates along a line its ink is seen nearly everywhere, and the cloth beside it has the tint it has
        before `inner`; its shade changes at folds."""
        way = math.copysign(1.0, outer - inner)
        before = inner - way * np.linspace(STEP_GAP, FROM_END, CLOTH_SAMPLES)
        between = np.linspace(inner + way * STEP_GAP, outer - way * STEP_GAP, CLOTH_SAMPLES)
        course = line.pixels if line.whole is None else line.whole
        usual = float(np.median(self._along(line, line.pixels[:, 0], line.pixels[:, 1])))
        ink = self._along(line, between, np.interp(between, *course.T))
        if float((ink > INK_SEEN * usual).mean()) < NEARLY_ALL:
            return False
        for side in (-1, 1):
            one, other = (self._cloth(columns, np.interp(columns, *course.T), side) for columns in (before, between))
            if np.linalg.norm(np.median(one, axis=0)[1:] - np.median(other, axis=0)[1:]) > SAME_TINT:
                return False
        return True

    def _cloth(self, columns: Array, rows: Array, way: int) -> Array:
        """Colours (N, 3) beside a line through these places, above (`way` -1) or below (1) it."""
        at = [np.clip(np.rint(rows + way * away).astype(int), 0, len(self.colours) - 1) for away in CLOTH]
        along = np.clip(np.rint(columns).astype(int), 0, self.colours.shape[1] - 1)
        colours: Array = np.median(self.colours[at, along], axis=0)
        return colours

    def _along(self, line: Ridge, columns: Array, rows: Array) -> Array:
        """Ridge strength in a line's colour at each point, or close beside it."""
        margin = max(REACHES) + NEAR
        high = max(round(float(rows.min())) - margin, margin)
        low = min(round(float(rows.max())) + margin, len(self.ridge) - margin)
        first, last = round(float(columns.min())), round(float(columns.max())) + 1
        if low - high < 2 * NEAR:
            return np.zeros(len(columns))
        ridge = self._of_one_colour(line.colour, slice(high, low), slice(first, last))
        places = np.clip(np.rint(rows).astype(int)[:, None] + np.arange(-NEAR, NEAR + 1) - high, 0, low - high - 1)
        best: Array = ridge[places, np.rint(columns).astype(int)[:, None] - first].max(axis=1)
        return best

    def _of_one_colour(self, colour: Array, rows: slice, columns: slice) -> Array:
        """Ridge strength in this colour at each pixel."""
        margin = max(REACHES)
        inked = self.colours[rows.start - margin : rows.stop + margin, columns] @ colour.astype(np.float32)
        return ridge_of(beside(inked, REACHES))

    def _steps(self, columns: NDArray[np.int64], rows: NDArray[np.int64]) -> Array:
        """How much the cloth on both sides of a line changes at each of its points."""
        changes: list[Array] = []
        for way in (-1, 1):
            at = [np.clip(rows + way * away, 0, len(self.colours) - 1) for away in CLOTH]
            cloth = ndimage.median_filter(np.median(self.colours[at, columns], axis=0), (STEP_RUN, 1), mode="nearest")
            widened = np.pad(cloth, [(STEP_GAP, STEP_GAP), (0, 0)], mode="edge")
            changes.append(np.linalg.norm(widened[2 * STEP_GAP :] - widened[: -2 * STEP_GAP], axis=1))
        least: Array = np.minimum(*changes)
        return least


def _ends(steps: Array, on: Array, start: int, lost: int) -> list[tuple[int, float]]:
    """Where a line running to larger coordinates may end, with probabilities: first where it is lost, unless it continues beyond
    the reach, then where the cloth beside it changes most."""
    ends: list[tuple[int, float]] = []
    most = min(lost + STEP_RUN, len(steps) - STEP_GAP)
    change = steps[: max(most, 0)].copy()
    change[: start + NEAREST_END] = 0.0
    while len(ends) < MOST_ENDS and change.size and change.max() > LEAST_STEP:
        at = int(change.argmax())
        beyond = on[min(at + 12, len(on) - 1)] if at + 12 <= lost else 0.0
        ends.append((at, (1 - math.exp(-float(change[at]) / USUAL_STEP)) * (1 - 0.3 * float(beyond))))
        change[max(at - 12, 0) : at + 13] = 0.0
    if lost < len(steps) - 2:
        near = max((likely for at, likely in ends if abs(at - lost) < STEP_RUN), default=0.0)
        ends.insert(0, (lost, LOST + (1 - LOST) * near))
    return ends


def _coarse_path(ridge: Array, most: int, penalty: float) -> NDArray[np.int64]:
    """The strongest path, searched in every other column only, which is enough for a line that leans little."""
    pairs = np.maximum(ridge[:, :-1:2], ridge[:, 1::2])
    coarse = np.repeat(strongest_path(pairs, most, penalty), 2)
    whole = np.pad(coarse, (0, ridge.shape[1] - len(coarse)), mode="edge")
    window = np.clip(whole + np.arange(-1, 2)[:, None], 0, len(ridge) - 1)
    along = np.arange(len(whole))
    course: NDArray[np.int64] = window[ridge[window, along].argmax(axis=0), along]
    return course


def _run(seen: NDArray[np.bool_], start: int, jump: int) -> int:
    """Last point seen from `start` on before more than `jump` in a row are missing."""
    way = seen[start:]
    beyond = np.pad(way.astype(int), (0, 2))
    at = np.flatnonzero(way & (beyond[:-2] + beyond[1:-1] + beyond[2:] >= 2))  # ignores isolated points
    lost = np.flatnonzero(np.diff(at, prepend=0) > jump + 1)
    kept = at[: lost[0]] if len(lost) else at
    return start + (int(kept[-1]) if len(kept) else 0)
