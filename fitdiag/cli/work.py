"""The commands that work from a session log: replay, export, demo."""

from __future__ import annotations

from pathlib import Path

from fitdiag.cli.arguments import folder_of
from fitdiag.cli.diagnose import in_units
from fitdiag.cli.output import say, width, write
from fitdiag.knowledge.load import load_rules, shipped
from fitdiag.problems import Where, one_line, stop
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import as_text, write_report
from fitdiag.sessions.log import read_log
from fitdiag.sessions.replay import Replay, replay
from fitdiag.sessions.state import conclude

DEMO_SESSION = "lamplighter-round-2.jsonl"


def replay_log(path: str, rules: str | None) -> int:
    base = load_rules(folder_of(rules))
    result = replay(read_log(Path(path)), base)
    write(as_text(make_report(base, result.conclusion, steps=False), base, width()))
    say_differences(result)
    return 0


def say_differences(result: Replay) -> None:
    """Whether the replay comes to the same as the session did, and if not, in what."""
    if result.rules_changed:
        say("The rules have changed since this session.")
    if result.differences:
        say("What differs from the session as it was:")
        for line in result.differences:
            say(f"- {line}")
    elif result.state.recorded is None:
        say("The session was left before its end; the list above rests on what was answered.")
    else:
        say("The same conclusions as when the session was held.")


def export(path: str, to: str, client: str | None, units: str | None, rules: str | None, *, replace: bool) -> int:
    base = load_rules(folder_of(rules))
    result = replay(read_log(Path(path)), base)
    findings = in_units(result.state.findings, units)
    report = make_report(base, conclude(base, findings), one_line(client or "", 80))
    write_report(report, base, Path(to), replace=replace)
    say(f"Written: {one_line(to)}")
    return 0


def demo(to: str) -> int:
    base = load_rules()
    log = read_log(shipped("sample_sessions") / DEMO_SESSION)
    result = replay(log, base)
    report = make_report(base, result.conclusion)
    say(
        "A shipped session, replayed: the wardrobe of a small touring theatre reviews the second muslin of the lamplighter."
    )
    say()
    write(as_text(make_report(base, result.conclusion, steps=False), base, width()))
    folder = Path(to)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise stop(
            "cannot-save", f"this folder cannot be made: {one_line(error.strerror or error)}", where=Where(one_line(to))
        ) from None
    written = folder / "lamplighter.md"
    write_report(report, base, written, replace=True)
    say_differences(result)
    say(f"The list as a document: {one_line(written)}")
    say("Your own: fitdiag interview")
    return 0


def session_name(folder: Path, client: str, day: str) -> Path:
    """A free name for a new log: `sessions/2026-11-25-lamplighter.jsonl`; a name cannot leave the folder."""
    slug = "-".join("".join(char if char.isalnum() and char.isascii() else " " for char in client.lower()).split())[:40]
    stem = f"{day}-{slug}" if slug else f"{day}-fitting"
    try:
        for number in range(1, 1000):
            path = folder / (f"{stem}.jsonl" if number == 1 else f"{stem}-{number}.jsonl")
            if not path.exists():
                return path
    except OSError as error:
        told = one_line(error.strerror or error)
        raise stop(
            "unreadable",
            f"this folder cannot be used: {told}",
            where=Where(one_line(folder)),
            hint="give a name with --log",
        ) from None
    raise stop(
        "too-many",
        "there are too many sessions of this name today",
        where=Where(one_line(folder)),
        hint="give a name with --log",
    )
