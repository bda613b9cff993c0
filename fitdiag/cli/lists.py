"""The commands that end in a list, from findings or from a session log: diagnose, replay, export, demo."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import replace as replace_fields
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from fitdiag.cli.arguments import ending_of, lengths, paper_of, rules_of, units_of
from fitdiag.cli.output import save, say, say_all, say_aside, width, write, write_data
from fitdiag.files import make_folder, write_atomically
from fitdiag.knowledge.findings import Done, Findings
from fitdiag.knowledge.findings_file import read_findings
from fitdiag.knowledge.folders import shipped
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.wearer import for_wearer
from fitdiag.planning.stages import Effects
from fitdiag.problems import command, one_line, shown_path, stop
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import PAGES, WRITERS, as_data, as_markdown, on_screen
from fitdiag.sessions.log import ReadLog, day_of, read_log
from fitdiag.sessions.state import Conclusion, conclude

if TYPE_CHECKING:
    from fitdiag.pattern.piece import Pattern
    from fitdiag.sessions.case_files import Case
    from fitdiag.sessions.replay import Replay

_ROUNDS_LEFT_OUT = 2  # in so many rounds nothing may have been altered; in more, the number is rather a slip
DEMO_SESSION = "lamplighter-round-2.jsonl"


def in_units(findings: Findings, units: str | None) -> Findings:
    """The findings in the given units, or in their own."""
    return replace_fields(findings, units=units_of(units)) if units else findings


def findings_given(path: str | Path, base: RuleBase) -> Findings:
    """The findings in a file that was named; says so where a round number under 'done' leaves out most rounds before it."""
    findings = read_findings(Path(path), base)
    rounds = {*(item.round for item in findings.done), *(item.round for item in findings.earlier)}
    last = max((item.round for item in findings.done), default=0)
    if last - len(rounds & set(range(1, last + 1))) > _ROUNDS_LEFT_OUT:
        say_aside(
            f"{shown_path(path)}: 'done' names round {last}, and most rounds before it are not there; is that the right number?"
        )
    return findings


def pattern_in(base: RuleBase, path: str | Path | None) -> Pattern | None:
    """Read a pattern of these rules' garment; None without a path."""
    if path is None:
        return None
    from fitdiag.pattern.formats import by_rules, read_pattern

    return read_pattern(str(path), by_rules(base))


def on_paper(base: RuleBase, case: Case, number: int) -> tuple[Pattern | None, tuple[Done, ...]]:
    """The client's pattern, and what was done of the rounds before this one that is not on it yet."""
    pattern = pattern_in(base, case.pattern_file)
    done = [item for item in case.done_before(number) if item.amount_mm]
    if pattern is None or not done:
        return pattern, ()
    from fitdiag.planning.effects import not_on_paper

    return pattern, not_on_paper(pattern, done)


def sewn(pattern: Pattern | None, earlier: Sequence[Done]) -> Pattern | None:
    """The pattern of a muslin: the one on paper after what was done `earlier` and is not on it yet."""
    if pattern is None or not earlier:
        return pattern
    from fitdiag.planning.effects import as_sewn

    return as_sewn(pattern, earlier)


def effects_of(
    base: RuleBase, conclusion: Conclusion, pattern: Pattern | None, *, earlier: Iterable[Done] = ()
) -> Effects | None:
    """The effects of the plan on a pattern, after what was done `earlier` and is not on it yet; None without a pattern."""
    if pattern is None:
        return None
    from fitdiag.planning.effects import effects

    return effects(base, conclusion.plan, conclusion.diagnosis.findings, pattern, earlier=earlier)


def say_list(
    base: RuleBase,
    conclusion: Conclusion,
    pattern: str | Path | None = None,
    *,
    earlier: Iterable[Done] = (),
    full: bool = False,
    more: str = "--full",
) -> None:
    """Print the list, one screen or in full, with its effects on a pattern; `more`: the option that shows the rest.

    `earlier`: what was done and is not on the pattern yet.
    """
    effects = effects_of(base, conclusion, pattern_in(base, pattern), earlier=earlier)
    write(on_screen(make_report(base, conclusion, steps=False, on_pattern=effects), width(), full=full, more=more))


def diagnose(path: str, *, as_json: bool, steps: bool, rules: str | None, units: str | None, pattern: str | None,
             first_cut: bool, drape: bool, measures: Sequence[str], full: bool, alone: bool) -> int:  # fmt: skip
    base = rules_of(rules, path)
    findings = in_units(findings_given(path, base), units)
    conclusion, on_paper = conclude(base, findings), pattern_in(base, pattern)
    effects, shown = effects_of(base, conclusion, on_paper, earlier=findings.done if first_cut else ()), None
    if drape:
        if on_paper is None:
            raise stop("argument", "without a pattern nothing can be draped", hint="add --pattern FILE")
        from fitdiag.cli.drape import simulated
        from fitdiag.drape.figure import MEASURES

        more, solved = lengths(measures, findings.units, MEASURES), effects.solved if effects is not None else None
        shown = simulated(base, conclusion, on_paper, more=more, solved=solved)
    if alone:
        base = for_wearer(base, alone=True)
    report = make_report(base, conclusion, steps=steps, on_pattern=effects, simulated=shown)
    if as_json:
        write_data(as_data(report))
    else:
        write(on_screen(report, width(), full=full or steps).rstrip("\n"))
    return 0


def log_of(given: str) -> Path:
    """The log file given, or the log of the last round of a case, given by the client's name or as a folder."""
    from fitdiag.sessions.case_list import CASE_FILE

    as_folder = os.path.exists(os.path.join(given, CASE_FILE))  # noqa: PTH110, PTH118 (a name too long is none)
    if not as_folder and (os.path.exists(given) or given.endswith(".jsonl") or "/" in given):  # noqa: PTH110 (the same)
        return Path(given)
    from fitdiag.cli.case_list import case_if_any
    from fitdiag.sessions.case import open_case

    folder = Path(given) if as_folder else case_if_any(given)
    if folder is None:
        return Path(given)
    case = open_case(folder)
    if not case.rounds or not case.rounds[-1].log_file.exists():
        hint = f"{command('fitdiag', 'review', given)} begins it"
        raise stop("no-log", f"no round of {one_line(case.name, 60)} has begun", hint=hint)
    return case.rounds[-1].log_file


def case_of(log: Path) -> Case | None:
    """The case that a log is a round of; None for a session of its own."""
    from fitdiag.sessions.case import open_case
    from fitdiag.sessions.case_list import CASE_FILE

    folder = log.absolute().parent.parent
    return open_case(folder) if log.name == "session.jsonl" and (folder / CASE_FILE).exists() else None


def fits_herself(log: Path) -> bool:
    """Whether a log or its case says that the wearer fits herself."""
    if read_log(log).events[0].get("alone") is True:
        return True
    case = case_of(log)
    return case is not None and case.alone


def _replayed(log: Path, rules: str | None) -> tuple[RuleBase, ReadLog, Replay]:
    """Replay a log; return the rules, the log and the result."""
    from fitdiag.sessions.replay import replay

    base = rules_of(rules, log)
    read = read_log(log)
    return base, read, replay(read, base)


def replay_log(path: str, rules: str | None, *, full: bool) -> int:
    base, _, result = _replayed(log_of(path), rules)
    say_list(base, result.conclusion, full=full)
    say_differences(result)
    return 0


def say_differences(result: Replay) -> None:
    """Print whether the replay reaches the session's conclusions, and any differences."""
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
    paper: str | None, alone: bool, pattern: str | None,
) -> int:  # fmt: skip
    """Write the list of a log, or the client's page (without asking for photos, as the client was present).

    Of a round of a case: the list that the fitter chose, drawn on the client's pattern.
    """
    kind = ending_of(to, *WRITERS, *PAGES)
    for given, option, kinds in ((large, "--large", PAGES), (paper, "--paper", (".pdf",))):
        if given and kind not in kinds:
            message = f"{option} is for the page the client takes home"
            raise stop("argument", message, where=to, hint=f"end the name in {' or '.join(kinds)}")
    file = log_of(path)
    alone = alone or fits_herself(file)
    base, log, result = _replayed(file, rules)
    findings = in_units(result.state.findings, units)
    conclusion, name = conclude(base, findings), one_line(client or "", 80)
    drawn_on, earlier = pattern_in(base, pattern), tuple[Done, ...]()
    number = max((item.round for item in findings.done), default=0) + 1
    case = case_of(file)
    if case is not None:
        if pattern:
            raise stop("argument", "a case has its own pattern", where=case.folder, hint="leave out --pattern")
        from fitdiag.sessions.rounds import choice_of

        one = next(one for one in case.rounds if one.folder.name == file.absolute().parent.name)
        chosen = choice_of(base, conclude(base, result.state.findings), one, case.units)
        conclusion = replace_fields(chosen, proposed=conclusion, units=findings.units).concluded()
        drawn_on, earlier = on_paper(base, case, one.number)
        number, name = one.number, name or one_line(case.name, 80)
    if kind not in PAGES:
        words = for_wearer(base, alone=True) if alone else base
        effects = effects_of(base, conclusion, drawn_on, earlier=earlier)
        save(to, WRITERS[kind](make_report(words, conclusion, name, on_pattern=effects)), replace=replace)
        return 0
    from fitdiag.reports.client_pdf import client_pdf
    from fitdiag.reports.sheet import Heading, client_page, make_sheet

    day = next(filter(None, map(day_of, reversed(log.events))), date.today())  # of the last event
    heading = Heading(findings.units, name or findings.client, number, day)
    sheet = make_sheet(base, conclusion, heading, pattern=sewn(drawn_on, earlier), photographs_next=(), alone=alone)
    if kind == ".html":
        save(to, client_page(sheet, large=large), replace=replace)
    else:
        save(to, client_pdf(sheet, paper=paper_of(paper, findings.units), large=large), replace=replace)
    return 0


def demo(to: str) -> int:
    base, _, result = _replayed(shipped("sample_sessions") / DEMO_SESSION, None)
    say("A shipped session, replayed: the wardrobe of a touring theatre reviews the lamplighter's second muslin.")
    say()
    say_list(base, result.conclusion, full=True)
    written = Path(to, "lamplighter.md")
    make_folder(written.parent)
    write_atomically(written, as_markdown(make_report(base, result.conclusion)), replace=True)
    say_differences(result)
    say(f"The list as a document: {one_line(written)}")
    say(f"Your own: {command('fitdiag', 'interview')}")
    return 0
