"""Walking the seams: each sewn pair laid along each other from notch to notch, and the corners that come together."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from fitdiag.knowledge.garment import Pair
from fitdiag.pattern.blocks import GRADE
from fitdiag.pattern.garment import far_on
from fitdiag.pattern.ink import Drawing, Letters, Pen
from fitdiag.pattern.measure import corner_angle
from fitdiag.pattern.piece import Pattern, Piece, Side, length
from fitdiag.units import Units, format_reading

TOLD_MM = 1.0  # a difference that is told; less is lost in cutting
CHANGED_DEGREES = 2.0


@dataclass(frozen=True)
class Stretch:
    """What lies between two matched places of a pair: their names, and the length on each seam in mm."""

    start: str
    end: str
    one: float
    other: float

    @property
    def longer(self) -> float:
        """By how much the second seam is longer, mm."""
        return self.other - self.one


@dataclass(frozen=True)
class WalkedPair:
    """A sewn pair: its name, the two pieces, the side it is on, its stretches, and what can be eased in, mm."""

    name: str
    one: str
    other: str
    side: Side
    stretches: tuple[Stretch, ...]
    ease: float

    @property
    def longer(self) -> float:
        """By how much the second seam is longer in all, mm."""
        return sum(stretch.longer for stretch in self.stretches)


@dataclass(frozen=True)
class WalkedCorner:
    """Corners that come together: what their angles add up to, what they should, and how far off is still right, degrees."""

    name: str
    side: Side
    degrees: float
    wanted: float
    within: float

    @property
    def right(self) -> bool:
        return abs(self.degrees - self.wanted) <= self.within


@dataclass(frozen=True)
class Walked:
    """All pairs and corners of a pattern."""

    pairs: tuple[WalkedPair, ...]
    corners: tuple[WalkedCorner, ...]

    def as_data(self) -> dict[str, Any]:
        """Plain values for JSON, lengths in mm."""
        return {
            "pairs": [
                {
                    "pair": pair.name, "side": pair.side, "one": pair.one, "other": pair.other, "longer_mm": pair.longer,
                    "ease_mm": pair.ease,
                    "stretches": [
                        {"from": s.start, "to": s.end, "one_mm": s.one, "other_mm": s.other} for s in pair.stretches
                    ],
                }
                for pair in self.pairs
            ],
            "corners": [
                {"corner": c.name, "side": c.side, "degrees": c.degrees, "wanted": c.wanted, "right": c.right}
                for c in self.corners
            ],
        }  # fmt: skip


def walked(pattern: Pattern) -> Walked:
    """Every sewn pair walked and every corner measured, on each side where the sides differ."""
    pairs, corners = [], []
    for side in pattern.sides:
        own = pattern.of(side)
        pairs += [_walk(own, rule, side) for rule in pattern.garment.rule.pairs]
        corners += [
            WalkedCorner(
                rule.id, side, sum(corner_angle(own.pieces[name], corner) for name, corner in rule.corners.items()),
                rule.degrees, rule.within,
            )
            for rule in pattern.garment.rule.meetings
        ]  # fmt: skip
    return Walked(tuple(pairs), tuple(corners))


def _walk(pattern: Pattern, rule: Pair, side: Side) -> WalkedPair:
    backwards = rule.from_end == "end"
    wholes, places = [], []  # of both seams the length, and how far along each notch lies
    for name, seam in (rule.one, rule.other):
        line = pattern.pieces[name].seams[seam][:: -1 if backwards else 1]
        wholes.append(length(line))
        places.append({one.name: far_on(line, one.at) for one in pattern.pieces[name].notches if one.seam == seam})
    shared = sorted((name for name in places[0] if name in places[1]), key=lambda name: places[0][name])
    first, last = _end_names(pattern.pieces[rule.one[0]], rule.one[1], backwards)
    stops = [(first, 0.0, 0.0), *((f"{name} notch", places[0][name], places[1][name]) for name in shared)]
    stops.append((last, wholes[0], wholes[1]))
    stretches = tuple(
        Stretch(before[0], after[0], after[1] - before[1], after[2] - before[2]) for before, after in pairwise(stops)
    )
    return WalkedPair(rule.id, rule.one[0], rule.other[0], side, stretches, rule.ease_mm)


def _end_names(piece: Piece, seam: str, backwards: bool) -> tuple[str, str]:
    names = {begins: corner.replace("-", " ") for corner, begins in piece.part.corners.items()}
    ends = (names.get(seam, "start"), names.get(piece.part.follows(seam), "end"))
    return ends[::-1] if backwards else ends


# -- in words ------------------------------------------------------------------------------------------------------------


def pair_told(pair: WalkedPair, units: Units) -> list[str]:
    """What a fitter needs to know of a pair: how much longer one seam is, where, and whether that can be eased in."""
    where = "" if pair.side == "both" else f", {pair.side}"
    if abs(pair.longer) < TOLD_MM and all(abs(s.longer) < TOLD_MM for s in pair.stretches):
        return [f"{pair.name.capitalize()}{where}: {pair.one} and {pair.other} agree, from notch to notch."]
    lines = [f"{pair.name.capitalize()}{where}: {_longer(pair, pair.longer, units)}."]
    for stretch in pair.stretches:
        if abs(stretch.longer) >= TOLD_MM and len(pair.stretches) > 1:
            lines.append(f"  From {stretch.start} to {stretch.end}: {_longer(pair, stretch.longer, units)}.")
    if abs(pair.longer) >= TOLD_MM:
        most = format_reading(pair.ease, units)
        lines[0] = lines[0][:-1] + (
            "; ease it in."
            if abs(pair.longer) <= pair.ease
            else f"; more than the {most} that can be eased in, so true one to the other."
        )
    return lines


def _longer(pair: WalkedPair, by: float, units: Units) -> str:
    if abs(by) < TOLD_MM:
        return f"{pair.one} and {pair.other} agree"
    size = format_reading(abs(by), units)
    size = size if size not in ("0 in", "0 cm") else f"{abs(by):.1f} mm"
    return f"the {pair.other if by > 0 else pair.one} is {size} longer"


def corner_told(corner: WalkedCorner, *, drafted: bool = False) -> str:
    """`Waist at centre back: 91.7 degrees, square.` `drafted`: a block nobody has altered, whose corners are still to be trued."""
    where = "" if corner.side == "both" else f", {corner.side}"
    wanted = "square" if corner.wanted == 90 else "one run"
    off = corner.degrees - corner.wanted
    redraw = (
        "as the block is drafted; true it with the seams laid together"
        if drafted
        else "redraw it with the seams laid together"
    )
    told = wanted if corner.right else f"{abs(off):.0f} degrees off {wanted}{',' if drafted else ':'} {redraw}"
    return f"{corner.name[:1].upper()}{corner.name[1:]}{where}: {corner.degrees:.1f} degrees, {told}."


def untouched(pattern: Pattern) -> bool:
    """Whether a pattern is a block as it was drafted."""
    return pattern.grade == GRADE and not pattern.carried


def _changed(old: WalkedPair, pair: WalkedPair) -> bool:
    parts = (one.longer - was.longer for one, was in zip(pair.stretches, old.stretches, strict=False))
    return any(abs(mm) >= TOLD_MM for mm in (pair.longer - old.longer, *parts))


def differing(before: Walked, after: Walked, units: Units) -> list[str]:
    """What alterations did to the pairs and corners, in words; nothing where both still meet as they did."""
    lines: list[str] = []
    known = {(pair.name, pair.side): pair for pair in before.pairs}
    angles = {(corner.name, corner.side): corner for corner in before.corners}
    for pair in after.pairs:
        old = known.get((pair.name, pair.side)) or known.get((pair.name, "both"))
        if old is None or _changed(old, pair):
            lines += pair_told(pair, units)
    for corner in after.corners:
        old_corner = angles.get((corner.name, corner.side)) or angles.get((corner.name, "both"))
        changed = old_corner is None or abs(corner.degrees - old_corner.degrees) >= CHANGED_DEGREES
        if changed and not corner.right:
            lines.append(corner_told(corner))
    return lines


# -- drawn ---------------------------------------------------------------------------------------------------------------


def drawing(pattern: Pattern, found: Walked, units: Units) -> Drawing:
    """Each pair as two straight lines one above the other, with its notches, and what is longer written where it lies."""
    wide, left, high = 190.0, 32.0, 14.0 + 26.0 * len(found.pairs) + 6.0 * len(found.corners) + 8.0
    pen = Pen(wide, high)
    pen.text(0, 5, "The seams walked", Letters(15, bold=True, role="title"))
    y = 16.0
    told: list[str] = []
    for pair in found.pairs:
        both = [(pair.one, [s.one for s in pair.stretches]), (pair.other, [s.other for s in pair.stretches])]
        scale = (wide - left - 4) / max(sum(lengths) for _, lengths in both)
        called = pair.name.capitalize() + ("" if pair.side == "both" else f", {pair.side}")
        pen.text(0, y, called, Letters(10, bold=True, role="pair"))
        for row, (name, lengths) in enumerate(both):
            level, at = y + 4.0 + 6.0 * row, left
            pen.text(0, level + 1.2, name, Letters(9, role="piece"))
            pen.line([(left, level), (left + sum(lengths) * scale, level)], "new")
            for size in lengths:
                at += size * scale
                pen.line([(at, level - 1.6), (at, level + 1.6)], "part")
        at = left
        for stretch in pair.stretches:
            size = max(stretch.one, stretch.other) * scale
            if abs(stretch.longer) >= TOLD_MM:
                longer = _longer(pair, stretch.longer, units)
                pen.text(at + size / 2, y + 15.5, longer, Letters(8, role="longer"), anchor="middle")
            at += size
        told += pair_told(pair, units)
        y += 26.0
    for corner in found.corners:
        words = corner_told(corner, drafted=untouched(pattern))
        pen.text(0, y, words, Letters(9, role="corner"))
        told.append(words)
        y += 6.0
    return pen.done("The seams walked", " ".join(told))
