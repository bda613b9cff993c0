"""Plumb lines and a sheet of paper found in a drawn room: what is beside the truth is left out, not taken for it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageDraw

from fitdiag.photos.camera import Camera
from fitdiag.photos.find_lines import find_lines
from fitdiag.photos.find_room import _side_elsewhere, find_sheet, find_uprights
from fitdiag.photos.level import follow, posed
from fitdiag.photos.marks import A4, Marks, upright
from fitdiag.photos.propose import _shown

WIDE, TALL, FOCAL, AWAY = 900, 1200, 1100.0, 3000.0  # px, mm
TWICE = 2  # drawn so many times as large, then made smaller: edges between pixels
Pixels = np.ndarray


def camera(pitch: float, roll: float) -> Camera:
    """A camera that looks down by `pitch` degrees."""
    p, r = math.radians(pitch), math.radians(roll)
    up = (-math.sin(r) * math.cos(p), -math.cos(r) * math.cos(p), -math.sin(p))
    return Camera(FOCAL, ((WIDE - 1) / 2, (TALL - 1) / 2), up)


class Room:
    """A wall that faces the lens, on which lines and patches are drawn at places in mm right of and over the lens."""

    def __init__(self, seen: Camera) -> None:
        self.seen = seen
        self.image = Image.new("RGB", (WIDE * TWICE, TALL * TWICE), (150, 165, 160))
        self.draw = ImageDraw.Draw(self.image)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """The pixel in which a place of the wall is seen."""
        px, py = self.seen.pixels(np.array([[x / AWAY, y / AWAY]]))[0]
        return float(px), float(py)

    def patch(self, places: list[tuple[float, float]], colour: tuple[int, int, int]) -> None:
        """Something plain with these corners."""
        larger = [tuple((value + 0.5) * TWICE - 0.5 for value in self.at(*place)) for place in places]
        self.draw.polygon(larger, fill=colour)

    def post(self, x: float, top: float, bottom: float, lean: float = 0.0, wide: float = 40.0) -> None:
        """An upright board; `lean`: degrees off plumb."""
        shift = (top - bottom) * math.tan(math.radians(lean))
        self.patch([(x + shift, top), (x + wide + shift, top), (x + wide, bottom), (x, bottom)], (95, 60, 30))

    def pixels(self, noise: float = 2.0) -> Pixels:
        """What the lens sees, with a little noise."""
        seen = np.asarray(self.image.reduce(TWICE), float) + np.random.default_rng(3).normal(0, noise, (TALL, WIDE, 1))
        return np.clip(seen, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("pitch", (3.0, 18.0))
def test_a_chair_beside_the_body_does_not_turn_what_is_level(pitch: float) -> None:
    """A door frame on either side is plumb; three posts of a chair on one side lean together, and would be plumb for another camera."""
    room = Room(camera(pitch, 1.0))
    for x in (-1050.0, 900.0, 1120.0):
        room.post(x, 900, -1500)
    for x, lean in ((690.0, 1.4), (745.0, 1.5), (800.0, 1.6)):
        room.post(x, 100, -1400, lean, wide=22.0)
    pairs, pose = find_uprights(room.pixels(), FOCAL, 0.01, (330.0, 570.0))
    assert pose is not None and len(pairs) >= 3
    off = math.degrees(math.acos(min(1.0, float(np.dot(pose.camera.up, room.seen.up)))))
    assert off < 0.3


@pytest.mark.parametrize("bend", (-0.045, 0.045))
def test_door_frames_that_the_lens_bends_are_plumb_lines(bend: float) -> None:
    """A poor lens bows them by 10 px at the picture's edges: they are found all the same, and level it."""
    seen = replace(camera(5.0, 1.0), bend=bend)
    room = Room(seen)
    for x in (-1100.0, 1080.0):
        for row in range(-1200, 1300, 50):  # in pieces: each is drawn with straight sides
            room.post(x, row + 50, row, wide=60.0)
    pairs, pose = find_uprights(room.pixels(), FOCAL, 0.01, (330.0, 570.0))
    assert pose is not None and len(pairs) >= 2
    assert math.degrees(math.acos(min(1.0, float(np.dot(pose.camera.up, seen.up))))) < 0.3


@pytest.mark.parametrize("lean", (0.0, 0.12))
def test_a_string_is_one_plumb_line(lean: float) -> None:
    """However many near lines follow it: a copy says nothing new of where up is."""
    room = Room(camera(9.0, 1.0))
    for x in (-1050.0, 1000.0):
        room.post(x, 1100, -500, lean, wide=8.0)
    pairs, pose = find_uprights(room.pixels(), FOCAL, 0.01, (330.0, 570.0))
    assert pose is not None and 2 == len(pairs)


def sheet_at(x: float, y: float, turn: float = 1.2) -> list[tuple[float, float]]:
    """The corners of A4 that hangs a little askew, mm."""
    wide, tall = A4
    cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    return [(x + u * cos - v * sin, y + u * sin + v * cos) for u, v in ((0, 0), (wide, 0), (wide, -tall), (0, -tall))]


def test_a_sheet_is_found_where_it_hangs() -> None:
    """Upright or lying, to 3 px at each corner."""
    for corners in (
        sheet_at(-900, 300),
        sheet_at(620, 100),
        [*sheet_at(620, 100, 91.0)[1:], sheet_at(620, 100, 91.0)[0]],
    ):
        room = Room(camera(6.0, -1.0))
        room.patch(corners, (236, 236, 232))
        found = find_sheet(room.pixels(), room.seen, (330.0, 200.0, 570.0, 1100.0))
        assert found is not None
        assert np.abs(np.array(found.corners) - [room.at(*corner) for corner in corners]).max() < 3


def test_a_sheet_with_a_printed_frame_is_found_behind_a_plumb_line() -> None:
    """Its own edges count, not the frame 25 mm inside them, nor the string that hangs before it."""
    room = Room(camera(4.0, 1.0))
    corners = sheet_at(640, 200)
    middle = np.mean(corners, axis=0)
    for inside, colour in ((0, (236, 236, 232)), (25, (90, 90, 90)), (29, (236, 236, 232))):
        room.patch([tuple(middle + (np.array(at) - middle) * (1 - inside / 125)) for at in corners], colour)
    room.post(720, 900, -1500, wide=5.0)
    found = find_sheet(room.pixels(), room.seen, (330.0, 200.0, 570.0, 1100.0))
    assert found is not None
    assert np.abs(np.array(found.corners) - [room.at(*corner) for corner in corners]).max() < 2


@pytest.mark.parametrize("inside", (8, 12, 20))
def test_a_printed_frame_near_the_edge_is_not_taken_for_it_without_a_doubt(inside: int) -> None:
    """However near the frame is, the corners are the sheet's to 3 px, or one is asked, or nothing is offered."""
    room = Room(camera(4.0, 1.0))
    corners = sheet_at(640, 200)
    middle = np.mean(corners, axis=0)
    for frame, colour in ((0, (236, 236, 232)), (inside, (60, 60, 60)), (inside + 6, (236, 236, 232))):
        room.patch([tuple(middle + (np.array(at) - middle) * (1 - frame / 125)) for at in corners], colour)
    found = find_sheet(room.pixels(), room.seen, (330.0, 200.0, 570.0, 1100.0))
    assert (
        not found or found.doubt or np.abs(np.array(found.corners) - [room.at(*corner) for corner in corners]).max() < 3
    )


def test_a_side_beside_the_edge_of_a_sheet_is_told() -> None:
    """Its corners taken 6 px too far in, where the paper goes on, or too far out, where it ends before."""
    room = Room(camera(4.0, 1.0))
    places = sheet_at(620, 100, 0.0)
    room.patch(places, (236, 236, 232))
    corners = np.array([room.at(*place) for place in places])
    for moved, told in ((0.0, False), (-6.0, True), (6.0, True)):
        right_side_moved = corners + np.array([[0.0, 0.0], [moved, 0.0], [moved, 0.0], [0.0, 0.0]])
        assert _side_elsewhere(room.pixels(), right_side_moved) == told


@pytest.mark.parametrize("lean", (0.9, 1.5))
def test_a_plumb_line_that_a_chair_hides_below_does_not_tip_the_camera(lean: float) -> None:
    """A string is seen down to a chair, the leg of which goes on nearly in its line: two strings alone tell how the camera is tipped."""
    room = Room(camera(7.0, 1.0))
    room.post(-700, 900, -1500, wide=6.0)
    room.post(800, 900, 0, wide=6.0)
    room.post(803 - 1300 * math.tan(math.radians(lean)), 100, -1200, lean)
    pairs = [(room.at(x, 850), room.at(x, -1150)) for x in (-697.0, 803.0)]
    pose = posed(follow(room.pixels(), pairs), FOCAL, 0.01)
    off = math.degrees(math.asin(pose.camera.up[2]) - math.asin(room.seen.up[2]))
    open_ = [math.degrees(math.asin(other.up[2]) - math.asin(pose.camera.up[2])) for _, other in pose.others]
    assert abs(off) < 2.5 * math.hypot(*open_)


def test_a_gap_of_a_sheets_shape_is_no_sheet() -> None:
    """A bright patch as wide and as high as A4 that is bounded by what goes on beyond its corners: seen between the posts of a chair."""
    room = Room(camera(6.0, -1.0))
    corners = sheet_at(620, 100, 0.0)
    room.patch(corners, (236, 236, 232))
    assert find_sheet(room.pixels(), room.seen, None) is not None
    room.post(580, 400, -700)
    assert find_sheet(room.pixels(), room.seen, None) is None


def _flat(
    seam: float, grains: float, *, later: int = 0, wall: tuple[int, int, int] = (120, 130, 140), dart: int = 0,
    bows: tuple[int, int] = (0, 0),
) -> np.ndarray:  # fmt: skip
    """Trousers as flat shapes with their lines: the centre seam so many px off the middle, grainlines so many px to both sides, the
    right one beginning so many px `later`, or from a `dart` as many px beside it; how far they bow outward, px."""
    image = Image.new("RGB", (1000, 1500), wall)
    draw = ImageDraw.Draw(image)
    outline = [(340, 330), (660, 330), (690, 600), (680, 1400), (530, 1400), (505, 800), (495, 800), (470, 1400)]
    draw.polygon([*outline, (320, 1400), (310, 600)], fill=(225, 220, 205))
    for first, last, y in ((310, 690, 600), (310, 690, 690), (318, 483, 1010), (517, 683, 1010)):
        draw.line([(first, y), (last, y)], fill=(170, 40, 40), width=4)
    for side, top, bow in ((-1, 350, bows[0]), (1, 350 + later, bows[1])):
        rows = [*range(top, 1380, 10), 1380]
        out = [grains - bow * (1 - math.cos((y - 645) / 300)) for y in rows]
        draw.line([(500 + side * x, y) for x, y in zip(out, rows, strict=True)], fill=(40, 60, 150), width=4)
    if dart:
        draw.line([(500 + grains + dart, 350), (500 + grains + dart, 350 + later)], fill=(40, 60, 150), width=4)
    draw.line([(500 + seam, 340), (500 + seam, 790)], fill=(150, 145, 135), width=3)
    return np.asarray(image)


def test_a_centre_seam_off_the_middle_is_doubted_and_no_line_rests_on_it() -> None:
    """A seam or dart well beside the middle of the hip line is offered with a doubt, and the lines keep their own middle."""
    plain, off = find_lines(_flat(0.0, 95.0), "back"), find_lines(_flat(26.0, 95.0), "back")
    assert "centre_seam" not in plain.doubts and plain.points["hip"][1][0] == pytest.approx(500, abs=2)
    assert "middle" in off.doubts["centre_seam"] and off.points["hip"][1][0] == pytest.approx(500, abs=2)


def test_grainlines_that_begin_far_apart_are_doubted() -> None:
    """One of them may be something else, such as a seam or the edge of a door behind cloth of the wall's colour."""
    alike, unlike = find_lines(_flat(0.0, 95.0), "back"), find_lines(_flat(0.0, 95.0, later=150), "back")
    assert not alike.doubts.keys() & {"grain-left", "grain-right"}
    assert unlike.doubts.keys() >= {"grain-left", "grain-right"}


def test_a_grainline_does_not_run_onto_a_dart_beside_it() -> None:
    """It ends where the line steps aside, without a doubt: what is below is right."""
    found = find_lines(_flat(0.0, 95.0, later=170, dart=9), "back")
    assert "grain-right" not in found.doubts
    assert all(x == pytest.approx(595, abs=3) for x, _ in found.points["grain-right"])


@pytest.mark.parametrize(("bows", "doubted"), (((60, 60), False), ((60, 0), True)))
def test_a_grainline_may_bow_if_both_do(bows: tuple[int, int], doubted: bool) -> None:
    """Over a full seat both bow outward; one alone has run onto something else."""
    found = find_lines(_flat(0.0, 95.0, bows=bows), "back")
    assert ("grain-left" in found.doubts) == doubted and "grain-right" not in found.doubts


def test_lines_that_end_with_hardly_an_outline_must_be_borne_out_well() -> None:
    """Where cloth and wall have one colour, a line may run on behind its end: what bears out enough elsewhere does not there."""
    plain, faint = (find_lines(_flat(400.0, 600.0, wall=wall), "back") for wall in ((120, 130, 140), (224, 219, 204)))
    assert "hip" in plain.points and "hip" not in plain.doubts
    assert "hip" not in faint.points or "hip" in faint.doubts


def test_a_knee_line_as_wide_as_the_hip_line_is_doubted_from_the_side() -> None:
    """It runs on over the other leg, which is seen behind."""

    def seen(first: int) -> dict[str, str]:
        image = Image.new("RGB", (1000, 1500), (120, 130, 140))
        draw = ImageDraw.Draw(image)
        draw.polygon([(380, 330), (600, 330), (600, 1400), (440, 1400), (400, 690)], fill=(225, 220, 205))
        draw.polygon([(400, 690), (360, 1400), (460, 1400), (450, 690)], fill=(215, 210, 195))
        for left, y in ((395, 600), (400, 690), (first, 930)):
            draw.line([(left, y), (600, y)], fill=(170, 40, 40), width=4)
        found = find_lines(np.asarray(image), "left")
        assert found.points["knee-left"][0][0] == pytest.approx(first, abs=12)
        return dict(found.doubts)

    assert "knee-left" not in seen(452)
    assert "knee-left" in seen(388)


def test_grainlines_near_the_centre_are_no_seam() -> None:
    """Two strong lines alike on both sides of the middle are grainlines, however near to it; the seam lies between them."""
    found = find_lines(_flat(0.0, 40.0), "back")
    seam = found.points.get("centre_seam")
    assert not seam or abs(seam[0][0] - 500) < 5
    assert {name: round(points[1][0], -1) for name, points in found.points.items() if name.startswith("grain")} == {
        "grain-left": 460,
        "grain-right": 540,
    }


def test_a_plumb_line_is_offered_as_far_as_the_picture_shows_it() -> None:
    """What runs past the picture's border is cut there, along the line; what lies far from upright is no plumb line."""
    marks = Marks("a.jpg", "0" * 64, 1500, 2000, "back")
    cut = _shown(((1510.0, 0.0), (1470.0, 1000.0)), marks)
    assert all(0 <= x <= 1499 and 0 <= y <= 1999 for x, y in cut)
    assert cut[0][0] == pytest.approx(1510 - 0.04 * cut[0][1]) and cut[1] == (1470.0, 1000.0)
    assert upright(cut) and not upright(((0.0, 0.0), (300.0, 1000.0)))
