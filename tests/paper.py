"""Paper, ruler and compasses: plane geometry of two pattern pieces before and after an alteration, on numpy and shapely.

Nothing here is shared with fitdiag's pattern room. A `Paper` is one piece as drawn; a `Pair` is a piece before and after,
laid on each other by points that the alteration leaves alone; a `Case` holds both pieces and collects what is not as the
rule says. Lengths in mm; y runs up along the grain of the leg, x from the centre seam to the side seam.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point

Array = NDArray[np.float64]
Map = Callable[[Any], Array]  # a rigid motion of points
TOL = 0.3  # mm; what the issue asks for
HAND = (
    75.0,
    200.0,
)  # mm: "a hand" in a rule is a hand's breadth (7.5 to 10 cm) or its length (18 to 20 cm); common practice


def length(line: Array) -> float:
    """Length of a polyline."""
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def unit(vector: Array) -> Array:
    return vector / np.hypot(*vector)


def cross(one: Array, other: Array) -> Any:
    """The z of the cross product of vectors in the plane, of each pair."""
    return one[..., 0] * other[..., 1] - one[..., 1] * other[..., 0]


def off(points: Any, line: Array) -> float:
    """The most that any of the points lies away from a polyline."""
    return float(shapely.distance(LineString(line), shapely.points(np.atleast_2d(points))).max())


def apart(one: Array, other: Array) -> float:
    """How far two polylines lie apart at the worst place, whichever of them has a point there."""
    if one.shape == other.shape and (near := float(np.hypot(*(one - other).T).max())) < 0.02:
        return near  # point by point, which is never less
    return max(off(one, other), off(other, one))


def rigid(angle: float, source: Array, target: Array) -> Map:
    """Turn by an angle (radians, counter-clockwise) about `source`, then bring `source` to `target`."""
    cosine, sine = np.cos(angle), np.sin(angle)
    matrix = np.array([[cosine, -sine], [sine, cosine]])
    return lambda points: (np.asarray(points, dtype=float) - source) @ matrix.T + target


def shift(x: float, y: float) -> Map:
    return lambda points: np.asarray(points, dtype=float) + np.array([x, y])


def fitted(source: Array, target: Array) -> tuple[Map, float, float, Array]:
    """The rigid motion that best brings points to others: the map, its angle in radians, the worst misfit, its fixed point.

    Least squares without scaling (Procrustes); the fixed point is far away or infinite for a motion that hardly turns.
    """
    middle, goal = source.mean(axis=0), target.mean(axis=0)
    a, b = source - middle, target - goal
    angle = float(np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum()))
    motion = rigid(angle, middle, goal)
    misfit = float(np.hypot(*(motion(source) - target).T).max())
    still = np.full(2, np.inf)
    if abs(angle) > 1e-6:
        matrix = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        still = np.linalg.solve(np.eye(2) - matrix, goal - matrix @ middle)
    return motion, angle, misfit, still


def crossings(line: Array, start: Array, end: Array) -> list[tuple[float, Array]]:
    """Where a polyline meets the endless line through two points: (place along it, 0 at start and 1 at end; point) each."""
    along = end - start
    across = np.array([-along[1], along[0]])
    heights = (line - start) @ across
    low, high = heights[:-1], heights[1:]
    found = []
    for i in np.flatnonzero((low * high <= 0) & (low != high)):
        point = line[i] + (line[i + 1] - line[i]) * low[i] / (low[i] - high[i])
        found.append((float((point - start) @ along / (along @ along)), point))
    return found


def x_at(line: Array, y: float) -> float:
    """x of a polyline at a height, where it first comes there; NaN where it does not reach."""
    heights = line[:, 1] - y
    found = np.flatnonzero((heights[:-1] * heights[1:] <= 0) & (heights[:-1] != heights[1:]))
    if not len(found):
        return float("nan")
    i = found[0]
    return float(line[i, 0] + (line[i + 1, 0] - line[i, 0]) * heights[i] / (heights[i] - heights[i + 1]))


def slope(line: Array, y: float) -> float:
    """Angle (radians, without sign) between a polyline and the grain at a height, over 10 mm."""
    run = x_at(line, y + 5) - x_at(line, y - 5)
    return 0.0 if np.isnan(run) else float(abs(np.arctan2(run, 10.0)))


class Paper:
    """One piece as it is drawn."""

    def __init__(self, drawn: Mapping[str, Any], motion: Map = np.asarray) -> None:
        self.drawn = drawn
        self.seams: dict[str, Array] = {name: motion(line) for name, line in drawn["seams"].items()}
        self.darts: list[Array] = [motion(np.array(dart)) for dart in drawn["darts"]]  # left, right, tip
        self.lines: dict[str, Array] = {name: motion(line) for name, line in drawn["lines"].items()}
        self.grain: Array = motion(drawn["grain"])
        s = self.seams
        self.spots: dict[str, Array] = {
            "centre-waist": s["waist"][0],
            "side-waist": s["side"][0],
            "side-hem": s["hem"][0],
            "inside-hem": s["inseam"][0],
            "crotch-point": s["curve"][0],
            "curve-start": s["centre"][0],
            **{f"dart-tip-{i}": dart[2] for i, dart in enumerate(self.darts)},
            **{f"dart-left-{i}": dart[0] for i, dart in enumerate(self.darts)},
            **{f"dart-right-{i}": dart[1] for i, dart in enumerate(self.darts)},
            **{f"{name}-line-{i}": self.lines[name][-i] for name in self.lines for i in (0, 1)},  # centre end, side end
        }

    def spot(self, name: str) -> Array:
        return self.spots[name]

    @cached_property
    def edge(self) -> Array:
        """The whole crotch seam, from the crotch point to the waist."""
        return np.concatenate([self.seams["curve"], self.seams["centre"][1:]])

    def line(self, name: str) -> Array:
        """A seam by name; `edge` is curve and centre in one."""
        return self.edge if name == "edge" else self.seams[name]

    def level(self, name: str) -> float:
        """Height of the middle of a drawn level line."""
        return float(self.lines[name][:, 1].mean())

    def width(self, name: str) -> float:
        """Width at a level, along the line drawn for it; the waist with its darts closed, the crotch from the crotch point."""
        if name == "waist":
            return length(self.seams["waist"]) - sum(float(np.hypot(*(dart[1] - dart[0]))) for dart in self.darts)
        if name == "hem":
            return length(self.seams["hem"])
        if name == "crotch":
            y = self.level("crotch")
            return x_at(self.seams["side"], y) - float(self.spot("crotch-point")[0])
        start, end = self.lines[name][0], self.lines[name][-1]
        sides = crossings(self.seams["side"], start, end)
        inner = crossings(self.seams["inseam"], start, end) if name == "knee" else [(0.0, start)]
        if not sides or not inner:
            return float("nan")
        side, start = min(sides, key=lambda w: abs(w[0] - 1.0))[1], min(inner, key=lambda w: abs(w[0]))[1]
        return float(np.hypot(*(side - start)))

    def extension(self) -> float:
        """From the level of the curve's start carried straight down to the crotch point."""
        return float(self.spot("curve-start")[0] - self.spot("crotch-point")[0])

    def grain_to_centre(self) -> float:
        """From the centre end of the waist along the waist seam to the grainline; level where the grain has passed it."""
        found = crossings(self.seams["waist"], self.grain[0], self.grain[1])
        if not found:
            return float(self.grain[:, 0].mean() - self.spot("centre-waist")[0])
        waist, point = self.seams["waist"], found[0][1]
        return float(LineString(waist).project(Point(*point)))

    def grain_frame(self) -> Map:
        """The map that makes the grain the upright x = 0."""
        run = unit(self.grain[1] - self.grain[0])
        return rigid(float(np.arctan2(run[0], run[1])), self.grain[0], np.zeros(2))


class Pair:
    """One piece before and after. `now` lies on `was` by the points named last with `lay`, at first by the hem."""

    def __init__(self, case: Case, piece: str, was: Mapping[str, Any], now: Mapping[str, Any]) -> None:
        self.case, self.piece, self.d = case, piece, case.d
        self.was = Paper(was)
        self.was = Paper(was, self.was.grain_frame())  # the block's own frame: grain upright
        self.drawn = now
        self.now = Paper(now)
        self.lay(
            "side-hem", "inside-hem", told=False
        )  # a hem that was not to change is looked at by the rules themselves

    def lay(self, *spots: str, told: bool = True) -> None:
        """Lay the piece after on the piece before by landmarks that have kept their places on the paper."""
        raw = Paper(self.drawn)
        motion, _, misfit, _ = fitted(
            np.array([raw.spot(name) for name in spots]), np.array([self.was.spot(name) for name in spots])
        )
        if told and misfit > TOL:
            self.near(f"distance between {' and '.join(spots)} (they stay)", misfit, 0.0)
        self.now = Paper(self.drawn, motion)

    def lay_by_grain(self) -> None:
        """Lay the grainlines on each other, hem on hem."""
        paper = Paper(self.drawn)
        paper = Paper(self.drawn, paper.grain_frame())
        up = float(self.was.seams["hem"][:, 1].mean() - paper.seams["hem"][:, 1].mean())
        frame = Paper(self.drawn).grain_frame()
        self.now = Paper(self.drawn, lambda points: frame(points) + np.array([0.0, up]))

    # what is compared; every method adds to the case's findings and returns nothing

    def near(self, what: str, got: float, want: float, tol: float = TOL) -> None:
        self.case.near(f"{self.piece} {what}", got, want, tol)

    def between(self, what: str, got: float, low: float, high: float) -> None:
        self.case.between(f"{self.piece} {what}", got, low, high)

    def spot(self, name: str, want: Array, tol: float = TOL) -> None:
        """A landmark lies where it should."""
        self.near(f"{name} off its place", float(np.hypot(*(self.now.spot(name) - want))), 0.0, tol)

    def spots_move(self, motion: Map, *names: str) -> None:
        for name in names:
            self.spot(name, motion(self.was.spot(name)))

    def stay(self, *names: str) -> None:
        """Landmarks and whole seams that keep their place."""
        for name in names:
            if name in self.was.spots:
                self.spot(name, self.was.spot(name))
            else:
                self.near(f"{name} moved", apart(self.was.line(name), self.now.line(name)), 0.0)

    def seam(self, name: str, change: float, below: float = TOL, above: float = TOL) -> None:
        """A seam is longer by `change`; `below` and `above`: how much less or more is still what the text says."""
        got = length(self.now.line(name)) - length(self.was.line(name))
        self.between(f"{name} length change", got, change - below, change + above)

    def keep_seams(self, *names: str) -> None:
        for name in names:
            self.seam(name, 0.0)

    def width(self, name: str, change: float, tol: float = TOL) -> None:
        self.near(f"{name} width change", self.now.width(name) - self.was.width(name), change, tol)

    def keep_widths(self, *names: str) -> None:
        for name in names:
            self.width(name, 0.0)

    def extension(self, change: float) -> None:
        self.near("extension change", self.now.extension() - self.was.extension(), change)

    def levels(self, motion: Map, *names: str) -> None:
        """Drawn level lines lie where their paper went."""
        for name in names:
            want, got = motion(self.was.lines[name]), self.now.lines[name]
            across = np.array([-(want[-1] - want[0])[1], (want[-1] - want[0])[0]]) / np.hypot(*(want[-1] - want[0]))
            self.near(f"{name} line off its paper", float(np.abs((got - want[0]) @ across).max()), 0.0)

    def levels_stay(self, *names: str) -> None:
        self.levels(np.asarray, *(names or ("hip", "crotch", "knee")))

    def grain(self, dx: float = 0.0, tol: float = TOL) -> None:
        """The grainline is upright in the leg, `dx` to the side of where it was."""
        for y in (0.0, self.was.level("crotch")):
            line = self.now.grain
            run = line[1] - line[0]
            x = float(line[0, 0] + run[0] * (y - line[0, 1]) / run[1])
            self.near(f"grainline at height {y:.0f}", x, dx, tol)

    def out(self, seam: str, y: float) -> float:
        """How far an edge has moved outward at a height, level (negative: inward)."""
        sign = 1.0 if seam == "side" else -1.0
        return sign * (x_at(self.now.line(seam), y) - x_at(self.was.line(seam), y))

    def edge_at(self, seam: str, y: float, want: float, tol: float = TOL) -> None:
        """An edge has moved outward by `want` at a height, measured level or square to the edge, as the text leaves open."""
        lean = 1.0 / np.cos(slope(self.was.line(seam), y)) - 1.0
        self.near(f"{seam} edge at height {y:.0f} moved out", self.out(seam, y), want, tol + abs(want) * lean)

    def edge_stays(self, seam: str, low: float, high: float) -> None:
        """An edge keeps its place between two heights."""
        if high - low < 1.0:
            return
        heights = np.linspace(low + 0.5, high - 0.5, 12)
        moved = [abs(self.out(seam, y)) for y in heights if not np.isnan(x_at(self.was.line(seam), y))]
        self.near(f"{seam} edge between {low:.0f} and {high:.0f} moved", max(moved, default=0.0), 0.0)

    def edge_within(self, seam: str, low: float, high: float, least: float, most: float) -> None:
        """An edge moves out by no less and no more than this anywhere between two heights."""
        heights = np.linspace(low + 0.5, high - 0.5, 24)
        moved = [self.out(seam, y) for y in heights]
        moved = [value for value in moved if not np.isnan(value)] or [float("nan")]
        room = TOL + 0.04 * (
            abs(least) + abs(most)
        )  # the lean of the edge, and a smooth curve that swings over its marks
        self.between(f"{seam} edge {low:.0f}-{high:.0f}, least moved out", min(moved), least - room, most + room)
        self.between(f"{seam} edge {low:.0f}-{high:.0f}, most moved out", max(moved), least - room, most + room)

    def tapered(self, seam: str, *knots: tuple[float, float]) -> None:
        """The length of an edge that moved out by given amounts at given heights, straight between them, nothing elsewhere.

        A smooth curve through the same marks differs from straight runs by less than 0.6 mm and 5 % of the amount.
        """
        line, sign = self.was.line(seam), 1.0 if seam == "side" else -1.0
        heights, amounts = zip(*sorted(knots), strict=True)
        moved = line + np.outer(np.interp(line[:, 1], heights, amounts, left=0.0, right=amounts[-1]), [sign, 0.0])
        slack = 0.6 + 0.05 * max(abs(amount) for amount in amounts)
        self.seam(seam, length(moved) - length(line), slack, slack)

    def most_out(self, seam: str, low: float, high: float) -> tuple[float, float]:
        """The most that an edge has moved outward between two heights (by size, with its sign), and the height."""
        heights = np.linspace(low + 1.0, high - 1.0, max(8, int(high - low) // 4))
        moved = [(self.out(seam, y), float(y)) for y in heights]
        return max((pair for pair in moved if not np.isnan(pair[0])), key=lambda pair: abs(pair[0]), default=(0.0, low))

    def darts_stay(self) -> None:
        self.stay(*(name for name in self.was.spots if name.startswith("dart")))

    def dart_sum(self, change: float, tol: float = TOL) -> None:
        width = [sum(float(np.hypot(*(dart[1] - dart[0]))) for dart in paper.darts) for paper in (self.was, self.now)]
        self.near("darts take more by", width[1] - width[0], change, tol)

    def untouched(self) -> None:
        """Nothing at all has changed on this piece."""
        self.stay("waist", "side", "hem", "inseam", "curve", "centre")
        self.darts_stay()
        self.levels_stay()
        self.grain()

    def sound(self) -> None:
        """What holds for every piece: dart legs equally long, dart ends on the waist seam, seams that meet."""
        for i, (left, right, tip) in enumerate(self.now.darts):
            legs = np.hypot(*(left - tip)) - np.hypot(*(right - tip))
            self.near(f"legs of dart {i + 1} differ", float(abs(legs)), 0.0)
            self.near(f"ends of dart {i + 1} off the waist", off(np.array([left, right]), self.now.seams["waist"]), 0.0)
        order = ("waist", "side", "hem", "inseam", "curve", "centre", "waist")
        for one, other in pairwise(order):
            gap = float(np.hypot(*(self.now.seams[one][-1] - self.now.seams[other][0])))
            self.near(f"gap between {one} and {other}", gap, 0.0, 0.05)


class Case:
    """An alteration of a pattern by an amount, and everything found that is not as its rule says."""

    def __init__(self, amount: float, was: Mapping[str, Any], now: Mapping[str, Any]) -> None:
        self.d = amount
        self.found: list[tuple[str, float, str]] = []  # what, by how much, in words
        self.front = Pair(self, "front", was["front"], now["front"])
        self.back = Pair(self, "back", was["back"], now["back"])

    @property
    def both(self) -> tuple[Pair, Pair]:
        return self.front, self.back

    def near(self, what: str, got: float, want: float, tol: float = TOL) -> None:
        if not abs(got - want) <= tol:
            self.found.append((what, abs(got - want), f"{what}: {got:.2f}, expected {want:.2f}"))

    def between(self, what: str, got: float, low: float, high: float) -> None:
        if not low <= got <= high:
            wrong = max(low - got, got - high)
            self.found.append((what, wrong, f"{what}: {got:.2f}, expected {low:.2f} to {high:.2f}"))

    def told(self) -> str:
        return "\n".join(text for _, _, text in self.found)
