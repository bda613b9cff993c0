"""The shot card: one page that tells a client how to take pictures of a garment that can be measured.

Its words and drawings are data, kept once (`card_words`, `card_drawings`); here they become a page for the browser and a PDF.
"""

from __future__ import annotations

import hashlib
import unicodedata
from base64 import b64encode
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Literal

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
    pdf = FPDF(unit="mm", format=PAPERS[paper])
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.set_title(card.title)
    pdf.set_lang("en")
    pdf.set_creation_date(datetime(2000, 1, 1, tzinfo=UTC))  # the same card makes the same file
    pdf.add_page()
    most, sizes = (2, range(60, 40, -1)) if large else (1, range(42, 28, -1))  # quarters of a point
    for size in sizes:
        setter = _Setter(pdf, size / 4, large)
        columns = setter.columns(card)
        if len(columns) <= 2 * most:
            break
    setter.head(card)
    for number, (top, sections) in enumerate(columns):
        if number and number % 2 == 0:
            pdf.add_page()
        for section in sections:
            top = setter.section(section, number % 2, top)  # noqa: PLW2901
    return bytes(pdf.output())


class _Setter:
    """Sets the card in one size of letters: first measured, then drawn."""

    _letters: ClassVar[dict[tuple[str, str], float]] = {}

    def __init__(self, pdf: FPDF, size: float, large: bool) -> None:
        self.pdf, self.size, self.large = pdf, size, large
        self.line = size * 0.44  # mm from line to line, about 1.25 of the letters
        self.gutter = 7.0
        self.column = (pdf.w - 2 * MARGIN_MM - self.gutter) / 2

    def write(
        self, x: float, y: float, text: str, *, face: str = "helvetica", bold: bool = False, by: float = 1
    ) -> float:
        """One run of text; returns where it ends."""
        self.pdf.set_font(face, "B" if bold else "", self.size * by)
        self.pdf.text(x, y, text)
        return x + float(self.pdf.get_string_width(text))

    def lines(self, lead: str, text: str, width: float) -> list[tuple[str, str]]:
        """The lead and what follows it, broken into lines: what is bold in each, and what is not."""
        result = [("", "")]
        for words, bold in ((lead, True), (text, False)):
            for word in _printable(words).split(" "):
                for part in self.pieces(word, width):
                    strong, plain = result[-1]
                    longer = (f"{strong} {part}".strip(), plain) if bold else (strong, f"{plain} {part}".strip())
                    if self.width(*longer) <= width:
                        result[-1] = longer
                    else:
                        result.append((part, "") if bold else ("", part))
        return result

    def pieces(self, word: str, width: float) -> Iterable[str]:
        """A word as it is, or cut where no column could hold it."""
        while self.width(word, "") > width and len(word) > 1:
            cut = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or self.width(word[:n], "") <= width)
            yield word[:cut]
            word = word[cut:]
        yield word

    def width(self, strong: str, plain: str) -> float:
        runs = ((strong + " " * bool(strong and plain), "B"), (plain, ""))
        return self.size * sum(self._per_point(char, style) for text, style in runs for char in text)

    def _per_point(self, char: str, style: str) -> float:
        """How wide a letter is in a size of one point; these fonts set every letter by itself."""
        if (char, style) not in self._letters:
            beside = type(self.pdf)()  # fonts that are only measured leave no trace in the card
            beside.set_font("helvetica", style, 100)
            self._letters[char, style] = float(beside.get_string_width(char)) / 100
        return self._letters[char, style]

    def paragraph(self, lead: str, text: str, x: float, y: float, width: float, *, draw: bool = True) -> float:
        for strong, plain in self.lines(lead, text, width):
            if draw:
                end = self.write(x, y, strong + " " * bool(plain), bold=True) if strong else x
                self.write(end, y, plain)
            y += self.line
        return y

    def height(self, section: Section) -> float:
        count = sum(len(self.lines(*item, self.column - self.line)) for item in section.items)
        return self.line * (2.1 + count + 0.22 * len(section.items))

    def columns(self, card: Card) -> list[tuple[float, list[Section]]]:
        """Which sections stand in which column, two to a page, and where each column begins; the last page is evened out."""
        heights = [self.height(section) for section in card.sections]
        bottom = self.pdf.h - MARGIN_MM

        def fill(left: Sequence[int], room: float) -> tuple[list[list[int]], list[int]]:
            found: list[list[int]] = [[], []]
            rest = list(left)
            for column in found:
                while rest and sum(heights[n] for n in [*column, rest[0]]) <= room:
                    column.append(rest.pop(0))
            return found, rest

        left, top, result = list(range(len(heights))), self.head(card, draw=False), []
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
        self.write(x, y + self.line * 0.8, section.title, face="times", bold=True, by=1.3)
        self.pdf.set_text_color(INK)
        y += self.line * 2.0
        for item in section.items:
            self.pdf.set_fill_color(RUST)
            self.pdf.circle(x + 0.9, y - self.size * 0.11, 0.45, style="F")
            y = self.paragraph(*item, x + self.line, y, self.column - self.line) + self.line * 0.22
        return y + self.line * 0.1

    def head(self, card: Card, *, draw: bool = True) -> float:
        """Title, drawings and table; returns where the sections begin."""
        left, wide = MARGIN_MM, self.pdf.w - 2 * MARGIN_MM
        self.pdf.set_text_color(INK)
        self.pdf.set_draw_color(QUIET)
        self.pdf.set_line_width(0.2)
        y = MARGIN_MM + self.line * 1.6
        if draw:
            self.write(left, y, card.title, face="times", bold=True, by=2.1)
        y = self.paragraph("", card.intro, left, y + self.line * 1.5, wide, draw=draw)
        scale = self.column / WIDE * (1.0 if self.large else 0.76)
        for number, drawing in enumerate(card.drawings if draw else ()):
            x = left + number * (self.column + self.gutter) + (self.column - WIDE * scale) / 2
            paint(self.pdf, drawing, (x, y), scale)
        y += HIGH * scale + 3 + self.line
        for number, row in enumerate((COLUMNS, *card.table)):
            below = y
            for (start, share), text in zip(((0.0, 0.13), (0.15, 0.59), (0.76, 0.24)), row, strict=True):
                cell = (text, "") if not number or not start else ("", text)
                below = max(below, self.paragraph(*cell, left + start * wide, y, share * wide, draw=draw))
            if draw:
                self.pdf.line(left, below - self.line * 0.62, left + wide, below - self.line * 0.62)
            y = below + self.line * 0.3
        return self.paragraph("", card.table_note, left, y, wide, draw=draw)


def _printable(text: str) -> str:
    """Text a core font can set: accents it does not know left out, other signs a `?`."""
    parts = (char if ord(char) < 256 else unicodedata.normalize("NFKD", char) for char in text)
    return (
        "".join(char for char in "".join(parts) if not unicodedata.combining(char))
        .encode("latin-1", "replace")
        .decode("latin-1")
    )
