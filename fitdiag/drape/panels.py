"""Panels: what the cloth is cut and sewn into, from the pattern's pieces. The only file here that knows a piece or a garment.

A panel lies flat in mm as its piece does: y up along the grain, the body's centre on the left. Its outline is a chain of
named edges, darts cut out of it, and sewing pairs edges that run alike (or, for dart legs, against one another).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from shapely import LineString, Polygon

from fitdiag.pattern.garment import arc, at_far, between, far_on
from fitdiag.pattern.measure import after_darts, edge_at, hip_width, width_at
from fitdiag.pattern.piece import Array, Pattern, Piece, faults, length
from fitdiag.pattern.true import true_piece
from fitdiag.problems import Problem, ProblemsFoundError, one_line
from fitdiag.units import Units, format_reading

EASED_MM = 10.0  # that much is eased or stretched in sewing without a word; soft cloth, from memory
MOST_EASED_MM = 25.0  # more cannot be sewn flat; a judgement, no source
SMOOTHED_MM = 120.0  # long seams are drawn smooth over this much, as a cutter draws them; a judgement, no source
THIGH_BELOW_MM = 60.0  # below the crotch line a thigh's girth is compared; a judgement, no source
LINES = ("hip", "crotch", "knee")  # balance lines that are drawn on the cloth and read
SAME_MM = 0.01  # points nearer to one another than this are one on cloth
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

    def level(self, line: str) -> float:
        """The height of a balance line, mm."""
        return float(self.lines[line][:, 1].mean())

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
    """What is cut and sewn: panels, pairs of edges, what lies on the body's centre, what hangs it, and where it reaches inside.

    `left`: the panels of the left side in the same order, where it is cut differently from the right one; else empty.
    """

    panels: tuple[Panel, ...]
    sewn: tuple[Sewn, ...]
    centre: tuple[str, ...] = ("curve", "centre")
    inner: tuple[str, ...] = ("inseam", "curve", "centre")
    outer: tuple[str, ...] = ("side",)
    held: str = "waist"
    notes: tuple[str, ...] = ()
    girths: Mapping[str, float] = field(default_factory=dict)
    left: tuple[Panel, ...] = ()

    def panel(self, name: str) -> Panel:
        return next(panel for panel in self.panels if panel.name == name)


def cut_of(pattern: Pattern, units: Units = "cm") -> Cut:
    """The panels of a pattern, ready to be sewn. Raises ProblemsFoundError, in `units`, if they cannot be."""
    problems = [problem for piece, _ in pattern.cut() for problem in faults(piece)]
    if problems:
        raise ProblemsFoundError(problems)
    right, *other = (_cut(pattern.of("left" if side == "left" else "right"), units) for side in reversed(pattern.sides))
    for left in other:
        girths = {name: 0.5 * (girth + left.girths[name]) for name, girth in right.girths.items()}
        notes = (*right.notes, *(note for note in left.notes if note not in right.notes))
        right = replace(right, left=left.panels, girths=girths, notes=notes)
    return right


def _cut(pattern: Pattern, units: Units) -> Cut:
    """The panels of one side."""
    seams = tuple(Sewn(pair.one, pair.other) for pair in pattern.garment.rule.pairs)
    pieces = tuple(_smooth(true_piece(piece)[0], seams) for piece in pattern.pieces.values())
    darts = [
        Sewn((piece.name, f"dart {number} left"), (piece.name, f"dart {number} right"), against=True)
        for piece in pieces
        for number in range(1, len(piece.darts) + 1)
    ]
    part = pieces[0].part
    sewn = {seam for pair in seams for _, seam in (pair.one, pair.other)}
    centre = tuple(seam for seam in part.inner if seam not in sewn)
    panels = tuple(_panel(piece, centre) for piece in pieces)
    cut = Cut(panels, (*seams, *darts), centre, part.inner, part.outer, part.seams[0], girths=_girths(pieces))
    return replace(cut, notes=_eased(cut, units))


def too_small(cut: Cut, body: Mapping[str, float], units: Units) -> list[Problem]:
    """Where the cloth is far too small to go round the body; `body`: girths in mm by the names of `cut.girths`."""
    found = []
    for name, girth in cut.girths.items():
        if name in body and girth < body[name] * (1 - TOO_SMALL):
            told = f"the pattern is {format_reading(girth, units)} round the {name}, the body {format_reading(body[name], units)}"
            told, hint = f"{told}: it would tear before it sat", "let the pattern out, or check the measures"
            found.append(Problem("too-small", told, None, hint))
    return found


def _girths(pieces: tuple[Piece, ...]) -> dict[str, float]:
    """Girths of the sewn pattern in mm that a body must fit into."""
    top = [after_darts(piece, piece.part.top) for piece in pieces]
    hips = [hip_width(piece) or 0.0 for piece in pieces]
    girths = {"waist": 2 * sum(top), "hip": 2 * sum(hips)}
    crotch = [piece.level("crotch") for piece in pieces]
    thighs = [
        width_at(piece, y - THIGH_BELOW_MM) or 0.0 for piece, y in zip(pieces, crotch, strict=True) if y is not None
    ]
    return {**girths, "thigh": sum(thighs)} if thighs else girths


def _panel(piece: Piece, centre: tuple[str, ...]) -> Panel:
    top, bottom = piece.top, piece.seams[piece.part.stays]
    outline: list[tuple[str, Array]] = []
    for name in piece.part.seams:
        line = _without_doubles(piece.seams[name])
        outline += _with_darts(piece, name, line) if name == piece.part.top else [(name, line)]
    ring = np.concatenate([line for _, line in outline])
    drawn = {name: _line(piece, name) for name in LINES}
    lines = {name: _to_edges(line, ring) for name, line in drawn.items() if line is not None}
    upper = float(np.interp(piece.grain_x, *top.T)) if top[0, 0] < piece.grain_x else float(top[0, 1])
    grain = np.array([[piece.grain_x, float(bottom[:, 1].mean())], [piece.grain_x, upper]])
    fork = next((float(piece.seams[seam][0, 1]) for seam in centre if piece.part.leads(seam) in piece.part.inner), None)
    return Panel(piece.name, piece.name == "front", tuple(outline), lines, grain, fork)


def _smooth(piece: Piece, sewn: tuple[Sewn, ...]) -> Piece:
    """The piece with its sewn seams drawn smooth, ends kept: no corner at the hip, where a sharp lump would stand off."""
    own = {seam for pair in sewn for name, seam in (pair.one, pair.other) if name == piece.name}
    return piece.with_seams(**{seam: _averaged(piece.seams[seam], SMOOTHED_MM / 2) for seam in own})


def _averaged(line: Array, reach: float) -> Array:
    """Each point in the middle of the stretch that reaches so many mm to both sides, less near the ends."""
    steps = arc(line)
    far = np.linspace(0.0, steps[-1], max(5, round(steps[-1] / 4.0) + 1))
    sums = np.concatenate([np.zeros((1, 2)), np.cumsum(at_far(line, np.asarray(far)), axis=0)])
    index = np.arange(len(far))
    half = np.minimum(int(reach / (far[1] - far[0])), np.minimum(index, index[::-1]))
    return np.asarray((sums[index + half + 1] - sums[index - half]) / (2 * half + 1)[:, None])


def _line(piece: Piece, name: str) -> Array | None:
    """A balance line as it is drawn on the cloth; at its level where none is drawn, None where there is no such level."""
    if name in piece.lines:
        return np.asarray(piece.lines[name])
    y = piece.level(name)
    if y is None:
        return None
    return np.array([[edge_at(piece, seams, y) or 0.0, y] for seams in (piece.part.inner, piece.part.outer)])


def _to_edges(line: Array, ring: Array) -> Array:
    """A line drawn on, straight ahead at both ends, to where it leaves the outline."""
    far = (line - line[0]) @ (line[-1] - line[0])
    onwards = np.diff(np.maximum.accumulate(far)) > 0  # where a strip was closed a line runs back
    line = line[np.concatenate([[True], onwards])]
    before, after = line[0] - line[1], line[-1] - line[-2]
    ends = [line[0] + before / np.hypot(*before) * 400.0, line[-1] + after / np.hypot(*after) * 400.0]
    inside = Polygon(ring).buffer(0).intersection(LineString([ends[0], *line, ends[1]]))
    parts = [np.array(part.coords) for part in getattr(inside, "geoms", [inside])]
    longest = max(parts, key=length)
    return longest if longest[0, 0] < longest[-1, 0] else longest[::-1]


def _with_darts(piece: Piece, name: str, waist: Array) -> list[tuple[str, Array]]:
    """The upper edge in runs, with both legs of each dart between them."""
    edges: list[tuple[str, Array]] = []
    done = 0.0
    for number, dart in enumerate(sorted(piece.darts, key=lambda dart: float(dart.left[0])), 1):
        left, right = (far_on(waist, end) for end in (dart.left, dart.right))
        edges += [
            (name, between(waist, done, left, SAME_MM)),
            (f"dart {number} left", np.array([at_far(waist, left), dart.tip])),
            (f"dart {number} right", np.array([dart.tip, at_far(waist, right)])),
        ]
        done = right
    return [*edges, (name, between(waist, done, float(arc(waist)[-1]), SAME_MM))]


def _without_doubles(line: Array) -> Array:
    keep = np.concatenate([[True], np.hypot(*np.diff(line, axis=0).T) > SAME_MM])
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
