"""The states of a pass (`exact.Lists`) as numpy arrays, for components wide enough to be worth loading numpy."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Arrays:
    """The same as `exact.Lists`, on float64 arrays of shape (2^bits,)."""

    def start(self) -> Array:
        return np.ones(1)

    def push(self, state: Array, bit: int, q: float) -> None:
        view = state.reshape(-1, 2, 1 << bit)
        view[:, 1] += view[:, 0] * (1.0 - q)
        view[:, 0] *= q

    def pull(self, worth: Array, bit: int, q: float) -> None:
        view = worth.reshape(-1, 2, 1 << bit)
        view[:, 0] *= q
        view[:, 0] += view[:, 1] * (1.0 - q)

    def widened(self, state: Array, bit: int, a: float, b: float) -> Array:
        narrow = state.reshape(-1, 1 << bit)
        return np.stack((narrow * a, narrow * b), axis=1).ravel()

    def narrowed(self, state: Array, bit: int, a: float, b: float) -> Array:
        view = state.reshape(-1, 2, 1 << bit)
        return (view[:, 0] * a + view[:, 1] * b).ravel()

    def mixed(self, a: float, one: Array, b: float, other: Array) -> Array:
        return a * one + b * other

    def product(self, one: Array, other: Array) -> float:
        return float(one @ other)
