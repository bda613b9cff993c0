"""The start screen, and the questions beside the interview: what a key leads to, and what is no answer."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from fitdiag.cli import photo, start
from fitdiag.cli.screen import Screen, says_yes
from fitdiag.knowledge.folders import garments
from fitdiag.photos.readings import Reading
from fitdiag.sessions.case_files import Advised, Case, Round

Typing = Callable[..., None]


@pytest.fixture
def typing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Typing:
    """These lines are typed, one after the other, in an empty folder."""
    monkeypatch.chdir(tmp_path)

    def call(*lines: str) -> None:
        waiting = iter(lines)
        monkeypatch.setattr("builtins.input", lambda prompt: next(waiting))

    return call


def test_a_new_client_is_asked_for_garment_and_units(typing: Typing, capsys: pytest.CaptureFixture[str]) -> None:
    """Both can be chosen before a case begins, so that it begins with the right rules; Enter takes what is usual."""
    for number, garment in enumerate(garments(), 1):
        for chosen in (str(number), garment):
            typing("n", "the usher", "a cloak", chosen, "2")
            new, review = start.start()
            assert new[:3] == ["case", "new", "the usher"]
            assert "cm" in new
            assert (garment in new) == (garment != "trousers")
            assert review == ["review", "the usher"]
    assert "none of these" in capsys.readouterr().out
    typing("n", "the usher", "", "")
    assert start.start()[0] == ["case", "new", "the usher", "--units", "in"]


@pytest.mark.parametrize(
    ("waits", "typed", "sent"), [(True, "yep", True), (True, "not yet", False), (False, "", False)]
)
def test_a_case_that_waits_to_be_sent_is_asked_about(typing: Typing, *, waits: bool, typed: str, sent: bool) -> None:
    """Its key does not begin the interview anew where the documents have gone out already."""
    day, folder = date(2026, 11, 1), Path("cases/the-usher")
    one = Round(1, folder / "round-01", day, day, advised=(Advised("tuck-across-back-hip"),))
    case = Case(folder, "the usher", "trousers", "in", day, rounds=(one,) if waits else ())
    typing(typed)
    assert start._commands(Screen(), "1", [case], None) == [["review", "the-usher", *(["--sent"] if sent else [])]]


def test_what_is_neither_yes_nor_no_is_told_and_asked_again(typing: Typing, capsys: pytest.CaptureFixture[str]) -> None:
    """At "sent to the client?" nothing but a no means not yet."""
    for answer, meant in (("sure", True), ("ok", True), ("2", False), ("", False), ("not yet", False)):
        typing("without 1", "7", answer)
        assert says_yes(Screen(), "Sent to the client?", "1 yes  2 not yet") is meant
        out = capsys.readouterr().out
        assert "'without 1' does not answer that: type 1 or yes, 2 or no." in out
        assert out.count("Sent to the client?") == 3


@pytest.mark.parametrize(("without", "told"), [(0.04, False), (0.09, False), (0.3, True)])
def test_a_gain_that_does_not_show_is_not_promised(monkeypatch: pytest.MonkeyPatch, without: float, told: bool) -> None:
    """Good to 0.1 instead of 0.1 says nothing; good to 0.3 instead of 0.9 does."""
    error = 0.9 if told else 0.1
    reading = Reading("hip", "tilt", "deg", 1.0, 1.0, error, "measured", "", without=without)  # type: ignore[arg-type]
    monkeypatch.setattr(photo, "next_time", lambda found: ("hold the lens higher", reading))
    said = photo._gain(None, "cm")  # type: ignore[arg-type]
    assert bool(said) == told
    assert not told or "0.3 instead of 0.9" in said
