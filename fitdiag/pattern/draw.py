"""What a fitter needs to see of one alteration: the page with old and new lines, and a strip of small pictures, step by step.

Both are drawn from the pattern before and the step carried out. Paper that is added is hatched, paper that is taken away (cut
off, or lying double) is hatched crosswise; nothing depends on colour.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from fitdiag.pattern.change import (
    SEEN_MM,
    Change,
    carry,
    change_of,
    ends_of,
    extra_words,
    filled,
    grain_of,
    open_edge,
    opens,
    parallel,
    parted,
    sentence,
    slid_from,
    tips_move,
    to_true,
)
from fitdiag.pattern.ink import (
    XY,
    Box,
    Drawing,
    Item,
    Pen,
    Stroke,
    along,
    around,
    beside,
    clipped,
    lowered,
    svg,
    text_width,
    wrapped,
)
from fitdiag.pattern.moves import Step
from fitdiag.pattern.piece import Array, Dart, Pattern, Piece, length, points
from fitdiag.pattern.true import true_piece
from fitdiag.units import Units, format_length

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["Drawing", "drawing", "strip", "svg", "together"]

PAGE: Box = (0.0, 0.0, 190.0, 270.0)  # fits A4 and, a little smaller, Letter
FOOT_MM = 26.0
APART_MM = 12.0  # between drawings that stand one below the other
DETAIL_GAIN = 1.3  # an enlarged part is drawn when it is at least this much larger
SHARES = (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8)  # of a line's length: where its name may stand
CAUTION = "Try it with pins, or on a copy, before you cut. Write the amount on the pattern."


@dataclass(frozen=True, eq=False)
class _View:
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
        from shapely import box, transform  # noqa: PLC0415

        placed = transform(geometry, self.at).buffer(0)  # what turning and rounding made invalid is mended
        result: BaseGeometry = placed.intersection(box(*self.clip))
        return result


def _fitted(bounds: Box, cell: Box, pad: tuple[float, float], *, snug: bool = False, most: float = 1.0) -> _View:
    """A view that shows `bounds` (pattern mm: left, bottom, right, top) as large as a cell and `most` allow.

    `pad`: room on paper for words, mm. A snug view takes no more height of the cell than it needs.
    """
    wide, high = max(bounds[2] - bounds[0], 1.0), max(bounds[3] - bounds[1], 1.0)
    scale = min((cell[2] - cell[0] - 2 * pad[0]) / wide, (cell[3] - cell[1] - 2 * pad[1]) / high, most)
    if snug:
        cell = (cell[0], cell[1], cell[2], cell[1] + high * scale + 2 * pad[1])
    x = (cell[0] + cell[2]) / 2 - (bounds[0] + bounds[2]) / 2 * scale
    y = (cell[1] + cell[3]) / 2 + (bounds[1] + bounds[3]) / 2 * scale
    return _View(scale, x, y, cell)


def _bounds(*lines: Array) -> Box:
    every = np.concatenate(lines)
    low, high = every.min(axis=0), every.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _whole(change: Change) -> Box:
    return _bounds(change.old.outline, change.new.outline)


def _place(change: Change) -> Box:
    """The part of the piece where something happens, with some room round it."""
    found = [np.array([mark.a, mark.b]).reshape(-1, 2) for mark in change.marks]
    for area in (change.added, change.removed):
        if not area.is_empty:
            left, low, right, high = area.bounds
            found.append(np.array([[left, low], [right, high]]))
    if change.cut is not None:
        found.append(np.array([change.cut.start, change.cut.end]))
    if change.kind in ("open", "close"):
        found += [change.new.seams[change.new.part.seams[0]], change.old.seams[change.old.part.seams[0]]]
    if change.kind == "darts":
        found += [np.array(ends_of(dart)) for dart in (*change.old.darts, *change.new.darts)]
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


def _lines(pen: Pen, view: _View, change: Change) -> None:
    """Hatching, outlines, darts, balance lines, cut, hinge and grainline."""
    clip = view.clip
    pen.hatch(view.area(change.added), cross=False)
    pen.hatch(view.area(change.removed), cross=True)
    for name in change.new.lines:
        pen.line(view.at(change.new.lines[name]), "balance", clip)
    for one, other in zip(change.old.darts, change.new.darts, strict=False):
        if any(np.hypot(*(a - b)) > SEEN_MM for a, b in zip(ends_of(one), ends_of(other), strict=True)):
            pen.line(view.at(np.array([one.left, one.tip, one.right])), "old", clip)
    _outline(pen, view, change.old, "old")
    if change.old_grain is not None:
        pen.line(view.at(change.old_grain), "old", clip)
    _darts(pen, view, change.new)
    _outline(pen, view, change.new, "new")
    _grain_arrow(pen, view, change.grain)
    _cut_line(pen, view, change)


def _outline(pen: Pen, view: _View, piece: Piece, role: str, width: float | None = None) -> None:
    closed = np.concatenate([piece.outline, piece.outline[:1]])
    pen.line(view.at(closed), role, view.clip, width)


def _darts(pen: Pen, view: _View, piece: Piece) -> None:
    for dart in piece.darts:
        pen.line(view.at(np.array([dart.left, dart.tip, dart.right])), "dart", view.clip)


def _grain_arrow(pen: Pen, view: _View, grain: Array) -> None:
    parts = pen.line(view.at(grain), "grain", view.clip)
    for part in parts:
        first, last = part[0], part[-1]
        for tip, other in ((first, last), (last, first)):
            run = (other - tip) / (np.hypot(*(other - tip)) or 1.0)
            side = np.array([-run[1], run[0]])
            pen.fill(np.array([tip, tip + run * 2.6 + side * 0.75, tip + run * 2.6 - side * 0.75]), 0.0, "grain")


def _cut_line(pen: Pen, view: _View, change: Change) -> None:
    if change.cut is not None:
        pen.line(view.at(np.array([change.cut.start, change.cut.end])), "cut", view.clip)
        if change.cut.hinge is not None:
            pen.ring(view.xy(change.cut.hinge), 1.4, "hinge")


def _names(pen: Pen, view: _View, change: Change, *, working: bool) -> None:
    """The words of a figure; `working`: those of the alteration itself too."""
    cut, piece = change.cut, change.new
    if working:
        _amounts(pen, view, change)
    if working and cut is not None:
        if cut.hinge is not None:
            _hinge_word(pen, view, cut.hinge)
        pen.label("cut", along(view.at(np.array([cut.start, cut.end])), 9, SHARES), view.clip)
    for name, line in piece.lines.items():
        _along_label(pen, view, line, name, (0.8, 0.7, 0.87, 0.6, 0.4, 0.3, 0.2))
    _along_label(pen, view, change.grain, "grain", (0.3, 0.4, 0.22, 0.5, 0.6, 0.7, 0.8))
    if working and piece.darts:
        dart = piece.darts[0]
        spots = [beside(view.xy(dart.tip), way, "dart", 9, 1.0) for way in ((0, 1), (1, 1), (-1, 1), (1, 0), (-1, 0))]
        middle = view.at(np.array([(dart.left + dart.right) / 2, dart.tip]))
        pen.label("dart", [*spots, *along(middle, 9, (0.5, 0.3), gap=2.0)], view.clip, must=False)
    for seam in piece.part.seams:
        true = working and seam in change.true
        name = piece.part.word(seam) + (": true" if true else "")
        _along_label(pen, view, piece.seams[seam], name, SHARES, bold=true)


def _hinge_word(pen: Pen, view: _View, hinge: Array) -> None:
    at = view.xy(hinge)
    pen.label("hinge", around(at, "hinge", 9, (2.2, 4.0, 7.0)), view.clip, leader=at)


def _amounts(pen: Pen, view: _View, change: Change) -> None:
    """All arrows first, then the figures, so that none is drawn over."""
    words = []
    for mark in change.marks:
        text = format_length(mark.amount, change.units)
        away = None if mark.away is None else (float(mark.away[0]), -float(mark.away[1]))
        words.append((text, *pen.dimension(view.xy(mark.a), view.xy(mark.b), text, away)))
    for text, middle, spots in words:
        pen.label(text, spots, view.clip, size=10.0, bold=True, role="amount", leader=middle)


def _along_label(pen: Pen, view: _View, line: Array, text: str, shares: Sequence[float], *, bold: bool = False) -> None:
    """A text along a line, rather on its left hand (outside a seam); level beside it when the line is short."""
    parts = clipped(view.at(line), view.clip)
    lengths = [length(part) for part in parts]
    if not parts or max(lengths) < 6.0:
        return
    part = parts[lengths.index(max(lengths))]
    spots = along(part, 9, shares)
    beyond = [
        spot for n in (2, 3, 1) for spot in around(tuple(part[len(part) * n // 4]), text, 9, (1.2, 4.0), bold=bold)
    ]
    if max(lengths) < text_width(text, 9, bold):
        spots = [*beyond, *spots]
    pen.label(text, [*spots, *beyond], view.clip, bold=bold, must=bold)


def _key(pen: Pen, box: Box, changes: Sequence[Change], columns: int) -> float:
    """What the lines and hatchings mean: only those that are used. The height where it ends."""
    from shapely import box as area  # noqa: PLC0415

    kinds = {change.kind for change in changes}
    double = kinds & {"close", "overlap"} or any(c.kind == "widen" and not opens(c.kind, c.did) for c in changes)
    rows: list[tuple[str, str]] = [("new", "new line"), ("old", "line before")] if kinds != {"none"} else []
    rows += [("cut", "cut")] if any(change.cut for change in changes) else []
    rows += [("hinge", "hinge: leave it joined")] if kinds & {"open", "close"} else []
    rows += [("added", "paper added")] if any(not change.added.is_empty for change in changes) else []
    rows += (
        [("removed", "paper lies double" if double else "paper taken away")]
        if any(not change.removed.is_empty for change in changes)
        else []
    )
    rows += [(": true", "smooth this seam")] if any(change.true for change in changes) else []
    step = (box[2] - box[0]) / columns
    for number, (role, text) in enumerate(rows):
        x, y = box[0] + step * (number % columns), box[1] + 3.0 + 5.6 * (number // columns)
        if role == "hinge":
            pen.ring((x + 5, y), 1.4, "hinge")
        elif role in ("added", "removed"):
            pen.hatch(area(x, y - 1.9, x + 10, y + 1.9), cross=role == "removed")
            pen.line([(x, y - 1.9), (x + 10, y - 1.9), (x + 10, y + 1.9), (x, y + 1.9), (x, y - 1.9)], "frame")
        elif role == ": true":
            pen.text(x + 5, y + 1.1, role, 9, anchor="middle", bold=True, role="key")
        else:
            pen.line([(x, y), (x + 10, y)], role)
        pen.text(x + 12.5, y + 1.1, text, 9, role="key")
    return box[1] + 5.6 * -(-len(rows) // columns)


def _changes(before: Pattern, step: Step, units: Units) -> list[Change]:
    """What the step does to each piece, the back first; pieces that stay as they are are left out when another does not."""
    own = before.of(step.side)
    every = [
        change_of(own.piece(name), step.altered[name], abs(step.amount), units)
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
    changes = _changes(before, step, units)
    if not as_cut:
        changes = [replace(change, new=true_piece(change.new)[0]) for change in changes]
    title = title or step.alteration.replace("-", " ").capitalize()
    pen = Pen(PAGE[2], PAGE[3])
    y = 5.0
    for line in wrapped(title, 15, PAGE[2])[:2]:
        pen.text(0, y, line, 15, bold=True, role="title")
        y += 6.5
    y = _notes(pen, notes, y - 1.5) + 1.5 if notes else y
    told = _told(changes)
    for text in told:
        for line in wrapped(text, 10.5, PAGE[2]):
            pen.text(0, y, line, 10.5, role="told")
            y += 4.8
        y += 1.0
    end = _figures(pen, changes, y + 4.0)
    end = _key(pen, (0.0, end + 3, PAGE[2], end + 3), changes, 3)
    pen.text(0, end + 4.5, CAUTION, 9, role="caution")
    return pen.done(title, " ".join([*notes, *told, CAUTION]), height=end + 6.0)


def _notes(pen: Pen, notes: Sequence[str], y: float) -> float:
    """Lines in small print; the height below them."""
    for note in notes:
        for line in wrapped(note, 9, PAGE[2]):
            pen.text(0, y, line, 9, role="note")
            y += 4.2
    return y


def together(drawings: Sequence[Drawing], title: str) -> Drawing:
    """Drawings one below the other, as one; a line keeps them apart."""
    wide, high, items = max(one.width for one in drawings), 0.0, list[Item]()
    for one in drawings:
        if items:
            items.append(Stroke(((0.0, high + APART_MM / 2), (wide, high + APART_MM / 2)), 0.15, (), "frame"))
            high += APART_MM
        items += [lowered(item, high) for item in one.items]
        high += one.height
    return Drawing(title, " ".join(f"{one.title}. {one.desc}" for one in drawings), wide, high, tuple(items))


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
    least = min(_fitted(_whole(change), cell, (24, 10)).scale for change, cell in zip(changes, cells, strict=True))
    plain = [
        _fitted(_whole(change), cell, (24, 10), snug=True, most=least)
        for change, cell in zip(changes, cells, strict=True)
    ]
    narrow = 56.0 if count == 1 else 44.0
    pairs: list[tuple[_View, _View]] = []
    start = top
    for change in changes:
        whole = _fitted(_whole(change), (0.0, start, narrow, start + row - 7), (5, 6), snug=True)
        detail = _fitted(_place(change), (narrow + 5, start, PAGE[2], start + row - 7), (13, 9), snug=True)
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


def _figure(pen: Pen, view: _View, change: Change, caption: str, *, working: bool) -> None:
    pen.text(view.clip[0] + 0.5, view.clip[1] - 1.5, caption.capitalize(), 9, role="caption")
    _lines(pen, view, change)
    _names(pen, view, change, working=working)


def _window(pen: Pen, whole: _View, detail: _View) -> None:
    """A frame round the enlarged part, and on the whole piece a dotted one where it lies."""
    left, top, right, bottom = detail.clip
    pen.line([(left, top), (right, top), (right, bottom), (left, bottom), (left, top)], "frame")
    corners = [
        ((x - detail.x) / detail.scale, (detail.y - y) / detail.scale)
        for x, y in ((left, top), (right, top), (right, bottom), (left, bottom), (left, top))
    ]
    pen.line(whole.at(np.array(corners)), "window", whole.clip)


# Step by step

Painter = Callable[[Pen, _View], None]
CELL: tuple[float, float, float] = (60.0, 64.0, 18.0)  # width and most height of a picture, and of its words
STRIP_PAD = (10.0, 11.0)


def strip(before: Pattern, step: Step, units: Units, title: str = "", notes: Sequence[str] = ()) -> Drawing:
    """Three to five small pictures of one alteration with a short caption each; one when nothing is drawn on paper.

    Where front and back are altered alike the back is shown.
    """
    changes = _changes(before, step, units)
    change = changes[0]
    pictures = _pictures(change)
    title = f"{title or step.alteration.replace('-', ' ').capitalize()}, step by step"
    if len(changes) > 1:
        title += f" ({changes[0].name}; the {changes[1].name} alike)"
    wide, high, words = CELL
    high = _fitted(_place(change), (0.0, 0.0, wide, high), STRIP_PAD, snug=True).clip[3]
    heads = wrapped(title, 12, PAGE[2])[:2]
    rows = sum(len(wrapped(note, 9, PAGE[2])) for note in notes)
    first = 8.0 + 5.0 * (len(heads) - 1) + 4.2 * rows
    pen = Pen(PAGE[2], first + 1.0 + -(-len(pictures) // 3) * (high + words), hatching=1.2)
    for number, line in enumerate(heads):
        pen.text(0, 4.5 + 5.0 * number, line, 12, bold=True, role="title")
    _notes(pen, notes, 4.5 + 5.0 * len(heads))
    for number, (caption, paint) in enumerate(pictures):
        left, top = (wide + 5.0) * (number % 3), first + (high + words) * (number // 3)
        right, bottom = left + wide, top + high
        paint(pen, _fitted(_place(change), (left, top, right, bottom), STRIP_PAD))
        pen.line([(left, top), (right, top), (right, bottom), (left, bottom), (left, top)], "frame")
        pen.text(left, bottom + 4.5, str(number + 1), 11, bold=True, role="number")
        for row, line in enumerate(wrapped(caption, 9, wide - 6)):
            pen.text(left + 6, bottom + 4.5 + 4.0 * row, line, 9, role="caption")
    if len(pictures) == 5:
        _key(pen, ((wide + 5.0) * 2, first + high + words, PAGE[2], pen.height), [change], 1)
    told = " ".join(f"{number}. {caption}" for number, (caption, _) in enumerate(pictures, 1))
    return pen.done(title, " ".join([*notes, told]))


def _pictures(change: Change) -> list[tuple[str, Painter]]:
    amount = format_length(change.amount, change.units)
    true = (
        "True: " + ", ".join(change.old.part.word(seam) for seam in change.true) + ". Smooth lines, no steps.",
        _trued(change),
    )
    top = change.old.part.word(change.old.part.seams[0])
    carry = (f"Carry the grainline of the lower part straight up to the {top}.", _joined(change, grain=True))
    if change.kind in ("open", "close"):
        free, far = open_edge(change)
        laid = (
            f"Overlap it by {amount} at the {free}, to nothing at the hinge."
            if change.kind == "close"
            else f"Open it by {amount} at the {free}. Put paper behind it."
        )
        if not change.extra.is_empty:
            more = f"{extra_words(change).capitalize()} by {format_length(change.marks[-1].amount, change.units)}."
            carry = (
                f"{more} Carry the grainline of the lower part straight up.",
                _joined(change, grain=True, extra=True),
            )
        return [
            (f"Draw the line across the {change.name}, from {free} to {far}.", _drawn(change)),
            (f"Cut from the {free}. Leave a hinge at the {far}.", _drawn(change, open_cut=True)),
            (laid, _joined(change)), carry, true,
        ]  # fmt: skip
    if change.kind in ("spread", "overlap", "widen"):
        laid = (
            f"Overlap the parts by {amount}, the same from edge to edge."
            if not opens(change.kind, change.did)
            else f"Spread the parts by {amount}, the same from edge to edge. Put paper behind."
        )
        return [
            (
                "Draw the line along the grainline." if change.kind == "widen" else "Draw the line across, square to the grainline.",
                _drawn(change),
            ),
            ("Cut right through.", _drawn(change, open_cut=True)),
            (laid, _joined(change)),
            (
                "Draw the new grainline in the middle of the strip."
                if change.kind == "widen"
                else "The grainline runs through both parts: check it with a ruler.",
                carry[1],
            ),
            true,
        ]  # fmt: skip
    if change.words is not None:
        captions = [filled(change, text) for text in change.words.steps]
        return [*zip(captions, _painters(change), strict=False), true]
    if change.kind in ("edge", "tip", "shift"):
        widest = format_length(max((mark.amount for mark in change.marks), default=change.amount), change.units)
        ends = "as far from the old one all along" if parallel(change) else "to nothing at its ends"
        return [
            (f"Mark {widest} at {'both ends' if parallel(change) else 'the widest place'}.", _marked(change)),
            (f"Draw the new line, {ends}.", _redrawn(change)),
            (true[0] + " Walk the seams that are sewn to it.", true[1]),
        ]
    if change.kind == "darts":
        return [
            (
                "Mark the new points of the darts."
                if tips_move(change)
                else f"Mark the new width at the {top}, half on each side.",
                _marked(change),
            ),
            ("Draw the new dart lines.", _redrawn(change)),
            (f"Fold the darts closed and true the {top}.", _trued(change)),
        ]
    if change.kind == "grain":
        return [
            (f"Mark {amount} from the old grainline, above and below.", _marked(change)),
            ("Draw the new grainline through the marks.", _redrawn(change, grain=True)),
            ("Rub the old one out. The outline stays.", _trued(change)),
        ]
    return [("The paper stays as it is.", _drawn(change))]


def _painters(change: Change) -> list[Painter]:
    """The pictures that the rule's own captions stand below, in order."""
    if change.kind == "slide":
        return [_drawn(change), _drawn(change, open_cut=True), _slid(change), _redrawn(change, grain=True)]
    if change.kind == "slit":
        return [_drawn(change), _redrawn(change)]
    return [_marked(change), _redrawn(change), _redrawn(change, grain=True)]


def _ground(pen: Pen, view: _View, piece: Piece, width: float = 0.4) -> None:
    """A piece in thin lines."""
    for line in piece.lines.values():
        pen.line(view.at(line), "balance", view.clip)
    _darts(pen, view, piece)
    _outline(pen, view, piece, "part", width)


def _drawn(change: Change, *, open_cut: bool = False) -> Painter:
    """The piece before, with the line to cut along; `open_cut`: as it is cut."""

    def paint(pen: Pen, view: _View) -> None:
        _ground(pen, view, change.old)
        _grain_arrow(pen, view, grain_of(change.old))
        cut = change.cut
        if cut is None:
            return
        ends = view.at(np.array([cut.start, cut.end]))
        pen.line(ends, "part" if open_cut else "cut", view.clip, 0.9 if open_cut else None)
        if open_cut and cut.hinge is not None:
            pen.ring(view.xy(cut.hinge), 1.4, "hinge")
            _hinge_word(pen, view, cut.hinge)
        pen.label("cut", along(ends, 9, SHARES), view.clip)

    return paint


def _joined(change: Change, *, grain: bool = False, extra: bool = False) -> Painter:
    """Both parts as the alteration lays them, with the amount or with the grainline."""

    def paint(pen: Pen, view: _View) -> None:
        cut = change.cut
        assert cut is not None and change.lower is not None and change.upper is not None
        gap = change.added if opens(change.kind, change.did) else change.removed
        pen.hatch(view.area(gap.difference(change.extra)), cross=not opens(change.kind, change.did))
        for part in (change.lower, change.upper):
            for ring in _rings(part):
                pen.line(view.at(ring), "part", view.clip)
        if not extra:
            moved = tuple(Dart(*(carry(end[None], cut)[0] for end in ends_of(dart))) for dart in change.old.darts)
            _darts(pen, view, replace(change.old, darts=moved))
        else:
            _darts(pen, view, change.new)
            pen.hatch(view.area(change.extra), cross=False)
            _outline(pen, view, change.new, "new")
            _amounts(pen, view, replace(change, marks=change.marks[1:]))
        if cut.hinge is not None:
            pen.ring(view.xy(cut.hinge), 1.4, "hinge")
        if not grain:
            _amounts(pen, view, replace(change, marks=change.marks[:1]))
            return
        if change.old_grain is not None:
            pen.line(view.at(change.old_grain), "old", view.clip)
        _grain_arrow(pen, view, change.grain)
        _along_label(pen, view, change.grain, "grain", (0.3, 0.5, 0.2, 0.7, 0.8))

    return paint


def _slid(change: Change) -> Painter:
    """The section slid along its cut."""

    def paint(pen: Pen, view: _View) -> None:
        from shapely import Point, Polygon, get_parts, transform  # noqa: PLC0415

        cut = change.cut
        assert cut is not None
        below, above = parted(Polygon(change.old.outline), cut)
        tip = Point(*slid_from(change.old, change.did))
        section = min([*get_parts(below), *get_parts(above)], key=tip.distance)
        moved = transform(section, lambda coords: coords + (cut.filled[-1] - cut.start))
        _outline(pen, view, change.old, "old")
        for part in (Polygon(change.old.outline).difference(section.buffer(0.01)), moved):
            for ring in _rings(part):
                pen.line(view.at(ring), "part", view.clip)
        pen.arrow(view.xy(cut.start + (cut.end - cut.start) * 0.75), view.xy(cut.start + (cut.end - cut.start) * 0.35))
        _amounts(pen, view, change)

    return paint


def _marked(change: Change) -> Painter:
    """The piece before, with the amounts marked on it."""

    def paint(pen: Pen, view: _View) -> None:
        _ground(pen, view, change.old)
        if change.kind in ("grain", "swing"):
            _grain_arrow(pen, view, grain_of(change.old))
        for mark in change.marks:
            pen.dot(view.xy(mark.b), 0.8, 0.0, "mark")
        _amounts(pen, view, change)

    return paint


def _redrawn(change: Change, *, grain: bool = False) -> Painter:
    """Old and new lines with the strip between them."""

    def paint(pen: Pen, view: _View) -> None:
        _lines(pen, view, replace(change, cut=None, grain=change.grain if grain else points([[0, 0], [0, 0]])))
        if grain:
            _along_label(pen, view, change.grain, "grain", (0.5, 0.3, 0.2, 0.7, 0.8))

    return paint


def _trued(change: Change) -> Painter:
    """The piece afterwards, the trued seams drawn thick and named."""

    def paint(pen: Pen, view: _View) -> None:
        piece, _ = true_piece(change.new)
        _ground(pen, view, piece)
        _grain_arrow(pen, view, change.grain)
        for seam in change.true:
            pen.line(view.at(piece.seams[seam]), "new", view.clip, 0.8)
        for seam in change.true:
            _along_label(pen, view, piece.seams[seam], piece.part.word(seam), SHARES)

    return paint


def _rings(area: BaseGeometry) -> list[Array]:
    from shapely import get_parts  # noqa: PLC0415

    return [np.asarray(part.exterior.coords) for part in get_parts(area) if part.geom_type == "Polygon"]
