"""The `fitdiag rules …` commands."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from fitdiag.cli.arguments import folder_of, units_of
from fitdiag.cli.output import say, say_problems, width, write
from fitdiag.diagnosis.exact import WIDEST
from fitdiag.diagnosis.survey import width as network_width
from fitdiag.files import write_atomically
from fitdiag.knowledge.check import check_rules
from fitdiag.knowledge.load import load_rules, read_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.page import page
from fitdiag.knowledge.strict_yaml import read_text
from fitdiag.knowledge.template import template
from fitdiag.planning.cases import read_cases, run_case
from fitdiag.planning.coverage import coverage, sensitivity
from fitdiag.problems import ProblemsFoundError, Where, one_line, stop


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


def show_coverage(given: str | None) -> int:
    folder = folder_of(given)
    base = load_rules(folder)
    cases, problems = read_cases(folder, base)
    problems += coverage(base, cases)
    say_problems(problems)
    gaps = f"{len(problems)} gap{'' if len(problems) == 1 else 's'}" if problems else "nothing is left out"
    say(f"{len(cases)} cases over {counts(base)}: {gaps}.")
    return 1 if problems else 0


def show_sensitivity(given: str | None) -> int:
    folder = folder_of(given)
    base = load_rules(folder)
    cases, problems = read_cases(folder, base)
    if problems:
        raise ProblemsFoundError(problems)
    found = sensitivity(base, cases)
    links = sum(len(cause.shows) for cause in base.causes.values())
    for sway in found:
        say(
            f"{sway.cause} shows {sway.symptom}: {sway.word} -> {sway.moved_to} changes the first recommendation of {len(sway.cases)}:"
        )
        for name in sway.cases:
            say(f"  - {name}")
    say(f"{len({(sway.cause, sway.symptom) for sway in found})} of {links} strengths change a first recommendation in {len(cases)} cases"
        " when moved by one word. There judgement counts; the others may be off by a word.")  # fmt: skip
    return 0


def new_rule(kind: str, rule_id: str, area: str, given: str | None) -> int:
    folder = folder_of(given)
    base = load_rules(folder)
    if kind not in ("cause", "symptom", "alteration"):
        raise stop("kind", f"'{one_line(kind, 30)}' cannot be begun here", hint="write cause, symptom or alteration")
    for text, what in ((rule_id, "an id"), (area, "an area")):
        if not re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", text) or len(text) > 60:
            raise stop(
                "id", f"'{one_line(text, 60)}' is not {what}", hint="lower-case words joined by hyphens, like flat-seat"
            )
    if base.find(rule_id) is not None:
        raise stop("taken", f"there is a rule '{rule_id}' already", hint=f"fitdiag rules show {rule_id}")
    relative, text = template(base, kind, rule_id, area)
    path = folder / relative
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        earlier = read_text(path) if kind == "symptom" and path.exists() else ""
    except OSError as error:
        raise stop(
            "cannot-save", f"this cannot be written: {one_line(error.strerror or error)}", where=Where(one_line(path))
        ) from None
    joined = f"{earlier.rstrip()}\n{text}" if earlier else text
    write_atomically(path, joined, replace=bool(earlier), private=False)
    say(f"Written: {one_line(path)}. It is a draft: fill in what says TO WRITE, then fitdiag rules check.")
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
