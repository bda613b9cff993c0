"""What names the parts of a garment, in its own file and in the alterations, is checked, and told at its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from fitdiag.knowledge.folders import default_rules
from fitdiag.knowledge.load import read_rules

OVERLAP = "alterations/back-balance/overlap-back-wedge.yaml"
WRONG = [
    ("garment.yaml", "corner: side-waist}", "corner: side-waste}", "there is no corner 'side-waste'"),
    ("garment.yaml", "from: [centre], to: [side]", "from: [centre], to: [seid]", "there is no seam 'seid'"),
    ("garment.yaml", "level: hip, up: 25 mm", "level: hop, up: 25 mm", "there is no level or corner 'hop'"),
    ("garment.yaml", "one: [front, side]", "one: [frond, side]", "there is no piece 'frond'"),
    ("garment.yaml", "corners: {back: centre-waist}", "corners: {back: centre-top}", "there is no corner 'centre-top'"),
    ("garment.yaml", "girth: hip, times: 2", "girth: hips, times: 2", "there is no measure of a piece 'hips'"),
    ("garment.yaml", "at: 80 mm from crotch-point", "at: 80 mm from crotch", "there is no corner 'crotch'"),
    ("garment.yaml", "shape: leg, cut: 2,", "shape: lag, cut: 2,", "there is no shape 'lag'"),
    ("garment.yaml", "between: [crotch, waist]", "between: [crotch, waste]", "there is no level 'waste'"),
    (OVERLAP, "cut: [curve-start,", "cut: [curve-begin,", "there is no corner 'curve-begin'"),
    (OVERLAP, "at hand-below-crotch", "at hand-below-knee", "there is no height 'hand-below-knee'"),
    (OVERLAP, "on: [back], cut", "on: [bag], cut", "there is no piece 'bag'"),
    (OVERLAP, "seam: waist, end", "seam: wast, end", "there is no seam 'wast'"),
    (OVERLAP, "until: centre-waist}", "until: centre-top}", "there is no corner or seam 'centre-top'"),
    (OVERLAP, "taper: {inseam: 100 mm", "taper: {inseem: 100 mm", "there is no seam 'inseem'"),
    (OVERLAP, "back crotch curve: +0.1", "back crotch curv: +0.1", "there is no measure 'back crotch curv'"),
]


@pytest.mark.parametrize(("path", "old", "new", "told"), WRONG)
def test_a_name_the_garment_has_not_is_told_at_its_place(
    copied: Path, path: str, old: str, new: str, told: str
) -> None:
    folder = copied
    text = (folder / path).read_text(encoding="utf-8")
    assert old in text
    (folder / path).write_text(text.replace(old, new, 1), encoding="utf-8")
    try:
        base, problems = read_rules(folder)
    finally:
        (folder / path).write_text(text, encoding="utf-8")
    assert base is not None
    line = text[: text.index(old)].count("\n") + 1
    assert problems
    assert all(problem.where is not None and problem.code == "unknown-id" for problem in problems)
    assert (str(folder / path), line, told) in [
        (problem.where.path, problem.where.line, problem.message) for problem in problems if problem.where
    ]


def test_the_shipped_garment_names_nothing_it_has_not() -> None:
    base, problems = read_rules(default_rules())
    assert base is not None
    assert not problems
    assert base.garment is not None
    assert "back grain to centre at waist" in base.garment.measure_names()
