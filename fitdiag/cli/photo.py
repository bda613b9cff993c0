"""`fitdiag photo …`: taking pictures in, marking them, measuring, and the shot card."""

from __future__ import annotations

import json
import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fitdiag.cli.arguments import folder_of, units_of
from fitdiag.cli.output import say, write
from fitdiag.files import write_atomically
from fitdiag.photos.combine import Together, measure_all, together
from fitdiag.photos.intake import Picture, check_same, clean_bytes, crop_above, read_picture, shortcomings
from fitdiag.photos.marks import VIEWS, Marks, as_json, read_marks
from fitdiag.photos.measure import Measured, Reading
from fitdiag.photos.overlay import overlay, told
from fitdiag.problems import Where, one_line, shown_path, stop
from fitdiag.units import InvalidLengthError, Units, format_reading, parse_length

SCHEMA = "fitdiag.measured/1"


def _length(text: str | None, what: str) -> float | None:
    if text is None:
        return None
    try:
        return parse_length(text).mm
    except InvalidLengthError as error:
        raise stop("argument", f"{what}: {error}") from None


def add(
    source: str, to: str, view: str, *, face_above: int | None, focal: float | None, hip: str | None, replace: bool
) -> int:
    """Take a picture in: cleaned copy and an empty sidecar beside it. The original is never changed."""
    if view not in VIEWS:
        raise stop("argument", f"'{one_line(view, 20)}' is no view", hint=f"write {', '.join(VIEWS)}")
    picture = read_picture(Path(source))
    target = Path(to)
    if target.suffix.lower() not in (".jpg", ".jpeg", ".png"):
        raise stop("format", "the cleaned picture is written as .jpg or .png", where=Where(shown_path(target)))
    for told_line in shortcomings(picture):
        say(f"- {told_line}")
    if face_above is not None:
        picture = crop_above(picture, face_above)
    content = clean_bytes(picture, target.suffix.lower())
    write_atomically(target, content, replace=replace)
    cleaned = read_picture(target)
    known = focal if focal is not None else picture.focal_35mm
    widths = {"hip": mm} if (mm := _length(hip, "--hip-width")) else {}
    marks = Marks(target.name, cleaned.sha256, cleaned.width, cleaned.height, view, known, widths_mm=widths)
    write_atomically(sidecar(target), as_json(marks), replace=replace)
    write(f"Cleaned picture: {shown_path(target)}\nIts marks, still empty: {shown_path(sidecar(target))}")
    write(f"Mark it next:\n  fitdiag photo mark {shlex.quote(shown_path(target))}")
    return 0


def sidecar(picture: Path) -> Path:
    """Where a picture's marks lie unless said otherwise."""
    return picture.with_name(picture.stem + ".marks.json")


def mark(picture: str, marks_file: str | None, to: str | None, *, propose: bool, replace: bool) -> int:
    """Write the marking page of a picture."""
    from fitdiag.photos.page import mark_page

    path = Path(picture)
    found, marks = _read(path, marks_file)
    if propose:
        from fitdiag.photos.propose import proposals

        marks = proposals(found.pixels, marks)
        many = len(marks.proposed)
        say(f"{many} line{'' if many == 1 else 's'} proposed; each counts only once you have confirmed it on the page.")
    target = Path(to) if to else path.with_name(path.stem + ".marking.html")
    write_atomically(target, mark_page(clean_bytes(found, ".jpg"), marks), replace=replace)
    write(f"Open this page in a browser; it holds the picture, so delete it when done:\n  {shown_path(target)}")
    write(f"Save the marks there as\n  {shown_path(sidecar(path))}")
    write(f"and measure:\n  fitdiag photo measure {shlex.quote(shown_path(path))}")
    return 0


def _read(path: Path, marks_file: str | None) -> tuple[Picture, Marks]:
    picture = read_picture(path)
    beside = Path(marks_file) if marks_file else sidecar(path)
    marks = read_marks(beside)
    check_same(picture, marks, beside)
    return picture, marks


def measure(
    pictures: Sequence[str],
    marks_files: Sequence[str],
    *,
    as_json: bool,
    units: str | None,
    hip_girth: str | None,
    findings: str | None,
    no_overlay: bool,
    rules: str | None,
    replace: bool,
) -> int:
    """Measure marked pictures that belong together."""
    if marks_files and len(marks_files) != len(pictures):
        raise stop(
            "arguments", f"{len(pictures)} pictures and {len(marks_files)} marks files", hint="one --marks for each"
        )
    chosen: Units = units_of(units) if units else "in"
    read = [_read(Path(p), marks_files[i] if marks_files else None) for i, p in enumerate(pictures)]
    found = measure_all([(picture.pixels, marks) for picture, marks in read], _length(hip_girth, "--hip-girth"))
    whole = together(found)
    overlays: list[str] = []
    if not no_overlay:
        for path, (picture, _), measured in zip(pictures, read, found, strict=True):
            target = Path(path).with_name(Path(path).stem + ".measured.png")
            write_atomically(target, overlay(picture.pixels, measured, chosen), replace=True)
            overlays.append(shown_path(target))
    if as_json:
        write(json.dumps(_data(pictures, found, whole), indent=1))
    else:
        for path, measured in zip(pictures, found, strict=True):
            _say_measured(path, measured, chosen)
        if len(found) > 1:
            _say_together(whole, chosen)
        for name in overlays:
            write(f"Look whether the lines are the right ones:\n  {name}")
    if findings:
        _write_findings(found, whole, Path(findings), chosen, rules, quiet=as_json, replace=replace)
    return 0


def _say_measured(path: str, found: Measured, units: Units) -> None:
    write(f"\n{shown_path(path)}: seen from the {_from(found)}")
    for warning in found.warnings:
        say(f"- {warning}")
    for name, line in found.lines.items():
        side = "above" if line.depression_deg > 0 else "below"
        say(f"{name.replace('-', ' ')}: the lens {abs(line.depression_deg):.1f} degrees {side} the line")
        _say_readings([reading for reading in found.readings if reading.line == name], units)
    for name in found.grains:
        say(f"{name.replace('-', ' ')}:")
        _say_readings([reading for reading in found.readings if reading.line == name], units)


def _from(found: Measured) -> str:
    view = found.marks.view
    return f"{view} side" if found.marks.seen_from_the_side else view


def _say_readings(readings: Sequence[Reading], units: Units) -> None:
    for reading in readings:
        raw = "" if reading.raw is None else f"; in the picture {_plain(reading.raw, reading.unit, units)}"
        why = f" ({reading.reason})" if reading.reason else ""
        say(f"  {reading.what}: {told(reading, units)}{raw}. {reading.word[:1].upper()}{reading.word[1:]}{why}.")


def _plain(value: float, unit: str, units: Units) -> str:
    return f"{value:+.1f} degrees" if unit == "deg" else ("-" if value < 0 else "") + format_reading(abs(value), units)


def _say_together(found: Sequence[Together], units: Units) -> None:
    write("\nAll pictures together")
    for item in found:
        value = (
            f"{_plain(item.value, item.unit, units)}, give or take {_plain(item.error, item.unit, units).lstrip('+')}"
        )
        say(
            f"  {item.line.replace('-', ' ')}, {item.what}: {value}. {item.word[:1].upper()}{item.word[1:]} ({item.told})."
        )


def _data(paths: Sequence[str], found: Sequence[Measured], whole: Sequence[Together]) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "pictures": [
            {
                "file": Path(path).name,
                "view": measured.marks.view,
                "warnings": list(measured.warnings),
                "distance_mm": measured.distance_mm and round(measured.distance_mm, 1),
                "lens_above_line_deg": {n: round(line.depression_deg, 3) for n, line in measured.lines.items()},
                "readings": [_row(reading) for reading in measured.readings],
            }
            for path, measured in zip(paths, found, strict=True)
        ],
        "together": [_row(item) for item in whole],
    }


def _row(item: Reading | Together) -> dict[str, Any]:
    return {key: round(value, 3) if isinstance(value, float) else value for key, value in vars(item).items()}


def _write_findings(
    found: Sequence[Measured], whole: Sequence[Together], path: Path, units: Units, rules: str | None, *, quiet: bool,
    replace: bool,
) -> None:  # fmt: skip
    from fitdiag.knowledge.findings import Findings, findings_text
    from fitdiag.knowledge.load import load_rules
    from fitdiag.sessions.from_photos import findings_from

    base = load_rules(folder_of(rules))
    result = findings_from(base, whole, found)
    findings = Findings(symptoms={item.symptom: item for item in result.findings}, units=units)
    write_atomically(path, findings_text(findings), replace=replace)
    if quiet:
        return
    write("\nFindings")
    from fitdiag.diagnosis.belief import told as told_finding

    for item in result.findings:
        say(f"- {told_finding(base, item, findings)}")
    for line in result.open:
        say(f"- {line}")
    write(
        f"Confirm them in an interview, which then asks only for the rest:\n  fitdiag interview --photos {shlex.quote(shown_path(path))}"
    )


def card(
    to: str, units: str | None, heights: Sequence[str], keep_until: str, paper: str, *, large: bool, replace: bool
) -> int:
    """Write the shot card."""
    from fitdiag.cli.arguments import guess_units, lengths
    from fitdiag.photos.card import card_html, card_pdf

    target = Path(to)
    chosen = guess_units(units, heights)
    known = lengths(heights, chosen, ("hip", "crotch", "knee")) or None
    if paper not in ("a4", "letter"):
        raise stop("argument", f"'{one_line(paper, 20)}' is no paper known here", hint="write a4 or letter")
    if target.suffix.lower() == ".html":
        content: str | bytes = card_html(units=chosen, heights_mm=known, keep_until=keep_until, large=large)
    elif target.suffix.lower() == ".pdf":
        content = card_pdf(units=chosen, heights_mm=known, keep_until=keep_until, large=large, paper=paper)  # type: ignore[arg-type]
    else:
        raise stop("format", "the card is written as .html or .pdf", where=Where(shown_path(target)))
    write_atomically(target, content, replace=replace)
    write(f"Shot card: {shown_path(target)}")
    return 0
