"""A rule base ten times the size: does it still load, check and diagnose, and at what cost against today's?

`python tests/bench/rules.py [--times N]` copies the shipped base N times under other ids into a temporary folder.
"""

from __future__ import annotations

import argparse
import re
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.knowledge.check import check_rules
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.folders import default_rules
from fitdiag.knowledge.load import load_rules, read_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.plan import make_plan

SIGNS = ("balance-lines-dip-to-back", "v-at-centre-back", "waist-binds", "calf-catches")
_STAGES = re.compile(r"(first_stage|then_stage|stage): ")


def copied(folder: Path, times: int) -> None:
    """The shipped base in `folder`, with every symptom, cause, alteration and seam `times` times under its own id."""
    base = load_rules()
    ids = {*base.symptoms, *base.causes, *base.alterations, *base.about.seams}
    pattern = re.compile(
        r"(?<!moves: )(?<![\w-])(" + "|".join(sorted(map(re.escape, ids), key=len, reverse=True)) + r")(?![\w-])"
    )
    shutil.copytree(default_rules(), folder, ignore=shutil.ignore_patterns("*.cases.yaml", "ease-tables.yaml"))
    originals = [
        path
        for path in folder.rglob("*.yaml")
        if path.name not in ("rulebase.yaml", "words.yaml", "sources.yaml", "body-notes.yaml")
    ]
    texts = {path: path.read_text(encoding="utf-8") for path in originals}
    about = folder / "rulebase.yaml"
    seams = "".join(f"  - {seam}-{number}\n" for number in range(2, times + 1) for seam in base.about.seams)
    about.write_text(about.read_text(encoding="utf-8").replace("seams:\n", f"seams:\n{seams}"), encoding="utf-8")
    for number in range(2, times + 1):
        for path, text in texts.items():
            new = pattern.sub(rf"\1-{number}", text)
            if path.parent == folder and path.name.startswith("order"):
                new = "".join(item for item in re.split(r"(?m)^(?=- )", new) if not _STAGES.search(item))
            (path.parent / f"{path.stem}-{number}.yaml").write_text(new, encoding="utf-8")


def timed(work: Callable[[], object], runs: int) -> float:
    """Median milliseconds."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append((time.perf_counter() - start) * 1e3)
    return median(times)


def without_tables(folder: Path) -> RuleBase:
    """A base read from its files."""
    base, problems = read_rules(folder)
    assert base is not None, problems[:3]
    return base


def row(folder: Path, runs: int) -> dict[str, float]:
    """What one base costs, in milliseconds."""
    base = without_tables(folder)
    findings = Findings(symptoms={name: Finding(name, "yes") for name in SIGNS})
    Diagnosis(base, findings).next_question()
    return {
        "symptoms": len(base.symptoms),
        "causes": len(base.causes),
        "load from YAML": timed(lambda: without_tables(folder), runs),
        "check": timed(lambda: check_rules(base), runs),
        "beliefs and plan": timed(lambda: make_plan(Diagnosis(base, findings)), runs),
        "answer to next question": timed(lambda: Diagnosis(base, findings).next_question(), runs),
    }


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--times", type=int, default=10)
    options.add_argument("--runs", type=int, default=3)
    asked = options.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "trousers"
        copied(folder, asked.times)
        today, larger = row(default_rules(), asked.runs), row(folder, asked.runs)
    print(f"{'':26}{'today':>10}{f'{asked.times} times':>12}{'ratio':>8}")
    for name, value in today.items():
        print(f"{name:26}{value:10.1f}{larger[name]:12.1f}{larger[name] / value:8.1f}")


if __name__ == "__main__":
    main()
