"""Dressing, the initial state: the sewn sheet wrapped loosely round a body, with its waist where it will be held. mm.

Above the legs the panels lie on half an ellipse, front and back; below, on a ring round each leg; at the fork one blends into
the other. The body then grows into the cloth, so nothing has to fit at the start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitdiag.drape.body import Body
from fitdiag.drape.mesh import Index, Mesh
from fitdiag.drape.panels import Cut, Panel
from fitdiag.pattern.garment import arc
from fitdiag.pattern.piece import Array

WAIST_OFF_MM = 2.5  # offset of the waistband's mid-surface from the body: cloth and underlayer
HIGHER_BEHIND_MM = 12.0  # rise of a waistband from the side to centre back; common practice, no source
ROOM = 1.06  # the initial ellipse's half width over the body's
ROOM_DEEP = 1.16  # and its depths over the body's
FORK_MM = 100.0  # height above the fork over which the ellipse becomes a ring
MIRROR_MM = 1.5  # least distance from the mirror plane: the other half's cloth is there
JITTER_MM = (1.0, 8.0, 5.0)  # random offsets of another dressing: each point; the whole forward and back; up and down


@dataclass(frozen=True, eq=False)
class Dressed:
    """The initial state. `start`: (n, 3) in mm. `on_mirror`: mask of a half's centre-seam points. `held`: the waist's points, and
    `target` where they are held. `hoop`: pairs of neighbours along the waist, with their rest lengths."""

    start: Array
    on_mirror: NDArray[np.bool_]
    held: Index
    target: Array
    held_length: Array  # mm of waist edge that each held point stands for
    hoop: Index
    hoop_length: Array


def dress(cut: Cut, mesh: Mesh, body: Body, *, drop: float = 0.0, dressing: int = 0) -> Dressed:
    """Wrap a sheet round a body. `drop`: mm from the body's waist down to where the garment's waist sits (negative: above).

    `dressing`: 0, or the seed of a perturbed start.
    """
    rows = []
    for number, piece in enumerate(mesh.pieces):
        placed = _wrapped(cut, piece.panel, piece.flat, body, drop)
        rows.append(placed * [-1.0, 1.0, 1.0] if mesh.mirrored[number] else placed)
    start, count = np.zeros((mesh.count, 3)), np.zeros(mesh.count)
    np.add.at(start, mesh.sewn, np.concatenate(rows))
    np.add.at(count, mesh.sewn, 1)
    start /= count[:, None]
    on_mirror = np.zeros(mesh.count, dtype=bool)
    if not mesh.whole:
        for number in range(len(mesh.pieces)):
            on_mirror[mesh.points(number, *cut.centre)] = True
        start[~on_mirror, 0] = np.maximum(start[~on_mirror, 0], 2 * MIRROR_MM)
    if dressing:
        random = np.random.default_rng(dressing)
        each, along, up = JITTER_MM
        start = start + random.uniform(-each, each, start.shape)
        start += np.array([0.0, random.uniform(-along, along), random.uniform(-up, up)])
    start[on_mirror, 0] = 0.0
    return Dressed(start, on_mirror, *_waist(cut, mesh, body, drop))


def _wrapped(cut: Cut, panel: Panel, flat: Array, body: Body, drop: float) -> Array:
    """Wrap a panel's points round the right side of the body, (n, 3) in mm."""
    y = flat[:, 1]
    inner, outer = (_by_height(panel.chain(edges)) for edges in (cut.inner, cut.outer))
    inside, outside = np.interp(y, *inner), np.interp(y, *outer)
    share = np.clip((outside - flat[:, 0]) / np.maximum(outside - inside, 1.0), 0, 1)  # 0 at the side, 1 at the centre
    top = float(panel.chain(cut.outer)[:, 1].max())
    z = y + (body.figure.waist_height - drop - top)
    wide, front, back = _room(body)
    sign, deep = (1.0, front) if panel.front else (-1.0, back)
    scale = body.shape.scale
    fork = panel.fork if panel.fork is not None else -1e6
    stem = float(np.interp(fork + 90.0 * scale, *inner))
    out = (stem - inside) / max(stem - float(np.interp(fork, *inner)), 1.0)  # on the crotch extension
    reach = np.clip(out, 0, 1)
    reach = np.where(y <= fork, 1.0, np.where(y > fork + 90.0 * scale, 0.0, reach))
    angle = share * np.pi / 2
    trunk = np.column_stack(
        [wide * np.cos(angle), sign * deep * np.sin(angle) * (1 - reach * share) - 10.0 * reach * share]
    )
    radius = np.maximum(outside - inside, 1.0) / np.pi
    heights = np.linspace(0.0, body.figure.waist_height * 0.7, 15)
    middle_x, middle_y = (np.interp(z, heights, middle) for middle in body.model.leg_axis(heights))
    turn = np.pi * share
    leg_x = np.maximum(radius + 2 * MIRROR_MM, middle_x) + radius * np.cos(turn)
    leg = np.column_stack([leg_x, middle_y + sign * radius * np.sin(turn)])
    low = np.clip((fork + FORK_MM - y) / (FORK_MM + 5.0), 0, 1)
    low = (low * low * (3 - 2 * low))[:, None]
    return np.column_stack([trunk * (1 - low) + leg * low, z])


def _by_height(line: Array) -> tuple[Array, Array]:
    order = np.argsort(line[:, 1], kind="stable")
    return line[order, 1], line[order, 0]


def _room(body: Body) -> tuple[float, float, float]:
    """Half width, and depths in front of and behind the centre, of the initial ellipse, mm."""
    rings = np.concatenate([body.model.section(z, 61) for z in (840.0, 900.0, 960.0, 1040.0)])
    return float(rings[:, 0].max()) * ROOM, float(rings[:, 1].max()) * ROOM_DEEP, float(-rings[:, 1].min()) * ROOM_DEEP


def _waist(cut: Cut, mesh: Mesh, body: Body, drop: float) -> tuple[Index, Array, Array, Index, Array]:
    """Held points of the waist, their targets, the length each stands for, pairs of neighbours along it and their rest lengths."""
    height = body.figure.waist_height - drop
    ring = body.outline(height, WAIST_OFF_MM)
    along = arc(ring[:, :2])
    behind = np.clip(-ring[:, 1] / (90.0 * body.shape.scale), 0, 1) * HIGHER_BEHIND_MM * (1.0 if abs(drop) < 1 else 0.0)
    tilt = body.figure.waist_lower_in_front * (ring[:, 1].max() - ring[:, 1]) / np.ptp(ring[:, 1])
    ring[:, 2] += behind + tilt - body.figure.waist_lower_in_front
    copies = len(mesh.pieces) // len(cut.panels)
    held, place, share, pairs, apart = [], [], [], [], []
    for copy in range(copies):
        total, runs = 0.0, []
        for number, panel in sorted(enumerate(cut.panels), key=lambda item: not item[1].front):
            piece = number + copy * len(cut.panels)
            edges = [index for name, index in mesh.pieces[piece].edges if name == cut.held]
            if not panel.front:
                edges = [index[::-1] for index in edges[::-1]]
            for index in edges:
                flat = mesh.pieces[piece].flat[index]
                steps = np.hypot(*np.diff(flat, axis=0).T)
                runs.append(
                    (mesh.sewn[mesh.starts[piece] + index], total + np.concatenate([[0.0], np.cumsum(steps)]), steps)
                )
                total += float(steps.sum())
        for points, at, steps in runs:
            done = at / total * along[-1]
            target = np.column_stack([np.interp(done, along, ring[:, axis]) for axis in range(3)])
            held.append(points)
            target *= [-1.0, 1.0, 1.0] if copy else [1.0, 1.0, 1.0]
            higher = 0.5 * (body.figure.hip_higher + body.figure.leg_longer)
            target[:, 2] += higher * np.clip(target[:, 0] / (160.0 * body.shape.scale), -1, 1)
            place.append(target)
            share.append(np.concatenate([[steps[0] / 2], (steps[:-1] + steps[1:]) / 2, [steps[-1] / 2]]))
            pairs.append(np.column_stack([points[:-1], points[1:]]))
            apart.append(steps)
    points, first, back = np.unique(np.concatenate(held), return_index=True, return_inverse=True)
    lengths = np.bincount(back.ravel(), np.concatenate(share)).astype(np.float64)
    return points, np.concatenate(place)[first], lengths, np.concatenate(pairs).astype(np.int64), np.concatenate(apart)
