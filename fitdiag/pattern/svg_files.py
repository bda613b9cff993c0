"""Outlines written as SVG for exchange with drawing programs: one path per seam with ids like `back-waist`, so that it can be
read back (`svg_read.py`).
"""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

import numpy as np

from fitdiag.pattern.outline import notch_tick
from fitdiag.pattern.piece import Array, Pattern, Piece, Side
from fitdiag.pattern.record import LONGEST_CLIENT, LONGEST_NOTE, LONGEST_TITLE, rounded, row_of
from fitdiag.problems import one_line

MARGIN_MM, APART_MM = 20.0, 40.0
CLIENT, ALTERED = "For: ", "Altered: "  # how those texts of a drawing begin
_STYLE = "fill:none;stroke:#000;stroke-width:0.5"


def pattern_to_svg(pattern: Pattern) -> str:
    """The outlines as an SVG drawing in mm, y down: a path per seam, and darts, balance lines, levels and grainline apart.

    Each piece is a group; its `data-origin` says where on the page the piece's own 0, 0 lies.
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
    told = [one_line(pattern.grade, LONGEST_TITLE)]
    told += [f"{CLIENT}{one_line(pattern.client, LONGEST_CLIENT)}"] if pattern.client else []
    told += [f"{ALTERED}{row_of(item)}" for item in pattern.carried]
    return "\n".join([*head, *(f"<desc>{escape(text)}</desc>" for text in told), *groups, "</svg>\n"])


def _group(piece: Piece, side: Side, origin: Array) -> str:
    parts: list[str] = []
    called = piece.name if side == "both" else f"{piece.name}-{side}"
    for name in piece.part.seams:
        more = f' data-allowance="{rounded(piece.allowance[name])}"' if name in piece.allowance else ""
        parts.append(f'<path id="{called}-{name}" class="seam"{more} d="{_path_data(piece.seams[name], origin)}"/>')
    for number, dart in enumerate(piece.darts, 1):
        parts.append(f'<path id="{called}-dart-{number}" class="dart" d="{_path_data(dart.ends, origin)}"/>')
    for name, line in piece.lines.items():
        parts.append(_line_element(called, "line", name, line, origin))
    for number, notch in enumerate(piece.notches, 1):
        tick = notch_tick(piece, notch.seam, notch.at)
        parts.append(_line_element(f"{called}-{number}", "notch", f"{notch.name} {notch.seam}", tick, origin))
    for number, at in enumerate(piece.holes, 1):
        x, y = origin[0] + at[0], origin[1] - at[1]
        told = f'id="{called}-hole-{number}" class="hole" data-line="{number}"'
        parts.append(f'<circle {told} cx="{x:.3f}" cy="{y:.3f}" r="1"/>')
    parts.append(_line_element(called, "grain", "", piece.grain, origin))
    head = f'<g id="{called}" style="{_STYLE}" data-origin="{origin[0]:.3f} {origin[1]:.3f}">'
    return "\n".join([head, f"<desc>{escape(one_line(piece.note, LONGEST_NOTE))}</desc>", *parts, "</g>"])


def _path_data(line: Array, origin: Array) -> str:
    return "M " + " L ".join(f"{origin[0] + x:.3f} {origin[1] - y:.3f}" for x, y in line)


def _line_element(side: str, kind: str, name: str, line: Array, origin: Array) -> str:
    ident = "-".join([side, kind, *name.split()])
    given = f" data-line={quoteattr(name)}" if name else ""
    named = f'id={quoteattr(ident)} class="{kind}"{given}'
    if len(line) > 2:
        return f'<path {named} d="{_path_data(line, origin)}"/>'
    (x1, y1), (x2, y2) = ((origin[0] + x, origin[1] - y) for x, y in line)
    return f'<line {named} x1="{x1:.3f}" y1="{y1:.3f}" x2="{x2:.3f}" y2="{y2:.3f}"/>'
