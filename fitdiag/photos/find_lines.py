"""Balance lines, grainlines and the centre seam, found without a mark and named by what must hold.

A drawn line is a ridge of one colour. Ridges that cross the middle of the body are followed to both sides until they end. The hip and
the crotch line are two of them, drawn in one colour, as wide as a body and a hand's breadth apart; knee lines lie on each leg below
them, grainlines cross them. Of all that could be meant the set that fits best is taken, and what fits nearly as well is a doubt.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fitdiag.photos.marks import Points
from fitdiag.photos.ridges import BESIDE, Ends, Found, Ridges, evened, same
from fitdiag.photos.snap import snap
from fitdiag.photos.strip import Array, opponent
from fitdiag.photos.trousers import CROTCH, GRAINS, HIP, KNEES, MAIN, WAIST, WIDTHS

Span = tuple[float, float]
SEAM = "centre_seam"
FINE = 1500  # px: height of the copy on which lines are looked for
APART, APART_ERROR = 0.2, 0.1  # between hip and crotch line, as a share of the width
ELSEWHERE = 0.6  # how much a pair of lines loses that lies on what is seen beside it as well
RUNS_ON = 0.85  # how much one loses whose lines both go on beyond an end, as joints of a wall do behind a string
ALIKE, MOST_ALIKE = 4.0, 0.3  # units of `opponent`; as a share of what is beside it
ACROSS, NEAR_MIDDLE = 0.4, 0.1  # what a line that crosses an outline loses, but not so near its middle (of its width)
ASIDE = 0.2  # of the picture's width: so far from its middle a person may stand
USUAL_ROW, ROW_ERROR = 0.4, 0.25  # of the picture's height: there the hip line lies
GARMENT_LINES = 5  # that end under each other at one side: waist, hip, crotch and knee line, and a hem or a band
LEG, LEG_ERROR, OUTER_ERROR = 0.42, 0.07, 0.12  # a leg's width at the knee and its outer end, as shares of the hip line
ENDS = "its ends could lie elsewhere"
ANOTHER, BESIDE_IT = "another line could be meant as well", "another line runs beside it"
LONELY = "the one on the other leg was not found"
SIDE_WIDTH = 250.0  # mm: of the hip line from the side
BY_HIP = "it was looked for by the hip line, which is doubtful"
GRAIN_BOW = 0.07  # of the hip line's width
GRAIN_GAP = 40  # px: over so much a grainline is followed that a level line crosses or stitches leave out
KNEES_UNLIKE = 0.04  # in width, as a share of the hip line's
# below the crotch line, as shares of the hip line's width, and the error: from the back or front, from the side
KNEE_BELOW = ((0.84, 0.1), (1.2, 0.15))
# of the centre seam from the middle of the hip line, as shares of its width: usually, doubtful, and none
SEAM_OFF_ERROR, SEAM_DOUBTED, SEAM_OFF = 0.035, 0.06, 0.12
SEAM_BELOW, SEAM_SEEN = 0.06, 0.6  # it ends so near under the crotch line; so much of it is seen between both lines
GRAIN_PLACES, GRAINS_UNLIKE = (0.08, 0.42), 0.1  # from the centre, as shares of the hip line's width
# a waistline over the hip line, at least as wide, its middle beside that one's: as shares of the hip line's width
WAIST_ABOVE, WAIST_LEAST, WAIST_OFF = (0.72, 0.25), 0.55, 0.033
ONE_INK, INKS_UNLIKE = 0.85, 1.7  # likeness of colours, and how much stronger one of two lines of one ink may be
# the same lines with other ends: from the back or front, from the side, where an arm hangs before them
ENDS_RIVAL = (0.3, 0.13)
SURE = 5.0  # so high all scores of right readings are that were seen
TRUNK_RIVAL = 0.3  # a second pair that scores so much of the best makes both doubtful
CENTRES = (0.5, 0.44, 0.56, 0.38, 0.62, 0.32, 0.68)


@dataclass(frozen=True, eq=False)
class Lines:
    """What was found: points of lines, grainlines and the centre seam in px of the picture, and what is doubtful about each."""

    points: Mapping[str, Points] = field(default_factory=dict)
    doubts: Mapping[str, str] = field(default_factory=dict)
    body: tuple[float, float, float, float] | None = None  # left, top, right, bottom, px


def larger(points: Points, share: int) -> Points:
    """Places in a picture so many times as large."""
    return tuple(((x + 0.5) * share - 0.5, (y + 0.5) * share - 0.5) for x, y in points)


def find_lines(pixels: NDArray[np.uint8], view: str) -> Lines:
    """Every line that can be told in a picture of this view (back, front, left, right)."""
    height = min(FINE, pixels.shape[0])
    scale = pixels.shape[0] / height
    copy = Image.fromarray(pixels).resize((round(pixels.shape[1] / scale), height), Image.Resampling.BOX)
    colours = opponent(np.asarray(copy, float))
    level = Ridges(evened(colours))
    upright = Ridges(evened(colours.transpose(1, 0, 2)), straight=True)
    best = _best_trunk(level, upright, view)
    if best is None:
        return Lines()
    side = view in ("left", "right")
    usual = SIDE_WIDTH if side else WIDTHS[HIP]
    per_mm = max(0.5, best.width * scale / usual)  # px: as lines are followed when they are measured
    found, doubts = dict[str, Points](), dict(best.doubts)
    seam = None if SEAM in doubts else best.named.get(SEAM)
    for name, ridge in best.named.items():
        if name == SEAM:
            at = (np.linspace(0.02, 0.98, 5) * (len(ridge.pixels) - 1)).round().astype(int)
            found[name] = _rounded((ridge.pixels[at, ::-1] + 0.5) * scale - 0.5)
        elif points := _points(pixels, ridge, seam if name in MAIN else None, scale, per_mm, drawn=name == WAIST):
            found[name] = points
        elif not side and name in (*KNEES, *GRAINS):
            part, _, leg = name.partition("-")
            doubts.setdefault(f"{part}-{'right' if leg == 'left' else 'left'}", LONELY)
    row = best.hip.at(best.hip.middle)
    top, bottom = row - 0.75 * best.width, row + 2.3 * best.width
    return Lines(found, doubts, (best.hip.first * scale, top * scale, best.hip.last * scale, bottom * scale))


def _rounded(places: Array) -> Points:
    return tuple((round(float(x), 1), round(float(y), 1)) for x, y in places)


@dataclass(eq=False)
class _Trunk:
    """One way of reading a picture: which ridges are the hip and the crotch line, and what else fits to them."""

    hip: Found
    crotch: Found
    score: float
    named: dict[str, Found] = field(init=False)
    doubts: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.named = {HIP: self.hip, CROTCH: self.crotch}
        self.width, self.middle = self.hip.width, (self.hip.middle + self.crotch.middle) / 2
        self.high, self.low = self.hip.at(self.middle), self.crotch.at(self.middle)
        both = self.hip.colour + self.crotch.colour
        self.ink = both / (np.linalg.norm(both) + 1e-9)

    def take(self, name: str, line: Found, doubt: str = "") -> None:
        """Another line that fits, and what is doubtful about it."""
        self.named[name] = line
        if doubt:
            self.doubts.setdefault(name, doubt)


def _best_trunk(level: Ridges, upright: Ridges, view: str) -> _Trunk | None:
    """The reading that fits best."""
    side = view in ("left", "right")
    trunks = sorted(_pairs(_rings(level), level.ridge.shape[1], side=side), key=lambda trunk: -trunk.score)
    kept: list[_Trunk] = []
    for trunk in trunks:
        if not any(_same_trunk(trunk, other) for other in kept):
            kept.append(trunk)
        if len(kept) == 8:
            break
    for trunk in kept:
        trunk.score *= 1 - ELSEWHERE * _elsewhere(trunk, level.colours)
        trunk.score *= 1 - RUNS_ON * min(level.runs_on(trunk.hip), level.runs_on(trunk.crotch))
        (_name_side if side else _name_rest)(trunk, level, upright, view)
    if not kept:
        return None
    best, *others = sorted(kept, key=lambda trunk: -trunk.score)
    _doubt(best, others, side=side)
    return best


def _doubt(best: _Trunk, others: Sequence[_Trunk], *, side: bool) -> None:
    """What speaks against the hip and the crotch line of the best reading, and so against all that was looked for by them."""
    rival = others[0] if others and others[0].score > TRUNK_RIVAL * best.score else best
    other_ends = any(one.score > ENDS_RIVAL[side] * best.score and same(best.hip, one.hip) for one in others)
    knees_off = [_knee_off(best.named, line, side=side) for name, line in best.named.items() if name in KNEES]
    lonely = len(best.named) - len(MAIN) < (1 if side else 2) or best.score < SURE
    doubts = (
        ((HIP,), ANOTHER, not same(best.hip, rival.hip)),
        ((CROTCH,), ANOTHER, not same(best.crotch, rival.crotch)),
        ((HIP,), ENDS, other_ends),
        (MAIN, "the knee line lies too high or too low for it", max(knees_off, default=0.0) > 2.2),
        (MAIN, "too little else that was found bears it out", lonely),
        (MAIN, f"the {CROTCH} line is put together from two halves", best.crotch.gap is not None),
    )
    for names, doubt, holds in doubts:
        for name in names if holds else ():
            best.doubts.setdefault(name, doubt)
    for name in best.named if HIP in best.doubts else ():
        best.doubts.setdefault(name, BY_HIP)


def _bell(*off: float) -> float:
    """How well something fits that is off by so many standard deviations: 1 where it is not off at all."""
    return math.exp(-0.5 * sum(each**2 for each in off))


def _elsewhere(trunk: _Trunk, colours: NDArray[np.floating[Any]]) -> float:
    """How much of what lies beside two lines has the colour of what lies between them (0 to 1), as the wall round joints has."""
    hip, crotch = trunk.hip, trunk.crotch
    high, low = sorted((round(hip.at(hip.middle)), round(crotch.at(crotch.middle))))
    band = colours[high + BESIDE // 2 : max(low - BESIDE // 2, high + BESIDE // 2 + 2)]
    away = round(0.12 * hip.width)
    first, last = round(hip.first), round(hip.last)
    own = np.median(band[:, first + away : last - away].reshape(-1, 3), axis=0)
    beside = np.concatenate([band[:, : max(first - away, 0)], band[:, last + away :]], axis=1).reshape(-1, 3)
    alike = float((np.linalg.norm(beside - own, axis=1) < ALIKE).mean()) if len(beside) else 0.0
    return min(1.0, alike / MOST_ALIKE)


def _same_trunk(one: _Trunk, other: _Trunk) -> bool:
    """Whether two ways of reading a picture mean the same lines with the same ends."""
    apart = max(abs(one.hip.first - other.hip.first), abs(one.hip.last - other.hip.last))
    return same(one.hip, other.hip) and same(one.crotch, other.crotch) and apart < 0.08 * one.hip.width


def _rings(level: Ridges) -> list[Found]:
    """Ridges that cross the middle of the body, wherever it stands."""
    height, width = level.ridge.shape
    found: list[Found] = []
    for centre in CENTRES:
        strip = ((centre - 0.03) * width, (centre + 0.03) * width)
        reach = (centre * width - 0.32 * height, centre * width + 0.32 * height)
        for row, _ in level.seeds(strip, (0, 0.86 * height), 9):
            if any(
                other.first < centre * width < other.last and abs(other.at(centre * width) - row) < BESIDE
                for other in found
            ):
                continue
            ring = level.follow(strip, row, reach, 9)
            if (
                ring is not None
                and ring.lean < 14
                and not any(same(ring, other) and other.width >= ring.width for other in found)
            ):
                found.append(ring)
    return found


def _pairs(rings: Sequence[Found], width: int, *, side: bool) -> Iterator[_Trunk]:
    """All pairs that could be the hip and the crotch line; a crotch line that breaks at the fork is put together from two halves."""
    least, most = (0.06, 0.3) if side else (0.09, 0.42)
    lower = list(rings) if side else [*rings, *_joined(rings)]
    for hip in rings:
        for crotch in lower:
            if hip is crotch or float(hip.colour @ crotch.colour) < 0.4:
                continue
            left, right = _aligned(hip.firsts, crotch.firsts), _aligned(hip.lasts, crotch.lasts)
            for (first, first_too, likely), (last, last_too, likely_too) in itertools.product(left, right):
                if not least * FINE < last - first < most * FINE or abs(last_too - first_too) < 0.6 * (last - first):
                    continue
                one, two = hip.between(first, last), crotch.between(first_too, last_too)
                score = math.sqrt(likely * likely_too) * _fit(one, two, width, side=side) / _repeated(one, rings)
                score *= (1 - ACROSS * _inner(one)) * (1 - ACROSS * _inner(two))
                if score > 0:
                    yield _Trunk(one, two, score)


def _inner(line: Found) -> float:
    """How likely a line crosses an outline between its ends, as a joint of the wall does that runs on into a line; at its middle
    lies the centre seam."""
    first, last, near = line.first + 0.02 * FINE, line.last - 0.02 * FINE, NEAR_MIDDLE * line.width
    ends = (*line.firsts, *line.lasts)
    return max((p for x, p in ends if first < x < last and abs(x - line.middle) > near), default=0.0)


def _repeated(line: Found, rings: Sequence[Found]) -> float:
    """How much too often lines end where this one ends, as the joints of a wall do: 1 for as many as a garment has."""

    def count(at: float, ends: Sequence[Ends]) -> int:
        rows = [ring.at(ring.middle) for ring, some in zip(rings, ends, strict=True)
                if any(likely > 0.5 and abs(x - at) < 0.013 * FINE for x, likely in some)]  # fmt: skip
        return 1 + int((np.diff(np.sort(rows)) > BESIDE).sum())

    most = max(count(line.first, [ring.firsts for ring in rings]), count(line.last, [ring.lasts for ring in rings]))
    return 1 + max(0, most - GARMENT_LINES) / 2


def _aligned(one: Ends, two: Ends) -> list[tuple[float, float, float]]:
    """The likeliest ends of two lines that lie under each other, on one side: both places, and how likely."""
    near = 0.025 * FINE
    both = [(x, y, p * q * _bell((x - y) / near)) for x, p in one for y, q in two]
    return sorted(both, key=lambda item: -item[2])[:3]


def _joined(rings: Sequence[Found]) -> list[Found]:
    """Two halves of a line with a gap at the fork, as one ridge."""
    found = []
    for left, right in itertools.permutations(rings, 2):
        gap = right.first - left.last
        if not -0.02 * FINE < gap < 0.08 * FINE or abs(left.pixels[-1, 1] - right.pixels[0, 1]) > 0.04 * FINE:
            continue
        assert left.whole is not None and right.whole is not None
        one, two = left.whole, right.whole
        both = np.concatenate([one[one[:, 0] <= left.last], two[two[:, 0] >= right.first]])
        both = both[np.argsort(both[:, 0], kind="stable")]
        x = np.arange(both[0, 0], both[-1, 0] + 1)
        course = np.stack([x, np.interp(x, both[:, 0], both[:, 1])], axis=1)
        colour = left.colour + right.colour
        found.append(
            Found(course, colour / (np.linalg.norm(colour) + 1e-9), min(left.strength, right.strength),
                  gap=(left.last + right.first) / 2, whole=course, firsts=left.firsts, lasts=right.lasts)
        )  # fmt: skip
    return found


def _fit(hip: Found, crotch: Found, picture: int, *, side: bool) -> float:
    """How well two ridges fit as hip and crotch line; 0 where they cannot be."""
    if min(len(hip.pixels), len(crotch.pixels)) < 40:
        return 0.0
    middle, width = crotch.middle, max(crotch.width, hip.width)
    apart = (crotch.at(middle) - hip.at(middle)) / width
    usual, error = (1.55 * APART, 1.5 * APART_ERROR) if side else (APART, APART_ERROR)
    ends = max(abs(crotch.first - hip.first), abs(crotch.last - hip.last)) / width
    aside = math.hypot((middle / picture - 0.5) / ASIDE, (hip.at(hip.middle) / FINE - USUAL_ROW) / ROW_ERROR)
    if not 0.06 < apart < usual + 3 * error or ends > 0.2 or max(hip.lean, crotch.lean) > 12:
        return 0.0
    if crotch.gap is not None and abs(crotch.gap - middle) > 0.15 * width:
        return 0.0
    shape = _bell((apart - usual) / error, ends / 0.09, aside)
    strength = math.sqrt(min(hip.strength, 80.0)) + math.sqrt(min(crotch.strength, 80.0))
    return shape * float(hip.colour @ crotch.colour) ** 2 * strength * (1.0 if crotch.gap is None else 0.8)


def _name_rest(trunk: _Trunk, level: Ridges, upright: Ridges, view: str) -> None:
    """Knee lines, grainlines and the centre seam to a hip and a crotch line; what fits raises the score."""
    width, middle, high, low = trunk.width, trunk.middle, trunk.high, trunk.low
    rows, reach = (high + 4, low - 4), (high - 0.95 * width, low + 2.5 * width)

    def fits(one: Found, others: Sequence[Found]) -> float:
        off = abs(one.at((high + low) / 2) - middle) / width
        over = (min(one.last, low) - max(one.first, high)) / (low - high)
        if one.lean > 10 or off > SEAM_OFF or over < SEAM_SEEN:
            return 0.0
        if any(_twins(one, other, middle, width) for other in others):
            return 0.0
        return over**2 * _bell(off / SEAM_OFF_ERROR)

    strip, down = (middle - SEAM_OFF * width, middle + SEAM_OFF * width), (reach[0], low + SEAM_BELOW * width)
    seam, _ = upright.only(rows, strip, down, 16, fits=fits)
    centre = middle
    if seam is not None:
        off = abs(seam.at(high) - trunk.hip.middle) > SEAM_DOUBTED * width
        trunk.take(SEAM, seam, "it does not run down the middle" if off else "")
        centre = seam.at((high + low) / 2)
    for side in (-1, 1):
        _grain(trunk, upright, centre, side, reach, f"grain-{_leg(side, view)}")
    _knees(trunk, level, view)
    _waistline(trunk, level)
    for leg in ("left", "right"):
        if (
            drawn := trunk.named.get(f"grain-{leg}")
        ) is not None:  # below the knee a crease may go on where the line ends
            knee_line = trunk.named.get(f"knee-{leg}")
            limit = knee_line.at(knee_line.middle) if knee_line else low + 1.3 * width
            kept = drawn.pixels[drawn.pixels[:, 1] <= limit]
            straight = np.interp(kept[:, 1], kept[[0, -1], 1], kept[[0, -1], 0])
            bowed = np.abs(kept[:, 0] - straight).max() > GRAIN_BOW * width
            trunk.take(f"grain-{leg}", replace(drawn, pixels=kept), "it does not run straight" if bowed else "")
    _agree(trunk, *GRAINS, centre)
    _agree(trunk, *KNEES, centre)
    trunk.score *= (1 + _borne_out(trunk)) ** 2


def _leg(side: int, view: str) -> str:
    """The wearer's leg on one side of the picture (-1 left, 1 right)."""
    return "left" if (side < 0) == (view == "back") else "right"


def _twins(one: Found, other: Found, middle: float, width: float) -> bool:
    """Whether two upright lines lie alike on both sides of the middle, as grainlines do and a centre seam never does."""
    row = (max(one.first, other.first) + min(one.last, other.last)) / 2
    left, right = one.at(row) - middle, other.at(row) - middle
    faint, strong = sorted((one.strength, other.strength))
    alike = float(one.colour @ other.colour) > ONE_INK and strong < INKS_UNLIKE * faint
    return alike and left * right < 0 and abs(left + right) < 0.04 * width and abs(left - right) > 0.1 * width


def _waistline(trunk: _Trunk, level: Ridges) -> None:
    """The waistline, where one is drawn in the colour of the lines under it."""
    hip, width, middle = trunk.hip, trunk.width, trunk.middle
    top, bottom = (hip.at(middle) - part * width for part in WAIST_ABOVE)

    def fits(one: Found, _: Sequence[Found]) -> float:
        inside = hip.first - 0.02 * width < one.first and one.last < hip.last + 0.02 * width
        return inside and one.lean < 12 and one.width > WAIST_LEAST * width and float(one.colour @ trunk.ink) > ONE_INK

    strip, reach = (middle - 0.06 * width, middle + 0.06 * width), (hip.first - 0.1 * width, hip.last + 0.1 * width)
    found, rival = level.only(strip, (top, bottom), reach, 9, trunk.ink, fits=fits)
    if found is not None:
        aside = abs(found.middle - hip.middle) > WAIST_OFF * width
        trunk.take(WAIST, found, ANOTHER if rival else ENDS if aside else "")


def _grain(trunk: _Trunk, upright: Ridges, centre: float, side: int, reach: Span, name: str) -> None:
    """The grainline on one side (-1 left, 1 right) of the centre: across hip and crotch line, away from the centre seam."""
    width = trunk.width
    high, low = trunk.hip.at(centre), trunk.crotch.at(centre)
    near = sorted(centre + side * out * width for out in GRAIN_PLACES)

    def fits(one: Found, _: Sequence[Found]) -> float:
        out = min(side * (one.at(row) - centre) for row in (high, low))
        over = one.first < high + 4 and one.last > low - 4
        return over and one.width > 0.45 * width and one.lean < 12 and GRAIN_PLACES[0] * width < out < 0.45 * width

    for strip in ((high + 4, low - 4), (low + 0.08 * width, low + 0.5 * width)):  # between both lines, or on the thigh
        found, rival = upright.only(strip, (near[0], near[1]), reach, GRAIN_GAP, fits=fits)
        if found is not None:
            trunk.take(name, _upright(found), BESIDE_IT if rival else "")
            return


def _borne_out(trunk: _Trunk) -> float:
    """How well what else was found fits to the hip line: a seam at its middle, grainlines half way out, legs that end where it does."""
    hip, width, middle = trunk.hip, trunk.width, trunk.middle
    whole = 0.0
    for name, line in trunk.named.items():
        if name == SEAM:
            whole += 0.4 * _bell((line.at(hip.at(middle)) - middle) / width / 0.06)
        elif name.startswith("grain"):
            x = float(np.interp(hip.at(middle), line.pixels[:, 1], line.pixels[:, 0]))
            whole += 0.3 * _bell((abs(x - middle) - 0.25 * width) / width / 0.08)
        elif name in KNEES:
            away = min(abs(line.first - hip.first), abs(line.last - hip.last))
            whole += 0.3 * _bell(_knee_off(trunk.named, line, side=False), away / width / 0.08)
    return whole


def _knee_off(named: Mapping[str, Found], knee: Found, *, side: bool) -> float:
    """How far a knee line lies from where it should below the crotch line, in standard deviations."""
    usual, error = KNEE_BELOW[side]
    below = (knee.at(knee.middle) - named[CROTCH].at(named[CROTCH].middle)) / named[HIP].width
    return abs(below - usual) / error


def _knees(trunk: _Trunk, level: Ridges, view: str) -> None:
    """The knee lines of both legs, as wide as each other if both are seen."""
    width, middle, low = trunk.width, trunk.middle, trunk.low
    seen: dict[str, list[tuple[float, Found]]] = {}
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

    def alike(pair: Sequence[tuple[float, Found]]) -> float:
        unlike = (pair[0][1].width - pair[-1][1].width) / (KNEES_UNLIKE * width)
        return math.prod(score for score, _ in pair) * _bell(unlike)

    if seen:
        best = max(itertools.product(*seen.values()), key=alike)
        trunk.named |= {name: line for name, (_, line) in zip(seen, best, strict=True)}


def _leg_lines(line: Found, width: float, outer: float) -> Iterator[tuple[float, Found]]:
    """What of a line is as wide as a leg, its outer end near the trunk's: how well it fits, and the line."""
    for (first, likely), (last, likely_too) in itertools.product(line.firsts, line.lasts):
        wide, away = (last - first) / width, min(abs(first - outer), abs(last - outer)) / width
        if 0.25 < wide < 0.66:
            fits = _bell((wide - LEG) / LEG_ERROR, away / OUTER_ERROR)
            yield likely * likely_too * fits, line.between(first, last)


def _upright(ridge: Found) -> Found:
    """A ridge that runs down, its first axis along its run."""
    return replace(ridge, pixels=ridge.pixels[:, ::-1])


def _agree(trunk: _Trunk, left: str, right: str, centre: float) -> None:
    """Left and right must be alike: as far out, as high, of one colour. What is not is doubted."""
    named = trunk.named
    if (left in named) != (right in named):
        trunk.doubts.setdefault(left if left in named else right, LONELY)
    if left not in named or right not in named:
        return
    one, two = named[left], named[right]
    if left.startswith("grain"):
        out = [abs(ridge.at(trunk.hip.at(centre)) - centre) for ridge in (_upright(one), _upright(two))]
        unlike = abs(out[0] - out[1]) > GRAINS_UNLIKE * trunk.hip.width
    else:
        unlike = abs(float(np.median(one.pixels[:, 1]) - np.median(two.pixels[:, 1]))) > 0.15 * trunk.hip.width
        wide = [knee.width / trunk.hip.width for knee in (one, two)]
        if abs(wide[0] - wide[1]) > KNEES_UNLIKE or max(abs(share - LEG) for share in wide) > 1.5 * LEG_ERROR:
            trunk.doubts |= dict.fromkeys((left, right), ENDS)
    faint, strong = sorted((one.strength, two.strength))
    if unlike or strong > INKS_UNLIKE * faint or float(one.colour @ two.colour) < ONE_INK:
        for name in (left, right):
            trunk.doubts.setdefault(name, "left and right are not alike")


def _name_side(trunk: _Trunk, level: Ridges, upright: Ridges, view: str) -> None:
    """The knee line and the side seam of a picture from the side."""
    width, middle, high, low, name = trunk.width, trunk.middle, trunk.high, trunk.low, f"knee-{view}"
    reach = (high - 1.5 * width, low + 4.0 * width)
    seam, rival = upright.only((high + 4, low - 4), (middle - 0.25 * width, middle + 0.25 * width), reach, 16)
    if seam is not None and seam.lean < 10:
        trunk.take(SEAM, seam, BESIDE_IT if rival else "")
    strip, reach = ((middle - part * width, middle + part * width) for part in (0.12, 0.8))
    knee, rival = level.only(strip, (low + 0.6 * width, low + 2.4 * width), reach, 6, trunk.hip.colour)
    if knee is not None and 0.4 * width < knee.width < 1.2 * width and knee.lean < 14:
        trunk.take(name, knee, ANOTHER if rival else "")
    below = _bell(_knee_off(trunk.named, trunk.named[name], side=True)) if name in trunk.named else 0.0
    trunk.score *= (1 + 0.3 * below + 0.5 * (SEAM in trunk.named)) ** 2


def _points(
    pixels: NDArray[np.uint8], ridge: Found, seam: Found | None, scale: float, per_mm: float, *, drawn: bool
) -> Points | None:
    """Three points on the ridge in the picture, or five; None where snapping to them does not find the ridge again, nor, where it
    must be `drawn`, a clear line: the top edge of the cloth or the hem of a shirt is none."""
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
