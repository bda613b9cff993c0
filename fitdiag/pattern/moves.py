"""The alterations of a pattern, and the kinds of move each consists of (`fitdiag.knowledge.garment.Move`).

Each kind of move is geometry on one piece, a pure function `(before, piece, move, by) -> (piece, Did)` of the piece before the
alteration, the piece as it is now, the move, and the amount in mm. Some cut the paper, some draw new edges, some change what is
drawn on the paper; everything else on the paper follows by itself. They raise ProblemsFoundError for an amount or a place that the
piece does not allow.

Amounts of alterations are in mm and mean what the rule means by them: along the edge that is cut, or per edge that is moved. A
negative amount does the opposite, where the trade knows an opposite.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import asin, inf

import numpy as np

from fitdiag.knowledge.garment import Move
from fitdiag.knowledge.model import Alteration
from fitdiag.pattern.alter import (
    Altered,
    Did,
    Kind,
    Parting,
    crossing,
    mapped,
    redraw,
    rotated,
    run_on,
    shifted,
    smooth_through,
    turned,
)
from fitdiag.pattern.garment import Spot, along, arc, at_far, far_on, height_at, hits, off, spot
from fitdiag.pattern.measure import after_darts
from fitdiag.pattern.piece import Array, Dart, Joint, Notch, Pattern, Piece, Side, apart, left_of, length, points, unit
from fitdiag.problems import one_line, stop

Made = tuple[Piece, Did]
NEW_DART_MM = 80.0  # length of a dart drawn where there was none; common practice, no source


def way_out(piece: Piece, seam: str) -> float:
    """The sign of x that points outward at a seam: 1 on the outer edge, else -1."""
    return 1.0 if seam in piece.part.outer else -1.0


def stations(piece: Piece, move: Move, seam: str) -> tuple[Array, Array]:
    """The heights of a move in mm, from the bottom up, and the share of the amount at each."""
    edge = "outer" if seam in piece.part.outer else "inner"
    heights, shares = np.array(sorted((height_at(piece, name, edge), share) for name, share in move.at.items())).T
    return heights, shares


def lifted(piece: Piece, name: str, by: float) -> Piece:
    """The piece with a level line moved up by `by` mm and its ends put back on the edges."""
    if name not in piece.lines:
        return piece
    line = piece.lines[name] + np.array([0.0, by])
    ends = piece.part.ends.get(name, (piece.part.inner, piece.part.outer))
    for index, seams in ((0, ends[0]), (-1, ends[1])):
        places = [found[-1] for seam in seams if len(found := hits(piece.seams[seam], float(line[index, 1]), 1))]
        if places:
            line[index] = min(places, key=lambda at: apart(at, line[index]))
    return replace(piece, lines={**piece.lines, name: points(line)})


# -- that cut the paper --


def _spots(piece: Piece, move: Move) -> tuple[Spot, Spot]:
    """The start and end of a move's cut on the outline."""
    assert move.cut is not None
    start, end = (spot(piece, text) for text in move.cut)
    return start, end


def wedge(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Turn the part above a cut of length w about the cut's second end by 2 asin(|by| / 2w); positive opens."""
    start, hinge = _spots(piece, move)
    width = apart(start.at, hinge.at)
    if abs(by) >= width:
        raise stop("amount", "that is more than the cut is wide", hint="take a smaller amount")
    part = Parting(piece, start, hinge, keeps=move.keeps, opening=by > 0)
    # seen from the hinge the cut runs in the other direction, so the moving part is on the other side
    angle = 2 * asin(by / (2 * width)) * -part.sign

    def turn(line: Array) -> Array:
        return rotated(line, hinge.at, angle)

    result = part.laid(turn, (max(-by, 0.0), 0.0), closing=by < 0)
    seams = (start.seam, hinge.seam, piece.part.top)
    return result, Did("open" if by > 0 else "close", by, seams, part.cut(turn, hinged=True))


def spread(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Cut through and move the parts apart along the grain; negative overlaps them.

    The strip that an overlap covers lies beyond the new place of the cut, so that a spread of the same amount restores
    it.
    """
    start, end = _spots(piece, move)
    part = Parting(piece, start, end, keeps=move.keeps, opening=by > 0)
    up = by * part.sign * np.sign(end.at[0] - start.at[0])  # a cut that runs to the right has its left above
    lay, taken = shifted(np.array([0.0, up])), (0.0, 0.0)
    if by < 0:
        low = [float(place.at[1]) for place in _spots(part.laid(lay, closing=True), move)]
        start, end = (_on_edge(piece, place.seam, y - up, 1) for place, y in zip((start, end), low, strict=True))
        part = Parting(piece, start, end, keeps=move.keeps)
        taken = _covered(piece, start, low[0], 1), _covered(piece, end, low[1], 1)
    kind: Kind = "spread" if by > 0 else "overlap"
    return part.laid(lay, taken, closing=by < 0), Did(kind, by, (start.seam, end.seam), part.cut(lay))


def stretch(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Cut through and move the parts apart along the grain, the edges stretched evenly between the heights of the move.

    So every point between them keeps its distance from the grainline and its share of the way down.
    """
    start, end = _spots(piece, move)
    heights, shares = stations(piece, move, piece.part.outer[0])

    def moved(at: Array) -> Array:
        return points(at - np.outer(by * np.interp(at[:, 1], heights, shares), [0.0, 1.0]))

    cut = Parting(piece, start, end, keeps=move.keeps).cut(shifted(np.array([0.0, -by])))
    return mapped(piece, moved), Did("spread" if by > 0 else "overlap", by, (start.seam, end.seam), cut)


def _edge(piece: Piece, seam: str) -> tuple[str, ...]:
    """The seams of the edge that a seam belongs to; only the seam itself at the top or bottom."""
    return next((edge for edge in (piece.part.outer, piece.part.inner) if seam in edge), (seam,))


def _on_edge(piece: Piece, seam: str, value: float, axis: int) -> Spot:
    """The topmost place where the edge that a seam belongs to crosses a height (`axis` 1) or a vertical (0)."""
    found = [Spot(one, at) for one in _edge(piece, seam) for at in hits(piece.seams[one], value, axis)]
    if not found:
        raise stop("amount", f"{piece.name}: the {seam} does not reach so far", hint="take a smaller amount")
    return max(found, key=lambda place: float(place.at[1]))


def _covered(piece: Piece, place: Spot, value: float, axis: int) -> float:
    """Distance in mm along an edge from a place on it to where it crosses a height (`axis` 1) or a vertical (0)."""
    line = np.concatenate([piece.seams[name] for name in _edge(piece, place.seam)])
    return abs(far_on(line, _on_edge(piece, place.seam, value, axis).at) - far_on(line, place.at))


def widen(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Cut along the grainline from top to bottom and move the outer part; the grainline halves the strip or fold."""
    top, bottom = piece.part.top, piece.part.stays
    x = piece.grain_x + max(-by, 0.0) / 2
    start, end = (_on_edge(piece, seam, x, 0) for seam in (top, bottom))
    part = Parting(piece, start, end, keeps=piece.part.inner[0], opening=by > 0)
    taken = (_covered(piece, start, x + by, 0), _covered(piece, end, x + by, 0)) if by < 0 else (0.0, 0.0)
    shift = shifted(np.array([by, 0.0]))
    result = replace(part.laid(shift, taken, closing=by < 0), grain_x=piece.grain_x + by / 2)
    return result, Did("widen" if by > 0 else "fold out", by, (top, bottom), part.cut(shift))


def slide(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Slide the section with `seam` along a cut towards the cut's end.

    Paper is added where the next seam opens; the seam before it tapers to nothing at its far end.
    """
    seam = move.seam or ""
    start, foot = _spots(piece, move)
    shift = unit(foot.at - start.at) * by
    tapers, fills = piece.part.leads(seam), piece.part.follows(seam)
    part = Parting(piece, start, foot, keeps=piece.part.outer[0])
    joint = Joint(fills, points(np.array([start.at + shift, start.at])))
    line = piece.seams[tapers]
    share = np.clip((arc(line) - far_on(line, foot.at)) / (length(line) - far_on(line, foot.at)), 0.0, 1.0)
    moved = {tapers: line + np.outer(share, shift), seam: piece.seams[seam] + shift}
    whole = redraw(replace(piece, lines={}, darts=()), moved, grown=(fills,))
    result = replace(
        whole,
        darts=piece.darts,
        lines={name: part.parted(line, shifted(shift), closing=False) for name, line in piece.lines.items()},
        joints=(*whole.joints, joint, Joint(tapers, points(np.array([foot.at, foot.at])))),
    )
    return result, Did("slide", by, (fills, seam, tapers), part.cut(shifted(shift)))


def slit(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Open a vertical cut through the widest dart of a seam by `by` mm at the top height of `at`, to nothing at the low one.

    The outer part turns about the foot of the cut and laps over the paper below. The dart takes up what the seam gains;
    without a dart the cut lies in the middle of the seam, which grows.
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
    result = part.laid(turn, (0.0, -lap))  # the paper below keeps its width, so the edge of the turned part is covered
    darts = tuple(
        Dart(old.left, turn(old.right[None])[0], (old.tip + turn(old.tip[None])[0]) / 2) if old is dart else new
        for old, new in zip(piece.darts, result.darts, strict=True)
    )
    return replace(result, darts=darts), Did("slit", by, (name, outer), at=dict(move.at))


# -- that draw new edges --


def edge(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move seams outward, or along the seam named by `way`, by a share of the amount at each height."""
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
    """Move one end of a seam along the seam it meets (positive: longer), to nothing at its other end, darts closed.

    `way: up`: straight up, and the seam it meets is extended to it. `square`: over this length the new line keeps its
    direction, to be squared by trueing. `until`: by as much as the earlier moves lowered that corner, or shortened that
    seam.
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
    edge = min(move.square_mm or 0.0, far[-1] / 3)  # over this length the new line is parallel to the old one
    left = far[-1] - far if first else far
    drawn = line + np.outer(by * np.clip(left / (far[-1] - edge), 0.0, 1.0), run)
    grown = (neighbour,) if move.way == "up" else ()
    end = line[0] if first else line[-1]
    joints = (Joint(seam, points(np.array([end + by * run] * 2))),) if move.square_mm else ()
    return redraw(piece, {seam: drawn}, joints, grown=grown), Did("edge", by, (seam,), at={move.end or "": 1.0})


def corner(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move a corner of the outline outward, up, or along one of its seams, each seam of `taper` over its length there."""
    begins = piece.part.corners[move.end or ""]
    if move.way == "up":
        shift = np.array([0.0, by])
    elif move.way is None:
        shift = np.array([way_out(piece, begins) * by, 0.0])
    else:
        line = piece.seams[move.way][:: -1 if move.way == begins else 1]
        shift = run_on(line, by)[-1] - line[-1]
    drawn, joints = {}, []
    for seam, text in move.taper.items():
        first = seam == begins
        line = piece.seams[seam][:: 1 if first else -1]  # from the corner on
        gone = arc(line)
        reach = far = float(gone[-1])
        if text.endswith(" mm"):
            reach = min(float(text.removesuffix(" mm")), far)
            if move.way:  # measured square to the shift, so that the opposite move undoes it
                gone = np.abs((line - line[0]) @ unit(left_of(shift)))
        elif text != "all":
            reach = far_on(line, spot(piece, f"{seam} at {text}").at)
        share = np.clip(1 - gone / reach, 0.0, 1.0)
        if text == "all" or first:
            share = share**2
        elif reach < far - 1.0:
            at = along(piece, seam, far - reach).at
            joints.append(Joint(seam, points(np.array([at, at]))))
        drawn[seam] = (line + np.outer(share, shift))[:: 1 if first else -1]
    on = (move.way,) if move.way in piece.part.seams else ()
    return redraw(piece, drawn, tuple(joints)), Did("edge", by, tuple(dict.fromkeys((*move.taper, *on))))


def straight(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Draw a seam straight from end to end; its joints are gone."""
    seam = move.seam or ""
    line = piece.seams[seam]
    result = redraw(piece, {seam: line[0] + np.outer(arc(line) / length(line), line[-1] - line[0])})
    left = tuple(joint for joint in result.joints if joint.seam != seam)
    return replace(result, joints=left), Did("edge", by, (seam,))


def bend(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move a curve towards the corner of the two lines it joins (negative: away from it), most on the bisector."""
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
    """Slide a curve along the two seams it joins, by the amount along the one before it (positive: down).

    A level line named by `line` comes down with it, by as much as the corner.
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
    """Move a straight end of the piece, like the hem, along the seams it meets, `by` mm in height; positive: longer."""
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
    """A seam moved by a shift that changes linearly along it, from `start` to `end`."""
    share = (arc(line) / length(line))[:, None]
    return np.asarray(line + (1 - share) * start + share * end)


def swing(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Swing everything below a height inward by shares of the amount, then turn the piece until its grain is vertical.

    The new grain runs through the middle of the piece at the second height and at the bottom.
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


# -- that change what is drawn on a piece --


def darts(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Widen the darts, by a share of the amount in all, and lengthen each; where there is no dart, draw a short one.

    `until`: by as much as the earlier moves lengthened that seam, its darts closed.
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
        message = f"the darts of the {piece.name} have no more to give"
        raise stop("dart", message, hint="take the rest at a seam, or a smaller amount")
    found, whole = [], sum(dart.width for dart in piece.darts)
    even = wider >= -min(dart.width for dart in piece.darts) * len(piece.darts)
    for dart in piece.darts:
        more = wider / len(piece.darts) if even else wider * dart.width / whole
        middle = (dart.left + dart.right) / 2
        half = unit(dart.right - dart.left) * (dart.width + more) / 2
        found.append(Dart(middle - half, middle + half, dart.tip + unit(dart.tip - middle) * longer))
    return replace(piece, darts=tuple(found)), Did("darts", by, (top,) if move.wider else ())


def _new_dart(piece: Piece, seam: str, width: float) -> Dart:
    """A short dart in the middle of a seam, square to it; intake `width` mm."""
    line = piece.seams[seam]
    middle, run = at_far(line, length(line) / 2), unit(line[len(line) // 2] - line[len(line) // 2 - 1])
    return Dart(middle - run * width / 2, middle + run * width / 2, middle - left_of(run) * NEW_DART_MM)


def grain(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move the drawn grainline towards the outer edge; the outline stays."""
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
    """Move a level line up, and put its ends back on the edges."""
    return lifted(piece, move.line or "", by), Did("line", by, ())


def keep(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """Move a corner and the inner ends of level lines as far as the straight extension of a seam has moved there.

    So widths measured from that extension stay what they were before the alteration.
    """

    def straight(one: Piece, y: float) -> float:
        line = one.seams[move.seam or ""]
        run = line[-1] - line[-2]
        return float(line[-1, 0] + (y - line[-1, 1]) * run[0] / run[1])

    at = piece.corner(move.end or "")
    far = straight(piece, float(at[1])) - straight(before, float(at[1]))
    result, _ = corner(before, piece, move, far * way_out(piece, move.seam or ""))
    lines = {}
    for name, line in result.lines.items():
        # an inner end off the inner seams lies on that extension
        if all(off(result.seams[seam], line[0]) >= 0.5 for seam in piece.part.inner):
            line = line.copy()  # noqa: PLW2901
            line[0, 0] += straight(piece, float(line[0, 1])) - straight(before, float(line[0, 1]))
        lines[name] = points(line)
    return replace(result, lines=lines), Did("edge", far, tuple(move.taper))


def nothing(before: Piece, piece: Piece, move: Move, by: float) -> Made:
    """The paper stays as it is."""
    return piece, Did("none", by, ())


MAKERS: Mapping[str, Callable[[Piece, Piece, Move, float], Made]] = {
    "wedge": wedge, "spread": spread, "stretch": stretch, "widen": widen, "slide": slide, "slit": slit, "edge": edge, "tip": tip,
    "corner": corner, "bend": bend, "straight": straight, "slip": slip, "shift": shift_end, "swing": swing, "darts": darts, "grain": grain,
    "notches": notches, "line": line_up, "keep": keep, "none": nothing,
}  # fmt: skip


# -- alterations --


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
        raise stop("direction", message, hint="give an amount above 0; to undo it, go on from the pattern before it")
    chosen: Side = side or ("right" if rule.operation.one_side else "both")
    result, altered = pattern, dict[str, Altered]()
    for one in pattern.sides if chosen == "both" else (chosen,):
        altered = _altered(pattern.of(one), rule, amount)
        for each in altered.values() if amount else ():  # by nothing on one side, the sides stay alike
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
