"""What is known about one fitting: symptoms seen or not, body notes, earlier alterations.

Findings are the start of the data's one way: findings, beliefs, recommendations, documents.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal, get_args

from fitdiag.knowledge.model import Seen, Severity, Symptom
from fitdiag.units import Units

TAPE_MM = 1.0  # a tape is not read more exactly, so 3/8 in counts where 1 cm is asked for
Side = Literal["left", "right", "both"]
Origin = Literal["asked", "volunteered", "file", "form", "photo", "earlier", "derived"]
ReadingsFrom = Literal["cloth", "simulation"]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
SIDES: tuple[Side, ...] = get_args(Side)
BOTH_SIDES_DIFFER = (
    "one-side-shows-more"  # the symptom a finding on one side alone answers by itself, where a base has it
)


@dataclass(frozen=True)
class Finding:
    """One symptom answered: seen, not seen or unsure; perhaps with an amount (`error_mm`: one standard deviation).

    Where left and right were measured apart, `left_mm` and `right_mm` hold them and `amount_mm` the one that shows more.
    """

    symptom: str
    seen: Seen
    amount_mm: float | None = None
    error_mm: float | None = None
    severity: Severity | None = None
    side: Side | None = None
    origin: Origin = "file"
    left_mm: float | None = None
    right_mm: float | None = None


@dataclass(frozen=True)
class Done:
    """An alteration carried out in an earlier round."""

    alteration: str
    amount_mm: float | None = None
    round: int = 1


@dataclass(frozen=True)
class Earlier:
    """What was read at an earlier try-on of the same garment: symptom to (mm, standard deviation or None)."""

    round: int
    readings: Mapping[str, tuple[float, float | None]]


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
            looked=self.looked or later.looked,
            body_sides={**self.body_sides, **later.body_sides},
            at_rest={**self.at_rest, **later.at_rest},
            earlier=(*self.earlier, *(item for item in later.earlier if item not in self.earlier)),
        )

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
