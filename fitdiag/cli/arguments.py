"""What several commands take: a rule folder, units to work in, lengths by name."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from pathlib import Path

from fitdiag.knowledge.load import default_rules
from fitdiag.problems import one_line, stop
from fitdiag.units import InvalidLengthError, Units, parse_length


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


def lengths(texts: Iterable[str], units: Units, known: Sequence[str] | None = None) -> dict[str, float]:
    """`name=1 in` texts as lengths in mm by name."""
    result: dict[str, float] = {}
    for text in texts:
        name, sign, amount = text.rpartition("=")
        name = " ".join(name.strip().split())
        if known is not None and name not in known and (joined := name.lower().replace(" ", "-")) in known:
            name = joined  # "crotch depth" for crotch-depth
        if not sign or not name or (known is not None and name not in known):
            near = difflib.get_close_matches(name, known or (), 1)
            listed = (
                f"write it like 'name=3/4 in'; there are {'; '.join(known)}" if known else "write it like 'name=3/4 in'"
            )
            hint = f"did you mean '{near[0]}=...'?" if near else listed
            raise stop("argument", f"'{one_line(text, 60)}' names nothing here", hint=hint)
        try:
            result[name] = parse_length(amount, units).mm
        except InvalidLengthError as error:
            raise stop("argument", f"{one_line(name, 40)}: {error}") from None
    return result


def guess_units(units: str | None, texts: Iterable[str]) -> Units:
    """The units asked for, or those the amounts are written in."""
    if units:
        return units_of(units)
    return "cm" if any("cm" in text or "mm" in text for text in texts) else "in"
