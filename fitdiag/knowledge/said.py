"""Read what people write: amounts, sides and rounds anywhere in a text, and what one clause says of one sign.

An answer becomes one `Said`, or None if it is none: yes or no in any wording, an amount, a side, how strong, or that it cannot
be judged. Interview, mails and findings files all read by this one grammar. What people say for yes, for no and for how much is in
`said.yaml`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Literal

from fitdiag.knowledge.findings import SEVERITIES, Finding, Origin, Side, measured, measured_apart
from fitdiag.knowledge.model import Seen, Severity, Symptom
from fitdiag.knowledge.strict_yaml import read_yaml
from fitdiag.units import InvalidLengthError, Length, Units, parse_length

_UNIT = r"(?:inch(?:e?s)?|in|cms?|mm|mils?|centimet(?:re|er)s?|millimet(?:re|er)s?|[\"”])"
_NUMBER = r"(?:\d+[ -]\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?(?: ?[¼½¾⅛⅜⅝⅞])?|[¼½¾⅛⅜⅝⅞])"
_QUARTERS = (
    r"(?:(?:a |one )?quarter|three[- ]quarters?|(?:an?|one|three|five|seven)[- ]eighths?|(?:a|one|two)[- ]thirds?)"
)
_HEDGES = (
    r"about|around|roughly|approx(?:imately)?|some|nearly|almost|maybe|say|circa|ca\.?|less than|more than|over|under|up to|just"
    r"|a good|good|a bit (?:over|under)|at least|at most"
)
_LENGTHS = (
    rf"{_NUMBER} ?(?:of an? )?{_UNIT}(?!\w)",
    rf"(?:an? |one |two |three |four )?(?:inch(?:es)?|centimet(?:re|er)s?|cms?) and (?:a |one )?(?:half|{_QUARTERS})(?!\w)",
    rf"(?:an?|one|two|three|four) and a (?:half|{_QUARTERS}) {_UNIT}(?!\w)",
    rf"(?:half|{_QUARTERS})(?: of)? (?:an? |one )?{_UNIT}(?!\w)",
    rf"(?:an?|one|two|three|four|five|a couple(?: of)?) (?:good )?{_UNIT}(?!\w)",
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
    hedged = match["vague"].strip() not in ("", "just", "a good", "good") or match["after"] != "" or "couple" in written
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


# -- what a clause says of a sign ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Said:
    """What an answer says about one sign.

    `length`: the length given, the middle of a range, or the larger of two sides; `apart`: left and right lengths; `error_mm`:
    standard deviation of an inexact length (half of a range, a quarter of a vague one). `more`: the side that shows it more;
    `look_again`: it cannot be judged now, but can be photographed or asked.
    """

    seen: Seen
    severity: Severity | None = None
    side: Side | None = None
    more: Side | None = None
    length: Length | None = None
    error_mm: float | None = None
    apart: tuple[Length, Length] | None = None
    look_again: bool = False

    def finding(self, symptom: Symptom, origin: Origin) -> Finding:
        """Return this answer as a finding; a length decides whether the sign counts as seen."""
        if symptom.measure is None or self.length is None:
            return Finding(symptom.id, self.seen, severity=self.severity, side=self.side, origin=origin)
        if self.apart is not None:
            left, right = self.apart
            return measured_apart(symptom, left.mm, right.mm, error_mm=self.error_mm, origin=origin)
        return measured(symptom, self.length.mm, side=self.side, error_mm=self.error_mm, origin=origin)


# -- words for yes, no and how much ----------------------------------------------------------------------------------------


@cache
def _phrases(kind: str) -> re.Pattern[str]:
    """A pattern of everything people say for one kind: yes, no, unsure, look_again, slight, clear, strong."""
    parts = read_yaml(Path(__file__).with_name("said.yaml")).data[kind]
    return re.compile(rf"(?<![\w'])(?:{'|'.join(parts)})(?![\w'])")


def _says(kind: str, text: str) -> re.Match[str] | None:
    return _phrases(kind).search(text)


_LONGEST = 300
_LONGEST_YES = 60
_POLITE = r"(?:[ ,]+(?:please|thanks|thank you|then|so|that'?s it))*"


def answers_only(text: str, *kinds: str) -> bool:
    """Whether a text consists only of phrases of these kinds."""
    plain, said = tidy(text).rstrip(".!"), "|".join(_phrases(kind).pattern for kind in kinds)
    return len(plain) <= _LONGEST_YES and re.fullmatch(rf"(?:(?:{said}){_POLITE}[ ,]*)+", plain) is not None


def agreed(text: str) -> bool | None:
    """Read the answer to a yes-or-no question asked with `1 yes  2 no`; None if it is neither."""
    if text.strip(" .)!") in ("1", "2"):
        return "1" in text
    if answers_only(text, "yes", "either", "agree"):
        return True
    return False if answers_only(text, "no") else None


def may_be_either(text: str) -> bool:
    """Whether a text like "ok" could mean either that a sign is there or that all is well."""
    return answers_only(text, "either")


_LEFT_OR_RIGHT = re.compile(r"\b(?:left|right|[lr]h?s?)\b")
_JOINING = re.compile(r"[,;:&]|\b(?:and|only|on|the)\b")
_JOINS_A_RANGE = re.compile(r" ?(?:-|–|to|or|and|till) ?")
_NOT_THERE = re.compile(
    r"\b(?:not (?:on |at |in )?|(?:nothing|none) (?:on|at|in) )(?:the |my |her |his )?(?:left|right)\b"
)


def _without(plain: str, items: Sequence[Item]) -> str:
    """Return the text without its lengths and sides."""
    for item in sorted(items, key=lambda item: -item.start):
        if item.kind != "zero":
            plain = f"{plain[: item.start]} {plain[item.end :]}"
    return " ".join(plain.split())


def _more(items: Sequence[Item], plain: str) -> Side | None:
    """The side that shows it more, if an answer compares the two: left more, mostly on the right, more left than right."""
    sides = [item for item in items if item.side in ("left", "right")]
    for match in COMPARED.finditer(plain):
        if sides and not any(item.start <= match.start() < item.end for item in items):  # not: more than 1 in
            before = [item.side for item in sides if item.end <= match.start()]
            return before[-1] if before else sides[0].side
    return None


def _beside(one: Item, other: Item) -> bool:
    """Whether two items are close together."""
    return max(one.start, other.start) - min(one.end, other.end) <= 12


def _measured(items: Sequence[Item], plain: str) -> Said:
    """Read an answer with lengths, matching each length to its side."""
    found = [(item, item.length) for item in items if item.length is not None]
    (where, first), (then, last) = found[0], found[-1]
    sides = [item.side for item in items if item.side is not None]
    if len(found) == 2 and len(sides) < 2 and _JOINS_A_RANGE.fullmatch(plain[where.end : then.start]):
        middle = replace(first, mm=(first.mm + last.mm) / 2, vague=True)
        return Said("yes", length=middle, error_mm=abs(last.mm - first.mm) / 2 or None, side=next(iter(sides), None))
    nothing = [item for item in items if item.kind == "zero" and any(one.side and _beside(one, item) for one in items)]
    said = [item.length or Length(0.0, None) for item in items if item.length or item in nothing]
    by_side = dict(zip(sides, said, strict=True)) if len(sides) == len(said) == 2 else {}
    if {"left", "right"} == by_side.keys():
        left, right = by_side["left"], by_side["right"]
        longer = left if left.mm >= right.mm else right
        length = replace(longer, unit=left.unit or right.unit, vague=left.vague or right.vague)
        return Said("yes" if length.mm else "no", length=length, error_mm=_quarter(length), apart=(left, right))
    more = _more(items, plain)
    side: Side | None = "both" if more else _side_of(where, items, plain)
    return Said("yes" if first.mm else "no", length=first, error_mm=_quarter(first), side=side, more=more)


def _quarter(length: Length) -> float | None:
    return length.mm / 4 if length.vague else None


def _side_of(length: Item, items: Sequence[Item], plain: str) -> Side | None:
    """The side a length belongs to: both if joined by "and", else the last one named before it, or the first after it."""
    sides = [item for item in items if item.side is not None]
    if any(plain[a.end : b.start].strip(" ,") in ("and", "&", "") and a.side != b.side for a, b in pairwise(sides)):
        return "both"
    before = [item for item in sides if item.end <= length.start]
    return before[-1].side if before else sides[0].side if sides else None


# -- answers in words --------------------------------------------------------------------------------------------------

# "no, a bit" is asked again
_NO_BUT = re.compile(r"^(?:no|nope|nah)[ ,]+(?:(?:only|just|but) )*(?=[a-z])(?!not\b|.*\b(?:better|improved)\b)")

# so is "no, 1 in"
_NO_AMOUNT = re.compile(r"(?:no|nope|nah)[ ,]+(?:(?:only|just|but|about|around|maybe)[ ,]+)*(?=[\d.¼½¾⅛⅜⅝⅞])")


def _in_words(rest: str, items: Sequence[Item], plain: str) -> Said | None:
    nothing = [item for item in items if item.kind == "zero"]
    clear = {
        one.side for one in items if one.side and any(one.start <= no.start and _beside(one, no) for no in nothing)
    }
    more, severity = _more(items, plain), _severity(rest)
    names = {item.side for item in items if item.side is not None}
    shown = names - clear if len(names) == 2 and len(clear) == 1 and not more else names
    side: Side | None = next(iter(shown)) if len(shown) == 1 and not more else "both" if shown else None
    if shown != names:
        return Said("yes", severity=severity, side=side)
    if rest.startswith(("no,", "no ", "nope", "nah")) and not re.match(r"no (?:doubt|question)", rest):
        return None if _NO_BUT.match(rest) and answers_only(_NO_BUT.sub("", rest), *SEVERITIES) else Said("no")
    if severity is None and (match := _says("no", rest)) and not _phrases("yes").match(rest):
        return Said("no") if not side or match.start() < 3 else Said("yes", side=side, more=more)
    if severity == "strong" and _says("no", rest) and re.search(r"not? (?:really|very|much|a lot|so much)", rest):
        return Said("no")
    if severity is not None or side is not None or _says("yes", rest):
        return Said("yes", severity=severity, side=side, more=more)
    return None


def _severity(rest: str) -> Severity | None:
    if _says("slight", rest) and not re.search(r"\bquite a bit\b", rest):
        return "slight"
    if _says("clear", rest):
        return "clear"
    return "strong" if _says("strong", rest) else None


# -- a clause ---------------------------------------------------------------------------------------------------------


def read_said(text: str, units: Units) -> Said | None:
    """Read a text as an answer about one sign; None if it is not one. Bare numbers are in `units`."""
    plain = re.sub(r"([a-z])\1{2,}", r"\1", tidy(text))  # yesss
    plain = RANGE.sub(_with_unit, plain)
    if _LEFT_OR_RIGHT.search(of_the_other := _NOT_THERE.sub(" ", plain)):  # "left, not the right" is left
        plain = " ".join(of_the_other.split())
    asked = plain.endswith("?") and not re.fullmatch(r"\?+", plain)
    if not plain or len(plain) > _LONGEST or (asked and not re.search(r"\d", plain)):
        return None
    found = [
        replace(item, length=replace(item.length, vague=True)) if asked and item.length is not None else item
        for item in items_of(plain, units)
    ]
    lengths = [item.length for item in found if item.length is not None]
    if _NO_AMOUNT.match(plain) and any(length.mm for length in lengths):
        return None
    rest = _without(plain, found)
    if _says("look_again", plain):
        return Said("unsure", look_again=True)
    if _says("unsure", rest) and not lengths:
        return Said("unsure")
    return _measured(found, plain) if lengths else _in_words(rest, found, plain)


def only_says(text: str) -> bool:
    """Whether a text holds nothing beside amounts, sides and the words of an answer: 1/2 in left, a touch, can't say."""
    plain = _JOINING.sub(" ", ONE_SIDE.sub(" ", without_amounts(text))).strip(" .!")
    return not plain or answers_only(" ".join(plain.split()), "yes", "no", "either", *SEVERITIES, "unsure")


def _with_unit(found: re.Match[str]) -> str:
    """Give the lower end of a range the unit of the upper one: 2 or 3 cm."""
    low, to, high, unit = found.group("low", "to", "high", "unit")
    return f"{low} {unit} {to.strip()} {high} {unit}" if unit else found[0]
