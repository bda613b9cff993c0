"""Pattern files of every kind, by the ending of their names: this program's own, SVG and DXF; read, and written so that they read back."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from fitdiag.files import no_twins, read_bytes, write_atomically
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import Document, parse_yaml, read_text
from fitdiag.pattern.assemble import Taken
from fitdiag.pattern.dxf import pattern_to_dxf
from fitdiag.pattern.dxf_read import pattern_from_dxf
from fitdiag.pattern.files import pattern_from_data, pattern_to_text
from fitdiag.pattern.garment import Garment, garment_of
from fitdiag.pattern.piece import Pattern
from fitdiag.pattern.svg_files import pattern_to_svg
from fitdiag.problems import ProblemsFoundError, Where, one_line, stop

LARGEST = 4 * 1024 * 1024
FORMATS = (".yaml", ".json", ".svg", ".dxf")


@dataclass(frozen=True)
class Reading:
    """What the fitter says about a file that does not say it itself."""

    line: Literal["cut", "stitch"] | None = None
    allowance: float | None = None
    dpi: float | None = None
    garment: Garment | None = None


def read_pattern(text: str, said: Reading | None = None, taken: Taken | None = None) -> Pattern:
    """A pattern from a .yaml, .json, .svg or .dxf file; `taken` gets what was taken from it. Raises ProblemsFoundError."""
    path = Path(text)
    kind = _format_of(path)
    content = (read_bytes if kind == ".dxf" else read_text)(path, LARGEST, "pattern file")
    return _parsed(kind, content, one_line(path), said or Reading(), taken)


def by_rules(base: RuleBase | None) -> Reading | None:
    """That a pattern is of the garment of these rules, where they have one; else the file says which."""
    return Reading(garment=garment_of(base)) if base is not None and base.garment is not None else None


def write_pattern(pattern: Pattern, text: str, *, replace: bool) -> None:
    """Write a pattern in the format its file name asks for; what could not be read back is not written."""
    path = Path(text)
    kind = _format_of(path)
    to_text = {".svg": pattern_to_svg, ".dxf": pattern_to_dxf}.get(kind, pattern_to_text)  # JSON, which is YAML too
    content = to_text(pattern)
    try:
        _parsed(kind.replace(".yaml", ".json"), content, one_line(path), Reading(garment=pattern.garment))
    except ProblemsFoundError as stopped:
        told = f"this pattern is not written, as it could not be read again: {stopped.problems[0].message}"
        raise stop("broken", told, hint="take a smaller amount, or look at the last alteration") from None
    write_atomically(path, content, replace=replace)


def _format_of(path: Path) -> str:
    """The format that a file's name asks for, one of FORMATS."""
    kind = path.suffix.lower().replace(".yml", ".yaml")
    if kind not in FORMATS:
        told = f"'{one_line(path.suffix.lower(), 20)}' is not a pattern format"
        raise stop("format", told, where=Where(one_line(path)), hint=f"give {', '.join(FORMATS[:-1])} or {FORMATS[-1]}")
    return kind


def _parsed(kind: str, content: str | bytes, shown: str, said: Reading, taken: Taken | None = None) -> Pattern:
    if kind == ".dxf":
        return pattern_from_dxf(content, shown, said.garment, line=said.line, allowance=said.allowance, taken=taken)
    assert isinstance(content, str)
    if kind == ".svg":
        from fitdiag.pattern.svg_read import pattern_from_svg  # noqa: PLC0415 (its library takes longest to load)

        return pattern_from_svg(content, shown, said.garment, dpi=said.dpi, taken=taken)
    if kind == ".yaml":
        return pattern_from_data(parse_yaml(content, shown), said.garment)
    try:
        data = json.loads(content, object_pairs_hook=no_twins)
    except (ValueError, RecursionError) as error:
        place = (error.lineno, error.colno) if isinstance(error, json.JSONDecodeError) else (0, 0)
        told = one_line(error.msg if isinstance(error, json.JSONDecodeError) else error, 80)
        told = f"this is not JSON: {told}"
        raise stop("not-json", told, where=Where(shown, *place), hint="is it the right file?") from None
    return pattern_from_data(Document(shown, data, None), said.garment)
