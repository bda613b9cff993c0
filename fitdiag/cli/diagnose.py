"""`fitdiag diagnose`; a file of its own, so that it loads nothing it does not need."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from fitdiag.cli.arguments import lengths, rules_of, units_of
from fitdiag.cli.output import width, write, write_data
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.findings_file import read_findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.wearer import for_wearer
from fitdiag.planning.stages import Effects
from fitdiag.problems import stop
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import as_data, on_screen
from fitdiag.sessions.state import Conclusion, conclude

if TYPE_CHECKING:
    from fitdiag.pattern.piece import Pattern


def in_units(findings: Findings, units: str | None) -> Findings:
    """The findings shown in the units asked for; in their own if none are."""
    return replace(findings, units=units_of(units)) if units else findings


def pattern_in(base: RuleBase, path: str | Path | None) -> Pattern | None:
    """The pattern in a file, of the garment of these rules; None without one."""
    if path is None:
        return None
    from fitdiag.pattern.formats import by_rules, read_pattern

    return read_pattern(str(path), by_rules(base))


def effects_of(
    base: RuleBase, conclusion: Conclusion, pattern: Pattern | None, *, first_cut: bool = False
) -> Effects | None:
    """What the plan does to a pattern; None without one."""
    if pattern is None:
        return None
    from fitdiag.planning.effects import effects

    return effects(base, conclusion.plan, conclusion.diagnosis.findings, pattern, first_cut=first_cut)


def say_list(
    base: RuleBase,
    conclusion: Conclusion,
    pattern: str | Path | None = None,
    *,
    full: bool = False,
    more: str = "--full",
) -> None:
    """The list as one screen or in full, with what becomes of the pattern in a file; `more`: what shows the rest."""
    effects = effects_of(base, conclusion, pattern_in(base, pattern))
    write(on_screen(make_report(base, conclusion, steps=False, on_pattern=effects), width(), full=full, more=more))


def diagnose(path: str, *, as_json: bool, steps: bool, rules: str | None, units: str | None, pattern: str | None,
             first_cut: bool, drape: bool, measures: Sequence[str], full: bool, alone: bool) -> int:  # fmt: skip
    base = rules_of(rules, path)
    findings = in_units(read_findings(Path(path), base), units)
    conclusion, on_paper = conclude(base, findings), pattern_in(base, pattern)
    effects, shown = effects_of(base, conclusion, on_paper, first_cut=first_cut), None
    if drape:
        if on_paper is None:
            raise stop("argument", "without a pattern nothing can be draped", hint="add --pattern FILE")
        from fitdiag.cli.drape import simulated
        from fitdiag.drape.figure import MEASURES

        more, solved = lengths(measures, findings.units, MEASURES), effects.solved if effects is not None else None
        shown = simulated(base, conclusion, on_paper, more=more, solved=solved)
    if alone:
        base = for_wearer(base, alone=True)
    report = make_report(base, conclusion, steps=steps, on_pattern=effects, simulated=shown)
    if as_json:
        write_data(as_data(report))
    else:
        write(on_screen(report, width(), full=full or steps).rstrip("\n"))
    return 0
