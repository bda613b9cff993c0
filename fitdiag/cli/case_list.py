"""`fitdiag case list`: whose turn it is in each case."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from pathlib import Path

from fitdiag.cli.output import counted, say_all, say_aside, say_problems, write_data
from fitdiag.problems import command
from fitdiag.sessions.case_list import CaseList, Row, list_cases, recover

DEFAULT_FOLDER = "cases"
LIST_SCHEMA = "fitdiag.case-list/1"
_LONG_DAYS = 21  # days without an answer before the fitter asks; a fitter's judgement
_SOON_DAYS = 30  # from so many days before consent ends, the list reminds of the photos


def parent_of(given: str | None) -> Path:
    """The folder of the cases, after cleaning up what killed commands left there."""
    parent = Path(given or DEFAULT_FOLDER)
    for message in recover(parent):
        say_aside(message)
    return parent


def case_command(*words: str | Path) -> str:
    """A command about a case, named by its folder; with `--in` if the cases are not in the usual place."""
    *first, folder = words
    elsewhere = Path(folder).parent != Path(DEFAULT_FOLDER)
    return command("fitdiag", *first, Path(folder).name, *(("--in", Path(folder).parent) if elsewhere else ()))


def case_folder(name: str, given: str | None = None) -> Path:
    """Find the folder of a case. Raises ProblemsFoundError."""
    from fitdiag.sessions.case import find_case

    return find_case(parent_of(given), name)


def show_list(given: str | None, *, as_json: bool, everything: bool, today: date | None = None) -> int:
    parent, day = parent_of(given), today or date.today()
    found = list_cases(parent) if given or parent.exists() else CaseList(())
    if as_json:
        rows = [
            {**row._asdict(), "days": None if row.closed else row.days(day), "days_left": row.days_left(day)}
            for row in found.rows
        ]
        unread = [str(problem) for problem in found.problems]
        write_data({"schema": LIST_SCHEMA, "today": day.isoformat(), "cases": rows, "unreadable": unread})
    else:
        say_all(list_lines(found, day, everything=everything))
    say_problems(found.problems)
    return 1 if found.problems else 0


def list_lines(found: CaseList, today: date, *, everything: bool = False) -> list[str]:
    """The list as paragraphs: whose turn it is, longest wait first, then photos due for deletion."""
    turns = [("YOUR TURN", "fitter"), ("THE CLIENT'S TURN", "client"), *([("CLOSED", "")] if everything else [])]
    by_turn = [(title, [row for row in found.rows if row.waiting == waiting]) for title, waiting in turns]
    sections = [
        (title, len(rows), [line for row in rows for line in _row_lines(row, today)]) for title, rows in by_turn
    ]
    reminders = _reminders(found.rows, today)
    sections.append(("PHOTOS", len(reminders), reminders))
    lines = [line for title, count, inner in sections if count for line in ("", f"{title} ({count})", *inner)]
    closed = sum(not row.waiting for row in found.rows)
    if closed and not everything:
        lines += ["", f"{closed} closed; `fitdiag case list --all` shows them."]
    if not found.rows and not found.problems:
        lines += ["", "No cases here yet. Begin one: fitdiag case new 'the lamplighter'"]
    return lines[1:]


def _row_lines(row: Row, today: date) -> list[str]:
    name = f"  {row.name}{f', round {row.round}' if row.round else ''}"
    if row.closed:
        return [f"{name}: {row.outcome}, {row.closed}"]
    days, to_do = row.days(today), row.to_do
    if row.waiting == "client" and days >= _LONG_DAYS:
        to_do = f"ask how it goes; {to_do.rpartition(', ')[2]}"
    when = f" in round {row.advised_in}" if row.advised_in != row.round else ""
    return [
        f"{name} ({counted(days, 'day')}): {to_do}",
        *([f"    advised{when}: {row.advised}"] if row.advised else []),
    ]


def _reminders(rows: Iterable[Row], today: date) -> list[str]:
    due = ((left, row) for row in rows if (left := row.days_left(today)) is not None and left <= _SOON_DAYS)
    lines = []
    for left, row in sorted(due, key=lambda one: (one[0], one[1].name)):
        remove = f"{command('fitdiag', 'case', 'delete', row.folder)} --photos"
        text = f"{counted(left, 'day')} left" if left >= 0 else f"OVERDUE by {counted(-left, 'day')}; {remove}"
        lines.append(f"  {row.name}: photos kept until {row.keep_until}: {text}")
    return lines
