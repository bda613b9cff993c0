"""Ridges of a picture: drawn lines, whose colour differs from the cloth on both sides, followed from end to end."""

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
ALONG = 3.0  # px: over so much a line is evened out lengthwise, which closes the gaps of stitches
LEAST_COVERED, LEAST_SNR = 0.6, 4.0
RIVAL = 0.6  # what scores so much of the best is a rival
HALF = 80  # px: so far a line may sink or rise between its middle and its ends
CLOTH = (7, 9, 11)  # px from the middle of a line: there lies the cloth, as it was not drawn on
STEP_RUN, STEP_GAP = 9, 6  # px along a line: the cloth before and behind an outline, and how far they lie from it
LEAST_STEP, USUAL_STEP = 4.5, 8.0  # how much the cloth changes at an outline, in units of `opponent`
NEAREST_END, MOST_ENDS = 20, 4
LOST = 0.6  # how likely a line ends where it is lost, with no outline seen there
ON, NEAR = (0.06, 0.5), 4  # of a line's width beyond its end, and px beside it: there the joint of a wall goes on
BESIDE = 12  # px: what lies so near to a line belongs to it


@dataclass(frozen=True, eq=False)
class Found:
    """A ridge from its first end to its last: (N, 2) px of the copy, the first axis along its run; its colour and strength."""

    pixels: Array
    colour: Array
    strength: float
    gap: float | None = None  # where it breaks, if it is put together from two halves
    whole: Array | None = None  # its course beyond its ends as well
    firsts: Ends = ()  # where it may begin, and how likely (0 to 1): where it is lost, or the cloth beside it changes
    lasts: Ends = ()

    @property
    def first(self) -> float:
        """Where it begins, along its run."""
        return float(self.pixels[0, 0])

    @property
    def last(self) -> float:
        """Where it ends."""
        return float(self.pixels[-1, 0])

    @property
    def width(self) -> float:
        """From end to end."""
        return self.last - self.first

    @property
    def middle(self) -> float:
        """Half way, along its run."""
        return (self.first + self.last) / 2

    @property
    def lean(self) -> float:
        """Degrees between the line through its ends and its run."""
        return abs(math.degrees(math.atan2(self.pixels[-1, 1] - self.pixels[0, 1], self.width)))

    def at(self, x: float) -> float:
        """Its row in a column."""
        return float(np.interp(x, self.pixels[:, 0], self.pixels[:, 1]))

    def between(self, first: float, last: float) -> Found:
        """The part of it between two places."""
        course = self.pixels if self.whole is None else self.whole
        return replace(self, pixels=course[(course[:, 0] >= first) & (course[:, 0] <= last)])


def same(one: Found, other: Found) -> bool:
    """Whether two ridges run along each other."""
    first, last = max(one.first, other.first), min(one.last, other.last)
    if last - first < 0.5 * min(one.width, other.width):
        return False
    at = np.linspace(first, last, 20)
    apart = np.abs(np.interp(at, *one.pixels.T) - np.interp(at, *other.pixels.T))
    return float(np.median(apart)) < BESIDE


def evened(colours: Array) -> Array:
    """A picture evened out along its rows, so that stitches run together, and a little across."""
    for _ in range(2):  # two means over a box are nearly a Gaussian one
        colours = ndimage.uniform_filter1d(colours.astype(np.float32), 2 * round(ALONG) + 1, axis=1, mode="nearest")
    inner = (colours[:-2] + 2 * colours[1:-1] + colours[2:]) / 4
    return np.concatenate([colours[:1], inner, colours[-1:]])


class Ridges:
    """A picture's ridges that run from left to right; of one that is turned, those that run down the cloth, nearly `straight`."""

    def __init__(self, colours: Array, *, straight: bool = False) -> None:
        self.colours = colours
        self.cone, self.aside = (0.25, DOWN) if straight else (0.5, ACROSS)
        margin = max(REACHES)
        self.ridge = np.pad(ridge_of(beside(colours, REACHES)), [(margin, margin), (0, 0)])

    def seeds(self, strip: Span, rows: Span, most: int) -> list[tuple[float, float]]:
        """(row in the middle of the strip, strength over the noise) of the ridges that cross it, strongest first."""
        low, high = max(round(rows[0]), 0), min(round(rows[1]) + 1, self.ridge.shape[0])
        part = self.ridge[low : max(high, low), max(round(strip[0]), 0) : max(round(strip[1]) + 1, 0)].copy()
        if min(part.shape) < 8:
            return []
        noise = noise_of(part)
        found = []
        for _ in range(most):
            path = strongest_path(np.asarray(part, float))
            on = part[path, np.arange(part.shape[1])] / noise
            if np.median(on) >= 0.75 * LEAST_SNR and (on > 2.0).mean() >= 0.55:
                found.append((float(low + path[len(path) // 2]), float(np.median(on))))
            part[np.abs(np.arange(len(part))[:, None] - path[None]) <= BESIDE] = 0.0
        return sorted(found, key=lambda seed: -seed[1])

    def only(
        self, strip: Span, rows: Span, reach: Span, jump: int, ink: Array | None = None, *,
        fits: Callable[[Found, Sequence[Found]], float] | None = None,
    ) -> tuple[Found | None, bool]:  # fmt: skip
        """The strongest ridge across a strip among these rows, followed to its ends, and whether another is nearly as strong.

        It is of one colour where `ink` is known. Where it is asked how well each `fits` among all of them (0: not at all), that
        weighs too, and a ridge may go on past the reach.
        """
        followed = (
            self.follow(strip, row, reach, jump, beyond=fits is not None) for row, _ in self.seeds(strip, rows, 3)
        )
        ridges = [ridge for ridge in followed if ridge is not None]
        found = []
        for ridge in ridges:
            weight = ridge.strength * math.sqrt(ridge.width) * (1.0 if fits is None else fits(ridge, ridges))
            weight *= 1.0 if ink is None else max(0.0, float(ridge.colour @ ink))
            if weight > 0:
                found.append((weight, ridge))
        found.sort(key=lambda item: -item[0])
        if not found:
            return None, False
        rival = len(found) > 1 and found[1][0] > RIVAL * found[0][0] and not same(found[0][1], found[1][1])
        return found[0][1], rival

    def follow(self, strip: Span, row: float, reach: Span, jump: int, *, beyond: bool = False) -> Found | None:
        """The ridge through the middle of a strip, followed both ways within a reach until it is lost for more than `jump` px.

        One that goes on past the reach is cut off there if it may go on `beyond`, else it is none.
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
        within = np.where(cone, ridge, -1e4)  # never out of the cone, however strong a line is there
        path = _by_twos(within, *self.aside)
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
            return None  # too short, or it goes on beyond the reach
        kept = slice(firsts[0][0], lasts[0][0] + 1)
        covered, snr = float(seen[kept].mean()), float(np.median(strength[kept]) / noise)
        if covered < LEAST_COVERED or snr < LEAST_SNR:
            return None
        course = np.stack([columns, path + low], axis=1).astype(float)
        ends = [tuple((float(at + left), likely) for at, likely in some) for some in (firsts, lasts)]
        found = Found(course, colour, snr, whole=course, firsts=ends[0], lasts=ends[1])
        return found.between(ends[0][0][0], ends[1][0][0])

    def runs_on(self, line: Found) -> float:
        """What share of a length beyond one of a line's ends has a ridge of its colour straight on from it, at the end where more has."""
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

    def _along(self, line: Found, columns: Array, rows: Array) -> Array:
        """How much each place, or one near it, differs by a line's colour from what lies on both sides of it."""
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
        """How much each place differs by this colour from the cloth on both sides of it."""
        margin = max(REACHES)
        inked = self.colours[rows.start - margin : rows.stop + margin, columns] @ colour.astype(np.float32)
        return ridge_of(beside(inked, REACHES))

    def _steps(self, columns: NDArray[np.int64], rows: NDArray[np.int64]) -> Array:
        """How much the cloth on both sides of a course changes at each of its places."""
        changes: list[Array] = []
        for way in (-1, 1):
            at = [np.clip(rows + way * away, 0, len(self.colours) - 1) for away in CLOTH]
            cloth = ndimage.median_filter(np.median(self.colours[at, columns], axis=0), (STEP_RUN, 1), mode="nearest")
            widened = np.pad(cloth, [(STEP_GAP, STEP_GAP), (0, 0)], mode="edge")
            changes.append(np.linalg.norm(widened[2 * STEP_GAP :] - widened[: -2 * STEP_GAP], axis=1))
        least: Array = np.minimum(*changes)
        return least


def _ends(steps: Array, on: Array, start: int, lost: int) -> list[tuple[int, float]]:
    """Where a course may end that goes on to larger places, and how likely: first where it is lost, unless it goes on beyond the
    reach, then where the cloth beside it changes most."""
    found: list[tuple[int, float]] = []
    most = min(lost + STEP_RUN, len(steps) - STEP_GAP)
    change = steps[: max(most, 0)].copy()
    change[: start + NEAREST_END] = 0.0
    while len(found) < MOST_ENDS and change.size and change.max() > LEAST_STEP:
        at = int(change.argmax())
        beyond = on[min(at + 12, len(on) - 1)] if at + 12 <= lost else 0.0
        found.append((at, (1 - math.exp(-float(change[at]) / USUAL_STEP)) * (1 - 0.3 * float(beyond))))
        change[max(at - 12, 0) : at + 13] = 0.0
    if lost < len(steps) - 2:
        near = max((likely for at, likely in found if abs(at - lost) < STEP_RUN), default=0.0)
        found.insert(0, (lost, LOST + (1 - LOST) * near))
    return found


def _by_twos(ridge: Array, most: int, penalty: float) -> NDArray[np.int64]:
    """The strongest course, looked for in every other column only, which is enough for a line that leans little."""
    pairs = np.maximum(ridge[:, :-1:2], ridge[:, 1::2])
    coarse = np.repeat(strongest_path(pairs, most, penalty), 2)
    whole = np.pad(coarse, (0, ridge.shape[1] - len(coarse)), mode="edge")
    window = np.clip(whole + np.arange(-1, 2)[:, None], 0, len(ridge) - 1)
    along = np.arange(len(whole))
    course: NDArray[np.int64] = window[ridge[window, along].argmax(axis=0), along]
    return course


def _run(seen: NDArray[np.bool_], start: int, jump: int) -> int:
    """The last place seen from `start` on before more than `jump` in a row are not seen."""
    way = seen[start:]
    beyond = np.pad(way.astype(int), (0, 2))
    at = np.flatnonzero(way & (beyond[:-2] + beyond[1:-1] + beyond[2:] >= 2))  # one place alone is none
    lost = np.flatnonzero(np.diff(at, prepend=0) > jump + 1)
    kept = at[: lost[0]] if len(lost) else at
    return start + (int(kept[-1]) if len(kept) else 0)
