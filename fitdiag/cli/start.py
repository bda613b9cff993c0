"""The start screen: whose turn it is, and one key for each common task. It returns commands rather than running them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from fitdiag.cli.case_list import list_lines, parent_of
from fitdiag.cli.output import say, say_all
from fitdiag.cli.screen import Leave, Screen, ask_units, says_yes
from fitdiag.interview.telling import Line
from fitdiag.knowledge.folders import default_rules, garments
from fitdiag.problems import command, one_line
from fitdiag.sessions.case_list import TO_SEND, CaseList, list_cases, to_do
from fitdiag.sessions.log import SESSIONS

if TYPE_CHECKING:
    from fitdiag.sessions.case_files import Case

MOST = 9  # cases that have a key of their own
_AGAIN = "g"
KEYS: Mapping[str, str] = {
    "n": "new client",
    "f": "a quick fitting, without a case",
    "p": "practise on the sample",
    "c": "print the card that asks for pictures",
    "h": "help",
    "x": "leave",
}


def start() -> list[list[str]]:
    """Show the screen until something is chosen; return the commands to run in order, empty to leave."""
    screen, parent = Screen(), parent_of(None)
    found = list_cases(parent) if parent.exists() else CaseList(())
    open_cases = [case for case in found.cases if case.waiting][:MOST]
    screen.show([Line("fitdiag: from what is seen on a muslin to a short list of alterations")])
    if open_cases:
        say_all(["", *list_lines(found, date.today())])
    logs = (path for path in SESSIONS.glob("*.jsonl") if path.is_file())
    last = max(logs, key=lambda path: path.stat().st_mtime, default=None)  # the latest quick fitting
    try:
        chosen = screen.ask(
            _menu(open_cases, last), lambda typed: _commands(screen, typed, open_cases, last),
            "is none of the keys; h for help, x to leave",
        )  # fmt: skip
    except Leave:
        return []
    for words in chosen:
        say(f"\n{command('fitdiag', *words)}")
    return chosen


def _menu(open_cases: list[Case], last: Path | None) -> list[Line]:
    from fitdiag.sessions.case import told_apart

    cases = [Line(f"{number}  go on with {told_apart(case)}", "item") for number, case in enumerate(open_cases, 1)]
    cases += [Line(f"{_AGAIN}  go on with the last quick fitting, {one_line(last.stem, 40)}", "item")] if last else []
    keys = [Line(f"{key}  {text}", "item") for key, text in KEYS.items()]
    return [Line("What now? One key, then Enter.", "ask"), *cases, *keys]


def _commands(screen: Screen, typed: str, cases: list[Case], last: Path | None) -> list[list[str]] | None:
    """The commands for a key; None for an unknown key."""
    if last and typed == _AGAIN:
        return [["interview", "--resume", str(last)]]
    if typed.isdecimal() and 1 <= int(typed[:4]) <= len(cases):
        case = cases[int(typed) - 1]
        choices = "1 yes  2 not yet, look at the list again"
        sent = to_do(case) == TO_SEND and says_yes(screen, f"Sent to {case.name}?", choices)
        return [["review", case.folder.name, *(["--sent"] if sent else [])]]
    if typed in ("n", KEYS["n"]):
        screen.show([Line("Your own name for the client?", "ask")])
        name = screen.read().strip()
        return [["case", "new", name, *_for_what(screen)], ["review", name]] if name else []
    plain = {
        "f": [["interview"]], "p": [["demo"]], "c": [["photo", "card", "--to", "shot-card.pdf"]],
        "h": [["--help"]], "?": [["--help"]], "help": [["--help"]], "x": [], "q": [], "": [], "exit": [], "quit": [],
    }  # fmt: skip
    return plain.get(typed)


def _for_what(screen: Screen) -> list[str]:
    """Ask for the options of a new case: garment and units."""
    usual, known = default_rules().name, garments()
    items = "  ".join(f"{number} {name}" for number, name in enumerate(known, 1))
    named = {"": usual} | {str(number): name for number, name in enumerate(known, 1)} | {name: name for name in known}
    asked = [Line("Which garment?", "ask"), Line(items, "item"), Line(f"Enter for {usual}.", "hint")]
    garment = screen.ask(asked, named.get, "is none of these")
    return ["--units", ask_units(screen), *(["--rules", garment] if garment != usual else [])]
