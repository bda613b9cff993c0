"""Find amounts on the pattern: of one alteration until a measure reaches its target, or of a whole plan at once.

One amount: root finding (Brent's method, scipy) between 0 and the limit. Several: the least total change that meets
every target, by successive linear programming (scipy, HiGHS). The alterations are carried out in order on the real
outline each time, so that their effects on one another count.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations
from math import inf
from typing import Literal

import numpy as np

from fitdiag.pattern.measure import near_measures, pattern_measures
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.piece import Pattern
from fitdiag.pattern.true import Trued, true
from fitdiag.problems import ProblemsFoundError, one_line, stop
from fitdiag.units import InvalidLengthError, Units, format_length, parse_length

TOLERANCE_MM = 0.05
_SLOPE_STEP_MM = 1.0
_BENT_MM = 1.0  # if measures are further than this from the linear prediction, the slopes are recomputed
_MOST_ROUNDS = 8
_SIDE = re.compile(r", (left|right)\Z")


@dataclass(frozen=True)
class Target:
    """A measure by name, and what it must be: at least, at most, or equal to `amount` mm, to within `within` mm."""

    measure: str
    relation: Literal[">=", "<=", "="]
    amount: float
    within: float = 0.0

    @property
    def span(self) -> tuple[float, float]:
        """The least and the greatest value that meet it, mm."""
        least = -inf if self.relation == "<=" else self.amount - self.within
        return least, inf if self.relation == ">=" else self.amount + self.within

    def missing(self, value: float) -> float:
        """How far a value is from the target, in mm; 0 when it is met."""
        least, most = self.span
        return max(0.0, least - value, value - most)

    def text(self, units: Units) -> str:
        words = {">=": "at least", "<=": "at most", "=": "equal to"}[self.relation]
        spare = f" within {format_length(self.within, units)}" if self.within else ""
        return f"{self.measure} {words} {format_length(self.amount, units)}{spare}"


@dataclass(frozen=True)
class Wanted:
    """An alteration of a plan: its least and most amount in mm (equal when the fitter has fixed it)."""

    alteration: str
    least: float
    most: float


@dataclass(frozen=True)
class Solution:
    """Amounts in mm per alteration, in order; the patterns before and after each step, as cut; unmet targets, each with its gap in mm."""

    amounts: Mapping[str, float]
    stages: tuple[tuple[str, Pattern], ...]
    unmet: tuple[tuple[Target, float], ...]

    @cached_property
    def finished(self) -> tuple[Pattern, tuple[Trued, ...]]:
        """The pattern after all steps, trued, and what trueing changed."""
        return true(self.stages[-1][1])


def parse_target(text: str, units: Units, known: Sequence[str]) -> Target:
    """Parse `back grain to centre at waist >= 3 in` or `inseam difference, back less front = 0 within 1/8 in`.

    `known`: the names of measures. Raises ProblemsFoundError if it cannot be read or the measure is unknown.
    """
    match = re.fullmatch(r"\s*(.+?)\s*(>=|<=|=)\s*(.+?)(?:\s+within\s+(.+?))?\s*", text)
    if not match:
        hint = f"write it like '{next(iter(known), 'length')} >= 3 in'"
        raise stop("target", f"'{one_line(text, 80)}' is not a target", hint=hint)
    name = match[1].lower()
    if _SIDE.sub("", name) not in known:
        raise stop("target", f"there is no measure '{one_line(name, 60)}'", hint=near_measures(name, known))
    try:
        amount = parse_length(match[3], units).mm
        within = parse_length(match[4], units).mm if match[4] else 0.0
    except InvalidLengthError as error:
        raise stop("target", str(error)) from None
    return Target(name, match[2], amount, within)  # type: ignore[arg-type]


def measured(pattern: Pattern, targets: Iterable[Target]) -> list[float]:
    """The measure of each target on a pattern as it is sewn, trued, in mm; `NAME, left` or `NAME, right` takes it on one side.

    Raises ProblemsFoundError if one cannot be taken, or differs between the sides and no side is named.
    """
    pattern, _ = true(pattern)
    values = pattern_measures(pattern)  # once for all targets
    return [_one_of(values, pattern, target.measure) for target in targets]


def _one_of(values: Mapping[str, float], pattern: Pattern, name: str) -> float:
    side = _SIDE.search(name)
    if name not in values and side is not None:
        name = name[: side.start()]
        values = pattern_measures(pattern.of("left" if side[1] == "left" else "right"))
    if name in values:
        return values[name]
    if f"{name}, right" in values:
        message = f"'{name}' becomes two measures when one side is altered, so it cannot be a target"
        raise stop("target", message, hint=f"name '{name}, left' or '{name}, right'")
    raise stop("target", f"'{name}' cannot be measured on the altered pattern", hint="name another measure")


def carry_all(pattern: Pattern, amounts: Sequence[tuple[str, float]]) -> tuple[tuple[str, Pattern], ...]:
    """Make alterations (id and mm) one after another; return each stage with its name, the pattern `before` first."""
    stages: list[tuple[str, Pattern]] = [("before", pattern)]
    for alteration, amount in amounts:
        stages.append((alteration, carry_out(stages[-1][1], alteration, amount).pattern))
    return tuple(stages)


def solve_one(pattern: Pattern, alteration: str, target: Target, most: float) -> float | None:
    """The amount in mm, between 0 and `most`, at which the target is just met; None when even the most is not enough.

    Raises ProblemsFoundError if the pattern cannot be altered so, or the target cannot be measured on it.
    """
    from scipy.optimize import brentq  # noqa: PLC0415 (a quarter of a second to load)

    def short(amount: float) -> float:
        return measured(carry_out(pattern, alteration, amount).pattern, [target])[0] - target.amount

    start, end = short(0.0), short(most)
    if target.missing(start + target.amount) == 0.0:
        return 0.0
    return float(brentq(short, 0.0, most, xtol=TOLERANCE_MM / 10)) if start * end <= 0 else None


def solve_plan(pattern: Pattern, wanted: Sequence[Wanted], targets: Sequence[Target]) -> Solution:
    """The least total change that meets all targets, each amount within its limits; `unmet` lists what cannot be met."""
    names = [item.alteration for item in wanted]
    low, high = np.array([item.least for item in wanted]), np.array([item.most for item in wanted])
    amounts = np.clip(np.zeros(len(names)), low, high)

    def named(amounts: np.ndarray) -> list[tuple[str, float]]:
        return list(zip(names, amounts.tolist(), strict=True))

    def measured_of(final: Pattern) -> np.ndarray:
        return np.array(measured(final, targets))

    def slopes(stages: Sequence[tuple[str, Pattern]], at: np.ndarray) -> np.ndarray:
        """What 1 mm of each alteration does to each target, (targets, alterations); earlier steps are not repeated."""
        result = np.zeros((len(targets), len(names)))
        here = measured_of(stages[-1][1])
        for column in np.nonzero(high - low > TOLERANCE_MM)[0].tolist():
            up, down = (min(_SLOPE_STEP_MM, room) for room in (high[column] - at[column], at[column] - low[column]))
            step = up if up >= down else -down  # within the limits, as below 0 it may have no meaning
            rest = [(names[column], at[column] + step), *named(at)[column + 1 :]]
            result[:, column] = (measured_of(carry_all(stages[column][1], rest)[-1][1]) - here) / step
        return result

    bare = pattern.with_each(lambda piece: replace(piece, notches=(), holes=()))  # no measure is taken from these
    slope, expected, moved = np.zeros((len(targets), len(names))), np.full(len(targets), np.inf), amounts
    for _ in range(_MOST_ROUNDS):
        done = carry_all(bare, named(amounts))
        here = measured_of(done[-1][1])
        if np.abs(here - expected).max() > _BENT_MM:
            slope = slopes(done, amounts)
        else:  # nearly linear: the slopes corrected by the outcome (Broyden, 1965)
            slope = slope + np.outer(here - expected, moved) / (moved @ moved)
        following = _least_change(amounts, low, high, here, slope, targets)
        moved = following - amounts
        if np.abs(moved).max() < TOLERANCE_MM / 5:
            break
        expected = here + slope @ moved
        amounts = following
    stages = carry_all(pattern, named(amounts))
    gaps = [(target, target.missing(mm)) for target, mm in zip(targets, measured(stages[-1][1], targets), strict=True)]
    unmet = tuple((target, gap) for target, gap in gaps if gap > 2 * TOLERANCE_MM)
    return Solution(dict(named(amounts)), stages, unmet)


def _least_change(
    amounts: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    here: np.ndarray,
    slope: np.ndarray,
    targets: Sequence[Target],
) -> np.ndarray:
    """Solve one linear program: the least sum of amounts that meets the targets; slack costs a thousand times more."""
    from scipy.optimize import linprog  # noqa: PLC0415

    count, spare = len(amounts), np.eye(len(targets))
    rows, right = [], []
    for index, target in enumerate(targets):
        at_nothing = here[index] - float(slope[index] @ amounts)
        for bound, way in zip(target.span, (-1.0, 1.0), strict=True):
            if np.isfinite(bound):
                rows.append(np.concatenate([way * slope[index], -way * slope[index], -spare[index]]))
                right.append(way * (bound - at_nothing))
    cost = np.concatenate(
        [np.ones(2 * count), np.full(len(targets), 1000.0)]
    )  # positive and negative parts, then slack
    least, most = (np.concatenate([one, other]) for one, other in ((low, -high), (high, -low)))
    bounds = [*zip(np.maximum(least, 0), np.maximum(most, 0), strict=True), *[(0.0, None)] * len(targets)]
    found = linprog(cost, A_ub=np.array(rows), b_ub=np.array(right), bounds=bounds, method="highs").x
    return amounts if found is None else np.clip(found[:count] - found[count : 2 * count], low, high)


def refuse_contradictions(targets: Sequence[Target], units: Units) -> None:
    """Refuse two targets of one measure that no amount can meet together, naming both."""
    for one, other in combinations(targets, 2):
        (least, most), (other_least, other_most) = one.span, other.span
        if one.measure == other.measure and max(least, other_least) > min(most, other_most) + TOLERANCE_MM:
            message = f"two targets contradict each other: '{one.text(units)}' and '{other.text(units)}'"
            raise stop("contradiction", message, hint="leave one of them out")


def conflicts(
    pattern: Pattern, wanted: Sequence[Wanted], targets: Sequence[Target]
) -> tuple[tuple[Target, Target], ...]:
    """Pairs of targets that these alterations can meet one at a time, but not together."""
    free = [target for target in targets if not solve_plan(pattern, wanted, [target]).unmet]
    return tuple(pair for pair in combinations(free, 2) if solve_plan(pattern, wanted, pair).unmet)


def alone(pattern: Pattern, wanted: Sequence[Wanted], targets: Sequence[Target]) -> dict[str, float]:
    """The amount (mm) at which each free alteration by itself would meet a single target, even beyond its limit.

    For comparison with the plan. Empty for several targets; an alteration that cannot meet it by itself is left out.
    """
    result: dict[str, float] = {}
    for item in wanted if len(targets) == 1 else ():
        if item.least < item.most:
            with suppress(ProblemsFoundError):
                amount = solve_one(pattern, item.alteration, targets[0], item.most * 5)
                result |= {item.alteration: amount} if amount is not None else {}
    return result


def without_each(pattern: Pattern, solution: Solution, targets: Sequence[Target]) -> dict[str, dict[str, float]]:
    """For each alteration of the plan: what the targets' measures (mm) would be without it, the others unchanged."""
    result: dict[str, dict[str, float]] = {}
    for left_out in solution.amounts:
        others = [item for item in solution.amounts.items() if item[0] != left_out]
        values = measured(carry_all(pattern, others)[-1][1], targets)
        result[left_out] = {target.measure: mm for target, mm in zip(targets, values, strict=True)}
    return result
