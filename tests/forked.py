"""Commands in a process of their own, in a pipe or a real pseudo-terminal, without the second that starting a program takes.

The process is forked from the tests, in which everything is loaded. What is tried in it runs as from a shell: its own folder,
variables, streams and arguments. Where the start itself, or a signal at any moment, is the point, a program is started instead.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

import pexpect

from fitdiag.cli.main import run

PLAIN = {"COLUMNS": "80", "NO_COLOR": "1"}


def _as_a_program(folder: Path, arguments: tuple[str, ...], variables: Mapping[str, str | None]) -> NoReturn:
    """What a shell would start; it never comes back."""
    code = 70
    try:
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
        run()
    except SystemExit as ended:
        code = int(ended.code or 0)
    finally:
        os._exit(code)


def at_terminal(folder: Path, *arguments: str, variables: Mapping[str, str | None] = PLAIN) -> Any:
    """`fitdiag` in a pseudo-terminal of 80 by 24, as pexpect has it; a variable that is None is taken away."""
    begin = partial(_as_a_program, folder, arguments, variables)
    return pexpect.spawn(sys.executable, [], preexec_fn=begin, encoding="utf-8", codec_errors="replace", timeout=60,
                         dimensions=(24, 80))  # fmt: skip


def piped(folder: Path, *arguments: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    """`fitdiag` with lines typed into it, and no terminal anywhere."""
    with tempfile.TemporaryFile() as given, tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        given.write(typed.encode())
        given.seek(0)
        child = os.fork()
        if child == 0:
            for number, stream in enumerate((given, out, err)):
                os.dup2(stream.fileno(), number)
            _as_a_program(folder, arguments, PLAIN)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        said = []
        for stream in (out, err):
            stream.seek(0)
            said.append(stream.read().decode())
    return subprocess.CompletedProcess(arguments, code, *said)
