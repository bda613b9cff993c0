"""The interview at a terminal or in a pipe, which may be left at any time in any way."""

from __future__ import annotations

import errno
import gc
import os
import re
import signal
import sys
from collections.abc import Callable, Sequence
from functools import partial
from itertools import count
from pathlib import Path
from typing import Any, NoReturn

from fitdiag.cli.arguments import rules_of, units_of
from fitdiag.cli.lists import findings_given, fits_herself, log_of, say_list
from fitdiag.cli.misses import remember
from fitdiag.cli.output import Show, say_then, write
from fitdiag.cli.screen import LEAVING, Leave, Screen, ask_units
from fitdiag.files import refusals
from fitdiag.interview.engine import Interview
from fitdiag.interview.telling import HELP, Line, where_left
from fitdiag.knowledge.findings import Done, Findings
from fitdiag.knowledge.findings_file import read_findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.wearer import for_wearer
from fitdiag.problems import command, one_line, shown_path, stop
from fitdiag.sessions.log import SESSIONS, Event, SessionLog, begin_log, now, resume_command
from fitdiag.sessions.replay import left_out, refuse_other_garment
from fitdiag.sessions.state import STAGES, conclude, conclusion_event, events_of, fold, offered_event
from fitdiag.units import Units


def _hang_up(signal_number: int, frame: object) -> NoReturn:
    _on_hang_up(signal.SIG_IGN)  # a second signal must not interrupt leaving
    raise Leave


def _on_hang_up(handler: Any) -> None:
    """Set the handler for a closed terminal or a request to end."""
    for name in ("SIGHUP", "SIGTERM"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), handler)


def interview(log_path: str | None, resume: str | None, answers: str | None, client: str | None, units: str | None,
              rules: str | None, *, new_rules: bool, pattern: str | None, photos: str | None, full: bool,
              alone: bool) -> int:  # fmt: skip
    if answers and photos:
        message = "--answers asks nothing, so nothing can be confirmed"
        raise stop("arguments", message, hint="give one of --answers and --photos")
    if resume and (log_path or answers or client or units or photos):
        message = "--resume goes on with a session as it was"
        raise stop("arguments", message, hint="leave out --log, --answers, --photos, --client and --units")
    chosen: Units | None = units_of(units) if units else None
    resumed = log_of(resume) if resume else None
    base = rules_of(rules, resumed, answers, photos)
    alone = alone or (resumed is not None and fits_herself(resumed))
    base, show = for_wearer(base, alone=True) if alone else base, Show(full, alone)
    if resumed is not None:
        return _talk(base, *_reopen(resumed, base, new_rules=new_rules), pattern, show=show)
    if answers:
        return _from_file(base, Path(answers), log_path, client, chosen, pattern, show)
    offered = read_findings(Path(photos), base) if photos else None
    if offered is not None:
        client, chosen = client if client is not None else offered.client or None, chosen or offered.units
    try:
        _on_hang_up(_hang_up)
        screen = Screen()
        if screen.interactive and client is None:
            hint = Line("A name of your choice; Enter for none.", "hint")
            screen.show([Line(f"Whose {base.about.garment}?", "ask"), hint])
            client = screen.read()
        if screen.interactive and chosen is None:
            chosen = ask_units(screen)
        name = one_line(client or "", 80)
        log = SessionLog.create(_new_log(log_path, name), base, client=name, units=chosen or "in", alone=alone)
        begun: list[Event] = [{"event": "start", "client": name, "units": chosen or "in"}]
        if offered is not None and offered.symptoms:
            begun.append(log.append(offered_event(offered.symptoms.values())))
        return _talk(base, log, tuple(begun), pattern, show=show)
    except Leave:
        return _say_last("")  # nothing was begun, so there is nothing to save


def _new_log(given: str | None, client: str) -> Path:
    """The path of a new log: the one given, or a free name like `sessions/2026-11-25-lamplighter.jsonl`.

    Whatever the client is called, a name made here stays inside that folder.
    """
    if given:
        return Path(given)
    slug = re.sub("[^a-z0-9]+", "-", client.lower()).strip("-")[:40]
    begins = f"{now().date().isoformat()}-{slug or 'fitting'}"
    names = (f"{begins}{f'-{number}' if number > 1 else ''}.jsonl" for number in count(1))
    with refusals(SESSIONS, "this folder cannot be used", reading=True):
        return next(path for name in names if not (path := SESSIONS / name).exists())


def _reopen(path: Path, base: RuleBase, *, new_rules: bool) -> tuple[SessionLog, tuple[Event, ...]]:
    log, read = SessionLog.resume(path)
    try:
        refuse_other_garment(read, base)
        if read.rules.get("fingerprint") != base.fingerprint:
            if not new_rules:
                hint = f"{command('fitdiag', 'replay', path)} shows what differs; to go on with today's rules add --new-rules"
                raise stop("rules-changed", "the rules have changed since this session began", where=path, hint=hint)
            rules = {"garment": base.about.garment, "fingerprint": base.fingerprint}
            return log, (*read.events, log.append({"event": "rules", "rules": rules}))
    except BaseException:
        log.close()
        raise
    return log, read.events


def _from_file(base: RuleBase, path: Path, log_path: str | None, client: str | None, units: Units | None,
               pattern: str | None, show: Show) -> int:  # fmt: skip
    findings = findings_given(path, base)
    name = one_line(client if client is not None else findings.client, 80)
    target = _new_log(log_path, name)
    events = events_of(findings, Findings())
    events += [{"event": "stage", "ended": stage} for stage in STAGES[:-1]]  # resumed, it goes on with the questions
    head: Event = {"event": "start", "client": name, "units": units or findings.units}
    conclusion = conclude(base, fold((head, *events), base).findings)
    begin_log(
        target, base.about.garment, base.fingerprint, client=name, units=units or findings.units,
        events=(*events, conclusion_event(conclusion)), alone=show.alone,
    )  # fmt: skip
    say_list(base, conclusion, pattern, full=show.full)
    _say_saved(target, _given_again(pattern, alone=show.alone))
    return 0


def hold_interview(
    base: RuleBase, path: Path, pattern: Path | None, show: Show, *, earlier: Sequence[Done] = ()
) -> int:  # fmt: skip
    """Hold the interview of a log within a review, to the list or until the fitter leaves.

    `earlier`: what was done and is not on the pattern yet.
    """
    return _talk(base, *_reopen(path, base, new_rules=True), pattern, inside=True, show=show, earlier=earlier)


def _talk(
    base: RuleBase, log: SessionLog, events: tuple[Event, ...], pattern: str | Path | None, *, show: Show,
    inside: bool = False, earlier: Sequence[Done] = (),
) -> int:  # fmt: skip
    gc.enable()  # an interview may stay open all day
    options = _given_again(pattern, alone=show.alone)
    try:
        _on_hang_up(_hang_up)
        screen = Screen()
        interview = Interview(base, events, log.append, missed=remember, alone=show.alone)
        if any(event["event"] not in ("start", "offered") for event in events):
            given = [event for event in events if event.get("origin") in ("asked", "volunteered", "photo")]
            if given or not inside:  # a review reports what is known before the first answer
                screen.show(where_left(base, interview.findings, interview.conclusion.diagnosis))
            screen.show(Line(text) for text in left_out(interview.state, base))
        else:
            screen.show([Line(f"{base.about.title}. Every answer is saved at once in:")])
            write(f"  {shown_path(log.path)}")  # whole, however long, so that it can be copied
        screen.show([Line(HELP, "hint")])
        while True:
            screen.show(interview.prompt())
            while not interview.finished:
                screen.show(interview.reply(screen.read()))
                screen.show([] if interview.finished else interview.prompt())
            write("")
            more = "why" if screen.interactive else "--full"
            say_list(base, interview.conclusion, pattern, earlier=earlier, full=show.full, more=more)
            log.append(conclusion_event(interview.conclusion))
            if not inside:
                _say_saved(log.path, options)
            show_all = partial(say_list, base, interview.conclusion, pattern, earlier=earlier, full=True)
            if not screen.interactive or not _goes_on(screen, interview, "go on" if inside else "leave", show_all):
                return 0
    except (Leave, KeyboardInterrupt):
        return 0 if inside else _left(log, options)
    except OSError as gone:
        if gone.errno not in (errno.EIO, errno.EPIPE):
            raise
        return _left(log, options)  # the terminal is gone
    finally:
        log.close()


def _goes_on(screen: Screen, interview: Interview, enter: str, show_all: Callable[[], None]) -> bool:
    """After the list: whether the fitter wants more questions, or has changed or added something; `show_all` prints it in full."""
    while True:
        more = "; more for more questions" if interview.can_go_on else ""
        hint = f"Enter to {enter}; why for the reasons; back to change an answer; also to add a sign{more}."
        screen.show([Line(hint, "hint")])
        typed = screen.read().strip()
        word = typed.lower()
        if word in ("", "no", "n", *LEAVING):
            return False
        if word in ("why", "full", "--full", "reasons"):
            show_all()
            continue
        if word == "more" and interview.can_go_on:
            interview.ask_more()
            return True
        if not re.match(r"(?:back|undo|also|note|so far|help)\b", word):
            screen.show([Line(f"'{one_line(typed, 20)}' is none of these.")])
            continue
        interview.finished = False
        before, steps = interview.prompt(), interview.state.steps
        interview.finished = False
        screen.show(interview.reply(typed))
        if interview.state.steps != steps or interview.prompt() != before:
            interview.finished = False
            return True


def _given_again(pattern: str | Path | None, *, alone: bool) -> list[str | Path]:
    """The options that a later command on a session needs again, as its log does not hold them."""
    return [*(["--alone"] if alone else []), *(["--pattern", pattern] if pattern else [])]


def _say_saved(path: Path, options: Sequence[str | Path]) -> None:
    """Print where the session is and what to do with it; each command on its own line, to copy."""
    write(f"\nSaved in {shown_path(path)}")
    exporting = command("fitdiag", "export", path, "--to", "list.md", *options)
    say_then("The list with every step, as a document:", exporting)
    say_then("To go on later:", resume_command(path, *options))


def _left(log: SessionLog, options: Sequence[str | Path]) -> int:
    if not log.is_there:
        text = "Left. This log was moved or deleted while it was open, and what it held is not saved:"
        _say_last(f"\n{text}\n  {shown_path(log.path)}")
        return 1
    return _say_last(f"\nLeft; every answer is saved. To go on:\n  {resume_command(log.path, *options)}")


def _say_last(text: str) -> int:
    """Print a last text on leaving, despite a second Ctrl-C or a closed terminal."""
    _on_hang_up(signal.SIG_IGN)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        write(text)
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # so that nothing fails at the very end
    return 0
