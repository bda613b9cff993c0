"""The client's form in a round: which try-on it is about, writing it, and taking each one back only once."""

from __future__ import annotations

import re
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from fitdiag.cli.output import say
from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.files import read_bytes, refuse_utf16
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import ProblemsFoundError, Where, one_line, shown_path, stop
from fitdiag.sessions.case_files import Case
from fitdiag.sessions.round_log import RoundLog
from fitdiag.sessions.state import offered_event
from fitdiag.units import Units

if TYPE_CHECKING:
    from fitdiag.reports.form import Advice, Form
    from fitdiag.sessions.log import Event

_FORM_QUESTIONS = 10
LONGEST = 64 * 1024  # bytes of a mail


def token(case: Case, after: int) -> str:
    """What a form carries, so that it finds its case: the folder's name, and after which list it is filled in (0: before any)."""
    name = case.folder.name
    plain = re.sub(r"[^a-z0-9-]", "-", name.lower())[:40]
    if plain != name:  # letters were lost, so that another name may look the same
        plain = f"{plain.strip('-') or 'case'}-{zlib.crc32(name.encode('utf-8', 'surrogateescape')):08x}"
    return f"{plain}-{after}"


def form_page(
    base: RuleBase, case: Case, diagnosis: Diagnosis, advised: Sequence[Advice], *, after: int
) -> tuple[Path, str]:
    """The form about the try-on after the list of a round (0: the first muslin as it was sewn), for the folder of the last round."""
    from fitdiag.reports.form import client_form
    from fitdiag.reports.sheet import Heading

    page = client_form(
        base, _questions(base, diagnosis), Heading(case.units, case.name, after + 1, case.rounds[-1].opened), advised,
        token=token(case, after), photos=not case.consent.refused, alone=case.alone,
    )  # fmt: skip
    return case.rounds[-1].documents / f"form-try-on-{after + 1}.html", page


def _questions(base: RuleBase, diagnosis: Diagnosis) -> list[str]:
    """The most telling open questions that a wearer can answer, and what was seen before, to see whether it is gone."""
    asked = [q.symptom for q in diagnosis.questions() if base.symptoms[q.symptom].by not in ("paper", "unpicking")]
    felt = [symptom for symptom in asked if base.symptoms[symptom].felt]
    seen = [finding.symptom for finding in diagnosis.findings.seen]
    return list(dict.fromkeys([*seen, *felt[:5], *asked]))[:_FORM_QUESTIONS]


def form_that_came(base: RuleBase, case: Case, path: str, command: str) -> Form:
    """Read a form; it must be about the try-on that is looked at now, and must not have been taken in before."""
    from fitdiag.reports.form import LARGEST, read_form

    raw = read_bytes(Path(path), LARGEST, "form")
    refuse_utf16(raw, Where(shown_path(path)), "form")
    form = read_form(raw.decode("utf-8", "replace"), base, path)
    where = Where(shown_path(path))
    last = case.rounds[-1] if case.rounds else None
    now = 0 if last is None else last.number if last.sent else last.number - 1
    found = next((n for n in range((last.number if last else 0) + 1) if form.token == token(case, n)), None)
    if found is None:
        told = "this form belongs to another case or round"
        raise stop("form-other", told, where=where, hint=f"it says '{one_line(form.token, 60)}'")
    refuse_again(case, form, command, where)
    if found < now:
        told = f"this form is about try-on {found + 1}, and try-on {now + 1} is looked at now"
        raise stop("form-old", told, where=where, hint="is there a newer one?")
    if found > now:
        told = f"this form is about the try-on after the list of round {found}, which is not written down as sent"
        raise stop("form-early", told, where=where, hint=f"{command} --sent writes it down; then do this again")
    return form


def what_came(base: RuleBase, case: Case, path: str, command: str) -> tuple[Form | None, str]:
    """The form in a file; or, of a mail without one, its words."""
    try:
        return form_that_came(base, case, path, command), ""
    except ProblemsFoundError as stopped:
        if stopped.problems[0].code != "no-form":
            raise
        text = read_bytes(Path(path), LONGEST, "mail").decode("utf-8", "replace")
        words = re.search(r"[A-Za-z]{2}.*\s.*[A-Za-z]{2}", text, re.DOTALL)
        if not words or "\0" in text or text.lstrip().startswith("<"):
            raise
        return None, text


def mail_events(base: RuleBase, text: str, units: Units, known: Findings) -> list[Event]:
    """What a mail proposes, to be confirmed one by one in the interview; says what else it may speak of."""
    from fitdiag.interview.mail import read_mail
    from fitdiag.interview.search import Words

    read = read_mail(base, Words(base), text, units)
    signs = [one for one in read if one.finding is not None and one.id not in known.symptoms]
    others = [one for one in read if one.kind != "symptom"]
    say("There is no form in it: the mail is kept as a note, and nothing of it counts before you say so.")
    for one in others:
        rule = base.find(one.id)
        what = "A body note" if one.kind == "body note" else "Done before"
        say(f'- {what}, perhaps: {rule[1].title if rule else one.id}. "{one_line(one.sentence, 120)}"')
    if not signs:
        say("- No sentence names a sign plainly; name what you read in it yourself.")
        return []
    findings = [one.finding for one in signs if one.finding is not None]
    return [offered_event(findings, {one.id: one_line(one.sentence, 400) for one in signs})]


def refuse_again(case: Case, form: Form, command: str, where: Where | None = None) -> None:
    """Refuse a form that was taken in before, unless it was by a command that was cut off before it concluded anything."""
    for one in case.rounds:
        if form.checksum in one.forms:
            if one == case.rounds[-1] and taken_in(RoundLog.of(one).fresh, "form", form.checksum):
                continue
            told = f"this form was taken in before, in round {one.number}"
            raise stop("form-again", told, where=where, hint=f"is there a newer one? To go on without it: {command}")


def taken_in(lines: Sequence[Event], key: str, value: str) -> bool:
    """Whether something came in by one of these lines of a round's log."""
    return any(line["event"] == "taken" and line.get(key) == value for line in lines)


def pressing(base: RuleBase, form: Form) -> list[Finding]:
    """What a client felt press or hurt, as the sign it is taken for until the fitter knows better: room is never taken there."""
    taken_for = base.about.presses
    felt = [taken_for[when] for when, how in form.feels if how in ("presses", "hurts") and when in taken_for]
    return [Finding(symptom, "yes", origin="form") for symptom in felt]
