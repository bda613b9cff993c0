"""What `fitdiag drape` takes; the work is imported inside."""

from __future__ import annotations

from typing import Annotated

import typer

from fitdiag.cli.options import (
    NOTHING,
    BodyMeasureOption,
    DoOption,
    JsonOption,
    PatternFile,
    ReplaceOption,
    RulesOption,
    UnitsOption,
)


def drape_options(
    path: PatternFile,
    do: DoOption = NOTHING,
    measures: BodyMeasureOption = NOTHING,
    notes: Annotated[
        list[str],
        typer.Option(
            "--body", metavar="NOTE", help="A body note, like flat-seat, flat-seat=marked or 'flat-seat=1.5 cm'."
        ),
    ] = NOTHING,
    cloth: Annotated[
        str, typer.Option("--cloth", metavar="NAME", help="A kind of cloth of the rule folder.")
    ] = "calico-medium",
    drop: Annotated[
        str | None,
        typer.Option(
            "--waist-drop", metavar="LENGTH", help="How far below the client's waist it is worn; -3cm: above."
        ),
    ] = None,
    hung: Annotated[bool, typer.Option("--hung", help="The waist hangs from the hips instead of being held.")] = False,
    explain: Annotated[
        str | None,
        typer.Option(
            "--explain",
            metavar="FINDINGS.yaml",
            help="FILE is the right pattern: which likely cause draws what was seen?",
        ),
    ] = None,
    quick: Annotated[bool, typer.Option("--quick", help="One dressing only, without how far two differ.")] = False,
    to: Annotated[
        str | None, typer.Option("--to", metavar="FILE", help="Draw before and after: .png, .pdf or .html.")
    ] = None,
    photo: Annotated[
        str | None,
        typer.Option(
            "--photo",
            metavar="PICTURE",
            help="A marked picture: the simulated lines are laid over it, with --to over.png.",
        ),
    ] = None,
    units: UnitsOption = None,
    rules: RulesOption = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Show the next muslin before it is sewn: the pattern as simulated cloth on a body of the client's measures."""
