"""Which side is meant: the wearer's left and right, not those of a picture, and the higher side where the lower one is named."""

from __future__ import annotations

import re

from fitdiag.knowledge.findings import OTHER_SIDE, Side
from fitdiag.knowledge.model import BodyNote, Symptom

# In a mirror the wearer's left is on the left; whoever looks at a picture of the front sees it on the right.
_PICTURED = re.compile(
    r"\b(?:(?:as|when|if|where) (?:i|you|we|one) (?:look|see|face)\w*|look\w* at|facing|(?:viewer|observer|camera)'?s"
    r"|(?:in|on|of) (?:the|this|that|my|your|a)(?: \w+)? (?:photo\w*|pictures?|pics?|images?|snaps?|shots?))\b"
)
_LEFT_OR_RIGHT = re.compile(r"\b(?:left|right)\b")
_LOWER = re.compile(
    r"\b(?:lower|longer|too long|drop\w*|drag\w*|trail\w*|sweep\w*|sinks?|down"
    r"|(?:touch\w*|on|nearer(?: to)?) the (?:floor|ground))\b"
)
_OF_THE_BODY = re.compile(
    r"\b(left|right)(?:-hand)? (?:hip|leg|side|half|buttock|cheek|thigh|one(?! leg))\b|\bon (?:the|my|her|his) (left|right)\b"
    r"|\b(?:higher|fuller|bigger|larger|longer|lower|shorter|smaller|flatter),? (?:the )?(left|right)(?=$|[,.;])"
)
_MORE = re.compile(r"\b(?:higher|up|fuller|bigger|larger|rounder|wider|longer)\b")
_LESS = re.compile(r"\b(?:lower|down|shorter|smaller|flatter|narrower)\b")

WHOSE_SIDE = (
    "Left and right are the wearer's own here, and in a picture they may be the other way round. Write it again with the"
    " wearer's side, without the picture."
)


def doubtful_side(text: str) -> bool:
    """Whether a text names left or right as seen in a picture or by somebody opposite.

    >>> doubtful_side("left as I look at it"), doubtful_side("left hem higher"), doubtful_side("dark in the photo")
    (True, False, False)
    """
    plain = text.lower().replace("’", "'")
    return bool(_PICTURED.search(plain) and _LEFT_OR_RIGHT.search(plain))


def side_meant(symptom: Symptom, text: str, side: Side | None) -> Side | None:
    """The side of a sign that a text means by the side it names: what hangs lower on the left is higher on the right.

    Only a sign that compares the two sides turns so; one that has an opposite sign leaves a lower side to that.
    """
    compares = "higher" in symptom.title and not symptom.opposite and not symptom.whole
    return OTHER_SIDE[side] if side and compares and _LOWER.search(text.lower()) else side


def side_of_note(note: BodyNote, text: str) -> Side | None:
    """The side that a text gives to a body note which compares the two: a shorter left leg is a longer right one.

    None if the note does not compare, or the text names both sides, or does not say plainly which has more.
    """
    plain = text.lower()
    sides: set[Side] = {"left" if "left" in found[0] else "right" for found in _OF_THE_BODY.finditer(plain)}
    more, less = bool(_MORE.search(plain)), bool(_LESS.search(plain))
    if "than the other" not in note.title or len(sides) != 1 or more == less:
        return None
    side = sides.pop()
    return side if more else OTHER_SIDE[side]
