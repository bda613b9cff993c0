"""What is known about one fitting: symptoms seen or not, body notes, earlier alterations.

Findings are where the data flow starts: findings, beliefs, recommendations, documents. They are also parsed from words here, and
contradictions in them are settled until somebody looks again.
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

TAPE_MM = 1.0  # reading error of a tape, so that 3/8 in passes for 1 cm
Side = Literal["left", "right", "both"]
Origin = Literal["asked", "volunteered", "file", "form", "photo", "earlier", "derived"]
ReadingsFrom = Literal["cloth", "simulation"]
MOST_DONE = 99  # most earlier alterations, and most rounds of a case
Mm = Annotated[float, Field(strict=True, ge=0, le=LONGEST_MM, allow_inf_nan=False)]
RoundNumber = Annotated[int, Field(strict=True, ge=1, le=MOST_DONE)]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
SIDES: tuple[Side, ...] = get_args(Side)
BOTH_SIDES_DIFFER = "one-side-shows-more"  # the symptom that a sign on one side alone implies, if a base has it


@dataclass(frozen=True)
class Finding:
    """One symptom answered: seen, not seen or unsure, perhaps with an amount (`error_mm`: its standard deviation).

    If left and right were measured separately, `left_mm` and `right_mm` hold them and `amount_mm` the one that shows more.
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
    """Readings at an earlier try-on of the same garment: symptom to (mm, standard deviation or None)."""

    round: RoundNumber
    readings: Mapping[str, tuple[Mm, Mm | None]]


@dataclass(frozen=True)
class Findings:
    """Everything known so far. `body` maps a note to "some", "marked" or "no" (looked for and not found).

    Measures are in mm; `tables`: the ease table a measure is judged by. `looked`: all visible signs were asked for, so one that
    was not named is probably absent. `body_sides`: notes that hold for one side alone.
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
        """A copy with one symptom answered, replacing any earlier answer."""
        return replace(self, symptoms={**self.symptoms, finding.symptom: finding})

    def joined(self, later: Findings) -> Findings:
        """A copy merged with later findings, which win where both have an answer."""
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
        """The symptoms that were seen."""
        return tuple(finding for finding in self.symptoms.values() if finding.seen == "yes")


def seen_by_amount(symptom: Symptom, amount_mm: float) -> bool:
    """Whether an amount is past the threshold at which half of fitters would call the symptom seen."""
    if symptom.measure is None:
        return amount_mm > 0
    if symptom.measure.worse == "more":
        return amount_mm >= symptom.measure.seen_from_mm - TAPE_MM
    return amount_mm <= symptom.measure.seen_from_mm + TAPE_MM


def measured(symptom: Symptom, amount_mm: float, *, side: Side | None = None, error_mm: float | None = None,
             origin: Origin = "file") -> Finding:  # fmt: skip
    """A finding from a measured amount, seen or not by the symptom's threshold."""
    seen: Seen = "yes" if seen_by_amount(symptom, amount_mm) else "no"
    return Finding(symptom.id, seen, amount_mm, error_mm, None, side, origin)


def measured_apart(symptom: Symptom, left_mm: float, right_mm: float, *, error_mm: float | None = None,
                   origin: Origin = "file") -> Finding:  # fmt: skip
    """A finding measured left and right: the side that shows more counts, and `side` says where it was seen."""
    less = symptom.measure is not None and symptom.measure.worse == "less"
    amount = min(left_mm, right_mm) if less else max(left_mm, right_mm)
    seen = [seen_by_amount(symptom, mm) for mm in (left_mm, right_mm)]
    side: Side = "both" if seen[0] == seen[1] else "left" if seen[0] else "right"
    whole = measured(symptom, amount, side=side if any(seen) else None, error_mm=error_mm, origin=origin)
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
    """The text does not answer this symptom; the message says what would."""


def parse_words(symptom: Symptom, text: str) -> Finding:
    """Read an answer as people write it: yes, no, can't say, slight, `3/4 in`, `yes left`, `left 3/8 in, right 3/4 in`.

    Raises InvalidFindingError when it is none of these, or an amount without a unit.
    """
    words = " ".join(text.strip().lower().replace("’", "'").split())
    parts = _SIDE.split(words)  # the texts around the sides, alternating with the sides
    texts = [part.strip(" ,;:").removeprefix("and ").removesuffix(" and").strip(" ,;:") for part in parts[::2]]
    sides, amounts = parts[1::2], [part for part in texts if part]
    if {*sides} == {"left", "right"} and len(sides) == len(amounts) == 2 and texts[1] and any(map(str.isdigit, words)):
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
        hint = "write yes, no, can't say, slight, clear, strong or an amount like 3/4 in"
        raise InvalidFindingError(f"'{shown}' is not an answer; {hint}") from None


def _other_way(symptom: Symptom) -> str:
    """What to answer if a reading goes the other way."""
    mirror = symptom.measure.mirror_of if symptom.measure else None
    other = mirror or next(iter(symptom.opposite), None)
    return f"if it goes the other way, answer '{other}'" if other else "write 0 where there is nothing"


def _read_apart(symptom: Symptom, amounts: Mapping[str, str]) -> Finding:
    """Read `left 3/8 in, right 3/4 in` as one finding with two amounts; a unit written once counts for both."""
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


_APART = 2.0  # sides differ from this many times the difference between two careful fitters; a fitter's judgement
_RULERS = ("paper", "measuring")  # ways of answering that are surer than the eye


@dataclass(frozen=True)
class Contradiction:
    """Two answers that cannot both hold. `text` names them, says what counts now and what to look at again."""

    kind: str
    one: str
    other: str
    text: str


def settle(base: RuleBase, findings: Findings) -> tuple[Findings, tuple[Contradiction, ...]]:
    """Drop what contradicts something firmer; return the settled findings and every contradiction found."""
    contradictions: list[Contradiction] = []
    noted = [note for note, grade in findings.body.items() if grade != "no"]
    for one, other in combinations(noted, 2):
        if other in base.body_notes[one].opposite:
            titles = f"{base.body_notes[one].title} and {_small(base.body_notes[other].title)}"
            text = f"{titles} cannot both hold, so neither counts. {base.body_notes[one].judge}"
            contradictions.append(Contradiction("body", one, other, text))
    dropped = {note for item in contradictions for note in (item.one, item.other)}
    body = {note: grade for note, grade in findings.body.items() if note not in dropped}
    settled = replace(findings, body=body) if dropped else findings
    for one_sign, other_sign in combinations(findings.seen, 2):
        if other_sign.symptom in base.symptoms[one_sign.symptom].opposite:
            settled = _signs(base, settled, one_sign, other_sign, contradictions)
    differ = settled.symptoms.get(BOTH_SIDES_DIFFER)
    apart = [finding.symptom for finding in settled.seen if _sides_differ(base, finding)]
    if apart and differ is not None and differ.seen == "no":
        text = "left and right were measured apart, though both sides were called alike. The reading counts."
        title = base.symptoms[apart[0]].title
        contradictions.append(Contradiction("sides", apart[0], BOTH_SIDES_DIFFER, f"{title}: {text}"))
        settled = settled.with_finding(replace(differ, seen="unsure"))
    return settled, tuple(contradictions)


def _signs(
    base: RuleBase, findings: Findings, one: Finding, other: Finding, contradictions: list[Contradiction]
) -> Findings:
    """Settle two opposite signs: the firmer one counts; if equally firm, neither does."""
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
    contradictions.append(Contradiction("signs", kept.symptom, less.symptom, text))
    for finding in lost:
        findings = findings.with_finding(replace(finding, seen="unsure", amount_mm=None, left_mm=None, right_mm=None))
    return findings


def _firmness(base: RuleBase, finding: Finding) -> tuple[bool, float]:
    """How firmly a sign was found, as a sort key: measured before seen, smaller error first."""
    exact = 1.0 / (1.0 + finding.error_mm) if finding.amount_mm is not None and finding.error_mm else 0.0
    return finding.amount_mm is not None or base.symptoms[finding.symptom].by in _RULERS, exact


def _sides_differ(base: RuleBase, finding: Finding) -> bool:
    measure = base.symptoms[finding.symptom].measure
    if measure is None or finding.left_mm is None or finding.right_mm is None:
        return False
    return abs(finding.left_mm - finding.right_mm) > _APART * measure.give_mm


def _small(title: str) -> str:
    return title[:1].lower() + title[1:]
