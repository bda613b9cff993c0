"""What one session is expected to say about every strength, exactly: the counting half of learning.

One pass forward and back over the exact engine's steps gives every link at once. If link c -> j brings the sign, the sign's
bit is triggered whatever it was before; the matrix of a link keeps the sum of a bit's two states, so the state after all
links of c serves for each of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import log, prod

from fitdiag.diagnosis.exact import Component, Lists, Network, OpenFinding, Posterior, Sweep, pairs, private_weights


@dataclass(frozen=True)
class Strengths:
    """All numbers that are learned: of each cause, each sign and each link, in the order of `Layout`."""

    base_rate: tuple[float, ...]
    seen_anyway: tuple[float, ...]
    how_often: tuple[float, ...]


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

    @cached_property
    def number(self) -> dict[tuple[int, int], int]:
        """The place of the link of a cause and a sign."""
        return {link: number for number, link in enumerate(self.links)}

    @cached_property
    def structure(self) -> Network:
        """A network of these links in which every number is one half: which answers hang together depends on no strength."""
        half = Strengths((0.5,) * len(self.of_cause), (0.5,) * len(self.of_sign), (0.5,) * len(self.links))
        return self.network(half)


@dataclass(frozen=True)
class Session:
    """What is learned from: the answers (sign, λ0, λ1) in their order, what shifted the prior odds, and known causes."""

    answers: tuple[tuple[int, float, float], ...]
    odds: tuple[tuple[int, float], ...] = ()
    known: tuple[tuple[int, bool], ...] = ()


@dataclass
class Counts:
    """Expected counts: trials and successes of every number, and the sum of squared scores (on the scale of log odds).

    A link's trials are the sessions in which its sign was asked and its cause was there; a sign's are those in which it was
    asked; a cause's are those that say anything about it.
    """

    trials: list[float]
    hits: list[float]
    squares: list[float]

    @classmethod
    def none(cls, size: int) -> Counts:
        """Nothing counted yet."""
        return cls([0.0] * size, [0.0] * size, [0.0] * size)

    def count(self, number: int, trials: float, hits: float, strength: float) -> None:
        """Add what one session says."""
        self.trials[number] += trials
        self.hits[number] += hits
        score = hits - trials * strength
        self.squares[number] += score * score


@dataclass
class Expected:
    """The expected counts of causes, signs and links, and the log of the chance of all answers."""

    base_rate: Counts
    seen_anyway: Counts
    how_often: Counts
    log_chance: float = 0.0

    @classmethod
    def none(cls, layout: Layout) -> Expected:
        """Nothing counted yet."""
        return cls(Counts.none(len(layout.of_cause)), Counts.none(len(layout.of_sign)), Counts.none(len(layout.links)))


@dataclass
class Prepared:
    """A session with its structure worked out, which no strength changes."""

    session: Session
    present: set[int]
    absent: set[int]
    untriggered: list[tuple[int, float]]  # signs that are surely absent, and λ0
    components: list[Component]  # open signs that hang together, without the known causes
    touched: list[int]  # unknown causes that some answer speaks of


def prepare(layout: Layout, session: Session) -> Prepared:
    """Work out which answers hang together. Raises TooWideError when it is too many to weigh."""
    present = {cause for cause, there in session.known if there}
    absent = {cause for cause, there in session.known if not there}
    known = present | absent
    network = layout.structure
    links = [[pair for pair in shown if pair[0] not in known] if known else shown for shown in network.links]
    evidence = {sign: (a, b) for sign, a, b in session.answers if a != b != 0.0}
    posterior = Posterior(Network(network.prior, network.leak, links), evidence)
    asked = [sign for sign, a, b in session.answers if a != b]
    touched = sorted({layout.links[number][0] for sign in asked for number in layout.of_sign[sign]} - known)
    untriggered = [(sign, a) for sign, a, b in session.answers if b == 0.0 and a != b]
    return Prepared(session, present, absent, untriggered, posterior.components, touched)


class Pass:
    """One session under given strengths: the weights of its causes, and what each link is expected to have done."""

    def __init__(self, layout: Layout, strengths: Strengths, prepared: Prepared) -> None:
        self.layout, self.strength, self.prepared = layout, strengths.how_often, prepared
        self.leak = strengths.seen_anyway
        self.on = list(strengths.base_rate)
        self.prior = self.on[:]
        for cause, factor in prepared.session.odds:
            odds = self.on[cause] / (1.0 - self.on[cause]) * factor
            self.prior[cause] = self.on[cause] = odds / (1.0 + odds)
        self.off = [1.0 - p for p in self.on]
        self.log_chance = 0.0
        for cause, there in prepared.session.known:
            self.log_chance += log(self.on[cause] if there else self.off[cause])
            self.on[cause], self.off[cause] = (1.0, 0.0) if there else (0.0, 1.0)
        for sign, absent in prepared.untriggered:
            keep = absent * (1.0 - self.leak[sign])
            for number in layout.of_sign[sign]:
                cause = layout.links[number][0]
                if cause in prepared.present:
                    keep *= 1.0 - self.strength[number]
                else:
                    self.on[cause] *= 1.0 - self.strength[number]
            self.log_chance += log(keep)
        self.there: dict[int, float] = {}  # cause: chance that it is there
        self.fired: dict[int, float] = {}  # link: chance that it brought the sign
        self.anyway: dict[int, float] = {}  # sign: chance that it came by itself

    def run(self, *, back: bool = True) -> None:
        """All answers at once. `back=False`: only the chance of the answers."""
        seen: set[int] = set()
        for structure in self.prepared.components:
            component = self._tuned(structure)
            sweep = Sweep(component, self.off, self.on, Lists())
            self.log_chance += log(sweep.total)
            seen.update(component.causes)
            if back:
                self._count(sweep)
        for cause in self.prepared.touched:
            if cause not in seen:
                total = self.off[cause] + self.on[cause]
                self.log_chance += log(total)
                self.there[cause] = self.on[cause] / total

    def _known(self, sign: int) -> list[int]:
        """Links of a sign from causes known to be there."""
        present = self.prepared.present
        return [number for number in self.layout.of_sign[sign] if self.layout.links[number][0] in present]

    def _tuned(self, structure: Component) -> Component:
        """The component with these strengths; a cause known to be there acts on a sign as its leak does."""
        findings = []
        for one in structure.findings:
            keep = 1.0 - self.leak[one.number]
            for number in self._known(one.number):
                keep *= 1.0 - self.strength[number]
            private = [(cause, self._q(cause, one.number)) for cause, _ in one.private]
            findings.append(OpenFinding(one.number, keep, one.absent, one.present, private))
        coupled = [
            (cause, [(place, self._q(cause, findings[place].number)) for place, _ in links])
            for cause, links in structure.coupled
        ]
        return Component(findings, coupled, structure.steps, structure.width)

    def _q(self, cause: int, sign: int) -> float:
        return 1.0 - self.strength[self.layout.number[cause, sign]]

    def _count(self, sweep: Sweep) -> None:
        """What the leak, each cause and each link did, from the way back.

        Where the sign is brought by its leak, by a known cause or by a private one, it is triggered whatever the others do.
        """
        component, total, number = sweep.component, sweep.total, self.layout.number
        for step, moved, worth in sweep.back():
            cause, links = component.coupled[step.cause]
            self.there[cause] = sweep.there(step, moved, worth) / total
            for bit, (place, q) in zip(step.bits, links, strict=True):
                brought = sum((moved[low] + moved[high]) * worth[high] for low, high in pairs(len(moved), bit))
                link = number[cause, component.findings[place].number]
                self.fired[link] = self.on[cause] * (1.0 - q) * brought / total
        for finding, (low, high) in zip(component.findings, sweep.outside, strict=True):
            sign, whole = finding.number, {cause: self.off[cause] + self.on[cause] for cause, _ in finding.private}
            triggered = high * prod(whole.values()) / total
            self.anyway[sign] = self.leak[sign] * triggered
            for link in self._known(sign):
                self.fired[link] = self.strength[link] * triggered
            weights = private_weights(finding, self.off, self.on, low, high)
            for (cause, q), weight in zip(finding.private, weights, strict=True):
                self.there[cause] = weight / total
                self.fired[number[cause, sign]] = self.on[cause] / whole[cause] * (1.0 - q) * triggered


def expect(layout: Layout, strengths: Strengths, prepared: Prepared, into: Expected) -> None:
    """Add what one session is expected to say about every strength."""
    done = Pass(layout, strengths, prepared)
    done.run()
    into.log_chance += done.log_chance
    for cause in prepared.touched:
        into.base_rate.count(cause, 1.0, done.there[cause], done.prior[cause])
    for cause, known in prepared.session.known:
        into.base_rate.count(cause, 1.0, float(known), done.prior[cause])
    for sign, absent, present in prepared.session.answers:
        if absent == present:
            continue
        into.seen_anyway.count(sign, 1.0, done.anyway.get(sign, 0.0), strengths.seen_anyway[sign])
        for number in layout.of_sign[sign]:
            cause = layout.links[number][0]
            if cause in prepared.absent:
                continue
            there = 1.0 if cause in prepared.present else done.there[cause]
            into.how_often.count(number, there, done.fired.get(number, 0.0), strengths.how_often[number])
