"""Trueing as a cutter does it: only where an alteration left a step or a bend, with a smooth curve.

Each `Joint` of a piece is smoothed within a short reach and then removed, so trueing twice changes nothing more. A bend
is smoothed through its own point, so that a width taken there stays; a step is bridged from the line before it to the
line after. The reach ends at corners and level lines, so that girths stay; what it does to the length of each seam is
reported.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from fitdiag.pattern.alter import exchanged, redraw
from fitdiag.pattern.garment import arc, at_far, far_on, off
from fitdiag.pattern.piece import Array, Joint, Part, Pattern, Piece, apart, length, turn, unit

REACH_MM = 40.0  # how far along the seam a step or bend is smoothed to either side; by eye, no source
STEP_REACH = 4.0  # and at least this many times the step
MOST_REACH_MM = 90.0
LEAST_REACH_MM = 12.0
POINT_MM = 4.0
SQUARE_MM = 20.0  # a waist runs square to the centre for 2 cm; common practice, no source
ON_MM = 0.1
SEEN_DEGREES, SEEN_MM = 0.3, 0.05  # smaller bends and steps are left alone


@dataclass(frozen=True)
class Trued:
    """What trueing did to a seam: its piece, its name, and its length before and after, in mm."""

    piece: str
    seam: str
    before: float
    after: float
    word: str = ""  # the trade's name for the seam

    @property
    def change(self) -> float:
        return self.after - self.before


def true(pattern: Pattern) -> tuple[Pattern, tuple[Trued, ...]]:
    """True every step and bend that alterations left in a pattern; also return what that did to each of their seams."""
    trued: list[Trued] = []
    pieces, left = dict(pattern.pieces), dict(pattern.left)
    for own, side in ((pieces, ""), (left, "left ")):
        for name, piece in own.items():
            own[name], found = true_piece(piece)
            trued += [replace(one, piece=f"{side}{name}") for one in found]
    return replace(pattern, pieces=pieces, left=left), tuple(trued)


def true_piece(piece: Piece) -> tuple[Piece, tuple[Trued, ...]]:
    """True the joints of a piece; also return what that did to each of their seams."""
    if not piece.joints:
        return piece, ()
    joints, result = piece.joints, replace(piece, joints=())
    touched: dict[str, None] = {}
    for chain in chains(piece.part):
        own = [joint for joint in joints if joint.seam in chain]
        if own:
            result, moved = _chain(result, chain, own)
            for joint in own:
                result, more = _squared(result, chain, joint)
                moved = [*moved, *more]
            touched |= dict.fromkeys(moved)
    found = tuple(
        Trued(piece.name, s, length(piece.seams[s]), length(result.seams[s]), piece.part.word(s)) for s in touched
    )
    return result, found


def chains(part: Part) -> list[tuple[str, ...]]:
    """The seams of a piece in order, grouped where one runs into the next without a corner."""
    found: list[list[str]] = []
    smooth = {part.corners[corner] for corner in part.smooth}
    for seam in part.seams:
        if seam in smooth and found:
            found[-1].append(seam)
        else:
            found.append([seam])
    return [tuple(chain) for chain in found]


def _squared(piece: Piece, chain: tuple[str, ...], joint: Joint) -> tuple[Piece, list[str]]:
    """Square a seam to the one it meets if it was altered at its very end: over the first two centimetres.

    A seam that runs into the next one of its `chain` without a corner stays as it is.
    """
    line = piece.seams[joint.seam]
    ends = [k for k in (0, -1) if joint.seam == chain[k] and apart(line[k], joint.at[0]) <= SEEN_MM]
    if not ends or apart(joint.at[-1], joint.at[0]) > SEEN_MM:
        return piece, []
    first = ends[0] == 0
    other = piece.seams[piece.part.leads(joint.seam) if first else piece.part.follows(joint.seam)]
    run = other[-1] - other[-2] if first else other[0] - other[1]
    run = unit(run)
    corner = line[ends[0]]

    far = arc(line)
    done, whole = (far if first else far[-1] - far), float(far[-1])
    edge, reach = min(SQUARE_MM, whole / 4), min(4 * SQUARE_MM, whole / 2)
    share = np.clip((reach - done) / (reach - edge), 0.0, 1.0)
    most = float((at_far(line, edge if first else whole - edge) - corner) @ run)
    by = np.where(done <= edge, (line - corner) @ run, most * share**2 * (3 - 2 * share))
    return redraw(piece, {joint.seam: line - np.outer(by, run)}), [joint.seam]


class _Reach(NamedTuple):
    """A stretch of a chain to be redrawn, by arc length in mm: its ends, and the point it must pass through, if any."""

    start: float
    end: float
    through: float | None


def _chain(piece: Piece, chain: tuple[str, ...], joints: list[Joint]) -> tuple[Piece, list[str]]:
    line = np.concatenate([piece.seams[chain[0]], *(piece.seams[name][1:] for name in chain[1:])])
    for reach in reversed(_merged(sorted(_reaches(piece, line, arc(line), joints)))):
        line = _redrawn(line, reach)  # the last first, so that arc lengths before it stay the same
    seams = {}
    for name in chain[:-1]:  # split again, each seam ending as near as possible to where it did
        away = np.hypot(*(line - piece.seams[name][-1]).T)
        index = int(np.clip(np.argmin(away), 1, len(line) - 2))
        seams[name], line = line[: index + 1], line[index:]
    seams[chain[-1]] = line
    touched = {name: line for name, line in seams.items() if not np.array_equal(line, piece.seams[name])}
    return exchanged(piece, touched), list(touched)


def _reaches(piece: Piece, line: Array, at: Array, joints: list[Joint]) -> Iterator[_Reach]:
    fixed = [
        far for drawn in piece.lines.values() for end in (drawn[0], drawn[-1]) if (far := _on(line, end)) is not None
    ]
    for joint in joints:
        here = sorted(far for point in joint.at if (far := _on(line, point)) is not None)
        if not here:
            continue
        low, high = here[0], here[-1]
        step = high - low
        at_end = low <= SEEN_MM or low >= at[-1] - SEEN_MM
        if step <= SEEN_MM and (at_end or _bend(line, low) < SEEN_DEGREES):
            continue
        reach = min(max(REACH_MM, STEP_REACH * step), MOST_REACH_MM)
        below = max([far for far in fixed if far < low - LEAST_REACH_MM], default=0.0)
        above = min([far for far in fixed if far > high + LEAST_REACH_MM], default=float(at[-1]))
        start, end = max(low - reach, below, 0.0), min(high + reach, above, float(at[-1]))
        inside = [far for far in fixed if low - 1.0 <= far <= high + 1.0]  # a width is measured right there
        yield _Reach(start, end, low if step <= SEEN_MM else inside[0] if inside else None)


def _merged(reaches: list[_Reach]) -> list[_Reach]:
    """Stretches in order, overlapping ones merged."""
    found: list[_Reach] = []
    for reach in reaches:
        if not found or reach.start >= found[-1].end - 1e-9:
            found.append(reach)
            continue
        last = found.pop()
        one, two = last.through, reach.through
        if one is not None and two is not None and two - one > LEAST_REACH_MM:
            middle = (one + two) / 2  # two bends: each stays on its own side
            found += [last._replace(end=middle), reach._replace(start=middle)]
        else:
            found.append(_Reach(last.start, max(last.end, reach.end), None if two is None else one))
    return found


def _on(line: Array, point: Array) -> float | None:
    """The arc length of a point on a line, mm; None if it does not lie on the line."""
    return far_on(line, point) if off(line, point) < ON_MM else None


def _heading(line: Array, far: float, over: float) -> Array:
    """Unit direction of a line over the `over` mm after the arc length `far`, or before it if negative."""
    return unit((at_far(line, far + over) - at_far(line, far)) * np.sign(over))


def _bend(line: Array, far: float) -> float:
    """Degrees by which a line turns at an arc length, between the few mm before it and after it."""
    return abs(float(np.degrees(turn(_heading(line, far, -POINT_MM), _heading(line, far, POINT_MM)))))


def _redrawn(line: Array, reach: _Reach) -> Array:
    """The line with one stretch redrawn as one curve, or as two that meet at the point to pass through."""
    at = arc(line)
    knots = [reach.start, *([reach.through] if reach.through is not None else []), reach.end]
    places = [at_far(line, far) for far in knots]
    over = 1.5 * POINT_MM
    first = _heading(line, reach.start, -over) if reach.start > over else _heading(line, reach.start, over)
    last = _heading(line, reach.end, over) if reach.end < at[-1] - over else _heading(line, reach.end, -over)
    headings = [first, last]
    if reach.through is not None:
        headings.insert(1, unit(_heading(line, reach.through, -over) + _heading(line, reach.through, over)))
    curves = [
        _hermite(*one, *other)[k > 0 :] for k, (one, other) in enumerate(pairwise(zip(places, headings, strict=True)))
    ]
    return np.concatenate([line[at < reach.start - 1e-9], *curves, line[at > reach.end + 1e-9]])


def _hermite(start: Array, leaves: Array, end: Array, arrives: Array) -> Array:
    """A cubic Hermite curve from one point and direction to another, as (n, 2) points a few mm apart."""
    size = apart(end, start)
    t = np.linspace(0.0, 1.0, max(3, round(size / POINT_MM) + 1))[:, None]
    from_start = (2 * t**3 - 3 * t**2 + 1) * start + (t**3 - 2 * t**2 + t) * leaves * size
    return np.asarray(from_start + (3 * t**2 - 2 * t**3) * end + (t**3 - t**2) * arrives * size)
