"""How much: from what was measured, within the limits of the round, rounded to what a tape shows."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.model import Alteration, RuleBase
from fitdiag.units import Units, format_length, round_down, round_length

_WORTH_DOING = 0.25  # of the most for all rounds; if less than this is left, it is not done again; a fitter's judgement


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
    in_all = alteration.most_in_all.amount_mm if alteration.most_in_all is not None else inf
    left = max(in_all - already, 0.0)
    nearly_all_done = bool(already) and left < limit
    exhausted = bool(already) and left < in_all * _WORTH_DOING
    limit = min(limit, left)
    rounded = round_length(wanted, units)
    amount, remainder = rounded, 0.0
    if rounded > limit + 1e-6:
        amount = round_down(limit, units)
        remainder = rounded - amount
        done, rest = format_length(already, units), format_length(remainder, units)
        if nearly_all_done:
            basis += f" {format_length(in_all, units)} is the most for all rounds together, and {done} is done."
            basis += f" The other {rest} asks for a redrawn block, not for more of this."
        else:
            basis += f" The most for one round is {format_length(amount, units)}; the other {rest} waits"
            basis += " for the next try-on." if already == 0 else f" ({done} was done before)."
    elif alteration.amount.up_to:
        most = amount * alteration.amount.up_to
        this_round = format_length(round_down(limit, units), units)
        basis += f" Pinning often asks for more, up to {format_length(most, units)}"
        if most <= limit:
            basis += "."
        elif most > left:
            basis += f"; take at most {this_round} in this round and {format_length(left, units)} in all"
            basis += " from now on. If more is missing then, the block wants redrawing."
        else:
            basis += f"; take at most {this_round} of it in this round, the rest in the next."
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
        if finding.amount_mm is not None and (finding.error_mm or 0.0) >= seen_mm:
            continue  # measured too unsurely to cut by
        wanted = ((rule.short_of_mm - seen_mm) if rule.short_of_mm is not None else seen_mm) * rule.ratio
        if wanted <= 0:
            continue
        error = finding.error_mm if how == "measured" else None
        return wanted, symptom_id, _basis(alteration, measure.what, seen_mm, how, units, error)
    start = format_length(rule.start_mm, units)
    return (
        rule.start_mm,
        None,
        f"Nothing was measured: {start} is a careful start. Pin it to find out, until {rule.until}.",
    )


def _basis(alteration: Alteration, what: str, seen_mm: float, how: str, units: Units, error_mm: float | None) -> str:
    rule = alteration.amount
    seen = format_length(seen_mm, units) + (f" ± {format_length(error_mm, units)}" if error_mm else "")
    if rule.short_of_mm is not None:
        share = "" if rule.ratio == 1 else f", {_share(rule.ratio)} of the difference"
        return f"From {what}: {how} {seen}, wanted {format_length(rule.short_of_mm, units)}{share}. Pin until {rule.until}."
    share = "the same" if rule.ratio == 1 else f"{_share(rule.ratio)} of it"
    return f"From {what}: {how} {seen}, {share} to start with. Pin until {rule.until}."


def _share(ratio: float) -> str:
    names = {0.25: "a quarter", 0.5: "half", 0.75: "three quarters", 1.5: "one and a half times", 2.0: "twice"}
    return names.get(ratio, f"{ratio:g} times")
