"""Panels: what is cut from cloth and sewn, from the pattern's pieces. The only file here that knows pieces and garments.

A panel lies flat in mm as its piece does: y up along the grain, the body's centre on the left. Its outline is a chain of
named edges with the darts cut out, and sewing pairs edges that run the same way (dart legs: opposite ways).
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

EASED_MM = 10.0  # up to this is eased or stretched in sewing without a note; soft cloth, from memory
MOST_EASED_MM = 25.0  # more cannot be sewn flat; a judgement, no source
SMOOTHED_MM = 120.0  # averaging length for long seams, smoothed as a cutter draws them; a judgement, no source
THIGH_BELOW_MM = 60.0  # thigh girths are compared this far below the crotch line; a judgement, no source
LINES = ("hip", "crotch", "knee")  # balance lines drawn on the cloth and read off
SAME_MM = 0.01  # points closer than this count as one
TOO_SMALL = 0.06  # share of the body's girth: no woven muslin goes over a body that much larger; a judgement, no source


@dataclass(frozen=True, eq=False)
class Panel:
    """One panel. `front`: it lies in front of the body. `outline`: named edges in order, clockwise.

    `lines`: balance lines by name, each from the centre to the side; `fork`: y where the legs part, None if they do not.
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
        """The edges of these names, joined in outline order, (n, 2) in mm."""
        return np.concatenate([line for edge, line in self.outline if edge in names])


@dataclass(frozen=True)
class Sewn:
    """Two edges that are sewn together, each (panel, edge); `against`: they run in opposite directions."""

    one: tuple[str, str]
    other: tuple[str, str]
    against: bool = False


@dataclass(frozen=True, eq=False)
class Cut:
    """What is cut and sewn: panels, sewn pairs, the edges at the body's centre, on the inner and outer side, and at the waist (`held`).

    `left`: the left side's panels in the same order if they differ from the right side's, else empty. `girths` in mm.
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
    """Make the panels of a pattern, ready to sew. Raises ProblemsFoundError, in `units`, if they cannot be sewn."""
    problems = [problem for piece, _ in pattern.cut() for problem in faults(piece)]
    if problems:
        raise ProblemsFoundError(problems)
    right, *other = (_cut(pattern.of("left" if side == "left" else "right"), units) for side in reversed(pattern.sides))
    for left in other:
        if problems := _unlike(right.panels, left.panels):
            raise ProblemsFoundError(problems)
        girths = {name: 0.5 * (girth + left.girths[name]) for name, girth in right.girths.items()}
        notes = (*right.notes, *(note for note in left.notes if note not in right.notes))
        right = replace(right, left=left.panels, girths=girths, notes=notes)
    return right


def _unlike(right: tuple[Panel, ...], left: tuple[Panel, ...]) -> list[Problem]:
    """The panels that have not the same edges on both sides, since one has a dart that the other has not."""
    pairs = zip(right, left, strict=True)
    apart = [
        one.name for one, other in pairs if [edge for edge, _ in one.outline] != [edge for edge, _ in other.outline]
    ]
    hint = "only sides with as many darts can be draped together"
    return [
        Problem("unsewable", f"the {name} has more darts on one side than on the other", None, hint) for name in apart
    ]


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
    """Find where the cloth is far too small to go round the body; `body`: girths in mm by the names of `cut.girths`."""
    problems = []
    for name, girth in cut.girths.items():
        if name in body and girth < body[name] * (1 - TOO_SMALL):
            cloth, skin = format_reading(girth, units), format_reading(body[name], units)
            message = f"the pattern is {cloth} round the {name}, the body {skin}: it would tear before it sat"
            problems.append(Problem("too-small", message, None, "let the pattern out, or check the measures"))
    return problems


def _girths(pieces: tuple[Piece, ...]) -> dict[str, float]:
    """Girths of the sewn pattern that the body must fit into, mm."""
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
    """Smooth a piece's sewn seams, ends kept: a corner at the hip would stand off as a lump."""
    own = {seam for pair in sewn for name, seam in (pair.one, pair.other) if name == piece.name}
    return piece.with_seams(**{seam: _averaged(piece.seams[seam], SMOOTHED_MM / 2) for seam in own})


def _averaged(line: Array, reach: float) -> Array:
    """Moving average of a polyline over `reach` mm to either side, less near the ends."""
    steps = arc(line)
    far = np.linspace(0.0, steps[-1], max(5, round(steps[-1] / 4.0) + 1))
    sums = np.concatenate([np.zeros((1, 2)), np.cumsum(at_far(line, np.asarray(far)), axis=0)])
    index = np.arange(len(far))
    half = np.minimum(int(reach / (far[1] - far[0])), np.minimum(index, index[::-1]))
    return np.asarray((sums[index + half + 1] - sums[index - half]) / (2 * half + 1)[:, None])


def _line(piece: Piece, name: str) -> Array | None:
    """A balance line of the piece; straight across at its level where none is drawn, None without such a level."""
    if name in piece.lines:
        return np.asarray(piece.lines[name])
    y = piece.level(name)
    if y is None:
        return None
    return np.array([[edge_at(piece, seams, y) or 0.0, y] for seams in (piece.part.inner, piece.part.outer)])


def _to_edges(line: Array, ring: Array) -> Array:
    """Extend or trim a line, straight at both ends, to the outline."""
    far = (line - line[0]) @ (line[-1] - line[0])
    onwards = np.diff(np.maximum.accumulate(far)) > 0  # a line doubles back where a strip was closed
    line = line[np.concatenate([[True], onwards])]
    before, after = line[0] - line[1], line[-1] - line[-2]
    ends = [line[0] + before / np.hypot(*before) * 400.0, line[-1] + after / np.hypot(*after) * 400.0]
    inside = Polygon(ring).buffer(0).intersection(LineString([ends[0], *line, ends[1]]))
    parts = [np.array(part.coords) for part in getattr(inside, "geoms", [inside])]
    longest = max(parts, key=length)
    return longest if longest[0, 0] < longest[-1, 0] else longest[::-1]


def _with_darts(piece: Piece, name: str, waist: Array) -> list[tuple[str, Array]]:
    """Split the upper edge at its darts, with both legs of each dart in between."""
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
    """Notes on what is eased where two edges differ in length. Raises ProblemsFoundError where it is too much to sew."""
    notes, problems = [], []
    for pair in cut.sewn:
        one, other = (length(cut.panel(panel).chain((edge,))) for panel, edge in (pair.one, pair.other))
        apart = abs(one - other)
        longer, shorter = (pair.one, pair.other) if one > other else (pair.other, pair.one)
        edge = f"{longer[0]} {longer[1]}" if longer[0] != shorter[0] else f"{longer[0]} {longer[1]} leg"
        text = f"the {one_line(edge)} is {format_reading(apart, units)} longer than what it is sewn to"
        if apart > MOST_EASED_MM:
            most = format_reading(MOST_EASED_MM, units)
            problems.append(Problem("unsewable", text, None, f"at most {most} can be eased: true one to the other"))
        elif apart > EASED_MM:
            notes.append(f"{text[0].upper()}{text[1:]}; it was eased in.")
    if problems:
        raise ProblemsFoundError(problems)
    return tuple(notes)
