"""Drawings on paper, as PDF: one drawing on one page, and what all our printed pages share.

Only the fonts every PDF reader has are used, so no font travels with the file.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

from fitdiag.pattern.ink import Drawing, Fill, Item, Text
from fitdiag.problems import one_line

if TYPE_CHECKING:
    from fpdf import FPDF

Paper = Literal["a4", "letter"]
PAPERS: Mapping[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1
MARGIN_MM = 10.0
_PLAIN = str.maketrans(
    dict(zip("–—‘’“”′″•⁄łŁđĐı", "--''\"\"'\"*/lLdDi", strict=True)) | {"…": "...", "œ": "oe", "Œ": "OE"}
)


@lru_cache(maxsize=4096)  # a page is set in several sizes until it fits, always of the same words
def plain(text: str) -> str:
    """Text a core font can set: signs replaced by their plain forms, accents it does not know left out, the rest a `?`.

    >>> plain("Łódź – “⅜”")
    'Lódz - "3/8"'
    """
    result = ""
    for char in one_line(text, 400).translate(_PLAIN):
        if ord(char) < 256:
            result += char
            continue
        parts = unicodedata.normalize("NFKD", char).translate(_PLAIN)
        result += "".join(part for part in parts if ord(part) < 256) or ("" if unicodedata.combining(char) else "?")
    return result


def pdf_drawing(drawing: Drawing | Sequence[Drawing], paper: Paper = "a4", title: str = "") -> bytes:
    """Each drawing on a page of its own, as large as the paper allows but not above its own size."""
    drawings = (drawing,) if isinstance(drawing, Drawing) else tuple(drawing)
    wide, high = PAPERS[paper]
    pdf = document(title or drawings[0].title, (wide, high))
    for one in drawings:
        scale = min((wide - 2 * MARGIN_MM) / one.width, (high - 2 * MARGIN_MM) / one.height, 1.0)
        pdf.add_page()
        paint(pdf, one.items, ((wide - one.width * scale) / 2, MARGIN_MM), scale)
    return bytes(pdf.output())


def document(title: str, size: tuple[float, float]) -> FPDF:
    from fpdf import FPDF  # noqa: PLC0415

    pdf = FPDF(unit="mm", format=size)
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.set_title(plain(title))
    pdf.set_creation_date(datetime(2000, 1, 1, tzinfo=UTC))  # the same pattern makes the same file
    return pdf


def paint(pdf: FPDF, items: Iterable[Item], at: tuple[float, float], scale: float = 1.0) -> None:
    """Put the items of a drawing on the open page, its corner at `at`."""

    def place(x: float, y: float) -> tuple[float, float]:
        return at[0] + x * scale, at[1] + y * scale

    for item in items:
        if isinstance(item, Text):
            text = plain(item.text)
            pdf.set_font("helvetica", "B" if item.bold else "", item.size * scale)
            x, y = place(item.x, item.y)
            back = {"start": 0.0, "middle": 0.5, "end": 1.0}[item.anchor] * pdf.get_string_width(text)
            with pdf.rotation(item.angle, x, y):
                pdf.text(x - back, y, text)
        elif isinstance(item, Fill):
            pdf.set_fill_color(round(item.grey * 255))
            pdf.polygon([place(*point) for point in item.points], style="F")
        else:
            pdf.set_line_width(item.width * scale)
            points = [place(*point) for point in item.points]
            for on, off, start in _dashes(item.dash):
                pdf.set_dash_pattern(on * scale, off * scale, start * scale)
                if item.closed:
                    pdf.polygon(points[:-1])
                else:
                    pdf.polyline(points)
            pdf.set_dash_pattern()


def _dashes(pattern: Sequence[float]) -> list[tuple[float, float, float]]:
    """A dash pattern as simple ones drawn over each other: for each dash its length, the rest, and where it starts."""
    whole, start, result = sum(pattern), 0.0, []
    for on, off in zip(pattern[::2], pattern[1::2], strict=True):
        result.append((on, whole - on, (whole - start) % whole))
        start += on + off
    return result or [(0.0, 0.0, 0.0)]
