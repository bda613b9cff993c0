"""The cases beside the rules: small fittings with the outcome a rule promises, run by `fitdiag rules test`.

The tester tests the tests too: no duplicates, no unknown ids, no case that expects nothing.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.knowledge.basics import Id, Rule, Text, YesNo, source_key
from fitdiag.knowledge.findings import Findings, Side
from fitdiag.knowledge.findings_file import findings_in
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.reading import problems_of
from fitdiag.knowledge.strict_yaml import Document, read_yaml
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import make_plan
from fitdiag.problems import Hints, Problem, ProblemsFoundError, Where, one_line
from fitdiag.units import InvalidLengthError, Units, format_length, parse_length

QUIET_BELOW = 0.25  # a cause below this probability counts as quiet in a case


class Expect(Rule):
    """What a case expects; at least one thing."""

    leads: Id | None = None
    quiet: tuple[Id, ...] = ()
    first: Id | None = None
    recommends: tuple[Id, ...] = ()
    amount: Text | None = None
    side: Side | None = None
    only_if: Mapping[Id, Id] = Field(default_factory=dict)
    leave_alone: tuple[Id, ...] = ()
    nothing: YesNo = False


@dataclass(frozen=True)
class Case:
    """One case: where it stands, its findings, and what should come of them."""

    name: str
    where: Where
    findings: Findings
    expect: Expect


def read_cases(folder: Path, base: RuleBase) -> tuple[tuple[Case, ...], list[Problem]]:
    """All cases of a rule base folder, and every problem of their files."""
    cases: list[Case] = []
    problems: list[Problem] = []
    names: dict[Hashable, Where] = {}
    contents: dict[Hashable, Where] = {}
    hints = Hints()
    for path in sorted(path for path in folder.glob("causes/**/*.cases.yaml") if path.name[0] != "."):
        stem = path.name.removesuffix(".cases.yaml")
        try:
            document = read_yaml(path, what="case file")
        except ProblemsFoundError as stopped:
            problems.extend(stopped.problems)
            continue
        if stem not in base.causes:
            problems.append(
                Problem(
                    "cases",
                    f"there is no cause '{stem}' for these cases",
                    document.where(),
                    "name the file after its cause",
                )
            )
        if not isinstance(document.data, list):
            problems.append(Problem("cases", "a case file is a list ('- name: ...')", document.where()))
            continue
        for index in range(len(document.data)):
            try:
                case = _case(document, index, base, hints)
            except ProblemsFoundError as stopped:
                problems.extend(stopped.problems)
                continue
            for table, key, what in (
                (names, case.name, "this name"),
                (contents, _content(case.findings), "these findings"),
            ):
                if key in table:
                    problems.append(
                        Problem(
                            "duplicate-case", f"a case with {what} stands at {table[key]}", case.where, "take one out"
                        )
                    )
                table.setdefault(key, case.where)
            cases.append(case)
    return tuple(cases), problems


def _content(findings: Findings) -> Hashable:
    """What makes two cases the same fitting, however they are written."""
    tables = (findings.symptoms, findings.body, findings.body_measures, findings.pattern_measures, findings.tables)
    return (*(frozenset(table.items()) for table in tables), findings.done)


def _case(document: Document, index: int, base: RuleBase, hints: Hints) -> Case:
    """The case at `index`. Raises ProblemsFoundError with every fault of it."""
    data: Any = document.data[index]
    where, problems = document.where((index,)), list[Problem]()
    findings, expect = Findings(), Expect()
    try:
        extra = ("name", "source", "expect")
        findings = findings_in(document, (index,), data, base, extra_keys=extra, needs_schema=False, hints=hints)
    except ProblemsFoundError as stopped:
        problems.extend(stopped.problems)
    if not isinstance(data, Mapping):
        raise ProblemsFoundError(problems)
    name = data.get("name")
    if not isinstance(name, str) or not name.strip():
        problems.append(Problem("case", "a case needs a name", where, "say in a sentence what is seen"))
        name = "this case"
    name = one_line(name)
    if "source" in data:
        source = data["source"]
        if not isinstance(source, str) or source_key(source) not in base.sources:
            at, hint = document.where((index, "source")), hints.near(str(source), base.sources)
            problems.append(Problem("unknown-id", f"there is no source '{one_line(source, 60)}'", at, hint))
    raw = data.get("expect")
    try:
        expect = Expect.model_validate(raw) if isinstance(raw, Mapping) else expect
        if expect == Expect():  # also where everything in it is empty
            hint = "say what should lead or come first"
            problems.append(Problem("case", f"'{name}' expects nothing", document.where((index, "expect")), hint))
        problems.extend(_unknown(expect, document, index, base, hints))
    except ValidationError as error:
        problems.extend(problems_of(error, document, (index, "expect"), Expect, hints))
    if problems:
        raise ProblemsFoundError(problems)
    return Case(name, where, findings, expect)


def _unknown(expect: Expect, document: Document, index: int, base: RuleBase, hints: Hints) -> Iterator[Problem]:
    """Ids in an expectation that the rules do not know, and an amount that is none, each at its place."""
    named: list[tuple[tuple[str | int, ...], str, str]] = []
    named += [(("leads",), "cause", expect.leads)] if expect.leads else []
    named += [(("quiet", number), "cause", cause) for number, cause in enumerate(expect.quiet)]
    named += [(("first",), "alteration", expect.first)] if expect.first else []
    named += [(("recommends", number), "alteration", name) for number, name in enumerate(expect.recommends)]
    named += [(("leave_alone", number), "alteration", name) for number, name in enumerate(expect.leave_alone)]
    for name, symptom in expect.only_if.items():
        named += [(("only_if", name), "alteration", name), (("only_if", name), "symptom", symptom)]
    known: dict[str, Mapping[str, Any]] = {
        "cause": base.causes,
        "alteration": base.alterations,
        "symptom": base.symptoms,
    }
    for loc, kind, rule in named:
        if rule not in known[kind]:
            start = (index, "expect", *loc[:-1])
            where = document.where_key(start, rule) if loc[-1] == rule else document.where((*start, loc[-1]))
            yield Problem("unknown-id", f"there is no {kind} '{rule}'", where, hints.near(rule, known[kind]))
    try:
        if expect.amount:
            shown_amount(expect.amount, "in")
    except InvalidLengthError as error:
        yield Problem("amount", str(error), document.where((index, "expect", "amount")))


def shown_amount(text: str, units: Units) -> str:
    """An expected amount as a list shows it; words may stand before it, like `shorter by 1 cm`. Raises InvalidLengthError."""
    words = text.split(" ")
    start = next((place for place, word in enumerate(words) if word[:1].isdigit()), 0)
    return " ".join([*words[:start], format_length(parse_length(" ".join(words[start:])).mm, units)])


def run_case(base: RuleBase, case: Case) -> list[Problem]:
    """What came out otherwise than the case expects; empty when all is as expected."""
    diagnosis = Diagnosis(base, with_measures(base, case.findings))
    plan = make_plan(diagnosis)
    expect, wrong = case.expect, list[str]()
    ranking = ", ".join(f"{belief.cause} {belief.probability:.2f}" for belief in diagnosis.beliefs[:3])
    if expect.leads and (not diagnosis.beliefs or diagnosis.beliefs[0].cause != expect.leads):
        wrong.append(f"{expect.leads} should lead, but: {ranking}")
    for cause in expect.quiet:
        if (probability := diagnosis.probability.get(cause, 0.0)) >= QUIET_BELOW:
            wrong.append(f"{cause} should be quiet, but has {probability:.2f}")
    by_id = {item.alteration: item for item in plan.recommendations}
    listed = ", ".join(by_id) or "nothing"
    first = plan.recommendations[0] if plan.recommendations else None
    if expect.first and (first is None or first.alteration != expect.first):
        wrong.append(f"{expect.first} should come first, but the list is: {listed} ({ranking})")
    for alteration in expect.recommends:
        if alteration not in by_id:
            wrong.append(f"{alteration} should be in the list, but it is: {listed} ({ranking})")
    if expect.amount:
        wanted = shown_amount(expect.amount, case.findings.units)
        if first is None or first.amount.text not in (wanted, expect.amount):
            wrong.append(f"the amount should be {wanted}, but is {first.amount.text if first else 'none'}")
    if expect.side and (first is None or first.side != expect.side):
        wrong.append(f"the side should be {expect.side}, but is {first.side if first else 'none'}")
    for alteration, symptom in expect.only_if.items():
        item = by_id.get(alteration)
        if item is None or item.only_if_symptom != symptom:
            wrong.append(f"{alteration} should be there only if {symptom}, but the list is: {listed}")
    left = {item.alteration for item in plan.leave_alone}
    for alteration in expect.leave_alone:
        if alteration not in left:
            wrong.append(f"{alteration} should be left alone, but these are: {', '.join(sorted(left)) or 'none'}")
    if expect.nothing and plan.recommendations:
        wrong.append(f"nothing should be recommended, but the list is: {listed}")
    return [Problem("case-failed", f"{case.name}: {text}", case.where) for text in wrong]
