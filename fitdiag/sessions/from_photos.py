"""Turns picture measurements into findings for the fitter to confirm; the rules say which symptom a quantity answers.

Every reading is a number with its standard deviation. It is called seen or not seen only where the error leaves no doubt;
otherwise it stays without a verdict, and the diagnosis weighs it as it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from fitdiag.knowledge.findings import OTHER_SIDE, TAPE_MM, Finding, Side, measured_apart
from fitdiag.knowledge.model import FromPhoto, RuleBase, Seen, Symptom

if TYPE_CHECKING:
    from fitdiag.photos.measure import Together
    from fitdiag.photos.readings import Measured

# standard deviations from zero an amount needs to count as seen, by grade of the reading
CLEAR_OF_ZERO = {"good": 2.5, "fair": 3.5, "don't use": 99.0}
_LEAN_LENGTH = 600.0  # mm of grainline over which a lean is given
_QUANTITY = {"drop": "drop", "rise": "drop", "v-depth": "v depth", "slope": "tilt", "lean": "lean", "lean-out": "lean",
             "from-centre": "from the centre at the waist", "dip": "dip"}  # fmt: skip


@dataclass(frozen=True)
class _Amount:
    mm: float
    error: float
    side: Side | None
    clear: float


def findings_from(base: RuleBase, found: Sequence[Together], measured: Sequence[Measured]) -> tuple[Finding, ...]:
    """A finding with origin "photo" for every symptom whose quantity was measured, and for its opposite."""
    findings: list[Finding] = []
    for symptom in base.symptoms.values():
        turned = symptom.measure.mirror_of if symptom.measure is not None else None
        link = base.symptoms[turned].from_photo if turned else symptom.from_photo
        if symptom.measure is None or link is None:
            continue
        amounts = [amount for item in found if (amount := _amount(link, item, measured)) is not None]
        if turned:
            amounts = [replace(amount, mm=-amount.mm) for amount in amounts]
            if link.what == "slope":
                amounts = [replace(one, side=OTHER_SIDE[one.side] if one.side else None) for one in amounts]
        finding = _finding(symptom, amounts, higher=link.what == "slope") if amounts else None
        if finding is not None:
            findings.append(finding)
    return tuple(findings)


def _amount(link: FromPhoto, item: Together, measured: Sequence[Measured]) -> _Amount | None:
    """The amount (mm) a measured quantity gives for a symptom; None if it does not apply or must not be used."""
    front = item.line.startswith("front-")
    if (
        item.line.removeprefix("front-") not in link.lines
        or item.word == "don't use"
        or not item.what.startswith(_QUANTITY[link.what])
    ):
        return None
    if link.what not in ("slope", "lean") and front != (link.of == "front"):
        return None
    value, error = item.value, item.error
    if link.what == "rise":
        value = -value
    sides: tuple[Side, ...] = ("left", "right")
    side = next((one for one in sides if one in item.line + item.what), None)
    if link.what == "slope":
        from fitdiag.photos.measure import slope_mm  # noqa: PLC0415 (with all that measures pictures: seconds, for every case)

        # "tilt to the back" is another one, from the side
        both = slope_mm(item, measured) if item.what == "tilt" else None
        if both is None:
            return None
        value, error = both
        side, value = ("right" if value > 0 else "left"), abs(value)  # the higher side, seen from the back
    elif link.what in ("lean", "lean-out"):
        # the top of a line that leans out lies towards the middle of the body
        outwards = (1.0 if side == "left" else -1.0) * (-1.0 if front else 1.0)
        value, error = _LEAN_LENGTH * math.tan(math.radians(value)) * outwards, _LEAN_LENGTH * math.radians(error)
        value = abs(value) if link.what == "lean" else value
    return _Amount(value, error, side, CLEAR_OF_ZERO[item.word])


def _most(symptom: Symptom, amounts: Sequence[_Amount]) -> _Amount:
    """The amount that shows most even at its error bound, so that a wide reading does not override a sure one."""
    if symptom.measure is not None and symptom.measure.worse == "less":
        return min(amounts, key=lambda a: a.mm + a.clear * a.error)
    return max(amounts, key=lambda a: a.mm - a.clear * a.error)


def _finding(symptom: Symptom, amounts: Sequence[_Amount], *, higher: bool) -> Finding | None:
    """A finding, with a verdict where the error allows only one; None if the sign shows the other way round.

    `higher`: an amount's side is the one that lies higher, not the one measured.
    """
    assert symptom.measure is not None
    most = _most(symptom, amounts)
    error = round(most.error, 2)
    seen = _verdict(symptom, most)
    if seen == "no" and any(_verdict(symptom, amount) != "no" for amount in amounts):
        seen = "unsure"
    if most.mm < 0:  # it shows the other way
        return Finding(symptom.id, "no", origin="photo") if seen == "no" else None
    sides = [[a for a in amounts if a.side == side] for side in ("left", "right")]
    if all(sides) and not symptom.whole and min(a.mm for a in amounts) >= 0:
        left, right = (_most(symptom, amounts_of_side) for amounts_of_side in sides)
        apart = measured_apart(symptom, round(left.mm, 1), round(right.mm, 1), error_mm=error, origin="photo")
        return replace(apart, seen=seen, side=apart.side if seen == "yes" else None)
    side = most.side if higher and seen == "yes" else None
    return Finding(symptom.id, seen, round(most.mm, 1), error, side=side, origin="photo")


def _verdict(symptom: Symptom, amount: _Amount) -> Seen:
    """Return yes, no, or unsure where the error allows both."""
    assert symptom.measure is not None
    least = symptom.measure.seen_from_mm
    if symptom.measure.worse == "less":
        if amount.mm + amount.error <= least + TAPE_MM:
            return "yes"
        return "no" if amount.mm - amount.error > least else "unsure"
    if amount.mm >= least - TAPE_MM and amount.mm > amount.clear * amount.error:
        return "yes"
    return "no" if amount.mm + amount.error < least else "unsure"


def tells_more(picture: Finding, known: Finding | None) -> bool:
    """Whether a picture's finding adds anything: nothing is known yet, or only a form, which disagrees or says less."""
    if known is None:
        return True
    return known.origin == "form" and (
        picture.seen != known.seen or (picture.amount_mm is not None and known.amount_mm is None)
    )
