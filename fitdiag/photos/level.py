"""Camera orientation and radial distortion from plumb lines, with their errors.

A plumb line or door frame is straight and upright in the room. In the picture its lean shows the camera's orientation and its bow
the lens's distortion; lines near the left and right border show both. All marked lines are fitted together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.camera import Camera, bent, planes, unbent
from fitdiag.photos.marks import Point
from fitdiag.photos.readings import Source
from fitdiag.photos.robust import median, scatter
from fitdiag.photos.strip import Array, edge_along, strip_across

Pair = tuple[Point, Point]
Straight = tuple[Point, Point, float]  # two ends and one end's error, px

BEND_USUAL = 0.02  # prior standard deviation of the distortion; phones correct most of it themselves
BEND_LEFT = 0.0015  # frames are not quite straight, and no lens follows the model exactly
PLUMB_ERROR = math.radians(0.035)  # of a frame or string
CLICK_ERROR = 4.0  # px: of a point where nothing could be followed
# error of the principal point, right and down, as a share of the picture's diagonal; of a cropped picture, whose lens is taken to have
# pointed at the body
MIDDLE_ERROR, MIDDLE_CROPPED = (0.002, 0.002), (0.03, 0.06)
MOST_UNLEVEL = math.radians(8.0)  # lines too near each other, which leave a larger error, do not level a picture
STEEPEST = math.sin(math.radians(30.0))  # pitch of the lens; nobody photographs a whole person more steeply
_BENDS = np.linspace(-0.048, 0.048, 17)
_NEIGHBOURS = 4.0  # correlation length of the noise along a line, rows
# Scatter about a straight line, over tenths of its length: usual for an edge, px; factor for the error of the ends; share of the reach
# from which on it is not one line.
CALM, OFF_BY_UNREST, NO_LINE = 0.1, 5.0, 0.08


@dataclass(frozen=True, eq=False)
class Pose:
    """The camera with its orientation; `others`: the camera one standard deviation away, along independent directions, and why."""

    camera: Camera
    others: tuple[tuple[Source, Camera], ...]
    levelled: bool
    uprights: tuple[Pair, ...]  # the plumb lines as they were followed
    warning: str = ""


@dataclass(frozen=True, eq=False)
class _Upright:
    """One line being followed: positions along it (shares of its length), offsets there (px), and their noise."""

    first: Array
    normal: Array
    along: Array
    share: Array
    bow: Array  # px of offset for a distortion of 1
    offset: Array
    noise: float

    def end(self, offset: float, last: bool) -> Array:
        """Its first or last end, for an offset there."""
        moved: Array = self.first + (self.along if last else 0.0) + offset * self.normal
        return moved


@dataclass(frozen=True, eq=False)
class Plumb:
    """Plumb lines as followed, the fit of their ends and the distortion (px, share), and its covariance."""

    middle: Point
    lines: list[_Upright]
    fitted: Array
    spread: Array

    def line(self, index: int) -> Straight:
        """One of the lines as it was followed."""
        first, last = self.fitted[2 * index : 2 * index + 2]
        return *_ends(self.lines[index], first, last), math.sqrt(self.spread[2 * index, 2 * index])


def follow(pixels: NDArray[np.uint8], verticals: Sequence[Pair]) -> Plumb:
    """Follow the plumb lines of a picture (H, W, 3) near pairs of points; the orientation still depends on the focal length."""
    height, width = pixels.shape[:2]
    middle = ((width - 1) / 2, (height - 1) / 2)
    return Plumb(middle, *_followed(pixels, [pair for pair in verticals if math.dist(*pair) >= 40.0], middle))


def levelled(plumb: Plumb, focal: float) -> Camera | None:
    """Return the camera of this focal length (px) as the plumb lines level it; None with less than two of them."""
    if len(plumb.lines) < 2:
        return None
    up, _ = _up(plumb.lines, plumb.fitted, focal, plumb.middle)
    return Camera(focal, plumb.middle, _unit(up), float(plumb.fitted[-1]))


def posed(plumb: Plumb, focal: float, focal_error: float, *, cropped: bool = False) -> Pose:
    """Return the pose of a camera of this focal length (px; its error as a share) from two or more followed plumb lines."""
    lines, middle = plumb.lines, plumb.middle
    why = "only one plumb line is marked" if lines else "no plumb line is marked"
    if len(lines) >= 2:
        if (pose := _pose(plumb, focal, focal_error, cropped=cropped)) is not None:
            return pose
        why = "the plumb lines do not agree, or are too short or too near each other"
    camera = Camera(focal, middle, (0.0, -1.0, 0.0))
    others: list[tuple[Source, Camera]] = [
        ("level", replace(camera, up=_unit(np.array(up))))
        for up in ((math.sin(math.radians(1.5)), -1.0, 0.0), (0.0, -1.0, math.sin(math.radians(8.0))))
    ]
    others.append(("level", replace(camera, bend=BEND_USUAL)))
    warning = f"{why}: the picture cannot be levelled; mark two or more, on both sides of the body"
    ends = tuple(_ends(line, 0.0, 0.0) for line in lines)
    return Pose(camera, tuple(others), levelled=False, uprights=ends, warning=warning)


def _pose(plumb: Plumb, focal: float, focal_error: float, *, cropped: bool) -> Pose | None:
    """The pose from fitted lines; None if they do not fix the level."""
    lines, fitted, middle = plumb.lines, plumb.fitted, plumb.middle
    up, weights = _up(lines, fitted, focal, middle)
    side = np.cross(up, [0.0, 0.0, 1.0])
    side /= np.linalg.norm(side)
    ways = np.stack([side, np.cross(side, up)])
    moves = []
    for index in range(len(fitted)):
        step = np.zeros(len(fitted))
        step[index] = 0.001 if index == len(fitted) - 1 else 0.5
        moved, _ = _up(lines, fitted + step, focal, middle)
        moves.append([*(ways @ (moved - up)), step[-1]] / step[index])
    slope = np.array(moves).T  # (3, unknowns): Jacobian of two rotations of up, and the distortion
    wrong = weights @ up
    misfit = float((wrong**2).sum() / (len(lines) - 2)) if len(lines) > 2 else 1.0
    whole = slope @ plumb.spread @ slope.T * max(1.0, misfit)
    sizes, turns = np.linalg.eigh(whole)
    turn_error = math.sqrt(float(np.linalg.eigvalsh(whole[:2, :2])[-1]))
    if abs(up[2]) > STEEPEST or turn_error > MOST_UNLEVEL:
        return None
    camera = Camera(focal, middle, _unit(up), float(fitted[-1]))
    others = list[tuple[Source, Camera]]()
    for size, turn in zip(sizes, turns.T, strict=True):
        step = math.sqrt(max(float(size), 0.0)) * turn
        others.append(("level", replace(camera, up=_unit(up + step[:2] @ ways), bend=camera.bend + float(step[2]))))
    longer = focal * (1 + focal_error)
    others.append(("focal length", replace(camera, focal=longer, up=_unit(_up(lines, fitted, longer, middle)[0]))))
    right, down = (share * 2 * math.hypot(*middle) for share in (MIDDLE_CROPPED if cropped else MIDDLE_ERROR))
    for other in ((middle[0] + right, middle[1]), (middle[0], middle[1] + down)):
        moved_up = _unit(_up(lines, fitted, focal, other)[0])
        others.append(("crop" if cropped else "level", replace(camera, middle=other, up=moved_up)))
    ends = tuple(_ends(line, *fitted[2 * i : 2 * i + 2]) for i, line in enumerate(lines))
    return Pose(camera, tuple(others), levelled=True, uprights=ends)


def _up(lines: Sequence[_Upright], fitted: Array, focal: float, middle: Point) -> tuple[Array, Array]:
    """The up direction, and the weighted normals: each line and the lens span a plane containing the plumb direction."""
    ends = np.array(
        [[line.end(fitted[2 * i], False), line.end(fitted[2 * i + 1], True)] for i, line in enumerate(lines)]
    )
    errors = [
        math.hypot(2 * line.noise * math.sqrt(_NEIGHBOURS / len(line.share)) / np.linalg.norm(line.along), PLUMB_ERROR)
        for line in lines
    ]
    flat = unbent(ends - middle, float(fitted[-1]), math.hypot(*middle))
    weights = planes(flat, focal) / np.array(errors)[:, None]
    direction: Array = np.linalg.svd(weights)[2][-1]
    return (direction if direction[1] < 0 else -direction), weights


@dataclass(frozen=True, eq=False)
class _Fit:
    """Lines fitted together: offsets of their two ends (px) and one distortion, the information matrix of these unknowns, and each
    line's residuals (px)."""

    lines: Sequence[_Upright]
    fitted: Array
    information: Array
    rests: Sequence[Array]

    def spread(self) -> Array:
        """Covariance of the unknowns, with what no picture shows."""
        spread = np.linalg.inv(self.information)
        spread[-1, -1] += BEND_LEFT**2
        for index, (line, rest) in enumerate(zip(self.lines, self.rests, strict=True)):  # nothing hangs quite plumb
            lean = float(np.linalg.norm(line.along)) * PLUMB_ERROR / 2
            own = slice(2 * index, 2 * index + 2)
            spread[own, own] += lean**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
            spread[own, own] += (OFF_BY_UNREST * max(_unrest(line, rest) - CALM, 0.0)) ** 2 * np.eye(2)
        return spread


def _fit(lines: Sequence[_Upright]) -> _Fit:
    """Fit all lines at once, by reweighted least squares."""
    unknowns = 2 * len(lines) + 1
    tables, targets, owners = [], [], []
    for index, line in enumerate(lines):
        table = np.zeros((len(line.share), unknowns))
        table[:, 2 * index], table[:, 2 * index + 1], table[:, -1] = 1 - line.share, line.share, line.bow
        tables.append(table)
        targets.append(line.offset)
        owners.append(np.full(len(line.share), index))
    table, target, owner = np.concatenate(tables), np.concatenate(targets), np.concatenate(owners)
    noise = np.array([max(line.noise, 0.1) for line in lines])
    weight = np.ones(len(target))
    prior = np.zeros(unknowns)
    prior[-1] = 1 / BEND_USUAL
    for _ in range(8):
        scale = np.sqrt(weight / _NEIGHBOURS) / noise[owner]
        rows = np.concatenate([table * scale[:, None], prior[None]])
        normal = rows.T @ rows
        fitted = np.linalg.solve(normal, rows.T @ np.append(target * scale, 0.0))
        rest = target - table @ fitted
        for index in range(len(lines)):
            own = owner == index
            if len(lines[index].share) > 2:
                noise[index] = max(scatter(rest[own]), 0.1)
        weight = np.maximum(0.0, 1 - (rest / (4.7 * noise[owner])) ** 2) ** 2
    return _Fit(lines, fitted, normal, [rest[owner == index] for index in range(len(lines))])


def _followed(pixels: NDArray[np.uint8], pairs: Sequence[Pair], middle: Point) -> tuple[list[_Upright], Array, Array]:
    """Follow the edges or strings near pairs of points and fit them together, with a common distortion."""
    reach = round(min(max(14 * pixels.shape[0] / 2000, 10), 32))
    candidates = [_Votes(pixels, pair, middle, reach) for pair in pairs]
    if not candidates:
        return [], np.zeros(1), np.zeros((1, 1))
    scores = (
        sum(votes.best / max(float(votes.best.max()), 1e-9) for votes in candidates) - 0.05 * (_BENDS / BEND_USUAL) ** 2
    )
    chosen = int(np.argmax(scores))
    courses = [votes.course(chosen) for votes in candidates]
    for _ in range(4):  # each time read again about the last fit
        lines = [votes.followed(course) for votes, course in zip(candidates, courses, strict=True)]
        fit = _fit(lines)
        fitted = fit.fitted
        courses = [
            None if course is None else _course(votes, fitted[2 * i : 2 * i + 2], fitted[-1])
            for i, (votes, course) in enumerate(zip(candidates, courses, strict=True))
        ]
    one = [_unrest(line, line.offset - _course(line, fitted[2 * i : 2 * i + 2], fitted[-1])) < NO_LINE * reach
           for i, line in enumerate(lines)]  # fmt: skip
    if not all(one):  # runs onto something else, as from a string to the chair in front of it
        lines = [
            line if good else votes.followed(None) for line, good, votes in zip(lines, one, candidates, strict=True)
        ]
        fit = _fit(lines)
    return lines, fit.fitted, fit.spread()


def _course(line: _Upright | _Votes, ends: Array, bend: float) -> Array:
    """Offsets (px) along a bowed line with these offsets at its two ends."""
    course: Array = ends[0] + (ends[1] - ends[0]) * line.share + bend * line.bow
    return course


def _unrest(line: _Upright, rest: Array) -> float:
    """Standard deviation, px, of the residuals' medians over tenths of a line's length."""
    tenths = [rest[(line.share * 10).astype(int) == tenth] for tenth in range(10)]
    return float(np.std([median(part) for part in tenths if len(part) > 3] or [0.0]))


def snap_straight(pixels: NDArray[np.uint8], first: Point, last: Point, reach: int = 14) -> Straight:
    """Find the straight edge or thin line near two points; return its ends (on the normals at these points) and an end's error, px.

    If nothing stands out, return the points themselves with the error of a click.
    """
    unbound = (first, last, CLICK_ERROR)
    if math.dist(first, last) < 40:
        return unbound
    votes = _Votes(pixels, (first, last), None, reach)
    course = votes.course(0)
    if course is None:
        return unbound
    for _ in range(3):
        line = votes.followed(course)
        if len(line.share) == 2:
            return unbound
        fit = _fit([line])
        course = _course(votes, fit.fitted[:2], 0.0)
    return *_ends(line, float(fit.fitted[0]), float(fit.fitted[1])), max(float(fit.spread()[0, 0]) ** 0.5, 0.1)


def crossing(one: Straight, other: Straight) -> Array:
    """Return the intersection of two straight lines, px; NaN if they are parallel."""
    first, second = (np.cross((*line[0], 1.0), (*line[1], 1.0)) for line in (one, other))
    meet = np.cross(first, second)
    place: Array = meet[:2] / meet[2] if abs(meet[2]) > 1e-9 else np.full(2, np.nan)
    return place


class _Votes:
    """Hough votes of all straight lines near two points by the contrast along them; bowed for each of some distortions if the
    `middle` is given."""

    def __init__(self, pixels: NDArray[np.uint8], pair: Pair, middle: Point | None, reach: int) -> None:
        ends = np.array(pair, float)
        self.first, self.along, self.reach = ends[0], ends[1] - ends[0], reach
        length = float(np.hypot(*self.along))
        self.normal = np.array([-self.along[1], self.along[0]]) / length
        count = int(min(max(length / 2, 30), 600))
        self.share = (np.arange(count) + 0.5) / count
        self.bends = np.zeros(1) if middle is None else _BENDS
        self.bow = np.zeros(count) if middle is None else _bow(ends, self.share, self.normal, middle)
        self.wide = reach + int(np.ceil(np.abs(self.bow).max() * abs(_BENDS[0]))) + 4
        offsets = np.arange(-self.wide - 2, self.wide + 3, dtype=float)
        strip = strip_across(pixels, self.first + self.share[:, None] * self.along, self.normal, offsets, 1.0, 1.0)
        slope = np.linalg.norm(strip[4:] - strip[:-4], axis=2)
        slope = np.minimum(slope, np.percentile(slope, 97))
        self.slope = slope / (np.median(slope) + 0.5)
        self.tries = np.arange(-reach, reach + 0.1, max(1.5, reach / 14))
        near = np.exp(-0.5 * (self.tries / (0.75 * reach)) ** 2)  # what lies under the points is likelier meant
        self.votes = self._votes() * np.sqrt(near[:, None] * near[None])
        self.best: Array = self.votes.reshape(len(self.bends), -1).max(axis=1)

    def _votes(self) -> Array:
        """The mean contrast along each line, by its distortion and the offsets at its two ends."""
        thin = slice(None, None, max(1, len(self.share) // 150))
        share, bow, slope = self.share[thin], self.bow[thin], self.slope.T[thin]
        first, last = self.tries[:, None, None], self.tries[:, None]
        straight = first + (last - first) * share
        flat, row_starts = slope.ravel(), np.arange(len(slope)) * slope.shape[1]
        votes = np.empty((len(self.bends), len(self.tries), len(self.tries)))
        for index, bend in enumerate(self.bends):
            place = straight + (bend * bow + self.wide)
            column = np.rint(place, out=place).astype(int)  # never outside: `wide` has room for every bow
            column += row_starts
            votes[index] = flat.take(column).mean(axis=2)
        return votes

    def course(self, chosen: int) -> Array | None:
        """Return the line with most votes for the chosen distortion; None if nothing stands out."""
        votes = self.votes[chosen]
        i, j = divmod(int(votes.argmax()), len(self.tries))
        if votes[i, j] < 1.8 * np.median(votes) + 0.2:
            return None
        return _course(self, self.tries[[i, j]], self.bends[chosen])

    def followed(self, course: Array | None) -> _Upright:
        """Follow the line about this course row by row; without one, return its two points."""
        if course is not None:
            seen, place = edge_along(self.slope, course + self.wide, 4)
            if len(place) >= max(20, len(seen) // 5):
                offset = place - self.wide
                rest = offset - course[seen]
                noise = scatter(rest - median(rest)) + 0.1
                return _Upright(self.first, self.normal, self.along, self.share[seen], self.bow[seen], offset, noise)
        none, ends = np.zeros(2), np.array([0.0, 1.0])
        return _Upright(self.first, self.normal, self.along, ends, none, none, CLICK_ERROR / 2)


def _bow(ends: Array, share: Array, normal: Array, middle: Point) -> Array:
    """Offset of a straight line from the chord of its distorted ends, px along the normal per unit of distortion."""
    corner, bend = math.hypot(*middle), 0.01
    flat = unbent(ends - middle, bend, corner)
    # points of the true line that appear beside those of the chord: equal shares are close enough
    seen = bent(flat[0] + share[:, None] * (flat[1] - flat[0]), bend, corner) + middle
    off: Array = (seen - ends[0] - share[:, None] * (ends[1] - ends[0])) @ normal / bend
    return off


def _ends(line: _Upright, first: float, last: float) -> Pair:
    top, bottom = line.end(first, False), line.end(last, True)
    return (float(top[0]), float(top[1])), (float(bottom[0]), float(bottom[1]))


def _unit(vector: Array) -> tuple[float, float, float]:
    x, y, z = vector / np.linalg.norm(vector)
    return float(x), float(y), float(z)
