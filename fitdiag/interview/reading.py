"""What stands among other words: sides, strengths, rounds and amounts; and words that say nothing or no."""

from __future__ import annotations

import re

from fitdiag.interview.answers import AMOUNT, RANGE
from fitdiag.knowledge.findings import SEVERITIES, SIDES

NOTHING = re.compile(
    r"|n|none|nothing|done|no(?: more| others?)?|(?:none|nothing)(?: of these| else| more)|that'?s (?:all|it)"
    r"|dunno|(?:i )?(?:don'?t|do not|dont) know|not (?:known|sure)|unknown|no idea|can'?t (?:say|see|tell)"
)
NEGATED = re.compile(r"(?:no|not|never|without|isn't|doesn't|don't|can't) ")
DOES_NOT = re.compile(r"\b(?:do|does|did|is|are|was)(?:n't| not)\b")
# not: gone baggy
GONE = re.compile(r"\b(?:gone|vanished|disappeared)(?: (?:now|away|completely|altogether|entirely))?$")
ROUND = re.compile(r",? *\bround (\d{1,2})\b")
ONE_SIDE = re.compile(
    rf",? *(?<![\w-])(?:on )?(?:the )?({'|'.join(SIDES)})(?: sides?)?(?: only)?(?![\w-])"
    r"(?! (?:across|along|around|at|behind|below|down|in|into|on|over|round|through|to|under|up)\b)"  # "right across"
)
SEVERITY = re.compile(
    rf",? *(?<![\w-])({'|'.join(SEVERITIES)})(?:ly)?(?![\w-])|,? *(?<!not )(?<!quite )\b(a (?:tiny |little )?bit|a little)$"
)
BARE = re.compile(r"[\d.,/ ]+")  # a number alone
CHOICE = re.compile(r"([1-9])(?:[.:)=,] ?| )(?![\d/]+$)(.+)")  # a choice from a list, and more about it
NUMBER = re.compile(rf"(\d+)[.,)]?(?: ({'|'.join(SIDES)}))?")  # a choice from a list, with a side or without


def split_amount(text: str) -> tuple[str, str]:
    """What is seen or was done, and apart from it how much, on which side and in which round.

    >>> split_amount("dips left 3/4 in"), split_amount("tuck 1/2 in round 2"), split_amount("about 2 cm")
    (('dips', '3/4 in left'), ('tuck', '1/2 in round 2'), ('', 'about 2 cm'))
    >>> split_amount("lines dip 3/4 in to the back")
    ('lines dip to the back', '3/4 in')
    >>> split_amount("wrinkles under the seat, a bit")
    ('wrinkles under the seat', 'a bit')
    >>> split_amount("lines dip 1 to 1 1/2 in"), split_amount("folds 1-1/2 in")
    (('lines dip', '1 to 1 1/2 in'), ('folds', '1-1/2 in'))
    """
    tail: list[str] = []
    for pattern in (ROUND, ONE_SIDE, SEVERITY):
        if match := pattern.search(text.lower()):
            tail.append(f"round {match[1]}" if pattern is ROUND else next(filter(None, match.groups())))
            text = " ".join((text[: match.start()] + " " + text[match.end() :]).split())
    lower = text.lower()
    named = (one for one in AMOUNT.finditer(lower) if one.end() == len(lower) or re.search(r"[a-z/\"”]", one["length"]))
    if match := RANGE.search(lower) or next(named, None):
        tail.insert(0, match[0])
        text = " ".join((text[: match.start()] + " " + text[match.end() :]).split())
    return text.rstrip(" ,:"), " ".join(tail)
