"""A standing body from waist to floor as a signed distance field in mm: z up from the floor, y forward, x to the wearer's right.

One model figure (waist 68 cm, hip 94 cm, waist height 104 cm) is a smooth blend of trunk, seat and legs; it is our own and
modelled on no person. Any other figure is the model with its heights stretched, its widths scaled and a few named changes of
shape, solved for until girths and stand-outs match the figure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.spatial import ConvexHull

from fitdiag.drape.figure import BASE, PARTS, Figure

Array = NDArray[np.float64]

CELL_MM = 6.0  # grid spacing on the model; it scales with the figure
ABOVE_WAIST_MM = 120.0  # the body ends this far above the waist
SUPERELLIPSE = 2.15  # exponent of the trunk's sections; 2 is an ellipse
BLENDS_MM = {"crotch": 35.0, "seat": 25.0, "legs": 20.0}  # blend widths between the parts
GIRTH_ERROR_MM = 0.5
LEG_GIRTH_AT_MM = {"thigh": 720.0, "knee": 470.0, "calf": 320.0, "ankle": 80.0}  # on the model
_TRUNK_Z = np.array([600, 700, 740, 770, 800, 834, 860, 900, 940, 980, 1010, 1040, 1070, 1120.0])
_TRUNK = {  # half width, depth in front of the centre, depth behind it
    "side": PchipInterpolator(_TRUNK_Z, [158, 164, 168, 171, 173, 173, 171, 166, 158, 144, 132, 126, 129, 135.0]),
    "front": PchipInterpolator(_TRUNK_Z, [50, 56, 62, 70, 83, 95, 102, 107, 107, 101, 94, 91, 93, 96.0]),
    "back": PchipInterpolator(_TRUNK_Z, [70, 74, 82, 92, 104, 114, 118, 116, 109, 99, 92, 89, 90, 92.0]),
}
_LEG_Z = np.array([-50, 80, 200, 320, 430, 470, 520, 600, 680, 740, 780, 840.0])
_LEG = {  # half width, half depth, and x and y of the leg's centre
    "side": PchipInterpolator(_LEG_Z, [36, 35, 46, 55, 52, 55, 60, 69, 77, 80, 79, 70.0]),
    "depth": PchipInterpolator(_LEG_Z, [39, 38, 50, 59, 56, 59, 65, 76, 84, 89, 90, 80.0]),
    "x": PchipInterpolator(_LEG_Z, [92, 92, 92, 91, 90, 90, 90, 90, 91, 92, 92, 90.0]),
    "y": PchipInterpolator(_LEG_Z, [-32, -32, -30, -26, -12, -9, -8, -7, -8, -10, -10, -5.0]),
}
_CROTCH_MM = 776.0
HIGHEST_CROTCH_MM = 792.0  # on the model; any higher and the trunk would end above the seat


@dataclass(frozen=True)
class Shape:
    """How a figure differs from the model, in model mm; widths are the model's times `scale`."""

    scale: float = 1.0
    wide: float = 1.0  # width factor at the hip
    waist: float = 1.0  # width and depth factor at the waist
    seat: float = 6.0  # fullness over the model's
    seat_level: float = 0.0
    abdomen: float = 0.0
    crotch: float = _CROTCH_MM
    thigh: float = 0.0


class _Level:
    """Cross-sections of a figure at model heights `z`, mm: the trunk's forward offset, widening, half widths and depths, and the
    leg's half width, half depth and centre."""

    def __init__(self, model: Model, z: Array) -> None:
        shape, figure = model.shape, model.figure
        self.z, self.forward = z, model._forward(z)
        self.wide = 1.0 + (shape.wide - 1.0) * np.clip((z - 500.0) / 260.0, 0, 1) * np.clip((1040.0 - z) / 180.0, 0, 1)
        self.deeper = 1.0 + figure.deeper / 222.0 * _bump(z, 870.0, 130.0)
        upper, trunk_z = np.clip((z - 860.0) / 180.0, 0, 1), np.clip(z, _TRUNK_Z[0], _TRUNK_Z[-1])
        upper = upper * upper * (3 - 2 * upper)
        taper = (1 - upper) + shape.waist * upper
        self.side, front, back = (_TRUNK[name](trunk_z) * taper for name in ("side", "front", "back"))
        self.front = front + shape.abdomen * _bump(z, 920.0 + figure.abdomen_level, 55.0)
        seat = 0.55 * shape.seat * _bump(z, 840.0 + shape.seat_level, 65.0)
        self.back = back + seat - figure.hollow * _bump(z, 1000.0, 50.0)
        low = np.clip(z, _LEG_Z[0], _LEG_Z[-1])
        girth, full = model._leg(low), _bump(low, 700.0, 120.0)
        sideways, fore_aft = figure.outer_thigh + figure.inner_thigh, figure.front_thigh + figure.back_thigh
        self.leg_side = _LEG["side"](low) * girth + (0.5 * shape.thigh + 0.5 * sideways) * full
        self.leg_deep = _LEG["depth"](low) * girth + (shape.thigh + 0.5 * fore_aft) * full
        moved = (0.5 * shape.thigh + 0.5 * (figure.outer_thigh - figure.inner_thigh)) * full
        self.leg_x = _LEG["x"](low) + moved + _apart(figure, low)
        self.leg_y = _LEG["y"](low) + 0.5 * (figure.front_thigh - figure.back_thigh) * full


class Model:
    """The implicit surface of a figure: negative inside, positive outside, close to the distance in mm near the skin."""

    def __init__(self, figure: Figure, shape: Shape) -> None:
        self.figure, self.shape = figure, shape
        floor, above = -400.0, figure.waist_height + 400.0
        client = [floor, 0.0, figure.knee_height, figure.waist_height - figure.waist_to_hip, figure.waist_height, above]
        waist = BASE.waist_height
        model = [floor, 0.0, BASE.knee_height, waist - BASE.waist_to_hip, waist, waist + 400.0]
        self._to_model, self._to_client = PchipInterpolator(client, model), PchipInterpolator(model, client)
        self._forward = PchipInterpolator(
            [floor, 80.0, BASE.knee_height, 834.0, BASE.waist_height, 1500.0],
            np.array([0, 0, 0.5, 1, 0.4, 0.4]) * figure.hips_forward
            + np.array([0, 0, -1, 0, 0, 0]) * figure.knees_back,
        )
        legs = [floor, *(LEG_GIRTH_AT_MM[part] for part in ("ankle", "calf", "knee", "thigh")), 900.0]
        own = {"ankle": figure.ankle, "calf": figure.calf, "knee": figure.knee}
        ratios = [mm / shape.scale / _ellipse_girth(LEG_GIRTH_AT_MM[part]) for part, mm in own.items()]
        self._leg = PchipInterpolator(legs, [ratios[0], *ratios, 1.0, 1.0])

    def at(self, x: Array, y: Array, z: Array) -> Array:
        """The field at points in mm; x, y and z may have any shapes that broadcast."""
        figure, shape = self.figure, self.shape
        height = np.asarray(self._to_model(z))
        if figure.lopsided:
            side = np.clip(x / (160.0 * shape.scale), -1.0, 1.0)
            trunk = np.interp(height, [470.0, 760.0, 834.0, 1040.0], [0.0, 0.7, 1.0, 1.0])
            leg = np.interp(height, [0.0, 470.0, 776.0], [0.0, 0.6, 1.0])
            height = height - 0.5 * side * (figure.hip_higher * trunk + figure.leg_longer * leg)
            x = x / (1.0 + np.sign(x) * figure.hip_fuller / (320.0 * shape.scale) * _bump(height, 834.0, 90.0))
        return self._at_level(x, y, _Level(self, height))

    def _at_level(self, x: Array, y: Array, level: _Level) -> Array:
        """The field at points in mm on precomputed sections; the parts are evaluated in model mm with x >= 0."""
        shape, z = self.shape, level.z
        x, y = np.abs(x) / shape.scale, (y - level.forward) / shape.scale
        x, y = x / level.wide, y / level.deeper
        side, depth = level.side, np.where(y > 0, level.front, level.back)
        ring = (np.abs(x / side) ** SUPERELLIPSE + np.abs(y / depth) ** SUPERELLIPSE) ** (1 / SUPERELLIPSE)
        trunk = (ring - 1) * np.minimum(side, depth)
        under = shape.crotch + 0.5 * (np.maximum(y + 10, 0) / 10) ** 1.6 + 0.5 * (np.maximum(-10 - y, 0) / 10) ** 1.5
        trunk = -_blend(-trunk, -(under - z), BLENDS_MM["crotch"])
        radii = (80.0, 63.0 + 0.25 * shape.seat, 83.0)
        seat_y, seat_z = -(66.0 + 0.75 * shape.seat), 830.0 + shape.seat_level
        seat = np.sqrt(((x - 66) / radii[0]) ** 2 + ((y - seat_y) / radii[1]) ** 2 + ((z - seat_z) / radii[2]) ** 2) - 1
        around = np.sqrt(((x - level.leg_x) / level.leg_side) ** 2 + ((y - level.leg_y) / level.leg_deep) ** 2) - 1
        leg = np.maximum(around * np.minimum(level.leg_side, level.leg_deep), z - 800.0)
        field = _blend(_blend(trunk, seat * min(radii), BLENDS_MM["seat"]), leg, BLENDS_MM["legs"])
        return np.asarray(field * shape.scale)

    def leg_axis(self, heights: Array) -> tuple[Array, Array]:
        """Centre of the right leg, x and y in mm, at heights above the floor."""
        z = np.asarray(self._to_model(heights))
        low = np.clip(z, _LEG_Z[0], _LEG_Z[-1])
        x = (_LEG["x"](low) + _apart(self.figure, low)) * self.shape.scale
        return np.asarray(x), np.asarray(_LEG["y"](low) * self.shape.scale + self._forward(z))

    # -- tape measurements on it ---------------------------------------------------------------------------------

    def section(self, model_z: float, count: int = 240) -> Array:
        """The right half of the trunk's cross-section at a model height, from centre back to centre front, (count, 2) in mm."""
        angle = np.linspace(-np.pi / 2, np.pi / 2, count)
        across, forward = np.cos(angle), np.sin(angle)
        z, middle = np.full(1, float(self._to_client(model_z))), float(self._forward(model_z))
        # the section does not depend on the radius
        level = None if self.figure.lopsided else _Level(self, np.asarray(self._to_model(z)))
        low, high = np.zeros(count), np.full(count, 400.0 * self.shape.scale)
        for _ in range(24):
            radius = 0.5 * (low + high)
            x, y = radius * across, radius * forward + middle
            inside = (self.at(x, y, z) if level is None else self._at_level(x, y, level)) < 0
            low, high = np.where(inside, radius, low), np.where(inside, high, radius)
        return np.column_stack([low * across, low * forward + middle])

    def girth(self, model_z: float) -> float:
        """Girth of the trunk as a taut tape reads it (perimeter of the convex hull), mm."""
        half = self.section(model_z)
        both = np.concatenate([half, half * [-1.0, 1.0]])
        ring = both[ConvexHull(both).vertices]
        return float(np.hypot(*(np.roll(ring, -1, axis=0) - ring).T).sum())

    def hip_girth(self) -> float:
        """The largest girth near the hip line, mm."""
        level = self.shape.seat_level
        return max(self.girth(z) for z in {820.0, 840.0, 840.0 + level, 860.0 + level})

    def seat_out(self) -> float:
        """How far the fullest seat stands out behind a plumb line from the back waist, mm."""
        heights = np.arange(760.0, 920.0, 20.0) + self.shape.seat_level
        return float(self.section(1040.0)[:, 1].min() - min(self.section(float(z))[:, 1].min() for z in heights))

    def abdomen_out(self) -> float:
        """How far the fullest abdomen stands out in front of a plumb line from the front waist, mm."""
        heights = np.arange(880.0, 1000.0, 20.0) + self.figure.abdomen_level
        return float(max(self.section(float(z))[:, 1].max() for z in heights) - self.section(1040.0)[:, 1].max())

    def crotch_height(self) -> float:
        """Height above the floor of the lowest point of the body between the legs, mm."""
        z = np.linspace(float(self._to_client(640.0)), float(self._to_client(850.0)), 421)
        y = np.linspace(-60, 60, 61)[:, None] * self.shape.scale
        inside = self.at(np.zeros(1), y + self._forward(_CROTCH_MM), z[None]) < 0
        return float(min(z[row.argmax()] for row in inside if row.any()))


def shape_of(figure: Figure) -> Shape:
    """Solve for the shape whose girths, stand-outs and crotch height match the figure's, by fixed-point iteration."""
    scale = figure.hip / BASE.hip
    shape = Shape(scale=scale, seat_level=figure.seat_level, thigh=(figure.thigh / scale - 525.9) / 4.6)
    for _ in range(14):
        model = Model(figure, shape)
        hip, waist = model.hip_girth(), model.girth(1040.0)
        crotch = figure.waist_height - figure.crotch_depth - model.crotch_height()
        errors = [hip - figure.hip, waist - figure.waist, crotch]
        change = {
            "wide": shape.wide * (1 + 1.5 * (figure.hip / hip - 1)),
            "waist": shape.waist * figure.waist / waist,
            "crotch": float(np.clip(shape.crotch + crotch, 660.0, HIGHEST_CROTCH_MM)),
        }
        if figure.seat_out is not None:
            errors.append(model.seat_out() - figure.seat_out)
            change["seat"] = float(np.clip(shape.seat - errors[-1] / scale, -35.0, 60.0))
        if figure.abdomen_out is not None:
            errors.append(model.abdomen_out() - figure.abdomen_out)
            change["abdomen"] = float(np.clip(shape.abdomen - errors[-1] / scale, -15.0, 90.0))
        if max(map(abs, errors)) < GIRTH_ERROR_MM:
            break
        shape = replace(shape, **change)
    return shape


def nudged(figure: Figure, by: Mapping[str, float]) -> Figure:
    """A figure with parts (names of `figure.PARTS`) moved by so many mm from where they are."""
    for part, mm in by.items():
        name, sign = PARTS[part]
        now = getattr(figure, name)
        if now is None:  # not given: as its girths imply
            model = Model(figure, shape_of(figure))
            now = model.seat_out() if name == "seat_out" else model.abdomen_out()
        figure = replace(figure, **{name: now + sign * mm})
    return figure


@dataclass(frozen=True, eq=False)
class Body:
    """A figure as a signed distance grid: `grid[i, j, k]` at `origin + cell * (i, j, k)`, mm; only x >= 0 if `mirrored`."""

    model: Model
    grid: Array
    origin: Array
    cell: float

    @property
    def figure(self) -> Figure:
        return self.model.figure

    @property
    def shape(self) -> Shape:
        return self.model.shape

    @property
    def mirrored(self) -> bool:
        return not self.figure.lopsided

    @cached_property
    def crotch_height(self) -> float:
        return self.model.crotch_height()

    def distance(self, places: Array) -> Array:
        """Signed distance of points (n, 3) from the skin, mm, negative inside; outside the grid the distance to the grid is added."""
        at = self._in_cells(places)
        beyond = at - np.clip(at, 0.0, np.array(self.grid.shape) - 1.0)
        return np.asarray(self._at(at - beyond) + self.cell * np.sqrt((beyond**2).sum(1)))

    def outward(self, places: Array) -> Array:
        """Unit normals (n, 3) pointing away from the skin: the gradient of the distance."""
        at = self._in_cells(places)
        steps = [self._at(at + half) - self._at(at - half) for half in 0.5 * np.eye(3)]
        away = np.stack(steps, 1)
        if self.mirrored:
            away[:, 0] *= np.where(places[:, 0] < 0, -1.0, 1.0)
        return np.asarray(away / (np.linalg.norm(away, axis=1, keepdims=True) + 1e-12))

    def _in_cells(self, places: Array) -> Array:
        if self.mirrored:
            places = np.column_stack([np.abs(places[:, 0]), places[:, 1:]])
        return (places - self.origin) / self.cell

    def _at(self, at: Array) -> Array:
        """Trilinear interpolation in cells of the grid."""
        count = np.array(self.grid.shape)
        low = np.clip(np.floor(at).astype(np.int64), 0, count - 2)
        u, v, w = (at - low).T
        over_x, over_y = self.grid.shape[1] * self.grid.shape[2], self.grid.shape[2]
        first, flat = low @ np.array([over_x, over_y, 1]), self.grid.ravel()
        upright = [
            (1 - w) * flat[first + shift] + w * flat[first + shift + 1]
            for shift in (0, over_y, over_x, over_x + over_y)
        ]
        low_x, high_x = ((1 - v) * upright[k] + v * upright[k + 1] for k in (0, 2))
        return np.asarray((1 - u) * low_x + u * high_x)

    def outline(self, height: float, off: float, count: int = 181) -> Array:
        """The right half of the cross-section at a height, offset by `off` mm, from centre front to centre back, (count, 3) in mm."""
        curve = self.model.section(float(self.model._to_model(height)), count)[::-1]
        middle = np.array([0.0, 0.5 * (curve[0, 1] + curve[-1, 1])])
        away = curve - middle
        curve = curve + off * away / np.hypot(*away.T)[:, None]
        curve[[0, -1], 0] = 0.0
        return np.column_stack([curve, np.full(count, height)])


def body_of(figure: Figure) -> Body:
    """The body of a figure; only its right half, mirrored, unless the sides differ."""
    return built(figure, shape_of(figure))


def built(figure: Figure, shape: Shape) -> Body:
    """The distance grid of a shape."""
    model, cell = Model(figure, shape), CELL_MM * max(1.0, shape.scale)
    wide = shape.scale * (284.0 + 200.0 * max(0.0, shape.wide - 1.0) + max(figure.knees_apart, figure.feet_apart, 0.0))
    deep = shape.scale * np.array([-240.0 - max(0.0, shape.seat - 20.0), 192.0 + max(0.0, shape.abdomen)])
    deep += np.array([min(0.0, figure.hips_forward, -figure.knees_back), max(0.0, figure.hips_forward)])
    if shape.waist > 1.0:
        deep = deep * (1.0 + 0.5 * (shape.waist - 1.0))
    low = np.array([-wide if figure.lopsided else -40.0, deep[0], -100.0])
    high = np.array([wide, deep[1], figure.waist_height + ABOVE_WAIST_MM])
    axes = [np.arange(a, b + cell, cell) for a, b in zip(low, high, strict=True)]
    field = model.at(axes[0][:, None, None], axes[1][None, :, None], axes[2][None, None, :])
    slope = np.sqrt(sum(part**2 for part in np.gradient(field, cell)))
    grid = field / np.maximum(slope, 0.35)
    return Body(model, grid, low, cell)


def _ellipse_girth(z: float) -> float:
    """Perimeter of the model's leg at a height (Ramanujan's second formula)."""
    a, b = float(_LEG["side"](z)), float(_LEG["depth"](z))
    h = ((a - b) / (a + b)) ** 2
    return float(np.pi * (a + b) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h))))


def _blend(a: Array, b: Array, width: float) -> Array:
    """Polynomial smooth minimum of two fields, blended over `width` mm."""
    share = np.clip(0.5 + 0.5 * (b - a) / width, 0, 1)
    return np.asarray(b * (1 - share) + a * share - width * share * (1 - share))


def _apart(figure: Figure, z: Array) -> Array:
    """Sideways offset of the leg's centre due to the stance, at model heights."""
    return np.asarray(figure.feet_apart * (770.0 - z) / 770.0 + figure.knees_apart * _bump(z, 470.0, 160.0))


def _bump(z: Array, middle: float, width: float) -> Array:
    return np.asarray(np.exp(-(((z - middle) / width) ** 2)))
