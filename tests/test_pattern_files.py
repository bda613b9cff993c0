"""Patterns written and read back, by us and by others: the own format, SVG against a general SVG library, DXF against its own audit."""

from __future__ import annotations

import copy
import json
import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache
from io import StringIO
from itertools import pairwise
from math import cos, inf, nan, radians, sin
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
import svgelements
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon
from thinned import thinned
from trousers import Measures, draft

from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.strict_yaml import Document, parse_yaml
from fitdiag.pattern.assemble import Taken, level_faults
from fitdiag.pattern.blocks import usual_block
from fitdiag.pattern.dxf import LAYERS, pattern_from_dxf, pattern_to_dxf
from fitdiag.pattern.formats import pattern_from_data, pattern_to_data, pattern_to_text
from fitdiag.pattern.garment import shipped_garment
from fitdiag.pattern.measure import pattern_measures
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.outline import cutting_area, notch_tick, with_allowance
from fitdiag.pattern.piece import MOST_POINTS, Array, Pattern, Piece, faults, length
from fitdiag.pattern.svg_files import pattern_from_svg, pattern_to_svg, shapes_of
from fitdiag.pattern.true import true
from fitdiag.problems import Problem, ProblemsFoundError, Where

SIDES = ("front", "back")
NAMES = tuple(sorted(load_rules().alterations))
SEAMS = shipped_garment().parts["back"].seams
CORNERS = shipped_garment().parts["back"].corners
DRAWN = 0.01  # mm: what SVG and DXF must keep
OWN = 0.001  # mm: what the own format must keep


@cache
def block(hip: float = 940.0, **changes: float) -> Pattern:
    """A drafted block for a hip girth in mm with a sixth of its points, so that its files are read in a sixth of the time."""
    return thinned(drafted(hip, **changes), 6)


def drafted(hip: float = 940.0, **changes: float) -> Pattern:
    """A drafted block for a hip girth in mm; the other measures follow it."""
    rest = {
        "waist": max(400.0, hip - 230.0),
        "rise": min(350.0, 260.0 + hip / 40.0),
        "waist_to_hip": 206.0,
        "waist_to_floor": 1040.0,
        "bottom": min(300.0, 150.0 + hip / 15.0),
    }
    return draft(Measures(hip=hip, **{**rest, **changes}))


def with_everything(pattern: Pattern) -> Pattern:
    """A pattern with allowances, notes, a shifted grain and words outside ASCII."""
    front = replace(
        pattern.front,
        allowance={"hem": 30.0, "side": 12.5},
        note='Try <it> & "look" ' * 40 + "½",
        lines={**pattern.front.lines, "dart level 2": pattern.front.lines["hip"] + 1},
    )
    return replace(
        pattern,
        pieces={"front": front, "back": replace(pattern.back, grain_x=4.2)},
        title="Größe 42 für die Laternenanzünderin 日 & 𝔵",
        grade="1:30",
    )


def read(data: object) -> Pattern:
    """A pattern from plain values, as a file without lines holds them."""
    return pattern_from_data(Document("block.json", data, None))


def through_data(pattern: Pattern) -> Pattern:
    return read(json.loads(json.dumps(pattern_to_data(pattern))))


def through_yaml(pattern: Pattern) -> Pattern:
    return pattern_from_data(parse_yaml(pattern_to_text(pattern), "block.yaml"))


def through_svg(pattern: Pattern) -> Pattern:
    return pattern_from_svg(pattern_to_svg(pattern), "block.svg")


def through_dxf(pattern: Pattern) -> Pattern:
    return pattern_from_dxf(pattern_to_dxf(pattern), "block.dxf")


WAYS: Mapping[str, tuple[Callable[[Pattern], Pattern], float]] = {
    "data": (through_data, OWN),
    "yaml": (through_yaml, OWN),
    "svg": (through_svg, DRAWN),
    "dxf": (through_dxf, DRAWN),
}


def places(piece: Piece, *, merged: bool) -> dict[str, Array]:
    """Every point of a piece by what it belongs to; `merged`: the ends of seams and lines only, between which they run."""
    found = dict(piece.seams) | {f"line {name}": line for name, line in piece.lines.items()}
    if merged:
        found = {name: line[[0, -1]] for name, line in found.items()}
    found |= {f"dart {n}": np.array([d.left, d.right, d.tip]) for n, d in enumerate(piece.darts)}
    found |= {f"level {name}": np.array([[0.0, y]]) for name, y in piece.levels.items()}
    found |= {f"notch {n} {notch.name} {notch.seam}": notch.at[None] for n, notch in enumerate(piece.notches)}
    found["grain"] = np.array([[piece.grain_x, 0.0]])
    return found


def courses(piece: Piece) -> dict[str, LineString]:
    """Every seam and balance line of a piece, for the distances between two drawings of it."""
    return {name: LineString(line) for name, line in (piece.seams | piece.lines).items()}


def farthest(one: Pattern, other: Pattern, *, merged: bool = False) -> float:
    """The farthest that any point of a pattern has moved; both must have the same points, texts and allowances.

    `merged`: a format that takes points next to one another for one need only keep where every line runs.
    """
    worst = 0.0
    for side in SIDES:
        mine, theirs = (places(pattern.pieces[side], merged=merged) for pattern in (one, other))
        assert {name: line.shape for name, line in mine.items()} == {name: line.shape for name, line in theirs.items()}
        worst = max(worst, *(float(np.abs(mine[name] - theirs[name]).max()) for name in mine))
        if merged:
            mine, theirs = (courses(pattern.pieces[side]) for pattern in (one, other))
            worst = max(worst, *(mine[name].hausdorff_distance(theirs[name]) for name in mine))
        assert one.pieces[side].allowance == other.pieces[side].allowance
        assert " ".join(one.pieces[side].note.split()) == other.pieces[side].note
    assert (one.title, one.grade) == (other.title, other.grade)
    return worst


def stopped(read: Callable[[], object]) -> tuple[Problem, ...]:
    """The problems that a reading stops with."""
    with pytest.raises(ProblemsFoundError) as caught:
        read()
    for problem in caught.value.problems:
        assert str(problem).isprintable()
        assert len(str(problem)) < 400
    return caught.value.problems


def only(read: Callable[[], object]) -> Problem:
    """The one problem that a reading stops with."""
    (problem,) = stopped(read)
    return problem


# -- there and back ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hip", [500, 700, 940, 1150, 1500, 2200])
@pytest.mark.parametrize("way", WAYS)
def test_a_block_of_any_size_comes_back(way: str, hip: float) -> None:
    """A drafted block of a small child up to the largest size is read back as it was written."""
    through, tolerance = WAYS[way]
    pattern = block(hip)
    assert farthest(pattern, through(pattern)) <= tolerance


@pytest.mark.parametrize("way", WAYS)
def test_texts_allowances_and_marks_come_back(way: str) -> None:
    """Titles in any script, long notes, allowances, a moved grain and more balance lines are read back too."""
    through, tolerance = WAYS[way]
    pattern = with_everything(block())
    assert farthest(pattern, through(pattern)) <= tolerance


@pytest.mark.parametrize("way", WAYS)
def test_a_second_time_changes_nothing(way: str) -> None:
    """What was read once and is written and read again stays exactly the same."""
    through, _ = WAYS[way]
    once = through(with_everything(block(1010.0)))
    assert farthest(once, through(once)) <= 1e-9


ALTERED = st.lists(st.tuples(st.sampled_from(NAMES), st.floats(3.0, 25.0)), min_size=1, max_size=3)


def altered(hip: float, alterations: list[tuple[str, float]], trued: bool) -> Pattern:
    """A block after some alterations, its seams trued; only those that are still two sound pieces, both sides alike."""
    pattern = block(hip)
    for name, amount in alterations:
        try:
            pattern = carry_out(pattern, name, amount, "both").pattern
        except ProblemsFoundError:
            assume(False)
    if trued:
        pattern, _ = true(pattern)
    assume(not faults(pattern.front) and not faults(pattern.back) and not level_faults(pattern.back))
    assume(not level_faults(pattern.front))
    return pattern


@settings(max_examples=30, deadline=None)
@example(600.0, [("spread-across-front", 11.5), ("spread-across-front", 22.5), ("spread-across-front", 3.0)], True)
@given(st.floats(600, 1700), ALTERED, st.booleans())
def test_altered_patterns_come_back_in_text_formats(
    hip: float, alterations: list[tuple[str, float]], trued: bool
) -> None:
    """Whatever alterations were carried out, the own format keeps every point and SVG every line."""
    pattern = altered(hip, alterations, trued)
    assert farthest(pattern, through_data(pattern)) <= OWN
    assert farthest(pattern, through_svg(pattern), merged=True) <= DRAWN


@settings(max_examples=8, deadline=None)
@example(734.0, [("fill-front-curve", 11.0)], False)
@given(st.floats(600, 1700), ALTERED, st.booleans())
def test_altered_patterns_come_back_from_dxf(hip: float, alterations: list[tuple[str, float]], trued: bool) -> None:
    """Whatever alterations were carried out, DXF keeps every seam."""
    pattern = altered(hip, alterations, trued)
    assume(all(piece.corner("crotch-point")[0] < piece.corner("curve-start")[0] for piece in pattern.pieces.values()))
    assert farthest(pattern, through_dxf(pattern), merged=True) <= DRAWN


@pytest.mark.parametrize("name", NAMES)
def test_every_alteration_comes_back_from_svg(name: str) -> None:
    """No alteration of the rules makes a pattern that cannot be read back."""
    pattern = carry_out(block(), name, 15.0).pattern
    assert farthest(pattern, through_svg(pattern)) <= DRAWN


# -- the own format ------------------------------------------------------------------------------------------------------


def numbers_in(value: object) -> list[float]:
    if isinstance(value, dict):
        return [number for item in value.values() for number in numbers_in(item)]
    if isinstance(value, list):
        return [number for item in value for number in numbers_in(item)]
    return [value] if isinstance(value, float) else []


def test_numbers_are_written_to_a_thousandth() -> None:
    """No number in the own format has more than three decimals, and none is -0."""
    numbers = numbers_in(pattern_to_data(drafted(973.0)))
    assert len(numbers) > 2000
    assert all(number == round(number, 3) for number in numbers)
    assert "-0.0," not in pattern_to_text(drafted(973.0))


def test_the_text_has_a_point_a_line() -> None:
    """The text is JSON, and its lines are short enough to be read and compared by eye."""
    text = pattern_to_text(with_everything(block()))
    assert pattern_to_data(with_everything(block())) == json.loads(text)
    assert re.search(r"^ +\[-?\d+\.\d+, -?\d+\.\d+\],$", text, re.MULTILINE)


def test_every_problem_is_told_at_its_place() -> None:
    """A piece with many slips gets one message for each, at the line it stands on."""
    data = pattern_to_data(block())
    lines = pattern_to_text(block()).split("\n")

    def exchange(old: str, new: str) -> int:
        index = next(index for index, line in enumerate(lines) if old in line)
        lines[index] = lines[index].replace(old, new, 1)
        return index + 1

    expected = {
        exchange('"unit": "mm"', '"unit": "cm"'),
        exchange('"knee":', '"kneee":'),
        exchange(json.dumps(data["pieces"][0]["seams"]["waist"][0]), "[-188.3]"),
        (top := exchange('"tip"', '"top"')),  # not a key of a dart,
        top - 3,  # and the dart lacks its tip
        exchange('"allowance": {}', '"allowance": {"hem": -5}'),
        exchange('"note": ""', '"note": "", "colour": "red"'),
    }
    document = parse_yaml("\n".join(lines), "block.yaml")
    problems = stopped(lambda: pattern_from_data(document))
    assert expected == {problem.where.line for problem in problems if problem.where}
    assert len(expected) == len(problems)
    assert "did you mean 'knee'?" in " ".join(problem.hint for problem in problems)


def _pieces(data: dict[str, Any]) -> Any:
    return data["pieces"]


SPOILED: Mapping[str, tuple[Callable[[dict[str, Any]], object], str]] = {
    "another schema": (lambda d: d.update(schema="fitdiag.pattern/2"), "schema is fitdiag.pattern/2"),
    "a title that is none": (lambda d: d.update(title=[1]), "'title' must be text"),
    "no pieces": (lambda d: d.pop("pieces"), "'pieces' is missing"),
    "one piece": (lambda d: _pieces(d).pop(), "one each of: front, back"),
    "the same twice": (lambda d: _pieces(d).append(copy.deepcopy(_pieces(d)[0])), "two pieces"),
    "a missing seam": (lambda d: _pieces(d)[0]["seams"].pop("hem"), "'hem' is missing"),
    "an open outline": (lambda d: _pieces(d)[0]["seams"]["hem"].pop(), "ends"),
    "a crossing": (lambda d: _pieces(d)[0]["seams"]["side"].__setitem__(30, [-400.0, 500.0]), "crosses itself"),
    "a number that is none": (lambda d: _pieces(d)[0]["seams"]["hem"].__setitem__(1, [nan, 0.0]), "not [x, y]"),
    "an endless number": (lambda d: _pieces(d)[0].update(grain_x=inf), "must be a number"),
    "a huge number": (lambda d: _pieces(d)[0].update(grain_x=10**400), "must be a number"),
    "true for a number": (lambda d: _pieces(d)[0].update(grain_x=True), "must be a number"),
    "too many points": (
        lambda d: _pieces(d)[0]["seams"].update(hem=[[0.0, 0.0]] * (MOST_POINTS + 1)),
        f"more than {MOST_POINTS}",
    ),
    "a grain outside": (lambda d: _pieces(d)[0].update(grain_x=900.0), "grainline"),
    "a dart that cannot be closed": (
        lambda d: _pieces(d)[1]["darts"][0]["tip"].__setitem__(0, _pieces(d)[1]["darts"][0]["tip"][0] + 40.0),
        "legs of dart 1",
    ),
    "levels upside down": (
        lambda d: _pieces(d)[0]["lines"].update(hip=[[-90.0, 100.0], [90.0, 100.0]]),
        "one below the other",
    ),
    "a level elsewhere than its line": (
        lambda d: _pieces(d)[0]["levels"].update(hip=700.0),
        "level 'hip' is given at 700 mm, but lies at",
    ),
    "a level elsewhere than its seam": (
        lambda d: _pieces(d)[0]["levels"].update(hem=30.0),
        "level 'hem' is given at 30 mm",
    ),
    "a notch twice": (lambda d: _pieces(d)[0]["notches"].append(_pieces(d)[0]["notches"][0]), "is there twice"),
    "a dart twice": (lambda d: _pieces(d)[1]["darts"].append(_pieces(d)[1]["darts"][0]), "is there twice"),
    "another piece": (lambda d: _pieces(d)[0].update(piece="sleeve"), "a piece needs"),
    "a notch elsewhere": (lambda d: _pieces(d)[0]["notches"][0].update(seam="cuff"), "is not a seam of it"),
    "a notch beside its seam": (lambda d: _pieces(d)[0]["notches"][0].update(at=[900.0, 900.0]), "mm from its seam"),
}


@pytest.mark.parametrize("again", ["front-line-hip", "front-grain"])
def test_what_a_drawing_has_twice_is_read_once_and_said(again: str) -> None:
    """Of two grainlines, or two level lines of one name, the first is kept and the other named as left out."""
    text, taken = pattern_to_svg(block()), Taken()
    (line,) = (row for row in text.splitlines() if f'id="{again}"' in row)
    other = re.sub(r'id="[^"]*"', 'id="again"', re.sub(r"M (\S+)", lambda found: f"M {float(found[1]) + 3.0}", line))
    twice = pattern_from_svg(text.replace(line, f"{line}\n{other}"), "two.svg", taken=taken)
    assert pattern_to_svg(twice) == pattern_to_svg(pattern_from_svg(text, "one.svg"))
    assert "again" in taken.messages()[-1]


@pytest.mark.parametrize("name", SPOILED)
def test_a_spoiled_file_gets_one_clear_message(name: str) -> None:
    """Each thing that can be wrong in a pattern file is told once, in words that name it."""
    spoil, told = SPOILED[name]
    data = pattern_to_data(block())
    spoil(data)
    assert told in only(lambda: read(data)).message


@pytest.mark.parametrize(
    ("factor", "told"), [(1 / 25.4, "looks like inches or cm"), (0.1, "looks like inches or cm"), (25.4, "")]
)
def test_numbers_in_another_unit_are_noticed(factor: float, told: str) -> None:
    """A file whose numbers are in inches or cm, or have been converted twice, is refused for its size."""
    data = scaled(pattern_to_data(block()), factor)
    problems = stopped(lambda: read(data))
    assert any(told in problem.message and problem.code in ("size", "number", "point") for problem in problems)


def scaled(value: Any, factor: float) -> Any:
    if isinstance(value, dict):
        return {key: scaled(item, factor) for key, item in value.items()}
    if isinstance(value, list):
        return [scaled(item, factor) for item in value]
    return value * factor if isinstance(value, float) else value


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
PLACES = st.sampled_from(
    [("pieces",), ("title",)]
    + [("pieces", 0), ("pieces", 1)]
    + [
        ("pieces", 0, key)
        for key in ("piece", "unit", "grain_x", "levels", "seams", "darts", "lines", "allowance", "note")
    ]
    + [("pieces", 0, "seams", name) for name in SEAMS]
    + [
        ("pieces", 1, "darts", 0),
        ("pieces", 1, "darts", 0, "tip"),
        ("pieces", 0, "seams", "hem", 2),
        ("pieces", 0, "lines", "hip"),
    ]
)


@settings(max_examples=80, deadline=None)
@given(PLACES, JSON)
def test_anything_anywhere_is_read_or_refused(place: tuple[Any, ...], value: object) -> None:
    """Whatever stands at any place of a pattern file, it is read as a sound pattern or refused with problems."""
    data = pattern_to_data(block())
    inside: Any = data
    for part in place[:-1]:
        inside = inside[part]
    inside[place[-1]] = value
    try:
        pattern = read(data)
    except ProblemsFoundError as refused:
        assert refused.problems
        return
    assert [] == [*faults(pattern.front), *faults(pattern.back)]


# -- SVG as others read it -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hip", [600, 1040])
def test_another_program_sees_the_same_seams_in_mm(hip: float) -> None:
    """A general SVG library measures every seam as we do, its pixels turned into mm at 96 to the inch (CSS 2.1, 4.3.2)."""
    pattern = with_everything(block(hip))
    mm = 25.4 / 96
    seen = svgelements.SVG.parse(StringIO(pattern_to_svg(pattern)), ppi=96)
    paths = {shape.id: shape for shape in seen.elements() if isinstance(shape, svgelements.Shape)}
    for side in SIDES:
        for name in SEAMS:
            path = svgelements.Path(paths[f"{side}-{name}"])
            path.reify()
            assert length(pattern.pieces[side].seams[name]) == pytest.approx(path.length() * mm, abs=0.01)
    across = max(line[:, 0].max() for line in pattern.back.seams.values()) - min(
        line[:, 0].min() for line in pattern.back.seams.values()
    )
    boxes = [paths[f"back-{name}"].bbox() for name in SEAMS]
    assert across == pytest.approx((max(box[2] for box in boxes) - min(box[0] for box in boxes)) * mm, abs=0.01)
    assert {f"{side}-grain" for side in SIDES} <= set(paths)


def test_the_drawing_lies_on_its_page_waist_up() -> None:
    """Everything lies inside the page, and the waist above the hem, as y runs down on a page."""
    text = pattern_to_svg(block())
    wide, high = (float(value) for value in re.findall(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', text)[0])
    assert f'width="{wide}mm" height="{high}mm"' in text
    lines = {tuple(shape.words): shape.lines[0] for shape in shapes_of(text) if shape.lines and shape.tag == "path"}
    for line in lines.values():  # read with y up from the page's upper edge
        assert 0 <= line[:, 0].min() <= line[:, 0].max() <= wide
        assert -high <= line[:, 1].min() <= line[:, 1].max() <= 0
    assert lines["back", "waist", "seam"][0][1] > lines["back", "hem", "seam"][0][1]


# -- SVG by other hands --------------------------------------------------------------------------------------------------


def by_hand(pattern: Pattern, change: Callable[[Array], Array], head: str, digits: int = 4) -> str:
    """A drawing as another hand might make it: classes, polylines and paths, lines in any order and direction, no marks."""
    parts = []
    for side in SIDES:
        piece, elements = pattern.pieces[side], []
        for number, name in enumerate(sorted(SEAMS)):
            line = change(piece.seams[name])[:: -1 if number % 2 else 1]
            row = " ".join(f"{x:.{digits}f},{y:.{digits}f}" for x, y in line)
            elements.append(
                f'<polyline class="st0 {name}Seam" points="{row}"/>'
                if number % 3
                else f'<path id="{side}_{name.upper()}" d="M{row}"/>'
            )
        parts.append(f'<g id="{side.title()}">{"".join(elements)}</g>')
    return f"<svg {head}>{''.join(parts)}</svg>"


def down(line: Array) -> Array:
    return np.column_stack([line[:, 0], -line[:, 1]])


def same_shape(one: Pattern, other: Pattern) -> float:
    """The largest difference between two patterns' seams, each laid with its grain and hem at 0."""
    worst = 0.0
    for side in SIDES:
        mine, theirs = one.pieces[side], other.pieces[side]
        for name in SEAMS:
            a, b = (piece.seams[name] - [piece.grain_x, piece.outline[:, 1].min()] for piece in (mine, theirs))
            worst = max(worst, float(np.abs(a - b).max()))
    return worst


def same_but_for_the_start_of_the_curve(one: Pattern, other: Pattern) -> float:
    """As `same_shape`, but the smooth point where the curve begins may lie a little higher or lower on its seam."""
    for side in SIDES:
        assert np.hypot(*(one.pieces[side].corner("curve-start") - other.pieces[side].corner("curve-start"))) <= 10.0
    return same_shape(in_five(one), in_five(other))


def in_five(pattern: Pattern) -> Pattern:
    """A pattern with its curve and centre seam as one, the last point apart."""
    for side in SIDES:
        piece = pattern.pieces[side]
        both = np.concatenate([piece.seams["curve"], piece.seams["centre"][1:]])
        pattern = pattern.with_piece(piece.with_seams(curve=both[:-1], centre=both[-2:]))
    return pattern


INCHES = 'width="40in" height="60in" viewBox="-20 -50 40 60"'


@pytest.mark.parametrize(
    ("change", "head"),
    [
        (down, 'width="1000mm" height="1500mm" viewBox="-500 -1200 1000 1500"'),
        (lambda line: down(line) / 10, 'width="100cm" height="150cm" viewBox="-50 -120 100 150"'),
        (lambda line: down(line) / 25.4, INCHES),
        (lambda line: down(line) * [-1, 1], 'width="1000mm" height="1500mm" viewBox="0 0 1000 1500"'),  # the other leg
        (lambda line: down(line) * [-1, -1], 'width="1000mm" height="1500mm" viewBox="0 0 1000 1500"'),  # upside down
    ],
    ids=["mm", "cm", "inches", "mirrored", "upside down"],
)
def test_a_drawing_by_another_hand_is_read(change: Callable[[Array], Array], head: str) -> None:
    """Named lines in any order, direction and unit make the same pieces, and what had to be guessed is said."""
    pattern = block()
    found = pattern_from_svg(by_hand(pattern, change, head), "drawing.svg")
    assert same_shape(pattern, found) <= DRAWN
    for side in SIDES:
        assert "No grainline" in found.pieces[side].note
        assert pattern.pieces[side].levels["crotch"] == pytest.approx(found.pieces[side].levels["crotch"], abs=6)
        assert pattern.pieces[side].levels["knee"] == pytest.approx(found.pieces[side].levels["knee"], abs=6)


@pytest.mark.parametrize("dpi", [72.0, 90.0, 96.0])
@pytest.mark.parametrize(
    "head", ["", 'width="3000" height="4000"', 'width="3000px" height="4000px" viewBox="0 0 3000 4000"']
)
def test_pixels_are_asked_about(head: str, dpi: float) -> None:
    """A drawing that counts pixels is refused, and read in the right size once it is said how many make an inch."""
    text = by_hand(block(), lambda line: down(line) * dpi / 25.4, head)
    assert "pixels" in only(lambda: pattern_from_svg(text, "drawing.svg")).message
    assert same_shape(block(), pattern_from_svg(text, "drawing.svg", dpi=dpi)) <= DRAWN


def test_a_page_stretched_one_way_is_refused() -> None:
    """Two scales for one drawing make no pattern."""
    text = by_hand(block(), down, 'width="30mm" height="15mm" viewBox="0 0 10 10" preserveAspectRatio="none"')
    assert "stretched" in only(lambda: pattern_from_svg(text, "drawing.svg")).message


def test_short_shorts_get_levels_in_their_order() -> None:
    """Where levels have to be estimated they lie one below the other, even if the knee is not on the piece."""
    text = by_hand(shortened(block()), down, 'width="1000mm" height="1500mm" viewBox="0 0 1000 1500"')
    shorts = pattern_from_svg(text, "shorts.svg")
    assert farthest(shorts, through_data(shorts)) <= OWN


def shortened(pattern: Pattern) -> Pattern:
    """A block cut off 70 mm below the crotch level."""
    for side in SIDES:
        piece = pattern.pieces[side]
        seam, inseam = piece.seams["side"], piece.seams["inseam"]
        low = piece.levels["crotch"] - 70.0
        seam, inseam = seam[seam[:, 1] > low], inseam[inseam[:, 1] > low]
        pattern = pattern.with_piece(piece.with_seams(side=seam, inseam=inseam, hem=np.array([seam[-1], inseam[0]])))
    return pattern


@pytest.mark.parametrize(
    ("transform", "back"),
    [
        ("translate(30 -12.5)", lambda line: line - [30, -12.5]),
        ("scale(2)", lambda line: line / 2),
        ("scale(-1,1)", lambda line: line * [-1, 1]),
        ("rotate(37)", lambda line: line @ turn(37)),
        ("rotate(90 10 20)", lambda line: (line - [10, 20]) @ turn(90) + [10, 20]),
        ("matrix(0 1 -1 0 5 5)", lambda line: (line - [5, 5]) @ turn(90)),
        ("translate(5),scale(2) rotate(180)", lambda line: (line - [5, 0]) / 2 @ turn(180)),
    ],
)
def test_transforms_of_groups_are_undone(transform: str, back: Callable[[Array], Array]) -> None:
    """A group drawn elsewhere, turned or mirrored and moved back by its transform is the same piece."""
    pattern = block()
    page = 'width="1000mm" height="1500mm" viewBox="0 0 1000 1500"'
    text = by_hand(pattern, lambda line: back(down(line)), page, digits=6)
    text = re.sub(r'<g id="(\w+)">', rf'<g id="\1"><g transform="{transform}">', text).replace("</g>", "</g></g>")
    assert same_shape(pattern, pattern_from_svg(text, "drawing.svg")) <= DRAWN


def turn(degrees: float) -> Array:
    """The matrix that undoes a turn of a page when it stands behind a row of points."""
    c, s = cos(radians(degrees)), sin(radians(degrees))
    return np.array([[c, -s], [s, c]])


@pytest.mark.parametrize("degrees", [90, -90, 30, 180])
def test_a_turned_piece_is_set_upright_by_its_grainline(degrees: float) -> None:
    """Pieces that lie across the page, as for cutting, are turned back until their grain is plumb."""
    text = pattern_to_svg(block()).replace("data-origin", "data-nothing")
    text = text.replace("<g ", f'<g transform="rotate({degrees} 100 100)" ')
    assert same_shape(block(), pattern_from_svg(text, "turned.svg")) <= DRAWN


def test_moving_a_group_moves_its_origin_too() -> None:
    """A piece that was only laid elsewhere on the page keeps its own coordinates."""
    pattern = block()
    text = pattern_to_svg(pattern).replace('<g id="back"', '<g transform="translate(300 40)" id="back"')
    assert farthest(pattern, pattern_from_svg(text, "moved.svg")) <= DRAWN


def curved() -> str:
    """A drawing of two pieces with Bezier curves and arcs, front and back alike, in plain words for its lines."""
    seams = {
        "waist": "M 20 0 h 200",
        "side": "M 220 0 C 240 80 245 150 240 220 S 200 500 195 1000",
        "hem": "M 195 1000 H 15",
        "inseam": "M15 1000 Q -10 500 -40 280",
        "curve": "M-40 280 A 60 60 0 0 0 20 220",
        "centre": "M 20 220 V 0",
    }
    groups = [
        f'<g class="{side}">' + "".join(f'<path class="{name}" d="{d}"/>' for name, d in seams.items()) + "</g>"
        for side in SIDES
    ]
    return f'<svg width="300mm" height="1100mm" viewBox="0 0 300 1100">{"".join(groups)}</svg>'


def test_curves_are_as_long_as_the_formulas_say() -> None:
    """A quarter circle of 60 mm measures 30 pi; the Bezier seams agree with a general SVG library."""
    front = pattern_from_svg(curved(), "curved.svg").front
    assert np.pi * 30 == pytest.approx(length(front.seams["curve"]), abs=0.1)
    for name, d in (
        ("side", "M 220 0 C 240 80 245 150 240 220 S 200 500 195 1000"),
        ("inseam", "M15 1000 Q -10 500 -40 280"),
    ):
        assert svgelements.Path(d).length(error=1e-6) == pytest.approx(length(front.seams[name]), abs=0.1)


def test_a_seam_may_be_drawn_in_parts() -> None:
    """Parts that touch are one seam; parts that do not are told."""
    whole = 'class="waist" d="M 20 0 h 200"'
    parts = 'class="waist" d="M 120 0 h 100"/><path class="waist" d="M{} 0 L20 0"'
    text = curved().replace(whole, parts.format("120"))
    assert pytest.approx(200.0) == length(pattern_from_svg(text, "x.svg").front.seams["waist"])
    problem = only(lambda: pattern_from_svg(curved().replace(whole, parts.format("110")), "x.svg"))
    assert "parts of the seam 'waist' do not touch" in problem.message


def test_a_document_type_is_no_reason_to_refuse() -> None:
    """The old document type line that many programs write is passed over; nothing is fetched for it."""
    head = '<?xml version="1.0" encoding="UTF-8"?>\n<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://localhost:9/svg11.dtd">\n'
    assert 0 == same_shape(pattern_from_svg(curved(), "x.svg"), pattern_from_svg(head + curved(), "x.svg"))


BOMB = (
    "<!DOCTYPE svg ["
    + '<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in pairwise("abcdefghij"))
    + "]>"
)
HOSTILE_SVG: Mapping[str, tuple[Callable[[str], str], str]] = {
    "rubbish": (lambda text: "waist, side, hem", "not a drawing|cannot be read"),
    "nothing": (lambda text: "", "not a drawing|cannot be read"),
    "cut off": (lambda text: text[:-40], "not a drawing|cannot be read"),
    "another xml": (lambda text: "<html/>", "does not begin with <svg>"),
    "no seams named": (lambda text: re.sub(r'class="\w+"', "", text), "names a seam"),
    "no side named": (lambda text: text.replace('class="front"', ""), "whether it is front or back"),
    "no back": (lambda text: re.sub(r'<g class="back">.*?</g>', "", text), "no piece 'back'"),
    "the same twice": (lambda text: text.replace('class="back"', 'class="front"'), "ends where it begins"),
    "two seams in one name": (lambda text: text.replace('class="hem"', 'class="hem side"', 1), "names two seams"),
    "a missing seam": (lambda text: text.replace('class="hem"', "", 1), "the seams hem are missing"),
    "an open outline": (lambda text: text.replace("H 15", "H 25", 1), "'hem' ends 10.0 mm from"),
    "an open path": (lambda text: text.replace("V 0", "V 3", 1), "'centre' ends 3.0 mm from"),
    "a million points": (lambda text: text.replace("V 0", "l0 0" + " 0 1" * 1_000_000, 1), f"{MOST_POINTS} points"),
    "a curve without end": (lambda text: text.replace("V 0", "C 1e6 0 -1e6 1e6 1e6 9e6 20 0", 1), "is damaged near"),
    "a wild curve": (
        lambda text: text.replace('width="300mm" height="1100mm"', 'width="9e6mm" height="9e6mm"'),
        "more than|measures|lie nowhere",
    ),
    "an entity bomb": (lambda text: BOMB + text.replace('class="hem"', 'class="&j;"'), "<!ENTITY"),
    "an outside entity": (lambda text: '<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/passwd">]>' + text, "<!ENTITY"),
    "deep groups": (lambda text: text.replace("<path", "<g>" * 5000 + "<path", 1), "cannot be read|nests"),
    "many elements": (lambda text: text.replace("</svg>", "<g/>" * 30_000 + "</svg>"), "more than 20000"),
    "many parts of a seam": (
        lambda text: text.replace("</svg>", '<path class="front hem" d="M0 0h1"/>' * 3_000 + "</svg>"),
        "do not touch",
    ),
    "inches as mm": (
        lambda text: text.replace("300mm", "11.8mm").replace("1100mm", "43.3mm"),
        "looks like inches or cm",
    ),
    "mm as inches": (
        lambda text: text.replace("300mm", "300in").replace("1100mm", "1100in"),
        "looks like mm read as inches",
    ),
    "exchanged names": (
        lambda text: text.replace('"hem"', '"x"').replace('"side"', '"hem"').replace('"x"', '"side"'),
        "do not meet in the order",
    ),
    "a level out of place": (
        lambda text: text.replace(
            '<path class="waist"', '<line id="knee-level" x2="9" y1="90" y2="90"/><path class="waist"', 1
        ),
        "one below the other",
    ),
    "no size": (
        lambda text: text.replace('width="300mm" height="1100mm"', 'width="100%"'),
        "how large it is|is in pixels",
    ),
    "a size of nothing": (lambda text: text.replace("0 0 300 1100", "0 0 0 0"), "how large it is|is in pixels"),
    "a bad number": (lambda text: text.replace("h 200", "h 1e400", 1), "the seams waist are missing|lie nowhere"),
    "a bad path": (lambda text: text.replace("h 200", "X 200", 1), "is damaged near"),
    "a bad transform": (lambda text: text.replace('class="front"', 'class="front" transform="squash(3)"'), "."),
    "transforms that explode": (
        lambda text: text.replace('<path class="waist"', '<g transform="scale(1e7)">' * 20 + '<path class="waist"', 1),
        "lie nowhere|measures|cannot be read",
    ),
    "a drawing inside": (lambda text: text.replace("<g", "<svg><g", 1), "inside the drawing|cannot be read"),
    "upside down names": (
        lambda text: text.replace('"hem"', '"x"').replace('"waist"', '"hem"').replace('"x"', '"waist"'),
        "do not meet in the order",
    ),
}


@pytest.mark.parametrize("name", HOSTILE_SVG)
def test_a_wrong_drawing_gets_one_clear_message(name: str) -> None:
    """Each thing that can be wrong in a drawing is told once, in words that name it, however large or hostile the file is."""
    spoil, told = HOSTILE_SVG[name]
    text = curved()
    assert text != spoil(text)
    problem = only(lambda: pattern_from_svg(spoil(text), "drawing.svg"))
    assert re.search(told, problem.message), problem
    assert problem.where is not None
    assert "drawing.svg" == problem.where.path
    assert problem.hint


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 1200), st.integers(0, 30), st.text(alphabet="0123456789 <>/&;\"'=MmCcAaZz.-eEé\x07", max_size=12))
def test_a_damaged_drawing_is_read_or_refused(at: int, cut: int, put: str) -> None:
    """Whatever is cut out of a drawing or typed into it, it is read as a sound pattern or refused with problems."""
    text = curved()
    try:
        pattern = pattern_from_svg(text[:at] + put + text[at + cut :], "drawing.svg")
    except ProblemsFoundError as refused:
        assert refused.problems
        return
    assert [] == [*faults(pattern.front), *faults(pattern.back)]


# -- DXF -----------------------------------------------------------------------------------------------------------------


written = cache(pattern_to_dxf)


def document_of(pattern: Pattern) -> Any:
    return ezdxf.read(StringIO(written(pattern)))


def text_of(document: Any) -> str:
    stream = StringIO()
    document.write(stream)
    return stream.getvalue()


@pytest.mark.parametrize("hip", [600, 1040])
def test_the_dxf_stands_up_to_an_audit(hip: float) -> None:
    """The DXF library's own audit finds nothing to say or to mend, and the text is ASCII for old readers."""
    text = pattern_to_dxf(with_everything(block(hip)))
    audit = ezdxf.read(StringIO(text)).audit()
    assert ([], []) == (audit.errors, audit.fixes)
    assert text.isascii()


def test_a_dxf_written_twice_is_the_same() -> None:
    """Neither the clock nor chance stands in the file."""
    assert pattern_to_dxf(block()) == pattern_to_dxf(block())


def test_the_dxf_has_the_layers_of_the_standard() -> None:
    """A block per piece in mm: one closed boundary on 1, six turn points on 2, all other points on 3, the grain on 7.

    Layer numbers of ASTM D6673, from memory. $INSUNITS 4 is mm, $MEASUREMENT 1 metric (DXF reference).
    """
    pattern = block()
    document = document_of(pattern)
    assert (4, 1) == (document.header["$INSUNITS"], document.header["$MEASUREMENT"])
    assert set(LAYERS) <= {layer.dxf.name for layer in document.layers}
    placed = [insert.dxf.name for insert in document.modelspace().query("INSERT")]
    assert ["FRONT", "BACK"] == placed
    for side in SIDES:
        piece, shown = pattern.pieces[side], document.blocks[side.upper()]
        (boundary,) = shown.query('POLYLINE[layer=="1"]')
        assert boundary.is_closed
        assert len(piece.outline) == len(boundary)
        assert piece.outline == pytest.approx(np.array([(point.x, point.y) for point in boundary.points()]), abs=DRAWN)
        turns = [(point.dxf.location.x, point.dxf.location.y) for point in shown.query('POINT[layer=="2"]')]
        assert [tuple(piece.corner(name)) for name in CORNERS] == turns
        assert len(piece.outline) - 6 == len(shown.query('POINT[layer=="3"]'))
        (grain,) = shown.query('LINE[layer=="7"]')
        assert piece.grain_x == grain.dxf.start.x == grain.dxf.end.x
        assert len(piece.lines) + len(piece.darts) == len(shown.query('POLYLINE[layer=="8"]'))
        assert len(piece.notches) == len(shown.query('LINE[layer=="4"]'))
        texts = [text.dxf.text for text in shown.query('TEXT[layer=="15"]')]
        assert {f"Piece Name: {side}", "Unit: mm"} <= set(texts)


def changed(pattern: Pattern, change: Callable[[Any, Any], None]) -> str:
    """The DXF of a pattern with something changed in each of its blocks."""
    document = document_of(pattern)
    for side in SIDES:
        change(document, document.blocks[side.upper()])
    return text_of(document)


def delete(query: str) -> Callable[[Any, Any], None]:
    def change(document: Any, shown: Any) -> None:
        for entity in list(shown.query(query)):
            shown.delete_entity(entity)

    return change


@pytest.mark.parametrize("hip", [600, 940, 1500, 2200])
def test_without_turn_points_the_corners_tell_the_seams(hip: float) -> None:
    """A drafted block without any turn point is read back with the same six seams."""
    text = changed(drafted(hip), delete('POINT[layer=="2"]'))
    assert same_but_for_the_start_of_the_curve(drafted(hip), pattern_from_dxf(text, "x.dxf")) <= DRAWN


def test_other_turn_points_do_no_harm() -> None:
    """Turn points at dart ends and at the knee do not hide the corners, as long as the start of the curve is marked alone."""

    def more(document: Any, shown: Any) -> None:
        piece = block().pieces[shown.name.lower()]
        for index in (7, 20):
            shown.add_point(piece.seams["side"][index].tolist(), dxfattribs={"layer": "2"})

    assert farthest(block(), pattern_from_dxf(changed(block(), more), "x.dxf")) <= DRAWN


@pytest.mark.parametrize("frame", ["mirrored", "lying", "upside down", "backwards"])
@pytest.mark.parametrize("turn_points", [True, False])
def test_a_piece_that_lies_another_way_is_set_upright(frame: str, turn_points: bool) -> None:
    """Mirrored, lying and turned pieces, and outlines drawn the other way round, are the same pieces."""
    matrix = {
        "mirrored": np.diag([-1.0, 1.0]),
        "lying": np.array([[0.0, -1.0], [1.0, 0.0]]),
        "upside down": -np.eye(2),
        "backwards": np.eye(2),
    }[frame]

    whole = block() if turn_points else drafted()  # a smooth corner is only told by a dense line

    def lay(document: Any, shown: Any) -> None:
        side = shown.name.lower()
        piece = whole.pieces[side]
        for entity in list(shown):
            shown.delete_entity(entity)
        outline = (piece.outline @ matrix.T)[:: -1 if frame == "backwards" else 1]
        shown.add_lwpolyline(np.roll(outline, 50, axis=0).tolist(), close=True, dxfattribs={"layer": "1"})
        grain = np.array([[0.0, 100.0], [0.0, 500.0]]) @ matrix.T
        shown.add_line(*grain.tolist(), dxfattribs={"layer": "7"})
        for name in CORNERS if turn_points else ():
            shown.add_point((matrix @ piece.corner(name)).tolist(), dxfattribs={"layer": "2"})

    text = changed(block(), lay)
    assert "does not say whether" in only(lambda: pattern_from_dxf(text, "x.dxf")).message
    taken = Taken()
    found = pattern_from_dxf(text, "x.dxf", line="stitch", taken=taken)
    same = same_shape if turn_points else same_but_for_the_start_of_the_curve
    assert same(whole, found) <= DRAWN
    assert "Back: layer 1, the boundary, is the stitching line, as given." in taken.messages()


def test_a_sew_line_is_the_stitching_line_and_tells_the_allowance() -> None:
    """With a sew line on layer 14 the boundary is the cut line, and the distance between them is the allowance."""

    def cut_line(document: Any, shown: Any) -> None:
        outline = block().pieces[shown.name.lower()].outline
        cut = Polygon(outline).buffer(15.0, join_style="mitre").exterior.coords
        (boundary,) = shown.query('POLYLINE[layer=="1"]')
        boundary.dxf.layer = "14"
        shown.add_lwpolyline(list(cut), dxfattribs={"layer": "1"})

    found = pattern_from_dxf(changed(block(), cut_line), "x.dxf")
    assert same_shape(block(), found) <= DRAWN
    assert dict.fromkeys(SEAMS, 15.0) == pytest.approx(dict(found.front.allowance), abs=0.05)


def test_a_line_to_cut_along_is_taken_back_to_the_stitching_line() -> None:
    """An outline that is said to be cut along with 15 mm of allowance gives the stitching line back, and so the same hip."""
    wide = with_allowance(block(), {"all": 15.0})

    def cut_only(document: Any, shown: Any) -> None:
        side = shown.name.lower()
        for entity in list(shown):
            shown.delete_entity(entity)
        outline = np.asarray(cutting_area(wide.pieces[side]).exterior.coords)
        shown.add_lwpolyline(outline.tolist(), dxfattribs={"layer": "1"})
        shown.add_line((0, 100), (0, 500), dxfattribs={"layer": "7"})
        ends = seams_cut(wide.pieces[side], outline)
        for at in ends:
            shown.add_point(at, dxfattribs={"layer": "2"})

    text = changed(block(), cut_only)
    assert "how wide" in only(lambda: pattern_from_dxf(text, "x.dxf", line="cut")).message
    found = pattern_from_dxf(text, "x.dxf", line="cut", allowance=15.0)
    for side in SIDES:
        one, other = block().pieces[side], found.pieces[side]
        shift = [one.grain_x - other.grain_x, one.outline[:, 1].min() - other.outline[:, 1].min()]
        assert Polygon(one.outline).symmetric_difference(Polygon(other.outline + shift)).area / 3000.0 < 0.3


def test_a_notch_on_a_seam_of_two_points_is_drawn() -> None:
    """Square to the seam and 6 mm into the piece, as on a seam of many points: a straight edge may be drawn as one step."""
    back = usual_block(shipped_garment("skirt")).back
    straight = back.with_seams(centre=back.seams["centre"][[0, -1]])
    for piece in (back, straight):
        (notch,) = (one for one in piece.notches if one.seam == "centre")
        assert notch_tick(piece, "centre", notch.at) - notch.at == pytest.approx(np.array([[0.0, 0.0], [6.0, 0.0]]))


def test_the_allowance_is_not_taken_off_at_a_fold() -> None:
    """A piece cut on the fold ends at the fold: taken back to its stitching lines, it has its width and length again."""
    skirt = usual_block(shipped_garment("skirt"))
    wide = with_allowance(skirt, {"all": 15.0})

    def cut_only(document: Any, shown: Any) -> None:
        for entity in list(shown):
            shown.delete_entity(entity)
        outline = cutting_area(wide.pieces[shown.name.lower()]).exterior.coords
        shown.add_lwpolyline(list(outline), dxfattribs={"layer": "1"})
        shown.add_line((0, 100), (0, 500), dxfattribs={"layer": "7"})

    found = pattern_from_dxf(changed(wide, cut_only), "x.dxf", skirt.garment, line="cut", allowance=15.0)
    for name in ("front hem", "back hem", "front waist after darts", "front centre length"):
        darts = 20.0 if name == "front waist after darts" else 0.0  # they are not drawn here
        assert pattern_measures(found)[name] == pytest.approx(pattern_measures(skirt)[name] + darts, abs=0.3), name
    assert dict(found.front.allowance) == dict(wide.front.allowance)


def seams_cut(piece: Piece, cut: Array) -> list[tuple[float, float]]:
    """The corners of a cutting line: near each corner of the piece where it turns most; near the smooth one the nearest point."""
    ring = cut[:-1]
    into, onward = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    turns = np.abs(np.arctan2(into[:, 0] * onward[:, 1] - into[:, 1] * onward[:, 0], (into * onward).sum(axis=1)))
    found = []
    for name in CORNERS:
        away = np.hypot(*(ring - piece.corner(name)).T)
        index = int(np.argmin(away)) if name in piece.part.smooth else int(np.argmax(np.where(away < 40, turns, -1)))
        found.append((float(ring[index, 0]), float(ring[index, 1])))
    return found


def test_a_round_boundary_is_flattened() -> None:
    """A boundary with an arc (bulge) is read as a line that stays within 0.05 mm of it: a half circle of 50 mm."""
    document = document_of(block().with_each(lambda piece: replace(piece, notches=())))
    for side in SIDES:
        shown = document.blocks[side.upper()]
        delete('POLYLINE[layer=="1"]')(document, shown)
        delete('POINT[layer=="2"]')(document, shown)
        corners = [(-60, 1000), (150, 1000), (150, 0), (-50, 0), (-160, 700), (-60, 800)]
        rows = [(x, y, 0.5 if (x, y) == (-160, 700) else 0.0) for x, y in corners]
        shown.add_lwpolyline(rows, format="xyb", close=True, dxfattribs={"layer": "1"})
        shown.add_point((-60, 800), dxfattribs={"layer": "2"})
        delete('POLYLINE[layer=="8"]')(document, shown)
    found = pattern_from_dxf(text_of(document), "x.dxf")
    # chord 100 * sqrt(2), bulge 0.5 = tan(angle / 4): radius = chord * (1 + 0.25) / (4 * 0.5), arc = radius * 4 * atan(0.5)
    chord = 100 * np.sqrt(2)
    assert chord * 1.25 / 2 * 4 * np.arctan(0.5) == pytest.approx(length(found.front.seams["curve"]), abs=0.2)


def _scale_all(factor: float) -> Callable[[Any, Any], None]:
    def change(document: Any, shown: Any) -> None:
        for entity in shown:
            entity.transform(ezdxf.math.Matrix44.scale(factor))

    return change


def _layer(old: str, new: str) -> Callable[[Any, Any], None]:
    def change(document: Any, shown: Any) -> None:
        for entity in shown:
            if entity.dxf.layer == old:
                entity.dxf.layer = new

    return change


def _boundary(points: Callable[[Array], Any], close: bool = True) -> Callable[[Any, Any], None]:
    def change(document: Any, shown: Any) -> None:
        delete('POLYLINE[layer=="1"]')(document, shown)
        outline = block().pieces[shown.name.lower()].outline
        shown.add_lwpolyline(points(outline), close=close, dxfattribs={"layer": "1"})

    return change


def _header(name: str, value: int) -> Callable[[Any, Any], None]:
    return lambda document, shown: document.header.__setitem__(name, value)


def _inserted(document: Any, shown: Any) -> None:
    for insert in document.modelspace().query("INSERT"):
        insert.dxf.xscale = insert.dxf.yscale = 0.1


def _say_english(document: Any, shown: Any) -> None:
    for text in shown.query("TEXT"):
        text.dxf.text = text.dxf.text.replace("METRIC", "ENGLISH")


def _all(*changes: Callable[[Any, Any], None]) -> Callable[[Any, Any], None]:
    def change(document: Any, shown: Any) -> None:
        for one in changes:
            one(document, shown)

    return change


def _nameless(document: Any, shown: Any) -> None:
    for text in shown.query("TEXT"):
        text.dxf.text = text.dxf.text.replace("Piece Name: front", "Piece Name: back")


WRONG_DXF: Mapping[str, tuple[Callable[[Any, Any], None], str]] = {
    "wrong layers": (_layer("1", "0"), "layer 1 must hold one closed outline; its 0 lines"),
    "an open outline": (_boundary(lambda line: line.tolist(), close=False), "its 1 lines do not form one"),
    "two outlines": (
        lambda document, shown: shown.add_lwpolyline([(0, 0), (9, 0), (9, 9)], dxfattribs={"layer": "1"}),
        "its 2 lines do not form one",
    ),
    "a triangle": (_boundary(lambda line: line[::100][:3].tolist()), "corners"),
    "inches in the header": (
        _header("$INSUNITS", 1),
        "the header of the file says inches and a text of the file says metric",
    ),
    "metres in the header": (_header("$INSUNITS", 6), "the header of the file says m"),
    "inches in the text": (_say_english, "a text of the file says inches"),
    "inches by its size": (_scale_all(1 / 25.4), "looks like inches or cm"),
    "inches by its size, no turn points": (
        _all(delete('POINT[layer=="2"]'), _scale_all(1 / 25.4)),
        "looks like inches or cm",
    ),
    "cm by its size": (_scale_all(0.1), "looks like inches or cm"),
    "mm as inches": (_scale_all(25.4), "looks like mm read as inches"),
    "placed at a scale": (_inserted, "looks like inches or cm"),
    "too many points": (
        _boundary(lambda line: np.repeat(line, MOST_POINTS // len(line) + 1, axis=0).tolist()),
        f"more than {MOST_POINTS} points",
    ),
    "a crossing": (
        _all(
            delete('POINT[layer=="2"]'),
            _boundary(lambda line: np.roll(line, 2, axis=0)[::-1][np.r_[0:14, 50:66, 14:50, 66:100]].tolist()),
        ),
        "corners|crosses itself|direction",
    ),
    "no corners": (
        _all(
            delete('POINT[layer=="2"]'),
            _boundary(lambda line: [(300 * cos(t / 20), 300 * sin(t / 20)) for t in range(125)]),
        ),
        "seams cannot be told",
    ),
    "no start of the curve": (
        _all(
            delete('POINT[layer=="2"]'),
            _boundary(
                lambda line: [
                    (-60, 1000),
                    (150, 1000),
                    (150, 0),
                    (-50, 0),
                    (-160, 700),
                    (-110, 730),
                    (-80, 770),
                    (-65, 850),
                ]
            ),
        ),
        "where the crotch curve meets",
    ),
    "two pieces of a name": (
        lambda document, shown: document.blocks.new("BACK LINING") if "BACK LINING" not in document.blocks else None,
        "",
    ),
    "a number that is none": (
        _boundary(lambda line: [(nan, 0.0), *line[1:].tolist()]),
        "not a number|cannot be read|not DXF",
    ),
}


@pytest.mark.parametrize("name", WRONG_DXF)
def test_a_wrong_dxf_gets_one_clear_message(name: str) -> None:
    """Each thing that can be wrong in a DXF file is told once, in words that name it."""
    change, told = WRONG_DXF[name]
    if name == "two pieces of a name":
        told = "there are several pieces named 'back'"
        document = document_of(block())
        document.blocks.new("BACK LINING")
        document.modelspace().add_blockref("BACK LINING", (0, 0))
        text = text_of(document)
    else:
        text = changed(block(), change)
    problem = only(lambda: pattern_from_dxf(text, "file.dxf"))
    assert re.search(told, problem.message), problem
    assert Where("file.dxf") == problem.where
    assert problem.hint


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("", "not DXF"),
        ("waist, side, hem", "not DXF"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20, "not DXF"),
        (b"AutoCAD Binary DXF\r\n\x1a\x00" + b"\x00" * 50, "binary DXF"),
        ("0\nSECTION\n2\nENTITIES\n0\nLINE\n", "not DXF"),
        ("0\nSECTION\n2\nHEADER\n9\n$INSUNITS\n70\nabc\n0\nENDSEC\n0\nEOF\n", "not DXF"),
        ("0\nEOF\n", "no piece"),
    ],
    ids=["empty", "words", "picture", "binary", "torn", "header", "nothing inside"],
)
def test_what_is_no_dxf_is_told(content: str | bytes, told: str) -> None:
    """Files that are no DXF text get one message."""
    problem = only(lambda: pattern_from_dxf(content, "file.dxf"))
    assert told in problem.message
    assert problem.hint


def test_old_files_in_another_encoding_are_read() -> None:
    """Bytes that are not UTF-8 do not keep the outlines from being read."""
    content = pattern_to_dxf(replace(block(), title="Block A")).encode().replace(b"Block A", b"Gr\xf6\xdfe A")
    assert "Größe A" == pattern_from_dxf(content, "old.dxf").title


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 1), st.integers(0, 200), st.text(alphabet="0123456789\n .-ABCEPOLIN", max_size=20))
def test_a_damaged_dxf_is_read_or_refused(share: float, cut: int, put: str) -> None:
    """Whatever is cut out of a DXF or typed into it, it is read as a sound pattern or refused with problems."""
    at = int(share * len(DXF))
    try:
        pattern = pattern_from_dxf(DXF[:at] + put + DXF[at + cut :], "file.dxf")
    except ProblemsFoundError as refused:
        assert refused.problems
        return
    assert [] == [*faults(pattern.front), *faults(pattern.back)]


DXF = pattern_to_dxf(block())


def test_without_the_extra_one_message_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the DXF library is not installed, both ways say the words that install it."""
    for name in [name for name in sys.modules if name == "ezdxf" or name.startswith("ezdxf.")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "ezdxf", None)
    for run in (lambda: pattern_to_dxf(block()), lambda: pattern_from_dxf("0\nEOF\n", "x.dxf")):
        assert "pip install 'fitdiag[dxf]'" in str(only(run))


def test_dxf_is_loaded_only_when_it_is_needed() -> None:
    """Neither the own format nor SVG loads the DXF library."""
    import subprocess

    code = (
        "import sys; import fitdiag.pattern.dxf;"
        "from fitdiag.pattern.svg_files import pattern_from_svg, pattern_to_svg;"
        "from fitdiag.pattern.blocks import usual_block; from fitdiag.pattern.garment import shipped_garment;"
        "pattern_from_svg(pattern_to_svg(usual_block(shipped_garment())), 'x'); print('ezdxf' in sys.modules)"
    )
    root = Path(__file__).parent.parent
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)
    assert "False" == shown.stdout.strip()
