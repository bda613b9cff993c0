"""What is cut from the finished waist: a straight waistband, a shaped one, and a facing; darts closed."""

from __future__ import annotations

from typing import Literal

import numpy as np
from shapely import LineString

from fitdiag.pattern.alter import rotated
from fitdiag.pattern.blocks import line
from fitdiag.pattern.measure import after_darts
from fitdiag.pattern.piece import Array, Part, Pattern, Piece, apart, points, unit
from fitdiag.problems import one_line, stop
from fitdiag.units import Units, format_reading

Band = Literal["straight", "shaped", "facing"]
LEAST_MM, MOST_MM = 15.0, 200.0


def bands(pattern: Pattern, kind: str, width: float, units: Units = "cm") -> list[Piece]:
    """A straight band in one piece, folded along its middle; or shaped bands, or facings, one for each piece with a waist.

    `width`: finished, in mm. Raises ProblemsFoundError for another kind or a width that is none.
    """
    if kind not in ("straight", "shaped", "facing"):
        raise stop("band", f"'{one_line(kind, 20)}' is not a band", hint="write straight=4cm, shaped=4cm or facing=6cm")
    if not LEAST_MM <= width <= MOST_MM:
        told = f"a band of {format_reading(width, units)} is outside {format_reading(LEAST_MM, units)} to {format_reading(MOST_MM, units)}"
        raise stop("band", told, hint="check the unit")
    if kind == "straight":
        return [_straight(pattern, width)]
    found = []
    for piece, side in pattern.cut():
        name = f"{piece.name} {'band' if kind == 'shaped' else 'facing'}{'' if side == 'both' else f', {side}'}"
        found.append(_shaped(piece, name, width, (4 if kind == "shaped" else 2) // (1 if side == "both" else 2)))
    return found


def _part(name: str, cut: int) -> Part:
    corners = {"top-left": "top", "top-right": "right", "bottom-right": "bottom", "bottom-left": "left"}
    seams = ("top", "right", "bottom", "left")
    return Part(name, seams, corners, ("left",), ("right",), "bottom", (), cut, (), {}, {})


def _straight(pattern: Pattern, width: float) -> Piece:
    """A band as long as the whole waist, twice as high as its finished width; its grain runs along it, up the paper."""
    whole = sum(after_darts(one, one.part.top) * (2 if side == "both" else 1) for one, side in pattern.cut())
    ring = np.array([[0.0, whole], [2 * width, whole], [2 * width, 0.0], [0.0, 0.0], [0.0, whole]])
    seams = {name: line(ring[k], ring[k + 1]) for k, name in enumerate(("top", "right", "bottom", "left"))}
    fold = points([[width, 0.0], [width, whole]])
    return Piece(_part("waistband", 1), seams, lines={"fold": fold}, grain_x=width / 2)


def closed_waist(piece: Piece) -> Array:
    """The waist seam with its darts folded closed, as one line: all beyond a dart turned about its point until its legs meet."""
    waist = piece.top
    darts = sorted(piece.darts, key=lambda dart: apart(dart.left, waist[0]), reverse=True)
    run = unit(waist[-1] - waist[0])
    for dart in darts:  # from the outer end, so that each turns all that lies beyond it
        before = waist[(waist - dart.left) @ run < -1e-9]
        beyond = waist[(waist - dart.right) @ run > 1e-9]
        turned = rotated(np.concatenate([[dart.right], beyond]), dart.tip, dart.angle)
        waist = np.concatenate([before, [dart.left], turned[1:]])
    return points(waist)


def _shaped(piece: Piece, name: str, width: float, cut: int) -> Piece:
    """The strip below the closed waist, as wide as the band all along."""
    top = closed_waist(piece)
    low = np.asarray(LineString(top).offset_curve(-width, join_style="mitre").coords)
    if apart(low[0], top[0]) > apart(low[-1], top[0]):
        low = low[::-1]
    seams = {
        "top": top,
        "right": line(top[-1], low[-1]),
        "bottom": points(low[::-1]),
        "left": line(low[0], top[0]),
    }
    return Piece(_part(name, cut), seams, grain_x=float((top[0, 0] + top[-1, 0]) / 2))
