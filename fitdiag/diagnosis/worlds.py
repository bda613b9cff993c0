"""What may be true of a client, as a handful of draws from what is believed: which causes are there, and which open signs.

Importance sampling: causes are drawn one by one from their exact probabilities, weighed by what they are worth together, and
drawn again by that weight (D. B. Rubin 1988, sampling importance resampling, from memory). The same findings give the same draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fitdiag.diagnosis.belief import NAMED, Diagnosis

_PROPOSED = 4096
_NEVER = 1e-300


@dataclass(frozen=True)
class Worlds:
    """`chance[w, s]`: the chance that sign s shows in world w, given its causes; `shown`: one draw of it."""

    chance: np.ndarray
    shown: np.ndarray

    def __len__(self) -> int:
        return len(self.shown)

    def signs(self) -> list[list[bool]]:
        """Which signs show, world by world."""
        rows: list[list[bool]] = self.shown.tolist()
        return rows

    def likely(self, sign: int) -> float:
        """The chance that a sign shows."""
        return float(self.chance[:, sign].mean())

    def tells(self, outcomes: Sequence[object]) -> list[float]:
        """What each sign tells about an outcome that each world has: their mutual information, in bits."""
        names = list(dict.fromkeys(outcomes))
        ends = np.array([[outcome == name for name in names] for outcome in outcomes], float)  # world x outcome
        both = ends.T @ self.chance / len(ends)  # outcome x sign: this outcome, and the sign there
        share, there = ends.mean(axis=0)[:, None], self.chance.mean(axis=0)[None, :]
        bits = _part(both, share * there) + _part(share - both, share * (1.0 - there))
        return [float(value) for value in bits.sum(axis=0)]

    def outcomes_if(self, sign: int, outcomes: Sequence[str | None], *, there: bool) -> dict[str | None, float]:
        """The chance of each outcome if a sign shows, or if it does not."""
        weight = self.chance[:, sign] if there else 1.0 - self.chance[:, sign]
        result: dict[str | None, float] = {}
        for outcome, share in zip(outcomes, weight / max(float(weight.sum()), 1e-12), strict=True):
            result[outcome] = result.get(outcome, 0.0) + float(share)
        return result


def _part(both: np.ndarray, alone: np.ndarray) -> np.ndarray:
    return np.asarray(np.where(both > 1e-12, both * np.log2(np.maximum(both, 1e-12) / np.maximum(alone, 1e-12)), 0.0))


def draw(diagnosis: Diagnosis, count: int) -> Worlds:
    """So many worlds that agree with the findings of a diagnosis: the same for the same findings, and much alike for like ones."""
    compiled = diagnosis.compiled
    network, evidence = compiled.network, compiled.evidence
    rng = np.random.default_rng(1)
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
    steps = (np.arange(count) + rng.random()) / count  # systematic resampling
    picked = np.minimum(np.searchsorted(np.cumsum(share / share.sum()), steps), _PROPOSED - 1)
    chances = rng.random(none.shape)[picked]
    none = none[picked]
    presumed = list(compiled.presumed)
    left_out = np.exp(none)
    left_out[:, presumed] = np.exp(none[:, presumed] / NAMED)  # the links as they are
    chance = 1.0 - left_out
    chance[:, presumed] *= (1.0 - NAMED) / (
        left_out[:, presumed] + (1.0 - NAMED) * chance[:, presumed]
    )  # and not named
    return Worlds(chance, chances < chance)
