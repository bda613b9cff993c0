"""A seeded maker of test pictures with known answers: a body in trousers with drawn balance lines, seen by an exact pinhole.

It shares nothing with the measuring code. The body is no ellipse: a super-ellipse with another depth in front than behind, on
some bodies a partly flat back, a cleft, and two legs below. World: X to the picture's right, Y up, Z towards the lens, the
floor at Y = 0 and the body's middle (its side-seam plane in back and front views) at Z = 0. Body: u to the wearer's right, w
backwards; a place on the cloth is (side, q, y): side -1 wearer's left, +1 right, q 0 centre back, 90 side seam, 180 centre front
(on a leg: 0 and 180 inside leg, 45 middle of its back, 135 middle of its front). Pixels: centre of the top left one is (0, 0).
Lines are painted by their distance from the exactly projected course, so that the truth is the middle of the painted line.
"""

from __future__ import annotations

import functools
import io
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from PIL import Image, ImageDraw, ImageFilter

TURN = {"back": 0.0, "front": 180.0, "left": 90.0, "right": -90.0}
DIAGONAL_35MM = 43.2667
Points = np.ndarray
Pair = tuple[float, float]
Colour = tuple[int, int, int]


@dataclass(frozen=True)
class Body:
    """Heights over the floor and half sizes, mm."""

    waist: float
    hip: float
    crotch: float
    split: float  # below the crotch line: here the seat begins to turn under
    knee: float
    hem: float
    half_width: float
    waist_ratio: float
    back: float
    front: float
    back_power: float
    front_power: float
    flat: float  # part of the back depth above which the back is flat; 2 = not flat
    cleft: float
    knee_half: float
    hem_half: float
    half_gap: float  # half the gap between the knees
    leg_shift: float  # how far the legs stand behind the side-seam plane


@dataclass(frozen=True)
class Line:
    """A drawn line round the body (or one leg). Tilt: positive = the WEARER's right is higher; the truth turns it to the view."""

    name: str
    height: float
    tilt: float = 0.0
    drop: float = 0.0  # towards the centre back
    power: float = 1.0
    front_drop: float = 0.0
    v_depth: float = 0.0
    v_left: float = 50.0  # half widths, wearer's left and right
    v_right: float = 50.0


@dataclass(frozen=True)
class Grain:
    """A drawn grain line: distance from the middle plane at hip height, lean outwards going up, bow, top and bottom heights."""

    name: str
    out: float
    lean: float
    bow: float
    top: float
    bottom: float


@dataclass(frozen=True)
class Scene:
    """Everything that fixes a picture."""

    seed: int
    view: str
    body: Body
    lines: tuple[Line, ...]
    grains: tuple[Grain, ...]
    lens_height_mm: float
    distance_mm: float  # lens to the plane Z = 0
    focal_35mm: float
    pitch_deg: float  # positive = the lens looks down
    roll_deg: float
    body_yaw_deg: float  # positive = the picture-right side turned away from the lens
    body_x_mm: float
    width: int
    height: int
    cloth: Colour
    line_colour: Colour
    grain_colour: Colour
    opacity: float
    line_width_mm: float
    dashed: bool
    folds: float  # brightness amplitude, 0 = none
    clutter: int
    wall: Colour
    skin: Colour
    top: Colour  # what is worn, or skin, above the waist edge
    light: float  # from the picture's left (negative) or right
    arm: str  # "" | "left" | "right" of the PICTURE: an arm over that side edge
    string_side: (
        int  # the plumb string stands at the picture's left (-1) or right (+1), 0 = none; the sheet at the other
    )
    door_edges: int  # 0 to 2
    sheet: bool
    sheet_behind_mm: float
    wall_z: float
    noise: float
    blur: float
    motion: float
    motion_deg: float
    exposure: float
    jpeg: int  # 0 = no JPEG round-trip


@dataclass(frozen=True)
class LineTruth:
    """What is true of one line in this view; angles and heights as in a frontal view without perspective.

    drop_mm and the centre in end_drops_mm leave the V out, whole_drop_mm has it in. Side view: ends are front and back edge, with
    the V if it is there. slopes_deg: by which the line rises over the first 3 cm along the cloth, left and right of its middle;
    lasts_deg: over 6 cm.
    """

    name: str
    tilt_deg: float
    drop_mm: float
    v_depth_mm: float
    v_angle_deg: Pair
    pixels: Points
    ends: tuple[Pair, Pair, Pair]
    height_mm: float  # smooth line at the centre seam
    end_drops_mm: Pair
    whole_drop_mm: float
    slopes_deg: Pair
    lasts_deg: Pair


@dataclass(frozen=True)
class GrainTruth:
    name: str
    tilt_deg: float
    distance_mm: dict[str, float]
    pixels: Points
    ends: tuple[Pair, Pair, Pair]


@dataclass(frozen=True)
class Truth:
    view: str
    lines: dict[str, LineTruth]
    grains: dict[str, GrainTruth]
    centre_seam: Points
    verticals: list[tuple[Pair, Pair]]
    sheet: list[Pair] | None
    behind_mm: float
    widths_mm: dict[str, float]
    depths_mm: dict[str, float]
    eps_deg: dict[str, float]
    hidden: list[str]
    focal_px: float


@dataclass(frozen=True)
class Rendered:
    scene: Scene
    pixels: Points
    truth: Truth


# --- the body -------------------------------------------------------------------------------------------------------------

GRID = np.arange(0.0, 1602.0, 2.0)


def _smooth_step(t: Points) -> Points:
    t = np.clip(t, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def _profile(heights: list[float], values: list[float], sd: float = 18.0) -> Points:
    """A smooth course through (about) the values at these heights, on GRID."""
    table = np.interp(GRID, heights, values)
    reach = int(3 * sd / 2)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * 2.0 / sd) ** 2)
    return np.convolve(np.pad(table, reach, mode="edge"), kernel / kernel.sum(), mode="valid")


@functools.lru_cache(maxsize=64)
def _tables(body: Body) -> dict[str, Points]:
    b, under = body, body.split - 90.0
    thigh = (b.back + b.front) / 2 * 0.84
    ankle = min(b.hem_half, 50.0)
    hem, knee, full, gap = b.hem, b.knee, b.half_width, b.half_gap
    places = [0, hem - 30, hem, knee, under, b.crotch, b.hip, b.waist, b.waist + 160, 1600]
    outer = [gap * 1.5 + 2 * ankle, gap * 1.4 + 2 * ankle, gap + 2 * b.hem_half, gap + 2 * b.knee_half, full * 0.96]
    half = _profile(places, [*outer, full * 0.99, full, full * b.waist_ratio, full * 0.9, 200])
    shares = np.array([0.7, 0.86, 1.0, 0.7]) * b.back
    back = _profile([0, under, b.crotch, b.hip, b.waist, 1600], [70, *shares, 100], 28.0)
    front = _profile([0, under, b.hip, b.waist, 1600], [70, b.front * 0.8, b.front, b.front * 0.92, 110], 28.0)
    leg = _profile([0, hem - 30, hem, knee, under], [ankle, ankle, b.hem_half, b.knee_half * 1.03, thigh])
    split = _smooth_step((b.split - GRID) / 90.0)
    apart = gap * _smooth_step((under - GRID) / (under - knee))
    rise = np.where(GRID > b.hip, (GRID - b.hip) / 70.0, (b.hip - GRID) / 60.0 - 1.0)
    cleft = b.cleft * np.where(GRID > b.hip, _smooth_step(0.75 - rise), 1.0)
    shift = b.leg_shift * _smooth_step((b.split - GRID) / 250.0)
    names = ("half", "back", "front", "leg", "split", "gap", "cleft", "shift")
    return dict(zip(names, (half, back, front, leg, split, apart, cleft, shift), strict=True))


def surface(body: Body, side: Points | float, q: Points, y: Points) -> tuple[Points, Points]:
    """(u, w) of the place (side, q degrees, y) on the cloth."""
    side, q, y = np.broadcast_arrays(np.asarray(side, float), np.asarray(q, float), np.asarray(y, float))
    at = {name: np.interp(y, GRID, table) for name, table in _tables(body).items()}
    behind = q <= 90.0
    turn = np.radians(np.where(behind, q, 180.0 - q))
    share = 2.0 / np.where(behind, body.back_power, body.front_power)
    u = at["half"] * np.sin(turn) ** share
    w = np.where(behind, at["back"], at["front"]) * np.clip(np.cos(turn), 0.0, 1.0) ** share
    if body.flat < 1.0:
        soft, plane = 7.0, body.flat * at["back"]
        w = np.where(behind, -soft * np.logaddexp(-w / soft, -plane / soft), w)
    w = np.where(behind, w - at["cleft"] * np.exp(-((u / 19.0) ** 2)), w)
    alpha = 2.0 * turn - math.pi / 2
    middle, reach = (at["half"] + at["gap"]) / 2, (at["half"] - at["gap"]) / 2
    u = (1 - at["split"]) * u + at["split"] * (middle + reach * np.sin(alpha))
    w = (1 - at["split"]) * w + at["split"] * at["leg"] * np.cos(alpha)
    w = w * (1 + 0.55 * at["split"] * (1 - at["split"]))  # else the outline would be notched under the seat
    return side * u, np.where(behind, w, -w) + at["shift"]


def _quarter(steps: int) -> Points:
    """q from 0 to 90, close together at both ends."""
    return 90.0 * _smooth_step(np.linspace(0.0, 1.0, steps + 1))


def _is_knee(line: Line) -> bool:
    return line.name.startswith("knee")


def _course(body: Body, line: Line, side: Points | float, q: Points, with_v: bool = True) -> Points:
    """Height of the line at (side, q)."""
    q = np.asarray(q, float)
    y = np.full(np.broadcast(side, q).shape, line.height)
    middle = 0.0
    for _ in range(8):
        u, _w = surface(body, side, q, y)
        if _is_knee(line):
            middle = side * np.interp(y, GRID, (_tables(body)["half"] + _tables(body)["gap"]) / 2)
            towards_back = np.cos(np.radians(np.where(q <= 90, 2 * q - 90, 270 - 2 * q)))
        else:
            towards_back = np.cos(np.radians(np.where(q <= 90, q, 180 - q)))
        towards_back = np.clip(towards_back, 0.0, 1.0)
        sag = np.where(q <= 90, line.drop * towards_back**line.power, line.front_drop * towards_back)
        y = line.height + (u - middle) * math.tan(math.radians(line.tilt)) - sag
        if with_v and line.v_depth:
            reach = np.where(u < 0, line.v_left, line.v_right)
            y = y - np.where(q <= 90, line.v_depth * np.clip(1 - np.abs(u) / reach, 0, 1), 0.0)
    return y


# --- the camera -----------------------------------------------------------------------------------------------------------


def focal_px(scene: Scene) -> float:
    return scene.focal_35mm / DIAGONAL_35MM * math.hypot(scene.width, scene.height)


def to_world(scene: Scene, u: Points, y: Points, w: Points, yaw: bool = True) -> Points:
    """Body places to world points (N, 3); without yaw: as the body would stand square to the view, in the middle."""
    beta = math.radians(TURN[scene.view] + (scene.body_yaw_deg if yaw else 0.0))
    x = u * math.cos(beta) + w * math.sin(beta) + (scene.body_x_mm if yaw else 0.0)
    return np.stack(np.broadcast_arrays(x, y, w * math.cos(beta) - u * math.sin(beta)), axis=-1)


def lens(scene: Scene) -> Points:
    return np.array([0.0, scene.lens_height_mm, scene.distance_mm])


def project(scene: Scene, world: Points) -> Points:
    """World points (..., 3) to pixels (..., 2)."""
    p, r = math.radians(scene.pitch_deg), math.radians(scene.roll_deg)
    right, down = np.array([1.0, 0.0, 0.0]), np.array([0.0, -math.cos(p), math.sin(p)])
    ahead = np.array([0.0, -math.sin(p), -math.cos(p)])
    right, down = right * math.cos(r) + down * math.sin(r), down * math.cos(r) - right * math.sin(r)
    ray = np.asarray(world, float) - lens(scene)
    flat = np.stack([ray @ right, ray @ down], axis=-1) / (ray @ ahead)[..., None]
    return flat * focal_px(scene) + np.array([(scene.width - 1) / 2, (scene.height - 1) / 2])


def unproject(scene: Scene, x: float, height: float, z: float) -> Points:
    """The world point at this height and depth that is seen in picture column x."""
    low, high = -6000.0, 6000.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if project(scene, np.array([middle, height, z]))[0] < x else (low, middle)
    return np.array([low, height, z])


# --- the truth ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Track:
    pixels: Points  # (N, 2), dense
    half_width: Points  # px


def _pair(point: Points) -> Pair:
    return float(point[0]), float(point[1])


def _unit(vectors: Points) -> Points:
    return vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-12)


def _even(points: Points, step: float) -> tuple[Points, Points]:
    """Arc positions at which to resample points (N, 2) every `step`, and the arc position of each point."""
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    return np.linspace(0.0, arc[-1], max(2, round(arc[-1] / step) + 1)), arc


def _thick(scene: Scene, points: Points, across: Points) -> _Track:
    """Projects a course and its drawn width; across = unit vectors on the cloth across the line."""
    pixels = project(scene, points)
    half = scene.line_width_mm / 2
    wide = project(scene, points + across * half) - project(scene, points - across * half)
    along = _unit(np.gradient(pixels, axis=0))
    thickness = np.abs(wide[:, 0] * along[:, 1] - wide[:, 1] * along[:, 0]) / 2
    even, arc = _even(pixels, 1.0)
    new = np.stack([np.interp(even, arc, pixels[:, 0]), np.interp(even, arc, pixels[:, 1])], axis=1)
    return _Track(new, np.interp(even, arc, thickness))


def _ring(scene: Scene, line: Line) -> tuple[Points, Points]:
    """(side, q) round the body or leg, the centre of this view in the middle of the arrays."""
    quarter = _quarter(600)
    loop = np.concatenate([quarter, 180.0 - quarter[-2::-1]])  # 0 to 180
    if _is_knee(line):
        q = loop[:-1]  # already once round the leg, from inside leg to inside leg
        side = np.full(len(q), -1.0 if line.name.endswith("left") else 1.0)
        centre = {"back": 45.0, "front": 135.0}.get(scene.view, 90.0)
    else:
        q = np.concatenate([loop[:-1], loop[-1:0:-1]])
        side = np.concatenate([np.ones(len(loop) - 1), -np.ones(len(loop) - 1)])
        centre = {"back": 0.0, "front": 180.0}.get(scene.view, 90.0)
    off = np.abs(q - centre) + np.where(side * _side_sign(scene) < 0, 1000.0, 0.0)
    shift = len(q) // 2 - int(np.argmin(off))
    return np.roll(side, shift), np.roll(q, shift)


def _seen_outwards(order: Points, columns: Points, facing: Points) -> Points:
    """The samples the lens sees from the centre outwards: turned to it, and not behind what came before."""
    outwards = np.sign(columns[order[len(order) // 4]] - columns[order[0]])
    reach = np.where(facing[order] > 0, columns[order] * outwards, -np.inf)
    before = np.concatenate([[-np.inf], np.maximum.accumulate(reach)[:-1]])
    return order[reach > before]


def _rises(points: Points, length: float) -> float:
    """Degrees by which a course of points (x, height, z) rises over its first millimetres along the cloth."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points[:, [0, 2]], axis=0), axis=1))])
    near = along <= length
    return math.degrees(math.atan(float(np.polyfit(along[near], points[near, 1], 1)[0])))


def _line_truth(scene: Scene, line: Line) -> tuple[LineTruth, _Track, Points, float, float]:
    body = scene.body
    side, q = _ring(scene, line)
    y = _course(body, line, side, q)
    smooth = _course(body, line, side, q, with_v=False)
    u, w = surface(body, side, q, y)
    above, below = surface(body, side, q, y + 1.0), surface(body, side, q, y - 1.0)
    points = to_world(scene, u, y, w)
    up = to_world(scene, above[0], y + 1, above[1]) - to_world(scene, below[0], y - 1, below[1])
    normal = np.cross(np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0), up)
    facing = np.sum(normal * (lens(scene) - points), axis=1)
    middle = len(q) // 2
    facing = facing * np.sign(facing[middle])
    columns = project(scene, points)[:, 0]
    arms = [_seen_outwards(np.arange(middle, *stop), columns, facing) for stop in ((-1, -1), (len(q),))]
    rim = []
    for arm, step in zip(arms, (-1, 1), strict=True):
        i, j = arm[-1], arm[-1] + step
        rim.append(points[i] + (points[j] - points[i]) * max(0.0, facing[i] / (facing[i] - min(facing[j], 0.0))))
    order = np.concatenate([arms[0][:0:-1], arms[1]])
    course = np.concatenate([[rim[0]], points[order], [rim[1]]])
    across = _unit(up[np.concatenate([order[:1], order, order[-1:]])])
    flat = to_world(scene, u, y, w, yaw=False)
    ends = [int(np.argmin(flat[:, 0])), int(np.argmax(flat[:, 0]))]
    if project(scene, course[:1])[0, 0] > project(scene, course[-1:])[0, 0]:
        course, across = course[::-1], across[::-1]
    track = _thick(scene, course, across)
    drops = tuple(float(smooth[middle] - y[i]) for i in ends)
    in_view = scene.view == "back" and line.v_depth != 0
    angles = [
        math.degrees(math.atan2(line.v_depth, reach)) if in_view else 0.0 for reach in (line.v_left, line.v_right)
    ]
    beside, lasts = ([_rises(flat[middle::step], length) for step in (-1, 1)] for length in (30.0, 60.0))
    left_first = flat[middle - 5, 0] < flat[middle + 5, 0]
    truth = LineTruth(
        name=line.name,
        tilt_deg=math.degrees(math.atan2(flat[ends[1], 1] - flat[ends[0], 1], flat[ends[1], 0] - flat[ends[0], 0])),
        drop_mm=-sum(drops) / 2,
        v_depth_mm=line.v_depth if in_view else 0.0,
        v_angle_deg=(angles[0], angles[1]),
        pixels=track.pixels,
        ends=(_pair(track.pixels[0]), _pair(project(scene, points[middle])), _pair(track.pixels[-1])),
        height_mm=float(smooth[middle]),
        end_drops_mm=(drops[0], drops[1]),
        whole_drop_mm=float(np.mean(y[ends]) - y[middle]),
        slopes_deg=(beside[0], beside[1]) if left_first else (beside[1], beside[0]),
        lasts_deg=(lasts[0], lasts[1]) if left_first else (lasts[1], lasts[0]),
    )
    turned = to_world(scene, u, y, w)
    return truth, track, course, float(np.ptp(turned[:, 0])), float(flat[middle, 2])


def _grain_truth(scene: Scene, grain: Grain) -> tuple[GrainTruth, _Track]:
    body, side = scene.body, -1.0 if grain.name.endswith("left") else 1.0
    quarter = _quarter(300)
    places = quarter if scene.view == "back" else 180.0 - quarter

    def q_at(y: Points) -> Points:
        part = (grain.top - y) / (grain.top - grain.bottom)
        out = grain.out + (y - body.hip) * math.tan(math.radians(grain.lean)) + 4 * grain.bow * part * (1 - part)
        grid_u = np.abs(surface(body, side, places[None, :], y[:, None])[0])
        return np.array([np.interp(o, row, places) for o, row in zip(out, grid_u, strict=True)])

    y = np.linspace(grain.top, grain.bottom, 400)
    q = q_at(y)
    u, w = surface(body, side, q, y)
    more, less = surface(body, side, q + 0.02, y), surface(body, side, q - 0.02, y)
    flat_y = np.zeros_like(y)
    across = _unit(to_world(scene, more[0] - less[0], flat_y, more[1] - less[1]) - to_world(scene, *np.zeros((3, 1))))
    track = _thick(scene, to_world(scene, u, y, w), across)
    distance = {}
    for line in scene.lines:
        if not _is_knee(line):
            level = np.array([line.height])
            for _ in range(12):
                level = _course(body, line, side, q_at(level))
            end = float(q_at(level)[0])
            start = places[0]
            path = np.stack(surface(body, side, start + (end - start) * np.linspace(0, 1, 1500) ** 2, level[0]), axis=1)
            distance[line.name] = float(np.sum(np.linalg.norm(np.diff(path, axis=0), axis=1)))
    flat = to_world(scene, u, y, w, yaw=False)
    truth = GrainTruth(
        name=grain.name,
        tilt_deg=math.degrees(math.atan2(flat[0, 0] - flat[-1, 0], flat[0, 1] - flat[-1, 1])),
        distance_mm=distance,
        pixels=track.pixels,
        ends=(_pair(track.pixels[0]), _pair(track.pixels[len(track.pixels) // 2]), _pair(track.pixels[-1])),
    )
    return truth, track


def _inside(scene: Scene, points: Points, margin: float = 12.0) -> bool:
    limits = np.array([scene.width - 1 - margin, scene.height - 1 - margin])
    return bool(np.all(points >= margin) and np.all(points <= limits))


def _upright(scene: Scene, x: float, z: float) -> tuple[Pair, Pair]:
    """A standing line seen in column x of the picture's middle row (about), cut at the floor and at the frame."""
    foot = unproject(scene, x, scene.lens_height_mm, z)
    heights = np.linspace(2600.0, 30.0, 1500)
    seen = project(scene, np.stack(np.broadcast_arrays(foot[0], heights, z), axis=1))
    seen = seen[(seen[:, 1] > 8) & (seen[:, 1] < scene.height - 9)]
    return _pair(seen[0]), _pair(seen[-1])


def _in_frame(scene: Scene, ends: tuple[Pair, Pair]) -> tuple[Pair, Pair] | None:
    """The part of an upright inside the picture, if it is long enough to use."""
    along = np.linspace(ends[0], ends[1], 3000)
    along = along[(along[:, 0] > 8) & (along[:, 0] < scene.width - 9)]
    if len(along) < 2 or along[-1, 1] - along[0, 1] < 0.35 * scene.height:
        return None
    return _pair(along[0]), _pair(along[-1])


def _arm_px(scene: Scene) -> tuple[Points, float] | None:
    if not scene.arm:
        return None
    sign, at = (-1 if scene.arm == "left" else 1), scene.body
    edge = scene.body_x_mm + sign * at.half_width
    z = 60.0
    bones = [
        [edge + sign * 70, at.waist + 330, -10],
        [edge + sign * 55, at.waist + 60, z - 20],
        [edge - sign * 5, at.crotch - 20, z],
    ]
    return project(scene, np.array(bones)), 36.0 * focal_px(scene) / scene.distance_mm


def _segment_distance(points: Points, a: Points, b: Points) -> Points:
    run = b - a
    part = np.clip(((points - a) @ run) / max(float(run @ run), 1e-12), 0.0, 1.0)
    return np.linalg.norm(points - a - part[..., None] * run, axis=-1)


def _arm_covers(scene: Scene, points: Points) -> Points:
    arm = _arm_px(scene)
    if arm is None:
        return np.zeros(len(points), bool)
    bones, radius = arm
    return np.minimum(_segment_distance(points, *bones[:2]), _segment_distance(points, *bones[1:])) < radius + 1.0


def _side_sign(scene: Scene) -> int:
    return {"left": -1, "right": 1}.get(scene.view, 0)


def _layout(scene: Scene) -> tuple[Truth, dict[str, _Track], list[tuple[Pair, Pair]]]:
    """The truth, the tracks to paint, and the uprights: [door edges ..., string]."""
    near = _side_sign(scene)
    lines, tracks, widths, depths, eps, hidden = {}, {}, {}, {}, {}, []
    for line in scene.lines:
        if near and _is_knee(line) and line.name != ("knee-left" if near < 0 else "knee-right"):
            continue
        truth, track, _course3, width, depth = _line_truth(scene, line)
        tracks[line.name] = track
        if not _inside(scene, truth.pixels):
            continue
        covered = _arm_covers(scene, truth.pixels)
        hidden += [f"{line.name}:{word}" for word, at in (("left", 0), ("right", -1)) if covered[at]]
        lines[line.name] = replace(truth, pixels=truth.pixels[~covered])
        widths[line.name], depths[line.name] = width, depth
        eps[line.name] = math.degrees(
            math.atan2(scene.lens_height_mm - truth.height_mm - truth.drop_mm, scene.distance_mm)
        )
    grains = {}
    for grain in scene.grains if not near else ():
        grain_truth, tracks[grain.name] = _grain_truth(scene, grain)
        if _inside(scene, grain_truth.pixels) and not _arm_covers(scene, grain_truth.pixels).any():
            grains[grain.name] = grain_truth
    body = scene.body
    y = np.linspace(body.waist - 5, body.hem + 20 if near else body.split, 700)
    u, w = surface(body, near or 1.0, np.full_like(y, 90.0 if near else 180.0 if scene.view == "front" else 0.0), y)
    u = u if near else np.zeros_like(u)
    sideways = to_world(scene, np.array([0.0 if near else 1.0]), np.zeros(1), np.array([1.0 if near else 0.0]))
    sideways = sideways - to_world(scene, *np.zeros((3, 1)))
    seam = _thick(scene, to_world(scene, u, y, w), np.repeat(sideways, len(y), axis=0))
    tracks["seam"] = seam
    top_down = seam.pixels[(seam.pixels[:, 1] > 4) & (seam.pixels[:, 1] < scene.height - 5)]
    columns = [(0.065, scene.wall_z), (0.925, scene.wall_z + 130.0)][: scene.door_edges]
    uprights = [_upright(scene, part * scene.width, z) for part, z in columns]
    if scene.string_side:
        uprights.append(_upright(scene, (0.5 + 0.325 * scene.string_side) * scene.width, -40.0))
    verticals = [kept for ends in uprights if (kept := _in_frame(scene, ends)) is not None]
    behind = scene.sheet_behind_mm
    truth_all = Truth(
        scene.view,
        lines,
        grains,
        top_down,
        verticals,
        _sheet_px(scene),
        behind,
        widths,
        depths,
        eps,
        hidden,
        focal_px(scene),
    )
    return truth_all, tracks, uprights


def _sheet_px(scene: Scene) -> list[Pair] | None:
    """An A4 sheet beside the body at hip height, on the side without the string."""
    sign = -(scene.string_side or 1)
    if not scene.sheet or scene.arm == ("left" if sign < 0 else "right"):
        return None
    section = to_world(scene, *_section(scene))
    edge = section[:, 0].max() if sign > 0 else section[:, 0].min()
    centre = edge + sign * (105 + 28)
    turn = math.radians((scene.seed % 7 - 3) * 0.4)
    corners = np.array([[-105, 148.5], [105, 148.5], [105, -148.5], [-105, -148.5]])
    corners = corners @ np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    world = np.column_stack([corners + np.array([centre, scene.body.hip]), np.full(4, -scene.sheet_behind_mm)])
    seen = project(scene, world)
    return [_pair(c) for c in seen] if _inside(scene, seen, 4.0) else None


def _section(scene: Scene) -> tuple[Points, Points, Points]:
    quarter = _quarter(60)
    q = np.tile(np.concatenate([quarter, 180 - quarter]), 2)
    side = np.repeat([-1.0, 1.0], len(q) // 2)
    u, w = surface(scene.body, side, q, np.full_like(q, scene.body.hip))
    return u, np.full_like(u, scene.body.hip), w


# --- the picture ----------------------------------------------------------------------------------------------------------


def _spans(scene: Scene, low: float, high: float) -> tuple[Points, Points, Points]:
    """Picture-left and picture-right outline of each half of the body (2, rows) and the height (mm) seen at each row."""
    rows = np.arange(scene.height, dtype=float)
    quarter = _quarter(56)
    qs = np.concatenate([quarter, 180.0 - quarter[-2::-1]])
    ys = np.arange(low, high, 4.0)
    outlines = np.full((2, 2, scene.height), np.nan)
    for half, side in enumerate((-1.0, 1.0)):
        u, w = surface(scene.body, side, qs[:, None], ys[None, :])
        seen = project(scene, to_world(scene, u, np.broadcast_to(ys, u.shape), w))
        columns = []
        for curve in seen[:, ::-1]:
            rising = np.maximum.accumulate(curve[:, 1])
            columns.append(np.interp(rows, rising, curve[:, 0], left=np.nan, right=np.nan))
        stack = np.array(columns)
        empty = np.all(np.isnan(stack), axis=0)
        stack[:, empty] = 0.0
        outlines[half] = np.nanmin(stack, axis=0), np.nanmax(stack, axis=0)
        outlines[half][:, empty] = np.nan
    axis = project(scene, to_world(scene, np.zeros_like(ys), ys, np.zeros_like(ys)))
    return outlines[:, 0], outlines[:, 1], np.interp(rows, axis[::-1, 1], ys[::-1])


def _cover(distance: Points) -> Points:
    return np.clip(distance + 0.5, 0.0, 1.0)


def _blend(area: Points, colour: Points, alpha: Points) -> None:
    area += alpha[..., None] * (colour - area)


def _strip(
    image: Points, ends: tuple[Pair, Pair], left: float, right: float, colour: Colour, past: float, alpha: float = 1.0
) -> None:
    """Paints an upright strip from `left` to `right` px (offsets along x) of the line through `ends`, to `past` px beyond them."""
    (x0, y0), (x1, y1) = ends
    slope = (x1 - x0) / (y1 - y0)
    reach = [max(0, math.floor(min(x0, x1) + left - 3)), math.ceil(max(x0, x1) + right + 4)]
    rows = slice(max(0, round(y0 - past)), round(y1 + past) + 1)
    part = image[rows, reach[0] : reach[1]]
    x = np.arange(reach[0], reach[0] + part.shape[1])[None, :]
    line = x0 + slope * (np.arange(rows.start, rows.start + part.shape[0])[:, None] - y0)
    cos = 1 / math.hypot(1, slope)
    cover = np.clip(np.minimum(x - line - left, line + right - x) * cos + 0.5, 0, min(1.0, (right - left) * cos))
    _blend(part, np.float32(colour), (alpha * cover).astype(np.float32))


def _paint_track(
    image: Points, mask: Points, track: _Track, colour: Colour, opacity: float, dash_px: float = 0.0
) -> None:
    """Paints a drawn line: every pixel by its distance from the exact course."""
    points, reach = track.pixels, int(np.ceil(track.half_width.max())) + 2
    keep = np.ones(len(points) - 1, bool)
    if dash_px:
        keep = (np.arange(len(points) - 1) % dash_px) < 0.62 * dash_px
    height, width = mask.shape
    start, run = points[:-1][keep], np.diff(points, axis=0)[keep]
    half = track.half_width[:-1][keep]
    box = np.arange(-reach, reach + 1)
    dx, dy = np.meshgrid(box, box)
    base = np.round(start).astype(int)
    px, py = base[:, :1] + dx.ravel(), base[:, 1:] + dy.ravel()
    off_x, off_y = px - start[:, :1], py - start[:, 1:]
    length = np.maximum(np.sum(run**2, axis=1, keepdims=True), 1e-9)
    part = np.clip((off_x * run[:, :1] + off_y * run[:, 1:]) / length, 0, 1)
    away = np.hypot(off_x - part * run[:, :1], off_y - part * run[:, 1:])
    cover = np.minimum(np.clip(half[:, None] + 0.5 - away, 0, 1), 2 * half[:, None])
    ok = (px >= 0) & (px < width) & (py >= 0) & (py < height) & (cover > 0)
    if not ok.any():
        return
    x0, y0, x1, y1 = px[ok].min(), py[ok].min(), px[ok].max() + 1, py[ok].max() + 1
    alpha = np.zeros((y1 - y0, x1 - x0), np.float32)
    np.maximum.at(alpha, (py[ok] - y0, px[ok] - x0), cover[ok].astype(np.float32))
    _blend(image[y0:y1, x0:x1], np.float32(colour), alpha * mask[y0:y1, x0:x1] * opacity)


def _background(scene: Scene, rng: np.random.Generator, uprights: list[tuple[Pair, Pair]]) -> Points:
    width, height = scene.width, scene.height
    picture = Image.new("RGB", (width, height), scene.wall)
    draw = ImageDraw.Draw(picture)
    for _ in range(scene.clutter):
        x, y = rng.uniform(0, width), rng.uniform(0, height * 0.75)
        across, down = rng.uniform(0.05, 0.3) * width, rng.uniform(0.03, 0.25) * height
        lean = rng.uniform(-0.04, 0.04)
        corners = [(x, y), (x + across, y + lean * across), (x + across, y + down), (x - lean * down, y + down)]
        draw.polygon(corners, fill=tuple(int(c) for c in rng.uniform(40, 235, 3)))
    floor = project(scene, np.array([[-2500.0, 0.0, scene.wall_z], [2500.0, 0.0, scene.wall_z]]))
    shade = tuple(int(c * 0.62) for c in scene.wall)
    draw.polygon([_pair(floor[0]), _pair(floor[1]), (2 * width, 4 * height), (-width, 4 * height)], fill=shade)
    image = np.asarray(picture).astype(np.float32)
    if scene.clutter and scene.seed % 3 == 0:  # a wallpaper
        waves = np.sin(np.arange(width) / 23.0)[None, :] * np.sin(np.arange(height) / 31.0)[:, None]
        image *= (1 + 0.04 * waves).astype(np.float32)[..., None]
    edges = uprights[: scene.door_edges]
    frame: Colour = tuple(int(np.clip(c + (70 if sum(scene.wall) < 400 else -75), 5, 250)) for c in scene.wall)  # type: ignore[assignment]
    for index, ends in enumerate(edges):
        wide = 0.034 * width
        _strip(image, ends, -wide if index == 0 else 0.0, 0.0 if index == 0 else wide, frame, 40.0)
    sheet = _sheet_px(scene)
    if sheet:
        corners = np.array(sheet)
        x0, y0 = np.floor(corners.min(axis=0)).astype(int) - 2
        x1, y1 = np.ceil(corners.max(axis=0)).astype(int) + 3
        part = image[max(y0, 0) : y1, max(x0, 0) : x1]
        gy, gx = np.mgrid[max(y0, 0) : max(y0, 0) + part.shape[0], max(x0, 0) : max(x0, 0) + part.shape[1]]
        inside = np.full(gx.shape, np.inf)
        for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            run = (b - a) / np.linalg.norm(b - a)
            inside = np.minimum(inside, run[0] * (gy - a[1]) - run[1] * (gx - a[0]))
        _blend(part, np.float32((246, 246, 242)), _cover(inside).astype(np.float32))
    if scene.string_side:
        half = 1.3 * focal_px(scene) / scene.distance_mm
        dark: Colour = (40, 36, 40) if sum(scene.wall) > 330 else (235, 230, 220)
        _strip(image, uprights[-1], -half, half, dark, 40.0)
    return image


def _body_layer(scene: Scene, image: Points, tracks: dict[str, _Track], rng: np.random.Generator) -> Points:
    """Paints the body with its cloth; returns how far each pixel belongs to the trousers (0 to 1)."""
    left, right, heights = _spans(scene, 0.0, 1560.0)
    width, height = scene.width, scene.height
    x = np.arange(width, dtype=np.float32)[None, :]
    rows = np.arange(height, dtype=np.float32)[:, None]
    at = scene.body
    split = np.interp(heights, GRID, _tables(at)["split"])
    whole_left, whole_right = np.fmin(*left), np.fmax(*right)
    trousers = np.zeros((height, width), np.float32)
    waist = tracks["waist"].pixels
    waist_row = np.interp(x, waist[:, 0], waist[:, 1]).astype(np.float32)
    slope = np.gradient(waist_row[0]) if width > 1 else np.zeros(1)
    below_waist = _cover((rows - waist_row) / np.hypot(1, slope)[None, :].astype(np.float32))
    hem_row = project(scene, to_world(scene, np.zeros(1), np.array([at.hem]), np.zeros(1)))[0, 1]
    above_hem = _cover(hem_row - rows)
    cloth_share = below_waist * above_hem
    order = (0, 1) if scene.view != "left" else (1, 0)  # the far half first
    slant = np.gradient(np.interp(heights, GRID, _tables(at)["back"])) / np.maximum(1e-3, -np.gradient(heights))
    seat = 1 - 0.16 * np.clip(slant, -1, 1) * (1 - split)
    base = np.float32(scene.cloth), np.float32(scene.top), np.float32(scene.skin)
    bands = _folds(scene, rng)
    for half in order:
        l_edge, r_edge = left[half], right[half]
        if np.all(np.isnan(l_edge)):
            continue
        x0, x1 = max(0, math.floor(np.nanmin(l_edge)) - 1), min(width, math.ceil(np.nanmax(r_edge)) + 2)
        xs, cols = x[:, x0:x1], slice(x0, x1)
        alpha = np.minimum(xs - l_edge[:, None], r_edge[:, None] - xs)
        alpha = np.nan_to_num(_cover(alpha), nan=0.0).astype(np.float32)
        own = (xs - (l_edge + r_edge)[:, None] / 2) / np.maximum(r_edge - l_edge, 1)[:, None] * 2
        both = (xs - (whole_left + whole_right)[:, None] / 2) / np.maximum(whole_right - whole_left, 1)[:, None] * 2
        t = np.clip(np.nan_to_num(both + split[:, None] * (own - both)), -1, 1).astype(np.float32)
        shade = (1 - 0.33 * t**4 + scene.light * t) * seat[:, None].astype(np.float32) * (1 + bands[:, cols])
        share = cloth_share[:, cols]
        skin = rows > hem_row
        colour = share[..., None] * base[0] + (1 - share)[..., None] * np.where(skin[..., None], base[2], base[1])
        _blend(image[:, cols], colour * shade[..., None], alpha)
        trousers[:, cols] = np.maximum(trousers[:, cols], alpha * share)
    return trousers


def _folds(scene: Scene, rng: np.random.Generator) -> Points:
    """Smooth bands of brightness across the picture, and a slight weave."""
    small_h, small_w = scene.height // 4 + 1, scene.width // 4 + 1
    gy, gx = np.mgrid[0:small_h, 0:small_w].astype(np.float32)
    total = np.zeros((small_h, small_w), np.float32)
    px_mm = focal_px(scene) / scene.distance_mm / 4
    for _ in range(7 if scene.folds else 0):
        cx, cy = small_w * rng.uniform(0.3, 0.7), small_h * rng.uniform(0.25, 0.85)
        angle, wide, long = rng.uniform(0, math.pi), rng.uniform(9, 30) * px_mm, rng.uniform(60, 200) * px_mm
        along = (gx - cx) * math.cos(angle) + (gy - cy) * math.sin(angle)
        across = (gy - cy) * math.cos(angle) - (gx - cx) * math.sin(angle) + (along / (3 * long)) ** 2 * wide
        total += scene.folds * rng.uniform(-1, 1) * np.exp(-0.5 * ((along / long) ** 2 + (across / wide) ** 2))
    total += 0.008 * rng.standard_normal(total.shape, np.float32)
    return np.asarray(Image.fromarray(total).resize((scene.width, scene.height), Image.Resampling.BILINEAR))


def _seen_by_lens(scene: Scene, image: Points, rng: np.random.Generator) -> Points:
    """Blur, motion, noise, exposure and the JPEG round-trip."""
    image *= np.float32(scene.exposure)
    np.clip(image, 0, 255, out=image)
    if scene.motion >= 1.5:
        count = round(scene.motion) | 1
        offsets = (np.arange(count) - count // 2) * scene.motion / count
        turn = math.radians(scene.motion_deg)
        steps = sorted({(round(float(o * math.sin(turn))), round(float(o * math.cos(turn)))) for o in offsets})
        image = sum(np.roll(image, step, axis=(0, 1)) for step in steps) / np.float32(len(steps))
    picture = Image.fromarray((image + np.float32(0.5)).astype(np.uint8))
    if scene.blur:
        picture = picture.filter(ImageFilter.GaussianBlur(scene.blur))
    if scene.noise:
        grain = rng.standard_normal(image.shape, np.float32)
        grain *= np.float32(scene.noise)
        grain += np.asarray(picture)
        picture = Image.fromarray(np.clip(grain + np.float32(0.5), 0, 255).astype(np.uint8))
    if scene.jpeg:
        kept = io.BytesIO()
        picture.save(kept, "JPEG", quality=scene.jpeg)
        picture = Image.open(io.BytesIO(kept.getvalue()))
    return np.array(picture)


def render(scene: Scene) -> Rendered:
    """The picture of a scene with its truth."""
    rng = np.random.default_rng([scene.seed, 5])
    truth, tracks, uprights = _layout(scene)
    image = _background(scene, rng, uprights)
    trousers = _body_layer(scene, image, tracks, rng)
    px_mm = focal_px(scene) / scene.distance_mm
    seam = _Track(tracks["seam"].pixels, tracks["seam"].half_width * 0 + 0.6 * px_mm)
    _paint_track(image, trousers, seam, tuple(int(c * 0.55) for c in scene.cloth), 0.7)  # type: ignore[arg-type]
    dash = round(26 * px_mm) if scene.dashed else 0
    for name in sorted(tracks):
        if name not in ("seam", "waist"):
            colour = scene.grain_colour if name.startswith("grain") else scene.line_colour
            _paint_track(image, trousers, tracks[name], colour, scene.opacity, dash)
    arm = _arm_px(scene)
    if arm:
        bones, radius = arm
        x0, y0 = np.maximum(np.floor(bones.min(axis=0) - radius - 3).astype(int), 0)
        x1, y1 = np.ceil(bones.max(axis=0) + radius + 4).astype(int)
        part = image[y0:y1, x0:x1]
        grid = np.stack(np.meshgrid(np.arange(part.shape[1]) + x0, np.arange(part.shape[0]) + y0), axis=-1).astype(
            np.float32
        )
        away = np.minimum(_segment_distance(grid, *bones[:2]), _segment_distance(grid, *bones[1:]))
        shade = (1 - 0.3 * (away / radius) ** 3)[..., None]
        _blend(part, np.float32(scene.skin) * shade, _cover(radius - away))
    return Rendered(scene, _seen_by_lens(scene, image, rng), truth)


# --- drawing scenes -------------------------------------------------------------------------------------------------------

CLOTHS = [
    (226, 214, 188),
    (240, 238, 232),
    (150, 150, 154),
    (44, 52, 84),
    (32, 31, 34),
    (112, 82, 58),
    (70, 92, 130),
    (120, 132, 96),
]
INKS = [
    (196, 30, 36),
    (24, 52, 168),
    (20, 20, 22),
    (246, 246, 240),
    (20, 120, 60),
    (240, 210, 40),
    (230, 110, 20),
    (150, 40, 150),
]
SKINS = [(236, 200, 176), (206, 160, 126), (160, 112, 80), (104, 70, 50), (66, 46, 36)]
WALLS = [(228, 226, 220), (200, 206, 212), (180, 172, 156), (146, 160, 158), (108, 112, 124), (234, 222, 196)]


def _far_ink(rng: np.random.Generator, away_from: list[tuple[Colour, float]]) -> Colour:
    order = [INKS[int(i)] for i in rng.permutation(len(INKS))]
    return max(order, key=lambda ink: min([1.0] + [math.dist(ink, other) / least for other, least in away_from]))


def _draw_body(rng: np.random.Generator) -> Body:
    hip = rng.uniform(810, 900)
    crotch = hip - rng.uniform(66, 95)
    half = rng.uniform(155, 220)
    u = rng.uniform
    return Body(
        waist=hip + u(170, 215), hip=hip, crotch=crotch, split=crotch - u(25, 45), knee=crotch * u(0.6, 0.66), hem=u(60, 130),
        half_width=half, waist_ratio=u(0.76, 0.9), back=u(95, 140), front=u(85, 120), back_power=u(2.0, 2.8),
        front_power=u(2.0, 2.8), flat=u(0.84, 0.93) if u() < 0.35 else 2.0, cleft=u(0, 12) if u() < 0.75 else 0.0,
        knee_half=half * u(0.41, 0.46), hem_half=half * u(0.33, 0.46), half_gap=u(4, 16), leg_shift=u(-12, 12),
    )  # fmt: skip


def _draw_lines(rng: np.random.Generator, body: Body) -> tuple[tuple[Line, ...], tuple[Grain, ...]]:
    u = rng.uniform
    lines = []
    most = {"waist": (body.waist, 20, 0), "hip": (body.hip, 35, 15), "crotch": (body.crotch, 25, 9)}
    for name, (height, most_drop, most_v) in most.items():
        level, has_v, square = u() < 0.45, u() < 0.5, u() < 0.3
        tilt = float(np.clip(rng.normal(0, 1.2), -3, 3))
        drop, power, depth, reaches = u(3, most_drop), u(0.8, 1.6), u(3, max(most_v, 4)), u(30, 80, 2)
        in_front = u(-8, 12) if u() < 0.25 else 0.0
        lines.append(Line(name, height, 0.0 if square else tilt, 0.0 if level else drop, power, in_front,
                          depth if has_v and most_v else 0.0, float(reaches[0]), float(reaches[1])))  # fmt: skip
    for name in ("knee-left", "knee-right"):
        tilt = float(np.clip(rng.normal(0, 1.6), -4, 4))
        lines.append(Line(name, body.knee + u(-12, 12), 0.0 if u() < 0.3 else tilt, 0.0 if u() < 0.6 else u(0, 6)))
    grains = []
    for name in ("grain-left", "grain-right"):
        out, bottom = body.half_width * u(0.42, 0.56), u(body.knee + 40, body.crotch - 60)
        grains.append(
            Grain(name, out, float(np.clip(rng.normal(0, 1.2), -3, 3)), u(-4, 4), body.waist - u(14, 34), bottom)
        )
    return tuple(lines), tuple(grains)


def draw_scene(seed: int, **fixed: Any) -> Scene:
    """Draws everything that is not fixed by keyword; body, lines, camera and looks come from streams of their own.

    So the same seed with another lens_height_mm is the same body with the same lines.
    """
    streams = [np.random.default_rng([seed, part]) for part in range(1, 5)]
    body = fixed.get("body") or _draw_body(streams[0])
    lines, grains = _draw_lines(streams[1], body)
    values: dict[str, Any] = {"seed": seed, "body": body, "lines": lines, "grains": grains}
    unknown = set(fixed) - set(Scene.__dataclass_fields__)
    if unknown:
        raise TypeError(f"no such part of a scene: {sorted(unknown)}")

    def put(name: str, value: Any) -> Any:
        values[name] = fixed.get(name, value)
        return values[name]

    width, height = put("width", 1800), put("height", 2400)
    rng, u = streams[2], streams[2].uniform
    view = put("view", str(rng.choice(["back", "front", "left", "right"], p=[0.56, 0.2, 0.12, 0.12])))
    at_line, target, near, anywhere = u() < 0.5, rng.integers(0, 4), u(-45, 45), u(800, 1650)
    aimed = [body.hip, body.crotch, body.hip, body.waist][int(target)] + near
    lens_height = put("lens_height_mm", float(aimed if at_line else anywhere))
    distance = put("distance_mm", float(u(2200, 4500)))
    px_mm = float(u(1.08, 1.72)) * height / 2400
    focal = focal_from(px_mm, distance, width, height)
    focal = put("focal_35mm", float(np.clip(round(focal, 1), 26, 85)))
    frame_mm = height / (focal / DIAGONAL_35MM * math.hypot(width, height)) * distance
    aim = float(np.clip(body.waist + u(90, 170) - frame_mm / 2, 560, 950))
    pitch = math.degrees(math.atan2(lens_height - aim, distance))
    put("pitch_deg", pitch + float(np.clip(rng.normal(0, 0.6), -1.2, 1.2)))
    put("roll_deg", float(u(-2, 2)))
    put("body_yaw_deg", float(u(-6, 6) if u() < 0.85 else u(-11, 11)))
    put("body_x_mm", float(u(-35, 35)))
    looks, u = streams[3], streams[3].uniform
    cloth = put("cloth", CLOTHS[int(looks.integers(len(CLOTHS)))])
    line = put("line_colour", _far_ink(looks, [(cloth, 130)]))
    put("grain_colour", _far_ink(looks, [(cloth, 130), (line, 110)]))
    faint = u() < 0.08
    put("opacity", float(u(0.4, 0.6) if faint else u(0.65, 1.0)))
    put("line_width_mm", float(u(1.2, 3.2)))
    put("dashed", bool(u() < 0.1))
    put("folds", float(u(0.03, 0.12) if u() < 0.75 else 0.0))
    put("clutter", int(looks.integers(0, 7)))
    put("wall", WALLS[int(looks.integers(len(WALLS)))])
    skin = put("skin", SKINS[int(looks.integers(len(SKINS)))])
    shirts = [other for other in (*CLOTHS, skin) if math.dist(other, cloth) > 60]
    put("top", shirts[int(looks.integers(len(shirts)))])
    put("light", float(u(-0.14, 0.14)))
    arm = str(looks.choice(["left", "right"])) if u() < 0.3 else ""
    put("arm", arm if view == "front" else "")
    put("string_side", int(looks.choice([-1, 1])) if u() < 0.85 else 0)
    put("door_edges", int(looks.choice([2, 2, 2, 2, 1])))
    put("sheet", bool(u() < 0.7))
    put("sheet_behind_mm", float(u(0, 60) if u() < 0.4 else 0.0))
    put("wall_z", float(u(-1500, -250)))
    put("noise", float(u(1.5, 8)))
    put("blur", float(u(0.4, 1.3)))
    put("motion", float(u(2, 7) if u() < 0.2 else 0.0))
    put("motion_deg", float(u(0, 180)))
    put("exposure", float(u(0.55, 0.8) if u() < 0.15 else u(0.9, 1.08)))
    put("jpeg", int(looks.integers(62, 96)))
    return Scene(**{**values, **fixed})


def focal_from(px_mm: float, distance: float, width: int, height: int) -> float:
    """The 35 mm equivalent that shows the body's middle plane at px_mm pixels a mm."""
    return px_mm * distance * DIAGONAL_35MM / math.hypot(width, height)


def level_ring_scene(seed: int, lens_height: float, **fixed: Any) -> Scene:
    """A scene whose lines are all level: no tilt, no drop, no V."""
    scene = draw_scene(seed, lens_height_mm=lens_height, **fixed)
    return replace(scene, lines=tuple(Line(line.name, line.height) for line in scene.lines))


def clean_scene(scene: Scene, **fixed: Any) -> Scene:
    """The same scene without noise, blur, folds, clutter, dashes and JPEG."""
    plain: dict[str, Any] = {
        "noise": 0.0,
        "blur": 0.0,
        "motion": 0.0,
        "folds": 0.0,
        "clutter": 0,
        "jpeg": 0,
        "dashed": False,
    }
    return replace(scene, **{**plain, "exposure": 1.0, "opacity": 1.0, **fixed})


# --- marks ----------------------------------------------------------------------------------------------------------------


def _off(points: Iterable[Pair], rng: np.random.Generator, off_px: float) -> list[list[float]]:
    turned = [(p, float(rng.uniform(0, 2 * math.pi))) for p in points]
    return [[round(p[0] + off_px * math.cos(t), 2), round(p[1] + off_px * math.sin(t), 2)] for p, t in turned]


def clicks(source: Truth | Rendered | Scene, rng: np.random.Generator, off_px: float = 6.0) -> dict[str, Any]:
    """What a person would mark: three points a line and grain, the seam, the uprights and the sheet, each off_px off.

    At a side edge that an arm covers the point is where the line goes under the arm.
    """
    truth = (
        source if isinstance(source, Truth) else source.truth if isinstance(source, Rendered) else _layout(source)[0]
    )
    lines = {}
    for name, line in truth.lines.items():
        ends = [_pair(line.pixels[0]), line.ends[1], _pair(line.pixels[-1])]
        lines[name] = _off(ends, rng, off_px)
    seam = truth.centre_seam
    at = np.linspace(0.03, 0.97, 5) * (len(seam) - 1)
    return {
        "lines": lines,
        "grains": {name: _off(grain.ends, rng, off_px) for name, grain in truth.grains.items()},
        "centre_seam": _off([_pair(seam[round(float(i))]) for i in at], rng, off_px) if len(seam) > 50 else [],
        "verticals": [_off(ends, rng, off_px) for ends in truth.verticals],
        "sheet_corners": _off(truth.sheet, rng, off_px) if truth.sheet else None,
    }


def marks_dict(
    scene: Scene,
    rendered: Rendered,
    rng: np.random.Generator,
    off_px: float = 6.0,
    *,
    sha256: str = "0" * 64,
    file: str = "picture.jpg",
    give_depths: float | None = None,
    give_widths: bool | float = False,
    give_sheet: bool = True,
    give_focal: bool = True,
    give_lens_height: bool = False,
) -> dict[str, Any]:
    """A whole fitdiag.marks/1 document. give_depths and give_widths: the standard deviation (mm) of what the fitter taped."""
    truth, set_marks = rendered.truth, clicks(rendered, rng, off_px)
    depths = (
        {} if give_depths is None else {k: round(v + rng.normal(0, give_depths), 1) for k, v in truth.depths_mm.items()}
    )
    spread = 0.0 if give_widths is True else float(give_widths)
    widths = (
        {} if give_widths is False else {k: round(v + rng.normal(0, spread), 1) for k, v in truth.widths_mm.items()}
    )
    corners = set_marks.pop("sheet_corners")
    sheet = {"corners": corners, "width_mm": 210.0, "height_mm": 297.0, "behind_mm": round(truth.behind_mm, 1)}
    return {
        "schema": "fitdiag.marks/1",
        "picture": {"file": file, "sha256": sha256, "width": scene.width, "height": scene.height},
        "view": scene.view,
        "focal_35mm": scene.focal_35mm if give_focal else None,
        "lens_height_mm": scene.lens_height_mm if give_lens_height else None,
        **set_marks,
        "sheet": sheet if give_sheet and corners else None,
        "widths_mm": widths,
        "depths_mm": depths,
        "hidden": list(truth.hidden),
        "proposed": [],
        "notes": "",
    }
