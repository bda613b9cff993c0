"""What `case.yaml` and `round.yaml` hold, as immutable values, and their text: read strictly, written so that it reads back.

Lengths are written with their unit, dates as 2026-11-23. Only outcome and nudges hold figures without a unit, in millimetres.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, fields
from datetime import date
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Annotated, Any, Literal, get_type_hints

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    PlainValidator,
    StringConstraints,
    ValidationInfo,
    create_model,
)

from fitdiag.knowledge.about import FigurePart
from fitdiag.knowledge.basics import Id, LengthMm, Part, Strict, YesNo, length_mm, one_or_many
from fitdiag.knowledge.findings import MOST_DONE, Done, Side
from fitdiag.knowledge.findings_file import named, noted, of_the_body
from fitdiag.knowledge.reading import file_text, quoted, read_file, wrong
from fitdiag.knowledge.strict_yaml import Document
from fitdiag.problems import one_line
from fitdiag.units import LONGEST_MM, InvalidLengthError, Units, format_length, parse_day, parse_length, trimmed

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

_HEAD = "# May be changed by hand; what stands behind a # is not kept when the program writes.\n"


# -- what a value may be -----------------------------------------------------------------------------------------------


def _day(value: object) -> date:
    if isinstance(value, str) and value.startswith(("19", "20")) and (day := parse_day(value)) is not None:
        return day
    raise wrong("day", f"{quoted(value)} is not a day", "write it like 2026-11-23")


def _millimetres(value: object) -> float:
    if isinstance(value, str):
        return length_mm(value)
    if isinstance(value, bool) or not isinstance(value, int | float) or not -LONGEST_MM <= value <= LONGEST_MM:
        raise wrong("amount", f"{quoted(value)} is not a length", "write millimetres, or 3/4 in or 2 cm")
    return float(value)


def _text(longest: int, *, needed: bool = True) -> BeforeValidator:
    def cleaned(value: object) -> str:
        shown = one_line(value, longest + 1) if isinstance(value, str) else ""
        if not isinstance(value, str) or len(value) > longest or (needed and not shown):
            raise wrong("text", f"this is text of at most {longest} characters")
        return shown

    return BeforeValidator(cleaned)


def _grades(value: object) -> object:
    """Body notes and their grades, with a side if one holds for one alone, in any form a findings file allows."""
    plain = {"True": "some", "yes": "some", "False": "no", "left": "some left", "right": "some right"}
    return {note: plain.get(str(grade), grade) for note, grade in noted(value).items()}


def _inside(value: object, info: ValidationInfo[Path]) -> str:
    """A path that stays inside the case folder with links resolved; empty for none."""
    if value == "":
        return value
    if not isinstance(value, str) or len(value) > 200:
        raise wrong("text", "this is text of at most 200 characters")
    if one_line(value) != value or "\\" in value or PureWindowsPath(value).drive or PurePosixPath(value).is_absolute():
        raise wrong("path", "this is not a path inside the case folder", "write it like pattern.yaml")
    with suppress(OSError, ValueError, RuntimeError):  # a link loop, a name too long
        if ".." not in PurePosixPath(value).parts and (info.context / value).resolve().is_relative_to(
            info.context.resolve()
        ):
            return PurePosixPath(value).as_posix()
    raise wrong("path", "this path leads out of the case folder", "copy the file into the case folder")


Day = Annotated[date, BeforeValidator(_day)]
Millimetres = Annotated[float, BeforeValidator(_millimetres)]
BodyGrade = Annotated[str, StringConstraints(pattern=r"^[a-z]+(-[a-z]+)*( (left|right))?$", max_length=60)]
Checksum = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{8}$")]
Note = Annotated[str, _text(LONGEST_NOTE)]


# -- the values --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Consent(Strict):
    """Whether photos may be taken and kept, since when and until when; `removed`: the day they were deleted."""

    photos: YesNo = False
    given: Annotated[Day | None, Field(alias="date")] = None
    keep_until: Day | None = None
    removed: Day | None = None

    @property
    def refused(self) -> bool:
        """Whether a no was written down; without a day nobody has asked yet."""
        return not self.photos and self.given is not None


@dataclass(frozen=True)
class Closed(Strict):
    """How a case ended, in one word and in the fitter's words."""

    day: Annotated[Day, Field(alias="date")]
    outcome: Ending
    words: Annotated[str, _text(LONGEST_NOTE, needed=False)] = ""


@dataclass(frozen=True)
class Advised(Strict):
    """An alteration the client was told to make; `less`: in reverse, like shortening a leg.

    `only_if`: the sign that it waits for; it is made only if that shows once those before it are made.
    """

    alteration: Id
    amount_mm: Annotated[LengthMm | None, Field(alias="amount")] = None
    side: Side = "both"
    less: YesNo | None = None
    only_if: Id | None = None

    def as_done(self, number: int = 1) -> Done:
        """The alteration as one carried out in a round."""
        return Done(self.alteration, self.amount_mm, number, self.side, bool(self.less))


@dataclass(frozen=True)
class Carried(Advised):
    """What was really done of an advised alteration, as far as it is known, or that it was not `done`."""

    done: YesNo = True


@dataclass(frozen=True)
class Outcome(Strict):
    """A symptom before and after the round: expected and observed amount, and the error, all in mm and signed.

    `gone`: it was looked for and not seen, but nothing was measured, as of a distance that has grown long enough.
    """

    before: Millimetres | None = None
    expected: Millimetres | None = None
    observed: Millimetres | None = None
    error: Millimetres | None = None
    gone: YesNo | None = None


def _nothing_of_nothing(item: Carried) -> Carried:
    if not item.done and item.amount_mm is not None:
        raise wrong("amount", "an alteration that was not done has no amount")
    return item


@dataclass(frozen=True)
class Round:
    """One round. `done` is empty until somebody was asked what was done; `fits` is None while open.

    `left_out`: listed alterations the fitter chose not to advise. `forms`: checksums of the forms taken in.
    `nudges`: how far (mm) its try-on moved parts of the simulated body.
    """

    number: int
    folder: Path
    opened: Day
    since: Day
    waiting: Waiting = "fitter"
    sent: Day | None = None
    form_received: Day | None = None
    forms: Annotated[tuple[Checksum, ...], Field(max_length=MOST_FORMS)] = ()
    advised: Annotated[tuple[Advised, ...], Field(max_length=MOST_ADVISED)] = ()
    left_out: Annotated[tuple[Id, ...], Field(max_length=MOST_ADVISED)] = ()
    done: Annotated[
        tuple[Annotated[Carried, AfterValidator(_nothing_of_nothing)], ...], Field(max_length=MOST_DONE)
    ] = ()
    outcome: Mapping[Id, Outcome] = field(default_factory=dict)
    fits: YesNo | None = None
    nudges: Mapping[FigurePart, Annotated[Millimetres, Field(ge=-100, le=100)]] = field(default_factory=dict)

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
    name: Annotated[str, _text(LONGEST_NAME)]
    garment: Id
    units: Units
    opened: Day
    body: Annotated[Mapping[Id, BodyGrade], BeforeValidator(_grades)] = field(default_factory=dict)
    body_measures: Mapping[str, float] = field(default_factory=dict)
    pattern_measures: Mapping[str, float] = field(default_factory=dict)
    tables: Mapping[str, str] = field(default_factory=dict)
    pattern: Annotated[str, BeforeValidator(_inside)] = ""
    alone: YesNo = False
    consent: Consent = Consent()
    notes: Annotated[tuple[Note, ...], BeforeValidator(one_or_many), Field(max_length=MOST_NOTES)] = ()
    closed: Closed | None = None
    rounds: tuple[Round, ...] = ()

    def round(self, number: int) -> Round:
        """Return the round with this number. Raises KeyError."""
        for one in self.rounds:
            if one.number == number:
                return one
        raise KeyError(number)

    def done_before(self, number: int) -> tuple[Done, ...]:
        """What was really done of the rounds before this one, in order."""
        return tuple(
            item.as_done(one.number) for one in self.rounds if one.number < number for item in one.done if item.done
        )

    @property
    def pattern_file(self) -> Path | None:
        return self.folder / self.pattern if self.pattern else None

    @property
    def last_round(self) -> Round | None:
        return self.rounds[-1] if self.rounds else None

    @property
    def waiting(self) -> Waiting | Literal[""]:
        """Whose turn it is; nobody's once the case is closed."""
        return "" if self.closed else self.rounds[-1].waiting if self.rounds else "fitter"

    @property
    def since(self) -> date:
        """Since when it is their turn."""
        return self.rounds[-1].since if self.rounds else self.opened


# -- reading -----------------------------------------------------------------------------------------------------------


_Lengths = Annotated[dict[Id, Annotated[float, PlainValidator(of_the_body)]], BeforeValidator(named)]


class _Measures(Part):
    body: _Lengths = {}
    pattern: _Lengths = {}
    tables: dict[Id, Id] = {}


def _file_of(value: type, without: Collection[str], **other: Any) -> type[Part]:
    """Make the file model of a value: its fields, except `without` (known from the path or written differently), plus `other`."""
    hints = get_type_hints(value, include_extras=True)
    shared: dict[str, Any] = {one.name: (hints[one.name], one) for one in fields(value) if one.name not in without}
    return create_model(value.__name__, __base__=Part, **(shared | other))


_CASE_FILE = _file_of(
    Case, ("folder", "rounds", "body_measures", "pattern_measures", "tables"), units=(Units, "in"),
    measures=(_Measures, Field(default_factory=_Measures)),
)  # fmt: skip
_ROUND_FILE = _file_of(Round, ("number", "folder"), since=(Day | None, None))
CASE_KEYS = ("schema", *_CASE_FILE.model_fields)


def case_in(document: Document, folder: Path) -> Case:
    """Read the case in a `case.yaml`, without its rounds. Raises ProblemsFoundError with every fault at its line and column.

    Body notes and measures are checked against the rules only when they are used.
    """
    known = dict(read_file(document, _CASE_FILE, CASE_SCHEMA, folder))
    lengths: _Measures = known.pop("measures")
    return Case(folder, body_measures=lengths.body, pattern_measures=lengths.pattern, tables=lengths.tables, **known)


def round_in(document: Document, number: int, folder: Path) -> Round:
    """Read the round in a `round.yaml`. Raises ProblemsFoundError with every fault at its line and column."""
    known = dict(read_file(document, _ROUND_FILE, ROUND_SCHEMA))
    return Round(number, folder, **known | {"since": known["since"] or known["opened"]})


# -- writing -----------------------------------------------------------------------------------------------------------


def length_text(mm: float, units: Units) -> str:
    """Format a length in the case's units where the tape's step is exact, else in mm, so that nothing is rounded away.

    >>> length_text(19.05, "in"), length_text(7.0, "in"), length_text(25.0, "cm")
    ('3/4 in', '7 mm', '2.5 cm')
    """
    with suppress(InvalidLengthError):  # rounded up, it may be longer than any length
        shown = format_length(mm, units)
        if mm >= 0 and abs(parse_length(shown).mm - mm) < 0.005:
            return shown
    return f"{trimmed(mm)} mm"


def case_text(case: Case, head: str = _HEAD) -> str:
    measures = {"body": case.body_measures, "pattern": case.pattern_measures, "tables": case.tables}
    rows = {
        "schema": CASE_SCHEMA, "name": case.name, "garment": case.garment, "units": case.units, "opened": case.opened,
        "body": case.body, "measures": measures, "pattern": case.pattern, "alone": case.alone or None,
        "consent": case.consent, "notes": case.notes, "closed": case.closed,
    }  # fmt: skip
    return head + file_text(rows, lambda mm: length_text(mm, case.units))


def round_text(one: Round, units: Units, head: str = _HEAD) -> str:
    done = tuple(
        {
            "alteration": item.alteration,
            "amount": item.amount_mm,
            "done": None if item.done else False,
            "side": None if item.side == "both" else item.side,
            "less": item.less or None,
        }
        for item in one.done
    )
    rows = {
        "schema": ROUND_SCHEMA, "opened": one.opened, "waiting": one.waiting, "since": one.since, "sent": one.sent,
        "form_received": one.form_received, "forms": list(one.forms), "advised": one.advised, "left_out": one.left_out,
        "done": done,
    }  # fmt: skip
    text = head + file_text(rows, lambda mm: length_text(mm, units))
    return text + file_text({"outcome": one.outcome, "fits": one.fits, "nudges": one.nudges}, trimmed)
