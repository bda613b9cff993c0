"""From a scene to pixels: room, meshes in a depth buffer at four samples a pixel, light, lens blur, noise, JPEG."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter, zoom

from .camera import Array
from .cloth import Half
from .figure import arms, chair, shoes, upper_body
from .muslin import Spots, colour_cloth
from .raster import Hits, Mesh, blend, cast, grid_triangles, values_at
from .room import background
from .scene import Scene

FINE = 2
SHIRTS = (
    (0.06, 0.07, 0.1),
    (0.1, 0.2, 0.42),
    (0.35, 0.08, 0.1),
    (0.12, 0.25, 0.17),
    (0.4, 0.4, 0.42),
    (0.7, 0.68, 0.66),
)
SKINS = ((0.62, 0.40, 0.30), (0.42, 0.25, 0.17), (0.16, 0.09, 0.06), (0.72, 0.52, 0.42))


@dataclass(frozen=True)
class Drawn:
    """Pixels (height, width, 3) of 8 bits, and the depth of the nearest thing at each fine sample (infinite where the room is)."""

    pixels: np.ndarray
    depth: Array


def half_mesh(half: Half, turn: Array) -> Mesh:
    """A half of the trousers in the world; values: section height, t, across, normal in the world, x in body axes."""
    rows, columns = half.t.shape
    triangles = grid_triangles(rows, columns)
    level = np.broadcast_to(half.heights[:, None], half.t.shape)
    values = np.concatenate(
        [np.stack([level, half.t, half.across], axis=-1), half.normals @ turn.T, half.points[..., :1]], axis=-1
    )
    return Mesh(
        (half.points @ turn.T).reshape(-1, 3),
        triangles[:, ::-1] if half.side > 0 else triangles,
        values.reshape(-1, values.shape[-1]),
        "cloth",
    )


def draw(scene: Scene) -> Drawn:
    """Draw a scene. Two to six seconds for 1500 x 2000 pixels on one core."""
    camera = scene.camera
    rng = np.random.default_rng([scene.seed, 57])
    halves = (scene.muslin.cloth.left, scene.muslin.cloth.right)
    feet = np.array([(half.points[0].mean(0) + np.array([0, 0, 40])) @ scene.turn.T for half in halves])[:, [0, 2]]
    room = background(camera, scene.room, feet)
    meshes = _meshes(scene, rng)
    hits, depth = cast(camera, meshes, FINE)
    colours = _palette(rng)
    shape = (camera.height * FINE, camera.width * FINE)
    layer = np.zeros((shape[0] * shape[1], 3), dtype=np.float32)
    cover = np.zeros(shape[0] * shape[1], dtype=np.float32)
    for index, (mesh, hit) in enumerate(zip(meshes, hits, strict=True)):
        if len(hit.samples):
            layer[hit.samples] = (
                _cloth_light(scene, index, mesh, hit)
                if mesh.kind == "cloth"
                else _plain_light(scene, mesh, hit, colours)
            )
            cover[hit.samples] = 1
    front = _pixels(layer, camera.height, camera.width)
    share = _pixels(cover, camera.height, camera.width)[..., 0]
    lit = room * (scene.light.around + 0.75 * scene.light.lamp) * _shadow(scene, share)[..., None]
    return Drawn(_develop(scene, lit * (1 - share)[..., None] + front, rng), depth)


def _meshes(scene: Scene, rng: np.random.Generator) -> list[Mesh]:
    wear = scene.muslin
    turn = scene.turn
    body = [
        *upper_body(wear.person, wear.cloth, rng),
        *arms(wear.person, wear.cloth, scene.arms, rng),
        *shoes(wear.cloth),
    ]
    made = [half_mesh(wear.cloth.left, turn), half_mesh(wear.cloth.right, turn)]
    made += [Mesh(mesh.points @ turn.T, mesh.triangles, mesh.values @ turn.T, mesh.kind, mesh.closed) for mesh in body]
    if scene.chair:
        made += chair(*scene.chair, rng)
    return made


def _palette(rng: np.random.Generator) -> dict[str, Array]:
    return {
        "shirt": np.array(SHIRTS[rng.integers(len(SHIRTS))]),
        "skin": np.array(SKINS[rng.integers(len(SKINS))]),
        "hair": np.array([0.05, 0.035, 0.03]),
        "shoe": np.clip(rng.uniform(0.02, 0.5) + rng.normal(0, 0.03, 3), 0.01, 0.8),
        "sock": np.array([0.2, 0.2, 0.22]),
        "wood": np.array([0.33, 0.2, 0.1]) * rng.uniform(0.5, 1.4),
    }


def _plain_light(scene: Scene, mesh: Mesh, hit: Hits, colours: dict[str, Array]) -> Array:
    normal = values_at(mesh, hit)
    normal /= np.sqrt(np.maximum(_dot(normal, normal), 1e-12))[:, None]
    lamp = np.clip(normal @ np.array(scene.light.towards), 0, 1)
    bright = scene.light.around * (0.8 + 0.2 * normal[:, 1]) + scene.light.lamp * lamp
    return colours[mesh.kind] * bright[:, None]


def _cloth_light(scene: Scene, index: int, mesh: Mesh, hit: Hits) -> Array:
    wear, light = scene.muslin, scene.light
    cloth, half = wear.cloth, wear.cloth.half(1 if index == 0 else -1)
    value = values_at(mesh, hit)
    normal = value[:, 3:6] / np.sqrt(np.maximum(_dot(value[:, 3:6], value[:, 3:6]), 1e-12))[:, None]
    view = scene.camera.position - blend(mesh.points, hit)
    facing = np.abs(_dot(normal, view)) / np.sqrt(_dot(view, view))
    fine = scene.camera.distance / scene.camera.focal / FINE
    spots = Spots(value[:, 0], value[:, 1], value[:, 2], normal, facing, fine)
    colour = colour_cloth(cloth, half, wear.drawing, wear.look, spots)
    inward = np.clip(-half.side * (normal @ scene.turn[:, 0]), 0, 1) * (
        1 / (1 + np.exp((value[:, 0] - cloth.fork - 10) / 14))
    )
    open_ = 1 - 0.6 * inward * np.exp(-np.maximum(half.side * value[:, 6], 0) / 70)
    girth = np.where(value[:, 1] > 0, half.half_girth(value[:, 0], True), half.half_girth(value[:, 0], False))
    deep = np.exp(-(((girth - np.abs(value[:, 2])) / 18) ** 2)) / (1 + np.exp((value[:, 0] - cloth.fork - 45) / 14))
    open_ = open_ * (1 - 0.4 * deep)
    crumple = (
        0.04
        * np.sin(value[:, 2] / 3.1 + 2 * np.sin(value[:, 0] / 7))
        * np.sin(value[:, 0] / 4.3 + np.sin(value[:, 2] / 9))
    )
    lamp = np.clip(normal @ np.array(light.towards) + crumple, 0, 1)
    bright = light.around * open_ * (0.85 + 0.15 * normal[:, 1]) + light.lamp * lamp * (0.4 + 0.6 * open_)
    return colour * bright[:, None]


def _dot(a: Array, b: Array) -> Array:
    return a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1] + a[:, 2] * b[:, 2]


def _pixels(samples: Array, rows: int, columns: int) -> Array:
    """The mean of each pixel's fine samples."""
    square = samples.reshape(rows, FINE, columns, FINE, -1)
    total = sum(square[:, i, :, j] for i in range(FINE) for j in range(FINE))
    return total / FINE**2


def _shadow(scene: Scene, share: Array) -> Array:
    """A soft shadow of the figure on the room, thrown away from the lamp; the farther the wall, the softer."""
    small = zoom(share, 0.125, order=1)
    scale = scene.camera.focal / scene.camera.distance * 0.125
    behind = scene.room.behind
    moved = np.zeros_like(small)
    right = int(-scene.light.towards[0] * behind * 0.8 * scale)
    down = int(scene.light.towards[1] * behind * 0.5 * scale)
    rows, columns = small.shape
    to = (slice(max(0, down), rows + min(0, down)), slice(max(0, right), columns + min(0, right)))
    came = (slice(max(0, -down), rows - max(0, down)), slice(max(0, -right), columns - max(0, right)))
    moved[to] = small[came]
    soft = gaussian_filter(moved, 2 + behind * 0.05 * scale)
    big = zoom(soft, (share.shape[0] / rows, share.shape[1] / columns), order=1)
    return np.asarray(1 - 0.3 * np.clip(big, 0, 1))


def _develop(scene: Scene, light: Array, rng: np.random.Generator) -> np.ndarray:
    finish, (rows, columns) = scene.finish, light.shape[:2]
    y, x = np.linspace(-1, 1, rows)[:, None], np.linspace(-1, 1, columns)[None, :]
    fall = np.exp(scene.light.uneven[0] * x + scene.light.uneven[1] * y) * (1 - 0.1 * (x**2 + y**2) / 2)
    image = (light * fall[..., None]).astype(np.float32)
    image *= np.array([1 + scene.light.warm, 1.0, 1 - scene.light.warm], dtype=np.float32) * np.float32(
        0.92 * finish.bright
    )
    if finish.motion:
        taps = np.linspace(-finish.motion / 2, finish.motion / 2, 9)
        image = sum(np.roll(image, (round(tap * 0.7), round(tap * 0.7)), axis=(0, 1)) for tap in taps) / len(taps)
    image = gaussian_filter(image, (finish.blur, finish.blur, 0))
    grain = rng.standard_normal(image.shape, dtype=np.float32) * (finish.noise / 255)
    image = np.clip(image, 0, 1) ** (1 / 2.2) + grain * (0.6 + 0.4 * (1 - np.clip(image, 0, 1)))
    if finish.sharpen:
        image = image + finish.sharpen * (image - gaussian_filter(image, (1.2, 1.2, 0)))
    made = np.clip(image * 255 + 0.5, 0, 255).astype(np.uint8)
    if finish.mirrored:
        made = made[:, ::-1]
    if finish.scale != 1:
        size = (round(columns * finish.scale), round(rows * finish.scale))
        made = np.asarray(Image.fromarray(made).resize(size, Image.Resampling.LANCZOS))
    return np.ascontiguousarray(made)


def as_jpeg(pixels: np.ndarray, quality: int) -> bytes:
    """The file's bytes; nothing beside the pixels is in it."""
    held = io.BytesIO()
    Image.fromarray(pixels).save(held, "JPEG", quality=quality)
    return held.getvalue()
