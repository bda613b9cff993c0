"""What the `fitdiag pattern` commands take, and nothing else; the work is imported inside, as in `main`."""

from __future__ import annotations

from typing import Annotated

import typer

from fitdiag.cli.options import (
    NOTHING,
    AllowanceOption,
    AsCutOption,
    ClientOption,
    DayOption,
    DoOption,
    GarmentOption,
    JsonOption,
    OutOption,
    PatternFile,
    ReplaceOption,
    RulesOption,
    UnitsOption,
    does,
)

pattern_app = typer.Typer(
    help="The pattern: draft, fit, read, measure, walk, alter, darts, solve, draw.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@does(pattern_app, "draft", "pattern:draft")
def pattern_draft(
    waist: Annotated[str | None, typer.Option(help="Waist girth.")] = None,
    hip: Annotated[str | None, typer.Option(help="Hip girth.")] = None,
    rise: Annotated[str | None, typer.Option(help="Body rise, seated.")] = None,
    waist_to_hip: Annotated[str | None, typer.Option(help="Waist to hip at the side.")] = None,
    waist_to_floor: Annotated[str | None, typer.Option(help="Waist to floor at the side.")] = None,
    bottom: Annotated[str | None, typer.Option(help="Width of the hem, flat.")] = None,
    length: Annotated[str | None, typer.Option(help="Finished length from the waist.")] = None,
    garment: GarmentOption = None,
    out: OutOption = None,
    units: UnitsOption = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Draft a block from body measures by a published metric block; what the garment's block needs, it asks for."""


@does(pattern_app, "fit", "pattern:fit")
def pattern_fit(
    given: Annotated[
        list[str], typer.Option("--length", metavar="NAME=LENGTH", help="A length taped on the paper; give about ten.")
    ],
    out: OutOption = None,
    units: UnitsOption = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Estimate a paper pattern from the lengths a client can tape on it."""


@does(pattern_app, "read", "pattern:read")
def pattern_read(
    path: PatternFile,
    out: Annotated[str, typer.Option("--out", metavar="FILE", help="Write it as .yaml, .json, .svg or .dxf.")],
    line: Annotated[
        str | None,
        typer.Option("--line", metavar="cut|stitch", help="What an outline is, where the file does not say."),
    ] = None,
    allowance: Annotated[
        str | None, typer.Option("--allowance", metavar="LENGTH", help="The allowance that a line to cut along holds.")
    ] = None,
    dpi: Annotated[
        float | None, typer.Option("--dpi", metavar="NUMBER", min=20, max=2400, help="Pixels to the inch of a drawing.")
    ] = None,
    garment: GarmentOption = None,
    units: UnitsOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Read a pattern file, say what was taken from it, and write it in another format."""


@does(pattern_app, "measure", "pattern:measure")
def pattern_measure(
    path: PatternFile,
    body: Annotated[
        list[str], typer.Option("--body", metavar="NAME=LENGTH", help="A body measure: what drafts give it.")
    ] = NOTHING,
    units: UnitsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Measure a pattern: seams, grain, widths, angles; with body measures also beside what drafts give."""


@does(pattern_app, "walk", "pattern:walk")
def pattern_walk(
    path: PatternFile,
    to: Annotated[str | None, typer.Option("--to", metavar="FILE", help="A drawing too: .svg or .pdf.")] = None,
    as_cut: AsCutOption = False,
    units: UnitsOption = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Lay the sewn seams along each other, notch by notch, and say where they differ."""


@does(pattern_app, "alter", "pattern:alter")
def pattern_alter(
    path: PatternFile,
    do: DoOption = NOTHING,
    as_cut: AsCutOption = False,
    allowance: AllowanceOption = NOTHING,
    out: OutOption = None,
    client: ClientOption = None,
    day: DayOption = None,
    units: UnitsOption = None,
    rules: RulesOption = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Carry alterations out on a pattern and show what moves."""


@does(pattern_app, "solve", "pattern:solve")
def pattern_solve(
    path: PatternFile,
    do: DoOption = NOTHING,
    until: Annotated[
        list[str],
        typer.Option("--until", metavar="TARGET", help="Like 'back hip >= 10 in'."),
    ] = NOTHING,
    out: OutOption = None,
    day: DayOption = None,
    units: UnitsOption = None,
    rules: RulesOption = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Find the least amounts that bring measures to their targets, each alteration within its limit."""


@does(pattern_app, "draw", "pattern:draw")
def pattern_draw(
    path: PatternFile,
    to: Annotated[str, typer.Option("--to", metavar="FILE", help="The drawing: .svg or .pdf.")],
    do: DoOption = NOTHING,
    strip: Annotated[bool, typer.Option("--strip", help="A strip of small pictures, step by step.")] = False,
    sheets: Annotated[
        str | None, typer.Option("--sheets", metavar="a4|letter", help="The pieces at full scale, tiled, as .pdf.")
    ] = None,
    as_cut: AsCutOption = False,
    allowance: AllowanceOption = NOTHING,
    band: Annotated[
        list[str],
        typer.Option("--band", metavar="KIND=WIDTH", help="With the sheets: straight=4cm, shaped=4cm or facing=6cm."),
    ] = NOTHING,
    client: ClientOption = None,
    day: DayOption = None,
    units: UnitsOption = None,
    rules: RulesOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Draw alterations before and after, one after the other, or print the pieces at full scale."""


@does(pattern_app, "darts", "darts:darts")
def pattern_darts(
    path: PatternFile,
    do: Annotated[
        list[str],
        typer.Option(
            "--do",
            metavar="WORK",
            help="'back 1 split', 'back 1 move=2 cm', 'back 2 turn=-3 cm', 'front 1 ease=5 mm'; darts count from the centre.",
        ),
    ],
    out: OutOption = None,
    units: UnitsOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Split, move or turn darts, or ease them in; says what the waist does."""
