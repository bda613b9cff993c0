"""The drawings beside the questions: every row of the table draws, in three strengths that differ, and is safe to put on a page."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from html import escape
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from browser import complaints
from pypdf import PdfReader

from fitdiag.cli.rules import drawings
from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.stations import numbered
from fitdiag.knowledge.strict_yaml import read_yaml
from fitdiag.problems import ProblemsFoundError
from fitdiag.reports.sign_sheet import sheet_html, signs_by_station
from fitdiag.reports.signs import STRENGTHS, captions, drawn_symptoms, figure

SVG = "{http://www.w3.org/2000/svg}"
TESTS = frozenset(symptom for symptom in drawn_symptoms() if not captions(symptom)[0].startswith("As it should"))


@cache
def drawn(symptom: str, strength: int, side: str | None = None) -> str:
    svg = figure(symptom, strength, side=side, title="it shows clearly")
    assert svg is not None
    return svg


def test_every_row_belongs_to_a_symptom_of_the_rule_base(base: RuleBase) -> None:
    """No drawing is left over when a symptom is renamed or goes."""
    assert set() == set(drawn_symptoms()) - set(base.symptoms)


@pytest.mark.parametrize("garment", ["trousers", "skirt"])
def test_every_bend_moves_something_in_its_view(garment: str) -> None:
    """What bends a stance is a move of some place in that view; a slip of the pen would bend nothing."""
    stances, drawings = (read_yaml(rules_for(garment) / f"{name}.yaml").data for name in ("stances", "drawings"))

    def moves(value: Any) -> set[str]:
        if isinstance(value, dict):
            own = {name for name, by in value.items() if isinstance(by, int | float)}
            return own.union(*map(moves, value.values()))
        return set().union(*map(moves, value)) if isinstance(value, list) else set()

    for sign, row in drawings.items():
        bends = {*row.get("bends", {}), *row.get("after", {}).get("bends", {})}
        assert bends <= moves(stances[row["view"]]), sign


def test_every_sign_that_can_be_seen_has_a_drawing(base: RuleBase) -> None:
    """Only what is felt alone, and what a table answers, has no look."""
    without = {one.id for one in base.symptoms.values() if one.id not in drawn_symptoms()}
    assert set() == {name for name in without if not base.symptoms[name].felt and not base.symptoms[name].from_ease}
    assert len(drawn_symptoms()) >= 70
    assert figure("crotch-eases-with-closure-loosened", 1, title="a little") is None


def test_right_and_wrong_stand_side_by_side() -> None:
    """As it should be there is no fold, no pull and no arrow, and a drawn line lies on the line it should follow."""
    for symptom in ("folds-under-seat", "seat-pulls-across", "fly-gapes", "waist-binds", "lines-fan-from-back-crotch"):
        right, strong = (drawn(symptom, strength) for strength in (0, 3))
        assert right.split("<path")[0] == strong.split("<path")[0]
        assert right.count("<path") < strong.count("<path") or right.count("<circle") < strong.count("<circle")
    assert ("As it should be", "The sign") == captions("fly-gapes")
    assert "Feet together" == captions("folds-go-with-feet-apart")[0]


@pytest.mark.parametrize("symptom", drawn_symptoms())
def test_a_drawing_is_one_picture_that_needs_nothing_else(symptom: str) -> None:
    """Well-formed, named for a screen reader, scaled by its viewBox; no ids, links, styles or scripts; strengths differ."""
    pictures = [drawn(symptom, strength) for strength in (0, *STRENGTHS)]
    assert (2 if symptom in TESTS else 4) == len(set(pictures))
    for svg in pictures:
        root = ET.fromstring(svg)
        assert ("img", "it shows clearly") == (root.get("role"), root.get("aria-label"))
        assert "it shows clearly" == root.findtext(f"{SVG}title")
        assert 4 == len((root.get("viewBox") or "").split())
        assert {f"{SVG}{tag}" for tag in ("svg", "title", "path", "circle")} >= {node.tag for node in root.iter()}
        names = {name for node in root.iter() for name in node.attrib}
        assert set() == names & {"id", "style", "href", "class", "width", "height"}
        assert not re.search(r"nan|inf|e-\d|e\+\d|url\(", svg)
        assert len(svg) < 12_000


@pytest.mark.parametrize("symptom", drawn_symptoms())
def test_the_ink_of_a_symptom_lies_inside_its_window(symptom: str) -> None:
    """What tells one strength from another is inside the part of the picture that is shown."""
    shown = []
    for strength in STRENGTHS:
        root = ET.fromstring(drawn(symptom, strength))
        left, top, wide, high = (float(value) for value in (root.get("viewBox") or "").split())
        inside = set()
        for path in root.iter(f"{SVG}path"):
            numbers = [
                float(value) for value in re.findall(r"-?\d+\.?\d*", re.sub(r"[Aa][^A-Za-z]*", "", path.get("d") or ""))
            ]
            places = list(zip(numbers[::2], numbers[1::2], strict=False))
            if any(left < x < left + wide and top < y < top + high for x, y in places):
                inside.add(path.get("d"))
        rings = {(ring.get("cx"), ring.get("cy"), ring.get("r")) for ring in root.iter(f"{SVG}circle")}
        shown.append((frozenset(inside), frozenset(rings)))
    assert (2 if symptom in TESTS else 3) == len(set(shown))


def test_one_side_is_the_wearers_own() -> None:
    """Left is drawn at the left hand of a back view and at the right hand of a front view; one side has half the marks."""
    for symptom, left_is_smaller in (("diagonals-under-seat", True), ("diagonals-crotch-to-side-waist", False)):
        both, left, right = (set(drawn(symptom, 3, side).split("<")) for side in (None, "left", "right"))
        assert both == left | right
        only_left = [float(re.findall(r"M(-?[\d.]+)", part)[0]) for part in left - right if "M" in part]
        assert only_left
        assert all((x < 60) == left_is_smaller for x in only_left)
    assert drawn("v-at-centre-back", 2) == drawn("v-at-centre-back", 2, "left")


def test_a_title_stays_text() -> None:
    """A hostile title cannot leave its place."""
    svg = figure("fly-gapes", 1, title='"><script>alert(1)</script>')
    assert svg is not None
    assert '"><script>alert(1)</script>' == ET.fromstring(svg).findtext(f"{SVG}title")
    assert "<script" not in svg


def test_a_strength_that_is_none_is_refused() -> None:
    """Only slight, clear and strong are drawn."""
    with pytest.raises(ValueError, match="0, 1, 2 or 3"):
        figure("fly-gapes", 4, title="too much")


# -- the sheet ---------------------------------------------------------------------------------------------------------


def test_every_drawn_sign_stands_once_on_the_sheet_by_its_number(base: RuleBase) -> None:
    """Station by station; the number is the one the interview shows; no two signs share one."""
    listed = [sign for _, signs in signs_by_station(base, "in") for sign in signs]
    number = numbered(base)
    assert {number[symptom] for symptom in drawn_symptoms() if symptom in number} == {sign.number for sign in listed}
    assert [sign.number for sign in listed] == sorted(sign.number for sign in listed)
    assert {2, 4} == {len(sign.pictures) for sign in listed}


def test_the_sheet_is_written_as_a_page_and_on_paper(base: RuleBase, tmp_path: Path) -> None:
    """Both hold every title; the PDF has no more pages than a fitter will print, and no empty one."""
    for name in ("signs.html", "signs.pdf"):
        assert 0 == drawings(str(tmp_path / name), None, "cm", "a4", replace=False)
    page = (tmp_path / "signs.html").read_text()
    pages = [one.extract_text() for one in PdfReader(tmp_path / "signs.pdf").pages]
    assert len(pages) <= 12
    assert all(text.count("\n") > 5 for text in pages)
    flat = re.sub(r"\s+", " ", " ".join(pages))
    for symptom in drawn_symptoms():
        title = base.symptoms[symptom].title
        assert escape(title) in page
        assert title in flat
    with pytest.raises(ProblemsFoundError, match=r"\.html or \.pdf"):
        drawings(str(tmp_path / "signs.png"), None, None, None, replace=False)


@pytest.mark.parametrize("width", [320, *(pytest.param(wide, marks=pytest.mark.long) for wide in (390, 1280))])
def test_the_sheet_fits_a_window(base: RuleBase, width: int, tmp_path: Path, open_page: Callable[..., Any]) -> None:
    """Nothing to scroll sideways, no picture too small to see, and axe-core has nothing to say."""
    (tmp_path / "signs.html").write_text(sheet_html(base, "in"), encoding="utf-8")
    page = open_page((tmp_path / "signs.html").as_uri(), viewport={"width": width, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert (
        min(page.evaluate("[...document.querySelectorAll('svg')].map(one => one.getBoundingClientRect().width)")) > 60
    )
    assert [] == complaints(page, of=("minor", "moderate", "serious", "critical"))
