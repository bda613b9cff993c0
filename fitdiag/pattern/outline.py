"""From stitching line to cutting line and back: seam and hem allowances with their corners, and notches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

import numpy as np
from shapely import LineString, MultiPoint, Polygon, transform
from shapely.ops import unary_union

from fitdiag.pattern.garment import arc, at_far, between, far_on, nearest
from fitdiag.pattern.piece import Array, Pattern, Piece, apart, left_of, points, unit
from fitdiag.problems import stop
from fitdiag.units import Units, format_reading

NOTCH_MM = 6.0
LEAST_ALLOWANCE_MM, MOST_ALLOWANCE_MM = 0.01, 100.0
MITRE = (
    2.5  # mitre limit: a corner of the cutting line lies at most this many allowances from that of the stitching line
)


def with_allowance(pattern: Pattern, by_seam: Mapping[str, float], units: Units = "cm") -> Pattern:
    """The pattern with seam allowances, mm, by seam (`side`), piece and seam (`back side`), or for `all`; none at a fold.

    Raises ProblemsFoundError for an unknown name, an allowance out of range, and one that is wider than a hollow curve
    allows.
    """
    names = {f"{piece.name} {seam}" for piece in pattern.pieces.values() for seam in piece.part.seams}
    seams = {seam for piece in pattern.pieces.values() for seam in piece.part.seams}
    for name, mm in by_seam.items():
        if name not in {"all", *names, *seams}:
            hint = f"name one of {', '.join(sorted(seams))}, with {' or '.join(pattern.pieces)} before it if need be"
            raise stop("allowance", f"there is no seam '{name}'", hint=hint)
        if not 0.0 <= mm <= MOST_ALLOWANCE_MM:
            size, most = (format_reading(one, units) for one in (mm, MOST_ALLOWANCE_MM))
            raise stop("allowance", f"an allowance of {size} is outside 0 to {most}", hint="check the unit")

    def given(piece: Piece) -> Piece:
        found = {}
        for seam in piece.part.seams:
            called = next((name for name in (f"{piece.name} {seam}", seam, "all") if name in by_seam), "")
            mm = by_seam[called] if called else piece.allowance.get(seam, 0.0)
            if mm > 0 and seam != piece.part.fold:
                if (radius := hollow_radius(piece.seams[seam])) < mm:  # the cutting line would cross itself
                    size, most = (format_reading(one, units) for one in (mm, radius))
                    message = f"{piece.name}: an allowance of {size} is wider than the hollow of the {seam} allows"
                    raise stop("allowance", message, hint=f"at most {most} there")
                found[seam] = mm
        return replace(piece, allowance=found)

    return pattern.with_each(given)


def hollow_radius(line: Array, over: float = 24.0) -> float:
    """The smallest radius where a seam is hollow (concave seen from outside the piece), mm; infinite if it is nowhere.

    `over`: distance in mm between the points the curvature is taken from.
    """
    at = arc(line)
    if at[-1] < 2 * over:
        return np.inf
    places = np.linspace(over, at[-1] - over, max(2, int(at[-1] / 6)))
    a, b, c = (at_far(line, places + by) for by in (-over, 0.0, over))
    one, two, three = (np.hypot(*(p - q).T) for p, q in ((b, a), (c, b), (c, a)))
    turn = (b - a)[:, 0] * (c - b)[:, 1] - (b - a)[:, 1] * (c - b)[:, 0]
    hollow = turn > 1e-6  # where the seam turns left, the outside of the piece is the inside of the bend
    if not hollow.any():
        return np.inf
    return float((one * two * three / (2 * np.maximum(np.abs(turn), 1e-9)))[hollow].min())


def cutting_area(piece: Piece) -> Polygon:
    """The area inside the cutting line: each seam offset by its own allowance, corners mitred unless they are sharp.

    The hem allowance mirrors what lies above the hem, so that it lies flat when it is turned up.
    """
    part, turned_up = piece.part, piece.part.stays
    parts = [Polygon(piece.outline)]
    for seam in part.seams:
        line, onward = piece.seams[seam], piece.seams[part.follows(seam)]
        given = (piece.allowance.get(name, 0.0) for name in (seam, part.follows(seam)))
        own, next_own = (mm if mm > LEAST_ALLOWANCE_MM else 0.0 for mm in given)
        if own and seam != turned_up:
            parts.append(LineString(line).buffer(own, cap_style="flat", join_style="mitre", mitre_limit=2.0))
        if own and next_own and turned_up not in (seam, part.follows(seam)):
            parts.append(_corner(line[-1], line[-1] - line[-2], onward[1] - onward[0], own, next_own))
    whole = unary_union([one.buffer(0.001, join_style="mitre") for one in parts])
    hem = piece.allowance.get(turned_up, 0.0)
    if hem > LEAST_ALLOWANCE_MM:
        whole = unary_union([whole, _mirrored(whole, piece.seams[turned_up], hem)])
    polygon = max(getattr(whole, "geoms", [whole]), key=lambda one: one.area)
    return Polygon(polygon.exterior).simplify(0.004)


def _mirrored(whole: Polygon, hem: Array, by: float) -> Polygon:
    """The strip of the area within `by` mm above a hem, mirrored below it."""
    run = unit(hem[-1] - hem[0])
    up = -left_of(run)  # the hem runs clockwise, so the piece lies on its right
    wide = run * 500.0
    strip = Polygon([hem[0] - wide, hem[-1] + wide, hem[-1] + wide + up * by, hem[0] - wide + up * by])

    def mirror(at: Array) -> Array:
        return np.asarray(at - 2 * np.outer((at - hem[0]) @ up, up))

    return transform(whole.intersection(strip), mirror).buffer(0.002, join_style="mitre")


def _corner(at: Array, into: Array, onward: Array, own: float, next_own: float) -> Polygon:
    """The gap that the allowances of two seams leave at the corner between them."""
    u, v = unit(into), unit(onward)
    a, b = at + left_of(u) * own, at + left_of(v) * next_own
    corners = [at, a, b]
    across = u[0] * v[1] - u[1] * v[0]
    if abs(across) > 1e-6:
        reach = float(((b - a)[0] * v[1] - (b - a)[1] * v[0]) / across)
        tip = a + u * reach
        if reach > 0 and apart(tip, at) < MITRE * max(own, next_own):
            corners.append(tip)
    return MultiPoint(corners).convex_hull.buffer(0.001, join_style="mitre")


def notch_tick(piece: Piece, seam: str, at: Array) -> Array:
    """A notch as a line of (2, 2) points, square to its seam: out through the allowance, or a little way in without one."""
    line = piece.seams[seam]
    before, after = at_far(line, far_on(line, at) + np.array([-1.0, 1.0]))
    out = unit(left_of(after - before))
    allowance = piece.allowance.get(seam, 0.0)
    return points(np.array([at, at + out * allowance])) if allowance else points(np.array([at, at - out * NOTCH_MM]))


def inset(seams: Mapping[str, Array], order: tuple[str, ...], allowance: Mapping[str, float]) -> dict[str, Array]:
    """Stitching lines from cutting lines: each seam offset inward by its allowance in mm, if it has one, cut off where they meet.

    `order`: the seams clockwise. Raises ProblemsFoundError where the offset lines do not meet near the corner.
    """
    moved, most = {}, max(allowance.values())
    for name in order:
        line = seams[name]
        first, last = line[0] - line[1], line[-1] - line[-2]
        longer = np.concatenate([[line[0] + unit(first) * 2 * most], line, [line[-1] + unit(last) * 2 * most]])
        off = LineString(longer).offset_curve(-allowance.get(name, 0.0), join_style="mitre")
        moved[name] = off if off.geom_type == "LineString" else max(off.geoms, key=lambda one: one.length)
    corners = {}
    for name, follows in pairwise((*order, order[0])):
        meet = moved[name].intersection(moved[follows])
        ends = [at for at in getattr(meet, "geoms", [meet]) if at.geom_type == "Point"]
        corner = seams[name][-1]
        if ends:
            corners[name] = np.array(min(ends, key=lambda at: np.hypot(at.x - corner[0], at.y - corner[1])).coords[0])
        else:
            corners[name] = nearest(np.asarray(moved[name].coords), corner)  # the seams run into each other smoothly
        if apart(corners[name], corner) > 6 * most + 5:
            message = f"the allowance cannot be taken off at the end of the {name}"
            raise stop("allowance", message, hint="is it wider than in the drawing?")
    found = {}
    for before, name in zip((order[-1], *order), order, strict=False):
        line = np.asarray(moved[name].coords)
        found[name] = points(between(line, far_on(line, corners[before]), far_on(line, corners[name])))
    return found
