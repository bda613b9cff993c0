"""The session log: one JSON object a line, appended and flushed to the disk before the next question is asked.

The first line is a head with the schema, the program's version and a fingerprint of the rule base. A last line torn by a
crash is no fault: it was never acknowledged. A log is written by one process at a time. One line is one event; what belongs
together and must never be half there, like all that came in with a form, is one line that holds several.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, suppress
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
LARGEST_LOG = 4 * 1024 * 1024
_MOST_FAULTS = 200  # so many lines that are no events are told
KINDS = (
    "start", "answer", "body", "done", "stage", "note", "measures", "back", "rules", "conclusion", "offered", "before", "kept", "outcome",
)  # fmt: skip
JOINED = ("known", "taken", "measured")  # lines of a round's log that hold several events each
ABOUT_FILES = ("round", "documents")  # lines of a round's log that say what its files are made of
_BUSY_S = 2.0  # another process adds its lines in less; an interview keeps a log for longer
Event = Mapping[str, Any]


def now() -> datetime:
    """The time of an event."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class Lines:
    """The events of a log as they were written, the head first; none where there is no log."""

    lines: tuple[Event, ...] = ()

    @cached_property
    def events(self) -> tuple[Event, ...]:
        """What the session adds up from: those that were written as one line stand one by one."""
        return tuple(apart(self.lines))


@dataclass(frozen=True, kw_only=True)
class ReadLog(Lines):
    """A log that was read. `whole_bytes`: how much of the file its events fill; a torn line may follow."""

    path: Path
    whole_bytes: int
    ends_open: bool = False  # the last event is whole, only its line end is missing

    @property
    def head(self) -> Event:
        """The first event, with schema, program and rules."""
        return self.lines[0]

    @property
    def rules(self) -> Mapping[str, Any]:
        """The garment and the fingerprint of the rules it was written with last."""
        told = (event.get("rules") for event in self.events if event["event"] in ("start", "rules"))
        return [rules for rules in told if isinstance(rules, dict)][-1]


def day_of(event: Event) -> date | None:
    """The day an event was written; None where a hand-made or damaged line does not say."""
    with suppress(KeyError, TypeError, ValueError):
        return datetime.fromisoformat(event["at"]).date()
    return None


def listed(event: Event, key: str) -> list[Any]:
    """The list an event has under a key; empty where a hand-made or damaged line holds none."""
    value = event.get(key)
    return value if isinstance(value, list) else []


def mapped(event: Event, key: str) -> Mapping[str, Any]:
    """The object an event has under a key; empty where a hand-made or damaged line holds none."""
    value = event.get(key)
    return value if isinstance(value, Mapping) else {}


def apart(lines: Iterable[Event]) -> Iterator[Event]:
    """The events of a session one by one, without what is only about the files of a round."""
    for line in lines:
        if line["event"] in KINDS:
            yield line
        elif line["event"] in JOINED:
            for event in listed(line, "events"):
                if isinstance(event, dict) and event.get("event") in KINDS[1:]:
                    yield {**event, "at": line.get("at")}


def read_log(path: Path) -> ReadLog:
    """Read a log. Raises ProblemsFoundError naming every line that is not an event of this schema."""
    text = read_text(path, LARGEST_LOG, "session log", torn=True)
    shown = shown_path(path)
    whole, newline, torn = text.rpartition("\n")
    lines = [_event(line) for line in whole.split("\n")] if newline else []
    events = [event for event in lines if event is not None]
    with path.open("rb") as handle:  # an editor may have set a mark before the text
        mark = 3 if handle.read(3) == b"\xef\xbb\xbf" else 0
    whole_bytes, ends_open = mark + len((whole + newline).encode()), False
    if torn.isascii() and (event := _event(torn)) is not None:  # else it was not written by this program
        events.append(event)
        whole_bytes, ends_open = mark + len(text.encode()), True
    if not events and lines:
        hint = "give a .jsonl file written by fitdiag interview"
        raise stop("not-a-log", "this is not a session log", where=Where(shown), hint=hint)
    if not events:
        raise stop(
            "not-a-log", "this session log is empty", where=Where(shown), hint="begin anew with fitdiag interview"
        )
    if faults := [Where(shown, number, 1) for number, event in enumerate(lines, 1) if event is None][:_MOST_FAULTS]:
        told = "the lines above were changed after they were written"
        last = Problem("log-line", told, Where(shown), "restore the file, or take those lines out in a copy")
        faulty = "this line is not an event of a session log"
        raise ProblemsFoundError([*(Problem("log-line", faulty, where) for where in faults), last])
    if events[0]["event"] != "start" or events[0].get("schema") != SCHEMA:
        told = f"the first line is not a head of {SCHEMA} (schema: {one_line(events[0].get('schema', 'missing'), 40)})"
        raise stop("schema", told, where=Where(shown, 1, 1), hint="is it from another version?")
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
              alone: bool = False) -> None:  # fmt: skip
    """Write a new log with these events: it is there with all of them, or not at all. Raises ProblemsFoundError."""
    head = head_of(garment, fingerprint, client, units)
    text = b"".join(_line(event)[1] for event in ({**head, "alone": True} if alone else head, *events))
    try:
        make_folder(path.parent)
        write_atomically(path, text)
    except ProblemsFoundError as stopped:
        if stopped.problems[0].code == "exists":
            hint = f"if it is a session, go on with it: {resume_command(path)}; else give another name"
            told = "there is a file of this name already"
            raise stop("log-exists", told, where=path, hint=hint) from None
        raise ProblemsFoundError(replace(stopped.problems[0], hint=_ELSEWHERE)) from None


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


class SessionLog(AbstractContextManager["SessionLog"]):
    """A log open for writing, locked against a second writer. Use as a context manager."""

    def __init__(self, path: Path, file: Growing) -> None:
        self.path, self._file = path, file

    @classmethod
    def create(cls, path: Path, base: RuleBase, *, client: str, units: str, alone: bool = False) -> SessionLog:
        """Begin a new log, `alone` of somebody who fits herself; no file is overwritten, and none left if it cannot be begun."""
        begin_log(path, base.about.garment, base.fingerprint, client=client, units=units, alone=alone)
        return cls.resume(path)[0]

    @classmethod
    def resume(cls, path: Path) -> tuple[SessionLog, ReadLog]:
        """Open a log to go on with; a torn last line is cut off. Read only after the lock is held."""
        read_log(path)  # the clear message for what is no log, before anything is opened for writing
        try:
            file = Growing(path)
        except OSError as error:
            raise _cannot_write(path, error, "a session can only go on where its log may be written") from None
        try:
            if not file.lock(_BUSY_S, LARGEST_LOG):
                told = "another interview is writing to this log"
                hint = "finish or close that one first"
                raise stop("log-in-use", told, where=path, hint=hint)
            read = read_log(path)
            file.cut(read.whole_bytes, line_end=read.ends_open)
        except OSError as error:
            file.close()
            raise _cannot_write(path, error, "nothing was changed") from None
        except BaseException:
            file.close()
            raise
        return cls(path, file), read

    @property
    def is_there(self) -> bool:
        """Whether the log is still where it was, neither moved nor deleted."""
        return self._file.is_there

    def append(self, event: Event) -> Event:
        """Write one event and wait until it is on the disk. On failure the log stays as it was before."""
        stamped, line = _line(event)
        hint = f"mend that, then go on with: {resume_command(self.path)}"
        try:
            self._file.append(line)
        except GoneError:
            told = "this log was moved or deleted while it was open; this answer is not saved"
            hint = "put it back, then go on with it; without it the session is lost"
            raise stop("log-gone", told, where=self.path, hint=hint) from None
        except OSError as error:
            raise _cannot_write(self.path, error, hint, "this answer", "; every answer before it is saved") from None
        return stamped

    def close(self) -> None:
        """Give the log free; calling it twice does no harm."""
        self._file.close()

    def __exit__(self, *_: object) -> None:
        self.close()


_ELSEWHERE = "choose another place with --log"


def resume_command(path: Path, *, alone: bool = False) -> str:
    """The command that goes on with a session, ready to be copied."""
    return command("fitdiag", "interview", "--resume", path, *(["--alone"] if alone else []))


def _cannot_write(path: Path, error: OSError, hint: str, what: str = "this", kept: str = "") -> ProblemsFoundError:
    told = f"{what} cannot be saved: {refusal(error)}{kept}"
    return stop("cannot-save", told, where=path, hint=hint)
