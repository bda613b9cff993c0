"""Patterns of fewer points, for tests that draw, write and read many: most of what that takes goes by their number."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fitdiag.pattern.piece import Pattern, Piece


def thinned(pattern: Pattern, every: int = 3) -> Pattern:
    """The pattern with a third of the points on each seam, or one in `every`."""

    def thin(piece: Piece) -> Piece:
        corners = {name: [piece.seams[name][0], piece.seams[name][-1]] for name in piece.part.seams}
        return piece.with_seams(
            **{name: np.concatenate([[a], piece.seams[name][2:-2:every], [b]]) for name, (a, b) in corners.items()}
        )

    return replace(pattern, pieces={name: thin(piece) for name, piece in pattern.pieces.items()})
