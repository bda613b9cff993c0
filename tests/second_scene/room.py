"""What stands behind the figure: wall, skirting, door, floor, a plumb line, a sheet of paper; drawn ray by ray, without a mesh."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .camera import Array, Camera

WALLS = ("plain", "stripes", "tiles", "flowers", "panels", "bricks")
FLOORS = ("boards", "tiles", "carpet", "stone")
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}


@dataclass(frozen=True)
class Sheet:
    """A sheet of paper: its middle in the world, size, turn in its own plane and about the upright (degrees), printing, string."""

    paper: str
    landscape: bool
    middle: tuple[float, float, float]
    turn: float
    swing: float
    frame: float
    text: bool
    mark: bool

    @property
    def size(self) -> tuple[float, float]:
        """Width and height in mm as it hangs."""
        wide, high = PAPERS[self.paper]
        return (high, wide) if self.landscape else (wide, high)

    @property
    def axes(self) -> tuple[Array, Array]:
        """Unit vectors in the world along its width (to the right) and its height (up)."""
        turn, swing = np.radians([self.turn, self.swing])
        wide, high = np.array([np.cos(swing), 0, np.sin(swing)]), np.array([0.0, 1.0, 0.0])
        return wide * np.cos(turn) + high * np.sin(turn), high * np.cos(turn) - wide * np.sin(turn)

    @property
    def corners(self) -> Array:
        """From the top left one clockwise, (4, 3)."""
        (wide, high), (u, v) = self.size, self.axes
        return np.array(self.middle) + np.array(
            [
                -u * wide / 2 + v * high / 2,
                u * wide / 2 + v * high / 2,
                u * wide / 2 - v * high / 2,
                -u * wide / 2 - v * high / 2,
            ]
        )


@dataclass(frozen=True)
class Room:
    """All of it. `behind` is how far the wall stands behind the body's axis, `skew` its turn to the camera in degrees."""

    behind: float
    skew: float
    wall: str
    wall_colour: tuple[float, float, float]
    floor: str
    floor_colour: tuple[float, float, float]
    skirting: float
    door: tuple[float, float] | None
    plumb: tuple[tuple[float, float], ...]
    sheet: Sheet | None
    seed: int
    trim: tuple[float, float, float] = (0.75, 0.74, 0.71)
    strings: tuple[float, float, float] = field(default=(0.05, 0.05, 0.05))

    @property
    def wall_axes(self) -> tuple[Array, Array, Array]:
        """A point of the wall, its direction to the right, its normal."""
        skew = np.radians(self.skew)
        return (
            np.array([0.0, 0.0, -self.behind]),
            np.array([np.cos(skew), 0, np.sin(skew)]),
            np.array([-np.sin(skew), 0, np.cos(skew)]),
        )

    def verticals(self) -> list[tuple[Array, Array]]:
        """True uprights as pairs of world points, top and bottom: strings and the edges of the door's frame."""
        pairs = [(np.array([x, 2150.0, z]), np.array([x, 190.0, z])) for x, z in self.plumb]
        if self.door:
            origin, along, _ = self.wall_axes
            for edge in self.door_edges():
                foot = origin + along * edge
                pairs.append((foot + np.array([0, 2020.0, 0]), foot + np.array([0, 5.0, 0])))
        return pairs

    def door_edges(self) -> list[float]:
        """Places along the wall of the edges of the door's frame."""
        if not self.door:
            return []
        start, wide = self.door
        return [start, start + 72.0, start + wide - 72.0, start + wide]


def background(camera: Camera, room: Room, feet: Array) -> Array:
    """The empty room, linear light (height, width, 3); it darkens round `feet` (n, 2), places x, z on the floor."""
    rays = camera.all_rays()
    origin, along, normal = (axis.astype(np.float32) for axis in room.wall_axes)
    lens = camera.position.astype(np.float32)
    with np.errstate(divide="ignore", invalid="ignore"):
        to_wall = ((origin - lens) @ normal) / (rays @ normal)
        to_floor = np.where(rays[..., 1] < 0, -lens[1] / rays[..., 1], np.float32(np.inf))
    to_wall = np.where(to_wall > 0, to_wall, np.float32(np.inf))
    on_wall = to_wall < to_floor
    picture = np.empty(rays.shape, dtype=np.float32)
    reach = np.minimum(to_wall[on_wall], np.float32(2e4))
    place = lens + rays[on_wall] * reach[:, None]
    colour = _wall((place - origin) @ along, place[:, 1], reach / camera.focal, room)
    picture[on_wall] = colour * (1 - 0.25 * np.exp(-np.abs(place[:, 1]) / 60))[:, None]
    reach = np.minimum(to_floor[~on_wall], np.float32(2e4))
    place = lens + rays[~on_wall] * reach[:, None]
    colour = _floor(place[:, 0], place[:, 2], reach / camera.focal, room)
    near = 0.25 * np.exp(-np.abs((place - origin) @ normal) / 90)
    for x, z in feet:
        near = np.maximum(near, 0.6 * np.exp(-(((place[:, 0] - x) / 75) ** 2) - ((place[:, 2] - z) / 120) ** 2))
    picture[~on_wall] = colour * (1 - near)[:, None]
    if room.sheet:
        _lay_sheet(picture, camera, rays, room.sheet)
    for x0, z0 in room.plumb:
        _hang_string(picture, camera, x0, z0, room.strings)
    return picture


def _band(place: Array, low: float, high: float, fine: Array) -> Array:
    """1 between two places, with soft edges as wide as a pixel."""
    return np.clip((place - low) / fine + 0.5, 0, 1) * np.clip((high - place) / fine + 0.5, 0, 1)


def _joints(place: Array, step: float, width: float, fine: Array) -> Array:
    """Thin lines at every `step`."""
    off = np.abs((place / step + 0.5) % 1 - 0.5) * step
    return np.clip((width / 2 - off) / fine + 0.5, 0, 1) * np.minimum(1, width / fine + 0.1)


def _wall(u: Array, v: Array, fine: Array, room: Room) -> Array:
    base = np.array(room.wall_colour, dtype=np.float32)
    tone = np.ones_like(u)
    if room.wall == "stripes":
        tone = 1 - 0.22 * (0.5 + 0.5 * np.tanh(3 * np.sin(u * 2 * np.pi / 92)))
    elif room.wall == "tiles":
        tone = 1 - 0.3 * np.maximum(_joints(u, 150, 4, fine), _joints(v, 150, 4, fine))
    elif room.wall == "flowers":
        a, b = (u / 130 + 0.5 * np.floor(v / 110)) % 1 - 0.5, (v / 110) % 1 - 0.5
        petals = np.hypot(a * 130, b * 110) - 24 - 9 * np.cos(5 * np.arctan2(b, a))
        tone = (
            1
            - 0.3 * np.clip(0.5 - petals / 3, 0, 1)
            - 0.12 * np.clip(0.5 - (np.abs(a * 130 + 14 * np.sin(v / 25)) - 3) / 3, 0, 1)
        )
    elif room.wall == "panels":
        tone = 1 - 0.25 * _joints(u, 240, 7, fine)
    elif room.wall == "bricks":
        row = np.floor(v / 75)
        tone = (0.9 + 0.1 * np.sin(row * 7 + np.floor(u / 220 + 0.5 * (row % 2)) * 5)) * (
            1 - 0.25 * np.maximum(_joints(v, 75, 10, fine), _joints(u + 110 * (row % 2), 220, 10, fine))
        )
    tone = tone * (1 + 0.012 * np.sin(u / 11 + room.seed) * np.sin(v / 13))
    colour = base * tone[..., None]
    skirt = _band(v, -1e4, room.skirting, fine)[..., None]
    shade = (1 - 0.35 * np.exp(-(((v - room.skirting) / np.maximum(fine, 3)) ** 2)))[..., None]
    colour = colour * (1 - skirt) + np.array(room.trim) * skirt * shade
    if room.door:
        edges = room.door_edges()
        high = _band(v, -1e4, 2025, fine)
        leaf = (_band(u, edges[1], edges[2], fine) * high)[..., None]
        case = ((_band(u, edges[0], edges[1], fine) + _band(u, edges[2], edges[3], fine)) * high)[..., None]
        trim = np.array(room.trim, dtype=np.float32)
        colour = colour * (1 - leaf - case) + leaf * trim * np.float32(0.55 if room.seed % 2 else 0.92) + case * trim
        for edge in edges:
            line = 0.3 * np.exp(-(((u - edge - 2) / np.maximum(fine, 2.5)) ** 2)) * high
            colour = colour * (1 - line)[..., None]
    return np.asarray(colour)


def _floor(x: Array, z: Array, fine: Array, room: Room) -> Array:
    base = np.array(room.floor_colour, dtype=np.float32)
    soft = np.maximum(fine * 3, 1)
    tone = np.ones_like(x)
    if room.floor == "boards":
        board = np.floor(x / 180 + 100)
        tone = (0.92 + 0.08 * np.sin(board * 12.9)) * (1 - 0.5 * _joints(x, 180, 6, soft))
        tone = tone * (1 + 0.04 * np.sin(z / 37 + 4 * np.sin(x / 9 + board)))
    elif room.floor == "tiles":
        tone = 1 - 0.3 * np.maximum(_joints(x, 330, 7, soft), _joints(z, 330, 7, soft * 3))
    elif room.floor == "carpet":
        tone = 1 + 0.06 * np.sin(x * 1.7 + room.seed) * np.sin(z * 1.3) + 0.05 * np.sin(x / 5.1) * np.sin(z / 4.3)
    return np.asarray(base * tone[..., None])


def _lay_sheet(picture: Array, camera: Camera, rays: Array, sheet: Sheet) -> None:
    pixels, _ = camera.project(sheet.corners)
    low = np.maximum(np.floor(pixels.min(0)).astype(int) - 3, 0)
    high = np.ceil(pixels.max(0)).astype(int) + 4
    window = (slice(low[1], high[1]), slice(low[0], high[0]))
    part = rays[window]
    if not part.size:
        return
    right, up = sheet.axes
    middle = np.array(sheet.middle)
    normal = np.cross(right, up)
    reach = ((middle - camera.position) @ normal) / (part @ normal)
    place = camera.position + part * reach[..., None] - middle
    u, v = place @ right, place @ up
    fine = reach / camera.focal
    wide, high_mm = sheet.size
    inside = _band(u, -wide / 2, wide / 2, fine) * _band(v, -high_mm / 2, high_mm / 2, fine)
    shade = np.ones(u.shape)
    if sheet.frame:
        margin = 12.0
        off = np.maximum(np.abs(u) - (wide / 2 - margin), np.abs(v) - (high_mm / 2 - margin))
        shade -= (
            0.85 * np.clip((sheet.frame / 2 - np.abs(off)) / fine + 0.5, 0, 1) * np.minimum(1, sheet.frame / fine + 0.2)
        )
    if sheet.text:
        rows = _joints(v, 9, 2.4, fine) * _band(u, -wide / 2 + 25, wide / 2 - 30, fine)
        rows = rows * _band(v, -high_mm / 2 + 40, high_mm / 2 - 70, fine)
        shade -= 0.5 * rows * (np.sin(u * 1.3 + np.floor(v / 9) * 3) > -0.4)
    if sheet.mark:
        shade -= (
            0.85 * _band(u, -wide / 2 + 22, -wide / 2 + 52, fine) * _band(v, high_mm / 2 - 52, high_mm / 2 - 22, fine)
        )
    shadow = (
        np.clip(0.5 - (np.maximum(np.abs(u - 6) - wide / 2, np.abs(v + 7) - high_mm / 2)) / 16, 0, 1)
        * 0.25
        * (1 - inside)
    )
    mixed = picture[window] * (1 - inside - shadow)[..., None] + (inside * np.clip(shade, 0.03, 1) * 0.86)[..., None]
    picture[window] = mixed


def _hang_string(picture: Array, camera: Camera, x: float, z: float, colour: tuple[float, float, float]) -> None:
    heights = np.linspace(2400, 150, 800)
    pixels, _ = camera.project(np.stack([np.full(800, x), heights, np.full(800, z)], axis=-1))
    order = np.argsort(pixels[:, 1])
    first, last = max(0, int(pixels[:, 1].min()) + 1), min(camera.height - 1, int(pixels[:, 1].max()))
    rows = np.arange(first, last + 1)
    if not len(rows):
        return
    at = np.interp(rows, pixels[order, 1], pixels[order, 0])
    scale = camera.focal / (camera.distance - z)
    width = max(1.6 * scale, 1.1)
    for step in range(-4, 5):
        column = np.floor(at).astype(int) + step
        fits = (column >= 0) & (column < camera.width)
        cover = np.clip((width / 2 - np.abs(column - at)) + 0.5, 0, 1)[fits, None] * 0.9
        where = (rows[fits], column[fits])
        picture[where] = picture[where] * (1 - cover) + np.array(colour) * cover
    _hang_bob(picture, camera.project(np.array([x, 150.0, z]))[0], 14 * scale)


def _hang_bob(picture: Array, bob: Array, size: float) -> None:
    if not (0 <= bob[0] < picture.shape[1] and 0 <= bob[1] < picture.shape[0]):
        return
    low = np.maximum(bob.astype(int) - [40, 10], 0)
    window = (slice(low[1], low[1] + 90), slice(low[0], low[0] + 80))
    y, x = np.meshgrid(np.arange(picture.shape[0])[window[0]], np.arange(picture.shape[1])[window[1]], indexing="ij")
    inside = np.clip((1 - np.hypot((x - bob[0]) / size, (y - bob[1] - 1.5 * size) / (2 * size))) * size + 0.5, 0, 1)[
        ..., None
    ]
    picture[window] = picture[window] * (1 - inside) + np.array([0.55, 0.4, 0.1]) * inside
