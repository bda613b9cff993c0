"""The order of alterations: pairs "this before that", for single alterations and for whole stages."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import wraps
from graphlib import CycleError, TopologicalSorter
from itertools import combinations
from typing import Concatenate, ParamSpec, TypeVar

from fitdiag.knowledge.model import RuleBase

Result = TypeVar("Result")
More = ParamSpec("More")
Work = Callable[Concatenate[RuleBase, More], Result]


def once(work: Work[More, Result]) -> Work[More, Result]:
    """Cache a function of a rule base and plain values on the base. Results are shared: do not change them."""

    @wraps(work)
    def cached(base: RuleBase, /, *more: More.args, **named: More.kwargs) -> Result:
        key = (work.__module__, work.__qualname__, *more, *named.values())
        if key not in base.worked_out:
            base.worked_out[key] = work(base, *more, **named)
        result: Result = base.worked_out[key]
        return result

    return cached


@once
def before(base: RuleBase) -> dict[str, set[str]]:
    """Alteration id to the ids directly before it, with stage pairs expanded."""
    by_stage: dict[str, list[str]] = {}
    for alteration in base.alterations.values():
        by_stage.setdefault(alteration.stage, []).append(alteration.id)
    earlier: dict[str, set[str]] = {alteration: set() for alteration in base.alterations}
    for pair in base.order:
        first = [*pair.first, *(by_stage.get(pair.first_stage, ()) if pair.first_stage else ())]
        then = [*pair.then, *(by_stage.get(pair.then_stage, ()) if pair.then_stage else ())]
        for later in then:
            if later in earlier:
                earlier[later].update(sooner for sooner in first if sooner != later)
    return earlier


@once
def everything_before(base: RuleBase) -> dict[str, set[str]]:
    """Alteration id to all ids before it, directly or by a chain, without itself."""
    direct = before(base)
    return {alteration: _reached(direct, alteration) for alteration in direct}


@once
def exclusive(base: RuleBase) -> set[frozenset[str]]:
    """Pairs that are never carried out in the same round."""
    return {frozenset(pair) for rule in base.order for pair in combinations(rule.either, 2)}


@once
def opposed(base: RuleBase) -> dict[str, frozenset[str]]:
    """Alteration id to those it undoes or excludes, which must not be in the same round."""
    apart = exclusive(base)
    return {
        one: frozenset(base.undone_by[one]) | {other for other in base.alterations if frozenset((one, other)) in apart}
        for one in base.alterations
    }


def circle(base: RuleBase) -> tuple[str, ...]:
    """A cycle in the order pairs, as ids from one back to itself, deterministic; empty if there is none."""
    direct = {alteration: sorted(sooner) for alteration, sooner in before(base).items()}
    try:
        TopologicalSorter(direct).prepare()
    except CycleError as error:
        return tuple(error.args[1])
    return ()


def in_order(base: RuleBase, chosen: Iterable[str], value: Mapping[str, float]) -> list[str]:
    """Sort the chosen alterations by the order pairs; where these leave it open, the more valuable one first."""
    left = set(chosen)
    sooner = everything_before(base)
    result: list[str] = []
    while left:
        free = [alteration for alteration in left if not sooner[alteration] & left]
        best = min(free or left, key=lambda alteration: (-value.get(alteration, 0.0), alteration))
        result.append(best)
        left.remove(best)
    return result


def _reached(direct: Mapping[str, set[str]], start: str) -> set[str]:
    """Everything that comes before `start`, directly or by a chain, without itself."""
    reached: set[str] = set()
    fresh = direct[start]
    while fresh:
        reached |= fresh
        fresh = set().union(*map(direct.__getitem__, fresh)) - reached
    return reached - {start}


def pair_of(base: RuleBase, first: str, then: str) -> int | None:
    """The index of the order pair that puts `first` before `then`, by name rather than by stage; None if none does directly."""
    stages = {alteration: base.alterations[alteration].stage for alteration in (first, then)}
    found: int | None = None
    for index, pair in enumerate(base.order):
        if first in pair.first and then in pair.then:
            return index
        sooner = first in pair.first or pair.first_stage == stages[first]
        later = then in pair.then or pair.then_stage == stages[then]
        if found is None and sooner and later:
            found = index
    return found


def reason(base: RuleBase, first: str, then: str) -> str:
    """Why `first` comes before `then`; empty if no pair says so directly."""
    index = pair_of(base, first, then)
    return "" if index is None else base.order[index].because
