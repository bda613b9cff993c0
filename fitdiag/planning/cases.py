"""The test cases kept with the rules: small fittings with an expected outcome, run by `fitdiag rules test`; and their gaps.

The cases are checked too: no duplicates, no unknown ids, none that expects nothing. `coverage` lists what no case exercises and
what the rules cannot tell apart; `sensitivity`, which strengths the outcomes depend on.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.diagnosis.survey import close_pairs, deciding_links
from fitdiag.knowledge.basics import AlterationId, CauseId, Cites, Rule, SymptomId, Text, YesNo
from fitdiag.knowledge.findings import Findings, Side
from fitdiag.knowledge.findings_file import FindingsFile, file_in
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.reading import wrong
from fitdiag.knowledge.strict_yaml import read_yaml
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import first_choice, make_plan
from fitdiag.problems import Hints, Problem, ProblemsFoundError, Where, one_line
from fitdiag.units import InvalidLengthError, Units, format_length, parse_length

QUIET_BELOW = 0.25  # a cause below this probability counts as quiet in a case
SEPARATED_BITS = 1.0  # below this, answering everything does not even double the odds between two causes
ALONE = 0.9  # a sign that makes a cause surer than this decides alone


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


class Expect(Rule):
    """What a case expects: at least one thing."""

    leads: CauseId | None = None
    quiet: tuple[CauseId, ...] = ()
    first: AlterationId | None = None
    recommends: tuple[AlterationId, ...] = ()
    amount: Annotated[Text, AfterValidator(_some_length)] | None = None
    side: Side | None = None
    only_if: Mapping[AlterationId, SymptomId] = Field(default_factory=dict)
    leave_alone: tuple[AlterationId, ...] = ()
    nothing: YesNo = False

    @model_validator(mode="after")
    def _something(self) -> Expect:
        if not any(getattr(self, name) for name in type(self).model_fields):  # also where everything in it is empty
            raise wrong("case", "this case expects nothing", "say what should lead or come first")
        return self


class _CaseFile(FindingsFile):
    """A case: findings, with a name, a source and what is expected."""

    name: Annotated[str, BeforeValidator(_named)] = Field(default="", validate_default=True)
    source: Cites | None = None
    expect: Expect = Field(default={}, validate_default=True)


@dataclass(frozen=True)
class Case:
    """One case: its place in the file, its findings, and the expected outcome."""

    name: str
    where: Where
    findings: Findings
    expect: Expect


def read_cases(folder: Path, base: RuleBase) -> tuple[tuple[Case, ...], list[Problem]]:
    """Read all cases of a rule base folder; return them with every problem in their files."""
    cases: list[Case] = []
    problems: list[Problem] = []
    known: dict[Hashable, Where] = {}  # names and findings, and where they first appear
    hints = Hints()
    for path in sorted(path for path in folder.glob("causes/**/*.cases.yaml") if path.name[0] != "."):
        stem = path.name.removesuffix(".cases.yaml")
        try:
            document = read_yaml(path, what="case file")
        except ProblemsFoundError as stopped:
            problems.extend(stopped.problems)
            continue
        if stem not in base.causes:
            message, hint = f"there is no cause '{stem}' for these cases", "name the file after its cause"
            problems.append(Problem("cases", message, document.where(), hint))
        if not isinstance(document.data, list):
            problems.append(Problem("cases", "a case file is a list ('- name: ...')", document.where()))
            continue
        for index in range(len(document.data)):
            try:
                file, findings = file_in(document, (index,), document.data[index], base, _CaseFile, hints)
            except ProblemsFoundError as stopped:
                problems.extend(stopped.problems)
                continue
            case = Case(file.name, document.where((index,)), findings, file.expect)
            for key, what in ((case.name, "this name"), (_content(case.findings), "these findings")):
                if (first := known.setdefault(key, case.where)) is not case.where:
                    message = f"a case with {what} is already at {first}"
                    problems.append(Problem("duplicate-case", message, case.where, "take one out"))
            cases.append(case)
    return tuple(cases), problems


def _content(findings: Findings) -> Hashable:
    """A key by which two cases are the same fitting, however they are written."""
    tables = (findings.symptoms, findings.body, findings.body_measures, findings.pattern_measures, findings.tables)
    return (*(frozenset(table.items()) for table in tables), findings.done)


def shown_amount(text: str, units: Units) -> str:
    """An expected amount as a list shows it; words may precede it, as in `shorter by 1 cm`. Raises InvalidLengthError."""
    words = text.split(" ")
    start = next((place for place, word in enumerate(words) if word[:1].isdigit()), 0)
    return " ".join([*words[:start], format_length(parse_length(" ".join(words[start:])).mm, units)])


def run_case(base: RuleBase, case: Case) -> list[Problem]:
    """Run a case; one problem for each expectation that is not met."""
    diagnosis = Diagnosis(base, with_measures(base, case.findings))
    plan = make_plan(diagnosis)
    expect, failures = case.expect, list[str]()
    by_id = {item.alteration: item for item in plan.recommendations}
    first = plan.recommendations[0] if plan.recommendations else None
    amount = shown_amount(expect.amount, case.findings.units) if expect.amount else None

    def should(name: str, be: str, *, so: bool) -> None:
        if not so:
            failures.append(f"{name} should {be}")

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
        shown = first.amount.text if first else "none"
        should("the amount", f"be {amount}, but is {shown}", so=shown in (amount, expect.amount))
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
    outcome = f"listed: {', '.join(by_id) or 'nothing'} ({ranking})"
    return [Problem("case-failed", f"{case.name}: {text}; {outcome}", case.where) for text in failures]


# -- gaps in the cases ------------------------------------------------------------------------------------------------------


def coverage(base: RuleBase, cases: Sequence[Case]) -> Iterator[Problem]:
    """Yield a problem for each gap in what the cases cover."""
    findings, expects = [case.findings for case in cases], [case.expect for case in cases]
    measured = {name for known in findings for name in known.pattern_measures}
    asked = {symptom for known in findings for symptom in known.symptoms}
    asked |= {one.id for one in base.symptoms.values() if one.from_ease and one.from_ease.measure in measured}
    noted = {note for known in findings for note in known.body}
    explained = {symptom for symptom, causes in base.causes_of.items() if causes}
    heeded = {note for cause in base.causes.values() for note in cause.body}
    leading, quiet = {one.leads for one in expects}, {cause for one in expects for cause in one.quiet}
    expected = {name for one in expects for name in (one.first, *one.recommends, *one.only_if)}
    gaps: list[tuple[Iterable[str], Collection[str | None], str, str, str]] = [
        (base.symptoms, asked, "no-case", "no case answers the symptom '{}'", "add it to a case"),
        (base.symptoms, explained, "no-cause", "no cause explains the symptom '{}'", "add a link, or take it out"),
        (base.body_notes, noted, "no-case", "no case has the body note '{}'", "add it to a case"),
        (
            base.body_notes,
            heeded,
            "no-effect",
            "the body note '{}' changes no belief",
            "let a cause heed it, or take it out",
        ),
        (base.causes, leading, "no-case", "in no case does '{}' lead", "add one to {}.cases.yaml"),
        (base.causes, quiet, "no-case", "in no case does '{}' stay quiet", "add one to {}.cases.yaml"),
        (base.alterations, expected, "no-case", "no case expects the alteration '{}'", "add a whole fitting"),
    ]
    for rules, covered, code, message, hint in gaps:
        for name in rules:
            if name not in covered:
                yield Problem(code, message.format(name), None, hint.format(name))
    for bits, one, other in close_pairs(base, SEPARATED_BITS):
        message = f"'{one}' and '{other}' are separated by {bits:.2f} bits only"
        yield Problem("close", message, None, "add a test that one of them shows")
    for sign, cause, probability in deciding_links(base, ALONE):
        message = f"'{sign}' alone makes '{cause}' {probability:.0%} sure"
        yield Problem("alone", message, None, "weaken the link, or name another cause")


@dataclass(frozen=True)
class Sway:
    """A link strength moved by one word, and the cases whose first recommendation changes with it."""

    cause: str
    symptom: str
    word: str
    moved_to: str
    cases: tuple[str, ...]


def sensitivity(base: RuleBase, cases: Sequence[Case]) -> list[Sway]:
    """Strengths that change the first recommendation of a case when moved one word up or down; those that change most cases first.

    A link to a symptom the case does not answer cannot change it, so only answered symptoms are tried.
    """
    ladder = sorted(base.words.how_often.words, key=lambda word: base.words.how_often.words[word])
    findings = [with_measures(base, case.findings) for case in cases]
    usual = [first_choice(Diagnosis(base, known)) for known in findings]
    result = []
    for cause in base.causes.values():
        for position, link in enumerate(cause.shows):
            touched = [number for number, known in enumerate(findings) if link.symptom in known.symptoms]
            place = ladder.index(link.how_often)
            for word in (*ladder[max(place - 1, 0) : place], *ladder[place + 1 : place + 2]) if touched else ():
                shows = list(cause.shows)
                shows[position] = link.model_copy(update={"how_often": word})
                other = cause.model_copy(update={"shows": tuple(shows)})
                moved = replace(base, causes={**base.causes, cause.id: other})
                firsts = {number: first_choice(Diagnosis(moved, findings[number])) for number in touched}
                if names := tuple(cases[number].name for number in touched if firsts[number] != usual[number]):
                    result.append(Sway(cause.id, link.symptom, link.how_often, word, names))
    return sorted(result, key=lambda sway: (-len(sway.cases), sway.cause, sway.symptom, sway.moved_to))
