"""Who wears the muslin: girths and breadths of one of 507 measured people, heights from their stature.

Girths: bdims, Heinz, Peterson, Johnson and Kerk 2003, "Exploring relationships in body dimensions", Journal of Statistics
Education 11(2); people.csv holds eleven of its columns. Heights as shares
of the stature are from memory, within the range of common body charts.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

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
    with Path(__file__).with_name("people.csv").open(encoding="ascii", newline="") as handle:
        rows = list(csv.DictReader(handle))
    return {name: np.array([float(row[name]) for row in rows]) * MM for name in rows[0]}


def person(rng: np.random.Generator) -> Person:
    """One of the measured people, by chance."""
    people = _people()
    row = int(rng.integers(len(people["hgt"])))
    own = {name: float(column[row]) for name, column in people.items()}
    return Person(row, own["hgt"], own["wai_gi"], own["nav_gi"], own["hip_gi"], own["thi_gi"], own["kne_gi"],
                  own["bit_di"], own["che_di"], own["che_de"], own["bia_di"], own["bic_gi"])  # fmt: skip
