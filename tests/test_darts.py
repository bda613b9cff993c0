"""Darts moved, turned, split and eased, against what a pair of compasses says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from running import ended
from trousers import Measures, draft

from fitdiag.pattern.formats import pattern_to_text
from fitdiag.pattern.piece import Dart, Piece, faults
from fitdiag.pattern.waist import eased, moved, ordered, split, turned
from fitdiag.problems import ProblemsFoundError

BACK = draft(Measures(waist=680, hip=940, rise=280, waist_to_hip=206, waist_to_floor=1040, bottom=220)).back


def angle(dart: Dart) -> float:
    """Between the legs, degrees."""
    one, other = dart.left - dart.tip, dart.right - dart.tip
    return float(np.degrees(np.arccos(one @ other / (np.hypot(*one) * np.hypot(*other)))))


def legs(dart: Dart) -> tuple[float, float]:
    return float(np.hypot(*(dart.left - dart.tip))), float(np.hypot(*(dart.right - dart.tip)))


def solid(piece: Piece) -> float:
    """The length of the waist edge that is left when its darts are folded: the edge without their mouths."""
    line = piece.seams["waist"]
    steps = np.hypot(*np.diff(line, axis=0).T)
    middles = (line[1:] + line[:-1]) / 2
    run = (line[-1] - line[0]) / np.hypot(*(line[-1] - line[0]))
    inside = np.zeros(len(steps), dtype=bool)
    for dart in piece.darts:
        low, high = ((end - line[0]) @ run for end in (dart.left, dart.right))
        inside |= (low < (middles - line[0]) @ run) & ((middles - line[0]) @ run < high)
    return float(steps[~inside].sum())


@pytest.mark.parametrize("number", [1, 2])
@pytest.mark.parametrize("by", [-12.0, 8.0, 15.0])
def test_a_moved_dart_keeps_its_shape(number: int, by: float) -> None:
    before, result = ordered(BACK)[number - 1], moved(BACK, number, by)
    after = ordered(result)[number - 1]
    assert after.width == pytest.approx(before.width, abs=0.05)
    assert np.hypot(*(after.tip - before.tip)) == pytest.approx(abs(by), abs=0.1)
    assert legs(after)[0] == pytest.approx(legs(after)[1], abs=1e-6)
    assert solid(result) == pytest.approx(solid(BACK), abs=0.1)
    assert not faults(result)


@pytest.mark.parametrize(("number", "by"), [(1, -15.0), (2, 15.0), (1, 10.0)])
def test_a_turned_dart_keeps_point_and_angle_and_the_edge_its_cloth(number: int, by: float) -> None:
    """The part between turns about the point, so nothing is stretched: same point, same angle, the same length of edge."""
    before, result = ordered(BACK)[number - 1], turned(BACK, number, by)
    after = ordered(result)[number - 1]
    assert after.tip == pytest.approx(before.tip)
    assert angle(after) == pytest.approx(angle(before), abs=0.15)
    assert solid(result) == pytest.approx(solid(BACK), abs=0.3)
    assert not faults(result)


def test_a_split_dart_is_two_of_half_the_width() -> None:
    result = split(turned(BACK, 1, -20.0), 2, 28.0)
    widths = [dart.width for dart in ordered(result)]
    assert widths[1:] == pytest.approx([10.0, 10.0], abs=0.1)
    one, other = ordered(result)[1:]
    assert np.hypot(*((one.left + one.right) / 2 - (other.left + other.right) / 2)) == pytest.approx(28.0, abs=0.3)
    assert all(legs(dart)[0] == pytest.approx(legs(dart)[1], abs=1e-6) for dart in (one, other))
    assert not faults(result)


@pytest.mark.parametrize(("by", "left"), [(None, 1), (5.0, 2), (20.0, 1)])
def test_an_eased_dart_gives_its_width_to_the_edge(by: float | None, left: int) -> None:
    result = eased(BACK, 1, by)
    assert len(result.darts) == left
    taken = sum(dart.width for dart in BACK.darts) - sum(dart.width for dart in result.darts)
    assert taken == pytest.approx(20.0 if by is None else by, abs=0.1)
    assert f"Ease {taken:.0f} mm into the waist" in result.note


@pytest.mark.parametrize(
    ("work", "number", "by", "told"),
    [
        (moved, 3, 5.0, "has 2 darts"), (moved, 1, 90.0, "no room"), (turned, 1, 80.0, "another dart lies between"),
        (split, 1, 4.0, "cannot be split"), (eased, 1, 50.0, "cannot be eased"), (moved, 1, None, "does not say how far"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_told(work: object, number: int, by: float | None, told: str) -> None:
    with pytest.raises(ProblemsFoundError, match=told):
        work(BACK, number, by)  # type: ignore[operator]


def test_darts_are_done_at_the_keyboard(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pattern = draft(Measures(680, 940, 280, 206, 1040, 220))
    own, out = tmp_path / "own.json", tmp_path / "out.json"
    own.write_text(pattern_to_text(pattern), encoding="utf-8")
    works = ["--do", "back 2 split=28 mm", "--do", "front 1 ease=1 cm"]
    assert ended("pattern", "darts", str(own), *works, "--out", str(out)) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "Back: darts 2 cm; 2 cm before, 2 cm; 1 cm; 1 cm now" in told
    assert "Front: Ease 10 mm into the waist where dart 1 was." in told
    assert ended("pattern", "darts", str(own), "--do", "sleeve 1 split") == 1
    assert "name the piece (front or back)" in " ".join(capsys.readouterr().err.split())
