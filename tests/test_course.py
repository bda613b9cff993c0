"""What is read off the course of a line: courses of known height on an ellipse, put into pixels by OpenCV, come back as they were."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from fitdiag.photos import course
from fitdiag.photos.camera import Camera, bent, focal_px, sheet_distance, unbent
from fitdiag.photos.course import Course, Kind, Numbers, Stance
from fitdiag.photos.robust import median, scatter
from fitdiag.photos.section import Section
from fitdiag.photos.snap import Track

Array = NDArray[np.float64]
FOCAL, MIDDLE = 2900.0, (899.5, 1199.5)
MATRIX = np.array([[FOCAL, 0, MIDDLE[0]], [0, FOCAL, MIDDLE[1]], [0, 0, 1]])
LENS_Y, AWAY, HALF, DEPTH = 1150.0, 2700.0, 190.0, 115.0


def pixels(places: Array, pitch: float = 0.0) -> Array:
    """World points (x right, y up, z away; the lens at x = z = 0) as pixels by OpenCV's projection."""
    tilt, _ = cv2.Rodrigues(np.array([math.radians(pitch), 0.0, 0.0]))
    moved = (places - np.array([0.0, LENS_Y, 0.0])) @ np.diag([1.0, -1.0, 1.0])
    return np.asarray(cv2.projectPoints(moved, cv2.Rodrigues(tilt)[0], np.zeros(3), MATRIX, None)[0][:, 0], float)


def camera(pitch: float = 0.0) -> Camera:
    turn = math.radians(pitch)
    return Camera(FOCAL, MIDDLE, (0.0, -math.cos(turn), -math.sin(turn)))


def read(
    height: Callable[[Array, Array], Array], kind: Kind = "trunk", pitch: float = 0.0, spoil: Callable[[Array], object] = len,
    places: int = 500, covered: tuple[float | None, float | None] = (None, None),
) -> Numbers:  # fmt: skip
    """Numbers of a line whose height (mm over 1 m) is a function of the angle round the body and the length from its middle.

    `covered`: angles from which on it is covered, left and right.
    """
    turn = np.linspace(-1.45, 1.45, places)
    along = Section(0.0, AWAY, HALF, DEPTH, 0.0).lengths(turn)
    world = np.stack([HALF * np.sin(turn), 1000.0 + height(turn, along), AWAY - DEPTH * np.cos(turn)], axis=1)
    line = pixels(world, pitch)
    spoil(line)
    # the outline: where rays touch the ellipse
    reach = HALF / math.sqrt(AWAY**2 - DEPTH**2)
    left, right = (float(pixels(np.array([[sign * reach * AWAY, 1000.0, AWAY]]), pitch)[0, 0]) for sign in (-1, 1))
    seam = float(pixels(np.array([[0.0, 1000.0, AWAY - DEPTH]]), pitch)[0, 0])
    level = float(line[:, 1].mean())
    first, last = (None if angle is None else float(line[np.abs(turn - angle).argmin(), 0]) for angle in covered)
    course = Course(Track(line, 1.0, 20.0), (left, level), (seam, level), (right, level), kind, (first, last))
    return course.numbers(Stance(camera(pitch), AWAY, left, right, seam, DEPTH))


@pytest.mark.parametrize("pitch", [-6.0, 0.0, 5.0])
def test_a_level_line_is_level_however_the_lens_stands(pitch: float) -> None:
    """15 cm under the lens: no drop, no tilt, no slope, and the height is what it is."""
    found = read(lambda turn, along: np.zeros_like(turn), pitch=pitch)
    assert (found.drop, found.tilt) == (pytest.approx(0.0, abs=0.1), pytest.approx(0.0, abs=0.02))
    assert found.ends == pytest.approx((-150.0, -150.0), abs=0.2)
    assert found.centre == pytest.approx(-150.0, abs=0.2)
    for pair in (found.slopes, found.lasts, found.rests, found.steep, found.dips):
        assert pair == pytest.approx((0.0, 0.0), abs=0.5)
    assert (found.unrest, found.beside) == (0.1, 0.1)
    assert found.section.half == pytest.approx(HALF, abs=0.5)


@pytest.mark.parametrize("up", [4.0, -3.0])
def test_a_tilted_line_tilts_and_does_not_drop(up: float) -> None:
    """Straight across in space: the right end higher is positive, and the centre lies half way."""
    found = read(lambda turn, along: math.tan(math.radians(up)) * HALF * np.sin(turn))
    assert found.tilt == pytest.approx(up, abs=0.02)  # round the section a tilt is a sine
    assert found.drop == pytest.approx(0.0, abs=0.3)
    assert np.sign(found.slopes) == pytest.approx([-np.sign(up), np.sign(up)])  # it rises outwards on one side only


@pytest.mark.parametrize("slope", [6.0, -4.0])
def test_a_v_has_the_slopes_it_was_drawn_with(slope: float) -> None:
    """A V or a roof over 25 mm each way, level beyond: slopes beside the centre, little over 60 mm, nothing in the rest."""
    rise = math.tan(math.radians(slope))
    found = read(lambda turn, along: np.minimum(np.abs(along), 32.0) * rise)
    assert found.slopes == pytest.approx((slope, slope), abs=0.3)
    assert 0 < found.lasts[0] / slope < 0.8
    assert found.rests == pytest.approx((0.0, 0.0), abs=0.3)
    assert found.drop == pytest.approx(32.0 * rise, abs=0.5)
    assert found.tilt == pytest.approx(0.0, abs=0.03)


@pytest.mark.parametrize(
    ("bends_at", "flat"), [(30.0, ("slopes",)), (60.0, ("slopes", "lasts")), (100.0, ("slopes", "lasts", "rests"))]
)
def test_slopes_are_taken_over_the_lengths_that_are_said(bends_at: float, flat: tuple[str, ...]) -> None:
    """Level as far as 30, 60 or 100 mm from the centre and steep beyond: what reads no farther is level, what does is not."""
    found = read(lambda turn, along: 2.0 * np.maximum(np.abs(along) - bends_at, 0.0))
    for name in ("slopes", "lasts", "rests"):
        assert (np.abs(getattr(found, name)) < 0.03).all() == (name in flat), name
    turned = read(lambda turn, along: 2.0 * np.minimum(np.abs(along), 30.0))
    assert turned.rests == pytest.approx((0.0, 0.0), abs=0.03)
    assert turned.slopes == pytest.approx((math.degrees(math.atan(2.0)),) * 2, abs=0.3)


def test_left_and_right_are_told_apart() -> None:
    """A V of 5 degrees on the left (in the picture) and 2 on the right, and one that goes on at 3 and 1 degrees."""
    left, right = (math.tan(math.radians(one)) for one in (5.0, 2.0))
    found = read(lambda turn, along: np.where(along < 0, -along * left, along * right))
    assert found.slopes == pytest.approx((5.0, 2.0), abs=0.1)
    assert found.lasts == pytest.approx((5.0, 2.0), abs=0.1)
    assert found.rests == pytest.approx((5.0, 2.0), abs=0.1)
    assert found.ends[0] > found.ends[1]


def test_how_fast_it_runs_where_the_cloth_turns_out_of_sight() -> None:
    """12 mm lower per radian towards both ends: the ends' own heights are carried on to the side, and the steepness is told."""
    found = read(lambda turn, along: -12.0 * np.abs(turn))
    assert found.steep == pytest.approx((-12.0, -12.0), abs=0.3)
    assert found.ends == pytest.approx(
        (-150.0 - 6 * math.pi,) * 2, abs=0.6
    )  # carried on as smooth lines run, a little less steep
    assert found.drop == pytest.approx(-6 * math.pi, abs=0.6)
    assert found.dips == pytest.approx(
        (-12.0 * (math.pi / 2 - math.pi / 6),) * 2, abs=0.6
    )  # half way lies at 30 degrees


def test_one_side_tells_of_the_other_where_it_ends_early() -> None:
    """A sag and a tilt, one side seen to 60 degrees only: both ends are read as if all were seen; a sway of its own is not made up."""

    def bends(turn: Array, along: Array) -> Array:
        return 9.0 * (1 - np.cos(2 * turn)) + 5.0 * np.sin(turn)

    def cut(line: Array) -> None:
        last = int(len(line) * (1.45 + math.radians(60)) / 2.9)
        line[last:, 0], line[last:, 1] = (
            line[last, 0],
            line[last, 1] + np.arange(len(line) - last),
        )  # there it runs along an arm

    whole, short = read(bends), read(bends, spoil=cut)
    assert whole.ends == pytest.approx((-150.0 + 18.0 - 5.0, -150.0 + 18.0 + 5.0), abs=0.6)
    assert short.ends == pytest.approx(whole.ends, abs=1.5)


@pytest.mark.parametrize("side", [-1, 1])
def test_a_hip_that_is_higher_on_one_side_lifts_that_end(side: int) -> None:
    """10 mm higher where one side is, over a third of a turn: that end is 10 mm higher, the other one level, and so the tilt."""
    found = read(lambda turn, along: 10.0 * np.exp(-(((turn - side * math.pi / 2) / math.radians(35)) ** 2) / 2))
    high, low = (found.ends[1], found.ends[0]) if side > 0 else found.ends
    assert (high, low) == (pytest.approx(-140.0, abs=0.7), pytest.approx(-150.0, abs=0.7))
    assert side * found.tilt == pytest.approx(math.degrees(10 / (2 * HALF)), abs=0.15)


@pytest.mark.parametrize("side", [-1, 1])
def test_a_fold_beside_one_edge_moves_its_own_end_only(side: int) -> None:
    """A fold 3 mm deep and 8 degrees wide, 75 degrees round on one side: neither end is carried off by it."""
    found = read(lambda turn, along: -3.0 * np.exp(-(((np.degrees(turn) - side * 75.0) / 4.0) ** 2)))
    assert found.ends == pytest.approx((-150.0, -150.0), abs=0.6)


def test_the_middle_of_each_half_is_told_against_its_end() -> None:
    """A line that hangs 8 mm half way on the left, and 3 on the right."""
    found = read(lambda turn, along: -np.where(turn < 0, 8.0, 3.0) * np.sin(2 * np.abs(turn)) / math.sin(math.pi / 3))
    assert found.dips[0] > found.dips[1] > 2.0
    assert found.dips[0] == pytest.approx(8.0, abs=1.6)


@pytest.mark.parametrize("kind", ["trunk", "leg"])
def test_a_line_that_only_tilts_tilts_by_what_it_does(kind: Kind) -> None:
    """A level cut of a body that is tilted by 5 degrees runs as the sine round it; its ends are read to a hundredth of the tilt."""
    rise = HALF * math.tan(math.radians(5.0))
    found = read(lambda turn, along: rise * np.sin(turn), kind)
    assert found.tilt == pytest.approx(5.0, abs=0.05)
    assert found.drop == pytest.approx(0.0, abs=0.1)


def test_what_jumps_counts_little() -> None:
    """A fold that throws a tenth of the course by 12 px beside the centre and near an end moves neither by half a millimetre."""

    def spoil(line: Array) -> None:
        line[255:262, 1] += 12.0
        line[20:26, 1] -= 12.0

    found = read(lambda turn, along: np.zeros_like(turn), spoil=spoil)
    assert found.centre == pytest.approx(-150.0, abs=0.5)
    assert found.ends == pytest.approx((-150.0, -150.0), abs=0.5)


def test_a_course_that_waves_says_so() -> None:
    """3 mm up and down beside the centre."""
    found = read(lambda turn, along: 3.0 * np.sin(along / 2.5))
    assert 1.0 < found.beside < 4.0
    assert found.unrest >= found.beside
    calm = read(lambda turn, along: np.where(np.abs(along) > 60, 3.0 * np.sin(along / 2.5), 0.0))
    assert calm.beside < 0.3
    assert calm.unrest > 1.0


@pytest.mark.parametrize("side", [-1, 1])
def test_where_a_course_turns_back_it_has_left_the_cloth(side: int) -> None:
    """It follows the outline upwards for its last 8 mm, on the left or on the right: the end keeps its height."""

    def spoil(line: Array) -> None:
        count, line = 30, line[::side]
        line[-count:, 0] = line[-count - 1, 0] - side * np.linspace(0.1, 3.0, count)
        line[-count:, 1] -= np.linspace(2.0, 90.0, count)

    found = read(lambda turn, along: np.zeros_like(turn), spoil=spoil)
    assert found.ends == pytest.approx((-150.0, -150.0), abs=0.5)


@pytest.mark.parametrize("kind", ["trunk", "side", "leg"])
@pytest.mark.parametrize("side", [-1, 1])
def test_right_at_the_outline_a_course_is_not_read(side: int, kind: Kind) -> None:
    """Within a pixel of the outline, and beyond it, what is followed may be anything: 60 px off, it moves no end by half a millimetre."""
    edge = MIDDLE[0] + side * HALF / math.sqrt(AWAY**2 - DEPTH**2) * FOCAL

    def spoil(line: Array) -> None:
        count, line = 12, line[::side]
        line[-count:, 0] = edge + side * np.linspace(-0.9, 12.0, count)
        line[-count:, 1] += 60.0

    found = read(lambda turn, along: np.zeros_like(turn), kind, spoil=spoil)
    assert found.ends == pytest.approx((-150.0, -150.0), abs=0.5)
    assert found.steep == pytest.approx((0.0, 0.0), abs=1.0)


@pytest.mark.parametrize("kind", ["trunk", "leg"])
@pytest.mark.parametrize("seen", [80, 60, 45, 32])
def test_a_course_that_ends_early_is_carried_on_as_it_ran(seen: int, kind: Kind) -> None:
    """12 mm lower per radian, seen so far round only. The whole course may level out by a few mm on its way to the side, as bodies
    do; where it is seen nearly to the end, or so little that the last places alone count, it goes straight on."""

    def cut(line: Array) -> None:
        keep = np.abs(np.degrees(np.linspace(-1.45, 1.45, len(line)))) <= seen
        first, last = np.flatnonzero(keep)[[0, -1]]
        line[:first], line[last + 1 :] = line[first], line[last]  # nothing new is seen beyond

    found = read(lambda turn, along: -12.0 * np.abs(turn), kind, spoil=cut)
    assert found.steep == pytest.approx((-12.0, -12.0), abs=1.0)
    assert found.ends[0] == pytest.approx(found.ends[1], abs=0.1)
    assert found.drop == pytest.approx(-6 * math.pi, abs=1.0 if seen in (32, 80) else 5.0)
    assert found.unrest == (
        20.0 if seen < 48 else 0.1
    )  # by how much an end may be off of which hardly anything is seen


@pytest.mark.parametrize("kind", ["trunk", "leg"])
def test_each_end_tells_how_it_runs_itself(kind: Kind) -> None:
    """Level to 62 degrees on both sides, then 20 mm lower per radian on the left and 8 higher on the right: each its own."""

    def bends(turn: Array, along: Array) -> Array:
        beyond = np.maximum(np.abs(turn) - math.radians(62.0), 0.0)
        return np.where(turn < 0, -20.0, 8.0) * beyond

    found = read(bends, kind)
    assert found.steep == pytest.approx((-20.0, 8.0), abs=0.8)  # from 66 degrees on, before that it is level
    assert found.ends[0] < found.ends[1]


@pytest.mark.parametrize("at", [12.0, 22.0, 30.0, 38.0, 50.0])
def test_half_way_is_the_middle_of_a_leg_and_no_other_place(at: float) -> None:
    """A hollow 8 mm deep and some 5 degrees wide counts only where half the width of the half is reached, at 30 degrees."""
    found = read(lambda turn, along: -8.0 * (np.abs(np.degrees(turn) - at) < 5.0))
    assert found.dips == pytest.approx((0.0, 8.0 if at == 30.0 else 0.0), abs=1.5)


@pytest.mark.parametrize("kind", ["trunk", "leg"])
@pytest.mark.parametrize("side", [-1, 1])
def test_what_covers_a_line_is_no_part_of_it(side: int, kind: Kind) -> None:
    """A hand from 70 degrees round on: whatever is followed over it, 60 px lower or higher, the end is read from what lies before."""
    covered = (math.radians(-70.0), None) if side < 0 else (None, math.radians(70.0))
    for off in (60.0, -60.0):

        def spoil(line: Array, off: float = off) -> None:
            line[side * np.linspace(-1.45, 1.45, len(line)) > math.radians(70.0), 1] += off

        found = read(lambda turn, along: 3.0 * np.sin(turn), kind, spoil=spoil, covered=covered)
        assert found.ends == pytest.approx((-153.0, -147.0), abs=0.5)
        assert found.steep == pytest.approx((0.0, 0.0), abs=2.0)


def test_half_way_is_told_only_where_it_is_seen() -> None:
    """A line seen to 20 degrees on one side and 60 on the other."""

    def cut(line: Array) -> None:
        turn = np.degrees(np.linspace(-1.45, 1.45, len(line)))
        line[turn < -20] = line[turn >= -20][0]
        line[turn > 60] = line[turn <= 60][-1]

    left, right = read(lambda turn, along: np.zeros_like(turn), spoil=cut).dips
    assert math.isnan(left)
    assert right == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize("spread", [0.5, 2.0])
def test_unrest_is_the_spread_of_what_waves_at_random(spread: float) -> None:
    """Normal noise of half a millimetre and of two (one standard deviation): it is told to a quarter, beside the centre and in all."""
    noise = np.random.default_rng(5).normal(0.0, spread, 500)
    found = read(lambda turn, along: noise)
    assert found.beside == pytest.approx(spread, rel=0.25)
    assert found.unrest == pytest.approx(spread, rel=0.35)
    leg = read(lambda turn, along: noise, "leg")
    assert leg.unrest == pytest.approx(spread, rel=0.35)


def test_the_centre_of_a_narrow_leg_is_read_from_its_own_middle(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a leg 9 cm wide the line bends 19 mm from the middle; what lies beyond has no part in the height at the centre."""
    monkeypatch.setitem(globals(), "HALF", 45.0)
    monkeypatch.setitem(globals(), "DEPTH", 45.0)
    found = read(lambda turn, along: 2.0 * np.maximum(np.abs(45.0 * turn) - 19.0, 0.0), "leg")
    assert found.centre == pytest.approx(-150.0, abs=0.1)
    assert found.section.half == pytest.approx(45.0, abs=0.1)


def test_what_was_settled_counts_the_same_when_the_stance_is_moved() -> None:
    """The numbers of the same stance asked for twice are the same, also about a fold that counts little; in between another one."""
    turn = np.linspace(-1.45, 1.45, 500)
    line = pixels(np.stack([HALF * np.sin(turn), np.full(500, 1000.0), AWAY - DEPTH * np.cos(turn)], axis=1))
    line[255:262, 1] += 12.0
    reach = HALF / math.sqrt(AWAY**2 - DEPTH**2) * FOCAL
    stance = Stance(camera(), AWAY, MIDDLE[0] - reach, MIDDLE[0] + reach, MIDDLE[0], DEPTH)
    level = float(line[:, 1].mean())
    course = Course(Track(line, 1.0, 20.0), (stance.left, level), (stance.seam, level), (stance.right, level), "trunk")
    one = course.numbers(stance)
    farther = course.numbers(replace(stance, distance=1.02 * AWAY, left=stance.left + 6))
    again = course.numbers(stance)
    assert again.ends == pytest.approx(one.ends, abs=0.02)
    assert (again.centre, again.unrest) == (pytest.approx(one.centre, abs=0.02), pytest.approx(one.unrest, abs=0.02))
    assert farther.centre == pytest.approx(1.02 * one.centre, abs=0.5)  # as far below the lens, seen from farther away


def test_a_seam_beside_the_middle_of_the_body_turns_the_body_and_leaves_its_v_where_it_is_drawn() -> None:
    """A V of 10 degrees a side; read beside a seam taken in the wrong place it is flatter, not beside a seam off the body's middle."""
    turn = np.linspace(-1.45, 1.45, 1500)
    along = Section(0.0, AWAY, HALF, DEPTH, 0.0).lengths(turn)
    height = 1000.0 + math.tan(math.radians(10.0)) * np.minimum(np.abs(along), 60.0)
    line = pixels(np.stack([HALF * np.sin(turn), height, AWAY - DEPTH * np.cos(turn)], axis=1))
    reach = HALF / math.sqrt(AWAY**2 - DEPTH**2) * FOCAL
    stance = Stance(camera(), AWAY, MIDDLE[0] - reach, MIDDLE[0] + reach, MIDDLE[0], DEPTH)
    level = float(line[:, 1].mean())
    course = Course(Track(line, 1.0, 20.0), (stance.left, level), (stance.seam, level), (stance.right, level), "trunk")
    aside = 6.0 * FOCAL / AWAY  # 6 mm
    usual, misplaced = course.numbers(stance), course.numbers(replace(stance, seam=stance.seam + aside))
    off_middle = course.numbers(replace(stance, seam_off=-aside))
    assert usual.slopes == pytest.approx((10.0, 10.0), abs=0.3)
    assert off_middle.section.yaw == pytest.approx(misplaced.section.yaw, abs=0.002)
    assert off_middle.slopes == pytest.approx(usual.slopes, abs=0.3)
    assert min(misplaced.slopes) < min(usual.slopes) - 1.0


def test_tilt_and_drop_are_those_of_a_triangle() -> None:
    """Ends 20 mm apart in height over 200 mm; turned by 60 degrees those are 100 in sight. The centre 5 below their mean."""
    for yaw, across in ((0.0, 200.0), (60.0, 100.0), (-60.0, 100.0)):
        found = Numbers(
            Section(0.0, 2500.0, 100.0, 60.0, math.radians(yaw)), (-110.0, -90.0), -105.0, (0.0, 0.0), 0.1, 0.1
        )
        assert found.tilt == pytest.approx(math.degrees(math.atan(20.0 / across)))
        assert found.drop == pytest.approx(5.0)


def test_places_that_fall_together_are_told_by_their_median() -> None:
    """As numpy takes it, bin by bin, in the order of the bins: of an even number the mean of the two in the middle."""
    rng = np.random.default_rng(8)
    bins, values = rng.integers(-6, 6, 80).astype(float), rng.normal(size=80)
    expected = [np.median(values[bins == one]) for one in sorted(set(bins))]
    assert course._medians(bins, values) == pytest.approx(np.array(expected))


def test_weights_are_the_biweight() -> None:
    """Beaton and Tukey 1974: (1 - u^2)^2, with u in 4.7 of the spread; all alike where all is still, and never quite nothing."""
    assert course._robust_weights(np.zeros(9)) == pytest.approx(np.ones(9))
    rest = np.array([-1.0, 1.0, -1.0, 1.0, 2.0, -2.0, 4.0, 50.0, -50.0])
    weights = course._robust_weights(rest)
    spread = 1.4826 * 2.0 + 0.25  # of normal noise with such a median, and of the picture itself
    assert weights[:7] == pytest.approx((1 - (rest[:7] / (4.7 * spread)) ** 2) ** 2)
    assert 0 < weights[7] == weights[8] < 0.01


def test_where_a_course_runs_up_steeply_in_sight_it_counts_less(monkeypatch: pytest.MonkeyPatch) -> None:
    """A dip of 40 mm runs up steeply beside the outline (OpenCV's pixels). Followed a px and a half too far out there, which is up to
    4 px too low, it tells less wrong than if all places counted alike; and a line that is level in sight is read as before."""

    def off(line: Array) -> None:
        rise = np.abs(np.gradient(line[:, 1]) / np.gradient(line[:, 0]))
        assert 3.0 < (1.5 * rise[rise > 0.9]).max() < 6.0
        line[rise > 0.9, 1] += 1.5 * rise[rise > 0.9]

    def astray() -> float:
        plain, spoiled = (read(lambda turn, along: 40.0 * (1 - np.cos(turn)), spoil=how).drop for how in (len, off))
        assert plain == pytest.approx(40.0, abs=2.0)
        return abs(spoiled - plain)

    def level() -> float:
        return read(lambda turn, along: 150.0 + 2.0 * np.cos(3 * turn)).drop

    counting_less, as_usual = astray(), level()
    monkeypatch.setattr(course, "SIDEWAYS", 0.0)
    assert counting_less < 0.9 * astray()
    assert level() == pytest.approx(as_usual, abs=0.2)


def test_a_course_may_run_from_right_to_left() -> None:
    """The numbers are those of the picture, whichever end was set first."""
    left, right = (math.tan(math.radians(one)) for one in (5.0, 2.0))
    one = read(lambda turn, along: np.where(along < 0, -along * left, along * right))
    places = np.linspace(-1.45, 1.45, 500)[::-1]
    along = Section(0.0, AWAY, HALF, DEPTH, 0.0).lengths(places)
    height = np.where(along < 0, -along * left, along * right)
    line = pixels(np.stack([HALF * np.sin(places), 1000.0 + height, AWAY - DEPTH * np.cos(places)], axis=1))
    reach = HALF / math.sqrt(AWAY**2 - DEPTH**2) * FOCAL
    stance = Stance(camera(), AWAY, MIDDLE[0] - reach, MIDDLE[0] + reach, MIDDLE[0], DEPTH)
    level = float(line[:, 1].mean())
    course = Course(Track(line, 1.0, 20.0), (stance.left, level), (stance.seam, level), (stance.right, level), "trunk")
    other = course.numbers(stance)
    assert other.slopes == pytest.approx(one.slopes, abs=1e-3)
    assert (other.drop, other.tilt) == (pytest.approx(one.drop, abs=1e-2), pytest.approx(one.tilt, abs=1e-2))


@pytest.mark.parametrize("kind", ["trunk", "leg"])
@pytest.mark.parametrize("yaw", [-8.0, 6.0])
def test_a_turned_body_is_read_from_its_own_centre(yaw: float, kind: Kind) -> None:
    """A V of 5 degrees on a body turned away from the lens: its point is found at the seam; a leg's section is not turned with it."""
    turn, lean = np.linspace(-1.4, 1.4, 500), math.radians(yaw)
    along = Section(0.0, AWAY, HALF, DEPTH, lean).lengths(turn)
    full = np.linspace(-2.2, 2.2, 4001)

    def world(turn: Array, height: Array) -> Array:
        x = HALF * np.sin(turn) * math.cos(lean) + DEPTH * np.cos(turn) * math.sin(lean)
        z = AWAY + HALF * np.sin(turn) * math.sin(lean) - DEPTH * np.cos(turn) * math.cos(lean)
        return np.stack([x, 1000.0 + height, z], axis=1)

    outline = pixels(world(full, np.zeros_like(full)))[:, 0]
    line = pixels(world(turn, np.abs(along) * math.tan(math.radians(5.0))))
    seam = float(pixels(world(np.zeros(1), np.zeros(1)))[0, 0])
    stance = Stance(camera(), AWAY, float(outline.min()), float(outline.max()), seam, DEPTH)
    level = float(line[:, 1].mean())
    course = Course(Track(line, 1.0, 20.0), (stance.left, level), (seam, level), (stance.right, level), kind)
    section, apex = course.section(stance)
    found = course.numbers(stance)
    if kind == "trunk":
        assert (math.degrees(section.yaw), apex) == (pytest.approx(yaw, abs=0.3), pytest.approx(0.0, abs=1e-6))
        assert found.slopes == pytest.approx((5.0, 5.0), abs=0.3)
        assert found.centre == pytest.approx(-150.0, abs=0.3)
    else:
        assert section.yaw == 0.0
        assert np.sign(apex) == np.sign(yaw)
        assert found.centre == pytest.approx(-150.0, abs=1.5)


def test_too_few_places_tell_no_slope() -> None:
    """With a place every 20 mm no slope beside the centre is made up; heights are still read, from the nearest places."""
    found = read(lambda turn, along: 0.2 * np.abs(along), places=25)
    assert found.slopes == (0.0, 0.0)
    assert found.lasts == (0.0, 0.0)
    assert found.centre == pytest.approx(-150.0, abs=1.0)
    assert found.drop > 30.0


@pytest.mark.parametrize("kind", ["side", "leg"])
def test_from_the_side_only_ends_and_centre_are_read(kind: Kind) -> None:
    """The drop of a leg's or a side's line, no slopes."""
    found = read(lambda turn, along: 10.0 * np.sin(turn) ** 2, kind)
    assert found.drop == pytest.approx(10.0, abs=0.9)
    assert found.tilt == pytest.approx(0.0, abs=0.05)
    assert found.slopes == found.lasts == found.rests == found.dips == (0.0, 0.0)


# -- the camera ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bend", [-0.03, 0.0, 0.04])
@pytest.mark.parametrize("up", [(0.0, -1.0, 0.0), (0.05, -0.99, 0.12), (-0.03, -0.98, -0.2)])
def test_rays_and_pixels_are_each_others_way_back(up: tuple[float, float, float], bend: float) -> None:
    """Also with a lens that bends and a camera that pitches and rolls."""
    size = math.hypot(*up)
    one = Camera(FOCAL, MIDDLE, (up[0] / size, up[1] / size, up[2] / size), bend)
    rng = np.random.default_rng(3)
    places = rng.uniform((100, 100), (1700, 2300), (50, 2))
    assert one.pixels(one.rays(places)) == pytest.approx(places, abs=1e-2)
    assert one.rays(np.array([MIDDLE]))[0, 0] == pytest.approx(0.0, abs=1e-12)


def test_a_level_camera_sees_tangents() -> None:
    """A place FOCAL px right of and above the middle lies at 45 degrees each; above is smaller y in the picture."""
    assert camera().rays(np.array([[MIDDLE[0] + FOCAL, MIDDLE[1] - FOCAL]])) == pytest.approx(np.array([[1.0, 1.0]]))
    assert camera().rays(np.array([[MIDDLE[0] - FOCAL / 2, MIDDLE[1] + FOCAL / 4]])) == pytest.approx(
        np.array([[-0.5, -0.25]])
    )


def test_bending_moves_a_corner_by_its_share() -> None:
    """And a place half as far a quarter as much of its way; far outside no more than four times the corner's share."""
    corner = math.hypot(*MIDDLE)
    flat = np.array([[corner, 0.0], [corner / 2, 0.0], [0.0, corner], [5 * corner, 0.0]])
    assert bent(flat, 0.02, corner) == pytest.approx(flat * np.array([[1.02], [1.005], [1.02], [1.08]]))
    assert unbent(bent(flat[:3], 0.02, corner), 0.02, corner) == pytest.approx(flat[:3], abs=1e-3)
    assert np.array_equal(unbent(flat, 0.0, corner), flat)


@pytest.mark.parametrize("pitch", [60.0, -60.0])
def test_what_lies_behind_the_lens_lies_far_to_the_side(pitch: float) -> None:
    """A camera that looks steeply up or down shows places behind itself; they are far away on their own side, and finite."""
    behind = MIDDLE[1] + math.copysign(FOCAL, pitch) * math.tan(math.radians(50.0))
    found = camera(pitch).rays(np.array([[MIDDLE[0] + 500.0, behind], [MIDDLE[0] - 500.0, behind]]))
    assert np.isfinite(found).all()
    assert found[0, 0] > 5.0
    assert found[1, 0] == pytest.approx(-found[0, 0])


def test_focal_lengths_by_the_diagonal() -> None:
    """A picture of 3600 by 2400 px has 100 px a millimetre of a 36 by 24 frame."""
    assert focal_px(50.0, 3600, 2400) == pytest.approx(5000.0)


@pytest.mark.parametrize(("width", "height"), [(210.0, 297.0), (148.0, 210.0)])
def test_a_sheet_seen_straight_tells_its_distance(width: float, height: float) -> None:
    """A4 and A5 (ISO 216), clockwise from the upper left corner; turned by 10 degrees it is off by less than half a per cent."""
    for yaw in (0.0, 10.0):
        cos, sin = math.cos(math.radians(yaw)), math.sin(math.radians(yaw))
        flat = np.array([(-1, 1), (1, 1), (1, -1), (-1, -1)]) * (width / 2, height / 2)
        corners = np.stack([flat[:, 0] * cos, 1100.0 + flat[:, 1], 2500.0 + flat[:, 0] * sin], axis=1)
        found = sheet_distance(camera(), [tuple(map(float, one)) for one in pixels(corners)], width, height)
        assert found == pytest.approx(2500.0, rel=1e-6 if yaw == 0 else 0.008)


@pytest.mark.parametrize("askew", [4.0, -4.0])
def test_a_sheet_that_hangs_askew_is_as_far(askew: float) -> None:
    """Turned in its own plane by 4 degrees, an A4 sheet tells its distance to half a per cent."""
    cos, sin = math.cos(math.radians(askew)), math.sin(math.radians(askew))
    flat = np.array([(-1, 1), (1, 1), (1, -1), (-1, -1)]) * (105.0, 148.5) @ np.array([[cos, sin], [-sin, cos]])
    corners = np.stack([flat[:, 0], 1100.0 + flat[:, 1], np.full(4, 2500.0)], axis=1)
    found = sheet_distance(camera(), [tuple(map(float, one)) for one in pixels(corners)], 210.0, 297.0)
    assert found == pytest.approx(2500.0, rel=0.005)


# -- what outliers hardly change -------------------------------------------------------------------------------------


@pytest.mark.parametrize("many", [1, 2, 7, 100])
def test_the_median_is_that_of_numpy_to_the_last_digit(many: int) -> None:
    """Of an even and an odd number of values, in any order; where one is no number, there is none."""
    values = np.random.default_rng(many).normal(1000.0, 30.0, many)
    assert median(values) == np.median(values)
    assert math.isnan(median(np.append(values, math.nan)))
    assert math.isnan(median(values[:0]))


def test_the_scatter_of_most_is_not_that_of_a_few() -> None:
    """A tenth of the residuals a thousand times too large widens it by less than a fifth."""
    residuals = np.random.default_rng(5).normal(0.0, 2.0, 1000)
    residuals[:100] *= 1000.0
    assert scatter(residuals) == pytest.approx(2.0, rel=0.2)
