"""The interview: what is asked next, how an answer is understood, and what is said to it.

Holds no terminal. `prompt()` gives the lines to show, `reply(text)` takes what was typed and gives the lines to say. Every
accepted answer is first handed to `save` (the log), then counted; what is half typed (a pick from a list, an amount still
to come) is kept nowhere, so leaving at any moment loses no answer.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from fitdiag.diagnosis.belief import Question, chance_words, lower_first, told
from fitdiag.interview.search import find_alterations, find_body_notes, find_symptoms
from fitdiag.knowledge.findings import Done, Finding, Findings, InvalidFindingError, Origin, measured, parse_words
from fitdiag.knowledge.model import RuleBase, Symptom
from fitdiag.problems import one_line
from fitdiag.sessions.log import Event
from fitdiag.sessions.state import Conclusion, State, answer_event, conclude, done_event, fold
from fitdiag.units import InvalidLengthError, format_length, parse_length

Style = Literal["head", "ask", "hint", "said", "item"]
CHOICES = ("yes", "no", "can't say", "slight", "clear", "strong")
HELP = (
    "Answer in words or by number. At any time: ? how to look, why this question, back (or back 3) to take answers away,"
    " note and your words, so far, stop. Every answer is saved at once; you can leave whenever you like."
)


@dataclass(frozen=True)
class Line:
    """A line to show, and what it is."""

    text: str
    style: Style = "said"


@dataclass(frozen=True)
class _Pick:
    """Waiting for a choice from a numbered list."""

    kind: Literal["symptom", "alteration"]
    ids: tuple[str, ...]


@dataclass(frozen=True)
class _HowMuch:
    """Waiting for the amount of something that was answered already ("yes", or an earlier alteration)."""

    finding: Finding | None = None
    alteration: str | None = None


@dataclass(frozen=True)
class _Confirm:
    """Waiting for a yes to a vague amount."""

    finding: Finding
    text: str


_Pending = _Pick | _HowMuch | _Confirm | None


class Interview:
    """One interview over a log. `events`: what the log holds already; `save`: appends an event and returns it stamped."""

    def __init__(
        self, base: RuleBase, events: tuple[Event, ...], save: Callable[[Event], Event], *, arrays: bool = True
    ) -> None:
        self.base = base
        self._events = list(events)
        self._save = save
        self._arrays = arrays
        self._pending: _Pending = None
        self._more = False
        self._asking: str | None = None
        self.finished = False
        self.state: State = fold(self._events, base)
        self.conclusion: Conclusion = conclude(base, self.state.findings)

    # -- state ---------------------------------------------------------------------------------------------------

    @property
    def findings(self) -> Findings:
        return self.state.findings

    @property
    def stage(self) -> str:
        """Which part of the interview is on: history, body, seen, questions."""
        return next((name for name in ("history", "body", "seen") if name not in self.state.ended), "questions")

    @property
    def asking(self) -> str | None:
        """The symptom that is asked about now, if one is."""
        return self._asking

    @property
    def expects_amount(self) -> bool:
        """Whether the amount of something already answered is asked for now."""
        return isinstance(self._pending, _HowMuch)

    def _record(self, event: Mapping[str, Any]) -> None:
        self._events.append(self._save(event))
        self.state = fold(self._events, self.base)
        self.conclusion = conclude(self.base, self.state.findings)
        self._pending = None

    def _next_question(self) -> Question | None:
        view = self.base.symptoms[self.state.last_symptom].views[0] if self.state.last_symptom else None
        questions = self.conclusion.diagnosis.questions(view, self._arrays)
        if not questions:
            return None
        if questions[0].worth >= self.base.setting("stop_below_bits") or self._more:
            return questions[0]
        return None

    # -- asking --------------------------------------------------------------------------------------------------

    def prompt(self) -> list[Line]:
        """The lines of the question that is on now. Sets `finished` when there is nothing left to ask."""
        if self._pending is not None:
            return self._prompt_pending(self._pending)
        if self.stage == "history":
            return [
                Line("Earlier rounds", "head"),
                Line("Was this pattern altered before, and how?", "ask"),
                Line(
                    "Type a word of what was done (tuck, lengthen, scoop ...); Enter when there is nothing (more).",
                    "hint",
                ),
            ]
        if self.stage == "body":
            return self._prompt_body()
        if self.stage == "seen":
            return [
                Line("What you see", "head"),
                Line("What do you see on the muslin, or does the wearer feel?", "ask"),
                Line("Type a word (dip, wedgie, baggy ...); Enter when there is nothing (more).", "hint"),
            ]
        if self._asking is None:
            question = self._next_question()
            if question is None:
                return self._end()
            self._asking = question.symptom
        return self._prompt_symptom(self.base.symptoms[self._asking])

    def _prompt_pending(self, pending: _Pick | _HowMuch | _Confirm) -> list[Line]:
        if isinstance(pending, _Pick):
            titles = [self._title(pending.kind, rule_id) for rule_id in pending.ids]
            lines = [Line(f"{number}. {title}", "item") for number, title in enumerate(titles, 1)]
            return [
                Line("Which of these?", "ask"),
                *lines,
                Line("A number (or several), another word, or Enter for none of these.", "hint"),
            ]
        if isinstance(pending, _Confirm):
            return [
                Line(f"About {pending.text}: shall it count as {pending.text}?", "ask"),
                Line("yes, no, or the amount.", "hint"),
            ]
        if pending.alteration is not None:
            title = self.base.alterations[pending.alteration].title
            return [
                Line(f"{title}: by how much?", "ask"),
                Line(
                    f"An amount like {self._sample()}, with 'round 2' if it was not the first; Enter if not known.",
                    "hint",
                ),
            ]
        assert pending.finding is not None
        symptom = self.base.symptoms[pending.finding.symptom]
        assert symptom.measure is not None
        return [
            Line(f"How much is it? {symptom.measure.what[:1].upper()}{symptom.measure.what[1:]}.", "ask"),
            Line(
                f"An amount like {self._sample()}; slight, clear or strong; Enter if not measured; ? how to measure.",
                "hint",
            ),
        ]

    def _prompt_body(self) -> list[Line]:
        notes = list(self.base.body_notes.values())
        lines = [
            Line("The wearer", "head"),
            Line("Which of these describe the shape and stance? Compare with the block.", "ask"),
        ]
        titles = [
            f"{number}. {note.title}{' (optional)' if note.private else ''}" for number, note in enumerate(notes, 1)
        ]
        half = (len(titles) + 1) // 2
        if max(map(len, titles), default=0) <= 37:
            left = max(map(len, titles[:half]), default=0) + 2
            pairs = [
                f"{one:<{left}}{titles[index + half] if index + half < len(titles) else ''}".rstrip()
                for index, one in enumerate(titles[:half])
            ]
            lines += [Line(pair, "item") for pair in pairs]
        else:
            lines += [Line(title, "item") for title in titles]
        lines.append(
            Line("Numbers or words, with m where it is marked (1 3m); ?3 how to judge; Enter for none.", "hint")
        )
        return lines

    def _prompt_symptom(self, symptom: Symptom) -> list[Line]:
        lines = [Line(symptom.ask, "ask"), Line("1 yes  2 no  3 can't say  4 slight  5 clear  6 strong", "item")]
        hint = f"Or an amount like {self._sample()} ({symptom.measure.what}). " if symptom.measure else ""
        lines.append(
            Line(f"{hint}Add left or right for one side only. ? how to look, why, back, so far, stop.", "hint")
        )
        return lines

    def _sample(self) -> str:
        return "3/4 in" if self.findings.units == "in" else "2 cm"

    def _title(self, kind: str, rule_id: str) -> str:
        return self.base.symptoms[rule_id].title if kind == "symptom" else self.base.alterations[rule_id].title

    def _end(self) -> list[Line]:
        self.finished = True
        view = self.base.symptoms[self.state.last_symptom].views[0] if self.state.last_symptom else None
        questions = self.conclusion.diagnosis.questions(view, self._arrays)
        if not questions:
            return [Line("Every question has been answered.")]
        best = questions[0]
        title = lower_first(self.base.symptoms[best.symptom].title)
        least = self.base.setting("stop_below_bits")
        return [
            Line(
                f"No question left is worth its trouble. The most telling would be: {title}"
                f" ({best.gain_bits:.2f} bits for a cost of {best.cost:g}; asked from {least:g} bits on)."
            )
        ]

    @property
    def can_go_on(self) -> bool:
        """Whether there is any unanswered question left."""
        return len(self.findings.symptoms) < len(self.base.symptoms)

    def ask_more(self) -> None:
        """Go on asking although no question is worth its cost by the rules."""
        self._more = True
        self.finished = False

    # -- answering -----------------------------------------------------------------------------------------------

    def reply(self, text: str) -> list[Line]:
        """Take one typed line; the lines to say to it. Unusable text is answered, never counted."""
        typed = " ".join(text.replace("’", "'").split())
        if len(typed) > 500:
            return [Line("That is too long for an answer; shorten it, or write it into a file of your own.")]
        command = self._command(typed)
        if command is not None:
            return command
        if isinstance(self._pending, _Pick):
            return self._reply_pick(self._pending, typed)
        if isinstance(self._pending, _Confirm):
            return self._reply_confirm(self._pending, typed)
        if isinstance(self._pending, _HowMuch):
            return self._reply_how_much(self._pending, typed)
        if self.stage == "history":
            return self._reply_search("alteration", typed, "history")
        if self.stage == "body":
            return self._reply_body(typed)
        if self.stage == "seen":
            return self._reply_search("symptom", typed, "seen")
        if self._asking is None:
            return [Line(HELP, "hint")]
        return self._reply_symptom(self.base.symptoms[self._asking], typed, "asked")

    def _command(self, typed: str) -> list[Line] | None:
        word = typed.lower().rstrip(".!")
        if word in ("help", "h"):
            return [Line(HELP, "hint")]
        if word == "stop":
            self.finished = True
            return [Line("Stopped here; the list below rests on what was answered.")]
        if word == "so far":
            return self._so_far()
        if word == "why":
            return self._why()
        if word.startswith("?"):
            return self._how(word[1:].strip())
        if match := re.fullmatch(r"back(?: (\d{1,3}))?", word):
            return self._back(int(match[1] or 1))
        if re.match(r"note\b", typed, re.IGNORECASE):
            words = typed[4:].strip(" :")
            if not words:
                return [Line("Write the note behind the word: note hem is only tacked")]
            pending = self._pending
            self._record({"event": "note", "text": words})
            self._pending = pending
            return [Line("Noted.")]
        return None

    def _back(self, count: int) -> list[Line]:
        if self._pending is not None and count == 1:
            self._pending = None
            return [Line("Left that; nothing was taken away.")]
        if not self.state.steps:
            self._pending = None
            return [Line("This is the beginning; there is nothing to take back.")]
        count = min(count, self.state.steps)
        before = self.state
        self._asking = None
        self._record({"event": "back", "steps": count})
        gone = [told(self.base, finding, before.findings) for name, finding in before.findings.symptoms.items()
                if self.findings.symptoms.get(name) != finding]  # fmt: skip
        gone += [
            self.base.alterations[done.alteration].title for done in before.findings.done[len(self.findings.done) :]
        ]
        gone += [self.base.body_notes[note].title for note in before.findings.body if note not in self.findings.body]
        what = "; ".join(gone) or "a step"
        return [Line(f"Taken back: {what}.")]

    def _reply_search(self, kind: Literal["symptom", "alteration"], typed: str, stage: str) -> list[Line]:
        if typed.lower() in ("", "no", "n", "none", "nothing", "done", "2"):
            self._record({"event": "stage", "ended": stage})
            return []
        found = (find_symptoms if kind == "symptom" else find_alterations)(self.base, typed)
        if not found:
            return [
                Line(
                    f"Nothing here is called '{one_line(typed, 40)}'. Try another word, or Enter to go on; later questions will find it."
                )
            ]
        if len(found) == 1:
            return self._picked(kind, found[0])
        self._pending = _Pick(kind, found)
        return []

    def _picked(self, kind: str, rule_id: str) -> list[Line]:
        if kind == "alteration":
            self._pending = _HowMuch(alteration=rule_id)
            return []
        symptom = self.base.symptoms[rule_id]
        finding = Finding(rule_id, "yes", origin="volunteered")
        if symptom.measure is not None:
            self._pending = _HowMuch(finding=finding)
            return [Line(f"Seen: {lower_first(symptom.title)}.")]
        return [Line(f"Seen: {lower_first(symptom.title)}."), *self._count(finding)]

    def _reply_pick(self, pending: _Pick, typed: str) -> list[Line]:
        if not typed or typed.lower() in ("no", "none", "n"):
            self._pending = None
            return []
        numbers = typed.replace(",", " ").split()
        if all(number.isdigit() for number in numbers):
            wrong = [number for number in numbers if not 1 <= int(number[:6]) <= len(pending.ids)]
            if wrong:
                return [Line(f"There is no {wrong[0][:10]} in the list; choose from 1 to {len(pending.ids)}.")]
            chosen = [pending.ids[int(number) - 1] for number in dict.fromkeys(numbers)]
            if len(chosen) == 1 or pending.kind == "alteration":
                return self._picked(pending.kind, chosen[0])
            lines: list[Line] = []
            for symptom in chosen:  # several at once: seen, amounts not measured
                lines = self._count(Finding(symptom, "yes", origin="volunteered"))
            return [Line(f"Seen: {', '.join(lower_first(self.base.symptoms[name].title) for name in chosen)}."), *lines]
        self._pending = None
        return self.reply(typed)

    def _reply_body(self, typed: str) -> list[Line]:
        ids = list(self.base.body_notes)
        notes: dict[str, str] = {}
        if typed and typed.lower() not in ("no", "none", "n", "nothing"):
            parts = [part for part in re.split(r"[,;]+", typed) if part.strip()]
            if len(parts) == 1 and re.fullmatch(r"[\dm\s]+", typed.lower()):
                parts = typed.split()
            for part in parts:
                match = re.fullmatch(r"(\d{1,3})\s*(m|marked)?", part.strip().lower())
                if match:
                    if not 1 <= int(match[1]) <= len(ids):
                        return [
                            Line(f"There is no {match[1]} in the list; choose from 1 to {len(ids)}, or Enter for none.")
                        ]
                    notes[ids[int(match[1]) - 1]] = "marked" if match[2] else "some"
                    continue
                words = re.sub(r"\b(m|marked|very)\b", "", part.strip().lower()).strip()
                found = find_body_notes(self.base, words)
                if len(found) == 1:
                    notes[found[0]] = "marked" if words != part.strip().lower() else "some"
                elif found:
                    names = ", ".join(
                        f"{ids.index(name) + 1} {lower_first(self.base.body_notes[name].title)}" for name in found[:4]
                    )
                    return [
                        Line(f"'{one_line(part.strip(), 30)}' may mean {names}. Which? Give all numbers that hold.")
                    ]
                else:
                    return [
                        Line(f"'{one_line(part.strip(), 30)}' is not in the list; give numbers, or Enter for none.")
                    ]
        if notes:
            self._record({"event": "body", "notes": notes})
        self._record({"event": "stage", "ended": "body"})
        if not notes:
            return []
        counted = [
            lower_first(self.base.body_notes[note].title) + (" (marked)" if grade == "marked" else "")
            for note, grade in notes.items()
        ]
        return [Line(f"Counted: {', '.join(counted)}.")]

    def _reply_symptom(self, symptom: Symptom, typed: str, origin: Origin) -> list[Line]:
        if not typed:
            return [Line("Enter alone is no answer; 3 or can't say leaves it open.", "hint")]
        words = typed.lower().split(" ", 1)
        if (
            words[0].isdigit()
            and len(words[0]) == 1
            and 1 <= int(words[0]) <= len(CHOICES)
            and (len(words) == 1 or words[1] in ("left", "right", "both"))
        ):
            typed = " ".join((CHOICES[int(words[0]) - 1], *words[1:]))
        elif typed.isdigit():
            return [
                Line(
                    f"{one_line(typed, 12)} of what? Choose 1 to {len(CHOICES)}, or write the unit: {self._sample()}.",
                    "hint",
                )
            ]
        try:
            finding, length = parse_words(symptom, typed, self.findings.units, origin)
        except InvalidFindingError as error:
            return [Line(f"{str(error)[:1].upper()}{str(error)[1:]}.", "hint")]
        if length is not None and length.vague:
            self._pending = _Confirm(finding, format_length(length.mm, self.findings.units))
            return []
        if finding.seen == "yes" and finding.severity is None and length is None and symptom.measure is not None:
            self._pending = _HowMuch(finding=finding)
            return []
        return self._count(finding)

    def _reply_confirm(self, pending: _Confirm, typed: str) -> list[Line]:
        if typed.lower() in ("yes", "y", "1"):
            # a hedged figure is taken with the spread of a quarter of itself, so that it persuades less than a ruler
            return self._count(replace(pending.finding, error_mm=round((pending.finding.amount_mm or 0.0) / 4, 3)))
        if typed.lower() in ("no", "n", "2", ""):
            self._pending = _HowMuch(finding=replace(pending.finding, amount_mm=None, seen="yes"))
            return [Line("Then not that much.")]
        return self._amount(pending.finding, typed)

    def _reply_how_much(self, pending: _HowMuch, typed: str) -> list[Line]:
        if pending.alteration is not None:
            return self._earlier(pending.alteration, typed)
        assert pending.finding is not None
        if not typed or typed.lower() in ("not measured", "no", "n", "can't say", "unsure"):
            return self._count(pending.finding)
        return self._amount(pending.finding, typed)

    def _amount(self, finding: Finding, typed: str) -> list[Line]:
        symptom = self.base.symptoms[finding.symptom]
        if typed.isdigit():
            return [Line(f"{one_line(typed, 12)} of what? Write the unit: {self._sample()}.", "hint")]
        try:
            given, length = parse_words(symptom, typed, self.findings.units, finding.origin)
        except InvalidFindingError as error:
            return [Line(f"{str(error)[:1].upper()}{str(error)[1:]}.", "hint")]
        side = given.side or finding.side
        if length is None:
            if given.seen == "yes":
                return self._count(replace(given, side=side))
            return self._count(given)
        whole = measured(symptom, length.mm, side=side, origin=finding.origin)
        if length.vague:
            self._pending = _Confirm(whole, format_length(length.mm, self.findings.units))
            return []
        lines = self._count(whole)
        if whole.seen == "no":
            return [Line("That little counts as not seen.", "hint"), *lines]
        return lines

    def _earlier(self, alteration: str, typed: str) -> list[Line]:
        number = 1
        if match := re.search(r"\bround (\d{1,2})\b", typed.lower()):
            number = max(1, int(match[1]))
            typed = (typed[: match.start()] + typed[match.end() :]).strip(" ,")
        amount = None
        if typed and typed.lower() not in ("not known", "unknown", "no", "can't say"):
            if typed.isdigit():
                return [Line(f"{one_line(typed, 12)} of what? Write the unit: {self._sample()}.", "hint")]
            try:
                amount = parse_length(typed, self.findings.units).mm
            except InvalidLengthError as error:
                return [Line(f"{str(error)[:1].upper()}{str(error)[1:]}.", "hint")]
        self._record(done_event(Done(alteration, amount, number)))
        much = f", {format_length(amount, self.findings.units)}" if amount is not None else ""
        return [Line(f"Done before: {lower_first(self.base.alterations[alteration].title)}{much}, round {number}.")]

    def _count(self, finding: Finding) -> list[Line]:
        self._record(answer_event(finding))
        self._asking = None
        return [self._calm_line()]

    # -- telling -------------------------------------------------------------------------------------------------

    def _calm_line(self) -> Line:
        """What leads and how sure, in one line."""
        leaders = [belief for belief in self.conclusion.diagnosis.beliefs if belief.has_sign]
        if not leaders or leaders[0].probability < 0.1:
            return Line("So far nothing leads.")
        first = leaders[0]
        lead = f"So far: {lower_first(self.base.causes[first.cause].title)}, {chance_words(first.probability)}"
        others = sum(1 for belief in leaders[1:] if belief.probability >= 0.3)
        return Line(lead + (f"; {others} more {'is' if others == 1 else 'are'} possible." if others else "."))

    def _so_far(self) -> list[Line]:
        findings = self.findings
        lines = [Line("Answered so far", "head")]
        lines += [Line(f"- {told(self.base, finding, findings)}", "item") for finding in findings.symptoms.values()]
        lines += [
            Line(f"- {self.base.body_notes[note].title}{' (marked)' if grade == 'marked' else ''}", "item")
            for note, grade in findings.body.items()
        ]
        for done in findings.done:
            much = f", {format_length(done.amount_mm, findings.units)}" if done.amount_mm is not None else ""
            lines.append(
                Line(
                    f"- Done in round {done.round}: {lower_first(self.base.alterations[done.alteration].title)}{much}",
                    "item",
                )
            )
        if len(lines) == 1:
            lines.append(Line("- nothing yet", "item"))
        lines.append(Line("Likely", "head"))
        likely = [
            belief for belief in self.conclusion.diagnosis.beliefs if belief.has_sign and belief.probability >= 0.05
        ][:5]
        lines += [
            Line(f"- {self.base.causes[belief.cause].title}: {chance_words(belief.probability)}", "item")
            for belief in likely
        ]
        if not likely:
            lines.append(Line("- nothing leads yet", "item"))
        lines.append(Line(self.conclusion.plan.verdict))
        return lines

    def _why(self) -> list[Line]:
        if self._pending is not None or self._asking is None:
            reasons = {
                "history": "Earlier alterations say much about the pattern: one that was lengthened twice is likelier to be thrown off grain.",
                "body": "The same sign means different things on different shapes; body notes say which causes to expect.",
                "seen": "Beginning with what already meets the eye saves questions.",
                "questions": "The amount decides how much to alter, and a small one persuades less than a large one.",
            }
            return [Line(reasons[self.stage])]
        diagnosis = self.conclusion.diagnosis
        question = next(
            (item for item in diagnosis.questions(None, self._arrays) if item.symptom == self._asking), None
        )
        lines = []
        for seen in ("yes", "no"):
            after = diagnosis.if_answered(self._asking, seen).probability
            moved = sorted(after, key=lambda cause: (-abs(after[cause] - diagnosis.probability[cause]), cause))[:2]
            parts = [
                f"{lower_first(self.base.causes[cause].title)} would go"
                f" from {diagnosis.probability[cause]:.0%} to {after[cause]:.0%}"
                for cause in moved
                if abs(after[cause] - diagnosis.probability[cause]) >= 0.005
            ]
            lines.append(Line(f"If {seen}: {'; '.join(parts) or 'hardly anything would change'}.", "item"))
        gain = f" It is worth {question.gain_bits:.2f} bits, at a cost of {question.cost:g}." if question else ""
        return [Line(f"This question tells most for its trouble.{gain}"), *lines]

    def _how(self, rest: str) -> list[Line]:
        if self.stage == "body" and self._pending is None:
            ids = list(self.base.body_notes)
            if rest.isdigit() and 1 <= int(rest[:4]) <= len(ids):
                note = self.base.body_notes[ids[int(rest) - 1]]
                lines = [Line(f"{note.title}: {note.judge}")]
                if note.measure:
                    units = self.findings.units
                    past = "from" if note.measure.worse == "more" else "at or under"
                    lines.append(Line(f"Measured: {note.measure.what}; some {past} {format_length(note.measure.some_mm, units)},"
                                      f" marked {past} {format_length(note.measure.marked_mm, units)}."))  # fmt: skip
                return lines
            return [Line("Type ? and a number of the list, like ?3, for how to judge it.")]
        symptom_id = self._asking
        if isinstance(self._pending, _HowMuch | _Confirm) and self._pending.finding is not None:
            symptom_id = self._pending.finding.symptom
        if symptom_id is None:
            return [Line(HELP, "hint")]
        symptom = self.base.symptoms[symptom_id]
        lines = [Line(f"How to look: {symptom.look}")]
        if measure := symptom.measure:
            units = self.findings.units
            past = "from" if measure.worse == "more" else "from this down:"
            grades = ", ".join(f"{grade} {past} {format_length(mm, units)}" for grade, mm in measure.grades_mm.items())
            lines.append(Line(f"How to measure {measure.what}: {measure.how} ({grades})"))
        others = [lower_first(self.base.symptoms[other].title) for other in symptom.confused_with]
        if others:
            lines.append(Line(f"Not to be confused with: {'; '.join(others)}."))
        return lines
