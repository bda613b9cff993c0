"""What one alteration does to a piece: what moved how far, what paper is added or taken away, and how to say so in words.

Paper added and paper taken away (cut off, or lying double) are areas in pattern mm, y up. The words are a fitter's: a
sentence for the page of an alteration, and a caption for each step of the work. A rule may bring its own; otherwise
they come from `change.yaml`, by kind of move. In them `{amount}` stands for the amount, a height of the move, like
`{knee}`, for how far it moves there, `{widest}` for the longest length marked, and `{wider}` for how much wider or
narrower the darts of the piece become together; for the rest see `_put_in`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from shapely import GeometryCollection, Point, Polygon, get_parts, transform
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points, unary_union

from fitdiag.knowledge.strict_yaml import read_yaml
from fitdiag.pattern.alter import Altered, Cut, Did, Kind, mapped, rotated, turned
from fitdiag.pattern.garment import off
from fitdiag.pattern.piece import Array, Dart, Piece, apart, left_of, points, unit
from fitdiag.units import Units, format_given

SEEN_MM = 0.8  # smaller moves are not marked
CURVED = 0.08  # share of an amount by which a line that curves or slants may move more or less at its widest place
OPENED = ("open", "spread", "widen")  # kinds of cut that open a gap, to be filled with paper


@dataclass(frozen=True, eq=False)
class Mark:
    """A length to be marked: old place and new (mm), the figure, and which way to offset it (None: in line)."""

    a: Array
    b: Array
    amount: float
    away: Array | None


@dataclass(frozen=True, eq=False)
class Change:
    """One piece before and after, aligned so that what did not move coincides."""

    kind: Kind
    altered: Altered
    old: Piece
    new: Piece
    cut: Cut | None
    grain: Array  # the new grainline, hem to waist
    old_grain: Array | None  # the part of the old one that no longer holds
    added: BaseGeometry
    removed: BaseGeometry
    extra: BaseGeometry  # paper added or taken away beside the cut
    marks: tuple[Mark, ...]  # for a section that slides, the first begins at its tip
    amount: float
    units: Units
    lower: BaseGeometry | None = None  # the two parts of a cut piece, the upper one in its new place
    upper: BaseGeometry | None = None

    @property
    def name(self) -> str:
        return self.old.name

    @property
    def true(self) -> tuple[str, ...]:
        """The seams to true."""
        return self.altered.true

    @property
    def opened(self) -> bool:
        """Whether a cut was opened, so that paper goes behind the gap."""
        return self.kind in OPENED


# What has changed


def change_of(old: Piece, altered: Altered, amount: float, units: Units) -> Change:
    """Compare a piece before and after an alteration of `amount` mm; words in `units`."""
    new, cut, nothing = altered.piece, altered.cut, GeometryCollection()
    kind, angle = main_kind(altered.did), sum(done.angle for done in altered.did)
    grain = new.grain
    if kind == "swing":
        about = new.top.mean(axis=0)
        shift = old.top.mean(axis=0) - about
        back = turned(new, about, -angle)
        new, grain = mapped(back, lambda line: points(line + shift)), points(rotated(grain, about, -angle) + shift)
    before, after = Polygon(old.outline), Polygon(new.outline)
    base, lower, upper, gap, old_grain = before, None, None, nothing, None
    marks: list[Mark] = []
    if cut is not None:
        a, b = cut.start, cut.filled[-1]
        if kind == "slide":
            (slid,) = (done.seams[1] for done in altered.did if done.kind == kind)
            a = old.seams[slid][0]  # the tip of the section that slid: where its seam begins
            (b,) = cut.move(a[None])
        else:
            lower, above = parted(before, cut)
            upper = transform(above, cut.move)
            gap = Polygon(cut.filled).buffer(0)
            base = lower.union(upper).union(gap if kind in OPENED else nothing).buffer(0.2).buffer(-0.2)
            above_cut = _above(old.grain, cut)
            old_grain = cut.move(above_cut) if above_cut is not None and cut.hinged else None
        marks.append(Mark(a, b, amount, _outward(before, a, b - a)))
    elif kind == "grain":
        old_grain = old.grain
        y = float(old_grain[:, 1].mean())
        marks.append(Mark(np.array([old.grain_x, y]), np.array([new.grain_x, y]), amount, None))
    step = gap.buffer(4 + amount * 0.3)  # the steps beside a cut are for trueing, not for marking
    more, less = (
        _clean(area, step, 0.25 if gap.is_empty else 1.0) for area in (after.difference(base), base.difference(after))
    )
    extra = more.union(less)
    if cut is None:
        marks += _edge_marks(old, new, before, amount)
    if kind != "slide" and (cut is not None or not marks):  # no marks: the points of a seam do not correspond
        marks += _strip_marks(base, new, extra, amount)
    if kind == "darts":
        marks += [_dart_mark(*pair) for pair in zip(old.darts, new.darts, strict=False)]
    added, removed = (gap.union(more), less) if kind in OPENED else (more, gap.union(less))
    return Change(
        kind, altered, old, new, cut, grain, old_grain, added, removed, extra, tuple(marks), amount, units, lower, upper
    )


def main_kind(did: tuple[Did, ...]) -> Kind:
    """The kind of an alteration of several moves: that of its first cut, else change to the outline, else move."""
    cuts = [done.kind for done in did if done.cut is not None]
    edges = [done.kind for done in did if done.kind in ("swing", "slit", "edge", "shift") and done.by]
    if {"shift", "notches"} <= {done.kind for done in did}:
        return "notches"
    return next(iter((*cuts, *edges, *(done.kind for done in did))), "none")


def parted(polygon: Polygon, cut: Cut) -> tuple[BaseGeometry, BaseGeometry]:
    """Split a piece along a cut: the part that stays, and the part that moves."""
    run = cut.end - cut.start
    wide = unit(run) * 2000
    up = left_of(wide) * cut.sign
    half = Polygon([cut.start - wide, cut.end + wide, cut.end + wide + up, cut.start - wide + up])
    return polygon.difference(half), polygon.intersection(half)


def _above(line: Array, cut: Cut) -> Array | None:
    """The part of a vertical line above a cut; None if there is none."""
    share = (line[0, 0] - cut.start[0]) / (cut.end[0] - cut.start[0]) if cut.end[0] != cut.start[0] else 0.5
    y = float(cut.start[1] + share * (cut.end[1] - cut.start[1]))
    return points([[line[0, 0], max(y, line[0, 1])], line[1]]) if y < line[1, 1] else None


def _outward(polygon: Polygon, at: Array, direction: Array) -> Array:
    """The unit normal of a direction that points out of the piece near a point."""
    normal = unit(left_of(direction))
    one, other = (polygon.intersection(Point(*(at + sign * normal * 30)).buffer(29)).area for sign in (1, -1))
    return np.asarray(normal if one <= other else -normal)


def _clean(area: BaseGeometry, apart: BaseGeometry, worth: float) -> BaseGeometry:
    """An area without slivers thinner than twice `worth` mm, and without the parts that lie within `apart`."""
    whole = area.buffer(0)
    kept = [part for part in get_parts(whole) if part.difference(apart).area > 15 and not part.buffer(-worth).is_empty]
    return unary_union(kept) if kept else GeometryCollection()


def _edge_marks(old: Piece, new: Piece, before: Polygon, amount: float) -> list[Mark]:
    """A mark where each seam has moved farthest; seams that share a moved corner get one between them."""
    marks: list[Mark] = []
    pairs = [(line, new.seams[seam]) for seam, line in old.seams.items() if len(line) == len(new.seams[seam])]
    moved = [(np.hypot(*(other - one).T), one, other) for one, other in pairs]
    for far, one, other in sorted(moved, key=lambda item: -float(item[0].max())):
        widest = np.nonzero(far >= far.max() - 0.02)[0]
        index = next((end for end in (0, len(far) - 1) if end in widest), int(widest[len(widest) // 2]))
        known = any(apart(mark.a, one[index]) < 60 and abs(mark.amount - far[index]) < 1 for mark in marks)
        if far[index] < SEEN_MM or known:
            continue
        away = _outward(before, one[index], other[index] - one[index]) if index in (0, len(one) - 1) else None
        marks.append(Mark(one[index], other[index], _figure(float(far[index]), amount), away))
    return [mark for mark in marks if mark.amount >= 0.4 * max(other.amount for other in marks)]


def _strip_marks(base: BaseGeometry, new: Piece, extra: BaseGeometry, amount: float) -> list[Mark]:
    """A mark at the widest place of each strip between the cut piece and the new outline."""
    marks: list[Mark] = []
    for strip_area in get_parts(extra):
        near = [p for seam in new.part.seams for p in new.seams[seam] if strip_area.distance(Point(*p)) < 0.3]
        if not near:
            continue
        far = [base.boundary.distance(Point(*p)) for p in near]
        b = near[int(np.argmax(far))]
        if max(far) < SEEN_MM:
            continue
        a = np.array(nearest_points(base.boundary, Point(*b))[0].coords[0])
        corner = min(apart(b, new.seams[seam][0]) for seam in new.part.seams) < 0.1
        away = _outward(Polygon(new.outline), b, b - a) if corner else None
        marks.append(Mark(a, b, _figure(max(far), amount), away))
    return marks


def _dart_mark(old: Dart, new: Dart) -> Mark:
    longer = apart(new.tip, old.tip)
    if longer > SEEN_MM:
        return Mark(old.tip, new.tip, longer, np.array([1.0, 0.0]))
    return Mark(new.left, new.right, new.width, unit((new.left + new.right) / 2 - new.tip))


def _figure(measured: float, amount: float) -> float:
    """The figure to print, mm: the amount asked for if the measured one differs only by the slant of a curve."""
    return amount if abs(measured - amount) <= CURVED * amount + 0.1 else measured


# -- in words ------------------------------------------------------------------------------------------------------------

TRUEING = "True: {seams}. Smooth lines, no steps."


@cache
def _usual() -> Mapping[str, Any]:
    """The words by kind of move: the sentence (`told`), captions of `steps`, and a caption of the `last`, trueing, if its own."""
    found: Mapping[str, Any] = read_yaml(Path(__file__).with_name("change.yaml")).data
    return found


def _words(change: Change) -> Mapping[str, Any]:
    if change.altered.words is not None:
        return change.altered.words.model_dump()
    kind: str = change.kind
    tips = zip(change.old.darts, change.new.darts, strict=False)
    if kind == "darts" and any(apart(one.tip, other.tip) > SEEN_MM for one, other in tips):
        kind = "dart points"
    found: Mapping[str, Any] = _usual().get(kind, _usual()["none"])
    return found


def sentence(change: Change) -> str:
    """What is done to one piece, in one sentence that does not name the piece."""
    return _put_in(change, _words(change)["told"])


def captions(change: Change) -> list[str]:
    """A caption for each step, trueing last; a single one where the paper does not change."""
    words = _words(change)
    return [_put_in(change, text) for text in (*words["steps"], words.get("last", TRUEING)) if text]


def to_true(change: Change) -> str:
    """Which seams to true, or that there are none."""
    return _put_in(change, "True: {seams}.") if change.true else "No seam to true."


def _put_in(change: Change, text: str) -> str:
    """Fill in seam names and amounts."""

    def given(mm: float) -> str:
        return format_given(mm, change.units)

    part, more = change.old.part, ""
    top = part.word(part.top)
    names = {"piece": change.name, "top": top, "seams": ", ".join(part.word(seam) for seam in change.true)}
    names["widest"] = given(max((mark.amount for mark in change.marks), default=change.amount))
    names |= {
        name: given(change.amount * abs(share))
        for done in change.altered.did
        for name, share in (done.at or {}).items()
    }
    wider = sum(dart.width for dart in change.new.darts) - sum(dart.width for dart in change.old.darts)
    names["wider"] = f"{given(abs(wider))} {'narrower' if wider < 0 else 'wider'}"
    drawn = any(done.kind == "darts" for done in change.altered.did)
    names["darts"] = " The darts take up what the edge gains or loses." if drawn else ""
    if change.cut is not None:
        names["free"], names["far"] = (part.word(_seam_at(change.old, point)) for point in change.cut.line)
        if not change.extra.is_empty and change.marks[1:]:
            seam = _seam_at(change.new, change.marks[-1].b)
            more = f"raise the {top}" if seam in (part.top, part.seams[-1]) else f"let out the {part.word(seam)}"
            more += f" by {given(change.marks[-1].amount)}."
    names["then"] = f" Then {more}" if more else ""
    carried = "Carry the grainline of the lower part straight up"
    names["carry"] = f"{more.capitalize()} {carried}." if more else f"{carried} to the {top}."
    return re.sub(r"\{([a-z-]+)\}", lambda match: names.get(match[1], given(change.amount)), text)


def _seam_at(piece: Piece, point: Array) -> str:
    return min(piece.part.seams, key=lambda seam: off(piece.seams[seam], point))
