"""What is shown reads like a fitter wrote it: the list first and on one screen, and no word of machines anywhere."""

from __future__ import annotations

import re
from itertools import takewhile
from pathlib import Path

import pytest

from fitdiag.interview.engine import Interview
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.wearer import for_wearer
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import as_markdown, as_text, on_screen
from fitdiag.sessions.log import read_log
from fitdiag.sessions.replay import replay

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = sorted((ROOT / "sample_sessions").glob("*.jsonl"))
MACHINE = re.compile(
    r"\b(?:bits|beliefs?|posteriors?|priors?|probabilit(?:y|ies)|likelihoods?|odds|evidence|held out|learned from|entropy|bayes\w*"
    r"|noisy|null|none found|yaml|json|traceback|parameters?|thresholds?|ids?|boolean|string|array|index|node|network|worlds?"
    r"|importance sampling|std|sigma|float)\b",
    re.IGNORECASE,
)
ID = re.compile(r"\b[a-z]+(?:-[a-z]+){2,}\b")
SCREEN = 24


def ids(base: RuleBase) -> set[str]:
    return {*base.symptoms, *base.causes, *base.alterations, *base.body_notes}


def no_machine(text: str, base: RuleBase) -> None:
    """No word of the list, and nothing that is an id of the rules."""
    assert not MACHINE.findall(text)
    assert not {word for word in ID.findall(text) if word in ids(base)}


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_the_list_comes_first_and_fits_a_screen(base: RuleBase, path: Path) -> None:
    """Title, verdict, each alteration in a line, what is conditional and what to check: 24 lines of 80 columns."""
    report = make_report(base, replay(read_log(path), base).conclusion)
    lines = as_text(report, 80).splitlines()
    assert len(list(takewhile(lambda line: line != "Findings", lines))) <= SCREEN
    assert lines[3] == "In short"
    for item in report.plan.recommendations:
        assert item.title.split(" (")[0][:30] in "\n".join(lines[:SCREEN])
    alone = on_screen(make_report(base, report.conclusion, steps=False), 80)
    assert len(alone.splitlines()) <= SCREEN
    assert "--full" in alone
    assert "Findings" not in alone


@pytest.mark.parametrize("garment", ["trousers", "skirt"])
@pytest.mark.parametrize("alone", [False, True])
def test_the_wearer_is_spoken_to_and_alone_needs_nobody(garment: str, alone: bool) -> None:
    """No text for the wearer speaks of a client; for somebody alone no step behind asks for pins on the body or another pair of hands."""
    told = for_wearer(load_rules(ROOT / "rules" / garment), alone=alone)
    for rule in told.alterations.values():
        for text in (
            rule.title,
            rule.why,
            rule.amount.until,
            *rule.cloth,
            *rule.paper,
            *rule.true_up,
            *rule.check_next,
        ):
            assert not re.search(r"\bclient|with leave|\byou \w+(?:ss|tch)e\b", text), (rule.id, text)
        if alone:
            hands = r"\b(?:helper|somebody|someone)\b" + (
                r"|\b[Pp]in (?!nothing)" if rule.operation.piece != "front" else ""
            )
            assert not [text for text in rule.cloth if rule.operation.moves and re.search(hands, text)], rule.id
    assert not [rule.id for rule in told.symptoms.values() if "client" in rule.ask]
    if alone:
        assert not [one for one in told.about.cautions if re.search(r"helper|client|each touch", one.text + one.client)]


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_no_word_of_machines_in_a_list(base: RuleBase, path: Path) -> None:
    """Neither on the screen nor in the document with every step."""
    conclusion = replay(read_log(path), base).conclusion
    no_machine(as_text(make_report(base, conclusion, steps=False)), base)
    no_machine(as_markdown(make_report(base, conclusion)).replace("\\", ""), base)


def test_no_word_of_machines_in_an_interview(base: RuleBase) -> None:
    """Questions, what is said to answers, how to look, why, and so far."""
    talk = Interview(base, ({"event": "start"},), lambda event: event)
    said = []
    for line in (
        "",
        "?",
        "",
        "folds-under-seat clear",
        "?back",
        "",
        "why",
        "?1",
        "so far",
        "no",
        "why",
        "dunno",
        "so far",
    ):
        said += [one.text for one in talk.prompt()]
        said += [one.text for one in talk.reply(line)]
    no_machine("\n".join(said), base)
