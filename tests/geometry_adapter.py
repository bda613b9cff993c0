"""The one place where the geometry tests touch fitdiag's pattern room. It hands over what is there and computes nothing.

Whoever changes the room's API changes this file and no other of the geometry tests.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from fitdiag.pattern.alter import true_seam
from fitdiag.pattern.draft import Measures, draft
from fitdiag.pattern.measure import pattern_measures
from fitdiag.pattern.moves import NAMES, carry_out
from fitdiag.pattern.piece import faults

PIECES = ("front", "back")
HALVES = ("left", "right")  # of the wearer; the pattern of today has one front and one back for both


def names() -> frozenset[str]:
    """The ids of all alterations that can be carried out."""
    return frozenset(NAMES)


def drafted(measures_mm: Mapping[str, float]) -> Any:
    """The un-altered pattern of a body."""
    return draft(Measures(**measures_mm))


def altered(pattern: Any, alteration: str, amount_mm: float, half: str | None = None) -> Any:
    """The pattern after an alteration, as it is cut. `half`: only on this side of the wearer (there is no way to say so yet)."""
    del half
    return carry_out(pattern, alteration, amount_mm).pattern


def trued(pattern: Any, alteration: str, amount_mm: float) -> tuple[Any, list[str]]:
    """The pattern after an alteration and trueing, and all that is told about it: a text a seam or pair, lengths in mm."""
    step = carry_out(pattern, alteration, amount_mm)
    return true_again(step.pattern, step)


def true_again(pattern: Any, step: Any) -> tuple[Any, list[str]]:
    """The pattern trued where this step asks for it; told as text."""
    told = []
    for side, part in step.altered.items():
        for seam in part.true:
            piece, change = true_seam(pattern.piece(side), seam)
            pattern = pattern.with_piece(piece)
            told.append(f"{side} {seam} {change:+.2f} mm")
    return pattern, told


def trued_twice(pattern: Any, alteration: str, amount_mm: float) -> tuple[Any, Any]:
    """The pattern after trueing once, and after trueing it a second time."""
    step = carry_out(pattern, alteration, amount_mm)
    once, _ = true_again(step.pattern, step)
    twice, _ = true_again(once, step)
    return once, twice


def printed(pattern: Any) -> dict[str, float]:
    """The measures as fitdiag prints them, by name, in mm."""
    return pattern_measures(pattern)


def problems(pattern: Any) -> list[str]:
    """What fitdiag itself finds wrong with the pieces."""
    return [problem.message for piece in PIECES for problem in faults(pattern.piece(piece))]


def sheet(pattern: Any, piece: str, half: str = "left") -> dict[str, Any]:
    """Everything drawn on one piece, as arrays in mm, in any frame.

    seams: waist, side, hem, inseam, curve, centre, clockwise; darts: (left, right, tip) each; lines: hip, crotch, knee, the
    centre end first; grain: two points, upward.
    """
    del half
    drawn = pattern.piece(piece)
    return {
        "seams": {name: np.asarray(line) for name, line in drawn.seams.items()},
        "darts": [(np.asarray(dart.left), np.asarray(dart.right), np.asarray(dart.tip)) for dart in drawn.darts],
        "lines": {name: np.asarray(line) for name, line in drawn.lines.items()},
        "grain": np.array([[drawn.grain_x, 0.0], [drawn.grain_x, 1000.0]]),
    }
