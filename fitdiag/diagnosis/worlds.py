"""Possible worlds: posterior draws of which causes are present and which open signs show.

Causes are drawn independently from their exact probabilities, weighted by their joint posterior, and resampled by that weight
(D. B. Rubin 1988, sampling importance resampling, from memory). The same findings give the same draws.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fitdiag.diagnosis.belief import NAMED, Diagnosis

_PROPOSED = 2048
_NEVER = 1e-300


@dataclass(frozen=True)
class Worlds:
    """`chance[w, s]`: probability that sign s shows in world w given its causes; `shown[w, s]`: one draw of it; `asked[w, s]`: if asked.

    `believed[w, c]`: probability of cause c with every sign asked in world w answered, estimated from the draws.
    `speaks[s]`: whether sign s changes an outcome directly, not only through the causes; then its draw is used.
    """

    chance: np.ndarray
    shown: np.ndarray
    asked: np.ndarray
    believed: np.ndarray
    speaks: np.ndarray

    @property
    def _there(self) -> np.ndarray:
        """World x sign: the draw where a sign itself matters for outcomes, else its probability."""
        return np.where(self.speaks, self.shown, self.chance)

    def __len__(self) -> int:
        return len(self.shown)

    def likely(self, sign: int) -> float:
        """The probability that a sign shows."""
        return float(self.chance[:, sign].mean())

    def tells(self, outcomes: Sequence[object], beside: Sequence[int] = ()) -> list[float]:
        """The information in bits that each sign gives about the outcome, beyond the signs in `beside`.

        The conditional mutual information. `outcomes`: one for each world.
        """
        names, chance = list(dict.fromkeys(outcomes)), self._there
        ends = np.array([[outcome == name for outcome in outcomes] for name in names], float)  # outcome x world
        cells = np.full((1, len(self)), 1.0 / len(self))  # answers to `beside` x world
        for sign in beside:
            cells = np.concatenate((cells * chance[:, sign], cells * (1.0 - chance[:, sign])))
        cells = cells[cells.any(axis=1)]  # drop answers that no world gives
        all_in = cells.sum(axis=1)[:, None, None]
        share, present = (cells @ ends.T)[:, :, None], (cells @ chance)[:, None, :]
        both = (cells[:, None, :] * ends[None, :, :]) @ chance  # answers x outcome x sign
        bits = _part(both, share * present / all_in) + _part(share - both, share * (all_in - present) / all_in)
        return [float(value) for value in bits.sum(axis=(0, 1))]

    def outcomes_if(self, sign: int, outcomes: Sequence[str | None], *, there: bool) -> dict[str | None, float]:
        """The probability of each outcome if a sign shows, or if it does not."""
        shows = self._there[:, sign]
        weight = shows if there else 1.0 - shows
        result: dict[str | None, float] = {}
        for outcome, share in zip(outcomes, weight / max(float(weight.sum()), 1e-12), strict=True):
            result[outcome] = result.get(outcome, 0.0) + float(share)
        return result


def _part(both: np.ndarray, alone: np.ndarray) -> np.ndarray:
    return np.asarray(np.where(both > 1e-12, both * np.log2(np.maximum(both, 1e-12) / np.maximum(alone, 1e-12)), 0.0))


def draw(diagnosis: Diagnosis, count: int, answered: Callable[[np.ndarray], np.ndarray]) -> Worlds:
    """Draw `count` worlds that agree with a diagnosis's findings; deterministic, and similar for similar findings.

    `answered`: maps what shows (world x sign, bool) to which signs would be asked and answered there (same shape).
    """
    rng = np.random.default_rng(1)
    there, weight, none = _proposed(diagnosis, rng)
    share = np.exp(weight - weight.max())
    steps = (np.arange(count) + rng.random()) / count  # systematic resampling
    picked = np.minimum(np.searchsorted(np.cumsum(share / share.sum()), steps), _PROPOSED - 1)
    chances = rng.random((count, none.shape[1]))
    presumed = list(diagnosis.compiled.presumed)
    true = none.copy()
    true[:, presumed] = none[:, presumed] / NAMED  # the links as they are
    left_out = np.exp(true[picked])
    chance = 1.0 - left_out
    # given that nobody named it
    chance[:, presumed] *= (1.0 - NAMED) / (left_out[:, presumed] + (1.0 - NAMED) * chance[:, presumed])
    chance[:, list(diagnosis.compiled.excluded)] = 0.0
    shown = chances < chance
    weight = weight - none[:, presumed].sum(axis=1)
    asked = answered(shown)
    believed = _believed(there, weight, true, shown, asked)
    return Worlds(chance, shown, asked, believed, np.zeros(shown.shape[1], bool))


def _proposed(diagnosis: Diagnosis, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Proposed worlds: causes present (world x cause), log weight (world), log probability of no sign (world x sign)."""
    compiled = diagnosis.compiled
    network = compiled.network
    believed = np.clip(np.array([diagnosis.probability[cause] for cause in compiled.causes]), 1e-4, 1.0 - 1e-4)
    answered = np.clip(np.array(diagnosis.posterior.probability), 1e-4, 1.0 - 1e-4)
    prior = np.clip(np.array(network.prior), 1e-12, 1.0 - 1e-12)
    read = np.log(believed / (1 - believed)) - np.log(answered / (1 - answered))  # what readings say beyond the answers
    absent = np.zeros((len(prior), len(compiled.symptoms)))  # log probability that a cause does not trigger a sign
    for sign, links in enumerate(network.links):
        for cause, q in links:
            absent[cause, sign] = np.log(max(q, 1e-12))
    there = (rng.random((_PROPOSED, len(prior))) < believed).astype(float)
    none = np.log1p(-np.array(network.leak)) + there @ absent
    odds = np.log(prior / believed) - np.log((1 - prior) / (1 - believed)) + read
    weight = there @ odds
    for sign, (without, with_it) in compiled.evidence.items():
        left_out = np.exp(none[:, sign])
        weight += np.log(np.maximum(without * left_out + with_it * (1.0 - left_out), _NEVER))
    return there.astype(np.float32), weight, none


def _believed(
    there: np.ndarray, weight: np.ndarray, none: np.ndarray, shown: np.ndarray, asked: np.ndarray
) -> np.ndarray:
    """World x cause: the probability of each cause with all signs answered, all proposals weighted by the world's signs."""
    seen = np.log(np.maximum(-np.expm1(none), 1e-30))
    fit = (shown & asked).astype(np.float32) @ seen.T.astype(np.float32)
    fit += (asked & ~shown).astype(np.float32) @ none.T.astype(np.float32) + weight.astype(np.float32)
    fit -= fit.max(axis=1, keepdims=True)
    share = np.exp(fit)
    return np.asarray((share @ there) / share.sum(axis=1, keepdims=True))
