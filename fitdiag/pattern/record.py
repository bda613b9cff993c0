"""What was done to a pattern, in words: for whom, on which day, each alteration with its amount; so that printouts can be told apart.

Here stands as well how much of anything a file may hold.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date

from fitdiag.pattern.piece import Carried, Pattern
from fitdiag.problems import one_line
from fitdiag.units import Units, format_given

LONGEST_CLIENT, LONGEST_ID, LONGEST_NAME, LONGEST_TITLE, LONGEST_NOTE = 80, 60, 160, 200, 2000
MOST_DARTS, MOST_LINES, MOST_NOTCHES, MOST_CARRIED = 20, 50, 200, 200
MOST_MM = 3000.0
LINE_NAME = re.compile(r"[a-z0-9][a-z0-9 -]{0,39}\Z")
_ID = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*\Z")


def rounded(value: float) -> float:
    """As a file has it: to 0.001, and no -0.0."""
    return round(float(value), 3) + 0.0


def told(carried: Carried, units: Units) -> str:
    """`Tuck across the back above the hip line, 3/4 in`; where it has no title, its id in words."""
    side = f", {carried.side}" if carried.side != "both" else ""
    title = carried.title or carried.alteration.replace("-", " ").capitalize()
    return f"{title}, {format_given(carried.amount, units)}{side}"


def whose(pattern: Pattern, day: str = "") -> str:
    """`For the lamplighter, 2026-11-25`; what is not known is left out. `day`: that of the printout, else of the last alteration."""
    day = day or next((item.day for item in reversed(pattern.carried) if item.day), "")
    return ", ".join(part for part in (f"For {pattern.client}" if pattern.client else "", day) if part)


def history(pattern: Pattern, units: Units) -> list[str]:
    """A line for every alteration carried out, in order, with its day."""
    return [f"{told(item, units)}{f' ({item.day})' if item.day else ''}" for item in pattern.carried]


def stamp(pattern: Pattern, units: Units, day: str = "") -> str:
    """All of it in one line: for whom, the day, and the alterations in order."""
    done = "; ".join(told(item, units) for item in pattern.carried)
    return ". ".join(part for part in (whose(pattern, day), f"Altered: {done}" if done else "") if part)


def valid_day(text: str) -> bool:
    """Whether a text is a day written 2026-11-25."""
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def row_of(carried: Carried) -> str:
    """One alteration as a row for files that hold only texts: `tuck-across-back-hip | 19.05 mm | 2026-11-25 | Tuck ...`."""
    size = f"{round(carried.amount, 3):g} mm{'' if carried.side == 'both' else f' {carried.side}'}"
    return f"{carried.alteration} | {size} | {carried.day} | {one_line(carried.title, LONGEST_NAME)}"


def from_rows(rows: Sequence[str]) -> tuple[Carried, ...]:
    """Rows read back; what is no such row is passed over."""
    found = []
    for row in rows[:MOST_CARRIED]:
        parts = [part.strip() for part in row.split("|", 3)]
        number = re.fullmatch(r"(-?\d{1,4}(?:\.\d{1,3})?) mm(?: (left|right))?", parts[1]) if len(parts) == 4 else None
        if number and len(parts[0]) <= LONGEST_ID and _ID.match(parts[0]) and abs(float(number[1])) <= MOST_MM:
            day, side = parts[2] if valid_day(parts[2]) else "", number[2] or "both"
            found.append(Carried(parts[0], float(number[1]), one_line(parts[3], LONGEST_NAME), day, side))  # type: ignore[arg-type]
    return tuple(found)
