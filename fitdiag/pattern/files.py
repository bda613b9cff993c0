"""Patterns as files: the format of this program, and the outlines as SVG for exchange with drawing programs.

The program's own format is a mapping, written as JSON or YAML by the caller; lengths in mm, rounded to 0.001. The SVG has one
path per seam with ids like `back-waist`, so that it can be read back, and so can drawings by other hands that name their lines
in the same way.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from fitdiag.pattern.assemble import Drawn, chained, check_size, filled_levels, level_faults, piece_of
from fitdiag.pattern.piece import (
    CLOSED_MM,
    LEVELS,
    MOST_POINTS,
    SEAMS,
    Array,
    Carried,
    Dart,
    Pattern,
    Piece,
    Side,
    faults,
    points,
)
from fitdiag.pattern.record import LONGEST_CLIENT, LONGEST_NAME, MOST_CARRIED, from_rows, is_id, row_of, valid_day
from fitdiag.pattern.svg_shapes import Shape, shapes_of
from fitdiag.problems import Hints, Problem, ProblemsFoundError, Where, one_line, stop

SCHEMA = "fitdiag.pattern/1"
FARTHEST_MM = 10_000.0  # no point of a pattern lies farther from its origin
MOST_DARTS, MOST_LINES = 20, 50
LONGEST_TITLE, LONGEST_NOTE = 200, 2000
_TOP = ("schema", "title", "grade", "client", "altered", "pieces")
_CARRIED = ("alteration", "title", "amount_mm", "day")
_PIECE = ("side", "unit", "grain_x", "levels", "seams", "darts", "lines", "allowance", "note")
_NAME = re.compile(r"[a-z0-9][a-z0-9 -]{0,39}\Z")
_NUMBER_ROW = re.compile(r"\[\s+(-?[\d.]+),\s+(-?[\d.]+)\s+\]")

Loc = tuple[str | int, ...]
Find = Callable[[Loc], Where | None]


# -- the program's own format --------------------------------------------------------------------------------------------


def pattern_to_data(pattern: Pattern) -> dict[str, Any]:
    """A pattern as plain values for JSON or YAML; lengths in mm, rounded to 0.001."""
    return {
        "schema": SCHEMA,
        "title": one_line(pattern.title, LONGEST_TITLE),
        "grade": one_line(pattern.grade, LONGEST_TITLE),
        **({"client": one_line(pattern.client, LONGEST_CLIENT)} if pattern.client else {}),
        **({"altered": [_carried_data(item) for item in pattern.carried]} if pattern.carried else {}),
        "pieces": [_piece_data(piece) for piece in (pattern.front, pattern.back)],
    }


def _carried_data(carried: Carried) -> dict[str, Any]:
    return {
        "alteration": carried.alteration,
        **({"title": one_line(carried.title, LONGEST_NAME)} if carried.title else {}),
        "amount_mm": _rounded(carried.amount),
        **({"day": carried.day} if carried.day else {}),
    }


def pattern_to_text(pattern: Pattern) -> str:
    """`pattern_to_data` as JSON with a point a line, which is YAML too."""
    text = json.dumps(pattern_to_data(pattern), indent=1, ensure_ascii=False)
    return _NUMBER_ROW.sub(r"[\1, \2]", text) + "\n"


def _piece_data(piece: Piece) -> dict[str, Any]:
    return {
        "side": piece.side,
        "unit": "mm",
        "grain_x": _rounded(piece.grain_x),
        "levels": {name: _rounded(y) for name, y in piece.levels.items()},
        "seams": {name: _rows(piece.seams[name]) for name in SEAMS},
        "darts": [
            {part: _rows(getattr(dart, part)[None])[0] for part in ("left", "right", "tip")} for dart in piece.darts
        ],
        "lines": {name: _rows(line) for name, line in piece.lines.items()},
        "allowance": {name: _rounded(mm) for name, mm in piece.allowance.items()},
        "note": one_line(piece.note, LONGEST_NOTE),
    }


def _rounded(value: float) -> float:
    return round(float(value), 3) + 0.0  # no -0.0


def _rows(line: Array) -> list[list[float]]:
    return [[_rounded(x), _rounded(y)] for x, y in line]


def pattern_from_data(data: object, where: Find) -> Pattern:
    """A pattern from plain values; `where` gives the place of a value. Raises ProblemsFoundError with every problem found."""
    if not isinstance(data, Mapping) or data.get("schema") != SCHEMA:
        raise stop(
            "schema",
            f"this is not a pattern file: it has no 'schema: {SCHEMA}'",
            where=where(()),
            hint="is it the right file?",
        )
    reading = _Reading(where)
    reading.known_keys((), data, _TOP)
    title, grade = (reading.text((key,), data.get(key), LONGEST_TITLE) for key in ("title", "grade"))
    client = reading.text(("client",), data.get("client"), LONGEST_CLIENT)
    carried = reading.carried(("altered",), data.get("altered"))
    found = reading.values(("pieces",), data.get("pieces"), "a list of pieces")
    pieces: dict[str, Piece] = {}
    for index, value in enumerate(found[:10]):
        piece = reading.piece(("pieces", index), value)
        if piece and piece.side in pieces:
            reading.tell(
                "pieces", f"there are two pieces '{piece.side}'", ("pieces", index, "side"), "keep one of them"
            )
        elif piece:
            pieces[piece.side] = piece
    if not reading.problems and set(pieces) != {"front", "back"}:
        reading.tell("pieces", "a pattern needs one front and one back", ("pieces",))
    if not reading.problems:
        pattern = Pattern(pieces["front"], pieces["back"], title, grade, client, carried)
        reading.problems += check_size(pattern, where(("pieces",)))
    if reading.problems:
        raise ProblemsFoundError(reading.problems)
    return pattern


class _Reading:
    """Reads values and keeps what is wrong with them, one problem for each thing."""

    def __init__(self, where: Find) -> None:
        self.where = where
        self.problems: list[Problem] = []
        self._hints = Hints()

    def tell(self, code: str, message: str, loc: Loc, hint: str = "") -> None:
        self.problems.append(Problem(code, message, self.where(loc), hint))

    def known_keys(self, loc: Loc, data: Mapping[Any, Any], known: Sequence[str]) -> None:
        for key in data:
            if key not in known:
                hint = self._hints.near(str(key), known) or f"it may hold {', '.join(known)}"
                self.tell("unknown-key", f"'{one_line(key, 40)}' is not known here", (*loc, key), hint)

    def text(self, loc: Loc, value: object, longest: int) -> str:
        if value is not None and not isinstance(value, str):
            self.tell("text", f"'{loc[-1]}' must be text", loc, "put it in quotes")
        return one_line(value, longest) if isinstance(value, str) else ""

    def values(self, loc: Loc, value: object, what: str) -> list[Any]:
        if not isinstance(value, list):
            self.tell("list", f"'{loc[-1]}' must be {what}", loc)
            return []
        return value

    def mapping(self, loc: Loc, data: Mapping[Any, Any], *, known: Sequence[str] | None = None) -> dict[str, Any]:
        """The mapping at the last key of `loc`, empty if it is left out; names outside `known` are told."""
        value = data.get(loc[-1])
        if value is None:
            return {}
        if not isinstance(value, Mapping):
            self.tell("mapping", f"'{loc[-1]}' must hold 'name: value' lines", loc)
            return {}
        if known is not None:
            self.known_keys(loc, value, known)
            return {name: value[name] for name in known if name in value}
        for name in value:
            if not isinstance(name, str) or not _NAME.match(name):
                self.tell(
                    "name",
                    f"'{one_line(name, 40)}' is not a name",
                    (*loc, name),
                    "use small letters, figures and spaces",
                )
        return {name: item for name, item in value.items() if isinstance(name, str)}

    def number(self, loc: Loc, value: object, least: float = -FARTHEST_MM) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.tell("number", f"'{loc[-1]}' must be a number of mm", loc)
            return 0.0
        if not least <= value <= FARTHEST_MM:
            self.tell(
                "number",
                f"'{loc[-1]}' must lie between {least:g} and {FARTHEST_MM:g} mm",
                loc,
                "are the numbers in mm?",
            )
            return 0.0
        return float(value)

    def line(self, loc: Loc, value: object, least: int, most: int) -> Array | None:
        """A row of points, or None after telling about the first one that is not a point."""
        rows = self.values(loc, value, "a list of points like [120.5, 30]")
        if not isinstance(value, list):
            return None
        if not least <= len(rows) <= most:
            count = least if least == most else f"{least} to {most}"
            self.tell("points", f"'{loc[-1]}' has {len(rows)} points where {count} are needed", loc)
            return None
        for index, row in enumerate(rows):
            if not self._is_point(row):
                self.tell(
                    "point",
                    f"point {index + 1} of '{loc[-1]}' is not [x, y] in mm",
                    (*loc, index),
                    "write it like [120.5, 30]",
                )
                return None
        return points(rows)

    @staticmethod
    def _is_point(row: object) -> bool:
        return (
            isinstance(row, list)
            and len(row) == 2
            and all(isinstance(v, int | float) and not isinstance(v, bool) and abs(v) <= FARTHEST_MM for v in row)
        )

    def carried(self, loc: Loc, value: object) -> tuple[Carried, ...]:
        """What was altered before; every item that is not an alteration with its amount is told."""
        items = self.values(loc, value, "a list of alterations") if value is not None else []
        if len(items) > MOST_CARRIED:
            self.tell("altered", f"more than {MOST_CARRIED} alterations", loc)
        found = []
        for index, item in enumerate(items[:MOST_CARRIED]):
            here: Loc = (*loc, index)
            if not isinstance(item, Mapping) or not isinstance(item.get("alteration"), str):
                self.tell("altered", "this must hold 'alteration: ...' and 'amount_mm: ...'", here)
                continue
            self.known_keys(here, item, _CARRIED)
            if not is_id(item["alteration"]):
                self.tell("altered", f"'{one_line(item['alteration'], 40)}' is not an alteration's id", here)
            amount = self.number((*here, "amount_mm"), item.get("amount_mm"), 0.0)
            day = str(item.get("day") or "")
            if day and not valid_day(day):
                self.tell("day", f"'{one_line(day, 20)}' is not a day", (*here, "day"), "write it like 2026-11-25")
            title = self.text((*here, "title"), item.get("title"), LONGEST_NAME)
            found.append(Carried(item["alteration"], amount, title, day))
        return tuple(found)

    def piece(self, loc: Loc, data: object) -> Piece | None:
        """A piece, or None if it told a problem."""
        before = len(self.problems)
        if not isinstance(data, Mapping):
            self.tell("piece", "a piece must hold 'name: value' lines", loc)
            return None
        self.known_keys(loc, data, _PIECE)
        side = data.get("side")
        if side not in ("front", "back"):
            self.tell("side", "a piece needs 'side: front' or 'side: back'", (*loc, "side"))
        if data.get("unit") != "mm":
            self.tell("unit", "a piece needs 'unit: mm'", (*loc, "unit"), "give all its numbers in mm")
        grain_x = self.number((*loc, "grain_x"), data.get("grain_x"))
        seams = self._seams((*loc, "seams"), data)
        lines = self._lines((*loc, "lines"), data)
        darts = self._darts((*loc, "darts"), data)
        given = self.mapping((*loc, "levels"), data, known=LEVELS)
        levels = {name: self.number((*loc, "levels", name), value) for name, value in given.items()}
        taken = self.mapping((*loc, "allowance"), data, known=SEAMS)
        allowance = {name: self.number((*loc, "allowance", name), value, 0.0) for name, value in taken.items()}
        note = self.text((*loc, "note"), data.get("note"), LONGEST_NOTE)
        if len(self.problems) > before:
            return None
        levels = filled_levels(levels, lines, seams)
        piece = Piece("front" if side == "front" else "back", seams, darts, levels, lines, grain_x, allowance, note)
        self.problems += [replace(problem, where=self.where((*loc, "levels"))) for problem in level_faults(levels)]
        self.problems += [replace(problem, where=self.where(loc)) for problem in faults(piece)]
        return piece if len(self.problems) == before else None

    def _seams(self, loc: Loc, data: Mapping[Any, Any]) -> dict[str, Array]:
        given = self.mapping(loc, data, known=SEAMS)
        if missing := [name for name in SEAMS if name not in given]:
            self.tell("seams", f"the seams {', '.join(missing)} are missing", loc, f"a piece has {', '.join(SEAMS)}")
        lines = {name: self.line((*loc, name), value, 2, MOST_POINTS) for name, value in given.items()}
        return {name: line for name, line in lines.items() if line is not None}

    def _lines(self, loc: Loc, data: Mapping[Any, Any]) -> dict[str, Array]:
        given = self.mapping(loc, data)
        if len(given) > MOST_LINES:
            self.tell("lines", f"more than {MOST_LINES} balance lines", loc)
            return {}
        lines = {name: self.line((*loc, name), value, 2, 2) for name, value in given.items()}
        return {name: line for name, line in lines.items() if line is not None}

    def _darts(self, loc: Loc, data: Mapping[Any, Any]) -> tuple[Dart, ...]:
        given = self.values(loc, data["darts"], "a list of darts") if data.get("darts") is not None else []
        if len(given) > MOST_DARTS:
            self.tell("dart", f"more than {MOST_DARTS} darts", loc)
            return ()
        darts = []
        for index, value in enumerate(given):
            if (
                not isinstance(value, Mapping)
                or set(value) != {"left", "right", "tip"}
                or not all(map(self._is_point, value.values()))
            ):
                self.tell("dart", "a dart needs left, right and tip, each [x, y] in mm", (*loc, index))
            else:
                darts.append(Dart(*(points([value[part]])[0] for part in ("left", "right", "tip"))))
        return tuple(darts)


# -- SVG -----------------------------------------------------------------------------------------------------------------

MARGIN_MM, APART_MM = 20.0, 40.0
_CLIENT, _ALTERED = "For: ", "Altered: "  # how those texts of a drawing begin
_STYLE = "fill:none;stroke:#000;stroke-width:0.5"
_SYNONYMS = {
    "center": "centre",
    "outseam": "side",
    "sideseam": "side",
    "grainline": "grain",
    "darts": "dart",
    "levels": "level",
}
_KINDS = ("dart", "grain", "level")


def pattern_to_svg(pattern: Pattern) -> str:
    """The outlines as an SVG drawing in mm, y down: a path per seam, and darts, balance lines, levels and grainline apart.

    Each piece is a group; its `data-origin` says where on the page the piece's own 0, 0 lies.
    """
    groups, x, high = [], MARGIN_MM, 0.0
    for piece in (pattern.front, pattern.back):
        everything = np.concatenate(
            [piece.outline, *piece.lines.values(), *(np.array([d.left, d.right, d.tip]) for d in piece.darts)]
        )
        low, top = everything.min(axis=0), everything.max(axis=0)
        origin = np.array([_rounded(x - low[0]), _rounded(MARGIN_MM + top[1])])
        groups.append(_group(piece, origin))
        x += float(top[0] - low[0]) + APART_MM
        high = max(high, float(top[1] - low[1]))
    wide, high = round(x - APART_MM + MARGIN_MM, 1), round(high + 2 * MARGIN_MM, 1)
    return "\n".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>',
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}mm" height="{high}mm" viewBox="0 0 {wide} {high}">',
            f"<title>{escape(one_line(pattern.title, LONGEST_TITLE))}</title>",
            f"<desc>{escape(one_line(pattern.grade, LONGEST_TITLE))}</desc>",
            *(
                [f"<desc>{escape(f'{_CLIENT}{one_line(pattern.client, LONGEST_CLIENT)}')}</desc>"]
                if pattern.client
                else []
            ),
            *(f"<desc>{escape(f'{_ALTERED}{row_of(item)}')}</desc>" for item in pattern.carried),
            *groups,
            "</svg>\n",
        ]
    )


def _group(piece: Piece, origin: Array) -> str:
    side, parts = piece.side, []
    for name in SEAMS:
        more = f' data-allowance="{_rounded(piece.allowance[name])}"' if name in piece.allowance else ""
        parts.append(f'<path id="{side}-{name}" class="seam"{more} d="{_path_data(piece.seams[name], origin)}"/>')
    for number, dart in enumerate(piece.darts, 1):
        line = np.array([dart.left, dart.tip, dart.right])
        parts.append(f'<path id="{side}-dart-{number}" class="dart" d="{_path_data(line, origin)}"/>')
    for name, line in piece.lines.items():
        parts.append(_line_element(side, "line", name, line, origin))
    left, right = float(piece.outline[:, 0].min()), float(piece.outline[:, 0].max())
    for name, y in piece.levels.items():
        parts.append(_line_element(side, "level", name, np.array([[left, y], [right, y]]), origin))
    low, high = float(piece.outline[:, 1].min()), float(piece.outline[:, 1].max())
    run = np.array([[piece.grain_x, low + (high - low) * 0.05], [piece.grain_x, low + (high - low) * 0.95]])
    parts.append(_line_element(side, "grain", "", run, origin))
    note = f"<desc>{escape(one_line(piece.note, LONGEST_NOTE))}</desc>"
    return "\n".join(
        [f'<g id="{side}" style="{_STYLE}" data-origin="{origin[0]:.3f} {origin[1]:.3f}">', note, *parts, "</g>"]
    )


def _path_data(line: Array, origin: Array) -> str:
    return "M " + " L ".join(f"{origin[0] + x:.3f} {origin[1] - y:.3f}" for x, y in line)


def _line_element(side: str, kind: str, name: str, line: Array, origin: Array) -> str:
    ident = "-".join([side, kind, *name.split()])
    (x1, y1), (x2, y2) = ((origin[0] + x, origin[1] - y) for x, y in line)
    given = f" data-line={quoteattr(name)}" if name else ""
    return (
        f'<line id={quoteattr(ident)} class="{kind}"{given} x1="{x1:.3f}" y1="{y1:.3f}" x2="{x2:.3f}" y2="{y2:.3f}"/>'
    )


def pattern_from_svg(text: str, shown_path: str) -> Pattern:
    """A pattern from an SVG drawing whose lines are named in their ids or classes. Raises ProblemsFoundError."""
    where = Where(shown_path)
    drawn: dict[Side, Drawn] = {"front": Drawn("front"), "back": Drawn("back")}
    seams: dict[tuple[Side, str], list[Shape]] = {}
    texts = {"title": "", "desc": ""}
    said: list[str] = []
    for shape in shapes_of(text, shown_path):
        chain = tuple(_known(words) for words in (shape.words, *shape.groups))
        side = _side(chain)
        if shape.text and len(shape.groups) == 1:
            texts[shape.tag] = texts[shape.tag] or shape.text
            said.append(shape.text)
        kind, name = _kind(shape, chain)
        if kind == "seam" and side is None:
            told = f"the seam '{name}' does not say whether it is front or back"
            raise stop("side", told, where=shape.where, hint=f"call it front-{name} or back-{name}")
        if side is not None and kind == "seam":
            seams.setdefault((side, name), []).append(shape)
        elif side is not None:
            _take(drawn[side], shape, kind, name)
    if not seams:
        hint = "call them front-waist, back-side and so on, by id or class"
        raise stop("seams", "no line of this drawing names a seam", where=where, hint=hint)
    for (side, name), shapes in seams.items():
        line = chained(line for shape in shapes for line in shape.lines)
        if line is None:
            raise stop(
                "open",
                f"{side}: the parts of the seam '{name}' do not touch",
                where=shapes[0].where,
                hint="draw it in one piece",
            )
        if np.hypot(*(line[0] - line[-1])) <= CLOSED_MM:
            told = f"{side}: the seam '{name}' ends where it begins"
            raise stop("closed", told, where=shapes[0].where, hint="is it drawn twice, or closed?")
        drawn[side].seams[name] = line
        drawn[side].allowance |= _allowance(shapes[0], name)
    front, back = (_piece(drawn[side], where) for side in ("front", "back"))
    title, grade = (one_line(texts[tag], LONGEST_TITLE) for tag in ("title", "desc"))
    grade = "" if grade.startswith((_CLIENT, _ALTERED)) else grade
    client = next((text[len(_CLIENT) :] for text in said if text.startswith(_CLIENT)), "")
    carried = from_rows([text[len(_ALTERED) :] for text in said if text.startswith(_ALTERED)])
    pattern = Pattern(front, back, title, grade, one_line(client, LONGEST_CLIENT), carried)
    if problems := check_size(pattern, where):
        raise ProblemsFoundError(problems)
    return pattern


def _side(chain: Sequence[Sequence[str]]) -> Side | None:
    """The piece a shape belongs to, by the nearest name that says one."""
    for words in chain:
        if ("front" in words) != ("back" in words):
            return "front" if "front" in words else "back"
    return None


def _known(words: Sequence[str]) -> list[str]:
    return [_SYNONYMS.get(word, word) for word in words]


def _kind(shape: Shape, chain: Sequence[Sequence[str]]) -> tuple[str, str]:
    """What a shape is, and its name: seam, dart, grain, level, line, origin or note; empty when nothing tells."""
    if shape.text:
        return ("note" if shape.tag == "desc" and len(shape.groups) == 2 else ""), ""
    if shape.tag == "g":
        return "origin", ""
    if "data-line" in shape.data:
        return ("level" if shape.data.get("class") == "level" else "line"), shape.data["data-line"]
    for words in chain:
        if kind := next((kind for kind in _KINDS if kind in words), ""):
            return kind, next((word for word in words if word in LEVELS), "")
        named = [name for name in SEAMS if name in words]
        if len(named) > 1:
            raise stop(
                "seams", f"a line names two seams: {' and '.join(named)}", where=shape.where, hint="name one of them"
            )
        if named:
            return "seam", named[0]
        if level := next((word for word in words if word in LEVELS), ""):
            return "line", level
    return "", ""


def _take(drawn: Drawn, shape: Shape, kind: str, name: str) -> None:
    """Put what is not a seam where it belongs; names that no file of ours could have are passed over."""
    if kind == "note":
        drawn.notes.append(one_line(shape.text, LONGEST_NOTE))
    elif kind == "origin":
        drawn.origin = shape.lines[0][0]
    elif kind == "grain":
        drawn.grain = shape.lines[0][[0, -1]]
    elif kind == "dart" and len(shape.lines[0]) > 2 and len(drawn.darts) < MOST_DARTS:
        drawn.darts.append(shape.lines[0])
    elif kind == "level" and name in LEVELS:
        drawn.levels[name] = shape.lines[0]
    elif kind == "line" and _NAME.match(name) and len(drawn.lines) < MOST_LINES:
        drawn.lines[name] = shape.lines[0]


def _allowance(shape: Shape, name: str) -> dict[str, float]:
    try:
        value = float(shape.data["data-allowance"])
    except (KeyError, ValueError):
        return {}
    return {name: value} if 0 <= value <= FARTHEST_MM else {}


def _piece(drawn: Drawn, where: Where) -> Piece:
    if not drawn.seams:
        raise stop(
            "pieces",
            f"this drawing has no seam of the {drawn.side}",
            where=where,
            hint="a pattern needs front and back",
        )
    return piece_of(drawn, where)
