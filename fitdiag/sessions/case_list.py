"""The list of cases in a folder: who waits for whom, and since when.

Any command on the same root first removes what a killed command left behind and finishes an interrupted deletion.
Nothing heavy is imported before a case is read.
"""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from fitdiag import files
from fitdiag.files import GONE, refusals, remove_file, sweep
from fitdiag.problems import Problem, ProblemsFoundError, one_line
from fitdiag.units import Units, format_given

if TYPE_CHECKING:
    from fitdiag.sessions.case_files import Advised, Case

CASE_FILE = "case.yaml"
OWN = ".fitdiag"
TO_SEND = "send the documents"  # to do while a list waits to be sent
_LOCK = ".lock"


@dataclass(frozen=True)
class CaseList:
    """The cases of a folder, the fitter's turn first; `problems`: those that cannot be read."""

    cases: tuple[Case, ...]
    problems: tuple[Problem, ...] = ()


def list_cases(parent: Path) -> CaseList:
    """List all cases in a folder: the fitter's turn first, then the client's, closed ones last, each by longest wait.

    A case that cannot be read becomes a problem and does not stop the list.
    """
    from fitdiag.sessions.case import gathered, open_case  # noqa: PLC0415 (heavy)

    cases: list[Case] = []
    problems: list[Problem] = []
    with refusals(parent, "this folder cannot be read", reading=True):
        folders = sorted(one for one in parent.iterdir() if one.name[0] != "." and os.path.lexists(one / CASE_FILE))
    for folder in folders:
        with gathered(problems):
            cases.append(open_case(folder))
    cases.sort(key=lambda case: (("fitter", "client", "").index(case.waiting), case.since, case.folder.name))
    return CaseList(tuple(cases), tuple(problems))


def last_advised(case: Case) -> tuple[str, int]:
    """What was advised last, like "tuck across back hip 3/4 in", and in which round; 0 if nothing was.

    What is done only if a sign shows comes last, behind "only if needed".
    """
    latest = next((one for one in reversed(case.rounds) if one.advised), None)
    if latest is None:
        return "", 0
    now = [_advised_text(item, case.units) for item in latest.advised if item.only_if is None]
    waiting = [_advised_text(item, case.units) for item in latest.advised if item.only_if is not None]
    parts = [*now, *([f"only if needed: {waiting[0]}", *waiting[1:]] if waiting else [])]
    return one_line("; ".join(parts), 400), latest.number


def _advised_text(item: Advised, units: Units) -> str:
    """An alteration with its amount and side as one line; one done in reverse has a minus sign, as on the command line."""
    mm = item.as_done().signed_mm
    amount = format_given(mm, units) if mm is not None else ""
    return " ".join(filter(None, (item.alteration.replace("-", " "), amount, item.side if item.side != "both" else "")))


def to_do(case: Case) -> str:
    """The next thing to do about a case, in a few words."""
    last = case.last_round
    if case.closed:
        return "closed"
    if last is None:
        return "begin round 1"
    if last.waiting == "client":
        return f"wait for the form, sent {last.sent}" if last.sent else "wait for the client"
    if last.fits:
        return "it fits: close the case"
    if last.advised and not last.sent:
        return TO_SEND
    if last.form_received:
        return f"read the form of {last.form_received}"
    return f"review round {last.number}"


# -- after a kill ------------------------------------------------------------------------------------------------------


def recover(parent: Path) -> list[str]:
    """Sweep a root of cases and finish interrupted work there; returns what was finished, in words. Never fails."""
    ended = sum(name.startswith(GONE) for name in sweep(parent))
    messages = [f"Finished now: {ended} interrupted deletion{'' if ended == 1 else 's'}."] if ended else []
    own = parent / OWN
    with suppress(OSError, ValueError):
        if os.path.lexists(own / "list.txt"):  # where an older version kept the names of cases
            remove_file(own / "list.txt")
    try:
        names = [entry.name for entry in os.scandir(own)]
    except (OSError, ValueError):
        return messages
    for name in sorted(names):
        if name.endswith(_LOCK) and not name.startswith("."):
            with (
                suppress(OSError, ValueError, ProblemsFoundError),
                files.alone(own / name, 0.0, only_left=True) as lock,
            ):
                if lock is not None:  # else somebody is at work there
                    messages += _go_on(parent / name.removesuffix(_LOCK), lock.notes())
    sweep(own)
    return messages


def _go_on(folder: Path, notes: list[str]) -> list[str]:
    """Clean up after a killed command on one case; returns what was finished, in words."""
    from fitdiag.sessions.case_export import PHOTOS, PLACE, delete_photos  # noqa: PLC0415 (only after a kill)

    messages: list[str] = []
    for note in notes:
        if note.startswith(PLACE):
            sweep(Path(note.removeprefix(PLACE)))
    if not (folder / CASE_FILE).is_file() or folder.is_symlink():
        return messages
    sweep_case(folder)
    from fitdiag.sessions.case import alone, open_case  # noqa: PLC0415 (the same)

    with alone(folder):
        for note in notes:
            if note.startswith(PHOTOS):
                delete_photos(open_case(folder), date.fromisoformat(note.removeprefix(PHOTOS)))
                messages.append("Finished now: an interrupted deletion of photos.")
    return messages


def sweep_case(folder: Path) -> int:
    """Remove temporary files anywhere in a case; returns how many. Links are not followed."""
    return sum(len(sweep(Path(inner))) for inner, _, _ in os.walk(folder, followlinks=False))
