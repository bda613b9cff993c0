"""The shot card: one page that tells a client how to take pictures of a garment that can be measured.

Its words (`shot_card.yaml`) and drawings (`shot_card.svg`) are data; here they become a page for the browser and a PDF. The figures
come from the law of the false drop, not from a list.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from io import BytesIO
from itertools import combinations_with_replacement, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitdiag.knowledge.strict_yaml import read_yaml
from fitdiag.pattern.pdf import PAPERS, Paper, document, plain
from fitdiag.problems import one_line, stop
from fitdiag.templates import render, template
from fitdiag.units import MM_PER_INCH, Units, day_words, format_given, format_reading, parse_day, round_length

if TYPE_CHECKING:
    from fitdiag.knowledge.about import ShotCard

MARGIN_MM, GUTTER_MM = 11.0, 7.0
CAP = 0.326  # mm a point of type from the top of a line to its letters' foot, as the library sets it
DRAWN = 78.0, 64.0  # the size of a drawing in its own units
INK, RUST, QUIET = "#22303c", "#b3402a", "#7d878f"
DEPTH_MM = 120.0  # side seams to centre back, as the body is seen from behind; the figures on the card hold for it
HEIGHTS_MM = (100.0, 1500.0)  # the lowest and highest line on a garment, above the floor
# mm: far and near; how much too high a lens stands, how much is near enough, and how much at eye level
_LENGTHS = {"cm": (3000.0, 1500.0, 100.0, 50.0, 700.0), "in": tuple(n * MM_PER_INCH for n in (120, 60, 4, 2, 28))}


@dataclass(frozen=True)
class Section:
    """A heading and its short sentences, each with a lead in bold (or none)."""

    title: str
    items: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Card:
    """Everything on the card, before typesetting; the drawings show what is `worn` and how `far` away the phone is."""

    name: str
    worn: ShotCard
    far: str
    title: str
    intro: str
    table: tuple[tuple[str, ...], ...]  # headings first
    note: str
    sections: tuple[Section, ...]


def card_of(
    name: str, worn: ShotCard, units: Units, heights_mm: Mapping[str, float] | None, keep_until: str, *, alone: bool = False
) -> Card:  # fmt: skip
    """The card for a garment of that name; `alone`: for somebody who fits herself.

    `heights_mm`: by id of the line. Raises ProblemsFoundError for heights no line has, or no word on keeping.
    """
    kept = one_line(keep_until, 80)
    if not kept:
        hint = "give a day, or 'the fitting ends'"
        raise stop("keep-until", "the card must say how long pictures are kept", hint=hint)
    heights, lines = dict(heights_mm or {}), {line.id: line.views for line in worn.lines}
    for line, height in heights.items():
        if not HEIGHTS_MM[0] <= height <= HEIGHTS_MM[1]:  # also refuses what is not a number
            message = f"{height:g} mm over the floor cannot be a {line} line"
            raise stop("height", message, hint="measure it from the floor")
    drawn = ", ".join(f"{line.id} ({line.where})" if line.where else line.id for line in worn.lines).capitalize()
    said, day = _said(), parse_day(kept)
    words = {
        **said["alone" if alone else "fitter"], **said[units], **_figures(units), "name": name,
        "kept": day_words(day) if day else kept, "lines": drawn, "count": sum(map(len, lines.values())), "no_pins": worn.no_pins,
    }  # fmt: skip
    sections = tuple(
        Section(
            title.format(**words), tuple((lead.format(**words), text.format(**words)) for lead, text in items.items())
        )
        for title, items in said["sections"].items()
    )
    rows = [
        (
            line.capitalize(),
            format_reading(heights[line], units) if line in heights else said["unknown"],
            ", ".join(views),
        )
        for line, views in lines.items()
    ]
    table, note = (tuple(said["columns"]), *rows), said["note"].format(**words)
    return Card(name, worn, words["far"], said["title"].format(**words), words["intro"], table, note, sections)


@cache
def _said() -> dict[str, Any]:
    data: dict[str, Any] = read_yaml(Path(__file__).with_name("shot_card.yaml")).data
    return data


def _figures(units: Units) -> dict[str, str]:
    """The lengths on the card, and how low a level line looks at centre back: to the millimetre or the sixteenth of an inch."""
    far, near, off, enough, eye = _LENGTHS[units]
    found = {"off": off, "enough": enough, "eye": eye, "depth": DEPTH_MM}
    figures = {name: format_reading(mm, units) for name, mm in found.items()}
    for name, above, distance in (("off", off, far), ("near", off, near), ("eye", eye, far), ("enough", enough, far)):
        mm = false_drop(above, DEPTH_MM, distance)
        fine = f"{mm:.0f} mm" if units == "cm" else format_given(round_length(mm, "in", fine=True), "in")
        figures[f"{name}_low"] = fine
    return figures


def false_drop(lens_above_mm: float, depth_mm: float, distance_mm: float) -> float:
    """How much lower the middle of a level line looks than its ends: the lens stands `lens_above_mm` over the line.

    `depth_mm`: from the plane of the side seams to the middle; `distance_mm`: from the lens to that plane. Exact (similar
    triangles). Negative when the lens stands below.

    >>> round(false_drop(700, 120, 2500), 1)
    35.3
    """
    return lens_above_mm * depth_mm / (distance_mm - depth_mm)


# -- a page for the browser ----------------------------------------------------------------------------------------------


def card_html(card: Card, *, large: bool = False) -> str:
    """The card as one self-contained HTML page."""
    return render("reports/shot_card.html", card=card, large=large)


# -- paper ---------------------------------------------------------------------------------------------------------------


def card_pdf(card: Card, *, large: bool = False, paper: Paper = "a4") -> bytes:
    """The card as a PDF of one page, or two in large print."""
    most, sizes = (2, range(60, 40, -1)) if large else (1, range(42, 28, -1))  # quarters of a point
    fits = bisect_left(sizes, True, key=lambda size: _Setter(card, paper, size / 4, most).columns()[0] <= 1)
    size = sizes[min(fits, len(sizes) - 1)]
    columns = _Setter(card, paper, size / 4, most).columns()[1]
    real = _Setter(card, paper, size / 4, most, draws=True)
    real.head()
    for number, (top, sections) in enumerate(columns):
        if number == 2:
            real.pdf.add_page()
        y = top
        for section in sections:
            y = real.section(section, number % 2, y)
    return bytes(real.pdf.output())


class _Setter:
    """Sets the card on a number of pages in one font size (points); for measuring, one is made, without drawings, and discarded."""

    def __init__(self, card: Card, paper: Paper, size: float, pages: int, *, draws: bool = False) -> None:
        self.card, self.size, self.pages, self.draws = card, size, pages, draws
        self.pdf = document(card.title, PAPERS[paper])  # the same card makes the same file
        self.pdf.c_margin = 0.0
        self.pdf.set_lang("en")
        self.pdf.add_page()
        self.line = size * 0.44  # line height in mm, about 1.25 font sizes
        self.column = (self.pdf.w - 2 * MARGIN_MM - GUTTER_MM) / 2

    def paragraph(self, lead: str, text: str, x: float, y: float, width: float) -> float:
        """Set a bold lead and its text, wrapped, the first line at y; returns the y of the next line."""
        self.pdf.set_y(y - self.size * CAP)
        left, right = x, self.pdf.w - x - width
        with self.pdf.text_columns(
            l_margin=left, r_margin=right, line_height=self.line / self.size * 72 / 25.4
        ) as column:
            for words, style in ((plain(lead) + " " * bool(lead and text), "B"), (plain(text), "")):
                self.pdf.set_font("helvetica", style, self.size)
                column.write(words)
        return float(self.pdf.y) + self.size * CAP

    def title(self, x: float, y: float, text: str, by: float) -> None:
        self.pdf.set_font("times", "B", self.size * by)
        self.pdf.text(x, y, plain(text))

    def columns(self) -> tuple[float, list[tuple[float, list[Section]]]]:
        """Spread the sections evenly: how full the fullest column is (1: full), and the top and the sections of each."""
        sections = self.card.sections
        heights = [self.section(section, 0, 0.0) for section in sections]
        tops = [self.head()] * 2 + [MARGIN_MM] * (2 * self.pages - 2)

        def full(cuts: tuple[int, ...]) -> float:
            rooms = (self.pdf.h - MARGIN_MM - top for top in tops)
            return max(sum(heights[a:b]) / room for (a, b), room in zip(pairwise(cuts), rooms, strict=True))

        every: Iterator[tuple[int, ...]] = combinations_with_replacement(range(len(sections) + 1), len(tops) - 1)
        cuts = min(((0, *inner, len(sections)) for inner in every), key=full)
        return full(cuts), [(top, list(sections[a:b])) for top, (a, b) in zip(tops, pairwise(cuts), strict=True)]

    def section(self, section: Section, column: int, y: float) -> float:
        x = MARGIN_MM + column * (self.column + GUTTER_MM)
        self.pdf.set_text_color(RUST)
        self.title(x, y + self.line * 0.8, section.title, 1.3)
        self.pdf.set_text_color(INK)
        y += self.line * 2.0
        for item in section.items:
            self.pdf.set_fill_color(RUST)
            self.pdf.circle(x + 0.9, y - self.size * 0.11, 0.45, style="F")
            y = self.paragraph(*item, x + self.line, y, self.column - self.line) + self.line * 0.22
        return y + self.line * 0.1

    def head(self) -> float:
        """Title, drawings and table; returns where the sections begin."""
        card, left, wide = self.card, MARGIN_MM, self.pdf.w - 2 * MARGIN_MM
        self.pdf.set_text_color(INK)
        self.pdf.set_draw_color(QUIET)
        self.pdf.set_line_width(0.2)
        y = MARGIN_MM + self.line * 1.6
        self.title(left, y, card.title, 2.1)
        y = self.paragraph("", card.intro, left, y + self.line * 1.5, wide)
        shown = self.column * (1.0 if self.pages > 1 else 0.76)
        drawn: Any = template("reports/shot_card.svg").module
        for number, drawing in enumerate((drawn.stand, drawn.seen)):
            x = left + number * (self.column + GUTTER_MM) + (self.column - shown) / 2
            if self.draws:
                self.pdf.image(BytesIO(drawing(card, described=False).encode()), x, y, shown)
        y += shown * DRAWN[1] / DRAWN[0] + 3 + self.line
        for number, row in enumerate(card.table):
            below = y
            for (start, share), text in zip(((0.0, 0.13), (0.15, 0.59), (0.76, 0.24)), row, strict=True):
                cell = (text, "") if not number or not start else ("", text)
                below = max(below, self.paragraph(*cell, left + start * wide, y, share * wide))
            self.pdf.line(left, below - self.line * 0.62, left + wide, below - self.line * 0.62)
            y = below + self.line * 0.3
        return self.paragraph("", card.note, left, y, wide)
