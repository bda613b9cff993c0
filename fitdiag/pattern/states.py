"""An alteration in two small drawings, before and after: cut, hinge, amount, and the grainline in both; one kit for every page."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from shapely import Point, get_parts
from shapely.geometry import LinearRing

from fitdiag.pattern.change import Change, grain_of
from fitdiag.pattern.draw import (
    SHARES,
    View,
    along_label,
    amounts,
    changes_of,
    fitted,
    grain_arrow,
    hinge_word,
    lines_of,
    outline,
    place_of,
)
from fitdiag.pattern.ink import Box, Drawing, Pen, along
from fitdiag.pattern.moves import Step
from fitdiag.pattern.piece import Array, Pattern, apart
from fitdiag.pattern.strips import captions_of, ground
from fitdiag.pattern.true import true_piece
from fitdiag.units import Units

WIDE, HIGH, PAD = 64.0, 70.0, (11.0, 11.0)  # mm of a drawing, the most of its height, room for words at its edge
_ON = 0.1  # mm; nearer than this a point lies on a line
_NEAR = 15.0  # mm; what is nearer to where the amount is marked moves with it
_APART = 60.0  # mm; hinges nearer to each other are one


@dataclass(frozen=True)
class State:
    """A piece before or after an alteration, with what to do written below it."""

    when: Literal["before", "after"]
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
    captions = captions_of(change)
    found = []
    for when, caption in zip(("before", "after"), captions, strict=True):
        pen = Pen(cell[2], cell[3], hatching=1.2)
        view = fitted(box, cell, PAD)
        (_before if when == "before" else _after)(pen, view, change, hinges)
        told = f"The {change.name}, {when}. {caption}"
        found.append(State("before" if when == "before" else "after", change.name, alike, told, pen.done(told, told)))
    return tuple(found)


def _before(pen: Pen, view: View, change: Change, hinges: list[Array]) -> None:
    """The piece as it is, with the line to cut along, or the line that the edge will take."""
    ground(pen, view, change.old, 0.5)
    _grain(pen, view, grain_of(change.old))
    if change.cut is not None:
        ends = view.at(np.array([change.cut.start, change.cut.end]))
    else:
        outline(pen, view, change.new, "cut")
        ends = view.at(np.array([mark.b for mark in change.marks[:1]] * 2)) if change.marks else np.zeros((0, 2))
    if change.cut is not None:
        pen.line(ends, "cut", view.clip)
        pen.label("cut", along(ends, 9, SHARES), view.clip)
    _hinge_rings(pen, view, hinges)


def _after(pen: Pen, view: View, change: Change, hinges: list[Array]) -> None:
    """The piece as it becomes over the old one, with what is added or lies double, and how much."""
    lines_of(pen, view, replace(change, cut=None))
    amounts(pen, view, change)
    _hinge_rings(pen, view, hinges)
    along_label(pen, view, change.grain, "grain", SHARES)


def _grain(pen: Pen, view: View, grain: Array) -> None:
    grain_arrow(pen, view, grain)
    along_label(pen, view, grain, "grain", SHARES)


def _hinge_rings(pen: Pen, view: View, hinges: list[Array]) -> None:
    inside = [one for one in hinges if _within(view.xy(one), view.clip)]
    for one in inside:
        pen.ring(view.xy(one), 1.4, "hinge")
    for one in inside[:1]:
        hinge_word(pen, view, one)


def _within(at: tuple[float, float], box: Box) -> bool:
    return box[0] <= at[0] <= box[2] and box[1] <= at[1] <= box[3]


def _hinges(change: Change) -> list[Array]:
    """Where the paper stays: the hinge of the cut, or the places at which the new edge leaves the old one."""
    if change.cut is not None and change.cut.hinge is not None:
        return [change.cut.hinge]
    old, new = LinearRing(change.old.outline), LinearRing(change.new.outline)
    found: list[Array] = [
        np.asarray(end)
        for one, other in zip(change.old.darts, change.new.darts, strict=False)
        if change.kind == "darts"
        for end in (one.tip,)
        if apart(one.left, other.left) > _ON or apart(one.tip, other.tip) > _ON
    ]
    for part in [*get_parts(change.added), *get_parts(change.removed)]:
        if part.geom_type != "Polygon":
            continue
        ring = np.asarray(part.exterior.coords)
        both = [at for at in ring if old.distance(Point(*at)) < _ON and new.distance(Point(*at)) < _ON]
        for at in both:
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
