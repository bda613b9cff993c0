"""How much: from what was measured, within the limits of the round, rounded to what a tape shows."""

from __future__ import annotations

from dataclasses import dataclass

from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.model import Alteration, RuleBase
from fitdiag.units import Units, format_length, round_down, round_length


@dataclass(frozen=True)
class PlannedAmount:
    """An amount to alter by. `wanted_mm` is what the measured sign asks for; `mm` is what this round allows of it."""

    mm: float
    text: str
    wanted_mm: float
    remainder_mm: float
    measured_by: str | None
    basis: str
    already_mm: float = 0.0
    exhausted: bool = False


def plan_amount(base: RuleBase, alteration: Alteration, findings: Findings) -> PlannedAmount:
    """The amount for an alteration: measured if a symptom of its rule was measured, else a careful start.

    All lengths in mm; `text` and `mm` are rounded to the tape (1/8 in or 0.25 cm). Limits are rounded down.
    """
    units = findings.units
    wanted, symptom, basis = _wanted(base, alteration, findings)
    already = sum(done.amount_mm or 0.0 for done in findings.done if done.alteration == alteration.id)
    limit = alteration.most_a_round.amount_mm
    exhausted = False
    if alteration.most_in_all is not None and already:
        left = alteration.most_in_all.amount_mm - already
        exhausted = left < alteration.most_in_all.amount_mm * 0.05
        limit = min(limit, max(left, 0.0))
    rounded = round_length(wanted, units)
    amount, remainder = rounded, 0.0
    if rounded > limit + 1e-6:
        amount = round_down(limit, units)
        remainder = rounded - amount
        basis += f" The most for one round is {format_length(amount, units)}; the other {format_length(remainder, units)} waits"
        basis += " for the next try-on." if already == 0 else f" ({format_length(already, units)} was done before)."
    elif alteration.amount.up_to:
        most = amount * alteration.amount.up_to
        this_round = format_length(round_down(limit, units), units)
        basis += f" Pinning often asks for more, up to {format_length(most, units)}"
        basis += f"; take at most {this_round} of it in this round, the rest in the next." if most > limit else "."
    return PlannedAmount(amount, format_length(amount, units), wanted, remainder, symptom, basis, already, exhausted)


def _wanted(base: RuleBase, alteration: Alteration, findings: Findings) -> tuple[float, str | None, str]:
    rule, units = alteration.amount, findings.units
    for symptom_id in rule.measured_by:
        finding = findings.symptoms.get(symptom_id)
        measure = base.symptoms[symptom_id].measure
        if finding is None or measure is None or finding.seen != "yes":
            continue
        seen_mm, how = finding.amount_mm, "measured"
        if seen_mm is None and finding.severity is not None:
            seen_mm, how = measure.grades_mm.get(finding.severity), f"judged {finding.severity}, so counted as"
        if seen_mm is None:
            continue
        wanted = ((rule.short_of_mm - seen_mm) if rule.short_of_mm is not None else seen_mm) * rule.ratio
        if wanted <= 0:
            continue
        return wanted, symptom_id, _basis(alteration, measure.what, seen_mm, how, units)
    start = format_length(rule.start_mm, units)
    return (
        rule.start_mm,
        None,
        f"Nothing was measured: {start} is a careful start. Pin it to find out, until {rule.until}.",
    )


def _basis(alteration: Alteration, what: str, seen_mm: float, how: str, units: Units) -> str:
    rule = alteration.amount
    seen = format_length(seen_mm, units)
    if rule.short_of_mm is not None:
        share = "" if rule.ratio == 1 else f", {_share(rule.ratio)} of the difference"
        return f"From {what}: {how} {seen}, wanted {format_length(rule.short_of_mm, units)}{share}. Pin until {rule.until}."
    share = "the same" if rule.ratio == 1 else f"{_share(rule.ratio)} of it"
    return f"From {what}: {how} {seen}, {share} to start with. Pin until {rule.until}."


def _share(ratio: float) -> str:
    names = {0.25: "a quarter", 0.5: "half", 0.75: "three quarters", 1.5: "one and a half times", 2.0: "twice"}
    return names.get(ratio, f"{ratio:g} times")
