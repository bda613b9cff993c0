"""The client's form in a round: which try-on it is about, writing it, and taking each one back only once."""

from __future__ import annotations

import re
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from fitdiag.files import read_bytes, write_atomically
from fitdiag.knowledge.findings import Finding
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import read_text
from fitdiag.problems import Where, one_line, shown_path, stop
from fitdiag.sessions.case_files import Case, Round

if TYPE_CHECKING:
    from fitdiag.reports.form import Form

WORDS = "form.txt"
_LARGEST_WORDS = 64 * 1024


def token(case: Case, after: int) -> str:
    """What a form carries, so that it finds its case: the folder's name, and after which list it is filled in (0: before any)."""
    name = case.folder.name
    plain = re.sub(r"[^a-z0-9-]", "-", name.lower())[:40]
    if plain != name:  # letters were lost, so that another name may look the same
        plain = f"{plain.strip('-') or 'case'}-{zlib.crc32(name.encode('utf-8', 'surrogateescape')):08x}"
    return f"{plain}-{after}"


def write_form(
    base: RuleBase, case: Case, questions: Sequence[str], advised: Sequence[tuple[str, float | None]], *, after: int
) -> Path:
    """The form about the try-on after the list of a round (0: the first muslin as it was sewn), into the folder of the last round."""
    from fitdiag.reports.form import client_form

    path = case.rounds[-1].documents / f"form-try-on-{after + 1}.html"
    page = client_form(
        base, questions, units=case.units, client=case.name, round_number=after + 1, advised=advised,
        token=token(case, after), photos=not case.consent.refused,
    )  # fmt: skip
    write_atomically(path, page, replace=True)
    return path


def form_that_came(base: RuleBase, case: Case, path: str, command: str) -> Form:
    """Read a form; it must be about the try-on that is looked at now, and must not have been taken in before."""
    from fitdiag.reports.form import LARGEST, read_form

    raw = read_bytes(Path(path), LARGEST, "form")
    form = read_form(raw.decode("utf-8", "replace"), base, path)
    where = Where(shown_path(path))
    last = case.rounds[-1] if case.rounds else None
    now = 0 if last is None else last.number if last.sent else last.number - 1
    found = next((n for n in range((last.number if last else 0) + 1) if form.token == token(case, n)), None)
    if found is None:
        told = "this form belongs to another case or round"
        raise stop("form-other", told, where=where, hint=f"it says '{one_line(form.token, 60)}'")
    for one in case.rounds:
        if form.checksum in one.forms:
            told = f"this form was taken in before, in round {one.number}"
            raise stop("form-again", told, where=where, hint=f"is there a newer one? To go on without it: {command}")
    if found < now:
        told = f"this form is about try-on {found + 1}, and try-on {now + 1} is looked at now"
        raise stop("form-old", told, where=where, hint="is there a newer one?")
    if found > now:
        told = f"this form is about the try-on after the list of round {found}, which is not written down as sent"
        raise stop("form-early", told, where=where, hint=f"{command} --sent writes it down; then do this again")
    return form


def keep_words(one: Round, form: Form) -> None:
    """Put what the client wrote beside what earlier forms of this round said."""
    path = one.folder / WORDS
    before = read_text(path, _LARGEST_WORDS, "form") if path.exists() else ""
    if form.told and form.told not in before:
        write_atomically(path, f"{before}{form.told}\n", replace=True)


def words_of(one: Round) -> list[str]:
    """What the client wrote in the forms of a round, line by line."""
    path = one.folder / WORDS
    text = read_text(path, _LARGEST_WORDS, "form") if path.exists() else ""
    return [shown for line in text.splitlines() if (shown := one_line(line, 480))]


_WHERE_IT_PRESSES = {
    "sitting": "seat-binds-sitting",
    "stairs": "thigh-binds-on-stairs",
    "bending": "knee-binds-bending",
}


def pressing(base: RuleBase, form: Form) -> list[Finding]:
    """What a client felt press or hurt, as the sign it is taken for until the fitter knows better: room is never taken there."""
    felt = [
        _WHERE_IT_PRESSES[when] for when, how in form.feels if how in ("presses", "hurts") and when in _WHERE_IT_PRESSES
    ]
    return [Finding(symptom, "yes", origin="form") for symptom in felt if symptom in base.symptoms]
