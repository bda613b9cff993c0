"""What all moves share: the heights of a move, and how a corner is moved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from fitdiag.knowledge.garment import Move
from fitdiag.pattern.alter import Did, Shift, shortened, tapering
from fitdiag.pattern.garment import Spot, along, arc, height_at, hits, spot
from fitdiag.pattern.piece import Array, Joint, Piece, apart, left_of, length, points, unit

Made = tuple[Piece, Did]
Maker = Callable[
    [Piece, Piece, Move, float], Made
]  # the piece before the alteration, as it is now, one move, by how much


def way_out(piece: Piece, seam: str) -> float:
    """1 where outward is to the right, -1 where it is to the left."""
    return 1.0 if seam in piece.part.outer else -1.0


def stations(piece: Piece, move: Move, seam: str) -> tuple[Array, Array]:
    """The heights of a move from the bottom up, and the share of the amount at each."""
    edge = "outer" if seam in piece.part.outer else "inner"
    heights, shares = np.array(sorted((height_at(piece, name, edge), share) for name, share in move.at.items())).T
    return heights, shares


def far_along(piece: Piece, place: Spot) -> float:
    line = piece.seams[place.seam]
    return float(arc(line)[place.index] + apart(place.at, line[place.index]))


def _direction(piece: Piece, move: Move, begins: str, by: float) -> Array:
    """Where a corner goes for each millimetre: outward, straight up, or along a seam that ends or begins there."""
    if move.way == "up":
        return np.array([0.0, 1.0])
    if move.way is None:
        return np.array([way_out(piece, begins), 0.0])
    line = piece.seams[move.way]
    line = line[::-1] if move.way == begins else line
    run = unit(line[-1] - line[-2])
    if by >= 0:
        return np.asarray(run)
    return np.asarray((line[-1] - shortened(line, -by)[-1]) / -by)


def corner_shifts(piece: Piece, move: Move, by: float) -> tuple[dict[str, Shift], tuple[Joint, ...]]:
    begins = piece.part.corners[move.end or ""]
    way = _direction(piece, move, begins, by)
    shifts: dict[str, Shift] = {}
    joints = []
    for seam, text in move.taper.items():
        line = piece.seams[seam]
        whole, first = length(line), seam == begins
        reach = reach_of(piece, seam, text, first)
        curved = text == "all" or first
        # over some mm it is measured square to the way, so that the way back is the same
        square = unit(left_of(way)) if move.way and text.endswith(" mm") else None
        share = _taper(line[0 if first else -1], whole, reach, first=first, curved=curved, square=square)
        shifts[seam] = tapering(by * way, share)
        if not curved and reach < whole - 1.0:
            at = along(piece, seam, reach if first else whole - reach).at
            joints.append(Joint(seam, points(np.array([at, at]))))
    return shifts, tuple(joints)


def _taper(corner: Array, whole: float, reach: float, *, first: bool, curved: bool, square: Array | None) -> Shift:
    """The share of a corner's shift along a seam of length `whole`: from 1 at the corner to nothing at `reach`."""

    def share(at: Array, far: Array) -> Array:
        gone = (far if first else whole - far) if square is None else np.abs((at - corner) @ square)
        left = np.clip(1 - gone / reach, 0.0, 1.0)
        return np.asarray(left**2 if curved else left)

    return share


def reach_of(piece: Piece, seam: str, text: str, first: bool) -> float:
    """How far along a seam a taper runs, from its corner: to a height, over some mm, or all of it."""
    whole = length(piece.seams[seam])
    if text == "all":
        return whole
    if text.endswith(" mm"):
        return min(float(text.removesuffix(" mm")), whole)
    place = spot(piece, f"{seam} at {text}")
    far = far_along(piece, place)
    return far if first else whole - far


def lifted(piece: Piece, name: str, by: float) -> Piece:
    """The piece with a level line moved up; it runs from edge to edge again."""
    if name not in piece.lines:
        return piece
    line = piece.lines[name] + np.array([0.0, by])
    ends = piece.part.ends.get(name, (piece.part.inner, piece.part.outer))
    for index, seams in ((0, ends[0]), (-1, ends[1])):
        places = [found[-1][1] for seam in seams if (found := hits(piece.seams[seam], float(line[index, 1]), 1))]
        if places:
            line[index] = min(places, key=lambda at: apart(at, line[index]))
    return replace(piece, lines={**piece.lines, name: points(line)})
