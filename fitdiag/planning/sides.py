"""The side on which an alteration is to be done: where its signs, or else a body note, ask for it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.knowledge.findings import OTHER_SIDE, Finding, Side
from fitdiag.knowledge.model import Alteration, Cause


def side_to_alter(diagnosis: Diagnosis, alteration: Alteration, rests_on: Collection[str], *, less: bool) -> Side:
    """The side to alter: that of the reading the amount rests on, else that of the signs it cures, if they agree.

    `rests_on`: the signs whose readings the amount rests on, the firmest first; `less`: it is done in reverse.
    """
    if alteration.sides == "both":
        return "both"
    asking = _Asking(diagnosis, alteration, rests_on, less)
    findings = diagnosis.findings
    firmest = next((findings.symptoms[name] for name in rests_on), None)
    if firmest is not None and (side := asking.by_sign(firmest)):
        return side
    asked = [asking.by_sign(finding) for finding in findings.seen]
    if not any(asked) or ({*asked} <= {"both", None} and alteration.operation.one_side):
        asked = [asking.by_note(note, side) for note, side in findings.body_sides.items()]
    sides = {side for side in asked if side is not None}
    return sides.pop() if len(sides) == 1 else "both"


@dataclass(frozen=True)
class _Asking:
    """Which side one sign or note asks to be altered, for one alteration."""

    diagnosis: Diagnosis
    alteration: Alteration
    rests_on: Collection[str]
    less: bool

    def by_sign(self, finding: Finding) -> Side | None:
        """The side that a sign asks to be altered: its own, or the other one if it asks for the alteration in reverse.

        So one leg may be lengthened where the other hem hangs too low. It is the other one, too, of a sign that its cause shows
        across from where it lies. None if the alteration cures no cause of the sign.
        """
        base = self.diagnosis.base
        own = finding.more_on if self.alteration.operation.one_side else finding.side
        often = self.diagnosis.shown_by(finding.symptom)
        causes = [cause for cause in base.cures_of[self.alteration.id] if cause in often]
        if not causes:
            return own if finding.symptom in self.rests_on else None
        likeliest = base.causes[max(causes, key=lambda cause: often[cause])]
        across = any(link.symptom == finding.symptom and link.across for link in likeliest.shows)
        turned = self._in_reverse(likeliest) != across
        return OTHER_SIDE[own] if turned and own else own

    def by_note(self, note: str, side: Side) -> Side | None:
        """The side that a body note asks to be altered, where no sign names one; None if it speaks for no cause cured here."""
        base = self.diagnosis.base
        more = base.words.more_or_less.words
        causes = (base.causes[name] for name in base.cures_of[self.alteration.id])
        cause = next((one for one in causes if note in one.body and more[one.body[note]] > 1.0), None)
        if cause is None or self.diagnosis.findings.body.get(note, "no") == "no":
            return None
        return OTHER_SIDE[side] if self._in_reverse(cause) else side

    def _in_reverse(self, cause: Cause) -> bool:
        """Whether a cause asks for the alteration the other way round than it is planned."""
        return (cause.cured_by[self.alteration.id].takes < 0) != self.less
