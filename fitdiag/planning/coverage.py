"""What the cases do not exercise and what the rules cannot tell, and which strengths the outcomes hang on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.diagnosis.survey import close_pairs, deciding_links
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.cases import Case
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import first_choice
from fitdiag.problems import Problem

SEPARATED_BITS = 1.0  # under this, answering everything does not even double the odds between two causes
ALONE = 0.9  # one sign that makes a cause surer than this decides alone


def coverage(base: RuleBase, cases: Sequence[Case]) -> Iterator[Problem]:
    """Every gap; nothing when the rules are covered."""
    asked = {symptom for case in cases for symptom in case.findings.symptoms}
    measured = {name for case in cases for name in case.findings.pattern_measures}
    for symptom in base.symptoms.values():
        by_measure = symptom.from_ease is not None and symptom.from_ease.measure in measured
        if symptom.id not in asked and not by_measure:
            yield Problem("no-case", f"no case answers the symptom '{symptom.id}'", None, "add it to a case")
        if not base.causes_of[symptom.id]:
            yield Problem(
                "no-cause", f"no cause explains the symptom '{symptom.id}'", None, "add a link, or take it out"
            )
    noted = {note for case in cases for note in case.findings.body}
    for note in base.body_notes:
        if note not in noted:
            yield Problem("no-case", f"no case has the body note '{note}'", None, "add it to a case")
        if not any(note in cause.body for cause in base.causes.values()):
            yield Problem(
                "no-effect", f"the body note '{note}' changes no belief", None, "let a cause heed it, or take it out"
            )
    leading = {case.expect.leads for case in cases}
    quiet = {cause for case in cases for cause in case.expect.quiet}
    for cause in base.causes:
        if cause not in leading:
            yield Problem("no-case", f"in no case does '{cause}' lead", None, f"add one to {cause}.cases.yaml")
        if cause not in quiet:
            yield Problem("no-case", f"in no case does '{cause}' stay quiet", None, f"add one to {cause}.cases.yaml")
    expected = {
        name for case in cases for name in (case.expect.first, *case.expect.recommends, *case.expect.only_if) if name
    }
    for alteration in base.alterations:
        if alteration not in expected:
            yield Problem("no-case", f"no case expects the alteration '{alteration}'", None, "add a whole fitting")
    for bits, one, other in close_pairs(base, SEPARATED_BITS):
        yield Problem(
            "close",
            f"'{one}' and '{other}' are separated by {bits:.2f} bits only",
            None,
            "add a test that one of them shows",
        )
    for sign, cause, probability in deciding_links(base, ALONE):
        yield Problem(
            "alone",
            f"'{sign}' alone makes '{cause}' {probability:.0%} sure",
            None,
            "weaken the link, or name another cause",
        )


@dataclass(frozen=True)
class Sway:
    """One strength moved by one word, and the cases whose first recommendation changes with it."""

    cause: str
    symptom: str
    word: str
    moved_to: str
    cases: tuple[str, ...]


def sensitivity(base: RuleBase, cases: Sequence[Case]) -> list[Sway]:
    """Strengths whose move by one word, up or down, changes the first recommendation of a case; the weightiest first.

    A link of a symptom that a case does not answer cannot change it, so only answered symptoms are tried.
    """
    ladder = sorted(base.words.how_often.words, key=lambda word: base.words.how_often.words[word])
    findings = [with_measures(base, case.findings) for case in cases]
    usual = [first_choice(Diagnosis(base, known)) for known in findings]
    swayed: dict[tuple[str, str, str, str], list[str]] = {}
    for cause in base.causes.values():
        for position, link in enumerate(cause.shows):
            touched = [number for number, known in enumerate(findings) if link.symptom in known.symptoms]
            place = ladder.index(link.how_often)
            for step in (place - 1, place + 1):
                if not 0 <= step < len(ladder) or not touched:
                    continue
                shows = list(cause.shows)
                shows[position] = link.model_copy(update={"how_often": ladder[step]})
                moved = replace(
                    base, causes={**base.causes, cause.id: cause.model_copy(update={"shows": tuple(shows)})}
                )
                for number in touched:
                    if first_choice(Diagnosis(moved, findings[number])) != usual[number]:
                        key = (cause.id, link.symptom, link.how_often, ladder[step])
                        swayed.setdefault(key, []).append(cases[number].name)
    result = [Sway(*key, cases=tuple(names)) for key, names in swayed.items()]
    return sorted(result, key=lambda sway: (-len(sway.cases), sway.cause, sway.symptom, sway.moved_to))
