"""`fitdiag diagnose`; a file of its own, so that it loads nothing it does not need."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from fitdiag.cli.arguments import folder_of, units_of
from fitdiag.cli.output import width, write
from fitdiag.knowledge.findings import Findings, read_findings
from fitdiag.knowledge.load import load_rules
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import as_json as report_json
from fitdiag.reports.writers import as_text
from fitdiag.sessions.state import conclude


def in_units(findings: Findings, units: str | None) -> Findings:
    """The findings shown in the units asked for; in their own if none are."""
    return replace(findings, units=units_of(units)) if units else findings


def diagnose(path: str, *, as_json: bool, steps: bool, rules: str | None, units: str | None) -> int:
    base = load_rules(folder_of(rules))
    findings = in_units(read_findings(Path(path), base), units)
    report = make_report(base, conclude(base, findings), steps=steps)
    write((report_json(report, base) if as_json else as_text(report, base, width())).rstrip("\n"))
    return 0
