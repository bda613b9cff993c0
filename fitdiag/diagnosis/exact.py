"""Exact posterior of a two-layer noisy-OR network with several causes at once, and the expected information of questions.

A numeric core on bare lists: causes and findings are indexes, nothing here knows a rule base. Every finding has the form
λ0·U + λ1·(1 - U), with U = (1 - leak)·Π q_i^x_i the chance that the sign is absent given the causes x.

Sources: noisy-OR diagnosis with negative findings in closed form (Heckerman 1989, "A tractable inference
algorithm for diagnosing multiple diseases"), the factors of an OR taken cause by cause (Zhang & Poole 1996, "Exploiting
causal independence in Bayesian network inference"; Takikawa & D'Ambrosio 1999, "Multiplicative factorization of noisy-max").
Each open finding is one bit, "already triggered or not", closed once its last cause is passed; causes of a single finding are
folded into it first. All terms are non-negative, so nothing cancels however rare the causes are.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property, lru_cache
from itertools import chain
from math import log, log2
from typing import Any, NamedTuple

Links = Sequence[Sequence[tuple[int, float]]]  # per finding: (cause, q = 1 - strength)
Evidence = Mapping[int, tuple[float, float]]  # finding -> (λ0 if absent, λ1 if present)
WIDEST = 18  # 2^18 numbers per step: at most about 250 MB and a second
_ARRAYS_FROM = 9  # a component this wide runs faster on numpy than on lists


class TooWideError(ValueError):
    """Too many findings are coupled for an exact answer in reasonable time."""

    def __init__(self, width: int) -> None:
        super().__init__(f"{width} signs hang together; at most {WIDEST} can be weighed exactly")
        self.width = width


@dataclass(frozen=True)
class Network:
    """Prior of each cause, leak and links of each finding; all numbers between 0 and 1."""

    prior: Sequence[float]
    leak: Sequence[float]
    links: Links


@dataclass
class OpenFinding:
    """An open finding of a component: its leak, its likelihoods, and its private causes, which show nothing else in it."""

    number: int
    keep: float  # 1 - leak
    absent: float  # λ0
    present: float  # λ1
    private: list[tuple[int, float]] = field(default_factory=list)


class Step(NamedTuple):
    """One cause of the pass: the bits opened before it and closed after it, each (finding, bit), and the bits of its links."""

    opens: Sequence[tuple[int, int]]
    cause: int  # index among the coupled causes
    bits: Sequence[int]  # one per link of the cause
    closes: Sequence[tuple[int, int]]


@dataclass
class Component:
    """Findings coupled by shared causes, and the steps of the pass, which depend only on the links.

    `coupled`: each cause of several findings, with (index of the finding, q) for each link.
    """

    findings: list[OpenFinding]
    coupled: list[tuple[int, list[tuple[int, float]]]]
    steps: Sequence[Step]
    width: int


@lru_cache(maxsize=4096)
def _steps(linked: tuple[tuple[int, ...], ...]) -> tuple[tuple[Step, ...], int]:
    """The steps over causes linked to these findings, and the most bits open at once. Raises TooWideError."""
    order = _order(linked)
    last = {finding: index for index in order for finding in linked[index]}
    bits: list[int] = []  # the open findings
    steps, width = [], 0
    for index in order:
        opens, closes = [], []
        for finding in linked[index]:
            if finding not in bits:
                opens.append((finding, len(bits)))
                bits.append(finding)
        width = max(width, len(bits))
        linked_bits = [bits.index(finding) for finding in linked[index]]
        for finding in linked[index]:
            if last[finding] == index:
                closes.append((finding, bits.index(finding)))
                bits.remove(finding)
        steps.append(Step(opens, index, linked_bits, closes))
    if width > WIDEST:
        raise TooWideError(width)
    return tuple(steps), width


def _order(linked: Sequence[Sequence[int]]) -> list[int]:
    """Order the coupled causes greedily: finish first the finding that opens the fewest others."""
    shown = [sum(1 << finding for finding in findings) for findings in linked]  # findings as bits
    waiting: dict[int, list[int]] = {}
    for index, findings in enumerate(linked):
        for finding in findings:
            waiting.setdefault(finding, []).append(index)
    unopened = -1
    order: list[int] = []
    while waiting:
        best, best_key = -1, (1 << 30, 1 << 30)
        for finding, causes in waiting.items():
            met = 0
            for index in causes:
                met |= shown[index]
            key = ((met & unopened).bit_count(), len(causes))
            if key < best_key:
                best, best_key = finding, key
        chosen = waiting.pop(best)
        order += sorted(chosen, key=lambda index: ((shown[index] & unopened).bit_count(), index))
        for index in chosen:
            unopened &= ~shown[index]
        waiting = {
            finding: rest
            for finding, causes in waiting.items()
            if (rest := [index for index in causes if index not in chosen])
        }
    return order


class Sweep:
    """One pass over a component: forward on creation, giving the `total` weight; then `back`, once.

    `states`: operations on the weights of the open bits, `Lists` or `arrays.Arrays`. After `back`, `outside` holds for each finding
    the weights of "not triggered" and "triggered" outside its own causes.
    """

    def __init__(self, component: Component, off: Sequence[float], on: Sequence[float], states: Any = None) -> None:
        self.component, self.off, self.on = component, off, on
        self.states = states or _states(component.width)
        findings = component.findings
        self.folded = [folded(finding, off, on) for finding in findings]
        self.outside = [(one.absent, one.present) for one in findings]
        self._before: list[Any] = []
        self._moved: list[Any] = []
        if not component.steps:  # a single finding, all causes private
            untriggered, triggered = self.folded[0][-1]
            self.total: float = findings[0].absent * untriggered + findings[0].present * triggered
            return
        state = self.states.start()
        for step in component.steps:
            for finding, bit in step.opens:
                self._before.append(state)
                state = self.states.widened(state, bit, *self.folded[finding][-1])
            (cause, links), moved = component.coupled[step.cause], state.copy()
            for bit, (_, q) in zip(step.bits, links, strict=True):
                self.states.push(moved, bit, q)
            self._moved.append(moved)
            state = self.states.mixed(off[cause], state, on[cause], moved)
            for finding, bit in step.closes:
                state = self.states.narrowed(state, bit, findings[finding].absent, findings[finding].present)
        self.total = float(state[0])

    def back(self) -> Iterator[tuple[Step, float, Any, Any]]:
        """Yield each step, last first: the weight with its cause present, the forward states after it, and their backward weights."""
        states, findings, coupled = self.states, self.component.findings, self.component.coupled
        worth = states.start()
        for step in reversed(self.component.steps):
            for finding, bit in reversed(step.closes):
                worth = states.widened(worth, bit, findings[finding].absent, findings[finding].present)
            (cause, links), pulled, moved = coupled[step.cause], worth.copy(), self._moved.pop()
            yield step, self.on[cause] * states.product(moved, worth), moved, worth
            for bit, (_, q) in zip(step.bits, links, strict=True):
                states.pull(pulled, bit, q)
            worth = states.mixed(self.off[cause], worth, self.on[cause], pulled)
            for finding, bit in reversed(step.opens):
                before = self._before.pop()
                low, high = worth[: len(before)], worth[len(before) :]
                self.outside[finding] = states.product(before, low), states.product(before, high)
                worth = states.narrowed(worth, bit, *self.folded[finding][-1])

    def weights(self) -> dict[int, float]:
        """For each cause, the weight of the worlds in which it is present."""
        coupled = {self.component.coupled[step.cause][0]: weight for step, weight, _, _ in self.back()}
        return {**coupled, **self.private_weights()}

    def private_weights(self) -> dict[int, float]:
        """The same for the private causes; call after `back`."""
        weights = {}
        for finding, states, (low, high) in zip(self.component.findings, self.folded, self.outside, strict=True):
            after_u, after_t = 1.0, 0.0  # by the private causes after this one
            for (cause, q), (u, t) in zip(reversed(finding.private), states[-2::-1], strict=True):
                a, b = self.off[cause], self.on[cause]
                rest_u = u * after_u
                rest_t = t * (after_u + after_t) + u * after_t
                weights[cause] = b * (low * rest_u * q + high * (rest_t + rest_u * (1.0 - q)))
                after_u, after_t = after_u * (a + b * q), after_t * (a + b) + after_u * (b * (1.0 - q))
        return weights


def _states(width: int) -> Any:
    if width < _ARRAYS_FROM:
        return Lists()
    from fitdiag.diagnosis.arrays import Arrays

    return Arrays()


class Lists:
    """The states of a pass as plain lists: one weight for each setting of the open bits."""

    def start(self) -> list[float]:
        return [1.0]

    def push(self, state: list[float], bit: int, q: float) -> None:
        """Let a present cause trigger a bit, except with probability `q`; in place."""
        p = 1.0 - q
        for low, high in pairs(len(state), bit):
            value = state[low]
            state[high] += value * p
            state[low] = value * q

    def pull(self, worth: list[float], bit: int, q: float) -> None:
        """Transpose of `push`: backward weights after it to those before it; in place."""
        p = 1.0 - q
        for low, high in pairs(len(worth), bit):
            worth[low] = worth[low] * q + worth[high] * p

    def widened(self, state: list[float], bit: int, a: float, b: float) -> list[float]:
        """Insert a bit: off with weight `a`, on with `b`."""
        if len(state) == 1 << bit:
            return [value * a for value in state] + [value * b for value in state]
        wider = [0.0] * (2 * len(state))
        for (low, high), value in zip(pairs(len(wider), bit), state, strict=True):
            wider[low], wider[high] = value * a, value * b
        return wider

    def narrowed(self, state: list[float], bit: int, a: float, b: float) -> list[float]:
        """Sum out a bit: off with weight `a`, on with `b`."""
        return [state[low] * a + state[high] * b for low, high in pairs(len(state), bit)]

    def mixed(self, a: float, one: list[float], b: float, other: list[float]) -> list[float]:
        return [a * first + b * second for first, second in zip(one, other, strict=True)]

    def product(self, one: list[float], other: list[float]) -> float:
        return sum(map(float.__mul__, one, other))


@cache
def pairs(size: int, bit: int) -> list[tuple[int, int]]:
    """Pairs of state indexes that differ in one bit only: off, on."""
    mask = 1 << bit
    return [(low, low | mask) for low in range(size) if not low & mask]


def folded(finding: OpenFinding, off: Sequence[float], on: Sequence[float]) -> list[tuple[float, float]]:
    """Weights of "not triggered" and "triggered" after the leak and after each private cause of a finding."""
    u, t = finding.keep, 1.0 - finding.keep
    states = [(u, t)]
    for cause, q in finding.private:
        a, b = off[cause], on[cause]
        u, t = u * (a + b * q), t * (a + b) + u * (b * (1.0 - q))
        states.append((u, t))
    return states


class Posterior:
    """Exact posterior of the causes. Raises TooWideError if more than WIDEST findings are open at once."""

    def __init__(self, network: Network, evidence: Evidence) -> None:
        self.network = network
        self.evidence = evidence
        self.off = [1.0 - p for p in network.prior]
        self.on = self._on()
        self.components = _components(network, evidence)
        self.width = max((component.width for component in self.components), default=0)
        self.home: dict[int, int] = {}  # cause to the index of its component
        for number, component in enumerate(self.components):
            causes = [
                *(cause for one in component.findings for cause, _ in one.private),
                *(c for c, _ in component.coupled),
            ]
            self.home.update(dict.fromkeys(causes, number))

    @cached_property
    def sweeps(self) -> list[Sweep]:
        """The pass over each component."""
        return [Sweep(component, self.off, self.on) for component in self.components]

    @cached_property
    def probability(self) -> list[float]:
        """The posterior probability of each cause."""
        result = [b / (a + b) if a + b else 0.0 for a, b in zip(self.off, self.on, strict=True)]
        for sweep in self.sweeps:
            for cause, weight in sweep.weights().items() if sweep.total else ():
                result[cause] = weight / sweep.total
        return result

    @property
    def log_chance(self) -> float:
        """Log likelihood of the evidence."""
        total = sum(log(sweep.total) for sweep in self.sweeps)
        total += sum(log(self.off[cause] + self.on[cause]) for cause in range(len(self.off)) if cause not in self.home)
        for finding, (absent, present) in self.evidence.items():
            if present == 0.0:
                total += log(absent) + log(1.0 - self.network.leak[finding])
            elif absent == present:
                total += log(present)
        return total

    def _on(self, left_out: Collection[int] = ()) -> list[float]:
        """The weight of "present" for each cause, with its absent findings included."""
        on = list(self.network.prior)
        for finding, (_, present) in self.evidence.items():
            if present == 0.0 and finding not in left_out:
                for cause, q in self.network.links[finding]:
                    on[cause] *= q
        return on

    def without(self, *findings: int) -> list[float]:
        """The probability of each cause if these findings had not been answered; never wider than the posterior itself."""
        probability, on = list(self.probability), self._on(left_out=findings)
        touched: set[int] = set()
        for cause, _ in chain.from_iterable(self.network.links[finding] for finding in findings):
            if cause in self.home:
                touched.add(self.home[cause])
            else:
                probability[cause] = on[cause] / (self.off[cause] + on[cause])
        components = [self.components[number] for number in touched]
        opened = [one for component in components for one in component.findings if one.number in findings]
        for one in opened:
            one.absent = one.present = 1.0
        for component in components:
            sweep = Sweep(component, self.off, on)
            for cause, weight in sweep.weights().items() if sweep.total else ():
                probability[cause] = weight / sweep.total
        for one in opened:
            one.absent, one.present = self.evidence[one.number]
        return probability

    def gains(self) -> dict[int, float]:
        """For each unanswered finding, the expected drop in the summed entropy of all causes, in bits."""
        probability, on = self.probability, self.on
        entropy = [_entropy(p) for p in probability]
        result: dict[int, float] = {}
        for finding, links in enumerate(self.network.links):
            if finding in self.evidence:
                continue
            absent = 1.0 - self.network.leak[finding]
            changed: list[tuple[int, float]] = []  # cause, its probability given "absent"
            inside = [(cause, q) for cause, q in links if cause in self.home]
            for cause, q in links:
                if cause not in self.home:
                    p = probability[cause]
                    stays = 1.0 - p + p * q
                    absent *= stays
                    changed.append((cause, p * q / stays if stays else p))
            saved = [on[cause] for cause, _ in inside]
            for cause, q in inside:
                on[cause] *= q
            for number in {self.home[cause] for cause, _ in inside}:
                sweep, before = Sweep(self.components[number], self.off, on), self.sweeps[number].total
                absent *= sweep.total / before if before else 1.0
                changed += [(cause, weight / sweep.total) for cause, weight in sweep.weights().items() if sweep.total]
            for (cause, _), value in zip(inside, saved, strict=True):
                on[cause] = value
            present = 1.0 - absent
            gain = 0.0
            for cause, p_absent in changed if 1e-12 < absent < 1.0 - 1e-12 else ():
                p_present = (probability[cause] - absent * p_absent) / present
                gain += entropy[cause] - absent * _entropy(p_absent) - present * _entropy(p_present)
            result[finding] = max(0.0, gain)
        return result


def _components(network: Network, evidence: Evidence) -> list[Component]:
    """Group the open findings that share causes. Raises TooWideError."""
    opened = [finding for finding, (absent, present) in evidence.items() if absent != present != 0.0]
    shows: dict[int, list[tuple[int, float]]] = {}  # the open findings of each cause
    for finding in opened:
        for cause, q in network.links[finding]:
            shows.setdefault(cause, []).append((finding, q))
    groups = {finding: [finding] for finding in opened}
    for links in shows.values():
        first = groups[links[0][0]]
        for finding, _ in links[1:]:
            if (other := groups[finding]) is not first:
                first += other
                groups.update(dict.fromkeys(other, first))
    components = []
    for group in {id(group): group for group in groups.values()}.values():
        index = {finding: number for number, finding in enumerate(sorted(group, key=opened.index))}
        coupled = [
            (cause, [(index[finding], q) for finding, q in links])
            for cause, links in shows.items()
            if len(links) > 1 and links[0][0] in index
        ]
        findings = [
            OpenFinding(
                finding, 1.0 - network.leak[finding], *evidence[finding],
                [(cause, q) for cause, q in network.links[finding] if len(shows[cause]) == 1],
            )
            for finding in index
        ]  # fmt: skip
        steps, width = _steps(tuple(tuple(finding for finding, _ in links) for _, links in coupled))
        components.append(Component(findings, coupled, steps, width))
    return components


def _entropy(p: float) -> float:
    """Entropy in bits of a yes or no with probability `p`; 0 at the ends."""
    return -p * log2(p) - (1.0 - p) * log2(1.0 - p) if 0.0 < p < 1.0 else 0.0
