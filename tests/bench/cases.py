"""`case list` over many cases of six rounds, against a plain walk that reads one small file per case.

`python tests/bench/cases.py [--cases N] [--runs N]` builds them in a temporary folder. Both stand in one run, in
processor time with the files in memory.
"""

from __future__ import annotations

import argparse
import gc
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from statistics import median

from fitdiag.cli.case_list import list_lines
from fitdiag.sessions.case import add_round, new_case, update_round
from fitdiag.sessions.case_files import Advised, Case, Consent
from fitdiag.sessions.case_list import list_cases

TODAY = date(2026, 11, 25)
ALTERATIONS = ("tuck-across-back-hip", "lengthen-back-crotch", "slide-crotch-section-down")


def build(parent: Path, cases: int, rounds: int = 6) -> None:
    """One case through the store, then copies of its files under other names and with other days."""
    begun = TODAY - timedelta(days=90)
    consent = Consent(True, begun, TODAY + timedelta(days=60))
    known = {"body": {"flat-seat": "some"}, "body_measures": {"hip": 1016.0}}
    case = new_case(Case(parent, "the lamplighter 000", "trousers", "in", begun, consent=consent, **known))
    for number in range(1, rounds + 1):
        day = begun + timedelta(days=14 * number)
        case = add_round(case, today=day)
        advised = tuple(Advised(name, 12.7, "both") for name in ALTERATIONS[: 1 + number % 3])
        case = update_round(case, replace(case.round(number), waiting="client", sent=day, advised=advised), today=day)
    for number in range(1, cases):
        folder = parent / f"the-lamplighter-{number:03}"
        shutil.copytree(case.folder, folder)
        text = (folder / "case.yaml").read_text(encoding="utf-8").replace("lamplighter 000", f"lamplighter {number:03}")
        (folder / "case.yaml").write_text(text, encoding="utf-8")
        last = folder / f"round-{rounds:02}" / "round.yaml"
        turn = ("waiting: client", "waiting: fitter" if number % 3 else "waiting: client")
        last.write_text(last.read_text(encoding="utf-8").replace(*turn), encoding="utf-8")


def plain_walk(parent: Path) -> int:
    """What the list is held against: every case's `case.yaml` read, and nothing made of it."""
    size = 0
    for entry in os.scandir(parent):
        if entry.name[0] == ".":
            continue
        with open(f"{entry.path}/case.yaml", "rb") as handle:  # noqa: PTH123 (the plainest way there is)
            size += len(handle.read())
    return size


def timed(work: Callable[[], object], runs: int) -> float:
    """Median milliseconds."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append((time.perf_counter() - start) * 1e3)
    return median(times)


def spent(work: Callable[[], object]) -> float:
    """Milliseconds of processor time, program and system together: what else runs meanwhile does not count."""
    start = time.process_time()
    work()
    return (time.process_time() - start) * 1e3


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--cases", type=int, default=500)
    options.add_argument("--runs", type=int, default=40)
    asked = options.parse_args()
    with tempfile.TemporaryDirectory() as place:
        parent = Path(place) / "cases"
        build(parent, asked.cases)
        gc.collect()
        gc.disable()  # as the command line does
        pairs = [
            (spent(lambda: plain_walk(parent)), spent(lambda: list_lines(list_cases(parent), TODAY)))
            for _ in range(asked.runs)
        ]  # in turn, so that a busy moment hits both
        walk, listed = (min(column) for column in zip(*pairs, strict=True))
        command = [sys.executable, "-m", "fitdiag", "case", "list", "--in", str(parent)]
        whole = timed(lambda: subprocess.run(command, capture_output=True, check=True), max(1, asked.runs // 10))
    print(f"{asked.cases} cases of six rounds")
    print(f"{'plain walk, one file per case':34}{walk:9.1f} ms")
    print(f"{'case list, sorted and written out':34}{listed:9.1f} ms")
    print(f"{'ratio':34}{listed / walk:9.2f}")
    print(f"{'the whole command':34}{whole:9.1f} ms")


if __name__ == "__main__":
    main()
