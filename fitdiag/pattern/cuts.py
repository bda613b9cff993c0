"""Moves that cut the paper: wedges, spreads and overlaps, a section that slides, an upright slit."""

from __future__ import annotations

from dataclasses import replace
from math import asin

import numpy as np

from fitdiag.knowledge.garment import Move
from fitdiag.pattern.alter import (
    Cut,
    Did,
    Parting,
    redraw,
    rotated,
    tapering,
)
from fitdiag.pattern.garment import Spot, arc
from fitdiag.pattern.making import Made, Work, far_along, stations
from fitdiag.pattern.piece import Array, Dart, Joint, Piece, length, points
from fitdiag.problems import stop


def _places(move: Move) -> tuple[str, str]:
    assert move.cut is not None
    return move.cut


def wedge(work: Work, piece: Piece, move: Move, by: float) -> Made:
    """Turn the part above a cut about the cut's second end by 2 asin(|by| / 2w), w its length; positive opens."""
    start, hinge = (work.spot(piece, text) for text in _places(move))
    width = float(np.hypot(*(start.at - hinge.at)))
    if abs(by) >= width:
        raise stop("amount", "that is more than the cut is wide", hint="take a smaller amount")
    part = Parting(piece, start, hinge, keeps=move.keeps)
    # seen from the hinge the cut runs the other way, so the moving part lies on the other hand
    angle = 2 * asin(by / (2 * width)) * -part.sign

    def turn(line: Array) -> Array:
        return rotated(line, hinge.at, angle)

    result = part.laid(turn, (max(-by, 0.0), 0.0), closing=by < 0)
    patch = points(np.array([start.at, hinge.at, hinge.at, turn(start.at[None])[0]]))
    cut = Cut(start.at, hinge.at, hinge.at, patch, part.sign)
    return result, Did("open" if by > 0 else "close", by, _cut_seams(piece, start, hinge), cut)


def _cut_seams(piece: Piece, start: Spot, end: Spot) -> tuple[str, ...]:
    return tuple(dict.fromkeys((start.seam, end.seam, piece.part.seams[0])))


def spread(work: Work, piece: Piece, move: Move, by: float) -> Made:
    """Cut through, and move the parts apart along the grain; negative lays them over each other."""
    start, end = (work.spot(piece, text) for text in _places(move))
    part = Parting(piece, start, end, keeps=move.keeps)
    left_of_cut = np.sign(end.at[0] - start.at[0])  # 1: the cut runs to the right, so its left is above
    shift = np.array([0.0, by * part.sign * left_of_cut])
    taken = max(-by, 0.0)
    result = part.laid(lambda line: points(line + shift), (taken, taken), closing=by < 0)
    patch = points(np.array([start.at, end.at, end.at + shift, start.at + shift]))
    seams = tuple(dict.fromkeys((start.seam, end.seam)))
    return result, Did("spread" if by > 0 else "overlap", by, seams, Cut(start.at, end.at, None, patch, part.sign))


def widen(work: Work, piece: Piece, move: Move, by: float) -> Made:
    """Cut along the grainline from top to bottom, and move the outer part; the grainline lies in the middle of the strip or fold."""
    top, bottom = piece.part.seams[0], piece.part.stays
    x = piece.grain_x + max(-by, 0.0) / 2
    start, end = (_at_x(piece, seam, x) for seam in (top, bottom))
    part = Parting(piece, start, end, keeps=piece.part.inner[0])
    taken = (0.0, 0.0)
    if by < 0:
        folded = [_at_x(piece, seam, x + by) for seam in (top, bottom)]
        taken = (_between(piece, start, folded[0]), _between(piece, end, folded[1]))
    shift = np.array([by, 0.0])
    result = part.laid(lambda line: points(line + shift), taken, closing=by < 0)
    patch = points(np.array([start.at, end.at, end.at + shift, start.at + shift]))
    result = replace(result, grain_x=piece.grain_x + by / 2)
    return result, Did("widen", by, (top, bottom), Cut(start.at, end.at, None, patch, part.sign))


def _at_x(piece: Piece, seam: str, x: float) -> Spot:
    line = piece.seams[seam]
    hits = np.nonzero((line[:-1, 0] - x) * (line[1:, 0] - x) <= 0)[0]
    if not len(hits):
        raise stop("cut", f"{piece.name}: the grainline does not cross the {seam}", hint="look at the grainline")
    index = int(hits[0])
    share = (x - line[index, 0]) / ((line[index + 1, 0] - line[index, 0]) or 1.0)
    return Spot(seam, index, line[index] + share * (line[index + 1] - line[index]))


def _between(piece: Piece, one: Spot, other: Spot) -> float:
    line = piece.seams[one.seam]
    at = arc(line)
    far = [at[spot.index] + float(np.hypot(*(spot.at - line[spot.index]))) for spot in (one, other)]
    return float(abs(far[0] - far[1]))


def slide(work: Work, piece: Piece, move: Move, by: float) -> Made:
    """Slide the section with `seam` along a cut towards its second place; the seam it leaves is filled, the other one tapers."""
    seam = move.seam or ""
    start, foot = (work.spot(piece, text) for text in _places(move))
    shift = (foot.at - start.at) / np.hypot(*(foot.at - start.at)) * by
    tapers, fills = piece.part.leads(seam), piece.part.follows(seam)
    whole_length = length(piece.seams[tapers])
    reach = whole_length - far_along(piece, foot)
    part = Parting(piece, start, foot, keeps=piece.part.outer[0])
    joint = Joint(fills, points(np.array([start.at + shift, start.at])))
    whole = redraw(
        replace(piece, lines={}, darts=()),
        {
            tapers: tapering(shift, lambda at, far: np.clip(1 - (whole_length - far) / reach, 0.0, 1.0)),
            seam: tapering(shift, lambda at, far: np.ones(len(at))),
        },
    )
    filled = points(np.concatenate([whole.seams[seam][-1:], piece.seams[fills]]))
    slid = part._parted  # one map for what is drawn on the section
    lines = {name: slid(line, lambda at: points(at + shift), False) for name, line in piece.lines.items()}
    result = replace(
        whole,
        seams={**whole.seams, fills: filled},
        darts=piece.darts,
        lines=lines,
        joints=(*whole.joints, joint, Joint(tapers, points(np.array([foot.at, foot.at])))),
    )
    patch = points(np.array([start.at, foot.at, foot.at + shift, start.at + shift]))
    return result, Did("slide", by, (fills, seam, tapers), Cut(start.at, foot.at, None, patch, part.sign))


def slit(work: Work, piece: Piece, move: Move, by: float) -> Made:
    """Open an upright cut through the largest dart of a seam; the outer part moves out, by a share at each height.

    The dart takes up what the seam gains. Without a dart the cut lies in the middle of the seam, which then grows.
    """
    seam = piece.seams[move.seam or ""]
    dart = max(piece.darts, key=lambda one: one.width, default=None)
    x = float((seam[0, 0] + seam[-1, 0]) / 2 if dart is None else (dart.left[0] + dart.right[0]) / 2)
    heights, shares = stations(work, piece, move, piece.part.outer[0])

    def out(at: Array) -> Array:
        far = np.where(at[:, 0] > x, np.interp(at[:, 1], heights, shares) * by, 0.0)
        return points(at + np.outer(far, [1.0, 0.0]))

    def shift(at: Array, far: Array) -> Array:
        return out(at) - at

    result = redraw(replace(piece, darts=()), dict.fromkeys((move.seam or "", *piece.part.outer), shift))
    darts = []
    for one in piece.darts:
        ends = out(one.ends)
        tip = ends[1] if one is not dart else one.tip + np.array([by / 2, 0.0])
        darts.append(Dart(one.left if one is dart else ends[0], ends[2], tip))
    lines = {name: _distinct(out(_split_at(line, x))) for name, line in piece.lines.items()}
    result = replace(result, darts=tuple(darts), lines=lines)
    return result, Did("slit", by, (move.seam or "", *piece.part.outer), at=dict(move.at))


def _split_at(line: Array, x: float) -> Array:
    for index in range(len(line) - 1):
        if (line[index, 0] - x) * (line[index + 1, 0] - x) < 0:
            share = (x - line[index, 0]) / (line[index + 1, 0] - line[index, 0])
            at = line[index] + share * (line[index + 1] - line[index])
            return points(np.insert(line, index + 1, [at, at + np.array([1e-6, 0.0])], axis=0))
    return line


def _distinct(line: Array) -> Array:
    """A line without points on top of one another."""
    keep = np.concatenate([[True], np.abs(np.diff(line, axis=0)).max(axis=1) > 1e-3])
    keep[-1] = True
    return points(line[keep])
