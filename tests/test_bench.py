"""The benches still work: each is run as a program of its own with sizes that say nothing about speed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from forked import script

BENCH = Path(__file__).parent / "bench"
ANEW = ("memory.py", "mutants.py", "startup.py")  # what is loaded already would count, or stand in the way


@pytest.mark.parametrize(
    ("name", "arguments", "rows"),
    [
        ("diagnosis.py", ["--cases", "1"], ["posterior, ours", "posterior and gains, ours", "largest difference"]),
        (
            "interview.py",
            ["--clients", "2"],
            [
                "questions until ready",
                "first alteration as after every answer",
                "unsafe by the full answers",
                "lines typed",
            ],
        ),
        ("learn.py", ["--logs", "60"], ["error, all links", "log-loss, numbers", "expected counts", "EM over"]),
        ("cases.py", ["--cases", "3", "--runs", "1"], ["plain walk", "case list", "ratio", "the whole command"]),
        pytest.param(
            "photos.py",
            ["--own", "1000-1002", "--second", "0", "--large"],
            ["reading", "hip drop", "grain lean", "own: said to dip", "12 megapixels"],
            marks=pytest.mark.long,
        ),
        ("amounts.py", ["10"], ["10 clients", "the whole within 1/8 in", "inside the printed error"]),
        ("words.py", [], ["symptom, ", "body note, "]),
        ("mails.py", [], ["10 mails"]),
        ("mail_weights.py", ["--mails", "1"], [" -3.73 ships", "  from 0.14: mails-odd"]),
        pytest.param(
            "crash.py", ["case consent", "--sample", "3"], ["case consent", "1 commands"], marks=pytest.mark.long
        ),
        pytest.param(
            "mutants.py",
            ["units", "--sample", "3"],
            ["module            caught", "units", "all"],
            marks=pytest.mark.long,
        ),
        ("at_once.py", ["--seconds", "0.2", "--windows", "1"], ["windows", "acknowledged", "lost"]),
        ("memory.py", ["--only", "12 MP JPEG"], ["picture", "12 MP JPEG", "at most"]),
        ("pattern.py", ["--runs", "1"], [" points", "    675"]),
        ("estimate.py", ["--patterns", "1"], ["ten lengths", "with the three asked for"]),
        ("drape.py", ["bodies", "--bodies", "1"], ["waist    55 hip    78 cm: dip"]),
        ("rules.py", ["--times", "2", "--runs", "1"], ["symptoms", "answer to next question"]),
        ("startup.py", ["--runs", "1"], ["typer, one word", "fitdiag diagnose", "fitdiag --help"]),
    ],
)
def test_bench_runs(name: str, arguments: list[str], rows: list[str]) -> None:
    """The bench ends without an error and prints its table."""
    done = (
        subprocess.run([sys.executable, str(BENCH / name), *arguments], capture_output=True, text=True, check=False)
        if name in ANEW
        else script(BENCH / name, *arguments)
    )
    assert done.returncode == 0, done.stderr
    missing = [row for row in rows if not any(line.startswith(row) for line in done.stdout.splitlines())]
    assert missing == [], done.stdout


def test_every_bench_is_run_here() -> None:
    """A new bench needs a line above, unless it asks a table, or a person, from outside; a file that is no program is no bench."""
    mark = next(mark for mark in test_bench_runs.pytestmark if mark.name == "parametrize")  # type: ignore[attr-defined]
    benches = {path.name: path.read_text(encoding="utf-8") for path in BENCH.glob("*.py")}
    asked = {
        name
        for name, text in benches.items()
        if f"{name} TABLE.csv" in text or "__main__" not in text or "--answers" in text
    }
    assert set(benches) - asked == {getattr(case, "values", case)[0] for case in mark.args[1]}
