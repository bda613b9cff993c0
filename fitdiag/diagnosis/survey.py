"""What a rule base can do as a whole: how wide its network is, which causes no answers separate, which link decides alone."""

from __future__ import annotations

import random
from dataclasses import dataclass
from itertools import combinations
from math import log2

from fitdiag.diagnosis.belief import compile_network, likelihood
from fitdiag.diagnosis.exact import Evidence, Network, Posterior, TooWideError
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.model import RuleBase, Symptom

_DRAWS = 200
_SIGNS = 20
_STEPS = 40
_ROUNDING = 1e-9


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


@dataclass(frozen=True)
class Weaker:
    """A symptom whose larger reading (mm) would make a cause less likely than something smaller, or than a yes, does."""

    symptom: str
    cause: str
    reading_mm: float
    than: str


def not_monotone(base: RuleBase) -> list[Weaker]:
    """Where more of a sign would speak less for a cause that shows it: over the whole range of every measurable symptom.

    A sign read by itself enters the exact network as one likelihood; that grows with the reading wherever the chance that the
    sign is there does (`belief.chance_by_amount`), which is looked at on a grid, together with the beliefs of all causes.
    """
    compiled = compile_network(base, Findings())
    found = []
    for row, name in enumerate(compiled.symptoms):
        symptom = base.symptoms[name]
        if symptom.measure is None or "clear" not in symptom.measure.grades_mm:
            continue
        shown = [(number, cause) for number, cause in enumerate(compiled.causes) if cause in base.causes_of[name]]
        yes = Posterior(compiled.network, {row: (0.0, 1.0)}).probability
        least, clear = [-1.0] * len(compiled.causes), symptom.measure.grades_mm["clear"]
        for amount in _range(symptom):
            finding = Finding(name, "yes", amount)
            now = Posterior(compiled.network, {row: likelihood(base, finding, Findings())}).probability
            past = amount >= clear if symptom.measure.worse == "more" else amount <= clear
            for number, cause in shown:
                if now[number] < least[number] - _ROUNDING:
                    found.append(Weaker(name, cause, amount, "less of it"))
                elif past and now[number] < yes[number] - _ROUNDING:
                    found.append(Weaker(name, cause, amount, "a yes"))
                least[number] = max(least[number], now[number])
    return found


def _range(symptom: Symptom) -> list[float]:
    """Readings over the whole range, from none of the sign to the most of it, its own marks among them."""
    measure = symptom.measure
    assert measure is not None
    marks = [measure.seen_from_mm, *measure.grades_mm.values()]
    top = measure.most_mm if measure.worse == "more" else 2.0 * max(marks)
    amounts = sorted({*marks, *(top * step / _STEPS for step in range(_STEPS + 1))})
    return amounts if measure.worse == "more" else amounts[::-1]


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
