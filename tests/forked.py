"""Commands in a process of their own, in a pipe or a real pseudo-terminal, without the second that starting a program takes.

The process is forked from the tests, in which everything is loaded. What is tried in it runs as from a shell: its own folder,
variables, streams and arguments. Where the start itself, or what a signal meets in it, is the point, a program is started instead.
"""

from __future__ import annotations

import gc
import os
import runpy
import subprocess
import sys
import traceback
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cache, partial
from pathlib import Path
from typing import Any, NoReturn

import pexpect

from fitdiag.cli.main import run
from fitdiag.interview.search import Words
from fitdiag.knowledge.load import load_rules

PLAIN = {"COLUMNS": "80", "NO_COLOR": "1"}


@cache
def _ready() -> None:
    """What every child would work out anew is worked out once, before the first one: the rules, in units, and their words."""
    for units in ("in", "cm"):
        words = Words(load_rules().in_units(units))
        for kind in ("symptom", "body note", "alteration"):
            words.find(kind, "the back waist gapes")


def _as_a_program(
    folder: Path,
    arguments: tuple[str, ...],
    variables: Mapping[str, str | None],
    before: Callable[[], object] = lambda: None,
    program: Callable[[], object] = run,
) -> NoReturn:
    """What a shell would start, `before` as the first thing in its process; it never comes back."""
    code = 70
    try:
        gc.freeze()  # what the tests hold is nothing that the program would look through for garbage
        before()
        os.closerange(3, 4096)
        os.chdir(folder)
        for name, value in variables.items():
            os.environ.pop(name, None)
            os.environ |= {name: value} if value is not None else {}
        sys.stdin, sys.stdout, sys.stderr = (
            open(number, how, 1, encoding="utf-8", errors=errors, closefd=False)  # noqa: SIM115 (streams)
            for number, how, errors in ((0, "r", "strict"), (1, "w", "strict"), (2, "w", "backslashreplace"))
        )
        sys.argv = ["fitdiag", *arguments]
        program()
        code = 0
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
        if isinstance(ended.code, str):
            print(ended.code, file=sys.stderr)
    except BaseException:
        traceback.print_exc()
    finally:
        for stream in (sys.stdout, sys.stderr):
            with suppress(OSError, ValueError):
                stream.flush()
        os._exit(code)


def at_terminal(folder: Path, *arguments: str, variables: Mapping[str, str | None] = PLAIN) -> Any:
    """`fitdiag` in a pseudo-terminal of 80 by 24, as pexpect has it; a variable that is None is taken away."""
    _ready()
    begin = partial(_as_a_program, folder, arguments, variables)
    child: Any = pexpect.spawn(
        sys.executable, [], preexec_fn=begin, encoding="utf-8", codec_errors="replace", timeout=60, dimensions=(24, 80)
    )
    child.delaybeforesend = None  # it waits for no echo to be turned off
    return child


def piped(
    folder: Path, *arguments: str, typed: str = "", before: Callable[[], object] = lambda: None
) -> subprocess.CompletedProcess[str]:
    """`fitdiag` with lines typed into it, and no terminal anywhere."""
    return _to_its_end(partial(_as_a_program, folder, arguments, PLAIN, before), arguments, typed)


def in_pipes(folder: Path, *arguments: str) -> subprocess.Popen[bytes]:
    """`fitdiag` going on between two pipes, what it says of errors in the one with the rest."""
    _ready()
    return subprocess.Popen(
        (sys.executable,),
        preexec_fn=partial(_as_a_program, folder, arguments, PLAIN), restore_signals=False,  # noqa: PLW1509 (no threads here)
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip


def script(path: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """A Python program of the tests, as `python PATH ARGUMENTS` would run it here."""

    def program() -> None:
        sys.argv[0], sys.path[0:0] = str(path), [str(path.parent)]
        runpy.run_path(str(path), run_name="__main__")

    return _to_its_end(partial(_as_a_program, Path.cwd(), arguments, {}, program=program), arguments)


def _to_its_end(
    begin: Callable[[], NoReturn], arguments: tuple[str, ...], typed: str = ""
) -> subprocess.CompletedProcess[str]:
    _ready()
    ended = subprocess.run(
        (sys.executable,), preexec_fn=begin, restore_signals=False, input=typed, capture_output=True, encoding="utf-8", check=False,
    )  # fmt: skip
    return subprocess.CompletedProcess(arguments, ended.returncode, ended.stdout, ended.stderr)
