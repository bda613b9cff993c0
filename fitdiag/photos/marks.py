"""The sidecar of a picture: what the fitter marked on it, as plain JSON (`fitdiag.marks/1`). The only input of marks.

Pixels: x right, y down, in the upright full-size picture; the centre of the top left pixel is (0, 0). Lengths in mm.
Sides in names ("knee-left", "grain-left") are the wearer's; in `hidden` they are the picture's.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import AfterValidator, Field, model_validator

from fitdiag.knowledge.basics import Strict
from fitdiag.knowledge.reading import parse_json, read_file, wrong
from fitdiag.knowledge.strict_yaml import read_text
from fitdiag.photos.drawn import LINES
from fitdiag.photos.trousers import GRAINS
from fitdiag.plausible import doubt_of_line, doubts_of_order
from fitdiag.problems import Hints, Where, one_line, shown_path, stop

SCHEMA = "fitdiag.marks/1"
CONFIRMED = "fitdiag.confirmed/1"  # of several pictures, as the confirming page saves them
LARGEST = 256 * 1024
LONGEST_SIDE = 12000
View = Literal["front", "back", "left", "right"]
VIEWS: tuple[View, ...] = get_args(View)
PROPOSABLE = (*LINES, *GRAINS, "centre_seam", "verticals", "sheet")
PICTURE = ("file", "sha256", "width", "height")
EDGES = [f"{line}:{side}" for line in LINES for side in ("left", "right")]
A4 = (210.0, 297.0)


# -- allowed values ------------------------------------------------------------------------------------------------------


def upright(pair: Points) -> bool:
    """Whether two points may be the ends of something plumb in a picture: within 14 degrees of vertical."""
    (x, y), (other_x, other_y) = pair
    return abs(y - other_y) > 4 * abs(x - other_x)


def _one_of(*known: str) -> AfterValidator:
    """One of these names."""

    def checked(name: str) -> str:
        if name not in known:
            raise wrong("marks", f"there is nothing called '{one_line(name, 40)}' here", Hints().near(name, known))
        return name

    return AfterValidator(checked)


def _a_digest(text: str) -> str:
    if len(text) != 64 or not set(text) <= set("0123456789abcdef"):
        raise wrong("marks", "the picture's SHA-256 belongs here, 64 lower-case hexadecimal digits")
    return text


def _line_of(least: int) -> AfterValidator:
    """A line of at least `least` points."""

    def checked(line: Points) -> Points:
        if len(line) < least:
            raise wrong("marks", f"{least} to 9 points belong here, each [x, y]")
        if doubt := doubt_of_line(line):
            raise wrong("marks", doubt, "mark it again from one end to the other")
        return line

    return AfterValidator(checked)


def _plumb(pair: tuple[Point, Point]) -> tuple[Point, Point]:
    if not upright(pair):
        raise wrong("marks", "this line is far from upright", "mark its top and its bottom")
    return pair


def _all_round(corners: Points) -> Points:
    """Four corners of a convex sheet, clockwise in the picture from the top left."""
    steps = zip(corners, corners[1:] + corners[:1], corners[2:] + corners[:2], strict=True)
    turns = [(x1 - x0) * (y2 - y1) - (y1 - y0) * (x2 - x1) for (x0, y0), (x1, y1), (x2, y2) in steps]
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = corners
    if min(turns) <= 0 or not (x0 < x1 and x3 < x2 and y0 < y3 and y1 < y2):
        hint = "top left, top right, bottom right, bottom left"
        raise wrong("marks", "these corners do not go round the sheet", hint)
    return corners


def _number(least: float, most: float) -> Any:
    return Field(strict=True, ge=least, le=most, allow_inf_nan=False)


Pixels = Annotated[int, Field(strict=True, ge=1, le=LONGEST_SIDE)]
Place = Annotated[float, _number(-1, LONGEST_SIDE)]
Mm = Annotated[float, _number(1, 3000)]
SheetMm = Annotated[float, _number(20, 2000)]
Words = Annotated[str, Field(max_length=200)]
Point = tuple[Place, Place]
Points = tuple[Point, ...]
Line = Annotated[Points, Field(max_length=9), _line_of(3)]
Vertical = Annotated[tuple[Point, Point], AfterValidator(_plumb)]
LineName = Annotated[str, _one_of(*LINES)]
Proposable = Annotated[str, _one_of(*PROPOSABLE)]


# -- the marks -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sheet:
    """A sheet of paper in the picture: corners clockwise from top left (px), true size, and distance behind the side seams."""

    __pydantic_config__ = Strict.__pydantic_config__
    corners: Annotated[Points, Field(min_length=4, max_length=4), AfterValidator(_all_round)]
    width_mm: SheetMm = A4[0]
    height_mm: SheetMm = A4[1]
    behind_mm: Annotated[float, _number(-1000, 3000)] | None = 0.0  # None if unknown


@dataclass(frozen=True)
class Marks(Strict):
    """All marks of one picture."""

    file: Words
    sha256: Annotated[str, AfterValidator(_a_digest)]
    width: Pixels
    height: Pixels
    view: View
    focal_35mm: Annotated[float, _number(5, 2000)] | None = None
    lens_height_mm: Annotated[float, _number(0, 5000)] | None = None
    lines: Mapping[LineName, Line] = field(default_factory=dict)
    grains: Mapping[Annotated[str, _one_of(*GRAINS)], Line] = field(default_factory=dict)
    centre_seam: Annotated[Points, Field(max_length=9), _line_of(2)] = ()
    verticals: Annotated[tuple[Vertical, ...], Field(max_length=12)] = ()
    sheet: Sheet | None = None
    widths_mm: Mapping[LineName, Mm] = field(default_factory=dict)
    depths_mm: Mapping[LineName, Mm] = field(default_factory=dict)
    hidden: tuple[Annotated[str, _one_of(*EDGES)], ...] = ()
    proposed: tuple[Proposable, ...] = ()
    notes: Annotated[str, Field(max_length=2000)] = ""
    doubts: Mapping[Proposable, Words] = field(default_factory=dict)
    focal_typed: bool = False  # the focal length comes from somebody, not from the picture's file
    cropped: bool = False  # the picture's file says that it once had another shape

    @model_validator(mode="before")
    @classmethod
    def _of_its_picture(cls, data: Any) -> Any:
        """Lift the keys under `picture` in the file to the top level, and drop empty lists."""
        if not isinstance(data, dict):
            return data
        picture = data.get("picture")
        own = {key: value for key, value in data.items() if key not in ("schema", "picture") and value != []}
        return own | {key: picture[key] for key in PICTURE if isinstance(picture, dict) and key in picture}

    @model_validator(mode="after")
    def _fits_together(self) -> Marks:
        for name, points in self._every():
            if any(x > self.width or y > self.height for x, y in points):
                raise wrong("marks", f"{name}: a point lies outside the picture", "was it marked on another picture?")
        for name, doubt in doubts_of_order(self.lines).items():
            raise wrong("marks", f"{name}: {doubt}", "mark each line again under its own name")
        return self

    def _every(self) -> Iterator[tuple[str, Points]]:
        yield from (*self.lines.items(), *self.grains.items(), ("centre_seam", self.centre_seam))
        yield from (("verticals", pair) for pair in self.verticals)
        yield "sheet", self.sheet.corners if self.sheet else ()

    @property
    def seen_from_the_side(self) -> bool:
        """Whether the picture shows the wearer from the side."""
        return self.view in ("left", "right")

    def hides(self, name: str) -> list[str]:
        """Return the sides of the picture on which something, such as an arm, hides the end of a line."""
        return [edge.partition(":")[2] for edge in self.hidden if edge.startswith(f"{name}:")]

    def confirmed(self) -> Marks:
        """Return a copy without unconfirmed proposals."""
        return replace(
            self,
            lines={name: points for name, points in self.lines.items() if name not in self.proposed},
            grains={name: points for name, points in self.grains.items() if name not in self.proposed},
            centre_seam=() if "centre_seam" in self.proposed else self.centre_seam,
            verticals=() if "verticals" in self.proposed else self.verticals,
            sheet=None if "sheet" in self.proposed else self.sheet,
        )


# -- their file ----------------------------------------------------------------------------------------------------------


def as_json(marks: Marks) -> str:
    """Return the sidecar's text; reading it back gives the same marks."""
    fields = asdict(marks)
    picture = {key: fields.pop(key) for key in PICTURE}
    data = {"schema": SCHEMA, "picture": picture, **fields}
    rows = (f" {json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}" for key, value in data.items())
    return "{\n" + ",\n".join(rows) + "\n}\n"


def parse_marks(text: str, path: str) -> Marks:
    """Read a sidecar's text; `path` is only for messages. Raises ProblemsFoundError with every fault found."""
    document = parse_json(text, path, "save the marks again on the marking page")
    if isinstance(document.data, dict) and document.data.get("schema") == CONFIRMED:
        message = "this is the answer to the page of `photo read`, and not the marks of one picture"
        raise stop("other-file", message, where=Where(path), hint="`fitdiag photo read` takes it, with --answer")
    return read_file(document, Marks, SCHEMA)


def read_marks(path: Path) -> Marks:
    """Read a sidecar. Raises ProblemsFoundError with every fault found."""
    return parse_marks(read_text(path, LARGEST, "marks file"), shown_path(path))
