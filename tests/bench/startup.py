"""How long whole commands take, as multiples of a one-command typer program that prints one word.

    python tests/bench/startup.py [--runs N]

All programs are started in turn, so that a busy moment of the machine meets them alike. The first round is not counted: it
compiles the modules, as an installation does, and fills the program's cache of parsed rules, both in a folder of the bench.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter

ONE_WORD = '''import typer


def main() -> None:
    """Print one word."""
    print("trousers")


typer.run(main)
'''
FINDINGS = """schema: fitdiag.findings/1
garment: trousers
client: lamplighter
body: [flat-seat, {low-seat: marked}]
symptoms:
  balance-lines-dip-to-back: {amount: 3/4 in}
  v-at-centre-back: yes
  seat-wedgie: no
  folds-under-seat: slight
"""
GOALS = {"fitdiag diagnose": 1.6, "fitdiag --help": 1.3}


def seconds(command: list[str], environment: dict[str, str]) -> float:
    """How long one process takes from start to end; a command that fails stops the bench."""
    start = perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=environment)
    return perf_counter() - start


def main(arguments: list[str] | None = None) -> None:
    """Start every program in turn and print medians and ratios."""
    parser = argparse.ArgumentParser(description="Start-up of whole commands against a bare typer program.")
    parser.add_argument("--runs", type=int, default=20)
    options = parser.parse_args(arguments)
    installed = Path(sys.executable).with_name("fitdiag")
    fitdiag = [str(installed)] if installed.exists() else [sys.executable, "-m", "fitdiag"]
    with tempfile.TemporaryDirectory() as folder:
        one_word, findings = Path(folder) / "one_word.py", Path(folder) / "findings.yaml"
        environment = {**os.environ, "PYTHONPYCACHEPREFIX": folder, "XDG_CACHE_HOME": folder, "LOCALAPPDATA": folder}
        environment.pop("PYTHONDONTWRITEBYTECODE", None)
        one_word.write_text(ONE_WORD, "utf-8")
        findings.write_text(FINDINGS, "utf-8")
        commands = {
            "python -c pass": [sys.executable, "-c", "pass"],
            "typer, one word": [sys.executable, str(one_word)],
            "fitdiag diagnose": [*fitdiag, "diagnose", str(findings)],
            "fitdiag --help": [*fitdiag, "--help"],
        }
        times: dict[str, list[float]] = {name: [] for name in commands}
        for number in range(options.runs + 1):
            for name, command in commands.items():
                taken = seconds(command, environment)
                if number:
                    times[name].append(taken)
    bare = median(times["typer, one word"])
    print(f"{'':<20}{'median ms':>10}{'fastest':>10}{'worst':>10}{'times typer':>13}")
    for name, taken in times.items():
        ratio = median(taken) / bare
        note = (
            f"  goal at most {GOALS[name]:g}: {'met' if ratio <= GOALS[name] else 'NOT met'}" if name in GOALS else ""
        )
        row = "".join(f"{1e3 * value:>10.0f}" for value in (median(taken), min(taken), max(taken)))
        print(f"{name:<20}{row}{ratio:>13.2f}{note}")


if __name__ == "__main__":
    main()
