"""Which two lines are read as hip and crotch line, and where they may end."""

from __future__ import annotations

import numpy as np
import pytest
from test_photo_room import _flat

from fitdiag.photos.find_lines import _doubt, find_lines
from fitdiag.photos.pairs import TrunkLines, _aligned, one_cloth
from fitdiag.photos.ridges import Ridge, Ridges, evened
from fitdiag.photos.strip import opponent
from fitdiag.photos.trousers import KNEES

CLOTH, SKIN, INK = (225.0, 220.0, 205.0), (190.0, 130.0, 100.0), 0.6
ROWS = (80, 140)


def _lines(picture: np.ndarray) -> tuple[Ridges, Ridge, Ridge]:
    """A picture's ridges, and the two drawn in it."""
    ridges = Ridges(evened(opponent(picture)))
    high, low = (ridges.follow((230, 270), row, (0, 499), 3) for row in ROWS)
    assert high is not None and low is not None
    return ridges, high, low


def _drawn(first: int = 60, last: int = 440) -> np.ndarray:
    """Cloth before a dark wall, and two level lines from one column of it to another."""
    picture = np.full((240, 500, 3), (110.0, 120.0, 130.0))
    picture[:, 60:440] = CLOTH
    for row in ROWS:
        picture[row - 1 : row + 2, first:last] *= INK
    return picture


def test_ends_at_a_door_do_not_crowd_out_those_at_the_outline() -> None:
    """Two lines run on along the joints of a wall to a door frame, where there are several ends close together: their ends at the
    outline of the cloth are looked at all the same."""
    door = ((970.0, 1.0), (974.0, 1.0), (978.0, 0.99))
    pairs = _aligned((*door, (713.0, 0.83)), (*door, (708.0, 0.7)))
    assert (713.0, 708.0) in {(first, second) for first, second, _ in pairs}
    assert pairs[0][:2] == (970.0, 970.0)  # the likeliest stays the first


@pytest.mark.parametrize(
    ("beyond", "last", "goes_on"),
    [
        (tuple(0.8 * part for part in CLOTH), 440, True),  # in the shade of a fold
        (SKIN, 440, False),  # on an arm
        (CLOTH, 350, False),  # not drawn so far
    ],
)
def test_a_line_goes_on_over_a_fold_but_not_over_an_arm_or_bare_cloth(
    beyond: tuple[float, float, float], last: int, goes_on: bool
) -> None:
    """What changes at a fold is the shade alone, and the ink goes on."""
    picture = _drawn(last=last)
    picture[:, 350:440] *= np.divide(beyond, CLOTH)
    ridges, high, _ = _lines(picture)
    assert ridges.goes_on(high, 350.0, 440.0) == goes_on


def test_both_lines_lie_on_one_cloth_whatever_shade_is_on_it() -> None:
    """A pair of which one is the edge between a shirt and an arm is no pair; a shadow between the lines does not matter."""
    plain, shaded, of_two = _drawn(), _drawn(), _drawn()
    shaded[ROWS[0] + 2 : ROWS[1] - 1, 60:440] *= 0.8
    of_two[: ROWS[0] - 1, 60:440] = SKIN
    alike = [
        one_cloth(TrunkLines(high, low, 1.0), ridges) for ridges, high, low in map(_lines, (plain, shaded, of_two))
    ]
    assert alike[0] == alike[1] == 1.0 and alike[2] < 0.1


@pytest.mark.parametrize(("ink", "doubted"), [((190, 150, 140), False), ((175, 80, 75), True)])
def test_a_faint_line_below_is_no_rival_and_one_as_strong_is(ink: tuple[int, int, int], doubted: bool) -> None:
    """Under both lines there is a third: the lower two could be meant if it is drawn with the same pen, but not if it is a fold."""
    picture = _flat(0.0, 95.0).copy()
    picture[748:752, 312:688] = ink
    found = find_lines(picture, "back")
    assert found.points["hip"][0][1] == pytest.approx(600, abs=3)
    assert ("hip" in found.doubts) == ("crotch" in found.doubts) == doubted


def _pair(row: float, score: float) -> TrunkLines:
    """A reading with these rows for both lines, borne out by two knee lines, and clear ends."""
    firsts, lasts, colour = ((60.0, 0.9),), ((440.0, 0.9),), np.array([1.0, 0.0, 0.0])
    high, low, *knees = (
        Ridge(np.array([[60.0, at], [440.0, at]]), colour, 50.0, firsts=firsts, lasts=lasts)
        for at in (row, row + 60, row + 380, row + 380)
    )
    pair = TrunkLines(high, low, score)
    pair.named |= zip(KNEES, knees, strict=True)
    return pair


def test_a_reading_that_fits_poorly_is_believed_only_if_no_other_comes_near_it() -> None:
    """Faint lines have a low score; what else the picture holds must then have a far lower one."""
    level = Ridges(evened(opponent(_drawn())))
    for others, believed in (([], True), ([_pair(500.0, 0.1)], True), ([_pair(500.0, 0.8)], False)):
        best = _pair(80.0, 3.0)
        _doubt(best, others, level, side=False)
        assert ("hip" not in best.doubts) == believed
