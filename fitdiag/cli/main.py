"""The command line, from arguments to exit code; commands and their options are defined in `commands.json`.

Each command's module is imported when it runs, to keep start-up short.
"""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from importlib import import_module
from inspect import Parameter, Signature
from pathlib import Path
from typing import Annotated, Any, Final, NoReturn

import typer

from fitdiag.problems import ProblemsFoundError, one_line, stop

_WRONG_USE: type[typer.BadParameter] = typer.BadParameter.__mro__[2]  # click's UsageError: any wrong command line
_TABLE: Final[dict[str, dict[str, Any]]] = json.loads(Path(__file__).with_name("commands.json").read_bytes())
# by name, like "rules check": work ("module:function" in cli/), help and options
COMMANDS: Final = _TABLE["commands"]
HELP = "From what is seen on a muslin of trousers or a skirt to a short, reasoned list of alterations with amounts."
_KINDS: Final[dict[str, Any]] = {"text": str, "texts": list[str], "switch": bool, "number": float, "count": int}
_USUAL: Final[dict[str, Any]] = {"texts": [], "switch": False}  # by kind; else None


def show_help(words: list[str] | None) -> int:
    return _run([*(words or ()), "--help"])


def run(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and exit with its code."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # threads do not pay on matrices this small
    code = _outcome(sys.argv[1:] if arguments is None else arguments)
    if arguments is None:  # everything is on disk; freeing the rules would take a tenth of the run
        os._exit(code)
    sys.exit(code)


def _outcome(given: Sequence[str]) -> int:
    """The exit code of a command line; every known problem becomes one message and 1, never a traceback."""
    from fitdiag.cli.output import say_aside, say_problems

    # closed by the caller
    sys.stdout = sys.stdout or os.fdopen(os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8")
    sys.stderr = sys.stderr or sys.stdout
    sys.stdin = sys.stdin or os.fdopen(os.open(os.devnull, os.O_RDONLY), encoding="utf-8")
    try:
        try:
            if given or not (sys.stdin.isatty() and sys.stdout.isatty()):
                return _run(given)
            return _from_the_start()
        finally:
            with suppress(BrokenPipeError):
                sys.stdout.flush()
    except ProblemsFoundError as stopped:
        say_problems(stopped.problems)
        return 1
    except _WRONG_USE as wrong:
        shown = io.StringIO()
        wrong.show(file=shown)
        say_aside(shown.getvalue().rstrip("\n"))
        return wrong.exit_code
    except BrokenPipeError:  # under the help, which is printed by the library
        return 0
    except OSError as failed:  # most likely a full disk under the output
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())  # so that the final flush cannot fail again
        message = failed.strerror or str(failed)
        where = one_line(failed.filename) if failed.filename else "the output"
        say_aside(f"{where}: this cannot be read or written: {message}; make room or choose another place")
        return 1
    except (KeyboardInterrupt, typer.Abort):
        say_aside("\nStopped.")
        return 130


def _from_the_start() -> int:
    """Show the start screen, and run what was chosen there."""
    from fitdiag.cli.start import start

    for words in start():
        if code := _run(words):
            return code
    return 0


def _run(words: Sequence[str]) -> int:
    named = [word for word in words if not word.startswith("-")]
    return int(app_of(*named[:2])(list(words), standalone_mode=False) or 0)


# -- the commands ------------------------------------------------------------------------------------------------------


def _version(given: bool) -> None:
    if given:
        from fitdiag import __version__
        from fitdiag.cli.output import write

        write(f"fitdiag {__version__}")
        raise typer.Exit


def before_any(
    version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_version, help="Show the version and exit.")
    ] = False,
) -> None:
    """Options before any command."""


def app_of(first: str = "", second: str = "") -> typer.Typer:
    """Build the app with only the command named, or a group's commands, or all, to be listed.

    Building all of them takes longer than most of them run.
    """
    app = _typer(HELP, add_completion=False, pretty_exceptions_enable=False)
    app.callback(help=HELP)(before_any)
    groups: dict[str, typer.Typer] = {}
    wanted = [name for name in COMMANDS if name in (first, f"{first} {second}")]
    wanted = wanted or [name for name in COMMANDS if name.split()[0] == first] or list(COMMANDS)
    for name in wanted:
        group, _, own = name.rpartition(" ")
        if group and group not in groups:
            groups[group] = _typer(_TABLE["groups"][group])
            app.add_typer(groups[group], name=group)
        runner = _runner(name) if len(wanted) == 1 else before_any
        groups.get(group, app).command(own, help=COMMANDS[name]["help"])(runner)
    return app


def _typer(help_text: str, **more: Any) -> typer.Typer:
    return typer.Typer(help=help_text, no_args_is_help=True, rich_markup_mode=None, **more)


def _runner(name: str) -> Callable[..., None]:
    takes = [_TABLE["options"][entry] if isinstance(entry, str) else entry for entry in COMMANDS[name]["takes"]]

    def run(**given: Any) -> None:
        for entry in takes:
            _refuse_empty(entry, given[entry["name"]])
        raise typer.Exit(work_of(name)(**given))

    run.__signature__ = Signature([_option(entry) for entry in takes])  # type: ignore[attr-defined]
    return run


def _refuse_empty(entry: dict[str, Any], value: object) -> None:
    """Refuse an option that was given nothing, as by a variable of the shell that is not set: it would count as left out.

    Free text may be empty, and commands look at arguments themselves. Raises ProblemsFoundError.
    """
    wanted = entry.get("metavar", "TEXT")
    if entry.get("argument") or wanted == "TEXT":
        return
    if any(isinstance(one, str) and not one.strip() for one in (value if isinstance(value, list) else [value])):
        hint = f"give it {wanted}{'' if entry.get('needed') else ', or leave it out'}"
        raise stop("argument", f"{_flag(entry).split()[-1]} is empty", hint=hint)


def _flag(entry: dict[str, Any]) -> str:
    """The flags of an option, separated by spaces."""
    return str(entry.get("flag", f"--{entry['name'].replace('_', '-')}"))


def work_of(name: str) -> Callable[..., int]:
    """The function that runs a command: it takes the options by name and returns the exit code."""
    module, _, function = COMMANDS[name]["work"].partition(":")
    found: Callable[..., int] = getattr(import_module(f"fitdiag.cli.{module}"), function)
    return found


def _option(entry: dict[str, Any]) -> Parameter:
    """A parameter for an option or argument; without a default it is empty or None unless `needed`."""
    name, kind = entry["name"], entry.get("kind", "text")
    default = entry.get("default", _USUAL.get(kind))
    shown = {key: entry[key] for key in ("metavar", "help", "min", "max") if key in entry}
    if entry.get("argument"):
        marked, needed = typer.Argument(**shown), not entry.get("optional")
    else:
        marked, needed = typer.Option(*_flag(entry).split(), **shown), entry.get("needed", False)
    taken = _KINDS[kind] if needed or default is not None else _KINDS[kind] | None
    default = Parameter.empty if needed else default
    return Parameter(name, Parameter.KEYWORD_ONLY, annotation=Annotated[taken, marked], default=default)
