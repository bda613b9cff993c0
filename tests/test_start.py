"""The front door in a real pseudo-terminal: the start screen, its keys, and what a pipe gets instead."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pexpect
import pytest
from forked import piped

from fitdiag import __version__, problems
from fitdiag.cli.start import KEYS


def opened(folder: Path, columns: int = 80) -> Any:
    child: Any = pexpect.spawn(
        sys.executable, ["-m", "fitdiag"], cwd=str(folder), dimensions=(24, columns), timeout=60, encoding="utf-8",
        env={name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")},
    )  # fmt: skip
    child.expect(r"\n> $")
    return child


def fitdiag(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return piped(folder, *words)


@pytest.mark.parametrize("columns", [80, 40])
def test_every_key_stands_on_the_start_screen(tmp_path: Path, columns: int) -> None:
    """It fits 24 lines and the width; Ctrl-C, Enter and x leave, and an unknown key says so."""
    child = opened(tmp_path, columns)
    shown = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", child.before).replace("\r", "").splitlines()
    assert len(shown) <= 24
    assert all(len(line) <= columns for line in shown)
    for key, told in KEYS.items():
        assert any(line.split()[:1] == [key] for line in shown), told
    child.sendline("zebra")
    child.expect("none of the keys")
    # a Ctrl-C while the prompt is being written waits for the next key: Python's own reader has it so
    child.expect(r"\n> $")
    child.sendintr()
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0


def left_and_opened_again(child: Any, folder: Path) -> Any:
    """Ctrl-C at the first question, and the start screen once more."""
    child.expect(r"\n> $")
    child.sendintr()
    child.expect("every answer is saved")
    child.expect(pexpect.EOF)
    return opened(folder)


def test_a_new_client_and_going_on_with_one(tmp_path: Path) -> None:
    """n makes the case and begins its first round; afterwards the case stands on the screen with a key of its own."""
    child = opened(tmp_path)
    child.sendline("n")
    child.expect("name for the client")
    child.sendline("the lamplighter")
    child.expect("fitdiag case new 'the lamplighter'")
    child.expect("round 1")
    child = left_and_opened_again(child, tmp_path)
    assert "YOUR TURN (1)" in child.before
    assert "go on with the lamplighter" in child.before
    child.sendline("1")
    child.expect("round 1")
    child.close(force=True)


def test_a_pipe_gets_the_help(tmp_path: Path) -> None:
    """Without a terminal nothing is asked; --version and help answer."""
    bare, helped = fitdiag(tmp_path), fitdiag(tmp_path, "help")
    assert "Usage: " in bare.stdout + bare.stderr
    assert "Usage: " in helped.stdout
    assert fitdiag(tmp_path, "--version").stdout == f"fitdiag {__version__}\n"
    assert "fitdiag case list" in fitdiag(tmp_path, "help", "case", "list").stdout


def test_a_case_is_named_where_a_log_is_taken(tmp_path: Path) -> None:
    """export and replay take the client's name; a case that has not begun says what begins it."""
    assert fitdiag(tmp_path, "case", "new", "the usher").returncode == 0
    early = fitdiag(tmp_path, "export", "the usher", "--to", "list.md")
    assert early.returncode == 1
    assert "has begun" in early.stderr
    (tmp_path / "seen.yaml").write_text(
        "schema: fitdiag.findings/1\nsymptoms: {balance-lines-dip-to-back: 3/4 in}\n", encoding="utf-8"
    )
    done = fitdiag(tmp_path, "review", "the usher", "--findings", "seen.yaml", "--no-questions", "--no-drape")
    assert done.returncode == 0, done.stderr
    assert fitdiag(tmp_path, "export", "the usher", "--to", "list.md").returncode == 0
    assert (tmp_path / "list.md").exists()
    assert fitdiag(tmp_path, "replay", "the usher").returncode == 0


def test_a_command_is_told_as_the_shell_will_find_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The README's first command puts nothing on the PATH: what a screen shows to be copied begins like what was typed."""
    (tmp_path / "bin").mkdir()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PATH", str(tmp_path / "nothing"))
    for started, told in (
        ("bin/fitdiag", "bin/fitdiag"),
        (str(tmp_path / "bin" / "fitdiag"), "bin/fitdiag"),
        ("x.py", "fitdiag"),
    ):
        monkeypatch.setattr("sys.argv", [started])
        problems._program.cache_clear()
        assert problems.command("fitdiag", "demo") == f"{told} demo"
    problems._program.cache_clear()


def test_a_quick_fitting_is_gone_on_with(tmp_path: Path) -> None:
    """One that was left stands on the start screen with a key of its own."""
    child = opened(tmp_path)
    child.sendline("q")
    child.expect("name")
    child.sendline("the usher")
    child.expect(r"\n> $")
    child.sendline("cm")
    child.expect("Earlier rounds")
    child = left_and_opened_again(child, tmp_path)
    assert "g  go on with the last quick fitting" in child.before
    child.sendline("g")
    child.expect("Earlier rounds")
    child.close(force=True)
