"""Answers as people give them, written by somebody who had not seen the reader: half of them to tune it, half to judge it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plain_yaml import plain_yaml

from fitdiag.interview.answers import read_answer, read_several
from fitdiag.knowledge.findings_file import read_findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.said import Said
from fitdiag.problems import ProblemsFoundError
from fitdiag.units import Units

DATA = plain_yaml(Path(__file__).parent / "data" / "answers.yaml")


def shape(said: Said | None) -> dict[str, Any]:
    """A reading in the words of the data."""
    if said is None:
        return {"refuse": True}
    lengths = {"amount": said.length} if said.apart is None else dict(zip(("left", "right"), said.apart, strict=True))
    told: dict[str, Any] = {"seen": said.seen}
    told |= {name: value for name in ("severity", "side", "more") if (value := getattr(said, name))}
    if said.length is not None and said.error_mm not in (None, said.length.mm / 4):  # of a range
        return {**told, "between": [round(said.length.mm + way * said.error_mm, 2) for way in (-1, 1)]}
    told |= {name: round(length.mm, 2) for name, length in lengths.items() if length is not None}
    if any(length is not None and length.vague for length in lengths.values()):
        told["vague"] = True
    return {**told, "look_again": True} if said.look_again else told


def right(said: Said | None, means: list[dict[str, Any]]) -> bool:
    """Whether a reading is one of those meant; one length of one side may be told as the side's or as the amount and the side."""
    told = shape(said)
    forms = [told]
    if (side := told.get("side")) in ("left", "right") and "amount" in told:
        rest = {name: value for name, value in told.items() if name not in ("side", "amount")}
        forms += [{**rest, "side": side, side: told["amount"]}, {**rest, side: told["amount"]}]
    rounded = [
        {
            name: [round(one, 2) for one in value]
            if isinstance(value, list)
            else round(value, 2)
            if isinstance(value, float)
            else value
            for name, value in meant.items()
        }
        for meant in means
    ]
    return any(form == meant for form in forms for meant in rounded)


def share(half: str) -> float:
    """The share of single answers of a half that are read as they were meant."""
    mine = [one for one in DATA["one"] if one["half"] == half]
    return sum(right(read_answer(one["answer"], one["units"]), one["means"]) for one in mine) / len(mine)


def test_answers_are_read_as_they_were_meant() -> None:
    """Nearly all of the half it was tuned on, and at least two thirds of the half nobody looked at."""
    print(f"tuned on: {share('tune'):.0%}, judged by: {share('judge'):.0%}")
    assert share("tune") >= 0.95
    assert share("judge") >= 0.67


@pytest.mark.parametrize("entry", DATA["several"], ids=lambda entry: entry["line"])
def test_a_line_answers_a_screen(entry: dict[str, Any]) -> None:
    """Numbers, amounts and sides in one line; what is not named stays open."""
    read = read_several(entry["line"], 6, entry["units"])
    assert read is not None
    assert set(entry["means"]) == set(read)
    assert all(right(read[number], [meant]) for number, meant in entry["means"].items())


@pytest.mark.parametrize("line", ["7 yes", "the soup is ready", "0 y", "1 y 1 n", "1 banana", "yes no maybe 9"])
def test_a_line_that_is_no_answer_is_refused(line: str) -> None:
    """Nothing of it counts, so that nothing is noted that was not meant."""
    assert read_several(line, 6, "in") is None


@given(text=st.text(max_size=400), units=st.sampled_from(["in", "cm"]))
def test_no_text_breaks_the_reader(text: str, units: Units) -> None:
    """Any text is read or refused; what is read is yes, no or unsure."""
    said = read_answer(text, units)
    assert said is None or said.seen in ("yes", "no", "unsure")
    several = read_several(text, 6, units)
    assert several is None or set(several) <= set(range(1, 7))


@pytest.mark.parametrize(
    ("typed", "side"),
    [
        ("1 in, left more", "left"),
        ("an inch and a half, left more", "left"),
        ("left more, 1 in", "left"),
        ("1 in, mostly on the right", "right"),
        ("right more than left, 2 cm", "right"),
        ("both sides 1 in, the left is worse", "left"),
        ("left 1 in, right more", "right"),
    ],
)
def test_an_amount_with_a_side_that_shows_more_is_of_both(typed: str, side: str) -> None:
    """More on one side means that the other has it too, with figures as with words."""
    measured, in_words = read_answer(typed, "in"), read_answer("a bit, left more", "in")
    assert measured is not None
    assert in_words is not None
    assert ("both", side, "both") == (measured.side, measured.more, in_words.side)
    assert measured.length is not None


@pytest.mark.parametrize("typed", ["more than 1 in on the left", "1 in more or less, left", "1 in on the left only"])
def test_more_of_an_amount_says_nothing_of_the_other_side(typed: str) -> None:
    """More than an inch on the left is of the left."""
    said = read_answer(typed, "in")
    assert said is not None
    assert (said.side, said.more) == ("left", None)


@pytest.mark.parametrize("line", ["an inch, left more", "half an inch", "left", "about an inch", "two inches left"])
def test_an_amount_or_a_side_alone_is_not_of_all(line: str) -> None:
    """On a screen of several signs it belongs to one of them, and which is not said; all of them may be named."""
    assert read_several(line, 2, "in") is None
    said = read_several(f"{line}, both of them" if "left" not in line else "left on all", 2, "in")
    assert said is not None
    assert set(said) == {1, 2}


@pytest.mark.parametrize(
    "typed", ["no, a bit", "nope, only slightly", "no, strong", "no, 10 mm", "no, only about 1/2 in"]
)
def test_no_with_a_strength_is_asked_again(typed: str) -> None:
    """It may be a no, or the strength of what is there; a no to the strength, or to more, stays a no."""
    assert read_answer(typed, "in") is None
    assert read_several(typed, 3, "in") is None
    for plain in ("no, not a bit", "no, not much", "no, much better", "no, looks clean"):
        assert (said := read_answer(plain, "in")) is not None
        assert said.seen == "no"


@pytest.mark.parametrize(
    ("answer", "side"),
    [
        ("left not right", "left"), ("left, not the right", "left"), ("not left but right", "right"),
        ("not on the left, right yes", "right"), ("left no, right yes", "right"), ("right, not left 2 cm", "right"),
        ("2 cm left, not right", "left"), ("at the right hip, nothing on the left", "right"), ("left, none on the right", "left"),
        ("2 cm right, nothing on the left", "right"),
    ],
)  # fmt: skip
def test_the_side_said_not_to_show_it_is_not_the_one_counted(answer: str, side: str) -> None:
    """In "left not right" and "nothing on the right" the word belongs to the side after it, in "left no" to the one before."""
    said = read_answer(answer, "cm")
    assert said is not None
    assert (said.seen, said.side, said.apart) == ("yes", side, None)


@pytest.mark.parametrize(
    ("answer", "seen"),
    [
        ("it was a bit tight before, it isn't now", "no"),
        ("gaped half an inch last time, now it lies flat", "no"),
        ("very tight last time, now it is fine", "no"),
        ("it gaped half an inch last time", None),
        ("a bit last time, and it still does", "yes"),
        ("same as before", "yes"),
    ],
)
def test_an_answer_is_of_now(answer: str, seen: str | None) -> None:
    """How it was at an earlier fitting, and how much, does not count; alone it is no answer."""
    said = read_answer(answer, "in")
    assert (said and said.seen) == seen


def test_a_strength_beside_an_amount_is_kept(tmp_path: Path, base: RuleBase) -> None:
    """A findings file may give both, with "seen" or without it; of an amount too small to count there is no strength."""
    path = tmp_path / "findings.yaml"
    for answer, kept in (("{amount: 1 in, severity: slight}", "slight"), ("{amount: 1 mm, severity: slight}", None)):
        path.write_text(f"schema: fitdiag.findings/1\nsymptoms: {{balance-lines-dip-to-back: {answer}}}", "utf-8")
        assert read_findings(path, base).symptoms["balance-lines-dip-to-back"].severity == kept


@pytest.mark.parametrize(
    "text",
    [
        "3/4 in",
        "left 3/8 in, right 3/4",
        "about 2 cm on the left",
        "1 to 2 cm",
        "can't say",
        "a touch, mostly left",
        "nope",
        "0 in",
    ],
)
def test_a_findings_file_takes_what_is_typed(base: RuleBase, tmp_path: Path, text: str) -> None:
    """Amount, error, side and strength are the same in a file as at the keyboard."""
    path = tmp_path / "findings.yaml"
    path.write_text(f'schema: fitdiag.findings/1\nsymptoms: {{folds-under-seat: "{text}"}}', encoding="utf-8")
    said = read_answer(text, "in")
    assert said is not None
    assert read_findings(path, base).symptoms["folds-under-seat"] == said.finding(
        base.symptoms["folds-under-seat"], "file"
    )


@pytest.mark.parametrize(
    "text", ["3/4", "the left soup is ready", "slight, I was told", "-1/2 in", "1 in at first, now it is fine"]
)
def test_a_findings_file_takes_nothing_half_understood(base: RuleBase, tmp_path: Path, text: str) -> None:
    """In a file nobody can ask back: each amount has its unit, and every word of an answer is known."""
    path = tmp_path / "findings.yaml"
    path.write_text(f'schema: fitdiag.findings/1\nsymptoms: {{folds-under-seat: "{text}"}}', encoding="utf-8")
    with pytest.raises(ProblemsFoundError):
        read_findings(path, base)


def test_nothing_measured_is_seen_where_little_is_the_sign(base: RuleBase) -> None:
    """No cloth to pinch is what a sign of too little looks like; of any other sign it says that it is not there."""
    said = read_answer("0 in", "in")
    assert said is not None
    seen = {
        symptom.measure.worse: said.finding(symptom, "asked").seen
        for symptom in base.symptoms.values()
        if symptom.measure is not None and symptom.measure.seen_from_mm
    }
    assert seen == {"more": "no", "less": "yes"}
