"""Moves that cut the paper: wedges, spreads and overlaps, a section that slides, an upright slit."""

from __future__ import annotations

from dataclasses import replace
from math import asin

import numpy as np

from fitdiag.knowledge.garment import Move
from fitdiag.pattern.alter import Did, Parting, mapped, redraw, rotated, shifted
from fitdiag.pattern.garment import Spot, arc, far_on, hits, spot
from fitdiag.pattern.making import Made, stations
from fitdiag.pattern.piece import Array, Dart, Joint, Piece, apart, length, points, unit
from fitdiag.problems import stop


def _spots(piece: Piece, move: Move) -> tuple[Spot, Spot]:
    """Where the cut of a move begins and ends."""
    assert move.cut is not None
    start, end = (spot(piece, text) for text in move.cut)
    return start, end


def wedge(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Turn the part above a cut about the cut's second end by 2 asin(|by| / 2w), w its length; positive opens."""
    start, hinge = _spots(piece, move)
    width = apart(start.at, hinge.at)
    if abs(by) >= width:
        raise stop("amount", "that is more than the cut is wide", hint="take a smaller amount")
    part = Parting(piece, start, hinge, keeps=move.keeps, opening=by > 0)
    # seen from the hinge the cut runs the other way, so the moving part lies on the other hand
    angle = 2 * asin(by / (2 * width)) * -part.sign

    def turn(line: Array) -> Array:
        return rotated(line, hinge.at, angle)

    result = part.laid(turn, (max(-by, 0.0), 0.0), closing=by < 0)
    seams = (start.seam, hinge.seam, piece.part.top)
    return result, Did("open" if by > 0 else "close", by, seams, part.cut(turn, hinged=True))


def spread(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Cut through, and move the parts apart along the grain; negative lays them over each other.

    What an overlap covers lies beyond the place that the cut has afterwards, so that a spread of as much gives it back.
    """
    start, end = _spots(piece, move)
    part = Parting(piece, start, end, keeps=move.keeps, opening=by > 0)
    left_of_cut = np.sign(end.at[0] - start.at[0])  # 1: the cut runs to the right, so its left is above
    shift = np.array([0.0, by * part.sign * left_of_cut])
    taken = (0.0, 0.0)
    if by < 0:
        places = (start, end)
        low = [at.at[1] for at in _spots(part.laid(shifted(shift), closing=True), move)]
        start, end = (_on_edge(piece, at.seam, y - shift[1], 1) for at, y in zip(places, low, strict=True))
        part = Parting(piece, start, end, keeps=move.keeps)
        one, other = (_covered(piece, at, y, 1) for at, y in zip((start, end), low, strict=True))
        taken = (one, other)
    result = part.laid(shifted(shift), taken, closing=by < 0)
    return result, Did("spread" if by > 0 else "overlap", by, (start.seam, end.seam), part.cut(shifted(shift)))


def stretch(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Cut through and move the parts apart along the grain, the edges redrawn in one run from the first height to the second.

    So what lies between them keeps its distance from the grainline and its share of the way down.
    """
    start, end = _spots(piece, move)
    heights, shares = stations(piece, move, piece.part.outer[0])

    def moved(at: Array) -> Array:
        return points(at - np.outer(by * np.interp(at[:, 1], heights, shares), [0.0, 1.0]))

    cut = Parting(piece, start, end, keeps=move.keeps).cut(shifted(np.array([0.0, -by])))
    return mapped(piece, moved), Did("spread" if by > 0 else "overlap", by, (start.seam, end.seam), cut)


def _edge(piece: Piece, seam: str) -> tuple[str, ...]:
    """The edge that a seam belongs to; the seam itself where it is at the top or bottom."""
    return next((edge for edge in (piece.part.outer, piece.part.inner) if seam in edge), (seam,))


def _on_edge(piece: Piece, seam: str, value: float, axis: int) -> Spot:
    """The topmost place of the edge with a seam at a height (`axis` 1) or an upright (0)."""
    found = [Spot(one, at) for one in _edge(piece, seam) for at in hits(piece.seams[one], value, axis)]
    if not found:
        raise stop("amount", f"{piece.name}: the {seam} does not reach so far", hint="take a smaller amount")
    return max(found, key=lambda place: float(place.at[1]))


def _covered(piece: Piece, place: Spot, value: float, axis: int) -> float:
    """How far a place lies along its edge from where that crosses a height (`axis` 1) or an upright (0), mm."""
    line = np.concatenate([piece.seams[name] for name in _edge(piece, place.seam)])
    return abs(far_on(line, _on_edge(piece, place.seam, value, axis).at) - far_on(line, place.at))


def widen(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Cut along the grainline from top to bottom, and move the outer part; the grainline lies in the middle of the strip or fold."""
    top, bottom = piece.part.top, piece.part.stays
    x = piece.grain_x + max(-by, 0.0) / 2
    start, end = (_on_edge(piece, seam, x, 0) for seam in (top, bottom))
    part = Parting(piece, start, end, keeps=piece.part.inner[0], opening=by > 0)
    taken = (_covered(piece, start, x + by, 0), _covered(piece, end, x + by, 0)) if by < 0 else (0.0, 0.0)
    shift = shifted(np.array([by, 0.0]))
    result = replace(part.laid(shift, taken, closing=by < 0), grain_x=piece.grain_x + by / 2)
    return result, Did("widen" if by > 0 else "fold out", by, (top, bottom), part.cut(shift))


def slide(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Slide the section with `seam` along a cut towards its second place; the seam it leaves is filled, the other one tapers."""
    seam = move.seam or ""
    start, foot = _spots(piece, move)
    shift = unit(foot.at - start.at) * by
    tapers, fills = piece.part.leads(seam), piece.part.follows(seam)
    part = Parting(piece, start, foot, keeps=piece.part.outer[0])
    joint = Joint(fills, points(np.array([start.at + shift, start.at])))
    line = piece.seams[tapers]
    share = np.clip((arc(line) - far_on(line, foot.at)) / (length(line) - far_on(line, foot.at)), 0.0, 1.0)
    moved = {tapers: line + np.outer(share, shift), seam: piece.seams[seam] + shift}
    whole = redraw(replace(piece, lines={}, darts=()), moved)
    filled = points(np.concatenate([whole.seams[seam][-1:], piece.seams[fills]]))
    result = replace(
        whole,
        seams={**whole.seams, fills: filled},
        darts=piece.darts,
        lines={name: part.parted(line, shifted(shift), closing=False) for name, line in piece.lines.items()},
        joints=(*whole.joints, joint, Joint(tapers, points(np.array([foot.at, foot.at])))),
    )
    return result, Did("slide", by, (fills, seam, tapers), part.cut(shifted(shift)))


def slit(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Open an upright cut through the largest dart of a seam by `by` at the upper height of `at`, to nothing at the lower one.

    The part at the outer edge turns about the foot of the cut; there it laps over what lies below. The dart takes up what the
    seam gains; without a dart the cut lies in the middle of the seam, which then grows.
    """
    name, outer = move.seam or "", piece.part.outer[0]
    line = piece.seams[name]
    dart = max(piece.darts, key=lambda one: one.width, default=None)
    x = float((line[0, 0] + line[-1, 0]) / 2 if dart is None else (dart.left[0] + dart.right[0]) / 2)
    heights, _ = stations(piece, move, outer)
    foot = np.array([x, heights[0]])
    angle = -2 * asin(by / (2 * (heights[-1] - heights[0])))
    start, end = _on_edge(piece, name, x, 0), spot(piece, f"{outer} at {heights[0]} mm")

    def turn(at: Array) -> Array:
        return rotated(at, foot, angle)

    part = Parting(piece, start, end, foot=foot)
    lap = float(np.hypot(*(turn(end.at[None])[0] - end.at)))
    result = part.laid(turn, (0.0, -lap))  # the leg keeps its width, so it is the side part that ends there
    darts = tuple(
        Dart(old.left, turn(old.right[None])[0], (old.tip + turn(old.tip[None])[0]) / 2) if old is dart else new
        for old, new in zip(piece.darts, result.darts, strict=True)
    )
    return replace(result, darts=darts), Did("slit", by, (name, outer), at=dict(move.at))
