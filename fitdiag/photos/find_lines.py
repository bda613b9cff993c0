"""Balance lines, grainlines and the centre seam, found without a mark and named by what must hold.

A drawn line is a ridge of one colour. Ridges that cross the middle of the body are followed to both sides until they end. The hip and
the crotch line are two of them, drawn in one colour, as wide as a body and a hand's breadth apart; knee lines lie on each leg below
them, grainlines cross them. Of all that could be meant the set that fits best is taken, and what fits nearly as well is a doubt.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fitdiag.photos.marks import Points
from fitdiag.photos.snap import snap, strongest_path
from fitdiag.photos.strip import opponent

Array = NDArray[np.float64]
Span = tuple[float, float]
FINE = 1500  # px: height of the copy on which lines are looked for
REACHES = (2, 4, 6)  # px from the middle of a line to the cloth beside it
ALONG = 3.0  # px: over so much a line is evened out lengthwise, which closes the gaps of stitches
LEAST_COVERED, LEAST_SNR = 0.6, 4.0
RIVAL = 0.6  # what scores so much of the best is a rival
HALF = 120  # px: so far a line may sink or rise between its middle and its ends
BESIDE = 12  # px: what lies so near to a line belongs to it
APART, APART_ERROR = 0.22, 0.07  # between hip and crotch line, as a share of the width
CENTRES = (0.5, 0.44, 0.56, 0.38, 0.62, 0.32, 0.68)


@dataclass(frozen=True, eq=False)
class Found:
    """A ridge from its first end to its last: (N, 2) px of the copy, the first axis along its run; its colour and strength."""

    pixels: Array
    colour: Array
    strength: float
    broken: bool = False  # put together from two halves

    @property
    def first(self) -> float:
        """Where it begins, along its run."""
        return float(self.pixels[0, 0])

    @property
    def last(self) -> float:
        """Where it ends."""
        return float(self.pixels[-1, 0])

    @property
    def width(self) -> float:
        """From end to end."""
        return self.last - self.first

    @property
    def middle(self) -> float:
        """Half way, along its run."""
        return (self.first + self.last) / 2

    @property
    def lean(self) -> float:
        """Degrees between the line through its ends and its run."""
        return abs(math.degrees(math.atan2(self.pixels[-1, 1] - self.pixels[0, 1], self.width)))

    def at(self, x: float) -> float:
        """Its row in a column."""
        return float(np.interp(x, self.pixels[:, 0], self.pixels[:, 1]))


@dataclass(eq=False)
class Lines:
    """What was found: points of each line and grain in px of the picture, the seam's, and what is doubtful about each."""

    lines: dict[str, Points] = field(default_factory=dict)
    grains: dict[str, Points] = field(default_factory=dict)
    seam: Points = ()
    doubts: dict[str, str] = field(default_factory=dict)
    body: tuple[float, float, float, float] | None = None  # left, top, right, bottom, px


def find_lines(pixels: NDArray[np.uint8], view: str) -> Lines:
    """Every line that can be told in a picture of this view (back, front, left, right)."""
    result = Lines()
    if min(pixels.shape[:2]) < 300:
        return result
    height = min(FINE, pixels.shape[0])
    scale = pixels.shape[0] / height
    copy = Image.fromarray(pixels).resize((round(pixels.shape[1] / scale), height), Image.Resampling.BOX)
    colours = opponent(np.asarray(copy, np.float32)).astype(np.float32)
    level = Ridges(_evened(colours))
    upright = Ridges(_evened(colours.transpose(1, 0, 2)))
    best = _best_trunk(level, upright, side=view in ("left", "right"), mirrored=view == "front")
    if best is None:
        return result
    result.doubts = dict(best.doubts)
    seam = best.named.pop("seam", None)
    for name, ridge in best.named.items():
        points = _points(pixels, ridge, seam if name in ("hip", "crotch") else None, scale)
        if points is None:
            result.doubts[name] = "it could not be followed in the full picture"
        else:
            (result.grains if name.startswith("grain") else result.lines)[name] = points
    if seam is not None:
        at = np.linspace(0.02, 0.98, 5) * (len(seam.pixels) - 1)
        whole = (seam.pixels[at.round().astype(int), ::-1] + 0.5) * scale - 0.5
        result.seam = tuple((round(float(x), 1), round(float(y), 1)) for x, y in whole)
    hip = best.hip
    result.body = tuple(
        float(v * scale) for v in (hip.first, hip.at(hip.middle) - 0.75 * hip.width, hip.last, hip.at(hip.middle) + 2.3 * hip.width)
    )  # type: ignore[assignment]
    return result


def _evened(colours: Array) -> Array:
    """A picture evened out along its rows, so that stitches run together, and a little across."""
    reach = round(ALONG)
    for _ in range(2):  # two means over a box are nearly a Gaussian one
        sums = np.cumsum(np.pad(colours, [(0, 0), (reach + 1, reach), (0, 0)], mode="edge"), axis=1, dtype=np.float64)
        colours = ((sums[:, 2 * reach + 1 :] - sums[:, : -2 * reach - 1]) / (2 * reach + 1)).astype(np.float32)
    inner = (colours[:-2] + 2 * colours[1:-1] + colours[2:]) / 4
    return np.concatenate([colours[:1], inner, colours[-1:]])


@dataclass(eq=False)
class _Trunk:
    """One way of reading a picture: which ridges are the hip and the crotch line, and what else fits to them."""

    hip: Found
    crotch: Found
    score: float
    named: dict[str, Found] = field(default_factory=dict)
    doubts: dict[str, str] = field(default_factory=dict)


def _best_trunk(level: Ridges, upright: Ridges, *, side: bool, mirrored: bool) -> _Trunk | None:
    """The reading that fits best."""
    rings = _rings(level)
    trunks = sorted(_pairs(rings, side=side), key=lambda trunk: -trunk.score)
    kept: list[_Trunk] = []
    for trunk in trunks:
        if all(not (_same(trunk.hip, other.hip) and _same(trunk.crotch, other.crotch)) for other in kept):
            kept.append(trunk)
        if len(kept) == 4:
            break
    for trunk in kept:
        (_name_side if side else _name_rest)(trunk, level, upright, mirrored=mirrored)
    if not kept:
        return None
    kept.sort(key=lambda trunk: -trunk.score)
    best = kept[0]
    if len(kept) > 1 and kept[1].score > RIVAL * best.score:
        for name, one, two in (("hip", best.hip, kept[1].hip), ("crotch", best.crotch, kept[1].crotch)):
            if not _same(one, two):
                best.doubts[name] = "another line could be meant as well"
    if best.crotch.broken:
        best.doubts.setdefault("crotch", "it is put together from two halves")
    return best


def _same(one: Found, other: Found) -> bool:
    """Whether two ridges run along each other."""
    first, last = max(one.first, other.first), min(one.last, other.last)
    if last - first < 0.5 * min(one.width, other.width):
        return False
    at = np.linspace(first, last, 20)
    apart = np.abs(np.interp(at, *one.pixels.T) - np.interp(at, *other.pixels.T))
    return float(np.median(apart)) < BESIDE


def _rings(level: Ridges) -> list[Found]:
    """Ridges that cross the middle of the body, wherever it stands."""
    height, width = level.ridge.shape
    found: list[Found] = []
    for centre in CENTRES:
        strip = ((centre - 0.03) * width, (centre + 0.03) * width)
        reach = (centre * width - 0.32 * height, centre * width + 0.32 * height)
        for row, _ in level.seeds(strip, (0, 0.86 * height), 9):
            if any(other.first < centre * width < other.last and abs(other.at(centre * width) - row) < BESIDE for other in found):
                continue
            ring = level.follow(strip, row, reach, 9)
            if ring is not None and ring.lean < 14 and not any(_same(ring, other) and other.width >= ring.width for other in found):
                found.append(ring)
    return found


def _pairs(rings: Sequence[Found], *, side: bool) -> Iterator[_Trunk]:
    """All pairs that could be the hip and the crotch line; a crotch line that breaks at the fork is put together from two halves."""
    least, most = (0.06, 0.3) if side else (0.09, 0.42)
    height = FINE
    wide = [ring for ring in rings if least * height < ring.width < most * height and ring.lean < 12]
    for hip in wide:
        for crotch in wide:
            score = _fit(hip, crotch, side=side)
            if score > 0:
                yield _Trunk(hip, crotch, score)
        if side:
            continue
        halves = [
            ring for ring in rings
            if 0.26 * hip.width < ring.width < 0.66 * hip.width
            and 0.08 * hip.width < float(np.median(ring.pixels[:, 1])) - hip.at(hip.middle) < 0.46 * hip.width
        ]  # fmt: skip
        for left in halves:
            for right in halves:
                if left.last < hip.middle + 0.1 * hip.width and right.first > hip.middle - 0.1 * hip.width and left is not right:
                    if abs(left.pixels[-1, 1] - right.pixels[0, 1]) < 0.2 * hip.width and left.last < right.first + 0.1 * hip.width:
                        whole = _joined(left, right)
                        score = 0.8 * _fit(hip, whole, side=side)
                        if score > 0:
                            yield _Trunk(hip, whole, score)


def _joined(left: Found, right: Found) -> Found:
    """Two halves as one ridge."""
    x = np.arange(left.first, right.last + 1)
    both = np.concatenate([left.pixels, right.pixels])
    order = np.argsort(both[:, 0], kind="stable")
    course = np.stack([x, np.interp(x, both[order, 0], both[order, 1])], axis=1)
    colour = left.colour + right.colour
    return Found(course, colour / (np.linalg.norm(colour) + 1e-9), min(left.strength, right.strength), broken=True)


def _fit(hip: Found, crotch: Found, *, side: bool) -> float:
    """How well two ridges fit as hip and crotch line; 0 where they cannot be."""
    middle, width = crotch.middle, max(crotch.width, hip.width)
    apart = (crotch.at(middle) - hip.at(middle)) / width
    usual, error = (1.55 * APART, 1.5 * APART_ERROR) if side else (APART, APART_ERROR)
    ends = max(abs(crotch.first - hip.first), abs(crotch.last - hip.last)) / width
    alike = float(hip.colour @ crotch.colour)
    if not 0.08 < apart < usual + 3 * error or ends > 0.2 or alike < 0.4:
        return 0.0
    shape = math.exp(-0.5 * (((apart - usual) / error) ** 2 + (ends / 0.09) ** 2))
    return shape * alike**2 * (math.sqrt(min(hip.strength, 80.0)) + math.sqrt(min(crotch.strength, 80.0)))


def _name_rest(trunk: _Trunk, level: Ridges, upright: Ridges, *, mirrored: bool) -> None:
    """Knee lines, grainlines and the centre seam to a hip and a crotch line; what fits raises the score."""
    hip, crotch = trunk.hip, trunk.crotch
    named = {"hip": hip, "crotch": crotch}
    width, middle = hip.width, (hip.middle + crotch.middle) / 2
    high, low = hip.at(middle), crotch.at(middle)
    ink = hip.colour + crotch.colour
    ink = ink / (np.linalg.norm(ink) + 1e-9)
    rows, reach = (high + 4, low - 4), (high - 0.95 * width, low + 2.5 * width)
    seam = upright.only(rows, (middle - 0.12 * width, middle + 0.12 * width), reach, 16)
    if seam.ridge is not None and seam.ridge.lean < 10:
        named["seam"] = seam.ridge
    for side in (-1, 1):
        name = "left" if (side < 0) != mirrored else "right"
        grain_x = middle + side * 0.25 * width
        grain = upright.only(rows, (grain_x - 0.17 * width, grain_x + 0.17 * width), reach, 16)
        one = grain.ridge
        if one and one.width > 0.45 * width and one.lean < 12 and one.first < high + 4 and one.last > low - 4:
            named[f"grain-{name}"] = replace(one, pixels=one.pixels[:, ::-1])
            if grain.rival:
                trunk.doubts[f"grain-{name}"] = "another line runs beside it"
        leg = middle + side * 0.25 * width
        strip, along = ((leg - part * width, leg + part * width) for part in (0.07, 0.45))
        knee = level.only(strip, (low + 0.35 * width, low + 1.5 * width), along, 6, ink)
        two = knee.ridge
        if two and 0.25 * width < two.width < 0.66 * width and two.lean < 14:
            inner = two.last if side < 0 else two.first
            if (inner - middle) * side > -0.1 * width and float(two.colour @ ink) > 0.4:
                named[f"knee-{name}"] = two
                if knee.rival:
                    trunk.doubts[f"knee-{name}"] = "another line could be meant as well"
    _agree(trunk, named, "grain-left", "grain-right", middle)
    _agree(trunk, named, "knee-left", "knee-right", middle)
    trunk.named = named
    trunk.score *= 1 + 0.25 * sum(name.startswith(("grain", "knee")) for name in named) + 0.15 * ("seam" in named)


def _agree(trunk: _Trunk, named: Mapping[str, Found], left: str, right: str, middle: float) -> None:
    """Left and right must be alike: as far out, as high, of one colour. What is not is doubted."""
    if left not in named or right not in named:
        return
    one, two = named[left], named[right]
    width = trunk.hip.width
    if left.startswith("grain"):
        out = [abs(float(np.median(ridge.pixels[:, 0])) - middle) / width for ridge in (one, two)]
        unlike = abs(out[0] - out[1]) > 0.1
    else:
        unlike = abs(float(np.median(one.pixels[:, 1])) - float(np.median(two.pixels[:, 1]))) > 0.15 * width
    if unlike or float(one.colour @ two.colour) < 0.5:
        for name in (left, right):
            trunk.doubts.setdefault(name, "left and right are not alike")


def _name_side(trunk: _Trunk, level: Ridges, upright: Ridges, *, mirrored: bool) -> None:
    """The knee line and the side seam of a picture from the side."""
    del mirrored
    hip, crotch = trunk.hip, trunk.crotch
    named = {"hip": hip, "crotch": crotch}
    width, middle = hip.width, (hip.middle + crotch.middle) / 2
    high, low = hip.at(middle), crotch.at(middle)
    reach = (high - 1.5 * width, low + 4.0 * width)
    seam = upright.only((high + 4, low - 4), (middle - 0.25 * width, middle + 0.25 * width), reach, 16)
    if seam.ridge is not None and seam.ridge.lean < 10:
        named["seam"] = seam.ridge
        if seam.rival:
            trunk.doubts["seam"] = "another line runs beside it"
    strip = (middle - 0.12 * width, middle + 0.12 * width)
    knee = level.only(strip, (low + 0.6 * width, low + 2.4 * width), (middle - 0.8 * width, middle + 0.8 * width), 6, hip.colour)
    if knee.ridge and 0.4 * width < knee.ridge.width < 1.2 * width and knee.ridge.lean < 14:
        named["knee"] = knee.ridge
        if knee.rival:
            trunk.doubts["knee"] = "another line could be meant as well"
    trunk.named = named
    trunk.score *= 1 + 0.3 * ("knee" in named) + 0.15 * ("seam" in named)


def _points(pixels: NDArray[np.uint8], ridge: Found, seam: Found | None, scale: float) -> Points | None:
    """Three points on the ridge in the picture; None where snapping to them does not find the ridge again."""
    whole = (ridge.pixels + 0.5) * scale - 0.5
    run = 0 if abs(whole[-1, 0] - whole[0, 0]) > abs(whole[-1, 1] - whole[0, 1]) else 1
    middle = (whole[0, run] + whole[-1, run]) / 2
    if seam is not None:
        middle = (seam.at(float(np.median(ridge.pixels[:, 1]))) + 0.5) * scale - 0.5
    at = [0, int(np.argmin(np.abs(whole[:, run] - middle))), -1]
    track = snap(pixels, tuple((float(x), float(y)) for x, y in whole[at]), max(0.5, scale))
    off = np.abs(np.interp(track.pixels[:, run], whole[:, run], whole[:, 1 - run]) - track.pixels[:, 1 - run])
    if not ridge.broken and (np.median(off) > 2.0 * scale or np.percentile(off, 85) > 8 * scale):
        return None
    at[1] = int(np.argmin(np.abs(track.pixels[:, run] - middle)))
    most = pixels.shape[1] - 1, pixels.shape[0] - 1
    return tuple((round(float(x), 1), round(float(y), 1)) for x, y in np.clip(track.pixels[at], 0, most))


@dataclass(frozen=True, eq=False)
class Only:
    """The strongest ridge across a strip, and whether another one is nearly as strong."""

    ridge: Found | None
    rival: bool = False


class Ridges:
    """A picture's ridges that run from left to right."""

    def __init__(self, colours: Array) -> None:
        self.colours = colours
        self.ridge: Array = np.zeros(colours.shape[:2], np.float32)
        margin, height = max(REACHES), len(colours)
        inner = self.ridge[margin : height - margin]
        for one, two in self.beside(slice(margin, height - margin), slice(None)):
            weaker = np.sqrt(np.minimum(*(np.einsum("ijk,ijk->ij", side, side) for side in (one, two))))
            weaker[np.einsum("ijk,ijk->ij", one, two) <= 0] = 0.0
            np.maximum(inner, weaker, out=inner)

    def beside(self, rows: slice, columns: slice) -> Iterator[tuple[Array, Array]]:
        """How each place differs from the cloth above and below it, for some widths of line."""
        for reach in REACHES:
            above, below = (slice(rows.start + step, rows.stop + step) for step in (-reach, reach))
            middle = self.colours[rows, columns]
            yield middle - self.colours[above, columns], middle - self.colours[below, columns]

    def seeds(self, strip: Span, rows: Span, most: int) -> list[tuple[float, float]]:
        """(row in the middle of the strip, strength over the noise) of the ridges that cross it, strongest first."""
        low, high = max(round(rows[0]), 0), min(round(rows[1]) + 1, self.ridge.shape[0])
        part = self.ridge[low : max(high, low), max(round(strip[0]), 0) : max(round(strip[1]) + 1, 0)].copy()
        if min(part.shape) < 8:
            return []
        noise = 1.4826 * float(np.median(part)) + 0.15
        found = []
        for _ in range(most):
            path = strongest_path(part.T)
            on = part[path, np.arange(part.shape[1])] / noise
            if np.median(on) >= 0.75 * LEAST_SNR and (on > 2.0).mean() >= 0.55:
                found.append((float(low + path[len(path) // 2]), float(np.median(on))))
            part[np.abs(np.arange(len(part))[:, None] - path[None]) <= BESIDE] = 0.0
        return sorted(found, key=lambda seed: -seed[1])

    def only(self, strip: Span, rows: Span, reach: Span, jump: int, ink: Array | None = None) -> Only:
        """The ridge across a strip among these rows, followed to its ends; of one colour where `ink` is known."""
        found = []
        for row, _ in self.seeds(strip, rows, 3):
            ridge = self.follow(strip, row, reach, jump)
            if ridge is not None:
                weight = ridge.strength * max(0.0, float(ridge.colour @ ink)) if ink is not None else ridge.strength
                found.append((weight * math.sqrt(ridge.width), ridge))
        found.sort(key=lambda item: -item[0])
        if not found or found[0][0] <= 0:
            return Only(None)
        rival = len(found) > 1 and found[1][0] > RIVAL * found[0][0] and not _same(found[0][1], found[1][1])
        return Only(found[0][1], rival)

    def follow(self, strip: Span, row: float, reach: Span, jump: int) -> Found | None:
        """The ridge through the middle of a strip, followed both ways within a reach until it is lost for more than `jump` px."""
        start = round((strip[0] + strip[1]) / 2)
        left, right = max(round(reach[0]), 0), min(round(reach[1]) + 1, self.ridge.shape[1])
        if not left <= start < right:
            return None
        margin, height = max(REACHES), self.ridge.shape[0]
        low, high = max(round(row) - HALF, margin), min(round(row) + HALF + 1, height - margin)
        away = np.abs(np.arange(left, right) - start)
        cone = np.abs(np.arange(low, high)[:, None] - row) <= 8 + 0.5 * away[None]
        window = (slice(low, high), slice(left, right))
        beside = list(self.beside(*window))
        columns = np.arange(right - left)
        near = np.flatnonzero(away <= max(26, (strip[1] - strip[0]) / 2))
        path = strongest_path(np.where(cone, self.ridge[window], 0.0)[:, near].T)
        colour = np.zeros(3)
        for one, two in beside:
            colour += np.median((one + two)[path, near], axis=0)
        colour /= float(np.linalg.norm(colour)) + 1e-9
        ridge: Array = np.zeros(cone.shape)
        for one, two in beside:
            ridge = np.maximum(ridge, np.minimum(one @ colour, two @ colour))
        path = _by_twos(np.where(cone, ridge, 0.0).T)
        strength = ridge[path, columns]
        noise = 1.4826 * float(np.median(np.abs(ridge))) + 0.15
        seen = strength > max(2.0 * noise, 0.25 * float(np.median(strength[near])))
        if seen[near].mean() < 0.9:
            jump = max(jump, 16)  # a dashed line
        first, last = _run(seen, start - left, -1, jump), _run(seen, start - left, 1, jump)
        if last - first < 40 or first <= 1 or last >= right - left - 2:
            return None  # too short, or it goes on beyond the reach
        kept = slice(first, last + 1)
        covered, snr = float(seen[kept].mean()), float(np.median(strength[kept]) / noise)
        course = np.stack([columns[kept] + left, path[kept] + low], axis=1).astype(float)
        return Found(course, colour, snr) if covered >= LEAST_COVERED and snr >= LEAST_SNR else None


def _by_twos(ridge: Array) -> NDArray[np.int64]:
    """The strongest course, looked for in every other row only, which is enough for a line that leans little."""
    pairs = np.maximum(ridge[:-1:2], ridge[1::2])
    coarse = np.repeat(strongest_path(pairs), 2)
    whole = np.pad(coarse, (0, len(ridge) - len(coarse)), mode="edge")
    window = np.clip(whole[:, None] + np.arange(-1, 2)[None], 0, ridge.shape[1] - 1)
    best = ridge[np.arange(len(ridge))[:, None], window].argmax(axis=1)
    return window[np.arange(len(ridge)), best]


def _run(seen: NDArray[np.bool_], start: int, step: int, jump: int) -> int:
    """The last place seen from `start` on before more than `jump` in a row are not seen."""
    at = end = start
    while 0 <= at < len(seen) and abs(at - end) <= jump + 1:
        if seen[at] and seen[max(0, min(at, at - 2 * step)) : max(at, at - 2 * step) + 1].mean() > 0.6:
            end = at
        at += step
    return end
