"""Which question is worth asking: the one whose answer may change what is altered first; and when the list is ready.

A few worlds that agree with the answers so far are drawn, and the plan is made for each as if everything had been answered.
Where nearly all of them put the same alteration first, no question is left that matters. Until then a question counts by how
much its answer tells about which alteration that will be.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.diagnosis.worlds import Worlds, draw
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.model import RuleBase, Seen
from fitdiag.knowledge.stations import STATIONS, Station, stations_of
from fitdiag.planning.ease import with_measures
from fitdiag.planning.plan import first_choice
from fitdiag.problems import ProblemsFoundError

WORLDS = 80
SURE = 0.9  # from this chance on the first alteration counts as settled
SAFE = 0.01  # at most this chance that a sign not yet asked speaks against it
LEAST = 0.012  # bits about the first alteration, below which a question waits
STAY = 0.5  # at another station a question must be worth this much more


@dataclass(frozen=True)
class Worth:
    """A question, its station, and what its answer tells about the first alteration, per unit of trouble."""

    symptom: str
    stations: tuple[Station, ...]
    bits: float


class Choice:
    """What to ask, seen from one state of the answers."""

    def __init__(self, base: RuleBase, findings: Findings, diagnosis: Diagnosis, plans: Plans | None = None) -> None:
        self.base, self.findings, self.diagnosis = base, findings, diagnosis
        self.first = first_choice(diagnosis)
        self._plans = plans or Plans(base)

    @cached_property
    def _worlds(self) -> Worlds:
        return draw(self.diagnosis, WORLDS)

    @cached_property
    def _ends(self) -> list[str | None]:
        """The alteration that each world would put first if everything were answered."""
        return [self._plans.first(self.findings, self._answers(row)) for row in self._worlds.shown]

    def _answers(self, row: np.ndarray) -> Mapping[str, Seen]:
        symptoms = self.diagnosis.compiled.symptoms
        return {
            symptoms[sign]: "yes" if there else "no"
            for sign, there in zip(self._worlds.open_signs, row, strict=True)
        }

    @property
    def settled(self) -> float:
        """The chance that the first alteration stays the first, whatever else is answered."""
        return sum(end == self.first for end in self._ends) / len(self._ends)

    @cached_property
    def dangers(self) -> Mapping[str, float]:
        """Open signs that would speak against the first alteration, with the chance that they are there."""
        if self.first is None:
            return {}
        against = [condition.symptom for condition in self.base.alterations[self.first].avoid_when if condition.symptom]
        place = {self.diagnosis.compiled.symptoms[sign]: n for n, sign in enumerate(self._worlds.open_signs)}
        return {name: float(self._worlds.signs[:, place[name]].mean()) for name in against if name in place}

    @property
    def ready(self) -> bool:
        """Whether the first alteration is settled and nothing is likely to speak against it."""
        return self.settled >= SURE and sum(self.dangers.values()) <= SAFE

    @cached_property
    def questions(self) -> tuple[Worth, ...]:
        """Every question that can be asked now, the most telling first."""
        cost = self.base.words.cost.words
        tells = self._tells()
        result = []
        for place, sign in enumerate(self._worlds.open_signs):
            symptom = self.base.symptoms[self.diagnosis.compiled.symptoms[sign]]
            if symptom.needs and not any(self._seen(other) for other in symptom.needs):
                continue
            bits = float(tells[place]) + 0.3 * self.dangers.get(symptom.id, 0.0)
            result.append(Worth(symptom.id, stations_of(symptom), bits / cost[symptom.by]))
        return tuple(sorted(result, key=lambda one: (-round(one.bits, 9), one.symptom)))

    def _seen(self, symptom: str) -> bool:
        found = self.diagnosis.findings.symptoms.get(symptom)
        return found is not None and found.seen == "yes"

    def _tells(self) -> np.ndarray:
        """Mutual information between each open sign and the first alteration, in bits."""
        names = sorted({str(end) for end in self._ends})
        ends = np.array([[str(end) == name for name in names] for end in self._ends], float)  # world x alteration
        chance = self._worlds.signs
        both = ends.T @ chance / len(ends)  # alteration x sign: this end, and the sign there
        share = ends.mean(axis=0)[:, None]
        there = chance.mean(axis=0)[None, :]
        without = share - both
        bits: np.ndarray = _part(both, share * there) + _part(without, share * (1.0 - there))
        return bits.sum(axis=0)

    def station(self, now: Station | None) -> Station | None:
        """Where to go on: here as long as it is worth it, else where the most telling question is; None when none is telling."""
        best = {
            station: max((one.bits for one in self.questions if station in one.stations), default=0.0)
            for station in STATIONS
        }
        if now is not None and best[now] >= LEAST:
            return now
        place = max(STATIONS, key=lambda station: best[station])
        return place if best[place] >= LEAST else None

    def here(self, station: Station, most: int) -> tuple[str, ...]:
        """The questions worth asking at a station, the most telling first."""
        return tuple(
            [one.symptom for one in self.questions if station in one.stations and one.bits >= LEAST][:most]
        )


def _part(both: np.ndarray, alone: np.ndarray) -> np.ndarray:
    return np.where(both > 1e-12, both * np.log2(np.maximum(both, 1e-12) / np.maximum(alone, 1e-12)), 0.0)


class Plans:
    """The first alteration under full answers; each set of answers is worked out once."""

    def __init__(self, base: RuleBase) -> None:
        self._base = base
        self._known: dict[tuple[object, ...], str | None] = {}

    def first(self, findings: Findings, answers: Mapping[str, Seen]) -> str | None:
        """What would be altered first if these answers came in as well."""
        everything = dict(findings.symptoms)
        for name, seen in answers.items():
            everything.setdefault(name, Finding(name, seen, origin="asked"))
        from dataclasses import replace

        full = replace(findings, symptoms=everything)
        try:
            return first_choice(Diagnosis(self._base, with_measures(self._base, full)))
        except ProblemsFoundError:
            return None
