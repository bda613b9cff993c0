"""Words typed but not understood, kept on this machine only: they show which words the rules lack."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import Any

from fitdiag.cli.output import say, write
from fitdiag.files import make_folder, own_folder, refusals, remove_file, write_atomically
from fitdiag.interview.search import Kind
from fitdiag.problems import ProblemsFoundError, one_line

MOST = 2000  # lines; older ones are dropped
_LONGEST = 120


def place() -> Path:
    """The file of misses in the user's state folder."""
    return own_folder("state") / "not-understood.jsonl"


def forget_since(day: date) -> None:
    """Delete what was typed from that day on, in any interview. Raises ProblemsFoundError."""
    path = place()
    if not path.exists():
        return
    kept = [line for line, entry in _entries() if str(entry.get("day")) < day.isoformat()]
    write_atomically(path, "".join(f"{line}\n" for line in kept), replace=True)


def remember(kind: Kind, text: str) -> None:
    """Keep a text that matched no rule. Never raises: a full disk must not stop an interview."""
    line = json.dumps({"day": date.today().isoformat(), "kind": kind, "text": one_line(text, _LONGEST)})
    with suppress(OSError, RuntimeError, UnicodeDecodeError, ProblemsFoundError):
        path = place()
        before = [earlier for earlier, _ in _entries()]
        make_folder(path.parent)
        write_atomically(path, "\n".join((*before[-MOST + 1 :], line)) + "\n", replace=True)


def _entries() -> Iterator[tuple[str, dict[str, Any]]]:
    """Every line with its entry, oldest first; unreadable lines are skipped."""
    path = place()
    for line in path.read_text(encoding="ascii", errors="replace").splitlines() if path.exists() else ():
        with suppress(ValueError, RecursionError):
            if isinstance(entry := json.loads(line), dict):
                yield line, entry


def show(*, forget: bool) -> int:
    """List what was not understood, most frequent first, or delete it."""
    if forget:
        if place().exists():
            with refusals(place(), "this cannot be removed"):
                remove_file(place())
        say("Forgotten.")
        return 0
    texts = [one_line(f"{entry.get('kind', '')}: {entry.get('text', '')}", _LONGEST + 20) for _, entry in _entries()]
    if not texts:
        say("Nothing was typed so far that was not understood.")
        return 0
    for text, times in sorted(Counter(texts).items(), key=lambda pair: (-pair[1], pair[0])):
        write(f"Taken for no {text}{f' ({times} times)' if times > 1 else ''}")
    say("Kept on this machine only. Added to `search:` of the rule that was meant, they are understood.")
    return 0
