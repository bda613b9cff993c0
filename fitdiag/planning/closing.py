"""What becomes of each sign that was seen or told: every one ends in exactly one line of the result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from fitdiag.diagnosis.belief import Diagnosis, chance_words, lower_first
from fitdiag.knowledge.findings import Finding

if TYPE_CHECKING:
    from fitdiag.planning.plan import Plan

Ending = Literal["cured", "goes-with", "waits", "may-stay", "look", "unexplained"]
_BEHIND = 0.3  # a cause this much likelier than another one explains a sign for both; a fitter's judgement
_LIKELY = 0.1  # under this a cause is not named for a sign
_CURES = 0.7  # an alteration that cures a cause this well cures its signs


@dataclass(frozen=True)
class Closing:
    """How one sign ends. `by`: the alteration or symptom it ends with; `text` is a whole sentence."""

    symptom: str
    ending: Ending
    by: str | None
    text: str


def close_all(diagnosis: Diagnosis, plan: Plan, avoided: Mapping[str, tuple[str, ...]]) -> tuple[Closing, ...]:
    """One closing line for every sign that was seen. `avoided`: alteration id to what speaks against it now."""
    closer = _Closer(diagnosis, plan, avoided)
    return tuple(closer.close(finding) for finding in diagnosis.findings.seen if finding.origin != "derived")


class _Closer:
    def __init__(self, diagnosis: Diagnosis, plan: Plan, avoided: Mapping[str, tuple[str, ...]]) -> None:
        self.diagnosis, self.base, self.avoided = diagnosis, diagnosis.base, avoided
        self.well = self.base.words.how_well.words
        self.now = {item.alteration: item for item in plan.recommendations if item.only_if is None}
        self.waiting = {item.alteration: item for item in plan.recommendations if item.only_if is not None}
        self.later = {item.alteration: item for item in plan.later}

    def close(self, finding: Finding) -> Closing:
        """The line of one sign."""
        causes = self._explaining(finding.symptom)
        tried = (close(finding, cause) for close in (self._cured, self._waits) for cause in causes)
        if (closing := next((one for one in tried if one is not None), None)) is not None:
            return closing
        if causes and (text := self.base.causes[causes[0]].may_stay):
            return Closing(finding.symptom, "may-stay", causes[0], f"May stay: {text}")
        known = causes[:1] or self.base.causes_of[finding.symptom]
        if not known:
            return Closing(finding.symptom, "unexplained", None, "No rule explains this; note it and look again.")
        return self._look(finding, max(known, key=lambda cause: (self.diagnosis.probability[cause], cause)))

    def _explaining(self, symptom: str) -> list[str]:
        """The causes that may have brought a sign, the likeliest first; far less likely ones left out."""
        often = self.base.words.how_often.words
        weights: dict[str, float] = {}
        for cause in self.base.believed.values():
            strength = max((often[link.how_often] for link in cause.shows if link.symptom == symptom), default=0.0)
            if symptom in self.diagnosis.joint.shown_by(cause.id):
                strength = max(strength, 0.5)
            if strength and self.diagnosis.probability[cause.id] >= _LIKELY:
                weights[cause.id] = strength * self.diagnosis.probability[cause.id]
        most = max(weights.values(), default=0.0)
        kept = [cause for cause, weight in weights.items() if weight >= _BEHIND * most]
        return sorted(kept, key=lambda cause: (-weights[cause], cause))

    def _cured(self, finding: Finding, cause: str) -> Closing | None:
        cures = self.base.causes[cause].cured_by
        here = [name for name in cures if name in self.now]
        if not here:
            return None
        best = max(here, key=lambda name: (self.well[cures[name].how_well], -self.now[name].rank))
        item = self.now[best]
        if self.well[cures[best].how_well] >= _CURES and item.amount.remainder_mm <= 1e-6:
            return Closing(finding.symptom, "cured", best, f"Cured by {item.rank}, {lower_first(item.title)}.")
        rest = " in part; the rest waits for the next round" if item.amount.remainder_mm > 1e-6 else ""
        text = f"Expected to go with {item.rank}, {lower_first(item.title)}{rest}; look again at the next try-on."
        return Closing(finding.symptom, "goes-with", best, text)

    def _waits(self, finding: Finding, cause: str) -> Closing | None:
        cures = self.base.causes[cause].cured_by
        ranked = sorted(cures, key=lambda name: (-self.well[cures[name].how_well], name))
        for name in ranked:
            if name in self.waiting:
                item = self.waiting[name]
                text = f"Waits for {item.rank}, {lower_first(item.title)}: {lower_first(item.only_if or '')}."
                return Closing(finding.symptom, "waits", name, text)
            if name in self.later:
                why = " ".join(self.later[name].because)
                title = lower_first(self.base.alterations[name].title)
                return Closing(finding.symptom, "waits", name, f"Waits for a later round ({title}): {lower_first(why)}")
        if ranked and all(self.avoided.get(name) for name in ranked):
            title, why = lower_first(self.base.alterations[ranked[0]].title), self.avoided[ranked[0]][0]
            return Closing(finding.symptom, "waits", ranked[0], f"Waits; against {title} speaks: {lower_first(why)}")
        return None

    def _look(self, finding: Finding, cause: str) -> Closing:
        """One more reading or look, and which."""
        rule = self.base.causes[cause]
        what = f"{lower_first(rule.title)}, {chance_words(self.diagnosis.probability[cause])}"
        often, known = self.base.words.how_often.words, self.diagnosis.findings.symptoms
        open_signs = [
            link.symptom
            for link in sorted(rule.shows, key=lambda link: (-often[link.how_often], link.symptom))
            if link.symptom not in known
            and all(name in known and known[name].seen == "yes" for name in self.base.symptoms[link.symptom].needs[:1])
        ]
        if open_signs:
            ask = self.base.symptoms[open_signs[0]].ask
            return Closing(finding.symptom, "look", open_signs[0], f"One more look is needed ({what}): {ask}")
        measure = self.base.symptoms[finding.symptom].measure
        if finding.amount_mm is None and measure is not None:
            text = f"One more reading is needed ({what}): measure {measure.what}."
            return Closing(finding.symptom, "look", finding.symptom, text)
        text = f"Not sure enough to cut for ({what}); look again at the next try-on."
        return Closing(finding.symptom, "look", None, text)
