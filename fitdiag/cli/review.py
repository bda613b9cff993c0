"""`fitdiag review CASE`: one guided run through a round; it stops anywhere and goes on from what lies in the round's folder."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitdiag.cli.arguments import paper_of
from fitdiag.cli.case import opened
from fitdiag.cli.choose import ask_done, choose
from fitdiag.cli.diagnose import pattern_in, say_list
from fitdiag.cli.documents import Look, simulated_round, write_documents
from fitdiag.cli.forms import form_page, mail_events, pressing, refuse_again, taken_in, what_came
from fitdiag.cli.output import Show, say, say_all, say_then, write
from fitdiag.cli.screen import Leave, Screen, says_yes
from fitdiag.cli.terminal import hold_interview
from fitdiag.diagnosis.belief import told
from fitdiag.files import make_folder, write_atomically
from fitdiag.knowledge.findings import Done, Findings
from fitdiag.knowledge.findings_file import read_findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import read_text
from fitdiag.knowledge.wearer import for_wearer
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import Recommendation
from fitdiag.problems import ProblemsFoundError, command, one_line, shown_path, stop
from fitdiag.reports.report import brief, make_report
from fitdiag.sessions.case import add_round, alone, open_case, refuse_link, save_case, update_round
from fitdiag.sessions.case_files import LARGEST, Advised, Carried, Case, Outcome, Round
from fitdiag.sessions.choice import choice_of
from fitdiag.sessions.from_photos import tells_more
from fitdiag.sessions.log import Event
from fitdiag.sessions.round_log import MEASURED, WORDS, RoundLog, append, ensure_log, make_files
from fitdiag.sessions.rounds import (
    Told,
    came_in,
    carried,
    changed_in_all,
    compared,
    done_late,
    expected_outcomes,
    keep_nudges,
    known_findings,
    known_line,
    observed_outcomes,
    remarks,
    told_done,
    with_mail,
)
from fitdiag.sessions.state import Conclusion, answer_event, conclude, conclusion_event, events_of, fold, offered_event

if TYPE_CHECKING:
    from fitdiag.reports.form import Form


def review(
    name: str, given: str | None, *, photos: Sequence[str], form: str | None, findings: str | None, done: Sequence[str],
    rules: str | None, no_questions: bool, send_form: bool, sent: bool, fits: bool, large: bool,
    paper: str | None, no_drape: bool, full: bool, alone: bool | None,
) -> int:  # fmt: skip
    base, case = opened(name, given, rules)
    if alone is not None and alone != case.alone:
        case = save_case(case, replace(case, alone=alone))
    run = _Run(base, case, (name, *(("--in", given) if given else ())), ask=not no_questions, drape=not no_drape,
               show=Show(full, case.alone), look=Look(date.today(), large, paper_of(paper, case.units)))  # fmt: skip
    came, run.mail = what_came(base, run.case, form, run.command) if form else (None, "")
    mine = read_findings(Path(findings), base) if findings else None  # all is read before anything is written
    try:
        return run.through(photos, came, mine, done, send_form=send_form, sent=sent, fits=fits)
    except Leave:
        say_then("\nLeft; every answer is saved. To go on:", run.command)
        return 130


class _Run:
    def __init__(
        self, base: RuleBase, case: Case, named: tuple[str, ...], *, ask: bool, drape: bool, show: Show, look: Look
    ) -> None:
        self.base, self.case, self.named = base, case, named  # how the case is named on the command line
        self.ask, self.show, self.look, self.today = ask, show, look, look.day
        self.drape = drape  # whether the plan is shown on simulated cloth
        self.words = for_wearer(base, alone=True) if case.alone else base
        self.screen = Screen()
        self.command = command("fitdiag", "review", *named)
        self.mail = ""  # a mail without a form: its words, and what they propose
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

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Nobody else changes the case meanwhile; what another window has changed before is read first."""
        with alone(self.case.folder):
            self.case = open_case(self.case.folder)
            yield

    def through(
        self, photos: Sequence[str], form: Form | None, mine: Findings | None, done: Sequence[str], *, send_form: bool,
        sent: bool, fits: bool,
    ) -> int:  # fmt: skip
        something_came = bool(photos or form or mine or done or fits or self.mail)
        if self.case.closed:
            raise stop("closed", "this case is closed", where=self.case.folder)
        if photos and not self.case.consent.photos:
            consent, write_down = self.case.consent, command("fitdiag", "case", "consent", *self.named)
            told = "no consent to photos is written down for this case"
            hint = f"ask the client; then: {write_down} yes --keep-until DATE"
            if consent.refused:
                told = f"the client said no to photos; that was written down {consent.given}"
                hint = f"if they have changed their mind: {write_down} yes --keep-until DATE"
            raise stop("consent", told, where=self.case.folder, hint=hint)
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
        with nullcontext() if self.ask else self._alone():  # where nobody is asked, nothing comes in between
            conclusion = self.conclude()
            if conclusion is None:
                raise Leave
            return self.finish(conclusion, sent=sent)

    def _change(self, **changes: Any) -> None:
        self.case = update_round(self.case, replace(self.one, **changes))

    # -- which round it is ----------------------------------------------------------------------------------------

    def open_round(self, something_came: bool, form: Form | None, done: Sequence[str]) -> bool:
        """Find or begin the round; before a new one, what was really done of the last one is written down."""
        self._refuse_links()
        if not self.case.rounds:
            if done:
                raise _no_round_before()
            with self._alone():  # another window may have been first
                if not self.case.rounds:
                    self.case = add_round(self.case, fingerprint=self.base.fingerprint)
        elif self.one.sent is not None:
            if not something_came and not self._says_so("Has the client tried it on?"):
                lies = f"Round {self.one.number} lies with the client since {self.one.sent}. When something comes back:"
                say_then(lies, self.answer)
                return False
            changed = replace(
                self.one, done=self._carried(form, done), waiting="fitter", form_received=self.today if form else None
            )
            changed = replace(changed, outcome=self._expected(changed))
            with self._alone():
                if self.one.number != changed.number:
                    told = "another window has begun the next round"
                    raise stop("changed", told, where=self.one.folder, hint="do this again")
                self.case = update_round(self.case, changed)
                self.case = add_round(self.case, fingerprint=self.base.fingerprint)
            self._refuse_links()
        elif done or (form is not None and form.done):
            self._done_late(form, done)
        write(f"{one_line(self.case.name, 80)}, round {self.one.number}")
        return True

    def _refuse_links(self) -> None:
        """Nothing is read or written outside the case."""
        for one in self.case.rounds:
            inside = [one.photos, one.documents, one.findings_file, one.log_file, one.plan_file]
            inside += [one.folder / name for name in (MEASURED, WORDS)]
            for path in (*inside, *(sorted(one.photos.glob("*")) if one.photos.is_dir() else ())):
                refuse_link(path)

    def _says_so(self, question: str) -> bool:
        return self.screen.interactive and says_yes(self.screen, question, "1 yes  2 not yet")

    def _carried(self, form: Form | None, given: Sequence[str]) -> tuple[Carried, ...]:
        """What was done of what was advised: from the command line, the form, or asked; else as advised is not assumed."""
        told = self._told_done(form, given)
        result = []
        for item in self.one.advised:
            if item.alteration in told:
                result.append(carried(self.one, item.alteration, *told.pop(item.alteration)))
            elif self.screen.interactive:
                result.append(ask_done(self.screen, self.base, item, self.case.units))
        return (*result, *(carried(self.one, name, *how) for name, how in told.items()))

    def _told_done(self, form: Form | None, given: Sequence[str]) -> Told:
        return told_done(self.base, given, form.done if form is not None else (), self.case.units)

    def _done_late(self, form: Form | None, given: Sequence[str]) -> None:
        """What was done, told when the next round is on already: it still belongs to the round before."""
        if len(self.case.rounds) < 2:
            raise _no_round_before()
        before = self.case.rounds[-2]
        done = done_late(before, self._told_done(form, given), given)
        if done == before.done:
            return
        if RoundLog.of(self.one).begun:
            raise stop(
                "too-late", f"the questions of round {self.one.number} have begun without this", where=before.folder,
                hint=f"write it under 'done:' in round.yaml there, and move {shown_path(self.one.log_file)} away to begin again"
            )  # fmt: skip
        changed = replace(before, done=done)
        self.case = update_round(self.case, replace(changed, outcome=self._expected(changed)))

    def it_fits(self) -> int:
        """It fits: the round says so, and the case can be closed."""
        self._change(fits=True, waiting="fitter")
        say("It fits. Written down.")
        changed = changed_in_all(self.base, self.case)
        if changed:
            write("\nChanged in all")
            say_all(f"- {line}" for line in changed)
            say("All of it goes onto the paper. Keep this pattern as it is, with the day and the client's name on it.")
        say_then("To close the case:", f"{command('fitdiag', 'case', 'close', *self.named)} --fits")
        return 0

    # -- what came in ---------------------------------------------------------------------------------------------

    def take_in(self, photos: Sequence[str], given: Findings | None, form: Form | None) -> bool:
        """Pictures, a form and findings into the round: one line of its log. False when the pictures have yet to be marked."""
        with self._alone():
            ensure_log(self.case, self.one, self.base.fingerprint)
            lines = self._changed_by_hand()
            came = bool(photos or form is not None or given is not None or self.mail)
            if form is not None:
                refuse_again(self.case, form, self.command)  # another window may have taken it in
            if came:
                append(self.one)  # said before anything is written, if an interview holds the log
                lines += self._came(photos, given, form)
            append(self.one, *lines)
            make_files(self.one, self.base, self.case.units)
            if came:
                forms = self.one.forms
                if form is not None and form.checksum not in forms:
                    forms = (*forms, form.checksum)
                self._change(waiting="fitter", forms=forms)
        say_all(f"- {problem.message}" for problem in (form.warnings if form is not None else ()))
        return self._measure()

    def _came(self, photos: Sequence[str], given: Findings | None, form: Form | None) -> list[Event]:
        """What came, as one line of the log; nothing if a command that was cut off has written that line."""
        pictures: dict[str, str] = {}
        if photos:
            from fitdiag.cli.photo import take_pictures

            taken = take_pictures(photos, str(self.one.photos))
            pictures = {path.name: told for path, told in taken.items()}
            say(f"Cleaned, without location or camera data, in {shown_path(self.one.photos)}.")
        log = RoundLog.of(self.one)
        line: dict[str, Any] = {"event": "taken", "pictures": pictures}
        if given is not None or form is not None:
            ticked = (*pressing(self.base, form), *form.findings) if form is not None else ()
            sum_, words = (form.checksum, form.told) if form is not None else ("", "")
            line |= came_in(self.base, self.case, given, checksum=sum_, words=words, ticked=ticked)
        if self.mail:
            from fitdiag.interview.clauses import unwrapped

            proposed = mail_events(self.base, self.mail, self.case.units, log.findings(self.base))
            line = with_mail(line, self.mail, unwrapped(self.mail), proposed)
        line = {key: value for key, value in line.items() if value or key == "events"}
        if "from" not in line:
            return [] if pictures.items() <= log.pictures.items() else [line]
        return [] if taken_in(log.fresh, "from", line["from"]) else [line]

    def _changed_by_hand(self) -> list[Event]:
        """What the fitter wrote into `findings.yaml`, or an older program left there, is taken in like findings that are given."""
        one, log = self.one, RoundLog.of(self.one)
        if not log.changed_by_hand(one, self.base, self.case.units):
            return []
        mine = read_findings(one.findings_file, self.base)
        words = one.folder / WORDS
        old = read_text(words, LARGEST, "form") if words.exists() and not log.words else ""
        events = events_of(replace(mine, client=""), log.findings(self.base))
        return [{"event": "taken", "words": old, "events": events}]

    def _measure(self) -> bool:
        """Measure the pictures of the round, unless just these with just these marks were measured last."""
        one = self.one
        pictures = sorted(one.photos.glob("*.jpg")) if one.photos.is_dir() else []
        if not pictures:
            return True
        from fitdiag.cli.photo import held_in, measure_inside
        from fitdiag.cli.read import ask, confirmed

        held = held_in(pictures)
        if RoundLog.of(one).holds(held):
            return True
        if not confirmed(pictures, one.photos, None):
            with self._alone():
                page = ask(pictures, one.photos, self.case.units, self.case.body_measures.get("hip"))
            say_then("Say yes to the lines on this page, or put them right there:", page.resolve().as_uri())
            say_then("Then go on:", self.command)
            return False
        found = measure_inside(self.base, pictures, self.case.body_measures.get("hip"), self.case.units)
        with self._alone():
            log = RoundLog.of(one)
            line: dict[str, Any] = {"event": "measured", "pictures": held}
            line["findings"] = [answer_event(item) for item in found]
            if log.begun:  # else they are offered with all that is known
                state = fold(log.events, self.base)
                known = {**{item.symptom: item for item in state.offered}, **state.findings.symptoms}
                if new := [item for item in found if tells_more(item, known.get(item.symptom))]:
                    line["events"] = [offered_event(new)]
            append(one, line)
            make_files(one, self.base, self.case.units)
        return True

    # -- the client's form ----------------------------------------------------------------------------------------

    def ask_the_client(self) -> int:
        """Write the form for the client, with what only the wearer can tell, and leave the turn to them."""
        with self._alone():
            diagnosis = conclude(self.base, known_findings(self.base, self.case)).diagnosis
            path, page = form_page(self.base, self.case, diagnosis, (), after=self.one.number - 1)
            make_folder(path.parent)
            write_atomically(path, page, replace=True)
            self._change(waiting="client")
        say_then("Send this form; it works offline, on a phone:", shown_path(path))
        say_then("When the answer comes back:", self.answer)
        return 0

    # -- the diagnosis --------------------------------------------------------------------------------------------

    def conclude(self) -> Conclusion | None:
        """Hold the interview, or conclude from what is there; None if the fitter left before its end."""
        one = self.one
        with self._alone():
            if not RoundLog.of(one).begun:
                append(one, known_line(self.base, self.case))
        log = RoundLog.of(one)
        state = fold(log.events, self.base)
        offered = {finding.symptom: finding for finding in state.offered}
        self._say_history(replace(state.findings, symptoms={**offered, **state.findings.symptoms}))
        if log.words:
            write("\nWhat the client wrote")
            say_all(f"- {line}" for line in log.words)
        if self.ask:
            self._say_known(log.events, state.findings)
            hold_interview(self.words, one.log_file, self.case.pattern_file, self.show)
            state = fold(RoundLog.of(one).events, self.base)
            if state.recorded is None:
                return None
            self._say_history(state.findings)
            return conclude(self.base, state.findings)
        for finding in state.offered:  # nobody is there to confirm them: the command line says to take them
            if finding.symptom in state.sentences:
                say(f'- Not counted, for nobody confirmed it: "{state.sentences[finding.symptom]}"')
                continue
            if (before := state.findings.symptoms.get(finding.symptom)) is not None:
                form, picture = (told(self.base, item, state.findings) for item in (before, finding))
                say(f"- The form and a picture differ, and the picture counts. Form: {form}. Picture: {picture}.")
            append(one, answer_event(finding))
        log = RoundLog.of(one)
        conclusion = conclude(self.base, log.findings(self.base))
        event = conclusion_event(conclusion)
        if {**(log.concluded or {}), "at": ""} != {**event, "at": ""}:
            append(one, event)
        say_list(self.words, conclusion, full=self.show.full)
        return conclusion

    def _say_history(self, findings: Findings) -> None:
        """Expected against observed, and what the earlier rounds warn of; only what has not been said in this run."""
        told = [remark.text for remark in compared(self.base, self._observed(findings), self.case.units)]
        looks = [RoundLog.of(one).findings(self.base) for one in self.case.rounds[:-1]]
        told += [remark.text for remark in remarks(self.base, findings, self._moved(findings), looks)]
        new = [text for text in told if text not in self.warned]
        self.warned += tuple(new)
        if new:
            write("\nFrom the earlier rounds")
        say_all(f"- {text[:1].upper()}{text[1:]}" for text in new)

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

    def _moved(self, findings: Findings) -> dict[str, float]:
        """How far each earlier alteration moved the back grainline towards centre back, on the client's pattern."""
        from fitdiag.planning.effects import measure_moved

        pattern = pattern_in(self.base, self.case.pattern_file)
        return measure_moved(self.base, pattern, findings.done) if pattern is not None else {}

    def _changes(self, advised: Sequence[Advised]) -> dict[str, float]:
        """What the alterations change on the client's pattern."""
        from fitdiag.planning.effects import changes_on

        pattern = pattern_in(self.base, self.case.pattern_file)
        done = [Done(item.alteration, item.amount_mm) for item in advised]
        return changes_on(pattern, done) if pattern is not None else {}

    def _expected(self, one: Round) -> Mapping[str, Outcome]:
        """What the try-on after a round should show, by what was really done; as it was where that is not known."""
        log = RoundLog.of(one)
        if not one.done or not log.begun:
            return one.outcome
        findings = with_measures(self.base, log.findings(self.base))
        carried = [Advised(item.alteration, item.amount_mm) for item in one.done if item.done]
        return expected_outcomes(self.base, findings, carried, self._changes(carried))

    # -- the end of a round ---------------------------------------------------------------------------------------

    def finish(self, conclusion: Conclusion, *, sent: bool) -> int:
        """Let the fitter choose, write the documents, and note what was advised."""
        proposed = conclusion
        choice = choice_of(self.base, proposed, self.one, self.case.units)
        conclusion = choose(self.screen, choice, ask=self.ask, keep=lambda chosen: self._keep(proposed, chosen))
        findings = conclusion.diagnosis.findings
        advised = conclusion.plan.recommendations
        first = [Advised(r.alteration, r.amount.mm) for r in advised if r.only_if is None]
        if conclusion is not proposed:
            say("In short:")
            say_all(brief(make_report(self.words, conclusion)))
        shown, moved = simulated_round(self.base, self.case, conclusion) if self.drape else (None, None)
        with self._alone():
            if len(self.case.rounds) > 1:
                before = self.case.rounds[-2]
                self.case = update_round(self.case, replace(before, outcome=self._observed(findings)))
            outcome = expected_outcomes(self.base, findings, first, self._changes(first))
            self._change(waiting="fitter", outcome=outcome)
            self._keep(proposed, advised)
            if moved is not None:  # before the documents, the last of a round: once they are there, nothing is missing
                keep_nudges(self.case, self.one.number, moved)
            written = write_documents(self.base, self.case, conclusion, replace(self.look, shown=shown))
        say_then("\nWritten:", *(shown_path(path) for path in written))
        if not advised:
            if findings.seen:
                say_then("Nothing is advised. To answer more, or to choose again:", self.command)
            told = "If it fits well enough:" if findings.seen else "Nothing is advised. If it fits:"
            say_then(told, f"{self.command} --fits")
            return 0
        if sent or (self.ask and self._says_so("Sent to the client?")):
            return self.mark_sent()
        pages = [
            "client.pdf (or client.html)",
            written[-1].name,
            *(() if self.case.consent.refused else ("shot-card.pdf",)),
        ]
        told = f"Send {', '.join(pages[:-1])} and {pages[-1]}; then write it down:"
        say_then(told, f"{self.command} --sent")
        return 0

    def _keep(self, proposed: Conclusion, chosen: Sequence[Recommendation]) -> None:
        """Write down what is advised, and what of the list is not."""
        advised = tuple(Advised(r.alteration, r.amount.mm, r.side) for r in chosen)
        taken = {item.alteration for item in advised}
        left_out = tuple(r.alteration for r in proposed.plan.recommendations if r.alteration not in taken)
        self._change(advised=advised, left_out=left_out)

    def mark_sent(self) -> int:
        """The pages went to the client; it is their turn."""
        if not self.case.rounds or not self.one.advised or self.one.sent is not None:
            told = "there is no list that waits to be sent"
            raise stop("nothing-to-send", told, where=self.case.folder, hint=f"{self.command} makes one")
        if not RoundLog.of(self.one).written(self.one.advised):
            told = "the documents do not hold the list that is advised"
            raise stop("not-written", told, where=self.one.documents, hint=f"{self.command} writes them")
        self._change(waiting="client", sent=self.today)
        say_then("Written down as sent. When the client has tried it on:", self.answer)
        return 0


def _no_round_before() -> ProblemsFoundError:
    hint = "what was done before the first round stands under 'done:' in the --findings file"
    return stop("argument", "--done tells about the round before, and there is none", hint=hint)
