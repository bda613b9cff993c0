"""Which rule words speak of, by how often each word stands in the phrases of each rule."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from math import exp, log

_ADDED = 0.5  # words added to every count, so that no word is impossible


class NaiveBayes:
    """Naive Bayes over sets of words, with Lidstone smoothing.

    Source: C. D. Manning, P. Raghavan and H. Schütze, Introduction to Information Retrieval (2008), chapter 13, from memory.
    """

    def __init__(self, phrases: Mapping[str, Sequence[Sequence[str]]]) -> None:
        counts = {name: Counter(word for row in rows for word in set(row)) for name, rows in phrases.items()}
        self.words = frozenset().union(*counts.values()) if counts else frozenset()
        self._least = {name: log(_ADDED) - self._total(count) for name, count in counts.items()}
        self._extra = {
            name: {word: log(n + _ADDED) - log(_ADDED) for word, n in count.items()} for name, count in counts.items()
        }
        self._before = {name: log(max(1, len(rows))) for name, rows in phrases.items()}

    def _total(self, count: Counter[str]) -> float:
        return log(count.total() + _ADDED * len(self.words))

    def chances(self, words: Sequence[str]) -> dict[str, float]:
        """The chance of each rule, given that the words speak of one; words in no phrase say nothing."""
        known = set(words) & self.words
        odds = {
            name: before + len(known) * self._least[name] + sum(self._extra[name].get(word, 0.0) for word in known)
            for name, before in self._before.items()
        }
        most = max(odds.values(), default=0.0)
        shares = {name: exp(one - most) for name, one in odds.items()}
        total = sum(shares.values())
        return {name: share / total for name, share in shares.items()}
