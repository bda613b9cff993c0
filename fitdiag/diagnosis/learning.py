"""Strengths re-estimated from answered sessions by expectation-maximisation, with what the rules say as the prior.

For every session is counted what is expected of each link: how often its cause was there, and how often the link itself
brought the sign. Expected counts and a prior worth `WEIGHT` sessions make the next strengths, until they rest. EM is published
(Dempster, Laird & Rubin 1977, "Maximum likelihood from incomplete data via the EM algorithm"); so is the spread from each
session's expected score (Louis 1982, "Finding the observed information matrix when using the EM algorithm"), of which only
the diagonal is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import exp, log, log2, sqrt

from fitdiag.diagnosis.expected import Counts, Expected, Layout, Pass, Session, Strengths, expect

WEIGHT = 10.0  # how many sessions a rule's word is worth: its spread is then about the distance to the next word
MOST_WIDE = 12  # sessions of which more signs hang together are not learned from
_ROUNDS = 40
_AT_REST = 0.0005  # no strength moves by more than this in a round
_LEAST, _MOST = 0.001, 0.999
_SIGMAS = 1.96  # a 95 % interval
_BINS = 10


def _expected(layout: Layout, strengths: Strengths, sessions: Sequence[Session]) -> Expected:
    """What all sessions are expected to say."""
    total = Expected.none(layout)
    for session in sessions:
        expect(layout, strengths, session, total)
    return total


@dataclass(frozen=True)
class Estimate:
    """One learned number: where it stood, where it came to, its 95 % interval, and on what it rests.

    `worth`: as how many sessions it counts in which everything about it were known; `trials` and `hits` are expected counts.
    """

    before: float
    value: float
    low: float
    high: float
    trials: float
    hits: float
    worth: float


@dataclass(frozen=True)
class Learned:
    """The outcome: all strengths, each with what it rests on, in the order of the layout."""

    strengths: Strengths
    base_rate: tuple[Estimate, ...]
    seen_anyway: tuple[Estimate, ...]
    how_often: tuple[Estimate, ...]
    rounds: int
    sessions: int


def learn(
    layout: Layout, prior: Strengths, sessions: Sequence[Session], *, weight: float = WEIGHT, rounds: int = _ROUNDS
) -> Learned:
    """The most probable strengths given the sessions, the rules being worth `weight` sessions. Deterministic."""
    shifts = _shifts(layout, sessions)
    strengths, taken = prior, 0
    expected = _expected(layout, strengths, sessions)
    while taken < rounds:
        taken += 1
        earlier, strengths = strengths, _next(prior, expected, shifts, weight)
        expected = _expected(layout, strengths, sessions)
        if _furthest(earlier, strengths) < _AT_REST:
            break
    return Learned(
        strengths,
        _estimates(prior.base_rate, strengths.base_rate, expected.base_rate, weight),
        _estimates(prior.seen_anyway, strengths.seen_anyway, expected.seen_anyway, weight),
        _estimates(prior.how_often, strengths.how_often, expected.how_often, weight),
        taken,
        len(sessions),
    )


def _shifts(layout: Layout, sessions: Sequence[Session]) -> list[dict[float, int]]:
    """Per cause: by which factors its odds were shifted in the sessions that say anything about it, and how often."""
    result: list[dict[float, int]] = [{} for _ in layout.of_cause]
    for session in sessions:
        odds, known = dict(session.odds), {cause for cause, _ in session.known}
        asked = [sign for sign, a, b in session.answers if a != b]
        spoken = {layout.links[number][0] for sign in asked for number in layout.of_sign[sign]} | known
        for cause in spoken:
            factor = odds.get(cause, 1.0)
            result[cause][factor] = result[cause].get(factor, 0) + 1
    return result


def _next(prior: Strengths, expected: Expected, shifts: Sequence[dict[float, int]], weight: float) -> Strengths:
    def shares(before: Sequence[float], counts: Counts) -> tuple[float, ...]:
        return tuple(
            _bounded((hits + weight * old) / (trials + weight))
            for old, trials, hits in zip(before, counts.trials, counts.hits, strict=True)
        )

    rates = []
    for old, wanted, factors in zip(prior.base_rate, expected.base_rate.hits, shifts, strict=True):
        rates.append(_rate(wanted + weight * old, weight, factors))
    return Strengths(
        tuple(rates), shares(prior.seen_anyway, expected.seen_anyway), shares(prior.how_often, expected.how_often)
    )


def _rate(wanted: float, weight: float, factors: dict[float, int]) -> float:
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
    pairs = (
        (one.base_rate, other.base_rate), (one.seen_anyway, other.seen_anyway), (one.how_often, other.how_often)
    )  # fmt: skip
    return max((abs(a - b) for old, new in pairs for a, b in zip(old, new, strict=True)), default=0.0)


def _estimates(before: Sequence[float], after: Sequence[float], counts: Counts, weight: float) -> tuple[Estimate, ...]:
    result = []
    for number, (old, value) in enumerate(zip(before, after, strict=True)):
        unit = value * (1.0 - value)
        spread = _SIGMAS / sqrt(counts.squares[number] + weight * unit)
        odds = log(value / (1.0 - value))
        low, high = (1.0 / (1.0 + exp(-(odds + shift))) for shift in (-spread, spread))
        worth = min(counts.squares[number] / unit, counts.trials[number])
        result.append(Estimate(old, value, low, high, counts.trials[number], counts.hits[number], worth))
    return tuple(result)


# -- how well strengths foretell -------------------------------------------------------------------------------------------


@dataclass
class Score:
    """How well sessions are foretold: answers, each from those before it; and causes, where they are known.

    Log-loss in bits, Brier as the squared distance; sums over `answers` answers and `cases` sessions with a known outcome.
    `bins`: by tenths of the chance foretold, how many answers, the sum of their chances, and how many were seen.
    """

    sessions: int = 0
    answers: int = 0
    answer_bits: float = 0.0
    answer_brier: float = 0.0
    cases: int = 0
    cause_bits: float = 0.0
    cause_brier: float = 0.0
    bins: list[tuple[int, float, int]] = field(default_factory=lambda: [(0, 0.0, 0)] * _BINS)

    def foretold(self, yes: float, seen: bool) -> None:
        """Count one answer that was foretold as seen with the chance `yes`."""
        right = min(max(yes if seen else 1.0 - yes, 1e-9), 1.0)
        self.answers += 1
        self.answer_bits -= log2(right)
        self.answer_brier += (1.0 - right) ** 2
        tenth = min(max(int(yes * _BINS), 0), _BINS - 1)
        count, chances, times = self.bins[tenth]
        self.bins[tenth] = (count + 1, chances + yes, times + seen)


def score(layout: Layout, several: Sequence[Strengths], sessions: Sequence[Session]) -> list[Score]:
    """The score of each of several sets of strengths on the same sessions, which they were not learned from."""
    scores = [Score(len(sessions)) for _ in several]
    for strengths, score in zip(several, scores, strict=True):
        for session in sessions:
            _foretell(layout, strengths, session, score)
    return scores


def _foretell(layout: Layout, strengths: Strengths, session: Session, score: Score) -> None:
    blind, earlier = replace(session, known=()), 0.0
    for place, (_, absent, present) in enumerate(session.answers, 1):
        now = Pass(layout, strengths, replace(blind, answers=session.answers[:place])).log_chance
        chance = exp(now - earlier)  # λ0·P(not there) + λ1·P(there)
        score.foretold((chance - absent) / (present - absent), present > absent)
        earlier = now
    if session.known:
        score.cases += 1
        probability = Pass(layout, strengths, blind).posterior.probability
        for cause, there in session.known:
            belief = min(max(probability[cause], 1e-9), 1.0 - 1e-9)
            score.cause_bits -= log2(belief if there else 1.0 - belief)
            score.cause_brier += (belief - there) ** 2
