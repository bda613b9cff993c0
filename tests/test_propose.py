"""Proposals: found on pictures with known answers, named as the wearer would, never over the fitter's marks, never measured."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import photo_scene as ps
import pytest
from scipy.spatial import cKDTree

from fitdiag.photos.marks import Marks, as_json, parse_marks
from fitdiag.photos.measure import measure
from fitdiag.photos.propose import proposals
from fitdiag.photos.snap import snap

WIDTH, HEIGHT = 1200, 1600
ALL = {"hip", "crotch", "knee-left", "knee-right", "grain-left", "grain-right"}
CLEAN = [(3101, "back"), (3102, "front")]


def _scene(seed: int, view: str) -> ps.Scene:
    looks = {
        "cloth": (150, 150, 154),
        "line_colour": (196, 30, 36),
        "grain_colour": (246, 246, 240),
        "wall": (228, 226, 220),
    }
    return ps.clean_scene(
        ps.draw_scene(seed, view=view, width=WIDTH, height=HEIGHT, **looks), line_width_mm=2.5, arm=""
    )


@functools.cache
def _picture(seed: int, view: str) -> ps.Rendered:
    return ps.render(_scene(seed, view))


def _unmarked(view: str) -> Marks:
    return Marks("picture.jpg", "0" * 64, WIDTH, HEIGHT, view)  # type: ignore[arg-type]


@functools.cache
def _found(seed: int, view: str) -> Marks:
    return proposals(_picture(seed, view).pixels, _unmarked(view))


def _away(rendered: ps.Rendered, marks: Marks, name: str) -> float:
    """Median distance, px, of a snapped proposal from the true course of the line of this name."""
    truth = {**rendered.truth.lines, **rendered.truth.grains}[name].pixels
    track = snap(rendered.pixels, {**marks.lines, **marks.grains}[name]).pixels[::4]
    return float(np.median(cKDTree(truth).query(track)[0]))


@pytest.mark.parametrize(("seed", "view"), CLEAN)
def test_all_lines_of_a_clean_picture_are_found(seed: int, view: str) -> None:
    """On a clean picture each line is proposed, lies on the true course, and bears the wearer's left or right."""
    rendered, marks = _picture(seed, view), _found(seed, view)
    assert set(marks.proposed) >= ALL
    assert {name: _away(rendered, marks, name) < 3.0 for name in ALL} == dict.fromkeys(ALL, True)


@pytest.mark.parametrize(("seed", "view"), CLEAN)
def test_points_stand_where_a_fitter_sets_them(seed: int, view: str) -> None:
    """A balance line's points are its side edges and the centre seam, from the picture's left to its right; grains run down."""
    rendered, marks = _picture(seed, view), _found(seed, view)
    for name in ("hip", "crotch"):
        for given, true in zip(marks.lines[name], rendered.truth.lines[name].ends, strict=True):
            assert np.hypot(given[0] - true[0], given[1] - true[1]) < 15, (name, given, true)
    for name in ("knee-left", "knee-right"):
        true = rendered.truth.lines[name].ends
        assert abs(marks.lines[name][0][0] - true[0][0]) < 15 and abs(marks.lines[name][-1][0] - true[-1][0]) < 15
    assert all(points[0][1] < points[1][1] < points[2][1] for points in marks.grains.values())


def test_everything_added_is_flagged() -> None:
    """Each line and grain that was added is named in `proposed`; nothing without such a flag is touched."""
    bare, marks = _unmarked("back"), _found(*CLEAN[0])
    assert ALL <= set(marks.proposed)
    assert {*marks.lines, *marks.grains} <= set(marks.proposed)
    assert replace(marks.confirmed(), proposed=(), doubts={}) == bare


def test_what_is_marked_stays_as_it_is() -> None:
    """A line that the fitter marked keeps its points and is not called proposed, wherever it lies."""
    own = replace(
        _unmarked("back"),
        lines={"hip": ((10.0, 20.0), (60.0, 22.0), (110.0, 20.0))},
        grains={"grain-left": ((5.0, 5.0), (5.0, 50.0), (5.0, 99.0))},
        verticals=(((30.0, 10.0), (30.0, 900.0)),),
    )
    marks = proposals(_picture(*CLEAN[0]).pixels, own)
    assert marks.lines["hip"] == own.lines["hip"]
    assert marks.grains["grain-left"] == own.grains["grain-left"]
    assert marks.verticals == own.verticals
    assert set(marks.proposed) & ALL == ALL - {"hip", "grain-left"}


def test_a_line_marked_by_another_name_is_not_proposed_again() -> None:
    """Where the fitter calls a line the crotch line, the same line is not offered as the hip line."""
    hip = _found(*CLEAN[0]).lines["hip"]
    marks = proposals(_picture(*CLEAN[0]).pixels, replace(_unmarked("back"), lines={"crotch": hip}))
    assert "hip" not in marks.lines
    assert marks.lines["crotch"] == hip


def test_the_result_is_a_sidecar_that_reads_back() -> None:
    """Marks with proposals are written as a sidecar and read back the same."""
    marks = _found(*CLEAN[1])
    assert parse_marks(as_json(marks), "picture.marks.json") == marks


def test_measuring_refuses_what_is_only_proposed() -> None:
    """Nothing is read off a proposed line until it is confirmed; afterwards it is."""
    pixels, marks = _picture(*CLEAN[0]).pixels, _found(*CLEAN[0])
    before = measure(pixels, marks)
    assert before.readings == ()
    (told,) = [warning for warning in before.warnings if "only proposed" in warning]
    assert all(name.replace("-", " ") in told for name in ALL)
    after = measure(pixels, replace(marks, proposed=tuple(name for name in marks.proposed if name != "hip")))
    assert {reading.line for reading in after.readings} == {"hip"}


def test_an_empty_wall_gives_none() -> None:
    """A wall with three dark bars across it, but nobody in front of it, gives no proposal."""
    rng = np.random.default_rng(3200)
    wall = np.full((HEIGHT, WIDTH, 3), (200.0, 196.0, 186.0))
    for row in (700, 800, 1300):
        wall[row : row + 5] *= 0.5
    pixels = np.clip(wall + rng.normal(0, 5, wall.shape), 0, 255).astype(np.uint8)
    assert proposals(pixels, _unmarked("back")) == _unmarked("back")


def test_trousers_without_lines_give_none() -> None:
    """Trousers on which nothing is drawn give no proposal: hems, shading and the centre seam are no balance lines."""
    pixels = ps.render(replace(_scene(3103, "back"), opacity=0.0)).pixels
    assert set(proposals(pixels, _unmarked("back")).proposed) <= {"verticals", "sheet"}


def test_a_third_line_misleads_none() -> None:
    """With a third line round the trunk the two are still named rightly, or doubted."""
    scene = _scene(*CLEAN[0])
    hip = next(line for line in scene.lines if line.name == "hip")
    rendered = _picture(*CLEAN[0])
    pixels = rendered.pixels.copy()
    rise = (scene.body.waist - hip.height) * 0.4 * ps.focal_px(scene) / scene.distance_mm
    course = rendered.truth.lines["hip"].pixels
    for x, y in course[6:-6].round().astype(int):
        pixels[y - round(rise) - 1 : y - round(rise) + 2, x] = scene.line_colour
    marks = proposals(pixels, _unmarked("back"))
    wrong = {name for name in ("hip", "crotch") if name in marks.lines and _away(rendered, marks, name) > 3}
    assert wrong <= set(marks.doubts)


def test_a_hip_line_that_ends_at_an_arm_is_doubted() -> None:
    """Five centimetres of its right end lie under an arm that hangs straight down, and the centre seam shows it."""
    rendered, scene = _picture(*CLEAN[1]), _scene(*CLEAN[1])
    scale = ps.focal_px(scene) / scene.distance_mm
    end, row = rendered.truth.lines["hip"].pixels[-1]
    pixels = rendered.pixels.copy()
    pixels[: round(row + 150 * scale), round(end - 50 * scale) : round(end + 20 * scale)] = (188, 148, 124)
    marks = proposals(pixels, _unmarked("front"))
    found = marks.lines.get("hip")
    assert found is None or "hip" in marks.doubts or abs(found[-1][0] - end) < 15 * scale


@pytest.mark.parametrize("shape", [(60, 40, 3), (1, 1, 3), (120, 1600, 3), (1600, 120, 3)])
def test_odd_shapes_are_taken(shape: tuple[int, int, int]) -> None:
    """Very small, broad or tall pictures give no proposal and no fault."""
    pixels = np.random.default_rng(1).integers(0, 255, shape, dtype=np.uint8)
    marks = Marks("picture.jpg", "0" * 64, shape[1], shape[0], "back")
    assert proposals(pixels, marks) == marks
