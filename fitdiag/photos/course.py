"""The course of a balance line put back onto the body, and what is read off it: heights of centre and ends, slopes beside the centre.

Each pixel of a line is put onto half an ellipse as wide as the picture shows and as deep as is known. What is left is the line's
own height, place by place; no shape is laid over it. Heights are in mm over the lens, lengths along the cloth.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.camera import Camera
from fitdiag.photos.marks import Point
from fitdiag.photos.section import Section
from fitdiag.photos.snap import Track
from fitdiag.photos.strip import Array

Kind = Literal["trunk", "side", "leg"]
Pair = tuple[float, ...]  # left, right
_End = tuple[float, float, float]  # height, change per radian, unrest
V_LENGTH = 30.0  # mm beside the centre over which the slope of a V is taken
LAST_LENGTH = 60.0  # mm: over so much the rules ask how far the line drops to the centre seam
REST_LENGTH = 100.0  # mm; from there on outwards the rest is told apart from it
CENTRE_LENGTH = 25.0  # mm to each side from which the height at the centre is read
# places round the section, degrees, from which the height at an end is read
END_ANGLES: Mapping[Kind, tuple[float, float]] = {"trunk": (66.0, 88.5), "side": (74.0, 89.0), "leg": (67.0, 87.0)}
CARRIED = (30.0, 89.0)  # places round the section, degrees, by which a course is carried on to its ends
# mm by which courses bend, and over how many degrees: both halves alike; one up and the other down, besides a tilt; folds
BENDS, SWAYS = (25.0, 60.0), (2.0, 40.0)
FOLDS: Mapping[Kind, tuple[float, float]] = {"trunk": (1.5, 5.0), "side": (0.5, 8.0), "leg": (0.5, 8.0)}
ONE_PLACE = 1.5  # degrees
# mm by which a place is off by itself, up or down and sideways; degrees between which is looked how steeply a course runs up in sight
NOISE, SIDEWAYS, CLIMB = 0.7, 1.5, (50.0, 75.0)
LEAST_PLACES = 8
BARELY_SEEN = 20.0  # mm: how unsure an end is that hardly any place is near to


@dataclass(frozen=True)
class Stance:
    """All that is uncertain about one line; the errors move these one at a time."""

    camera: Camera
    distance: float
    left: float  # px, x of the side edges on the line
    right: float
    seam: float
    depth: float


@dataclass(frozen=True, eq=False)
class Numbers:
    """What a line's course tells. `ends`, `centre`: heights, mm; slopes in degrees, positive where the line rises outwards.

    `unrest`: mm, how far the course waves about what was read, at its worst place; `beside`: the same beside the centre;
    `steep`: mm per radian round the section, how fast it runs at its ends, where the cloth turns out of sight.
    """

    section: Section
    ends: Pair
    centre: float
    slopes: Pair = (0.0, 0.0)
    lasts: Pair = (0.0, 0.0)  # the same over `LAST_LENGTH`
    rests: Pair = (0.0, 0.0)
    unrest: float = 0.3
    beside: float = 0.3
    steep: Pair = (0.0, 0.0)
    dips: Pair = (0.0, 0.0)  # mm by which the line half way to each end lies lower than that end

    @property
    def tilt(self) -> float:
        """Degrees from end to end, positive where the right end (in the picture) is higher."""
        across = 2 * self.section.half * math.cos(self.section.yaw)
        return math.degrees(math.atan2(self.ends[1] - self.ends[0], across))

    @property
    def drop(self) -> float:
        """How much lower the centre lies than the two ends, mm."""
        return sum(self.ends) / 2 - self.centre


@dataclass
class Course:
    """Turns a tracked line into numbers for any assumed stance; outliers are settled once."""

    track: Track
    left: Point
    seam: Point
    right: Point
    kind: Kind
    seen: tuple[float | None, float | None] = (None, None)  # px: x of the first and last place that nothing covers
    _kept: dict[str, Array] = field(default_factory=dict)
    _outwards: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        """Seen from the middle a course goes outwards; where it turns back it has left the cloth, as along an outline."""
        x = self.track.pixels[:, 0]
        way, middle = (1.0 if x[-1] >= x[0] else -1.0), len(x) // 2
        right, left = way * x[middle:], -way * x[middle::-1]
        self._outwards = np.ones(len(x), bool)
        self._outwards[middle + 1 :] = right[1:] > np.maximum.accumulate(right)[:-1]
        self._outwards[:middle] = (left[1:] > np.maximum.accumulate(left)[:-1])[::-1]
        first, last = self.seen
        self._outwards &= (x > (first or -math.inf)) & (x < (last or math.inf))

    def section(self, stance: Stance) -> tuple[Section, float]:
        """The section, and the place s of the centre seam on it."""
        rays = stance.camera.rays(
            np.array([(stance.left, self.left[1]), (stance.seam, self.seam[1]), (stance.right, self.right[1])])
        )[:, 0]
        section = Section.between(float(rays[0]), float(rays[2]), stance.distance, stance.depth)
        if self.kind != "trunk":
            return section, float(section.hit(rays[1:2])[0, 0])
        return section.turned_to(float(rays[1]), float(rays[0]), float(rays[2])), 0.0

    def numbers(self, stance: Stance) -> Numbers:
        """What the line tells on the cloth."""
        section, apex = self.section(stance)
        rays = stance.camera.rays(self.track.pixels)
        hits = section.hit(rays[:, 0])
        turn, height = np.arcsin(np.clip(hits[:, 0], -1.0, 1.0)), rays[:, 1] * hits[:, 1]
        x = self.track.pixels[:, 0]
        inside = self._outwards & (x > stance.left + 1) & (x < stance.right - 1)
        left, right = self._ends(
            turn, height, inside, self._astray(turn, rays[:, 1] * stance.distance / section.half, inside)
        )
        ends, steep = (left[0], right[0]), (left[1], right[1])
        if self.kind != "trunk":
            centre = self._centre(turn - math.asin(max(-1.0, min(1.0, apex))), section, height, inside)[0]
            return Numbers(section, ends, centre, unrest=max(left[2], right[2], 0.1), steep=steep)
        along = section.lengths(turn)
        centre, unrest = self._centre(turn, section, height, inside)
        slopes, lasts, rests = (
            tuple(self._slope(sign * along, height, inside, first, last) for sign in (-1, 1))
            for first, last in ((0.0, V_LENGTH), (0.0, LAST_LENGTH), (V_LENGTH, REST_LENGTH))
        )
        dips = tuple(end - self._half_way(sign * turn, height, inside) for end, sign in zip(ends, (-1, 1), strict=True))
        worst = max(unrest, left[2], right[2], 0.1)
        return Numbers(section, ends, centre, slopes, lasts, rests, worst, max(unrest, 0.1), steep, dips)

    def _astray(self, turn: Array, seen: Array, inside: NDArray[np.bool_]) -> Array:
        """By how much each place may be off, mm: a course is followed column by column, and beside a trunk's outline it runs up
        steeply in sight. `seen`: its height as the picture shows it, in half widths."""
        astray: Array = np.full(len(turn), NOISE)
        for way in (-1, 1) if self.kind == "trunk" else ():
            near = inside & (way * turn > math.radians(CLIMB[0])) & (way * turn < math.radians(CLIMB[1]))
            if near.sum() >= LEAST_PLACES:
                steep = np.polyfit(turn[near], seen[near], 1)[0] / np.maximum(np.cos(turn), 0.02)
                astray = np.where(way * turn > 0, np.hypot(NOISE, SIDEWAYS * steep), astray)
        return astray

    def _ends(self, turn: Array, height: Array, inside: NDArray[np.bool_], astray: Array) -> tuple[_End, _End]:
        """Both ends: carried on by the whole course where enough of it is seen, else straight on."""
        left, right = self._end("left", -turn, height, inside), self._end("right", turn, height, inside)
        ends = self._carried(turn, height, inside, astray) or (left[0], right[0])
        return (ends[0], *left[1:]), (ends[1], *right[1:])

    def _end(self, key: str, turn: Array, height: Array, inside: NDArray[np.bool_]) -> _End:
        """Height where the section turns out of sight, its change per radian there, and the unrest: a straight line through
        the last places."""
        first, last = END_ANGLES[self.kind]
        barely = 0.0
        near = inside & (turn > math.radians(first)) & (turn < math.radians(last))
        if near.sum() < LEAST_PLACES:
            near = inside & (turn > math.radians(first - 18.0))
        if near.sum() < LEAST_PLACES:
            near = np.zeros(len(turn), bool)
            near[np.argsort(np.where(inside, turn, -np.inf))[-LEAST_PLACES:]] = True
            barely = BARELY_SEEN
        off = turn[near] - math.pi / 2
        table = np.stack([np.ones_like(off), off], axis=1)
        fit, rest = self._steady(key, table, height[near])
        return float(fit[0]), float(fit[1]), max(rest, barely)

    def _carried(
        self, turn: Array, height: Array, inside: NDArray[np.bool_], astray: Array
    ) -> tuple[float, float] | None:
        """Heights where the section turns out of sight, left and right, by the whole course: the mean of all courses that pass the
        places seen and are as smooth and as like on both sides as drawn lines are, but for a tilt, which runs as the sine round the
        section (a Gaussian process; Rasmussen and Williams 2006, eq. 2.23). None: too few places on a side."""
        first, last = map(math.radians, CARRIED)
        near = np.flatnonzero(inside & (np.abs(turn) > first) & (np.abs(turn) < last))
        if min((turn[near] < 0).sum(), (turn[near] > 0).sum()) < 2 * LEAST_PLACES:
            return None
        bins = np.floor(np.degrees(turn[near]) / ONE_PLACE)  # beside the outline many pixels pile up on one place
        above, noise = _medians(bins, height[near]), _medians(bins, astray[near]) ** 2
        middle = float(np.median(above))
        at = np.array([*_medians(bins, turn[near]), -math.pi / 2, math.pi / 2])
        apart, sides = np.subtract.outer(np.abs(at), np.abs(at)), np.sign(np.outer(at, at))

        def alike(size: float, wide: float) -> Array:
            likely: Array = size**2 * np.exp(-((apart / math.radians(wide)) ** 2) / 2)
            return likely

        tilts = np.outer(np.sin(at), np.sin(at))
        prior = 1e4 * (1 + tilts) + alike(*BENDS) + sides * alike(*SWAYS) + (sides > 0) * alike(*FOLDS[self.kind])
        seen = prior[:-2, :-2]

        def fit(weights: Array) -> tuple[Array, Array]:
            shares: Array = np.asarray(np.linalg.solve(seen + np.diag(noise / weights), above - middle), float)
            return shares, above - middle - seen @ shares

        shares, _ = self._settled("whole", len(above), fit)
        left, right = prior[-2:, :-2] @ shares + middle
        return float(left), float(right)

    @staticmethod
    def _half_way(turn: Array, height: Array, inside: NDArray[np.bool_]) -> float:
        """Height half way between the centre and one end, where a leg's own middle is."""
        near = inside & (np.abs(np.sin(turn) - 0.5) < 0.06)
        return float(np.median(height[near])) if near.any() else math.nan

    def _centre(self, turn: Array, section: Section, height: Array, inside: NDArray[np.bool_]) -> tuple[float, float]:
        """Height at the centre seam and the unrest: two lines that meet there."""
        off = turn * section.half
        reach = min(CENTRE_LENGTH, 0.4 * section.half)
        near = inside & (np.abs(off) < reach)
        if near.sum() < LEAST_PLACES:
            near = np.zeros(len(turn), bool)
            near[np.argsort(np.where(inside, np.abs(off), np.inf))[:LEAST_PLACES]] = True
        table = np.stack([np.ones(int(near.sum())), np.minimum(off[near], 0), np.maximum(off[near], 0)], axis=1)
        fit, rest = self._steady("middle", table, height[near])
        return float(fit[0]), rest

    def _steady(self, key: str, table: Array, height: Array) -> tuple[Array, float]:
        """A fit by least squares, and the unrest about it."""

        def fit(weights: Array) -> tuple[Array, Array]:
            root = np.sqrt(weights)
            found = np.linalg.lstsq(table * root[:, None], height * root, rcond=None)[0]
            return np.asarray(found, float), height - table @ found

        found, rest = self._settled(key, len(height), fit)
        return found, 1.4826 * float(np.median(np.abs(rest)))

    def _settled(self, key: str, count: int, fit: Callable[[Array], tuple[Array, Array]]) -> tuple[Array, Array]:
        """What a fit by weights finds and leaves; what jumps counts little, and the weights are settled the first time."""
        kept = self._kept.get(key)
        settled = kept is not None and len(kept) == count
        weights = kept if kept is not None and settled else np.ones(count)
        for _ in range(1 if settled else 6):
            found, rest = fit(weights)
            weights = weights if settled else _steady_weights(rest)
        self._kept[key] = weights
        return found, rest

    @staticmethod
    def _slope(along: Array, height: Array, inside: NDArray[np.bool_], first: float, last: float) -> float:
        """Degrees by which the line rises outwards between two lengths from the centre."""
        near = inside & (along > first) & (along < last)
        if near.sum() < LEAST_PLACES:
            return 0.0
        return math.degrees(math.atan(float(np.polyfit(along[near], height[near], 1)[0])))


def _medians(bins: Array, values: Array) -> Array:
    """The median of the values in each bin, by the numbers of the bins."""
    order = np.lexsort((values, bins))
    _, first, many = np.unique(bins[order], return_index=True, return_counts=True)
    ordered = values[order]
    return np.asarray(ordered[first + (many - 1) // 2] + ordered[first + many // 2]) / 2


def _steady_weights(rest: Array) -> Array:
    """Weights of places by what a fit leaves of them: what jumps counts little (Tukey's biweight, never quite nothing)."""
    scale = 1.4826 * float(np.median(np.abs(rest))) + 0.25
    weights: Array = np.maximum(0.05, 1 - (rest / (4.7 * scale)) ** 2) ** 2
    return weights
