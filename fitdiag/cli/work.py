"""The commands that work from a session log: replay, export, demo."""

from __future__ import annotations

import os
import re
from datetime import date
from itertools import count
from pathlib import Path

from fitdiag.cli.arguments import paper_of, rules_of
from fitdiag.cli.diagnose import in_units, say_list
from fitdiag.cli.output import save, say, say_all, width, write
from fitdiag.files import make_folder, refusals
from fitdiag.knowledge.load import load_rules, shipped
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.wearer import for_wearer
from fitdiag.problems import ProblemsFoundError, command, one_line, stop
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import PAGES, as_text, write_report
from fitdiag.sessions.log import ReadLog, day_of, read_log
from fitdiag.sessions.replay import Replay, replay
from fitdiag.sessions.state import Conclusion, conclude

DEMO_SESSION = "lamplighter-round-2.jsonl"


def log_of(given: str) -> Path:
    """The log meant: a file; or, by a client's name or case, the log of the last round."""
    if os.path.exists(given) or given.endswith(".jsonl") or "/" in given:  # noqa: PTH110 (a name too long is none)
        return Path(given)
    from fitdiag.cli.case_list import case_folder
    from fitdiag.sessions.case import open_case

    try:
        case = open_case(case_folder(given))
    except ProblemsFoundError as stopped:
        if stopped.problems[0].code != "no-case":
            raise
        return Path(given)
    if not case.rounds or not case.rounds[-1].log_file.exists():
        hint = f"{command('fitdiag', 'review', given)} begins it"
        raise stop("no-log", f"no round of {one_line(case.name, 60)} has begun", hint=hint)
    return case.rounds[-1].log_file


def fits_herself(log: Path) -> bool:
    """Whether a log is that of somebody who fits herself, by what it says itself or by its case."""
    from fitdiag.sessions.case import open_case
    from fitdiag.sessions.case_list import CASE_FILE

    if read_log(log).events[0].get("alone") is True:
        return True
    folder = log.absolute().parent.parent
    return log.name == "session.jsonl" and (folder / CASE_FILE).exists() and open_case(folder).alone


def replay_log(path: str, rules: str | None, *, full: bool) -> int:
    file = log_of(path)
    base = rules_of(rules, file)
    result = replay(read_log(file), base)
    say_list(base, result.conclusion, full=full)
    say_differences(result)
    return 0


def say_differences(result: Replay) -> None:
    """Whether the replay comes to the same as the session did, and if not, in what."""
    if result.rules_changed:
        say("The rules have changed since this session.")
    if result.differences:
        say("What differs from the session as it was:")
        say_all(f"- {line}" for line in result.differences)
    elif result.state.recorded is None:
        say("The session was left before its end; the list above rests on what was answered.")
    else:
        say("The same conclusions as when the session was held.")


def export(
    path: str, to: str, client: str | None, units: str | None, rules: str | None, *, replace: bool, large: bool,
    paper: str | None, alone: bool,
) -> int:  # fmt: skip
    kind = Path(to).suffix.lower()
    for given, option, kinds in ((large, "--large", PAGES), (paper, "--paper", (".pdf",))):
        if given and kind not in kinds:
            told = f"{option} is for the page the client takes home"
            raise stop("argument", told, where=to, hint=f"end the name in {' or '.join(kinds)}")
    file = log_of(path)
    alone = alone or fits_herself(file)
    base = rules_of(rules, file)
    log = read_log(file)
    result = replay(log, base)
    findings = in_units(result.state.findings, units)
    conclusion, name = conclude(base, findings), one_line(client or "", 80)
    if kind in PAGES:
        page = _client_page(base, log, conclusion, name, kind, paper, large=large, alone=alone)
        save(to, page, replace=replace)
    else:
        words = for_wearer(base, alone=True) if alone else base
        write_report(make_report(words, conclusion, name), Path(to), replace=replace)
        say(f"Written: {one_line(to)}")
    return 0


def _client_page(
    base: RuleBase, log: ReadLog, conclusion: Conclusion, client: str, kind: str, paper: str | None, *, large: bool,
    alone: bool,
) -> str | bytes:  # fmt: skip
    """The page for the client of a session in the room, who is asked for no photos."""
    from fitdiag.reports.client_pdf import client_pdf
    from fitdiag.reports.sheet import Heading, client_page, make_sheet

    findings = conclusion.diagnosis.findings
    number = max((item.round for item in findings.done), default=0) + 1
    day = next(filter(None, map(day_of, reversed(log.events))), date.today())  # of the last thing said in it
    heading = Heading(findings.units, client or findings.client, number, day)
    sheet = make_sheet(base, conclusion, heading, pattern=None, photographs_next=(), alone=alone)
    if kind == ".html":
        return client_page(sheet, large=large)
    return client_pdf(sheet, paper=paper_of(paper, findings.units), large=large)


def demo(to: str) -> int:
    base = load_rules()
    log = read_log(shipped("sample_sessions") / DEMO_SESSION)
    result = replay(log, base)
    report = make_report(base, result.conclusion)
    say("A shipped session, replayed: the wardrobe of a touring theatre reviews the lamplighter's second muslin.")
    say()
    write(as_text(make_report(base, result.conclusion, steps=False), width()))
    folder = Path(to)
    make_folder(folder)
    written = folder / "lamplighter.md"
    write_report(report, written, replace=True)
    say_differences(result)
    say(f"The list as a document: {one_line(written)}")
    say(f"Your own: {command('fitdiag', 'interview')}")
    return 0


def session_name(folder: Path, client: str, day: str) -> Path:
    """A free name for a new log: `sessions/2026-11-25-lamplighter.jsonl`; a name cannot leave the folder."""
    slug = re.sub("[^a-z0-9]+", "-", client.lower()).strip("-")[:40]
    names = (f"{day}-{slug or 'fitting'}{f'-{number}' if number > 1 else ''}.jsonl" for number in count(1))
    with refusals(folder, "this folder cannot be used", reading=True):
        return next(path for name in names if not (path := folder / name).exists())
