"""What the rules of crotch, inseam and leg length do to the paper.

Each function reads its rule's own text (quoted or told in the comment) and says with plain geometry what must lie where. Where
the text leaves something open (a height, the run of a curve), only what it does say is asked for.
"""

from __future__ import annotations

import numpy as np
from expected import one_bump, point_level, rule, top, waist_level
from paper import HAND, TOL, Case, Pair, apart, cross, crossings, length, off, shift, slope, unit, x_at

HEM = 0.0


# --- the crotch section ----------------------------------------------------------------------------------------------------


@rule("slide-crotch-section-down")
def slide_crotch_section_down(c: Case) -> None:
    """The inner section is cut off along a line from the start of the curve and slides down it by the amount.

    Straight down the line meets no inseam on these legs, so it leans "to meet the inseam about 20 cm below the crotch point".
    """
    p = c.back
    start, point, inseam = p.was.spot("curve-start"), p.was.spot("crotch-point"), p.was.seams["inseam"]
    slid = p.now.spot("crotch-point") - point
    p.near("crotch point slid by", float(np.hypot(*slid)), c.d)
    foot_y = point[1] - 200.0
    straight_meets = x_at(inseam, foot_y) >= start[0]
    foot = np.array([x_at(inseam, foot_y), foot_y])
    want = np.array([0.0, -1.0]) if straight_meets else unit(foot - start)
    lean = np.degrees(np.arcsin(np.clip(cross(want, slid) / max(np.hypot(*slid), 1e-9), -1, 1)))
    p.near("direction of the slide, degrees", float(lean), 0.0, 1.5)  # "about 20 cm"
    p.seam(
        "edge", c.d
    )  # "the centre-back seam is longer by the amount, just above the curve"; the curve is not reshaped
    p.stay("centre-waist", "side", "waist", "hem")
    p.darts_stay()
    # The curve itself is moved, not redrawn: below the top few cm, which are smoothed, it is the old one.
    moved = shift(*slid)(p.was.seams["curve"])
    low = moved[moved[:, 1] < moved[-1, 1] - 50.0]
    p.near("curve is reshaped by", off(low, p.now.edge), 0.0)
    # "Shorter by clearly less than the slide (practice) or nearly the whole slide (geometry)".
    p.between(
        "inseam length change", length(p.now.seams["inseam"]) - length(inseam), -1.03 * c.d - TOL, -0.4 * c.d + TOL
    )
    p.keep_widths("waist", "hip", "knee", "hem")
    p.levels_stay("hip", "knee")  # "the grainline and the level lines stay"
    p.grain()
    c.front.untouched()


def _crotch_level(c: Case, sign: int) -> None:
    for p in c.both:
        inseam = p.was.seams["inseam"]
        p.seam("inseam", sign * c.d)
        p.edge_stays("inseam", 0.0, p.was.level("knee"))  # hinge: the knee
        p.stay("centre-waist", "side", "waist", "hem")
        p.darts_stay()
        moved = p.now.spot("crotch-point") - p.was.spot("crotch-point")
        p.between("crotch point moved along the grain", sign * moved[1], 0.85 * c.d - TOL, c.d + TOL)
        p.between("crotch seam change", sign * (length(p.was.edge) - length(p.now.edge)), 0.45 * c.d, 1.15 * c.d)
        p.levels_stay("hip", "knee")
        p.levels(shift(0.0, float(moved[1])), "crotch")  # "crotch line redrawn on both pieces"
        p.keep_widths("waist", "hip", "knee", "hem")
        p.grain()
        p.near("inseam below the knee moved", apart(inseam[:5], p.now.seams["inseam"][:5]), 0.0)


@rule("drop-crotch-level")
def drop_crotch_level(c: Case) -> None:
    """The rule: "mark the amount down the inseam from the crotch point", slide the curve down to the mark and blend it above."""
    _crotch_level(c, -1)


@rule("raise-crotch-level")
def raise_crotch_level(c: Case) -> None:
    """The rule: "lengthen the inseam upward by the amount", slide the curve up to the new point and blend it above."""
    _crotch_level(c, +1)


def _curve_depth(c: Case, p: Pair, other: Pair, sign: int) -> None:
    """The curve moved towards the corner (+1) or away on the line that halves it, to nothing at both its ends.

    The corner: the crotch level, and the centre line carried down (straight down, or in its own slope).
    """
    start, point, waist = (p.was.spot(name) for name in ("curve-start", "crotch-point", "centre-waist"))
    changes = []
    for crotch in (p.was.level("crotch"), float(point[1])):
        for slant in (0.0, (waist[0] - start[0]) / (waist[1] - start[1])):
            corner = np.array([start[0] - slant * (start[1] - crotch), crotch])
            halving = unit(unit(np.array([-1.0, 0.0])) + unit(np.array([slant, 1.0])))
            gaps = [
                min(
                    (w[0] for w in crossings(paper.seams["curve"], corner, corner + halving) if w[0] > -1.0),
                    default=np.nan,
                )
                for paper in (p.was, p.now)
            ]
            changes.append(gaps[0] - gaps[1])
    p.near("corner gap smaller by", min(changes, key=lambda got: abs(got - sign * c.d)), sign * c.d)
    p.stay("crotch-point", "curve-start", "centre", "inseam", "side", "waist", "hem")
    # 1.04 times the gap for a quarter circle, "(2 - pi/2) / (sqrt 2 - 1)"; "about the amount"
    change = length(p.now.seams["curve"]) - length(p.was.seams["curve"])
    p.between("curve length change", sign * change, 0.6 * c.d - TOL, 1.5 * c.d + TOL)
    p.darts_stay()
    p.levels_stay()
    p.keep_widths("waist", "knee", "hem")
    p.grain()
    other.untouched()


@rule("scoop-back-curve")
def scoop_back_curve(c: Case) -> None:
    """The amount "on the 45 degree line, from the curve into the piece"."""
    _curve_depth(c, c.back, c.front, +1)


@rule("fill-back-curve")
def fill_back_curve(c: Case) -> None:
    """The amount "on the 45 degree line, from the curve out of the piece"."""
    _curve_depth(c, c.back, c.front, -1)


@rule("scoop-front-curve")
def scoop_front_curve(c: Case) -> None:
    """The rule: "move the curve towards the corner by the amount on that line"."""
    _curve_depth(c, c.front, c.back, +1)


@rule("fill-front-curve")
def fill_front_curve(c: Case) -> None:
    """The rule: "on the line that halves the corner move the curve away from the corner by the amount"."""
    _curve_depth(c, c.front, c.back, -1)


# --- inseam, hem and leg length --------------------------------------------------------------------------------------------


@rule("lengthen-back-inseam")
def lengthen_back_inseam(c: Case) -> None:
    """The rule: "carry the back inseam on upwards by the amount"; the curve runs back into the old one over a hand."""
    p, inseam = c.back, c.back.was.seams["inseam"]
    p.spot("crotch-point", inseam[-1] + unit(inseam[-1] - inseam[-2]) * c.d)
    p.seam("inseam", c.d)
    p.near("old inseam moved", off(inseam, p.now.seams["inseam"]), 0.0)
    _curve_end(c, p)


@rule("shorten-back-inseam")
def shorten_back_inseam(c: Case) -> None:
    """The rule: "drop the back crotch point straight down by the amount"; the inseam from it to nothing at the knee."""
    p, inseam = c.back, c.back.was.seams["inseam"]
    p.spot("crotch-point", p.was.spot("crotch-point") + np.array([0.0, -c.d]))
    p.edge_stays("inseam", 0.0, p.was.level("knee"))
    # "Shorter by the amount": straight down, a seam that leans by a at its top loses between d cos(a) and d.
    p.seam("inseam", -c.d, above=TOL + c.d * (1 - np.cos(slope(inseam, inseam[-1, 1] - 6.0))))
    _curve_end(c, p)


def _curve_end(c: Case, p: Pair) -> None:
    """Only the end of the crotch curve follows, a hand long; all else stays."""
    far = p.was.edge[[length(p.was.edge[: i + 1]) > HAND[1] for i in range(len(p.was.edge))]]
    p.near("curve beyond a hand from the point moved", off(far, p.now.edge), 0.0)
    p.stay("side", "waist", "hem", "centre-waist")
    p.darts_stay()
    p.levels_stay()
    p.keep_widths("waist", "hip", "knee", "hem")
    p.grain()
    c.front.untouched()


@rule("tuck-behind-knee")
def tuck_behind_knee(c: Case) -> None:
    """A level overlap across the back leg at the knee line: inseam and side seam of the back shorter by the amount."""
    p, knee = c.back, c.back.was.level("knee")
    p.spots_move(shift(0.0, -c.d), *top(p), "crotch-point", "curve-start")
    p.levels(shift(0.0, -c.d), "hip", "crotch")
    for seam in ("inseam", "side"):
        lean = max(slope(p.was.seams[seam], knee + 8.0), slope(p.was.seams[seam], knee - 8.0))
        p.seam(seam, -c.d, below=TOL + c.d * (1 / np.cos(lean) - 1), above=TOL + c.d * np.tan(lean))
    p.keep_seams("edge", "waist", "hem")
    p.keep_widths("waist", "hip", "crotch", "hem")
    p.grain()
    c.front.untouched()


@rule("change-leg-length")
def change_leg_length(c: Case) -> None:
    """Cut half way between knee and hem; the lower part straight down by the amount (up to shorten). The knee stays."""
    for p in c.both:
        p.lay("side-waist", "centre-waist", "crotch-point")
        p.spots_move(shift(0.0, -c.d), "side-hem", "inside-hem")
        p.stay("curve", "centre", "waist")
        p.darts_stay()
        p.levels_stay()
        p.edge_stays("side", p.was.level("knee"), float(p.was.spot("side-waist")[1]) - 1.0)
        p.edge_stays("inseam", p.was.level("knee"), float(p.was.spot("crotch-point")[1]))
        p.keep_widths("waist", "hip", "crotch", "knee", "hem")  # "measure the hem width: it is what it was"
        p.seam("side", c.d)
        p.seam("inseam", c.d)
        p.grain()


@rule("level-hems")
def level_hems(c: Case) -> None:
    """A new level hem line by the amount; on a tapered leg "a little wider turned up, and narrower let down".

    Whether the amount lets down or turns up is not in the text; a leg let down goes on in its own taper.
    """
    for p in c.both:
        p.lay("side-waist", "centre-waist", "crotch-point")
        hem = p.now.seams["hem"]
        p.near("hem is not level by", float(np.ptp(hem[:, 1])), 0.0)
        down = float(p.was.seams["hem"][:, 1].mean() - hem[:, 1].mean())
        p.near("hem moved by", abs(down), abs(c.d))
        for seam in ("side", "inseam"):
            line = p.was.seams[seam] if seam == "side" else p.was.seams[seam][::-1]
            run = unit(line[-1] - line[-2])
            end = p.now.spot("side-hem" if seam == "side" else "inside-hem")
            p.near(f"{seam} leaves its line at the hem by", float(abs(cross(run, end - line[-1]))), 0.0)
            p.seam(seam, down / -run[1])
        p.stay("curve", "centre", "waist")
        p.darts_stay()
        p.levels_stay()
        p.keep_widths("waist", "hip", "crotch", "knee")
        p.grain()


def _pass(c: Case, sign: int) -> None:
    """Back passed down (+1) or up (-1): its own paper stays, its ends at waist, crotch point and hem move by the amount."""
    p = c.back
    p.lay("hip-line-0", "knee-line-0", "knee-line-1")  # drawn on its paper, which stays
    p.stay("curve-start", *(name for name in p.was.spots if name.startswith("dart-tip")))
    p.levels_stay()
    side, inseam = p.was.seams["side"], p.was.seams["inseam"]
    up = unit(side[0] - side[1])
    # "At the side seam add to the back waist until it meets the front" (the seam carried on; passed up, it ends lower).
    p.near(
        "side seam leaves its line at the waist",
        off(p.now.spot("side-waist"), np.vstack([side[0] + 2 * c.d * up, side])),
        0.0,
    )
    p.near("waist higher at the side seam", float((p.now.spot("side-waist") - side[0]) @ up), sign * c.d)
    # "Draw the back inseam on upwards to the front point" / "shorten the back inseam to the front point".
    if sign > 0:
        p.spot("crotch-point", inseam[-1] + unit(inseam[-1] - inseam[-2]) * c.d)
    else:
        p.near("crotch point leaves the inseam by", off(p.now.spot("crotch-point"), inseam), 0.0)
    p.near("hem higher", float(p.now.seams["hem"][:, 1].mean() - p.was.seams["hem"][:, 1].mean()), sign * c.d)
    p.keep_seams("side", "inseam")  # "but for the end of the back crotch curve no seam changes its length"
    rise = (p.now.spot("centre-waist") - p.was.spot("centre-waist")) @ unit(p.was.edge[-1] - p.was.edge[-2])
    p.between(
        "centre back higher", sign * float(rise), -TOL, c.d + TOL
    )  # "only as much as the waist lies below its tape"
    far = p.was.seams["curve"][
        [length(p.was.seams["curve"][: i + 1]) > HAND[1] for i in range(len(p.was.seams["curve"]))]
    ]
    if len(far):
        p.near("curve beyond a hand from the point moved", off(far, p.now.edge), 0.0)
    p.keep_widths("hip", "knee")
    p.grain()
    c.front.untouched()


@rule("pass-back-down")
def pass_back_down(c: Case) -> None:
    """Joined lower by the amount: notches up, waist added at the side, the inseam drawn on, the hem taken off."""
    _pass(c, +1)


@rule("pass-back-up")
def pass_back_up(c: Case) -> None:
    """Joined higher by the amount: notches down, waist lowered at the side, the inseam shortened, the hem added to."""
    _pass(c, -1)


# --- crotch extension and the top of the inseam ----------------------------------------------------------------------------


def _extension(p: Pair, change: float, down: float | None = None, *, alone: bool = True) -> None:
    """The crotch point out (or in) along the crotch line by `change`, the inseam to nothing `down` mm lower or at the knee."""
    p.spot("crotch-point", p.was.spot("crotch-point") - np.array([change, 0.0]))
    p.extension(change)
    p.width("crotch", change)
    low, high = sorted((0.0, change))
    level = point_level(p)
    end = p.was.level("knee") if down is None else level - down
    p.edge_stays("inseam", HEM, min(end, p.was.level("knee")) if down is None else end)
    p.edge_within("inseam", end, level - 4.0, low, high)
    # Straight or hollow from the point to its end: a chord that gains `change` sideways, no more than half as much again.
    foot = np.array([x_at(p.was.seams["inseam"], end), end])
    chord = p.was.spot("crotch-point") - foot
    bound = abs(float(np.hypot(*(chord - np.array([change, 0.0])))) - float(np.hypot(*chord)))
    p.seam("inseam", 0.0, below=1.6 * bound + 0.5, above=1.6 * bound + 0.5)
    curve = length(p.now.line("edge")) - length(p.was.line("edge"))
    p.between("crotch seam longer, share of the amount", curve / change, 0.6, 1.25)  # "by about the amount"
    if alone:
        p.stay("side")
    p.stay("curve-start", "centre", "waist", "hem")
    p.darts_stay()
    p.levels_stay()
    p.keep_widths("waist", "hip", "knee", "hem")
    p.grain()


@rule("lengthen-back-extension")
def lengthen_back_extension(c: Case) -> None:
    """The rule: "run the crotch line on at the crotch point by the amount"; inseam to nothing 20 to 30 cm down or at the knee."""
    _extension(c.back, c.d)
    c.front.untouched()


@rule("shorten-back-extension")
def shorten_back_extension(c: Case) -> None:
    """The rule: "mark the amount in from the crotch point along the crotch line"."""
    _extension(c.back, -c.d)
    c.front.untouched()


@rule("narrow-back-leg-top")
def narrow_back_leg_top(c: Case) -> None:
    """The rule: "mark the amount inside the back crotch point, along the crotch-level line"; hinge 10 to 12 in down the inseam."""
    _extension(c.back, -c.d, down=305.0)
    c.front.untouched()


@rule("lengthen-front-extension")
def lengthen_front_extension(c: Case) -> None:
    """The rule: "mark the amount outward from the crotch point, level. Draw the inseam from the mark to nothing at the knee"."""
    _extension(c.front, c.d)
    c.back.untouched()


@rule("shorten-front-extension")
def shorten_front_extension(c: Case) -> None:
    """The rule: "mark the amount inward from the crotch point on the front. Draw the inseam to nothing at the knee"."""
    _extension(c.front, -c.d)
    c.back.untouched()


@rule("add-inner-thigh")
def add_inner_thigh(c: Case) -> None:
    """The amount outside the back inseam at the crotch point, half of it in front; the crotch "has not dropped"."""
    _extension(c.back, c.d)
    _extension(c.front, c.d / 2.0)


@rule("add-front-thigh")
def add_front_thigh(c: Case) -> None:
    """The amount outside the inseam at the crotch point and outside the side edge at thigh level, to nothing at hip and knee."""
    p = c.front
    knee, hip = p.was.level("knee"), p.was.level("hip")
    p.spot("crotch-point", p.was.spot("crotch-point") - np.array([c.d, 0.0]))
    p.extension(c.d)
    p.edge_stays("inseam", HEM, knee)
    p.edge_within("inseam", knee, point_level(p) - 4.0, 0.0, c.d)
    height = one_bump(p, knee, hip, c.d)
    p.between("height of the thigh below the crotch", p.was.level("crotch") - height, -10.0, 150.0)
    p.edge_stays("side", hip, waist_level(p))
    p.edge_stays("side", HEM, knee)
    p.between("crotch seam longer, share", (length(p.now.edge) - length(p.was.edge)) / c.d, 0.6, 1.25)
    p.stay("curve-start", "centre", "waist", "hem")
    p.darts_stay()
    p.levels_stay()
    p.keep_widths("waist", "hip", "knee", "hem")
    p.grain()
    c.back.untouched()
