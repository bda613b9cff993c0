"""Sixteen windows on one case for a minute, each reviewing over and over: python tests/bench/at_once.py [--seconds N] [--windows N]

Every review brings a note of its own; whatever ended well must be in the round's log, once, and in findings.yaml. What could not
wait any longer, or met another window's change, is refused with a reason, and is counted.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

PROGRAM = [sys.executable, "-m", "fitdiag"]
SIGNS = ("seat-wedgie", "crotch-cuts", "waist-binds", "folds-under-seat")


def window(number: int, folder: Path, ends: float) -> list[tuple[str, int, str]]:
    """One window until the time is over: each review's note, exit code and message."""
    done: list[tuple[str, int, str]] = []
    while time.monotonic() < ends:
        note = f"note {number} {len(done)}"
        path = folder / f"{note}.yaml"
        path.write_text(f"schema: fitdiag.findings/1\nsymptoms: {{{SIGNS[number % 4]}: yes}}\nnotes: [{note}]\n")
        ran = subprocess.run([*PROGRAM, "review", "x", "--findings", str(path), "--no-questions"], cwd=folder, text=True,
                             capture_output=True, check=False)  # fmt: skip
        done.append((note, ran.returncode, ran.stderr))
    return done


def main() -> int:
    """The figures; exit code 1 if anything acknowledged was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--windows", type=int, default=16)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        subprocess.run([*PROGRAM, "case", "new", "x", "--units", "in"], cwd=folder, check=True, capture_output=True)
        ends = time.monotonic() + chosen.seconds
        with ThreadPoolExecutor(chosen.windows) as pool:
            done = [row for rows in pool.map(lambda n: window(n, folder, ends), range(chosen.windows)) for row in rows]
        log = (folder / "cases/x/round-01/session.jsonl").read_text()
        findings = (folder / "cases/x/round-01/findings.yaml").read_text()
        left = [path.name for path in folder.rglob("*") if ".fitdiag-" in path.name or path.name.endswith(".lock")]
    good = [note for note, code, _ in done if code == 0]
    lost = [note for note in good if log.count(f'"text":"{note}"') != 1 or f'"{note}"' not in findings]
    broken = [told for _, code, told in done if code not in (0, 1) or "Traceback" in told]
    print(f"windows       {chosen.windows}, {chosen.seconds:g} s")
    print(f"reviews       {len(done)}")
    print(f"acknowledged  {len(good)}")
    print(
        f"refused       {len(done) - len(good)}: {', '.join(sorted({told.split(': ')[1][:60] for _, code, told in done if code}))}"
    )
    print(f"lost          {len(lost)}, broken {len(broken)}, left behind {len(left)}")
    return 1 if lost or broken or left else 0


if __name__ == "__main__":
    sys.exit(main())
