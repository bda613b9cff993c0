"""What would change the mind: which single other answer would put another alteration first, or none."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.model import RuleBase, Seen
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import first_choice
from fitdiag.problems import ProblemsFoundError
from fitdiag.sessions.state import Conclusion, conclude

MOST_TRIED = 25  # symptoms beside those answered, so that the page is there at once
LEADING = 8  # causes
_LEAST = 0.02  # a cause less probable than this leads nowhere


@dataclass(frozen=True)
class Turn:
    """If `symptom` were answered `answer` (now it is `now`; None: not asked yet), `first` would come first; None: nothing."""

    symptom: str
    now: Seen | None
    answer: Seen
    first: str | None


def turning_answers(base: RuleBase, findings: Findings, conclusion: Conclusion) -> list[Turn]:
    """Every single answer, open or given, that would turn the first recommendation; the most telling symptoms first."""
    first = _first(conclusion)
    today = first_choice(conclusion.diagnosis)
    turns = []
    for symptom in dict.fromkeys([*linked(base, conclusion.diagnosis), *findings.symptoms]):
        given = findings.symptoms.get(symptom)
        if given is None and symptom in conclusion.diagnosis.findings.symptoms:
            continue  # follows from other answers
        for answer in _others(given):
            changed = findings.with_finding(Finding(symptom, answer, origin="asked"))
            try:
                if first_choice(Diagnosis(base, with_measures(base, changed))) == today:
                    continue  # the quick look; the full one only where it turns
                other = _first(conclude(base, changed))
            except ProblemsFoundError:
                continue  # too many signs hang together to be weighed
            if other != first:
                turns.append(Turn(symptom, given.seen if given else None, answer, other))
    return turns


def _first(conclusion: Conclusion) -> str | None:
    recommended = conclusion.plan.recommendations
    return recommended[0].alteration if recommended else None


def _others(given: Finding | None) -> Iterator[Seen]:
    both: tuple[Seen, Seen] = ("yes", "no")
    yield from (answer for answer in both if given is None or given.seen != answer)


def linked(base: RuleBase, diagnosis: Diagnosis) -> list[str]:
    """The symptoms that say most about the leading causes, the most telling first."""
    often = base.words.how_often.words
    leading = sorted(diagnosis.probability.items(), key=lambda pair: (-round(pair[1], 12), pair[0]))
    weight: dict[str, float] = {}
    for cause, probability in leading[:LEADING]:
        if probability < _LEAST:
            continue
        for link in base.causes[cause].shows:
            weight[link.symptom] = weight.get(link.symptom, 0.0) + probability * often[link.how_often]
    return sorted(weight, key=lambda symptom: (-round(weight[symptom], 12), symptom))[:MOST_TRIED]
