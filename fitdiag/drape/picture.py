"""A picture of the muslin as it hangs: shaded cloth with balance lines, grainlines and seams, seen horizontally from one side.

Orthographic, painted back to front (painter's algorithm). Dark on light, the grain dashed, so that it prints in black and white.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy.ndimage import map_coordinates

from fitdiag.drape.body import Array, Body
from fitdiag.drape.readings import Worn

Pixels = NDArray[np.uint8]
VIEWS: Mapping[str, tuple[Array, Array]] = {  # unit vectors: to the right in the picture, and to the viewer
    "back": (np.array([1.0, 0.0, 0.0]), np.array([0.0, -1.0, 0.0])),
    "side": (np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0])),
    "front": (np.array([-1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])),
}
SCALE = 0.8  # pixels per mm
FINER = 2  # supersampling factor
MARGIN_MM = 20.0
LINES = {"hip": (140, 5, 13), "crotch": (13, 38, 128), "knee": (77, 26, 102), "grain": (5, 71, 31)}
WIDE_MM = {"grain": 2.6}  # line widths; of balance lines:
LINE_MM = 3.4
EVERY = 3  # one in so many segments of a grainline is left out
CLOTH, LINING, SKIN, PAPER, INK = np.array([237, 232, 219]), 0.72, (166, 148, 133), (250, 250, 250), (70, 68, 64)
SOFTENED = 2  # rounds of averaging normals for shading
EDGE_ON = 0.5  # cosine: cloth seen more edge-on than this may be part of the outline
ON_CLOTH_MM = 4.0  # lines are taken to lie this far in front of their cloth
SHOWN_ABOVE_MM = 30.0  # height of body shown above the garment
_QUARTERS = 0.5 * np.array(  # barycentric corners: a triangle split in four, for smoother shading
    [[[2, 0, 0], [1, 1, 0], [1, 0, 1]], [[1, 1, 0], [0, 2, 0], [0, 1, 1]],
     [[1, 0, 1], [0, 1, 1], [0, 0, 2]], [[1, 1, 0], [0, 1, 1], [1, 0, 1]]]
)  # fmt: skip


def draw(worn: Worn, view: str, *, scale: float = SCALE) -> Pixels:
    """Draw the muslin from a side of VIEWS: (height, width, 3), 0 to 255; all garments of one body share scale and frame."""
    (right, near), fine = VIEWS[view], scale * FINER
    wide, high, middle = frame(worn.body, view)
    size = (round(wide * scale) * FINER, round(high * scale) * FINER)
    image = Image.new("RGB", size, PAPER)
    pen = ImageDraw.Draw(image)

    def on_paper(places: Array) -> list[list[float]]:
        """Pixel coordinates of points (n, k, 3) in mm: n lists of x, y, x, y ..."""
        across, down = (places @ right - middle) * fine + size[0] / 2, (high - MARGIN_MM - places[..., 2]) * fine
        return np.stack([across, down], -1).reshape(len(places), 2 * places.shape[1]).tolist()

    normals = _outward(worn)
    faces, towards, light = _faces(worn, normals, right, near)
    corners = on_paper(faces)
    colours = [tuple(colour) for colour in (CLOTH * light[:, None]).clip(0, 255).astype(int).tolist()]
    for number in np.nonzero(np.abs(towards) < EDGE_ON)[0]:
        # what is not painted over is the outline
        pen.line([*corners[number], *corners[number][:2]], INK, FINER)
    depths = (faces @ near).mean(axis=1)
    for number in depths.argsort():
        if towards[number] <= 0:
            pen.polygon(corners[number], colours[number])
    image.paste(SKIN, mask=_skin(worn.body, size, right, near, middle, high, fine))
    shapes = [(depths[number], corners[number], colours[number], 0) for number in np.nonzero(towards > 0)[0]]
    for stretches, colour, mm in _strokes(worn, view, normals @ near):
        ahead = (stretches @ near).mean(axis=1) + ON_CLOTH_MM
        width = max(1, round(mm * fine))
        shapes += [(depth, ends, colour, width) for depth, ends in zip(ahead, on_paper(stretches), strict=True)]
    for _, place, colour, width in sorted(shapes, key=itemgetter(0)):
        if width:
            pen.line(place, colour, width)
        else:
            pen.polygon(place, colour)
    return np.asarray(image.reduce(FINER))


def courses(worn: Worn, view: str) -> dict[str, list[Array]]:
    """Lines drawn on the cloth, seen from a side (of VIEWS, or `left`, `right`): polylines (n, 3) in mm by name.

    From back and front the balance lines and grainlines; from the side the near part of the balance lines, and the side seam.
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
        for left in sides:
            if not mesh.whole or mesh.mirrored[number] == left:
                turn = np.array([-1.0 if left and not mesh.whole else 1.0, 1.0, 1.0])
                for name, line in lines.items():
                    found.setdefault(name, []).append(line * turn)
    return found


def frame(body: Body, view: str) -> tuple[float, float, float]:
    """Width and height of a view, and how far to the right the middle of the hip lies in it, mm."""
    ring = body.outline(body.figure.waist_height - body.figure.waist_to_hip, 0.0)
    wide = 2 * ring[:, 0].max() * (0.85 if view == "side" else 1.0)
    middle = np.array([0.0, 0.5 * (ring[:, 1].max() + ring[:, 1].min()), 0.0]) @ VIEWS[view][0]
    return float(wide) * 1.25 + 4 * MARGIN_MM, body.figure.waist_height + 2 * MARGIN_MM + SHOWN_ABOVE_MM, float(middle)


def _outward(worn: Worn) -> Array:
    """Outward unit normals (n, 3) at the points of the sheet, smoothed."""
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
    if not mesh.whole:
        normals[places[:, 0] == 0.0, 0] = 0.0  # on the mirror
    return normals


def _both(worn: Worn, values: Array) -> Array:
    """Vectors (n, k, 3) of the whole garment, mirrored if only half is draped."""
    return values if worn.mesh.whole else np.concatenate([values, values * [-1.0, 1.0, 1.0]])


def _faces(worn: Worn, normals: Array, right: Array, near: Array) -> tuple[Array, Array, Array]:
    """Subdivided triangles of the whole garment (t, 3, 3), the cosine of each to the viewer, and its lightness."""
    places, directions = (
        _both(worn, np.einsum("qkc,tcx->tqkx", _QUARTERS, values[worn.mesh.triangles]).reshape(-1, 3, 3))
        for values in (worn.places, normals)
    )
    direction = directions.mean(axis=1)
    direction /= np.linalg.norm(direction, axis=1, keepdims=True) + 1e-9
    towards = direction @ near
    inside = towards <= 0
    light = _light(np.where(inside, -1.0, 1.0)[:, None] * direction, right, near)
    return places, towards, light * np.where(inside, LINING, 1.0)


def _strokes(worn: Worn, view: str, towards: Array) -> Iterator[tuple[Array, tuple[int, ...], float]]:
    """Yield the line segments on the cloth (n, 2, 3), with colour and width in mm: seams, then lines."""
    for number, piece in enumerate(worn.mesh.pieces):
        for _, index in piece.edges:
            points = worn.mesh.sewn[worn.mesh.starts[number] + index]
            pairs = np.column_stack([points[:-1], points[1:]])
            yield _both(worn, worn.places[pairs[towards[pairs].mean(axis=1) > 0]]), INK, 1.0 / FINER
    for name, lines in courses(worn, "right" if view == "side" else view).items():
        for line in lines if name in LINES else ():
            pairs = np.stack([line[:-1], line[1:]], axis=1)
            shown = pairs[np.arange(len(pairs)) % EVERY > 0] if name == "grain" else pairs
            yield np.asarray(shown), LINES[name], WIDE_MM.get(name, LINE_MM)


def _light(normal: Array, right: Array, near: Array) -> Array:
    """Lightness for normals (..., 3): key light from the upper left, fill light from the right, darker where cloth turns away."""
    key = -0.55 * right + 0.55 * near + np.array([0.0, 0.0, 0.62])
    fill = 0.8 * right + 0.5 * near + np.array([0.0, 0.0, 0.1])
    lit = 0.34 + sum(
        share * np.clip(normal @ way / np.linalg.norm(way), 0, 1) for share, way in ((0.62, key), (0.16, fill))
    )
    return np.asarray(lit - 0.1 * np.clip(1 - np.abs(normal @ near), 0, 1) ** 2)


def _skin(
    body: Body, size: tuple[int, int], right: Array, near: Array, middle: float, high: float, fine: float
) -> Image.Image:
    """Mask of the body's silhouette in the picture."""
    axis, depth = (int(np.abs(way).argmax()) for way in (right, near))
    across = ((np.arange(size[0]) + 0.5 - size[0] / 2) / fine + middle) * right[axis]
    height = (high - MARGIN_MM - (np.arange(size[1]) + 0.5) / fine)[:, None]
    across = np.abs(across) if axis == 0 and body.mirrored else across
    at = [(np.broadcast_to(mm, size[::-1]) - body.origin[k]) / body.cell for mm, k in ((across, axis), (height, 2))]
    inside = map_coordinates(body.grid.min(axis=depth), at, order=1, cval=1.0) < 0
    return Image.fromarray(inside & (height > 0) & (height < body.figure.waist_height + SHOWN_ABOVE_MM))
