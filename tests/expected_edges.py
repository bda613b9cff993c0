"""What the rules of the waist edge, the centre line and the leg do to the paper.

Each function reads its rule's own text (quoted or told in the comment) and says with plain geometry what must lie where. Where
the text leaves something open (a height, the run of a curve), only what it does say is asked for.
"""

from __future__ import annotations

import numpy as np
from expected import bare, point_level, rule, waist_level
from paper import HAND, TOL, Case, Pair, fitted, length, off, unit, x_at

HEM = 0.0


# --- the waist edge --------------------------------------------------------------------------------------------------------


def _waist_at_centre(p: Pair, change: float) -> None:
    """The waist higher or lower at the centre, along the centre line in its own slope, to nothing at the side seam."""
    centre = p.was.seams["centre"]
    p.spot("centre-waist", p.was.spot("centre-waist") + unit(centre[-1] - centre[-2]) * change)
    p.stay("side-waist", "side", "inseam", "hem", "curve", *(n for n in p.was.spots if n.startswith("dart-tip")))
    p.seam("edge", change)
    # "Darts keep their points": the legs are carried on, or end lower, in their own lines.
    for i, (left, right, tip) in enumerate(p.was.darts):
        for end, old in (("left", left), ("right", right)):
            got = p.now.spot(f"dart-{end}-{i}")
            p.near(
                f"{end} leg of dart {i + 1} off its line", off(got, np.array([tip, tip + 2.0 * (old - tip)])), 0.0, 0.6
            )
    # Square to the centre for 2 cm (a thumb's width in front).
    along, up = unit(p.now.seams["waist"][0] - _first(p.now.seams["waist"], 15.0)), unit(centre[-1] - centre[-2])
    square = np.degrees(np.arccos(np.clip(along @ up, -1.0, 1.0)))
    # The block's own waist is up to 3 degrees off square; as it is cut the new line runs like the old one, trueing squares it.
    old = unit(p.was.seams["waist"][0] - _first(p.was.seams["waist"], 15.0))
    own = abs(np.degrees(np.arccos(np.clip(old @ up, -1.0, 1.0))) - 90.0)
    p.near("waist to centre, degrees", float(square), 90.0, 1.5 + float(own))
    p.levels_stay()
    p.keep_widths("hip", "crotch", "knee", "hem")
    # "A trifle wider": a dart that gets shorter by a tenth gets narrower by a tenth; two of 2 cm on a small back give 7 mm for 20.
    p.width("waist", 0.0, max(4.0, 0.4 * abs(change)))
    p.grain()


def _first(line: np.ndarray, distance: float) -> np.ndarray:
    for i in range(1, len(line)):
        if length(line[: i + 1]) >= distance:
            return line[i]
    return line[-1]


@rule("raise-centre-back-waist")
def raise_centre_back_waist(c: Case) -> None:
    """The rule: "run the centre-back line on upwards by the amount", to nothing at the side; "nothing tips, the grainline stays"."""
    _waist_at_centre(c.back, c.d)
    c.front.untouched()


@rule("lower-centre-back-waist")
def lower_centre_back_waist(c: Case) -> None:
    """The rule: "measure the amount down along centre back", to nothing at the side seam; dart points stay."""
    _waist_at_centre(c.back, -c.d)
    c.front.untouched()


@rule("raise-centre-front-waist")
def raise_centre_front_waist(c: Case) -> None:
    """The rule: "lengthen the centre-front line straight upward by the amount, in its own slope"."""
    _waist_at_centre(c.front, c.d)
    c.back.untouched()


@rule("lower-centre-front-waist")
def lower_centre_front_waist(c: Case) -> None:
    """The rule: "mark the amount below the waist at centre front", a flat curve to the old point at the side seam."""
    _waist_at_centre(c.front, -c.d)
    c.back.untouched()


@rule("raise-one-hip")
def raise_one_hip(c: Case) -> None:
    """The waist of one side rises at the side seam by the amount, to nothing at the centre; above 1 cm a cut at the hip line.

    With the cut the hinge lies at the centre and the side opens by the amount, the waist line is left as it is.
    """
    for p in c.both:
        p.seam("side", c.d)
        p.keep_seams("inseam", "hem")
        p.stay("crotch-point", "inseam", "hem")
        p.levels_stay("crotch", "knee")
        p.grain()
        p.keep_widths("crotch", "knee", "hem")
        if c.d <= 10.0:
            p.near(
                "side end of the waist raised",
                float(p.now.spot("side-waist")[1] - p.was.spot("side-waist")[1]),
                c.d,
                0.6,
            )
            p.stay("centre-waist", "curve", "centre", *(n for n in p.was.spots if n.startswith("dart-tip")))
            p.levels_stay("hip")
            p.keep_widths("hip")
            # "Hardly changes": a waist that slopes down to the side gets flatter as its side end rises, so a trifle shorter.
            fall = max(0.0, float(p.was.spot("centre-waist")[1] - p.was.spot("side-waist")[1])) / length(
                p.was.seams["waist"]
            )
            p.seam("waist", 0.0, below=TOL + fall * c.d, above=2.0 + 0.2 * c.d)
        else:
            known = [name for name in p.was.spots if name.startswith("dart")]
            source, target = (np.array([paper.spot(name) for name in known]) for paper in (p.was, p.now))
            motion, angle, misfit, hinge = fitted(source, target)
            p.near("part above the cut is bent by", misfit, 0.0)
            p.between("turn to the centre, degrees", np.degrees(angle), 0.5, 6.0)
            if np.isfinite(hinge).all():
                p.near("hinge off the centre edge", off(hinge, p.was.edge), 0.0)
                p.near("height of the cut", float(hinge[1]), p.was.level("hip"), 0.5)
            # The waist moves to the centre by h d / w; that much is given back at the side.
            given = p.now.spot("side-waist") - motion(p.was.spot("side-waist"))
            lost = abs(np.sin(angle)) * (p.was.spot("side-waist")[1] - p.was.level("hip"))
            p.between("given back at the side end of the waist", float(np.hypot(*given)), -TOL, lost + TOL)
            p.width("waist", 0.0)


# --- the centre line -------------------------------------------------------------------------------------------------------


def _centre_front(c: Case, forward: float) -> None:
    """The waist end of centre front moved square to the grain, a straight line from there to the start of the curve.

    Squared to the waist "its end is raised a little" (or drops a little), along the new line.
    """
    p = c.front
    start, mark = p.was.spot("curve-start"), p.was.spot("centre-waist") - np.array([forward, 0.0])
    beyond = start + (mark - start) * 1.1
    p.near("waist end off the new line", off(p.now.spot("centre-waist"), np.array([start, beyond])), 0.0)
    p.between("waist end higher than its mark", float(p.now.spot("centre-waist")[1] - mark[1]), -3.0, 3.0)
    centre = p.now.seams["centre"]
    p.near("centre front bent by", off(centre, centre[[0, -1]]), 0.0)
    p.seam("waist", forward, below=TOL + 0.05 * abs(forward), above=TOL + 0.05 * abs(forward))
    p.width("waist", forward, TOL + 0.05 * abs(forward))
    middle = (start[1] + mark[1]) / 2.0
    p.near("half way up moved forward", p.out("centre", middle), forward / 2.0, TOL)
    p.stay("curve", "side", "inseam", "hem")
    p.darts_stay()
    p.levels_stay()
    p.keep_widths("hip", "crotch", "knee", "hem")
    p.grain()
    c.back.untouched()


@rule("advance-centre-front")
def advance_centre_front(c: Case) -> None:
    """The rule: "at the waist measure the amount forward, square to the grain"; hinge: the start of the curve; darts left alone."""
    _centre_front(c, c.d)


@rule("take-back-centre-front")
def take_back_centre_front(c: Case) -> None:
    """The rule: "at the waist mark the amount behind centre front, square to the grain. Draw straight down"."""
    _centre_front(c, -c.d)


def _centre_back_slope(c: Case, to_side: float) -> None:
    """Waist end of centre back and top of the side seam moved alike along the waist; the hip line's centre end stays.

    The new centre line is straight up to the waist, not bent at the waist level, and carried on until the waist meets it
    square, so its end may lie higher on the same line.
    """
    p = c.back
    hip = p.was.level("hip")
    waist = p.was.seams["waist"]
    mark = waist[0] + unit(waist[1] - waist[0]) * to_side
    side_mark = waist[-1] + unit(waist[-1] - waist[-2]) * to_side
    # "the same amount at the top of the side seam": level, or along the waist
    level_mark = waist[-1] + np.array([to_side, 0.0])
    p.near("side end of the waist off its mark", off(p.now.spot("side-waist"), np.array([side_mark, level_mark])), 0.0)
    p.near("new centre line beside its mark at the waist", _beside(p.now.seams["centre"], mark), 0.0)
    centre = p.now.seams["centre"]
    p.near("centre back bent above the hip by", off(centre, centre[[0, -1]]), 0.0)
    p.edge_stays("edge", point_level(p) + 1.0, hip)
    p.edge_stays("side", HEM, hip)
    rise = float((p.now.spot("centre-waist") - mark) @ unit(centre[-1] - centre[0]))
    p.between("centre back carried on", rise, -25.0 if to_side < 0 else -TOL, 25.0)
    p.width("waist", 0.0, 1.0)  # "hip and waist keep their width"
    p.stay("crotch-point", "inseam", "hem")
    p.keep_widths("hip", "crotch", "knee", "hem")
    p.levels_stay()
    p.grain()
    c.front.untouched()


def _beside(line: np.ndarray, spot: np.ndarray) -> float:
    """Distance of a point from a seam carried on straight over its end."""
    return off(spot, np.vstack([line, line[-1] + unit(line[-1] - line[-2]) * 30.0]))


@rule("slant-centre-back")
def slant_centre_back(c: Case) -> None:
    """The mark "in from centre back along the waist"; "the same at the top of the side seam, to nothing at the hip"."""
    _centre_back_slope(c, c.d)


@rule("straighten-centre-back")
def straighten_centre_back(c: Case) -> None:
    """The rule: "mark the amount out from centre back at the waist"; "take the same amount off at the top of the side seam"."""
    _centre_back_slope(c, -c.d)


# --- the leg ---------------------------------------------------------------------------------------------------------------


def _swing(c: Case, inward: float, at_knee: float) -> None:
    """Hem and knee moved sideways, both edges alike, to nothing a hand below the crotch; grain midway at knee and hem."""
    for p in c.both:
        p.lay("centre-waist", "side-waist", "crotch-point", "curve-start")
        knee, point = p.was.level("knee"), point_level(p)
        for name in ("side-hem", "inside-hem"):
            p.spot(
                name, p.was.spot(name) - np.array([inward, 0.0]), 0.5
            )  # the hem may be drawn square to the new grain
        for seam, sign in (("side", -1.0), ("inseam", 1.0)):
            p.edge_at(seam, knee, sign * inward * at_knee)
            p.edge_stays(seam, point - HAND[0], point)
        p.edge_stays("side", point, waist_level(p))
        low, high = sorted((0.0, inward))
        p.edge_within("inseam", 5.0, point - HAND[0], low, high)
        p.edge_within("side", 5.0, point - HAND[0], -high, -low)
        p.stay("curve", "centre", "waist")
        p.darts_stay()
        p.levels_stay("hip", "crotch")
        p.keep_widths("waist", "hip", "crotch", "knee", "hem")
        p.tapered("side", (0.0, -inward), (knee, -inward * at_knee), (point - 100.0, 0.0))
        p.tapered("inseam", (0.0, inward), (knee, inward * at_knee), (point - 100.0, 0.0))
        for y in (knee, 2.0):
            line = p.now.grain
            run = line[1] - line[0]
            x = float(line[0, 0] + run[0] * (y - line[0, 1]) / run[1])
            middle = (x_at(p.now.seams["side"], y) + x_at(p.now.seams["inseam"], y)) / 2.0
            p.near(f"grain off the middle of the leg at height {y:.0f}", x, middle)


@rule("close-leg")
def close_leg(c: Case) -> None:
    """The amount outside the inseam at the hem, "about four fifths of it at the knee", the same inside the side seam."""
    _swing(c, c.d, 0.8)


@rule("open-leg")
def open_leg(c: Case) -> None:
    """The amount outside the side seam at the hem, half of it at the knee, the same inside the inseam."""
    _swing(c, -c.d, 0.5)


def _knee_shift(c: Case, outward: float) -> None:
    """The knee moved sideways between thigh and hem, which stay; the grainline for laying on the cloth stays as it was."""
    for p in c.both:
        knee, point = p.was.level("knee"), point_level(p)
        p.edge_at("side", knee, outward)
        p.edge_at("inseam", knee, -outward)
        for seam in ("side", "inseam"):
            p.edge_stays(seam, point - HAND[0], point)
            values = sorted((0.0, outward if seam == "side" else -outward))
            p.edge_within(seam, 2.0, point - HAND[0], *values)
            p.tapered(seam, (0.0, 0.0), (knee, outward if seam == "side" else -outward), (point - 100.0, 0.0))
        p.edge_stays("side", point, waist_level(p))
        bare(p, "side", "inseam")
        p.stay("crotch-point", "side-waist")
        p.keep_widths("waist", "hip", "crotch", "knee", "hem")


@rule("shift-leg-to-apart-knees")
def shift_leg_to_apart_knees(c: Case) -> None:
    """At the knee the amount outside the side seam and inside the inseam."""
    _knee_shift(c, c.d)


@rule("shift-leg-to-close-knees")
def shift_leg_to_close_knees(c: Case) -> None:
    """At the knee the amount outside the inseam and inside the side seam."""
    _knee_shift(c, -c.d)


@rule("narrow-leg")
def narrow_leg(c: Case) -> None:
    """The amount inside all four edges at thigh, knee and hem; hinges: crotch point and full hip line."""
    for p in c.both:
        knee, point, hip = p.was.level("knee"), point_level(p), p.was.level("hip")
        for y in (knee, knee / 2.0, 3.0):
            p.edge_at("side", y, -c.d)
            p.edge_at("inseam", y, -c.d)
        for name, want in (("knee", -2.0 * c.d), ("hem", -2.0 * c.d)):
            p.width(name, want)
        p.edge_within("side", 2.0, hip, -c.d, 0.0)
        p.edge_within("inseam", 2.0, point - 2.0, -c.d, 0.0)
        p.edge_stays("side", hip, waist_level(p))
        p.tapered("side", (0.0, -c.d), (p.was.level("crotch") - 100.0, -c.d), (hip, 0.0))
        p.tapered("inseam", (0.0, -c.d), (point - 100.0, -c.d), (point, 0.0))
        p.stay("crotch-point", "curve", "centre", "waist")
        p.darts_stay()
        p.levels_stay()
        p.keep_widths("waist", "hip")
        p.grain()


@rule("add-knee-width")
def add_knee_width(c: Case) -> None:
    """The amount outside all four edges at the knee line, to nothing half way up the thigh; hem as it was or wider."""
    for p in c.both:
        knee, half_way = (
            p.was.level("knee"),
            (p.was.level("knee") + p.was.level("hip")) / 2.0,
        )  # from the knee to the hip at most
        for seam in ("side", "inseam"):
            p.edge_at(seam, knee, c.d)
            p.edge_stays(seam, half_way + 10.0, point_level(p))
            p.edge_within(seam, 1.0, half_way, 0.0, c.d)
            p.tapered(seam, (0.0, p.out(seam, 2.0)), (knee, c.d), (half_way, 0.0))
        p.edge_stays("side", point_level(p), waist_level(p))
        p.width("knee", 2.0 * c.d)
        bare(p, "side", "inseam", "hem")
        p.stay("crotch-point", "side-waist")
        p.keep_widths("waist", "hip", "crotch")
        p.between("hem width change", p.now.width("hem") - p.was.width("hem"), -TOL, 2.0 * c.d + TOL)


@rule("narrow-knee")
def narrow_knee(c: Case) -> None:
    """The amount inside all four edges at the knee line, to nothing half way up the thigh and at the hem."""
    for p in c.both:
        knee, half_way = p.was.level("knee"), (p.was.level("knee") + p.was.level("hip")) / 2.0
        for seam in ("side", "inseam"):
            p.edge_at(seam, knee, -c.d)
            p.edge_stays(seam, half_way + 10.0, point_level(p))
            p.edge_within(seam, 1.0, half_way, -c.d, 0.0)
            p.tapered(seam, (0.0, 0.0), (knee, -c.d), (half_way, 0.0))
        p.edge_stays("side", point_level(p), waist_level(p))
        p.width("knee", -2.0 * c.d)
        p.width("hem", 0.0)
        bare(p, "side", "inseam")
        p.stay("crotch-point", "side-waist")
        p.keep_widths("waist", "hip", "crotch")


@rule("add-calf-width")
def add_calf_width(c: Case) -> None:
    """The amount outside both back edges at the fullest calf, half of it in front, to nothing a hand above the knee."""
    heights = []
    for p, share in ((c.back, 1.0), (c.front, 0.5)):
        knee, want = p.was.level("knee"), share * c.d
        for seam in ("side", "inseam"):
            got, height = p.most_out(seam, 2.0, knee + HAND[1])
            p.near(f"{seam} moved out most by", got, want, TOL + 0.02 * c.d)
            heights.append(height)
            p.edge_stays(seam, knee + HAND[1], point_level(p))
            p.edge_within(seam, 1.0, knee + HAND[1], 0.0, want)
            p.tapered(seam, (0.0, p.out(seam, 2.0)), (height, want), (knee + 100.0, 0.0))
        calf = heights[-1]
        p.between("height of the calf, share of the knee's", calf / knee, 0.4, 0.95)
        gain = [x_at(paper.seams["side"], calf) - x_at(paper.seams["inseam"], calf) for paper in (p.was, p.now)]
        p.near("leg wider at the calf", gain[1] - gain[0], 2.0 * want, TOL + 0.02 * c.d)
        p.edge_stays("side", point_level(p), waist_level(p))
        bare(p, "side", "inseam", "hem")
        p.stay("crotch-point", "side-waist")
        p.keep_widths("waist", "hip", "crotch")
    c.near("calf lies at different heights on the four edges by", float(np.ptp(heights)), 0.0, 12.0)


# --- the insert, and the grain ---------------------------------------------------------------------------------------------


@rule("insert-for-abdomen")
def insert_for_abdomen(c: Case) -> None:
    """An upright cut through the dart to the knee line opened by the amount at the abdomen, and a level one at centre front.

    The length at centre front is measured apart ("as much as the front edge dips"); it may be none. Side seam, inseam, crotch
    level and hem stay; the width runs out to nothing at the knee. "The waist grows unless the dart takes it up."
    """
    p = c.front
    knee, hip = p.was.level("knee"), p.was.level("hip")
    p.stay("curve", "crotch-point", "inseam", "hem")
    p.keep_seams("side", "inseam")
    p.near(
        "side end of the waist moved out",
        float(p.now.spot("side-waist")[0] - p.was.spot("side-waist")[0]),
        c.d,
        0.35 * c.d,
    )
    p.edge_stays("side", HEM, knee - 3.0)
    hip_gain = p.now.width("hip") - p.was.width("hip")
    # Straight from nothing at the knee to the amount at an abdomen that lies between hip line and 75 mm below the waist.
    least = (hip - knee) / (waist_level(p) - 75.0 - knee)
    p.between("hip wider, share of the amount", hip_gain / c.d, least - 0.02, 1.02)
    p.between("waist with dart closed, wider", p.now.width("waist") - p.was.width("waist"), -TOL, 1.15 * c.d + TOL)
    p.between("crotch seam longer", length(p.now.edge) - length(p.was.edge), -TOL, 20.0 + TOL)
    p.keep_widths("knee", "hem")
    p.levels_stay("knee")
    # The crotch line is cut too: its inner end stays, its outer part turns with the side.
    p.near("crotch line, inner end", float(p.now.lines["crotch"][0, 1]), p.was.level("crotch"))
    p.grain()
    c.back.untouched()


@rule("recentre-crease")
def recentre_crease(c: Case) -> None:
    """Grain and crease line moved by the amount at knee and hem, the outline stays. The block's leg is even on both sides, so
    which way is "the wider side" stays open; both pieces alike."""
    ways = []
    for p in c.both:
        p.lay("side-hem", "inside-hem", "centre-waist", "side-waist")
        p.stay("waist", "side", "hem", "inseam", "curve", "centre")
        p.darts_stay()
        p.levels_stay()
        at_knee = float(p.now.grain[:, 0].mean())
        ways.append(np.sign(at_knee))
        p.near("grainline moved", abs(at_knee), abs(c.d))
        p.near("grainline turned by, mm over its length", float(np.ptp(p.now.grain[:, 0])), 0.0)
    c.near("grainlines of front and back move opposite ways", float(np.ptp(ways)), 0.0)
