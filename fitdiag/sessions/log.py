"""The session log: one JSON object per line, appended and synced to disk before the next question is asked.

The first line is a head with the schema, the program's version and a fingerprint of the rule base. A last line torn by a
crash is not a fault: it was never acknowledged. One process writes a log at a time. One line is one event, or several that
must be saved together, like everything from a form.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import cached_property
from pathlib import Path
from typing import Any

from fitdiag import __version__
from fitdiag.files import GoneError, Growing, make_folder, no_twins, refusal, write_atomically
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import read_text
from fitdiag.problems import Problem, ProblemsFoundError, Where, command, one_line, shown_path, stop

SCHEMA = "fitdiag.session/1"
SESSIONS = Path("sessions")  # where logs that are no part of a case are kept
LARGEST_LOG = 4 * 1024 * 1024
_MOST_FAULTS = 200  # how many bad lines are reported
KINDS = (
    "start", "answer", "body", "done", "stage", "note", "measures", "back", "rules", "conclusion", "offered", "before", "kept", "outcome",
)  # fmt: skip
JOINED = ("known", "taken", "measured")  # lines of a round's log that hold several events each
ABOUT_FILES = ("round", "documents")  # lines of a round's log about its files
MEND = "mend that, then do this again"  # where the disk is full, or writing is not allowed
_BUSY_S = 2.0  # other commands finish in less; an interview holds the log for longer
Event = Mapping[str, Any]


def now() -> datetime:
    """The current time, to stamp an event."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class Lines:
    """The lines of a log as written, the head first; none without a log."""

    lines: tuple[Event, ...] = ()

    @cached_property
    def events(self) -> tuple[Event, ...]:
        """The events of the session, with joined lines split up."""
        return tuple(apart(self.lines))


@dataclass(frozen=True, kw_only=True)
class ReadLog(Lines):
    """A log that was read. `whole_bytes`: size of its whole events in the file; a torn line may follow."""

    path: Path
    whole_bytes: int
    ends_open: bool = False  # the last event is whole but lacks its newline

    @property
    def head(self) -> Event:
        """The first event, with schema, program and rules."""
        return self.lines[0]

    @property
    def rules(self) -> Mapping[str, Any]:
        """The garment and fingerprint of the rules last used to write it."""
        all_rules = (event.get("rules") for event in self.events if event["event"] in ("start", "rules"))
        return [rules for rules in all_rules if isinstance(rules, dict)][-1]


def day_of(event: Event) -> date | None:
    """The day an event was written; None if a hand-made or damaged line does not say."""
    with suppress(KeyError, TypeError, ValueError):
        return datetime.fromisoformat(event["at"]).date()
    return None


def listed(event: Event, key: str) -> list[Any]:
    """An event's list under a key; empty if a hand-made or damaged line has none."""
    value = event.get(key)
    return value if isinstance(value, list) else []


def mapped(event: Event, key: str) -> Mapping[str, Any]:
    """An event's object under a key; empty if a hand-made or damaged line has none."""
    value = event.get(key)
    return value if isinstance(value, Mapping) else {}


def apart(lines: Iterable[Event]) -> Iterator[Event]:
    """Yield the events of a session one by one, skipping lines about a round's files."""
    for line in lines:
        if line["event"] in KINDS:
            yield line
        elif line["event"] in JOINED:
            for event in listed(line, "events"):
                if isinstance(event, dict) and event.get("event") in KINDS[1:]:
                    yield {**event, "at": line.get("at")}


def read_log(path: Path) -> ReadLog:
    """Read a log. Raises ProblemsFoundError naming every line that is not an event."""
    text = read_text(path, LARGEST_LOG, "session log", torn=True)
    shown = shown_path(path)
    whole, newline, torn = text.rpartition("\n")
    lines = [_event(line) for line in whole.split("\n")] if newline else []
    events = [event for event in lines if event is not None]
    with path.open("rb") as handle:  # an editor may have added a byte-order mark
        mark = 3 if handle.read(3) == b"\xef\xbb\xbf" else 0
    whole_bytes, ends_open = mark + len((whole + newline).encode()), False
    if torn.isascii() and (event := _event(torn)) is not None:  # this program writes ASCII only
        events.append(event)
        whole_bytes, ends_open = mark + len(text.encode()), True
    if not events and lines:
        hint = "give a .jsonl file written by fitdiag interview"
        raise stop("not-a-log", "this is not a session log", where=Where(shown), hint=hint)
    if not events:
        raise stop(
            "not-a-log", "this session log is empty", where=Where(shown), hint="start again with fitdiag interview"
        )
    if faults := [Where(shown, number, 1) for number, event in enumerate(lines, 1) if event is None][:_MOST_FAULTS]:
        message = "the lines above were changed after they were written"
        last = Problem("log-line", message, Where(shown), "restore the file, or take those lines out in a copy")
        faulty = "this line is not an event of a session log"
        raise ProblemsFoundError([*(Problem("log-line", faulty, where) for where in faults), last])
    if events[0]["event"] != "start" or events[0].get("schema") != SCHEMA:
        message = (
            f"the first line is not a head of {SCHEMA} (schema: {one_line(events[0].get('schema', 'missing'), 40)})"
        )
        raise stop("schema", message, where=Where(shown, 1, 1), hint="is it from another version?")
    if not isinstance(events[0].get("rules"), dict):
        raise stop("log-line", "the first line names no rules", where=Where(shown, 1, 1))
    return ReadLog(tuple(events), path=path, whole_bytes=whole_bytes, ends_open=ends_open)


def _event(line: str) -> Event | None:
    try:
        event = json.loads(line, object_pairs_hook=no_twins)
    except (ValueError, RecursionError):
        return None
    known = (*KINDS, *JOINED, *ABOUT_FILES)
    return event if isinstance(event, dict) and event.get("event") in known else None


def begin_log(path: Path, garment: str, fingerprint: str, *, client: str, units: str, events: Sequence[Event] = (),
              alone: bool = False, hint: str = "choose another place with --log") -> None:  # fmt: skip
    """Write a new log with these events, all or nothing. Raises ProblemsFoundError, with `hint` if it cannot be written."""
    head = head_of(garment, fingerprint, client, units)
    text = b"".join(_line(event)[1] for event in ({**head, "alone": True} if alone else head, *events))
    try:
        make_folder(path.parent)
        write_atomically(path, text)
    except ProblemsFoundError as stopped:
        if stopped.problems[0].code == "exists":
            begun = f"if it is a session, go on with it: {resume_command(path)}; else give another name"
            message = "there is a file of this name already"
            raise stop("log-exists", message, where=path, hint=begun) from None
        raise ProblemsFoundError(replace(stopped.problems[0], hint=hint)) from None


def head_of(garment: str, fingerprint: str, client: str, units: str) -> Event:
    rules = {"garment": garment, "fingerprint": fingerprint}
    return {
        "event": "start",
        "schema": SCHEMA,
        "program": __version__,
        "rules": rules,
        "client": client,
        "units": units,
    }


def _line(event: Event) -> tuple[Event, bytes]:
    stamped = {**event, "at": now().isoformat(timespec="seconds")}
    return stamped, (json.dumps(stamped, separators=(",", ":")) + "\n").encode("ascii")


class SessionLog(Growing):
    """A log open for writing, locked against a second writer. Use as a context manager."""

    @classmethod
    def create(cls, path: Path, base: RuleBase, *, client: str, units: str, alone: bool = False) -> SessionLog:
        """Begin a new log (`alone`: of somebody who fits herself). Nothing is overwritten, nothing left behind on failure."""
        begin_log(path, base.about.garment, base.fingerprint, client=client, units=units, alone=alone)
        return cls.resume(path)[0]

    @classmethod
    def resume(cls, path: Path) -> tuple[SessionLog, ReadLog]:
        """Open a log to continue it, cutting off a torn last line. Raises ProblemsFoundError."""
        read_log(path)  # a clear message for a file that is not a log, before it is opened for writing
        try:
            log = cls(path)
        except OSError as error:
            raise _cannot_write(path, error, "a session can only go on where its log may be written") from None
        try:
            if not log.lock(_BUSY_S, LARGEST_LOG):
                message = "another interview is writing to this log"
                hint = "finish or close that one first"
                raise stop("log-in-use", message, where=path, hint=hint)
            read = read_log(path)  # again: only under the lock does nobody add to it
            log.cut(read.whole_bytes, line_end=read.ends_open)
        except OSError as error:
            log.close()
            raise _cannot_write(path, error, "nothing was changed") from None
        except BaseException:
            log.close()
            raise
        return log, read

    def append(self, event: Event, *, answered: bool = True) -> Event:
        """Write one event and wait until it is on the disk. On failure the log stays as it was. Raises ProblemsFoundError.

        `answered`: it came of an interview, which can be gone on with.
        """
        stamped, line = _line(event)
        try:
            self.add(line)
        except GoneError:
            message = "this log was moved or deleted while it was open; this answer is not saved"
            hint = "put it back, then go on with it; without it the session is lost"
            raise stop("log-gone", message, where=self.path, hint=hint) from None
        except OSError as error:
            if not answered:
                raise _cannot_write(self.path, error, MEND) from None
            hint = f"mend that, then go on with: {resume_command(self.path)}"
            raise _cannot_write(self.path, error, hint, "this answer", "; every answer before it is saved") from None
        return stamped


def resume_command(path: Path, *options: str | Path) -> str:
    """The command that resumes a session with these options, ready to copy."""
    return command("fitdiag", "interview", "--resume", path, *options)


def _cannot_write(path: Path, error: OSError, hint: str, what: str = "this", kept: str = "") -> ProblemsFoundError:
    message = f"{what} cannot be saved: {refusal(error)}{kept}"
    return stop("cannot-save", message, where=path, hint=hint)
