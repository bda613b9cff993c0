"""Beliefs and extents from one posterior: a mixture of the few likely sets of causes, weighed by answers and readings together.

A set's weight is its prior, times the exact likelihood of all yes-or-no answers (the other causes summed out by the noisy-OR),
times the density of all readings (`extents.Model`). A reading that no set explains may come from a cause without extents, or
from none: then it is a sign like any other, of any amount up to twice its mark for strong.

Which cause a single reading points to is left to the rules' words for how often a cause shows a sign, so that more of the sign
never counts against it. With n readings that causes join, the words weigh 1/n of a sign against the extents; readings that no
cause joins are as many single ones, so that what the waist shows does not change what the level lines say.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from math import exp, log, log1p, sqrt
from typing import NamedTuple, TypeVar

from fitdiag.diagnosis.exact import Evidence, Network, Posterior
from fitdiag.diagnosis.extents import Explanation, Model, Reading, Slope, Suspect, log_normal, share_below
from fitdiag.diagnosis.readings import AxisReading, at_rest, readings_of, slopes_of
from fitdiag.knowledge.findings import Findings, by_side
from fitdiag.knowledge.model import Cause, RuleBase
from fitdiag.knowledge.model import Slope as AxisSlope

_FAR_BEHIND = 9.0  # sets with a log weight this far below the best are not weighed exactly
_SETS = 12  # sets weighed exactly
_LEADING = 8  # causes combined into pairs
_MOST_AT_ONCE = 3  # causes with extents in one set
_OUTLIERS = 4  # readings of a set that may be left unexplained
_SURELY = 1e-9
_LATEST = ("model of readings",)
_EQUAL = 1e-9  # log weights closer than this are equal
_WORTH_MIXING = 1e-3  # a less likely cause is explained alone
# mm, mean and standard deviation; simulated faults are made on purpose, with one prior for all causes
_SIMULATED_EXTENT = 12.0, 15.0
_BEARS_ON = 0.1  # share of the firmest reading's information; less is not named


@dataclass(frozen=True)
class CauseExtent:
    """Extent of a cause, if present: mean and standard deviation in mm, and the symptoms whose readings it rests on."""

    mean_mm: float
    error_mm: float
    rests_on: tuple[str, ...]


@dataclass(frozen=True)
class Weighed:
    """One set of causes (ids): its share of the posterior, how it explains the readings, and the probability of every cause given it."""

    causes: tuple[str, ...]
    share: float
    explanation: Explanation
    probability: Sequence[float]


class _Besides(NamedTuple):
    """How likely a sign is from elsewhere, and the chance that each of some causes, if present, does not show it."""

    elsewhere: float
    not_shown: Mapping[int, float]

    def given(self, chosen: Iterable[int]) -> float:
        """The probability of the sign given a set of causes."""
        absent = 1.0 - self.elsewhere
        for cause in chosen:
            absent *= self.not_shown.get(cause, 1.0)
        return 1.0 - absent


class _Leader(NamedTuple):
    """The most deviant measured sign of a group of readings: the sign, its row, how many were measured, and how likely it is in words."""

    sign: _Sign
    row: int
    measured: int
    in_words: _Besides


class _Tried(NamedTuple):
    """A set that was scored: its score, the rules' words' part in it, its explanation and the readings left out."""

    score: float
    words: float
    explanation: Explanation
    without: frozenset[int]


@dataclass(frozen=True)
class _Sign:
    """A reading of this round: its index in the model, the rows of the signs of a large and a small value, and their range in mm."""

    index: int
    read: AxisReading
    reading: Reading
    up: int | None
    down: int | None
    reach: float


_Item = TypeVar("_Item")


def _first(items: Iterable[_Item], most: int, score: Callable[[_Item], float]) -> list[_Item]:
    """The `most` best items, and any tied with the last of them, so that order never decides."""
    ranked = sorted(items, key=score, reverse=True)
    while most < len(ranked) and score(ranked[most]) > score(ranked[most - 1]) - _EQUAL:
        most += 1
    return ranked[:most]


class Joint:
    """The joint posterior of readings and answers. `readings`: those that some cause with an extent moves.

    `across`: (symptom, cause) for signs read on the other side than the cause lies, whose extent does not move them.
    """

    def __init__(
        self,
        base: RuleBase,
        findings: Findings,
        network: Network,
        evidence: Evidence,
        across: Collection[tuple[str, str]] = (),
    ) -> None:
        self.base, self.findings, self.network, self.evidence = base, findings, network, evidence
        self.ids = tuple(base.believed)
        self.simulated = findings.readings_from == "simulation"
        read = readings_of(base, findings)
        axes = {reading.axis.id for reading in read if not reading.round}
        slopes = {}
        for number, cause in enumerate(base.believed.values() if axes else ()):
            if cause.extent is None:
                continue
            apart = {base.symptoms[symptom].axis for symptom, other in across if other == cause.id}
            known_slopes = slopes_of(base, cause.id, self.simulated).items()
            by_axis = {axis: slope for axis, slope in known_slopes if axis not in apart}
            if axes & by_axis.keys():
                slopes[number] = by_axis
        known = {axis for by_axis in slopes.values() for axis in by_axis} & axes
        self.readings = tuple(reading for reading in read if reading.axis.id in known)
        self.measured = sum(1 for reading in self.readings if not reading.round and not reading.graded)
        self.model, latest = self._model(slopes), base.worked_out.get(_LATEST)
        if latest and (latest.readings, latest.suspects) == (self.model.readings, self.model.suspects):
            self.model = latest  # yes-or-no answers do not change what explains the readings
        base.worked_out[_LATEST] = self.model

    def _model(self, slopes: Mapping[int, Mapping[str, AxisSlope]]) -> Model:
        axes = {axis: number for number, axis in enumerate(dict.fromkeys(r.axis.id for r in self.readings))}
        factors: dict[str, int] = {}
        readings = []
        for reading in self.readings:
            rest, scatter, shared = at_rest(self.base, self.findings, reading.axis.id)
            for name in shared:
                factors.setdefault(name, len(factors))
            loads = tuple(shared.get(name, 0.0) for name in factors)
            error, excess = reading.error**2, reading.value - rest
            readings.append(Reading(axes[reading.axis.id], excess, error, scatter**2, loads, reading.round))
        suspects = {}
        causes = list(self.base.believed.values())
        rounds = {reading.round for reading in self.readings if reading.round}
        for number, by_axis in slopes.items():
            cause = causes[number]
            assert cause.extent is not None
            opposite = self.ids.index(cause.opposite) if cause.opposite in self.ids else None
            usual = _SIMULATED_EXTENT if self.simulated else (cause.extent.usual_mm, cause.extent.spread_mm)
            suspects[number] = Suspect(
                *usual,
                {axes[axis]: Slope(slope.ratio, slope.scatter) for axis, slope in by_axis.items() if axis in axes},
                {since: self._done_since(cause, since) for since in rounds}, opposite,
            )  # fmt: skip
        return Model(readings, suspects)

    def _done_since(self, cause: Cause, since: int) -> float:
        """How many mm of a cause's extent the alterations from round `since` on have taken, on the side where they took more."""
        taken = by_side(
            (done.side, (done.signed_mm or 0.0) * cause.cured_by[done.alteration].takes)
            for done in self.findings.done
            if done.round >= since and done.alteration in cause.cured_by
        )
        return max(taken, key=abs)

    # -- the sets --------------------------------------------------------------------------------------------------

    @cached_property
    def _signs(self) -> tuple[_Sign, ...]:
        """The readings of this round."""
        rows = {symptom: index for index, symptom in enumerate(self.base.symptoms)}
        result = []
        for index, (read, reading) in enumerate(zip(self.readings, self.model.readings, strict=True)):
            marks = self.base.symptoms[read.axis.id].measure
            if not read.round and marks is not None:
                reach = max(marks.seen_from_mm if marks.worse == "less" else 2.0 * max(marks.grades_mm.values()), 1.0)
                up, down = (rows[name] if name is not None else None for name in (read.axis.up, read.axis.down))
                result.append(_Sign(index, read, reading, up, down, reach))
        return tuple(result)

    @cached_property
    def _answers(self) -> dict[int, tuple[float, float]]:
        """The evidence without the signs weighed as readings."""
        read = {row for sign in self._signs for row in (sign.up, sign.down)}
        return {sign: pair for sign, pair in self.evidence.items() if sign not in read}

    @cached_property
    def _alone(self) -> Posterior:
        """The posterior from the answers alone."""
        return Posterior(self.network, self._answers)

    def _elsewhere(self, row: int | None) -> float:
        """The probability that a sign comes from the leak or from a cause without an extent; neither exists in simulated cloth."""
        if row is None or self.simulated:
            return _SURELY
        absent = 1.0 - self.network.leak[row]
        for cause, q in self.network.links[row]:
            if cause not in self.model.suspects:
                absent *= 1.0 - self._alone.probability[cause] * (1.0 - q)
        return 1.0 - absent

    @cached_property
    def _besides(self) -> Mapping[int, tuple[_Besides, _Besides]]:
        """By index of the reading, upwards and downwards: how likely the sign is without an extent that moves it."""
        result = {}
        for one in self._signs:
            suspects = self.model.suspects
            still = {cause for cause, suspect in suspects.items() if one.reading.sign not in suspect.slopes}
            up, down = (
                _Besides(
                    self._elsewhere(row),
                    {}
                    if row is None or self.simulated
                    else {cause: q for cause, q in self.network.links[row] if cause in still},
                )
                for row in (one.up, one.down)
            )
            result[one.index] = up, down
        return result

    def _strays(self, one: _Sign, chosen: tuple[int, ...]) -> tuple[float, float]:
        """Density of a reading as an outlier upwards and downwards, times its probability given a set.

        Causes of the set that show the sign, but by no amount, make an outlier likelier.
        """
        up, down = self._besides[one.index]
        return up.given(chosen) / one.reach, down.given(chosen) / one.reach

    def _explained(self, causes: tuple[int, ...]) -> tuple[float, Explanation, frozenset[int]]:
        """Log density of the readings given a set, with outliers left out at a price; the explanation, and the outliers."""
        without: frozenset[int] = frozenset()
        price = 0.0
        strays = {one.index: self._strays(one, causes) for one in self._signs}
        while True:
            explanation = self.model.explain(causes, without)
            worst, gain = -1, 0.0
            if len(without) < _OUTLIERS:
                for one in self._signs:
                    index, reading = one.index, one.reading.excess
                    if index in without:
                        continue
                    up, down = strays[index]
                    stray = log(up if reading > explanation.expected[index] else down)
                    more = stray - log_normal(reading, explanation.expected[index], explanation.variance[index])
                    if more > gain:
                        worst, gain, fee = index, more, stray
            if worst < 0:
                return explanation.log_density + price, explanation, without
            without |= {worst}
            price += fee

    @cached_property
    def _tried(self) -> Mapping[tuple[int, ...], _Tried]:
        """The sets scored: the empty set, every suspect alone, pairs of the best, and larger sets around the leading ones."""
        odds = {
            cause: log(max(p, 1e-12)) - log1p(-min(p, 1.0 - 1e-12))
            for cause in self.model.suspects
            for p in (self._alone.probability[cause],)
        }
        tried: dict[tuple[int, ...], _Tried] = {}

        def look(causes: Iterable[tuple[int, ...]]) -> None:
            for chosen in causes:
                if chosen not in tried and not self._clash(chosen):
                    density, explanation, without = self._explained(chosen)
                    words = self._words(chosen)
                    prior = sum(odds[cause] for cause in chosen)
                    tried[chosen] = _Tried(density + prior + words, words, explanation, without)

        look([(), *((cause,) for cause in odds)])
        best = _first(odds, _LEADING, lambda cause: tried[cause,].score)
        look(combinations(sorted(best), 2))
        for _ in range(_MOST_AT_ONCE - 1):
            for leading in _first(tried, 1, lambda chosen: tried[chosen].score):
                if len(leading) < _MOST_AT_ONCE:
                    look(tuple(sorted({*leading, cause})) for cause in odds if cause not in leading)
        return tried

    @cached_property
    def sets(self) -> tuple[Weighed, ...]:
        """The likely sets, the likeliest first; their shares add up to 1."""
        tried = self._tried
        ranked = _first(tried, _SETS, lambda chosen: tried[chosen].score)
        top = tried[ranked[0]].score
        near = [chosen for chosen in ranked if tried[chosen].score > top - _FAR_BEHIND]
        weighed = [(chosen, *self._weigh(chosen, tried[chosen])) for chosen in near]
        most = max(weight for _, weight, _ in weighed)
        total = sum(exp(weight - most) for _, weight, _ in weighed)
        result = []
        for chosen, weight, beliefs in weighed:
            ids = tuple(self.ids[cause] for cause in chosen)
            result.append(Weighed(ids, exp(weight - most) / total, tried[chosen].explanation, beliefs))
        return tuple(sorted(result, key=lambda one: (-one.share, one.causes)))

    def _clash(self, chosen: tuple[int, ...]) -> bool:
        """Whether a set holds a cause and its opposite: they are one extent, which cannot be positive and negative at once."""
        return any(self.model.suspects[cause].opposite in chosen for cause in chosen)

    @cached_property
    def _parted(self) -> tuple[dict[int, list[tuple[int, float]]], list[list[tuple[int, float]]]]:
        """The links of causes with extents, by row, and the links of all other causes."""
        suspects, rows = self.model.suspects, self.network.links
        held = {row: [pair for pair in shown if pair[0] in suspects] for row, shown in enumerate(rows)}
        others = [[pair for pair in shown if pair[0] not in suspects] for shown in rows]
        return {row: pairs for row, pairs in held.items() if pairs}, others

    def _weigh(self, chosen: tuple[int, ...], tried: _Tried) -> tuple[float, Sequence[float]]:
        """The exact log weight of a set, from the noisy-OR with the causes that have extents held fixed; and all probabilities.

        The sign of a reading either comes from the extents, and its amount has the density of their fit; or it comes from
        elsewhere, and any amount is equally likely. Which of the two is one more answer to the noisy-OR.
        """
        suspects, leak, explanation = self.model.suspects, list(self.network.leak), tried.explanation
        evidence, weight = dict(self._answers), tried.words + explanation.log_density
        read: dict[int, int] = {}
        for sign in self._signs:
            index, reading = sign.index, sign.reading.excess
            expected, variance = explanation.expected[index], explanation.variance[index]
            fit = log_normal(reading, expected, variance)
            far = (reading - expected) / sqrt(variance)
            stray = {
                row: log(max(share_below(side), 1e-300) / sign.reach)
                for row, side in ((sign.up, far), (sign.down, -far))
                if row is not None
            }
            base = max(stray.values()) if index in tried.without else fit
            if index in tried.without:
                weight += base
            for row, amount in stray.items():
                read[row] = sign.reading.sign
                here = fit if index in tried.without and amount == base else base
                absent, present = (exp(max(min(log_weight - base, 300.0), -300.0)) for log_weight in (here, amount))
                evidence[row] = absent, present
        of_suspects, links = self._parted
        for row, shown in of_suspects.items():
            keep = 1.0 - leak[row]
            for cause, q in shown:
                if cause in chosen and read.get(row) not in suspects[cause].slopes:
                    keep *= q
            leak[row] = 1.0 - keep
        posterior = Posterior(Network(self.network.prior, leak, links), evidence)
        weight += posterior.log_chance
        for cause in suspects:
            prior = self.network.prior[cause]
            weight += log(max(prior, 1e-300)) if cause in chosen else log1p(-min(prior, 1.0 - 1e-15))
        return weight, posterior.probability

    # -- words -----------------------------------------------------------------------------------------------------

    @cached_property
    def _leading(self) -> tuple[_Leader, ...]:
        """The leader of each group of readings that causes join."""
        leading = []
        for group in self._groups():
            measured = [one for one in group if not one.read.graded]
            ranked = [
                (-abs(one.reading.excess) / sqrt(one.reading.variance + one.reading.rest_variance), one.index, one, row)
                for one in measured
                for row in (one.up if one.reading.excess > 0 else one.down,)
                if row is not None and row in self.evidence
            ]
            if ranked:
                _, _, one, row = min(ranked, key=lambda item: item[:2])
                in_words = _Besides(self._elsewhere(row), dict(self.network.links[row]))
                leading.append(_Leader(one, row, len(measured), in_words))
        return tuple(leading)

    def _groups(self) -> list[list[_Sign]]:
        """The readings of this round, those together that a cause with an extent would move together, directly or through others."""
        groups = [({one.reading.sign}, [one]) for one in self._signs]
        for suspect in self.model.suspects.values():
            moved = {sign for sign, slope in suspect.slopes.items() if slope.ratio}
            joined: tuple[set[int], list[_Sign]] = (set(), [])
            apart = []
            for signs, members in groups:
                if moved.isdisjoint(signs):
                    apart.append((signs, members))
                else:
                    joined = (joined[0] | signs, [*joined[1], *members])
            groups = [*apart, joined] if joined[1] else apart
        return [members for _, members in groups]

    def _words(self, chosen: tuple[int, ...]) -> float:
        """1/n of the log ratio of the rules' words to the extents alone, for the leading sign of each group of n readings."""
        weight = 0.0
        for one, row, measured, words in self._leading:
            absent, present = self.evidence[row]
            there = words.given(chosen)
            in_words = log(max(absent * (1.0 - there) + present * there, 1e-12))
            # those that do not move the sign change nothing, and left out, many sets share one result
            moving = tuple(cause for cause in chosen if one.reading.sign in self.model.suspects[cause].slopes)
            single = self.model.alone(one.index).explain(moving).log_density
            floor = max(single, log(max(self._strays(one, chosen))))  # an amount far from every fit is an outlier
            weight += (in_words - floor) / measured
        return weight

    # -- results --------------------------------------------------------------------------------------------------

    @cached_property
    def probability(self) -> list[float]:
        """The probability of every cause, in the order of the network."""
        result = [0.0] * len(self.ids)
        for one in self.sets:
            for cause, chance in enumerate(one.probability):
                if cause not in self.model.suspects:
                    result[cause] += one.share * chance
            for name in one.causes:
                result[self.ids.index(name)] += one.share
        return [min(chance, 1.0) for chance in result]

    @cached_property
    def shifts(self) -> Mapping[str, Mapping[str, float]]:
        """For each reading of this round (by symptom), the factor by which it multiplies the odds of each suspect.

        From the scores of all sets tried, not only those weighed exactly, since without a reading other sets lead.
        """
        pool = self._tried
        plain = self._odds({chosen: tried.score for chosen, tried in pool.items()})
        result = {}
        for one in self._signs:
            without = {
                chosen: tried.score - self._fit(one, chosen, tried.explanation) for chosen, tried in pool.items()
            }
            odds = self._odds(without)
            result[one.read.symptom] = {self.ids[cause]: plain[cause] / odds[cause] for cause in self.model.suspects}
        return result

    def _fit(self, one: _Sign, chosen: tuple[int, ...], explanation: Explanation) -> float:
        """Log density of a reading predicted from all the others, or as an outlier."""
        fit = log_normal(one.reading.excess, explanation.expected[one.index], explanation.variance[one.index])
        return max(fit, *map(log, self._strays(one, chosen)))

    def _odds(self, scores: Mapping[tuple[int, ...], float]) -> dict[int, float]:
        """The odds of each suspect, from the log weights of the sets."""
        most = max(scores.values())
        shares = {chosen: exp(score - most) for chosen, score in scores.items()}
        total = sum(shares.values())
        result = {}
        for cause in self.model.suspects:
            with_it = sum(share for chosen, share in shares.items() if cause in chosen)
            result[cause] = max(with_it, 1e-300) / max(total - with_it, 1e-300)
        return result

    def shown_by(self, cause: str) -> tuple[str, ...]:
        """The symptoms read this round that an extent of this cause would give, in the direction they were read."""
        number = self.ids.index(cause) if cause in self.ids else -1
        if number not in self.model.suspects:
            return ()
        slopes, shown = self.model.suspects[number].slopes, []
        for one in self._signs:
            slope = slopes.get(one.reading.sign, Slope(0.0, 0.0))
            if abs(slope.ratio) > slope.scatter and slope.ratio * one.reading.excess > 0:
                shown.append(one.read.symptom)
        return tuple(shown)

    @cached_property
    def extents(self) -> Mapping[str, CauseExtent]:
        """Each suspect's extent, averaged over the sets that hold it; from the suspect alone if no likely set does."""
        result = {}
        held = self.sets if self.measured > 1 else ()
        for number in self.model.suspects:
            name = self.ids[number]
            parts = [(one.share, one.explanation, one.causes.index(name)) for one in held if name in one.causes]
            if not parts or sum(share for share, _, _ in parts) < _WORTH_MIXING:
                parts = [(1.0, self.model.explain((number,)), 0)]
            total = sum(share for share, _, _ in parts)
            mean = sum(share * part.extents[index] for share, part, index in parts) / total
            square = sum(
                share * (part.covariance[index][index] + (part.extents[index] - mean) ** 2)
                for share, part, index in parts
            )
            rests_on = self._most_informative(number)
            if rests_on:
                result[name] = CauseExtent(mean, sqrt(square / total), rests_on)
        return result

    def _most_informative(self, number: int) -> tuple[str, ...]:
        """The symptoms read this round that say most about a cause's extent, the most informative first.

        One that an extent as large as is likely moves by less than its own noise says nothing: centimetres would follow from a few
        millimetres. In simulated cloth all are kept.
        """
        suspect, ranked = self.model.suspects[number], []
        for one in self._signs:
            slope = suspect.slopes.get(one.reading.sign)
            if slope is None or not slope.ratio:
                continue
            noise = one.reading.variance + one.reading.rest_variance + (slope.scatter * suspect.usual) ** 2
            if self.simulated or abs(slope.ratio) * (suspect.usual + suspect.spread) >= sqrt(noise):
                ranked.append((slope.ratio**2 / noise, one.read.symptom))
        ranked.sort(key=lambda pair: (-pair[0], pair[1]))
        return tuple(name for weight, name in ranked if weight >= _BEARS_ON * ranked[0][0])
