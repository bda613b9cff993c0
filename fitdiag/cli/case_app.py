"""What `fitdiag review` and the `fitdiag case` commands take, and nothing else; the work is imported inside, as in `main`."""

from __future__ import annotations

from typing import Annotated

import typer

from fitdiag.cli.options import (
    AloneOption,
    CaseAloneOption,
    FullOption,
    JsonOption,
    KeepUntilOption,
    LargeOption,
    PaperOption,
    RulesOption,
    UnitsOption,
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


@case_app.command("new")
def case_new(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Your own name for client and garment.")],
    units: UnitsOption = None,
    body: Annotated[
        list[str] | None, typer.Option("--body", metavar="NOTE[=GRADE]", help="A body note, like flat-seat.")
    ] = None,
    measure: Annotated[
        list[str] | None, typer.Option("--measure", metavar="NAME=LENGTH", help="A body measure, like 'hip=40 in'.")
    ] = None,
    pattern: Annotated[
        str | None, typer.Option("--pattern", metavar="FILE", help="The pattern; it is copied into the case.")
    ] = None,
    photos_consent: Annotated[
        str | None, typer.Option("--photos-consent", metavar="yes|no", help="Whether the client agreed to photos.")
    ] = None,
    keep_until: KeepUntilOption = None,
    note: Annotated[list[str] | None, typer.Option("--note", metavar="TEXT", help="A note of your own.")] = None,
    alone: AloneOption = False,
    given: InOption = None,
    rules: RulesOption = None,
) -> None:
    """Begin a case: a folder for one client and garment."""
    from fitdiag.cli.case import new

    raise typer.Exit(
        new(
            name,
            given,
            units=units,
            body=body or [],
            measure=measure or [],
            pattern=pattern,
            photos_consent=photos_consent,
            keep_until=keep_until,
            note=note or [],
            alone=alone,
            rules=rules,
        )
    )


@case_app.command("consent")
def case_consent(
    name: Name,
    answer: Annotated[str, typer.Argument(metavar="yes|no", help="Whether the client agrees to photos now.")],
    keep_until: KeepUntilOption = None,
    given: InOption = None,
) -> None:
    """Write down whether the client agrees to photos."""
    from fitdiag.cli.case import consent

    raise typer.Exit(consent(name, given, answer, keep_until))


@case_app.command("body")
def case_body(
    name: Name,
    back: Annotated[bool, typer.Option("--take-back", help="Take back what the last round taught.")] = False,
    given: InOption = None,
) -> None:
    """Show how the rounds moved the simulated body, or take the last round's nudges back."""
    from fitdiag.cli.case_drape import case_body as body

    raise typer.Exit(body(name, given, back=back))


@case_app.command("list")
def case_list(
    given: InOption = None,
    everything: Annotated[bool, typer.Option("--all", help="Closed cases too.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Show whose turn it is, since when, and what was advised last. Exit 1: a case cannot be read."""
    from fitdiag.cli.case import show_list

    raise typer.Exit(show_list(given, as_json=as_json, everything=everything))


@case_app.command("show")
def case_show(name: Name, given: InOption = None) -> None:
    """Show one case with all its rounds."""
    from fitdiag.cli.case import show

    raise typer.Exit(show(name, given))


@case_app.command("repair")
def case_repair(name: Name, given: InOption = None, rules: RulesOption = None) -> None:
    """Make missing or damaged files again from the logs of the rounds. Exit 1: something cannot be made again."""
    from fitdiag.cli.repair import repair

    raise typer.Exit(repair(name, given, rules))


@case_app.command("close")
def case_close(
    name: Name,
    fits: Annotated[bool, typer.Option("--fits", help="It fits.")] = False,
    given_up: Annotated[bool, typer.Option("--given-up", help="It was given up.")] = False,
    because: Annotated[str | None, typer.Option("--because", metavar="TEXT", help="In your own words.")] = None,
    given: InOption = None,
) -> None:
    """Close a case and say how it ended."""
    from fitdiag.cli.case import close

    raise typer.Exit(close(name, given, fits=fits, given_up=given_up, because=because))


@case_app.command("export")
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
    from fitdiag.cli.case import export

    raise typer.Exit(export(name, given, to, anonymous=anonymous, rules=rules))


@case_app.command("delete")
def case_delete(
    name: Name,
    photos: Annotated[bool, typer.Option("--photos", help="Only the photos and the marks on them.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    given: InOption = None,
) -> None:
    """Delete a case, after saying what goes."""
    from fitdiag.cli.case import delete

    raise typer.Exit(delete(name, given, yes=yes, photos=photos))


def review_command(
    name: Name,
    parent: InOption = None,
    photo: Annotated[
        list[str] | None, typer.Option("--photo", metavar="VIEW=FILE", help="A picture that came, like back=IMG_1.jpg.")
    ] = None,
    form: Annotated[
        str | None, typer.Option("--form", metavar="FILE", help="The client's form, or the mail it is in.")
    ] = None,
    findings: Annotated[
        str | None, typer.Option("--findings", metavar="FILE", help="What you saw yourself, as a findings file.")
    ] = None,
    done: Annotated[
        list[str] | None,
        typer.Option("--done", metavar="ALTERATION=AMOUNT", help="What was really done last time; =no if it was not."),
    ] = None,
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
    folder: RulesOption = None,
) -> None:
    """Carry a case through its round: what came in, questions, diagnosis, documents. Stops anywhere, goes on later."""
    from fitdiag.cli.review import review

    raise typer.Exit(
        review(name, parent, photos=photo or [], form=form, findings=findings, done=done or [], rules=folder,
               ask=not no_questions, send_form=send_form, sent=sent, fits=fits, large=large, paper=paper, drape=not no_drape,
               full=full, alone=alone)
    )  # fmt: skip
