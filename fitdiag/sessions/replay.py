"""A log re-derived under today's rules: beside what was concluded when it was written, and beside another fitter's.

Of two fitters' sessions about the same muslin each difference is tried by itself: in A's findings this one is put as B has it,
and everything is worked out again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from math import isfinite
from pathlib import Path
from typing import Any, Literal

from fitdiag.diagnosis.belief import chance_words, lower_first
from fitdiag.knowledge.findings import TAPE_MM, Done, Finding, Findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import Where, one_line, shown_path, stop
from fitdiag.sessions.log import Event, ReadLog, listed, read_log
from fitdiag.sessions.state import Conclusion, State, conclude, conclusion_event, fold
from fitdiag.units import format_given, format_reading

SCHEMA = "fitdiag.comparison/1"
_EQUAL = 12  # decimals to which beliefs count as equal
NOTICEABLE = 0.05  # a change of belief worth a word


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
        told = f"this log is about {one_line(garment, 40)}, these rules are for {base.about.garment}"
        where, hint = Where(shown_path(log.path), 1, 1), "give the rules it was written with: --rules DIR"
        raise stop("garment", told, where=where, hint=hint)


def _differences(then: Event, today: Event, base: RuleBase, state: State) -> list[str]:
    lines: list[str] = []
    before, after = (_pairs(event, "causes", "id", "probability") for event in (then, today))
    for cause in sorted(set(before) | set(after)):
        title = base.causes[cause].title if cause in base.causes else one_line(cause, 60)
        old, new = before.get(cause), after.get(cause)
        if old is None or new is None:
            continue  # below the few that are recorded, then or now
        if abs(new - old) >= NOTICEABLE:
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


# -- two fitters' sessions ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Opinion:
    """What one session comes to: the leading cause, the beliefs, the alterations recommended in order; what was left out."""

    findings: Findings
    probability: Mapping[str, float]
    leading: str | None
    recommended: tuple[str, ...]
    left_out: tuple[str, ...] = ()

    @property
    def chance(self) -> float:
        """How likely the leading cause is."""
        return self.probability[self.leading] if self.leading else 0.0

    @property
    def first(self) -> str | None:
        return next(iter(self.recommended), None)


@dataclass(frozen=True)
class Difference:
    """One thing answered differently: A's opinion as it is (`now`), and what it becomes if this one is put as in B (`then`).

    `a` and `b` are the answers in words, empty where nothing was answered.
    """

    kind: Literal["symptom", "body", "done"]
    id: str
    a: str
    b: str
    now: Opinion
    then: Opinion

    def _moved(self, cause: str) -> float:
        return abs(self.then.probability[cause] - self.now.probability[cause])

    @cached_property
    def most(self) -> str:
        """The cause of which the belief moves furthest."""
        return max(self.now.probability, key=lambda cause: (round(self._moved(cause), _EQUAL), cause))

    @property
    def moved(self) -> float:
        """How far the belief that moves furthest moves."""
        return self._moved(self.most)

    @property
    def matters(self) -> bool:
        """Whether it changes the leading cause or the first recommendation."""
        return (self.then.leading, self.then.first) != (self.now.leading, self.now.first)


@dataclass(frozen=True)
class Comparison:
    """Two sessions side by side; the differences with the heaviest first."""

    a: Opinion
    b: Opinion
    both: int
    alike: int
    differences: tuple[Difference, ...]
    verdict: str


def compare_logs(one: Path, other: Path, base: RuleBase) -> Comparison:
    """Compare two session logs. Raises ProblemsFoundError if one of them cannot be read under these rules."""
    opinions = []
    for path in (one, other):
        log = read_log(path)
        refuse_other_garment(log, base)
        state = fold(log.events, base)
        opinions.append(opinion_of(base, state.findings, left_out(state, base)))
    return compare(base, *opinions)


def opinion_of(base: RuleBase, findings: Findings, omitted: Iterable[str] = ()) -> Opinion:
    """What findings come to."""
    conclusion = conclude(base, findings)
    diagnosis = conclusion.diagnosis
    order = sorted(
        diagnosis.probability, key=lambda cause: (-round(diagnosis.probability[cause], _EQUAL), cause)
    )  # the same order as the beliefs, without their reasons
    leading = next((cause for cause in order if diagnosis.has_sign(cause)), None)  # no sign, no cause to speak of
    recommended = tuple(item.alteration for item in conclusion.plan.recommendations)
    return Opinion(findings, diagnosis.probability, leading, recommended, tuple(omitted))


def compare(base: RuleBase, a: Opinion, b: Opinion) -> Comparison:
    """Two opinions side by side."""
    differences = [
        Difference(kind, rule, mine, theirs, a, opinion_of(base, changed))
        for kind, rule, mine, theirs, changed in _changes(base, a.findings, b.findings)
    ]
    differences.sort(key=lambda item: (not item.matters, -round(item.moved, _EQUAL), item.kind, item.id))
    seen = [
        {name: item.seen for name, item in one.findings.symptoms.items() if item.seen != "unsure"} for one in (a, b)
    ]
    shared = seen[0].keys() & seen[1].keys()
    alike = sum(seen[0][symptom] == seen[1][symptom] for symptom in shared)
    return Comparison(a, b, len(shared), alike, tuple(differences), _verdict(a, b, differences))


def _verdict(a: Opinion, b: Opinion, differences: list[Difference]) -> str:
    cause, first = a.leading == b.leading, a.first == b.first
    if cause and first:
        all_same = set(a.recommended) == set(b.recommended)
        tail = "" if all_same else " The alterations after the first are not all the same."
        if not differences:
            return "Both say the same and come to the same."
        return f"Both come to the same leading cause and the same first alteration.{tail}"
    apart = "neither the leading cause nor the first alteration is the same"
    if cause or first:
        same, other = ("leading cause", "first alteration")[:: 1 if cause else -1]
        apart = f"the {same} is the same, the {other} is not"
    alone = "" if any(item.matters for item in differences) else " No one answer turns it; only several together do."
    return f"They come to different ends: {apart}.{alone}"


_Changed = tuple[Literal["symptom", "body", "done"], str, str, str, Findings]


def _changes(base: RuleBase, a: Findings, b: Findings) -> Iterable[_Changed]:
    """Everything answered differently: kind, id, A's answer, B's answer, and A's findings with this one as in B."""
    for symptom in (*a.symptoms, *(symptom for symptom in b.symptoms if symptom not in a.symptoms)):
        mine, theirs = a.symptoms.get(symptom), b.symptoms.get(symptom)
        if not _differ(mine, theirs):
            continue
        if theirs is None or theirs.seen == "unsure":
            changed = replace(a, symptoms={name: item for name, item in a.symptoms.items() if name != symptom})
        else:
            changed = a.with_finding(theirs)
        yield "symptom", symptom, _told(mine, a), _told(theirs, b), changed
    for note in (*a.body, *(note for note in b.body if note not in a.body)):
        grade, other = a.body.get(note, ""), b.body.get(note, "")
        if (grade if grade != "no" else "") != (other if other != "no" else ""):
            body = {name: value for name, value in a.body.items() if name != note}
            yield "body", note, grade, other, replace(a, body={**body, note: other} if other else body)
    for alteration in dict.fromkeys(done.alteration for done in (*a.done, *b.done)):
        ours, others = _of(a.done, alteration), _of(b.done, alteration)
        if sorted(map(_amount, ours)) != sorted(map(_amount, others)):
            rest = tuple(done for done in a.done if done.alteration != alteration)
            yield "done", alteration, _told_done(ours, a), _told_done(others, b), replace(a, done=(*rest, *others))


def _of(done: tuple[Done, ...], alteration: str) -> tuple[Done, ...]:
    return tuple(item for item in done if item.alteration == alteration)


def _amount(done: Done) -> float:
    return -1.0 if done.amount_mm is None else round(done.amount_mm)


def _differ(one: Finding | None, other: Finding | None) -> bool:
    seen = [None if item is None or item.seen == "unsure" else item.seen for item in (one, other)]
    if seen == [None, None]:
        return False
    if one is None or other is None or seen[0] != seen[1]:
        return True
    if one.amount_mm is not None and other.amount_mm is not None:
        return abs(one.amount_mm - other.amount_mm) > TAPE_MM or one.side != other.side
    return (
        (one.amount_mm is None) != (other.amount_mm is None) or one.severity != other.severity or one.side != other.side
    )


def _told(finding: Finding | None, findings: Findings) -> str:
    """An answer by itself: `yes, 3/4 in, left`."""
    if finding is None:
        return ""
    parts = [{"yes": "seen", "no": "not seen"}.get(finding.seen, "can't say")]
    if finding.amount_mm is not None:
        parts.append(format_reading(finding.amount_mm, findings.units))
    parts += [part for part in (finding.severity, finding.side) if part]
    return ", ".join(parts)


def _told_done(done: tuple[Done, ...], findings: Findings) -> str:
    return " and ".join(
        format_given(item.amount_mm, findings.units) if item.amount_mm is not None else "amount not known"
        for item in done
    )


# -- in words and as data --------------------------------------------------------------------------------------------------


def _alteration(base: RuleBase, alteration: str | None) -> str:
    return lower_first(base.alterations[alteration].title) if alteration else "nothing yet"


def told_conclusion(base: RuleBase, opinion: Opinion) -> str:
    """What one session comes to, in a line."""
    if opinion.leading is None:
        return "No sign was seen, so no cause leads and nothing is advised."
    return (
        f"{base.causes[opinion.leading].title} ({chance_words(opinion.chance)});"
        f" first: {_alteration(base, opinion.first)}."
    )


def difference_title(base: RuleBase, difference: Difference) -> str:
    """What is answered differently, by its title."""
    tables: Mapping[str, Mapping[str, Any]] = {
        "symptom": base.symptoms, "body": base.body_notes, "done": base.alterations,
    }  # fmt: skip
    title: str = tables[difference.kind][difference.id].title
    return f"Done before: {lower_first(title)}" if difference.kind == "done" else title


def told_difference(base: RuleBase, difference: Difference) -> str:
    """One difference and what it does, in words."""
    nothing = "not noted" if difference.kind != "symptom" else "not answered"
    text = f"{difference_title(base, difference)}. A: {difference.a or nothing}. B: {difference.b or nothing}."
    turned = []
    now, then, cause = difference.now, difference.then, difference.most
    if then.leading != now.leading:
        turned.append(f"{lower_first(base.causes[then.leading].title) if then.leading else 'no cause'} leads")
    if then.first != now.first:
        turned.append(f"the first alteration is: {_alteration(base, then.first)}")
    if turned:
        text += f" With B's answer in A, {' and '.join(turned)}."
    if difference.moved >= NOTICEABLE:
        before, after = (chance_words(one.probability[cause]) for one in (now, then))
        text += f" {base.causes[cause].title}: {before}, then {after}."
    return text


def as_data(comparison: Comparison) -> dict[str, Any]:
    """The comparison as one JSON object."""

    def opinion(one: Opinion) -> dict[str, Any]:
        return {
            "leading_cause": one.leading,
            "probability": round(one.chance, 6),
            "recommendations": list(one.recommended),
            "left_out": len(one.left_out),
        }

    return {
        "schema": SCHEMA,
        "a": opinion(comparison.a),
        "b": opinion(comparison.b),
        "same_leading_cause": comparison.a.leading == comparison.b.leading,
        "same_first_recommendation": comparison.a.first == comparison.b.first,
        "answered_by_both": comparison.both,
        "alike": comparison.alike,
        "verdict": comparison.verdict,
        "differences": [
            {
                **{name: getattr(item, name) for name in ("kind", "id", "a", "b", "matters")},
                "then_leading_cause": item.then.leading,
                "then_first_recommendation": item.then.first,
                "moves_most": {
                    "cause": item.most,
                    "from": round(item.now.probability[item.most], 6),
                    "to": round(item.then.probability[item.most], 6),
                },
            }
            for item in comparison.differences
        ],
    }
