"""What is asked now: which lines stand for the place an interview has come to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fitdiag.diagnosis.belief import lower_first, told
from fitdiag.interview.search import Kind
from fitdiag.interview.telling import CHOICES, HEADS, Line
from fitdiag.knowledge.findings import Done, Finding
from fitdiag.knowledge.model import Symptom
from fitdiag.knowledge.stations import TITLES, TRIALS

if TYPE_CHECKING:
    from fitdiag.interview.engine import Interview


@dataclass(frozen=True)
class Pick:
    """Waiting for a choice from a numbered list; `rest`: the amount, side or grade that was typed along with the word."""

    kind: Kind
    ids: tuple[str, ...]
    typed: str
    rest: str


KEYS = "Or: ? how to look, why, so far, back, also, note, stop."
_YES_OR_NO = 3


def before_the_questions(talk: Interview) -> list[Line]:
    """The lines of everything that is asked beside the questions themselves."""
    if talk.pending is not None:
        return _which_of_these([talk.title(rule_id) for rule_id in talk.pending.ids])
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
    """Asks whether the eye agrees with what a picture measured, or whether a sentence of a mail was read right."""
    known, what = talk.findings.symptoms, told(talk.base, offered, talk.findings)
    if sentence := talk.state.sentences.get(offered.symptom):
        yield Line(f'The mail: "{sentence}"')
        yield Line(f"{what}. Is that what it says?", "ask")
        item = "1 yes  2 no, leave it out"
    else:
        if not any(finding.origin == "photo" for finding in known.values()):
            yield Line(HEADS["pictures"], "head")
        yield Line(f"{what}. Does that agree with what you see?", "ask")
        item = "1 it agrees  2 it does not, ask me later"
    if before := known.get(offered.symptom):
        yield Line(f"The client's form says: {lower_first(told(talk.base, before, talk.findings))}.", "hint")
    yield Line(item, "item")
    yield Line("Or your own answer, like slight or an amount. ? how to look.", "hint")


def _before(talk: Interview, before: Finding) -> Iterator[Line]:
    """Asks what became of a sign of the try-on before."""
    talk.taught = talk.taught or before.symptom
    first = talk.taught == before.symptom
    if first:
        yield Line(HEADS["before"], "head")
    then = f"At the last try-on: {lower_first(told(talk.base, before, talk.findings))}. And now?"
    yield from _one(talk, talk.base.symptoms[before.symptom], KEYS if first else "", then)


# how a stage is opened: what is asked first, what after an answer, and how to answer
OPENINGS = {
    "history": (
        "Was this pattern altered before, and how?",
        "What else was altered?",
        "In your own words, like took in the sides, or tuck across the back {sample}; Enter when there is nothing more.",
    ),
    "body": (
        "What is there to say of shape and stance, compared with the block?",
        "What else is there to say of shape and stance, compared with the block?",
        "In your own words, like flat seat, full calf, knock knees; very before what is marked. ? lists all, with numbers;"
        " Enter when there is nothing more.",
    ),
    "seen": (
        "What do you see on the muslin, or {feel}?",
        "What else do you see on the muslin, or {feel}?",
        "In your own words, with the amount where you know it, like baggy under the seat {sample}. ?back (or front, side, worn,"
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
    """The screen of questions that is on, or the one question, or the amount that is still wanted."""
    if talk.wanted is not None:
        symptom = talk.base.symptoms[talk.wanted]
        return [
            Line(f"One thing more, for the amount: {symptom.title[:1].lower()}{symptom.title[1:]}."),
            *_how_much_is_it(talk, symptom),
        ]
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
    """Asks about one sign, in its rule's words or in those given; what only the wearer can tell is put to the client."""
    ask = ask or symptom.ask
    yield Line(f"Ask the client: {ask}" if symptom.felt and not talk.alone else ask, "ask")
    choices = CHOICES[:_YES_OR_NO] if symptom.needs or symptom.by in TRIALS else CHOICES
    yield Line("  ".join(f"{number} {choice}" for number, choice in enumerate(choices, 1)), "item")
    amount = f"Or an amount like {talk.sample_of(symptom)}: {symptom.measure.what}. " if symptom.measure else ""
    side = "" if symptom.whole else "Add left or right if on one side only. "
    yield Line(f"{amount}{side}Drawing {talk.numbers[symptom.id]}. {keys}".rstrip(), "hint")


def _several(talk: Interview, keys: str) -> Iterator[Line]:
    """Asks about up to six signs at once."""
    symptoms = [talk.base.symptoms[name] for name in talk.screen]
    felt = not talk.alone and all(symptom.felt for symptom in symptoms)
    yield Line("Ask the client: which of these?" if felt else "Which of these are there?", "ask")
    for number, symptom in enumerate(symptoms, 1):
        yield Line(f"{number}. {symptom.title} (drawing {talk.numbers[symptom.id]})", "item")
    sided = next((f"{n} left, " for n, one in reversed(list(enumerate(symptoms, 1))) if n > 1 and not one.whole), "")
    first = f"1: {talk.sample_of(symptoms[0])}" if symptoms[0].measure else "1 yes"
    yield Line(
        f"All in one line, like: {first}, {sided}rest no. None: no. ?2 how to look at 2; one: one at a time. {keys}".rstrip(),
        "hint",
    )
