"""Patterns as files in the format of this program: a mapping, written as JSON or YAML by the caller; lengths in mm, to 0.001."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from fitdiag.pattern.assemble import check_size, level_faults, with_levels
from fitdiag.pattern.garment import Garment, shipped_garment, with_notches
from fitdiag.pattern.piece import (
    MOST_POINTS,
    Array,
    Carried,
    Dart,
    Joint,
    Notch,
    Part,
    Pattern,
    Piece,
    Side,
    faults,
    points,
)
from fitdiag.pattern.record import LONGEST_CLIENT, LONGEST_NAME, MOST_CARRIED, is_id, valid_day
from fitdiag.problems import Hints, Problem, ProblemsFoundError, Where, one_line, stop

SCHEMA = "fitdiag.pattern/1"
FARTHEST_MM = 10_000.0  # no point of a pattern lies farther from its origin
MOST_DARTS, MOST_LINES, MOST_NOTCHES = 20, 50, 200
LONGEST_TITLE, LONGEST_NOTE = 200, 2000
_TOP = ("schema", "garment", "title", "grade", "client", "altered", "pieces")
_CARRIED = ("alteration", "title", "amount_mm", "day", "side")
_PIECE = (
    "piece", "side", "for", "cut", "unit", "grain_x", "levels", "seams", "darts", "lines", "notches", "joints",
    "holes", "band", "allowance", "note",
)  # fmt: skip
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


def pattern_from_data(data: object, where: Find, garment: Garment | None = None) -> Pattern:
    """A pattern from plain values; `where` gives the place of a value. Raises ProblemsFoundError with every problem found."""
    if not isinstance(data, Mapping) or data.get("schema") != SCHEMA:
        raise stop(
            "schema",
            f"this is not a pattern file: it has no 'schema: {SCHEMA}'",
            where=where(()),
            hint="is it the right file?",
        )
    named = data.get("garment", "")
    if not isinstance(named, str):
        raise stop("garment", "'garment' must be a name, like trousers", where=where(("garment",)))
    try:
        garment = garment or shipped_garment(named)
    except ProblemsFoundError as stopped:
        raise ProblemsFoundError(
            [replace(problem, where=where(("garment",))) for problem in stopped.problems]
        ) from None
    reading = _Reading(where, garment)
    reading.known_keys((), data, _TOP)
    title, grade = (reading.text((key,), data.get(key), LONGEST_TITLE) for key in ("title", "grade"))
    client = reading.text(("client",), data.get("client"), LONGEST_CLIENT)
    carried = reading.carried(("altered",), data.get("altered"))
    found = reading.values(("pieces",), data.get("pieces"), "a list of pieces")
    pieces: dict[str, dict[str, Piece]] = {"both": {}, "left": {}, "right": {}}
    for index, value in enumerate(found[:20]):
        piece = reading.piece(("pieces", index), value)
        side = str(value.get("for", "both")) if isinstance(value, Mapping) else "both"
        if piece and piece.name in pieces.get(side, {}):
            reading.tell(
                "pieces", f"there are two pieces '{piece.name}'", ("pieces", index, "piece"), "keep one of them"
            )
        elif piece and side in pieces:
            pieces[side][piece.name] = piece
    own = {**pieces["both"], **pieces["right"]}
    if not reading.problems and (set(own) != set(garment.parts) or set(pieces["left"]) != set(pieces["right"])):
        told = f"a pattern needs one each of: {', '.join(garment.parts)}; or one for left and one for right"
        reading.tell("pieces", told, ("pieces",))
    if not reading.problems:
        ordered = {name: own[name] for name in garment.parts}
        pattern = Pattern(garment, ordered, pieces["left"], title, grade, client, carried)
        reading.problems += check_size(pattern, where(("pieces",)))
    if reading.problems:
        raise ProblemsFoundError(reading.problems)
    return pattern


class _Reading:
    """Reads values and keeps what is wrong with them, one problem for each thing."""

    def __init__(self, where: Find, garment: Garment) -> None:
        self.where, self.garment = where, garment
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
            if not isinstance(name, str) or not NAME.match(name):
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
            amount = self.number((*here, "amount_mm"), item.get("amount_mm"))
            day = str(item.get("day") or "")
            if day and not valid_day(day):
                self.tell("day", f"'{one_line(day, 20)}' is not a day", (*here, "day"), "write it like 2026-11-25")
            title = self.text((*here, "title"), item.get("title"), LONGEST_NAME)
            side: Side = item.get("side", "both")
            if side not in ("both", "left", "right"):
                self.tell("side", "'side' must be left or right", (*here, "side"))
            found.append(Carried(item["alteration"], amount, title, day, side))
        return tuple(found)

    def piece(self, loc: Loc, data: object) -> Piece | None:
        """A piece, or None if it told a problem."""
        before = len(self.problems)
        if not isinstance(data, Mapping):
            self.tell("piece", "a piece must hold 'name: value' lines", loc)
            return None
        self.known_keys(loc, data, _PIECE)
        name = data.get("piece", data.get("side"))
        part = self.garment.parts.get(name) if isinstance(name, str) else None
        if part is None:
            named = " or ".join(f"'piece: {known}'" for known in self.garment.parts)
            self.tell("piece", f"a piece needs {named}", (*loc, "piece" if "piece" in data else "side"))
            return None
        if data.get("for", "both") not in ("both", "left", "right"):
            self.tell("for", "'for' must be left or right", (*loc, "for"))
        if data.get("unit") != "mm":
            self.tell("unit", "a piece needs 'unit: mm'", (*loc, "unit"), "give all its numbers in mm")
        grain_x = self.number((*loc, "grain_x"), data.get("grain_x"))
        seams = self._seams((*loc, "seams"), data, part)
        lines = self._lines((*loc, "lines"), data)
        darts = self._darts((*loc, "darts"), data)
        given = self.mapping((*loc, "levels"), data, known=part.levels)
        heights = {name: self.number((*loc, "levels", name), value) for name, value in given.items()}
        taken = self.mapping((*loc, "allowance"), data, known=part.seams)
        allowance = {name: self.number((*loc, "allowance", name), value, 0.0) for name, value in taken.items()}
        note = self.text((*loc, "note"), data.get("note"), LONGEST_NOTE)
        notches, joints = (self._notches(loc, data, part), self._joints(loc, data, part))
        if len(self.problems) > before:
            return None
        lines, _ = with_levels(part, heights, lines, seams)
        band, holes = self._band((*loc, "band"), data, part), self._holes((*loc, "holes"), data)
        if len(self.problems) > before:
            return None
        piece = Piece(part, seams, darts, lines, notches, grain_x, allowance, note, joints, band, holes)
        self.problems += [replace(problem, where=self.where((*loc, "levels"))) for problem in level_faults(piece)]
        self.problems += [replace(problem, where=self.where(loc)) for problem in faults(piece)]
        if len(self.problems) > before:
            return None
        return piece if data.get("notches") is not None else with_notches(self.garment, piece)

    def _holes(self, loc: Loc, data: Mapping[Any, Any]) -> tuple[Array, ...]:
        found = self.line(loc, data["holes"], 1, MOST_NOTCHES) if data.get("holes") is not None else None
        return () if found is None else tuple(found)

    def _band(self, loc: Loc, data: Mapping[Any, Any], part: Part) -> dict[str, tuple[float, float, float]]:
        """How far each seam may be off, at its start, middle and end."""
        found = {}
        for name, value in self.mapping(loc, data, known=part.seams).items():
            sizes = self.values((*loc, name), value, "three numbers of mm")
            if len(sizes) != 3:
                self.tell("band", f"'{name}' needs three numbers of mm", (*loc, name))
                continue
            start, middle, end = (self.number((*loc, name, k), size, 0.0) for k, size in enumerate(sizes))
            found[name] = (start, middle, end)
        return found

    def _notches(self, loc: Loc, data: Mapping[Any, Any], part: Part) -> tuple[Notch, ...]:
        given = data.get("notches")
        found = []
        rows = self.values((*loc, "notches"), given, "a list of notches") if given is not None else []
        for index, value in enumerate(rows[:MOST_NOTCHES]):
            sound = isinstance(value, Mapping) and set(value) == {"name", "seam", "at"} and self._is_point(value["at"])
            if not sound or value["seam"] not in part.seams or not isinstance(value["name"], str):
                self.tell("notch", "a notch needs name, seam and at: [x, y] in mm", (*loc, "notches", index))
            else:
                found.append(Notch(one_line(value["name"], 40), value["seam"], points([value["at"]])[0]))
        return tuple(found)

    def _is_hidden(self, under: object, of: object, part: Part) -> bool:
        return (
            isinstance(under, list) and isinstance(of, list) and 2 <= len(under) <= MOST_POINTS and len(of) == len(under) - 1
            and all(map(self._is_point, under)) and all(seam in part.seams for seam in of)
        )  # fmt: skip

    def _joints(self, loc: Loc, data: Mapping[Any, Any], part: Part) -> tuple[Joint, ...]:
        given = data.get("joints")
        found = []
        rows = self.values((*loc, "joints"), given, "a list of joints") if given is not None else []
        for index, value in enumerate(rows[:MOST_NOTCHES]):
            at, under, of = (
                (value.get(key) for key in ("at", "hidden", "of")) if isinstance(value, Mapping) else (None,) * 3
            )
            sound = (
                isinstance(value, Mapping)
                and value.get("seam") in part.seams
                and set(value) <= {"seam", "at", "hidden", "of"}
            )
            if not sound or not isinstance(at, list) or len(at) != 2 or not all(map(self._is_point, at)):
                self.tell("joint", "a joint needs seam and at: two points in mm", (*loc, "joints", index))
            elif under is None:
                found.append(Joint(value["seam"], points(at)))
            elif not self._is_hidden(under, of, part):
                self.tell(
                    "joint", "what is hidden needs points, and 'of' the seam of each step", (*loc, "joints", index)
                )
            else:
                found.append(Joint(value["seam"], points(at), points(under), tuple(of)))  # type: ignore[arg-type]
        return tuple(found)

    def _seams(self, loc: Loc, data: Mapping[Any, Any], part: Part) -> dict[str, Array]:
        given = self.mapping(loc, data, known=part.seams)
        if missing := [name for name in part.seams if name not in given]:
            hint = f"a piece has {', '.join(part.seams)}"
            self.tell("seams", f"the seams {', '.join(missing)} are missing", loc, hint)
        lines = {name: self.line((*loc, name), value, 2, MOST_POINTS) for name, value in given.items()}
        return {name: line for name, line in lines.items() if line is not None}

    def _lines(self, loc: Loc, data: Mapping[Any, Any]) -> dict[str, Array]:
        given = self.mapping(loc, data)
        if len(given) > MOST_LINES:
            self.tell("lines", f"more than {MOST_LINES} balance lines", loc)
            return {}
        lines = {name: self.line((*loc, name), value, 2, 1000) for name, value in given.items()}
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
