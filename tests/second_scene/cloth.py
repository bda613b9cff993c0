"""The muslin as two meshes, the wearer's left and right half, each with cloth coordinates, folds and a stance.

A point of a half is (height of its section, t): t = 1 at centre back (below the fork: at the inside of the leg), 0 at the side seam, -1
at centre front. `across` is the length on the cloth from the side seam, along the section, positive to the back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from .camera import Array
from .form import Form

STEP = 4.5
COLUMNS = 113
SIDES = (1, -1)


@dataclass(frozen=True)
class Fold:
    """A ridge (or a valley) of cloth: where, which way, how long, how wide, how high; `side` 0 on the trunk, else a leg."""

    side: int
    round_mm: float
    height: float
    slant: float
    length: float
    width: float
    lift: float


@dataclass(frozen=True)
class Stance:
    """What the body does to the whole: one hip higher (slope), a bend to the side, lengths in mm."""

    hip_slope: float
    bend: float


@dataclass(frozen=True)
class Half:
    """One half of the trousers, as a grid of rows from the hem upwards: all arrays (rows, columns)."""

    side: int
    heights: Array
    t: Array
    points: Array
    across: Array
    normals: Array

    def at(self, height: Array, t: Array, values: Array) -> Array:
        """A grid's values (rows, columns, ...) at sections and places between, linear as the mesh itself."""
        row = np.clip((height - self.heights[0]) / STEP, 0, len(self.heights) - 1.001)
        column = np.clip((1 - t) / 2 * (COLUMNS - 1), 0, COLUMNS - 1.001)
        i, j = row.astype(int), column.astype(int)
        a, b = row - i, column - j
        while a.ndim < values.ndim - 2 + row.ndim:
            a, b = a[..., None], b[..., None]
        return np.asarray(
            (values[i, j] * (1 - b) + values[i, j + 1] * b) * (1 - a)
            + (values[i + 1, j] * (1 - b) + values[i + 1, j + 1] * b) * a
        )

    def half_girth(self, height: Array, back: bool) -> Array:
        """Length on the cloth from the side seam to the centre, at heights."""
        return np.abs(np.interp(height, self.heights, self.across[:, 0 if back else -1]))


@dataclass(frozen=True)
class Cloth:
    """Both halves, the fork's height (the lowest section in which they are one), and what was done to make it so."""

    form: Form
    left: Half
    right: Half
    fork: float
    stance: Stance
    folds: tuple[Fold, ...]

    def half(self, side: int) -> Half:
        """The wearer's left half for 1, the right one for -1."""
        return self.left if side > 0 else self.right

    def stand(self, points: Array) -> Array:
        """Section coordinates to where the body holds them: heights tilt with the hips, fading out at the knee."""
        level = self.form.levels
        return stand(points, level.knee, level.fork, self.stance)


def stand(points: Array, knee: float, fork: float, stance: Stance) -> Array:
    """Tilt and bend a body that stood straight; see `Cloth.stand`."""
    x, y, z = points[..., 0], points[..., 1], points[..., 2]
    share = np.clip((y - knee) / (fork - knee), 0, 1)
    share = share * share * (3 - 2 * share)
    bend = stance.bend * np.sin(np.clip((y - knee) / (2.2 * (fork - knee)), 0, 1.6) * np.pi / 2) ** 2
    return np.stack([x + bend, y + stance.hip_slope * x * share, z], axis=-1)


def folds_by_chance(form: Form, rng: np.random.Generator, heavy: float) -> tuple[Fold, ...]:
    """Drag lines from the fork, looseness over the seat, long folds down the legs, a break at the hem; `heavy` 0 to 1.5."""
    level, made = form.levels, list[Fold]()

    def cluster(middle: Fold) -> None:
        made.extend(_beside(middle, heavy, rng))

    for _ in range(rng.integers(2, 5)):
        back, side = rng.random() < 0.65, int(rng.choice([-1, 1]))
        around = side * rng.uniform(25, 130) + (0 if back else 150 * np.pi)
        slant = side * rng.uniform(0.1, 0.9) * (1 if back else -1)
        height = level.fork + rng.uniform(10, 130)
        cluster(Fold(0, around, height, slant, rng.uniform(45, 100), rng.uniform(8, 14), rng.normal(0, 2.6)))
    for _ in range(rng.integers(1, 4)):
        around, slant = rng.uniform(-150 * np.pi, 150 * np.pi), np.pi / 2 + rng.normal(0, 0.3)
        height = level.hip + rng.uniform(-20, 130)
        cluster(Fold(0, around, height, slant, rng.uniform(50, 110), rng.uniform(12, 24), rng.normal(0, 2.2)))
    for side in SIDES:
        for _ in range(rng.integers(1, 4)):
            height, slant = rng.uniform(level.hem + 80, level.fork - 60), np.pi / 2 + rng.normal(0, 0.12)
            around = 90 * rng.uniform(0.2, 6.1)
            cluster(Fold(side, around, height, slant, rng.uniform(90, 260), rng.uniform(12, 24), rng.normal(0, 3.2)))
        for _ in range(rng.integers(1, 4)):
            height, slant = level.fork - rng.uniform(20, 190), rng.choice([-1, 1]) * rng.uniform(0.15, 0.9)
            around = 90 * rng.uniform(0.4, 5.9)
            cluster(Fold(side, around, height, slant, rng.uniform(35, 90), rng.uniform(9, 15), rng.normal(0, 2.4)))
        for _ in range(rng.integers(0, 3)):
            height, slant = level.hem + rng.uniform(20, 130), rng.normal(0, 0.25)
            around = 90 * rng.uniform(0.4, 5.9)
            cluster(Fold(side, around, height, slant, rng.uniform(35, 90), rng.uniform(9, 15), rng.normal(0, 2.8)))
    return tuple(made)


def _beside(middle: Fold, heavy: float, rng: np.random.Generator) -> list[Fold]:
    """One to four folds side by side, no two alike."""
    many, made = int(rng.integers(1, 5)), []
    for index in range(many):
        off = (index - (many - 1) / 2) * middle.width * rng.uniform(2.1, 2.8)
        around = middle.round_mm - off * np.sin(middle.slant) + rng.normal(0, 4)
        height = middle.height + off * np.cos(middle.slant) + rng.normal(0, 4)
        slant, length = middle.slant + rng.normal(0, 0.08), middle.length * rng.uniform(0.6, 1.2)
        made.append(
            Fold(middle.side, around, height, slant, length, middle.width, middle.lift * heavy * rng.uniform(0.4, 1.0))
        )
    return made


def drape(form: Form, folds: tuple[Fold, ...], stance: Stance) -> Cloth:
    """Solve the surface along rays from the legs' axes, then lift the folds along its normals, then let it stand."""
    level = form.levels
    heights = np.arange(level.hem, level.top, STEP)
    back, front = _seam(form, heights)
    joined = ~np.isnan(back)
    fork_row = int(np.argmax(joined))
    bare = {side: _solve(form, side, heights, back, front, fork_row) for side in SIDES}
    lifted = {}
    for side in SIDES:
        points, t = bare[side]
        normals = grid_normals(points, side, fork_row)
        away = _lift(form, points, side, folds)
        lifted[side] = points + normals * away[..., None]
    for column in (0, COLUMNS - 1):  # the halves are sewn together
        seam = (lifted[1][fork_row:, column] + lifted[-1][fork_row:, column]) / 2
        seam[:, 0] = 0.0
        for side in SIDES:
            lifted[side][fork_row:, column] = seam
    halves = {}
    for side in SIDES:
        points, t = stand(lifted[side], level.knee, level.fork, stance), bare[side][1]
        steps = np.linalg.norm(np.diff(points, axis=1), axis=-1)
        length = np.concatenate([np.zeros((len(heights), 1)), np.cumsum(steps, axis=1)], axis=1)
        across = length[:, [COLUMNS // 2]] - length
        halves[side] = Half(side, heights, t, points, across, grid_normals(points, side, fork_row))
    return Cloth(form, halves[1], halves[-1], float(heights[fork_row]), stance, folds)


def _seam(form: Form, heights: Array) -> tuple[Array, Array]:
    """Where the centre plane leaves the cloth, at the back and at the front, at each height; not a number below the fork."""
    z = np.arange(-260.0, 261.0, 4.0)
    inside = form.field(np.zeros((1, 1)), heights[:, None], z[None, :])
    found = []
    for line in (inside, inside[:, ::-1]):
        depth = z if line is inside else z[::-1]
        first = np.argmax(line < 0, axis=1)
        a, b = depth[np.maximum(first - 1, 0)], depth[first]
        for _ in range(18):
            middle = (a + b) / 2
            within = form.field(np.zeros_like(middle), heights, middle) < 0
            a, b = np.where(within, a, middle), np.where(within, middle, b)
        found.append(np.where((line < 0).any(1), (a + b) / 2, np.nan))
    return found[0], found[1]


def _solve(form: Form, side: int, heights: Array, back: Array, front: Array, fork_row: int) -> tuple[Array, Array]:
    over, deep = form.leg_axis(side, heights)
    over = np.abs(over)
    bottom = np.arctan2(deep[fork_row] - (back[fork_row] + front[fork_row]) / 2, over[fork_row])
    inner = bottom * np.clip(1 - (heights[fork_row] - heights) / 130, 0, 1) ** 2
    first = np.where(np.isnan(back), inner, np.arctan2(deep - back, over))
    last = 2 * np.pi + np.where(np.isnan(front), inner, np.arctan2(deep - front, over))
    t = np.broadcast_to(np.linspace(1, -1, COLUMNS), (len(heights), COLUMNS))
    angle = np.where(t >= 0, np.pi - t * (np.pi - first[:, None]), np.pi - t * (last[:, None] - np.pi))
    cos, sin = np.cos(angle), np.sin(angle)
    wall = np.where(cos > 1e-3, over[:, None] / np.maximum(cos, 1e-3), 1e3)
    level = np.broadcast_to(heights[:, None], angle.shape)

    def inside(radius: Array | float, at: Array | slice = slice(None)) -> Array:
        x, z = over[at, None] - cos[at] * radius, deep[at, None] - sin[at] * radius
        return form.field(side * x, heights[at, None], z)

    low, high = np.zeros(angle.shape), np.full(angle.shape, np.nan)
    for radius in np.arange(14.0, 300.0, 14.0):
        rows = np.isnan(high).any(axis=1)  # nothing is left to look for in the others
        high[rows] = np.where(np.isnan(high[rows]) & (inside(radius, rows) >= 0), radius, high[rows])
        low = np.where(np.isnan(high), radius, low)
    high = np.where(np.isnan(high), 300.0, high)
    for _ in range(14):
        middle = (low + high) / 2
        within = inside(middle) < 0
        low, high = np.where(within, middle, low), np.where(within, high, middle)
    radius = np.minimum((low + high) / 2, wall)
    points = np.stack([side * (over[:, None] - cos * radius), level, deep[:, None] - sin * radius], axis=-1)
    return _hang(points, t, heights - heights[fork_row]), np.array(t)


def _hang(points: Array, t: Array, above_fork: Array) -> Array:
    """Cloth bridges what the body has in hollows: smooth downwards, but not into the cleft and the fork."""
    high = 1 / (1 + np.exp((62 - above_fork[:, None]) / 9))
    free = np.maximum(np.clip((0.97 - np.abs(t)) / 0.2, 0, 1), high)[..., None]
    smooth = gaussian_filter1d(points, 7.0, axis=0, mode="nearest")
    smooth[..., 1] = points[..., 1]
    return np.asarray(points * (1 - free) + smooth * free)


def grid_normals(points: Array, side: int, fork_row: int) -> Array:
    """Unit normals of a grid of points, outwards; below the fork the rows close."""
    up = np.gradient(points, axis=0)
    along = np.gradient(points, axis=1)
    ring = (points[:fork_row, 1] - points[:fork_row, -2]) / 2
    along[:fork_row, 0] = along[:fork_row, -1] = ring
    normal = np.cross(up, along) * side
    return np.asarray(normal / np.maximum(np.linalg.norm(normal, axis=-1, keepdims=True), 1e-9))


def _lift(form: Form, points: Array, side: int, folds: tuple[Fold, ...]) -> Array:
    """How far the folds lift each point."""
    x, height, z = points[..., 0], points[..., 1], points[..., 2]
    level = form.levels
    trunk = np.arctan2(x, form.trunk_axis(height) - z) * 150
    over, deep = form.leg_axis(side, height)
    leg = (np.arctan2(deep - z, (over - x) * side) % (2 * np.pi)) * 90
    high = 1 / (1 + np.exp(-(height - level.fork + 12) / 9))
    apart = np.where(height > level.fork - 60, np.clip(np.abs(x) / 40, 0, 1) ** 2, 1.0)
    low = apart / (1 + np.exp((height - level.fork - 40) / 20))
    total = np.zeros(x.shape)
    for fold in folds:
        if fold.side not in (0, side):
            continue
        around, turn = (trunk, 300 * np.pi) if fold.side == 0 else (leg, 180 * np.pi)
        beside = (around - fold.round_mm + turn / 2) % turn - turn / 2
        above = height - fold.height
        along = beside * np.cos(fold.slant) + above * np.sin(fold.slant)
        off = above * np.cos(fold.slant) - beside * np.sin(fold.slant)
        shape = np.exp(-((off / fold.width) ** 2) / 2 - (along / fold.length) ** 4)
        total += fold.lift * shape * (high if fold.side == 0 else low)
    return total
