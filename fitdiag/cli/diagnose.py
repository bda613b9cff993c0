"""`fitdiag diagnose`; a file of its own, so that it loads nothing it does not need."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from fitdiag.cli.arguments import folder_of, units_of
from fitdiag.cli.output import width, write, write_json
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.findings_file import read_findings
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.stages import Effects
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import as_json as report_json
from fitdiag.reports.writers import as_text
from fitdiag.sessions.state import Conclusion, conclude


def in_units(findings: Findings, units: str | None) -> Findings:
    """The findings shown in the units asked for; in their own if none are."""
    return replace(findings, units=units_of(units)) if units else findings


def diagnose(path: str, *, as_json: bool, steps: bool, rules: str | None, units: str | None, pattern: str | None = None,
             first_cut: bool = False) -> int:  # fmt: skip
    base = load_rules(folder_of(rules))
    findings = in_units(read_findings(Path(path), base), units)
    conclusion = conclude(base, findings)
    report = make_report(
        base, conclusion, steps=steps, on_pattern=effects_of(base, conclusion, pattern, first_cut=first_cut)
    )
    if as_json:
        write_json(report_json(report, base).rstrip("\n"))
    else:
        write(as_text(report, base, width()).rstrip("\n"))
    return 0


def effects_of(
    base: RuleBase, conclusion: Conclusion, pattern: str | None, *, first_cut: bool = False
) -> Effects | None:
    """What the plan does to the pattern in a file; None without one."""
    if pattern is None:
        return None
    from fitdiag.cli.pattern import read_pattern
    from fitdiag.planning.effects import effects

    return effects(base, conclusion.plan, conclusion.diagnosis.findings, read_pattern(pattern), first_cut=first_cut)
