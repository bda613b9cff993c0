"""Cutting a piece of paper apart, laying it together again and redrawing its edges, with everything drawn on it.

`Parting` cuts a piece in two from edge to edge; `laid` puts the parts together again with one of them moved by a map,
which also moves level lines, darts and notches. `redraw` moves the points of seams; the neighbouring seams follow at
their ends, level lines are extended to the new edges and darts to the new waist, notches stay on their seams. Where two
parts meet with a step or a bend, a `Joint` marks the place for trueing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import cos, sin
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fitdiag.knowledge.model import Drawn
from fitdiag.pattern.garment import Spot, arc, at_far, between, far_on, foot, nearest, off
from fitdiag.pattern.piece import Array, Dart, Joint, Notch, Piece, apart, length, points, unit
from fitdiag.problems import stop

Kind = Literal[
    "open", "close", "spread", "overlap", "widen", "fold out", "slide", "slit", "swing", "edge", "shift", "darts", "grain",
    "notches", "line", "none",
]  # fmt: skip
Map = Callable[[Array], Array]
SAME_MM = 1e-9
ON_CUT_MM = 1e-3
ON_FOLD_MM = 0.01
COVERED_MM = 0.5  # a joint farther than this from the outline is covered by a fold
STEP_MM = 0.1  # a cut this near the step of an earlier cut opens that cut again


@dataclass(frozen=True, eq=False)
class Cut:
    """A straight cut across a piece from one point of its outline to another, and the map that moves one of the parts.

    `hinged`: that part turns about `end`. `sign`: 1 if it lies to the left of the line from start to end, -1 if to the
    right.
    """

    start: Array
    end: Array
    move: Map
    hinged: bool = False
    sign: float = 1.0

    @property
    def line(self) -> Array:
        """Start and end, as (2, 2) points."""
        return np.array([self.start, self.end])

    @property
    def filled(self) -> Array:
        """The outline of the gap or overlap it makes: (4, 2) points, the last two where its end and start move to."""
        return np.concatenate([self.line, self.move(self.line)[::-1]])


@dataclass(frozen=True, eq=False)
class Did:
    """One move made on a piece: its kind, by how much in mm (negative takes away), the seams to true, its cut if any.

    `angle`: by how much the whole piece was turned afterwards to set the grain vertical, radians. `at`: share of the
    amount by height.
    """

    kind: Kind
    by: float
    seams: tuple[str, ...]
    cut: Cut | None = None
    angle: float = 0.0
    at: Mapping[str, float] | None = None


@dataclass(frozen=True, eq=False)
class Altered:
    """A piece after an alteration, the moves made, in order, and the rule's own words for drawings, if it has any."""

    piece: Piece
    did: tuple[Did, ...] = ()
    words: Drawn | None = None

    @property
    def cut(self) -> Cut | None:
        return next((done.cut for done in self.did if done.cut is not None), None)

    @property
    def true(self) -> tuple[str, ...]:
        """The seams to true, each once."""
        return tuple(dict.fromkeys(seam for done in self.did for seam in done.seams))


def shifted(by: Array) -> Map:
    """The map that shifts all points by the same vector."""
    return lambda line: points(line + by)


def rotated(line: Array, about: Array, angle: float) -> Array:
    """Points, (n, 2), rotated about a point by an angle in radians, counter-clockwise."""
    turn = np.array([[cos(angle), -sin(angle)], [sin(angle), cos(angle)]])
    return points((line - about) @ turn.T + about)


def mapped(piece: Piece, move: Map) -> Piece:
    """The whole piece, with all that is drawn on it, moved by a map; the grainline is not."""
    return replace(
        piece,
        seams={name: move(line) for name, line in piece.seams.items()},
        darts=tuple(Dart.of(move(dart.ends)) for dart in piece.darts),
        lines={name: move(line) for name, line in piece.lines.items()},
        notches=tuple(replace(notch, at=move(notch.at[None])[0]) for notch in piece.notches),
        joints=tuple(
            replace(joint, at=move(joint.at), hidden=None if joint.hidden is None else move(joint.hidden))
            for joint in piece.joints
        ),
        holes=tuple(move(at[None])[0] for at in piece.holes),
    )


def turned(piece: Piece, about: Array, angle: float) -> Piece:
    """The whole piece rotated about a point by an angle in radians, counter-clockwise; the grainline stays."""
    return mapped(piece, lambda line: rotated(line, about, angle))


# -- cutting -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Run:
    """A stretch of an outline: its (n, 2) points, and the name of the seam of each of its n - 1 segments."""

    line: Array
    of: NDArray[np.str_]

    @property
    def back(self) -> Run:
        """The same stretch in reverse."""
        return Run(self.line[::-1], self.of[::-1])


class Parting:
    """A piece cut from one place on its outline to another: the part that stays, and the part that moves."""

    def __init__(
        self, piece: Piece, start: Spot, end: Spot, keeps: str | None = None, *, opening: bool = False,
        foot: Array | None = None,
    ) -> None:  # fmt: skip
        """`keeps`: a seam on the part that stays (default: `Part.stays`). `opening`: an earlier cut that left a step
        right there is opened again. `foot`: the corner of a cut that runs vertically first, then horizontally.

        Raises ProblemsFoundError for a cut without length.
        """
        self.piece, self.start, self.end, self._foot = piece, start.at, end.at, foot
        self._run = unit(end.at - start.at)
        self._steps = [_step_at(piece, spot.at) if opening else None for spot in (start, end)]
        names, seams = piece.part.seams, dict(piece.seams)
        for spot, step in zip((start, end), self._steps, strict=True):
            if step is None:
                seams[spot.seam] = _with_point(seams[spot.seam], spot.at)
        line = np.concatenate([seams[name][:-1] for name in names])
        of = np.repeat(names, [len(seams[name]) - 1 for name in names])
        # at a step left by an earlier cut, one part ends before the step and the other begins after it
        one, other = (_ends_in(line, at, step) for at, step in zip((self.start, self.end), self._steps, strict=True))
        if one[0] == other[0]:
            raise stop("cut", f"{piece.name}: the cut has no length", hint="look at the levels of the pattern")
        self.swapped = int(np.argmax(of == (keeps or piece.part.stays))) in _arc(len(line), one[1], other[0])[:-1]
        if self.swapped:
            one, other = other, one
        moving, staying = _arc(len(line), one[1], other[0]), _arc(len(line), other[1], one[0])
        self._moving, self._staying = (Run(line[arc], of[arc[:-1]]) for arc in (moving, staying))
        away = self._away(self._moving.line)
        self.sign = float(np.sign(away[int(np.argmax(np.abs(away)))]))

    def _away(self, at: Array) -> Array:
        """Signed distance of points from the cut, mm: positive to its left (with a `foot`: above and to the right)."""
        if self._foot is not None:
            return np.asarray((at - self._foot).min(axis=1))
        (x, y), (u, v) = self.start, self._run
        return np.asarray(u * (at[:, 1] - y) - v * (at[:, 0] - x))

    def cut(self, move: Map, *, hinged: bool = False) -> Cut:
        """This cut, its moving part moved by `move`."""
        return Cut(self.start, self.end, move, hinged, self.sign)

    def moves(self, at: Array, closing: bool) -> NDArray[np.bool_]:
        """Which (n, 2) points inside the piece lie on the part that moves; those on the cut count only if it closes."""
        away = self._away(at) * self.sign
        return np.asarray(away > -ON_CUT_MM if closing else away > ON_CUT_MM)

    def laid(self, move: Map, taken: tuple[float, float] = (0.0, 0.0), *, closing: bool = False) -> Piece:
        """The piece with one part moved; `taken`: mm of the other part's edge that it covers at start and end.

        If negative at the end, so much of its own edge is covered there.
        """
        before, after = zip(taken, self._steps, strict=True)
        if self.swapped:
            before, after = after, before
        laid = replace(self._moving, line=move(points(self._moving.line)))
        kept, below = _uncovered(self._staying.back, *after, laid.line[-1])
        kept, above = _uncovered(kept.back, *before, laid.line[0])
        laid, _ = _trimmed(laid, -after[0])
        joints = (
            Joint(str(kept.of[0]), points(np.array([laid.line[-1], kept.line[0]])), *below),
            Joint(str(kept.of[-1]), points(np.array([kept.line[-1], laid.line[0]])), *above),
        )
        line = np.concatenate([laid.line, kept.line])
        of = np.concatenate([laid.of, kept.of[:1], kept.of, kept.of[-1:]])
        steps = np.abs(np.roll(line, -1, axis=0) - line).max(axis=1) > SAME_MM
        seams = _seams(self.piece, Run(line[steps], of[steps]))
        return self._drawn_on(replace(self.piece, seams=seams), move, joints, closing=closing)

    def _drawn_on(self, result: Piece, move: Map, joints: tuple[Joint, ...], *, closing: bool) -> Piece:
        piece, changed = self.piece, {joint.seam for joint in joints}
        folds = [step.hidden for step in self._steps if step is not None and step.hidden is not None]

        def carried(at: Array) -> Array:
            return points(np.where(self.moves(at, closing)[:, None], move(at), at))

        def on_seam(notch: Notch) -> Notch:
            (at,) = carried(notch.at[None])
            stays = notch.seam not in changed and np.array_equal(at, notch.at)
            return notch if stays else replace(notch, at=nearest(result.seams[notch.seam], at))

        def taken_along(joint: Joint) -> Joint:
            """A joint moves with its paper; one that lay under the fold now opened is on the part that stays."""
            if any(off(fold, joint.at[0]) < ON_FOLD_MM for fold in folds):
                return joint
            under = joint.hidden
            if under is not None and self.moves(under[:1], closing)[0]:
                under = move(under)
            return replace(joint, at=carried(joint.at), hidden=under)

        return replace(
            result,
            darts=tuple(Dart.of(move(d.ends)) if self.moves(d.ends[:1], closing)[0] else d for d in piece.darts),
            lines={name: self.parted(line, move, closing) for name, line in piece.lines.items()},
            notches=tuple(on_seam(notch) for notch in piece.notches),
            holes=tuple(carried(at[None])[0] for at in piece.holes),
            joints=(*(taken_along(joint) for joint in piece.joints if joint not in self._steps), *joints),
        )

    def parted(self, line: Array, move: Map, closing: bool) -> Array:
        """A drawn line, its points on the moving part moved; where the cut crosses it, it gets a point on each part."""
        which = self.moves(line, closing)
        away = self._away(line)
        for index in np.flatnonzero(which[:-1] != which[1:])[::-1]:
            share = away[index] / (away[index] - away[index + 1])
            at = line[index] + share * (line[index + 1] - line[index])
            line = np.insert(line, index + 1, [at, at], axis=0)
            which = np.insert(which, index + 1, which[[index, index + 1]])
        return points(np.where(which[:, None], move(line), line))


def _step_at(piece: Piece, at: Array) -> Joint | None:
    """The step that an earlier cut left right at a place, if any: opening the paper there opens that cut again."""
    for joint in reversed(piece.joints):
        near = min(apart(end, at) for end in joint.at)
        if near < STEP_MM and (joint.hidden is not None or apart(*joint.at) > ON_CUT_MM):
            return joint
    return None


def _with_point(line: Array, at: Array) -> Array:
    """A polyline with a point inserted where it passes a place, unless it has one there already."""
    index = foot(line, at)[1]
    there = np.hypot(*(line[index : index + 2] - at).T).min() <= SAME_MM
    return line if there else np.insert(line, index + 1, at, axis=0)


def _ends_in(line: Array, at: Array, step: Joint | None) -> tuple[int, int]:
    """Indices in a ring of the points where one part ends and the next begins, clockwise; equal if there is no step."""
    here = [int(((line - place) ** 2).sum(axis=1).argmin()) for place in ([at] if step is None else list(step.at))]
    one, other = here[0], here[-1]
    count = len(line)
    return (one, other) if (other - one) % count < count / 2 else (other, one)


def _arc(count: int, start: int, end: int) -> NDArray[np.int_]:
    """Indices around a ring of `count` points from one to another, both included."""
    return np.asarray((start + np.arange((end - start) % count + 1)) % count)


Hidden = tuple[Array | None, tuple[str, ...]]  # a covered edge, and the seam of each of its segments


def _trimmed(run: Run, by: float) -> tuple[Run, Hidden]:
    """A stretch shortened by `by` mm at its end, and what was cut off."""
    if by <= 0.0:
        return run, (None, ())
    short, whole = run_on(run.line, -by), length(run.line)
    beyond = between(run.line, whole - by, whole, SAME_MM)
    of = tuple(run.of[len(run.of) - len(beyond) + 1 :].tolist())
    return Run(short, run.of[: len(short) - 1]), (points(beyond), of)


def _uncovered(run: Run, by: float, step: Joint | None, to: Array) -> tuple[Run, Hidden]:
    """A stretch with `by` mm covered at its end; or, where a fold opens, extended along the hidden edge up to `to`."""
    hidden = None if step is None else step.hidden
    if by > 0.0 or step is None or hidden is None or apart(hidden[0], run.line[-1]) > ON_CUT_MM:
        return _trimmed(run, by)
    far, whole = far_on(hidden, to), length(hidden)
    shown, left = between(hidden, 0.0, far, SAME_MM)[1:], between(hidden, far, whole, SAME_MM)
    rest: Hidden = (points(left), step.of[len(step.of) - len(left) + 1 :]) if far < whole - SAME_MM else (None, ())
    return Run(np.concatenate([run.line, shown]), np.concatenate([run.of, step.of[: len(shown)]])), rest


def run_on(line: Array, by: float) -> Array:
    """A polyline extended straight at its end by `by` mm, or cut back there by as much if negative.

    Raises ProblemsFoundError if it is not longer than that.
    """
    at = arc(line)
    if by >= 0:
        return np.concatenate([line[:-1], (line[-1] + unit(line[-1] - line[-2]) * by)[None]])
    keep = float(at[-1]) + by
    if keep <= 0:
        raise stop("amount", "that is more than there is of the seam", hint="take a smaller amount")
    return np.concatenate([line[at < keep - 1e-12], at_far(line, keep)[None]])


def _seams(piece: Piece, ring: Run) -> dict[str, Array]:
    """Split a closed outline into the seams of the piece. Raises ProblemsFoundError if one of them is gone."""
    names, changes = piece.part.seams, ring.of != np.roll(ring.of, 1)
    begins = int(np.argmax(changes & (ring.of == names[0])))
    starts = np.flatnonzero(np.roll(changes, -begins))
    line, of = np.roll(ring.line, -begins, axis=0), np.roll(ring.of, -begins)[starts].tolist()
    if of != list(names):
        gone = next((name for name in names if name not in of), names[0])
        message = f"{piece.name}: nothing would be left of the seam '{gone}'"
        raise stop("amount", message, hint="take a smaller amount")
    line, ends = np.concatenate([line, line[:1]]), [*starts[1:], len(line)]
    return {name: points(line[low : high + 1]) for name, low, high in zip(names, starts, ends, strict=True)}


# -- redrawing -----------------------------------------------------------------------------------------------------------


def redraw(
    piece: Piece, drawn: Mapping[str, Array], joints: tuple[Joint, ...] = (), grown: tuple[str, ...] = ()
) -> Piece:
    """The piece with some seams redrawn point for point; what lies on them or ends at them follows.

    `grown`: neighbours that keep their own line and are extended straight to the moved end.
    """
    part, old = piece.part, piece.seams
    seams = {**old, **{name: np.array(line) for name, line in drawn.items()}}
    for seam in part.seams:
        follows = part.follows(seam)
        if seam in drawn and follows in drawn:
            seams[seam][-1] = seams[follows][0]
        elif seam in drawn:
            by = seams[seam][-1] - old[seam][-1]
            seams[follows] = _followed(seams[follows][::-1], by, follows in grown)[::-1]
        elif follows in drawn:
            seams[seam] = _followed(seams[seam], seams[follows][0] - old[follows][0], seam in grown)
    darts, seams = _relaid(piece, seams)
    return replace(_edged(piece, seams, drawn, joints), darts=darts)


def exchanged(piece: Piece, seams: Mapping[str, Array]) -> Piece:
    """The piece with some seams replaced; level lines end on the new edge, notches and joints move to it."""
    return _edged(piece, {**piece.seams, **seams})


def _edged(
    piece: Piece, seams: Mapping[str, Array], drawn: Mapping[str, Array] | None = None, joints: tuple[Joint, ...] = ()
) -> Piece:
    """The piece with new seams, some redrawn point for point (`drawn`); level lines, notches and joints follow."""
    old = piece.seams
    new = {name: line if line is old[name] else points(line) for name, line in seams.items()}
    changed = {name for name, line in new.items() if line is not old[name]}

    def on_seam(at: Array, seam: str) -> Array:
        if seam not in changed:
            return at
        if drawn and seam in drawn:
            _, index, share = foot(old[seam], at)
            at = drawn[seam][index] + share * (drawn[seam][index + 1] - drawn[seam][index])
        return nearest(new[seam], at)

    def unless_covered(at: Array, seam: str) -> Array:
        return at if off(old[seam], at) > COVERED_MM else on_seam(at, seam)

    return replace(
        piece,
        seams=new,
        lines={name: reached(piece, name, line, new, changed) for name, line in piece.lines.items()},
        notches=tuple(replace(notch, at=on_seam(notch.at, notch.seam)) for notch in piece.notches),
        joints=(
            *(replace(j, at=points(np.array([unless_covered(at, j.seam) for at in j.at]))) for j in piece.joints),
            *(Joint(j.seam, points(np.array([nearest(new[j.seam], at) for at in j.at]))) for j in joints),
        ),
    )


def _followed(line: Array, by: Array, grows: bool) -> Array:
    """A seam whose end moves: extended or cut back along itself, the rest of the shift spread over its length."""
    if not np.abs(by).max() > SAME_MM:
        return line
    if grows:
        return np.concatenate([line, (line[-1] + by)[None]])
    result = run_on(line, float(by @ unit(line[-1] - line[-2])))
    share = arc(result)
    return result + np.outer(share / share[-1], line[-1] + by - result[-1])


def _relaid(piece: Piece, seams: dict[str, Array]) -> tuple[tuple[Dart, ...], dict[str, Array]]:
    """Darts with equal legs, extended or cut back to where their seam is now; and the seams, through their ends."""
    home, found = piece.part.top, []
    for dart in piece.darts:
        laid, line = dart, seams[home]
        left, right = (None if line is piece.top else crossing(dart.tip, end, line) for end in (dart.left, dart.right))
        if left is not None and right is not None and max(apart(left, dart.left), apart(right, dart.right)) > 1e-6:
            laid = Dart.even(left, right, dart.tip)
            seams = {**seams, home: through(line, laid.left, laid.right)}
        found.append(laid)
    return tuple(found), seams


def through(line: Array, left: Array, right: Array) -> Array:
    """A seam made to run through both ends of a dart, straight between them."""
    run = unit(line[-1] - line[0])
    places = (line - line[0]) @ run
    low, high = float((left - line[0]) @ run), float((right - line[0]) @ run)
    return np.concatenate([line[places < low - 0.5], [left, right], line[places > high + 0.5]])


def crossing(start: Array, through: Array, line: Array) -> Array | None:
    """Where the ray from `start` through a second point crosses a polyline, nearest to that point; None if nowhere."""
    run = through - start
    side = run[0] * (line[:, 1] - start[1]) - run[1] * (line[:, 0] - start[0])
    hits = np.nonzero((side[:-1] * side[1:] <= 0) & (side[:-1] != side[1:]))[0]
    share = side[hits] / (side[hits] - side[hits + 1])
    at = line[hits] + share[:, None] * (line[hits + 1] - line[hits])
    at = at[(at - start) @ run > 0]
    if not len(at):
        return None
    return np.asarray(at[int(np.argmin(((at - through) ** 2).sum(axis=1)))])


def reached(piece: Piece, name: str, line: Array, seams: Mapping[str, Array], changed: set[str]) -> Array:
    """A drawn line whose ends lie on the outline, extended or cut back to where the outline runs now."""
    ends = piece.part.ends.get(name)
    result = line
    for index, inner in ((0, 1), (-1, -2)):
        allowed = piece.part.seams if ends is None else ends[0 if index == 0 else 1]
        near = [seam for seam in allowed if seam in changed and off(piece.seams[seam], line[index]) < 0.5]
        if not near:
            continue
        found = [at for seam in allowed if (at := crossing(line[inner], line[index], seams[seam])) is not None]
        if found:
            result = line.copy() if result is line else result
            result[index] = min(found, key=lambda at: apart(at, line[index]))
    return result if result is line else points(result)


def smooth_through(at: Array, heights: Array, shares: Array, *, level: bool = True) -> Array:
    """Interpolate shares given at rising heights by a curve that never overshoots, its ends flat (`level`) or straight.

    Monotone cubic: where two pieces meet, the slope is the harmonic mean of the slopes on both sides (Fritsch and
    Butland, 1984).
    """
    if len(heights) == 1:
        return np.full(len(at), shares[0])
    step, rise = np.diff(heights), np.diff(shares)
    slope = rise / step
    below, above, inner = slope[:-1], slope[1:], np.zeros(len(slope) - 1)
    same_way = below * above > 0
    inner[same_way] = 2 / (1 / below[same_way] + 1 / above[same_way])
    tangent = np.concatenate([[0.0], inner, [0.0]] if level else [slope[:1], inner, slope[-1:]])
    where = np.clip(np.searchsorted(heights, at, side="right") - 1, 0, len(step) - 1)
    t = np.clip((at - heights[where]) / step[where], 0.0, 1.0)
    curve = step[where] * t * (1 - t) * (tangent[where] * (1 - t) - tangent[where + 1] * t)
    return np.asarray(shares[where] + rise[where] * t**2 * (3 - 2 * t) + curve)
