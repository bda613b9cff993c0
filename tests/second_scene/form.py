"""The shape of the trousers as worn: a trunk and two legs, each a pile of sections drawn by Fourier descriptors, grown together.

Body axes: x to the wearer's left, y up, z to the wearer's front. A section's radius at the angle a (0 = back, a quarter turn =
the wearer's left) is R exp(sum of c_k cos(ka) + s_k sin(ka)), with bumps for seat and abdomen and a dent for the cleft. R and the first
harmonic pair are solved so that girth and breadth are the measured ones plus ease. Trunk and legs melt into one another as fields:
f = -k log(sum of exp(-f_i / k)), below 0 inside. Below the fork the trunk has closed like a bowl and two legs remain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from .body import Person
from .camera import Array

ANGLES = np.linspace(0, 2 * np.pi, 361)
MELT = 7.0
BOWL = 92.0  # the trunk closes over this height


@dataclass(frozen=True)
class Levels:
    """Heights in mm; `fork` is where the trunk is meant to close, the cloth parts a little lower."""

    top: float
    waist: float
    hip: float
    fork: float
    knee: float
    hem: float


@dataclass(frozen=True)
class Bumps:
    """Seat (angle, width, height as a share), cleft, abdomen; one side may be fuller than the other."""

    seat_angle: float
    seat_width: float
    seat: tuple[float, float]
    cleft: float
    abdomen: float
    abdomen_width: float


@dataclass(frozen=True)
class Form:
    """All of it as functions of height; the values of the interpolators are rows of coefficients."""

    levels: Levels
    trunk: PchipInterpolator
    leg: tuple[PchipInterpolator, PchipInterpolator]
    bumps: Bumps
    spins: Array

    def trunk_radius(self, angle: Array, height: Array) -> Array:
        """Radius of the trunk's section at an angle from centre back."""
        radius, pinch = (self.trunk(height)[..., index] for index in (0, 1))
        level = self.levels
        close = np.clip((level.fork + BOWL - height) / BOWL, 0, 1)
        return (
            radius
            * np.sqrt(np.maximum(1 - close**2, 1e-4))
            * np.exp(-pinch * np.cos(2 * angle) + self._waves(angle, height))
        )

    def _waves(self, angle: Array, height: Array) -> Array:
        own, level = self.bumps, self.levels
        egg, three, four, skew = self.spins
        turn = (angle + np.pi) % (2 * np.pi) - np.pi
        low = np.where(height < level.hip, 105.0, 68.0)
        seat = np.exp(-(((height - level.hip) / low) ** 2))
        left, right = (np.exp(-(((turn - side * own.seat_angle) / own.seat_width) ** 2)) for side in (1, -1))
        depth = own.cleft * (0.35 + 0.65 / (1 + np.exp((height - level.fork - 45) / 16)))
        cleft = depth * np.exp(-((turn / 0.2) ** 2)) / (1 + np.exp((height - level.hip - 55) / 15))
        belly = np.exp(-((((angle % (2 * np.pi)) - np.pi) / own.abdomen_width) ** 2))
        belly = belly * np.exp(-(((height - level.hip - 75) / 85) ** 2)) * own.abdomen
        smooth = egg * np.cos(angle) + three * np.cos(3 * angle) + four * np.cos(4 * angle) + skew * np.sin(2 * angle)
        return smooth + seat * (own.seat[0] * left + own.seat[1] * right) - cleft + belly

    def trunk_axis(self, height: Array) -> Array:
        """How far the trunk's axis lies to the front."""
        return np.asarray(self.trunk(height)[..., 2])

    def leg_axis(self, side: int, height: Array) -> tuple[Array, Array]:
        """The axis of a leg (side 1 = the wearer's left): x and z."""
        own = self.leg[0 if side > 0 else 1](height)
        return side * own[..., 2], own[..., 3]

    def leg_radius(self, side: int, angle: Array, height: Array) -> Array:
        """Radius of a leg's section; angle 0 = towards the other leg, a quarter turn = to the back."""
        own = self.leg[0 if side > 0 else 1](height)
        turn = (angle - 1.75 + np.pi) % (2 * np.pi) - np.pi
        seat = 0.75 * self.bumps.seat[0 if side > 0 else 1] * np.exp(-((turn / 0.6) ** 2))
        low = np.where(height < self.levels.fork, 110.0, 60.0)
        seat = seat * np.exp(-(((height - self.levels.fork) / low) ** 2))
        return own[..., 0] * np.exp(own[..., 1] * np.cos(2 * angle) + leg_waves(angle) + seat)

    def field(self, x: Array, height: Array, z: Array) -> Array:
        """Below 0 inside the trousers, about millimetres from the surface near it."""
        middle = self.trunk_axis(height)
        angle = np.arctan2(x, middle - z)
        radius = self.trunk_radius(angle, height)
        under = np.maximum(self.levels.fork + 4 - height, 0)
        trunk = (np.hypot(x, z - middle) / radius - 1) * np.clip(radius, 3, 150) + under
        rise = np.maximum(height - self.levels.hip, 0) ** 2 / 40
        legs = []
        for side in (1, -1):
            over, deep = self.leg_axis(side, height)
            angle = np.arctan2(deep - z, (over - x) * side)
            radius = self.leg_radius(side, angle, height)
            round_it = (np.hypot(x - over, z - deep) / radius - 1) * np.minimum(radius, 100) + rise
            pressed = 1.5 - side * x  # the legs press against one another, they do not merge
            legs.append(np.maximum(round_it, pressed) + 4 * np.log1p(np.exp(-np.abs(round_it - pressed) / 4)))
        leg = np.minimum(legs[0], legs[1])
        return np.asarray(np.minimum(trunk, leg) - MELT * np.log1p(np.exp(-np.abs(trunk - leg) / MELT)))


def leg_waves(angle: Array) -> Array:
    """What makes a leg's section no ellipse, in the terms of `Form.leg_radius`."""
    return 0.05 * np.cos(3 * angle + 0.6) + 0.03 * np.sin(angle)


def solved(girth: float, breadth: float, waves: Array, angles: Array = ANGLES) -> tuple[float, float]:
    """R and the pinch c of the section R exp(-c cos 2a + waves) that has this girth and this breadth across."""
    low, high = -0.6, 0.9
    for _ in range(40):
        pinch = (low + high) / 2
        radius = np.exp(-pinch * np.cos(2 * angles) + waves)
        x, z = radius * np.sin(angles), radius * np.cos(angles)
        round_it = np.hypot(np.diff(x), np.diff(z)).sum()
        if np.ptp(x) / round_it < breadth / girth:
            low = pinch
        else:
            high = pinch
    return girth / round_it, pinch


def form(person: Person, rng: np.random.Generator) -> Form:
    """The trousers on a person: ease, drape, stance and one-sidedness by chance."""
    tall = person.stature / 1700
    waist = person.stature * rng.uniform(0.592, 0.612)
    hip = waist - rng.uniform(188, 212) * tall
    fork = hip - rng.uniform(66, 88) * tall
    levels = Levels(waist + rng.uniform(9, 16), waist, hip, fork, person.stature * 0.285, rng.uniform(45, 95))
    bumps = Bumps(rng.uniform(0.55, 0.75), rng.uniform(0.36, 0.5), (seat := rng.uniform(0.015, 0.085), seat * rng.uniform(0.75, 1.25)),
                  rng.uniform(0.03, 0.09), rng.uniform(-0.01, 0.075), rng.uniform(0.5, 0.9))  # fmt: skip
    spins = np.array([rng.normal(0, 0.02), rng.normal(0, 0.012), rng.normal(0.0, 0.012), rng.normal(0, 0.012)])
    made = Form(levels, _flat(levels), (_flat(levels), _flat(levels)), bumps, spins)
    ease = rng.uniform(18, 75)
    breadth = person.hip_breadth + rng.uniform(12, 26) + ease / np.pi
    trunk = _trunk(made, person, ease, breadth, rng)
    legs = _legs(levels, person, ease, breadth, rng)
    return Form(levels, trunk, legs, bumps, spins)


def _flat(levels: Levels) -> PchipInterpolator:
    return PchipInterpolator([levels.hem - 100, levels.top + 100], [[1.0, 0.0, 0.0, 0.0]] * 2, extrapolate=True)


def _trunk(blank: Form, person: Person, ease: float, breadth: float, rng: np.random.Generator) -> PchipInterpolator:
    level = blank.levels
    hip, waist, belly = person.hip + ease, person.waist + rng.uniform(8, 25), person.belly + ease * 0.5
    high = max((hip + waist) / 2, min(belly, hip))
    rows = [
        (level.fork - 150, hip * 0.97, breadth * 0.985),
        (level.fork + 25, hip * 0.985, breadth * 0.995),
        (level.hip, hip, breadth),
        (level.hip + 0.52 * (level.waist - level.hip), high, high * rng.uniform(0.357, 0.368)),
        (level.waist, waist, waist * rng.uniform(0.345, 0.362)),
        (level.top + 30, waist * 1.01, waist * 0.357),
    ]
    sway, belly_out = rng.normal(0, 6), rng.uniform(0, 16)
    middles = np.array([0.0, 0.0, 0.0, 0.5 * belly_out, belly_out + sway, belly_out + 1.2 * sway])
    found = []
    for (height, girth, wide), middle in zip(rows, middles, strict=True):
        waves = blank._waves(ANGLES, np.full(ANGLES.shape, max(height, level.fork + 25)))
        found.append((*solved(girth, wide, waves), float(middle), 0.0))
    return PchipInterpolator([height for height, *_ in rows], np.array(found), extrapolate=True)


def _legs(
    level: Levels, person: Person, ease: float, breadth: float, rng: np.random.Generator
) -> tuple[PchipInterpolator, PchipInterpolator]:
    thigh = max(person.thigh + rng.uniform(45, 80), (person.hip + ease) * rng.uniform(0.645, 0.68))
    knee = max(person.knee + rng.uniform(85, 190), thigh * 0.66)
    hem = rng.uniform(0.85, 1.08) * knee
    wide = breadth / 2 - rng.uniform(0, 4)
    stance, knees = rng.uniform(95, 150), rng.uniform(88, 118)
    legs = []
    for _ in (1, -1):
        foot, bent = rng.normal(0, 16), rng.normal(0, 12)
        apart = rng.uniform(3, 12)
        rows = [
            (level.hem - 40, hem, hem / np.pi * rng.uniform(0.97, 1.06), stance + rng.normal(0, 8), 5 + foot),
            (level.knee, knee, knee / np.pi * 0.98, max(knees, knee / np.pi * 0.5 + 10) + rng.normal(0, 5), bent),
            (level.fork - 140, thigh - 0.34 * (thigh - knee), wide * 0.93, wide / 2 + apart, 2.0),
            (level.fork - 80, thigh - 0.18 * (thigh - knee), wide * 0.965, wide / 2 + apart * 0.45, 0.0),
            (level.fork - 30, thigh - 0.06 * (thigh - knee), wide * 0.985, wide / 2 + apart * 0.1, -1.0),
            (level.fork, thigh, wide, wide / 2, -2.0),
            (level.hip - 15, thigh * 0.95, wide * 0.92, wide / 2 - 7, -1.0),
            (level.hip + 50, thigh * 0.85, wide * 0.82, wide * 0.44, 1.0),
            (level.waist, thigh * 0.8, wide * 0.66, wide * 0.4, 4.0),
            (level.top + 30, thigh * 0.78, wide * 0.64, wide * 0.38, 4.0),
        ]
        table = []
        for _height, girth, across, x, z in rows:
            radius, pinch = solved(girth, across, leg_waves(ANGLES + np.pi / 2))
            table.append((radius, pinch, x, z))
        legs.append(PchipInterpolator([row[0] for row in rows], np.array(table), extrapolate=True))
    return legs[0], legs[1]
