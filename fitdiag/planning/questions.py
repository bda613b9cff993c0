"""Which question to ask next: one whose answer may change what is altered first; and when to stop asking.

Worlds that agree with the answers so far are drawn, and for each the first alteration is chosen as if everything were answered, by
the rules of `plan.py` but for all worlds at once. When nearly all agree, no question matters any more. Until then a question is
worth the information its answer gives about the first alteration.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import get_args

import numpy as np

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.diagnosis.worlds import Worlds, draw
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.model import RuleBase, Symptom
from fitdiag.knowledge.order import everything_before, opposed
from fitdiag.knowledge.stations import STATIONS, Station, stations_of
from fitdiag.planning.plan import (
    AS_GOOD,
    AT_THE_SAME_PLACE,
    CAREFUL,
    LIKELY,
    Planner,
    When,
    first_choice,
    without_rivals,
)

WORLDS = 240
SURE = 0.98  # probability from which the first alteration counts as settled
PATIENCE = 0.11  # SURE is relaxed by this once ENOUGH are asked, in proportion before
SAFE = 0.008  # largest probability that an unasked sign speaks against it
LEAST = 0.012  # bits below which a question is not asked
STAY = 0.5  # a station is left when its best question is worth less than this share of the best elsewhere
ENOUGH = 17  # questions asked unprompted
MOVED = 3  # after this many changes of station, stay until hardly anything is left to ask
MORE = 30  # questions asked while the first alteration is still open
OPEN = 0.66  # below this probability that the first stays first, it is open
FOR_SAFETY = 1  # extra questions about what may speak against the first alteration
BESIDE = 0.5  # a question joins a screen if worth this share of the best one on it
DANGER = 0.8  # bits for a sign certain to speak against the first alteration
CONTENDS = 0.025  # an alteration first in this share of the worlds is a contender
_UNLIKELY = -1e9


class Ends:
    """The rules as arrays over alterations, causes and signs, with body notes and earlier rounds already applied."""

    def __init__(self, diagnosis: Diagnosis) -> None:
        self.base, self._planner = diagnosis.base, Planner(diagnosis)
        base, planner, rules = self.base, self._planner, self.base.alterations
        causes, signs, well = diagnosis.compiled.causes, diagnosis.compiled.symptoms, base.words.how_well.words
        self.names = tuple(rules)

        def against(when: When, kind: str) -> np.ndarray:
            """Alteration x sign: 1 where a present sign (or an absent one, by `kind`) speaks against the alteration."""
            those = ((name, *one.kind_and_id) for name in rules for one in planner.conditions(name, when))
            return _table(rules, signs, ((name, sign, 1.0) for name, of_kind, sign in those if of_kind == kind))

        def always(when: When) -> np.ndarray:
            """A boolean per alteration: whether a body note or earlier alteration speaks against it, whatever shows."""
            known = ((name, one) for name in rules for one in planner.conditions(name, when) if planner.holding((one,)))
            held = {name for name, one in known if one.kind_and_id[0] in ("body", "done")}
            return np.array([name in held for name in rules])

        self.cures = _table(rules, causes, (
            (name, cause, cured) for name in rules for cause, cured in base.cures_of[name].items()
        ))  # fmt: skip
        self.harms = _table(rules, causes, (
            (rule.id, cause, well[word]) for rule in rules.values() for cause, word in rule.worsens.items()
        ))  # fmt: skip
        self.shows = _table(signs, causes, (
            (sign, cause, 1.0) for cause in causes for sign in diagnosis.signs_of[cause]
        ))  # fmt: skip
        self.treats = (self.cures > 0).astype(np.float32) @ self.shows.T > 0  # alteration x sign
        self.price = np.array([planner.price(rule) for rule in rules.values()])
        self.same_place = np.array([1.0 if planner.given[name] is None else AT_THE_SAME_PLACE for name in rules])

        self.avoid, self.careful = ([against(when, kind) for kind in ("symptom", "absent")] for when in get_args(When))
        self.never, self.always_careful = map(always, get_args(When))
        shut_out = opposed(base)
        both = np.array([[other in shut_out[one] for other in rules] for one in rules], bool)
        self.opposed = both | both.T
        self.sooner = everything_before(base)

    def firsts(self, probability: np.ndarray, seen: np.ndarray, absent: np.ndarray) -> list[str | None]:
        """The first alteration of each world. `probability`: world x cause; `seen`, `absent`: world x sign, both 0 if unknown."""
        left = np.where(seen @ self.shows > 0, probability, 0.0)
        free = ~((seen @ self.avoid[0].T + absent @ self.avoid[1].T > 0) | self.never)
        slowed = (seen @ self.careful[0].T + absent @ self.careful[1].T > 0) | self.always_careful
        factor = np.where(slowed, CAREFUL, 1.0) * self.same_place
        against = probability @ self.harms.T + self.price
        worth = self.base.setting("worth_altering") + 1e-9
        likely = (left >= LIKELY).astype(np.float32) @ (self.cures > 0).T.astype(np.float32) > 0  # world x alteration
        chosen: list[dict[str, float]] = [{} for _ in left]
        going = np.arange(len(left))
        while len(going):
            net = np.where(free[going], (left[going] @ self.cures.T) * factor[going] - against[going], _UNLIKELY)
            top = net.max(axis=1, keepdims=True)
            as_good = net >= np.minimum(top, np.maximum(top - AS_GOOD, worth + 1e-6))
            best = np.where(as_good, self.price - 1e-6 * net, np.inf).argmin(axis=1)
            for world, pick, value in zip(going, best, net[np.arange(len(going)), best], strict=True):
                if value > worth and self._planner.amount(self.names[pick]).mm > 0:
                    chosen[world][self.names[pick]] = float(value)
            going = going[net[np.arange(len(going)), best] > worth]
            best = best[net[np.arange(len(net)), best] > worth]
            free[going, best] = False
            free[going] &= ~self.opposed[best]
            left[going] *= 1.0 - self.cures[best]
        return [self._first(relief, firm, signs) for relief, firm, signs in zip(chosen, likely, seen, strict=True)]

    def speaking(self, firsts: Sequence[str | None]) -> np.ndarray:
        """A boolean per sign: whether it speaks against a contending alteration, by being present or absent."""
        often = {name for name, times in Counter(firsts).items() if times >= CONTENDS * len(firsts)}
        rows = [number for number, name in enumerate(self.names) if name in often]
        return np.asarray(sum(table[rows].sum(axis=0) for table in (*self.avoid, *self.careful)) > 0)

    def _first(self, relief: dict[str, float], likely: np.ndarray, seen: np.ndarray) -> str | None:
        now = [name for name in relief if likely[self.names.index(name)]]
        if not now:
            treated = {
                name: np.flatnonzero(self.treats[self.names.index(name)] & (seen > 0)).tolist() for name in relief
            }
            now = without_rivals(treated)
        free = [name for name in now if not self.sooner[name].intersection(now)] or now
        return min(free, key=lambda name: (-relief[name], name), default=None)


def _table(rows: Collection[str], columns: Collection[str], links: Iterable[tuple[str, str, float]]) -> np.ndarray:
    """A float32 array, rows x columns, of the link weights; links to an unknown column are skipped."""
    row, column = ({name: number for number, name in enumerate(names)} for names in (rows, columns))
    table = np.zeros((len(rows), len(columns)), np.float32)
    for one, other, number in links:
        if other in column:
            table[row[one], column[other]] = number
    return table


@dataclass(frozen=True)
class Worth:
    """A question, where it can be asked, and the bits its answer gives about the first alteration, per unit of cost."""

    symptom: str
    stations: tuple[Station, ...]
    bits: float


class Choice:
    """What to ask next, given the answers so far; deterministic."""

    def __init__(self, base: RuleBase, findings: Findings, diagnosis: Diagnosis) -> None:
        self.base, self.findings, self.diagnosis = base, findings, diagnosis
        self.first = first_choice(diagnosis)
        self._place = {symptom: sign for sign, symptom in enumerate(diagnosis.compiled.symptoms)}

    @cached_property
    def _drawn(self) -> tuple[Worlds, list[str | None]]:
        """Worlds that agree with the answers, and each one's first alteration if everything were answered."""
        rules = Ends(self.diagnosis)
        known = self.diagnosis.findings.symptoms
        worlds = draw(self.diagnosis, WORLDS, self._answered)
        seen, absent = worlds.shown & worlds.asked, ~worlds.shown & worlds.asked
        for name, finding in known.items():
            seen[:, self._place[name]], absent[:, self._place[name]] = finding.seen == "yes", finding.seen == "no"
        ends = rules.firsts(worlds.believed, seen.astype(np.float32), absent.astype(np.float32))
        return replace(worlds, speaks=rules.speaking(ends)), ends

    def _answered(self, shown: np.ndarray) -> np.ndarray:
        """World x sign: whether an unanswered sign would be asked there; tests only of what shows, nothing ruled out."""
        known = self.diagnosis.findings.symptoms
        seen = shown.copy()
        for name, finding in known.items():
            seen[:, self._place[name]] = finding.seen == "yes"
        asked = np.zeros(shown.shape, bool)
        for name, place in self._place.items():
            symptom = self.base.symptoms[name]
            if name not in known and not symptom.from_ease:
                against, needs = ([self._place[one] for one in ids] for ids in (symptom.opposite, symptom.needs))
                asked[:, place] = ~seen[:, against].any(axis=1) & (seen[:, needs].any(axis=1) | (not needs))
        return asked

    @property
    def settled(self) -> float:
        """The probability that the first alteration stays first, whatever else is answered."""
        ends = self._drawn[1]
        return sum(end == self.first for end in ends) / len(ends)

    @cached_property
    def dangers(self) -> Mapping[str, float]:
        """Open signs that would speak against the first alteration, with their probabilities."""
        against = self.base.alterations[self.first].avoid_when if self.first is not None else ()
        open_signs = [condition.symptom for condition in against if condition.symptom and self._open(condition.symptom)]
        return {name: self._drawn[0].likely(self._place[name]) for name in open_signs}

    @property
    def ready(self) -> bool:
        """Whether the first alteration is settled and nothing is likely to speak against it."""
        sure = SURE - PATIENCE * min(1.0, self._asked / ENOUGH)
        return self.settled >= sure and sum(self.dangers.values()) <= SAFE

    @property
    def enough(self) -> bool:
        """Whether as much was asked as is reasonable at once; a few more if the first alteration may do harm."""
        left = self._left
        return left + FOR_SAFETY <= 0 or (left <= 0 and sum(self.dangers.values()) <= SAFE)

    @property
    def _left(self) -> int:
        """How many more questions may be asked unprompted."""
        return (MORE if self.settled < OPEN else ENOUGH) - self._asked

    @property
    def _asked(self) -> int:
        return sum(finding.origin == "asked" for finding in self.findings.symptoms.values())

    def _open(self, symptom: str) -> bool:
        return symptom not in self.diagnosis.findings.symptoms

    @cached_property
    def questions(self) -> tuple[Worth, ...]:
        """Every question that can be asked now, the most telling first."""
        result = [Worth(name, stations_of(self.base.symptoms[name]), bits) for name, bits in self._worth().items()]
        return tuple(sorted(result, key=lambda one: (-round(one.bits, 9), one.symptom)))

    def _worth(self, beside: Sequence[int] = ()) -> dict[str, float]:
        """Bits per unit of cost that each question's answer adds about the first alteration, given the signs `beside` it."""
        cost = self.base.words.cost.words
        worlds, ends = self._drawn
        tells = worlds.tells(ends, beside)
        return {
            one.id: (tells[self._place[one.id]] + DANGER * self.dangers.get(one.id, 0.0)) / cost[one.by]
            for one in self.base.symptoms.values()
            if self._open(one.id) and askable(one, self.findings)
        }

    def station(self, now: Station | None, moved: int = 0) -> Station | None:
        """The next station: stay while it is worth it, else go to the most informative question; None if none is worth asking.

        `moved`: how often the station has changed.
        """
        best = {
            station: max((one.bits for one in self.questions if station in one.stations), default=0.0)
            for station in STATIONS
        }
        place = max(STATIONS, key=lambda station: best[station])
        if now is not None and best[now] >= max(LEAST, (STAY if moved < MOVED else 0.0) * best[place]):
            return now
        return place if best[place] >= LEAST else None

    def anywhere(self, now: Station | None) -> Station | None:
        """A station with any question left, this one first; for a fitter who wants to continue."""
        left = [station for station in STATIONS if any(station in one.stations for one in self.questions)]
        return now if now in left else next(iter(left), None)

    def here(self, station: Station, most: int, *, anything: bool = False) -> tuple[str, ...]:
        """The questions worth asking at a station, the most informative first; with `anything`, all that are left."""
        mine = [one for one in self.questions if station in one.stations]
        if anything:
            return tuple(one.symptom for one in mine[:most])
        if self._left <= 0:
            mine = [one for one in mine if one.symptom in self.dangers] or mine
        screen = [one.symptom for one in mine[:1]]
        least = max(LEAST, BESIDE * mine[0].bits) if mine else 0.0
        while screen and len(screen) < min(most, self._left):
            beside = self._worth([self._place[name] for name in screen])
            left = [one.symptom for one in mine if one.symptom not in screen]
            best = max(left, key=lambda name: (round(beside[name], 9), name), default=None)
            if best is None or beside[best] < least:
                break
            screen.append(best)
        return tuple(screen)

    def first_if(self, symptom: str, *, there: bool) -> dict[str | None, float]:
        """The probability of each first alteration if a question were answered yes or no."""
        worlds, ends = self._drawn
        return worlds.outcomes_if(self._place[symptom], ends, there=there)


def askable(symptom: Symptom, findings: Findings) -> bool:
    """Whether a question makes sense after the answers given: no test of what was not seen, nothing already ruled out."""
    seen = {finding.symptom for finding in findings.seen}
    if symptom.from_ease or any(other in seen for other in symptom.opposite):
        return False
    return not symptom.needs or any(other in seen for other in symptom.needs)


def amounts_tell(base: RuleBase) -> frozenset[str]:
    """The signs whose amount tells the extent of a cause."""
    sloped = {name for slopes in base.slopes_of.values() for name in slopes}
    shown = {link.symptom for cause in base.believed.values() for link in cause.shows}
    measured = (symptom for symptom in base.symptoms.values() if symptom.measure is not None)
    return frozenset(one.id for one in measured if one.id in shown and one.axis in sloped)
