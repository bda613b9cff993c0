"""Patterns as DXF with the layers of ASTM D6673, in mm, for programs that cut or plot.

The layers are from memory of the standard, not checked against its text: 1 piece boundary, 2 turn points, 3 curve points,
4 notches, 7 grain line, 8 internal lines, 11 internal cutouts, 13 drill holes, 14 sew lines, 15 annotation text. Each piece is
a block; a text of layer 15 names it. Needs the extra `dxf`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from io import StringIO
from itertools import islice
from typing import TYPE_CHECKING, Any

import numpy as np

from fitdiag.files import refuse_utf16
from fitdiag.pattern.assemble import Drawn, check_size, piece_of, seams_of_outline
from fitdiag.pattern.piece import (
    CLOSED_MM,
    CORNERS,
    LEVELS,
    MOST_POINTS,
    SEAMS,
    Array,
    Pattern,
    Piece,
    Side,
    points,
)
from fitdiag.pattern.record import LONGEST_CLIENT, from_rows, row_of
from fitdiag.problems import ProblemsFoundError, Where, one_line, stop

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.entities.insert import Insert
    from ezdxf.layouts.blocklayout import BlockLayout

BOUNDARY, TURN, CURVE, GRAIN, INTERNAL, SEW, TEXT = "1", "2", "3", "7", "8", "14", "15"
LAYERS = {
    BOUNDARY: "piece boundary", TURN: "turn points", CURVE: "curve points", "4": "notches", GRAIN: "grain line",
    INTERNAL: "internal lines", "11": "internal cutouts", "13": "drill holes", SEW: "sew lines", TEXT: "annotation text",
}  # fmt: skip
MOST_CHARACTERS = 16 * 1024 * 1024
MOST_ENTITIES = 3 * MOST_POINTS
FLAT_MM = 0.05
APART_MM, TEXT_MM = 40.0, 6.0
_LONGEST = 200  # characters of one text; old readers stop at 255
_MM, _UNITS = 4, {1: "inches", 2: "feet", 5: "cm", 6: "m"}  # values of $INSUNITS
_ESCAPED = re.compile(r"\\U\+([0-9A-Fa-f]{4})")


def _library() -> Any:
    try:
        import ezdxf  # noqa: PLC0415 (an extra)
        import ezdxf.path  # noqa: PLC0415
    except ImportError:
        hint = "pip install 'fitdiag[dxf]'"
        raise stop("no-dxf", "reading and writing DXF needs a part that is not installed", hint=hint) from None
    return ezdxf


# -- writing -------------------------------------------------------------------------------------------------------------


def pattern_to_dxf(pattern: Pattern) -> str:
    """A pattern as DXF text in ASCII: a block per piece, the stitching line as boundary, turn points where seams meet."""
    document = _library().new("R2000")
    document.header["$INSUNITS"], document.header["$MEASUREMENT"] = _MM, 1
    for name, what in LAYERS.items():
        document.layers.add(name).description = what
    space, x = document.modelspace(), 0.0
    title, grade = (one_line(text, _LONGEST) for text in (pattern.title, pattern.grade))
    client = [f"Client: {one_line(pattern.client, LONGEST_CLIENT)}"] if pattern.client else []
    altered = [f"Altered: {row_of(item)[:_LONGEST]}" for item in pattern.carried]
    for line in (f"Style Name: {title}", f"Grade: {grade}", "Units: METRIC", "Unit: mm", *client, *altered):
        _say(space, line, 0.0, -TEXT_MM * 2 * (1 + len(space)))
    for piece in (pattern.front, pattern.back):
        block = document.blocks.new(piece.side.upper())
        _fill(block, piece)
        left, right = float(piece.outline[:, 0].min()), float(piece.outline[:, 0].max())
        space.add_blockref(block.name, (x - left, 0.0), dxfattribs={"layer": BOUNDARY})
        x += right - left + APART_MM
    stream = StringIO()
    document.write(stream)
    return stream.getvalue()


def _fill(block: Any, piece: Piece) -> None:
    block.add_polyline2d(piece.outline.tolist(), close=True, dxfattribs={"layer": BOUNDARY})
    turns = [piece.corner(name) for name in CORNERS]
    for point in turns:
        block.add_point(point.tolist(), dxfattribs={"layer": TURN})
    for name in SEAMS:
        for point in piece.seams[name][1:-1]:
            block.add_point(point.tolist(), dxfattribs={"layer": CURVE})
    low, high = float(piece.outline[:, 1].min()), float(piece.outline[:, 1].max())
    grain = [(piece.grain_x, low + (high - low) * share) for share in (0.05, 0.95)]
    block.add_line(*grain, dxfattribs={"layer": GRAIN})
    for number, dart in enumerate(piece.darts, 1):
        legs = [part.tolist() for part in (dart.left, dart.tip, dart.right)]
        block.add_polyline2d(legs, dxfattribs={"layer": INTERNAL})
        _say(block, f"Dart: {number}", *legs[1])
    for name, line in piece.lines.items():
        block.add_line(*line.tolist(), dxfattribs={"layer": INTERNAL})
        _say(block, f"Line: {name}", *line[0])
    for name, y in piece.levels.items():
        _say(block, f"Level: {name}", piece.grain_x, y)
    texts = [
        f"Piece Name: {piece.side}",
        "Units: METRIC",
        "Unit: mm",
        "Boundary: stitching line, seam allowance not included",
        *(f"Allowance {name}: {mm:.3f}" for name, mm in piece.allowance.items()),
        *_chunks("Note", piece.note),
    ]
    for row, text in enumerate(texts):
        _say(block, text, piece.grain_x + TEXT_MM, low + (high - low) * 0.6 - row * TEXT_MM * 2)


def _say(layout: Any, text: str, x: float, y: float) -> None:
    layout.add_text(
        _escaped(one_line(text, _LONGEST + 40)), height=TEXT_MM, dxfattribs={"layer": TEXT, "insert": (x, y)}
    )


def _chunks(key: str, text: str) -> list[str]:
    """A long text in rows; a mark at the start of the words keeps the blanks between them."""
    clean = one_line(text, 10 * _LONGEST)
    return [f"{key}: |{clean[at : at + _LONGEST]}|" for at in range(0, len(clean), _LONGEST)]


def _escaped(text: str) -> str:
    r"""Text in ASCII, other signs as \U+XXXX (in two halves beyond the first plane), as DXF of this age writes them."""
    units = text.encode("utf-16-be", "replace")
    codes = [int.from_bytes(units[at : at + 2], "big") for at in range(0, len(units), 2)]
    return "".join(chr(code) if code < 128 else f"\\U+{code:04X}" for code in codes)


def _unescaped(text: str) -> str:
    plain = _ESCAPED.sub(lambda match: chr(int(match[1], 16)), text)
    return plain.encode("utf-16", "surrogatepass").decode("utf-16", "replace")


# -- reading -------------------------------------------------------------------------------------------------------------


@dataclass
class _Block:
    """What a block holds, as plain values."""

    name: str
    outlines: dict[str, list[tuple[Array, bool]]] = field(default_factory=lambda: {BOUNDARY: [], SEW: []})
    turns: list[tuple[float, float]] = field(default_factory=list)
    internal: list[Array] = field(default_factory=list)
    grain: list[Array] = field(default_factory=list)
    texts: list[tuple[str, str, tuple[float, float]]] = field(default_factory=list)

    def said(self, key: str) -> str:
        """What the texts say after a key: rows of one text joined, otherwise the first."""
        found = [value for name, value, _ in self.texts if name == key]
        rows = [value[1:-1] for value in found if len(value) > 1 and value[0] == value[-1] == "|"]
        return "".join(rows) or next(iter(found), "")


def pattern_from_dxf(content: str | bytes, shown_path: str) -> Pattern:
    """A pattern from DXF text in mm with the layers above. Raises ProblemsFoundError."""
    where = Where(shown_path)
    text = _text(content, where)
    document = _read(text, where)
    try:
        if "$INSUNITS" in text:  # without it the library fills in its own
            _refuse_other_units(document, where)
        blocks = [_contents(block, where) for block in _piece_blocks(document, where)]
        space = _contents(document.modelspace(), where)
    except ProblemsFoundError:
        raise
    except Exception as error:  # whatever a damaged entity makes the library say
        raise stop(
            "not-dxf", f"this DXF cannot be read: {one_line(error)}", where=where, hint="is it the right file?"
        ) from None
    for block in (space, *blocks):
        if "english" in (block.said("units").lower(), block.said("unit").lower()):
            raise stop("units", "this file says that it is in inches", where=where, hint="save it again in mm")
    pieces = _pieces(blocks, where)
    carried = from_rows([value for key, value, _ in space.texts if key == "altered"])
    title, grade, client = space.said("style name"), space.said("grade"), one_line(space.said("client"), LONGEST_CLIENT)
    pattern = Pattern(pieces["front"], pieces["back"], title, grade, client, carried)
    if problems := check_size(pattern, where):
        raise ProblemsFoundError(problems)
    return pattern


def _text(content: str | bytes, where: Where) -> str:
    """The text of a file, of any age: UTF-8, else each byte a sign, which is enough for names in ASCII."""
    if len(content) > MOST_CHARACTERS:
        told = f"this file is larger than {MOST_CHARACTERS // 1024} kB"
        raise stop("too-large", told, where=where, hint=f"a piece may have {MOST_POINTS} points; simplify the outlines")
    if isinstance(content, str):
        return content
    if b"Binary DXF" in content[:24]:
        raise stop("not-dxf", "this is a binary DXF", where=where, hint="save it as DXF text")
    refuse_utf16(content, where)
    content = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def _read(text: str, where: Where) -> Drawing:
    library = _library()
    try:
        document: Drawing = library.read(StringIO(text))
    except Exception as error:  # the library raises many kinds for damaged files
        raise stop(
            "not-dxf", f"this is not DXF: {one_line(error)}", where=where, hint="is it the right file?"
        ) from None
    return document


def _refuse_other_units(document: Drawing, where: Where) -> None:
    unit = document.header.get("$INSUNITS", 0)
    if unit not in (0, _MM):
        told = f"the header of this file says that it is in {_UNITS.get(unit, 'another unit than mm')}"
        raise stop("units", told, where=where, hint="save it again in mm")


def _piece_blocks(document: Drawing, where: Where) -> list[BlockLayout]:
    """The blocks placed in the drawing, or all if none is. Refuses a piece that is placed at a scale."""
    blocks = [block for block in document.blocks if not block.is_any_layout and not block.name.startswith("*")]
    inserts: list[Insert] = [entity for entity in document.modelspace() if entity.dxftype() == "INSERT"]  # type: ignore[misc]
    for insert in inserts:
        scales = [abs(insert.dxf.get(key, 1.0)) for key in ("xscale", "yscale")]
        if any(abs(scale - 1.0) > 1e-6 for scale in scales):
            told = f"the piece '{one_line(insert.dxf.name, 40)}' is placed at a scale of {scales[0]:.4g}"
            raise stop("scale", told, where=where, hint="save it at scale 1")
    placed = {insert.dxf.name.lower() for insert in inserts}
    chosen = [block for block in blocks if block.name.lower() in placed] or blocks
    if not chosen:
        raise stop(
            "blocks",
            "this file has no piece: each piece must be a block",
            where=where,
            hint="save it as a pattern, not as a drawing",
        )
    return chosen[:500]


def _contents(layout: Any, where: Where) -> _Block:
    """Everything a block holds that belongs to a pattern. Raises ProblemsFoundError when it is too much."""
    found, left = _Block(getattr(layout, "name", "")), MOST_POINTS
    for count, entity in enumerate(layout):
        kind, layer = entity.dxftype(), str(entity.dxf.get("layer", "0"))
        if count > MOST_ENTITIES:
            raise stop(
                "points",
                f"'{one_line(found.name, 40)}' has more than {MOST_ENTITIES} parts",
                where=where,
                hint="simplify it",
            )
        if kind in ("POLYLINE", "LWPOLYLINE") and layer in (BOUNDARY, SEW, GRAIN, INTERNAL):
            line = _polyline(entity, left)
            if line is None:
                told = f"'{one_line(found.name, 40)}' has more than {MOST_POINTS} points"
                raise stop("points", told, where=where, hint="simplify the outline")
            left -= len(line)
            _sort_in(found, layer, line, bool(entity.is_closed))
        elif kind == "LINE" and layer in (GRAIN, INTERNAL):
            _sort_in(found, layer, points([_xy(entity.dxf.start), _xy(entity.dxf.end)]), False)
        elif kind == "POINT" and layer == TURN:
            found.turns.append(_xy(entity.dxf.location))
        elif kind == "TEXT":
            key, _, value = _unescaped(entity.dxf.text).partition(":")
            if len(found.texts) < 1000:
                found.texts.append((key.strip().lower(), one_line(value, 2 * _LONGEST), _xy(entity.dxf.insert)))
    return found


def _xy(place: Any) -> tuple[float, float]:
    return float(place[0]), float(place[1])


def _sort_in(found: _Block, layer: str, line: Array, closed: bool) -> None:
    if layer in found.outlines:
        found.outlines[layer].append((line, closed))
    else:
        (found.grain if layer == GRAIN else found.internal).append(line)


def _polyline(entity: Any, most: int) -> Array | None:
    """The points of a polyline, its arcs made flat; None if they are too many."""
    if len(entity) > most:
        return None
    if entity.has_arc:
        made = _library().path.make_path(entity)
        vertices = list(islice(made.flattening(FLAT_MM), most + 1))
    else:
        vertices = list(entity.vertices_in_wcs() if entity.dxftype() == "LWPOLYLINE" else entity.points_in_wcs())
    line = points([_xy(vertex) for vertex in vertices])
    if len(line) > most:
        return None
    keep = np.ones(len(line), dtype=bool)
    keep[1:] = np.abs(np.diff(line, axis=0)).max(axis=1) > 1e-9
    return points(line[keep])


def _pieces(blocks: list[_Block], where: Where) -> dict[Side, Piece]:
    named: dict[Side, list[_Block]] = {"front": [], "back": []}
    for block in blocks:
        words = set(re.findall(r"[a-z]+", f"{block.said('piece name')} {block.name}".lower()))
        for side, found in named.items():
            if side in words:
                found.append(block)
    for side, found in named.items():
        if len(found) != 1:
            told = f"there is no piece named '{side}'" if not found else f"there are {len(found)} pieces named '{side}'"
            raise stop(
                "pieces",
                told,
                where=where,
                hint="a pattern needs one front and one back, named in the block or in 'Piece Name: ...'",
            )
    return {side: piece_of(_drawn(side, found[0], where), where) for side, found in named.items()}


def _drawn(side: Side, block: _Block, where: Where) -> Drawn:
    """A block as drawn lines. The sew line counts if there is one, else the boundary."""
    ring = _ring(side, block, SEW, where) if block.outlines[SEW] else _ring(side, block, BOUNDARY, where)
    grain = block.grain[0] if block.grain and len(block.grain[0]) > 1 else None
    drawn = Drawn(side, grain=grain, origin=np.zeros(2))
    drawn.seams = seams_of_outline(side, ring, points(block.turns), grain, where)
    named = np.array([at for key, _, at in block.texts if key == "dart"]).reshape(-1, 2)
    drawn.darts = [line for line in block.internal if _is_dart(line, named, drawn.seams["waist"])][:20]
    for key, value, at in block.texts:
        if key == "level" and value in LEVELS:
            drawn.levels[value] = points([at])
        elif key == "line" and (line := _line_at(at, block.internal)) is not None:
            drawn.lines[value[:40]] = line
        elif key.startswith("allowance ") and key[10:] in SEAMS and re.match(r"\d{1,4}(\.\d+)?\Z", value):
            drawn.allowance[key[10:]] = float(value)
    if block.outlines[SEW] and block.outlines[BOUNDARY]:
        drawn.allowance = _allowances(drawn.seams, _ring(side, block, BOUNDARY, where))
    elif not any(key == "boundary" for key, _, _ in block.texts):
        drawn.notes.append("The outline was taken for the stitching line; the file does not say.")
    if note := block.said("note"):
        drawn.notes.append(note)
    return drawn


def _ring(side: Side, block: _Block, layer: str, where: Where) -> Array:
    """The one closed outline on a layer, each point once."""
    found = block.outlines[layer]
    if len(found) != 1:
        told = (
            f"{side}: there is no outline on layer {layer}"
            if not found
            else f"{side}: there are {len(found)} outlines on layer {layer}"
        )
        hint = "the boundary belongs on layer 1, as one closed polyline"
        raise stop("layers", told, where=where, hint=hint)
    line, closed = found[0]
    gap = float(np.hypot(*(line[0] - line[-1])))
    if gap <= CLOSED_MM:
        line = line[:-1]
    elif not closed:
        told = f"{side}: the outline on layer {layer} is open by {gap:.1f} mm"
        raise stop("open", told, where=where, hint="close it, and save it again")
    if len(line) < 6:
        raise stop(
            "layers",
            f"{side}: the outline on layer {layer} has only {len(line)} points",
            where=where,
            hint="a piece has six seams",
        )
    return line


def _is_dart(line: Array, named: Array, seam: Array) -> bool:
    """Whether a line over three points is a dart: its point bears the text, or its ends lie on the waist seam."""
    from shapely import LineString, Point  # noqa: PLC0415

    if len(line) != 3 or (np.hypot(*(named - line[1]).T) <= CLOSED_MM).any():
        return len(line) == 3
    waist = LineString(seam)
    return all(waist.distance(Point(*point)) <= 2.0 for point in (line[0], line[-1]))


def _line_at(at: tuple[float, float], lines: list[Array]) -> Array | None:
    """The line that begins at a text."""
    return next((line for line in lines if len(line) == 2 and np.hypot(*(line[0] - np.array(at))) <= CLOSED_MM), None)


def _allowances(seams: dict[str, Array], cut: Array) -> dict[str, float]:
    """How far the cut line lies from the middle of each seam, in mm."""
    from shapely import LinearRing, LineString  # noqa: PLC0415

    ring = LinearRing(cut)
    return {
        name: round(ring.distance(LineString(line).interpolate(0.5, normalized=True)), 2)
        for name, line in seams.items()
    }
