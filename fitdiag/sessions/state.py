"""What the events of a session add up to. A pure fold: the same events give the same state, at the keyboard or in a replay."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, get_args

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.knowledge.findings import SEVERITIES, SIDES, Done, Finding, Findings, Origin
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.plan import Plan, make_plan
from fitdiag.problems import one_line
from fitdiag.units import LONGEST_MM

if TYPE_CHECKING:
    from fitdiag.sessions.log import Event

STAGES = ("history", "body", "seen", "questions")
_UNDOABLE = ("answer", "body", "done", "stage")


@dataclass(frozen=True)
class State:
    """A session so far. `ended`: the stages of the interview that are over; `unknown`: ids these rules do not know."""

    findings: Findings
    ended: frozenset[str] = frozenset()
    last_symptom: str | None = None
    unknown: tuple[str, ...] = ()
    steps: int = 0
    recorded: Event | None = None
    skipped: frozenset[str] = field(default_factory=frozenset)


def fold(events: Iterable[Event], base: RuleBase) -> State:
    """The state after all events; `back` events take the latest steps away again."""
    head: Event = {}
    steps: list[Event] = []
    notes: list[str] = []
    recorded: Event | None = None
    for event in events:
        kind = event["event"]
        if kind == "start":
            head = event
        elif kind == "back":
            count = event.get("steps")
            for _ in range(min(count if isinstance(count, int) and count > 0 else 1, len(steps))):
                steps.pop()
        elif kind == "note":
            notes.append(one_line(event.get("text", ""), 500))
        elif kind == "conclusion":
            recorded = event
        elif kind in _UNDOABLE:
            steps.append(event)
    units = head.get("units")
    state = State(
        Findings(
            units="cm" if units == "cm" else "in", client=one_line(head.get("client", ""), 80), notes=tuple(notes)
        ),
        recorded=recorded,
        steps=len(steps),
    )
    for event in steps:
        state = _apply(state, event, base)
    return state


def _apply(state: State, event: Event, base: RuleBase) -> State:
    findings, unknown = state.findings, state.unknown
    match event["event"]:
        case "stage":
            return replace(state, ended=state.ended | {str(event.get("ended"))})
        case "body":
            notes = event.get("notes")
            given = notes if isinstance(notes, Mapping) else {}
            known = {str(note): str(grade) for note, grade in given.items() if note in base.body_notes}
            unknown += tuple(one_line(note, 60) for note in given if note not in base.body_notes)
            return replace(state, findings=replace(findings, body={**findings.body, **known}), unknown=unknown)
        case "done":
            done = done_from(event)
            if done is None or done.alteration not in base.alterations:
                return replace(state, unknown=(*unknown, one_line(event.get("alteration"), 60)))
            return replace(state, findings=replace(findings, done=(*findings.done, done)))
        case "answer":
            finding = finding_from(event)
            if finding is None or finding.symptom not in base.symptoms:
                return replace(state, unknown=(*unknown, one_line(event.get("symptom"), 60)))
            return replace(state, findings=findings.with_finding(finding), last_symptom=finding.symptom)
    return state


def answer_event(finding: Finding) -> dict[str, Any]:
    """A finding as an event of the log."""
    event: dict[str, Any] = {
        "event": "answer",
        "symptom": finding.symptom,
        "seen": finding.seen,
        "origin": finding.origin,
    }
    for key in ("amount_mm", "error_mm", "severity", "side"):
        if (value := getattr(finding, key)) is not None:
            event[key] = value
    return event


def finding_from(event: Event) -> Finding | None:
    """The finding of an `answer` event; None if the event is not one (a hand-made or damaged line)."""
    seen, severity, side, origin = (
        event.get("seen"),
        event.get("severity"),
        event.get("side"),
        event.get("origin", "file"),
    )
    symptom, amount, error = event.get("symptom"), event.get("amount_mm"), event.get("error_mm")
    sound = (
        isinstance(symptom, str)
        and seen in ("yes", "no", "unsure")
        and severity in (None, *SEVERITIES)
        and side in (None, *SIDES)
        and origin in get_args(Origin)
        and _is_length(amount)
        and _is_length(error)
    )
    return Finding(symptom, seen, amount, error, severity, side, origin) if sound else None  # type: ignore[arg-type]


def done_event(done: Done) -> dict[str, Any]:
    """An earlier alteration as an event of the log."""
    return {"event": "done", "alteration": done.alteration, "amount_mm": done.amount_mm, "round": done.round}


def done_from(event: Event) -> Done | None:
    """The earlier alteration of a `done` event; None if the event is not one."""
    alteration, amount, number = event.get("alteration"), event.get("amount_mm"), event.get("round", 1)
    sound = isinstance(alteration, str) and _is_length(amount) and isinstance(number, int) and 1 <= number <= 99
    return Done(alteration, amount, number) if sound else None  # type: ignore[arg-type]


def _is_length(value: object) -> bool:
    if value is None:
        return True
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= LONGEST_MM


@dataclass(frozen=True)
class Conclusion:
    """A diagnosis and its plan."""

    diagnosis: Diagnosis
    plan: Plan


def conclude(base: RuleBase, findings: Findings) -> Conclusion:
    """The one way from findings to a plan, for every door: keyboard, answers file, findings file and replay."""
    diagnosis = Diagnosis(base, findings)
    return Conclusion(diagnosis, make_plan(diagnosis))


def conclusion_event(conclusion: Conclusion) -> dict[str, Any]:
    """What was concluded, short, for the log: so that a replay can show what differs."""
    return {
        "event": "conclusion",
        "causes": [
            {"id": belief.cause, "probability": round(belief.probability, 4)}
            for belief in conclusion.diagnosis.beliefs[:8]
        ],
        "recommendations": [
            {
                "alteration": item.alteration,
                "amount_mm": round(item.amount.mm, 3),
                "side": item.side,
                "only_if": item.only_if_symptom,
            }
            for item in conclusion.plan.recommendations
        ],
        "leave_alone": [item.alteration for item in conclusion.plan.leave_alone],
    }
