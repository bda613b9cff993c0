"""What a tape would measure on a pattern: seam lengths, distances from the grain, widths at levels, angles of corners.

Which measures there are is data (`measures` in `rules/GARMENT/garment.yaml`). Lengths are in mm, angles in degrees. All
are taken on the stitching line unless a name says otherwise, widths along the level lines drawn on the paper.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping

import numpy as np

from fitdiag.knowledge.findings import LEFT_RIGHT
from fitdiag.knowledge.garment import MeasureRule, Meeting
from fitdiag.pattern.garment import far_on, hits
from fitdiag.pattern.piece import Array, Pattern, Piece, apart, length, turn


def crossing(line: Array, y: float) -> float | None:
    """x where a polyline first crosses the height `y`; None if it does not."""
    found = hits(line, y, 1)
    return float(found[0, 0]) if len(found) else None


def grain_to_start(piece: Piece, seam: str) -> float:
    """Distance from the start of a seam to the grainline, along the seam.

    Where the grainline misses the seam, the horizontal distance instead, negative if it lies before the start.
    """
    line = piece.seams[seam]
    found = hits(line, piece.grain_x, 0)
    return far_on(line, found[0]) if len(found) else float(piece.grain_x - line[0, 0])


def grain_to_edge(piece: Piece, level: str) -> float | None:
    """Distance from the inner edge to the grainline at the height of a level, square to the grain."""
    y = piece.level(level)
    x = None if y is None else edge_at(piece, reversed(piece.part.inner), y)
    return None if x is None else piece.grain_x - x


def width_at(piece: Piece, y: float) -> float | None:
    """Width of the piece at a height, square to the grain, from its inner edge to its outer edge."""
    left, right = (edge_at(piece, seams, y) for seams in (piece.part.inner, piece.part.outer))
    return right - left if right is not None and left is not None else None


def edge_at(piece: Piece, seams: Iterable[str], y: float) -> float | None:
    """x where the first of some seams that reaches a height crosses it; None if none does."""
    return next((x for seam in seams if (x := crossing(piece.seams[seam], y)) is not None), None)


def line_width(piece: Piece, level: str) -> float | None:
    """Width along a level line, from its inner to its outer end, straight."""
    if level not in piece.lines:
        return None
    return apart(piece.lines[level][-1], piece.lines[level][0])


def hip_width(piece: Piece) -> float | None:
    """The width along the first level line the garment declares, which tells sizes apart; None if it is not drawn."""
    return line_width(piece, next(iter(piece.part.ends), ""))


def after_darts(piece: Piece, seam: str) -> float:
    """The length of a seam less the intake of the darts."""
    return length(piece.seams[seam]) - sum(dart.width for dart in piece.darts)


def slant(piece: Piece) -> float:
    """Slant of the last seam (the centre) against the grain, degrees; positive when its upper end leans towards the outer edge."""
    line = piece.seams[piece.part.seams[-1]]
    run = line[-1] - line[0]
    return float(np.degrees(np.arctan2(run[0], run[1])))


def corner_angle(piece: Piece, corner: str) -> float:
    """Angle inside the piece between the seams that meet at a corner, degrees."""
    seam = piece.part.corners[corner]
    onward = piece.seams[seam][1] - piece.seams[seam][0]
    before = piece.seams[piece.part.leads(seam)]
    return float(np.degrees(-turn(onward, before[-2] - before[-1])) % 360.0)


def meeting_angle(pattern: Pattern, rule: Meeting) -> float:
    """Sum of the angles of corners that meet when sewn, degrees."""
    return sum(corner_angle(pattern.pieces[name], corner) for name, corner in rule.corners.items())


def one(piece: Piece, rule: MeasureRule) -> float | None:
    """A measure of one piece; None where it cannot be taken."""
    if rule.length:
        whole = sum(length(piece.seams[seam]) for seam in rule.length)
        return whole - sum(dart.width for dart in piece.darts) if rule.less_darts else whole
    if rule.line is not None:
        return line_width(piece, rule.line)
    if rule.width is not None:
        return width_at(piece, float(piece.corner(rule.width)[1]) - (rule.below_mm or 0.0))
    for names, axis in ((rule.drop, 1), (rule.across, 0)):
        if names is not None:
            known = all(name in piece.part.corners for name in names)
            return float(piece.corner(names[0])[axis] - piece.corner(names[1])[axis]) if known else None
    if rule.to_grain is not None:
        more = piece.allowance.get(rule.with_allowance, 0.0) if rule.with_allowance else 0.0
        if rule.with_allowance and not more:
            return None
        if rule.to_grain in piece.seams:
            return grain_to_start(piece, rule.to_grain) + more
        return grain_to_edge(piece, rule.to_grain)
    return None


def piece_measures(pattern: Pattern, name: str) -> dict[str, float]:
    """Every measure of one piece by name; those that cannot be taken are left out."""
    piece = pattern.pieces[name]
    found = {
        rule.id: one(piece, rule)
        for rule in pattern.garment.rule.measures
        if not (rule.sum or rule.less or rule.girth) and (not rule.of or piece.name in rule.of)
    }
    return {key: value for key, value in found.items() if value is not None}


def pattern_measures(pattern: Pattern) -> dict[str, float]:
    """Measures of the whole pattern by name: those of each piece, and those taken over several pieces.

    A measure that differs between the sides is given for each, named `..., left` and `..., right`; girths go round both
    sides.
    """
    if not pattern.left:
        return _measured(pattern)
    left, right = (_measured(pattern.of(side)) for side in LEFT_RIGHT)
    girths = {rule.id for rule in pattern.garment.rule.measures if rule.girth and rule.times == 2}
    round_both = {name: (left[name] + right[name]) / 2 for name in girths & left.keys() & right.keys()}
    return _per_side({**left, **round_both}, {**right, **round_both})


def _per_side(left: Mapping[str, float], right: Mapping[str, float]) -> dict[str, float]:
    """What was taken on each side under one name where it is the same, else under `..., left` and `..., right`."""
    result: dict[str, float] = {}
    for name in {**right, **left}:
        values = {side: taken[name] for side, taken in (("left", left), ("right", right)) if name in taken}
        alike = len(values) == 2 and left[name] == right[name]
        result |= {name: right[name]} if alike else {f"{name}, {side}": value for side, value in values.items()}
    return result


def alike(stages: Iterable[Mapping[str, float]]) -> list[dict[str, float]]:
    """Measures (mm) of a pattern at several stages under the same names: per side if the sides ever differ."""
    found = list(stages)
    split = {name.removesuffix(", left") for values in found for name in values if name.endswith(", left")}
    names = {name: (f"{name}, left", f"{name}, right") for name in split}
    return [{own: mm for name, mm in values.items() for own in names.get(name, (name,))} for values in found]


def called(pattern: Pattern, name: str, mm: float) -> tuple[str, float]:
    """A measure as printed, its name and mm: one below 0 by its opposite name, if it has one, and positive."""
    for rule in pattern.garment.rule.measures if mm < 0 else ():
        if rule.below_0 and rule.id in name:
            return name.replace(rule.id, rule.below_0), -mm
    return name, mm


def _measured(pattern: Pattern) -> dict[str, float]:
    each = {name: piece_measures(pattern, name) for name in pattern.pieces}
    result = {f"{name} {key}": value for name, values in each.items() for key, value in values.items()}
    for rule in pattern.garment.rule.measures:
        if rule.sum and all(name in result for name in rule.sum):
            result[rule.id] = sum(result[name] for name in rule.sum)
        elif rule.less and all(name in result for name in rule.less):
            result[rule.id] = result[rule.less[0]] - result[rule.less[1]]
        elif rule.girth and all(rule.girth in values for values in each.values()):
            result[rule.id] = rule.times * sum(values[rule.girth] for values in each.values())
    return result


def angle_measures(pattern: Pattern) -> Mapping[str, float]:
    """Angles in degrees by name: slants of centre seams, bends at smooth corners, sums at corners that meet.

    One that differs between the sides is given for each, as measures are.
    """
    if not pattern.left:
        return _angles(pattern)
    left, right = (_angles(pattern.of(side)) for side in LEFT_RIGHT)
    return _per_side(left, right)


def _angles(pattern: Pattern) -> Mapping[str, float]:
    result = {f"{name} slant of {piece.part.seams[-1]} seam": slant(piece) for name, piece in pattern.pieces.items()}
    for name, piece in pattern.pieces.items():
        for corner in piece.part.smooth:
            result[f"{name} bend at {corner.replace('-', ' ')}"] = abs(corner_angle(piece, corner) - 180.0)
    for rule in pattern.garment.rule.meetings:
        result[rule.id] = meeting_angle(pattern, rule)
    return result


def near_measures(name: str, known: Iterable[str]) -> str:
    """A hint with up to three measures named like the one given, and how to see them all."""
    wanted, names = set(name[:80].lower().split()), list(known)
    shared = sorted(
        (other for other in names if wanted & set(other.split())),
        key=lambda other: (-len(wanted & set(other.split())), len(other)),
    )
    close = difflib.get_close_matches(name[:80].lower(), names, 3)
    found = list(dict.fromkeys((*close[:1], *shared, *close)))[:3]
    listed = "`fitdiag pattern measure FILE` prints all the names"
    return f"did you mean {' or '.join(repr(other) for other in found)}? {listed}" if found else listed
