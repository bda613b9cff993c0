"""The format of `garment.yaml`: a garment's pieces, seams, corners, levels and measures; and of an alteration's moves.

The program itself names no piece, seam or level. Another garment is another folder with a `garment.yaml`.
"""

import re
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from fitdiag.knowledge.basics import Id, Info, LengthMm, Rule, Text, YesNo, ref, refs

GRAINS = ("grain-left", "grain-right")  # vertical lines drawn on either side
_MM = re.compile(r"\d+(\.\d+)? mm\Z")
_FROM = re.compile(r"(?:(\S+) )?\d+(?:\.\d+)? mm from (\S+)\Z")


def _height(text: str) -> Iterator[tuple[str, str]]:
    if not _MM.match(text):
        yield "height", text


def _place(text: str) -> Iterator[tuple[str, str]]:
    """The names in a place, each with its kind; places are written as `fitdiag.pattern.garment.spot` reads them."""
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
    """One operation on the paper of the pieces `on`, by `by` times the amount of the alteration.

    A place is a corner (`side-waist`), where a seam or edge crosses a height (`outer at above-hip`), or a distance
    along a seam (`inseam 200 mm from crotch-point`). A height is a level, a corner, or one of the `heights` in
    `garment.yaml`. `at` gives the share of the amount at each height. Positive amounts open, lengthen, or move outward,
    unless it says otherwise.

    - `wedge`: cut from the first place to the second, the hinge, and turn the part with the waist (or without `keeps`).
    - `spread`: cut through and move the parts apart along the grain. `stretch`: the same, the edges stretched evenly
      between the heights of `at`. `widen`: cut along the grainline, move the parts apart, and put it in the middle.
    - `slide`: the part with `seam` slides along the cut towards its second place.
    - `slit`: open a vertical cut through the widest dart of `seam`, to nothing at the lowest height of `at`.
    - `edge`: move `seams` outward as `at` says, square to the grain or along the seam named by `way`; `drawn`: how they
      run between the heights.
    - `tip`: move one `end` of a seam along the seam it meets (`way: up`: straight up), to nothing at its other end. For
      the length `square` it keeps its direction, to be squared by trueing. `until`: by as much as the moves before it
      lowered that corner or shortened that seam.
    - `corner`: move a corner outward, `up`, or along the seam named by `way`, each seam of `taper` over that length.
    - `bend`: move a curve towards the corner of the lines it joins, most half way round. `straight`: draw a seam
      straight. `slip`: slide a curve along the seams it meets, positive down. `shift`: move a straight end, like the
      hem, along them.
    - `swing`: move everything below a height inward as `at` says, then turn the piece until its grain is vertical.
    - `darts`: make them `wider` (in all) and `longer` (each), by shares of the amount. `grain`: move the drawn
      grainline outward. `notches`: move them up along their seams. `line`: move a level line up.
    - `keep`: move a corner as far as the straight extension of `seam` moved there, so that widths taken from it stay.

    `over`, `up_to`: make the move only for amounts above, and up to, these.
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
    """The outline of a kind of piece: its seams clockwise (y up, centre on the left), and the corner where each begins.

    `inner`, `outer`: the seams of each edge. `stays`: the seam on the part that stays when a piece is cut. `smooth`:
    corners where one seam runs into the next without a bend. `called`: the trade's name for a seam, with `{piece}` for
    the piece. The corners of a bare outline are recognised by `stands`, how those of an upright piece lie, like
    `crotch-point above side-hem by 0.1` (of the height) or `centre-waist left of side-waist`, and `hollow`, pairs of
    seams of which the first bends more.
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
    """A notch: its seam, and its height or its distance along the seam from a corner."""

    id: Id
    on: tuple[PieceId, ...] = ()
    seam: SeamId
    at: Annotated[Text, refs(lambda text: _place(text) if _FROM.match(text) else _height(text))]


class PieceRule(Rule):
    """A piece: its shape and how many times it is cut (2: a pair; 1: on the fold, if `fold` names that seam).

    `shows`: the wearer's side it is the piece of, laid on the right side of the cloth as drawn.
    """

    id: Id
    shape: Annotated[Id, ref("shape")]
    cut: int = Field(default=2, ge=1, le=8)
    fold: SeamId | None = None
    shows: Literal["left", "right"] | None = None


class Guess(Rule):
    """Where to put a level line that a drawing does not show: at a corner, or between two levels.

    Between them: at `share` of the way from the lower to the upper, plus `up`, but no higher than the share `most`.
    """

    corner: CornerId | None = None
    between: tuple[LevelId, LevelId] | None = None
    share: float = 0.5
    up_mm: LengthMm = Field(default=0.0, alias="up")
    most: float = 1.0


class Level(Rule):
    """A level: a line drawn on each piece, its ends on the seams `from` and `to`, or the height of a corner or seam."""

    id: Id
    corner: CornerId | None = None
    seam: SeamId | None = None
    from_end: tuple[SeamId, ...] = Field(default=(), alias="from")
    to_end: tuple[SeamId, ...] = Field(default=(), alias="to")
    guess: Guess | None = None


class Height(Rule):
    """A named height: above or below a level or corner, or at a `share` of the way between two."""

    id: Id
    level: Annotated[Id, ref("level or corner")] | None = None
    up_mm: LengthMm | None = Field(default=None, alias="up")
    down_mm: LengthMm | None = Field(default=None, alias="down")
    between: tuple[Annotated[Id, ref("level or height")], Annotated[Id, ref("level or height")]] | None = None
    share: float = 0.5
    source: Annotated[Text, ref("source")]


class Pair(Rule):
    """Two seams sewn together, matched from their `from` end. `ease`: how much may be eased in."""

    id: Text
    one: tuple[PieceId, SeamId]
    other: tuple[PieceId, SeamId]
    from_end: Annotated[Literal["start", "end"], Field(alias="from")] = "start"
    ease_mm: LengthMm = Field(default=2.0, alias="ease")


class Meeting(Rule):
    """Corners that meet when sewn, and what their angles should add up to: `degrees`, give or take `within`."""

    id: Text
    corners: Mapping[PieceId, CornerId]
    degrees: float
    within: float
    source: Annotated[Text, ref("source")]


class MeasureRule(Rule):
    """A measure of each piece (or those in `of`), or of several: a `sum` or `girth` of earlier ones, one `less` another.

    `below_0`: its name when it is negative.
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
    """What a draft gives a measure of the pattern for a body: a `share` of a body measure, or by a table.

    `values`: the body measure (minus `less`, if given) and what the draft gives there, both in mm, interpolated in
    between.
    """

    measure: MeasureRef
    draft: Text
    body: Id
    less: Id | None = None
    share: float | None = Field(default=None, gt=0, lt=2)
    values: tuple[tuple[float, float], ...] = ()
    source: Annotated[Text, ref("source")]

    def gives(self, body: Mapping[str, float]) -> float | None:
        """What the draft gives for this body, in mm; None if its measures are not known."""
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
    """A measure of the pattern to be watched: a warning, `told`, when a step of a plan makes it bad, or worse.

    It is bad below `at_least` (`body`: only with that body note), below the body's own measure (`of_body`), below a
    share of what the block has (`of_block`), or more than `apart` away from 0. In `told`, `{now}` stands for the
    measure, `{wanted}` for what it is compared with, and `{short}` for what is missing.
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
    """The measure that best shows what earlier rounds did: `nearer` says what less of it means, `moved` how much."""

    measure: MeasureRef
    nearer: Text
    moved: Text


class Chart(Rule):
    """A chart of one amount over the rounds of a case: `of` the first sign found, times 1 or -1."""

    title: Text
    of: Mapping[Annotated[Id, ref("symptom")], Literal[1, -1]]
    note: str = ""


class Garment(Rule):
    """All that `garment.yaml` declares."""

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
        """Names by kind, to look up references; with pieces `on`, only seams and corners that all their shapes have."""
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
