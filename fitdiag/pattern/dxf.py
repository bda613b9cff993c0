"""Patterns written as DXF with the layers of ASTM D6673, for programs that cut or plot; `dxf_read.py` reads them.

The layers are from memory of the standard, not checked against its text: 1 piece boundary (the line to cut along), 2 turn
points, 3 curve points, 4 notches, 7 grain line, 8 internal lines, 11 internal cutouts, 13 drill holes, 14 sew lines, 15
annotation text. Each piece is a block; a text of layer 15 names it. Needs the extra `dxf`.
"""

from __future__ import annotations

from io import StringIO
from typing import TYPE_CHECKING, Any

import numpy as np

from fitdiag.pattern.outline import cutting_area, notch_tick
from fitdiag.pattern.piece import Pattern, Piece, Side, cut_words
from fitdiag.pattern.record import LONGEST_CLIENT, row_of
from fitdiag.problems import one_line, stop

if TYPE_CHECKING:
    from ezdxf.document import Drawing

LAYERS = {
    "1": "piece boundary", "2": "turn points", "3": "curve points", "4": "notches", "7": "grain line",
    "8": "internal lines", "11": "internal cutouts", "13": "drill holes", "14": "sew lines", "15": "annotation text",
}  # fmt: skip
BOUNDARY, TURN, CURVE, NOTCH, GRAIN, INTERNAL, CUTOUT, DRILL, SEW, TEXT = LAYERS
APART_MM, TEXT_MM = 40.0, 6.0
LONGEST = 200  # characters of one text; old readers stop at 255


def library() -> Any:
    try:
        import ezdxf  # noqa: PLC0415 (an extra)
        import ezdxf.path  # noqa: PLC0415
    except ImportError:
        hint = "pip install 'fitdiag[dxf]'"
        raise stop("no-dxf", "reading and writing DXF needs a part that is not installed", hint=hint) from None
    found: Any = ezdxf
    found.options.write_fixed_meta_data_for_testing = True  # no time and no random marks in what it writes
    return found


def pattern_to_dxf(pattern: Pattern) -> str:
    """A pattern as DXF text in ASCII: a block per piece, the stitching line as boundary, turn points where seams meet.

    The same pattern makes the same text each time.
    """
    document: Drawing = library().new("R2000")
    document.header["$INSUNITS"], document.header["$MEASUREMENT"] = 4, 1
    for name, what in LAYERS.items():
        document.layers.add(name).description = what
    space, x = document.modelspace(), 0.0
    title, grade = (one_line(text, LONGEST) for text in (pattern.title, pattern.grade))
    client = [f"Client: {one_line(pattern.client, LONGEST_CLIENT)}"] if pattern.client else []
    altered = [f"Altered: {row_of(item)[:LONGEST]}" for item in pattern.carried]
    garment = f"Garment: {pattern.garment.name}"
    for line in (f"Style Name: {title}", f"Grade: {grade}", garment, "Units: METRIC", "Unit: mm", *client, *altered):
        _say(space, line, 0.0, -TEXT_MM * 2 * (1 + len(space)))
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
        _say(block, f"Notch: {number} {notch.name} {notch.seam}", *foot)
    for at in piece.holes:
        block.add_point(at.tolist(), dxfattribs={"layer": DRILL})
    for name in piece.part.seams:
        for point in piece.seams[name][1:-1]:
            block.add_point(point.tolist(), dxfattribs={"layer": CURVE})
    block.add_line(*piece.grain.tolist(), dxfattribs={"layer": GRAIN})
    for number, dart in enumerate(piece.darts, 1):
        legs = dart.ends.tolist()
        block.add_polyline2d(legs, dxfattribs={"layer": INTERNAL})
        _say(block, f"Dart: {number}", *legs[1])
    for name, line in piece.lines.items():
        block.add_polyline2d(line.tolist(), dxfattribs={"layer": INTERNAL})
        _say(block, f"Line: {name}", *line[0])
    texts = [
        f"Piece Name: {piece.name}{'' if side == 'both' else f', {side}'}",
        f"Quantity: {cut_words(piece, side)}",
        "Units: METRIC",
        "Unit: mm",
        "Boundary: line to cut along, seam allowance included"
        if allowed
        else "Boundary: stitching line, seam allowance not included",
        *(f"Allowance {name}: {mm:.3f}" for name, mm in piece.allowance.items()),
        *_chunks("Note", piece.note),
    ]
    low, high = float(piece.outline[:, 1].min()), float(piece.outline[:, 1].max())
    for row, text in enumerate(texts):
        _say(block, text, piece.grain_x + TEXT_MM, low + (high - low) * 0.6 - row * TEXT_MM * 2)


def _say(layout: Any, text: str, x: float, y: float) -> None:
    layout.add_text(
        _escaped(one_line(text, LONGEST + 40)), height=TEXT_MM, dxfattribs={"layer": TEXT, "insert": (x, y)}
    )


def _chunks(key: str, text: str) -> list[str]:
    """A long text in rows; a mark at the start of the words keeps the blanks between them."""
    clean = one_line(text, 10 * LONGEST)
    return [f"{key}: |{clean[at : at + LONGEST]}|" for at in range(0, len(clean), LONGEST)]


def _escaped(text: str) -> str:
    r"""Text in ASCII, other signs as \U+XXXX (in two halves beyond the first plane), as DXF of this age writes them."""
    units = text.encode("utf-16-be", "replace")
    codes = [int.from_bytes(units[at : at + 2], "big") for at in range(0, len(units), 2)]
    return "".join(chr(code) if code < 128 else f"\\U+{code:04X}" for code in codes)
