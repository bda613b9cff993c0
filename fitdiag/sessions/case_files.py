"""What `case.yaml` and `round.yaml` hold, as immutable values, and their text: read strictly, written so that it reads back.

Lengths are written with their unit; dates as 2026-11-23. Figures without a unit stand only in the outcome, in millimetres.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from fitdiag.knowledge.basics import Part, length_mm, one_or_many
from fitdiag.knowledge.findings import Side
from fitdiag.knowledge.findings_file import MOST_DONE
from fitdiag.knowledge.reading import quoted as told_value
from fitdiag.knowledge.reading import read_file, wrong
from fitdiag.knowledge.strict_yaml import Document, scalar
from fitdiag.plausible import doubt_of_body
from fitdiag.problems import Problem, ProblemsFoundError, one_line
from fitdiag.units import LONGEST_MM, InvalidLengthError, Units, format_length, parse_length

CASE_SCHEMA = "fitdiag.case/1"
ROUND_SCHEMA = "fitdiag.round/1"
ROUND_FILE = "round.yaml"
LARGEST = 64 * 1024
LONGEST_NAME = 80
LONGEST_NOTE = 500
MOST_NOTES = 60
MOST_ADVISED = 20
MOST_FORMS = 40  # forms taken in during one round
Waiting = Literal["client", "fitter"]
Ending = Literal["fits", "given-up", "other"]

_ID = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*\Z")
_DAY = re.compile(r"(?:19|20)\d\d-\d\d-\d\d\Z")
_CHECKSUM = re.compile(r"[0-9a-f]{8}\Z")
_PLAIN = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9 ./_-]*[A-Za-z0-9._/-])?\Z")  # needs no quotes anywhere in YAML
_HEAD = "# May be changed by hand; what stands behind a # is not kept when the program writes.\n"


@dataclass(frozen=True)
class Consent:
    """Whether photos may be taken and kept, since when and until when; `removed`: the day they were deleted."""

    photos: bool = False
    given: date | None = None
    keep_until: date | None = None
    removed: date | None = None

    @property
    def refused(self) -> bool:
        """Whether a no was written down; without a day nobody has asked yet."""
        return not self.photos and self.given is not None


@dataclass(frozen=True)
class Closed:
    """How a case ended, in one word and in the fitter's words."""

    day: date
    outcome: Ending
    words: str = ""


@dataclass(frozen=True)
class Advised:
    """An alteration the client was told to make."""

    alteration: str
    amount_mm: float | None = None
    side: Side | None = None


@dataclass(frozen=True)
class Carried:
    """What was really done of an alteration: `done` no, or yes with the amount, as far as it is known."""

    alteration: str
    amount_mm: float | None = None
    done: bool = True


@dataclass(frozen=True)
class Outcome:
    """A symptom before the round and after it: what was expected and what was observed, with its error. In mm, signed."""

    before: float | None = None
    expected: float | None = None
    observed: float | None = None
    error: float | None = None


@dataclass(frozen=True)
class Round:
    """One round. `done` is empty as long as nobody was asked what was done; `fits` is None as long as it is open.

    `left_out`: alterations that the list held and the fitter chose not to advise. `forms`: the checksums of the forms taken in.
    """

    number: int
    folder: Path
    opened: date
    since: date
    waiting: Waiting = "fitter"
    sent: date | None = None
    form_received: date | None = None
    forms: tuple[str, ...] = ()
    advised: tuple[Advised, ...] = ()
    left_out: tuple[str, ...] = ()
    done: tuple[Carried, ...] = ()
    outcome: Mapping[str, Outcome] = field(default_factory=dict)
    fits: bool | None = None

    @property
    def findings_file(self) -> Path:
        return self.folder / "findings.yaml"

    @property
    def log_file(self) -> Path:
        return self.folder / "session.jsonl"

    @property
    def plan_file(self) -> Path:
        return self.folder / "plan.json"

    @property
    def photos(self) -> Path:
        return self.folder / "photos"

    @property
    def documents(self) -> Path:
        return self.folder / "documents"


@dataclass(frozen=True)
class Case:
    """One client's garment. Measures in mm; `pattern` is a path below the case folder, empty without one.

    `alone`: the client fits herself, with nobody to help.
    """

    folder: Path
    name: str
    garment: str
    units: Units
    opened: date
    body: Mapping[str, str] = field(default_factory=dict)
    body_measures: Mapping[str, float] = field(default_factory=dict)
    pattern_measures: Mapping[str, float] = field(default_factory=dict)
    tables: Mapping[str, str] = field(default_factory=dict)
    pattern: str = ""
    alone: bool = False
    consent: Consent = Consent()
    notes: tuple[str, ...] = ()
    closed: Closed | None = None
    rounds: tuple[Round, ...] = ()

    def round(self, number: int) -> Round:
        """The round of that number. Raises KeyError."""
        for one in self.rounds:
            if one.number == number:
                return one
        raise KeyError(number)

    @property
    def last_round(self) -> Round | None:
        return self.rounds[-1] if self.rounds else None


# -- reading -----------------------------------------------------------------------------------------------------------


def _day(value: object) -> date:
    if not isinstance(value, str) or not _DAY.match(value):
        raise wrong("day", f"{told_value(value)} is not a day", "write it like 2026-11-23")
    try:
        return date.fromisoformat(value)
    except ValueError:
        raise wrong("day", f"{told_value(value)} is not a day", "write it like 2026-11-23") from None


def _yes_no(value: object) -> bool:
    if isinstance(value, bool):
        return value
    if value not in ("yes", "no"):
        raise wrong("value", f"{told_value(value)} is neither yes nor no")
    return value == "yes"


def _length(value: object) -> float:
    try:
        return length_mm(value)
    except ValueError as error:
        raise wrong("amount", str(error)) from None


def _millimetres(value: object) -> float:
    if isinstance(value, str):
        return _length(value)
    if isinstance(value, bool) or not isinstance(value, int | float) or not -LONGEST_MM <= value <= LONGEST_MM:
        raise wrong("amount", f"{told_value(value)} is not a length", "write millimetres, or 3/4 in or 2 cm")
    return float(value)


def _id(value: object) -> str:
    if not isinstance(value, str) or len(value) > 80 or not _ID.match(value):
        raise wrong("id", f"{told_value(value)} is not an id", "ids are small words with hyphens")
    return value


def _checksum(value: object) -> str:
    if not isinstance(value, str) or not _CHECKSUM.match(value):
        raise wrong("value", f"{told_value(value)} is not the checksum of a form")
    return value


def _text(longest: int, *, needed: bool = True) -> BeforeValidator:
    def cleaned(value: object) -> str:
        shown = one_line(value, longest + 1) if isinstance(value, str) else ""
        if not isinstance(value, str) or len(value) > longest or (needed and not shown):
            raise wrong("text", f"this is text of at most {longest} characters")
        return shown

    return BeforeValidator(cleaned)


def _grades(value: object) -> object:
    """Body notes with their grades; the short form, `[flat-seat, low-seat: marked]`, as in a findings file."""
    pairs: list[tuple[object, object]] = []
    for item in value if isinstance(value, list) else [value]:
        pairs += item.items() if isinstance(item, Mapping) else [(item, "some")] if isinstance(value, list) else []
    if not isinstance(value, list | Mapping) or not all(isinstance(note, str) for note, _ in pairs):
        raise wrong("value", "this is written like 'flat-seat: some' or [flat-seat, low-seat]")
    plain = {True: "some", False: "no", "yes": "some"}
    return {note: plain.get(grade, grade) if isinstance(grade, bool | str) else grade for note, grade in pairs}


Day = Annotated[date, BeforeValidator(_day)]
YesNo = Annotated[bool, BeforeValidator(_yes_no)]
Length = Annotated[float, BeforeValidator(_length)]
Millimetres = Annotated[float, BeforeValidator(_millimetres)]
Id = Annotated[str, BeforeValidator(_id)]
Note = Annotated[str, _text(LONGEST_NOTE)]


class _Measures(Part):
    body: dict[Id, Length] = {}
    pattern: dict[Id, Length] = {}
    tables: dict[Id, Id] = {}


class _Consent(Part):
    photos: YesNo = False
    date: Day | None = None
    keep_until: Day | None = None
    removed: Day | None = None


class _Closed(Part):
    date: Day
    outcome: Ending
    words: Annotated[str, _text(LONGEST_NOTE, needed=False)] = ""


class _CaseFile(Part):
    name: Annotated[str, _text(LONGEST_NAME)]
    garment: Id
    units: Units = "in"
    opened: Day
    body: Annotated[dict[Id, Id], BeforeValidator(_grades)] = {}
    measures: _Measures = _Measures()
    pattern: Annotated[str, _text(200, needed=False)] = ""
    alone: YesNo = False
    consent: _Consent = _Consent()
    notes: Annotated[tuple[Note, ...], BeforeValidator(one_or_many), Field(max_length=MOST_NOTES)] = ()
    closed: _Closed | None = None


class _Advised(Part):
    alteration: Id
    amount: Length | None = None
    side: Side | None = None


class _Carried(Part):
    alteration: Id
    amount: Length | None = None
    done: YesNo = True

    @model_validator(mode="after")
    def _nothing_of_nothing(self) -> _Carried:
        if not self.done and self.amount is not None:
            raise wrong("amount", "an alteration that was not done has no amount")
        return self


class _Outcome(Part):
    before: Millimetres | None = None
    expected: Millimetres | None = None
    observed: Millimetres | None = None
    error: Millimetres | None = None


class _RoundFile(Part):
    opened: Day
    waiting: Waiting = "fitter"
    since: Day | None = None
    sent: Day | None = None
    form_received: Day | None = None
    forms: Annotated[tuple[Annotated[str, BeforeValidator(_checksum)], ...], Field(max_length=MOST_FORMS)] = ()
    advised: Annotated[tuple[_Advised, ...], Field(max_length=MOST_ADVISED)] = ()
    left_out: Annotated[tuple[Id, ...], Field(max_length=MOST_ADVISED)] = ()
    done: Annotated[tuple[_Carried, ...], Field(max_length=MOST_DONE)] = ()
    outcome: dict[Id, _Outcome] = {}
    fits: YesNo | None = None


CASE_KEYS = ("schema", *_CaseFile.model_fields)
_OUTCOME = tuple(_Outcome.model_fields)


def case_in(document: Document, folder: Path) -> Case:
    """The case in a `case.yaml`, without its rounds. Raises ProblemsFoundError with every fault at its line and column.

    Whether the rules know its body notes and measures is looked at when they are used.
    """
    file = read_file(document, _CaseFile, CASE_SCHEMA)
    problems = [
        Problem("amount", doubt, document.where(("measures", part, name)), "check the measure and its unit")
        for part, lengths in (("body", file.measures.body), ("pattern", file.measures.pattern))
        for name, mm in lengths.items()
        if (doubt := doubt_of_body(name, mm, "cm"))
    ]
    if told := _leads_out(file.pattern, document.data.get("pattern"), folder):
        problems.append(Problem("path", told[0], document.where(("pattern",)), told[1]))
    if problems:
        raise ProblemsFoundError(problems)
    agreed, end = file.consent, file.closed
    return Case(
        folder, file.name, file.garment, file.units, file.opened, file.body, file.measures.body, file.measures.pattern,
        file.measures.tables, PurePosixPath(file.pattern).as_posix() if file.pattern else "", alone=file.alone,
        consent=Consent(agreed.photos, agreed.date, agreed.keep_until, agreed.removed), notes=file.notes,
        closed=Closed(end.date, end.outcome, end.words) if end is not None else None,
    )  # fmt: skip


def _leads_out(text: str, written: object, folder: Path) -> tuple[str, str] | None:
    """Why a path does not stay in the case folder, links followed, and what to do; None where it does."""
    if not text:
        return None
    if text != written or "\\" in text or PureWindowsPath(text).drive or PurePosixPath(text).is_absolute():
        return "this is not a path inside the case folder", "write it like pattern.yaml"
    try:
        inside = ".." not in PurePosixPath(text).parts and (folder / text).resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):  # a circle of links, a name too long
        inside = False
    return None if inside else ("this path leads out of the case folder", "copy the file into the case folder")


def round_in(document: Document, number: int, folder: Path) -> Round:
    """The round in a `round.yaml`. Raises ProblemsFoundError with every fault at its line and column."""
    file = read_file(document, _RoundFile, ROUND_SCHEMA)
    return Round(
        number, folder, file.opened, file.since or file.opened, file.waiting, file.sent, file.form_received, file.forms,
        tuple(Advised(item.alteration, item.amount, item.side) for item in file.advised), file.left_out,
        tuple(Carried(item.alteration, item.amount, item.done) for item in file.done),
        {symptom: Outcome(**values.model_dump()) for symptom, values in file.outcome.items()}, file.fits,
    )  # fmt: skip


# -- writing -----------------------------------------------------------------------------------------------------------


def length_text(mm: float, units: Units) -> str:
    """A length in the case's units, as it is cut where that is exact; else in mm, so that nothing is rounded away.

    >>> length_text(19.05, "in"), length_text(7.0, "in"), length_text(25.0, "cm")
    ('3/4 in', '7 mm', '2.5 cm')
    """
    with suppress(InvalidLengthError):  # rounded up, it may be longer than any length
        shown = format_length(mm, units)
        if mm >= 0 and abs(parse_length(shown).mm - mm) < 0.005:
            return shown
    return f"{round(mm, 3):.4f}".rstrip("0").rstrip(".") + " mm"


def quoted(text: str) -> str:
    """A text as a YAML scalar that reads back as the same text, in a line or in brackets.

    >>> quoted("the lamplighter"), quoted("no: 7"), quoted("true")
    ('the lamplighter', '"no: 7"', '"true"')
    """
    if _PLAIN.match(text) and scalar(text) == text:
        return text
    return json.dumps(text, ensure_ascii=False)


def _flow(pairs: Iterable[tuple[str, str | None]]) -> str:
    return "{" + ", ".join(f"{key}: {value}" for key, value in pairs if value is not None) + "}"


def _block(key: str, lines: Iterable[str]) -> str:
    told = "".join(f"  {line}\n" for line in lines)
    return f"{key}:\n{told}" if told else ""


def _iso(value: date | None) -> str | None:
    return value.isoformat() if value else None


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def case_text(case: Case, head: str = _HEAD) -> str:
    """The text of `case.yaml`."""
    agreed = case.consent
    measures = [
        f"{part}: " + _flow((name, length_text(mm, case.units)) for name, mm in lengths.items())
        for part, lengths in (("body", case.body_measures), ("pattern", case.pattern_measures))
        if lengths
    ]
    if case.tables:
        measures.append("tables: " + _flow((name, quoted(table)) for name, table in case.tables.items()))
    text = f"{head}schema: {CASE_SCHEMA}\nname: {quoted(case.name)}\ngarment: {quoted(case.garment)}\n"
    text += f"units: {case.units}\nopened: {case.opened.isoformat()}\n"
    text += _block("body", (f"{note}: {quoted(grade)}" for note, grade in case.body.items()))
    text += _block("measures", measures)
    text += f"pattern: {quoted(case.pattern)}\n" if case.pattern else ""
    text += "alone: yes\n" if case.alone else ""
    told = [("photos", _yes(agreed.photos)), ("date", _iso(agreed.given)), ("keep_until", _iso(agreed.keep_until))]
    text += f"consent: {_flow([*told, ('removed', _iso(agreed.removed))])}\n"
    text += _block("notes", (f"- {quoted(note)}" for note in case.notes))
    if end := case.closed:
        told = [("date", _iso(end.day)), ("outcome", end.outcome), ("words", quoted(end.words) if end.words else None)]
        text += f"closed: {_flow(told)}\n"
    return text


def round_text(one: Round, units: Units, head: str = _HEAD) -> str:
    """The text of `round.yaml`."""

    def amount(mm: float | None) -> str | None:
        return None if mm is None else length_text(mm, units)

    text = f"{head}schema: {ROUND_SCHEMA}\nopened: {one.opened.isoformat()}\n"
    text += f"waiting: {one.waiting}\nsince: {one.since.isoformat()}\n"
    text += f"sent: {one.sent.isoformat()}\n" if one.sent else ""
    text += f"form_received: {one.form_received.isoformat()}\n" if one.form_received else ""
    text += f"forms: [{', '.join(map(quoted, one.forms))}]\n" if one.forms else ""
    text += _block(
        "advised",
        (
            "- "
            + _flow([("alteration", quoted(item.alteration)), ("amount", amount(item.amount_mm)), ("side", item.side)])
            for item in one.advised
        ),
    )
    text += _block("left_out", (f"- {quoted(alteration)}" for alteration in one.left_out))
    text += _block(
        "done",
        (
            "- "
            + _flow(
                [
                    ("alteration", quoted(item.alteration)),
                    ("amount", amount(item.amount_mm)),
                    ("done", None if item.done else "no"),
                ]
            )
            for item in one.done
        ),
    )
    lines = (
        f"{symptom}: " + _flow((key, _figure(getattr(values, key))) for key in _OUTCOME)
        for symptom, values in one.outcome.items()
    )
    text += _block("outcome", lines)
    return text + (f"fits: {_yes(one.fits)}\n" if one.fits is not None else "")


def _figure(mm: float | None) -> str | None:
    return None if mm is None else f"{mm + 0.0:.3f}".rstrip("0").rstrip(".")
