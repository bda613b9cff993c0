"""A straight skirt with waist darts, drafted by the rules of a published metric textbook block.

The rules belong to the same tradition as the trousers block (the half skirt has half the hip and 1.5 cm of ease, each
quarter a quarter of the waist and 2 cm per dart, the side raised by 1.25 cm); they are given from memory.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fitdiag.pattern.alter import through
from fitdiag.pattern.blocks import Asked, Block, bezier, bowed, finished, join, line
from fitdiag.pattern.garment import Garment
from fitdiag.pattern.piece import Array, Dart, Piece, left_of, points, unit

DART_MM = 20.0
EASE_MM = 2.5  # of each quarter at the waist
SIDE_UP_MM = 12.5  # the waist line rises by this much to the side
SIDE_BOW_MM = 5.0  # the side seam is rounded out by this much above the hip


def _piece(
    m: Mapping[str, float], garment: Garment, name: str, width: float, darts: tuple[tuple[float, float], ...]
) -> Piece:
    """A quarter of the skirt, the centre on the left. `darts`: the place of each, a share of the waist, and its length."""
    waist, hip = m["length"], m["length"] - m["waist_to_hip"]
    middle = width / 2
    top = np.array([-middle, waist])
    across = m["waist"] / 4 + EASE_MM + DART_MM * len(darts)
    side_top = np.array([-middle + across, waist + SIDE_UP_MM])
    side_hip, corner = np.array([width - middle, hip]), np.array([width - middle, 0.0])
    chord = points(np.array([top, side_top]))
    edge = bezier(chord[0], np.array([(chord[0][0] + chord[1][0]) / 2, waist]), chord[1])  # square to the centre
    found = [_dart(edge, share, depth) for share, depth in darts]
    for dart in found:
        edge = points(through(edge, dart.left, dart.right))
    seams = {
        "waist": edge,
        "side": join(bowed(side_top, side_hip, SIDE_BOW_MM), line(side_hip, corner)),
        "hem": line(corner, (-middle, 0.0)),
        "centre": line((-middle, 0.0), top),
    }
    piece = Piece(garment.parts[name], seams, tuple(found))
    return finished(piece, {"waist": waist, "hip": hip, "hem": 0.0}, {})


def _dart(edge: Array, share: float, depth: float) -> Dart:
    """A dart square to the waistline, at a share of its width; `depth`: its length in mm."""
    x = edge[0, 0] + (edge[-1, 0] - edge[0, 0]) * share
    ends = [np.array([x + half, np.interp(x + half, edge[:, 0], edge[:, 1])]) for half in (-DART_MM / 2, DART_MM / 2)]
    return Dart.even(ends[0], ends[1], (ends[0] + ends[1]) / 2 - unit(left_of(ends[1] - ends[0])) * depth)


def _pieces(m: Mapping[str, float], garment: Garment) -> dict[str, Piece]:
    whole = m["hip"] / 2 + 15  # the half skirt
    back = m["hip"] / 4 + 15
    return {
        "front": _piece(m, garment, "front", whole - back, ((1 / 3, 100.0),)),
        "back": _piece(m, garment, "back", back, ((1 / 3, 140.0), (2 / 3, 125.0))),
    }


BLOCK = Block(
    source="metric textbook block (basic straight skirt), from memory",
    asked=(
        Asked("waist", 400, 2000, 720, 90, girth="waist after darts girth"),
        Asked("hip", 500, 2200, 980, 90, girth="hip girth"),
        Asked("waist_to_hip", 100, 350, 205, 20),
        Asked("length", 250, 1300, 600, 60),
    ),
    pieces=_pieces, shares=(("waist", "hip", 0.5, 10.0), ("waist_to_hip", "length", 0.12, 0.7)),
    order=(("waist_to_hip", "length", 0.9),),
)  # fmt: skip
