"""Walking the seams: each sewn pair compared from notch to notch, and the angles of the corners that meet."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from fitdiag.knowledge.garment import Meeting, Pair
from fitdiag.pattern.blocks import GRADE
from fitdiag.pattern.garment import far_on
from fitdiag.pattern.ink import Drawing, Letters, Pen
from fitdiag.pattern.measure import meeting_angle
from fitdiag.pattern.piece import Pattern, Side, length
from fitdiag.units import Units, format_reading

REPORTED_MM = 1.0  # smaller differences are not reported: they are lost in cutting
CHANGED_DEGREES = 2.0


@dataclass(frozen=True)
class Stretch:
    """The stretch between two matched points of a pair: their names, and its length on each seam, mm."""

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
    """A walked pair: the rule that declares it, its side, and its stretches from notch to notch."""

    rule: Pair
    side: Side
    stretches: tuple[Stretch, ...]

    @property
    def pieces(self) -> tuple[str, str]:
        return self.rule.one[0], self.rule.other[0]

    @property
    def longer(self) -> float:
        """By how much the second seam is longer over its whole length, mm."""
        return sum(stretch.longer for stretch in self.stretches)


@dataclass(frozen=True)
class WalkedCorner:
    """Corners that meet when sewn: the rule that declares them, the side, and the sum of their angles, degrees."""

    rule: Meeting
    side: Side
    degrees: float

    @property
    def off(self) -> float:
        """How far the sum is from what it should be, degrees."""
        return abs(self.degrees - self.rule.degrees)

    @property
    def right(self) -> bool:
        return self.off <= self.rule.within


@dataclass(frozen=True)
class Walked:
    """Everything found by walking the seams of a pattern: its pairs and its corners."""

    pairs: tuple[WalkedPair, ...]
    corners: tuple[WalkedCorner, ...]

    def pair(self, name: str, side: Side) -> WalkedPair:
        """A pair on one side; that of both sides where the sides do not differ."""
        return next(pair for pair in self.pairs if pair.rule.id == name and pair.side in (side, "both"))

    def corner(self, name: str, side: Side) -> WalkedCorner:
        """Corners that meet on one side; those of both sides where the sides do not differ."""
        return next(corner for corner in self.corners if corner.rule.id == name and corner.side in (side, "both"))

    def as_data(self) -> dict[str, Any]:
        """Plain values for JSON, lengths in mm."""
        return {
            "pairs": [
                {
                    "pair": pair.rule.id, "side": pair.side, **dict(zip(("one", "other"), pair.pieces, strict=True)),
                    "longer_mm": pair.longer, "ease_mm": pair.rule.ease_mm,
                    "stretches": [
                        {"from": s.start, "to": s.end, "one_mm": s.one, "other_mm": s.other} for s in pair.stretches
                    ],
                }
                for pair in self.pairs
            ],
            "corners": [
                {"corner": c.rule.id, "side": c.side, "degrees": c.degrees, "wanted": c.rule.degrees, "right": c.right}
                for c in self.corners
            ],
        }  # fmt: skip


def walked(pattern: Pattern) -> Walked:
    """Walk every sewn pair and measure every corner, on each side where the sides differ."""
    garment = pattern.garment.rule
    sides = [(side, pattern.of(side)) for side in pattern.sides]
    pairs = (WalkedPair(rule, side, _walk(own, rule)) for side, own in sides for rule in garment.pairs)
    corners = (WalkedCorner(rule, side, meeting_angle(own, rule)) for side, own in sides for rule in garment.meetings)
    return Walked(tuple(pairs), tuple(corners))


def _walk(pattern: Pattern, rule: Pair) -> tuple[Stretch, ...]:
    backwards = rule.from_end == "end"
    wholes, places = [], []  # of both seams: the length, and how far along it each notch lies, mm
    for name, seam in (rule.one, rule.other):
        line = pattern.pieces[name].seams[seam][:: -1 if backwards else 1]
        wholes.append(length(line))
        places.append({one.name: far_on(line, one.at) for one in pattern.pieces[name].notches if one.seam == seam})
    shared = sorted((name for name in places[0] if name in places[1]), key=lambda name: places[0][name])
    part = pattern.pieces[rule.one[0]].part
    corners = {begins: corner.replace("-", " ") for corner, begins in part.corners.items()}
    ends = (corners[rule.one[1]], corners[part.follows(rule.one[1])])
    first, last = ends[::-1] if backwards else ends
    called = {name: f"notch {name}" if name.isdigit() else f"{name} notch" for name in shared}
    stops = [(first, 0.0, 0.0), *((called[name], places[0][name], places[1][name]) for name in shared)]
    stops.append((last, wholes[0], wholes[1]))
    return tuple(
        Stretch(before[0], after[0], after[1] - before[1], after[2] - before[2]) for before, after in pairwise(stops)
    )


# -- in words ------------------------------------------------------------------------------------------------------------


def _where(found: WalkedPair | WalkedCorner) -> str:
    name = found.rule.id
    return f"{name[:1].upper()}{name[1:]}{'' if found.side == 'both' else f', {found.side}'}"


def pair_sentences(pair: WalkedPair, units: Units) -> list[str]:
    """What a fitter needs to know of a pair, in lines: how much longer one seam is, where, and whether it can be eased."""
    parts = [stretch for stretch in pair.stretches if abs(stretch.longer) >= REPORTED_MM]
    whole, ease = abs(pair.longer), pair.rule.ease_mm
    if whole < REPORTED_MM and not parts:
        return [f"{_where(pair)}: {' and '.join(pair.pieces)} agree, from notch to notch."]
    then = f"; more than the {format_reading(ease, units)} that can be eased in, so true one to the other"
    then = "" if whole < REPORTED_MM else "; ease it in" if whole <= ease else then
    lines = [f"{_where(pair)}: {_longer(pair, pair.longer, units)}{then}."]
    for stretch in parts if len(pair.stretches) > 1 else ():
        lines.append(f"  From {stretch.start} to {stretch.end}: {_longer(pair, stretch.longer, units)}.")
    return lines


def _longer(pair: WalkedPair, by: float, units: Units) -> str:
    if abs(by) < REPORTED_MM:
        return f"{' and '.join(pair.pieces)} agree"
    size = format_reading(abs(by), units)
    size = size if size not in ("0 in", "0 cm") else f"{abs(by):.1f} mm"
    return f"the {pair.pieces[by > 0]} is {size} longer"


def corner_sentence(corner: WalkedCorner, *, drafted: bool = False) -> str:
    """`Waist at centre back: 91.7 degrees, square.` `drafted`: of an unaltered block, whose corners are not yet trued."""
    verdict = "square" if corner.rule.degrees == 90 else "a smooth line"
    if not corner.right:
        what = ", as the block is drafted; true" if drafted else ": redraw"
        verdict = f"{corner.off:.0f} degrees off {verdict}{what} it with the seams laid together"
    return f"{_where(corner)}: {corner.degrees:.1f} degrees, {verdict}."


def untouched(pattern: Pattern) -> bool:
    """Whether a pattern is a block exactly as drafted."""
    return pattern.grade == GRADE and not pattern.carried


def differing(before: Walked, after: Walked, units: Units) -> list[str]:
    """What alterations did to the pairs and corners, in lines; those that still meet as before are left out."""
    lines: list[str] = []
    for pair in after.pairs:
        old = before.pair(pair.rule.id, pair.side)
        parts = (one.longer - was.longer for one, was in zip(pair.stretches, old.stretches, strict=False))
        if any(abs(mm) >= REPORTED_MM for mm in (pair.longer - old.longer, *parts)):
            lines += pair_sentences(pair, units)
    for corner in after.corners:
        was = before.corner(corner.rule.id, corner.side).degrees
        if abs(corner.degrees - was) >= CHANGED_DEGREES and not corner.right:
            lines.append(corner_sentence(corner))
    return lines


# -- drawn ---------------------------------------------------------------------------------------------------------------


def drawing(pattern: Pattern, found: Walked, units: Units) -> Drawing:
    """Draw each pair as two straight lines, one above the other, with its notches and each difference where it lies."""
    wide, left, high = 190.0, 32.0, 14.0 + 26.0 * len(found.pairs) + 6.0 * len(found.corners) + 8.0
    pen = Pen(wide, high)
    pen.text(0, 5, "The seams walked", Letters(15, bold=True, role="title"))
    y = 16.0
    lines: list[str] = []
    for pair in found.pairs:
        both = [(pair.pieces[0], [s.one for s in pair.stretches]), (pair.pieces[1], [s.other for s in pair.stretches])]
        scale = (wide - left - 4) / max(sum(lengths) for _, lengths in both)
        pen.text(0, y, _where(pair), Letters(10, bold=True, role="pair"))
        for row, (name, lengths) in enumerate(both):
            level = y + 4.0 + 6.0 * row
            pen.text(0, level + 1.2, name, Letters(9, role="piece"))
            pen.line([(left, level), (left + sum(lengths) * scale, level)], "new")
            for at in (left + np.cumsum(lengths) * scale).tolist():
                pen.line([(at, level - 1.6), (at, level + 1.6)], "part")
        at = left
        for stretch in pair.stretches:
            size = max(stretch.one, stretch.other) * scale
            if abs(stretch.longer) >= REPORTED_MM:
                longer = _longer(pair, stretch.longer, units)
                pen.text(at + size / 2, y + 15.5, longer, Letters(8, role="longer"), anchor="middle")
            at += size
        lines += pair_sentences(pair, units)
        y += 26.0
    for corner in found.corners:
        lines.append(corner_sentence(corner, drafted=untouched(pattern)))
        pen.text(0, y, lines[-1], Letters(9, role="corner"))
        y += 6.0
    return pen.done("The seams walked", " ".join(lines))
