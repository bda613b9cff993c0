"""`fitdiag diagnose`; a file of its own, so that it loads nothing it does not need."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from fitdiag.cli.arguments import folder_of, lengths, units_of
from fitdiag.cli.output import width, write, write_data
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.findings_file import read_findings
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.wearer import for_wearer
from fitdiag.planning.stages import Effects, Simulation
from fitdiag.problems import stop
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import as_data, on_screen
from fitdiag.sessions.state import Conclusion, conclude


def in_units(findings: Findings, units: str | None) -> Findings:
    """The findings shown in the units asked for; in their own if none are."""
    return replace(findings, units=units_of(units)) if units else findings


def diagnose(path: str, *, as_json: bool, steps: bool, rules: str | None, units: str | None, pattern: str | None = None,
             first_cut: bool = False, drape: bool = False, measures: Sequence[str] = (), full: bool = False,
             alone: bool = False) -> int:  # fmt: skip
    base = load_rules(folder_of(rules, path))
    findings = in_units(read_findings(Path(path), base), units)
    conclusion = conclude(base, findings)
    effects = effects_of(base, conclusion, pattern, first_cut=first_cut)
    shown = simulation_of(base, conclusion, pattern, effects, measures) if drape else None
    if alone:
        base = for_wearer(base, alone=True)
    report = make_report(base, conclusion, steps=steps, on_pattern=effects, simulated=shown)
    if as_json:
        write_data(as_data(report, base))
    else:
        write(on_screen(report, base, width(), full=full or steps).rstrip("\n"))
    return 0


def simulation_of(
    base: RuleBase, conclusion: Conclusion, pattern: str | None, effects: Effects | None, measures: Sequence[str] = ()
) -> Simulation:
    """The plan on simulated cloth, on the pattern in a file and a body of the findings' measures and notes."""
    if pattern is None:
        raise stop("argument", "without a pattern nothing can be draped", hint="add --pattern FILE")
    from fitdiag.cli.drape import simulated
    from fitdiag.drape.figure import MEASURES
    from fitdiag.pattern.formats import by_rules, read_pattern

    more = lengths(measures, conclusion.diagnosis.findings.units, MEASURES)
    solved = effects.solved if effects is not None else None
    return simulated(base, conclusion, read_pattern(pattern, by_rules(base)), more=more, solved=solved)


def effects_of(
    base: RuleBase, conclusion: Conclusion, pattern: str | None, *, first_cut: bool = False
) -> Effects | None:
    """What the plan does to the pattern in a file; None without one."""
    if pattern is None:
        return None
    from fitdiag.pattern.formats import by_rules, read_pattern
    from fitdiag.planning.effects import effects

    return effects(
        base, conclusion.plan, conclusion.diagnosis.findings, read_pattern(pattern, by_rules(base)), first_cut=first_cut
    )
