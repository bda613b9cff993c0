"""Copy a case as it is, copy it anonymously, or delete it. Links are never followed."""

from __future__ import annotations

import io
import json
import os
import re
import zipfile
from collections.abc import Collection, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from fitdiag import files
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.findings_file import findings_text, read_findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.plausible import BODY_MM
from fitdiag.problems import ProblemsFoundError, stop
from fitdiag.sessions.case import alone, open_case, refuse_link, save_case
from fitdiag.sessions.case_files import LARGEST, ROUND_FILE, Case, Closed, Round, case_text, round_text
from fitdiag.sessions.case_list import CASE_FILE
from fitdiag.sessions.log import LARGEST_LOG, ReadLog, day_of, head_of, listed, read_log
from fitdiag.sessions.state import events_of, fold

# prefixes of notes in a case's lock: where a copy is written, when its photos were deleted
PLACE, PHOTOS = "place ", "photos "
DAY_0 = date(2000, 1, 1)  # the day a case was opened, in an anonymous copy
LEFT_OUT = "left-out"  # replaces a word the rules do not know, as it may be a name
LARGEST_INSIDE = 512 * 1024 * 1024
_PICTURES = (".jpg", ".jpeg", ".png", ".heic", ".heif", ".webp", ".tif", ".tiff", ".gif")
_IS_CASE = re.compile(rb"(?m)^schema:\s*['\"]?fitdiag\.case/")
_HEAD = "# Days are counted from 2000-01-01, which stands for the day the case was opened.\n"


@dataclass(frozen=True)
class Contents:
    """What a case folder holds, as paths relative to it; `size` in bytes. `links` and other special files are never opened."""

    files: tuple[Path, ...]
    links: tuple[Path, ...]
    photos: int
    size: int


def contents(folder: Path) -> Contents:
    """List a case folder. Raises ProblemsFoundError if it cannot be read."""
    refuse_link(folder)
    paths: list[Path] = []
    links: list[Path] = []
    sizes: list[int] = []

    def stopped(error: OSError) -> None:
        raise error

    with files.refusals(folder, "this folder cannot be read", reading=True):
        for folder_path, inner, names in os.walk(folder, onerror=stopped, followlinks=False):
            inner.sort()
            links += [path for name in inner if (path := Path(folder_path, name)).is_symlink()]
            for path in sorted(Path(folder_path, name) for name in names):
                if path.is_symlink() or not path.is_file():
                    links.append(path)
                else:
                    paths.append(path)
                    sizes.append(path.stat().st_size)
    below = [tuple(path.relative_to(folder) for path in group) for group in (paths, links)]
    return Contents(below[0], below[1], sum(path.suffix.lower() in _PICTURES for path in paths), sum(sizes))


# -- copies ------------------------------------------------------------------------------------------------------------


def export_case(case: Case, to: Path, rules: RuleBase | None = None) -> Contents:
    """Write a case to a new folder, or to a file if `to` ends in .zip: as it is, or anonymously if `rules` are given.

    Words the rules do not know may be names and are left out. Returns what was copied. Raises ProblemsFoundError.
    """
    with files.refusals(to, "this folder cannot be used"):
        inside = to.suffix.lower() != ".zip" and to.resolve().is_relative_to(case.folder.resolve())
    if inside:
        raise stop("argument", "a case cannot be copied into itself", where=to, hint="choose a folder beside it")
    links: tuple[Path, ...] = ()
    with ExitStack() as held:
        try:
            place = os.path.abspath(to.parent)  # noqa: PTH100 (the name as given, links not resolved)
            held.enter_context(alone(case.folder)).note(f"{PLACE}{place}")
        except ProblemsFoundError as stopped:
            # a medium that cannot be written: nobody can change the case; a full one: the copy itself can still be made
            if stopped.problems[0].code != "cannot-save":
                raise
        if rules is not None:
            parts = {Path(path): text.encode() for path, text in anonymous_files(case, rules).items()}
        else:
            held_files = contents(case.folder)
            links = held_files.links
            names = [
                path for path in held_files.files if not any(part.startswith(files.TEMPORARY) for part in path.parts)
            ]
            parts = {path: files.read_bytes(case.folder / path, LARGEST_INSIDE) for path in names}
        if to.suffix.lower() == ".zip":
            files.write_atomically(to, _zipped(parts, "case" if rules is not None else case.folder.name))
        else:
            files.write_folder(to, parts)
    photos = sum(path.suffix.lower() in _PICTURES for path in parts)
    return Contents(tuple(parts), links, photos, sum(map(len, parts.values())))


def _zipped(parts: Mapping[Path, bytes], top: str) -> bytes:
    """Make a zip file; all entries bear the same date, as the files' dates are private."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, content in parts.items():
            name = path.as_posix().encode("utf-8", "xmlcharrefreplace").decode()  # an archive holds names in UTF-8 only
            entry = zipfile.ZipInfo(f"{top}/{name}")
            entry.external_attr = 0o600 << 16
            archive.writestr(entry, content, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()


def anonymous_files(case: Case, rules: RuleBase) -> dict[str, str]:
    """Return a case's files, path to text, without name, photos, marks, pattern, notes and free text; days count from `DAY_0`.

    What remains is rebuilt from values the rules know; nothing is copied through. Raises ProblemsFoundError.
    """
    if case.garment != rules.about.garment:
        message = f"this case is about {case.garment}, these rules are for {rules.about.garment}"
        raise stop("garment", message, where=case.folder / CASE_FILE)
    shift = DAY_0 - case.opened
    grades = (*rules.words.body_grades.words, "no")
    plain = Case(
        case.folder, "a case", case.garment, case.units, DAY_0,
        body={name: grade for name, grade in case.body.items() if name in rules.body_notes and grade.split()[0] in grades},
        body_measures={name: mm for name, mm in case.body_measures.items() if name in BODY_MM},
        pattern_measures={name: mm for name, mm in case.pattern_measures.items() if name in BODY_MM},
        tables={name: table for name, table in case.tables.items() if name in BODY_MM and table in rules.ease},
        closed=Closed(_shifted(case.closed.day, shift), case.closed.outcome) if case.closed else None,
    )  # fmt: skip
    texts = {CASE_FILE: case_text(plain, _HEAD)}
    for one in case.rounds:
        refuse_link(one.findings_file)
        refuse_link(one.log_file)
        below = one.folder.name
        texts[f"{below}/{ROUND_FILE}"] = round_text(_bare_round(one, rules, shift), case.units, _HEAD)
        if one.findings_file.exists():
            findings = replace(read_findings(one.findings_file, rules), client="", notes=())
            texts[f"{below}/{one.findings_file.name}"] = findings_text(findings, rules.about.garment)
        if one.log_file.exists():
            texts[f"{below}/{one.log_file.name}"] = _bare_log(read_log(one.log_file), rules, shift)
    return texts


def _shifted(day: date, shift: timedelta) -> date:
    """Shift a day, clamped to what a file may hold."""
    try:
        return min(max(day + shift, date(1900, 1, 1)), date(2099, 12, 31))
    except OverflowError:
        return DAY_0


def _bare_round(one: Round, rules: RuleBase, shift: timedelta) -> Round:
    def known(name: str, table: Collection[str] = rules.alterations) -> str:
        return name if name in table else LEFT_OUT

    names = ("opened", "since", "sent", "form_received")
    days: dict[str, Any] = {name: _shifted(day, shift) for name in names if (day := getattr(one, name)) is not None}
    return replace(
        one,
        **days,
        forms=(),
        advised=tuple(
            replace(
                item, alteration=known(item.alteration), only_if=item.only_if and known(item.only_if, rules.symptoms)
            )
            for item in one.advised
        ),
        left_out=tuple(map(known, one.left_out)),
        done=tuple(replace(item, alteration=known(item.alteration)) for item in one.done),
        outcome={known(symptom, rules.symptoms): values for symptom, values in one.outcome.items()},
        nudges={},
    )


def _bare_log(log: ReadLog, rules: RuleBase, shift: timedelta) -> str:
    """A log of what a session adds up to, as far as the rules know it, and its outcome; all dated the day it was begun."""
    findings = replace(fold(log.events, rules).findings, client="", notes=())
    head = head_of(rules.about.garment, rules.fingerprint, "", findings.units)
    events = [head, *events_of(findings, Findings(units=findings.units))]
    if findings.looked:
        events.append({"event": "stage", "ended": "seen", "looked": True})
    for event in [event for event in log.events if event["event"] == "outcome"][-1:]:
        causes = {key: [one for one in listed(event, key) if one in [*rules.causes]] for key in ("causes", "not")}
        events.append({"event": "outcome", **causes, "fits": event.get("fits") is True})
    day = _shifted(day_of(log.head) or DAY_0 - shift, shift)
    lines = (json.dumps({**event, "at": f"{day}T00:00:00+00:00"}, separators=(",", ":")) for event in events)
    return "".join(f"{line}\n" for line in lines)


# -- deleting ----------------------------------------------------------------------------------------------------------


def refuse_other_folder(folder: Path) -> None:
    """Refuse to delete anything but a case folder, whether its `case.yaml` is intact or not."""
    refuse_link(folder)
    path = folder / CASE_FILE
    refuse_link(path)
    if not path.is_file() or not _IS_CASE.search(files.read_bytes(path, 16 * LARGEST)):
        message = "this is not the folder of a case; nothing was deleted"
        raise stop("no-case", message, where=folder, hint=f"a case has a {CASE_FILE}")


def delete_case(folder: Path) -> None:
    """Delete a case, all or nothing; whatever a kill leaves is removed by the next command on its root."""
    refuse_other_folder(folder)
    with alone(folder):
        for path in sorted(folder.glob("round-*/session.jsonl")):
            with suppress(OSError), files.Growing(path) as log:
                if not log.lock(0.0, LARGEST_LOG):  # an interview would go on writing to a deleted case
                    message = "an interview of this case is open in another window"
                    raise stop("in-use", message, where=path, hint="leave it first")
        with files.refusals(folder, "not all of this could be deleted; the next command goes on with it"):
            files.delete_folder(folder)


def delete_photos(case: Case, today: date) -> Case:
    """Delete the pictures of a case and their marks, and record the day in `case.yaml`."""
    with alone(case.folder) as lock:
        lock.note(f"{PHOTOS}{today.isoformat()}")
        for path in contents(case.folder).files:
            kept = path.as_posix() == case.pattern or "documents" in path.parts
            if "photos" in path.parts[:-1] or (path.suffix.lower() in _PICTURES and not kept):
                with files.refusals(case.folder / path, "this cannot be deleted"):
                    files.remove_file(case.folder / path)
        fresh = open_case(case.folder)
        return save_case(fresh, replace(fresh, consent=replace(fresh.consent, removed=today)))
