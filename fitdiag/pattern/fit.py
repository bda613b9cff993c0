"""A pattern estimated from lengths that a client measures on paper with a tape: the block, bent until it has those lengths.

Least squares over the block's six measures and a few alterations of its back and front, each held weakly to what is usual
(scipy). What comes out is an estimate with the right lengths, not the client's outline; the residual says how near it comes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from fitdiag.pattern.alter import curve_depth, extend_crotch, wedge
from fitdiag.pattern.draft import Measures, draft
from fitdiag.pattern.measure import near_measures, pattern_measures
from fitdiag.pattern.moves import edge, heights
from fitdiag.pattern.piece import Pattern
from fitdiag.problems import ProblemsFoundError, one_line, stop
from fitdiag.units import STEP_MM, Units, format_reading

FEWEST = 5
_TAPE_MM = 1.5  # how exactly a tape is read on paper, one standard deviation
_START = (720.0, 980.0, 275.0, 205.0, 1030.0, 230.0)  # waist, hip, rise, waist to hip, waist to floor, bottom
_USUAL = (90.0, 90.0, 30.0, 20.0, 60.0, 40.0)  # how far they usually lie from that
_BENDS_USUAL = {
    "wedge across the back": 15.0,
    "slant of centre back": 12.0,
    "back extension": 10.0,
    "front extension": 6.0,
    "back curve": 6.0,
    "front curve": 5.0,
    "back side at the waist": 10.0,
    "front side at the waist": 10.0,
}


@dataclass(frozen=True)
class Fit:
    """The estimate: the pattern, each length wanted and reached in mm, and the root mean square of what is left."""

    pattern: Pattern
    reached: Mapping[str, tuple[float, float]]
    residual: float


def fit(lengths: Mapping[str, float], units: Units = "cm") -> Fit:
    """The pattern whose measures come nearest to `lengths` (names as in `pattern_measures`, mm); messages in `units`.

    Raises ProblemsFoundError for unknown names, too few lengths, or lengths no pair of trousers has.
    """
    from scipy.optimize import least_squares  # noqa: PLC0415 (a quarter of a second to load)

    known = pattern_measures(_bent(np.zeros(len(_START) + len(_BENDS_USUAL))))
    unknown = [name for name in lengths if name not in known]
    if unknown:
        raise stop("measure", f"there is no length '{one_line(unknown[0], 60)}'", hint=near_measures(unknown[0], known))
    if len(lengths) < FEWEST:
        raise stop(
            "few",
            f"{len(lengths)} lengths are too few to estimate a pattern",
            hint=f"give at least {FEWEST}, ten are better",
        )
    scale = np.array((*_USUAL, *_BENDS_USUAL.values()))

    def left(x: np.ndarray) -> np.ndarray:
        try:
            measured = pattern_measures(_bent(x * scale))
        except ProblemsFoundError:
            return np.full(len(lengths) + len(x), 1e3)
        off = [(measured.get(name, 0.0) - wanted) / _TAPE_MM for name, wanted in lengths.items()]
        return np.concatenate([off, 0.05 * x])

    solved = least_squares(left, np.zeros(len(scale)), diff_step=1e-3, max_nfev=60)
    pattern = _bent(solved.x * scale)
    measured = pattern_measures(pattern)
    reached = {name: (wanted, measured[name]) for name, wanted in lengths.items()}
    residual = float(np.sqrt(np.mean([(got - wanted) ** 2 for wanted, got in reached.values()])))
    if residual > 25.0:
        raise stop(
            "no-fit",
            f"no pair of trousers has these lengths (they stay {format_reading(residual, units)} apart)",
            hint="check names and units",
        )
    apart = f"{residual:.1f} mm apart" if units == "cm" else f"{_nearly(residual)} apart"
    grade = f"an estimate from {len(lengths)} lengths measured with a tape, {apart} on average; not your outline"
    return Fit(replace(pattern, title="Estimated from lengths", grade=grade), reached, residual)


def _nearly(mm: float) -> str:
    return format_reading(mm, "in") if mm >= STEP_MM["in"] / 2 else "less than 1/8 in"


def _bent(x: np.ndarray) -> Pattern:
    """The block of the usual measures plus the first six numbers of `x`, bent by the others, in mm."""
    pattern = draft(Measures(*(start + float(change) for start, change in zip(_START, x[:6], strict=True))))
    tip, slant, back_extension, front_extension, back_curve, front_curve, back_side, front_side = (
        float(value) for value in x[6:]
    )
    back, front = pattern.back, pattern.front
    if abs(tip) > 0.01:
        back = wedge(back, heights(back)["hip"], tip).piece
    back = edge(back, "centre", [("hip", 0), ("waist", -1)], slant)
    back = edge(back, "side", [("hip", 0), ("waist", 1)], back_side)
    front = edge(front, "side", [("hip", 0), ("waist", 1)], front_side)
    back = extend_crotch(back, back_extension).piece
    back = curve_depth(back, back_curve).piece
    front = extend_crotch(front, front_extension).piece
    front = curve_depth(front, front_curve).piece
    return replace(pattern, front=front, back=back)
