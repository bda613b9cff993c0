"""The pass of `exact.Sweep` for many changed weights at once on numpy arrays.

"Symptom j is absent" only changes the weights of j's causes, so all open questions go through one pass as the columns of a
batch: `on` holds one row per cause and one column per question. Used where a session asks again and again; a single
`diagnose` stays with the plain version, which starts faster than numpy loads.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from fitdiag.diagnosis.exact import Component, OpenFinding, Posterior, Step

Array = NDArray[np.float64]
_MOST_NUMBERS = 8_000_000  # numbers kept for the way back, 64 MB; wider components take their questions in portions


class Columns:
    """The states of a pass (`exact.Lists`) as arrays: a row for each way the open bits can stand, a column for each question."""

    def __init__(self, columns: int) -> None:
        self.columns = columns

    def start(self) -> Array:
        return np.ones((1, self.columns))

    def opened(self, state: Array, untriggered: Array, triggered: Array) -> Array:
        return np.concatenate((state * untriggered, state * triggered))

    def _by(self, state: Array, bit: int) -> Array:
        """A view of states whose second axis is one bit."""
        return state.reshape(-1, 2, 1 << bit, self.columns)

    def moved(self, state: Array, step: Step, links: Sequence[tuple[int, float]]) -> Array:
        shifted = state.copy()
        for bit, (_, q) in zip(step.bits, links, strict=True):
            view = self._by(shifted, bit)
            view[:, 1] += view[:, 0] * (1.0 - q)
            view[:, 0] *= q
        return shifted

    def pulled(self, worth: Array, step: Step, links: Sequence[tuple[int, float]]) -> Array:
        found = worth.copy()
        for bit, (_, q) in zip(step.bits, links, strict=True):
            view = self._by(found, bit)
            view[:, 0] *= q
            view[:, 0] += view[:, 1] * (1.0 - q)
        return found

    def mixed(self, a: float, one: Array, b: Array, other: Array) -> Array:
        return a * one + b * other

    def closed(self, state: Array, step: Step, finding: OpenFinding) -> Array:
        view = self._by(state, step.bit)
        return (finding.absent * view[:, 0] + finding.present * view[:, 1]).reshape(-1, self.columns)

    def reopened(self, worth: Array, step: Step, finding: OpenFinding) -> Array:
        narrow = worth.reshape(-1, 1 << step.bit, self.columns)
        return np.stack((narrow * finding.absent, narrow * finding.present), axis=1).reshape(-1, self.columns)

    def product(self, one: Array, other: Array) -> Array:
        return np.asarray((one * other).sum(axis=0))


def run_one(component: Component, off: list[float], on: list[float]) -> tuple[float, list[float]]:
    """`Component.run` for a wide component: one column."""
    total, weights = component.run(off, {cause: np.array([on[cause]]) for cause in component.causes}, Columns(1))
    return float(total[0]), [float(weight[0]) for weight in weights]


def gains(posterior: Posterior) -> dict[int, float]:
    """`Posterior.gains` in one batch; equal to it to rounding."""
    network = posterior.network
    asked = [finding for finding in range(len(network.links)) if finding not in posterior.evidence]
    if not asked:
        return {}
    count = len(asked)
    p = np.array(posterior.probability)
    absent = 1.0 - np.array([network.leak[finding] for finding in asked])
    given_absent = np.repeat(p[:, None], count, axis=1)
    on: dict[int, Array] = {}
    touched: dict[int, set[int]] = {}
    for column, finding in enumerate(asked):
        for cause, q in network.links[finding]:
            number = posterior.home.get(cause)
            if number is None:
                chance = posterior.probability[cause]
                stays = 1.0 - chance + chance * q
                absent[column] *= stays
                given_absent[cause, column] = chance * q / stays if stays else chance
            else:
                touched.setdefault(number, set()).add(column)
                row = on.get(cause)
                if row is None:
                    row = on[cause] = np.full(count, posterior.on[cause])
                row[column] *= q
    for number, column_set in touched.items():
        component = posterior.components[number]
        everything = np.array(sorted(column_set))
        at_once = max(1, _MOST_NUMBERS // (max(1, len(component.steps)) << component.width))
        for start in range(0, len(everything), at_once):
            columns = everything[start : start + at_once]
            rows = {
                cause: on[cause][columns] if cause in on else np.full(len(columns), posterior.on[cause])
                for cause in component.causes
            }
            total, weights = component.run(posterior.off, rows, Columns(len(columns)))
            absent[columns] *= total / posterior.totals[number]
            given_absent[np.ix_(np.array(component.causes), columns)] = np.array(weights) / total
    present = 1.0 - absent
    fair = (absent > 1e-12) & (absent < 1.0 - 1e-12)
    safe_present = np.where(fair, present, 1.0)
    given_present = (p[:, None] - absent * given_absent) / safe_present
    gain = (
        _entropy(p).sum() - absent * _entropy(given_absent).sum(axis=0) - present * _entropy(given_present).sum(axis=0)
    )
    gain = np.where(fair, np.maximum(gain, 0.0), 0.0)
    return dict(zip(asked, gain.tolist(), strict=True))


def _entropy(p: Array) -> Array:
    inside = np.clip(p, 1e-300, 1.0)
    outside = np.clip(1.0 - p, 1e-300, 1.0)
    result: Array = -(p * np.log2(inside) + (1.0 - p) * np.log2(outside))
    return result
