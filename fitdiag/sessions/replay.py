"""A log re-derived under today's rules, and what differs from what was concluded when it was written."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from math import isfinite

from fitdiag.diagnosis.belief import chance_words
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import Where, one_line, shown_path, stop
from fitdiag.sessions.log import Event, ReadLog, listed
from fitdiag.sessions.state import Conclusion, State, conclude, conclusion_event, fold
from fitdiag.units import format_given

_NOTICEABLE = 0.05  # a change of probability worth a line


@dataclass(frozen=True)
class Replay:
    """A replayed session: its state and conclusion now, and the differences in words (empty: the same)."""

    state: State
    conclusion: Conclusion
    rules_changed: bool
    differences: tuple[str, ...]


def replay(log: ReadLog, base: RuleBase) -> Replay:
    """Re-derive a log. Raises ProblemsFoundError if it belongs to another garment."""
    refuse_other_garment(log, base)
    state = fold(log.events, base)
    conclusion = conclude(base, state.findings)
    changed = log.rules.get("fingerprint") != base.fingerprint
    differences = left_out(state, base)
    if state.recorded is not None:
        differences += _differences(state.recorded, conclusion_event(conclusion), base, state)
    return Replay(state, conclusion, changed, tuple(differences))


def left_out(state: State, base: RuleBase) -> list[str]:
    """In words, the answers of a log that cannot be counted: of rules that are no more, or damaged."""
    known = {*base.symptoms, *base.body_notes, *base.alterations}
    return [
        f"What was saved about '{rule}' cannot be read; it is left out."
        if rule in known
        else f"These rules do not know '{rule}'; the answer is left out."
        for rule in state.unknown
    ]


def refuse_other_garment(log: ReadLog, base: RuleBase) -> None:
    """A log of another garment cannot be read with these rules."""
    garment = log.head["rules"].get("garment")
    if garment != base.about.garment:
        raise stop(
            "garment",
            f"this log is about {one_line(garment, 40)}, these rules are for {base.about.garment}",
            where=Where(shown_path(log.path), 1, 1),
            hint="give the rules it was written with: --rules DIR",
        )


def _differences(then: Event, today: Event, base: RuleBase, state: State) -> list[str]:
    lines: list[str] = []
    before, after = (_pairs(event, "causes", "id", "probability") for event in (then, today))
    for cause in sorted(set(before) | set(after)):
        title = base.causes[cause].title if cause in base.causes else one_line(cause, 60)
        old, new = before.get(cause), after.get(cause)
        if old is None or new is None:
            continue  # below the few that are recorded, then or now
        if abs(new - old) >= _NOTICEABLE:
            lines.append(f"{title}: {chance_words(old)} then, {chance_words(new)} now.")
    for kind, key in (("recommended", "recommendations"), ("left alone", "leave_alone")):
        old_ids = [_name(item) for item in listed(then, key) if _name(item)]
        new_ids = [_name(item) for item in today[key]]
        lines += [f"Then {kind}, now not: {_title(base, name)}." for name in old_ids if name not in new_ids]
        lines += [f"Now {kind}, then not: {_title(base, name)}." for name in new_ids if name not in old_ids]
    old_amounts, amounts = (_pairs(event, "recommendations", "alteration", "amount_mm") for event in (then, today))
    for name, amount in amounts.items():
        old = old_amounts.get(name)
        if old is not None and abs(old - amount) > 0.5:
            units = state.findings.units
            lines.append(f"{_title(base, name)}: {format_given(old, units)} then, {format_given(amount, units)} now.")
    return lines


def _pairs(event: Event, under: str, key: str, value: str) -> dict[str, float]:
    """`{item[key]: item[value]}` of a recorded list; whatever is not of that form is passed over."""
    result: dict[str, float] = {}
    for item in listed(event, under):
        if isinstance(item, dict) and isinstance(item.get(key), str) and isinstance(item.get(value), int | float):
            with suppress(OverflowError):  # a number of hundreds of digits was never written by the program
                if isfinite(number := float(item[value])):
                    result[item[key]] = number
    return result


def _name(item: object) -> str:
    value = item.get("alteration") if isinstance(item, dict) else item
    return value if isinstance(value, str) else ""


def _title(base: RuleBase, alteration: str) -> str:
    return base.alterations[alteration].title if alteration in base.alterations else one_line(alteration, 60)
