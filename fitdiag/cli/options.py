"""How a command and its options are declared."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from inspect import Parameter, Signature
from typing import Annotated, Any, Final

import typer

Option = Parameter  # an option or argument of a command, by the name its work knows it by
WORK: Final[list[tuple[Signature, str]]] = []  # what each command takes, and its work


def declare(app: typer.Typer, name: str, work: str, told: str, *takes: Option) -> None:
    """Make a command that `work` ("module:function" in cli/) carries out; `told` is its help.

    The work takes the options by their names and gives the exit code; it is imported when the command runs, so that start-up
    is short. `tests/test_architecture.py` holds the names together.
    """

    def run(**given: Any) -> None:
        raise typer.Exit(work_of(work)(**given))

    run.__signature__ = Signature(takes)  # type: ignore[attr-defined]
    WORK.append((Signature(takes), work))
    app.command(name, help=told)(run)


def work_of(work: str) -> Callable[..., int]:
    """The function that a command is carried out by."""
    module, _, function = work.partition(":")
    found: Callable[..., int] = getattr(import_module(f"fitdiag.cli.{module}"), function)
    return found


def _option(name: str, kind: object, told: object, default: object) -> Option:
    name = name.removeprefix("--").replace("-", "_")
    return Option(name, Option.KEYWORD_ONLY, annotation=Annotated[kind, told], default=default)


def argument(name: str, metavar: str, told: str, kind: object = str, default: object = Option.empty) -> Option:
    """What stands without a flag; it must be given where it has no default."""
    return _option(name, kind, typer.Argument(metavar=metavar, help=told), default)


def text(
    name: str, metavar: str | None, told: str, flag: str = "", default: str | None = None, *, needed: bool = False
) -> Option:
    """`--name METAVAR`, or another flag; the name may be written as its flag."""
    kind = str if needed or default is not None else str | None
    return _option(name, kind, _flagged(name, told, flag, metavar), Option.empty if needed else default)


def several(name: str, metavar: str, told: str, flag: str = "", *, needed: bool = False) -> Option:
    """A text that may be given several times."""
    return _option(name, list[str], _flagged(name, told, flag, metavar), Option.empty if needed else [])


def number(name: str, metavar: str | None, told: str, kind: type, flag: str = "", **limits: int) -> Option:
    """`--name 3`, whole or not."""
    return _option(name, kind | None, _flagged(name, told, flag, metavar, **limits), None)


def switch(name: str, told: str, flag: str = "", *, kind: object = bool, default: bool | None = False) -> Option:
    """`--name`: yes or no."""
    return _option(name, kind, _flagged(name, told, flag), default)


def _flagged(name: str, told: str, flag: str, metavar: str | None = None, **limits: int) -> object:
    flags = (flag or f"--{name.removeprefix('--').replace('_', '-')}").split()
    return typer.Option(*flags, metavar=metavar, help=told, **limits)  # type: ignore[arg-type]
