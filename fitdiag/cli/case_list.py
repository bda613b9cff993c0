"""`fitdiag case list`: whose turn it is in each case."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitdiag.cli.output import counted, say_all, say_aside, say_problems, write_data
from fitdiag.problems import ProblemsFoundError, command
from fitdiag.sessions.case_list import CaseList, last_advised, list_cases, recover, to_do

if TYPE_CHECKING:
    from fitdiag.sessions.case_files import Case

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


def case_if_any(name: str) -> Path | None:
    """The folder of the case of that name; None if there is none."""
    try:
        return case_folder(name)
    except ProblemsFoundError as stopped:
        if stopped.problems[0].code != "no-case":
            raise
        return None


def show_list(given: str | None, *, as_json: bool, everything: bool, today: date | None = None) -> int:
    parent, day = parent_of(given), today or date.today()
    found = list_cases(parent) if given or parent.exists() else CaseList(())
    if as_json:
        rows = [_data(case, day) for case in found.cases]
        unread = [str(problem) for problem in found.problems]
        write_data({"schema": LIST_SCHEMA, "today": day.isoformat(), "cases": rows, "unreadable": unread})
    else:
        say_all(list_lines(found, day, everything=everything))
    say_problems(found.problems)
    return 1 if found.problems else 0


def _data(case: Case, today: date) -> dict[str, Any]:
    """A case as a row of the list in JSON."""
    advised, advised_in = last_advised(case)
    keep_until = _keep_until(case)
    return {
        "folder": case.folder.name, "name": case.name, "garment": case.garment, "opened": case.opened.isoformat(),
        "waiting": case.waiting, "since": case.since.isoformat(), "to_do": to_do(case),
        "keep_until": keep_until.isoformat() if keep_until else "",
        "closed": case.closed.day.isoformat() if case.closed else "",
        "outcome": case.closed.outcome if case.closed else "",
        "advised": advised, "round": case.last_round.number if case.last_round else 0, "advised_in": advised_in,
        "days": None if case.closed else _days(case, today),
        "days_left": (keep_until - today).days if keep_until else None,
    }  # fmt: skip


def _days(case: Case, today: date) -> int:
    """How many days somebody has been waiting."""
    return max(0, (today - case.since).days)


def _keep_until(case: Case) -> date | None:
    """Until when photos may still be kept; None without a limit, or if they are deleted."""
    return case.consent.keep_until if not case.consent.removed else None


def list_lines(found: CaseList, today: date, *, everything: bool = False) -> list[str]:
    """The list as paragraphs: whose turn it is, longest wait first, then photos due for deletion."""
    turns = [("YOUR TURN", "fitter"), ("THE CLIENT'S TURN", "client"), *([("CLOSED", "")] if everything else [])]
    by_turn = [(title, [case for case in found.cases if case.waiting == waiting]) for title, waiting in turns]
    sections = [
        (title, len(cases), [line for case in cases for line in _row_lines(case, today)]) for title, cases in by_turn
    ]
    reminders = _reminders(found.cases, today)
    sections.append(("PHOTOS", len(reminders), reminders))
    lines = [line for title, count, inner in sections if count for line in ("", f"{title} ({count})", *inner)]
    closed = sum(not case.waiting for case in found.cases)
    if closed and not everything:
        lines += ["", f"{closed} closed; `fitdiag case list --all` shows them."]
    if not found.cases and not found.problems:
        lines += ["", "No cases here yet. Begin one: fitdiag case new 'the lamplighter'"]
    return lines[1:]


def _row_lines(case: Case, today: date) -> list[str]:
    from fitdiag.sessions.case import told_apart

    number = case.last_round.number if case.last_round else 0
    name = f"  {told_apart(case)}{f', round {number}' if number else ''}"
    if case.closed:
        return [f"{name}: {case.closed.outcome}, {case.closed.day}"]
    days, next_thing, (advised, advised_in) = _days(case, today), to_do(case), last_advised(case)
    if case.waiting == "client" and days >= _LONG_DAYS:
        next_thing = f"ask how it goes; {next_thing.rpartition(', ')[2]}"
    when = f" in round {advised_in}" if advised_in != number else ""
    return [f"{name} ({counted(days, 'day')}): {next_thing}", *([f"    advised{when}: {advised}"] if advised else [])]


def _holds_photos(case: Case) -> bool:
    return any(one.photos.is_dir() and any(one.photos.iterdir()) for one in case.rounds)


def _reminders(cases: Iterable[Case], today: date) -> list[str]:
    """The photos whose time is over or soon will be; a promise about photos that never came asks for nothing."""
    due = ((until, case) for case in cases if (until := _keep_until(case)) and (until - today).days <= _SOON_DAYS)
    held = [(until, case) for until, case in due if _holds_photos(case)]
    lines = []
    for until, case in sorted(held, key=lambda one: (one[0], one[1].name)):
        left, remove = (until - today).days, f"{case_command('case', 'delete', case.folder)} --photos"
        text = f"{counted(left, 'day')} left" if left >= 0 else f"OVERDUE by {counted(-left, 'day')}; {remove}"
        lines.append(f"  {case.name}: photos kept until {until}: {text}")
    return lines
