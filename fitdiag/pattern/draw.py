"""What a fitter needs to see of one alteration: the page with old and new lines.

It is drawn from the pattern before and the step carried out. Paper that is added is hatched, paper that is taken away (cut
off, or lying double) is hatched crosswise; nothing depends on colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fitdiag.pattern.alter import Cut
from fitdiag.pattern.change import SEEN_MM, Change, change_of, sentence, to_true
from fitdiag.pattern.ink import LABEL, XY, Box, Drawing, Letters, Pen, along, around, beside, clipped, corners, pointed
from fitdiag.pattern.moves import Step
from fitdiag.pattern.piece import Array, Pattern, Piece, apart, length, unit
from fitdiag.pattern.true import true_piece
from fitdiag.units import Units, format_given

PAGE: Box = (0.0, 0.0, 190.0, 270.0)  # fits A4 and, a little smaller, Letter
FOOT_MM = 26.0
DETAIL_GAIN = 1.3  # an enlarged part is drawn when it is at least this much larger
SHARES = (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8)  # of a line's length: where its name may stand
CAUTION = "Try it with pins, or on a copy, before you cut. Write the amount on the pattern."


@dataclass(frozen=True, eq=False)
class View:
    """Where pattern millimetres come to lie on paper: a scale, the place of the origin, and the box that is shown."""

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

    def area(self, geometry: BaseGeometry) -> BaseGeometry:
        placed = shapely.transform(geometry, self.at).buffer(0)  # what turning and rounding made invalid is mended
        result: BaseGeometry = placed.intersection(shapely.box(*self.clip))
        return result


def fitted(bounds: Box, cell: Box, pad: tuple[float, float], *, snug: bool = False, most: float = 1.0) -> View:
    """A view that shows `bounds` (pattern mm: left, bottom, right, top) as large as a cell and `most` allow.

    `pad`: room on paper for words, mm. A snug view takes no more height of the cell than it needs.
    """
    wide, high = max(bounds[2] - bounds[0], 1.0), max(bounds[3] - bounds[1], 1.0)
    scale = min((cell[2] - cell[0] - 2 * pad[0]) / wide, (cell[3] - cell[1] - 2 * pad[1]) / high, most)
    if snug:
        cell = (cell[0], cell[1], cell[2], cell[1] + high * scale + 2 * pad[1])
    x = (cell[0] + cell[2]) / 2 - (bounds[0] + bounds[2]) / 2 * scale
    y = (cell[1] + cell[3]) / 2 + (bounds[1] + bounds[3]) / 2 * scale
    return View(scale, x, y, cell)


def _bounds(*lines: Array) -> Box:
    points = np.concatenate(lines)
    left, top = points.min(axis=0)
    right, bottom = points.max(axis=0)
    return float(left), float(top), float(right), float(bottom)


def _whole(change: Change) -> Box:
    return _bounds(change.old.outline, change.new.outline)


def place_of(change: Change) -> Box:
    """The part of the piece where something happens, with some room round it."""
    found = [np.array([mark.a, mark.b]).reshape(-1, 2) for mark in change.marks]
    found += [np.reshape(area.bounds, (2, 2)) for area in (change.added, change.removed) if not area.is_empty]
    if change.cut is not None:
        found.append(np.array([change.cut.start, change.cut.end]))
    if change.kind in ("open", "close"):
        found += [change.new.top, change.old.top]
    if change.kind == "darts":
        found += [dart.ends for dart in (*change.old.darts, *change.new.darts)]
    if not found or change.kind == "grain":
        return _whole(change)
    box, whole = _bounds(*found), _whole(change)
    left, right = max(box[0] - 30, whole[0]), min(box[2] + 30, whole[2])
    low, high = max(box[1] - 30, whole[1]), min(box[3] + 30, whole[3])
    low = max(min(low, high - 0.6 * (right - left)), whole[1])  # neither a ribbon lying down
    high = min(max(high, low + 0.6 * (right - left)), whole[3])
    right = min(max(right, left + 0.5 * (high - low)), whole[2])  # nor one standing up
    left = max(min(left, right - 0.5 * (high - low)), whole[0])
    return left, low, right, high


@dataclass(frozen=True, eq=False)
class Figure:
    """What is drawn of a change in one view: everything is given in pattern millimetres."""

    pen: Pen
    view: View

    def line(self, line: Array, role: str, width: float | None = None) -> list[Array]:
        """A line in the style of its role; the parts that were drawn, on paper."""
        return self.pen.line(self.view.at(line), role, self.view.clip, width)

    def hatch(self, area: BaseGeometry, *, cross: bool) -> None:
        self.pen.hatch(self.view.area(area), cross=cross)

    def lines_of(self, change: Change) -> None:
        """Hatching, outlines, darts, balance lines, cut, hinge and grainline."""
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

    def darts(self, piece: Piece) -> None:
        for dart in piece.darts:
            self.line(dart.ends, "dart")

    def grain(self, grain: Array) -> None:
        """A grainline with a head at each end."""
        for part in self.line(grain, "grain"):
            for tip, other in ((part[0], part[-1]), (part[-1], part[0])):
                self.pen.fill(pointed(tip, unit(other - tip) * 2.6, 0.75 / 2.6), 0.0, "grain")

    def hinge(self, hinge: Array) -> None:
        self.pen.ring(self.view.xy(hinge), 1.4, "hinge")

    def names(self, change: Change, *, working: bool) -> None:
        """The words of a figure; `working`: those of the alteration itself too."""
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
        """All arrows first, then the figures, so that none is drawn over."""
        words = []
        for mark in change.marks:
            text = format_given(mark.amount, change.units)
            away = None if mark.away is None else (float(mark.away[0]), -float(mark.away[1]))
            words.append((text, *self.pen.dimension(self.view.xy(mark.a), self.view.xy(mark.b), text, away)))
        for text, middle, spots in words:
            self.pen.label(text, spots, self.view.clip, Letters(10.0, bold=True, role="amount"), leader=middle)

    def word_along(self, line: Array, text: str, shares: Sequence[float], *, bold: bool = False) -> None:
        """A text along a line, rather on its left hand (outside a seam); level beside it when the line is short."""
        parts = clipped(self.view.at(line), self.view.clip)
        part = max(parts, key=length, default=np.zeros((1, 2)))
        if length(part) < 6.0:
            return
        spots, letters = along(part, 9, shares), LABEL._replace(bold=bold)
        beyond = [
            spot for n in (2, 3, 1) for spot in around(tuple(part[len(part) * n // 4]), text, letters, (1.2, 4.0))
        ]
        if length(part) < letters.width(text):
            spots = [*beyond, *spots]
        self.pen.label(text, [*spots, *beyond], self.view.clip, letters, over="labels" if bold else "lines")


def key(pen: Pen, box: Box, changes: Sequence[Change], columns: int) -> float:
    """What the lines and hatchings mean: only those that are used. The height where it ends."""
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
    """What the step does to each piece, the back first; pieces that stay as they are are left out when another does not."""
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
    """The page for one alteration: each altered piece whole, and the place of the change enlarged where that helps.

    The new line is drawn trued, or with the steps that the cut leaves (`as_cut`).
    `notes`: lines below the title, as for whom it is, the day, and all that is done to the pattern.
    """
    changes = changes_of(before, step, units)
    if not as_cut:
        changes = [replace(change, new=true_piece(change.new)[0]) for change in changes]
    title = title or step.alteration.replace("-", " ").capitalize()
    pen = Pen(PAGE[2], PAGE[3])
    y = pen.paragraph(0, 5.0, title, Letters(15, bold=True, role="title"), PAGE[2], 6.5, most=2)
    y = notes_at(pen, notes, y - 1.5) + 1.5 if notes else y
    told = _told(changes)
    for text in told:
        y = pen.paragraph(0, y, text, Letters(10.5, role="told"), PAGE[2], 4.8) + 1.0
    end = _figures(pen, changes, y + 4.0)
    end = key(pen, (0.0, end + 3, PAGE[2], end + 3), changes, 3)
    pen.text(0, end + 4.5, CAUTION, Letters(9, role="caution"))
    return pen.done(title, " ".join([*notes, *told, CAUTION]), height=end + 6.0)


def notes_at(pen: Pen, notes: Sequence[str], y: float) -> float:
    """Lines in small print; the height below them."""
    for note in notes:
        y = pen.paragraph(0, y, note, Letters(9, role="note"), PAGE[2], 4.2)
    return y


def _told(changes: Sequence[Change]) -> list[str]:
    """What is done and trued, in a line per piece; in one when it is the same for both."""
    lines = {change.name: f"{sentence(change)} {to_true(change)}" for change in changes}
    if len(set(lines.values())) < len(lines):
        return [f"{' and '.join(lines).capitalize()}: {next(iter(lines.values()))}"]
    return [f"{side.capitalize()}: {line}" for side, line in lines.items()]


def _figures(pen: Pen, changes: Sequence[Change], top: float) -> float:
    """The pieces, side by side; or each in a row, whole and enlarged, where that shows more. The height where they end."""
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
    """A frame round the enlarged part, and on the whole piece a dotted one where it lies."""
    pen.frame(detail.clip)
    inside = (corners(detail.clip) - (detail.x, detail.y)) / (detail.scale, -detail.scale)
    pen.line(whole.at(inside), "window", whole.clip)
