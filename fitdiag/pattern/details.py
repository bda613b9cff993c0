"""The ends of the level lines enlarged, on a page of their own behind the full-scale sheets: an eighth of an inch is seen there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from fitdiag.pattern.garment import off
from fitdiag.pattern.ink import Box, Item, Pen, clipped
from fitdiag.pattern.piece import Array, Piece
from fitdiag.units import Units

TIMES = 3.0  # as large as on the paper
CELL_MM = (47.0, 62.0)  # least and most height of one picture
HEAD_MM = 20.0
MOST_STAMPED = 2  # lines
BAR_MM = {"in": (25.4 / 8, "1/8 in"), "cm": (3.0, "3 mm")}
Shown = tuple[str, Piece, Sequence[tuple[str, Array]]]  # a piece by its name, and its lines: role and points, mm, y up


def ends(pieces: Sequence[Shown]) -> list[tuple[int, str, Array]]:
    """The number of a piece, what lies there, and the place (mm, y up): both ends of each level line."""
    found = []
    for number, (called, piece, _) in enumerate(pieces):
        for name in piece.part.ends:
            for end, edge in ((0, piece.part.inner), (-1, piece.part.outer)):
                if name in piece.lines:
                    at = piece.lines[name][end]
                    seam = min(edge, key=lambda seam: off(piece.seams[seam], at))
                    found.append((number, f"{called}: {name}, {piece.part.word(seam)}", at))
    return found


def pages(
    pieces: Sequence[Shown], room: tuple[float, float], units: Units, mark: str = ""
) -> Iterator[tuple[Item, ...]]:
    """Pages of enlarged places, three in a row; `mark`: for whom, the day and what was altered."""
    wide, high = room
    places, step = ends(pieces), 3
    rows = int((high - HEAD_MM) // CELL_MM[0])
    for first in range(0, len(places), step * rows):
        shown = places[first : first + step * rows]
        tall = min(CELL_MM[1], (high - HEAD_MM) / -(-len(shown) // step))
        pen = Pen(wide, high)
        told = f"Where to look closely: {TIMES:g} times as large as the sheets. Do not cut along these."
        pen.text(0, 5.5, told, 11, bold=True)
        if mark:
            pen.paragraph(0, 10.0, mark, 7.5, wide - 2, 3.6, most=MOST_STAMPED, role="stamp")
        for number, (piece, caption, at) in enumerate(shown):
            left, top = (wide + 4) / step * (number % step), HEAD_MM + tall * (number // step)
            cell = (left, top, left + (wide + 4) / step - 4, top + tall - 9)
            _place(pen, cell, at, pieces[piece][2], units)
            pen.text(left, top - 1.2, caption[:1].upper() + caption[1:], 9, role="caption")
        yield pen.done("", "").items


def _place(pen: Pen, cell: Box, at: Array, lines: Sequence[tuple[str, Array]], units: Units) -> None:
    left, top, right, bottom = cell
    middle = np.array([(left + right) / 2, (top + bottom) / 2])
    for role, line in lines:
        for part in clipped((line - at) * (TIMES, -TIMES) + middle, cell):
            pen.line(part, role)
    size, words = BAR_MM[units]
    x, y = left + 3, bottom - 3
    pen.line([(x, y), (x + size * TIMES, y)], "new")
    for end in (x, x + size * TIMES):
        pen.line([(end, y - 1.5), (end, y + 1.5)], "dimension")
    pen.text(x + size * TIMES + 1.5, y + 1, words, 8, role="bar")
    pen.frame(cell)
