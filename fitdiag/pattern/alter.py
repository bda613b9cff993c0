"""Alterations as geometry: pure functions from a piece and an amount in mm to an altered piece.

Cuts go through the whole piece; what lies above a cut moves, the leg below stays, so the grainline of the leg, carried up to
the waist, is the grainline afterwards. Where two parts meet with a step, the step stays visible until `true_seam` smooths it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import asin, cos, sin

import numpy as np

from fitdiag.pattern.piece import SEAMS, Array, Dart, Piece, length, points
from fitdiag.problems import stop


@dataclass(frozen=True, eq=False)
class Cut:
    """A cut across a piece: from a point on the free edge to a point on the other, and what the cut opened or closed.

    `filled`: the outline of the gap (spread) or of the overlap, for drawings. `hinge` is None when nothing turns.
    """

    start: Array
    end: Array
    hinge: Array | None
    filled: Array


@dataclass(frozen=True, eq=False)
class Altered:
    """A piece after an alteration: the cut (None for a moved seam), and the seams to true."""

    piece: Piece
    cut: Cut | None
    true: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Edge:
    """One edge of a piece from the hem up: (n, 2) points, and for each of the n - 1 steps the seam it belongs to."""

    line: Array
    seam: tuple[str, ...]

    def crossing(self, y: float) -> tuple[int, Array]:
        """The topmost step (index of its first point) that crosses the height `y`, and the point. Raises if none does."""
        heights = self.line[:, 1]
        low, high = np.minimum(heights[:-1], heights[1:]), np.maximum(heights[:-1], heights[1:])
        hits = np.nonzero((low <= y) & (y <= high) & (low != high))[0]
        if not len(hits):
            raise stop("cut", "the cut misses the piece", hint="choose a height inside it")
        index = int(hits[-1])
        share = (y - heights[index]) / (heights[index + 1] - heights[index])
        return index, self.line[index] + share * (self.line[index + 1] - self.line[index])


def _inner(piece: Piece) -> _Edge:
    """Inseam, curve and centre seam as one edge from the hem to the waist."""
    names = ("inseam", "curve", "centre")
    line = np.concatenate([piece.seams["inseam"], piece.seams["curve"][1:], piece.seams["centre"][1:]])
    return _Edge(line, tuple(name for name in names for _ in range(len(piece.seams[name]) - 1)))


def _outer(piece: Piece) -> _Edge:
    line = piece.seams["side"][::-1]
    return _Edge(line, ("side",) * (len(line) - 1))


def _seams_of(edge: _Edge) -> dict[str, Array]:
    """An edge taken apart into its seams again; a seam that a cut swallowed whole keeps one short step."""
    result: dict[str, Array] = {}
    for name in dict.fromkeys(edge.seam):
        steps = [index for index, seam in enumerate(edge.seam) if seam == name]
        result[name] = points(edge.line[steps[0] : steps[-1] + 2])
    return result


def rotated(line: Array, about: Array, angle: float) -> Array:
    """Points turned about a point, counter-clockwise, radians."""
    turn = np.array([[cos(angle), -sin(angle)], [sin(angle), cos(angle)]])
    return points((line - about) @ turn.T + about)


def wedge(piece: Piece, y: float, amount: float, *, free: str = "centre", hinge_y: float | None = None) -> Altered:
    """A wedge across the piece, widest at the free edge (centre or side), to nothing at the hinge on the other side.

    `amount` in mm along the free edge: positive opens, negative closes. The part above the cut turns about the hinge by
    2·asin(|amount| / 2w), w the width of the cut. Raises ProblemsFoundError when the cut misses the piece or is too wide.
    """
    edges = {"centre": _inner(piece), "side": _outer(piece)}
    other = "side" if free == "centre" else "centre"
    _, start = edges[free].crossing(y)
    _, hinge = edges[other].crossing(y if hinge_y is None else hinge_y)
    width = float(np.hypot(*(start - hinge)))
    if abs(amount) >= width:
        raise stop(
            "amount",
            "that is more than the cut is wide",
            hint="take a smaller amount",
        )
    angle = 2 * asin(amount / (2 * width)) * (-1.0 if free == "centre" else 1.0)
    heights = {free: y, other: y if hinge_y is None else hinge_y}
    closing = {free: max(-amount, 0.0), other: 0.0}
    return _move_above(piece, edges, heights, lambda line: rotated(line, hinge, angle), closing, hinge)


def level(piece: Piece, y: float, amount: float) -> Altered:
    """A level cut across the piece; the part above moves up (spread, positive) or down (overlap, negative) by `amount` mm."""
    shift = np.array([0.0, amount])
    closing = {"centre": max(-amount, 0.0), "side": max(-amount, 0.0)}
    edges = {"centre": _inner(piece), "side": _outer(piece)}
    return _move_above(piece, edges, {"centre": y, "side": y}, lambda line: points(line + shift), closing, None)


def _move_above(
    piece: Piece,
    edges: Mapping[str, _Edge],
    heights: Mapping[str, float],
    move: Callable[[Array], Array],
    closing: Mapping[str, float],
    hinge: Array | None,
) -> Altered:
    """Move everything above a cut; the parts below stay, shortened by what the cut closes at each edge."""
    seams: dict[str, Array] = dict(piece.seams)
    ends: dict[str, tuple[Array, Array, Array]] = {}
    cut_seams: list[str] = []
    for name, edge in edges.items():
        index, point = edge.crossing(heights[name])
        below, seam_below = np.concatenate([edge.line[: index + 1], point[None]]), list(edge.seam[: index + 1])
        if closing[name]:
            below = _shortened(below, closing[name])
            seam_below = seam_below[: len(below) - 1]
        above = move(points(np.concatenate([point[None], edge.line[index + 1 :]])))
        joined = np.hypot(*(above[0] - below[-1])) > 1e-9
        line = np.concatenate([below, above if joined else above[1:]])
        middle = [edge.seam[index]] if joined else []
        whole = _Edge(line, (*seam_below, *middle, *edge.seam[index:]))
        seams |= _seams_of(whole) if name == "centre" else {"side": points(line[::-1])}
        ends[name] = (point, below[-1], above[0])
        cut_seams.append(edge.seam[index])
    seams["waist"] = move(piece.seams["waist"])
    darts = tuple(
        Dart(*(move(points(part[None]))[0] for part in (dart.left, dart.right, dart.tip))) for dart in piece.darts
    )
    top = max(heights.values())
    lines = {name: move(line) if float(line[:, 1].min()) > top else line for name, line in piece.lines.items()}
    centre, side = ends["centre"], ends["side"]
    patch = points([centre[1], side[1], side[2], centre[2]])
    result = replace(piece, seams=seams, darts=darts, lines=lines)
    return Altered(result, Cut(centre[0], side[0], hinge, patch), tuple(dict.fromkeys((*cut_seams, "waist"))))


def _shortened(line: Array, by: float) -> Array:
    """A polyline with `by` mm of its length taken off at its end."""
    steps = np.hypot(*np.diff(line, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    keep = along[-1] - by
    if keep <= 0:
        raise stop("amount", "that is more than there is below the cut", hint="take a smaller amount, or cut higher")
    index = min(int(np.searchsorted(along, keep, side="right")) - 1, len(steps) - 1)
    share = (keep - along[index]) / steps[index] if steps[index] else 0.0
    return np.concatenate([line[: index + 1], (line[index] + share * (line[index + 1] - line[index]))[None]])


def displaced(piece: Piece, moves: Mapping[str, Array]) -> Piece:
    """A piece with the points of some seams moved by (n, 2) displacements; the neighbours follow at their ends.

    A neighbour's end is drawn along over a short run (three times the way it moves, at least 40 mm), so that it neither
    folds back on itself nor changes farther away.
    """
    seams = {name: line + moves[name] if name in moves else line.copy() for name, line in piece.seams.items()}
    for seam, follows in zip(SEAMS, (*SEAMS[1:], SEAMS[0]), strict=True):
        if seam in moves and follows not in moves:
            seams[follows] = _drawn_along(seams[follows], seams[seam][-1])
        elif follows in moves and seam not in moves:
            seams[seam] = _drawn_along(seams[seam][::-1], seams[follows][0])[::-1]
        elif follows in moves:
            seams[seam][-1] = seams[follows][0]
    return piece.with_seams(**seams)


def _drawn_along(line: Array, start: Array) -> Array:
    """A seam whose first point is moved to `start`, and the points after it less and less."""
    move = start - line[0]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    run = min(max(3.0 * float(np.hypot(*move)), 40.0), float(along[-1]))
    share = np.clip(1.0 - along / run, 0.0, 1.0)
    return line + np.outer(share, move)


def shares(line: Array) -> Array:
    """For each point of a seam its share of the length from the start, 0 to 1."""
    steps = np.hypot(*np.diff(line, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    result: Array = along / along[-1]
    return result


def curve_depth(piece: Piece, amount: float) -> Altered:
    """Scoop (positive) or fill (negative) the crotch curve by `amount` mm at its corner, to nothing at both its ends.

    The corner is the point farthest from the chord; each point moves away from the chord's inner side, by a smooth share.
    """
    line = piece.seams["curve"]
    chord = (line[-1] - line[0]) / np.hypot(*(line[-1] - line[0]))
    normal = np.array([chord[1], -chord[0]])  # towards the lower outer corner, away from the leg's inside
    distance = (line - line[0]) @ normal
    if distance[np.argmax(np.abs(distance))] < 0:
        normal, distance = -normal, -distance
    share = np.clip(distance / distance.max(), 0.0, 1.0)
    return Altered(displaced(piece, {"curve": np.outer(share * amount, normal)}), None, ("curve",))


def extend_crotch(piece: Piece, amount: float, taper: float = 250.0) -> Altered:
    """Add to (or take from) the crotch extension: the crotch point moves out by `amount` mm, the inseam tapers in over `taper` mm."""
    inseam, curve = piece.seams["inseam"], piece.seams["curve"]
    left = length(inseam) * (1 - shares(inseam))  # from the crotch point down
    inseam_share = np.clip(1 - left / taper, 0.0, 1.0)
    curve_share = (1 - shares(curve)) ** 2
    moves = {
        "inseam": np.outer(-amount * inseam_share, [1.0, 0.0]),
        "curve": np.outer(-amount * curve_share, [1.0, 0.0]),
    }
    return Altered(displaced(piece, moves), None, ("curve", "inseam"))


def slide_section(piece: Piece, amount: float, reach: float = 200.0) -> Altered:
    """Slide the crotch section down by `amount` mm along a cut from the start of the curve to the inseam.

    The cut leaves the curve's start and meets the inseam `reach` mm below the crotch point. The section keeps its shape and
    width; the gap above it is filled along the centre seam, and the inseam is redrawn from the lowered crotch point to nothing
    at the cut's lower end.
    """
    inseam, curve, centre = piece.seams["inseam"], piece.seams["curve"], piece.seams["centre"]
    foot = _shortened(inseam, reach)[-1]
    start = curve[-1]
    down = (foot - start) / np.hypot(*(foot - start))
    shift = down * amount
    left = length(inseam) * (1 - shares(inseam))
    share = np.clip(1 - left / reach, 0.0, 1.0)
    moved_inseam = points(inseam + np.outer(share, shift))
    moved_curve = points(curve + shift)
    filled_centre = points(np.concatenate([moved_curve[-1][None], centre]))
    result = piece.with_seams(inseam=moved_inseam, curve=moved_curve, centre=filled_centre)
    patch = points([start, foot, foot + shift, start + shift])
    return Altered(result, Cut(start, foot, None, patch), ("centre", "curve", "inseam"))


def waist_edge(piece: Piece, amount: float, *, at: str) -> Altered:
    """Raise (positive) or lower the waist edge by `amount` mm along the seam at its centre or side end, to nothing at the other."""
    waist = piece.seams["waist"]
    seam = piece.seams["centre" if at == "centre" else "side"]
    along = seam[-1] - seam[-2] if at == "centre" else seam[0] - seam[1]
    along = along / np.hypot(*along)
    share = 1 - shares(waist) if at == "centre" else shares(waist)
    darts = tuple(_carried(dart, waist, share * amount, along) for dart in piece.darts)
    return Altered(replace(displaced(piece, {"waist": np.outer(share * amount, along)}), darts=darts), None, ("waist",))


def _carried(dart: Dart, waist: Array, amounts: Array, along: Array) -> Dart:
    def at(point: Array) -> Array:
        nearest = int(np.argmin(np.hypot(*(waist - point).T)))
        result: Array = point + amounts[nearest] * along
        return result

    left, right = at(dart.left), at(dart.right)
    across = (right - left) / np.hypot(*(right - left))
    middle = (left + right) / 2
    tip = (
        dart.tip - float(np.dot(dart.tip - middle, across)) * across
    )  # back over the middle, so that the legs are equal
    return Dart(left, right, tip)


def swing_leg(piece: Piece, amount: float, pivot_y: float, at_knee: float) -> Altered:
    """Swing the leg below `pivot_y` by `amount` mm at the hem, sideways (positive towards the inside), to nothing at the pivot.

    `at_knee`: the share of the amount that the knee moves; the lines run smoothly through it. The new grain lies midway at knee
    and hem, and the piece is turned until it is plumb again.
    """
    low, knee = float(min(line[:, 1].min() for line in piece.seams.values())), piece.levels["knee"]
    if pivot_y <= low:
        raise stop("amount", "the pivot lies below the hem", hint="choose a higher pivot")
    if not low < knee < pivot_y:  # shorts that end above the knee
        knee, at_knee = (low + pivot_y) / 2, 0.5

    def move(line: Array) -> Array:
        share = _bend(line[:, 1], (pivot_y, knee, low), at_knee)
        return points(line + np.outer(-amount * share, [1.0, 0.0]))

    swung = replace(
        piece,
        seams={name: move(line) for name, line in piece.seams.items()},
        lines={name: move(line) for name, line in piece.lines.items()},
        grain_x=piece.grain_x - amount * at_knee,
    )
    angle = float(np.arctan2(amount * (1.0 - at_knee), knee - low))
    return Altered(turned(swung, np.array([swung.grain_x, knee]), angle), None, ("side", "inseam"))


def _bend(heights: Array, at: tuple[float, float, float], share: float) -> Array:
    """0 down to the first height, `share` at the second, 1 from the third on; smooth at the second, never overshooting.

    Two cubic pieces; the slope where they meet is the harmonic mean of the slopes on both sides.
    """
    top, middle, low = at
    one, other = share / (top - middle), (1.0 - share) / (middle - low)
    slope = 2 * one * other / (one + other) if one + other else 0.0
    upper, lower = np.clip((top - heights) / (top - middle), 0, 1), np.clip((middle - heights) / (middle - low), 0, 1)

    def cubic(t: Array, step: float, rise: float, first: float, last: float) -> Array:
        result: Array = rise * t**2 * (3 - 2 * t) + step * t * (1 - t) * (first * (1 - t) - last * t)
        return result

    return cubic(upper, top - middle, share, one, slope) + cubic(lower, middle - low, 1.0 - share, slope, other)


def turned(piece: Piece, about: Array, angle: float) -> Piece:
    """The whole piece turned about a point, counter-clockwise, radians."""
    return replace(
        piece,
        seams={name: rotated(line, about, angle) for name, line in piece.seams.items()},
        darts=tuple(
            Dart(*(rotated(points(p[None]), about, angle)[0] for p in (dart.left, dart.right, dart.tip)))
            for dart in piece.darts
        ),
        lines={name: rotated(line, about, angle) for name, line in piece.lines.items()},
    )


def change_darts(piece: Piece, *, width: float = 0.0, longer: float = 0.0) -> Altered:
    """Make every dart wider by `width` mm in all (shared out) and longer by `longer` mm each."""
    if not piece.darts:
        raise stop("dart", f"the {piece.side} has no dart to change", hint="take the amount at a seam instead")
    darts = []
    for dart in piece.darts:
        middle = (dart.left + dart.right) / 2
        across = (dart.right - dart.left) / max(dart.width, 1e-9)
        down = (dart.tip - middle) / np.hypot(*(dart.tip - middle))
        half = max(dart.width + width / len(piece.darts), 0.0) / 2
        darts.append(Dart(middle - across * half, middle + across * half, dart.tip + down * longer))
    return Altered(replace(piece, darts=tuple(darts)), None, ("waist",))


def true_seam(piece: Piece, seam: str, reach: float = 60.0) -> tuple[Piece, float]:
    """Smooth the steps and kinks of a seam by local averaging, ends kept; the piece, and the change of the seam's length in mm."""
    line = piece.seams[seam]
    if len(line) < 5:
        return piece, 0.0
    even = _even(line, 4.0)
    window = max(3, int(reach / 4.0) | 1)
    half = window // 2
    smooth = even.copy()
    for index in range(1, len(even) - 1):
        size = min(half, index, len(even) - 1 - index)
        smooth[index] = even[index - size : index + size + 1].mean(axis=0)
    smooth[0], smooth[-1] = line[0], line[-1]
    result = piece.with_seams(**{seam: points(smooth)})
    return result, length(result.seams[seam]) - length(line)


def _even(line: Array, step: float) -> Array:
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    count = max(5, round(float(along[-1]) / step) + 1)
    at = np.linspace(0.0, along[-1], count)
    return np.column_stack([np.interp(at, along, line[:, axis]) for axis in (0, 1)])
