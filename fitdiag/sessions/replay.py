"""Re-derive a log under today's rules, and compare it with its recorded conclusion or with another fitter's log.

For two fitters' sessions about the same muslin each difference is tried alone: A's findings with this one answer from B, all
worked out again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from fitdiag.diagnosis.belief import chance_words
from fitdiag.knowledge.findings import TAPE_MM, Done, Finding, Findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import Where, one_line, shown_path, stop
from fitdiag.sessions.log import Event, ReadLog, listed, read_log
from fitdiag.sessions.state import Conclusion, Number, State, conclude, conclusion_event, fold, read_as
from fitdiag.units import Units, format_given, format_reading

SCHEMA = "fitdiag.comparison/1"
_EQUAL = 12  # decimals to which beliefs count as equal
NOTICEABLE = 0.05  # a change of belief worth a word


@dataclass(frozen=True)
class Replay:
    """A replayed session: its state and conclusion now, and the differences in words (empty if none)."""

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
    """Describe the answers of a log that cannot be used: damaged, or about rules that no longer exist."""
    known = {*base.symptoms, *base.body_notes, *base.alterations}
    return [
        f"What was saved about '{rule}' cannot be read; it is left out."
        if rule in known
        else f"These rules do not know '{rule}'; the answer is left out."
        for rule in state.unknown
    ]


def refuse_other_garment(log: ReadLog, base: RuleBase) -> None:
    """Refuse a log of another garment. Raises ProblemsFoundError."""
    garment = log.head["rules"].get("garment")
    if garment != base.about.garment:
        message = f"this log is about {one_line(garment, 40)}, these rules are for {base.about.garment}"
        where, hint = Where(shown_path(log.path), 1, 1), "give its garment, like --garment skirt, or --rules DIR"
        raise stop("garment", message, where=where, hint=hint)


def _differences(then: Event, today: Event, base: RuleBase, state: State) -> list[str]:
    lines: list[str] = []
    before, after = (_numbers(event, "causes", "id", "probability") for event in (then, today))
    for cause in sorted(before.keys() & after.keys()):  # only the few likeliest are recorded
        if abs(after[cause] - before[cause]) >= NOTICEABLE:
            title = base.title(cause)
            lines.append(f"{title}: {chance_words(before[cause])} then, {chance_words(after[cause])} now.")
    for kind, key in (("Recommended", "recommendations"), ("Left alone", "leave_alone")):
        old, new = (
            [name for item in listed(event, key)
             if isinstance(name := item.get("alteration") if isinstance(item, dict) else item, str)]
            for event in (then, today)
        )  # fmt: skip
        lines += [f"{kind} then, not now: {base.title(name)}." for name in old if name not in new]
        lines += [f"{kind} now, not then: {base.title(name)}." for name in new if name not in old]
    amounts = [_numbers(event, "recommendations", "alteration", "amount_mm") for event in (then, today)]
    for name in amounts[1]:
        was, now = amounts[0].get(name), amounts[1][name]
        if was is not None and abs(was - now) > 0.5:
            old_text, new_text = (format_given(mm, state.findings.units) for mm in (was, now))
            lines.append(f"{base.title(name)}: {old_text} then, {new_text} now.")
    return lines


def _numbers(event: Event, under: str, key: str, value: str) -> dict[str, float]:
    """`{item[key]: item[value]}` of a recorded list; malformed items are skipped."""
    items = [item for item in listed(event, under) if isinstance(item, dict) and isinstance(item.get(key), str)]
    return {item[key]: number for item in items if (number := read_as(Number, item.get(value))) is not None}


# -- two fitters' sessions ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Opinion:
    """What one session concludes: beliefs, leading cause, recommended alterations in order; what was left out."""

    findings: Findings
    probability: Mapping[str, float]
    leading: str | None
    recommended: tuple[str, ...]
    left_out: tuple[str, ...] = ()

    @property
    def chance(self) -> float:
        """Probability of the leading cause."""
        return self.probability[self.leading] if self.leading else 0.0

    @property
    def first(self) -> str | None:
        return next(iter(self.recommended), None)


@dataclass(frozen=True)
class Difference:
    """One thing answered differently: A's opinion as it is (`now`), and with B's answer to this one (`then`).

    `a` and `b` are the answers in words, empty if unanswered.
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
        """The cause whose belief moves furthest."""
        return max(self.now.probability, key=lambda cause: (round(self._moved(cause), _EQUAL), cause))

    @property
    def moved(self) -> float:
        """The largest change of a belief."""
        return self._moved(self.most)

    @property
    def matters(self) -> bool:
        """Whether it changes the leading cause or the first recommendation."""
        return (self.then.leading, self.then.first) != (self.now.leading, self.now.first)


@dataclass(frozen=True)
class Comparison:
    """Two sessions compared; the differences that matter most first."""

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
    """Conclude from findings."""
    conclusion = conclude(base, findings)
    diagnosis = conclusion.diagnosis
    order = sorted(
        diagnosis.probability, key=lambda cause: (-round(diagnosis.probability[cause], _EQUAL), cause)
    )  # same order as the beliefs, without working out their reasons
    leading = next((cause for cause in order if diagnosis.has_sign(cause)), None)  # no sign, no cause to speak of
    recommended = tuple(item.alteration for item in conclusion.plan.recommendations)
    return Opinion(findings, diagnosis.probability, leading, recommended, tuple(omitted))


def compare(base: RuleBase, a: Opinion, b: Opinion) -> Comparison:
    """Compare two opinions."""
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
        if not differences:
            return "Both give the same answers and reach the same conclusion."
        same = set(a.recommended) == set(b.recommended)
        tail = "" if same else " The alterations after the first are not all the same."
        return f"Both come to the same leading cause and the same first alteration.{tail}"
    apart = "neither the leading cause nor the first alteration is the same"
    if cause or first:
        same_one, other = ("leading cause", "first alteration")[:: 1 if cause else -1]
        apart = f"the {same_one} is the same, the {other} is not"
    alone = "" if any(item.matters for item in differences) else " No single answer does it, only several together."
    return f"They reach different conclusions: {apart}.{alone}"


_Changed = tuple[Literal["symptom", "body", "done"], str, str, str, Findings]


def _changes(base: RuleBase, a: Findings, b: Findings) -> Iterable[_Changed]:
    """Yield everything answered differently: kind, id, A's answer, B's answer, and A's findings with B's answer."""
    for symptom in {**a.symptoms, **b.symptoms}:
        mine, theirs = (one.symptoms.get(symptom, Finding(symptom, "unsure")) for one in (a, b))
        if not _differ(mine, theirs):
            continue
        changed = {**a.symptoms, symptom: theirs}
        if theirs.seen == "unsure":
            del changed[symptom]
        said, other = (_finding_text(one.symptoms.get(symptom), one.units) for one in (a, b))
        yield "symptom", symptom, said, other, replace(a, symptoms=changed)
    for note in {**a.body, **b.body}:
        grade, other = a.body.get(note, ""), b.body.get(note, "")
        if grade != other and {grade, other} != {"", "no"}:
            body = {name: value for name, value in {**a.body, note: other}.items() if value}
            yield "body", note, grade, other, replace(a, body=body)
    for alteration in dict.fromkeys(item.alteration for item in (*a.done, *b.done)):
        ours, others = (tuple(item for item in one.done if item.alteration == alteration) for one in (a, b))
        if sorted(map(_amount, ours)) != sorted(map(_amount, others)):
            rest = tuple(item for item in a.done if item.alteration != alteration)
            said, other = _done_text(ours, a.units), _done_text(others, b.units)
            yield "done", alteration, said, other, replace(a, done=(*rest, *others))


def _amount(done: Done) -> float:
    return -1.0 if done.amount_mm is None else round(done.amount_mm)


def _differ(one: Finding, other: Finding) -> bool:
    if one.seen == other.seen == "unsure":
        return False
    if one.amount_mm is not None and other.amount_mm is not None:
        alike = abs(one.amount_mm - other.amount_mm) <= TAPE_MM
    else:
        alike = one.amount_mm == other.amount_mm and one.severity == other.severity
    return not alike or one.seen != other.seen or one.side != other.side


def _finding_text(finding: Finding | None, units: Units) -> str:
    """An answer on its own: `seen, 3/4 in, left`."""
    if finding is None:
        return ""
    seen = {"yes": "seen", "no": "not seen", "unsure": "can't say"}[finding.seen]
    amount = format_reading(finding.amount_mm, units) if finding.amount_mm is not None else None
    return ", ".join(part for part in (seen, amount, finding.severity, finding.side) if part)


def _done_text(done: Iterable[Done], units: Units) -> str:
    amounts = (item.amount_mm for item in done)
    return " and ".join("amount not known" if mm is None else format_given(mm, units) for mm in amounts)


# -- as data --------------------------------------------------------------------------------------------------------------


def as_data(comparison: Comparison) -> dict[str, Any]:
    """The comparison as a JSON object."""
    a, b = comparison.a, comparison.b
    sides = {
        name: {
            "leading_cause": one.leading, "probability": round(one.chance, 6), "recommendations": list(one.recommended),
            "left_out": len(one.left_out),
        }
        for name, one in (("a", a), ("b", b))
    }  # fmt: skip
    differences = [
        {name: getattr(item, name) for name in ("kind", "id", "a", "b", "matters")}
        | {"then_leading_cause": item.then.leading, "then_first_recommendation": item.then.first}
        | {"moves_most": {"cause": item.most, "from": round(item.now.probability[item.most], 6),
                          "to": round(item.then.probability[item.most], 6)}}
        for item in comparison.differences
    ]  # fmt: skip
    return {
        "schema": SCHEMA, **sides, "same_leading_cause": a.leading == b.leading,
        "same_first_recommendation": a.first == b.first, "answered_by_both": comparison.both, "alike": comparison.alike,
        "verdict": comparison.verdict, "differences": differences,
    }  # fmt: skip
