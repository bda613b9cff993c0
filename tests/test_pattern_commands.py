"""The pattern commands from end to end, and what a plan does to a pattern in the list."""

from __future__ import annotations

import json
import re
import shlex
from datetime import date
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pypdf import PdfReader
from running import Shell
from test_main_job import WORKED

from fitdiag.pattern.formats import read_pattern
from fitdiag.pattern.piece import Carried
from fitdiag.pattern.record import from_rows, row_of
from fitdiag.problems import one_line

BLOCK = [
    "--waist", "68 cm", "--hip", "94 cm", "--rise", "28 cm", "--waist-to-hip", "20.6 cm", "--waist-to-floor",
    "104 cm", "--bottom", "22 cm",
]  # fmt: skip
MADE: dict[str, bytes] = {}  # the files of every test's folder


class Work:
    """Runs commands in a folder; `ok` returns what was printed, `refused` the one clear message."""

    def __init__(self, folder: Path, run: Shell) -> None:
        self.folder, self.run = folder, run

    def ok(self, *arguments: str) -> str:
        code, out, err = self.run(*arguments)
        assert (0, "") == (code, err)
        return out

    def refused(self, *arguments: str) -> str:
        code, _, err = self.run(*arguments)
        assert code != 0
        assert "Traceback" not in err
        assert len(err.strip().splitlines()) == 1
        return err


@pytest.fixture(name="shell")
def at_work(tmp_path: Path, shell: Shell) -> Work:
    """A shell in a folder with nothing but a drafted block, and the same thrown off grain to 1 in; both are made once."""
    work = Work(tmp_path, shell)
    if not MADE:
        work.ok("pattern", "draft", *BLOCK, "--out", "block.yaml")
        work.ok("pattern", "alter", "block.yaml", "--do", "lengthen-back-crotch=27.6 mm", "--out", "thrown.json")
        MADE.update({path.name: path.read_bytes() for path in tmp_path.iterdir()})
    for name, content in MADE.items():
        (tmp_path / name).write_bytes(content)
    return work


def measures(shell: Work, file: str) -> dict[str, float]:
    found: Any = json.loads(shell.ok("pattern", "measure", file, "--json"))
    return dict(found["measures_mm"])


def test_one_command_prints_the_solved_plan(shell: Work) -> None:
    """The worked case on a back with the grain at 1 in: amounts, before and after, and what each step is worth."""
    assert measures(shell, "thrown.json")["back grain to centre at waist"] == pytest.approx(25.4, abs=0.5)
    target = "back grain to centre at waist >= 2 in"
    shown = shell.ok(
        "pattern", "solve", "thrown.json", "--do", "tuck-across-back-hip=3/4 in", "--do", "overlap-back-wedge",
        "--until", target,
    )  # fmt: skip
    for words in (
        "By itself 'Overlap a wedge where the back curve begins'",
        "The least change",
        "3/4 in, as given",
        "after tuck across the back above the full hip line",
        "Without 'Overlap a wedge where the back curve begins'",
    ):
        assert words in shown
    joint = json.loads(
        shell.ok(
            "pattern", "solve", "thrown.json", "--do", "tuck-across-back-hip=3/4 in", "--do", "overlap-back-wedge",
            "--until", target, "--json",
        )
    )  # fmt: skip
    apart = json.loads(
        shell.ok("pattern", "solve", "thrown.json", "--do", "overlap-back-wedge", "--until", target, "--json")
    )
    missing = sum(item["missing_mm"] for item in apart["unmet"])
    assert joint["unmet"] == []
    assert joint["amounts_mm"]["overlap-back-wedge"] < apart["amounts_mm"]["overlap-back-wedge"] + missing


def test_what_is_solved_is_what_the_written_paper_measures(shell: Work) -> None:
    """A tuck until the crotch seam has its length: the file that is written has it, trued, and the JSON stands alone."""
    target, name = "total crotch length <= 67 cm", "total crotch length"
    told = ("--do", "tuck-across-back-hip", "--until", target, "--out")
    found = json.loads(shell.ok("pattern", "solve", "block.yaml", *told, "solved.json", "--json"))
    assert found["unmet"] == []
    assert measures(shell, "solved.json")[name] == pytest.approx(670.0, abs=0.2)
    assert found["stages"][-1]["measures_mm"][name] == pytest.approx(670.0, abs=0.2)
    amount = found["amounts_mm"]["tuck-across-back-hip"]
    shell.ok("pattern", "alter", "block.yaml", "--do", f"tuck-across-back-hip={amount:.3f} mm", "--out", "same.json")
    assert measures(shell, "same.json") == pytest.approx(measures(shell, "solved.json"), abs=0.05)
    assert "after trueing: 67 cm" in shell.ok("pattern", "solve", "block.yaml", *told, "again.json")


def test_truing_is_a_step_of_its_own(shell: Work) -> None:
    """Steps are trued, and it is said by how much each seam's length changes; `--as-cut` leaves them."""
    shown = shell.ok("pattern", "alter", "block.yaml", "--do", "tuck-across-back-hip=3/4 in")
    assert "after trueing" in shown
    assert "Trued back crotch curve: its length shrinks by" in shown
    lines = shown.splitlines()
    for before, line in pairwise(lines):
        if line.startswith("  after trueing"):
            assert line.split(": ")[1] != before.split(": ")[1], "nothing was trued there"
    left = shell.ok("pattern", "alter", "block.yaml", "--do", "tuck-across-back-hip=3/4 in", "--as-cut")
    assert "rued" not in left


def test_shorter_is_a_negative_amount_where_the_trade_has_it(shell: Work) -> None:
    """A leg is shortened by a negative amount; where the trade goes one way only that is refused in one message."""
    before = measures(shell, "block.yaml")
    shown = shell.ok("pattern", "alter", "block.yaml", "--do", "change-leg-length=-5cm", "--out", "short.yaml")
    assert "95.1" not in shown
    after = measures(shell, "short.yaml")
    assert before["back inseam"] - after["back inseam"] == pytest.approx(50, abs=0.3)
    assert after["hip girth"] == pytest.approx(before["hip girth"], abs=0.01)
    refused = shell.refused("pattern", "alter", "block.yaml", "--do", "tuck-below-seat=-1/4 in")
    assert "one way only" in refused and "to undo it, go on from the pattern before it" in " ".join(refused.split())
    twice = shell.refused("pattern", "alter", "block.yaml", "--do", "change-leg-length=--5cm")
    assert "'-5cm' is not a length" in twice  # not taken for a single minus


def test_an_option_given_nothing_is_not_taken_for_left_out(shell: Work) -> None:
    """An unset variable of the shell hands over an empty text: what should have been read or written is not passed over."""
    alter = ("pattern", "alter", "block.yaml", "--do", "change-leg-length=-5cm")
    assert "--out is empty" in shell.refused(*alter, "--out", "")
    assert "--answers is empty" in shell.refused("interview", "--answers", " ")
    assert "--allowance is empty" in shell.refused(*alter, "--allowance", "")
    shell.ok(*alter, "--client", "")  # who it is for is free text, and may be left empty


def test_a_garment_without_rules_is_told_with_those_there_are(shell: Work) -> None:
    """Whichever command is given the name of a garment, it says which garments there are."""
    for command in (("interview",), ("rules", "list", "symptoms"), ("pattern", "draft")):
        told = " ".join(shell.refused(*command, "--garment", "kilt").split())
        assert "no rules for the garment 'kilt'" in told and "there are rules for skirt, trousers" in told


def test_one_side_is_altered_on_one_side(shell: Work) -> None:
    """Width on one side asks for the side, adds to the hip once, and the sheets and files have a left and a right piece."""
    before = measures(shell, "block.yaml")["hip girth"]
    assert "one side only" in shell.refused("pattern", "alter", "block.yaml", "--do", "add-to-one-side=1cm")
    for kind in ("yaml", "svg", "dxf"):
        shell.ok(
            "pattern", "alter", "block.yaml", "--do", "add-to-one-side=1cm left", "--out", f"one.{kind}", "--replace"
        )
        assert measures(shell, f"one.{kind}")["hip girth"] == pytest.approx(before + 20.0, abs=0.05)
    shell.ok("pattern", "draw", "one.yaml", "--sheets", "a4", "--to", "one.pdf")
    words = "".join(page.extract_text() for page in PdfReader(shell.folder / "one.pdf").pages)
    assert "Back, cut 1, left" in words
    assert "Back, cut 1, right" in words


@pytest.mark.parametrize(
    ("asked", "name"),
    [("lengthen-back-crotch=1cm left", "back crotch curve"), ("lengthen-back-extension=1cm right", "back extension")],
)
def test_a_change_on_one_side_is_told_of_that_side(shell: Work, asked: str, name: str) -> None:
    """What one side gains stands under its name as `pattern measure` has it after; the other side stays."""
    side = asked.rpartition(" ")[2]
    shown = shell.ok("pattern", "alter", "block.yaml", "--do", asked, "--out", "one.yaml", "--units", "cm", "--as-cut")
    before, after = measures(shell, "block.yaml"), measures(shell, "one.yaml")
    moved, other = after[f"{name}, {side}"], after[f"{name}, {'left' if side == 'right' else 'right'}"]
    assert moved - before[name] == pytest.approx(10.0, abs=1.5)
    assert other == pytest.approx(before[name], abs=0.01)
    lines = shown.splitlines()
    at = next(place for place, line in enumerate(lines) if line.startswith(f"{name}, {side}"))
    told = [in_cm(line.split(": ")[1].partition(" (")[0].removesuffix(" as it is")) for line in lines[at : at + 2]]
    assert told == pytest.approx([before[name] / 10, moved / 10], abs=0.051)
    (stays,) = [line for line in lines if line.startswith(f"{name}, ") and side not in line]
    assert in_cm(stays.partition(": stays ")[2]) == pytest.approx(other / 10, abs=0.051)


def in_cm(text: str) -> float:
    return float(text.removesuffix(" cm"))


def test_the_seams_are_walked(shell: Work) -> None:
    """The walk tells which inseam is longer, and where; after alterations only what has changed is told."""
    shell.ok("pattern", "alter", "block.yaml", "--do", "shorten-back-inseam=8 mm", "--out", "short.yaml")
    shown = shell.ok("pattern", "walk", "short.yaml", "--units", "cm", "--to", "walk.svg")
    assert "Inseam: the front is 0.9 cm longer" in shown
    assert "From knee notch to crotch point: the front is 0." in shown
    assert "Side seam: front and back agree" in shown
    found = json.loads(shell.ok("pattern", "walk", "short.yaml", "--json"))
    assert [pair["pair"] for pair in found["pairs"]] == ["side seam", "inseam"]
    told = shell.ok("pattern", "alter", "block.yaml", "--do", "shorten-back-inseam=8 mm")
    assert "Inseam: the front is" in told
    assert "Side seam: front and back agree" not in told


def test_allowances_bands_and_amounts_as_given(shell: Work) -> None:
    """Allowances go into every file, a band is printed with the sheets, 5/16 in stays 5/16 in."""
    shown = shell.ok("pattern", "alter", "block.yaml", "--do", "scoop-back-curve=5/16 in", "--out", "wide.dxf",
                     "--allowance", "15mm", "--allowance", "hem=4cm")  # fmt: skip
    assert shown
    assert dict(read_pattern("wide.dxf").back.allowance)["hem"] == pytest.approx(40.0, abs=0.01)
    assert read_pattern("wide.dxf").carried[0].amount == pytest.approx(7.938, abs=0.001)
    shell.ok(
        "pattern", "draw", "wide.dxf", "--sheets", "a4", "--to", "x.pdf", "--band", "straight=4cm", "--band",
        "facing=6cm",
    )  # fmt: skip
    words = "".join(page.extract_text() for page in PdfReader(shell.folder / "x.pdf").pages)
    assert "Waistband, cut 1" in words
    assert "Scoop the back crotch curve, 5/16 in" in words
    refused = shell.refused(
        "pattern", "alter", "block.yaml", "--do", "scoop-back-curve=5/16 in", "--allowance", "curve=8cm"
    )
    assert "wider than the hollow of the curve allows" in refused


def test_targets_that_contradict_each_other_are_named(shell: Work) -> None:
    """At least 3 in and at most 2 in of one measure are called a contradiction, with the pair."""
    refused = shell.refused("pattern", "solve", "block.yaml", "--do", "overlap-back-wedge",
                            "--until", "back hip >= 10 in", "--until", "back hip <= 9 in")  # fmt: skip
    assert "contradict each other" in refused
    assert "at least 10 in" in refused
    assert "at most 9 in" in refused


def test_a_target_that_one_sided_work_splits_names_the_side(shell: Work) -> None:
    """Where one side is altered, a target must say which side it means; it then is reached, or said to be missed."""
    command = ("pattern", "solve", "block.yaml", "--do", "raise-one-hip", "--until")
    refused = shell.refused(*command, "back outseam >= 20 in")
    assert "'back outseam' becomes two measures" in refused
    assert "name 'back outseam, left' or 'back outseam, right'" in refused
    seam = json.loads(shell.ok("pattern", "measure", "block.yaml", "--json"))["measures_mm"]["back outseam"]
    solved = json.loads(shell.ok(*command, f"back outseam, right = {seam / 10 + 0.9:.1f} cm", "--json"))
    assert solved["unmet"] == []
    assert solved["amounts_mm"]["raise-one-hip"] > 8.0
    solved = json.loads(shell.ok(*command, f"back outseam, left = {seam / 10 + 0.9:.1f} cm", "--json"))
    assert solved["unmet"][0]["missing_mm"] == pytest.approx(9.0, abs=0.6)


def test_out_of_reach_is_said_with_what_is_missing(shell: Work) -> None:
    """Within the limits of one round 3 in cannot be reached, and the list says by how much."""
    shown = shell.ok(
        "pattern", "solve", "thrown.json", "--do", "overlap-back-wedge", "--until",
        "back grain to centre at waist >= 3 in",
    )  # fmt: skip
    assert "Not reached" in shown
    assert "cannot be reached without" in shown


@pytest.mark.parametrize("name", ["tuck.svg", "tuck.pdf"])
def test_another_command_writes_the_drawing(shell: Work, name: str) -> None:
    """A drawing of the tuck, with its amount, and a strip of pictures."""
    for extra in ((), ("--strip",)):
        shell.ok(
            "pattern", "draw", "thrown.json", "--do", "tuck-across-back-hip=3/4 in", "--to", name, "--replace", *extra
        )
        written = (shell.folder / name).read_bytes()
        assert written.startswith(b"%PDF" if name.endswith("pdf") else b"<")
        if name.endswith("svg"):
            assert b"3/4 in" in written


def test_sheets_are_written_for_both_papers(shell: Work) -> None:
    """Full-scale sheets for A4 and Letter."""
    for paper in ("a4", "letter"):
        shell.ok("pattern", "draw", "block.yaml", "--sheets", paper, "--to", f"{paper}.pdf")
        assert (shell.folder / f"{paper}.pdf").read_bytes().startswith(b"%PDF")


def test_formats_carry_the_same_pattern(shell: Work) -> None:
    """Through DXF and SVG and back every measure is the same to 0.02 mm."""
    before = measures(shell, "block.yaml")
    for name in ("block.dxf", "block.svg"):
        shell.ok("pattern", "read", "block.yaml", "--out", name)
        after = measures(shell, name)
        assert set(before) == set(after)
        for measure, value in before.items():
            assert after[measure] == pytest.approx(value, abs=0.02)


def test_an_alteration_on_a_day_to_come_is_said(shell: Work) -> None:
    """The pattern is read all the same: the clock may be wrong as well as the file."""
    shell.ok(
        "pattern",
        "alter",
        "block.yaml",
        "--do",
        "tuck-across-back-hip=2cm",
        "--day",
        "2099-05-05",
        "--out",
        "late.yaml",
    )
    out = unfolded(shell.ok("pattern", "read", "late.yaml", "--out", "again.yaml"))
    assert "tuck-across-back-hip: 2099-05-05 has not come yet" in out


def test_a_pattern_is_estimated_from_lengths(shell: Work) -> None:
    """The lengths of a pattern give an estimate back, marked as one."""
    found = measures(shell, "thrown.json")
    names = (
        "back grain to centre at waist", "back crotch curve", "front crotch curve", "back hip", "front hip",
        "back inseam", "front inseam",
    )  # fmt: skip
    texts = [part for name in names for part in ("--length", f"{name}={found[name]:.1f} mm")]
    shown = shell.ok("pattern", "fit", *texts, "--out", "estimate.yaml")
    assert "estimate" in shown
    assert measures(shell, "estimate.yaml")["back crotch curve"] == pytest.approx(found["back crotch curve"], abs=3)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["pattern", "measure", "none.yaml"], "no such"),
        (["pattern", "measure", "block.txt"], "not a pattern format"),
        (["pattern", "alter", "block.yaml", "--do", "tuck-across-the-moon=1 in"], "names nothing here"),
        (["pattern", "alter", "block.yaml", "--do", "tuck-across-back-hip=90 in"], "far too much"),
        (["pattern", "alter", "block.yaml", *2 * ["--do", "tuck-across-back-hip=1/2 in"]], "named twice"),
        (["pattern", "alter", "block.yaml", "--do", "tuck-across-back-hip=1/2 in", "--day", "yesterday"], "not a day"),
        (["pattern", "alter", "block.yaml", "--do", "tuck-across-back-hip=0 in"], "changes nothing"),
        (["pattern", "alter", "block.yaml"], "no alteration was named"),
        (["pattern", "solve", "block.yaml", "--do", "overlap-back-wedge", "--until", "beauty >= 3 in"], "no measure"),
        (["pattern", "draw", "block.yaml", "--sheets", "a3", "--to", "x.pdf"], "not a paper size"),
        (["pattern", "draw", "block.yaml", "--sheets", "a4", "--to", "x.svg"], "end the name in .pdf"),
        (["pattern", "read", "block.yaml", "--out", "block.yaml"], "already"),
        (["pattern", "fit", "--length", "back hip=10 in"], "too few"),
        (["pattern", "draft", "--waist", "68 mm", *BLOCK[2:]], "check the unit"),
    ],
)
def test_bad_arguments_get_one_clear_message(shell: Work, arguments: list[str], words: str) -> None:
    """Each mistake is answered in one line, exit code not 0, and nothing is written over."""
    before = (shell.folder / "block.yaml").read_bytes()
    assert words in shell.refused(*arguments)
    assert before == (shell.folder / "block.yaml").read_bytes()


def test_the_list_says_what_becomes_of_the_pattern(shell: Work) -> None:
    """`diagnose --pattern` shows the measures that move before anyone cuts, and the overlap solved after the tuck."""
    (shell.folder / "findings.yaml").write_text(WORKED)
    shown = shell.ok("diagnose", "findings.yaml", "--pattern", "thrown.json")
    assert "On the pattern" in shown
    assert "back grain to centre at waist" in shown
    found = json.loads(shell.ok("diagnose", "findings.yaml", "--pattern", "thrown.json", "--json"))["on_pattern"]
    assert ["as it is", "tuck-across-back-hip", "slide-crotch-section-down", "overlap-back-wedge"] == [
        stage["after"] for stage in found["stages"]
    ]
    grain = [stage["measures_mm"]["back grain to centre at waist"] for stage in found["stages"]]
    assert grain[0] < grain[1] < grain[3]
    assert "overlap-back-wedge" in found["solved_mm"]
    assert found["warnings"]


def test_the_screen_has_a_line_for_each_step_on_the_pattern(shell: Work) -> None:
    """What each step moves most, and every warning; each measure before and after is for `--full`."""
    (shell.folder / "findings.yaml").write_text(WORKED)
    command = ("diagnose", "findings.yaml", "--pattern", "thrown.json")
    short, full = shell.ok(*command), shell.ok(*command, "--full")
    found = json.loads(shell.ok(*command, "--json"))["on_pattern"]
    section = short.partition("On the pattern")[2].partition("The next question")[0]
    most = section.partition("What each step moves most:")[2].partition("Warnings:")[0]
    assert re.findall(r"- (\d), ", most) == ["1", "2", "3"]
    first, then = (stage["measures_mm"] for stage in found["stages"][:2])
    largest = max(first, key=lambda name: abs(then[name] - first[name]))
    assert f"hip line: {largest} -" in " ".join(most.split())
    for warning in found["warnings"]:
        assert warning in " ".join(section.split())
    assert "measures that move" in full
    assert "measures that move" not in short
    assert len(section.splitlines()) < 25


def test_an_interview_names_its_pattern_for_later(shell: Work) -> None:
    """A session's log holds no pattern: the commands to go on and to export name it, and the exported list is of that pattern."""
    (shell.folder / "findings.yaml").write_text(WORKED)
    said = shell.ok("interview", "--answers", "findings.yaml", "--pattern", "thrown.json", "--log", "log.jsonl")
    later = [shlex.split(line) for line in said.splitlines() if line.startswith("  fitdiag")]
    assert len(later) == 2
    assert all(words[-2:] == ["--pattern", "thrown.json"] for words in later)
    shell.ok(*later[0][1:])
    assert "back grain to centre at waist" in (shell.folder / "list.md").read_text(encoding="utf-8")


def test_the_list_measures_the_paper_that_is_sewn(shell: Work) -> None:
    """What the list says of a seam after each step is what the file has that `pattern alter` writes after the same steps."""
    (shell.folder / "findings.yaml").write_text(WORKED)
    command = ("diagnose", "findings.yaml", "--pattern", "block.yaml")
    found = json.loads(shell.ok(*command, "--json"))["on_pattern"]
    do: list[str] = []
    for number, stage in enumerate(found["stages"][1:]):
        do += ["--do", f"{stage['after']}={stage['amount_mm']} mm"]
        shell.ok("pattern", "alter", "block.yaml", *do, "--out", f"after-{number}.json")
        on_paper = measures(shell, f"after-{number}.json")
        assert {name: pytest.approx(mm, abs=0.05) for name, mm in stage["measures_mm"].items()} == on_paper
    shown = " ".join(shell.ok(*command, "--full").split())
    solved = found["solved_mm"]["overlap-back-wedge"]
    assert solved < 20
    assert "The measures below are with that; the list has 1 in, from what was seen." in shown


def test_history_names_the_round_that_threw_the_grain(shell: Work) -> None:
    """With the pattern as first cut, the earlier rounds are replayed, and the one that brought the grain nearer is named."""
    (shell.folder / "findings.yaml").write_text(
        WORKED.replace("round: 1}", "round: 2}\n  - {alteration: lengthen-rise, amount: 1/4 in, round: 1}")
    )
    found = json.loads(shell.ok("diagnose", "findings.yaml", "--pattern", "block.yaml", "--first-cut", "--json"))[
        "on_pattern"
    ]
    assert ["first cut", "lengthen-rise", "lengthen-back-crotch"] == [stage["after"] for stage in found["history"]]
    assert any("Lengthen the back crotch" in text and "nearer" in text for text in found["warnings"])


def test_a_pattern_whose_sides_differ_is_listed_like_any_other(shell: Work) -> None:
    """A step whose target differs between the sides is left out with the reason; the earlier round is named by the side it moved most."""
    (shell.folder / "findings.yaml").write_text(WORKED)
    shell.ok("pattern", "alter", "block.yaml", "--do", "tuck-across-back-hip=2 cm left", "--out", "apart.json")
    command = ("diagnose", "findings.yaml", "--pattern", "apart.json", "--json")
    found = json.loads(shell.ok(*command))["on_pattern"]
    assert ["as it is", "tuck-across-back-hip", "slide-crotch-section-down"] == [
        one["after"] for one in found["stages"]
    ]
    assert any("'back grain to centre at waist' becomes two measures" in text for text in found["warnings"])
    found = json.loads(shell.ok(*command, "--first-cut"))["on_pattern"]
    assert any("Lengthen the back crotch" in text and "nearer" in text for text in found["warnings"])


def test_a_warning_of_one_side_names_it(shell: Work) -> None:
    """Where each leg has its own amount, it is said which inseams lie how far apart; what is so on both is said once."""
    (shell.folder / "findings.yaml").write_text(
        "schema: fitdiag.findings/1\nsymptoms: {diagonals-under-seat: {left: 12 mm, right: 8 mm}}\n"
    )
    found = json.loads(shell.ok("diagnose", "findings.yaml", "--pattern", "block.yaml", "--units", "cm", "--json"))
    (first, *_), stages = found["recommendations"], found["on_pattern"]["stages"]
    assert first["alteration"] == "shorten-back-inseam" and first["left_mm"] > first["right_mm"]
    told = [text for text in found["on_pattern"]["warnings"] if text.startswith(first["title"])]
    for side in ("left", "right"):
        apart = -stages[1]["measures_mm"][f"inseam difference, back less front, {side}"] / 10
        named = [
            text for text in told if text.startswith(f"{first['title']}, {side}: leaves the inseams {apart:.1f} cm")
        ]
        assert len(named) == (apart > 1.0)


def test_a_plan_with_a_step_on_one_side_is_told_side_by_side(shell: Work) -> None:
    """Once a step is of the right side alone, every stage names the same measures, and the list tells what moved where."""
    (shell.folder / "findings.yaml").write_text(
        "schema: fitdiag.findings/1\ngarment: trousers\nbody: [flat-seat]\nsymptoms:\n"
        "  balance-lines-dip-to-back: {amount: 3/4 in}\n  hip-line-higher-on-one-side: {amount: 5/8 in, side: right}\n"
    )
    command = ("diagnose", "findings.yaml", "--pattern", "block.yaml")
    stages = json.loads(shell.ok(*command, "--json"))["on_pattern"]["stages"]
    assert ["as it is", "tuck-across-back-hip", "slide-crotch-section-down", "raise-one-hip"] == [
        one["after"] for one in stages
    ]
    assert 1 == len({tuple(one["measures_mm"]) for one in stages})
    left, right = ([one["measures_mm"][f"back crotch depth, {side}"] for one in stages] for side in ("left", "right"))
    assert left[:3] == right[:3]
    assert left[3] == left[2]
    assert right[3] - right[2] == pytest.approx(stages[3]["amount_mm"], abs=0.1)
    told = " ".join(shell.ok(*command, "--full").split())
    assert re.search(r"back crotch depth, right: [^:]*after 'raise the waist over the higher hip'", told)


def test_a_shape_that_lengthening_breaks_is_warned_of(shell: Work) -> None:
    """On a flat seat a step that brings the grainline nearer than 3 in is warned of."""
    from fitdiag.knowledge.findings import Findings
    from fitdiag.knowledge.load import load_rules
    from fitdiag.planning.effects import broken

    base = {
        "back grain to centre at waist": 60.0,
        "inseam difference, back less front": 0.0,
        "total crotch length": 690.0,
        "back extension": 119.0,
    }
    worse = {**base, "back grain to centre at waist": 40.0, "inseam difference, back less front": -14.0, "total crotch length": 650.0,
             "back extension": 60.0, "hip girth": 980.0}  # fmt: skip
    findings = Findings(body={"flat-seat": "some"}, body_measures={"total-crotch-length": 680.0})
    rules = load_rules()
    told = broken(rules, base, worse, findings)
    for words in ("grainline", "inseams", "crotch seam", "extension"):
        assert any(words in text for text in told)
    assert broken(rules, base, base, findings) == []


INCHES = ("--waist", "27 in", "--hip", "37 in", "--rise", "11 in", "--waist-to-hip", "8 in", "--waist-to-floor", "41 in",
          "--bottom", "8 3/4 in")  # fmt: skip
TUCK = "Tuck across the back above the full hip line"


def unfolded(text: str) -> str:
    return " ".join(text.split())


def test_an_amount_above_the_limit_is_carried_out_with_a_warning(shell: Work) -> None:
    """Above the limit of one round the fitter decides: it is done, and what one and all rounds should take is said."""
    limits = "one round takes at most 3/4 in, all rounds together 1 in"
    arguments = ("pattern", "alter", "block.yaml", "--do", "tuck-across-back-hip=1 1/4 in", "--day", "2026-11-25")
    shown = unfolded(shell.ok(*arguments, "--out", "much.yaml"))
    assert f"{TUCK}: 1 1/4 in is beyond the limit, {limits}." in shown
    (told,) = json.loads(shell.ok(*arguments, "--json"))["warnings"]
    assert limits in told
    again = unfolded(shell.ok("pattern", "alter", "much.yaml", "--do", "tuck-across-back-hip=1/2 in"))
    assert "with the earlier 1 1/4 in on this pattern it makes 1 3/4 in in all" in again
    within = shell.ok("pattern", "alter", "block.yaml", "--do", "tuck-across-back-hip=3/4 in")
    assert "limit" not in within


def test_a_warning_of_an_amount_the_other_way_names_what_was_typed(shell: Work) -> None:
    """The darts let out: the limit is that of the way back, but the alteration is the one typed, and both amounts have its sign."""
    shown = unfolded(shell.ok("pattern", "alter", "block.yaml", "--do", "deepen-darts=-1cm"))
    assert "Make the back darts deeper: -1 cm is beyond the limit, one round takes at most -0.75 cm" in shown
    assert "Let the waist out" not in shown
    again = ("pattern", "alter", "block.yaml", "--do", "deepen-darts=-9cm")
    assert "Make the back darts deeper: -9 cm is far too much, one round takes at most -0.75 cm" in shell.refused(
        *again
    )


def test_an_absurd_amount_is_refused_with_the_limits(shell: Work) -> None:
    """More than four times the limit of a round is a slip of the pen, in drawings and plans too."""
    for command in (("alter",), ("draw", "--to", "x.pdf"), ("solve", "--until", "back hip >= 10 in")):
        told = shell.refused("pattern", command[0], "block.yaml", "--do", "tuck-across-back-hip=10 in", *command[1:])
        assert f"{TUCK}: 10 in is far too much, one round takes at most 3/4 in" in told


def test_a_draft_says_its_ease_and_where_its_grain_stands(shell: Work) -> None:
    """The ease is the pattern's girth less the body's, in words and in the data."""
    shown = unfolded(shell.ok("pattern", "draft", *BLOCK))
    found = json.loads(shell.ok("pattern", "draft", *BLOCK, "--json"))
    measured, ease = found["measures_mm"], found["ease_mm"]
    assert measured["hip girth"] - 940 == pytest.approx(ease["hip"])
    assert measured["waist after darts girth"] - 680 == pytest.approx(ease["waist"])
    hip, waist = (f"{round(ease[name]) / 10:g} cm" for name in ("hip", "waist"))
    assert f"The ease it holds: {hip} at the hip, {waist} at the waist. Back grain to centre at waist: 5 cm." in shown
    assert "warnings" not in found
    assert "once more" not in shown


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"--waist": "94 cm", "--hip": "68 cm"}, "the waist (94 cm) is larger than the hip (68 cm); perhaps"),
        ({"--rise": "45 cm"}, "rise (45 cm) is large beside hip (94 cm)"),
        ({"--bottom": "49 cm"}, "bottom (49 cm) is large beside hip (94 cm)"),
    ],
)
def test_measures_that_hardly_belong_together_are_warned_of_in_one_line(
    shell: Work, changed: dict[str, str], words: str
) -> None:
    """Exchanged or far out of proportion: the block is drafted all the same, and one line asks to look again."""
    given = dict(zip(BLOCK[::2], BLOCK[1::2], strict=True)) | changed
    arguments = [part for pair in given.items() for part in pair]
    assert words in unfolded(shell.ok("pattern", "draft", *arguments))
    (told,) = json.loads(shell.ok("pattern", "draft", *arguments, "--json"))["warnings"]
    assert words in told


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ("tuck-across-back-hip", "add an amount, like tuck-across-back-hip=3/4 in"),
        ("tuck-across-back-hip=", "add an amount, like tuck-across-back-hip=3/4 in"),
        ("tuck-acros-back-hip=1 in", "did you mean 'tuck-across-back-hip=...'"),
        ("tuck=1 in", "did you mean 'tuck-across-"),
        ("moon=1 in", "`fitdiag rules list alterations` lists all"),
    ],
)
def test_a_name_or_amount_that_is_missing_is_helped_with(shell: Work, given: str, words: str) -> None:
    """The nearest two or three names and the command that lists all; never all of them."""
    told = shell.refused("pattern", "alter", "block.yaml", "--do", given)
    assert words in told
    assert len(told) < 260


def test_a_title_is_as_good_as_an_id(shell: Work) -> None:
    """An alteration may be named by its title, as the lists print it."""
    by_id = shell.ok("pattern", "alter", "block.yaml", "--do", "tuck-across-back-hip=3/4 in")
    assert by_id == shell.ok("pattern", "alter", "block.yaml", "--do", f"{TUCK}=3/4 in")


def test_measures_not_known_are_answered_with_those_that_are_near(shell: Work) -> None:
    """A slip in the name of a measure shows two or three names, in fit and in solve."""
    for told in (
        shell.refused("pattern", "fit", "--length", "back inseamm=30 in"),
        shell.refused(
            "pattern", "solve", "block.yaml", "--do", "overlap-back-wedge", "--until", "back inseamm >= 30 in"
        ),
    ):
        assert "did you mean 'back inseam'" in told
        assert "`fitdiag pattern measure FILE` prints all the names" in told
        assert len(told) < 260


def test_an_inch_run_speaks_inches_only(shell: Work) -> None:
    """No mm and no cm in what is said when amounts are in inches."""
    thrown = ("--do", "tuck-across-back-hip=1/2 in", "--do", "scoop-back-curve=1/4 in")
    for shown in (
        shell.ok("pattern", "draft", *INCHES, "--out", "inches.yaml"),
        shell.ok("pattern", "measure", "inches.yaml"),
        shell.ok("pattern", "alter", "inches.yaml", *thrown),
        shell.refused("pattern", "draft", *INCHES[:4], "--rise", "3 in", *INCHES[6:]),
        shell.refused("pattern", "alter", "inches.yaml", "--do", "drop-crotch-level=4 in"),
    ):
        assert not re.search(r"\d ?(mm|cm)\b", shown), shown
        assert "-0.0" not in shown
        assert "0 in)" not in re.sub(r"\d+ in\)", "", shown)


def eighths(text: str) -> Fraction:
    """A length in inches as printed, as a number."""
    sign, parts = (-1 if text.startswith("-") else 1), text.strip("+-").removesuffix(" in").split()
    return sign * sum((Fraction(part) for part in parts), Fraction(0))


@pytest.mark.parametrize("name", ["tuck-across-back-hip", "slide-crotch-section-down", "close-leg", "add-hip-width"])
@pytest.mark.parametrize("amount", ["1/8 in", "3/8 in", "1/2 in"])
def test_a_change_agrees_with_the_two_values_beside_it(shell: Work, name: str, amount: str) -> None:
    """Before plus change is after, in eighths of an inch; no change is called one, and no zero has a sign."""
    shown = shell.ok("pattern", "alter", "block.yaml", "--do", f"{name}={amount}", "--units", "in")
    start, seen = Fraction(0), 0
    for line in shown.splitlines():
        if found := re.match(r".*: (.+ in) as it is$", line):
            start = eighths(found[1])
        elif found := re.match(r"  after .*: (.+ in) \((.+)\)$", line):
            change = Fraction(0) if found[2] == "as before" else eighths(found[2])
            assert start + change == eighths(found[1]), line
            assert "0 in" not in (found[2], found[2][1:])
            seen += 1
    assert seen or "No measure moves" in shown


WORK = ("--do", "tuck-across-back-hip=3/4 in", "--do", "slide-crotch-section-down=1/2 in", "--client", "the lamplighter",
        "--day", "2026-11-25")  # fmt: skip
SLIDE = "Slide the back crotch section down"


def printed(path: Path) -> list[str]:
    return [unfolded(page.extract_text()) for page in PdfReader(path).pages]


def test_every_alteration_named_is_drawn_in_order(shell: Work) -> None:
    """Two alterations make two drawings; the title names both with their amounts, in order, in SVG and PDF."""
    for extra in ((), ("--strip",)):
        for kind in ("svg", "pdf"):
            shell.ok("pattern", "draw", "block.yaml", *WORK, "--to", f"two.{kind}", "--replace", *extra)
        title = f"{TUCK}, 3/4 in; then slide the back crotch section down, 1/2 in"
        picture = (shell.folder / "two.svg").read_text()
        assert f">{title}</title>" in picture
        assert 2 == picture.count(">For the lamplighter, 2026-11-25<")
        assert picture.index(f">{TUCK}, 3/4 in") < picture.index(f">{SLIDE}, 1/2 in")
        assert title == PdfReader(shell.folder / "two.pdf").metadata.title  # type: ignore[union-attr]
        pages = " ".join(printed(shell.folder / "two.pdf"))
        for words in (
            f"Step 1 of 2: {title}",
            f"Step 2 of 2: {title}",
            "Slide the crotch section down by 1/2 in" if not extra else "Slide it down",
        ):
            assert words in pages


def test_printouts_say_what_was_altered_for_whom_and_when(shell: Work) -> None:
    """Every sheet of an altered pattern can be told from every other: client, day, and each alteration with its amount."""
    shell.ok("pattern", "draw", "block.yaml", *WORK, "--sheets", "a4", "--to", "sheets.pdf")
    cover, *sheets = printed(shell.folder / "sheets.pdf")
    for words in ("For the lamplighter, 2026-11-25", f"{TUCK}, 3/4 in (2026-11-25)", f"{SLIDE}, 1/2 in (2026-11-25)"):
        assert words in cover
    for sheet in sheets:
        assert f"For the lamplighter, 2026-11-25. Altered: {TUCK}, 3/4 in; {SLIDE}, 1/2 in" in sheet
    plain = shell.folder / "plain.pdf"
    shell.ok("pattern", "draw", "block.yaml", "--sheets", "a4", "--to", "plain.pdf", "--day", "2026-11-25")
    assert all("Altered" not in sheet for sheet in printed(plain))


@pytest.mark.parametrize("kind", ["yaml", "json", "svg", "dxf"])
def test_a_pattern_file_keeps_what_was_done(shell: Work, kind: str) -> None:
    """Client, day and alterations go through every format, and the next drawing says what was done before."""
    for name in ("one", "same"):
        shell.ok("pattern", "alter", "block.yaml", *WORK, "--out", f"{name}.{kind}")
    assert (shell.folder / f"one.{kind}").read_bytes() == (shell.folder / f"same.{kind}").read_bytes() or kind == "dxf"
    pattern = read_pattern(str(shell.folder / f"one.{kind}"))
    assert "the lamplighter" == pattern.client
    assert [("tuck-across-back-hip", TUCK, "2026-11-25"), ("slide-crotch-section-down", SLIDE, "2026-11-25")] == [
        (item.alteration, item.title, item.day) for item in pattern.carried
    ]
    assert [19.05, 12.7] == pytest.approx([item.amount for item in pattern.carried])
    shell.ok("pattern", "draw", f"one.{kind}", "--do", "scoop-back-curve=1/4 in", "--to", "next.svg")
    assert f"Altered before: {TUCK}, 3/4 in; {SLIDE}, 1/2 in." in unfolded((shell.folder / "next.svg").read_text())
    assert f"Altered: {TUCK}, 3/4 in" in unfolded(shell.ok("pattern", "measure", f"one.{kind}", "--units", "in"))


def test_a_file_of_many_alterations_names_each_mistake(shell: Work) -> None:
    """What was altered before is checked like the rest of a pattern file."""
    data = json.loads((shell.folder / "thrown.json").read_text())
    good = data["altered"][0]
    for wrong, words in (
        ({**good, "amount_mm": "much"}, "number"), ({**good, "day": "soon"}, "not a day"), ("tuck", "must be a block"),
        ({**good, "alteration": "../x"}, "id"), ({**good, "by": "me"}, "not a key here"),
    ):  # fmt: skip
        (shell.folder / "wrong.json").write_text(json.dumps({**data, "altered": [wrong]}))
        assert words in shell.refused("pattern", "measure", "wrong.json")


@given(st.text(max_size=200), st.floats(0.001, 3000.0), st.dates())
def test_what_was_done_survives_a_row_of_text(title: str, amount: float, day: date) -> None:
    """In files that hold only texts an alteration is a row; whatever its title, the row is read back as it was."""
    done = Carried("tuck-across-back-hip", amount, one_line(title), day.isoformat())
    (found,) = from_rows([row_of(done)])
    assert (done.alteration, done.title, done.day) == (found.alteration, found.title, found.day)
    assert done.amount == pytest.approx(found.amount, rel=1e-5, abs=6e-4)


@given(st.text(max_size=80))
def test_any_other_row_is_passed_over(text: str) -> None:
    """A text that is no such row is not taken for an alteration."""
    assert all(re.fullmatch(r"[a-z0-9-]+", item.alteration) for item in from_rows([text]))
    assert () == from_rows([f"{text} | much | soon"])


def test_a_pattern_stands_beside_what_drafts_give(shell: Work) -> None:
    """The metric block's extensions for hip 94 are 6.4 and 11.9 cm (English for clothing, part 3, worked out)."""
    measure = ("pattern", "measure", "block.yaml", "--body", "hip=94cm")
    given = json.loads(shell.ok(*measure, "--body", "waist=94cm", "--json"))["drafts"]
    drafts = {(one["measure"], one["draft"]): one["mm"] for one in given}
    assert drafts["total fork", "the metric block"] == pytest.approx(183.0, abs=2.0)
    assert drafts["front waist set back", "an 1892 handbook, counted from the metric block"] == -6.0
    shown = unfolded(shell.ok(*measure))
    assert "by the metric block, 18.3 cm on this pattern" in shown
    assert "1892" not in shown


def test_what_lies_the_other_way_is_told_by_its_own_name(shell: Work) -> None:
    """A front waist thrown forward is set forward by so much, not back by less than nothing; the measure keeps its id."""
    shell.ok("pattern", "alter", "block.yaml", "--do", "advance-centre-front=2 cm", "--out", "thrown.yaml", "--replace")
    shown = shell.ok("pattern", "measure", "thrown.yaml", "--body", "hip=94cm", "--body", "waist=94cm")
    assert (
        "front waist set forward: " in shown
        and "set back" not in shown
        and "Front waist set forward: 0.6 cm by an" in shown
    )
    assert (
        json.loads(shell.ok("pattern", "measure", "thrown.yaml", "--json"))["measures_mm"]["front waist set back"] < 0
    )


@pytest.mark.parametrize(
    "arguments",
    [
        ("pattern", "alter", "block.yaml", "--do", "lengthen-back-crotch=2"),
        ("pattern", "alter", "block.yaml", "--do", "lengthen-back-crotch=-2 left"),
        ("pattern", "solve", "block.yaml", "--do", "overlap-back-wedge", "--until", "back hip >= 2"),
        ("case", "new", "the usher", "--measure", "hip=2"),
        ("pattern", "fit", "--length", "back hip=2"),
    ],
)
def test_a_bare_number_is_asked_back(shell: Work, arguments: tuple[str, ...]) -> None:
    """Without a unit nobody knows what was meant; with `--units` it counts in those."""
    assert "2 what? (write 2 cm or 2 in" in shell.refused(*arguments)
    by = ("pattern", "alter", "block.yaml", "--as-cut", "--do")
    assert shell.ok(*by, "lengthen-back-crotch=2", "--units", "cm") == shell.ok(*by, "lengthen-back-crotch=2 cm")


def test_a_pattern_is_answered_in_the_units_it_was_drafted_in(shell: Work) -> None:
    """Drafted in cm, measured and walked in cm; a file that does not say is answered in inches, and --units has the last word."""
    assert " in\n" not in shell.ok("pattern", "measure", "block.yaml")
    assert " cm" in shell.ok("pattern", "walk", "block.yaml")
    assert " cm\n" not in shell.ok("pattern", "measure", "block.yaml", "--units", "in")
    shell.ok("pattern", "alter", "block.yaml", "--do", "close-leg=1/2 in", "--out", "altered.json")
    assert " in\n" not in shell.ok("pattern", "measure", "altered.json")
    old = (shell.folder / "block.yaml").read_text().replace(' "units": "cm",\n', "", 1)
    (shell.folder / "old.yaml").write_text(old)
    assert " cm\n" not in shell.ok("pattern", "measure", "old.yaml")


def test_a_waist_over_the_hip_in_two_units_is_refused(shell: Work) -> None:
    """68 in beside 94 cm is a slip of the unit: nothing is drafted, and both are named."""
    told = shell.refused("pattern", "draft", "--waist", "68 in", *BLOCK[2:], "--out", "slip.yaml")
    assert "waist 68 in is larger than hip 94 cm" in told
    assert "check the unit of each" in told
    assert not (shell.folder / "slip.yaml").exists()


def test_an_absurd_measure_is_named(shell: Work) -> None:
    """A girth is not said to be a leg."""
    told = shell.refused("pattern", "draft", "--waist", "9999 cm", *BLOCK[2:])
    assert "waist: '9999 cm' is longer than any measure" in told
    assert "leg" not in told


def test_a_corner_of_a_fresh_block_is_no_fault(shell: Work) -> None:
    """On a block that nobody altered a corner to be trued is told as how it is drafted; after an alteration it is to be redrawn."""
    fresh = unfolded(shell.ok("pattern", "walk", "block.yaml"))
    assert "degrees off a smooth line, as the block is drafted; true it with the seams laid together." in fresh
    assert "redraw" not in fresh
    assert "redraw it with the seams laid together" in unfolded(shell.ok("pattern", "walk", "thrown.json"))
