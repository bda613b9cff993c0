"""What may be true of a client, as a handful of draws from what is believed: which causes are there, and which open signs.

Importance sampling: causes are drawn one by one from their exact probabilities, weighed by what they are worth together, and
drawn again by that weight (D. B. Rubin 1988, sampling importance resampling, from memory). The same findings give the same draws.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitdiag.diagnosis.belief import Diagnosis

_PROPOSED = 4096
_NEVER = 1e-300


@dataclass(frozen=True)
class Worlds:
    """`signs[w, s]`: the chance that open sign s shows in world w, given its causes; `shown`: one draw of it. Open signs by index."""

    signs: np.ndarray
    shown: np.ndarray
    open_signs: tuple[int, ...]


def draw(diagnosis: Diagnosis, count: int, seed: int = 1) -> Worlds:
    """So many worlds that agree with the findings of a diagnosis."""
    compiled = diagnosis.compiled
    network, evidence = compiled.network, compiled.evidence
    rng = np.random.default_rng(seed)
    believed = np.clip(np.array(diagnosis.posterior.probability), 1e-4, 1.0 - 1e-4)
    prior = np.clip(np.array(network.prior), 1e-12, 1.0 - 1e-12)
    absent = np.zeros((len(prior), len(compiled.symptoms)))  # log of the chance that a cause leaves a sign out
    for sign, links in enumerate(network.links):
        for cause, q in links:
            absent[cause, sign] = np.log(max(q, 1e-12))
    there = rng.random((_PROPOSED, len(prior))) < believed
    none = np.log1p(-np.array(network.leak)) + there @ absent
    weight = (there * np.log(prior / believed) + ~there * np.log((1 - prior) / (1 - believed))).sum(axis=1)
    for sign, (without, with_it) in evidence.items():
        left_out = np.exp(none[:, sign])
        weight += np.log(np.maximum(without * left_out + with_it * (1.0 - left_out), _NEVER))
    share = np.exp(weight - weight.max())
    picked = rng.choice(_PROPOSED, count, p=share / share.sum())
    open_signs = tuple(sign for sign in range(len(compiled.symptoms)) if sign not in evidence)
    chance = 1.0 - np.exp(none[picked][:, open_signs])
    return Worlds(chance, rng.random(chance.shape) < chance, open_signs)
