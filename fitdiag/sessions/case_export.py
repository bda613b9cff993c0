"""A case leaves: copied as it is, copied without anything that says whose it is, or deleted. No link is ever followed."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import tempfile
import zipfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, get_args

from fitdiag.files import read_bytes, reason, write_atomically
from fitdiag.knowledge.findings import SEVERITIES, SIDES, Origin
from fitdiag.knowledge.findings_file import findings_text, read_findings
from fitdiag.knowledge.model import BodyMeasure, RuleBase, Seen
from fitdiag.problems import Where, shown_path, stop
from fitdiag.sessions.case import (
    GONE,
    ROUND_FILE,
    alone,
    make_durable,
    open_case,
    refusals,
    refuse_link,
    save_case,
    sweep,
    whole_folder,
)
from fitdiag.sessions.case_files import LARGEST, Case, Closed, Consent, Round, case_text, round_text
from fitdiag.sessions.case_list import CASE_FILE, TEMPORARY, forget
from fitdiag.sessions.log import KINDS, Event, read_log
from fitdiag.sessions.log import SCHEMA as LOG_SCHEMA
from fitdiag.sessions.state import STAGES
from fitdiag.units import LONGEST_MM

DAY_0 = date(2000, 1, 1)  # stands for the day a case was opened, once its days are counted from there
LEFT_OUT = "left-out"  # stands where a word was that the rules do not know, so that it may be anybody's
LARGEST_INSIDE = 512 * 1024 * 1024
_PICTURES = (".jpg", ".jpeg", ".png", ".heic", ".heif", ".webp", ".tif", ".tiff", ".gif")
_IS_CASE = re.compile(rb"(?m)^schema:\s*['\"]?fitdiag\.case/")
_HEAD = "# Days are counted from 2000-01-01, which stands for the day the case was opened.\n"


@dataclass(frozen=True)
class Contents:
    """What lies in a case folder: paths below it. `links` and other special files are never opened."""

    files: tuple[Path, ...]
    links: tuple[Path, ...]
    photos: int
    size: int


def contents(folder: Path) -> Contents:
    """Look through a case folder. Raises ProblemsFoundError where it cannot be looked into."""
    refuse_link(folder)
    files: list[Path] = []
    links: list[Path] = []
    photos = size = 0

    def stopped(error: OSError) -> None:
        raise error

    with refusals(folder, "this folder cannot be read"):
        for at, inner, names in os.walk(folder, onerror=stopped, followlinks=False):
            inner.sort()
            links += [Path(at, name) for name in inner if Path(at, name).is_symlink()]
            for path in sorted(Path(at, name) for name in names):
                if path.is_symlink() or not path.is_file():
                    links.append(path)
                    continue
                files.append(path)
                size += path.stat().st_size
                photos += path.suffix.lower() in _PICTURES
    below = tuple(path.relative_to(folder) for path in files)
    return Contents(below, tuple(path.relative_to(folder) for path in links), photos, size)


# -- copies ------------------------------------------------------------------------------------------------------------


def export_case(case: Case, to: Path, rules: RuleBase | None = None) -> Contents:
    """Write a case to a new folder, or a file if `to` ends in .zip: as it is, or with `rules` without saying whose it is.

    The rules say which words are theirs; any other may be a name. Returns what was copied.
    """
    if to.suffix.lower() != ".zip" and _is_below(to, case.folder):
        hint = "choose a folder beside it"
        raise stop("argument", "a case cannot be copied into itself", where=Where(shown_path(to)), hint=hint)
    links: tuple[Path, ...] = ()
    if rules is not None:
        parts = {Path(path): text.encode() for path, text in anonymous_files(case, rules).items()}
    else:
        found = contents(case.folder)
        links = found.links
        names = [path for path in found.files if not any(part.startswith(TEMPORARY) for part in path.parts)]
        parts = {path: read_bytes(case.folder / path, LARGEST_INSIDE) for path in names}
    if to.suffix.lower() == ".zip":
        write_atomically(to, _zipped(parts, "case" if rules is not None else case.folder.name))
    else:
        with refusals(to, "this folder cannot be made"):
            if os.path.lexists(to):
                raise stop(
                    "exists",
                    "there is something of this name already",
                    where=Where(shown_path(to)),
                    hint="choose another",
                )
        with whole_folder(to) as place:
            for path, content in parts.items():
                (place / path).parent.mkdir(mode=0o700, parents=True, exist_ok=True)
                write_atomically(place / path, content)
    photos = sum(path.suffix.lower() in _PICTURES for path in parts)
    return Contents(tuple(parts), links, photos, sum(map(len, parts.values())))


def _is_below(path: Path, folder: Path) -> bool:
    with refusals(path, "this folder cannot be used"):
        return path.resolve().is_relative_to(folder.resolve())


def _zipped(parts: Mapping[Path, bytes], top: str) -> bytes:
    """A zip file; every entry bears the same day, because the days of the files are nobody's business."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, content in parts.items():
            entry = zipfile.ZipInfo(f"{top}/{path.as_posix()}")
            entry.external_attr = 0o600 << 16
            archive.writestr(entry, content, zipfile.ZIP_DEFLATED)
    return held.getvalue()


def anonymous_files(case: Case, rules: RuleBase) -> dict[str, str]:
    """The files of a case without name, photos, marks, pattern, notes and free text, days counted from `DAY_0`.

    What stays is built up anew from values that the rules know; nothing is copied through.
    """
    if case.garment != rules.about.garment:
        told = f"this case is about {case.garment}, these rules are for {rules.about.garment}"
        raise stop("garment", told, where=Where(shown_path(case.folder / CASE_FILE)))
    shift = DAY_0 - case.opened
    measures = get_args(BodyMeasure)
    plain = Case(
        folder=case.folder,
        name="a case",
        garment=case.garment,
        units=case.units,
        opened=DAY_0,
        body={
            note: grade
            for note, grade in case.body.items()
            if note in rules.body_notes and grade in (*rules.words.body_grades.words, "no")
        },
        body_measures={name: mm for name, mm in case.body_measures.items() if name in measures},
        pattern_measures={name: mm for name, mm in case.pattern_measures.items() if name in measures},
        tables={name: table for name, table in case.tables.items() if name in measures and table in rules.ease},
        consent=Consent(),
        closed=Closed(_shifted(case.closed.day, shift), case.closed.outcome) if case.closed else None,
    )
    files = {CASE_FILE: case_text(plain, _HEAD)}
    known = _known(rules)
    for one in case.rounds:
        refuse_link(one.findings_file)
        refuse_link(one.log_file)
        files[f"{one.folder.name}/{ROUND_FILE}"] = round_text(_bare_round(one, rules, shift), case.units, _HEAD)
        if one.findings_file.exists():
            findings = replace(read_findings(one.findings_file, rules), client="", notes=())
            files[f"{one.folder.name}/{one.findings_file.name}"] = findings_text(findings, rules.about.garment)
        if one.log_file.exists():
            events = (
                _bare_event(event, known, shift) for event in read_log(one.log_file).events if event["event"] != "note"
            )
            lines = (json.dumps(event, separators=(",", ":")) + "\n" for event in events)
            files[f"{one.folder.name}/{one.log_file.name}"] = "".join(lines)
    return files


def _shifted(day: date, shift: timedelta) -> date:
    """A day counted from day 0; far off ones are held at the ends of what a file may hold."""
    try:
        return min(max(day + shift, date(1900, 1, 1)), date(2099, 12, 31))
    except OverflowError:
        return DAY_0


def _bare_round(one: Round, rules: RuleBase, shift: timedelta) -> Round:
    def known(name: str, table: Iterable[str]) -> str:
        return name if name in table else LEFT_OUT

    return replace(
        one,
        opened=_shifted(one.opened, shift),
        since=_shifted(one.since, shift),
        sent=_shifted(one.sent, shift) if one.sent else None,
        form_received=_shifted(one.form_received, shift) if one.form_received else None,
        forms=(),
        advised=tuple(replace(item, alteration=known(item.alteration, rules.alterations)) for item in one.advised),
        left_out=tuple(known(alteration, rules.alterations) for alteration in one.left_out),
        done=tuple(replace(item, alteration=known(item.alteration, rules.alterations)) for item in one.done),
        outcome={known(symptom, rules.symptoms): values for symptom, values in one.outcome.items()},
    )


_KEYS = {
    "event", "schema", "rules", "garment", "fingerprint", "units", "symptom", "seen", "origin", "amount_mm", "error_mm",
    "severity", "side", "awaits", "notes", "alteration", "round", "ended", "body", "pattern", "tables", "steps", "causes", "id",
    "probability", "recommendations", "only_if", "leave_alone", "not", "fits", "findings", "refused",
}  # fmt: skip


def _known(rules: RuleBase) -> frozenset[str]:
    """Every word of a session log that is the program's or the rules', so that it says nothing about a client."""
    words = {
        *KINDS,
        *STAGES,
        *get_args(Seen),
        *get_args(Origin),
        *SEVERITIES,
        *SIDES,
        *get_args(BodyMeasure),
        "in",
        "cm",
        LOG_SCHEMA,
    }
    tables = (
        rules.symptoms,
        rules.body_notes,
        rules.causes,
        rules.alterations,
        rules.ease,
        rules.words.body_grades.words,
    )
    return frozenset({*words, *(name for table in tables for name in table), "no", rules.about.garment, LEFT_OUT})


def _bare_event(event: Event, known: frozenset[str], shift: timedelta) -> dict[str, Any]:
    """An event of the log with known words and numbers only; it keeps its place, so that `back` still takes the right one."""
    bare: dict[str, Any] = _bare(event, known)
    if event["event"] == "start":
        fingerprint = str(event["rules"].get("fingerprint"))
        bare["rules"]["fingerprint"] = fingerprint if re.fullmatch(r"[0-9a-f]{8,64}", fingerprint) else LEFT_OUT
        program = str(event.get("program"))
        bare["program"] = program if re.fullmatch(r"\d{1,3}(\.\d{1,3}){1,3}", program) else LEFT_OUT
        bare["client"] = ""
    try:
        day = datetime.fromisoformat(event["at"]).date()
    except (KeyError, TypeError, ValueError):
        day = DAY_0 - shift
    bare["at"] = f"{_shifted(day, shift)}T00:00:00+00:00"
    return bare


def _bare(value: object, known: frozenset[str]) -> Any:
    if isinstance(value, Mapping):
        return {key: _bare(inner, known) for key, inner in value.items() if key in _KEYS or key in known}
    if isinstance(value, list):
        return [_bare(inner, known) for inner in value]
    if isinstance(value, str):
        return value if value in known else LEFT_OUT
    if isinstance(value, int | float) and not abs(value) <= LONGEST_MM:
        return None  # nothing that is measured is so large
    return value


# -- deleting ----------------------------------------------------------------------------------------------------------


def refuse_other_folder(folder: Path) -> None:
    """Only the folder of a case may be deleted, be its `case.yaml` whole or not."""
    refuse_link(folder)
    path = folder / CASE_FILE
    refuse_link(path)
    if not path.is_file() or not _IS_CASE.search(read_bytes(path, 16 * LARGEST)):
        told = "this is not the folder of a case; nothing was deleted"
        raise stop("no-case", told, where=Where(shown_path(folder)), hint=f"a case has a {CASE_FILE}")


def delete_case(folder: Path) -> None:
    """Delete a case: it is there whole or gone; what the system does not let go of at once goes with the next write."""
    refuse_other_folder(folder)
    sweep(folder.parent)
    forget(folder.parent, folder.name)
    with refusals(folder, "this cannot be deleted"):
        place = Path(tempfile.mkdtemp(prefix=GONE, dir=folder.parent))
        try:
            folder.rename(place / "case")
        except OSError:
            place.rmdir()
            raise
        make_durable(folder.parent)
    try:
        shutil.rmtree(place)
    except OSError as error:
        told = f"the case is off the list, but not all of it could be deleted: {reason(error)}"
        raise stop("cannot-delete", told, where=Where(shown_path(place)), hint="delete this folder by hand") from None
    make_durable(folder.parent)


def delete_photos(case: Case, today: date) -> Case:
    """Delete the pictures of a case and the marks on them, and say in `case.yaml` when that was."""
    with alone(case.folder):
        for path in contents(case.folder).files:
            kept = path.as_posix() == case.pattern or "documents" in path.parts
            if "photos" in path.parts[:-1] or (path.suffix.lower() in _PICTURES and not kept):
                with refusals(case.folder / path, "this cannot be deleted"):
                    (case.folder / path).unlink()
                make_durable((case.folder / path).parent)
    fresh = open_case(case.folder)
    return save_case(fresh, replace(fresh, consent=replace(fresh.consent, removed=today)))
