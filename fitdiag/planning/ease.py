"""Measure checks: body and pattern measures compared with published tables of ease, as findings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf
from typing import Literal

from fitdiag.knowledge.findings import Findings, measured
from fitdiag.knowledge.model import BodyMeasure, EaseRow, EaseTable, RuleBase
from fitdiag.units import Units, format_reading, read_off

DISAGREE_MM = 0.5  # tables that differ by less agree
_SIDES: Mapping[Literal["under", "over"], str] = {"under": "short", "over": "over"}


@dataclass(frozen=True)
class EaseResult:
    """One measure by one table, in mm: body, pattern if known, and the least and most the pattern should have."""

    table: EaseTable
    row: EaseRow
    body_mm: float
    pattern_mm: float | None
    least_mm: float
    most_mm: float | None

    def off_mm(self, side: Literal["under", "over"]) -> float:
        """How far, in mm, the pattern is under the table's least or over its most; 0 if it is not."""
        if self.pattern_mm is None or (side == "over" and self.most_mm is None):
            return 0.0
        return max(0.0, self.least_mm - self.pattern_mm if side == "under" else self.pattern_mm - (self.most_mm or 0.0))

    def printed_off_mm(self, side: Literal["under", "over"], units: Units) -> float:
        """`off_mm` as the numbers printed for the pattern and the table differ; 0 where it is too little to disagree."""
        limit = self.least_mm if side == "under" else self.most_mm
        if self.pattern_mm is None or limit is None or self.off_mm(side) < DISAGREE_MM:
            return 0.0
        return abs(read_off(limit, units) - read_off(self.pattern_mm, units))

    def text(self, units: Units) -> str:
        """The result on one line, with the table's title."""
        low, high = (format_reading(mm, units) if mm is not None else None for mm in (self.least_mm, self.most_mm))
        wanted = f"at least {low}" if high is None else str(low) if low == high else f"{low} to {high}"
        text = f"{self.row.measure}: body {format_reading(self.body_mm, units)}, wanted {wanted}"
        if self.pattern_mm is not None:
            off = [(mm, name) for side, name in _SIDES.items() if (mm := self.printed_off_mm(side, units))]
            result = " ".join(f"{format_reading(mm, units)} {name}" for mm, name in off) or "within the table"
            text += f", pattern {format_reading(self.pattern_mm, units)}: {result}"
        return f"{text} (by {self.table.title})"


def rows_for(table: EaseTable, measure: BodyMeasure, hip_mm: float | None) -> list[EaseRow]:
    """The rows of a table for a measure; of rows with hip bands only the band of this hip, none if the hip is unknown."""
    found = []
    for row in table.rows:
        least, under = (row.hip_from_mm or 0.0) - 1e-6, (row.hip_under_mm or inf) - 1e-6
        in_band = row.hip_from_mm is row.hip_under_mm is None or (hip_mm is not None and least <= hip_mm < under)
        found += [row] if row.measure == measure and in_band else []
    return found


def check_measures(
    base: RuleBase, body: Mapping[str, float], pattern: Mapping[str, float], table: str | None = None
) -> list[EaseResult]:
    """Check every body measure by every table that has it, or by one chosen table. Lengths in mm."""
    results = []
    for rule in base.ease.values():
        for measure, body_mm in body.items() if table in (None, rule.id) else ():
            for row in rows_for(rule, measure, body.get("hip")):
                most = body_mm + row.at_most_mm if row.at_most_mm is not None else None
                least = body_mm + (row.at_least_mm or 0.0)
                results.append(EaseResult(rule, row, body_mm, pattern.get(measure), least, most))
    return results


def with_measures(base: RuleBase, findings: Findings) -> Findings:
    """Findings with the symptoms that follow from body and pattern measures by the fitter's chosen tables.

    If tables disagree and none was chosen, the middle of their range counts, with half the range as its error, and a note names
    each. A symptom answered by hand is left as it was.
    """
    if not findings.body_measures or not findings.pattern_measures:
        return findings
    notes = list(findings.notes)
    for symptom in base.symptoms.values():
        link = symptom.from_ease
        if link is None or symptom.id in findings.symptoms:
            continue
        if link.measure not in findings.body_measures or link.measure not in findings.pattern_measures:
            continue
        chosen = findings.tables.get(link.measure)
        checked = check_measures(base, findings.body_measures, findings.pattern_measures, chosen)
        results = [result for result in checked if result.row.measure == link.measure]
        amounts = [result.off_mm(link.side) for result in results]
        if not amounts:
            continue
        least, most = min(amounts), max(amounts)
        apart = most - least >= DISAGREE_MM
        middle = measured(symptom, (least + most) / 2, error_mm=(most - least) / 2 if apart else None, origin="derived")
        findings = findings.with_finding(middle)
        listed = "; ".join(dict.fromkeys(result.text(findings.units) for result in results))
        if not apart:
            notes.append(f"Measured on paper: {results[0].text(findings.units)}.")
        elif most > 0:
            printed = [result.printed_off_mm(link.side, findings.units) for result in results]
            by = f"{format_reading(min(printed), findings.units)} to {format_reading(max(printed), findings.units)}"
            notes.append(f"The tables disagree, {by} {_SIDES[link.side]}: {listed}. Choose one for {link.measure}.")
    return replace(findings, notes=tuple(dict.fromkeys(notes)))
