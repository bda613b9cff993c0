"""What `fitdiag review` and the `fitdiag case` commands take, and nothing else; the work is imported inside, as in `main`."""

from __future__ import annotations

from typing import Annotated

import typer

from fitdiag.cli.options import (
    NOTHING,
    AloneOption,
    CaseAloneOption,
    FullOption,
    JsonOption,
    KeepUntilOption,
    LargeOption,
    PaperOption,
    RulesOption,
    UnitsOption,
    does,
)

case_app = typer.Typer(
    help="Clients and their rounds: new, consent, list, show, repair, close, export, delete.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Name = Annotated[str, typer.Argument(metavar="NAME", help="Your own name for the case, or its folder.")]
InOption = Annotated[
    str | None, typer.Option("--in", metavar="DIR", help="The folder of the cases; without it, cases/ in this folder.")
]


@does(case_app, "new", "case:new")
def case_new(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Your own name for client and garment.")],
    units: UnitsOption = None,
    body: Annotated[
        list[str], typer.Option("--body", metavar="NOTE[=GRADE]", help="A body note, like flat-seat.")
    ] = NOTHING,
    measure: Annotated[
        list[str], typer.Option("--measure", metavar="NAME=LENGTH", help="A body measure, like 'hip=40 in'.")
    ] = NOTHING,
    pattern: Annotated[
        str | None, typer.Option("--pattern", metavar="FILE", help="The pattern; it is copied into the case.")
    ] = None,
    photos_consent: Annotated[
        str | None, typer.Option("--photos-consent", metavar="yes|no", help="Whether the client agreed to photos.")
    ] = None,
    keep_until: KeepUntilOption = None,
    note: Annotated[list[str], typer.Option("--note", metavar="TEXT", help="A note of your own.")] = NOTHING,
    alone: AloneOption = False,
    given: InOption = None,
    rules: RulesOption = None,
) -> None:
    """Begin a case: a folder for one client and garment."""


@does(case_app, "consent", "case:consent")
def case_consent(
    name: Name,
    answer: Annotated[str, typer.Argument(metavar="yes|no", help="Whether the client agrees to photos now.")],
    keep_until: KeepUntilOption = None,
    given: InOption = None,
) -> None:
    """Write down whether the client agrees to photos."""


@does(case_app, "body", "case_drape:case_body")
def case_body(
    name: Name,
    back: Annotated[bool, typer.Option("--take-back", help="Take back what the last round taught.")] = False,
    given: InOption = None,
) -> None:
    """Show how the rounds moved the simulated body, or take the last round's nudges back."""


@does(case_app, "list", "case:show_list")
def case_list(
    given: InOption = None,
    everything: Annotated[bool, typer.Option("--all", help="Closed cases too.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Show whose turn it is, since when, and what was advised last. Exit 1: a case cannot be read."""


@does(case_app, "show", "case:show")
def case_show(name: Name, given: InOption = None) -> None:
    """Show one case with all its rounds."""


@does(case_app, "repair", "repair:repair")
def case_repair(name: Name, given: InOption = None, rules: RulesOption = None) -> None:
    """Make missing or damaged files again from the logs of the rounds. Exit 1: something cannot be made again."""


@does(case_app, "close", "case:close")
def case_close(
    name: Name,
    fits: Annotated[bool, typer.Option("--fits", help="It fits.")] = False,
    given_up: Annotated[bool, typer.Option("--given-up", help="It was given up.")] = False,
    because: Annotated[str | None, typer.Option("--because", metavar="TEXT", help="In your own words.")] = None,
    given: InOption = None,
) -> None:
    """Close a case and say how it ended."""


@does(case_app, "export", "case:export")
def case_export(
    name: Name,
    to: Annotated[str, typer.Option("--to", metavar="FOLDER", help="A new folder, or a file that ends in .zip.")],
    anonymous: Annotated[
        bool,
        typer.Option("--anonymous", help="Without name, photos, notes and free text; days counted from the opening."),
    ] = False,
    given: InOption = None,
    rules: RulesOption = None,
) -> None:
    """Copy a case, as it is or without what says whose it is."""


@does(case_app, "delete", "case:delete")
def case_delete(
    name: Name,
    photos: Annotated[bool, typer.Option("--photos", help="Only the photos and the marks on them.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    given: InOption = None,
) -> None:
    """Delete a case, after saying what goes."""


def review_options(
    name: Name,
    given: InOption = None,
    photos: Annotated[
        list[str], typer.Option("--photo", metavar="VIEW=FILE", help="A picture that came, like back=IMG_1.jpg.")
    ] = NOTHING,
    form: Annotated[
        str | None, typer.Option("--form", metavar="FILE", help="The client's form, or the mail it is in.")
    ] = None,
    findings: Annotated[
        str | None, typer.Option("--findings", metavar="FILE", help="What you saw yourself, as a findings file.")
    ] = None,
    done: Annotated[
        list[str],
        typer.Option("--done", metavar="ALTERATION=AMOUNT", help="What was really done last time; =no if it was not."),
    ] = NOTHING,
    no_questions: Annotated[
        bool, typer.Option("--no-questions", help="Ask nothing; measured findings count as they are.")
    ] = False,
    send_form: Annotated[
        bool, typer.Option("--send-form", help="Write the client's form now, and wait for the answer.")
    ] = False,
    sent: Annotated[bool, typer.Option("--sent", help="Write down that the pages went to the client.")] = False,
    fits: Annotated[bool, typer.Option("--fits", help="Write down that it fits.")] = False,
    large: LargeOption = False,
    paper: PaperOption = None,
    no_drape: Annotated[
        bool, typer.Option("--no-drape", help="Do not show the plan on simulated cloth; saves half a minute.")
    ] = False,
    full: FullOption = False,
    alone: CaseAloneOption = None,
    rules: RulesOption = None,
) -> None:
    """Carry a case through its round: what came in, questions, diagnosis, documents. Stops anywhere, goes on later."""
