"""What the interview says about its state: what was answered, what leads, why a question is asked, and how to look."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from fitdiag.diagnosis.belief import Diagnosis, chance_words, lower_first, told
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.model import BodyNote, RuleBase, Symptom
from fitdiag.problems import ProblemsFoundError
from fitdiag.sessions.state import Conclusion
from fitdiag.units import Units, format_length

HEADS = {
    "pictures": "What the pictures show",
    "history": "Earlier rounds",
    "body": "The client",
    "seen": "What you see",
    "questions": "Questions",
}
STAGE_REASONS = {
    "pictures": "A camera can be wrong where an eye is not, so nothing measured counts before you have looked.",
    "history": "Earlier alterations say much about a pattern: one lengthened twice is likelier to be off grain.",
    "body": "The same sign means different things on different shapes; body notes say which causes to expect.",
    "seen": "Beginning with what already meets the eye saves questions.",
}
Style = Literal["head", "ask", "hint", "said", "item", "choice"]


@dataclass(frozen=True)
class Line:
    """A line to show, and what it is."""

    text: str
    style: Style = "said"


def calm_line(base: RuleBase, diagnosis: Diagnosis) -> Line:
    """What leads and how sure, in one line."""
    leaders = [belief for belief in diagnosis.beliefs if belief.has_sign]
    if not leaders or leaders[0].probability < 0.1:
        return Line("So far nothing leads.")
    first = leaders[0]
    lead = f"So far: {lower_first(base.causes[first.cause].title)}, {chance_words(first.probability)}"
    others = sum(1 for belief in leaders[1:] if belief.probability >= 0.3)
    return Line(lead + (f"; {others} more {'is' if others == 1 else 'are'} possible." if others else "."))


def where_left(base: RuleBase, findings: Findings, diagnosis: Diagnosis) -> list[Line]:
    """What to say to a fitter who comes back."""
    known = len(findings.symptoms) + len(findings.body) + len(findings.done)
    answers = f"{known} answer{'' if known == 1 else 's'} so far" if known else "nothing answered yet"
    return [
        Line(f"Going on where you left: {answers}."),
        *([calm_line(base, diagnosis)] if findings.symptoms else []),
    ]


def so_far(base: RuleBase, findings: Findings, conclusion: Conclusion) -> Iterator[Line]:
    """Everything answered, and what it comes to."""
    yield Line("Answered so far", "head")
    if not (findings.symptoms or findings.body or findings.done):
        yield Line("- nothing yet", "item")
    for finding in findings.symptoms.values():
        yield Line(f"- {told(base, finding, findings)}", "item")
    for note, grade in findings.body.items():
        if grade != "no":
            yield Line(f"- {base.body_notes[note].title}{' (marked)' if grade == 'marked' else ''}", "item")
    for done in findings.done:
        much = f", {format_length(done.amount_mm, findings.units)}" if done.amount_mm is not None else ""
        title = lower_first(base.alterations[done.alteration].title)
        yield Line(f"- Done in round {done.round}: {title}{much}", "item")
    if findings.notes:
        yield Line("Notes", "head")
    for note in findings.notes:
        yield Line(f"- {note}", "item")
    yield Line("Likely", "head")
    likely = [belief for belief in conclusion.diagnosis.beliefs if belief.has_sign and belief.probability >= 0.05][:5]
    for belief in likely:
        yield Line(f"- {base.causes[belief.cause].title}: {chance_words(belief.probability)}", "item")
    if not likely:
        yield Line("- nothing leads yet", "item")
    yield Line(conclusion.plan.verdict if findings.symptoms else "Nothing to alter so far.")


def why_asked(base: RuleBase, diagnosis: Diagnosis, symptom: str, *, arrays: bool) -> Iterator[Line]:
    """What an answer would tell, and which causes it would move most."""
    question = next((item for item in diagnosis.questions(None, arrays) if item.symptom == symptom), None)
    gain = (
        f" It would tell {question.gain_bits:.2f} bits (1 bit settles one even chance), at a cost of {question.cost:g}."
        if question
        else ""
    )
    yield Line(f"This question tells most for its trouble.{gain}")
    before = diagnosis.probability
    for seen in ("yes", "no"):
        try:
            after = diagnosis.if_answered(symptom, seen).probability
        except ProblemsFoundError:
            yield Line(f"If {seen}: that would be too many signs to weigh together.", "item")
            continue
        moved = sorted(after, key=lambda cause: (-abs(after[cause] - before[cause]), cause))[:2]
        parts = [
            f"{lower_first(base.causes[cause].title)} would go from {before[cause]:.0%} to {after[cause]:.0%}"
            for cause in moved
            if abs(after[cause] - before[cause]) >= 0.005
        ]
        yield Line(f"If {seen}: {'; '.join(parts) or 'hardly anything would change'}.", "item")


def how_to_judge(note: BodyNote, units: Units) -> Iterator[Line]:
    """How to judge a body note."""
    yield Line(f"{note.title}: {note.judge}")
    if note.measure:
        past = "from" if note.measure.worse == "more" else "at or under"
        some, marked = (format_length(mm, units) for mm in (note.measure.some_mm, note.measure.marked_mm))
        yield Line(f"Measured: {note.measure.what}; some {past} {some}, marked {past} {marked}.")


def how_to_look(base: RuleBase, symptom: Symptom, units: Units) -> Iterator[Line]:
    """How to look for a sign, how to measure it, and what it is easily taken for."""
    yield Line(f"How to look: {symptom.look}")
    if measure := symptom.measure:
        past = "from" if measure.worse == "more" else "from this down:"
        grades = ", ".join(f"{grade} {past} {format_length(mm, units)}" for grade, mm in measure.grades_mm.items())
        yield Line(f"How to measure {measure.what}: {measure.how} ({grades})")
    others = [lower_first(base.symptoms[other].title) for other in symptom.confused_with]
    if others:
        yield Line(f"Not to be confused with: {'; '.join(others)}.")


def confirm_measured(base: RuleBase, offered: Finding, findings: Findings) -> tuple[Line, ...]:
    """Asks whether the eye agrees with what a picture measured."""
    first = not any(finding.origin == "photo" for finding in findings.symptoms.values())
    before = findings.symptoms.get(offered.symptom)
    return (
        *((Line(HEADS["pictures"], "head"),) if first else ()),
        Line(f"{told(base, offered, findings)}. Does that agree with what you see?", "ask"),
        *((Line(f"The client's form says: {lower_first(told(base, before, findings))}.", "hint"),) if before else ()),
        Line("1 it agrees  2 it does not, ask me later", "item"),
        Line("Or your own answer, like slight or an amount. ? how to look.", "hint"),
    )
