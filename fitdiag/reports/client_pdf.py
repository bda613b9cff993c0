"""The client's page on paper: the same sheet as the page for the browser, black on white, as few pages as can be read well."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from io import BytesIO
from itertools import accumulate
from typing import TYPE_CHECKING, Literal

from fitdiag.pattern.pdf import Paper, document, paint, plain, size_of
from fitdiag.reports.muslin_sheet import png_size
from fitdiag.reports.sheet import CLOTH, LOOK, PAPER, SMOOTH, THEN, THEN_NOTE, Change, Sheet

if TYPE_CHECKING:
    from fpdf import FPDF

Kind = Literal["steps", "points", "ticks"]
MARGIN, GUTTER = 11.0, 6.0  # mm
TRIES = (
    (1, (10.0, 9.5, 9.0)),
    (2, (10.0, 9.5, 9.0, 8.75, 8.5, 8.25, 8.0)),
    (3, (10.0, 9.5, 9.0)),
)  # pages, and the points of the letters
LARGE = 14.0  # large print as the trade of printing understands it: 14 points and more
MUSLIN_MM = 88.0  # height of the pictures of simulated cloth
INK, SOFT = 0, 80  # greys
LONGEST_HEAD = 90  # letters of it at the foot of a page
_LONG: dict[tuple[str, bool, str], float] = {}  # a word's length in mm by face and weight, in letters of one point


def client_pdf(sheet: Sheet, *, paper: Paper = "a4", large: bool = False) -> bytes:
    """The page for a client who works alone, as a PDF; the same case makes the same file.

    One page where it fits, else two, with pictures of simulated cloth three. Raises ProblemsFoundError for a paper that is not known.
    """
    tries = ((99, (LARGE,)),) if large else TRIES
    pages = cache(lambda size: _set(sheet, paper, size)[1])
    fitting = (size for most, sizes in tries for size in sizes if pages(size) <= most)
    size = next(fitting, tries[0][1][0])
    return _set(sheet, paper, size, pages(size))[0]


def _set(sheet: Sheet, paper: Paper, size: float, count: int = 0) -> tuple[bytes, int]:
    """The sheet in letters of this size: the file, drawn only when the `count` of its pages is known, and that count."""
    pdf = document(sheet.title, size_of(paper))
    pdf.set_lang("en")
    pdf.add_page()
    setter = _Setter(pdf, size, sheet.head, count)
    for block in setter.blocks(sheet):
        setter.put(block)
    setter.foot()
    return bytes(pdf.output()) if count else b"", len(pdf.pages)


@dataclass(frozen=True)
class _Row:
    """Something that is not parted: its height, how it is drawn at a height, and in which column."""

    height: float
    draw: Callable[[float], None]
    column: int = 0
    lift: float = 0.0  # so much lower than where the row before ended; below 0 where that was in another column


Block = list[_Row]


class _Setter:
    """Sets a sheet in one size of letters."""

    def __init__(self, pdf: FPDF, size: float, head: str, count: int) -> None:
        self.pdf, self.size, self.count = pdf, size, count
        self.head = plain(head) if len(plain(head)) <= LONGEST_HEAD else f"{plain(head)[: LONGEST_HEAD - 3]}..."
        self.line = size * 0.44  # mm from line to line, about 1.25 of the letters
        self.wide = float(pdf.w) - 2 * MARGIN
        self.half = (self.wide - GUTTER) / 2
        self.bottom = float(pdf.h) - MARGIN - 3.0
        self.y = MARGIN

    # -- pages ---------------------------------------------------------------------------------------------------

    def put(self, block: Block) -> None:
        """A block from here on, parted between rows; its first rows (`held` mm of them) are not left alone at the foot."""
        held = next((height for height in accumulate(row.height for row in block) if height >= self.line * 4), 0.0)
        if self.y + held > self.bottom:
            self.turn()
        waiting: list[tuple[int, float, _Row]] = []
        for row in block:
            if self.y + row.height > self.bottom:
                self.flush(waiting)
                self.turn()
                self.y -= row.lift  # the first row of a page stands at its top, the rows after it no higher
            waiting.append((row.column, self.y, row))
            self.y += row.height
        self.flush(waiting)

    def flush(self, waiting: list[tuple[int, float, _Row]]) -> None:
        """Draw what stands on this page, column after column, so that it is read aloud in that order."""
        for _, y, row in sorted(waiting, key=lambda item: item[0]) if self.count else ():
            row.draw(y)
        waiting.clear()

    def held(self, block: Block) -> Block:
        """The rows of a block as one, unless no page could hold it."""
        high = _high(block)

        def draw(y: float) -> None:
            for row in block:
                row.draw(y)
                y += row.height

        return [_Row(high, draw)] if high <= self.bottom - MARGIN else block

    def turn(self) -> None:
        if self.y > MARGIN:
            self.foot()
            self.pdf.add_page()
            self.y = MARGIN

    def foot(self) -> None:
        """Whose page it is, and which of how many."""
        if not self.count:
            return
        y, shown = float(self.pdf.h) - MARGIN + 1, f"{len(self.pdf.pages)} of {self.count}"
        self.write(MARGIN, y, self.head, by=0.9, grey=SOFT)
        self.write(MARGIN + self.wide - float(self.pdf.get_string_width(shown)), y, shown, by=0.9, grey=SOFT)

    # -- letters -------------------------------------------------------------------------------------------------

    def write(
        self, x: float, y: float, text: str, *, face: str = "helvetica", bold: bool = False, by: float = 1.0, grey: int = INK
    ) -> None:  # fmt: skip
        self.pdf.set_font(face, "B" if bold else "", self.size * by)
        self.pdf.set_text_color(grey)
        self.pdf.text(x, y, text)

    def folded(
        self, text: str, width: float, *, face: str = "helvetica", bold: bool = False, by: float = 1.0
    ) -> list[str]:
        """Text in lines no wider than `width`; a word that no line holds is cut."""
        size = self.size * by
        self.pdf.set_font(face, "B" if bold else "", size)

        def long_of(part: str) -> float:
            if (key := (face, bold, part)) not in _LONG:
                _LONG[key] = float(self.pdf.get_string_width(part)) / size
            return _LONG[key] * size

        blank = long_of(" ")
        lines: list[str] = []
        room = 0.0
        for word in text.split(" "):
            for part in self.parts(plain(word), width, long_of):
                long = long_of(part)
                if lines and blank + long <= room:
                    lines[-1] += f" {part}"
                    room -= blank + long
                elif part:
                    lines.append(part)
                    room = width - long
        return lines

    def parts(self, word: str, width: float, long_of: Callable[[str], float]) -> Iterator[str]:
        while len(word) > 1 and long_of(word) > width:
            cut = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or long_of(word[:n]) <= width)
            yield word[:cut]
            word = word[cut:]
        yield word

    def text(self, text: str, x: float, width: float, *, face: str = "helvetica", bold: bool = False, by: float = 1.0,
             grey: int = INK, after: float = 0.25) -> list[_Row]:  # fmt: skip
        """A paragraph as rows."""
        step = self.line * by

        def row(line: str) -> _Row:
            return _Row(step, lambda y: self.write(x, y + step * 0.78, line, face=face, bold=bold, by=by, grey=grey))

        rows = [row(line) for line in self.folded(text, width, face=face, bold=bold, by=by)]
        return [*rows, self.gap(after)]

    def gap(self, lines: float) -> _Row:
        return _Row(self.line * lines, lambda y: None)

    def listed(self, texts: Sequence[str], x: float, width: float, kind: Kind) -> list[_Row]:
        """A list as rows: numbered steps, points, or boxes to tick."""
        result: list[_Row] = []
        inset = self.line * (1.25 if kind != "points" else 0.9)
        for number, text in enumerate(texts, 1):
            rows = self.text(text, x + inset, width - inset, after=0.12)
            result += self.held([self.led(rows[0], number, x, kind), *rows[1:]])
        return [*result, self.gap(0.2)]

    def led(self, row: _Row, number: int, x: float, kind: str) -> _Row:
        """A row with its number, point or box before it."""

        def draw(y: float) -> None:
            middle = y + self.line * 0.55
            if kind == "steps":
                self.write(x, y + self.line * 0.78, f"{number}.", bold=True)
            elif kind == "points":
                self.pdf.set_fill_color(INK)
                self.pdf.circle(x + 0.7, middle, self.size * 0.055, style="F")
            else:
                self.pdf.set_line_width(0.2)
                self.pdf.set_draw_color(INK)
                self.pdf.rect(x, middle - self.line * 0.29, self.line * 0.58, self.line * 0.58)
            row.draw(y)

        return replace(row, draw=draw)

    def rule(self) -> _Row:
        def draw(y: float) -> None:
            self.pdf.set_line_width(0.5)
            self.pdf.set_draw_color(INK)
            self.pdf.line(MARGIN, y + self.line * 0.4, MARGIN + self.wide, y + self.line * 0.4)

        return _Row(self.line * 0.75, draw)

    def beside(self, *columns: Sequence[_Row]) -> Block:
        """Columns of rows side by side, their rows paired so that a page can end between them."""
        pairs: Block = []
        places = [0] * len(columns)
        done = [0.0] * len(columns)
        top = 0.0
        while any(place < len(column) for place, column in zip(places, columns, strict=True)):
            number = min((n for n in range(len(columns)) if places[n] < len(columns[n])), key=lambda n: (done[n], n))
            row = columns[number][places[number]]
            places[number] += 1
            start, done[number] = done[number], done[number] + row.height
            floor = max(done)
            pairs.append(_Row(floor - top, _lifted(row, start - top), number, start - top))
            top = floor
        return pairs

    # -- the sheet -----------------------------------------------------------------------------------------------

    def blocks(self, sheet: Sheet) -> Iterator[Block]:
        yield [
            *self.text(sheet.head, MARGIN, self.wide, grey=SOFT, after=0.1),
            *self.text(sheet.title, MARGIN, self.wide, face="times", bold=True, by=2.0, after=0.1),
            *self.text(sheet.verdict, MARGIN, self.wide, by=1.05),
            *(self.text(sheet.key, MARGIN, self.wide, by=0.9, grey=SOFT) if sheet.key else []),
        ]
        for change in sheet.changes:
            yield from self.change(change)
        if sheet.muslins:
            yield self.muslins(sheet)
        left, right = MARGIN, MARGIN + self.half + GUTTER
        named = tuple(f"{name}. {why}" for name, why in sheet.leave)
        yield [
            self.rule(),
            *self.beside(
                [
                    *self.under("Photograph next", sheet.photographs, "ticks", left, 1.25),
                    *self.under("May stay as it is", sheet.stay, "points", left, 1.25),
                    *self.under("Leave alone", named, "points", left, 1.25),
                ],
                self.under("Take care", sheet.cautions, "points", right, 1.25),
            ),
        ]

    def muslins(self, sheet: Sheet) -> Block:
        """Pictures of simulated cloth in a row, labelled as that."""
        room = self.wide / len(sheet.muslins) - 2.0
        shapes = [png_size(picture) for _, picture in sheet.muslins]
        high = min(MUSLIN_MM, *(room * height / width for width, height in shapes))

        def draw(y: float) -> None:
            x = MARGIN
            for (caption, picture), (width, height) in zip(sheet.muslins, shapes, strict=True):
                self.pdf.image(
                    BytesIO(picture), x, y, high * width / height, high, alt_text=f"Simulated muslin: {caption}"
                )
                self.write(x, y + high + self.line, plain(caption), by=0.9, grey=SOFT)
                x += room + 2.0

        return self.held(
            [
                self.rule(),
                *self.text(THEN, MARGIN, self.wide, face="times", bold=True, by=1.25, after=0.1),
                *self.text(THEN_NOTE, MARGIN, self.wide, by=0.9, grey=SOFT),
                _Row(high + self.line * 1.6, draw),
            ]
        )

    def under(self, title: str, texts: Sequence[str], kind: Kind, x: float, by: float = 1.12) -> list[_Row]:
        """A heading and its list, in a column; nothing where there is nothing to say."""
        if not texts:
            return []
        rows = self.listed(texts, x, self.half, kind)
        head = self.text(title, x, self.half, face="times", bold=True, by=by, after=0.1)
        return [*self.held([*head, rows[0]]), *rows[1:]]

    def change(self, change: Change) -> Iterator[Block]:
        head = [self.rule(), *self.title(change)]
        if change.wait:
            head += self.barred(change.wait)
        x, y = MARGIN, MARGIN + self.half + GUTTER
        yield self.held([*head, *self.pictured(change), self.gap(0.2)])
        cloth = self.under(CLOTH, change.cloth, "steps", x)
        paper = [*self.under(PAPER, change.paper, "steps", y), *self.under(SMOOTH, change.smooth, "points", y)]
        shorter, place = (cloth, x) if _high(cloth) <= _high(paper) else (paper, y)
        shorter += self.under(LOOK, change.look, "ticks", place)
        yield self.beside(cloth, paper)

    def title(self, change: Change) -> Block:
        self.pdf.set_font("times", "B", self.size * 1.5)
        much = float(self.pdf.get_string_width(change.amount))
        start = MARGIN + self.line * 2.0
        step = self.line * 1.5
        lines = self.folded(change.title, self.wide - self.line * 2.5 - much, face="times", bold=True, by=1.5)

        def draw(y: float, line: str, first: bool) -> None:
            if first:
                middle, radius = y + step * 0.56, self.line * 0.72
                self.pdf.set_line_width(0.4)
                self.pdf.set_draw_color(INK)
                self.pdf.set_fill_color(255 if change.wait else INK)
                self.pdf.circle(MARGIN + radius, middle, radius, style="DF")
                number = str(change.number)
                self.pdf.set_font("times", "B", self.size * 1.25)
                back = float(self.pdf.get_string_width(number)) / 2
                self.write(
                    MARGIN + radius - back, middle + self.line * 0.36, number, face="times", bold=True, by=1.25,
                    grey=INK if change.wait else 255,
                )  # fmt: skip
                self.write(MARGIN + self.wide - much, y + step * 0.82, change.amount, face="times", bold=True, by=1.5)
            self.write(start, y + step * 0.82, line, face="times", bold=True, by=1.5)

        rows = [
            _Row(step, lambda y, line=line, n=n: draw(y, line, n == 0))  # type: ignore[misc]
            for n, line in enumerate(lines)
        ]
        return [*rows, self.gap(0.25)]

    def barred(self, text: str) -> Block:
        """A condition with a bar beside it."""
        rows = self.text(text, MARGIN + 4, self.wide - 4, bold=True, after=0.0)

        def barred(row: _Row) -> _Row:
            def draw(y: float) -> None:
                self.pdf.set_fill_color(INK)
                self.pdf.rect(MARGIN + 1, y, 0.9, row.height, style="F")
                row.draw(y)

            return replace(row, draw=draw)

        return [*(barred(row) for row in rows), self.gap(0.4)]

    def pictured(self, change: Change) -> Block:
        """What it does and how much, with the drawings on its right."""
        scale = 0.72 * max(self.size / 10.0, 0.9)
        wides = [picture.drawing.width * scale for picture in change.pictures]
        room = sum(wide + 5.0 for wide in wides)
        if room > self.wide * 0.64:  # in large print the drawings stand below the words
            scale *= (self.wide - 5.0) / room
            wides = [picture.drawing.width * scale for picture in change.pictures]
        beside = room <= self.wide * 0.64
        width = self.wide - room if beside else self.wide
        words = [
            *self.text(change.why, MARGIN, width),
            *self.text(f"{change.amount}, {change.place}. {change.how_much}", MARGIN, width),
            *self.text(" ".join(part for part in (f"Where: {change.where}", change.drawn) if part), MARGIN, width),
        ]
        if not change.pictures:
            return words
        high = max(picture.drawing.height for picture in change.pictures) * scale
        captions = [
            self.folded(picture.caption, wide, by=0.9) for picture, wide in zip(change.pictures, wides, strict=True)
        ]
        step = self.line * 0.9
        total = high + 1.0 + step * max(len(lines) for lines in captions)

        def draw(y: float) -> None:
            x = MARGIN + (width + 5.0 if beside else 0.0)
            for picture, wide, lines in zip(change.pictures, wides, captions, strict=True):
                self.pdf.set_draw_color(INK)
                paint(self.pdf, picture.drawing.items, (x, y), scale)
                foot = y + picture.drawing.height * scale + 1.0
                for number, line in enumerate(lines):
                    self.write(x, foot + step * (number + 0.8), line, by=0.9, grey=SOFT)
                x += wide + 5.0

        if not beside:
            return [*words, _Row(total + self.line * 0.4, draw)]

        def both(y: float) -> None:
            draw(y + self.line * 0.15)
            for row in words:
                row.draw(y)
                y += row.height

        return [_Row(max(total + self.line * 0.4, _high(words)), both)]


def _high(rows: Sequence[_Row]) -> float:
    return sum(row.height for row in rows)


def _lifted(row: _Row, by: float) -> Callable[[float], None]:
    return lambda y: row.draw(y + by)
