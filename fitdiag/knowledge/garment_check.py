"""Are the names in `garment.yaml`, and in the moves and effects of the alterations, names of that garment?"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from typing import NamedTuple

from fitdiag.knowledge.garment import STANDS, Garment, MeasureRule, Move, Shape
from fitdiag.knowledge.load import Places
from fitdiag.knowledge.model import RuleBase, source_key
from fitdiag.problems import Hints, Problem

Loc = tuple[str | int, ...]
FILE = "garment.yaml"
GRAINS = ("grain-left", "grain-right")  # drawn upright on either side
_MM = re.compile(r"\d+(\.\d+)? mm\Z")
_FROM = re.compile(r"(\S+) \d+(?:\.\d+)? mm from (\S+)\Z")


class Named(NamedTuple):
    """A name that is used at a place of a file: what it should be a name of, and the names there are."""

    loc: Loc
    kind: str
    name: str
    known: Iterable[str]


def names_are_the_garments(base: RuleBase) -> Iterator[Problem]:
    """Every piece, seam, corner, level, height and measure that is named anywhere is declared in `garment.yaml`."""
    if (garment := base.garment) is None:
        return
    hints = Hints()

    def found(kind: str, rule: str, used: Iterable[Named]) -> Iterator[Problem]:
        for loc, what, name, known in used:
            if name not in (names := set(known)):
                where = base.places.inside(kind, rule, loc) if isinstance(base.places, Places) else None
                hint = hints.near(name, names) or f"declare it in {FILE}"
                yield Problem("unknown-name", f"there is no {what} '{name}'", where, hint)

    yield from found(FILE, "", _in_garment(garment, base))
    measures = measure_names(garment)
    for alteration in base.alterations.values():
        report = partial(found, "alteration", alteration.id)
        for index, move in enumerate(alteration.operation.moves):
            yield from report(_in_move(garment, move, ("operation", "moves", index)))
        yield from report(Named(("effects_on", name), "measure", name, measures) for name in alteration.effects_on)
    lines = [*(level.id for level in garment.levels), *GRAINS]
    for symptom in base.symptoms.values():
        if symptom.from_photo is not None:
            yield from found(
                "symptom", symptom.id, _each(("from_photo", "lines"), "line", symptom.from_photo.lines, lines)
            )
        if symptom.measure is not None and symptom.measure.on_pattern:
            used = Named(("measure", "on_pattern"), "measure", symptom.measure.on_pattern, measures)
            yield from found("symptom", symptom.id, [used])


def measure_names(garment: Garment) -> list[str]:
    """Every measure of the garment, as it is printed: `back hip`, `hip girth`."""
    names = []
    for rule in garment.measures:
        if rule.sum or rule.less or rule.girth:
            names.append(rule.id)
        else:
            names += [f"{piece.id} {rule.id}" for piece in garment.pieces if not rule.of or piece.id in rule.of]
    return names


def _heights(garment: Garment, shape: Shape) -> list[str]:
    return [*(level.id for level in garment.levels), *(height.id for height in garment.heights), *shape.corners]


def _place(garment: Garment, shape: Shape, loc: Loc, text: str) -> Iterator[Named]:
    """A place as `fitdiag.pattern.garment.spot` reads it."""
    if (found := _FROM.match(text)) is not None:
        yield Named(loc, "seam", found[1], shape.seams)
        yield Named(loc, "corner", found[2], shape.corners)
    elif " at " in text:
        edge, _, height = text.partition(" at ")
        yield Named(loc, "seam or edge", edge, ("inner", "outer", *shape.seams))
        yield from _height(garment, shape, loc, height)
    else:
        yield Named(loc, "corner", text, shape.corners)


def _height(garment: Garment, shape: Shape, loc: Loc, text: str) -> Iterator[Named]:
    if not _MM.match(text):
        yield Named(loc, "height", text, ("grain", *_heights(garment, shape)))


def _in_move(garment: Garment, move: Move, loc: Loc) -> Iterator[Named]:
    """All names of a move, once for each piece it is made on."""
    pieces = {piece.id: piece.shape for piece in garment.pieces}
    shapes = {shape.id: shape for shape in garment.shapes}
    if not move.on and move.do != "none":
        yield Named(loc, "piece", "", pieces)
    for number, piece in enumerate(move.on):
        if pieces.get(piece) not in shapes:
            yield Named((*loc, "on", number), "piece", piece, pieces)
            continue
        shape = shapes[pieces[piece]]
        lines = [level.id for level in garment.levels if level.from_end]
        for key, kind, known in (
            ("seam", "seam", shape.seams),
            ("keeps", "seam", shape.seams),
            ("end", "corner", tuple(shape.corners)),
            ("line", "level line", tuple(lines)),
            ("way", "seam (or 'up')", ("up", *shape.seams)),
            ("until", "corner or seam", (*shape.corners, *shape.seams)),
        ):
            if (name := getattr(move, key)) is not None:
                yield Named((*loc, key), kind, name, known)
        yield from _each((*loc, "seams"), "seam", move.seams, shape.seams)
        for index, text in enumerate(move.cut or ()):
            yield from _place(garment, shape, (*loc, "cut", index), text)
        for name in move.at:
            yield from _height(garment, shape, (*loc, "at", name), name)
        for seam, text in move.taper.items():
            yield Named((*loc, "taper", seam), "seam", seam, shape.seams)
            if text != "all":
                yield from _height(garment, shape, (*loc, "taper", seam), text)


def _each(loc: Loc, kind: str, names: Sequence[str], known: Iterable[str]) -> Iterator[Named]:
    yield from (Named((*loc, index), kind, name, known) for index, name in enumerate(names))


def _in_garment(garment: Garment, base: RuleBase) -> Iterator[Named]:
    shapes = {shape.id: shape for shape in garment.shapes}
    pieces = {piece.id: shapes[piece.shape] for piece in garment.pieces if piece.shape in shapes}
    for index, shape in enumerate(garment.shapes):
        loc: Loc = ("shapes", index)
        for corner, seam in shape.corners.items():
            yield Named((*loc, "corners", corner), "seam", seam, shape.seams)
        yield from (
            Named((*loc, "corners"), "corner for the seam", seam, shape.corners.values()) for seam in shape.seams
        )
        yield Named((*loc, "stays"), "seam", shape.stays, shape.seams)
        yield from _each((*loc, "inner"), "seam", shape.inner, shape.seams)
        yield from _each((*loc, "outer"), "seam", shape.outer, shape.seams)
        yield from _each((*loc, "smooth"), "corner", shape.smooth, shape.corners)
        for name in shape.called:
            yield Named((*loc, "called", name), "seam", name, shape.seams)
        for number, text in enumerate(shape.stands):
            one, _, other, _ = STANDS.match(text).groups()  # type: ignore[union-attr]
            yield from (Named((*loc, "stands", number), "corner", name, shape.corners) for name in (one, other))
        for number, two in enumerate(shape.hollow):
            yield from _each((*loc, "hollow", number), "seam", two, shape.seams)
    for index, piece in enumerate(garment.pieces):
        yield Named(("pieces", index, "shape"), "shape", piece.shape, shapes)
    yield from _in_levels(garment, base)
    for index, notch in enumerate(garment.notches):
        loc = ("notches", index)
        yield from _each((*loc, "on"), "piece", notch.on, pieces)
        for shape in pieces.values():
            yield Named((*loc, "seam"), "seam", notch.seam, shape.seams)
            joint = " " if " from " in notch.at else " at "
            yield from _place(garment, shape, (*loc, "at"), f"{shape.seams[0]}{joint}{notch.at}")
    for index, pair in enumerate(garment.pairs):
        for key in ("one", "other"):
            piece_name, seam = getattr(pair, key)
            yield from _of_piece(("pairs", index, key), pieces, piece_name, {"seam": [seam]})
    for index, meeting in enumerate(garment.meetings):
        for piece_name, corner in meeting.corners.items():
            yield from _of_piece(("meetings", index, "corners", piece_name), pieces, piece_name, {"corner": [corner]})
        yield Named(("meetings", index, "source"), "source", source_key(meeting.source), base.sources)
    yield from _in_measures(garment, pieces)


def _in_levels(garment: Garment, base: RuleBase) -> Iterator[Named]:
    seams = {seam for shape in garment.shapes for seam in shape.seams}
    corners = {corner for shape in garment.shapes for corner in shape.corners}
    levels, heights = [level.id for level in garment.levels], [height.id for height in garment.heights]
    for index, level in enumerate(garment.levels):
        loc: Loc = ("levels", index)
        yield from _each((*loc, "from"), "seam", level.from_end, seams)
        yield from _each((*loc, "to"), "seam", level.to_end, seams)
        yield from _each((*loc, "corner"), "corner", [level.corner] if level.corner else [], corners)
        yield from _each((*loc, "seam"), "seam", [level.seam] if level.seam else [], seams)
        if level.guess is not None:
            yield from _each((*loc, "guess", "between"), "level", level.guess.between or (), levels)
            yield from _each(
                (*loc, "guess", "corner"), "corner", [level.guess.corner] if level.guess.corner else [], corners
            )
    for index, height in enumerate(garment.heights):
        loc = ("heights", index)
        yield from _each((*loc, "between"), "level or height", height.between or (), [*levels, *heights])
        yield from _each(
            (*loc, "level"), "level or corner", [height.level] if height.level else [], [*levels, *corners]
        )
        yield Named((*loc, "source"), "source", source_key(height.source), base.sources)


def _of_piece(
    loc: Loc, pieces: Mapping[str, Shape], name: str, used: Mapping[str, Iterable[str | None]]
) -> Iterator[Named]:
    """Seams and corners that are named of one piece."""
    if (shape := pieces.get(name)) is None:
        yield Named(loc, "piece", name, pieces)
        return
    known = {"seam": shape.seams, "corner": tuple(shape.corners)}
    yield from (Named(loc, kind, one, known[kind]) for kind, names in used.items() for one in names if one is not None)


def _in_measures(garment: Garment, pieces: Mapping[str, Shape]) -> Iterator[Named]:
    every = measure_names(garment)
    own = [rule.id for rule in garment.measures]
    lines = [level.id for level in garment.levels if level.from_end]
    for index, rule in enumerate(garment.measures):
        loc: Loc = ("measures", index)
        yield from _each((*loc, "of"), "piece", rule.of, pieces)
        for piece in rule.of or pieces:
            yield from _of_piece(loc, pieces, piece, _used_by(rule))
            if rule.to_grain is not None and piece in pieces:
                yield Named((*loc, "to_grain"), "seam or level", rule.to_grain, [*pieces[piece].seams, *lines])
        yield from _each((*loc, "sum"), "measure", rule.sum, every)
        yield from _each((*loc, "less"), "measure", rule.less or (), every)
        yield from _each((*loc, "girth"), "measure", [rule.girth] if rule.girth else [], own)
        yield from _each((*loc, "line"), "level line", [rule.line] if rule.line else [], lines)


def _used_by(rule: MeasureRule) -> dict[str, list[str | None]]:
    return {
        "seam": [*rule.length, rule.with_allowance],
        "corner": [rule.width, *(rule.drop or ()), *(rule.across or ())],
    }
