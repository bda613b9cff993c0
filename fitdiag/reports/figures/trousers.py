"""How trousers hang in the drawings of signs: stances bent by a few numbers.

Units of the drawing: the waist lies at y = 20, the hem at y = 186, the middle at x = 60.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

from fitdiag.reports.figures import EDGE, MIDDLE, SEAM, body, curve, dipped, faint, line, pair, seam, sideways, stroke

WAIST, HIP, CROTCH, KNEE, HEM, FLOOR = 20.0, 52.0, 76.0, 128.0, 186.0, 201.0


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


def frontal(shape: Shape, *, back: bool) -> str:
    """Front and back view: the body first, faint, then the trousers over it, then their seams."""
    c, legs = MIDDLE, [[(x + shape.stance, 170), (x + shape.stance, 195)] for x in (11.0, 20.5)]
    parts = body(legs, 15.5 + shape.stance, 6.4 if back else 7.2)
    middle = WAIST + shape.waist + (shape.waist_back if back else shape.waist_front)
    edge = WAIST + shape.waist
    crotch = CROTCH + shape.crotch
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
    (left, right), (inner_left, inner_right) = ((sides[-1], sides[1]) for sides in (outers, inners))
    hems = [pair((inner[-1][0] / 2 + outer[-1][0] / 2, outer[-1][1] + 2))
            for inner, outer in ((inner_right, right), (inner_left, left))]  # fmt: skip
    waist_bow = 1.6  # the edge runs round the body
    path = f"M{pair(left[0])}" + dipped(left[0], (c, middle + waist_bow), right[0]) + curve(right)
    path += f"Q{hems[0]} {pair(inner_right[-1])}" + curve(inner_right[::-1])
    path += curve(inner_left) + f"Q{hems[1]} {pair(left[-1])}" + curve(left[::-1])
    parts.append(stroke(path + "z", EDGE, fill="#fff"))
    ends = (left[0][0] - 0.9, edge + 4.6), (right[0][0] + 0.9, edge + 4.6)
    parts.append(stroke(f"M{pair(ends[0])}" + dipped(ends[0], (c, middle + 6.2), ends[1]), SEAM, grey="#444"))
    parts.append(seam([(c, middle + waist_bow), (c, 50), (c, crotch)]))
    for s in (-1, 1):
        if back:
            parts.append(seam([(c + s * 13, edge + 5.6), (c + s * 11.6, 38)]))
            parts.append(
                stroke(f"M{pair((c + s * 4, 70))}Q{pair((c + s * 15, 74))} {pair((c + s * 24, 66))}", 0.7, grey="#999")
            )
        else:
            parts.append(seam([(c + s * 16.5, edge + 5.2), (c + s * 28.6, 43)]))
    if not back:
        parts.append(seam([(c + 5, middle + 6), (c + 5, 50), (c + 4, 57), (c, 62)]))
    return "".join(parts)


def profile(shape: Shape) -> str:
    """The left side: the front of the body is at the left hand of the picture."""
    rise_front, rise_back = shape.hem_up_left, shape.hem_up_right
    legs = (((53, 168), (52, 194)), ((68, 160), (66, 180), (67.5, 194)))
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
    hem = (61 + forward, HEM + 2 - (rise_front + rise_back) / 2)
    parts = sideways(legs, front, back, waist_middle, hem)
    top = (front[0][1] + back[0][1]) / 2 + 1
    course = [
        (60 + shape.seam_high, top), (61 + shape.seam_hip * 0.8 + shape.seam_high * 0.5, 36), (62 + shape.seam_hip, HIP),
        (62 + shape.seam_hip * 0.5, 70),
        (61.5 + 0.45 * shape.seam_low + 0.3 * forward, KNEE), (61 + shape.seam_low + forward, HEM),
    ]  # fmt: skip
    moved = shape.seam_hip or shape.seam_low or shape.seam_high
    parts.append(line(course, 1.8) if moved else seam(course))
    return "".join(parts)


def sitting(shape: Shape) -> str:
    """Sitting on a chair, seen from the left."""
    rise = shape.hem_up_left
    chair = "M50 100H112M104 100L110 30M56 100V166M104 100V166"
    parts = [
        stroke(chair, 2.2, grey="#999"),
        faint([(74, 2), (70, 22), (70, 42), (68, 58)]), faint([(102, 2), (99, 24), (98, 46), (104, 70)]),
        faint([(27, 130), (27, 157)]), faint([(40, 124), (40, 157)]),
        faint([(27, 155), (18, 158), (12, 162), (14, 164.5), (42, 164.5), (41, 156)], fill="#fff"),
    ]  # fmt: skip
    lap = shape.lap
    path = f"M{pair((70, 46))}" + curve([
        (70, 46), (67, 57 - lap * 0.1), (60, 63 - lap * 0.9), (51, 65.5 - lap * 0.7), (40, 65 - lap * 0.1), (30, 64),
        (21, 70), (20, 84), (22, 110), (22, 146 - rise),
    ])  # fmt: skip
    path += f"Q{pair((32, 148 - rise))} {pair((45, 146 - rise))}"
    path += curve([
        (45, 146 - rise), (45.4, 113), (48, 103), (60, 99), (84, 99), (100, 97), (106, 86), (104, 70),
        (98.5, 47 + shape.waist_back),
    ])  # fmt: skip
    path += f"Q{pair((86, 50 + shape.waist_back / 2))} {pair((70, 46))}z"
    parts.append(stroke(path, EDGE, fill="#fff"))
    band = f"M{pair((69, 50.5))}Q{pair((86, 54.5 + shape.waist_back / 2))} {pair((100, 51.5 + shape.waist_back))}"
    parts += [
        stroke(band, SEAM, grey="#444"),
        seam([(85, 49), (86, 70), (76, 82), (50, 84), (34, 90), (33, 146 - rise)]),
    ]
    return "".join(parts)


def stairs(shape: Shape) -> str:
    """One foot on a step, seen from the left."""
    parts = [
        stroke("M6 160H44V201H112", 2.0, grey="#999"),
        faint([(50, 1), (47, 10), (47.5, 22)]), faint([(85, 1), (80, 12), (81, 22)]),
        faint([(70, 170), (69, 194)]), faint([(83, 165), (83, 194)]),
        faint([(69, 192), (59, 196), (54, 199), (56, FLOOR), (86, FLOOR), (85, 193)], fill="#fff"),
        faint([(22, 130), (21, 153)]), faint([(34, 130), (35, 153)]),
        faint([(21, 151), (13, 155), (9, 158), (11, 160), (37, 160), (36, 152)], fill="#fff"),
    ]  # fmt: skip
    rear = f"M{pair((47, 20))}Q{pair((64, 23))} {pair((81, 20))}" + curve([
        (81, 20), (87, 36), (93, 56), (91, 72), (88, 86), (88, 128), (91, 150), (92, HEM),
    ])  # fmt: skip
    rear += f"Q{pair((77, HEM + 2))} {pair((62, HEM))}" + curve(
        [(62, HEM), (62, 140), (60, 112), (50, 90), (42, 50), (47, 20)]
    )
    parts.append(stroke(rear + "z", EDGE, fill="#fff"))
    raised = f"M{pair((43, 44))}" + curve(
        [(43, 44), (36, 58), (22, 72), (13, 84), (12, 96), (16, 118), (16, 142 - shape.hem_up_left)]
    )
    raised += f"Q{pair((28, 144 - shape.hem_up_left))} {pair((41, 142 - shape.hem_up_left))}"
    raised += curve([(41, 142 - shape.hem_up_left), (41, 122), (44, 110), (58, 100), (74, 84)])
    parts.append(stroke(raised, EDGE, fill="#fff"))
    parts += [stroke("M46 24.6Q64 27.6 82.4 24.6", SEAM, grey="#444"),
              seam([(64, 22), (66, 50), (58, 74), (34, 92), (28, 104), (28, 142 - shape.hem_up_left)])]  # fmt: skip
    return "".join(parts)


def bending(shape: Shape) -> str:
    """Bending forward, seen from the left."""
    parts = [
        faint([(36, 74), (20, 62), (2, 60)]), faint([(58, 38), (40, 24), (14, 18), (4, 18)]),
        faint([(58, 38), (66, 42), (84, 60)]),
        faint([(57, 170), (56, 194)]), faint([(71, 165), (70, 194)]),
        faint([(56, 192), (46, 196), (40, 199), (42, FLOOR), (74, FLOOR), (73, 193)], fill="#fff"),
    ]  # fmt: skip
    down = shape.waist_back
    waist = (60 + down * 0.9, 39 + down * 0.62)
    path = f"M{pair((37, 74))}Q{pair((51 + down * 0.4, 60 + down * 0.3))} {pair(waist)}" + curve([
        waist, (80 + down * 0.2, 54), (90, 70), (88, 84), (83, 96), (79, 128), (79, 150), (80, HEM),
    ])  # fmt: skip
    path += f"Q{pair((65, HEM + 2))} {pair((50, HEM))}" + curve(
        [(50, HEM), (50, 150), (49, 128), (46, 104), (40, 86), (37, 74)]
    )
    parts.append(stroke(path + "z", EDGE, fill="#fff"))
    band = f"M{pair((38.6, 78))}Q{pair((54 + down * 0.4, 64 + down * 0.3))} {pair((waist[0] + 4, waist[1] + 3))}"
    parts += [stroke(band, SEAM, grey="#444"), seam([(51, 59), (66, 84), (66, 128), (65, HEM)])]
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
    return stroke(path + "z", EDGE, fill="#fff")


HALVED = ("front", "back")  # views of which both halves are alike
STANCES: Mapping[str, Callable[[Shape], str]] = {
    "front": partial(frontal, back=False), "back": partial(frontal, back=True), "side": profile, "sitting": sitting,
    "stairs": stairs, "bending": bending, "paper-front": partial(paper, back=False), "paper-back": partial(paper, back=True),
}  # fmt: skip
WHOLE_WINDOW = {"sitting": (4.0, 0.0, 112.0, 170.0), "paper-front": (12.0, 0.0, 108.0, 206.0), "paper-back": (12.0, 0.0, 108.0, 206.0),
                "stairs": (0.0, 0.0, 114.0, 206.0), "bending": (0.0, 0.0, 114.0, 206.0)}  # fmt: skip
