"""What a tape would measure on a piece: seam lengths, grain distances, widths at the levels, angles where seams meet.

Lengths in mm, angles in degrees. All are taken on the stitching line unless a name says otherwise.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping

import numpy as np

from fitdiag.pattern.piece import Array, Pattern, Piece, length


def crossing(line: Array, y: float) -> float | None:
    """x where a polyline crosses the height `y`, the first time from its start; None if it does not."""
    heights = line[:, 1]
    for index in range(len(line) - 1):
        low, high = heights[index], heights[index + 1]
        if min(low, high) <= y <= max(low, high) and low != high:
            share = (y - low) / (high - low)
            return float(line[index, 0] + share * (line[index + 1, 0] - line[index, 0]))
    return None


def cut_at_x(line: Array, x: float) -> tuple[int, Array] | None:
    """Where a polyline crosses the vertical `x`: index of the point before it, and the point. None if it does not."""
    for index in range(len(line) - 1):
        left, right = line[index, 0], line[index + 1, 0]
        if min(left, right) <= x <= max(left, right) and left != right:
            share = (x - left) / (right - left)
            return index, line[index] + share * (line[index + 1] - line[index])
    return None


def grain_to_centre(piece: Piece) -> float:
    """Distance from the centre seam to the grainline, along the waist seam; negative when the grain has passed it.

    Where the grain meets the waist beyond its centre end, the horizontal distance is taken instead.
    """
    waist = piece.seams["waist"]
    found = cut_at_x(waist, piece.grain_x)
    if found is None:
        return float(piece.grain_x - waist[0, 0])
    index, point = found
    return length(np.concatenate([waist[: index + 1], point[None]]))


def grain_to_centre_with_allowance(piece: Piece) -> float:
    """The same from the cut edge: the centre seam's allowance lies between, so it reads that much more."""
    return grain_to_centre(piece) + piece.allowance.get("centre", 0.0)


def grain_to_centre_at(piece: Piece, level: str) -> float | None:
    """Horizontal distance from the centre seam (or the curve) to the grainline at a level; None below the crotch point."""
    y = piece.levels[level]
    for seam in ("centre", "curve"):
        x = crossing(piece.seams[seam], y)
        if x is not None:
            return piece.grain_x - x
    return None


def crotch_curve(piece: Piece) -> float:
    """The whole crotch seam of a piece, from the waist to the crotch point, as a tape on edge reads it."""
    return length(piece.seams["centre"]) + length(piece.seams["curve"])


def crotch_depth(piece: Piece) -> float:
    """From the side end of the waist straight down to the level of the crotch point."""
    return float(piece.corner("side-waist")[1] - piece.corner("crotch-point")[1])


def extension(piece: Piece) -> float:
    """Width of the crotch extension: from the vertical through the start of the curve to the crotch point."""
    return float(piece.corner("curve-start")[0] - piece.corner("crotch-point")[0])


def width_at(piece: Piece, y: float) -> float | None:
    """Width of the piece at a height, from the inner edge (inseam, curve or centre) to the side seam."""
    right = crossing(piece.seams["side"], y)
    left = next(
        (x for seam in ("inseam", "curve", "centre") if (x := crossing(piece.seams[seam], y)) is not None), None
    )
    return right - left if right is not None and left is not None else None


def hip_width(piece: Piece) -> float | None:
    """Width at the hip level from the centre seam to the side seam; below the curve's start the centre line is carried down."""
    y = piece.levels["hip"]
    right = crossing(piece.seams["side"], y)
    left: float | None = crossing(piece.seams["centre"], y)
    if "hip" in piece.lines:  # the balance line on the cloth, which a cut above it leaves where it is
        left = float(piece.lines["hip"][0, 0])
    elif left is None and y <= piece.corner("curve-start")[1]:
        left = float(piece.corner("curve-start")[0])
    return right - left if right is not None and left is not None else None


def waist_after_darts(piece: Piece) -> float:
    """The waist seam less what the darts take."""
    return length(piece.seams["waist"]) - sum(dart.width for dart in piece.darts)


def slant(piece: Piece) -> float:
    """Slant of the centre seam against the grain, degrees; positive when the waist end leans towards the side."""
    run = piece.corner("centre-waist") - piece.corner("curve-start")
    return float(np.degrees(np.arctan2(run[0], run[1])))


def waist_angle(piece: Piece) -> float:
    """Angle between waist and centre seam, degrees; 90 is square."""
    return _angle(
        piece.seams["waist"][1] - piece.seams["waist"][0], piece.seams["centre"][-2] - piece.seams["centre"][-1]
    )


def kink_at_curve_start(piece: Piece) -> float:
    """How much the crotch seam bends where centre seam and curve meet, degrees; 0 is smooth."""
    into, onward = (
        piece.seams["curve"][-1] - piece.seams["curve"][-2],
        piece.seams["centre"][1] - piece.seams["centre"][0],
    )
    return _angle(into, onward)


def crotch_angle(pattern: Pattern) -> float:
    """Sum of the two angles between inseam and crotch curve, degrees; 180 makes one smooth curve across the inseam."""
    total = 0.0
    for piece in (pattern.front, pattern.back):
        inseam, curve = piece.seams["inseam"], piece.seams["curve"]
        total += _angle(inseam[-2] - inseam[-1], curve[1] - curve[0])
    return total


def _angle(one: Array, other: Array) -> float:
    cosine = float(np.dot(one, other) / (np.hypot(*one) * np.hypot(*other)))
    return float(np.degrees(np.arccos(min(1.0, max(-1.0, cosine)))))


def piece_measures(piece: Piece) -> dict[str, float]:
    """Every measure of one piece by name; a width that cannot be taken is left out."""
    found: dict[str, float | None] = {
        "grain to centre at waist": grain_to_centre(piece),
        "grain to centre at hip": grain_to_centre_at(piece, "hip"),
        "crotch curve": crotch_curve(piece),
        "crotch depth": crotch_depth(piece),
        "extension": extension(piece),
        "inseam": length(piece.seams["inseam"]),
        "outseam": length(piece.seams["side"]),
        "hip": hip_width(piece),
        "thigh": width_at(piece, float(piece.corner("crotch-point")[1]) - 10.0),
        "knee": width_at(piece, piece.levels["knee"]),
        "hem": length(piece.seams["hem"]),
        "waist after darts": waist_after_darts(piece),
    }
    if piece.allowance.get("centre"):
        found["grain to centre at waist, from the cut edge"] = grain_to_centre_with_allowance(piece)
    return {name: value for name, value in found.items() if value is not None}


def pattern_measures(pattern: Pattern) -> dict[str, float]:
    """Measures of the whole pattern: those of each piece, and what front and back make together."""
    result = {
        f"{piece.side} {name}": value
        for piece in (pattern.front, pattern.back)
        for name, value in piece_measures(piece).items()
    }
    front, back = piece_measures(pattern.front), piece_measures(pattern.back)
    result["total crotch length"] = front["crotch curve"] + back["crotch curve"]
    result["inseam difference, back less front"] = back["inseam"] - front["inseam"]
    result["outseam difference, back less front"] = back["outseam"] - front["outseam"]
    for name, times in (
        ("hip", 2),
        ("waist after darts", 2),
        ("thigh", 1),
        ("knee", 1),
        ("hem", 1),
    ):  # round one leg, or all
        if name in front and name in back:
            result[f"{name} girth"] = times * (front[name] + back[name])
    return result


def angle_measures(pattern: Pattern) -> Mapping[str, float]:
    """Angles in degrees: how square and how smooth the seams meet."""
    return {
        "back slant of centre seam": slant(pattern.back),
        "front slant of centre seam": slant(pattern.front),
        "back waist to centre seam": waist_angle(pattern.back),
        "front waist to centre seam": waist_angle(pattern.front),
        "back kink at the start of the curve": kink_at_curve_start(pattern.back),
        "front kink at the start of the curve": kink_at_curve_start(pattern.front),
        "crotch curve across the inseam": crotch_angle(pattern),
    }


def near_measures(name: str, known: Iterable[str]) -> str:
    """A hint with two or three measures like the name given, and how to see them all."""
    wanted, names = set(name[:80].lower().split()), list(known)
    shared = sorted(
        (other for other in names if wanted & set(other.split())),
        key=lambda other: (-len(wanted & set(other.split())), len(other)),
    )
    close = difflib.get_close_matches(name[:80].lower(), names, 3)
    found = list(dict.fromkeys((*close[:1], *shared, *close)))[:3]
    listed = "`fitdiag pattern measure FILE` prints all the names"
    return f"did you mean {' or '.join(repr(other) for other in found)}? {listed}" if found else listed
