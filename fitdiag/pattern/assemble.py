"""Assemble pieces from the lines of a drawing, which may run either way and may be rotated or mirrored.

Lines are given the direction, order and upright orientation of a `Piece`. A bare outline is split into seams; its corners are
identified by how the corners of an upright piece of the garment lie. What is ambiguous is refused, never guessed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from fitdiag.knowledge.garment import STANDS
from fitdiag.pattern import record
from fitdiag.pattern.garment import Garment, off, with_notches
from fitdiag.pattern.measure import crossing, hip_width
from fitdiag.pattern.piece import (
    CLOSED_MM,
    MOST_POINTS,
    Array,
    Carried,
    Dart,
    Notch,
    Part,
    Pattern,
    Piece,
    Side,
    apart,
    faults,
    left_of,
    length,
    points,
    unit,
)
from fitdiag.problems import Problem, ProblemsFoundError, one_line, stop
from fitdiag.units import Units

WIDTH_MM = (150.0, 1500.0)  # total width of the pieces side by side; common practice, no source
EXTENT_MM = (150.0, 3000.0)  # largest extent of one piece, from shorts to the tallest wearer
SAME_LEVEL_MM = 2.0  # a level given at a height may lie so far from its line or seam; more is a slip of the pen
MOST_PARTS = 300  # lines of one seam, or marks on one outline
SHARP_DEGREES = 40.0  # a point where the outline turns at least this much is a corner
STRAIGHT_DEGREES = 0.3  # a change of heading below this counts as straight
STRAIGHT_MM = 30.0  # a straight run at least this long is a seam, not part of a curve
_FLIPS = [np.diag([float(across), float(up)]) for across, up in ((1, 1), (-1, 1), (-1, -1), (1, -1))]


@dataclass
class Taken:
    """What was read from a drawing, for the fitter to check: the unit and why, how lines were interpreted, what was left out."""

    lines: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)

    def messages(self) -> list[str]:
        """Return the lines, then one that lists what was left out."""
        messages = list(self.lines)
        if self.left_out:
            names = list(dict.fromkeys(self.left_out))
            more = f" and {len(names) - 12} more" if len(names) > 12 else ""
            messages.append(f"Left out: {', '.join(names[:12])}{more}.")
        return messages


@dataclass
class Drawn:
    """One piece as drawn, in mm, y up: each line is identified, but its direction is not yet known.

    `origin`: position of the piece's own (0, 0); if None, the grainline gets x = 0 and the lowest point y = 0.
    """

    part: Part
    seams: dict[str, Array] = field(default_factory=dict)
    darts: list[Array] = field(default_factory=list)
    lines: dict[str, Array] = field(default_factory=dict)
    notches: list[tuple[str, str, Array]] = field(default_factory=list)
    holes: list[Array] = field(default_factory=list)
    levels: dict[str, Array] = field(default_factory=dict)
    grain: Array | None = None
    origin: Array | None = None
    allowance: dict[str, float] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def take(self, kind: str, name: str, line: Array) -> bool:
        """Store a line that is not a seam by its kind and name; return False if our own files could not contain it.

        Of an origin, a grainline, or a level or line of one name there is one: the first is kept.
        """
        match kind:
            case "origin" if self.origin is None:
                self.origin = line[0]
            case "grain" if self.grain is None:
                self.grain = line[[0, -1]]
            case "dart" if len(line) > 2 and len(self.darts) < record.MOST_DARTS:
                self.darts.append(line)
            case "level" if name in self.part.levels and name not in self.levels:
                self.levels[name] = line
            case "line" if self._may_hold(name):
                self.lines[name] = line
            case "hole" if len(self.holes) < record.MOST_NOTCHES:
                self.holes.append((line.min(axis=0) + line.max(axis=0)) / 2)
            case "notch" if name.rpartition(" ")[2] in self.part.seams and len(self.notches) < record.MOST_NOTCHES:
                label, _, seam = name.rpartition(" ")
                self.notches.append((label, seam, line[0]))
            case _:
                return False
        return True

    def _may_hold(self, line: str) -> bool:
        """Whether another line may have this name."""
        known = record.LINE_NAME.match(line) is not None and line not in self.lines
        return known and len(self.lines) < record.MOST_LINES


def piece_of(drawn: Drawn) -> Piece:
    """Build a piece from its drawn lines. Raises ProblemsFoundError with all its faults."""
    names = drawn.part.seams
    missing = [name for name in names if name not in drawn.seams]
    if missing:
        hint = f"a piece has {', '.join(names)}"
        raise stop("seams", f"{drawn.part.name}: the seams {', '.join(missing)} are missing", hint=hint)
    _refuse_wrong_extent(drawn.part.name, np.concatenate(list(drawn.seams.values())))
    seams = _in_order(drawn.part, drawn.seams)
    follows = [(name, drawn.part.follows(name)) for name in names]
    if sum(apart(seams[one][-1], seams[other][0]) > CLOSED_MM for one, other in follows) > 2:
        message = f"{drawn.part.name}: the seams do not meet in the order {', '.join(names)}"
        raise stop("open", message, hint="are their names swapped?")
    frame = next((frame for frame in _frames(drawn.grain) if _upright(drawn.part, seams, frame)), None)
    if frame is None:
        hint = "the seams' names may be swapped, or a grainline is missing"
        raise stop("direction", f"{drawn.part.name}: it is not clear which way up the piece lies", hint=hint)
    grain = _grain(drawn, seams, frame)
    shift = _shift(drawn, seams, grain, frame)

    def placed(line: Array) -> Array:
        return points(line @ frame.T + shift)

    seams = {name: placed(line) for name, line in seams.items()}
    notes = list(drawn.notes)
    if drawn.grain is None:
        bottom = drawn.part.word(drawn.part.stays)
        notes.append(f"No grainline was drawn: it was placed through the middle of the {bottom}.")
    lines = {name: placed(line) for name, line in drawn.lines.items()}
    # centre first
    lines = {name: line if line[0][0] <= line[-1][0] else points(line[::-1]) for name, line in lines.items()}
    piece = Piece(
        drawn.part,
        seams,
        tuple(_dart(placed(line), seams[names[0]]) for line in drawn.darts),
        lines,
        tuple(Notch(name, seam, placed(at[None])[0]) for name, seam, at in drawn.notches),
        float(placed(grain)[:, 0].mean()),
        dict(drawn.allowance),
        holes=tuple(placed(at[None])[0] for at in drawn.holes),
    )
    heights = {name: float(placed(line)[:, 1].mean()) for name, line in drawn.levels.items()}
    piece, estimated = with_levels(piece, heights)
    if estimated:
        notes.append(f"Levels estimated: {', '.join(estimated)}.")
    piece = replace(piece, note=" ".join(notes))
    if problems := [*level_faults(piece), *faults(piece)]:
        raise ProblemsFoundError(problems)
    return piece if drawn.notches else with_notches(piece)


def side_in(words: Collection[str]) -> Side:
    """Return the side that the words name."""
    return "left" if "left" in words else "right" if "right" in words else "both"


def put_together(
    garment: Garment, pieces: Mapping[tuple[str, Side], Piece], title: str, grade: str, client: str,
    carried: Iterable[Carried], units: Units | None = None,
) -> Pattern:  # fmt: skip
    """Build a pattern from pieces by name and side. `carried`: the alterations made.

    Raises ProblemsFoundError if a piece is missing or the size is not that of a garment.
    """
    both, left, right = (
        {name: piece for (name, side), piece in pieces.items() if side == wanted}
        for wanted in ("both", "left", "right")
    )
    own = {**both, **right}
    if missing := [name for name in garment.parts if name not in own]:
        message = f"this file has no piece '{missing[0]}'"
        raise stop("pieces", message, hint=f"a pattern needs {' and '.join(garment.parts)}")
    title, grade = (one_line(text, record.LONGEST_TITLE) for text in (title, grade))
    client, ordered = one_line(client, record.LONGEST_CLIENT), {name: own[name] for name in garment.parts}
    return of_a_size(Pattern(garment, ordered, left, title, grade, client, tuple(carried), units))


def level_faults(piece: Piece, given: Mapping[str, float] | None = None) -> list[Problem]:
    """The problems of levels that do not lie one below the other, in order, or not where they are `given` (mm), if they are."""
    levels = piece.levels
    if not all(levels[above] > levels[below] for above, below in pairwise(levels)):
        message = f"{piece.name}: {', '.join(levels)} must lie one below the other, y up"
        return [Problem("levels", message, None, "check the levels and balance lines of these names")]
    stray = {name: y for name, y in (given or {}).items() if abs(levels.get(name, y) - y) > SAME_LEVEL_MM}
    hint = "correct one of them, or take the level out where its line is drawn"
    return [
        Problem(
            "levels",
            f"{piece.name}: level '{name}' is given at {y:g} mm, but lies at {levels[name]:.4g} mm",
            None,
            hint,
        )
        for name, y in stray.items()
    ]


def _frames(grain: Array | None) -> list[Array]:
    """The four orientations of a piece with vertical grain, as (2, 2) matrices: as drawn, mirrored, rotated, upside down."""
    upright = np.eye(2)
    if grain is not None:
        run = grain[-1] - grain[0] if grain[-1][1] >= grain[0][1] else grain[0] - grain[-1]
        if abs(run[0]) > 0.01:  # less is what rounding leaves
            run = unit(run)
            upright = np.array([[run[1], -run[0]], [run[0], run[1]]])
    return [frame @ upright for frame in _FLIPS]


def _upright(part: Part, seams: Mapping[str, Array], frame: Array) -> bool:
    """Whether the seams, transformed by `frame`, run clockwise with the first (the waist) above the one at the bottom."""
    if signed_area(np.concatenate([seams[name][:-1] for name in part.seams]) @ frame.T) >= 0:
        return False
    top, bottom = ((seams[name] @ frame.T)[:, 1].mean() for name in (part.seams[0], part.stays))
    return bool(top > bottom)


def _in_order(part: Part, seams: Mapping[str, Array]) -> dict[str, Array]:
    """Reverse seams so that each ends where the next begins; ends that nearly meet are joined."""
    result: dict[str, Array] = {}
    following = {name: part.follows(name) for name in part.seams}
    for name in part.seams:
        line, next_ends = seams[name], seams[following[name]][[0, -1]]
        gaps = [float(np.hypot(*(next_ends - line[end]).T).min()) for end in (0, -1)]
        result[name] = np.array(line[::-1] if gaps[0] < gaps[1] else line)
    for name, follows in following.items():
        if apart(result[follows][0], result[name][-1]) <= CLOSED_MM:
            result[follows][0] = result[name][-1]
    return result


def _grain(drawn: Drawn, seams: Mapping[str, Array], frame: Array) -> Array:
    """The drawn grainline; otherwise the vertical through the middle of the hem, where the crease lies."""
    if drawn.grain is not None:
        return drawn.grain
    bottom = seams[drawn.part.stays]
    middle = (bottom[0] + bottom[-1]) / 2
    return np.array([middle, middle + frame.T @ np.array([0.0, 1.0])])


def _shift(drawn: Drawn, seams: Mapping[str, Array], grain: Array, frame: Array) -> Array:
    if drawn.origin is not None:
        return np.asarray(-(frame @ drawn.origin))
    low = min(float((line @ frame.T)[:, 1].min()) for line in seams.values())
    return np.array([-float((grain @ frame.T)[:, 0].mean()), -low])


def _dart(line: Array, waist: Array) -> Dart:
    """A dart from a line along both legs, or closed round it: the point is farthest from the waist seam, the ends nearest."""
    away = np.array([off(waist, point) for point in line])
    closed = len(line) > 3 and apart(line[0], line[-1]) <= CLOSED_MM
    ends = line[:-1][np.argsort(away[:-1], kind="stable")[:2]] if closed else line[[0, -1]]
    along = (ends - waist[0]) @ (waist[-1] - waist[0])
    left, right = ends if along[0] <= along[1] else ends[::-1]
    return Dart(left, right, line[int(np.argmax(away))])


def with_levels(piece: Piece, heights: Mapping[str, float]) -> tuple[Piece, list[str]]:
    """The piece with every level line, edge to edge, and the names of the estimated ones.

    A line is used as drawn, else put at the given height (mm), else at the garment's `guess` for it.
    """
    lines, estimated = dict(piece.lines), []
    for name in piece.part.ends:
        if name in lines or (name not in heights and piece.part.levels[name].guess is None):
            continue
        if name not in heights:
            estimated.append(name)
        line = across(piece, name, _height(piece, name, heights))
        if line is None and name in heights:  # given, but off the piece: reported by `level_faults`
            x = piece.outline[:, 0]
            line = points([[float(x.min()), heights[name]], [float(x.max()), heights[name]]])
        if line is not None:
            lines[name] = line
    return replace(piece, lines=lines), estimated


def across(piece: Piece, name: str, y: float) -> Array | None:
    """The level line at height `y` (mm), from its inner to its outer seams; None if the seams do not reach that height.

    Below the end of its inner seam it begins at the vertical through that end, as the block measures the hip.
    """
    part, seams = piece.part, piece.seams
    inner, outer = ([x for seam in names if (x := crossing(seams[seam], y)) is not None] for names in part.ends[name])
    if not inner:
        below = [corner for corner in part.smooth if part.corners[corner] in part.ends[name][0]]
        inner = [float(end[0]) for end in map(piece.corner, below) if y <= end[1]]
    return points([[min(inner), y], [max(outer), y]]) if inner and outer else None


def _height(piece: Piece, name: str, given: Mapping[str, float]) -> float:
    """The height of a level, mm: as given, else that of its line, corner or seam, else as the garment guesses it."""
    if name in given:
        return given[name]
    if name in piece.lines:
        return float(piece.lines[name][:, 1].mean())
    if (level := piece.level(name)) is not None:
        return level
    guess = piece.part.levels[name].guess
    assert guess is not None
    if guess.between is None:
        return float(piece.corner(guess.corner or "")[1])
    low, high = (_height(piece, other, given) for other in guess.between)
    return low + min((high - low) * guess.share + guess.up_mm, (high - low) * guess.most)


def signed_area(ring: Array) -> float:
    """Area inside a closed outline, negative when it runs clockwise (shoelace formula)."""
    x, y = ring[:, 0], ring[:, 1]
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2.0


def _refuse_wrong_extent(name: str, line: Array) -> None:
    """Refuse a piece whose size cannot be in mm, before any other check."""
    if len(line) > 2 * MOST_POINTS or not np.isfinite(line).all():
        message = f"{name}: more than {MOST_POINTS} points, or one that is not a number"
        raise stop("points", message, hint="simplify the outline before it is read")
    extent = float(np.ptp(line, axis=0).max())
    if not EXTENT_MM[0] <= extent <= EXTENT_MM[1]:
        message = f"{name}: the piece measures {extent:.4g} mm at its longest{_looks_like(extent, EXTENT_MM)}"
        raise stop("size", message, hint="give the file in mm")


def too_many(what: str) -> ProblemsFoundError:
    """The error for a file with more points than a pattern can have."""
    return stop("points", f"{what} has more than {MOST_POINTS} points", hint="simplify the outlines")


def of_a_size(pattern: Pattern) -> Pattern:
    """Return the pattern if its size is that of a garment in mm; raise ProblemsFoundError if not (inches or cm read as mm ...)."""
    wide = 0.0
    for piece in pattern.pieces.values():
        width = hip_width(piece)
        wide += width if width is not None else float(np.ptp(piece.outline[:, 0]))
    if WIDTH_MM[0] <= wide <= WIDTH_MM[1]:
        return pattern
    across, names = next(iter(next(iter(pattern.pieces.values())).part.ends), "piece"), " and ".join(pattern.pieces)
    message = f"{names} measure {wide:.4g} mm across the {across}{_looks_like(wide, WIDTH_MM)}"
    raise stop("size", message, hint="give the file in mm")


def _looks_like(size: float, limits: tuple[float, float]) -> str:
    if size < limits[0] <= size * 25.4:
        return "; that looks like inches or cm read as mm"
    return "; that looks like mm read as inches or cm" if size > limits[1] >= size / 25.4 else ""


def once_each(line: Array) -> Array:
    """A line without consecutive duplicate points."""
    return points(line[np.concatenate([[True], np.abs(np.diff(line, axis=0)).max(axis=1) > 1e-9])[: len(line)]])


def chained(parts: Iterable[Array]) -> Array | None:
    """Join lines that touch end to end, in any order and direction; None if they do not."""
    left = [np.asarray(part) for part in parts]
    if len(left) > MOST_PARTS:
        return None
    line = left.pop(0)
    while left:
        for index, part in enumerate(left):
            fits = [(end, other) for end in (0, -1) for other in (0, -1) if apart(line[end], part[other]) <= CLOSED_MM]
            if fits:
                end, other = fits[-1]
                head, tail = (line[::-1] if end == 0 else line), (part[::-1] if other == -1 else part)
                line = np.concatenate([head, tail[1:]])
                left.pop(index)
                break
        else:
            return None
    return points(line)


# -- the seams of a bare outline ---------------------------------------------------------------------------------------


def seams_of_outline(part: Part, ring: Array, turn_points: Array, grain: Array | None) -> dict[str, Array]:
    """Split a bare outline (each point once) into seams at its turn points or corners. Raises ProblemsFoundError.

    If there are as many turn points as corners, they are the corners. Otherwise sharp corners are detected, and the smooth one
    is a turn point between its neighbours, or the end of the one straight run down from the top.
    """
    name, every = part.name, part.landmarks
    _refuse_wrong_extent(name, ring)
    away = [np.hypot(*(ring - mark).T) for mark in turn_points[:MOST_PARTS]]
    marked = {int(far.argmin()) for far in away if far.min() <= CLOSED_MM}
    sharp = np.flatnonzero(_turns(ring) >= SHARP_DEGREES).tolist()
    all_marked = len(marked) == len(every)
    names = [corner for corner in every if all_marked or corner not in part.smooth]
    corners = sorted(marked) if all_marked else sharp
    # corner indexes, clockwise, to the index step (1 or -1) that runs clockwise
    labellings: dict[tuple[int, ...], int] = {}
    for by_curve in (True, False) if all_marked else (True,):  # marks are enough where a curve has been filled in
        for frame in _frames(grain) if not labellings and len(corners) == len(names) else ():
            turned = ring @ frame.T
            step = 1 if signed_area(turned) < 0 else -1
            labellings |= dict.fromkeys(_labelled(part, turned, names, corners[::step], step, by_curve=by_curve), step)
    if len(labellings) != 1:
        message = f"{name}: the seams cannot be told from the outline's {len(sharp)} sharp corners"
        hint = f"mark the {len(every)} ends of the seams with turn points (layer 2), and draw a grainline"
        raise stop("corners", message, hint=hint)
    ((labelled, step),) = labellings.items()
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
    """The turning angle of an outline at each of its points, degrees, unsigned."""
    into, onward = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    cross, dot = into[:, 0] * onward[:, 1] - into[:, 1] * onward[:, 0], (into * onward).sum(axis=1)
    return np.asarray(np.degrees(np.abs(np.arctan2(cross, dot))))


def _labelled(
    part: Part, ring: Array, names: Sequence[str], corners: Sequence[int], step: int, *, by_curve: bool
) -> Iterator[tuple[int, ...]]:
    """Yield every assignment of corners (clockwise) to landmark names that makes an upright piece.

    `by_curve`: also require the piece's hollow seams to be hollow here.
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
    """Whether landmarks lie as in an upright piece, by those of its `stands` rules that concern known landmarks."""
    height = float(np.ptp([point[1] for point in corners.values()]))
    for text in part.stands:
        one, how, other, share = STANDS.match(text).groups()  # type: ignore[union-attr]
        if one in corners and other in corners:
            apart = corners[one] - corners[other]
            if apart[1] < float(share or 0.0) * height if how == "above" else apart[0] >= 0:
                return False
    return True


def _hollow(line: Array) -> float:
    """Largest distance of a line from its chord, as a fraction of the chord."""
    chord = line[-1] - line[0]
    size = float(np.hypot(*chord)) or 1.0
    return float(np.abs((line - line[0]) @ left_of(chord)).max()) / size**2


def _path(count: int, start: int, end: int, step: int) -> list[int]:
    """Indexes along an outline of `count` points from `start` to `end`, both included; `step` is 1 or -1."""
    return [(start + step * index) % count for index in range((end - start) * step % count + 1)]


def _smooth_corner(part: Part, corner: str, ring: Array, at: Mapping[str, int], marked: set[int], step: int) -> int:
    """Index of the point where a seam runs smoothly into the next, searched from the top down.

    It is the one marked point between them, or the end of the one straight run that is long enough to be a seam.
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
    message = f"{part.name}: the outline does not show where the {seam} meets the {part.word(part.corners[corner])}"
    raise stop("corners", message, hint="mark it with a turn point (layer 2)")
