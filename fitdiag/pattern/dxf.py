"""Write and read patterns as DXF with the layers of ASTM D6673, for cutting and plotting programs.

The layers are from memory of the standard, not checked against its text: 1 piece boundary (the line to cut along), 2 turn
points, 3 curve points, 4 notches, 7 grain line, 8 internal lines, 11 internal cutouts, 13 drill holes, 14 sew lines, 15
annotation text. Each piece is a block; a text of layer 15 names it. Needs the extra `dxf`.

Other programs' files can be ambiguous. Nothing is guessed here: for an outline without a sew line the caller must say what it is
(`line`), a size without a unit must be that of a garment in mm, and what was read and left out is reported (`Taken`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import StringIO
from itertools import islice
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from shapely import LinearRing, LineString

from fitdiag.files import refuse_utf16
from fitdiag.pattern.assemble import (
    Drawn,
    Taken,
    chained,
    once_each,
    piece_of,
    put_together,
    seams_of_outline,
    side_in,
    too_many,
)
from fitdiag.pattern.garment import Garment, nearest, off, shipped_garment
from fitdiag.pattern.outline import cutting_area, inset, notch_tick
from fitdiag.pattern.piece import CLOSED_MM, MOST_POINTS, Array, Pattern, Piece, Side, apart, cut_words, points
from fitdiag.pattern.record import LONGEST_CLIENT, from_rows, row_of
from fitdiag.problems import ProblemsFoundError, Where, one_line, placed, stop

if TYPE_CHECKING:
    from ezdxf.document import Drawing

LAYERS = {
    "1": "piece boundary", "2": "turn points", "3": "curve points", "4": "notches", "7": "grain line",
    "8": "internal lines", "11": "internal cutouts", "13": "drill holes", "14": "sew lines", "15": "annotation text",
}  # fmt: skip
BOUNDARY, TURN, CURVE, NOTCH, GRAIN, INTERNAL, CUTOUT, DRILL, SEW, TEXT = LAYERS
APART_MM, TEXT_MM = 40.0, 6.0
LONGEST = 200  # characters in one text; old readers stop at 255
_WORDS = {
    **dict.fromkeys(("cut", "cutting", "boundary", "outline"), BOUNDARY), "internal": INTERNAL, "turn": TURN,
    **dict.fromkeys(("sew", "sewing", "stitch", "stitching", "seam"), SEW), "notch": NOTCH, "notches": NOTCH,
    **dict.fromkeys(("grain", "grainline"), GRAIN), **dict.fromkeys(("drill", "holes"), DRILL),
}  # fmt: skip
MOST_ENTITIES = 3 * MOST_POINTS
FLAT_MM = 0.05
DEEPEST = 8
_UNITS = {1: ("inches", 25.4), 2: ("feet", 304.8), 4: ("mm", 1.0), 5: ("cm", 10.0), 6: ("m", 1000.0)}  # of $INSUNITS
_ESCAPED = re.compile(r"\\U\+([0-9A-Fa-f]{4})")
LINES, MARKS = (BOUNDARY, SEW, GRAIN, INTERNAL, NOTCH), (TURN, NOTCH, DRILL)  # layers of lines, and of single points
Outline = Literal["cut", "stitch"]


def library() -> Any:
    """Import ezdxf, set to write reproducible files. Raises ProblemsFoundError if it is not installed."""
    try:
        import ezdxf  # noqa: PLC0415 (an extra)
        import ezdxf.path  # noqa: PLC0415
    except ImportError:
        hint = "pip install 'fitdiag[dxf]'"
        raise stop("no-dxf", "reading and writing DXF needs a part that is not installed", hint=hint) from None
    module: Any = ezdxf
    module.options.write_fixed_meta_data_for_testing = True  # no time stamps or random ids in the output
    return module


# -- writing -----------------------------------------------------------------------------------------------------------


def pattern_to_dxf(pattern: Pattern) -> str:
    """Write a pattern as ASCII DXF: a block per piece, turn points where seams meet; without allowances the boundary is the stitching line.

    The same pattern always gives the same text.
    """
    document: Drawing = library().new("R2000")
    document.header["$INSUNITS"], document.header["$MEASUREMENT"] = 4, 1
    for name, description in LAYERS.items():
        document.layers.add(name).description = description
    space, x = document.modelspace(), 0.0
    title, grade = (one_line(text, LONGEST) for text in (pattern.title, pattern.grade))
    client = [f"Client: {one_line(pattern.client, LONGEST_CLIENT)}"] if pattern.client else []
    altered = [f"Altered: {row_of(item)[:LONGEST]}" for item in pattern.carried]
    garment = f"Garment: {pattern.garment.name}"
    for line in (f"Style Name: {title}", f"Grade: {grade}", garment, "Units: METRIC", "Unit: mm", *client, *altered):
        _add_text(space, line, 0.0, -TEXT_MM * 2 * (1 + len(space)))
    for piece, side in pattern.cut():
        block = document.blocks.new(piece.name.upper() + (f"-{side.upper()}" if side != "both" else ""))
        _fill(block, piece, side)
        left, right = float(piece.outline[:, 0].min()), float(piece.outline[:, 0].max())
        space.add_blockref(block.name, (x - left, 0.0), dxfattribs={"layer": BOUNDARY})
        x += right - left + APART_MM
    stream = StringIO()
    document.write(stream)
    return stream.getvalue()


def _fill(block: Any, piece: Piece, side: Side) -> None:
    allowed = any(mm > 0 for mm in piece.allowance.values())
    if allowed:
        cut = np.asarray(cutting_area(piece).exterior.coords)[:-1]
        block.add_polyline2d(cut.tolist(), close=True, dxfattribs={"layer": BOUNDARY})
    block.add_polyline2d(piece.outline.tolist(), close=True, dxfattribs={"layer": SEW if allowed else BOUNDARY})
    for name in piece.part.corners:
        block.add_point(piece.corner(name).tolist(), dxfattribs={"layer": TURN})
    for number, notch in enumerate(piece.notches):
        foot, tip = notch_tick(piece, notch.seam, notch.at).tolist()
        block.add_line(foot, tip, dxfattribs={"layer": NOTCH})
        _add_text(block, f"Notch: {number} {notch.name} {notch.seam}", *foot)
    for at in piece.holes:
        block.add_point(at.tolist(), dxfattribs={"layer": DRILL})
    for name in piece.part.seams:
        for point in piece.seams[name][1:-1]:
            block.add_point(point.tolist(), dxfattribs={"layer": CURVE})
    block.add_line(*piece.grain.tolist(), dxfattribs={"layer": GRAIN})
    for number, dart in enumerate(piece.darts, 1):
        legs = dart.ends.tolist()
        block.add_polyline2d(legs, dxfattribs={"layer": INTERNAL})
        _add_text(block, f"Dart: {number}", *legs[1])
    for name, line in piece.lines.items():
        block.add_polyline2d(line.tolist(), dxfattribs={"layer": INTERNAL})
        _add_text(block, f"Line: {name}", *line[0])
    note = one_line(piece.note, 10 * LONGEST)
    texts = [
        f"Piece Name: {piece.name}{'' if side == 'both' else f', {side}'}",
        f"Quantity: {cut_words(piece, side)}",
        "Units: METRIC",
        "Unit: mm",
        "Boundary: line to cut along, seam allowance included"
        if allowed
        else "Boundary: stitching line, seam allowance not included",
        *(f"Allowance {name}: {mm:.3f}" for name, mm in piece.allowance.items()),
        *(f"Note: |{note[at : at + LONGEST]}|" for at in range(0, len(note), LONGEST)),  # bars protect its spaces
    ]
    low, high = float(piece.outline[:, 1].min()), float(piece.outline[:, 1].max())
    for row, text in enumerate(texts):
        _add_text(block, text, piece.grain_x + TEXT_MM, low + (high - low) * 0.6 - row * TEXT_MM * 2)


def _add_text(layout: Any, text: str, x: float, y: float) -> None:
    layout.add_text(
        _escaped(one_line(text, LONGEST + 40)), height=TEXT_MM, dxfattribs={"layer": TEXT, "insert": (x, y)}
    )


def _escaped(text: str) -> str:
    r"""Text in ASCII, other characters as \U+XXXX (surrogate pairs beyond the first plane), as in DXF of this version."""
    units = text.encode("utf-16-be", "replace")
    codes = [int.from_bytes(units[at : at + 2], "big") for at in range(0, len(units), 2)]
    return "".join(chr(code) if code < 128 else f"\\U+{code:04X}" for code in codes)


# -- reading -----------------------------------------------------------------------------------------------------------


def _unescaped(text: str) -> str:
    plain = _ESCAPED.sub(lambda match: chr(int(match[1], 16)), text)
    return plain.encode("utf-16", "surrogatepass").decode("utf-16", "replace")


@dataclass
class _Block:
    """The contents of one piece of the file as plain values, mm."""

    name: str
    lines: dict[str, list[Array]] = field(default_factory=lambda: {layer: [] for layer in (*LINES, *MARKS)})
    texts: list[tuple[str, str, tuple[float, float]]] = field(default_factory=list)
    origin: tuple[float, float] = (0.0, 0.0)

    def text(self, key: str) -> str:
        """Return the text after a key: the rows of a split text joined, otherwise the first value."""
        values = [value for name, value, _ in self.texts if name == key]
        rows = [value[1:-1] for value in values if len(value) > 1 and value[0] == value[-1] == "|"]
        return "".join(rows) or next(iter(values), "")


def pattern_from_dxf(
    content: str | bytes, shown_path: str, garment: Garment | None = None, *, line: Outline | None = None,
    allowance: float | None = None, taken: Taken | None = None,
) -> Pattern:  # fmt: skip
    """Read a pattern from DXF with the layers above. Raises ProblemsFoundError.

    `line`: what an outline without a sew line is: the line to cut along, with `allowance` mm included, or the stitching line.
    """
    with placed(Where(shown_path)):
        return _pattern(content, garment, line, allowance, taken if taken is not None else Taken())


def _pattern(
    content: str | bytes, garment: Garment | None, line: Outline | None, allowance: float | None, taken: Taken
) -> Pattern:
    document, text = _read(content)
    try:
        scale = _unit(document, text, taken)
        blocks, loose = _pieces_of(document, scale, taken)
    except ProblemsFoundError:
        raise
    except Exception as error:  # damaged entities raise errors of many kinds
        raise stop("not-dxf", f"this DXF cannot be read: {one_line(error)}", hint="is it the right file?") from None
    garment = garment or shipped_garment(loose.text("garment").lower())
    named = _named(blocks, garment, taken)
    pieces = {
        key: piece_of(_drawn(garment.parts[key[0]], block, line, allowance, taken)) for key, block in named.items()
    }
    rows = [value for key, value, _ in loose.texts if key == "altered"]
    title, grade, client = (loose.text(key) for key in ("style name", "grade", "client"))
    return put_together(garment, pieces, title, grade, client, from_rows(rows))


def _read(content: str | bytes) -> tuple[Drawing, str]:
    """Read a DXF file and its text: UTF-8, else Latin-1, which suffices for ASCII names."""
    text = content if isinstance(content, str) else ""
    if isinstance(content, bytes):
        if b"Binary DXF" in content[:24]:
            raise stop("not-dxf", "this is a binary DXF", hint="save it as DXF text")
        refuse_utf16(content, None)
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = content.decode("latin-1")
    text, ezdxf = text.replace("\r\n", "\n").replace("\r", "\n"), library()
    try:
        return ezdxf.read(StringIO(text)), text
    except Exception as error:  # damaged files raise errors of many kinds
        raise stop(
            "not-dxf",
            f"this is not DXF: {one_line(error).removeprefix('DXFStructureError: ')}",
            hint="is it the right file?",
        ) from None


def _unit(document: Drawing, text: str, taken: Taken) -> float:
    """Return mm per unit of the file, from its header or texts; contradictions are refused."""
    header = document.header.get("$INSUNITS", 0) if "$INSUNITS" in text else 0  # the library supplies a default
    words = {value.strip().lower() for key, value in re.findall(r"(?im)^\s*(units?)\s*:\s*(\w+)", text)}
    sources = [(f"the header of the file says {name}", mm) for number, (name, mm) in _UNITS.items() if number == header]
    sources += [("a text of the file says inches", 25.4)] if words & {"english", "inch", "inches"} else []
    sources += [("a text of the file says metric, so mm", 1.0)] if words & {"metric", "mm"} else []
    if len({mm for _, mm in sources}) > 1 or header not in (0, *_UNITS):
        message = " and ".join(text for text, _ in sources) or "the header of the file names a unit that no pattern has"
        raise stop("units", message, hint="save it again in mm")
    if not sources:
        sources = [("the file names none; its numbers were taken as mm, which gives the size of a garment", 1.0)]
    taken.lines.append(f"Unit: {sources[0][0]}.")
    return sources[0][1]


def _pieces_of(document: Drawing, scale: float, taken: Taken) -> tuple[list[_Block], _Block]:
    """Return each piece of the file, and what belongs to no piece, such as texts about the whole pattern.

    A piece is a block inserted in the drawing (or any block, if none is), with all blocks nested in it.
    """
    placed: list[Any] = [entity for entity in document.modelspace() if entity.dxftype() == "INSERT"]
    blocks = [block for block in document.blocks if not block.is_any_layout and not block.name.startswith("*")]
    pieces = []
    for insert in placed[:500]:
        _refuse_stretched(insert)
        if _hidden(insert, document):
            taken.left_out.append(f"'{one_line(insert.dxf.name, 40)}', on a layer that is switched off")
            continue
        pieces.append(_Block(insert.dxf.name, origin=_xy(insert.dxf.insert, scale)))
        _gather(pieces[-1], _inside(insert), scale, taken, document)
        for attribute in insert.attribs:
            _take_text(pieces[-1], f"{attribute.dxf.tag}: {attribute.dxf.text}", _xy(attribute.dxf.insert, scale))
    for layout in blocks[:500] if not placed else ():
        pieces.append(_Block(layout.name))
        _gather(pieces[-1], (part for entity in layout for part in _inside(entity)), scale, taken, document)
    loose = _Block("")
    free = [e for e in document.modelspace() if e.dxftype() != "INSERT"]
    _gather(loose, free, scale, Taken(), document)
    if not pieces:
        message = "this file has no piece: each piece must be a block"
        raise stop("blocks", message, hint="save it as a pattern, not as a drawing")
    if loose.lines[BOUNDARY] or loose.lines[SEW]:
        taken.left_out.append("an outline that belongs to no piece")
    return pieces, loose


def _refuse_stretched(insert: Any) -> None:
    scales = [abs(insert.dxf.get(key, 1.0)) for key in ("xscale", "yscale")]
    if abs(scales[0] - scales[1]) > 1e-6 * max(scales):
        message = f"the piece '{one_line(insert.dxf.name, 40)}' is stretched more one way than the other"
        raise stop("scale", message, hint="save it at scale 1")


def _inside(entity: Any, depth: int = 0) -> Iterator[Any]:
    """Yield the entities within an entity, nested blocks expanded, in drawing coordinates."""
    if entity.dxftype() != "INSERT":
        yield entity
        return
    _refuse_stretched(entity)
    if depth > DEEPEST:
        raise stop("blocks", "blocks are nested more than 8 deep", hint="explode some of them")
    for count, part in enumerate(entity.virtual_entities()):
        if count > MOST_ENTITIES:
            return
        yield from _inside(part, depth + 1)


def _layer(entity: Any) -> str:
    name = str(entity.dxf.get("layer", "0")).strip()
    if name in LAYERS:
        return name
    return next((_WORDS[word] for word in re.findall(r"[a-z]+", name.lower()) if word in _WORDS), name)


def _hidden(entity: Any, document: Drawing) -> bool:
    name = str(entity.dxf.get("layer", "0"))
    layer = document.layers.get(name) if document.layers.has_entry(name) else None
    return bool(entity.dxf.get("invisible", 0)) or (layer is not None and (layer.is_off() or layer.is_frozen()))


def _gather(block: _Block, entities: Any, scale: float, taken: Taken, document: Drawing) -> None:
    """Sort the entities of a pattern into a block, in mm; report those left out."""
    left = 2 * MOST_POINTS
    for count, entity in enumerate(entities):
        kind, layer = entity.dxftype(), _layer(entity)
        label, on = kind.lower(), f"on layer {one_line(entity.dxf.layer, 20)}"
        if count > MOST_ENTITIES or left < 0:
            raise too_many(f"'{one_line(block.name, 40)}'")
        if _hidden(entity, document):
            taken.left_out.append(f"{label} {on}, which is switched off")
        elif kind in ("TEXT", "MTEXT"):
            text = entity.plain_text() if kind == "MTEXT" else entity.dxf.text
            for row in str(text).splitlines():
                _take_text(block, row, _xy(entity.dxf.insert, scale))
        elif (kind == "POINT" and layer in MARKS) or (kind == "CIRCLE" and layer == DRILL):
            at = entity.dxf.location if kind == "POINT" else entity.dxf.center
            block.lines[layer].append(points([_xy(at, scale)]))
        elif kind == "POINT":
            if layer != CURVE:
                taken.left_out.append(f"points {on} ({LAYERS.get(layer, 'unknown')})")
        elif layer in LINES:
            line = _line(entity, scale)
            if line is None:
                taken.left_out.append(f"{label} {on}")
                continue
            left -= len(line)
            block.lines[layer].append(line)
        else:
            taken.left_out.append(f"{label} {on} ({LAYERS.get(layer, 'a layer of another name')})")


def _take_text(block: _Block, text: str, at: tuple[float, float]) -> None:
    key, _, value = _unescaped(text).partition(":")
    if len(block.texts) < 1000:
        block.texts.append((key.strip().lower(), one_line(value, 2 * LONGEST), at))


def _xy(place: Any, scale: float) -> tuple[float, float]:
    return float(place[0]) * scale, float(place[1]) * scale


def _line(entity: Any, scale: float) -> Array | None:
    """Return a line, arc, spline or polyline as points in mm, curves flattened; None for other entities."""
    if entity.dxftype() not in ("LINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE", "POLYLINE", "LWPOLYLINE"):
        return None
    if entity.dxftype() in ("POLYLINE", "LWPOLYLINE") and len(entity) > MOST_POINTS:
        raise too_many("an outline")
    path = library().path.make_path(entity)
    line = once_each(points([_xy(at, scale) for at in islice(path.flattening(FLAT_MM / scale), MOST_POINTS + 2)]))
    return line if len(line) > 1 else None


def _named(blocks: list[_Block], garment: Garment, taken: Taken) -> dict[tuple[str, Side], _Block]:
    """Find the block of each piece by the words of its name; report other pieces."""
    named: dict[tuple[str, Side], _Block] = {}
    for block in blocks:
        words = re.findall(r"[a-z]+", f"{block.text('piece name')} {block.name}".lower())
        names = [name for name in garment.parts if name in words]
        if len(names) != 1:
            taken.left_out.append(f"the piece '{one_line(block.text('piece name') or block.name, 40)}'")
            continue
        side = side_in(words)
        if any(name == names[0] and (side == other or "both" in (side, other)) for name, other in named):
            hint = f"a pattern needs {' and '.join(garment.parts)}, named in the block or in 'Piece Name: ...'"
            raise stop("pieces", f"there are several pieces named '{names[0]}'", hint=hint)
        named[names[0], side] = block
    return named


def _drawn(part: Any, block: _Block, line: Outline | None, allowance: float | None, taken: Taken) -> Drawn:
    """Interpret a block as drawn lines. A sew line is the stitching line; a boundary alone is what the file or `line` says."""
    grain, sewn = next(iter(block.lines[GRAIN]), None), bool(block.lines[SEW])
    stated = next((kind for kind in ("stitch", "cut") if kind in block.text("boundary").lower()), None)
    kind = "stitch" if sewn else stated or line
    if kind is None or (kind == "cut" and allowance is None):
        message = f"{part.name}: the file does not say whether its outline is the stitching line, or how wide an allowance it includes"
        hint = "add --line stitch, or --line cut --allowance 15mm with the allowance it includes"
        raise stop("which-line", message, hint=hint)
    ring = _ring(part.name, block, SEW if sewn else BOUNDARY)
    seams = seams_of_outline(part, ring, points(one[0] for one in block.lines[TURN]), grain)
    drawn = Drawn(part, seams, grain=grain, origin=np.array(block.origin))
    description = f"{'layer 14, the sew line' if sewn else 'layer 1, the boundary'}, is the stitching line"
    if sewn and block.lines[BOUNDARY]:
        drawn.allowance = _allowances(seams, _ring(part.name, block, BOUNDARY))
        description += "; layer 1 is the line to cut along"
    elif kind == "cut" and allowance:
        drawn.allowance = {seam: allowance for seam in part.seams if seam != part.fold}
        drawn.seams = inset(seams, part.seams, drawn.allowance)
        description = "layer 1, the boundary, is the line to cut along"
    description += "" if sewn else ", as the file says" if stated else ", as given"
    taken.lines.append(f"{part.name.capitalize()}: {description}.")
    _take_marks(drawn, block, taken)
    if note := block.text("note"):
        drawn.notes.append(note)
    return drawn


def _take_marks(drawn: Drawn, block: _Block, taken: Taken) -> None:
    part = drawn.part
    inside = block.lines[INTERNAL]
    named = np.array([at for key, _, at in block.texts if key == "dart"]).reshape(-1, 2)
    used = [id(one) for one in inside if _is_dart(one, named, drawn.seams[part.top]) and drawn.take("dart", "", one)]
    for key, value, at in block.texts:
        if key == "line":
            here = [one for one in inside if apart(one[0], np.array(at)) <= CLOSED_MM][:1]
            used += [id(one) for one in here if drawn.take("line", value, one)]
        elif key in ("level", "notch"):
            if not drawn.take(key, value if key == "level" else value.partition(" ")[2], points([at])):
                taken.left_out.append(f"the {key} '{one_line(value, 40)}' of the {part.name}")
        elif key.startswith("allowance ") and key[10:] in part.seams and re.match(r"\d{1,4}(\.\d+)?\Z", value):
            drawn.allowance[key[10:]] = float(value)
    if not drawn.notches:
        for number, (point, *_) in enumerate(block.lines[NOTCH], 1):  # on the nearest seam
            seam = min(drawn.seams, key=lambda name: off(drawn.seams[name], point))
            drawn.notches.append((str(number), seam, nearest(drawn.seams[seam], point)))
    if count := sum(not drawn.take("hole", "", hole) for hole in block.lines[DRILL]):
        taken.left_out.append(
            f"{count} drill {'hole' if count == 1 else 'holes'} of the {part.name}, more than a pattern file can hold"
        )
    if drawn.holes:
        many = len(drawn.holes)
        taken.lines.append(f"{part.name.capitalize()}: {many} drill hole{'s' if many > 1 else ''}.")
    if drawn.notches:
        many = len(drawn.notches)
        notches = "notches, each" if many > 1 else "notch,"
        taken.lines.append(f"{part.name.capitalize()}: {many} {notches} on the nearest seam.")
    if count := sum(id(one) not in used for one in inside):
        taken.left_out.append(f"{count} internal {'line' if count == 1 else 'lines'} of the {part.name} without a name")


def _ring(name: str, block: _Block, layer: str) -> Array:
    """Return the one closed outline on a layer, each point once, joined from lines, arcs and splines that touch."""
    parts = block.lines[layer]
    closed = [one for one in parts if len(one) > 3 and apart(one[0], one[-1]) <= CLOSED_MM]
    line = chained(parts) if parts and (not closed or len(parts) == 1) else None
    if line is None or apart(line[0], line[-1]) > CLOSED_MM:
        message = f"{name}: layer {layer} must hold one closed outline; its {len(parts)} lines do not form one"
        hint = "is it open, drawn twice, or on a layer that is switched off?"
        raise stop("layers", message, hint=hint)
    return line[:-1]


def _is_dart(line: Array, named: Array, seam: Array) -> bool:
    """Whether a line of three points is a dart: a dart text stands at its point, or its ends lie on the waist seam."""
    if len(line) != 3 or (len(named) and (np.hypot(*(named - line[1]).T) <= CLOSED_MM).any()):
        return len(line) == 3
    return all(off(seam, point) <= 2.0 for point in (line[0], line[-1]))


def _allowances(seams: dict[str, Array], cut: Array) -> dict[str, float]:
    """Distance of the cut line from the middle of each seam, mm."""
    ring = LinearRing(cut)
    widths = {
        name: round(ring.distance(LineString(line).interpolate(0.5, normalized=True)), 2)
        for name, line in seams.items()
    }
    return {name: mm for name, mm in widths.items() if mm >= 0.1}
