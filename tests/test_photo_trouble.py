"""Pictures with the troubles of real ones, by the second maker: each number is right within its error, or refused with a reason."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import second_scene
from photo_sets import Shot, _shot

from fitdiag.photos.find_room import marked_corner
from fitdiag.photos.marks import Marks, parse_marks
from fitdiag.photos.measure import measure
from fitdiag.photos.propose import proposals

pytestmark = pytest.mark.long
SEED = 205
FAR = 3.5  # standard deviations
TROUBLES = [trouble for trouble in second_scene.TROUBLES if trouble != "mirrored"]


@cache
def _troubled(trouble: str) -> Shot:
    made = second_scene.make(SEED, "back", trouble=trouble)
    return _shot(trouble, made.pixels, made.truth, parse_marks(json.dumps(made.marks()), "made"))


@pytest.mark.parametrize("trouble", TROUBLES)
def test_a_troubled_picture_is_read_right_or_refused(trouble: str) -> None:
    """Marked by hand, no number lies far outside its printed error."""
    shot = _troubled(trouble)
    found = measure(shot.pixels, shot.marks)
    told = [(r, shot.truth(r.line, r.what)) for r in found.readings]
    wrong = [
        (r.line, r.what, r.value, r.error, true)
        for r, true in told
        if true is not None and r.value is not None and r.error is not None and abs(r.value - true) > FAR * r.error
    ]
    assert [] == wrong
    assert all(reading.reason for reading in found.readings if reading.value is None)


@pytest.mark.parametrize("trouble", ["half", "dark", "wallpaper", "arm"])
def test_lines_of_a_troubled_picture_are_found_or_doubted(trouble: str) -> None:
    """Without a mark the hip and the crotch line are found where they are, or doubted, or not offered."""
    shot = _troubled(trouble)
    bare = Marks("a.jpg", "0" * 64, shot.marks.width, shot.marks.height, "back", shot.marks.focal_35mm)
    found = proposals(shot.pixels, bare)
    for name in ("hip", "crotch"):
        if name in found.lines and name not in found.doubts:
            course = shot.courses[name]
            assert np.linalg.norm(course - found.lines[name][1], axis=1).min() < 10, name


def test_a_wrong_height_of_the_lens_is_noticed() -> None:
    """Typed 30 cm off, the lens's height is doubted by what the hip and the knee line say; typed right, it is not."""
    made = second_scene.make(SEED, "back")
    marks = parse_marks(json.dumps(made.marks()), "made")
    true = float(made.truth["lens_height_mm"])
    for off, noticed in ((0.0, False), (300.0, True), (-300.0, True)):
        found = measure(made.pixels, replace(marks, lens_height_mm=true + off))
        assert noticed == any("said to have stood" in warning for warning in found.warnings)


def test_the_marked_corner_tells_a_mirror_image() -> None:
    """A black square in the top left corner of a sheet is seen there, and in a mirror image on the right; a plain sheet has none."""
    picture = np.full((600, 500, 3), 90, np.uint8)
    picture[150:447, 120:330] = 235
    corners = ((119.5, 149.5), (329.5, 149.5), (329.5, 446.5), (119.5, 446.5))
    assert marked_corner(picture, corners) == ""
    picture[160:195, 130:165] = 40
    assert marked_corner(picture, corners) == "left"
    turned = picture[:, ::-1]
    assert (
        marked_corner(turned, tuple((499.0 - x, y) for x, y in (corners[1], corners[0], corners[3], corners[2])))
        == "right"
    )
