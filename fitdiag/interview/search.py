"""From a word as a fitter types it to the rules it may mean; misspellings are forgiven."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache

from fitdiag.knowledge.model import Alteration, BodyNote, RuleBase, Symptom

_WORD = re.compile(r"[a-z]+")
_EMPTY = """
    a an and are at be bit bits d do does feel for from has have her his i in is it its little me much my of on or s t that
    the their them there they this to too very was we were when with you your
"""
_EMPTY_WORDS = frozenset(_EMPTY.split())
_IRREGULAR = {"took": "take", "taken": "take", "swung": "swing", "hung": "hang", "tore": "tear", "torn": "tear"}
_PLAIN = 0.9  # from here on a word is taken as meant, not as misspelt
_CLOSE = 0.74  # similarity of two words from which one is taken for the other misspelt
_LEAST = 0.5
_NEAR_THE_BEST = 0.85  # what scores less than this share of the best match is not offered


def _stem(word: str) -> str:
    for ending in ("ings", "ing", "ies", "ed", "es", "s"):
        if word.endswith(ending) and len(word) - len(ending) >= 3:
            return word[: -len(ending)]
    return word


@lru_cache(maxsize=4096)
def _words(text: str) -> tuple[str, ...]:
    words = (word for word in _WORD.findall(text.lower()) if word not in _EMPTY_WORDS)
    return tuple(_IRREGULAR.get(word) or _stem(word) for word in words)


@lru_cache(maxsize=20000)
def _alike(typed: str, known: str) -> float:
    if typed == known:
        return 1.0
    if len(typed) >= 3 and known.startswith(typed):
        return _PLAIN
    if len(known) >= 3 and typed.startswith(known) and len(typed) - len(known) <= 3:  # saggy for sag
        return 0.85
    if len(typed) < 4 or len(known) < 3:
        return 0.0
    ratio = difflib.SequenceMatcher(None, typed, known).ratio()
    return ratio * _PLAIN if ratio >= _CLOSE else 0.0


def _score(typed: Sequence[str], strong: Iterable[str], weak: Iterable[str]) -> float:
    strong, weak = set(strong), set(weak)
    total = 0.0
    for word in typed:
        best = max((_alike(word, known) for known in strong), default=0.0)
        total += max(best, 0.6 * max((_alike(word, known) for known in weak), default=0.0))
    return total / len(typed)


def _find(text: str, entries: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]], most: int) -> tuple[str, ...]:
    typed = _words(text)
    if text.strip().lower() in entries:
        return (text.strip().lower(),)
    known = {word for strong, weak in entries.values() for word in (*strong, *weak)}
    typed = tuple(
        word for word in typed if any(_alike(word, other) for other in known)
    )  # the rest is not the rules' own
    if not typed:
        return ()
    scored = [(_score(typed, strong, weak), rule_id) for rule_id, (strong, weak) in entries.items()]
    best = max((score for score, _ in scored), default=0.0)
    scored = [(score, rule_id) for score, rule_id in scored if score >= max(_LEAST, best * _NEAR_THE_BEST)]
    scored.sort(key=lambda pair: -pair[0])
    return tuple(rule_id for _, rule_id in scored[:most])


def meant_plainly(base: RuleBase, rule_id: str, text: str) -> bool:
    """Whether every word typed is a word of this rule, so that no one need be asked whether it is the one meant."""
    if rule_id in base.symptoms:
        strong = _symptom(base.symptoms[rule_id])[0]
    elif rule_id in base.alterations:
        strong = _alteration(base.alterations[rule_id])[0]
    else:
        strong = _body_note(base.body_notes[rule_id])[0]
    return text.strip().lower() == rule_id or all(
        max((_alike(word, known) for known in strong), default=0.0) >= _PLAIN for word in _words(text)
    )


def find_symptoms(base: RuleBase, text: str, most: int = 9) -> tuple[str, ...]:
    """The symptoms a word may mean, the likeliest first.

    A fitter's own search words, the title and the id count more than the question and the way to look.
    """
    return _find(text, {rule.id: _symptom(rule) for rule in base.symptoms.values()}, most)


def _symptom(rule: Symptom) -> tuple[tuple[str, ...], tuple[str, ...]]:
    strong = _words(" ".join((rule.title, rule.id.replace("-", " "), *rule.search)))
    return strong, _words(rule.ask + " " + (rule.measure.what if rule.measure else ""))


def find_alterations(base: RuleBase, text: str, most: int = 9) -> tuple[str, ...]:
    """The alterations a word may mean, the likeliest first."""
    return _find(text, {rule.id: _alteration(rule) for rule in base.alterations.values()}, most)


def _alteration(rule: Alteration) -> tuple[tuple[str, ...], tuple[str, ...]]:
    return _words(f"{rule.title} {rule.id.replace('-', ' ')}"), _words(
        f"{rule.operation.does} {rule.operation.cut} {rule.why}"
    )


def find_body_notes(base: RuleBase, text: str, most: int = 9) -> tuple[str, ...]:
    """The body notes a word may mean, the likeliest first."""
    return _find(text, {rule.id: _body_note(rule) for rule in base.body_notes.values()}, most)


def _body_note(rule: BodyNote) -> tuple[tuple[str, ...], tuple[str, ...]]:
    return _words(" ".join((rule.title, rule.id.replace("-", " "), *rule.search))), _words(rule.judge)
