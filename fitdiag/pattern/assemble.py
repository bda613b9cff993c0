"""Pieces put together from what a drawing holds: lines that run either way, a turned or mirrored piece.

Here the lines get the direction, the order and the upright stand that a `Piece` has; a bare outline gets its seams, its corners
told apart by how an upright piece of the garment stands. What cannot be told for sure is refused, never guessed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
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

WIDTH_MM = (150.0, 1500.0)  # the pieces side by side as they lie; common practice, no source
EXTENT_MM = (150.0, 3000.0)  # the longest way across one piece, shorts and the tallest included
MOST_PARTS = 300  # lines of one seam, or marks on one outline
SHARP_DEGREES = 40.0  # an outline that turns this much at one point has a corner there
STRAIGHT_DEGREES = 0.3  # steps that differ by less run straight on
STRAIGHT_MM = 30.0  # a straight run this long is a seam, not a piece of a curve
_LAID = [np.diag([float(across), float(up)]) for across, up in ((1, 1), (-1, 1), (-1, -1), (1, -1))]


@dataclass
class Taken:
    """What was taken from a drawing, for the fitter to check: the size and why, what counts as what, and what was left out."""

    lines: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)

    def told(self) -> list[str]:
        found = list(self.lines)
        if self.left_out:
            names = list(dict.fromkeys(self.left_out))
            more = f" and {len(names) - 12} more" if len(names) > 12 else ""
            found.append(f"Left out: {', '.join(names[:12])}{more}.")
        return found


@dataclass
class Drawn:
    """One piece as a drawing shows it, in mm, y up: what each line is, but not yet which way it runs.

    `origin`: where the piece's own 0, 0 lies; without it the grainline gets x = 0 and the lowest point y = 0.
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
        """Put what is not a seam where it belongs, by its kind and its name; False for what no file of ours could have."""
        match kind:
            case "origin":
                self.origin = line[0]
            case "grain":
                self.grain = line[[0, -1]]
            case "dart" if len(line) > 2 and len(self.darts) < record.MOST_DARTS:
                self.darts.append(line)
            case "level" if name in self.part.levels:
                self.levels[name] = line
            case "line" if record.LINE_NAME.match(name) and len(self.lines) < record.MOST_LINES:
                self.lines[name] = line
            case "hole" if len(self.holes) < record.MOST_NOTCHES:
                self.holes.append((line.min(axis=0) + line.max(axis=0)) / 2)
            case "notch" if name.rpartition(" ")[2] in self.part.seams and len(self.notches) < record.MOST_NOTCHES:
                called, _, seam = name.rpartition(" ")
                self.notches.append((called, seam, line[0]))
            case _:
                return False
        return True


def piece_of(drawn: Drawn) -> Piece:
    """The piece that a drawing shows. Raises ProblemsFoundError with everything that keeps it from being one."""
    names = drawn.part.seams
    missing = [name for name in names if name not in drawn.seams]
    if missing:
        hint = f"a piece has {', '.join(names)}"
        raise stop("seams", f"{drawn.part.name}: the seams {', '.join(missing)} are missing", hint=hint)
    _refuse_wrong_extent(drawn.part.name, np.concatenate(list(drawn.seams.values())))
    seams = _in_order(drawn.part, drawn.seams)
    follows = [(name, drawn.part.follows(name)) for name in names]
    if sum(apart(seams[one][-1], seams[other][0]) > CLOSED_MM for one, other in follows) > 2:
        told = f"{drawn.part.name}: the seams do not meet in the order {', '.join(names)}"
        raise stop("open", told, hint="are their names exchanged?")
    frame = next((frame for frame in _frames(drawn.grain) if _upright(drawn.part, seams, frame)), None)
    if frame is None:
        hint = "the seams' names may be exchanged, or a grainline is missing"
        raise stop("direction", f"{drawn.part.name}: which way up the piece lies cannot be told", hint=hint)
    grain = _grain(drawn, seams, frame)
    shift = _shift(drawn, seams, grain, frame)

    def placed(line: Array) -> Array:
        return points(line @ frame.T + shift)

    seams = {name: placed(line) for name, line in seams.items()}
    notes = list(drawn.notes)
    if drawn.grain is None:
        bottom = drawn.part.word(drawn.part.stays)
        notes.append(f"No grainline was drawn: it was taken through the middle of the {bottom}.")
    lines = {name: placed(line) for name, line in drawn.lines.items()}
    lines = {
        name: line if line[0][0] <= line[-1][0] else points(line[::-1]) for name, line in lines.items()
    }  # centre first
    heights = {name: float(placed(line)[:, 1].mean()) for name, line in drawn.levels.items()}
    lines, estimated = with_levels(drawn.part, heights, lines, seams)
    if estimated:
        notes.append(f"Levels estimated: {', '.join(estimated)}.")
    piece = Piece(
        drawn.part,
        seams,
        tuple(_dart(placed(line), seams[names[0]]) for line in drawn.darts),
        lines,
        tuple(Notch(name, seam, placed(at[None])[0]) for name, seam, at in drawn.notches),
        float(placed(grain)[:, 0].mean()),
        dict(drawn.allowance),
        " ".join(notes),
        holes=tuple(placed(at[None])[0] for at in drawn.holes),
    )
    if problems := [*level_faults(piece), *faults(piece)]:
        raise ProblemsFoundError(problems)
    return piece if drawn.notches else with_notches(piece)


def side_in(words: Collection[str]) -> Side:
    """The side that words name."""
    return "left" if "left" in words else "right" if "right" in words else "both"


def put_together(
    garment: Garment, pieces: Mapping[tuple[str, Side], Piece], title: str, grade: str, client: str, rows: Sequence[str]
) -> Pattern:
    """A pattern of the pieces of a file, by name and side; `rows`: what was altered, as `record.row_of` writes it.

    Raises ProblemsFoundError if a piece is missing or there twice, or if it has not the size of a garment.
    """
    own = {name: piece for (name, side), piece in pieces.items() if side != "left"}
    left = {name: piece for (name, side), piece in pieces.items() if side == "left"}
    if missing := [name for name in garment.parts if name not in own]:
        told = f"this file has no piece '{missing[0]}'"
        raise stop("pieces", told, hint=f"a pattern needs {' and '.join(garment.parts)}")
    title, grade = (one_line(text, record.LONGEST_TITLE) for text in (title, grade))
    client, carried = one_line(client, record.LONGEST_CLIENT), record.from_rows(rows)
    return of_a_size(Pattern(garment, {name: own[name] for name in garment.parts}, left, title, grade, client, carried))


def level_faults(piece: Piece) -> list[Problem]:
    """A problem if the levels do not lie one below the other."""
    levels = piece.levels
    if all(levels[above] > levels[below] for above, below in pairwise(levels)):
        return []
    told = f"{', '.join(levels)} must lie one below the other, y up"
    return [Problem("levels", told, None, "look at the levels and the balance lines of these names")]


def _frames(grain: Array | None) -> list[Array]:
    """The four ways a piece can lie once its grain is plumb: as drawn, mirrored, upside down, and both, as 2 by 2 matrices."""
    upright = np.eye(2)
    if grain is not None:
        run = grain[-1] - grain[0] if grain[-1][1] >= grain[0][1] else grain[0] - grain[-1]
        if abs(run[0]) > 0.01:  # less is what rounding leaves
            run = unit(run)
            upright = np.array([[run[1], -run[0]], [run[0], run[1]]])
    return [frame @ upright for frame in _LAID]


def _upright(part: Part, seams: Mapping[str, Array], frame: Array) -> bool:
    """Whether named seams, in a frame, run clockwise with the first one, the waist, above the one at the bottom."""
    if signed_area(np.concatenate([seams[name][:-1] for name in part.seams]) @ frame.T) >= 0:
        return False
    top, bottom = ((seams[name] @ frame.T)[:, 1].mean() for name in (part.seams[0], part.stays))
    return bool(top > bottom)


def _in_order(part: Part, seams: Mapping[str, Array]) -> dict[str, Array]:
    """The seams turned so that each ends where the next one begins; ends that nearly meet are made to meet."""
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
    """The grainline; where none is drawn, the upright through the middle of the hem, where the crease lies."""
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
    """A dart from a line over its point or round it: the point lies farthest from the waist seam, the ends nearest."""
    away = np.array([off(waist, point) for point in line])
    closed = len(line) > 3 and apart(line[0], line[-1]) <= CLOSED_MM
    ends = line[:-1][np.argsort(away[:-1], kind="stable")[:2]] if closed else line[[0, -1]]
    along = (ends - waist[0]) @ (waist[-1] - waist[0])
    left, right = ends if along[0] <= along[1] else ends[::-1]
    return Dart(left, right, line[int(np.argmax(away))])


def with_levels(
    part: Part, heights: Mapping[str, float], lines: Mapping[str, Array], seams: Mapping[str, Array]
) -> tuple[dict[str, Array], list[str]]:
    """Every level line of a piece, from edge to edge: as drawn, at a height given, else estimated; and which were estimated.

    Where nothing tells a level, it is taken as the garment's `guess` for it says.
    """
    found = {name: points(line) for name, line in lines.items()}
    guesses = _guessed(part, {**{name: float(line[:, 1].mean()) for name, line in lines.items()}, **heights}, seams)
    estimated = []
    for name in part.ends:
        if name in found or name not in guesses:
            continue
        if name not in heights:
            estimated.append(name)
        line = across(part, seams, name, guesses[name])
        if line is None and name in heights:  # given, but beside the piece: told where the levels are checked
            x = np.concatenate(list(seams.values()))[:, 0]
            line = points([[float(x.min()), heights[name]], [float(x.max()), heights[name]]])
        if line is not None:
            found[name] = line
    return found, estimated


def across(part: Part, seams: Mapping[str, Array], name: str, y: float) -> Array | None:
    """A level line at a height, from the seams of its inner end to those of its outer end; None where they do not reach.

    Below the end of its inner seam it begins at the upright through that end, as the block measures the hip.
    """
    inner, outer = ([x for seam in names if (x := crossing(seams[seam], y)) is not None] for names in part.ends[name])
    if not inner:
        below = [corner for corner in part.smooth if part.corners[corner] in part.ends[name][0]]
        ends = [seams[part.corners[corner]][0] for corner in below]
        inner = [float(end[0]) for end in ends if y <= end[1]]
    return points([[min(inner), y], [max(outer), y]]) if inner and outer else None


def _guessed(part: Part, known: Mapping[str, float], seams: Mapping[str, Array]) -> dict[str, float]:
    """The height of each level line: as known, else as its `guess` says."""

    def height(name: str) -> float:
        if name in known:
            return known[name]
        if name in part.heights:
            kind, of = part.heights[name]
            return float(seams[part.corners[of]][0, 1] if kind == "corner" else seams[of][:, 1].mean())
        rule = part.guesses[name]
        if rule.between is None:
            return float(seams[part.corners[rule.corner or ""]][0, 1])
        low, high = (height(other) for other in rule.between)
        return low + min((high - low) * rule.share + rule.up_mm, (high - low) * rule.most)

    return {name: height(name) for name in part.ends if name in known or name in part.guesses}


def signed_area(ring: Array) -> float:
    """Area inside a closed outline, negative when it runs clockwise (shoelace formula)."""
    x, y = ring[:, 0], ring[:, 1]
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2.0


def _refuse_wrong_extent(name: str, line: Array) -> None:
    """Stop at a piece that no unit of mm can explain, before anything else is said about it."""
    if len(line) > 2 * MOST_POINTS or not np.isfinite(line).all():
        told = f"{name}: more than {MOST_POINTS} points, or one that is no number"
        raise stop("points", told, hint="simplify the outline before it is read")
    extent = float(np.ptp(line, axis=0).max())
    if not EXTENT_MM[0] <= extent <= EXTENT_MM[1]:
        told = f"{name}: the piece measures {extent:.4g} mm at its longest{_looks_like(extent, EXTENT_MM)}"
        raise stop("size", told, hint="give the file in mm")


def too_many(what: str) -> ProblemsFoundError:
    """What stops the reading of a file with more points than a pattern can have."""
    return stop("points", f"{what} has more than {MOST_POINTS} points", hint="simplify the outlines")


def of_a_size(pattern: Pattern) -> Pattern:
    """The pattern, unless its size is that of inches or centimetres read as mm, or the other way round. Raises ProblemsFoundError."""
    wide = 0.0
    for piece in pattern.pieces.values():
        width = hip_width(piece)
        wide += width if width is not None else float(np.ptp(piece.outline[:, 0]))
    if WIDTH_MM[0] <= wide <= WIDTH_MM[1]:
        return pattern
    across, names = next(iter(next(iter(pattern.pieces.values())).part.ends), "piece"), " and ".join(pattern.pieces)
    told = f"{names} measure {wide:.4g} mm across the {across}{_looks_like(wide, WIDTH_MM)}"
    raise stop("size", told, hint="give the file in mm")


def _looks_like(size: float, limits: tuple[float, float]) -> str:
    if size < limits[0] <= size * 25.4:
        return "; that looks like inches or cm read as mm"
    return "; that looks like mm read as inches or cm" if size > limits[1] >= size / 25.4 else ""


def once_each(line: Array) -> Array:
    """A line without points that lie where the one before lies."""
    return points(line[np.concatenate([[True], np.abs(np.diff(line, axis=0)).max(axis=1) > 1e-9])[: len(line)]])


def chained(parts: Iterable[Array]) -> Array | None:
    """Lines that touch end to end, in any order and direction, made one; None if they do not."""
    left = [np.asarray(part) for part in parts]
    if len(left) > MOST_PARTS:
        return None
    line = left.pop(0)
    while left:
        for index, part in enumerate(left):
            fits = [(own, other) for own in (0, -1) for other in (0, -1) if apart(line[own], part[other]) <= CLOSED_MM]
            if fits:
                own, other = fits[-1]
                head, tail = (line[::-1] if own == 0 else line), (part[::-1] if other == -1 else part)
                line = np.concatenate([head, tail[1:]])
                left.pop(index)
                break
        else:
            return None
    return points(line)


# -- the seams of a bare outline ---------------------------------------------------------------------------------------


def seams_of_outline(part: Part, ring: Array, turn_points: Array, grain: Array | None) -> dict[str, Array]:
    """The seams of a bare outline (each point once), by its turn points or its corners. Raises ProblemsFoundError.

    As many turn points as the piece has corners are taken for them. Otherwise the sharp corners are sought, and the smooth one
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
    found: dict[tuple[int, ...], int] = {}  # the corners, clockwise, and the step from point to point that runs so
    for by_curve in (True, False) if all_marked else (True,):  # a curve may have been filled up: marks are enough then
        for frame in _frames(grain) if not found and len(corners) == len(names) else ():
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
