"""`fitdiag ease`: the tables of ease, and what they say about a set of measures."""

from __future__ import annotations

from fitdiag.cli.arguments import body_lengths, folder_of, guess_units
from fitdiag.cli.output import say
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import EaseRow, RuleBase
from fitdiag.planning.ease import check_measures
from fitdiag.problems import one_line, stop
from fitdiag.units import Units, format_length


def ease(body: list[str], pattern: list[str], table: str | None, units: str | None, rules: str | None) -> int:
    base = load_rules(folder_of(rules))
    chosen = guess_units(units, (*body, *pattern))
    if table is not None and table not in base.ease:
        raise stop("unknown-id", f"there is no table '{one_line(table, 40)}'", hint=f"there are {', '.join(base.ease)}")
    if not body:
        if pattern:
            raise stop("arguments", "a pattern is judged against a body", hint="add --body 'hip=40 in'")
        show_tables(base, table, chosen)
        return 0
    results = check_measures(base, body_lengths(body, chosen), body_lengths(pattern, chosen), table)
    for result in results:
        note = f" {result.row.note}" if result.row.note else ""
        say(f"{result.told(chosen)}.{note}")
    if not results:
        say("No table has these measures. Crotch depth also needs the hip, because its ease goes by hip.")
    if len({result.table.id for result in results}) > 1:
        say("Where the tables disagree the choice is yours: name one with --table.")
    return 0


def show_tables(base: RuleBase, only: str | None, units: Units) -> None:
    """Every table with its source, row by row."""
    for table in base.ease.values():
        if only is not None and table.id != only:
            continue
        source = base.sources[table.source]
        say(f"{table.title} ({table.id})")
        say(f"  Source: {source.title}{', ' + table.place if table.place else ''}")
        for row in table.rows:
            say(f"  {row.measure}{_band(row, units)}: {_ease(row, units)}{'. ' + row.note if row.note else ''}")
        say()


def _band(row: EaseRow, units: Units) -> str:
    parts = []
    if row.hip_from_mm is not None:
        parts.append(f"from {format_length(row.hip_from_mm, units)}")
    if row.hip_under_mm is not None:
        parts.append(f"under {format_length(row.hip_under_mm, units)}")
    return f", hip {' and '.join(parts)}" if parts else ""


def _ease(row: EaseRow, units: Units) -> str:
    low = format_length(row.at_least_mm, units) if row.at_least_mm is not None else None
    high = format_length(row.at_most_mm, units) if row.at_most_mm is not None else None
    if low and high:
        return low if low == high else f"{low} to {high}"
    return f"at least {low}" if low else f"up to {high}"
