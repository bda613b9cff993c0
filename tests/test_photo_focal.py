"""Focal lengths that were typed wrong and pictures that were cut: corrected, widened or doubted, by what the picture itself shows."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from test_photo_measuring import drawn_by_opencv

from fitdiag.photos.marks import Marks
from fitdiag.photos.setting import Setting, setting

LENS_OVER_FLOOR = 1200.0 - 50.0  # the picture's hip line is drawn 50 mm higher than usual


@cache
def picture() -> tuple[np.ndarray, Marks]:
    """The picture of all tests, with its marks."""
    return drawn_by_opencv(0.0)


@cache
def true_focal() -> float:
    """The focal length by the marks as they are, px."""
    return setting(*picture()).camera.focal


def said(times: float, *, typed: bool, **more: object) -> Setting:
    """The picture with a focal length some times the true one in its marks."""
    pixels, marks = picture()
    focal = (marks.focal_35mm or 0.0) * times
    return setting(pixels, replace(marks, focal_35mm=focal, focal_typed=typed, **more))  # type: ignore[arg-type]


def error(where: Setting, source: str) -> float:
    """The share of the focal length, or of the width, by which the camera may be off for this reason."""
    others = [camera for why, camera in where.pose.others if why == source]
    if source == "focal length":
        return max(abs(camera.focal / where.camera.focal - 1) for camera in others)
    return max((abs(camera.middle[0] - where.camera.middle[0]) for camera in others), default=0.0)


def test_a_focal_length_of_the_file_is_believed_and_one_typed_is_less_sure() -> None:
    """Typed right it stays about where it is, with an error that covers those who zoom and do not say so."""
    file, typed = said(1.0, typed=False), said(1.0, typed=True)
    assert file.focal_known and not typed.focal_known
    assert error(file, "focal length") == pytest.approx(0.01)
    assert 0.05 < error(typed, "focal length") < 0.3
    assert typed.camera.focal == pytest.approx(true_focal(), rel=error(typed, "focal length"))


@pytest.mark.parametrize("times", [1 / 1.6, 1.6, 2.0])
def test_a_focal_length_typed_wrong_lies_within_its_error(times: float) -> None:
    """The picture is tilted by six degrees: what that makes of the lens's height and distance says how much may be wrong."""
    where = said(times, typed=True)
    assert abs(true_focal() / where.camera.focal - 1) < 3 * error(where, "focal length")


def test_a_lens_height_helps_against_a_wrong_focal_length() -> None:
    """With the height of the lens over the floor, the focal length comes nearer the truth, and is surer."""
    without, with_it = said(1.6, typed=True), said(1.6, typed=True, lens_height_mm=LENS_OVER_FLOOR)
    assert abs(with_it.camera.focal - true_focal()) < abs(without.camera.focal - true_focal())
    assert error(with_it, "focal length") < error(without, "focal length")


@pytest.mark.parametrize(
    ("times", "why"), [(2.3, "above the floor"), (0.45, "nearer than anyone"), (3.0, "farther than")]
)
def test_a_file_that_cannot_be_right_is_doubted_with_the_reason(times: float, why: str) -> None:
    """Where the lens would have stood in no usual place, the focal length of the file is not believed either."""
    where = said(times, typed=False)
    assert any(why in warning for warning in where.warnings) and not where.focal_known
    assert abs(true_focal() / where.camera.focal - 1) < 3 * error(where, "focal length")


def cut(left: int) -> tuple[np.ndarray, Marks]:
    """The picture without its first columns."""

    def moved(points: tuple) -> tuple:
        return tuple((x - left, y) for x, y in points)

    pixels, marks = picture()
    sheet = marks.sheet and replace(marks.sheet, corners=moved(marks.sheet.corners))
    lines = {name: moved(line) for name, line in marks.lines.items()}
    verticals = tuple(moved(pair) for pair in marks.verticals)
    return pixels[:, left:].copy(), replace(
        marks, width=marks.width - left, lines=lines, verticals=verticals, sheet=sheet
    )


@pytest.mark.parametrize(
    ("left", "why"), [(300, "not a camera's shape"), (450, "far from the middle")], ids=["another shape", "16 to 9"]
)
def test_a_picture_cut_at_one_side_is_taken_as_aimed_at_the_body(left: int, why: str) -> None:
    """Cut into a shape of no camera, or with the body far from its middle, a picture is known as cut; where the lens pointed, in the
    whole picture 900 px from the left, lies within the error."""
    where = setting(*cut(left))
    assert any(why in warning for warning in where.warnings)
    assert abs(where.camera.middle[0] + left - 899.5) < 2 * error(where, "crop")
    assert error(setting(*picture()), "crop") == 0.0


def test_a_picture_that_its_file_calls_cut_is_taken_as_cut() -> None:
    """What the file says of its former shape counts where shape and body say nothing."""
    pixels, marks = picture()
    where = setting(pixels, replace(marks, cropped=True))
    assert any("once had another shape" in warning for warning in where.warnings) and not where.focal_known
    assert error(where, "crop") > 0


def test_a_sheet_behind_the_body_gives_a_longer_lens_more_than_its_share_of_distance() -> None:
    """Twice as far from the sheet is more than twice as far from a body that stands 80 cm before it, so lengths depend on the lens."""
    pixels, marks = picture()
    assert marks.sheet is not None
    level = replace(marks, verticals=())
    for behind in (0.0, 800.0):
        where = setting(pixels, replace(level, sheet=replace(marks.sheet, behind_mm=behind)))
        twice = where.away_with(replace(where.camera, focal=2 * where.camera.focal))
        assert twice == pytest.approx(2 * where.away + behind, rel=0.001)
