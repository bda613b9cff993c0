"""From one round to the next: what was done of what was advised, and what came in, as values; nothing is asked or shown here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.findings_file import findings_text
from fitdiag.knowledge.model import RuleBase
from fitdiag.plausible import doubt_of_alteration
from fitdiag.problems import one_line, stop
from fitdiag.sessions.case_files import Carried, Case, Round
from fitdiag.sessions.log import Event
from fitdiag.sessions.round_log import RoundLog, digest
from fitdiag.sessions.state import events_of
from fitdiag.units import InvalidLengthError, Units, format_length, parse_length

Told = dict[str, tuple[float | None, bool]]  # by alteration: its amount in mm if one was told, and whether it was done


def told_done(
    base: RuleBase, texts: Sequence[str], ticked: Iterable[tuple[str, str, float | None]], units: Units
) -> Told:
    """What was really done: by `alteration=amount`, `=yes` or `=no` texts, else by the form. Raises ProblemsFoundError."""
    told = {name: _amount_or_no(base, name, text, units) for name, _, text in (item.partition("=") for item in texts)}
    for alteration, state, amount in ticked:
        told.setdefault(alteration, (amount, state in ("as-written", "otherwise")))
    return told


def _amount_or_no(base: RuleBase, alteration: str, text: str, units: Units) -> tuple[float | None, bool]:
    if alteration not in base.alterations:
        hint = "`fitdiag rules list alterations`"
        raise stop("argument", f"there is no alteration '{one_line(alteration, 40)}'", hint=hint)
    said = text.strip().lower()
    if said in ("", "yes", "no"):
        return None, said != "no"
    try:
        mm = parse_length(text).mm
    except InvalidLengthError as error:
        raise stop("argument", f"{alteration}: {error}") from None
    if doubt := doubt_of_alteration(mm, base.alterations[alteration].most_a_round.amount_mm, units):
        raise stop("amount", f"{alteration}: {doubt}", hint="check the amount and its unit")
    return mm, True


def carried(one: Round, alteration: str, amount: float | None, was_done: bool) -> Carried:
    """What was done of an alteration; without an amount, as much as was advised."""
    advised = {item.alteration: item.amount_mm for item in one.advised}
    return Carried(alteration, (advised.get(alteration) if amount is None else amount) if was_done else None, was_done)


def done_late(before: Round, told: Told, texts: Sequence[str]) -> tuple[Carried, ...]:
    """What was done of a round with what is told later; of what is known already only what was said in so many words changes."""
    known, said = {item.alteration: item for item in before.done}, {text.partition("=")[0] for text in texts}
    new = {name: carried(before, name, *how) for name, how in told.items() if name not in known or name in said}
    return tuple({**known, **new}.values())


def changed_in_all(base: RuleBase, case: Case) -> list[str]:
    """What was altered over all rounds, each alteration once with its amounts together."""
    amounts: dict[str, float] = {}
    for item in (item for one in case.rounds for item in one.done if item.done):
        amounts[item.alteration] = amounts.get(item.alteration, 0.0) + (item.amount_mm or 0.0)
    titles = {name: rule.title for name, rule in base.alterations.items()}
    return [
        f"{titles.get(name, name)}: {format_length(mm, case.units) if mm else 'as it was pinned'}"
        for name, mm in amounts.items()
    ]


def came_in(
    base: RuleBase, case: Case, given: Findings | None, *, checksum: str, words: str, ticked: Iterable[Finding]
) -> dict[str, Any]:
    """Findings of the fitter's and a form (its checksum, empty without one) as entries for a line of the round's log.

    What the fitter saw counts before what the client ticked.
    """
    mine, known = given or Findings(units=case.units), RoundLog.of(case.rounds[-1]).findings(base)
    new = {
        item.symptom: item for item in ticked if getattr(known.symptoms.get(item.symptom), "origin", "form") == "form"
    }
    source = f"{findings_text(mine, base.about.garment)}{checksum}"
    events = events_of(replace(mine, client="", symptoms={**new, **mine.symptoms}), known)
    return {"from": digest(source.encode()), "form": checksum, "words": words, "events": events}


def with_mail(line: Mapping[str, Any], mail: str, words: str, events: Sequence[Event]) -> dict[str, Any]:
    """The same entries with a mail that holds no form: its words, and the events it proposes."""
    return {
        **line,
        "from": digest(f"{line.get('from', '')}{mail}".encode()),
        "words": "\n".join(filter(None, (line.get("words", ""), words))),
        "events": [*line.get("events", ()), *events],
    }
