"""Count what was read, and say what was counted, what was not, and why."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from fitdiag.diagnosis.belief import done_text, finding_text, lower_first
from fitdiag.interview.answers import read_answer
from fitdiag.interview.telling import Line
from fitdiag.knowledge.findings import Done, Finding, Origin
from fitdiag.knowledge.model import Symptom
from fitdiag.knowledge.said import ROUND, Said
from fitdiag.plausible import doubt_of_sign
from fitdiag.problems import one_line
from fitdiag.sessions.state import AWAITS, answer_event, done_event
from fitdiag.units import MM_PER_INCH, Length, Units, format_length

if TYPE_CHECKING:
    from fitdiag.interview.engine import Interview

NUMBER_ALONE = re.compile(r"[\d.,/ ]+")
NOT_MEASURED = frozenset(("", "no", "n", "not measured", "unknown", "not known", "enter"))


def count_signs(talk: Interview, read: Mapping[str, Said], origin: Origin, *, ask: bool = False) -> list[Line]:
    """Count the answers about some signs, and say what was refused and why.

    `ask`: ask for the amount of a single sign, if it matters.
    """
    symptoms, units = talk.base.symptoms, talk.findings.units
    refused = {name: why for name, said in read.items() if (why := why_not(symptoms[name], said, units))}
    taken = {name: said.finding(symptoms[name], origin) for name, said in read.items() if name not in refused}
    lines = [Line(f"{symptoms[name].title}: {why}.") for name, why in refused.items()]
    if not taken:
        return lines
    again = frozenset(name for name in taken if read[name].look_again)
    seen = [lower_first(finding_text(talk.base, one, talk.findings)) for one in taken.values() if one.seen == "yes"]
    absent = [one for one in taken.values() if one.seen == "no" and not one.amount_mm]
    if seen:
        lines.insert(0, Line(f"Seen: {'; '.join(seen)}."))
    lines += [Line(_too_little(talk, one)) for one in taken.values() if one.seen == "no" and one.amount_mm]
    if absent and len(read) > 1:
        lines.append(Line(f"Not there: {len(absent)} of {len(read)}."))
    elif absent:  # said, since a word may have been read otherwise than it was meant
        lines.append(Line(f"{finding_text(talk.base, absent[0], talk.findings)}."))
    if again:
        titles = "; ".join(lower_first(symptoms[name].title) for name in sorted(again))
        lines.append(Line(f"To look at again: {titles}."))
    more = {name: read[name].more for name in taken if read[name].more is not None}
    one = next(iter(taken.values()))
    if ask and one.seen == "yes" and one.amount_mm is None and one.severity is None and one.symptom in talk.cut_by:
        talk.record({**answer_event(one), AWAITS: "amount"})
    else:
        lines += talk.count(*taken.values(), again=again)
    for name, side in more.items():  # no rule weighs it, so it is kept as a note
        talk.record({"event": "note", "text": f"{symptoms[name].title}: more on the {side}"})
        lines.append(Line(f"That it is more on the {side} is kept as a note."))
    return lines


def why_not(symptom: Symptom, said: Said, units: Units) -> str:
    """Why an answer about a sign cannot be counted; empty if it can."""
    length = said.length
    if said.seen != "yes" or length is None:
        return ""
    if symptom.measure is None:
        return "this sign has no amount: write yes or no, or how strong it is"
    doubt = doubt_of_sign(symptom.measure.most_mm, length.mm)
    reason = f"{doubt}; write what was measured, or slight, clear or strong" if doubt else ""
    return _without_unit(length, units) or reason


def _too_little(talk: Interview, finding: Finding) -> str:
    measure = talk.base.symptoms[finding.symptom].measure
    assert measure is not None
    least = format_length(measure.seen_from_mm, talk.findings.units)
    from_there = f"from {least} {'on' if measure.worse == 'more' else 'down'}"
    return f"{finding_text(talk.base, finding, talk.findings)}. That does not count yet; it counts {from_there}."


def count_done(talk: Interview, done: Done, typed: str) -> list[Line]:
    """Count the amount and the round of an earlier alteration."""
    amount, number = None, done.round
    if match := ROUND.search(typed.lower()):
        number = max(1, int(match[1]))
        typed = (typed[: match.start()] + typed[match.end() :]).strip(" ,")
    said = read_answer(typed, talk.findings.units)
    if typed.lower() not in NOT_MEASURED and not (said is not None and said.seen == "unsure"):
        if said is None:
            like = f"write it like {talk.sample}, or Enter if not known"
            return [Line(f"'{one_line(typed, 30)}' is not an amount; {like}.")]
        if said.length is None:
            if said.side is not None:
                talk.record({**done_event(replace(done, side=said.side)), AWAITS: "amount"})
            return [Line("How much is that, as a length?")]
        if not NUMBER_ALONE.fullmatch(typed) and (what := _without_unit(said.length, talk.findings.units)):
            return [Line(f"{what}.")]
        amount = said.length.mm
    side = said.side if said is not None and said.side is not None else done.side
    done = replace(done, amount_mm=amount, round=number, side=side)
    talk.record(done_event(done))
    return [Line(f"Done before: {done_text(talk.base, done, talk.findings.units)}, round {number}.")]


def count_body(talk: Interview, notes: Mapping[str, str]) -> list[Line]:
    """Count body notes with their grades."""
    talk.record({"event": "body", "notes": dict(notes)})
    titles = [
        lower_first(talk.base.body_notes[note].title) + (" (marked)" if grade == "marked" else "")
        for note, grade in notes.items()
    ]
    return [Line(f"Counted: {'; '.join(titles)}.")]


def _without_unit(length: Length, units: Units) -> str:
    """Ask for the unit of a bare whole number, which may as well be a choice from a list; empty for any other length."""
    number = round(length.mm / (MM_PER_INCH if units == "in" else 10.0), 6)
    if length.unit is not None or number <= 0 or not number.is_integer():
        return ""
    return f"{number:g} what? Write the unit with it: {number:g} in, {number:g} cm or {number:g} mm"
