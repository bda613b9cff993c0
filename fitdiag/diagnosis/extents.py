"""Extents of causes from all readings at once, by a linear model with normal errors.

A numeric core on bare lists; nothing here knows a rule base. Sign s in round k reads

    y = rest + Σ_f load_f z_f + Σ_c ratio_c e_c + noise

with z the standard normal factors shared by signs, e_c ≥ 0 the extents of the causes present, and noise from the reading, from
what right blocks show on different bodies (shared by all rounds of a sign) and from the ratios over bodies.
Everything is exact for normal variables (Bishop 2006, "Pattern recognition and machine learning", 2.3 and 3.3, from memory)
except two things: e ≥ 0 is imposed one cause at a time by matching mean and variance (assumed-density filtering), which is
exact for one cause; and the noise of the ratios, which grows with e, is taken at the mean of e. `tests/test_extents.py`
bounds both errors.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from math import erfc, exp, log, pi, sqrt
from typing import NamedTuple

ROUNDS_OF_SCATTER = 3
_LEAST_VARIANCE = 1e-6
_HALF_LOG_2PI = 0.5 * log(2.0 * pi)

Vector = list[float]
Matrix = list[list[float]]
# coefficients, reading less what later alterations took, noise variance
_Equation = tuple[Vector, float, float]


class Slope(NamedTuple):
    """Change of a sign in mm per mm of a cause's extent, and its standard deviation over bodies."""

    ratio: float
    scatter: float


@dataclass(frozen=True)
class Reading:
    """One reading of one sign. `excess`: the reading less what a right block is expected to show, in mm; variances in mm².

    `sign` joins readings of one sign over rounds: the deviation of a right block on this body (`rest_variance`) is common to them.
    `loads`: coefficients of the shared factors. `round`: 0 for the current round, else the number of the earlier one.
    """

    sign: int
    excess: float
    variance: float
    rest_variance: float
    loads: tuple[float, ...] = ()
    round: int = 0


@dataclass(frozen=True)
class Suspect:
    """A cause that may have an extent: prior mean and standard deviation in mm (truncated at 0), and its slopes by sign.

    `done`: by round number, the mm of it altered away since. `opposite`: the cause that is this one with a negative extent; taking
    away too much of one leaves the other.
    """

    usual: float
    spread: float
    slopes: Mapping[int, Slope]
    done: Mapping[int, float] = field(default_factory=dict)
    opposite: int | None = None


@dataclass(frozen=True)
class Explanation:
    """How a set of causes explains the readings: their log density, and mean (mm) and covariance (mm²) of the extents.

    `expected` and `variance`: of each reading, predicted from all the others, to find outliers.
    """

    log_density: float
    extents: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    expected: tuple[float, ...]
    variance: tuple[float, ...]


class Model:
    """Readings and suspects, to be explained by sets of causes; each result is cached."""

    def __init__(self, readings: Sequence[Reading], suspects: Mapping[int, Suspect]) -> None:
        self.readings = tuple(readings)
        self.suspects = suspects
        self.factors = max((len(reading.loads) for reading in self.readings), default=0)
        self._explained = cache(self._explain)
        self.alone = cache(lambda index: Model([self.readings[index]], self.suspects))  # one reading by itself

    @cached_property
    def by_sign(self) -> tuple[tuple[int, ...], ...]:
        """Indexes of the readings of each sign."""
        groups: dict[int, list[int]] = {}
        for index, reading in enumerate(self.readings):
            groups.setdefault(reading.sign, []).append(index)
        return tuple(map(tuple, groups.values()))

    def explain(self, causes: tuple[int, ...], without: frozenset[int] = frozenset()) -> Explanation:
        """Explain the readings by just these causes, leaving out the readings in `without`."""
        return self._explained(causes, without)  # both given, since the cache takes a default for another question

    def _explain(self, causes: tuple[int, ...], without: frozenset[int]) -> Explanation:
        chosen = [self.suspects[cause] for cause in causes]
        cut = [_cut(suspect.usual, suspect.spread**2) for suspect in chosen]
        extents = [mean for _, mean, _ in cut]
        for _ in range(ROUNDS_OF_SCATTER if chosen else 1):
            equations = self._equations(causes, extents)
            normal = self._read(chosen, equations, without)
            for place, (share, _, _) in enumerate(cut):
                normal.log_density -= share
                normal.not_below_nothing(place)
            extents = [max(value, 0.0) for value in normal.mean[: len(chosen)]]
        expected, variance = [], []
        for index, (reading, (row, rest, noise)) in enumerate(zip(self.readings, equations, strict=True)):
            fit, lever, total = _dot(row, normal.mean), _dot(row, normal.times(row)), noise + reading.rest_variance
            if index in without:
                expected.append(reading.excess - rest + fit)
                variance.append(total + lever)
            else:  # leave-one-out: what the other readings alone would predict
                keep = max(1.0 - lever / total, 0.02)
                expected.append(reading.excess - (rest - fit) / keep)
                variance.append(total / keep)
        block = tuple(tuple(row[: len(chosen)]) for row in normal.spread[: len(chosen)])
        return Explanation(normal.log_density, tuple(extents), block, tuple(expected), tuple(variance))

    def _read(self, chosen: list[Suspect], equations: list[_Equation], without: frozenset[int]) -> _Normal:
        """The posterior of extents and factors; readings of one sign share the deviation of a right block on this body."""
        variances = [*(suspect.spread**2 for suspect in chosen), *([1.0] * self.factors)]
        normal = _Normal(
            [*(suspect.usual for suspect in chosen), *([0.0] * self.factors)],
            [
                [value if row == column else 0.0 for column in range(len(variances))]
                for row, value in enumerate(variances)
            ],
        )
        for group in self.by_sign:
            kept = [equations[index] for index in group if index not in without]
            shared = self.readings[group[0]].rest_variance
            if len(kept) == 1:
                row, rest, noise = kept[0]
                normal.read(row, rest, max(noise, _LEAST_VARIANCE) + shared)
            elif kept:
                normal.widen(shared)
                for row, rest, noise in kept:
                    normal.read([*row, 1.0], rest, max(noise, _LEAST_VARIANCE))
                normal.narrow()
        return normal

    def _equations(self, causes: tuple[int, ...], at: Vector) -> list[_Equation]:
        """Each reading's equation, with the noise of the ratios taken at these extents."""
        terms = {number: self._terms(causes, at, number) for number in {reading.round for reading in self.readings}}
        equations = []
        for reading in self.readings:
            row = [0.0] * len(causes) + [*reading.loads, *([0.0] * (self.factors - len(reading.loads)))]
            rest, noise = reading.excess, reading.variance
            for cause, place, way, more, size in terms[reading.round]:
                if (slope := self.suspects[cause].slopes.get(reading.sign)) is not None:
                    if way:  # else the cause is not in the row, which may be empty
                        row[place] += way * slope.ratio
                    rest -= slope.ratio * more
                    noise += (slope.scatter * size) ** 2
            equations.append((row, rest, noise))
        return equations

    def _terms(self, causes: tuple[int, ...], at: Vector, since: int) -> list[tuple[int, int, float, float, float]]:
        """The extent of each cause in a round, as (cause, index in the row, way, more, size): way · extent + more, about `size` mm."""
        terms = []
        settled = set(causes)  # causes whose past extent is counted, directly or through their opposite
        for place, (cause, extent) in enumerate(zip(causes, at, strict=True)):
            suspect, taken = self.suspects[cause], 0.0
            if (other := suspect.opposite) is not None and other in self.suspects:
                taken = self.suspects[other].done.get(since, 0.0)
                settled |= {other} if taken else set()
                if taken > extent:  # the opposite was still present, by what was taken less the present excess
                    terms.append((other, place, -1.0, taken, taken - extent))
                    continue
            more = suspect.done.get(since, 0.0) - taken
            terms.append((cause, place, 1.0, more, max(extent + more, 0.0)))
        for cause, suspect in self.suspects.items():
            if cause not in settled and (amount := suspect.done.get(since, 0.0)):
                terms.append((cause, 0, 0.0, amount, amount))
        return terms


@dataclass
class _Normal:
    """A normal distribution of extents and factors (`spread`: covariance), and the log density of all it was conditioned on."""

    mean: Vector
    spread: Matrix
    log_density: float = 0.0

    def times(self, row: Vector) -> Vector:
        """The covariance times a row."""
        return [_dot(line, row) for line in self.spread]

    def read(self, row: Vector, value: float, noise: float) -> None:
        """Condition on one reading of the linear combination `row`; `noise`: its variance."""
        column, residual = self.times(row), value - _dot(row, self.mean)
        variance = noise + _dot(row, column)
        self.log_density += log_normal(residual, 0.0, variance)
        self._turn(column, residual / variance, 1.0 / variance)

    def not_below_nothing(self, place: int) -> None:
        """Condition on an extent being at least 0."""
        variance = self.spread[place][place]
        share, mean, left = _cut(self.mean[place], variance)
        self.log_density += share
        column = [row[place] for row in self.spread]
        self._turn(column, (mean - self.mean[place]) / variance, (1.0 - left / variance) / variance)

    def widen(self, variance: float) -> None:
        """Append an independent variable of mean 0."""
        size = len(self.mean)
        self.mean = [*self.mean, 0.0]
        self.spread = [*([*row, 0.0] for row in self.spread), [0.0] * size + [variance]]

    def narrow(self) -> None:
        """Drop the last variable."""
        self.mean = self.mean[:-1]
        self.spread = [row[:-1] for row in self.spread[:-1]]

    def _turn(self, column: Vector, gain: float, shrink: float) -> None:
        self.mean = [value + part * gain for value, part in zip(self.mean, column, strict=True)]
        self.spread = [
            [value - shrink * part * other for value, other in zip(row, column, strict=True)] if part else row
            for row, part in zip(self.spread, column, strict=True)
        ]


def _dot(one: Vector, other: Vector) -> float:
    return sum(map(float.__mul__, one, other))


def _cut(mean: float, variance: float) -> tuple[float, float, float]:
    """A normal truncated at 0: log of the share above 0, and mean and variance above it."""
    spread = sqrt(variance)
    far = mean / spread
    if far < -25.0:  # the tail of a normal, by the first terms of its asymptotic series
        width = -spread / far
        return -0.5 * far * far - log(-far) - _HALF_LOG_2PI, width, width * width
    share = 0.5 * erfc(-far / sqrt(2.0))
    ratio = exp(-0.5 * far * far) / sqrt(2.0 * pi) / share
    left = variance * max(1.0 - ratio * (ratio + far), 1e-12)
    return log(share), mean + spread * ratio, left


def log_normal(value: float, mean: float, variance: float) -> float:
    """Log density of a normal distribution."""
    return -0.5 * (value - mean) ** 2 / variance - 0.5 * log(variance) - _HALF_LOG_2PI


def share_below(far: float) -> float:
    """The share of a standard normal below `far`."""
    return 0.5 * erfc(-far / sqrt(2.0))
