"""A drafted block with its notches, and one move made on a piece of it."""

from __future__ import annotations

from trousers import Measures, draft

from fitdiag.knowledge.garment import Move
from fitdiag.pattern.garment import with_notches
from fitdiag.pattern.moves import make
from fitdiag.pattern.piece import Pattern, Piece


def block() -> Pattern:
    """A drafted block with its notches."""
    pattern = draft(Measures(waist=680, hip=940, rise=280, waist_to_hip=206, waist_to_floor=1040, bottom=220))
    for piece in pattern.pieces.values():
        pattern = pattern.with_piece(with_notches(piece))
    return pattern


BLOCK = block()


def moved(piece: Piece, by: float, **move: object) -> Piece:
    """The piece after one move by `by` mm."""
    return make(piece, [Move.model_validate(move)], by).piece
