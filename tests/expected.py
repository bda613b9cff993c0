"""The register of what each rule does to the paper, and words that several of them share."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from paper import TOL, Case, Pair, slope

RULES: dict[str, Callable[[Case], None]] = {}
INCH = 25.4


def rule(*names: str) -> Callable[[Callable[[Case], None]], Callable[[Case], None]]:
    """Registers what an alteration must do."""

    def keep(function: Callable[[Case], None]) -> Callable[[Case], None]:
        RULES.update(dict.fromkeys(names, function))
        return function

    return keep


def top(pair: Pair) -> list[str]:
    """The landmarks at the waist: both its ends and the darts whole."""
    return ["centre-waist", "side-waist", *(name for name in pair.was.spots if name.startswith("dart"))]


def waist_level(p: Pair) -> float:
    return float(p.was.spot("side-waist")[1])


def point_level(p: Pair) -> float:
    return float(p.was.spot("crotch-point")[1])


def bare(p: Pair, *moved: str) -> None:
    """Everything but the seams named keeps its place: seams, darts, level lines, grain."""
    p.stay(*(name for name in ("waist", "side", "hem", "inseam", "curve", "centre") if name not in moved))
    if "waist" not in moved:
        p.darts_stay()
    p.levels_stay()
    p.grain()


def one_bump(p: Pair, low: float, high: float, change: float) -> float:
    """A side edge moved by the amount at one height between two others that stay; the height."""
    got, height = p.most_out("side", low, high)
    lean = 1.0 / np.cos(slope(p.was.seams["side"], height)) - 1.0
    p.near("side edge moved most by", got, change, TOL + abs(change) * (lean + 0.02))
    p.edge_within("side", low, high, min(change, 0.0), max(change, 0.0))
    return height
