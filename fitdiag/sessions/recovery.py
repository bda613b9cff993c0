"""What a killed command left behind goes at the next start of any command on the same root; what a delete began is finished."""

from __future__ import annotations

import os
from contextlib import suppress
from datetime import date
from pathlib import Path

from fitdiag import files
from fitdiag.files import sweep
from fitdiag.problems import ProblemsFoundError
from fitdiag.sessions.case_list import CASE_FILE, OWN

_LOCK = ".lock"


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
