"""`fitdiag review CASE`: one guided run through a round; it stops anywhere and goes on from what lies in the round's folder."""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from fitdiag.cli.arguments import folder_of
from fitdiag.cli.case import case_folder
from fitdiag.cli.documents import write_documents
from fitdiag.cli.output import say, width, write
from fitdiag.cli.terminal import Screen, _Leave, hold_interview
from fitdiag.diagnosis.belief import lower_first, told
from fitdiag.files import read_bytes, write_atomically
from fitdiag.interview.telling import Line
from fitdiag.knowledge.findings import Done, Findings, findings_text, read_findings
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import read_text
from fitdiag.planning.plan import Recommendation
from fitdiag.problems import Where, one_line, shown_path, stop
from fitdiag.reports.report import brief, make_report
from fitdiag.reports.writers import as_text
from fitdiag.sessions.case import add_round, alone, case_findings, open_case, refusals, refuse_link, update_round
from fitdiag.sessions.case_files import Advised, Carried, Case, Outcome, Round
from fitdiag.sessions.from_photos import tells_more
from fitdiag.sessions.log import Event, SessionLog, read_log
from fitdiag.sessions.rounds import compared, expected_outcomes, observed_outcomes, remarks
from fitdiag.sessions.state import (
    STAGES,
    Conclusion,
    answer_event,
    conclude,
    conclusion_event,
    done_event,
    fold,
    measures_event,
    offered_event,
)
from fitdiag.units import InvalidLengthError, format_length, parse_length

if TYPE_CHECKING:
    from fitdiag.pattern.piece import Pattern
    from fitdiag.reports.form import Form

_FORM_QUESTIONS = 10
_MEASURED, _WORDS = "measured.yaml", "form.txt"


def review(
    name: str,
    parent: str | None,
    *,
    photos: Sequence[str],
    form: str | None,
    findings: str | None,
    done: Sequence[str],
    rules: str | None,
    ask: bool,
    send_form: bool,
    sent: bool,
    fits: bool,
    large: bool,
    today: date | None = None,
) -> int:
    """One run of a round."""
    base = load_rules(folder_of(rules))
    run = _Run(base, open_case(case_folder(name, parent)), name, today or date.today(), ask=ask, parent=parent)
    given = _read_form(base, run.case, form) if form else None
    mine = read_findings(Path(findings), base) if findings else None  # all is read before anything is written
    try:
        return run.through(photos, given, mine, done, send_form=send_form, sent=sent, fits=fits, large=large)
    except _Leave:
        write(f"\nLeft; every answer is saved. To go on:\n  {run.command}")
        return 130


class _Run:
    """One run over one case."""

    def __init__(self, base: RuleBase, case: Case, name: str, today: date, *, ask: bool, parent: str | None) -> None:
        self.base, self.case, self.today = base, case, today
        self.screen = Screen()
        self.ask = ask
        where = f" --in {shlex.quote(parent)}" if parent else ""
        self.command = f"fitdiag review {shlex.quote(one_line(name, 80))}{where}"
        self.form: Form | None = None
        self.warned: tuple[str, ...] = ()

    @property
    def one(self) -> Round:
        """The round that is on."""
        return self.case.rounds[-1]

    def through(
        self, photos: Sequence[str], form: Form | None, mine: Findings | None, done: Sequence[str], *, send_form: bool,
        sent: bool, fits: bool, large: bool,
    ) -> int:  # fmt: skip
        """The run itself; it may end anywhere."""
        something_came = bool(photos or form or mine or done or fits)
        if self.case.closed:
            raise stop("closed", "this case is closed", where=Where(shown_path(self.case.folder)))
        if photos and not self.case.consent.photos:
            raise stop(
                "consent", "no consent to photos is written down for this case", where=Where(shown_path(self.case.folder)),
                hint="ask the client; then write 'consent: {photos: yes, date: DATE, keep_until: DATE}' into case.yaml",
            )  # fmt: skip
        if sent and not something_came:
            return self.mark_sent()
        if not self.open_round(something_came, form, done):
            return 0
        if fits:
            return self.it_fits()
        if not self.take_in(photos, mine, form):
            return 0
        if send_form:
            return self.ask_the_client()
        conclusion = self.conclude()
        if conclusion is None:
            raise _Leave
        return self.finish(conclusion, sent=sent, large=large)

    # -- which round it is ----------------------------------------------------------------------------------------

    def open_round(self, something_came: bool, form: Form | None, done: Sequence[str]) -> bool:
        """Find or begin the round; before a new one, what was really done of the last one is written down."""
        self._refuse_links()
        if not self.case.rounds:
            if done:
                hint = "what was done before the first round stands under 'done:' in the --findings file"
                raise stop("argument", "--done tells about the round before, and there is none", hint=hint)
            self.case = add_round(self.case, today=self.today)
        elif self.one.sent is not None:
            if not something_came and not self._has_come():
                say(f"Round {self.one.number} lies with the client since {self.one.sent}. When something comes back:")
                write(f"  {self.command} --form FILE --photo back=FILE --photo left=FILE")
                return False
            carried = self._carried(form, done)
            changed = replace(self.one, done=carried, waiting="fitter", form_received=self.today if form else None)
            self.case = update_round(self.case, changed, today=self.today)
            if self.one.number != changed.number:
                told = "another window has begun the next round"
                raise stop("changed", told, where=Where(shown_path(self.one.folder)), hint="do this again")
            self.case = add_round(self.case, today=self.today)
            self._refuse_links()
        elif done or (form is not None and form.done):
            self._done_late(form, done)
        write(f"{one_line(self.case.name, 80)}, round {self.one.number}")
        return True

    def _refuse_links(self) -> None:
        """Nothing is read or written outside the case."""
        for one in self.case.rounds:
            inside = [one.photos, one.documents, one.findings_file, one.log_file, one.plan_file]
            inside += [one.folder / name for name in (_MEASURED, _WORDS)]
            for path in (*inside, *(sorted(one.photos.glob("*")) if one.photos.is_dir() else ())):
                refuse_link(path)

    def _has_come(self) -> bool:
        if not self.screen.interactive:
            return False
        self.screen.show([Line("Has the client tried it on?", "ask"), Line("1 yes  2 not yet", "item")])
        return self.screen.read().strip().lower() in ("1", "y", "yes")

    def _carried(self, form: Form | None, given: Sequence[str]) -> tuple[Carried, ...]:
        """What was done of what was advised: from the command line, the form, or asked; else as advised is not assumed."""
        told = self._told_done(form, given)
        result = []
        for item in self.one.advised:
            if item.alteration in told:
                amount, was_done = told.pop(item.alteration)
                much = (amount if amount is not None else item.amount_mm) if was_done else None
                result.append(Carried(item.alteration, much, was_done))
            elif self.screen.interactive:
                result.append(self._ask_done(item))
        result += [Carried(name, amount if was_done else None, was_done) for name, (amount, was_done) in told.items()]
        return tuple(result)

    def _told_done(self, form: Form | None, given: Sequence[str]) -> dict[str, tuple[float | None, bool]]:
        told = {key: _amount_or_no(self.base, key, text) for key, _, text in (item.partition("=") for item in given)}
        for alteration, state, amount in form.done if form is not None else ():
            told.setdefault(alteration, (amount, state in ("as-written", "otherwise")))
        return told

    def _done_late(self, form: Form | None, given: Sequence[str]) -> None:
        """What was done, told when the next round is on already: it still belongs to the round before."""
        if len(self.case.rounds) < 2:
            hint = "what was done before the first round stands under 'done:' in the --findings file"
            raise stop("argument", "--done tells about the round before, and there is none", hint=hint)
        before = self.case.rounds[-2]
        amounts = {item.alteration: item.amount_mm for item in before.advised}
        known = {item.alteration: item for item in before.done}
        asked = {item.partition("=")[0] for item in given}
        for name, (amount, was_done) in self._told_done(form, given).items():
            much = amount if amount is not None else amounts.get(name)
            if name not in known or name in asked:
                known[name] = Carried(name, much if was_done else None, was_done)
        if tuple(known.values()) == before.done:
            return
        if self.one.log_file.exists():
            raise stop(
                "too-late", f"the questions of round {self.one.number} have begun without this", where=Where(shown_path(before.folder)),
                hint=f"write it under 'done:' in round.yaml there, and move {shown_path(self.one.log_file)} away to begin again",
            )  # fmt: skip
        self.case = update_round(self.case, replace(before, done=tuple(known.values())), today=self.today)

    def _ask_done(self, item: Advised) -> Carried:
        title = (
            self.base.alterations[item.alteration].title
            if item.alteration in self.base.alterations
            else item.alteration
        )
        amount = f", {format_length(item.amount_mm, self.case.units)}" if item.amount_mm else ""
        while True:
            self.screen.show([
                Line(f"Advised: {title}{amount}. Was it done?", "ask"),
                Line("1 yes  2 no", "item"),
                Line("Or the amount that was really done.", "hint"),
            ])  # fmt: skip
            typed = self.screen.read().strip().lower()
            if typed in ("1", "y", "yes"):
                return Carried(item.alteration, item.amount_mm)
            if typed in ("2", "n", "no"):
                return Carried(item.alteration, None, done=False)
            try:
                return Carried(item.alteration, parse_length(typed, self.case.units).mm)
            except InvalidLengthError as error:
                self.screen.show([Line(f"{error}.")])

    def it_fits(self) -> int:
        """The trousers fit: the round says so, and the case can be closed."""
        self.case = update_round(self.case, replace(self.one, fits=True), today=self.today)
        say("Written down: they fit. To close the case:")
        write(f"  fitdiag case close {self.command.removeprefix('fitdiag review ')} --fits")
        return 0

    # -- what came in ---------------------------------------------------------------------------------------------

    def take_in(self, photos: Sequence[str], given: Findings | None, form: Form | None) -> bool:
        """Pictures, a form and findings into the round's folder. False when the pictures have yet to be marked."""
        if photos:
            from fitdiag.cli.photo import add

            add(photos, str(self.one.photos), face_above=None, focal=None, hip=None, replace=False, inside=True)
        if form is not None:
            self.form = form
            self._keep_words(self._form_words(form))
            for problem in form.warnings:
                say(f"- {problem.message}")
        mine = given or Findings(units=self.case.units)
        if form is not None:  # what the fitter saw counts before what the client ticked
            mine = replace(mine, symptoms={**{item.symptom: item for item in form.findings}, **mine.symptoms})
        if given is not None or form is not None:
            before = read_findings(self.one.findings_file, self.base) if self.one.findings_file.exists() else Findings()
            mine = replace(
                mine, client="", symptoms={**before.symptoms, **mine.symptoms}, done=mine.done or before.done
            )
            write_atomically(self.one.findings_file, findings_text(mine), replace=True)
            self._add_to_log(mine)
        return self._measure()

    def _agreed(self) -> bool:
        """Whether the client agreed to photos, asked where somebody can answer."""
        if not self.screen.interactive:
            return False
        self.screen.show([
            Line("No consent to photos is written down yet. Has the client agreed to them, and knows how long they are kept?", "ask"),
            Line("1 yes  2 no", "item"),
        ])  # fmt: skip
        return self.screen.read().strip().lower() in ("1", "y", "yes")

    def _add_to_log(self, found: Findings) -> None:
        """What comes in after the round's interview has begun is an answer like any other."""
        if self.one.log_file.exists():
            with _appending(self.one.log_file) as log:
                for finding in found.symptoms.values():
                    log.append(answer_event(finding))

    def _keep_words(self, words: str) -> None:
        """The client's words of every form of this round."""
        path = self.one.folder / _WORDS
        before = read_text(path, 64 * 1024, "form") if path.exists() else ""
        if words not in before:
            write_atomically(path, before + words, replace=True)

    @staticmethod
    def _form_words(form: Form) -> str:
        """What the client wrote in words, for the fitter; feelings first."""
        worst = ("hurts", "presses", "holds", "easy")
        felt = sorted(form.feels, key=lambda pair: worst.index(pair[1]) if pair[1] in worst else 0)
        return "\n".join([*(f"{when}: {how}" for when, how in felt), form.words]).strip() + "\n"

    def _measure(self) -> bool:
        pictures = sorted(self.one.photos.glob("*.jpg")) if self.one.photos.is_dir() else []
        measured_file = self.one.folder / _MEASURED
        if not pictures or self.one.log_file.exists():
            return True
        from fitdiag.cli.photo import mark, measure, sidecar
        from fitdiag.photos.marks import read_marks

        bare = [path for path in pictures if not read_marks(sidecar(path)).lines]
        if bare:
            mark(
                [str(path) for path in bare],
                None,
                units=self.case.units,
                propose=False,
                replace=True,
                then=self.command,
            )
            return False
        girth = self.case.body_measures.get("hip")
        measure(
            [str(path) for path in pictures], [], as_json=False, units=self.case.units,
            hip_girth=f"{girth:g} mm" if girth else None, findings=str(measured_file), overlays=None, rules=None, replace=True,
            inside=True,
        )  # fmt: skip
        return True

    # -- the client's form ----------------------------------------------------------------------------------------

    def ask_the_client(self) -> int:
        """Write the form for the client, with what only the wearer can tell, and leave the turn to them."""
        path = self._write_form(self.one, ())
        self.case = update_round(self.case, replace(self.one, waiting="client"), today=self.today)
        write(f"Send this form; it works offline, on a phone:\n  {shown_path(path)}")
        write(f"When the answer comes back:\n  {self.command} --form FILE")
        return 0

    def _write_form(self, one: Round, advised: Sequence[tuple[str, float | None]]) -> Path:
        from fitdiag.reports.form import client_form

        path = one.documents / "form.html"
        page = client_form(
            self.base, self._form_questions(), units=self.case.units, client=self.case.name, round_number=one.number,
            advised=advised, token=token(self.case, one.number),
        )  # fmt: skip
        write_atomically(path, page, replace=True)
        return path

    def _form_questions(self) -> list[str]:
        """The most telling open questions that a wearer can answer, and what was seen before, to see whether it is gone."""
        conclusion = conclude(self.base, self._known())
        asked = [
            q.symptom
            for q in conclusion.diagnosis.questions()
            if self.base.symptoms[q.symptom].by not in ("paper", "unpicking")
        ]
        felt = [symptom for symptom in asked if self.base.symptoms[symptom].felt]
        seen = [finding.symptom for finding in conclusion.diagnosis.findings.seen]
        return list(dict.fromkeys([*seen, *felt[:5], *asked]))[:_FORM_QUESTIONS]

    # -- the diagnosis --------------------------------------------------------------------------------------------

    def _known(self) -> Findings:
        """What is known before the round's own answers, or with them once there is a log."""
        if self.one.log_file.exists():
            return fold(read_log(self.one.log_file).events, self.base).findings
        known = case_findings(self.case, self.base, before=self.one.number)
        for one in self.case.rounds[:-1]:
            if one.log_file.exists():  # what was noted about the client in an earlier round still holds
                earlier = fold(read_log(one.log_file).events, self.base).findings
                known = replace(known, body={**known.body, **earlier.body})
        for one in self.case.rounds:
            if not one.findings_file.exists():
                continue
            mine = read_findings(one.findings_file, self.base)
            known = replace(known, done=(*(item for item in mine.done if item not in known.done), *known.done))
            if one.number == self.one.number:
                known = replace(known, symptoms={**known.symptoms, **mine.symptoms}, body={**known.body, **mine.body})
        return known

    def conclude(self) -> Conclusion | None:
        """Hold the interview, or conclude from what is there; None if the fitter left before its end."""
        one = self.one
        if not one.log_file.exists():
            events = self._first_events(self._known())
            begun = one.folder / "session-beginning.jsonl"  # becomes the log only when all that is known stands in it
            with alone(self.case.folder), refusals(begun, "this cannot be written"):
                if not one.log_file.exists():  # another window may have been first
                    begun.unlink(missing_ok=True)
                    with SessionLog.create(begun, self.base, client=self.case.name, units=self.case.units) as log:
                        for event in events:
                            log.append(event)
                    begun.replace(one.log_file)
        state = fold(read_log(one.log_file).events, self.base)
        offered = {finding.symptom: finding for finding in state.offered}
        self._say_history(replace(state.findings, symptoms={**offered, **state.findings.symptoms}))
        if self.ask:
            hold_interview(
                self.base, one.log_file, str(self.case.folder / self.case.pattern) if self.case.pattern else None
            )
            state = fold(read_log(one.log_file).events, self.base)
            return conclude(self.base, state.findings) if state.recorded is not None else None
        state = fold(read_log(one.log_file).events, self.base)
        for finding in state.offered:  # nobody is there to confirm them: the command line says to take them
            if (before := state.findings.symptoms.get(finding.symptom)) is not None:
                form, picture = (told(self.base, item, state.findings) for item in (before, finding))
                say(f"- The form and a picture differ, and the picture counts. Form: {form}. Picture: {picture}.")
            with _appending(one.log_file) as log:
                log.append(answer_event(finding))
        conclusion = conclude(self.base, fold(read_log(one.log_file).events, self.base).findings)
        with _appending(one.log_file) as log:
            log.append(conclusion_event(conclusion))
        write(as_text(make_report(self.base, conclusion, steps=False), self.base, width()))
        return conclusion

    def _first_events(self, known: Findings) -> list[Event]:
        events: list[Event] = [done_event(item) for item in known.done]
        if known.body:
            events.append({"event": "body", "notes": dict(known.body)})
        if known.body_measures or known.pattern_measures:
            events.append(measures_event(known))
        events += [answer_event(finding) for finding in known.symptoms.values()]
        told = (("history", self.one.number > 1 or bool(known.done)), ("body", bool(known.body)))
        events += [{"event": "stage", "ended": stage} for stage, is_known in told if is_known and stage in STAGES]
        measured = self.one.folder / _MEASURED
        if measured.exists():
            found = read_findings(measured, self.base).symptoms
            events.append(
                offered_event(item for name, item in found.items() if tells_more(item, known.symptoms.get(name)))
            )
        words = self.one.folder / _WORDS
        if words.exists():
            text = read_text(words, 64 * 1024, "form").strip()
            events += [
                {"event": "note", "text": f"the client: {one_line(line, 480)}"}
                for line in text.splitlines()[:12]
                if line
            ]
        return events

    def _say_history(self, findings: Findings) -> None:
        """Expected against observed, and what the earlier rounds warn of."""
        told = [remark.text for remark in compared(self.base, self._observed(findings), self.case.units)]
        told += [remark.text for remark in remarks(self.base, findings, self._grain_moved(findings))]
        self.warned = tuple(told)
        if told:
            write("\nFrom the earlier rounds")
        for text in told:
            say(f"- {text[:1].upper()}{text[1:]}")

    def _observed(self, findings: Findings) -> dict[str, Outcome]:
        return observed_outcomes(self.case.rounds[-2], findings) if len(self.case.rounds) > 1 else {}

    def _pattern(self) -> Pattern | None:
        if not self.case.pattern:
            return None
        from fitdiag.cli.pattern import read_pattern

        return read_pattern(str(self.case.folder / self.case.pattern))

    def _grain_moved(self, findings: Findings) -> dict[str, float]:
        """How far each earlier alteration moved the back grainline towards centre back, on the client's pattern."""
        pattern = self._pattern()
        if pattern is None:
            return {}
        from fitdiag.planning.effects import grain_moved

        return grain_moved(pattern, findings.done)

    def _changes(self, advised: Sequence[Advised]) -> dict[str, float]:
        """What the alterations change on the client's pattern."""
        pattern = self._pattern()
        if pattern is None:
            return {}
        from fitdiag.planning.effects import changes_on

        return changes_on(pattern, [Done(item.alteration, item.amount_mm) for item in advised])

    # -- the end of a round ---------------------------------------------------------------------------------------

    def finish(self, conclusion: Conclusion, *, sent: bool, large: bool) -> int:
        """Let the fitter choose, write the documents, and note what was advised."""
        proposed = conclusion
        conclusion = self._choose(proposed)
        findings = conclusion.diagnosis.findings
        advised = tuple(Advised(r.alteration, r.amount.mm, r.side) for r in conclusion.plan.recommendations)
        first = [Advised(r.alteration, r.amount.mm) for r in conclusion.plan.recommendations if r.only_if is None]
        if len(self.case.rounds) > 1:
            before = self.case.rounds[-2]
            self.case = update_round(self.case, replace(before, outcome=self._observed(findings)), today=self.today)
        outcome = expected_outcomes(self.base, findings, first, self._changes(first))
        taken = {item.alteration for item in advised}
        left_out = tuple(r.alteration for r in proposed.plan.recommendations if r.alteration not in taken)
        changed = replace(self.one, advised=advised, left_out=left_out, outcome=outcome)
        self.case = update_round(self.case, changed, today=self.today)
        if conclusion is not proposed or not self.ask:
            say("In short:")
            for line in brief(make_report(self.base, conclusion), self.base):
                say(line)
        written = write_documents(self.base, self.case, conclusion, self._pattern(), self.today, large=large)
        written.append(
            self._write_form(self.one, [(r.alteration, r.amount.mm) for r in conclusion.plan.recommendations])
        )
        write("\nWritten:")
        for path in written:
            write(f"  {shown_path(path)}")
        if not advised:
            say("Nothing is advised. If the trousers fit:")
            write(f"  {self.command} --fits")
            return 0
        if sent or self._was_sent():
            return self.mark_sent()
        say("Send client.pdf (or client.html), form.html and shot-card.pdf; then write it down:")
        write(f"  {self.command} --sent")
        return 0

    def mark_sent(self) -> int:
        """The pages went to the client; it is their turn."""
        if not self.case.rounds or not self.one.advised or self.one.sent is not None:
            raise stop(
                "nothing-to-send", "there is no list that waits to be sent", where=Where(shown_path(self.case.folder)),
                hint=f"{self.command} makes one",
            )  # fmt: skip
        self.case = update_round(self.case, replace(self.one, waiting="client", sent=self.today), today=self.today)
        say("Written down as sent. When the client has tried it on:")
        write(f"  {self.command} --form FILE --photo back=FILE --photo left=FILE")
        return 0

    def _was_sent(self) -> bool:
        if not self.screen.interactive or not self.ask:
            return False
        self.screen.show([Line("Sent to the client?", "ask"), Line("1 yes  2 not yet", "item")])
        return self.screen.read().strip().lower() in ("1", "y", "yes")

    def _choose(self, conclusion: Conclusion) -> Conclusion:
        """The fitter decides: which of the list is advised, and how much."""
        before = {item.alteration: item.amount_mm for item in self.one.advised}
        chosen = [
            item
            if (mm := before.get(item.alteration)) is None or abs(mm - item.amount.mm) < 0.5
            else self._by_hand(item, mm)
            for item in conclusion.plan.recommendations
            if item.alteration not in self.one.left_out
        ]  # what was chosen in an earlier run of this round stays chosen
        out = [item for item in conclusion.plan.recommendations if item.alteration in self.one.left_out]
        if not (chosen or out) or not self.screen.interactive or not self.ask:
            return self._chosen(conclusion, chosen)
        while True:
            example = "1,5 cm" if self.case.units == "cm" else "1/2 in"
            self.screen.show([
                Line("Advise this list?" if chosen else "Advise nothing this round?", "ask"),
                *(Line(f"{n}. {self._told(item)}", "item") for n, item in enumerate(chosen, 1)),
                *(Line(f"Left out: {self._told(item)}", "item") for item in out),
                Line(
                    f"Enter for yes; without 1 leaves one out; 1 = {example} changes an amount"
                    f"{'; all takes back what was left out' if out else ''}.", "hint",
                ),
            ])  # fmt: skip
            typed = self.screen.read().strip().lower()
            if typed in ("", "y", "yes"):
                return self._chosen(conclusion, chosen)
            if (match := re.fullmatch(r"without (\d)", typed)) and 1 <= int(match[1]) <= len(chosen):
                out.append(chosen.pop(int(match[1]) - 1))
            elif typed == "all" and out:
                place = {item.alteration: item.rank for item in conclusion.plan.recommendations}
                chosen = sorted([*chosen, *out], key=lambda item: place[item.alteration])
                out = []
            elif (match := re.fullmatch(r"(\d)\s*=\s*(.+)", typed)) and 1 <= int(match[1]) <= len(chosen):
                try:
                    mm = parse_length(match[2], self.case.units).mm
                except InvalidLengthError as error:
                    self.screen.show([Line(f"{error}.")])
                    continue
                item = chosen[int(match[1]) - 1]
                chosen[int(match[1]) - 1] = self._by_hand(item, mm)
                most = self.base.alterations[item.alteration].most_a_round.amount_mm
                if mm > most + 0.5:
                    limit = format_length(most, self.case.units)
                    self.screen.show(
                        [Line(f"That is more than the {limit} one round should take; it is yours to decide.")]
                    )
            else:
                self.screen.show([Line("That is none of these.")])

    def _by_hand(self, item: Recommendation, mm: float) -> Recommendation:
        text = format_length(mm, self.case.units)
        return replace(item, amount=replace(item.amount, mm=mm, text=text, basis="The amount your fitter chose"))

    def _chosen(self, conclusion: Conclusion, chosen: Sequence[Recommendation]) -> Conclusion:
        """The conclusion with the fitter's own list: numbered anew, and its sentence said anew."""
        if tuple(chosen) == conclusion.plan.recommendations:
            return conclusion
        ranked = tuple(replace(item, rank=rank) for rank, item in enumerate(chosen, 1))
        first = ranked[0] if ranked else None
        verdict = "Nothing is altered this round; the fitter decided so."
        if first is not None:
            verdict = f"First: {lower_first(self.base.alterations[first.alteration].title)}, {first.amount.text}."
        return replace(conclusion, plan=replace(conclusion.plan, recommendations=ranked, verdict=verdict))

    def _told(self, item: Recommendation) -> str:
        only = " (only if it still shows)" if item.only_if else ""
        return f"{self.base.alterations[item.alteration].title}, {item.amount.text}{only}"


def _appending(path: Path) -> SessionLog:
    return SessionLog.resume(path)[0]


def token(case: Case, number: int) -> str:
    """What a form carries, so that it finds its case: the folder's name and the round."""
    return f"{re.sub(r'[^a-z0-9-]', '-', case.folder.name.lower())[:50]}-{number}"


def _read_form(base: RuleBase, case: Case, path: str) -> Form:
    from fitdiag.reports.form import LARGEST, read_form

    raw = read_bytes(Path(path), LARGEST, "form")
    form = read_form(raw.decode("utf-8", "replace"), base, path)
    asked = case.rounds[-1:] if case.rounds and case.rounds[-1].sent else case.rounds[-2:]
    if form.token not in {token(case, one.number) for one in asked}:
        if form.token in {token(case, one.number) for one in case.rounds}:
            told = f"this form was for round {form.token.rpartition('-')[2]}, and round {case.rounds[-1].number} is on"
            raise stop("form-old", told, where=Where(shown_path(path)), hint="is there a newer one?")
        raise stop(
            "form-other", "this form belongs to another case or round", where=Where(shown_path(path)),
            hint=f"it says '{one_line(form.token, 60)}'",
        )  # fmt: skip
    return form


def _amount_or_no(base: RuleBase, alteration: str, text: str) -> tuple[float | None, bool]:
    if alteration not in base.alterations:
        raise stop(
            "argument", f"there is no alteration '{one_line(alteration, 40)}'", hint="`fitdiag rules list alterations`"
        )
    if text.strip().lower() in ("", "yes"):
        return None, True
    if text.strip().lower() == "no":
        return None, False
    try:
        return parse_length(text).mm, True
    except InvalidLengthError as error:
        raise stop("argument", f"{alteration}: {error}") from None
