"""What the interview says about its state: what was answered, what leads, why a question is asked, and how to look."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
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
CHOICES = ("yes", "no", "can't say", "slight", "clear", "strong")
Style = Literal["head", "ask", "hint", "said", "item", "choice"]


@dataclass(frozen=True)
class Line:
    """A line to show, and what it is."""

    text: str
    style: Style = "said"


# -- asking ------------------------------------------------------------------------------------------------------------


def _when_done(more: bool) -> str:
    return "when there is nothing more" if more else "when there is nothing"


def ask_history(sample: str, *, more: bool) -> list[Line]:
    """Asks for what was altered before."""
    return [
        *([] if more else [Line(HEADS["history"], "head")]),
        Line("What else was altered?" if more else "Was this pattern altered before, and how?", "ask"),
        Line(f"A word for what was done, like tuck, lengthen or scoop {sample}; Enter {_when_done(more)}.", "hint"),
    ]


def ask_body(base: RuleBase, *, more: bool, listed: bool) -> list[Line]:
    """Asks for shape and stance; the list of body notes stands above unless it was shown before."""
    lines: list[Line] = []
    if not listed:
        lines = [Line(HEADS["body"], "head")]
        for number, note in enumerate(base.body_notes.values(), 1):
            lines.append(Line(f"{number}. {note.title}{' (optional)' if note.private else ''}", "choice"))
    which = "What else describes" if more else "Which of these describe"
    return [
        *lines,
        Line(f"{which} the shape and stance, compared with the block?", "ask"),
        Line(
            "Numbers or words, m behind the number of what is marked (1 3m); ?3 how to judge 3; ? the list again;"
            f" Enter {_when_done(more)}.", "hint",
        ),
    ]  # fmt: skip


def ask_seen(sample: str, *, more: bool) -> list[Line]:
    """Asks for what meets the eye, in words."""
    return [
        *([] if more else [Line(HEADS["seen"], "head")]),
        Line(f"What {'else ' if more else ''}do you see on the muslin, or does the client feel?", "ask"),
        Line(
            f"A word for it, like wedgie, baggy or dips {sample}; ?back (or front, side, worn, paper) lists the signs of a"
            f" view; Enter {_when_done(more)}.", "hint",
        ),
    ]  # fmt: skip


def signs_of(base: RuleBase, view: str) -> list[Line]:
    """The signs that show in a view, those looked for there first."""
    titles = [symptom.title for symptom in base.symptoms.values() if symptom.views[0] == view]
    return [
        Line(f"Signs, {view}: a word or two of one is enough", "head"),
        *(Line(f"- {title}", "item") for title in titles),
    ]


def which_of_these(titles: Sequence[str], most: int) -> list[Line]:
    """A numbered list to choose from."""
    items = [Line(f"{number}. {title}", "item") for number, title in enumerate(titles, 1)]
    if len(items) == 1:
        return [
            Line("Is it this?", "ask"), *items, Line("1 yes, Enter for no, ?1 how to tell; or another word.", "hint"),
        ]  # fmt: skip
    narrower = " to see others" if len(items) == most else ""
    return [
        Line("Which of these?", "ask"),
        *items,
        Line(f"A number (or several), ?2 how to tell 2, another word{narrower}, or Enter for none of these.", "hint"),
    ]


def shall_it_count(text: str, doubt: str) -> list[Line]:
    """Asks an amount back."""
    return [
        Line(f"{doubt or f'About {text}'}: shall it count as {text}?", "ask"),
        Line("1 yes  2 no", "item"),
        Line("Or write the amount.", "hint"),
    ]


def how_much_was_done(title: str, sample: str) -> list[Line]:
    """Asks for the amount of an earlier alteration."""
    return [
        Line(f"{title}: by how much?", "ask"),
        Line(f"An amount like {sample}, with round 2 if it was not the first; Enter if not known.", "hint"),
    ]


def how_much_is_it(symptom: Symptom, sample: str) -> list[Line]:
    """Asks for the amount of a sign."""
    measure = symptom.measure
    assert measure is not None
    return [
        Line(f"How much is it? {measure.what[:1].upper()}{measure.what[1:]}.", "ask"),
        Line(f"An amount like {sample}; or slight, clear, strong; Enter if not measured; ? how to measure.", "hint"),
    ]


def ask_symptom(symptom: Symptom, sample: str) -> list[Line]:
    """Asks about one sign; what only the wearer can tell is put to the client."""
    amount = f"Or an amount like {sample}: {symptom.measure.what}. " if symptom.measure else ""
    side = "" if symptom.whole else "Add left or right if on one side only."
    return [
        Line(f"Ask the client: {symptom.ask}" if symptom.felt else symptom.ask, "ask"),
        Line("  ".join(f"{number} {choice}" for number, choice in enumerate(CHOICES, 1)), "item"),
        *([Line(f"{amount}{side}".strip(), "hint")] if amount or side else []),
        Line("Or: ? how to look, why, so far, back, also, note, stop.", "hint"),
    ]


# -- telling -----------------------------------------------------------------------------------------------------------


def calm_line(base: RuleBase, diagnosis: Diagnosis) -> Line:
    """What leads and how sure, in one line."""
    leaders = [belief for belief in diagnosis.beliefs if belief.has_sign]
    if not leaders or leaders[0].probability < 0.1:
        return Line("So far nothing leads.")
    first = leaders[0]
    lead = f"So far: {lower_first(base.causes[first.cause].title)}, {chance_words(first.probability)}"
    others = sum(1 for belief in leaders[1:] if belief.probability >= 0.3)
    return Line(lead + (f"; {others} other cause{'' if others == 1 else 's'} may be at work too." if others else "."))


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
        past = "from {} on" if measure.worse == "more" else "from {} down"
        steps = [
            ("it counts", measure.seen_from_mm),
            *((grade, measure.grades_mm[grade]) for grade in ("clear", "strong")),
        ]
        told_steps = ", ".join(f"{word} {past.format(format_length(mm, units))}" for word, mm in steps)
        yield Line(f"How to measure {measure.what}: {measure.how} ({told_steps})")
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
