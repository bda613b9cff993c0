"""The `fitdiag rules …` commands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fitdiag.cli.arguments import folder_of, units_of
from fitdiag.cli.output import say, say_problems, width, write
from fitdiag.diagnosis.exact import WIDEST
from fitdiag.diagnosis.survey import width as network_width
from fitdiag.knowledge.check import check_rules
from fitdiag.knowledge.load import load_rules, read_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.page import page
from fitdiag.planning.cases import read_cases, run_case
from fitdiag.problems import one_line, stop


def counts(base: RuleBase) -> str:
    """What a rule base holds, in a line."""
    return (
        f"{len(base.symptoms)} symptoms, {len(base.body_notes)} body notes, {len(base.causes)} causes,"
        f" {len(base.alterations)} alterations, {len(base.order)} order rules, {len(base.sources)} sources"
    )


def check(given: str | None) -> int:
    folder = folder_of(given)
    base, problems = read_rules(folder)
    if base is not None and not problems:
        problems = check_rules(base)
        problems += read_cases(folder, base)[1]
    if base is not None and not problems:
        found = network_width(base)
        wide = "over the limit" if found.worst is None else str(found.worst)
        say(f"Clean: {counts(base)}.")
        say(
            f"Width of the network with {found.signs} signs seen at once ({found.draws} draws):"
            f" median {found.median}, worst {wide}; at most {WIDEST}."
        )
        return 1 if found.worst is None else 0
    say_problems(problems)
    say(f"{len(problems)} fault{'' if len(problems) == 1 else 's'}.")
    return 1


def test(given: str | None) -> int:
    folder = folder_of(given)
    base = load_rules(folder)
    cases, problems = read_cases(folder, base)
    failed = 0
    for case in cases:
        wrong = run_case(base, case)
        failed += bool(wrong)
        problems += wrong
    say_problems(problems)
    say(f"{len(cases)} cases: {len(cases) - failed} as expected, {failed} not.")
    return 1 if problems or not cases else 0


def show(rule: str, given: str | None, units: str | None) -> int:
    base = load_rules(folder_of(given))
    text = page(base, rule, units_of(units or "in"), width())
    if text is None:
        raise stop("unknown-id", f"there is no rule '{one_line(rule, 60)}'", hint=near_ids(base, rule))
    write(text)
    return 0


def near_ids(base: RuleBase, text: str) -> str:
    """A hint with the ids most like what was typed."""
    import difflib

    ids = [*base.symptoms, *base.body_notes, *base.causes, *base.alterations, *base.sources]
    near = difflib.get_close_matches(text, ids, 3)
    return f"did you mean {' or '.join(near)}?" if near else "`fitdiag rules list symptoms` shows the ids"


def list_rules(kind: str, given: str | None) -> int:
    base = load_rules(folder_of(given))
    tables: dict[str, Mapping[str, Any]] = {
        "symptoms": base.symptoms, "body-notes": base.body_notes, "causes": base.causes,
        "alterations": base.alterations, "sources": base.sources,
    }  # fmt: skip
    if kind not in tables:
        raise stop("kind", f"'{one_line(kind, 30)}' is not a kind of rule", hint=f"write {', '.join(tables)}")
    for rule_id, rule in tables[kind].items():
        say(f"{rule_id}: {rule.title}")
    return 0
