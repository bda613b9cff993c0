"""The case store: one client's garment from the first muslin until it fits, as a folder of plain files.

`case.yaml` says whose garment and which, `round-01/round.yaml` how far a round is; findings, log, photos, marks, plan and
documents lie beside it. People edit these two: their changes are never overwritten. Every change reads, changes and writes
under the case's lock.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import fields, replace
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

from fitdiag import files
from fitdiag.files import make_folder, read_bytes, refusals, write_atomically, write_folder
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.findings_file import findings_in
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import Document, parse_yaml, read_yaml
from fitdiag.problems import Hints, Problem, ProblemsFoundError, Where, one_line, shown_path, stop
from fitdiag.sessions.case_files import (
    CASE_KEYS,
    LARGEST,
    LONGEST_NAME,
    ROUND_FILE,
    Case,
    Round,
    case_in,
    case_text,
    round_in,
    round_text,
)
from fitdiag.sessions.case_list import CASE_FILE, OWN
from fitdiag.sessions.round_log import round_text_in_log, save_round, settle
from fitdiag.units import is_to_come

MOST_ROUNDS = 99
LARGEST_PATTERN = 16 * 1024 * 1024
_LONGEST_FOLDER = 60
_ROUND = re.compile(r"round-(?!00)[0-9][0-9]\Z")
_NEARLY_A_ROUND = re.compile(r"round[ _-]?\d+\Z", re.IGNORECASE)
_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{number}" for port in ("com", "lpt") for number in range(10))}

_Value = TypeVar("_Value", Case, Round)


# -- names -------------------------------------------------------------------------------------------------------------


def folder_name(name: str) -> str:
    """Turn the fitter's name for a case into a folder name of letters, figures and hyphens only. Raises ProblemsFoundError.

    >>> folder_name("The Lamplighter, Act 2"), folder_name("../../etc"), folder_name("CON")
    ('the-lamplighter-act-2', 'etc', 'case-con')
    """
    apart = unicodedata.normalize("NFKD", name[: 4 * LONGEST_NAME])
    letters = "".join(char for char in apart if unicodedata.category(char) != "Mn").casefold()
    whole = unicodedata.normalize("NFC", letters)
    words = "".join(char if char.isalnum() else " " for char in whole).split()
    slug = "-".join(words)
    while len(slug) > _LONGEST_FOLDER or len(slug.encode()) > 2 * _LONGEST_FOLDER:
        slug = slug[:-1]
    slug = slug.strip("-")
    if not slug:
        hint = "give it a name with a letter, like 'the lamplighter'"
        raise stop("name", f"'{one_line(name, 40)}' has no letter or figure to make a folder of", hint=hint)
    return f"case-{slug}" if slug in _RESERVED else slug


def find_case(parent: Path, name: str) -> Path:
    """Find a case's folder by folder name, by a path in `parent`, or by the fitter's name, which `case.yaml` may have changed.

    Raises ProblemsFoundError, also where the folder of one case is called like another case.
    """
    given = name.rstrip("/\\")
    if given and Path(given).parent == parent and Path(given).name not in ("", "..") and "\0" not in given:
        given = Path(given).name
    plain = given and not {"/", "\\", "\0"} & set(given) and not given.startswith(".")
    wanted = [given] if plain else []
    with suppress(ProblemsFoundError):
        wanted.append(folder_name(given))
    short = (folder for folder in wanted if len(folder.encode(errors="replace")) < 250)
    found = next((folder for folder in short if os.path.lexists(parent / folder / CASE_FILE)), None)
    if found is not None and (found == given or _leads_to(given, _name_in(parent / found))):
        return parent / found
    known: list[str] = []
    with suppress(OSError, ValueError):
        known = sorted(entry.name for entry in os.scandir(parent) if (Path(entry.path) / CASE_FILE).exists())
    meant = [folder for folder in known if folder == found or _leads_to(given, _name_in(parent / folder))]
    if len(meant) == 1:
        return parent / meant[0]
    if meant:
        folders = " or ".join(
            f"'{one_line(folder, 60)}' ({one_line(_name_in(parent / folder), 60)})" for folder in meant
        )
        message = f"'{one_line(name, 60)}' may be more than one case"
        raise stop("several-cases", message, where=parent, hint=f"name its folder: {folders}")
    part = wanted[-1] if wanted else ""
    holding = [folder for folder in known if part and part in folder]
    hint = f"did you mean '{holding[0]}'?" if len(holding) == 1 else Hints().near(part, known)
    hint = hint or "`fitdiag case list` shows them all"
    raise stop("no-case", f"there is no case '{one_line(name, 60)}' here", where=parent, hint=hint)


def _name_in(folder: Path) -> str:
    """The fitter's name in a case's file; empty if it cannot be read."""
    with suppress(ProblemsFoundError):
        refuse_link(folder / CASE_FILE)
        return case_in(read_yaml(folder / CASE_FILE, LARGEST, "case"), folder).name
    return ""


def _leads_to(given: str, called: str) -> bool:
    """Whether a typed name is that of a case, but for capitals, accents and punctuation."""
    with suppress(ProblemsFoundError):
        return bool(called) and folder_name(given) == folder_name(called)
    return False


def told_apart(case: Case) -> str:
    """The fitter's name for a case, and its folder where the name alone does not lead there."""
    with suppress(ProblemsFoundError):
        if folder_name(case.name) == case.folder.name:
            return case.name
    return f"{case.name} (folder {case.folder.name})"


# -- reading -----------------------------------------------------------------------------------------------------------


def open_case(folder: Path) -> Case:
    """Read a case with all its rounds. Raises ProblemsFoundError with every fault of all its files."""
    path = folder / CASE_FILE
    refuse_link(folder)
    refuse_link(path)
    if folder.is_dir() and not path.exists():
        raise stop("no-case", "this folder is not a case", where=folder, hint=f"it has no {CASE_FILE}")
    case, problems = None, list[Problem]()
    rounds: list[Round] = []
    with gathered(problems):
        case = case_in(read_yaml(path, LARGEST, "case"), folder)
    with gathered(problems):
        for number, inner in _round_folders(folder) if path.is_file() else ():
            with gathered(problems):
                if (document := _round_document(inner)) is not None:
                    rounds.append(round_in(document, number, inner))
    if problems or case is None:
        raise ProblemsFoundError(problems)
    return replace(case, rounds=tuple(rounds))


def _round_document(folder: Path) -> Document | None:
    """Read `round.yaml`, or its text in the log where the file is missing; None if there is neither."""
    path = folder / ROUND_FILE
    refuse_link(folder)
    refuse_link(path)
    if path.exists():
        return read_yaml(path, LARGEST, "round")
    text = round_text_in_log(folder)
    return parse_yaml(text, shown_path(path)) if text is not None else None


@contextmanager
def gathered(problems: list[Problem]) -> Iterator[None]:
    """Add problems raised inside to the list and carry on."""
    try:
        yield
    except ProblemsFoundError as stopped:
        problems += stopped.problems


def refuse_link(path: Path) -> None:
    with refusals(path, "this cannot be read", reading=True):
        linked = path.is_symlink()
    if linked:
        message = "this is a link; links in a case are not followed"
        raise stop("link", message, where=path, hint="put the file itself into the case folder")


def _round_folders(folder: Path) -> list[tuple[int, Path]]:
    """The round folders by number; a near miss in the name is a fault, so that no round is overlooked."""
    with refusals(folder, "this folder cannot be read", reading=True):
        names = sorted(os.listdir(folder))  # noqa: PTH208 (names only, to be sorted)
    rounds = {name: int(name[-2:]) for name in names if _ROUND.match(name)}
    if wrong := [folder / name for name in names if name not in rounds and _NEARLY_A_ROUND.match(name)]:
        message = "this is not the name of a round"
        hint = "write it like round-01"
        raise ProblemsFoundError(Problem("round-name", message, Where(shown_path(path)), hint) for path in wrong)
    return [(number, folder / name) for name, number in rounds.items()]


def case_findings(case: Case, rules: RuleBase, *, before: int = MOST_ROUNDS + 1) -> Findings:
    """Return what is known before round `before` begins: body notes, measures, and everything done in earlier rounds.

    Raises ProblemsFoundError, with its line, for anything these rules do not know.
    """
    document = read_yaml(case.folder / CASE_FILE, LARGEST, "case")
    findings = findings_in(document, (), document.data, rules, CASE_KEYS)
    problems: list[Problem] = []
    hints = Hints()
    for one in case.rounds:
        for index, item in enumerate(one.done):
            if item.alteration not in rules.alterations:
                message = f"there is no alteration '{one_line(item.alteration, 50)}'"
                where = read_yaml(one.folder / ROUND_FILE, LARGEST).where(("done", index))
                hint = (
                    hints.near(item.alteration, rules.alterations) or "`fitdiag rules list alterations` shows them all"
                )
                problems.append(Problem("unknown-id", message, where, hint))
    if problems:
        raise ProblemsFoundError(problems)
    return replace(findings, client=case.name, notes=(), done=case.done_before(before))


# -- writing -----------------------------------------------------------------------------------------------------------


def new_case(draft: Case, pattern: Path | None = None) -> Case:
    """Create a case, whole or not at all, in a folder named after it in `draft.folder`; the pattern is copied into it."""
    content = read_bytes(pattern, LARGEST_PATTERN, "pattern") if pattern else b""
    ending = "".join(char for char in pattern.suffix.lower() if char in "." or char.isalnum()) if pattern else ""
    name, parent = one_line(draft.name, LONGEST_NAME + 1), draft.folder
    if len(name) > LONGEST_NAME:
        hint = (
            f"give it a name of at most {LONGEST_NAME} letters; what else is to be known of the client goes in a note"
        )
        raise stop("name", f"'{one_line(name, 40)}' is too long a name", hint=hint)
    folder = parent / folder_name(name)
    notes = tuple(one_line(note, 500) for note in draft.notes)
    draft = replace(draft, folder=folder, name=name, pattern=f"pattern{ending}" if pattern else "", notes=notes)
    text = _checked(case_text(draft), folder / CASE_FILE, lambda document: case_in(document, folder))
    make_folder(parent)
    with alone(folder, begun=False):
        _refuse_taken(parent, folder)
        write_folder(folder, {Path(CASE_FILE): text.encode()} | ({Path(draft.pattern): content} if pattern else {}))
        return open_case(folder)


def _refuse_taken(parent: Path, folder: Path) -> None:
    """Refuse a taken name; names that differ only in case or in how accents are encoded are the same on some disks."""
    with refusals(parent, "this folder cannot be read", reading=True):
        for entry in os.scandir(parent):
            if unicodedata.normalize("NFC", entry.name).casefold() == folder.name:
                hint = f"`fitdiag case show {folder.name}` shows it; a second garment has a name of its own, like 'the lamplighter, black'"
                message = "there is a case or a file of this name already"
                raise stop("exists", message, where=entry.path, hint=hint)


def save_case(case: Case, changed: Case) -> Case:
    """Write what differs between a case as opened and `changed` (except its rounds); the rest stays as on disk."""
    with alone(case.folder):
        found = open_case(case.folder)
        path = case.folder / CASE_FILE
        merged = _merged(case, changed, found, ("folder", "rounds"), path)
        text = _checked(case_text(merged), path, lambda document: case_in(document, case.folder))
        write_atomically(path, text, replace=True)
        return open_case(case.folder)


def add_round(case: Case, *, today: date | None = None, fingerprint: str = "") -> Case:
    """Begin the next round; it is the fitter's turn. An existing folder of that name without `round.yaml` is used as it is.

    `fingerprint`: the rules' fingerprint, for the head of the round's log.
    """
    if case.closed:
        hint = f"to open it again, take the lines 'closed:' out of {CASE_FILE}"
        raise stop("closed", "this case is closed", where=case.folder, hint=hint)
    with alone(case.folder):
        found = open_case(case.folder)
        if [one.number for one in found.rounds] != [one.number for one in case.rounds]:
            message = "a round was begun or removed in the meantime"
            raise stop("changed", message, where=case.folder, hint="look at it, then do this again")
        number = found.rounds[-1].number + 1 if found.rounds else 1
        if number > MOST_ROUNDS:
            raise stop("too-many", f"a case has at most {MOST_ROUNDS} rounds", where=case.folder)
        folder = case.folder / f"round-{number:02}"
        day = today or date.today()
        one = Round(number, folder, day, day)
        refuse_link(folder)
        for inner in (folder, one.photos, one.documents):
            make_folder(inner)
        _save_round(found, one, fingerprint)
        return open_case(case.folder)


def days_to_come(case: Case, today: date) -> list[str]:
    """The days of what has happened in a case that have not come yet, each with its file and what to do."""
    in_case = {"opened": case.opened, "consent, date": case.consent.given, "consent, removed": case.consent.removed,
               "closed, date": case.closed.day if case.closed else None}  # fmt: skip
    written = [(case.folder / CASE_FILE, in_case)]
    for one in case.rounds:
        days = {"opened": one.opened, "since": one.since, "sent": one.sent, "form_received": one.form_received}
        written.append((one.folder / ROUND_FILE, days))
    return [
        f"{shown_path(path)}: {name}: {day} has not come yet; put it right there, or the clock of this computer."
        for path, days in written
        for name, day in days.items()
        if day is not None and is_to_come(day, today)
    ]


def _save_round(case: Case, one: Round, fingerprint: str = "") -> None:
    """Write a round once its text is known to read back."""
    path = one.folder / ROUND_FILE
    text = _checked(round_text(one, case.units), path, lambda document: round_in(document, one.number, one.folder))
    save_round(case, one, text, fingerprint)


def update_round(case: Case, changed: Round, *, today: date | None = None) -> Case:
    """Write what differs between a round as `case` knows it and `changed`; the rest stays as on disk.

    When the turn changes and `since` does not, it is set to today. Raises ProblemsFoundError if the same field was changed
    in the meantime.
    """
    before = case.round(changed.number)
    if before.waiting != changed.waiting and before.since == changed.since:
        changed = replace(changed, since=today or date.today())
    with alone(case.folder):
        found = open_case(case.folder)
        path = before.folder / ROUND_FILE
        try:
            on_disk = found.round(changed.number)
        except KeyError:
            raise stop("no-round", "this round is no longer there", where=path) from None
        _save_round(found, _merged(before, changed, on_disk, ("folder", "number"), path))
        return open_case(case.folder)


def _merged(known: _Value, wanted: _Value, found: _Value, fixed: tuple[str, ...], path: Path) -> _Value:
    """Apply to `found` every field changed between `known` and `wanted`; `fixed` fields are skipped."""
    changes: dict[str, Any] = {}
    for item in fields(known):
        before, after, now = (getattr(value, item.name) for value in (known, wanted, found))
        if item.name in fixed or before == after:
            continue
        if now not in (before, after):
            hint = "look at it, then do this again"
            message = f"'{item.name}' was changed in this file in the meantime"
            raise stop("changed", message, where=path, hint=hint)
        changes[item.name] = after
    return replace(found, **changes)


def _checked(text: str, path: Path, read: Callable[[Any], object]) -> str:
    """Return the text if it reads back: only the reader defines what a file may hold, and nothing else is ever written."""
    if len(text.encode(errors="replace")) > LARGEST:
        raise stop("too-large", f"this would be larger than {LARGEST // 1024} kB", where=path)
    try:
        read(parse_yaml(text, shown_path(path)))
    except ProblemsFoundError as stopped:
        where = Where(shown_path(path))
        problems = (replace(item, message=f"not written: {item.message}", where=where) for item in stopped.problems)
        raise ProblemsFoundError(problems) from None
    return text


# -- the folder itself -------------------------------------------------------------------------------------------------


@contextmanager
def alone(folder: Path, *, begun: bool = True) -> Iterator[files.Alone]:
    """Hold the lock of a case, so that only one window changes it; re-entrant within a window.

    Only a killed command leaves its lock file behind, which tells the next one whose leftovers to look for. Interrupted work
    in the case is finished first. `begun`: the case exists already. Raises ProblemsFoundError if another window does not
    finish, or if the case is gone.
    """
    where = Where(shown_path(folder))
    with ExitStack() as held:
        with refusals(folder, f"this case cannot be {'changed' if begun else 'made here'}"):
            lock = held.enter_context(files.alone(folder.parent / OWN / f"{folder.name}.lock"))
        if lock is None:
            hint = "wait until it has ended, then do this again"
            raise stop("in-use", "another window is changing this case", where=where, hint=hint)
        if begun and not folder.is_dir():
            raise stop("gone", "this case has been deleted or moved", where=where, hint="nothing was written")
        if begun:
            for inner in sorted(folder.glob("round-[0-9][0-9]"))[-2:]:  # earlier rounds are no longer written
                settle(inner)
        yield lock
