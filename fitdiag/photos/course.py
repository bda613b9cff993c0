"""A balance line projected back onto the body, and what is read off it: heights of centre and ends, slopes beside the centre.

Each pixel of a line is projected onto half an ellipse as wide as the picture shows and as deep as is known. That gives the line's
own height, point by point; no shape is imposed on it. Heights are in mm above the lens, lengths along the cloth.
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
from fitdiag.photos.robust import median, scatter
from fitdiag.photos.section import Section
from fitdiag.photos.snap import Track
from fitdiag.photos.strip import Array

Kind = Literal["trunk", "side", "leg"]
Pair = tuple[float, ...]  # left, right
_End = tuple[float, float, float]  # height, change per radian, scatter
V_LENGTH = 30.0  # mm beside the centre over which the slope of a V is taken
LAST_LENGTH = 60.0  # mm over which the rules ask how far the line drops to the centre seam
REST_LENGTH = 100.0  # mm: outer end of the stretch beyond the V whose slope is reported with it
CENTRE_LENGTH = 25.0  # mm to each side used for the height at the centre
# angles round the section, degrees, used for the height at an end
END_ANGLES: Mapping[Kind, tuple[float, float]] = {"trunk": (66.0, 88.5), "side": (74.0, 89.0), "leg": (67.0, 87.0)}
CARRIED = (30.0, 89.0)  # angles round the section, degrees, used to extrapolate a line to its ends
# standard deviation, mm, and length scale, degrees, of the prior: symmetric; antisymmetric (besides a tilt); folds
BENDS, SWAYS = (25.0, 60.0), (2.0, 40.0)
FOLDS: Mapping[Kind, tuple[float, float]] = {"trunk": (1.5, 5.0), "side": (0.5, 8.0), "leg": (0.5, 8.0)}
ONE_PLACE = 1.5  # degrees in one bin
# error of one point, mm, vertical and sideways; degrees between which the visible slope of a line is fitted
NOISE, SIDEWAYS, CLIMB = 0.7, 1.5, (50.0, 75.0)
LEAST_PLACES = 8
BARELY_SEEN = 20.0  # mm: error of an end with hardly any points near it


@dataclass(frozen=True)
class Stance:
    """All that is uncertain about one line; errors are found by moving these one at a time."""

    camera: Camera
    distance: float
    left: float  # px: x of the side edge on the line
    right: float
    seam: float
    depth: float
    seam_off: float = 0.0  # px: how far the centre seam lies to the right of the middle of the body


@dataclass(frozen=True, eq=False)
class Numbers:
    """Measurements of one line. `ends`, `centre`: heights, mm; slopes in degrees, positive where the line rises outwards.

    `unrest`: largest scatter of the line about the fits, mm; `beside`: its scatter beside the centre; `steep`: slope at the ends,
    where the cloth turns out of sight, mm per radian round the section.
    """

    section: Section
    ends: Pair
    centre: float
    steep: Pair
    unrest: float
    beside: float
    # of a trunk's line only
    slopes: Pair = (0.0, 0.0)
    lasts: Pair = (0.0, 0.0)  # the same over `LAST_LENGTH`
    rests: Pair = (0.0, 0.0)
    dips: Pair = (0.0, 0.0)  # mm by which the line halfway to each end is lower than that end

    @property
    def tilt(self) -> float:
        """Degrees from end to end, positive where the right end (in the picture) is higher."""
        across = 2 * self.section.half * math.cos(self.section.yaw)
        return math.degrees(math.atan2(self.ends[1] - self.ends[0], across))

    @property
    def drop(self) -> float:
        """How much lower the centre is than the mean of the two ends, mm."""
        return sum(self.ends) / 2 - self.centre


@dataclass
class Course:
    """Turns a tracked line into numbers for any assumed stance; outlier weights are found only once."""

    track: Track
    left: Point
    seam: Point
    right: Point
    kind: Kind
    covered_from: tuple[float | None, float | None] = (None, None)  # of the left and right `Edge`, px
    _kept: dict[str, Array] = field(default_factory=dict)
    _outwards: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        """From the middle a line runs outwards; where it turns back it has left the cloth, as along an outline, and where
        it is covered it is not the line."""
        x = self.track.pixels[:, 0]
        way, middle = (1.0 if x[-1] >= x[0] else -1.0), len(x) // 2
        right, left = way * x[middle:], -way * x[middle::-1]
        self._outwards = np.ones(len(x), bool)
        self._outwards[middle + 1 :] = right[1:] > np.maximum.accumulate(right)[:-1]
        self._outwards[:middle] = (left[1:] > np.maximum.accumulate(left)[:-1])[::-1]
        first, last = self.covered_from
        if first is not None:
            self._outwards &= x > first
        if last is not None:
            self._outwards &= x < last

    def section(self, stance: Stance) -> tuple[Section, float]:
        """Return the section, a trunk's turned by where its middle is seen, and the position s of the centre seam on it."""
        middle, y = stance.seam - stance.seam_off, self.seam[1]
        left, middle, seam, right = stance.camera.rays(
            np.array([(stance.left, self.left[1]), (middle, y), (stance.seam, y), (stance.right, self.right[1])])
        )[:, 0]
        section = Section.between(left, right, stance.distance, stance.depth)
        if self.kind == "trunk":
            section = section.turned_to(middle, left, right)
        return section, float(section.hit(np.array([seam]))[0, 0])

    def numbers(self, stance: Stance) -> Numbers:
        """Measure the line on the cloth."""
        section, apex = self.section(stance)
        rays = stance.camera.rays(self.track.pixels)
        hits = section.hit(rays[:, 0])
        turn, height = np.arcsin(hits[:, 0]), rays[:, 1] * hits[:, 1]
        x = self.track.pixels[:, 0]
        inside = self._outwards & (x > stance.left + 1) & (x < stance.right - 1)
        left, right = self._ends(
            turn, height, inside, self._point_errors(turn, rays[:, 1] * stance.distance / section.half, inside)
        )
        ends, steep = (left[0], right[0]), (left[1], right[1])
        from_seam = turn - math.asin(apex)
        centre, beside = self._centre(from_seam, section, height, inside)
        unrest, beside = max(left[2], right[2], 0.1), max(beside, 0.1)
        if self.kind != "trunk":
            return Numbers(section, ends, centre, steep, unrest, beside)
        along = section.lengths(turn) - section.lengths(np.arcsin([apex]))
        slopes, lasts, rests = (
            tuple(self._slope(sign * along, height, inside, first, last) for sign in (-1, 1))
            for first, last in ((0.0, V_LENGTH), (0.0, LAST_LENGTH), (V_LENGTH, REST_LENGTH))
        )
        dips = tuple(end - self._halfway(sign * turn, height, inside) for end, sign in zip(ends, (-1, 1), strict=True))
        return Numbers(section, ends, centre, steep, max(unrest, beside), beside, slopes, lasts, rests, dips)

    def _point_errors(self, turn: Array, seen: Array, inside: NDArray[np.bool_]) -> Array:
        """Error of each point, mm: a line is followed column by column, and near a trunk's outline it looks steep.
        `seen`: apparent height, in half widths."""
        errors: Array = np.full(len(turn), NOISE)
        for way in (-1, 1) if self.kind == "trunk" else ():
            near = inside & (way * turn > math.radians(CLIMB[0])) & (way * turn < math.radians(CLIMB[1]))
            if near.sum() >= LEAST_PLACES:
                steep = np.polyfit(turn[near], seen[near], 1)[0] / np.maximum(np.cos(turn), 0.02)
                errors = np.where(way * turn > 0, np.hypot(NOISE, SIDEWAYS * steep), errors)
        return errors

    def _ends(self, turn: Array, height: Array, inside: NDArray[np.bool_], errors: Array) -> tuple[_End, _End]:
        """Both ends: extrapolated from the whole line where enough of it is visible, else straight on."""
        left, right = self._end("left", -turn, height, inside), self._end("right", turn, height, inside)
        ends = self._extrapolated(turn, height, inside, errors) or (left[0], right[0])
        return (ends[0], *left[1:]), (ends[1], *right[1:])

    def _end(self, key: str, turn: Array, height: Array, inside: NDArray[np.bool_]) -> _End:
        """Height where the section turns out of sight, its change per radian there, and the scatter, from a straight line
        through the last points."""
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
        fit, rest = self._robust_fit(key, table, height[near])
        return float(fit[0]), float(fit[1]), max(rest, barely)

    def _extrapolated(
        self, turn: Array, height: Array, inside: NDArray[np.bool_], errors: Array
    ) -> tuple[float, float] | None:
        """Heights, left and right, where the section turns out of sight: the posterior mean of a Gaussian process (Rasmussen and
        Williams 2006, eq. 2.23) whose prior is as smooth and symmetric as drawn lines are, apart from a tilt, which follows the
        sine round the section. None if a side has too few points."""
        first, last = map(math.radians, CARRIED)
        near = np.flatnonzero(inside & (np.abs(turn) > first) & (np.abs(turn) < last))
        if min((turn[near] < 0).sum(), (turn[near] > 0).sum()) < 2 * LEAST_PLACES:
            return None
        bins = np.floor(np.degrees(turn[near]) / ONE_PLACE)  # near the outline many pixels fall on one angle
        above, noise = _medians(bins, height[near]), _medians(bins, errors[near]) ** 2
        middle = median(above)
        at = np.array([*_medians(bins, turn[near]), -math.pi / 2, math.pi / 2])
        apart, sides = np.subtract.outer(np.abs(at), np.abs(at)), np.sign(np.outer(at, at))

        def kernel(size: float, scale: float) -> Array:
            covariance: Array = size**2 * np.exp(-((apart / math.radians(scale)) ** 2) / 2)
            return covariance

        tilts = np.outer(np.sin(at), np.sin(at))
        prior = 1e4 * (1 + tilts) + kernel(*BENDS) + sides * kernel(*SWAYS) + (sides > 0) * kernel(*FOLDS[self.kind])
        seen = prior[:-2, :-2]

        def fit(weights: Array) -> tuple[Array, Array]:
            shares: Array = np.asarray(np.linalg.solve(seen + np.diag(noise / weights), above - middle), float)
            return shares, above - middle - seen @ shares

        shares, _ = self._reweighted("whole", len(above), fit)
        left, right = prior[-2:, :-2] @ shares + middle
        return float(left), float(right)

    @staticmethod
    def _halfway(turn: Array, height: Array, inside: NDArray[np.bool_]) -> float:
        """Height halfway between the centre and one end, at the middle of a leg."""
        near = inside & (np.abs(np.sin(turn) - 0.5) < 0.06)
        return median(height[near]) if near.any() else math.nan

    def _centre(self, turn: Array, section: Section, height: Array, inside: NDArray[np.bool_]) -> tuple[float, float]:
        """Height at the centre seam and the scatter, from two straight lines meeting there."""
        off = turn * section.half
        reach = min(CENTRE_LENGTH, 0.4 * section.half)
        near = inside & (np.abs(off) < reach)
        if near.sum() < LEAST_PLACES:
            near = np.zeros(len(turn), bool)
            near[np.argsort(np.where(inside, np.abs(off), np.inf))[:LEAST_PLACES]] = True
        table = np.stack([np.ones(int(near.sum())), np.minimum(off[near], 0), np.maximum(off[near], 0)], axis=1)
        fit, rest = self._robust_fit("middle", table, height[near])
        return float(fit[0]), rest

    def _robust_fit(self, key: str, table: Array, height: Array) -> tuple[Array, float]:
        """Coefficients of a robust least-squares fit, and the scatter (scaled MAD) about it."""

        def fit(weights: Array) -> tuple[Array, Array]:
            root = np.sqrt(weights)
            solution = np.linalg.lstsq(table * root[:, None], height * root, rcond=None)[0]
            return np.asarray(solution, float), height - table @ solution

        solution, residuals = self._reweighted(key, len(height), fit)
        return solution, scatter(residuals)

    def _reweighted(self, key: str, count: int, fit: Callable[[Array], tuple[Array, Array]]) -> tuple[Array, Array]:
        """Solution and residuals of a reweighted fit; outliers count little, and the weights are kept from the first time."""
        kept = self._kept.get(key)
        if kept is not None and len(kept) == count:
            return fit(kept)
        weights: Array = np.ones(count)
        for _ in range(6):
            solution, residuals = fit(weights)
            weights = _robust_weights(residuals)
        self._kept[key] = weights
        return solution, residuals

    @staticmethod
    def _slope(along: Array, height: Array, inside: NDArray[np.bool_], first: float, last: float) -> float:
        """Slope, degrees, between two lengths from the centre; positive where the line rises outwards."""
        near = inside & (along > first) & (along < last)
        if near.sum() < LEAST_PLACES:
            return 0.0
        return math.degrees(math.atan(float(np.polyfit(along[near], height[near], 1)[0])))


def _medians(bins: Array, values: Array) -> Array:
    """Median of the values in each bin, in order of bin number."""
    order = np.lexsort((values, bins))
    _, first, many = np.unique(bins[order], return_index=True, return_counts=True)
    ordered = values[order]
    return np.asarray(ordered[first + (many - 1) // 2] + ordered[first + many // 2]) / 2


def _robust_weights(residuals: Array) -> Array:
    """Tukey's biweight of the residuals, never quite zero."""
    scale = scatter(residuals) + 0.25
    weights: Array = np.maximum(0.05, 1 - (residuals / (4.7 * scale)) ** 2) ** 2
    return weights
