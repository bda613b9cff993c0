"""What the rounds of a case taught about the simulated body: nudges in mm, in a file of their own that can be taken back.

`simulated-body.yaml` in the case's folder (`fitdiag.body/1`): one line a nudge, with the round it came from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from fitdiag.files import write_atomically
from fitdiag.knowledge.basics import Part
from fitdiag.knowledge.reading import read_file
from fitdiag.knowledge.simulated import FigurePart
from fitdiag.knowledge.strict_yaml import read_yaml
from fitdiag.sessions.case_files import Case, Strict

FILE = "simulated-body.yaml"
SCHEMA = "fitdiag.body/1"
_HEAD = "# How the rounds moved the simulated body. `fitdiag case body NAME --take-back` takes the last round's back.\n"


@dataclass(frozen=True)
class Nudge(Strict):
    """One part of the body moved by mm after the try-on of a round."""

    round: Annotated[int, Field(ge=1, le=99)]
    part: FigurePart
    mm: Annotated[float, Field(strict=True, ge=-100, le=100)]


class _BodyFile(Part):
    nudges: tuple[Nudge, ...]


def nudges_of(case: Case) -> tuple[Nudge, ...]:
    """The nudges of a case, oldest first; none without the file. Raises ProblemsFoundError."""
    path = case.folder / FILE
    if not path.exists():
        return ()
    return read_file(read_yaml(path, what="file of the simulated body"), _BodyFile, SCHEMA).nudges


def together(nudges: tuple[Nudge, ...]) -> dict[str, float]:
    """By how much each part is moved in all, mm."""
    total: dict[str, float] = {}
    for nudge in nudges:
        total[nudge.part] = total.get(nudge.part, 0.0) + nudge.mm
    return total


def keep_nudges(case: Case, number: int, moved: Mapping[str, float]) -> None:
    """Write down what a round's try-on taught, in place of what was written for that round before."""
    others = tuple(nudge for nudge in nudges_of(case) if nudge.round != number)
    _write(case, (*others, *(Nudge(number, part, mm) for part, mm in moved.items())))  # type: ignore[arg-type]


def take_back(case: Case) -> tuple[Nudge, ...]:
    """Take the last round's nudges back; which they were."""
    nudges = nudges_of(case)
    last = tuple(nudge for nudge in nudges if nudge.round == max(one.round for one in nudges))
    if last:
        _write(case, tuple(nudge for nudge in nudges if nudge not in last))
    return last


def _write(case: Case, nudges: tuple[Nudge, ...]) -> None:
    rows = "".join(f"  - {{round: {one.round}, part: {one.part}, mm: {one.mm:g}}}\n" for one in nudges)
    text = f"{_HEAD}schema: {SCHEMA}\nnudges:{' []' if not rows else ''}\n{rows}"
    write_atomically(case.folder / FILE, text, replace=True)
