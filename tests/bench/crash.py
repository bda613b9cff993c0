"""Every command that writes, broken off at every change of the disk: python tests/bench/crash.py [WORD...] [--sample N]

At every operation: killed in earnest; cut off from the current, with all that is not synced dropped and with names kept and data
dropped; failed with EIO, with ENOSPC, and by a short write. Then the same command again: it must come to the same end, byte for
byte but for times, or refuse with a way on; nothing may be left behind. A WORD chooses the commands whose names hold it;
`--sample 10` takes every tenth operation.

`--deleted`: the case is deleted in every tree that a broken-off command can leave; a marker that stood in every field of it is
then found nowhere.

`--kernel` shares nothing with the layer: the program itself runs under strace, which kills it at each call of the system that
writes, syncs, links, renames or removes, and the same command follows.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from crash import FAILS, MEMORY, Figures, Trial, delete_again, deletion, lay_out, tree_of, warm
from crash_commands import BROKEN_OFF, commands, inputs


def one(trial: Trial, every: int) -> Figures:
    """All points of a command, or every so manieth."""
    for at in range(0, trial.operations, every):
        trial.cut(at)
        trial.kill(at)
        for how in FAILS:
            trial.fail(at, how)
    return trial.figures


CALLS = ("write", "fsync", "rename", "link", "unlink", "mkdir", "rmdir", "ftruncate")


def kernel(trial: Trial, every: int) -> Figures:
    """The command killed by the system's own hand, at every so manieth call of each kind."""
    program = [sys.executable, "-m", "fitdiag", *trial.command.arguments]
    for call in CALLS:
        lay_out(trial.start, trial.work)
        listed = subprocess.run(["strace", "-f", "-qq", "-e", f"trace={call}", "-o", "/dev/stdout", *program], cwd=trial.work,
                                capture_output=True, text=True, check=False)  # fmt: skip
        calls = sum(f" {call}(" in line for line in listed.stdout.splitlines())
        for number in range(1, calls + 1, every):
            lay_out(trial.start, trial.work)
            inject = f"inject={call}:signal=KILL:when={number}"
            subprocess.run(["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e", inject, *program], cwd=trial.work,
                           capture_output=True, check=False)  # fmt: skip
            trial.again(f"killed by the kernel at {call} number {number}", tree_of(trial.work))
    return trial.figures


def after_delete(trial: Trial, every: int) -> Figures:
    """Deleted in every tree that the command can leave, or every so manieth."""
    for like in list(trial.trees)[::every]:
        delete_again(trial, like)
    return trial.figures


def trials(place: Path, words: list[str], *, deleted: bool) -> Iterator[Trial]:
    """The commands whose names hold one of the words, each run once."""
    every = {name: partial(deletion, name, place) for name in BROKEN_OFF}
    if not deleted:
        every = {command.name: partial(Trial, command, inputs(), place) for command in commands()}
    for name, trial in every.items():
        if not words or any(word in name for word in words):
            yield trial()


def main() -> int:
    """The table; exit code 1 if anything went wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("words", nargs="*")
    parser.add_argument("--sample", type=int, default=1)
    parser.add_argument("--kernel", action="store_true")
    parser.add_argument("--deleted", action="store_true")
    chosen = parser.parse_args()
    number = points = same = refused = failures = 0
    print(f"{'command':38} {'operations':>10} {'points':>7} {'same end':>9} {'refused':>8} {'failures':>9}   s")
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else None) as folder, warm(Path(folder)):
        for trial in trials(Path(folder), chosen.words, deleted=chosen.deleted):
            began = time.monotonic()
            found = (kernel if chosen.kernel else after_delete if chosen.deleted else one)(trial, chosen.sample)
            number, points, failures = number + 1, points + found.points, failures + len(found.failures)
            same, refused = same + found.same, refused + found.refused
            print(f"{trial.command.name:38} {trial.operations:10} {found.points:7} {found.same:9} {found.refused:8}"
                  f" {len(found.failures):9} {time.monotonic() - began:5.0f}", flush=True)  # fmt: skip
            for told in found.failures[:10]:
                print(f"    {told}", flush=True)
    print(
        f"{number} commands, {points} points: {same} to the same end, {refused} refused with a way on; {failures} failures"
    )
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
