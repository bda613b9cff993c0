"""Pieces at full scale, tiled over sheets to be printed at home and joined.

Neither this program nor the printer may scale anything: there is a square on the first page to measure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from string import ascii_uppercase

import numpy as np
import shapely
from shapely import LineString, Polygon, affinity, box, get_parts

from fitdiag.pattern import ink
from fitdiag.pattern.draw import View
from fitdiag.pattern.garment import arc, off, unfolded
from fitdiag.pattern.ink import LABEL, XY, Box, Item, Letters, Pen, Spot, clipped, corners
from fitdiag.pattern.outline import cutting_area, notch_tick
from fitdiag.pattern.pdf import MARGIN_MM, PAPERS, Paper, document, paint
from fitdiag.pattern.piece import Array, Pattern, Piece, Side, cut_words, left_of, length, unit
from fitdiag.pattern.record import history, stamp, whose
from fitdiag.problems import stop
from fitdiag.units import Units, format_length

OVERLAP_MM = 10.0  # of neighbouring pages; enough for glue or tape
SQUARE_MM = 50.0
INCHES_MM = 50.8
MOST_TILES = 400
MOST_IN_A_ROW, GAP_MM = 4, 8.0  # the small pictures of the pieces on the first page
BOLD = 1.1  # how much wider bold letters are
_SHIFTS = (0.5, 0.4, 0.6, 0.25, 0.75, 0.1, 0.9, 0.0, 1.0)  # shares of the spare paper left of, and above, the piece
_SCANT = 0.04  # a tile that shows less than this share of its area is nearly empty
STAMP_SIZE = 7.5
MOST_STAMPED, MOST_NOTES = 4, 14  # most lines about what was altered: on each page, and on the first
TIMES = 3.0  # how much the ends of the level lines are enlarged: enough to see an eighth of an inch
CELL_MM = (47.0, 62.0)  # least and greatest height of one of these pictures
HEAD_MM = 20.0
BAR_MM = {"in": (25.4 / 8, "1/8 in"), "cm": (3.0, "3 mm")}
RULE = "Print at 100 %, no scaling; measure the square."


def pdf_sheets(
    pattern: Pattern, paper: Paper = "a4", units: Units = "cm", day: str = "", more: Sequence[Piece] = ()
) -> bytes:
    """The pieces at full scale as a PDF, on as many pages as they need; the first page says how to print and join them.

    `more`: other pieces to print, like a waistband. Every page names the client, the `day` and what was altered. Raises
    ProblemsFoundError for a piece that would need too many pages.
    """
    wide, high = PAPERS[paper]
    room = (wide - 2 * MARGIN_MM, high - 2 * MARGIN_MM)
    grids = [tiles(piece, room, side) for piece, side in pattern.cut()]
    grids += [tiles(piece, room) for piece in more]
    title, mark = pattern.title or "Pattern", stamp(pattern, units, day)
    notes = (whose(pattern, day), *history(pattern, units))
    pdf = document(title, (wide, high))
    pages = (_page(grid, tile, mark) for grid in grids for tile in grid.tiles)
    cover = _cover(title, grids, room, paper, units, [line for line in notes if line])
    for items in (cover, *pages, *_enlarged(grids, room, units, mark)):
        pdf.add_page()
        paint(pdf, items, (MARGIN_MM, MARGIN_MM))
    return bytes(pdf.output())


@dataclass(frozen=True)
class Tile:
    """One page of a grid: its row and column from 0, and the box it shows, in mm on the joined sheets, y down."""

    row: int
    column: int
    box: Box

    @property
    def name(self) -> str:
        """Row letter and column number: A1 is the top left."""
        return f"{ascii_uppercase[self.row]}{self.column + 1}"


@dataclass(frozen=True, eq=False)
class Grid:
    """A piece and the tiles it needs. `left` and `top`: the corner of page A1, in piece mm with y down.

    `room`: printable width and height of a page, mm. `shape`: the cutting area, in mm on the joined sheets.
    """

    piece: Piece
    side: Side
    left: float
    top: float
    room: tuple[float, float]
    rows: int
    columns: int
    tiles: tuple[Tile, ...]
    shape: Polygon

    @property
    def name(self) -> str:
        return self.piece.name if self.side == "both" else f"{self.piece.name} {self.side}"

    def has(self, row: int, column: int) -> Tile | None:
        return next((tile for tile in self.tiles if (tile.row, tile.column) == (row, column)), None)

    def view(self, corner: XY, clip: Box, scale: float = 1.0) -> View:
        """A view of the piece that puts the corner of page A1 at `corner` on the paper."""
        return View(scale, corner[0] - self.left * scale, corner[1] - self.top * scale, clip)


def tiles(piece: Piece, room: tuple[float, float], side: Side = "both") -> Grid:
    """Tile a piece with its allowance over the fewest pages of printable size `room`; pages that would be blank are left out.

    As far as there is room, the piece is placed so that no page is nearly empty and neither the grainline nor a level line lies in
    an overlap. Lengths in mm. Raises ProblemsFoundError for a piece that would need too many pages.
    """
    area = affinity.scale(cutting_area(piece), 1.0, -1.0, origin=(0, 0))
    shape = area.buffer(2.0)
    left, top, right, bottom = shape.bounds
    step = (room[0] - OVERLAP_MM, room[1] - OVERLAP_MM)
    columns = max(1, int(np.ceil((right - left - OVERLAP_MM) / step[0] - 1e-9)))
    rows = max(1, int(np.ceil((bottom - top - OVERLAP_MM) / step[1] - 1e-9)))
    if rows * columns > MOST_TILES or rows > len(ascii_uppercase):
        raise stop("size", f"the {piece.name} would need {rows * columns} pages", hint="are its numbers in mm?")
    spare = (columns * step[0] + OVERLAP_MM - (right - left), rows * step[1] + OVERLAP_MM - (bottom - top))
    row, column = (at.ravel() for at in np.mgrid[:rows, :columns])
    x, y = column * step[0], row * step[1]
    wide = np.where(column == columns - 1, room[0], step[0])  # what a page shows without its right and lower overlap
    high = np.where(row == rows - 1, room[1], step[1])
    heights = np.array([-line[:, 1].mean() for line in piece.lines.values()])
    rough, best = shape.simplify(0.5), None
    for over, down in product(_SHIFTS, _SHIFTS):
        corner = (left - spare[0] * over, top - spare[1] * down)
        own = shapely.box(corner[0] + x, corner[1] + y, corner[0] + x + wide, corner[1] + y + high)
        shown = shapely.area(shapely.intersection(rough, own))
        grain = piece.grain_x - corner[0] - step[0] * np.arange(1, columns)
        level = np.subtract.outer(heights - corner[1], step[1] * np.arange(1, rows))
        at_join = sum(int(((far > -2) & (far < OVERLAP_MM + 2)).sum()) for far in (grain, level))
        cost = (int((shown > 0).sum()), int(((shown > 0) & (shown < _SCANT * room[0] * room[1])).sum()), at_join)
        if best is None or cost < best[0]:
            best = (cost, corner, shapely.intersects(shape, own))
    assert best is not None
    _, corner, needed = best
    found = [
        Tile(int(row[k]), int(column[k]), (x[k], y[k], x[k] + room[0], y[k] + room[1])) for k in np.flatnonzero(needed)
    ]
    laid = affinity.translate(area, -corner[0], -corner[1])
    return Grid(piece, side, *corner, room, rows, columns, tuple(found), laid)


def _lines(piece: Piece, side: Side) -> Iterator[tuple[str, Array, str, str]]:
    """Every line of a piece, in its own mm, y up: its role, its points, its name, and whether that stands on a line or a seam."""
    outline = np.concatenate([piece.outline, piece.outline[:1]])
    allowed = any(piece.allowance.get(seam, 0.0) > 0 for seam in piece.part.seams)
    if allowed:
        yield "new", np.asarray(cutting_area(piece).exterior.coords), "", ""
    yield "stitching" if allowed else "new", outline, "", ""
    paper = Polygon(piece.outline).buffer(0.05)
    for name, line in piece.lines.items():
        for part in unfolded(line):
            for shown in get_parts(LineString(part).intersection(paper)):
                yield "balance", np.asarray(shown.coords), name, "line"
    for dart in piece.darts:
        yield "dart", dart.ends, "dart", "line"
        yield "old", np.array([(dart.left + dart.right) / 2, dart.tip]), "", ""
    yield "grain", piece.grain, "grain", "line"
    for seam in piece.part.seams:
        at_fold = ", on the fold" if side == "both" else ", laid against the other half"
        yield "", piece.seams[seam], piece.part.word(seam) + (at_fold if seam == piece.part.fold else ""), "seam"
    for edge in banded(piece):
        yield "old", edge, "", ""
    for at in piece.holes:
        for way in (np.array([3.0, 0.0]), np.array([0.0, 3.0])):
            yield "part", np.array([at - way, at + way]), "", ""
    for notch in piece.notches:
        yield "part", notch_tick(piece, notch.seam, notch.at), "", ""


def banded(piece: Piece) -> Iterator[Array]:
    """Two offset curves of each seam of an estimate, one standard deviation to either side."""
    for seam, sizes in piece.band.items():
        line = piece.seams[seam]
        run = np.gradient(line, axis=0)
        normal = left_of(run) / np.maximum(np.hypot(*run.T), 1e-9)[:, None]
        at = arc(line)
        far = np.interp(at / at[-1], (0.0, 0.5, 1.0), sizes)[:, None]
        yield line + normal * far
        yield line - normal * far


def _page(grid: Grid, tile: Tile, mark: str = "") -> tuple[Item, ...]:
    """One page of a piece: the lines on it, its name and neighbours, and where to trim and glue."""
    wide, high = grid.room
    own: Box = (0.0, 0.0, wide, high)
    pen = Pen(wide, high, ground=False)  # no label may hide a cutting line
    view = grid.view((-tile.box[0], -tile.box[1]), own)
    names: list[tuple[str, Array, str]] = []
    for role, points, name, where in _lines(grid.piece, grid.side):
        line = view.at(points)
        parts = pen.line(line, role, own) if role else clipped(line, own)
        if name and parts:
            names.append((name, max(parts, key=length), where))
        if role == "grain":
            _heads(pen, line, own)
    inner = _joins(pen, grid, tile)
    _page_words(pen, grid, tile, inner)
    for name, part, where in names:
        if length(part) > 25:
            spots = list(ink.along(part, 10, (0.5, 0.35, 0.65, 0.2, 0.8), gap=1.5))
            if where == "seam":  # inside, off the allowance
                spots = [spot for one, other in zip(spots[::2], spots[1::2], strict=True) for spot in (other, one)]
            pen.label(name, spots, inner, LABEL._replace(size=10), over="lines")
    if mark:
        _stamp(pen, mark, inner)
    return pen.done("", "").items


def _stamp(pen: Pen, mark: str, inner: Box) -> None:
    """The client, the day and what was altered, in small print, where it covers nothing if there is such a place."""
    letters = Letters(STAMP_SIZE, role="stamp")
    ways: tuple[tuple[float, ink.Over], ...] = ((70.0, "nothing"), (40.0, "nothing"), (70.0, "labels"))
    for room, over in ways:
        lines, most = ink.wrapped(mark, STAMP_SIZE, room), round(MOST_STAMPED * 70.0 / room)
        text = "\n".join(lines if len(lines) <= most else [*lines[: most - 1], "and more: see the first page"])
        if pen.label(text, ink.all_over(inner, letters.room(text), (0.0, 1.0)), inner, letters, over=over):
            return


def _heads(pen: Pen, line: Array, own: Box) -> None:
    for tip, other in ((line[0], line[-1]), (line[-1], line[0])):
        head = Polygon(ink.pointed(tip, unit(other - tip) * 7.0, 2.0 / 7.0)).intersection(box(*own))
        if isinstance(head, Polygon) and not head.is_empty:
            pen.fill(np.asarray(head.exterior.coords)[:-1], 0.0, "grain")


def _joins(pen: Pen, grid: Grid, tile: Tile) -> Box:
    """Draw the frame of a page: where to trim it and where the next page goes; return the box between the overlaps."""
    (wide, high), lap = grid.room, OVERLAP_MM
    pen.frame((0, 0, wide, high))
    around = [grid.has(tile.row + down, tile.column + over) for down, over in ((0, -1), (-1, 0), (0, 1), (1, 0))]
    left, above, right, below = around
    inset = [lap if neighbour else 1.0 for neighbour in around]
    inner = (inset[0], inset[1], wide - inset[2], high - inset[3])
    if right:
        pen.line([(wide - lap, 0), (wide - lap, high)], "old")
    if below:
        pen.line([(0, high - lap), (wide, high - lap)], "old")
    half = lap / 2
    sides = ((left, half, 0.0), (right, wide - half, 0.0), (above, 0.0, half), (below, 0.0, high - half))
    for neighbour, x, y in sides:
        if not neighbour:
            continue
        for share in (0.2, 0.8):  # match marks, at the same places on both pages
            at = (x or wide * share, y or high * share)
            pen.line([(at[0] - 2, at[1]), (at[0] + 2, at[1])], "frame")
            pen.line([(at[0], at[1] - 2), (at[0], at[1] + 2)], "frame")
        words = f"trim; it is laid on {neighbour.name}" if neighbour in (left, above) else f"glue {neighbour.name} here"
        spots = [
            Spot(x or wide * share, y or high * share, 90.0 if x else 0.0)
            for share in (0.5, 0.4, 0.6, 0.3, 0.7, 0.13, 0.87)
        ]
        pen.label(words, spots, (0, 0, wide, high), Letters(7, role="neighbour"))
    return inner


def _page_words(pen: Pen, grid: Grid, tile: Tile, inner: Box) -> None:
    """Label a page with its piece and number; the page that shows most of a piece also gets its name in large letters."""
    if tile == max(grid.tiles, key=lambda one: float(grid.shape.intersection(box(*one.box)).area)):
        large = Letters(22, bold=True, role="name")
        name = f"{grid.piece.name.capitalize()}, {cut_words(grid.piece, grid.side)}"
        room, shape = large.room(name), affinity.translate(grid.shape, -tile.box[0], -tile.box[1])
        shapely.prepare(shape)
        every = ink.all_over(inner, room, (0.5, 0.5))
        pen.label(name, [spot for spot in every if shape.contains(ink.ground_of(spot, room))] or every, inner, large)
    name, mark = f"{grid.name.capitalize()} {tile.name}", Letters(18, bold=True, role="page")
    pen.label(name, ink.all_over(inner, mark.room(name), (0.0, 0.0)), inner, mark)


def _cover(
    title: str, grids: Sequence[Grid], room: tuple[float, float], paper: str, units: Units, record: Sequence[str] = ()
) -> tuple[Item, ...]:
    """The first page: the title and the `record` of the pattern, how to print and join, squares to measure, and the tiling plan."""
    wide, high = room
    pen = Pen(wide, high)
    y = pen.paragraph(0, 7.0, title, Letters(16, bold=True), wide, 7.5, most=2)
    for note in record[:MOST_NOTES]:
        y = pen.paragraph(0, y, note, Letters(10, role="stamp"), wide, 4.6)
    y += 1.5 if record else 0.0
    pen.text(0, y, RULE, Letters(12, bold=True))
    top = y + 6
    for x, side, words in ((0.0, SQUARE_MM, "50 mm"), (SQUARE_MM + 12, INCHES_MM, "2 in")):
        pen.frame((x, top, x + side, top + side), "part")
        pen.text(x + side / 2, top + side / 2 - 1, words, Letters(14, bold=True), anchor="middle")
        pen.text(x + side / 2, top + side / 2 + 6, "each side, to the line's middle", Letters(8), anchor="middle")
    count = sum(len(grid.tiles) for grid in grids)
    notes = (
        f"{count} pages of {'A4' if paper == 'a4' else 'Letter'} follow. Each shows {_small(OVERLAP_MM, units)} of its neighbours.",
        "Trim left and top edges to the frame where a page says so.",
        "Lay them on the dashed line of the neighbour and match the crosses.",
        "Start at the top left, join the rows, then the rows to each other.",
        "The last page shows the ends of the level lines enlarged.",
        *_allowance_notes([grid.piece for grid in grids], units),
        *_face_notes(grids),
    )
    x, line_y = 2 * SQUARE_MM + 24, top + 3
    for note in notes:
        line_y = pen.paragraph(x, line_y, note, Letters(9), wide - x, 4.2) + 1.6
    top = max(top + INCHES_MM, line_y) + 10
    rows = -(-len(grids) // MOST_IN_A_ROW)
    columns = -(-len(grids) // rows)
    over, down = (wide + GAP_MM) / columns, (high - 2 - top + GAP_MM) / rows
    for number, grid in enumerate(grids):
        left, above = over * (number % columns), top + down * (number // columns)
        _overview(pen, grid, (left, above, left + over - GAP_MM, above + down - GAP_MM))
    return pen.done("", "").items


def _face_notes(grids: Sequence[Grid]) -> Iterator[str]:
    """Which pieces of one side are cut with the print up and which with it down, since all are drawn the same way round."""
    ways: dict[bool, list[str]] = {True: [], False: []}
    for grid in grids:
        if grid.side != "both" and grid.piece.part.shows:
            ways[grid.side == grid.piece.part.shows].append(grid.name)
    if any(ways.values()):
        up, down = ("; ".join(names) for names in ways.values())
        yield f"On the right side of the cloth, lay with the print up: {up}. With the print down: {down}."


def _small(mm: float, units: Units) -> str:
    return f"{mm:g} mm" if units == "cm" else format_length(mm, units)


def _allowance_notes(pieces: Sequence[Piece], units: Units) -> list[str]:
    """What the lines of the pieces mean, once for all pieces with the same note."""
    alike: dict[str, list[str]] = {}
    for piece in pieces:
        alike.setdefault(_allowance_note(piece, units), []).append(piece.name)
    return [f"{_listed(list(dict.fromkeys(names))).capitalize()}: {note}" for note, names in alike.items()]


def _listed(names: Sequence[str]) -> str:
    """`front`, `front and back`, `front, back and waistband`; without the commas of `front facing, left`."""
    names = [name.replace(",", "") for name in names]
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _allowance_note(piece: Piece, units: Units) -> str:
    if piece.band:
        return "an estimate; the true line lies between the dashed lines in two cases of three."
    given = sorted({value for seam in piece.part.seams if (value := piece.allowance.get(seam, 0.0)) > 0})
    if not given:
        return "the thick line is the stitching line; no seam allowance is added."
    ends = list(dict.fromkeys(_small(mm, units) for mm in (given[0], given[-1])))
    words = " to ".join(ends) if units == "in" or len(ends) == 1 else f"{given[0]:g} to {given[-1]:g} mm"
    fold = ", none at the fold" if piece.part.fold else ""
    return f"thick line to cut, dashed line to stitch; seam allowance {words}{fold}."


def _overview(pen: Pen, grid: Grid, cell: Box) -> None:
    """Draw the tiling plan of a piece."""
    (wide, high), lap = grid.room, OVERLAP_MM
    span = (grid.columns * (wide - lap) + lap, grid.rows * (high - lap) + lap)
    pages = "1 page" if len(grid.tiles) == 1 else f"{len(grid.tiles)} pages"
    room = (cell[2] - cell[0]) / BOLD
    below = pen.paragraph(cell[0], cell[1] + 3, f"{grid.name.capitalize()}: {pages}", Letters(10, bold=True), room, 4.5)
    top = below - 1.5
    scale = min((cell[2] - cell[0]) / span[0], (cell[3] - top) / span[1])
    at = np.array([cell[0] + (cell[2] - cell[0] - span[0] * scale) / 2, top])
    for tile in grid.tiles:
        pen.line(at + corners(tile.box) * scale, "frame")
    view = grid.view((at[0], at[1]), cell, scale)
    for role, line, _, _ in _lines(grid.piece, grid.side):
        if role:
            pen.line(view.at(line), "part" if role == "new" else role)
    for tile in grid.tiles:
        x, y = at + (np.array(tile.box[:2]) + np.array([wide - lap, high - lap]) / 2) * scale
        at_page, small = (float(x), float(y)), Letters(11, bold=True, role="label")
        spots = [Spot(*at_page), *ink.around(at_page, tile.name, small, (3.0, 6.0))]
        pen.label(tile.name, spots, cell, small)


def _enlarged(grids: Sequence[Grid], room: tuple[float, float], units: Units, mark: str) -> Iterator[tuple[Item, ...]]:
    """Pages with both ends of each level line enlarged, three in a row; `mark`: client, day and what was altered."""
    wide, high = room
    places, step = [place for grid in grids for place in _line_ends(grid)], 3
    rows = int((high - HEAD_MM) // CELL_MM[0])
    for first in range(0, len(places), step * rows):
        shown = places[first : first + step * rows]
        tall = min(CELL_MM[1], (high - HEAD_MM) / -(-len(shown) // step))
        pen = Pen(wide, high)
        heading = f"Where to look closely: {TIMES:g} times as large as the sheets. Do not cut along these."
        pen.text(0, 5.5, heading, Letters(11, bold=True))
        if mark:
            pen.paragraph(0, 10.0, mark, Letters(STAMP_SIZE, role="stamp"), wide - 2, 3.6, most=2)
        for number, (caption, at, lines) in enumerate(shown):
            left, top = (wide + 4) / step * (number % step), HEAD_MM + tall * (number // step)
            _place(pen, (left, top, left + (wide + 4) / step - 4, top + tall - 9), at, lines, units)
            pen.text(left, top - 1.2, caption[:1].upper() + caption[1:], Letters(9, role="caption"))
        yield pen.done("", "").items


def _line_ends(grid: Grid) -> Iterator[tuple[str, Array, list[tuple[str, Array]]]]:
    """Both ends of each level line of a piece: a caption, the point (mm, y up), and all lines of the piece."""
    piece, lines = grid.piece, [one[:2] for one in _lines(grid.piece, grid.side) if one[0]]
    for name in piece.part.ends:
        for end, edge in ((0, piece.part.inner), (-1, piece.part.outer)):
            if name in piece.lines:
                at = piece.lines[name][end]
                seam = min(edge, key=lambda seam: off(piece.seams[seam], at))
                yield f"{grid.name}: {name}, {piece.part.word(seam)}", at, lines


def _place(pen: Pen, cell: Box, at: Array, lines: Sequence[tuple[str, Array]], units: Units) -> None:
    left, top, right, bottom = cell
    view = View(TIMES, (left + right) / 2 - at[0] * TIMES, (top + bottom) / 2 + at[1] * TIMES, cell)
    for role, line in lines:
        pen.line(view.at(line), role, cell)
    size, words = BAR_MM[units]
    x, y = left + 3, bottom - 3
    pen.line([(x, y), (x + size * TIMES, y)], "new")
    for end in (x, x + size * TIMES):
        pen.line([(end, y - 1.5), (end, y + 1.5)], "dimension")
    pen.text(x + size * TIMES + 1.5, y + 1, words, Letters(8, role="bar"))
    pen.frame(cell)
