"""`fitdiag case list`: whose turn it is in which case, and where cases lie; read without what opening a case needs."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

from rich.cells import cell_len as cells
from rich.cells import set_cell_size

from fitdiag.cli.output import counted, say_aside, say_problems, width, write, write_data
from fitdiag.problems import command
from fitdiag.sessions.case_list import CaseList, Row, list_cases, recover

DEFAULT_FOLDER = "cases"
LIST_SCHEMA = "fitdiag.case-list/1"
_LONG_DAYS = 21  # so long without a word, and the fitter asks; a fitter's judgement
_TO_DO_CELLS = 35  # "wait for the form, sent 2026-11-02" is the longest
_SOON_DAYS = 30  # so many days before the end the list reminds of the photos


def parent_of(given: str | None) -> Path:
    """The folder that holds the cases, with everything cleaned up there that a killed command left."""
    parent = Path(given or DEFAULT_FOLDER)
    for told in recover(parent):
        say_aside(told)
    return parent


def case_command(*words: str | Path) -> str:
    """A command about a case, which is named by its folder; where the cases lie elsewhere, it says so."""
    *first, folder = words
    elsewhere = Path(folder).parent != Path(DEFAULT_FOLDER)
    return command("fitdiag", *first, Path(folder).name, *(("--in", Path(folder).parent) if elsewhere else ()))


def case_folder(name: str, given: str | None = None) -> Path:
    """The folder of the case meant, or one clear message."""
    from fitdiag.sessions.case import find_case

    return find_case(parent_of(given), name)


# -- list --------------------------------------------------------------------------------------------------------------


def show_list(given: str | None, *, as_json: bool, everything: bool, today: date | None = None) -> int:
    parent, day = parent_of(given), today or date.today()
    found = list_cases(parent) if given or parent.exists() else CaseList(())
    if as_json:
        write_data(list_data(found, day))
    else:
        write("\n".join(list_lines(found, day, width(), everything=everything)))
    say_problems(found.problems)
    return 1 if found.problems else 0


def list_data(found: CaseList, today: date) -> dict[str, Any]:
    """The list as one JSON object, closed cases too."""
    rows = [
        {**row._asdict(), "days": None if row.closed else row.days(today), "days_left": row.days_left(today)}
        for row in found.rows
    ]
    unread = [str(problem) for problem in found.problems]
    return {"schema": LIST_SCHEMA, "today": today.isoformat(), "cases": rows, "unreadable": unread}


def list_lines(found: CaseList, today: date, columns: int, *, everything: bool = False) -> list[str]:
    """The list for a terminal or a pipe: whose turn it is, the longest wait first, then the photos to think of."""
    groups = (("YOUR TURN", "fitter"), ("THE CLIENT'S TURN", "client"), *((("CLOSED", ""),) if everything else ()))
    longest = max((cells(row.name) for row in found.rows if row.waiting or everything), default=4)
    room = columns - 16 - _TO_DO_CELLS
    # where it is narrow, what to do has a line of its own
    names = max(4, min(longest, room if room > 12 else columns - 14))
    lines: list[str] = []
    for title, waiting in groups:
        rows = [row for row in found.rows if row.waiting == waiting]
        if rows:
            head = f" days  round  {'case':{names}}  {'to do' if waiting else 'how it ended'}"
            lines += ["", f"{title} ({len(rows)})", head if room > 12 else " days  round  case"]
            for row in rows:
                lines += _row_lines(row, today, names, columns)
    reminders = _reminders(found.rows, today)
    if reminders:
        lines += ["", f"PHOTOS ({len(reminders)})"]
        for told in reminders:
            lines += folded(told, columns, "  ", "    ")
    closed = sum(not row.waiting for row in found.rows)
    if closed and not everything:
        lines += ["", f"{closed} closed; `fitdiag case list --all` shows them."]
    if not found.rows and not found.problems:
        lines += ["", "No cases here yet. Begin one: fitdiag case new 'the lamplighter'"]
    return lines[1:]


def _row_lines(row: Row, today: date, names: int, columns: int) -> list[str]:
    days = row.days(today)
    if row.closed:
        head, to_do = "", f"{row.outcome}, {row.closed}"
    else:
        head = str(days)
        to_do = row.to_do
        if row.waiting == "client" and days >= _LONG_DAYS:
            to_do = f"ask how it goes; {to_do.rpartition(', ')[2]}"
    lines = [f"{head:>5}  {row.round or '-':>5}  {padded(row.name, names)}"]
    indent = " " * (16 + names)
    if columns - len(indent) >= _TO_DO_CELLS:
        lines[0] += f"  {to_do}"
    else:
        lines[0] = lines[0].rstrip()
        indent = " " * 7
        lines += folded(to_do, columns, indent, indent)
    if row.advised and not row.closed:
        told = f"advised in round {row.advised_in}: " if row.advised_in != row.round else "advised: "
        lines += folded(told + row.advised, columns, indent, indent)
    return lines


def _reminders(rows: Iterable[Row], today: date) -> list[str]:
    due = sorted(
        (left, row.name, row) for row in rows if (left := row.days_left(today)) is not None and left <= _SOON_DAYS
    )
    lines = []
    for left, name, row in due:
        remove = f"{command('fitdiag', 'case', 'delete', row.folder)} --photos"
        told = f"{counted(left, 'day')} left" if left >= 0 else f"OVERDUE by {counted(-left, 'day')}; {remove}"
        lines.append(f"{padded(name, 30).rstrip()}: photos kept until {row.keep_until}: {told}")
    return lines


def folded(text: str, columns: int, first: str, then: str) -> list[str]:
    """A text in lines of at most so many columns, broken between words; a longer word keeps its line."""
    if cells(first) + cells(text) <= columns:
        return [first + text]
    lines = [first]
    for word in text.split():
        gap = "" if lines[-1] in (first, then) else " "
        if gap and cells(lines[-1]) + 1 + cells(word) > columns:
            lines.append(then)
            gap = ""
        lines[-1] += gap + word
    return lines


def padded(text: str, columns: int) -> str:
    """A text cut or filled to a number of columns."""
    return set_cell_size(text if cells(text) <= columns else f"{set_cell_size(text, columns - 3)}...", columns)
