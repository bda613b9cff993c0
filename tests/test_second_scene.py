"""The second maker of pictures tells the truth: held against OpenCV, Shapely and plane geometry, never against fitdiag's measuring."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest
import second_scene
from scipy.integrate import quad
from second_scene.camera import Camera
from second_scene.cloth import Stance, drape
from second_scene.form import ANGLES, solved
from second_scene.marks import as_text, marks
from second_scene.picture import FINE, Drawn, draw
from second_scene.raster import grid_triangles, rasterise
from second_scene.scene import KINDS, Scene, muslin, scene, spoiled
from second_scene.truth import truth
from shapely import LinearRing

from fitdiag.photos.marks import parse_marks

SMALL = (600, 800)
BENT = Camera(1500, 2000, 52.0, 1200.0, 2800.0, 90.0, 9.0, -3.0, 2.0, 0.035, -0.006, (7.0, -4.0))


def small(seed: int, view: second_scene.View = "back", **changes: Any) -> Scene:
    """A scene with fewer pixels: the same body, camera place and angles."""
    plain = scene(seed, view)
    camera = replace(plain.camera, width=SMALL[0], height=SMALL[1], shift=(0.0, 0.0), **changes.pop("camera", {}))
    return replace(plain, camera=camera, **changes)


@cache
def made(seed: int, view: second_scene.View = "back") -> tuple[Scene, Drawn, dict[str, Any]]:
    """A small picture with arms out of the way, and its truth."""
    shown = small(seed, view, arms="up", chair=None)
    drawn = draw(shown)
    return shown, drawn, truth(shown, drawn)


def levelled(shown: Scene, pixels: Any) -> tuple[np.ndarray, np.ndarray]:
    """Places in an upright plane at the distance of 1 before the lens, by OpenCV: sideways, and up."""
    _, _, matrix, bend = shown.camera.opencv()
    flat = cv2.undistortPoints(np.asarray(pixels, dtype=float).reshape(-1, 1, 2), matrix, bend)[:, 0]
    rays = np.concatenate([flat, np.ones((len(flat), 1))], axis=1)
    up = shown.camera.up
    forward = np.array([0, 0, 1.0]) - up * up[2]
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, up)
    right *= np.sign(right[0])
    away = rays @ forward
    return rays @ right / away, rays @ up / away


def test_the_camera_projects_as_opencv_does() -> None:
    """OpenCV's projectPoints, from rotation, translation, matrix and distortion, gives the same pixels."""
    points = np.random.default_rng(1).uniform([-700, 0, -900], [700, 2000, 300], (500, 3))
    turn, move, matrix, bend = BENT.opencv()
    expected, _ = cv2.projectPoints(points, cv2.Rodrigues(turn)[0], move, matrix, bend)
    pixels, depth = BENT.project(points)
    assert np.abs(expected[:, 0] - pixels).max() < 1e-6
    assert np.allclose(depth, (points @ turn.T + move)[:, 2])


def test_a_corner_is_bent_by_as_much_as_k1_and_k2_say() -> None:
    """k1 and k2 are shares at half the diagonal: a ray to the corner of the unbent picture ends 2.9 % farther out."""
    corner = np.array([BENT.width, BENT.height]) / 2 / BENT.focal
    ray = np.append(corner, 1.0) @ BENT.turn
    pixel, _ = BENT.project(BENT.position + 1000 * ray)
    assert np.linalg.norm(pixel - BENT.middle) == pytest.approx(1.029 * np.hypot(1500, 2000) / 2, rel=1e-9)


def test_rays_lead_back_to_their_pixels() -> None:
    """What OpenCV projects along each pixel's ray falls on that pixel, within 0.02 px, though only every 12th ray is worked out."""
    rays = BENT.all_rays()[::97, ::83].reshape(-1, 3).astype(float)
    y, x = np.mgrid[0:2000:97, 0:1500:83]
    turn, move, matrix, bend = BENT.opencv()
    pixels, _ = cv2.projectPoints(BENT.position + 2500 * rays, cv2.Rodrigues(turn)[0], move, matrix, bend)
    assert np.abs(pixels[:, 0] - np.stack([x.ravel(), y.ravel()], axis=1)).max() < 0.02


def test_triangles_fill_what_opencv_fills() -> None:
    """A tilted grid of triangles covers the polygon that OpenCV fills, but for its rim, and depths are the plane's."""
    u, v = np.meshgrid(np.linspace(0, 1, 9), np.linspace(0, 1, 7))
    xy = np.stack([20 + 120 * u + 30 * v, 15 - 8 * u + 140 * v], axis=-1).reshape(-1, 2)
    depth = 100 + 0.5 * xy[:, 0] - 0.2 * xy[:, 1]
    hits = rasterise(xy, depth, grid_triangles(7, 9), 200, 180)
    mask = np.zeros((180, 200), dtype=np.uint8)
    cv2.fillConvexPoly(mask, np.round(xy[[0, 8, 62, 54]] * 256).astype(np.int32), 1, shift=8)
    ours = np.zeros(200 * 180, dtype=np.uint8)
    ours[hits.samples] = 1
    core = cv2.erode(mask, np.ones((3, 3), np.uint8))
    wide = cv2.dilate(mask, np.ones((3, 3), np.uint8))
    assert (ours.reshape(180, 200) >= core).all()
    assert (ours.reshape(180, 200) <= wide).all()
    assert np.allclose(hits.depth, 100 + 0.5 * (hits.samples % 200) - 0.2 * (hits.samples // 200))


def test_the_nearer_of_two_triangles_is_seen() -> None:
    """Where two cross, each sample belongs to the smaller depth."""
    xy = np.array([[0, 0], [50, 0], [0, 50], [0, 0], [50, 0], [0, 50.0]])
    depth = np.array([10, 20, 10, 15, 15, 15.0])
    hits = rasterise(xy, depth, np.array([[0, 1, 2], [3, 4, 5]]), 60, 60)
    x = hits.samples % 60
    assert set(hits.corners[x < 24, 0]) == {0}
    assert set(hits.corners[x > 26, 0]) == {3}


def test_sections_have_the_girth_and_breadth_that_were_measured() -> None:
    """Shapely's ring has the length and the width asked for; without waves and pinch it is a circle."""
    waves = 0.03 * np.cos(3 * ANGLES) + 0.05 * np.exp(-((ANGLES - 2.5) ** 2))
    radius, pinch = solved(1000.0, 360.0, waves)
    round_it = radius * np.exp(-pinch * np.cos(2 * ANGLES) + waves)
    ring = LinearRing(np.stack([round_it * np.sin(ANGLES), round_it * np.cos(ANGLES)], axis=1))
    assert ring.length == pytest.approx(1000, rel=1e-4)
    assert ring.bounds[2] - ring.bounds[0] == pytest.approx(360, rel=1e-3)
    assert solved(2 * np.pi * 80, 160.0, 0 * ANGLES) == pytest.approx((80, 0), abs=0.05)


@pytest.mark.parametrize("seed", [2, 9])
def test_the_trousers_are_as_wide_as_the_person_and_some_ease(seed: int) -> None:
    """Girth at the hip line lies 0 to 14 cm over the measured hip girth (bdims, Heinz et al. 2003), waist above hip above fork."""
    wear = muslin(seed)
    girth = sum(
        half.half_girth(np.array(wear.cloth.form.levels.hip), back)
        for half in (wear.cloth.left, wear.cloth.right)
        for back in (True, False)
    )
    assert 0 < girth - wear.person.hip < 140
    level = wear.cloth.form.levels
    assert level.waist > level.hip > wear.cloth.fork + 40 > level.knee > level.hem
    assert abs(wear.cloth.fork - level.fork) < 25


def test_halves_meet_in_the_centre_seam_and_part_below_the_fork() -> None:
    """Above the fork left and right share each seam point; below it there is a gap, and each leg closes to a ring."""
    cloth = muslin(3).cloth
    rows = cloth.left.heights >= cloth.fork
    for column in (0, -1):
        assert np.allclose(cloth.left.points[rows, column], cloth.right.points[rows, column])
    low = cloth.left.heights < cloth.fork - 20
    assert (cloth.left.points[low, 0, 0] > cloth.right.points[low, 0, 0]).all()
    assert np.linalg.norm(cloth.left.points[low, 0] - cloth.left.points[low, -1], axis=1).max() < 2.5


@pytest.mark.parametrize("seed", [1, 8, 13])
def test_drops_and_tilts_are_those_that_were_drawn(seed: int) -> None:
    """On a body that stands straight, with lines that do not slope, each drop is sag and V as chosen; a slope comes out as tilt."""
    wear = muslin(seed)
    straight = drape(wear.cloth.form, wear.cloth.folds, Stance(0.0, 0.0))
    for name, line in wear.drawing.trunk.items():
        level = replace(line, slope=0.0)
        heights = level.course(straight, 1, np.array([0.0, 1.0, -1.0]))
        assert heights[0] - heights[1] == pytest.approx(line.back.sag + line.back.vee, abs=1e-6), name
        assert heights[0] - heights[2] == pytest.approx(line.front.sag + line.front.vee, abs=1e-6), name
        sloping = replace(level, slope=0.05)
        seams = [float(sloping.course(straight, side, np.array([0.0]))[0]) for side in (1, -1)]
        x = [
            float(straight.half(side).at(np.array([line.height]), np.array([0.0]), straight.half(side).points)[0, 0])
            for side in (1, -1)
        ]
        assert np.arctan2(seams[0] - seams[1], x[0] - x[1]) == pytest.approx(np.arctan(0.05), abs=1e-4)


def test_a_v_is_sharp_and_a_sag_is_broad() -> None:
    """By the shape's own formula: the V's slope beside the centre is depth over width, a sag's is nothing, and both add up."""
    wear = muslin(3, "vee")
    line = wear.drawing.trunk["hip"]
    dip = replace(line.back, sag=0.0, vee=9.0, vee_width=45.0)
    away = np.array([0.0, 30.0, 45.0, 100.0])
    assert dip.below(away, 250.0) == pytest.approx([9.0, 3.0, 0.0, 0.0])
    broad = replace(dip, sag=20.0, vee=0.0)
    assert broad.below(np.array([0.0, 125.0, 250.0]), 250.0) == pytest.approx([20.0, 10.0, 0.0])
    slope = quad(lambda mm: float(broad.below(np.array(mm), 250.0) - 20.0), 0, 30)[0] / 30
    assert abs(slope) < 0.3  # mean of the 3 cm beside the centre: the line lies within 0.3 mm of its lowest point


@pytest.mark.parametrize("view", second_scene.VIEWS)
def test_plumb_lines_hold_the_plumb_direction(view: second_scene.View) -> None:
    """Each upright in the picture, with the bending taken out by OpenCV, lies in a plane through the lens that holds `up`."""
    shown, _, facts = made(6, view)
    assert facts["verticals"]
    _, _, matrix, bend = shown.camera.opencv()
    for pair in facts["verticals"]:
        flat = cv2.undistortPoints(np.array(pair).reshape(-1, 1, 2), matrix, bend)[:, 0]
        plane = np.cross([*flat[0], 1], [*flat[1], 1])
        assert abs(plane @ np.array(facts["up"])) / np.linalg.norm(plane) < 1e-4


@pytest.mark.parametrize("seed", [6, 8, 10])
def test_the_sheet_stands_where_its_corners_say(seed: int) -> None:
    """OpenCV finds the sheet's pose from its four corners and its size: middle and distance behind the body within 3 mm."""
    shown, _, facts = made(seed)
    sheet = facts["sheet"]
    wide, high = sheet["width_mm"] / 2, sheet["height_mm"] / 2
    corners = np.array([[-wide, high, 0], [wide, high, 0], [wide, -high, 0], [-wide, -high, 0]])
    turn, _, matrix, bend = shown.camera.opencv()
    ok, _, move = cv2.solvePnP(corners, np.array(sheet["corners"]), matrix, bend, flags=cv2.SOLVEPNP_IPPE)
    middle = turn.T @ move[:, 0] + shown.camera.position
    assert ok
    assert -middle[2] == pytest.approx(sheet["behind_mm"], abs=3)
    assert shown.room.sheet is not None
    assert middle == pytest.approx(shown.room.sheet.middle, abs=3)


@pytest.mark.parametrize("seed", [1, 3, 6, 8, 10])
def test_drops_in_the_truth_follow_from_the_pixels_by_similar_triangles(seed: int) -> None:
    """Seen from the height H, a point at height h and depth z stands in the picture at (h - H) / (D - z), however the camera is tilted."""
    shown, _, facts = made(seed)
    wear, turn = shown.muslin, shown.turn
    for name in ("waist", "hip", "crotch"):
        own = facts["lines"][name]
        part = wear.drawing.part(name, 1)
        assert part is not None
        half = wear.cloth.left
        height = part.course(wear.cloth, 1, np.array([1.0]))
        point = turn @ half.at(height, np.array([1.0]), half.points)[0]
        x, y = levelled(shown, [own["middle"]])
        away = shown.camera.distance - point[2]
        aim = np.radians(shown.camera.aim)
        level_away = away * np.cos(aim) + (point[0] - shown.camera.sideways) * np.sin(aim)
        assert shown.camera.lens_height + y[0] * level_away == pytest.approx(point[1], abs=0.2)
        seams = [wear.cloth.half(side) for side in (1, -1)]
        heights = [
            float(
                s.at(wear.drawing.part(name, s.side).course(wear.cloth, s.side, np.zeros(1)), np.zeros(1), s.points)[
                    0, 1
                ]
            )
            for s in seams
        ]  # type: ignore[union-attr]
        assert own["drop_seam"] == pytest.approx(np.mean(heights) - point[1], abs=0.3)
        assert np.isfinite(x).all()


@pytest.mark.parametrize("view", ["back", "front"])
@pytest.mark.parametrize("seed", [2, 9])
def test_the_file_of_truths_agrees_with_itself(seed: int, view: second_scene.View) -> None:
    """From what the truth says of camera, depth and pixels alone, OpenCV and similar triangles give its drop within half a millimetre."""
    shown, _, facts = made(seed, view)
    for name in ("hip", "crotch"):
        own = facts["lines"][name]
        _, y = levelled(shown, [*own["ends"], own["middle"]])
        height = y * facts["distance_mm"]
        centre = height[2] * (1 - own["depth_sil"] / facts["distance_mm"])
        assert height[:2].mean() - centre == pytest.approx(own["drop_sil"], abs=0.5)


def test_a_level_line_looks_like_a_dip_by_the_known_law() -> None:
    """A level ring seen from above: its centre's picture lies lower by b tan(e) D / (D - b) in the side seams' plane (plane geometry)."""
    level = 3 * KINDS.index("level")  # the first seed of that kind
    for elevation in (-6.0, 5.0, 12.0):
        plain = scene(level, "back", elevation=elevation)
        camera = replace(plain.camera, width=SMALL[0], height=SMALL[1], shift=(0.0, 0.0), sideways=0.0, aim=0.0)
        shown = replace(plain, camera=camera, yaw=0.0, arms="up")
        facts = truth(shown, Drawn(np.empty(0), np.full((SMALL[1] * FINE, SMALL[0] * FINE), np.inf)))
        own = facts["lines"]["hip"]
        _, y = levelled(shown, [*own["ends"], own["middle"]])
        far = [shown.camera.distance * value for value in y]
        b, distance = own["depth_sil"], shown.camera.distance
        law = b * np.tan(np.radians(own["elevation_deg"])) * distance / (distance - b)
        assert np.mean(far[:2]) - far[2] == pytest.approx(law + own["drop_sil"], abs=1.6 + 0.05 * abs(law))


def test_the_three_views_show_one_muslin() -> None:
    """The side picture's drop to the back is the back picture's drop with the tilt taken half, and its drop to the front the front's."""
    back, front, left = (made(2, view)[2]["lines"] for view in second_scene.VIEWS)
    for name in ("waist", "hip"):
        right_seam = 2 * back[name]["drop_seam"] - left[name]["drop_back"]
        assert front[name]["drop_seam"] == pytest.approx(
            (left[name]["drop_front"] + right_seam + left[name]["drop_front"] - left[name]["drop_back"]) / 2, abs=0.4
        )
        assert back[name]["tilt_seam"] == pytest.approx(-front[name]["tilt_seam"], abs=0.02)


@pytest.mark.parametrize("seed", [3, 6])
def test_ink_lies_where_the_truth_says(seed: int) -> None:
    """With a plain dark pen the darkest place across the line is within a third of a pixel of the truth (median), 1.2 px (95 %)."""
    plain = scene(seed, "back")
    ink = replace(plain.muslin.look.ink, kind="biro", colour="black", width=2.6, strength=1.0, gaps=0.0)
    clear = replace(
        plain.muslin.look,
        ink=ink,
        grain_ink=replace(ink, strength=0.0),
        weave=0.0,
        darts=False,
        letters=False,
        ghost=0.0,
        seam=0.0,
        stripes=0.0,
        cloth=(0.8, 0.8, 0.8),
    )
    camera = replace(plain.camera, width=900, height=1200, shift=(0.0, 0.0))
    finish = replace(plain.finish, noise=0.0, sharpen=0.0, blur=0.5)
    shown = replace(
        plain, camera=camera, arms="up", chair=None, muslin=replace(plain.muslin, look=clear), finish=finish
    )
    drawn = draw(shown)
    facts = truth(shown, drawn)
    grey = drawn.pixels.astype(float).mean(2)
    for name in ("waist", "hip", "knee-left"):
        off = []
        for x, y in facts["lines"][name]["pixels"][6:-6]:
            column, row = round(x), round(y)
            strip = grey[row - 4 : row + 5, column]
            dark = np.clip(np.median(strip) - strip, 0, None) ** 2
            off.append((dark * np.arange(row - 4, row + 5)).sum() / max(dark.sum(), 1e-9) - y)
        assert np.median(np.abs(off)) < 0.35, name
        assert np.quantile(np.abs(off), 0.95) < 1.2, name


@pytest.mark.parametrize("seed", [3, 8])
def test_ends_lie_on_the_outline(seed: int) -> None:
    """At each end of hip and knees the depth buffer goes from cloth to room (or to cloth far behind) within 1.5 px."""
    shown, drawn, facts = made(seed)
    for name in ("hip", "knee-left", "knee-right"):
        for (x, y), out in zip(facts["lines"][name]["ends"], (-1, 1), strict=True):
            row, column = round((y + 0.5) * FINE - 0.5), round((x + 0.5) * FINE - 0.5)
            inside, outside = drawn.depth[row, column - 4 * out], drawn.depth[row, column + 4 * out]
            assert abs(inside - shown.camera.distance) < 300
            assert outside > inside + 30


def test_grains_lean_as_they_were_laid() -> None:
    """The truth's lean is the slope a grainline was laid with, but for wander and bow; the distance at the hip is a tape's on the cloth."""
    shown, _, facts = made(8)
    for grain in shown.muslin.drawing.grains:
        if grain.back:
            own = facts["grains"]["grain-left" if grain.side > 0 else "grain-right"]
            assert own["lean"] == pytest.approx(np.degrees(np.arctan(-grain.side * grain.lean)), abs=1.2)
            hip = float(grain.x_at(np.array(shown.muslin.cloth.form.levels.hip)))
            chord = abs(hip - shown.muslin.cloth.stance.bend)
            assert chord - 6 < own["dist"]["hip"] < 1.25 * chord + 6


def test_mirrored_and_halved_copies_keep_the_truth() -> None:
    """A mirrored file is the plain one flipped, half a file has half the pixels; drops and tilts stay, pixels move along."""
    plain, drawn, facts = made(3)
    mirror = replace(plain, finish=replace(plain.finish, mirrored=True))
    flipped = truth(mirror, drawn)
    assert (draw(mirror).pixels == draw(plain).pixels[:, ::-1]).all()
    half = truth(spoiled(plain, "half"), drawn)
    for name, own in facts["lines"].items():
        assert flipped["lines"][name]["tilt_sil"] == own["tilt_sil"]
        x, y = np.array(own["ends"]).T
        assert np.array(flipped["lines"][name]["ends"]) == pytest.approx(
            np.stack([SMALL[0] - 1 - x, y], axis=1), abs=2e-3
        )
        assert np.array(half["lines"][name]["ends"]) == pytest.approx((np.array(own["ends"]) + 0.5) / 2 - 0.5, abs=2e-3)
    assert (half["width"], half["height"]) == (SMALL[0] // 2, SMALL[1] // 2)


@pytest.mark.parametrize("trouble", second_scene.TROUBLES)
def test_each_trouble_changes_the_scene(trouble: str) -> None:
    """A spoiled scene is another one, of the same muslin."""
    plain = scene(5)
    assert spoiled(plain, trouble) != plain
    assert spoiled(plain, trouble).muslin is plain.muslin


def test_marks_are_a_hand_near_the_truth() -> None:
    """Marks can be read by the documented format; lines are about 6 px off in a full-size picture, no point is the truth's own."""
    _, _, facts = made(6)
    full = facts | {"width": 1500, "height": 2000}
    apart = []
    for hand in range(30):
        told = marks(full, b"", "back.jpg", hand)
        apart += list((np.array(told["lines"]["hip"])[[0, 2]] - np.array(facts["lines"]["hip"]["ends"])).ravel())
    assert 4.5 < np.std(apart) < 7.5
    read = parse_marks(as_text(marks(facts, b"x", "back.jpg")), "back.marks.json")
    assert set(read.lines) == {"waist", "hip", "crotch", "knee-left", "knee-right"}
    assert len(read.verticals) == len(facts["verticals"])


def test_the_seeds_hold_all_kinds_in_all_bands() -> None:
    """Among seeds 1 to 60 each kind of line meets each band of elevation, and level muslins have nothing to find."""
    met = set()
    for seed in range(1, 61):
        kind = KINDS[seed // 3 % len(KINDS)]
        met.add((kind, seed % 3))
    assert len(met) == len(set(KINDS)) * 3
    wear = muslin(6)
    assert wear.kind == "level"
    assert wear.cloth.stance.hip_slope == 0
    assert all(line.back.drop == line.front.drop == line.slope == 0 for line in wear.drawing.trunk.values())
