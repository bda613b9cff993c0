"""The maker of test pictures: it repeats itself, projects as the laws say, and paints its lines where its truth says."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import photo_scene as ps
import pytest

SMALL = {"width": 900, "height": 1200}


def _plain(seed: int, view: str, **fixed: object) -> ps.Scene:
    """A clean picture of evenly coloured cloth with dark lines and light grain lines, lit from straight ahead."""
    colours = {
        "cloth": (150, 150, 154),
        "line_colour": (20, 20, 22),
        "grain_colour": (246, 246, 240),
        "arm": "",
        "light": 0.0,
    }
    return ps.clean_scene(ps.draw_scene(seed, view=view, **SMALL, **fixed), line_width_mm=3.0, **colours)


def _centroid(grey: np.ndarray, x: float, y: float, across: np.ndarray, reach: float) -> float:
    """How far (px) along `across` from (x, y) the middle of the painted line is, its neighbourhood taken as even."""
    steps = np.arange(-reach, reach + 0.01, 0.1)
    px, py = x + steps * across[0], y + steps * across[1]
    ix, iy = np.floor(px).astype(int), np.floor(py).astype(int)
    fx, fy = px - ix, py - iy
    row = (grey[iy, ix] * (1 - fx) + grey[iy, ix + 1] * fx) * (1 - fy)
    row = row + (grey[iy + 1, ix] * (1 - fx) + grey[iy + 1, ix + 1] * fx) * fy
    ground = np.interp(steps, [steps[0], steps[-1]], [row[:5].mean(), row[-5:].mean()])
    weight = np.abs(row - ground)
    total = float(np.sum(weight))
    return float(np.sum(steps * weight)) / total if total > 1.0 else math.nan  # nan: another line runs across here


def _offsets(grey: np.ndarray, points: np.ndarray) -> np.ndarray:
    along = np.gradient(points, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    picked = range(len(points) // 12, len(points) - len(points) // 12, 5)
    return np.array([_centroid(grey, *points[i], np.array([-along[i, 1], along[i, 0]]), 5.0) for i in picked])


def test_same_seed_same_picture() -> None:
    """The same seed gives the same scene, the same pixels and the same marks; another seed another picture."""
    first, again, other = (ps.render(ps.draw_scene(seed, **SMALL)) for seed in (7, 7, 8))
    assert first.scene == again.scene
    assert np.array_equal(first.pixels, again.pixels)
    assert not np.array_equal(first.pixels, other.pixels)
    marks = [ps.marks_dict(r.scene, r, np.random.default_rng(1), give_depths=10.0) for r in (first, again)]
    assert marks[0] == marks[1]


def test_another_lens_height_keeps_the_body() -> None:
    """The same seed seen from another height is the same body with the same lines."""
    low, high = (ps.draw_scene(11, view="back", lens_height_mm=h) for h in (860.0, 1350.0))
    assert (low.body, low.lines, low.grains) == (high.body, high.lines, high.grains)


@pytest.mark.parametrize("pitch", [0.0, 12.0])
def test_projection_follows_the_false_dip_law(pitch: float) -> None:
    """A point at depth z is seen in the plane Z = 0 at Hc + (h - Hc) D / (D - z), pitched or not (similar triangles)."""
    scene = replace(ps.draw_scene(3), pitch_deg=pitch, roll_deg=1.5)
    lens, far, depth, height = scene.lens_height_mm, scene.distance_mm, 120.0, 830.0
    stretched = far / (far - depth)
    seen = ps.project(
        scene, np.array([[80.0, height, depth], [80.0 * stretched, lens + (height - lens) * stretched, 0.0]])
    )
    assert np.allclose(seen[0], seen[1], atol=1e-6)


def test_level_camera_has_the_stated_focal_length() -> None:
    """Level and unrolled, the lens's own height is on the middle row, and x / D times the focal length is the column."""
    scene = replace(ps.draw_scene(4), pitch_deg=0.0, roll_deg=0.0, focal_35mm=50.0)
    x, y = ps.project(scene, np.array([200.0, scene.lens_height_mm, 0.0]))
    assert y == pytest.approx((scene.height - 1) / 2, abs=1e-9)
    # 36 x 24 mm film has a diagonal of 43.267 mm
    focal = 50.0 / math.hypot(36.0, 24.0) * math.hypot(scene.width, scene.height)
    assert (x - (scene.width - 1) / 2) * scene.distance_mm / 200.0 == pytest.approx(focal, rel=1e-5)


def test_level_ring_looks_low_by_the_law() -> None:
    """Square to the lens, a level hip line's centre is seen b tan(eps) D / (D - b) under its side-seam plane."""
    scene = ps.level_ring_scene(5, 1500.0, view="back", body_yaw_deg=0.0, body_x_mm=0.0, pitch_deg=0.0, roll_deg=0.0)
    line, _track, _course, width, depth = ps._line_truth(scene, scene.lines[1])
    assert line.drop_mm == pytest.approx(0.0, abs=1e-9)
    assert width == pytest.approx(2 * scene.body.half_width, rel=0.02)
    px_mm = ps.focal_px(scene) / scene.distance_mm
    level = (scene.height - 1) / 2 + (scene.lens_height_mm - line.height_mm) * px_mm
    eps = math.atan2(scene.lens_height_mm - line.height_mm, scene.distance_mm)
    law = depth * math.tan(eps) * scene.distance_mm / (scene.distance_mm - depth)
    assert (line.ends[1][1] - level) / px_mm == pytest.approx(law, abs=0.05)


def test_truth_repeats_the_numbers_that_were_drawn() -> None:
    """Tilt, drop and V of the truth are those of the scene, with the tilt turned round for the front view."""
    for view, sign in (("back", 1), ("front", -1)):
        scene = ps.draw_scene(6, view=view, arm="")
        hip = replace(scene.lines[1], tilt=2.0, drop=15.0, front_drop=4.0, v_depth=8.0, v_left=40.0, v_right=60.0)
        truth = ps._line_truth(scene, hip)[0]
        assert truth.tilt_deg == pytest.approx(sign * 2.0, abs=0.02)
        assert truth.drop_mm == pytest.approx(15.0 if view == "back" else 4.0, abs=0.05)
        assert -sum(truth.end_drops_mm) / 2 == pytest.approx(truth.drop_mm)
        assert truth.v_depth_mm == (8.0 if view == "back" else 0.0)
        assert truth.v_angle_deg[0] == (pytest.approx(math.degrees(math.atan(8 / 40))) if view == "back" else 0.0)


def test_grain_distance_is_the_arc_of_the_section() -> None:
    """On a plain elliptic back the grain's distance from the centre back is the ellipse's arc, summed from its equation."""
    scene = ps.level_ring_scene(13, 900.0, view="back")
    scene = replace(scene, body=replace(scene.body, back_power=2.0, flat=2.0, cleft=0.0))
    grain = ps._grain_truth(scene, replace(scene.grains[1], out=90.0, lean=2.0, bow=0.0))[0]
    assert grain.tilt_deg == pytest.approx(2.0, abs=0.01)
    hip = scene.body.hip
    a = float(ps.surface(scene.body, 1.0, np.array(90.0), np.array(hip))[0])
    b = float(ps.surface(scene.body, 1.0, np.array(0.0), np.array(hip))[1])
    u = np.linspace(0.0, 90.0, 20001)
    arc = float(np.sum(np.hypot(np.diff(u), np.diff(b * np.sqrt(1 - (u / a) ** 2)))))
    assert grain.distance_mm["hip"] == pytest.approx(arc, abs=0.05)


@pytest.mark.parametrize(("seed", "view"), [(1, "back"), (2, "front"), (3, "left"), (4, "right")])
def test_painted_lines_lie_on_the_truth(seed: int, view: str) -> None:
    """In a clean picture the middle of every painted line is within 0.1 px of the truth's pixels, in every view."""
    rendered = ps.render(_plain(seed, view))
    grey = rendered.pixels.astype(float).mean(axis=2)
    tracks = {name: line.pixels for name, line in rendered.truth.lines.items() if name != "waist"}
    tracks |= {name: grain.pixels for name, grain in rendered.truth.grains.items()}
    assert {"hip", "crotch"} <= set(tracks)
    for name, points in tracks.items():
        off = _offsets(grey, points)
        assert abs(float(np.nanmedian(off))) < 0.03, name
        assert float(np.nanquantile(np.abs(off), 0.9)) < 0.1, name


def test_waist_edge_and_outline_lie_on_the_truth() -> None:
    """The step from top to trousers is at the truth's waist, and the outline passes the ends of the hip line."""
    pale = (240, 238, 232)
    scene = replace(_plain(9, "back"), top=pale, wall=pale, sheet=False, string_side=0, opacity=0.0)
    rendered = ps.render(scene)
    grey = rendered.pixels.astype(float).mean(axis=2)
    waist = rendered.truth.lines["waist"].pixels
    off = []
    for x in range(round(waist[0, 0]) + 30, round(waist[-1, 0]) - 30, 7):
        truth = float(np.interp(x, waist[:, 0], waist[:, 1]))
        rows = np.arange(round(truth) - 6, round(truth) + 7)
        top, cloth = grey[rows[0], x], grey[rows[-1], x]
        off.append(rows[0] - 0.5 + np.sum((grey[rows, x] - cloth) / (top - cloth)) - truth)
    assert np.median(off) == pytest.approx(0.0, abs=0.1)
    for sign, (x, y) in zip((1, -1), rendered.truth.lines["hip"].ends[::2], strict=True):
        columns = np.arange(round(x) - 8, round(x) + 9)
        seen = []
        for row in (math.floor(y), math.ceil(y)):
            wall, body = grey[row, columns[0 if sign > 0 else -1]], grey[row, columns[8 + sign * 2]]
            wall_share = np.clip((grey[row, columns] - body) / (wall - body), 0, 1).sum()
            seen.append(columns[0] - 0.5 + wall_share if sign > 0 else columns[-1] + 0.5 - wall_share)
        assert np.interp(y % 1, [0, 1], seen) == pytest.approx(x, abs=0.25)


def test_arm_hides_a_side_edge() -> None:
    """An arm over a side edge is named in the truth, and the visible course stops at it."""
    rendered = ps.render(ps.draw_scene(2, view="front", arm="right", **SMALL))
    assert "hip:right" in rendered.truth.hidden
    hip = rendered.truth.lines["hip"]
    assert hip.pixels[-1, 0] < hip.ends[2][0] - 3
    assert "hip:right" in ps.marks_dict(rendered.scene, rendered, np.random.default_rng(0))["hidden"]


def test_marks_are_off_by_the_stated_distance() -> None:
    """Every mark is 6 px from its true place, and the document has every part the sidecar needs."""
    rendered = ps.render(ps.draw_scene(12, view="back", sheet=True, sheet_behind_mm=30.0, **SMALL))
    marks = ps.marks_dict(rendered.scene, rendered, np.random.default_rng(2), give_depths=0.0, give_widths=True)
    for name, line in rendered.truth.lines.items():
        gaps = np.linalg.norm(np.array(marks["lines"][name]) - np.array(line.ends), axis=1)
        assert gaps == pytest.approx([6.0] * 3, abs=0.02)
    assert marks["depths_mm"]["hip"] == pytest.approx(rendered.truth.depths_mm["hip"], abs=0.06)
    assert {"hip", "crotch", "waist"} <= set(marks["widths_mm"])
    assert len(rendered.truth.verticals) == len(marks["verticals"])
