"""The garment a rule base is for, as data: its pieces, seams, corners, levels and measures; and the moves of an alteration.

Nothing else in the program names a piece, a seam or a level. A second garment is a second folder with a `garment.yaml`.
"""

import re
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from fitdiag.knowledge.basics import Id, Info, LengthMm, Rule, Text, YesNo, ref, refs

GRAINS = ("grain-left", "grain-right")  # drawn upright on either side
_MM = re.compile(r"\d+(\.\d+)? mm\Z")
_FROM = re.compile(r"(?:(\S+) )?\d+(?:\.\d+)? mm from (\S+)\Z")


def _height(text: str) -> Iterator[tuple[str, str]]:
    if not _MM.match(text):
        yield "height", text


def _place(text: str) -> Iterator[tuple[str, str]]:
    """The names in a place, as `fitdiag.pattern.garment.spot` reads it."""
    edge, at, height = text.partition(" at ")
    if (found := _FROM.match(text)) is not None:
        yield from (("seam", found[1]), ("corner", found[2])) if found[1] else (("corner", found[2]),)
    elif at:
        yield "seam or edge", edge
        yield from _height(height)
    else:
        yield "corner", text


MeasureName = Text
SeamId = Annotated[Id, ref("seam")]
CornerId = Annotated[Id, ref("corner")]
PieceId = Annotated[Id, ref("piece")]
LevelId = Annotated[Id, ref("level")]
LineId = Annotated[Id, ref("level line")]
MeasureRef = Annotated[Text, ref("measure")]
Operation = Literal[
    "open-wedge", "close-wedge", "spread-level", "overlap-level", "slide-section", "scoop-curve", "fill-curve",
    "add-extension", "take-extension", "move-seam", "taper-seam", "change-dart", "swing-leg", "raise-waist",
    "lower-waist", "shift-front-and-back", "none",
]  # fmt: skip
Do = Literal[
    "wedge", "spread", "stretch", "widen", "slide", "slit", "edge", "tip", "corner", "bend", "straight", "slip", "shift", "swing", "darts",
    "grain", "notches", "line", "keep", "none",
]  # fmt: skip
STANDS = re.compile(r"^([a-z-]+) (above|left of) ([a-z-]+)(?: by (0?\.\d+))?$")
NEEDS: Mapping[Do, tuple[str, ...]] = {
    "wedge": ("cut",), "spread": ("cut",), "stretch": ("at", "cut"), "slide": ("cut", "seam"), "slit": ("at", "seam"),
    "edge": ("at", "seams"), "tip": ("end", "seam"), "corner": ("end", "taper"), "bend": ("seam",), "straight": ("seam",),
    "slip": ("seam",), "shift": ("seam",), "swing": ("at",), "notches": ("seams",), "line": ("line",), "keep": ("end", "seam", "taper"),
}  # fmt: skip  # keys a kind of move must have; one not listed needs none


class Move(Rule):
    """One operation on the paper of one or more pieces, by `by` times the amount of the alteration.

    Places are named like `outer at above-hip` (where an edge or seam crosses a height), `side-waist` (a corner) or
    `inseam 200 mm from crotch-point`; heights are those of `garment.yaml`, levels and corners.

    - `wedge`: cut from the first place to the second, which is the hinge; the part with the waist turns (`keeps`: the corner
      of the part that stays). Positive opens.
    - `spread`: cut from place to place, the parts move apart along the grain. `stretch`: the same,
      the edges redrawn in one run between the heights of `at`. `widen`: the same along the grainline, which
      lies in the middle of the strip afterwards.
    - `slide`: the part with `seam` moves along the cut towards its second place.
    - `slit`: an upright cut through the largest dart of `seam`, opened to nothing at the lowest height of `at`.
    - `edge`: seams move outward, square to the grain, by a share of the amount at each height; `line`: how it is drawn.
    - `tip`: one end of a seam moves along the seam it meets (`way: up`: straight up), tapering to nothing at its other end; for
      `square` mm it keeps its direction and is squared by trueing. `until`: as far as that corner has come down, or that
      seam got shorter, by the moves before.
    - `corner`: a corner moves outward, `up`, or along the seam named by `way`, the seams of `taper` to nothing over that length.
    - `bend`: a curve moves towards its corner, most half way round. `straight`: a seam is drawn straight.
      `slip`: a seam moves along the seams it meets.
    - `shift`: a straight end like the hem moves along the lines it meets.
    - `swing`: all below a height moves inward, to the share of the amount at each height; then the grain is set upright.
    - `darts`: wider in all, longer each. `grain`: the drawn grainline moves outward. `notches` move up along their seams.
      `line`: a level line moves up. `keep`: a corner moves as the straight of `seam`, carried on, has moved there.
    """

    do: Do
    on: tuple[PieceId, ...] = ()
    by: float = Field(default=1.0, ge=-4, le=4)
    cut: tuple[Annotated[Text, refs(_place)], Annotated[Text, refs(_place)]] | None = None
    keeps: SeamId | None = None
    seam: SeamId | None = None
    seams: tuple[SeamId, ...] = ()
    end: CornerId | None = None
    at: Mapping[Annotated[Id, ref("height")], float] = Field(default_factory=dict)
    line: LineId | None = None
    drawn: Literal["curve", "straight"] = "curve"
    way: Annotated[Id, ref("seam (or 'up')")] | None = None
    square_mm: LengthMm | None = Field(default=None, alias="square")
    taper: Mapping[SeamId, Annotated[Text, refs(lambda text: () if text == "all" else _height(text))]] = Field(
        default_factory=dict
    )
    until: Annotated[Id, ref("corner or seam")] | None = None
    wider: float = 0.0
    longer: float = 0.0
    over_mm: LengthMm | None = Field(default=None, alias="over")
    up_to_mm: LengthMm | None = Field(default=None, alias="up_to")

    @model_validator(mode="after")
    def _says_enough(self, info: Info) -> Self:
        on_pieces = ("on",) if info.context is not None and self.do != "none" else ()
        if missing := [name for name in (*on_pieces, *NEEDS.get(self.do, ())) if not getattr(self, name)]:
            raise ValueError(f"the move '{self.do}' must say {' and '.join(missing)}")
        return self


def _corners(text: str) -> Iterator[tuple[str, str]]:
    yield from (("corner", name) for name in re.split(r" above | left of | by ", text)[:2])


class Shape(Rule):
    """The outline of a kind of piece: seams clockwise (y up, centre on the left), and the corner where each begins.

    `inner`, `outer`: seams that make one edge from the bottom up; `stays`: the seam on the part that stays when a piece is cut.
    `smooth`: corners where the outline runs on without a bend. `called`: what the trade calls a seam, `{piece}` for the piece.
    `stands`: how the corners of an upright piece lie, like `crotch-point above side-hem by 0.1` (of the height) or
    `centre-waist left of side-waist`; `hollow`: of each two seams the first is the more bent one. By these the corners of a bare
    outline are recognised.
    """

    id: Id
    seams: tuple[Id, ...] = Field(min_length=3)
    corners: Mapping[Id, SeamId]
    inner: tuple[SeamId, ...]
    outer: tuple[SeamId, ...]
    stays: SeamId
    smooth: tuple[CornerId, ...] = ()
    called: Mapping[SeamId, Text] = Field(default_factory=dict)
    stands: tuple[Annotated[str, StringConstraints(pattern=STANDS.pattern), refs(_corners)], ...] = ()
    hollow: tuple[tuple[SeamId, SeamId], ...] = ()

    @model_validator(mode="after")
    def _every_seam_begins(self) -> Self:
        if missing := sorted({*self.seams} - {*self.corners.values()}):
            raise ValueError(f"no corner begins the seam '{missing[0]}'")
        return self


class NotchRule(Rule):
    """A notch: on which seam, and at which height, or how far along from a corner."""

    id: Id
    on: tuple[PieceId, ...] = ()
    seam: SeamId
    at: Annotated[Text, refs(lambda text: _place(text) if _FROM.match(text) else _height(text))]


class PieceRule(Rule):
    """A piece: its shape and how many times it is cut (2: mirrored; 1: on the fold along the seam `fold`, if it names one)."""

    id: Id
    shape: Annotated[Id, ref("shape")]
    cut: int = Field(default=2, ge=1, le=8)
    fold: SeamId | None = None


class Guess(Rule):
    """Where to put a level line that a drawing does not show: at a corner, or between two levels.

    `share` of the way from the lower to the upper one and `up` more, but at most the share `most`.
    """

    corner: CornerId | None = None
    between: tuple[LevelId, LevelId] | None = None
    share: float = 0.5
    up_mm: LengthMm = Field(default=0.0, alias="up")
    most: float = 1.0


class Level(Rule):
    """A level, from the top down: the line of that name drawn on each piece, or the height of a corner or seam."""

    id: Id
    corner: CornerId | None = None
    seam: SeamId | None = None
    from_end: tuple[SeamId, ...] = Field(default=(), alias="from")
    to_end: tuple[SeamId, ...] = Field(default=(), alias="to")
    guess: Guess | None = None


class Height(Rule):
    """A height above or below a level, or between two."""

    id: Id
    level: Annotated[Id, ref("level or corner")] | None = None
    up_mm: LengthMm | None = Field(default=None, alias="up")
    down_mm: LengthMm | None = Field(default=None, alias="down")
    between: tuple[Annotated[Id, ref("level or height")], Annotated[Id, ref("level or height")]] | None = None
    share: float = 0.5
    source: Annotated[Text, ref("source")]


class Pair(Rule):
    """Two seams sewn together, each from the end that is matched first. `ease_mm`: how much may be eased in."""

    id: Text
    one: tuple[PieceId, SeamId]
    other: tuple[PieceId, SeamId]
    from_end: Annotated[Literal["start", "end"], Field(alias="from")] = "start"
    ease_mm: LengthMm = Field(default=2.0, alias="ease")


class Meeting(Rule):
    """Corners that meet when sewn, and the sum their angles should have."""

    id: Text
    corners: Mapping[PieceId, CornerId]
    degrees: float
    within: float
    source: Annotated[Text, ref("source")]


class MeasureRule(Rule):
    """A measure of one piece (of those in `of`, or all), or of several: `sum`, `less` and `girth` of measures named before.

    `below_0`: what it is called where it points the other way.
    """

    id: MeasureName
    of: tuple[PieceId, ...] = ()
    length: tuple[SeamId, ...] = ()
    line: LineId | None = None
    width: CornerId | None = None
    below_mm: LengthMm | None = Field(default=None, alias="below")
    drop: tuple[CornerId, CornerId] | None = None
    across: tuple[CornerId, CornerId] | None = None
    to_grain: Annotated[Id, ref("seam or level")] | None = None
    less_darts: YesNo = False
    with_allowance: SeamId | None = None
    sum: tuple[MeasureRef, ...] = ()
    less: tuple[MeasureRef, MeasureRef] | None = None
    girth: Annotated[Text, ref("measure of a piece")] | None = None
    times: int = 1
    below_0: Text | None = None


class Proportion(Rule):
    """What a draft gives a measure of the pattern for a body: a `share` of a body measure, or a value for how much one exceeds another.

    `values`: body measure less `less`, and what the draft gives there, both in mm; between two of them in proportion.
    """

    measure: MeasureRef
    draft: Text
    body: Id
    less: Id | None = None
    share: float | None = Field(default=None, gt=0, lt=2)
    values: tuple[tuple[float, float], ...] = ()
    source: Annotated[Text, ref("source")]

    def gives(self, body: Mapping[str, float]) -> float | None:
        """What the draft gives this body, in mm; None if its measures are unknown."""
        own, other = body.get(self.body), body.get(self.less) if self.less else 0.0
        if own is None or other is None:
            return None
        if self.share is not None:
            return own * self.share
        at, points = own - other, self.values
        for (low, first), (high, last) in pairwise(points):
            if at <= high:
                return first + (last - first) * max(at - low, 0.0) / (high - low)
        return points[-1][1] if points else None


class Watch(Rule):
    """A measure of the pattern that a plan is warned about if a step makes it worse, and the message (`told`).

    It is worse when it falls under `at_least` (`body`: only with that body note), under the body's own measure (`of_body`) or under
    a share of what the block has (`of_block`), or when it lies more than `apart` from nothing. In `told`, `{now}` stands for the
    measure, `{wanted}` for what it is compared with and `{short}` for what is missing.
    """

    measure: MeasureRef
    at_least_mm: LengthMm | None = Field(default=None, alias="at_least")
    apart_mm: LengthMm | None = Field(default=None, alias="apart")
    of_body: Id | None = None
    of_block: float | None = Field(default=None, gt=0, le=1)
    body: Annotated[Id, ref("body note")] | None = None
    told: Text
    source: Annotated[Text, ref("source")]


class Followed(Rule):
    """The measure that best shows what earlier rounds did: `nearer` says what less of it means, `moved` by how much (`{amount}`)."""

    measure: MeasureRef
    nearer: Text
    moved: Text


class Chart(Rule):
    """One measure over the rounds of a case: its sources (signs or measures, the first found counts), each with its direction, 1 or -1."""

    title: Text
    of: Mapping[Text, Literal[1, -1]]
    note: str = ""


class Garment(Rule):
    title: Text
    spelled: Mapping[Id, Id] = Field(default_factory=dict)  # other spellings of its names, in drawings from elsewhere
    shapes: tuple[Shape, ...] = Field(min_length=1)
    pieces: tuple[PieceRule, ...] = Field(min_length=1)
    levels: tuple[Level, ...]
    heights: tuple[Height, ...] = ()
    notches: tuple[NotchRule, ...] = ()
    pairs: tuple[Pair, ...] = ()
    meetings: tuple[Meeting, ...] = ()
    measures: tuple[MeasureRule, ...]
    proportions: tuple[Proportion, ...] = ()
    watches: tuple[Watch, ...] = ()
    followed: Followed | None = None
    charts: tuple[Chart, ...] = ()

    def measure_names(self) -> list[str]:
        """Every measure of the garment, as it is printed: `back hip`, `hip girth`."""
        names = []
        for rule in self.measures:
            if rule.sum or rule.less or rule.girth:
                names.append(rule.id)
            else:
                names += [f"{piece.id} {rule.id}" for piece in self.pieces if not rule.of or piece.id in rule.of]
        return names

    def part_names(self, on: tuple[str, ...] = ()) -> dict[str, list[str]]:
        """Part names by kind; with pieces `on`, only the seams and corners that all their shapes have."""
        named = [shape for shape in self.shapes if any(one.shape == shape.id and one.id in on for one in self.pieces)]
        shapes = named or self.shapes
        joined = set.intersection if named else set.union
        seam = sorted(joined(*(set(shape.seams) for shape in shapes)))
        corner = sorted(joined(*(set(shape.corners) for shape in shapes)))
        level, height = [level.id for level in self.levels], [height.id for height in self.heights]
        line = [level.id for level in self.levels if level.from_end]
        return {
            "seam": seam, "corner": corner, "level": level, "level line": line, "height": ["grain", *level, *height, *corner],
            "line": [*level, *GRAINS], "piece": [piece.id for piece in self.pieces], "shape": [shape.id for shape in self.shapes],
            "seam or edge": ["inner", "outer", *seam], "seam (or 'up')": ["up", *seam], "corner or seam": [*corner, *seam],
            "seam or level": [*seam, *line], "level or corner": [*level, *corner], "level or height": [*level, *height],
            "measure": self.measure_names(), "measure of a piece": [rule.id for rule in self.measures],
        }  # fmt: skip
