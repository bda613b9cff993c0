"""The shipped sessions: what the interview writes today, and the same conclusions when replayed."""

from __future__ import annotations

from pathlib import Path

import pytest
from remake_samples import SAMPLES, SESSIONS, Sample, hold
from running import ended

from fitdiag.knowledge.load import load_rules
from fitdiag.sessions.log import read_log
from fitdiag.sessions.replay import replay

ids = [sample.file for sample in SESSIONS]


@pytest.mark.parametrize("sample", SESSIONS, ids=ids)
def test_a_sample_is_what_the_interview_writes(sample: Sample, tmp_path: Path) -> None:
    """Held again with the same typed lines, a session gives the shipped log to the byte (else: tests/remake_samples.py)."""
    path = tmp_path / sample.file
    hold(sample, load_rules(), path)
    assert (SAMPLES / sample.file).read_text(encoding="utf-8") == path.read_text(encoding="utf-8")


@pytest.mark.parametrize("sample", SESSIONS, ids=ids)
def test_a_sample_replays_to_the_same_conclusions(sample: Sample) -> None:
    """A replay under today's rules shows no difference from what was concluded."""
    result = replay(read_log(SAMPLES / sample.file), load_rules())
    assert not result.rules_changed
    assert result.differences == ()


def test_the_samples_are_different_fittings() -> None:
    """At least four sessions, no two with the same first alteration except where nothing is altered."""
    base = load_rules()
    plans = [replay(read_log(SAMPLES / sample.file), base).conclusion.plan for sample in SESSIONS]
    first = [plan.recommendations[0].alteration for plan in plans if plan.recommendations]
    assert len(SESSIONS) >= 4
    assert len(first) == len(set(first))
    assert len(first) < len(plans)


def test_no_file_lies_about_that_nobody_replays() -> None:
    """The folder holds no session but those of the list (the README walks through the pictures, forms and the pattern beside them)."""
    assert set(ids) == {path.name for path in SAMPLES.iterdir() if path.suffix == ".jsonl"}


def test_the_demo_shows_the_job_and_writes_the_list(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`fitdiag demo` shows findings, beliefs and plan, and says where the exported list lies."""
    assert 0 == ended("demo", "--to", tmp_path / "demo")
    shown = capsys.readouterr().out
    for part in (
        "Findings",
        "What the pattern may do",
        "This round",
        "Leave alone",
        "Tuck across the back",
        "lamplighter.md",
    ):
        assert part in shown
    assert "Tuck across the back" in (tmp_path / "demo" / "lamplighter.md").read_text(encoding="utf-8")
