"""What the rules of width and waist, which move an edge or a dart, do to the paper.

Each function reads its rule's own text (quoted or told in the comment) and says with plain geometry what must lie where. Where
the text leaves something open (a height, the run of a curve), only what it does say is asked for.
"""

from __future__ import annotations

import numpy as np
from expected import bare, one_bump, point_level, rule, waist_level
from paper import TOL, Case, Pair, apart, slope, unit

HEM = 0.0


# --- width of the back along the grain -------------------------------------------------------------------------------------


def _back_width(c: Case, change: float) -> None:
    """Cut or folded along the grainline from waist to hem; the new grainline in the middle of strip or leg.

    The two parts lie half the amount from the grain on either side. "At the waist the darts take it up again."
    """
    p, half = c.back, change / 2.0
    p.lay_by_grain()
    inner, outer = np.array([-half, 0.0]), np.array([half, 0.0])
    for name, by in (
        ("centre-waist", inner), ("curve-start", inner), ("crotch-point", inner), ("inside-hem", inner),
        ("side-waist", outer), ("side-hem", outer),
    ):  # fmt: skip
        p.spot(name, p.was.spot(name) + by)
    for seam, by in (("inseam", inner), ("edge", inner), ("side", outer)):
        p.near(f"{seam} bent by", apart(p.was.line(seam) + by, p.now.line(seam)), 0.0)
    p.grain()
    p.keep_seams("edge", "inseam", "side")
    p.extension(0.0)
    for name in ("hip", "crotch", "knee", "hem"):
        p.width(name, change)
    lean = np.arctan2(p.was.seams["waist"][0, 1] - p.was.seams["waist"][-1, 1], np.ptp(p.was.seams["waist"][:, 0]))
    # A fold across a waist that slopes leaves a step there, right at the grainline, until it is smoothed.
    step = max(0.0, -change) * float(np.tan(lean))
    p.seam("waist", change, below=TOL + abs(change) * (1 - np.cos(lean)), above=TOL + step)
    p.width("waist", 0.0, TOL + step)
    p.near("grain to centre change", p.now.grain_to_centre() - p.was.grain_to_centre(), half, TOL + step)
    c.front.untouched()


@rule("add-back-width")
def add_back_width(c: Case) -> None:
    """The rule: "cut the back along the grainline from waist to hem and spread it evenly by the amount"; the dart wider by it."""
    _back_width(c, c.d)


@rule("take-back-width")
def take_back_width(c: Case) -> None:
    """The rule: "fold the back along the grainline"; "make the dart smaller by the amount"; grain "half of the amount nearer"."""
    _back_width(c, -c.d)


# --- side edges ------------------------------------------------------------------------------------------------------------


def _hip_width(c: Case, change: float) -> None:
    """All four side edges parallel to the old ones from waist to crotch level, from there to nothing at the knee.

    "Waist keeps its measure": what the waist gains or loses is taken by the darts.
    """
    for p in c.both:
        crotch = p.was.level("crotch")
        for y in (p.was.level("hip") + 40.0, p.was.level("hip"), crotch + 2.0):
            p.edge_at("side", y, change)
        p.edge_within("side", p.was.level("knee"), crotch, min(change, 0.0), max(change, 0.0))
        p.edge_stays("side", HEM, p.was.level("knee"))
        lean = 1.0 / np.cos(slope(p.was.seams["side"], waist_level(p) - 10.0)) - 1.0
        p.seam("waist", change, below=TOL + abs(change) * (lean + 0.02), above=TOL + abs(change) * (lean + 0.02))
        p.width("waist", 0.0)
        p.width("hip", change, TOL + 0.02 * abs(change))
        p.width("crotch", change, TOL + 0.02 * abs(change))
        p.keep_widths("knee", "hem")
        p.tapered("side", (p.was.level("knee"), 0.0), (crotch, change), (waist_level(p), change))
        bare(p, "side", "waist")
        p.stay("centre-waist", *(name for name in p.was.spots if name.startswith("dart-tip")))


@rule("add-hip-width")
def add_hip_width(c: Case) -> None:
    """A quarter of what is missing outside each side edge."""
    _hip_width(c, c.d)


@rule("take-hip-width")
def take_hip_width(c: Case) -> None:
    """A quarter of the pinch inside each side edge."""
    _hip_width(c, -c.d)


def _front_width(c: Case, change: float) -> None:
    """The front's side edge only: the amount at the hip, to nothing in the middle of the thigh; the back stays.

    At the waist as much as is wanted there; if none, the front dart takes it up.
    """
    p = c.front
    thigh = (
        p.was.level("crotch") + p.was.level("knee")
    ) / 2.0  # "the middle of the thigh": half way from crotch to knee
    p.edge_at("side", p.was.level("hip"), change)
    p.width("hip", change)
    low, high = sorted((0.0, change))
    p.edge_within("side", thigh, waist_level(p) - 5.0, low, high)
    p.edge_stays("side", HEM, thigh - 40.0)
    p.between("waist with the dart closed, change", p.now.width("waist") - p.was.width("waist"), low - TOL, high + TOL)
    if change > 0:  # "mark the amount outward at the abdomen line": 3 to 4 in below the waist
        p.edge_at("side", waist_level(p) - 90.0, change)
    p.keep_widths("knee", "hem")
    at_top = float(p.now.spot("side-waist")[0] - p.was.spot("side-waist")[0])  # open
    p.tapered("side", (thigh, 0.0), (p.was.level("hip"), change), (waist_level(p) - 90.0, p.out("side", waist_level(p) - 90.0)),
              (waist_level(p), at_top))  # fmt: skip
    bare(p, "side", "waist")
    p.stay("centre-waist")
    c.back.untouched()


@rule("add-front-width")
def add_front_width(c: Case) -> None:
    """The rule: "the amount outward at the abdomen line and at the hip line"."""
    _front_width(c, c.d)


@rule("take-front-width")
def take_front_width(c: Case) -> None:
    """The rule: "the amount inside the front side edge at the hip line, to nothing in the middle of the thigh"."""
    _front_width(c, -c.d)


@rule("add-outer-thigh")
def add_outer_thigh(c: Case) -> None:
    """The amount outside each edge at the fullest place below the hip line, to nothing at hip line and knee."""
    heights = []
    for p in c.both:
        knee, hip = p.was.level("knee"), p.was.level("hip")
        heights.append(one_bump(p, knee, hip, c.d))
        p.edge_stays("side", hip, waist_level(p))
        p.edge_stays("side", HEM, knee)
        p.keep_widths("waist", "hip", "knee", "hem")
        p.tapered("side", (knee, 0.0), (heights[-1], c.d), (hip, 0.0))
        bare(p, "side")
    c.near("heights of the two edges differ", heights[0] - heights[1], 0.0, 8.0)


@rule("add-to-one-side")
def add_to_one_side(c: Case) -> None:
    """The amount outside both side edges of one side where the strain was, to nothing at waist line and knee line.

    "The hip grows by twice the amount on that side only": the mark is at the hip line.
    """
    for p in c.both:
        p.width("hip", c.d, TOL + 0.02 * c.d)
        height = one_bump(p, p.was.level("knee"), waist_level(p), c.d)
        p.edge_stays("side", HEM, p.was.level("knee"))
        p.keep_widths("waist", "knee", "hem")
        p.tapered("side", (p.was.level("knee"), 0.0), (height, c.d), (waist_level(p), 0.0))
        bare(p, "side")


def _side_curve(c: Case, change: float) -> None:
    """The side curve shaved or filled by the amount between waist line and full hip line, where both ends stay."""
    for p in c.both:
        hip = p.was.level("hip")
        height = one_bump(p, hip, waist_level(p), change)
        p.edge_stays("side", HEM, hip)
        p.keep_widths("waist", "hip", "crotch", "knee", "hem")
        p.tapered("side", (hip, 0.0), (height, change), (waist_level(p), 0.0))
        bare(p, "side")


@rule("flatten-side-curve")
def flatten_side_curve(c: Case) -> None:
    """The rule: "mark the amount inside each edge"."""
    _side_curve(c, -c.d)


@rule("round-side-curve")
def round_side_curve(c: Case) -> None:
    """The rule: "mark the amount outside each edge"."""
    _side_curve(c, c.d)


def _top_of_side(c: Case, p: Pair, change: float) -> None:
    """The top of the side edge out at the waist line, to nothing at the full hip line."""
    hip = p.was.level("hip")
    lean = 1.0 / np.cos(slope(p.was.seams["side"], waist_level(p) - 10.0)) - 1.0
    slack = TOL + abs(change) * (lean + 0.02)
    p.seam("waist", change, below=slack, above=slack)
    p.edge_within("side", hip, waist_level(p) - 8.0, min(change, 0.0), max(change, 0.0))
    p.edge_stays("side", HEM, hip)
    p.keep_widths("hip", "crotch", "knee", "hem")
    p.tapered(
        "side", (hip, 0.0), (waist_level(p) - 90.0, p.out("side", waist_level(p) - 90.0)), (waist_level(p), change)
    )
    bare(p, "side", "waist")


@rule("let-out-top-of-side")
def let_out_top_of_side(c: Case) -> None:
    """The amount at the waist line and a hand's breadth below it, to nothing at the full hip line.

    What the waist gains goes into the darts if it measured right, or stays if it pressed.
    """
    for p in c.both:
        _top_of_side(c, p, c.d)
        breadth = max(p.out("side", waist_level(p) - down) for down in (75.0, 80.0, 85.0, 90.0, 95.0, 100.0))
        p.near("side edge a hand's breadth below the waist moved out", breadth, c.d, TOL + 0.05 * c.d)
        p.between(
            "waist with darts closed, change", p.now.width("waist") - p.was.width("waist"), -TOL, 1.06 * c.d + TOL
        )


@rule("let-waist-out")
def let_waist_out(c: Case) -> None:
    """A quarter of what is missing outside each side edge at the waist line, to nothing at the full hip line."""
    for p in c.both:
        _top_of_side(c, p, c.d)
        p.width("waist", c.d, TOL + 0.05 * c.d)  # "the waist grows by four times the amount"
        p.dart_sum(0.0)


@rule("take-waist-in")
def take_waist_in(c: Case) -> None:
    """The amount inside the centre-back edge at the waist line and half of it inside each side edge, to nothing at the hip.

    "The waist shrinks by four times the amount, half of it behind and a quarter at each side."
    """
    p = c.back
    p.near(
        "centre back moved to the side", float(p.now.spot("centre-waist")[0] - p.was.spot("centre-waist")[0]), c.d, 0.5
    )
    p.width("waist", -1.5 * c.d, TOL + 0.03 * c.d)
    c.front.width("waist", -0.5 * c.d, TOL + 0.03 * c.d)
    p.stay("crotch-point", "inseam", "hem")
    p.edge_stays("edge", point_level(p) + 1.0, p.was.level("hip"))  # "the back curve below the hip line stays as it is"
    for q in c.both:
        q.edge_within("side", q.was.level("hip"), waist_level(q) - 8.0, -0.5 * c.d, 0.0)
        q.edge_stays("side", HEM, q.was.level("hip"))
        q.keep_widths("hip", "crotch", "knee", "hem")
        q.dart_sum(0.0)
        q.levels_stay()
        q.grain()
    bare(c.front, "side", "waist")


@rule("shape-centre-back-hollow")
def shape_centre_back_hollow(c: Case) -> None:
    """The centre-back edge in by the amount at the deepest place of the hollow, to nothing at the fullest seat.

    For a waist that gapes "it shrinks by four times the amount, half at the seam and half in the darts": on each back the
    amount at the seam, parallel to the old edge up to the waist, and the amount in the darts.
    """
    p = c.back
    hip = p.was.level("hip")
    near_waist = p.out("edge", waist_level(p) - 20.0)
    p.between("centre back moved in 2 cm below the waist", -near_waist, 0.85 * c.d - TOL, c.d + TOL)
    p.edge_within("edge", hip, waist_level(p), -c.d, 0.0)
    p.edge_stays("edge", point_level(p) + 1.0, hip)
    p.seam("edge", 0.0, below=2.0 + TOL, above=2.0 + TOL)
    p.width("waist", -2.0 * c.d, TOL + 0.03 * c.d)
    p.dart_sum(c.d)
    p.stay("side", "inseam", "hem", *(name for name in p.was.spots if name.startswith("dart-tip")))
    p.keep_widths("hip", "crotch", "knee", "hem")
    p.levels_stay()
    p.grain()
    c.front.untouched()


@rule("re-aim-darts")
def re_aim_darts(c: Case) -> None:
    """Each dart's point moves by the amount, its ends at the waist stay: "no seam changes its length"."""
    for p in c.both:
        bare(p, "waist")
        p.stay("waist", *(name for name in p.was.spots if name.startswith(("dart-left", "dart-right"))))
        for i, (was, now) in enumerate(zip(p.was.darts, p.now.darts, strict=True)):
            p.near(f"point of dart {i + 1} moved", float(np.hypot(*(now[2] - was[2]))), c.d)
        p.keep_widths("waist", "hip")


def _deeper(c: Case, p: Pair, other: Pair) -> None:
    """Half of the amount outside each dart leg at the waist, shared by the darts; points and the other piece stay."""
    bare(p, "waist")
    p.stay("waist", *(name for name in p.was.spots if name.startswith("dart-tip")))
    count = len(p.was.darts)
    for i, (left, right, _) in enumerate(p.was.darts):
        along = unit(right - left)
        p.spot(f"dart-left-{i}", left - along * c.d / 2.0 / count)
        p.spot(f"dart-right-{i}", right + along * c.d / 2.0 / count)
    p.width("waist", -c.d)
    other.untouched()


@rule("take-in-front-waist")
def take_in_front_waist(c: Case) -> None:
    """The rule: "mark the amount at the waist, half of it outside each dart leg. Draw both legs straight to the dart point"."""
    _deeper(c, c.front, c.back)


@rule("deepen-darts")
def deepen_darts(c: Case) -> None:
    """The rule: "add the amount to the width of the dart at the waist line, half on each side. With two darts share it"."""
    _deeper(c, c.back, c.front)
