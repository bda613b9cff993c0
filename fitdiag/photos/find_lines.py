"""Balance lines, grainlines and the centre seam, found without marks and named by their geometry.

A drawn line is a ridge of one colour. Ridges that cross the middle of the body are followed to both sides until they end. The hip and
crotch lines are two of them, of one colour, as wide as a body and a hand's breadth apart; knee lines lie on each leg below them,
grainlines cross them. The reading that fits best is taken; one that fits nearly as well raises a doubt.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from fitdiag.photos.marks import Points
from fitdiag.photos.pairs import (
    ELSEWHERE,
    FINE,
    RUNS_ON,
    SAME_PLACE,
    TrunkLines,
    bell,
    elsewhere,
    likely_end,
    one_cloth,
    pairs_of,
    rings_in,
)
from fitdiag.photos.ridges import Ridge, Ridges, evened, same
from fitdiag.photos.snap import snap
from fitdiag.photos.strip import Array, opponent
from fitdiag.photos.trousers import CROTCH, GRAINS, HIP, KNEES, MAIN, WAIST, WIDTHS

Span = tuple[float, float]
SEAM = "centre_seam"
# a leg's width at the knee and its outer end, as shares of the hip line; the widths beyond which one is doubted
LEG, LEG_ERROR, OUTER_ERROR, LEGS = 0.42, 0.12, 0.2, (0.33, 0.57)
ENDS = "its ends could lie elsewhere"
ANOTHER, BESIDE_IT = "another line could be meant as well", "another line runs beside it"
LONELY = "the one on the other leg was not found"
SIDE_WIDTH = 250.0  # mm: of the hip line from the side
CROOKED = "it does not run straight"
BY_HIP = "it was found from the hip line, which is doubtful"
GRAIN_BOW, BOWS_UNLIKE = 0.07, 0.045  # of the hip line's width: of one grainline, and the difference of both
GRAIN_STEP, STEP_WITHIN = 3.0, (8, 32)  # px it may step aside within the first, beside its course over the second
GRAIN_GAP = 40  # px: longest gap in a grainline, at a crossing line or between stitches
KNEES_UNLIKE, KNEES_DOUBTED = 0.1, 0.045  # in width, as shares of the hip line's: usual; doubtful
# of the hip line's width, both from the side: a knee line narrower or wider than this is doubted
SIDE_KNEES = (0.63, 0.9)
# distance below the crotch line and its error, as shares of the hip line's width: from the back or front, from the side
KNEE_BELOW = ((0.84, 0.1), (1.2, 0.15))
KNEE_OFF = 3.0  # standard deviations from there from which on a knee line speaks against the crotch line above it
# distance of the centre seam from the middle of the hip line, as shares of its width: usual, doubtful, impossible
SEAM_OFF_ERROR, SEAM_DOUBTED, SEAM_OFF = 0.035, 0.06, 0.12
# how far it reaches below the crotch line, as a share of the hip line's width; least share of it visible between both lines
SEAM_BELOW, SEAM_SEEN = 0.06, 0.6
GRAIN_PLACES, GRAINS_UNLIKE = (0.08, 0.42), 0.1  # from the centre, as shares of the hip line's width
TOPS_UNLIKE = 0.25  # in height, where left and right begin: as a share of the hip line's width
# height of a waistline above the hip line, its least width, and the offset of its middle: as shares of the hip line's width
WAIST_ABOVE, WAIST_LEAST, WAIST_OFF = (0.72, 0.25), 0.55, 0.033
ONE_INK, INKS_UNLIKE = 0.85, 1.7  # least similarity of colours, and largest ratio of strengths of two lines of one ink
# share of the best score from which the same lines with other ends are a rival: back or front; side, where an arm hangs in front
ENDS_RIVAL = (0.3, 0.13)
SURE = 5.0  # least score of all correct readings seen
# probability of the ends on one side below which hardly any outline is seen there, and how much larger the score must be then; from
# the side, where less is drawn, if the knee line that bears it out is doubtful itself
FAINT, FAINT_SURE = 0.65, 2.0
# share of the best score from which a pair of other lines is near it, and how much smaller the score may be if none is
NEAR_BEST, ALONE_SURE = 0.1, 0.4
FOLD = 0.75  # probability of an end up to which it may be a fold across the line
FAINTER = 0.45  # of the strength of a line of the same pen: what is fainter is no rival to it
TRUNK_RIVAL = 0.3  # share of the best score from which a second pair makes both doubtful
SAME_ENDS = 0.08  # of the hip line's width: ends this near each other are the same


@dataclass(frozen=True, eq=False)
class Lines:
    """Lines, grainlines and the centre seam found, as points in px of the picture, and what is doubtful about each."""

    points: Mapping[str, Points] = field(default_factory=dict)
    doubts: Mapping[str, str] = field(default_factory=dict)
    body: tuple[float, float, float, float] | None = None  # left, top, right, bottom, px


def larger(points: Points, share: int) -> Points:
    """Scale points to a picture `share` times as large."""
    return tuple(((x + 0.5) * share - 0.5, (y + 0.5) * share - 0.5) for x, y in points)


def find_lines(pixels: NDArray[np.uint8], view: str) -> Lines:
    """Find every line recognizable in a picture (H, W, 3) of this view (back, front, left, right)."""
    height = min(FINE, pixels.shape[0])
    scale = pixels.shape[0] / height
    copy = Image.fromarray(pixels).resize((round(pixels.shape[1] / scale), height), Image.Resampling.BOX)
    colours = opponent(np.asarray(copy))
    level = Ridges(evened(colours))
    upright = Ridges(evened(colours.transpose(1, 0, 2)), straight=True)
    best = _best_trunk(level, upright, view)
    if best is None:
        return Lines()
    side = view in ("left", "right")
    usual = SIDE_WIDTH if side else WIDTHS[HIP]
    per_mm = max(0.5, best.width * scale / usual)  # px, as when lines are measured
    points_of, doubts = dict[str, Points](), dict(best.doubts)
    seam = None if SEAM in doubts else best.named.get(SEAM)
    for name, ridge in best.named.items():
        if name == SEAM:
            at = (np.linspace(0.02, 0.98, 5) * (len(ridge.pixels) - 1)).round().astype(int)
            points_of[name] = _rounded((ridge.pixels[at, ::-1] + 0.5) * scale - 0.5)
        elif points := _points(pixels, ridge, seam if name in MAIN else None, scale, per_mm, drawn=name == WAIST):
            points_of[name] = points
        elif not side and name in (*KNEES, *GRAINS):
            part, _, leg = name.partition("-")
            doubts.setdefault(f"{part}-{'right' if leg == 'left' else 'left'}", LONELY)
    row = best.hip.at(best.hip.middle)
    top, bottom = row - 0.75 * best.width, row + 2.3 * best.width
    return Lines(points_of, doubts, (best.hip.first * scale, top * scale, best.hip.last * scale, bottom * scale))


def _rounded(places: Array) -> Points:
    return tuple((round(float(x), 1), round(float(y), 1)) for x, y in places)


def _best_trunk(level: Ridges, upright: Ridges, view: str) -> TrunkLines | None:
    """The reading that fits best."""
    side = view in ("left", "right")
    trunks = sorted(pairs_of(rings_in(level), level.ridge.shape[1], side=side), key=lambda trunk: -trunk.score)
    kept: list[TrunkLines] = []
    for trunk in trunks:
        if not any(_shares(other, trunk, HIP) and same(trunk.crotch, other.crotch) for other in kept):
            kept.append(trunk)
        if len(kept) == 8:
            break
    for trunk in kept:
        trunk.score *= 1 - ELSEWHERE * elsewhere(trunk, level.colours)
        trunk.score *= one_cloth(trunk, level)
        trunk.score *= 1 - RUNS_ON * min(level.runs_on(trunk.hip), level.runs_on(trunk.crotch))
        (_name_side if side else _name_rest)(trunk, level, upright, view)
    if not kept:
        return None
    best, *others = sorted(kept, key=lambda trunk: -trunk.score)
    _doubt(best, [one for one in others if not _fainter(one, best)], level, side=side)
    return best


def _fainter(rival: TrunkLines, best: TrunkLines) -> bool:
    """Whether a rival shares lines with the best reading, and has only a fold or the like, much fainter, for what it leaves out of it.
    Lines of one pen are about equally strong."""
    lines, theirs = list(best.named.values()), (rival.hip, rival.crotch)
    new = [line.strength for line in theirs if not any(same(line, other) for other in lines)]
    left_out = [line.strength for line in (best.hip, best.crotch) if not any(same(line, other) for other in theirs)]
    faint, strong = sorted((best.hip.strength, best.crotch.strength))
    alike = faint > FAINTER * strong
    return alike and len(new) == 1 and bool(left_out) and new[0] < FAINTER * min(left_out)


def _same_lines(one: TrunkLines, other: TrunkLines) -> bool:
    """Whether two readings take the same lines for hip and crotch line, wherever these end."""
    return same(one.hip, other.hip) and same(one.crotch, other.crotch)


def _stops_short(rival: TrunkLines, best: TrunkLines, level: Ridges) -> bool:
    """Whether a rival has the lines of the best reading, but ends the hip line where its ink and its cloth are seen to go on to the best
    one's end, as they do at a fold."""
    if not _same_lines(rival, best):
        return False
    one, other = rival.hip, best.hip
    sides = ((one.firsts, one.first, other.firsts, other.first), (one.lasts, one.last, other.lasts, other.last))
    apart = [side for side in sides if abs(side[1] - side[3]) > SAME_PLACE]
    return bool(apart) and all(
        other.first <= end <= other.last
        and likely_end(ends, end) < min(FOLD, likely_end(best_ends, best_end))
        and level.goes_on(other, end, best_end)
        for ends, end, best_ends, best_end in apart
    )


def _doubt(best: TrunkLines, others: Sequence[TrunkLines], level: Ridges, *, side: bool) -> None:
    """Note what speaks against the hip and crotch line of the best reading, and so against everything found from them."""
    rival = others[0] if others and others[0].score > TRUNK_RIVAL * best.score else best
    other_ends = [
        one
        for one in others
        if one.score > ENDS_RIVAL[side] * best.score and same(best.hip, one.hip) and not _stops_short(one, best, level)
    ]
    knees_off = [_knee_off(best.named, line, side=side) for name, line in best.named.items() if name in KNEES]
    unsure = not best.doubts.keys().isdisjoint(KNEES) if side else _faint(best)
    others_near = any(one.score > NEAR_BEST * best.score and not _same_lines(one, best) for one in others)
    least = SURE * (FAINT_SURE if unsure else 1.0 if others_near else ALONE_SURE)
    lonely = len(best.named) - len(MAIN) < (1 if side else 2) or best.score < least
    doubts = (  # the weightiest last
        ((HIP,), ENDS, bool(other_ends)),
        ((CROTCH,), f"the {CROTCH} line is put together from two halves", best.crotch.gap is not None),
        (MAIN, "the knee line lies too high or too low for it", max(knees_off, default=0.0) > KNEE_OFF),
        (MAIN, "too little else that was found bears it out", lonely),
        ((HIP,), ANOTHER, not same(best.hip, rival.hip)),
        ((CROTCH,), ANOTHER, not same(best.crotch, rival.crotch)),
    )
    for names, doubt, holds in doubts:
        best.doubts |= dict.fromkeys(names if holds else (), doubt)
    alternatives = other_ends if best.doubts.get(HIP) == ENDS else []
    for name in best.named if HIP in best.doubts else ():
        if alternatives and all(_shares(one, best, name) for one in alternatives):
            continue  # it is the same whichever ends the hip line has
        best.doubts.setdefault(name, BY_HIP)


def _shares(one: TrunkLines, other: TrunkLines, name: str) -> bool:
    """Whether two readings of a picture mean the same line, with the same ends, by this name."""
    if name not in one.named or name not in other.named:
        return False
    lines = [_upright(trunk.named[name]) if name in GRAINS else trunk.named[name] for trunk in (one, other)]
    apart = max(abs(lines[0].first - lines[1].first), abs(lines[0].last - lines[1].last))
    return same(*lines) and apart < SAME_ENDS * other.width


def _faint(trunk: TrunkLines) -> bool:
    """Whether hardly any outline is seen where both lines end on one side, as with cloth before a wall of its colour."""
    lines = trunk.hip, trunk.crotch
    firsts = [likely_end(line.firsts, line.first) for line in lines]
    lasts = [likely_end(line.lasts, line.last) for line in lines]
    return min(max(firsts), max(lasts)) < FAINT


def _name_rest(trunk: TrunkLines, level: Ridges, upright: Ridges, view: str) -> None:
    """Add knee lines, grainlines and the centre seam to a hip and a crotch line; what fits raises the score."""
    width, middle, high, low = trunk.width, trunk.middle, trunk.high, trunk.low
    rows, reach = (high + 4, low - 4), (high - 0.95 * width, low + 2.5 * width)

    def fits(one: Ridge, others: Sequence[Ridge]) -> float:
        off = abs(one.at((high + low) / 2) - middle) / width
        over = (min(one.last, low) - max(one.first, high)) / (low - high)
        if one.lean > 10 or off > SEAM_OFF or over < SEAM_SEEN:
            return 0.0
        if any(_twins(one, other, middle, width) for other in others):
            return 0.0
        return over**2 * bell(off / SEAM_OFF_ERROR)

    strip, down = (middle - SEAM_OFF * width, middle + SEAM_OFF * width), (reach[0], low + SEAM_BELOW * width)
    seam, _ = upright.only(rows, strip, down, 16, fits=fits)
    centre = middle
    if seam is not None:
        off = abs(seam.at(high) - trunk.hip.middle) > SEAM_DOUBTED * width
        trunk.take(SEAM, seam, "it does not run down the middle" if off else "")
        if off:  # one end may lie under an arm
            trunk.doubts.setdefault(HIP, ENDS)
        centre = seam.at((high + low) / 2)
    for side in (-1, 1):
        _grain(trunk, upright, centre, side, reach, f"grain-{_leg(side, view)}")
    _knees(trunk, level, view)
    _waistline(trunk, level)
    _agree(trunk, *GRAINS, centre)
    _agree(trunk, *KNEES, centre)
    _trim_grains(trunk)
    trunk.score *= (1 + _borne_out(trunk)) ** 2


def _leg(side: int, view: str) -> str:
    """The wearer's leg on one side of the picture (-1 left, 1 right)."""
    return "left" if (side < 0) == (view == "back") else "right"


def _twins(one: Ridge, other: Ridge, middle: float, width: float) -> bool:
    """Whether two upright lines lie symmetrically about the middle, as grainlines do and a centre seam never does."""
    row = (max(one.first, other.first) + min(one.last, other.last)) / 2
    left, right = one.at(row) - middle, other.at(row) - middle
    faint, strong = sorted((one.strength, other.strength))
    alike = float(one.colour @ other.colour) > ONE_INK and strong < INKS_UNLIKE * faint
    return alike and left * right < 0 and abs(left + right) < 0.04 * width and abs(left - right) > 0.1 * width


def _waistline(trunk: TrunkLines, level: Ridges) -> None:
    """Add the waistline, if one is drawn in the colour of the lines below it."""
    hip, width, middle = trunk.hip, trunk.width, trunk.middle
    top, bottom = (hip.at(middle) - part * width for part in WAIST_ABOVE)

    def fits(one: Ridge, _: Sequence[Ridge]) -> float:
        inside = hip.first - 0.02 * width < one.first and one.last < hip.last + 0.02 * width
        return inside and one.lean < 12 and one.width > WAIST_LEAST * width and float(one.colour @ trunk.ink) > ONE_INK

    strip, reach = (middle - 0.06 * width, middle + 0.06 * width), (hip.first - 0.1 * width, hip.last + 0.1 * width)
    waist, rival = level.only(strip, (top, bottom), reach, 9, trunk.ink, fits=fits)
    if waist is not None:
        aside = abs(waist.middle - hip.middle) > WAIST_OFF * width
        trunk.take(WAIST, waist, ANOTHER if rival else ENDS if aside else "")


def _grain(trunk: TrunkLines, upright: Ridges, centre: float, side: int, reach: Span, name: str) -> None:
    """Add the grainline on one side (-1 left, 1 right) of the centre: across hip and crotch line, away from the centre seam."""
    width = trunk.width
    high, low = trunk.hip.at(centre), trunk.crotch.at(centre)
    near = sorted(centre + side * out * width for out in GRAIN_PLACES)

    def fits(one: Ridge, _: Sequence[Ridge]) -> float:
        out = min(side * (one.at(row) - centre) for row in (high, low))
        over = one.first < high + 4 and one.last > low - 4
        return over and one.width > 0.45 * width and one.lean < 12 and GRAIN_PLACES[0] * width < out < 0.45 * width

    for strip in ((high + 4, low - 4), (low + 0.08 * width, low + 0.5 * width)):  # between both lines, or on the thigh
        grain, rival = upright.only(strip, (near[0], near[1]), reach, GRAIN_GAP, fits=fits)
        if grain is not None:
            trunk.take(name, _upright(grain), BESIDE_IT if rival else "")
            return


def _trim_grains(trunk: TrunkLines) -> None:
    """End the grainlines at the knee, below which a crease may continue them, and where they step aside; doubt those that bow, unless
    both bow alike, as over a full seat."""
    kept: dict[str, Ridge] = {}
    for name, across in zip(GRAINS, KNEES, strict=True):
        if name in trunk.named:
            grain = _steady(_upright(trunk.named[name]), trunk.high, trunk.low)
            below = trunk.named.get(across)
            limit = below.at(below.middle) if below else trunk.low + 1.3 * trunk.width
            kept[name] = grain.between(grain.first, min(grain.last, limit))
    one, other = (kept.get(name) for name in GRAINS)
    alike = False
    if one and other:
        rows = np.arange(max(one.first, other.first), min(one.last, other.last) + 1)
        both = sum(np.interp(rows, *grain.pixels.T) for grain in (one, other))
        alike = _bow(np.stack([rows, both], axis=1)) < BOWS_UNLIKE * trunk.width
    for name, grain in kept.items():
        crooked = not alike and _bow(grain.pixels) > GRAIN_BOW * trunk.width
        trunk.take(name, _upright(grain), CROOKED if crooked else "")


def _bow(course: Array) -> float:
    """Largest distance of a course from the straight line between its ends, px."""
    return float(np.abs(course[:, 1] - np.interp(course[:, 0], *course[[0, -1]].T)).max())


def _steady(grain: Ridge, high: float, low: float) -> Ridge:
    """The part of a grainline about the rows from `high` to `low`, up to where it steps aside, as onto a dart beside it."""
    near, far = STEP_WITHIN
    along = ndimage.uniform_filter1d(grain.pixels[:, 1], 5, mode="nearest")
    at = np.arange(far, len(along) - far)
    steps = along[at + near] - along[at - near] - near / far * (along[at + far] - along[at - far])
    rows = grain.pixels[at[np.abs(steps) > GRAIN_STEP], 0]
    above, below = rows[rows < high - near] + near, rows[rows > low + near] - near
    return grain.between(max(above, default=grain.first), min(below, default=grain.last))


def _borne_out(trunk: TrunkLines) -> float:
    """How well the other lines support the hip line: a seam at its middle, grainlines halfway out, legs that end where it does."""
    hip, width, middle = trunk.hip, trunk.width, trunk.middle
    support = 0.0
    for name, line in trunk.named.items():
        if name == SEAM:
            support += 0.4 * bell((line.at(hip.at(middle)) - middle) / width / 0.06)
        elif name.startswith("grain"):
            x = float(np.interp(hip.at(middle), line.pixels[:, 1], line.pixels[:, 0]))
            support += 0.3 * bell((abs(x - middle) - 0.25 * width) / width / 0.08)
        elif name in KNEES:
            away = min(abs(line.first - hip.first), abs(line.last - hip.last))
            support += 0.3 * bell(_knee_off(trunk.named, line, side=False), away / width / 0.08)
    return support


def _knee_off(named: Mapping[str, Ridge], knee: Ridge, *, side: bool) -> float:
    """Distance of a knee line from its usual place below the crotch line, in standard deviations."""
    usual, error = KNEE_BELOW[side]
    below = (knee.at(knee.middle) - named[CROTCH].at(named[CROTCH].middle)) / named[HIP].width
    return abs(below - usual) / error


def _knees(trunk: TrunkLines, level: Ridges, view: str) -> None:
    """Add the knee lines of both legs, equally wide if both are visible."""
    width, middle, low = trunk.width, trunk.middle, trunk.low
    seen: dict[str, list[tuple[float, Ridge]]] = {}
    for side, outer in ((-1, trunk.hip.first), (1, trunk.hip.last)):
        leg = middle + side * 0.25 * width
        strip, along = ((leg - part * width, leg + part * width) for part in (0.07, 0.45))
        one, rival = level.only(strip, (low + 0.35 * width, low + 1.5 * width), along, 6, trunk.ink)
        if one is None or float(one.colour @ trunk.ink) < 0.4:
            continue
        kept = [(score, line) for score, line in _leg_lines(one, width, outer)
                if line.lean < 14 and ((line.last if side < 0 else line.first) - middle) * side > -0.1 * width]  # fmt: skip
        if kept:
            name = f"knee-{_leg(side, view)}"
            seen[name] = kept
            if rival:
                trunk.doubts[name] = ANOTHER

    def alike(pair: Sequence[tuple[float, Ridge]]) -> float:
        unlike = (pair[0][1].width - pair[-1][1].width) / (KNEES_UNLIKE * width)
        return math.prod(score for score, _ in pair) * bell(unlike)

    if seen:
        best = max(itertools.product(*seen.values()), key=alike)
        trunk.named |= {name: line for name, (_, line) in zip(seen, best, strict=True)}


def _leg_lines(line: Ridge, width: float, outer: float) -> Iterator[tuple[float, Ridge]]:
    """Parts of a line as wide as a leg, the outer end near the trunk's: likelihood, and the part."""
    for (first, likely), (last, likely_too) in itertools.product(line.firsts, line.lasts):
        wide, away = (last - first) / width, min(abs(first - outer), abs(last - outer)) / width
        if 0.25 < wide < 0.66:
            fits = bell((wide - LEG) / LEG_ERROR, away / OUTER_ERROR)
            yield likely * likely_too * fits, line.between(first, last)


def _upright(ridge: Ridge) -> Ridge:
    """Swap the axes of a ridge found in a transposed picture."""
    return replace(ridge, pixels=ridge.pixels[:, ::-1])


def _agree(trunk: TrunkLines, left: str, right: str, centre: float) -> None:
    """Doubt a left and right line that differ in position, height or colour."""
    named = trunk.named
    if (left in named) != (right in named):
        trunk.doubts.setdefault(left if left in named else right, LONELY)
    if left not in named or right not in named:
        return
    one, two = named[left], named[right]
    if left.startswith("grain"):
        out = [abs(ridge.at(trunk.hip.at(centre)) - centre) for ridge in (_upright(one), _upright(two))]
        tops = abs(one.pixels[0, 1] - two.pixels[0, 1])
        unlike = abs(out[0] - out[1]) > GRAINS_UNLIKE * trunk.hip.width or tops > TOPS_UNLIKE * trunk.hip.width
    else:
        unlike = abs(float(np.median(one.pixels[:, 1]) - np.median(two.pixels[:, 1]))) > 0.15 * trunk.hip.width
        wide = [knee.width / trunk.hip.width for knee in (one, two)]
        unusual = min(wide) < LEGS[0] or max(wide) > LEGS[1]
        if abs(wide[0] - wide[1]) > KNEES_DOUBTED or unusual:
            trunk.doubts |= dict.fromkeys((left, right), ENDS)
    faint, strong = sorted((one.strength, two.strength))
    if unlike or strong > INKS_UNLIKE * faint or float(one.colour @ two.colour) < ONE_INK:
        for name in (left, right):
            trunk.doubts.setdefault(name, "left and right are not alike")


def _name_side(trunk: TrunkLines, level: Ridges, upright: Ridges, view: str) -> None:
    """Add the knee line and the side seam in a picture from the side."""
    width, middle, high, low, name = trunk.width, trunk.middle, trunk.high, trunk.low, f"knee-{view}"
    reach = (high - 1.5 * width, low + 4.0 * width)
    seam, rival = upright.only((high + 4, low - 4), (middle - 0.25 * width, middle + 0.25 * width), reach, 16)
    if seam is not None and seam.lean < 10:
        trunk.take(SEAM, seam, BESIDE_IT if rival else "")
    strip, reach = ((middle - part * width, middle + part * width) for part in (0.12, 0.8))
    knee, rival = level.only(strip, (low + 0.6 * width, low + 2.4 * width), reach, 6, trunk.hip.colour)
    if knee is not None and 0.4 * width < knee.width < 1.2 * width and knee.lean < 14:
        # a narrower one stops at a fold, a wider one runs on onto the other leg behind, or a wall joint
        unusual = not SIDE_KNEES[0] < knee.width / width < SIDE_KNEES[1]
        trunk.take(name, knee, ANOTHER if rival else ENDS if unusual else "")
    below = bell(_knee_off(trunk.named, trunk.named[name], side=True)) if name in trunk.named else 0.0
    trunk.score *= (1 + 0.3 * below + 0.5 * (SEAM in trunk.named)) ** 2


def _points(
    pixels: NDArray[np.uint8], ridge: Ridge, seam: Ridge | None, scale: float, per_mm: float, *, drawn: bool
) -> Points | None:
    """Three or five points on the ridge in the picture; None if snapping to them does not find the ridge again, or, for one that
    must be `drawn`, finds no clear line, as at the top edge of the cloth or the hem of a shirt."""
    whole = (ridge.pixels + 0.5) * scale - 0.5
    run = 0 if abs(whole[-1, 0] - whole[0, 0]) > abs(whole[-1, 1] - whole[0, 1]) else 1
    middle = (whole[0, run] + whole[-1, run]) / 2
    if seam is not None:
        middle = (seam.at(float(np.median(ridge.pixels[:, 1]))) + 0.5) * scale - 0.5
    most = pixels.shape[1] - 1, pixels.shape[0] - 1
    for between in (1, 3):  # points between the ends
        near = [whole[0, run], middle, whole[-1, run]]
        places = np.interp(np.linspace(0, 2, between + 2), [0, 1, 2], near)
        at = [int(np.argmin(np.abs(whole[:, run] - place))) for place in places]
        followed = snap(pixels, tuple((float(x), float(y)) for x, y in whole[at]), per_mm)
        if drawn and not followed.clear:
            continue
        track = followed.pixels
        off = np.abs(np.interp(track[:, run], whole[:, run], whole[:, 1 - run]) - track[:, 1 - run])
        if ridge.gap is not None or (np.median(off) <= 2.0 * scale and np.percentile(off, 85) <= 8 * scale):
            at = [0, *(int(np.argmin(np.abs(track[:, run] - place))) for place in places[1:-1]), -1]
            return _rounded(np.clip(track[at], 0, most))
    return None
