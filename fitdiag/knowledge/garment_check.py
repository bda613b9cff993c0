"""Are the names in `garment.yaml`, and in the moves and effects of the alterations, names of that garment?"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping

from fitdiag.knowledge.basics import PartRef
from fitdiag.knowledge.garment import STANDS, Garment, Move
from fitdiag.knowledge.load import references
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import Hints, Problem

Loc = tuple[str | int, ...]
Named = tuple[Loc, str, str]  # where it stands, what it should be a name of, and the name
FILE = "garment.yaml"
GRAINS = ("grain-left", "grain-right")  # drawn upright on either side
_MM = re.compile(r"\d+(\.\d+)? mm\Z")
_FROM = re.compile(r"(\S+) \d+(?:\.\d+)? mm from (\S+)\Z")


def names_are_the_garments(base: RuleBase) -> Iterator[Problem]:
    """Every piece, seam, corner, level, height and measure that is named anywhere is declared in `garment.yaml`."""
    if (garment := base.garment) is None:
        return
    hints, every = Hints(), _known(garment, base)

    def found(
        kind: str, rule: str, used: Iterable[Named], known: Mapping[str, Iterable[str]] = every
    ) -> Iterator[Problem]:
        for loc, what, name in used:
            if name not in (names := set(known[what])) and not (what.startswith("height") and _MM.match(name)):
                where = base.places.of(kind, rule, *loc)
                told = "measure" if what == "measure of a piece" else what
                yield Problem(
                    "unknown-name",
                    f"there is no {told} '{name}'",
                    where,
                    hints.near(name, names) or f"declare it in {FILE}",
                )

    yield from found(FILE, "", _in_garment(garment))
    for alteration in base.alterations.values():
        for index, move in enumerate(alteration.operation.moves):
            loc: Loc = ("operation", "moves", index)
            pieces = [piece for piece in garment.pieces if piece.id in move.on]
            known = _known(garment, base, [piece.shape for piece in pieces]) if pieces else every
            yield from found("alteration", alteration.id, _in_move(move, loc), known)
        used: list[Named] = [(("effects_on", name), "measure", name) for name in alteration.effects_on]
        yield from found("alteration", alteration.id, used)
    for symptom in base.symptoms.values():
        used = []
        if symptom.from_photo is not None:
            used += [(("from_photo", "lines", n), "line", name) for n, name in enumerate(symptom.from_photo.lines)]
        if symptom.measure is not None and symptom.measure.on_pattern:
            used.append((("measure", "on_pattern"), "measure", symptom.measure.on_pattern))
        yield from found("symptom", symptom.id, used)


def measure_names(garment: Garment) -> list[str]:
    """Every measure of the garment, as it is printed: `back hip`, `hip girth`."""
    names = []
    for rule in garment.measures:
        if rule.sum or rule.less or rule.girth:
            names.append(rule.id)
        else:
            names += [f"{piece.id} {rule.id}" for piece in garment.pieces if not rule.of or piece.id in rule.of]
    return names


def _known(garment: Garment, base: RuleBase, only: Iterable[str] | None = None) -> dict[str, list[str]]:
    """The names there are of each kind; `only`: of shapes, then what all of these have."""
    shapes = [shape for shape in garment.shapes if only is None or shape.id in only]
    seams, corners = [shape.seams for shape in shapes], [tuple(shape.corners) for shape in shapes]
    joined = set.union if only is None else set.intersection
    seam = sorted(joined(*map(set, seams))) if seams else []
    corner = sorted(joined(*map(set, corners))) if corners else []
    level, height = [level.id for level in garment.levels], [height.id for height in garment.heights]
    line = [level.id for level in garment.levels if level.from_end]
    places = ["grain", *level, *height, *corner]
    return {
        "seam": seam, "corner": corner, "level": level, "level line": line, "height": places, "line": [*level, *GRAINS],
        "piece": [piece.id for piece in garment.pieces], "shape": [shape.id for shape in garment.shapes],
        "seam or edge": ["inner", "outer", *seam], "seam (or 'up')": ["up", *seam], "corner or seam": [*corner, *seam],
        "seam or level": [*seam, *line], "level or corner": [*level, *corner], "level or height": [*level, *height],
        "height, length or 'all'": ["all", *places], "measure": measure_names(garment),
        "measure of a piece": [rule.id for rule in garment.measures], "corner for the seam": [],
        "source": list(base.sources), "body note": list(base.body_notes),
    }  # fmt: skip


def _place(loc: Loc, text: str) -> Iterator[Named]:
    """A place as `fitdiag.pattern.garment.spot` reads it."""
    if (found := _FROM.match(text)) is not None:
        yield from ((loc, "seam", found[1]), (loc, "corner", found[2]))
    elif " at " in text:
        edge, _, height = text.partition(" at ")
        yield from ((loc, "seam or edge", edge), (loc, "height", height))
    else:
        yield loc, "corner", text


def _in_move(move: Move, loc: Loc) -> Iterator[Named]:
    if not move.on and move.do != "none":
        yield loc, "piece", ""
    yield from (((*loc, *at), kind, name) for at, kind, name in references(move, PartRef))
    for index, text in enumerate(move.cut or ()):
        yield from _place((*loc, "cut", index), text)


def _in_garment(garment: Garment) -> Iterator[Named]:
    yield from references(garment, PartRef)
    for index, shape in enumerate(garment.shapes):
        loc: Loc = ("shapes", index)
        yield from (
            ((*loc, "corners"), "corner for the seam", seam)
            for seam in shape.seams
            if seam not in shape.corners.values()
        )
        for number, text in enumerate(shape.stands):
            one, _, other, _ = STANDS.match(text).groups()  # type: ignore[union-attr]
            yield from (((*loc, "stands", number), "corner", name) for name in (one, other))
    for index, notch in enumerate(garment.notches):
        joint = " " if " from " in notch.at else " at "
        yield from _place(("notches", index, "at"), f"{notch.seam}{joint}{notch.at}")
