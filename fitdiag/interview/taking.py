"""Take answers: words looked up and matches offered, amounts read and doubtful ones queried, a line for a whole screen."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from fitdiag.diagnosis.belief import finding_text, lower_first
from fitdiag.interview import telling
from fitdiag.interview.answers import (
    ONE_SIDE,
    ROUND,
    Said,
    agreed,
    is_bare,
    may_be_either,
    read_answer,
    read_several,
    split_amount,
)
from fitdiag.interview.clauses import gone, says, told, what_is_now
from fitdiag.interview.search import Kind
from fitdiag.interview.sides import WHOSE_SIDE, doubtful_side, side_meant
from fitdiag.interview.telling import CHOICES, HELP, Line, Pick
from fitdiag.knowledge.findings import SIDES, Done, Finding, Origin
from fitdiag.knowledge.model import Symptom
from fitdiag.plausible import doubt_of_sign
from fitdiag.problems import one_line
from fitdiag.sessions.state import AWAITS, answer_event, done_event
from fitdiag.units import MM_PER_INCH, Length, Units, format_given, format_length

if TYPE_CHECKING:
    from fitdiag.interview.engine import Interview

_NOTHING = re.compile(
    r"|n|nope|nah|none|nothing|done|no(?: more| others?)?|(?:none|nothing)(?: of these| else| more)|that'?s (?:all|it)"
    r"|dunno|(?:i )?(?:don'?t|do not|dont) know|not (?:known|sure)|unknown|no idea|can'?t (?:say|see|tell)"
)
_NEGATED = re.compile(r"(?:no|not|never|without|isn't|doesn't|don't|can't) ")
_DOES_NOT = re.compile(r"\b(?:do|does|did|is|are|was)(?:n'?t| not)\b")
# not: gone baggy
_GONE = re.compile(r"\b(?:gone|vanished|disappeared)(?: (?:now|away|completely|altogether|entirely))?$")
_BARE = re.compile(r"[\d.,/ ]+")  # a number alone
_CHOICE = re.compile(r"([1-9])(?:[.:)=,] ?| )(?![\d/]+$)(.+)")  # a choice from a list, and more about it
_NUMBER = re.compile(rf"(\d+)[.,)]?(?: ({'|'.join(SIDES)}))?")  # a choice from a list, with a side or without
_NOTE_NUMBER = re.compile(r"(\d+) ?(m|marked)?")  # a body note by its number in the list
_BODY_PARTS = re.compile(  # "one hip higher, the left" is one part
    r";+|,+(?!\s*(?:on )?(?:the |my |her |his )?(?:left|right)(?: (?:side|hip|leg|one))?\s*(?:[,;]|$))|\band\b",
    re.IGNORECASE,
)
_MOST_STRANGE = 6  # words not understood that are named at once
_NOT_MEASURED = frozenset(("", "no", "n", "not measured", "unknown", "not known", "enter"))


def answer(talk: Interview, typed: str) -> list[Line]:
    """Take an answer to the current question."""
    typed = typed.rstrip(" .!") or typed
    if doubtful_side(typed):
        return [Line(WHOSE_SIDE)]
    if talk.pending is not None:
        return _reply_pick(talk, talk.pending, typed)
    if isinstance(talk.state.awaiting, Done):
        return _earlier(talk, talk.state.awaiting, typed)
    if talk.state.awaiting is not None:
        return _amount(talk, talk.state.awaiting, typed)
    if talk.wanted is not None:
        return _amount(talk, talk.findings.symptoms[talk.wanted], typed)
    if talk.stage == "pictures":
        return _reply_offered(talk, talk.state.offered[0], typed)
    if talk.before is not None:
        return _reply_signs(talk, (talk.before.symptom,), typed)
    if talk.stage == "questions":
        return _reply_signs(talk, talk.screen, typed) if talk.screen else [Line(HELP, "hint")]
    if _NOTHING.fullmatch(typed.lower()):
        talk.end_stage(talk.stage, looked=talk.stage == "seen" and bool(talk.findings.seen))
        return []
    if is_bare(typed):
        return [Line("Say what, in your own words: an answer alone says too little here. Enter when there is nothing.")]
    if talk.stage == "body":
        return _reply_body(talk, typed)
    if talk.stage == "seen" and typed.lower() in ("ask", "ask me"):
        talk.end_stage("seen")
        return []
    return search(talk, "alteration" if talk.stage == "history" else "symptom", typed)


# -- words -------------------------------------------------------------------------------------------------------------


def search(talk: Interview, kind: Kind, typed: str) -> list[Line]:
    """Look up what a text may mean and offer it; a rule's own name is taken at once."""
    if doubtful_side(typed):  # also typed after "also"
        return [Line(WHOSE_SIDE)]
    seen = "Only what is there goes here; what is not there is asked later, if it matters."
    if kind == "symptom" and typed:
        typed = what_is_now(typed)
        if not typed:
            return [Line(seen)]
    if parts := _several(talk, kind, typed):
        talk.queue = [*((kind, part, "") for part in parts[1:]), *talk.queue]
        return [Line(f"First '{one_line(parts[0], 60)}'."), *search(talk, kind, parts[0])]
    words, rest = split_amount(typed)
    if kind == "symptom" and rest:  # the side and amount of what is there: not of what is fine or denied beside it
        rest = split_amount(told(typed) or typed)[1]
    if not re.search("[a-z]", words.lower()):
        return [Line("Begin with a word; numbers and amounts come after it.")]
    if (_NEGATED.match(words.lower()) and not says("complaint", words)) or _denied(talk, kind, words):
        done = "Only what was done goes here; what was not done can be left out."
        return [Line(done if kind == "alteration" else seen)]
    if name := talk.words.own_name(kind, words):
        return _picked(talk, kind, name, rest)
    if kind == "alteration" and (other := _of_another_kind(talk, words)):
        kept = talk.keep("body" if other == _SHAPE else "seen", typed)
        till = "; it is asked for in a moment, and kept till then" if kept else ""
        return [Line(f"That sounds like {other}{till}. Here goes only what was altered before.")]
    one_side = ONE_SIDE.search(rest.lower()) if kind == "symptom" else None
    found = talk.words.find(kind, f"{words} {one_side[0]}" if one_side else words)  # some signs are of one side only
    if not found:
        return [_not_understood(talk, kind, words)]
    talk.pending = Pick(kind, found, words, rest)
    strange = ", ".join(f"'{one_line(word, 20)}'" for word in talk.words.strange(kind, words)[:_MOST_STRANGE])
    return [Line(f"Not understood in it: {strange}.")] if strange else []


_SHAPE = "shape or stance"


def _of_another_kind(talk: Interview, words: str) -> str:
    """What a text typed as an earlier alteration really describes; empty if it may well be an alteration."""
    known = talk.words
    if known.own_name("body note", words):
        return _SHAPE
    is_shape = known.sooner("body note", "alteration", words) or (
        known.is_phrase("body note", words) and not known.is_phrase("alteration", words)
    )
    is_sign = known.sooner("symptom", "alteration", words)
    if is_shape and not (is_sign and known.fit("symptom", words) > known.fit("body note", words)):
        return _SHAPE
    return "something you see" if is_sign else ""


def _several(talk: Interview, kind: Kind, typed: str) -> list[str]:
    """The parts of a line to look up one by one, if one of them names a rule: waist too tight, baggy under the seat.

    A part that names only a place or a pose, or what another part names, joins its neighbour.
    """
    parts = [part for part in re.split(r"\s*(?:,(?!\d)|(?<!\d),|[;+]|\b(?:and|also|but)\b)[\s,;]*", typed) if part]
    pieces: list[str] = []
    heads: list[str] = []
    loose = ""
    for part in parts if len(parts) > 1 else ():
        words = split_amount(part)[0]
        only = talk.words.find(kind, words, 2)  # one word may be enough: wedgie
        named = talk.words.named(kind, words) or (only if len(only) == 1 else ())
        if kind == "alteration" and _of_another_kind(talk, words):
            named = (words,)
        if (named and named[0] not in heads) or (not named and talk.words.names_more(kind, words)):
            pieces.append(f"{loose}{part}")
            heads.append(named[0] if named else "")
            loose = ""
        elif pieces:
            pieces[-1] += f", {part}"
        else:
            loose += f"{part}, "
    return pieces if any(heads) and len(pieces) > 1 else []


def _not_understood(talk: Interview, kind: Kind, words: str) -> Line:
    talk.missed(kind, words)
    what = f"Nothing here is called '{one_line(words, 40)}'. Try other words"
    if talk.stage == "questions":
        return Line(f"{what}.")
    return Line(f"{what}, or Enter to go on{'; later questions will find it' if kind == 'symptom' else ''}.")


def _denied(talk: Interview, kind: Kind, words: str) -> bool:
    """Whether a sentence says that something is absent; some signs have a "not" in their own names or words."""
    if gone(words):
        return True
    vanished = _GONE.search(words.lower()) and not says("when", words)
    if not vanished and not _DOES_NOT.search(words.lower()):
        return False
    titles = (talk.base.title(name) for name in talk.words.find(kind, words, 3))
    return not any(" not " in title for title in titles) and not talk.words.known_denial(kind, words)


def _reply_pick(talk: Interview, pick: Pick, typed: str) -> list[Line]:
    word = typed.lower()
    yes = agreed(word) is True and not word.isdecimal()
    if len(pick.ids) == 1 and (not typed or yes):
        word = "1"
    elif _NOTHING.fullmatch(word):
        talk.pending = None
        if pick.kind == "body note" and _sooner_seen(talk, pick.typed):
            talk.keep("seen", pick.typed)
            return [Line(f"Kept for what you see: '{one_line(pick.typed, 60)}'.")]
        talk.missed(pick.kind, pick.typed)
        return [Line(f"Not counted: '{one_line(pick.typed, 60)}'.")]
    elif yes:
        return [Line(f"Which one? Choose from 1 to {len(pick.ids)}, or Enter for none.")]
    numbers = re.sub(r"[,;&.)]|\band\b", " ", word).split()
    if all(number.isdecimal() for number in numbers):
        wrong = [number for number in numbers if not 1 <= int(number[:6]) <= len(pick.ids)]
        if wrong or not numbers:
            what = f"There is no {wrong[0][:10]} in the list" if wrong else "That is not a number in the list"
            one, several = "Enter for yes, n for no", f"choose from 1 to {len(pick.ids)}, or Enter for none"
            return [Line(f"{what}; {several if len(pick.ids) > 1 else one}.")]
        first, *others = (pick.ids[int(number) - 1] for number in dict.fromkeys(numbers))
        rest = pick.rest if not others or pick.kind == "body note" else ""  # an amount would be that of one of them
        talk.pending, talk.picked = None, (pick, talk.queue)
        talk.queue = [*((pick.kind, rule_id, rest) for rule_id in others), *talk.queue]
        lines = _picked(talk, pick.kind, first, _with_side_meant(talk, first, pick.typed, rest))
        one_sided = ONE_SIDE.search(pick.typed.lower()) is not None
        if pick.kind == "body note" and one_sided:  # no rule asks which side, so it is kept as a note
            talk.record({"event": "note", "text": pick.typed})
            lines.append(Line("Which side is kept as a note."))
        return lines
    if pick.kind == "body note":
        return _reply_body(talk, typed)
    if (match := _CHOICE.fullmatch(word)) and int(match[1]) <= len(pick.ids) and not split_amount(match[2])[0]:
        talk.pending, talk.picked = None, (pick, talk.queue)
        first = pick.ids[int(match[1]) - 1]
        rest = _with_side_meant(talk, first, pick.typed, pick.rest)
        return _picked(talk, pick.kind, first, f"{rest} {match[2]}".strip())
    return search(talk, pick.kind, typed)


def _with_side_meant(talk: Interview, rule_id: str, words: str, rest: str) -> str:
    """The amount and side typed with some words, with the side that they mean for the sign picked."""
    symptom, named = talk.base.symptoms.get(rule_id), re.search(r"\b(?:left|right)\b", rest)
    if symptom is None or named is None:
        return rest
    side = side_meant(symptom, words, "left" if named[0] == "left" else "right")
    return f"{rest[: named.start()]}{side}{rest[named.end() :]}"


def next_in_queue(talk: Interview) -> list[Line]:
    """Take the next of several things picked or typed together; those still in words are looked up and offered."""
    kind, name, rest = talk.queue.pop(0)
    if kind == "body note" and name not in talk.base.body_notes:
        return [Line(f"Now '{one_line(name, 60)}'."), *_reply_body(talk, name, rest or "some")]
    if talk.base.find(name) is None:
        return [Line(f"Now '{one_line(name, 60)}'."), *search(talk, kind, name)]
    return _picked(talk, kind, name, rest)


def _picked(talk: Interview, kind: Kind, rule_id: str, rest: str) -> list[Line]:
    """Take what was picked; that its amount is still to come is saved before the amount is asked for."""
    if kind == "body note":
        return _count_body(talk, {rule_id: rest or "some"})
    if kind == "alteration":
        talk.record({**done_event(Done(rule_id)), AWAITS: "amount"})
        return _earlier(talk, Done(rule_id), rest) if rest else []
    symptom, known = talk.base.symptoms[rule_id], talk.findings.symptoms.get(rule_id)
    how_much = known is not None and (known.amount_mm is not None or known.severity is not None)
    if not rest and known is not None and known.seen == "yes" and (symptom.measure is None or how_much):
        return [Line(f"Counted already: {lower_first(finding_text(talk.base, known, talk.findings))}.")]
    said = replace(read_answer(rest, talk.findings.units) or Said("yes"), seen="yes", look_again=False)
    if said.length is not None and symptom.measure is None:
        said = replace(said, length=None, apart=None)
        return [Line("This sign has no amount; it counts as seen."), *_take(talk, {rule_id: said}, "volunteered")]
    if why := _why_not(symptom, said, talk.findings.units):
        finding = Finding(rule_id, "yes", side=said.side, origin="volunteered")
        talk.record({**answer_event(finding), AWAITS: "amount"})
        return [Line(f"{symptom.title}: {why}.")]
    return _take(talk, {rule_id: said}, "volunteered", ask=True)


def _sooner_seen(talk: Interview, words: str) -> bool:
    """Whether words typed as a body note more likely describe something seen on the cloth."""
    return talk.words.sooner("symptom", "body note", split_amount(words)[0])


def _reply_body(talk: Interview, typed: str, said: str = "some") -> list[Line]:
    """Body notes by number or in words, separated by commas; what is not a note's own name is offered one by one.

    `said`: the grade already known.
    """
    ids = list(talk.base.body_notes)
    talk.pending = None
    parts = [part.strip() for part in _BODY_PARTS.split(typed) if part.strip()]
    if re.fullmatch(r"[\dm\s,;.]+", typed.lower()):
        parts = [part.rstrip(".") for part in re.sub(r"\s+m\b", "m", re.sub(r"[,;]", " ", typed.lower())).split()]
    notes: dict[str, str] = {}
    lines: list[Line] = []
    waiting: list[tuple[Kind, str, str]] = []
    if not talk.listed and any(_NOTE_NUMBER.fullmatch(part.lower()) for part in parts):
        parts = [part for part in parts if not _NOTE_NUMBER.fullmatch(part.lower())]
        lines += [
            *telling.body_list(talk),
            Line("No number counted yet, as the list was not shown: type it again if it is meant."),
        ]
    for part in parts:
        if match := _NOTE_NUMBER.fullmatch(part.lower()):
            if 1 <= int(match[1][:6]) <= len(ids):
                notes[ids[int(match[1]) - 1]] = "marked" if match[2] else "some"
            else:
                lines.append(Line(f"There is no {match[1][:10]} in the list; choose from 1 to {len(ids)}."))
            continue
        words = re.sub(r"\b(m|marked|very|really|extremely)\b", "", part.lower()).strip()
        grade = "marked" if words != part.lower() else said
        if _NEGATED.match(words) and not talk.words.find("body note", words, 1):
            lines.append(Line(f"'{one_line(part, 30)}': only what holds goes here; leave the rest out."))
        elif name := talk.words.own_name("body note", words):
            notes[name] = grade
        elif talk.words.find("body note", words):
            waiting.append(("body note", words, grade))
            if len(parts) == 1 and _sooner_seen(talk, words):  # of several each is told when its turn comes
                lines.append(Line("If that is something you see on the cloth: it is asked for in a moment."))
        else:
            talk.missed("body note", words)
            lines.append(Line(f"'{one_line(part, 30)}' was not understood; try other words, or ? for the list."))
    counted = _count_body(talk, notes) if notes else []
    if len(parts) == 1 and waiting:
        ((kind, words, grade),) = waiting
        talk.pending = Pick(kind, talk.words.find(kind, words), words, grade)
    else:
        talk.queue = [*waiting, *talk.queue]
    return [*counted, *lines]


def _count_body(talk: Interview, notes: dict[str, str]) -> list[Line]:
    talk.record({"event": "body", "notes": notes})
    titles = [
        lower_first(talk.base.body_notes[note].title) + (" (marked)" if grade == "marked" else "")
        for note, grade in notes.items()
    ]
    return [Line(f"Counted: {'; '.join(titles)}.")]


# -- signs -------------------------------------------------------------------------------------------------------------


def _reply_offered(talk: Interview, offered: Finding, typed: str) -> list[Line]:
    """Take, postpone or correct a finding offered from pictures."""
    word = typed.lower()
    if agreed(word):
        return talk.count(offered)
    if agreed(word) is False or word in ("later", "can't say", "don't know"):
        talk.record({"event": "offered", "refused": offered.symptom})
        return [Line("Not counted; it is asked later if it matters.")]
    if not typed or _NUMBER.fullmatch(typed):
        return [Line("1 counts it, 2 leaves it out for now.")]
    return _reply_signs(talk, (offered.symptom,), typed)


def _reply_signs(talk: Interview, names: Sequence[str], typed: str) -> list[Line]:
    """Take an answer to the current question, or to all those on a screen."""
    if may_be_either(typed):
        return [Line(f"'{typed}' may mean that it is there, or that all is well: write yes or no.")]
    if len(names) == 1:
        said = _read_one(talk, talk.base.symptoms[names[0]], typed)
        return [Line(said)] if isinstance(said, str) else _take(talk, {names[0]: said}, "asked", ask=True)
    if not typed:
        return [Line("Enter alone is no answer; no means that none of them is there.")]
    if not re.search(r"\d", typed) and _means_another_sign(talk, names, typed):
        return [Line(ANOTHER.format(typed))]
    read = read_several(typed, len(names), talk.findings.units)
    if read:
        return _take(talk, {names[number - 1]: said for number, said in sorted(read.items())}, "asked")
    alone = read_answer(typed, talk.findings.units)
    if alone is not None and (alone.length or alone.side):
        return [Line(f"Of which one? Write its number before it, like 2: {one_line(typed, 30)}.")]
    like = f"1 yes, 2: {talk.sample}, rest no"
    return [Line(f"That was not understood. Write it like: {like}. Or: one, for one at a time.")]


ANOTHER = "That may be another sign. If it is, write: also {}. If not, answer in other words."
_PLAIN = r"(?:y|yes|n|no|slight|clear|strong)"
_NUMBERED = re.compile(rf"\d[ .:)]+{_PLAIN}[ ,;]+(?:and )?\d[ .:)]+{_PLAIN}\b")
_REST = re.compile(r"\b(?:rest|the others?)\b.*\b(?:no|none|yes)\b", re.IGNORECASE)


def _read_one(talk: Interview, symptom: Symptom, typed: str) -> Said | str:
    """The answer to a single question, or why the text is not one."""
    if not typed:
        return "Enter alone is no answer; 3 or can't say leaves it open."
    if _REST.search(typed):
        return "One question is open here, so there is no rest: answer it alone."
    if _NUMBERED.match(typed.lower()):
        return "Only one question is asked here: give one answer, like yes or no."
    typed = re.sub(r"^(left|right|both)[ ,]+(\d)$", r"\2 \1", typed.lower())
    # "1 yes", as on a screen of several questions
    typed = re.sub(r"^1[ .:)]+(?=[a-z])(?!(?:in|cm|mm|inch|inches|left|right|both)\b)", "", typed)
    amount = f", or an amount like {talk.sample_of(symptom)}" if symptom.measure else ""
    if match := _NUMBER.fullmatch(typed):
        number = int(match[1][:6])
        if not 1 <= number <= len(CHOICES):
            return f"There is no {match[1][:10]}: choose from 1 to {len(CHOICES)}{amount}."
        typed = " ".join((CHOICES[number - 1], match[2] or "")).strip()
    said = read_answer(typed, talk.findings.units)
    if not (said and said.look_again) and _means_another_sign(talk, (symptom.id,), typed):
        return ANOTHER.format(typed)
    hint = f"write yes, no, can't say, slight, clear or strong{amount}"
    return said or f"'{one_line(typed, 30)}' is not understood; {hint}."


def _means_another_sign(talk: Interview, asked: Sequence[str], typed: str) -> bool:
    """Whether an answer names a sign other than those asked about; then none of it may count."""
    named = talk.words.named("symptom", split_amount(typed)[0])
    return bool(named) and not set(asked) & set(named)


def _take(talk: Interview, read: Mapping[str, Said], origin: Origin, *, ask: bool = False) -> list[Line]:
    """Count the answers about some signs, and say what was refused and why.

    `ask`: ask for the amount of a single sign, if it matters.
    """
    symptoms, units = talk.base.symptoms, talk.findings.units
    refused = {name: why for name, said in read.items() if (why := _why_not(symptoms[name], said, units))}
    taken = {name: said.finding(symptoms[name], origin) for name, said in read.items() if name not in refused}
    lines = [Line(f"{symptoms[name].title}: {why}.") for name, why in refused.items()]
    if not taken:
        return lines
    again = frozenset(name for name in taken if read[name].look_again)
    seen = [lower_first(finding_text(talk.base, one, talk.findings)) for one in taken.values() if one.seen == "yes"]
    absent = [one for one in taken.values() if one.seen == "no" and not one.amount_mm]
    if seen:
        lines.insert(0, Line(f"Seen: {'; '.join(seen)}."))
    lines += [Line(_too_little(talk, one)) for one in taken.values() if one.seen == "no" and one.amount_mm]
    if absent and len(read) > 1:
        lines.append(Line(f"Not there: {len(absent)} of {len(read)}."))
    elif absent:  # said, since a word may have been read otherwise than it was meant
        lines.append(Line(f"{finding_text(talk.base, absent[0], talk.findings)}."))
    if again:
        titles = "; ".join(lower_first(symptoms[name].title) for name in sorted(again))
        lines.append(Line(f"To look at again: {titles}."))
    more = {name: read[name].more for name in taken if read[name].more is not None}
    one = next(iter(taken.values()))
    if ask and one.seen == "yes" and one.amount_mm is None and one.severity is None and one.symptom in talk.cut_by:
        talk.record({**answer_event(one), AWAITS: "amount"})
    else:
        lines += talk.count(*taken.values(), again=again)
    for name, side in more.items():  # no rule weighs it, so it is kept as a note
        talk.record({"event": "note", "text": f"{symptoms[name].title}: more on the {side}"})
        lines.append(Line(f"That it is more on the {side} is kept as a note."))
    return lines


def _why_not(symptom: Symptom, said: Said, units: Units) -> str:
    """Why an answer about a sign cannot be counted; empty if it can."""
    length = said.length
    if said.seen != "yes" or length is None:
        return ""
    if symptom.measure is None:
        return "this sign has no amount: write yes or no, or how strong it is"
    doubt = doubt_of_sign(symptom.measure.most_mm, length.mm)
    reason = f"{doubt}; write what was measured, or slight, clear or strong" if doubt else ""
    return _without_unit(length, units) or reason


def _too_little(talk: Interview, finding: Finding) -> str:
    measure = talk.base.symptoms[finding.symptom].measure
    assert measure is not None
    least = format_length(measure.seen_from_mm, talk.findings.units)
    from_there = f"from {least} {'on' if measure.worse == 'more' else 'down'}"
    return f"{finding_text(talk.base, finding, talk.findings)}. That does not count yet; it counts {from_there}."


def _amount(talk: Interview, finding: Finding, typed: str) -> list[Line]:
    """Take the amount of a sign already answered, as a length or a word."""
    name, symptom = finding.symptom, talk.base.symptoms[finding.symptom]
    if talk.stage == "seen" and talk.words.own_name("symptom", split_amount(typed)[0]):
        talk.declined.add(name)  # this is the next one, and that was not measured
        return [*talk.count(replace(finding, severity=None)), *search(talk, "symptom", typed)]
    said = read_answer(typed, talk.findings.units)
    yes = agreed(typed) and not _BARE.fullmatch(typed) and not (said is not None and (said.side or said.severity))
    if yes or typed.lower() in _NOT_MEASURED or (said is not None and said.seen == "unsure"):
        lines = [Line("It counts as seen, without an amount.")] if yes else []
        talk.declined.add(name)
        talk.wanted = None
        return [*lines, *(talk.count(replace(finding, severity=None)) if talk.state.awaiting is not None else [])]
    if said is None:
        like = f"write it like {talk.sample_of(symptom)}, or slight, clear, strong"
        return [Line(f"'{one_line(typed, 30)}' is not an amount; {like}.")]
    if said.length is None:
        talk.declined.add(name)
    if said.length is not None and _BARE.fullmatch(typed):  # nothing is chosen by number here
        said = replace(said, length=replace(said.length, unit=said.length.unit or talk.findings.units))
    if said.seen == "yes":
        said = replace(said, side=said.side or finding.side)
    return _take(talk, {name: said}, finding.origin)


def _earlier(talk: Interview, done: Done, typed: str) -> list[Line]:
    """Take the amount and round of an earlier alteration. If another alteration is typed instead, this one has no amount."""
    words, amount, number = split_amount(typed)[0], None, done.round
    if talk.words.length(words) > 2 and talk.words.named("alteration", words):
        return [*_earlier(talk, done, "not measured"), *search(talk, "alteration", typed)]
    if match := ROUND.search(typed.lower()):
        number = max(1, int(match[1]))
        typed = (typed[: match.start()] + typed[match.end() :]).strip(" ,")
    said = read_answer(typed, talk.findings.units)
    if typed.lower() not in _NOT_MEASURED and not (said is not None and said.seen == "unsure"):
        if said is None:
            like = f"write it like {talk.sample}, or Enter if not known"
            return [Line(f"'{one_line(typed, 30)}' is not an amount; {like}.")]
        if said.length is None:
            return [Line("How much is that, as a length?")]
        if not _BARE.fullmatch(typed) and (what := _without_unit(said.length, talk.findings.units)):
            return [Line(f"{what}.")]
        amount = said.length.mm
    talk.record(done_event(Done(done.alteration, amount, number)))
    much = f", {format_given(amount, talk.findings.units)}" if amount is not None else ""
    title = lower_first(talk.base.alterations[done.alteration].title)
    return [Line(f"Done before: {title}{much}, round {number}.")]


def _without_unit(length: Length, units: Units) -> str:
    """Ask for the unit of a bare whole number, which may as well be a choice from a list; empty for any other length."""
    number = round(length.mm / (MM_PER_INCH if units == "in" else 10.0), 6)
    if length.unit is not None or number <= 0 or not number.is_integer():
        return ""
    return f"{number:g} what? Write the unit with it: {number:g} in, {number:g} cm or {number:g} mm"
