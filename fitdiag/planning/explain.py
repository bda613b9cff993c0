"""Simulated cloth held against what was seen: which cause draws it, how near a plan came, and a body nudged towards what came.

Each likely cause is put into the right pattern with its extent and draped. It is put in by undoing its cure: what the cure takes,
the fault has given. What is compared is the change against the right pattern on the same body, since a right block dips and
pulls a little by itself.

A nudge is small and bounded: the shape whose change would bring the simulated lines nearer to the measured ones, weighed
against how unlikely the change is (least squares with a prior; the slopes by draping the same pattern on changed bodies).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import lsq_linear

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.drape.body import nudged as with_nudges
from fitdiag.drape.cloth import Cloth
from fitdiag.drape.figure import Figure
from fitdiag.drape.muslin import Draped, drape, order_of
from fitdiag.knowledge.about import SimulatedSign
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.piece import Pattern
from fitdiag.problems import ProblemsFoundError, stop
from fitdiag.units import Units, format_reading

LIKELY_FROM = 0.08  # belief; below it a cause is not worth draping
MOST_CAUSES = 4
CANNOT_TELL_MM = 4.0  # lines on cloth are read and drawn no better than this against each other; a judgement, no source
MISSED = 1.5  # how far off a sign counts that was seen and is not drawn, or the other way round, in standard deviations
# what may be nudged, and by how much it is tried
TRIED_MM = {"seat-out": 12.0, "abdomen-out": 12.0, "crotch-lower": 8.0}
SPREAD_MM = 5.0  # one standard deviation of what measures and notes leave open; a judgement, no source
MOST_MM = 10.0  # of all nudges of a part together
READ_MM = 5.0  # error of a line read against one drawn, where the finding gives none
# simulated and real cloth differ by so much (one standard deviation) on the right body; a judgement, no source
SIMULATED_MM = 8.0
WORTH_MM = 0.5  # a smaller nudge is none


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
    base: RuleBase, diagnosis: Diagnosis, right: Pattern, figure: Figure, cloth: Cloth,
    tell: Callable[[float], None] | None = None,
) -> tuple[list[Explanation], dict[str, Draped]]:  # fmt: skip
    """The explanations, the best first, and the muslins by cause ("" is the right pattern). Raises ProblemsFoundError."""
    findings = diagnosis.findings
    told = {sign.symptom: sign for sign in base.simulated_signs.values() if sign.symptom in findings.symptoms}
    if not told:
        missing = "nothing that was seen can be read off simulated cloth"
        raise stop("nothing-seen", missing, hint="measure a line: the dip at centre back")
    orders, tried = [order_of(right, figure, cloth, units=findings.units)], []
    for cause, alteration, amount in candidates(base, diagnosis):
        try:
            pattern = carry_out(right, alteration, amount).pattern
            orders.append(order_of(pattern, figure, cloth, units=findings.units))
        except ProblemsFoundError:
            continue  # a fault that cannot be cut is not what lies on the table
        tried.append((cause, alteration, amount))
    if not tried:
        missing = "no likely cause can be put into a pattern"
        raise stop("no-cause", missing, hint="answer more questions first: fitdiag interview")
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


# -- nudges ------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Near:
    """One measured sign: what simulated cloth drew of it, against the block on the same body, and what came; mm.

    `whole`: it is read off the pattern itself, so that no body explains it.
    """

    symptom: str
    simulated: float
    came: float
    error: float
    whole: bool


def nearness(
    base: RuleBase, findings: Findings, block: Mapping[str, float], muslin: Mapping[str, float]
) -> tuple[Near, ...]:
    """The measured signs that simulated cloth draws too, each beside what it drew."""
    near = []
    for sign in base.simulated_signs.values():
        finding = findings.symptoms.get(sign.symptom)
        if finding is None or finding.amount_mm is None or sign.mm is None or sign.reading not in muslin:
            continue
        value = muslin[sign.reading] - (0.0 if sign.whole else block[sign.reading])
        near.append(Near(sign.symptom, value * sign.mm, finding.amount_mm, finding.error_mm or READ_MM, sign.whole))
    return tuple(near)


def nearness_told(base: RuleBase, near: tuple[Near, ...], units: Units) -> tuple[str, ...]:
    """One line each: what was simulated for the muslin as it was sewn, and what came."""
    told = []
    for one in near:
        simulated = format_reading(abs(one.simulated), units) + (" the other way" if one.simulated < 0 else "")
        off = format_reading(abs(one.simulated - one.came), units)
        told.append(
            f"{base.symptoms[one.symptom].title}: simulated {simulated}, came {format_reading(one.came, units)}, {off} apart"
        )
    return tuple(told)


def nudge(
    base: RuleBase, findings: Findings, sewn: Pattern, block: Pattern, figure: Figure, cloth: Cloth,
    earlier: Mapping[str, float], tell: Callable[[float], None] | None = None,
) -> dict[str, float]:  # fmt: skip
    """By how much each part of the body is to be nudged now, mm; empty where nothing measured asks for it.

    `sewn`: the pattern of the muslin that was tried on; `figure`: the body so far, with its `earlier` nudges in it.
    """
    bodies = [figure, *(with_nudges(figure, {part: step}) for part, step in TRIED_MM.items())]
    orders = [order_of(pattern, body, cloth, units=findings.units) for body in bodies for pattern in (block, sewn)]
    muslins = drape(orders, dressings=1, tell=tell)  # what dressings differ by falls out of the differences
    seen = [nearness(base, findings, muslins[k].readings, muslins[k + 1].readings) for k in range(0, len(muslins), 2)]
    known = [k for k, one in enumerate(seen[0]) if not one.whole]
    missing = [seen[0][k].came - seen[0][k].simulated for k in known]
    firm = [(seen[0][k].error ** 2 + SIMULATED_MM**2) ** -0.5 for k in known]
    slopes = [
        [(one[k].simulated - seen[0][k].simulated) / step for k in known]
        for one, step in zip(seen[1:], TRIED_MM.values(), strict=True)
    ]
    done = np.array([earlier.get(part, 0.0) for part in TRIED_MM])
    # what is missing, and the prior
    rows = np.concatenate([(np.array(slopes) * firm).T, np.eye(len(TRIED_MM)) / SPREAD_MM])
    wanted = np.concatenate([np.multiply(missing, firm), np.zeros(len(TRIED_MM))])
    moved = lsq_linear(rows, wanted, (-MOST_MM - done, MOST_MM - done), "bvls").x.tolist()
    return {part: round(mm, 1) for part, mm in zip(TRIED_MM, moved, strict=True) if abs(mm) >= WORTH_MM}
