"""What an interview can wait for besides the next answer, and what it refuses to count."""

from __future__ import annotations

from dataclasses import dataclass

from fitdiag.interview.search import Kind
from fitdiag.knowledge.findings import Finding


@dataclass(frozen=True)
class Pick:
    """Waiting for a choice from a numbered list; `rest`: the amount, side or grade that was typed along with the word."""

    kind: Kind
    ids: tuple[str, ...]
    typed: str
    rest: str


@dataclass(frozen=True)
class Confirm:
    """Waiting for a yes to an amount; `doubt`: why it is asked back, empty where it was only vague."""

    finding: Finding
    text: str
    mm: float
    doubt: str = ""


class NotWeighableError(Exception):
    """An answer that would make too many signs hang together; it was not saved."""
