"""A block drafted from measures by the rules of a published metric textbook block.

Source of the rules: "The Basic Trousers Block", in a textbook of English for clothing (3rd ed., part 3), which reprints a
metric block; the curve of each seam between its given points is ours (the source gives one touch point). It is a block:
a first try for a figure of these measures, not a pattern that fits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil, floor

import numpy as np

from fitdiag.pattern.assemble import across
from fitdiag.pattern.garment import Garment, trousers, with_notches
from fitdiag.pattern.piece import Array, Dart, Pattern, Piece, points
from fitdiag.problems import stop
from fitdiag.units import Units, format_reading

SOURCE = "metric textbook block (basic trousers block, textbook of English for clothing, 3rd ed., part 3)"
GRADE = "a drafted block, not a fitted pattern"
STEP_MM = 4.0  # distance of the points along drafted curves
STEP_IN = 12.7  # limits are told in half inches
WAIST_OVER_HIP_MM = 30.0  # a waist this much over the hip is rather a slip; a judgement, no source
PROPORTIONS = (  # a measure, what it is held against, and the shares between which it lies on nearly every figure; no source
    ("waist", "hip", 0.5, 10.0),
    ("rise", "hip", 0.2, 0.42),
    ("waist_to_hip", "rise", 0.5, 0.97),
    ("waist_to_floor", "rise", 2.6, 5.2),
    ("bottom", "hip", 0.12, 0.42),
)


@dataclass(frozen=True)
class Measures:
    """Body measures for the block, in mm. Bottom is the width of the finished hem, flat."""

    waist: float
    hip: float
    rise: float
    waist_to_hip: float
    waist_to_floor: float
    bottom: float


def draft(measures: Measures, units: Units = "cm") -> Pattern:
    """Front and back by the block's rules. Raises ProblemsFoundError, in `units`, if the measures are not those of a body.

    x = 0 is the crease and grain line, y = 0 the floor; the numbers in brackets are the block's own points.
    """
    _refuse_impossible(measures, units)
    garment = trousers()
    pieces = {"front": _front(measures, garment), "back": _back(measures, garment)}
    return Pattern(garment, pieces, title="Drafted block", grade=GRADE)


def _refuse_impossible(m: Measures, units: Units) -> None:
    for name, least, most in (
        ("waist", 400, 2000), ("hip", 500, 2200), ("rise", 150, 500), ("waist_to_hip", 100, 350),
        ("waist_to_floor", 600, 1400), ("bottom", 100, 500),
    ):  # fmt: skip
        value = getattr(m, name)
        if not least <= value <= most:
            words = name.replace("_", " ")
            raise stop(
                "measure",
                f"{words} of {format_reading(value, units)} is outside {_between(least, most, units)}",
                hint="check the unit",
            )
    if not m.waist_to_hip < m.rise < m.waist_to_floor * 0.5:
        raise stop(
            "measure", "the rise must lie between waist to hip and half of waist to floor", hint="check the measures"
        )


def _between(least: float, most: float, units: Units) -> str:
    if units == "cm":
        return f"{least / 10:g} to {most / 10:g} cm"
    low, high = (f"{step_at(mm / STEP_IN) / 2:g}" for step_at, mm in ((ceil, least), (floor, most)))
    return f"{low} to {high} in"


def out_of_proportion(m: Measures, units: Units) -> str:
    """One line about measures that hardly belong together; empty if all do. Never a refusal: the fitter knows."""
    told = []
    waist, hip = (format_reading(value, units) for value in (m.waist, m.hip))
    if m.waist >= m.hip + WAIST_OVER_HIP_MM:
        told.append(f"the waist ({waist}) is larger than the hip ({hip}); perhaps they are exchanged")
    for name, other, least, most in PROPORTIONS:
        value, beside = getattr(m, name), getattr(m, other)
        if not least * beside <= value <= most * beside:
            word = "small" if value < least * beside else "large"
            shown = f"{name.replace('_', ' ')} ({format_reading(value, units)})"
            told.append(f"{shown} is {word} beside {other.replace('_', ' ')} ({format_reading(beside, units)})")
    return f"Look at the measures once more: {'; '.join(told)}." if told else ""


def levels(m: Measures) -> dict[str, float]:
    """y of waist, hip, crotch, knee and hem in mm; the knee lies half of crotch to floor less 5 cm below the crotch (1-4)."""
    crotch = m.waist_to_floor - m.rise
    return {
        "waist": m.waist_to_floor,
        "hip": m.waist_to_floor - m.waist_to_hip,
        "crotch": crotch,
        "knee": crotch - (crotch / 2 - 50),
        "hem": 0.0,
    }


def centre_setting(m: Measures) -> float:
    """How far the centre line lies from the crease (1-5): hip / 12 + 1.5 cm."""
    return m.hip / 12 + 15


def front_extension(m: Measures) -> float:
    """Front fork extension (5-9): hip / 16 + 0.5 cm."""
    return m.hip / 16 + 5


def block_extension(hip: float) -> float:
    """The block's whole back extension for a hip girth in mm: from the start of the curve to the crotch point (16-23)."""
    return (hip / 12 + 15) / 4 + (hip / 16 + 5) * 1.5


def touch_points(m: Measures) -> tuple[float, float]:
    """Distance of front and back curve from their corner (3 / 4.25 cm in sizes 8-14, more above; by hip girth here)."""
    if m.hip <= 955:
        return 30.0, 42.5
    return (32.5, 45.0) if m.hip <= 1150 else (35.0, 47.5)


def knee_addition(m: Measures) -> float:
    """Half knee width over half hem width (4-13): 1.3 cm, 1.5 and 1.7 in the larger size groups."""
    return 13.0 if m.hip <= 955 else 15.0 if m.hip <= 1150 else 17.0


def _front(m: Measures, garment: Garment) -> Piece:
    level, centre = levels(m), -centre_setting(m)
    crotch_x = centre - front_extension(m)  # 9
    hip_side = centre + m.hip / 4 + 5  # 8
    waist_centre = np.array([centre + 10, level["waist"]])  # 10
    waist_side = np.array([centre + 10 + m.waist / 4 + 22.5, level["waist"]])  # 11
    hem, knee = m.bottom / 2 - 5, m.bottom / 2 - 5 + knee_addition(m)  # 12, 13
    corner = np.array([centre, level["crotch"]])
    touch = corner + touch_points(m)[0] * np.array([-1.0, 1.0]) / np.sqrt(2)
    start = np.array([centre, level["hip"]])  # 6
    point = np.array([crotch_x, level["crotch"]])
    dart = Dart(
        points([[-10, level["waist"]]])[0], points([[10, level["waist"]]])[0], points([[0, level["waist"] - 100]])[0]
    )
    piece = Piece(
        garment.parts["front"],
        {
            "waist": _line(waist_centre, waist_side),
            **_leg(waist_side, (hip_side, level["hip"]), (knee, level["knee"]), hem, point, -7.5),
            "curve": _curve(point, touch, start),
            "centre": _line(start, waist_centre),
        },
        (dart,),
    )
    return with_notches(garment, replace(piece, lines=_lines(level, piece, centre)))


def _back(m: Measures, garment: Garment) -> Piece:
    level, setting = levels(m), centre_setting(m)
    corner_x = -setting + setting / 4  # 16
    crotch_x = -setting - front_extension(m) * 1.5  # 23
    hip_side = corner_x + m.hip / 4 + 15  # 25
    waist_centre = np.array([corner_x + 20, level["waist"] + 20])  # 21
    run = np.sqrt((m.waist / 4 + 42.5) ** 2 - 20**2)
    waist_side = np.array([waist_centre[0] + run, level["waist"]])  # 22
    hem, knee = m.bottom / 2 + 5, m.bottom / 2 + 5 + knee_addition(m)  # 26-29: one more on each side
    start = np.array([corner_x, level["crotch"] + m.rise / 2])  # 19
    point = np.array([crotch_x, level["crotch"] - 5])  # 24
    touch = np.array([corner_x, level["crotch"]]) + touch_points(m)[1] * np.array([-1.0, 1.0]) / np.sqrt(2)
    along = (waist_side - waist_centre) / np.hypot(*(waist_side - waist_centre))
    down = np.array([along[1], -along[0]])
    darts = []
    for share, depth in ((1 / 3, 120.0), (2 / 3, 100.0)):
        middle = waist_centre + (waist_side - waist_centre) * share
        ends = points([middle - along * 10, middle + along * 10, middle + down * depth])
        darts.append(Dart(ends[0], ends[1], ends[2]))
    piece = Piece(
        garment.parts["back"],
        {
            "waist": _line(waist_centre, waist_side),
            **_leg(waist_side, (hip_side, level["hip"]), (knee, level["knee"]), hem, point, -12.5),
            "curve": _curve(point, touch, start, tangent=waist_centre - start),
            "centre": _line(start, waist_centre),
        },
        tuple(darts),
    )
    return with_notches(garment, replace(piece, lines=_lines(level, piece, corner_x)))


def _leg(
    waist_side: Array, hip: tuple[float, float], knee: tuple[float, float], hem: float, point: Array, bow: float
) -> dict[str, Array]:
    """Side seam, hem and inseam of a leg that is as wide on both sides of the crease; `bow`: how far the inseam is hollowed."""
    inner_knee = (-knee[0], knee[1])
    return {
        "side": _join(_arc(waist_side, hip, 5), _arc(hip, knee, -5), _line(knee, (hem, 0))),
        "hem": _line((hem, 0), (-hem, 0)),
        "inseam": _join(_line((-hem, 0), inner_knee), _arc(inner_knee, point, bow)),
    }


def _lines(level: dict[str, float], piece: Piece, upright: float) -> dict[str, Array]:
    """The level lines, each from edge to edge; the hip line from the upright from which the block takes the hip (5 and 16).

    The crotch line of the back ends on the curve, above its crotch point.
    """
    found = {}
    for name in piece.part.ends:
        line = across(piece.part, piece.seams, name, level[name])
        assert line is not None
        found[name] = points([[upright, level[name]], line[1]]) if name == "hip" else line
    return found


def _line(start: object, end: object) -> Array:
    """A straight seam with a point every few millimetres, so that later curves have something to bend."""
    first, last = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    count = max(2, round(float(np.hypot(*(last - first))) / STEP_MM) + 1)
    return points(np.linspace(first, last, count))


def _arc(start: object, end: object, bow: float) -> Array:
    """A seam bowed by `bow` mm at its middle, to the left of its direction (outward, as the outline runs clockwise)."""
    line = _line(start, end).copy()
    along = line[-1] - line[0]
    outward = np.array([-along[1], along[0]]) / np.hypot(*along)
    share = np.linspace(0.0, 1.0, len(line))
    return points(line + np.outer(4 * share * (1 - share) * bow, outward))


def _join(*parts: Array) -> Array:
    return points(np.concatenate([parts[0], *(part[1:] for part in parts[1:])]))


def _curve(point: Array, touch: Array, start: Array, tangent: Array | None = None) -> Array:
    """The crotch curve from the crotch point over the touch point to where the centre seam begins.

    Two quadratic Bezier arcs that meet at the touch point with one tangent; level at the crotch point, along the centre seam
    at its start.
    """
    end_direction = np.array([0.0, 1.0]) if tangent is None else tangent / np.hypot(*tangent)
    middle = (np.array([1.0, 0.0]) + end_direction) / np.hypot(*(np.array([1.0, 0.0]) + end_direction))
    first = _meet(point, np.array([1.0, 0.0]), touch, middle)
    second = _meet(start, end_direction, touch, middle)
    return _join(_bezier(point, first, touch), _bezier(touch, second, start))


def _meet(a: Array, a_direction: Array, b: Array, b_direction: Array) -> Array:
    """Where two lines meet."""
    s = np.linalg.solve(np.column_stack([a_direction, -b_direction]), b - a)
    result: Array = a + a_direction * s[0]
    return result


def _bezier(start: Array, control: Array, end: Array) -> Array:
    count = max(8, round(float(np.hypot(*(end - start))) / STEP_MM * 1.2) + 1)
    t = np.linspace(0.0, 1.0, count)[:, None]
    return points((1 - t) ** 2 * start + 2 * t * (1 - t) * control + t**2 * end)
