"""What several commands take: a rule folder, units to work in."""

from __future__ import annotations

from pathlib import Path

from fitdiag.knowledge.load import default_rules
from fitdiag.problems import one_line, stop
from fitdiag.units import Units


def folder_of(given: str | None) -> Path:
    """The rule folder meant: the one given, or the shipped one."""
    if given:
        return Path(given)
    folder = default_rules()
    return folder.relative_to(Path.cwd()) if folder.is_relative_to(Path.cwd()) else folder


def units_of(text: str) -> Units:
    """`in` or `cm`, or one clear message."""
    if text == "in":
        return "in"
    if text == "cm":
        return "cm"
    raise stop("units", f"'{one_line(text, 20)}' is not a unit to work in", hint="write in or cm")
