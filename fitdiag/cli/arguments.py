"""Arguments shared by several commands: rule folder, units, lengths, days, body notes, file endings."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Literal, cast

from fitdiag.knowledge.findings import LEFT_RIGHT
from fitdiag.knowledge.folders import garments, rules_for
from fitdiag.plausible import BODY_MM, doubt_of_body
from fitdiag.problems import Hints, one_line, stop
from fitdiag.units import InvalidLengthError, Units, parse_day, parse_length, units_named

if TYPE_CHECKING:
    from fitdiag.knowledge.model import RuleBase

Paper = Literal["a4", "letter"]
_GARMENT = re.compile(rb"(?:^garment:|\"garment\":)\s*[\"']?([a-z][a-z0-9-]*)", re.MULTILINE)
_HEAD = 1 << 14  # bytes of a file that are searched
FEW_NAMES = 12  # up to so many names are listed in a hint; of more, only similar ones


def folder_of(given: str | None, *files: str | Path | None) -> Path:
    """The rule folder given, by path or garment name; else that of the garment the files are about.

    Raises ProblemsFoundError for a name that is neither a folder nor a garment.
    """
    if given and (Path(given).exists() or len(Path(given).parts) > 1):
        return Path(given)
    named = (_garment_in(Path(file)) for file in files if file is not None)
    folder = rules_for(given or next((name for name in named if name in garments()), "") or "")
    return folder.relative_to(Path.cwd()) if folder.is_relative_to(Path.cwd()) else folder


def _garment_in(path: Path) -> str | None:
    """The garment named in a findings, case, pattern or log file; None if unknown."""
    try:
        if not path.is_file():  # reading a pipe would block
            return None
        with path.open("rb") as handle:
            found = _GARMENT.search(handle.read(_HEAD))
    except (OSError, ValueError):
        return None
    return found[1].decode() if found else None


def rules_of(given: str | None, *files: str | Path | None) -> RuleBase:
    """Load the rules in that folder. Raises ProblemsFoundError."""
    from fitdiag.knowledge.load import load_rules

    return load_rules(folder_of(given, *files))


def units_of(text: str) -> Units:
    """Parse units: `in` or `cm`. Raises ProblemsFoundError."""
    if (named := units_named(text)) is not None:
        return named
    raise stop("units", f"'{one_line(text, 20)}' is not a unit to work in", hint="write in or cm")


def paper_of(given: str | None, units: Units) -> Paper:
    """Parse a paper size; by default the one that goes with the units. Raises ProblemsFoundError."""
    if given is None:
        return "a4" if units == "cm" else "letter"
    if (paper := given.strip().lower()) not in ("a4", "letter"):
        raise stop("paper", f"'{one_line(given, 40)}' is not a paper size known here", hint="write a4 or letter")
    return cast(Paper, paper)


def ending_of(to: str, *kinds: str) -> str:
    """The suffix of an output file in lower case, checked before any work. Raises ProblemsFoundError if not in `kinds`."""
    kind = PurePath(to).suffix.lower()
    if kind not in kinds:
        hint = f"end the name in {' or '.join(filter(None, (', '.join(kinds[:-1]), kinds[-1])))}"
        raise stop("format", f"'{one_line(kind, 20)}' is not a format this command writes", where=to, hint=hint)
    return kind


def day_of(text: str) -> date:
    """Parse a day like 2026-12-01. Raises ProblemsFoundError."""
    if (day := parse_day(text)) is None:
        raise stop("argument", f"'{one_line(text, 20)}' is not a day", hint="write it like 2026-12-01")
    return day


def length_of(text: str, what: str, units: Units | None = None) -> float:
    """Parse a length and return mm; `what` names it in the error message."""
    try:
        return parse_length(text, units).mm
    except InvalidLengthError as error:
        raise stop("argument", f"{what}: {error}") from None


def signed_length(text: str, what: str, units: Units) -> float:
    """Parse a length that may have a minus sign, and return mm."""
    size = text.strip()
    down = size.startswith(("-", "−"))
    return length_of(size[1:] if down else size, what, units) * (-1.0 if down else 1.0)


def lengths(
    texts: Iterable[str], units: Units, known: Sequence[str] | None = None, *, listed_by: str = ""
) -> dict[str, float]:
    """Parse `name=1 in` texts into mm by name; `listed_by`: the command that lists all names, for the hint."""
    result: dict[str, float] = {}
    for text in texts:
        name, sign, amount = text.rpartition("=")
        name = " ".join((name if sign else text).strip().split())
        if known is not None and name not in known and (joined := name.lower().replace(" ", "-")) in known:
            name = joined  # "crotch depth" for crotch-depth
        if not name or (known is not None and name not in known):
            hint = nearest(name, known, listed_by) if known and name else "write it like 'name=3/4 in'"
            raise stop("argument", f"'{one_line(name or text, 60)}' names nothing here", hint=hint)
        if not sign or not amount.strip():
            example = f"{one_line(name, 60)}={'3/4' if listed_by else '40'} in"
            raise stop("argument", f"'{one_line(name, 60)}' has no amount", hint=f"add an amount, like {example}")
        if name in result:
            raise stop("argument", f"'{one_line(name, 60)}' is named twice", hint="give the whole amount once")
        result[name] = length_of(amount, one_line(name, 40), units)
    return result


def body_lengths(texts: Iterable[str], units: Units) -> dict[str, float]:
    """Parse `hip=40 in` texts into body measures in mm. Raises ProblemsFoundError for implausible ones."""
    found = lengths(texts, units, tuple(BODY_MM))
    for name, mm in found.items():
        if doubt := doubt_of_body(name, mm, units):
            raise stop("argument", doubt, hint="check the measure and its unit")
    return found


def body_notes(texts: Iterable[str], base: RuleBase, grades: Sequence[str] = ()) -> dict[str, str]:
    """Parse `flat-seat`, `flat-seat=marked`, `one-hip-higher=left` and `flat-seat=1.5 cm` texts into grades by note.

    The default is "some"; a side comes last, as in `some left`. `grades`: the grades allowed; empty for any.
    """
    notes: dict[str, str] = {}
    for text in texts:
        name, _, grade = text.partition("=")
        name = "-".join(name.lower().split())
        if name not in base.body_notes:
            hint = Hints().near(name, base.body_notes) or "`fitdiag rules list body-notes` shows them all"
            raise stop("argument", f"there is no body note '{one_line(name, 40)}'", hint=hint)
        if name in notes:
            raise stop("argument", f"'{name}' is named twice", hint="give it once")
        words = grade.split()
        sides = [word for word in words if word in LEFT_RIGHT]
        plain = " ".join(word for word in words if word not in sides) or "some"
        if len(sides) > 1 or (grades and plain not in grades):
            message = f"'{one_line(grade, 30)}' is not a grade of a body note"
            raise stop("argument", message, hint=f"write {', '.join(grades)}, with left or right for one side alone")
        notes[name] = " ".join([plain, *sides])
    return notes


def nearest(name: str, known: Sequence[str], listed_by: str = "") -> str:
    """A hint with up to three similar known names, and how to list them all."""
    word = name[:80].lower().replace(" ", "-")
    holding = [one for one in known if len(word) > 2 and word in one.replace(" ", "-")]
    spelled = [difflib.get_close_matches(name[:80].lower(), known, 3, least) for least in (0.75, 0.6)]
    found = list(dict.fromkeys([*spelled[0], *holding] or spelled[1]))[:3]
    all_names = "; ".join(known) if len(known) <= FEW_NAMES else f"{len(known)} names"
    asked = "did you mean " + " or ".join(f"'{one}=...'" for one in found) + "? " if found else ""
    return f"{asked}`{listed_by}` lists all" if listed_by else asked.strip() or f"there are {all_names}"


def guess_units(units: str | None, texts: Iterable[str], own: Units | None = None) -> Units:
    """The units given, or those of the amounts; else `own`, or inches.

    Raises ProblemsFoundError if an amount is a bare number and no units are given.
    """
    if units:
        return units_of(units)
    written = [unit for text in texts if (unit := _unit_written(text))]
    return "cm" if "cm" in written else "in" if written else own or "in"


def _unit_written(text: str) -> Units | None:
    """The unit of the amount in `name=amount`, perhaps with a side; None if there is no amount."""
    amount = re.split(r"[=<>]", text)[-1].strip().lstrip("-\u2212").strip()
    amount = re.sub(r"\s+(left|right)$", "", amount, flags=re.IGNORECASE)
    try:
        found = parse_length(amount, "in")
    except InvalidLengthError:
        return "cm" if "cm" in text or "mm" in text else None
    if found.unit is None and found.mm:
        number = one_line(amount, 20)
        raise stop("argument", f"{number} what?", hint=f"write {number} cm or {number} in, or add --units")
    return found.unit
