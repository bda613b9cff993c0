"""Look up what is typed in one's own words: signs, body notes and earlier alterations, alone or several in a line.

A line is read part by part: its amount and side apart from its words, what is denied or of an earlier fitting refused, what
belongs to a later part of the interview kept till then. What may be meant is offered; a rule's own name is taken at once.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from fitdiag.diagnosis.belief import finding_text, lower_first
from fitdiag.interview import telling
from fitdiag.interview.answers import WHOSE_SIDE, doubtful_side, read_answer, side_meant, side_of_note
from fitdiag.interview.clauses import absent, only_praises, parts_of, told, what_is_now
from fitdiag.interview.counting import count_body, count_done, count_signs, why_not
from fitdiag.interview.meaning import SIGN_ELSEWHERE, offers
from fitdiag.interview.search import Kind
from fitdiag.interview.telling import Line, Pick
from fitdiag.knowledge.findings import Done, Finding
from fitdiag.knowledge.said import EACH_SIDE, ONE_SIDE, Said, agreed, split_amount
from fitdiag.problems import one_line
from fitdiag.sessions.state import AWAITS, answer_event, done_event

if TYPE_CHECKING:
    from fitdiag.interview.engine import Interview

_NOTHING = re.compile(
    r"|n|nope|nah|none|nothing|done|no(?: more| others?)?|(?:none|nothing)(?: of these|(?: else| more)(?: to (?:add|report|say|see|tell))?)"
    r"|that'?s (?:all|it)"
    r"|dunno|(?:i )?(?:don'?t|do not|dont) know|not (?:known|sure)|unknown|no idea|can'?t (?:say|see|tell)"
)
_CHOICE = re.compile(r"([1-9])(?:[.:)=,] ?| )(?![\d/]+$)(.+)")  # a choice from a list, and more about it
_SHORTER = re.compile(r"\b(?:short\w*|raised|off|up)\b", re.IGNORECASE)  # shortened the legs, took the hems up
_NOTE_NUMBER = re.compile(r"(\d+) ?(m|marked)?")  # a body note by its number in the list
_MARKED = re.compile(r"\b(m|marked|very|really|extremely)\b")
_BODY_PARTS = re.compile(  # "one hip higher, the left" is one part
    r";+|,+(?!\s*(?:on )?(?:the |my |her |his )?(?:left|right)(?: (?:side|hip|leg|one))?\s*(?:[,;]|$))|\band\b",
    re.IGNORECASE,
)
_MOST_STRANGE = 6  # words not understood that are named at once
_ONLY: Mapping[Kind, str] = {
    "symptom": "Only what is there goes here; what is not there is asked later, if it matters.",
    "body note": "Only what holds goes here; leave the rest out.",
    "alteration": "Only what was done goes here; what was not done can be left out.",
}
_GOES_HERE: Mapping[Kind, str] = {"alteration": "what was altered before", "body note": "shape and stance"}
_STAGES: Mapping[Kind, tuple[Literal["body", "seen"], str]] = {
    "body note": ("body", "shape or stance"),
    "symptom": ("seen", "something you see"),
}


def is_nothing(typed: str) -> bool:
    """Whether a line says that there is nothing, nothing more, or nothing known."""
    return _NOTHING.fullmatch(typed.lower()) is not None


def search(talk: Interview, kind: Kind, typed: str) -> list[Line]:
    """Look up what a text may mean and offer it; a rule's own name is taken at once."""
    if doubtful_side(typed):  # also typed after "also"
        return [Line(WHOSE_SIDE)]
    if kind == "symptom" and typed and not (typed := what_is_now(typed)):
        return [Line(_ONLY[kind])]
    parts, unread = _several(talk, kind, typed) if kind != "body note" else ([], [])
    if unread:
        return [_not_read(unread), *search(talk, kind, ", ".join(parts))]
    if len(parts) > 1:
        talk.queue = [*((kind, part, "") for part in parts[1:]), *talk.queue]
        return [Line(f"First '{one_line(parts[0], 60)}'."), *search(talk, kind, parts[0])]
    words, rest = _graded(typed) if kind == "body note" else split_amount(typed)
    if kind == "symptom" and rest:  # the side and amount of what is there: not of what is fine or denied beside it
        rest = split_amount(talk.words.uncompared(told(typed) or typed))[1]
    if not re.search("[a-z]", words.lower()):
        return [Line("Begin with a word; numbers, amounts and sides come after it.")]
    if name := talk.words.own_name(kind, words):
        return _picked(talk, kind, name, rest)
    one_side = ONE_SIDE.search(rest.lower()) if kind == "symptom" and not EACH_SIDE.fullmatch(rest.lower()) else None
    found = offers(talk.words, kind, f"{words} {one_side[0]}" if one_side else words)  # some signs are of one side only
    if _denied(talk, kind, words) and not (found and kind == "body note"):  # many shapes are a lack of something
        return [Line(_ONLY[kind])]
    if other := _of_another_kind(talk, kind, words):
        stage, what = _STAGES[other]
        till = "; it is asked for in a moment, and kept till then" if talk.keep(stage, typed) else ""
        return [Line(f"That sounds like {what}{till}. Here goes only {_GOES_HERE[kind]}.")]
    if not found:
        return [Line(_ONLY[kind]) if only_praises(words) else _not_understood(talk, kind, words)]
    talk.pending = Pick(kind, found, words, rest)
    strange = ", ".join(f"'{one_line(word, 20)}'" for word in talk.words.strange(kind, words)[:_MOST_STRANGE])
    return [Line(f"Not understood in it: {strange}.")] if strange else []


def _graded(text: str) -> tuple[str, str]:
    """A body note's words, and its grade: marked if they say so, else some."""
    words = " ".join(_MARKED.sub("", text.lower()).split())
    return words, "some" if words == text.lower() else "marked"


def _of_another_kind(talk: Interview, kind: Kind, words: str) -> Kind | None:
    """What a text typed as an earlier alteration or as shape really describes; None if it may well be what was asked for."""
    known = talk.words
    if kind == "symptom" or known.own_name(kind, words):
        return None
    is_sign = known.sooner("symptom", kind, words) and bool(offers(known, "symptom", words, SIGN_ELSEWHERE))
    if kind == "alteration" and offers(known, "body note", words):
        is_shape = known.sooner("body note", kind, words) or (
            known.is_phrase("body note", words) and not known.is_phrase(kind, words)
        )
        if is_shape and not (is_sign and known.fit("symptom", words) > known.fit("body note", words)):
            return "body note"
    return "symptom" if is_sign else None


def _several(talk: Interview, kind: Kind, typed: str) -> tuple[list[str], list[str]]:
    """The parts of a line to look up one by one, if one of them names a rule: waist too tight, baggy under the seat; and the unread ones.

    A part that names only a place or a pose, or what another part names, joins its neighbour; so does one without a place that may
    name what the part before it does: the front waist stands off, two fingers go down. One that is offered nothing is not read.
    """
    parts = parts_of(typed)
    pieces: list[str] = []
    heads: list[str] = []
    unread: list[str] = []
    loose = ""
    for part in parts if len(parts) > 1 else ():
        words = split_amount(part)[0]
        only = talk.words.find(kind, words, 2)  # one word may be enough: wedgie
        named = talk.words.named(kind, words) or (only if len(only) == 1 else ())
        if _of_another_kind(talk, kind, words):
            named = (words,)
        more, placed = talk.words.names_more(kind, words), bool(talk.words.places(words))
        same = bool(heads) and not placed and heads[-1] in talk.words.find(kind, words)
        if not (named or placed) and _says_nothing(talk, kind, words):
            unread.append(part)
        elif not same and ((named and named[0] not in heads) or (not named and more)):
            pieces.append(f"{loose}{part}")
            heads.append(named[0] if named else "")
            loose = ""
        elif pieces:
            pieces[-1] += f", {part}"
        else:
            loose += f"{part}, "
    return (pieces, unread) if any(heads) else ([], [])


def _says_nothing(talk: Interview, kind: Kind, words: str) -> bool:
    """Whether some words are about something else altogether: no praise, denial or pose, and no rule would be offered for them."""
    known = talk.words
    aside = known.length(words) <= 1 or known.places_and_poses_only(words) or only_praises(words) or absent(words)
    return not aside and not offers(known, kind, words)


def _not_read(parts: Sequence[str]) -> Line:
    """Name what was passed over in a line, so that nothing typed is lost unseen."""
    named = "; ".join(one_line(part, 60) for part in parts)
    return Line(f"Not read: {named}.")


def _not_understood(talk: Interview, kind: Kind, words: str) -> Line:
    talk.missed(kind, words)
    what = f"'{one_line(words, 40)}' was not understood. Try other words"
    if talk.stage == "questions":
        return Line(f"{what}.")
    later = {"symptom": "; later questions will find it", "body note": "; ? lists them all"}.get(kind, "")
    return Line(f"{what}, or Enter to go on{later}.")


def _denied(talk: Interview, kind: Kind, words: str) -> bool:
    """Whether a text says that something is absent; not if a rule's own "not" makes it fit better than it would without."""
    plain, known = absent(words), talk.words
    return bool(plain) and not known.is_phrase(kind, words) and known.fit(kind, plain) > known.fit(kind, words)


# -- choosing from what is offered ---------------------------------------------------------------------------------------


def reply_pick(talk: Interview, pick: Pick, typed: str) -> list[Line]:
    """Take a choice from what was offered, by number; or other words instead."""
    word = typed.lower()
    yes = agreed(word) is True and not word.isdecimal()
    if len(pick.ids) == 1 and (not typed or yes):
        word = "1"
    elif is_nothing(word):
        talk.pending = None
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
        return _pick(talk, pick, [pick.ids[int(number) - 1] for number in dict.fromkeys(numbers)])
    if pick.kind == "body note":
        return reply_body(talk, typed)
    if (match := _CHOICE.fullmatch(word)) and int(match[1]) <= len(pick.ids) and not split_amount(match[2])[0]:
        return _pick(talk, replace(pick, rest=f"{pick.rest} {match[2]}".strip()), [pick.ids[int(match[1]) - 1]])
    return search(talk, pick.kind, typed)


def _pick(talk: Interview, pick: Pick, chosen: Sequence[str]) -> list[Line]:
    """Take the rules chosen from a list, the first now and the others in turn."""
    first, *others = chosen
    rest = pick.rest if not others or pick.kind == "body note" else ""  # an amount would be that of one of them
    talk.pending, talk.picked = None, (pick, talk.queue)
    talk.queue = [*((pick.kind, rule_id, rest) for rule_id in others), *talk.queue]
    left = talk.words.left_over(pick.kind, chosen, pick.typed)
    lines = [_not_read([left])] if left else []
    lines += _picked(talk, pick.kind, first, _with_side_meant(talk, first, pick.typed, rest), pick.typed)
    if pick.kind == "body note":
        lines += _side_noted(talk, first, pick.typed)
    return lines


def _side_noted(talk: Interview, note: str, typed: str) -> list[Line]:
    """Keep the side typed with a body note: with the note where it is plain which side has more, else as a note of the fitter's."""
    if side := side_of_note(talk.base.body_notes[note], typed):
        grade = talk.findings.body.get(note, "some")
        talk.record({"event": "body", "notes": {note: grade}, "sides": {note: side}})
        return [Line(f"It is the {side} one that has more.")]
    if not ONE_SIDE.search(typed.lower()):
        return []
    talk.record({"event": "note", "text": typed})
    return [Line("Which side is kept as a note.")]


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
    if talk.base.find(name) is None or (kind == "body note" and name not in talk.base.body_notes):
        look_up = reply_body if kind == "body note" else lambda talk, words: search(talk, kind, words)
        return [Line(f"Now '{one_line(name, 60)}'."), *look_up(talk, name)]
    return _picked(talk, kind, name, rest)


def _picked(talk: Interview, kind: Kind, rule_id: str, rest: str, words: str = "") -> list[Line]:
    """Take what was picked; that its amount is still to come is saved before the amount is asked for.

    `words`: what was typed for it, which says whether a length was let out or shortened.
    """
    if kind == "body note":
        return count_body(talk, {rule_id: rest or "some"})
    if kind == "alteration":
        ways = talk.base.alterations[rule_id].amount.ways
        done = Done(rule_id, less=ways is not None and _SHORTER.search(words) is not None)
        talk.record({**done_event(done), AWAITS: "amount"})
        return count_done(talk, done, rest) if rest else []
    symptom, known = talk.base.symptoms[rule_id], talk.findings.symptoms.get(rule_id)
    how_much = known is not None and (known.amount_mm is not None or known.severity is not None)
    if not rest and known is not None and known.seen == "yes" and (symptom.measure is None or how_much):
        return [Line(f"Counted already: {lower_first(finding_text(talk.base, known, talk.findings))}.")]
    said = replace(read_answer(rest, talk.findings.units) or Said("yes"), seen="yes", look_again=False)
    if said.length is not None and symptom.measure is None:
        said = replace(said, length=None, apart=None)
        return [Line("This sign has no amount; it counts as seen."), *count_signs(talk, {rule_id: said}, "volunteered")]
    if why := why_not(symptom, said, talk.findings.units):
        finding = Finding(rule_id, "yes", side=said.side, origin="volunteered")
        talk.record({**answer_event(finding), AWAITS: "amount"})
        return [Line(f"{symptom.title}: {why}.")]
    return count_signs(talk, {rule_id: said}, "volunteered", ask=True)


# -- shape and stance ----------------------------------------------------------------------------------------------------


def reply_body(talk: Interview, typed: str) -> list[Line]:
    """Body notes by number or in words, separated by commas.

    Those named clearly count at once, what is not understood is told, and the others are offered one by one.
    """
    talk.pending = None
    parts = [part.strip() for part in _BODY_PARTS.split(typed) if part.strip()]
    if re.fullmatch(r"[\dm\s,;.]+", typed.lower()):
        parts = [part.rstrip(".") for part in re.sub(r"\s+m\b", "m", re.sub(r"[,;]", " ", typed.lower())).split()]
    numbers = [match for part in parts if (match := _NOTE_NUMBER.fullmatch(part.lower()))]
    parts = [part for part in parts if not _NOTE_NUMBER.fullmatch(part.lower())]
    named = {part: name for part in parts if (name := talk.words.own_name("body note", _graded(part)[0]))}
    parts = [part for part in parts if part not in named]
    notes, lines = _by_number(talk, numbers)
    notes |= {name: _graded(part)[1] for part, name in named.items()}
    if notes:
        lines = [*count_body(talk, notes), *lines]
    if len(parts) == 1 and not numbers and not named:
        return [*lines, *search(talk, "body note", parts[0])]
    offered = [part for part in parts if offers(talk.words, "body note", _graded(part)[0])]
    for part in parts:
        lines += search(talk, "body note", part) if part not in offered else []
    talk.queue = [*(("body note", part, "") for part in offered), *talk.queue]
    return lines


def _by_number(talk: Interview, numbers: Sequence[re.Match[str]]) -> tuple[dict[str, str], list[Line]]:
    """The body notes of some numbers, with their grades, and what to say; none before the list was shown."""
    if numbers and not talk.listed:
        not_yet = Line("No number counted yet, as the list was not shown: type it again if it is meant.")
        return {}, [*telling.body_list(talk), not_yet]
    ids, notes, lines = list(talk.base.body_notes), dict[str, str](), list[Line]()
    for match in numbers:
        if 1 <= int(match[1][:6]) <= len(ids):
            notes[ids[int(match[1]) - 1]] = "marked" if match[2] else "some"
        else:
            lines.append(Line(f"There is no {match[1][:10]} in the list; choose from 1 to {len(ids)}."))
    return notes, lines
