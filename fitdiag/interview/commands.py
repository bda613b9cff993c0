"""Commands that work at any time: how to look, why, so far, back, also, note, stop."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, get_args

from fitdiag.diagnosis.belief import finding_text
from fitdiag.interview import looking_up, telling
from fitdiag.interview.search import Kind
from fitdiag.interview.telling import HEADS, HELP, Line, Pick
from fitdiag.knowledge.findings import Done, Finding
from fitdiag.knowledge.model import View
from fitdiag.problems import one_line

if TYPE_CHECKING:
    from fitdiag.interview.engine import Interview


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
    return looking_up.search(talk, "symptom", words)


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
