"""Nothing lost, nothing left behind: commands broken off at the changes of the disk. The whole of it is `tests/bench/crash.py`."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from crash import FAILS, MEMORY, Recorded, Trial, delete_again, deletion, in_child, lay_out, warm
from crash_commands import BROKEN_OFF, Command, commands, inputs

from fitdiag import files
from fitdiag.sessions.log import read_log

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="every trial is a child process")
POINTS = 3  # of a command, spread evenly, each broken off in another way; other commands in others


@pytest.fixture(scope="module", autouse=True)
def warmed(shelf: Path) -> Iterator[None]:
    """What every child needs is loaded once."""
    with warm(shelf):
        yield


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Path]:
    """A folder, in memory where there is such a disk, for syncing costs nothing there."""
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else tmp_path) as folder:
        yield Path(folder)


def spread(count: int, many: int) -> list[int]:
    """So many of the first numbers, evenly, the first and the last among them."""
    many = min(count, many)
    return sorted({round(index * (count - 1) / max(1, many - 1)) for index in range(many)})


@pytest.mark.parametrize("command", [one for one in commands() if not one.slow], ids=lambda command: command.name)
def test_broken_off_anywhere_it_comes_to_the_same_end(command: Command, place: Path) -> None:
    """Cut off, killed or failed at any change of the disk, the same command again ends the same or refuses with a way on.

    The interpreter counts as many changes of each kind as the one layer was asked for.
    """
    trial = Trial(command, inputs(), place)
    ways = (trial.cut, trial.kill, *(partial(trial.fail, how=how) for how in FAILS))
    for number, at in enumerate(spread(trial.operations, POINTS), sum(command.name.encode())):
        ways[number % len(ways)](at)
    assert trial.figures.failures == []
    assert trial.figures.points >= min(POINTS, trial.operations) - 1  # a short write is one of writes alone
    assert trial.asked == trial.seen


# -- what is acknowledged ----------------------------------------------------------------------------------------------

ANSWERS = "\n\n\nwedgie\n\n2\n2\n2\nnote kneels\n3\n2\n2\n3\nback\nstop\n"


def test_every_answer_acknowledged_outlasts_a_power_cut(tmp_path: Path) -> None:
    """At any cut the log holds at least the answers to which the program has already replied."""
    work = tmp_path / "work"
    lay_out({}, work)
    told: list[str] = []
    kept = tmp_path / "kept"
    kept.mkdir()

    def note(disk: Recorded) -> None:
        replied = sys.stdout.getvalue().count("\nSo far")  # type: ignore[attr-defined]
        log = disk.state("kept", "kept").get("a.jsonl", b"") or b""
        (kept / f"{disk.count:04}-{replied}").write_bytes(log)

    ran = in_child(work, ("interview", "--log", "a.jsonl"), lambda: Recorded(work, note), ANSWERS)
    assert ran.code == 0 and ran.out.count("\nSo far") >= 4, ran
    for path in sorted(kept.iterdir()):
        replied = int(path.name.rpartition("-")[2])
        if replied:
            told.append(path.name)
            assert replied <= sum(event["event"] == "answer" for event in read_log(path).events)
    assert told


def test_a_log_removed_under_an_interview_is_told(tmp_path: Path) -> None:
    """An answer to a log that is gone from its path is refused, not "saved"; nothing brings the log back."""
    lay_out({}, tmp_path / "work")

    class Gone(files.Disk):
        writes = 0

        def write(self, descriptor: int, content: bytes | memoryview) -> int:
            self.writes += 1
            done = super().write(descriptor, content)
            if self.writes == 4:
                Path("a.jsonl").unlink()
            return done

    ran = in_child(tmp_path / "work", ("interview", "--log", "a.jsonl"), Gone, ANSWERS)
    assert ran.code == 1 and "was moved or deleted while it was open" in ran.err
    assert "Saved" not in ran.out and not (tmp_path / "work" / "a.jsonl").exists()


# -- deleting ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", BROKEN_OFF)
def test_a_deleted_case_is_found_nowhere(name: str, place: Path) -> None:
    """Also when a command was broken off before: not below the root, in cache, or elsewhere. All of it: the bench."""
    trial = deletion(name, place)
    kinds = list(trial.trees)
    for index in spread(len(kinds), 6):
        delete_again(trial, kinds[index])
    assert trial.figures.failures == []
    assert trial.figures.points >= min(6, len(kinds))
