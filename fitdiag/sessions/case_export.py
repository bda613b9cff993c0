"""A case leaves: copied as it is, copied without anything that says whose it is, or deleted. No link is ever followed."""

from __future__ import annotations

import io
import json
import os
import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import count
from pathlib import Path
from typing import Any, get_args

from fitdiag.files import (
    TEMPORARY,
    Alone,
    Growing,
    delete_folder,
    make_folder,
    read_bytes,
    refusals,
    remove_file,
    sweep,
    whole_folder,
    write_all,
    write_atomically,
)
from fitdiag.knowledge.findings import SEVERITIES, SIDES, Origin, ReadingsFrom
from fitdiag.knowledge.findings_file import findings_text, read_findings
from fitdiag.knowledge.model import RuleBase, Seen
from fitdiag.plausible import BODY_MM
from fitdiag.problems import ProblemsFoundError, stop
from fitdiag.sessions.case import alone, open_case, refuse_link, save_case
from fitdiag.sessions.case_files import LARGEST, ROUND_FILE, Case, Closed, Consent, Round, case_text, round_text
from fitdiag.sessions.case_list import CASE_FILE
from fitdiag.sessions.log import KINDS, LARGEST_LOG, Event, day_of, read_log
from fitdiag.sessions.log import SCHEMA as LOG_SCHEMA
from fitdiag.sessions.state import STAGES
from fitdiag.units import LONGEST_MM, Units

# notes in the lock of a case: where a copy is written, when its photos were deleted
PLACE, PHOTOS = "place ", "photos "
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

    with refusals(folder, "this folder cannot be read", reading=True):
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
        raise stop("argument", "a case cannot be copied into itself", where=to, hint=hint)
    links: tuple[Path, ...] = ()
    with _undisturbed(case.folder) as lock:
        if lock is not None:
            lock.note(f"{PLACE}{os.path.abspath(to.parent)}")  # noqa: PTH100 (a name as it is given, no link looked into)
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
            _to_folder(parts, to)
    photos = sum(path.suffix.lower() in _PICTURES for path in parts)
    return Contents(tuple(parts), links, photos, sum(map(len, parts.values())))


def _to_folder(parts: Mapping[Path, bytes], to: Path) -> None:
    """Copies in a new folder: all of them, or none."""
    with refusals(to, "this folder cannot be made"):
        if os.path.lexists(to):
            hint = "choose another"
            raise stop("exists", "there is something of this name already", where=to, hint=hint)
        sweep(to.parent)
    with whole_folder(to) as place:
        for folder in {path.parent for path in parts}:
            make_folder(place / folder)
            write_all({place / path: content for path, content in parts.items() if path.parent == folder})


@contextmanager
def _undisturbed(folder: Path) -> Iterator[Alone | None]:
    """Nobody changes the case meanwhile; on a medium that cannot be written nobody can."""
    with ExitStack() as held:
        try:
            lock: Alone | None = held.enter_context(alone(folder))
        except ProblemsFoundError as stopped:
            if stopped.problems[0].code != "cannot-save":
                raise
            lock = None
        yield lock


def _is_below(path: Path, folder: Path) -> bool:
    with refusals(path, "this folder cannot be used"):
        return path.resolve().is_relative_to(folder.resolve())


def _zipped(parts: Mapping[Path, bytes], top: str) -> bytes:
    """A zip file; every entry bears the same day, because the days of the files are nobody's business."""
    held = io.BytesIO()
    names: set[str] = set()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, content in parts.items():
            name = next(one for number in count(1) if (one := _numbered(path, number)) not in names)
            names.add(name)
            entry = zipfile.ZipInfo(f"{top}/{name}")
            entry.external_attr = 0o600 << 16
            archive.writestr(entry, content, zipfile.ZIP_DEFLATED)
    return held.getvalue()


def _numbered(path: Path, number: int) -> str:
    """A name in an archive, which holds names in UTF-8 only."""
    name = path if number == 1 else path.with_stem(f"{path.stem} {number}")
    return os.fsencode(name.as_posix()).decode("utf-8", "replace")


def anonymous_files(case: Case, rules: RuleBase) -> dict[str, str]:
    """The files of a case without name, photos, marks, pattern, notes and free text, days counted from `DAY_0`.

    What stays is built up anew from values that the rules know; nothing is copied through.
    """
    if case.garment != rules.about.garment:
        told = f"this case is about {case.garment}, these rules are for {rules.about.garment}"
        raise stop("garment", told, where=case.folder / CASE_FILE)
    shift = DAY_0 - case.opened
    measures = tuple(BODY_MM)
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
    "left_mm", "right_mm", "severity", "side", "awaits", "notes", "alteration", "round", "ended", "body", "pattern", "tables", "steps",
    "causes", "id", "probability", "recommendations", "only_if", "leave_alone", "not", "fits", "findings", "refused",
    "at_rest", "readings_from", "earlier", "readings", "sides",
}  # fmt: skip


def _known(rules: RuleBase) -> frozenset[str]:
    """Every word of a session log that is the program's or the rules', so that it says nothing about a client."""
    words = (
        KINDS, STAGES, SEVERITIES, SIDES, BODY_MM, *map(get_args, (Seen, Origin, ReadingsFrom, Units)),
        rules.symptoms, rules.body_notes, rules.causes, rules.alterations, rules.ease, rules.words.body_grades.words,
    )  # fmt: skip
    return frozenset({"no", LOG_SCHEMA, rules.about.garment, LEFT_OUT, *(word for part in words for word in part)})


def _bare_event(event: Event, known: frozenset[str], shift: timedelta) -> dict[str, Any]:
    """An event of the log with known words and numbers only; it keeps its place, so that `back` still takes the right one."""
    bare: dict[str, Any] = _bare(event, known)
    if event["event"] == "start":
        fingerprint = str(event["rules"].get("fingerprint"))
        bare["rules"]["fingerprint"] = fingerprint if re.fullmatch(r"[0-9a-f]{8,64}", fingerprint) else LEFT_OUT
        program = str(event.get("program"))
        bare["program"] = program if re.fullmatch(r"\d{1,3}(\.\d{1,3}){1,3}", program) else LEFT_OUT
        bare["client"] = ""
    bare["at"] = f"{_shifted(day_of(event) or DAY_0 - shift, shift)}T00:00:00+00:00"
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
        raise stop("no-case", told, where=folder, hint=f"a case has a {CASE_FILE}")


def delete_case(folder: Path) -> None:
    """Delete a case: it is there whole or gone; what a kill leaves of it goes with the next command on its root."""
    refuse_other_folder(folder)
    with alone(folder):
        _refuse_while_open(folder)
        with refusals(folder, "not all of this could be deleted; the next command goes on with it"):
            delete_folder(folder)


def _refuse_while_open(folder: Path) -> None:
    """An interview that is on somewhere would write on into a case that is gone."""
    for path in sorted(folder.glob("round-*/session.jsonl")):
        with suppress(OSError):
            log = Growing(path)
            try:
                if not log.lock(0.0, LARGEST_LOG):
                    told, hint = "an interview of this case is open in another window", "leave it first"
                    raise stop("in-use", told, where=path, hint=hint)
            finally:
                log.close()


def delete_photos(case: Case, today: date) -> Case:
    """Delete the pictures of a case and the marks on them, and say in `case.yaml` when that was."""
    with alone(case.folder) as lock:
        lock.note(f"{PHOTOS}{today.isoformat()}")
        for path in contents(case.folder).files:
            kept = path.as_posix() == case.pattern or "documents" in path.parts
            if "photos" in path.parts[:-1] or (path.suffix.lower() in _PICTURES and not kept):
                with refusals(case.folder / path, "this cannot be deleted"):
                    remove_file(case.folder / path)
        fresh = open_case(case.folder)
        return save_case(fresh, replace(fresh, consent=replace(fresh.consent, removed=today)))
