"""What is known about one fitting: symptoms seen or not, body notes, earlier alterations; and the file they are written in.

Findings are the start of the data's one way: findings, beliefs, recommendations, documents.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, get_args

from fitdiag.knowledge.model import BodyMeasure, RuleBase, Seen, Severity, Symptom
from fitdiag.knowledge.strict_yaml import Document, read_yaml
from fitdiag.plausible import doubt_of_alteration, doubt_of_body, doubt_of_sign
from fitdiag.problems import Hints, Problem, ProblemsFoundError, one_line
from fitdiag.units import InvalidLengthError, Length, Units, parse_length

SCHEMA = "fitdiag.findings/1"
LARGEST = 64 * 1024
TAPE_MM = 1.0  # a tape is not read more exactly, so 3/8 in counts where 1 cm is asked for
MOST_DONE = 99  # earlier alterations; nobody reworks a pattern oftener
Side = Literal["left", "right", "both"]
Origin = Literal["asked", "volunteered", "file", "form", "photo", "earlier", "derived"]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
SIDES: tuple[Side, ...] = get_args(Side)
BOTH_SIDES_DIFFER = (
    "one-side-shows-more"  # the symptom a finding on one side alone answers by itself, where a base has it
)

_LISTED = {"symptom": "symptoms", "body note": "body-notes", "alteration": "alterations"}
_SEEN_WORDS: Mapping[str, Seen] = {
    "yes": "yes", "y": "yes", "seen": "yes", "no": "no", "n": "no", "not seen": "no", "none": "no",
    "unsure": "unsure", "can't say": "unsure", "cannot say": "unsure", "cant say": "unsure", "don't know": "unsure",
    "yep": "yes", "yeah": "yes", "nope": "no", "not at all": "no", "maybe": "unsure", "dunno": "unsure",
}  # fmt: skip
_SEVERITY_WORDS: Mapping[str, Severity] = {
    "slightly": "slight", "a bit": "slight", "a little": "slight", "sort of": "slight", "somewhat": "slight",
    "clearly": "clear", "strongly": "strong", "very": "strong", "a lot": "strong",
}  # fmt: skip


@dataclass(frozen=True)
class Finding:
    """One symptom answered: seen, not seen or unsure; perhaps with an amount (`error_mm`: one standard deviation)."""

    symptom: str
    seen: Seen
    amount_mm: float | None = None
    error_mm: float | None = None
    severity: Severity | None = None
    side: Side | None = None
    origin: Origin = "file"


@dataclass(frozen=True)
class Done:
    """An alteration carried out in an earlier round."""

    alteration: str
    amount_mm: float | None = None
    round: int = 1


@dataclass(frozen=True)
class Findings:
    """Everything known so far. `body` maps a note to "some", "marked" or "no" (looked for, and like the block).

    Measures are in mm; `tables` says by which table of ease a measure is judged.
    """

    symptoms: Mapping[str, Finding] = field(default_factory=dict)
    body: Mapping[str, str] = field(default_factory=dict)
    done: tuple[Done, ...] = ()
    units: Units = "in"
    client: str = ""
    notes: tuple[str, ...] = ()
    body_measures: Mapping[str, float] = field(default_factory=dict)
    pattern_measures: Mapping[str, float] = field(default_factory=dict)
    tables: Mapping[str, str] = field(default_factory=dict)

    def with_finding(self, finding: Finding) -> Findings:
        """The same with one symptom answered (again)."""
        return replace(self, symptoms={**self.symptoms, finding.symptom: finding})

    def joined(self, later: Findings) -> Findings:
        """The same with all that came later; where both speak of one thing, the later one counts."""
        return replace(
            later,
            client=later.client or self.client,
            symptoms={**self.symptoms, **later.symptoms},
            body={**self.body, **later.body},
            done=(*self.done, *(item for item in later.done if item not in self.done)),
            notes=(*self.notes, *(note for note in later.notes if note not in self.notes)),
            body_measures={**self.body_measures, **later.body_measures},
            pattern_measures={**self.pattern_measures, **later.pattern_measures},
            tables={**self.tables, **later.tables},
        )

    @property
    def seen(self) -> tuple[Finding, ...]:
        """The symptoms that are there."""
        return tuple(finding for finding in self.symptoms.values() if finding.seen == "yes")


class InvalidFindingError(ValueError):
    """The text is no answer to this symptom; the message says what would be."""


def seen_by_amount(symptom: Symptom, amount_mm: float) -> bool:
    """Whether an amount is past the point where half of fitters would call the symptom seen."""
    if symptom.measure is None:
        return amount_mm > 0
    if symptom.measure.worse == "more":
        return amount_mm >= symptom.measure.seen_from_mm - TAPE_MM
    return amount_mm <= symptom.measure.seen_from_mm + TAPE_MM


def measured(symptom: Symptom, amount_mm: float, *, side: Side | None = None, error_mm: float | None = None,
             origin: Origin = "file") -> Finding:  # fmt: skip
    """A finding from a measured amount: seen or not by the symptom's own threshold."""
    seen: Seen = "yes" if seen_by_amount(symptom, amount_mm) else "no"
    return Finding(symptom.id, seen, amount_mm, error_mm, None, side, origin)


def parse_words(
    symptom: Symptom, text: str, units: Units | None, origin: Origin = "file"
) -> tuple[Finding, Length | None]:
    """Read an answer as people write it: yes, no, can't say, slight, `3/4 in`, `yes left`, `3/4 in left`.

    Returns the finding and, where an amount was written, the length (so that a caller can ask back about a vague one).
    Raises InvalidFindingError when it is none of these.
    """
    words = " ".join(text.strip().lower().replace("’", "'").split())
    side: Side | None = None
    parts = words.split(" ")
    sides = [part for part in parts if part.strip(",") in ("left", "right", "both")]
    if sides and len(parts) > 1:
        side = "both" if len(set(sides)) > 1 or "both" in sides[0] else sides[0].strip(",")  # type: ignore[assignment]
        words = " ".join(
            part for part in parts if part not in sides and part.strip(",") not in ("side", "sides")
        ).strip(" ,")
    elif sides:
        return Finding(symptom.id, "yes", side=sides[0], origin=origin), None  # type: ignore[arg-type]
    for prefix in ("yes, ", "yes "):
        words = words.removeprefix(prefix) if words != prefix.strip() else words
    if words in _SEEN_WORDS:
        return Finding(symptom.id, _SEEN_WORDS[words], side=side, origin=origin), None
    severity = _SEVERITY_WORDS.get(words, words)
    if severity in SEVERITIES:
        return Finding(symptom.id, "yes", severity=severity, side=side, origin=origin), None
    if symptom.measure is None:
        if words[:1].isdigit():
            raise InvalidFindingError(f"'{one_line(text, 30)}': this sign has no amount; answer yes, no or can't say")
        raise InvalidFindingError(
            f"'{one_line(text, 30)}' is not an answer; write yes, no, can't say, slight, clear or strong"
        )
    try:
        length = parse_length(words, units)
    except InvalidLengthError as error:
        if any(char.isdigit() for char in words):
            raise InvalidFindingError(str(error)) from None
        raise InvalidFindingError(
            f"'{one_line(text, 30)}' is not an answer; write yes, no, can't say, slight, clear, strong or an amount like 3/4 in"
        ) from None
    return measured(symptom, length.mm, side=side, origin=origin), length


class _Reader:
    """Collects problems while a findings mapping is read; used for findings files and for the cases beside rules."""

    def __init__(self, document: Document, base: RuleBase, hints: Hints) -> None:
        self.document, self.base, self.hints, self.problems = document, base, hints, list[Problem]()

    def fault(self, loc: tuple[str | int, ...], code: str, message: str, hint: str = "") -> None:
        self.problems.append(Problem(code, message, self.document.where(loc), hint))

    def known(self, loc: tuple[str | int, ...], value: object, table: Iterable[str], kind: str) -> bool:
        if isinstance(value, str) and value in table:
            return True
        hint = self.hints.near(str(value), table)
        if not hint and kind in _LISTED:
            hint = f"`fitdiag rules list {_LISTED[kind]}` shows them all"
        place = self.document.where_key(loc[:-1], str(value)) if loc and loc[-1] == value else self.document.where(loc)
        self.problems.append(Problem("unknown-id", f"there is no {kind} '{one_line(value, 50)}'", place, hint))
        return False

    def length(self, loc: tuple[str | int, ...], value: object) -> float | None:
        try:
            return parse_length(value).mm if isinstance(value, str) else self._no_unit(value)
        except InvalidLengthError as error:
            self.fault(loc, "amount", str(error))
            return None

    @staticmethod
    def _no_unit(value: object) -> float:
        raise InvalidLengthError(f"'{one_line(value, 20)}' has no unit; write it like 3/4 in or 2 cm")

    def body(self, loc: tuple[str | int, ...], value: object) -> dict[str, str]:
        grades = (*self.base.words.body_grades.words, "no")
        notes: dict[str, str] = {}
        items: list[tuple[tuple[str | int, ...], object, object]] = []
        if isinstance(value, Mapping):
            items = [((*loc, note), note, grade) for note, grade in value.items()]
        elif isinstance(value, list):
            for index, item in enumerate(value):
                if isinstance(item, Mapping):
                    items += [((*loc, index, note), note, grade) for note, grade in item.items()]
                else:
                    items.append(((*loc, index), item, "some"))
        elif value is not None:
            self.fault(loc, "body", "body notes are a list, like [flat-seat, low-seat]")
        for at, note, grade in items:
            if not self.known(at, note, self.base.body_notes, "body note"):
                continue
            assert isinstance(note, str)
            shown = "some" if grade in ("yes", True) else "no" if grade is False else grade
            if note in notes:
                self.fault(at, "twice", f"'{note}' stands here twice", "keep one of them")
            elif shown not in grades:
                self.fault(
                    at, "grade", f"'{one_line(shown, 30)}' is not a grade of a body note", f"write {', '.join(grades)}"
                )
            else:
                notes[note] = str(shown)
        return notes

    def symptoms(self, loc: tuple[str | int, ...], value: object) -> dict[str, Finding]:
        found: dict[str, Finding] = {}
        if value is None:
            return found
        if not isinstance(value, Mapping):
            self.fault(loc, "symptoms", "symptoms are written as 'symptom-id: answer' lines")
            return found
        for name, answer in value.items():
            if self.known((*loc, name), name, self.base.symptoms, "symptom"):
                finding = self.answer((*loc, name), self.base.symptoms[name], answer)
                if finding:
                    found[name] = finding
        return found

    def answer(self, loc: tuple[str | int, ...], symptom: Symptom, value: object) -> Finding | None:
        if isinstance(value, bool):
            return Finding(symptom.id, "yes" if value else "no")
        if isinstance(value, str):
            try:
                finding, length = parse_words(symptom, value, None)
                if (
                    length is not None
                    and symptom.measure is not None
                    and (doubt := doubt_of_sign(symptom.measure, length.mm))
                ):
                    self.fault(loc, "amount", f"{symptom.id}: {doubt}", "check the amount and its unit")
                return finding
            except InvalidFindingError as error:
                self.fault(loc, "answer", f"{symptom.id}: {error}")
                return None
        if not isinstance(value, Mapping):
            self.fault(
                loc,
                "answer",
                f"{symptom.id}: '{one_line(value, 30)}' is not an answer",
                "write yes, no, unsure or {amount: 3/4 in}",
            )
            return None
        known = ("seen", "amount", "error", "severity", "side", "origin")
        for key in value:
            self.known((*loc, key), key, known, "key")
        amount = self.length((*loc, "amount"), value["amount"]) if "amount" in value else None
        error_mm = self.length((*loc, "error"), value["error"]) if "error" in value else None
        if amount is not None and symptom.measure is not None and (doubt := doubt_of_sign(symptom.measure, amount)):
            self.fault((*loc, "amount"), "amount", f"{symptom.id}: {doubt}", "check the amount and its unit")
        if "amount" in value and symptom.measure is None:
            self.fault((*loc, "amount"), "amount", f"{symptom.id} has no amount to measure", "answer yes, no or unsure")
        seen = self.word((*loc, "seen"), value.get("seen"), _SEEN_WORDS.get, "yes, no or unsure")
        severity = self.word(
            (*loc, "severity"), value.get("severity"), lambda w: w if w in SEVERITIES else None, ", ".join(SEVERITIES)
        )
        side = self.word((*loc, "side"), value.get("side"), lambda w: w if w in SIDES else None, ", ".join(SIDES))
        origin = self.word(
            (*loc, "origin"),
            value.get("origin"),
            lambda w: w if w in get_args(Origin) else None,
            ", ".join(get_args(Origin)),
        )
        if amount is not None and symptom.measure is not None and seen is None:
            return measured(symptom, amount, side=side, error_mm=error_mm, origin=origin or "file")
        if seen is None and severity is None and side is None:
            if "amount" not in value and all(value.get(key) is None for key in ("seen", "severity", "side")):
                self.fault(
                    loc, "answer", f"{symptom.id}: nothing is answered here", "write seen: yes, or amount: 3/4 in"
                )
            return None
        return Finding(symptom.id, seen or "yes", amount, error_mm, severity, side, origin or "file")

    def word(self, loc: tuple[str | int, ...], value: object, read: Callable[[str], Any], expected: str) -> Any:
        if value is None:
            return None
        text = {True: "yes", False: "no"}.get(value, value) if isinstance(value, bool) else value
        result = read(text) if isinstance(text, str) else None
        if result is None:
            self.fault(loc, "value", f"'{one_line(value, 30)}' is not one of {expected}")
        return result

    def measures(self, loc: tuple[str | int, ...], value: object) -> dict[str, Any]:
        result: dict[str, Any] = {"body": {}, "pattern": {}, "tables": {}}
        if value is None:
            return result
        if not isinstance(value, Mapping):
            self.fault(loc, "measures", "measures have the lines body:, pattern: and tables:")
            return result
        for part, entries in value.items():
            if not self.known((*loc, part), part, result, "key"):
                continue
            if not isinstance(entries, Mapping):
                self.fault((*loc, part), "measures", f"{part} is written as lines like 'hip: 40 in'")
                continue
            for name, entry in entries.items():
                at = (*loc, part, name)
                if not self.known(at, name, get_args(BodyMeasure), "key"):
                    continue
                if part == "tables":
                    if self.known(at, entry, self.base.ease, "ease table"):
                        result[part][name] = entry
                elif (length := self.length(at, entry)) is not None:
                    if doubt := doubt_of_body(name, length, "cm"):
                        self.fault(at, "amount", doubt, "check the measure and its unit")
                    result[part][name] = length
        return result

    def done(self, loc: tuple[str | int, ...], value: object) -> tuple[Done, ...]:
        if value is None:
            return ()
        if not isinstance(value, list):
            self.fault(loc, "done", "earlier alterations are a list of {alteration: ..., amount: ..., round: ...}")
            return ()
        if len(value) > MOST_DONE:
            self.fault((*loc, MOST_DONE), "done", f"more than {MOST_DONE} earlier alterations", "is it the right file?")
            return ()
        result: list[Done] = []
        for index, item in enumerate(value):
            at = (*loc, index)
            if isinstance(item, str):
                item = {"alteration": item}  # noqa: PLW2901 (the short form of the same thing)
            if not isinstance(item, Mapping):
                self.fault(at, "done", "write it like {alteration: lengthen-back-crotch, amount: 1/2 in, round: 1}")
                continue
            for key in item:
                self.known((*at, key), key, ("alteration", "amount", "round"), "key")
            if not self.known((*at, "alteration"), item.get("alteration"), self.base.alterations, "alteration"):
                continue
            amount = self.length((*at, "amount"), item["amount"]) if "amount" in item else None
            most = self.base.alterations[str(item["alteration"])].most_a_round.amount_mm
            if amount is not None and (doubt := doubt_of_alteration(amount, most, "cm")):
                self.fault((*at, "amount"), "amount", doubt, "check the amount and its unit")
            number = item.get("round", 1)
            if not isinstance(number, int) or isinstance(number, bool) or not 1 <= number <= 99:
                self.fault(
                    (*at, "round"),
                    "round",
                    f"'{one_line(number, 20)}' is not the number of a round",
                    "write 1, 2, 3 ...",
                )
                continue
            result.append(Done(str(item["alteration"]), amount, number))
        return tuple(result)


def read_findings(path: Path, base: RuleBase) -> Findings:
    """Read a findings file. Raises ProblemsFoundError with every fault at its line and column."""
    document = read_yaml(path, LARGEST, "findings file")
    return findings_in(document, (), document.data, base, extra_keys=(), needs_schema=True)


def findings_in(document: Document, loc: tuple[str | int, ...], data: Any, base: RuleBase, *,
                extra_keys: tuple[str, ...], needs_schema: bool, hints: Hints | None = None) -> Findings:  # fmt: skip
    """The findings in a mapping at `loc` of a document; `extra_keys` are left to the caller."""
    reader = _Reader(document, base, hints or Hints())
    if not isinstance(data, Mapping):
        reader.fault(loc, "not-a-mapping", "a findings file has lines like 'symptoms:' and 'body:'")
        raise ProblemsFoundError(reader.problems)
    keys = ("schema", "garment", "client", "units", "body", "symptoms", "done", "measures", "notes", *extra_keys)
    for key in data:
        reader.known((*loc, key), key, keys, "key")
    if needs_schema and data.get("schema") != SCHEMA:
        told = one_line(data["schema"], 40) if "schema" in data else "missing"
        reader.fault((*loc, "schema"), "schema", f"schema is {told}", f"the first line should be 'schema: {SCHEMA}'")
    if data.get("garment", base.about.garment) != base.about.garment:
        reader.fault(
            (*loc, "garment"),
            "garment",
            f"this rule base is for {base.about.garment}, not for '{one_line(data['garment'], 30)}'",
        )
    units = data.get("units")
    if units not in (None, "in", "cm"):
        reader.fault((*loc, "units"), "units", f"'{one_line(units, 20)}' is not a unit to work in", "write in or cm")
    client = data.get("client", "")
    if not isinstance(client, str) or len(client) > 80:
        reader.fault((*loc, "client"), "client", "the client's name is text of at most 80 characters")
        client = ""
    notes = data.get("notes", [])
    notes = [notes] if isinstance(notes, str) else notes
    if not isinstance(notes, list) or not all(isinstance(note, str) for note in notes):
        reader.fault((*loc, "notes"), "notes", "notes are text, or a list of texts")
        notes = []
    measures = reader.measures((*loc, "measures"), data.get("measures"))
    findings = Findings(
        symptoms=reader.symptoms((*loc, "symptoms"), data.get("symptoms")),
        body=reader.body((*loc, "body"), data.get("body")),
        done=reader.done((*loc, "done"), data.get("done")),
        units=units or _units_of(data),
        client=one_line(client, 80),
        notes=tuple(one_line(note, 500) for note in notes),
        body_measures=measures["body"],
        pattern_measures=measures["pattern"],
        tables=measures["tables"],
    )
    if reader.problems:
        raise ProblemsFoundError(reader.problems)
    return findings


def _units_of(data: Any) -> Units:
    """Inches unless more of the amounts are written in the metric way."""
    texts: list[str] = []

    def gather(value: object) -> None:
        if isinstance(value, Mapping):
            for inner in value.values():
                gather(inner)
        elif isinstance(value, list):
            for inner in value:
                gather(inner)
        elif isinstance(value, str) and value[:1].isdigit():
            texts.append(value)

    gather(data)
    units = []
    for text in texts:
        try:
            units.append(parse_length(text).unit)
        except InvalidLengthError:
            continue
    return "cm" if units.count("cm") > units.count("in") else "in"


def findings_text(findings: Findings) -> str:
    """The findings as a file (`fitdiag.findings/1`) that reads back to the same; lengths in mm, text quoted as in JSON."""
    lines = [f"schema: {SCHEMA}", "garment: trousers", f"units: {findings.units}"]
    if findings.client:
        lines.append(f"client: {json.dumps(findings.client, ensure_ascii=False)}")
    if findings.body:
        lines += ["body:", *(f"  - {note}: {grade}" for note, grade in findings.body.items())]
    if findings.symptoms:
        lines.append("symptoms:")
    for finding in findings.symptoms.values():
        parts = [f"seen: {finding.seen}"]
        if finding.amount_mm is not None:
            parts.append(f"amount: {finding.amount_mm:g} mm")
        if finding.error_mm is not None:
            parts.append(f"error: {finding.error_mm:g} mm")
        parts += [f"{key}: {getattr(finding, key)}" for key in ("severity", "side") if getattr(finding, key)]
        lines.append(f"  {finding.symptom}: {{{', '.join([*parts, f'origin: {finding.origin}'])}}}")
    if findings.done:
        lines.append("done:")
    for done in findings.done:
        amount = f", amount: {done.amount_mm:g} mm" if done.amount_mm is not None else ""
        lines.append(f"  - {{alteration: {done.alteration}{amount}, round: {done.round}}}")
    measures = {"body": findings.body_measures, "pattern": findings.pattern_measures}
    if any(measures.values()) or findings.tables:
        lines.append("measures:")
        for key, given in measures.items():
            if given:
                lines.append(f"  {key}: {{{', '.join(f'{name}: {mm:g} mm' for name, mm in given.items())}}}")
        if findings.tables:
            lines.append(f"  tables: {{{', '.join(f'{name}: {table}' for name, table in findings.tables.items())}}}")
    if findings.notes:
        lines += ["notes:", *(f"  - {json.dumps(note, ensure_ascii=False)}" for note in findings.notes)]
    return "\n".join(lines) + "\n"
