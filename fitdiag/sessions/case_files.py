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
from typing import Any, Literal, get_args

from fitdiag.knowledge.findings import SIDES, Side
from fitdiag.knowledge.findings_file import MOST_DONE
from fitdiag.knowledge.strict_yaml import Document, scalar
from fitdiag.plausible import doubt_of_body
from fitdiag.problems import Hints, Problem, ProblemsFoundError, one_line
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

CASE_KEYS = (
    "schema", "name", "garment", "units", "opened", "body", "measures", "pattern", "alone", "consent", "notes", "closed",
)  # fmt: skip
_ROUND_KEYS = (
    "schema", "opened", "waiting", "since", "sent", "form_received", "forms", "advised", "left_out", "done", "outcome", "fits",
)  # fmt: skip
Loc = tuple[str | int, ...]


class _Reader:
    """Collects every fault of a file while its values are read."""

    def __init__(self, document: Document) -> None:
        self.document, self.hints, self.problems = document, Hints(), list[Problem]()

    def fault(self, loc: Loc, code: str, message: str, hint: str = "") -> None:
        self.problems.append(Problem(code, message, self.document.where(loc), hint))

    def top(self, keys: tuple[str, ...], schema: str) -> Mapping[str, Any]:
        data = self.document.data
        if not isinstance(data, Mapping) or data.get("schema") != schema:
            found = data.get("schema", "missing") if isinstance(data, Mapping) else "missing"
            self.fault(
                ("schema",),
                "schema",
                f"schema is {one_line(found, 40)}",
                f"the first line should be 'schema: {schema}'",
            )
            raise ProblemsFoundError(self.problems)
        self.keys((), data, keys)
        return data

    def keys(self, loc: Loc, value: Mapping[str, Any], known: tuple[str, ...]) -> None:
        for key in value:
            if key not in known:
                hint = self.hints.near(key, known) or f"write {', '.join(known)}"
                self.problems.append(
                    Problem(
                        "unknown-key", f"there is no key '{one_line(key, 50)}'", self.document.where_key(loc, key), hint
                    )
                )

    def mapping(self, loc: Loc, value: object, known: tuple[str, ...], like: str) -> Mapping[str, Any]:
        if value is None:
            return {}
        if not isinstance(value, Mapping):
            self.fault(loc, "value", f"this is written like {like}")
            return {}
        if known:
            self.keys(loc, value, known)
        return value

    def items(self, loc: Loc, value: object, most: int, like: str) -> list[Any]:
        if value is None:
            return []
        if not isinstance(value, list):
            self.fault(loc, "value", f"this is a list of lines like {like}")
            return []
        if len(value) > most:
            self.fault((*loc, most), "too-many", f"there are more than {most} of them", "is it the right file?")
        return value[:most]

    def text(self, loc: Loc, value: object, longest: int, needed: str = "") -> str:
        if value is None and not needed:
            return ""
        shown = one_line(value, longest + 1) if isinstance(value, str) else ""
        if not isinstance(value, str) or len(value) > longest or (needed and not shown):
            self.fault(loc, "text", f"{needed or 'this'} is text of at most {longest} characters")
            return ""
        return shown

    def word(self, loc: Loc, value: object, known: tuple[str, ...], default: str = "") -> str:
        if value is None and default:
            return default
        if value not in known:
            self.fault(loc, "value", f"'{one_line(value, 30)}' is not one of {', '.join(known)}")
            return default or known[0]
        return str(value)

    def yes_no(self, loc: Loc, value: object) -> bool | None:
        if value is None or isinstance(value, bool):
            return value
        if value not in ("yes", "no"):
            self.fault(loc, "value", f"'{one_line(value, 30)}' is neither yes nor no")
        return value == "yes"

    def day(self, loc: Loc, value: object, *, needed: bool = False) -> date | None:
        if value is None and not needed:
            return None
        try:
            if not isinstance(value, str) or not _DAY.match(value):
                raise ValueError
            return date.fromisoformat(value)
        except ValueError:
            told = "a day is missing here" if value is None else f"'{one_line(value, 30)}' is not a day"
            self.fault(loc, "day", told, "write it like 2026-11-23")
            return None

    def length(self, loc: Loc, value: object) -> float | None:
        if value is None:
            return None
        try:
            if not isinstance(value, str):
                raise InvalidLengthError(f"'{one_line(value, 20)}' has no unit; write it like 3/4 in or 2 cm")
            return parse_length(value).mm
        except InvalidLengthError as error:
            self.fault(loc, "amount", str(error))
            return None

    def millimetres(self, loc: Loc, value: object) -> float | None:
        if value is None:
            return None
        if isinstance(value, str):
            return self.length(loc, value)
        if isinstance(value, bool) or not isinstance(value, int | float) or not -LONGEST_MM <= value <= LONGEST_MM:
            self.fault(
                loc, "amount", f"'{one_line(value, 20)}' is not a length", "write millimetres, or 3/4 in or 2 cm"
            )
            return None
        return float(value)

    def id(self, loc: Loc, value: object, what: str) -> str:
        if not isinstance(value, str) or len(value) > 80 or not _ID.match(value):
            self.fault(
                loc, "id", f"'{one_line(value, 40)}' is not the id of {what}", "ids are small words with hyphens"
            )
            return ""
        return value

    def lengths(self, loc: Loc, value: object) -> dict[str, float]:
        result: dict[str, float] = {}
        for name, entry in self.mapping(loc, value, (), "'hip: 40 in'").items():
            length = self.length((*loc, name), entry)
            if length is not None and (doubt := doubt_of_body(name, length, "cm")):
                self.fault((*loc, name), "amount", doubt, "check the measure and its unit")
            elif self.id((*loc, name), name, "a measure") and length is not None:
                result[name] = length
        return result

    def done(self) -> None:
        if self.problems:
            raise ProblemsFoundError(self.problems)


def case_in(document: Document, folder: Path) -> Case:
    """The case in a `case.yaml`, without its rounds. Raises ProblemsFoundError with every fault at its line and column.

    Whether the rules know its body notes and measures is looked at when they are used.
    """
    reader = _Reader(document)
    data = reader.top(CASE_KEYS, CASE_SCHEMA)
    body: dict[str, str] = {}
    given = data.get("body")
    entries: list[tuple[Loc, Any, Any]] = []
    if isinstance(given, list):  # the short form, as in a findings file
        for index, item in enumerate(given):
            pairs = item.items() if isinstance(item, Mapping) else [(item, "some")]
            entries += [(("body", index), note, grade) for note, grade in pairs]
    else:
        mapping = reader.mapping(("body",), given, (), "'flat-seat: some' or [flat-seat, low-seat]")
        entries += [(("body", note), note, grade) for note, grade in mapping.items()]
    for loc, note, grade in entries:
        plain = {True: "some", False: "no"}[grade] if isinstance(grade, bool) else "some" if grade == "yes" else grade
        if reader.id(loc, note, "a body note") and reader.id(loc, plain, "a grade, like some, marked or no"):
            body[note] = plain
    measures = reader.mapping(
        ("measures",), data.get("measures"), ("body", "pattern", "tables"), "{body: {hip: 40 in}}"
    )
    tables = reader.mapping(("measures", "tables"), measures.get("tables"), (), "'hip: table-id'")
    agreed = reader.mapping(
        ("consent",),
        data.get("consent"),
        ("photos", "date", "keep_until", "removed"),
        "{photos: yes, date: 2026-11-23}",
    )
    notes = data.get("notes")
    case = Case(
        folder=folder,
        name=reader.text(("name",), data.get("name"), LONGEST_NAME, "the name"),
        garment=reader.id(("garment",), data.get("garment"), "a garment"),
        units="cm" if reader.word(("units",), data.get("units"), ("in", "cm"), "in") == "cm" else "in",
        opened=reader.day(("opened",), data.get("opened"), needed=True) or date.min,
        body=body,
        body_measures=reader.lengths(("measures", "body"), measures.get("body")),
        pattern_measures=reader.lengths(("measures", "pattern"), measures.get("pattern")),
        tables={
            name: table
            for name, table in tables.items()
            if reader.id(("measures", "tables", name), table, "an ease table")
        },
        pattern=_path_inside(reader, ("pattern",), data.get("pattern"), folder),
        alone=reader.yes_no(("alone",), data.get("alone")) or False,
        consent=Consent(
            photos=reader.yes_no(("consent", "photos"), agreed.get("photos")) or False,
            given=reader.day(("consent", "date"), agreed.get("date")),
            keep_until=reader.day(("consent", "keep_until"), agreed.get("keep_until")),
            removed=reader.day(("consent", "removed"), agreed.get("removed")),
        ),
        notes=tuple(
            note
            for index, item in enumerate(
                [notes] if isinstance(notes, str) else reader.items(("notes",), notes, MOST_NOTES, "'- wears boots'")
            )
            if (
                note := reader.text(
                    ("notes",) if isinstance(notes, str) else ("notes", index), item, LONGEST_NOTE, "a note"
                )
            )
        ),
        closed=_closed(reader, data.get("closed")) if data.get("closed") is not None else None,
    )
    reader.done()
    return case


def _closed(reader: _Reader, value: object) -> Closed | None:
    data = reader.mapping(("closed",), value, ("date", "outcome", "words"), "{date: 2026-11-23, outcome: fits}")
    day = reader.day(("closed", "date"), data.get("date"), needed=True)
    outcome = reader.word(("closed", "outcome"), data.get("outcome"), get_args(Ending))
    words = reader.text(("closed", "words"), data.get("words"), LONGEST_NOTE)
    return Closed(day, outcome, words) if day else None  # type: ignore[arg-type]


def _path_inside(reader: _Reader, loc: Loc, value: object, folder: Path) -> str:
    """A path that stays in the case folder, links followed; empty if there is none."""
    text = reader.text(loc, value, 200)
    if not text:
        return ""
    if text != value or "\\" in text or PureWindowsPath(text).drive or PurePosixPath(text).is_absolute():
        reader.fault(loc, "path", "this is not a path inside the case folder", "write it like pattern.yaml")
        return ""
    try:
        inside = ".." not in PurePosixPath(text).parts and (folder / text).resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):  # a circle of links, a name too long
        inside = False
    if not inside:
        reader.fault(loc, "path", "this path leads out of the case folder", "copy the file into the case folder")
        return ""
    return PurePosixPath(text).as_posix()


def round_in(document: Document, number: int, folder: Path) -> Round:
    """The round in a `round.yaml`. Raises ProblemsFoundError with every fault at its line and column."""
    reader = _Reader(document)
    data = reader.top(_ROUND_KEYS, ROUND_SCHEMA)
    opened = reader.day(("opened",), data.get("opened"), needed=True) or date.min
    like = "{alteration: NAME, amount: 1/2 in}"
    advised: list[Advised] = []
    for index, item in enumerate(reader.items(("advised",), data.get("advised"), MOST_ADVISED, like)):
        loc: Loc = ("advised", index)
        entry = reader.mapping(loc, item, ("alteration", "amount", "side"), like)
        side = reader.word((*loc, "side"), entry["side"], SIDES) if "side" in entry else None
        advised.append(
            Advised(
                reader.id((*loc, "alteration"), entry.get("alteration"), "an alteration"),
                reader.length((*loc, "amount"), entry.get("amount")),
                side,  # type: ignore[arg-type]
            )
        )
    left_out = [
        reader.id(("left_out", index), item, "an alteration")
        for index, item in enumerate(reader.items(("left_out",), data.get("left_out"), MOST_ADVISED, "slant-back-seam"))
    ]
    forms: list[str] = []
    for index, item in enumerate(reader.items(("forms",), data.get("forms"), MOST_FORMS, "0a1b2c3d")):
        if isinstance(item, str) and _CHECKSUM.match(item):
            forms.append(item)
        else:
            reader.fault(("forms", index), "value", f"'{one_line(item, 30)}' is not the checksum of a form")
    done: list[Carried] = []
    for index, item in enumerate(reader.items(("done",), data.get("done"), MOST_DONE, like)):
        loc = ("done", index)
        entry = reader.mapping(loc, item, ("alteration", "amount", "done"), like)
        was_done = reader.yes_no((*loc, "done"), entry.get("done"))
        alteration = reader.id((*loc, "alteration"), entry.get("alteration"), "an alteration")
        amount = reader.length((*loc, "amount"), entry.get("amount"))
        if was_done is False and amount is not None:
            reader.fault((*loc, "amount"), "amount", "an alteration that was not done has no amount")
        done.append(Carried(alteration, amount, was_done is not False))
    outcome: dict[str, Outcome] = {}
    for symptom, item in reader.mapping(("outcome",), data.get("outcome"), (), "'symptom-id: {observed: 3}'").items():
        loc = ("outcome", symptom)
        entry = reader.mapping(loc, item, ("before", "expected", "observed", "error"), "{before: 19, observed: 3}")
        if reader.id(loc, symptom, "a symptom"):
            outcome[symptom] = Outcome(**{key: reader.millimetres((*loc, key), entry.get(key)) for key in _OUTCOME})
    waiting = reader.word(("waiting",), data.get("waiting"), get_args(Waiting), "fitter")
    result = Round(
        number=number,
        folder=folder,
        opened=opened,
        since=reader.day(("since",), data.get("since")) or opened,
        waiting="client" if waiting == "client" else "fitter",
        sent=reader.day(("sent",), data.get("sent")),
        form_received=reader.day(("form_received",), data.get("form_received")),
        forms=tuple(forms),
        advised=tuple(advised),
        left_out=tuple(left_out),
        done=tuple(done),
        outcome=outcome,
        fits=reader.yes_no(("fits",), data.get("fits")),
    )
    reader.done()
    return result


_OUTCOME = ("before", "expected", "observed", "error")


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


def _day(value: date | None) -> str | None:
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
    told = [("photos", _yes(agreed.photos)), ("date", _day(agreed.given)), ("keep_until", _day(agreed.keep_until))]
    text += f"consent: {_flow([*told, ('removed', _day(agreed.removed))])}\n"
    text += _block("notes", (f"- {quoted(note)}" for note in case.notes))
    if end := case.closed:
        told = [("date", _day(end.day)), ("outcome", end.outcome), ("words", quoted(end.words) if end.words else None)]
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
