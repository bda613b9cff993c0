"""Praise and chat are offered nothing, and misspelt words are what they are misspelt from."""

from __future__ import annotations

import pytest

from fitdiag.interview.engine import Interview
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
