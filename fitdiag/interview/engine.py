"""The interview: what is asked next, how an answer is understood, and what is said to it.

Holds no terminal. `prompt()` gives the lines to show, `reply(text)` takes what was typed and gives the lines to say. Every
answer is first handed to `save` (the log), then counted, then answered; a "yes" is saved before its amount is asked for, so
that whoever leaves and comes back stands before the same question. Only a pick from a list is kept nowhere.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

from fitdiag.diagnosis.belief import Question, lower_first, told
from fitdiag.interview.reading import (
    DOES_NOT,
    NEGATED,
    NO,
    NOT_MEASURED,
    NOTHING,
    NUMBER,
    ONE_SIDE,
    RANGE,
    ROUND,
    SEVERITY,
    YES,
    bare_number,
    read_body_notes,
    side_last,
    split_amount,
)  # fmt: skip
from fitdiag.interview.search import find_alterations, find_symptoms, meant_plainly
from fitdiag.interview.telling import (
    CHOICES,
    HEADS,
    STAGE_REASONS,
    Line,
    ask_body,
    ask_history,
    ask_seen,
    ask_symptom,
    calm_line,
    confirm_measured,
    how_much_is_it,
    how_much_was_done,
    how_to_judge,
    how_to_look,
    shall_it_count,
    signs_of,
    so_far,
    where_left,
    which_of_these,
    why_asked,
)  # fmt: skip
from fitdiag.knowledge.answers import InvalidFindingError, parse_words
from fitdiag.knowledge.findings import Done, Finding, Findings, Origin, measured
from fitdiag.knowledge.model import RuleBase, Symptom, View
from fitdiag.plausible import doubt_of_sign
from fitdiag.problems import ProblemsFoundError, one_line
from fitdiag.sessions.log import Event
from fitdiag.sessions.state import AWAITS, Conclusion, State, answer_event, conclude, done_event, fold
from fitdiag.units import InvalidLengthError, Length, format_length, parse_length

Kind = Literal["symptom", "alteration"]
LONGEST_REPLY = 500
HELP = (
    "Answer in words or by number. At any time you can also type: ? how to look; why this question; so far; back (or back 3)"
    " to take answers away; also and a word, for something else you see; note and your own words; stop for the list now."
)
_MOST_OFFERED = 9
_CALM = 6  # so many answers without a change of the list, and the fitter is told


@dataclass(frozen=True)
class _Pick:
    """Waiting for a choice from a numbered list; `rest`: the amount and side that were typed along with the word."""

    kind: Kind
    ids: tuple[str, ...]
    rest: str


@dataclass(frozen=True)
class _Confirm:
    """Waiting for a yes to an amount; `doubt`: why it is asked back, empty where it was only vague."""

    finding: Finding
    text: str
    mm: float
    doubt: str = ""


class _NotWeighableError(Exception):
    """An answer that would make too many signs hang together; it was not saved."""


class Interview:
    """One interview over a log. `events`: what the log holds already; `save`: appends an event and returns it stamped."""

    def __init__(
        self, base: RuleBase, events: tuple[Event, ...], save: Callable[[Event], Event], *, arrays: bool = True
    ) -> None:
        self._events = list(events)
        self._save = save
        self._arrays = arrays
        self._pending: _Pick | _Confirm | None = None
        self._queue: list[tuple[Kind, str]] = []  # picked together with others, and not yet come to its turn
        self._listed = False  # whether the list of body notes has been shown
        self._more = False
        self._calm = 0  # answers since the list last changed
        self._asking: str | None = None
        self.finished = False
        self.state: State = fold(self._events, base)
        self.base = base.in_units(self.state.findings.units)
        self.conclusion: Conclusion = conclude(self.base, self.state.findings)
        self._told = self._in_short()  # what was said last to stand so far

    # -- state ---------------------------------------------------------------------------------------------------

    @property
    def findings(self) -> Findings:
        return self.state.findings

    @property
    def stage(self) -> str:
        """Which part of the interview is on: pictures, history, body, seen, questions."""
        if self.state.offered:
            return "pictures"
        return next((name for name in ("history", "body", "seen") if name not in self.state.ended), "questions")

    @property
    def asking(self) -> str | None:
        """The symptom that is asked about now, if one is."""
        return self._asking

    @property
    def expects_amount(self) -> bool:
        """Whether the amount of something already answered is asked for now."""
        return self._pending is None and self.state.awaiting is not None

    def _record(self, event: Mapping[str, Any]) -> None:
        """Save an event and count it; first see that it can be weighed, so that a log can always be gone on with."""
        state = fold((*self._events, event), self.base)
        try:
            conclusion = conclude(self.base, state.findings)
        except ProblemsFoundError as stopped:
            raise _NotWeighableError(str(stopped)) from None
        self._events.append(self._save(event))
        self.state, self.conclusion, self._pending = state, conclusion, None

    def _view(self) -> str | None:
        return self.base.symptoms[self.state.last_symptom].views[0] if self.state.last_symptom else None

    def _next_question(self) -> Question | None:
        """The question most worth asking from where the fitter stands now; None when none is worth it from anywhere."""
        diagnosis = self.conclusion.diagnosis
        if self._more:
            return next(iter(diagnosis.questions(self._view(), self._arrays)), None)
        return diagnosis.next_question(self._view(), self._arrays)

    # -- asking --------------------------------------------------------------------------------------------------

    def prompt(self) -> list[Line]:
        """The lines of the question that is on now. Sets `finished` when there is nothing left to ask."""
        if isinstance(self._pending, _Pick):
            return which_of_these(
                [self._title(self._pending.kind, rule_id) for rule_id in self._pending.ids], _MOST_OFFERED
            )
        if isinstance(self._pending, _Confirm):
            return shall_it_count(self._pending.text, self._pending.doubt)
        if isinstance(self.state.awaiting, Done):
            return how_much_was_done(self.base.alterations[self.state.awaiting.alteration].title, self._sample())
        if self.state.awaiting is not None:
            return how_much_is_it(self.base.symptoms[self.state.awaiting.symptom], self._sample())
        if self.stage == "pictures":
            return list(confirm_measured(self.base, self.state.offered[0], self.findings))
        if self.stage == "history":
            return ask_history(self._sample(), more=bool(self.findings.done))
        if self.stage == "body":
            listed, self._listed = self._listed, True
            return ask_body(self.base, more=bool(self.findings.body), listed=listed)
        if self.stage == "seen":
            return ask_seen(self._sample(), more=bool(self.findings.symptoms))
        if self._asking is None:
            question = self._next_question()
            if question is None:
                return self._end()
            self._asking = question.symptom
        return ask_symptom(self.base.symptoms[self._asking], self._sample())

    def _sample(self) -> str:
        return "3/4 in" if self.findings.units == "in" else "2 cm"

    def _refused(self, error: Exception) -> Line:
        """Why a text is no answer, with an example in the units of the session."""
        text = re.sub(r"like 3/4 in$", f"like {self._sample()}", str(error))
        return Line(f"{text[:1].upper()}{text[1:]}.")

    def _title(self, kind: str, rule_id: str) -> str:
        return self.base.symptoms[rule_id].title if kind == "symptom" else self.base.alterations[rule_id].title

    def _end(self) -> list[Line]:
        self.finished = True
        questions = self.conclusion.diagnosis.questions(None, self._arrays)
        if not questions:
            return [Line("Every question has been answered.")]
        best = questions[0]
        title = lower_first(self.base.symptoms[best.symptom].title)
        least = self.base.setting("stop_below_bits")
        return [
            Line(
                f"That is enough: no question left would tell much for its trouble. The most telling would be: {title}"
                f" ({best.gain_bits:.2f} bits for a cost of {best.cost:g}; asked from {least:g} bits on for a cost of 1)."
            )
        ]

    @property
    def can_go_on(self) -> bool:
        """Whether there is any unanswered question left that can be asked now."""
        return bool(self.conclusion.diagnosis.questions(None, self._arrays))

    def ask_more(self) -> None:
        """Go on asking although no question is worth its cost by the rules."""
        self._more = True
        self.finished = False

    # -- answering -----------------------------------------------------------------------------------------------

    def reply(self, text: str) -> list[Line]:
        """Take one typed line; the lines to say to it. Unusable text is answered, never counted."""
        printable = "".join(char if char.isprintable() else " " for char in text.replace("’", "'"))
        typed = " ".join(printable.split())
        if len(typed) > LONGEST_REPLY:
            return [Line("That is too long for an answer; shorten it, or write it into a file of your own.")]
        try:
            lines = self._command(typed)
            if lines is None:
                lines = self._answer(typed)
            while self._queue and self._pending is None and self.state.awaiting is None:
                lines += self._picked(*self._queue.pop(0), "")
        except _NotWeighableError as crowded:
            self._pending = None
            self._queue.clear()
            return [Line(f"This was not counted: {crowded}.")]
        return lines

    def _answer(self, typed: str) -> list[Line]:
        typed = typed.rstrip(" .!") or typed
        if isinstance(self._pending, _Pick):
            return self._reply_pick(self._pending, typed)
        if isinstance(self._pending, _Confirm):
            return self._reply_confirm(self._pending, typed)
        if isinstance(self.state.awaiting, Done):
            return self._earlier(self.state.awaiting, typed)
        if self.state.awaiting is not None:
            return self._amount(self.state.awaiting, typed)
        if self.stage == "pictures":
            return self._reply_offered(self.state.offered[0], typed)
        if self.stage == "body":
            return self._reply_body(typed)
        if self.stage in ("history", "seen"):
            if NOTHING.fullmatch(typed.lower()):
                return self._end_stage()
            return self._search("alteration" if self.stage == "history" else "symptom", typed)
        if self._asking is None:
            return [Line(HELP, "hint")]
        return self._reply_symptom(self.base.symptoms[self._asking], typed, "asked")

    def _command(self, typed: str) -> list[Line] | None:
        word = typed.lower().rstrip(".!")
        if word in ("help", "h"):
            return [Line(HELP, "hint")]
        if word in ("stop", "quit", "exit"):
            for kind, rule_id in self._queue:
                self._record(done_event(Done(rule_id)) if kind == "alteration" else answer_event(_seen(rule_id)))
            self._queue.clear()
            self.finished = True
            return [Line("Stopped here; the list below rests on what was answered.")]
        if word in ("so far", "sofar"):
            return list(so_far(self.base, self.findings, self.conclusion))
        if word.rstrip("?") == "why":
            return self._why()
        if word.startswith("?") or word == "how":
            return self._how(word.removeprefix("how").strip("? "))
        if match := re.fullmatch(r"(?:back|undo)(?: (\d{1,3}))?", word):
            return self._back(max(1, int(match[1] or 1)))
        if match := re.match(r"note\b[ :]*", typed, re.IGNORECASE):
            return self._note(typed[match.end() :])
        if match := re.match(r"also\b[ :,]*", typed, re.IGNORECASE):
            return self._also(typed[match.end() :])
        return None

    def _note(self, words: str) -> list[Line]:
        if not words:
            return [Line("Write the note behind the word, like: note hem is only tacked")]
        pending = self._pending
        self._record({"event": "note", "text": words})
        self._pending = pending
        return [Line("Noted.")]

    def _also(self, words: str) -> list[Line]:
        if self.state.awaiting is not None:
            return [Line("First how much; Enter if it was not measured.")]
        if not words:
            return [Line("Write what else you see behind the word, like: also folds behind the knee")]
        return self._search("symptom", words)

    def _back(self, count: int) -> list[Line]:
        pending, self._pending = self._pending, None
        if count > 1:
            self._queue.clear()
        if pending is not None and count == 1:
            return [Line("Left that; nothing was taken away.")]
        if not self.state.steps:
            return [Line("This is the beginning; there is nothing to take back.")]
        before, stage = self.state, self.stage
        self._asking, self._listed = None, False
        self._record({"event": "back", "steps": min(count, before.steps)})
        now = self.findings
        gone = [
            told(self.base, finding, before.findings)
            for name, finding in before.findings.symptoms.items()
            if now.symptoms.get(name) != finding
        ]
        gone += [self.base.alterations[done.alteration].title for done in before.findings.done[len(now.done) :]]
        gone += [
            self.base.body_notes[note].title
            for note, grade in before.findings.body.items()
            if now.body.get(note) != grade
        ]
        lines = [Line(f"Taken back: {'; '.join(gone)}.")] if gone else []
        if stage != self.stage:
            lines.append(Line(f"Back at: {HEADS[self.stage]}."))
        return lines or [Line("Taken back.")]

    def _end_stage(self) -> list[Line]:
        self._record({"event": "stage", "ended": self.stage})
        return []

    def _search(self, kind: Kind, typed: str) -> list[Line]:
        words, rest = split_amount(typed)
        if not re.search("[a-z]", words.lower()):
            return [Line("Begin with a word; choosing by number and the amount come after it.")]
        if rest and RANGE.search(words):
            return [Line("Give one amount, the middle of the two, or what you saw most often.")]
        if NEGATED.match(words.lower()) or self._denied(kind, words):
            left_out = (
                "was not done can be left out" if kind == "alteration" else "is not there is asked later, if it matters"
            )
            return [Line(f"Only what {'was done' if kind == 'alteration' else 'is there'} goes here; what {left_out}.")]
        found = self._find(kind, words)
        if not found:
            what = f"Nothing here is called '{one_line(words, 40)}'. Try another word"
            if self.stage == "questions":
                return [Line(f"{what}.")]
            later = "; later questions will find it" if kind == "symptom" else ""
            return [Line(f"{what}, or Enter to go on{later}.")]
        if len(found) == 1 and meant_plainly(self.base, found[0], words):
            return self._picked(kind, found[0], rest)
        self._pending = _Pick(kind, found, rest)
        return []

    def _find(self, kind: Kind, words: str) -> tuple[str, ...]:
        return (find_symptoms if kind == "symptom" else find_alterations)(self.base, words, _MOST_OFFERED)

    def _denied(self, kind: Kind, words: str) -> bool:
        """Whether a sentence says that something is not there; some signs have a "not" in their own names."""
        if not DOES_NOT.search(words.lower()):
            return False
        return not any(" not " in self._title(kind, found) for found in self._find(kind, words)[:3])

    def _picked(self, kind: Kind, rule_id: str, rest: str) -> list[Line]:
        """Take what was picked; what can be measured is saved at once and then waits for its amount."""
        amount = SEVERITY.sub("", ONE_SIDE.sub("", rest)).strip(" ,")
        if kind == "alteration":
            self._record({**done_event(Done(rule_id)), AWAITS: "amount"})
            return self._earlier(Done(rule_id), amount) if amount else []
        symptom = self.base.symptoms[rule_id]
        known = self.findings.symptoms.get(rule_id)
        if not rest and known is not None and known.seen == "yes":
            whole = symptom.measure is None or known.amount_mm is not None or known.severity is not None
            if whole:
                return [Line(f"Counted already: {lower_first(told(self.base, known, self.findings))}.")]
        finding = _seen(rule_id)
        if match := ONE_SIDE.search(rest):
            finding = replace(finding, side=match[1])  # type: ignore[arg-type]
        if match := SEVERITY.search(rest):
            finding = replace(finding, severity=match[1])  # type: ignore[arg-type]
        seen = Line(f"Seen: {lower_first(told(self.base, finding, self.findings))}.")
        if symptom.measure is None:
            unused = [Line("This sign has no amount; it counts as seen.")] if amount else []
            return [seen, *unused, *self._count(finding)]
        if finding.severity is not None and not amount:
            return [seen, *self._count(finding)]
        self._record({**answer_event(replace(finding, severity=None)), AWAITS: "amount"})
        self._asking = None
        return self._amount(finding, amount) if amount else [seen]

    def _reply_pick(self, pick: _Pick, typed: str) -> list[Line]:
        if NOTHING.fullmatch(typed.lower()):
            self._pending = None
            return []
        numbers = re.sub(r"[,;&.)]|\band\b", " ", typed.lower()).split()
        if len(pick.ids) == 1 and typed.lower() in YES:
            numbers = ["1"]
        if all(number.isdecimal() for number in numbers):
            wrong = [number for number in numbers if not 1 <= int(number[:6]) <= len(pick.ids)]
            if wrong or not numbers:
                what = f"There is no {wrong[0][:10]} in the list" if wrong else "That is no number of the list"
                choose = (
                    f"choose from 1 to {len(pick.ids)}, or Enter for none"
                    if len(pick.ids) > 1
                    else "1 for yes, Enter for no"
                )
                return [Line(f"{what}; {choose}.")]
            chosen = [pick.ids[int(number) - 1] for number in dict.fromkeys(numbers)]
            self._pending = None
            self._queue = [(pick.kind, rule_id) for rule_id in chosen[1:]]
            return self._picked(pick.kind, chosen[0], pick.rest if len(chosen) == 1 else "")
        return self._search(pick.kind, typed)

    def _reply_offered(self, offered: Finding, typed: str) -> list[Line]:
        """A finding from pictures: taken, left for a question, or answered otherwise."""
        if typed.lower() in (*YES, "1"):
            return self._count(offered)
        if typed and typed.lower() in (*NO, "2", "later"):
            self._record({"event": "offered", "refused": offered.symptom})
            return [Line("Not counted; it is asked later if it matters.")]
        if not typed or NUMBER.fullmatch(typed):
            return [Line("1 counts it, 2 leaves it out for now.")]
        return self._reply_symptom(self.base.symptoms[offered.symptom], typed, "asked")

    def _reply_body(self, typed: str) -> list[Line]:
        if NOTHING.fullmatch(typed.lower()):
            return self._end_stage()
        notes, unclear = read_body_notes(self.base, typed)
        if not notes:
            return [Line(text) for text in unclear or ["Give numbers or words, or Enter for none."]]
        self._record({"event": "body", "notes": notes})
        counted = [
            lower_first(self.base.body_notes[note].title) + (" (marked)" if grade == "marked" else "")
            for note, grade in notes.items()
        ]
        return [Line(f"Counted: {'; '.join(counted)}."), *map(Line, unclear)]

    def _reply_symptom(self, symptom: Symptom, typed: str, origin: Origin) -> list[Line]:
        if not typed:
            return [Line("Enter alone is no answer; 3 or can't say leaves it open.")]
        typed = side_last(typed)
        if match := NUMBER.fullmatch(typed):
            number = int(match[1][:6])
            if not 1 <= number <= len(CHOICES):
                unit = f", or write the unit, like {self._sample()}" if symptom.measure else ""
                return [Line(f"There is no {match[1][:10]}: choose from 1 to {len(CHOICES)}{unit}.")]
            typed = " ".join((CHOICES[number - 1], match[2] or "")).strip()
        try:
            finding, length = parse_words(symptom, typed, self.findings.units, origin)
        except InvalidFindingError as error:
            words = split_amount(typed)[0]
            if " " in typed and re.search("[a-z]{3}", words) and self._find("symptom", words):
                return [self._refused(error), Line(f"If that is another sign, write: also {typed}", "hint")]
            return [self._refused(error)]
        if length is not None:
            return self._count_length(finding, length)
        if finding.seen == "yes" and finding.severity is None and symptom.measure is not None:
            self._record({**answer_event(finding), AWAITS: "amount"})
            self._asking = None
            return []
        return self._count(finding)

    def _reply_confirm(self, pending: _Confirm, typed: str) -> list[Line]:
        if typed.lower() in YES and pending.doubt:
            return self._count_mm(pending.finding, pending.mm)
        if typed.lower() in YES:
            # a hedged figure is taken with the spread of a quarter of itself, so that it persuades less than a ruler
            return self._count(replace(pending.finding, error_mm=round((pending.finding.amount_mm or 0.0) / 4, 3)))
        if typed.lower() in NO:
            self._pending = None
            return [Line("Not counted.")]
        return self._amount(pending.finding, typed)

    def _amount(self, finding: Finding, typed: str) -> list[Line]:
        """The amount of a sign that was answered, in a measure or a word."""
        symptom = self.base.symptoms[finding.symptom]
        if typed.lower() in NOT_MEASURED:
            return self._count(finding)
        try:
            given, length = parse_words(symptom, side_last(typed), self.findings.units, finding.origin)
        except InvalidFindingError as error:
            return [self._refused(error)]
        side = given.side or finding.side
        if length is not None:
            return self._count_length(replace(given, side=side), length)
        if given.seen == "unsure":
            return self._count(finding)
        return self._count(replace(given, side=side) if given.seen == "yes" else given)

    def _count_length(self, finding: Finding, length: Length) -> list[Line]:
        units = self.findings.units
        if number := bare_number(length, units):
            return [Line(f"{number:g} what? Write the unit with it: {number:g} in, {number:g} cm or {number:g} mm.")]
        symptom = self.base.symptoms[finding.symptom]
        text, doubt = format_length(length.mm, units), self._doubt(symptom, length.mm)
        if length.vague or doubt:
            self._pending = _Confirm(finding, text, length.mm, doubt)
            return []
        return self._count_mm(finding, length.mm)

    def _doubt(self, symptom: Symptom, mm: float) -> str:
        """Why an amount cannot well be meant; empty if it can."""
        assert symptom.measure is not None
        doubt = doubt_of_sign(symptom.measure, mm)
        return doubt[:1].upper() + doubt[1:]

    def _count_mm(self, finding: Finding, mm: float) -> list[Line]:
        symptom = self.base.symptoms[finding.symptom]
        finding = measured(symptom, mm, side=finding.side, origin=finding.origin)
        lines = [Line(f"{told(self.base, finding, self.findings)}.")]
        if finding.seen == "no" and symptom.measure is not None:
            least = format_length(symptom.measure.seen_from_mm, self.findings.units)
            lines = [
                Line(
                    f"That little does not count yet; it counts from {least} on."
                    if symptom.measure.worse == "more"
                    else f"That does not count; it counts from {least} down."
                )
            ]
        return [*lines, *self._count(finding)]

    def _earlier(self, done: Done, typed: str) -> list[Line]:
        """The amount and round of an earlier alteration."""
        number = done.round
        if match := ROUND.search(typed.lower()):
            number = max(1, int(match[1]))
            typed = (typed[: match.start()] + typed[match.end() :]).strip(" ,")
        amount = None
        if typed.lower() not in NOT_MEASURED:
            try:
                length = parse_length(typed, self.findings.units)
            except InvalidLengthError as error:
                return [self._refused(error)]
            if bare := bare_number(length, self.findings.units):
                return [Line(f"{bare:g} what? Write the unit with it: {bare:g} in, {bare:g} cm or {bare:g} mm.")]
            amount = length.mm
        self._record(done_event(Done(done.alteration, amount, number)))
        much = f", {format_length(amount, self.findings.units)}" if amount is not None else ""
        return [
            Line(f"Done before: {lower_first(self.base.alterations[done.alteration].title)}{much}, round {number}.")
        ]

    def _count(self, finding: Finding) -> list[Line]:
        self._record(answer_event(finding))
        self._asking = None
        before, after = self._told, self._in_short()
        self._told = after
        self._calm = self._calm + 1 if after[1:] == before[1:] else 0
        if self._calm and self._calm % _CALM == 0:
            return [Line(f"So far: no change of the list in {self._calm} answers. Go on to be surer, or: stop.")]
        return [after[0] if after != before or self.stage != "questions" else Line("So far: no change.")]

    def _in_short(self) -> tuple[Line, tuple[tuple[str, float], ...]]:
        """What leads, and what the list would hold."""
        listed = tuple((item.alteration, item.amount.mm) for item in self.conclusion.plan.recommendations)
        return calm_line(self.base, self.conclusion.diagnosis), listed

    # -- telling; the words are in telling.py --------------------------------------------------------------------

    def where_left(self) -> list[Line]:
        """What to say to a fitter who comes back."""
        return where_left(self.base, self.findings, self.conclusion.diagnosis)

    def _why(self) -> list[Line]:
        if isinstance(self._pending, _Pick):
            return [Line("Several things go by that word, and they point to different causes.")]
        if self.expects_amount or self._pending is not None:
            return [Line("The amount decides how much to alter, and a small one persuades less than a large one.")]
        if self._asking is None:
            return [Line(STAGE_REASONS.get(self.stage, HELP))]
        return list(why_asked(self.base, self.conclusion.diagnosis, self._asking, arrays=self._arrays))

    def _how(self, rest: str) -> list[Line]:
        number = int(rest[:6]) if rest.isdecimal() else 0
        symptom = self.state.offered[0].symptom if self.state.offered else self._asking
        if isinstance(self._pending, _Pick):
            ids = self._pending.ids
            if not 1 <= number <= len(ids):
                return [Line(f"Type ? and a number of the list, like ?{min(2, len(ids))}, for how to tell it.")]
            if self._pending.kind == "alteration":
                rule = self.base.alterations[ids[number - 1]]
                return [Line(f"{rule.title}: {rule.why}")]
            symptom = ids[number - 1]
        elif isinstance(self._pending, _Confirm):
            symptom = self._pending.finding.symptom
        elif isinstance(self.state.awaiting, Finding):
            symptom = self.state.awaiting.symptom
        elif self.state.awaiting is not None:
            return [Line("How much was folded out, let in or moved there, as far as you know.")]
        elif self.stage == "seen" and rest in get_args(View):
            return signs_of(self.base, rest)
        elif self.stage == "body":
            notes = list(self.base.body_notes.values())
            if 1 <= number <= len(notes):
                return list(how_to_judge(notes[number - 1], self.findings.units))
            self._listed = False
            return [Line(f"There is no {one_line(rest, 20)} in the list.")] if rest else []
        if symptom is None:
            return [Line(HELP, "hint")]
        return list(how_to_look(self.base, self.base.symptoms[symptom], self.findings.units))


def _seen(symptom: str) -> Finding:
    return Finding(symptom, "yes", origin="volunteered")
