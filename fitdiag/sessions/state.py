"""What the events of a session add up to. A pure fold: the same events give the same state, at the keyboard or in a replay."""

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
AWAITS = "awaits"  # marks an answer that is saved although its amount is still to come
_UNDOABLE = ("answer", "body", "done", "measures", "stage", "offered")


@dataclass(frozen=True)
class State:
    """A session so far. `ended`: the stages of the interview that are over; `unknown`: ids these rules do not know.

    `awaiting`: the latest answer if its amount is still to come; `offered`: measured in pictures, neither confirmed nor refused
    yet; `before`: what was seen at the try-on before this one; `recorded`: the conclusion, if nothing was answered after it;
    `again`: signs to photograph or ask at the next try-on. `kept`: words said before their stage came, each with that stage.
    `sentences`: where an offered finding was read from a mail, the sentence, by symptom. `open`: the signs that were on the screen
    with the last one answered, and are still to be answered; those taken back come before them.
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
    """A value of the log as what it should be; None for one that a hand or a fault of the disk has spoilt."""
    try:
        return adapter(kind).validate_python(value)
    except ValidationError:
        return None


def fold(events: Iterable[Event], base: RuleBase) -> State:
    """The state after all events; `back` events take the latest steps away again."""
    head: Event = {}
    steps: list[Event] = []
    notes: list[str] = []
    before: tuple[Finding, ...] = ()
    kept: list[tuple[str, str]] = []
    known = 0  # so many steps were known when the questions began; `back` leaves them
    recorded: Event | None = None
    returned: list[object] = []  # the signs to stand before again after a `back`
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
                steps.pop()  # it brings the amount that the one before was still waiting for: both are one step
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
    """Findings with the measures, the tables and the earlier readings of a `measures` event."""

    def lengths(key: str, known: Collection[str]) -> dict[str, float]:
        told = {name: read_as(Mm, mm) for name, mm in mapped(event, key).items() if name in known}
        return {name: mm for name, mm in told.items() if mm is not None}

    tables = mapped(event, "tables").items()
    rounds: list[Earlier] = [one for item in listed(event, "earlier") if (one := read_as(Earlier, item)) is not None]
    known = [(one.round, {s: told for s, told in one.readings.items() if s in base.symptoms}) for one in rounds]
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
    """Findings from pictures or a mail, to be confirmed one by one, as an event of the log; with the sentences they were read from."""
    told = sentences or {}
    more = {name: {"sentence": sentence} for name, sentence in told.items()}
    return {"event": "offered", "findings": [answer_event(one) | more.get(one.symptom, {}) for one in findings]}


def _offered(state: State, event: Event, base: RuleBase) -> State:
    """What is still to be confirmed after an `offered` event: it brings findings, or says which one was refused."""
    left = (finding for finding in state.offered if finding.symptom != event.get("refused"))
    told = {item["symptom"]: one_line(item["sentence"], 400) for item in listed(event, "findings")
            if finding_from(item, base) is not None and item.get("sentence")}  # fmt: skip
    return replace(state, offered=(*left, *found_in(event, base)), sentences={**state.sentences, **told})


def answer_event(finding: Finding) -> dict[str, Any]:
    """A finding as an event of the log."""
    head = {"event": "answer", "symptom": finding.symptom, "seen": finding.seen, "origin": finding.origin}
    return head | {key: value for key, value in vars(finding).items() if value is not None}


def finding_from(event: object, base: RuleBase) -> Finding | None:
    """The finding of an `answer` event; None if the event is not one (a hand-made or damaged line), or the rules do not know it."""
    finding: Finding | None = read_as(Finding, event)
    sound = (
        finding is not None
        and finding.symptom in base.symptoms
        and (finding.left_mm is None) == (finding.right_mm is None)
    )
    return finding if sound else None


def found_in(event: Event, base: RuleBase) -> tuple[Finding, ...]:
    """All findings that an event holds."""
    return tuple(finding for item in listed(event, "findings") if (finding := finding_from(item, base)) is not None)


def _done_from(event: Event, base: RuleBase) -> Done | None:
    done: Done | None = read_as(Done, event)
    return done if done is not None and done.alteration in base.alterations else None


def measures_event(findings: Findings) -> dict[str, Any]:
    """Measures of body, pattern and earlier try-ons, in mm, and the tables chosen, as an event of the log."""
    known = {"body": findings.body_measures, "pattern": findings.pattern_measures, "tables": findings.tables}
    more = {
        "at_rest": dict(findings.at_rest),
        "readings_from": "" if findings.readings_from == "cloth" else findings.readings_from,
        "earlier": [{"round": one.round, "readings": dict(one.readings)} for one in findings.earlier],
    }
    return {"event": "measures", **known, **{key: value for key, value in more.items() if value}}


def done_event(done: Done) -> dict[str, Any]:
    """An earlier alteration as an event of the log."""
    return {"event": "done", **vars(done)}


def events_of(found: Findings, known: Findings) -> list[dict[str, Any]]:
    """Findings as events of a log, without what is known of them already."""
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
    """The one way from findings to a plan, for every door: keyboard, answers file, findings file and replay.

    All that it says speaks in the units of the findings.
    """
    base = base.in_units(findings.units)
    settled, contradictions = settle(base, with_measures(base, findings))
    diagnosis = Diagnosis(base, settled)
    return Conclusion(diagnosis, make_plan(diagnosis), contradictions)


def conclusion_event(conclusion: Conclusion) -> dict[str, Any]:
    """What was concluded, short, for the log: so that a replay can show what differs."""
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
