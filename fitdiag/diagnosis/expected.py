"""What one session is expected to say about every strength, exactly: the counting half of learning.

One pass forward and back over the exact engine's steps gives every link at once. If link c -> j brings the sign, the sign's
bit is triggered whatever it was before; the matrix of a link keeps the sum of a bit's two states, so the state after all
links of c serves for each of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from math import log, prod
from typing import Generic, NamedTuple, TypeVar

from fitdiag.diagnosis.exact import Network, Posterior, pairs

_One = TypeVar("_One")


class ByKind(NamedTuple, Generic[_One]):
    """Of each kind of number that is learned the same: of the causes, the signs and the links, in the order of `Layout`."""

    base_rate: _One
    seen_anyway: _One
    how_often: _One


Strengths = ByKind[tuple[float, ...]]


@dataclass(frozen=True)
class Layout:
    """Which causes show which signs: (cause, sign) of each link, and the links of each sign and each cause."""

    links: tuple[tuple[int, int], ...]
    of_sign: tuple[tuple[int, ...], ...]
    of_cause: tuple[tuple[int, ...], ...]

    @classmethod
    def of(cls, network: Network) -> tuple[Layout, Strengths]:
        """The layout of a network, and its strengths."""
        links: list[tuple[int, int]] = []
        strengths: list[float] = []
        for sign, shown in enumerate(network.links):
            for cause, q in shown:
                links.append((cause, sign))
                strengths.append(1.0 - q)
        of_sign: list[list[int]] = [[] for _ in network.leak]
        of_cause: list[list[int]] = [[] for _ in network.prior]
        for number, (cause, sign) in enumerate(links):
            of_sign[sign].append(number)
            of_cause[cause].append(number)
        layout = cls(tuple(links), tuple(map(tuple, of_sign)), tuple(map(tuple, of_cause)))
        return layout, Strengths(tuple(network.prior), tuple(network.leak), tuple(strengths))

    def network(self, strengths: Strengths) -> Network:
        """These strengths as a network."""
        shown = [
            [(self.links[number][0], 1.0 - strengths.how_often[number]) for number in numbers]
            for numbers in self.of_sign
        ]
        return Network(strengths.base_rate, strengths.seen_anyway, shown)

    def causes_spoken_of(self, session: Session) -> set[int]:
        """The causes a session says anything about: known ones, and those that show a sign that was asked."""
        shown = {self.links[number][0] for sign, _, _ in session.answers for number in self.of_sign[sign]}
        return shown | {cause for cause, _ in session.known}

    @cached_property
    def number(self) -> dict[tuple[int, int], int]:
        """The place of the link of a cause and a sign."""
        return {link: number for number, link in enumerate(self.links)}


@dataclass(frozen=True)
class Session:
    """What is learned from: the answers (sign, λ0, λ1) in their order, what shifted the prior odds, and known causes.

    An answer tells something: its λ0 and λ1 differ.
    """

    answers: tuple[tuple[int, float, float], ...]
    odds: tuple[tuple[int, float], ...] = ()
    known: tuple[tuple[int, bool], ...] = ()


class Counts:
    """Expected counts: trials and successes of every number, and the sum of squared scores (on the scale of log odds).

    A link's trials are the sessions in which its sign was asked and its cause was there; a sign's are those in which it was
    asked; a cause's are those that say anything about it.
    """

    def __init__(self, numbers: tuple[float, ...]) -> None:
        self.strengths = numbers
        self.trials, self.hits, self.squares = ([0.0] * len(numbers) for _ in range(3))

    def count(self, number: int, trials: float, hits: float, strength: float | None = None) -> None:
        """Add what one session says; `strength`: as it was in this session, where that is another."""
        self.trials[number] += trials
        self.hits[number] += hits
        score = hits - trials * (self.strengths[number] if strength is None else strength)
        self.squares[number] += score * score


class Pass:
    """One session under given strengths: its `posterior` over the causes that are not known, and the log of the chance of all answers.

    A cause known to be there acts on a sign as its leak does. Raises TooWideError when too much hangs together to be weighed.
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
        """Of all answers, and of what is known."""
        certain = sum(
            log(self.prior[cause] if there else 1.0 - self.prior[cause]) for cause, there in self.known.items()
        )
        return certain + self.posterior.log_chance

    def done(self) -> tuple[dict[int, float], dict[int, float], dict[int, float]]:
        """The chance that each cause was there of which some answer speaks, that each link brought its sign, and that each sign
        came by itself.

        Where the sign is brought by its leak, by a known cause or by a private one, it is triggered whatever the others do.
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
    """What all sessions are expected to say about every strength."""
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
