"""What is true of a picture, worked out from the curves on the cloth and the camera, never from the pixels drawn.

Signs: heights in mm upwards; a drop is height at the side seams (or the outline) less height at the centre: positive = the centre hangs
low.
Tilt and lean in degrees, as the unmirrored picture shows them: tilt positive = the picture's right end is higher, lean positive = the top
leans to the picture's right. Pairs stand from the picture's left to its right. Slopes: a straight line fitted to the course on the cloth
next to the centre, positive = falling towards the centre. Tilt, lean and drop are the body's own (its frontal plane), so a turn of the body
changes them only where the outline decides (`_sil`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from .camera import Array, Camera
from .cloth import Half
from .courses import TRUNK_LINES, Grain, RoundLine
from .picture import FINE, Drawn
from .scene import Scene

DENSE = 1201
COVERED = 45.0  # mm before the cloth: an arm, a chair, not a fold
NEAR = 7.0  # mm by which a point may lie behind the depth buffer and still be seen


@dataclass(frozen=True)
class Curve:
    """A line as it lies on the body: points in body axes and in the world, pixels, outward facing, whether seen, whether
    something stands well before it; `half` 1 or -1.
    """

    body: Array
    world: Array
    pixels: Array
    facing: Array
    seen: Array
    covered: Array
    half: Array
    t: Array

    def cut(self, which: Array) -> Curve:
        """Some of its points."""
        own = (self.body, self.world, self.pixels, self.facing, self.seen, self.covered, self.half, self.t)
        return Curve(*(array[which] for array in own))


def curve(scene: Scene, depth: Array, parts: list[tuple[Half, Array, Array]]) -> Curve:
    """Points of halves at section heights and places t, as body and camera see them."""
    body = np.concatenate([half.at(height, t, half.points) for half, height, t in parts])
    normal = np.concatenate([half.at(height, t, half.normals) for half, height, t in parts]) @ scene.turn.T
    world = body @ scene.turn.T
    pixels, away = scene.camera.project(world)
    facing = (normal * (scene.camera.position - world)).sum(1)
    column, row = np.round((pixels + 0.5) * FINE - 0.5).astype(int).T
    inside = (column >= 0) & (row >= 0) & (column < depth.shape[1]) & (row < depth.shape[0])
    nearest = depth[np.clip(row, 0, depth.shape[0] - 1), np.clip(column, 0, depth.shape[1] - 1)]
    seen = inside & (facing > 0) & (away < nearest + NEAR)
    covered = inside & (nearest < away - COVERED)
    half_of = np.concatenate([np.full(len(t), half.side) for half, _, t in parts])
    return Curve(body, world, pixels, facing, seen, covered, half_of, np.concatenate([t for *_, t in parts]))


def ring(scene: Scene, depth: Array, name: str, sides: tuple[int, ...] = (1, -1)) -> Curve:
    """A balance line all round: centre front, the wearer's left, centre back, right, centre front."""
    parts = []
    for side in sides:
        t = np.linspace(-1, 1, DENSE)[:: 1 if side > 0 else -1]
        part = scene.muslin.drawing.part(name, side)
        assert part is not None
        parts.append((scene.muslin.cloth.half(side), part.course(scene.muslin.cloth, side, t), t))
    return curve(scene, depth, parts)


def truth(scene: Scene, drawn: Drawn) -> dict[str, Any]:
    """All of it, ready for JSON; pixels in the file as it is written (after halving and mirroring)."""
    camera, wear = scene.camera, scene.muslin
    facts: dict[str, Any] = {
        "id": f"second-{scene.seed:03d}-{scene.view}",
        "seed": scene.seed,
        "view": scene.view,
        "kind": wear.kind,
        "levelled_lines": wear.kind == "level",
        "width": round(camera.width * scene.finish.scale),
        "height": round(camera.height * scene.finish.scale),
        "focal_35mm_nominal": scene.focal_nominal,
        "focal_35mm_true": camera.focal_35mm,
        "k1": camera.k1,
        "k2": camera.k2,
        "distortion_opencv": camera.opencv()[3].tolist(),
        "principal_shift": list(camera.shift),
        "lens_height_mm": camera.lens_height,
        "distance_mm": camera.distance,
        "px_per_mm": camera.focal / camera.distance * scene.finish.scale,
        "pitch_deg": camera.pitch,
        "roll_deg": camera.roll,
        "yaw_deg": scene.yaw,
        "pelvis_tilt_deg": float(np.degrees(np.arctan(wear.cloth.stance.hip_slope))),
        "up": camera.up.tolist(),
        "mirrored": scene.finish.mirrored,
        "fly": "left" if wear.look.fly else None,
        "ink": wear.look.ink.kind,
        "grain_ink": wear.look.grain_ink.kind,
        "arms": scene.arms,
        "hip_girth_mm": hip_girth(scene),
        "verticals": _verticals(scene),
        "sheet": _sheet(scene, drawn.depth),
    }
    names = [*TRUNK_LINES, "knee-left"] if scene.view == "left" else list(wear.drawing.names)
    facts["lines"] = {name: _line(scene, drawn.depth, name) for name in names}
    grains = (
        [] if scene.view == "left" else [grain for grain in wear.drawing.grains if grain.back == (scene.view == "back")]
    )
    facts["grains"] = {
        ("grain-left" if grain.side > 0 else "grain-right"): _grain(scene, drawn.depth, grain) for grain in grains
    }
    facts["seam"] = _seam(scene, drawn.depth)
    return as_filed(facts, scene)  # type: ignore[no-any-return]


def hip_girth(scene: Scene) -> float:
    """Girth of the cloth in the section at the hip line's height at the side seam."""
    cloth, height = scene.muslin.cloth, np.array(scene.muslin.drawing.trunk["hip"].height)
    return float(sum(half.half_girth(height, back) for half in (cloth.left, cloth.right) for back in (True, False)))


def as_filed(value: Any, scene: Scene, key: str = "") -> Any:
    """Round, and move pixels to where they are in the file; every list of pairs under these keys is pixels."""
    if isinstance(value, dict):
        return {name: as_filed(item, scene, name) for name, item in value.items()}
    if key in ("pixels", "ends", "middle", "seam", "corners", "verticals", "inner") and value is not None:
        points = (np.asarray(value, dtype=float) + 0.5) * scene.finish.scale - 0.5
        if scene.finish.mirrored:
            points[..., 0] = round(scene.camera.width * scene.finish.scale) - 1 - points[..., 0]
        return np.round(points, 3).tolist()
    if isinstance(value, list):
        return [as_filed(item, scene) for item in value]
    if isinstance(value, float | np.floating):
        return round(float(value), 5)
    return value


def _azimuth(camera: Camera, world: Array) -> Array:
    """Angle to the picture's right in which the lens sees a point, leaving heights out."""
    return np.arctan2(world[:, 0] - camera.position[0], camera.position[2] - world[:, 2])


def _line(scene: Scene, depth: Array, name: str) -> dict[str, Any]:
    knee = name.startswith("knee")
    sides = ((1,) if name == "knee-left" else (-1,)) if knee else (1, -1)
    whole = ring(scene, depth, name, sides)
    azimuth = _azimuth(scene.camera, whole.world)
    left, right = int(np.argmin(azimuth)), int(np.argmax(azimuth))
    near = _between(whole, left, right)
    ends = whole.cut(np.array([left, right]))
    facts: dict[str, Any] = {
        "pixels": _thin(near.pixels[near.seen]),
        "visible_share": float(near.seen.sum() / max(1, (near.facing > 0).sum())),
        "ends": ends.pixels,
        "ends_seen": [_end_seen(near, at) for at in (0, -1)],
        "elevation_deg": scene.camera.looks_down_on(float(whole.body[np.argmin(np.abs(whole.t)), 1])),
        "tilt_sil": _tilt(ends.world),
        "width": float(np.hypot(*(ends.world[1] - ends.world[0])[[0, 2]])),
    }
    if knee:
        return facts | _knee(scene, whole, near)
    if scene.view == "left":
        return facts | _from_the_side(whole, ends)
    return facts | _from_back_or_front(scene, name, whole, ends)


def _between(whole: Curve, left: int, right: int) -> Curve:
    """The arc from the picture's left end to its right one on the side of the lens."""
    count = len(whole.t)
    forward = (left + np.arange((right - left) % count + 1)) % count
    backward = (left - np.arange((left - right) % count + 1)) % count
    depth = [whole.world[way, 2].mean() for way in (forward, backward)]
    return whole.cut(forward if depth[0] > depth[1] else backward)


def _end_seen(near: Curve, at: int) -> bool:
    """Whether nothing lies over the line in the last 2 % of its course at this end."""
    some = max(3, len(near.seen) // 50)
    return not (near.covered[:some].any() if at == 0 else near.covered[-some:].any())


def _thin(pixels: Array) -> Array:
    """At most every second pixel."""
    if len(pixels) < 3:
        return pixels
    walked = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(pixels, axis=0).T))])
    return pixels[np.unique(np.searchsorted(walked, np.arange(0, walked[-1], 2.0)))]


def _tilt(pair: Array) -> float:
    """Degrees by which the second of two world points is higher than the first."""
    step = pair[1] - pair[0]
    return float(np.degrees(np.arctan2(step[1], np.hypot(step[0], step[2]))))


def _at(whole: Curve, side: int, t: float) -> int:
    own = np.flatnonzero(whole.half == side)
    return int(own[np.argmin(np.abs(whole.t[own] - t))])


def _from_back_or_front(scene: Scene, name: str, whole: Curve, ends: Curve) -> dict[str, Any]:
    centre = 1.0 if scene.view == "back" else -1.0
    order = (1, -1) if scene.view == "back" else (-1, 1)  # the wearer's side at the picture's left, then right
    middle = _at(whole, 1, centre)
    seams = whole.cut(np.array([_at(whole, side, 0.0) for side in order]))
    low = whole.body[middle, 1]
    across = (seams.body[1] - seams.body[0])[[0, 2]]
    slopes: dict[str, list[float]] = {"slope3": [], "slope6": [], "slope_rest": []}
    for side in order:
        own = whole.cut((whole.half == side) & (whole.t * centre >= 0))
        own = own.cut(np.argsort(-own.t * centre))
        walked = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(own.body, axis=0), axis=1))])
        for key, begin, stop in (("slope3", 0, 30), ("slope6", 0, 60), ("slope_rest", 60, 120)):
            part = (walked >= begin) & (walked <= stop)
            slopes[key].append(float(np.degrees(np.arctan(np.polyfit(walked[part], own.body[part, 1], 1)[0]))))
    chord = ends.world[1] - ends.world[0]
    off = whole.world[middle] - ends.world[0]
    part = scene.muslin.drawing.part(name, 1)
    dip = (part.back if scene.view == "back" else part.front) if isinstance(part, RoundLine) else None
    return {
        "middle": whole.pixels[middle],
        "middle_seen": bool(whole.cut(np.abs(whole.t - centre) < 0.01).seen.any()),
        "drop_seam": float(seams.body[:, 1].mean() - low),
        "drop_sil": float(ends.body[:, 1].mean() - low),
        "tilt_seam": float(np.degrees(np.arctan2(seams.body[1, 1] - seams.body[0, 1], np.hypot(*across)))),
        "depth": float(np.abs(seams.body[:, 2].mean() - whole.body[middle, 2])),
        "depth_sil": float(np.abs(chord[0] * off[2] - chord[2] * off[0]) / np.hypot(chord[0], chord[2])),
        **slopes,
        "v_angle": float(np.mean(slopes["slope3"]) - np.mean(slopes["slope_rest"])),
        "v_depth": float(np.tan(np.radians(np.mean(slopes["slope3"]) - np.mean(slopes["slope_rest"]))) * 30),
        "made": {"sag": dip.sag, "vee": dip.vee, "vee_width": dip.vee_width} if dip else None,
        "legs": [_leg(scene, whole, side, centre, place) for place, side in enumerate(order)],
    }


def _leg(scene: Scene, whole: Curve, side: int, centre: float, place: int) -> dict[str, Any]:
    """One leg's (or half's) part: the height at its seam less the height where the line is last seen beside the centre."""
    own = whole.cut((whole.half == side) & (whole.t * centre >= 0) & whole.seen)
    if len(own.t) < 20:
        return {"leg": "left" if side > 0 else "right", "inner": None, "drop_inner": None}
    inner = int(np.argmax(own.t * centre))
    seam = whole.body[_at(whole, side, 0.0), 1]
    return {
        "leg": "left" if side > 0 else "right",
        "picture_side": "left" if place == 0 else "right",
        "inner": own.pixels[inner],
        "drop_inner": float(seam - own.body[inner, 1]),
    }


def _from_the_side(whole: Curve, ends: Curve) -> dict[str, Any]:
    seam, back, front = (whole.body[_at(whole, 1, t)] for t in (0.0, 1.0, -1.0))
    return {
        "middle": whole.pixels[_at(whole, 1, 0.0)],
        "middle_seen": bool(whole.seen[_at(whole, 1, 0.0)]),
        "drop_back": float(seam[1] - back[1]),
        "drop_front": float(seam[1] - front[1]),
        "drop_back_sil": float(seam[1] - ends.body[1, 1]),
        "drop_front_sil": float(seam[1] - ends.body[0, 1]),
        "tilt_centre": float(np.degrees(np.arctan2(back[1] - front[1], abs(front[2] - back[2])))),
    }


def _knee(scene: Scene, whole: Curve, near: Curve) -> dict[str, Any]:
    half = np.argmin(np.abs(near.pixels[:, 0] - near.pixels[[0, -1], 0].mean()))
    facts: dict[str, Any] = {"middle": near.pixels[half], "middle_seen": bool(near.seen[half])}
    if scene.view == "left":
        return facts
    side = int(whole.half[0])
    out, inn = (
        whole.body[_at(whole, side, 0.0)],
        (whole.body[_at(whole, side, 1.0)] + whole.body[_at(whole, side, -1.0)]) / 2,
    )
    right_is_left = scene.view == "front"  # the picture's right is the wearer's left
    slope = (out[1] - inn[1]) / (out[0] - inn[0])
    return facts | {"tilt_seam": float(np.degrees(np.arctan(slope))) * (1 if right_is_left else -1)}


def _grain(scene: Scene, depth: Array, grain: Grain) -> dict[str, Any]:
    cloth, side = scene.muslin.cloth, grain.side
    half = cloth.half(side)
    centre = 1.0 if grain.back else -1.0
    heights = np.arange(grain.knee - 40, grain.top, 1.0)
    t = grain.course(cloth, heights)
    dist, crossings = {}, {}
    for name in TRUNK_LINES:
        part = scene.muslin.drawing.part(name, side)
        assert part is not None
        gap = heights - part.course(cloth, side, t)
        index = int(np.argmin(np.abs(gap)))
        places = np.linspace(centre, t[index], 900)
        line = half.at(part.course(cloth, side, places), places, half.points)
        dist[name] = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
        crossings[name] = index
    part = slice(0, crossings["waist"] + 1)
    own = curve(scene, depth, [(half, heights[part], t[part])])
    to_right = 1 if scene.view == "front" else -1
    x, y = own.body[:, 0] * to_right, own.body[:, 1]
    top = own.cut(np.arange(len(x))[::-1])
    return {
        "pixels": _thin(top.pixels[top.seen]),
        "visible_share": float(own.seen.mean()),
        "ends": top.pixels[[0, len(x) // 2, -1]],
        "lean": float(np.degrees(np.arctan2(x[-1] - x[0], y[-1] - y[0]))),
        "lean_fit": float(np.degrees(np.arctan(np.polyfit(y, x, 1)[0]))),
        "dist": dist,
    }


def _seam(scene: Scene, depth: Array) -> Array:
    cloth = scene.muslin.cloth
    low = cloth.half(1).heights[0] + 5 if scene.view == "left" else cloth.fork + 4
    heights = np.arange(cloth.half(1).heights[-1] - 2, low, -4.0)
    place = {"back": 1.0, "front": -1.0, "left": 0.0}[scene.view]
    return curve(scene, depth, [(cloth.half(1), heights, np.full(len(heights), place))]).pixels


def _verticals(scene: Scene) -> list[Array]:
    camera, found = scene.camera, []
    for top, bottom in scene.room.verticals():
        pixels, _ = camera.project(top + (bottom - top) * np.linspace(0, 1, 400)[:, None])
        inside = ((pixels > 4) & (pixels < [camera.width - 5, camera.height - 5])).all(1)
        if inside.any():
            seen = pixels[inside]
            if np.ptp(seen[:, 1]) > 350:
                found.append(seen[[0, -1]])
    return found


def _sheet(scene: Scene, depth: Array) -> dict[str, Any] | None:
    sheet = scene.room.sheet
    if sheet is None:
        return None
    corners, away = scene.camera.project(sheet.corners)
    wide, high = np.meshgrid(np.linspace(0.01, 0.99, 20), np.linspace(0.01, 0.99, 20))
    right, down = sheet.corners[1] - sheet.corners[0], sheet.corners[3] - sheet.corners[0]
    inner, reach = scene.camera.project(sheet.corners[0] + wide[..., None] * right + high[..., None] * down)
    column, row = np.round((inner + 0.5) * FINE - 0.5).astype(int).transpose(2, 0, 1)
    inside = (column >= 0) & (row >= 0) & (column < depth.shape[1]) & (row < depth.shape[0])
    nearest = depth[np.clip(row, 0, depth.shape[0] - 1), np.clip(column, 0, depth.shape[1] - 1)]
    return {
        "corners": corners,
        "paper": sheet.paper,
        "width_mm": sheet.size[0],
        "height_mm": sheet.size[1],
        "behind_mm": -sheet.middle[2],
        "framed": bool(sheet.frame),
        "marked": sheet.mark,
        "whole": bool((inside & (reach < nearest)).all() and (away > 0).all()),
    }
