"""The trousers and the ink that drawings of symptoms are made of: five stances bent by a few numbers, folds, pulls, lines.

Units of the drawing: the waist lies at y = 20, the hem at y = 186, the middle at x = 60. Nothing
is told by colour: tight lines are thin and sharp, folds are heavier with a faint line beside them, a broken line is where
something should lie, the body is faint.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

XY = tuple[float, float]
WAIST, HIP, CROTCH, KNEE, HEM, FLOOR, MIDDLE = 20.0, 52.0, 76.0, 128.0, 186.0, 201.0, 60.0


@dataclass(frozen=True)
class Shape:
    """How the trousers hang: moves of edges and seams in units of the drawing; y grows downwards, 0 is as drawn."""

    waist: float = 0.0  # the whole edge
    waist_front: float = 0.0  # centre front (front and side view)
    waist_back: float = 0.0
    gape_front: float = 0.0  # away from the body, side view
    gape_back: float = 0.0
    crotch: float = 0.0
    hem_out: float = 0.0  # both hems outwards
    hem_up_left: float = 0.0  # the hem at the left hand of the picture, in profile the front of it
    hem_up_right: float = 0.0
    hem_forward: float = 0.0
    stance: float = 0.0
    under_seat: float = 0.0  # the outline below the seat, outwards
    seat: float = 0.0
    seam_low: float = 0.0  # the side seam at the hem, backwards
    seam_hip: float = 0.0
    seam_high: float = 0.0  # the side seam at the waist, backwards
    calf: float = 0.0
    hollow: float = 0.0  # the outline above the seat, outwards
    lap: float = 0.0  # heap of cloth when sitting


# ------------------------------------------------------------------------------------------------------------- ink


def number(value: float) -> str:
    """A coordinate with one decimal at most."""
    text = f"{value:.1f}"
    return "0" if text == "-0.0" else text.removesuffix(".0")


def pair(point: XY) -> str:
    return f"{number(point[0])} {number(point[1])}"


def curve(points: Sequence[XY]) -> str:
    """Path commands of a smooth line through points, without the first move."""
    parts = []
    for n in range(len(points) - 1):
        before, a, b, after = points[max(n - 1, 0)], points[n], points[n + 1], points[min(n + 2, len(points) - 1)]
        one = (a[0] + (b[0] - before[0]) / 6, a[1] + (b[1] - before[1]) / 6)
        two = (b[0] - (after[0] - a[0]) / 6, b[1] - (after[1] - a[1]) / 6)
        parts.append(f"C{pair(one)} {pair(two)} {pair(b)}")
    return "".join(parts)


def straight(points: Sequence[XY]) -> str:
    return "".join(f"L{pair(point)}" for point in points)


def stroke(path: str, width: float, *, grey: str = "#111", dash: str = "", fill: str = "none") -> str:
    broken = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="{path}" fill="{fill}" stroke="{grey}" stroke-width="{width}"{broken}/>'


def line(points: Sequence[XY], width: float = 1.8, *, smooth: bool = True) -> str:
    """A drawn line of the cloth: a seam, a level, the grain."""
    return stroke(f"M{pair(points[0])}" + (curve(points) if smooth else straight(points[1:])), width)


def wanted(points: Sequence[XY]) -> str:
    """The broken line where something should lie."""
    return stroke(f"M{pair(points[0])}" + straight(points[1:]), 0.9, dash="2.6 2")


def plumb(x: float, top: float, bottom: float) -> str:
    """A broken plumb line with its weight."""
    weight = f'<path d="M{number(x - 1.8)} {number(bottom)}h3.6l-1.8 5z" fill="#111"/>'
    return wanted([(x, top), (x, bottom)]) + weight


def lens(a: XY, middle: XY, b: XY, width: float) -> str:
    """A stroke that swells in its middle and dies out at both ends, bent through a control point."""
    run = (b[0] - a[0], b[1] - a[1])
    long = (run[0] ** 2 + run[1] ** 2) ** 0.5 or 1.0
    away = (-run[1] / long * width, run[0] / long * width)
    one, two = (middle[0] + away[0], middle[1] + away[1]), (middle[0] - away[0], middle[1] - away[1])
    return f'<path d="M{pair(a)}Q{pair(one)} {pair(b)}Q{pair(two)} {pair(a)}z" fill="#111"/>'


def pull(a: XY, b: XY, bend: float = 0.0, width: float = 1.0) -> str:
    """A tight, sharp line."""
    return lens(a, between(a, b, bend), b, width)


def fold(a: XY, b: XY, bend: float = 0.0, width: float = 1.7, hand: int = 1) -> str:
    """A loose fold: a heavy stroke and the faint line of its far side; `hand` -1 for its mirror image."""
    middle = between(a, b, bend)
    run = (b[0] - a[0], b[1] - a[1])
    long = (run[0] ** 2 + run[1] ** 2) ** 0.5 or 1.0
    off = (-run[1] / long * 2.6 * hand, run[0] / long * 2.6 * hand)
    near, far = share(a, b, 0.12), share(a, b, 0.88)
    faint = f"M{pair((near[0] + off[0], near[1] + off[1]))}Q{pair((middle[0] + off[0], middle[1] + off[1]))} "
    faint += pair((far[0] + off[0], far[1] + off[1]))
    return lens(a, middle, b, width) + stroke(faint, 0.7, grey="#666")


def share(a: XY, b: XY, part: float) -> XY:
    return a[0] + (b[0] - a[0]) * part, a[1] + (b[1] - a[1]) * part


def between(a: XY, b: XY, bend: float) -> XY:
    """The control point of a bent line; a positive bend goes to the right hand of a walker from a to b on the page."""
    run = (b[0] - a[0], b[1] - a[1])
    long = (run[0] ** 2 + run[1] ** 2) ** 0.5 or 1.0
    middle = share(a, b, 0.5)
    return middle[0] - run[1] / long * bend, middle[1] + run[0] / long * bend


def spot(at: XY, strength: int) -> str:
    """The mark of something felt: a dot with one, two or three rings."""
    dot = f'<circle cx="{number(at[0])}" cy="{number(at[1])}" r="2.6" fill="#111"/>'
    rings = "".join(
        f'<circle cx="{number(at[0])}" cy="{number(at[1])}" r="{number(2.2 + 3.6 * n)}" fill="none" stroke="#111" stroke-width="1.5"/>'
        for n in range(1, strength + 1)
    )
    return dot + rings


def arrow(a: XY, b: XY) -> str:
    """A small arrow from a to b: which way something moves."""
    run = (b[0] - a[0], b[1] - a[1])
    long = (run[0] ** 2 + run[1] ** 2) ** 0.5 or 1.0
    u = (run[0] / long, run[1] / long)
    root = (b[0] - u[0] * 3.4, b[1] - u[1] * 3.4)
    head = [(root[0] - u[1] * 1.9, root[1] + u[0] * 1.9), (root[0] + u[1] * 1.9, root[1] - u[0] * 1.9)]
    return stroke(f"M{pair(a)}L{pair(root)}", 1.2) + f'<path d="M{pair(b)}{straight(head)}z" fill="#111"/>'


# -------------------------------------------------------------------------------------------------- the trousers

_BODY, _EDGE, _SEAM = 0.9, 1.5, 0.9
_GREY = "#767676"


def _faint(points: Sequence[XY], *, smooth: bool = True, fill: str = "none") -> str:
    path = f"M{pair(points[0])}" + (curve(points) if smooth else straight(points[1:]))
    return stroke(path + ("z" if fill != "none" else ""), _BODY, grey=_GREY, fill=fill)


def _seam(points: Sequence[XY]) -> str:
    return stroke(f"M{pair(points[0])}" + curve(points), _SEAM, grey="#444")


def _dipped(a: XY, middle: XY, b: XY) -> str:
    """An edge that runs level through its middle."""
    third = (middle[0] - a[0]) / 2.2
    return (
        f"C{pair((a[0] + third, a[1] + 0.6))} {pair((middle[0] - third, middle[1]))} {pair(middle)}"
        f"S{pair((b[0] - third, b[1] + 0.6))} {pair(b)}"
    )


def frontal(shape: Shape, *, back: bool) -> str:
    """Front and back view: the body first, faint, then the trousers over it, then their seams."""
    c, parts = MIDDLE, []
    middle = WAIST + shape.waist + (shape.waist_back if back else shape.waist_front)
    edge = WAIST + shape.waist
    crotch = CROTCH + shape.crotch
    for s in (-1, 1):
        apart = shape.stance
        parts.append(_faint([(c + s * 23, 1), (c + s * 20.5, 12), (c + s * 21, 20), (c + s * 30, 50)]))
        for x in (11.0, 20.5):
            parts.append(_faint([(c + s * (x + apart), 170), (c + s * (x + apart), 195)]))
        foot = c + s * (15.5 + apart)
        wide = 6.4 if back else 7.2
        shoe = [
            (foot - wide + 1.4, 193.0),
            (foot - wide, 199.5),
            (foot, FLOOR),
            (foot + wide, 199.5),
            (foot + wide - 1.4, 193.0),
        ]
        parts.append(_faint(shoe, fill="#fff"))
    outers, inners = {}, {}
    for s, rise in ((-1, shape.hem_up_left), (1, shape.hem_up_right)):
        out = shape.hem_out + shape.stance
        outers[s] = [
            (c + s * (21 if shape.waist <= 0 else 21 + shape.waist * 0.3), edge),
            (c + s * 26.5, 34), (c + s * 31, 54), (c + s * (30 + 0.2 * shape.stance), 80),
            (c + s * (27 + 0.55 * out), KNEE), (c + s * (25.5 + out), HEM - rise),
        ]  # fmt: skip
        inners[s] = [
            (c, crotch), (c + s * (1.8 + 0.1 * out), crotch + 9), (c + s * (4.2 + 0.55 * out), KNEE),
            (c + s * (6 + out), HEM - rise),
        ]  # fmt: skip
    left, right = outers[-1], outers[1]
    waist_bow = 1.6  # the edge runs round the body
    path = f"M{pair(left[0])}" + _dipped(left[0], (c, middle + waist_bow), right[0]) + curve(right)
    for s, way in ((1, right), (-1, None)):
        inner = inners[s]
        if way is not None:
            path += f"Q{pair((inner[-1][0] / 2 + way[-1][0] / 2, way[-1][1] + 2))} {pair(inner[-1])}" + curve(
                inner[::-1]
            )
        else:
            hem = left[-1]
            path += (
                curve(inner) + f"Q{pair((inner[-1][0] / 2 + hem[0] / 2, hem[1] + 2))} {pair(hem)}" + curve(left[::-1])
            )
    parts.append(stroke(path + "z", _EDGE, fill="#fff"))
    ends = (left[0][0] - 0.9, edge + 4.6), (right[0][0] + 0.9, edge + 4.6)
    parts.append(stroke(f"M{pair(ends[0])}" + _dipped(ends[0], (c, middle + 6.2), ends[1]), _SEAM, grey="#444"))
    parts.append(_seam([(c, middle + waist_bow), (c, 50), (c, crotch)]))
    for s in (-1, 1):
        if back:
            parts.append(_seam([(c + s * 13, edge + 5.6), (c + s * 11.6, 38)]))
            parts.append(
                stroke(f"M{pair((c + s * 4, 70))}Q{pair((c + s * 15, 74))} {pair((c + s * 24, 66))}", 0.7, grey="#999")
            )
        else:
            parts.append(_seam([(c + s * 16.5, edge + 5.2), (c + s * 28.6, 43)]))
    if not back:
        parts.append(_seam([(c + 5, middle + 6), (c + 5, 50), (c + 4, 57), (c, 62)]))
    return "".join(parts)


def profile(shape: Shape) -> str:
    """The left side: the front of the body is at the left hand of the picture."""
    rise_front, rise_back = shape.hem_up_left, shape.hem_up_right
    parts = [
        _faint([(44, 1), (42, 10), (42.5, 20), (38.5, 36), (38.6, 52)]),
        _faint([(80, 1), (75, 12), (76, 20), (82, 35), (87.5, 54)]),
        _faint([(53, 168), (52, 194)]), _faint([(68, 160), (66, 180), (67.5, 194)]),
        _faint([(52, 192), (42, 196), (36, 199), (38, FLOOR), (70, FLOOR), (69, 193)], fill="#fff"),
    ]  # fmt: skip
    forward = -shape.hem_forward
    front = [
        (42 - shape.gape_front, WAIST + shape.waist + shape.waist_front), (38 - shape.gape_front * 0.4, 36), (38, 52),
        (40, 76), (44, 104), (46 + 0.3 * forward, KNEE), (46.5 + 0.6 * forward, 150), (46 + forward, HEM - rise_front),
    ]  # fmt: skip
    back = [
        (76.5 + shape.gape_back, WAIST + shape.waist + shape.waist_back),
        (82 + shape.gape_back * 0.4 + shape.hollow, 35), (88 + shape.seat, 54), (85.5 + shape.under_seat * 0.6, 68),
        (80 + shape.under_seat, 80), (76 + shape.under_seat * 0.3, 102), (74.5 + 0.2 * forward, KNEE),
        (75.5 + shape.calf + 0.4 * forward, 148), (76 + forward, HEM - rise_back),
    ]  # fmt: skip
    waist_middle = (59.5, WAIST + shape.waist + 2.2 + (shape.waist_front + shape.waist_back) / 2)
    path = f"M{pair(front[0])}Q{pair(waist_middle)} {pair(back[0])}" + curve(back)
    path += f"Q{pair((61 + forward, HEM + 2 - (rise_front + rise_back) / 2))} {pair(front[-1])}" + curve(front[::-1])
    parts.append(stroke(path + "z", _EDGE, fill="#fff"))
    low = 4.6
    band = f"M{pair((front[0][0] - 0.9, front[0][1] + low))}Q{pair((59.5, waist_middle[1] + low))} "
    parts.append(stroke(band + pair((back[0][0] + 1.6, back[0][1] + low)), _SEAM, grey="#444"))
    top = (front[0][1] + back[0][1]) / 2 + 1
    seam = [
        (60 + shape.seam_high, top), (61 + shape.seam_hip * 0.8 + shape.seam_high * 0.5, 36), (62 + shape.seam_hip, HIP),
        (62 + shape.seam_hip * 0.5, 70),
        (61.5 + 0.45 * shape.seam_low + 0.3 * forward, KNEE), (61 + shape.seam_low + forward, HEM),
    ]  # fmt: skip
    moved = shape.seam_hip or shape.seam_low or shape.seam_high
    parts.append(line(seam, 1.8) if moved else _seam(seam))
    return "".join(parts)


def sitting(shape: Shape) -> str:
    """Sitting on a chair, seen from the left."""
    rise = shape.hem_up_left
    chair = "M50 100H112M104 100L110 30M56 100V166M104 100V166"
    parts = [
        stroke(chair, 2.2, grey="#999"),
        _faint([(74, 2), (70, 22), (70, 42), (68, 58)]), _faint([(102, 2), (99, 24), (98, 46), (104, 70)]),
        _faint([(27, 130), (27, 157)]), _faint([(40, 124), (40, 157)]),
        _faint([(27, 155), (18, 158), (12, 162), (14, 164.5), (42, 164.5), (41, 156)], fill="#fff"),
    ]  # fmt: skip
    lap = shape.lap
    path = f"M{pair((70, 46))}" + curve([
        (70, 46), (67, 57 - lap * 0.1), (60, 63 - lap * 0.9), (51, 65.5 - lap * 0.7), (40, 65 - lap * 0.1), (30, 64),
        (21, 70), (20, 84), (22, 110), (22, 146 - rise),
    ])  # fmt: skip
    path += f"Q{pair((32, 148 - rise))} {pair((45, 146 - rise))}"
    path += curve(
        [
            (45, 146 - rise),
            (45.4, 113),
            (48, 103),
            (60, 99),
            (84, 99),
            (100, 97),
            (106, 86),
            (104, 70),
            (98.5, 47 + shape.waist_back),
        ]
    )
    path += f"Q{pair((86, 50 + shape.waist_back / 2))} {pair((70, 46))}z"
    parts.append(stroke(path, _EDGE, fill="#fff"))
    band = f"M{pair((69, 50.5))}Q{pair((86, 54.5 + shape.waist_back / 2))} {pair((100, 51.5 + shape.waist_back))}"
    parts += [
        stroke(band, _SEAM, grey="#444"),
        _seam([(85, 49), (86, 70), (76, 82), (50, 84), (34, 90), (33, 146 - rise)]),
    ]
    return "".join(parts)


def stairs(shape: Shape) -> str:
    """One foot on a step, seen from the left."""
    parts = [
        stroke("M6 160H44V201H112", 2.0, grey="#999"),
        _faint([(50, 1), (47, 10), (47.5, 22)]), _faint([(85, 1), (80, 12), (81, 22)]),
        _faint([(70, 170), (69, 194)]), _faint([(83, 165), (83, 194)]),
        _faint([(69, 192), (59, 196), (54, 199), (56, FLOOR), (86, FLOOR), (85, 193)], fill="#fff"),
        _faint([(22, 130), (21, 153)]), _faint([(34, 130), (35, 153)]),
        _faint([(21, 151), (13, 155), (9, 158), (11, 160), (37, 160), (36, 152)], fill="#fff"),
    ]  # fmt: skip
    rear = f"M{pair((47, 20))}Q{pair((64, 23))} {pair((81, 20))}" + curve([
        (81, 20), (87, 36), (93, 56), (91, 72), (88, 86), (88, 128), (91, 150), (92, HEM),
    ])  # fmt: skip
    rear += f"Q{pair((77, HEM + 2))} {pair((62, HEM))}" + curve(
        [(62, HEM), (62, 140), (60, 112), (50, 90), (42, 50), (47, 20)]
    )
    parts.append(stroke(rear + "z", _EDGE, fill="#fff"))
    raised = f"M{pair((43, 44))}" + curve(
        [(43, 44), (36, 58), (22, 72), (13, 84), (12, 96), (16, 118), (16, 142 - shape.hem_up_left)]
    )
    raised += f"Q{pair((28, 144 - shape.hem_up_left))} {pair((41, 142 - shape.hem_up_left))}"
    raised += curve([(41, 142 - shape.hem_up_left), (41, 122), (44, 110), (58, 100), (74, 84)])
    parts.append(stroke(raised, _EDGE, fill="#fff"))
    parts += [stroke("M46 24.6Q64 27.6 82.4 24.6", _SEAM, grey="#444"),
              _seam([(64, 22), (66, 50), (58, 74), (34, 92), (28, 104), (28, 142 - shape.hem_up_left)])]  # fmt: skip
    return "".join(parts)


def bending(shape: Shape) -> str:
    """Bending forward, seen from the left."""
    parts = [
        _faint([(36, 74), (20, 62), (2, 60)]), _faint([(58, 38), (40, 24), (14, 18), (4, 18)]),
        _faint([(58, 38), (66, 42), (84, 60)]),
        _faint([(57, 170), (56, 194)]), _faint([(71, 165), (70, 194)]),
        _faint([(56, 192), (46, 196), (40, 199), (42, FLOOR), (74, FLOOR), (73, 193)], fill="#fff"),
    ]  # fmt: skip
    down = shape.waist_back
    waist = (60 + down * 0.9, 39 + down * 0.62)
    path = f"M{pair((37, 74))}Q{pair((51 + down * 0.4, 60 + down * 0.3))} {pair(waist)}" + curve([
        waist, (80 + down * 0.2, 54), (90, 70), (88, 84), (83, 96), (79, 128), (79, 150), (80, HEM),
    ])  # fmt: skip
    path += f"Q{pair((65, HEM + 2))} {pair((50, HEM))}" + curve(
        [(50, HEM), (50, 150), (49, 128), (46, 104), (40, 86), (37, 74)]
    )
    parts.append(stroke(path + "z", _EDGE, fill="#fff"))
    band = f"M{pair((38.6, 78))}Q{pair((54 + down * 0.4, 64 + down * 0.3))} {pair((waist[0] + 4, waist[1] + 3))}"
    parts += [stroke(band, _SEAM, grey="#444"), _seam([(51, 59), (66, 84), (66, 128), (65, HEM)])]
    return "".join(parts)


def paper(shape: Shape, *, back: bool) -> str:
    """A pattern piece flat on the table, its crotch to the right; the centre-back seam leans more and reaches farther."""
    del shape
    reach, rise, lean = (106.0, 78.0, 76.0) if back else (96.0, 76.0, 82.0)
    outline = [(34.0, 14.0), (28.0, 36.0), (24.0, 58.0), (27.0, 90.0), (35.0, 128.0), (38.0, 190.0)]
    inner = [(76.0, 190.0), (79.0, 128.0), (reach - 14.0, rise + 16.0), (reach, rise)]
    path = f"M{pair(outline[0])}" + curve(outline) + f"L{pair(inner[0])}" + curve(inner)
    path += f"C{pair((reach - 14.0, rise - 2.0))} {pair((lean + 6.0, 66.0))} {pair((lean + 5.0, 52.0))}"
    path += f"L{pair((lean - 4.0 if back else lean, 8.0 if back else 14.0))}"
    return stroke(path + "z", _EDGE, fill="#fff")


HALVED = ("front", "back")  # views of which both halves are alike
STANCES: Mapping[str, Callable[[Shape], str]] = {
    "front": partial(frontal, back=False), "back": partial(frontal, back=True), "side": profile, "sitting": sitting,
    "stairs": stairs, "bending": bending, "paper-front": partial(paper, back=False), "paper-back": partial(paper, back=True),
}  # fmt: skip
