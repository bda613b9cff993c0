"""`fitdiag review CASE`: one guided run through a round; it can stop anywhere and resumes from the round's folder."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from fitdiag.cli import documents
from fitdiag.cli.arguments import paper_of
from fitdiag.cli.case import opened
from fitdiag.cli.choose import ask_done, choose
from fitdiag.cli.lists import findings_given, on_paper, pattern_in, say_list, sewn
from fitdiag.cli.output import Show, say, say_all, say_then, write
from fitdiag.cli.screen import Leave, Screen, says_yes
from fitdiag.cli.terminal import hold_interview
from fitdiag.diagnosis.belief import finding_text
from fitdiag.files import make_folder, write_atomically
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.findings_file import read_findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import read_text
from fitdiag.knowledge.wearer import for_wearer
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import Recommendation
from fitdiag.problems import command, one_line, shown_path, stop
from fitdiag.reports.report import brief
from fitdiag.sessions import rounds, state
from fitdiag.sessions.carried import (
    Reported,
    advised_as,
    by_alteration,
    changed_in_all,
    done_late,
    nothing_told,
    reported_done,
    told_since,
)
from fitdiag.sessions.case import add_round, alone, open_case, refuse_link, save_case, update_round
from fitdiag.sessions.case_files import LARGEST, Advised, Carried, Case, Outcome, Round
from fitdiag.sessions.from_photos import tells_more
from fitdiag.sessions.log import Event
from fitdiag.sessions.round_log import MEASURED, WORDS, RoundLog, append, ensure_log, make_files

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
    run = _Run(
        base, case, (name, *(("--in", given) if given else ())), photos, done, ask=not no_questions, drape=not no_drape,
        show=Show(full, case.alone), look=documents.Look(date.today(), large, paper_of(paper, case.units)),
    )  # fmt: skip
    run.form, run.mail = documents.what_came(base, case, form, run.command) if form else (None, "")
    run.mine = findings_given(findings, base) if findings else None  # read everything before writing anything
    try:
        return run.through(send_form=send_form, sent=sent, fits=fits)
    except Leave:
        say_then("\nLeft; every answer is saved. To go on:", run.command)
        return 130


@dataclass
class _Run:
    """A run through a round: the current case, what the command line gave, and how to show it."""

    base: RuleBase
    case: Case
    named: tuple[str, ...]  # how the case is named on the command line
    photos: Sequence[str]
    done: Sequence[str]
    ask: bool
    drape: bool  # whether the plan is shown on simulated cloth
    show: Show
    look: documents.Look
    form: Form | None = None
    mail: str = ""  # without a form: its words, and what they propose
    mine: Findings | None = None
    warned: tuple[str, ...] = ()
    screen: Screen = field(default_factory=Screen)

    @property
    def words(self) -> RuleBase:
        """The rules, worded for whoever reads the list."""
        return for_wearer(self.base, alone=True) if self.case.alone else self.base

    @property
    def command(self) -> str:
        """The command that continues this review."""
        return command("fitdiag", "review", *self.named)

    @property
    def answer(self) -> str:
        """The command that takes in the client's answer."""
        pictures = "" if self.case.consent.refused else " --photo back=FILE --photo left=FILE"
        return f"{self.command} --form FILE{pictures}"

    @property
    def one(self) -> Round:
        """The current round."""
        return self.case.rounds[-1]

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Hold the case's lock, after reading what another window may have changed."""
        with alone(self.case.folder):
            self.case = open_case(self.case.folder)
            yield

    def through(self, *, send_form: bool, sent: bool, fits: bool) -> int:
        something_came = bool(self.photos or self.form or self.mine or self.done or fits or self.mail)
        if self.case.closed:
            raise stop("closed", "this case is closed", where=self.case.folder)
        if self.photos and not self.case.consent.photos:
            consent, message = self.case.consent, "no consent to photos is written down for this case"
            if consent.refused:
                message = f"the client said no to photos; that was written down {consent.given}"
            write_down = f"{command('fitdiag', 'case', 'consent', *self.named)} yes --keep-until DATE"
            raise stop("consent", message, where=self.case.folder, hint=f"ask the client; then: {write_down}")
        if sent and not something_came:
            return self.mark_sent()
        if not self.open_round(something_came):
            return 0
        if fits:
            return self.it_fits()
        if not self.take_in():
            return 0
        if send_form:
            return self.ask_the_client()
        with nullcontext() if self.ask else self._alone():  # without questions, keep the lock throughout
            return self.finish(self.conclude(), sent=sent)

    def _change(self, **changes: Any) -> None:
        self.case = update_round(self.case, replace(self.one, **changes))

    # -- which round it is ----------------------------------------------------------------------------------------

    def open_round(self, something_came: bool) -> bool:
        """Find or begin the round; before a new one, record what was really done in the last.

        False if the client has not answered yet.
        """
        self._refuse_links()
        by_form = self.form is not None and bool(self.form.done)
        first = len(self.case.rounds) == 1 and self.one.sent is None
        if (self.done and not self.case.rounds) or (first and (self.done or by_form)):
            hint = "what was done before the first round stands under 'done:' in the --findings file"
            raise stop("argument", "--done tells about the round before, and there is none", hint=hint)
        if not self.case.rounds:
            with self._alone():  # another window may have been first
                if not self.case.rounds:
                    self.case = add_round(self.case, fingerprint=self.base.fingerprint)
        elif self.one.sent is not None:
            if not something_came and not self._says_so("Has the client tried it on?"):
                text = f"Round {self.one.number} has been with the client since {self.one.sent}. When something comes back:"
                say_then(text, self.answer)
                return False
            received = self.look.day if self.form else None
            changed = self._expecting(replace(self.one, done=self._carried(), waiting="fitter", form_received=received))
            with self._alone():
                if self.one.number != changed.number:
                    message = "another window has begun the next round"
                    raise stop("changed", message, where=self.one.folder, hint="do this again")
                self.case = update_round(self.case, changed)
                self.case = add_round(self.case, fingerprint=self.base.fingerprint)
            self._refuse_links()
        elif self.done or by_form:
            self._done_late()
        write(f"{one_line(self.case.name, 80)}, round {self.one.number}")
        return True

    def _refuse_links(self) -> None:
        """Raise ProblemsFoundError for links, so that nothing outside the case is read or written."""
        for one in self.case.rounds:
            inside = [one.photos, one.documents, one.findings_file, one.log_file, one.plan_file]
            inside += [one.folder / name for name in (MEASURED, WORDS)]
            for path in (*inside, *(sorted(one.photos.glob("*")) if one.photos.is_dir() else ())):
                refuse_link(path)

    def _says_so(self, question: str) -> bool:
        return self.screen.interactive and says_yes(self.screen, question, "1 yes  2 not yet")

    def _carried(self) -> tuple[Carried, ...]:
        """What was really done: from the command line, the form, or by asking; it is never assumed."""
        reported = self._reported_done(self.one)
        known: dict[str, tuple[Carried, ...]] = {}
        for name, items in by_alteration(self.one.advised).items():
            if name in reported:
                known[name] = reported[name]
            elif self.screen.interactive:
                known[name] = ask_done(self.screen, self.base, items, self.case.units)
        return tuple(item for items in ({**known, **reported}).values() for item in items)

    def _reported_done(self, one: Round) -> Reported:
        ticked = self.form.done if self.form is not None else ()
        return reported_done(self.base, one, self.done, ticked, self.case.units)

    def _done_late(self) -> None:
        """Record what was done after the next round has begun; it still belongs to the round before."""
        before = self.case.rounds[-2]
        done = done_late(before, self._reported_done(before), self.done)
        if done == before.done:
            return
        if RoundLog.of(self.one).begun:
            raise stop(
                "too-late", f"the questions of round {self.one.number} have begun without this", where=before.folder,
                hint=f"write it under 'done:' in round.yaml there, and move {shown_path(self.one.log_file)} away to begin again"
            )  # fmt: skip
        self.case = update_round(self.case, self._expecting(replace(before, done=done)))

    def it_fits(self) -> int:
        """Record that it fits, and how to close the case."""
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

    def take_in(self) -> bool:
        """Take pictures, a form and findings into the round as one log line.

        False if the pictures still need confirming.
        """
        form = self.form
        with self._alone():
            ensure_log(self.case, self.one, self.base.fingerprint)
            lines = self._changed_by_hand()
            came = bool(self.photos or form is not None or self.mine is not None or self.mail)
            if form is not None:
                documents.refuse_again(self.case, form, self.command)  # another window may have taken it in
            if came:
                append(self.one)  # fails before anything is written if an interview holds the log
                lines += self._came()
            append(self.one, *lines)
            make_files(self.one, self.base, self.case.units)
            if came:
                forms = dict.fromkeys((*self.one.forms, *([form.checksum] if form is not None else [])))
                self._change(waiting="fitter", forms=tuple(forms))
        say_all(f"- {problem.message}" for problem in (form.warnings if form is not None else ()))
        return self._measure()

    def _came(self) -> list[Event]:
        """What came in, as one log line; empty if an interrupted command already wrote it."""
        form, pictures = self.form, dict[str, str]()
        if self.photos:
            from fitdiag.cli.photo import take_pictures

            taken = take_pictures(self.photos, str(self.one.photos), one_fitting=True)
            pictures = {path.name: sha256 for path, sha256 in taken.items()}
            say(f"Cleaned, without location or camera data, in {shown_path(self.one.photos)}.")
        log = RoundLog.of(self.one)
        line: dict[str, Any] = {"event": "taken", "pictures": pictures}
        client: dict[str, Any] = {}
        seen = {*log.findings(self.base).symptoms, *(self.mine.symptoms if self.mine is not None else ())}
        if form is not None:
            ticked = (*documents.pressing(self.base, form), *form.findings)
            proposed = documents.remark_events(self.base, form, ticked, seen)
            client = {"words": form.summary, "checksum": form.checksum, "ticked": ticked, "proposed": proposed}
        elif self.mail:
            from fitdiag.interview.clauses import unwrapped

            proposed = documents.mail_events(self.base, self.mail, self.case.units, seen)
            client = {"words": unwrapped(self.mail), "mail": self.mail, "proposed": proposed}
        if client or self.mine is not None:
            line |= rounds.came_in(self.base, self.case, self.mine, **client)
        line = {key: value for key, value in line.items() if value or key == "events"}
        if "from" not in line:
            return [] if pictures.items() <= log.pictures.items() else [line]
        return [] if documents.taken_in(log.fresh, "from", line["from"]) else [line]

    def _changed_by_hand(self) -> list[Event]:
        """Take in edits to `findings.yaml`, by the fitter or an older version, like findings given on the command line."""
        one, log = self.one, RoundLog.of(self.one)
        if not log.changed_by_hand(one, self.base, self.case.units):
            return []
        mine = read_findings(one.findings_file, self.base)
        words = one.folder / WORDS
        old = read_text(words, LARGEST, "form") if words.exists() and not log.words else ""
        events = state.events_of(replace(mine, client=""), log.findings(self.base))
        return [{"event": "taken", "words": old, "events": events}]

    def _measure(self) -> bool:
        """Measure the pictures of the round, unless these with these marks were measured last.

        False if they still need confirming.
        """
        one = self.one
        pictures = sorted(one.photos.glob("*.jpg")) if one.photos.is_dir() else []
        if not pictures:
            return True
        from fitdiag.cli.photo import held_in, lines_drawn, measure_inside
        from fitdiag.cli.photo_read import ask, confirmed, say_if_none

        held = held_in(pictures)
        if RoundLog.of(one).holds(held):
            return True
        if not confirmed(pictures, one.photos, None, own=True):
            with self._alone():
                page = ask(
                    pictures, one.photos, self.case.units, self.case.body_measures.get("hip"), lines_drawn(self.base)
                )
            say_if_none(pictures, self.base.about.garment)
            say_then("Say yes to the lines on this page, or put them right there:", page.resolve().as_uri())
            say_then("Then go on:", self.command)
            return False
        found = measure_inside(self.base, pictures, self.case.body_measures.get("hip"), self.case.units)
        with self._alone():
            log = RoundLog.of(one)
            line: dict[str, Any] = {"event": "measured", "pictures": held}
            line["findings"] = [state.answer_event(item) for item in found]
            if log.begun:  # else they are offered with all that is known
                session = state.fold(log.events, self.base)
                known = {**{item.symptom: item for item in session.offered}, **session.findings.symptoms}
                if new := [item for item in found if tells_more(item, known.get(item.symptom))]:
                    line["events"] = [state.offered_event(new)]
            append(one, line)
            make_files(one, self.base, self.case.units)
        return True

    # -- the client's form ----------------------------------------------------------------------------------------

    def ask_the_client(self) -> int:
        """Write the form with what only the wearer can tell, and pass the turn to the client."""
        with self._alone():
            diagnosis = state.conclude(self.base, rounds.known_findings(self.base, self.case)).diagnosis
            path, page = documents.form_page(self.base, self.case, diagnosis, (), after=self.one.number - 1)
            make_folder(path.parent)
            write_atomically(path, page, replace=True)
            self._change(waiting="client")
        say_then("Send this form; it works offline, on a phone:", shown_path(path))
        say_then("When the answer comes back:", self.answer)
        return 0

    # -- the diagnosis --------------------------------------------------------------------------------------------

    def conclude(self) -> state.Conclusion:
        """Hold the interview, or conclude without one. Raises Leave if the fitter left before its end."""
        one = self.one
        with self._alone():
            if not RoundLog.of(one).begun:
                append(one, rounds.known_line(self.base, self.case))
        log = RoundLog.of(one)
        session = state.fold(log.events, self.base)
        offered = {finding.symptom: finding for finding in session.offered}
        self._say_history(replace(session.findings, symptoms={**offered, **session.findings.symptoms}))
        if log.words:
            write("\nWhat the client wrote")
            say_all(f"- {line}" for line in log.words)
        if not self.ask:
            return self._conclude_unasked(session)
        _, earlier = on_paper(self.base, self.case, one.number)
        hold_interview(self.words, one.log_file, self.case.pattern_file, self.show, earlier=earlier)
        session = state.fold(RoundLog.of(one).events, self.base)
        if session.recorded is None:
            raise Leave
        self._say_history(session.findings)
        return state.conclude(self.base, session.findings)

    def _conclude_unasked(self, session: state.State) -> state.Conclusion:
        """Conclude without questions: offered measurements are accepted, sentences of a mail or a form are not."""
        for finding in session.offered:
            if finding.symptom in session.sentences:
                say(f'- Not counted, as nobody confirmed it: "{session.sentences[finding.symptom]}"')
                continue
            if (before := session.findings.symptoms.get(finding.symptom)) is not None:
                form, picture = (finding_text(self.base, item, session.findings) for item in (before, finding))
                say(f"- The form and a picture differ, and the picture counts. Form: {form}. Picture: {picture}.")
            append(self.one, state.answer_event(finding))
        log = RoundLog.of(self.one)
        conclusion = state.conclude(self.base, log.findings(self.base))
        event = state.conclusion_event(conclusion)
        if {**(log.concluded or {}), "at": ""} != {**event, "at": ""}:
            append(self.one, event)
        say_list(self.words, conclusion, full=self.show.full)
        return conclusion

    def _say_history(self, findings: Findings) -> None:
        """Print expected against observed, and warnings from earlier rounds, unless already printed in this run."""
        from fitdiag.planning.effects import measure_moved

        pattern = pattern_in(self.base, self.case.pattern_file)
        moved = measure_moved(self.base, pattern, findings.done) if pattern is not None else {}
        looks = [RoundLog.of(one).findings(self.base) for one in self.case.rounds[:-1]]
        outcomes = self._observed(findings)
        warnings = (
            *nothing_told(self.base, self.case),
            *told_since(self.base, self.case, findings),
            *rounds.compared(self.base, outcomes, self.case.units),
            *(rounds.worse(self.base, outcomes, looks[-1], findings) if looks else ()),
            *rounds.remarks(self.base, findings, moved, looks),
        )
        new = [text for text in warnings if text not in self.warned]
        self.warned += tuple(new)
        if new:
            write("\nFrom the earlier rounds")
        say_all(f"- {text[:1].upper()}{text[1:]}" for text in new)

    def _observed(self, findings: Findings) -> dict[str, Outcome]:
        return rounds.observed_outcomes(self.base, self.case.rounds[-2], findings) if len(self.case.rounds) > 1 else {}

    def _expected(self, findings: Findings, altered: Sequence[Advised], number: int) -> Mapping[str, Outcome]:
        """What the try-on after these alterations of a round should show, by the rules and by the client's pattern."""
        from fitdiag.planning.effects import changes_on

        pattern = sewn(*on_paper(self.base, self.case, number))
        changes = changes_on(pattern, [item.as_done() for item in altered]) if pattern is not None else {}
        return rounds.expected_outcomes(self.base, findings, altered, changes)

    def _expecting(self, one: Round) -> Round:
        """A round with what its try-on should show, by what was really done; as it was where that is not known."""
        log = RoundLog.of(one)
        if not one.done or not log.begun:
            return one
        really = [item for item in one.done if item.done]
        findings = with_measures(self.base, log.findings(self.base))
        return replace(one, outcome=self._expected(findings, really, one.number))

    # -- the end of a round ---------------------------------------------------------------------------------------

    def finish(self, conclusion: state.Conclusion, *, sent: bool) -> int:
        """Let the fitter choose, write the documents, and note what was advised."""
        proposed = conclusion
        choice = rounds.choice_of(self.base, proposed, self.one, self.case.units)
        conclusion = choose(self.screen, choice, ask=self.ask, keep=lambda chosen: self._keep(proposed, chosen))
        findings = conclusion.diagnosis.findings
        advised = conclusion.plan.recommendations
        first = [entry for item in advised if item.only_if is None for entry in advised_as(item)]
        if conclusion is not proposed:
            say("In short:")
            say_all(brief(conclusion.plan))
        shown, moved = documents.simulated_round(self.base, self.case, conclusion) if self.drape else (None, None)
        with self._alone():
            if len(self.case.rounds) > 1:
                before = self.case.rounds[-2]
                self.case = update_round(self.case, replace(before, outcome=self._observed(findings)))
            nudges = self.one.nudges if moved is None else moved
            self._change(waiting="fitter", outcome=self._expected(findings, first, self.one.number), nudges=nudges)
            self._keep(proposed, advised)
            # the documents last: once they are there, nothing of the round is missing
            written = documents.write_documents(self.base, self.case, conclusion, replace(self.look, shown=shown))
        say_then("\nWritten:", *(shown_path(path) for path in written))
        if not advised:
            if findings.seen:
                say_then("Nothing is advised. To answer more, or to choose again:", self.command)
                say_then(f"To ask the client about this muslin again, send {written[-1].name}. Then:", self.answer)
            text = "If it fits well enough:" if findings.seen else "Nothing is advised. If it fits:"
            say_then(text, f"{self.command} --fits")
            return 0
        if sent or (self.ask and self._says_so("Sent to the client?")):
            return self.mark_sent()
        pages = ["client.pdf (or client.html)", written[-1].name]
        pages += [] if self.case.consent.refused else ["shot-card.pdf"]
        say_then(f"Send {', '.join(pages[:-1])} and {pages[-1]}; then write it down:", f"{self.command} --sent")
        return 0

    def _keep(self, proposed: state.Conclusion, chosen: Sequence[Recommendation]) -> None:
        """Record what is advised, and what was left out of the list."""
        advised = tuple(entry for item in chosen for entry in advised_as(item))
        taken = {item.alteration for item in advised}
        left_out = tuple(r.alteration for r in proposed.plan.recommendations if r.alteration not in taken)
        self._change(advised=advised, left_out=left_out)

    def mark_sent(self) -> int:
        """Record that the pages went to the client, whose turn it is now."""
        if not self.case.rounds or not self.one.advised or self.one.sent is not None:
            message = "there is no list waiting to be sent"
            raise stop("nothing-to-send", message, where=self.case.folder, hint=f"{self.command} makes one")
        if not RoundLog.of(self.one).written(self.one.advised):
            message = "the documents do not hold the list that is advised"
            raise stop("not-written", message, where=self.one.documents, hint=f"{self.command} writes them")
        self._change(waiting="client", sent=self.look.day)
        say_then("Written down as sent. When the client has tried it on:", self.answer)
        return 0
