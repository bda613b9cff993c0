"""Simulated clients with true extents: how far off the first alteration's amount is, and how true its printed error.

    python tests/bench/amounts.py [CLIENTS] [--seed N]

A cause with an extent is drawn, and how much of it, from the rules' own prior above what is worth altering. Its signs with a
slope read what the extent gives, with the scatter between bodies and the error of a careful reading; its other signs are seen
as often as the rules say; the signs of its look-alikes are looked for. The world is the rules' own: this says whether the
reckoning is true to them, not whether they are true (for that see physics.py, where the amounts are those of draped cloth).

The amount to do now is held against the true one, or against the most of one round where the truth is more; beside it the
whole (with what the list says remains), the whole where one round's most does not decide, and the leading reading alone.
"""

from __future__ import annotations

import argparse
import random
from dataclasses import dataclass, field

from fitdiag.knowledge.findings import Finding, Findings, measured
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import Cause, RuleBase
from fitdiag.sessions.state import conclude

WITHIN_MM = 3.175
WORTH_MM = 5.0
MEASURED = 0.8  # of the signs that can be measured, how many are


@dataclass
class Score:
    """Clients asked; those whose first alteration cures the right cause; of these, in mm: errors of the whole amount, of it where
    one round's most does not decide, of what is to be done now, of the leading reading; and of the whole in printed sd.
    """

    asked: int = 0
    right: int = 0
    off: list[float] = field(default_factory=list)
    off_within: list[float] = field(default_factory=list)
    off_now: list[float] = field(default_factory=list)
    in_errors: list[float] = field(default_factory=list)
    plain: list[float] = field(default_factory=list)


def told(base: RuleBase, cause: Cause, extent: float, rng: random.Random) -> tuple[Findings, float | None]:
    """What is seen and read of one client, and the leading reading turned into an amount."""
    often = base.words.how_often.words
    symptoms: dict[str, Finding] = {}
    plain = None
    for link in sorted(cause.shows, key=lambda link: -often[link.how_often]):
        symptom = base.symptoms[link.symptom]
        if symptom.needs:
            continue
        if link.per and symptom.measure is not None and symptom.measure.worse == "more":
            slope = link.per[0]
            value = rng.gauss(slope.ratio, slope.scatter) * extent + rng.gauss(0.0, symptom.measure.give_mm)
            value = min(max(value, 0.0), 0.99 * symptom.measure.most_mm)
            if rng.random() < MEASURED:
                symptoms[symptom.id] = measured(symptom, value)
                plain = value / slope.ratio if plain is None else plain
            else:
                symptoms[symptom.id] = Finding(symptom.id, "yes" if value > symptom.measure.seen_from_mm else "no")
        else:
            symptoms[symptom.id] = Finding(symptom.id, "yes" if rng.random() < often[link.how_often] else "no")
    for alike in cause.look_alikes:
        for name in alike.by:
            if name not in symptoms and not base.symptoms[name].needs:
                symptoms[name] = Finding(name, "no")
    return Findings(symptoms, units="in"), plain


def run(base: RuleBase, clients: int, seed: int) -> Score:
    """Ask so many clients."""
    rng, score = random.Random(seed), Score()
    causes = [
        cause for cause in base.believed.values() if cause.extent is not None and any(link.per for link in cause.shows)
    ]
    while score.asked < clients:
        cause = rng.choice(causes)
        assert cause.extent is not None
        extent = rng.gauss(cause.extent.usual_mm, cause.extent.spread_mm)
        if extent < WORTH_MM:
            continue
        findings, plain = told(base, cause, extent, rng)
        if not any(finding.seen == "yes" and finding.amount_mm is not None for finding in findings.symptoms.values()):
            continue
        score.asked += 1
        recommendations = conclude(base, findings).plan.recommendations
        if not recommendations or recommendations[0].alteration not in cause.cured_by:
            continue
        first = recommendations[0]
        score.right += 1
        takes = abs(cause.cured_by[first.alteration].takes)
        if not takes:  # it cures without an amount that follows from the extent
            continue
        truth = extent / takes
        off = abs(first.amount.mm + first.amount.remainder_mm - truth)
        score.off.append(off)
        most = base.alterations[first.alteration].most_a_round.amount_mm
        score.off_now.append(abs(first.amount.mm - min(truth, most)))
        if truth <= most:
            score.off_within.append(off)
        if first.amount.error_mm:
            score.in_errors.append(off / first.amount.error_mm)
        if plain is not None:
            score.plain.append(abs(plain / takes - truth))
    return score


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("clients", type=int, nargs="?", default=500)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    score = run(load_rules(), chosen.clients, chosen.seed)
    share = lambda values, bound: sum(value <= bound for value in values) / max(len(values), 1)  # noqa: E731
    print(f"{score.asked} clients, first alteration cures the right cause in {score.right / score.asked:.0%}")
    print(f"what is to be done now within 1/8 in of the right: {share(score.off_now, WITHIN_MM):.0%}")
    print(
        f"the whole within 1/8 in: {share(score.off, WITHIN_MM):.0%} (the leading reading alone: {share(score.plain, WITHIN_MM):.0%});"
        f" where one round's most does not decide ({len(score.off_within)}): {share(score.off_within, WITHIN_MM):.0%}"
    )
    print(
        f"inside the printed error: {share(score.in_errors, 1.0):.0%}, inside twice: {share(score.in_errors, 2.0):.0%}"
    )


if __name__ == "__main__":
    main()
