"""The garment a pattern is for, built from its rules; finding places on its pieces, and on polylines by arc length.

`garment_of(base)` returns the garment of a rule base, `shipped_garment()` a shipped one. The rules name places on a
piece like `outer at above-hip`, `side-waist` or `inseam 200 mm from crotch-point`; a `Spot` is such a place on a given
piece.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

import numpy as np
from shapely import LineString, Point

from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.garment import Garment as Declared
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import Alteration, RuleBase
from fitdiag.knowledge.order import once
from fitdiag.pattern.piece import Array, Notch, Part, Piece, length, points
from fitdiag.problems import stop

NEAR_MM = 1e-6  # a crossing missed by no more than this counts


@dataclass(frozen=True, eq=False)
class Garment:
    """A garment as patterns know it: what its file declares (`rule`), its `parts` by name, its `alterations` by id."""

    name: str
    rule: Declared
    parts: Mapping[str, Part]
    alterations: Mapping[str, Alteration]


@cache
def shipped_garment(name: str = "") -> Garment:
    """The garment of the shipped rules of that name (default: those used when none are named); read once.

    Raises ProblemsFoundError if there are no such rules.
    """
    return garment_of(load_rules(rules_for(name)))


@once
def garment_of(base: RuleBase) -> Garment:
    """The garment of a rule base. Raises ProblemsFoundError if its folder has no garment.yaml."""
    if (rule := base.garment) is None:
        raise stop("no-garment", "these rules have no garment.yaml, so no pattern can be altered by them")
    shapes = {shape.id: shape for shape in rule.shapes}
    ends = {level.id: (level.from_end, level.to_end) for level in rule.levels if level.from_end}
    every = {
        "levels": {level.id: level for level in rule.levels}, "ends": ends,
        "named": {height.id: height for height in rule.heights}, "notches": rule.notches,
    }  # fmt: skip
    parts = {
        piece.id: Part.model_construct(**{**dict(shapes[piece.shape]), **dict(piece), **every}) for piece in rule.pieces
    }
    return Garment(base.about.garment, rule, parts, base.alterations)


# -- places --------------------------------------------------------------------------------------------------------------


class Spot(NamedTuple):
    """A place on the outline: the seam, and the point in mm."""

    seam: str
    at: Array


def height_at(piece: Piece, name: str, edge: str = "") -> float:
    """The height in mm of a level, a corner or a named height, or one written like `925 mm`.

    A level line is taken at its `edge` (`inner` or `outer`) if one is given, else where the grainline crosses it.
    Raises ProblemsFoundError for a height the piece does not have.
    """
    if name.endswith(" mm"):
        return float(name.removesuffix(" mm"))
    if name in piece.part.corners:
        return float(piece.corner(name)[1])
    if name in piece.lines and edge:
        return float(piece.lines[name][0 if edge == "inner" else -1, 1])
    if (level := piece.level(name)) is not None:
        return level
    if (rule := piece.part.named.get(name)) is None:
        raise stop("height", f"{piece.name}: there is no height '{name}'", hint="draw the level line on the pattern")
    if rule.between is not None:
        low, high = (height_at(piece, other, edge) for other in rule.between)
        return low + (high - low) * rule.share
    return height_at(piece, rule.level or "", edge) + (rule.up_mm or 0.0) - (rule.down_mm or 0.0)


_FROM = re.compile(r"([a-z-]+) (\d+(?:\.\d+)?) mm from ([a-z-]+)\Z")


def spot(piece: Piece, text: str) -> Spot:
    """Find a place named in the rules on a piece's outline. Raises ProblemsFoundError if the piece does not have it."""
    if text in piece.part.corners:
        return Spot(piece.part.corners[text], piece.corner(text))
    if (found := _FROM.match(text)) is not None:
        seam, far, corner = found[1], float(found[2]), found[3]
        whole = length(piece.seams[seam])
        far = min(far, 0.9 * whole)  # for the smallest sizes
        return along(piece, seam, far if piece.part.corners[corner] == seam else whole - far)
    name, _, height = text.partition(" at ")
    seams = {"inner": piece.part.inner, "outer": piece.part.outer}.get(name, (name,))
    y, axis = (piece.grain_x, 0) if height == "grain" else (height_at(piece, height), 1)
    places = [Spot(seam, at) for seam in seams if seam in piece.seams for at in hits(piece.seams[seam], y, axis)]
    if not places:
        hint = "look at the levels of the pattern"
        raise stop("cut", f"{piece.name}: the cut misses the piece at '{text}'", hint=hint)
    return max(places, key=lambda place: place.at[1])


def hits(line: Array, value: float, axis: int) -> Array:
    """Where a polyline crosses a height (`axis` 1) or a vertical (0), in order along it, as (n, 2) points."""
    ones = line[:, axis]
    above, below = ones >= value - NEAR_MM, ones <= value + NEAR_MM
    crossed = ((above[:-1] & below[1:]) | (below[:-1] & above[1:])) & (ones[:-1] != ones[1:])
    start, step = line[:-1][crossed], (line[1:] - line[:-1])[crossed]
    share = np.minimum(np.maximum((value - start[:, axis]) / step[:, axis], 0.0), 1.0)
    return np.asarray(start + share[:, None] * step)


def along(piece: Piece, seam: str, far: float) -> Spot:
    """The place `far` mm along a seam from its start. Raises ProblemsFoundError if the seam is shorter."""
    line = piece.seams[seam]
    if not -1e-9 <= far <= length(line) + 1e-9:
        raise stop("cut", f"{piece.name}: the {seam} is shorter than that", hint="take a smaller amount")
    return Spot(seam, at_far(line, far))


def arc(line: Array) -> Array:
    """The arc length at each point of a polyline, mm, shape (n,)."""
    steps, far = line[1:] - line[:-1], np.zeros(len(line))
    np.cumsum(np.hypot(steps[:, 0], steps[:, 1]), out=far[1:])
    return far


def at_far(line: Array, far: float | Array) -> Array:
    """The point at arc length `far` mm of a polyline; (n, 2) points for n lengths."""
    along = arc(line)
    return np.stack([np.interp(far, along, line[:, axis]) for axis in (0, 1)], axis=-1)


def between(line: Array, start: float, end: float, near: float = NEAR_MM) -> Array:
    """The part of a polyline between two arc lengths, mm, without its own points within `near` mm of the ends."""
    far = arc(line)
    inside = (far > start + near) & (far < end - near)
    return np.vstack([at_far(line, start), line[inside], at_far(line, end)])


def nearest(line: Array, at: Array) -> Array:
    """The point of a polyline nearest to a point."""
    return foot(line, at)[0]


def foot(line: Array, at: Array) -> tuple[Array, int, float]:
    """The point of a polyline nearest to a point, the index of its segment, and its share along that segment."""
    start, step = line[:-1], line[1:] - line[:-1]
    along = (at - start) * step
    share = (along[:, 0] + along[:, 1]) / np.maximum(step[:, 0] ** 2 + step[:, 1] ** 2, 1e-18)
    share = np.minimum(np.maximum(share, 0.0), 1.0)
    feet = start + share[:, None] * step
    off_line = feet - at
    index = int(np.argmin(off_line[:, 0] ** 2 + off_line[:, 1] ** 2))
    return feet[index], index, float(share[index])


def far_on(line: Array, at: Array) -> float:
    """The arc length, mm, of the point of a polyline nearest to a point."""
    _, index, share = foot(line, at)
    far = arc(line)
    return float(far[index] + share * (far[index + 1] - far[index]))


def off(line: Array, at: Array) -> float:
    """The distance of a point from a polyline, mm."""
    return float(LineString(line).distance(Point(at)))


def unfolded(line: Array) -> list[Array]:
    """Split a drawn line where paper is laid over paper into the parts that show, (n, 2) points each."""
    along = (line - line[0]) @ (line[-1] - line[0])
    back = np.flatnonzero(np.diff(along) < -1e-6)
    parts = []
    low = -np.inf
    for start, end in zip([0, *(back + 1)], [*back, len(line) - 1], strict=True):
        high = (along[end] + along[end + 1]) / 2 if end + 1 < len(line) else np.inf
        at, part = along[start : end + 1], line[start : end + 1]
        ends = np.clip([low, high], at[0], at[-1])
        cut = np.column_stack([np.interp(ends, at, part[:, axis]) for axis in (0, 1)])
        parts.append(np.concatenate([cut[:1], part[(at > ends[0]) & (at < ends[1])], cut[1:]]))
        low = high
    return parts


def with_notches(piece: Piece) -> Piece:
    """The piece with the garment's notches added, except where a seam already has one of that name."""
    known = {(notch.name, notch.seam) for notch in piece.notches}
    found = list(piece.notches)
    for rule in piece.part.notches:
        if (rule.id, rule.seam) not in known and (not rule.on or piece.name in rule.on) and rule.seam in piece.seams:
            place = spot(piece, f"{rule.seam} {'' if ' from ' in rule.at else 'at '}{rule.at}")
            found.append(Notch(rule.id, rule.seam, points(place.at)[0]))
    return replace(piece, notches=tuple(found))
