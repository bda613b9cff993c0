"""What does not go together in findings, and how it is settled until somebody looks again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

from fitdiag.knowledge.findings import BOTH_SIDES_DIFFER, Finding, Findings
from fitdiag.knowledge.model import RuleBase

_APART = 2.0  # times what two careful fitters differ by: left and right are not alike; a fitter's judgement
_RULERS = ("paper", "measuring")  # how an answer was got that is surer than the eye


@dataclass(frozen=True)
class Contradiction:
    """Two things that were told and cannot both hold. `text` names them, says what counts now and what to look at again."""

    kind: str
    one: str
    other: str
    text: str


def settle(base: RuleBase, findings: Findings) -> tuple[Findings, tuple[Contradiction, ...]]:
    """Findings without what contradicts something firmer, and every contradiction that was met."""
    found: list[Contradiction] = []
    noted = [note for note, grade in findings.body.items() if grade != "no"]
    for one, other in combinations(noted, 2):
        if other in base.body_notes[one].opposite:
            titles = f"{base.body_notes[one].title} and {_small(base.body_notes[other].title)}"
            found.append(
                Contradiction(
                    "body", one, other, f"{titles} cannot both hold, so neither counts. {base.body_notes[one].judge}"
                )
            )
    dropped = {note for item in found for note in (item.one, item.other)}
    body = {note: grade for note, grade in findings.body.items() if note not in dropped}
    settled = replace(findings, body=body) if dropped else findings
    for one_sign, other_sign in combinations(findings.seen, 2):
        if other_sign.symptom in base.symptoms[one_sign.symptom].opposite:
            settled = _signs(base, settled, one_sign, other_sign, found)
    differ = settled.symptoms.get(BOTH_SIDES_DIFFER)
    for finding in settled.seen:
        if differ is not None and differ.seen == "no" and _sides_differ(base, finding):
            title = base.symptoms[finding.symptom].title
            text = (
                f"{title}: left and right were measured apart, though both sides were called alike. The reading counts."
            )
            found.append(Contradiction("sides", finding.symptom, BOTH_SIDES_DIFFER, text))
            settled = settled.with_finding(replace(differ, seen="unsure"))
            break
    return settled, tuple(found)


def _signs(base: RuleBase, findings: Findings, one: Finding, other: Finding, found: list[Contradiction]) -> Findings:
    """Two opposite signs: the firmer one counts; of two alike neither does."""
    firm = [_firmness(base, one), _firmness(base, other)]
    titles = [base.symptoms[item.symptom].title for item in (one, other)]
    both = f"{titles[0]} and {_small(titles[1])} cannot both be"
    if firm[0] == firm[1]:
        again = base.symptoms[one.symptom].look.split(". ")[0]
        found.append(
            Contradiction("signs", one.symptom, other.symptom, f"{both}, so neither counts. Look again: {again}.")
        )
        lost = [one, other]
    else:
        kept, less = (one, other) if firm[0] > firm[1] else (other, one)
        why = "was measured" if firm[0] // 1 != firm[1] // 1 else "was read more exactly"
        text = f"{both}. {base.symptoms[kept.symptom].title} {why} and counts; look at the other again."
        found.append(Contradiction("signs", kept.symptom, less.symptom, text))
        lost = [less]
    for finding in lost:
        findings = findings.with_finding(replace(finding, seen="unsure", amount_mm=None, left_mm=None, right_mm=None))
    return findings


def _firmness(base: RuleBase, finding: Finding) -> float:
    """How firmly a sign was found: by the tape before the eye, the smaller error first."""
    by_tape = finding.amount_mm is not None or base.symptoms[finding.symptom].by in _RULERS
    exact = 1.0 / (1.0 + finding.error_mm) if finding.amount_mm is not None and finding.error_mm else 0.0
    return 2.0 * by_tape + exact


def _sides_differ(base: RuleBase, finding: Finding) -> bool:
    measure = base.symptoms[finding.symptom].measure
    if measure is None or finding.left_mm is None or finding.right_mm is None:
        return False
    return abs(finding.left_mm - finding.right_mm) > _APART * measure.give_mm


def _small(title: str) -> str:
    return title[:1].lower() + title[1:]
