"""The pattern commands from end to end, and what a plan does to a pattern in the list."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from test_main_job import WORKED

from fitdiag.cli.main import run

BLOCK = [
    "--waist",
    "68 cm",
    "--hip",
    "94 cm",
    "--rise",
    "28 cm",
    "--waist-to-hip",
    "20.6 cm",
    "--waist-to-floor",
    "104 cm",
    "--bottom",
    "22 cm",
]


class Shell:
    """Runs commands in a folder; `ok` returns what was printed, `refused` the one clear message."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys

    def _run(self, *arguments: str) -> tuple[int, str, str]:
        self.capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            run(list(arguments))
        shown = self.capsys.readouterr()
        return int(ended.value.code or 0), shown.out, shown.err

    def ok(self, *arguments: str) -> str:
        code, out, err = self._run(*arguments)
        assert (0, "") == (code, err)
        return out

    def refused(self, *arguments: str) -> str:
        code, _, err = self._run(*arguments)
        assert code != 0
        assert "Traceback" not in err
        assert len(err.strip().splitlines()) == 1
        return err


@pytest.fixture
def shell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Shell:
    """A shell in an empty folder with a drafted block, and the same thrown off grain to 1 in."""
    monkeypatch.chdir(tmp_path)
    shell = Shell(tmp_path, capsys)
    shell.ok("pattern", "draft", *BLOCK, "--out", "block.yaml")
    shell.ok("pattern", "alter", "block.yaml", "--do", "lengthen-back-crotch=27.6 mm", "--out", "thrown.json")
    return shell


def measures(shell: Shell, file: str) -> dict[str, float]:
    found: Any = json.loads(shell.ok("pattern", "measure", file, "--json"))
    return dict(found["measures_mm"])


def test_one_command_prints_the_solved_plan(shell: Shell) -> None:
    """The worked case on a back with the grain at 1 in: amounts, before and after, and what each step is worth."""
    assert measures(shell, "thrown.json")["back grain to centre at waist"] == pytest.approx(25.4, abs=0.5)
    target = "back grain to centre at waist >= 2 in"
    shown = shell.ok(
        "pattern",
        "solve",
        "thrown.json",
        "--do",
        "tuck-across-back-hip=3/4 in",
        "--do",
        "overlap-back-wedge",
        "--until",
        target,
    )
    for words in (
        "By itself overlap-back-wedge would take",
        "The least change",
        "3/4 in, as given",
        "after tuck-across-back-hip",
        "Without overlap-back-wedge",
    ):
        assert words in shown
    joint = json.loads(
        shell.ok(
            "pattern",
            "solve",
            "thrown.json",
            "--do",
            "tuck-across-back-hip=3/4 in",
            "--do",
            "overlap-back-wedge",
            "--until",
            target,
            "--json",
        )
    )
    apart = json.loads(
        shell.ok("pattern", "solve", "thrown.json", "--do", "overlap-back-wedge", "--until", target, "--json")
    )
    missing = sum(item["missing_mm"] for item in apart["unmet"])
    assert joint["unmet"] == []
    assert joint["amounts_mm"]["overlap-back-wedge"] < apart["amounts_mm"]["overlap-back-wedge"] + missing


def test_truing_is_a_step_of_its_own(shell: Shell) -> None:
    """`--true` smooths the seams an alteration names, and says by how much each seam's length changes."""
    shown = shell.ok("pattern", "alter", "block.yaml", "--do", "tuck-across-back-hip=3/4 in", "--true")
    assert "after truing" in shown
    assert "trued back curve: its length changes by" in shown


def test_out_of_reach_is_said_with_what_is_missing(shell: Shell) -> None:
    """Within the limits of one round 3 in cannot be reached, and the list says by how much."""
    shown = shell.ok(
        "pattern",
        "solve",
        "thrown.json",
        "--do",
        "overlap-back-wedge",
        "--until",
        "back grain to centre at waist >= 3 in",
    )
    assert "Not reached" in shown
    assert "cannot be reached without" in shown


@pytest.mark.parametrize("name", ["tuck.svg", "tuck.pdf"])
def test_another_command_writes_the_drawing(shell: Shell, name: str) -> None:
    """A drawing of the tuck, with its amount, and a strip of pictures."""
    for extra in ((), ("--strip",)):
        shell.ok(
            "pattern", "draw", "thrown.json", "--do", "tuck-across-back-hip=3/4 in", "--to", name, "--replace", *extra
        )
        written = (shell.folder / name).read_bytes()
        assert written.startswith(b"%PDF" if name.endswith("pdf") else b"<")
        if name.endswith("svg"):
            assert b"3/4 in" in written


def test_sheets_are_written_for_both_papers(shell: Shell) -> None:
    """Full-scale sheets for A4 and Letter."""
    for paper in ("a4", "letter"):
        shell.ok("pattern", "draw", "block.yaml", "--sheets", paper, "--to", f"{paper}.pdf")
        assert (shell.folder / f"{paper}.pdf").read_bytes().startswith(b"%PDF")


def test_formats_carry_the_same_pattern(shell: Shell) -> None:
    """Through DXF and SVG and back every measure is the same to 0.02 mm."""
    before = measures(shell, "block.yaml")
    for name in ("block.dxf", "block.svg"):
        shell.ok("pattern", "read", "block.yaml", "--out", name)
        after = measures(shell, name)
        assert set(before) == set(after)
        for measure, value in before.items():
            assert after[measure] == pytest.approx(value, abs=0.02)


def test_a_pattern_is_estimated_from_lengths(shell: Shell) -> None:
    """The lengths of a pattern give an estimate back, marked as one."""
    found = measures(shell, "thrown.json")
    names = (
        "back grain to centre at waist",
        "back crotch curve",
        "front crotch curve",
        "back hip",
        "front hip",
        "back inseam",
        "front inseam",
    )
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
        (["pattern", "alter", "block.yaml", "--do", "tuck-across-back-hip=90 in"], "wide"),
        (["pattern", "alter", "block.yaml"], "no alteration was named"),
        (["pattern", "solve", "block.yaml", "--do", "overlap-back-wedge", "--until", "beauty >= 3 in"], "no measure"),
        (["pattern", "draw", "block.yaml", "--sheets", "a3", "--to", "x.pdf"], "not a paper size"),
        (["pattern", "draw", "block.yaml", "--sheets", "a4", "--to", "x.svg"], "not a format"),
        (["pattern", "read", "block.yaml", "--out", "block.yaml"], "already"),
        (["pattern", "fit", "--length", "back hip=10 in"], "too few"),
        (["pattern", "draft", "--waist", "68 mm", *BLOCK[2:]], "check the unit"),
    ],
)
def test_bad_arguments_get_one_clear_message(shell: Shell, arguments: list[str], words: str) -> None:
    """Each mistake is answered in one line, exit code not 0, and nothing is written over."""
    before = (shell.folder / "block.yaml").read_bytes()
    assert words in shell.refused(*arguments)
    assert before == (shell.folder / "block.yaml").read_bytes()


def test_the_list_says_what_becomes_of_the_pattern(shell: Shell) -> None:
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


def test_history_names_the_round_that_threw_the_grain(shell: Shell) -> None:
    """With the pattern as first cut, the earlier rounds are replayed, and the one that brought the grain nearer is named."""
    (shell.folder / "findings.yaml").write_text(
        WORKED.replace("round: 1}", "round: 2}\n  - {alteration: lengthen-rise, amount: 1/4 in, round: 1}")
    )
    found = json.loads(shell.ok("diagnose", "findings.yaml", "--pattern", "block.yaml", "--first-cut", "--json"))[
        "on_pattern"
    ]
    assert ["first cut", "lengthen-rise", "lengthen-back-crotch"] == [stage["after"] for stage in found["history"]]
    assert any("Lengthen the back crotch" in text and "nearer" in text for text in found["warnings"])


def test_a_shape_that_lengthening_breaks_is_warned_of(shell: Shell) -> None:
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
    told = broken(base, worse, findings)
    assert load_rules().about.garment == "trousers"
    for words in ("grainline", "inseams", "crotch seam", "extension"):
        assert any(words in text for text in told)
    assert broken(base, base, findings) == []
