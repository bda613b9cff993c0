"""How a command and its options are declared."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
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
    name: str, metavar: str | None, told: str, flag: str = "", default: Any = None, *, needed: bool = False,
    kind: Any = str, **limits: int,
) -> Option:  # fmt: skip
    """`--name METAVAR`, or another flag; the name may be written as its flag."""
    flags = (flag or f"--{name.removeprefix('--').replace('_', '-')}").split()
    given = typer.Option(*flags, metavar=metavar, help=told, **limits)  # type: ignore[arg-type]
    optional = not needed and default is None
    return _option(name, kind | None if optional else kind, given, Option.empty if needed else default)


several = partial(text, kind=list[str], default=[])  # a text that may be given several times


def switch(name: str, told: str, flag: str = "", default: bool | None = False) -> Option:
    """`--name`: yes or no."""
    return text(name, None, told, flag, default, kind=bool)
