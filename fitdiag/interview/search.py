"""Rank the rules that everyday words may mean, tolerating misspelling, word order and wording.

A rule is matched by its title and its everyday phrases (`search`). What is typed and these phrases are first put in plain words
(`plainly`), so that a saying fits a sign however it is worded: room for two in there is loose cloth, a hand-me-down is no hand.
Words are stemmed and mapped to the rule base's synonyms (`alike`: bum, bottom and backside are the seat); rare words weigh more
than common ones. A match is only a proposal, unless it is a rule's own name (`own_name`).
"""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from math import exp, log
from pathlib import Path
from typing import Any, Literal

from fitdiag.knowledge.model import Alteration, BodyNote, RuleBase, Symptom
from fitdiag.knowledge.strict_yaml import read_yaml

Kind = Literal["symptom", "body note", "alteration"]
Weights = Mapping[str, float]  # the stems a word may stand for, each with a weight of 0 to 1

_WORD = re.compile(r"[a-z']+")
_ENDINGS = ("iness", "ness", "ings", "ing", "ies", "ier", "ed", "er", "es", "s", "y")
_ALIKE = 0.85  # weight of a synonym
_UNKNOWN = 1.2  # the weight of a word no rule knows
_SPELT = 0.78  # least similarity of a misspelt word
_LIKE = 0.65  # the same beside a word that is spelt right
_SWAPPED = 0.9  # similarity of a word with two letters swapped
_FEW_LETTERS = 4  # a word of no more letters, with two swapped, is too often another: foot, foto
_TELLING = 9.0  # least weight a phrase is held against
_AGAINST = 0.8  # factor for a rule that says the opposite
_LENIENT, _WHOLE = 0.6, 0.5  # weight of extra words against a fit; share of all phrases together
_SOONER = 0.15  # margin by which a text fits one kind better than another
_NAMED = 0.6  # least fit for words to name a rule
_LEAST, _NEAR_THE_BEST = 0.2, 0.3
_ITS_OWN = 0.999  # least fit of a rule's own phrase
_BY_WORDS = 0.05  # weight of the naive Bayes log probability
_REMEMBERED = 64  # texts of which it is kept what they may name
_ADDED = 0.5  # Lidstone smoothing: added to every count


@cache
def _words_file() -> Mapping[str, Any]:
    data: Mapping[str, Any] = read_yaml(Path(__file__).with_name("words.yaml")).data
    return data


@cache
def _english(kind: str) -> Mapping[str, str]:
    """The words of a kind in `words.yaml`, each with its base form; empty except for irregular words."""
    data = _words_file()
    if kind == "irregular":
        return {**data[kind], **{word: name for name in ("cannot", "not") for word in data[name].split()}}
    return dict.fromkeys(data[kind].split(), "")


_FIRST_WORDS = re.compile(r"\(\?:([^()]+)\)|([\w']+)")  # what a saying begins with: one word, or one of several


@cache
def _sayings() -> tuple[re.Pattern[str], tuple[str, ...], frozenset[str]]:
    """One pattern of all sayings with a group for each meaning, the meanings in that order, and the first words of all."""
    said: Mapping[str, Sequence[str]] = _words_file()["sayings"]
    groups = "|".join(f"({'|'.join(forms)})" for forms in said.values())
    begins = [_FIRST_WORDS.match(form) for forms in said.values() for form in forms]
    firsts = frozenset(one.split()[0] for found in begins if found for one in (found[1] or found[2]).split("|"))
    return re.compile(rf"\b(?:{groups})(?![\w'])"), tuple(said), firsts


def plainly(text: str) -> str:
    """A text in small letters, without hyphens, with its sayings put in plain words.

    >>> plainly("you could fit two of me in the seat"), plainly("no room at the hip"), plainly("a hand me down")
    ('you loose spare in the seat', 'tight at the hip', 'a ')
    """
    pattern, meanings, firsts = _sayings()
    if firsts.isdisjoint(text.split()):  # ten times faster than the pattern, and most texts hold none
        return text
    return pattern.sub(lambda found: meanings[(found.lastindex or 1) - 1].removeprefix("nothing"), text)


def _stem(word: str) -> str:
    for ending in _ENDINGS:
        if word.endswith(ending) and len(word) - len(ending) >= 3:
            word = word[: -len(ending)]
            break
    if len(word) > 3 and word[-1] == word[-2] and word[-1] not in "sl":
        word = word[:-1]
    return word[:-1] if word.endswith("e") and len(word) > 3 else word


@lru_cache(maxsize=16384)
def _words(text: str) -> tuple[str, ...]:
    plain = plainly(text.lower().replace("’", "'").replace("-", " "))
    stems = map(_stem_of, _WORD.findall(plain))
    return tuple(stem for stem in stems if stem)


@lru_cache(maxsize=16384)
def _stem_of(word: str) -> str:
    """The stem of a word; empty for a stop word."""
    plain = _english("irregular").get(word) or re.sub(r"'(?:s|re|ve|d|ll|m)$", "", word).strip("'")
    plain = _english("irregular").get(plain, plain)
    return _stem(plain) if plain not in _english("empty") and (len(plain) > 1 or plain in "vox") else ""


@lru_cache(maxsize=16384)
def _alone(stem: str) -> Weights:
    """The weights of a word without synonyms."""
    return {stem: 1.0}


def _with_two_turned(word: str) -> set[str]:
    """A word with two neighbouring letters swapped, in every way that makes another."""
    return {f"{word[:at]}{word[at + 1]}{word[at]}{word[at + 2 :]}" for at in range(len(word) - 1)} - {word}


def _meanings(base: RuleBase) -> tuple[dict[str, dict[str, float]], dict[tuple[str, ...], str]]:
    """What each stem may stand for, by the rule base's synonyms, and the phrases of several words that stand for one."""
    single: dict[str, dict[str, float]] = {}
    several: dict[tuple[str, ...], str] = {}
    for name, others in base.about.alike.items():
        meant = _stem(name)
        single.setdefault(meant, {})[meant] = 1.0
        for other in others:
            stems = _words(other)
            if len(stems) > 1:
                several[stems] = meant
            elif stems and stems[0] != meant:
                single.setdefault(stems[0], {}).setdefault(meant, _ALIKE)
    for stem, meant_by in single.items():
        meant_by.setdefault(stem, 1.0)
    return single, several


@dataclass(frozen=True)
class Heard:
    """A rule that a text may name.

    `fit`: 0 to 1; `phrase`: its best-fitting phrase; `shared`: the weight of the words in both; `covered`: how much of one of its
    phrases the text contains, whatever else it says (0 to 1; less for a short phrase).
    """

    fit: float
    id: str
    phrase: str
    shared: float
    covered: float


# An occurrence of a stem: index of the phrase, negative weight of the word there (so that the best sort first), and index of
# the word in the phrase.
_Place = tuple[int, float, int]
_COMPARED_WITHIN = 5  # words after "than" among which the place compared with stands
_Asked = tuple[Kind, str, float, float, float]  # what `Words.heard` is asked


class Words:
    """An index of the words of one rule base."""

    def __init__(self, base: RuleBase) -> None:
        self._single, self._several = _meanings(base)
        self._begins = frozenset(stems[0] for stems in self._several)
        self.place_stems = frozenset(_stem(one) for one in base.about.places)
        self._turned = {
            turned: one for one in base.about.places if len(one) > _FEW_LETTERS for turned in _with_two_turned(one)
        }
        self._poses = {_stem(one) for one in base.about.poses}
        opposites = [(_stem(one), _stem(other)) for one, other in base.about.opposites]
        self._against = opposites + [(other, one) for one, other in opposites]
        self._tables: Mapping[Kind, Mapping[str, Symptom | BodyNote | Alteration]] = {
            "symptom": base.symptoms, "body note": base.body_notes, "alteration": base.alterations,
        }  # fmt: skip
        self._everyday = {row.symptom: row.phrases for row in base.everyday}
        self._made: dict[Kind, _Table] = base.worked_out.setdefault(("tables of words",), {})
        self._heard: dict[_Asked, tuple[Heard, ...]] = {}  # of the last texts: one line is asked after several times

    def find(self, kind: Kind, text: str, most: int = 5) -> tuple[str, ...]:
        """The ids of the rules a text may mean, likeliest first; empty if none is near."""
        if self.own_name(kind, text):
            return (self.own_name(kind, text),)
        heard = self.heard(kind, text)
        near = [(one.fit, one.id) for one in heard if one.fit >= max(_LEAST, heard[0].fit * _NEAR_THE_BEST)]
        if kind == "symptom":  # the other kinds have too few phrases to count words in
            chances = self.chances(kind, text)
            near.sort(key=lambda one: (one[0] < _ITS_OWN, -one[0] - _BY_WORDS * log(chances[one[1]] + 0.001)))
        return tuple(name for _, name in near[:most])

    def own_name(self, kind: Kind, text: str) -> str:
        """The id of the rule whose id or title this is, word for word; empty if there is none."""
        return self._table(kind).own.get(_plain(text), "")

    def named(self, kind: Kind, text: str) -> tuple[str, ...]:
        """The rules a text names beyond reasonable doubt; empty if it only may."""
        heard = self.heard(kind, text)[:3] if self.telling(kind, text) > 1 else []
        return tuple(one.id for one in heard) if heard and heard[0].fit >= _NAMED else ()

    def sooner(self, kind: Kind, other: Kind, text: str) -> bool:
        """Whether a text fits a rule of one kind clearly better than any of the other."""
        return self.telling(kind, text) > 1 and self.fit(kind, text) > self.fit(other, text) + _SOONER

    def fit(self, kind: Kind, text: str) -> float:
        """How well a text fits the likeliest rule of a kind, 0 to 1."""
        return next((one.fit for one in self.heard(kind, text)), 0.0)

    def is_phrase(self, kind: Kind, text: str) -> bool:
        """Whether a text has the very words of a phrase of some rule of this kind, in any order."""
        return self.fit(kind, text) >= _ITS_OWN

    def telling(self, kind: Kind, text: str) -> int:
        """How many different words of a text occur in rules of this kind."""
        table = self._table(kind)
        return len({stem for stem in self._stems(text) if stem in table.stems and stem not in _english("answering")})

    def strange(self, kind: Kind, text: str) -> tuple[str, ...]:
        """The words of a text, as typed, that occur in no rule of a kind and are no misspelling of one that does."""
        table = self._table(kind)
        typed = dict.fromkeys(_WORD.findall(text.lower().replace("’", "'")))
        return tuple(
            word
            for word in typed
            if (stem := _stem_of(word)) and table.spelt(stem) == (stem, 1.0) and stem not in table.stems
        )

    def left_over(self, kind: Kind, rule_ids: Iterable[str], text: str) -> str:
        """The stretch of a text with words that are not among those of some rules; empty unless it tells something of another place.

        A word counts by all that it may stand for, a rule by the very words of its phrases and its question.
        """
        rules = [self._tables[kind][name] for name in rule_ids]
        theirs = {stem for rule in rules for words in (*_phrases(rule), _aside(rule)) for stem in _words(words)}
        typed = [(found, self._typed(self._table(kind), found[0])[0]) for found in _WORD.finditer(text.lower())]
        left = [found for found, meant in typed if any(theirs.isdisjoint(stems) for stems in meant)]
        elsewhere = any(_stem_of(found[0]) in self.place_stems for found in left)
        return text[left[0].start() : left[-1].end()] if elsewhere and len(left) > 1 else ""

    def shared(self, kind: Kind, text: str, phrase: str, *, as_typed: bool = False) -> dict[str, Weights]:
        """The words a text shares with a phrase, each with all it may stand for; `as_typed`: none of them corrected."""
        meant = {name for word in self.meant(_words(phrase)) for name in word}
        typed = self.meant(self._stems(text)) if as_typed else self._typed(self._table(kind), text)[0]
        return {max(word, key=lambda name: word[name]): word for word in typed if not meant.isdisjoint(word)}

    def phrases(self, kind: Kind, rule_id: str) -> tuple[str, ...]:
        """What a rule is called, and the everyday phrases for it."""
        return _phrases(self._tables[kind][rule_id])

    def alike_beside(self, text: str, phrase: str) -> bool:
        """Whether a word of a text is like one of a phrase, beside the words they share: low seet, low seat."""
        ours, theirs = set(self._stems(text)), set(_words(phrase))
        pairs = ((one, other) for one in ours - theirs for other in theirs - ours)
        return any(difflib.SequenceMatcher(None, one, other).ratio() >= _LIKE for one, other in pairs)

    def is_one(self, text: str) -> bool:
        """Whether a text is a single word, but for stop words, or several that stand for one."""
        return len(self.meant(self._stems(text))) == 1

    def names_more(self, kind: Kind, text: str) -> bool:
        """Whether a text mentions more than places and poses."""
        rarity = self._table(kind).rarity
        return any(stem in rarity and not self._is_aside(stem) for stem in self._stems(text))

    def places_and_poses_only(self, text: str) -> bool:
        """Whether a text has no word, known or not, but places, poses and those of an answer."""
        return all(map(self._is_aside, self._stems(text)))

    def _is_aside(self, stem: str) -> bool:
        aside = self.place_stems | self._poses | _english("answering").keys()
        return not aside.isdisjoint(*self.meant((stem,)))

    def measures(self, symptom: str) -> bool:
        """Whether a symptom is measured."""
        return getattr(self._tables["symptom"][symptom], "measure", None) is not None

    def length(self, text: str) -> int:
        """How many words of a text are not stop words."""
        return len(self._stems(text))

    def places(self, text: str) -> str:
        """The places of the garment and the body that a text names."""
        stems = [self._table("symptom").spelt(stem)[0] for stem in self._stems(text)]
        return " ".join(sorted({name for word in self.meant(stems) for name in word} & self.place_stems))

    def uncompared(self, text: str) -> str:
        """A text without the opposite place, or the other side, that it only compares with.

        "Higher behind than in front" tells of the back, so it is "higher behind".
        """
        before, _, after = text.partition(" than ")
        if not after:
            return text
        compared, here = after.split(), self.places(before).split()
        opposed = {other for one, other in self._against if one in here and other in self.place_stems}
        sides = set(re.findall(r"\b(?:left|right)\b", before.lower()))
        other_side = {"left", "right"} - sides if sides else set()
        for place, word in enumerate(compared[:_COMPARED_WITHIN]):
            if opposed & set(self.places(word).split()) or word.lower().strip(".,;:!") in other_side:
                return " ".join([before, *compared[place + 1 :]])
        return text

    def chances(self, kind: Kind, text: str) -> dict[str, float]:
        """Naive Bayes probability of each rule, given that a text is about one; spelling is corrected first."""
        table = self._table(kind)
        return table.bayes.chances(_literal(self._typed(table, text)[0]))

    def heard(
        self, kind: Kind, text: str, lenient: float = _LENIENT, unknown: float = _UNKNOWN, whole: float = _WHOLE
    ) -> tuple[Heard, ...]:
        """Every rule that a text may name, best first; none for a text without a known word.

        `lenient`: how far extra words count against a phrase, 0 to 1; `unknown`: the weight of a word in no rule; `whole`: the
        share of all phrases together, 0 to 1.
        """
        asked = (kind, text, lenient, unknown, whole)
        if asked not in self._heard:
            if len(self._heard) >= _REMEMBERED:
                self._heard.pop(next(iter(self._heard)))
            self._heard[asked] = tuple(self._heard_anew(*asked))
        return self._heard[asked]

    def _heard_anew(self, kind: Kind, text: str, lenient: float, unknown: float, whole: float) -> list[Heard]:
        table = self._table(kind)
        typed, sure = self._typed(table, text)
        if not any(name in table.rarity for word in typed for name in word):
            return []
        weights = [table.weight(word, unknown) for word in typed]
        in_all = sum(weights)
        best = dict.fromkeys(
            table.entries, (0.0, "", 0.0)
        )  # fit of a rule's best phrase, that phrase, and what it shares
        covered = dict.fromkeys(table.entries, 0.0)  # how much of one of its phrases was typed, 0 to 1
        for (rule_id, weight, phrase), shared in table.shared(typed, weights):
            fit = shared / (lenient * in_all + (1.0 - lenient) * weight)
            if fit >= best[rule_id][0]:
                best[rule_id] = max(best[rule_id], (fit, phrase, shared))
            covered[rule_id] = max(covered[rule_id], shared / max(weight, _TELLING))
        said = {name for word in typed for name in word}
        against = [(meant, other) for meant, other in self._against if meant in said and other not in said]
        known = table.known(typed, weights)
        result = []
        for rule_id, entry in table.entries.items():
            fitting, phrase, shared = best[rule_id]
            opposed = sum(other in entry and meant not in entry for meant, other in against)
            fit = (whole * known.get(rule_id, 0.0) / in_all + (1.0 - whole) * fitting) * _AGAINST**opposed
            result.append(Heard(fit * sure, rule_id, phrase, shared, covered[rule_id] * sure))
        return sorted(result, key=lambda one: -one.fit)

    def _table(self, kind: Kind) -> _Table:
        if kind not in self._made:
            self._made[kind] = _Table(self, self._tables[kind].values(), self._everyday if kind == "symptom" else {})
        return self._made[kind]

    def meant(self, stems: Sequence[str]) -> tuple[Weights, ...]:
        """What a row of stems may stand for; a known phrase of several counts as one."""
        result: list[Weights] = []
        place = 0
        while place < len(stems):
            stem, long = stems[place], 1
            if stem in self._begins:
                long = next((n for n in (3, 2) if tuple(stems[place : place + n]) in self._several), 1)
            if long > 1:
                stem = self._several[tuple(stems[place : place + long])]
            result.append(_alone(stem) if long > 1 else self._single.get(stem) or _alone(stem))
            place += long
        return tuple(result)

    def _stems(self, text: str) -> tuple[str, ...]:
        """The words of a typed text. A place with two letters swapped is that place, even if that is a word, like waits for waist."""
        for word in self._turned.keys() & set(_WORD.findall(text.lower())):
            text = re.sub(rf"\b{word}\b", self._turned[word], text, flags=re.IGNORECASE)
        return _words(text)

    def _typed(self, table: _Table, text: str) -> tuple[tuple[Weights, ...], float]:
        """The words of a text with spelling corrected, and how sure the corrections are, 0 to 1."""
        stems, sure = [], 1.0
        for word in self._stems(text):
            spelt, likeness = table.spelt(word)
            stems.append(spelt)
            sure *= likeness
        return self.meant(stems), sure

    @property
    def stems(self) -> Iterable[str]:
        return self._single


class _Table:
    """The rules of one kind: their phrases, and how rare each word is among them."""

    def __init__(
        self, words: Words, rules: Iterable[Symptom | BodyNote | Alteration], everyday: Mapping[str, Sequence[str]]
    ) -> None:
        self.entries: dict[str, frozenset[str]] = {}  # all stems of a rule, with those of its question
        rules = list(rules)
        # id or title to id; the first rule's if two share a title
        self.own: dict[str, str] = {}
        for rule in rules:
            for name in (rule.id.replace("-", " "), _plain(rule.title)):
                self.own.setdefault(name, rule.id)
        rows = {rule.id: [(words.meant(_words(text)), text) for text in _phrases(rule)] for rule in rules}
        known = {
            name: frozenset(one for row, _ in found for word in row for one in word) for name, found in rows.items()
        }
        count = Counter(name for names in known.values() for name in names)
        self.rarity = {name: log(1.0 + len(rules) / (0.5 + among)) for name, among in count.items()}
        self._phrases: list[tuple[str, float, str]] = []  # the rule, the weight of all words, and the text of each
        self._stands: dict[str, list[_Place]] = {}
        for rule in rules:
            aside = frozenset(name for word in words.meant(_words(_aside(rule))) for name in word)
            self.entries[rule.id] = known[rule.id] | aside
            for row, text in rows[rule.id]:
                for place, word in enumerate(row):
                    for name, share in word.items():
                        self._stands.setdefault(name, []).append((len(self._phrases), -share, place))
                self._phrases.append((rule.id, sum(map(self.weight, row)), text))
        for places in self._stands.values():
            places.sort()
        self._stands_for: dict[tuple[tuple[str, float], ...], Sequence[_Place]] = {}  # of words with synonyms
        self._holding: dict[str, list[str]] = {}  # the rules that have a stem
        for rule_id, entry in self.entries.items():
            for name in entry:
                self._holding.setdefault(name, []).append(rule_id)
        self.said = {name: [_literal(row) for row, _ in found] for name, found in rows.items()}
        for name, more in everyday.items():
            self.said[name].extend(_literal(words.meant(_words(one))) for one in more)
        self.bayes = NaiveBayes(self.said)
        self.stems = {*self.rarity, *words.stems, *self.bayes.words}
        self._place_stems = words.place_stems
        self._spelt: dict[str, tuple[str, float]] = {}

    def shared(
        self, typed: Sequence[Weights], weights: Sequence[float]
    ) -> Iterable[tuple[tuple[str, float, str], float]]:
        """The phrases that share words with a text, and the weight they share; each word of a phrase is used once."""
        shared, used = dict[int, float](), set[tuple[int, int]]()
        for word, weight in zip(typed, weights, strict=True):
            last = -1
            for phrase, less, place in self._places(word):
                if phrase != last and (phrase, place) not in used:
                    used.add((phrase, place))
                    shared[phrase] = shared.get(phrase, 0.0) - less * weight
                    last = phrase
        return ((self._phrases[phrase], many) for phrase, many in shared.items())

    def _places(self, word: Weights) -> Sequence[_Place]:
        """Where a word, or a stem it may stand for, occurs in the phrases."""
        if len(word) == 1:
            return self._stands.get(next(iter(word)), ())
        key = tuple(word.items())
        if key not in self._stands_for:
            found: dict[tuple[int, int], float] = {}
            for name, share in word.items():
                for phrase, less, place in self._stands.get(name, ()):
                    found[phrase, place] = min(found.get((phrase, place), 0.0), share * less)
            self._stands_for[key] = sorted((phrase, less, place) for (phrase, place), less in found.items())
        return self._stands_for[key]

    def known(self, typed: Sequence[Weights], weights: Sequence[float]) -> dict[str, float]:
        """The rules that typed words occur in, each with the weight of those words."""
        known: dict[str, float] = {}
        for word, weight in zip(typed, weights, strict=True):
            shares: dict[str, float] = {}  # of the stem that fits best
            for name, share in word.items():
                for rule_id in self._holding.get(name, ()):
                    shares[rule_id] = max(share, shares.get(rule_id, 0.0))
            for rule_id, share in shares.items():
                known[rule_id] = known.get(rule_id, 0.0) + weight * share
        return known

    def weight(self, word: Weights, unknown: float = _UNKNOWN) -> float:
        """The weight of a word, by its rarity."""
        return max((self.rarity[name] * share for name, share in word.items() if name in self.rarity), default=unknown)

    def spelt(self, stem: str) -> tuple[str, float]:
        """The known stem that this one is or may be a misspelling of, and their similarity."""
        if stem in self.stems or len(stem) < 4:
            return stem, 1.0
        if stem not in self._spelt and (swapped := self._swapped(stem)):
            self._spelt[stem] = (swapped, _SWAPPED)
        if stem not in self._spelt:
            near = difflib.get_close_matches(stem, self.stems, 3, _SPELT)
            likeness = [(difflib.SequenceMatcher(None, stem, other).ratio(), other) for other in near]
            fit = max(
                ((ratio, other in self._place_stems, other) for ratio, other in likeness
                 if other[0] == stem[0] or ratio > 0.85),
                default=None,
            )  # fmt: skip
            self._spelt[stem] = (fit[2], fit[0]) if fit else (stem, 1.0)
        return self._spelt[stem]

    def _swapped(self, stem: str) -> str:
        """The known stem that this one is but for two neighbouring letters; empty if there is none."""
        found = (one for word in sorted(_with_two_turned(stem)) for one in (word, _stem(word)))
        return next((one for one in found if one in self.stems), "")


class NaiveBayes:
    """Naive Bayes over sets of words, with Lidstone smoothing.

    Source: C. D. Manning, P. Raghavan and H. Schütze, Introduction to Information Retrieval (2008), chapter 13, from memory.
    """

    def __init__(self, phrases: Mapping[str, Sequence[Sequence[str]]]) -> None:
        counts = {name: Counter(word for row in rows for word in set(row)) for name, rows in phrases.items()}
        self.words = frozenset().union(*counts.values()) if counts else frozenset()
        self._rules = [
            (name, count, log(max(1, len(phrases[name]))), log(count.total() + _ADDED * len(self.words)))
            for name, count in counts.items()
        ]

    def chances(self, words: Sequence[str]) -> dict[str, float]:
        """The probability of each rule, given that the words are about one; words in no phrase are ignored."""
        known = set(words) & self.words
        odds = {
            name: before + sum(log(count[word] + _ADDED) - total for word in known)
            for name, count, before, total in self._rules
        }
        most = max(odds.values(), default=0.0)
        shares = {name: exp(one - most) for name, one in odds.items()}
        total = sum(shares.values())
        return {name: share / total for name, share in shares.items()}


def _plain(text: str) -> str:
    return " ".join(re.findall(r"[a-z0-9']+", text.lower().replace("’", "'")))


def _phrases(rule: Symptom | BodyNote | Alteration) -> tuple[str, ...]:
    return rule.title, rule.id.replace("-", " "), *rule.search


def _aside(rule: Symptom | BodyNote | Alteration) -> str:
    """Words of secondary weight: those of the question, or of what an alteration does."""
    if isinstance(rule, Symptom):
        return f"{rule.ask} {rule.measure.what if rule.measure else ''}"
    return f"{rule.operation.does} {rule.operation.cut}" if isinstance(rule, Alteration) else ""


def _literal(row: Iterable[Weights]) -> list[str]:
    """Each word itself, without its synonyms."""
    return [max(word, key=word.__getitem__) if len(word) > 1 else next(iter(word)) for word in row]
