"""How near simulated cloth came to the muslin that was tried on, and a body nudged a little towards what came.

A nudge is small and bounded: the shape whose change would bring the simulated lines nearer to the measured ones, weighed
against how unlikely the change is (least squares with a prior; the slopes by draping the same pattern on changed bodies).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import lsq_linear

from fitdiag.drape.body import nudged as with_nudges
from fitdiag.drape.cloth import Cloth
from fitdiag.drape.figure import Figure
from fitdiag.drape.muslin import drape, order_of
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.piece import Pattern
from fitdiag.units import Units, format_reading

# what may be nudged, and by how much it is tried
TRIED_MM = {
    "seat-out": 12.0,
    "abdomen-out": 12.0,
    "crotch-lower": 8.0,
}
SPREAD_MM = 5.0  # one standard deviation of what measures and notes leave open; a judgement, no source
MOST_MM = 10.0  # of all nudges of a part together
READ_MM = 5.0  # error of a line read against one drawn, where the finding gives none
# simulated and real cloth differ by so much (one standard deviation) on the right body; a judgement, no source
SIMULATED_MM = 8.0
WORTH_MM = 0.5  # a smaller nudge is none


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
