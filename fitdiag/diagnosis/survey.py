"""What a rule base can do as a whole: how wide its network is, which causes no answers separate, which link decides alone."""

from __future__ import annotations

import random
from dataclasses import dataclass
from itertools import combinations
from math import log2

from fitdiag.diagnosis.belief import compile_network
from fitdiag.diagnosis.exact import Evidence, Network, Posterior, TooWideError
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.model import RuleBase

_DRAWS = 200
_SIGNS = 20


@dataclass(frozen=True)
class Width:
    """Signs open at the same moment in the exact pass: median and worst of seeded draws; None: over the limit."""

    signs: int
    draws: int
    median: int
    worst: int | None


def width(base: RuleBase, seed: int = 1) -> Width:
    """The network's width when many signs are seen at once: 20 symptoms (or all, if fewer), drawn 200 times."""
    network = compile_network(base, Findings()).network
    rng = random.Random(seed)
    count = len(base.symptoms)
    signs = min(_SIGNS, count)
    widths = []
    for _ in range(_DRAWS):
        evidence: Evidence = dict.fromkeys(rng.sample(range(count), signs), (0.0, 1.0))
        widths.append(_width(network, evidence))
    known = sorted(99 if value is None else value for value in widths)
    worst = None if None in widths else max(known, default=0)
    return Width(signs, _DRAWS, known[len(known) // 2] if known else 0, worst)


def _width(network: Network, evidence: Evidence) -> int | None:
    try:
        return Posterior(network, evidence).width
    except TooWideError:
        return None


def separation(base: RuleBase, one: str, other: str) -> float:
    """How well answering everything tells two causes apart: the expected weight of evidence, in bits.

    The mean over both causes of the Kullback-Leibler divergence, summed over all symptoms (I. J. Good, "Weight of
    evidence: a brief survey", 1985, from memory). 1 bit: on average the odds between the two are doubled.
    """
    words = base.words
    strength = {
        cause: {link.symptom: words.how_often.words[link.how_often] for link in base.causes[cause].shows}
        for cause in (one, other)
    }
    bits = 0.0
    for symptom in {**strength[one], **strength[other]}:
        leak = words.seen_anyway.words[base.symptoms[symptom].seen_anyway]
        p = 1.0 - (1.0 - leak) * (1.0 - strength[one].get(symptom, 0.0))
        q = 1.0 - (1.0 - leak) * (1.0 - strength[other].get(symptom, 0.0))
        bits += (p - q) * (log2(p / q) - log2((1.0 - p) / (1.0 - q))) / 2.0
    return bits


def close_pairs(base: RuleBase, below_bits: float) -> list[tuple[float, str, str]]:
    """Pairs of causes that all answers together separate by less than `below_bits`, the closest first."""
    pairs = [(separation(base, one, other), one, other) for one, other in combinations(base.believed, 2)]
    return sorted(pair for pair in pairs if pair[0] < below_bits)


def deciding_links(base: RuleBase, above: float) -> list[tuple[str, str, float]]:
    """(symptom, cause, probability) where seeing this one symptom and nothing else makes a cause surer than `above`."""
    compiled = compile_network(base, Findings())
    found = []
    for index, symptom in enumerate(compiled.symptoms):
        probability = Posterior(compiled.network, {index: (0.0, 1.0)}).probability
        for number, cause in enumerate(compiled.causes):
            if probability[number] > above and cause in base.causes_of[symptom]:
                found.append((symptom, cause, probability[number]))
    return found
