"""What only the fitter can say at the ends of a round: what was really done, which of the list is advised, and how much of it."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace

from fitdiag.cli.terminal import Leave, Screen
from fitdiag.diagnosis.belief import lower_first
from fitdiag.interview.telling import Line
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.plan import Recommendation
from fitdiag.plausible import FAR, doubt_of_alteration
from fitdiag.sessions.case_files import Advised, Carried, Round
from fitdiag.sessions.state import Conclusion
from fitdiag.units import InvalidLengthError, Units, format_length, parse_length

YES = ("1", "y", "yes")
NO = ("2", "n", "no")


def _example(units: Units) -> str:
    return "1,5 cm" if units == "cm" else "1/2 in"


def agreed(screen: Screen, question: str, choices: str) -> bool:
    """One question that is answered with yes, or with anything else."""
    screen.show([Line(question, "ask"), Line(choices, "item")])
    return screen.read().strip().lower() in YES


def meant(screen: Screen, base: RuleBase, alteration: str, mm: float, units: Units) -> bool:
    """Whether an amount counts as typed; one far above what a round should take is asked back once."""
    rule = base.alterations.get(alteration)
    doubt = doubt_of_alteration(mm, rule.most_a_round.amount_mm, units) if rule is not None else ""
    return not doubt or agreed(screen, f"{doubt}. Is it meant so?", "1 yes  2 no, ask again")


def ask_done(screen: Screen, base: RuleBase, item: Advised, units: Units) -> Carried:
    """Ask whether something advised was done, and how much of it."""
    known = base.alterations.get(item.alteration)
    title = known.title if known else item.alteration
    amount = f", {format_length(item.amount_mm, units)}" if item.amount_mm else ""
    example = _example(units)
    while True:
        screen.show([
            Line(f"Advised: {title}{amount}. Was it done?", "ask"),
            Line("1 yes  2 no", "item"),
            Line("Or the amount that was really done. ? explains.", "hint"),
        ])  # fmt: skip
        typed = screen.read().strip().lower()
        if typed in YES:
            return Carried(item.alteration, item.amount_mm)
        if typed in NO:
            return Carried(item.alteration, None, done=False)
        if typed.startswith("?"):
            screen.show([
                Line("yes: it is in the trousers, with the amount advised.", "item"),
                Line("no: it was left, or undone again.", "item"),
                Line(f"An amount, like {example}: it was done with that instead.", "item"),
                Line("What was really done decides what this try-on should show, and how much there is left to do."),
            ])  # fmt: skip
            continue
        try:
            mm = parse_length(typed, units).mm
        except InvalidLengthError as error:
            screen.show([Line(f"{error}.")])
            continue
        if mm == 0:
            return Carried(item.alteration, None, done=False)
        if meant(screen, base, item.alteration, mm, units):
            return Carried(item.alteration, mm)


Keep = Callable[[Sequence[Recommendation]], None]


def choose(
    screen: Screen, base: RuleBase, conclusion: Conclusion, one: Round, units: Units, *, ask: bool, keep: Keep
) -> Conclusion:
    """The conclusion with the list as the fitter wants it. What was chosen in an earlier run of this round stays chosen.

    `keep` is given what is chosen after every change, before the next question. Raises Leave if the fitter leaves without a
    decision.
    """
    return _Choice(screen, base, conclusion, one, units).made(ask=ask, keep=keep)


def as_chosen(base: RuleBase, conclusion: Conclusion, one: Round, units: Units) -> Conclusion:
    """The conclusion with the list as it was chosen in a round."""
    return _Choice(Screen(), base, conclusion, one, units).as_conclusion()


class _Choice:
    """The list of a round, what is left out of it, and the amounts changed by hand."""

    def __init__(self, screen: Screen, base: RuleBase, conclusion: Conclusion, one: Round, units: Units) -> None:
        self.screen, self.base, self.conclusion, self.units = screen, base, conclusion, units
        self.listed = conclusion.plan.recommendations
        self.amounts: dict[str, Recommendation] = {}
        for item in one.advised:
            planned = next((other for other in self.listed if other.alteration == item.alteration), None)
            if planned is not None and item.amount_mm is not None and abs(item.amount_mm - planned.amount.mm) >= 0.5:
                self.amounts[item.alteration] = self.by_hand(planned, item.amount_mm)
        self.out: set[str] = set()
        self.leave_out({item.alteration for item in self.listed} & set(one.left_out))

    @property
    def chosen(self) -> list[Recommendation]:
        return [self.amounts.get(r.alteration, r) for r in self.listed if r.alteration not in self.out]

    def leave_out(self, names: set[str]) -> list[str]:
        """Leave these out, and with them what is only done after them, which is returned."""
        self.out |= names
        along: list[str] = []
        while more := [r.alteration for r in self.listed if r.alteration not in self.out and self.after(r) in self.out]:
            self.out |= set(more)
            along += more
        return along

    def after(self, item: Recommendation) -> str | None:
        """The alteration that an item waits for, if it does."""
        before = [
            other.alteration
            for other in self.listed
            for follow in self.base.alterations[other.alteration].follow_ups
            if item.only_if
            and other is not item
            and (follow.do, follow.if_seen) == (item.alteration, item.only_if_symptom)
        ]
        named = [name for name in before if lower_first(self.base.alterations[name].title) in (item.only_if or "")]
        return next(iter([*named, *before]), None)

    def made(self, *, ask: bool, keep: Keep) -> Conclusion:
        if not self.listed or not ask or not self.screen.interactive:
            return self.as_conclusion()
        kept = self.chosen
        while True:
            chosen = self.chosen
            if chosen != kept:
                keep(chosen)
                kept = chosen
            self.screen.show(self.question(chosen))
            typed = " ".join(self.screen.read().lower().split())
            numbers = [int(number) for number in re.findall(r"\d+", typed)]
            if typed in ("", "y", "yes"):
                return self.as_conclusion()
            if typed in ("stop", "quit", "exit", "leave"):
                raise Leave
            if typed in ("n", "no", "none", "nothing"):
                if chosen:
                    self.out = {item.alteration for item in self.listed}
                    return self.as_conclusion()
                self.out = set()
            elif typed == "all" and self.out:
                self.out = set()
            elif typed.startswith("?"):
                self.screen.show(self.explained())
            elif re.fullmatch(r"without \d+(?:(?: |, ?| and )\d+)*", typed) and all(
                1 <= number <= len(chosen) for number in numbers
            ):
                along = self.leave_out({chosen[number - 1].alteration for number in numbers})
                for name in along:
                    title = self.base.alterations[name].title
                    self.screen.show([Line(f"{title} is left out with it: it is only done after it.")])
            elif (match := re.fullmatch(r"(\d+)\s*=\s*(.+)", typed)) and 1 <= int(match[1]) <= len(chosen):
                self.change(chosen[int(match[1]) - 1], match[2])
            else:
                self.screen.show([Line("That is none of these. ? explains.")])

    def question(self, chosen: Sequence[Recommendation]) -> list[Line]:
        out = [item for item in self.listed if item.alteration in self.out]
        place = {item.alteration: number for number, item in enumerate(chosen, 1)}
        hint = (
            f"Enter for yes; without 1 leaves one out; 1 = {_example(self.units)} changes an amount; no advises nothing"
        )
        if not chosen:
            hint = "Enter for yes"
        return [
            Line("Advise this list?" if chosen else "Advise nothing this round?", "ask"),
            *(Line(f"{n}. {self.told(item, place)}", "item") for n, item in enumerate(chosen, 1)),
            *(Line(f"Left out: {self.told(item, place)}", "item") for item in out),
            Line(f"{hint}{'; all takes back what was left out' if out else ''}; stop leaves; ? explains.", "hint"),
        ]

    def explained(self) -> list[Line]:
        return [
            Line("Enter or yes: the documents for your client are written with this list.", "item"),
            Line("without 1, or without 1 2: these are left out, and with them what is only done after them.", "item"),
            Line(f"1 = {_example(self.units)}: your own amount for number 1.", "item"),
            Line("no: nothing is advised this round. all: what was left out comes back.", "item"),
            Line("stop: leave now. Every answer is saved, and no document is written.", "item"),
            Line("Why each stands here is in the list above. You decide; the list is a proposal."),
        ]

    def change(self, item: Recommendation, typed: str) -> None:
        try:
            mm = parse_length(typed, self.units).mm
        except InvalidLengthError as error:
            self.screen.show([Line(f"{error}.")])
            return
        if mm == 0:
            self.screen.show([Line("To do nothing of it, leave it out, like: without 1.")])
            return
        if not meant(self.screen, self.base, item.alteration, mm, self.units):
            return
        self.amounts[item.alteration] = self.by_hand(item, mm)
        most = self.base.alterations[item.alteration].most_a_round.amount_mm
        if most + 0.5 < mm <= FAR * most:
            limit = format_length(most, self.units)
            self.screen.show([Line(f"That is more than the {limit} one round should take; it is yours to decide.")])

    def by_hand(self, item: Recommendation, mm: float) -> Recommendation:
        text = format_length(mm, self.units)
        return replace(item, amount=replace(item.amount, mm=mm, text=text, basis="The amount your fitter chose"))

    def told(self, item: Recommendation, place: dict[str, int]) -> str:
        after = place.get(self.after(item) or "")
        only = f" (only if needed{f', after {after}' if after else ''})" if item.only_if else ""
        return f"{self.base.alterations[item.alteration].title}, {self.amounts.get(item.alteration, item).amount.text}{only}"

    def as_conclusion(self) -> Conclusion:
        """The conclusion with the fitter's own list: numbered anew, and its sentence said anew."""
        chosen, plan = tuple(self.chosen), self.conclusion.plan
        if chosen == plan.recommendations:
            return self.conclusion
        ranked = tuple(replace(item, rank=rank) for rank, item in enumerate(chosen, 1))
        verdict = "Nothing is altered this round; the fitter decided so."
        if ranked:
            title = self.base.alterations[ranked[0].alteration].title
            verdict = f"First: {lower_first(title)}, {ranked[0].amount.text}."
        return replace(self.conclusion, plan=replace(plan, recommendations=ranked, verdict=verdict))
