"""The lines the interview shows: the current question, the answers so far, what leads, why it asks, and how to look."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from fitdiag.diagnosis.belief import Diagnosis, chance_words, done_text, finding_text, lower_first
from fitdiag.knowledge.findings import Done, Finding, Findings
from fitdiag.knowledge.model import RuleBase, Symptom
from fitdiag.knowledge.stations import TITLES, TRIALS
from fitdiag.sessions.state import Conclusion
from fitdiag.units import Units, format_length

if TYPE_CHECKING:
    from fitdiag.interview.engine import Interview
    from fitdiag.interview.search import Kind
    from fitdiag.planning.questions import Choice

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
    " back 3) to take answers back; also and what else you see; note and your own words; stop for the list now."
)
_WORTH_TELLING = 0.08  # a chance worth a word
CHOICES = ("yes", "no", "can't say", "slight", "clear", "strong")
Style = Literal["head", "ask", "hint", "said", "item", "choice"]


@dataclass(frozen=True)
class Line:
    """A line to show, and its style."""

    text: str
    style: Style = "said"


@dataclass(frozen=True)
class Pick:
    """A pending choice from a numbered list; `rest`: the amount, side or grade typed with the words."""

    kind: Kind
    ids: tuple[str, ...]
    typed: str
    rest: str


def body_list(talk: Interview) -> list[Line]:
    """All body notes by number; from now on their numbers are known to the fitter, and count."""
    talk.listed = True
    notes = enumerate(talk.base.body_notes.values(), 1)
    return [
        *(Line(f"{number}. {note.title}{' (optional)' if note.private else ''}", "choice") for number, note in notes),
        Line("Numbers will do too, with m after what is marked, like 1 3m; ?3 says how to judge 3.", "hint"),
    ]


def signs_of(base: RuleBase, view: str) -> list[Line]:
    """The signs whose first view is this one."""
    titles = [symptom.title for symptom in base.symptoms.values() if symptom.views[0] == view]
    head = Line(f"Signs, {view}: a word or two of one is enough", "head")
    return [head, *(Line(f"- {title}", "item") for title in titles)]


def calm_line(base: RuleBase, diagnosis: Diagnosis) -> Line:
    """The leading cause and how likely it is, in one line."""
    leaders = [belief for belief in diagnosis.beliefs if belief.has_sign]
    if not leaders or leaders[0].probability < 0.1:
        return Line("So far nothing leads.")
    first = leaders[0]
    lead = f"So far: {lower_first(base.causes[first.cause].title)}, {chance_words(first.probability)}"
    others = sum(1 for belief in leaders[1:] if belief.probability >= 0.3)
    return Line(lead + (f"; {others} other cause{'' if others == 1 else 's'} may be at work too." if others else "."))


def where_left(base: RuleBase, findings: Findings, diagnosis: Diagnosis) -> list[Line]:
    """A greeting for a fitter who comes back."""
    known = len(findings.symptoms) + len(findings.body) + len(findings.done)
    answers = f"{known} answer{'' if known == 1 else 's'} so far" if known else "nothing answered yet"
    return [
        Line(f"Going on where you left off: {answers}."),
        *([calm_line(base, diagnosis)] if findings.symptoms else []),
    ]


def so_far(base: RuleBase, findings: Findings, conclusion: Conclusion) -> Iterator[Line]:
    """All answers so far, and what they point to."""
    yield Line("Answered so far", "head")
    if not (findings.symptoms or findings.body or findings.done):
        yield Line("- nothing yet", "item")
    for finding in findings.symptoms.values():
        yield Line(f"- {finding_text(base, finding, findings)}", "item")
    for note, grade in findings.body.items():
        if grade != "no":
            yield Line(f"- {base.body_notes[note].title}{' (marked)' if grade == 'marked' else ''}", "item")
    for done in findings.done:
        yield Line(f"- Done in round {done.round}: {done_text(base, done, findings.units)}", "item")
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


def end_lines(base: RuleBase, choice: Choice) -> list[Line]:
    """Say that the list is ready, and how likely its first alteration is to stay first."""
    if not choice.questions:
        return [Line("Every question has been answered.")]
    first = lower_first(base.alterations[choice.first].title) if choice.first else ""
    name = f"'{first}' comes first" if first else "nothing is altered"
    stays = f"That {name} is {chance_words(choice.settled)}"
    if choice.ready:
        return [Line(f"The list is ready. {stays}, whatever else is asked. More can be asked, if you like.")]
    if choice.enough:
        return [Line(f"That is enough questions for one sitting. {stays}. More can be asked.")]
    return [Line(f"No question left would tell much. {stays}, whatever else is asked.")]


def why_asked(base: RuleBase, choice: Choice, screen: Sequence[str]) -> Iterator[Line]:
    """How the answers could change which alteration comes first, in plain words."""
    first = lower_first(base.alterations[choice.first].title) if choice.first else ""
    now, sure = f"'{first}' comes first" if first else "nothing would be altered", chance_words(choice.settled)
    yield Line(f"The answer may change which alteration comes first. As it stands {now}; that it stays so is {sure}.")
    for symptom in screen[:2]:
        if symptom in choice.dangers:
            yield Line(f"{base.symptoms[symptom].title}: where this is so, that alteration would do harm.", "item")
        for seen, there in (("is there", True), ("is not there", False)):
            chances = sorted(choice.first_if(symptom, there=there).items(), key=lambda pair: -pair[1])[:2]
            outcomes = [
                f"{lower_first(base.alterations[name].title) if name else 'nothing to alter'}, {chance_words(chance)}"
                for name, chance in chances
                if chance >= _WORTH_TELLING
            ]
            title = lower_first(base.symptoms[symptom].title)
            yield Line(f"If it {seen} ({title}): {'; '.join(outcomes) or 'nothing stands out'}.", "item")


def how_to(base: RuleBase, rule_id: str, units: Units) -> Iterator[Line]:
    """How to judge a body note, what an alteration is for, or how to look for a sign.

    For a sign also how to measure it, and what it is easily confused with.
    """
    if note := base.body_notes.get(rule_id):
        yield Line(f"{note.title}: {note.judge}")
        if note.measure:
            past = "from" if note.measure.worse == "more" else "at or under"
            some, marked = (format_length(mm, units) for mm in (note.measure.some_mm, note.measure.marked_mm))
            yield Line(f"Measured: {note.measure.what}; some {past} {some}, marked {past} {marked}.")
        return
    if rule := base.alterations.get(rule_id):
        yield Line(f"{rule.title}: {rule.why}")
        return
    symptom = base.symptoms[rule_id]
    yield Line(f"How to look: {symptom.look}")
    if measure := symptom.measure:
        past = "from {}" if measure.worse == "more" else "at {} or less"
        grades = measure.grades_mm
        steps = {"counts": measure.seen_from_mm, "clear": grades["clear"], "strong": grades["strong"]}
        limits = ", ".join(f"{word} {past.format(format_length(mm, units))}" for word, mm in steps.items())
        yield Line(f"How to measure {measure.what}: {measure.how} ({limits})")
    others = [lower_first(base.symptoms[other].title) for other in symptom.confused_with]
    if others:
        yield Line(f"Not to be confused with: {'; '.join(others)}.")


# -- what is asked now ----------------------------------------------------------------------------------------------------

KEYS = "Or: ? how to look, why, so far, back, also, note, stop."
_YES_OR_NO = 3


def before_the_questions(talk: Interview) -> list[Line]:
    """The lines of whatever is asked outside the question screens."""
    if talk.pending is not None:
        return _which_of_these([talk.base.title(rule_id) for rule_id in talk.pending.ids])
    waiting = talk.state.awaiting
    if isinstance(waiting, Done):
        hint = f"An amount like {talk.sample}, with round 2 if it was not the first; Enter if not known."
        return [Line(f"{talk.base.alterations[waiting.alteration].title}: by how much?", "ask"), Line(hint, "hint")]
    if waiting is not None:
        return _how_much_is_it(talk, talk.base.symptoms[waiting.symptom])
    if talk.stage == "pictures":
        return list(_offered(talk, talk.state.offered[0]))
    return list(_before(talk, talk.before) if talk.before is not None else _opening(talk))


def _which_of_these(titles: Sequence[str]) -> list[Line]:
    items = [Line(f"{number}. {title}", "item") for number, title in enumerate(titles, 1)]
    if len(items) == 1:
        hint = "Enter for yes, n for no, ?1 how to tell; or other words."
        return [Line("Is it this?", "ask"), *items, Line(hint, "hint")]
    hint = "A number (or several), ?2 how to tell 2, other words, or Enter for none of these."
    return [Line("Which of these?", "ask"), *items, Line(hint, "hint")]


def _how_much_is_it(talk: Interview, symptom: Symptom) -> list[Line]:
    assert symptom.measure is not None
    what, sample = symptom.measure.what, talk.sample_of(symptom)
    return [
        Line(f"How much is it? {what[:1].upper()}{what[1:]}.", "ask"),
        Line(f"An amount like {sample}; or slight, clear, strong; Enter if not measured; ? how to measure.", "hint"),
    ]


def _offered(talk: Interview, offered: Finding) -> Iterator[Line]:
    """Ask whether the eye agrees with a picture, or whether a sentence of the client's was read right."""
    known, what = talk.findings.symptoms, finding_text(talk.base, offered, talk.findings)
    if sentence := talk.state.sentences.get(offered.symptom):
        yield Line(f'The client wrote: "{sentence}"')
        yield Line(f"{what}. Is that what it says?", "ask")
        item = "1 yes  2 no, leave it out"
    else:
        if not any(finding.origin == "photo" for finding in known.values()):
            yield Line(HEADS["pictures"], "head")
        yield Line(f"{what}. Does that agree with what you see?", "ask")
        item = "1 it agrees  2 it does not, ask me later"
    if before := known.get(offered.symptom):
        yield Line(f"The client's form says: {lower_first(finding_text(talk.base, before, talk.findings))}.", "hint")
    yield Line(item, "item")
    yield Line("Or your own answer, like slight or an amount. ? how to look.", "hint")


def _before(talk: Interview, before: Finding) -> Iterator[Line]:
    """Ask what became of a sign seen at the last try-on."""
    talk.taught = talk.taught or before.symptom
    first = talk.taught == before.symptom
    if first:
        yield Line(HEADS["before"], "head")
    then = f"At the last try-on: {lower_first(finding_text(talk.base, before, talk.findings))}. And now?"
    yield from _one(talk, talk.base.symptoms[before.symptom], KEYS if first else "", then)


# per stage: the first question, the question after an answer, and how to answer, with examples that every garment has
OPENINGS = {
    "history": (
        "Was this pattern altered before, and how?",
        "What else was altered?",
        "In your own words, like took in the sides, or lowered the back waist {sample}; Enter when there is nothing more.",
    ),
    "body": (
        "What can you say about shape and stance, compared with the block?",
        "What else can you say about shape and stance, compared with the block?",
        "In your own words, like flat seat, sway back, one hip higher; put very before what is marked. ? lists all, with"
        " numbers; Enter when there is nothing more.",
    ),
    "seen": (
        "What do you see on the muslin, or {feel}?",
        "What else do you see on the muslin, or {feel}?",
        "In your own words, with the amount where you know it, like waist gapes at the back {sample}. ?back (or front, side, worn,"
        " paper) lists the signs of a view. Enter when that is all that meets the eye from front, side and back; ask if you have"
        " not looked at all of it.",
    ),
}


def _opening(talk: Interview) -> Iterator[Line]:
    known = {"history": talk.findings.done, "body": talk.findings.body, "seen": talk.findings.symptoms}[talk.stage]
    first, then, hint = OPENINGS[talk.stage]
    if not known:
        yield Line(HEADS[talk.stage], "head")
    yield Line((then if known else first).format(feel="feel" if talk.alone else "does the client feel"), "ask")
    yield Line(hint.format(sample=talk.sample), "hint")


def question(talk: Interview, *, new_station: bool) -> list[Line]:
    """The current question or screen of questions, or the amount still wanted."""
    if talk.wanted is not None:
        symptom = talk.base.symptoms[talk.wanted]
        first = f"One more thing, for the amount: {symptom.title[:1].lower()}{symptom.title[1:]}."
        return [Line(first), *_how_much_is_it(talk, symptom)]
    assert talk.station is not None
    title = "What you feel" if talk.alone and talk.station == "word" else TITLES[talk.station]
    head = [Line(title, "head")] if new_station else []
    if new_station:
        talk.taught = talk.screen[0]
    keys = KEYS if talk.taught == talk.screen[0] else ""  # with the first question of a station
    if len(talk.screen) == 1:
        return [*head, *_one(talk, talk.base.symptoms[talk.screen[0]], keys)]
    return [*head, *_several(talk, keys)]


def _one(talk: Interview, symptom: Symptom, keys: str, ask: str = "") -> Iterator[Line]:
    """Ask about one sign, in its rule's words or `ask`; what only the wearer can feel is put to the client."""
    ask = ask or symptom.ask
    yield Line(f"Ask the client: {ask}" if symptom.felt and not talk.alone else ask, "ask")
    choices = CHOICES[:_YES_OR_NO] if symptom.needs or symptom.by in TRIALS else CHOICES
    yield Line("  ".join(f"{number} {choice}" for number, choice in enumerate(choices, 1)), "item")
    amount = f"Or an amount like {talk.sample_of(symptom)}: {symptom.measure.what}. " if symptom.measure else ""
    only = "" if symptom.one_side else " if on one side only"
    side = "" if symptom.whole else f"Add left or right{only}. "
    yield Line(f"{amount}{side}Drawing {talk.numbers[symptom.id]}. {keys}".rstrip(), "hint")


def _several(talk: Interview, keys: str) -> Iterator[Line]:
    """Ask about up to six signs at once."""
    symptoms = [talk.base.symptoms[name] for name in talk.screen]
    felt = not talk.alone and all(symptom.felt for symptom in symptoms)
    yield Line("Ask the client: which of these?" if felt else "Which of these are there?", "ask")
    for number, symptom in enumerate(symptoms, 1):
        yield Line(f"{number}. {symptom.title} (drawing {talk.numbers[symptom.id]})", "item")
    sided = next((f"{n} left, " for n, one in reversed(list(enumerate(symptoms, 1))) if n > 1 and not one.whole), "")
    first = f"1: {talk.sample_of(symptoms[0])}" if symptoms[0].measure else "1 yes"
    like = f"All in one line, like: {first}, {sided}rest no. None: no."
    yield Line(f"{like} ?2 how to look at 2; one: one at a time. {keys}".rstrip(), "hint")
