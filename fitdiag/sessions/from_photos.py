"""From what pictures measured to findings a fitter confirms: which symptom a quantity answers stands in the rules."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fitdiag.knowledge.findings import TAPE_MM, Finding, Side
from fitdiag.knowledge.model import FromPhoto, RuleBase, Symptom
from fitdiag.photos.combine import Together, slope_mm
from fitdiag.photos.readings import Measured

V_SEEN = 2.6  # mm over the first 3 cm beside the seam (5 degrees); less is the cloth's own unrest
CLEAR_OF_ZERO = {
    "good": 2.5,
    "fair": 3.5,
    "don't use": 99.0,
}  # standard deviations; what could as well be none is no verdict
_LEAN_LENGTH = 600.0  # mm of grainline over which a lean is told


@dataclass(frozen=True)
class FromPictures:
    """Findings with origin "photo", and in words what was too near to call."""

    findings: tuple[Finding, ...]
    open: tuple[str, ...]


@dataclass(frozen=True)
class _Amount:
    mm: float
    error: float
    side: Side | None
    told: str
    clear: float = 2.5


def findings_from(base: RuleBase, found: Sequence[Together], measured: Sequence[Measured]) -> FromPictures:
    """A finding for every symptom whose quantity was measured clearly enough to say yes or no."""
    findings: list[Finding] = []
    left_open: list[str] = []
    for symptom in base.symptoms.values():
        if symptom.from_photo is None:
            continue
        amounts = [amount for item in found if (amount := _amount(symptom.from_photo, item, measured)) is not None]
        if not amounts:
            continue
        less = symptom.measure is not None and symptom.measure.worse == "less"
        most = min(amounts, key=lambda a: a.mm) if less else max(amounts, key=lambda a: a.mm)
        finding = _finding(symptom, most)
        if finding is None:
            left_open.append(f"{symptom.title}: {most.told}, too near to call")
        else:
            findings.append(finding)
    return FromPictures(tuple(findings), tuple(left_open))


def _amount(link: FromPhoto, item: Together, measured: Sequence[Measured]) -> _Amount | None:
    """The amount a measured quantity gives a symptom, mm; None if it is another quantity or must not be used."""
    line = item.line.removeprefix("front-") if link.what == "lean" else item.line
    if line not in link.lines or item.word == "don't use":
        return None
    kinds = {"drop": "drop", "rise": "drop", "v-depth": "v depth", "slope": "tilt", "lean": "lean",
             "from-centre": "from the centre at the waist"}  # fmt: skip
    if item.what != kinds[link.what]:
        return None
    value, error = item.value, item.error
    side: Side | None = None
    if link.what == "rise":
        value = -value
    elif link.what == "slope":
        both = slope_mm(item, measured)
        if both is None:
            return None
        value, error = both
        side = "right" if value > 0 else "left"  # the higher side, seen from the back
        value = abs(value)
    elif link.what == "lean":
        value, error = _LEAN_LENGTH * math.tan(math.radians(abs(value))), _LEAN_LENGTH * math.radians(error)
        side = "left" if item.line.endswith("left") else "right"
    elif link.what == "from-centre":
        side = "left" if item.line.endswith("left") else "right"
    return _Amount(value, error, side, f"{value:.0f} mm, give or take {error:.0f}", CLEAR_OF_ZERO[item.word])


def _finding(symptom: Symptom, amount: _Amount) -> Finding | None:
    """Yes, no, or None when the error allows both. One-sided ones are told without a side; the fitter adds it."""
    error = round(amount.error, 2)
    if symptom.measure is None:  # a V: one that points up (below 0) is another sign
        if amount.mm < -amount.error:
            return None
        if amount.mm > max(V_SEEN, amount.clear * amount.error):
            return Finding(symptom.id, "yes", origin="photo")
        return Finding(symptom.id, "no", origin="photo") if amount.mm + 2 * amount.error < 2 * V_SEEN else None
    least = symptom.measure.seen_from_mm
    if symptom.measure.worse == "less":
        if amount.mm + amount.error <= least + TAPE_MM:
            return Finding(symptom.id, "yes", round(max(amount.mm, 0.0), 1), error, origin="photo")
        return (
            Finding(symptom.id, "no", round(amount.mm, 1), error, origin="photo")
            if amount.mm - amount.error > least
            else None
        )
    if amount.mm >= least - TAPE_MM and amount.mm > amount.clear * amount.error:
        return Finding(symptom.id, "yes", round(amount.mm, 1), error, origin="photo")
    if amount.mm + amount.error < least:
        return Finding(symptom.id, "no", origin="photo")
    return None


def tells_more(picture: Finding, known: Finding | None) -> bool:
    """Whether a picture's finding is to be looked at: nothing is known, or only a form says otherwise or says less."""
    if known is None:
        return True
    return known.origin == "form" and (
        picture.seen != known.seen or (picture.amount_mm is not None and known.amount_mm is None)
    )
