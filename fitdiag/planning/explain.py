"""Simulated cloth compared with what was seen: which cause reproduces it, how close it came, and nudges to the simulated body.

Each likely cause is put into the right pattern at its extent, by undoing its cure, and draped. What is compared is the change
from the right pattern on the same body, since even a right block dips and pulls a little.

Nudges are small, bounded changes of the body that bring the simulated lines nearer to the measured ones: least squares with a
prior, with slopes found by draping the same pattern on changed bodies.
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
from fitdiag.units import Units, format_reading, read_off

LIKELY_FROM = 0.08  # probability below which a cause is not worth draping
MOST_CAUSES = 4
CANNOT_TELL_MM = 4.0  # error of a simulated line against one read on cloth; a judgement, no source
MISSED = 1.5  # residual, in standard deviations, of a sign seen but not drawn, or drawn but not seen
# what may be nudged, and the step it is tried with
TRIED_MM = {"seat-out": 12.0, "abdomen-out": 12.0, "crotch-lower": 8.0}
SPREAD_MM = 5.0  # prior standard deviation of a nudge; a judgement, no source
MOST_MM = 10.0  # total of all nudges of a part
READ_MM = 5.0  # error of a line read against one drawn, where the finding gives none
# standard deviation of simulated against real cloth on the right body; a judgement, no source
SIMULATED_MM = 8.0
WORTH_MM = 0.5  # smaller nudges are dropped


@dataclass(frozen=True)
class Drawn:
    """One sign as seen and as an explanation draws it, in mm; None if it is only seen or not seen."""

    symptom: str
    seen_mm: float | None
    seen: bool
    drawn_mm: float | None
    drawn: bool
    off: float  # residual, in standard deviations


@dataclass(frozen=True)
class Explanation:
    """A cause put into the right pattern: the alteration and amount in mm that do so, its probability, and the signs it draws."""

    cause: str
    alteration: str
    amount: float
    belief: float
    signs: tuple[Drawn, ...]

    @property
    def off(self) -> float:
        """Mean squared residual of its signs; the least explains best."""
        return sum(sign.off**2 for sign in self.signs) / max(len(self.signs), 1)


def candidates(base: RuleBase, diagnosis: Diagnosis) -> list[tuple[str, str, float]]:
    """Likely causes that can be put into a pattern: the cause, the alteration that puts it in, and by how many mm."""
    chosen: list[tuple[str, str, float]] = []
    for cause_id, belief in sorted(diagnosis.probability.items(), key=lambda pair: -pair[1]):
        if belief < LIKELY_FROM or len(chosen) == MOST_CAUSES:
            break
        cause = base.causes[cause_id]
        for cure in sorted(cause.cured_by, key=lambda name: -base.cures_of[name][cause_id]):
            takes, rule = cause.cured_by[cure].takes, base.alterations[cure]
            if not takes:
                continue
            undone = next(iter(base.undone_by[cure]), None)
            way = 1.0
            if takes < 0 or (undone is None and rule.operation.both_ways):
                undone, way = cure, 1.0 if takes < 0 else -1.0
            if undone is not None:
                extent = diagnosis.extents.get(cause_id)
                amount = rule.amount.start_mm if extent is None else extent.mean_mm / abs(takes)
                chosen.append((cause_id, undone, way * amount))
                break
    return chosen


def explain(
    base: RuleBase, diagnosis: Diagnosis, right: Pattern, figure: Figure, cloth: Cloth,
    tell: Callable[[float], None] | None = None,
) -> tuple[list[Explanation], dict[str, Draped]]:  # fmt: skip
    """Explanations, best first, and draped muslins by cause ("": the right pattern). Raises ProblemsFoundError."""
    findings = diagnosis.findings
    signs = {sign.symptom: sign for sign in base.simulated_signs.values() if sign.symptom in findings.symptoms}
    if not signs:
        message = "nothing that was seen can be read off simulated cloth"
        raise stop("nothing-seen", message, hint="measure a line: the dip at centre back")
    orders, tried = [order_of(right, figure, cloth, units=findings.units)], []
    for cause, alteration, amount in candidates(base, diagnosis):
        try:
            pattern = carry_out(right, alteration, amount).pattern
            orders.append(order_of(pattern, figure, cloth, units=findings.units))
        except ProblemsFoundError:
            continue  # a fault that cannot be cut cannot be the one at hand
        tried.append((cause, alteration, amount))
    if not tried:
        message = "no likely cause can be put into a pattern"
        raise stop("no-cause", message, hint="answer more questions first: fitdiag interview")
    rightly, *muslins = drape(orders, tell=tell)
    explanations = [
        Explanation(cause, alteration, amount, diagnosis.probability[cause], compared(signs, findings, rightly, muslin))
        for (cause, alteration, amount), muslin in zip(tried, muslins, strict=True)
    ]
    explanations.sort(key=lambda one: (one.off, -one.belief))
    return explanations, {"": rightly, **{cause: muslin for (cause, _, _), muslin in zip(tried, muslins, strict=True)}}


def compared(
    signs: Mapping[str, SimulatedSign], findings: Findings, right: Draped, muslin: Draped
) -> tuple[Drawn, ...]:
    """Every answered sign, with what the muslin draws of it."""
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
    # for a line that is too near, less is more of the sign
    change = (before - after if sign.whole else after - before) * turned
    drawn = change >= sign.seen_from
    seen = finding.seen == "yes"
    if finding.amount_mm is not None and mm is not None:
        apart = (muslin.apart or {}).get(sign.reading, 0.0) * abs(sign.mm or 1.0)
        error = ((finding.error_mm or 0.0) ** 2 + apart**2 + CANNOT_TELL_MM**2) ** 0.5
        return Drawn(sign.symptom, finding.amount_mm, seen, mm, drawn, (mm - finding.amount_mm) / error)
    return Drawn(sign.symptom, None, seen, mm, drawn, 0.0 if drawn == seen else MISSED)


# -- nudges ------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Near:
    """One measured sign, in mm: as simulated, relative to the block on the same body, and as it came.

    `whole`: it is read off the pattern itself, so no change of the body explains it.
    """

    symptom: str
    simulated: float
    came: float
    error: float
    whole: bool


def nearness(
    base: RuleBase, findings: Findings, block: Mapping[str, float], muslin: Mapping[str, float]
) -> tuple[Near, ...]:
    """The measured signs that simulated cloth shows too, each with its simulated value."""
    near = []
    for sign in base.simulated_signs.values():
        finding = findings.symptoms.get(sign.symptom)
        if finding is None or finding.amount_mm is None or sign.mm is None or sign.reading not in muslin:
            continue
        value = muslin[sign.reading] - (0.0 if sign.whole else block[sign.reading])
        near.append(Near(sign.symptom, value * sign.mm, finding.amount_mm, finding.error_mm or READ_MM, sign.whole))
    return tuple(near)


def nearness_lines(base: RuleBase, near: tuple[Near, ...], units: Units) -> tuple[str, ...]:
    """One line per sign: as simulated for the muslin as sewn, and as it came."""
    lines = []
    for one in near:
        simulated = format_reading(abs(one.simulated), units) + (" the other way" if one.simulated < 0 else "")
        # of the figures as they stand there, so that the line agrees with itself
        off = format_reading(abs(read_off(one.simulated, units) - read_off(one.came, units)), units)
        lines.append(
            f"{base.symptoms[one.symptom].title}: simulated {simulated}, came {format_reading(one.came, units)}, {off} apart"
        )
    return tuple(lines)


def nudge(
    base: RuleBase, findings: Findings, sewn: Pattern, block: Pattern, figure: Figure, cloth: Cloth,
    earlier: Mapping[str, float], tell: Callable[[float], None] | None = None,
) -> dict[str, float]:  # fmt: skip
    """How far in mm to nudge each part of the body now; empty if no measurement asks for it.

    `sewn`: the pattern of the muslin tried on; `figure`: the body so far, its `earlier` nudges included.
    """
    bodies = [figure, *(with_nudges(figure, {part: step}) for part, step in TRIED_MM.items())]
    orders = [order_of(pattern, body, cloth, units=findings.units) for body in bodies for pattern in (block, sewn)]
    muslins = drape(orders, dressings=1, tell=tell)  # differences between dressings cancel out
    seen = [nearness(base, findings, muslins[k].readings, muslins[k + 1].readings) for k in range(0, len(muslins), 2)]
    known = [k for k, one in enumerate(seen[0]) if not one.whole]
    residuals = [seen[0][k].came - seen[0][k].simulated for k in known]
    weights = [(seen[0][k].error ** 2 + SIMULATED_MM**2) ** -0.5 for k in known]
    slopes = [
        [(one[k].simulated - seen[0][k].simulated) / step for k in known]
        for one, step in zip(seen[1:], TRIED_MM.values(), strict=True)
    ]
    done = np.array([earlier.get(part, 0.0) for part in TRIED_MM])
    # the residuals, and the prior
    rows = np.concatenate([(np.array(slopes) * weights).T, np.eye(len(TRIED_MM)) / SPREAD_MM])
    wanted = np.concatenate([np.multiply(residuals, weights), np.zeros(len(TRIED_MM))])
    moved = lsq_linear(rows, wanted, (-MOST_MM - done, MOST_MM - done), "bvls").x.tolist()
    return {part: round(mm, 1) for part, mm in zip(TRIED_MM, moved, strict=True) if abs(mm) >= WORTH_MM}
