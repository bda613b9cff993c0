"""The client's form: a page that is filled in alone, offline, on a phone or on paper; and the text that comes back, read with care.

What comes back is plain words for people and, between two marker lines, one block of letters and figures. The block is JSON
in base 64 with a checksum: quote marks, soft breaks and wrapped lines that mail puts in fall out again, and a block that was
cut is noticed.
"""

from __future__ import annotations

import base64
import binascii
import math
import re
import unicodedata
import zlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from typing import Annotated, Any, Literal, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fitdiag.knowledge.findings import LEFT_RIGHT, MOST_DONE, SEVERITIES, SIDES, Finding, measured
from fitdiag.knowledge.model import Alteration, RuleBase, Symptom
from fitdiag.knowledge.stations import TRIALS
from fitdiag.knowledge.wearer import for_wearer
from fitdiag.plausible import doubt_of_alteration, doubt_of_sign
from fitdiag.problems import Hints, Problem, Where, one_line, shown_path, stop
from fitdiag.reports.sheet import Heading, Picture, drawn
from fitdiag.reports.signs import figure
from fitdiag.sessions.carried import told_amounts
from fitdiag.sessions.case_files import Advised
from fitdiag.templates import render
from fitdiag.units import (
    MM_PER_INCH,
    InvalidLengthError,
    Units,
    format_length,
    format_reading,
    in_units,
    parse_length,
)

SCHEMA = "fitdiag.form/1"
LARGEST = 64 * 1024
MOST_ANSWERS = 300
LONGEST_WORDS = 2000
BEGIN = "[fitting form 1]"
Answer = TypeVar("Answer")
State = Literal["as-written", "otherwise", "not-done", "undone"]
Feel = Literal["easy", "holds", "presses", "hurts"]
Advice = tuple[Sequence[Advised], Sequence[Picture]]  # the amounts of one alteration, and its drawings
FEELS_WHEN = {"sitting": "Sitting on a chair", "stairs": "On stairs", "bending": "Bending, as if to tie a shoe"}
FEELS: Mapping[Feel, str] = {
    "easy": "Easy", "holds": "Holds me back a little", "presses": "Presses", "hurts": "Hurts",
}  # fmt: skip
STATES: Mapping[State, str] = {
    "as-written": "Done as written", "otherwise": "Done, with another amount", "not-done": "Not done",
    "undone": "Done, and undone again",
}  # fmt: skip
FOUND_BY_WEARING = ("sitting", "stairs", "bending", "asking")  # found without a mirror
STRENGTH_WORDS = ("a little", "clearly", "a lot")
VIEW_WORDS = "the drawing shows it {}"
SO, NOT_SO = "the drawing shows that it is so", "the drawing shows how it hangs without it"


# ------------------------------------------------------------------------------------------------------- the page


def client_form(
    base: RuleBase, questions: Sequence[str], heading: Heading, advised: Sequence[Advice], *, token: str,
    photos: bool = True, alone: bool = False,
) -> str:  # fmt: skip
    """The form as one HTML page that needs nothing else.

    `questions` are symptom ids in the order they are asked, but felt ones come first. `heading`: whose it is, and which try-on
    it is about. `advised`: what was asked to be done since the last one, with drawings before and after.
    `token` comes back with the answers, so that they find their case. `photos`: whether the client may be asked for pictures,
    which go beside the form. `alone`: nobody is there to look or to help.
    """
    units = heading.units
    rules, garment = for_wearer(base, alone=alone), base.about.garment
    every = [_question(rules.symptoms[name], garment, units) for name in dict.fromkeys(questions)]
    rows = sorted(every, key=lambda row: not row["felt"])
    done = [_advised(rules, items, units, pictures) for items, pictures in advised]
    # when to stop, and how to pin
    always, pins = ([c.client for c in rules.about.cautions if c.when == when] for when in ("always", "pinning"))
    return render(
        "reports/client_form.html", schema=SCHEMA, begin=BEGIN, garment=garment, units=units, client=one_line(heading.client, 80),
        round_number=heading.round_number, token=token, alone=alone, photos=photos,
        kept=f"{zlib.crc32(repr((units, rows, done)).encode()):08x}",  # so that other questions do not pick up answers kept on the device
        felt=[row for row in rows if row["felt"]], seen=[row for row in rows if not row["felt"]], done=done,
        feels_when=FEELS_WHEN, feels=FEELS, states=STATES,
        cautions=[*always[-1:], *pins], longest_words=LONGEST_WORDS,
        eighths=("1/8", "1/4", "3/8", "1/2", "5/8", "3/4", "7/8"),
    )  # fmt: skip


def _question(symptom: Symptom, garment: str, units: Units) -> dict[str, Any]:
    """A question in the wearer's words, with drawings of each strength, of the garment without the sign, or of the sign itself."""
    drawn = partial(figure, symptom.id, garment=garment)
    wearer, right = symptom.wearer, drawn(0, title=NOT_SO)
    graded = symptom.by not in TRIALS and (wearer is None or wearer.graded)
    so = None if graded else drawn(2, title=SO)
    sides = () if symptom.whole else LEFT_RIGHT if symptom.one_side else SIDES
    words = enumerate(zip(STRENGTH_WORDS, SEVERITIES, strict=True), 1)
    return {
        "id": symptom.id,
        "ask": in_units(symptom.ask, units),
        "how": in_units(wearer.how, units) if wearer and symptom.measure else "",
        "wholes": _wholes(max(symptom.measure.grades_mm.values()) * 2.5 if symptom.measure else 0.0),
        "felt": symptom.felt or symptom.by in FOUND_BY_WEARING,
        "sides": sides if so is None and right is not None else (),
        "graded": graded,
        "pictures": [(word, strength, drawn(n, title=VIEW_WORDS.format(word))) for n, (word, strength) in words],
        "right": right,
        "so": so,
    }


def _advised(rules: RuleBase, items: Sequence[Advised], units: Units, pictures: Sequence[Picture]) -> dict[str, Any]:
    """An alteration for the client to report on: whether it was done."""
    rule = rules.alterations[items[0].alteration]
    return {
        "id": rule.id,
        "title": rule.title,
        "amount": told_amounts(rules, items, units),
        "wholes": _wholes(max(rule.most_a_round.amount_mm, *(item.amount_mm or 0.0 for item in items)) * 2.5),
        "pictures": drawn(pictures),
    }


def _wholes(most_mm: float) -> range:
    """The whole inches to choose an amount from."""
    return range(max(3, math.ceil(most_mm / MM_PER_INCH)) + 1)


# ------------------------------------------------------------------------------------------------- what comes back


@dataclass(frozen=True)
class Form:
    """A form that came back. `done`: what became of each alteration advised; `feels`: how the garment feels in use.

    `round`: the try-on it is about; `checksum`: tells one form from another.
    """

    token: str
    round: int
    units: Units
    findings: tuple[Finding, ...]
    done: tuple[tuple[str, State, float | None], ...]
    feels: tuple[tuple[str, Feel], ...]
    words: str
    warnings: tuple[Problem, ...] = ()
    checksum: str = field(default="", compare=False)

    @property
    def summary(self) -> str:
        """What the client wrote, in plain words: how it felt, the worst first, then their own words."""
        worst = list(FEELS)[::-1]
        felt = sorted(self.feels, key=lambda pair: worst.index(pair[1]))
        return "\n".join([*(f"{FEELS_WHEN[when]}: {FEELS[how].lower()}." for when, how in felt), self.words]).strip()


_QUOTED = re.compile(r"^[ \t]*(?:[A-Za-z]{0,4}[>|][ \t]?)+", re.MULTILINE)
_NOT_INK = re.compile(r"[^!-<?-{}~]+")  # printable ASCII without the blank and = > |
_BLOCK = re.compile(r"\[fittingform(\d{1,3})\](?:([A-Za-z0-9+/]*)\[end([0-9A-Fa-f]{8})\])?")


AnswerKey = Annotated[str, Field(pattern="^(symptom|seen|strength|side|amount)$")]
DoneKey = Annotated[str, Field(pattern="^(alteration|state|amount)$")]


class _Sent(BaseModel):
    """Exactly what a form holds."""

    model_config = ConfigDict(strict=True, extra="forbid", defer_build=True)

    schema_: Literal["fitdiag.form/1"] = Field(alias="schema")
    token: Annotated[str, Field(pattern="^[A-Za-z0-9_-]{1,64}$")]
    round: Annotated[int, Field(ge=1, le=99)]
    units: Units
    answers: Annotated[list[dict[AnswerKey, str]], Field(max_length=MOST_ANSWERS)]
    done: Annotated[list[dict[DoneKey, str]], Field(max_length=MOST_DONE)]
    feels: dict[str, str]
    words: str


def read_form(text: str, base: RuleBase, path: str) -> Form:
    """Read a form out of a mail, a message or a file of at most LARGEST bytes; `path`: its name. Raises ProblemsFoundError.

    A form that was cut, changed, or is of another kind is refused. Single answers that make no sense here are left out and
    named in `warnings`.
    """
    where = Where(shown_path(path))
    raw, several = _packed(text, where)
    try:
        sent = _Sent.model_validate_json(raw)
    except ValidationError as error:
        part = one_line(next(iter(error.errors()[0]["loc"]), "all of it"), 30)
        message = f"this is not a form of kind {SCHEMA}; what does not fit: {part}"
        raise stop("form-schema", message, where=where) from None
    return _Reading(base, where, sent.units, several=several).form(sent, f"{zlib.crc32(raw):08x}")


def _packed(text: str, where: Where) -> tuple[bytes, bool]:
    """The content of the first complete block in a text, and whether there are others."""
    lines = re.sub(r"[^\n -~]", " ", text.replace("\r\n", "\n").replace("\r", "\n"))
    plain = _NOT_INK.sub("", _QUOTED.sub("", lines))
    blocks = list(dict.fromkeys(match.groups() for match in _BLOCK.finditer(plain)))
    again = "ask for it again, as a file if it came as text"
    if not blocks:
        hint = f"it begins with the line {BEGIN}"
        raise stop("no-form", "there is no form in this text", where=where, hint=hint)
    whole = [(version, body, checksum) for version, body, checksum in blocks if checksum is not None]
    if not whole:
        raise stop("form-cut", "the form is cut off: its last line is missing", where=where, hint=again)
    version, body, checksum = whole[0]
    if version != "1":
        message = f"this form is of version {version}; this program reads version 1"
        raise stop("form-schema", message, where=where)
    with suppress(binascii.Error):
        raw = base64.b64decode(body + "=" * (-len(body) % 4), validate=True)
        if raw and zlib.crc32(raw) == int(checksum, 16):
            return raw, len(whole) > 1
    message = "the form was changed or cut on its way: its checksum does not fit"
    raise stop("form-changed", message, where=where, hint=again)


class _Reading:
    """One reading: where the text came from, and the warnings so far."""

    def __init__(self, base: RuleBase, where: Where, units: Units, *, several: bool) -> None:
        self.base, self.where, self.units, self.hints, self.warnings = base, where, units, Hints(5), list[Problem]()
        if several:
            self._warn("form-several", "this text holds more than one form; the first was read")

    def form(self, sent: _Sent, checksum: str) -> Form:
        findings = self._once((found.symptom, found) for item in sent.answers if (found := self._finding(item)))
        done = self._once((row[0], row) for item in sent.done if (row := self._done(item)))
        feels, words = self._feels(sent.feels), self._words(sent.words)
        return Form(sent.token, sent.round, sent.units, findings, done, feels, words, tuple(self.warnings), checksum)

    def _once(self, answers: Iterable[tuple[str, Answer]]) -> tuple[Answer, ...]:
        """Keep the first answer to each thing; further ones become warnings."""
        kept: dict[str, Answer] = {}
        for name, answer in answers:
            if name in kept:
                rule = self.base.symptoms.get(name) or self.base.alterations[name]
                self._warn("form-twice", f"{rule.title}: answered twice; the first answer was kept")
            kept.setdefault(name, answer)
        return tuple(kept.values())

    def _warn(self, code: str, message: str, hint: str = "") -> None:
        if len(self.warnings) < 50:
            self.warnings.append(Problem(code, message, self.where, hint))

    def _unknown(self, kind: str, name: str, known: Iterable[str]) -> None:
        self._warn("unknown-id", f"there is no {kind} '{one_line(name, 50)}'; left out", self.hints.near(name, known))

    def _finding(self, item: Mapping[str, str]) -> Finding | None:
        name = item.get("symptom", "")
        symptom = self.base.symptoms.get(name)
        if symptom is None:
            self._unknown("symptom", name, self.base.symptoms)
            return None
        seen, strength, side = item.get("seen"), item.get("strength"), item.get("side")
        if seen not in ("yes", "no", "unsure") or strength not in (None, *SEVERITIES) or side not in (None, *SIDES):
            self._warn("form-answer", f"{symptom.title}: the answer is not one the form offers; left out")
            return None
        if seen != "yes":
            return Finding(name, "no" if seen == "no" else "unsure", origin="form")
        measure = symptom.measure
        amount = self._amount(
            item, symptom, lambda mm: doubt_of_sign(measure.most_mm, mm) if measure is not None else ""
        )
        if amount is not None and measure is None:
            self._warn("form-amount", f"{symptom.title}: there is no amount to measure; the amount was left out")
        if amount is None or measure is None:
            return Finding(name, "yes", severity=strength, side=side, origin="form")
        finding = measured(symptom, amount, side=side, origin="form")
        if finding.seen == "yes":
            return finding
        least, much = format_length(measure.seen_from_mm, self.units), format_reading(amount, self.units)
        begins = f"from {least}" if measure.worse == "more" else f"at {least} or under"
        reason = f"ticked as seen, but the {much} written would count only {begins}; it counts as seen, slight"
        self._warn("form-amount", f"{symptom.title}: {reason}")
        return Finding(name, "yes", severity="slight", side=side, origin="form")

    def _amount(
        self, item: Mapping[str, str], rule: Symptom | Alteration, doubt_of: Callable[[float], str]
    ) -> float | None:
        try:
            mm = parse_length(item["amount"]).mm if "amount" in item else None
            if mm is not None and (doubt := doubt_of(mm)):
                raise InvalidLengthError(f"{format_length(mm, self.units)}: {doubt}")
        except InvalidLengthError as error:
            self._warn("form-amount", f"{rule.title}: {error}; the amount was left out")
            return None
        return mm

    def _done(self, item: Mapping[str, str]) -> tuple[str, State, float | None] | None:
        name, state = item.get("alteration", ""), item.get("state")
        rule = self.base.alterations.get(name)
        if rule is None:
            self._unknown("alteration", name, self.base.alterations)
            return None
        if state not in get_args(State):
            self._warn("form-answer", f"{rule.title}: what was done is not one of the answers offered; left out")
            return None
        most = rule.most_a_round.amount_mm
        amount = self._amount(item, rule, lambda mm: doubt_of_alteration(mm, most, self.units))
        return name, state, amount if state == "otherwise" else None  # type: ignore[return-value]

    def _feels(self, value: Mapping[str, Any]) -> tuple[tuple[str, Feel], ...]:
        kept = [(when, value[when]) for when in FEELS_WHEN if value.get(when) in FEELS]
        if len(kept) != len(value):
            self._warn("form-answer", "an answer about how it feels is not one the form offers; left out")
        return tuple(kept)

    def _words(self, value: str) -> str:
        lines = value.replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ")
        text = "".join(char for char in lines if char == "\n" or unicodedata.category(char)[0] != "C").strip()
        if len(text) > LONGEST_WORDS:
            self._warn("form-words", f"the client's words were cut to {LONGEST_WORDS} characters")
            text = text[:LONGEST_WORDS]
        return text
