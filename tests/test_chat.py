"""Praise and chat are offered nothing, and misspelt words are what they are misspelt from."""

from __future__ import annotations

import pytest

from fitdiag.interview.engine import Interview
from fitdiag.interview.search import Words
from fitdiag.knowledge.model import RuleBase

BEFORE: dict[str, tuple[str, ...]] = {"history": (), "body": ("history",), "seen": ("history", "body")}
CHAT = (
    "what lovely buttons", "gorgeous lining", "very smart", "I love the stitching", "the iron is too hot",
    "could you hand me the scissors", "nice weather for a fitting", "such a pretty pattern on this cloth", "the cat sat", "lunch at one",
)  # fmt: skip


def at(base: RuleBase, stage: str) -> Interview:
    """An interview that has come to a part of it."""
    ended = ({"event": "stage", "ended": name} for name in BEFORE[stage])
    return Interview(base, ({"event": "start"}, *ended), lambda event: event)


@pytest.mark.parametrize("stage", ["history", "body"])
@pytest.mark.parametrize("typed", CHAT)
def test_chat_is_no_body_note_and_no_alteration(base: RuleBase, stage: str, typed: str) -> None:
    """One word of a phrase, or one that looks like it, is not enough: nothing is offered, and Enter counts nothing."""
    talk = at(base, stage)
    (line,) = talk.reply(typed)
    assert talk.pending is None and not talk.later
    assert "not understood" in line.text or "Only what" in line.text
    talk.reply("")
    assert not talk.findings.body and not talk.findings.done


@pytest.mark.parametrize("typed", ["what lovely buttons", "perfect", "great fabric"])
def test_praise_alone_is_no_sign(base: RuleBase, typed: str) -> None:
    talk = at(base, "seen")
    assert "Only what is there" in talk.reply(typed)[0].text and talk.pending is None


def test_praise_beside_a_sign_leaves_the_sign(base: RuleBase) -> None:
    talk = at(base, "seen")
    talk.reply("lovely buttons, but the waist gapes at the back")
    assert talk.pending is not None and "back-waist-gapes" in talk.pending.ids


def test_nothing_else_is_nothing(base: RuleBase) -> None:
    """It ends the part, like Enter."""
    talk = at(base, "body")
    talk.reply("nothing else to report")
    assert talk.stage == "seen"


@pytest.mark.parametrize(("stage", "typed", "meant"), [
    ("body", "flta seat", "flat-seat"), ("body", "hihg seat", "high-seat"), ("body", "ful calves", "full-calf"),
    ("body", "long rize", "long-rise"), ("body", "hollow bakc", "hollow-back"), ("body", "one hip hihger", "one-hip-higher"),
    ("seen", "waist bidns", "waist-binds"), ("seen", "catches on the claf", "calf-catches"), ("seen", "hems to logn", "hems-too-long"),
    ("seen", "weggie", "seat-wedgie"), ("history", "lenghtened the rise", "lengthen-rise"),
])  # fmt: skip
def test_letters_swapped_or_slightly_wrong_are_understood(base: RuleBase, stage: str, typed: str, meant: str) -> None:
    """Beside a word that is right, or where the word is the whole phrase."""
    talk = at(base, stage)
    talk.reply(typed)
    assert talk.pending is not None and talk.pending.ids[0] == meant


@pytest.mark.parametrize(("typed", "meant"), [
    ("you could hide a lantern in the waist", "waist-too-loose"), ("no room across the seat", "seat-pulls-across"),
    ("waits too loose", "waist-too-loose"), ("croch cuts in", "crotch-cuts"),
    ("when I part my feet the inner leg pulls at the crotch", "crotch-pulls-with-feet-apart"),
])  # fmt: skip
def test_sayings_and_misspelt_places_are_read_by_what_they_mean(base: RuleBase, typed: str, meant: str) -> None:
    talk = at(base, "seen")
    talk.reply(typed)
    assert talk.pending is not None and talk.pending.ids[0] == meant


def test_a_word_of_cloth_used_for_something_else_names_nothing(base: RuleBase) -> None:
    """A hand-me-down is no hand down the waist, and stage left no left."""
    words = Words(base)
    assert not words.telling("symptom", "a hand-me-down")
    assert words.telling("symptom", "a hand on the hip") == 2
    assert not words.places("pulling my leg")


def test_down_is_a_way_and_down_there_a_place(base: RuleBase) -> None:
    """What sags or slips down is not at the crotch; what is tight down there is."""
    words = Words(base)
    assert words.places("the waist sags down at the front") == "front waist"
    assert words.places("tight down there") == "crotch"


def test_not_plumb_is_a_complaint(base: RuleBase) -> None:
    talk = at(base, "seen")
    talk.reply("the drawn grain isn't plumb")
    assert talk.pending is not None and "grainline-off-plumb" in talk.pending.ids


def test_what_this_muslin_no_longer_does_is_not_offered(base: RuleBase) -> None:
    """What the last one did, and this one does not, is of now only as something that is not there."""
    talk = at(base, "seen")
    assert "Only what is there" in talk.reply("the last one dipped at the back, this one doesn't")[0].text
    assert talk.pending is None


def test_a_part_that_says_the_same_again_is_asked_once(base: RuleBase) -> None:
    talk = at(base, "seen")
    talk.reply("back of the thigh strains across, esp the left one")
    assert talk.pending is not None and talk.pending.rest.endswith("left") and not talk.queue


def test_half_a_line_that_nothing_was_read_from_is_named(base: RuleBase) -> None:
    """The rest of the line is read as if it stood alone; praise and stop words are not named."""
    talk = at(base, "seen")
    lines = talk.reply("lovely, but the waist gapes at the back, and my aunt teaches algebra")
    assert [line.text for line in lines] == ["Not read: my aunt teaches algebra."]
    assert talk.pending is not None and talk.pending.typed == "lovely, the waist gapes at the back"
    assert not [
        line for line in at(base, "seen").reply("lovely, but the waist gapes at the back") if "read" in line.text
    ]


def test_words_of_another_place_than_the_sign_chosen_are_named(base: RuleBase) -> None:
    """One part may tell of two places: what the chosen sign does not account for is told, and typed again if it counts."""
    talk = at(base, "seen")
    talk.reply("crotch cuts in over the trailing hems")
    assert talk.pending is not None
    chosen = talk.pending.ids.index("crotch-cuts") + 1
    assert talk.reply(str(chosen))[0].text == "Not read: over the trailing hems."
    talk = at(base, "seen")
    talk.reply("crotch cuts in")
    assert not [line for line in talk.reply("1") if "Not read" in line.text]
