"""The findings file (`fitdiag.findings/1`): reading, with every fault at its line, and writing."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    PlainValidator,
    ValidationError,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    WrapValidator,
    field_validator,
)

from fitdiag.knowledge.basics import LengthMm, Names, Part, YesNo, length_mm, one_or_many, ref, short_for
from fitdiag.knowledge.findings import (
    MOST_DONE,
    SIDES,
    Done,
    Earlier,
    Finding,
    Findings,
    Origin,
    ReadingsFrom,
    RoundNumber,
    Side,
    measured,
    measured_apart,
)
from fitdiag.knowledge.model import KINDS, BodyMeasure, RuleBase, Seen, Severity, Symptom
from fitdiag.knowledge.reading import AsItIs, Location, check_schema, file_text, problems_of, quoted, wrong
from fitdiag.knowledge.said import only_says, read_said
from fitdiag.knowledge.strict_yaml import Document, read_yaml
from fitdiag.plausible import doubt_of_alteration, doubt_of_body, doubt_of_sign
from fitdiag.problems import Hints, ProblemsFoundError, one_line, stop
from fitdiag.units import InvalidLengthError, Units, format_length, format_reading, parse_length

SCHEMA = "fitdiag.findings/1"
LARGEST = 64 * 1024
File = TypeVar("File", bound="FindingsFile")


# -- values ------------------------------------------------------------------------------------------------------------


class _Context(Names):
    """Context for the validators: the rules, the units of the file and the hints left."""

    def __init__(self, base: RuleBase, units: Units, hints: Hints) -> None:
        super().__init__({kind.called: getattr(base, kind.table) for kind in KINDS})
        self.base, self.units, self.hints = base, units, hints


def _measurable(symptom: str, info: ValidationInfo[Any]) -> str:
    if info.context.base.symptoms[symptom].measure is None:
        raise wrong("amount", f"{symptom} has no amount to measure", "take it out")
    return symptom


def noted(value: object) -> dict[str, Any]:
    """Body notes with their grades, from a mapping or from the short form `[flat-seat, low-seat: marked]`."""
    pairs: list[tuple[object, object]] = []
    for item in value if isinstance(value, list) else [value]:
        pairs += item.items() if isinstance(item, Mapping) else [(item, "some")] if isinstance(value, list) else []
    names = [note for note, _ in pairs if isinstance(note, str)]
    if not isinstance(value, list | Mapping) or len(names) < len(pairs):
        message = "body notes are written like [flat-seat, low-seat: marked], or one a line, 'flat-seat: some'"
        raise wrong("body", message)
    if twice := next((name for name in names if names.count(name) > 1), ""):
        raise wrong("twice", f"'{one_line(twice, 50)}' appears twice", "keep one of them")
    return dict(zip(names, (grade for _, grade in pairs), strict=True))


def _graded(value: object, info: ValidationInfo[Any]) -> tuple[str, Side | None]:
    """The grade of a body note, and its side if it holds for one alone, as in `some left`."""
    grades = (*info.context.base.words.body_grades.words, "no")
    words = ["some" if value else "no"] if isinstance(value, bool) else str(value).split()
    side = next((word for word in words if word in SIDES), None)
    grade = " ".join(word for word in words if word != side) or "some"
    grade = "some" if grade == "yes" else grade
    if grade not in grades:
        hint = f"write {', '.join(grades)}, with left or right for one side alone"
        raise wrong("grade", f"{quoted(value)} is not a grade of a body note", hint)
    return grade, side if side != "both" else None


def _seen(value: object) -> object:
    if isinstance(value, bool):
        return "yes" if value else "no"
    said = read_said(value, "in") if isinstance(value, str) and only_says(value) else None
    if said is None:
        raise wrong("value", f"{quoted(value)} is not one of yes, no or unsure")
    return said.seen


def named(value: object) -> object:
    """Pair each value of a block with its key, for validators that need both."""
    return {key: (key, item) for key, item in value.items()} if isinstance(value, Mapping) else value


def of_the_body(named: tuple[str, object], info: ValidationInfo[Any]) -> float:
    """A plausible body measure in mm; the message uses the units of the file if known."""
    mm = length_mm(named[1])
    if doubt := doubt_of_body(named[0], mm, getattr(info.context, "units", "cm")):
        raise wrong("amount", doubt, "check the measure and its unit")
    return mm


def _answered(
    named: tuple[str, object], block: ValidatorFunctionWrapHandler, info: ValidationInfo[Any]
) -> Finding | None:
    """The answer to one symptom, in words or as a block; None for an unknown symptom, reported at its name."""
    name, value = named
    symptom, units = info.context.base.symptoms.get(name), info.context.units
    if symptom is None:
        return None
    if isinstance(value, bool):
        return Finding(name, "yes" if value else "no")
    if isinstance(value, str):
        finding = _in_words(symptom, value, units)
    elif isinstance(value, Mapping):
        finding = _in_block(symptom, block(value), units)
    else:
        message = f"{name}: {quoted(value)} is not an answer"
        raise wrong("answer", message, "write yes, no, unsure or {amount: 3/4 in}")
    amounts = [mm for mm in (finding.amount_mm, finding.left_mm, finding.right_mm) if mm is not None]
    if amounts and (doubt := doubt_of_sign(symptom.measure.most_mm, max(amounts))):
        most = format_length(symptom.measure.most_mm, units)
        hint = f"it shows {most} at the most; check the unit and the decimal point"
        raise wrong("amount", f"{name}: {format_length(max(amounts), units)}: {doubt}", hint)
    return finding


def _in_words(symptom: Symptom, text: str, units: Units) -> Finding:
    """A finding from an answer as people write it: yes, can't say, slight left, `3/4 in`, `left 3/8 in, right 3/4 in`."""
    shown, how = f"{symptom.id}: {quoted(text)}", "write yes, no, can't say, slight, clear or strong"
    said = read_said(text, units) if only_says(text) else None
    if said is None and re.match(r"\s*[-\u2212] ?[\d.]", text):
        other = (symptom.measure and symptom.measure.mirror_of) or next(iter(symptom.opposite), "")
        instead = f"if it goes the other way, answer '{other}'" if other else "write 0 where there is nothing"
        raise wrong("answer", f"{shown} is less than nothing; {instead}")
    if said is None:
        amount = "" if symptom.measure is None else " or an amount like 3/4 in"
        raise wrong("answer", f"{shown} is not an answer; {how}{amount}")
    if said.length is not None and symptom.measure is None:
        raise wrong("answer", f"{shown}: this sign has no amount; {how}")
    if said.length is not None and said.length.unit is None and said.length.mm:
        raise wrong("answer", f"{shown} has no unit; write in, cm or mm after it")
    return said.finding(symptom, "file")


def _in_block(symptom: Symptom, answer: _Answer, units: Units) -> Finding:
    """A finding from a block: `{seen: yes, amount: 3/4 in}`, or `{left: 3/8 in, right: 3/4 in}` for sides measured separately."""
    if symptom.measure is None and not answer.amount is answer.left is answer.right is None:
        raise wrong("amount", f"{symptom.id} has no amount to measure", "answer yes, no or unsure")
    if answer.seen == "no" and answer.severity is not None:
        raise wrong("answer", f"{symptom.id}: not seen, and yet {answer.severity}", "take one of them out")
    if answer.left is not None or answer.right is not None:
        if clash := [key for key in ("amount", "side", "severity") if getattr(answer, key) is not None]:
            raise wrong("answer", f"{symptom.id}: left and right are given, so {clash[0]} has no place")
        if answer.left is None or answer.right is None:
            raise wrong("answer", f"{symptom.id}: one side is missing", "write left and right, 0 in for nothing")
        apart = measured_apart(symptom, answer.left, answer.right, error_mm=answer.error, origin=answer.origin)
        _refuse_otherwise(symptom, answer, apart, units)
        return apart
    if answer.amount is not None and answer.seen is not None:
        _refuse_otherwise(symptom, answer, measured(symptom, answer.amount), units)
    if answer.amount is not None and answer.seen is None:
        found = measured(symptom, answer.amount, side=answer.side, error_mm=answer.error, origin=answer.origin)
        return replace(found, severity=answer.severity if found.seen == "yes" else None)
    if answer.seen is None and answer.severity is None and answer.side is None:
        raise wrong("answer", f"{symptom.id}: nothing is answered here", "write seen: yes, or amount: 3/4 in")
    seen = answer.seen or "yes"
    return Finding(symptom.id, seen, answer.amount, answer.error, answer.severity, answer.side, answer.origin)


def _refuse_otherwise(symptom: Symptom, answer: _Answer, by_amount: Finding, units: Units) -> None:
    """Refuse a yes or no of the fitter's that the amount beside it contradicts; a picture's verdict weighs its error as well."""
    if answer.seen in (None, "unsure", by_amount.seen) or answer.origin != "file":
        return
    assert symptom.measure is not None and by_amount.amount_mm is not None
    amount, least = format_reading(by_amount.amount_mm, units), format_length(symptom.measure.seen_from_mm, units)
    counts = "counts from" if symptom.measure.worse == "more" else "counts at or under"
    message = f"{symptom.id}: seen: {answer.seen}, but {amount} says otherwise: it {counts} {least}"
    raise wrong("answer", message, "take out what is not so")


SymptomName = Annotated[str, ref("symptom")]
BodyLengths = Annotated[dict[BodyMeasure, Annotated[float, PlainValidator(of_the_body)]], BeforeValidator(named)]


# -- blocks of a file -------------------------------------------------------------------------------------------------


class _Answer(Part):
    seen: Annotated[Seen | None, BeforeValidator(_seen)] = None
    amount: LengthMm | None = None
    error: LengthMm | None = None
    left: LengthMm | None = None
    right: LengthMm | None = None
    severity: Severity | None = None
    side: Side | None = None
    origin: Origin = "file"


class _Reading(Part):
    amount: LengthMm
    error: LengthMm | None = None


Readings = dict[Annotated[SymptomName, AfterValidator(_measurable)], Annotated[_Reading, short_for("amount")]]


class _Earlier(Part):
    round: RoundNumber = 1
    readings: Readings = {}


class _Done(Part):
    alteration: Annotated[str, ref("alteration")]
    amount: LengthMm | None = None
    round: RoundNumber = 1
    side: Side = "both"
    less: YesNo = False

    @field_validator("amount")
    @classmethod
    def _can_be_meant(cls, mm: float | None, info: ValidationInfo[Any]) -> float | None:
        rule = info.context.base.alterations.get(info.data.get("alteration"))
        if rule and mm and (doubt := doubt_of_alteration(mm, rule.most_a_round.amount_mm, info.context.units)):
            raise wrong("amount", doubt, "check the amount and its unit")
        return mm


class _Measures(Part):
    body: BodyLengths = {}
    pattern: BodyLengths = {}
    tables: dict[BodyMeasure, Annotated[str, ref("ease table")]] = {}


class FindingsFile(Part):
    """The contents of a findings file, without its schema; cases extend it."""

    garment: str = ""
    client: Annotated[str, Field(max_length=80)] = ""
    units: Units | None = None
    body: Annotated[
        dict[Annotated[str, ref("body note")], Annotated[Any, PlainValidator(_graded)]], BeforeValidator(noted)
    ] = {}
    symptoms: Annotated[dict[SymptomName, Annotated[_Answer, WrapValidator(_answered)]], BeforeValidator(named)] = {}
    done: Annotated[tuple[Annotated[_Done, short_for("alteration")], ...], Field(max_length=MOST_DONE)] = ()
    measures: _Measures = Field(default_factory=_Measures)
    notes: Annotated[tuple[str, ...], BeforeValidator(one_or_many)] = ()
    at_rest: Readings = {}
    readings_from: ReadingsFrom = "cloth"
    earlier: Annotated[tuple[_Earlier, ...], Field(max_length=MOST_DONE)] = ()

    @field_validator("garment")
    @classmethod
    def _of_these_rules(cls, value: str, info: ValidationInfo[Any]) -> str:
        if value != (garment := info.context.base.about.garment):
            raise wrong("garment", f"this rule base is for {garment}, not for {quoted(value)}")
        return value


# -- reading and writing -------------------------------------------------------------------------------------------------


def read_findings(path: Path, base: RuleBase) -> Findings:
    """Read a findings file. Raises ProblemsFoundError with every fault at its line and column."""
    document = read_yaml(path, LARGEST, "findings file")
    if isinstance(document.data, Mapping):  # else `file_in` says what a findings file looks like
        check_schema(document, SCHEMA)
    return findings_in(document, (), document.data, base)


def findings_in(
    document: Document, loc: Location, data: Any, base: RuleBase, extra_keys: Iterable[str] = ()
) -> Findings:
    """The findings in a mapping at `loc` of a document; `extra_keys` are left to the caller."""
    return file_in(document, loc, data, base, FindingsFile, Hints(), extra_keys)[1]


def file_in(document: Document, loc: Location, data: Any, base: RuleBase, model: type[File], hints: Hints,
            extra_keys: Iterable[str] = ()) -> tuple[File, Findings]:  # fmt: skip
    """Validate a mapping as `model`; return it, and its findings. Raises ProblemsFoundError with every fault."""
    if not isinstance(data, Mapping):
        message = "a findings file has lines like 'symptoms:' and 'body:'"
        raise stop("not-a-mapping", message, where=document.where(loc))
    symptoms, moved = _renamed(base, data.get("symptoms"))
    units: Units = data["units"] if data.get("units") in ("in", "cm") else _units_of(data)
    others = {"schema", *extra_keys} - set(model.model_fields)
    own = {key: value for key, value in data.items() if key not in others} | {"symptoms": symptoms}
    try:
        file = model.model_validate(own, context=_Context(base, units, hints))
    except ValidationError as error:
        raise ProblemsFoundError(problems_of(error, document, loc, model, hints)) from None
    earlier = (
        (item.round, {name: (one.amount, one.error) for name, one in item.readings.items()}) for item in file.earlier
    )
    answers: Mapping[str, Any] = file.symptoms
    return file, Findings(
        answers, {note: grade for note, (grade, _) in file.body.items()},
        tuple(Done(item.alteration, item.amount, item.round, item.side, item.less) for item in file.done),
        units, one_line(file.client, 80), tuple(one_line(note, 500) for note in (*file.notes, *moved)),
        file.measures.body, file.measures.pattern, file.measures.tables,
        body_sides={note: side for note, (_, side) in file.body.items() if side},
        at_rest={name: one.amount for name, one in file.at_rest.items()},
        readings_from=file.readings_from, earlier=tuple(Earlier(*one) for one in earlier),
    )  # fmt: skip


def _renamed(base: RuleBase, answers: Any) -> tuple[Any, list[str]]:
    """Answers under the present names of symptoms; for a symptom that was split, a note in place of the answer."""
    if not isinstance(answers, Mapping):
        return answers, []
    was = {rule.was: rule.now for rule in base.renamed}
    notes = []
    for old, answer in answers.items():
        if len(now := was.get(old, ())) > 1:
            text = one_line(answer if isinstance(answer, str) else json.dumps(answer, default=str), 60)
            notes.append(f"'{old}' ({text}) is {len(now)} signs now: {', '.join(now)}; say which was meant.")
    kept = {was.get(old, (old,))[0]: answer for old, answer in answers.items() if len(was.get(old, ())) < 2}
    return kept, notes


def _units_of(data: Any) -> Units:
    """Inches, unless more of the amounts are metric."""

    def units_in(value: object) -> Iterator[Units | None]:
        if isinstance(value, str) and value[:1].isdigit():
            with suppress(InvalidLengthError):
                yield parse_length(value).unit
        for inner in value.values() if isinstance(value, Mapping) else value if isinstance(value, list) else ():
            yield from units_in(inner)

    units = list(units_in(data))
    return "cm" if units.count("cm") > units.count("in") else "in"


def findings_text(findings: Findings, garment: str) -> str:
    """The text of a findings file (`fitdiag.findings/1`) that reads back to the same; lengths in mm, text quoted as in JSON."""
    client, *notes = (AsItIs(json.dumps(text, ensure_ascii=False)) for text in (findings.client, *findings.notes))
    measures = {"body": findings.body_measures, "pattern": findings.pattern_measures, "tables": findings.tables}
    rows = {
        "schema": SCHEMA, "garment": garment, "units": findings.units, "client": client if findings.client else "",
        "readings_from": findings.readings_from if findings.readings_from != "cloth" else "",
        "body": findings.body_said,
        "symptoms": {finding.symptom: _of_finding(finding) for finding in findings.symptoms.values()},
        "done": tuple({"alteration": one.alteration, "amount": one.amount_mm, "round": AsItIs(one.round),
                       "side": None if one.side == "both" else one.side, "less": one.less or None}
                      for one in findings.done),
        "measures": {key: values for key, values in measures.items() if values}, "at_rest": findings.at_rest,
        "earlier": tuple(
            {"round": AsItIs(one.round), "readings": {name: {"amount": mm, "error": error} for name, (mm, error) in one.readings.items()}}
            for one in findings.earlier
        ),
        "notes": tuple(notes),
    }  # fmt: skip
    return file_text(rows, lambda mm: f"{mm:.6g} mm")


def _of_finding(finding: Finding) -> dict[str, Any]:
    if finding.left_mm is not None and finding.right_mm is not None:
        block: dict[str, Any] = {"left": finding.left_mm, "right": finding.right_mm, "error": finding.error_mm}
    else:
        block = {"seen": finding.seen, "amount": finding.amount_mm, "error": finding.error_mm,
                "severity": finding.severity, "side": finding.side}  # fmt: skip
    return {**block, "origin": finding.origin}
