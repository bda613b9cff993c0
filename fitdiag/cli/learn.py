"""`fitdiag learn` and `fitdiag compare`: what sessions teach about the rules, and how two fitters saw the same muslin."""

from __future__ import annotations

import gc
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fitdiag.cli.arguments import folder_of, rules_of
from fitdiag.cli.case_list import case_if_any
from fitdiag.cli.lists import log_of
from fitdiag.cli.output import say, say_problems, say_then, say_written, write_data
from fitdiag.diagnosis.belief import chance_words, lower_first
from fitdiag.diagnosis.learning import WEIGHT, Score
from fitdiag.files import refuse_taken, write_atomically
from fitdiag.knowledge.load import load_rules
from fitdiag.problems import command, one_line, shown_path
from fitdiag.sessions import replay
from fitdiag.sessions.learn import HELD_OUT, Learning, learn_from, patch
from fitdiag.templates import render

SCHEMA = "fitdiag.learning/1"


def learn(paths: Sequence[str], rules: str | None, to: str | None, *, as_json: bool, replace: bool) -> int:
    if to is not None:  # fail before minutes of work
        refuse_taken(Path(to), replace=replace)
    gc.enable()  # thousands of sessions are read; shorter commands run without collection
    folder = folder_of(rules)
    base = load_rules(folder)
    learning = learn_from(base, [_place_of(path) for path in paths])
    say_problems(learning.gathered.left_out)
    if to is not None and learning.changes:
        write_atomically(Path(to), patch(folder, learning.changes), replace=replace, private=False)
    if as_json:
        write_data(learned_data(learning))
        return 0
    say(render("cli/learn.txt", base=base, learning=learning, held_out=HELD_OUT))
    if not learning.changes:
        say("No word is to be changed." + (" No patch is written." if to is not None else ""))
    elif to is None:
        say("The rules are as they were. With --patch FILE the changes are written as a patch, to be accepted.")
    else:
        say_written(to)
        say("The rules are as they were. Read it and take out what you do not believe.")
        text = f"To accept it, in the folder {one_line(shown_path(folder))}:"
        say_then(text, f"patch -p0 < {command(Path(to).resolve())}")
        say("Then fitdiag rules check and fitdiag rules test. The sources stay; say there what was learned.")
    return 0


def _place_of(given: str) -> Path:
    """The file or folder given, or the folder of the case of that name."""
    path = Path(given)
    return path if path.exists() else case_if_any(given) or path


def learned_data(learning: Learning) -> dict[str, Any]:
    """What was learned as one JSON object: ids, words, numbers and counts, nothing personal."""

    def scores(score: Score) -> dict[str, Any]:
        return {
            "answers": score.answers,
            "answer_log_loss_bits": round(score.answer_bits / score.answers, 6) if score.answers else None,
            "answer_brier": round(score.answer_brier / score.answers, 6) if score.answers else None,
            "cases": score.cases,
            "cause_log_loss_bits": round(score.cause_bits / score.cases, 6) if score.cases else None,
            "cause_brier": round(score.cause_brier / score.cases, 6) if score.cases else None,
        }

    return {
        "schema": SCHEMA, "logs": learning.gathered.files, "left_out": len(learning.gathered.left_out),
        "with_outcome": learning.with_outcome, "learned_from": len(learning.gathered.training),
        "held_out": len(learning.gathered.held_out), "prior_worth": WEIGHT, "rounds": learning.learned.rounds,
        "scores": {
            "as_the_rules_stand": scores(learning.before),
            "with_the_changes": scores(learning.words),
            "as_learned": scores(learning.numbers),
        },
        "changes": [
            {
                "what": change.kind, "rule": change.rule, **({"symptom": change.symptom} if change.symptom else {}),
                "from": change.old, "to": change.new, "learned": round(change.estimate.value, 4),
                "low": round(change.estimate.low, 4), "high": round(change.estimate.high, 4), "asked": change.asked,
                "seen": change.seen, "expected_there": round(change.estimate.trials, 2),
                "expected_brought": round(change.estimate.hits, 2),
            }
            for change in learning.changes
        ],
    }  # fmt: skip


def compare(one: str, other: str, rules: str | None, *, as_json: bool) -> int:
    logs = log_of(one), log_of(other)
    base = rules_of(rules, *logs)
    comparison = replay.compare_logs(*logs, base)
    if as_json:
        write_data(replay.as_data(comparison))
        return 0
    words = {"title": base.title, "chance": chance_words, "lower": lower_first, "noticeable": replay.NOTICEABLE}
    say(render("cli/compare.txt", found=comparison, **words).rstrip())
    return 0
