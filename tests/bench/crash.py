"""Every command that writes, broken off at every change of the disk: python tests/bench/crash.py [WORD...] [--sample N]

Killed and cut off from the current (all that is not synced dropped; names kept and data dropped) after every operation; failed
with EIO, with ENOSPC and by a short write at every operation; killed in earnest at every operation. Then the same command
again: it must come to the same end, byte for byte but for times, or refuse with a way on; nothing may be left behind.
A WORD chooses the commands whose names hold it. Hours with all, so `--sample 10` takes every tenth point.

`--kernel` shares nothing with the layer: the program itself runs under strace, which kills it at each call of the system that
writes, syncs, links, renames or removes, and the same command follows.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from crash import Figures, Trial, commands, inputs, lay_out, warm

HOW = ("EIO", "ENOSPC", "short", "killed")


def one(trial: Trial, every: int) -> Figures:
    """All points of a command, or every so manieth."""
    for state in trial.cut_states()[::every]:
        trial.after_cut(*state)
    for how in HOW:
        for at in range(1, trial.operations + 1):
            if at % every == 0:
                trial.with_failure(at, how)
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
            trial.again(f"killed by the kernel at {call} number {number}")
    return trial.figures


def main() -> int:
    """The table; exit code 1 if anything went wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("words", nargs="*")
    parser.add_argument("--sample", type=int, default=1)
    parser.add_argument("--kernel", action="store_true")
    chosen = parser.parse_args()
    given = inputs()
    points = failures = number = 0
    print(f"{'command':26} {'operations':>10} {'points':>7} {'same end':>9} {'refused':>8} {'failures':>9}   s")
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as shelf, warm(Path(shelf)):
        for command in commands():
            if chosen.words and not any(word in command.name for word in chosen.words):
                continue
            began = time.monotonic()
            trial = Trial(command, given, Path(folder))
            found = (kernel if chosen.kernel else one)(trial, chosen.sample)
            number, points, failures = number + 1, points + found.points, failures + len(found.failures)
            print(f"{command.name:26} {trial.operations:10} {found.points:7} {found.same:9} {found.refused:8}"
                  f" {len(found.failures):9} {time.monotonic() - began:5.0f}", flush=True)  # fmt: skip
            for told in found.failures[:10]:
                print(f"    {told}", flush=True)
    print(f"{number} commands, {points} points, {failures} failures")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
