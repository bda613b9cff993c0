"""The first look on Monday: every case of a folder, who waits for whom and since when.

Reading the YAML of five hundred cases takes long, so the folder of the cases keeps one line about each in `.fitdiag/list.txt`.
A line counts only as long as the files it was made from have not changed in size or times; else the case itself is
read again, whoever changed it. What a killed command left behind goes at the next start of any command on the same root, and what
a delete began is finished. Nothing heavy is imported here: where all lines count, neither YAML nor the rules are loaded.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from operator import attrgetter
from pathlib import Path
from typing import NamedTuple

from fitdiag import files
from fitdiag.files import make_folder, read_bytes, refusals, sweep, write_atomically
from fitdiag.problems import Problem, ProblemsFoundError, Where, shown_path

SCHEMA = "fitdiag.list/1"
CASE_FILE = "case.yaml"
OWN = ".fitdiag"
TO_SEND = "send the documents"  # what is to do where a list waits to be sent
_FILE = "list.txt"
_LARGEST = 4 * 1024 * 1024
_LOCK = ".lock"

Marks = dict[str, str]  # path below the case folder to its state; empty: there is no such file


class Row(NamedTuple):
    """A case in the list. Days as in the files; `waiting` is empty when the case is closed.

    `advised`: what was advised last, like "tuck across back hip 3/4 in", in round `advised_in`.
    """

    folder: str
    name: str
    garment: str
    opened: str
    waiting: str
    since: str
    to_do: str
    keep_until: str
    closed: str
    outcome: str
    advised: str
    round: int
    advised_in: int

    def days(self, today: date) -> int:
        """How long somebody has been waiting."""
        return max(0, (today - date.fromisoformat(self.since)).days)

    def days_left(self, today: date) -> int | None:
        """How long the photos may still be kept: under 0 when the day is over; None without such a day."""
        return (date.fromisoformat(self.keep_until) - today).days if self.keep_until else None


class Read(NamedTuple):
    """A case read in full for the list, and the state its files had before."""

    row: Row
    marks: Marks


@dataclass(frozen=True)
class CaseList:
    """The cases of a folder, those to be worked on first; `problems` of those that cannot be read."""

    rows: tuple[Row, ...]
    problems: tuple[Problem, ...] = ()


def list_cases(parent: Path, read_again: Callable[[Path], Read]) -> CaseList:
    """All cases in a folder: the fitter's turn first, in it the longest wait first; closed ones last.

    `read_again` reads a case in full where its line does not count. A case that cannot be read is a problem, not the end.
    """
    rows: list[Row] = []
    problems: list[Problem] = []
    with refusals(parent, "this folder cannot be read", reading=True), os.scandir(parent) as entries:
        folders = [entry for entry in entries if entry.name[0] != "."]
    before = _lines(parent)
    after: dict[str, str] = {}
    changed = False
    for entry in folders:
        name = entry.name
        if not entry.is_dir(follow_symlinks=False):
            if entry.is_symlink() and os.path.lexists(f"{entry.path}/{CASE_FILE}"):
                told = "this is a link; a case is a folder of its own"
                problems.append(Problem("link", told, Where(shown_path(entry.path)), "copy the case here"))
            continue
        line = before.get(name)
        row = _fresh(entry.path, name, line) if line else None
        if row is None:
            if not os.path.lexists(f"{entry.path}/{CASE_FILE}"):
                continue
            changed = True
            try:
                row, marks = read_again(Path(entry.path))
            except ProblemsFoundError as stopped:
                problems += stopped.problems
                continue
            line = _line(row, marks)
        assert line is not None
        after[name] = line
        rows.append(row)
    if changed or len(after) != len(before):
        _keep(parent, after)
    rows.sort(key=attrgetter("since", "folder"))
    in_turn = [row for turn in ("fitter", "client", "") for row in rows if row.waiting == turn]
    return CaseList(tuple(in_turn), tuple(problems))


def _lines(parent: Path) -> dict[str, str]:
    """The line about each case, by its folder; empty where there are none, or of another kind."""
    try:
        text = read_bytes(parent / OWN / _FILE, _LARGEST, "list").decode()
    except (ProblemsFoundError, UnicodeDecodeError):
        return {}
    schema, *lines = text.split("\n")
    return {line.partition("\t")[0]: line for line in lines} if schema == SCHEMA else {}


def _line(row: Row, marks: Marks) -> str:
    told = [part for pair in marks.items() for part in pair]
    return "\t".join([row.folder, str(len(told)), *told, *map(str, row[1:])])


def _fresh(folder: str, name: str, line: str) -> Row | None:
    """The row of a line; None if it is not of this form, or if any file it rests on has changed since."""
    try:
        _, count, *parts = line.split("\t")
        if parts[0] != "." or parts[2] != CASE_FILE:
            return None
        last = int(count)
        for place in range(0, last, 2):
            if parts[place + 1] != mark(f"{folder}/{parts[place]}"):
                return None
        row = Row._make((name, *parts[last:-2], int(parts[-2]), int(parts[-1])))
        for day in (row.opened, row.since, row.keep_until, row.closed):
            if day:
                date.fromisoformat(day)
        if row.waiting not in ("fitter", "client", ""):
            return None
        return row if row.since and "".join(parts[last:]).isprintable() else None
    except (OSError, ValueError, LookupError, TypeError):
        return None


def _keep(parent: Path, lines: dict[str, str]) -> None:
    """Write the lines. Without them the list is only slower, so that nothing is said if that fails."""
    place = parent / OWN
    with suppress(OSError, ProblemsFoundError):
        if place.is_symlink():
            return
        if not (place / ".gitignore").exists():
            make_folder(place)
            write_atomically(place / ".gitignore", "*\n")  # it is of use on this disk only
        write_atomically(place / _FILE, "\n".join([SCHEMA, *lines.values()]), replace=True)


def forget(parent: Path, folder: str) -> None:
    """Take the line about a case out: what is deleted is not to be read anywhere."""
    lines = _lines(parent)
    if lines.pop(folder, None) is not None:
        _keep(parent, lines)


def mark(path: str) -> str:
    """The state of a file or folder that any change of it changes: size and both times; a link is not followed.

    Empty if there is none.
    """
    try:
        state = os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return ""
    return f"{state.st_size} {state.st_mtime_ns} {state.st_ctime_ns}"


def marks_of(folder: Path, paths: Iterable[str]) -> Marks:
    """The states of a case's files; to be taken before they are read, so that a change meanwhile shows."""
    return {path: mark(f"{folder}/{path}") for path in (".", CASE_FILE, *paths)}


# -- after a kill ------------------------------------------------------------------------------------------------------


def recover(parent: Path) -> list[str]:
    """Sweep a root of cases, and go on with what was broken off there; in words, what was finished. Never fails."""
    ended = sweep(parent).deletions
    told = [f"Finished now: {ended} deletion{'' if ended == 1 else 's'} that had been broken off."] if ended else []
    own = parent / OWN
    try:
        names = [entry.name for entry in os.scandir(own)]
    except (OSError, ValueError):
        return told
    for name in sorted(names):
        if name.endswith(_LOCK) and not name.startswith("."):
            with (
                suppress(OSError, ValueError, ProblemsFoundError),
                files.alone(own / name, 0.0, only_left=True) as lock,
            ):
                if lock is not None:  # else somebody is at work there
                    told += _go_on(parent / name.removesuffix(_LOCK), lock.notes())
    sweep(own)
    return told


def _go_on(folder: Path, notes: list[str]) -> list[str]:
    """Clean up behind a killed command on one case."""
    from fitdiag.sessions.case_export import PHOTOS, PLACE, delete_photos  # noqa: PLC0415 (only after a kill)

    told: list[str] = []
    for note in notes:
        if note.startswith(PLACE):
            sweep(Path(note.removeprefix(PLACE)))
    if not (folder / CASE_FILE).is_file() or folder.is_symlink():
        return told
    sweep_case(folder)
    from fitdiag.sessions.case import alone, open_case  # noqa: PLC0415 (the same)

    with alone(folder):
        for note in notes:
            if note.startswith(PHOTOS):
                delete_photos(open_case(folder), date.fromisoformat(note.removeprefix(PHOTOS)))
                told.append("Finished now: the deletion of photos that had been broken off.")
    return told


def sweep_case(folder: Path) -> int:
    """Remove what is half written anywhere in a case; how many leftovers there were. No link is followed."""
    return sum(sweep(Path(at)).leftovers for at, _, _ in os.walk(folder, followlinks=False))
