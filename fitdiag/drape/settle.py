"""From dressed to rest: a sheet falls, is held at the waist, meets the body and settles. SI units.

Backward Euler with one Newton iteration per step (Baraff and Witkin 1998), solved by conjugate gradients preconditioned with
the last factorised matrix; penalty contact on the body's distance grid, Coulomb friction lagged by a step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import splu

from fitdiag.drape.body import Body
from fitdiag.drape.cloth import GRAVITY, Array, Sheet
from fitdiag.drape.dressing import MIRROR_MM, Dressed
from fitdiag.drape.mesh import Index

GAP_MM = 2.5  # offset of the cloth's mid-surface from the skin: cloth and underlayer
CONTACT = 2e6  # N/m per m² of cloth; 1 mm of penetration is 2 kPa
DEEPEST_M = 0.03  # penetration at which the penalty force is capped
HELD = 1e4  # N/m per m of waist edge: springs to the waistband's position
BAND = 600.0  # N, tensile stiffness of a waistband 3 cm wide
GROWN_FROM_MM = 50.0  # at the start the body is thinner by this
SLIPS_M = 2e-5  # friction is regularised below this slip per step
STEP_LIMIT_M = 0.012  # cap on a point's displacement per step
RESTED_MM_S = 3.0  # a sheet slower than this (root mean square) is at rest
GROWING_S = 0.4
# time step s, number, gravity factor: falling, tugged, resting
PHASES = ((0.01, 40, 1.0), (0.02, 20, 3.0), (0.03, 8, 1.0), (0.1, 6, 1.0))
MORE_STEPS = 20  # at most, until it is at rest
TOLERANCE, MOST_ITERATIONS, STALE = 0.2, 25, 12  # of conjugate gradients; refactorise after more than STALE iterations


@dataclass(frozen=True, eq=False)
class Rested:
    """The sheet at rest: positions (n, 3) in m; contact, friction and holding forces (n, 3) in N; final speed, penetration."""

    places: Array
    contact: Array
    friction: Array
    holding: Array
    speed_mm_s: float
    deepest_mm: float

    @property
    def still(self) -> bool:
        return self.speed_mm_s < RESTED_MM_S


class _System:
    """The sparse matrix of a step, with a fixed sparsity pattern."""

    def __init__(self, sheet: Sheet, dressed: Dressed) -> None:
        self.size = 3 * sheet.count
        bending = sheet.bending.tocoo()
        bent = tuple(
            np.ravel(index.astype(np.int64)[:, None] * 3 + np.arange(3)) for index in (bending.row, bending.col)
        )
        parts = [_places(sheet.triangles), bent, _places(np.arange(sheet.count)[:, None]), _places(dressed.hoop)]
        keys, where = np.unique(np.concatenate([c * self.size + r for r, c in parts]), return_inverse=True)
        ends = np.cumsum([len(r) for r, _ in parts])
        self.triangle, bend, self.own, self.hoop = np.split(where.ravel(), ends[:-1])
        self.entries = len(keys)
        self.bending = np.bincount(bend, np.repeat(bending.data, 3), self.entries)
        self.row = (keys % self.size).astype(np.int32)
        self.start = np.searchsorted(keys, np.arange(self.size + 1) * self.size).astype(np.int32)
        near = np.zeros(self.entries, dtype=bool)
        near[self.triangle] = near[self.own] = near[self.hoop] = True
        self.near = np.nonzero(near)[0]  # without the long-range bending couplings a factor has a third of the entries
        short = keys[self.near]
        self.near_row = (short % self.size).astype(np.int32)
        self.near_start = np.searchsorted(short, np.arange(self.size + 1) * self.size).astype(np.int32)
        left_out = np.bincount(keys[~near] % self.size, np.abs(self.bending[~near]), self.size)
        on_diagonal = np.nonzero(short % self.size == short // self.size)[0]
        self.near_extra = np.zeros(len(short))
        # lumped onto the diagonal, so that it stays positive definite
        self.near_extra[on_diagonal] = left_out[short[on_diagonal] % self.size]

    def matrix(self, triangle: Array, own: Array, hoop: Array) -> csc_matrix:
        values = np.bincount(self.triangle, triangle.ravel(), self.entries) + self.bending
        values += np.bincount(self.own, own.ravel(), self.entries)
        if hoop.size:
            values += np.bincount(self.hoop, hoop.ravel(), self.entries)
        return csc_matrix((values, self.row, self.start), shape=(self.size, self.size))

    def factor(self, matrix: csc_matrix) -> Callable[[Array], Array]:
        """Factorise a preconditioner for this matrix; single precision is enough."""
        values = (matrix.data[self.near] + self.near_extra).astype(np.float32)
        reduced = csc_matrix((values, self.near_row, self.near_start), shape=matrix.shape)
        factored = splu(reduced, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
        return lambda b: np.asarray(factored.solve(b.astype(np.float32)), dtype=np.float64)


def _places(points: Index) -> tuple[Index, Index]:
    """Row and column indices of the dense blocks that couple points (n, k), in all three coordinates."""
    own = (points[:, :, None] * 3 + np.arange(3)).reshape(len(points), 3 * points.shape[1])
    return np.repeat(own, own.shape[1], 1).ravel(), np.tile(own, (1, own.shape[1])).ravel()


class Settling:
    """One sheet settling on a body. `hung`: the waist is released after dressing, held only by its band and friction."""

    def __init__(self, sheet: Sheet, dressed: Dressed, body: Body, *, hung: bool = False) -> None:
        self.sheet, self.dressed, self.body, self.hung = sheet, dressed, body, hung
        self.x = dressed.start / 1000.0
        self.v = np.zeros_like(self.x)
        self.system = _System(sheet, dressed)
        self.factored: Callable[[Array], Array] | None = None
        self.mirror = MIRROR_MM / 1000.0
        self.held = np.zeros(sheet.count)
        self.held[dressed.held] = HELD * dressed.held_length / 1000.0
        self.target = np.zeros_like(self.x)
        self.target[dressed.held] = dressed.target / 1000.0
        self.contact = np.zeros_like(self.x)
        self.friction = np.zeros_like(self.x)

    def run(self, tell: Callable[[float], None] | None = None) -> Rested:
        """Step until the sheet is at rest. `tell` is called with the share done."""
        time, steps, speed = 0.0, 0, 1e9
        planned = sum(count for _, count, _ in PHASES)
        for step, count, gravity in (*PHASES, (PHASES[-1][0], MORE_STEPS, 1.0)):
            for _ in range(count):
                if steps >= planned and speed < RESTED_MM_S:
                    break
                time += step
                share = min(time / GROWING_S, 1.0)
                thinner = GROWN_FROM_MM * (1 - share * share * (3 - 2 * share))
                damping = 60.0 if time < 0.15 * GROWING_S else 10.0 if time < 1.1 * GROWING_S else 5.0
                if self.hung and time > 1.1 * GROWING_S:
                    self.held[:] = 0.0
                speed = self.step(step, thinner, gravity, damping) / step
                steps += 1
                if tell is not None:
                    tell(min(1.0, steps / planned))
        self._system_at(PHASES[-1][0], 0.0, 1.0, 5.0)
        holding = self.held[:, None] * (self.target - self.x)
        deepest = float(-self.body.distance(self.x * 1000.0).min())
        return Rested(self.x, self.contact, self.friction, holding, speed, deepest)

    def step(self, step: float, thinner: float, gravity: float, damping: float) -> float:
        """Take one time step; return the root mean square displacement, mm."""
        force, matrix = self._system_at(step, thinner, gravity, damping)
        move = self._solve(matrix, force)
        far = np.sqrt((move**2).sum(1))
        over = far > STEP_LIMIT_M
        move[over] *= (STEP_LIMIT_M / far[over])[:, None]
        x = self.x + move
        on_mirror = self.dressed.on_mirror
        x[on_mirror, 0] = 0.0
        if on_mirror.any():
            x[~on_mirror, 0] = np.maximum(x[~on_mirror, 0], self.mirror)
        self.v = (x - self.x) / step
        self.x = x
        return float(np.sqrt(((self.v * step) ** 2).sum(1).mean()) * 1000.0)

    def _system_at(self, step: float, thinner: float, gravity: float, damping: float) -> tuple[Array, csc_matrix]:
        """Right-hand side (n, 3) and matrix of the Newton step at the current state."""
        sheet, x = self.sheet, self.x
        force, triangle = sheet.forces(x)
        inertia = sheet.mass / step**2 * (1 + damping * step)
        force += (sheet.mass / step)[:, None] * self.v
        force[:, 2] -= sheet.mass * GRAVITY * gravity
        force += self.held[:, None] * (self.target - x)
        own = (inertia + self.held)[:, None, None] * np.eye(3)
        hoop = self._hoop(force) if self.hung else np.zeros(0)
        self._touch(force, own, step, thinner)
        on_mirror = self.dressed.on_mirror
        blocked = on_mirror | ((x[:, 0] <= self.mirror + 1e-9) & (force[:, 0] < 0) if on_mirror.any() else on_mirror)
        own[blocked, 0, 0] += 1e5
        force[blocked, 0] = 0.0
        return force, self.system.matrix(triangle, own, hoop)

    def _touch(self, force: Array, own: Array, step: float, thinner: float) -> None:
        """Add contact and friction forces, and their stiffness to the diagonal blocks `own` (n, 3, 3)."""
        x = self.x * 1000.0
        low = 0.3  # legs are thin already, so they shrink less
        share = np.clip(low + (x[:, 2] / self.body.figure.waist_height * 1.04 - 0.2) * 1.75, low, 1.0)
        distance = (self.body.distance(x) + thinner * share - GAP_MM) / 1000.0
        self.contact, self.friction = np.zeros_like(force), np.zeros_like(force)
        near = np.nonzero(distance < 0)[0]
        if not len(near):
            return
        away = self.body.outward(x[near])
        away[self.dressed.on_mirror[near], 0] = 0.0
        away /= np.linalg.norm(away, axis=1, keepdims=True) + 1e-12
        stiff = CONTACT * self.sheet.point_area[near]
        push = stiff * np.minimum(-distance[near], DEEPEST_M)
        force[near] += away * push[:, None]
        self.contact[near] = away * push[:, None]
        path = self.v[near] * step
        path -= (path * away).sum(1)[:, None] * away
        drag = self.sheet.cloth.friction * push / np.maximum(np.sqrt((path**2).sum(1)), SLIPS_M)
        self.friction[near] = -drag[:, None] * path
        along = away[:, :, None] * away[:, None, :]
        own[near] += (stiff - drag)[:, None, None] * along + drag[:, None, None] * np.eye(3)

    def _hoop(self, force: Array) -> Array:
        """Add the waistband's forces, a chain of springs; return its stiffness blocks (pairs, 6, 6)."""
        one, other = self.dressed.hoop.T
        rest = self.dressed.hoop_length / 1000.0
        run = self.x[other] - self.x[one]
        length = np.sqrt((run**2).sum(1))
        way = run / length[:, None]
        pull = BAND * (length / rest - 1)
        np.add.at(force, one, pull[:, None] * way)
        np.add.at(force, other, -pull[:, None] * way)
        along = way[:, :, None] * way[:, None, :]
        across = np.eye(3) - along
        block = (BAND / rest)[:, None, None] * along + (np.maximum(pull, 0) / length)[:, None, None] * across
        return np.concatenate([np.concatenate([block, -block], 2), np.concatenate([-block, block], 2)], 1)

    def _solve(self, matrix: csc_matrix, force: Array) -> Array:
        """Solve by conjugate gradients with the last factor; refactorise when that no longer converges."""
        b = force.ravel()
        x = np.zeros_like(b)
        fresh = self.factored is None
        if self.factored is None:
            self.factored = self.system.factor(matrix)
        rest, total, tries = b.copy(), 0, 0
        ahead = self.factored(rest)
        way, size = ahead.copy(), float(rest @ ahead)
        first = size
        while True:
            along = matrix @ way
            curve = float(way @ along)
            if curve <= 0:
                break
            x += size / curve * way
            rest -= size / curve * along
            tries, total = tries + 1, total + 1
            ahead = self.factored(rest)
            new = float(rest @ ahead)
            if new <= TOLERANCE**2 * first:
                break
            if tries >= MOST_ITERATIONS:
                if fresh:
                    break
                self.factored, fresh, tries = self.system.factor(matrix), True, 0
                ahead = self.factored(rest)
                way, size = ahead.copy(), float(rest @ ahead)
                continue
            way, size = ahead + new / size * way, new
        if total > STALE:
            self.factored = None
        return x.reshape(-1, 3)
