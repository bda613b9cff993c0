"""Holds the shipped sample sessions again, through the interview itself: `python tests/remake_samples.py`.

Run it after the rules have changed; tests/test_samples.py says when. The wardrobe of a small touring theatre, clients by role.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest.mock import patch

from fitdiag.interview.engine import Interview
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import ProblemsFoundError
from fitdiag.sessions.log import SessionLog
from fitdiag.sessions.state import conclusion_event

SAMPLES = Path(__file__).parent.parent / "sample_sessions"


@dataclass(frozen=True)
class Sample:
    """What is typed in one session: `seen` volunteered (symptom, amount), `answers` to what is asked; else `otherwise`."""

    file: str
    client: str
    units: str
    day: int
    seen: tuple[tuple[str, str], ...] = ()
    done: tuple[tuple[str, str], ...] = ()
    body: str = ""
    answers: Mapping[str, str] = field(default_factory=dict)
    otherwise: str = "no"
    questions: int = 8
    note: str = ""


SESSIONS = (
    Sample(
        "lamplighter-round-2.jsonl", "the lamplighter", "in", 3,
        done=(("lengthen-back-crotch", "1/2 in round 1"),),
        body="flat seat, low seat",
        seen=(("balance-lines-dip-to-back", "3/4 in"), ("v-at-centre-back", ""), ("grainline-near-centre-back", "1 in")),
        answers={"seat-wedgie": "no", "grainline-bends-at-a-cut": "yes"},
        note="climbs a ladder in every show",
        questions=5,
    ),
    Sample(
        "prompter-round-1.jsonl", "the prompter", "in", 4,
        body="prominent seat m, small waist round hip",
        seen=(("grainline-near-centre-back", "1 in"),),
        questions=12,
    ),
    Sample(
        "puppeteer-round-3.jsonl", "the puppeteer", "in", 9,
        done=(("tuck-across-back-hip", "3/4 in round 2"),),
        body="flat seat",
        seen=(("seat-wedgie", ""),),
        answers={"balance-lines-dip-to-back": "no", "v-at-centre-back": "no", "balance-lines-rise-to-back": "no"},
        questions=8,
    ),
    Sample(
        "scene-painter-round-1.jsonl", "the scene painter", "cm", 11,
        body="prominent seat m",
        seen=(("balance-lines-rise-to-back", "1 cm"), ("waist-pulls-down-when-bending", "2,5 cm")),
        answers={"waist-dips-at-back": "1 cm", "seat-binds-sitting": "yes"},
        note="kneels at the floor cloth for hours",
        questions=6,
    ),
    Sample(
        "stilt-walker-round-1.jsonl", "the stilt walker", "cm", 16,
        body="one hip higher",
        seen=(("one-sided-diagonal", "1 cm left"),),
        answers={"one-hem-higher": "unsure", "hip-line-slopes": "clear left"},
        questions=6,
    ),
    Sample("ticket-seller-round-4.jsonl", "the ticket seller", "in", 18, done=(("tuck-across-back-hip", "1/2 in round 3"),), questions=10),
)  # fmt: skip


def typed(sample: Sample, interview: Interview) -> Iterator[str]:
    """The lines a fitter types, one after the other, as the interview asks for them."""
    for alteration, amount in sample.done:
        yield alteration
        yield amount
    yield ""
    yield from ((sample.body, "") if sample.body else ("",))
    for symptom, amount in sample.seen:
        yield symptom
        if amount:
            yield amount
    if sample.note:
        yield f"note {sample.note}"
    yield ""
    for _ in range(sample.questions):
        asking = interview.asking
        if interview.finished or asking is None:
            return
        yield sample.answers.get(asking, sample.otherwise)
        if interview.expects_amount:
            yield ""
    yield "stop"


def hold(sample: Sample, base: RuleBase, path: Path) -> None:
    """Hold one session and write its log to `path`; the clock is the sample's own, so the log is the same every time."""
    clock = _clock(datetime(2026, 11, sample.day, 9, 30, tzinfo=UTC))
    with (
        patch("fitdiag.sessions.log.now", lambda: next(clock)),
        SessionLog.create(path, base, client=sample.client, units=sample.units) as log,
    ):
        head = {"event": "start", "client": sample.client, "units": sample.units}
        interview = Interview(base, (head,), log.append, single=True)
        interview.prompt()
        for line in typed(sample, interview):
            interview.reply(line)
            interview.prompt()
        log.append(conclusion_event(interview.conclusion))


def _clock(start: datetime) -> Iterator[datetime]:
    while True:
        yield start
        start += timedelta(seconds=20)


def main() -> None:
    """Write all sample sessions anew."""
    try:
        base = load_rules()
    except ProblemsFoundError as stopped:
        sys.exit("\n".join([*map(str, stopped.problems), "Mend these first: fitdiag rules check."]))
    for sample in SESSIONS:
        path = SAMPLES / sample.file
        path.unlink(missing_ok=True)
        hold(sample, base, path)
        path.chmod(0o644)
        print(f"{path.name}: {sum(1 for _ in path.open(encoding='utf-8'))} events")


if __name__ == "__main__":
    main()
