"""What all moves share: the heights of a move, and how a corner is moved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from fitdiag.knowledge.garment import Move
from fitdiag.pattern.alter import Did, redraw, run_on
from fitdiag.pattern.garment import along, arc, far_on, height_at, hits, spot
from fitdiag.pattern.piece import Array, Joint, Piece, apart, left_of, points, unit

Made = tuple[Piece, Did]
# the piece before the alteration, as it is now, one move, by how much
Maker = Callable[[Piece, Piece, Move, float], Made]


def way_out(piece: Piece, seam: str) -> float:
    """1 where outward is to the right, -1 where it is to the left."""
    return 1.0 if seam in piece.part.outer else -1.0


def stations(piece: Piece, move: Move, seam: str) -> tuple[Array, Array]:
    """The heights of a move from the bottom up, and the share of the amount at each."""
    edge = "outer" if seam in piece.part.outer else "inner"
    heights, shares = np.array(sorted((height_at(piece, name, edge), share) for name, share in move.at.items())).T
    return heights, shares


def with_corner(piece: Piece, move: Move, by: float) -> Piece:
    """The piece with a corner moved outward, straight up, or along a seam, the seams of `taper` to nothing over theirs."""
    begins = piece.part.corners[move.end or ""]
    if move.way == "up":
        shift = np.array([0.0, by])
    elif move.way is None:
        shift = np.array([way_out(piece, begins) * by, 0.0])
    else:
        line = piece.seams[move.way][:: -1 if move.way == begins else 1]
        shift = run_on(line, by)[-1] - line[-1]
    drawn, joints = {}, []
    for seam, text in move.taper.items():
        first = seam == begins
        line = piece.seams[seam][:: 1 if first else -1]  # from the corner on
        gone = arc(line)
        reach = far = float(gone[-1])
        if text.endswith(" mm"):
            reach = min(float(text.removesuffix(" mm")), far)
            if move.way:  # measured square to the way, so that the way back is the same
                gone = np.abs((line - line[0]) @ unit(left_of(shift)))
        elif text != "all":
            reach = far_on(line, spot(piece, f"{seam} at {text}").at)
        share = np.clip(1 - gone / reach, 0.0, 1.0)
        if text == "all" or first:
            share = share**2
        elif reach < far - 1.0:
            at = along(piece, seam, far - reach).at
            joints.append(Joint(seam, points(np.array([at, at]))))
        drawn[seam] = (line + np.outer(share, shift))[:: 1 if first else -1]
    return redraw(piece, drawn, tuple(joints))


def lifted(piece: Piece, name: str, by: float) -> Piece:
    """The piece with a level line moved up; it runs from edge to edge again."""
    if name not in piece.lines:
        return piece
    line = piece.lines[name] + np.array([0.0, by])
    ends = piece.part.ends.get(name, (piece.part.inner, piece.part.outer))
    for index, seams in ((0, ends[0]), (-1, ends[1])):
        places = [found[-1] for seam in seams if len(found := hits(piece.seams[seam], float(line[index, 1]), 1))]
        if places:
            line[index] = min(places, key=lambda at: apart(at, line[index]))
    return replace(piece, lines={**piece.lines, name: points(line)})
