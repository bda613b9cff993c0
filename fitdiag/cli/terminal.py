"""The interview at a terminal or in a pipe: reads lines, shows lines, and treats every way of leaving as usual."""

from __future__ import annotations

import os
import signal
import sys
import textwrap
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

from fitdiag.cli.arguments import folder_of, units_of
from fitdiag.cli.output import say, width, write
from fitdiag.cli.work import session_name
from fitdiag.interview.engine import HELP, Interview, Line
from fitdiag.knowledge.findings import read_findings
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import one_line, stop
from fitdiag.reports.report import brief, make_report
from fitdiag.reports.writers import as_text
from fitdiag.sessions.log import Event, SessionLog, now
from fitdiag.sessions.replay import refuse_other_garment
from fitdiag.sessions.state import answer_event, conclusion_event, done_event, measures_event
from fitdiag.units import Units

SESSIONS = Path("sessions")


class _Leave(Exception):  # noqa: N818 (not an error: the fitter leaves)
    """The fitter leaves: Ctrl-C, end of input, or the terminal is closed."""


class Screen:
    """Where lines go and come from. With a terminal, questions are bold and hints dim; otherwise plain text."""

    def __init__(self) -> None:
        self.interactive = sys.stdin.isatty() and sys.stdout.isatty()
        self._rich: Any = None
        if sys.stdout.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM", "dumb") != "dumb":
            from rich.console import Console

            self._rich = Console(highlight=False, markup=False, emoji=False, width=width())
        if self.interactive:
            with suppress(ImportError):
                import readline  # noqa: F401 (line editing and history in input())

    def show(self, line: Line) -> None:
        if line.style == "head":
            write("")
        indent = "  " if line.style == "item" else ""
        for row in textwrap.wrap(line.text, width(), initial_indent=indent, subsequent_indent=indent + ("   " if indent else ""),
                                 break_long_words=False, replace_whitespace=False, drop_whitespace=False) or [""]:  # fmt: skip
            self._row(row.rstrip(), line.style)

    def _row(self, row: str, style: str) -> None:
        if self._rich is None:
            write(row)
            return
        from rich.text import Text

        look = {"head": "bold underline", "ask": "bold", "hint": "dim"}.get(style, "")
        self._rich.print(Text(row, style=look), soft_wrap=True)

    def read(self) -> str:
        try:
            typed = input("> ")
        except (EOFError, KeyboardInterrupt):
            raise _Leave from None
        except UnicodeDecodeError:
            return "\ufffd"
        if not self.interactive:
            write(one_line(typed, 200))
        return typed


def _hang_up(signal_number: int, frame: object) -> NoReturn:
    raise _Leave


def interview(log_path: str | None, resume: str | None, answers: str | None, client: str | None, units: str | None,
              rules: str | None, *, new_rules: bool) -> int:  # fmt: skip
    if resume and (log_path or answers or client or units):
        raise stop(
            "arguments",
            "--resume goes on with a session as it was",
            hint="leave out --log, --answers, --client and --units",
        )
    chosen: Units | None = units_of(units) if units else None
    base = load_rules(folder_of(rules))
    if resume:
        log, events = _reopen(Path(resume), base, new_rules=new_rules)
        with log:
            return _talk(base, log, events, greeting="Going on where you left.")
    if answers:
        return _from_file(base, Path(answers), log_path, client, chosen)
    screen = Screen()
    if screen.interactive and client is None:
        screen.show(Line("Whose trousers? A name of your choice; Enter for none.", "ask"))
        client = _read_or_nothing(screen)
    if screen.interactive and chosen is None:
        screen.show(Line("1 inches in eighths, or 2 centimetres? Enter for inches.", "ask"))
        chosen = "cm" if _read_or_nothing(screen).strip().lower() in ("2", "cm", "centimetres", "centimeters") else "in"
    name = one_line(client or "", 80)
    path = Path(log_path) if log_path else session_name(SESSIONS, name, now().date().isoformat())
    log = SessionLog.create(path, base, client=name, units=chosen or "in")
    with log:
        head: Event = {"event": "start", "client": name, "units": chosen or "in"}
        return _talk(
            base, log, (head,), greeting=f"{base.about.title}. Every answer is saved at once in {one_line(path)}."
        )


def _read_or_nothing(screen: Screen) -> str:
    try:
        return screen.read()
    except _Leave:
        write("")
        raise SystemExit(0) from None  # nothing was begun, so there is nothing to save


def _reopen(path: Path, base: RuleBase, *, new_rules: bool) -> tuple[SessionLog, tuple[Event, ...]]:
    log, read = SessionLog.resume(path)
    try:
        refuse_other_garment(read, base)
        latest = [
            event["rules"]
            for event in read.events
            if event["event"] in ("start", "rules") and isinstance(event.get("rules"), dict)
        ][-1]
        if latest.get("fingerprint") != base.fingerprint:
            if not new_rules:
                hint = (
                    f"fitdiag replay {one_line(path)} shows what differs; to go on with today's rules add --new-rules"
                )
                raise stop(
                    "rules-changed", f"{one_line(path)}: the rules have changed since this session began", hint=hint
                )
            rules = {"garment": base.about.garment, "fingerprint": base.fingerprint}
            return log, (*read.events, log.append({"event": "rules", "rules": rules}))
    except BaseException:
        log.close()
        raise
    return log, read.events


def _from_file(base: RuleBase, path: Path, log_path: str | None, client: str | None, units: Units | None) -> int:
    findings = read_findings(path, base)
    name = one_line(client if client is not None else findings.client, 80)
    target = Path(log_path) if log_path else session_name(SESSIONS, name, now().date().isoformat())
    chosen = units or findings.units
    with SessionLog.create(target, base, client=name, units=chosen) as log:
        for done in findings.done:
            log.append(done_event(done))
        if findings.body:
            log.append({"event": "body", "notes": dict(findings.body)})
        if findings.body_measures or findings.pattern_measures:
            log.append(measures_event(findings))
        for finding in findings.symptoms.values():
            log.append(answer_event(finding))
        for note in findings.notes:
            log.append({"event": "note", "text": note})
        from fitdiag.sessions.state import conclude

        conclusion = conclude(base, replace(findings, client=name, units=chosen))
        log.append(conclusion_event(conclusion))
    write(as_text(make_report(base, conclusion, steps=False), base, width()))
    say(f"The session: {one_line(target)}")
    return 0


def _talk(base: RuleBase, log: SessionLog, events: tuple[Event, ...], greeting: str) -> int:
    screen = Screen()
    if hasattr(signal, "SIGHUP"):
        signal.signal(signal.SIGHUP, _hang_up)
    signal.signal(signal.SIGTERM, _hang_up)
    interview = Interview(base, events, log.append)
    try:
        screen.show(Line(greeting))
        screen.show(Line(HELP, "hint"))
        while True:
            _ask_until_the_end(screen, interview)
            _conclude(base, log, interview)
            if not screen.interactive or not interview.can_go_on:
                return 0
            screen.show(Line("Enter to leave; more to be asked on all the same.", "hint"))
            if screen.read().strip().lower() != "more":
                return 0
            interview.ask_more()
    except _Leave:
        return _left(log)
    except KeyboardInterrupt:
        return _left(log)


def _ask_until_the_end(screen: Screen, interview: Interview) -> None:
    while True:
        lines = interview.prompt()
        for line in lines:
            screen.show(line)
        if interview.finished:
            return
        for line in interview.reply(screen.read()):
            screen.show(line)
        if interview.finished:
            return


def _conclude(base: RuleBase, log: SessionLog, interview: Interview) -> None:
    report = make_report(base, interview.conclusion, steps=False)
    write("")
    write(as_text(report, base, width()))
    log.append(conclusion_event(interview.conclusion))
    say("In short:")
    for line in brief(report, base):
        say(line)
    path = one_line(log.path)
    say(f"Saved in {path}. The list with every step, as a document: fitdiag export {path} --to list.md")


def _left(log: SessionLog) -> int:
    with suppress(OSError):  # the terminal may be gone; the answers are not
        write("")
        say(f"Left; every answer is saved. Go on with: fitdiag interview --resume {one_line(log.path)}")
    return 0
