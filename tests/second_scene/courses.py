"""The courses of the lines on the cloth: heights of balance lines, places of grainlines; drop, tilt and V are known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .camera import Array
from .cloth import COLUMNS, SIDES, Cloth

TRUNK_LINES = ("waist", "hip", "crotch")


@dataclass(frozen=True)
class Tremor:
    """A smooth wander of known size: sines of some wavelengths (mm), root mean square 1 before `size` (mm)."""

    waves: Array
    phases: Array
    size: float

    def __call__(self, place: Array) -> Array:
        turns = np.asarray(place)[..., None] * (2 * np.pi / self.waves) + self.phases
        return np.asarray(np.sin(turns).sum(-1) * (self.size * np.sqrt(2 / len(self.waves))))


def tremor(rng: np.random.Generator, shortest: float, longest: float, size: float) -> Tremor:
    """A wander by chance, its wavelengths evenly spread in octaves."""
    waves = shortest * (longest / shortest) ** rng.uniform(0, 1, 5)
    return Tremor(waves, rng.uniform(0, 2 * np.pi, 5), size)


@dataclass(frozen=True)
class Dip:
    """What a panel's line does between seam and centre: `sag` (broad) and `vee` (the last `vee_width` mm) below the seam's level, mm."""

    sag: float
    vee: float
    vee_width: float
    power: float = 2.0

    @property
    def drop(self) -> float:
        """Height at the seam less height at the centre."""
        return self.sag + self.vee

    def below(self, from_centre: Array, whole: float) -> Array:
        """How far below the seam's level, at lengths on the cloth from the centre, when seam to centre is `whole`."""
        share = np.clip(1 - from_centre / whole, 0, 1)
        broad = np.where(share < 0.5, 2 * share**2, 1 - 2 * (1 - share) ** 2)
        return self.sag * broad + self.vee * np.clip(1 - from_centre / self.vee_width, 0, 1)


@dataclass(frozen=True)
class RoundLine:
    """A line round the trunk, or one leg's part of the crotch line: section height at the side seam, dips, slope to the wearer's left."""

    height: float
    back: Dip
    front: Dip
    slope: float
    wander: Mapping[int, Tremor]

    def course(self, cloth: Cloth, side: int, t: Array) -> Array:
        """Section heights at places t of a half."""
        half = cloth.half(side)
        t = np.asarray(t, dtype=float)
        total = 0.0
        girth = {back: float(half.half_girth(np.array(self.height), back)) for back in (True, False)}
        centre = (1 - np.abs(t)) * np.where(t >= 0, girth[True], girth[False])
        for back, dip in ((True, self.back), (False, self.front)):
            total = np.where((t >= 0) == back, dip.below(centre, girth[back]), total)
        ends = np.clip(centre / 22, 0, 1) * np.clip(
            (np.abs(t) * np.where(t >= 0, girth[True], girth[False])) / 22, 0, 1
        )
        wander = self.wander[side](t * girth[True]) * ends
        middle = half.at(np.full(t.shape, self.height), t, half.points)[..., 0] - cloth.stance.bend
        return np.asarray(self.height - total + wander + self.slope * middle)


@dataclass(frozen=True)
class LegLine:
    """A line round one leg: section height, slope to the wearer's left, sag at the back, wander."""

    height: float
    slope: float
    sag: float
    wander: Tremor

    def course(self, cloth: Cloth, side: int, t: Array) -> Array:
        """Section heights at places t."""
        half = cloth.half(side)
        t = np.asarray(t, dtype=float)
        x = half.at(np.full(t.shape, self.height), t, half.points)[..., 0]
        seam = half.at(np.array([self.height, self.height]), np.array([0.0, 1.0]), half.points)[:, 0].mean()
        ring = np.sin(np.pi * t)
        wander = self.wander(t * float(half.half_girth(np.array(self.height), True))) * np.abs(ring)
        return np.asarray(self.height + self.slope * (x - seam) - self.sag * np.maximum(ring, 0) ** 2 + wander)


@dataclass(frozen=True)
class Grain:
    """A grainline: the cut of the cloth by a plane that leans. `x` at the knee's height, `lean` (slope, outwards when it rises), bow."""

    side: int
    back: bool
    x: float
    lean: float
    bow: float
    wander: Tremor
    top: float
    low: float
    knee: float

    def x_at(self, height: Array) -> Array:
        """The place along the wearer's left at a height, in body axes."""
        share = (height - self.knee) / (self.top - self.knee)
        straight = self.side * (self.x + self.lean * (height - self.knee))
        return np.asarray(straight + self.bow * 4 * share * (1 - share) + self.wander(height))

    def course(self, cloth: Cloth, height: Array) -> Array:
        """Places t of its half at section heights."""
        half = cloth.half(self.side)
        middle = COLUMNS // 2
        columns = slice(0, middle + 1) if self.back else slice(middle, None)
        rows = np.clip(np.searchsorted(half.heights, height), 1, len(half.heights) - 1)
        share = np.clip((height - half.heights[rows - 1]) / (half.heights[1] - half.heights[0]), 0, 1)
        x = half.points[rows - 1, columns, 0] * (1 - share[:, None]) + half.points[rows, columns, 0] * share[:, None]
        t = half.t[0, columns]
        wanted = self.x_at(np.asarray(height))
        found = np.empty(len(rows))
        for index, (row, want) in enumerate(zip(x * self.side, wanted * self.side, strict=True)):
            order = slice(None) if self.back else slice(None, None, -1)
            rising = np.maximum.accumulate(row[order])
            found[index] = np.interp(want, rising, t[order])
        return found


@dataclass(frozen=True)
class Drawing:
    """All lines of a muslin; `crotch` has one part for each leg."""

    trunk: Mapping[str, RoundLine]
    crotch: Mapping[int, RoundLine]
    knees: Mapping[int, LegLine]
    grains: tuple[Grain, ...]

    def part(self, name: str, side: int) -> RoundLine | LegLine | None:
        """The line of this name on one half."""
        if name == "crotch":
            return self.crotch[side]
        if name in self.trunk:
            return self.trunk[name]
        return self.knees[side] if name == ("knee-left" if side > 0 else "knee-right") else None

    @cached_property
    def names(self) -> tuple[str, ...]:
        """All balance lines from the top down."""
        return (*TRUNK_LINES, "knee-left", "knee-right")


def dip_by_chance(rng: np.random.Generator, kind: str, size: float = 1.0) -> Dip:
    """`level` (nothing to find), `sag`, `vee` (sharp), `both`, `rise` (up at the centre)."""
    width = rng.uniform(28, 75)
    if kind == "level":
        return Dip(0.0, 0.0, width)
    if kind == "sag":
        return Dip(rng.uniform(6, 30) * size, 0.0, width)
    if kind == "vee":
        return Dip(rng.normal(0, 2.0), rng.uniform(5, 13) * size, width)
    if kind == "rise":
        return Dip(-rng.uniform(6, 20) * size, 0.0, width)
    return Dip(rng.uniform(4, 20) * size, rng.uniform(4, 11) * size, width)


def drawing_by_chance(cloth: Cloth, rng: np.random.Generator, kind: str) -> Drawing:
    """Lines as somebody draws them on the flat pieces, and as a body then pulls them; `kind` as in `dip_by_chance`."""
    level = cloth.form.levels
    hip = level.hip + rng.uniform(-12, 18)
    unsteady = 0.25 if kind == "level" else rng.uniform(0.3, 1.3)

    def wanders() -> dict[int, Tremor]:
        return {side: tremor(rng, 26, 130, unsteady * rng.uniform(0.5, 1.3)) for side in SIDES}

    def slope(sd: float) -> float:
        return 0.0 if kind == "level" else float(rng.normal(0, sd))

    front = "level" if kind == "level" else str(rng.choice(["level", "sag", "vee", "rise"]))
    trunk = {
        "waist": RoundLine(level.waist - rng.uniform(2, 7), dip_by_chance(rng, "level" if kind == "level" else "sag", -0.4),
                           dip_by_chance(rng, "level"), slope(0.008), wanders()),
        "hip": RoundLine(hip, dip_by_chance(rng, kind), dip_by_chance(rng, front, 0.6), slope(0.016), wanders()),
    }  # fmt: skip
    crotch_height = cloth.fork + rng.uniform(8, 24)
    back, fore = dip_by_chance(rng, kind, 0.6), dip_by_chance(rng, front, 0.5)
    back, fore = (Dip(min(dip.sag, 9), min(dip.vee, 6), dip.vee_width) for dip in (back, fore))
    crotch_height += max(back.drop, fore.drop, 0)
    crotch = {side: RoundLine(crotch_height, back, fore, slope(0.016), wanders()) for side in SIDES}
    knees = {
        side: LegLine(level.knee + rng.normal(0, 4), slope(0.035), rng.normal(3, 4) if kind != "level" else 0.0,
                      tremor(rng, 26, 110, unsteady))
        for side in SIDES
    }  # fmt: skip
    return Drawing(trunk, crotch, knees, _grains(cloth, rng, thrown=kind != "level" and rng.random() < 0.5))


def _grains(cloth: Cloth, rng: np.random.Generator, thrown: bool) -> tuple[Grain, ...]:
    level, made = cloth.form.levels, []
    for back in (True, False):
        hip = rng.uniform(70, 96)
        for side in SIDES:
            over = abs(float(cloth.form.leg_axis(side, np.array(level.knee))[0]))
            knee = over + rng.normal(0, 7)
            lean = (hip + rng.normal(0, 3) - knee) / (level.hip - level.knee)
            if thrown:
                lean += rng.normal(0, 0.03)
            wander = tremor(rng, 60, 300, rng.uniform(0.3, 1.2))
            made.append(
                Grain(side, back, knee, lean, rng.normal(0, 4), wander, level.waist - 4, level.hem + 30, level.knee)
            )
    return tuple(made)
