"""A trouser piece as a closed outline of named seams, in millimetres, y up along the grain, the centre seam on the left.

The outline is the stitching line, run clockwise from the waist end of the centre seam: waist, side, hem, inseam, curve,
centre. Neighbouring seams share their end point. The grainline is the vertical x = `grain_x`; every alteration brings the
piece back to that, with the grain of the leg as the one that counts. Values are immutable: arrays are read-only.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fitdiag.problems import Problem

Array = NDArray[np.float64]
Side = Literal["front", "back"]
SEAMS = ("waist", "side", "hem", "inseam", "curve", "centre")
LEVELS = ("waist", "hip", "crotch", "knee", "hem")
CLOSED_MM = 0.05  # ends that lie closer than this are the same point
MOST_POINTS = 20_000


def points(values: Iterable[Iterable[float]] | Array) -> Array:
    """A read-only (n, 2) array of points in mm."""
    array = np.array(
        values if isinstance(values, np.ndarray) else [list(pair) for pair in values], dtype=np.float64
    ).reshape(-1, 2)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, eq=False)
class Dart:
    """A dart from the waist: its two ends on the waist seam and its point, in mm."""

    left: Array
    right: Array
    tip: Array

    @property
    def width(self) -> float:
        """What it takes from the waist, mm."""
        return float(np.hypot(*(self.right - self.left)))


@dataclass(frozen=True, eq=False)
class Piece:
    """One piece, front or back.

    `seams`: a (n, 2) array per name of SEAMS. `levels`: y of the levels as drafted, in mm. `lines`: balance lines drawn on
    the cloth, each a (2, 2) array, centre end first. `allowance`: seam allowance in mm per seam, outside the outline.
    """

    side: Side
    seams: Mapping[str, Array]
    darts: tuple[Dart, ...] = ()
    levels: Mapping[str, float] = field(default_factory=dict)
    lines: Mapping[str, Array] = field(default_factory=dict)
    grain_x: float = 0.0
    allowance: Mapping[str, float] = field(default_factory=dict)
    note: str = ""

    @property
    def outline(self) -> Array:
        """The closed outline as (n, 2) points, each once, clockwise from the waist end of the centre seam."""
        return np.concatenate([self.seams[name][:-1] for name in SEAMS])

    def corner(self, name: str) -> Array:
        """A landmark: centre-waist, side-waist, side-hem, inside-hem, crotch-point, curve-start."""
        seam, index = CORNERS[name]
        point: Array = self.seams[seam][index]
        return point

    def with_seams(self, **seams: Array) -> Piece:
        """The same piece with some seams exchanged; ends are not moved here."""
        return replace(self, seams={**self.seams, **{name: points(seam) for name, seam in seams.items()}})


CORNERS: Mapping[str, tuple[str, int]] = {
    "centre-waist": ("waist", 0),
    "side-waist": ("side", 0),
    "side-hem": ("hem", 0),
    "inside-hem": ("inseam", 0),
    "crotch-point": ("curve", 0),
    "curve-start": ("centre", 0),
}


@dataclass(frozen=True)
class Carried:
    """An alteration that was carried out on a pattern: its id and title, by how much in mm, and the day (2026-11-25)."""

    alteration: str
    amount: float
    title: str = ""
    day: str = ""


@dataclass(frozen=True, eq=False)
class Pattern:
    """Front and back of one pair of trousers, where they come from, for whom they are, and what was altered since."""

    front: Piece
    back: Piece
    title: str = ""
    grade: str = ""
    client: str = ""
    carried: tuple[Carried, ...] = ()

    def piece(self, side: Side) -> Piece:
        return self.front if side == "front" else self.back

    def with_piece(self, piece: Piece) -> Pattern:
        """The same pattern with one piece exchanged."""
        return replace(self, front=piece) if piece.side == "front" else replace(self, back=piece)


def length(line: Array) -> float:
    """Length of a polyline in mm."""
    steps = np.diff(line, axis=0)
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum())


def area(outline: Array) -> float:
    """Area inside a closed outline in mm² (shoelace formula), positive either way round."""
    x, y = outline[:, 0], outline[:, 1]
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2.0)


def faults(piece: Piece) -> list[Problem]:
    """Everything that keeps a piece from being one, each in a clear message; empty when it is sound."""
    name = piece.side
    missing = [seam for seam in SEAMS if seam not in piece.seams]
    if missing:
        return [
            Problem(
                "seams", f"{name}: the seams {', '.join(missing)} are missing", None, f"a piece has {', '.join(SEAMS)}"
            )
        ]
    problems: list[Problem] = []
    for seam in SEAMS:
        line = piece.seams[seam]
        if len(line) < 2 or not np.isfinite(line).all():
            problems.append(Problem("seam", f"{name}: the seam '{seam}' needs at least two points with finite numbers"))
    if problems:
        return problems
    if sum(len(piece.seams[seam]) for seam in SEAMS) > MOST_POINTS:
        return [
            Problem("points", f"{name}: more than {MOST_POINTS} points", None, "simplify the outline before it is read")
        ]
    for seam, follows in zip(SEAMS, (*SEAMS[1:], SEAMS[0]), strict=True):
        gap = float(np.hypot(*(piece.seams[seam][-1] - piece.seams[follows][0])))
        if gap > CLOSED_MM:
            problems.append(
                Problem(
                    "open",
                    f"{name}: '{seam}' ends {gap:.1f} mm from where '{follows}' begins",
                    None,
                    "the outline must be closed",
                )
            )
    if not problems:
        problems += _shape(piece)
    return problems


def _shape(piece: Piece) -> list[Problem]:
    from shapely import LinearRing, Point, Polygon  # noqa: PLC0415 (takes longer to load than all else here)

    name, outline = piece.side, piece.outline
    problems: list[Problem] = []
    ring = LinearRing(outline)
    if not ring.is_simple:
        problems.append(
            Problem(
                "crossing", f"{name}: the outline crosses itself", None, "look at the last alteration, or at the file"
            )
        )
        return problems
    polygon = Polygon(outline)
    if polygon.area < 100.0:
        problems.append(
            Problem("empty", f"{name}: the outline encloses next to nothing", None, "are the numbers in mm?")
        )
        return problems
    if ring.is_ccw:
        problems.append(
            Problem(
                "direction",
                f"{name}: the outline runs the wrong way round",
                None,
                "waist, side, hem, inseam, curve, centre; side on the right",
            )
        )
    low, high = float(outline[:, 1].min()), float(outline[:, 1].max())
    if not polygon.intersects(Point(piece.grain_x, low + (high - low) * 0.25)):
        problems.append(
            Problem(
                "grain", f"{name}: the grainline does not run through the leg", None, "give grain_x inside the piece"
            )
        )
    for number, dart in enumerate(piece.darts, 1):
        legs = [float(np.hypot(*(end - dart.tip))) for end in (dart.left, dart.right)]
        if abs(legs[0] - legs[1]) > 3.0:
            problems.append(
                Problem(
                    "dart",
                    f"{name}: the legs of dart {number} are not equally long",
                    None,
                    "make them equal, or it cannot be closed",
                )
            )
        if not polygon.buffer(1.0).contains(Point(*dart.tip)):
            problems.append(Problem("dart", f"{name}: the point of dart {number} lies outside the piece"))
    return problems
