"""Patterns as files in the format of this program: a mapping, written as JSON or YAML by the caller; lengths in mm, to 0.001."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, Field, ValidationError, model_validator

from fitdiag.knowledge.basics import Part
from fitdiag.pattern.assemble import level_faults, of_a_size, with_levels
from fitdiag.pattern.garment import Garment, shipped_garment, with_notches
from fitdiag.pattern.piece import MOST_POINTS, Array, Carried, Dart, Joint, Notch, Pattern, Piece, Side, faults, points
from fitdiag.pattern.record import LONGEST_CLIENT, LONGEST_NAME, MOST_CARRIED, is_id, valid_day
from fitdiag.problems import Hints, Problem, ProblemsFoundError, Where, one_line, placed, stop

SCHEMA = "fitdiag.pattern/1"
FARTHEST_MM = 10_000.0  # no point of a pattern lies farther from its origin
MOST_DARTS, MOST_LINES, MOST_NOTCHES = 20, 50, 200
LONGEST_TITLE, LONGEST_NOTE = 200, 2000
NAME = re.compile(r"[a-z0-9][a-z0-9 -]{0,39}\Z")
_NUMBER_ROW = re.compile(r"\[\s+(-?[\d.]+),\s+(-?[\d.]+)\s+\]")

Loc = tuple[str | int, ...]
Find = Callable[[Loc], Where | None]


# -- the program's own format --------------------------------------------------------------------------------------------


def pattern_to_data(pattern: Pattern) -> dict[str, Any]:
    """A pattern as plain values for JSON or YAML; lengths in mm, rounded to 0.001."""
    return {
        "schema": SCHEMA,
        "garment": pattern.garment.name,
        "title": one_line(pattern.title, LONGEST_TITLE),
        "grade": one_line(pattern.grade, LONGEST_TITLE),
        **({"client": one_line(pattern.client, LONGEST_CLIENT)} if pattern.client else {}),
        **({"altered": [_carried_data(item) for item in pattern.carried]} if pattern.carried else {}),
        "pieces": [_piece_data(piece, side) for piece, side in pattern.cut()],
    }


def _carried_data(carried: Carried) -> dict[str, Any]:
    return {
        "alteration": carried.alteration,
        **({"title": one_line(carried.title, LONGEST_NAME)} if carried.title else {}),
        "amount_mm": rounded(carried.amount),
        **({"day": carried.day} if carried.day else {}),
        **({"side": carried.side} if carried.side != "both" else {}),
    }


def pattern_to_text(pattern: Pattern) -> str:
    """`pattern_to_data` as JSON with a point a line, which is YAML too."""
    text = json.dumps(pattern_to_data(pattern), indent=1, ensure_ascii=False)
    return _NUMBER_ROW.sub(r"[\1, \2]", text) + "\n"


def _piece_data(piece: Piece, side: Side) -> dict[str, Any]:
    return {
        "piece": piece.name,
        **({"for": side} if side != "both" else {}),
        "cut": piece.part.cut if side == "both" else 1,
        "unit": "mm",
        "grain_x": rounded(piece.grain_x),
        "levels": {name: rounded(y) for name, y in piece.levels.items()},
        "seams": {name: _rows(piece.seams[name]) for name in piece.part.seams},
        "darts": [
            {part: _rows(getattr(dart, part)[None])[0] for part in ("left", "right", "tip")} for dart in piece.darts
        ],
        "lines": {name: _rows(line) for name, line in piece.lines.items()},
        "notches": [{"name": n.name, "seam": n.seam, "at": _rows(n.at[None])[0]} for n in piece.notches],
        **({"holes": _rows(np.array(piece.holes))} if piece.holes else {}),
        **({"band": {name: [rounded(mm) for mm in sizes] for name, sizes in piece.band.items()}} if piece.band else {}),
        **({"joints": [_joint_data(joint) for joint in piece.joints]} if piece.joints else {}),
        "allowance": {name: rounded(mm) for name, mm in piece.allowance.items()},
        "note": one_line(piece.note, LONGEST_NOTE),
    }


def _joint_data(joint: Joint) -> dict[str, Any]:
    under = {} if joint.hidden is None else {"hidden": _rows(joint.hidden), "of": list(joint.of)}
    return {"seam": joint.seam, "at": _rows(joint.at), **under}


def rounded(value: float) -> float:
    return round(float(value), 3) + 0.0  # no -0.0


def _rows(line: Array) -> list[list[float]]:
    return [[rounded(x), rounded(y)] for x, y in line]


# -- what stands in a file -----------------------------------------------------------------------------------------------


Mm = Annotated[float, Field(strict=True, ge=-FARTHEST_MM, le=FARTHEST_MM, allow_inf_nan=False)]
Width = Annotated[float, Field(strict=True, ge=0.0, le=FARTHEST_MM, allow_inf_nan=False)]
Point = tuple[Mm, Mm]
Seam = Annotated[list[Point], Field(min_length=2, max_length=MOST_POINTS)]
Line = Annotated[list[Point], Field(min_length=2, max_length=1000)]
Name = Annotated[str, Field(pattern=NAME.pattern.replace("\\Z", "$"))]


class _Dart(Part):
    left: Point
    right: Point
    tip: Point


class _Notch(Part):
    name: str
    seam: str
    at: Point


class _Joint(Part):
    seam: str
    at: tuple[Point, Point]
    hidden: Seam | None = None
    of: list[str] = []

    @model_validator(mode="after")
    def _each_step_has_a_seam(self) -> _Joint:
        if self.hidden is not None and len(self.of) != len(self.hidden) - 1:
            raise ValueError("a seam for each step of what is hidden")
        return self


class _Carried(Part):
    alteration: str
    amount_mm: Mm
    title: str = ""
    day: str = ""
    side: Side = "both"

    @model_validator(mode="before")
    @classmethod
    def _day_as_text(cls, data: Any) -> Any:  # YAML takes a bare day for a date
        return {**data, "day": str(data["day"])} if isinstance(data, dict) and data.get("day") else data

    @model_validator(mode="after")
    def _is_one(self) -> _Carried:
        if not is_id(self.alteration):
            raise ValueError(f"'{one_line(self.alteration, 40)}' is not an alteration's id")
        if self.day and not valid_day(self.day):
            raise ValueError(f"'{one_line(self.day, 20)}' is not a day; write it like 2026-11-25")
        return self


class _Piece(Part):
    piece: Any = None
    side: Any = None  # what it was called in older files
    for_side: Side = Field("both", alias="for")
    cut: Any = None
    unit: Literal["mm"]
    grain_x: Mm
    levels: dict[str, Mm] = {}
    seams: dict[str, Seam]
    darts: Annotated[list[_Dart], Field(max_length=MOST_DARTS)] = []
    lines: Annotated[dict[Name, Line], Field(max_length=MOST_LINES)] = {}
    notches: Annotated[list[_Notch], Field(max_length=MOST_NOTCHES)] | None = None
    joints: Annotated[list[_Joint], Field(max_length=MOST_NOTCHES)] = []
    holes: Annotated[list[Point], Field(max_length=MOST_NOTCHES)] = []
    band: dict[str, tuple[Width, Width, Width]] = {}
    allowance: dict[str, Width] = {}
    note: str = ""


class _File(Part):
    schema_: Literal["fitdiag.pattern/1"] = Field(alias="schema")
    garment: str = ""
    title: str = ""
    grade: str = ""
    client: str = ""
    altered: Annotated[list[_Carried], Field(max_length=MOST_CARRIED)] = []
    pieces: Annotated[list[_Piece], Field(max_length=20)]


_WHOLE: Mapping[str, str] = {  # told once for the whole item
    "darts": "a dart needs left, right and tip, each [x, y] in mm",
    "notches": "a notch needs name, seam and at: [x, y] in mm",
    "joints": "a joint needs seam and at: two points in mm; what is hidden needs points, and 'of' the seam of each step",
    "band": "this needs three numbers of mm",
}
_KINDS: Mapping[str, str] = {
    "list_type": "a list", "dict_type": "'name: value' lines", "model_type": "'name: value' lines",
    "model_attributes_type": "'name: value' lines", "string_type": "text; put it in quotes",
    "float_type": "a number of mm", "greater_than_equal": "", "less_than_equal": "", "finite_number": "",
}  # fmt: skip


def pattern_from_data(data: object, where: Find, garment: Garment | None = None) -> Pattern:
    """A pattern from plain values; `where` gives the place of a value. Raises ProblemsFoundError with every problem found."""
    if not isinstance(data, Mapping) or data.get("schema") != SCHEMA:
        told = f"this is not a pattern file: it has no 'schema: {SCHEMA}'"
        raise stop("schema", told, where=where(()), hint="is it the right file?")
    named = data.get("garment", "")
    if not isinstance(named, str):
        raise stop("garment", "'garment' must be a name, like trousers", where=where(("garment",)))
    with placed(where(("garment",))):
        garment = garment or shipped_garment(named)
    wrong = _names(data, garment, where)
    try:
        file = _File.model_validate(data)
    except ValidationError as error:
        _tell(error, wrong, where)
    if wrong:
        raise ProblemsFoundError(list(wrong.values()))
    problems: list[Problem] = []
    pieces: dict[Side, dict[str, Piece]] = {"both": {}, "left": {}, "right": {}}
    for index, one in enumerate(file.pieces):
        piece, found = _piece_of(one, garment, where, ("pieces", index))
        problems += found
        if piece.name in pieces[one.for_side]:
            told = f"there are two pieces '{piece.name}'"
            problems.append(Problem("pieces", told, where(("pieces", index, "piece")), "keep one of them"))
        pieces[one.for_side][piece.name] = piece
    own = {**pieces["both"], **pieces["right"]}
    if not problems and (set(own) != set(garment.parts) or set(pieces["left"]) != set(pieces["right"])):
        told = f"a pattern needs one each of: {', '.join(garment.parts)}; or one for left and one for right"
        problems.append(Problem("pieces", told, where(("pieces",))))
    if problems:
        raise ProblemsFoundError(problems)
    carried = tuple(
        Carried(one.alteration, one.amount_mm, one_line(one.title, LONGEST_NAME), one.day, one.side)
        for one in file.altered
    )
    title, grade = one_line(file.title, LONGEST_TITLE), one_line(file.grade, LONGEST_TITLE)
    ordered = {name: own[name] for name in garment.parts}
    client = one_line(file.client, LONGEST_CLIENT)
    with placed(where(("pieces",))):
        return of_a_size(Pattern(garment, ordered, pieces["left"], title, grade, client, carried))


def _piece_of(one: _Piece, garment: Garment, where: Find, loc: Loc) -> tuple[Piece, list[Problem]]:
    """A piece with what is wrong in its shape."""
    part = garment.parts[one.piece or one.side]
    seams = {name: points(one.seams[name]) for name in part.seams}
    lines, _ = with_levels(part, one.levels, {name: points(line) for name, line in one.lines.items()}, seams)
    piece = Piece(
        part, seams, tuple(Dart(*(points([at])[0] for at in (dart.left, dart.right, dart.tip))) for dart in one.darts), lines,
        tuple(Notch(one_line(n.name, 40), n.seam, points([n.at])[0]) for n in one.notches or ()), one.grain_x, one.allowance,
        one_line(one.note, LONGEST_NOTE), tuple(_joint_of(joint) for joint in one.joints), one.band,
        tuple(points(one.holes)) if one.holes else (),
    )  # fmt: skip
    problems = [replace(problem, where=where((*loc, "levels"))) for problem in level_faults(piece)]
    problems += [replace(problem, where=where(loc)) for problem in faults(piece)]
    return (piece if one.notches is not None or problems else with_notches(garment, piece)), problems


def _joint_of(joint: _Joint) -> Joint:
    if joint.hidden is None:
        return Joint(joint.seam, points(joint.at))
    return Joint(joint.seam, points(joint.at), points(joint.hidden), tuple(joint.of))


def _names(data: Mapping[str, Any], garment: Garment, where: Find) -> dict[Loc, Problem]:
    """Names in the pieces that their garment does not know, and seams that are missing."""
    hints = Hints()
    found: dict[Loc, Problem] = {}

    def tell(code: str, told: str, loc: Loc, hint: str = "") -> None:
        found[loc] = Problem(code, told, where(loc), hint)

    pieces = data.get("pieces")
    for index, piece in enumerate(pieces if isinstance(pieces, list) else ()):
        loc: Loc = ("pieces", index)
        if not isinstance(piece, Mapping):
            continue
        key = "piece" if "piece" in piece else "side"
        part = garment.parts.get(piece[key]) if isinstance(piece.get(key), str) else None
        if part is None:
            told = "a piece needs " + " or ".join(f"'piece: {known}'" for known in garment.parts)
            tell("piece", told, (*loc, key))
            continue
        for inner in ("seams", "levels", "allowance", "band"):
            known = part.levels if inner == "levels" else part.seams
            for name in piece[inner] if isinstance(piece.get(inner), Mapping) else ():
                if name not in known:
                    hint = hints.near(str(name), known) or f"it may hold {', '.join(known)}"
                    told = f"'{one_line(name, 40)}' is not known here"
                    tell("unknown-key", told, (*loc, inner, name), hint)
        given = piece.get("seams")
        if missing := [name for name in part.seams if not isinstance(given, Mapping) or given.get(name) is None]:
            told, hint = f"the seams {', '.join(missing)} are missing", f"a piece has {', '.join(part.seams)}"
            tell("seams", told, (*loc, "seams"), hint)
        for inner in ("notches", "joints"):
            rows = piece.get(inner)
            for number, row in enumerate(rows if isinstance(rows, list) else ()):
                of = [row.get("seam"), row.get("of")] if isinstance(row, Mapping) else []
                of = [of[0], *of[1]] if of and isinstance(of[1], list) else of
                if any(isinstance(seam, str) and seam not in part.seams for seam in of):
                    tell(inner, _WHOLE[inner], (*loc, inner, number))
    return found


def _tell(error: ValidationError, found: dict[Loc, Problem], where: Find) -> None:
    """Add what does not fit the form of a file, in words; one problem for each place."""
    hints, spoiled = Hints(), set()
    for fault in error.errors(include_url=False):
        loc, kind = tuple(part for part in fault["loc"] if part != "[key]"), fault["type"]
        inner = next((k for k, part in enumerate(loc[:-1]) if part in _WHOLE), None)
        rows = next((k for k, part in enumerate(loc) if part in ("seams", "lines")), None)
        key, hint, code = loc[-1] if loc else "", "", kind
        if kind == "float_type" and type(fault["input"]) is int:
            kind = "finite_number"  # one that is too large for a float
        if inner is not None:
            loc, told = loc[: inner + 2], _WHOLE[str(loc[inner])]
        elif rows is not None and len(loc) == rows + 2 and fault["input"] is None and "seams" in loc:
            continue  # told as missing
        elif rows is not None and len(loc) > rows + 2:
            if loc[: rows + 2] in spoiled:
                continue  # the first of a line is enough
            spoiled.add(loc[: rows + 2])
            loc, code = loc[: rows + 3], "point"
            told, hint = f"point {int(loc[-1]) + 1} of '{loc[-2]}' is not [x, y] in mm", "write it like [120.5, 30]"
        elif kind == "extra_forbidden":
            model: type[BaseModel] = _Piece if loc[0] == "pieces" else _Carried if loc[0] == "altered" else _File
            known = [info.alias or name for name, info in model.model_fields.items()]
            told, hint = f"'{one_line(key, 40)}' is not known here", hints.near(str(key), known)
            hint = hint or f"it may hold {', '.join(known)}"
        elif kind == "value_error":
            told = one_line(fault["msg"].removeprefix("Value error, "), 120)
        elif loc[0] == "altered" and len(loc) == 2:
            told = "this must hold 'alteration: ...' and 'amount_mm: ...'"
        elif key == "unit":
            told, hint = "a piece needs 'unit: mm'", "give all its numbers in mm"
        elif key == "pieces":
            told = "'pieces' must be a list of pieces"
        elif kind in ("too_short", "too_long"):
            told = f"'{key}' has {fault['ctx']['actual_length']} {'points' if rows is not None else 'items'}, too "
            told += "few" if kind == "too_short" else "many"
        elif kind == "string_pattern_mismatch":
            told, hint = f"'{one_line(key, 40)}' is not a name", "use small letters, figures and spaces"
        elif kind in _KINDS:
            told = f"'{key}' must be {_KINDS[kind]}" if _KINDS[kind] else f"'{key}' must lie between "
            if not _KINDS[kind]:
                least = 0.0 if "allowance" in loc else -FARTHEST_MM
                told, hint, code = f"{told}{least:g} and {FARTHEST_MM:g} mm", "are the numbers in mm?", "number"
        elif kind == "missing":
            told = f"'{key}' is missing"
        else:
            told = f"'{key}' is not what belongs there: {one_line(fault['msg'], 80)}"
        found.setdefault(loc, Problem(code, told, where(loc), hint))
