"""What the `fitdiag pattern` commands take, and nothing else; the work is imported inside, as in `main`."""

from __future__ import annotations

from typing import Annotated

import typer

from fitdiag.cli.options import (
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
)

pattern_app = typer.Typer(
    help="The pattern: draft, fit, read, measure, walk, alter, darts, solve, draw.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@pattern_app.command("draft")
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
    from fitdiag.cli.pattern import draft

    given = {"waist": waist, "hip": hip, "rise": rise, "waist_to_hip": waist_to_hip, "length": length}
    given |= {"waist_to_floor": waist_to_floor, "bottom": bottom}
    raise typer.Exit(draft(given, garment, out, units, as_json=as_json, replace=replace))


@pattern_app.command("fit")
def pattern_fit(
    length: Annotated[
        list[str], typer.Option("--length", metavar="NAME=LENGTH", help="A length taped on the paper; give about ten.")
    ],
    out: OutOption = None,
    units: UnitsOption = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Estimate a paper pattern from the lengths a client can tape on it."""
    from fitdiag.cli.pattern import fit

    raise typer.Exit(fit(length, out, units, as_json=as_json, replace=replace))


@pattern_app.command("read")
def pattern_read(
    file: PatternFile,
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
    from fitdiag.cli.pattern import read, reading

    raise typer.Exit(read(file, out, reading(line, allowance, dpi, units, garment), units, replace=replace))


@pattern_app.command("measure")
def pattern_measure(file: PatternFile, units: UnitsOption = None, as_json: JsonOption = False) -> None:
    """Measure a pattern: seams, grain, widths, angles."""
    from fitdiag.cli.pattern import measure

    raise typer.Exit(measure(file, units, as_json=as_json))


@pattern_app.command("walk")
def pattern_walk(
    file: PatternFile,
    to: Annotated[str | None, typer.Option("--to", metavar="FILE", help="A drawing too: .svg or .pdf.")] = None,
    as_cut: AsCutOption = False,
    units: UnitsOption = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Lay the sewn seams along each other, notch by notch, and say where they differ."""
    from fitdiag.cli.pattern import walk

    raise typer.Exit(walk(file, units, to, as_json=as_json, as_cut=as_cut, replace=replace))


@pattern_app.command("alter")
def pattern_alter(
    file: PatternFile,
    do: DoOption = None,
    as_cut: AsCutOption = False,
    allowance: AllowanceOption = None,
    out: OutOption = None,
    client: ClientOption = None,
    day: DayOption = None,
    units: UnitsOption = None,
    folder: RulesOption = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Carry alterations out on a pattern and show what moves."""
    from fitdiag.cli.pattern import alter

    raise typer.Exit(
        alter(file, do or [], out, units, as_cut=as_cut, as_json=as_json, replace=replace, rules=folder, client=client,
              day=day, allowance=allowance)
    )  # fmt: skip


@pattern_app.command("solve")
def pattern_solve(
    file: PatternFile,
    do: DoOption = None,
    until: Annotated[
        list[str] | None,
        typer.Option("--until", metavar="TARGET", help="Like 'back hip >= 10 in'."),
    ] = None,
    out: OutOption = None,
    day: DayOption = None,
    units: UnitsOption = None,
    folder: RulesOption = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Find the least amounts that bring measures to their targets, each alteration within its limit."""
    from fitdiag.cli.pattern import solve

    raise typer.Exit(solve(file, do or [], until or [], units, folder, out, as_json=as_json, replace=replace, day=day))


@pattern_app.command("draw")
def pattern_draw(
    file: PatternFile,
    to: Annotated[str, typer.Option("--to", metavar="FILE", help="The drawing: .svg or .pdf.")],
    do: DoOption = None,
    strip: Annotated[bool, typer.Option("--strip", help="A strip of small pictures, step by step.")] = False,
    sheets: Annotated[
        str | None, typer.Option("--sheets", metavar="a4|letter", help="The pieces at full scale, tiled, as .pdf.")
    ] = None,
    as_cut: AsCutOption = False,
    allowance: AllowanceOption = None,
    band: Annotated[
        list[str] | None,
        typer.Option("--band", metavar="KIND=WIDTH", help="With the sheets: straight=4cm, shaped=4cm or facing=6cm."),
    ] = None,
    client: ClientOption = None,
    day: DayOption = None,
    units: UnitsOption = None,
    folder: RulesOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Draw alterations before and after, one after the other, or print the pieces at full scale."""
    from fitdiag.cli.pattern import draw

    done = draw(
        file, do or [], to, units, strip=strip, sheets=sheets, replace=replace, as_cut=as_cut, allowance=allowance,
        band=band, rules=folder, client=client, day=day,
    )  # fmt: skip
    raise typer.Exit(done)


@pattern_app.command("darts")
def pattern_darts(
    file: PatternFile,
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
    from fitdiag.cli.darts import darts

    raise typer.Exit(darts(file, do, out, units, replace=replace))
