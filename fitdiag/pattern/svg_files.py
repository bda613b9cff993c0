"""Write and read outlines as SVG, to exchange with drawing programs: one path per seam with ids like `back-waist`.

Reads our own drawings, and those of other programs if their lines are named the same way.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import StringIO
from itertools import pairwise
from math import ceil, hypot
from typing import Any
from xml.etree.ElementTree import ParseError, iterparse
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import svgelements as svg

from fitdiag.pattern.assemble import Drawn, Taken, chained, once_each, piece_of, put_together, side_in, too_many
from fitdiag.pattern.garment import Garment, shipped_garment
from fitdiag.pattern.outline import notch_tick
from fitdiag.pattern.piece import CLOSED_MM, MOST_POINTS, Array, Pattern, Piece, Side, apart, points
from fitdiag.pattern.record import LONGEST_CLIENT, LONGEST_NOTE, LONGEST_TITLE, from_rows, rounded, row_of
from fitdiag.problems import Where, one_line, placed, stop

MARGIN_MM, APART_MM = 20.0, 40.0
CLIENT, ALTERED = "For: ", "Altered: "  # prefixes of these texts in a drawing
_STYLE = "fill:none;stroke:#000;stroke-width:0.5"
_SYNONYMS = {"grainline": "grain", "darts": "dart", "levels": "level"}
_KINDS = ("dart", "grain", "level")
MOST_SHAPES = 20_000
DEEPEST = 60
FLAT_STEP_MM = 1.0  # largest spacing of points on a flattened curve
_LARGEST_MM = 1e6
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?"
_MM = {"mm": 1.0, "cm": 10.0, "in": 25.4, "pt": 25.4 / 72, "pc": 25.4 / 6, "q": 0.25}
_PHYSICAL = re.compile(rf"({_NUMBER})\s*({'|'.join(_MM)})", re.IGNORECASE)
_RUN = re.compile(rf"[\s,]*([MmLlHhVvCcSsQqTtAaZz])((?:[\s,]*{_NUMBER})*)")
_EACH = {"m": 2, "l": 2, "h": 1, "v": 1, "c": 6, "s": 4, "q": 4, "t": 2, "a": 7, "z": 0}
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+")
_TURNS = re.compile("matrix|rotate|(translate|scale|skew)[xy]?", re.IGNORECASE)
# What the library silently ignores: entities, transforms about other origins or in style sheets, scaled symbols.
_REFUSED = re.compile(
    r"<!ENTITY|<symbol\b[^>]*viewBox|<style[^>]*>[^<]*transform\s*:"
    r"|transform(-origin|-box)?\s*[:=]\s*[\"']?\s*(left|right|center|top|bottom|fill-box)"
)
_BROKEN = (
    ParseError, ValueError, TypeError, KeyError, IndexError, AttributeError, ZeroDivisionError, RecursionError,
    OverflowError,
)  # fmt: skip  # raised by the library for damaged numbers and names
_NAMING = ("id", "class", "label", "data-name")


# -- writing -----------------------------------------------------------------------------------------------------------


def pattern_to_svg(pattern: Pattern) -> str:
    """Write the outlines as SVG in mm, y down: a path per seam, and separate ones for darts, balance lines and grainline.

    Each piece is a group; its `data-origin` is the position of the piece's own (0, 0) on the page.
    """
    groups, x, high = [], MARGIN_MM, 0.0
    for piece, side in pattern.cut():
        everything = np.concatenate([piece.outline, *piece.lines.values(), *(dart.ends for dart in piece.darts)])
        low, top = everything.min(axis=0), everything.max(axis=0)
        origin = np.array([rounded(x - low[0]), rounded(MARGIN_MM + top[1])])
        groups.append(_group(piece, side, origin))
        x += float(top[0] - low[0]) + APART_MM
        high = max(high, float(top[1] - low[1]))
    wide, high = round(x - APART_MM + MARGIN_MM, 1), round(high + 2 * MARGIN_MM, 1)
    head = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}mm" height="{high}mm" viewBox="0 0 {wide} {high}"'
        f" data-garment={quoteattr(pattern.garment.name)}>",
        f"<title>{escape(one_line(pattern.title, LONGEST_TITLE))}</title>",
    ]
    texts = [one_line(pattern.grade, LONGEST_TITLE)]
    texts += [f"{CLIENT}{one_line(pattern.client, LONGEST_CLIENT)}"] if pattern.client else []
    texts += [f"{ALTERED}{row_of(item)}" for item in pattern.carried]
    return "\n".join([*head, *(f"<desc>{escape(text)}</desc>" for text in texts), *groups, "</svg>\n"])


def _group(piece: Piece, side: Side, origin: Array) -> str:
    prefix = piece.name if side == "both" else f"{piece.name}-{side}"

    def path(name: str, kind: str, polyline: Array, **data: object) -> str:
        drawn = " L ".join(f"{origin[0] + x:.3f} {origin[1] - y:.3f}" for x, y in polyline)
        ident = f"{prefix}-{name}".replace(" ", "-")
        more = "".join(f" data-{key}={quoteattr(str(value))}" for key, value in data.items())
        return f'<path id={quoteattr(ident)} class="{kind}"{more} d="M {drawn}"/>'

    parts = []
    for name in piece.part.seams:
        data = {"allowance": rounded(piece.allowance[name])} if name in piece.allowance else {}
        parts.append(path(name, "seam", piece.seams[name], **data))
    parts += [path(f"dart-{number}", "dart", dart.ends) for number, dart in enumerate(piece.darts, 1)]
    parts += [path(f"line-{name}", "line", line, line=name) for name, line in piece.lines.items()]
    for number, notch in enumerate(piece.notches, 1):
        named, tick = f"{notch.name} {notch.seam}", notch_tick(piece, notch.seam, notch.at)
        parts.append(path(f"{number}-notch-{named}", "notch", tick, line=named))
    for number, at in enumerate(piece.holes, 1):
        x, y = origin[0] + at[0], origin[1] - at[1]
        attributes = f'id="{prefix}-hole-{number}" class="hole" data-line="{number}"'
        parts.append(f'<circle {attributes} cx="{x:.3f}" cy="{y:.3f}" r="1"/>')
    parts.append(path("grain", "grain", piece.grain))
    head = f'<g id="{prefix}" style="{_STYLE}" data-origin="{origin[0]:.3f} {origin[1]:.3f}">'
    return "\n".join([head, f"<desc>{escape(one_line(piece.note, LONGEST_NOTE))}</desc>", *parts, "</g>"])


# -- reading -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Shape:
    """A drawn element: the words of its names, those of its groups (innermost first), its lines in mm with y up, its attributes."""

    tag: str
    words: tuple[str, ...]
    groups: tuple[tuple[str, ...], ...]
    lines: tuple[Array, ...]
    data: Mapping[str, str]
    text: str = ""


def shapes_of(text: str, dpi: float | None = None, taken: Taken | None = None) -> list[Shape]:
    """Read every line, title and desc of a drawing, in mm. Raises ProblemsFoundError, also if the size is only in pixels.

    `dpi`: pixels per inch of a drawing that does not give its physical size.
    """
    if text.count("<") > MOST_SHAPES or sum(1 for _ in re.finditer(r"[\d.]+", text)) > 16 * MOST_POINTS:
        raise too_many("this drawing")
    if refused := _REFUSED.search(text):
        message = f"this drawing contains '{one_line(refused[0], 30)}', which cannot be read"
        raise stop("not-read", message, hint="flatten what is turned, moved or scaled, and save it again")
    for transform in re.findall(r"([A-Za-z]\w*)\s*\(", " ".join(re.findall(r"transform\s*=\s*[\"']([^\"']*)", text))):
        if not _TURNS.fullmatch(transform):
            message = f"the transform '{one_line(transform, 20)}' is not one of SVG"
            raise stop("transform", message, hint="flatten the transforms, and save it again")
    taken = taken if taken is not None else Taken()
    unit, size = _unit(_root(text), dpi, taken)
    bare = re.sub(r"<!DOCTYPE[^>\[]*>", "", text)
    # a symbol is drawn only where it is used; the library would also draw its definition
    bare = re.sub(r"<symbol\b([^>]*[^/])>", r"<defs><symbol\1>", bare).replace("</symbol>", "</symbol></defs>")
    head = re.search(r"<svg\b[^>]*>", bare)
    if head is not None:  # without width and height the library leaves the coordinates as they are
        plain = re.sub(r"\s(width|height|preserveAspectRatio)\s*=\s*(\"[^\"]*\"|'[^']*')", " ", head[0])
        bare = bare[: head.start()] + plain + bare[head.end() :]
    try:
        root = svg.SVG.parse(StringIO(bare), reify=True, ppi=96.0, width=size[0], height=size[1])
    except _BROKEN as error:
        message = f"this drawing cannot be read: {one_line(error, 100)}"
        raise stop("not-svg", message, hint="is it the right file?") from None
    shapes: list[Shape] = []
    for element, groups in _walk(root, ()):
        if isinstance(element, svg.SVGImage):
            continue
        shapes += _shape(element, groups, unit, taken)
    if sum(len(line) for shape in shapes for line in shape.lines) > 4 * MOST_POINTS:
        raise too_many("this drawing")
    return shapes


def _root(text: str) -> dict[str, str]:
    """Return the attributes of the root element, which must be `svg`."""
    try:
        _, root = next(iter(iterparse(StringIO(text), events=("start",))))
    except (ParseError, StopIteration, ValueError) as error:
        message = f"this drawing cannot be read: {one_line(error, 100)}"
        raise stop("not-svg", message, hint="is it the right file?") from None
    if root.tag.rsplit("}", 1)[-1] != "svg":
        raise stop("not-svg", "the file does not begin with <svg>", hint="is it the right file?")
    return {str(name): str(value) for name, value in root.attrib.items()}


def _unit(own: Mapping[str, str], dpi: float | None, taken: Taken) -> tuple[float, tuple[float, float]]:
    """Return mm per user unit, and the size of the drawing's box in user units.

    Refuses a drawing in pixels of unknown size, and one that is stretched.
    """
    sizes = [own.get(name, "").strip() for name in ("width", "height")]
    box = re.split(r"[\s,]+", own["viewBox"].strip()) if own.get("viewBox", "").strip() else []
    sound = all(re.fullmatch(_NUMBER, part) and 0.0 < float(part) < _LARGEST_MM for part in box[2:])
    if box and not (len(box) == 4 and sound):
        message = "the drawing does not say how large it is"
        raise stop("units", message, hint="give it a width and height in mm, and a viewBox")
    wide, high = (float(box[2]), float(box[3])) if box else (1000.0, 1000.0)
    old = re.search(r"(?i)0\.(4|91)", own.get("{http://www.inkscape.org/namespaces/inkscape}version", ""))
    lengths = [float(found[1]) * _MM[found[2].lower()] for size in sizes if (found := _PHYSICAL.fullmatch(size))]
    if len(lengths) == 2 and (box or old is None):
        scales = [lengths[0] / wide, lengths[1] / high] if box else [25.4 / 96, 25.4 / 96]
        statement = f"it is {sizes[0]} wide and {sizes[1]} high"
    elif dpi is None:
        message = "this drawing is in pixels, and programs disagree how many make an inch (72, 90 or 96)"
        hint = "save it with a page size in mm, or add --dpi 96 (measure a line of known length afterwards)"
        raise stop("units", message, hint=hint)
    else:
        pixels = [re.fullmatch(rf"({_NUMBER})\s*(px)?", size) for size in sizes]
        given = [float(match[1]) if match else None for match in pixels]
        factors = [(g or full) / full if box else 1.0 for g, full in zip(given, (wide, high), strict=True)]
        scales, statement = [factor * 25.4 / dpi for factor in factors], f"it has {dpi:g} pixels to the inch, as given"
    fits = own.get("preserveAspectRatio", "")
    if min(scales) <= 0 or (fits.split(" ")[0] == "none" and abs(scales[0] / scales[1] - 1) > 1e-3):
        raise stop("scale", "this drawing is stretched more one way than the other",
                   hint="save it with one scale for both ways")  # fmt: skip
    taken.lines.append(f"Unit: {'the drawing says that ' if dpi is None else ''}{statement}.")
    return (max(scales) if "slice" in fits else min(scales)), (wide, high)


def _walk(element: Any, groups: tuple[Any, ...]) -> Iterator[tuple[Any, tuple[Any, ...]]]:
    if len(groups) > DEEPEST:
        raise stop("groups", f"this drawing nests groups more than {DEEPEST} deep", hint="ungroup some of them")
    for child in element:
        yield child, groups
        if isinstance(child, svg.Group | svg.Use):
            yield from _walk(child, (child, *groups))


def _own(element: Any) -> dict[str, str]:
    given = (getattr(element, "values", None) or {}).get("attributes") or {}
    return {name.rsplit("}", 1)[-1]: value for name, value in given.items() if isinstance(value, str)}


def _words(data: Mapping[str, str]) -> tuple[str, ...]:
    return tuple(word.lower() for name in _NAMING for word in _WORD.findall(data.get(name, "")[:200]))


def _shape(element: Any, groups: tuple[Any, ...], unit: float, taken: Taken) -> list[Shape]:
    """Return an element as shapes; empty if it is not part of a pattern (drawn ones are reported)."""
    data = _own(element)
    chain = tuple(_words(_own(group)) for group in groups)
    if isinstance(element, svg.Title | svg.Desc):
        text = element.title if isinstance(element, svg.Title) else element.desc
        tag = "title" if isinstance(element, svg.Title) else "desc"
        return [Shape(tag, (), ((), *chain), (), data, (text or "").strip())]
    if isinstance(element, svg.Group) and "data-origin" in data:
        return [Shape("g", _words(data), chain, (_origin(element, data, unit),), data)]
    if isinstance(element, svg.Text):
        taken.left_out.append(f"the text '{one_line(element.text or '', 30)}'")
    if not isinstance(element, svg.Shape) or isinstance(element, svg.Text):
        return []
    shown = element.values or {}
    if shown.get("visibility") == "hidden" or shown.get("display") == "none":
        taken.left_out.append(f"{_label(data)}, which is hidden")
        return []
    if "d" in data:
        _refuse_damaged(data)
    path = element if isinstance(element, svg.Path) else svg.Path(element)
    lines = tuple(line for part in path.as_subpaths() if len(line := _flattened(svg.Path(part), unit)) > 1)
    if any(not np.isfinite(line).all() or np.abs(line).max() > _LARGEST_MM for line in lines):
        raise stop("points", f"{_label(data)} has points that lie nowhere", hint="look at its numbers")
    return [Shape(data.get("tag", "path"), _words(data), chain, lines, data)] if lines else []


def _label(data: Mapping[str, str]) -> str:
    name = next((data[key] for key in _NAMING if data.get(key)), "")
    return f"'{one_line(name, 40)}'" if name else f"a {one_line(data.get('tag', 'shape'), 20)} without a name"


def _refuse_damaged(data: Mapping[str, str]) -> None:
    """Refuse path data that the library would silently truncate."""
    text, at = data["d"], 0
    while at < len(text.rstrip(" \t\r\n,")):
        match = _RUN.match(text, at)
        size = 0 if match is None else len(re.findall(_NUMBER, match[2]))
        each = 0 if match is None else _EACH[match[1].lower()]
        arc = match is not None and match[1] in "aA"  # flags of arcs may stand together
        if match is None or (each == 0 and size) or (each and not arc and (size == 0 or size % each)):
            message = f"the path {_label(data)} is damaged near '{one_line(text[at : at + 20], 20)}'"
            raise stop("path", message, hint="draw it again, or save the drawing again")
        at = match.end()


def _origin(element: Any, data: Mapping[str, str], unit: float) -> Array:
    """Position of a group's own (0, 0), mm, y up, after the group's transform."""
    try:
        x, y = (float(part) for part in data["data-origin"].split())
        at = svg.Point(x, y) * svg.Matrix(element.values.get("transform", ""))
    except (ValueError, TypeError, AttributeError):
        raise stop("origin", "the origin of a piece is not two numbers", hint="is the file complete?") from None
    return points(np.array([[at.x * unit, -at.y * unit]]))


def _flattened(path: Any, unit: float) -> Array:
    """Flatten a path to a polyline in mm, y up."""
    vertices: list[tuple[float, float]] = []
    for segment in path:
        if isinstance(segment, svg.CubicBezier | svg.QuadraticBezier | svg.Arc):
            count = min(2000, max(6, ceil(_longest(segment) * unit / FLAT_STEP_MM)))
            vertices += [(at[0], at[1]) for at in segment.npoint(np.linspace(0.0, 1.0, count + 1)[1:])]
        elif segment.end is not None:
            vertices.append((segment.end.x, segment.end.y))
        if len(vertices) > 4 * MOST_POINTS:
            break
    line = np.array(vertices, dtype=float).reshape(-1, 2) * unit
    line[:, 1] = -line[:, 1]
    return once_each(line)


def _longest(segment: Any) -> float:
    """Upper bound of the length of a curve, user units."""
    if isinstance(segment, svg.Arc):
        return abs(float(segment.sweep)) * max(float(segment.rx), float(segment.ry))
    names = ("start", "control", "control1", "control2", "end")
    ends = [getattr(segment, name) for name in names if hasattr(segment, name)]
    return sum(hypot(b.x - a.x, b.y - a.y) for a, b in pairwise(ends))


def pattern_from_svg(
    text: str, shown_path: str, garment: Garment | None = None, *, dpi: float | None = None, taken: Taken | None = None
) -> Pattern:
    """Read a pattern from an SVG drawing whose lines are named by id or class. Raises ProblemsFoundError."""
    taken = taken if taken is not None else Taken()
    with placed(Where(shown_path)):
        shapes = shapes_of(text, dpi, taken)
        return _pattern(shapes, garment or shipped_garment(_root(text).get("data-garment", "")), taken)


def _pattern(shapes: Sequence[Shape], garment: Garment, taken: Taken) -> Pattern:
    """Build the pattern from its shapes."""
    drawn: dict[tuple[str, Side], Drawn] = {}
    seams: dict[tuple[str, Side, str], list[Shape]] = {}
    for shape in shapes:
        chain = tuple(_known(garment, words) for words in (shape.words, *shape.groups))
        name, side = _piece_of(garment, chain)
        kind, of = _kind(garment, shape, chain)
        if kind == "seam" and name is None:
            pieces = " or ".join(garment.parts)
            hint = f"call it {' or '.join(f'{part}-{of}' for part in garment.parts)}"
            raise stop("side", f"the seam '{of}' does not say whether it is {pieces}", hint=hint)
        if name is None:
            if shape.lines and not shape.text:
                taken.left_out.append(_label(shape.data))
            continue
        mine = drawn.setdefault((name, side), Drawn(garment.parts[name]))
        if kind == "seam":
            seams.setdefault((name, side, of), []).append(shape)
        elif kind == "note":
            mine.notes.append(one_line(shape.text, LONGEST_NOTE))
        elif shape.lines and not mine.take(kind, of, shape.lines[0]):
            taken.left_out.append(_label(shape.data))
    if not seams:
        hint = f"call them {', '.join(f'{name}-{garment.parts[name].seams[0]}' for name in garment.parts)} and so on"
        raise stop("seams", "no line of this drawing names a seam", hint=hint)
    for (name, side, of), parts in seams.items():
        line = chained(line for shape in parts for line in shape.lines)
        if line is None:
            raise stop("open", f"{name}: the parts of the seam '{of}' do not touch", hint="draw it in one piece")
        if apart(line[0], line[-1]) <= CLOSED_MM:
            raise stop("closed", f"{name}: the seam '{of}' ends where it begins", hint="is it drawn twice, or closed?")
        drawn[name, side].seams[of] = line
        if re.fullmatch(r"\d{1,4}(\.\d+)?", given := parts[0].data.get("data-allowance", "")):
            drawn[name, side].allowance[of] = float(given)
    taken.lines.append("Lines named after seams count as stitching lines, not as lines to cut along.")
    made = {key: piece_of(one) for key, one in drawn.items() if one.seams}
    titles, texts = (
        [shape.text for shape in shapes if shape.tag == tag and shape.text and len(shape.groups) == 1]
        for tag in ("title", "desc")
    )
    title, grade = (next(iter(values), "") for values in (titles, texts))
    grade = "" if grade.startswith((CLIENT, ALTERED)) else grade
    client = next((text.removeprefix(CLIENT) for text in texts if text.startswith(CLIENT)), "")
    rows = [text.removeprefix(ALTERED) for text in texts if text.startswith(ALTERED)]
    return put_together(garment, made, title, grade, client, from_rows(rows))


def _piece_of(garment: Garment, chain: Sequence[Sequence[str]]) -> tuple[str | None, Side]:
    """The piece a shape belongs to, by the innermost name of one piece, and the side it is for."""
    for words in chain:
        named = [name for name in garment.parts if name in words]
        if len(named) == 1:
            return named[0], side_in([word for one in chain for word in one])
    return None, "both"


def _known(garment: Garment, words: Sequence[str]) -> list[str]:
    return [garment.rule.spelled.get(known, known) for known in (_SYNONYMS.get(word, word) for word in words)]


def _kind(garment: Garment, shape: Shape, chain: Sequence[Sequence[str]]) -> tuple[str, str]:
    """The kind (seam, dart, grain, level, line, notch, hole, origin or note; empty if unknown) and the name of a shape."""
    part = next(iter(garment.parts.values()))
    if shape.text:
        return ("note" if shape.tag == "desc" and len(shape.groups) == 2 else ""), ""
    if shape.tag == "g":
        return "origin", ""
    if "data-line" in shape.data:
        kind = shape.data.get("class", "line")
        return (kind if kind in ("level", "notch", "hole") else "line"), shape.data["data-line"]
    for words in chain:
        if kind := next((kind for kind in _KINDS if kind in words), ""):
            return kind, next((word for word in words if word in part.levels), "")
        named = [name for name in part.seams if name in words]
        if len(named) > 1:
            raise stop("seams", f"a line names two seams: {' and '.join(named)}", hint="name one of them")
        if named:
            return "seam", named[0]
        if level := next((word for word in words if word in part.levels), ""):
            return "line", level
    return "", ""
