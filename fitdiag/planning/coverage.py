"""What the cases do not exercise and what the rules cannot tell, and which strengths the outcomes hang on."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
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
    findings, expects = [case.findings for case in cases], [case.expect for case in cases]
    measured = {name for known in findings for name in known.pattern_measures}
    asked = {symptom for known in findings for symptom in known.symptoms}
    asked |= {one.id for one in base.symptoms.values() if one.from_ease and one.from_ease.measure in measured}
    noted = {note for known in findings for note in known.body}
    explained = {symptom for symptom, causes in base.causes_of.items() if causes}
    heeded = {note for cause in base.causes.values() for note in cause.body}
    leading, quiet = {one.leads for one in expects}, {cause for one in expects for cause in one.quiet}
    expected = {name for one in expects for name in (one.first, *one.recommends, *one.only_if)}
    gaps: list[tuple[Iterable[str], Collection[str | None], str, str, str]] = [
        (base.symptoms, asked, "no-case", "no case answers the symptom '{}'", "add it to a case"),
        (base.symptoms, explained, "no-cause", "no cause explains the symptom '{}'", "add a link, or take it out"),
        (base.body_notes, noted, "no-case", "no case has the body note '{}'", "add it to a case"),
        (
            base.body_notes,
            heeded,
            "no-effect",
            "the body note '{}' changes no belief",
            "let a cause heed it, or take it out",
        ),
        (base.causes, leading, "no-case", "in no case does '{}' lead", "add one to {}.cases.yaml"),
        (base.causes, quiet, "no-case", "in no case does '{}' stay quiet", "add one to {}.cases.yaml"),
        (base.alterations, expected, "no-case", "no case expects the alteration '{}'", "add a whole fitting"),
    ]
    for rules, covered, code, told, hint in gaps:
        for name in rules:
            if name not in covered:
                yield Problem(code, told.format(name), None, hint.format(name))
    for bits, one, other in close_pairs(base, SEPARATED_BITS):
        told = f"'{one}' and '{other}' are separated by {bits:.2f} bits only"
        yield Problem("close", told, None, "add a test that one of them shows")
    for sign, cause, probability in deciding_links(base, ALONE):
        told = f"'{sign}' alone makes '{cause}' {probability:.0%} sure"
        yield Problem("alone", told, None, "weaken the link, or name another cause")


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
