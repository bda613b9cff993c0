"""Pairs of lines that could be the hip and the crotch line, and how likely each pair is."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.ridges import BESIDE, SAME_TINT, Ends, Ridge, Ridges, same
from fitdiag.photos.trousers import CROTCH, HIP

FINE = 1500  # px: height of the copy in which lines are searched for
APART, APART_ERROR = 0.2, 0.1  # between hip and crotch line, as a share of the width
ELSEWHERE = 0.6  # penalty for a pair of lines on a ground that also continues beside it
RUNS_ON = 0.85  # penalty for a pair whose lines both continue beyond an end, as wall joints do behind a string
ALIKE, MOST_ALIKE = 4.0, 0.3  # units of `opponent`; as a share of what is beside it
# penalty for a line crossing an outline, except this near its middle (share of its width)
ACROSS, NEAR_MIDDLE = 0.4, 0.1
TINTS_UNLIKE = 4.0  # units of `opponent`: how much more than `SAME_TINT` tints differ where they are not of one cloth
ENDS_LEFT_OUT = 0.12  # share of a line's width at each end that is left out when its cloth is looked at
ASIDE = 0.2  # share of the picture's width a person may stand off its middle
USUAL_ROW, ROW_ERROR = 0.4, 0.25  # where the hip line lies, as a share of the picture's height
GARMENT_LINES = 5  # ending below each other at one side: waist, hip, crotch and knee line, and a hem or a band
# pairs of ends of two lines looked at on one side; px within which two of them are the same
MOST_ALIGNED, SAME_PLACE = 3, 10.0
CENTRES = (0.5, 0.44, 0.56, 0.38, 0.62, 0.32, 0.68)


@dataclass(eq=False)
class TrunkLines:
    """One way of reading a picture: which ridges are the hip and the crotch line, and what else fits them."""

    hip: Ridge
    crotch: Ridge
    score: float
    named: dict[str, Ridge] = field(init=False)
    doubts: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.named = {HIP: self.hip, CROTCH: self.crotch}
        self.width, self.middle = self.hip.width, (self.hip.middle + self.crotch.middle) / 2
        self.high, self.low = self.hip.at(self.middle), self.crotch.at(self.middle)
        both = self.hip.colour + self.crotch.colour
        self.ink = both / (np.linalg.norm(both) + 1e-9)

    def take(self, name: str, line: Ridge, doubt: str = "") -> None:
        """Add another line that fits, and what is doubtful about it."""
        self.named[name] = line
        if doubt:
            self.doubts.setdefault(name, doubt)


def rings_in(level: Ridges) -> list[Ridge]:
    """Ridges that cross the middle of the body, wherever it stands."""
    height, width = level.ridge.shape
    rings: list[Ridge] = []
    for centre in CENTRES:
        strip = ((centre - 0.03) * width, (centre + 0.03) * width)
        reach = (centre * width - 0.32 * height, centre * width + 0.32 * height)
        for row, _ in level.seeds(strip, (0, 0.86 * height), 9):
            if any(
                other.first < centre * width < other.last and abs(other.at(centre * width) - row) < BESIDE
                for other in rings
            ):
                continue
            ring = level.follow(strip, row, reach, 9)
            if (
                ring is not None
                and ring.lean < 14
                and not any(same(ring, other) and other.width >= ring.width for other in rings)
            ):
                rings.append(ring)
    return rings


def pairs_of(rings: Sequence[Ridge], width: int, *, side: bool) -> Iterator[TrunkLines]:
    """All pairs that could be the hip and the crotch line; a crotch line broken at the fork is joined from two halves."""
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
                    yield TrunkLines(one, two, score)


def _inner(line: Ridge) -> float:
    """Probability that a line crosses an outline between its ends, as a wall joint running into a line does; its middle is left
    out, where the centre seam is."""
    first, last, near = line.first + 0.02 * FINE, line.last - 0.02 * FINE, NEAR_MIDDLE * line.width
    ends = (*line.firsts, *line.lasts)
    return max((p for x, p in ends if first < x < last and abs(x - line.middle) > near), default=0.0)


def _repeated(line: Ridge, rings: Sequence[Ridge]) -> float:
    """Penalty for too many lines ending where this one ends, as wall joints do: 1 for as many as a garment has."""

    def count(end: float, ends: Sequence[Ends]) -> int:
        rows = [ring.at(ring.middle) for ring, candidates in zip(rings, ends, strict=True)
                if any(likely > 0.5 and abs(x - end) < 0.013 * FINE for x, likely in candidates)]  # fmt: skip
        return 1 + int((np.diff(np.sort(rows)) > BESIDE).sum())

    most = max(count(line.first, [ring.firsts for ring in rings]), count(line.last, [ring.lasts for ring in rings]))
    return 1 + max(0, most - GARMENT_LINES) / 2


def _aligned(one: Ends, two: Ends) -> list[tuple[float, float, float]]:
    """Likeliest pairs of ends of two lines, one below the other, on one side, no two in nearly the same place: both coordinates, and
    the likelihood."""
    near, best = 0.025 * FINE, list[tuple[float, float, float]]()
    both = [(x, y, p * q * bell((x - y) / near)) for x, p in one for y, q in two]
    for first, second, likely in sorted(both, key=lambda item: -item[2]):
        if all(max(abs(first - x), abs(second - y)) > SAME_PLACE for x, y, _ in best):
            best.append((first, second, likely))
        if len(best) == MOST_ALIGNED:
            break
    return best


def _joined(rings: Sequence[Ridge]) -> list[Ridge]:
    """Pairs of halves of a line with a gap at the fork, each as one ridge."""
    joined = []
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
        joined.append(
            Ridge(course, colour / (np.linalg.norm(colour) + 1e-9), min(left.strength, right.strength),
                  gap=(left.last + right.first) / 2, whole=course, firsts=left.firsts, lasts=right.lasts)
        )  # fmt: skip
    return joined


def _fit(hip: Ridge, crotch: Ridge, picture: int, *, side: bool) -> float:
    """Score of two ridges as hip and crotch line; 0 if impossible."""
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
    shape = bell((apart - usual) / error, ends / 0.09, aside)
    strength = math.sqrt(min(hip.strength, 80.0)) + math.sqrt(min(crotch.strength, 80.0))
    return shape * float(hip.colour @ crotch.colour) ** 2 * strength * (1.0 if crotch.gap is None else 0.8)


def elsewhere(trunk: TrunkLines, colours: NDArray[np.floating[Any]]) -> float:
    """Share (0 to 1) of what lies beside two lines with the colour of what lies between them, as on a wall with joints."""
    hip, crotch = trunk.hip, trunk.crotch
    high, low = sorted((round(hip.at(hip.middle)), round(crotch.at(crotch.middle))))
    band = colours[high + BESIDE // 2 : max(low - BESIDE // 2, high + BESIDE // 2 + 2)]
    away = round(0.12 * hip.width)
    first, last = round(hip.first), round(hip.last)
    own = np.median(band[:, first + away : last - away].reshape(-1, 3), axis=0)
    beside = np.concatenate([band[:, : max(first - away, 0)], band[:, last + away :]], axis=1).reshape(-1, 3)
    alike = float((np.linalg.norm(beside - own, axis=1) < ALIKE).mean()) if len(beside) else 0.0
    return min(1.0, alike / MOST_ALIKE)


def one_cloth(trunk: TrunkLines, level: Ridges) -> float:
    """Likelihood (0 to 1) that both lines are drawn on one cloth: whatever shade lies on it, it has one tint above and below each.
    An arm before a shirt, or a hem, has not."""
    beside = [level.cloth(line, way, ENDS_LEFT_OUT) for line in (trunk.hip, trunk.crotch) for way in (-1, 1)]
    tints = [np.median(cloth, axis=0)[1:] for cloth in beside]
    apart = max(float(np.linalg.norm(one - other)) for one, other in itertools.pairwise(tints))
    return bell(max(apart - SAME_TINT, 0.0) / TINTS_UNLIKE)


def likely_end(ends: Ends, chosen: float) -> float:
    """Probability of the chosen one of a line's possible ends."""
    return max((likely for x, likely in ends if abs(x - chosen) < 2), default=0.0)


def bell(*off: float) -> float:
    """Unnormalized Gaussian likelihood of offsets in standard deviations: 1 for no offset."""
    return math.exp(-0.5 * sum(each**2 for each in off))
