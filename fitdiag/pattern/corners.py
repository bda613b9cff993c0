"""The seams of a bare outline: its corners, told apart by how an upright piece of the garment stands."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

import numpy as np

from fitdiag.knowledge.garment import STANDS
from fitdiag.pattern.assemble import MOST_PARTS, frames, refuse_wrong_extent, signed_area
from fitdiag.pattern.piece import CLOSED_MM, Array, Part, left_of, length, points
from fitdiag.problems import stop

SHARP_DEGREES = 40.0  # an outline that turns this much at one point has a corner there
STRAIGHT_DEGREES = 0.3  # steps that differ by less run straight on
STRAIGHT_MM = 30.0  # a straight run this long is a seam, not a piece of a curve


def seams_of_outline(part: Part, ring: Array, turn_points: Array, grain: Array | None) -> dict[str, Array]:
    """The seams of a bare outline (each point once), by its turn points or its corners. Raises ProblemsFoundError.

    As many turn points as the piece has corners are taken for them. Otherwise the sharp corners are sought, and the smooth one
    is a turn point between its neighbours, or the end of the one straight run down from the top.
    """
    name, every = part.name, part.landmarks
    refuse_wrong_extent(name, ring)
    away = [np.hypot(*(ring - mark).T) for mark in turn_points[:MOST_PARTS]]
    marked = {int(far.argmin()) for far in away if far.min() <= CLOSED_MM}
    sharp = np.flatnonzero(_turns(ring) >= SHARP_DEGREES).tolist()
    all_marked = len(marked) == len(every)
    names = [corner for corner in every if all_marked or corner not in part.smooth]
    corners = sorted(marked) if all_marked else sharp
    found: dict[tuple[int, ...], int] = {}  # the corners, clockwise, and the step from point to point that runs so
    for by_curve in (True, False) if all_marked else (True,):  # a curve may have been filled up: marks are enough then
        for frame in frames(grain) if not found and len(corners) == len(names) else ():
            turned = ring @ frame.T
            step = 1 if signed_area(turned) < 0 else -1
            found |= dict.fromkeys(_labelled(part, turned, names, corners[::step], step, by_curve=by_curve), step)
    if len(found) != 1:
        told = f"{name}: the seams cannot be told from the outline's {len(sharp)} sharp corners"
        hint = f"mark the {len(every)} ends of the seams with turn points (layer 2), and draw a grainline"
        raise stop("corners", told, hint=hint)
    ((labelled, step),) = found.items()
    at = dict(zip(names, labelled, strict=True))
    for corner in part.smooth:
        if corner not in at:
            at[corner] = _smooth_corner(part, corner, ring, at, marked, step)
    ends = pairwise([at[corner] for corner in (*every, every[0])])
    return {
        seam: points(ring[_path(len(ring), start, end, step)])
        for seam, (start, end) in zip(part.seams, ends, strict=True)
    }


def _turns(ring: Array) -> Array:
    """By how many degrees an outline turns at each of its points."""
    into, onward = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    cross, dot = into[:, 0] * onward[:, 1] - into[:, 1] * onward[:, 0], (into * onward).sum(axis=1)
    return np.asarray(np.degrees(np.abs(np.arctan2(cross, dot))))


def _labelled(
    part: Part, ring: Array, names: Sequence[str], corners: Sequence[int], step: int, *, by_curve: bool
) -> Iterator[tuple[int, ...]]:
    """Every way to call corners (clockwise) by the names of the landmarks that makes an upright piece.

    `by_curve`: the seams that are the hollow ones of a piece must be so here.
    """
    for first in range(len(corners)):
        indexes = (*corners[first:], *corners[:first])
        if not _stands(part, {name: ring[index] for name, index in zip(names, indexes, strict=True)}):
            continue
        hollow = {
            part.corners[name]: _hollow(ring[_path(len(ring), start, end, step)])
            for name, (start, end) in zip(names, pairwise((*indexes, indexes[0])), strict=True)
        }
        if not by_curve or all(hollow[more] > hollow[less] for more, less in part.hollow):
            yield indexes


def _stands(part: Part, corners: Mapping[str, Array]) -> bool:
    """Whether landmarks lie as those of an upright piece do, by the statements of its shape about those that are known."""
    height = float(np.ptp([point[1] for point in corners.values()]))
    for text in part.stands:
        one, how, other, share = STANDS.match(text).groups()  # type: ignore[union-attr]
        if one in corners and other in corners:
            apart = corners[one] - corners[other]
            if apart[1] < float(share or 0.0) * height if how == "above" else apart[0] >= 0:
                return False
    return True


def _hollow(line: Array) -> float:
    """How far a line leaves its chord, as a share of the chord."""
    chord = line[-1] - line[0]
    size = float(np.hypot(*chord)) or 1.0
    return float(np.abs((line - line[0]) @ left_of(chord)).max()) / size**2


def _path(count: int, start: int, end: int, step: int) -> list[int]:
    """Indexes along an outline of `count` points from one to another, both included, by steps of 1 or -1."""
    return [(start + step * index) % count for index in range((end - start) * step % count + 1)]


def _smooth_corner(part: Part, corner: str, ring: Array, at: Mapping[str, int], marked: set[int], step: int) -> int:
    """Index of the point where a seam goes over into the next without a corner, from the upper end of both downwards.

    It is the one that is marked between, or the end of the one straight run that is long enough to be a seam.
    """
    names = [name for name in part.landmarks if name == corner or name in at]
    place = names.index(corner)
    down = _path(len(ring), at[names[place - 1]], at[names[(place + 1) % len(names)]], step)[::-1]
    between = [index for index in down[1:-1] if index in marked]
    if len(between) == 1:
        return between[0]
    line = ring[down]
    steps = np.diff(line, axis=0)
    heading = np.degrees(np.unwrap(np.arctan2(steps[:, 1], steps[:, 0])))
    runs, first = [], 0
    for index in range(1, len(line)):
        if index == len(steps) or abs(heading[index] - heading[first]) > STRAIGHT_DEGREES:
            if length(line[first : index + 1]) >= STRAIGHT_MM:
                runs.append((first, index))
            first = index
    if len(runs) == 1 and runs[0][0] == 0 and runs[0][1] < len(down) - 1:
        return down[runs[0][1]]
    seam = part.word(part.leads(part.corners[corner]))
    told = f"{part.name}: where the {seam} goes over into the {part.word(part.corners[corner])} cannot be told from the outline"
    raise stop("corners", told, hint="mark it with a turn point (layer 2)")
