"""Pictures with the troubles of real ones, by the second maker: each number is right within its error, or refused with a reason."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import photo_sets
import pytest
import second_scene
from photo_sets import Shot, Truth, _shot
from PIL import Image
from scipy.ndimage import gaussian_filter

from fitdiag.photos.find_room import marked_corner
from fitdiag.photos.marks import Marks, parse_marks
from fitdiag.photos.measure import measure
from fitdiag.photos.propose import proposals
from fitdiag.photos.readings import Measured

SEED = 205
SMALL = {"view": "back", "width": 1050, "height": 1400, "dashed": False, "sheet": True}
FAR = 3.5  # standard deviations
TROUBLES = [trouble for trouble in second_scene.TROUBLES if trouble != "mirrored"]


@cache
def _troubled(trouble: str) -> Shot:
    made = second_scene.make(SEED, "back", trouble=trouble)
    return _shot(trouble, made.pixels, made.truth, parse_marks(json.dumps(made.marks()), "made"))


@cache
def _small() -> Shot:
    """A small picture by the first maker."""
    return next(photo_sets.first([3103], **SMALL))[0]


def _halved(shot: Shot) -> tuple[np.ndarray, Marks]:
    """Half the size, as messengers send it, with its marks."""

    def half(points: Any) -> Any:
        return tuple(((x + 0.5) / 2 - 0.5, (y + 0.5) / 2 - 0.5) for x, y in points)

    marks, pixels = shot.marks, np.asarray(Image.fromarray(shot.pixels).reduce(2))
    return pixels, replace(
        marks, width=pixels.shape[1], height=pixels.shape[0], centre_seam=half(marks.centre_seam),
        lines={name: half(points) for name, points in marks.lines.items()},
        grains={name: half(points) for name, points in marks.grains.items()},
        verticals=tuple(half(pair) for pair in marks.verticals),
        sheet=marks.sheet and replace(marks.sheet, corners=half(marks.sheet.corners)),
    )  # fmt: skip


def _as_was(spoil: Callable[[np.ndarray], Any]) -> Callable[[Shot], tuple[np.ndarray, Marks]]:
    return lambda shot: (np.clip(spoil(shot.pixels.astype(float)), 0, 255).astype(np.uint8), shot.marks)


SPOILED: dict[str, Callable[[Shot], tuple[np.ndarray, Marks]]] = {
    "half": _halved,
    "dark": _as_was(lambda pixels: 0.22 * pixels + np.random.default_rng(1).normal(0, 2.5, pixels.shape)),
    "blurred": _as_was(lambda pixels: gaussian_filter(pixels, (2.2, 2.2, 0))),
    "grainy": _as_was(lambda pixels: pixels + np.random.default_rng(2).normal(0, 14, pixels.shape)),
}


@pytest.mark.parametrize("spoil", SPOILED)
def test_a_spoiled_copy_is_read_right_or_refused(spoil: str) -> None:
    """Half the size, dark, blurred or grainy: no number lies far outside its printed error, what is refused says why."""
    pixels, marks = SPOILED[spoil](_small())
    _right_or_refused(measure(pixels, marks), _small().truth)


def _right_or_refused(found: Measured, truth: Truth) -> None:
    told = [(r, truth(r.line, r.what)) for r in found.readings]
    wrong = [
        (r.line, r.what, r.value, r.error, true)
        for r, true in told
        if true is not None and r.value is not None and r.error is not None and abs(r.value - true) > FAR * r.error
    ]
    assert [] == wrong
    assert all(reading.reason for reading in found.readings if reading.value is None)
    assert found.readings


@pytest.mark.long
@pytest.mark.parametrize("trouble", TROUBLES)
def test_a_troubled_picture_is_read_right_or_refused(trouble: str) -> None:
    """Marked by hand, no number lies far outside its printed error."""
    shot = _troubled(trouble)
    _right_or_refused(measure(shot.pixels, shot.marks), shot.truth)


@pytest.mark.long
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


@pytest.mark.long
def test_a_wrong_height_of_the_lens_is_noticed() -> None:
    """Typed 30 cm off, the lens's height is doubted by what the hip and the knee line say; typed right, it is not."""
    made = second_scene.make(SEED, "back")
    marks = parse_marks(json.dumps(made.marks()), "made")
    true = float(made.truth["lens_height_mm"])
    for off, noticed in ((0.0, False), (300.0, True), (-300.0, True)):
        found = measure(made.pixels, replace(marks, lens_height_mm=true + off))
        assert noticed == any("lens height was given as" in warning for warning in found.warnings)


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
