"""Pictures and marks that nobody would make on purpose: one clear message or a refused number, and nothing half written."""

from __future__ import annotations

import json
import math
import shutil
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from running import Shell

from fitdiag.photos.marks import GRAINS, LINES, VIEWS, as_json, parse_marks, read_marks
from fitdiag.photos.measure import measure, measure_all, together
from fitdiag.photos.overlay import overlay
from fitdiag.problems import ProblemsFoundError

PICTURES = Path(__file__).parent.parent / "sample_sessions" / "lamplighter-pictures"
BACK = str(PICTURES / "back.jpg")


def marks_of(width: int = 200, height: int = 200, **more: Any) -> str:
    """A sidecar's text."""
    picture = {"file": "x", "sha256": "0" * 64, "width": width, "height": height}
    return json.dumps({"schema": "fitdiag.marks/1", "picture": picture, "view": "back", **more})


def place(width: int, height: int) -> st.SearchStrategy[list[float]]:
    """A point in the picture or at its very border, often where another one is."""
    return st.tuples(st.sampled_from([-1, 0, width / 2, width]) | st.floats(-1, width),
                     st.sampled_from([-1, 0, height / 2, height]) | st.floats(-1, height)).map(list)  # fmt: skip


@st.composite
def absurd(draw: st.DrawFn) -> str:
    """Marks that the format allows and no muslin has."""
    width, height = draw(st.sampled_from([(1, 1), (1, 90), (2, 3), (60, 90)]))
    point = place(width, height)
    line = st.lists(point, min_size=3, max_size=5)
    size = st.sampled_from([1, 120, 3000])
    return marks_of(
        width, height,
        view=draw(st.sampled_from(VIEWS)),
        focal_35mm=draw(st.sampled_from([None, 5, 26, 2000])),
        lines=draw(st.dictionaries(st.sampled_from(LINES), line, max_size=2)),
        grains=draw(st.dictionaries(st.sampled_from(GRAINS), line, max_size=1)),
        centre_seam=draw(st.just([]) | line),
        verticals=draw(st.lists(st.tuples(point, point).map(list), max_size=3)),
        sheet=draw(st.none() | st.fixed_dictionaries({
            "corners": st.just([[0, 0], [width, 0], [width, height], [0, height]]) | st.lists(point, min_size=4, max_size=4),
            "behind_mm": st.sampled_from([-1000, 0, 3000]),
        })),
        widths_mm=draw(st.dictionaries(st.sampled_from(LINES), size, max_size=2)),
        depths_mm=draw(st.dictionaries(st.sampled_from(LINES), size, max_size=2)),
    )  # fmt: skip


POINT_VERTICAL = marks_of(
    1, 90, verticals=[[[-1, -1], [-1, 0]], [[-1, 0], [-1, 1.5e-84]]]
)  # a plumb line without length


@settings(max_examples=60, deadline=None)
@example(POINT_VERTICAL, 0)
@given(absurd(), st.integers(0, 3))
def test_absurd_marks_give_finite_numbers_or_a_clear_refusal(text: str, seed: int) -> None:
    """Whatever is marked: problems in words, or readings without infinities, and no warning of the number library."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            marks = parse_marks(text, "x.json")
        except ProblemsFoundError as stopped:
            assert all(problem.message for problem in stopped.problems)
            return
        pixels = np.random.default_rng(seed).integers(0, 256 if seed else 1, (marks.height, marks.width, 3), np.uint8)
        found = measure_all([(pixels, marks)], 950.0)
        numbers = [n for r in found[0].readings for n in (r.raw, r.value, r.error) if n is not None]
        numbers += [n for item in together(found) for n in (item.value, item.error)]
        assert all(math.isfinite(number) for number in numbers)
        assert overlay(pixels, found[0], "in").startswith(b"\x89PNG")


@pytest.mark.parametrize("more", [
    {"lens_height_mm": 10**400}, {"focal_35mm": float("nan")}, {"notes": "\ud800"},
    {"verticals": [[[50, 50], [50, 50]]]},
    {"sheet": {"corners": [[90, 10], [90, 90], [10, 90], [10, 10]]}},  # begun at the top right
])  # fmt: skip
def test_marks_that_mean_nothing_are_faults(more: dict[str, Any]) -> None:
    """A number too large for any, half a character, a plumb line of one point, a sheet begun at another corner."""
    with pytest.raises(ProblemsFoundError, match=next(iter(more))):
        parse_marks(marks_of(**more), "x.json")


def test_two_plumb_lines_in_one_place_do_not_level_a_picture() -> None:
    """They tell nothing about looking up or down, and the tool says so."""
    line = [[100, 10], [100, 190]]
    found = measure(np.full((200, 200, 3), 200, np.uint8), parse_marks(marks_of(verticals=[line, line]), "x.json"))
    assert any("too near each other" in warning for warning in found.warnings)


def test_a_size_that_puts_the_lens_into_the_body_is_left_out() -> None:
    """A hip of 1 mm width would mean a lens within a hand's breadth."""
    marks = parse_marks(marks_of(lines={"hip": [[20, 90], [90, 91], [180, 90]]}, widths_mm={"hip": 1}), "x.json")
    found = measure(np.full((200, 200, 3), 200, np.uint8), marks)
    assert found.distance_mm is None
    assert any("look at its marks and size" in warning for warning in found.warnings)


@pytest.mark.parametrize("arguments", [
    ("add", f"back={BACK}", "--to", "out", "--focal", "nan"),
    ("add", f"back={BACK}", "--to", "out", "--focal", "-5"),
    ("add", f"back={BACK}", "--to", "out", "--hip-width", "9 m"),
    ("add", f"back={BACK}", f"left={BACK}", "--to", "out", "--cover-above", "99999"),
    ("add", f"back={BACK}", "--to", "a" * 300), ("add", f"back={BACK}", "--to", "/proc/x"),
    ("add", f"back={BACK}", "--to", "file"), ("add", f"back={BACK}", "--to", "file/x"),
    ("measure", BACK, "--overlays", "file"), ("measure", BACK, "--overlays", "file/x"),
    ("measure", BACK, "--overlays", "out", "--hip-girth", "10 mm"),
    ("measure", BACK, BACK, "--overlays", "out"), ("measure", BACK, "--overlays", "out", "--findings", "file"),
    ("card", "--to", "card.pdf", "--keep-until", "x" * 5000),
])  # fmt: skip
def test_one_message_and_nothing_written(shell: Shell, tmp_path: Path, arguments: tuple[str, ...]) -> None:
    """Bad folders, numbers and names stop a photo command before it writes a file."""
    (tmp_path / "file").write_text("mine")
    code, _, err = shell("photo", *arguments)
    assert (1, 1) == (code, len(err.splitlines()))
    assert [tmp_path / "file"] == [path for path in tmp_path.rglob("*") if path.is_file()]


def test_marks_in_the_way_are_not_taken_for_those_of_the_picture(shell: Shell, tmp_path: Path) -> None:
    """A picture never arrives without its own marks."""
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "back.marks.json").write_text("mine")
    assert 0 == shell("photo", "add", f"back={BACK}", "--to", "out")[0]
    assert {"back.marks.json", "back 2.jpg", "back 2.marks.json"} == {
        path.name for path in (tmp_path / "out").iterdir()
    }
    assert "mine" == (tmp_path / "out" / "back.marks.json").read_text()


def test_a_focal_length_typed_in_counts_beside_marks_that_came_along(shell: Shell, tmp_path: Path) -> None:
    """`--focal` is not lost when the marks of a picture come with it."""
    assert 0 == shell("photo", "add", f"back={BACK}", "--to", "out", "--focal", "35")[0]
    marks = read_marks(tmp_path / "out" / "back.marks.json")
    assert 35 == marks.focal_35mm and marks.lines
    assert as_json(marks) == (tmp_path / "out" / "back.marks.json").read_text()


def test_pictures_of_one_name_get_overlays_of_their_own(shell: Shell, tmp_path: Path) -> None:
    """Two folders each have a back.jpg; neither drawn-on copy goes over the other."""
    other = PICTURES.with_name("lamplighter-pictures-2")
    for name in ("back.jpg", "back.marks.json"):
        shutil.copy(other / name, tmp_path / name)
    assert 0 == shell("photo", "measure", BACK, "back.jpg", "--overlays", "out")[0]
    assert {"back.measured.png", "back 2.measured.png"} == {path.name for path in (tmp_path / "out").iterdir()}
