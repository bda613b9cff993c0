"""The cases beside the rules: small fittings with the outcome a rule promises, run by `fitdiag rules test`.

The tester tests the tests too: no duplicates, no unknown ids, no case that expects nothing.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.knowledge.findings import Findings, Side, findings_in
from fitdiag.knowledge.load import problems_of
from fitdiag.knowledge.model import Id, Rule, RuleBase, Text, YesNo
from fitdiag.knowledge.strict_yaml import Document, read_yaml
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import make_plan
from fitdiag.problems import Problem, ProblemsFoundError, Where
from fitdiag.units import InvalidLengthError, format_length, parse_length

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
    cause_file: str


def read_cases(folder: Path, base: RuleBase) -> tuple[tuple[Case, ...], list[Problem]]:
    """All cases of a rule base folder, and every problem of their files."""
    cases: list[Case] = []
    problems: list[Problem] = []
    names: dict[str, Where] = {}
    contents: dict[str, Where] = {}
    for path in sorted(folder.glob("causes/**/*.cases.yaml")):
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
                case = _case(document, index, base, stem)
            except ProblemsFoundError as stopped:
                problems.extend(stopped.problems)
                continue
            content = json.dumps(
                [document.data[index].get(key) for key in ("body", "symptoms", "done", "measures")], sort_keys=True
            )
            for table, key, what in ((names, case.name, "this name"), (contents, content, "these findings")):
                if key in table:
                    problems.append(
                        Problem(
                            "duplicate-case", f"a case with {what} stands at {table[key]}", case.where, "take one out"
                        )
                    )
                table.setdefault(key, case.where)
            cases.append(case)
    return tuple(cases), problems


def _case(document: Document, index: int, base: RuleBase, stem: str) -> Case:
    data: Any = document.data[index]
    where = document.where((index,))
    findings = findings_in(document, (index,), data, base, extra_keys=("name", "source", "expect"), needs_schema=False)
    name = data.get("name")
    if not isinstance(name, str) or not name.strip():
        raise ProblemsFoundError(Problem("case", "a case needs a name", where))
    raw = data.get("expect")
    if not isinstance(raw, Mapping) or not raw:
        raise ProblemsFoundError(
            Problem("case", f"'{name}' expects nothing", where, "say what should lead or come first")
        )
    try:
        expect = Expect.model_validate(raw)
    except ValidationError as error:
        raise ProblemsFoundError(list(problems_of(error, document, (index, "expect"), Expect))) from None
    unknown = [cause for cause in (expect.leads, *expect.quiet) if cause and cause not in base.causes]
    named = (expect.first, *expect.recommends, *expect.only_if, *expect.leave_alone)
    unknown += [alteration for alteration in named if alteration and alteration not in base.alterations]
    unknown += [symptom for symptom in expect.only_if.values() if symptom not in base.symptoms]
    if unknown:
        at = document.where((index, "expect"))
        raise ProblemsFoundError(
            [Problem("unknown-id", f"'{name}' expects an unknown id '{rule}'", at) for rule in unknown]
        )
    return Case(name, where, findings, expect, stem)


def run_case(base: RuleBase, case: Case) -> list[Problem]:
    """What came out otherwise than the case expects; empty when all is as expected."""
    diagnosis = Diagnosis(base, with_measures(base, case.findings))
    plan = make_plan(diagnosis)
    expect, wrong = case.expect, list[str]()
    ranking = ", ".join(f"{belief.cause} {belief.probability:.2f}" for belief in diagnosis.beliefs[:3])
    if expect.leads and diagnosis.beliefs[0].cause != expect.leads:
        wrong.append(f"{expect.leads} should lead, but: {ranking}")
    for cause in expect.quiet:
        if diagnosis.probability[cause] >= QUIET_BELOW:
            wrong.append(f"{cause} should be quiet, but has {diagnosis.probability[cause]:.2f}")
    by_id = {item.alteration: item for item in plan.recommendations}
    listed = ", ".join(by_id) or "nothing"
    first = plan.recommendations[0] if plan.recommendations else None
    if expect.first and (first is None or first.alteration != expect.first):
        wrong.append(f"{expect.first} should come first, but the list is: {listed} ({ranking})")
    for alteration in expect.recommends:
        if alteration not in by_id:
            wrong.append(f"{alteration} should be in the list, but it is: {listed} ({ranking})")
    if expect.amount and first is not None:
        try:
            wanted = format_length(parse_length(expect.amount).mm, case.findings.units)
        except InvalidLengthError as error:
            wanted = str(error)
        if first.amount.text != wanted:
            wrong.append(f"the amount should be {wanted}, but is {first.amount.text}")
    if expect.side and first is not None and first.side != expect.side:
        wrong.append(f"the side should be {expect.side}, but is {first.side}")
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
