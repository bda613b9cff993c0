"""Lengths: read, rounded and written. The inch is 25.4 mm exactly (international yard and pound agreement, 1959)."""

from __future__ import annotations

import math
from datetime import date
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitdiag.units import (
    LONGEST_MM,
    MM_PER_INCH,
    STEP_MM,
    InvalidLengthError,
    Length,
    Units,
    format_change,
    format_given,
    format_length,
    format_reading,
    in_units,
    is_to_come,
    parse_length,
    read_off,
    round_down,
    round_length,
    units_named,
)

EITHER = st.sampled_from(("in", "cm"))
MM = st.floats(0, LONGEST_MM - 5, allow_nan=False)  # less than a step under the longest, so that rounding up stays in


def mm(text: str, default: Units | None = None) -> float:
    return parse_length(text, default).mm


def test_the_units_are_exact() -> None:
    """An inch is 25.4 mm, a centimetre 10 mm; 36 inches are 0.9144 m, the yard of 1959."""
    assert (mm("1 in"), mm("1 cm"), mm("1 mm")) == (25.4, 10.0, 1.0)
    assert mm("1 in") == MM_PER_INCH
    assert mm("36 in") == 914.4


@pytest.mark.parametrize("eighths", range(1, 33))
def test_an_eighth_is_exactly_an_eighth_of_an_inch(eighths: int) -> None:
    """Every number of eighths reads as exactly that fraction of 25.4 mm, whichever way the fraction is written."""
    whole, part = divmod(eighths, 8)
    exact = float(Fraction(254, 10) * Fraction(eighths, 8))
    assert exact == mm(f"{eighths}/8 in")
    if whole and part:
        assert exact == mm(f"{whole} {part}/8 in") == mm(f'{whole}-{part}/8"') == mm(f"{whole} {Fraction(part, 8)}in")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("½ in", 12.7),
        ("1½ in", 38.1),
        ("1 ½ in", 38.1),
        ('1-½"', 38.1),
        ("¾ cm", 7.5),
        ("⅜ in", 9.525),
        ("1⁄2 in", 12.7),
        ('1-1/2"', 38.1),
        ("1-1/2”", 38.1),
        ("1-1/2″", 38.1),
        ("1 1/2''", 38.1),
        ("1\u20111/2 in", 38.1),
        ("1 1/2in", 38.1),
        ("1 + 1/2 in", 38.1),
        ("1 and 1/2 in", 38.1),
        ("1 1/2 in.", 38.1),
        ("  3/4   IN ", 19.05),
        ("3 / 4 in", 19.05),
        (".5 in", 12.7),
        ("1,5 cm", 15.0),
        ("1.5cm", 15.0),
        ("0,375 in", 9.525),
        ("20mm", 20.0),
        ("2 centimetres", 20.0),
        ("2 centimeters", 20.0),
        ("half an inch", 12.7),
        ("half inch", 12.7),
        ("a half inch", 12.7),
        ("a quarter of an inch", 6.35),
        ("three quarters of an inch", 19.05),
        ("three-eighths of an inch", 9.525),
        ("an eighth of an inch", 3.175),
        ("3/4 of an inch", 19.05),
        ("one inch", 25.4),
        ("an inch", 25.4),
        ("an inch and a half", 38.1),
        ("2 inches and a quarter", 57.15),
        ("two and a half inches", 63.5),
        ("two and three quarters inches", 69.85),
        ("half a centimetre", 5.0),
    ],
)
def test_odd_spellings(text: str, expected: float) -> None:
    """Lengths are read as people write and say them (common practice, no source)."""
    assert expected == pytest.approx(mm(text), abs=1e-9)
    assert not parse_length(text).vague


@pytest.mark.parametrize("text", ["a 1/2 inch", "a ½ inch", "about a 1/2 in", "about a ½ inch"])
def test_a_half_inch_is_not_one_and_a_half(text: str) -> None:
    """The article before a fraction is no one: `a 1/2 inch` is half an inch."""
    assert mm(text) == 12.7


@pytest.mark.parametrize(
    "text",
    [
        "about an inch", "an inch or so", "an inch-ish", "roughly an inch", "~1 in", "1 in?", "approx. 1 inch",
        "maybe 1 inch?",
    ],
)  # fmt: skip
def test_hedged_lengths_are_read_and_marked(text: str) -> None:
    """A hedged length is a length, and known to be hedged, so that a caller can ask back."""
    assert parse_length(text) == Length(25.4, "in", vague=True)


def test_the_unit_written_is_kept_apart_from_the_default() -> None:
    """Without a unit the default counts, and the length says that none was written; millimetres are a metric unit."""
    assert parse_length("1/2", "in") == Length(12.7, None)
    assert parse_length("1/2", "cm") == Length(5.0, None)
    assert parse_length("1/2 in", "cm") == Length(12.7, "in")
    assert parse_length("20 mm", "in") == Length(20.0, "cm")


@pytest.mark.parametrize(
    ("word", "units"),
    [("in", "in"), ("Inches", "in"), ('"', "in"), ("cm", "cm"), ("centimetres", "cm"), ("mm", None), ("yards", None), ("", None)],
)  # fmt: skip
def test_who_names_inches_or_centimetres_works_in_them(word: str, units: Units | None) -> None:
    """Millimetres are read everywhere, but nobody works in them; neither does a word that is no unit say anything."""
    assert units_named(word) == units


def test_zero_is_a_length() -> None:
    """Nothing measured is a measurement too."""
    assert parse_length("0 in") == Length(0.0, "in")
    assert mm("0", "cm") == mm("0/8 in") == 0.0


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "write it like 3/4 in"),
        ("in", "write it like"),
        ("long", "write it like"),
        ("-1 in", "'-1 in' is not a length"),
        ("-½ in", "is not a length"),
        ("1/2-3/4 in", "is not a length"),
        ("1-2 cm", "is not a length"),
        ("1e3 mm", "is not a length"),
        ("nan", "is not a length"),
        ("inf cm", "is not a length"),
        ("1 half in", "is not a length"),
        ("1 inch and 2 inches", "is not a length"),
        ("3/4", "has no unit; write in, cm or mm"),
        ("2 ft", "'ft' is not a unit known here; use in, cm or mm"),
        ("3/0 in", "cannot have 0 below the line"),
        ("1,500 mm", "can be read in two ways"),
        ("300 cm 1", "is not a length"),
        ("119 in", "check the unit"),
        ("301 cm", "check the unit"),
        ("9" * 61, "too long to be a length"),
    ],
)
def test_refusals_say_what_was_expected(text: str, told: str) -> None:
    """What is no length is refused with a message that helps; a negative length, a range or a bare word is none."""
    with pytest.raises(InvalidLengthError) as refused:
        parse_length(text)
    assert told in str(refused.value)


@pytest.mark.parametrize("text", ["a", "an"])
def test_a_bare_article_is_no_length(text: str) -> None:
    """`a` alone is a slip of the key, not one inch, even where inches are the default."""
    with pytest.raises(InvalidLengthError):
        parse_length(text, "in")


def test_the_longest_length_is_still_read() -> None:
    """3 m is read, more is a slip of the unit."""
    assert mm("300 cm") == LONGEST_MM
    assert mm("118 in") < LONGEST_MM


@given(st.text(max_size=70), EITHER | st.none())
def test_any_text_is_a_length_or_one_clear_refusal(text: str, default: Units | None) -> None:
    """Whatever is typed, the answer is a length between 0 and the longest, or an InvalidLengthError on one printable line."""
    try:
        length = parse_length(text, default)
    except InvalidLengthError as error:
        assert str(error).isprintable()
    else:
        assert 0 <= length.mm <= LONGEST_MM


@given(
    st.from_regex(
        r"(about |a |an |one |½|-|\d{1,3}[ ,./-]?|/\d|inch|in|cm|mm|and a half|\"|\?| ){1,6}", fullmatch=True
    ),
    EITHER,
)
def test_any_mixture_of_the_right_words_is_a_length_or_refused(text: str, default: Units) -> None:
    """The parts of lengths in any order never give anything but a length or a refusal."""
    try:
        assert 0 <= parse_length(text, default).mm <= LONGEST_MM
    except InvalidLengthError as error:
        assert str(error)


@given(MM, EITHER)
def test_writing_and_reading_gives_the_rounded_length_back(length: float, units: Units) -> None:
    """What is written for a tape reads back as the rounded value: exactly in eighths, exactly in quarter centimetres."""
    written = format_length(length, units)
    rounded = round_length(length, units)
    assert mm(written) == pytest.approx(rounded, abs=1e-9)
    assert written == format_length(rounded, units) == format_length(mm(written), units)


@given(MM, EITHER)
def test_rounding_is_to_the_nearest_step_of_the_tape(length: float, units: Units) -> None:
    """A rounded length is a whole number of steps, at most half a step off; only what is nearly nothing goes up to one step."""
    rounded, step = round_length(length, units), STEP_MM[units]
    assert rounded / step == pytest.approx(round(rounded / step), abs=1e-9)
    assert abs(rounded - length) <= step / 2 + 1e-6 or (rounded == step and length < step / 2)
    assert (rounded == 0) == (length <= 1e-9)


@given(MM, EITHER)
def test_rounding_down_never_passes_the_limit(length: float, units: Units) -> None:
    """A limit rounded down is at most one step below the limit and never above it."""
    rounded = round_down(length, units)
    assert rounded <= length + 1e-6
    assert length - rounded < STEP_MM[units] + 1e-6


@pytest.mark.parametrize("steps", range(60))
def test_ties_go_up(steps: int) -> None:
    """A length halfway between two marks of the tape takes the larger one, however the float is rounded."""
    for units, step in (("in", Fraction(254, 80)), ("cm", Fraction(5, 2))):
        halfway = float(step * (2 * steps + 1) / 2)
        assert float(step * (steps + 1)) == pytest.approx(round_length(halfway, units), abs=1e-9)  # type: ignore[arg-type]


@pytest.mark.parametrize("steps", range(60))
def test_a_mark_of_the_tape_stays_where_it_is(steps: int) -> None:
    """Whole eighths and quarter centimetres are kept by rounding and by rounding down."""
    for units, step in (("in", Fraction(254, 80)), ("cm", Fraction(5, 2))):
        exact = float(step * steps)
        assert exact == pytest.approx(round_length(exact, units), abs=1e-9)  # type: ignore[arg-type]
        assert exact == pytest.approx(round_down(exact, units), abs=1e-9)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("length", "inches", "centimetres"),
    [
        (0, "0 in", "0 cm"),
        (0.1, "1/8 in", "0.25 cm"),
        (3.175, "1/8 in", "0.25 cm"),
        (12.7, "1/2 in", "1.25 cm"),
        (19.05, "3/4 in", "2 cm"),
        (25.4, "1 in", "2.5 cm"),
        (28.575, "1 1/8 in", "2.75 cm"),
        (100, "3 7/8 in", "10 cm"),
        (1000, "39 3/8 in", "100 cm"),
        (-12.7, "-1/2 in", "-1.25 cm"),
    ],
)
def test_lengths_are_written_as_a_tape_is_read(length: float, inches: str, centimetres: str) -> None:
    """Eighths in their lowest terms with the whole inches before them; centimetres with no needless zeros."""
    assert inches == format_length(length, "in")
    assert centimetres == format_length(length, "cm")


@given(MM)
def test_an_inch_text_is_never_in_halves_of_an_eighth(length: float) -> None:
    """The fraction shown has 2, 4 or 8 below the line, and its top is odd: a mark that is on the tape."""
    parts = format_length(length, "in").removesuffix(" in").split(" ")
    if "/" in parts[-1]:
        top, bottom = (int(number) for number in parts[-1].split("/"))
        assert bottom in (2, 4, 8)
        assert top % 2 == 1
        assert math.gcd(top, bottom) == 1
        assert top < bottom


@pytest.mark.parametrize(
    ("mm", "units", "shown"),
    [
        (19.9, "in", 19.05),
        (-10.0, "in", -9.525),
        (1.5, "in", 0.0),
        (1.6, "in", 3.175),
        (12.6, "cm", 13.0),
        (-0.4, "cm", 0.0),
    ],
)
def test_a_measure_is_read_off_as_it_is_shown(mm: float, units: Units, shown: float) -> None:
    """To the eighth of an inch, or the millimetre, and a measure below 0 as one above."""
    assert read_off(mm, units) == pytest.approx(shown)


@given(before=st.floats(0, 2000), by=st.floats(-60, 60), units=EITHER)
def test_before_after_and_change_agree_as_printed(before: float, by: float, units: Units) -> None:
    """Whoever adds the change to the first number gets the second, and a change is named wherever the two differ."""
    after = max(before + by, 0.0)
    change = format_change(before, after, units)
    shown = [mm(format_reading(one, units)) for one in (before, after)]
    moved = mm(change[1:]) * (-1 if change[0] == "-" else 1) if change else 0.0
    assert shown[0] + moved == pytest.approx(shown[1], abs=1e-6)


@pytest.mark.parametrize(
    ("mm", "units", "given", "read"),
    [
        (1.0, "cm", "0.1 cm", "0.1 cm"),  # half a millimetre is the finest that is given, a millimetre is read
        (0.5, "cm", "0.05 cm", "0.1 cm"),
        (25.4 / 32, "in", "1/32 in", "0 in"),
        (25.4 / 16, "in", "1/16 in", "1/8 in"),  # from half an eighth on it is read as one
        (-25.4 / 16, "in", "-1/16 in", "-1/8 in"),
        (1.2, "in", "1/16 in", "0 in"),
        (6.35, "cm", "0.6 cm", "0.6 cm"),  # a quarter of an inch is not three quarters of a centimetre
        (5.0, "in", "3/16 in", "1/4 in"),
    ],
)
def test_small_lengths_are_told_as_they_were_given_or_read(mm: float, units: Units, given: str, read: str) -> None:
    """What was said is told as it was said; what was read off is nothing below half a mark of the tape."""
    assert (format_given(mm, units), format_reading(mm, units)) == (given, read)


def test_a_limit_at_several_edges_is_used_as_far_as_the_finer_step_reaches() -> None:
    """A quarter of an inch is 6 mm at each edge, not 5; and three quarters of a centimetre stay that."""
    assert [round_down(limit, "cm", fine=True) for limit in (6.35, 7.5)] == [6.0, 7.5]
    assert round_down(6.35, "cm") == 5.0


def test_what_adds_up_over_edges_is_rounded_finer() -> None:
    """To a sixteenth of an inch or a millimetre; what is more than nothing does not become nothing."""
    assert [round_length(mm, "in", fine=True) for mm in (7.0, 0.1, 0.0)] == pytest.approx([25.4 / 4, 25.4 / 16, 0.0])
    assert [round_length(mm, "cm", fine=True) for mm in (7.4, 7.6, 0.1)] == [7.0, 8.0, 1.0]


@pytest.mark.parametrize(
    ("text", "units", "told"),
    [
        ("Let it down 20 mm", "in", "Let it down 3/4 in"),
        ("Let it down 20 mm", "cm", "Let it down 20 mm"),
        ("Let it down 1/2 in", "cm", "Let it down 1.25 cm"),
        ("Let it down 2 cm", "in", "Let it down 3/4 in"),
        ("Nothing to let down", "in", "Nothing to let down"),
        ("2 cm, and centimetres by name", "in", "2 cm, and centimetres by name"),
    ],
)
def test_lengths_in_a_text_are_told_in_the_units_asked_for(text: str, units: Units, told: str) -> None:
    """And only those."""
    assert in_units(text, units) == told


@pytest.mark.parametrize(("low", "high"), [("1", "2"), ("1/4", "1/2"), ("1 1/2", "2")])
@pytest.mark.parametrize("joined", ["to", "or", "and"])
def test_both_ends_of_a_range_are_converted(low: str, high: str, joined: str) -> None:
    """ "1 to 2 in" is 2.5 to 5 cm, not 1 to 5 cm; in its own units it stays as it is."""
    text = f"Leave {low} {joined} {high} in below."
    one, other = (format_length(float(sum(map(Fraction, part.split()))) * MM_PER_INCH, "cm") for part in (low, high))
    assert in_units(text, "cm") == f"Leave {one} {joined} {other} below."
    assert in_units(text, "in") == text
    assert in_units("20 to 30 mm", "cm") == "20 to 30 mm"


def test_tomorrow_is_let_pass_and_the_day_after_is_to_come() -> None:
    """Where a file comes from it may be tomorrow already."""
    today = date(2026, 11, 30)
    assert [is_to_come(date(2026, 12, day), today) for day in (1, 2)] == [False, True]
