"""A picture of the muslin as it hangs: shaded cloth with its balance lines, grains and seams, seen level from one side.

Orthographic. Lines are drawn in the cloth's own flat coordinates, so they bend as the cloth does. Dark on light, the grain
dashed: it reads in black and white.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fitdiag.drape.body import Array, Body
from fitdiag.drape.mesh import Index
from fitdiag.drape.readings import Worn

Mask = NDArray[np.bool_]
Pixels = NDArray[np.uint8]
VIEWS: Mapping[str, float] = {"back": 180.0, "side": 90.0, "front": 0.0}  # where the viewer stands, degrees
SCALE = 0.8  # pixels per mm
FINER = 2  # drawn so many times finer, then averaged
MARGIN_MM = 20.0
LINES = {"hip": (0.55, 0.02, 0.05), "crotch": (0.05, 0.15, 0.5), "knee": (0.3, 0.1, 0.4), "grain": (0.02, 0.28, 0.12),
         "dart": (0.4, 0.39, 0.36)}  # fmt: skip
HALF_MM = {"grain": 1.3, "dart": 0.6}  # half widths of lines; of a balance line:
LINE_MM = 1.7
DASH_MM, GAP_MM = 24.0, 10.0  # dashes of the grain and what lies between them
CLOTH, LINING, SKIN, PAPER = np.array([0.93, 0.91, 0.86]), 0.72, np.array([0.80, 0.72, 0.66]), 0.98
SOFTENED = 2  # rounds in which the directions of the cloth are averaged for its shade
RIM_MM = 60.0  # so near to the top and the bottom of the garment its inside is drawn too
GRAZING = 0.2  # cosine: where the cloth is seen more from the side than this no seam is drawn
STEP_MM = 25.0  # a jump in depth this large is an edge, and drawn
SHOWN_ABOVE_MM = 30.0  # so much of the body above the garment


def draw(worn: Worn, view: str, *, scale: float = SCALE) -> Pixels:
    """The muslin from a side of VIEWS: (height, width, 3), 0 to 255; the same scale and frame for all garments of one body."""
    angle = np.radians(VIEWS[view])
    right, near = np.array([-np.cos(angle), np.sin(angle), 0.0]), np.array([np.sin(angle), np.cos(angle), 0.0])
    fine = scale * FINER
    wide, high = frame(worn.body, view)
    size = (round(high * scale) * FINER, round(wide * scale) * FINER)
    middle = _middle(worn.body) @ right
    places, normals, flat, piece, outside = _soup(worn)
    facing = np.cross(places[:, 1] - places[:, 0], places[:, 2] - places[:, 0]) @ near * outside
    heights = places[:, :, 2].mean(axis=1)
    rims = (heights > heights.max() - RIM_MM) | (heights < heights.min() + RIM_MM)  # only there the inside can be seen
    shown = (facing > 0) | rims
    places, normals, flat, piece, inside = places[shown], normals[shown], flat[shown], piece[shown], facing[shown] < 0
    screen = np.stack([(places @ right - middle) * fine + size[1] / 2, (high - MARGIN_MM - places[..., 2]) * fine], -1)
    depth, found, weights = _raster(screen, places @ near, size)
    seen = found >= 0
    triangle = found[seen]
    normals = (
        normals / (np.linalg.norm(normals, axis=2, keepdims=True) + 1e-9) * np.where(inside, -1.0, 1.0)[:, None, None]
    )
    towards = normals @ near
    normals -= np.minimum(towards, 0.0)[..., None] * near
    light = _mixed(_light(normals, right, near) * np.where(inside, LINING, 1.0)[:, None], triangle, weights)
    colour = np.full((*seen.shape, 3), PAPER, dtype=np.float32)
    colour[seen] = np.clip(CLOTH * light[:, None], 0, 1)
    _lines(worn, colour, seen, _mixed(flat, triangle, weights), piece[triangle], inside[triangle], 1.0 / fine)
    flat_on = np.ones_like(seen)
    flat_on[seen] = _mixed(towards, triangle, weights) > GRAZING
    _edges(colour, seen, depth, np.where(seen, piece[found], -9), flat_on)
    hollow = np.zeros_like(seen)
    hollow[seen] = inside[triangle]
    _skin(worn.body, colour, np.where(~seen, -1e9, np.where(hollow, depth, 1e9)), right, near, middle, high, fine)
    average = sum(colour[down::FINER, over::FINER] for down in range(FINER) for over in range(FINER)) / FINER**2
    return np.asarray(np.clip(average, 0, 1) * 255, dtype=np.uint8)


def courses(worn: Worn, view: str) -> dict[str, list[Array]]:
    """What is drawn on the cloth, seen from a side (of VIEWS, or `left`, `right`): names to pieces of lines, (n, 3) in mm.

    From behind and in front the balance lines and grains; from beside the near part of the balance lines and the side seam.
    """
    found: dict[str, list[Array]] = {}
    mesh, sides = worn.mesh, {"left": (True,), "right": (False,)}.get(view, (False, True))
    for number, piece in enumerate(mesh.pieces):
        panel = piece.panel
        if (view == "back" and panel.front) or (view == "front" and not panel.front):
            continue
        lines = {name: worn.line(number, name) for name in panel.lines}
        if len(sides) == 1:
            farthest = np.argmax if panel.front else np.argmin
            lines = {name: line[int(farthest(line[:, 1])) :] for name, line in lines.items()}
            if panel.front:
                lines["side seam"] = worn.at(number, panel.chain(worn.cut.outer))
        else:
            low, high = panel.grain
            lines["grain"] = worn.at(number, low + (high - low) * np.linspace(0.01, 0.99, 80)[:, None])
        whole = any(mesh.mirrored)
        for left in sides:
            if not whole or mesh.mirrored[number] == left:
                turn = np.array([-1.0 if left and not whole else 1.0, 1.0, 1.0])
                for name, line in lines.items():
                    found.setdefault(name, []).append(line * turn)
    return found


def frame(body: Body, view: str) -> tuple[float, float]:
    """Width and height of a view in mm."""
    ring = body.outline(body.figure.waist_height - body.figure.waist_to_hip, 0.0)
    wide = 2 * ring[:, 0].max() * (0.85 if view == "side" else 1.0)
    return float(wide) * 1.25 + 4 * MARGIN_MM, body.figure.waist_height + 2 * MARGIN_MM + SHOWN_ABOVE_MM


def _middle(body: Body) -> Array:
    ring = body.outline(body.figure.waist_height - body.figure.waist_to_hip, 0.0)
    return np.array([0.0, 0.5 * (ring[:, 1].max() + ring[:, 1].min()), 0.0])


def _soup(worn: Worn) -> tuple[Array, Array, Array, Index, Array]:
    """Triangles of the whole garment: places, normals (t, 3, 3), flat coordinates (t, 3, 2), number of the piece,
    and 1 where the corners run left about seen from outside, -1 where they run right."""
    mesh, places = worn.mesh, worn.places
    a, b, c = (places[mesh.triangles[:, k]] for k in range(3))
    turned = np.array(
        [-1.0 if piece.panel.front != left else 1.0 for piece, left in zip(mesh.pieces, mesh.mirrored, strict=True)]
    )
    facing = np.cross(b - a, c - a) * turned[mesh.of][:, None]
    normals = np.zeros_like(places)
    for _ in range(SOFTENED):
        for k in range(3):
            np.add.at(normals, mesh.triangles[:, k], facing)
        normals /= np.linalg.norm(normals, axis=1, keepdims=True) + 1e-12
        facing = normals[mesh.triangles].sum(axis=1) * np.linalg.norm(facing, axis=1, keepdims=True)
    soup = (places[mesh.triangles], normals[mesh.triangles], mesh.flat[mesh.corners], mesh.of, turned[mesh.of])
    if any(mesh.mirrored):
        return soup
    on_mirror = np.zeros(mesh.count, dtype=bool)
    for number in range(len(mesh.pieces)):
        on_mirror[mesh.points(number, *worn.cut.centre)] = True
    normals[on_mirror, 0] = 0.0
    soup = (soup[0], normals[mesh.triangles], *soup[2:])
    flip = np.array([-1.0, 1.0, 1.0])
    return (
        np.concatenate([soup[0], soup[0] * flip]), np.concatenate([soup[1], soup[1] * flip]),
        np.concatenate([soup[2]] * 2), np.concatenate([mesh.of, mesh.of + len(mesh.pieces)]),
        np.concatenate([soup[4], -soup[4]]),
    )  # fmt: skip


def _raster(screen: Array, depth: Array, size: tuple[int, int]) -> tuple[Array, Index, Array]:
    """The nearest triangle at each pixel: its depth, its number (-1: none), and for the pixels seen its weights (n, 3)."""
    best, found = np.full(size[0] * size[1], -1e9), np.full(size[0] * size[1], -1, dtype=np.int64)
    low = np.floor(screen.min(axis=1)).astype(np.int64)
    span = 4 * ((np.ceil(screen.max(axis=1)).astype(np.int64) - low).max(axis=1) // 4 + 1)
    edges = screen[:, 1:] - screen[:, :1]
    area = edges[:, 0, 0] * edges[:, 1, 1] - edges[:, 0, 1] * edges[:, 1, 0]
    solid = np.abs(area) > 1e-9
    (a, b), (c, d) = (edges[:, k].T / np.where(solid, area, 1.0) for k in (0, 1))
    off = low + 0.5 - screen[:, 0]  # from the first corner to the middle of the first pixel
    first_u, first_v = off[:, 0] * d - off[:, 1] * c, off[:, 1] * a - off[:, 0] * b

    def shares(part: Index, over: Array, down: Array) -> tuple[Array, Array]:
        """Shares of the second and third corner at pixels that lie so far from the first, (part, many)."""
        u = first_u[part, None] + d[part, None] * over - c[part, None] * down
        return u, first_v[part, None] + a[part, None] * down - b[part, None] * over

    for box in np.unique(span[solid]):
        group = np.nonzero((span == box) & solid)[0]
        down, over = (grid.ravel() for grid in np.indices((box, box)))
        for part in np.array_split(group, max(1, len(group) * len(down) // 100_000)):
            u, v = shares(part, over, down)
            which, pixel = np.nonzero((u >= -1e-6) & (v >= -1e-6) & (u + v <= 1 + 1e-6))
            x, y = low[part[which], 0] + over[pixel], low[part[which], 1] + down[pixel]
            on_paper = np.nonzero((x >= 0) & (x < size[1]) & (y >= 0) & (y < size[0]))[0]
            which, pixel, x, y = which[on_paper], pixel[on_paper], x[on_paper], y[on_paper]
            u, v, near = u[which, pixel], v[which, pixel], depth[part[which]]
            at = near[:, 0] * (1 - u - v) + near[:, 1] * u + near[:, 2] * v
            place = y * size[1] + x
            order = np.argsort(at)  # of several at one pixel the last written counts: the nearest
            order = order[at[order] > best[place[order]]]
            best[place[order]], found[place[order]] = at[order], part[which[order]]
    seen = np.nonzero(found >= 0)[0]
    y, x = np.divmod(seen, size[1])
    part = found[seen]
    u, v = (one[:, 0] for one in shares(part, (x - low[part, 0])[:, None], (y - low[part, 1])[:, None]))
    return best.reshape(size), found.reshape(size), np.column_stack([1 - u - v, u, v])


def _mixed(values: Array, triangle: Index, weights: Array) -> Array:
    """Values of the triangles' corners (t, 3, ...), mixed at the pixels of given triangles."""
    return np.asarray(np.einsum("nk,nk...->n...", weights, values[triangle]))


def _light(normal: Array, right: Array, near: Array) -> Array:
    """How light cloth of these directions (..., 3) is: from above on the left, some from the right, less where it turns away."""
    key = -0.55 * right + 0.55 * near + np.array([0.0, 0.0, 0.62])
    fill = 0.8 * right + 0.5 * near + np.array([0.0, 0.0, 0.1])
    lit = 0.34 + sum(
        share * np.clip(normal @ way / np.linalg.norm(way), 0, 1) for share, way in ((0.62, key), (0.16, fill))
    )
    return np.asarray(lit - 0.1 * np.clip(1 - np.abs(normal @ near), 0, 1) ** 2)


def _lines(worn: Worn, colour: Array, seen: Mask, flat: Array, piece: Index, inner: Mask, pixel_mm: float) -> None:
    """Draw the balance lines and the grain of each piece where its outer side is seen."""
    pieces = worn.mesh.pieces
    shown = colour[seen]
    for number, part in enumerate(pieces):
        mine = np.nonzero(((piece % len(pieces)) == number) & ~inner)[0]
        at = flat[mine]
        x, y = at.T.copy()
        darts = [("dart", line) for name, line in part.panel.outline if name.startswith("dart")]
        for name, line in (*darts, *part.panel.lines.items(), ("grain", part.panel.grain)):
            half = HALF_MM.get(name, LINE_MM)
            (left, low), (right, high) = line.min(axis=0) - 2 * half, line.max(axis=0) + 2 * half
            near = np.nonzero((x > left) & (x < right) & (y > low) & (y < high))[0]
            cover = np.clip((half - _apart(at[near], line)) / pixel_mm + 0.5, 0, 1)
            if name == "grain":
                cover *= (at[near, 1] % (DASH_MM + GAP_MM)) < DASH_MM
            shown[mine[near]] = shown[mine[near]] * (1 - cover[:, None]) + np.array(LINES[name]) * cover[:, None]
    colour[seen] = shown


def _apart(points: Array, line: Array) -> Array:
    """Distance of flat points from a polyline, mm."""
    best = np.full(len(points), np.inf)
    for start, end in pairwise(line):
        run = end - start
        share = np.clip(((points - start) @ run) / max(float(run @ run), 1e-9), 0, 1)
        best = np.minimum(best, np.hypot(*(start + share[:, None] * run - points).T))
    return best


def _edges(colour: Array, seen: Mask, depth: Array, piece: Index, flat_on: Mask) -> None:
    """Darken seams, outlines and folds that hide what is behind them."""
    far = np.where(seen, depth, -500.0)
    for axis in (0, 1):
        both = [
            (shift, slice(None)) if axis == 0 else (slice(None), shift) for shift in (slice(1, None), slice(None, -1))
        ]
        edge = (np.diff(piece, axis=axis) != 0) & flat_on[both[0]] & flat_on[both[1]]
        edge |= np.abs(np.diff(far, axis=axis)) > STEP_MM
        for index in both:
            part = colour[index]
            part[edge & seen[index]] *= 0.55


def _skin(
    body: Body, colour: Array, cloth: Array, right: Array, near: Array, middle: float, high: float, fine: float
) -> None:
    """Draw the body where no cloth is before it: parallel rays marched through its distances, on every second pixel."""
    rows, columns = np.indices((cloth.shape[0] // 2, cloth.shape[1] // 2))
    across = (columns * 2 + 1 - cloth.shape[1] / 2) / fine + middle
    height = high - MARGIN_MM - (rows * 2 + 1) / fine
    free = cloth[: 2 * len(rows) : 2, : 2 * columns.shape[1] : 2] < 1e8
    free &= (height > 0) & (height < body.figure.waist_height + SHOWN_ABOVE_MM)
    bottom = int(np.argmax(np.any(cloth[::-2] > -1e8, axis=1)[: len(height)]))
    low = height[::-1][bottom, 0]  # of the cloth
    free &= (height < low + RIM_MM) | (height > body.figure.waist_height - 120.0)
    free &= np.abs(across - middle) < 0.4 * cloth.shape[1] / fine
    row, column = np.nonzero(free)
    start = across[row, column][:, None] * right + height[row, column][:, None] * np.array([0.0, 0.0, 1.0])
    way = np.full(len(row), 400.0)
    alive = np.arange(len(row))
    hit = np.zeros(len(row), dtype=bool)
    for _ in range(60):
        off = body.distance(start[alive] + way[alive, None] * near)
        there = off < 0.5
        hit[alive[there]] = True
        way[alive[~there]] -= np.maximum(0.8 * off[~there], 1.0)
        alive = alive[~there & (way[alive] > -400.0)]
        if not len(alive):
            break
    light = _light(body.outward(start[hit] + way[hit, None] * near), right, near)
    shade = np.clip(SKIN * light[:, None], 0, 1)
    for down in (0, 1):
        for over in (0, 1):
            y, x = row[hit] * 2 + down, column[hit] * 2 + over
            before = cloth[y, x] < way[hit]
            colour[y[before], x[before]] = shade[before]
