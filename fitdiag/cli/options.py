"""Options and arguments that several commands take, declared once."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from importlib import import_module
from typing import Annotated, Any, Final

import typer

NOTHING: Final[list[str]] = []  # an option that may be given several times, and was not


def does(app: typer.Typer, name: str, work: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Make the decorated function the options and the help of a command that `work` ("module:function" in cli/) carries out.

    The work takes the options by the names they have here and gives the exit code; it is imported when the command runs, so
    that start-up is short. `tests/test_architecture.py` holds the names together.
    """

    def declare(options: Callable[..., None]) -> Callable[..., None]:
        @wraps(options)
        def run(**given: Any) -> None:
            raise typer.Exit(work_of(work)(**given))

        WORK.append((options, work))
        app.command(name)(run)
        return options

    return declare


def work_of(work: str) -> Callable[..., int]:
    """The function that a command is carried out by."""
    module, _, function = work.partition(":")
    found: Callable[..., int] = getattr(import_module(f"fitdiag.cli.{module}"), function)
    return found


WORK: Final[list[tuple[Callable[..., None], str]]] = []  # the options of each command, and its work

_WHICH = "Which garment, like skirt; or a rule folder of your own."
RulesFolder = Annotated[str | None, typer.Argument(metavar="[DIR]", help=_WHICH)]
RulesOption = Annotated[str | None, typer.Option("--garment", "--rules", metavar="NAME|DIR", help=_WHICH)]
UnitsOption = Annotated[str | None, typer.Option("--units", metavar="in|cm", help="Inches in eighths, or centimetres.")]
PatternOption = Annotated[
    str | None,
    typer.Option("--pattern", metavar="FILE", help="The client's pattern; the list says what becomes of it."),
]
FullOption = Annotated[
    bool, typer.Option("--full", help="After the list also why, what was found, and what to leave alone.")
]
AloneOption = Annotated[
    bool,
    typer.Option(
        "--alone", help="For somebody who fits herself: in her words, and no step needs a second pair of hands."
    ),
]
CaseAloneOption = Annotated[
    bool | None,
    typer.Option(
        "--alone/--with-help", help="For somebody who fits herself, from now on in every round; or no longer so."
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON object, lengths in mm.")]
OutOption = Annotated[
    str | None, typer.Option("--out", metavar="FILE", help="Write the pattern: .yaml, .json, .svg or .dxf.")
]
ReplaceOption = Annotated[bool, typer.Option("--replace", help="Write over a file of this name.")]
GarmentOption = Annotated[
    str | None, typer.Option("--garment", metavar="NAME", help="Which garment: the name of its folder of rules.")
]
PatternFile = Annotated[str, typer.Argument(metavar="FILE", help="A pattern file: .yaml, .json, .svg or .dxf.")]
AsCutOption = Annotated[bool, typer.Option("--as-cut", help="Leave the steps that cuts make; else they are trued.")]
AllowanceOption = Annotated[
    list[str],
    typer.Option("--allowance", metavar="[SEAM=]LENGTH", help="Seam allowance, like 15mm, hem=4cm or 'back side=2cm'."),
]
DoOption = Annotated[
    list[str],
    typer.Option("--do", metavar="ALTERATION=AMOUNT", help="An alteration; may be given several times."),
]
ClientOption = Annotated[
    str | None, typer.Option("--client", help="Your own name for the client; it is written on what is made.")
]
DayOption = Annotated[
    str | None,
    typer.Option("--day", metavar="DATE", help="The day to write on it, like 2026-11-25; without it, today."),
]
PaperOption = Annotated[
    str | None,
    typer.Option("--paper", metavar="a4|letter", help="Paper of the .pdf; without it, what goes with the units."),
]
LargeOption = Annotated[bool, typer.Option("--large", help="Large print.")]
LogArgument = Annotated[
    str, typer.Argument(metavar="LOG|CASE", help="A session log, or the case whose last round it is.")
]
KeepUntilOption = Annotated[
    str | None, typer.Option("--keep-until", metavar="DATE", help="How long photos may be kept, like 2026-12-01.")
]
FocalOption = Annotated[
    float | None, typer.Option("--focal", metavar="MM", help="Focal length as 35 mm equivalent, if the file has none.")
]
HipWidthOption = Annotated[
    str | None, typer.Option("--hip-width", metavar="LENGTH", help="Width over the hip line, if no sheet is in view.")
]
HipGirthOption = Annotated[
    str | None,
    typer.Option("--hip-girth", metavar="LENGTH", help="Tells the body's depth where no side picture does."),
]
BodyMeasureOption = Annotated[
    list[str],
    typer.Option("--body-measure", metavar="NAME=LENGTH", help="A measure of the client, like hip=94cm; several."),
]
