"""One alteration in small pictures with short captions: a strip, step by step, or before and after; one kit for every page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from shapely import LinearRing, Point, Polygon, get_parts, transform
from shapely.geometry.base import BaseGeometry

from fitdiag.pattern.change import Change, captions, grain_of, parted
from fitdiag.pattern.draw import PAGE, SHARES, Figure, changes_of, fitted, key, notes_at, place_of
from fitdiag.pattern.ink import Box, Drawing, Letters, Pen, wrapped
from fitdiag.pattern.moves import Step
from fitdiag.pattern.piece import Array, Dart, Pattern, Piece, apart, points
from fitdiag.pattern.true import true_piece
from fitdiag.units import Units

Painter = Callable[[Figure, Change], None]
CELL: tuple[float, float, float] = (60.0, 64.0, 18.0)  # width and most height of a picture, and of its words
STRIP_PAD = (10.0, 11.0)
WIDE, HIGH, PAD = 64.0, 70.0, (11.0, 11.0)  # mm of a drawing, the most of its height, room for words at its edge
_ON = 0.1  # mm; nearer than this a point lies on a line
_NEAR = 15.0  # mm; what is nearer to where the amount is marked moves with it
_APART = 60.0  # mm; hinges nearer to each other are one


def strip(before: Pattern, step: Step, units: Units, title: str = "", notes: Sequence[str] = ()) -> Drawing:
    """Three to five small pictures of one alteration with a short caption each; one when nothing is drawn on paper.

    Where front and back are altered alike the back is shown.
    """
    changes = changes_of(before, step, units)
    change = changes[0]
    pictures = _pictures(change)
    title = f"{title or step.alteration.replace('-', ' ').capitalize()}, step by step"
    if len(changes) > 1:
        title += f" ({changes[0].name}; the {changes[1].name} alike)"
    wide, high, words = CELL
    high = fitted(place_of(change), (0.0, 0.0, wide, high), STRIP_PAD, snug=True).clip[3]
    heads = wrapped(title, 12, PAGE[2])[:2]
    rows = sum(len(wrapped(note, 9, PAGE[2])) for note in notes)
    first = 8.0 + 5.0 * (len(heads) - 1) + 4.2 * rows
    pen = Pen(PAGE[2], first + 1.0 + -(-len(pictures) // 3) * (high + words), hatching=1.2)
    pen.paragraph(0, 4.5, title, Letters(12, bold=True, role="title"), PAGE[2], 5.0, most=2)
    notes_at(pen, notes, 4.5 + 5.0 * len(heads))
    for number, (caption, paint) in enumerate(pictures):
        left, top = (wide + 5.0) * (number % 3), first + (high + words) * (number // 3)
        cell = (left, top, left + wide, top + high)
        bottom = cell[3]
        paint(Figure(pen, fitted(place_of(change), cell, STRIP_PAD)), change)
        pen.frame(cell)
        pen.text(left, bottom + 4.5, str(number + 1), Letters(11, bold=True, role="number"))
        pen.paragraph(left + 6, bottom + 4.5, caption, Letters(9, role="caption"), wide - 6, 4.0)
    if len(pictures) == 5:
        key(pen, ((wide + 5.0) * 2, first + high + words, PAGE[2], pen.height), [change], 1)
    told = " ".join(f"{number}. {caption}" for number, (caption, _) in enumerate(pictures, 1))
    return pen.done(title, " ".join([*notes, told]))


def _pictures(change: Change) -> list[tuple[str, Painter]]:
    """The captions and pictures of an alteration, in the order of the work."""
    told = captions(change)
    return [*zip(told[:-1], _painters(change), strict=False), (told[-1], _trued if told[1:] else _before)]


def _painters(change: Change) -> list[Painter]:
    """The pictures of an alteration but the last, which shows it trued."""
    cut: list[Painter] = [_before, partial(_before, open_cut=True)]
    new_grain = partial(_redrawn, grain=True)
    if change.kind in ("open", "close", "spread", "overlap", "widen", "fold out"):
        return [*cut, _joined, partial(_joined, grain=True)]
    if change.kind == "slide":
        return [*cut, _slid, new_grain]
    if change.kind == "grain":
        return [_marked, new_grain]
    return [_before if change.kind == "slit" else _marked, _redrawn, new_grain]


def ground(figure: Figure, piece: Piece) -> None:
    """A piece in thin lines."""
    for line in piece.lines.values():
        figure.line(line, "balance")
    figure.darts(piece)
    figure.outline(piece, "part")


def _before(figure: Figure, change: Change, hinges: Sequence[Array] = (), *, open_cut: bool = False) -> None:
    """The piece as it is, with the line to cut along, or the line that the edge will take; `open_cut`: as it is cut."""
    cut = change.cut
    ground(figure, change.old)
    figure.grain(grain_of(change.old))
    figure.word_along(grain_of(change.old), "grain", SHARES)
    if cut is None:
        figure.outline(change.new, "cut")
    else:
        figure.line(cut.line, "part" if open_cut else "cut", 0.9 if open_cut else None)
        figure.cut_word(cut)
        hinges = [cut.end] if open_cut and cut.hinged else hinges
    _hinge_rings(figure, hinges)


def _joined(figure: Figure, change: Change, *, grain: bool = False) -> None:
    """Both parts as the alteration lays them, with the amount; or with the grainline, and what is drawn on afterwards."""
    cut = change.cut
    assert cut is not None and change.lower is not None and change.upper is not None
    gap = change.added if change.opened else change.removed
    figure.hatch(gap.difference(change.extra), cross=not change.opened)
    for part in (change.lower, change.upper):
        for ring in _rings(part):
            figure.line(ring, "part")
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
    """The section slid along its cut."""
    cut = change.cut
    assert cut is not None
    below, above = parted(Polygon(change.old.outline), cut)
    tip = Point(*change.marks[0].a)
    section = min([*get_parts(below), *get_parts(above)], key=tip.distance)
    moved = transform(section, cut.move)
    figure.outline(change.old, "old")
    for part in (Polygon(change.old.outline).difference(section.buffer(0.01)), moved):
        for ring in _rings(part):
            figure.line(ring, "part")
    start, tip = (figure.view.xy(cut.start + (cut.end - cut.start) * share) for share in (0.35, 0.75))
    figure.pen.arrow(tip, start)
    figure.amounts(change)


def _marked(figure: Figure, change: Change) -> None:
    """The piece before, with the amounts marked on it."""
    ground(figure, change.old)
    if change.kind in ("grain", "swing"):
        figure.grain(grain_of(change.old))
    for mark in change.marks:
        figure.pen.dot(figure.view.xy(mark.b), 0.8, 0.0, "mark")
    figure.amounts(change)


def _redrawn(figure: Figure, change: Change, *, grain: bool = False) -> None:
    """Old and new lines with the strip between them."""
    figure.lines_of(replace(change, cut=None, grain=change.grain if grain else points([[0, 0], [0, 0]])))
    if grain:
        figure.word_along(change.grain, "grain", (0.5, 0.3, 0.2, 0.7, 0.8))


def _trued(figure: Figure, change: Change) -> None:
    """The piece afterwards, the trued seams drawn thick and named."""
    piece, _ = true_piece(change.new)
    ground(figure, piece)
    figure.grain(change.grain)
    for seam in change.true:
        figure.line(piece.seams[seam], "new", 0.8)
    for seam in change.true:
        figure.word_along(piece.seams[seam], piece.part.word(seam), SHARES)


def _rings(area: BaseGeometry) -> list[Array]:
    return [np.asarray(part.exterior.coords) for part in get_parts(area) if part.geom_type == "Polygon"]


# -- before and after --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class State:
    """A piece before or after an alteration, with what to do written below it."""

    when: str  # before or after
    piece: str
    alike: str  # the other piece that is altered alike; empty where there is none
    caption: str
    drawing: Drawing


def states_of(pattern: Pattern, step: Step, units: Units, *, hinged: bool) -> tuple[State, ...]:
    """The drawings of an alteration of a pattern; none where the paper stays as it is. `hinged`: something stays joined."""
    changes = changes_of(pattern, step, units)
    if not changes or changes[0].kind == "none":
        return ()
    change = replace(changes[0], new=true_piece(changes[0].new)[0])
    alike = changes[1].name if len(changes) > 1 else ""
    hinges = _hinges(change) if hinged else []
    box = _with_grain(place_of(change), change)
    cell = fitted(box, (0.0, 0.0, WIDE, HIGH), PAD, snug=True).clip
    told = captions(change)
    first = 1 if len(told) == 5 else 0  # before anything is laid or redrawn
    found = []
    for when, paint, caption in (
        ("before", _before, told[first]),
        ("after", _after, told[min(first + 1, len(told) - 1)]),
    ):
        pen = Pen(cell[2], cell[3], hatching=1.2)
        paint(Figure(pen, fitted(box, cell, PAD)), change, hinges)
        words = f"The {change.name}, {when}. {caption}"
        found.append(State(when, change.name, alike, words, pen.done(words, words)))
    return tuple(found)


def _after(figure: Figure, change: Change, hinges: Sequence[Array]) -> None:
    """The piece as it becomes over the old one, with what is added or lies double, and how much."""
    figure.lines_of(replace(change, cut=None))
    figure.amounts(change)
    _hinge_rings(figure, hinges)
    figure.word_along(change.grain, "grain", SHARES)


def _hinge_rings(figure: Figure, hinges: Sequence[Array]) -> None:
    left, top, right, bottom = figure.view.clip
    places = [(one, *figure.view.xy(one)) for one in hinges]
    inside = [one for one, x, y in places if left <= x <= right and top <= y <= bottom]
    for one in inside:
        figure.hinge(one)
    for one in inside[:1]:
        figure.hinge_word(one)


def _hinges(change: Change) -> list[Array]:
    """Where the paper stays: the hinge of the cut, or the places at which the new edge leaves the old one."""
    if change.cut is not None and change.cut.hinged:
        return [change.cut.end]
    found: list[Array] = [
        one.tip
        for one, other in zip(change.old.darts, change.new.darts, strict=False)
        if change.kind == "darts" and max(apart(one.left, other.left), apart(one.tip, other.tip)) > _ON
    ]
    kept = LinearRing(change.new.outline).intersection(LinearRing(change.old.outline).buffer(_ON))
    for at in (np.array([end.x, end.y]) for end in get_parts(kept.boundary)):
        if all(apart(at, one) > _APART for one in found):
            found.append(at)
    moved = [end for mark in change.marks for end in (mark.a, mark.b)]
    near = max(_NEAR, 2 * change.amount)
    return [at for at in found if all(apart(at, end) > near for end in moved)] or found


def _with_grain(box: Box, change: Change) -> Box:
    """A part of the piece, made wider until the grainline before and after runs through it."""
    left, low, right, high = box
    for grain in (grain_of(change.old), change.grain):
        ends = grain[np.argsort(grain[:, 1])]
        at = np.interp([max(low, ends[0, 1]), min(high, ends[-1, 1])], ends[:, 1], ends[:, 0])
        left, right = min(left, float(at.min()) - 8.0), max(right, float(at.max()) + 8.0)
        if ends[0, 1] > high - 20.0 or ends[-1, 1] < low + 20.0:  # it begins or ends before this part
            low, high = min(low, float(ends[-1, 1]) - 60.0), max(high, float(ends[0, 1]) + 60.0)
    return left, low, right, high
