"""How a straight skirt hangs in the drawings of signs: stances bent by a few numbers.

Units of the drawing: the waist lies at y = 20, the hip line at 54, the hem at y = 150, the middle at x = 60.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

from fitdiag.reports.figures import EDGE, MIDDLE, SEAM, body, curve, dipped, line, pair, seam, sideways, stroke

WAIST, HIP, HEM = 20.0, 54.0, 150.0


@dataclass(frozen=True)
class Shape:
    """How the skirt hangs: moves of edges and seams in units of the drawing; y grows downwards, 0 is as drawn."""

    waist: float = 0.0  # the whole edge
    gape_back: float = 0.0  # away from the body, side view
    hem_up_left: float = 0.0  # the hem at the left hand of the picture, in profile the front of it
    hem_up_right: float = 0.0
    hem_up: float = 0.0  # the whole hem
    hem_out: float = 0.0  # both sides outwards
    turned: float = 0.0  # the centre seam at the waist, to the right hand of the picture
    bubble: float = 0.0  # the outline below the waist, outwards
    under_seat: float = 0.0  # the outline below the seat, outwards
    front_out: float = 0.0  # the front of the hem, away from the legs
    back_out: float = 0.0
    seam_low: float = 0.0  # the side seam at the hem, backwards
    seam_hip: float = 0.0
    slit: float = 0.0  # how far the slit stands open


def frontal(shape: Shape, *, back: bool) -> str:
    """Front and back view: the body first, faint, then the skirt over it, then its seams and darts."""
    c, edge, low = MIDDLE, WAIST + shape.waist, HEM - shape.hem_up
    parts = body([[(x, HEM - 4), (x + 1.5, 195)] for x in (5.0, 20.0)], 13.5, 7.0)
    sides = {}
    for s, rise in ((-1, shape.hem_up_left), (1, shape.hem_up_right)):
        sides[s] = [
            (c + s * 21, edge), (c + s * (26.5 + shape.bubble), 33), (c + s * 31, HIP), (c + s * 31, 90),
            (c + s * (30.5 + shape.hem_out), low - rise),
        ]  # fmt: skip
    path = f"M{pair(sides[-1][0])}" + dipped(sides[-1][0], (c, edge + 1.6), sides[1][0]) + curve(sides[1])
    hem = (c, low + 2.4 - (shape.hem_up_left + shape.hem_up_right) / 2)
    path += dipped(sides[1][-1], hem, sides[-1][-1]) + curve(sides[-1][::-1])
    parts.append(stroke(path + "z", EDGE, fill="#fff"))
    ends = (c - 21.9, edge + 4.6), (c + 21.9, edge + 4.6)
    parts.append(stroke(f"M{pair(ends[0])}" + dipped(ends[0], (c, edge + 6.2), ends[1]), SEAM, grey="#444"))
    for s in (-1, 1):
        for x, end in ((8.0, 44), (14.5, 41)) if back else ((11.0, 37),):
            parts.append(seam([(c + s * x, edge + 5.8), (c + s * x * 0.94, end)]))
    if back:
        middle = c + shape.turned
        parts.append(seam([(middle, edge + 1.6), (middle, HIP), (c, 122)]))
        open_at = [(c - shape.slit / 2, hem[1]), (c, 122), (c + shape.slit / 2, hem[1])]
        parts.append(line(open_at, 1.0, smooth=False))
    return "".join(parts)


def profile(shape: Shape) -> str:
    """The left side: the front of the body is at the left hand of the picture."""
    up_front, up_back = shape.hem_up_left + shape.hem_up, shape.hem_up_right + shape.hem_up
    legs = (((50, HEM - 4), (52, 194)), ((71, HEM - 4), (66, 180), (67.5, 194)))
    front = [
        (42, WAIST + shape.waist), (38, 36), (37.5, HIP), (38 - shape.front_out * 0.5, 100),
        (38 - shape.front_out, HEM - up_front),
    ]  # fmt: skip
    back = [
        (76.5 + shape.gape_back, WAIST + shape.waist), (82 + shape.gape_back * 0.4, 35), (88, HIP),
        (88 + shape.under_seat, 70), (87.5 + shape.under_seat * 0.6 + shape.back_out * 0.4, 100), (87 + shape.back_out, HEM - up_back),
    ]  # fmt: skip
    hem = (61, HEM + 2 - (up_front + up_back) / 2)
    parts = sideways(legs, front, back, (59.5, WAIST + shape.waist + 2.2), hem)
    course = [(60, WAIST + shape.waist + 1), (61 + shape.seam_hip, 42), (62 + shape.seam_hip, HIP), (62 + shape.seam_low * 0.5, 100),
              (62 + shape.seam_low, HEM - (up_front + up_back) / 2)]  # fmt: skip
    parts.append(line(course, 1.8) if shape.seam_low or shape.seam_hip else seam(course))
    return "".join(parts)


HALVED = ("front", "back")  # views of which both halves are alike
STANCES: Mapping[str, Callable[[Shape], str]] = {
    "front": partial(frontal, back=False), "back": partial(frontal, back=True), "side": profile,
}  # fmt: skip
WHOLE_WINDOW: Mapping[str, tuple[float, float, float, float]] = {}
