"""The drawings beside the questions: every row of the table draws, in three strengths that differ, and is safe to put on a page."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest

from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.reports.figures import FIGURES, STRENGTHS, drawn_symptoms, figure, shows_on_one_side

SVG = "{http://www.w3.org/2000/svg}"
NOT_DRAWN = {  # tests, what lies on paper, and what has no one look
    "folds-go-with-feet-apart", "seat-folds-needed-sitting", "back-pinch-takes-up-easily", "one-side-shows-more",
    "front-lines-go-with-inseam-let-out", "front-lines-go-with-waist-dropped", "front-settles-with-back-seam-opened",
    "crotch-eases-with-closure-loosened", "crotch-eases-with-waist-dropped", "hems-off-agreed-height",
    "landmark-out-of-place",
}  # fmt: skip


@pytest.fixture(scope="module")
def base() -> RuleBase:
    """The shipped rule base."""
    return load_rules()


def drawn(symptom: str, strength: int, side: str | None = None) -> str:
    svg = figure(symptom, strength, side=side, title="it shows clearly")
    assert svg is not None
    return svg


def test_every_row_belongs_to_a_symptom_of_the_rule_base(base: RuleBase) -> None:
    """No drawing is left over when a symptom is renamed or goes."""
    assert set() == set(drawn_symptoms()) - set(base.symptoms)


def test_what_is_worn_and_looked_at_has_a_drawing(base: RuleBase) -> None:
    """At least 45 symptoms are drawn; those without are known by name, or lie on paper only."""
    without = {one.id for one in base.symptoms.values() if one.id not in FIGURES and "paper" not in one.views}
    print("no drawing:", sorted(without | {one for one in base.symptoms if one not in FIGURES}))
    assert len(FIGURES) >= 45
    assert set() == without - NOT_DRAWN
    assert figure("one-side-shows-more", 1, title="a little") is None


@pytest.mark.parametrize("symptom", drawn_symptoms())
def test_a_drawing_is_one_picture_that_needs_nothing_else(symptom: str) -> None:
    """Well-formed, named for a screen reader, scaled by its viewBox; no ids, links, styles or scripts; strengths differ."""
    pictures = [drawn(symptom, strength) for strength in STRENGTHS]
    assert 3 == len(set(pictures))
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
    assert 3 == len(set(shown))


def test_one_side_is_the_wearers_own(base: RuleBase) -> None:
    """Left is drawn at the left hand of a back view and at the right hand of a front view; one side has half the marks."""
    for symptom, left_is_smaller in (("diagonals-under-seat", True), ("diagonals-crotch-to-side-waist", False)):
        both, left, right = (set(drawn(symptom, 3, side).split("<")) for side in (None, "left", "right"))
        assert both == left | right
        only_left = [float(re.findall(r"M(-?[\d.]+)", part)[0]) for part in left - right if "M" in part]
        assert only_left
        assert all((x < 60) == left_is_smaller for x in only_left)
    assert shows_on_one_side("diagonals-under-seat")
    assert not shows_on_one_side("v-at-centre-back")
    assert drawn("v-at-centre-back", 2) == drawn("v-at-centre-back", 2, "left")


def test_a_title_stays_text() -> None:
    """A hostile title cannot leave its place."""
    svg = figure("fly-gapes", 1, title='"><script>alert(1)</script>')
    assert svg is not None
    assert '"><script>alert(1)</script>' == ET.fromstring(svg).findtext(f"{SVG}title")
    assert "<script" not in svg


def test_a_strength_that_is_none_is_refused() -> None:
    """Only slight, clear and strong are drawn."""
    with pytest.raises(ValueError, match="1, 2 or 3"):
        figure("fly-gapes", 4, title="too much")
