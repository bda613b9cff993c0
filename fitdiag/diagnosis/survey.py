"""What a rule base can do as a whole: how wide its network is, which decides how long an exact answer takes."""

from __future__ import annotations

import random
from dataclasses import dataclass

from fitdiag.diagnosis.belief import compile_network
from fitdiag.diagnosis.exact import Evidence, Network, Posterior, TooWideError
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.model import RuleBase

_DRAWS = 200
_SIGNS = 15


@dataclass(frozen=True)
class Width:
    """Signs open at the same moment in the exact pass: median and worst of seeded draws; None: over the limit."""

    signs: int
    draws: int
    median: int
    worst: int | None


def width(base: RuleBase, seed: int = 1) -> Width:
    """The network's width when many signs are seen at once: 15 symptoms (or all, if fewer), drawn 200 times."""
    network = compile_network(base, Findings()).network
    rng = random.Random(seed)
    count = len(base.symptoms)
    signs = min(_SIGNS, count)
    widths = []
    for _ in range(_DRAWS):
        evidence: Evidence = dict.fromkeys(rng.sample(range(count), signs), (0.0, 1.0))
        widths.append(_width(network, evidence))
    known = sorted(99 if value is None else value for value in widths)
    return Width(
        signs, _DRAWS, known[len(known) // 2] if known else 0, None if None in widths else max(known, default=0)
    )


def _width(network: Network, evidence: Evidence) -> int | None:
    try:
        return Posterior(network, evidence).width
    except TooWideError:
        return None
