"""What is known about one fitting: symptoms seen or not, body notes, earlier alterations.

Findings are where the data flow starts: findings, beliefs, recommendations, documents. Contradictions in them are settled here
until somebody looks again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Annotated, Any, Literal, get_args

from pydantic import Field

from fitdiag.knowledge.model import RuleBase, Seen, Severity, Symptom
from fitdiag.units import LONGEST_MM, Units

TAPE_MM = 1.0  # reading error of a tape, so that 3/8 in passes for 1 cm
Side = Literal["left", "right", "both"]
OTHER_SIDE: Mapping[Side, Side] = {"left": "right", "right": "left", "both": "both"}
Origin = Literal["asked", "volunteered", "file", "form", "photo", "earlier", "derived"]
ReadingsFrom = Literal["cloth", "simulation"]
MOST_DONE = 99  # most earlier alterations, and most rounds of a case
Mm = Annotated[float, Field(strict=True, ge=0, le=LONGEST_MM, allow_inf_nan=False)]
RoundNumber = Annotated[int, Field(strict=True, ge=1, le=MOST_DONE)]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
SIDES: tuple[Side, ...] = get_args(Side)
LEFT_RIGHT: tuple[Side, Side] = ("left", "right")
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

    @property
    def more_on(self) -> Side | None:
        """The side it was seen on; of one measured on both, the side that shows more."""
        if self.left_mm is None or self.right_mm is None or self.left_mm == self.right_mm:
            return self.side
        return "left" if self.amount_mm == self.left_mm else "right"


@dataclass(frozen=True)
class Done:
    """An alteration carried out in an earlier round; `less`: in reverse, like shortening a leg."""

    alteration: str
    amount_mm: Mm | None = None
    round: RoundNumber = 1
    side: Side = "both"
    less: bool = False

    @property
    def signed_mm(self) -> float | None:
        """The amount as carried out on the pattern: negative if done in reverse."""
        return -self.amount_mm if self.less and self.amount_mm is not None else self.amount_mm


def meet(one: Side, other: Side) -> bool:
    """Whether what is done on one side is done on another too: left and right do not meet, both meets either."""
    return {one, other} != {"left", "right"}


def by_side(amounts: Iterable[tuple[Side, float]]) -> tuple[float, float]:
    """The sums on the left and on the right of amounts in mm, each with its side; one of both sides is part of either sum."""
    given = list(amounts)
    left, right = (sum(mm for side, mm in given if meet(side, own)) for own in LEFT_RIGHT)
    return left, right


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
    def body_said(self) -> Mapping[str, str]:
        """Each body note's grade with its side, if it has one, as a file has it: `some left`."""
        return {note: f"{grade} {self.body_sides.get(note, '')}".rstrip() for note, grade in self.body.items()}

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


def gone_mm(symptom: Symptom) -> float | None:
    """What a sign that is not there any more reads: nothing; None for a distance that is the better the longer."""
    return None if symptom.measure is not None and symptom.measure.worse == "less" else 0.0


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
