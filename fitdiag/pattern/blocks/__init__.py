"""Blocks drafted from body measures: one module for each garment, named after it, and the drawing tools they share.

A block is a starting point for a figure of these measures, not a pattern that fits. A garment without a module has no
block.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib import import_module
from importlib.util import find_spec
from math import ceil, floor

import numpy as np

from fitdiag.pattern.assemble import across
from fitdiag.pattern.garment import Garment, with_notches
from fitdiag.pattern.piece import Array, Pattern, Piece, left_of, points, unit
from fitdiag.problems import stop
from fitdiag.units import Units, format_reading

GRADE = "a drafted block, not a fitted pattern"
STEP_MM = 4.0  # distance between the points of drafted lines
STEP_IN = 12.7  # half an inch, to which limits are printed
WAIST_OVER_HIP_MM = 30.0  # a waist this much larger than the hip is probably a mistake; a judgement, no source


@dataclass(frozen=True)
class Asked:
    """A body measure that a block is drafted from, in mm: its limits, its usual value and its standard deviation.

    `girth`: the measure of the pattern that goes round the body there, to work out the ease.
    """

    name: str
    least: float
    most: float
    usual: float
    spread: float
    girth: str = ""

    @property
    def words(self) -> str:
        return self.name.replace("_", " ")


@dataclass(frozen=True)
class Block:
    """How the block of a garment is drafted, and its source.

    `pieces`: drafts the pieces from the measures (mm) by name; x = 0 is the grain, y = 0 the bottom. `shares`: a
    measure, one to compare it with, and the least and greatest ratio on nearly every figure. `order`: a measure that
    must be less than a share of another. `tells`: measures of the pattern to print with the block. `expects`: pattern
    measures computed from others.
    """

    source: str
    asked: tuple[Asked, ...]
    pieces: Callable[[Mapping[str, float], Garment], Mapping[str, Piece]]
    shares: tuple[tuple[str, str, float, float], ...] = ()
    order: tuple[tuple[str, str, float], ...] = ()
    tells: tuple[str, ...] = ()
    expects: Mapping[str, Callable[[Mapping[str, float]], float]] = field(default_factory=dict)


def block_of(garment: Garment) -> Block:
    """The block of a garment. Raises ProblemsFoundError where none is known."""
    name = f"{__name__}.{garment.name.replace('-', '_').replace(' ', '_')}"
    if find_spec(name) is None:
        message = f"no block is known for this garment ({garment.name})"
        raise stop("block", message, hint="read a pattern from a file, with fitdiag pattern read")
    block: Block = import_module(name).BLOCK
    return block


def usual_block(garment: Garment) -> Pattern:
    """The block of a usual figure. Raises ProblemsFoundError where no block is known."""
    return draft_block(garment, {asked.name: asked.usual for asked in block_of(garment).asked})


def draft_block(garment: Garment, given: Mapping[str, float], units: Units = "cm") -> Pattern:
    """Draft the block of a garment from body measures in mm.

    Raises ProblemsFoundError, its message in `units`, for measures out of range or out of order.
    """
    block = block_of(garment)
    for asked in block.asked:
        if not asked.least <= given[asked.name] <= asked.most:
            message = f"{asked.words} of {format_reading(given[asked.name], units)} is outside {_between(asked, units)}"
            raise stop("measure", message, hint="check the unit")
    for less, more, share in block.order:
        if not given[less] < given[more] * share:
            most = more.replace("_", " ") if share == 1.0 else f"{share:.0%} of {more.replace('_', ' ')}"
            raise stop("measure", f"{less.replace('_', ' ')} must be less than {most}", hint="check the measures")
    return Pattern(garment, dict(block.pieces(given, garment)), title="Drafted block", grade=GRADE, units=units)


def _between(asked: Asked, units: Units) -> str:
    if units == "cm":
        return f"{asked.least / 10:g} to {asked.most / 10:g} cm"
    low, high = (f"{step_at(mm / STEP_IN) / 2:g}" for step_at, mm in ((ceil, asked.least), (floor, asked.most)))
    return f"{low} to {high} in"


def larger_above(given: Mapping[str, float]) -> tuple[str, str] | None:
    """(`waist`, `hip`) if the waist is so much larger that they were probably swapped."""
    return ("waist", "hip") if given["waist"] >= given["hip"] + WAIST_OVER_HIP_MM else None


def out_of_proportion(block: Block, given: Mapping[str, float], units: Units) -> str:
    """One line about measures that hardly belong together; empty if all do. Only a warning: the fitter knows best."""
    doubts = []
    waist, hip = (format_reading(given[name], units) for name in ("waist", "hip"))
    if larger_above(given):
        doubts.append(f"the waist ({waist}) is larger than the hip ({hip}); perhaps they are exchanged")
    for name, other, least, most in block.shares:
        value, beside = given[name], given[other]
        if not least * beside <= value <= most * beside:
            word = "small" if value < least * beside else "large"
            shown = f"{name.replace('_', ' ')} ({format_reading(value, units)})"
            doubts.append(f"{shown} is {word} beside {other.replace('_', ' ')} ({format_reading(beside, units)})")
    return f"Look at the measures once more: {'; '.join(doubts)}." if doubts else ""


# -- lines ---------------------------------------------------------------------------------------------------------------


def finished(piece: Piece, level: Mapping[str, float], inner: Mapping[str, float]) -> Piece:
    """A drafted piece with notches and level lines, each from edge to edge, or from the vertical at its x in `inner`."""
    found = {}
    for name in piece.part.ends:
        line = across(piece, name, level[name])
        assert line is not None
        found[name] = points([[inner[name], level[name]], line[1]]) if name in inner else line
    return with_notches(Piece(piece.part, piece.seams, piece.darts, found))


def line(start: object, end: object) -> Array:
    """A straight seam, (n, 2), with a point every few millimetres, so that alterations can bend it."""
    first, last = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    count = max(2, round(float(np.hypot(*(last - first))) / STEP_MM) + 1)
    return points(np.linspace(first, last, count))


def bowed(start: object, end: object, bow: float) -> Array:
    """A seam, (n, 2), bowed by `bow` mm at its middle, to its left: outward, as the outline runs clockwise."""
    found = line(start, end).copy()
    along = found[-1] - found[0]
    outward = unit(left_of(along))
    share = np.linspace(0.0, 1.0, len(found))
    return points(found + np.outer(4 * share * (1 - share) * bow, outward))


def join(*parts: Array) -> Array:
    """One polyline of several, each of which starts where the one before ends."""
    return points(np.concatenate([parts[0], *(part[1:] for part in parts[1:])]))


def bezier(start: Array, control: Array, end: Array) -> Array:
    """A quadratic Bezier curve, as (n, 2) points."""
    count = max(8, round(float(np.hypot(*(end - start))) / STEP_MM * 1.2) + 1)
    t = np.linspace(0.0, 1.0, count)[:, None]
    return points((1 - t) ** 2 * start + 2 * t * (1 - t) * control + t**2 * end)


def meet(a: Array, a_direction: Array, b: Array, b_direction: Array) -> Array:
    """The intersection of two lines, each given by a point and a direction."""
    s = np.linalg.solve(np.column_stack([a_direction, -b_direction]), b - a)
    return np.asarray(a + a_direction * s[0])
