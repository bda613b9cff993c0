"""What a symptom does to the trousers in a drawing: folds that hang, lines that pull, edges that move, places that press.

A primitive takes a strength (1 slight, 2 clear, 3 strong) and the hands of the picture it shows on. Its numbers are in the units
of the drawing; x counts outwards from the middle on the front and back view.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

from fitdiag.reports.trousers import (
    CROTCH,
    HEM,
    HIP,
    KNEE,
    MIDDLE,
    WAIST,
    XY,
    Drawn,
    Shape,
    arrow,
    fold,
    line,
    number,
    plumb,
    pull,
    rays,
    spot,
    stroke,
    wanted,
)  # fmt: skip

Sides = tuple[int, ...]  # -1: the left hand of the picture, 1: its right hand
Primitive = Callable[[int, Sides], Drawn]
BOTH: Sides = (-1, 1)


def at(s: int, x: float, y: float) -> XY:
    """A place on one half of the picture: x counts outwards from the middle."""
    return MIDDLE + s * x, y


# ---------------------------------------------------------------------------- primitives: folds, pulls and openings


def pulls_across(x0: float, x1: float, y: float, *, gap: float = 4.6, centre: bool = False) -> Primitive:
    """Tight level lines between two distances from the middle, or right across it."""

    def draw(k: int, sides: Sides) -> Drawn:
        count, marks = (2, 4, 6)[k - 1], []
        for n in range(count):
            level = y + (n - (count - 1) / 2) * gap
            shorter = abs(n - (count - 1) / 2) * 1.6 + (3 - k) * 2.4
            bend = (n - (count - 1) / 2) * 0.8
            if centre:
                marks.append(pull((MIDDLE - x1 + shorter, level), (MIDDLE + x1 - shorter, level), -bend))
            else:
                marks += [
                    pull(at(s, x0 + shorter / 2, level), at(s, x1 - shorter / 2, level), -bend * s) for s in sides
                ]
        return Drawn(marks=tuple(marks))

    return draw


def side_pulls(x0: float, x1: float, y: float, gap: float = 4.6) -> Primitive:
    """Tight level lines on the side view."""

    def draw(k: int, _: Sides) -> Drawn:
        count = (2, 4, 6)[k - 1]
        marks = []
        for n in range(count):
            off = n - (count - 1) / 2
            inset = abs(off) * 1.5 + (3 - k) * 2.2
            marks.append(pull((x0 + inset, y + off * gap), (x1 - inset, y + off * gap), -off * 0.8))
        return Drawn(marks=tuple(marks))

    return draw


def fan(y: float, angles: Sequence[float], far: tuple[float, float, float], near: float = 2.5) -> Primitive:
    """Tight lines that open like a fan from the crotch; angles for the right hand of the picture."""

    def draw(k: int, sides: Sides) -> Drawn:
        some = [angles[len(angles) // 2]] if k == 1 and len(angles) < 3 else angles[: k + 1] if k < 3 else angles
        marks = [rays(at(s, 1.5, y), [a if s > 0 else 180 - a for a in some], near, far[k - 1], 1.15) for s in sides]
        return Drawn(marks=tuple(marks))

    return draw


def folds(
    *lines: tuple[float, float, float, float, float], mirror: bool = True, shape: Shape | None = None
) -> Primitive:
    """Loose folds (x0, y0, x1, y1, bend), x outwards from the middle; one more with each step of strength, and heavier."""

    def draw(k: int, sides: Sides) -> Drawn:
        count = max(1, round(len(lines) * (0.34, 0.67, 1.0)[k - 1]))
        width = (1.3, 1.9, 2.6)[k - 1]
        marks = []
        for s in sides if mirror else (1,):
            for x0, y0, x1, y1, bend in lines[:count]:
                marks.append(fold(at(s, x0, y0), at(s, x1, y1), bend * s * (0.7, 1.0, 1.25)[k - 1], width, s))
        return Drawn(shape or Shape(), tuple(marks))

    return draw


def pulls(*lines: tuple[float, float, float, float, float]) -> Primitive:
    """Tight lines (x0, y0, x1, y1, bend), x outwards from the middle; more and longer with strength."""

    def draw(k: int, sides: Sides) -> Drawn:
        count, part = max(1, round(len(lines) * (0.4, 0.7, 1.0)[k - 1])), (0.6, 0.8, 1.0)[k - 1]
        marks = []
        for s in sides:
            for x0, y0, x1, y1, bend in lines[:count]:
                end = (x0 + (x1 - x0) * part, y0 + (y1 - y0) * part)
                marks.append(pull(at(s, x0, y0), at(s, *end), bend * s * part, 1.15))
        return Drawn(marks=tuple(marks))

    return draw


def opening(
    a: tuple[float, float], b: tuple[float, float], widths: tuple[float, float, float], *, mirror: bool
) -> Primitive:
    """An edge that gapes: an eye between two places, dark inside."""
    back = 0.3 if mirror else 1.0

    def draw(k: int, sides: Sides) -> Drawn:
        marks = []
        for s in sides if mirror else (1,):
            p, q = at(s, *a), at(s, *b)
            long = ((q[0] - p[0]) ** 2 + (q[1] - p[1]) ** 2) ** 0.5
            away = (-(q[1] - p[1]) / long * widths[k - 1] * s, (q[0] - p[0]) / long * widths[k - 1] * s)
            middle = ((p[0] + q[0]) / 2, (p[1] + q[1]) / 2)
            one, two = (
                (middle[0] + away[0], middle[1] + away[1]),
                (middle[0] - away[0] * back, middle[1] - away[1] * back),
            )
            path = f"M{number(p[0])} {number(p[1])}Q{number(one[0])} {number(one[1])} {number(q[0])} {number(q[1])}"
            path += f"Q{number(two[0])} {number(two[1])} {number(p[0])} {number(p[1])}z"
            marks.append(stroke(path, 1.3, fill="#777"))
        return Drawn(marks=tuple(marks))

    return draw


def pinched(*places: tuple[float, float, float, float]) -> Primitive:
    """Spare cloth pinched out: a tab that stands off the edge at (x, y), `tall` high, its outward lean in `lean`."""

    def draw(k: int, sides: Sides) -> Drawn:
        out, marks = (4.0, 7.0, 10.5)[k - 1], []
        for s in sides:
            for x, y, tall, lean in places:
                tip = at(s, x + out, y + lean)
                a, b = at(s, x - 0.5, y - tall / 2), at(s, x - 0.5, y + tall / 2)
                waist = x + out * 0.25
                path = f"M{number(a[0])} {number(a[1])}C{number(at(s, waist, 0)[0])} {number(y - tall * 0.2)} "
                path += f"{number(tip[0] - s * 2)} {number(tip[1] - 2.4)} {number(tip[0])} {number(tip[1] - 1)}v2"
                path += f"C{number(tip[0] - s * 2)} {number(tip[1] + 2.4)} {number(at(s, waist, 0)[0])} {number(y + tall * 0.2)} "
                path += f"{number(b[0])} {number(b[1])}"
                marks.append(stroke(path, 1.8, fill="#fff"))
                marks.append(
                    stroke(f"M{number(a[0])} {number(a[1])}L{number(b[0])} {number(b[1])}", 0.9, dash="2.2 1.8")
                )
                marks.append(pull(at(s, x + 0.6, y + lean * 0.2), at(s, x + out - 1.2, y + lean), 0, 0.9))
        return Drawn(marks=tuple(marks))

    return draw


def felt(x: float, y: float, *, shape: Shape | None = None) -> Primitive:
    """A place where something is felt: the more rings, the more it presses."""
    return lambda k, _: Drawn(shape or Shape(), (spot((x, y), k),))


def together(*primitives: Primitive) -> Primitive:
    """Several primitives in one drawing."""

    def draw(k: int, sides: Sides) -> Drawn:
        result = primitives[0](k, sides)
        for primitive in primitives[1:]:
            result += primitive(k, sides)
        return result

    return draw


def bent(
    make: Callable[[float], Shape], *three: float, marks: Callable[[float], Sequence[str]] | None = None
) -> Primitive:
    """The trousers themselves bent by an amount; `marks` draws what shows it."""
    return lambda k, _: Drawn(make(three[k - 1]), tuple(marks(three[k - 1])) if marks else ())


# ---------------------------------------------------------------------------------- primitives: levels, seams, grain


TAPE = wanted([(34.0, WAIST), (86.0, WAIST)])


def level_v(y: float, x: float) -> Primitive:
    """A drawn level line that makes a V at the centre seam, over the broken line where it should lie."""

    def draw(k: int, _: Sides) -> Drawn:
        dip = (4.0, 7.5, 12.0)[k - 1]
        drawn = line(
            [(MIDDLE - x, y), (MIDDLE - 14, y + 0.5), (MIDDLE, y + dip), (MIDDLE + 14, y + 0.5), (MIDDLE + x, y)],
            2.0,
            smooth=False,
        )
        return Drawn(marks=(wanted([(MIDDLE - x, y), (MIDDLE + x, y)]), drawn))

    return draw


def side_levels(slope: int, *levels: tuple[float, float, float]) -> Primitive:
    """Level lines (y, left, right) of the side view that slope towards the back, `slope` 1 down or -1 up."""

    def draw(k: int, _: Sides) -> Drawn:
        drop, marks = (3.5, 6.5, 10.5)[k - 1] * slope, []
        for y, left, right in levels:
            middle, end = left + (right - left) * 0.45, _back_edge(y + drop)
            marks += [
                wanted([(left, y), (right, y)]),
                line([(left, y), (middle, y + drop * 0.12), (end, y + drop)], 2.0),
            ]
        return Drawn(marks=tuple(marks))

    return draw


def _back_edge(y: float) -> float:
    """Where the back of the side view lies at a height."""
    known = (
        (20.0, 76.5),
        (35.0, 82.0),
        (46.0, 86.6),
        (54.0, 88.0),
        (62.0, 87.4),
        (68.0, 85.5),
        (80.0, 80.0),
        (102.0, 76.0),
    )
    for (above, x0), (below, x1) in pairwise(known):
        if y <= below:
            return x0 + (x1 - x0) * (y - above) / (below - above)
    return known[-1][1]


def creases(
    offsets: Callable[[float], Sequence[tuple[float, float]]],
    three: tuple[float, float, float],
    reference: Sequence[tuple[float, float]],
) -> Primitive:
    """Drawn lines along both legs through (x, y), and the broken line they should follow."""

    def draw(k: int, sides: Sides) -> Drawn:
        marks = []
        for s in sides:
            marks.append(wanted([at(s, *point) for point in reference]))
            marks.append(line([at(s, *point) for point in offsets(three[k - 1])], 2.0))
        return Drawn(marks=tuple(marks))

    return draw


def hems_out(way: int) -> Primitive:
    """Both hems drift off the middle of the feet."""

    def draw(k: int, _: Sides) -> Drawn:
        out = (2.0, 3.7, 5.4)[k - 1] * way
        marks = [line([at(s, 15.5, 60), at(s, 15.6 + 0.5 * out, KNEE), at(s, 15.7 + out, HEM)], 1.2) for s in BOTH]
        marks += [plumb(at(s, 15.5, 0)[0], KNEE + 10, 194) for s in BOTH]
        return Drawn(Shape(hem_out=out), tuple(marks))

    return draw


def one_hem() -> Primitive:
    def draw(k: int, sides: Sides) -> Drawn:
        rise, s = (4.0, 8.0, 13.0)[k - 1], sides[-1]
        marks = (wanted([(32, HEM), (88, HEM)]), arrow(at(s, 30, HEM), at(s, 30, HEM - max(rise, 6.0))))
        return Drawn(Shape(hem_rise=(rise, 0.0) if s < 0 else (0.0, rise)), marks)

    return draw


def waist_moved(way: int, *, arrows: bool = False) -> Primitive:
    """The whole edge above (-1) or below (1) its broken line."""

    def draw(k: int, _: Sides) -> Drawn:
        move = (3.5, 7.0, 11.5)[k - 1] * way
        shown = [wanted([(32.0, WAIST), (88.0, WAIST)])]
        if arrows:
            shown += [arrow((x, WAIST - 3), (x, WAIST + move + 3)) for x in (29.0, 91.0)]
        return Drawn(Shape(waist=move), tuple(shown))

    return draw


def seam_puckers() -> Primitive:
    def draw(k: int, _: Sides) -> Drawn:
        step, wide = (13.0, 8.0, 5.0)[k - 1], (3.0, 4.2, 5.4)[k - 1]
        marks, y = [], 70.0
        while y < 168:
            marks.append(pull((61.5 - wide, y - 1.4), (61.5 + wide, y + 1.4), 1.0, 1.0))
            y += step
        return Drawn(marks=tuple(marks))

    return draw


def spiral() -> Primitive:
    """Both leg seams wind round the leg: they come into sight on one edge and leave it on the other."""

    def draw(k: int, sides: Sides) -> Drawn:
        turn, marks = (5.0, 9.5, 15.0)[k - 1], []
        for s in sides:
            marks.append(
                line(
                    [
                        at(s, 30.5, 66),
                        at(s, 29.5 - turn * 0.25, 100),
                        at(s, 26.5 - turn * 0.6, 140),
                        at(s, 25.2 - turn, HEM),
                    ],
                    2.0,
                )
            )
            marks.append(fold(at(s, 24, 84), at(s, 24 - turn * 0.9, 120), 3 * s, 0.9 + 0.3 * k))
        return Drawn(marks=tuple(marks))

    return draw


def dart_points() -> Primitive:
    def draw(k: int, sides: Sides) -> Drawn:
        r, marks = (3.0, 4.6, 6.6)[k - 1], []
        for s in sides:
            x, y = at(s, 11.4, 41)
            for part in (1.0, 0.6)[: 1 if k == 1 else 2]:
                marks.append(
                    stroke(
                        f"M{number(x - r * part)} {number(y)}A{number(r * part)} {number(r * part)} 0 0 0 "
                        f"{number(x + r * part)} {number(y)}",
                        1.0 + 0.3 * k,
                    )
                )
            marks.append(line([at(s, 13, 26), at(s, 11.6, 39)], 1.4))
        return Drawn(marks=tuple(marks))

    return draw


def taut_seam() -> Primitive:
    def draw(k: int, _: Sides) -> Drawn:
        width = (1.6, 2.4, 3.4)[k - 1]
        marks = [stroke(f"M{number(MIDDLE)} 34L{number(MIDDLE)} 75", width)]
        for s in BOTH:
            marks.append(fold(at(s, 4.5, 42 - 2 * k), at(s, 3.4, 72), -1.5 * s, 0.9 + 0.45 * k))
        return Drawn(marks=tuple(marks))

    return draw


def drawn_in() -> Primitive:
    """The back seam pulled into the cleft."""

    def draw(k: int, _: Sides) -> Drawn:
        marks = [stroke(f"M{number(MIDDLE)} {number(62 - 7 * k)}L{number(MIDDLE)} 77", (2.0, 3.0, 4.2)[k - 1])]
        for s in BOTH:
            for n in range(k):
                marks.append(pull(at(s, 2, 70 - 6 * n), at(s, 11 + 3 * k - n, 60 - 7 * n), -2.0 * s, 1.2))
            marks.append(
                stroke(
                    f"M{number(at(s, 1.5, 0)[0])} 77Q{number(at(s, 8, 0)[0])} {number(79 + k)} {number(at(s, 12 + 2 * k, 0)[0])} 74",
                    1.4,
                )
            )
        return Drawn(marks=tuple(marks))

    return draw


def crotch_low() -> Primitive:
    def draw(k: int, _: Sides) -> Drawn:
        down = (5.0, 10.0, 16.0)[k - 1]
        body = stroke(f"M{number(MIDDLE - 9)} 92Q{number(MIDDLE)} 50 {number(MIDDLE + 9)} 92", 1.0, dash="2.2 1.8")
        return Drawn(Shape(crotch=down), (body, arrow((MIDDLE, 73), (MIDDLE, CROTCH + down - 1))))

    return draw


def grain_to_centre() -> Primitive:
    def draw(k: int, sides: Sides) -> Drawn:
        x = (9.5, 6.5, 3.0)[k - 1]
        marks = [wanted([at(s, 12.8, WAIST + 8), at(s, 15.5, 120)]) for s in sides]
        marks += [line([at(s, x, WAIST + 7), at(s, (x + 15.5) / 2, 72), at(s, 15.5, 122)], 2.0) for s in sides]
        return Drawn(marks=tuple(marks))

    return draw


def off_plumb() -> Primitive:
    def draw(k: int, sides: Sides) -> Drawn:
        out = (3.0, 6.0, 9.5)[k - 1]
        marks = [plumb(at(s, 14, 0)[0], 50, 168) for s in sides]
        return Drawn(marks=(*marks, *[line([at(s, 14, 50), at(s, 14 + out, 172)], 2.0) for s in sides]))

    return draw


def side_seam(make: Callable[[float], Shape], three: tuple[float, float, float], *, hip: bool) -> Primitive:
    """The side seam swung or bowed beside a broken line."""

    def draw(k: int, _: Sides) -> Drawn:
        mark = wanted([(60.0, WAIST + 3), (61.5, 88.0)]) if hip else plumb(62.0, HIP, 192)
        return Drawn(make(three[k - 1]), (mark,))

    return draw


def gaping_waist(way: int) -> Primitive:
    """Side view: the edge stands away from the body in front (-1) or behind (1)."""

    def draw(k: int, _: Sides) -> Drawn:
        out = (3.0, 5.5, 9.0)[k - 1]
        body = line([(76, 20), (81.5, 34), (86.5, 50)] if way > 0 else [(42.5, 20), (39.5, 34), (39, 48)], 1.0)
        gap = arrow((70, 14), (76 + out, 17)) if way > 0 else arrow((49, 14), (42 - out, 17))
        return Drawn(Shape(gape_back=out) if way > 0 else Shape(gape_front=out), (body, gap))

    return draw


def sitting_hem() -> Primitive:
    def draw(k: int, _: Sides) -> Drawn:
        rise = (8.0, 15.0, 24.0)[k - 1]
        marks = (wanted([(16, 146), (50, 146)]), arrow((13, 146), (13, 146 - rise)))
        return Drawn(Shape(hem_rise=(rise, rise)), marks)

    return draw


def lap() -> Primitive:
    def draw(k: int, _: Sides) -> Drawn:
        heap = (4.0, 8.0, 13.0)[k - 1]
        marks = [fold((66, 62 - heap * 0.4), (50, 72 - heap * 0.6), -3.0 - heap * 0.3, 1.0 + 0.4 * k)]
        marks += [fold((70, 66), (54, 78), -3.5, 1.0 + 0.3 * k)] if k > 1 else []
        marks += [fold((74, 62), (64, 84), -3.5, 1.9)] if k > 2 else []
        return Drawn(Shape(lap=heap), (wanted([(62, 63), (30, 64)]), *marks))

    return draw


def bent_waist() -> Primitive:
    def draw(k: int, _: Sides) -> Drawn:
        down = (5.0, 10.0, 16.0)[k - 1]
        marks = (wanted([(37, 73), (60, 38)]), arrow((64, 30), (64 + down * 0.9, 30 + down * 0.8)))
        return Drawn(Shape(waist_back=down), marks)

    return draw


def one_sided() -> Primitive:
    """A slanting fold from one hip only; without a side it is drawn on one hand of the picture."""

    def draw(k: int, sides: Sides) -> Drawn:
        s = sides[-1]
        marks = [
            pull(at(s, 27, 32 + 7 * n), at(-s, -14 + 6 * k + 2 * n, 44 + 4 * k + 7 * n), -3 * s, 1.5) for n in range(k)
        ]
        return Drawn(marks=tuple(marks))

    return draw
