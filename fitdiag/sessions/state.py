"""The state of a session, a pure fold of its events: the same events give the same state, live or in a replay."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Any

from pydantic import Field, ValidationError

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.knowledge.findings import Contradiction, Done, Earlier, Finding, Findings, Mm, settle
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.reading import adapter
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import Plan, make_plan
from fitdiag.plausible import BODY_MM
from fitdiag.problems import one_line
from fitdiag.sessions.log import Event, listed, mapped
from fitdiag.units import Units

STAGES = ("history", "body", "seen", "questions")
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
AWAITS = "awaits"  # marks an answer saved before its amount is known
_UNDOABLE = ("answer", "body", "done", "measures", "stage", "offered")


@dataclass(frozen=True)
class State:
    """A session so far. `ended`: finished stages of the interview; `unknown`: ids these rules do not know.

    `awaiting`: the latest answer if its amount is still to come; `offered`: measured in pictures, neither confirmed nor refused
    yet; `before`: what was seen at the previous try-on; `recorded`: the conclusion, if nothing was answered after it;
    `again`: signs to photograph or ask about at the next try-on. `kept`: words said before their stage, as (stage, words).
    `sentences`: by symptom, the sentence of a mail or form that an offered finding was read from. `open`: signs shown with the last
    one answered and not answered yet; those taken back come first.
    """

    findings: Findings
    ended: frozenset[str] = frozenset()
    last_symptom: str | None = None
    unknown: tuple[str, ...] = ()
    steps: int = 0
    recorded: Event | None = None
    awaiting: Finding | Done | None = None
    offered: tuple[Finding, ...] = ()
    before: tuple[Finding, ...] = ()
    kept: tuple[tuple[str, str], ...] = ()
    again: frozenset[str] = frozenset()
    sentences: Mapping[str, str] = field(default_factory=dict)
    open: tuple[str, ...] = ()


def read_as(kind: Any, value: object) -> Any:
    """Validate a value of the log as a type; None if an edit or a disk fault has damaged it."""
    try:
        return adapter(kind).validate_python(value)
    except ValidationError:
        return None


def fold(events: Iterable[Event], base: RuleBase) -> State:
    """Return the state after all events; `back` events undo the latest steps."""
    head: Event = {}
    steps: list[Event] = []
    notes: list[str] = []
    before: tuple[Finding, ...] = ()
    kept: list[tuple[str, str]] = []
    known = 0  # number of steps known before the questions began; `back` does not undo them
    recorded: Event | None = None
    returned: list[object] = []  # the signs to ask again after a `back`
    for event in events:
        kind = event["event"]
        if kind == "start":
            head = event
        elif kind == "back":
            count = event.get("steps")
            for _ in range(min(count if isinstance(count, int) and count > 0 else 1, len(steps) - known)):
                taken = steps.pop()
                returned = [*([taken.get("symptom")] if taken.get("origin") == "asked" else []),
                            *(returned or listed(taken, "open"))]  # fmt: skip
            recorded = None
        elif kind == "note":
            notes.append(one_line(event.get("text", ""), 500))
        elif kind == "kept" and event.get("stage") in STAGES:
            kept.append((event["stage"], one_line(event.get("words", ""), 500)))
        elif kind == "before":
            before, known = found_in(event, base), len(steps)
        elif kind == "conclusion":
            recorded = event
        elif kind in _UNDOABLE:
            recorded, returned = None, []
            of_what = ("event", "symptom", "alteration")
            if steps and steps[-1].get(AWAITS) and all(event.get(key) == steps[-1].get(key) for key in of_what):
                steps.pop()  # it brings the amount the previous one was waiting for: both are one step
            steps.append(event)
    units: Units = "cm" if head.get("units") == "cm" else "in"
    findings = Findings(units=units, client=one_line(head.get("client", ""), 80), notes=tuple(notes))
    state = State(findings, before=before, kept=tuple(kept), recorded=recorded, steps=len(steps) - known)
    for event in steps:
        state = _apply(state, event, base)
    if open_again := _known_signs(returned, base):
        state = replace(state, open=open_again)
    if steps and steps[-1].get(AWAITS):
        finding, done = finding_from(steps[-1], base), _done_from(steps[-1], base)
        measurable = finding is not None and base.symptoms[finding.symptom].measure is not None
        state = replace(state, awaiting=done if steps[-1]["event"] == "done" else finding if measurable else None)
    return state


def _known_signs(names: Iterable[object], base: RuleBase) -> tuple[str, ...]:
    return tuple(name for name in names if isinstance(name, str) and name in base.symptoms)


def _apply(state: State, event: Event, base: RuleBase) -> State:
    findings, unknown = state.findings, state.unknown
    match event["event"]:
        case "stage":
            ended = event.get("ended")
            looked = findings.looked or (ended == "seen" and event.get("looked") is True)
            return replace(state, ended=state.ended | {str(ended)}, findings=replace(findings, looked=looked))
        case "body":
            given = mapped(event, "notes")
            grades = (*base.words.body_grades.words, "no")
            known = {note: grade for note, grade in given.items() if note in base.body_notes and grade in grades}
            unknown += tuple(one_line(note, 60) for note in given if note not in known)
            on_one = mapped(event, "sides").items()
            sides = {note: side for note, side in on_one if note in known and side in ("left", "right")}
            before = {note: side for note, side in findings.body_sides.items() if known.get(note) != "no"}
            findings = replace(findings, body={**findings.body, **known}, body_sides={**before, **sides})
            return replace(state, findings=findings, unknown=unknown)
        case "done":
            if (done := _done_from(event, base)) is None:
                return replace(state, unknown=(*unknown, one_line(event.get("alteration"), 60)))
            return replace(state, findings=replace(findings, done=(*findings.done, done)))
        case "measures":
            return replace(state, findings=_measured(findings, event, base))
        case "offered":
            return _offered(state, event, base)
        case "answer":
            if (finding := finding_from(event, base)) is None:
                return replace(state, unknown=(*unknown, one_line(event.get("symptom"), 60)))
            name = finding.symptom
            return replace(
                state,
                findings=findings.with_finding(finding),
                last_symptom=name,
                offered=tuple(item for item in state.offered if item.symptom != name),
                again=state.again | {name} if event.get("again") is True else state.again - {name},
                open=_known_signs(listed(event, "open"), base),
            )
    return state


def _measured(findings: Findings, event: Event, base: RuleBase) -> Findings:
    """Add the measures, tables and earlier readings of a `measures` event to the findings."""

    def lengths(key: str, known: Collection[str]) -> dict[str, float]:
        read = {name: read_as(Mm, mm) for name, mm in mapped(event, key).items() if name in known}
        return {name: mm for name, mm in read.items() if mm is not None}

    tables = mapped(event, "tables").items()
    rounds: list[Earlier] = [one for item in listed(event, "earlier") if (one := read_as(Earlier, item)) is not None]
    known = [(one.round, {s: reading for s, reading in one.readings.items() if s in base.symptoms}) for one in rounds]
    return findings.joined(
        Findings(
            units=findings.units,
            body_measures=lengths("body", BODY_MM),
            pattern_measures=lengths("pattern", BODY_MM),
            tables={name: one for name, one in tables if name in BODY_MM and isinstance(one, str) and one in base.ease},
            at_rest=lengths("at_rest", base.symptoms),
            readings_from="simulation" if event.get("readings_from") == "simulation" else findings.readings_from,
            earlier=tuple(Earlier(*one) for one in known),
        )
    )


def offered_event(findings: Iterable[Finding], sentences: Mapping[str, str] | None = None) -> dict[str, Any]:
    """Findings from pictures or a mail, to be confirmed one by one, as a log event; `sentences`: what they were read from."""
    more = {name: {"sentence": sentence} for name, sentence in (sentences or {}).items()}
    return {"event": "offered", "findings": [answer_event(one) | more.get(one.symptom, {}) for one in findings]}


def _offered(state: State, event: Event, base: RuleBase) -> State:
    """Apply an `offered` event, which brings findings or says which one was refused."""
    left = (finding for finding in state.offered if finding.symptom != event.get("refused"))
    sentences = {item["symptom"]: one_line(item["sentence"], 400) for item in listed(event, "findings")
                 if finding_from(item, base) is not None and item.get("sentence")}  # fmt: skip
    return replace(state, offered=(*left, *found_in(event, base)), sentences={**state.sentences, **sentences})


def answer_event(finding: Finding) -> dict[str, Any]:
    """A finding as a log event."""
    head = {"event": "answer", "symptom": finding.symptom, "seen": finding.seen, "origin": finding.origin}
    return head | {key: value for key, value in vars(finding).items() if value is not None}


def finding_from(event: object, base: RuleBase) -> Finding | None:
    """The finding of an `answer` event; None if it is damaged or the rules do not know it."""
    finding: Finding | None = read_as(Finding, event)
    sound = (
        finding is not None
        and finding.symptom in base.symptoms
        and (finding.left_mm is None) == (finding.right_mm is None)
    )
    return finding if sound else None


def found_in(event: Event, base: RuleBase) -> tuple[Finding, ...]:
    """All findings in an event."""
    return tuple(finding for item in listed(event, "findings") if (finding := finding_from(item, base)) is not None)


def _done_from(event: Event, base: RuleBase) -> Done | None:
    done: Done | None = read_as(Done, event)
    return done if done is not None and done.alteration in base.alterations else None


def measures_event(findings: Findings) -> dict[str, Any]:
    """Measures of body, pattern and earlier try-ons (mm), and the tables chosen, as a log event."""
    known = {"body": findings.body_measures, "pattern": findings.pattern_measures, "tables": findings.tables}
    more = {
        "at_rest": dict(findings.at_rest),
        "readings_from": "" if findings.readings_from == "cloth" else findings.readings_from,
        "earlier": [{"round": one.round, "readings": dict(one.readings)} for one in findings.earlier],
    }
    return {"event": "measures", **known, **{key: value for key, value in more.items() if value}}


def done_event(done: Done) -> dict[str, Any]:
    """An earlier alteration as a log event."""
    event: dict[str, Any] = {
        "event": "done",
        "alteration": done.alteration,
        "amount_mm": done.amount_mm,
        "round": done.round,
    }
    return event | ({"side": done.side} if done.side != "both" else {}) | ({"less": True} if done.less else {})


def events_of(found: Findings, known: Findings) -> list[dict[str, Any]]:
    """Findings as log events, without what is known already."""
    events: list[dict[str, Any]] = [done_event(item) for item in found.done if item not in known.done]
    if found.body:
        sides = {"sides": dict(found.body_sides)} if found.body_sides else {}
        events.append({"event": "body", "notes": dict(found.body), **sides})
    measures = (found.body_measures, found.pattern_measures, found.tables, found.at_rest, found.earlier)
    if any(measures) or found.readings_from != "cloth":
        events.append(measures_event(known.joined(found)))
    events += [answer_event(finding) for finding in found.symptoms.values()]
    return events + [{"event": "note", "text": note} for note in found.notes if note not in known.notes]


@dataclass(frozen=True)
class Conclusion:
    """A diagnosis and its plan."""

    diagnosis: Diagnosis
    plan: Plan
    contradictions: tuple[Contradiction, ...] = ()


def conclude(base: RuleBase, findings: Findings) -> Conclusion:
    """Go from findings to a plan; the one way for interview, answers file, findings file and replay.

    All texts are in the units of the findings.
    """
    base = base.in_units(findings.units)
    settled, contradictions = settle(base, with_measures(base, findings))
    diagnosis = Diagnosis(base, settled)
    return Conclusion(diagnosis, make_plan(diagnosis), contradictions)


def conclusion_event(conclusion: Conclusion) -> dict[str, Any]:
    """A short record of the conclusion for the log, so that a replay can show what differs."""
    beliefs, plan = conclusion.diagnosis.beliefs[:8], conclusion.plan
    return {
        "event": "conclusion",
        "causes": [{"id": one.cause, "probability": round(one.probability, 4)} for one in beliefs],
        "recommendations": [
            {"alteration": item.alteration, "amount_mm": round(item.amount.mm, 3), "side": item.side,
             "only_if": item.only_if_symptom}
            for item in plan.recommendations
        ],
        "leave_alone": [item.alteration for item in plan.leave_alone],
    }  # fmt: skip
