"""An answer about one sign as people write it: yes, no, can't say, slight, `3/4 in`, `yes left`, `left 3/8 in, right 3/4 in`."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from fitdiag.knowledge.findings import SEVERITIES, SIDES, Finding, Side, measured, measured_apart
from fitdiag.knowledge.model import Seen, Severity, Symptom
from fitdiag.problems import one_line
from fitdiag.units import InvalidLengthError, Units, parse_length

SEEN_WORDS: Mapping[str, Seen] = {
    "yes": "yes", "y": "yes", "seen": "yes", "no": "no", "n": "no", "not seen": "no", "none": "no",
    "unsure": "unsure", "can't say": "unsure", "cannot say": "unsure", "cant say": "unsure", "don't know": "unsure",
    "yep": "yes", "yeah": "yes", "nope": "no", "not at all": "no", "maybe": "unsure", "dunno": "unsure",
}  # fmt: skip
_SEVERITY_WORDS: Mapping[str, Severity] = {
    "slightly": "slight", "a bit": "slight", "a little": "slight", "sort of": "slight", "somewhat": "slight",
    "clearly": "clear", "strongly": "strong", "very": "strong", "a lot": "strong",
}  # fmt: skip
_NOTHING = frozenset(("nothing", "none", "no", "nil", "0"))
_SIDES = re.compile(r"(.*?)\b(left|right)\b(?: side)?(.*?)\b(left|right)\b(?: side)?(.*)")


class InvalidFindingError(ValueError):
    """The text is no answer to this symptom; the message says what would be."""


def parse_words(symptom: Symptom, text: str) -> Finding:
    """Read an answer as people write it: yes, no, can't say, slight, `3/4 in`, `yes left`, `left 3/8 in, right 3/4 in`.

    Raises InvalidFindingError when it is none of these, or an amount without a unit.
    """
    words = " ".join(text.strip().lower().replace("’", "'").split())
    if (apart := _apart(words)) is not None:
        return _read_apart(symptom, *apart)
    if words[:1] in ("-", "\u2212") and any(char.isdigit() for char in words):
        raise InvalidFindingError(f"'{one_line(text, 30)}' is less than nothing; {_other_way(symptom)}")
    side, words = _side_of(words)
    if side is not None and not words:
        return Finding(symptom.id, "yes", side=side)
    for prefix in ("yes, ", "yes "):
        words = words.removeprefix(prefix) if words != prefix.strip() else words
    if words in SEEN_WORDS:
        return Finding(symptom.id, SEEN_WORDS[words], side=side)
    severity = _SEVERITY_WORDS.get(words, words)
    if severity in SEVERITIES:
        return Finding(symptom.id, "yes", severity=severity, side=side)
    shown = one_line(text, 30)
    if symptom.measure is None:
        if words[:1].isdigit():
            raise InvalidFindingError(f"'{shown}': this sign has no amount; answer yes, no or can't say")
        raise InvalidFindingError(f"'{shown}' is not an answer; write yes, no, can't say, slight, clear or strong")
    try:
        return measured(symptom, parse_length(words).mm, side=side)
    except InvalidLengthError as error:
        if any(char.isdigit() for char in words):
            raise InvalidFindingError(str(error)) from None
        told = "write yes, no, can't say, slight, clear, strong or an amount like 3/4 in"
        raise InvalidFindingError(f"'{shown}' is not an answer; {told}") from None


def _other_way(symptom: Symptom) -> str:
    """What to answer where a reading goes the other way."""
    mirror = symptom.measure.mirror_of if symptom.measure else None
    other = mirror or next(iter(symptom.opposite), None)
    return f"if it goes the other way, answer '{other}'" if other else "write 0 where there is nothing"


def _side_of(words: str) -> tuple[Side | None, str]:
    """The side an answer names, and the answer without it."""
    parts = words.split(" ")
    named = {part.strip(",") for part in parts} & set(SIDES)
    if not named:
        return None, words
    rest = [part for part in parts if part.strip(",") not in (*SIDES, "side", "sides")]
    side = "both" if len(named) > 1 else next(iter(named))
    return side, " ".join(rest).strip(" ,")  # type: ignore[return-value]


def _apart(words: str) -> tuple[str, str] | None:
    """The amounts of left and right where an answer gives both, before or after the word of their side."""
    match = _SIDES.fullmatch(words)
    if match is None or match[2] == match[4]:
        return None
    before, between, after = (match[number].strip(" ,;:").removeprefix("and ").removesuffix(" and").strip(" ,;:")
                              for number in (1, 3, 5))  # fmt: skip
    first, second = (before, between) if before else (between, after)
    if not first or not second or (before and after) or not any(map(str.isdigit, first + second)):
        return None
    return (first, second) if match[2] == "left" else (second, first)


def _read_apart(symptom: Symptom, left: str, right: str) -> Finding:
    """`left 3/8 in, right 3/4 in` as one finding with two amounts; a unit written once counts for both."""
    if symptom.measure is None:
        raise InvalidFindingError("this sign has no amount; answer yes, no or can't say, with left or right")
    mm = {}
    for side, words in (("left", left), ("right", right)):
        try:
            mm[side] = 0.0 if words in _NOTHING else parse_length(words, _unit_in((left, right))).mm
        except InvalidLengthError as error:
            raise InvalidFindingError(f"{side}: {error}") from None
    return measured_apart(symptom, mm["left"], mm["right"])


def _unit_in(texts: Iterable[str]) -> Units | None:
    """The unit that one of the amounts carries, for the one that carries none."""
    for text in texts:
        try:
            if (unit := parse_length(text).unit) is not None:
                return unit
        except InvalidLengthError:
            continue
    return None
