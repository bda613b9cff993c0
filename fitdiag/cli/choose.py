"""Questions only the fitter can answer at either end of a round: what was really done, and what is advised."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace

from fitdiag.cli.screen import LEAVING, Leave, Screen, says_yes
from fitdiag.diagnosis.belief import lower_first
from fitdiag.interview.telling import Line
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.said import Said, agreed
from fitdiag.planning.plan import Recommendation
from fitdiag.plausible import FAR, doubt_of_alteration
from fitdiag.problems import one_line
from fitdiag.sessions.carried import amounts_of, as_told, read_done, told_amounts
from fitdiag.sessions.case_files import Advised, Carried
from fitdiag.sessions.rounds import SAME_MM, Choice
from fitdiag.sessions.state import Conclusion
from fitdiag.units import InvalidLengthError, Units, format_length, parse_length

_NONE = ("n", "no", "none", "nothing")


def ask_done(screen: Screen, base: RuleBase, items: Sequence[Advised], units: Units) -> tuple[Carried, ...]:
    """Ask whether an advised alteration was done, and by how much; `items`: its entries, one for each side that differs."""
    name = items[0].alteration

    def meaning(typed: str) -> tuple[Carried, ...] | None:
        if (done := agreed(typed)) is not None:
            return as_told(items, Said("yes" if done else "no"))
        read = read_done(base.alterations.get(name), typed, units)
        if read is None:
            screen.show([Line(f"'{one_line(typed, 30)}' is neither yes, no nor an amount.")])
            return None
        meant = all(_is_meant(screen, base, name, mm, units) for mm in amounts_of(read[0]))
        return as_told(items, *read) if meant else None

    amounts = told_amounts(base, items, units)
    question = [
        Line(f"Advised: {lower_first(base.title(name))}{f', {amounts}' if amounts else ''}. Was it done?", "ask"),
        Line("1 yes  2 no", "item"),
        Line(f"Or the amount that was really done, like {_example(units)}.", "hint"),
    ]
    return screen.ask(question, meaning, "")


def _is_meant(screen: Screen, base: RuleBase, alteration: str, mm: float, units: Units) -> bool:
    """Whether an amount is plausible, or is meant although it is not."""
    rule = base.alterations.get(alteration)
    doubt = doubt_of_alteration(mm, rule.most_a_round.amount_mm, units) if rule is not None else ""
    return not doubt or says_yes(screen, f"{doubt}. Is it meant so?", "1 yes  2 no, ask again")


def choose(
    screen: Screen, proposed: Choice, *, ask: bool, keep: Callable[[Sequence[Recommendation]], None]
) -> Conclusion:
    """Let the fitter edit the proposed list, and return the conclusion with it.

    `keep` is called with the chosen list after every change. Raises Leave if the fitter leaves without a decision.
    """
    choice = proposed
    if not choice.listed or not ask or not screen.interactive:
        return choice.concluded()
    while True:
        screen.show(_question(choice))
        typed = " ".join(screen.read().lower().split())
        if typed in ("", "y", "yes"):
            return choice.concluded()
        if typed in LEAVING:
            raise Leave
        if typed in _NONE and choice.chosen:
            return choice.without(item.alteration for item in choice.listed).concluded()
        changed = _changed(screen, choice, typed)
        if changed.chosen != choice.chosen:
            keep(changed.chosen)
        choice = changed


def _changed(screen: Screen, choice: Choice, typed: str) -> Choice:
    """Apply a typed change to the choice; unchanged, with the reason shown, if it is not understood."""
    chosen = choice.chosen
    if typed in _NONE or (typed == "all" and choice.out):
        return replace(choice, out=frozenset())
    if re.fullmatch(r"without \d+(?:(?: |, ?| and )\d+)*", typed):
        numbers = [int(number) for number in re.findall(r"\d+", typed)]
        if all(1 <= number <= len(chosen) for number in numbers):
            named = {chosen[number - 1].alteration for number in numbers}
            less = choice.without(named)
            for item in chosen:
                if item.alteration in less.out - named:
                    title = choice.base.alterations[item.alteration].title
                    screen.show([Line(f"{title} is left out too: it is only done after that one.")])
            return less
    if (match := re.fullmatch(r"(\d+)\s*=\s*(.+)", typed)) and 1 <= int(match[1]) <= len(chosen):
        alteration = chosen[int(match[1]) - 1].alteration
        mm = _amount(screen, choice, alteration, match[2])
        return choice if mm is None else choice.by_hand(alteration, mm)
    screen.show([Line("That is none of these.")])
    return choice


def _amount(screen: Screen, choice: Choice, alteration: str, typed: str) -> float | None:
    """Parse the fitter's own amount in mm; None, with the reason shown, if it is not one."""
    try:
        mm = parse_length(typed, choice.units).mm
    except InvalidLengthError as error:
        screen.show([Line(f"{error}.")])
        return None
    if not mm:
        screen.show([Line("To skip it, leave it out, like: without 1.")])
        return None
    if not _is_meant(screen, choice.base, alteration, mm, choice.units):
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

    def describe(item: Recommendation) -> str:
        after = place.get(item.only_after or "")
        only = f" (only if needed{f', after {after}' if after else ''})" if item.only_if else ""
        return f"{item.title}, {item.much}{only}"

    return [
        Line("Advise this list?" if chosen else "Advise nothing this round?", "ask"),
        *(Line(f"{n}. {describe(item)}", "item") for n, item in enumerate(chosen, 1)),
        *(Line(f"Left out: {describe(item)}", "item") for item in out),
        Line(f"{hint}{'; all takes back what was left out' if out else ''}; stop leaves, and nothing is lost.", "hint"),
    ]


def _example(units: Units) -> str:
    return "1,5 cm" if units == "cm" else "1/2 in"
