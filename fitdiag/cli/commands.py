"""Every command and what it takes, as `commands.json` says it; the work of each is imported when it runs, so that start-up is short."""

from __future__ import annotations

import json
from collections.abc import Callable
from importlib import import_module
from inspect import Parameter, Signature
from pathlib import Path
from typing import Annotated, Any, Final

import typer

_TABLE: Final[dict[str, dict[str, Any]]] = json.loads(Path(__file__).with_name("commands.json").read_bytes())
# by name, like "rules check": its work ("module:function" in cli/), help, and options
COMMANDS: Final = _TABLE["commands"]
HELP = "From what is seen on a trouser muslin to a short, reasoned list of alterations with amounts."
_KINDS: Final[dict[str, Any]] = {"text": str, "texts": list[str], "switch": bool, "number": float, "count": int}
_USUAL: Final[dict[str, Any]] = {"texts": [], "switch": False}  # by kind; else None


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
    """What comes before any command."""


def app_of(first: str = "", second: str = "") -> typer.Typer:
    """The one command that these words name; or all of a group, or of the program, to be listed only.

    To build them all takes longer than most of them do.
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
        groups.get(group, app).command(own, help=COMMANDS[name]["help"])(
            _runner(name) if len(wanted) == 1 else before_any
        )
    return app


def _typer(told: str, **more: Any) -> typer.Typer:
    return typer.Typer(help=told, no_args_is_help=True, rich_markup_mode=None, **more)


def _runner(name: str) -> Callable[..., None]:
    def run(**given: Any) -> None:
        raise typer.Exit(work_of(name)(**given))

    run.__signature__ = Signature([_option(told) for told in COMMANDS[name]["takes"]])  # type: ignore[attr-defined]
    return run


def work_of(name: str) -> Callable[..., int]:
    """The function that a command is carried out by: it takes the options by their names and gives the exit code."""
    module, _, function = COMMANDS[name]["work"].partition(":")
    found: Callable[..., int] = getattr(import_module(f"fitdiag.cli.{module}"), function)
    return found


def _option(told: str | dict[str, Any]) -> Parameter:
    """An option or argument, by the name its work knows it by; a text names one that several commands take.

    One without a default is empty if it is not given, unless it is `needed`; the flag is its name unless one is said.
    """
    told = _TABLE["options"][told] if isinstance(told, str) else told
    name, kind = told["name"], told.get("kind", "text")
    default = told.get("default", _USUAL.get(kind))
    shown = {key: told[key] for key in ("metavar", "help", "min", "max") if key in told}
    if told.get("argument"):
        marked, needed = typer.Argument(**shown), not told.get("optional")
    else:
        flag = told.get("flag", f"--{name.replace('_', '-')}")
        marked, needed = typer.Option(*flag.split(), **shown), told.get("needed", False)
    taken = _KINDS[kind] if needed or default is not None else _KINDS[kind] | None
    default = Parameter.empty if needed else default
    return Parameter(name, Parameter.KEYWORD_ONLY, annotation=Annotated[taken, marked], default=default)
