"""Every command, and what it takes. The work of each is imported when it runs, so that start-up is short."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from importlib import import_module
from inspect import Parameter, Signature
from typing import Annotated, Any, Final

import typer

Option = Parameter  # an option or argument of a command, by the name its work knows it by
WORK: Final[list[tuple[Signature, str]]] = []  # what each command takes, and its work
HELP = "From what is seen on a trouser muslin to a short, reasoned list of alterations with amounts."
app = typer.Typer(
    help=HELP, no_args_is_help=True, add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False
)


def _group(name: str, told: str) -> typer.Typer:
    group = typer.Typer(help=told, no_args_is_help=True, rich_markup_mode=None)
    app.add_typer(group, name=name)
    return group


def declare(group: typer.Typer, name: str, work: str, told: str, *takes: Option) -> None:
    """Make a command that `work` ("module:function" in cli/) carries out; `told` is its help.

    The work takes the options by their names and gives the exit code; it is imported when the command runs, so that start-up
    is short. `tests/test_architecture.py` holds the names together.
    """

    def run(**given: Any) -> None:
        raise typer.Exit(work_of(work)(**given))

    run.__signature__ = Signature(takes)  # type: ignore[attr-defined]
    WORK.append((Signature(takes), work))
    group.command(name, help=told)(run)


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


# fmt: off

# -- options that several commands take -------------------------------------------------------------------------------

_WHICH = "Which garment, like skirt; or a rule folder of your own."
FOLDER = argument("folder", "[DIR]", _WHICH, str | None, None)
RULES = text("rules", "NAME|DIR", _WHICH, "--garment --rules")
GARMENT = text("garment", "NAME", "Which garment: the name of its folder of rules.")
UNITS = text("units", "in|cm", "Inches in eighths, or centimetres.")
JSON = switch("as_json", "One JSON object, lengths in mm.", "--json")
REPLACE = switch("replace", "Write over a file of this name.")
FULL = switch("full", "After the list also why, what was found, and what to leave alone.")
ALONE = switch("alone", "For somebody who fits herself: in her words, and no step needs a second pair of hands.")
LARGE = switch("large", "Large print.")
PAPER = text("paper", "a4|letter", "Paper of the .pdf; without it, what goes with the units.")
LOG = argument("path", "LOG|CASE", "A session log, or the case whose last round it is.")
PATTERN = text("pattern", "FILE", "The client's pattern; the list says what becomes of it.")
PATTERN_FILE = argument("path", "FILE", "A pattern file: .yaml, .json, .svg or .dxf.")
OUT = text("out", "FILE", "Write the pattern: .yaml, .json, .svg or .dxf.")
AS_CUT = switch("as_cut", "Leave the steps that cuts make; else they are trued.")
ALLOWANCE = several("allowance", "[SEAM=]LENGTH", "Seam allowance, like 15mm, hem=4cm or 'back side=2cm'.")
DO = several("do", "ALTERATION=AMOUNT", "An alteration; may be given several times.")
CLIENT = text("client", None, "Your own name for the client; it is written on what is made.")
DAY = text("day", "DATE", "The day to write on it, like 2026-11-25; without it, today.")
KEEP_UNTIL = text("keep_until", "DATE", "How long photos may be kept, like 2026-12-01.")
FOCAL = text("focal", "MM", "Focal length as 35 mm equivalent, if the file has none.", kind=float)
HIP_WIDTH = text("hip_width", "LENGTH", "Width over the hip line, if no sheet is in view.")
HIP_GIRTH = text("hip_girth", "LENGTH", "Tells the body's depth where no side picture does.")
BODY_MEASURES = several("measures", "NAME=LENGTH", "A measure of the client, like hip=94cm; several.", "--body-measure")
CASE = argument("name", "NAME", "Your own name for the case, or its folder.")
CASES_IN = text("given", "DIR", "The folder of the cases; without it, cases/ in this folder.", "--in")

# -- rules -------------------------------------------------------------------------------------------------------------

_rules = partial(declare, _group("rules", "The rules: check them, test them, read them."))
_rules("check", "rules:check", "Look for faults in all rule files at once. Exit 0: clean; 1: faults.", FOLDER, GARMENT)
_rules(
    "test", "rules:test", "Run the cases that stand beside the causes. Exit 0: all as expected; 1: not.", FOLDER,
    GARMENT,
)
_rules(
    "show", "rules:show", "Show one rule as a readable page.",
    argument("rule", "ID", "The id of a symptom, body note, cause, alteration or source."), RULES, UNITS,
)
_rules(
    "list", "rules:list_rules", "List the ids and titles of one kind of rule.",
    argument("kind", "KIND", "symptoms, body-notes, causes, alterations or sources."), RULES,
)
_rules(
    "coverage", "rules:show_coverage",
    "Show what no case exercises and what no answers can tell. Exit 0: nothing; 1: gaps.", FOLDER, GARMENT,
)
_rules(
    "sensitivity", "rules:show_sensitivity",
    "Show which strengths, moved by one word, change the first recommendation of a case.", FOLDER, GARMENT,
)
_rules(
    "drawings", "rules:drawings", "Write every sign drawn, station by station, numbered as the interview numbers them.",
    text("to", "FILE", "The sheet to write: .pdf or .html.", needed=True), PAPER, UNITS, RULES, REPLACE,
)
_rules(
    "words", "misses:show", "List what was typed in interviews and not understood. It is kept on this machine only.",
    switch("forget", "Forget them."),
)
_rules(
    "new", "rules:new_rule", "Write a template for a new rule that passes the checks, to be filled in.",
    argument("kind", "KIND", "cause, symptom or alteration."),
    argument("rule", "ID", "Its id, in lower-case words joined by hyphens."),
    text("area", "AREA", "The area (or for a symptom the view) it belongs to.", "--in", "new"), RULES,
)

# -- pictures ----------------------------------------------------------------------------------------------------------

_photo = partial(
    declare, _group("photo", "Pictures: take them in, mark them, measure them; the card that asks for them."),
)
_photo(
    "add", "photo:add", "Take pictures in: upright, without location or camera data. The originals stay as they are.",
    argument("given", "VIEW=PICTURE...", "Like back=IMG_1.jpg; front, back, left, right.", list[str]),
    text("to", "FOLDER", "Where the cleaned copies go.", needed=True),
    text("face_above", "ROW", "Paint over all above this row, like a face.", "--cover-above", kind=int), FOCAL,
    HIP_WIDTH,
)
_photo(
    "read", "read:read",
    "Read pictures without marking them: lines are found, you say yes on one page, and the findings are written.",
    argument("pictures", "PICTURE...", "Pictures of one fitting: back.jpg left.jpg, or back=IMG_1.jpg.", list[str]),
    text("to", "FOLDER", "Where cleaned copies go; else a folder 'read' beside them."),
    switch("yes", "Take all lines that are not doubtful, without the page."),
    text("answer", "FILE", "What the page saved, if it lies elsewhere."), HIP_GIRTH, HIP_WIDTH,
    text("behind", "LENGTH", "How far the sheet hangs behind the side seams."), FOCAL,
    text("findings", "FILE", "Where the findings go; else beside the cleaned copies."), UNITS, RULES,
)
_photo(
    "mark", "photo:mark", "Write the page on which the lines of a picture are marked, in a browser, without a network.",
    argument("pictures", "PICTURE...", "Cleaned pictures.", list[str]),
    text("marks_file", "FILE", "The marks, if they lie elsewhere.", "--marks"), UNITS, REPLACE,
)
_photo(
    "measure", "photo:measure",
    "Measure marked pictures: tilt, drop, V, grain; each with its error and whether it may be used.",
    argument("pictures", "PICTURE...", "Marked pictures of one fitting.", list[str]),
    several("marks_files", "FILE", "Marks that lie elsewhere, one for each picture.", "--marks"), HIP_GIRTH,
    text("findings", "FILE", "Write the findings, for `fitdiag interview --photos`."),
    text("overlays", "FOLDER", "Where the drawn-on copies go, if not beside them."), UNITS, RULES, JSON, REPLACE,
)
_photo(
    "card", "photo:card", "Write the sheet that tells a client how to take pictures that can be measured.",
    text("to", "FILE", "The card: .html or .pdf.", needed=True),
    several("heights", "LINE=LENGTH", "Height of a line over the floor, like hip=86cm.", "--height"),
    text("keep_until", "DATE", "How long the pictures are kept.", default="the fitting ends"), PAPER, LARGE, ALONE, UNITS,
    RULES, REPLACE,
)

# -- the pattern -------------------------------------------------------------------------------------------------------

_pattern = partial(
    declare, _group("pattern", "The pattern: draft, fit, read, measure, walk, alter, darts, solve, draw."),
)
_pattern(
    "draft", "pattern:draft",
    "Draft a block from body measures by a published metric block; what the garment's block needs, it asks for.",
    text("--waist", None, "Waist girth."), text("--hip", None, "Hip girth."), text("--rise", None, "Body rise, seated."),
    text("waist_to_hip", None, "Waist to hip at the side."),
    text("waist_to_floor", None, "Waist to floor at the side."), text("bottom", None, "Width of the hem, flat."),
    text("length", None, "Finished length from the waist."), GARMENT, OUT, UNITS, JSON, REPLACE,
)
_pattern(
    "fit", "pattern:fit", "Estimate a paper pattern from the lengths a client can tape on it.",
    several("given", "NAME=LENGTH", "A length taped on the paper; give about ten.", "--length", needed=True), OUT,
    UNITS, JSON, REPLACE,
)
_pattern(
    "read", "pattern:read", "Read a pattern file, say what was taken from it, and write it in another format.",
    PATTERN_FILE, text("out", "FILE", "Write it as .yaml, .json, .svg or .dxf.", needed=True),
    text("line", "cut|stitch", "What an outline is, where the file does not say."),
    text("allowance", "LENGTH", "The allowance that a line to cut along holds."),
    text("dpi", "NUMBER", "Pixels to the inch of a drawing.", kind=float, min=20, max=2400), GARMENT, UNITS, REPLACE,
)
_pattern(
    "measure", "pattern:measure",
    "Measure a pattern: seams, grain, widths, angles; with body measures also beside what drafts give.", PATTERN_FILE,
    several("body", "NAME=LENGTH", "A body measure: what drafts give it."), UNITS, JSON,
)
_pattern(
    "walk", "pattern:walk", "Lay the sewn seams along each other, notch by notch, and say where they differ.",
    PATTERN_FILE, text("to", "FILE", "A drawing too: .svg or .pdf."), AS_CUT, UNITS, JSON, REPLACE,
)
_pattern(
    "alter", "pattern:alter", "Carry alterations out on a pattern and show what moves.", PATTERN_FILE, DO, AS_CUT,
    ALLOWANCE, OUT, CLIENT, DAY, UNITS, RULES, JSON, REPLACE,
)
_pattern(
    "solve", "pattern:solve",
    "Find the least amounts that bring measures to their targets, each alteration within its limit.", PATTERN_FILE, DO,
    several("until", "TARGET", "Like 'back hip >= 10 in'."), OUT, DAY, UNITS, RULES, JSON, REPLACE,
)
_pattern(
    "draw", "pattern:draw",
    "Draw alterations before and after, one after the other, or print the pieces at full scale.", PATTERN_FILE,
    text("to", "FILE", "The drawing: .svg or .pdf.", needed=True), DO,
    switch("strip", "A strip of small pictures, step by step."),
    text("sheets", "a4|letter", "The pieces at full scale, tiled, as .pdf."), AS_CUT, ALLOWANCE,
    several("band", "KIND=WIDTH", "With the sheets: straight=4cm, shaped=4cm or facing=6cm."), CLIENT, DAY, UNITS,
    RULES, REPLACE,
)
_WORK_ON_A_DART = (
    "'back 1 split', 'back 1 move=2 cm', 'back 2 turn=-3 cm', 'front 1 ease=5 mm'; darts count from the centre."
)
_pattern(
    "darts", "pattern:darts", "Split, move or turn darts, or ease them in; says what the waist does.", PATTERN_FILE,
    several("do", "WORK", _WORK_ON_A_DART, needed=True), OUT, UNITS, REPLACE,
)

# -- cases -------------------------------------------------------------------------------------------------------------

case_app = _group("case", "Clients and their rounds: new, consent, list, show, repair, close, export, delete.")
_case = partial(declare, case_app)
_case(
    "new", "case:new", "Begin a case: a folder for one client and garment.",
    argument("name", "NAME", "Your own name for client and garment."), UNITS,
    several("body", "NOTE[=GRADE]", "A body note, like flat-seat."),
    several("measure", "NAME=LENGTH", "A body measure, like 'hip=40 in'."),
    text("pattern", "FILE", "The pattern; it is copied into the case."),
    text("photos_consent", "yes|no", "Whether the client agreed to photos."), KEEP_UNTIL,
    several("note", "TEXT", "A note of your own."), ALONE, CASES_IN, RULES,
)
_case(
    "consent", "case:consent", "Write down whether the client agrees to photos.", CASE,
    argument("answer", "yes|no", "Whether the client agrees to photos now."), KEEP_UNTIL, CASES_IN,
)
_case(
    "body", "case:body",
    "Show how the rounds moved the simulated body, or take the last round's nudges back.", CASE,
    switch("back", "Take back what the last round taught.", "--take-back"), CASES_IN,
)
_case(
    "list", "case_list:show_list",
    "Show whose turn it is, since when, and what was advised last. Exit 1: a case cannot be read.", CASES_IN,
    switch("everything", "Closed cases too.", "--all"), JSON,
)
_case("show", "case:show", "Show one case with all its rounds.", CASE, CASES_IN)
_case(
    "repair", "case:repair",
    "Make missing or damaged files again from the logs of the rounds. Exit 1: something cannot be made again.", CASE,
    CASES_IN, RULES,
)
_case(
    "close", "case:close", "Close a case and say how it ended.", CASE, switch("fits", "It fits."),
    switch("given_up", "It was given up."), text("because", "TEXT", "In your own words."), CASES_IN,
)
_case(
    "export", "case:export", "Copy a case, as it is or without what says whose it is.", CASE,
    text("to", "FOLDER", "A new folder, or a file that ends in .zip.", needed=True),
    switch("anonymous", "Without name, photos, notes and free text; days counted from the opening."), CASES_IN, RULES,
)
_case(
    "delete", "case:delete", "Delete a case, after saying what goes.", CASE,
    switch("photos", "Only the photos and the marks on them."), switch("yes", "Do not ask."), CASES_IN,
)

# -- without a group ---------------------------------------------------------------------------------------------------

_top = partial(declare, app)
_top(
    "help", "main:show_help", "Show this help, or that of a command.",
    argument("words", "COMMAND", "The command to read about.", list[str] | None, None),
)
_top(
    "ease", "rules:ease", "Show the tables of ease, or hold body and pattern measures against them.",
    several("body", "NAME=LENGTH", "A body measure, like 'hip=40 in'."),
    several("pattern", "NAME=LENGTH", "The pattern's measure."), text("table", "ID", "Only this table."), UNITS, RULES,
)
_top(
    "diagnose", "diagnose:diagnose", "From a findings file to beliefs and a ranked alteration list.",
    argument("path", "FINDINGS.yaml", "A findings file (schema fitdiag.findings/1)."),
    switch("as_json", "One JSON object (schema fitdiag.diagnosis/1).", "--json"),
    switch("steps", "With the steps for cloth and paper."), FULL, ALONE, PATTERN,
    switch("first_cut", "The pattern lies as it was before the earlier rounds."),
    switch("drape", "Show each alteration on simulated cloth; needs --pattern and a hip girth."), BODY_MEASURES, RULES,
    UNITS,
)
_top(
    "interview", "terminal:interview", "Ask about a muslin, one question at a time, and end with the list.",
    text("log_path", "FILE", "Where to keep the session; without it, in the folder sessions/.", "--log"),
    text("resume", "LOG|CASE", "Go on with an earlier session, or with a case's last round."),
    text("answers", "FILE", "Take all answers from a findings file; ask nothing."),
    text("client", None, "Your own name for the client."), UNITS, RULES, PATTERN,
    text("photos", "FILE", "Findings measured in pictures, to be confirmed one by one."), FULL, ALONE,
    switch("new_rules", "Resume although the rules have changed since."),
)
_top(
    "replay", "work:replay_log", "Work a session out again under today's rules, and show what differs.", LOG, FULL,
    RULES,
)
_top(
    "export", "work:export", "Write the alteration list of a session to a file, or the page the client takes home.",
    LOG,
    text("to", "FILE", "The list to write: .md, .csv, .json or .txt; .html or .pdf is the client's page.", needed=True),
    text("client", None, "Your own name for the client; without it, the log's."), UNITS, RULES, LARGE, ALONE, PAPER,
    REPLACE,
)
_top(
    "demo", "work:demo", "Replay a shipped session: findings, beliefs, plan, and the exported list.",
    text("to", "FOLDER", "Where the exported list goes.", default="fitdiag-demo"),
)
_top(
    "drape", "drape:drape_muslin",
    "Show the next muslin before it is sewn: the pattern as simulated cloth on a body of the client's measures.",
    PATTERN_FILE, DO, BODY_MEASURES,
    several("notes", "NOTE", "A body note, like flat-seat, flat-seat=marked or 'flat-seat=1.5 cm'.", "--body"),
    text("cloth", "NAME", "A kind of cloth of the rule folder.", default="calico-medium"),
    text("drop", "LENGTH", "How far below the client's waist it is worn; -3cm: above.", "--waist-drop"),
    switch("hung", "The waist hangs from the hips instead of being held."),
    text("explain", "FINDINGS.yaml", "FILE is the right pattern: which likely cause draws what was seen?"),
    switch("quick", "One dressing only, without how far two differ."),
    text("to", "FILE", "Draw before and after: .png, .pdf or .html."),
    text("photo", "PICTURE", "A marked picture: the simulated lines are laid over it, with --to over.png."), UNITS,
    RULES, JSON, REPLACE,
)
_top(
    "review", "review:review",
    "Carry a case through its round: what came in, questions, diagnosis, documents. Stops anywhere, goes on later.",
    CASE, CASES_IN, several("photos", "VIEW=FILE", "A picture that came, like back=IMG_1.jpg.", "--photo"),
    text("form", "FILE", "The client's form, or the mail it is in."),
    text("findings", "FILE", "What you saw yourself, as a findings file."),
    several("done", "ALTERATION=AMOUNT", "What was really done last time; =no if it was not."),
    switch("no_questions", "Ask nothing; measured findings count as they are."),
    switch("send_form", "Write the client's form now, and wait for the answer."),
    switch("sent", "Write down that the pages went to the client."), switch("fits", "Write down that it fits."), LARGE,
    PAPER, switch("no_drape", "Do not show the plan on simulated cloth; saves half a minute."), FULL,
    switch("alone", "For somebody who fits herself, from now on in every round; or no longer so.", "--alone/--with-help",
           None),
    RULES,
)
_top(
    "learn", "learn:learn", "Learn from sessions which strengths would change. The rules stay as they are.",
    argument("paths", "PATH...", "Session logs, cases, or folders of them.", list[str]), RULES,
    text("to", "FILE", "Write the changes as a patch to accept.", "--patch"),
    JSON, REPLACE,
)
_top(
    "compare", "learn:compare",
    "Compare two fitters' sessions of the same muslin: where they differ, and which difference matters.",
    LOG.replace(name="one"), argument("other", "LOG", "Another fitter's, of the same muslin."), RULES, JSON,
)
