"""Proposals: balance lines and grainlines found without a mark, to be looked at and confirmed by the fitter.

A drawn line is a ridge of one colour. Ridges that cross the middle of the picture are followed to both sides until they end; the
only two that are as wide as a body and lie a hand's breadth apart are the hip and the crotch line, and from these it follows
where to look for knee lines and grainlines. A line is proposed only where nothing else could be meant, and where snapping to its
three points finds it again.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fitdiag.photos.marks import Marks, Points
from fitdiag.photos.snap import snap, strongest_path
from fitdiag.photos.strip import opponent, smooth

Array = NDArray[np.float64]
Span = tuple[float, float]
FINE = 1200  # px: height of the copy on which lines are looked for
REACHES = (2, 3, 4)  # px from the middle of a line to the cloth beside it
LEAST_COVERED, LEAST_SNR = 0.6, 4.0  # a dashed line covers about 0.6 of its course
RIVAL = 0.4  # a second ridge so strong beside the first makes it doubtful which one is meant
HALF = 90  # px: so far a line may sink or rise between its middle and its ends
BESIDE = 9  # px: what lies so near to a line belongs to it


@dataclass(frozen=True, eq=False)
class Found:
    """A ridge from its first end to its last: (N, 2) px of the copy, the first axis along its run."""

    pixels: Array

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

    def at(self, x: float) -> float:
        """Its row in a column."""
        return float(np.interp(x, self.pixels[:, 0], self.pixels[:, 1]))


def proposals(pixels: NDArray[np.uint8], marks: Marks) -> Marks:
    """The marks with every line and grain added that was found for certain and not yet marked; each is named in `proposed`.

    Only in front and back views. Which side edges are covered, and what hangs plumb, stays for the fitter to mark.
    """
    if marks.seen_from_the_side or min(pixels.shape[:2]) < 300:
        return marks
    height = min(FINE, pixels.shape[0])
    scale = pixels.shape[0] / height
    copy = Image.fromarray(pixels).resize((round(pixels.shape[1] / scale), height), Image.Resampling.BOX)
    colours = smooth(opponent(np.asarray(copy, float)), 0.6, 0.6)
    found, seam = _lines(colours, mirrored=marks.view == "front")
    lines, grains, added = dict(marks.lines), dict(marks.grains), list(marks.proposed)
    for name, ridge in found.items():
        kept = grains if name.startswith("grain") else lines
        middle = seam if name in ("hip", "crotch") else None
        points = None if _taken(ridge, name, kept, scale) else _points(pixels, ridge, middle, scale)
        if points:
            kept[name] = points
            added.append(name)
    return replace(marks, lines=lines, grains=grains, proposed=tuple(dict.fromkeys(added)))


def _taken(ridge: Found, name: str, marked: Mapping[str, Points], scale: float) -> bool:
    """Whether a line of this name is marked already, or this ridge under another name."""
    middles = np.array([points[len(points) // 2] for points in marked.values()]).reshape(-1, 1, 2) / scale
    return name in marked or bool((np.linalg.norm(middles - ridge.pixels[None], axis=2) < 2 * BESIDE).any())


def _points(pixels: NDArray[np.uint8], ridge: Found, seam: Found | None, scale: float) -> Points | None:
    """Three points on the ridge in the picture; None where snapping to them does not find the ridge again."""
    whole = (ridge.pixels + 0.5) * scale - 0.5
    run = 0 if abs(whole[-1, 0] - whole[0, 0]) > abs(whole[-1, 1] - whole[0, 1]) else 1
    middle = (whole[0, run] + whole[-1, run]) / 2
    if seam is not None:
        middle = (seam.at(float(np.median(ridge.pixels[:, 1]))) + 0.5) * scale - 0.5
    at = [0, int(np.argmin(np.abs(whole[:, run] - middle))), -1]
    track = snap(pixels, tuple((float(x), float(y)) for x, y in whole[at]))
    off = np.abs(np.interp(track.pixels[:, run], whole[:, run], whole[:, 1 - run]) - track.pixels[:, 1 - run])
    if not track.clear or np.median(off) > 1.5 * scale or np.percentile(off, 90) > 5 * scale:
        return None
    at[1] = int(np.argmin(np.abs(track.pixels[:, run] - middle)))
    most = pixels.shape[1] - 1, pixels.shape[0] - 1
    return tuple((round(float(x), 1), round(float(y), 1)) for x, y in np.clip(track.pixels[at], 0, most))


def _lines(colours: Array, *, mirrored: bool) -> tuple[dict[str, Found], Found | None]:
    """Every line found for certain, by name, and the centre seam."""
    level = _View(colours)
    trunk = _trunk(level)
    if trunk is None:
        return {}, None
    (hip, crotch), found = trunk, dict(zip(("hip", "crotch"), trunk, strict=True))
    width, upright = crotch.width, _View(colours.transpose(1, 0, 2))
    middle = (hip.first + hip.last + crotch.first + crotch.last) / 4
    high, low = hip.at(middle), crotch.at(middle)
    rows, reach = (high + BESIDE, low - BESIDE), (high - 0.9 * width, low + 2.4 * width)
    seam = _only(upright, rows, (middle - 0.1 * width, middle + 0.1 * width), reach, 12)
    for side in (-1, 1):
        name = "left" if (side < 0) != mirrored else "right"
        # a grainline crosses the hip line about half way between the middle and the side edge
        grain_x = middle + side * 0.26 * width
        grain = _only(upright, rows, (grain_x - 0.16 * width, grain_x + 0.16 * width), reach, 12)
        if grain and grain.width > 0.45 * width and _lean(grain) < 10 and grain.first < high and grain.last > low:
            found[f"grain-{name}"] = replace(grain, pixels=grain.pixels[:, ::-1])
        leg = middle + side * 0.25 * width
        strip, along = ((leg - part * width, leg + part * width) for part in (0.07, 0.45))
        knee = _only(level, strip, (low + 0.35 * width, low + 1.35 * width), along, 4)
        if knee and 0.25 * width < knee.width < 0.62 * width and _lean(knee) < 12:
            inner = knee.last if side < 0 else knee.first
            if (inner - middle) * side > -0.08 * width:
                found[f"knee-{name}"] = knee
    return found, seam if seam and _lean(seam) < 10 else None


def _lean(ridge: Found) -> float:
    """Degrees between the line through its ends and its run."""
    return abs(math.degrees(math.atan2(ridge.pixels[-1, 1] - ridge.pixels[0, 1], ridge.width)))


def _trunk(view: _View) -> tuple[Found, Found] | None:
    """The hip and the crotch line; None unless there are two ridges round the trunk, and only two."""
    height, width = view.ridge.shape
    for centre in (0.5, 0.44, 0.56, 0.38, 0.62):
        strip = ((centre - 0.03) * width, (centre + 0.03) * width)
        reach = (centre * width - 0.3 * height, centre * width + 0.3 * height)
        rings = [view.follow(strip, seed, reach, 7) for seed, _ in view.seeds(strip, (0, height - 1), 6)]
        round_body = [ring for ring in rings if ring and 0.1 * height < ring.width < 0.42 * height and _lean(ring) < 12]
        if pairs := [(one, two) for one in round_body for two in round_body if _fit_together(one, two)]:
            return pairs[0] if len(pairs) == 1 else None
    return None


def _fit_together(upper: Found, lower: Found) -> bool:
    """Whether these can be the hip and the crotch line: one above the other, alike in width, a hand's breadth apart."""
    middle, width = (lower.first + lower.last) / 2, max(lower.width, upper.width)
    apart = (lower.at(middle) - upper.at(middle)) / width
    same_sides = max(abs(lower.first - upper.first), abs(lower.last - upper.last)) < 0.17 * width
    return same_sides and 0.1 < apart < 0.42


def _only(view: _View, strip: Span, rows: Span, reach: Span, jump: int) -> Found | None:
    """The ridge across a strip among these rows, followed to its ends; None where two could be meant."""
    seeds = view.seeds(strip, rows, 2)
    if not seeds or (len(seeds) > 1 and seeds[1][1] > RIVAL * seeds[0][1]):
        return None
    return view.follow(strip, seeds[0][0], reach, jump)


class _View:
    """A picture's ridges that run from left to right."""

    def __init__(self, colours: Array) -> None:
        self.colours = colours
        self.ridge: Array = np.zeros(colours.shape[:2])
        margin, height = max(REACHES), len(colours)
        inner = self.ridge[margin : height - margin]
        for one, two in self.beside(slice(margin, height - margin), slice(None)):
            weaker = np.sqrt(np.minimum((one * one).sum(axis=2), (two * two).sum(axis=2)))
            np.maximum(inner, np.where((one * two).sum(axis=2) > 0, weaker, 0.0), out=inner)

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
            if np.median(on) >= LEAST_SNR and (on > 2.5).mean() >= 0.55:
                found.append((float(low + path[len(path) // 2]), float(np.median(on))))
            part[np.abs(np.arange(len(part))[:, None] - path[None]) <= BESIDE] = 0.0
        return sorted(found, key=lambda seed: -seed[1])

    def follow(self, strip: Span, row: float, reach: Span, jump: int) -> Found | None:
        """The ridge through the middle of a strip, followed both ways within a reach until it is lost for more than `jump` px."""
        start = round((strip[0] + strip[1]) / 2)
        left, right = max(round(reach[0]), 0), min(round(reach[1]) + 1, self.ridge.shape[1])
        if not left <= start < right:
            return None
        margin, height = max(REACHES), self.ridge.shape[0]
        low, high = max(round(row) - HALF, margin), min(round(row) + HALF + 1, height - margin)
        away = np.abs(np.arange(left, right) - start)
        cone = np.abs(np.arange(low, high)[:, None] - row) <= 6 + 0.5 * away[None]
        window = (slice(low, high), slice(left, right))
        beside = list(self.beside(*window))
        columns = np.arange(right - left)
        path = strongest_path(np.where(cone, self.ridge[window], 0.0).T)
        near = np.flatnonzero(away <= max(20, (strip[1] - strip[0]) / 2))
        colour = np.zeros(3)
        for one, two in beside:
            colour += np.median((one + two)[path[near], near], axis=0)
        colour /= float(np.linalg.norm(colour)) + 1e-9
        ridge = np.zeros(cone.shape)
        for one, two in beside:
            ridge = np.maximum(ridge, np.minimum(one @ colour, two @ colour))
        path = strongest_path(np.where(cone, ridge, 0.0).T)
        strength = ridge[path, columns]
        noise = 1.4826 * float(np.median(np.abs(ridge))) + 0.15
        seen = strength > max(2.5 * noise, 0.25 * float(np.median(strength[near])))
        if seen[near].mean() < 0.9:
            jump = max(jump, 12)  # a dashed line
        first, last = _run(seen, start - left, -1, jump), _run(seen, start - left, 1, jump)
        if last - first < 30 or first <= 1 or last >= right - left - 2:
            return None  # too short, or it goes on beyond the reach
        kept = slice(first, last + 1)
        covered, snr = float(seen[kept].mean()), float(np.median(strength[kept]) / noise)
        course = np.stack([columns[kept] + left, path[kept] + low], axis=1).astype(float)
        return Found(course) if covered >= LEAST_COVERED and snr >= LEAST_SNR else None


def _run(seen: NDArray[np.bool_], start: int, step: int, jump: int) -> int:
    """The last place seen from `start` on before more than `jump` in a row are not seen."""
    at = end = start
    while 0 <= at < len(seen) and abs(at - end) <= jump + 1:
        if seen[at] and seen[max(0, min(at, at - 2 * step)) : max(at, at - 2 * step) + 1].mean() > 0.6:
            end = at
        at += step
    return end
