"""The command line: what each command takes, and nothing else. The work is imported inside the commands, so start-up is short."""

from __future__ import annotations

import gc
import io
import os
import sys
from copy import copy
from functools import lru_cache
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from fitdiag.cli.case_app import case_app, review_command
from fitdiag.cli.drape_app import drape_command
from fitdiag.cli.options import (
    AloneOption,
    BodyMeasureOption,
    FocalOption,
    FullOption,
    GarmentOption,
    HipGirthOption,
    HipWidthOption,
    JsonOption,
    LargeOption,
    LogArgument,
    PaperOption,
    PatternOption,
    ReplaceOption,
    RulesFolder,
    RulesOption,
    UnitsOption,
)
from fitdiag.cli.pattern_app import pattern_app
from fitdiag.problems import ProblemsFoundError, one_line

if TYPE_CHECKING:
    from collections.abc import Sequence

_WRONG_USE: type[typer.BadParameter] = typer.BadParameter.__mro__[2]  # any command line that is not as the help says
HELP = "From what is seen on a trouser muslin to a short, reasoned list of alterations with amounts."
app = typer.Typer(
    help=HELP, no_args_is_help=True, add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False
)


def _version(given: bool) -> None:
    if given:
        from fitdiag import __version__
        from fitdiag.cli.output import write

        write(f"fitdiag {__version__}")
        raise typer.Exit


@app.callback()
def before_any(
    version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_version, help="Show the version and exit.")
    ] = False,
) -> None:
    """From what is seen on a trouser muslin to a short, reasoned list of alterations with amounts."""


@app.command("help")
def help_command(
    words: Annotated[list[str] | None, typer.Argument(metavar="COMMAND", help="The command to read about.")] = None,
) -> None:
    """Show this help, or that of a command."""
    raise typer.Exit(_run([*(words or ()), "--help"]))


def _group(name: str, told: str) -> typer.Typer:
    """Commands under one word."""
    group = typer.Typer(help=told, no_args_is_help=True, rich_markup_mode=None)
    app.add_typer(group, name=name)
    return group


rules_app = _group("rules", "The rules: check them, test them, read them.")
photo_app = _group("photo", "Pictures: take them in, mark them, measure them; the card that asks for them.")
app.add_typer(pattern_app, name="pattern")
app.add_typer(case_app, name="case")


@rules_app.command("check")
def rules_check(folder: RulesFolder = None, garment: GarmentOption = None) -> None:
    """Look for faults in all rule files at once. Exit 0: clean; 1: faults."""
    from fitdiag.cli.rules import check

    raise typer.Exit(check(folder or garment))


@rules_app.command("test")
def rules_test(folder: RulesFolder = None, garment: GarmentOption = None) -> None:
    """Run the cases that stand beside the causes. Exit 0: all as expected; 1: not."""
    from fitdiag.cli.rules import test

    raise typer.Exit(test(folder or garment))


@rules_app.command("show")
def rules_show(
    rule: Annotated[
        str, typer.Argument(metavar="ID", help="The id of a symptom, body note, cause, alteration or source.")
    ],
    folder: RulesOption = None,
    units: UnitsOption = None,
) -> None:
    """Show one rule as a readable page."""
    from fitdiag.cli.rules import show

    raise typer.Exit(show(rule, folder, units))


@rules_app.command("list")
def rules_list(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="symptoms, body-notes, causes, alterations or sources.")],
    folder: RulesOption = None,
) -> None:
    """List the ids and titles of one kind of rule."""
    from fitdiag.cli.rules import list_rules

    raise typer.Exit(list_rules(kind, folder))


@rules_app.command("coverage")
def rules_coverage(folder: RulesFolder = None, garment: GarmentOption = None) -> None:
    """Show what no case exercises and what no answers can tell. Exit 0: nothing; 1: gaps."""
    from fitdiag.cli.rules import show_coverage

    raise typer.Exit(show_coverage(folder or garment))


@rules_app.command("sensitivity")
def rules_sensitivity(folder: RulesFolder = None, garment: GarmentOption = None) -> None:
    """Show which strengths, moved by one word, change the first recommendation of a case."""
    from fitdiag.cli.rules import show_sensitivity

    raise typer.Exit(show_sensitivity(folder or garment))


@rules_app.command("drawings")
def rules_drawings(
    to: Annotated[str, typer.Option("--to", metavar="FILE", help="The sheet to write: .pdf or .html.")],
    paper: PaperOption = None,
    units: UnitsOption = None,
    folder: RulesOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Write every sign drawn, station by station, numbered as the interview numbers them."""
    from fitdiag.cli.rules import drawings

    raise typer.Exit(drawings(to, folder, units, paper, replace=replace))


@rules_app.command("words")
def rules_words(
    forget: Annotated[bool, typer.Option("--forget", help="Forget them.")] = False,
) -> None:
    """List what was typed in interviews and not understood. It is kept on this machine only."""
    from fitdiag.cli.misses import show

    raise typer.Exit(show(forget=forget))


@rules_app.command("new")
def rules_new(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="cause, symptom or alteration.")],
    rule: Annotated[str, typer.Argument(metavar="ID", help="Its id, in lower-case words joined by hyphens.")],
    area: Annotated[
        str, typer.Option("--in", metavar="AREA", help="The area (or for a symptom the view) it belongs to.")
    ] = "new",
    folder: RulesOption = None,
) -> None:
    """Write a template for a new rule that passes the checks, to be filled in."""
    from fitdiag.cli.rules import new_rule

    raise typer.Exit(new_rule(kind, rule, area, folder))


@app.command("ease")
def ease_command(
    body: Annotated[
        list[str] | None, typer.Option("--body", metavar="NAME=LENGTH", help="A body measure, like 'hip=40 in'.")
    ] = None,
    pattern: Annotated[
        list[str] | None, typer.Option("--pattern", metavar="NAME=LENGTH", help="The pattern's measure.")
    ] = None,
    table: Annotated[str | None, typer.Option("--table", metavar="ID", help="Only this table.")] = None,
    units: UnitsOption = None,
    folder: RulesOption = None,
) -> None:
    """Show the tables of ease, or hold body and pattern measures against them."""
    from fitdiag.cli.ease import ease

    raise typer.Exit(ease(body or [], pattern or [], table, units, folder))


@app.command("diagnose")
def diagnose_command(
    findings: Annotated[
        str, typer.Argument(metavar="FINDINGS.yaml", help="A findings file (schema fitdiag.findings/1).")
    ],
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object (schema fitdiag.diagnosis/1).")] = False,
    steps: Annotated[bool, typer.Option("--steps", help="With the steps for cloth and paper.")] = False,
    full: FullOption = False,
    alone: AloneOption = False,
    pattern: PatternOption = None,
    first_cut: Annotated[
        bool, typer.Option("--first-cut", help="The pattern lies as it was before the earlier rounds.")
    ] = False,
    drape: Annotated[
        bool, typer.Option("--drape", help="Show each alteration on simulated cloth; needs --pattern and a hip girth.")
    ] = False,
    body_measure: BodyMeasureOption = None,
    folder: RulesOption = None,
    units: UnitsOption = None,
) -> None:
    """From a findings file to beliefs and a ranked alteration list."""
    from fitdiag.cli.diagnose import diagnose

    raise typer.Exit(
        diagnose(findings, as_json=as_json, steps=steps, rules=folder, units=units, pattern=pattern, first_cut=first_cut,
                 drape=drape, measures=body_measure or [], full=full, alone=alone)
    )  # fmt: skip


@app.command("interview")
def interview_command(
    log: Annotated[
        str | None,
        typer.Option("--log", metavar="FILE", help="Where to keep the session; without it, in the folder sessions/."),
    ] = None,
    resume: Annotated[
        str | None,
        typer.Option(
            "--resume", metavar="LOG|CASE", help="Go on with an earlier session, or with a case's last round."
        ),
    ] = None,
    answers: Annotated[
        str | None,
        typer.Option("--answers", metavar="FILE", help="Take all answers from a findings file; ask nothing."),
    ] = None,
    client: Annotated[str | None, typer.Option("--client", help="Your own name for the client.")] = None,
    units: UnitsOption = None,
    folder: RulesOption = None,
    pattern: PatternOption = None,
    photos: Annotated[
        str | None,
        typer.Option("--photos", metavar="FILE", help="Findings measured in pictures, to be confirmed one by one."),
    ] = None,
    full: FullOption = False,
    alone: AloneOption = False,
    new_rules: Annotated[
        bool, typer.Option("--new-rules", help="Resume although the rules have changed since.")
    ] = False,
) -> None:
    """Ask about a muslin, one question at a time, and end with the list."""
    from fitdiag.cli.output import Show
    from fitdiag.cli.terminal import interview

    raise typer.Exit(
        interview(
            log,
            resume,
            answers,
            client,
            units,
            folder,
            pattern=pattern,
            new_rules=new_rules,
            photos=photos,
            show=Show(full, alone),
        )
    )


@app.command("replay")
def replay_command(
    log: LogArgument,
    full: FullOption = False,
    folder: RulesOption = None,
) -> None:
    """Work a session out again under today's rules, and show what differs."""
    from fitdiag.cli.work import replay_log

    raise typer.Exit(replay_log(log, folder, full=full))


@app.command("export")
def export_command(
    log: LogArgument,
    to: Annotated[
        str,
        typer.Option(
            "--to",
            metavar="FILE",
            help="The list to write: .md, .csv, .json or .txt; .html or .pdf is the client's page.",
        ),
    ],
    client: Annotated[
        str | None, typer.Option("--client", help="Your own name for the client; without it, the log's.")
    ] = None,
    units: UnitsOption = None,
    folder: RulesOption = None,
    large: LargeOption = False,
    alone: AloneOption = False,
    paper: PaperOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Write the alteration list of a session to a file, or the page the client takes home."""
    from fitdiag.cli.work import export

    raise typer.Exit(export(log, to, client, units, folder, replace=replace, large=large, paper=paper, alone=alone))


@app.command("demo")
def demo_command(
    to: Annotated[str, typer.Option("--to", metavar="FOLDER", help="Where the exported list goes.")] = "fitdiag-demo",
) -> None:
    """Replay a shipped session: findings, beliefs, plan, and the exported list."""
    from fitdiag.cli.work import demo

    raise typer.Exit(demo(to))


app.command("drape")(drape_command)
app.command("review")(review_command)


@app.command("learn")
def learn_command(
    paths: Annotated[list[str], typer.Argument(metavar="PATH...", help="Session logs, cases, or folders of them.")],
    folder: RulesOption = None,
    patch: Annotated[
        str | None, typer.Option("--patch", metavar="FILE", help="Write the changes as a patch to accept.")
    ] = None,
    workers: Annotated[int | None, typer.Option("--workers", help="Processes to use.")] = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Learn from sessions which strengths would change. The rules stay as they are."""
    from fitdiag.cli.learn import learn

    raise typer.Exit(learn(paths, folder, patch, as_json=as_json, replace=replace, workers=workers))


@app.command("compare")
def compare_command(
    one: LogArgument,
    other: Annotated[str, typer.Argument(metavar="LOG", help="Another fitter's, of the same muslin.")],
    folder: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare two fitters' sessions of the same muslin: where they differ, and which difference matters."""
    from fitdiag.cli.learn import compare

    raise typer.Exit(compare(one, other, folder, as_json=as_json))


@photo_app.command("add")
def photo_add(
    pictures: Annotated[
        list[str], typer.Argument(metavar="VIEW=PICTURE...", help="Like back=IMG_1.jpg; front, back, left, right.")
    ],
    to: Annotated[str, typer.Option("--to", metavar="FOLDER", help="Where the cleaned copies go.")],
    cover_above: Annotated[
        int | None, typer.Option("--cover-above", metavar="ROW", help="Paint over all above this row, like a face.")
    ] = None,
    focal: FocalOption = None,
    hip_width: HipWidthOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Take pictures in: upright, without location or camera data. The originals stay as they are."""
    from fitdiag.cli.photo import add

    raise typer.Exit(add(pictures, to, face_above=cover_above, focal=focal, hip=hip_width, replace=replace))


@photo_app.command("read")
def photo_read(
    pictures: Annotated[
        list[str],
        typer.Argument(metavar="PICTURE...", help="Pictures of one fitting: back.jpg left.jpg, or back=IMG_1.jpg."),
    ],
    to: Annotated[
        str | None,
        typer.Option("--to", metavar="FOLDER", help="Where cleaned copies go; else a folder 'read' beside them."),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Take all lines that are not doubtful, without the page.")] = False,
    answer: Annotated[
        str | None, typer.Option("--answer", metavar="FILE", help="What the page saved, if it lies elsewhere.")
    ] = None,
    hip_girth: HipGirthOption = None,
    hip_width: HipWidthOption = None,
    behind: Annotated[
        str | None, typer.Option("--behind", metavar="LENGTH", help="How far the sheet hangs behind the side seams.")
    ] = None,
    focal: FocalOption = None,
    findings: Annotated[
        str | None,
        typer.Option("--findings", metavar="FILE", help="Where the findings go; else beside the cleaned copies."),
    ] = None,
    units: UnitsOption = None,
    folder: RulesOption = None,
) -> None:
    """Read pictures without marking them: lines are found, you say yes on one page, and the findings are written."""
    from fitdiag.cli.read import read

    raise typer.Exit(
        read(pictures, to, yes=yes, answer=answer, hip_girth=hip_girth, hip_width=hip_width, behind=behind, focal=focal,
             findings=findings, units=units, rules=folder)
    )  # fmt: skip


@photo_app.command("mark")
def photo_mark(
    pictures: Annotated[list[str], typer.Argument(metavar="PICTURE...", help="Cleaned pictures.")],
    marks: Annotated[
        str | None, typer.Option("--marks", metavar="FILE", help="The marks, if they lie elsewhere.")
    ] = None,
    units: UnitsOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Write the page on which the lines of a picture are marked, in a browser, without a network."""
    from fitdiag.cli.photo import mark

    raise typer.Exit(mark(pictures, marks, units=units, replace=replace))


@photo_app.command("measure")
def photo_measure(
    pictures: Annotated[list[str], typer.Argument(metavar="PICTURE...", help="Marked pictures of one fitting.")],
    marks: Annotated[
        list[str] | None,
        typer.Option("--marks", metavar="FILE", help="Marks that lie elsewhere, one for each picture."),
    ] = None,
    hip_girth: HipGirthOption = None,
    findings: Annotated[
        str | None,
        typer.Option("--findings", metavar="FILE", help="Write the findings, for `fitdiag interview --photos`."),
    ] = None,
    overlays: Annotated[
        str | None,
        typer.Option("--overlays", metavar="FOLDER", help="Where the drawn-on copies go, if not beside them."),
    ] = None,
    units: UnitsOption = None,
    folder: RulesOption = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Measure marked pictures: tilt, drop, V, grain; each with its error and whether it may be used."""
    from fitdiag.cli.photo import measure

    raise typer.Exit(
        measure(pictures, marks or [], as_json=as_json, units=units, hip_girth=hip_girth, findings=findings,
                overlays=overlays, rules=folder, replace=replace)
    )  # fmt: skip


@photo_app.command("card")
def photo_card(
    to: Annotated[str, typer.Option("--to", metavar="FILE", help="The card: .html or .pdf.")],
    height: Annotated[
        list[str] | None,
        typer.Option("--height", metavar="LINE=LENGTH", help="Height of a line over the floor, like hip=86cm."),
    ] = None,
    keep_until: Annotated[
        str, typer.Option("--keep-until", metavar="DATE", help="How long the pictures are kept.")
    ] = "the fitting ends",
    paper: PaperOption = None,
    large: LargeOption = False,
    units: UnitsOption = None,
    folder: RulesOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Write the sheet that tells a client how to take pictures that can be measured."""
    from fitdiag.cli.photo import card

    raise typer.Exit(card(to, units, height or [], keep_until, paper, large=large, replace=replace, rules=folder))


def run(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line, and end with its exit code."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # its threads cost more than they bring on matrices this small
    code = _outcome(sys.argv[1:] if arguments is None else arguments)
    if (
        arguments is None
    ):  # the program itself: what counts is on the disk, and taking all rules apart takes a tenth of its time
        os._exit(code)
    sys.exit(code)


def _outcome(given: Sequence[str]) -> int:
    """The exit code of a command line: every known problem becomes one clear message and 1, never a traceback."""
    from fitdiag.cli.output import say_aside, say_problems

    sys.stdout = sys.stdout or os.fdopen(
        os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8"
    )  # closed by the caller
    sys.stderr = sys.stderr or sys.stdout
    sys.stdin = sys.stdin or os.fdopen(os.open(os.devnull, os.O_RDONLY), encoding="utf-8")
    gc.disable()  # most commands live for a quarter of a second; looking for garbage takes a tenth of that
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
    """Run what the words say; its exit code."""
    first, second = [*words, "", ""][:2]
    return int(_part(first, second)(list(words), standalone_mode=False) or 0)


@lru_cache
def _part(first: str, second: str) -> typer.Typer:
    """The one command that the words name, or all where they name none: to build them all takes longer than most of them do."""
    part = copy(app)
    part.registered_commands = [one for one in app.registered_commands if one.name == first]
    part.registered_groups = [copy(one) for one in app.registered_groups if one.name == first]
    for group in part.registered_groups:
        assert group.typer_instance is not None
        inner = copy(group.typer_instance)
        inner.registered_commands = [one for one in inner.registered_commands if one.name == second]
        group.typer_instance = inner if inner.registered_commands else group.typer_instance
    return part if part.registered_commands or part.registered_groups else app


def _close_output() -> None:
    """So that nothing is written, and fails, once more at the very end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    run()
