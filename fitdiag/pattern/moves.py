"""Carry out alterations on a pattern: the moves each rule consists of, on every piece and side it names.

Amounts are in mm and mean what the rule means by them: along the edge that is cut, or per edge that is moved. A
negative amount does the opposite, where the trade knows an opposite.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf

from fitdiag.knowledge.garment import Move
from fitdiag.knowledge.model import Alteration
from fitdiag.pattern.alter import Altered, Did
from fitdiag.pattern.making import MAKERS
from fitdiag.pattern.piece import Pattern, Piece, Side
from fitdiag.problems import one_line, stop


@dataclass(frozen=True, eq=False)
class Step:
    """One alteration carried out: its amount in mm, the pattern after it, its side, and the altered pieces by name."""

    alteration: str
    amount: float
    pattern: Pattern
    altered: Mapping[str, Altered]
    side: Side = "both"


def make(piece: Piece, moves: Sequence[Move], amount: float) -> Altered:
    """Make the moves of an alteration of `amount` mm on one piece, one after another."""
    before, did = piece, list[Did]()
    for move in moves:
        piece, done = MAKERS[move.do](before, piece, move, move.by * amount)
        did.append(done)
    return Altered(piece, tuple(did))


def carry_out(pattern: Pattern, alteration: str, amount: float, side: Side | None = None) -> Step:
    """Carry out an alteration by `amount` mm, on both sides or on one (a one-sided alteration: the right by default).

    Where the sides differ and both are altered, `altered` holds the pieces of the right side. Raises ProblemsFoundError
    for an unknown alteration, a negative amount of one that has no opposite, or an amount that cannot be cut.
    """
    rule = pattern.garment.alterations.get(alteration)
    if rule is None:
        message = f"there is no alteration '{one_line(alteration, 60)}' to carry out"
        raise stop("alteration", message, hint="fitdiag rules list alterations")
    if amount < 0 and not rule.goes_back:
        message = "a negative amount has no meaning here: the trade does this one way only"
        raise stop("direction", message, hint="give an amount above 0")
    chosen: Side = side or ("right" if rule.operation.one_side else "both")
    result, altered = pattern, dict[str, Altered]()
    for one in pattern.sides if chosen == "both" else (chosen,):
        altered = _altered(pattern.of(one), rule, amount)
        for each in altered.values():
            result = result.with_piece(each.piece, one)
    return Step(alteration, amount, result, altered, chosen)


def _altered(pattern: Pattern, rule: Alteration, amount: float) -> dict[str, Altered]:
    """The pieces of one side that an alteration changes, altered, by name."""
    found = {}
    for name, piece in pattern.pieces.items():
        own = (move for move in rule.operation.moves if name in move.on)
        if moves := [move for move in own if (move.over_mm or -1.0) < abs(amount) <= (move.up_to_mm or inf)]:
            made = make(piece, moves, amount) if amount else Altered(piece)
            found[name] = replace(made, words=rule.operation.drawn)
    return found
