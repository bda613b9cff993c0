"""Panels triangulated and sewn into one sheet of cloth, each of whose points keeps its place on the paper.

Boundaries are sampled first, sewn edges with the same number of points, so that they match one to one; the inside is filled
with a triangular lattice of points, triangulated (Delaunay) and smoothed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import Delaunay
from shapely import LinearRing, Polygon, contains_xy, distance, prepare
from shapely import points as places

from fitdiag.drape.panels import Cut, Panel
from fitdiag.pattern.assemble import signed_area
from fitdiag.pattern.garment import arc, at_far, far_on
from fitdiag.pattern.piece import Array, apart, length
from fitdiag.problems import stop

Index = NDArray[np.int64]
POINTS = 2350  # of half a garment; with half as many a cutting crotch reads wrong (measured: tests/bench/drape.py)
NOTCHED = ("hip", "knee")  # where these lines meet sewn edges, the edges are notched and sewn notch to notch
NOTCH_MM = 5.0  # a line that ends within this of an edge meets it
SMOOTHED = 5  # rounds of smoothing
INSIDE_SHARE = 0.55  # least distance of an inner point from the boundary, as a share of the step


@dataclass(frozen=True, eq=False)
class Piece:
    """One triangulated panel: flat points (n, 2) in mm, triangles (t, 3), and the point indices of each edge, in order."""

    panel: Panel
    flat: Array
    triangles: Index
    edges: tuple[tuple[str, Index], ...]
    finder: Delaunay
    kept: Index  # maps the finder's triangles to these, -1 outside the panel

    def edge(self, *names: str) -> Index:
        """Point indices of the edges of these names, in order; a point where two meet appears twice."""
        return np.concatenate([index for name, index in self.edges if name in names])


@dataclass(frozen=True, eq=False)
class Mesh:
    """Pieces and how they are sewn. `flat`: the points of all pieces; `sewn` maps each to a point of the sheet.

    `mirrored[i]`: piece i is the wearer's left copy. `triangles`: in sheet points; `of`: the piece of each triangle.
    """

    pieces: tuple[Piece, ...]
    mirrored: tuple[bool, ...]
    starts: tuple[int, ...]
    flat: Array
    sewn: Index
    corners: Index  # (t, 3) triangles in flat points
    of: Index
    count: int
    step: float

    @property
    def whole(self) -> bool:
        """Whether it has both halves of the garment."""
        return any(self.mirrored)

    @property
    def triangles(self) -> Index:
        return np.asarray(self.sewn[self.corners])

    def points(self, piece: int, *edges: str) -> Index:
        """Sheet points along edges of a piece."""
        return np.asarray(self.sewn[self.starts[piece] + self.pieces[piece].edge(*edges)])

    def locate(self, piece: int, places: Array) -> tuple[Index, Array]:
        """Sheet points (n, 3) and barycentric weights (n, 3) of flat places (n, 2) on a piece; outside it, the nearest point."""
        mesh = self.pieces[piece]
        simplex = mesh.finder.find_simplex(places)
        triangle = np.where(simplex >= 0, mesh.kept[simplex], -1)
        outside = triangle < 0
        corners = mesh.triangles[np.where(outside, 0, triangle)]
        a, b, c = (mesh.flat[corners[:, k]] for k in range(3))
        first, second, at = b - a, c - a, places - a
        area = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
        u = (at[:, 0] * second[:, 1] - at[:, 1] * second[:, 0]) / area
        v = (first[:, 0] * at[:, 1] - first[:, 1] * at[:, 0]) / area
        weights = np.column_stack([1 - u - v, u, v])
        for k in np.nonzero(outside)[0]:
            corners[k] = int(np.hypot(*(mesh.flat - places[k]).T).argmin())
            weights[k] = (1.0, 0.0, 0.0)
        return np.asarray(self.sewn[self.starts[piece] + corners]), weights


def mesh_of(cut: Cut, *, whole: bool = False, points: int = POINTS) -> Mesh:
    """Mesh a garment: its right half, to be mirrored, or the whole. `points`: the approximate number in one half."""
    area = sum(abs(signed_area(np.concatenate([line[:-1] for _, line in panel.outline]))) for panel in cut.panels)
    step = float(np.sqrt(area / (points * np.sqrt(3) / 2)))
    counts, whole = _counts(cut, step), whole or bool(cut.left)
    halves = [_piece(panel, counts, step) for panel in cut.panels]
    pieces = [*halves, *([_piece(panel, counts, step) for panel in cut.left] or halves)] if whole else halves
    mirrored = [False] * len(halves) + [True] * (len(pieces) - len(halves))
    starts = np.concatenate([[0], np.cumsum([len(piece.flat) for piece in pieces])])
    names = [panel.name for panel in cut.panels]
    pairs = []
    for pair in cut.sewn:
        for copy in range(1 + whole):
            at = [names.index(panel) + copy * len(halves) for panel, _ in (pair.one, pair.other)]
            one, other = (
                starts[k] + pieces[k].edge(edge) for k, (_, edge) in zip(at, (pair.one, pair.other), strict=True)
            )
            pairs.append((one, other[::-1] if pair.against else other))
    if whole:
        for number, half in enumerate(halves):
            ends = half.edge(*cut.centre), pieces[number + len(halves)].edge(*cut.centre)
            pairs.append((starts[number] + ends[0], starts[number + len(halves)] + ends[1]))
    size, none = int(starts[-1]), np.zeros((2, 0), dtype=np.int64)
    seams = np.concatenate([none, *(np.stack(pair) for pair in pairs)], axis=1)
    joined = coo_matrix((np.ones(seams.shape[1]), seams), (size, size))
    count, sewn = connected_components(joined, directed=False)  # sewing is transitive
    corners = np.concatenate([piece.triangles + start for piece, start in zip(pieces, starts, strict=False)])
    return Mesh(
        tuple(pieces), tuple(mirrored), tuple(int(start) for start in starts[:-1]),
        np.concatenate([piece.flat for piece in pieces]), sewn.astype(np.int64), corners,
        np.repeat(np.arange(len(pieces)), [len(piece.triangles) for piece in pieces]), count, step,
    )  # fmt: skip


def _counts(cut: Cut, step: float) -> Mapping[tuple[str, str], list[tuple[float, int]]]:
    """For every edge, its runs from notch to notch: where each ends (share of the length), and its number of steps.

    The left side's edges have as many steps as the right side's.
    """
    runs = {
        (panel.name, edge): [(1.0, max(2, round(length(line) / step)))]
        for panel in cut.panels
        for edge, line in panel.outline
        if edge in cut.centre
    }
    for pair in cut.sewn:
        lines = [(cut.panel(panel), cut.panel(panel).chain((edge,))) for panel, edge in (pair.one, pair.other)]
        notches = [_notches(panel, line) for panel, line in lines]
        shared = [name for name in NOTCHED if all(name in found for found in notches)] if not pair.against else []
        ends = [[*sorted(found[name] for name in shared), 1.0] for found in notches]
        lengths = np.mean(
            [np.diff([0.0, *end]) * length(line) for end, (_, line) in zip(ends, lines, strict=True)], axis=0
        )
        steps = [max(2, round(float(run) / step)) for run in lengths]
        runs[pair.one] = list(zip(ends[0], steps, strict=True))
        runs[pair.other] = list(zip(ends[1], steps[::-1] if pair.against else steps, strict=True))
    return runs


def _notches(panel: Panel, line: Array) -> dict[str, float]:
    """Where the panel's lines meet an edge, as shares of its length, by line."""
    whole, found = float(arc(line)[-1]), {}
    for name in NOTCHED:
        for end in panel.lines.get(name, np.zeros((0, 2)))[[0, -1]] if name in panel.lines else ():
            at = far_on(line, end)
            if apart(at_far(line, at), end) < NOTCH_MM and 0.05 < at / whole < 0.95:
                found[name] = at / whole
    return found


def _piece(panel: Panel, counts: Mapping[tuple[str, str], list[tuple[float, int]]], step: float) -> Piece:
    boundary: list[Array] = []
    edges: list[tuple[str, Index]] = []
    at = 0
    for name, line in panel.outline:
        runs = counts.get((panel.name, name), [(1.0, max(2, round(length(line) / step)))])
        sampled = _sampled(line, runs)
        boundary.append(sampled[:-1])
        edges.append((name, np.arange(at, at + len(sampled))))
        at += len(sampled) - 1
    edges = [(name, index % at) for name, index in edges]
    flat, triangles, finder, kept = _filled(np.concatenate(boundary), step, panel.name)
    return Piece(panel, flat, triangles, tuple(edges), finder, kept)


def _sampled(line: Array, runs: list[tuple[float, int]]) -> Array:
    shares, start = [np.zeros(1)], 0.0
    for end, count in runs:
        shares.append(np.linspace(start, end, count + 1)[1:])
        start = end
    return at_far(line, np.concatenate(shares) * arc(line)[-1])


def _filled(boundary: Array, step: float, name: str) -> tuple[Array, Index, Delaunay, Index]:
    """Triangulate the inside of a closed boundary, whose points stay first."""
    area, ring = Polygon(boundary), LinearRing(boundary)
    if not area.is_valid:
        message = f"{name}: the outline crosses itself, so no cloth can be cut"
        raise stop("crossing", message, hint="look at the last alteration")
    prepare(area)
    low, high = boundary.min(axis=0), boundary.max(axis=0)
    rows = np.arange(low[1], high[1], step * np.sqrt(3) / 2)
    columns = np.arange(low[0] - step, high[0] + step, step)
    inner = np.concatenate(
        [np.column_stack([columns + step / 2 * (row % 2), np.full(len(columns), y)]) for row, y in enumerate(rows)]
    )
    inner = inner[contains_xy(area, *inner.T)]
    inner = inner[distance(ring, places(inner)) > INSIDE_SHARE * step]
    flat = np.concatenate([boundary, inner])
    for turn in range(SMOOTHED + 1):
        finder = Delaunay(flat)
        triangles = finder.simplices.astype(np.int64)
        inside = contains_xy(area, *flat[triangles].mean(axis=1).T) & (np.abs(_areas(flat, triangles)) > 1e-3 * step**2)
        if turn == SMOOTHED:
            break
        flat = np.concatenate([boundary, _smoothed(flat, triangles[inside])[len(boundary) :]])
    kept = np.where(inside, np.cumsum(inside) - 1, -1)
    triangles = triangles[inside]
    if len(np.unique(triangles)) < len(flat):
        message = f"{name}: a part of the piece is too narrow to be cut from cloth"
        raise stop("narrow", message, hint="look at its outline")
    turned = _areas(flat, triangles) < 0
    triangles[turned] = triangles[turned][:, ::-1]
    return flat, triangles, finder, kept


def _smoothed(flat: Array, triangles: Index) -> Array:
    """Move each point half way to the mean of its neighbours (Laplacian smoothing)."""
    total, count = np.zeros_like(flat), np.zeros(len(flat))
    for a, b in ((0, 1), (1, 2), (2, 0), (1, 0), (2, 1), (0, 2)):
        np.add.at(total, triangles[:, a], flat[triangles[:, b]])
        np.add.at(count, triangles[:, a], 1)
    return np.asarray(0.5 * flat + 0.5 * total / np.maximum(count, 1)[:, None])


def _areas(flat: Array, triangles: Index) -> Array:
    """Signed areas, mm²."""
    a, b, c = (flat[triangles[:, k]] for k in range(3))
    return np.asarray(0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]))
