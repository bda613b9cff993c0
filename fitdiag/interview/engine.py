"""The interview: what to ask next, and how to take and reply to an answer.

Independent of any terminal: `prompt()` returns the lines to show, `reply(text)` takes a typed line and returns the lines to
print. Every answer is passed to `save` (the log), then counted, then replied to, so that an interview resumes at the same
questions. Only a pending choice from a list is not saved. `taking.py` takes what is typed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal

from fitdiag.interview import looking_up, taking, telling
from fitdiag.interview.search import Kind, Words
from fitdiag.interview.telling import Line, Pick, calm_line, end_lines
from fitdiag.knowledge.findings import Done, Finding, Findings
from fitdiag.knowledge.model import RuleBase, Symptom
from fitdiag.knowledge.stations import Station, numbered, station_of, stations_of
from fitdiag.planning.questions import Choice, amounts_tell, askable
from fitdiag.problems import ProblemsFoundError
from fitdiag.sessions.log import Event
from fitdiag.sessions.state import Conclusion, State, answer_event, conclude, done_event, fold
from fitdiag.units import format_length, parse_length

LONGEST_REPLY = 500
ON_A_SCREEN = 6


class NotWeighableError(Exception):
    """An answer that would link too many signs for exact inference; it was not saved."""


class Interview:
    """One interview over a log. `events`: already in the log; `save`: appends an event and returns it with its time.

    `missed` is called with words that match no rule. `single`: one question at a time instead of a screen of six.
    """

    def __init__(
        self,
        base: RuleBase,
        events: tuple[Event, ...],
        save: Callable[[Event], Event],
        *,
        missed: Callable[[Kind, str], None] | None = None,
        single: bool = False,
        alone: bool = False,
    ) -> None:
        self._events = list(events)
        self._save = save
        self.missed = missed or (lambda kind, text: None)
        self.single = single
        self.alone = alone  # the fitter is also the wearer
        self.pending: Pick | None = None
        # picked or typed together with others, and waiting its turn
        self.queue: list[tuple[Kind, str, str]] = []
        self.wanted: str | None = None  # the sign whose amount the first alteration needs
        self.declined: set[str] = set()  # signs whose amount was not known when asked
        self.finished = False
        self.listed = False  # whether the numbers of the body notes were shown
        # the latest list chosen from, and the queue at the time
        self.picked: tuple[Pick, list[tuple[Kind, str, str]]] | None = None
        self.screen: tuple[str, ...] = ()  # the signs currently asked about
        self._more = False
        self.state: State = fold(self._events, base)
        self.base = base.in_units(self.state.findings.units)
        self.words = Words(self.base)
        self.numbers = numbered(self.base)
        self.cut_by = amounts_tell(self.base)
        self.together = 1  # how many answers the latest line held
        self.conclusion: Conclusion = conclude(self.base, self.state.findings)
        self._choice: Choice | None = None
        self.later = [one for one in self.state.kept if one[0] not in self.state.ended]
        self._take_kept()
        self.stand()
        self._last_short = self.in_short()  # as last shown

    # -- state ---------------------------------------------------------------------------------------------------

    @property
    def findings(self) -> Findings:
        return self.state.findings

    @property
    def stage(self) -> str:
        """The current part of the interview: pictures, before, history, body, seen or questions."""
        if self.state.offered:
            return "pictures"
        if self.before is not None:
            return "before"
        return next((name for name in ("history", "body", "seen") if name not in self.state.ended), "questions")

    @property
    def before(self) -> Finding | None:
        """The next finding of the last try-on to ask about again, before anything new."""
        still = (item for item in self.state.before if item.symptom not in self.findings.symptoms)
        return next((item for item in still if askable(self.base.symptoms[item.symptom], self.findings)), None)

    @property
    def asking(self) -> str | None:
        """The first symptom currently asked about, if any."""
        if self.stage == "before" and self.before is not None:
            return self.before.symptom
        return self.screen[0] if self.screen else None

    @property
    def expects_amount(self) -> bool:
        """Whether the amount of something already answered is being asked for."""
        return self.pending is None and (self.state.awaiting is not None or self.wanted is not None)

    @property
    def choice(self) -> Choice:
        """What is worth asking next; computed on first use after an answer."""
        if self._choice is None or self._choice.findings != self.findings:
            self._choice = Choice(self.base, self.findings, self.conclusion.diagnosis)
        return self._choice

    def record(self, *events: Mapping[str, Any]) -> None:
        """Save events and count them, after checking that inference can handle them, so that every log can be resumed."""
        left = [name for name in self.screen if all(event.get("symptom") != name for event in events)]
        if left and events[-1]["event"] == "answer":
            events = (*events[:-1], {**events[-1], "open": left})
        state = fold((*self._events, *events), self.base)
        try:
            conclusion = conclude(self.base, state.findings)
        except ProblemsFoundError as stopped:
            raise NotWeighableError(str(stopped)) from None
        self._events += [self._save(event) for event in events]
        self.state, self.conclusion, self.pending, self.wanted = state, conclusion, None, None

    def stand(self) -> None:
        """Move to where the log ends: its open questions, and the station of the last one."""
        self.station: Station | None = self._where(self.state.open)
        left = [self.base.symptoms[name] for name in self.state.open if name not in self.findings.symptoms]
        still = [one.id for one in left if self.station in stations_of(one) and askable(one, self.findings)]
        self.screen = tuple(still[: 1 if self.single else ON_A_SCREEN]) if self.stage == "questions" else ()
        self.taught: str | None = None  # the question that explains the keys
        self._moved = 0  # how often the station has changed

    def _where(self, names: Sequence[str]) -> Station | None:
        """The station where the first open sign and most of the others are seen; without any, that of the last answer."""
        if not names:
            last = self.state.last_symptom
            return station_of(self.base.symptoms[last]) if last else None
        seen_at = [stations_of(self.base.symptoms[name]) for name in names]
        return max(seen_at[0], key=lambda station: sum(station in one for one in seen_at))

    # -- asking --------------------------------------------------------------------------------------------------

    def prompt(self) -> list[Line]:
        """The lines of the current question. Sets `finished` when there is nothing left to ask."""
        lines = self._their_turn()  # what was kept when the window was closed
        if self.pending is not None or self.state.awaiting is not None or self.stage != "questions":
            return [*lines, *telling.before_the_questions(self)]
        changed = self._ask_next()
        if self.finished:
            return end_lines(self.base, self.choice)
        return telling.question(self, new_station=changed)

    def _ask_next(self) -> bool:
        """Choose the questions of the next screen, if any; return whether the station changed."""
        self.screen = tuple(name for name in self.screen if name not in self.findings.symptoms)
        if self.screen:
            return False
        done = not self._more and (self.choice.enough or self.choice.ready)
        station = None if done else self.choice.station(self.station, self._moved)
        if station is None and self._more:
            station = self.choice.anywhere(self.station)
        if station is None:
            # the unmeasured sign whose amount would narrow that of the first alteration most
            narrows = next((item.amount.measure_next for item in self.conclusion.plan.recommendations[:1]), None)
            self.wanted = narrows if narrows not in self.declined else None
            self.finished = self.wanted is None
            return False
        changed = station != self.station
        self._moved += changed and self.station is not None
        self.station = station
        self.screen = self.choice.here(station, 1 if self.single else ON_A_SCREEN, anything=self._more)
        return changed

    @property
    def can_go_on(self) -> bool:
        """Whether any unanswered question can still be asked."""
        return bool(self.choice.questions)

    def ask_more(self) -> None:
        """Continue asking although the list is ready."""
        self._more = True
        self.finished = False

    # -- answering -----------------------------------------------------------------------------------------------

    def reply(self, text: str) -> list[Line]:
        """Take one typed line and return the lines to reply with. Unusable text gets a reply but is never counted."""
        printable = "".join(char if char.isprintable() else " " for char in text.replace("’", "'"))
        typed = " ".join(printable.split())
        if len(typed) > LONGEST_REPLY:
            return [Line("That is too long for an answer; shorten it, or write it into a file of your own.")]
        try:
            lines = taking.command(self, typed)
            if lines is None:
                before = self.state.steps
                lines = taking.answer(self, typed)
                self.together = max(1, self.state.steps - before)
        except NotWeighableError as crowded:
            return [self._crowded(crowded)]
        return [*lines, *self._their_turn()]

    def _their_turn(self) -> list[Line]:
        """Work through the queue until something in it needs an answer."""
        lines: list[Line] = []
        try:
            while self.queue and self.pending is None and self.state.awaiting is None:
                lines += looking_up.next_in_queue(self)
        except NotWeighableError as crowded:
            lines.append(self._crowded(crowded))
        return lines

    def _crowded(self, crowded: NotWeighableError) -> Line:
        self.pending = None
        self.queue.clear()
        return Line(f"This was not counted: {crowded}.")

    def stop(self) -> None:
        """End the interview; whatever is still queued counts as seen or done."""
        for kind, rule_id, _ in self.queue:
            if kind == "alteration" and rule_id in self.base.alterations:
                self.record(done_event(Done(rule_id)))
            elif kind == "symptom" and rule_id in self.base.symptoms:
                self.record(answer_event(Finding(rule_id, "yes", origin="volunteered")))
        self.queue.clear()
        self.finished = True

    def count(self, *findings: Finding, again: frozenset[str] = frozenset()) -> list[Line]:
        """Save answers and say whether they change the leading cause. `again`: signs to check at the next try-on."""
        events = {finding.symptom: answer_event(finding) for finding in findings}
        self.record(*({**event, "again": True} if name in again else event for name, event in events.items()))
        before, after = self._last_short, self.in_short()
        self._last_short = after
        return [after[0] if after != before or self.stage != "questions" else Line("So far: no change.")]

    def in_short(self) -> tuple[Line, tuple[tuple[str, float], ...]]:
        """The leading cause, and the alterations and amounts (mm) the list would hold."""
        listed = tuple((item.alteration, item.amount.mm) for item in self.conclusion.plan.recommendations)
        return calm_line(self.base, self.conclusion.diagnosis), listed

    def end_stage(self, stage: str, *, looked: bool = False) -> None:
        """End a part of the interview. `looked`: the fitter has named everything that meets the eye."""
        self.record({"event": "stage", "ended": stage, **({"looked": True} if looked else {})})
        self._take_kept()

    def keep(self, stage: Literal["body", "seen"], words: str) -> bool:
        """Keep words for a later stage and return True; if that stage is over, queue them now and return False."""
        self.later.append((stage, words))
        if is_to_come := stage not in self.state.ended:
            self.record({"event": "kept", "stage": stage, "words": words})
        else:
            self._take_kept()
        return is_to_come

    def _take_kept(self) -> None:
        """Queue what was kept for the current stage or an earlier one."""
        kinds: dict[str, Kind] = {"body": "body note", "seen": "symptom"}
        due = {self.stage, *self.state.ended}
        self.queue += [(kinds[stage], words, "") for stage, words in self.later if stage in due]
        self.later = [one for one in self.later if one[0] not in due]

    @property
    def sample(self) -> str:
        """An example of how to write an amount."""
        return "3/4 in" if self.findings.units == "in" else "2 cm"

    def sample_of(self, symptom: Symptom) -> str:
        """An example amount large enough for a sign to count: the usual one if it is, else a clear one."""
        assert symptom.measure is not None
        measure, usual = symptom.measure, parse_length(self.sample).mm
        counts = usual >= measure.seen_from_mm if measure.worse == "more" else usual <= measure.seen_from_mm
        return self.sample if counts else format_length(measure.grades_mm["clear"], self.findings.units)
