"""A strip of small pictures of one alteration, step by step, each with a short caption."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Concatenate, ParamSpec

import numpy as np
from shapely import Point, Polygon, get_parts, transform
from shapely.geometry.base import BaseGeometry

from fitdiag.pattern.change import (
    Change,
    carry,
    extra_words,
    filled,
    grain_of,
    open_edge,
    opens,
    parallel,
    parted,
    slid_from,
    tips_move,
)
from fitdiag.pattern.draw import (
    PAGE,
    SHARES,
    View,
    along_label,
    amounts,
    changes_of,
    darts,
    fitted,
    grain_arrow,
    hinge_word,
    key,
    lines_of,
    notes_at,
    outline,
    place_of,
)
from fitdiag.pattern.ink import Drawing, Pen, along, wrapped
from fitdiag.pattern.moves import Step
from fitdiag.pattern.piece import Array, Dart, Pattern, Piece, points
from fitdiag.pattern.true import true_piece
from fitdiag.units import Units, format_given

Painter = Callable[[Pen, View], None]
Given = ParamSpec("Given")
CELL: tuple[float, float, float] = (60.0, 64.0, 18.0)  # width and most height of a picture, and of its words
STRIP_PAD = (10.0, 11.0)


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
    for number, line in enumerate(heads):
        pen.text(0, 4.5 + 5.0 * number, line, 12, bold=True, role="title")
    notes_at(pen, notes, 4.5 + 5.0 * len(heads))
    for number, (caption, paint) in enumerate(pictures):
        left, top = (wide + 5.0) * (number % 3), first + (high + words) * (number // 3)
        cell = (left, top, left + wide, top + high)
        bottom = cell[3]
        paint(pen, fitted(place_of(change), cell, STRIP_PAD))
        pen.frame(cell)
        pen.text(left, bottom + 4.5, str(number + 1), 11, bold=True, role="number")
        for row, line in enumerate(wrapped(caption, 9, wide - 6)):
            pen.text(left + 6, bottom + 4.5 + 4.0 * row, line, 9, role="caption")
    if len(pictures) == 5:
        key(pen, ((wide + 5.0) * 2, first + high + words, PAGE[2], pen.height), [change], 1)
    told = " ".join(f"{number}. {caption}" for number, (caption, _) in enumerate(pictures, 1))
    return pen.done(title, " ".join([*notes, told]))


Picture = tuple[str, Painter]


def captions_of(change: Change) -> tuple[str, str]:
    """What to do before anything is laid or redrawn, and then."""
    told = [caption for caption, _ in _pictures(change)]
    first, then = (told[1:3] if len(told) == 5 else told[:2]) if len(told) > 1 else (told[0], told[0])
    return first, then


def _pictures(change: Change) -> list[Picture]:
    """The captions and pictures of an alteration, in the order of the work."""
    true = ", ".join(change.old.part.word(seam) for seam in change.true)
    last: Picture = (f"True: {true}. Smooth lines, no steps.", _trued(change))
    if change.kind in ("open", "close"):
        return [*_of_a_wedge(change), last]
    if change.kind in ("spread", "overlap", "widen"):
        return [*_of_a_strip(change), last]
    if change.words is not None:
        captions = [filled(change, text) for text in change.words.steps]
        return [*zip(captions, _painters(change), strict=False), last]
    if change.kind in ("edge", "tip", "shift"):
        widest = format_given(max((mark.amount for mark in change.marks), default=change.amount), change.units)
        ends = "as far from the old one all along" if parallel(change) else "to nothing at its ends"
        return [
            (f"Mark {widest} at {'both ends' if parallel(change) else 'the widest place'}.", _marked(change)),
            (f"Draw the new line, {ends}.", _redrawn(change)),
            (last[0] + " Walk the seams that are sewn to it.", last[1]),
        ]
    if change.kind == "darts":
        top = _top(change)
        width = f"Mark the new width at the {top}, half on each side."
        return [
            ("Mark the new points of the darts." if tips_move(change) else width, _marked(change)),
            ("Draw the new dart lines.", _redrawn(change)),
            (f"Fold the darts closed and true the {top}.", _trued(change)),
        ]
    if change.kind == "grain":
        amount = format_given(change.amount, change.units)
        return [
            (f"Mark {amount} from the old grainline, above and below.", _marked(change)),
            ("Draw the new grainline through the marks.", _redrawn(change, grain=True)),
            ("Rub the old one out. The outline stays.", _trued(change)),
        ]
    return [("The paper stays as it is.", _drawn(change))]


def _top(change: Change) -> str:
    return change.old.part.word(change.old.part.seams[0])


def _of_a_wedge(change: Change) -> list[Picture]:
    amount, (free, far) = format_given(change.amount, change.units), open_edge(change)
    if change.kind == "close":
        laid = f"Overlap it by {amount} at the {free}, to nothing at the hinge."
    else:
        laid = f"Open it by {amount} at the {free}. Put paper behind it."
    carry = f"Carry the grainline of the lower part straight up to the {_top(change)}."
    extra = not change.extra.is_empty
    if extra:
        more = f"{extra_words(change).capitalize()} by {format_given(change.marks[-1].amount, change.units)}."
        carry = f"{more} Carry the grainline of the lower part straight up."
    return [
        (f"Draw the line across the {change.name}, from {free} to {far}.", _drawn(change)),
        (f"Cut from the {free}. Leave a hinge at the {far}.", _drawn(change, open_cut=True)),
        (laid, _joined(change)),
        (carry, _joined(change, grain=True, extra=extra)),
    ]


def _of_a_strip(change: Change) -> list[Picture]:
    amount, lengthwise = format_given(change.amount, change.units), change.kind == "widen"
    if opens(change.kind, change.did):
        laid = f"Spread the parts by {amount}, the same from edge to edge. Put paper behind."
    else:
        laid = f"Overlap the parts by {amount}, the same from edge to edge."
    where = "along the grainline" if lengthwise else "across, square to the grainline"
    through = "The grainline runs through both parts: check it with a ruler."
    return [
        (f"Draw the line {where}.", _drawn(change)),
        ("Cut right through.", _drawn(change, open_cut=True)),
        (laid, _joined(change)),
        ("Draw the new grainline in the middle of the strip." if lengthwise else through, _joined(change, grain=True)),
    ]


def _painters(change: Change) -> list[Painter]:
    """The pictures that the rule's own captions stand below, in order."""
    if change.kind == "slide":
        return [_drawn(change), _drawn(change, open_cut=True), _slid(change), _redrawn(change, grain=True)]
    if change.kind == "slit":
        return [_drawn(change), _redrawn(change)]
    return [_marked(change), _redrawn(change), _redrawn(change, grain=True)]


def ground(pen: Pen, view: View, piece: Piece, width: float = 0.4) -> None:
    """A piece in thin lines."""
    for line in piece.lines.values():
        pen.line(view.at(line), "balance", view.clip)
    darts(pen, view, piece)
    outline(pen, view, piece, "part", width)


def _painter(draw: Callable[Concatenate[Pen, View, Given], None]) -> Callable[Given, Painter]:
    """A picture that is drawn when its place is known."""
    return lambda *given, **how: lambda pen, view: draw(pen, view, *given, **how)


@_painter
def _drawn(pen: Pen, view: View, change: Change, *, open_cut: bool = False) -> None:
    """The piece before, with the line to cut along; `open_cut`: as it is cut."""
    ground(pen, view, change.old)
    grain_arrow(pen, view, grain_of(change.old))
    cut = change.cut
    if cut is None:
        return
    ends = view.at(np.array([cut.start, cut.end]))
    pen.line(ends, "part" if open_cut else "cut", view.clip, 0.9 if open_cut else None)
    if open_cut and cut.hinge is not None:
        pen.ring(view.xy(cut.hinge), 1.4, "hinge")
        hinge_word(pen, view, cut.hinge)
    pen.label("cut", along(ends, 9, SHARES), view.clip)


@_painter
def _joined(pen: Pen, view: View, change: Change, *, grain: bool = False, extra: bool = False) -> None:
    """Both parts as the alteration lays them, with the amount or with the grainline."""
    cut = change.cut
    assert cut is not None and change.lower is not None and change.upper is not None
    gap = change.added if opens(change.kind, change.did) else change.removed
    pen.hatch(view.area(gap.difference(change.extra)), cross=not opens(change.kind, change.did))
    for part in (change.lower, change.upper):
        for ring in _rings(part):
            pen.line(view.at(ring), "part", view.clip)
    if not extra:
        moved = tuple(Dart.of(carry(dart.ends, cut)) for dart in change.old.darts)
        darts(pen, view, replace(change.old, darts=moved))
    else:
        darts(pen, view, change.new)
        pen.hatch(view.area(change.extra), cross=False)
        outline(pen, view, change.new, "new")
        amounts(pen, view, replace(change, marks=change.marks[1:]))
    if cut.hinge is not None:
        pen.ring(view.xy(cut.hinge), 1.4, "hinge")
    if not grain:
        amounts(pen, view, replace(change, marks=change.marks[:1]))
        return
    if change.old_grain is not None:
        pen.line(view.at(change.old_grain), "old", view.clip)
    grain_arrow(pen, view, change.grain)
    along_label(pen, view, change.grain, "grain", (0.3, 0.5, 0.2, 0.7, 0.8))


@_painter
def _slid(pen: Pen, view: View, change: Change) -> None:
    """The section slid along its cut."""
    cut = change.cut
    assert cut is not None
    below, above = parted(Polygon(change.old.outline), cut)
    tip = Point(*slid_from(change.old, change.did))
    section = min([*get_parts(below), *get_parts(above)], key=tip.distance)
    moved = transform(section, lambda coords: coords + (cut.filled[-1] - cut.start))
    outline(pen, view, change.old, "old")
    for part in (Polygon(change.old.outline).difference(section.buffer(0.01)), moved):
        for ring in _rings(part):
            pen.line(view.at(ring), "part", view.clip)
    pen.arrow(view.xy(cut.start + (cut.end - cut.start) * 0.75), view.xy(cut.start + (cut.end - cut.start) * 0.35))
    amounts(pen, view, change)


@_painter
def _marked(pen: Pen, view: View, change: Change) -> None:
    """The piece before, with the amounts marked on it."""
    ground(pen, view, change.old)
    if change.kind in ("grain", "swing"):
        grain_arrow(pen, view, grain_of(change.old))
    for mark in change.marks:
        pen.dot(view.xy(mark.b), 0.8, 0.0, "mark")
    amounts(pen, view, change)


@_painter
def _redrawn(pen: Pen, view: View, change: Change, *, grain: bool = False) -> None:
    """Old and new lines with the strip between them."""
    lines_of(pen, view, replace(change, cut=None, grain=change.grain if grain else points([[0, 0], [0, 0]])))
    if grain:
        along_label(pen, view, change.grain, "grain", (0.5, 0.3, 0.2, 0.7, 0.8))


@_painter
def _trued(pen: Pen, view: View, change: Change) -> None:
    """The piece afterwards, the trued seams drawn thick and named."""
    piece, _ = true_piece(change.new)
    ground(pen, view, piece)
    grain_arrow(pen, view, change.grain)
    for seam in change.true:
        pen.line(view.at(piece.seams[seam]), "new", view.clip, 0.8)
    for seam in change.true:
        along_label(pen, view, piece.seams[seam], piece.part.word(seam), SHARES)


def _rings(area: BaseGeometry) -> list[Array]:
    return [np.asarray(part.exterior.coords) for part in get_parts(area) if part.geom_type == "Polygon"]
