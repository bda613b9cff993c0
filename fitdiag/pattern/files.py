"""Patterns as files in the format of this program: a mapping, written as JSON or YAML by the caller; lengths in mm, to 0.001."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cache
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import AfterValidator, Field, PlainValidator, ValidationError, create_model, model_validator

from fitdiag.knowledge.basics import Id, Part
from fitdiag.knowledge.reading import problems_of, read_file, wrong
from fitdiag.knowledge.strict_yaml import Document
from fitdiag.pattern.assemble import level_faults, of_a_size, with_levels
from fitdiag.pattern.garment import Garment, shipped_garment, with_notches
from fitdiag.pattern.piece import MOST_POINTS, Array, Carried, Dart, Joint, Notch, Pattern, Piece, Side, faults, points
from fitdiag.pattern.record import LONGEST_CLIENT, LONGEST_NAME, MOST_CARRIED, valid_day
from fitdiag.problems import Hints, Problem, ProblemsFoundError, one_line, placed

SCHEMA = "fitdiag.pattern/1"
FARTHEST_MM = 10_000.0  # no point of a pattern lies farther from its origin
MOST_DARTS, MOST_LINES, MOST_NOTCHES = 20, 50, 200
LONGEST_TITLE, LONGEST_NOTE = 200, 2000
NAME = re.compile(r"[a-z0-9][a-z0-9 -]{0,39}\Z")
_NUMBER_ROW = re.compile(r"\[\s+(-?[\d.]+),\s+(-?[\d.]+)\s+\]")


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


def _xy(value: object) -> tuple[float, float]:
    pair = value if isinstance(value, list | tuple) else ()
    if len(pair) != 2 or not all(type(mm) in (int, float) and abs(mm) <= FARTHEST_MM for mm in pair):
        hint = f"write it like [120.5, 30], each between {-FARTHEST_MM:g} and {FARTHEST_MM:g}"
        raise wrong("point", "this is not [x, y] in mm", hint)
    return float(pair[0]), float(pair[1])


def _day(text: str) -> str:
    if text and not valid_day(text):
        raise wrong("day", f"'{one_line(text, 20)}' is not a day", "write it like 2026-11-25")
    return text


Mm = Annotated[float, Field(strict=True, ge=-FARTHEST_MM, le=FARTHEST_MM, allow_inf_nan=False)]
Width = Annotated[float, Field(strict=True, ge=0.0, le=FARTHEST_MM, allow_inf_nan=False)]
Point = Annotated[tuple[float, float], PlainValidator(_xy)]
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
    at: Annotated[list[Point], Field(min_length=2, max_length=2)]
    hidden: Seam | None = None
    of: list[str] = []

    @model_validator(mode="after")
    def _each_step_has_a_seam(self) -> _Joint:
        if self.hidden is not None and len(self.of) != len(self.hidden) - 1:
            raise ValueError("what is hidden needs points, and 'of' the seam of each step")
        return self


class _Carried(Part):
    alteration: Id
    amount_mm: Mm
    title: str = ""
    day: Annotated[str, AfterValidator(_day)] = ""
    side: Side = "both"


class _Piece(Part):
    """A piece of any garment; `_models` says which names its own pieces have."""

    piece: str = ""
    side: str = ""  # what `piece` was called in older files
    for_side: Side = Field("both", alias="for")
    cut: Any = None
    unit: Literal["mm"]
    grain_x: Mm
    levels: Any
    seams: Any
    darts: Annotated[list[_Dart], Field(max_length=MOST_DARTS)] = []
    lines: Annotated[dict[Name, Line], Field(max_length=MOST_LINES)] = {}
    notches: Annotated[list[_Notch], Field(max_length=MOST_NOTCHES)] | None = None
    joints: Annotated[list[_Joint], Field(max_length=MOST_NOTCHES)] = []
    holes: Annotated[list[Point], Field(max_length=MOST_NOTCHES)] = []
    band: Any
    allowance: Any
    note: str = ""


class _File(Part):
    garment: str = ""
    title: str = ""
    grade: str = ""
    client: str = ""
    altered: Annotated[list[_Carried], Field(max_length=MOST_CARRIED)] = []
    pieces: Annotated[list[dict[str, Any]], Field(max_length=20)]


@cache
def _models(garment: Garment) -> Mapping[str, type[_Piece]]:
    """What a file may say of each piece of a garment: all its seams must be there, and other names are not known."""

    def named(names: Iterable[str], value: Any, **default: Any) -> tuple[type[Part], Any]:
        fields: dict[str, Any] = {f"n{k}": (value, Field(alias=name, **default)) for k, name in enumerate(names)}
        model = create_model("_Named", __base__=Part, **fields)
        return model, model() if default else ...

    found = {}
    for name, part in garment.parts.items():
        optional = {"default": None}
        found[name] = create_model(
            "_Own", __base__=_Piece,
            seams=named(part.seams, Seam), levels=named(part.levels, Mm, **optional),
            allowance=named(part.seams, Width, **optional), band=named(part.seams, tuple[Width, Width, Width], **optional),
        )  # fmt: skip
    return found


def pattern_from_data(document: Document, garment: Garment | None = None) -> Pattern:
    """A pattern from the plain values of a file. Raises ProblemsFoundError with every problem found."""
    file, where = read_file(document, _File, SCHEMA), document.where
    with placed(where(("garment",))):
        garment = garment or shipped_garment(file.garment)
    hints, problems = Hints(), list[Problem]()
    pieces: dict[Side, dict[str, Piece]] = {"both": {}, "left": {}, "right": {}}
    for index, data in enumerate(file.pieces):
        loc = ("pieces", index)
        model = _models(garment).get(str(data.get("piece", data.get("side"))))
        if model is None:
            told = "a piece needs " + " or ".join(f"'piece: {known}'" for known in garment.parts)
            problems.append(Problem("piece", told, where((*loc, "piece"))))
            continue
        try:
            one = model.model_validate(data)
        except ValidationError as error:
            problems += problems_of(error, document, loc, model, hints)
            continue
        piece, found = _piece_of(one, garment)
        problems += [replace(problem, where=where((*loc, problem.code))) for problem in found]
        if piece.name in pieces[one.for_side]:
            told = f"there are two pieces '{piece.name}'"
            problems.append(Problem("pieces", told, where((*loc, "piece")), "keep one of them"))
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


def _piece_of(one: _Piece, garment: Garment) -> tuple[Piece, list[Problem]]:
    """A piece with what is wrong in its shape."""
    part = garment.parts[one.piece or one.side]
    levels, seams, allowance, band = (
        named.model_dump(by_alias=True, exclude_none=True) for named in (one.levels, one.seams, one.allowance, one.band)
    )
    seams = {name: points(line) for name, line in seams.items()}
    lines, _ = with_levels(part, levels, {name: points(line) for name, line in one.lines.items()}, seams)
    piece = Piece(
        part, seams, tuple(Dart(*points([dart.left, dart.right, dart.tip])) for dart in one.darts), lines,
        tuple(Notch(one_line(n.name, 40), n.seam, points([n.at])[0]) for n in one.notches or ()), one.grain_x, allowance,
        one_line(one.note, LONGEST_NOTE), tuple(_joint_of(joint) for joint in one.joints), band, tuple(points(one.holes)),
    )  # fmt: skip
    named = [*(notch.seam for notch in piece.notches), *(s for joint in piece.joints for s in (joint.seam, *joint.of))]
    problems = [
        Problem("seam", f"{part.name}: a notch or joint is on '{one_line(seam, 40)}', which is no seam of it")
        for seam in dict.fromkeys(named)
        if seam not in part.seams
    ]
    problems += [*level_faults(piece), *faults(piece)]
    return (piece if one.notches is not None or problems else with_notches(garment, piece)), problems


def _joint_of(joint: _Joint) -> Joint:
    if joint.hidden is None:
        return Joint(joint.seam, points(joint.at))
    return Joint(joint.seam, points(joint.at), points(joint.hidden), tuple(joint.of))
