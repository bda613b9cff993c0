"""Read and write pattern files in all formats, by suffix: the program's own, SVG and DXF. Only what reads back is written.

The program's own format is a JSON or YAML mapping, with lengths in mm to 0.001.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import AfterValidator, Field, PlainValidator, ValidationInfo, model_validator

from fitdiag.files import read_bytes, write_atomically
from fitdiag.knowledge.basics import Id, Part
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.reading import parse_json, read_file, wrong
from fitdiag.knowledge.strict_yaml import Document, parse_yaml, read_text
from fitdiag.pattern import record
from fitdiag.pattern.assemble import Taken, level_faults, put_together, with_levels
from fitdiag.pattern.dxf import pattern_from_dxf, pattern_to_dxf
from fitdiag.pattern.garment import Garment, garment_of, shipped_garment, with_notches
from fitdiag.pattern.piece import MOST_POINTS, Array, Carried, Dart, Joint, Notch, Pattern, Piece, Side, faults, points
from fitdiag.pattern.record import rounded
from fitdiag.problems import Hints, Problem, ProblemsFoundError, Where, one_line, placed, stop
from fitdiag.units import Units, parse_day

LARGEST = 4 * 1024 * 1024
FORMATS = (".yaml", ".json", ".svg", ".dxf")
SCHEMA = "fitdiag.pattern/1"
FARTHEST_MM = 10_000.0  # limit of a coordinate
_NUMBER_ROW = re.compile(r"\[\s+(-?[\d.]+),\s+(-?[\d.]+)\s+\]")


@dataclass(frozen=True)
class Reading:
    """What the fitter adds about a file that leaves it open."""

    line: Literal["cut", "stitch"] | None = None
    allowance: float | None = None
    dpi: float | None = None
    garment: Garment | None = None


def read_pattern(text: str, reading: Reading | None = None, taken: Taken | None = None) -> Pattern:
    """Read a .yaml, .json, .svg or .dxf pattern file; fill `taken` with what was read. Raises ProblemsFoundError."""
    path = Path(text)
    kind = _format_of(path)
    content = (read_bytes if kind == ".dxf" else read_text)(path, LARGEST, "pattern file")
    return _parsed(kind, content, one_line(path), reading or Reading(), taken)


def by_rules(base: RuleBase | None) -> Reading | None:
    """A `Reading` with the garment of these rules; None if they have none, so that the file decides."""
    return Reading(garment=garment_of(base)) if base is not None and base.garment is not None else None


def write_pattern(pattern: Pattern, text: str, *, replace: bool) -> None:
    """Write a pattern in the format of its suffix. Raises ProblemsFoundError, writing nothing, if it would not read back."""
    path = Path(text)
    kind = _format_of(path)
    if kind == ".svg":
        from fitdiag.pattern.svg_files import pattern_to_svg  # noqa: PLC0415 (its library takes longest to load)

        content = pattern_to_svg(pattern)
    else:
        content = pattern_to_dxf(pattern) if kind == ".dxf" else pattern_to_text(pattern)  # JSON, which is YAML too
    try:
        _parsed(kind.replace(".yaml", ".json"), content, one_line(path), Reading(garment=pattern.garment))
    except ProblemsFoundError as stopped:
        message = f"this pattern is not written, as it could not be read again: {stopped.problems[0].message}"
        raise stop("broken", message, hint="take a smaller amount, or look at the last alteration") from None
    write_atomically(path, content, replace=replace)


def _format_of(path: Path) -> str:
    """Return the format by suffix, one of FORMATS."""
    kind = path.suffix.lower().replace(".yml", ".yaml")
    if kind not in FORMATS:
        message = f"'{one_line(path.suffix.lower(), 20)}' is not a pattern format"
        hint = f"give {', '.join(FORMATS[:-1])} or {FORMATS[-1]}"
        raise stop("format", message, where=Where(one_line(path)), hint=hint)
    return kind


def _parsed(kind: str, content: str | bytes, shown: str, reading: Reading, taken: Taken | None = None) -> Pattern:
    if kind == ".dxf":
        return pattern_from_dxf(
            content, shown, reading.garment, line=reading.line, allowance=reading.allowance, taken=taken
        )
    assert isinstance(content, str)
    if kind == ".svg":
        from fitdiag.pattern.svg_files import pattern_from_svg  # noqa: PLC0415

        return pattern_from_svg(content, shown, reading.garment, dpi=reading.dpi, taken=taken)
    if kind == ".yaml":
        return pattern_from_data(parse_yaml(content, shown), reading.garment)
    return pattern_from_data(parse_json(content, shown, "is it the right file?"), reading.garment)


# -- the program's own format --------------------------------------------------------------------------------------------


def pattern_to_data(pattern: Pattern) -> dict[str, Any]:
    """Return a pattern as plain values for JSON or YAML, lengths in mm rounded to 0.001."""
    return {
        "schema": SCHEMA,
        "garment": pattern.garment.name,
        "title": one_line(pattern.title, record.LONGEST_TITLE),
        "grade": one_line(pattern.grade, record.LONGEST_TITLE),
        **({"units": pattern.units} if pattern.units else {}),
        **({"client": one_line(pattern.client, record.LONGEST_CLIENT)} if pattern.client else {}),
        **({"altered": [_carried_data(item) for item in pattern.carried]} if pattern.carried else {}),
        "pieces": [_piece_data(piece, side) for piece, side in pattern.cut()],
    }


def _carried_data(carried: Carried) -> dict[str, Any]:
    data = {
        "alteration": carried.alteration, "title": one_line(carried.title, record.LONGEST_NAME),
        "amount_mm": rounded(carried.amount), "day": carried.day, "side": carried.side,
    }  # fmt: skip
    return {key: value for key, value in data.items() if value not in ("", "both")}


def pattern_to_text(pattern: Pattern) -> str:
    """Return `pattern_to_data` as JSON (also valid YAML) with one point per line."""
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
        "note": one_line(piece.note, record.LONGEST_NOTE),
    }


def _joint_data(joint: Joint) -> dict[str, Any]:
    under = {} if joint.hidden is None else {"hidden": _rows(joint.hidden), "of": list(joint.of)}
    return {"seam": joint.seam, "at": _rows(joint.at), **under}


def _rows(line: Array) -> list[list[float]]:
    return [[rounded(x), rounded(y)] for x, y in line]


# -- the contents of a file ----------------------------------------------------------------------------------------------


def _xy(value: object) -> tuple[float, float]:
    pair = value if isinstance(value, list | tuple) else ()
    if len(pair) != 2 or not all(type(mm) in (int, float) and abs(mm) <= FARTHEST_MM for mm in pair):
        hint = f"write it like [120.5, 30], each between {-FARTHEST_MM:g} and {FARTHEST_MM:g}"
        raise wrong("point", "this is not [x, y] in mm", hint)
    return float(pair[0]), float(pair[1])


def _day(text: str) -> str:
    if text and parse_day(text) is None:
        raise wrong("day", f"'{one_line(text, 20)}' is not a day", "write it like 2026-11-25")
    return text


def _one_of(kind: Literal["seams", "levels"]) -> AfterValidator:
    """Validator: a name that some piece of the garment has."""

    def checked(name: str, info: ValidationInfo) -> str:
        parts: Mapping[str, Any] = getattr(info.context, "parts", {})
        known = dict.fromkeys(one for part in parts.values() for one in getattr(part, kind))
        if name not in known:
            raise wrong("unknown-key", f"'{one_line(name, 50)}' is not a key here", Hints().near(name, known))
        return name

    return AfterValidator(checked)


Mm = Annotated[float, Field(strict=True, ge=-FARTHEST_MM, le=FARTHEST_MM, allow_inf_nan=False)]
Width = Annotated[float, Field(strict=True, ge=0.0, le=FARTHEST_MM, allow_inf_nan=False)]
Point = Annotated[tuple[float, float], PlainValidator(_xy)]
Seam = Annotated[list[Point], Field(min_length=2, max_length=MOST_POINTS)]
Line = Annotated[list[Point], Field(min_length=2, max_length=1000)]
Name = Annotated[str, Field(pattern=record.LINE_NAME.pattern.replace("\\Z", "$"))]

SeamName = Annotated[str, _one_of("seams")]


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
    """A piece of any garment; whether its names belong to this piece is checked later."""

    piece: str = ""
    for_side: Side = Field("both", alias="for")
    cut: Any = None
    unit: Literal["mm"]
    grain_x: Mm
    levels: dict[Annotated[str, _one_of("levels")], Mm] = {}
    seams: dict[SeamName, Seam]
    darts: Annotated[list[_Dart], Field(max_length=record.MOST_DARTS)] = []
    lines: Annotated[dict[Name, Line], Field(max_length=record.MOST_LINES)] = {}
    notches: Annotated[list[_Notch], Field(max_length=record.MOST_NOTCHES)] | None = None
    joints: Annotated[list[_Joint], Field(max_length=record.MOST_NOTCHES)] = []
    holes: Annotated[list[Point], Field(max_length=record.MOST_NOTCHES)] = []
    band: dict[SeamName, tuple[Width, Width, Width]] = {}
    allowance: dict[SeamName, Width] = {}
    note: str = ""


class _File(Part):
    garment: str = ""
    title: str = ""
    grade: str = ""
    units: Units | None = None
    client: str = ""
    altered: Annotated[list[_Carried], Field(max_length=record.MOST_CARRIED)] = []
    pieces: Annotated[list[_Piece], Field(max_length=20)]


def pattern_from_data(document: Document, garment: Garment | None = None) -> Pattern:
    """Build a pattern from the plain values of a file. Raises ProblemsFoundError with every problem found."""
    where, name = document.where, document.data.get("garment", "") if isinstance(document.data, dict) else ""
    with placed(where(("garment",))):
        garment = garment or shipped_garment(name if isinstance(name, str) else "")
    file = read_file(document, _File, SCHEMA, garment)
    problems: list[Problem] = []
    pieces: dict[tuple[str, Side], Piece] = {}
    for index, one in enumerate(file.pieces):
        loc, name = ("pieces", index), one.piece
        if name not in garment.parts:
            message = "a piece needs " + " or ".join(f"'piece: {known}'" for known in garment.parts)
            problems.append(Problem("piece", message, where((*loc, "piece"))))
            continue
        piece, piece_problems = _piece_of(one, garment)
        problems += [replace(problem, where=where((*loc, problem.code))) for problem in piece_problems]
        if (name, one.for_side) in pieces:
            message = f"there are two pieces '{name}'"
            problems.append(Problem("pieces", message, where((*loc, "piece")), "keep one of them"))
        if piece is not None:
            pieces[name, one.for_side] = piece
    both, left, right = ({name for name, side in pieces if side == wanted} for wanted in ("both", "left", "right"))
    if not problems and (both | right != set(garment.parts) or left != right):
        message = f"a pattern needs one each of: {', '.join(garment.parts)}; or one for left and one for right"
        problems.append(Problem("pieces", message, where(("pieces",))))
    if problems:
        raise ProblemsFoundError(problems)
    carried = [
        Carried(one.alteration, one.amount_mm, one_line(one.title, record.LONGEST_NAME), one.day, one.side)
        for one in file.altered
    ]
    with placed(where(("pieces",))):
        return put_together(garment, pieces, file.title, file.grade, file.client, carried, file.units)


def _piece_of(one: _Piece, garment: Garment) -> tuple[Piece | None, list[Problem]]:
    """Build a piece and list the problems of its names and shape; None if a seam is missing or unknown."""
    part = garment.parts[one.piece]
    seams = [*one.seams, *one.allowance, *one.band, *(notch.seam for notch in one.notches or ())]
    seams += [seam for joint in one.joints for seam in (joint.seam, *joint.of)]
    unknown = [(name, "seam") for name in dict.fromkeys(seams) if name not in part.seams]
    unknown += [(name, "level") for name in one.levels if name not in part.levels]
    problems = [
        Problem(f"{kind}s", f"{part.name}: '{one_line(name, 40)}' is not a {kind} of it") for name, kind in unknown
    ]
    problems += [Problem("seams", f"{part.name}: '{name}' is missing") for name in part.seams if name not in one.seams]
    if problems:
        return None, problems
    drawn = {name: points(one.seams[name]) for name in part.seams}
    lines = {name: points(line) for name, line in one.lines.items()}
    piece = Piece(
        part, drawn, tuple(Dart(*points([dart.left, dart.right, dart.tip])) for dart in one.darts), lines,
        tuple(Notch(one_line(n.name, 40), n.seam, points([n.at])[0]) for n in one.notches or ()), one.grain_x, one.allowance,
        one_line(one.note, record.LONGEST_NOTE), tuple(_joint_of(joint) for joint in one.joints), one.band, tuple(points(one.holes)),
    )  # fmt: skip
    piece, _ = with_levels(piece, one.levels)
    problems = [*level_faults(piece, one.levels), *_twice(piece), *faults(piece)]
    return (piece if one.notches is not None or problems else with_notches(piece)), problems


def _twice(piece: Piece) -> list[Problem]:
    """What a piece has once and the file gives twice: a notch of one name on one seam, a dart at one place."""
    notches = Counter((notch.name, notch.seam) for notch in piece.notches)
    darts = Counter(tuple(map(tuple, dart.ends.tolist())) for dart in piece.darts)
    twice = [("notches", f"notch '{name}' on the seam '{seam}'") for (name, seam), many in notches.items() if many > 1]
    twice += [("darts", f"dart at [{ends[0][0]:g}, {ends[0][1]:g}]") for ends, many in darts.items() if many > 1]
    return [Problem(code, f"{piece.name}: the {what} is there twice", None, "keep one of them") for code, what in twice]


def _joint_of(joint: _Joint) -> Joint:
    hidden = None if joint.hidden is None else points(joint.hidden)
    return Joint(joint.seam, points(joint.at), hidden, tuple(joint.of))
