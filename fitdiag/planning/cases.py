"""The cases beside the rules: small fittings with the outcome a rule promises, run by `fitdiag rules test`.

The tester tests the tests too: no duplicates, no unknown ids, no case that expects nothing.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, ValidationError, model_validator

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.knowledge.basics import Id, Names, Rule, Text, YesNo, ref
from fitdiag.knowledge.findings import Findings, Side
from fitdiag.knowledge.findings_file import findings_in
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.reading import problems_of, wrong
from fitdiag.knowledge.strict_yaml import Document, read_yaml
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import make_plan
from fitdiag.problems import Problem, ProblemsFoundError, Where, one_line
from fitdiag.units import InvalidLengthError, Units, format_length, parse_length

QUIET_BELOW = 0.25  # a cause below this probability counts as quiet in a case


def _named(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise wrong("case", "a case needs a name", "say in a sentence what is seen")
    return one_line(value)


def _some_length(text: str) -> str:
    try:
        shown_amount(text, "in")
    except InvalidLengthError as error:
        raise wrong("amount", str(error)) from None
    return text


_Cause = Annotated[Id, ref("cause")]
_Alteration = Annotated[Id, ref("alteration")]
_Symptom = Annotated[Id, ref("symptom")]


class Expect(Rule):
    """What a case expects; at least one thing."""

    leads: _Cause | None = None
    quiet: tuple[_Cause, ...] = ()
    first: _Alteration | None = None
    recommends: tuple[_Alteration, ...] = ()
    amount: Annotated[Text, AfterValidator(_some_length)] | None = None
    side: Side | None = None
    only_if: Mapping[_Alteration, _Symptom] = Field(default_factory=dict)
    leave_alone: tuple[_Alteration, ...] = ()
    nothing: YesNo = False

    @model_validator(mode="after")
    def _something(self) -> Expect:
        if not any(getattr(self, name) for name in type(self).model_fields):  # also where everything in it is empty
            raise wrong("case", "this case expects nothing", "say what should lead or come first")
        return self


class _Head(Rule):
    """What a case says beside its findings."""

    name: Annotated[str, BeforeValidator(_named)] = Field(default="", validate_default=True)
    source: Annotated[Text, ref("source")] | None = None
    expect: Expect = Field(default_factory=lambda: Expect.model_validate({}))


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
    known: dict[Hashable, Where] = {}  # names and findings, and where they stand
    tables = {"cause": base.causes, "alteration": base.alterations, "symptom": base.symptoms, "source": base.sources}
    names = Names(tables, lambda _: {})
    for path in sorted(path for path in folder.glob("causes/**/*.cases.yaml") if path.name[0] != "."):
        stem = path.name.removesuffix(".cases.yaml")
        try:
            document = read_yaml(path, what="case file")
        except ProblemsFoundError as stopped:
            problems.extend(stopped.problems)
            continue
        if stem not in base.causes:
            told, hint = f"there is no cause '{stem}' for these cases", "name the file after its cause"
            problems.append(Problem("cases", told, document.where(), hint))
        if not isinstance(document.data, list):
            problems.append(Problem("cases", "a case file is a list ('- name: ...')", document.where()))
            continue
        for index in range(len(document.data)):
            try:
                case = _case(document, index, base, names)
            except ProblemsFoundError as stopped:
                problems.extend(stopped.problems)
                continue
            for key, what in ((case.name, "this name"), (_content(case.findings), "these findings")):
                if (first := known.setdefault(key, case.where)) is not case.where:
                    told = f"a case with {what} stands at {first}"
                    problems.append(Problem("duplicate-case", told, case.where, "take one out"))
            cases.append(case)
    return tuple(cases), problems


def _content(findings: Findings) -> Hashable:
    """What makes two cases the same fitting, however they are written."""
    tables = (findings.symptoms, findings.body, findings.body_measures, findings.pattern_measures, findings.tables)
    return (*(frozenset(table.items()) for table in tables), findings.done)


def _case(document: Document, index: int, base: RuleBase, names: Names) -> Case:
    """The case at `index`. Raises ProblemsFoundError with every fault of it."""
    data: Any = document.data[index]
    problems: list[Problem] = []
    beside = tuple(_Head.model_fields)
    try:
        findings = findings_in(
            document, (index,), data, base, extra_keys=beside, needs_schema=False, hints=names.hints
        )  # fmt: skip
    except ProblemsFoundError as stopped:
        problems.extend(stopped.problems)
    try:
        said = {key: data[key] for key in beside if key in data} if isinstance(data, Mapping) else {}
        head = _Head.model_validate(said, context=names)
    except ValidationError as error:
        problems.extend(problems_of(error, document, (index,), _Head, names.hints) if isinstance(data, Mapping) else ())
    if problems:
        raise ProblemsFoundError(problems)
    return Case(head.name, document.where((index,)), findings, head.expect)


def shown_amount(text: str, units: Units) -> str:
    """An expected amount as a list shows it; words may stand before it, like `shorter by 1 cm`. Raises InvalidLengthError."""
    words = text.split(" ")
    start = next((place for place, word in enumerate(words) if word[:1].isdigit()), 0)
    return " ".join([*words[:start], format_length(parse_length(" ".join(words[start:])).mm, units)])


def run_case(base: RuleBase, case: Case) -> list[Problem]:
    """What came out otherwise than the case expects; empty when all is as expected."""
    diagnosis = Diagnosis(base, with_measures(base, case.findings))
    plan = make_plan(diagnosis)
    expect, otherwise = case.expect, list[str]()
    by_id = {item.alteration: item for item in plan.recommendations}
    first = plan.recommendations[0] if plan.recommendations else None
    amount = shown_amount(expect.amount, case.findings.units) if expect.amount else None

    def should(name: str, be: str, *, so: bool) -> None:
        if not so:
            otherwise.append(f"{name} should {be}")

    if expect.leads:
        should(expect.leads, "lead", so=bool(diagnosis.beliefs) and diagnosis.beliefs[0].cause == expect.leads)
    for cause in expect.quiet:
        probability = diagnosis.probability.get(cause, 0.0)
        should(cause, f"be quiet, but has {probability:.2f}", so=probability < QUIET_BELOW)
    if expect.first:
        should(expect.first, "come first", so=first is not None and first.alteration == expect.first)
    for alteration in expect.recommends:
        should(alteration, "be in the list", so=alteration in by_id)
    if amount:
        there = first.amount.text if first else "none"
        should("the amount", f"be {amount}, but is {there}", so=there in (amount, expect.amount))
    if expect.side:
        side = first.side if first else "none"
        should("the side", f"be {expect.side}, but is {side}", so=side == expect.side)
    for alteration, symptom in expect.only_if.items():
        item = by_id.get(alteration)
        should(alteration, f"be there only if {symptom}", so=item is not None and item.only_if_symptom == symptom)
    left = {item.alteration for item in plan.leave_alone}
    for alteration in expect.leave_alone:
        should(alteration, f"be left alone, but these are: {', '.join(sorted(left)) or 'none'}", so=alteration in left)
    if expect.nothing:
        should("nothing", "be recommended", so=first is None)
    ranking = ", ".join(f"{belief.cause} {belief.probability:.2f}" for belief in diagnosis.beliefs[:3])
    found = f"listed: {', '.join(by_id) or 'nothing'} ({ranking})"
    return [Problem("case-failed", f"{case.name}: {text}; {found}", case.where) for text in otherwise]
