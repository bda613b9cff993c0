"""Measure checks: body and pattern measures held against a published table of ease, as findings of their own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from fitdiag.knowledge.findings import Findings, measured
from fitdiag.knowledge.model import BodyMeasure, EaseRow, EaseTable, RuleBase
from fitdiag.units import Units, format_length, format_reading

DISAGREE_MM = 0.5  # tables that differ by less say the same


@dataclass(frozen=True)
class EaseResult:
    """One measure by one table, all in mm. `short_mm`: pattern under the table's least; `over_mm`: above its most."""

    table: EaseTable
    row: EaseRow
    measure: BodyMeasure
    body_mm: float
    pattern_mm: float | None
    least_mm: float | None
    most_mm: float | None

    @property
    def short_mm(self) -> float:
        """By how much the pattern is short of body plus the least ease; 0 if it is not, or if the table names no least."""
        return (
            max(0.0, self.least_mm - self.pattern_mm)
            if self.pattern_mm is not None and self.least_mm is not None
            else 0.0
        )

    @property
    def over_mm(self) -> float:
        """By how much the pattern is over body plus the most ease."""
        return (
            max(0.0, self.pattern_mm - self.most_mm)
            if self.pattern_mm is not None and self.most_mm is not None
            else 0.0
        )

    def told(self, units: Units) -> str:
        """The result in a line, with the table's name."""
        low = format_length(self.least_mm, units) if self.least_mm is not None else None
        high = format_length(self.most_mm, units) if self.most_mm is not None else None
        wanted = f"at least {low}" if high is None else f"at most {high}" if low is None else low
        if low and high and low != high:
            wanted = f"{low} to {high}"
        text = f"{self.measure}: body {format_reading(self.body_mm, units)}, wanted {wanted}"
        if self.pattern_mm is not None:
            text += f", pattern {format_reading(self.pattern_mm, units)}: "
            if self.short_mm >= DISAGREE_MM:
                text += f"{format_reading(self.short_mm, units)} short"
            elif self.over_mm >= DISAGREE_MM:
                text += f"{format_reading(self.over_mm, units)} over"
            else:
                text += "within the table"
        return f"{text} (by {self.table.title})"


def rows_for(table: EaseTable, measure: BodyMeasure, hip_mm: float | None) -> list[EaseRow]:
    """The rows of a table for a measure; of a table with hip bands only the band of this hip, none if it is not known."""
    found = []
    for row in table.rows:
        if row.measure != measure:
            continue
        if row.hip_from_mm is not None or row.hip_under_mm is not None:
            if hip_mm is None or hip_mm < (row.hip_from_mm or 0.0) - 1e-6:
                continue
            if row.hip_under_mm is not None and hip_mm >= row.hip_under_mm - 1e-6:
                continue
        found.append(row)
    return found


def check_measures(
    base: RuleBase, body: Mapping[str, float], pattern: Mapping[str, float], table: str | None = None
) -> list[EaseResult]:
    """Every body measure by every table that has it (or by the one table chosen). Lengths in mm."""
    results = []
    for rule in base.ease.values():
        if table is not None and rule.id != table:
            continue
        for measure, body_mm in body.items():
            for row in rows_for(rule, measure, body.get("hip")):
                least = (
                    body_mm + (row.at_least_mm or 0.0)
                    if row.at_least_mm is not None or row.at_most_mm is not None
                    else None
                )
                most = body_mm + row.at_most_mm if row.at_most_mm is not None else None
                results.append(EaseResult(rule, row, row.measure, body_mm, pattern.get(measure), least, most))
    return results


def with_measures(base: RuleBase, findings: Findings) -> Findings:
    """Findings with the symptoms that body and pattern measures answer by the tables the fitter chose.

    Where tables disagree and none was chosen, the middle of what they ask counts, with half of the range between them as its error,
    and the note gives each by its name. A symptom that was answered by hand stays as it was.
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
        results = [
            result
            for result in check_measures(base, findings.body_measures, findings.pattern_measures, chosen)
            if result.measure == link.measure
        ]
        amounts = [result.short_mm if link.side == "under" else result.over_mm for result in results]
        if not amounts:
            continue
        least, most = min(amounts), max(amounts)
        apart = most - least >= DISAGREE_MM
        middle = measured(symptom, (least + most) / 2, error_mm=(most - least) / 2 if apart else None, origin="derived")
        findings = findings.with_finding(middle)
        told = "; ".join(dict.fromkeys(result.told(findings.units) for result in results))
        if not apart:
            notes.append(f"Measured on paper: {results[0].told(findings.units)}.")
        elif most > 0:
            by = f"{format_reading(least, findings.units)} to {format_reading(most, findings.units)}"
            side = "short" if link.side == "under" else "over"
            notes.append(f"The tables disagree, {by} {side}: {told}. Choose one for {link.measure}.")
    return replace(findings, notes=tuple(dict.fromkeys(notes)))
