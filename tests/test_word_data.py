"""The phrases, answers and mails written from the other side: whole, of known ids, and fit to be split in two halves."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from plain_yaml import plain_yaml

from fitdiag.knowledge.load import load_rules

DATA = Path(__file__).parent / "data"
MAILS = DATA / "mails"
BASE = load_rules()
KNOWN = {"sign": BASE.symptoms, "body": BASE.body_notes, "alteration": BASE.alterations}
FILES = {"sign": "phrases-signs.yaml", "body": "phrases-body.yaml", "alteration": "phrases-alterations.yaml"}
HALVES = {"tune", "judge"}
SEEN = {"yes", "no", "unsure"}
MEANT = {"seen", "severity", "side", "more", "amount", "left", "right", "between", "vague", "look_again", "refuse"}
LENGTHS = ("amount", "left", "right")


def read(name: str) -> Any:
    return plain_yaml(DATA / name)


PHRASES: dict[str, list[dict[str, Any]]] = {kind: read(name) for kind, name in FILES.items()}
ANSWERS = read("answers.yaml")
TRUTH: list[dict[str, Any]] = read("mails/truth.yaml")


def as_list(value: str | list[str]) -> list[str]:
    return [value] if isinstance(value, str) else value


def meant(kind: str, entry: dict[str, Any]) -> list[str]:
    """The ids of its own kind that a phrase stands for; none for a phrase that means nothing, or a body note."""
    if entry.get("none") or (kind == "sign" and "body" in entry):
        return []
    return as_list(entry.get(kind) or entry["any_of"])


def plain(text: str) -> str:
    return " ".join("".join(c if c.isalnum() else " " for c in text.casefold()).split())


@pytest.mark.parametrize(("kind", "at_least"), [("sign", 320), ("body", 130), ("alteration", 60)])
def test_phrases_are_enough_and_of_known_ids(kind: str, at_least: int) -> None:
    """Each phrase says one of: an id, several that fit, a body note, nothing; none stands in twice."""
    entries = PHRASES[kind]
    assert len(entries) >= at_least
    twice = [phrase for phrase, count in Counter(plain(e["phrase"]) for e in entries).items() if count > 1]
    assert twice == []
    for entry in entries:
        assert entry["half"] in HALVES, entry
        assert len(set(entry) - {"phrase", "half"}) == 1, entry
        assert set(meant(kind, entry)) <= set(KNOWN[kind]), entry
        assert set(as_list(entry.get("body", []))) <= set(BASE.body_notes), entry


@pytest.mark.parametrize("kind", ["sign", "body", "alteration"])
def test_no_phrase_copies_a_title(kind: str) -> None:
    """A phrase that repeats a title would be found without any words of people."""
    titles = {plain(rule.title) for rule in KNOWN[kind].values()}
    assert [e["phrase"] for e in PHRASES[kind] if plain(e["phrase"]) in titles] == []


@pytest.mark.parametrize("kind", ["sign", "body"])
def test_every_id_has_phrases_in_both_halves(kind: str) -> None:
    """What is tuned on one half can be judged on the other, for each sign and each body note."""
    halves: dict[str, set[str]] = {}
    for entry in PHRASES[kind]:
        for rule in meant(kind, entry):
            halves.setdefault(rule, set()).add(entry["half"])
    assert {rule: HALVES - halves.get(rule, set()) for rule in KNOWN[kind] if halves.get(rule) != HALVES} == {}


@pytest.mark.parametrize("kind", ["sign", "body", "alteration"])
def test_the_halves_are_of_a_size(kind: str) -> None:
    sizes = Counter(entry["half"] for entry in PHRASES[kind])
    assert abs(sizes["tune"] - sizes["judge"]) <= len(PHRASES[kind]) / 10


def test_phrases_that_mean_no_sign_are_there() -> None:
    """A word that is offered a sign although it means none is a fault only such phrases show."""
    assert sum(not meant("sign", entry) for entry in PHRASES["sign"]) >= 20
    assert sum(bool(entry.get("none")) for entry in PHRASES["body"]) >= 5


def check_meaning(meaning: dict[str, Any]) -> None:
    assert set(meaning) <= MEANT, meaning
    if meaning.get("refuse"):
        assert set(meaning) == {"refuse"}, meaning
        return
    assert meaning["seen"] in SEEN, meaning
    assert meaning.get("side", "both") in {"left", "right", "both"}, meaning
    assert meaning.get("more", "left") in {"left", "right"}, meaning
    assert meaning.get("severity", "slight") in {"slight", "clear", "strong"}, meaning
    assert all(0 <= meaning.get(name, 0) <= 100 for name in LENGTHS), meaning
    low, high = meaning.get("between", (0, 1))
    assert low < high, meaning


def test_answers_are_enough_and_readable() -> None:
    """Eighty answers to one question and some to six at once, each with what it means in known terms."""
    single, several = ANSWERS["one"], ANSWERS["several"]
    assert len(single) >= 80
    assert len({(e["answer"], e["to"], e["units"]) for e in single}) == len(single)
    for entry in single:
        assert entry["to"] in BASE.symptoms, entry
        assert entry["half"] in HALVES, entry
        assert entry["units"] in {"in", "cm"}, entry
        assert entry["means"], entry
        for meaning in entry["means"]:
            check_meaning({k: v for k, v in meaning.items() if not k.endswith("_severity")})
    for entry in several:
        assert entry["half"] in HALVES
        assert set(entry["means"]) <= set(range(1, 7)), entry
        for meaning in entry["means"].values():
            check_meaning(meaning)


def test_mails_are_many_each_with_its_truth() -> None:
    names = [truth["mail"] for truth in TRUTH]
    assert len(names) >= 20
    assert sorted(names) == sorted(path.name for path in MAILS.glob("*.txt"))
    assert Counter(truth["half"] for truth in TRUTH)["judge"] >= 10


@pytest.mark.parametrize("truth", TRUTH, ids=[truth["mail"] for truth in TRUTH])
def test_a_mail_says_what_its_truth_says(truth: dict[str, Any]) -> None:
    """Each sentence stands in the mail word for word; each id is known; a mail names no client but by role."""
    lines = (MAILS / truth["mail"]).read_text(encoding="utf-8").splitlines()
    mail = " ".join(" ".join(line.removeprefix("> ") for line in lines).split())
    for part in ("signs", "may", "body", "done", "not"):
        for entry in truth[part]:
            assert entry["sentence"] in mail, entry
    for part, known in (("signs", KNOWN["sign"]), ("body", KNOWN["body"]), ("done", KNOWN["alteration"])):
        for entry in truth[part]:
            assert set(as_list(entry.get("id") or entry["any_of"])) <= set(known), entry
            assert all(0 < entry.get(name, 1) <= 100 for name in LENGTHS), entry
    for entry in truth["signs"] + truth["may"]:
        assert entry["seen"] in {"yes", "no"}, entry
        assert set(entry.get("ids", [])) <= set(BASE.symptoms), entry
    assert {entry["what"] for entry in truth["not"]} <= {"signs", "body", "done", "amount"}
