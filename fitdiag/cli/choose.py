"""What only the fitter can say at the ends of a round: what was really done, which of the list is advised, and how much of it."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace

from fitdiag.cli.terminal import Leave, Screen
from fitdiag.interview.answers import agreed
from fitdiag.interview.telling import Line
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.plan import Recommendation
from fitdiag.plausible import FAR, doubt_of_alteration
from fitdiag.problems import one_line
from fitdiag.sessions.case_files import Advised, Carried
from fitdiag.sessions.choice import SAME_MM, Choice
from fitdiag.sessions.state import Conclusion
from fitdiag.units import InvalidLengthError, Units, format_given, format_length, parse_length


def _example(units: Units) -> str:
    return "1,5 cm" if units == "cm" else "1/2 in"


def says_yes(screen: Screen, question: str, choices: str) -> bool:
    """One question that is answered with yes or no, asked until it is; Enter and `not yet` are no."""
    while True:
        screen.show([Line(question, "ask"), Line(choices, "item")])
        typed = screen.read().strip()
        answer = False if typed.lower().rstrip(".") in ("", "not yet", "later") else agreed(typed)
        if answer is not None:
            return answer
        screen.show([Line(f"'{one_line(typed, 20)}' is no answer to that: type 1 or yes, 2 or no.")])


def meant(screen: Screen, base: RuleBase, alteration: str, typed: str, units: Units) -> float | None:
    """An amount typed, in mm; one far above what a round should take is asked back. None, and the reason shown, if it is none."""
    try:
        mm = parse_length(typed, units).mm
    except InvalidLengthError as error:
        screen.show([Line(f"{error}.")])
        return None
    rule = base.alterations.get(alteration)
    doubt = doubt_of_alteration(mm, rule.most_a_round.amount_mm, units) if rule is not None else ""
    return mm if not doubt or says_yes(screen, f"{doubt}. Is it meant so?", "1 yes  2 no, ask again") else None


def ask_done(screen: Screen, base: RuleBase, item: Advised, units: Units) -> Carried:
    """Ask whether something advised was done, and how much of it."""
    known = base.alterations.get(item.alteration)
    title = known.title if known else item.alteration
    amount = f", {format_given(item.amount_mm, units)}" if item.amount_mm else ""
    example = _example(units)
    while True:
        screen.show([
            Line(f"Advised: {title}{amount}. Was it done?", "ask"),
            Line("1 yes  2 no", "item"),
            Line("Or the amount that was really done. ? explains.", "hint"),
        ])  # fmt: skip
        typed = screen.read().strip().lower()
        if agreed(typed):
            return Carried(item.alteration, item.amount_mm)
        if agreed(typed) is False:
            return Carried(item.alteration, None, done=False)
        if typed.startswith("?"):
            screen.show([
                Line("yes: it is in the trousers, with the amount advised.", "item"),
                Line("no: it was left, or undone again.", "item"),
                Line(f"An amount, like {example}: it was done with that instead.", "item"),
                Line("What was really done decides what this try-on should show, and how much there is left to do."),
            ])  # fmt: skip
            continue
        if (mm := meant(screen, base, item.alteration, typed, units)) is not None:
            return Carried(item.alteration, mm or None, done=mm > 0)


Keep = Callable[[Sequence[Recommendation]], None]


def choose(screen: Screen, proposed: Choice, *, ask: bool, keep: Keep) -> Conclusion:
    """The conclusion with the list as the fitter wants it, from what is proposed.

    `keep` is given what is chosen after every change, before the next question. Raises Leave if the fitter leaves without a
    decision.
    """
    choice = proposed
    if not choice.listed or not ask or not screen.interactive:
        return choice.concluded()
    while True:
        screen.show(_question(choice))
        typed = " ".join(screen.read().lower().split())
        if typed in ("", "y", "yes"):
            return choice.concluded()
        if typed in ("stop", "quit", "exit", "leave"):
            raise Leave
        if typed in ("n", "no", "none", "nothing") and choice.chosen:
            return choice.without(item.alteration for item in choice.listed).concluded()
        if typed.startswith("?"):
            screen.show(_explained(choice.units))
            continue
        changed = _changed(screen, choice, typed)
        if changed.chosen != choice.chosen:
            keep(changed.chosen)
        choice = changed


def _changed(screen: Screen, choice: Choice, typed: str) -> Choice:
    """The choice as the fitter changed it by these words; as it was, and the reason shown, where they say nothing of that."""
    chosen = choice.chosen
    if typed in ("n", "no", "none", "nothing") or (typed == "all" and choice.out):
        return replace(choice, out=frozenset())
    if re.fullmatch(r"without \d+(?:(?: |, ?| and )\d+)*", typed):
        numbers = [int(number) for number in re.findall(r"\d+", typed)]
        if all(1 <= number <= len(chosen) for number in numbers):
            named = {chosen[number - 1].alteration for number in numbers}
            less = choice.without(named)
            for item in chosen:
                if item.alteration in less.out - named:
                    title = choice.base.alterations[item.alteration].title
                    screen.show([Line(f"{title} is left out with it: it is only done after it.")])
            return less
    if (match := re.fullmatch(r"(\d+)\s*=\s*(.+)", typed)) and 1 <= int(match[1]) <= len(chosen):
        alteration = chosen[int(match[1]) - 1].alteration
        mm = _amount(screen, choice, alteration, match[2])
        return choice if mm is None else choice.by_hand(alteration, mm)
    screen.show([Line("That is none of these. ? explains.")])
    return choice


def _amount(screen: Screen, choice: Choice, alteration: str, typed: str) -> float | None:
    """The fitter's own amount in mm; None, and the reason shown, where it is none."""
    mm = meant(screen, choice.base, alteration, typed, choice.units)
    if not mm:
        screen.show([Line("To do nothing of it, leave it out, like: without 1.")] if mm == 0 else [])
        return None
    most = choice.base.alterations[alteration].most_a_round.amount_mm
    if most + SAME_MM < mm <= FAR * most:
        limit = format_length(most, choice.units)
        screen.show([Line(f"That is more than the {limit} one round should take; it is yours to decide.")])
    return mm


def _question(choice: Choice) -> list[Line]:
    chosen, out = choice.chosen, [item for item in choice.listed if item.alteration in choice.out]
    place = {item.alteration: number for number, item in enumerate(chosen, 1)}
    hint = "Enter for yes"
    if chosen:
        hint += f"; without 1 leaves one out; 1 = {_example(choice.units)} changes an amount; no advises nothing"

    def told(item: Recommendation) -> str:
        after = place.get(item.only_after or "")
        only = f" (only if needed{f', after {after}' if after else ''})" if item.only_if else ""
        return f"{choice.base.alterations[item.alteration].title}, {item.amount.text}{only}"

    return [
        Line("Advise this list?" if chosen else "Advise nothing this round?", "ask"),
        *(Line(f"{n}. {told(item)}", "item") for n, item in enumerate(chosen, 1)),
        *(Line(f"Left out: {told(item)}", "item") for item in out),
        Line(f"{hint}{'; all takes back what was left out' if out else ''}; stop leaves; ? explains.", "hint"),
    ]


def _explained(units: Units) -> list[Line]:
    return [
        Line("Enter or yes: the documents for your client are written with this list.", "item"),
        Line("without 1, or without 1 2: these are left out, and with them what is only done after them.", "item"),
        Line(f"1 = {_example(units)}: your own amount for number 1.", "item"),
        Line("no: nothing is advised this round. all: what was left out comes back.", "item"),
        Line("stop: leave now. Every answer is saved, and no document is written.", "item"),
        Line("Why each stands here is in the list above. You decide; the list is a proposal."),
    ]
