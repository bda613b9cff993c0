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

from fitdiag.cli.case_app import case_app, review_options
from fitdiag.cli.drape_app import drape_options
from fitdiag.cli.options import (
    NOTHING,
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
    does,
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


@does(rules_app, "check", "rules:check")
def rules_check(folder: RulesFolder = None, garment: GarmentOption = None) -> None:
    """Look for faults in all rule files at once. Exit 0: clean; 1: faults."""


@does(rules_app, "test", "rules:test")
def rules_test(folder: RulesFolder = None, garment: GarmentOption = None) -> None:
    """Run the cases that stand beside the causes. Exit 0: all as expected; 1: not."""


@does(rules_app, "show", "rules:show")
def rules_show(
    rule: Annotated[
        str, typer.Argument(metavar="ID", help="The id of a symptom, body note, cause, alteration or source.")
    ],
    rules: RulesOption = None,
    units: UnitsOption = None,
) -> None:
    """Show one rule as a readable page."""


@does(rules_app, "list", "rules:list_rules")
def rules_list(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="symptoms, body-notes, causes, alterations or sources.")],
    rules: RulesOption = None,
) -> None:
    """List the ids and titles of one kind of rule."""


@does(rules_app, "coverage", "rules:show_coverage")
def rules_coverage(folder: RulesFolder = None, garment: GarmentOption = None) -> None:
    """Show what no case exercises and what no answers can tell. Exit 0: nothing; 1: gaps."""


@does(rules_app, "sensitivity", "rules:show_sensitivity")
def rules_sensitivity(folder: RulesFolder = None, garment: GarmentOption = None) -> None:
    """Show which strengths, moved by one word, change the first recommendation of a case."""


@does(rules_app, "drawings", "rules:drawings")
def rules_drawings(
    to: Annotated[str, typer.Option("--to", metavar="FILE", help="The sheet to write: .pdf or .html.")],
    paper: PaperOption = None,
    units: UnitsOption = None,
    rules: RulesOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Write every sign drawn, station by station, numbered as the interview numbers them."""


@does(rules_app, "words", "misses:show")
def rules_words(
    forget: Annotated[bool, typer.Option("--forget", help="Forget them.")] = False,
) -> None:
    """List what was typed in interviews and not understood. It is kept on this machine only."""


@does(rules_app, "new", "rules:new_rule")
def rules_new(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="cause, symptom or alteration.")],
    rule: Annotated[str, typer.Argument(metavar="ID", help="Its id, in lower-case words joined by hyphens.")],
    area: Annotated[
        str, typer.Option("--in", metavar="AREA", help="The area (or for a symptom the view) it belongs to.")
    ] = "new",
    rules: RulesOption = None,
) -> None:
    """Write a template for a new rule that passes the checks, to be filled in."""


@does(app, "ease", "ease:ease")
def ease_command(
    body: Annotated[
        list[str], typer.Option("--body", metavar="NAME=LENGTH", help="A body measure, like 'hip=40 in'.")
    ] = NOTHING,
    pattern: Annotated[
        list[str], typer.Option("--pattern", metavar="NAME=LENGTH", help="The pattern's measure.")
    ] = NOTHING,
    table: Annotated[str | None, typer.Option("--table", metavar="ID", help="Only this table.")] = None,
    units: UnitsOption = None,
    rules: RulesOption = None,
) -> None:
    """Show the tables of ease, or hold body and pattern measures against them."""


@does(app, "diagnose", "diagnose:diagnose")
def diagnose_command(
    path: Annotated[str, typer.Argument(metavar="FINDINGS.yaml", help="A findings file (schema fitdiag.findings/1).")],
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
    measures: BodyMeasureOption = NOTHING,
    rules: RulesOption = None,
    units: UnitsOption = None,
) -> None:
    """From a findings file to beliefs and a ranked alteration list."""


@does(app, "interview", "terminal:interview")
def interview_command(
    log_path: Annotated[
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
    rules: RulesOption = None,
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


@does(app, "replay", "work:replay_log")
def replay_command(
    path: LogArgument,
    full: FullOption = False,
    rules: RulesOption = None,
) -> None:
    """Work a session out again under today's rules, and show what differs."""


@does(app, "export", "work:export")
def export_command(
    path: LogArgument,
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
    rules: RulesOption = None,
    large: LargeOption = False,
    alone: AloneOption = False,
    paper: PaperOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Write the alteration list of a session to a file, or the page the client takes home."""


@does(app, "demo", "work:demo")
def demo_command(
    to: Annotated[str, typer.Option("--to", metavar="FOLDER", help="Where the exported list goes.")] = "fitdiag-demo",
) -> None:
    """Replay a shipped session: findings, beliefs, plan, and the exported list."""


does(app, "drape", "drape:drape_muslin")(drape_options)
does(app, "review", "review:review")(review_options)


@does(app, "learn", "learn:learn")
def learn_command(
    paths: Annotated[list[str], typer.Argument(metavar="PATH...", help="Session logs, cases, or folders of them.")],
    rules: RulesOption = None,
    to: Annotated[
        str | None, typer.Option("--patch", metavar="FILE", help="Write the changes as a patch to accept.")
    ] = None,
    workers: Annotated[int | None, typer.Option("--workers", help="Processes to use.")] = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Learn from sessions which strengths would change. The rules stay as they are."""


@does(app, "compare", "learn:compare")
def compare_command(
    one: LogArgument,
    other: Annotated[str, typer.Argument(metavar="LOG", help="Another fitter's, of the same muslin.")],
    rules: RulesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare two fitters' sessions of the same muslin: where they differ, and which difference matters."""


@does(photo_app, "add", "photo:add")
def photo_add(
    given: Annotated[
        list[str], typer.Argument(metavar="VIEW=PICTURE...", help="Like back=IMG_1.jpg; front, back, left, right.")
    ],
    to: Annotated[str, typer.Option("--to", metavar="FOLDER", help="Where the cleaned copies go.")],
    face_above: Annotated[
        int | None, typer.Option("--cover-above", metavar="ROW", help="Paint over all above this row, like a face.")
    ] = None,
    focal: FocalOption = None,
    hip: HipWidthOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Take pictures in: upright, without location or camera data. The originals stay as they are."""


@does(photo_app, "read", "read:read")
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
    rules: RulesOption = None,
) -> None:
    """Read pictures without marking them: lines are found, you say yes on one page, and the findings are written."""


@does(photo_app, "mark", "photo:mark")
def photo_mark(
    pictures: Annotated[list[str], typer.Argument(metavar="PICTURE...", help="Cleaned pictures.")],
    marks_file: Annotated[
        str | None, typer.Option("--marks", metavar="FILE", help="The marks, if they lie elsewhere.")
    ] = None,
    units: UnitsOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Write the page on which the lines of a picture are marked, in a browser, without a network."""


@does(photo_app, "measure", "photo:measure")
def photo_measure(
    pictures: Annotated[list[str], typer.Argument(metavar="PICTURE...", help="Marked pictures of one fitting.")],
    marks_files: Annotated[
        list[str],
        typer.Option("--marks", metavar="FILE", help="Marks that lie elsewhere, one for each picture."),
    ] = NOTHING,
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
    rules: RulesOption = None,
    as_json: JsonOption = False,
    replace: ReplaceOption = False,
) -> None:
    """Measure marked pictures: tilt, drop, V, grain; each with its error and whether it may be used."""


@does(photo_app, "card", "photo:card")
def photo_card(
    to: Annotated[str, typer.Option("--to", metavar="FILE", help="The card: .html or .pdf.")],
    heights: Annotated[
        list[str],
        typer.Option("--height", metavar="LINE=LENGTH", help="Height of a line over the floor, like hip=86cm."),
    ] = NOTHING,
    keep_until: Annotated[
        str, typer.Option("--keep-until", metavar="DATE", help="How long the pictures are kept.")
    ] = "the fitting ends",
    paper: PaperOption = None,
    large: LargeOption = False,
    units: UnitsOption = None,
    rules: RulesOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Write the sheet that tells a client how to take pictures that can be measured."""


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
