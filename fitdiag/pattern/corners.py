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
    sharp_ones = [corner for corner in every if corner not in part.smooth]
    refuse_wrong_extent(name, ring)
    marked = _on_ring(ring, turn_points)
    all_marked = len(marked) == len(every)
    names = every if all_marked else sharp_ones
    found: dict[tuple[int, ...], bool] = {}
    sharp: list[int] = []
    for by_curve in (True, False) if all_marked else (True,):  # a curve may have been filled up: marks are enough then
        for frame in frames(grain):
            turned = ring @ frame.T
            order = np.arange(len(ring)) if signed_area(turned) < 0 else np.arange(len(ring))[::-1]
            sharp = [int(index) for index in order[_turns(turned[order]) >= SHARP_DEGREES]]
            corners = [int(index) for index in order if index in marked] if all_marked else sharp
            if len(corners) == len(names):
                for labelled in _labelled(part, turned, names, corners, by_curve=by_curve):
                    found[labelled] = bool(order[0] > order[-1])
        if found:
            break
    if len(found) != 1:
        told = f"{name}: the seams cannot be told from the outline's {len(sharp)} sharp corners"
        hint = f"mark the {len(every)} ends of the seams with turn points (layer 2), and draw a grainline"
        raise stop("corners", told, hint=hint)
    ((labelled, backwards),) = found.items()
    at = dict(zip(every if len(labelled) == len(every) else sharp_ones, labelled, strict=True))
    for corner in part.smooth:
        if corner not in at:
            at[corner] = _smooth_corner(part, corner, ring, at, marked, backwards)
    ends = pairwise([at[corner] for corner in (*every, every[0])])
    return {
        seam: points(ring[_path(len(ring), start, end, backwards)])
        for seam, (start, end) in zip(part.seams, ends, strict=True)
    }


def _on_ring(ring: Array, marks: Array) -> set[int]:
    """Indexes of the points of an outline that are marked."""
    result = set()
    for mark in marks[:MOST_PARTS]:
        away = np.hypot(*(ring - mark).T)
        if away.min() <= CLOSED_MM:
            result.add(int(away.argmin()))
    return result


def _turns(ring: Array) -> Array:
    """By how many degrees an outline turns at each of its points."""
    into, onward = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    cross, dot = into[:, 0] * onward[:, 1] - into[:, 1] * onward[:, 0], (into * onward).sum(axis=1)
    return np.asarray(np.degrees(np.abs(np.arctan2(cross, dot))))


def _labelled(
    part: Part, ring: Array, names: Sequence[str], corners: Sequence[int], *, by_curve: bool = True
) -> Iterator[tuple[int, ...]]:
    """Every way to call corners (clockwise) by the names of the landmarks that makes an upright piece.

    `by_curve`: the seams that are the hollow ones of a piece must be so here.
    """
    backwards = signed_area(ring) >= 0
    for first in range(len(corners)):
        indexes = (*corners[first:], *corners[:first])
        if not _stands(part, {name: ring[index] for name, index in zip(names, indexes, strict=True)}):
            continue
        lines = {
            part.corners[name]: ring[_path(len(ring), start, end, backwards)]
            for name, (start, end) in zip(names, pairwise((*indexes, indexes[0])), strict=True)
        }
        if not by_curve or all(_hollow(lines[more]) > _hollow(lines[less]) for more, less in part.hollow):
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


def _path(count: int, start: int, end: int, backwards: bool) -> list[int]:
    """Indexes along an outline of `count` points from one to another, both included."""
    step = -1 if backwards else 1
    return [(start + step * index) % count for index in range((end - start) * step % count + 1)]


def _smooth_corner(
    part: Part, corner: str, ring: Array, at: Mapping[str, int], marked: set[int], backwards: bool
) -> int:
    """Index of the point where a seam goes over into the next without a corner, from the upper end of both downwards."""
    names = [name for name in part.landmarks if name == corner or name in at]
    place = names.index(corner)
    before, after = at[names[place - 1]], at[names[(place + 1) % len(names)]]
    down = _path(len(ring), before, after, backwards)[::-1]
    between = [index for index in down[1:-1] if index in marked]
    if len(between) == 1:
        return between[0]
    runs = _straight_runs(ring[down])
    if len(runs) == 1 and runs[0][0] == 0 and runs[0][1] < len(down) - 1:
        return down[runs[0][1]]
    seam = part.word(part.leads(part.corners[corner]))
    told = f"{part.name}: where the {seam} goes over into the {part.word(part.corners[corner])} cannot be told from the outline"
    raise stop("corners", told, hint="mark it with a turn point (layer 2)")


def _straight_runs(line: Array) -> list[tuple[int, int]]:
    """First and last index of every straight run of a line that is long enough to be a seam."""
    steps = np.diff(line, axis=0)
    heading = np.degrees(np.unwrap(np.arctan2(steps[:, 1], steps[:, 0])))
    runs, first = [], 0
    for index in range(1, len(steps) + 1):
        if index == len(steps) or abs(heading[index] - heading[first]) > STRAIGHT_DEGREES:
            if length(line[first : index + 1]) >= STRAIGHT_MM:
                runs.append((first, index))
            first = index
    return runs
