"""What cannot be meant is told at every door in the same words: a slip of the finger, of the unit, or of a name."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from form_block import packed
from running import Shell

from fitdiag.knowledge.load import load_rules
from fitdiag.plausible import BODY_MM, FAR, doubt_of_body, doubt_of_line, doubts_of_order
from fitdiag.reports.form import SCHEMA, read_form
from fitdiag.units import format_length

SAMPLES = Path(__file__).parent.parent / "sample_sessions"
DIP = "balance-lines-dip-to-back"


@pytest.mark.parametrize("answer", ["{amount: 30 in}", "30 in", "{seen: yes, amount: 30 in}"])
def test_an_amount_no_sign_shows_in_a_file(shell: Shell, answer: str) -> None:
    """30 in for 3 in is named at its line; the largest that can be meant passes."""
    Path("a.yaml").write_text(f"schema: fitdiag.findings/1\nsymptoms:\n  {DIP}: {answer}\n")
    code, _, err = shell("diagnose", "a.yaml")
    assert code == 1 and "a.yaml:3:" in err and "far more than this ever shows" in err
    measure = load_rules().symptoms[DIP].measure
    assert measure is not None
    most = format_length(measure.most_mm - 2, "cm")
    Path("a.yaml").write_text(f"schema: fitdiag.findings/1\nsymptoms:\n  {DIP}: {{amount: {most}}}\n")
    assert 0 == shell("diagnose", "a.yaml")[0]


def test_an_alteration_no_round_takes(shell: Shell) -> None:
    """In a findings file and at `--done`: four times what one round should take is a slip."""
    text = "schema: fitdiag.findings/1\nsymptoms: {seat-wedgie: yes}\ndone: [{alteration: tuck-across-back-hip, amount: 30 in}]\n"
    Path("a.yaml").write_text(text)
    code, _, err = shell("diagnose", "a.yaml")
    assert code == 1 and "more than four times" in err
    shell("case", "new", "x", "--units", "in")
    Path("b.yaml").write_text(f"schema: fitdiag.findings/1\nsymptoms: {{{DIP}: 3/4 in, v-at-centre-back: yes}}\n")
    assert 0 == shell("review", "x", "--findings", "b.yaml", "--no-questions")[0]
    assert 0 == shell("review", "x", "--sent")[0]
    code, _, err = shell(
        "review", "x", "--findings", "b.yaml", "--done", "tuck-across-back-hip=30 in", "--no-questions"
    )
    assert code == 1 and "more than four times" in err
    assert not Path("cases/x/round-02").exists()


def test_amounts_in_a_form_that_cannot_be_meant_are_left_out() -> None:
    """A form is not refused for one slip: the sign counts as seen, its amount does not, and the fitter is told."""
    content = {"schema": SCHEMA, "token": "x-1", "round": 2, "units": "in", "feels": {}, "words": "",
               "answers": [{"symptom": DIP, "seen": "yes", "amount": "30 in"}],
               "done": [{"alteration": "tuck-across-back-hip", "state": "otherwise", "amount": "30 in"}]}  # fmt: skip
    form = read_form(packed(content), load_rules(), "form.txt")
    assert [("yes", None)] == [(finding.seen, finding.amount_mm) for finding in form.findings]
    assert [None] == [amount for _, _, amount in form.done]
    told = " ".join(problem.message for problem in form.warnings)
    assert "far more than this ever shows" in told and "more than four times" in told


@pytest.mark.parametrize("arguments", [("case", "new", "x", "--measure", "hip=3 in"), ("ease", "--body", "hip=400 in")])
def test_a_measure_no_body_has(shell: Shell, arguments: tuple[str, ...]) -> None:
    """A hip of 3 in or of 400 in is a slip of the unit; the message names the range."""
    code, _, err = shell(*arguments)
    assert code == 1 and ("not a plausible body measure" in err or "longer than any measure" in err)
    assert not Path("cases").exists()


def test_measures_in_files_are_bounded_too(shell: Shell) -> None:
    """The same in a findings file and in case.yaml, each at its line."""
    Path("a.yaml").write_text(
        "schema: fitdiag.findings/1\nsymptoms: {seat-wedgie: yes}\nmeasures:\n  body: {hip: 3 in}\n"
    )
    code, _, err = shell("diagnose", "a.yaml")
    assert code == 1 and "a.yaml:4:" in err and "not a plausible body measure" in err
    shell("case", "new", "x", "--measure", "hip=38 in")
    path = Path("cases/x/case.yaml")
    path.write_text(path.read_text().replace("38 in", "3 in"))
    code, _, err = shell("case", "show", "x")
    assert code == 1 and "not a plausible body measure" in err


def test_the_bounds_of_bodies_hold_the_published_sizes() -> None:
    """EN 13402-3 (from memory): hips of 72 to 152 cm, waists of 54 to 149 cm; children's sizes begin at a hip of 56 cm."""
    for name, low, high in (("hip", 560, 1520), ("waist", 480, 1490), ("thigh", 320, 900), ("crotch-depth", 160, 400)):
        assert BODY_MM[name][0] < low * 0.9 and high * 1.2 < BODY_MM[name][1]
        assert "" == doubt_of_body(name, low, "cm") == doubt_of_body(name, high, "cm")
    assert FAR == 4.0


# -- marks -------------------------------------------------------------------------------------------------------------


@pytest.fixture
def marks(shell: Shell) -> Callable[..., tuple[int, str, str]]:
    """Measures the sample picture with changed marks."""

    def measure(change: Callable[[dict[str, list[list[float]]]], object]) -> tuple[int, str, str]:
        folder = SAMPLES / "lamplighter-pictures"
        shutil.copy(folder / "back.jpg", "back.jpg")
        data = json.loads((folder / "back.marks.json").read_text())
        change(data["lines"])
        Path("back.marks.json").write_text(json.dumps(data))
        return shell("photo", "measure", "back.jpg")

    return measure


def exchange(lines: dict[str, list[list[float]]]) -> None:
    lines["waist"], lines["hip"] = lines["hip"], lines["waist"]


def one_place(lines: dict[str, list[list[float]]]) -> None:
    lines["hip"] = [lines["hip"][0]] * 3


def near(lines: dict[str, list[list[float]]]) -> None:
    x, y = lines["hip"][0]
    lines["hip"] = [[x, y], [x + 1, y], [x + 2, y + 1]]


def test_the_sample_marks_are_measured(marks: Callable[..., tuple[int, str, str]]) -> None:
    """Unchanged, the marks are measured; they hold a waist and a hip line."""
    code, out, _ = marks(lambda lines: lines["waist"])
    assert code == 0 and "hip" in out


@pytest.mark.parametrize(
    ("change", "told"), [(exchange, "lies above the waist"), (one_place, "make no line"), (near, "make no line")]
)
def test_marks_that_cannot_be_on_a_body(
    marks: Callable[..., tuple[int, str, str]], change: Callable[..., None], told: str
) -> None:
    """Waist and hip exchanged, and three points in one place: refused with the reason, nothing measured."""
    code, _, err = marks(change)
    assert code == 1 and told in err and "hip: " in err
    assert not Path("back.measured.png").exists()


def test_the_order_of_lines_goes_by_what_is_marked() -> None:
    """Knees may differ in height; a line alone has no order; a steep V does not count as above."""
    line = lambda y: [(0.0, y), (50.0, y + 30.0), (100.0, y)]  # noqa: E731
    assert {} == doubts_of_order({"waist": line(0), "hip": line(20), "knee-left": line(300), "knee-right": line(280)})
    assert {} == doubts_of_order({"crotch": line(5)})
    assert {"crotch", "knee-left"} == set(
        doubts_of_order({"hip": line(100), "crotch": line(90), "knee-left": line(80)})
    )
    assert "" == doubt_of_line([(0, 0), (4, 4), (8, 9)])
