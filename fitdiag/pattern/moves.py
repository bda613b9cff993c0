"""Every alteration of the rule base as a move on the pattern: from (pattern, amount) to an altered pattern.

The names are those of the rules; a parity test keeps them equal. An amount is in mm and means what the rule means by it: along
the edge that is cut, or per edge that is moved. A move is pure and says where it cut and which seams to true.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fitdiag.pattern.alter import (
    Altered,
    change_darts,
    curve_depth,
    displaced,
    extend_crotch,
    level,
    slide_section,
    swing_leg,
    waist_edge,
    wedge,
)
from fitdiag.pattern.piece import Dart, Pattern, Piece, Side, points
from fitdiag.problems import one_line, stop

ABOVE_HIP_MM = 25.0  # "just above the full hip line"; common practice, no source
BELOW_SEAT_MM = 40.0  # "just under the seat", below crotch level; common practice, no source
ABDOMEN_MM = 90.0  # abdomen level below the waist: 3 to 4 in (NMSU Guide C-209)
HAND_MM = 100.0  # a hand; common practice, no source
THIGH_MM = HAND_MM  # thigh level, a hand below the crotch; common practice, no source
CLOSED_KNEE, OPENED_KNEE = 0.8, 0.5  # what of the amount at the hem the knee moves; the steps of the two alterations

PieceMove = Callable[[Piece, float], Altered]


@dataclass(frozen=True, eq=False)
class Step:
    """One alteration carried out: the pattern after it, and per piece how it was done."""

    alteration: str
    amount: float
    pattern: Pattern
    altered: Mapping[Side, Altered]


def heights(piece: Piece) -> dict[str, float]:
    """Named heights of a piece in mm: its levels, and those that lie between them."""
    known = dict(piece.levels)
    known["above hip"] = known["hip"] + ABOVE_HIP_MM
    known["below seat"] = known["crotch"] - BELOW_SEAT_MM
    known["abdomen"] = known["waist"] - ABDOMEN_MM
    known["thigh"] = known["crotch"] - THIGH_MM
    known["crotch point"] = float(piece.corner("crotch-point")[1])
    known["above knee"] = known["knee"] + HAND_MM
    known["upper hip"] = (known["waist"] + known["hip"]) / 2
    known["calf"] = known["knee"] - (known["knee"] - known["hem"]) * 0.35
    known["shin"] = (known["knee"] + known["hem"]) / 2
    known["top of leg"] = known["crotch"] - 280.0  # 10-12 in below the crotch (mending article)
    known["curve start"] = float(piece.corner("curve-start")[1])
    known["rise"] = known["hip"] + (known["waist"] - known["hip"]) * 0.25
    return known


def edge(piece: Piece, seam: str, knots: Sequence[tuple[str, float]], amount: float) -> Piece:
    """Move an edge outward (negative: inward) by shares of `amount` at named heights, in straight runs between them."""
    outward = 1.0 if seam == "side" else -1.0
    at = heights(piece)
    pairs = sorted((at[name], share) for name, share in knots)
    line = piece.seams[seam]
    share = np.interp(line[:, 1], [height for height, _ in pairs], [value for _, value in pairs])
    return displaced(piece, {seam: np.outer(share * amount * outward, [1.0, 0.0])})


def edges(seams: Mapping[str, Sequence[tuple[str, float]]]) -> PieceMove:
    """A move of several edges at once."""

    def move(piece: Piece, amount: float) -> Altered:
        for seam, knots in seams.items():
            piece = edge(piece, seam, knots, amount)
        return Altered(piece, None, tuple(seams))

    return move


def cut(height: str, sign: float, *, free: str = "centre") -> PieceMove:
    """A wedge at a named height: opened (+1) or closed (-1) at the free edge."""
    return lambda piece, amount: wedge(piece, heights(piece)[height], sign * amount, free=free)


def across(height: str, sign: float) -> PieceMove:
    """A level spread (+1) or overlap (-1) at a named height."""
    return lambda piece, amount: level(piece, heights(piece)[height], sign * amount)


def overlap_and_give_back(piece: Piece, amount: float) -> Altered:
    """Overlap a wedge where the curve begins, then add as much again at the top of centre back."""
    closed = wedge(piece, heights(piece)["curve start"] + 1.0, -amount)
    raised = waist_edge(closed.piece, amount, at="centre")
    return Altered(raised.piece, closed.cut, closed.true)


def close_and_release(piece: Piece, amount: float) -> Altered:
    """Shorten the back above the hip line and let the crotch extension out by as much."""
    closed = wedge(piece, heights(piece)["above hip"], -amount)
    return Altered(extend_crotch(closed.piece, amount).piece, closed.cut, (*closed.true, "inseam"))


def lower_crotch(piece: Piece, amount: float) -> Altered:
    """Lower (negative: raise) the crotch point and curve, to nothing at the curve's start and a hand down the inseam."""
    at = heights(piece)
    inseam, curve = piece.seams["inseam"], piece.seams["curve"]
    top = np.interp(inseam[:, 1], [at["thigh"] - 100.0, float(inseam[-1, 1])], [0.0, 1.0])
    share = np.interp(curve[:, 1], [float(curve[0, 1]), float(curve[-1, 1])], [1.0, 0.0])
    moves = {"inseam": np.outer(top * -amount, [0.0, 1.0]), "curve": np.outer(share * -amount, [0.0, 1.0])}
    return Altered(displaced(piece, moves), None, ("inseam", "curve"))


def shift_crotch_point(piece: Piece, amount: float) -> Altered:
    """Move the crotch point along the line of the inseam: up (positive) lengthens the inseam, down shortens it."""
    inseam, curve = piece.seams["inseam"], piece.seams["curve"]
    along = (inseam[-1] - inseam[-2]) / np.hypot(*(inseam[-1] - inseam[-2]))
    top = np.interp(inseam[:, 1], [float(inseam[-1, 1]) - 60.0, float(inseam[-1, 1])], [0.0, 1.0])
    share = (1.0 - np.linspace(0.0, 1.0, len(curve))) ** 2
    moves = {"inseam": np.outer(top * amount, along), "curve": np.outer(share * amount, along)}
    return Altered(displaced(piece, moves), None, ("inseam", "curve"))


def widen(piece: Piece, amount: float) -> Altered:
    """Spread (positive) or overlap (negative) the piece along its grainline from waist to hem."""
    x = piece.grain_x + 1e-6
    seams = {}
    for name, line in piece.seams.items():
        right = line[:, 0] > x
        moved = line + np.outer(np.where(right, amount, 0.0), [1.0, 0.0])
        inside = right & (line[:, 0] < x - min(amount, 0.0))
        keep = ~inside
        keep[0] = keep[-1] = True
        seams[name] = points(moved[keep] if amount < 0 else moved)
    darts = tuple(
        replace(dart, left=dart.left + shift, right=dart.right + shift, tip=dart.tip + shift)
        for dart in piece.darts
        for shift in [np.array([amount if dart.tip[0] > x else 0.0, 0.0])]
    )
    lines = {
        name: points(line + np.outer(np.where(line[:, 0] > x, amount, 0.0), [1.0, 0.0]))
        for name, line in piece.lines.items()
    }
    return Altered(replace(piece, seams=seams, darts=darts, lines=lines), None, ("waist", "hem"))


def hem_edge(piece: Piece, amount: float) -> Altered:
    """Move the hem down (positive: longer) or up, level."""
    hem = piece.seams["hem"]
    return Altered(displaced(piece, {"hem": np.tile([0.0, -amount], (len(hem), 1))}), None, ("hem",))


def pass_up(piece: Piece, amount: float) -> Altered:
    """Join the back higher (negative: lower) against the front, by new notches along both leg seams.

    Its waist is cut back at the side seam to meet the front's, its hem is let down by as much, and its crotch point follows the
    front's along the inseam. Centre back stays: what it needs there is seen on the tape, not known from the amount.
    """
    hem = piece.seams["hem"]
    lowered = displaced(waist_edge(piece, -amount, at="side").piece, {"hem": np.tile([0.0, -amount], (len(hem), 1))})
    joined = shift_crotch_point(lowered, -amount).piece
    return Altered(joined, None, ("waist", "hem", "side", "inseam", "curve"))


def insert_width(piece: Piece, amount: float) -> Altered:
    """Open an upright cut through the dart by `amount`, from nothing at the knee; the side part moves out, the dart takes up the waist.

    Without a dart the cut lies in the middle of the waist, which then grows. The level cut, for length at centre front, is opened
    by what the front dips: that is measured on the muslin, so it is not drawn here.
    """
    waist, side = piece.seams["waist"], piece.seams["side"]
    dart = max(piece.darts, key=lambda one: one.width, default=None)
    slit = float((waist[0, 0] + waist[-1, 0]) / 2 if dart is None else (dart.left[0] + dart.right[0]) / 2)
    at = heights(piece)
    share = np.interp(side[:, 1], [at["knee"], at["abdomen"]], [0.0, 1.0])
    moves = {
        "waist": np.outer(np.where(waist[:, 0] > slit, amount, 0.0), [1.0, 0.0]),
        "side": np.outer(share * amount, [1.0, 0.0]),
    }

    def carried(one: Dart) -> Dart:
        if one is dart:
            return Dart(one.left, one.right + np.array([amount, 0.0]), one.tip + np.array([amount / 2, 0.0]))
        beyond = np.array([amount if one.tip[0] > slit else 0.0, 0.0])
        return Dart(one.left + beyond, one.right + beyond, one.tip + beyond)

    result = replace(displaced(piece, moves), darts=tuple(carried(one) for one in piece.darts))
    return Altered(result, None, ("waist", "side"))


def recentre(piece: Piece, amount: float) -> Altered:
    """Move the drawn grain and crease line sideways (positive: towards the side seam); the outline stays."""
    return Altered(replace(piece, grain_x=piece.grain_x + amount), None, ())


def unchanged(piece: Piece, amount: float) -> Altered:
    """The paper stays as it is."""
    return Altered(piece, None, ())


_BACK: Mapping[str, PieceMove] = {
    "lengthen-back-crotch": cut("hip", +1),
    "tuck-across-back-hip": cut("above hip", -1),
    "tuck-below-seat": cut("below seat", -1),
    "overlap-back-wedge": overlap_and_give_back,
    "raise-centre-back-waist": lambda piece, amount: waist_edge(piece, amount, at="centre"),
    "lower-centre-back-waist": lambda piece, amount: waist_edge(piece, -amount, at="centre"),
    "slant-centre-back": edges({"centre": [("hip", 0), ("waist", -1)], "side": [("hip", 0), ("waist", 1)]}),
    "straighten-centre-back": edges({"centre": [("hip", 0), ("waist", 1)], "side": [("hip", 0), ("waist", -1)]}),
    "shape-centre-back-hollow": edges({"centre": [("curve start", 0), ("upper hip", -0.5), ("waist", -1)]}),
    "scoop-back-curve": curve_depth,
    "fill-back-curve": lambda piece, amount: curve_depth(piece, -amount),
    "lengthen-back-extension": extend_crotch,
    "shorten-back-extension": lambda piece, amount: extend_crotch(piece, -amount),
    "slide-crotch-section-down": slide_section,
    "shorten-rise-release-extension": close_and_release,
    "shorten-back-inseam": lambda piece, amount: shift_crotch_point(piece, -amount),
    "lengthen-back-inseam": shift_crotch_point,
    "tuck-behind-knee": across("knee", -1),
    "add-back-width": widen,
    "take-back-width": lambda piece, amount: widen(piece, -amount),
    "narrow-back-leg-top": edges({"inseam": [("crotch", -1), ("top of leg", 0)]}),
    "pass-back-up": pass_up,
    "pass-back-down": lambda piece, amount: pass_up(piece, -amount),
}
_FRONT: Mapping[str, PieceMove] = {
    "raise-centre-front-waist": lambda piece, amount: waist_edge(piece, amount, at="centre"),
    "lower-centre-front-waist": lambda piece, amount: waist_edge(piece, -amount, at="centre"),
    "spread-across-front": cut("abdomen", +1),
    "tuck-across-front": cut("abdomen", -1),
    "insert-for-abdomen": insert_width,
    "scoop-front-curve": curve_depth,
    "fill-front-curve": lambda piece, amount: curve_depth(piece, -amount),
    "lengthen-front-extension": lambda piece, amount: extend_crotch(piece, amount, taper=330.0),
    "shorten-front-extension": lambda piece, amount: extend_crotch(piece, -amount, taper=330.0),
    "advance-centre-front": edges({"centre": [("curve start", 0), ("waist", 1)]}),
    "take-back-centre-front": edges({"centre": [("curve start", 0), ("waist", -1)]}),
    "add-front-width": edges({"side": [("thigh", 0), ("crotch", 1), ("waist", 1)]}),
    "take-front-width": edges({"side": [("thigh", 0), ("crotch", -1), ("waist", -1)]}),
    "take-in-front-waist": lambda piece, amount: change_darts(piece, width=amount),
    "add-front-thigh": edges({"inseam": [("knee", 0), ("crotch", 1)], "side": [("knee", 0), ("thigh", 1), ("hip", 0)]}),
}
_BOTH: Mapping[str, PieceMove] = {
    "lengthen-rise": across("rise", +1),
    "shorten-rise": across("rise", -1),
    "drop-crotch-level": lower_crotch,
    "raise-crotch-level": lambda piece, amount: lower_crotch(piece, -amount),
    "add-hip-width": edges({"side": [("knee", 0), ("crotch", 1), ("hip", 1), ("waist", 0)]}),
    "take-hip-width": edges({"side": [("knee", 0), ("crotch", -1), ("hip", -1), ("waist", 0)]}),
    "add-to-one-side": edges({"side": [("knee", 0), ("crotch", 1), ("hip", 1), ("waist", 0)]}),
    "let-waist-out": edges({"side": [("hip", 0), ("waist", 1)]}),
    "let-out-top-of-side": edges({"side": [("hip", 0), ("upper hip", 1), ("waist", 1)]}),
    "flatten-side-curve": edges({"side": [("hip", 0), ("upper hip", -1), ("waist", 0)]}),
    "round-side-curve": edges({"side": [("hip", 0), ("upper hip", 1), ("waist", 0)]}),
    "raise-one-hip": lambda piece, amount: waist_edge(piece, amount, at="side"),
    "re-aim-darts": lambda piece, amount: change_darts(piece, longer=amount),
    "add-outer-thigh": edges({"side": [("knee", 0), ("thigh", 1), ("hip", 0)]}),
    "narrow-leg": edges({"inseam": [("thigh", -1), ("crotch point", 0)], "side": [("thigh", -1), ("hip", 0)]}),
    "close-leg": lambda piece, amount: swing_leg(piece, amount, heights(piece)["thigh"], CLOSED_KNEE),
    "open-leg": lambda piece, amount: swing_leg(piece, -amount, heights(piece)["thigh"], OPENED_KNEE),
    "shift-leg-to-close-knees": edges(
        {"inseam": [("hem", 0), ("knee", 1), ("thigh", 0)], "side": [("hem", 0), ("knee", -1), ("thigh", 0)]}
    ),
    "shift-leg-to-apart-knees": edges(
        {"inseam": [("hem", 0), ("knee", -1), ("thigh", 0)], "side": [("hem", 0), ("knee", 1), ("thigh", 0)]}
    ),
    "add-knee-width": edges({seam: [("hem", 0), ("knee", 1), ("thigh", 0)] for seam in ("inseam", "side")}),
    "change-leg-length": across("shin", +1),
    "level-hems": hem_edge,
    "recentre-crease": recentre,
    "agree-wearing-height": unchanged,
    "recut-on-grain": unchanged,
    "resew-seam": unchanged,
}


def _inner_thigh(side: Side) -> PieceMove:
    return lambda piece, amount: extend_crotch(piece, amount if side == "back" else amount / 2)


def _calf(side: Side) -> PieceMove:
    share = 1.0 if side == "back" else 0.5
    return edges({seam: [("hem", 0), ("calf", share), ("above knee", 0)] for seam in ("inseam", "side")})


def _waist_in(side: Side) -> PieceMove:
    sides = edges({"side": [("hip", 0), ("waist", -0.5)]})
    back = edges({"centre": [("hip", 0), ("waist", -1)], "side": [("hip", 0), ("waist", -0.5)]})
    return back if side == "back" else sides


_OF_EACH: Mapping[str, Callable[[Side], PieceMove]] = {
    "add-calf-width": _calf,  # each back edge by the amount, each front edge by half of it
    "add-inner-thigh": _inner_thigh,  # two parts on the back to one on the front
    "take-waist-in": _waist_in,  # centre back by the amount, each side edge by half of it
}

NAMES: tuple[str, ...] = tuple(sorted((*_BACK, *_FRONT, *_BOTH, *_OF_EACH)))


def carry_out(pattern: Pattern, alteration: str, amount: float) -> Step:
    """Carry out an alteration by `amount` mm. Raises ProblemsFoundError for an unknown name or an amount that cannot be cut."""
    moves: dict[Side, PieceMove] = {}
    if alteration in _BACK:
        moves["back"] = _BACK[alteration]
    elif alteration in _FRONT:
        moves["front"] = _FRONT[alteration]
    elif alteration in _BOTH:
        moves = {"front": _BOTH[alteration], "back": _BOTH[alteration]}
    elif alteration in _OF_EACH:
        moves = {"front": _OF_EACH[alteration]("front"), "back": _OF_EACH[alteration]("back")}
    else:
        raise stop(
            "alteration",
            f"there is no alteration '{one_line(alteration, 60)}' to carry out",
            hint="fitdiag rules list alterations",
        )
    altered: dict[Side, Altered] = {}
    for side, move in moves.items():
        piece = pattern.piece(side)
        altered[side] = move(piece, amount) if amount else Altered(piece, None, ())
        pattern = pattern.with_piece(altered[side].piece)
    return Step(alteration, amount, pattern, altered)
