"""Exact posterior of a two-layer noisy-OR network with several causes at once, and what each open question would tell.

A numeric core on bare lists: causes and findings are indexes, nothing here knows a rule base. Every finding has the form
λ0·U + λ1·(1 - U), with U = (1 - leak)·Π q_i^x_i the chance that the sign is absent given the causes x.

The parts are published: noisy-OR diagnosis with negative findings in closed form (Heckerman 1989, "A tractable inference
algorithm for diagnosing multiple diseases"), the factors of an OR taken cause by cause (Zhang & Poole 1996, "Exploiting
causal independence in Bayesian network inference"; Takikawa & D'Ambrosio 1999, "Multiplicative factorization of noisy-max").
Here each open finding is one bit, "already triggered or not", closed as soon as its last cause is passed; causes of one
finding only are folded into that finding first. All terms are non-negative, so nothing cancels however rare the causes are.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from math import log, log2
from typing import Any, NamedTuple

Links = Sequence[Sequence[tuple[int, float]]]  # per finding: (cause, q = 1 - strength)
Evidence = Mapping[int, tuple[float, float]]  # finding -> (λ0 if absent, λ1 if present)
WIDEST = 18  # 2^18 numbers per step: about 250 MB and a second at the most
_ARRAYS_FROM = 9  # a component this wide runs faster on numpy than on lists
OPEN, CAUSE, CLOSE = range(3)  # kinds of steps


class TooWideError(ValueError):
    """So many findings hang together that an exact answer would take too long."""

    def __init__(self, width: int) -> None:
        super().__init__(f"{width} signs hang together; at most {WIDEST} can be weighed exactly")
        self.width = width


@dataclass(frozen=True)
class Network:
    """Prior probability of each cause, leak of each finding, and the links of each finding (numbers between 0 and 1)."""

    prior: Sequence[float]
    leak: Sequence[float]
    links: Links


@dataclass
class OpenFinding:
    """An open finding inside a component: its leak and likelihoods, and the causes that show nothing else."""

    number: int
    keep: float  # 1 - leak
    absent: float  # λ0
    present: float  # λ1
    private: list[tuple[int, float]] = field(default_factory=list)


class Step(NamedTuple):
    """One step of the pass: open a finding's bit, pass a cause, or close a bit."""

    kind: int
    finding: int = 0
    cause: int = 0  # its place among the coupled ones
    bits: Sequence[int] = ()  # of each link of the cause
    bit: int = 0  # that is opened or closed


@dataclass
class Component:
    """Findings that hang together through shared causes, and the steps of the pass, which depend only on what is linked.

    `coupled`: each cause of several findings, with the finding and q of its links.
    """

    findings: list[OpenFinding]
    coupled: list[tuple[int, list[tuple[int, float]]]]
    steps: Sequence[Step]
    width: int

    @classmethod
    def of(cls, findings: list[OpenFinding], coupled: list[tuple[int, list[tuple[int, float]]]]) -> Component:
        """With the steps worked out. Raises TooWideError."""
        order = _order(coupled)
        last = {finding: index for index in order for finding, _ in coupled[index][1]}
        bits: list[int] = []  # the open findings
        steps, width = list[Step](), 0
        for index in order:
            links = [finding for finding, _ in coupled[index][1]]
            for finding in links:
                if finding not in bits:
                    bits.append(finding)
                    steps.append(Step(OPEN, finding=finding, bit=len(bits) - 1))
            width = max(width, len(bits))
            steps.append(Step(CAUSE, cause=index, bits=[bits.index(finding) for finding in links]))
            for finding in links:
                if last[finding] == index:
                    steps.append(Step(CLOSE, finding=finding, bit=bits.index(finding)))
                    bits.remove(finding)
        if width > WIDEST:
            raise TooWideError(width)
        return cls(findings, coupled, steps, width)

    @property
    def causes(self) -> list[int]:
        return [cause for finding in self.findings for cause, _ in finding.private] + [
            cause for cause, _ in self.coupled
        ]

    def run(self, off: Sequence[float], on: Sequence[float], states: Any) -> tuple[float, list[float]]:
        """Total weight, and for each of `self.causes` the weight of the worlds in which it is there."""
        sweep = Sweep(self, off, on, states)
        shared = {step.cause: sweep.there(step, moved, worth) for step, moved, worth in sweep.back()}
        weights: list[float] = []
        for finding, (low, high) in zip(self.findings, sweep.outside, strict=True):
            weights += private_weights(finding, off, on, low, high)
        return sweep.total, weights + [shared[place] for place in range(len(self.coupled))]


def _order(coupled: Sequence[tuple[int, list[tuple[int, float]]]]) -> list[int]:
    """Coupled causes in a greedy order: finish the finding that opens the fewest others first."""
    shown = [sum(1 << finding for finding, _ in links) for _, links in coupled]  # findings as bits
    waiting: dict[int, list[int]] = {}
    for index, (_, links) in enumerate(coupled):
        for finding, _ in links:
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
    """One pass over a component: forward when it is made, which gives the `total` weight; then `back`, once.

    `states`: how the weights of the open bits are held, in `Lists` or in `arrays.Arrays`. After the way back `outside` holds what
    "not triggered" and "triggered" of each finding are worth outside its own causes.
    """

    def __init__(self, component: Component, off: Sequence[float], on: Sequence[float], states: Any) -> None:
        self.component, self.off, self.on, self.states = component, off, on, states
        findings = component.findings
        self._folded = [fold(finding, off, on) for finding in findings]
        self.outside = [(one.absent, one.present) for one in findings]
        self._before: list[Any] = []
        self._moved: list[Any] = []
        if not component.steps:  # a single finding, all causes private
            untriggered, triggered = self._folded[0]
            self.total: float = findings[0].absent * untriggered + findings[0].present * triggered
            return
        state = states.start()
        for step in component.steps:
            self._before.append(state)
            if step.kind == OPEN:
                state = states.widened(state, step.bit, *self._folded[step.finding])
            elif step.kind == CAUSE:
                (cause, links), moved = component.coupled[step.cause], state.copy()
                for bit, (_, q) in zip(step.bits, links, strict=True):
                    states.push(moved, bit, q)
                self._moved.append(moved)
                state = states.mixed(off[cause], state, on[cause], moved)
            else:
                finding = findings[step.finding]
                state = states.narrowed(state, step.bit, finding.absent, finding.present)
        self.total = float(state[0])

    def back(self) -> Iterator[tuple[Step, Any, Any]]:
        """Each step that passes a cause, the last first: the states moved by the cause, and what those after it are worth."""
        states, findings, coupled = self.states, self.component.findings, self.component.coupled
        worth = states.start()
        for step in reversed(self.component.steps):
            before = self._before.pop()
            if step.kind == OPEN:
                low, high = worth[: len(before)], worth[len(before) :]
                self.outside[step.finding] = states.product(before, low), states.product(before, high)
                worth = states.narrowed(worth, step.bit, *self._folded[step.finding])
            elif step.kind == CAUSE:
                (cause, links), pulled = coupled[step.cause], worth.copy()
                yield step, self._moved.pop(), worth
                for bit, (_, q) in zip(step.bits, links, strict=True):
                    states.pull(pulled, bit, q)
                worth = states.mixed(self.off[cause], worth, self.on[cause], pulled)
            else:
                finding = findings[step.finding]
                worth = states.widened(worth, step.bit, finding.absent, finding.present)

    def there(self, step: Step, moved: Any, worth: Any) -> float:
        """The weight of the worlds in which the cause of a step is there."""
        there: float = self.on[self.component.coupled[step.cause][0]] * self.states.product(moved, worth)
        return there


class Lists:
    """The states of a pass as plain lists: a number for each way the open bits can stand."""

    def start(self) -> list[float]:
        return [1.0]

    def push(self, state: list[float], bit: int, q: float) -> None:
        """Let a cause that is there trigger a bit, but for the chance `q`."""
        p = 1.0 - q
        for low, high in pairs(len(state), bit):
            value = state[low]
            state[high] += value * p
            state[low] = value * q

    def pull(self, worth: list[float], bit: int, q: float) -> None:
        """From what states are worth to what those before that are worth."""
        p = 1.0 - q
        for low, high in pairs(len(worth), bit):
            worth[low] = worth[low] * q + worth[high] * p

    def widened(self, state: list[float], bit: int, a: float, b: float) -> list[float]:
        """One bit more: off with the weight `a`, on with `b`."""
        wider = [0.0] * (2 * len(state))
        for (low, high), value in zip(pairs(len(wider), bit), state, strict=True):
            wider[low], wider[high] = value * a, value * b
        return wider

    def narrowed(self, state: list[float], bit: int, a: float, b: float) -> list[float]:
        """One bit less, by the same weights."""
        return [state[low] * a + state[high] * b for low, high in pairs(len(state), bit)]

    def mixed(self, a: float, one: list[float], b: float, other: list[float]) -> list[float]:
        return [a * still + b * gone for still, gone in zip(one, other, strict=True)]

    def product(self, one: list[float], other: list[float]) -> float:
        return sum(map(float.__mul__, one, other))


@cache
def pairs(size: int, bit: int) -> list[tuple[int, int]]:
    """The places of so many states in which a bit is off and on, everything else alike."""
    mask = 1 << bit
    return [(low, low | mask) for low in range(size) if not low & mask]


def fold(finding: OpenFinding, off: Sequence[float], on: Sequence[float]) -> tuple[float, float]:
    """Weight of "not triggered" and "triggered" over the leak and all private causes of a finding."""
    u, t = finding.keep, 1.0 - finding.keep
    for cause, q in finding.private:
        a, b = off[cause], on[cause]
        t = t * (a + b) + u * (b * (1.0 - q))
        u = u * (a + b * q)
    return u, t


def private_weights(
    finding: OpenFinding, off: Sequence[float], on: Sequence[float], low: float, high: float
) -> list[float]:
    """For each private cause the weight of the worlds in which it is there, given what (un)triggered is worth outside."""
    causes = finding.private
    after: list[tuple[float, float]] = []
    u, t = 1.0, 0.0
    for cause, q in reversed(causes):
        after.append((u, t))
        a, b = off[cause], on[cause]
        t = t * (a + b) + u * (b * (1.0 - q))
        u = u * (a + b * q)
    weights: list[float] = []
    u, t = finding.keep, 1.0 - finding.keep
    for cause, q in causes:
        after_u, after_t = after.pop()
        rest_u = u * after_u
        rest_t = t * (after_u + after_t) + u * after_t
        a, b = off[cause], on[cause]
        weights.append(b * (low * rest_u * q + high * (rest_t + rest_u * (1.0 - q))))
        t = t * (a + b) + u * (b * (1.0 - q))
        u = u * (a + b * q)
    return weights


class Posterior:
    """Beliefs after the evidence: `probability[i]` of each cause, exact to rounding.

    Raises TooWideError when more than WIDEST findings hang together at once.
    """

    def __init__(self, network: Network, evidence: Evidence) -> None:
        self.network = network
        self.evidence = evidence
        self.off = [1.0 - p for p in network.prior]
        self.on = self._on()
        opened = [finding for finding, (absent, present) in evidence.items() if absent != present != 0.0]
        self.components = self._components(opened, evidence)
        self.width = max((component.width for component in self.components), default=0)
        self.home: dict[int, int] = {}
        self.totals: list[float] = []
        self.probability = [b / (a + b) if a + b else 0.0 for a, b in zip(self.off, self.on, strict=True)]
        for number, component in enumerate(self.components):
            total, weights = self._run(component, self.on)
            self.totals.append(total)
            for cause, weight in zip(component.causes, weights, strict=True):
                self.home[cause] = number
                self.probability[cause] = weight / total if total else self.probability[cause]

    @property
    def log_chance(self) -> float:
        """Log of the chance of the evidence."""
        total = sum(map(log, self.totals))
        total += sum(log(self.off[cause] + self.on[cause]) for cause in range(len(self.off)) if cause not in self.home)
        for finding, (absent, present) in self.evidence.items():
            if present == 0.0 and absent != 1.0:
                total += log(absent)
            if present == 0.0:
                total += log(1.0 - self.network.leak[finding])
            elif absent == present != 1.0:
                total += log(present)
        return total

    def _on(self, left_out: int | None = None) -> list[float]:
        """The weight of "there" for each cause, its findings that are absent counted in."""
        on = list(self.network.prior)
        for finding, (_, present) in self.evidence.items():
            if present == 0.0 and finding != left_out:
                for cause, q in self.network.links[finding]:
                    on[cause] *= q
        return on

    def _run(self, component: Component, on: list[float]) -> tuple[float, list[float]]:
        if component.width < _ARRAYS_FROM:
            return component.run(self.off, on, Lists())
        from fitdiag.diagnosis.arrays import Arrays

        return component.run(self.off, on, Arrays())

    def without(self, finding: int) -> list[float]:
        """The probability of each cause if `finding` had not been answered; never wider than the posterior itself."""
        probability, on = list(self.probability), self._on(left_out=finding)
        touched: set[int] = set()
        for cause, _ in self.network.links[finding]:
            if cause in self.home:
                touched.add(self.home[cause])
            else:
                probability[cause] = on[cause] / (self.off[cause] + on[cause])
        components = [self.components[number] for number in touched]
        opened = [one for component in components for one in component.findings if one.number == finding]
        for one in opened:
            one.absent = one.present = 1.0
        for component in components:
            total, weights = self._run(component, on)
            for cause, weight in zip(component.causes, weights, strict=True):
                probability[cause] = weight / total if total else probability[cause]
        for one in opened:
            one.absent, one.present = self.evidence[finding]
        return probability

    def _components(self, opened: list[int], evidence: Evidence) -> list[Component]:
        links = self.network.links
        met: dict[int, list[tuple[int, float]]] = {}
        for number, finding in enumerate(opened):
            for cause, q in links[finding]:
                met.setdefault(cause, []).append((number, q))
        parent = list(range(len(opened)))

        def root(number: int) -> int:
            while parent[number] != number:
                number = parent[number]
            return number

        for places in met.values():
            first = root(places[0][0])
            for number, _ in places[1:]:
                parent[root(number)] = first
        groups: dict[int, list[int]] = {}
        local = [0] * len(opened)
        for number in range(len(opened)):
            group = groups.setdefault(root(number), [])
            local[number] = len(group)
            group.append(number)
        findings = [OpenFinding(finding, 1.0 - self.network.leak[finding], *evidence[finding]) for finding in opened]
        coupled: dict[int, list[tuple[int, list[tuple[int, float]]]]] = {}
        for cause, places in met.items():
            if len(places) == 1:
                findings[places[0][0]].private.append((cause, places[0][1]))
            else:
                coupled.setdefault(root(places[0][0]), []).append((cause, [(local[number], q) for number, q in places]))
        return [
            Component.of([findings[number] for number in group], coupled.get(key, [])) for key, group in groups.items()
        ]

    def gains(self) -> dict[int, float]:
        """For each finding not yet answered: the expected fall of the summed entropy of all causes, in bits."""
        probability, on, home = self.probability, self.on, self.home
        entropy = [_entropy(p) for p in probability]
        result: dict[int, float] = {}
        for finding, links in enumerate(self.network.links):
            if finding in self.evidence:
                continue
            absent = 1.0 - self.network.leak[finding]
            changed: list[tuple[int, float]] = []  # cause, its probability given "absent"
            touched: set[int] = set()
            saved: list[tuple[int, float]] = []
            for cause, q in links:
                number = home.get(cause)
                if number is None:
                    p = probability[cause]
                    stays = 1.0 - p + p * q
                    absent *= stays
                    changed.append((cause, p * q / stays if stays else p))
                else:
                    touched.add(number)
                    saved.append((cause, on[cause]))
                    on[cause] *= q
            for number in touched:
                component = self.components[number]
                total, weights = self._run(component, on)
                if self.totals[number]:
                    absent *= total / self.totals[number]
                if total:
                    changed += [
                        (cause, weight / total) for cause, weight in zip(component.causes, weights, strict=True)
                    ]
            for cause, value in saved:
                on[cause] = value
            present = 1.0 - absent
            if not 1e-12 < absent < 1.0 - 1e-12:
                result[finding] = 0.0
                continue
            gain = 0.0
            for cause, p_absent in changed:
                p_present = (probability[cause] - absent * p_absent) / present
                gain += entropy[cause] - absent * _entropy(p_absent) - present * _entropy(p_present)
            result[finding] = max(0.0, gain)
        return result


def _entropy(p: float) -> float:
    """Entropy in bits of a yes or no with probability `p`; 0 at the ends."""
    return -p * log2(p) - (1.0 - p) * log2(1.0 - p) if 0.0 < p < 1.0 else 0.0
