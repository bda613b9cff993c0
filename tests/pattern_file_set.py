"""Pattern files as other programs may write them, each with its truth: DXF by ezdxf, a general-purpose library, and SVG by hand.

The DXF files follow the layers of ASTM D6673 (1 cut line, 2 turn points, 4 notches, 7 grain, 8 internal lines, 13 drill holes,
14 sewing line, 15 text; from memory of the standard), a block a piece; the SVG files name their lines as `fitdiag pattern read`
writes them. Run as a program it writes all files into a folder: `python tests/pattern_file_set.py FOLDER`.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from io import StringIO
from pathlib import Path
from typing import Any

from pattern_shapes import PIECES, SEAMS, TRUTH, Shape, Spot

READ, EITHER, REFUSE, TOLD = "read", "right or refused", "refused", "right, refused or the guess is told"


@dataclass(frozen=True)
class Sample:
    """A file, and what must become of it.

    `must`: READ, the size is right; EITHER, right or one clear refusal; REFUSE; TOLD, like EITHER, or the size is wrong but
    what it was taken for is said. `words`: one of them must be in the refusal (or in what is told). `options` go to `read`.
    `says`: each must be named by `read`. `scale`: the truth, times this.
    """

    name: str
    make: Callable[[], bytes]
    must: str = READ
    words: tuple[str, ...] = ()
    options: tuple[str, ...] = ()
    says: tuple[str, ...] = ()
    scale: float = 1.0

    @property
    def content(self) -> bytes:
        return self.make()

    def truth(self) -> dict[str, float]:
        return {name: value * self.scale for name, value in TRUTH.items()}


# --- DXF ----------------------------------------------------------------------------------------------------------------------

CUT, TURN, NOTCH, GRAIN, INTERNAL, DRILL, SEW, NOTE = "1", "2", "4", "7", "8", "13", "14", "15"
Draw = Callable[[Any, Shape, str, float], None]  # (block, shape, layer, scale)
ALLOWANCE = 15.0


def scaled(points: Iterable[Spot], scale: float) -> list[Spot]:
    return [(x * scale, y * scale) for x, y in points]


def as_ring(block: Any, points: list[Spot], layer: str) -> None:
    """A closed polyline of the light kind, or of the heavy one where the version has no other."""
    add = block.add_polyline2d if block.doc.dxfversion == "AC1009" else block.add_lwpolyline
    add(points, close=True, dxfattribs={"layer": layer})


def as_polyline(block: Any, shape: Shape, layer: str, scale: float) -> None:
    as_ring(block, scaled(shape.outline(), scale), layer)


def as_heavy_polyline(block: Any, shape: Shape, layer: str, scale: float) -> None:
    block.add_polyline2d(scaled(shape.outline(), scale), close=True, dxfattribs={"layer": layer})


def as_bulges(block: Any, shape: Shape, layer: str, scale: float) -> None:
    points = [(*spot, edge.bulge) for edge in shape.edges for spot in scaled([edge.start], scale)]
    block.add_lwpolyline(points, format="xyb", close=True, dxfattribs={"layer": layer})


def as_heavy_bulges(block: Any, shape: Shape, layer: str, scale: float) -> None:
    points = [(*spot, edge.bulge) for edge in shape.edges for spot in scaled([edge.start], scale)]
    block.add_polyline2d(points, format="xyb", close=True, dxfattribs={"layer": layer})


def as_3d(block: Any, shape: Shape, layer: str, scale: float) -> None:
    block.add_polyline3d(
        [(x, y, 0.0) for x, y in scaled(shape.outline(), scale)], close=True, dxfattribs={"layer": layer}
    )


def as_lines(block: Any, shape: Shape, layer: str, scale: float) -> None:
    """Single lines, in no order and each in any direction."""
    ring = scaled(shape.outline(12.0), scale)
    sides = list(zip(ring, ring[1:] + ring[:1], strict=True))
    for i, (a, b) in enumerate(sides[::2] + sides[1::2]):
        block.add_line(a if i % 3 else b, b if i % 3 else a, dxfattribs={"layer": layer})


def as_lines_and_arcs(block: Any, shape: Shape, layer: str, scale: float) -> None:
    for edge in reversed(shape.edges):
        a, b = scaled([edge.start, edge.end], scale)
        if edge.bulge:
            (centre,) = scaled([edge.centre], scale)
            block.add_arc(centre, edge.radius * scale, *edge.arc_degrees(), dxfattribs={"layer": layer})
        else:
            block.add_line(a, b, dxfattribs={"layer": layer})


def as_lines_and_ellipses(block: Any, shape: Shape, layer: str, scale: float) -> None:
    from math import radians

    for edge in shape.edges:
        a, b = scaled([edge.start, edge.end], scale)
        if edge.bulge:
            (centre,), (first, last) = scaled([edge.centre], scale), map(radians, edge.arc_degrees())
            block.add_ellipse(centre, (edge.radius * scale, 0), 1.0, first, last, dxfattribs={"layer": layer})
        else:
            block.add_line(a, b, dxfattribs={"layer": layer})


def as_splines(block: Any, shape: Shape, layer: str, scale: float) -> None:
    for edge in shape.edges:
        if edge.bulge:
            for curve in edge.beziers():
                block.add_open_spline(scaled(curve, scale), degree=3, dxfattribs={"layer": layer})
        else:
            block.add_line(*scaled([edge.start, edge.end], scale), dxfattribs={"layer": layer})


def as_seams(block: Any, shape: Shape, layer: str, scale: float) -> None:
    """One open polyline a seam."""
    for seam in SEAMS:
        edges = shape.seams[seam]
        points = [point for edge in edges for point in edge.points()] + [edges[-1].end]
        block.add_lwpolyline(scaled(points, scale), dxfattribs={"layer": layer})


def named(block: Any, text: str, scale: float, *, mtext: bool = False, line: int = 0) -> None:
    spot, attributes = (-20.0 * scale, (500.0 - 20.0 * line) * scale), {"layer": NOTE}
    if mtext:
        block.add_mtext(text, dxfattribs={**attributes, "insert": spot, "char_height": 10.0 * scale})
    else:
        block.add_text(text, height=10.0 * scale, dxfattribs=attributes).set_placement(spot)


def piece_block(
    document: Any,
    shape: Shape,
    *,
    draw: Draw = as_polyline,
    scale: float = 1.0,
    name: str = "",
    layer: str = SEW,
    cut: bool = True,
    turn: bool = True,
    grain: bool = True,
    mtext: bool = False,
    label: str | None = None,
) -> Any:
    """A block with one piece: sewing line, cut line 15 mm outside, turn points, grainline, name."""
    block = document.blocks.new(name or shape.name.upper())
    if cut:
        as_ring(block, scaled(shape.cut_line(ALLOWANCE), scale), CUT)
    draw(block, shape, layer, scale)
    for spot in scaled(shape.corners, scale) if turn else ():
        block.add_point(spot, dxfattribs={"layer": TURN})
    if grain:
        block.add_line((0, 100 * scale), (0, 900 * scale), dxfattribs={"layer": GRAIN})
    named(block, f"Piece Name: {shape.name.upper()}" if label is None else label, scale, mtext=mtext)
    return block


def new(version: str = "R2010", insunits: int | None = 4) -> Any:
    import ezdxf

    document = ezdxf.new(version)
    if version != "R12":
        document.header["$INSUNITS"] = 0 if insunits is None else insunits
    for name in (CUT, TURN, NOTCH, GRAIN, INTERNAL, DRILL, SEW, NOTE):
        document.layers.add(name)
    return document


def saved(document: Any, newline: str = "\n") -> bytes:
    stream = StringIO()
    document.write(stream)
    text = stream.getvalue()
    return text.replace("\n", newline).encode(document.output_encoding)


def drawing(
    *,
    version: str = "R2010",
    insunits: int | None = 4,
    units_text: str = "",
    insert: dict[str, float] | None = None,
    pieces: Iterable[Shape] = PIECES,
    **block: Any,
) -> Any:
    """A document with a block and an insert for each piece."""
    document = new(version, insunits)
    space, scale = document.modelspace(), block.get("scale", 1.0)
    for i, shape in enumerate(pieces):
        piece_block(document, shape, **block)
        space.add_blockref(shape.name.upper(), (600.0 * i * scale, 0), dxfattribs=insert or {})
    for i, text in enumerate(filter(None, units_text.split(";"))):
        space.add_text(text, height=10 * scale, dxfattribs={"layer": NOTE}).set_placement((0, (1100 + 20 * i) * scale))
    return document


def dxf_files() -> list[Sample]:
    """Every version and unit, every entity an outline can be drawn with, and everything else that lies on such a drawing."""
    files: list[Sample] = []

    def add(
        name: str, make: Callable[[], Any], must: str = READ, *words: str, newline: str = "\n", **more: Any
    ) -> None:
        def content() -> bytes:
            made = make()
            return made if isinstance(made, bytes) else saved(made, newline)

        files.append(Sample(f"{name}.dxf", content, must, words, **more))

    # versions and units
    add("version-r12", partial(drawing, version="R12", units_text="Units: METRIC"))
    for version in ("R2000", "R2004", "R2007", "R2010", "R2013", "R2018"):
        add(f"version-{version.lower()}", partial(drawing, version=version))
    add("units-inch", partial(drawing, insunits=1, scale=1 / 25.4))
    add("units-cm", partial(drawing, insunits=5, scale=0.1))
    add("units-m", partial(drawing, insunits=6, scale=0.001))
    add("units-text-english", partial(drawing, insunits=None, scale=1 / 25.4, units_text="Units: ENGLISH"))
    add("units-text-metric", partial(drawing, insunits=None, units_text="Units: METRIC"))
    add("units-none-mm", partial(drawing, insunits=None), EITHER, "unit")
    add("units-none-inch", partial(drawing, insunits=None, scale=1 / 25.4), EITHER, "unit", "size", "mm")
    add("units-none-cm", partial(drawing, insunits=None, scale=0.1), EITHER, "unit", "size", "mm")
    add("units-lie-inch-as-mm", partial(drawing, insunits=4, scale=1 / 25.4), REFUSE, "unit", "size", "mm")
    add("units-contradict", partial(drawing, insunits=1, units_text="Units: METRIC"), EITHER, "unit", "size", "mm")

    # entities
    shapes: dict[str, Draw] = {
        "heavy-polyline": as_heavy_polyline,
        "bulges": as_bulges,
        "heavy-bulges": as_heavy_bulges,
        "lines": as_lines,
        "lines-and-arcs": as_lines_and_arcs,
        "lines-and-splines": as_splines,
        "seams": as_seams,
        "polyline-3d": as_3d,
    }
    for name, draw in shapes.items():
        add(f"entity-{name}", partial(drawing, draw=draw))
    add("entity-lines-and-ellipses", partial(drawing, draw=as_lines_and_ellipses), EITHER, "ellipse", "ELLIPSE")
    add("entity-splines-in-inch", partial(drawing, draw=as_splines, insunits=1, scale=1 / 25.4))
    add("entity-no-turn-points", partial(drawing, turn=False), EITHER, "corner", "turn")

    # blocks, inserts and labels
    add("insert-turned", partial(drawing, insert={"rotation": 30.0}))
    add("insert-scaled", partial(drawing, scale=1 / 25.4, insert={"xscale": 25.4, "yscale": 25.4, "zscale": 25.4}))
    add("insert-mirrored", partial(drawing, insert={"xscale": -1.0}))
    add("insert-turned-bulges", partial(drawing, draw=as_bulges, insert={"rotation": 200.0}))
    add("insert-mirrored-arcs", partial(drawing, draw=as_lines_and_arcs, insert={"xscale": -1.0, "rotation": 15.0}))
    add("label-mtext", partial(drawing, mtext=True))
    add("label-mtext-with-codes", _mtext_codes)
    add("blocks-in-blocks", partial(_nested, 1.0))
    add("blocks-in-blocks-scaled", partial(_nested, 25.4))
    add("pieces-without-blocks", _no_blocks, EITHER, "block", "piece")

    # layers: hidden, frozen; cut line and sewing line
    add("layer-older-outline-frozen", partial(_older_outline, "freeze"))
    add("layer-older-outline-off", partial(_older_outline, "off"))
    add("layer-sewing-line-off", _hidden_sewing_line, EITHER, "hidden", "off", "layer", "cut", "stitch", "sew")
    add("lines-cut-and-stitch", partial(drawing, cut=True), says=("stitch",))
    words = ("cut", "stitch", "allowance")
    add("lines-cut-only", _cut_only, REFUSE, *words)
    told = ("--line", "cut", "--allowance", "15mm")
    add("lines-cut-only-told", _cut_only, READ, options=told)
    add("lines-only-layer-1", partial(drawing, layer=CUT, cut=False), REFUSE, *words)
    add("lines-only-layer-1-told", partial(drawing, layer=CUT, cut=False), READ, options=("--line", "stitch"))

    # what else lies on a drawing
    add("notches-and-drills", _notches_and_drills, says=("notch", "drill"))
    add("several-pieces", _more_pieces, says=("WAISTBAND", "POCKET"))
    add("front-only", partial(drawing, pieces=PIECES[:1]), REFUSE, "back")
    add("two-fronts", _two_fronts, EITHER, "front")
    add("no-names", partial(drawing, label="", name=""), EITHER, "name", "front", "back")
    add("outline-open", partial(_with_gap, 3.0), REFUSE, "open", "closed", "close", "gap", "apart")
    add("outline-nearly-closed", partial(_with_gap, 0.01))
    add("windows-line-ends", drawing, newline="\r\n")
    add("cut-short", lambda: saved(drawing())[:-4000], REFUSE)
    add("empty", new, REFUSE, "piece", "block")
    return files


def _mtext_codes() -> Any:
    """Labels with the formatting codes of MTEXT: font, a new paragraph, underline."""
    document = new()
    for i, shape in enumerate(PIECES):
        label = rf"{{\fArial|b1;Piece Name: \L{shape.name.upper()}\l}}\PSize: 94"
        piece_block(document, shape, mtext=True, label=label)
        document.modelspace().add_blockref(shape.name.upper(), (600.0 * i, 0))
    return document


def _nested(inner: float) -> Any:
    """The outline in a block of its own, put into the piece's block."""
    document = new()
    for i, shape in enumerate(PIECES):
        piece_block(document, shape, name=f"SHAPE-{shape.name}", label="", scale=1 / inner)
        outer = document.blocks.new(shape.name.upper())
        outer.add_blockref(f"SHAPE-{shape.name}", (10, 20), dxfattribs={"xscale": inner, "yscale": inner})
        named(outer, f"Piece Name: {shape.name.upper()}", 1.0)
        document.modelspace().add_blockref(shape.name.upper(), (600.0 * i, 0))
    return document


def _no_blocks() -> Any:
    """Everything straight in the model space, one piece beside the other."""
    document = new()
    space = document.modelspace()
    for i, shape in enumerate(PIECES):
        ring = [(x + 600.0 * i, y) for x, y in shape.outline()]
        space.add_lwpolyline(ring, close=True, dxfattribs={"layer": SEW})
        space.add_line((600.0 * i, 100), (600.0 * i, 900), dxfattribs={"layer": GRAIN})
        text = space.add_text(f"Piece Name: {shape.name.upper()}", height=10, dxfattribs={"layer": NOTE})
        text.set_placement((600.0 * i, 500))
    return document


def _older_outline(how: str) -> Any:
    """An older, wider outline lies on a layer that is frozen or off."""
    document = drawing(cut=False)
    layer = document.layers.add("14-older")
    getattr(layer, how)()
    for shape in PIECES:
        wider = [(x * 1.08, y) for x, y in shape.outline()]
        document.blocks.get(shape.name.upper()).add_lwpolyline(wider, close=True, dxfattribs={"layer": "14-older"})
    return document


def _hidden_sewing_line() -> Any:
    document = drawing()
    document.layers.get(SEW).off()
    return document


def _cut_only() -> Any:
    """Nothing but cut lines, 15 mm outside the stitching line, on the layer of the piece's boundary."""

    def cut_line(block: Any, shape: Shape, layer: str, scale: float) -> None:
        as_ring(block, scaled(shape.cut_line(ALLOWANCE), scale), layer)

    return drawing(draw=cut_line, layer=CUT, cut=False, turn=False)


def _notches_and_drills() -> Any:
    document = drawing()
    for shape in PIECES:
        block = document.blocks.get(shape.name.upper())
        side = shape.seams["side"]
        for spot in (side[1].start, side[2].end, shape.seams["inseam"][0].end, shape.seams["curve"][0].end):
            block.add_point(spot, dxfattribs={"layer": NOTCH})
        block.add_point((20.0, 930.0), dxfattribs={"layer": DRILL})
        block.add_circle((20.0, 900.0), 2.0, dxfattribs={"layer": DRILL})
    return document


def _more_pieces() -> Any:
    document = drawing()
    for i, (name, width, height) in enumerate((("WAISTBAND", 760, 40), ("POCKET", 160, 280))):
        block = document.blocks.new(name)
        block.add_lwpolyline([(0, 0), (width, 0), (width, height), (0, height)], close=True, dxfattribs={"layer": SEW})
        block.add_line((10, 10), (10, height - 10), dxfattribs={"layer": GRAIN})
        named(block, f"Piece Name: {name}", 1.0)
        document.modelspace().add_blockref(name, (0, -200.0 - 400.0 * i))
    return document


def _two_fronts() -> Any:
    """A left front beside a right one that is 2 cm wider."""
    document = drawing()
    block = document.blocks.new("FRONT-2")
    wider = [(x + (20.0 if x > 0 else 0.0), y) for x, y in PIECES[0].outline()]
    block.add_lwpolyline(wider, close=True, dxfattribs={"layer": SEW})
    block.add_line((0, 100), (0, 900), dxfattribs={"layer": GRAIN})
    named(block, "Piece Name: FRONT", 1.0)
    document.modelspace().add_blockref("FRONT-2", (1500, 0))
    return document


def _with_gap(gap: float) -> Any:
    def draw(block: Any, shape: Shape, layer: str, scale: float) -> None:
        points = shape.outline()
        (x, y), last = points[0], points[-1]
        size = ((last[0] - x) ** 2 + (last[1] - y) ** 2) ** 0.5
        points.append((x + (last[0] - x) * gap / size, y + (last[1] - y) * gap / size))
        block.add_lwpolyline(scaled(points, scale), dxfattribs={"layer": layer})

    return drawing(draw=draw, cut=False)


# --- SVG ----------------------------------------------------------------------------------------------------------------------

PAGE = (1300.0, 1200.0)  # mm
CURVES, RELATIVE, ARCS, DENSE = "curves", "relative", "arcs", "dense"


def number(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".")


def path_data(shape: Shape, seam: str, kind: str, to: Callable[[Spot], Spot], scale: float) -> str:
    """A seam as path data: cubic curves, relative commands, arcs, or points close together."""
    edges = shape.seams[seam]
    at = to(edges[0].start)
    words = ["M", number(at[0]), number(at[1])]
    for edge in edges:
        end = to(edge.end)
        if kind == DENSE:
            for point in [*edge.points()[1:], edge.end]:
                words += ["L", *map(number, to(point))]
        elif edge.bulge and kind == ARCS:  # y runs down here, so an arc to the left is an arc against the clock as seen
            radius = number(edge.radius * scale)
            words += ["A", radius, radius, "0", "0", "0" if edge.bulge > 0 else "1", *map(number, end)]
        elif edge.bulge:
            for curve in edge.beziers():
                spots = [to(spot) for spot in curve[1:]]
                if kind == RELATIVE:
                    spots = [(x - at[0], y - at[1]) for x, y in spots]
                words += ["c" if kind == RELATIVE else "C", *(number(v) for spot in spots for v in spot)]
                at = to(curve[3])
        elif kind == RELATIVE:
            words += ["l", number(end[0] - at[0]), number(end[1] - at[1])]
        else:
            words += ["L", *map(number, end)]
        at = end
    return " ".join(words)


def seam_paths(
    shape: Shape, *, kind: str = CURVES, scale: float = 1.0, at: Spot = (0.0, 0.0), by: str = "id", extra: str = ""
) -> str:
    """The lines of a piece, y down, moved by `at` mm, named by id or class."""

    def to(spot: Spot) -> Spot:
        return (spot[0] + at[0]) * scale, (at[1] - spot[1]) * scale

    lines = []
    for seam in SEAMS:
        name = f'id="{shape.name}-{seam}"' if by == "id" else f'class="{shape.name}-{seam}"'
        lines.append(f'<path {name} {extra} d="{path_data(shape, seam, kind, to, scale)}"/>')
    (x1, y1), (x2, y2) = to((0.0, 100.0)), to((0.0, 900.0))
    grain = f'id="{shape.name}-grain"' if by == "id" else f'class="{shape.name}-grain"'
    ends = f'x1="{number(x1)}" y1="{number(y1)}" x2="{number(x2)}" y2="{number(y2)}"'
    return "\n".join([*lines, f"<line {grain} {ends}/>"])


SPOTS: dict[str, Spot] = {"front": (300.0, 1100.0), "back": (900.0, 1100.0)}


def both(**more: Any) -> str:
    return "\n".join(
        f'<g id="{shape.name}">\n{seam_paths(shape, at=SPOTS[shape.name], **more)}\n</g>' for shape in PIECES
    )


def page(
    body: str,
    *,
    width: str | None = "1300mm",
    height: str | None = "1200mm",
    box: str | None = "0 0 1300 1200",
    head: str = "",
    more: str = "",
    newline: str = "\n",
) -> bytes:
    size = "".join(
        f' {name}="{value}"'
        for name, value in (("width", width), ("height", height), ("viewBox", box))
        if value is not None
    )
    text = (
        f'<?xml version="1.0" encoding="UTF-8"?>\n{head}<svg xmlns="http://www.w3.org/2000/svg"'
        f' xmlns:xlink="http://www.w3.org/1999/xlink"{size} {more}>\n'
        f'<g fill="none" stroke="#000">\n{body}\n</g>\n</svg>\n'
    )
    return text.replace("\n", newline).encode()


def at_dpi(dpi: float, *, physical: bool) -> bytes:
    """Coordinates in dots of so many to the inch; the page's size in mm, or in px only."""
    scale = dpi / 25.4
    box = f"0 0 {number(PAGE[0] * scale)} {number(PAGE[1] * scale)}"
    if physical:
        return page(both(scale=scale), box=box)
    width, height = (number(side * scale) + "px" for side in PAGE)
    return page(both(scale=scale), width=width, height=height, box=box)


def svg_files() -> list[Sample]:
    """Every unit and scale, transforms of both kinds, curves of every kind, use and symbol, and what is hidden."""
    files: list[Sample] = []

    def add(name: str, content: bytes, must: str = READ, *words: str, **more: Any) -> None:
        files.append(Sample(f"{name}.svg", lambda: content, must, words, **more))

    px, wide, high = 96.0 / 25.4, *PAGE
    lost = ("unit", "size", "width", "dpi", "px")

    # size of the page and of a unit
    add("size-mm", page(both()))
    add("size-inch", page(both(), width=f"{number(wide / 25.4)}in", height=f"{number(high / 25.4)}in"))
    add("size-cm", page(both(), width="130cm", height="120cm"))
    add("size-pt", page(both(), width=f"{number(wide / 25.4 * 72)}pt", height=f"{number(high / 25.4 * 72)}pt"))
    add("size-pc", page(both(), width=f"{number(wide / 25.4 * 6)}pc", height=f"{number(high / 25.4 * 6)}pc"))
    add(
        "size-px-box-in-mm",
        page(both(), width=f"{number(wide * px)}px", height=f"{number(high * px)}px"),
        TOLD,
        "px",
        "96",
    )
    add("size-bare-number", page(both(), width=number(wide * px), height=number(high * px)), TOLD, "px", "96")
    add("size-none", page(both(), width=None, height=None), TOLD, *lost, "mm", "96")
    add("size-percent", page(both(), width="100%", height="100%"), TOLD, *lost, "mm", "96")
    add("size-mm-no-box", page(both(scale=px), box=None))
    add("size-nothing-96", page(both(scale=px), width=None, height=None, box=None), TOLD, "px", "96")
    for dpi in (72, 90, 96):
        add(f"dpi-{dpi}-page-in-mm", at_dpi(dpi, physical=True))
        add(f"dpi-{dpi}-page-in-px", at_dpi(dpi, physical=False), TOLD, "96")
    add("size-other-aspect", page(both(), width="2600mm", height="1200mm"))  # xMidYMid meet: the smaller scale holds
    add("size-shifted-box", page(f'<g transform="translate(-40 70)">{both()}</g>', box="-40 70 1300 1200"))

    # transforms
    nested = f'<g transform="translate(100 50)"><g transform="scale(25.4)"><g transform="rotate(20)">{both(scale=1 / 25.4)}</g></g></g>'
    add("transform-nested", page(nested, box="0 0 1300 1200"))
    add("transform-matrix-turned", page(f'<g transform="matrix(0.8 0.6 -0.6 0.8 50 20)">{both()}</g>'))
    add("transform-mirrored", page(f'<g transform="translate(1300 0) scale(-1 1)">{both()}</g>'))
    add("transform-y-up", page(f'<g transform="translate(0 1200) scale(1 -1)">{_y_up()}</g>'))
    add(
        "transform-on-path",
        page(both(scale=0.5, extra='transform="scale(2)"').replace("<line ", '<line transform="scale(2)" ')),
    )
    doubled = both(scale=0.5)
    add(
        "css-transform-in-style",
        page(f'<g style="transform: scale(2)">{doubled}</g>'),
        EITHER,
        "transform",
        "style",
        "css",
        "CSS",
    )
    sheet = "<style>.twice { transform: scale(2); }</style>"
    add(
        "css-transform-in-sheet",
        page(f'{sheet}<g class="twice">{doubled}</g>'),
        EITHER,
        "transform",
        "style",
        "css",
        "CSS",
    )
    moved = '<g style="transform: matrix(1, 0, 0, 1, 30, 40)">'
    add("css-transform-moves-only", page(f"{moved}{both()}</g>"), EITHER, "transform", "style", "css", "CSS")

    # kinds of lines
    for kind in (RELATIVE, ARCS, DENSE):
        add(f"path-{kind}", page(both(kind=kind)))
    add("path-one-decimal-in-px", page(both(scale=px), box=f"0 0 {number(wide * px)} {number(high * px)}"))
    add("named-by-class", page("\n".join(seam_paths(shape, at=SPOTS[shape.name], by="class") for shape in PIECES)))
    add("polylines", page(_polylines()))
    add("one-outline-a-piece", page(_one_outline()), EITHER, "seam", "line", "name")

    # use, symbol, groups, what is hidden
    uses = "".join(f'<g id="{s.name}-shape">{seam_paths(s, at=SPOTS[s.name])}</g>' for s in PIECES)
    used = '<use href="#front-shape"/><use xlink:href="#back-shape" x="20" transform="translate(0 10)"/>'
    add("use-of-defs", page(f"<defs>{uses}</defs>{used}"))
    plain = f'<symbol id="all">{both()}</symbol><use href="#all" x="5" y="5"/>'
    add("use-of-symbol", page(plain))
    boxed = f'<symbol id="all" viewBox="0 0 650 600">{doubled}</symbol><use href="#all" width="1300" height="1200"/>'
    add("use-of-symbol-with-box", page(boxed), EITHER, "symbol", "use")  # libraries disagree here
    inner = f'<svg x="10" y="10" width="1300" height="1200" viewBox="0 0 650 600">{doubled}</svg>'
    add("svg-in-svg", page(inner))
    older = both(scale=1.1)
    add("hidden-by-attribute", page(f'<g display="none">{older}</g>{both()}'))
    add("hidden-by-style", page(f'<g style="display:none">{older}</g>{both()}'))
    add(
        "hidden-by-sheet",
        page(f'<style>.old {{ display: none }}</style><g class="old">{older}</g>{both()}'),
        EITHER,
        "twice",
        "hidden",
    )
    add("hidden-visibility", page(f'<g visibility="hidden">{older}</g>{both()}'))
    add("hidden-in-defs", page(f"<defs>{older}</defs>{both()}"))
    add("two-visible", page(f"{older}{both()}"), REFUSE, "twice", "two", "2", "more than one", "already")
    add("cut-line-beside", page(f"{both()}{_cut_lines()}"))
    add("cut-line-only", page(_cut_lines()), REFUSE, "cut", "stitch", "seam", "allowance")
    add("front-only", page(f'<g id="front">{seam_paths(PIECES[0], at=SPOTS["front"])}</g>'), REFUSE, "back")
    add("windows-line-ends", page(both(), newline="\r\n"))
    add(
        "with-doctype",
        page(both(), head='<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "svg11.dtd">\n'),
        EITHER,
        "DOCTYPE",
        "doctype",
        "DTD",
    )
    add("cut-short", page(both())[:-900], REFUSE)
    return files


def _y_up() -> str:
    """The same lines with y up, as a flipped group holds them."""
    groups = []
    for shape in PIECES:
        x, y = SPOTS[shape.name][0], 1200.0 - SPOTS[shape.name][1]
        lines = [
            f'<path id="{shape.name}-{seam}" d="{path_data(shape, seam, CURVES, lambda s, x=x, y=y: (s[0] + x, s[1] + y), 1.0)}"/>'
            for seam in SEAMS
        ]
        lines.append(f'<line id="{shape.name}-grain" x1="{x}" y1="{y + 100}" x2="{x}" y2="{y + 900}"/>')
        groups.append(f'<g id="{shape.name}">' + "\n".join(lines) + "</g>")
    return "\n".join(groups)


def _polylines() -> str:
    lines = []
    for shape in PIECES:
        x, y = SPOTS[shape.name]
        for seam in SEAMS:
            edges = shape.seams[seam]
            points = [point for edge in edges for point in edge.points()] + [edges[-1].end]
            text = " ".join(f"{number(a + x)},{number(y - b)}" for a, b in points)
            lines.append(f'<polyline id="{shape.name}-{seam}" points="{text}"/>')
        lines.append(f'<line id="{shape.name}-grain" x1="{x}" y1="{y - 100}" x2="{x}" y2="{y - 900}"/>')
    return "\n".join(lines)


def _ring(points: Iterable[Spot], at: Spot) -> str:
    return "M " + " L ".join(f"{number(x + at[0])} {number(at[1] - y)}" for x, y in points) + " Z"


def _one_outline() -> str:
    return "\n".join(f'<path id="{s.name}" d="{_ring(s.outline(), SPOTS[s.name])}"/>' for s in PIECES)


def _cut_lines() -> str:
    return "\n".join(
        f'<path id="{s.name}-cut" class="cut" d="{_ring(s.cut_line(ALLOWANCE), SPOTS[s.name])}"/>' for s in PIECES
    )


def all_files() -> list[Sample]:
    return dxf_files() + svg_files()


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for sample in all_files():
        (folder / sample.name).write_bytes(sample.content)
        print(f"{sample.name}: {sample.must}{' with ' + ' '.join(sample.options) if sample.options else ''}")
