"""The list of a round as the fitter wants it: what is left out of it, and the amounts set by hand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from fitdiag.diagnosis.belief import lower_first
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.plan import Recommendation
from fitdiag.sessions.case_files import Round
from fitdiag.sessions.state import Conclusion
from fitdiag.units import Units, format_given

SAME_MM = 0.5  # amounts that differ by less are the same


@dataclass(frozen=True)
class Choice:
    """What a conclusion proposes, what of it is left out, and the amounts in mm set by hand, by alteration."""

    base: RuleBase
    proposed: Conclusion
    units: Units
    out: frozenset[str] = frozenset()
    amounts: Mapping[str, float] = field(default_factory=dict)

    @property
    def listed(self) -> tuple[Recommendation, ...]:
        """All that is proposed, with the amounts as they are now."""
        return tuple(self._amended(item) for item in self.proposed.plan.recommendations)

    @property
    def chosen(self) -> tuple[Recommendation, ...]:
        """What is to be advised."""
        return tuple(item for item in self.listed if item.alteration not in self.out)

    def without(self, names: Iterable[str]) -> Choice:
        """These left out as well, and with them what is only done after them."""
        out = self.out | set(names)
        while more := {item.alteration for item in self.listed if item.only_after in out} - out:
            out |= more
        return replace(self, out=frozenset(out))

    def by_hand(self, alteration: str, mm: float) -> Choice:
        """Another amount of one of them."""
        return replace(self, amounts={**self.amounts, alteration: mm})

    def concluded(self) -> Conclusion:
        """The conclusion with this list: numbered anew, and its first sentence to suit."""
        chosen, plan = self.chosen, self.proposed.plan
        if chosen == plan.recommendations:
            return self.proposed
        ranked = tuple(replace(item, rank=rank) for rank, item in enumerate(chosen, 1))
        verdict = "Nothing is altered this round; the fitter decided so."
        if ranked:
            title = self.base.alterations[ranked[0].alteration].title
            verdict = f"First: {lower_first(title)}, {ranked[0].amount.text}."
        return replace(self.proposed, plan=replace(plan, recommendations=ranked, verdict=verdict))

    def _amended(self, item: Recommendation) -> Recommendation:
        mm = self.amounts.get(item.alteration)
        if mm is None:
            return item
        text = format_given(mm, self.units)
        return replace(item, amount=replace(item.amount, mm=mm, text=text, basis="The fitter chose this amount."))


def choice_of(base: RuleBase, conclusion: Conclusion, one: Round, units: Units) -> Choice:
    """What was chosen in an earlier run of a round stays chosen."""
    planned = {item.alteration: item.amount.mm for item in conclusion.plan.recommendations}
    advised = {item.alteration: item.amount_mm for item in one.advised if item.amount_mm is not None}
    amounts = {name: mm for name, mm in advised.items() if name in planned and abs(mm - planned[name]) >= SAME_MM}
    return Choice(base, conclusion, units, amounts=amounts).without(planned.keys() & set(one.left_out))
