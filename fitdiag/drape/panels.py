"""Panels: what the cloth is cut and sewn into, from the pattern's pieces. The only file here that knows a piece or a garment.

A panel lies flat in mm as its piece does: y up along the grain, the body's centre on the left. Its outline is a chain of
named edges, darts cut out of it, and sewing pairs edges that run alike (or, for dart legs, against one another).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from fitdiag.pattern.alter import true_seam
from fitdiag.pattern.measure import crossing
from fitdiag.pattern.piece import Array, Pattern, Piece, faults, length
from fitdiag.problems import Problem, ProblemsFoundError, one_line
from fitdiag.units import Units, format_reading

EASED_MM = 10.0  # that much is eased or stretched in sewing without a word; soft cloth, from memory
MOST_EASED_MM = 25.0  # more cannot be sewn flat; a judgement, no source
TRUED_OVER_MM = 120.0  # long seams are smoothed over this much; a judgement, no source
TOO_SMALL = 0.06  # of the body's girth: no woven muslin goes over a body that much larger; a judgement, no source


@dataclass(frozen=True, eq=False)
class Panel:
    """One panel: `outline` the edges in order, clockwise; `front`: it lies before the body, not behind it.

    `lines`: balance lines on the cloth by name, each from the centre to the side; `fork`: where the legs part (y), None
    where they do not.
    """

    name: str
    front: bool
    outline: tuple[tuple[str, Array], ...]
    lines: Mapping[str, Array]
    grain: Array
    fork: float | None

    def chain(self, names: tuple[str, ...]) -> Array:
        """The edges of these names joined in the order of the outline."""
        return np.concatenate([line for edge, line in self.outline if edge in names])


@dataclass(frozen=True)
class Sewn:
    """Two edges that are sewn together, each (panel, edge); `against`: they run against one another."""

    one: tuple[str, str]
    other: tuple[str, str]
    against: bool = False


@dataclass(frozen=True, eq=False)
class Cut:
    """What is cut and sewn: panels, pairs of edges, what lies on the body's centre, what hangs it, and where it reaches inside."""

    panels: tuple[Panel, ...]
    sewn: tuple[Sewn, ...]
    centre: tuple[str, ...] = ("curve", "centre")
    inner: tuple[str, ...] = ("inseam", "curve", "centre")
    outer: tuple[str, ...] = ("side",)
    held: str = "waist"
    notes: tuple[str, ...] = ()
    girths: Mapping[str, float] = field(default_factory=dict)

    def panel(self, name: str) -> Panel:
        return next(panel for panel in self.panels if panel.name == name)


def cut_of(pattern: Pattern, units: Units = "cm") -> Cut:
    """The panels of a pattern, ready to be sewn. Raises ProblemsFoundError, in `units`, if they cannot be."""
    problems = [*faults(pattern.front), *faults(pattern.back)]
    if problems:
        raise ProblemsFoundError(problems)
    pieces = tuple(_trued(piece) for piece in (pattern.front, pattern.back))
    seams = tuple(Sewn(("front", name), ("back", name)) for name in ("side", "inseam"))
    darts = [
        Sewn((piece.side, f"dart {number} left"), (piece.side, f"dart {number} right"), against=True)
        for piece in pieces
        for number in range(1, len(piece.darts) + 1)
    ]
    cut = Cut(tuple(_panel(piece) for piece in pieces), (*seams, *darts), girths=_girths(pieces))
    return replace(cut, notes=_eased(cut, units))


def too_small(cut: Cut, body: Mapping[str, float], units: Units) -> list[Problem]:
    """Where the cloth is far too small to go round the body; `body`: girths in mm by the names of `cut.girths`."""
    found = []
    for name, girth in cut.girths.items():
        if name in body and girth < body[name] * (1 - TOO_SMALL):
            told = f"the pattern is {format_reading(girth, units)} round the {name}, the body {format_reading(body[name], units)}"
            found.append(
                Problem(
                    "too-small",
                    f"{told}: it would tear before it sat",
                    None,
                    "let the pattern out, or check the measures",
                )
            )
    return found


def _girths(pieces: tuple[Piece, ...]) -> dict[str, float]:
    """Girths of the sewn pattern in mm that a body must fit into."""
    waist = 2 * sum(length(piece.seams["waist"]) - sum(dart.width for dart in piece.darts) for piece in pieces)
    thigh = sum(_width(piece, piece.levels["crotch"] - 60.0) for piece in pieces)
    return {"waist": waist, "hip": 2 * sum(_hip_width(piece) for piece in pieces), "thigh": thigh}


def _width(piece: Piece, y: float) -> float:
    ends = [
        next((x for seam in seams if (x := crossing(piece.seams[seam], y)) is not None), 0.0)
        for seams in (("inseam", "curve"), ("side",))
    ]
    return ends[1] - ends[0]


def _hip_width(piece: Piece) -> float:
    line = piece.lines.get("hip")
    return length(line) if line is not None else _width(piece, piece.levels["hip"])


def _panel(piece: Piece) -> Panel:
    outline: list[tuple[str, Array]] = []
    for name in ("waist", "side", "hem", "inseam", "curve", "centre"):
        line = _without_doubles(piece.seams[name])
        outline += _waist_with_darts(piece, line) if name == "waist" else [(name, line)]
    ring = np.concatenate([line for _, line in outline])
    lines = {
        name: _to_edges(_line(piece, name), ring)
        for name in ("hip", "crotch", "knee")
        if name in piece.levels or name in piece.lines
    }
    top = (
        float(np.interp(piece.grain_x, *piece.seams["waist"].T))
        if piece.seams["waist"][0, 0] < piece.grain_x
        else piece.seams["waist"][0, 1]
    )
    grain = np.array([[piece.grain_x, float(piece.seams["hem"][:, 1].mean())], [piece.grain_x, float(top)]])
    return Panel(
        piece.side, piece.side == "front", tuple(outline), lines, grain, float(piece.corner("crotch-point")[1])
    )


def _trued(piece: Piece) -> Piece:
    """The piece with its long seams drawn smooth, as a cutter does: no corner at the hip, no step where a cut was closed."""
    for name in ("side", "inseam"):
        piece, _ = true_seam(piece, name, TRUED_OVER_MM)
    return piece


def _line(piece: Piece, name: str) -> Array:
    """A balance line as it is drawn on the cloth; at its level where none is drawn."""
    if name in piece.lines:
        return np.asarray(piece.lines[name])
    y = piece.levels[name]
    right = crossing(piece.seams["side"], y) or 0.0
    left = next((x for seam in ("inseam", "curve", "centre") if (x := crossing(piece.seams[seam], y)) is not None), 0.0)
    return np.array([[left, y], [right, y]])


def _to_edges(line: Array, ring: Array) -> Array:
    """A line drawn on, straight ahead at both ends, to where it leaves the outline."""
    from shapely import LineString, Polygon  # noqa: PLC0415

    before, after = line[0] - line[1], line[-1] - line[-2]
    far = [line[0] + before / np.hypot(*before) * 400.0, line[-1] + after / np.hypot(*after) * 400.0]
    inside = Polygon(ring).buffer(0).intersection(LineString([far[0], *line, far[1]]))
    parts = [np.array(part.coords) for part in getattr(inside, "geoms", [inside])]
    longest = max(parts, key=length)
    return longest if longest[0, 0] < longest[-1, 0] else longest[::-1]


def _waist_with_darts(piece: Piece, waist: Array) -> list[tuple[str, Array]]:
    """The waist edge in runs, with both legs of each dart between them."""
    steps = steps_of(waist)
    edges: list[tuple[str, Array]] = []
    done = 0.0
    for number, dart in enumerate(sorted(piece.darts, key=lambda dart: float(dart.left[0])), 1):
        left, right = (place_of(waist, end) for end in (dart.left, dart.right))
        a, b = (_at(waist, steps, place) for place in (left, right))
        edges += [
            ("waist", _between(waist, steps, done, left)),
            (f"dart {number} left", np.array([a, dart.tip])),
            (f"dart {number} right", np.array([dart.tip, b])),
        ]
        done = right
    edges.append(("waist", _between(waist, steps, done, float(steps[-1]))))
    return edges


def steps_of(line: Array) -> Array:
    """How far along a polyline each of its points lies, mm."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])


def place_of(line: Array, point: Array) -> float:
    """How far along a polyline the place nearest to a point lies, mm."""
    steps = steps_of(line)
    start, run = line[:-1], np.diff(line, axis=0)
    share = np.clip(((point - start) * run).sum(1) / np.maximum((run**2).sum(1), 1e-12), 0, 1)
    index = int(np.hypot(*(start + share[:, None] * run - point).T).argmin())
    return float(steps[index] + share[index] * (steps[index + 1] - steps[index]))


def _at(line: Array, steps: Array, place: float) -> Array:
    return np.array([float(np.interp(place, steps, line[:, axis])) for axis in (0, 1)])


def _between(line: Array, steps: Array, start: float, end: float) -> Array:
    inside = (steps > start + 0.01) & (steps < end - 0.01)
    return np.asarray(np.vstack([_at(line, steps, start), line[inside], _at(line, steps, end)]))


def _without_doubles(line: Array) -> Array:
    keep = np.concatenate([[True], np.hypot(*np.diff(line, axis=0).T) > 0.01])
    keep[-1] = True
    return np.asarray(line[keep])


def _eased(cut: Cut, units: Units) -> tuple[str, ...]:
    """What is eased where two edges differ in length, in words. Raises ProblemsFoundError where it is too much to sew."""
    notes, problems = [], []
    for pair in cut.sewn:
        one, other = (length(cut.panel(panel).chain((edge,))) for panel, edge in (pair.one, pair.other))
        apart = abs(one - other)
        longer, shorter = (pair.one, pair.other) if one > other else (pair.other, pair.one)
        edge = f"{longer[0]} {longer[1]}" if longer[0] != shorter[0] else f"{longer[0]} {longer[1]} leg"
        told = f"the {one_line(edge)} is {format_reading(apart, units)} longer than what it is sewn to"
        if apart > MOST_EASED_MM:
            most = format_reading(MOST_EASED_MM, units)
            problems.append(Problem("unsewable", told, None, f"at most {most} can be eased: true one to the other"))
        elif apart > EASED_MM:
            notes.append(f"{told[0].upper()}{told[1:]}; it was eased in.")
    if problems:
        raise ProblemsFoundError(problems)
    return tuple(notes)
