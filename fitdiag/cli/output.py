"""How commands speak: plain lines, at most as wide as the terminal, problems on the error stream."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Iterable

from fitdiag.problems import Problem

_MOST_SHOWN = 200


def width() -> int:
    """Columns to write in: the terminal's, between 40 and 100; 80 in a pipe."""
    return max(40, min(shutil.get_terminal_size((80, 24)).columns, 100))


def say(text: str = "") -> None:
    """Print a paragraph, folded to the width; a character the stream cannot show becomes '?'."""
    for line in text.split("\n"):
        write(
            textwrap.fill(
                line,
                width(),
                subsequent_indent=" " * (len(line) - len(line.lstrip())),
                break_long_words=False,
                break_on_hyphens=False,
            )
            if line
            else ""
        )


def write(text: str) -> None:
    """Print text as it is, never failing on the stream's encoding."""
    encoding = sys.stdout.encoding or "utf-8"
    print(text.encode(encoding, "replace").decode(encoding))


def say_aside(text: str) -> None:
    """Say a line on the error stream, so that what a program reads on the other stays whole."""
    encoding = sys.stderr.encoding or "utf-8"
    print(text.encode(encoding, "replace").decode(encoding), file=sys.stderr)


def say_problems(problems: Iterable[Problem]) -> None:
    """Print problems, one to a line, on the error stream."""
    shown = list(problems)
    for problem in shown[:_MOST_SHOWN]:
        say_aside(str(problem))
    if len(shown) > _MOST_SHOWN:
        say_aside(f"... and {len(shown) - _MOST_SHOWN} more")
