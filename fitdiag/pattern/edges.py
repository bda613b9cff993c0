"""Moves that draw new edges: seams by shares at heights, ends and corners, curves, the hem, and the leg that swings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fitdiag.knowledge.garment import Move
from fitdiag.pattern.alter import Did, crossing, mapped, redraw, run_on, smooth_through, turned
from fitdiag.pattern.garment import arc, hits
from fitdiag.pattern.making import Made, lifted, stations, way_out, with_corner
from fitdiag.pattern.piece import Array, Joint, Piece, left_of, length, points, unit
from fitdiag.problems import stop


def edge(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move seams outward (negative: inward) by a share of the amount at each height; along another seam where `way` names one."""
    drawn: dict[str, Array] = {}
    joints: list[Joint] = []
    for seam in move.seams:
        line = piece.seams[seam]
        heights, shares = stations(piece, move, seam)
        if (np.diff(heights) <= 0).any():
            raise stop("height", f"{piece.name}: the levels lie too near to each other", hint="look at the levels")
        way = np.array([way_out(piece, seam), 0.0])
        if move.way is not None:
            way = unit(piece.seams[move.way][0] - piece.seams[move.way][1])
        if move.drawn == "straight":
            share = np.interp(line[:, 1], heights, shares)
            inside = [y for y in heights.tolist() if line[:, 1].min() + 1.0 < y < line[:, 1].max() - 1.0]
            joints += [Joint(seam, points([at, at])) for y in inside for at in hits(line, y, 1)[:1]]
        else:
            share = smooth_through(line[:, 1], heights, shares)
        drawn[seam] = line + np.outer(share, by * way)
    top = piece.part.top
    result = redraw(piece, drawn, tuple(joints))
    grows = any(not np.array_equal(piece.seams[top][k], result.seams[top][k]) for k in (0, -1))
    return result, Did("edge", by, (*move.seams, *((top,) if grows else ())), at=dict(move.at))


def tip(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move one end of a seam along the seam it meets (positive: longer), to nothing at its other end, darts folded closed.

    `way: up`: straight up, the seam it meets carried on from where it ends. `square`: so far along the new line keeps its
    direction, to be squared to that seam by trueing. `until`: as far as that corner has come down, or that seam got shorter,
    by the moves before.
    """
    seam, line = move.seam or "", piece.seams[move.seam or ""]
    first = piece.part.corners[move.end or ""] == seam
    neighbour = piece.part.leads(seam) if first else piece.part.follows(seam)
    other = piece.seams[neighbour]
    run = other[-1] - other[-2] if first else other[0] - other[1]
    run = np.array([0.0, 1.0]) if move.way == "up" else unit(run)
    if move.until in piece.part.corners:
        by = float(before.corner(move.until or "")[1] - piece.corner(move.until or "")[1]) / float(run[1])
    elif move.until is not None:
        by = length(before.seams[move.until]) - length(piece.seams[move.until])
    far = at = arc(line)
    for dart in piece.darts:
        low, high = (at[np.hypot(*(line - end).T).argmin()] for end in (dart.left, dart.right))
        far = far - np.clip(at - low, 0.0, high - low)
    edge = min(move.square_mm or 0.0, far[-1] / 3)  # so far along the new line runs like the old one
    left = far[-1] - far if first else far
    drawn = line + np.outer(by * np.clip(left / (far[-1] - edge), 0.0, 1.0), run)
    grown = (neighbour,) if move.way == "up" else ()
    end = line[0] if first else line[-1]
    joints = (Joint(seam, points(np.array([end + by * run] * 2))),) if move.square_mm else ()
    return redraw(piece, {seam: drawn}, joints, grown=grown), Did("edge", by, (seam,), at={move.end or "": 1.0})


def corner(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move a corner of the outline outward, up, or along one of its seams; the seams of `taper` run to nothing over theirs."""
    along = (move.way,) if move.way in piece.part.seams else ()
    return with_corner(piece, move, by), Did("edge", by, tuple(dict.fromkeys((*move.taper, *along))))


def straight(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Draw a seam straight from end to end; steps and bends in it are gone."""
    seam = move.seam or ""
    line = piece.seams[seam]
    result = redraw(piece, {seam: line[0] + np.outer(arc(line) / length(line), line[-1] - line[0])})
    left = tuple(joint for joint in result.joints if joint.seam != seam)
    return replace(result, joints=left), Did("edge", by, (seam,))


def bend(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move a curve towards the corner of the seams it joins (negative: away from it), most where the corner is halved."""
    seam = move.seam or ""
    line, on = piece.seams[seam], piece.seams[piece.part.follows(seam)]
    up = unit(on[1] - on[0])
    level = np.array([way_out(piece, seam), 0.0])
    reach = (line[0, 1] - on[0, 1]) / up[1]
    meet = on[0] + up * reach
    half = unit(up + level)
    chord = unit(line[-1] - line[0])
    normal = -left_of(chord)
    halved = crossing(meet, meet + half, line)
    if halved is None:
        raise stop("curve", f"{piece.name}: the {seam} has no bend to alter", hint=f"look at where the {seam} begins")
    share = np.clip((line - line[0]) @ normal / float((halved - line[0]) @ normal), 0.0, None)
    return redraw(piece, {seam: line - np.outer(share, half * by)}), Did("edge", by, (seam,))


def slip(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Slide a curve along the two seams that it joins, by the amount along the one before it (positive: down).

    A level line named by `line` goes along, by as much as the corner came down.
    """
    seam = move.seam or ""
    lead, follow = piece.seams[piece.part.leads(seam)], piece.seams[piece.part.follows(seam)]
    shift = run_on(lead, -by)[-1] - lead[-1]
    up = unit(follow[1] - follow[0])
    at_top = up * float(shift[1] / up[1])
    result = redraw(piece, {seam: _blended(piece.seams[seam], shift, at_top)})
    if move.line is not None:
        result = lifted(result, move.line, float(shift[1]))
    return result, Did("edge", by, (piece.part.leads(seam), seam))


def shift_end(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move a straight end of the piece along the two seams it meets (positive: longer), level with itself."""
    seam = move.seam or ""
    lead, follow = piece.seams[piece.part.leads(seam)], piece.seams[piece.part.follows(seam)]
    ends = []
    for line in (lead[::-1], follow):
        run = (line[0] - line[1]) / abs(line[0, 1] - line[1, 1])
        at = line[:1] + run * by if by >= 0 else hits(line, float(line[0, 1] + run[1] * by), 1)
        if not len(at):
            raise stop("amount", "that is more than there is of the seam", hint="take a smaller amount")
        ends.append(at[0] - line[0])
    return redraw(piece, {seam: _blended(piece.seams[seam], *ends)}), Did("shift", by, (seam,))


def _blended(line: Array, start: Array, end: Array) -> Array:
    """A seam moved by a shift that goes over evenly, along it, from that of its start to that of its end."""
    share = (arc(line) / length(line))[:, None]
    return np.asarray(line + (1 - share) * start + share * end)


def swing(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Swing all below a height inward by shares of the amount; then turn the piece until the grain through the leg is plumb.

    The new grain lies midway at the second height and at the lowest one.
    """
    outer = piece.part.outer[0]
    heights, shares = stations(piece, move, outer)
    low, pivot = float(min(line[:, 1].min() for line in piece.seams.values())), float(heights[-1])
    if pivot <= low:
        raise stop("amount", "the pivot lies below the piece", hint="choose a higher pivot")
    bends = len(heights) > 2 and low < heights[1] < pivot
    knee, half = (float(heights[1]), float(shares[1])) if bends else ((low + pivot) / 2, 0.5)
    inward = -way_out(piece, outer) * by

    def swung_out(line: Array) -> Array:
        share = smooth_through(line[:, 1], np.array([low, knee, pivot]), np.array([1.0, half, 0.0]), level=False)
        return points(line + np.outer(inward * share, [1.0, 0.0]))

    swung = mapped(piece, swung_out)
    swung = replace(swung, grain_x=piece.grain_x + inward * half)
    angle = float(np.arctan2(-inward * (1.0 - half), knee - low))
    about = np.array([swung.grain_x, knee])
    result = turned(swung, about, angle)
    return result, Did(
        "swing", by, (*piece.part.outer, piece.part.follows(piece.part.stays)), angle=angle, at=dict(move.at)
    )
