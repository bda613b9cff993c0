"""The benches still work: each is run as a program of its own with sizes that say nothing about speed.

That takes most of them some seconds, so only the quick ones run with the other tests; that all find what they import is tried always.
"""

from __future__ import annotations

import runpy
import subprocess
import sys
from pathlib import Path

import pytest
from forked import script

BENCH = Path(__file__).parent / "bench"
QUICK = ("amounts.py", "cases.py")
ANEW = ("memory.py", "mutants.py", "startup.py")  # what is loaded already would count, or stand in the way
RUNS = [  # of each bench: its name, arguments that make it short, and what rows of its table begin with
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
    (
        "photos.py",
        ["--own", "1000-1002", "--second", "0", "--large"],
        ["reading", "hip drop", "grain lean", "own: said to dip", "12 megapixels"],
    ),
    ("amounts.py", ["10"], ["10 clients", "the whole within 1/8 in", "inside the printed error"]),
    ("words.py", [], ["symptom, ", "body note, "]),
    ("mails.py", [], ["10 mails"]),
    ("mail_weights.py", ["--mails", "1"], [" -3.73 ships", "  from 0.14: mails-odd"]),
    ("crash.py", ["case consent", "--sample", "3"], ["case consent", "1 commands"]),
    ("mutants.py", ["units", "--sample", "3"], ["module            caught", "units", "all"]),
    ("at_once.py", ["--seconds", "0.2", "--windows", "1"], ["windows", "acknowledged", "lost"]),
    ("memory.py", ["--only", "12 MP JPEG"], ["picture", "12 MP JPEG", "at most"]),
    ("pattern.py", ["--runs", "1"], [" points", "    675"]),
    ("estimate.py", ["--patterns", "1"], ["ten lengths", "with the three asked for"]),
    ("drape.py", ["bodies", "--bodies", "1"], ["waist    55 hip    78 cm: dip"]),
    ("rules.py", ["--times", "2", "--runs", "1"], ["symptoms", "answer to next question"]),
    ("startup.py", ["--runs", "1"], ["typer, one word", "fitdiag diagnose", "fitdiag --help"]),
]


@pytest.mark.parametrize(
    ("name", "arguments", "rows"),
    [pytest.param(*run, id=run[0], marks=() if run[0] in QUICK else pytest.mark.long) for run in RUNS],
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
    benches = {path.name: path.read_text(encoding="utf-8") for path in BENCH.glob("*.py")}
    asked = {
        name
        for name, text in benches.items()
        if f"{name} TABLE.csv" in text or "__main__" not in text or "--answers" in text
    }
    assert set(benches) - asked == {name for name, _, _ in RUNS}


@pytest.mark.parametrize("name", sorted(path.name for path in BENCH.glob("*.py")))
def test_bench_finds_what_it_imports(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name that was moved or renamed elsewhere is noticed here, not when the bench is next needed."""
    monkeypatch.setattr(sys, "path", [str(BENCH), *sys.path])
    runpy.run_path(str(BENCH / name), run_name="loaded")
