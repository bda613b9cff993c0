"""The record of a pattern in words: client, day and each alteration with its amount, so that printouts can be told apart.

Also the limits on what a pattern file may hold.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date

from fitdiag.pattern.piece import Carried, Pattern
from fitdiag.problems import one_line
from fitdiag.units import Units, format_given, is_to_come, parse_day

LONGEST_CLIENT, LONGEST_ID, LONGEST_NAME, LONGEST_TITLE, LONGEST_NOTE = 80, 60, 160, 200, 2000
MOST_DARTS, MOST_LINES, MOST_NOTCHES, MOST_CARRIED = 20, 50, 200, 200
MOST_MM = 3000.0
LINE_NAME = re.compile(r"[a-z0-9][a-z0-9 -]{0,39}\Z")
_ID = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*\Z")


def rounded(value: float) -> float:
    """Round to 0.001, as files are written; never -0.0."""
    return round(float(value), 3) + 0.0


def describe_alteration(carried: Carried, units: Units) -> str:
    """Return e.g. `Tuck across the back above the hip line, 3/4 in`; without a title, the id in words."""
    side = f", {carried.side}" if carried.side != "both" else ""
    title = carried.title or carried.alteration.replace("-", " ").capitalize()
    return f"{title}, {format_given(carried.amount, units)}{side}"


def whose(pattern: Pattern, day: str = "") -> str:
    """Return e.g. `For the lamplighter, 2026-11-25`, unknown parts left out. `day`: of the printout, else of the last alteration."""
    day = day or next((item.day for item in reversed(pattern.carried) if item.day), "")
    return ", ".join(part for part in (f"For {pattern.client}" if pattern.client else "", day) if part)


def history(pattern: Pattern, units: Units) -> list[str]:
    """Return a line for each alteration made, in order, with its day."""
    return [f"{describe_alteration(item, units)}{f' ({item.day})' if item.day else ''}" for item in pattern.carried]


def to_come(pattern: Pattern, today: date) -> list[str]:
    """The alterations of a pattern that were made on a day which has not come yet, each in a sentence."""
    dated = [(item, parse_day(item.day)) for item in pattern.carried]
    return [
        f"Altered: {item.alteration}: {item.day} has not come yet; put the day right, or the clock of this computer."
        for item, day in dated
        if day is not None and is_to_come(day, today)
    ]


def stamp(pattern: Pattern, units: Units, day: str = "") -> str:
    """Return the whole record as one line: client, day and the alterations in order."""
    done = "; ".join(describe_alteration(item, units) for item in pattern.carried)
    return ". ".join(part for part in (whose(pattern, day), f"Altered: {done}" if done else "") if part)


def row_of(carried: Carried) -> str:
    """Format one alteration as a row, for files that hold only texts: `tuck-across-back-hip | 19.05 mm | 2026-11-25 | Tuck ...`."""
    size = f"{round(carried.amount, 3):g} mm{'' if carried.side == 'both' else f' {carried.side}'}"
    return f"{carried.alteration} | {size} | {carried.day} | {one_line(carried.title, LONGEST_NAME)}"


def from_rows(rows: Sequence[str]) -> tuple[Carried, ...]:
    """Parse rows written by `row_of`; others are ignored."""
    alterations = []
    for row in rows[:MOST_CARRIED]:
        parts = [part.strip() for part in row.split("|", 3)]
        number = re.fullmatch(r"(-?\d{1,4}(?:\.\d{1,3})?) mm(?: (left|right))?", parts[1]) if len(parts) == 4 else None
        if number and len(parts[0]) <= LONGEST_ID and _ID.match(parts[0]) and abs(float(number[1])) <= MOST_MM:
            day, side = parts[2] if parse_day(parts[2]) else "", number[2] or "both"
            alterations.append(Carried(parts[0], float(number[1]), one_line(parts[3], LONGEST_NAME), day, side))  # type: ignore[arg-type]
    return tuple(alterations)
