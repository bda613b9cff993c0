"""Strengths re-estimated from answered sessions by expectation-maximisation, with what the rules say as the prior.

For every session is counted what is expected of each link: how often its cause was there, and how often the link itself
brought the sign. Expected counts and a prior worth `WEIGHT` sessions make the next strengths, until they rest. EM is published
(Dempster, Laird & Rubin 1977, "Maximum likelihood from incomplete data via the EM algorithm"); so is the spread from each
session's expected score (Louis 1982, "Finding the observed information matrix when using the EM algorithm"), of which only
the diagonal is kept.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from math import exp, log, log2, sqrt

from fitdiag.diagnosis.expected import ByKind, Counts, Layout, Pass, Session, Strengths, expected_counts

WEIGHT = 10.0  # how many sessions a rule's word is worth: its spread is then about the distance to the next word
MOST_WIDE = 12  # sessions of which more signs hang together are not learned from
_ROUNDS = 40
_AT_REST = 0.0005  # no strength moves by more than this in a round
_LEAST, _MOST = 0.001, 0.999
_SIGMAS = 1.96  # a 95 % interval


@dataclass(frozen=True)
class Estimate:
    """One learned number: where it came to, its 95 % interval, and on what it rests.

    `worth`: as how many sessions it counts in which everything about it were known; `trials` and `hits` are expected counts.
    """

    value: float
    low: float
    high: float
    trials: float
    hits: float
    worth: float


@dataclass(frozen=True)
class Learned:
    """The outcome: all strengths, what each rests on, and after how many rounds they rested."""

    strengths: Strengths
    estimates: ByKind[tuple[Estimate, ...]]
    rounds: int


def learn(
    layout: Layout, prior: Strengths, sessions: Sequence[Session], *, weight: float = WEIGHT, rounds: int = _ROUNDS
) -> Learned:
    """The most probable strengths given the sessions, the rules being worth `weight` sessions. Deterministic."""
    shifts = _shifts(layout, sessions)
    strengths, taken = prior, 0
    counts = expected_counts(layout, strengths, sessions)
    while taken < rounds:
        taken += 1
        earlier, strengths = strengths, _next(prior, counts, shifts, weight)
        counts = expected_counts(layout, strengths, sessions)
        if _furthest(earlier, strengths) < _AT_REST:
            break
    return Learned(strengths, ByKind(*(_estimates(kind, weight) for kind in counts)), taken)


def _shifts(layout: Layout, sessions: Sequence[Session]) -> list[Counter[float]]:
    """Per cause: by which factors its odds were shifted in the sessions that say anything about it, and how often."""
    result = [Counter[float]() for _ in layout.of_cause]
    for session in sessions:
        odds = dict(session.odds)
        for cause in layout.causes_spoken_of(session):
            result[cause][odds.get(cause, 1.0)] += 1
    return result


def _next(prior: Strengths, counts: ByKind[Counts], shifts: Sequence[Mapping[float, int]], weight: float) -> Strengths:
    def shares(before: Sequence[float], counts: Counts) -> tuple[float, ...]:
        return tuple(
            _bounded((hits + weight * old) / (trials + weight))
            for old, trials, hits in zip(before, counts.trials, counts.hits, strict=True)
        )

    rates = tuple(
        _rate(wanted + weight * old, weight, factors)
        for old, wanted, factors in zip(prior.base_rate, counts.base_rate.hits, shifts, strict=True)
    )
    return Strengths(rates, shares(prior.seen_anyway, counts.seen_anyway), shares(prior.how_often, counts.how_often))


def _rate(wanted: float, weight: float, factors: Mapping[float, int]) -> float:
    """The base rate under which as many causes are expected as were found, each session's odds shifted by its notes."""
    if all(factor == 1.0 for factor in factors):
        return _bounded(wanted / (sum(factors.values()) + weight))
    terms = sorted(factors.items())
    low, high = _LEAST, _MOST
    for _ in range(50):
        middle = (low + high) / 2.0
        odds = middle / (1.0 - middle)
        found = weight * middle + sum(count * odds * factor / (1.0 + odds * factor) for factor, count in terms)
        low, high = (middle, high) if found < wanted else (low, middle)
    return _bounded((low + high) / 2.0)


def _bounded(value: float) -> float:
    return min(max(value, _LEAST), _MOST)


def _furthest(one: Strengths, other: Strengths) -> float:
    pairs = zip(chain(*one), chain(*other), strict=True)
    return max((abs(old - new) for old, new in pairs), default=0.0)


def _estimates(counts: Counts, weight: float) -> tuple[Estimate, ...]:
    result = []
    for value, trials, hits, squares in zip(counts.strengths, counts.trials, counts.hits, counts.squares, strict=True):
        unit = value * (1.0 - value)
        spread = _SIGMAS / sqrt(squares + weight * unit)
        odds = log(value / (1.0 - value))
        low, high = (1.0 / (1.0 + exp(-(odds + shift))) for shift in (-spread, spread))
        result.append(Estimate(value, low, high, trials, hits, worth=min(squares / unit, trials)))
    return tuple(result)


# -- how well strengths foretell -------------------------------------------------------------------------------------------


@dataclass
class Score:
    """How well sessions are foretold: answers, each from those before it; and causes, where they are known.

    Log-loss in bits, Brier as the squared distance; sums over `answers` answers and `cases` sessions with a known outcome.
    """

    answers: int = 0
    answer_bits: float = 0.0
    answer_brier: float = 0.0
    cases: int = 0
    cause_bits: float = 0.0
    cause_brier: float = 0.0


def score(layout: Layout, strengths: Strengths, sessions: Sequence[Session]) -> Score:
    """How well strengths foretell sessions which they were not learned from."""
    found = Score()
    for session in sessions:
        blind, earlier = replace(session, known=()), 0.0
        for place, (_, absent, present) in enumerate(session.answers, 1):
            now = Pass(layout, strengths, replace(blind, answers=session.answers[:place])).log_chance
            chance = exp(now - earlier)  # λ0·P(not there) + λ1·P(there)
            yes, earlier = (chance - absent) / (present - absent), now
            right = min(max(yes if present > absent else 1.0 - yes, 1e-9), 1.0)
            found.answers += 1
            found.answer_bits -= log2(right)
            found.answer_brier += (1.0 - right) ** 2
        if session.known:
            found.cases += 1
            probability = Pass(layout, strengths, blind).posterior.probability
            for cause, there in session.known:
                belief = min(max(probability[cause], 1e-9), 1.0 - 1e-9)
                found.cause_bits -= log2(belief if there else 1.0 - belief)
                found.cause_brier += (belief - there) ** 2
    return found
