"""The session log: one JSON object a line, appended and flushed to the disk before the next question is asked.

The first line is a head with the schema, the program's version and a fingerprint of the rule base. A last line torn by a
crash is no fault: it was never acknowledged. A log is written by one process at a time.
"""

from __future__ import annotations

import errno
import json
import os
import shlex
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from fitdiag import __version__
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import read_text
from fitdiag.problems import Problem, ProblemsFoundError, Where, one_line, shown_path, stop

SCHEMA = "fitdiag.session/1"
LARGEST_LOG = 4 * 1024 * 1024
_MOST_FAULTS = 200  # so many lines that are no events, and the rest is not read
KINDS = (
    "start",
    "answer",
    "body",
    "done",
    "stage",
    "note",
    "measures",
    "back",
    "rules",
    "conclusion",
    "offered",
    "outcome",
)
Event = Mapping[str, Any]
Clock = Callable[[], datetime]


def now() -> datetime:
    """The time of an event."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class ReadLog:
    """The events of a log, the head first. `whole_bytes`: how much of the file they fill; a torn line may follow."""

    path: Path
    events: tuple[Event, ...]
    whole_bytes: int
    ends_open: bool = False  # the last event is whole, only its line end is missing

    @property
    def head(self) -> Event:
        """The first event, with schema, program and rules."""
        return self.events[0]


def read_log(path: Path) -> ReadLog:
    """Read a log. Raises ProblemsFoundError naming every line that is not an event of this schema."""
    text = read_text(path, LARGEST_LOG, "session log", torn=True)
    shown = shown_path(path)
    whole, newline, torn = text.rpartition("\n")
    problems: list[Problem] = []
    events: list[Event] = []
    for number, line in enumerate(whole.split("\n") if newline else [], 1):
        event = _event(line)
        if event is None:
            problems.append(Problem("log-line", "this line is not an event of a session log", Where(shown, number, 1)))
            if len(problems) >= _MOST_FAULTS:
                break
        else:
            events.append(event)
    mark = _byte_order_mark(path)
    whole_bytes, ends_open = mark + len((whole + newline).encode()), False
    if torn.isascii() and (event := _event(torn)) is not None:  # else it was not written by this program
        events.append(event)
        whole_bytes, ends_open = mark + len(text.encode()), True
    if problems and not events:
        raise stop(
            "not-a-log",
            "this is not a session log",
            where=Where(shown),
            hint="give a .jsonl file written by fitdiag interview",
        )
    if problems:
        raise ProblemsFoundError([*problems, Problem("log-line", "the lines above were changed after they were written", Where(shown),
                                  "restore the file, or take those lines out in a copy")])  # fmt: skip
    if not events:
        raise stop(
            "not-a-log", "this session log is empty", where=Where(shown), hint="begin anew with fitdiag interview"
        )
    if events[0]["event"] != "start" or events[0].get("schema") != SCHEMA:
        told = one_line(events[0].get("schema", "missing"), 40)
        raise stop(
            "schema",
            f"the first line is not a head of {SCHEMA} (schema: {told})",
            where=Where(shown, 1, 1),
            hint="is it from another version?",
        )
    if not isinstance(events[0].get("rules"), dict):
        raise stop("log-line", "the first line names no rules", where=Where(shown, 1, 1))
    return ReadLog(path, tuple(events), whole_bytes, ends_open)


def _byte_order_mark(path: Path) -> int:
    """How many bytes an editor has set before the text; they are not part of what was read."""
    with path.open("rb") as handle:
        return 3 if handle.read(3) == b"\xef\xbb\xbf" else 0


def _event(line: str) -> Event | None:
    try:
        event = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return event if isinstance(event, dict) and event.get("event") in KINDS else None


class SessionLog:
    """A log open for writing, locked against a second writer. Use as a context manager."""

    def __init__(self, path: Path, descriptor: int, clock: Clock) -> None:
        self.path, self._descriptor, self._clock = path, descriptor, clock

    @classmethod
    def create(cls, path: Path, base: RuleBase, *, client: str, units: str, clock: Clock = now) -> SessionLog:
        """Begin a new log; an existing file is never overwritten, and none is left behind if it cannot be begun."""
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:  # also: its parent is a file
            raise _cannot_write(path, error, _ELSEWHERE) from None
        try:
            descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_APPEND, 0o600)
        except FileExistsError:
            raise stop(
                "log-exists",
                "there is a file of this name already",
                where=Where(shown_path(path)),
                hint=f"if it is a session, go on with it: {resume_command(path)}; else give another name",
            ) from None
        except OSError as error:
            raise _cannot_write(path, error, _ELSEWHERE) from None
        log = cls(path, descriptor, clock)
        try:
            log._lock()
            log._write(
                {
                    "event": "start",
                    "schema": SCHEMA,
                    "program": __version__,
                    "rules": {"garment": base.about.garment, "fingerprint": base.fingerprint},
                    "client": client,
                    "units": units,
                }
            )
        except OSError as error:
            log.close()
            with suppress(OSError):
                path.unlink()
            raise _cannot_write(path, error, _ELSEWHERE) from None
        except BaseException:
            log.close()
            raise
        _sync_folder(path.parent)
        return log

    @classmethod
    def resume(cls, path: Path, clock: Clock = now) -> tuple[SessionLog, ReadLog]:
        """Open a log to go on with; a torn last line is cut off. Read only after the lock is held."""
        read_log(path)  # the clear message for what is no log, before anything is opened for writing
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_APPEND)
        except OSError as error:
            raise _cannot_write(path, error, "a session can only go on where its log may be written") from None
        log = cls(path, descriptor, clock)
        try:
            log._lock()
            read = read_log(path)
            os.ftruncate(descriptor, read.whole_bytes)
            if read.ends_open:
                os.write(descriptor, b"\n")
            os.fsync(descriptor)
        except OSError as error:
            log.close()
            raise _cannot_write(path, error, "nothing was changed") from None
        except BaseException:
            log.close()
            raise
        return log, read

    def append(self, event: Event) -> Event:
        """Write one event and wait until it is on the disk. On failure the log stays as it was before."""
        try:
            return self._write(event)
        except OSError as error:
            hint = f"mend that, then go on with: {resume_command(self.path)}"
            raise _cannot_write(self.path, error, hint, "this answer", "; every answer before it is saved") from None

    def _write(self, event: Event) -> Event:
        stamped = {**event, "at": self._clock().isoformat(timespec="seconds")}
        line = (json.dumps(stamped, separators=(",", ":")) + "\n").encode("ascii")
        size = os.fstat(self._descriptor).st_size
        try:
            written = 0
            while written < len(line):
                written += os.write(self._descriptor, line[written:])
            os.fsync(self._descriptor)
        except OSError:
            with suppress(OSError):  # if this fails too, a torn line at the end is read over
                os.ftruncate(self._descriptor, size)
            raise
        return stamped

    def _lock(self) -> None:
        """Raises OSError where the system cannot lock files at all."""
        try:
            _lock_file(self._descriptor)
        except (BlockingIOError, PermissionError):
            raise stop(
                "log-in-use",
                "another interview is writing to this log",
                where=Where(shown_path(self.path)),
                hint="finish or close that one first",
            ) from None

    def close(self) -> None:
        """Give the log free; calling it twice does no harm."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def __enter__(self) -> SessionLog:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


_ELSEWHERE = "choose another place with --log"


def resume_command(path: Path) -> str:
    """The command that goes on with a session, ready to be copied."""
    return f"fitdiag interview --resume {shlex.quote(shown_path(path))}"


def _cannot_write(path: Path, error: OSError, hint: str, what: str = "this", kept: str = "") -> ProblemsFoundError:
    reasons = {
        errno.ENOSPC: "the disk is full",
        errno.EDQUOT: "the disk quota is used up",
        errno.EROFS: "the disk is read-only",
        errno.EACCES: "writing is not allowed here",
        errno.EPERM: "writing is not allowed here",
        errno.ENOTDIR: "its folder is a file",
        errno.EEXIST: "its folder is a file",
        errno.ENAMETOOLONG: "the name is too long",
    }
    told = reasons.get(error.errno or 0, one_line(error.strerror or error))
    return stop("cannot-save", f"{what} cannot be saved: {told}{kept}", where=Where(shown_path(path)), hint=hint)


def _sync_folder(folder: Path) -> None:
    """Make the new file's name durable too; not every system lets a folder be opened for that."""
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    with suppress(OSError):
        os.fsync(descriptor)
    os.close(descriptor)


if sys.platform == "win32":
    import msvcrt

    def _lock_file(descriptor: int) -> None:
        os.lseek(descriptor, LARGEST_LOG, os.SEEK_SET)  # a byte behind the text: a locked one cannot be read either
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock_file(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
