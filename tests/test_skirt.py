"""The second garment: a straight skirt goes the whole way, from the interview in a terminal to the client's PDF, by data alone."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from pypdf import PdfReader
from running import Shell
from test_terminal import Terminal

from fitdiag.knowledge.check import check_rules
from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.load import load_rules, read_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.blocks import usual_block
from fitdiag.pattern.garment import garment_of
from fitdiag.pattern.measure import pattern_measures
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.piece import Pattern, faults
from fitdiag.planning.cases import coverage, read_cases, run_case
from fitdiag.reports.signs import drawn_symptoms, figure

STEP_MM = 6.0
WITHIN = 0.1  # mm of a measure for each mm of an alteration
FINDINGS = """\
schema: fitdiag.findings/1
garment: skirt
body: [hollow-back]
symptoms:
  fold-below-back-waist: {amount: 1/2 in}
  hip-line-dips-to-back: {amount: 1/4 in}
  seat-pulls-across: no
  stride-held-at-hem: {amount: 3 in}
"""


@pytest.fixture(scope="module")
def base() -> RuleBase:
    return load_rules(rules_for("skirt"))


@pytest.fixture(scope="module")
def block(base: RuleBase) -> Pattern:
    return usual_block(garment_of(base))


def test_the_rules_are_whole_clean_and_covered(base: RuleBase) -> None:
    """Enough rules to work with, no fault in any, every case as expected, and nothing that no case exercises."""
    read, problems = read_rules(rules_for("skirt"))
    assert read is not None
    assert [] == problems + check_rules(read)
    cases, faulty = read_cases(rules_for("skirt"), base)
    assert [] == faulty + [problem for case in cases for problem in run_case(base, case)]
    assert [] == list(coverage(base, cases))
    least = {"symptoms": 25, "body_notes": 12, "causes": 15, "alterations": 18}
    assert {} == {name: count for name, count in least.items() if len(getattr(base, name)) < count}
    assert len(cases) >= 40


def test_what_is_the_same_on_a_body_is_shared(base: RuleBase) -> None:
    """Notes of both garments are one rule from one file; only what a skirt asks of the wearer is its own."""
    trousers = load_rules(rules_for("trousers"))
    both = set(base.body_notes) & set(trousers.body_notes)
    assert len(both) >= 12
    assert {"takes-long-steps"} == set(base.body_notes) - both
    assert all(base.body_notes[note] == trousers.body_notes[note] for note in both)
    assert base.words == trousers.words
    assert base.cloths == trousers.cloths


@pytest.mark.parametrize("name", sorted(load_rules(rules_for("skirt")).alterations))
def test_an_alteration_does_what_its_rule_says(base: RuleBase, block: Pattern, name: str) -> None:
    """Carried out on the block, each measure that the rule names changes as it says, the girths it leaves alone stay, no piece breaks."""
    rule = base.alterations[name]
    before, altered = pattern_measures(block), carry_out(block, name, STEP_MM).pattern
    after = pattern_measures(altered)
    assert [] == [fault for piece in altered.pieces.values() for fault in faults(piece)]
    moved = {measure: (after[measure] - mm) / STEP_MM for measure, mm in before.items() if measure in after}
    told = {measure: per for measure, per in rule.effects_on.items() if measure in after}
    if not rule.operation.one_side:  # then left and right are pieces and measures of their own
        assert set(told) == set(rule.effects_on)
    assert told == pytest.approx({measure: moved[measure] for measure in told}, abs=WITHIN)
    girths = {measure for measure, per in moved.items() if "girth" in measure and abs(per) > WITHIN}
    assert girths <= {measure for measure, per in rule.effects_on.items() if per}
    taken_back = carry_out(block, name, -STEP_MM).pattern if rule.operation.both_ways else None
    if taken_back is not None:
        other = pattern_measures(taken_back)
        assert {m: -per for m, per in told.items()} == pytest.approx(
            {m: (other[m] - before[m]) / STEP_MM for m in told}, abs=WITHIN
        )


def test_the_way_from_the_interview_to_the_clients_pdf(tmp_path: Path, shell: Shell) -> None:
    """Asked in a terminal, stopped for the list; the client's PDF names the garment, the steps and the drawn pieces."""
    with_log = ("--garment", "skirt", "--log", "s.jsonl", "--client", "the juggler", "--units", "in")
    terminal = Terminal(tmp_path, *with_log)
    assert "Straight skirt" in terminal.raw
    terminal.type("")
    shown = terminal.type("also a fold under the band at the back")
    assert "A level fold lies just below the back waist" in shown
    terminal.type("1")
    assert "Lower the waist at centre back" in terminal.type("stop")
    terminal.child.sendline("")
    terminal.ends()
    assert shell("export", "s.jsonl", "--to", "client.pdf")[0] == 0
    text = "".join(page.extract_text() for page in PdfReader(tmp_path / "client.pdf").pages)
    for words in ("What to change on your skirt", "Lower the waist at centre back", "take the skirt off"):
        assert words in " ".join(text.split())
    for other in ("trouser", "crotch", "inseam"):
        assert other not in text.lower()


def test_a_file_says_which_garment_it_is_about(tmp_path: Path, shell: Shell) -> None:
    """Findings, a drafted pattern, a case: no option is needed after the first; the pattern is altered, walked and put on sheets."""
    (tmp_path / "findings.yaml").write_text(FINDINGS)
    measures = ("--waist", "70cm", "--hip", "97cm", "--waist-to-hip", "20.5cm", "--length", "60cm")
    assert shell("pattern", "draft", "--garment", "skirt", *measures, "--out", "block.yaml")[0] == 0
    assert (
        shell("pattern", "alter", "block.yaml", "--do", "lower-centre-back-waist=1/2 in", "--out", "new.yaml")[0] == 0
    )
    assert "Side seam: front and back agree" in shell("pattern", "walk", "new.yaml")[1]
    assert shell("pattern", "draw", "new.yaml", "--sheets", "a4", "--to", "sheets.pdf")[0] == 0
    assert len(PdfReader(io.BytesIO((tmp_path / "sheets.pdf").read_bytes())).pages) >= 6
    told = json.loads(shell("diagnose", "findings.yaml", "--pattern", "block.yaml", "--json")[1])
    first = told["recommendations"][0]
    assert first["alteration"] == "lower-centre-back-waist"
    assert 6.35 < first["amount_mm"] < 12.7  # the level line asks for about 1/4 in, the fold for 1/2 in
    assert shell("case", "new", "the juggler", "--garment", "skirt", "--pattern", "block.yaml", "--units", "in")[0] == 0
    given = ("--findings", "findings.yaml", "--no-questions", "--no-drape")
    assert shell("review", "the juggler", *given)[0] == 0
    pages = tmp_path / "cases" / "the-juggler" / "round-01" / "documents"
    assert "What to change on your skirt" in (pages / "client.html").read_text()
    form = (pages / "form-try-on-2.html").read_text()
    assert "trousers" not in form
    assert "crotch" not in form


def test_every_sign_that_can_be_seen_is_drawn_as_a_skirt(base: RuleBase) -> None:
    """Drawings are of signs there are, each degree another picture; only what is no picture (paper, a comparison) has none."""
    drawn = drawn_symptoms("skirt")
    without = {"one-side-shows-more", "pattern-hip-under-table", "pattern-waist-under-table"}
    assert set(base.symptoms) - without == set(drawn)
    for symptom in drawn:
        pictures = [figure(symptom, strength, title="a sign", garment="skirt") for strength in (0, 1, 2, 3)]
        assert len(set(pictures)) == len(pictures), symptom
    assert figure("fold-below-back-waist", 2, title="a sign") != figure(
        "fold-below-back-waist", 2, title="a sign", garment="skirt"
    )
