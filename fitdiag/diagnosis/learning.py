"""Link strengths re-estimated from answered sessions by expectation-maximisation, with the rules as the prior.

For each link and session the expected counts are how often its cause was present, and how often the link itself triggered the
sign. With a prior worth `WEIGHT` sessions they give the next strengths, until these converge. Sources: EM (Dempster, Laird &
Rubin 1977, "Maximum likelihood from incomplete data via the EM algorithm"); intervals from each session's expected score
(Louis 1982, "Finding the observed information matrix when using the EM algorithm"), keeping only the diagonal.

The counts are exact. One pass forward and back over the exact engine's steps gives every link at once. If link c -> j triggers
the sign, its bit is set whatever it was before; a link's matrix keeps the sum of a bit's two states, so the state after all
links of c serves for each of them.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import chain
from math import exp, log, log2, prod, sqrt
from typing import Generic, NamedTuple, TypeVar

from fitdiag.diagnosis.exact import Network, Posterior, pairs

WEIGHT = 10.0  # sessions a rule's word is worth: its standard deviation is then about the distance to the next word
MOST_WIDE = 12  # sessions with more coupled signs are not learned from
_ROUNDS = 40
_AT_REST = 0.0005  # converged when no strength moves by more
_LEAST, _MOST = 0.001, 0.999
_SIGMAS = 1.96  # a 95 % interval
_One = TypeVar("_One")


class ByKind(NamedTuple, Generic[_One]):
    """One item for each kind of learned number: of causes, signs and links, in the order of `Layout`."""

    base_rate: _One
    seen_anyway: _One
    how_often: _One


Strengths = ByKind[tuple[float, ...]]


@dataclass(frozen=True)
class Layout:
    """Which causes show which signs: (cause, sign) of each link, and the links of each sign."""

    links: tuple[tuple[int, int], ...]
    of_sign: tuple[tuple[int, ...], ...]

    @classmethod
    def of(cls, network: Network) -> tuple[Layout, Strengths]:
        """The layout of a network, and its strengths."""
        links = [(cause, sign) for sign, shown in enumerate(network.links) for cause, _ in shown]
        of_sign: list[list[int]] = [[] for _ in network.leak]
        for number, (_, sign) in enumerate(links):
            of_sign[sign].append(number)
        how_often = tuple(1.0 - q for shown in network.links for _, q in shown)
        layout = cls(tuple(links), tuple(map(tuple, of_sign)))
        return layout, Strengths(tuple(network.prior), tuple(network.leak), how_often)

    def network(self, strengths: Strengths) -> Network:
        """These strengths as a network."""
        shown = [
            [(self.links[number][0], 1.0 - strengths.how_often[number]) for number in numbers]
            for numbers in self.of_sign
        ]
        return Network(strengths.base_rate, strengths.seen_anyway, shown)

    @cached_property
    def number(self) -> dict[tuple[int, int], int]:
        """The index of the link of a cause and a sign."""
        return {link: number for number, link in enumerate(self.links)}


@dataclass(frozen=True)
class Session:
    """A session to learn from: answers (sign, λ0, λ1) in order, factors on prior odds (cause, factor), known causes (cause, present).

    Every answer is informative: its λ0 and λ1 differ.
    """

    answers: tuple[tuple[int, float, float], ...]
    odds: tuple[tuple[int, float], ...] = ()
    known: tuple[tuple[int, bool], ...] = ()


class Counts:
    """Expected trials and successes of every number, and the sum of squared scores (derivatives by log odds).

    A link's trials are the sessions in which its sign was asked and its cause was present; a sign's, those in which it was
    asked; a cause's, those that bear on it.
    """

    def __init__(self, numbers: tuple[float, ...]) -> None:
        self.strengths = numbers
        self.trials, self.hits, self.squares = ([0.0] * len(numbers) for _ in range(3))

    def count(self, number: int, trials: float, hits: float, strength: float | None = None) -> None:
        """Add one session's counts; `strength`: its value in this session, if different."""
        self.trials[number] += trials
        self.hits[number] += hits
        score = hits - trials * (self.strengths[number] if strength is None else strength)
        self.squares[number] += score * score


class Pass:
    """One session under given strengths: the `posterior` of the unknown causes, and the log likelihood of all answers.

    A cause known to be present acts on a sign like its leak. Raises TooWideError if too many signs are coupled.
    """

    def __init__(self, layout: Layout, strengths: Strengths, session: Session) -> None:
        self.layout, self.strength, self.leak = layout, strengths.how_often, strengths.seen_anyway
        self.known, self.prior = dict(session.known), list(strengths.base_rate)
        for cause, factor in session.odds:
            odds = self.prior[cause] / (1.0 - self.prior[cause]) * factor
            self.prior[cause] = odds / (1.0 + odds)
        self.asked = {sign: (absent, present) for sign, absent, present in session.answers}
        leak, links = list(self.leak), [list[tuple[int, float]]()] * len(self.leak)
        for sign in self.asked:
            keep, links[sign] = 1.0 - leak[sign], []
            for number in layout.of_sign[sign]:
                cause, q = layout.links[number][0], 1.0 - self.strength[number]
                if cause not in self.known:
                    links[sign].append((cause, q))
                elif self.known[cause]:
                    keep *= q
            leak[sign] = 1.0 - keep
        self.posterior = Posterior(Network(self.prior, leak, links), self.asked)

    @property
    def log_chance(self) -> float:
        """Log likelihood of all answers and of the known causes."""
        certain = sum(
            log(self.prior[cause] if there else 1.0 - self.prior[cause]) for cause, there in self.known.items()
        )
        return certain + self.posterior.log_chance

    def done(self) -> tuple[dict[int, float], dict[int, float], dict[int, float]]:
        """Probabilities that each cause bearing on an answer was present, that each link triggered its sign, and that each leak did.

        A sign triggered by its leak, a known cause or a private cause is triggered whatever the others do.
        """
        posterior, number = self.posterior, self.layout.number
        off, on = posterior.off, posterior.on
        touched = (self.layout.links[link][0] for sign in self.asked for link in self.layout.of_sign[sign])
        there = {
            cause: float(self.known[cause]) if cause in self.known else on[cause] / (off[cause] + on[cause])
            for cause in touched
        }
        fired: dict[int, float] = {}
        anyway: dict[int, float] = {}
        for component, sweep in zip(posterior.components, posterior.sweeps, strict=True):
            total = sweep.total
            for step, weight, moved, worth in sweep.back():
                cause, links = component.coupled[step.cause]
                there[cause] = weight / total
                for bit, (place, q) in zip(step.bits, links, strict=True):
                    brought = sum((moved[low] + moved[high]) * worth[high] for low, high in pairs(len(moved), bit))
                    fired[number[cause, component.findings[place].number]] = on[cause] * (1.0 - q) * brought / total
            for finding, (_, high) in zip(component.findings, sweep.outside, strict=True):
                sign = finding.number
                triggered = high * prod(off[cause] + on[cause] for cause, _ in finding.private) / total
                anyway[sign] = self.leak[sign] * triggered
                for link in self.layout.of_sign[sign]:
                    if self.known.get(self.layout.links[link][0]):
                        fired[link] = self.strength[link] * triggered
                for cause, q in finding.private:
                    fired[number[cause, sign]] = on[cause] / (off[cause] + on[cause]) * (1.0 - q) * triggered
            there.update((cause, weight / total) for cause, weight in sweep.private_weights().items())
        return there, fired, anyway


def expected_counts(layout: Layout, strengths: Strengths, sessions: Iterable[Session]) -> ByKind[Counts]:
    """The expected counts of every strength over all sessions."""
    causes, signs, links = counts = ByKind(*map(Counts, strengths))
    for session in sessions:
        one = Pass(layout, strengths, session)
        there, fired, anyway = one.done()
        for cause, chance in sorted({**there, **one.known}.items()):
            causes.count(cause, 1.0, float(chance), one.prior[cause])
        for sign in one.asked:
            signs.count(sign, 1.0, anyway.get(sign, 0.0))
            for number in layout.of_sign[sign]:
                cause = layout.links[number][0]
                if one.known.get(cause, True):
                    links.count(number, there[cause], fired.get(number, 0.0))
    return counts


# -- learning --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Estimate:
    """One learned number, its 95 % interval, and the data behind it.

    `worth`: the equivalent number of fully known sessions; `trials` and `hits` are expected counts.
    """

    value: float
    low: float
    high: float
    trials: float
    hits: float
    worth: float


@dataclass(frozen=True)
class Learned:
    """The outcome: all strengths, their estimates, and the number of rounds taken."""

    strengths: Strengths
    estimates: ByKind[tuple[Estimate, ...]]
    rounds: int


def learn(
    layout: Layout, prior: Strengths, sessions: Sequence[Session], *, weight: float = WEIGHT, rounds: int = _ROUNDS
) -> Learned:
    """The most probable strengths given the sessions, with a prior worth `weight` sessions. Deterministic."""
    shifts = _shifts(layout, sessions)
    strengths, taken = prior, 0
    counts = expected_counts(layout, strengths, sessions)
    while taken < rounds:
        taken += 1
        earlier, strengths = strengths, _next(prior, counts, shifts, weight)
        counts = expected_counts(layout, strengths, sessions)
        moved = (abs(new - old) for new, old in zip(chain(*strengths), chain(*earlier), strict=True))
        if max(moved, default=0.0) < _AT_REST:
            break
    return Learned(strengths, ByKind(*(_estimates(kind, weight) for kind in counts)), taken)


def _shifts(layout: Layout, sessions: Sequence[Session]) -> Mapping[int, Counter[float]]:
    """Per cause: the factors on its prior odds in the sessions in which it is known or shows a sign that was asked, with counts."""
    result: Mapping[int, Counter[float]] = defaultdict(Counter)
    for session in sessions:
        odds = dict(session.odds)
        shown = {layout.links[number][0] for sign, _, _ in session.answers for number in layout.of_sign[sign]}
        for cause in shown | {cause for cause, _ in session.known}:
            result[cause][odds.get(cause, 1.0)] += 1
    return result


def _next(prior: Strengths, counts: ByKind[Counts], shifts: Mapping[int, Counter[float]], weight: float) -> Strengths:
    def shares(before: Sequence[float], counts: Counts) -> tuple[float, ...]:
        return tuple(
            _bounded((hits + weight * old) / (trials + weight))
            for old, trials, hits in zip(before, counts.trials, counts.hits, strict=True)
        )

    rates = tuple(
        _rate(wanted + weight * old, weight, shifts[cause])
        for cause, (old, wanted) in enumerate(zip(prior.base_rate, counts.base_rate.hits, strict=True))
    )
    return Strengths(rates, shares(prior.seen_anyway, counts.seen_anyway), shares(prior.how_often, counts.how_often))


def _rate(wanted: float, weight: float, factors: Mapping[float, int]) -> float:
    """The base rate at which the expected count equals `wanted`, each session's odds multiplied by its factor (bisection)."""
    if all(factor == 1.0 for factor in factors):
        return _bounded(wanted / (sum(factors.values()) + weight))
    terms = sorted(factors.items())
    low, high = _LEAST, _MOST
    for _ in range(50):
        middle = (low + high) / 2.0
        odds = middle / (1.0 - middle)
        expected = weight * middle + sum(count * odds * factor / (1.0 + odds * factor) for factor, count in terms)
        low, high = (middle, high) if expected < wanted else (low, middle)
    return _bounded((low + high) / 2.0)


def _bounded(value: float) -> float:
    return min(max(value, _LEAST), _MOST)


def _estimates(counts: Counts, weight: float) -> tuple[Estimate, ...]:
    result = []
    for value, trials, hits, squares in zip(counts.strengths, counts.trials, counts.hits, counts.squares, strict=True):
        unit = value * (1.0 - value)
        spread = _SIGMAS / sqrt(squares + weight * unit)
        odds = log(value / (1.0 - value))
        low, high = (1.0 / (1.0 + exp(-(odds + shift))) for shift in (-spread, spread))
        result.append(Estimate(value, low, high, trials, hits, worth=min(squares / unit, trials)))
    return tuple(result)


# -- how well strengths predict --------------------------------------------------------------------------------------------


@dataclass
class Score:
    """How well sessions are predicted: each answer from those before it; and causes, where known.

    Log loss in bits and Brier score; sums over `answers` answers and `cases` sessions with a known outcome.
    """

    answers: int = 0
    answer_bits: float = 0.0
    answer_brier: float = 0.0
    cases: int = 0
    cause_bits: float = 0.0
    cause_brier: float = 0.0


def score(layout: Layout, strengths: Strengths, sessions: Sequence[Session]) -> Score:
    """Score strengths on sessions they were not learned from."""
    result = Score()
    for session in sessions:
        blind, earlier = replace(session, known=()), 0.0
        for place, (_, absent, present) in enumerate(session.answers, 1):
            now = Pass(layout, strengths, replace(blind, answers=session.answers[:place])).log_chance
            chance = exp(now - earlier)  # λ0·P(absent) + λ1·P(present)
            yes, earlier = (chance - absent) / (present - absent), now
            right = min(max(yes if present > absent else 1.0 - yes, 1e-9), 1.0)
            result.answers += 1
            result.answer_bits -= log2(right)
            result.answer_brier += (1.0 - right) ** 2
        if session.known:
            result.cases += 1
            probability = Pass(layout, strengths, blind).posterior.probability
            for cause, there in session.known:
                belief = min(max(probability[cause], 1e-9), 1.0 - 1e-9)
                result.cause_bits -= log2(belief if there else 1.0 - belief)
                result.cause_brier += (belief - there) ** 2
    return result
