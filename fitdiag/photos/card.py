"""The shot card: one page that tells a client how to take pictures of a garment that can be measured.

Its words and drawings are data, kept once (`card_words`, `card_drawings`); here they become a page for the browser and a PDF.
"""

from __future__ import annotations

import hashlib
import unicodedata
from base64 import b64encode
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from fitdiag.photos.card_drawings import HIGH, INK, QUIET, RUST, WIDE, paint, svg
from fitdiag.photos.card_words import COLUMNS, Card, Section
from fitdiag.problems import one_line, stop

if TYPE_CHECKING:
    from fpdf import FPDF

Paper = Literal["a4", "letter"]
PAPERS: Mapping[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1
MARGIN_MM = 11.0


# A page for the browser


def _digest(style: str) -> str:
    return b64encode(hashlib.sha256(style.encode()).digest()).decode()


def card_html(card: Card, *, large: bool = False) -> str:
    """The card as one page that needs nothing from anywhere."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined  # noqa: PLC0415
    from markupsafe import Markup  # noqa: PLC0415

    loader = FileSystemLoader(Path(__file__).parent)
    pages = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    pages.filters["digest"] = _digest
    drawings = [(drawing.title, Markup(svg(drawing))) for drawing in card.drawings]  # every text in it is escaped
    return pages.get_template("shot_card.html").render(
        card=card, drawings=drawings, title=card.title, intro=card.intro, columns=COLUMNS, large=large
    )


# Paper


def card_pdf(card: Card, *, large: bool = False, paper: Paper = "a4") -> bytes:
    """The card on one page; in large print on two. Raises ProblemsFoundError for an unknown paper."""
    from fpdf import FPDF  # noqa: PLC0415

    if paper not in PAPERS:
        raise stop("paper", f"'{one_line(paper, 40)}' is not a paper known here", hint=f"use {' or '.join(PAPERS)}")

    def setter(size: int) -> _Setter:
        pdf = FPDF(unit="mm", format=PAPERS[paper])
        pdf.set_auto_page_break(False)
        pdf.set_margin(0)
        pdf.c_margin = 0.0
        pdf.set_title(card.title)
        pdf.set_lang("en")
        pdf.set_creation_date(datetime(2000, 1, 1, tzinfo=UTC))  # the same card makes the same file
        pdf.add_page()
        return _Setter(pdf, size / 4, large)

    most, sizes = (2, range(60, 40, -1)) if large else (1, range(42, 28, -1))  # quarters of a point
    fits = bisect_left(sizes, True, key=lambda size: len(setter(size).columns(card)) <= 2 * most)
    size = sizes[min(fits, len(sizes) - 1)]
    columns, real = setter(size).columns(card), setter(size)
    real.head(card)
    for number, (top, sections) in enumerate(columns):
        if number and number % 2 == 0:
            real.pdf.add_page()
        for section in sections:
            top = real.section(section, number % 2, top)  # noqa: PLW2901
    return bytes(real.pdf.output())


class _Setter:
    """Sets the card in one size of letters; what is only measured is set on a page that is thrown away."""

    def __init__(self, pdf: FPDF, size: float, large: bool) -> None:
        self.pdf, self.size, self.large = pdf, size, large
        self.line = size * 0.44  # mm from line to line, about 1.25 of the letters
        self.gutter = 7.0
        self.column = (pdf.w - 2 * MARGIN_MM - self.gutter) / 2

    def paragraph(self, lead: str, text: str, x: float, y: float, width: float) -> float:
        """A bold lead and what follows it, broken into lines, the first on y; returns where the next one begins."""
        self.pdf.set_left_margin(x)
        self.pdf.set_right_margin(self.pdf.w - x - width)
        self.pdf.set_xy(x, y - self.size * 0.326)  # a line of text stands so far below the top of its cell
        for words, style in ((f"{lead} " if lead and text else lead, "B"), (text, "")):
            self.pdf.set_font("helvetica", style, self.size)
            self.pdf.write(self.line, _printable(words))
        return float(self.pdf.y) + self.size * 0.326 + self.line

    def title(self, x: float, y: float, text: str, by: float) -> None:
        self.pdf.set_font("times", "B", self.size * by)
        self.pdf.text(x, y, text)

    def columns(self, card: Card) -> list[tuple[float, list[Section]]]:
        """Which sections stand in which column, two to a page, and where each column begins; the last page is evened out."""
        heights = [self.section(section, 0, 0.0) for section in card.sections]
        bottom = self.pdf.h - MARGIN_MM

        def fill(left: Sequence[int], room: float) -> tuple[list[list[int]], list[int]]:
            found: list[list[int]] = [[], []]
            rest = list(left)
            for column in found:
                while rest and sum(heights[n] for n in [*column, rest[0]]) <= room:
                    column.append(rest.pop(0))
            return found, rest

        left, top, result = list(range(len(heights))), self.head(card), []
        while left:
            room = bottom - top
            found, rest = fill(left, room)
            if len(rest) == len(left):
                return [(0.0, [])] * 99  # too large for any page
            if not rest:
                even = next(n for n in range(1, 1000) if not fill(left, room * n / 999 + 1e-6)[1])
                found, _ = fill(left, room * even / 999 + 1e-6)
            result += [(top, [card.sections[n] for n in column]) for column in found]
            left, top = rest, MARGIN_MM
        return result

    def section(self, section: Section, column: int, y: float) -> float:
        x = MARGIN_MM + column * (self.column + self.gutter)
        self.pdf.set_text_color(RUST)
        self.title(x, y + self.line * 0.8, section.title, 1.3)
        self.pdf.set_text_color(INK)
        y += self.line * 2.0
        for item in section.items:
            self.pdf.set_fill_color(RUST)
            self.pdf.circle(x + 0.9, y - self.size * 0.11, 0.45, style="F")
            y = self.paragraph(*item, x + self.line, y, self.column - self.line) + self.line * 0.22
        return y + self.line * 0.1

    def head(self, card: Card) -> float:
        """Title, drawings and table; returns where the sections begin."""
        left, wide = MARGIN_MM, self.pdf.w - 2 * MARGIN_MM
        self.pdf.set_text_color(INK)
        self.pdf.set_draw_color(QUIET)
        self.pdf.set_line_width(0.2)
        y = MARGIN_MM + self.line * 1.6
        self.title(left, y, card.title, 2.1)
        y = self.paragraph("", card.intro, left, y + self.line * 1.5, wide)
        scale = self.column / WIDE * (1.0 if self.large else 0.76)
        for number, drawing in enumerate(card.drawings):
            x = left + number * (self.column + self.gutter) + (self.column - WIDE * scale) / 2
            paint(self.pdf, drawing, (x, y), scale)
        y += HIGH * scale + 3 + self.line
        for number, row in enumerate((COLUMNS, *card.table)):
            below = y
            for (start, share), text in zip(((0.0, 0.13), (0.15, 0.59), (0.76, 0.24)), row, strict=True):
                cell = (text, "") if not number or not start else ("", text)
                below = max(below, self.paragraph(*cell, left + start * wide, y, share * wide))
            self.pdf.line(left, below - self.line * 0.62, left + wide, below - self.line * 0.62)
            y = below + self.line * 0.3
        return self.paragraph("", card.table_note, left, y, wide)


def _printable(text: str) -> str:
    """Text a core font can set: accents it does not know left out, other signs a `?`."""
    parts = (char if ord(char) < 256 else unicodedata.normalize("NFKD", char) for char in text)
    return (
        "".join(char for char in "".join(parts) if not unicodedata.combining(char))
        .encode("latin-1", "replace")
        .decode("latin-1")
    )
