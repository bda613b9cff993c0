"""What cutting, laying and redrawing does to a piece of paper, and to everything that is drawn on it.

`Parting` cuts a piece in two from edge to edge; `laid` puts the parts together again, one of them moved: a single map takes
outline, level lines, darts and notches along. `redraw` moves seams by a shift of each point; the neighbouring seams
follow at their ends, level lines are carried on to the new edges, darts to the new waist, notches stay on their seams. Where
two parts meet with a step or a bend, a `Joint` keeps the place for truing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import cos, sin
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fitdiag.knowledge.model import Drawn
from fitdiag.pattern.garment import Spot, arc, at_far, far_on, nearest, off, step_at
from fitdiag.pattern.piece import Array, Dart, Joint, Notch, Piece, apart, points, unit
from fitdiag.problems import stop

Kind = Literal[
    "open", "close", "spread", "overlap", "widen", "slide", "slit", "swing", "edge", "tip", "shift", "darts", "grain",
    "notches", "line", "none",
]  # fmt: skip
Map = Callable[[Array], Array]
Shift = Callable[[Array, Array], Array]  # a seam's points (n, 2), their distance along it (n,): displacements (n, 2)
SAME_MM = 1e-9
ON_CUT_MM = 1e-3
ON_FOLD_MM = 0.01
COVERED_MM = 0.5  # what lies farther from the outline is covered by a fold
STEP_MM = 0.1  # a cut this near to a step opens it


@dataclass(frozen=True, eq=False)
class Cut:
    """A cut across a piece: from a point on the free edge to a point on the other, and the map that lays one part anew.

    `hinged`: that part turns about the end. `sign`: 1 when it lies on the left of the way from start to end, -1 when on its right.
    """

    start: Array
    end: Array
    move: Map
    hinged: bool = False
    sign: float = 1.0

    @property
    def line(self) -> Array:
        """From its start to its end, as (2, 2) points."""
        return np.array([self.start, self.end])

    @property
    def filled(self) -> Array:
        """The outline of the gap, or of the overlap, that it makes: (4, 2) points, the last two where its ends come to lie."""
        return np.concatenate([self.line, self.move(self.line)[::-1]])


@dataclass(frozen=True, eq=False)
class Did:
    """One thing that was done to a piece: what kind, by how much in mm, the cut if there was one, the seams to true.

    `by`: negative takes away. `angle`: by how much the whole piece was turned afterwards to set the grain upright, radians.
    """

    kind: Kind
    by: float
    seams: tuple[str, ...]
    cut: Cut | None = None
    angle: float = 0.0
    at: Mapping[str, float] | None = None


@dataclass(frozen=True, eq=False)
class Altered:
    """A piece after an alteration, what was done, in order, and what its rule says of it in drawings."""

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
    """The map that moves points by as much each."""
    return lambda line: points(line + by)


def rotated(line: Array, about: Array, angle: float) -> Array:
    """Points turned about a point, counter-clockwise, radians."""
    turn = np.array([[cos(angle), -sin(angle)], [sin(angle), cos(angle)]])
    return points((line - about) @ turn.T + about)


def mapped(piece: Piece, move: Map) -> Piece:
    """The whole piece, with all that is drawn on it, moved by one map."""
    return replace(
        piece,
        seams={name: move(line) for name, line in piece.seams.items()},
        darts=tuple(Dart.of(move(dart.ends)) for dart in piece.darts),
        lines={name: move(line) for name, line in piece.lines.items()},
        notches=tuple(replace(notch, at=move(notch.at[None])[0]) for notch in piece.notches),
        joints=tuple(_joint(joint, move) for joint in piece.joints),
        holes=tuple(move(at[None])[0] for at in piece.holes),
    )


def _joint(joint: Joint, move: Map) -> Joint:
    return replace(joint, at=move(joint.at), hidden=None if joint.hidden is None else move(joint.hidden))


def turned(piece: Piece, about: Array, angle: float) -> Piece:
    """The whole piece turned about a point, counter-clockwise, radians; the grainline is not."""
    return mapped(piece, lambda line: rotated(line, about, angle))


# -- cutting -------------------------------------------------------------------------------------------------------------


class Parting:
    """A piece cut from one place of its outline to another: the part that stays, and the part that moves."""

    def __init__(
        self, piece: Piece, start: Spot, end: Spot, keeps: str | None = None, *, opening: bool = False
    ) -> None:
        """`keeps`: the seam that lies on the part that stays (default: that of the piece's `Part`). `opening`: where an earlier
        cut left a step, that cut is opened again.
        """
        self.piece, self.start, self.end = piece, start.at, end.at
        self._run = unit(end.at - start.at)
        names = piece.part.seams
        line = piece.outline
        sizes = [len(piece.seams[name]) - 1 for name in names]
        labels = np.repeat(np.arange(len(names)), sizes)  # of each step of the ring the number of its seam
        first = dict(zip(names, np.cumsum([0, *sizes]).tolist(), strict=False))
        places = [(first[spot.seam] + spot.index, spot.at) for spot in (start, end)]
        order = sorted((0, 1), key=lambda k: (places[k][0], apart(places[k][1], line[places[k][0]])))
        steps = [_step_at(piece, place) if opening else None for _, place in places]
        for k in reversed(order):  # the later one first, so that the earlier one's index stays true
            if steps[k] is None:
                line, labels = _inserted(line, labels, *places[k])
        self._line, self._labels, self.opened = line, labels, [step for step in steps if step is not None]
        self._hidden = [(None, ()) if step is None else (step.hidden, step.of) for step in steps]
        ends = [_ends_in(line, place, step) for (_, place), step in zip(places, steps, strict=True)]
        if ends[0][0] == ends[1][0]:
            raise stop("cut", f"{piece.name}: the cut has no length", hint="look at the levels of the pattern")
        count, kept = len(line), int(np.argmax(labels == names.index(keeps or piece.part.stays)))
        inside = (kept - ends[0][1]) % count < (ends[1][0] - ends[0][1]) % count
        # the moving arc, clockwise, and the one that stays; a step left by an earlier cut at the same place belongs to neither
        one, other = (ends[1], ends[0]) if inside else (ends[0], ends[1])
        self._moving, self._staying = _arc(count, one[1], other[0]), _arc(count, other[1], one[0])
        self.swapped = inside
        moving = line[self._moving]
        away = self._away(moving)
        self.sign = float(np.sign(away[int(np.argmax(np.abs(away)))]))

    def _away(self, at: Array) -> Array:
        """Distance of points from the cut, positive on its left."""
        (x, y), (u, v) = self.start, self._run
        away: Array = u * (at[:, 1] - y) - v * (at[:, 0] - x)
        return away

    def cut(self, move: Map, *, hinged: bool = False) -> Cut:
        """This cut, its moving part laid by `move`."""
        return Cut(self.start, self.end, move, hinged, self.sign)

    def moves(self, at: Array, closing: bool) -> NDArray[np.bool_]:
        """Which of some points inside the piece lie on the part that moves; those on the cut do when it closes."""
        away = self._away(at) * self.sign
        return np.asarray(away > -ON_CUT_MM if closing else away > ON_CUT_MM)

    def laid(self, move: Map, taken: tuple[float, float] = (0.0, 0.0), *, closing: bool = False) -> Piece:
        """The piece with the moving part laid by `move`; `taken`: what it covers of the other part's edge at start and end, mm.

        Negative at the end: what of its own edge is covered there.
        """
        piece, moving, staying = self.piece, self._moving, self._staying
        laid = move(points(self._line[moving]))
        labels = self._labels[moving[:-1]]
        kept, kept_labels = self._line[staying], self._labels[staying[:-1]]
        at_from, at_to = (taken[1], taken[0]) if self.swapped else taken
        under = self._hidden[::-1] if self.swapped else self._hidden  # at the end of the part that stays, at its start
        names = piece.part.seams
        kept, kept_labels, below = _uncovered(kept[::-1], kept_labels[::-1], at_to, under[1], laid[-1], names)
        kept, kept_labels, above = _uncovered(kept[::-1], kept_labels[::-1], at_from, under[0], laid[0], names)
        laid, labels, _ = _trimmed(laid, labels, -at_to, names)
        part, steps = piece.part, [labels]
        ring = [laid]
        joints = [Joint(part.seams[kept_labels[0]], points(np.array([laid[-1], kept[0]])), *below)]
        if apart(laid[-1], kept[0]) > SAME_MM:
            steps.append(kept_labels[:1])
            ring.append(kept)
        else:
            ring.append(kept[1:])
        steps.append(kept_labels)
        joints.append(Joint(part.seams[kept_labels[-1]], points(np.array([kept[-1], laid[0]])), *above))
        if apart(kept[-1], laid[0]) > SAME_MM:
            steps.append(kept_labels[-1:])
        else:
            ring[-1] = ring[-1][:-1]
        seams = _seams(piece, np.concatenate(ring), np.concatenate(steps))
        return self._drawn_on(replace(piece, seams=seams), move, closing, joints)

    def _drawn_on(self, result: Piece, move: Map, closing: bool, joints: list[Joint]) -> Piece:
        piece = self.piece

        def one(at: Array) -> Array:
            return move(at[None])[0] if self.moves(at[None], closing)[0] else at

        def on_seam(at: Array, seam: str) -> Array:
            place = one(at)
            return at if place is at and seam not in changed else nearest(result.seams[seam], place)

        def taken_along(joint: Joint) -> Joint:
            """A joint moves with the paper it is on; one that lay under the fold that is opened is on the part that stays."""
            folds = [fold.hidden for fold in self.opened if fold.hidden is not None]
            if any(off(fold, joint.at[0]) < ON_FOLD_MM for fold in folds):
                return joint
            under = joint.hidden
            if under is not None and self.moves(under[:1], closing)[0]:
                under = move(under)
            return replace(joint, at=points(np.array([one(at) for at in joint.at])), hidden=under)

        changed = {joint.seam for joint in joints}
        darts = tuple(Dart.of(move(d.ends)) if self.moves(d.ends[[0]], closing)[0] else d for d in piece.darts)
        return replace(
            result,
            darts=darts,
            lines={name: self.parted(line, move, closing) for name, line in piece.lines.items()},
            notches=tuple(replace(notch, at=on_seam(notch.at, notch.seam)) for notch in piece.notches),
            holes=tuple(one(at) for at in piece.holes),
            joints=(*(taken_along(joint) for joint in piece.joints if joint not in self.opened), *joints),
        )

    def parted(self, line: Array, move: Map, closing: bool) -> Array:
        """A drawn line, the points on the moving part moved; where the cut crosses it, it gets a point on each part."""
        which = self.moves(line, closing)
        if which.all() or not which.any():
            return move(line) if which[0] else line
        away, parts, flags = self._away(line), [line[0]], [which[0]]
        for index in range(len(line) - 1):
            if which[index] != which[index + 1]:
                share = away[index] / (away[index] - away[index + 1])
                parts += [line[index] + share * (line[index + 1] - line[index])] * 2
                flags += [which[index], which[index + 1]]
            parts.append(line[index + 1])
            flags.append(which[index + 1])
        result = np.array(parts)
        result[flags] = move(result[flags])
        return points(result)


def _step_at(piece: Piece, at: Array) -> Joint | None:
    """The step that an earlier cut left right at a place: who opens the paper there again opens that cut."""
    for joint in reversed(piece.joints):
        near = min(apart(end, at) for end in joint.at)
        if near < STEP_MM and (joint.hidden is not None or apart(*joint.at) > ON_CUT_MM):
            return joint
    return None


def _ends_in(line: Array, at: Array, step: Joint | None) -> tuple[int, int]:
    """Indexes in a ring of the point where one part ends and of that where the next begins, clockwise; mostly the same."""
    here = [int(((line - place) ** 2).sum(axis=1).argmin()) for place in ([at] if step is None else list(step.at))]
    one, other = here[0], here[-1]
    count = len(line)
    return (one, other) if (other - one) % count < count / 2 else (other, one)


def _arc(count: int, start: int, end: int) -> NDArray[np.int_]:
    """Indexes round a ring from one to another, both included."""
    return np.asarray((start + np.arange((end - start) % count + 1)) % count)


def _inserted(line: Array, labels: NDArray[np.int_], index: int, at: Array) -> tuple[Array, NDArray[np.int_]]:
    """A ring with a point put in after `index`, unless one is there already, and the labels of its steps."""
    if any(np.hypot(*(line[near % len(line)] - at)) <= SAME_MM for near in (index, index + 1)):
        return line, labels
    at_label = labels[index : index + 1]
    return (
        np.concatenate([line[: index + 1], at[None], line[index + 1 :]]),
        np.concatenate([labels[: index + 1], at_label, labels[index + 1 :]]),
    )


Hidden = tuple[Array | None, tuple[str, ...]]  # an edge that lies covered, and the seam of each of its steps


def _trimmed(
    line: Array, labels: NDArray[np.int_], by: float, names: tuple[str, ...]
) -> tuple[Array, NDArray[np.int_], Hidden]:
    """A polyline with `by` mm of its length taken off at its end, the labels of its steps, and what was taken off."""
    if by <= 0.0:
        return line, labels, (None, ())
    short = shortened(line, by)
    beyond = line[arc(line) > float(arc(short)[-1]) + SAME_MM]
    of = tuple(names[label] for label in labels[len(labels) - len(beyond) :])
    return short, labels[: len(short) - 1], (points(np.concatenate([short[-1:], beyond])), of)


def _uncovered(
    line: Array, labels: NDArray[np.int_], by: float, under: Hidden, to: Array, names: tuple[str, ...]
) -> tuple[Array, NDArray[np.int_], Hidden]:
    """A polyline trimmed at its end by what is laid over it; or run on along what lay hidden there, as far as `to` uncovers it."""
    hidden, of = under
    if by > 0.0 or hidden is None or apart(hidden[0], line[-1]) > ON_CUT_MM:
        return _trimmed(line, labels, by, names)
    along, far = arc(hidden), far_on(hidden, to)
    end = at_far(hidden, far)[None]
    shown = np.concatenate([hidden[(along > SAME_MM) & (along < far - SAME_MM)], end])
    left = np.concatenate([end, hidden[along > far + SAME_MM]])
    more = [names.index(seam) for seam in of[: len(shown)]]
    rest: Hidden = (points(left), of[len(of) - len(left) + 1 :]) if len(left) > 1 else (None, ())
    return np.concatenate([line, shown]), np.concatenate([labels, more]).astype(int), rest


def shortened(line: Array, by: float) -> Array:
    """A polyline with `by` mm of its length taken off at its end. Raises ProblemsFoundError if it has no more than that."""
    keep = float(arc(line)[-1]) - by
    if keep <= 0:
        raise stop("amount", "that is more than there is of the seam", hint="take a smaller amount")
    index, at = step_at(line, keep)
    return np.concatenate([line[: index + 1], at[None]]) if apart(line[index], at) > 1e-12 else line[: index + 1]


def _seams(piece: Piece, ring: Array, labels: NDArray[np.int_]) -> dict[str, Array]:
    """A ring of labelled steps taken apart into the seams of the piece."""
    begins = int(np.flatnonzero((labels == 0) & (np.concatenate([labels[-1:], labels[:-1]]) != 0))[0])
    ring = np.concatenate([ring[begins:], ring[: begins + 1]])
    labels = np.concatenate([labels[begins:], labels[:begins]])
    names = piece.part.seams
    ends = np.searchsorted(labels, np.arange(len(names) + 1))
    empty = [name for name, low, high in zip(names, ends[:-1], ends[1:], strict=True) if low == high]
    if empty or (labels[1:] < labels[:-1]).any():
        told = f"{piece.name}: nothing would be left of the seam '{empty[0] if empty else names[0]}'"
        raise stop("amount", told, hint="take a smaller amount")
    return {name: points(ring[low : high + 1]) for name, low, high in zip(names, ends[:-1], ends[1:], strict=True)}


# -- redrawing -----------------------------------------------------------------------------------------------------------


def redraw(
    piece: Piece, shifts: Mapping[str, Shift], joints: tuple[Joint, ...] = (), grown: tuple[str, ...] = ()
) -> Piece:
    """The piece with some seams moved point by point; what is drawn on them or ends at them follows.

    `grown`: neighbours that keep their own line and get a straight step more to the moved end.
    """
    part, old = piece.part, piece.seams
    seams = {name: line + shifts[name](line, arc(line)) if name in shifts else line for name, line in old.items()}
    for seam in part.seams:
        follows = part.follows(seam)
        if seam in shifts and follows not in shifts:
            by = seams[seam][-1] - old[seam][-1]
            seams[follows] = _followed(seams[follows][::-1], by, follows in grown)[::-1]
        elif follows in shifts and seam not in shifts:
            seams[seam] = _followed(seams[seam], seams[follows][0] - old[follows][0], seam in grown)
        elif seam in shifts:
            seams[seam][-1] = seams[follows][0]
    darts, seams = _relaid(piece, seams)
    new = {name: line if line is old[name] else points(line) for name, line in seams.items()}
    changed = {name for name, line in new.items() if line is not old[name]}

    def on_seam(at: Array, seam: str) -> Array:
        if seam not in changed or off(old[seam], at) > COVERED_MM:
            return at
        if seam in shifts:
            here = nearest(old[seam], at)
            at = at + shifts[seam](at[None], np.array([far_on(old[seam], here)]))[0]
        return nearest(new[seam], at)

    return replace(
        piece,
        seams=new,
        darts=darts,
        lines={name: reached(piece, name, line, new, changed) for name, line in piece.lines.items()},
        notches=tuple(Notch(notch.name, notch.seam, on_seam(notch.at, notch.seam)) for notch in piece.notches),
        joints=(
            *(replace(j, at=points(np.array([on_seam(at, j.seam) for at in j.at]))) for j in piece.joints),
            *(Joint(j.seam, points(np.array([nearest(new[j.seam], at) for at in j.at]))) for j in joints),
        ),
    )


def _followed(line: Array, by: Array, grows: bool) -> Array:
    """A seam whose end is moved: run on or cut back along itself, and what is left of the way drawn in over its length."""
    if not np.abs(by).max() > SAME_MM:
        return line
    if grows:
        return np.concatenate([line, (line[-1] + by)[None]])
    run = unit(line[-1] - line[-2])
    on = float(by @ run)
    result = shortened(line, -on) if on < 0 else np.concatenate([line[:-1], (line[-1] + run * on)[None]])
    share = arc(result)
    return result + np.outer(share / share[-1], line[-1] + by - result[-1])


def _relaid(piece: Piece, seams: dict[str, Array]) -> tuple[tuple[Dart, ...], dict[str, Array]]:
    """Darts carried on, or cut back, to their seam where it lies now, both legs alike; and the seams, through their ends."""
    home = piece.part.top
    if not piece.darts or seams[home] is piece.seams[home]:
        return piece.darts, seams
    found, result = [], dict(seams)
    for dart in piece.darts:
        left, right = (crossing(dart.tip, end, seams[home]) for end in (dart.left, dart.right))
        laid = dart
        if left is not None and right is not None and max(apart(left, dart.left), apart(right, dart.right)) > 1e-6:
            laid = Dart.even(left, right, dart.tip)
            result[home] = through(result[home], laid.left, laid.right)
        found.append(laid)
    return tuple(found), result


def through(line: Array, left: Array, right: Array) -> Array:
    """A seam that runs through the two ends of a dart, straight between them."""
    run = unit(line[-1] - line[0])
    places = (line - line[0]) @ run
    low, high = float((left - line[0]) @ run), float((right - line[0]) @ run)
    return np.concatenate([line[places < low - 0.5], [left, right], line[places > high + 0.5]])


def crossing(start: Array, through: Array, line: Array) -> Array | None:
    """Where the straight from a point through another, carried on, crosses a polyline; the crossing nearest to the second."""
    run = through - start
    side = run[0] * (line[:, 1] - start[1]) - run[1] * (line[:, 0] - start[0])
    hits = np.nonzero((side[:-1] * side[1:] <= 0) & (side[:-1] != side[1:]))[0]
    if not len(hits):
        return None
    share = side[hits] / (side[hits] - side[hits + 1])
    at = line[hits] + share[:, None] * (line[hits + 1] - line[hits])
    at = at[(at - start) @ run > 0]
    if not len(at):
        return None
    return np.asarray(at[int(np.argmin(((at - through) ** 2).sum(axis=1)))])


def reached(piece: Piece, name: str, line: Array, seams: Mapping[str, Array], changed: set[str]) -> Array:
    """A drawn line whose ends lie on the outline, carried on or cut back to where the outline runs now."""
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


def tapering(by: Array, share: Callable[[Array, Array], Array]) -> Shift:
    """A shift in one direction, by a share for each point."""
    return lambda at, far: np.outer(share(at, far), by)


def smooth_through(at: Array, heights: Array, shares: Array, *, level: bool = True) -> Array:
    """Shares at heights between given ones (rising), by a curve that never overshoots; its ends are `level` or run straight on.

    Cubic pieces; where two meet, the slope is the harmonic mean of the slopes on both sides (Fritsch and Butland, 1984).
    """
    if len(heights) == 1:
        return np.full(len(at), shares[0])
    step, rise = np.diff(heights), np.diff(shares)
    slope = rise / step
    both = slope[:-1] + slope[1:]
    inner = np.where(slope[:-1] * slope[1:] > 0, 2 * slope[:-1] * slope[1:] / np.where(both == 0, 1.0, both), 0.0)
    tangent = np.concatenate([[0.0], inner, [0.0]] if level else [slope[:1], inner, slope[-1:]])
    where = np.clip(np.searchsorted(heights, at, side="right") - 1, 0, len(step) - 1)
    t = np.clip((at - heights[where]) / step[where], 0.0, 1.0)
    curve = step[where] * t * (1 - t) * (tangent[where] * (1 - t) - tangent[where + 1] * t)
    return np.asarray(shares[where] + rise[where] * t**2 * (3 - 2 * t) + curve)
