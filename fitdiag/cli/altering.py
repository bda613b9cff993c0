"""Carry out typed alterations on a pattern: names, amounts and sides, limits, and trueing."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from fitdiag.cli.arguments import day_of, lengths, rules_of
from fitdiag.knowledge.findings import by_side, meet
from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.formats import by_rules, read_pattern
from fitdiag.pattern.garment import garment_of
from fitdiag.pattern.moves import Step, carry_out
from fitdiag.pattern.piece import Carried, Pattern, Side, faults
from fitdiag.pattern.record import LONGEST_CLIENT
from fitdiag.pattern.true import Trued, true
from fitdiag.plausible import FAR
from fitdiag.problems import ProblemsFoundError, one_line, stop
from fitdiag.units import Units, format_given, format_length, format_reading

_ASKED = re.compile(r"(.*)=\s*([-−]?)\s*(.*?)(?:\s+(left|right))?\s*", re.IGNORECASE | re.DOTALL)
SAME_MM = 1.6  # half an eighth of an inch, so that 3/4 in is not above 19 mm


@dataclass(frozen=True)
class Asked:
    """A requested alteration: amount in mm (negative: the other way) and side (None if not given)."""

    name: str
    amount: float
    side: Side | None = None


@dataclass(frozen=True)
class Work:
    """Alterations carried out on a pattern: the rules they come from, the steps, and warnings."""

    base: RuleBase
    before: Pattern
    steps: tuple[Step, ...]
    day: str
    warnings: tuple[str, ...]

    @property
    def cut(self) -> Pattern:
        """The pattern after all steps, as it is cut."""
        return self.steps[-1].pattern if self.steps else self.before

    def recorded(self, pattern: Pattern) -> Pattern:
        """Return a pattern with the steps added to its record."""
        done = [
            Carried(s.alteration, s.amount, self.base.alterations[s.alteration].title, self.day, s.side)
            for s in self.steps
        ]
        return dataclasses.replace(pattern, carried=(*pattern.carried, *done))


def pattern_and_rules(path: str, rules: str | None) -> tuple[Pattern, RuleBase]:
    """Read a pattern, and the rules given or else those of its garment."""
    named = rules_of(rules) if rules else None
    pattern = read_pattern(path, by_rules(named))
    return pattern, named or load_rules(rules_for(pattern.garment.name))


def asked_of(base: RuleBase, texts: Sequence[str], units: Units) -> list[Asked]:
    """Parse `alteration=amount` texts; the amount may be negative and end in `left` or `right`, and a title works as an id.

    Raises ProblemsFoundError.
    """
    ids = {rule.title.lower(): rule.id for rule in base.alterations.values()}
    found: list[Asked] = []
    for text in texts:
        match = _ASKED.fullmatch(text)
        name, minus, size, side = match.groups() if match else (text, "", None, None)
        plain, side = ids.get(" ".join(name.lower().split()), name), side.lower() if side else None
        given = lengths([plain if size is None else f"{plain}={size}"], units, tuple(sorted(base.alterations)),
                        listed_by="fitdiag rules list alterations")  # fmt: skip
        for known, mm in given.items():
            if any(one.name == known and (one.side == side or None in (one.side, side)) for one in found):
                raise stop("argument", f"'{one_line(known, 60)}' is named twice", hint="give the whole amount once")
            found.append(Asked(known, -mm if minus else mm, side))  # type: ignore[arg-type]
    return found


def warned(base: RuleBase, pattern: Pattern, asked: Sequence[Asked], units: Units) -> tuple[str, ...]:
    """Warn of amounts above the limit for one round or for all rounds. Raises ProblemsFoundError for absurd ones."""
    found = []
    for one in asked:
        named = rule = base.alterations[one.name]
        amount, by = abs(one.amount), format_given(one.amount, units)
        if one.amount < 0 and rule.opposite is not None:
            rule = base.alterations[rule.opposite]  # a negative amount has the limits of the opposite alteration
        most, way = rule.most_a_round.amount_mm, -1.0 if one.amount < 0 else 1.0
        if amount == 0:
            raise stop("amount", f"{named.title}: {by} changes nothing", hint="give an amount above 0, or leave it out")
        if one.side is not None and rule.sides == "both":
            found.append(
                f"{named.title}: this is usually done on both sides alike; it was done on the {one.side} only."
            )
        limit = f"one round takes at most {format_length(way * most, units)}"
        if rule.most_in_all is not None:
            limit += f", all rounds together {format_length(way * rule.most_in_all.amount_mm, units)}"
        if amount > FAR * most:
            raise stop("amount", f"{named.title}: {by} is far too much, {limit}", hint="check the amount and its unit")
        same = [item for item in pattern.carried if item.alteration == rule.id and meet(item.side, one.side or "both")]
        earlier = max(by_side((item.side, item.amount) for item in same))
        whole = earlier + amount
        if amount > most + SAME_MM:
            found.append(f"{named.title}: {by} is beyond the limit, {limit}. You decide; try it on before you cut.")
        elif earlier > 0 and rule.most_in_all is not None and whole > rule.most_in_all.amount_mm + SAME_MM:
            found.append(
                f"{named.title}: with the earlier {format_given(way * earlier, units)} on this pattern it makes"
                f" {format_given(way * whole, units)} in all; {limit}. You decide; try it on before you cut."
            )
    return tuple(found)


def carried_out(
    base: RuleBase, pattern: Pattern, do: Sequence[str], units: Units, day: str | None = None, client: str | None = None
) -> Work:
    """Carry out `alteration=amount` texts in order, within the limits of the rules. Raises ProblemsFoundError."""
    on = day_of(day) if day is not None else date.today()
    if client is not None:
        pattern = dataclasses.replace(pattern, client=one_line(client, LONGEST_CLIENT))
    asked = asked_of(base, do, units)
    pattern = dataclasses.replace(pattern, garment=garment_of(base)) if asked else pattern
    before, warnings = pattern, list(warned(base, pattern, asked, units))
    steps: list[Step] = []
    for one in asked:
        rule = base.alterations[one.name]
        by = f"{rule.title} by {format_given(one.amount, units)}"
        if rule.operation.one_side and one.side is None:
            message = f"{rule.title}: this is done on one side only"
            raise stop("side", message, hint=f"say which, like '{one.name}={format_given(one.amount, units)} left'")
        try:
            step = carry_out(pattern, one.name, one.amount, one.side)
        except ProblemsFoundError as stopped:
            problem = stopped.problems[0]
            raise stop(problem.code, f"{by}: {problem.message}", hint=problem.hint) from None
        pattern = step.pattern
        problems = [fault for piece, _ in pattern.cut() for fault in faults(piece)]
        if problems:
            raise stop("broken", f"{by}: {problems[0].message}", hint="take a smaller amount")
        steps.append(step)
    return Work(base, before, tuple(steps), on.isoformat(), tuple(warnings))


def finished(work: Work, *, as_cut: bool) -> tuple[Pattern, tuple[Trued, ...]]:
    """The pattern after all steps, trued unless `as_cut`, and what trueing changed."""
    return (work.cut, ()) if as_cut else true(work.cut)


def trued_text(one: Trued, units: Units) -> str:
    """`Trued back crotch curve: its length shrinks by 1/8 in`; a change too small for a tape counts as none."""
    piece = one.piece.split(" ")[-1]
    called = one.word if piece in one.word.split() else f"{piece} {one.word}"
    called = f"left {called}" if one.piece.startswith("left ") else called
    by = format_reading(abs(one.change), units)
    if by in ("0 in", "0 cm"):
        return f"Trued {called}: its length stays"
    return f"Trued {called}: its length {'grows' if one.change > 0 else 'shrinks'} by {by}"
