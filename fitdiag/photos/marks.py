"""The sidecar of a picture: what the fitter marked on it, as plain JSON (`fitdiag.marks/1`). The only way marks come in.

Pixels: x to the right, y down, in the upright full-size picture; the centre of the top left pixel is (0, 0). Lengths in mm.
Sides in names ("knee-left", "grain-left") are the wearer's; in `hidden` they are the picture's.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Literal, TypeVar, get_args

from fitdiag.files import no_twins, read_bytes, refuse_utf16
from fitdiag.photos.trousers import GRAINS, LINES
from fitdiag.plausible import doubt_of_line, doubts_of_order
from fitdiag.problems import Hints, Problem, ProblemsFoundError, Where, one_line, shown_path, stop

SCHEMA = "fitdiag.marks/1"
LARGEST = 256 * 1024
LONGEST_SIDE = 12000
View = Literal["front", "back", "left", "right"]
VIEWS: tuple[View, ...] = get_args(View)
PROPOSABLE = (*LINES, *GRAINS, "centre_seam", "verticals", "sheet")
PICTURE = ("file", "sha256", "width", "height")
EDGES = [f"{line}:{side}" for line in LINES for side in ("left", "right")]
MOST_VERTICALS = 12
A4 = (210.0, 297.0)

_Value = TypeVar("_Value")
Point = tuple[float, float]
Points = tuple[Point, ...]


@dataclass(frozen=True)
class Sheet:
    """A sheet of paper in the picture: corners from top left clockwise, true size, and how far it hangs behind the side seams."""

    corners: Points
    width_mm: float = A4[0]
    height_mm: float = A4[1]
    behind_mm: float | None = 0.0  # None: nobody said


@dataclass(frozen=True)
class Marks:
    """All marks of one picture."""

    file: str
    sha256: str
    width: int
    height: int
    view: View
    focal_35mm: float | None = None
    lens_height_mm: float | None = None
    lines: Mapping[str, Points] = field(default_factory=dict)
    grains: Mapping[str, Points] = field(default_factory=dict)
    centre_seam: Points = ()
    verticals: tuple[tuple[Point, Point], ...] = ()
    sheet: Sheet | None = None
    widths_mm: Mapping[str, float] = field(default_factory=dict)
    depths_mm: Mapping[str, float] = field(default_factory=dict)
    hidden: tuple[str, ...] = ()
    proposed: tuple[str, ...] = ()
    notes: str = ""
    doubts: Mapping[str, str] = field(default_factory=dict)

    @property
    def seen_from_the_side(self) -> bool:
        """Whether the picture shows the wearer from the side."""
        return self.view in ("left", "right")

    def confirmed(self) -> Marks:
        """The same without what nobody has confirmed."""
        return replace(
            self,
            lines={name: points for name, points in self.lines.items() if name not in self.proposed},
            grains={name: points for name, points in self.grains.items() if name not in self.proposed},
            centre_seam=() if "centre_seam" in self.proposed else self.centre_seam,
            verticals=() if "verticals" in self.proposed else self.verticals,
            sheet=None if "sheet" in self.proposed else self.sheet,
        )


def as_json(marks: Marks) -> str:
    """The sidecar's text; reading it back gives the same marks."""
    own = asdict(marks)
    picture = {key: own.pop(key) for key in PICTURE}
    data = {"schema": SCHEMA, "picture": picture, **own}
    rows = (f" {json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}" for key, value in data.items())
    return "{\n" + ",\n".join(rows) + "\n}\n"


def parse_marks(text: str, path: str) -> Marks:
    """Read a sidecar's text; `path` is only for messages. Raises ProblemsFoundError with every fault found."""
    try:
        data = json.loads(text, object_pairs_hook=no_twins)
    except (ValueError, RecursionError) as error:
        line, col = (error.lineno, error.colno) if isinstance(error, json.JSONDecodeError) else (1, 1)
        told = one_line(error.msg if isinstance(error, json.JSONDecodeError) else error, 60)
        hint = "save the marks again on the marking page"
        raise stop("not-json", f"these are no marks: {told}", where=Where(path, line, col), hint=hint) from None
    return _Reader(path).marks(data)


class _Reader:
    """Collects all faults of a sidecar; places are named by key, since JSON keeps no lines."""

    def __init__(self, path: str) -> None:
        self.where, self.problems, self.hints = Where(path), list[Problem](), Hints()
        self.width = self.height = LONGEST_SIDE

    def fault(self, key: str, told: str, hint: str = "") -> None:
        self.problems.append(Problem("marks", f"{one_line(key, 60)}: {told}", self.where, hint))

    def marks(self, data: object) -> Marks:
        if not isinstance(data, dict) or data.get("schema") != SCHEMA:
            hint = "save the marks on the marking page"
            raise stop("schema", f"this is not a marks file ({SCHEMA})", where=self.where, hint=hint)
        known = ("schema", "picture", *(item.name for item in fields(Marks) if item.name not in PICTURE))
        for key in data:
            self.known(key, known, "marks")
        picture = data.get("picture")
        picture = picture if isinstance(picture, dict) else {}
        sha256 = picture.get("sha256")
        if not (isinstance(sha256, str) and len(sha256) == 64 and set(sha256) <= set("0123456789abcdef")):
            self.fault("picture.sha256", "the picture's SHA-256 belongs here, 64 small hexadecimal figures")
        self.width = int(self.number("picture.width", picture.get("width"), 1, LONGEST_SIDE) or LONGEST_SIDE)
        self.height = int(self.number("picture.height", picture.get("height"), 1, LONGEST_SIDE) or LONGEST_SIDE)
        view = data.get("view")
        if view not in VIEWS:
            self.fault("view", f"'{one_line(view, 20)}' is no view", f"write {', '.join(VIEWS)}")
        lines = self.named("lines", data.get("lines"), LINES, self.line)
        for name, doubt in doubts_of_order(lines).items():
            self.fault(f"lines.{name}", doubt, "mark each line again under its own name")
        grains = self.named("grains", data.get("grains"), GRAINS, self.line)
        seam = data.get("centre_seam") or []
        centre = self.points("centre_seam", seam, 2, 9) if seam else ()
        if doubt := doubt_of_line(centre):
            self.fault("centre_seam", doubt, "mark it again from the waist down")
        marks = Marks(
            file=self.text("picture.file", picture.get("file")),
            sha256=str(sha256),
            width=self.width,
            height=self.height,
            view=view if view in VIEWS else "back",
            focal_35mm=self.number("focal_35mm", data.get("focal_35mm"), 5, 2000),
            lens_height_mm=self.number("lens_height_mm", data.get("lens_height_mm"), 0, 5000),
            lines=lines,
            grains=grains,
            centre_seam=centre,
            verticals=self.verticals(data.get("verticals")),
            sheet=self.sheet(data.get("sheet")),
            widths_mm=self.named("widths_mm", data.get("widths_mm"), LINES, self.mm),
            depths_mm=self.named("depths_mm", data.get("depths_mm"), LINES, self.mm),
            hidden=self.words("hidden", data.get("hidden"), EDGES),
            proposed=self.words("proposed", data.get("proposed"), [*PROPOSABLE]),
            doubts=self.named("doubts", data.get("doubts"), PROPOSABLE, self.text),
            notes=self.text("notes", data.get("notes"), 2000),
        )
        if self.problems:
            raise ProblemsFoundError(self.problems)
        return marks

    def known(self, key: str, known: tuple[str, ...] | list[str], place: str) -> bool:
        if key not in known:
            self.fault(place, f"there is nothing called '{one_line(key, 40)}' here", self.hints.near(key, known))
        return key in known

    def text(self, key: str, value: object, longest: int = 200) -> str:
        if value is None:
            return ""
        if not isinstance(value, str) or len(value) > longest or (not value.isascii() and _broken(value)):
            self.fault(key, f"text of at most {longest} characters belongs here")
            return ""
        return value

    def number(self, key: str, value: object, least: float, most: float) -> float | None:
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < math.inf:
            self.fault(key, f"'{one_line(value, 20)}' is no number")
            return None
        if not least <= value <= most:
            self.fault(key, f"{one_line(value, 20)} is not between {least:g} and {most:g}")
            return None
        return float(value)

    def mm(self, key: str, value: object) -> float:
        return self.number(key, value, 1, 3000) or 1.0

    def named(
        self, key: str, value: object, known: tuple[str, ...], read: Callable[[str, object], _Value]
    ) -> dict[str, _Value]:
        if value is None:
            return {}
        if not isinstance(value, dict):
            self.fault(key, "names and values belong here")
            return {}
        return {name: read(f"{key}.{name}", item) for name, item in value.items() if self.known(name, known, key)}

    def line(self, key: str, value: object) -> Points:
        points = self.points(key, value, 3, 9)
        if doubt := doubt_of_line(points):
            self.fault(key, doubt, "mark them again from one end to the other")
        return points

    def points(self, key: str, value: object, least: int, most: int) -> Points:
        if not isinstance(value, list) or not least <= len(value) <= most:
            many = f"{least} to {most}" if most > least else str(least)
            self.fault(key, f"{many} points belong here, each [x, y]")
            return ()
        found = []
        for index, item in enumerate(value):
            if not isinstance(item, list) or len(item) != 2:
                self.fault(f"{key}[{index}]", "a point is [x, y]")
                continue
            x = self.number(f"{key}[{index}]", item[0], -1, self.width)
            y = self.number(f"{key}[{index}]", item[1], -1, self.height)
            found.append((x or 0.0, y or 0.0))
        return tuple(found)

    def verticals(self, value: object) -> tuple[tuple[Point, Point], ...]:
        if value is None:
            return ()
        if not isinstance(value, list) or len(value) > MOST_VERTICALS:
            self.fault("verticals", f"at most {MOST_VERTICALS} verticals belong here, each of two points")
            return ()
        pairs = [self.points(f"verticals[{index}]", item, 2, 2) for index, item in enumerate(value)]
        for index, pair in enumerate(pairs):
            if len(pair) == 2 and not upright(pair):
                self.fault(f"verticals[{index}]", "this line lies far from upright", "mark its top and its bottom")
        return tuple((pair[0], pair[1]) for pair in pairs if len(pair) == 2)

    def sheet(self, value: object) -> Sheet | None:
        if value is None:
            return None
        if not isinstance(value, dict):
            self.fault("sheet", "corners and a size belong here")
            return None
        for key in value:
            self.known(key, ("corners", "width_mm", "height_mm", "behind_mm"), "sheet")
        corners = self.points("sheet.corners", value.get("corners"), 4, 4)
        if len(corners) == 4 and not _turns_one_way(corners):
            hint = "top left, top right, bottom right, bottom left"
            self.fault("sheet.corners", "these corners do not go round the sheet", hint)
        return Sheet(
            corners,
            self.number("sheet.width_mm", value.get("width_mm"), 20, 2000) or A4[0],
            self.number("sheet.height_mm", value.get("height_mm"), 20, 2000) or A4[1],
            self.number("sheet.behind_mm", value.get("behind_mm"), -1000, 3000),
        )

    def words(self, key: str, value: object, known: list[str]) -> tuple[str, ...]:
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.fault(key, "a list of names belongs here")
            return ()
        return tuple(item for item in dict.fromkeys(value) if self.known(item, known, key))


def _broken(text: str) -> bool:
    """Whether a text holds half a character, which no file can."""
    return any("\ud800" <= char <= "\udfff" for char in text)


def upright(pair: Points) -> bool:
    """Whether two points may be the top and the bottom of something plumb in a picture: within 14 degrees of upright."""
    (x, y), (other_x, other_y) = pair
    return abs(y - other_y) > 4 * abs(x - other_x)


def _turns_one_way(corners: Points) -> bool:
    """Whether four corners make a convex sheet, clockwise as the picture shows it, from the top left one."""
    for index in range(4):
        (x0, y0), (x1, y1), (x2, y2) = (corners[(index + step) % 4] for step in range(3))
        if (x1 - x0) * (y2 - y1) - (y1 - y0) * (x2 - x1) <= 0:
            return False
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = corners
    return x0 < x1 and x3 < x2 and y0 < y3 and y1 < y2


def read_marks(path: Path) -> Marks:
    """Read a sidecar. Raises ProblemsFoundError with every fault found."""
    raw = read_bytes(path, LARGEST, "marks file")
    refuse_utf16(raw, Where(shown_path(path)), "marks file")
    try:
        return parse_marks(raw.decode("utf-8-sig"), shown_path(path))
    except UnicodeDecodeError:
        raise stop("encoding", "these marks are not in UTF-8", where=Where(shown_path(path))) from None
