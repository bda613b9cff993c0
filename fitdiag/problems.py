"""The one type for faults found in files and arguments, and the exception that stops a command.

A fault is a value, so that all of them can be shown at once. Printed as `path:line:col: message`, the form editors jump to.
"""

from __future__ import annotations

import difflib
import os
import shlex
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from shutil import which


@dataclass(frozen=True, order=True)
class Where:
    """A place in a file: path as the user wrote it, line and column from 1 (0 for the whole file)."""

    path: str
    line: int = 0
    col: int = 0

    def __str__(self) -> str:
        return f"{self.path}:{self.line}:{self.col}" if self.line else self.path


@dataclass(frozen=True)
class Problem:
    """What is wrong, where, and what to do about it. `code` is a short stable word for tests and filters."""

    code: str
    message: str
    where: Where | None = None
    hint: str = ""

    def __str__(self) -> str:
        head = f"{self.where}: {self.message}" if self.where else self.message
        return f"{head} ({self.hint})" if self.hint else head


class ProblemsFoundError(Exception):
    """Stops a command with every problem found; the command line prints them and exits with a non-zero code."""

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class Hints:
    """Gives "did you mean ..." hints for the first few faults: the search is slow, and nobody reads hundreds of them."""

    def __init__(self, most: int = 20) -> None:
        self._left = most

    def near(self, text: str, known: Iterable[str]) -> str:
        """A hint with the known word closest to `text`; empty if none is close, or once enough hints were given."""
        if self._left <= 0 or len(text) > 80:
            return ""
        self._left -= 1
        matches = difflib.get_close_matches(text, list(known), 1)
        return f"did you mean '{one_line(matches[0], 80)}'?" if matches else ""


def stop(code: str, message: str, *, where: Where | Path | str | None = None, hint: str = "") -> ProblemsFoundError:
    """A `ProblemsFoundError` with one problem, for the caller to raise; `where`: a place, or the path of a whole file."""
    place = where if where is None or isinstance(where, Where) else Where(shown_path(where))
    return ProblemsFoundError(Problem(code, message, place, hint))


@contextmanager
def placed(where: Where | None) -> Iterator[None]:
    """Give problems raised inside that have no place of their own this one."""
    try:
        yield
    except ProblemsFoundError as stopped:
        problems = [problem if problem.where else replace(problem, where=where) for problem in stopped.problems]
        raise ProblemsFoundError(problems) from None


def harmless(text: object) -> str:
    """Make text safe to print: terminal controls and changes of writing direction become `?`.

    >>> harmless("dip\\x1b[31m\\nred\\u202e")
    'dip?[31m\\nred?'
    """
    plain = str(text)
    if plain.replace("\n", "").isprintable():
        return plain
    return "".join(char if char == "\n" or char.isprintable() else " " if char.isspace() else "?" for char in plain)


def one_line(text: object, longest: int = 160) -> str:
    """Outside text as one harmless line, cut to `longest` characters.

    >>> one_line("dip\\x1b[31m\\nred")
    'dip?[31m red'
    """
    plain = harmless(" ".join(str(text).split()))
    return plain if len(plain) <= longest else plain[: longest - 3] + "..."


def shown_path(path: object) -> str:
    """A path made harmless but not shortened, so that an editor can still jump to it."""
    return harmless(path).replace("\n", "?")


def command(*words: object) -> str:
    """A command to copy into a shell: words quoted where needed and harmless to print, yet unchanged in meaning.

    >>> command("fitdiag", "review", "the lamplighter"), command("cat", "a\\x1b'b")
    ("fitdiag review 'the lamplighter'", "cat $'a\\\\x1b\\\\x27b'")
    """
    return " ".join(_for_shell(_program() if word == "fitdiag" else str(word)) for word in words)


@cache
def _program() -> str:
    """What starts this program in a shell: its name, or its path if the shell would not find the name."""
    started = Path(sys.argv[0])
    if started.name != "fitdiag" or which("fitdiag") is not None:
        return "fitdiag"
    with suppress(ValueError):
        return str(started.absolute().relative_to(Path.cwd()))
    return str(started)


def _for_shell(word: str) -> str:
    if sys.platform == "win32":
        return f'"{harmless(word)}"' if not word or set(word) & set(' &^()"') else harmless(word)
    if word.isprintable():
        return shlex.quote(word)
    bare = {char for char in word if char.isprintable()} - {"'", "\\"}
    escaped = (char if char in bare else "".join(f"\\x{byte:02x}" for byte in os.fsencode(char)) for char in word)
    return f"$'{''.join(escaped)}'"
