"""How the muslin looks: woven cloth in light, seams, darts, a fly, written letters, and the drawn lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .camera import Array
from .cloth import Cloth, Half
from .courses import Drawing, Grain, LegLine, RoundLine
from .ink import COLOURS, Ink

PLACES = np.linspace(-1, 1, 1601)
LETTERS = {  # strokes of capitals in a box of 1 x 1.4; they tell a mirror picture
    "B": [
        *((0, 0, 0, 1.4), (0, 1.4, 0.7, 1.2), (0.7, 1.2, 0.7, 0.85), (0.7, 0.85, 0, 0.7)),
        *((0, 0.7, 0.85, 0.5), (0.85, 0.5, 0.85, 0.15), (0.85, 0.15, 0, 0)),
    ],
    "F": [(0, 0, 0, 1.4), (0, 1.4, 0.85, 1.4), (0, 0.75, 0.65, 0.75)],
    "L": [(0, 1.4, 0, 0), (0, 0, 0.8, 0)],
    "R": [(0, 0, 0, 1.4), (0, 1.4, 0.75, 1.25), (0.75, 1.25, 0.75, 0.85), (0.75, 0.85, 0, 0.7), (0.25, 0.7, 0.85, 0)],
}  # fmt: skip


@dataclass(frozen=True)
class Look:
    """Colours and details by chance; lengths in mm."""

    cloth: tuple[float, float, float]
    weave: float
    ink: Ink
    grain_ink: Ink
    seam: float
    darts: bool
    letters: bool
    fly: bool
    ghost: float
    stripes: float
    seed: int


@dataclass(frozen=True)
class Spots:
    """Samples of one half: section heights, places t, lengths across, normals in the world, towards the lens, size of a sample in mm."""

    height: Array
    t: Array
    across: Array
    normal: Array
    facing: Array
    fine: float


def speckle(a: Array, b: Array, seed: int) -> Array:
    """Noise in 0..1 that hangs on the cloth, one value for each small cell."""
    mixed = np.sin(np.floor(a) * 127.1 + np.floor(b) * 311.7 + seed * 0.618) * 43758.5453
    return np.asarray(mixed - np.floor(mixed))


def colour_cloth(cloth: Cloth, half: Half, drawing: Drawing, look: Look, spots: Spots) -> Array:
    """The cloth's reflectance (n, 3) at the samples of one half, all drawn on it."""
    threads = 0.5 * np.sin(spots.across * (2 * np.pi / 1.1)) + 0.5 * np.sin(spots.height * (2 * np.pi / 1.0))
    slub = (
        speckle(spots.across / 6, spots.height / 1.2, look.seed)
        + speckle(spots.across / 1.3, spots.height / 7, look.seed + 1)
        - 1
    )
    tone = 1 + look.weave * (0.4 * threads / max(1.0, 2.5 * spots.fine) + slub)
    if look.stripes:
        tone = tone * (1 - 0.08 * (np.abs((spots.across / look.stripes) % 1 - 0.5) < 0.12))
    colour = np.array(look.cloth) * tone[:, None]
    colour = colour * (1 - _seams(cloth, half, look, spots))[:, None]
    for name in drawing.names:
        part = drawing.part(name, half.side)
        if part is not None:
            _draw_round(colour, cloth, half, part, look, spots)
    for grain in drawing.grains:
        if grain.side == half.side:
            _draw_grain(colour, cloth, half, grain, look.grain_ink, spots)
    if look.letters:
        _draw_letters(colour, cloth, half, look, spots)
    return colour


def _lay(colour: Array, where: Array, cover: Array, ink: Ink) -> None:
    """Ink over cloth: what shows through is the cloth's."""
    colour[where] = colour[where] * (1 - cover[:, None]) + np.array(COLOURS[ink.colour]) * cover[:, None]


def _draw_round(colour: Array, cloth: Cloth, half: Half, part: RoundLine | LegLine, look: Look, spots: Spots) -> None:
    course = part.course(cloth, half.side, PLACES)
    across = half.at(course, PLACES, half.across)
    steep = np.gradient(course) / np.where(np.abs(np.gradient(across)) < 1e-6, 1e-6, np.gradient(across))
    where = np.flatnonzero((spots.height > course.min() - 30) & (spots.height < course.max() + 30))
    if look.ghost:
        _ghost(colour, where, part.height, look, spots)
    t = spots.t[where]
    off = (spots.height[where] - np.interp(t, PLACES, course)) / np.sqrt(1 + np.interp(t, PLACES, steep) ** 2)
    off = off / np.sqrt(np.maximum(1 - spots.normal[where, 1] ** 2, 0.2))
    along = np.interp(t, PLACES, across) * half.side + 2000
    near = np.abs(off) < 4 * look.ink.width
    where, off, along = where[near], off[near], along[near]
    noise = speckle(along / 0.7, spots.height[where] / 0.7, look.seed)
    _lay(colour, where, look.ink.cover(off, along, noise, np.full(len(where), spots.fine)), look.ink)


def _ghost(colour: Array, where: Array, height: float, look: Look, spots: Spots) -> None:
    """An earlier line, rubbed out: faint, level, 14 mm lower."""
    off = spots.height[where] - height + 14
    cover = (
        look.ghost * np.exp(-((off / 1.2) ** 2)) * speckle(spots.across[where] / 2, spots.height[where] / 2, look.seed)
    )
    colour[where] *= (1 - cover)[:, None]


def _draw_grain(colour: Array, cloth: Cloth, half: Half, grain: Grain, ink: Ink, spots: Spots) -> None:
    heights = np.arange(grain.low, grain.top, 2.0)
    across = half.at(heights, grain.course(cloth, heights), half.across)
    off = spots.across - np.interp(spots.height, heights, across)
    where = np.flatnonzero((np.abs(off) < 4 * ink.width) & (spots.height > grain.low) & (spots.height < grain.top))
    along = spots.height[where] + 2000 + 500 * grain.back
    noise = speckle(off[where] / 0.7, along / 0.7, 5)
    fine = spots.fine / np.maximum(spots.facing[where], 0.2)
    _lay(colour, where, ink.cover(off[where], along, noise, fine), ink)


def _seams(cloth: Cloth, half: Half, look: Look, spots: Spots) -> Array:
    """How much darker seams, darts and the fly's stitching make the cloth."""
    dark = np.zeros(len(spots.height))

    def line(off: Array, width: float, depth: float, valid: Array | bool = True, stitched: float = 0.0) -> None:
        near = np.exp(-((off / width) ** 2)) * depth * valid
        if stitched:
            near = near * (0.65 + 0.35 * np.sign(np.sin(spots.height * (2 * np.pi / stitched))))
        np.maximum(dark, near, out=dark)

    to_back = half.half_girth(spots.height, True) - spots.across
    to_front = half.half_girth(spots.height, False) + spots.across
    sewn = spots.height > cloth.fork
    for off in (to_back, to_front):
        line(off, 0.9, look.seam, True)
        line(off - 6, 2.2, 0.12 * look.seam, True)
    line(spots.across, 0.8, look.seam * 0.9)
    level = cloth.form.levels
    if look.darts:
        reach = np.clip((level.waist - spots.height) / 120, 0, 1)
        for centre in (to_back, to_front):
            line(centre - 78 - 6 * reach, 0.7, look.seam * 0.8, (reach > 0) & (reach < 1))
    if look.fly and half.side > 0:
        deep = np.clip((spots.height - level.hip + 35) / 45, 0, 1)
        line(to_front - 36 * np.sqrt(deep), 0.6, look.seam * 0.7, sewn & (spots.t < 0) & (deep > 0), stitched=3.2)
    band = spots.height - (level.waist + 4)
    line(band, 0.6, look.seam * 0.5)
    return dark


def _draw_letters(colour: Array, cloth: Cloth, half: Half, look: Look, spots: Spots) -> None:
    """BACK and FRONT are told by a capital, the side by L or R, written at mid thigh with the pen of the grainlines."""
    size = 22.0
    base = cloth.form.levels.knee + 0.45 * (cloth.form.levels.fork - cloth.form.levels.knee)
    for back in (True, False):
        start = (1 if back else -1) * float(half.half_girth(np.array(base), back)) * 0.28
        for index, letter in enumerate(("B" if back else "F", "L" if half.side > 0 else "R")):
            u = (spots.across - start) * half.side / size - 1.4 * index
            v = (spots.height - base) / size
            where = np.flatnonzero((u > -0.2) & (u < 1.2) & (v > -0.2) & (v < 1.6))
            if not len(where):
                continue
            off = np.min([_to_stroke(u[where], v[where], stroke) for stroke in LETTERS[letter]], axis=0) * size
            cover = np.clip((1.1 - off) / max(0.5, spots.fine) + 0.5, 0, 1) * 0.75
            _lay(colour, where, cover, look.grain_ink)


def _to_stroke(u: Array, v: Array, stroke: tuple[float, ...]) -> Array:
    a, b, c, d = stroke
    share = np.clip(((u - a) * (c - a) + (v - b) * (d - b)) / max((c - a) ** 2 + (d - b) ** 2, 1e-9), 0, 1)
    return np.hypot(u - a - share * (c - a), v - b - share * (d - b))
