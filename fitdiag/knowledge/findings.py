"""What is known about one fitting: symptoms seen or not, body notes, earlier alterations.

Findings are the start of the data's one way: findings, beliefs, recommendations, documents. Here they are also read from words,
and what does not go together in them is settled until somebody looks again.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Annotated, Any, Literal, get_args

from pydantic import Field

from fitdiag.knowledge.model import RuleBase, Seen, Severity, Symptom
from fitdiag.problems import one_line
from fitdiag.units import LONGEST_MM, InvalidLengthError, Units, parse_length

TAPE_MM = 1.0  # a tape is not read more exactly, so 3/8 in counts where 1 cm is asked for
Side = Literal["left", "right", "both"]
Origin = Literal["asked", "volunteered", "file", "form", "photo", "earlier", "derived"]
ReadingsFrom = Literal["cloth", "simulation"]
MOST_DONE = 99  # earlier alterations, and rounds of a case; nobody reworks a pattern oftener
Mm = Annotated[float, Field(strict=True, ge=0, le=LONGEST_MM, allow_inf_nan=False)]
RoundNumber = Annotated[int, Field(strict=True, ge=1, le=MOST_DONE)]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
SIDES: tuple[Side, ...] = get_args(Side)
BOTH_SIDES_DIFFER = "one-side-shows-more"  # the symptom that one side alone answers by itself, where a base has it


@dataclass(frozen=True)
class Finding:
    """One symptom answered: seen, not seen or unsure; perhaps with an amount (`error_mm`: one standard deviation).

    Where left and right were measured apart, `left_mm` and `right_mm` hold them and `amount_mm` the one that shows more.
    """

    symptom: str
    seen: Seen
    amount_mm: Mm | None = None
    error_mm: Mm | None = None
    severity: Severity | None = None
    side: Side | None = None
    origin: Origin = "file"
    left_mm: Mm | None = None
    right_mm: Mm | None = None


@dataclass(frozen=True)
class Done:
    """An alteration carried out in an earlier round."""

    alteration: str
    amount_mm: Mm | None = None
    round: RoundNumber = 1


@dataclass(frozen=True)
class Earlier:
    """What was read at an earlier try-on of the same garment: symptom to (mm, standard deviation or None)."""

    round: RoundNumber
    readings: Mapping[str, tuple[Mm, Mm | None]]


@dataclass(frozen=True)
class Findings:
    """Everything known so far. `body` maps a note to "some", "marked" or "no" (looked for, and like the block).

    Measures are in mm; `tables` says by which table of ease a measure is judged. `looked`: all that meets the eye was named, so
    what can be seen at a glance and is not named is probably not there. `body_sides`: notes that hold for one side alone.
    `at_rest`: what a right block reads on this client, in mm; `readings_from`: real cloth, or a simulation of it.
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
    looked: bool = False
    body_sides: Mapping[str, Side] = field(default_factory=dict)
    at_rest: Mapping[str, float] = field(default_factory=dict)
    readings_from: ReadingsFrom = "cloth"
    earlier: tuple[Earlier, ...] = ()

    def with_finding(self, finding: Finding) -> Findings:
        """The same with one symptom answered (again)."""
        return replace(self, symptoms={**self.symptoms, finding.symptom: finding})

    def joined(self, later: Findings) -> Findings:
        """The same with all that came later; where both speak of one thing, the later one counts."""
        both: dict[str, Any] = {}
        for name, mine in vars(self).items():
            theirs = getattr(later, name)
            if isinstance(mine, Mapping):
                both[name] = {**mine, **theirs}
            elif isinstance(mine, tuple):
                both[name] = (*mine, *(item for item in theirs if item not in mine))
        return replace(later, client=later.client or self.client, looked=self.looked or later.looked, **both)

    @property
    def seen(self) -> tuple[Finding, ...]:
        """The symptoms that are there."""
        return tuple(finding for finding in self.symptoms.values() if finding.seen == "yes")


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


def measured_apart(symptom: Symptom, left_mm: float, right_mm: float, *, error_mm: float | None = None,
                   origin: Origin = "file") -> Finding:  # fmt: skip
    """A finding measured left and right: the side that shows more counts; seen on one side alone, it is that side's."""
    less = symptom.measure is not None and symptom.measure.worse == "less"
    amount = min(left_mm, right_mm) if less else max(left_mm, right_mm)
    there = [seen_by_amount(symptom, mm) for mm in (left_mm, right_mm)]
    side: Side = "both" if there[0] == there[1] else "left" if there[0] else "right"
    whole = measured(symptom, amount, side=side if any(there) else None, error_mm=error_mm, origin=origin)
    return replace(whole, left_mm=left_mm, right_mm=right_mm)


SEEN_WORDS: Mapping[str, Seen] = {
    "yes": "yes", "y": "yes", "seen": "yes", "no": "no", "n": "no", "not seen": "no", "none": "no",
    "unsure": "unsure", "can't say": "unsure", "cannot say": "unsure", "cant say": "unsure", "don't know": "unsure",
    "yep": "yes", "yeah": "yes", "nope": "no", "not at all": "no", "maybe": "unsure", "dunno": "unsure",
}  # fmt: skip
_SEVERITY_WORDS: Mapping[str, Severity] = {
    "slightly": "slight", "a bit": "slight", "a little": "slight", "sort of": "slight", "somewhat": "slight",
    "clearly": "clear", "strongly": "strong", "very": "strong", "a lot": "strong",
}  # fmt: skip
_NOTHING = frozenset(("nothing", "none", "no", "nil", "0"))
_SIDE = re.compile(r"\b(left|right|both)\b(?: sides?\b)?")


class InvalidFindingError(ValueError):
    """The text is no answer to this symptom; the message says what would be."""


def parse_words(symptom: Symptom, text: str) -> Finding:
    """Read an answer as people write it: yes, no, can't say, slight, `3/4 in`, `yes left`, `left 3/8 in, right 3/4 in`.

    Raises InvalidFindingError when it is none of these, or an amount without a unit.
    """
    words = " ".join(text.strip().lower().replace("’", "'").split())
    parts = _SIDE.split(words)  # what stands before, between and behind the sides, and each side between two of these
    said = [part.strip(" ,;:").removeprefix("and ").removesuffix(" and").strip(" ,;:") for part in parts[::2]]
    sides, amounts = parts[1::2], [part for part in said if part]
    if {*sides} == {"left", "right"} and len(sides) == len(amounts) == 2 and said[1] and any(map(str.isdigit, words)):
        return _read_apart(symptom, dict(zip(sides, amounts, strict=True)))
    if words[:1] in ("-", "\u2212") and any(char.isdigit() for char in words):
        raise InvalidFindingError(f"'{one_line(text, 30)}' is less than nothing; {_other_way(symptom)}")
    side: Side | None = None
    if sides:
        side, words = next((one for one in SIDES if {one} == {*sides}), "both"), " ".join(amounts)
    if side is not None and not words:
        return Finding(symptom.id, "yes", side=side)
    for prefix in ("yes, ", "yes "):
        words = words.removeprefix(prefix) if words != prefix.strip() else words
    if words in SEEN_WORDS:
        return Finding(symptom.id, SEEN_WORDS[words], side=side)
    severity = _SEVERITY_WORDS.get(words, words)
    if severity in SEVERITIES:
        return Finding(symptom.id, "yes", severity=severity, side=side)
    shown = one_line(text, 30)
    if symptom.measure is None:
        if words[:1].isdigit():
            raise InvalidFindingError(f"'{shown}': this sign has no amount; answer yes, no or can't say")
        raise InvalidFindingError(f"'{shown}' is not an answer; write yes, no, can't say, slight, clear or strong")
    try:
        return measured(symptom, parse_length(words).mm, side=side)
    except InvalidLengthError as error:
        if any(char.isdigit() for char in words):
            raise InvalidFindingError(str(error)) from None
        told = "write yes, no, can't say, slight, clear, strong or an amount like 3/4 in"
        raise InvalidFindingError(f"'{shown}' is not an answer; {told}") from None


def _other_way(symptom: Symptom) -> str:
    """What to answer where a reading goes the other way."""
    mirror = symptom.measure.mirror_of if symptom.measure else None
    other = mirror or next(iter(symptom.opposite), None)
    return f"if it goes the other way, answer '{other}'" if other else "write 0 where there is nothing"


def _read_apart(symptom: Symptom, amounts: Mapping[str, str]) -> Finding:
    """`left 3/8 in, right 3/4 in` as one finding with two amounts; a unit written once counts for both."""
    if symptom.measure is None:
        raise InvalidFindingError("this sign has no amount; answer yes, no or can't say, with left or right")
    unit: Units | None = None
    for words in (amounts["right"], amounts["left"]):
        with suppress(InvalidLengthError):
            unit = parse_length(words).unit or unit
    mm = {}
    for side, words in sorted(amounts.items()):
        try:
            mm[side] = 0.0 if words in _NOTHING else parse_length(words, unit).mm
        except InvalidLengthError as error:
            raise InvalidFindingError(f"{side}: {error}") from None
    return measured_apart(symptom, mm["left"], mm["right"])


_APART = 2.0  # times what two careful fitters differ by: left and right are not alike; a fitter's judgement
_RULERS = ("paper", "measuring")  # how an answer was got that is surer than the eye


@dataclass(frozen=True)
class Contradiction:
    """Two things that were told and cannot both hold. `text` names them, says what counts now and what to look at again."""

    kind: str
    one: str
    other: str
    text: str


def settle(base: RuleBase, findings: Findings) -> tuple[Findings, tuple[Contradiction, ...]]:
    """Findings without what contradicts something firmer, and every contradiction that was met."""
    found: list[Contradiction] = []
    noted = [note for note, grade in findings.body.items() if grade != "no"]
    for one, other in combinations(noted, 2):
        if other in base.body_notes[one].opposite:
            titles = f"{base.body_notes[one].title} and {_small(base.body_notes[other].title)}"
            text = f"{titles} cannot both hold, so neither counts. {base.body_notes[one].judge}"
            found.append(Contradiction("body", one, other, text))
    dropped = {note for item in found for note in (item.one, item.other)}
    body = {note: grade for note, grade in findings.body.items() if note not in dropped}
    settled = replace(findings, body=body) if dropped else findings
    for one_sign, other_sign in combinations(findings.seen, 2):
        if other_sign.symptom in base.symptoms[one_sign.symptom].opposite:
            settled = _signs(base, settled, one_sign, other_sign, found)
    differ = settled.symptoms.get(BOTH_SIDES_DIFFER)
    apart = [finding.symptom for finding in settled.seen if _sides_differ(base, finding)]
    if apart and differ is not None and differ.seen == "no":
        told = "left and right were measured apart, though both sides were called alike. The reading counts."
        found.append(Contradiction("sides", apart[0], BOTH_SIDES_DIFFER, f"{base.symptoms[apart[0]].title}: {told}"))
        settled = settled.with_finding(replace(differ, seen="unsure"))
    return settled, tuple(found)


def _signs(base: RuleBase, findings: Findings, one: Finding, other: Finding, found: list[Contradiction]) -> Findings:
    """Two opposite signs: the firmer one counts; of two alike neither does."""
    less, kept = sorted((one, other), key=lambda item: _firmness(base, item))
    firm, weak = _firmness(base, kept), _firmness(base, less)
    lost = [less]
    both = f"{base.symptoms[one.symptom].title} and {_small(base.symptoms[other.symptom].title)} cannot both be"
    if firm == weak:
        lost, kept, less = [one, other], one, other
        text = f"{both}, so neither counts. Look again: {base.symptoms[one.symptom].look.split('. ')[0]}."
    else:
        why = "was measured" if firm[0] != weak[0] else "was read more exactly"
        text = f"{both}. {base.symptoms[kept.symptom].title} {why} and counts; look at the other again."
    found.append(Contradiction("signs", kept.symptom, less.symptom, text))
    for finding in lost:
        findings = findings.with_finding(replace(finding, seen="unsure", amount_mm=None, left_mm=None, right_mm=None))
    return findings


def _firmness(base: RuleBase, finding: Finding) -> tuple[bool, float]:
    """How firmly a sign was found: by the tape before the eye, the smaller error first."""
    exact = 1.0 / (1.0 + finding.error_mm) if finding.amount_mm is not None and finding.error_mm else 0.0
    return finding.amount_mm is not None or base.symptoms[finding.symptom].by in _RULERS, exact


def _sides_differ(base: RuleBase, finding: Finding) -> bool:
    measure = base.symptoms[finding.symptom].measure
    if measure is None or finding.left_mm is None or finding.right_mm is None:
        return False
    return abs(finding.left_mm - finding.right_mm) > _APART * measure.give_mm


def _small(title: str) -> str:
    return title[:1].lower() + title[1:]
