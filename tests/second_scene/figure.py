"""The rest of the figure and of the furniture, as plain meshes: torso, arms, head, shoes, a chair."""

from __future__ import annotations

import numpy as np

from .body import Person
from .camera import Array
from .cloth import Cloth
from .raster import Mesh, grid_triangles

ROUND = 40
ARMS = ("folded", "hang", "close", "up")


def tube(path: Array, radii: Array, kind: str) -> Mesh:
    """A tube round a path (n, 3) with radii (n, 2): across and fore-and-aft; its ends are drawn together."""
    path, radii = np.asarray(path, dtype=float), np.asarray(radii, dtype=float)
    ahead = np.gradient(path, axis=0)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    fore = np.array([0.0, 0.0, 1.0]) - ahead * ahead[:, 2:]
    weak = np.linalg.norm(fore, axis=1) < 0.3
    fore[weak] = np.array([0.0, 1.0, 0.0]) - ahead[weak] * ahead[weak, 1:2]
    fore /= np.linalg.norm(fore, axis=1, keepdims=True)
    across = np.cross(fore, ahead)
    turn = np.linspace(0, 2 * np.pi, ROUND)
    out = (
        across[:, None] * np.cos(turn)[:, None] * radii[:, None, :1]
        + fore[:, None] * np.sin(turn)[:, None] * radii[:, None, 1:]
    )
    points = path[:, None] + out
    normals = (
        across[:, None] * np.cos(turn)[:, None] / radii[:, None, :1]
        + fore[:, None] * np.sin(turn)[:, None] / radii[:, None, 1:]
    )
    normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    closed = np.concatenate([np.repeat(path[:1, None], ROUND, 1), points, np.repeat(path[-1:, None], ROUND, 1)])
    ends = np.concatenate(
        [np.broadcast_to(-ahead[0], (1, ROUND, 3)), normals, np.broadcast_to(ahead[-1], (1, ROUND, 3))]
    )
    return Mesh(closed.reshape(-1, 3), grid_triangles(len(closed), ROUND), ends.reshape(-1, 3), kind, closed=False)


def limb(joints: Array, thick: Array, kind: str) -> Mesh:
    """A rounded limb through joints (n, 3) with a radius at each."""
    joints = np.asarray(joints, dtype=float)
    place = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(joints, axis=0), axis=1))])
    fine = np.linspace(0, place[-1], 36)
    path = np.stack([np.interp(fine, place, joints[:, axis]) for axis in range(3)], axis=1)
    path[1:-1] = (path[:-2] + path[1:-1] + path[2:]) / 3
    radius = np.interp(fine, place, thick)
    end = np.minimum(fine, place[-1] - fine)
    radius = radius * np.sqrt(np.clip(end / radius, 0.02, 1))
    return tube(path, np.stack([radius, radius], axis=1), kind)


def box(low: Array, high: Array, kind: str) -> Mesh:
    """An upright box between two corners."""
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    points, normals, triangles = [], [], []
    for axis in range(3):
        for end, sign in ((low, -1.0), (high, 1.0)):
            one, two = (axis + 1) % 3, (axis + 2) % 3
            start = len(points)
            for a, b in ((0, 0), (0, 1), (1, 1), (1, 0)):
                corner = np.empty(3)
                corner[axis], corner[one], corner[two] = end[axis], (low, high)[a][one], (low, high)[b][two]
                points.append(corner)
                normals.append(sign * np.eye(3)[axis])
            triangles += [(start, start + 1, start + 2), (start, start + 2, start + 3)]
    return Mesh(np.array(points), np.array(triangles), np.array(normals), kind, closed=False)


def upper_body(person: Person, cloth: Cloth, rng: np.random.Generator) -> list[Mesh]:
    """Skin below a shirt that ends above the waist, neck and a plain head, in body axes."""
    level, tall = cloth.form.levels, person.stature
    waist = person.waist / np.pi / 2
    rows = [  # height, half the width, half the depth
        (level.waist - 30, waist, waist * 0.76),
        (level.waist + 20, waist * 1.06, waist * 0.78),
        (level.waist + 60, waist * 1.1, waist * 0.8),
        (0.68 * tall, person.chest_breadth * 0.5, person.chest_depth * 0.5),
        (0.74 * tall, person.chest_breadth * 0.55, person.chest_depth * 0.52),
        (0.80 * tall, person.shoulders * 0.5, person.chest_depth * 0.45),
        (0.825 * tall, person.shoulders * 0.36, 75.0),
        (0.84 * tall, 62.0, 60.0),
    ]
    heights, wide, deep = np.array(rows).T
    fine = np.linspace(heights[0], heights[-1], 60)
    forward = np.interp(fine, heights, [6, 6, 6, 8, 12, 6, 0, 0])
    path = np.stack([np.full(60, cloth.stance.bend), fine, forward], axis=1)
    radii = np.stack([np.interp(fine, heights, wide), np.interp(fine, heights, deep)], axis=1)
    bare = tube(path, radii * 0.97, "skin")
    hem = level.waist + rng.uniform(18, 70)
    clad = fine > hem
    shirt = tube(path[clad], radii[clad] * 1.03 + 3, "shirt")
    middle = cloth.stance.bend
    crown = [[middle, 0.84 * tall, 5], [middle, 0.9 * tall, 10], [middle, 0.995 * tall, 12]]
    head = limb(np.array(crown), np.array([55, 78, 80]), "hair")
    return [bare, shirt, head]


def arms(person: Person, cloth: Cloth, pose: str, rng: np.random.Generator) -> list[Mesh]:
    """Two arms: `folded` before the waist, `hang` away from the hips, `close` over the side edges, `up` on the chest."""
    level, tall, bend = cloth.form.levels, person.stature, cloth.stance.bend
    thick = person.arm / np.pi / 2
    made = []
    over = -75.0 if person.row % 3 else 75.0  # behind the hips or before them
    hip = float(np.interp(level.hip - 30, cloth.left.heights, cloth.left.points[:, :, 0].max(1)))
    for side in (1, -1):
        shoulder = np.array([side * (person.shoulders * 0.5 + 12) + bend, 0.8 * tall, 0.0])
        if pose in ("hang", "close"):
            near = pose == "close"
            out = hip + (rng.uniform(-14, 14) if near else rng.uniform(62, 110))
            elbow = np.array([side * max(out - 10, person.shoulders * 0.5 + 20), level.waist + 25, -18.0])
            wrist = np.array([side * out, level.hip + 20, over * 0.8 if near else 30.0])
            fist = np.array([side * (out - 4), level.hip - 95, over if near else 45.0])
        elif pose == "folded":
            elbow = np.array([side * (person.shoulders * 0.5 + 55), level.waist + 110, 60.0])
            wrist, fist = (
                np.array([side * 40.0, level.waist + 120, 190.0]),
                np.array([-side * 60.0, level.waist + 130, 185.0]),
            )
        else:
            elbow = np.array([side * (person.shoulders * 0.5 + 45), level.waist + 130, 40.0])
            wrist, fist = (
                np.array([side * 90.0, level.waist + 330, 150.0]),
                np.array([side * 50.0, level.waist + 400, 140.0]),
            )
        upper = limb(
            np.array([shoulder, (shoulder + elbow) / 2, elbow]), np.array([thick * 1.05, thick, thick * 0.85]), "shirt"
        )
        lower = limb(np.array([elbow, wrist, fist]), np.array([thick * 0.82, thick * 0.55, 40.0]), "skin")
        made += [upper, lower]
    return made


def shoes(cloth: Cloth) -> list[Mesh]:
    """A shoe under each leg, with a bit of ankle."""
    made = []
    for side in (1, -1):
        half = cloth.half(side)
        middle = half.points[0].mean(0)
        x, z = middle[0], middle[2]
        toe = np.array([x + side * 14, 34.0, z + 165])
        heel = np.array([x, 40.0, z - 75])
        made.append(limb(np.array([heel, [x, 48.0, z + 20], toe]), np.array([38, 46, 36]), "shoe"))
        made.append(limb(np.array([[x, 30.0, z - 20], [x, half.heights[0] + 60, z - 10]]), np.array([40, 42]), "sock"))
    return made


def chair(x: float, z: float, rng: np.random.Generator) -> list[Mesh]:
    """A plain wooden chair whose seat's middle stands at x, z of the world."""
    turn = int(rng.choice([-1, 1]))

    def part(across: float, fore: float, low: float, high: float, half: tuple[float, float]) -> Mesh:
        """A box round a place of the seat."""
        lower = np.array([x + across - half[0], low, z + fore - half[1]])
        return box(lower, np.array([x + across + half[0], high, z + fore + half[1]]), "wood")

    corners = [(a * 190.0, b * 190.0) for a in (-1, 1) for b in (-1, 1)]
    legs = [part(across, fore, 0, 440, (16, 16)) for across, fore in corners]
    posts = [part(turn * 190, b * 190, 440, 900, (14, 16)) for b in (-1, 1)]
    rails = [part(turn * 190, 0, low, low + 60, (10, 190)) for low in (820, 660)]
    return [*legs, *posts, *rails, part(0, 0, 440, 470, (212, 212))]
