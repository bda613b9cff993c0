"""Which signs a cause cannot show because they lie on the other side of the body than the cause does."""

from __future__ import annotations

from collections.abc import Mapping
from math import isclose

from fitdiag.knowledge.findings import LEFT_RIGHT, OTHER_SIDE, Findings, Side
from fitdiag.knowledge.model import Cause, RuleBase
from fitdiag.knowledge.order import once


def on_the_other_side(base: RuleBase, findings: Findings) -> frozenset[tuple[str, str]]:
    """The signs seen across from a cause that lies on one side alone, as (symptom, cause).

    A higher left hip lifts the drawn line and the hem on the left; a higher right hem beside it has another cause.
    """
    if not findings.body_sides and not any(finding.more_on in LEFT_RIGHT for finding in findings.seen):
        return frozenset()
    return frozenset((symptom, cause.id) for cause in _of_one_side(base) for symptom in _across(base, cause, findings))


@once
def _of_one_side(base: RuleBase) -> tuple[Cause, ...]:
    """The causes whose every cure is done on one side only."""
    return tuple(
        cause
        for cause in base.believed.values()
        if cause.cured_by and all(base.alterations[name].operation.one_side for name in cause.cured_by)
    )


def _across(base: RuleBase, cause: Cause, findings: Findings) -> tuple[str, ...]:
    """The signs across from a cause, which lies on the side for which more speaks; none where that is even.

    A body note that tells the cause speaks fully; a sign the less, the more other causes show it.
    """
    asked = _sides_asked(cause, findings)
    speaks: dict[Side, float] = dict.fromkeys(LEFT_RIGHT, 0.0)
    for symptom, side in asked.items():
        often = base.causes_of[symptom]
        speaks[side] += often[cause.id] / sum(often.values())
    more = base.words.more_or_less.words
    for note, side in findings.body_sides.items():
        if side in speaks and note in cause.body and more[cause.body[note]] > 1.0:
            speaks[side] += 1.0
    left, right = speaks["left"], speaks["right"]
    if isclose(left, right):
        return ()
    across: Side = "right" if left > right else "left"
    return tuple(symptom for symptom, side in asked.items() if side == across)


def _sides_asked(cause: Cause, findings: Findings) -> Mapping[str, Side]:
    """By sign seen, the side on which the cause lies if it shows that sign."""
    links = {link.symptom: link for link in cause.shows}
    asked: dict[str, Side] = {}
    for finding in findings.seen:
        link, side = links.get(finding.symptom), finding.more_on
        if link is not None and side in LEFT_RIGHT:
            asked[finding.symptom] = OTHER_SIDE[side] if link.across else side
    return asked
