"""What one session is expected to say about every strength, exactly: the counting half of learning.

One pass forward and back over the exact engine's steps gives every link at once. If link c -> j brings the sign, the sign's
bit is triggered whatever it was before; the matrix of a link keeps the sum of a bit's two states, so the state after all
links of c serves for each of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import log

from fitdiag.diagnosis.exact import CAUSE, OPEN, Component, Network, Posterior


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

    def add(self, other: Counts) -> None:
        """Add the counts of another chunk."""
        for mine, theirs in ((self.trials, other.trials), (self.hits, other.hits), (self.squares, other.squares)):
            for number, value in enumerate(theirs):
                mine[number] += value


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

    def add(self, other: Expected) -> None:
        """Add another chunk."""
        self.base_rate.add(other.base_rate)
        self.seen_anyway.add(other.seen_anyway)
        self.how_often.add(other.how_often)
        self.log_chance += other.log_chance


@dataclass
class _Piece:
    """Open signs that hang together, ready to be passed with any strengths."""

    signs: list[tuple[int, float, float]]
    private: list[list[tuple[int, int]]]  # per sign: (cause, link) of causes that touch no other open sign
    known: list[list[int]]  # per sign: links of causes known to be there
    component: Component
    moves: dict[int, list[int]]  # per cause: its links in the order of its step's moves


@dataclass
class Prepared:
    """A session with its structure worked out, which no strength changes."""

    session: Session
    present: set[int]
    absent: set[int]
    untriggered: list[tuple[int, float]]  # signs that are surely absent, and λ0
    pieces: list[_Piece] = field(default_factory=list)
    touched: list[int] = field(default_factory=list)  # unknown causes that some answer speaks of


def prepare(layout: Layout, session: Session) -> Prepared:
    """Work out which answers hang together. Raises TooWideError when it is too many to weigh."""
    present = {cause for cause, there in session.known if there}
    absent = {cause for cause, there in session.known if not there}
    known = present | absent
    network = layout.structure
    links = [[pair for pair in shown if pair[0] not in known] if known else shown for shown in network.links]
    evidence = {sign: (a, b) for sign, a, b in session.answers if a != b != 0.0}
    posterior = Posterior(Network(network.prior, network.leak, links), evidence)
    number_of = {layout.links[number]: number for sign in evidence for number in layout.of_sign[sign]}
    prepared = Prepared(session, present, absent, [(sign, a) for sign, a, b in session.answers if b == 0.0 and a != b])
    for component in posterior.components:
        signs = [(opened.number, opened.absent, opened.present) for opened in component.findings]
        prepared.pieces.append(
            _Piece(
                signs,
                [[(cause, number_of[cause, sign.number]) for cause, _ in sign.private] for sign in component.findings],
                [
                    [number for number in layout.of_sign[sign] if layout.links[number][0] in present]
                    for sign, _, _ in signs
                ],
                component,
                {
                    cause: [number_of[cause, signs[local][0]] for local, _ in shown]
                    for cause, shown in component.coupled
                },
            )
        )
    asked = [sign for sign, a, b in session.answers if a != b]
    prepared.touched = sorted({layout.links[number][0] for sign in asked for number in layout.of_sign[sign]} - known)
    return prepared


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
        for piece in self.prepared.pieces:
            self.log_chance += log(self._piece(piece, back))
            seen.update(piece.component.causes)
        for cause in self.prepared.touched:
            if cause not in seen:
                total = self.off[cause] + self.on[cause]
                self.log_chance += log(total)
                self.there[cause] = self.on[cause] / total

    def _members(self, piece: _Piece, local: int) -> list[tuple[float, float, float]]:
        """(off, on, strength) of what acts on one sign only: its private causes, then the causes known to be there."""
        return [
            *((self.off[cause], self.on[cause], self.strength[number]) for cause, number in piece.private[local]),
            *((0.0, 1.0, self.strength[number]) for number in piece.known[local]),
        ]

    def _piece(self, piece: _Piece, back: bool) -> float:
        members = [self._members(piece, local) for local in range(len(piece.signs))]
        folded = []
        for (sign, _, _), acting in zip(piece.signs, members, strict=True):
            u, t = 1.0 - self.leak[sign], self.leak[sign]
            for a, b, p in acting:
                t = t * (a + b) + u * b * p
                u = u * (a + b * (1.0 - p))
            folded.append((u, t))
        steps = piece.component.steps
        if not steps:
            _, absent, present = piece.signs[0]
            u, t = folded[0]
            total = absent * u + present * t
            if back:
                self._private(piece, 0, members[0], absent, present, total)
            return total
        state = [1.0]
        before: list[list[float]] = []
        moved: list[list[float]] = []
        for step in steps:
            before.append(state)
            if step.kind == OPEN:
                u, t = folded[step.finding]
                state = [value * u for value in state] + [value * t for value in state]
            elif step.kind == CAUSE:
                shifted = state[:]
                for (bit, _), number in zip(step.moves, piece.moves[step.cause], strict=True):
                    p = self.strength[number]
                    for low, high in _pairs(step.width, bit):
                        value = shifted[low]
                        shifted[high] += value * p
                        shifted[low] = value - value * p
                moved.append(shifted)
                a, b = self.off[step.cause], self.on[step.cause]
                state = [a * still + b * gone for still, gone in zip(state, shifted, strict=True)]
            else:
                _, absent, present = piece.signs[step.finding]
                state = [absent * state[low] + present * state[high] for low, high in _pairs(step.width, step.bit)]
        total = state[0]
        if not back:
            return total
        pulled = [1.0]
        for place in range(len(steps) - 1, -1, -1):
            step, earlier = steps[place], before[place]
            if step.kind == OPEN:
                half = len(earlier)
                low_back, high_back = pulled[:half], pulled[half:]
                below = sum(map(float.__mul__, earlier, low_back))
                above = sum(map(float.__mul__, earlier, high_back))
                self._private(piece, step.finding, members[step.finding], below, above, total)
                u, t = folded[step.finding]
                pulled = [low * u + high * t for low, high in zip(low_back, high_back, strict=True)]
            elif step.kind == CAUSE:
                a, b = self.off[step.cause], self.on[step.cause]
                shifted = moved.pop()
                self.there[step.cause] = b * sum(map(float.__mul__, shifted, pulled)) / total
                numbers = piece.moves[step.cause]
                for (bit, _), number in zip(step.moves, numbers, strict=True):
                    worth = sum((shifted[low] + shifted[high]) * pulled[high] for low, high in _pairs(step.width, bit))
                    self.fired[number] = b * self.strength[number] * worth / total
                turned = pulled[:]
                for (bit, _), number in zip(step.moves, numbers, strict=True):
                    p = self.strength[number]
                    for low, high in _pairs(step.width, bit):
                        turned[low] = turned[low] * (1.0 - p) + turned[high] * p
                pulled = [a * still + b * gone for still, gone in zip(pulled, turned, strict=True)]
            else:
                wider = [0.0] * len(earlier)
                _, absent, present = piece.signs[step.finding]
                for (low, high), value in zip(_pairs(step.width, step.bit), pulled, strict=True):
                    wider[low] = absent * value
                    wider[high] = present * value
                pulled = wider
        return total

    def _private(self, piece: _Piece, local: int, acting: Sequence[tuple[float, float, float]], low: float,
                 high: float, total: float) -> None:  # fmt: skip
        """What the leak, the private and the known causes of a sign did, given what (un)triggered is worth outside."""
        sign = piece.signs[local][0]
        after = [(1.0, 0.0)]
        for a, b, p in reversed(acting):
            u, t = after[-1]
            after.append((u * (a + b * (1.0 - p)), t * (a + b) + u * b * p))
        self.anyway[sign] = self.leak[sign] * sum(after.pop()) * high / total
        u, t = 1.0 - self.leak[sign], self.leak[sign]
        private = piece.private[local]
        for place, (a, b, p) in enumerate(acting):
            after_u, after_t = after.pop()
            rest_u = u * after_u
            rest_t = t * (after_u + after_t) + u * after_t
            fired = b * p * (rest_u + rest_t) * high / total
            if place < len(private):
                cause, number = private[place]
                self.there[cause] = b * (1.0 - p) * (low * rest_u + high * rest_t) / total + fired
            else:
                number = piece.known[local][place - len(private)]
            self.fired[number] = fired
            t = t * (a + b) + u * b * p
            u = u * (a + b * (1.0 - p))


_PAIRS: dict[tuple[int, int], list[tuple[int, int]]] = {}


def _pairs(width: int, bit: int) -> list[tuple[int, int]]:
    found = _PAIRS.get((width, bit))
    if found is None:
        mask = 1 << bit
        found = _PAIRS[width, bit] = [(low, low | mask) for low in range(1 << width) if not low & mask]
    return found


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
