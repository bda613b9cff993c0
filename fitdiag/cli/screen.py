"""The terminal or pipe: show lines, read lines, and ask questions until they are answered."""

from __future__ import annotations

import io
import os
import sys
import textwrap
from collections.abc import Callable, Iterable
from contextlib import suppress
from itertools import groupby
from typing import TypeVar

from fitdiag.cli.output import width, write
from fitdiag.interview.telling import Line
from fitdiag.knowledge.said import agreed
from fitdiag.problems import one_line
from fitdiag.units import Units, units_named

LEAVING = ("stop", "quit", "exit", "leave")
_LOOKS = {"head": {"bold": True, "underline": True}, "ask": {"bold": True}, "hint": {"dim": True}}
_Meant = TypeVar("_Meant")


class Leave(Exception):  # noqa: N818 (not an error: the fitter leaves)
    """The fitter leaves: Ctrl-C, end of input, or the terminal is closed."""


class Screen:
    """Shows and reads lines. In a terminal, questions are bold and hints dim; otherwise plain text."""

    def __init__(self) -> None:
        self.interactive = sys.stdin.isatty() and sys.stdout.isatty()
        plain = os.environ.get("NO_COLOR") or os.environ.get("TERM", "dumb") == "dumb"
        self._styled = sys.stdout.isatty() and not plain
        if isinstance(sys.stdin, io.TextIOWrapper):
            sys.stdin.reconfigure(errors="replace")  # one odd byte must not lose the lines after it
        if self.interactive:
            with suppress(ImportError):
                import readline  # noqa: F401 (line editing and history in input())

    def show(self, lines: Iterable[Line]) -> None:
        """Show lines, with an empty line before a question unless its heading or list is right above it."""
        above = ""
        for style, group in groupby(lines, lambda line: line.style):
            texts = [line.text for line in group]
            for text in self._in_pairs(texts) if style == "choice" else texts:
                if style == "head" or (style == "ask" and above not in ("head", "choice")):
                    write("")
                indent = "  " if style in ("item", "choice") else ""
                hanging = f"{indent}   " if style == "item" else indent
                rows = textwrap.wrap(
                    text, width(), initial_indent=indent, subsequent_indent=hanging,
                    break_long_words=False, break_on_hyphens=False,
                )  # fmt: skip
                for row in rows or [""]:
                    write(row, **(_LOOKS.get(style, {}) if self._styled else {}))
                above = style

    def _in_pairs(self, items: list[str]) -> list[str]:
        """A long list, two to a row if both fit; one to a row for a pipe, a plain terminal or a screen reader."""
        half, rows, left = width() // 2 - 2, list[str](), list(items)
        while left:
            row = left.pop(0)
            if self._styled and left and len(row) < half and len(left[0]) <= half:
                row = f"{row:<{half}}{left.pop(0)}"
            rows.append(row)
        return rows

    def read(self) -> str:
        """Read a typed line. Raises Leave at the end of the input, or if nobody can read the question any more."""
        try:
            sys.stdout.flush()
            typed = input("> ").removeprefix("\ufeff")
        except (EOFError, KeyboardInterrupt, BrokenPipeError):
            raise Leave from None
        if not self.interactive:
            echo = textwrap.fill(one_line(typed, 200), width(), initial_indent="> ", subsequent_indent="  ")
            write(echo.removeprefix("> "))
        return typed

    def ask(self, lines: Iterable[Line], meaning: Callable[[str], _Meant | None], otherwise: str) -> _Meant:
        """Ask until `meaning` returns a value.

        `otherwise` completes the message about anything else; empty if `meaning` shows its own.
        """
        lines = list(lines)
        while True:
            self.show(lines)
            typed = self.read().strip()
            if (meant := meaning(typed.lower().rstrip(".)"))) is not None:
                return meant
            if otherwise:
                self.show([Line(f"'{one_line(typed, 20)}' {otherwise}.")])


def says_yes(screen: Screen, question: str, choices: str) -> bool:
    """Ask a yes-or-no question until it is answered; Enter and `not yet` mean no."""

    def meaning(typed: str) -> bool | None:
        return False if typed in ("", "not yet", "later") else agreed(typed)

    asked = [Line(question, "ask"), Line(choices, "item")]
    return screen.ask(asked, meaning, "does not answer that: type 1 or yes, 2 or no")


def ask_units(screen: Screen) -> Units:
    """Ask for the units to work in."""
    words: dict[str, Units] = {"": "in", "1": "in", "2": "cm", "i": "in", "c": "cm", "metric": "cm"}
    lines = [
        Line("Inches or centimetres?", "ask"), Line("1 inches, in eighths  2 centimetres", "item"),
        Line("Enter for inches. You can write an amount in either at any time.", "hint"),
    ]  # fmt: skip
    return screen.ask(lines, lambda typed: words.get(typed) or units_named(typed), "is neither; answer 1 or 2")
