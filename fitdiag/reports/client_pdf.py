"""The client's page as a PDF: the same sheet as the HTML page, black on white, on as few pages as stay readable."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from io import BytesIO
from typing import TYPE_CHECKING, NamedTuple, cast

from PIL import Image

from fitdiag.pattern.pdf import PAPERS, Paper, document, paint, plain
from fitdiag.reports.sheet import CLOTH, LOOK, PAPER, SMOOTH, THEN, THEN_NOTE, WROTE, Change, Sheet
from fitdiag.units import NO_BREAK

if TYPE_CHECKING:
    from fpdf import FPDF

MARGIN, GUTTER = 11.0, 6.0  # mm
SMALLER = (10.0, 9.0, 8.5, 8.0)  # font sizes, points
TRIES = ((1, SMALLER[:2]), (2, SMALLER), (3, SMALLER))  # most pages, and font sizes to try
LARGE = 14.0  # large print as printers define it: 14 points and more
MUSLIN_MM = 88.0  # height of the pictures of simulated cloth
INK, SOFT = 0, 80  # greys
LONGEST_HEAD = 90  # characters in the page footer
SPACING = 1.25  # line height, in font sizes
TICK, POINT = "tick", "point"
# heading, items, and their mark ("" numbers them)
Lists = Sequence[tuple[str, Sequence[str], str]]


def client_pdf(sheet: Sheet, *, paper: Paper = "a4", large: bool = False) -> bytes:
    """The page for a client who works alone, as a PDF; the same case makes the same file.

    One page if it fits, else two, then three. Raises ProblemsFoundError for an unknown paper.
    """
    tries = ((99, (LARGE,)),) if large else TRIES
    made = cache(lambda size: _Setter(sheet, paper, size).pdf)
    fitting = (made(size) for most, sizes in tries for size in sizes if len(made(size).pages) <= most)
    return bytes(next(fitting, made(tries[-1][1][-1])).output())


def _plain(text: str) -> str:
    """Text the PDF core fonts can set, with amounts kept on one line."""
    return " ".join(plain(word).replace(" ", NO_BREAK) for word in text.split(" "))


class _Row(NamedTuple):
    """A list item: the heading it starts (or ""), its mark, and its height, mm."""

    title: str
    text: str
    mark: str
    high: float


class _Setter:
    """Sets a sheet in one font size (points)."""

    def __init__(self, sheet: Sheet, paper: Paper, size: float) -> None:
        self.pdf: FPDF = document(sheet.title, PAPERS[paper])
        self.size, self.line = size, size * 25.4 / 72 * SPACING  # points; mm from line to line
        self.pdf.set_lang("en")
        self.pdf.set_margin(MARGIN)
        self.pdf.set_auto_page_break(True, MARGIN + 3.0)
        self.pdf.c_margin = 0.0
        self.pdf.set_draw_color(INK)
        head = plain(sheet.head)
        head = head if len(head) <= LONGEST_HEAD else f"{head[: LONGEST_HEAD - 3]}..."
        self.pdf.footer = lambda: self._foot(head)  # type: ignore[method-assign]
        self.pdf.add_page()
        self.wide = float(self.pdf.epw)
        self._all(sheet)

    def _foot(self, head: str) -> None:
        """The footer: whose page it is, and the page number."""
        self.pdf.set_y(-MARGIN - 1.0)
        self._words(f"{head} - {self.pdf.page_no()} of {{nb}}", by=0.9, grey=SOFT)

    def _all(self, sheet: Sheet) -> None:
        self._words(sheet.head, grey=SOFT)
        self._words(sheet.title, by=2.0, face="times", bold=True)
        self._words(sheet.verdict, by=1.05, after=0.25)
        self._words(sheet.key, by=0.9, grey=SOFT)
        for change in sheet.changes:
            self._change(change)
        if sheet.muslins:
            self._muslins(sheet.muslins)
        named = [f"{name}. {why}" for name, why in sheet.leave]
        self._rule(self.line * 6)
        self._columns((
            (WROTE, sheet.wrote, POINT), ("Photograph next", sheet.photographs, TICK), ("May stay as it is", sheet.stay, POINT),
            ("Leave alone", named, POINT), ("Take care", sheet.cautions, POINT),
        ))  # fmt: skip

    def _font(self, *, by: float = 1.0, face: str = "helvetica", bold: bool = False, grey: int = INK) -> None:
        self.pdf.set_font(face, "B" if bold else "", self.size * by)
        self.pdf.set_text_color(grey)

    def _words(self, text: str, *, x: float = MARGIN, width: float = 0.0, by: float = 1.0, face: str = "helvetica",
               bold: bool = False, grey: int = INK, after: float = 0.1) -> None:  # fmt: skip
        """Set a paragraph, followed by `after` lines of space."""
        self._font(by=by, face=face, bold=bold, grey=grey)
        self.pdf.set_x(x)
        self.pdf.multi_cell(width or self.wide, self.line * by, _plain(text), align="L", new_x="LMARGIN", new_y="NEXT")
        self.pdf.ln(self.line * after)

    def _rule(self, below: float) -> None:
        """Draw a rule across, on a new page if less than `below` mm would be left under it."""
        if self.pdf.will_page_break(below + self.line):
            self.pdf.add_page()
        self.pdf.set_line_width(0.5)
        self.pdf.line(MARGIN, self.pdf.y + self.line * 0.4, MARGIN + self.wide, self.pdf.y + self.line * 0.4)
        self.pdf.ln(self.line * 0.75)

    def _columns(self, lists: Lists) -> None:
        """Set lists under their headings in two columns of similar height (one in large print), continued on the next page."""
        width = self.wide if self.size >= LARGE else (self.wide - GUTTER) / 2
        rows = self._rows(lists, width)
        high = [row.high for row in rows]

        def uneven(first: int) -> float:
            """Height of the taller column if the second starts here, plus six lines if that splits a list."""
            return max(sum(high[:first]), sum(high[first:])) + (0.0 if rows[first].title else self.line * 6)

        parted = min(range(len(rows)), key=uneven, default=0) if width < self.wide else len(rows)
        waiting = [rows[:parted], rows[parted:]]
        while any(waiting):
            top = foot = self.pdf.y
            for number, column in enumerate(waiting):
                self.pdf.y = top
                while column and (top == self.pdf.t_margin or not self.pdf.will_page_break(column[0].high)):
                    self._row(column.pop(0), MARGIN + number * (width + GUTTER), width)
                foot = max(foot, self.pdf.y)
            self.pdf.y = foot
            if any(waiting):
                self.pdf.add_page()
        self.pdf.ln(self.line * 0.3)

    def _rows(self, lists: Lists, width: float) -> list[_Row]:
        """The rows of a column with their heights; a heading goes with its first item."""
        self._font()
        rows = []
        for title, texts, mark in lists:
            for number, text in enumerate(texts, 1):
                height = self.pdf.multi_cell(
                    width - self.line * 1.25, self.line, _plain(text), align="L", dry_run=True, output="HEIGHT"
                )
                high = cast("float", height) + self.line * (0.12 if number > 1 else 1.75)
                rows.append(_Row(title if number == 1 else "", text, mark or f"{number}.", high))
        return rows

    def _row(self, row: _Row, x: float, width: float) -> None:
        """Set an item with its mark, under its heading if it starts one."""
        indent = self.line * 1.25
        if row.title:
            self.pdf.ln(self.line * 0.3)
            self._words(row.title, x=x, width=width, by=1.12, face="times", bold=True)
        top, box = self.pdf.y, self.line * 0.5
        if row.mark == TICK:
            self.pdf.set_line_width(0.25)
            self.pdf.rect(x + box / 4, top + self.line * 0.22, box, box)
        elif row.mark == POINT:
            self.pdf.set_fill_color(INK)
            self.pdf.circle(x + box * 0.75, top + box, box / 5, style="F")
        else:
            self._words(row.mark, x=x, width=indent)
        self.pdf.y = top
        self._words(row.text, x=x + indent, width=width - indent, after=0.12)

    def _change(self, change: Change) -> None:
        scale = 0.72 * self.size / 10.0
        wide = sum(picture.drawing.width * scale + GUTTER for picture in change.pictures)
        beside = wide <= self.wide * 0.64
        if not beside:  # in large print the drawings go below the text
            scale *= self.wide / wide
        high = max((picture.drawing.height for picture in change.pictures), default=0.0) * scale + self.line * 4
        self._rule(high + self.line * 5)
        self._title(change)
        if change.wait:
            top = self.pdf.y
            self._words(change.wait, x=MARGIN + 4, width=self.wide - 4, bold=True)
            self.pdf.set_fill_color(INK)
            self.pdf.rect(MARGIN + 1, top, 0.9, max(self.pdf.y - top, self.line), style="F")
            self.pdf.ln(self.line * 0.3)
        page, foot = self.pdf.page, 0.0
        if beside:
            foot = self._pictures(change, MARGIN + self.wide - wide + GUTTER, scale)
        where = " ".join(part for part in (f"Where: {change.where}", change.drawn) if part)
        for text in (change.why, f"{change.amount}, {change.place}. {change.how_much}", where):
            self._words(text, width=self.wide - wide if beside else self.wide, after=0.25)
        if not beside:
            if self.pdf.will_page_break(high):
                self.pdf.add_page()
            self.pdf.y = self._pictures(change, MARGIN, scale)
        elif page == self.pdf.page:
            self.pdf.y = max(self.pdf.y, foot)
        self._columns((
            (CLOTH, change.cloth, ""), (LOOK, change.look, TICK), (PAPER, change.paper, ""), (SMOOTH, change.smooth, POINT),
        ))  # fmt: skip

    def _title(self, change: Change) -> None:
        """Set the title: the number in a circle, filled unless it waits, the name, and the amount at the right."""
        self._font(by=1.5, face="times", bold=True)
        much, top, radius = float(self.pdf.get_string_width(change.much)), self.pdf.y, self.line * 0.72
        self.pdf.set_line_width(0.4)
        self.pdf.set_fill_color(255 if change.wait else INK)
        self.pdf.circle(MARGIN + radius, top + self.line * 0.84, radius, style="DF")
        self._font(by=1.25, face="times", bold=True, grey=INK if change.wait else 255)
        self.pdf.set_xy(MARGIN, top + self.line * 0.2)
        self.pdf.cell(radius * 2, self.line * 1.25, str(change.number), align="C")
        self.pdf.set_y(top)
        self._words(
            change.title,
            x=MARGIN + self.line * 2,
            width=self.wide - self.line * 2.5 - much,
            by=1.5,
            face="times",
            bold=True,
        )
        bottom, self.pdf.y = self.pdf.y, top
        self._words(change.much, x=MARGIN + self.wide - much, width=much + 0.5, by=1.5, face="times", bold=True)
        self.pdf.y = bottom + self.line * 0.25

    def _pictures(self, change: Change, x: float, scale: float) -> float:
        """Draw a change's pictures side by side; returns the y of their lower end."""
        top = end = self.pdf.y
        for picture in change.pictures:
            wide, high = picture.drawing.width * scale, picture.drawing.height * scale
            paint(self.pdf, picture.drawing.items, (x, top), scale)
            self.pdf.set_y(top + high + 1.0)
            self._words(picture.caption, x=x, width=wide, by=0.9, grey=SOFT)
            end, x = max(end, self.pdf.y), x + wide + GUTTER
        self.pdf.set_y(top)
        return end

    def _muslins(self, muslins: Sequence[tuple[str, bytes]]) -> None:
        """Set the pictures of simulated cloth in a labelled row."""
        room = self.wide / len(muslins) - 2.0
        shapes = [Image.open(BytesIO(picture)).size for _, picture in muslins]
        high = min(MUSLIN_MM, *(room * height / width for width, height in shapes))
        self._rule(high + self.line * 6)
        self._words(THEN, by=1.25, face="times", bold=True)
        self._words(THEN_NOTE, by=0.9, grey=SOFT)
        top = self.pdf.y
        for number, ((caption, picture), (width, height)) in enumerate(zip(muslins, shapes, strict=True)):
            x, alt_text = MARGIN + number * (room + 2.0), f"Simulated muslin: {caption}"
            self.pdf.image(BytesIO(picture), x, top, high * width / height, high, alt_text=alt_text)
            self.pdf.set_y(top + high)
            self._words(caption, x=x, width=room, by=0.9, grey=SOFT)
