"""Drawings of one alteration: the page with old and new lines, the step-by-step strip of small captioned pictures, and the
before and after.

Drawn from the pattern before and the step made. Added paper is hatched; paper removed (cut off, or lying double) is
cross-hatched; nothing depends on colour.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain

import numpy as np
import shapely
from shapely import LinearRing, Point, Polygon, get_parts
from shapely.geometry.base import BaseGeometry

from fitdiag.pattern.alter import Cut
from fitdiag.pattern.change import SEEN_MM, Change, captions, change_of, parted, sentence, to_true
from fitdiag.pattern.ink import LABEL, XY, Box, Drawing, Letters, Pen, along, around, beside, clipped, corners, pointed
from fitdiag.pattern.moves import Step
from fitdiag.pattern.piece import Array, Dart, Pattern, Piece, apart, length, points, unit
from fitdiag.pattern.true import true_piece
from fitdiag.units import Units, format_given

PAGE: Box = (0.0, 0.0, 190.0, 270.0)  # fits A4 and, a little smaller, Letter
FOOT_MM = 26.0
DETAIL_GAIN = 1.3  # a detail is drawn if it is enlarged at least this much
SHARES = (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8)  # candidate label positions, as fractions of a line's length
STRIP_CELL: tuple[float, float, float] = (60.0, 64.0, 18.0)  # mm: a picture's width, greatest height, caption's height
STRIP_PAD = (10.0, 11.0)
WIDE, HIGH, PAD = 64.0, 70.0, (11.0, 11.0)  # mm: a before or after drawing's width, greatest height, margin for labels
_ON = 0.1  # mm; a point closer than this lies on the line
_NEAR = 15.0  # mm; a point this near the marked amount moves with it
_APART = 60.0  # mm; hinges closer together than this count as one
CAUTION = "Try it with pins, or on a copy, before you cut. Write the amount on the pattern."


@dataclass(frozen=True, eq=False)
class View:
    """Transform from pattern mm (y up) to paper mm (y down): scale, position of the origin, and clip box."""

    scale: float
    x: float
    y: float
    clip: Box

    def at(self, line: Array) -> Array:
        place = np.asarray(line, dtype=float).reshape(-1, 2)
        return np.column_stack([self.x + place[:, 0] * self.scale, self.y - place[:, 1] * self.scale])

    def xy(self, point: Array) -> XY:
        x, y = self.at(point)[0]
        return float(x), float(y)


def fitted(bounds: Box, cell: Box, pad: tuple[float, float], *, snug: bool = False, most: float = 1.0) -> View:
    """A view of `bounds` (pattern mm: left, bottom, right, top), as large as the cell and the scale `most` allow.

    `pad`: margin on paper for labels, mm. A snug view uses no more of the cell's height than it needs.
    """
    wide, high = max(bounds[2] - bounds[0], 1.0), max(bounds[3] - bounds[1], 1.0)
    scale = min((cell[2] - cell[0] - 2 * pad[0]) / wide, (cell[3] - cell[1] - 2 * pad[1]) / high, most)
    if snug:
        cell = (cell[0], cell[1], cell[2], cell[1] + high * scale + 2 * pad[1])
    x = (cell[0] + cell[2]) / 2 - (bounds[0] + bounds[2]) / 2 * scale
    y = (cell[1] + cell[3]) / 2 + (bounds[1] + bounds[3]) / 2 * scale
    return View(scale, x, y, cell)


def _bounds(*lines: Array) -> Box:
    every = np.concatenate(lines)
    left, low = every.min(axis=0).tolist()
    right, high = every.max(axis=0).tolist()
    return left, low, right, high


def _whole(change: Change) -> Box:
    return _bounds(change.old.outline, change.new.outline)


def place_of(change: Change) -> Box:
    """Bounds of the part of the piece that changes, with a margin, pattern mm."""
    regions = [np.array([mark.a, mark.b]).reshape(-1, 2) for mark in change.marks]
    regions += [np.reshape(area.bounds, (2, 2)) for area in (change.added, change.removed) if not area.is_empty]
    if change.cut is not None:
        regions.append(np.array([change.cut.start, change.cut.end]))
    if change.kind in ("open", "close"):
        regions += [change.new.top, change.old.top]
    if change.kind == "darts":
        regions += [dart.ends for dart in (*change.old.darts, *change.new.darts)]
    if not regions or change.kind == "grain":
        return _whole(change)
    box, whole = _bounds(*regions), _whole(change)
    left, right = max(box[0] - 30, whole[0]), min(box[2] + 30, whole[2])
    low, high = max(box[1] - 30, whole[1]), min(box[3] + 30, whole[3])
    low = max(min(low, high - 0.6 * (right - left)), whole[1])  # not too flat
    high = min(max(high, low + 0.6 * (right - left)), whole[3])
    right = min(max(right, left + 0.5 * (high - low)), whole[2])  # nor too narrow
    left = max(min(left, right - 0.5 * (high - low)), whole[0])
    return left, low, right, high


@dataclass(frozen=True, eq=False)
class Figure:
    """Draws a change in one view; all arguments are in pattern mm."""

    pen: Pen
    view: View

    def line(self, line: Array, role: str, width: float | None = None) -> list[Array]:
        """Draw a line in the style of its role; return the visible parts, in paper mm."""
        return self.pen.line(self.view.at(line), role, self.view.clip, width)

    def hatch(self, area: BaseGeometry, *, cross: bool) -> None:
        placed = shapely.transform(area, self.view.at).buffer(0)  # repairs what rotation and rounding made invalid
        self.pen.hatch(placed.intersection(shapely.box(*self.view.clip)), cross=cross)

    def lines_of(self, change: Change) -> None:
        """Draw hatching, outlines, darts, balance lines, cut, hinge and grainline."""
        self.hatch(change.added, cross=False)
        self.hatch(change.removed, cross=True)
        for line in change.new.lines.values():
            self.line(line, "balance")
        for one, other in zip(change.old.darts, change.new.darts, strict=False):
            if any(apart(a, b) > SEEN_MM for a, b in zip(one.ends, other.ends, strict=True)):
                self.line(one.ends, "old")
        self.outline(change.old, "old")
        if change.old_grain is not None:
            self.line(change.old_grain, "old")
        self.darts(change.new)
        self.outline(change.new, "new")
        self.grain(change.grain)
        if change.cut is not None:
            self.line(change.cut.line, "cut")
            if change.cut.hinged:
                self.hinge(change.cut.end)

    def outline(self, piece: Piece, role: str, width: float | None = None) -> None:
        self.line(np.concatenate([piece.outline, piece.outline[:1]]), role, width)

    def ground(self, piece: Piece) -> None:
        """Draw a piece in thin lines."""
        for line in piece.lines.values():
            self.line(line, "balance")
        self.darts(piece)
        self.outline(piece, "part")

    def edges(self, *areas: BaseGeometry | None) -> None:
        """Draw the edges of areas in thin lines."""
        for part in get_parts(areas):
            if part.geom_type == "Polygon":
                self.line(np.asarray(part.exterior.coords), "part")

    def darts(self, piece: Piece) -> None:
        for dart in piece.darts:
            self.line(dart.ends, "dart")

    def grain(self, grain: Array) -> None:
        """Draw a grainline with an arrowhead at each end."""
        for part in self.line(grain, "grain"):
            for tip, other in ((part[0], part[-1]), (part[-1], part[0])):
                self.pen.fill(pointed(tip, unit(other - tip) * 2.6, 0.75 / 2.6), 0.0, "grain")

    def hinge(self, hinge: Array) -> None:
        self.pen.ring(self.view.xy(hinge), 1.4, "hinge")

    def names(self, change: Change, *, working: bool) -> None:
        """Label the lines; `working`: label the alteration itself too."""
        cut, piece = change.cut, change.new
        if working:
            self.amounts(change)
        if working and cut is not None:
            if cut.hinged:
                self.hinge_word(cut.end)
            self.cut_word(cut)
        for name, line in piece.lines.items():
            self.word_along(line, name, (0.8, 0.7, 0.87, 0.6, 0.4, 0.3, 0.2))
        self.word_along(change.grain, "grain", (0.3, 0.4, 0.22, 0.5, 0.6, 0.7, 0.8))
        if working and piece.darts:
            dart, ways = piece.darts[0], ((0, 1), (1, 1), (-1, 1), (1, 0), (-1, 0))
            spots = [beside(self.view.xy(dart.tip), way, "dart", LABEL, 1.0) for way in ways]
            middle = self.view.at(np.array([(dart.left + dart.right) / 2, dart.tip]))
            self.pen.label("dart", [*spots, *along(middle, 9, (0.5, 0.3), gap=2.0)], self.view.clip, over="lines")
        for seam in piece.part.seams:
            true = working and seam in change.true
            self.word_along(piece.seams[seam], piece.part.word(seam) + (": true" if true else ""), SHARES, bold=true)

    def cut_word(self, cut: Cut) -> None:
        self.pen.label("cut", along(self.view.at(cut.line), 9, SHARES), self.view.clip)

    def hinge_word(self, hinge: Array) -> None:
        at = self.view.xy(hinge)
        self.pen.label("hinge", around(at, "hinge", LABEL, (2.2, 4.0, 7.0)), self.view.clip, leader=at)

    def amounts(self, change: Change) -> None:
        """Draw all arrows, then the amounts, so that none is covered."""
        words = []
        for mark in change.marks:
            text = format_given(mark.amount, change.units)
            away = None if mark.away is None else (float(mark.away[0]), -float(mark.away[1]))
            words.append((text, *self.pen.dimension(self.view.xy(mark.a), self.view.xy(mark.b), text, away)))
        for text, middle, spots in words:
            self.pen.label(text, spots, self.view.clip, Letters(10.0, bold=True, role="amount"), leader=middle)

    def word_along(self, line: Array, text: str, shares: Sequence[float], *, bold: bool = False) -> None:
        """Label a line along its left side (outside a seam) if possible; horizontally beside it if the line is short."""
        parts = clipped(self.view.at(line), self.view.clip)
        part = max(parts, key=length, default=np.zeros((1, 2)))
        if length(part) < 6.0:
            return
        letters = LABEL._replace(bold=bold)
        spots = [
            along(part, 9, shares),
            *(around(tuple(part[len(part) * n // 4]), text, letters, (1.2, 4.0)) for n in (2, 3, 1)),
        ]
        if length(part) < letters.width(text):
            spots = [*spots[1:], spots[0]]
        self.pen.label(text, chain(*spots), self.view.clip, letters, over="labels" if bold else "lines")


def key(pen: Pen, box: Box, changes: Sequence[Change], columns: int) -> float:
    """Draw the key to the lines and hatchings in use; return the y where it ends."""
    kinds = {change.kind for change in changes}
    double = kinds & {"close", "overlap", "fold out"}
    rows = {
        "new": ("new line", kinds != {"none"}),
        "old": ("line before", kinds != {"none"}),
        "cut": ("cut", any(change.cut for change in changes)),
        "hinge": ("hinge: leave it joined", kinds & {"open", "close"}),
        "added": ("paper added", any(not change.added.is_empty for change in changes)),
        "removed": (
            "paper lies double" if double else "paper taken away",
            any(not change.removed.is_empty for change in changes),
        ),
        ": true": ("smooth this seam", any(change.true for change in changes)),
    }
    used = [(role, text) for role, (text, wanted) in rows.items() if wanted]
    step = (box[2] - box[0]) / columns
    for number, (role, text) in enumerate(used):
        x, y = box[0] + step * (number % columns), box[1] + 3.0 + 5.6 * (number // columns)
        if role == "hinge":
            pen.ring((x + 5, y), 1.4, "hinge")
        elif role in ("added", "removed"):
            pen.hatch(shapely.box(x, y - 1.9, x + 10, y + 1.9), cross=role == "removed")
            pen.line([(x, y - 1.9), (x + 10, y - 1.9), (x + 10, y + 1.9), (x, y + 1.9), (x, y - 1.9)], "frame")
        elif role == ": true":
            pen.text(x + 5, y + 1.1, role, Letters(9, bold=True, role="key"), anchor="middle")
        else:
            pen.line([(x, y), (x + 10, y)], role)
        pen.text(x + 12.5, y + 1.1, text, Letters(9, role="key"))
    return box[1] + 5.6 * -(-len(used) // columns)


def changes_of(before: Pattern, step: Step, units: Units) -> list[Change]:
    """The change of each piece, back first; unchanged pieces are left out unless all are."""
    own = before.of(step.side)
    every = [
        change_of(own.pieces[name], step.altered[name], abs(step.amount), units)
        for name in reversed(tuple(own.pieces))
        if name in step.altered
    ]
    return [change for change in every if change.kind != "none"] or every[:1]


def drawing(
    before: Pattern, step: Step, units: Units, title: str = "", notes: Sequence[str] = (), *, as_cut: bool = False
) -> Drawing:
    """The page for one alteration: each altered piece whole, with the changed part enlarged where that helps.

    The new line is drawn trued, or with the steps left by the cut (`as_cut`).
    `notes`: lines below the title, such as client, day and all alterations.
    """
    changes = changes_of(before, step, units)
    if not as_cut:
        changes = [replace(change, new=true_piece(change.new)[0]) for change in changes]
    title = title or _default_title(step)
    pen = Pen(PAGE[2], PAGE[3])
    y = pen.paragraph(0, 5.0, title, Letters(15, bold=True, role="title"), PAGE[2], 6.5, most=2)
    y = _notes_at(pen, notes, y - 1.5) + 1.5 if notes else y
    instructions = _instructions(changes)
    for text in instructions:
        y = pen.paragraph(0, y, text, Letters(10.5, role="told"), PAGE[2], 4.8) + 1.0
    end = _figures(pen, changes, y + 4.0)
    end = key(pen, (0.0, end + 3, PAGE[2], end + 3), changes, 3)
    pen.text(0, end + 4.5, CAUTION, Letters(9, role="caution"))
    return pen.done(title, " ".join([*notes, *instructions, CAUTION]), height=end + 6.0)


def _default_title(step: Step) -> str:
    return step.alteration.replace("-", " ").capitalize()


def _notes_at(pen: Pen, notes: Sequence[str], y: float) -> float:
    """Print notes in small type; return the y below them."""
    for note in notes:
        y = pen.paragraph(0, y, note, Letters(9, role="note"), PAGE[2], 4.2)
    return y


def _instructions(changes: Sequence[Change]) -> list[str]:
    """What to do and true, a line per piece; one line if it is the same for both."""
    lines = {change.name: f"{sentence(change)} {to_true(change)}" for change in changes}
    if len(set(lines.values())) < len(lines):
        return [f"{' and '.join(lines).capitalize()}: {next(iter(lines.values()))}"]
    return [f"{side.capitalize()}: {line}" for side, line in lines.items()]


def _figures(pen: Pen, changes: Sequence[Change], top: float) -> float:
    """Draw the pieces side by side; or in rows, whole and enlarged, where that shows more. Return the y where they end."""
    bottom, count = PAGE[3] - FOOT_MM, len(changes)
    column, row = PAGE[2] / count, (bottom - top) / count
    cells = [(column * n, top, column * (n + 1), bottom) for n in range(count)]
    least = min(fitted(_whole(change), cell, (24, 10)).scale for change, cell in zip(changes, cells, strict=True))
    plain = [
        fitted(_whole(change), cell, (24, 10), snug=True, most=least)
        for change, cell in zip(changes, cells, strict=True)
    ]
    narrow = 56.0 if count == 1 else 44.0
    pairs: list[tuple[View, View]] = []
    start = top
    for change in changes:
        whole = fitted(_whole(change), (0.0, start, narrow, start + row - 7), (5, 6), snug=True)
        detail = fitted(place_of(change), (narrow + 5, start, PAGE[2], start + row - 7), (13, 9), snug=True)
        pairs.append((whole, detail))
        start = max(whole.clip[3], detail.clip[3]) + 7
    if all(detail.scale < DETAIL_GAIN * view.scale for view, (_, detail) in zip(plain, pairs, strict=True)):
        for change, view in zip(changes, plain, strict=True):
            _figure(pen, view, change, change.name, working=True)
        return max(view.clip[3] for view in plain)
    for change, (whole, detail) in zip(changes, pairs, strict=True):
        _figure(pen, whole, change, f"{change.name}, whole", working=False)
        _window(pen, whole, detail)
        _figure(pen, detail, change, f"{change.name}, enlarged", working=True)
    return start - 7


def _figure(pen: Pen, view: View, change: Change, caption: str, *, working: bool) -> None:
    pen.text(view.clip[0] + 0.5, view.clip[1] - 1.5, caption.capitalize(), Letters(9, role="caption"))
    figure = Figure(pen, view)
    figure.lines_of(change)
    figure.names(change, working=working)


def _window(pen: Pen, whole: View, detail: View) -> None:
    """Frame the detail, and show its position on the whole piece with a dotted frame."""
    pen.frame(detail.clip)
    inside = (corners(detail.clip) - (detail.x, detail.y)) / (detail.scale, -detail.scale)
    pen.line(whole.at(inside), "window", whole.clip)


# -- step by step ------------------------------------------------------------------------------------------------------


Painter = Callable[[Figure, Change], None]


def strip(before: Pattern, step: Step, units: Units, title: str = "", notes: Sequence[str] = ()) -> Drawing:
    """Three to five small pictures of one alteration, each with a short caption; one if nothing is drawn on paper.

    If front and back are altered alike, the back is shown.
    """
    changes = changes_of(before, step, units)
    change = changes[0]
    pictures = _pictures(change)
    title = f"{title or _default_title(step)}, step by step"
    if len(changes) > 1:
        title += f" ({changes[0].name}; the {changes[1].name} {_beside(step, changes, units)})"
    wide, most, words = STRIP_CELL
    high = fitted(place_of(change), (0.0, 0.0, wide, most), STRIP_PAD, snug=True).clip[3]
    pen = Pen(PAGE[2], PAGE[3], hatching=1.2)
    below = pen.paragraph(0, 4.5, title, Letters(12, bold=True, role="title"), PAGE[2], 5.0, most=2)
    first = _notes_at(pen, notes, below) - 1.5
    end = first + 1.0 + -(-len(pictures) // 3) * (high + words)
    for number, (caption, paint) in enumerate(pictures):
        left, top = (wide + 5.0) * (number % 3), first + (high + words) * (number // 3)
        bottom = top + high
        cell = (left, top, left + wide, bottom)
        paint(Figure(pen, fitted(place_of(change), cell, STRIP_PAD)), change)
        pen.frame(cell)
        pen.text(left, bottom + 4.5, str(number + 1), Letters(11, bold=True, role="number"))
        pen.paragraph(left + 6, bottom + 4.5, caption, Letters(9, role="caption"), wide - 6, 4.0)
    if len(pictures) == 5:
        key(pen, ((wide + 5.0) * 2, first + high + words, PAGE[2], end), [change], 1)
    steps = " ".join(f"{number}. {caption}" for number, (caption, _) in enumerate(pictures, 1))
    return pen.done(title, " ".join([*notes, steps]), height=end)


def _pictures(change: Change) -> list[tuple[str, Painter]]:
    """The captions and painters of an alteration, in working order."""
    texts = captions(change)
    return [*zip(texts[:-1], _painters(change), strict=False), (texts[-1], _trued if texts[1:] else _before)]


def _painters(change: Change) -> list[Painter]:
    """The painters of all but the last picture, which shows the piece trued."""
    cut: list[Painter] = [_before, partial(_before, open_cut=True)]
    new_grain = partial(_redrawn, grain=True)
    if change.kind in ("open", "close", "spread", "overlap", "widen", "fold out"):
        return [*cut, _joined, partial(_joined, grain=True)]
    if change.kind == "slide":
        return [*cut, _slid, new_grain]
    if change.kind == "grain":
        return [_marked, new_grain]
    return [_before if change.kind == "slit" else _marked, _redrawn, new_grain]


def _before(figure: Figure, change: Change, hinges: Sequence[Array] = (), *, open_cut: bool = False) -> None:
    """Draw the piece as it is, with the line to cut along or the new edge; `open_cut`: with the cut made."""
    cut = change.cut
    figure.ground(change.old)
    figure.grain(change.old.grain)
    figure.word_along(change.old.grain, "grain", SHARES)
    if cut is None:
        figure.outline(change.new, "cut")
    else:
        figure.line(cut.line, "part" if open_cut else "cut", 0.9 if open_cut else None)
        figure.cut_word(cut)
        hinges = [cut.end] if open_cut and cut.hinged else hinges
    _hinge_rings(figure, hinges)


def _joined(figure: Figure, change: Change, *, grain: bool = False) -> None:
    """Draw both parts in their new position with the amount; or (`grain`) with the grainline and the lines added afterwards."""
    cut = change.cut
    assert cut is not None and change.lower is not None and change.upper is not None
    gap = change.added if change.opened else change.removed
    figure.hatch(gap.difference(change.extra), cross=not change.opened)
    figure.edges(change.lower, change.upper)
    if not (grain and cut.hinged) or change.extra.is_empty:
        moved = tuple(Dart.of(cut.move(dart.ends)) for dart in change.old.darts)
        figure.darts(replace(change.old, darts=moved))
    else:
        figure.darts(change.new)
        figure.hatch(change.extra, cross=False)
        figure.outline(change.new, "new")
        figure.amounts(replace(change, marks=change.marks[1:]))
    if cut.hinged:
        figure.hinge(cut.end)
    if not grain:
        figure.amounts(replace(change, marks=change.marks[:1]))
        return
    if change.old_grain is not None:
        figure.line(change.old_grain, "old")
    figure.grain(change.grain)
    figure.word_along(change.grain, "grain", (0.3, 0.5, 0.2, 0.7, 0.8))


def _slid(figure: Figure, change: Change) -> None:
    """Draw the section slid along its cut."""
    cut = change.cut
    assert cut is not None
    below, above = parted(Polygon(change.old.outline), cut)
    tip = Point(*change.marks[0].a)
    section = min([*get_parts(below), *get_parts(above)], key=tip.distance)
    moved = shapely.transform(section, cut.move)
    figure.outline(change.old, "old")
    figure.edges(Polygon(change.old.outline).difference(section.buffer(0.01)), moved)
    start, tip = (figure.view.xy(cut.start + (cut.end - cut.start) * share) for share in (0.35, 0.75))
    figure.pen.arrow(tip, start)
    figure.amounts(change)


def _marked(figure: Figure, change: Change) -> None:
    """Draw the old piece with the amounts marked on it."""
    figure.ground(change.old)
    if change.kind in ("grain", "swing"):
        figure.grain(change.old.grain)
    for mark in change.marks:
        figure.pen.dot(figure.view.xy(mark.b), 0.8, 0.0, "mark")
    figure.amounts(change)


def _redrawn(figure: Figure, change: Change, *, grain: bool = False) -> None:
    """Draw old and new lines with the strip between them."""
    figure.lines_of(replace(change, cut=None, grain=change.grain if grain else points([[0, 0], [0, 0]])))
    if grain:
        figure.word_along(change.grain, "grain", (0.5, 0.3, 0.2, 0.7, 0.8))


def _trued(figure: Figure, change: Change) -> None:
    """Draw the new piece, the trued seams thick and labelled."""
    piece, _ = true_piece(change.new)
    figure.ground(piece)
    figure.grain(change.grain)
    for seam in change.true:
        figure.line(piece.seams[seam], "new", 0.8)
    for seam in change.true:
        figure.word_along(piece.seams[seam], piece.part.word(seam), SHARES)


# -- before and after --------------------------------------------------------------------------------------------------


def states_of(pattern: Pattern, step: Step, units: Units, *, hinged: bool) -> tuple[tuple[Drawing, ...], str]:
    """Drawings of the pattern before and after an alteration, each titled with what to do; and a note on which pieces are drawn.

    Empty if the paper does not change. `hinged`: part of the pattern stays joined.
    """
    changes = changes_of(pattern, step, units)
    if not changes or changes[0].kind == "none":
        return (), ""
    change = replace(changes[0], new=true_piece(changes[0].new)[0])
    hinges = _hinges(change) if hinged else []
    box = _with_grain(place_of(change), change)
    cell = fitted(box, (0.0, 0.0, WIDE, HIGH), PAD, snug=True).clip
    texts = captions(change)
    first = 1 if len(texts) == 5 else 0  # before anything is moved or redrawn
    drawings = []
    for when, paint, caption in (
        ("before", _before, texts[first]),
        ("after", _after, texts[min(first + 1, len(texts) - 1)]),
    ):
        pen = Pen(cell[2], cell[3], hatching=1.2)
        paint(Figure(pen, fitted(box, cell, PAD)), change, hinges)
        words = f"The {change.name}, {when}. {caption}"
        drawings.append(pen.done(words, words))
    if len(changes) == 1:
        return tuple(drawings), ""
    alike = f"The {change.name} is drawn; the {changes[1].name} is done {_beside(step, changes, units)}."
    return tuple(drawings), alike


def _beside(step: Step, changes: Sequence[Change], units: Units) -> str:
    """How the second piece is changed, beside the first, which is drawn: alike, or by less than it."""
    drawn, other = (max(abs(done.by) for done in step.altered[change.name].did) for change in changes[:2])
    return "alike" if abs(drawn - other) < 0.01 else f"the same way by {format_given(other, units)}"


def _after(figure: Figure, change: Change, hinges: Sequence[Array]) -> None:
    """Draw the new piece over the old, with the paper added or lying double and the amount."""
    figure.lines_of(replace(change, cut=None))
    figure.amounts(change)
    _hinge_rings(figure, hinges)
    figure.word_along(change.grain, "grain", SHARES)


def _hinge_rings(figure: Figure, hinges: Sequence[Array]) -> None:
    left, top, right, bottom = figure.view.clip
    places = [(hinge, *figure.view.xy(hinge)) for hinge in hinges]
    inside = [hinge for hinge, x, y in places if left <= x <= right and top <= y <= bottom]
    for hinge in inside:
        figure.hinge(hinge)
    for hinge in inside[:1]:
        figure.hinge_word(hinge)


def _hinges(change: Change) -> list[Array]:
    """The fixed points: the hinge of the cut, or where the new edge leaves the old one."""
    if change.cut is not None and change.cut.hinged:
        return [change.cut.end]
    hinges: list[Array] = [
        one.tip
        for one, other in zip(change.old.darts, change.new.darts, strict=False)
        if change.kind == "darts" and max(apart(one.left, other.left), apart(one.tip, other.tip)) > _ON
    ]
    kept = LinearRing(change.new.outline).intersection(LinearRing(change.old.outline).buffer(_ON))
    for at in (np.array([end.x, end.y]) for end in get_parts(kept.boundary)):
        if all(apart(at, hinge) > _APART for hinge in hinges):
            hinges.append(at)
    moved = [end for mark in change.marks for end in (mark.a, mark.b)]
    near = max(_NEAR, 2 * change.amount)
    return [hinge for hinge in hinges if all(apart(hinge, end) > near for end in moved)] or hinges


def _with_grain(box: Box, change: Change) -> Box:
    """Extend bounds (pattern mm) until they contain the old and the new grainline."""
    left, low, right, high = box
    for grain in (change.old.grain, change.grain):
        ends = grain[np.argsort(grain[:, 1])]
        at = np.interp([max(low, ends[0, 1]), min(high, ends[-1, 1])], ends[:, 1], ends[:, 0])
        left, right = min(left, float(at.min()) - 8.0), max(right, float(at.max()) + 8.0)
        if ends[0, 1] > high - 20.0 or ends[-1, 1] < low + 20.0:  # it lies above or below the bounds
            low, high = min(low, float(ends[-1, 1]) - 60.0), max(high, float(ends[0, 1]) + 60.0)
    return left, low, right, high
