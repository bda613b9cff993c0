"""The command line: from the words typed to the exit code."""

from __future__ import annotations

import io
import os
import sys
from typing import TYPE_CHECKING, NoReturn

import typer

from fitdiag.cli.commands import app_of
from fitdiag.problems import ProblemsFoundError, one_line

if TYPE_CHECKING:
    from collections.abc import Sequence

_WRONG_USE: type[typer.BadParameter] = typer.BadParameter.__mro__[2]  # any command line that is not as the help says


def show_help(words: list[str] | None) -> int:
    return _run([*(words or ()), "--help"])


def run(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line, and end with its exit code."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # its threads cost more than they bring on matrices this small
    code = _outcome(sys.argv[1:] if arguments is None else arguments)
    if arguments is None:  # the program: what counts is on the disk; taking all rules apart takes a tenth of its time
        os._exit(code)
    sys.exit(code)


def _outcome(given: Sequence[str]) -> int:
    """The exit code of a command line: every known problem becomes one clear message and 1, never a traceback."""
    from fitdiag.cli.output import say_aside, say_problems

    # closed by the caller
    sys.stdout = sys.stdout or os.fdopen(os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8")
    sys.stderr = sys.stderr or sys.stdout
    sys.stdin = sys.stdin or os.fdopen(os.open(os.devnull, os.O_RDONLY), encoding="utf-8")
    try:
        try:
            return _run(given) if given or not _in_a_terminal() else _from_the_start()
        finally:
            sys.stdout.flush()
    except ProblemsFoundError as stopped:
        say_problems(stopped.problems)
        return 1
    except _WRONG_USE as wrong:
        shown = io.StringIO()
        wrong.show(file=shown)
        say_aside(shown.getvalue().rstrip("\n"))
        return wrong.exit_code
    except BrokenPipeError:
        return 0
    except OSError as failed:  # most likely where the output goes to: a full disk
        _close_output()
        told = failed.strerror or str(failed)
        where = one_line(failed.filename) if failed.filename else "the output"
        say_aside(f"{where}: this cannot be read or written: {told}; make room or choose another place")
        return 1
    except (KeyboardInterrupt, typer.Abort):
        say_aside("\nStopped.")
        return 130


def _in_a_terminal() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()


def _from_the_start() -> int:
    """The start screen, and then what was chosen there."""
    from fitdiag.cli.start import start

    for words in start():
        if code := _run(words):
            return code
    return 0


def _run(words: Sequence[str]) -> int:
    named = [word for word in words if not word.startswith("-")]
    return int(app_of(*named[:2])(list(words), standalone_mode=False) or 0)


def _close_output() -> None:
    """So that nothing is written, and fails, once more at the very end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    run()
