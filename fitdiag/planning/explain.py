"""Diagnosis by draping: each likely cause put into the right pattern with its extent, draped, and held against what was seen.

A cause is put in by undoing its cure: what the cure takes, the fault has given. What is compared is the change against the
right pattern on the same body, since a right block dips and pulls a little by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.drape.cloth import Cloth
from fitdiag.drape.figure import Figure
from fitdiag.drape.muslin import Draped, drape, order_of
from fitdiag.knowledge.about import SimulatedSign
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.piece import Pattern
from fitdiag.problems import ProblemsFoundError, stop

LIKELY_FROM = 0.08  # belief; below it a cause is not worth draping
MOST_CAUSES = 4
CANNOT_TELL_MM = 4.0  # lines on cloth are read and drawn no better than this against each other; a judgement, no source
MISSED = 1.5  # how far off a sign counts that was seen and is not drawn, or the other way round, in standard deviations


@dataclass(frozen=True)
class Drawn:
    """One sign as it was seen and as an explanation draws it: mm, or None where it is only seen or not."""

    symptom: str
    seen_mm: float | None
    seen: bool
    drawn_mm: float | None
    drawn: bool
    off: float  # standard deviations


@dataclass(frozen=True)
class Explanation:
    """A cause put into the right pattern: how it was put in, by how much, how sure it was before, and how well it draws."""

    cause: str
    alteration: str
    amount: float
    belief: float
    signs: tuple[Drawn, ...]

    @property
    def off(self) -> float:
        """Mean square of how far off its signs are; the least explains best."""
        return sum(sign.off**2 for sign in self.signs) / max(len(self.signs), 1)


def candidates(base: RuleBase, diagnosis: Diagnosis) -> list[tuple[str, str, float]]:
    """Likely causes that can be put into a pattern: the cause, the alteration that puts it in, and its extent in mm."""
    found: list[tuple[str, str, float]] = []
    for cause_id, belief in sorted(diagnosis.probability.items(), key=lambda pair: -pair[1]):
        if belief < LIKELY_FROM or len(found) == MOST_CAUSES:
            break
        cause = base.causes[cause_id]
        for cure in sorted(cause.cured_by, key=lambda name: -base.words.how_well.words[cause.cured_by[name].how_well]):
            takes, rule = cause.cured_by[cure].takes, base.alterations[cure]
            undone = next(iter(base.undone_by[cure]), None)
            way = 1.0
            if takes < 0 or (undone is None and rule.operation.both_ways):
                undone, way = cure, 1.0 if takes < 0 else -1.0
            if undone is not None:
                extent = diagnosis.extents.get(cause_id)
                amount = rule.amount.start_mm if extent is None else extent.mean_mm / abs(takes)
                found.append((cause_id, undone, way * amount))
                break
    return found


def explain(
    base: RuleBase,
    diagnosis: Diagnosis,
    right: Pattern,
    figure: Figure,
    cloth: Cloth,
    tell: Callable[[float], None] | None = None,
) -> tuple[list[Explanation], dict[str, Draped]]:
    """The explanations, the best first, and the muslins by cause ("" is the right pattern). Raises ProblemsFoundError."""
    findings = diagnosis.findings
    told = {sign.symptom: sign for sign in base.simulated_signs.values() if sign.symptom in findings.symptoms}
    if not told:
        raise stop(
            "nothing-seen",
            "nothing that was seen can be read off simulated cloth",
            hint="measure a line: the dip at centre back",
        )
    orders, tried = [order_of(right, figure, cloth, units=findings.units)], []
    for cause, alteration, amount in candidates(base, diagnosis):
        try:
            pattern = carry_out(right, alteration, amount).pattern
            orders.append(order_of(pattern, figure, cloth, units=findings.units))
        except ProblemsFoundError:
            continue  # a fault that cannot be cut is not what lies on the table
        tried.append((cause, alteration, amount))
    if not tried:
        raise stop(
            "no-cause",
            "no likely cause can be put into a pattern",
            hint="answer more questions first: fitdiag interview",
        )
    rightly, *muslins = drape(orders, tell=tell)
    found = [
        Explanation(cause, alteration, amount, diagnosis.probability[cause], compared(told, findings, rightly, muslin))
        for (cause, alteration, amount), muslin in zip(tried, muslins, strict=True)
    ]
    found.sort(key=lambda one: (one.off, -one.belief))
    return found, {"": rightly, **{cause: muslin for (cause, _, _), muslin in zip(tried, muslins, strict=True)}}


def compared(
    signs: Mapping[str, SimulatedSign], findings: Findings, right: Draped, muslin: Draped
) -> tuple[Drawn, ...]:
    """Every sign that was answered, beside what the muslin draws."""
    drawn = []
    for symptom, sign in signs.items():
        finding = findings.symptoms[symptom]
        if sign.reading in muslin.readings and finding.seen != "unsure":
            drawn.append(_drawn(sign, finding, right, muslin))
    return tuple(drawn)


def _drawn(sign: SimulatedSign, finding: Finding, right: Draped, muslin: Draped) -> Drawn:
    before, after = right.readings[sign.reading], muslin.readings[sign.reading]
    value = after if sign.whole else after - before
    mm = value * sign.mm if sign.mm is not None else None
    turned = -1.0 if (sign.mm or 1.0) < 0 else 1.0
    change = (before - after if sign.whole else after - before) * turned  # a line that is too near: less is more of it
    there = change >= sign.seen_from
    seen = finding.seen == "yes"
    if finding.amount_mm is not None and mm is not None:
        apart = (muslin.apart or {}).get(sign.reading, 0.0) * abs(sign.mm or 1.0)
        error = ((finding.error_mm or 0.0) ** 2 + apart**2 + CANNOT_TELL_MM**2) ** 0.5
        return Drawn(sign.symptom, finding.amount_mm, seen, mm, there, (mm - finding.amount_mm) / error)
    return Drawn(sign.symptom, None, seen, mm, there, 0.0 if there == seen else MISSED)
