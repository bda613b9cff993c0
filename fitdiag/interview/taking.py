"""Take what is typed: a command that works at any time, a choice, words to look up, or the answer to what is asked about."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, get_args

from fitdiag.diagnosis.belief import finding_text
from fitdiag.interview import telling
from fitdiag.interview.answers import WHOSE_SIDE, doubtful_side, is_bare, read_answer, read_several
from fitdiag.interview.counting import NOT_MEASURED, NUMBER_ALONE, count_done, count_signs
from fitdiag.interview.looking_up import is_nothing, reply_body, reply_pick, search
from fitdiag.interview.search import Kind
from fitdiag.interview.telling import CHOICES, HEADS, HELP, Line, Pick
from fitdiag.knowledge.findings import SIDES, Done, Finding
from fitdiag.knowledge.model import Symptom, View
from fitdiag.knowledge.said import Said, agreed, may_be_either, split_amount
from fitdiag.problems import one_line

if TYPE_CHECKING:
    from fitdiag.interview.engine import Interview

_NUMBER = re.compile(rf"(\d+)[.,)]?(?: ({'|'.join(SIDES)}))?")  # a choice from a list, with a side or without
_PLAIN = r"(?:y|yes|n|no|slight|clear|strong)"
_OF_SEVERAL = re.compile(  # 1 yes 2 no; the rest no
    rf"\d[ .:)]+{_PLAIN}[ ,;]+(?:and )?\d[ .:)]+{_PLAIN}\b|.*\b(?:rest|the others?)\b.*\b(?:no|none|yes)\b"
)
_ANSWERED = re.compile(rf"(?<![\d/.,])(\d+)[ .:)]+{_PLAIN}\b")
ANOTHER = "That may be another sign. If it is, write: also {}. If not, answer in other words."


def answer(talk: Interview, typed: str) -> list[Line]:
    """Take an answer to the current question."""
    typed = typed.rstrip(" .!") or typed
    if doubtful_side(typed):
        return [Line(WHOSE_SIDE)]
    if talk.pending is not None:
        return reply_pick(talk, talk.pending, typed)
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
    if is_nothing(typed):
        talk.end_stage(talk.stage, looked=talk.stage == "seen" and bool(talk.findings.seen))
        return []
    if is_bare(typed):
        return [Line("Say what, in your own words: an answer alone says too little here. Enter when there is nothing.")]
    if talk.stage == "body":
        return reply_body(talk, typed)
    if talk.stage == "seen" and typed.lower() in ("ask", "ask me"):
        talk.end_stage("seen")
        return []
    return search(talk, "alteration" if talk.stage == "history" else "symptom", typed)


def _earlier(talk: Interview, done: Done, typed: str) -> list[Line]:
    """Take the amount and round of an earlier alteration. If another alteration is typed instead, this one has no amount."""
    words = split_amount(typed)[0]
    if talk.words.length(words) > 2 and talk.words.named("alteration", words):
        return [*count_done(talk, done, "not measured"), *search(talk, "alteration", typed)]
    return count_done(talk, done, typed)


def _amount(talk: Interview, finding: Finding, typed: str) -> list[Line]:
    """Take the amount of a sign already answered, as a length or a word."""
    name, symptom = finding.symptom, talk.base.symptoms[finding.symptom]
    if talk.stage == "seen" and talk.words.own_name("symptom", split_amount(typed)[0]):
        talk.declined.add(name)  # this is the next one, and that was not measured
        return [*talk.count(replace(finding, severity=None)), *search(talk, "symptom", typed)]
    said = read_answer(typed, talk.findings.units)
    yes = (
        agreed(typed) and not NUMBER_ALONE.fullmatch(typed) and not (said is not None and (said.side or said.severity))
    )
    if yes or typed.lower() in NOT_MEASURED or (said is not None and said.seen == "unsure"):
        lines = [Line("It counts as seen, without an amount.")] if yes else []
        talk.declined.add(name)
        talk.wanted = None
        return [*lines, *(talk.count(replace(finding, severity=None)) if talk.state.awaiting is not None else [])]
    if said is None:
        like = f"write it like {talk.sample_of(symptom)}, or slight, clear, strong"
        return [Line(f"'{one_line(typed, 30)}' is not an amount; {like}.")]
    if said.length is None:
        talk.declined.add(name)
    if said.length is not None and NUMBER_ALONE.fullmatch(typed):  # nothing is chosen by number here
        said = replace(said, length=replace(said.length, unit=said.length.unit or talk.findings.units))
    if said.seen == "yes":
        said = replace(said, side=said.side or finding.side)
    return count_signs(talk, {name: said}, finding.origin)


# -- signs that are asked about ------------------------------------------------------------------------------------------


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
        return [Line(said)] if isinstance(said, str) else count_signs(talk, {names[0]: said}, "asked", ask=True)
    if not typed:
        return [Line("Enter alone is no answer; no means that none of them is there.")]
    if not re.search(r"\d", typed) and _means_another_sign(talk, names, typed):
        return [Line(ANOTHER.format(typed))]
    read = read_several(typed, len(names), talk.findings.units)
    if read:
        return count_signs(talk, {names[number - 1]: said for number, said in sorted(read.items())}, "asked")
    if beyond := [number for number in _ANSWERED.findall(typed.lower()) if not 1 <= int(number[:6]) <= len(names)]:
        return [
            Line(f"There is no {beyond[0][:10]} on this screen: answer from 1 to {len(names)}, and write it again.")
        ]
    alone = read_answer(typed, talk.findings.units)
    if alone is not None and (alone.length or alone.side):
        return [Line(f"Of which one? Write its number before it, like 2: {one_line(typed, 30)}.")]
    like = f"1 yes, 2: {talk.sample}, rest no"
    return [Line(f"That was not understood. Write it like: {like}. Or: one, for one at a time.")]


def _read_one(talk: Interview, symptom: Symptom, typed: str) -> Said | str:
    """The answer to a single question, or why the text is not one."""
    if not typed:
        return "Enter alone is no answer; 3 or can't say leaves it open."
    if _OF_SEVERAL.match(typed.lower()):
        return "Only one question is asked here, and there is no rest: give one answer, like yes or no."
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


# -- commands: how to look, why, so far, back, also, note, stop ----------------------------------------------------------

_CORRECTS = re.compile(
    r"(?:(?:no|nope|wait|hang on|actually)[ ,.!-]+)*"
    r"(?:(?:sorry|oops|whoops|scratch that|my mistake|i (?:meant|mean|wanted to say))\b.*"
    r"|(?:(?:it'?s|it is|it was|on) )?the other (?:side|one|leg|hip|way)(?: (?:round|around))?)"
)


def command(talk: Interview, typed: str) -> list[Line] | None:
    """Run a command and return its lines; None if the text is not a command."""
    word = typed.lower().rstrip(".!")
    plain: dict[str, Callable[[], list[Line]]] = {
        **dict.fromkeys(("help", "h"), lambda: [Line(HELP, "hint")]),
        **dict.fromkeys(("stop", "quit", "exit"), lambda: _stop(talk)),
        **dict.fromkeys(("so far", "sofar"), lambda: list(telling.so_far(talk.base, talk.findings, talk.conclusion))),
        **dict.fromkeys(("why", "why?"), lambda: _why(talk)),
        **dict.fromkeys(("one", "one by one", "one at a time"), lambda: _single(talk, True)),
        **dict.fromkeys(("six", "several", "all at once"), lambda: _single(talk, False)),
    }
    if word in plain and not (word == "one" and talk.stage != "questions"):
        return plain[word]()
    if word.startswith("?") or word == "how" or re.fullmatch(r"how \d", word):
        return _how(talk, word.removeprefix("how").strip("? "))
    if match := re.fullmatch(r"(?:back|undo)(?: (\d{1,3}))?", word):
        return _back(talk, max(1, int(match[1])) if match[1] else talk.together)
    if _CORRECTS.fullmatch(word):
        return [
            Line("To put an answer right: back takes the last one away (back 2 the last two); then write it again.")
        ]
    if match := re.match(r"note\b[ :]*", typed, re.IGNORECASE):
        return _note(talk, typed[match.end() :])
    if match := re.match(r"also\b[ :,]*", typed, re.IGNORECASE):
        return _also(talk, typed[match.end() :])
    return None


def _stop(talk: Interview) -> list[Line]:
    talk.stop()
    return [Line("Stopped here; the list rests on what was answered.")]


def _single(talk: Interview, single: bool) -> list[Line]:
    talk.single, talk.screen = single, ()
    return [Line("One question at a time." if single else "Up to six questions at once.")]


def _note(talk: Interview, words: str) -> list[Line]:
    if not words:
        return [Line("Write the note after the word, like: note hem is only tacked")]
    pending, wanted = talk.pending, talk.wanted
    talk.record({"event": "note", "text": words})
    talk.pending, talk.wanted = pending, wanted
    return [Line("Noted.")]


def _also(talk: Interview, words: str) -> list[Line]:
    if talk.state.awaiting is not None:
        return [Line("First say how much; Enter if it was not measured.")]
    if not words:
        return [Line("Write what else you see after the word, like: also folds behind the knee")]
    return search(talk, "symptom", words)


def _back(talk: Interview, count: int) -> list[Line]:
    pending, talk.pending = talk.pending, None
    talk.together = 1
    if count > 1:
        talk.queue.clear()
    if pending is not None and count == 1:
        return [Line("Left that; nothing was taken away.")]
    if not talk.state.steps:
        return [Line("This is the beginning; there is nothing to take back.")]
    before, stage, awaiting = talk.state, talk.stage, talk.state.awaiting
    talk.record({"event": "back", "steps": min(count, before.steps)})
    talk.stand()
    if count == 1 and awaiting is not None:
        _choose_again(talk, awaiting)
    now = talk.findings
    was = before.findings
    gone = [finding_text(talk.base, one, was) for name, one in was.symptoms.items() if now.symptoms.get(name) != one]
    gone += [talk.base.title(done.alteration) for done in was.done[len(now.done) :]]
    gone += [talk.base.title(note) for note, grade in was.body.items() if now.body.get(note) != grade]
    lines = [Line(f"Taken back: {'; '.join(gone)}.")] if gone else []
    if stage != talk.stage:
        lines.append(Line(f"Back at: {HEADS[talk.stage]}."))
    return lines or [Line("Taken back.")]


def _choose_again(talk: Interview, awaiting: Finding | Done) -> None:
    """After taking back something typed in words, offer its possible meanings again, with everything queued behind it."""
    kind: Kind = "alteration" if isinstance(awaiting, Done) else "symptom"
    rule_id = awaiting.alteration if isinstance(awaiting, Done) else awaiting.symptom
    if rule_id in talk.screen:
        return
    if talk.picked is not None and rule_id in talk.picked[0].ids:
        talk.pending, talk.queue = talk.picked
    else:
        talk.pending = Pick(kind, (rule_id,), talk.base.title(rule_id), "")


def _why(talk: Interview) -> list[Line]:
    if talk.pending is not None:
        return [Line("Several things go by that name, and they point to different causes.")]
    if talk.expects_amount:
        return [Line("The amount decides how much to alter, and a small one persuades less than a large one.")]
    if not talk.screen:
        return [Line(telling.STAGE_REASONS.get(talk.stage, HELP))]
    return list(telling.why_asked(talk.base, talk.choice, talk.screen))


def _how(talk: Interview, rest: str) -> list[Line]:
    """How to look at what is being asked about; with several, at the one with that number."""
    number = int(rest[:6]) if rest.isdecimal() else 0
    awaiting, body = talk.state.awaiting, talk.pending is None and talk.stage == "body"
    if isinstance(awaiting, Done) and talk.pending is None:
        return [Line("How much was folded out, let in or moved there, as far as you know.")]
    if awaiting is None and talk.pending is None and talk.stage == "seen" and rest in get_args(View):
        return telling.signs_of(talk.base, rest)
    if body and not rest:
        return telling.body_list(talk)
    if talk.pending is not None:
        ids = talk.pending.ids
    elif body:
        ids = tuple(talk.base.body_notes)
    elif awaiting is None and len(talk.screen) > 1:
        ids = talk.screen
    else:
        offered = talk.state.offered[0].symptom if talk.state.offered else talk.wanted or talk.asking
        symptom = awaiting.symptom if isinstance(awaiting, Finding) else offered
        return list(telling.how_to(talk.base, symptom, talk.findings.units)) if symptom else [Line(HELP, "hint")]
    if not 1 <= number <= len(ids):
        none = f"There is no {one_line(rest, 20)} here. " if rest else ""
        return [Line(f"{none}Type ? and a number, like ?{min(2, len(ids))}, for how to look at it.")]
    return list(telling.how_to(talk.base, ids[number - 1], talk.findings.units))
