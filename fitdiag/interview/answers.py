"""Read answers as people give them: yes or no in any wording, an amount, a side, or that it cannot be judged.

A text becomes one `Said`, or None if it is not an answer. Amounts and sides may appear anywhere in it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Literal

from fitdiag.interview.clauses import says, what_is_now
from fitdiag.knowledge.findings import SEVERITIES, SIDES, Finding, Origin, Side, measured, measured_apart
from fitdiag.knowledge.model import Seen, Severity, Symptom
from fitdiag.knowledge.strict_yaml import read_yaml
from fitdiag.units import InvalidLengthError, Length, Units, parse_length


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
        if symptom.measure is None or self.seen != "yes" or self.length is None:
            return Finding(symptom.id, self.seen, severity=self.severity, side=self.side, origin=origin)
        if self.apart is not None:
            left, right = self.apart
            return measured_apart(symptom, left.mm, right.mm, error_mm=self.error_mm, origin=origin)
        return measured(symptom, self.length.mm, side=self.side, error_mm=self.error_mm, origin=origin)


@cache
def _phrases(kind: str) -> re.Pattern[str]:
    """A pattern of everything people say for one kind: yes, no, unsure, look_again, slight, clear, strong."""
    parts = read_yaml(Path(__file__).with_name("answers.yaml")).data[kind]
    return re.compile(rf"(?<![\w'])(?:{'|'.join(parts)})(?![\w'])")


def _says(kind: str, text: str) -> re.Match[str] | None:
    return _phrases(kind).search(text)


_SIDE = re.compile(
    r"(?<![\w'])(?:(?P<left>left|lhs?|l)|(?P<right>right|rhs?|r)|(?P<both>both|each|either))(?![\w'])"
    r"(?:[ -](?:hand|sides?|legs?|one|hip))*(?:'s)?"
)
_NOT_THERE = re.compile(
    r"\b(?:not (?:on |at |in )?|(?:nothing|none) (?:on|at|in) )(?:the |my |her |his )?(?:(?P<left>left)|right)\b"
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
_BOTH_SIDES = re.compile(r"\b(?:on |at )?(?:both|each|either|the two) (?:sides?(?! (?:of|to)\b)|(?=legs?\b))")
_RANGE = re.compile(r" ?(?:-|–|to|or|and|till) ?")
_LONGEST = 300


def _tidy(text: str) -> str:
    return " ".join(text.lower().replace("’", "'").split())


def without_amounts(text: str) -> str:
    """Return a text without its lengths, and without "both sides" and the like."""
    plain = _BOTH_SIDES.sub(" ", AMOUNT.sub(" ", _tidy(text)))
    return " ".join(re.sub(rf"{_NO_SIDE.pattern}", lambda match: match[0].removeprefix("right"), plain).split())


def names_length(text: str) -> bool:
    """Whether a text contains a length, in figures or words."""
    return AMOUNT.search(_tidy(text)) is not None


def read_answer(text: str, units: Units) -> Said | None:
    """Read a text as an answer about one sign; None if it is not one. Bare numbers are in `units`."""
    plain = _tidy(text)
    plain = re.sub(r"([a-z])\1{2,}", r"\1", plain)  # yesss
    plain = RANGE.sub(_with_unit, plain)
    asked = plain.endswith("?") and not re.fullmatch(r"\?+", plain)
    if not plain or len(plain) > _LONGEST or (asked and not re.search(r"\d", plain)):
        return None
    now = what_is_now(plain)
    if not now:  # what was there last time says nothing of now, unless it is said to be well now
        return Said("no") if says("now", plain) or _answers_only(plain, "no") else None
    plain = now
    found = [
        replace(item, length=replace(item.length, vague=True)) if asked and item.length is not None else item
        for item in _items(plain, units)
    ]
    lengths = [item.length for item in found if item.length is not None]
    rest = _without(plain, found)
    if _says("look_again", plain):
        return Said("unsure", look_again=True)
    if _says("unsure", rest) and not lengths:
        return Said("unsure")
    return _measured(found, plain) if lengths else _in_words(rest, found, plain)


def _with_unit(found: re.Match[str]) -> str:
    """Give the lower end of a range the unit of the upper one: 2 or 3 cm."""
    low, to, high, unit = found.group("low", "to", "high", "unit")
    return f"{low} {unit} {to.strip()} {high} {unit}" if unit else found[0]


_LONGEST_YES = 60
_POLITE = r"(?:[ ,]+(?:please|thanks|thank you|then|so|that'?s it))*"


def _answers_only(text: str, *kinds: str) -> bool:
    """Whether a text consists only of phrases of these kinds."""
    plain, said = _tidy(text).rstrip(".!"), "|".join(_phrases(kind).pattern for kind in kinds)
    return len(plain) <= _LONGEST_YES and re.fullmatch(rf"(?:(?:{said}){_POLITE}[ ,]*)+", plain) is not None


def agreed(text: str) -> bool | None:
    """Read the answer to a yes-or-no question asked with `1 yes  2 no`; None if it is neither."""
    if text.strip(" .)!") in ("1", "2"):
        return "1" in text
    if _answers_only(text, "yes", "either", "agree"):
        return True
    return False if _answers_only(text, "no") else None


_BARE_NUMBERED = re.compile(
    r"(?:(?:\d+|y|yes|n|no|none|slight|clear|strong|all|and|(?:the )?(?:rest|others?))(?:[ ,;.:)=]+|$))+"
)


def is_bare(text: str) -> bool:
    """Whether a text is an answer and names nothing that it could be about: yes, 1 yes 2 no, a touch, mostly left."""
    plain = _tidy(text)
    if re.match(rf"\d+[ .:)=]*(?:y|yes|n|no|none|{'|'.join(SEVERITIES)})\b", plain):
        return _BARE_NUMBERED.fullmatch(plain) is not None
    sideless = " ".join(_SIDE.sub(" ", _COMPARED.sub(" ", plain)).replace(",", " ").split())
    return _answers_only(sideless, "yes", "either", "agree", *SEVERITIES, "unsure")


def may_be_either(text: str) -> bool:
    """Whether a text like "ok" could mean either that a sign is there or that all is well."""
    return _answers_only(text, "either")


# -- amounts and sides -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Item:
    """A side, a length, or a word for nothing, and its position in the text."""

    start: int
    end: int
    kind: Literal["side", "length", "zero"]
    side: Side | None = None
    length: Length | None = None


def _items(plain: str, units: Units) -> Iterator[_Item]:
    taken = [match.span() for match in _NO_SIDE.finditer(plain)]
    items: list[_Item] = []
    for match in AMOUNT.finditer(plain):
        length = _length(match, units)
        if length is not None:
            items.append(_Item(*match.span(), "length", length=length))
    for match in _SIDE.finditer(plain):
        if not any(start <= match.start() < end for start, end in taken):
            name: Side = "left" if match["left"] else "right" if match["right"] else "both"
            items.append(_Item(*match.span(), "side", side=name))
    for match in _ZERO.finditer(plain):
        if not any(item.start <= match.start() < item.end for item in items):
            items.append(_Item(*match.span(), "zero"))
    yield from sorted(items, key=lambda item: item.start)


def _length(match: re.Match[str], units: Units) -> Length | None:
    written = re.sub(r"(?<=\d)-(?=\d)", " ", match["length"]).replace(" good", "")
    written = re.sub(r"\bmils?\b", "mm", written).replace("”", '"')
    try:
        length = parse_length(written, units)
    except InvalidLengthError:
        return None
    hedged = match["vague"].strip() not in ("", "just", "a good", "good") or match["after"] != ""
    return replace(length, vague=length.vague or hedged)


def _without(plain: str, items: Sequence[_Item]) -> str:
    """Return the text without its lengths and sides."""
    for item in sorted(items, key=lambda item: -item.start):
        if item.kind != "zero":
            plain = f"{plain[: item.start]} {plain[item.end :]}"
    return " ".join(plain.split())


_COMPARING = "more(?! or less)|worse|stronger|mostly|mainly"
_COMPARED = re.compile(rf"\b(?:{_COMPARING})\b")


def _more(items: Sequence[_Item], plain: str) -> Side | None:
    """The side that shows it more, if an answer compares the two: left more, mostly on the right, more left than right."""
    sides = [item for item in items if item.side in ("left", "right")]
    for match in _COMPARED.finditer(plain):
        if sides and not any(item.start <= match.start() < item.end for item in items):  # not: more than 1 in
            before = [item.side for item in sides if item.end <= match.start()]
            return before[-1] if before else sides[0].side
    return None


def _sides_denied(plain: str) -> set[Side | None]:
    """The sides said not to show it: right in "left, not the right"."""
    return {"left" if match["left"] else "right" for match in _NOT_THERE.finditer(plain)}


def _beside(one: _Item, other: _Item) -> bool:
    """Whether two items are close together."""
    return max(one.start, other.start) - min(one.end, other.end) <= 12


def _measured(items: Sequence[_Item], plain: str) -> Said:
    """Read an answer with lengths, matching each length to its side."""
    found = [(item, item.length) for item in items if item.length is not None]
    (where, first), (then, last) = found[0], found[-1]
    sides = [item.side for item in items if item.side is not None]
    if len(found) == 1 and len(denied := _sides_denied(plain)) == 1 and len(shown := {*sides} - denied) == 1:
        return Said("yes" if first.mm else "no", length=first, error_mm=_quarter(first), side=shown.pop())
    if len(found) == 2 and len(sides) < 2 and _RANGE.fullmatch(plain[where.end : then.start]):
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


def _side_of(length: _Item, items: Sequence[_Item], plain: str) -> Side | None:
    """The side a length belongs to: both if joined by "and", else the last one named before it, or the first after it."""
    sides = [item for item in items if item.side is not None]
    if any(plain[a.end : b.start].strip(" ,") in ("and", "&", "") and a.side != b.side for a, b in pairwise(sides)):
        return "both"
    before = [item for item in sides if item.end <= length.start]
    return before[-1].side if before else sides[0].side if sides else None


# -- answers in words --------------------------------------------------------------------------------------------------

# "no, a bit" is asked again
_NO_BUT = re.compile(r"^(?:no|nope|nah)[ ,]+(?:(?:only|just|but) )*(?=[a-z])(?!not\b|.*\b(?:better|improved)\b)")


def _in_words(rest: str, items: Sequence[_Item], plain: str) -> Said | None:
    nothing = [item for item in items if item.kind == "zero"]
    clear = _sides_denied(plain) or {
        one.side for one in items if one.side and any(one.start <= no.start and _beside(one, no) for no in nothing)
    }
    more, severity = _more(items, plain), _severity(rest)
    names = {item.side for item in items if item.side is not None}
    shown = names - clear if len(names) == 2 and len(clear) == 1 and not more else names
    side: Side | None = next(iter(shown)) if len(shown) == 1 and not more else "both" if shown else None
    if shown != names:
        return Said("yes", severity=severity, side=side)
    if rest.startswith(("no,", "no ", "nope", "nah")) and not re.match(r"no (?:doubt|question)", rest):
        return None if _NO_BUT.match(rest) and _answers_only(_NO_BUT.sub("", rest), *SEVERITIES) else Said("no")
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


# -- a screen of several questions -------------------------------------------------------------------------------------

_ALL = re.compile(r"(?:all|everything|every one|each|the lot|none|nothing)\b")
_REST = re.compile(
    r"(?:,|;|\band\b)? *(?:(?:the|all the|all) )?(?:rest|others?|remaining|everything else|all else)\b"
    r"(?: (?:is|are|all))?:? *(?P<answer>.*)$"
)
_OF_ALL = re.compile(r"\b(?:all|both|each|every(?:thing| one)?|the lot)\b")
_BUT = re.compile(r"\b(?:except|but|apart from|besides|save)(?: for)?\b")
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth")


def read_several(text: str, count: int, units: Units) -> Mapping[int, Said] | None:
    """Read one line for a screen of numbered questions: `1 y 3 3/4 4 left, rest no`.

    None if unreadable; questions not named stay open.
    """
    plain = _tidy(text).rstrip(".!")
    for number, word in enumerate(_ORDINALS, 1):
        plain = re.sub(rf"\b(?:the )?{word}(?: one)?\b", str(number), plain)
    result: dict[int, Said] = {}
    if match := _REST.search(plain):
        answer = read_answer(match["answer"] or "no", units)
        if answer is None:
            return None
        result = dict.fromkeys(range(1, count + 1), answer)
        plain = plain[: match.start()].rstrip(" ,;")
    elif not re.search(r"\d", plain):
        answer = read_answer(re.sub(r"^all (?=yes|no|y|n\b)", "", plain), units)
        if answer is None or (count > 1 and (answer.length or answer.side) and not _OF_ALL.search(plain)):
            return None  # a lone amount or side is about just one of them
        return dict.fromkeys(range(1, count + 1), answer)
    elif _ALL.match(plain) and _BUT.search(plain):
        head, tail = (part.strip(" ,;") for part in _BUT.split(plain, maxsplit=1))
        said_of_all = re.sub(r"^(?:all|everything|every one|each|the lot)\b *", "", head)
        general = read_answer(said_of_all or ("no" if plain[0] == "n" else "yes"), units)
        if general is None:
            return None
        result = dict.fromkeys(range(1, count + 1), general)
        plain = tail if re.search(r"[a-z/]", tail) else f"{tail} {'no' if general.seen == 'yes' else 'yes'}"
    named = _numbered(plain, count, units)
    return {**result, **named} if named is not None else None


_LEADING = re.compile(r"^(?P<answer>[a-z' ]*?[a-z'])(?: (?:to|on|for|at|number|numbers|nr|no\.))? (?=\d)")
_UNITS = r" ?(?:in|cm|mm|inch|inches)\b"
_FREE = re.compile(  # a single digit that is not part of an amount; or one right before an amount
    rf"(?<![\w/.,¼½¾])(\d)(?:(?![\d¼½¾⅛⅜⅝⅞\"]|[/.,]\d|{_UNITS}| \d+/\d)|(?P<amount>(?= (?:\d+/\d|\d+(?:[.,]\d+)?{_UNITS}))))"
)


def _numbered(plain: str, count: int, units: Units) -> dict[int, Said] | None:
    """Read numbered answers; consecutive numbers share one answer."""
    lead = ""
    if (match := _LEADING.match(plain)) and read_answer(match["answer"], units) is not None:
        lead, plain = match["answer"], plain[match.end() :]
    numbers = list(_numbers(plain, count))
    if plain and (not numbers or plain[: numbers[0].start()].strip(" ,;&")):
        return None
    result: dict[int, Said] = {}
    waiting: list[int] = []
    for match, after in zip(numbers, [*(one.start() for one in numbers[1:]), len(plain)], strict=True):
        waiting.append(int(match[1]))
        answer = re.sub(r"(?:,|;|^)? *(?:and|&)$", "", plain[match.end() : after].strip(" ,;:=.)")).strip(" ,;")
        answer = answer or (lead or "yes" if match is numbers[-1] else "")
        if not answer:
            continue
        said = read_answer(answer, units)
        whole = said is not None and said.length is not None and said.apart is None and said.length.unit is None
        if said is None or (whole and re.search(r"(?<![\d/.,])\d+(?![\d/.,])", answer)):
            return None  # a whole number without a unit may as well be the number of a question
        result.update(dict.fromkeys(waiting, said))
        waiting = []
    return result


def _numbers(plain: str, count: int) -> Iterator[re.Match[str]]:
    """The question numbers in a line: increasing single digits that do not begin an amount."""
    last = end = 0
    for match in _FREE.finditer(plain):
        begins_an_amount = match["amount"] is not None and last and not plain[end : match.start()].strip()
        if last < int(match[1]) <= count and not begins_an_amount:
            yield match
            last, end = int(match[1]), match.end()


# -- amounts among other words -------------------------------------------------------------------------------------

ROUND = re.compile(r",? *\bround (\d{1,2})\b")
ONE_SIDE = re.compile(
    rf",? *(?<![\w-])(?:({_COMPARING}) )?(?:on )?(?:the |my |her |his )?({'|'.join(SIDES)}|[lr]h|[lr](?= (?:side|leg|hip|hem)\b)"
    rf"|(?:each|either)(?= (?:side|leg)s?\b))(?: sides?)?(?: only)?(?: ({_COMPARING}))?(?![\w-])"
    r"(?! (?:across|along|around|at|behind|below|down|in|into|on|over|round|through|to|under|up)\b)"  # "right across"
)
SEVERITY = re.compile(
    rf",? *(?<![\w-])({'|'.join(SEVERITIES)})(?:ly)?(?![\w-])|,? *(?<!not )(?<!quite )\b(a (?:tiny |little )?bit|a little)$"
)


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
    """
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
