"""The file in which findings are written (`fitdiag.findings/1`): read with every fault at its line, and written back."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, get_args

from fitdiag.knowledge.answers import SEEN_WORDS, InvalidFindingError, parse_words
from fitdiag.knowledge.findings import (
    SEVERITIES,
    SIDES,
    Done,
    Earlier,
    Finding,
    Findings,
    Origin,
    ReadingsFrom,
    Side,
    measured,
    measured_apart,
)
from fitdiag.knowledge.model import RuleBase, Symptom
from fitdiag.knowledge.strict_yaml import Document, read_yaml
from fitdiag.plausible import BODY_MM, doubt_of_alteration, doubt_of_body, doubt_of_sign
from fitdiag.problems import Hints, Problem, ProblemsFoundError, one_line
from fitdiag.units import InvalidLengthError, Units, format_length, parse_length

SCHEMA = "fitdiag.findings/1"
LARGEST = 64 * 1024
Loc = tuple[str | int, ...]
MOST_DONE = 99  # earlier alterations; nobody reworks a pattern oftener
_LISTED = {"symptom": "symptoms", "body note": "body-notes", "alteration": "alterations"}


class _Reader:
    """Collects problems while a findings mapping is read; used for findings files and for the cases beside rules."""

    def __init__(self, document: Document, base: RuleBase, hints: Hints) -> None:
        self.document, self.base, self.hints, self.problems = document, base, hints, list[Problem]()
        self.units: Units = "in"
        self.notes: list[str] = []

    def fault(self, loc: Loc, code: str, message: str, hint: str = "") -> None:
        self.problems.append(Problem(code, message, self.document.where(loc), hint))

    def known(self, loc: Loc, value: object, table: Iterable[str], kind: str) -> bool:
        if isinstance(value, str) and value in table:
            return True
        hint = self.hints.near(str(value), table)
        if not hint and kind in _LISTED:
            hint = f"`fitdiag rules list {_LISTED[kind]}` shows them all"
        place = self.document.where_key(loc[:-1], str(value)) if loc and loc[-1] == value else self.document.where(loc)
        self.problems.append(Problem("unknown-id", f"there is no {kind} '{one_line(value, 50)}'", place, hint))
        return False

    def keys(self, loc: Loc, item: Mapping[Any, Any], known: Iterable[str]) -> None:
        for key in item:
            self.known((*loc, key), key, known, "key")

    def lines(self, loc: Loc, value: object, code: str, told: str) -> Mapping[Any, Any]:
        """The lines of a block; none where it is left out, and a fault where it is something else."""
        if value is not None and not isinstance(value, Mapping):
            self.fault(loc, code, told)
        return value if isinstance(value, Mapping) else {}

    def items(self, loc: Loc, value: object, told: str, example: str) -> Iterator[tuple[Loc, Mapping[Any, Any]]]:
        """The blocks of a list, each with its place; faults for what is no list, too long or no block."""
        if value is not None and not isinstance(value, list):
            self.fault(loc, "list", f"{told} are a list of {example}")
        elif isinstance(value, list) and len(value) > MOST_DONE:
            self.fault((*loc, MOST_DONE), "list", f"more than {MOST_DONE} {told}", "is it the right file?")
        elif isinstance(value, list):
            for index, item in enumerate(value):
                if isinstance(item, Mapping):
                    yield (*loc, index), item
                else:
                    self.fault((*loc, index), "list", f"write it like {example}")

    def given(self, loc: Loc, item: Mapping[Any, Any], key: str) -> float | None:
        """The length of a key, if it is there."""
        return self.length((*loc, key), item[key]) if key in item else None

    def length(self, loc: Loc, value: object) -> float | None:
        try:
            return parse_length(value).mm if isinstance(value, str) else self._no_unit(value)
        except InvalidLengthError as error:
            self.fault(loc, "amount", str(error))
            return None

    @staticmethod
    def _no_unit(value: object) -> float:
        raise InvalidLengthError(f"'{one_line(value, 20)}' has no unit; write it like 3/4 in or 2 cm")

    def body(self, loc: Loc, value: object) -> tuple[dict[str, str], dict[str, Side]]:
        """Body notes with their grades, and the side of those that hold for one side: `high-hip: some left`."""
        grades = (*self.base.words.body_grades.words, "no")
        notes: dict[str, str] = {}
        sides: dict[str, Side] = {}
        items: list[tuple[Loc, object, object]] = []
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
            words = {True: ["some"], False: ["no"]}.get(grade) if isinstance(grade, bool) else str(grade).split()
            side = next((word for word in words if word in SIDES), None) if words else None
            shown = " ".join(word for word in words or () if word != side) or "some"
            shown = "some" if shown == "yes" else shown
            if note in notes:
                self.fault(at, "twice", f"'{note}' appears twice", "keep one of them")
            elif shown not in grades:
                hint = f"write {', '.join(grades)}, with left or right for one side alone"
                self.fault(at, "grade", f"'{one_line(grade, 30)}' is not a grade of a body note", hint)
            else:
                notes[note] = shown
                if side in ("left", "right"):
                    sides[note] = side
        return notes, sides

    def symptoms(self, loc: Loc, value: object) -> dict[str, Finding]:
        found: dict[str, Finding] = {}
        was = {rule.was: rule.now for rule in self.base.renamed}
        rows = self.lines(loc, value, "symptoms", "symptoms are written as 'symptom-id: answer' lines")
        for old, answer in rows.items():
            now = was.get(old, (old,))
            if len(now) > 1:
                told = one_line(answer if isinstance(answer, str) else json.dumps(answer, default=str), 60)
                self.notes.append(f"'{old}' ({told}) is {len(now)} signs now: {', '.join(now)}; say which was meant.")
                continue
            name = now[0]
            if self.known((*loc, name), name, self.base.symptoms, "symptom"):
                symptom = self.base.symptoms[name]
                finding = self.answer((*loc, name), symptom, answer)
                if finding and self.plausible((*loc, name), symptom, finding):
                    found[name] = finding
        return found

    def plausible(self, loc: Loc, symptom: Symptom, finding: Finding) -> bool:
        """Whether the amounts of a finding can be meant; a fault if not."""
        measure = symptom.measure
        amounts = [mm for mm in (finding.amount_mm, finding.left_mm, finding.right_mm) if mm is not None]
        doubt = doubt_of_sign(measure.most_mm, max(amounts)) if measure is not None and amounts else ""
        if doubt and measure is not None:
            told = f"{symptom.id}: {format_length(max(amounts), self.units)}: {doubt}"
            most = format_length(measure.most_mm, self.units)
            self.fault(loc, "amount", told, f"it shows {most} at the most; check the unit and the decimal point")
        return not doubt

    def answer(self, loc: Loc, symptom: Symptom, value: object) -> Finding | None:
        if isinstance(value, bool):
            return Finding(symptom.id, "yes" if value else "no")
        if isinstance(value, str):
            try:
                return parse_words(symptom, value)
            except InvalidFindingError as error:
                self.fault(loc, "answer", f"{symptom.id}: {error}")
                return None
        if not isinstance(value, Mapping):
            told = f"{symptom.id}: '{one_line(value, 30)}' is not an answer"
            self.fault(loc, "answer", told, "write yes, no, unsure or {amount: 3/4 in}")
            return None
        self.keys(loc, value, ("seen", "amount", "error", "severity", "side", "origin", "left", "right"))
        if "left" in value or "right" in value:
            return self.apart(loc, symptom, value)
        amount, error_mm = self.given(loc, value, "amount"), self.given(loc, value, "error")
        if "amount" in value and symptom.measure is None:
            self.fault((*loc, "amount"), "amount", f"{symptom.id} has no amount to measure", "answer yes, no or unsure")
        seen = self.word((*loc, "seen"), value.get("seen"), SEEN_WORDS.get, "yes, no or unsure")
        severity = self.one_of((*loc, "severity"), value.get("severity"), SEVERITIES)
        side = self.one_of((*loc, "side"), value.get("side"), SIDES)
        origin = self.origin(loc, value)
        if amount is not None and symptom.measure is not None and seen is None:
            return measured(symptom, amount, side=side, error_mm=error_mm, origin=origin)
        if seen is None and severity is None and side is None:
            if "amount" not in value and all(value.get(key) is None for key in ("seen", "severity", "side")):
                told = f"{symptom.id}: nothing is answered here"
                self.fault(loc, "answer", told, "write seen: yes, or amount: 3/4 in")
            return None
        return Finding(symptom.id, seen or "yes", amount, error_mm, severity, side, origin)

    def origin(self, loc: Loc, value: Mapping[Any, Any]) -> Origin:
        return self.one_of((*loc, "origin"), value.get("origin"), get_args(Origin)) or "file"

    def one_of(self, loc: Loc, value: object, words: tuple[Any, ...]) -> Any:
        return self.word(loc, value, lambda word: word if word in words else None, ", ".join(words))

    def apart(self, loc: Loc, symptom: Symptom, value: Mapping[Any, Any]) -> Finding | None:
        """`{left: 3/8 in, right: 3/4 in}`: both sides measured, each by itself."""
        clash = [key for key in ("amount", "side", "severity") if key in value]
        if symptom.measure is None:
            self.fault(loc, "amount", f"{symptom.id} has no amount to measure", "answer yes, no or unsure")
        elif clash:
            told = f"{symptom.id}: left and right are given, so {clash[0]} has no place"
            self.fault((*loc, clash[0]), "answer", told)
        elif "left" not in value or "right" not in value:
            self.fault(loc, "answer", f"{symptom.id}: one side is missing", "write left and right, 0 in for nothing")
        else:
            left, right, error_mm = (self.given(loc, value, key) for key in ("left", "right", "error"))
            if left is not None and right is not None:
                return measured_apart(symptom, left, right, error_mm=error_mm, origin=self.origin(loc, value))
        return None

    def readings(self, loc: Loc, value: object) -> dict[str, tuple[float, float | None]]:
        """`symptom: 3/4 in` or `{amount: 3/4 in, error: 2 mm}` lines."""
        result: dict[str, tuple[float, float | None]] = {}
        rows = self.lines(loc, value, "readings", "readings are written as 'symptom-id: 3/4 in' lines")
        for name, entry in rows.items():
            at = (*loc, name)
            if not self.known(at, name, self.base.symptoms, "symptom"):
                continue
            if self.base.symptoms[name].measure is None:
                self.fault(at, "amount", f"{name} has no amount to measure", "take it out")
                continue
            given = entry if isinstance(entry, Mapping) else {"amount": entry}
            self.keys(at, given, ("amount", "error"))
            amount, error_mm = self.length(at, given.get("amount")), self.given(at, given, "error")
            if amount is not None:
                result[name] = (amount, error_mm)
        return result

    def earlier(self, loc: Loc, value: object) -> tuple[Earlier, ...]:
        """What was read at earlier try-ons."""
        result = []
        for at, item in self.items(loc, value, "earlier readings", "{round: 1, readings: {SYMPTOM: 3/4 in}}"):
            self.keys(at, item, ("round", "readings"))
            if (number := self.round(at, item)) is not None:
                result.append(Earlier(number, self.readings((*at, "readings"), item.get("readings"))))
        return tuple(result)

    def round(self, at: Loc, item: Mapping[Any, Any]) -> int | None:
        number = item.get("round", 1)
        if isinstance(number, int) and not isinstance(number, bool) and 1 <= number <= MOST_DONE:
            return number
        told = f"'{one_line(number, 20)}' is not the number of a round"
        self.fault((*at, "round"), "round", told, "write 1, 2, 3 ...")
        return None

    def word(self, loc: Loc, value: object, read: Callable[[str], Any], expected: str) -> Any:
        if value is None:
            return None
        text = {True: "yes", False: "no"}.get(value, value) if isinstance(value, bool) else value
        result = read(text) if isinstance(text, str) else None
        if result is None:
            self.fault(loc, "value", f"'{one_line(value, 30)}' is not one of {expected}")
        return result

    def measures(self, loc: Loc, value: object) -> dict[str, Any]:
        result: dict[str, Any] = {"body": {}, "pattern": {}, "tables": {}}
        rows = self.lines(loc, value, "measures", "measures have the lines body:, pattern: and tables:")
        for part, entries in rows.items():
            if not self.known((*loc, part), part, result, "key"):
                continue
            if not isinstance(entries, Mapping):
                self.fault((*loc, part), "measures", f"{part} is written as lines like 'hip: 40 in'")
                continue
            for name, entry in entries.items():
                at = (*loc, part, name)
                if not self.known(at, name, BODY_MM, "key"):
                    continue
                if part == "tables":
                    if self.known(at, entry, self.base.ease, "ease table"):
                        result[part][name] = entry
                elif (length := self.length(at, entry)) is not None:
                    if doubt := doubt_of_body(name, length, self.units):
                        self.fault(at, "amount", doubt, "check the measure and its unit")
                    result[part][name] = length
        return result

    def done(self, loc: Loc, value: object) -> tuple[Done, ...]:
        """Alterations of earlier rounds, each a block or the name alone."""
        if isinstance(value, list):
            value = [{"alteration": item} if isinstance(item, str) else item for item in value]
        result: list[Done] = []
        for at, item in self.items(loc, value, "earlier alterations", "{alteration: NAME, amount: 1/2 in, round: 1}"):
            self.keys(at, item, ("alteration", "amount", "round"))
            if not self.known((*at, "alteration"), item.get("alteration"), self.base.alterations, "alteration"):
                continue
            amount = self.given(at, item, "amount")
            most = self.base.alterations[str(item["alteration"])].most_a_round.amount_mm
            if amount is not None and (doubt := doubt_of_alteration(amount, most, self.units)):
                self.fault((*at, "amount"), "amount", doubt, "check the amount and its unit")
            if (number := self.round(at, item)) is None:
                continue
            result.append(Done(str(item["alteration"]), amount, number))
        return tuple(result)


def read_findings(path: Path, base: RuleBase) -> Findings:
    """Read a findings file. Raises ProblemsFoundError with every fault at its line and column."""
    document = read_yaml(path, LARGEST, "findings file")
    return findings_in(document, (), document.data, base, extra_keys=(), needs_schema=True)


def findings_in(document: Document, loc: Loc, data: Any, base: RuleBase, *,
                extra_keys: tuple[str, ...], needs_schema: bool, hints: Hints | None = None) -> Findings:  # fmt: skip
    """The findings in a mapping at `loc` of a document; `extra_keys` are left to the caller."""
    reader = _Reader(document, base, hints or Hints())
    if not isinstance(data, Mapping):
        reader.fault(loc, "not-a-mapping", "a findings file has lines like 'symptoms:' and 'body:'")
        raise ProblemsFoundError(reader.problems)
    keys = ("schema", "garment", "client", "units", "body", "symptoms", "done", "measures", "notes",
            "at_rest", "readings_from", "earlier", *extra_keys)  # fmt: skip
    reader.keys(loc, data, keys)
    if needs_schema and data.get("schema") != SCHEMA:
        told = one_line(data["schema"], 40) if "schema" in data else "missing"
        reader.fault((*loc, "schema"), "schema", f"schema is {told}", f"the first line should be 'schema: {SCHEMA}'")
    if data.get("garment", base.about.garment) != base.about.garment:
        told = f"this rule base is for {base.about.garment}, not for '{one_line(data['garment'], 30)}'"
        reader.fault((*loc, "garment"), "garment", told)
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
    reader.units = units or _units_of(data)
    measures = reader.measures((*loc, "measures"), data.get("measures"))
    body, body_sides = reader.body((*loc, "body"), data.get("body"))
    source = reader.word(
        (*loc, "readings_from"), data.get("readings_from"), lambda w: w if w in get_args(ReadingsFrom) else None,
        " or ".join(get_args(ReadingsFrom)),
    )  # fmt: skip
    symptoms = reader.symptoms((*loc, "symptoms"), data.get("symptoms"))
    findings = Findings(
        symptoms=symptoms,
        body=body,
        body_sides=body_sides,
        done=reader.done((*loc, "done"), data.get("done")),
        units=reader.units,
        client=one_line(client, 80),
        notes=tuple(one_line(note, 500) for note in (*notes, *reader.notes)),
        body_measures=measures["body"],
        pattern_measures=measures["pattern"],
        tables=measures["tables"],
        at_rest={name: mm for name, (mm, _) in reader.readings((*loc, "at_rest"), data.get("at_rest")).items()},
        readings_from=source or "cloth",
        earlier=reader.earlier((*loc, "earlier"), data.get("earlier")),
    )
    if reader.problems:
        raise ProblemsFoundError(reader.problems)
    return findings


def _units_of(data: Any) -> Units:
    """Inches unless more of the amounts are written in the metric way."""

    def units_in(value: object) -> Iterator[Units | None]:
        if isinstance(value, Mapping | list):
            for inner in value.values() if isinstance(value, Mapping) else value:
                yield from units_in(inner)
        elif isinstance(value, str) and value[:1].isdigit():
            with suppress(InvalidLengthError):
                yield parse_length(value).unit

    units = list(units_in(data))
    return "cm" if units.count("cm") > units.count("in") else "in"


def findings_text(findings: Findings, garment: str) -> str:
    """The findings as a file (`fitdiag.findings/1`) that reads back to the same; lengths in mm, text quoted as in JSON."""
    lines = [f"schema: {SCHEMA}", f"garment: {garment}", f"units: {findings.units}"]
    if findings.client:
        lines.append(f"client: {json.dumps(findings.client, ensure_ascii=False)}")
    if findings.readings_from != "cloth":
        lines.append(f"readings_from: {findings.readings_from}")
    lines += _block("body", {
        note: f"{grade} {side}" if (side := findings.body_sides.get(note)) else grade
        for note, grade in findings.body.items()
    })  # fmt: skip
    lines += _block(
        "symptoms", {finding.symptom: _flow(_of_finding(finding)) for finding in findings.symptoms.values()}
    )
    if findings.done:
        lines.append("done:")
    for done in findings.done:
        amount = {"amount": _mm(done.amount_mm)} if done.amount_mm is not None else {}
        lines.append(f"  - {_flow({'alteration': done.alteration, **amount, 'round': str(done.round)})}")
    measures = {"body": findings.body_measures, "pattern": findings.pattern_measures}
    shown = {key: _flow({name: _mm(mm) for name, mm in given.items()}) for key, given in measures.items() if given}
    lines += _block("measures", {**shown, **({"tables": _flow(findings.tables)} if findings.tables else {})})
    lines += _block("at_rest", {name: _mm(amount) for name, amount in findings.at_rest.items()})
    if findings.earlier:
        lines.append("earlier:")
    for item in findings.earlier:
        readings = {name: _flow(_of_reading(*reading)) for name, reading in item.readings.items()}
        lines.append(f"  - {_flow({'round': str(item.round), 'readings': _flow(readings)})}")
    if findings.notes:
        lines += ["notes:", *(f"  - {json.dumps(note, ensure_ascii=False)}" for note in findings.notes)]
    return "\n".join(lines) + "\n"


def _mm(mm: float) -> str:
    return f"{mm:.6g} mm"


def _flow(entries: Mapping[str, str]) -> str:
    return f"{{{', '.join(f'{key}: {value}' for key, value in entries.items())}}}"


def _block(key: str, entries: Mapping[str, str]) -> list[str]:
    return [f"{key}:", *(f"  {name}: {value}" for name, value in entries.items())] if entries else []


def _of_reading(amount_mm: float, error_mm: float | None) -> dict[str, str]:
    return {"amount": _mm(amount_mm), **({"error": _mm(error_mm)} if error_mm is not None else {})}


def _of_finding(finding: Finding) -> dict[str, str]:
    error = {"error": _mm(finding.error_mm)} if finding.error_mm is not None else {}
    if finding.left_mm is not None and finding.right_mm is not None:
        return {"left": _mm(finding.left_mm), "right": _mm(finding.right_mm), **error, "origin": finding.origin}
    amount = {"amount": _mm(finding.amount_mm)} if finding.amount_mm is not None else {}
    words = {key: value for key in ("severity", "side") if (value := getattr(finding, key))}
    return {"seen": finding.seen, **amount, **error, **words, "origin": finding.origin}
