"""A skirt from its own folder of data: drafted, walked, written, read, altered and printed by the same code as trousers."""

from __future__ import annotations

import ast
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from plain_yaml import plain_yaml
from running import ended
from small_rules import good_files, write_rules

import fitdiag.pattern
from fitdiag.drape.figure import BASE
from fitdiag.drape.muslin import drape, order_of
from fitdiag.knowledge.check import check_rules
from fitdiag.knowledge.folders import shipped
from fitdiag.knowledge.garment import Move
from fitdiag.knowledge.load import read_rules
from fitdiag.knowledge.model import Alteration, Geometry
from fitdiag.pattern.blocks import draft_block
from fitdiag.pattern.draw import drawing
from fitdiag.pattern.dxf import pattern_from_dxf, pattern_to_dxf
from fitdiag.pattern.garment import Garment, garment_of
from fitdiag.pattern.measure import pattern_measures
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.outline import with_allowance
from fitdiag.pattern.piece import Pattern, cut_words, faults
from fitdiag.pattern.sheets import pdf_sheets
from fitdiag.pattern.svg_files import pattern_from_svg, pattern_to_svg
from fitdiag.pattern.true import true
from fitdiag.pattern.waist import bands
from fitdiag.pattern.walk import pair_sentences, walked

BODIES = [(600, 840, 195, 520), (680, 940, 206, 600), (860, 1120, 215, 650), (1100, 1300, 225, 800)]  # our own


@pytest.fixture(scope="module")
def skirt(tmp_path_factory: pytest.TempPathFactory) -> Garment:
    """The skirt's garment.yaml beside a small rule base of its own, without its charts: they are of signs that are not there."""
    folder = write_rules(tmp_path_factory.mktemp("skirt"), good_files())
    text = (shipped("rules") / "skirt" / "garment.yaml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^charts:\n(?:  .*\n)+", "", text)
    (folder / "garment.yaml").write_text(
        re.sub("source: (common-practice|from-memory|geometry)", "source: practice", text), encoding="utf-8"
    )
    base, problems = read_rules(folder)
    assert base is not None
    assert not problems
    assert not [str(problem) for problem in check_rules(base)]
    return garment_of(base)


def drafted(garment: Garment, body: tuple[int, ...]) -> Pattern:
    names = ("waist", "hip", "waist_to_hip", "length")
    return draft_block(garment, dict(zip(names, body, strict=True)))


@pytest.mark.parametrize("body", BODIES)
def test_a_skirt_is_drafted_as_the_rules_of_its_block_say(skirt: Garment, body: tuple[int, ...]) -> None:
    """Half the hips and 1.5 cm on the half skirt, 2 cm of waist ease in all, darts of 2 cm, seams that walk."""
    waist, hip, to_hip, length = body
    pattern = drafted(skirt, body)
    measures = pattern_measures(pattern)
    assert not [fault for piece in pattern.pieces.values() for fault in faults(piece)]
    assert measures["hip girth"] == pytest.approx(hip + 30, abs=0.01)
    assert measures["waist after darts girth"] == pytest.approx(waist + 10, abs=4.0)  # the edge is curved
    assert measures["front centre length"] == measures["back centre length"] == length
    assert [dart.width for dart in pattern.back.darts] == pytest.approx([20.0, 20.0], abs=0.2)
    assert pattern.back.levels["waist"] - pattern.back.levels["hip"] == pytest.approx(to_hip + 12.5)
    (side,) = walked(pattern).pairs
    assert abs(side.longer) <= side.rule.ease_mm, pair_sentences(side, "cm")
    assert cut_words(pattern.front, "both") == "cut 1 on the fold"


def test_a_skirt_comes_back_from_every_file(skirt: Garment) -> None:
    pattern = with_allowance(drafted(skirt, BODIES[1]), {"all": 15.0, "hem": 40.0})
    for back in (
        pattern_from_svg(pattern_to_svg(pattern), "x", skirt),
        pattern_from_dxf(pattern_to_dxf(pattern), "x", skirt),
    ):
        assert pattern_measures(back) == pytest.approx(pattern_measures(pattern), abs=0.01)
        assert [(n.name, n.seam) for n in back.back.notches] == [(n.name, n.seam) for n in pattern.back.notches]
        assert back.front.allowance == pytest.approx(pattern.front.allowance, abs=0.01)


MOVES: dict[str, dict[str, Any]] = {
    "let out the side": {"do": "edge", "on": ["front", "back"], "seams": ["side"], "at": {"hem": 1, "waist": 1}},
    "tuck across the back": {
        "do": "wedge",
        "on": ["back"],
        "cut": ["centre at above-hip", "outer at above-hip"],
        "by": -1,
    },
    "longer": {"do": "shift", "on": ["front", "back"], "seam": "hem"},
    "wider darts": {"do": "darts", "on": ["back"], "wider": 1},
    "wider along the grain": {"do": "widen", "on": ["front"]},
}


def test_there_is_no_allowance_at_a_fold(skirt: Garment) -> None:
    """The centre of a piece that is cut on the fold is the fold; the back, cut twice, gets its allowance there."""
    pattern = with_allowance(drafted(skirt, BODIES[1]), {"all": 15.0})
    assert set(pattern.front.allowance) == set(pattern.front.part.seams) - {"centre"}
    assert set(pattern.back.allowance) == set(pattern.back.part.seams)


def test_a_band_is_cut_on_the_fold_where_its_piece_is(skirt: Garment) -> None:
    """An outer and an inner band for the front, each in one piece; for the back, in two halves. A facing has one layer."""
    pattern = drafted(skirt, BODIES[1])
    assert [cut_words(band, "both") for band in bands(pattern, "shaped", 40.0)] == ["cut 2 on the fold", "cut 4"]
    assert [cut_words(band, "both") for band in bands(pattern, "facing", 40.0)] == ["cut 1 on the fold", "cut 2"]


def test_the_halves_of_a_front_that_differ_are_cut_as_one_piece(skirt: Garment) -> None:
    """There is no seam where the fold was, so the paper halves are laid together; a back with a seam is cut side by side."""
    pattern = drafted(skirt, BODIES[1])
    sided = Pattern(pattern.garment, pattern.pieces, pattern.pieces)
    told = {(piece.name, side): cut_words(piece, side) for piece, side in sided.cut()}
    assert told["front", "left"] == "cut 1 with the other half, left"
    assert told["back", "left"] == "cut 1, left"


@pytest.mark.parametrize("name", MOVES)
def test_a_skirt_is_altered_trued_drawn_and_printed(skirt: Garment, name: str) -> None:
    """The measures move as the move says; pieces stay sound; the page and the sheets are made."""
    moves = Geometry.model_construct(moves=(Move.model_validate(MOVES[name]),), both_ways=True, one_side=False)
    rule = Alteration.model_construct(id=name, operation=moves)
    garment = replace(skirt, alterations={name: rule})
    before = drafted(garment, BODIES[1])
    step = carry_out(before, name, 10.0)
    after, _ = true(step.pattern)
    assert not [fault for piece in after.pieces.values() for fault in faults(piece)]
    old, new = pattern_measures(before), pattern_measures(after)
    girths = {"let out the side": 40.0, "wider along the grain": 20.0}
    assert new["hip girth"] - old["hip girth"] == pytest.approx(girths.get(name, 0.0), abs=0.5)
    if name == "longer":
        assert new["front centre length"] - old["front centre length"] == pytest.approx(10.0, abs=0.01)
    if name == "tuck across the back":
        assert old["back centre length"] - new["back centre length"] == pytest.approx(10.0, abs=0.3)
    assert name in drawing(before, step, "cm", name).title
    assert pdf_sheets(after, "a4", units="cm", day="2026-11-28").startswith(b"%PDF")


def test_a_skirt_at_the_keyboard(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Drafted, walked, its darts split, read from DXF and printed, by its name alone; the trousers' measures are not asked."""
    own, other, dxf, pdf = (str(tmp_path / name) for name in ("own.json", "other.yaml", "other.dxf", "own.pdf"))
    size = ("--waist", "68cm", "--hip", "94cm", "--waist-to-hip", "20.6cm")
    for arguments in (
        ("draft", "--garment", "skirt", *size, "--length", "60cm", "--out", own), ("walk", own),
        ("darts", own, "--do", "back 1 split=28mm", "--out", other), ("read", other, "--out", dxf),
        ("read", dxf, "--out", str(tmp_path / "back.svg")), ("draw", dxf, "--sheets", "a4", "--client", "the lamplighter", "--to", pdf),
    ):  # fmt: skip
        assert 0 == ended("pattern", *arguments), arguments
    told = " ".join(capsys.readouterr().out.split())
    assert "The ease it holds: 3 cm at the hip" in told
    assert "Side seam: front and back agree" in told
    assert 1 == ended("pattern", "draft", "--garment", "skirt", *size)
    assert "needs the length" in " ".join(capsys.readouterr().err.split())


def test_a_garment_without_a_block_says_so(skirt: Garment, tmp_path: Path) -> None:
    shutil.copy(shipped("rules") / "skirt" / "garment.yaml", tmp_path)
    garment = Garment(**{**vars(skirt), "name": "waistcoat"})
    with pytest.raises(Exception, match="no block is known for this garment"):
        draft_block(garment, {})


def test_a_skirt_drapes(skirt: Garment) -> None:
    """No fork and other edges: the same room drapes it, reads its hip line, and knows of no crotch."""
    muslin = drape([replace(order_of(drafted(skirt, BODIES[1]), BASE), points=500)], dressings=1, keep=False)[0]
    assert muslin.still
    assert muslin.deepest_mm < 3
    assert {"dip-centre-back", "across-back-hip"} <= set(muslin.readings)
    assert "crotch-hang" not in muslin.readings


def test_the_pattern_room_names_no_part_of_any_garment() -> None:
    """Pieces, seams, corners and levels stand in the garments' own data, and in the module of each block."""
    names: set[str] = set()
    for garment in ("trousers", "skirt"):
        data = plain_yaml(shipped("rules") / garment / "garment.yaml")
        names |= {item["id"] for key in ("pieces", "levels", "heights") for item in data[key]}
        for shape in data["shapes"]:
            names |= {*shape["seams"], *shape["corners"]}
    names -= {"side", "curve"}  # the wearer's left and right side; a curve is also just a curve
    assert len(names) > 25
    room = Path(fitdiag.pattern.__file__).parent
    found = []
    for path in sorted(room.glob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        told = {
            id(node.body[0].value)
            for node in ast.walk(tree)
            if isinstance(node, ast.Module | ast.FunctionDef | ast.ClassDef) and isinstance(node.body[0], ast.Expr)
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told:
                words = names & set(re.findall(r"[a-z][a-z-]*", node.value))
                found += [f"{path.name}:{node.lineno}: {word}" for word in sorted(words)]
    assert not found
