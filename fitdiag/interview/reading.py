"""How typed words are taken: nothing, no, not measured; sides, strengths, rounds and amounts among other words."""

from __future__ import annotations

import re

from fitdiag.diagnosis.belief import lower_first
from fitdiag.interview.search import Words
from fitdiag.knowledge.findings import SEVERITIES, SIDES
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import one_line
from fitdiag.units import MM_PER_INCH, InvalidLengthError, Length, Units, parse_length

NOTHING = re.compile(
    r"|n|none|nothing|done|no(?: more| others?)?|(?:none|nothing)(?: of these| else| more)|that'?s (?:all|it)"
)
NEGATED = re.compile(r"(?:no|not|never|without|isn't|doesn't|don't|can't) ")
DOES_NOT = re.compile(r"\b(?:do|does|did|is|are|was)(?:n't| not)\b")
RANGE = re.compile(r"\d(?: ?(?:in|cm|mm))? ?(?:to|-|–|or) *$")
YES = frozenset(("yes", "y", "1"))
NO = frozenset(("", "no", "n", "2", "can't say", "don't know", "unsure"))
NOT_MEASURED = (NO - {"2"}) | {"not measured", "cannot say", "unknown", "not known"}
ROUND = re.compile(r",? *\bround (\d{1,2})\b")
ONE_SIDE = re.compile(
    rf",? *(?<![\w-])(?:on )?(?:the )?({'|'.join(SIDES)})(?: sides?)?(?: only)?(?![\w-])"
    r"(?! (?:across|along|around|at|behind|below|down|in|into|on|over|round|through|to|under|up)\b)"  # "right across"
)
SEVERITY = re.compile(rf",? *(?<![\w-])({'|'.join(SEVERITIES)})(?:ly)?(?![\w-])")
AMOUNT = re.compile(
    r"""(?<![\w/.,])(?:(?:about|around|roughly) )?"""
    r"""(?:(?:\d+[ -])?\d+/\d+(?: ?(?:in(?:ch(?:es)?)?|cm|mm)\b| ?")?|\d+(?:[.,]\d+)? ?(?:(?:in(?:ch(?:es)?)?|cm|mm)\b|"))(?![\w/])"""
)
NUMBER = re.compile(rf"(\d+)[.,)]?(?: ({'|'.join(SIDES)}))?")  # a choice from a list, with a side or without


def side_last(text: str) -> str:
    """An answer in small letters with the side at its end.

    >>> side_last("Left, 3/4 in"), side_last("yes, on the left side"), side_last("Right")
    ('3/4 in left', 'yes left', 'right')
    """
    text = text.lower()
    if match := ONE_SIDE.search(text):
        rest = f"{text[: match.start()].strip(' ,')} {text[match.end() :].strip(' ,')}".strip()
        return f"{rest} {match[1]}".strip()
    return text


def split_amount(text: str) -> tuple[str, str]:
    """What is seen or was done, and apart from it how much, on which side and in which round.

    >>> split_amount("dips left 3/4 in"), split_amount("tuck 1/2 in round 2"), split_amount("about 2 cm")
    (('dips', '3/4 in left'), ('tuck', '1/2 in round 2'), ('', 'about 2 cm'))
    >>> split_amount("lines dip 3/4 in to the back")
    ('lines dip to the back', '3/4 in')
    """
    tail: list[str] = []
    for pattern in (ROUND, ONE_SIDE, SEVERITY):
        if match := pattern.search(text.lower()):
            tail.append(f"round {match[1]}" if pattern is ROUND else match[1])
            text = " ".join((text[: match.start()] + " " + text[match.end() :]).split())
    words = text.split(" ")
    for start in range(len(words)):
        amount = " ".join(words[start:])
        try:
            length = parse_length(amount, "in")
        except InvalidLengthError:
            continue
        if length.unit is not None or any(char.isdigit() or char.isnumeric() for char in amount):
            return " ".join(words[:start]).rstrip(" ,:"), " ".join((amount, *tail))
    if match := AMOUNT.search(text.lower()):  # among the words: "dips 3/4 in to the back"
        rest = " ".join((text[: match.start()] + " " + text[match.end() :]).split())
        return rest.rstrip(" ,:"), " ".join((match[0], *tail))
    return text.rstrip(" ,:"), " ".join(tail)


def bare_number(length: Length, units: Units) -> float | None:
    """A whole number without a unit: that may as well be a choice from a list, so it is asked back. None if it is not one."""
    number = round(length.mm / (MM_PER_INCH if units == "in" else 10.0), 6)
    return number if length.unit is None and number > 0 and number.is_integer() else None


def read_body_notes(base: RuleBase, known: Words, text: str) -> tuple[dict[str, str], list[str]]:
    """The body notes meant by numbers or words, each with its grade; and in words, what could not be taken."""
    ids = list(base.body_notes)
    parts = [part.strip() for part in re.split(r"[,;]+", text) if part.strip()]
    if re.fullmatch(r"[\dm\s,;.]+", text.lower()):
        joined = re.sub(r"\s+m\b", "m", re.sub(r"[,;]", " ", text.lower()))
        parts = [part.rstrip(".") for part in joined.split()]
    notes: dict[str, str] = {}
    unclear: list[str] = []
    for whole in parts:
        part = ONE_SIDE.sub("", whole).strip(" ,")
        if part != whole:
            unclear.append("The side is not kept with the shape; say left or right with what you see.")
        if not part:
            continue
        if match := re.fullmatch(r"(\d+) ?(m|marked)?", part.lower()):
            if 1 <= int(match[1][:6]) <= len(ids):
                notes[ids[int(match[1]) - 1]] = "marked" if match[2] else "some"
            else:
                unclear.append(f"There is no {match[1][:10]} in the list; choose from 1 to {len(ids)}.")
            continue
        words = re.sub(r"\b(m|marked|very)\b", "", part.lower()).strip()
        shown = one_line(part, 30)
        if NEGATED.match(words):
            unclear.append(f"'{shown}': only what holds goes here; leave the rest out.")
            continue
        found = known.find("body note", words)
        if known.own_name("body note", words):
            notes[found[0]] = "marked" if words != part.lower() else "some"
        elif found:
            names = "; ".join(f"{ids.index(name) + 1} {lower_first(base.body_notes[name].title)}" for name in found[:4])
            unclear.append(f"'{shown}' may mean: {names}. Give the number.")
        else:
            unclear.append(f"'{shown}' is not in the list; give numbers, another word, or ? for the list.")
    return notes, unclear
