"""Find amounts, sides and earlier rounds in what people write: where they stand, and the text without them."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Literal

from fitdiag.knowledge.findings import SEVERITIES, Side
from fitdiag.units import InvalidLengthError, Length, Units, parse_length

_UNIT = r"(?:inch(?:es)?|in|cms?|mm|mils?|centimet(?:re|er)s?|millimet(?:re|er)s?|[\"”])"
_NUMBER = r"(?:\d+[ -]\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?(?: ?[¼½¾⅛⅜⅝⅞])?|[¼½¾⅛⅜⅝⅞])"
_QUARTERS = r"(?:(?:a |one )?quarter|three[- ]quarters?|(?:an?|one|three|five|seven)[- ]eighths?)"
_HEDGES = (
    r"about|around|roughly|approx(?:imately)?|some|nearly|almost|maybe|say|circa|ca\.?|less than|more than|over|under|up to|just"
    r"|a good|good|a bit (?:over|under)|at least|at most"
)
_LENGTHS = (
    rf"{_NUMBER} ?{_UNIT}(?!\w)",
    rf"(?:an? |one |two |three |four )?(?:inch(?:es)?|centimet(?:re|er)s?|cms?) and (?:a |one )?(?:half|{_QUARTERS})(?!\w)",
    rf"(?:an?|one|two|three|four) and a (?:half|{_QUARTERS}) {_UNIT}(?!\w)",
    rf"(?:half|{_QUARTERS})(?: of)? (?:an? |one )?{_UNIT}(?!\w)",
    rf"(?:an?|one|two|three|four|five) (?:good )?{_UNIT}(?!\w)",
    rf"{_NUMBER}(?![\w/])",
    rf"{_QUARTERS}(?!\w)",
)
AMOUNT = re.compile(
    rf"(?<![\w/.,])(?<!^-)(?<! -)(?P<vague>(?:(?:{_HEDGES}) )*)(?P<length>{'|'.join(_LENGTHS)})"
    r"(?P<after>(?: or so| ?-?ish| i'?d say| give or take| more or less)*)"
)
# not: 1-1/2 in
RANGE = re.compile(
    rf"(?<![\w/.,])(?:(?:{_HEDGES}) )?(?P<low>{_NUMBER})(?: ?{_UNIT})?(?P<to> ?(?:to|or|till|–) ?|(?<=/\d)-| ?-(?!\d+/) ?)"
    rf"(?P<high>{_NUMBER})(?: ?(?P<unit>{_UNIT}))?(?![\w/])"
)
_SIDE = re.compile(
    r"(?<![\w'])(?:(?P<left>left|lhs?|l)|(?P<right>right|rhs?|r)|(?P<both>both|each|either))(?![\w'])"
    r"(?:[ -](?:hand|sides?|legs?|one|hip))*(?:'s)?"
)
_NO_SIDE = re.compile(
    r"(?:nothing|none|bit|little|some|much|lots?|any|anything|plenty) left(?! (?:side|leg|more|only|hip|one|hand))"
    r"|(?:that'?s|all|quite|you'?re|is that|yes,?) right(?![ -](?:side|leg|hip|hand|only|one|more))"
    r"|right (?:across|along|around|at|behind|below|down|in|into|on|over|round|through|to|under|up|there|here|away)\b"
    r"(?! the (?:left|right))"
)
_ZERO = re.compile(
    r"(?<![\w'])(?:none(?: at all)?|nothing(?: at all)?|no|not|zero|nil|fine|ok|okay|good|clean|flat|0(?![/.,]\d))(?![\w'/])"
)
_COMPARING = r"more(?! or less| than (?:\d|an? |half))|worse|worst|stronger|mostly|mainly|especially|particularly|esp"
COMPARED = re.compile(rf"\b(?:{_COMPARING})\b")
_BOTH_SIDES = re.compile(r"\b(?:on |at )?(?:both|each|either|the two) (?:sides?(?! (?:of|to)\b)|(?=legs?\b))")
ROUND = re.compile(r",? *\bround (\d{1,2})\b")
# one side among other words, with what compares it with the other: more on the left, right leg worse, left more than right
ONE_SIDE = re.compile(
    rf",? *(?<![\w-])(?:({_COMPARING})\.? )?(?:on )?(?:the |my |her |his )?"
    rf"(left|right|both|[lr]hs?|[lr](?= (?:side|leg|hip|hem|{_COMPARING})\b)|(?:each|either)(?= (?:side|leg)s?\b))"
    rf"(?: sides?| leg(?= (?:only|{_COMPARING})))?(?: one(?= only|\s*$|\s*[,;]))?(?: only)?(?: (?:is )?({_COMPARING}))?"
    r"(?: than (?:on )?(?:the )?(?:left|right|[lr])\b)?(?![\w-])"
    r"(?! (?:across|along|around|at|behind|below|down|in|into|on|over|round|through|to|under|up)\b)"  # "right across"
)
_ON_A_SIDE = r"(?:on )?(?:the |my |her |his )?(?:left|right)(?: sides?)?"
_A_LENGTH = f"(?:{'|'.join(_LENGTHS)})"
EACH_SIDE = re.compile(  # left 1 in, right 3/8 in; or 1 in left and 3/8 in on the right
    rf",? *(?<![\w/-])(?:{_ON_A_SIDE}:? {_A_LENGTH}[,;]?(?: and)? {_ON_A_SIDE}:? {_A_LENGTH}"
    rf"|{_A_LENGTH} {_ON_A_SIDE}[,;]?(?: and)? {_A_LENGTH} {_ON_A_SIDE})(?![\w/])"
)
SEVERITY = re.compile(
    rf",? *(?<![\w-])({'|'.join(SEVERITIES)})(?:ly)?(?![\w-])|,? *(?<!not )(?<!quite )\b(a (?:tiny |little )?bit|a little)$"
)


def tidy(text: str) -> str:
    """A text in small letters, with plain apostrophes and single blanks."""
    return " ".join(text.lower().replace("’", "'").split())


def names_length(text: str) -> bool:
    """Whether a text contains a length, in figures or words."""
    return AMOUNT.search(tidy(text)) is not None


@dataclass(frozen=True)
class Item:
    """A side, a length, or a word for nothing, and its position in the text."""

    start: int
    end: int
    kind: Literal["side", "length", "zero"]
    side: Side | None = None
    length: Length | None = None


def items_of(plain: str, units: Units) -> list[Item]:
    """All sides, lengths and words for nothing, in order; a length without a unit has that of another length."""
    amounts = list(AMOUNT.finditer(plain))
    units = next((one.unit for one in (_length(match, units) for match in amounts) if one and one.unit), units)
    found = [(match, _length(match, units)) for match in amounts]
    items = [Item(*match.span(), "length", length=length) for match, length in found if length is not None]
    no_sides = [match.span() for match in _NO_SIDE.finditer(plain)]
    for match in _SIDE.finditer(plain):
        if not any(start <= match.start() < end for start, end in no_sides):
            name: Side = "left" if match["left"] else "right" if match["right"] else "both"
            items.append(Item(*match.span(), "side", side=name))
    for match in _ZERO.finditer(plain):
        if not any(item.start <= match.start() < item.end for item in items):
            items.append(Item(*match.span(), "zero"))
    return sorted(items, key=lambda item: item.start)


def _length(match: re.Match[str], units: Units) -> Length | None:
    written = re.sub(r"(?<=\d)-(?=\d)", " ", match["length"]).replace(" good", "")
    written = re.sub(r"\bmils?\b", "mm", written).replace("”", '"')
    try:
        length = parse_length(written, units)
    except InvalidLengthError:
        return None
    hedged = match["vague"].strip() not in ("", "just", "a good", "good") or match["after"] != ""
    return replace(length, vague=length.vague or hedged)


# -- amounts among other words ---------------------------------------------------------------------------------------------


def without_amounts(text: str) -> str:
    """Return a text in small letters without its lengths, "both sides", and what compares one side with the other."""
    plain = _BOTH_SIDES.sub(" ", AMOUNT.sub(" ", RANGE.sub(" ", tidy(text))))
    plain = ONE_SIDE.sub(lambda found: " " if found[1] or found[3] else found[0], plain)
    return " ".join(_NO_SIDE.sub(lambda found: found[0].removeprefix("right"), plain).split())


def split_amount(text: str) -> tuple[str, str]:
    """Split off the amount, side and round from what is seen or was done.

    >>> split_amount("dips left 3/4 in"), split_amount("tuck 1/2 in round 2"), split_amount("about 2 cm")
    (('dips', '3/4 in left'), ('tuck', '1/2 in round 2'), ('', 'about 2 cm'))
    >>> split_amount("lines dip 3/4 in to the back")
    ('lines dip to the back', '3/4 in')
    >>> split_amount("wrinkles under the seat, a bit"), split_amount("wrinkles under the seat, left more")
    (('wrinkles under the seat', 'a bit'), ('wrinkles under the seat', 'left more'))
    >>> split_amount("lines dip 1 to 1 1/2 in"), split_amount("folds 1-1/2 in")
    (('lines dip', '1 to 1 1/2 in'), ('folds', '1-1/2 in'))
    >>> split_amount("folds on my left"), split_amount("pinch 2 cm each side")
    (('folds', 'left'), ('pinch', '2 cm each'))
    >>> split_amount("tuck 3/4 in, as the seat is flat")
    ('tuck, as the seat is flat', '3/4 in')
    >>> split_amount("waist gapes, left 1/2 in and right 3/4 in")
    ('waist gapes', 'left 1/2 in and right 3/4 in')
    """
    if match := EACH_SIDE.search(text.lower()):
        words = f"{text[: match.start()]} {text[match.end() :]}"
        return " ".join(words.split()).rstrip(" ,:"), match[0].strip(" ,")
    tail: list[str] = []
    for pattern in (ROUND, ONE_SIDE, SEVERITY):
        if match := pattern.search(text.lower()):
            tail.append(f"round {match[1]}" if pattern is ROUND else " ".join(filter(None, match.groups())))
            text = " ".join((text[: match.start()] + " " + text[match.end() :]).split())
    lower = text.lower()
    named = (one for one in AMOUNT.finditer(lower) if one.end() == len(lower) or re.search(r"[a-z/\"”]", one["length"]))
    if match := RANGE.search(lower) or next(named, None):
        tail.insert(0, match[0])
        text = " ".join((text[: match.start()] + " " + text[match.end() :]).split())
    return re.sub(r" +(?=,)", "", text).rstrip(" ,:"), " ".join(tail)
