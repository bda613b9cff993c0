"""The lines of an SVG drawing as polylines in mm, y up, with the words that name them. Entities are refused.

Covers what drawing programs write for outlines: paths, polylines, polygons and lines, groups, transforms, and a page size in mm,
cm, in, pt, pc or px. Grammar and arc formulas: SVG 1.1 (second edition, W3C, 2011), chapters 7 and 8, appendix F.6.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import acos, ceil, cos, hypot, isfinite, pi, radians, sin, sqrt, tan
from typing import NoReturn
from xml.parsers import expat

import numpy as np

from fitdiag.pattern.piece import MOST_POINTS, Array, points
from fitdiag.problems import Where, one_line, stop

FLAT_MM = 0.05  # a curve becomes a polyline that stays this close to it
MOST_CHARACTERS = 8 * 1024 * 1024
MOST_ELEMENTS = 20_000
DEEPEST = 60
LARGEST_NUMBER = 1e7
_MM = {
    "mm": 1.0,
    "cm": 10.0,
    "in": 25.4,
    "pt": 25.4 / 72,
    "pc": 25.4 / 6,
    "px": 25.4 / 96,
    "": 25.4 / 96,
}  # CSS: 96 px = 1 in
_HIDDEN = {"defs", "symbol", "clippath", "mask", "marker", "pattern"}
_LINES = {"path", "polyline", "polygon", "line"}
_NAMING = {"id", "class", "label", "data-name"}
_NUMBER_TEXT = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?"
_NUMBER = re.compile(rf"[\s,]*({_NUMBER_TEXT})")
_FLAG = re.compile(r"[\s,]*([01])")
_COMMAND = re.compile(r"[\s,]*([MmLlHhVvCcSsQqTtAaZz])")
_LENGTH = re.compile(rf"\s*({_NUMBER_TEXT})\s*(mm|cm|in|pt|pc|px|)\s*\Z")
_TRANSFORM = re.compile(r"[\s,]*(matrix|translate|scale|rotate|skewX|skewY)\s*\(([^()]*)\)")
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+")

Point = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Shape:
    """A drawn element, a group with an origin, or a text: its own words, those of the groups round it (nearest first)."""

    tag: str
    words: tuple[str, ...]
    groups: tuple[tuple[str, ...], ...]
    lines: tuple[Array, ...]
    data: Mapping[str, str]
    text: str
    where: Where


@dataclass(frozen=True, eq=False)
class _Level:
    """What an open element hands down to those inside it."""

    tag: str
    matrix: Array
    words: tuple[str, ...]
    hidden: bool
    data: Mapping[str, str]
    text: list[str]


def shapes_of(text: str, path: str) -> list[Shape]:
    """Every line of a drawing, every group with a `data-origin`, every title and desc. Raises ProblemsFoundError."""
    if len(text) > MOST_CHARACTERS:
        raise stop(
            "too-large",
            f"this drawing is larger than {MOST_CHARACTERS // 1024} kB",
            where=Where(path),
            hint="is it the right one?",
        )
    reader = _Reader(path)
    try:
        reader.parser.Parse(text.encode("utf-8", "replace"), True)
    except expat.ExpatError as error:
        where = Where(path, error.lineno, error.offset + 1)
        raise stop(
            "not-svg", f"this is not SVG: {expat.ErrorString(error.code)}", where=where, hint="is it the right file?"
        ) from None
    return reader.shapes


class _Reader:
    """Collects shapes while the file is parsed, so that a hostile file stops early."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.shapes: list[Shape] = []
        self._open: list[_Level] = []
        self._elements = 0
        self._points_left = 2 * MOST_POINTS
        self.parser = expat.ParserCreate("utf-8")
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._data
        self.parser.EntityDeclHandler = self._entity

    def _where(self) -> Where:
        return Where(self.path, self.parser.CurrentLineNumber, self.parser.CurrentColumnNumber + 1)

    def _entity(self, *_: object) -> NoReturn:
        raise stop(
            "entity",
            "entities (<!ENTITY ...>) are not allowed here",
            where=self._where(),
            hint="save the drawing as plain SVG",
        )

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self._elements += 1
        if self._elements > MOST_ELEMENTS or len(self._open) > DEEPEST:
            told = f"this drawing has more than {MOST_ELEMENTS} elements, or nests them more than {DEEPEST} deep"
            raise stop("too-large", told, where=self._where(), hint="save the outlines alone")
        tag = name.rpartition(":")[2]
        data = {key.rpartition(":")[2].lower(): value for key, value in attributes.items()}
        try:
            matrix = self._matrix(tag, data)
            words = tuple(
                word for key in ("id", "label", "data-name", "class") if key in data for word in words_of(data[key])
            )
            hidden = tag.lower() in _HIDDEN or (bool(self._open) and self._open[-1].hidden)
            if not hidden:
                self._keep(tag, words, data, matrix)
        except ValueError as error:
            raise stop(
                "svg", f"<{one_line(tag, 20)}>: {error}", where=self._where(), hint="save it as plain paths"
            ) from None
        self._open.append(_Level(tag, matrix, words, hidden, data, []))

    def _matrix(self, tag: str, data: Mapping[str, str]) -> Array:
        """The transform from an element's own coordinates to mm, y up."""
        own = transform(data.get("transform", ""))
        if not self._open:
            if tag != "svg":
                raise ValueError("the file does not begin with <svg>")
            return _page(data) @ own
        if tag == "svg":
            raise ValueError("a drawing inside the drawing is not read")
        whole = self._open[-1].matrix @ own
        if not np.abs(whole).max() <= LARGEST_NUMBER**2:
            raise ValueError("the transforms lead far outside any drawing")
        return whole

    def _keep(self, tag: str, words: tuple[str, ...], data: Mapping[str, str], matrix: Array) -> None:
        lines: list[Array] = []
        if tag in _LINES:
            scale = max(float(np.linalg.norm(matrix[:2, :2], 2)), 1e-9)
            lines = [points(line) for line in _lines(tag, data, FLAT_MM / scale, self._points_left)]
            self._points_left -= sum(len(line) for line in lines)
        elif tag == "g" and "data-origin" in data:
            lines = [points([numbers(data["data-origin"], 2)])]
        if lines:
            placed = tuple(points(line @ matrix[:2, :2].T + matrix[:2, 2]) for line in lines)
            self.shapes.append(Shape(tag, words, self._groups(), placed, data, "", self._where()))

    def _groups(self) -> tuple[tuple[str, ...], ...]:
        return tuple(level.words for level in self._open[::-1])

    def _data(self, text: str) -> None:
        if self._open and self._open[-1].tag in ("title", "desc"):
            self._open[-1].text.append(text[:4000])

    def _end(self, name: str) -> None:
        level = self._open.pop()
        if level.text and not level.hidden:
            text = "".join(level.text)
            self.shapes.append(Shape(level.tag, level.words, self._groups(), (), level.data, text, self._where()))


def words_of(text: str) -> list[str]:
    """The words of a name, in small letters: `back-Waist`, `backWaist` and `BACK_WAIST` are `back`, `waist`."""
    return [word.lower() for word in _WORD.findall(text[:400])]


def numbers(text: str, count: int | None = None) -> list[float]:
    """The numbers of an attribute. Raises ValueError if there are others than `count`, or anything else."""
    found, at = [], 0
    while match := _NUMBER.match(text, at):
        found.append(_finite(match[1]))
        at = match.end()
        if len(found) > 2 * MOST_POINTS * 2:
            raise ValueError(f"more than {MOST_POINTS} points")
    if text[at:].strip(" \t\r\n,") or (count is not None and len(found) != count):
        raise ValueError(f"'{one_line(text, 40)}' is not {count if count is not None else 'a row of'} numbers")
    return found


def _finite(text: str) -> float:
    value = float(text)
    if not isfinite(value) or abs(value) > LARGEST_NUMBER:
        raise ValueError(f"{one_line(text, 20)} is far outside any drawing")
    return value


def transform(text: str) -> Array:
    """A `transform` attribute as a 3 by 3 matrix."""
    result, at = np.eye(3), 0
    while match := _TRANSFORM.match(text, at):
        result = result @ _one_transform(match[1], numbers(match[2]))
        at = match.end()
    if text[at:].strip(" \t\r\n,") or not np.isfinite(result).all() or np.abs(result).max() > LARGEST_NUMBER:
        raise ValueError(f"the transform '{one_line(text, 40)}' is not one read here")
    return result


def _one_transform(kind: str, v: list[float]) -> Array:
    match kind, len(v):
        case "matrix", 6:
            return np.array([[v[0], v[2], v[4]], [v[1], v[3], v[5]], [0, 0, 1]])
        case "translate", 1 | 2:
            return np.array([[1, 0, v[0]], [0, 1, v[1] if len(v) > 1 else 0], [0, 0, 1]])
        case "scale", 1 | 2:
            return np.diag([v[0], v[-1], 1.0])
        case "rotate", 1 | 3:
            c, s = cos(radians(v[0])), sin(radians(v[0]))
            about = np.array([[1, 0, v[1]], [0, 1, v[2]], [0, 0, 1]]) if len(v) == 3 else np.eye(3)
            back = np.array([[1, 0, -v[1]], [0, 1, -v[2]], [0, 0, 1]]) if len(v) == 3 else np.eye(3)
            turned: Array = about @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ back
            return turned
        case "skewX", 1:
            return np.array([[1, tan(radians(v[0])), 0], [0, 1, 0], [0, 0, 1]])
        case "skewY", 1:
            return np.array([[1, 0, 0], [tan(radians(v[0])), 1, 0], [0, 0, 1]])
    raise ValueError(f"{kind} with {len(v)} numbers is not a transform")


def _page(data: Mapping[str, str]) -> Array:
    """From user units to mm, y up, by width, height and viewBox."""
    sizes = {key: _millimetres(data[key]) for key in ("width", "height") if data.get(key)}
    if "viewbox" not in data:
        if data.get("width", "").strip().endswith("%"):
            raise ValueError("the drawing does not say how large it is; give it a width in mm")
        return np.diag([_MM["px"], -_MM["px"], 1.0])
    left, top, wide, high = numbers(data["viewbox"], 4)
    scales = [
        size / span for size, span in ((sizes.get("width"), wide), (sizes.get("height"), high)) if size and span > 0
    ]
    if not scales or wide <= 0 or high <= 0:
        raise ValueError("the drawing does not say how large it is; give it a width and height in mm")
    x, y = (
        (scales[0], scales[-1]) if data.get("preserveaspectratio", "").strip() == "none" else (min(scales), min(scales))
    )
    return np.array([[x, 0, -x * left], [0, -y, y * top], [0, 0, 1]])


def _millimetres(text: str) -> float | None:
    """A page size in mm; None for one that depends on the window."""
    match = _LENGTH.match(text)
    return _finite(match[1]) * _MM[match[2]] if match else None


def _lines(tag: str, data: Mapping[str, str], tolerance: float, most: int) -> list[list[Point]]:
    """The polylines of an element in its own coordinates."""
    if tag == "line":
        x1, y1, x2, y2 = (numbers(data.get(key, "0"), 1)[0] for key in ("x1", "y1", "x2", "y2"))
        return [[(x1, y1), (x2, y2)]]
    if tag == "path":
        return _Path(data.get("d", ""), tolerance, most).lines
    values = numbers(data.get("points", ""))
    line = list(zip(values[::2], values[1::2], strict=len(values) % 2 == 0))
    if len(line) > most:
        raise ValueError(f"more than {MOST_POINTS} points")
    return [[*line, line[0]] if tag == "polygon" else line] if len(line) > 1 else []


class _Path:
    """Path data as polylines. Raises ValueError when it is not path data or has too many points."""

    _COUNTS = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7, "Z": 0}  # noqa: RUF012

    def __init__(self, text: str, tolerance: float, most: int) -> None:
        self.lines: list[list[Point]] = []
        self._text, self._at = text, 0
        self._tolerance, self._left = tolerance, most
        self._here: Point = (0.0, 0.0)
        self._start: Point = (0.0, 0.0)
        self._control: tuple[str, Point] = ("", (0.0, 0.0))
        while match := _COMMAND.match(text, self._at):
            self._at = match.end()
            self._command(match[1])
        if text[self._at :].strip(" \t\r\n,"):
            raise ValueError(f"'{one_line(text[self._at : self._at + 20])}' is not path data")
        self.lines = [line for line in self.lines if len(line) > 1]

    def _command(self, letter: str) -> None:
        kind, relative = letter.upper(), letter.islower()
        if not self.lines and kind != "M":
            raise ValueError("a path begins with M")
        if kind == "Z":
            self._line_to(self._start)
            self.lines.append([self._start])
            self._control = ("", self._here)
            return
        while True:
            self._segment(kind, self._arguments(kind), relative)
            if kind == "M":
                kind = "L"
            if not _NUMBER.match(self._text, self._at):
                return

    def _arguments(self, kind: str) -> list[float]:
        values = []
        for index in range(self._COUNTS[kind]):
            match = (_FLAG if kind == "A" and index in (3, 4) else _NUMBER).match(self._text, self._at)
            if not match:
                raise ValueError(f"{kind} in the path needs {self._COUNTS[kind]} numbers")
            values.append(_finite(match[1]))
            self._at = match.end()
        return values

    def _segment(self, kind: str, values: list[float], relative: bool) -> None:
        x0, y0 = self._here if relative else (0.0, 0.0)
        if kind in "HV":
            end = (x0 + values[0], self._here[1]) if kind == "H" else (self._here[0], y0 + values[0])
            pairs = [end]
        elif kind == "A":
            pairs = [(x0 + values[5], y0 + values[6])]
        else:
            pairs = [(x0 + x, y0 + y) for x, y in zip(values[::2], values[1::2], strict=True)]
        control = ("", pairs[-1])
        if kind == "M":
            self._move_to(pairs[-1])
        elif kind in "LHV":
            self._line_to(pairs[-1])
        elif kind in "CS":
            first = pairs[0] if kind == "C" else self._reflected("C")
            self._cubic(first, pairs[-2], pairs[-1])
            control = ("C", pairs[-2])
        elif kind in "QT":
            middle = pairs[0] if kind == "Q" else self._reflected("Q")
            self._cubic(_towards(self._here, middle), _towards(pairs[-1], middle), pairs[-1])
            control = ("Q", middle)
        else:
            self._arc(values, pairs[-1])
        self._control = control

    def _reflected(self, kind: str) -> Point:
        """The control point of a smooth curve: the last one mirrored, after a curve of its own kind only."""
        if self._control[0] != kind:
            return self._here
        return 2 * self._here[0] - self._control[1][0], 2 * self._here[1] - self._control[1][1]

    def _move_to(self, point: Point) -> None:
        self.lines.append([point])
        self._here = self._start = point

    def _line_to(self, point: Point) -> None:
        self._left -= 1
        if self._left < 0:
            raise ValueError(f"the drawing has more than {MOST_POINTS} points")
        self.lines[-1].append(point)
        self._here = point

    def _steps(self, wanted: float) -> int:
        count = max(1, ceil(min(wanted, 1e9)))
        if count > self._left:
            raise ValueError(f"the drawing has more than {MOST_POINTS} points")
        return count

    def _cubic(self, one: Point, two: Point, end: Point) -> None:
        """A Bezier curve; n chords stay within (max |B''| / n²) / 8 of it."""
        start = self._here
        bend = max(
            hypot(start[0] - 2 * one[0] + two[0], start[1] - 2 * one[1] + two[1]),
            hypot(one[0] - 2 * two[0] + end[0], one[1] - 2 * two[1] + end[1]),
        )
        count = self._steps(sqrt(0.75 * bend / self._tolerance))
        for index in range(1, count):
            t = index / count
            a, b, c, d = (1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3
            x, y = (a * start[i] + b * one[i] + c * two[i] + d * end[i] for i in (0, 1))
            self._line_to((x, y))
        self._line_to(end)

    def _arc(self, values: list[float], end: Point) -> None:
        """An elliptical arc, from its end points to its centre by SVG 1.1, F.6.5 and F.6.6."""
        rx, ry, tilt, large, sweep = abs(values[0]), abs(values[1]), radians(values[2]), values[3] == 1, values[4] == 1
        start = self._here
        if start == end:
            return
        if hypot(start[0] - end[0], start[1] - end[1]) < 1e-6 or rx < 1e-9 or ry < 1e-9:
            self._line_to(end)
            return
        c, s = cos(tilt), sin(tilt)
        half = (start[0] - end[0]) / 2, (start[1] - end[1]) / 2
        x, y = c * half[0] + s * half[1], -s * half[0] + c * half[1]
        grow = (x / rx) ** 2 + (y / ry) ** 2
        if grow > 1:
            rx, ry = rx * sqrt(grow), ry * sqrt(grow)
        over = (rx * y) ** 2 + (ry * x) ** 2
        factor = sqrt(max(0.0, (rx * ry) ** 2 / over - 1)) * (-1 if large == sweep else 1)
        cx, cy = factor * rx * y / ry, -factor * ry * x / rx
        middle = c * cx - s * cy + (start[0] + end[0]) / 2, s * cx + c * cy + (start[1] + end[1]) / 2
        first = np.arctan2((y - cy) / ry, (x - cx) / rx)
        turn = float(np.arctan2((-y - cy) / ry, (-x - cx) / rx) - first) % (2 * pi)
        turn = turn if sweep else turn - 2 * pi
        widest = max(rx, ry)
        count = self._steps(abs(turn) / (2 * acos(max(0.0, 1 - self._tolerance / widest)) or 1e-9))
        for index in range(1, count):
            angle = float(first) + turn * index / count
            u, v = rx * cos(angle), ry * sin(angle)
            self._line_to((c * u - s * v + middle[0], s * u + c * v + middle[1]))
        self._line_to(end)


def _towards(point: Point, middle: Point) -> Point:
    """Two thirds of the way: how a quadratic curve's control point becomes those of a cubic one."""
    return point[0] + (middle[0] - point[0]) * 2 / 3, point[1] + (middle[1] - point[1]) * 2 / 3
