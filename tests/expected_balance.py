"""What the rules of rise and balance, which spread, fold or turn a part of a piece, do to the paper.

Each function reads its rule's own text (quoted or told in the comment) and says with plain geometry what must lie where. Where
the text leaves something open (a height, the run of a curve), only what it does say is asked for.
"""

from __future__ import annotations

import numpy as np
from expected import INCH, rule, top
from paper import HAND, TOL, Case, Map, Pair, Paper, cross, crossings, fitted, off, shift, slope, unit, x_at
from shapely import LineString

HEM = 0.0


@rule("recut-on-grain", "agree-wearing-height", "resew-seam")
def nothing(c: Case) -> None:
    """The rules: "change nothing of the outline", "leave the pattern as it is": the paper stays whole."""
    for p in c.both:
        p.untouched()


# --- rise ------------------------------------------------------------------------------------------------------------------


def _middle(p: Pair) -> float:
    """The rule: "halfway between waist and crotch", measured at the side, where waist and crotch line are level."""
    return (float(p.was.spot("side-waist")[1]) + p.was.level("crotch")) / 2.0


@rule("lengthen-rise")
def lengthen_rise(c: Case) -> None:
    """Cut through halfway between waist and crotch, square to the grain, and spread evenly. "Curves and leg stay"."""
    for p in c.both:
        p.spots_move(shift(0.0, c.d), *top(p))  # all above the cut goes up by the amount, darts with it
        p.stay("inseam", "hem", "curve", "crotch-point", "curve-start")
        p.levels_stay()  # hip, crotch and knee line lie below the cut
        p.grain()
        # Centre and side seam are longer by the amount. "Redrawn straight across the strip": a seam that leans by a is
        # between d cos(a) and d longer.
        lean = slope(p.was.seams["centre"], _middle(p) + 8.0)
        p.seam("edge", c.d, below=TOL + c.d * (1 - np.cos(lean)))
        p.seam("side", c.d, below=TOL + c.d * (1 - np.cos(slope(p.was.seams["side"], _middle(p)))))
        p.extension(0.0)
        p.keep_widths("waist", "hip", "crotch", "knee", "hem")
        p.dart_sum(0.0)
        p.near("grain to centre change", p.now.grain_to_centre() - p.was.grain_to_centre(), 0.0)


@rule("shorten-rise")
def shorten_rise(c: Case) -> None:
    """The same line folded: all above it comes down by the amount."""
    for p in c.both:
        p.spots_move(shift(0.0, -c.d), *top(p))
        p.stay("inseam", "hem", "crotch-point")
        p.levels_stay()
        p.grain()
        for seam in ("edge", "side"):
            # A seam that leans loses more than d of its length and gets a step sideways, which smoothing takes off again.
            line, y = p.was.line(seam), _middle(p)
            step = max(abs(x_at(line, y + up) - x_at(line, y + up - c.d)) for up in (0.0, c.d / 2, c.d))
            p.seam(seam, -c.d, below=TOL + float(np.hypot(step, c.d)) - c.d, above=TOL + step)
        p.keep_widths("waist", "hip", "crotch", "knee", "hem")
        p.near("crotch point to waist", p.now.spot("side-waist")[1] - p.now.spot("crotch-point")[1],
               p.was.spot("side-waist")[1] - p.was.spot("crotch-point")[1] - c.d)  # fmt: skip
        p.dart_sum(0.0)


# --- wedges across a piece, hinged at the side -----------------------------------------------------------------------------


def _wedge(p: Pair, sign: int, heights: tuple[float, float], free: str, known: list[str]) -> tuple[Map, float]:
    """The part above a level cut turned about the side seam: +1 opened, -1 closed at the free edge by the amount.

    The motion is read off landmarks above the cut; then its fixed point must be the hinge: on the old side seam, at a height
    the text allows; and the free edge at that height must have opened or closed by the amount. Returns motion and height.
    """
    source, target = (np.array([paper.spot(name) for name in known]) for paper in (p.was, p.now))
    motion, angle, misfit, hinge = fitted(source, target)
    p.near("part above the cut is bent by", misfit, 0.0)
    if not np.isfinite(hinge).all():
        p.near("turn of the part above the cut, degrees", 0.0, -sign * np.degrees(p.d / 250.0), 0.0)
        return motion, heights[0]
    p.between(
        "side the part above turns to", -sign * np.sign(angle), 1.0, 1.0
    )  # opened at the centre it turns to the side
    p.near("hinge off the side seam", off(hinge, p.was.seams["side"]), 0.0)
    height = float(hinge[1])
    p.between("height of the cut", height, heights[0] - 0.5, heights[1] + 0.5)
    edge = p.was.line(free)
    found = crossings(edge, hinge, hinge + np.array([-1.0, 0.0]))
    if not found:
        p.near("free edge at the height of the cut", height, sum(heights) / 2)
        return motion, height
    corner = found[0][1]
    p.near("cut opened or closed at the free edge", float(np.hypot(*(motion(corner) - corner))), p.d)
    return motion, height


def _above_and_below(p: Pair, motion: Map, height: float) -> None:
    """Level lines go with the part they are drawn on; a line that lies in the cut stays with the lower edge."""
    for name in ("hip", "crotch", "knee"):
        p.levels(motion if p.was.level(name) > height + 1.0 else np.asarray, name)
    p.spots_move(motion if p.was.spot("curve-start")[1] > height + 1.0 else np.asarray, "curve-start")
    p.stay("hem")


@rule("lengthen-back-crotch")
def lengthen_back_crotch(c: Case) -> None:
    """Cut from centre back to the stitching line of the side seam at the hip line; open at centre back by the amount.

    The top tips up and towards the side; the leg's grain is carried straight up.
    """
    p, hip = c.back, c.back.was.level("hip")
    motion, height = _wedge(p, +1, (hip, hip), "edge", top(p))
    _above_and_below(p, motion, height)
    p.spots_move(motion, *top(p))
    p.stay("inseam", "crotch-point")
    p.seam("edge", c.d)  # "longer by the whole amount"
    p.keep_seams("side", "inseam", "waist")
    p.keep_widths("waist", "hip", "crotch", "knee", "hem")
    p.grain()
    c.front.untouched()


@rule("tuck-across-back-hip")
def tuck_across_back_hip(c: Case) -> None:
    """The tuck lies 1 in above the full hip line; the upper part pivots down at the side seam, the amount at centre back.

    "Measure the amount down along the centre-back line": the edges do not meet, for the seam below leans; a sliver is filled
    in or cut off, so the raw seam may be longer by that step.
    """
    p = c.back
    cut = p.was.level("hip") + INCH
    motion, height = _wedge(p, -1, (cut, cut), "edge", top(p))
    _above_and_below(p, motion, height)
    p.spots_move(motion, *top(p))
    p.stay("inseam", "crotch-point")
    corner = np.array([x_at(p.was.edge, height), height])
    below = p.was.edge[p.was.edge[:, 1] < height][::-1]
    mark = LineString(np.vstack([corner, below])).interpolate(c.d)
    p.seam("edge", -c.d, above=TOL + float(np.hypot(*(motion(corner) - (mark.x, mark.y)))))
    p.keep_seams("side", "inseam", "waist")
    p.keep_widths("waist", "hip", "crotch", "knee", "hem")
    p.grain()
    c.front.untouched()


@rule("tuck-below-seat")
def tuck_below_seat(c: Case) -> None:
    """A level tuck just under the seat from inseam to side seam, widest at the inseam; grain of the leg carried up."""
    p = c.back
    crotch = float(p.was.spot("crotch-point")[1])
    motion, height = _wedge(p, -1, (crotch - HAND[0], crotch), "inseam", [*top(p), "curve-start"])
    p.spots_move(motion, *top(p), "curve-start", "crotch-point")
    p.levels(motion, "hip", "crotch")
    p.levels_stay("knee")
    p.stay("hem")
    step = abs(x_at(p.was.seams["inseam"], height) - x_at(p.was.seams["inseam"], height - c.d))
    p.seam("inseam", -c.d, above=TOL + step)
    p.keep_seams("side", "waist")
    p.seam("edge", 0.0, below=TOL + c.d / 2.0)  # "may lose up to half of the amount where the tuck runs into it"
    p.keep_widths("waist", "hip", "knee", "hem")
    p.grain()
    c.front.untouched()


@rule("shorten-rise-release-extension")
def shorten_rise_release_extension(c: Case) -> None:
    """The crotch point out by the amount, and a fold above the hip line from centre back to nothing at the side seam."""
    p = c.back
    hip, waist = p.was.level("hip"), float(p.was.spot("side-waist")[1])
    motion, height = _wedge(p, -1, (hip + 1.0, (hip + waist) / 2.0), "edge", [*top(p)])
    _above_and_below(p, motion, height)
    p.spots_move(motion, *top(p))
    p.spots_move(shift(-c.d, 0.0), "crotch-point")
    p.keep_seams("side", "waist")
    p.keep_widths("waist", "hip", "knee", "hem")
    p.width("crotch", c.d)  # "the back thigh gains the amount"
    p.edge_stays("inseam", 0.0, p.was.level("knee"))  # "nothing at the knee"
    p.seam(
        "edge", 0.0, below=TOL + 0.2 * c.d, above=TOL + 0.2 * c.d
    )  # "the whole crotch seam stays": about d on, d off
    p.grain()
    c.front.untouched()


def _abdomen(p: Pair) -> tuple[float, float]:
    """Where an abdomen or the fold below a front waist lies: below the waist and above the hip line."""
    waist, hip = float(p.was.spot("side-waist")[1]), p.was.level("hip")
    return hip, waist - 25.0


def _across_front(c: Case, sign: int) -> None:
    p = c.front
    motion, height = _wedge(p, sign, _abdomen(p), "edge", ["side-waist", "dart-right-0"])
    _above_and_below(p, motion, height)
    p.stay("curve", "inseam", "crotch-point")
    # "Centre front straight from the start of the crotch curve to the waist"; "trued as above the waist keeps its size".
    centre = p.now.seams["centre"]
    p.near("centre front bent by", off(centre, centre[[0, -1]]), 0.0)
    p.width("waist", 0.0)
    # "The front crotch seam grows by the amount": straightened, the two parts of the broken line are a trifle shorter.
    p.seam("edge", sign * c.d, below=TOL + 0.04 * c.d, above=TOL + 0.04 * c.d)
    p.keep_seams("side", "inseam", "hem")
    p.keep_widths("hip", "crotch", "knee", "hem")
    p.extension(0.0)
    p.grain()
    c.back.untouched()


@rule("spread-across-front")
def spread_across_front(c: Case) -> None:
    """Cut level where the abdomen is fullest, hinge at the side seam, opened at centre front by the amount."""
    _across_front(c, +1)


@rule("tuck-across-front")
def tuck_across_front(c: Case) -> None:
    """The same closed, where the loose fold lies."""
    _across_front(c, -1)


@rule("overlap-back-wedge")
def overlap_back_wedge(c: Case) -> None:
    """Lap the upper part down at centre back where the curve begins, hinged at the side seam.

    The cut slants from the start of the curve down to the side seam a hand below the crotch level (settled by geometry: hinged
    level at the side, the grainline moves 0.6 in an inch, not the 1.2 in that practice counts on). What the fold takes from
    the height of centre back is given back at its top, to nothing at the side. The extension keeps its width.
    """
    p = c.back
    start, crotch = p.was.spot("curve-start"), p.was.level("crotch")
    known = ["side-waist", *(name for name in p.was.spots if name.startswith("dart-tip"))]
    source, target = (np.array([paper.spot(name) for name in known]) for paper in (p.was, p.now))
    motion, angle, misfit, hinge = fitted(source, target)
    p.near("part above the cut is bent by", misfit, 0.0)
    p.between("turn of the part above, degrees", np.degrees(angle), 0.1, 8.0)
    if np.isfinite(hinge).all():
        p.near("hinge off the side seam", off(hinge, p.was.seams["side"]), 0.0)
        p.between("height of the hinge below the crotch", crotch - hinge[1], *HAND)
    p.near("overlap where the curve begins", float(np.hypot(*(motion(start) - start))), c.d)
    given = p.now.spot("centre-waist") - motion(p.was.spot("centre-waist"))
    up = unit(motion(p.was.seams["centre"][-1]) - motion(p.was.seams["centre"][0]))
    p.near("top of centre back beside its own line", float(cross(up, given)), 0.0)
    p.between(
        "given back at the top of centre back, share", float(given @ up) / c.d, 0.57, 0.73
    )  # it drops 0.67 in an inch
    p.spots_move(motion, "side-waist")
    p.seam("side", 0.0)
    p.seam("inseam", 0.0, below=2.0, above=6.0)  # the crotch point goes out as far as the centre line did, some 19 mm
    p.stay("hem")
    p.keep_widths("knee", "hem")
    # "Width of the extension, from the centre-back line carried down to the crotch point", straight down or along its slope.
    p.near(
        "extension change",
        min((b - a for a, b in zip(_extensions(p.was), _extensions(p.now), strict=True)), key=abs),
        0.0,
    )
    # "The seat loses none": as it is cut the edge has a step where the parts meet, as wide as the start of the curve went
    # sideways; smoothing takes it off again.
    step = float(abs((motion(start) - start)[0]))
    p.seam("edge", 0.0, below=TOL + 0.1 * c.d, above=0.3 * c.d + step)
    p.levels_stay("knee")
    # The slanting cut runs through the crotch line: its inner end stays where it is, its outer end goes with its paper.
    line = p.now.lines["crotch"]
    p.near("crotch line, inner end", float(line[0, 1]), p.was.level("crotch"))
    outer = motion(p.was.lines["crotch"][-1])
    p.near("crotch line, outer end, off its paper", float(np.hypot(*(line[-1] - outer))), 0.0)
    p.grain()
    c.front.untouched()


def _extensions(paper: Paper) -> tuple[float, float]:
    """Extension from the start of the curve carried down plumb, and from the centre line carried on down in its slope."""
    start, waist, point = (paper.spot(name) for name in ("curve-start", "centre-waist", "crotch-point"))
    down = start + (start - waist) * (start[1] - point[1]) / (waist[1] - start[1])
    return float(start[0] - point[0]), float(down[0] - point[0])
