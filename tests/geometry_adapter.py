"""The one place where the geometry tests touch fitdiag's pattern room. It hands over what is there and computes nothing.

Whoever changes the room's API changes this file and no other of the geometry tests.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from trousers import Measures, draft

from fitdiag.knowledge.load import load_rules
from fitdiag.pattern.measure import pattern_measures
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.piece import faults
from fitdiag.pattern.true import true
from fitdiag.pattern.walk import pair_sentences, walked

PIECES = ("front", "back")
HALVES = ("left", "right")  # of the wearer


def names() -> frozenset[str]:
    """The ids of all alterations that can be carried out."""
    return frozenset(load_rules().alterations)


def drafted(measures_mm: Mapping[str, float]) -> Any:
    """The un-altered pattern of a body."""
    return draft(Measures(**measures_mm))


def altered(pattern: Any, alteration: str, amount_mm: float, half: str | None = None) -> Any:
    """The pattern after an alteration, as it is cut. `half`: only on this side of the wearer."""
    return carry_out(pattern, alteration, amount_mm, half).pattern  # type: ignore[arg-type]


def _half(pattern: Any, alteration: str) -> Any:
    return "left" if pattern.garment.alterations[alteration].operation.one_side else None


def trued(pattern: Any, alteration: str, amount_mm: float) -> tuple[Any, Any, list[str]]:
    """The pattern after an alteration and trueing, after trueing it again, and all that is told about it, one text a seam or pair."""
    result, changes = true(carry_out(pattern, alteration, amount_mm, _half(pattern, alteration)).pattern)
    told = [f"{one.piece} {one.seam} {one.change:+.2f} mm" for one in changes]
    for pair in walked(result).pairs:
        told += [f"{pair.rule.one} {pair.rule.other} {text}" for text in pair_sentences(pair, "cm")]
        told.append(f"{pair.rule.id} {pair.longer:+.2f} mm")  # what --json prints
    return result, true(result)[0], told


def printed(pattern: Any) -> dict[str, float]:
    """The measures as fitdiag prints them, by name, in mm; where the sides differ, those of the left one."""
    found = pattern_measures(pattern)
    return {name.removesuffix(", left"): value for name, value in found.items() if not name.endswith(", right")}


def problems(pattern: Any) -> list[str]:
    """What fitdiag itself finds wrong with the pieces."""
    return [problem.message for piece, _ in pattern.cut() for problem in faults(piece)]


def sheet(pattern: Any, piece: str, half: str = "left") -> dict[str, Any]:
    """Everything drawn on one piece, as arrays in mm, in any frame.

    seams: waist, side, hem, inseam, curve, centre, clockwise; darts: (left, right, tip) each; lines: hip, crotch, knee, the
    centre end first; grain: two points, upward.
    """
    drawn = pattern.of(half).pieces[piece]
    return {
        "seams": {name: np.asarray(line) for name, line in drawn.seams.items()},
        "darts": [(np.asarray(dart.left), np.asarray(dart.right), np.asarray(dart.tip)) for dart in drawn.darts],
        "lines": {name: np.asarray(line) for name, line in drawn.lines.items()},
        "grain": np.array([[drawn.grain_x, 0.0], [drawn.grain_x, 1000.0]]),
    }
