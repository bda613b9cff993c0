"""Alterations carried out on a pattern: the moves that the rules make them of (`fitdiag.knowledge.garment.Move`), as geometry.

An amount is in mm and means what the rule means by it: along the edge that is cut, or per edge that is moved. A negative one
goes the other way, where the trade has that way. A move is pure and says what it did.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from fitdiag.knowledge.garment import Move
from fitdiag.knowledge.model import Alteration
from fitdiag.pattern.alter import Altered, Did
from fitdiag.pattern.cuts import slide, slit, spread, stretch, wedge, widen
from fitdiag.pattern.drawn import darts, grain, keep, line_up, notches, nothing
from fitdiag.pattern.edges import bend, corner, edge, shift_end, slip, straight, swing, tip
from fitdiag.pattern.garment import Garment
from fitdiag.pattern.making import Maker, Work
from fitdiag.pattern.piece import Pattern, Piece, Side
from fitdiag.problems import one_line, stop


@dataclass(frozen=True, eq=False)
class Step:
    """One alteration carried out: the pattern after it, on which side, and per piece what was done."""

    alteration: str
    amount: float
    pattern: Pattern
    altered: Mapping[str, Altered]
    side: Side = "both"


MAKERS: Mapping[str, Maker] = {
    "wedge": wedge, "spread": spread, "stretch": stretch, "widen": widen, "slide": slide, "slit": slit, "edge": edge, "tip": tip,
    "corner": corner, "bend": bend, "straight": straight, "slip": slip, "shift": shift_end, "swing": swing, "darts": darts, "grain": grain,
    "notches": notches, "line": line_up, "keep": keep, "none": nothing,
}  # fmt: skip


def make(garment: Garment, piece: Piece, moves: Sequence[Move], amount: float) -> Altered:
    """Moves made on one piece by `amount` mm, one after the other."""
    work, did = Work(garment, piece), list[Did]()
    for move in moves:
        piece, done = MAKERS[move.do](work, piece, move, move.by * amount)
        did.append(done)
    return Altered(piece, tuple(did))


def carry_out(pattern: Pattern, alteration: str, amount: float, side: Side | None = None) -> Step:
    """Carry out an alteration by `amount` mm, on both sides or on one (an alteration of one side: the right, if not said).

    Raises ProblemsFoundError for an unknown name, a direction the trade has not, or an amount that cannot be cut.
    """
    rule = pattern.garment.alterations.get(alteration)
    if rule is None:
        told = f"there is no alteration '{one_line(alteration, 60)}' to carry out"
        raise stop("alteration", told, hint="fitdiag rules list alterations")
    if amount < 0 and not rule.goes_back:
        told = "a negative amount has no meaning here: the trade does this one way only"
        raise stop("direction", told, hint="give an amount above 0")
    chosen: Side = side or ("right" if rule.operation.one_side else "both")
    if chosen == "both" and pattern.left:
        left = _carried(pattern.of("left"), rule, amount)
        step = _carried(pattern.of("right"), rule, amount)
        both = replace(step.pattern, left={name: left.pattern.pieces[name] for name in {*pattern.left, *left.altered}})
        return Step(alteration, amount, both, step.altered)
    done = _carried(pattern.of(chosen), rule, amount)
    for altered in done.altered.values():
        pattern = pattern.with_piece(altered.piece, chosen)
    return Step(alteration, amount, pattern, done.altered, chosen)


def _carried(pattern: Pattern, rule: Alteration, amount: float) -> Step:
    altered: dict[str, Altered] = {}
    for name, piece in pattern.pieces.items():
        moves = [move for move in rule.operation.moves if name in move.on and _applies(move, amount)]
        if not moves:
            continue
        made = make(pattern.garment, piece, moves, amount) if amount else Altered(piece)
        altered[name] = replace(made, words=rule.operation.drawn)
        pattern = pattern.with_piece(altered[name].piece)
    return Step(rule.id, amount, pattern, altered)


def _applies(move: Move, amount: float) -> bool:
    size = abs(amount)
    return (move.over_mm is None or size > move.over_mm) and (move.up_to_mm is None or size <= move.up_to_mm)
