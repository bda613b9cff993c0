"""What the beliefs are checked against: pyAgrum, a general-purpose library for belief networks, and plain enumeration.

Shared by tests/test_diagnosis.py and tests/bench/. Both references know only the definition of the network (fitdiag's
`Network` is used as a plain container of numbers), none of our algorithm.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from itertools import product
from math import fsum, log2, prod

import pyagrum

from fitdiag.diagnosis.exact import Evidence, Network

# Measured on 60 causes x 90 symptoms: ShaferShenoyInference is 1.5 times as fast as LazyPropagation with its defaults (its
# other relevance finders and two threads change nothing) and 15 times as fast as VariableElimination.
FASTEST = "ShaferShenoyInference"
ENGINES = ("ShaferShenoyInference", "LazyPropagation", "VariableElimination")
_GIGABYTES = 1


class OutOfMemoryError(Exception):
    """pyAgrum would need more than a gigabyte for this case."""


class Reference:
    """pyAgrum's exact engine over a network, kept between cases; only the causes are targets, so unasked signs cost little."""

    def __init__(self, network: Network, engine: str = FASTEST) -> None:
        self.network = network
        self.net = pyagrum.BayesNet()
        self.causes = [
            self.net.add(pyagrum.LabelizedVariable(f"c{cause}", "", 2)) for cause in range(len(network.prior))
        ]
        for cause, prior in zip(self.causes, network.prior, strict=True):
            self.net.cpt(cause).fillWith([1.0 - prior, prior])
        self.findings = []
        for number, (leak, links) in enumerate(zip(network.leak, network.links, strict=True)):
            node = self.net.addNoisyORNet(pyagrum.LabelizedVariable(f"s{number}", "", 2), leak)
            for cause, q in links:
                self.net.addWeightedArc(self.causes[cause], node, 1.0 - q)
            self.findings.append(node)
        self.engine = getattr(pyagrum, engine)(self.net)
        self.engine.setTargets(set(self.causes))
        self.engine.setMaxMemory(_GIGABYTES)

    def probability(self, evidence: Evidence) -> list[float]:
        """The posterior of every cause."""
        self._enter(evidence)
        return self._causes()

    def gains(self, evidence: Evidence) -> dict[int, float]:
        """For each finding not in `evidence`: the expected fall of the summed entropy of all causes, in bits.

        One inference a finding; P(absent) is the quotient of the chances of the evidence with and without it.
        """
        self._enter(evidence)
        now = self._causes()
        chance = self.engine.evidenceProbability()
        result = {}
        for finding, node in enumerate(self.findings):
            if finding in evidence:
                continue
            self.engine.addEvidence(node, 0)
            given_absent = self._causes()
            result[finding] = expected_gain(now, given_absent, self.engine.evidenceProbability() / chance)
            self.engine.eraseEvidence(node)
        return result

    def _enter(self, evidence: Evidence) -> None:
        self.engine.eraseAllEvidence()
        for finding, (absent, present) in evidence.items():
            hard = {(0.0, 1.0): 1, (1.0, 0.0): 0}.get((absent, present))
            self.engine.addEvidence(self.findings[finding], [absent, present] if hard is None else hard)

    def _causes(self) -> list[float]:
        try:
            self.engine.makeInference()
            return [self.engine.posterior(cause)[1] for cause in self.causes]
        except Exception as error:
            if "bad_alloc" in str(error):
                raise OutOfMemoryError from None
            raise


def expected_gain(now: list[float], given_absent: list[float], absent: float) -> float:
    """The fall of the summed entropy expected from a yes or no; P(cause | present) from the law of total probability."""
    present = 1.0 - absent
    if not 1e-12 < absent < 1.0 - 1e-12:
        return 0.0
    total = 0.0
    for before, without in zip(now, given_absent, strict=True):
        there = min(max((before - absent * without) / present, 0.0), 1.0)
        total += entropy(before) - absent * entropy(without) - present * entropy(there)
    return max(total, 0.0)


def entropy(p: float) -> float:
    """Entropy of a yes or no, in bits."""
    return -p * log2(p) - (1.0 - p) * log2(1.0 - p) if 0.0 < p < 1.0 else 0.0


def worlds(network: Network, evidence: Evidence) -> Iterator[tuple[tuple[int, ...], float]]:
    """Every combination of causes and its weight with the evidence, straight from the definition; for few causes."""
    for world in product((0, 1), repeat=len(network.prior)):
        weight = prod(prior if there else 1.0 - prior for prior, there in zip(network.prior, world, strict=True))
        for finding, (absent, present) in evidence.items():
            unseen = chance_absent(network, finding, world)
            weight *= absent * unseen + present * (1.0 - unseen)
        yield world, weight


def chance_absent(network: Network, finding: int, world: tuple[int, ...] | Mapping[int, int] | list[int]) -> float:
    """P(finding absent | causes): the definition of the noisy-OR with a leak."""
    return (1.0 - network.leak[finding]) * prod(q for cause, q in network.links[finding] if world[cause])


def enumerated(network: Network, evidence: Evidence) -> tuple[list[float], float]:
    """The posterior of every cause by enumeration, and the chance of the evidence."""
    weighted = list(worlds(network, evidence))
    total = fsum(weight for _, weight in weighted)
    return [
        fsum(weight for world, weight in weighted if world[cause]) / total for cause in range(len(network.prior))
    ], total


def enumerated_gains(network: Network, evidence: Evidence) -> dict[int, float]:
    """The gain of every open finding by enumeration, P(cause | present) counted for itself instead of by subtraction."""
    now, chance = enumerated(network, evidence)
    result = {}
    for finding in range(len(network.links)):
        if finding not in evidence:
            gain = fsum(map(entropy, now))
            for answer in ((1.0, 0.0), (0.0, 1.0)):
                then, joint = enumerated(network, {**evidence, finding: answer})
                gain -= joint / chance * fsum(map(entropy, then))
            result[finding] = gain
    return result


# -- drawn networks, clients and evidence --------------------------------------------------------------------------------

STRENGTHS = (0.9, 0.75, 0.6, 0.35, 0.1)
PRIORS = (0.15, 0.08, 0.04, 0.02)
LEAKS = (0.01, 0.04, 0.1)


def draw_network(
    rng: random.Random, causes: int, findings: int, links: int, priors: tuple[float, ...] = PRIORS
) -> Network:
    """A network with `links` links drawn among all pairs, at most six causes to a finding."""
    drawn: list[list[tuple[int, float]]] = [[] for _ in range(findings)]
    pairs = [(cause, finding) for cause in range(causes) for finding in range(findings)]
    rng.shuffle(pairs)
    for cause, finding in pairs:
        if links and len(drawn[finding]) < 6:
            drawn[finding].append((cause, 1.0 - rng.choice(STRENGTHS)))
            links -= 1
    return Network([rng.choice(priors) for _ in range(causes)], [rng.choice(LEAKS) for _ in range(findings)], drawn)


def draw_client(rng: random.Random, network: Network) -> tuple[list[int], list[bool]]:
    """Which causes a client has, drawn from the priors, and which of all findings they show, drawn from the links."""
    world = [int(rng.random() < prior) for prior in network.prior]
    return world, [rng.random() >= chance_absent(network, finding, world) for finding in range(len(network.links))]
