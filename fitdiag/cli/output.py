"""How commands speak: plain lines, at most as wide as the terminal, problems on the error stream.

Nothing is printed in any other way, so that no name, path or message can control the terminal.
"""

from __future__ import annotations

import json
import re
import shutil
import sys
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import typer

from fitdiag.problems import Problem, harmless, one_line

_MOST_SHOWN = 200


@dataclass(frozen=True)
class Show:
    """How a list is shown: all of it or one screen; and for whom: a fitter, or somebody who fits herself alone."""

    full: bool = False
    alone: bool = False


def counted(number: int, what: str) -> str:
    """`1 file`, `2 files`."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def width() -> int:
    """Columns to write in: the terminal's, between 40 and 100; 80 in a pipe."""
    return max(40, min(shutil.get_terminal_size((80, 24)).columns, 100))


def say(text: str = "") -> None:
    """Print a paragraph, folded to the width; a character the stream cannot show becomes '?'."""
    for line in text.split("\n"):
        indent = " " * (len(line) - len(line.lstrip()))
        write(textwrap.fill(line, width(), subsequent_indent=indent, break_long_words=False, break_on_hyphens=False))


def say_then(text: str, *verbatim: object) -> None:
    """Say something, and what follows, like a command to be copied, whole on lines of their own."""
    say(text)
    for line in verbatim:
        write(f"  {line}")


def say_all(texts: Iterable[str]) -> None:
    """Print each text as a paragraph of its own."""
    for text in texts:
        say(text)


def write(text: str = "", **look: bool) -> None:
    """Print text as it is, but harmlessly, never failing on the stream's encoding; `look`: bold, dim or underline in a terminal."""
    _print(harmless(text), sys.stdout, **look)


def write_data(data: object) -> None:
    """Print what `--json` asks for, as one JSON object: what must not be printed, or the stream cannot show, is escaped."""
    encoding = sys.stdout.encoding or "utf-8"

    def shown(match: re.Match[str]) -> str:
        plain = match[0].isprintable() and match[0].encode(encoding, "ignore")
        return match[0] if plain else json.dumps(match[0])[1:-1]

    _print(re.sub(r"[^\n -~]", shown, json.dumps(data, ensure_ascii=False, indent=2)), sys.stdout)


def save(to: str, content: str | bytes, *, replace: bool, private: bool = True) -> None:
    """Write what a command makes, whole or not at all, and say so. Raises ProblemsFoundError."""
    from fitdiag.files import write_atomically

    write_atomically(Path(to), content, replace=replace, private=private)
    say(f"Written: {one_line(to)}")


def say_aside(text: str) -> None:
    """Say a line on the error stream, so that what a program reads on the other stays whole."""
    _print(harmless(text), sys.stderr)


def _print(text: str, stream: TextIO, **look: bool) -> None:
    encoding = stream.encoding or "utf-8"
    shown = text.encode(encoding, "replace").decode(encoding)
    if look:
        typer.secho(shown, file=stream, **look)
    else:
        print(shown, file=stream)


def say_problems(problems: Iterable[Problem]) -> None:
    """Print problems, one to a line, on the error stream."""
    shown = list(problems)
    for problem in shown[:_MOST_SHOWN]:
        say_aside(str(problem))
    if len(shown) > _MOST_SHOWN:
        say_aside(f"... and {len(shown) - _MOST_SHOWN} more")
