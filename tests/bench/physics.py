"""What the rules make of draped muslins with known faults, by all their readings; bodies held out in turns.

    python tests/bench/physics.py TABLE.csv [--judge OTHER.csv] [--lines] [--seed N] [--folds N]
    python tests/bench/physics.py TABLE.csv --drape [N]    # drapes N of its muslins anew: how far off their lines are

Each muslin with one fault is told as findings: every drawn line, the waist edge and the hang of the crotch, each with the
error of a careful reading. The answer is that of `diagnose`: findings in, the JSON of the report out. The simulated slopes
and right blocks of the rule base are fitted anew without the bodies that are asked (five folds), or, with --judge, fitted
on the one table and asked on the other. "Known": the readings of the right block on that body are told (`at_rest`).

Printed beside it: the same muslins told as yes or no alone; and the dip taken as the amount.
"""

from __future__ import annotations

import argparse
import json
import random
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import sqrt
from pathlib import Path

from lab import CAUSES, LINES, SIGNS, Muslin, Sign, fit, read_table, right_blocks, with_fit

from fitdiag.diagnosis.belief import Diagnosis, against_rest
from fitdiag.knowledge.findings import Finding, Findings, measured
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import as_data
from fitdiag.sessions.state import conclude

FOLDS = 5
LONG = ("wedgeB", 1)


@dataclass
class Score:
    """How often the right cause stood first and among three; errors of the amount of a back too long, in mm."""

    asked: int = 0
    first: int = 0
    three: int = 0
    amounts: list[float] = field(default_factory=list)
    plain: list[float] = field(default_factory=list)
    missed: Counter[str] = field(default_factory=Counter)

    def line(self, name: str) -> str:
        rms = sqrt(sum(error**2 for error in self.amounts) / len(self.amounts)) if self.amounts else float("nan")
        plain = sqrt(sum(error**2 for error in self.plain) / len(self.plain)) if self.plain else float("nan")
        return (
            f"{name:44s} first {self.first / self.asked:6.1%}  in three {self.three / self.asked:6.1%}"
            f"  back too long: off by {rms / 10:4.2f} cm rms, the dip itself by {plain / 10:4.2f}  (n {self.asked})"
        )


def told(
    base: RuleBase, muslin: Muslin, block: Muslin, rng: random.Random, signs: Sequence[Sign], known: bool
) -> Findings:
    """A muslin as findings of simulated cloth, read with errors; `known`: with the right block's readings of that body."""
    symptoms: dict[str, Finding] = {}
    for sign in signs:
        value = muslin.readings[sign.symptom] + rng.gauss(0.0, sign.error_mm)
        name = sign.symptom
        mirror = base.mirrors.get(name)
        if value < 0 and mirror is not None and base.symptoms[name].measure.worse == "more":  # type: ignore[union-attr]
            name, value = mirror, -value
        symptoms[name] = measured(base.symptoms[name], max(value, 0.0), error_mm=sign.error_mm)
    rest = {sign.symptom: block.readings[sign.symptom] for sign in signs} if known else {}
    return Findings(symptoms, readings_from="simulation", at_rest=rest, units="cm")


def yes_or_no(base: RuleBase, findings: Findings) -> Findings:
    """The same without amounts: seen or not, against the right block where it is known."""
    seen = against_rest(base, findings).symptoms if findings.at_rest else findings.symptoms
    symptoms = {name: Finding(name, finding.seen) for name, finding in seen.items()}
    return Findings(symptoms, units="cm")


def ask(base: RuleBase, findings: Findings, *, quick: bool = False) -> list[tuple[str, float | None]]:
    """The causes as `diagnose --json` lists them, the likeliest first, with their extents in mm."""
    if quick:
        diagnosis = Diagnosis(base, findings)
        extents = diagnosis.extents
        chances = diagnosis.probability
        ranked = sorted(chances, key=lambda cause: (cause not in diagnosis.touched, -round(chances[cause], 12), cause))
        return [(cause, extents[cause].mean_mm if cause in extents else None) for cause in ranked]
    data = json.loads(json.dumps(as_data(make_report(base, conclude(base, findings)))))
    return [(item["id"], item.get("extent_mm")) for item in data["causes"]]


def single(muslins: Sequence[Muslin]) -> Iterator[tuple[Muslin, tuple[str, int], float]]:
    """The muslins with one fault."""
    for muslin in muslins:
        if len(muslin.kinds) == 1:
            ((kind, mm),) = muslin.kinds.items()
            yield muslin, kind, mm


def run(base: RuleBase, muslins: Sequence[Muslin], signs: Sequence[Sign], seed: int, scores: Mapping[str, Score],
        *, quick: bool) -> None:  # fmt: skip
    """Ask every muslin with one fault, and add to the scores."""
    blocks, rng = right_blocks(muslins), random.Random(seed)
    for muslin, kind, mm in single(muslins):
        for name in ("known", "not known"):
            findings = told(base, muslin, blocks[muslin.body], rng, signs, name == "known")
            for words, given in ((False, findings), *(() if quick else ((True, yes_or_no(base, findings)),))):
                causes = ask(base, given, quick=quick)
                right = CAUSES[kind]
                order = [cause for cause, _ in causes]
                score = scores[f"{name}{', yes or no' if words else ''}"]
                score.asked += 1
                score.first += order[0] in right
                score.three += any(cause in right for cause in order[:3])
                if order[0] not in right:
                    score.missed[f"{kind} -> {order[0]}"] += 1
                extent = dict(causes).get(right[0])
                if kind == LONG and not words and extent is not None:
                    score.amounts.append(extent - mm)
                    rest = blocks[muslin.body].readings["balance-lines-dip-to-back"] if name == "known" else 0.0
                    score.plain.append(muslin.readings["balance-lines-dip-to-back"] - rest - mm)


def pairs(base: RuleBase, muslins: Sequence[Muslin], signs: Sequence[Sign], seed: int) -> tuple[int, int, int]:
    """Of muslins with two faults: how many, in how many both are named among the likely causes or treated, and one."""
    blocks, rng = right_blocks(muslins), random.Random(seed)
    asked = both = one = 0
    for muslin in muslins:
        if len(muslin.kinds) != 2:
            continue
        findings = told(base, muslin, blocks[muslin.body], rng, signs, True)
        data = as_data(make_report(base, conclude(base, findings)))
        named = {item["id"] for item in data["causes"] if item["listed"]}  # as the list prints them
        cured = {cause for item in data["recommendations"] for cause in item["causes"]}
        hit = sum(any(cause in named | cured for cause in CAUSES[kind]) for kind in muslin.kinds)
        asked, both, one = asked + 1, both + (hit == 2), one + (hit == 1)
    return asked, both, one


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("table", type=Path)
    parser.add_argument("--judge", type=Path)
    parser.add_argument("--lines", action="store_true", help="the drawn lines alone")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folds", type=int, default=FOLDS, help="how many of the folds to ask")
    parser.add_argument("--quick", action="store_true", help="beliefs only, without the report")
    parser.add_argument("--misses", action="store_true")
    parser.add_argument("--drape", type=int, nargs="?", const=12, help="drape so many of the muslins anew (12)")
    chosen = parser.parse_args()
    if chosen.drape:
        from drape import table as draped_anew

        draped_anew(chosen.table, chosen.drape, chosen.seed)
        return
    signs = LINES if chosen.lines else SIGNS
    base, table = load_rules(), read_table(chosen.table)
    scores: dict[str, Score] = defaultdict(Score)
    two = [0, 0, 0]
    if chosen.judge:
        sets = [(table, read_table(chosen.judge))]
    else:
        bodies = sorted({muslin.body for muslin in table})
        sets = [
            ([m for m in table if m.body not in held], [m for m in table if m.body in held])
            for held in (set(bodies[fold::FOLDS]) for fold in range(chosen.folds))
        ]
    for number, (known, asked) in enumerate(sets):
        fitted = with_fit(base, *fit(known))
        run(fitted, asked, signs, chosen.seed + number, scores, quick=chosen.quick)
        for place, count in enumerate((0, 0, 0) if chosen.quick else pairs(fitted, asked, signs, chosen.seed + number)):
            two[place] += count
    for name, score in sorted(scores.items()):
        print(score.line(f"right block {name}"))
        if chosen.misses:
            print("   ", score.missed.most_common(12))
    if two[0]:
        print(
            f"two faults at once: both named or treated in {two[1] / two[0]:.0%} of {two[0]}, one in {two[2] / two[0]:.0%}"
        )


if __name__ == "__main__":
    main()
