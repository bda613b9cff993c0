"""Print command output: plain lines, at most as wide as the terminal, with problems on the error stream.

All printing goes through here, so that no name, path or message can control the terminal.
"""

from __future__ import annotations

import json
import re
import shutil
import sys
import textwrap
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import typer

from fitdiag.problems import Problem, harmless, shown_path

_MOST_SHOWN = 200
_QUOTED_PATH = re.compile(r"(?<!\w)'[^'\n]*/[^'\n]*'")


@dataclass(frozen=True)
class Show:
    """How to show a list: in full or one screen, for a fitter or for somebody who fits herself."""

    full: bool = False
    alone: bool = False


def counted(number: int, what: str) -> str:
    """`1 file`, `2 files`."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def width() -> int:
    """Columns to print in: the terminal's, from 40 to 100; 80 in a pipe."""
    return max(40, min(shutil.get_terminal_size((80, 24)).columns, 100))


def say(text: str = "") -> None:
    """Print a paragraph, wrapped to the width; a character the stream cannot encode becomes '?'."""
    for line in text.split("\n"):
        indent = " " * (len(line) - len(line.lstrip()))
        write(textwrap.fill(line, width(), subsequent_indent=indent, break_long_words=False, break_on_hyphens=False))


def say_then(text: str, *verbatim: object) -> None:
    """Print a text, and each further item, like a command to copy, unwrapped on its own line."""
    say(text)
    for line in verbatim:
        write(f"  {line}")


def say_all(texts: Iterable[str]) -> None:
    """Print each text as a paragraph of its own."""
    for text in texts:
        say(text)


def write(text: str = "", **look: bool) -> None:
    """Print text unwrapped, made harmless, never failing on the encoding; `look`: bold, dim or underline in a terminal."""
    _print(harmless(text), sys.stdout, **look)


def write_data(data: object) -> None:
    """Print one JSON object for `--json`; unprintable and unencodable characters are escaped."""
    encoding = sys.stdout.encoding or "utf-8"

    def shown(match: re.Match[str]) -> str:
        plain = match[0].isprintable() and match[0].encode(encoding, "ignore")
        return match[0] if plain else json.dumps(match[0])[1:-1]

    _print(re.sub(r"[^\n -~]", shown, json.dumps(data, ensure_ascii=False, indent=2)), sys.stdout)


def save(to: str, content: str | bytes, *, replace: bool, private: bool = True, quiet: bool = False) -> None:
    """Write a command's output file atomically and say so, unless `quiet`. Raises ProblemsFoundError."""
    from fitdiag.files import write_atomically

    write_atomically(Path(to), content, replace=replace, private=private)
    if not quiet:
        say_written(to)


def say_written(path: object) -> None:
    """Say where a file was written, the path whole however long, so that it can be copied."""
    write(f"Written: {shown_path(path)}")


def say_aside(text: str) -> None:
    """Print text on the error stream, so that the output stream stays machine-readable; wrapped only in a terminal."""
    plain = harmless(text)
    lines = [_filled(line) for line in plain.split("\n")] if sys.stderr.isatty() else [plain]
    _print("\n".join(lines), sys.stderr)


def _filled(line: str, indent: str = "") -> str:
    """A line wrapped to the width, between words: no path is broken, nor is what has a path in quotes."""
    whole = _QUOTED_PATH.sub(lambda quoted: quoted[0].replace(" ", "\0"), line)
    return textwrap.fill(
        whole, width(), initial_indent=indent, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    ).replace("\0", " ")


def _print(text: str, stream: TextIO, **look: bool) -> None:
    """Print text. A pipe whose reader has gone, like `| head -3`, is no reason to leave files unwritten."""
    encoding = stream.encoding or "utf-8"
    shown = text.encode(encoding, "replace").decode(encoding)
    with suppress(BrokenPipeError):
        if look:
            typer.secho(shown, file=stream, **look)
        else:
            print(shown, file=stream)


def say_problems(problems: Iterable[Problem]) -> None:
    """Print problems, one to a line, on the error stream."""
    shown = list(problems)
    for problem in shown[:_MOST_SHOWN]:
        text = harmless(problem)
        if sys.stderr.isatty() and problem.where is not None and len(text) > width():
            head, rest = text[: len(f"{problem.where}:")], text[len(f"{problem.where}: ") :]
            text = f"{head}\n{_filled(rest, '  ')}"  # the place alone, whole however long, as editors look for it
        _print(text, sys.stderr)
    if len(shown) > _MOST_SHOWN:
        say_aside(f"... and {len(shown) - _MOST_SHOWN} more")
