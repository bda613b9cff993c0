"""What a line is drawn with: felt pen, biro, chalk, dashes, running stitches; its width, gaps and colour along the way."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from .camera import Array
from .courses import Tremor, tremor

COLOURS = {
    "red": (0.55, 0.05, 0.05),
    "blue": (0.05, 0.09, 0.45),
    "black": (0.03, 0.03, 0.035),
    "green": (0.04, 0.28, 0.1),
    "brown": (0.25, 0.1, 0.04),
    "violet": (0.22, 0.05, 0.33),
    "orange": (0.72, 0.2, 0.03),
    "grey": (0.16, 0.16, 0.17),
}
KINDS = ("felt", "biro", "chalk", "dash", "stitch", "twice")


@dataclass(frozen=True)
class Ink:
    """A way to draw; lengths in mm, `gaps` is the share of the line that is missing."""

    kind: str
    colour: str
    width: float
    strength: float
    bleed: float
    stroke: float
    gap: float
    gaps: float
    thick: Tremor
    dry: Tremor

    def cover(self, off: Array, along: Array, grain: Array, fine: Array) -> Array:
        """Coverage (0 to 1) at distances from the line's middle; `grain` is noise in 0..1, `fine` the size of a sample in mm."""
        width = self.width * (1 + 0.22 * self.thick(along))
        if self.kind == "stitch":
            number = np.floor(along / (self.stroke + self.gap))
            off = off + 0.45 * np.sin(number * 12.9898) * self.width
        edge = np.maximum(self.bleed, fine)
        cover = np.clip((width / 2 - np.abs(off)) / edge + 0.5, 0, 1)
        if self.kind == "twice":
            second = np.clip((width / 2 - np.abs(off - 0.9 * self.dry(along / 3))) / edge + 0.5, 0, 1)
            cover = np.maximum(cover, 0.8 * second)
        if self.kind == "felt":
            cover = np.maximum(cover, 0.3 * np.exp(-((off / (0.8 * width)) ** 2)))
        if self.kind == "chalk":
            cover = cover * np.clip((grain - 0.35) * 4 + 0.35 * self.dry(along), 0, 1)
        if self.kind in ("dash", "stitch"):
            phase = along % (self.stroke + self.gap)
            ends = np.minimum(phase, self.stroke - phase)
            cover = cover * np.clip(ends / np.maximum(0.4, fine) + 0.5, 0, 1)
        if self.gaps > 0:
            limit = NormalDist().inv_cdf(1 - self.gaps)
            cover = cover * np.clip((limit - self.dry(along)) * 4 + 0.5, 0.0, 1)
        return np.asarray(cover * self.strength * (0.9 + 0.1 * np.clip(self.dry(along), -1, 1)))


def ink_by_chance(rng: np.random.Generator, kind: str | None = None, other_than: str = "") -> Ink:
    """One of the kinds, in a colour that is not `other_than`."""
    kind = kind or str(rng.choice(KINDS, p=[0.34, 0.18, 0.08, 0.12, 0.14, 0.14]))
    colours = [
        name for name in COLOURS if name != other_than and (kind != "chalk" or name in ("blue", "red", "grey", "brown"))
    ]
    width = {
        "felt": (1.8, 3.4),
        "biro": (0.9, 1.5),
        "chalk": (2.8, 5.0),
        "dash": (1.2, 2.6),
        "stitch": (0.9, 1.5),
        "twice": (1.0, 1.8),
    }
    stroke, gap = (
        (rng.uniform(4.5, 8), rng.uniform(3, 5)) if kind == "stitch" else (rng.uniform(8, 16), rng.uniform(3, 7))
    )
    strength = {"chalk": (0.45, 0.8), "felt": (0.65, 1.0), "biro": (0.6, 0.95)}.get(kind, (0.7, 1.0))
    return Ink(
        kind,
        str(rng.choice(colours)),
        rng.uniform(*width[kind]),
        rng.uniform(*strength),
        rng.uniform(0.2, 0.5) if kind != "felt" else rng.uniform(0.4, 0.9),
        stroke,
        gap,
        float(rng.choice([0.0, 0.0, 0.02, 0.06])),
        tremor(rng, 6, 60, 1.0),
        tremor(rng, 9, 80, 1.0),
    )
