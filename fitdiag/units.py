"""Lengths and days as people write and read them. Inside the program every length is a float in millimetres.

Inches are read and shown in eighths, centimetres in quarters of a centimetre, the steps a tape is read in.
"""

from __future__ import annotations

import math
import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from functools import cache, lru_cache
from typing import Literal

MM_PER_INCH = 25.4  # exact, international yard and pound agreement of 1959
NO_BREAK = "\u00a0"  # keeps an amount on one line
STEP_MM = {"in": MM_PER_INCH / 8, "cm": 2.5}
FINE_STEP_MM = {"in": MM_PER_INCH / 16, "cm": 1.0}
LONGEST_MM = 3000.0  # no length on trousers is longer; a larger one is a slip of the unit

Units = Literal["in", "cm"]

_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
           "November", "December")  # fmt: skip
_WORDS = {
    "in": "in", "inch": "in", "inches": "in", "inchs": "in", '"': "in", "''": "in",
    "cm": "cm", "centimetre": "cm", "centimetres": "cm", "centimeter": "cm", "centimeters": "cm",
    "mm": "mm", "millimetre": "mm", "millimetres": "mm", "millimeter": "mm", "millimeters": "mm",
}  # fmt: skip


def units_named(text: str) -> Units | None:
    """The working units a word names; None if it names neither inches nor centimetres."""
    named = _WORDS.get(text.lower())
    return named if named in ("in", "cm") else None  # type: ignore[return-value]


_MM = {"in": Fraction("25.4"), "cm": Fraction(10), "mm": Fraction(1)}
_VULGAR = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8", "⅓": "1/3", "⅔": "2/3"}
_SIGNS = str.maketrans(
    {"”": '"', "“": '"', "″": '"', "’": "'", "′": "'", "⁄": "/", "∕": "/", "\u2010": "-", "\u2011": "-"}
)
_NUMBER_WORDS = {
    "half an": "1/2", "half a": "1/2", "a half": "1/2", "half": "1/2",
    "three quarters of an": "3/4", "three quarters of a": "3/4", "three quarters": "3/4", "three-quarters": "3/4",
    "a quarter of an": "1/4", "a quarter of a": "1/4", "quarter of an": "1/4", "a quarter": "1/4", "quarter": "1/4",
    "one half": "1/2", "one quarter": "1/4", "an eighth": "1/8", "one eighth": "1/8", "eighth": "1/8",
    "three eighths": "3/8", "five eighths": "5/8", "seven eighths": "7/8",
    "three-eighths": "3/8", "five-eighths": "5/8", "seven-eighths": "7/8", "a third": "1/3", "one third": "1/3",
    "two thirds": "2/3", "two-thirds": "2/3",
    "a couple of": "2", "a couple": "2", "an": "1", "one": "1", "a": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6",
}  # fmt: skip
_VAGUE = re.compile(
    r"^(?:about|around|roughly|approx\.?|approximately|circa|ca\.?|maybe|some|~|±)\s*|\?$|[\s-]*(?:ish|or so)$"
)
_AMOUNT = re.compile(
    r"""^(?:(?P<whole>\d{1,4})(?:\s+|-|\s*\+\s*)(?P<top>\d{1,3})\s*/\s*(?P<bottom>\d{1,3})
        |(?P<top1>\d{1,3})\s*/\s*(?P<bottom1>\d{1,3})
        |(?P<decimal>\d{1,4}(?:[.,]\d{1,4})?|[.,]\d{1,4}))
        \s*(?P<unit>[a-z]+|"|'')?\.?$""",
    re.VERBOSE,
)


@dataclass(frozen=True)
class Length:
    """A length in millimetres; `unit` is the one it was written in (None if without), `vague` if hedged ("about")."""

    mm: float
    unit: Units | None = None
    vague: bool = False


class InvalidLengthError(ValueError):
    """The text is not a length; the message says what was expected."""


@lru_cache(4096)  # rules use the same few hundred over and over
def parse_length(text: str, default: Units | None = None) -> Length:
    """Read a length: `3/4`, `1 1/2 in`, `1-1/2"`, `2cm`, `1,5 cm`, `20 mm`, `¾`, `half an inch`, `about an inch`.

    `default` applies to text without a unit. Zero is a length; a negative number is not.
    Raises InvalidLengthError for anything else.

    >>> parse_length("1 1/2 in").mm
    38.1
    >>> parse_length("1,5 cm")
    Length(mm=15.0, unit='cm', vague=False)
    """
    if len(text) > 60:
        raise InvalidLengthError("that is too long to be a length")
    shown = "'" + "".join(char if char.isprintable() else "?" for char in text.strip()[:40]) + "'"
    clean = " ".join(text.lower().translate(_SIGNS).split())
    vague = False
    while (shorter := _VAGUE.sub("", clean).strip()) != clean:
        clean, vague = shorter, True
    match = _AMOUNT.match(_spelled_out(clean))
    if not match:
        raise InvalidLengthError(f"{shown} is not a length; write it like 3/4 in, 1 1/2 in, 2 cm or 1.5 cm")
    unit = _WORDS.get(match["unit"] or "")
    if match["unit"] and unit is None:
        raise InvalidLengthError(f"'{match['unit'][:20]}' is not a unit known here; use in, cm or mm")
    if match["decimal"]:
        if re.match(r"[1-9]\d{0,2},\d{3}$", match["decimal"]):
            raise InvalidLengthError(
                f"{shown} can be read in two ways; write a point for a part, or leave the comma out"
            )
        value = Fraction(match["decimal"].replace(",", "."))
    else:
        bottom = int(match["bottom"] or match["bottom1"])
        if bottom == 0:
            raise InvalidLengthError("a fraction cannot have 0 below the line")
        value = Fraction(int(match["whole"] or 0)) + Fraction(int(match["top"] or match["top1"]), bottom)
    unit = unit or default
    if unit is None:
        raise InvalidLengthError(f"{shown} has no unit; write in, cm or mm after it")
    mm = float(value * _MM[unit])
    if mm > LONGEST_MM:
        raise InvalidLengthError(f"{shown} is longer than any measure of a body or a garment; check the unit")
    return Length(mm, "in" if unit == "in" else "cm", vague) if match["unit"] else Length(mm, None, vague)


def _spelled_out(clean: str) -> str:
    """Turn number words and fraction signs into figures: `1 ½` and `an inch and a half` become `1 1/2`, `1 1/2 inch`."""
    for sign, plain in _VULGAR.items():
        clean = re.sub(rf"(?<=\d)-{sign}|{sign}", f" {plain}", clean).strip()
    clean = re.sub(r"^an?\s+(?=[\d.,])", "", clean)  # "a 1/2 inch" is half an inch, not one and a half
    clean = _in_figures(re.sub(r" of an? ", " ", clean))
    clean = re.sub(
        r"^(\d+) ?([a-z]+|\") and (.+)$", lambda m: f"{m[1]} and {m[3]} {m[2]}" if m[2] in _WORDS else m[0], clean
    )
    if match := re.match(r"(\d+) and (.+)$", clean):
        part = _in_figures(match[2])
        clean = f"{match[1]} {part}" if re.match(r"\d+/\d", part) else clean
    return clean


def _in_figures(clean: str) -> str:
    for words, plain in _NUMBER_WORDS.items():
        if clean.startswith(words + " ") or (clean == words and words not in ("a", "an")):
            return plain + clean[len(words) :]
    return clean


def round_length(mm: float, units: Units, *, fine: bool = False) -> float:
    """Round to the nearest eighth of an inch or quarter of a centimetre, in mm; ties go up, nothing above 0 becomes 0.

    `fine`: to a sixteenth of an inch or a millimetre, for amounts applied at several edges that add up.
    """
    step = (FINE_STEP_MM if fine else STEP_MM)[units]
    steps = math.floor(mm / step + 0.5 + 1e-9)  # a tie is a tie, whichever way the float fell
    return max(steps, 1 if mm > 1e-9 else 0) * step


def round_down(mm: float, units: Units, *, fine: bool = False) -> float:
    """Round down to an eighth of an inch or quarter of a centimetre, in mm; for limits that must hold.

    `fine`: or to a sixteenth of an inch or a millimetre, if that is more, for amounts applied at several edges.
    """
    steps = (STEP_MM[units], FINE_STEP_MM[units]) if fine else (STEP_MM[units],)
    return max(math.floor(mm / step + 1e-9) * step for step in steps)


def trimmed(value: float, places: int = 3) -> str:
    """Format a number with at most so many decimals, without zeros at the end.

    >>> trimmed(2.5), trimmed(20.0, 1), trimmed(-0.04, 1)
    ('2.5', '20', '0')
    """
    text = f"{value:.{places}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def format_reading(mm: float, units: Units) -> str:
    """Format a length as read, not as cut: eighths of an inch, or millimetres written as centimetres.

    >>> format_reading(19.05, "in"), format_reading(313.0, "cm"), format_reading(-0.2, "cm")
    ('3/4 in', '31.3 cm', '0 cm')
    """
    if units == "cm":
        return f"{trimmed(read_off(mm, units) / 10, 1)} cm"
    return format_length(mm, units) if abs(mm) >= STEP_MM["in"] / 2 else "0 in"


def format_change(before_mm: float, after_mm: float, units: Units) -> str:
    """The change from one reading to another with its sign, as the two are printed; empty if they are printed alike.

    >>> format_change(1006.5, 1003.2, "in"), format_change(313.4, 313.6, "cm"), format_change(300, 300.4, "cm")
    ('-1/8 in', '+0.1 cm', '')
    """
    change = read_off(after_mm, units) - read_off(before_mm, units)
    return f"{'+' if change > 0 else '-'}{format_reading(abs(change), units)}" if change else ""


def read_off(mm: float, units: Units) -> float:
    """Round a measure as `format_reading` shows it, in mm: to eighths of an inch, or whole millimetres."""
    step = STEP_MM["in"] if units == "in" else 1.0
    return math.copysign(math.floor(abs(mm) / step + 0.5 + 1e-9) * step, mm)


def format_error(mm: float, units: Units) -> str:
    """Format one standard deviation of a reading, never below the smallest step that a reading is printed with.

    >>> format_error(0.2, "in"), format_error(0.2, "cm"), format_error(4.0, "cm")
    ('1/8 in', '0.1 cm', '0.4 cm')
    """
    return format_reading(max(mm, STEP_MM["in"] / 2 if units == "in" else 0.5), units)


def format_length(mm: float, units: Units) -> str:
    """Format a length as on a tape: `3/4 in`, `1 1/8 in`, `2 cm`, `1.25 cm`. Rounds to the tape's step.

    >>> format_length(19.05, "in"), format_length(19.05, "cm"), format_length(0, "in")
    ('3/4 in', '2 cm', '0 in')
    """
    rounded = round_length(abs(mm), units)
    return ("-" if mm < 0 and rounded else "") + _exactly(rounded, units)


def _exactly(mm: float, units: Units) -> str:
    """Format a length on a fine tape, to 1/32 in or a tenth of a millimetre: `1 1/8 in`, `1.25 cm`."""
    if units == "cm":
        return f"{trimmed(mm / 10, 2)} cm"
    whole, part = divmod(Fraction(round(mm / MM_PER_INCH * 32), 32), 1)
    return f"{whole} {part} in" if whole and part else f"{whole or part} in"


def format_given(mm: float, units: Units) -> str:
    """Format an amount exactly where 1/32 in or half a millimetre allows it; else to a sixteenth of an inch or a millimetre.

    >>> format_given(7.9375, "in"), format_given(6.0, "cm"), format_given(-50.0, "cm"), format_given(6.35, "cm")
    ('5/16 in', '0.6 cm', '-5 cm', '0.6 cm')
    """
    step = MM_PER_INCH / 32 if units == "in" else 0.5
    steps = round(abs(mm) / step)
    exact = steps and abs(abs(mm) / step - steps) < 1e-3
    shown = steps * step if exact else round_length(abs(mm), units, fine=True)
    return ("-" if mm < 0 and shown else "") + _exactly(shown, units)


_IN_TEXT = re.compile(
    r"(?<![\w./])(?:\d+(?:[.,]\d+)? (?:to|or|and) )?\d+(?:[.,]\d+)? (?:cm|mm)\b"
    r"|(?<![\w./])(?:(?:\d+ )?\d+(?:/\d+)? (?:to|or|and) )?(?:\d+ )?\d+(?:/\d+)? in\b(?! (?:(?:front|the|a)\b|\d))"
)
_RANGE = re.compile(r"(?:(.+) (to|or|and) )?(.+ (\w+))")  # its ends; the unit stands at the second


@cache
def _converted(size: str, units: Units) -> str:
    return format_length(parse_length(size).mm, units)


def in_units(text: str, units: Units) -> str:
    """Convert the lengths in a text to these units; a text with the word "centimetres" is left alone.

    >>> in_units("Let it down 1 cm, 2 in below", "in"), in_units("20 to 30 cm of it", "in"), in_units("1 in 10", "cm")
    ('Let it down 3/8 in, 2 in below', '7 7/8 in to 11 3/4 in of it', '1 in 10')
    >>> in_units("3 to 4 in below the waist", "cm"), in_units("1/4 to 1/2 in here", "cm"), in_units("3 to 4 in", "in")
    ('7.5 cm to 10.25 cm below the waist', '0.75 cm to 1.25 cm here', '3 to 4 in')
    """
    if not (" cm" in text or " mm" in text if units == "in" else " in" in text) or "centimetre" in text:
        return text

    def converted(match: re.Match[str]) -> str:
        ends = _RANGE.fullmatch(match[0])
        assert ends is not None
        low, joined, high, unit = ends.groups()
        if (unit == "in") == (units == "in"):
            return match[0]
        last = _converted(high, units)
        return f"{_converted(f'{low} {unit}', units)} {joined} {last}" if low else last

    return _IN_TEXT.sub(converted, text)


def parse_day(text: str) -> date | None:
    """Read a day written like 2026-12-01; None if the text is none.

    >>> parse_day("2026-12-01"), parse_day("1 December"), parse_day("20261201")
    (datetime.date(2026, 12, 1), None, None)
    """
    with suppress(ValueError):
        day = date.fromisoformat(text)
        return day if day.isoformat() == text else None
    return None


def is_to_come(day: date, today: date) -> bool:
    """Whether a day lies ahead. A day more is let pass, for a file that came from where it is tomorrow already."""
    return day > today + timedelta(days=1)


def day_words(day: date) -> str:
    """A day as people write it.

    >>> day_words(date(2026, 11, 9))
    '9 November 2026'
    """
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"
