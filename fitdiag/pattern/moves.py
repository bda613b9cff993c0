"""Alterations carried out on a pattern: the moves that the rules make them of (`fitdiag.knowledge.garment.Move`), as geometry.

An amount is in mm and means what the rule means by it: along the edge that is cut, or per edge that is moved. A negative one
goes the other way, where the trade has that way. A move is pure and says what it did.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf

from fitdiag.knowledge.garment import Move
from fitdiag.knowledge.model import Alteration
from fitdiag.pattern.alter import Altered, Did
from fitdiag.pattern.cuts import slide, slit, spread, stretch, wedge, widen
from fitdiag.pattern.edges import bend, corner, edge, shift_end, slip, straight, swing, tip
from fitdiag.pattern.garment import at_far, far_on, off
from fitdiag.pattern.making import Made, Maker, lifted, way_out, with_corner
from fitdiag.pattern.measure import after_darts
from fitdiag.pattern.piece import Dart, Notch, Pattern, Piece, Side, left_of, length, points, unit
from fitdiag.problems import one_line, stop

NEW_DART_MM = 80.0  # a short dart, where there was none; common practice, no source


@dataclass(frozen=True, eq=False)
class Step:
    """One alteration carried out: the pattern after it, on which side, and per piece what was done."""

    alteration: str
    amount: float
    pattern: Pattern
    altered: Mapping[str, Altered]
    side: Side = "both"


# -- of what is drawn on a piece: darts, grainline, notches, level lines, and a width that is kept ------------------------


def darts(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Make the darts wider in all, shared out, and each longer, by shares of the amount. Without a dart a short one is drawn.

    `until`: as much wider as that seam, less its darts, has become longer by the moves before.
    """
    wider, longer, top = by * move.wider, by * move.longer, piece.part.top
    if move.until is not None:
        wider = after_darts(piece, move.until) - after_darts(before, move.until)
        if not piece.darts:
            return piece, Did("none", by, ())
    if not piece.darts:
        if wider <= 0.0:
            raise stop("dart", f"the {piece.name} has no dart to change", hint="take the amount at a seam instead")
        return replace(piece, darts=(_new_dart(piece, top, wider),)), Did("darts", by, (top,))
    if wider < -sum(dart.width for dart in piece.darts) + 1e-9:
        told = f"the darts of the {piece.name} have no more to give"
        raise stop("dart", told, hint="take the rest at a seam, or a smaller amount")
    found, whole = [], sum(dart.width for dart in piece.darts)
    even = wider >= -min(dart.width for dart in piece.darts) * len(piece.darts)
    for dart in piece.darts:
        more = wider / len(piece.darts) if even else wider * dart.width / whole
        middle = (dart.left + dart.right) / 2
        half = unit(dart.right - dart.left) * (dart.width + more) / 2
        found.append(Dart(middle - half, middle + half, dart.tip + unit(dart.tip - middle) * longer))
    return replace(piece, darts=tuple(found)), Did("darts", by, (top,) if move.wider else ())


def _new_dart(piece: Piece, seam: str, width: float) -> Dart:
    """A short dart in the middle of a seam, square to it."""
    line = piece.seams[seam]
    middle, run = at_far(line, length(line) / 2), unit(line[len(line) // 2] - line[len(line) // 2 - 1])
    return Dart(middle - run * width / 2, middle + run * width / 2, middle - left_of(run) * NEW_DART_MM)


def grain(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move the drawn grainline outward, towards the outer edge; the outline stays."""
    return replace(piece, grain_x=piece.grain_x + by), Did("grain", by, ())


def notches(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move the notches of some seams up along them."""

    def up(notch: Notch) -> Notch:
        line = piece.seams[notch.seam]
        line = line if line[-1, 1] > line[0, 1] else line[::-1]
        return replace(notch, at=at_far(line, far_on(line, notch.at) + by))

    found = (up(notch) if notch.seam in move.seams else notch for notch in piece.notches)
    return replace(piece, notches=tuple(found)), Did("notches", by, ())


def line_up(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move a level line up; it runs from edge to edge again."""
    return lifted(piece, move.line or "", by), Did("line", by, ())


def keep(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move a corner, and the inner ends of level lines beside it, as far as the straight of a seam, carried on, has moved at their heights.

    So a width that is taken from that straight is what it was before the alteration.
    """

    def straight(one: Piece, y: float) -> float:
        line = one.seams[move.seam or ""]
        run = line[-1] - line[-2]
        return float(line[-1, 0] + (y - line[-1, 1]) * run[0] / run[1])

    at = piece.corner(move.end or "")
    far = straight(piece, float(at[1])) - straight(before, float(at[1]))
    result = with_corner(piece, move, far * way_out(piece, move.seam or ""))
    lines = {}
    for name, line in result.lines.items():
        if all(off(result.seams[seam], line[0]) >= 0.5 for seam in piece.part.inner):  # it is taken from that straight
            line = line.copy()  # noqa: PLW2901
            line[0, 0] += straight(piece, float(line[0, 1])) - straight(before, float(line[0, 1]))
        lines[name] = points(line)
    return replace(result, lines=lines), Did("edge", far, tuple(move.taper))


def nothing(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """The paper stays as it is."""
    return piece, Did("none", by, ())


# -- and of the paper ----------------------------------------------------------------------------------------------------


MAKERS: Mapping[str, Maker] = {
    "wedge": wedge, "spread": spread, "stretch": stretch, "widen": widen, "slide": slide, "slit": slit, "edge": edge, "tip": tip,
    "corner": corner, "bend": bend, "straight": straight, "slip": slip, "shift": shift_end, "swing": swing, "darts": darts, "grain": grain,
    "notches": notches, "line": line_up, "keep": keep, "none": nothing,
}  # fmt: skip


def make(piece: Piece, moves: Sequence[Move], amount: float) -> Altered:
    """Moves made on one piece by `amount` mm, one after the other."""
    before, did = piece, list[Did]()
    for move in moves:
        piece, done = MAKERS[move.do](before, piece, move, move.by * amount)
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
        names = [name for name in pattern.pieces if name in pattern.left or name in left.altered]
        both = replace(step.pattern, left={name: left.pattern.pieces[name] for name in names})
        return Step(alteration, amount, both, step.altered)
    done = _carried(pattern.of(chosen), rule, amount)
    for altered in done.altered.values():
        pattern = pattern.with_piece(altered.piece, chosen)
    return Step(alteration, amount, pattern, done.altered, chosen)


def _carried(pattern: Pattern, rule: Alteration, amount: float) -> Step:
    altered: dict[str, Altered] = {}
    for name, piece in pattern.pieces.items():
        own = (move for move in rule.operation.moves if name in move.on)
        moves = [move for move in own if (move.over_mm or -1.0) < abs(amount) <= (move.up_to_mm or inf)]
        if not moves:
            continue
        made = make(piece, moves, amount) if amount else Altered(piece)
        altered[name] = replace(made, words=rule.operation.drawn)
        pattern = pattern.with_piece(altered[name].piece)
    return Step(rule.id, amount, pattern, altered)
