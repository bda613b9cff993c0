"""Pictures measured: laws against exact projection, lines found, numbers with true answers, and when the tool must refuse."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from photo_scene import Rendered, Scene, clean_scene, draw_scene, level_ring_scene, marks_dict, render
from scipy.special import ellipe, ellipeinc

from fitdiag.photos import measure as measuring
from fitdiag.photos.camera import Camera, false_tilt, focal_px, lens_within, sheet_distance
from fitdiag.photos.grains import _one_line
from fitdiag.photos.level import follow, posed, snap_straight
from fitdiag.photos.lines import _tilt, seam_at, straight_at
from fitdiag.photos.marks import Marks, Sheet, View, parse_marks
from fitdiag.photos.measure import look, measure, measure_all, together
from fitdiag.photos.readings import Measured, Reading
from fitdiag.photos.ridges import Ridges, evened
from fitdiag.photos.section import Known, Section, depth_from_girth
from fitdiag.photos.setting import setting
from fitdiag.photos.snap import Edge, Track, side_edge, snap
from fitdiag.photos.strip import opponent
from fitdiag.photos.trust import Seen
from fitdiag.reports.shot_card import false_drop

FOCAL, MIDDLE = 2900.0, (899.5, 1199.5)
MATRIX = np.array([[FOCAL, 0, MIDDLE[0]], [0, FOCAL, MIDDLE[1]], [0, 0, 1]])


def seen(
    points: np.ndarray, lens: tuple[float, float, float], pitch: float = 0.0, roll: float = 0.0, bend: float = 0.0
) -> np.ndarray:
    """World points (x right, y up, z away) as pixels by OpenCV's projection; lens in mm, angles in degrees.

    `bend`: of the lens, as a share at the corner of the picture (OpenCV's k1 counts in focal lengths).
    """
    flip = np.diag([1.0, -1.0, 1.0])  # OpenCV's y runs down
    tilt, _ = cv2.Rodrigues(np.array([math.radians(pitch), 0.0, 0.0]))
    turn, _ = cv2.Rodrigues(np.array([0.0, 0.0, math.radians(roll)]))
    rotation = turn @ tilt
    moved = (np.atleast_2d(points) - np.array(lens)) @ flip
    bending = np.array([bend * FOCAL**2 / (MIDDLE[0] ** 2 + MIDDLE[1] ** 2), 0.0, 0.0, 0.0])
    return cv2.projectPoints(moved, cv2.Rodrigues(rotation)[0], np.zeros(3), MATRIX, bending)[0][:, 0]


def _room(lens: tuple[float, float, float], pitch: float, roll: float, bend: float = 0.0) -> tuple[np.ndarray, list]:
    """A wall with two door frames and a string, painted by OpenCV, and two points on each, a few px off."""
    image = np.full((2400, 1800, 3), 150, np.uint8)
    for x, z, colour in ((-620.0, 300.0, 90), (560.0, 350.0, 200)):
        out = x + 400 * np.sign(x)
        corners = [[x, y, z] for y in np.linspace(2600, -200, 60)] + [[out, y, z] for y in np.linspace(-200, 2600, 60)]
        polygon = np.rint(seen(np.array(corners), lens, pitch, roll, bend) * 256).astype(np.int32)
        cv2.fillPoly(image, [polygon], (colour,) * 3, cv2.LINE_AA, 8)
    string = seen(np.array([[-460.0, y, 0.0] for y in np.linspace(2600, 0, 60)]), lens, pitch, roll, bend)
    cv2.polylines(image, [np.rint(string * 256).astype(np.int32)], False, (40, 40, 40), 3, cv2.LINE_AA, 8)
    pairs = []
    for x, z in ((-620.0, 300.0), (560.0, 350.0), (-460.0, 0.0)):
        course = seen(np.array([[x, y, z] for y in np.linspace(2600, 0, 400)]), lens, pitch, roll, bend)
        course = course[(course[:, 1] > 10) & (course[:, 1] < 2389) & (course[:, 0] > 6) & (course[:, 0] < 1793)]
        pairs.append(((course[0, 0] + 4, course[0, 1]), (course[-1, 0] - 3, course[-1, 1])))
    noisy = image + np.random.default_rng(4).normal(0, 4, image.shape)
    return np.clip(noisy, 0, 255).astype(np.uint8), pairs


@pytest.mark.parametrize("distance", [1500, 2500, 4000])
@pytest.mark.parametrize("above", [-300, 50, 200, 700])
def test_the_law_of_the_false_drop_holds_in_exact_projection(distance: float, above: float) -> None:
    """A level ring seen from above dips by the law, to 0.1 mm (reference: OpenCV's projectPoints)."""
    points = np.array([[-185.0, 0, 0], [0, 0, -120.0], [185.0, 0, 0]])
    pixels = seen(points, (0.0, above, -distance))
    drop_px = pixels[1, 1] - (pixels[0, 1] + pixels[2, 1]) / 2
    assert false_drop(above, 120, distance) == pytest.approx(drop_px * distance / FOCAL, abs=0.1)


@pytest.mark.parametrize(
    ("above", "distance", "yaw"), [(300, 2500, 5), (300, 2500, 15), (700, 2500, 10), (0, 3000, 10)]
)
def test_the_law_of_the_false_tilt_holds_in_exact_projection(above: float, distance: float, yaw: float) -> None:
    """A level line through the side seams of a turned body tilts by the law (reference: OpenCV's projectPoints)."""
    x, z = 185 * math.cos(math.radians(yaw)), 185 * math.sin(math.radians(yaw))
    pixels = seen(np.array([[-x, 0, -z], [x, 0, z]]), (0.0, above, -distance))
    tilt = math.degrees(math.atan2(pixels[0, 1] - pixels[1, 1], pixels[1, 0] - pixels[0, 0]))
    assert false_tilt(above, distance, yaw) == pytest.approx(abs(tilt), abs=0.03)


def test_how_far_off_the_lens_may_stand_is_the_law_turned_round() -> None:
    """At the height that is allowed, the false drop is just what was allowed."""
    assert false_drop(lens_within(3, 120, 2500), 120, 2500) == pytest.approx(3)


@pytest.mark.parametrize("seed", range(6))
def test_plumb_lines_level_a_pitched_and_rolled_camera(seed: int) -> None:
    """Points of one height come out at one height, whatever the camera's pitch and roll and the lens's bending (OpenCV)."""
    rng = np.random.default_rng(seed)
    pitch, roll = rng.uniform(-15, 15), rng.uniform(-4, 4)
    bend = rng.uniform(-0.03, 0.03)
    lens = (0.0, rng.uniform(800, 1600), -3000.0)
    pixels, pairs = _room(lens, pitch, roll, bend)
    pose = posed(follow(pixels, pairs), FOCAL, 0.01)
    assert pose.levelled and not pose.warning
    assert pose.camera.bend == pytest.approx(bend, abs=0.004)
    places = seen(np.array([[x, 950.0, 0.0] for x in (-300, -100, 0, 200, 300)]), lens, pitch, roll, bend)
    heights = pose.camera.rays(places)[:, 1] * 3000 + lens[1]
    assert np.ptp(heights) < 1.0
    off = [pose.camera.rays(places)[:, 1].mean() - other.rays(places)[:, 1].mean() for _, other in pose.others]
    assert abs(heights.mean() - 950.0) < 3 * 3000 * math.hypot(*off)
    assert heights == pytest.approx(np.full(5, 950.0), abs=18.0)  # 0.35 degrees


def test_a_sheet_tells_the_distance() -> None:
    """An A4 sheet (ISO 216: 210 by 297 mm) gives the distance to the plane it hangs in (reference: OpenCV)."""
    corners = np.array([[300.0, 1100, 0], [510, 1100, 0], [510, 803, 0], [300, 803, 0]])
    lens = (0.0, 1200.0, -2800.0)
    pixels = seen(corners, lens, 9.0, 1.5)
    turn, lean = math.radians(9.0), math.radians(1.5)
    up = (math.sin(lean) * math.cos(turn), -math.cos(lean) * math.cos(turn), -math.sin(turn))
    found = sheet_distance(Camera(FOCAL, MIDDLE, up), [tuple(corner) for corner in pixels], 210, 297)
    assert found == pytest.approx(2800, rel=0.002)


def test_thirty_five_millimetre_equivalents_compare_diagonals() -> None:
    """A 43.27 mm lens on a 35 mm frame sees its diagonal at 53.13 degrees (geometry)."""
    focal = focal_px(math.hypot(36, 24), 1800, 2400)
    assert 2 * math.degrees(math.atan(3000 / 2 / focal)) == pytest.approx(53.13, abs=0.01)


@pytest.mark.parametrize("yaw", [-0.1, 0.0, 0.15])
def test_a_section_is_found_from_its_outline(yaw: float) -> None:
    """The outline rays of a known ellipse give back its width, and its hits lie on it."""
    true = Section(35.0, 2600.0, 190.0, 110.0, yaw)
    t = np.linspace(-2.2, 2.2, 400_001)
    x = true.x + true.half * np.sin(t) * math.cos(yaw) + true.depth * np.cos(t) * math.sin(yaw)
    z = true.z + true.half * np.sin(t) * math.sin(yaw) - true.depth * np.cos(t) * math.cos(yaw)
    found = Section.between(float((x / z).min()), float((x / z).max()), 2600.0, 110.0, yaw)
    assert (found.half, found.x) == (pytest.approx(190.0, abs=0.05), pytest.approx(35.0, abs=0.05))
    visible = np.abs(t) < 1.3
    hits = found.hit((x / z)[visible])
    assert np.abs(hits[:, 1] - z[visible]).max() < 0.5


def test_length_along_the_section_is_an_arc_of_an_ellipse() -> None:
    """Against scipy's incomplete elliptic integral of the second kind."""
    section = Section(0.0, 3000.0, 190.0, 110.0, 0.0)
    exact = 190.0 * ellipeinc(math.asin(0.6), 1 - (110 / 190) ** 2)
    assert section.along(0.0, 0.6) == pytest.approx(exact, abs=0.05)


def test_girth_and_width_give_depth() -> None:
    """Against the exact girth of an ellipse (scipy's complete elliptic integral)."""
    girth = 4 * 190.0 * ellipe(1 - (110 / 190) ** 2)
    assert depth_from_girth(float(girth), 190.0) == pytest.approx(110.0, abs=0.1)


def _painted(colour: int = 40, thick: int = 3, noise: float = 4.0) -> tuple[np.ndarray, np.ndarray]:
    """A curved line drawn by OpenCV on noisy grey, and its true course."""
    image = np.full((500, 900, 3), 170, np.uint8)
    x = np.linspace(60, 840, 400)
    y = 250 + 30 * np.cos((x - 450) / 390 * math.pi / 2) + 0.02 * (x - 450)
    course = np.stack([x, y], axis=1)
    cv2.polylines(image, [np.rint(course * 256).astype(np.int32)], False, (colour,) * 3, thick, cv2.LINE_AA, 8)
    grain = np.random.default_rng(3).normal(0, noise, image.shape)
    return np.clip(image + grain, 0, 255).astype(np.uint8), course


def test_a_line_is_snapped_to_a_fraction_of_a_pixel() -> None:
    """Three points, each 6 px off, find a line that another library drew."""
    image, course = _painted()
    points = tuple(
        (float(x) + dx, float(y) + dy)
        for (x, y), (dx, dy) in zip(course[[0, 200, -1]], [(4, 4), (-4, 5), (0, -6)], strict=True)
    )
    track = snap(image, points)
    inside = (track.pixels[:, 0] > 70) & (track.pixels[:, 0] < 830)
    off = np.abs(track.pixels[inside, 1] - np.interp(track.pixels[inside, 0], course[:, 0], course[:, 1]))
    assert track.clear
    assert float(np.median(off)) < 0.25
    assert float(np.percentile(off, 95)) < 0.6


def _upright(*, dart: int = 0) -> np.ndarray:
    """A dashed line down the cloth from (300, 60) to (316, 840), and a solid one as dark as the dashes in the mean, as of a dart."""
    image = np.full((900, 600, 3), 170.0)
    for top in range(60, 840, 20):
        ends = [(300 + (y - 60) * 16 / 780, y) for y in (top, top + 12)]
        cv2.polylines(image, [np.rint(np.array(ends) * 256).astype(np.int32)], False, (140,) * 3, 2, cv2.LINE_AA, 8)
    if dart:
        cv2.line(image, (300 + dart, 60), (304 + dart // 2, 280), (147,) * 3, 2, cv2.LINE_AA)
    return np.clip(image + np.random.default_rng(5).normal(0, 2.0, image.shape), 0, 255).astype(np.uint8)


def _off_the_upright(track: Track) -> np.ndarray:
    return np.abs(track.pixels[:, 0] - 300 - (track.pixels[:, 1] - 60) * 16 / 780)


@pytest.mark.parametrize("dart", [-16, 20, 26])
def test_a_dashed_grainline_is_not_left_for_the_dart_beside_it(dart: int) -> None:
    """A line that runs down the cloth does not change over to a stronger one a centimetre beside it (common practice, no source:
    darts are sewn near the grainline)."""
    track = snap(_upright(dart=dart), ((303, 62), (306, 450), (313, 838)))
    assert track.clear
    assert float(np.percentile(_off_the_upright(track), 95)) < 2.0


def test_a_seam_is_followed_though_points_were_set_beside_it() -> None:
    """Points that lie 8 to 16 px off to both sides make no bends: a seam is nearly straight."""
    points = ((300, 60), (297, 250), (320, 450), (297, 640), (330, 838))
    track = snap(_upright(), points, reach_mm=10.0)
    assert float(np.percentile(_off_the_upright(track), 97)) < 2.0


@pytest.mark.parametrize(("aside", "kept"), [(0, 1.0), (12, 0.75), (-12, 0.75)])
def test_a_grainline_that_steps_aside_is_read_as_far_as_it_is_one(aside: int, kept: float) -> None:
    """At 1.75 px to the millimetre 12 px are 7 mm: what lies above the step is another line; a lean and a bow are none."""
    y = np.arange(0.0, 800.0)
    x = 300 + 0.05 * y + 12 * np.sin(y / 250) + np.where(y < 200, aside, 0)
    whole = Track(np.stack([x, y], axis=1), 1.0, 9.0)
    one = _one_line(whole, 1.75)
    assert len(one.pixels) / len(whole.pixels) == pytest.approx(kept, abs=0.02)
    assert one.pixels[-1, 1] == 799


def test_where_nothing_is_drawn_the_track_is_not_clear() -> None:
    """A line that is not there is flagged instead of measured."""
    image, course = _painted(colour=170)
    assert not snap(image, tuple(map(tuple, course[[0, 200, -1]]))).clear


def test_a_straight_edge_is_found_from_two_rough_points() -> None:
    """A slanting step drawn by OpenCV is found to 0.2 px from points 6 px off; where there is none, the points come back."""
    image = np.full((800, 300, 3), 90, np.uint8)
    cv2.fillPoly(
        image,
        [np.array([[150 * 256, 0], [160 * 256, 799 * 256], [299 * 256, 799 * 256], [299 * 256, 0]], np.int32)],
        (180, 170, 160),
        cv2.LINE_AA,
        8,
    )
    image = np.clip(image + np.random.default_rng(1).normal(0, 4, image.shape), 0, 255).astype(np.uint8)
    top, bottom, error = snap_straight(image, (156.0, 20.0), (154.0, 780.0))
    for x, y in (top, bottom):
        assert x == pytest.approx(149.5 + 10 * y / 799, abs=0.4)
    assert error < 0.5
    blank = np.full((800, 300, 3), 90, np.uint8)
    assert snap_straight(blank, (156.0, 20.0), (154.0, 780.0)) == ((156.0, 20.0), (154.0, 780.0), 4.0)


def drawn_by_opencv(dip: float) -> tuple[np.ndarray, Marks]:
    """A plain elliptic trunk with one line, drawn by another library from its own projection: lens 300 mm over the line."""
    lens, pitch, roll = (40.0, 1200.0, -3000.0), 6.0, 1.2
    image = np.full((2400, 1800, 3), 150, np.uint8)

    def polygon(points: np.ndarray, colour: int) -> None:
        pixels = np.rint(seen(points, lens, pitch, roll) * 256).astype(np.int32)
        cv2.fillPoly(image, [pixels], (colour,) * 3, cv2.LINE_AA, 8)

    polygon(np.array([[-900.0, 2200, 500], [-500, 2200, 500], [-500, -100, 500], [-900, -100, 500]]), 110)
    polygon(np.array([[520.0, 2200, 400], [900, 2200, 400], [900, -100, 400], [520, -100, 400]]), 95)
    t = np.linspace(-math.pi / 2, math.pi / 2, 400)
    half, depth = 185.0, 115.0
    outline = math.asin(
        depth / (3000.0 * math.hypot(1, 0))
    )  # the lens sees a little past the side seams; less than 3 mm here
    upper = [
        [half * math.copysign(1, s) / math.cos(outline), y, 0.0]
        for s, y in ((-1, 1200), (1, 1200), (1, 500), (-1, 500))
    ]
    polygon(np.array(upper), 220)
    polygon(np.array([[260.0, 1000, 0], [470, 1000, 0], [470, 703, 0], [260, 703, 0]]), 250)
    course = np.stack([half * np.sin(t), 900.0 - dip * np.cos(t), -depth * np.cos(t)], axis=1)
    pixels = seen(course, lens, pitch, roll)
    cv2.polylines(image, [np.rint(pixels * 256).astype(np.int32)], False, (60, 60, 160), 3, cv2.LINE_AA, 8)
    noisy = np.clip(image + np.random.default_rng(2).normal(0, 3, image.shape), 0, 255).astype(np.uint8)

    def px(*point: float) -> tuple[float, float]:
        x, y = seen(np.array([point]), lens, pitch, roll)[0]
        return float(x) + 3.0, float(y) - 3.0

    rough = tuple((float(x) + 3.0, float(y) - 4.0) for x, y in pixels[[0, 200, -1]])
    sheet = Sheet(tuple(px(x, y, 0) for x, y in ((260, 1000), (470, 1000), (470, 703), (260, 703))))
    marks = Marks(
        "drawn.png", "0" * 64, 1800, 2400, "back", FOCAL / math.hypot(1800, 2400) * math.hypot(36, 24), None, {"hip": rough}, {}, (),
        tuple((px(x, 1700, z), px(x, 300, z)) for x, z in ((-500, 500), (520, 400))), sheet, {}, {"hip": depth},
    )  # fmt: skip
    return noisy, marks


@pytest.mark.parametrize("dip", [0.0, 20.0])
def test_a_picture_from_another_library_is_measured_too(dip: float) -> None:
    """Projected and drawn by OpenCV, from 5.7 degrees above: 32 mm of false drop are told from a real dip."""
    pixels, marks = drawn_by_opencv(dip)
    found = measure(pixels, marks).reading("hip", "drop")
    assert found is not None and found.value is not None
    assert found.raw is not None and found.raw > dip + 8
    assert found.value == pytest.approx(dip, abs=3.0)
    assert abs(found.value - dip) <= 3 * (found.error or 0)


@pytest.fixture(autouse=True, scope="module")
def followed_once() -> Iterator[None]:
    """A picture is levelled once for the same marks, and each line in it followed once: tests differ in what else is known."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("setting", "snap"):
            patch.setattr(f"fitdiag.photos.measure.{name}", _once(getattr(measuring, name)))
        yield


def _once(real: Callable[..., object]) -> Callable[..., object]:
    """A function of a picture that keeps its results, and the pictures, so that each is known by its place in memory."""
    kept: dict[tuple[int, str], tuple[np.ndarray, object]] = {}

    def call(pixels: np.ndarray, *given: object, **named: object) -> object:
        asked = id(pixels), repr((given, named))
        if asked not in kept:
            kept[asked] = pixels, real(pixels, *given, **named)
        return kept[asked][1]

    return call


@cache
def made(seed: int, **fixed: object) -> tuple[Scene, Rendered]:
    """A clean made picture; `fixed` goes to the scene."""
    scene = clean_scene(draw_scene(seed, **{"sheet": True, **fixed}))
    return scene, render(scene)


def marked(scene: Scene, picture: Rendered, **options: object) -> Marks:
    """The marks of a hand that is 6 px off."""
    data = marks_dict(scene, picture, np.random.default_rng([scene.seed, 5]), 6.0, **{"give_depths": 5.0, **options})
    return parse_marks(json.dumps(data), "made")


def back(seed: int = 41, **fixed: object) -> tuple[Scene, Rendered]:
    """A picture from the back with the lens at hip height."""
    plain = draw_scene(seed, view="back")
    return made(
        seed,
        **{
            "view": "back",
            "lens_height_mm": plain.body.hip + 20.0,
            "distance_mm": 3200.0,
            "door_edges": 2,
            "string_side": 1,
            **fixed,
        },
    )


def test_a_picture_at_line_height_is_measured_as_it_is() -> None:
    """Tilt to 0.2 degrees and drop to 2 mm at the hip; the truth is inside three printed standard deviations."""
    scene, picture = back()
    found = measure(picture.pixels, marked(scene, picture))
    truth = picture.truth.lines["hip"]
    tilt, drop = found.reading("hip", "tilt"), found.reading("hip", "drop")
    assert tilt is not None and drop is not None and tilt.value is not None and drop.value is not None
    assert tilt.value == pytest.approx(truth.tilt_deg, abs=0.2)
    assert drop.value == pytest.approx(truth.whole_drop_mm, abs=2.0)
    assert abs(drop.value - truth.whole_drop_mm) <= 3 * (drop.error or 0)
    assert drop.word == "good"


@pytest.mark.parametrize("height", [800, 1100, 1350, 1650])
def test_a_level_ring_is_never_called_a_dip(height: int) -> None:
    """From any lens height a level line is measured level, or refused with a reason."""
    scene = clean_scene(level_ring_scene(17, float(height)))
    picture = render(scene)
    found = measure(picture.pixels, marked(scene, picture, give_widths=True))
    for line in ("hip", "crotch"):
        reading = found.reading(line, "drop")
        assert reading is not None
        if reading.value is None:
            assert reading.reason
        else:
            assert reading.value < max(4.0, 2.5 * (reading.error or 0))


def test_a_line_ends_with_the_cloth_though_a_joint_of_the_wall_runs_on() -> None:
    """A joint behind the body at a line's height and of its colour does not make the line longer than the cloth is wide."""
    picture = np.full((240, 400, 3), (120.0, 130.0, 140.0))
    picture[:, 120:280] = (225.0, 220.0, 205.0)
    picture[119:122] *= 0.6
    found = Ridges(evened(opponent(picture))).follow((190, 210), 120, (0, 399), 9)
    assert found is not None and abs(found.first - 120) <= 5 and abs(found.last - 279) <= 5


def test_a_dashed_grainline_is_not_left_for_the_edge_of_the_leg() -> None:
    """What runs down the cloth does not change over to a stronger edge that it meets at the thigh. The picture is turned, as upright
    lines are looked for: left is up."""
    picture = np.full((260, 500, 3), (225.0, 220.0, 205.0))
    for start in range(20, 480, 20):
        picture[129:132, start : start + 12] *= 0.75
    for column in range(240, 480):  # beside it from half way on, and away from it
        row = round(134 + 0.4 * (column - 240))
        picture[row : row + 4, column] *= 0.35
    colours = evened(opponent(picture))
    kept, left = (
        Ridges(colours, straight=straight).follow((100, 140), 130, (0, 499), 40, beyond=True)
        for straight in (True, False)
    )
    assert kept is not None and left is not None
    assert kept.last > 430 and np.abs(kept.pixels[:, 1] - 130).max() < 4
    assert np.abs(left.pixels[:, 1] - 130).max() > 20  # as any line may


def test_a_joint_of_the_wall_goes_on_behind_a_string_and_a_drawn_line_ends_with_the_cloth() -> None:
    """Both end in the picture between the cloth and a string; only the joint is seen again beyond it."""
    picture = np.full((240, 500, 3), (120.0, 130.0, 140.0))
    picture[119:122] *= 0.6
    picture[:, 60:210] = (225.0, 220.0, 205.0)
    picture[79:82, 60:210] *= 0.6
    picture[:, 330:336] = (60.0, 40.0, 30.0)
    ridges = Ridges(evened(opponent(picture)))
    joint, line = (ridges.follow(strip, row, (0, 499), 3) for strip, row in (((255, 285), 120), ((120, 150), 80)))
    assert joint is not None and line is not None
    assert abs(joint.last - 330) < 12
    assert ridges.runs_on(joint) > 0.8 and ridges.runs_on(line) == 0.0


def test_a_mirror_image_shows_in_the_other_view() -> None:
    """The side that is higher is so from the back and from the front; the other way round one picture may be a mirror image."""

    def seen_from(view: View, tilt: float) -> Measured:
        reading = Reading("hip", "tilt", "deg", None, tilt, 0.3, "good", "")
        return Measured(Marks("a.jpg", "0" * 64, 1000, 1500, view), (reading,), {}, {}, None, (), (), None)

    told = [together([seen_from("back", 1.5), seen_from("front", tilt)])[0].basis for tilt in (-1.4, 1.4, 0.2)]
    assert [False, True, False] == ["mirror" in text for text in told]


def test_two_lens_heights_need_no_depth_of_the_body() -> None:
    """The drop is read off where the lens would stand level, from two pictures and no depth at all."""
    pictures = [back(52, lens_height_mm=height) for height in (860.0, 1300.0)]
    found = [measure(p.pixels, marked(s, p, give_depths=None)) for s, p in pictures]
    both = next(item for item in together(found) if (item.line, item.what) == ("hip", "drop"))
    assert both.value == pytest.approx(pictures[0][1].truth.lines["hip"].whole_drop_mm, abs=4.0)
    wrong = [replace(reading, value=(reading.value or 0) - 3 * reading.by_depth) for reading in _drops(found)]
    moved = [replace(one, readings=(reading,)) for one, reading in zip(found, wrong, strict=True)]
    assert together(moved)[0].value == pytest.approx(both.value, abs=2.0)  # though each by itself is off by much more
    assert abs((wrong[1].value or 0) - (_drops(found)[1].value or 0)) > 3.0


def _drops(found: list[Measured]) -> list[Reading]:
    readings = [one.reading("hip", "drop") for one in found]
    return [reading for reading in readings if reading is not None]


def test_a_side_picture_gives_the_depth_that_corrects_the_back() -> None:
    """With a side picture the hip's depth is known to about a centimetre, and a lens too high does no harm."""
    scene, picture = back(61, lens_height_mm=1150.0)
    side_scene, side = made(
        61, view="left", lens_height_mm=draw_scene(61).body.hip, distance_mm=3200.0, door_edges=2, string_side=1
    )
    pictures = [
        (picture.pixels, marked(scene, picture, give_depths=None)),
        (side.pixels, marked(side_scene, side, give_depths=None)),
    ]
    found = measure_all(pictures)
    depth = found[0].lines["hip"].depth_mm
    assert depth == pytest.approx(picture.truth.depths_mm["hip"], abs=16.0)
    drop = found[0].reading("hip", "drop")
    assert drop is not None and drop.value == pytest.approx(picture.truth.lines["hip"].whole_drop_mm, abs=4.0)
    rough = measure(*pictures[0]).reading("hip", "drop")
    assert rough is not None and (rough.error or 99.0) > (drop.error or 0.0)


def test_a_side_picture_tells_no_drop_at_centre_back() -> None:
    """What lies behind the outline is not to be seen: the course as far as the outline is a reading of its own."""
    scene, side = made(61, view="left", distance_mm=3200.0, door_edges=2, string_side=1)
    found = [measure(side.pixels, marked(scene, side))]
    assert found[0].reading("hip", "fall to the back outline") is not None
    assert all(item.what != "drop" for item in together(found))


def _reasons(found: Measured, what: str) -> Iterator[str]:
    for reading in found.readings:
        if reading.what == what:
            assert reading.value is None and reading.word == "don't use"
            yield reading.reason


def test_without_two_plumb_lines_nothing_is_told_about_level() -> None:
    """One plumb line is not enough: tilt, drop and lean are refused, and a warning says what to mark."""
    scene, picture = back()
    marks = marked(scene, picture)
    found = measure(picture.pixels, replace(marks, verticals=marks.verticals[:1]))
    assert all("plumb" in reason for what in ("tilt", "drop", "lean") for reason in _reasons(found, what))
    assert any("only one plumb line" in warning for warning in found.warnings)


def test_without_scale_there_are_angles_and_no_lengths() -> None:
    """No sheet and no width: tilt is told, drop is refused."""
    scene, picture = back()
    found = measure(picture.pixels, replace(marked(scene, picture), sheet=None))
    tilt = found.reading("hip", "tilt")
    assert tilt is not None and tilt.value == pytest.approx(picture.truth.lines["hip"].tilt_deg, abs=0.3)
    assert all("known size" in reason for reason in _reasons(found, "drop"))


def test_a_high_lens_is_refused_at_the_crotch() -> None:
    """More than 8 degrees above the line no drop is told at the crotch; the reason names the lens."""
    scene, picture = back(44, lens_height_mm=1450.0)
    found = measure(picture.pixels, marked(scene, picture))
    reading = found.reading("crotch", "drop")
    assert reading is not None and reading.value is None
    assert "from above" in reading.reason


def test_unknown_depth_and_unknown_focal_length_widen_the_error_off_line_height() -> None:
    """Seen from well above the line, a drop is less sure without the body's depth or the focal length; a girth helps."""
    scene, picture = back(44, lens_height_mm=1200.0)
    marks = marked(scene, picture)
    true = picture.truth.lines["hip"].whole_drop_mm
    known = measure(picture.pixels, marks).reading("hip", "drop")
    assert known is not None and known.value is not None and known.error is not None
    assert abs(known.value - true) < 2.5 * known.error
    for poorer in (replace(marks, depths_mm={}), replace(marks, focal_35mm=None)):
        reading = measure(picture.pixels, poorer).reading("hip", "drop")
        assert reading is not None and reading.reason
        if reading.value is not None:
            assert (reading.error or 0) > 1.05 * (known.error or 0) and reading.word == "fair"
            assert abs(reading.value - true) < 2.5 * (reading.error or 0)
    scene, picture = back(46, lens_height_mm=1200.0)
    marks = replace(marked(scene, picture), depths_mm={})
    bare = measure(picture.pixels, marks).reading("hip", "drop")
    tape = measure(picture.pixels, marks, Known(hip_girth=1000.0)).reading("hip", "drop")
    assert bare is not None and tape is not None and (tape.error or 99.0) < (bare.error or 0.0)


SCALE = 1.75  # px per millimetre of the cloth below


def _cloth(over: str = "", cover_mm: float = 0.0, *, ink: tuple[int, int, int] = (176, 60, 56)) -> np.ndarray:
    """Cloth from x = 200 to 700 before a wall, a dashed line across it in row 250; `over`: what lies on the left end of it."""
    image = np.full((500, 900, 3), (128, 138, 152), float)
    image[:, 200:701] = (226, 214, 188)
    for start in range(200, 700, 14):
        image[248:253, start : min(start + 10, 701)] = ink
    inner = round(200 + cover_mm * SCALE)
    if over == "bar":
        image[60:, inner - 100 : inner] = (188, 148, 124)
    elif over == "sleeve":
        image[60:, inner - 100 : inner] = (214, 204, 180)
    elif over == "fingers":
        image[200:300, inner - 150 : inner] = (188, 148, 124)
        image[202:300:16, inner - 150 : inner] = (110, 80, 66)
        image[250:252, inner - 150 : inner] = (110, 80, 66)
    noisy = image + np.random.default_rng(6).normal(0, 2.0, image.shape)
    return cv2.GaussianBlur(np.clip(noisy, 0, 255).astype(np.uint8), (0, 0), 0.8)


def _left_edge(image: np.ndarray, marked: float) -> Edge:
    track = snap(image, ((marked, 252.0), (450.0, 248.0), (702.0, 250.0)), SCALE, beyond_mm=9.0)
    return side_edge(image, track, SCALE, last=False, above_mm=26.0)


@pytest.mark.parametrize("cover_mm", [25.0, 70.0])
@pytest.mark.parametrize("over", ["bar", "sleeve", "fingers"])
def test_where_something_lies_over_the_end_of_a_line_it_is_last_seen_there(over: str, cover_mm: float) -> None:
    """Whether of another colour, nearly that of the cloth, or with gaps that run on like a line, and however far it reaches."""
    edge = _left_edge(_cloth(over, cover_mm), 200.0)
    assert edge.covered_from == pytest.approx(200 + cover_mm * SCALE, abs=6 * SCALE)
    assert abs(edge.place[0] - 200.0) < 2.5 * edge.error


@pytest.mark.parametrize("over", ["bar", "sleeve", "fingers"])
def test_an_outline_well_inside_the_marked_end_may_be_an_arms_own(over: str) -> None:
    """A centimetre of the line is missing: a careless point looks the same, so the place is told with an error that allows for it."""
    edge = _left_edge(_cloth(over, 12.0), 200.0)
    assert edge.covered_from is None
    assert abs(edge.place[0] - 200.0) < 2.5 * edge.error


@pytest.mark.parametrize("beyond_mm", [-8.0, 0.0, 8.0, 12.0])
@pytest.mark.parametrize("ink", [(176, 60, 56), (196, 184, 160), (40, 40, 44)])
def test_a_line_that_nothing_covers_ends_at_the_outline(ink: tuple[int, int, int], beyond_mm: float) -> None:
    """However pale its ink, and though its end was marked well inside or outside the cloth."""
    edge = _left_edge(_cloth(ink=ink), 200 - beyond_mm * SCALE)
    assert edge.covered_from is None
    assert edge.place[0] == pytest.approx(200.0, abs=1.5 * SCALE)


def test_an_end_marked_where_the_line_goes_under_an_arm_widens_the_tilt() -> None:
    """The body then seems turned, which from above looks like a tilt; the printed error allows for it."""
    scene, picture = back(45, lens_height_mm=1200.0)
    marks, true = marked(scene, picture), picture.truth.lines["hip"]
    scale, (x, y) = picture.truth.focal_px / scene.distance_mm, true.pixels[0]
    inner = float(x) + 40 * scale
    pixels = picture.pixels.copy()
    pixels[int(y - 200 * scale) :, int(inner - 70 * scale) : int(inner)] = (188, 148, 124)
    end = (inner, float(np.interp(inner, *true.pixels.T)))
    under = replace(marks, lines={"hip": (end, *marks.lines["hip"][1:])})
    usual = measure(picture.pixels, marks).reading("hip", "tilt")
    tilt = measure(pixels, under).reading("hip", "tilt")
    assert usual is not None and usual.error is not None and tilt is not None
    if tilt.value is not None:
        assert tilt.error is not None and tilt.error > 2 * usual.error
        assert abs(tilt.value - true.tilt_deg) < 2.5 * tilt.error


@pytest.mark.parametrize("seed", [45, 46, 47])
def test_an_arm_over_an_edge_is_noticed(seed: int) -> None:
    """Where something lies over the last two centimetres of a line, drop and tilt stay within their error or are refused for it."""
    scene, picture = back(seed)
    marks = marked(scene, picture)
    scale = picture.truth.focal_px / scene.distance_mm
    x, y = marks.lines["hip"][0]
    pixels = picture.pixels.copy()
    pixels[int(y - 150 * scale) : int(y + 150 * scale), int(x - 45 * scale) : int(x + 20 * scale)] = (188, 148, 124)
    found = measure(pixels, marks)
    drop, tilt = found.reading("hip", "drop"), found.reading("hip", "tilt")
    assert drop is not None and tilt is not None
    assert drop.value is not None or drop.reason == "a side edge is hidden"
    own = picture.truth.lines["hip"]
    for reading, true in ((drop, own.whole_drop_mm), (tilt, own.tilt_deg)):
        assert reading.value is None or abs(reading.value - true) < 2.5 * (reading.error or 0.0)


def test_a_hidden_edge_and_a_proposed_line_are_not_measured() -> None:
    """A side edge under an arm gives no drop; a line nobody confirmed gives nothing at all."""
    scene, picture = back()
    marks = marked(scene, picture)
    found = measure(picture.pixels, replace(marks, hidden=("hip:left",), proposed=("crotch",)))
    hip = found.reading("hip", "drop")
    assert hip is not None and hip.value is None and "hidden" in hip.reason
    assert found.reading("crotch", "tilt") is None
    assert any("only proposed" in warning for warning in found.warnings)


def test_a_turn_that_only_one_line_shows_may_be_an_arm_over_its_end() -> None:
    """A body turned by 7 degrees is turned at every line, so its tilt is as sure as ever; 2 cm of one end covered by something dark and
    marked as the end look like a turn at that line alone, and there the truth stays within two printed standard deviations."""
    below = draw_scene(41, view="back").body.hip - 250.0
    scene, picture = back(lens_height_mm=below, body_yaw_deg=7.0)
    marks = marked(scene, picture)
    true = picture.truth.lines["hip"].tilt_deg
    turned = measure(picture.pixels, marks).reading("hip", "tilt")
    assert turned is not None and turned.value is not None and turned.error is not None
    assert abs(turned.value - true) < 2 * turned.error < 0.3
    scale = setting(picture.pixels, marks).scale
    *rest, (x, y) = marks.lines["hip"]
    inner = x - 20 * scale
    pixels = picture.pixels.copy()
    pixels[int(y - 70 * scale) : int(y + 60 * scale), int(inner) : int(x + 60 * scale)] = (70, 90, 60)
    covered = measure(pixels, replace(marks, lines={**marks.lines, "hip": (*rest, (inner, y))})).reading("hip", "tilt")
    assert covered is not None and covered.value is not None and covered.error is not None
    assert abs(covered.value - true) < 2 * covered.error


@pytest.mark.parametrize(("below", "asked"), [(0.0, False), (250.0, True)])
def test_a_client_is_asked_to_face_the_lens_only_where_her_turn_looks_like_a_tilt(below: float, asked: bool) -> None:
    """From a lens at the line's height a turned body's level line looks level (the law of the false tilt)."""
    hip = draw_scene(41, view="back").body.hip
    scene, picture = back(lens_height_mm=hip - below, body_yaw_deg=7.0)
    marks = marked(scene, picture)
    found = measure(picture.pixels, replace(marks, hidden=("hip:left", "knee-left:left")))
    assert any("facing straight" in warning for warning in measure(picture.pixels, marks).warnings) is asked
    crossed = {warning for warning in found.warnings if "a side edge is hidden" in warning}
    assert {warning.partition(":")[0] for warning in crossed if "arms crossed" in warning} == {"hip"}
    assert {warning.partition(":")[0] for warning in crossed if "nothing before the legs" in warning} <= {"knee left"}


def test_a_waistline_is_read_where_one_is_drawn_and_the_top_edge_only_for_its_tilt() -> None:
    """A drawn line marked as the waistline tells what it tells under its own name; the top edge, which folds over, no drop."""
    scene, picture = back()
    marks = marked(scene, picture)
    hip = picture.truth.lines["hip"]
    drawn = measure(picture.pixels, replace(marks, lines={"waist": marks.lines["hip"]}))
    assert not drawn.lines["waist"].track.border
    for what, true, most in (("tilt", hip.tilt_deg, 0.2), ("drop", hip.whole_drop_mm, 2.0)):
        reading = drawn.reading("waist", what)
        assert reading is not None and reading.value == pytest.approx(true, abs=most)
    edge = measure(picture.pixels, marks)
    tilt, drop = edge.reading("waist", "tilt"), edge.reading("waist", "drop")
    assert edge.lines["waist"].track.border and tilt is not None and drop is not None
    assert tilt.value == pytest.approx(picture.truth.lines["waist"].tilt_deg, abs=0.3)
    assert drop.value is None and "top edge folds over" in drop.reason


def test_the_top_edge_of_the_cloth_is_not_taken_from_the_skin_to_the_shirt_above_it() -> None:
    """Pale cloth, a hand of skin, a dark shirt: the stronger step is the shirt's; what is asked is where the cloth ends."""
    height, width, top = 300, 500, 150
    pixels = np.full((height, width, 3), (244, 242, 238), np.uint8)
    pixels[:top] = (228, 196, 176)
    pixels[: top - 28] = (24, 26, 34)
    pixels = np.clip(pixels + np.random.default_rng(5).normal(0, 2, pixels.shape), 0, 255).astype(np.uint8)
    points = ((40.0, top + 6.0), (250.0, top - 9.0), (460.0, top + 4.0))
    track = snap(pixels, points, edge=True)
    assert track.clear
    assert np.abs(track.pixels[:, 1] - (top - 0.5)).max() < 2.0


def test_a_line_followed_onto_another_one_is_refused() -> None:
    """The crotch line's points lie beside the hip line: nothing is told of it, with the reason; the hip line stays as it was."""
    scene, picture = back()
    marks = marked(scene, picture)
    astray = replace(marks, lines={**marks.lines, "crotch": tuple((x, y + 20.0) for x, y in marks.lines["hip"])})
    found, usual = measure(picture.pixels, astray), measure(picture.pixels, marks)
    crotch = found.reading("crotch", "tilt")
    assert crotch is not None and crotch.value is None and "runs onto the hip" in crotch.reason
    assert found.reading("hip", "tilt") == usual.reading("hip", "tilt")


def test_printed_errors_are_neither_boastful_nor_timid() -> None:
    """Over a few pictures most true values lie within two printed standard deviations (tests/bench/photos.py counts many)."""
    off = []
    for seed in (41, 52, 61):
        scene, picture = back(seed)
        for reading in measure(picture.pixels, marked(scene, picture)).readings:
            if reading.value is not None and reading.error and reading.what in ("tilt", "drop", "v depth"):
                line = picture.truth.lines[reading.line]
                v_depth = 15 * sum(math.tan(math.radians(slope)) for slope in line.slopes_deg)
                true = {"tilt": line.tilt_deg, "drop": line.whole_drop_mm, "v depth": v_depth}[reading.what]
                off.append(abs(reading.value - true) / reading.error)
    assert len(off) > 15
    assert np.mean(np.array(off) < 2) > 0.75


def test_a_seam_that_runs_off_at_its_end_is_read_where_it_was_straight() -> None:
    """At its upper end a followed seam may jump to a fold; the centre of a line there is taken from the seam below."""
    y = np.arange(200.0, 700.0)
    x = 500 + 0.05 * (y - 200) - np.where(y < 216, 20.0, 0.0)
    seam = Track(np.stack([x, y], axis=1), covered=1.0, snr=10.0)
    points = ((300.0, 205.0), (480.0, 205.0), (700.0, 205.0))
    middle, error = seam_at(points, seam, 1.3)
    assert middle[0] == pytest.approx(500.25, abs=0.5)
    assert error < 2.0


def test_a_grainline_that_runs_off_to_a_dart_is_read_where_it_ran_straight() -> None:
    """Ten px to the side over its last 20 px: where it would cross the waist is told by the line below, and how far it strays."""
    y = np.arange(300.0, 900.0)
    straight = np.stack([620 - 0.08 * (y - 300), y], axis=1)
    off = straight + np.stack([np.where(y < 320, 10.0, 0.0), np.zeros_like(y)], axis=1)
    at, strays = straight_at(off, 300.0, 110.0)
    assert at == pytest.approx(620.0, abs=0.2)
    assert strays < 0.5
    wavy = straight + np.stack([3 * np.sin(y / 5), np.zeros_like(y)], axis=1)
    assert straight_at(wavy, 500.0, 110.0)[1] > 1.0


def test_the_grainline_seen_more_aslant_on_a_turned_body_has_the_wider_lean() -> None:
    """A body whose centre seam lies to the right is turned so that its right grainline faces away, and the other way round."""
    scene, picture = back()
    marks = marked(scene, picture)
    looked = look(picture.pixels, marks)
    assert looked.seam is not None
    wider = []
    for aside in (-10.0, 10.0):
        seam = replace(looked.seam, pixels=looked.seam.pixels + np.array([aside, 0.0]))
        found = measure(picture.pixels, marks, looked=replace(looked, seam=seam))
        errors = [reading.error or 0.0 for name in ("grain-left", "grain-right")
                  if (reading := found.reading(name, "lean")) is not None]  # fmt: skip
        wider.append(errors[1] - errors[0])
    assert wider[0] < -0.05 and wider[1] > 0.05


def test_a_grainline_that_wavers_is_a_less_certain_distance_from_the_centre() -> None:
    """By 2 mm to and fro over a hand's breadth, as on cloth in folds."""
    scene, picture = back()
    marks = marked(scene, picture)
    looked = look(picture.pixels, marks)
    pixels = looked.grains["grain-left"].pixels
    waves = 2.0 * looked.setting.scale * np.sin(2 * math.pi * pixels[:, 1] / (100 * looked.setting.scale))
    wavering = replace(looked.grains["grain-left"], pixels=pixels + np.stack([waves, 0 * waves], axis=1))
    still = measure(picture.pixels, marks, looked=looked).reading("grain-left", "from the centre at the hip")
    looked = replace(looked, grains={**looked.grains, "grain-left": wavering})
    moved = measure(picture.pixels, marks, looked=looked).reading("grain-left", "from the centre at the hip")
    assert still is not None and still.error is not None and moved is not None and moved.error is not None
    assert still.error < 2.5
    assert moved.error > 4.0


def test_without_plumb_lines_the_pitch_of_the_lens_counts_once_in_a_length() -> None:
    """How the lens was pitched changes how far a sheet seems away. The cameras it may have been hold that; the error of the distance, which
    is added to what they give, does not hold it again."""
    scene, picture = back()
    marks = marked(scene, picture)
    level, unlevelled = (setting(picture.pixels, one) for one in (marks, replace(marks, verticals=())))
    assert level.pose.levelled and not unlevelled.pose.levelled
    assert level.distance is not None and unlevelled.distance is not None
    by_pitch = max(abs(unlevelled.away_with(other) / unlevelled.distance - 1) for _, other in unlevelled.pose.others)
    assert by_pitch > 1.5 * level.distance_error
    assert unlevelled.distance_error == pytest.approx(level.distance_error, rel=0.1)
    assert abs(unlevelled.distance / level.distance - 1) < 2.5 * math.hypot(by_pitch, unlevelled.distance_error)


def test_a_turn_that_a_side_edge_explains_is_no_second_error_of_the_tilt(monkeypatch: pytest.MonkeyPatch) -> None:
    """An edge moved by its own error turns the body; a smaller turn in doubt adds nothing to that, a larger one counts instead."""
    scene, picture = back(45, lens_height_mm=1200.0)
    lines: list[Seen] = []
    monkeypatch.setattr(measuring, "read_line", lambda seen, beside: lines.append(seen) or [])
    measure(picture.pixels, replace(marked(scene, picture), hidden=("hip:left",)))
    hip = next(one for one in lines if one.name == "hip")
    by_edges = hip.parts(lambda numbers: numbers.tilt)["edges"]
    plain, small, large = (_tilt(hip, 0.0, share * by_edges).error for share in (0.0, 0.8, 2.0))
    assert plain is not None and large is not None
    assert small == plain
    assert large == pytest.approx(math.sqrt(plain**2 + 3 * by_edges**2))


def test_a_lens_that_would_look_down_by_forty_degrees_levels_nothing() -> None:
    """Nobody takes a whole person so; two edges that say it are no plumb lines."""
    pixels, pairs = _room((0.0, 1500.0, -3000.0), 40.0, 0.0)
    pose = posed(follow(pixels, pairs), 2900.0, 0.01)
    assert not pose.levelled
