"""`fitdiag review CASE`: one guided run through a round; it stops anywhere and goes on from what lies in the round's folder."""

from __future__ import annotations

import json
import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from fitdiag.cli.arguments import folder_of, paper_of
from fitdiag.cli.case import case_folder
from fitdiag.cli.choose import agreed, ask_done, choose
from fitdiag.cli.documents import write_documents
from fitdiag.cli.forms import WORDS, form_that_came, keep_words, pressing, words_of, write_form
from fitdiag.cli.output import say, width, write
from fitdiag.cli.terminal import Screen, _Leave, hold_interview
from fitdiag.diagnosis.belief import told
from fitdiag.files import read_bytes, write_atomically
from fitdiag.knowledge.findings import Done, Finding, Findings
from fitdiag.knowledge.findings_file import findings_text, read_findings
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import Recommendation
from fitdiag.problems import ProblemsFoundError, Where, one_line, shown_path, stop
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
from fitdiag.units import InvalidLengthError, parse_length

if TYPE_CHECKING:
    from fitdiag.pattern.piece import Pattern
    from fitdiag.reports.client_pdf import Paper
    from fitdiag.reports.form import Form

_FORM_QUESTIONS = 10
_MEASURED = "measured.yaml"


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
    paper: str | None = None,
    today: date | None = None,
    drape: bool = True,
) -> int:
    """One run of a round."""
    base = load_rules(folder_of(rules))
    run = _Run(base, open_case(case_folder(name, parent)), name, today or date.today(), ask=ask, parent=parent)
    run.drape = drape
    sheets = paper_of(paper, run.case.units)
    given = form_that_came(base, run.case, form, run.command) if form else None
    mine = read_findings(Path(findings), base) if findings else None  # all is read before anything is written
    try:
        return run.through(
            photos, given, mine, done, send_form=send_form, sent=sent, fits=fits, large=large, paper=sheets
        )
    except _Leave:
        write(f"\nLeft; every answer is saved. To go on:\n  {run.command}")
        return 130


class _Run:
    """One run over one case."""

    def __init__(self, base: RuleBase, case: Case, name: str, today: date, *, ask: bool, parent: str | None) -> None:
        self.base, self.case, self.today = base, case, today
        self.screen = Screen()
        self.ask = ask
        self.drape = True  # whether the plan is shown on simulated cloth
        where = f" --in {shlex.quote(parent)}" if parent else ""
        self.command = f"fitdiag review {shlex.quote(one_line(name, 80))}{where}"
        self.form: Form | None = None
        self.warned: tuple[str, ...] = ()

    @property
    def answer(self) -> str:
        """The command that takes in what the client sends."""
        pictures = "" if self.case.consent.refused else " --photo back=FILE --photo left=FILE"
        return f"{self.command} --form FILE{pictures}"

    @property
    def one(self) -> Round:
        """The round that is on."""
        return self.case.rounds[-1]

    def through(
        self, photos: Sequence[str], form: Form | None, mine: Findings | None, done: Sequence[str], *, send_form: bool,
        sent: bool, fits: bool, large: bool, paper: Paper,
    ) -> int:  # fmt: skip
        """The run itself; it may end anywhere."""
        something_came = bool(photos or form or mine or done or fits)
        if self.case.closed:
            raise stop("closed", "this case is closed", where=Where(shown_path(self.case.folder)))
        if photos and not self.case.consent.photos:
            consent, command = self.case.consent, self.command.replace("fitdiag review", "fitdiag case consent", 1)
            told = "no consent to photos is written down for this case"
            hint = f"ask the client; then: {command} yes --keep-until DATE"
            if consent.refused:
                told = f"the client said no to photos; that was written down {consent.given}"
                hint = f"if they have changed their mind: {command} yes --keep-until DATE"
            raise stop("consent", told, where=Where(shown_path(self.case.folder)), hint=hint)
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
        return self.finish(conclusion, sent=sent, large=large, paper=paper)

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
                write(f"  {self.answer}")
                return False
            carried = self._carried(form, done)
            changed = replace(self.one, done=carried, waiting="fitter", form_received=self.today if form else None)
            changed = replace(changed, outcome=self._expected(changed))
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
            inside += [one.folder / name for name in (_MEASURED, WORDS)]
            for path in (*inside, *(sorted(one.photos.glob("*")) if one.photos.is_dir() else ())):
                refuse_link(path)

    def _has_come(self) -> bool:
        return self.screen.interactive and agreed(self.screen, "Has the client tried it on?", "1 yes  2 not yet")

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
                result.append(ask_done(self.screen, self.base, item, self.case.units))
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
        changed = replace(before, done=tuple(known.values()))
        self.case = update_round(self.case, replace(changed, outcome=self._expected(changed)), today=self.today)

    def it_fits(self) -> int:
        """The trousers fit: the round says so, and the case can be closed."""
        self.case = update_round(self.case, replace(self.one, fits=True, waiting="fitter"), today=self.today)
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
            keep_words(self.one, form)
            for problem in form.warnings:
                say(f"- {problem.message}")
        mine = given or Findings(units=self.case.units)
        if given is not None or form is not None:
            before = read_findings(self.one.findings_file, self.base) if self.one.findings_file.exists() else Findings()
            known = {**before.symptoms, **self._answered()}
            ticked = (
                {item.symptom: item for item in (*pressing(self.base, form), *form.findings)}
                if form is not None
                else {}
            )
            new = {  # what the fitter saw counts before what the client ticked
                **{name: item for name, item in ticked.items() if name not in known or known[name].origin == "form"},
                **mine.symptoms,
            }
            mine = replace(mine, client="", symptoms=new)
            self._add_to_log(mine)
            write_atomically(
                self.one.findings_file, findings_text(before.joined(mine), self.base.about.garment), replace=True
            )
        if photos or form is not None or given is not None:
            # the last step, so that what was cut off before it is taken in again
            forms = (*self.one.forms, form.checksum) if form is not None else self.one.forms
            self.case = update_round(self.case, replace(self.one, waiting="fitter", forms=forms), today=self.today)
        return self._measure()

    def _answered(self) -> Mapping[str, Finding]:
        """What was answered in the interview of this round so far."""
        one = self.one
        return fold(read_log(one.log_file).events, self.base).findings.symptoms if one.log_file.exists() else {}

    def _add_to_log(self, found: Findings) -> None:
        """What comes in after the round's interview has begun is an answer like any other."""
        if not self.one.log_file.exists():
            return
        known = self._known()
        events: list[Event] = [done_event(item) for item in found.done if item not in known.done]
        if found.body:
            events.append({"event": "body", "notes": dict(found.body)})
        if found.body_measures or found.pattern_measures:
            events.append(measures_event(known.joined(found)))
        events += [answer_event(finding) for finding in found.symptoms.values()]
        events += [{"event": "note", "text": note} for note in found.notes if note not in known.notes]
        with _appending(self.one.log_file) as log:
            for event in events:
                log.append(event)

    def _measure(self) -> bool:
        pictures = sorted(self.one.photos.glob("*.jpg")) if self.one.photos.is_dir() else []
        if not pictures:
            return True
        from fitdiag.cli.photo import mark, measure, sidecar
        from fitdiag.photos.marks import read_marks

        measured_file, late = self.one.folder / _MEASURED, self.one.log_file.exists()
        if late and not _newer([*pictures, *map(sidecar, pictures)], measured_file):
            return True  # all of them are in the log
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
        if late:
            self._offer_late(read_findings(measured_file, self.base))
        return True

    def _offer_late(self, found: Findings) -> None:
        """What pictures measured after the interview had begun is confirmed like what was there before."""
        state = fold(read_log(self.one.log_file).events, self.base)
        known = {**{item.symptom: item for item in state.offered}, **state.findings.symptoms}
        new = [item for name, item in found.symptoms.items() if tells_more(item, known.get(name))]
        if new:
            with _appending(self.one.log_file) as log:
                log.append(offered_event(new))

    # -- the client's form ----------------------------------------------------------------------------------------

    def ask_the_client(self) -> int:
        """Write the form for the client, with what only the wearer can tell, and leave the turn to them."""
        path = write_form(self.base, self.case, self._form_questions(), (), after=self.one.number - 1)
        self.case = update_round(self.case, replace(self.one, waiting="client"), today=self.today)
        write(f"Send this form; it works offline, on a phone:\n  {shown_path(path)}")
        write(f"When the answer comes back:\n  {self.answer}")
        return 0

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
            done = (*(item for item in mine.done if item not in known.done), *known.done)
            if one.number != self.one.number:  # of an earlier round only what lasts
                mine = replace(mine, symptoms={}, notes=())
            known = replace(known.joined(replace(mine, done=())), done=done, units=self.case.units)
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
        if words := words_of(one):
            write("\nWhat the client wrote")
            for line in words:
                say(f"- {line}")
        if self.ask:
            self._say_known(read_log(one.log_file).events, state.findings)
            hold_interview(
                self.base, one.log_file, str(self.case.folder / self.case.pattern) if self.case.pattern else None
            )
            state = fold(read_log(one.log_file).events, self.base)
            if state.recorded is None:
                return None
            self._say_history(state.findings)
            return conclude(self.base, state.findings)
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
        events += [{"event": "note", "text": note} for note in known.notes]
        told = (("history", self.one.number > 1 or bool(known.done)), ("body", bool(known.body)))
        events += [{"event": "stage", "ended": stage} for stage, is_known in told if is_known and stage in STAGES]
        measured = self.one.folder / _MEASURED
        if measured.exists():
            found = read_findings(measured, self.base).symptoms
            events.append(
                offered_event(item for name, item in found.items() if tells_more(item, known.symptoms.get(name)))
            )
        events += [{"event": "note", "text": f"the client: {line}"} for line in words_of(self.one)[:12]]
        return events

    def _say_history(self, findings: Findings) -> None:
        """Expected against observed, and what the earlier rounds warn of; only what has not been said in this run."""
        told = [remark.text for remark in compared(self.base, self._observed(findings), self.case.units)]
        told += [remark.text for remark in remarks(self.base, findings, self._grain_moved(findings))]
        new = [text for text in told if text not in self.warned]
        self.warned += tuple(new)
        if new:
            write("\nFrom the earlier rounds")
        for text in new:
            say(f"- {text[:1].upper()}{text[1:]}")

    def _say_known(self, events: Sequence[Event], findings: Findings) -> None:
        """How much is known already where the fitter has not answered anything yet."""
        origins = [item.origin for item in findings.symptoms.values()]
        kinds = [event["event"] for event in events]
        later = kinds[kinds.index("stage") :] if "stage" in kinds else []  # what was known stands before the stages
        if {"asked", "volunteered", "photo"} & set(origins) or {"body", "done"} & set(later):
            return
        counts = {"from the form": origins.count("form"),
                  "from your own findings": origins.count("file"), "about the figure": len(findings.body),
                  "done before": len(findings.done)}  # fmt: skip
        if listed := ", ".join(f"{count} {what}" for what, count in counts.items() if count):
            say(f"\nYou have answered no question of this round yet. Known before it: {listed}.")

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

    def _expected(self, one: Round) -> Mapping[str, Outcome]:
        """What the try-on after a round should show, by what was really done; as it was where that is not known."""
        if not one.done or not one.log_file.exists():
            return one.outcome
        findings = with_measures(self.base, fold(read_log(one.log_file).events, self.base).findings)
        carried = [Advised(item.alteration, item.amount_mm) for item in one.done if item.done]
        return expected_outcomes(self.base, findings, carried, self._changes(carried))

    # -- the end of a round ---------------------------------------------------------------------------------------

    def finish(self, conclusion: Conclusion, *, sent: bool, large: bool, paper: Paper) -> int:
        """Let the fitter choose, write the documents, and note what was advised."""
        proposed = conclusion
        conclusion = choose(
            self.screen, self.base, proposed, self.one, self.case.units, ask=self.ask,
            keep=lambda chosen: self._keep(proposed, chosen),
        )  # fmt: skip
        findings = conclusion.diagnosis.findings
        advised = conclusion.plan.recommendations
        first = [Advised(r.alteration, r.amount.mm) for r in conclusion.plan.recommendations if r.only_if is None]
        if len(self.case.rounds) > 1:
            before = self.case.rounds[-2]
            self.case = update_round(self.case, replace(before, outcome=self._observed(findings)), today=self.today)
        outcome = expected_outcomes(self.base, findings, first, self._changes(first))
        self.case = update_round(self.case, replace(self.one, waiting="fitter", outcome=outcome), today=self.today)
        self._keep(proposed, advised)
        if conclusion is not proposed or not self.ask:
            say("In short:")
            for line in brief(make_report(self.base, conclusion), self.base):
                say(line)
        written = write_documents(
            self.base, self.case, conclusion, self._pattern(), self.today, large=large, paper=paper, drape=self.drape
        )
        asked = [(r.alteration, r.amount.mm) for r in conclusion.plan.recommendations]
        written.append(write_form(self.base, self.case, self._form_questions(), asked, after=self.one.number))
        write("\nWritten:")
        for path in written:
            write(f"  {shown_path(path)}")
        if not advised:
            say("Nothing is advised. If the trousers fit:")
            write(f"  {self.command} --fits")
            return 0
        if sent or self._was_sent():
            return self.mark_sent()
        card = "" if self.case.consent.refused else " and shot-card.pdf"
        say(f"Send client.pdf (or client.html){',' if card else ' and'} {written[-1].name}{card}; then write it down:")
        write(f"  {self.command} --sent")
        return 0

    def _keep(self, proposed: Conclusion, chosen: Sequence[Recommendation]) -> None:
        """Write down what is advised, and what of the list is not."""
        advised = tuple(Advised(r.alteration, r.amount.mm, r.side) for r in chosen)
        taken = {item.alteration for item in advised}
        left_out = tuple(r.alteration for r in proposed.plan.recommendations if r.alteration not in taken)
        self.case = update_round(self.case, replace(self.one, advised=advised, left_out=left_out), today=self.today)

    def _written(self) -> bool:
        """Whether the documents hold what is advised; the plan among them is written last."""
        try:
            plan = json.loads(read_bytes(self.one.plan_file, 4 << 20, "plan"))
            told = [(item["alteration"], float(item["amount_mm"])) for item in plan["recommendations"]]
        except (ProblemsFoundError, ValueError, KeyError, TypeError):
            return False
        wanted = [(item.alteration, item.amount_mm or 0.0) for item in self.one.advised]
        return [name for name, _ in told] == [name for name, _ in wanted] and all(
            abs(one - other) < 0.5 for (_, one), (_, other) in zip(told, wanted, strict=True)
        )

    def mark_sent(self) -> int:
        """The pages went to the client; it is their turn."""
        if not self.case.rounds or not self.one.advised or self.one.sent is not None:
            raise stop(
                "nothing-to-send", "there is no list that waits to be sent", where=Where(shown_path(self.case.folder)),
                hint=f"{self.command} makes one",
            )  # fmt: skip
        if not self._written():
            raise stop(
                "not-written", "the documents do not hold the list that is advised", where=Where(shown_path(self.one.documents)),
                hint=f"{self.command} writes them",
            )  # fmt: skip
        self.case = update_round(self.case, replace(self.one, waiting="client", sent=self.today), today=self.today)
        say("Written down as sent. When the client has tried it on:")
        write(f"  {self.answer}")
        return 0

    def _was_sent(self) -> bool:
        return self.screen.interactive and self.ask and agreed(self.screen, "Sent to the client?", "1 yes  2 not yet")


def _newer(paths: Iterable[Path], than: Path) -> bool:
    """Whether one of these was written after another file, or that one is not there."""
    return not than.exists() or any(
        path.exists() and path.stat().st_mtime_ns > than.stat().st_mtime_ns for path in paths
    )


def _appending(path: Path) -> SessionLog:
    return SessionLog.resume(path)[0]


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
