"""The trousers block, by the rules of a published metric textbook block.

Source of the rules: "The Basic Trousers Block", in a textbook of English for clothing (3rd ed., part 3), which reprints
a metric block. The curve of a seam between its given points is our own (the source gives one touch point). x = 0 is the
crease and grainline, y = 0 the floor; numbers in brackets, or in comments, are the source's own point numbers.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fitdiag.pattern.blocks import Asked, Block, bezier, bowed, finished, join, line, meet
from fitdiag.pattern.garment import Garment
from fitdiag.pattern.piece import Array, Dart, Piece, left_of, points, unit

EASE_MM = 40.0  # round the hip, as front and back have it together
SOURCE = "metric textbook block (basic trousers block, textbook of English for clothing, 3rd ed., part 3)"


Measures = Mapping[str, float]  # of a body in mm, as the block asks for them


def levels(m: Measures) -> dict[str, float]:
    """y of waist, hip, crotch, knee and hem in mm (1-4); from crotch to knee is half of crotch to floor, less 5 cm."""
    crotch = m["waist_to_floor"] - m["rise"]
    return {
        "waist": m["waist_to_floor"],
        "hip": m["waist_to_floor"] - m["waist_to_hip"],
        "crotch": crotch,
        "knee": crotch - (crotch / 2 - 50),
        "hem": 0.0,
    }


def centre_setting(m: Measures) -> float:
    """How far the centre line lies from the crease (1-5): hip / 12 + 1.5 cm."""
    return m["hip"] / 12 + 15


def front_extension(m: Measures) -> float:
    """Front fork extension (5-9): hip / 16 + 0.5 cm."""
    return m["hip"] / 16 + 5


def block_extension(hip: float) -> float:
    """The block's whole back extension for a hip girth, mm: from the start of the curve to the crotch point (16-23)."""
    return centre_setting({"hip": hip}) / 4 + front_extension({"hip": hip}) * 1.5


def by_size(m: Measures) -> tuple[float, float, float]:
    """What the source gives by size group, in mm (groups by hip girth here): the distance of the front and the back
    curve from their corner (5, 16), and how much wider half the knee is than half the hem (4-13).
    """
    if m["hip"] <= 955:
        return 30.0, 42.5, 13.0
    return (32.5, 45.0, 15.0) if m["hip"] <= 1150 else (35.0, 47.5, 17.0)


def _front(m: Measures, garment: Garment) -> Piece:
    level, centre = levels(m), -centre_setting(m)
    reach, _, more = by_size(m)
    crotch_x = centre - front_extension(m)  # 9
    hip_side = centre + m["hip"] / 4 + 5  # 8
    waist_centre = np.array([centre + 10, level["waist"]])  # 10
    waist_side = np.array([centre + 10 + m["waist"] / 4 + 22.5, level["waist"]])  # 11
    hem, knee = m["bottom"] / 2 - 5, m["bottom"] / 2 - 5 + more  # 12, 13
    corner = np.array([centre, level["crotch"]])
    touch = corner + reach * np.array([-1.0, 1.0]) / np.sqrt(2)
    start = np.array([centre, level["hip"]])  # 6
    point = np.array([crotch_x, level["crotch"]])
    dart = Dart(*points([[-10, level["waist"]], [10, level["waist"]], [0, level["waist"] - 100]]))
    piece = Piece(
        garment.parts["front"],
        {
            "waist": line(waist_centre, waist_side),
            **_leg(waist_side, (hip_side, level["hip"]), (knee, level["knee"]), hem, point, -7.5),
            "curve": _curve(point, touch, start),
            "centre": line(start, waist_centre),
        },
        (dart,),
    )
    return finished(piece, level, {"hip": centre})


def _back(m: Measures, garment: Garment) -> Piece:
    level, setting = levels(m), centre_setting(m)
    _, reach, more = by_size(m)
    corner_x = -setting + setting / 4  # 16
    crotch_x = -setting - front_extension(m) * 1.5  # 23
    hip_side = corner_x + m["hip"] / 4 + 15  # 25
    waist_centre = np.array([corner_x + 20, level["waist"] + 20])  # 21
    run = np.sqrt((m["waist"] / 4 + 42.5) ** 2 - 20**2)
    waist_side = np.array([waist_centre[0] + run, level["waist"]])  # 22
    hem, knee = m["bottom"] / 2 + 5, m["bottom"] / 2 + 5 + more  # 26-29: each side 1 cm wider than the front
    start = np.array([corner_x, level["crotch"] + m["rise"] / 2])  # 19
    point = np.array([crotch_x, level["crotch"] - 5])  # 24
    touch = np.array([corner_x, level["crotch"]]) + reach * np.array([-1.0, 1.0]) / np.sqrt(2)
    along = unit(waist_side - waist_centre)
    down = -left_of(along)
    darts = []
    for share, depth in ((1 / 3, 120.0), (2 / 3, 100.0)):
        middle = waist_centre + (waist_side - waist_centre) * share
        darts.append(Dart(*points([middle - along * 10, middle + along * 10, middle + down * depth])))
    piece = Piece(
        garment.parts["back"],
        {
            "waist": line(waist_centre, waist_side),
            **_leg(waist_side, (hip_side, level["hip"]), (knee, level["knee"]), hem, point, -12.5),
            "curve": _curve(point, touch, start, tangent=waist_centre - start),
            "centre": line(start, waist_centre),
        },
        tuple(darts),
    )
    return finished(piece, level, {"hip": corner_x})  # the block measures the hip from this vertical


def _leg(
    waist_side: Array, hip: tuple[float, float], knee: tuple[float, float], hem: float, point: Array, bow: float
) -> dict[str, Array]:
    """Side seam, hem and inseam of a leg, equally wide on both sides of the crease; `bow`: of the upper inseam, mm."""
    inner_knee = (-knee[0], knee[1])
    return {
        "side": join(bowed(waist_side, hip, 5), bowed(hip, knee, -5), line(knee, (hem, 0))),
        "hem": line((hem, 0), (-hem, 0)),
        "inseam": join(line((-hem, 0), inner_knee), bowed(inner_knee, point, bow)),
    }


def _curve(point: Array, touch: Array, start: Array, tangent: Array | None = None) -> Array:
    """The crotch curve from the crotch point through the touch point to the start of the centre seam.

    Two quadratic Bezier curves with a common tangent at the touch point, horizontal at the crotch point, and running
    into the centre seam at its start.
    """
    end_direction = np.array([0.0, 1.0]) if tangent is None else unit(tangent)
    level = np.array([1.0, 0.0])
    middle = unit(level + end_direction)
    first = meet(point, level, touch, middle)
    second = meet(start, end_direction, touch, middle)
    return join(bezier(point, first, touch), bezier(touch, second, start))


def _pieces(m: Measures, garment: Garment) -> dict[str, Piece]:
    return {"front": _front(m, garment), "back": _back(m, garment)}


BLOCK = Block(
    source=SOURCE,
    asked=(
        Asked("waist", 400, 2000, 720, 90, girth="waist after darts girth"),
        Asked("hip", 500, 2200, 980, 90, girth="hip girth"),
        Asked("rise", 150, 500, 275, 30),
        Asked("waist_to_hip", 100, 350, 205, 20),
        Asked("waist_to_floor", 600, 1400, 1030, 60),
        Asked("bottom", 100, 500, 230, 40),
    ),
    pieces=_pieces,
    shares=(  # no source
        ("waist", "hip", 0.5, 10.0),
        ("rise", "hip", 0.2, 0.42),
        ("waist_to_hip", "rise", 0.5, 0.97),
        ("waist_to_floor", "rise", 2.6, 5.2),
        ("bottom", "hip", 0.12, 0.42),
    ),
    order=(("waist_to_hip", "rise", 1.0), ("rise", "waist_to_floor", 0.5)), tells=("back grain to centre at waist",),
    expects={"back extension": lambda measures: block_extension(measures["hip girth"] - EASE_MM)},
)  # fmt: skip
