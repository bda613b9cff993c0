"""Which alteration comes first in each of many worlds: the choice of `plan.py`, without its words, for all of them at once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.knowledge.model import Condition
from fitdiag.knowledge.order import everything_before, opposed
from fitdiag.planning.plan import AS_GOOD, AT_THE_SAME_PLACE, CAREFUL, LIKELY, Planner

CONTENDS = 0.025  # an alteration that comes first in this share of the worlds is in question, and what speaks against it matters
_UNLIKELY = -1e9


class Ends:
    """The rules of one base as arrays over alterations, causes and signs; what holds of body and earlier rounds is in them."""

    def __init__(self, diagnosis: Diagnosis) -> None:
        self.base, self.findings = diagnosis.base, diagnosis.findings
        self._planner = Planner(diagnosis)
        self.names = tuple(self.base.alterations)
        self._number = {name: number for number, name in enumerate(self.names)}
        causes = {cause: number for number, cause in enumerate(diagnosis.compiled.causes)}
        signs = {sign: number for number, sign in enumerate(diagnosis.compiled.symptoms)}
        size = len(self.names)
        self.cures, self.harms = (np.zeros((size, len(causes)), np.float32) for _ in range(2))
        self.shows = np.zeros((len(signs), len(causes)), np.float32)
        self.price, self.same_place = np.zeros(size), np.ones(size)
        well = self.base.words.how_well.words
        for number, rule in enumerate(self.base.alterations.values()):
            for cause in self.base.cures_of[rule.id]:
                if cause in causes:
                    self.cures[number, causes[cause]] = well[self.base.causes[cause].cured_by[rule.id].how_well]
            for cause, word in rule.worsens.items():
                if cause in causes:
                    self.harms[number, causes[cause]] = well[word]
            self.price[number] = self._planner.price(rule)
            self.same_place[number] = 1.0 if self._planner.given[rule.id] is None else AT_THE_SAME_PLACE
        for cause, column in causes.items():
            for link in self.base.causes[cause].shows:
                self.shows[signs[link.symptom], column] = 1.0
            for symptom in diagnosis.joint.shown_by(cause):
                self.shows[signs[symptom], column] = 1.0
        self._signs = signs
        self.avoid = self._conditions([self._planner.avoiding(name) for name in self.names])
        self.careful = self._conditions([self._planner.careful(name) for name in self.names])
        self.never, self.always_careful = (
            np.array([any(c.kind_and_id[0] in ("body", "done") and self._planner.holding((c,)) for c in rule(name))
                      for name in self.names])
            for rule in (self._planner.avoiding, self._planner.careful)
        )  # fmt: skip
        shut_out = opposed(self.base)
        both = np.array([[other in shut_out[one] for other in self.names] for one in self.names], bool)
        self.opposed = both | both.T
        self.sooner = everything_before(self.base)

    def _conditions(self, rules: Sequence[Sequence[Condition]]) -> tuple[np.ndarray, np.ndarray]:
        """Alteration x sign: where a sign that is there speaks against it, and where one that is not does."""
        there, absent = (np.zeros((len(rules), len(self._signs)), np.float32) for _ in range(2))
        for number, conditions in enumerate(rules):
            for condition in conditions:
                kind, name = condition.kind_and_id
                if kind in ("symptom", "absent") and name in self._signs:
                    (there if kind == "symptom" else absent)[number, self._signs[name]] = 1.0
        return there, absent

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
        return [self._first(relief, firm) for relief, firm in zip(chosen, likely, strict=True)]

    def speaking(self, firsts: Sequence[str | None]) -> np.ndarray:
        """The signs that speak against an alteration in question where they show, or where they do not; one truth value a sign."""
        rows = [
            self._number[name]
            for name, n in Counter(firsts).items()
            if name is not None and n >= CONTENDS * len(firsts)
        ]
        return np.asarray(sum(table[rows].sum(axis=0) for table in (*self.avoid, *self.careful)) > 0)

    def _first(self, relief: dict[str, float], likely: np.ndarray) -> str | None:
        now = [name for name in relief if likely[self._number[name]]] or list(relief)
        free = [name for name in now if not self.sooner[name].intersection(now)] or now
        return min(free, key=lambda name: (-relief[name], name), default=None)
