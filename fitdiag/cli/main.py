"""The command line: what each command takes, and nothing else. The work is imported inside the commands, so start-up is short."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from fitdiag.problems import ProblemsFoundError

if TYPE_CHECKING:
    from collections.abc import Sequence

HELP = "From what is seen on a trouser muslin to a short, reasoned list of alterations with amounts."
app = typer.Typer(
    help=HELP, no_args_is_help=True, add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False
)
rules_app = typer.Typer(
    help="The rules: check them, test them, read them.", no_args_is_help=True, rich_markup_mode=None
)
app.add_typer(rules_app, name="rules")

RulesFolder = Annotated[str | None, typer.Argument(metavar="[DIR]", help="A rule folder; without it, the shipped one.")]

RulesOption = Annotated[
    str | None, typer.Option("--rules", metavar="DIR", help="A rule folder; without it, the shipped one.")
]
UnitsOption = Annotated[str | None, typer.Option("--units", metavar="in|cm", help="Inches in eighths, or centimetres.")]


@rules_app.command("check")
def rules_check(folder: RulesFolder = None) -> None:
    """Look for faults in all rule files at once. Exit 0: clean; 1: faults."""
    from fitdiag.cli.rules import check

    raise typer.Exit(check(folder))


@rules_app.command("test")
def rules_test(folder: RulesFolder = None) -> None:
    """Run the cases that stand beside the causes. Exit 0: all as expected; 1: not."""
    from fitdiag.cli.rules import test

    raise typer.Exit(test(folder))


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
def rules_coverage(folder: RulesFolder = None) -> None:
    """Show what no case exercises and what no answers can tell. Exit 0: nothing; 1: gaps."""
    from fitdiag.cli.rules import show_coverage

    raise typer.Exit(show_coverage(folder))


@rules_app.command("sensitivity")
def rules_sensitivity(folder: RulesFolder = None) -> None:
    """Show which strengths, moved by one word, change the first recommendation of a case."""
    from fitdiag.cli.rules import show_sensitivity

    raise typer.Exit(show_sensitivity(folder))


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
    folder: RulesOption = None,
    units: UnitsOption = None,
) -> None:
    """From a findings file to beliefs and a ranked alteration list."""
    from fitdiag.cli.diagnose import diagnose

    raise typer.Exit(diagnose(findings, as_json=as_json, steps=steps, rules=folder, units=units))


@app.command("interview")
def interview_command(
    log: Annotated[
        str | None,
        typer.Option("--log", metavar="FILE", help="Where to keep the session; without it, in the folder sessions/."),
    ] = None,
    resume: Annotated[
        str | None, typer.Option("--resume", metavar="LOG", help="Go on with an earlier session.")
    ] = None,
    answers: Annotated[
        str | None,
        typer.Option("--answers", metavar="FILE", help="Take all answers from a findings file; ask nothing."),
    ] = None,
    client: Annotated[str | None, typer.Option("--client", help="Your own name for the client.")] = None,
    units: UnitsOption = None,
    folder: RulesOption = None,
    new_rules: Annotated[
        bool, typer.Option("--new-rules", help="Resume although the rules have changed since.")
    ] = False,
) -> None:
    """Ask about a muslin, one question at a time, and end with the list."""
    from fitdiag.cli.terminal import interview

    raise typer.Exit(interview(log, resume, answers, client, units, folder, new_rules=new_rules))


@app.command("replay")
def replay_command(
    log: Annotated[str, typer.Argument(metavar="LOG", help="A session log.")],
    folder: RulesOption = None,
) -> None:
    """Work a session out again under today's rules, and show what differs."""
    from fitdiag.cli.work import replay_log

    raise typer.Exit(replay_log(log, folder))


@app.command("export")
def export_command(
    log: Annotated[str, typer.Argument(metavar="LOG", help="A session log.")],
    to: Annotated[str, typer.Option("--to", metavar="FILE", help="The list to write: .md, .csv, .json or .txt.")],
    client: Annotated[
        str | None, typer.Option("--client", help="Your own name for the client; without it, the log's.")
    ] = None,
    units: UnitsOption = None,
    folder: RulesOption = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file of this name.")] = False,
) -> None:
    """Write the alteration list of a session to a file."""
    from fitdiag.cli.work import export

    raise typer.Exit(export(log, to, client, units, folder, replace=replace))


@app.command("demo")
def demo_command(
    to: Annotated[str, typer.Option("--to", metavar="FOLDER", help="Where the exported list goes.")] = "fitdiag-demo",
) -> None:
    """Replay a shipped session: findings, beliefs, plan, and the exported list."""
    from fitdiag.cli.work import demo

    raise typer.Exit(demo(to))


def run(arguments: Sequence[str] | None = None) -> None:
    """Run the command line: every known problem becomes one clear message and exit code 1, never a traceback."""
    from fitdiag.cli.output import say_problems

    try:
        app(arguments)
    except ProblemsFoundError as stopped:
        say_problems(stopped.problems)
        sys.exit(1)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except KeyboardInterrupt:
        print("\nStopped.", file=sys.stderr)
        sys.exit(130)


if __name__ == "__main__":
    run()
