"""Read the answers to what the interview asks: to one question, or one line for a whole screen of them; and which side they mean."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from fitdiag.interview.clauses import says, what_is_now
from fitdiag.knowledge.findings import OTHER_SIDE, SEVERITIES, Side
from fitdiag.knowledge.model import BodyNote, Symptom
from fitdiag.knowledge.said import Said, answers_only, may_be_either, only_says, read_said, tidy
from fitdiag.units import Units


def read_answer(text: str, units: Units) -> Said | None:
    """Read a text as an answer of now about one sign; None if it is not one. Bare numbers are in `units`."""
    plain = tidy(text)
    now = what_is_now(plain)
    if now or not plain:
        return read_said(now, units)
    # what was there last time says nothing of now, unless it is said to be well now
    return Said("no") if says("now", plain) or answers_only(plain, "no") else None


_BARE_NUMBERED = re.compile(
    r"(?:(?:\d+|y|yes|n|no|none|slight|clear|strong|all|and|(?:the )?(?:rest|others?))(?:[ ,;.:)=]+|$))+"
)

_WHEN_ALONE = 4  # a longer text that begins with "when" also says what is there then


def is_bare(text: str) -> bool:
    """Whether a text is an answer and names nothing that it could be about: yes, 1 yes 2 no, a touch, mostly left."""
    plain = tidy(text)
    if re.match(rf"\d+[ .:)=]*(?:y|yes|n|no|none|{'|'.join(SEVERITIES)})\b", plain):
        return _BARE_NUMBERED.fullmatch(plain) is not None
    if plain.startswith("when ") and len(plain.split()) > _WHEN_ALONE:
        return False
    says_no = answers_only(plain, "no") and not may_be_either(plain)
    return not re.search(r"\d", plain) and not says_no and only_says(plain)


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
    plain = tidy(text).rstrip(".!")
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


# -- which side is meant: the wearer's left and right, and the higher side where the lower one is named ------------------

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
_HIGHER = re.compile(r"\b(?:higher|shorter|too short|(?:further|farther) up|rises?|climbs?)\b")
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

    Only a sign that compares the two sides turns so; one that has an opposite sign leaves a lower side to that. What is said first
    decides: the right leg ends higher, as it always was the longer one.
    """
    compares = "higher" in symptom.title and not symptom.opposite and not symptom.whole
    lower = _LOWER.search(text.lower())
    higher = _HIGHER.search(text.lower())
    turned = lower is not None and (higher is None or lower.start() < higher.start())
    return OTHER_SIDE[side] if side and compares and turned else side


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
