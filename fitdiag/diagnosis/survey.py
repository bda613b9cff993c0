"""Properties of a whole rule base: the width of its network, causes that answers hardly separate, signs that decide alone."""

from __future__ import annotations

import random
from itertools import combinations
from math import log2

from fitdiag.diagnosis.belief import compile_network
from fitdiag.diagnosis.exact import Evidence, Posterior, TooWideError
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.model import RuleBase

SIGNS = 20  # seen at once, or all if there are fewer
_DRAWS = 200


def widths(base: RuleBase, seed: int = 1) -> list[int]:
    """Widths of the exact pass (signs open at once) when SIGNS random signs are seen: 200 seeded draws, sorted."""
    network, rng, result = compile_network(base, Findings()).network, random.Random(seed), []
    count = len(base.symptoms)
    for _ in range(_DRAWS):
        evidence: Evidence = dict.fromkeys(rng.sample(range(count), min(SIGNS, count)), (0.0, 1.0))
        try:
            result.append(Posterior(network, evidence).width)
        except TooWideError as error:
            result.append(error.width)
    return sorted(result)


def separation(base: RuleBase, one: str, other: str) -> float:
    """How well answering everything separates two causes: the expected weight of evidence, in bits.

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
    """Pairs of causes that all answers together separate by less than `below_bits`, closest first: (bits, cause, cause)."""
    pairs = [(separation(base, one, other), one, other) for one, other in combinations(base.believed, 2)]
    return sorted(pair for pair in pairs if pair[0] < below_bits)


def deciding_links(base: RuleBase, above: float) -> list[tuple[str, str, float]]:
    """(symptom, cause, probability) where seeing one symptom and nothing else makes a cause likelier than `above`."""
    compiled = compile_network(base, Findings())
    result = []
    for index, symptom in enumerate(compiled.symptoms):
        probability = Posterior(compiled.network, {index: (0.0, 1.0)}).probability
        for number, cause in enumerate(compiled.causes):
            if probability[number] > above and cause in base.causes_of[symptom]:
                result.append((symptom, cause, probability[number]))
    return result
