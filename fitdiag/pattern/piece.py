"""A pattern piece: a closed outline of named seams in millimetres, and everything that is drawn on the paper.

The outline is the stitching line, clockwise, y up along the grain. Its seams come in the order of their `Part`, each
starting where the one before ends. The grainline is the vertical x = `grain_x`; every alteration leaves it vertical.
Level and balance lines, darts and notches are points on the same paper and move with it (`fitdiag.pattern.alter`).
Which pieces, seams, corners and levels a garment has is data (`Part`, from `rules/GARMENT/garment.yaml`).

    pattern = usual_block(shipped_garment("trousers"))
    back = pattern.pieces["back"]         # or pattern.back
    back.seams["side"]                    # (n, 2) mm, from the waist down; dict(back.seams) runs round the outline
    back.corner("crotch-point")           # a landmark: the point where the seam `curve` begins
    back.lines["hip"], back.levels["hip"] # a level line, inner end first; its height where the grainline crosses it
    back.darts, back.notches, back.joints, back.allowance
    pattern.garment.rule.pairs                 # which seams are sewn to each other
    pattern.sides                         # ("both",), or ("left", "right") when one side differs; pattern.of("left")

Values are immutable: arrays are read-only.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray
from shapely import LinearRing, LineString, Point, Polygon

from fitdiag.knowledge.garment import Height, Level, NotchRule, Shape
from fitdiag.problems import Problem
from fitdiag.units import Units

if TYPE_CHECKING:
    from fitdiag.pattern.garment import Garment

Array = NDArray[np.float64]
Side = Literal["both", "left", "right"]
OFF_SEAM_MM = 10.0  # a notch farther than this from its seam is a mistake
CLOSED_MM = 0.05  # ends closer together than this count as one point
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
    """A dart: the ends of its legs on the seam, `left` and `right`, and the dart point, `tip`, in mm."""

    left: Array
    right: Array
    tip: Array

    @property
    def width(self) -> float:
        """The dart intake: the distance between the legs at the seam, mm."""
        return apart(self.left, self.right)

    @property
    def ends(self) -> Array:
        """Left end, dart point and right end as (3, 2) points."""
        return points(np.array([self.left, self.tip, self.right]))

    @property
    def angle(self) -> float:
        """The angle, radians, by which the right leg turns counter-clockwise about the dart point to close the dart."""
        return turn(self.right - self.tip, self.left - self.tip)

    @staticmethod
    def of(ends: Array) -> Dart:
        """The dart with these `ends`, (3, 2) points."""
        return Dart(ends[0], ends[2], ends[1])

    @staticmethod
    def even(left: Array, right: Array, tip: Array) -> Dart:
        """A dart with its legs equalised, each to the mean length of the two given."""
        legs = [apart(end, tip) for end in (left, right)]
        ends = (tip + (end - tip) * (sum(legs) / 2) / leg for end, leg in zip((left, right), legs, strict=True))
        return Dart(*points(np.array([*ends, tip])))


@dataclass(frozen=True, eq=False)
class Notch:
    """A notch on a seam; notches of the same name on two seams sewn together are matched."""

    name: str
    seam: str
    at: Array


@dataclass(frozen=True, eq=False)
class Joint:
    """A step or kink that an alteration left in a seam, to be trued: between the points `at`, (2, 2), equal for a kink.

    `hidden`: the edge covered by a fold there, (n, 2) points from where it goes under, so that opening the fold
    restores it.
    """

    seam: str
    at: Array
    hidden: Array | None = None
    of: tuple[str, ...] = ()  # the seam of each segment of `hidden`


class Part(Shape):
    """What a garment declares of a piece named `id`: its shape, how many times it is `cut`, its levels and notches.

    `shows`: the wearer's side it is the piece of, laid on the right side of the cloth as drawn.
    `levels`: by name, from the top down. `ends`: for each level drawn as a line, the seams its inner and outer end may
    lie on. `named`: heights above or below a level, or between two.
    """

    cut: int
    fold: str | None = None
    shows: Literal["left", "right"] | None = None
    levels: Mapping[str, Level] = {}
    ends: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {}
    named: Mapping[str, Height] = {}
    notches: tuple[NotchRule, ...] = ()

    @property
    def name(self) -> str:
        return self.id

    def word(self, seam: str) -> str:
        """The trade's name for a seam, like `centre back`."""
        return self.called.get(seam, seam).replace("{piece}", self.name)

    @property
    def top(self) -> str:
        """The first seam: the waist."""
        return self.seams[0]

    @property
    def landmarks(self) -> tuple[str, ...]:
        """The corners clockwise, in the order of the seams that begin at them."""
        begin = {seam: corner for corner, seam in self.corners.items()}
        return tuple(begin[seam] for seam in self.seams)

    def follows(self, seam: str) -> str:
        """The seam after another, clockwise."""
        return self.seams[(self.seams.index(seam) + 1) % len(self.seams)]

    def leads(self, seam: str) -> str:
        """The seam before another, clockwise."""
        return self.seams[self.seams.index(seam) - 1]


@dataclass(frozen=True, eq=False)
class Piece:
    """One piece, in mm. `seams`: (n, 2) points each. `lines`: level and balance lines, (n, 2) points, inner end first.

    `allowance`: seam allowance per seam, outside the outline. `holes`: drill holes.
    `band`: of an estimated piece, the standard deviation of each seam at its start, middle and end.
    """

    part: Part
    seams: Mapping[str, Array]
    darts: tuple[Dart, ...] = ()
    lines: Mapping[str, Array] = field(default_factory=dict)
    notches: tuple[Notch, ...] = ()
    grain_x: float = 0.0
    allowance: Mapping[str, float] = field(default_factory=dict)
    note: str = ""
    joints: tuple[Joint, ...] = ()
    band: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    holes: tuple[Array, ...] = ()

    @property
    def name(self) -> str:
        return self.part.name

    @property
    def outline(self) -> Array:
        """The outline, clockwise from the start of the first seam, as (n, 2) points, the first not repeated."""
        return np.concatenate([self.seams[name][:-1] for name in self.part.seams])

    @property
    def top(self) -> Array:
        """Its first seam, the waist, as (n, 2) points."""
        return self.seams[self.part.top]

    @property
    def grain(self) -> Array:
        """The grainline as drawn, (2, 2) points from a little above the bottom to a little below the waist."""
        low, x, waist = float(self.outline[:, 1].min()), self.grain_x, self.top
        crossed = waist[0, 0] <= x <= waist[-1, 0]
        top = float(np.interp(x, waist[:, 0], waist[:, 1]) if crossed else waist[:, 1].min())
        return points([[x, low + (top - low) * 0.06], [x, top - (top - low) * 0.02]])

    def corner(self, name: str) -> Array:
        """A landmark: the point where its seam begins."""
        return np.asarray(self.seams[self.part.corners[name]][0])

    @property
    def levels(self) -> dict[str, float]:
        """The height of each level where the grainline crosses it, in mm."""
        return {name: height for name in self.part.levels if (height := self.level(name)) is not None}

    def level(self, name: str) -> float | None:
        """The height of one level where the grainline crosses it, in mm; None if the piece does not have it."""
        if name in self.lines:
            line = self.lines[name]
            order = np.argsort(line[:, 0], kind="stable")
            return float(np.interp(self.grain_x, line[order, 0], line[order, 1]))
        rule = self.part.levels.get(name)
        if rule is None or rule.from_end:
            return None
        return float(self.corner(rule.corner)[1] if rule.corner else self.seams[rule.seam or ""][:, 1].mean())

    def with_seams(self, **seams: Array) -> Piece:
        """The piece with some seams replaced; nothing is moved to fit them."""
        return replace(self, seams={**self.seams, **{name: points(seam) for name, seam in seams.items()}})


@dataclass(frozen=True)
class Carried:
    """An alteration carried out on a pattern: its id, amount in mm, title, day (like 2026-11-25) and side."""

    alteration: str
    amount: float
    title: str = ""
    day: str = ""
    side: Side = "both"


@dataclass(frozen=True, eq=False)
class Pattern:
    """The pieces of one garment by name, their origin (`title` and `grade`), the client, and the alterations since.

    `left`: pieces of the left side that differ from the right; all others are cut the same for both sides.
    `units`: those it was drafted in, for messages; None if unknown.
    """

    garment: Garment
    pieces: Mapping[str, Piece]
    left: Mapping[str, Piece] = field(default_factory=dict)
    title: str = ""
    grade: str = ""
    client: str = ""
    carried: tuple[Carried, ...] = ()
    units: Units | None = None

    def __getattr__(self, name: str) -> Piece:
        """A piece by its name, as an attribute; where the sides differ, the right one."""
        if name.startswith("_") or name in ("pieces", "left") or name not in self.pieces:
            raise AttributeError(name)
        return self.pieces[name]

    def with_piece(self, piece: Piece, side: Side = "both") -> Pattern:
        """The pattern with one piece replaced, on both sides or on one."""
        left = {**self.left}
        if side == "left":
            return replace(self, left={**left, piece.name: piece})
        if side == "right":
            left.setdefault(piece.name, self.pieces[piece.name])
        return replace(self, pieces={**self.pieces, piece.name: piece}, left=left)

    def with_each(self, change: Callable[[Piece], Piece]) -> Pattern:
        """The pattern with `change` applied to every piece of both sides."""
        own, left = ({name: change(piece) for name, piece in side.items()} for side in (self.pieces, self.left))
        return replace(self, pieces=own, left=left)

    @property
    def sides(self) -> tuple[Side, ...]:
        """(`both`,), or (`left`, `right`) if they differ."""
        return ("left", "right") if self.left else ("both",)

    def of(self, side: Side) -> Pattern:
        """The pattern as it is on one side."""
        if side == "left" and self.left:
            return replace(self, pieces={**self.pieces, **self.left}, left={})
        return replace(self, left={}) if self.left else self

    def cut(self) -> Iterator[tuple[Piece, Side]]:
        """Every piece to be cut, with its side."""
        for name, piece in self.pieces.items():
            if name in self.left:
                yield self.left[name], "left"
                yield piece, "right"
            else:
                yield piece, "both"


def cut_words(piece: Piece, side: Side) -> str:
    """`cut 2`, `cut 1, left`, or `cut 1 on the fold`; where its sides differ, that is one piece of two halves."""
    if piece.part.fold:
        return f"cut {piece.part.cut} {'on the fold' if side == 'both' else f'with the other half, {side}'}"
    return f"cut {times_cut(piece, side)}{'' if side == 'both' else f', {side}'}"


def times_cut(piece: Piece, side: Side) -> int:
    """How many of a piece are cut for one side, or for both."""
    return piece.part.cut if side == "both" else max(1, piece.part.cut // 2)


def unit(way: Array) -> Array:
    """The unit vector of a direction; the zero vector stays zero."""
    return np.asarray(way / (np.hypot(way[0], way[1]) or 1.0))


def left_of(way: Array) -> Array:
    """A vector, or (n, 2) vectors, turned 90 degrees to the left; for the direction of a seam, that is out of the piece."""
    return np.stack([-way[..., 1], way[..., 0]], axis=-1)


def turn(one: Array, other: Array) -> float:
    """The angle from one direction to another, counter-clockwise, radians."""
    return float(np.arctan2(one[0] * other[1] - one[1] * other[0], one @ other))


def apart(one: Array, other: Array) -> float:
    """The distance between two points, mm."""
    return float(np.hypot(other[0] - one[0], other[1] - one[1]))


def length(line: Array) -> float:
    """Length of a polyline in mm."""
    steps = line[1:] - line[:-1]
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum())


def faults(piece: Piece) -> list[Problem]:
    """All faults of a piece; empty if it is sound."""
    return [Problem(code, f"{piece.name}: {message}", None, hint) for code, message, hint in _faults(piece)]


def _faults(piece: Piece) -> Iterator[tuple[str, str, str]]:
    """Yield code, message and hint of each fault; stop at one that would cause others."""
    names, seams = piece.part.seams, piece.seams
    if bare := [seam for seam in names if len(seams[seam]) < 2 or not np.isfinite(seams[seam]).all()]:
        yield from (("seam", f"the seam '{seam}' needs at least two points with finite numbers", "") for seam in bare)
        return
    if sum(len(seams[seam]) for seam in names) > MOST_POINTS:
        yield "points", f"more than {MOST_POINTS} points", "simplify the outline before it is read"
        return
    gaps = {seam: apart(seams[seam][-1], seams[piece.part.follows(seam)][0]) for seam in names}
    if gaps := {seam: gap for seam, gap in gaps.items() if gap > CLOSED_MM}:
        for seam, gap in gaps.items():
            message = f"'{seam}' ends {gap:.1f} mm from where '{piece.part.follows(seam)}' begins"
            yield "open", message, "the outline must be closed"
        return
    outline = piece.outline
    ring, polygon = LinearRing(outline), Polygon(outline)
    if not ring.is_simple:
        yield "crossing", "the outline crosses itself", "look at the last alteration, or at the file"
        return
    if polygon.area < 100.0:
        yield "empty", "the outline encloses next to nothing", "are the numbers in mm?"
        return
    if ring.is_ccw:
        yield "direction", "the outline runs the wrong way round", f"{', '.join(names)}, clockwise"
    low, high = float(outline[:, 1].min()), float(outline[:, 1].max())
    if not polygon.intersects(Point(piece.grain_x, low + (high - low) * 0.25)):
        yield "grain", "the grainline does not run through the piece", "give grain_x inside the piece"
    for number, dart in enumerate(piece.darts, 1):
        if abs(apart(dart.left, dart.tip) - apart(dart.right, dart.tip)) > 3.0:
            yield "dart", f"the legs of dart {number} are not equally long", "make them equal, or it cannot be closed"
        if polygon.distance(Point(*dart.tip)) >= 1.0:
            yield "dart", f"the point of dart {number} lies outside the piece", ""
    for notch in piece.notches:
        if (away := LineString(seams[notch.seam]).distance(Point(*notch.at))) > OFF_SEAM_MM:
            message = f"the notch '{notch.name}' lies {away:.0f} mm from its seam, '{notch.seam}'"
            yield "notch", message, "put it on the seam, or name the right one"
