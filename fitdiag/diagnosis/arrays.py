"""The states of a pass (`exact.Lists`) as numpy arrays: for wide components, where this is worth loading numpy."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from fitdiag.diagnosis.exact import OpenFinding, Step

Array = NDArray[np.float64]


class Arrays:
    """The states of a pass: an array with a number for each way the open bits can stand."""

    def start(self) -> Array:
        return np.ones(1)

    def opened(self, state: Array, untriggered: float, triggered: float) -> Array:
        return np.concatenate((state * untriggered, state * triggered))

    def moved(self, state: Array, step: Step, links: Sequence[tuple[int, float]]) -> Array:
        shifted = state.copy()
        for bit, (_, q) in zip(step.bits, links, strict=True):
            view = shifted.reshape(-1, 2, 1 << bit)
            view[:, 1] += view[:, 0] * (1.0 - q)
            view[:, 0] *= q
        return shifted

    def pulled(self, worth: Array, step: Step, links: Sequence[tuple[int, float]]) -> Array:
        found = worth.copy()
        for bit, (_, q) in zip(step.bits, links, strict=True):
            view = found.reshape(-1, 2, 1 << bit)
            view[:, 0] *= q
            view[:, 0] += view[:, 1] * (1.0 - q)
        return found

    def mixed(self, a: float, one: Array, b: float, other: Array) -> Array:
        return a * one + b * other

    def closed(self, state: Array, step: Step, finding: OpenFinding) -> Array:
        view = state.reshape(-1, 2, 1 << step.bit)
        return (finding.absent * view[:, 0] + finding.present * view[:, 1]).ravel()

    def reopened(self, worth: Array, step: Step, finding: OpenFinding) -> Array:
        narrow = worth.reshape(-1, 1 << step.bit)
        return np.stack((narrow * finding.absent, narrow * finding.present), axis=1).ravel()

    def product(self, one: Array, other: Array) -> float:
        return float(one @ other)
