"""How much: a few causes with extents against all readings at once, as a linear model with normal errors.

A numeric core on bare lists; nothing here knows a rule base. Of sign s in round k a muslin reads

    y = rest + Σ_f load_f z_f + Σ_c ratio_c e_c + noise

with z the standard normal factors that bodies share, e_c ≥ 0 the extents of the causes that are there, and noise of the
reading, of what right blocks show on different bodies (shared by all rounds of a sign) and of the ratios over bodies.
Everything is exact for normal variables (Bishop 2006, "Pattern recognition and machine learning", 2.3 and 3.3, from memory)
but for two things: e ≥ 0 is brought in one cause after another, each time replacing what is left of the normal by the
normal of the same mean and spread (assumed-density filtering), which is exact for one cause; and the noise of the ratios,
which grows with e, is taken at the mean of e. `tests/test_extents.py` says how far off both are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import erfc, exp, log, pi, sqrt
from typing import NamedTuple

ROUNDS_OF_SCATTER = 3
_LEAST_VARIANCE = 1e-6
_HALF_LOG_2PI = 0.5 * log(2.0 * pi)

Vector = list[float]
Matrix = list[list[float]]


class Slope(NamedTuple):
    """What 1 mm of a cause's extent gives of a sign, in mm, and its standard deviation over bodies."""

    ratio: float
    scatter: float


@dataclass(frozen=True)
class Reading:
    """One sign read once. `excess`: what was read less what a right block is expected to show, in mm.

    `sign` joins readings of one sign in several rounds: what a right block shows on this body (`rest_variance`) is the same in
    all of them. `round` counts back from 0, the round that is on.
    """

    sign: int
    excess: float
    variance: float
    rest_variance: float
    loads: tuple[float, ...] = ()
    round: int = 0


@dataclass(frozen=True)
class Suspect:
    """A cause that may have an extent: prior mean and standard deviation in mm (cut at 0), and its slopes by sign.

    `done`: how much of it was taken away since each round (by the round's number). `opposite`: the cause that is this one with
    a negative extent; what was taken too much of this one is of that one.
    """

    usual: float
    spread: float
    slopes: Mapping[int, Slope]
    done: Mapping[int, float] = field(default_factory=dict)
    opposite: int | None = None


@dataclass(frozen=True)
class Explanation:
    """What a set of causes makes of the readings: log of their density, extents (mean, covariance), and each reading's fit.

    `expected` and `variance`: of each reading by all the others, so that a reading that does not belong is found.
    """

    causes: tuple[int, ...]
    log_density: float
    extents: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    expected: tuple[float, ...]
    variance: tuple[float, ...]


class Model:
    """Readings and suspects, ready to be explained by one set of causes after another; each is worked out once."""

    def __init__(self, readings: Sequence[Reading], suspects: Mapping[int, Suspect]) -> None:
        self.readings = tuple(readings)
        self.suspects = suspects
        self.factors = max((len(reading.loads) for reading in self.readings), default=0)
        self._explained: dict[tuple[tuple[int, ...], frozenset[int]], Explanation] = {}
        self._alone: dict[int, Model] = {}

    def same_as(self, other: Model) -> bool:
        """Whether both explain the same readings by the same suspects."""
        return self.readings == other.readings and self.suspects == other.suspects

    def alone(self, index: int) -> Model:
        """One reading by itself."""
        if index not in self._alone:
            self._alone[index] = Model([self.readings[index]], self.suspects)
        return self._alone[index]

    @cached_property
    def by_sign(self) -> tuple[tuple[int, ...], ...]:
        """Indexes of the readings of each sign."""
        groups: dict[int, list[int]] = {}
        for index, reading in enumerate(self.readings):
            groups.setdefault(reading.sign, []).append(index)
        return tuple(map(tuple, groups.values()))

    def explain(self, causes: Sequence[int], without: frozenset[int] = frozenset()) -> Explanation:
        """The readings explained by just these causes; readings in `without` are left out."""
        asked = (tuple(causes), without)
        if asked not in self._explained:
            self._explained[asked] = self._explain(*asked)
        return self._explained[asked]

    def _explain(self, causes: tuple[int, ...], without: frozenset[int]) -> Explanation:
        chosen = [self.suspects[cause] for cause in causes]
        extents = [_cut(suspect.usual, suspect.spread**2)[1] for suspect in chosen]
        solved = _Solved(self, causes, chosen, extents, without)
        for _ in range(ROUNDS_OF_SCATTER - 1 if chosen else 0):
            extents = solved.extents
            solved = _Solved(self, causes, chosen, extents, without)
        return solved.explanation()


class _Solved:
    """The normal equations of one set of causes, with the noise of the ratios taken at given extents."""

    def __init__(
        self, model: Model, causes: Sequence[int], chosen: list[Suspect], at: Vector, without: frozenset[int]
    ) -> None:
        self.model, self.causes, self.chosen, self.without = model, tuple(causes), chosen, without
        size = len(chosen) + model.factors
        self.rows: list[Vector] = []
        self.rest: Vector = []  # what is left of each reading after what was altered since
        self.noise: Vector = []
        for reading in model.readings:
            row, fixed, scatter = self._row(reading, at)
            self.rows.append(row)
            self.rest.append(reading.excess - fixed)
            self.noise.append(reading.variance + scatter)
        precision = [[0.0] * size for _ in range(size)]
        pull = [0.0] * size
        quadratic, logs = 0.0, 0.0
        for place, suspect in enumerate(chosen):
            weight = 1.0 / suspect.spread**2
            precision[place][place] = weight
            pull[place] = weight * suspect.usual
            quadratic += weight * suspect.usual**2
            logs += log(suspect.spread)
        for place in range(len(chosen), size):
            precision[place][place] = 1.0
        for group in model.by_sign:
            kept = [index for index in group if index not in without]
            if kept:
                more, log_size = self._add(kept, precision, pull)
                quadratic += more
                logs += 0.5 * log_size + len(kept) * _HALF_LOG_2PI
        self.spread, log_det = _inverse(precision)
        self.mean = [sum(map(float.__mul__, row, pull)) for row in self.spread]
        quadratic -= sum(map(float.__mul__, pull, self.mean))
        self.log_density = -0.5 * quadratic - logs - 0.5 * log_det
        self._not_below_nothing()

    def _row(self, reading: Reading, at: Vector) -> tuple[Vector, float, float]:
        """Coefficients of a reading, what of it is fixed by what was altered since, and the noise of the ratios."""
        row = [0.0] * len(self.chosen) + [*reading.loads, *([0.0] * (self.model.factors - len(reading.loads)))]
        fixed = scatter = 0.0
        if not reading.round:  # nothing was altered since
            for place, suspect in enumerate(self.chosen):
                if (slope := suspect.slopes.get(reading.sign)) is not None:
                    row[place] = slope.ratio
                    scatter += (slope.scatter * max(at[place], 0.0)) ** 2
            return row, fixed, scatter
        settled: set[int] = set()  # causes whose past extent is counted through their opposite
        for place, suspect in enumerate(self.chosen):
            other = suspect.opposite
            taken = 0.0
            if other is not None and other in self.model.suspects:
                taken = self.model.suspects[other].done.get(reading.round, 0.0)
            slope = suspect.slopes.get(reading.sign)
            if (
                taken > at[place]
            ):  # in that round the opposite was there still, by what was taken less what is too much now
                settled.add(other)  # type: ignore[arg-type]
                back = self.model.suspects[other].slopes.get(reading.sign)  # type: ignore[index]
                if back is not None:
                    row[place] -= back.ratio
                    fixed += back.ratio * taken
                    scatter += (back.scatter * (taken - at[place])) ** 2
                continue
            if taken:
                settled.add(other)  # type: ignore[arg-type]
            if slope is not None:
                more = suspect.done.get(reading.round, 0.0) - taken
                row[place] += slope.ratio
                fixed += slope.ratio * more
                scatter += (slope.scatter * max(at[place] + more, 0.0)) ** 2
        for cause, suspect in self.model.suspects.items():
            amount = suspect.done.get(reading.round, 0.0)
            slope = suspect.slopes.get(reading.sign)
            if amount and slope is not None and cause not in self.causes and cause not in settled:
                fixed += slope.ratio * amount
                scatter += (slope.scatter * amount) ** 2
        return row, fixed, scatter

    def _add(self, kept: list[int], precision: Matrix, pull: Vector) -> tuple[float, float]:
        """Add the readings of one sign to the normal equations; their own quadratic form and log determinant.

        Their covariance is diag(noise) + rest_variance · 1·1ᵀ, inverted by the formula of Sherman and Morrison.
        """
        shared = self.model.readings[kept[0]].rest_variance
        if len(kept) == 1:
            return self._add_one(kept[0], shared, precision, pull)
        size = len(pull)
        weights = [1.0 / max(self.noise[index], _LEAST_VARIANCE) for index in kept]
        total = sum(weights)
        share = shared / (1.0 + shared * total)
        sums = [0.0] * size
        whole = 0.0
        quadratic = 0.0
        for index, weight in zip(kept, weights, strict=True):
            row, rest = self.rows[index], self.rest[index]
            quadratic += weight * rest * rest
            whole += weight * rest
            for one in range(size):
                if row[one]:
                    part = weight * row[one]
                    sums[one] += part
                    pull[one] += part * rest
                    line = precision[one]
                    for other in range(size):
                        line[other] += part * row[other]
        for one in range(size):
            if sums[one]:
                pull[one] -= share * sums[one] * whole
                line = precision[one]
                for other in range(size):
                    line[other] -= share * sums[one] * sums[other]
        return quadratic - share * whole * whole, log(1.0 + shared * total) - sum(map(log, weights))

    def _add_one(self, index: int, shared: float, precision: Matrix, pull: Vector) -> tuple[float, float]:
        """The same where a sign was read once."""
        variance, rest = max(self.noise[index], _LEAST_VARIANCE) + shared, self.rest[index]
        present = [(place, value) for place, value in enumerate(self.rows[index]) if value]
        for one, value in present:
            part, line = value / variance, precision[one]
            pull[one] += part * rest
            for other, beside in present:
                line[other] += part * beside
        return rest * rest / variance, log(variance)

    def _not_below_nothing(self) -> None:
        """Bring in that no extent is below 0."""
        for place, suspect in enumerate(self.chosen):
            variance = self.spread[place][place]
            chance, mean, left = _cut(self.mean[place], variance)
            prior, _, _ = _cut(suspect.usual, suspect.spread**2)
            self.log_density += chance - prior
            gain = (mean - self.mean[place]) / variance
            shrink = (1.0 - left / variance) / variance
            column = [row[place] for row in self.spread]
            self.mean = [value + part * gain for value, part in zip(self.mean, column, strict=True)]
            self.spread = [
                [value - shrink * part * other for value, other in zip(row, column, strict=True)]
                for row, part in zip(self.spread, column, strict=True)
            ]

    @property
    def extents(self) -> Vector:
        return [max(value, 0.0) for value in self.mean[: len(self.chosen)]]

    def explanation(self) -> Explanation:
        count = len(self.chosen)
        expected, variance = [], []
        for index, reading in enumerate(self.model.readings):
            row = self.rows[index]
            fit = sum(map(float.__mul__, row, self.mean))
            lever = sum(a * sum(map(float.__mul__, line, row)) for a, line in zip(row, self.spread, strict=True) if a)
            own = self.noise[index] + reading.rest_variance
            fixed = reading.excess - self.rest[index]
            if index in self.without:
                expected.append(fixed + fit)
                variance.append(own + lever)
            else:  # taken out again: what the other readings alone would say
                keep = max(1.0 - lever / own, 0.02)
                expected.append(reading.excess - (self.rest[index] - fit) / keep)
                variance.append(own / keep)
        block = tuple(tuple(row[:count]) for row in self.spread[:count])
        return Explanation(
            self.causes, self.log_density, tuple(self.extents), block, tuple(expected), tuple(variance)
        )  # fmt: skip


def _cut(mean: float, variance: float) -> tuple[float, float, float]:
    """A normal distribution cut at 0: log of the share above 0, mean and variance of what is left."""
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


def _inverse(matrix: Matrix) -> tuple[Matrix, float]:
    """Inverse and log determinant of a small symmetric positive definite matrix (by Cholesky's factors)."""
    size = len(matrix)
    lower = [[0.0] * size for _ in range(size)]
    log_det = 0.0
    for row in range(size):
        for column in range(row + 1):
            value = matrix[row][column] - sum(lower[row][k] * lower[column][k] for k in range(column))
            if row == column:
                root = sqrt(max(value, 1e-300))
                lower[row][row] = root
                log_det += 2.0 * log(root)
            else:
                lower[row][column] = value / lower[column][column]
    back = [[0.0] * size for _ in range(size)]  # inverse of the lower factor
    for column in range(size):
        back[column][column] = 1.0 / lower[column][column]
        for row in range(column + 1, size):
            back[row][column] = -sum(lower[row][k] * back[k][column] for k in range(column, row)) / lower[row][row]
    return [
        [sum(back[k][row] * back[k][column] for k in range(max(row, column), size)) for column in range(size)]
        for row in range(size)
    ], log_det
