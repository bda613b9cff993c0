"""What the interview says about its state: what was answered, what leads, why a question is asked, and how to look."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from fitdiag.diagnosis.belief import Diagnosis, chance_words, lower_first, told
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.model import BodyNote, RuleBase, Symptom
from fitdiag.planning.questions import Choice
from fitdiag.sessions.state import Conclusion
from fitdiag.units import Units, format_given, format_length

HEADS = {
    "pictures": "What the pictures show",
    "before": "What became of it",
    "history": "Earlier rounds",
    "body": "Shape and stance",
    "seen": "What you see",
    "questions": "Questions",
}
STAGE_REASONS = {
    "pictures": "A camera can be wrong where an eye is not, so nothing measured counts before you have looked.",
    "before": "What was seen last time tells what the alterations did, and how much is left to do.",
    "history": "Earlier alterations say much about a pattern: one lengthened twice is likelier to be off grain.",
    "body": "The same sign means different things on different shapes; body notes say which causes to expect.",
    "seen": "Beginning with what already meets the eye saves questions.",
}
HELP = (
    "Answer in your own words or by number. At any time you can also type: ? how to look; why this question; so far; back (or"
    " back 3) to take answers away; also and what else you see; note and your own words; stop for the list now."
)
_WORTH_TELLING = 0.08  # a chance worth a word
CHOICES = ("yes", "no", "can't say", "slight", "clear", "strong")
Style = Literal["head", "ask", "hint", "said", "item", "choice"]


@dataclass(frozen=True)
class Line:
    """A line to show, and what it is."""

    text: str
    style: Style = "said"


def body_list(base: RuleBase) -> Iterator[Line]:
    """All body notes by number."""
    for number, note in enumerate(base.body_notes.values(), 1):
        yield Line(f"{number}. {note.title}{' (optional)' if note.private else ''}", "choice")
    yield Line("Numbers do as well, m behind the number of what is marked, like 1 3m; ?3 how to judge 3.", "hint")


def signs_of(base: RuleBase, view: str) -> list[Line]:
    """The signs that show in a view, those looked for there first."""
    titles = [symptom.title for symptom in base.symptoms.values() if symptom.views[0] == view]
    return [
        Line(f"Signs, {view}: a word or two of one is enough", "head"),
        *(Line(f"- {title}", "item") for title in titles),
    ]


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
    return [Line(f"Going on where you left: {answers}."), *([calm_line(base, diagnosis)] if findings.symptoms else [])]


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
        much = f", {format_given(done.amount_mm, findings.units)}" if done.amount_mm is not None else ""
        title = lower_first(base.alterations[done.alteration].title)
        yield Line(f"- Done in round {done.round}: {title}{much}", "item")
    if findings.notes:
        yield Line("Notes", "head")
    for note in findings.notes:
        yield Line(f"- {note}", "item")
    yield Line("Likely", "head")
    likely = conclusion.diagnosis.likely
    for belief in likely:
        yield Line(f"- {base.causes[belief.cause].title}: {chance_words(belief.probability)}", "item")
    if not likely:
        yield Line("- nothing leads yet", "item")
    yield Line(conclusion.plan.verdict if findings.symptoms else "Nothing to alter so far.")


def told_end(base: RuleBase, choice: Choice) -> list[Line]:
    """That the list is ready, and how sure it is that its first alteration stays the first."""
    if not choice.questions:
        return [Line("Every question has been answered.")]
    name = (
        f"'{lower_first(base.alterations[choice.first].title)}' comes first" if choice.first else "nothing is altered"
    )
    stays = f"That {name} is {chance_words(choice.settled)}, whatever else is asked."
    if choice.ready:
        return [Line(f"The list is ready. {stays} More can be asked, if you like.")]
    if choice.enough:
        return [
            Line(
                f"So many questions are enough for once. {stays.removesuffix(', whatever else is asked.')}. More can be asked."
            )
        ]
    return [Line(f"No question left would tell much. {stays}")]


def why_asked(base: RuleBase, choice: Choice, screen: Sequence[str]) -> Iterator[Line]:
    """What the answers would change about the alteration that comes first, in plain words."""
    sure = chance_words(choice.settled)
    now = (
        f"'{lower_first(base.alterations[choice.first].title)}' comes first"
        if choice.first
        else "nothing would be altered"
    )
    yield Line(f"The answer may change which alteration comes first. As it stands {now}; that it stays so is {sure}.")
    for symptom in screen[:2]:
        if symptom in choice.dangers:
            yield Line(f"{base.symptoms[symptom].title}: where this is so, that alteration would do harm.", "item")
        for seen, there in (("is there", True), ("is not there", False)):
            chances = sorted(choice.first_if(symptom, there=there).items(), key=lambda pair: -pair[1])[:2]
            told_chances = [
                f"{lower_first(base.alterations[name].title) if name else 'nothing to alter'}, {chance_words(chance)}"
                for name, chance in chances
                if chance >= _WORTH_TELLING
            ]
            title = lower_first(base.symptoms[symptom].title)
            yield Line(f"If it {seen} ({title}): {'; '.join(told_chances) or 'nothing stands out'}.", "item")


def how_to(base: RuleBase, rule_id: str, units: Units) -> list[Line]:
    """How to look for a sign, to judge a body note, or what an alteration is for."""
    if rule_id in base.symptoms:
        return list(_how_to_look(base, base.symptoms[rule_id], units))
    if rule_id in base.body_notes:
        return list(_how_to_judge(base.body_notes[rule_id], units))
    rule = base.alterations[rule_id]
    return [Line(f"{rule.title}: {rule.why}")]


def _how_to_judge(note: BodyNote, units: Units) -> Iterator[Line]:
    """How to judge a body note."""
    yield Line(f"{note.title}: {note.judge}")
    if note.measure:
        past = "from" if note.measure.worse == "more" else "at or under"
        some, marked = (format_length(mm, units) for mm in (note.measure.some_mm, note.measure.marked_mm))
        yield Line(f"Measured: {note.measure.what}; some {past} {some}, marked {past} {marked}.")


def _how_to_look(base: RuleBase, symptom: Symptom, units: Units) -> Iterator[Line]:
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
