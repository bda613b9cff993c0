"""How much to alter: from the extents the readings give the causes to be cured, within the limits of the round, rounded to the tape.

Joint over a plan: what an earlier alteration takes of a cause, a later one need not take. Without any relevant reading, a
careful start.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf, sqrt
from typing import NamedTuple

from fitdiag.diagnosis.belief import Diagnosis, lower_first
from fitdiag.diagnosis.joint import CauseExtent
from fitdiag.diagnosis.readings import at_rest, slopes_of, turned
from fitdiag.knowledge.findings import LEFT_RIGHT, Finding, Findings, Side, by_side, meet
from fitdiag.knowledge.model import Alteration, RuleBase, SecondAmount
from fitdiag.planning.sides import side_to_alter
from fitdiag.units import (
    FINE_STEP_MM,
    STEP_MM,
    Units,
    format_error,
    format_given,
    format_length,
    format_reading,
    round_down,
    round_length,
)

_PLACES: Mapping[Side, tuple[int, ...]] = {"left": (0,), "right": (1,), "both": (0, 1)}  # in amounts left and right
_WORTH_DOING = 0.25  # of the limit for all rounds; with less than this left it is not done again; a fitter's judgement
_BESIDE = 0.3  # share of the main cause's weight; a cause weighing less does not change the amount
_LEAST_WELL = 0.3  # an alteration that cures a cause less than this takes its amount from others


@dataclass(frozen=True)
class Given:
    """An alteration of this case that can be given back: its id, how much of it is left, and its rounds."""

    alteration: str
    mm: float
    rounds: tuple[int, ...]


@dataclass(frozen=True)
class PlannedAmount:
    """An amount to alter by. `wanted_mm` is what the readings ask for; `mm` is what this round allows of it.

    `error_mm`: standard deviation of `wanted_mm`, None for a careful start. `rests_on`: the symptoms whose readings it rests on.
    `gives_back`: the earlier alteration it takes back. `side`: where it is done; `left_mm`, `right_mm`: set where the sides
    differ. `extra`: a second dimension, or the share of each edge, in words. `less`: it is done in reverse, like shortening a leg.
    """

    mm: float
    text: str
    wanted_mm: float
    remainder_mm: float
    basis: str
    error_mm: float | None
    rests_on: tuple[str, ...]
    already_mm: float
    exhausted: bool
    gives_back: Given | None
    less: bool
    measure_next: str | None
    side: Side
    left_mm: float | None = None
    right_mm: float | None = None
    extra: str = ""

    @property
    def only_gives_back(self) -> bool:
        """Whether it only takes back what was done."""
        return self.gives_back is not None and self.mm <= self.gives_back.mm + 1e-6

    @property
    def signed_mm(self) -> float:
        """The amount as applied to the pattern: negative if done in reverse."""
        return -self.mm if self.less else self.mm


class _Asked(NamedTuple):
    """What is asked for, before limits and words: mm, its standard deviation and the signs whose readings it rests on.

    A careful start has neither; `measure_next`: the sign to measure instead.
    """

    mm: float
    error_mm: float | None = None
    rests_on: tuple[str, ...] = ()
    measure_next: str | None = None


def given_back(base: RuleBase, alteration: Alteration, findings: Findings, side: Side = "both") -> Given | None:
    """The alteration of earlier rounds that this one takes back on a side, and how much of it is left there.

    For both sides it is as much as is left on either. None if there is none.
    """
    taken = by_side((done.side, done.amount_mm or 0.0) for done in findings.done if done.alteration == alteration.id)
    for other in base.undone_by[alteration.id]:
        start = base.alterations[other].amount.start_mm
        earlier = [
            (done, start if done.amount_mm is None else done.amount_mm)
            for done in findings.done
            if done.alteration == other and meet(done.side, side)
        ]
        given = by_side((done.side, mm) for done, mm in earlier)
        left = max(given[place] - taken[place] for place in _PLACES[side])
        if earlier and left > 1e-6:
            return Given(other, left, tuple(sorted({done.round for done, _ in earlier})))
    return None


class Amounts:
    """Amounts for the alterations of a diagnosis."""

    def __init__(self, diagnosis: Diagnosis) -> None:
        self.diagnosis, self.base, self.findings = diagnosis, diagnosis.base, diagnosis.findings
        self.units: Units = diagnosis.findings.units

    def by_hand(self, name: str, planned: PlannedAmount, mm: float) -> PlannedAmount:
        """The planned amount of an alteration as the fitter changes it, in mm, for every side alike."""
        alteration = self.base.alterations[name]
        changed = replace(planned, mm=mm, basis="The fitter chose this amount.", left_mm=None, right_mm=None)
        return replace(changed, text=self._text(alteration, changed), extra=self._extra(alteration, changed))

    def plan(self, name: str, taken: Mapping[str, float] | None = None, *, at_least: bool = False) -> PlannedAmount:
        """The amount of one alteration, in mm; `mm` and `text` are rounded to the tape, limits rounded down.

        `taken`: how much of each cause, in mm, the plan's alterations so far take.
        `at_least`: a careful start if nothing is left to take, for what is done only if a sign still shows then.
        """
        alteration = self.base.alterations[name]
        shares = self._shares(alteration)
        asked = self._asked(alteration, shares, taken or {}, at_least)
        return self._worded(alteration, self._limited(alteration, asked), tuple(shares))

    def takes_of(self, cause: str, name: str, mm: float) -> float:
        """How much of a cause's extent, in mm, an alteration by `mm` takes."""
        second = self.base.alterations[name].amount.second
        if second is not None and second.cause == cause:
            return self._second_mm(second)
        return mm * abs(self.base.causes[cause].cured_by[name].takes)

    # -- what is wanted --------------------------------------------------------------------------------------------

    def _asked(
        self, alteration: Alteration, shares: Mapping[str, float], taken: Mapping[str, float], at_least: bool
    ) -> _Asked:
        """What the causes in `shares` ask for; a careful start without any, or `at_least` where they leave nothing to take."""
        if not shares:
            return _Asked(alteration.amount.start_mm, measure_next=self._best_measure(alteration))
        wanted, error = self._wanted(alteration, shares, taken)
        if at_least and wanted < STEP_MM[self.units] / 2:
            return _Asked(alteration.amount.start_mm)
        symptoms = tuple(
            dict.fromkeys(symptom for cause in shares for symptom in self.diagnosis.extents[cause].rests_on)
        )
        if alteration.operation.one_side and (apart := self._of_the_mean(symptoms)):
            more = max(apart)  # it is cut on the side that shows more, by what that side asks
            wanted, error = wanted * more, error * more
        return _Asked(wanted, error, symptoms)

    def _wanted(
        self, alteration: Alteration, shares: Mapping[str, float], taken: Mapping[str, float]
    ) -> tuple[float, float]:
        """Mean and standard deviation in mm of what the extents of the causes ask for, weighted by `shares`."""
        total = sum(shares.values())
        mean = square = 0.0
        for cause, weight in shares.items():
            extent, takes = self.diagnosis.extents[cause], abs(self.base.causes[cause].cured_by[alteration.id].takes)
            need = max(extent.mean_mm - taken.get(cause, 0.0), 0.0) / takes
            mean += weight / total * need
            square += weight / total * (need**2 + (extent.error_mm / takes) ** 2)
        return mean, sqrt(max(square - mean**2, 0.0))

    def _shares(self, alteration: Alteration) -> dict[str, float]:
        """The causes the amount comes from, with their weights: cured causes with an extent, the main one and any of similar weight."""
        known = self.diagnosis
        weights = {
            cause: known.probability[cause] * well
            for cause, well in self._measured_by(alteration).items()
            if cause in known.extents and known.has_sign(cause) and known.probability[cause] and well >= _LEAST_WELL
        }
        less = self._less(alteration)
        one_way = {
            cause: weight
            for cause, weight in weights.items()
            if (self.base.causes[cause].cured_by[alteration.id].takes < 0) == less
        }
        ranked = sorted(one_way, key=lambda cause: (-one_way[cause], cause))
        return {cause: one_way[cause] for cause in ranked if one_way[cause] >= _BESIDE * one_way[ranked[0]]}

    def _measured_by(self, alteration: Alteration) -> Mapping[str, float]:
        """The causes cured by an alteration whose extent says how much of it, each with how well; not those for its second dimension."""
        second = alteration.amount.second.cause if alteration.amount.second is not None else None
        return {
            cause: well
            for cause, well in self.base.cures_of[alteration.id].items()
            if self.base.causes[cause].cured_by[alteration.id].takes and cause != second
        }

    def _best_measure(self, alteration: Alteration) -> str | None:
        """The unmeasured sign, seen, whose amount would tell most about the alteration's amount."""
        ranked = [(0.0, "")]
        simulated = self.findings.readings_from == "simulation"
        for cause in self._measured_by(alteration):
            slopes = slopes_of(self.base, cause, simulated)
            for link in self.base.causes[cause].shows:
                finding, rule = self.findings.symptoms.get(link.symptom), self.base.symptoms[link.symptom]
                if finding is None or finding.seen != "yes" or rule.measure is None or finding.amount_mm is not None:
                    continue
                if (slope := slopes.get(rule.axis)) is not None and slope.ratio:
                    worth = self.diagnosis.probability[cause] * abs(slope.ratio) / rule.measure.give_mm
                    ranked.append((worth, link.symptom))
        return max(ranked)[1] or None

    def _less(self, alteration: Alteration) -> bool:
        """Whether the likeliest cause it cures asks for it in reverse.

        One that was read comes first, then one with a sign seen, then one that has an opposite, for its sign says which way. So hems
        that hang too low are never let down, and a hem under one heel is shortened, whichever leg is the longer: that the sides
        differ explains nothing by itself, and does not say which of them is right.
        """
        known = self.diagnosis
        causes = [cause for cause in self.base.cures_of[alteration.id] if known.has_sign(cause)]
        signs = [finding.symptom for finding in self.findings.seen if finding.origin != "derived"]

        def explains(cause: str) -> tuple[bool, bool, bool, float, str]:
            shows_one = any(cause in known.shown_by(sign) for sign in signs)
            has_opposite = self.base.causes[cause].opposite is not None
            return cause in known.extents, shows_one, has_opposite, known.probability[cause], cause

        likeliest = max(causes, key=explains, default=None)
        return likeliest is not None and self.base.causes[likeliest].cured_by[alteration.id].takes < 0

    # -- limits ----------------------------------------------------------------------------------------------------

    def _limited(self, alteration: Alteration, asked: _Asked) -> PlannedAmount:
        """The amount cut down to what this round allows, still without words.

        On both sides it is what the side allows that had less of it before; `_by_side` then cuts down the other.
        """
        less = self._less(alteration)
        side = side_to_alter(self.diagnosis, alteration, asked.rests_on, less=less)
        gives_back = given_back(self.base, alteration, self.findings, side)
        already = self._already(alteration, side)
        most = max(already)
        least = most if alteration.operation.one_side else min(already)
        mm, remainder = self._on_the_tape(alteration, asked.mm, least, gives_back)
        in_all = _in_all(alteration)
        exhausted = bool(least) and max(in_all - least, 0.0) < in_all * _WORTH_DOING and gives_back is None
        return PlannedAmount(
            mm, "", asked.mm, remainder, "", asked.error_mm, asked.rests_on, most, exhausted, gives_back,
            less, asked.measure_next, side,
        )  # fmt: skip

    def _already(self, alteration: Alteration, side: Side) -> tuple[float, ...]:
        """How much of an alteration was done before, in mm, on each of the sides meant."""
        done = by_side(
            (one.side, one.amount_mm or 0.0) for one in self.findings.done if one.alteration == alteration.id
        )
        return tuple(done[place] for place in _PLACES[side])

    def _on_the_tape(
        self, alteration: Alteration, mm: float, already: float, gives_back: Given | None
    ) -> tuple[float, float]:
        """An amount as it can be cut in this round, and what the limits leave of it for later, both in mm."""
        limit = min(alteration.most_a_round.amount_mm, max(_in_all(alteration) - already, 0.0))
        if gives_back is not None:
            limit = max(limit, gives_back.mm)
        fine = alteration.amount.edges is not None
        least = (FINE_STEP_MM if fine else STEP_MM)[self.units] / 2
        rounded = round_length(mm, self.units, fine=fine) if mm >= least else 0.0
        if rounded <= limit + 1e-6:
            return rounded, 0.0
        allowed = round_down(limit, self.units, fine=fine) if limit >= STEP_MM[self.units] else limit
        return allowed, rounded - allowed

    # -- words -----------------------------------------------------------------------------------------------------

    def _worded(self, alteration: Alteration, amount: PlannedAmount, causes: tuple[str, ...]) -> PlannedAmount:
        amount = self._by_side(alteration, amount)
        basis = " ".join(part for part in (
            self._source(alteration, amount, causes), self._back(amount), self._limit(alteration, amount),
        ) if part)  # fmt: skip
        amount = replace(amount, basis=basis)
        return replace(amount, text=self._text(alteration, amount), extra=self._extra(alteration, amount))

    def _text(self, alteration: Alteration, amount: PlannedAmount) -> str:
        """The amount in words, with the way where it can go both ways, and side by side where the sides differ."""
        text = format_given(amount.mm, self.units)
        if amount.left_mm is not None and amount.right_mm is not None:
            sides = (amount.left_mm, amount.right_mm)
            left, right = (format_given(mm, self.units) if mm else "nothing" for mm in sides)
            text = f"left {left}, right {right}"
        ways = alteration.amount.ways
        return text if ways is None else f"{ways.less if amount.less else ways.more} {text}"

    def _extra(self, alteration: Alteration, amount: PlannedAmount) -> str:
        """Each edge's share, and the second dimension of an alteration that has two."""
        return " ".join(part for part in (self._edges(alteration, amount), self._second(alteration)) if part)

    def _by_side(self, alteration: Alteration, amount: PlannedAmount) -> PlannedAmount:
        """The amount with one of its own for each side, where they differ on the tape.

        They differ where the firmest reading was taken on both sides, or where one side had more of it before.
        """
        if alteration.sides == "both" or alteration.operation.one_side:
            return amount
        apart = self._of_the_mean(amount.rests_on) or ((1.0, 1.0) if amount.side == "both" else None)
        if apart is None:
            return amount
        (left, left_rest), (right, right_rest) = (
            self._on_the_tape(
                alteration, amount.wanted_mm * share, max(self._already(alteration, own)),
                given_back(self.base, alteration, self.findings, own),
            )
            for own, share in zip(LEFT_RIGHT, apart, strict=True)
        )  # fmt: skip
        if left == right:
            return amount
        side: Side = "both" if left and right else "left" if left else "right"
        return replace(amount, left_mm=left, right_mm=right, remainder_mm=max(left_rest, right_rest), side=side)

    def _of_the_mean(self, rests_on: tuple[str, ...]) -> tuple[float, float] | None:
        """What the firmest reading asks for left and right, as shares of what their mean asks for; None if taken once.

        Counted from what a right block reads, so that where less is worse, the side with less asks for more.
        """
        finding = self.findings.symptoms.get(rests_on[0]) if rests_on else None
        if finding is None or finding.left_mm is None or finding.right_mm is None:
            return None
        symptom = self.base.symptoms[finding.symptom]
        rest = at_rest(self.base, self.findings, symptom.axis)[0] * (-1.0 if turned(symptom) else 1.0)
        mean = (finding.left_mm + finding.right_mm) / 2.0 - rest
        if abs(mean) < 1e-6:
            return None
        return max((finding.left_mm - rest) / mean, 0.0), max((finding.right_mm - rest) / mean, 0.0)

    def _source(self, alteration: Alteration, amount: PlannedAmount, causes: tuple[str, ...]) -> str:
        """Where the amount comes from."""
        until = " ".join(filter(None, (f"Pin until {alteration.amount.until}.", alteration.amount.which_way)))
        if not amount.rests_on:
            start = format_given(amount.mm, self.units)
            text = f"No answer says how much: {start} is a careful start. {until}"
            if amount.measure_next is not None:
                measure = self.base.symptoms[amount.measure_next].measure
                text += f" To know better, measure {measure.what}." if measure else ""
            return text
        readings = " and ".join(self._reading(self.findings.symptoms[name]) for name in amount.rests_on[:3])
        fine = alteration.amount.edges is not None
        wanted = format_given(round_length(amount.wanted_mm, self.units, fine=fine), self.units)
        error = amount.error_mm or 0.0
        spread = f", give or take {format_length(error, self.units)}" if error >= STEP_MM[self.units] / 2 else ""
        return f"From {readings}: {wanted}{spread}.{self._other_kind(alteration, amount, causes)} {until}"

    def _reading(self, finding: Finding) -> str:
        measure = self.base.symptoms[finding.symptom].measure
        assert measure is not None
        if finding.amount_mm is None:
            about = format_length(measure.grades_mm[finding.severity or "clear"], self.units)
            return f"{measure.what}, judged {finding.severity}, so counted as about {about}"
        if finding.left_mm is not None and finding.right_mm is not None:
            sides = (format_reading(finding.left_mm, self.units), format_reading(finding.right_mm, self.units))
            return f"{measure.what} (left {sides[0]}, right {sides[1]})"
        error = f" ± {format_error(finding.error_mm, self.units)}" if finding.error_mm else ""
        return f"{measure.what} ({format_reading(finding.amount_mm, self.units)}{error})"

    def _other_kind(self, alteration: Alteration, amount: PlannedAmount, causes: tuple[str, ...]) -> str:
        """What practice would ask for instead of simulation, or the reverse, if they differ by half or more.

        An amount beyond the rule's limit is not advice: the text then says only that they disagree, and what decides.
        """
        if not causes or not amount.mm:
            return ""
        simulated = self.findings.readings_from == "simulation"
        used, other = (self._ratio(causes[0], amount.rests_on[0], kind) for kind in (simulated, not simulated))
        if used is None or other is None or not other or 2 / 3 < used / other < 1.5:
            return ""
        kinds, asked_mm = ("common practice", "simulated cloth"), amount.wanted_mm * used / other
        may_be_done = 0 <= asked_mm <= (alteration.most_in_all or alteration.most_a_round).amount_mm
        asks = (
            f"would ask for {format_length(asked_mm, self.units)}"
            if may_be_done
            else "gives no amount that can be used, so let the pins decide"
        )
        return f" This is by {kinds[simulated]}; {kinds[not simulated]} {asks}."

    def _ratio(self, cause: str, symptom: str, simulated: bool) -> float | None:
        slopes = self.base.slopes_of[cause].get(symptom, ())
        return next((one.ratio for one in slopes if self.base.is_simulated(one.source) == simulated), None)

    def _back(self, amount: PlannedAmount) -> str:
        if amount.gives_back is None:
            return ""
        given = amount.gives_back
        rounds = " and ".join(map(str, given.rounds))
        done = lower_first(self.base.alterations[given.alteration].title)
        much = format_length(given.mm, self.units)
        if not amount.only_gives_back:
            return f"The first {much} of it takes back what was done in round {rounds}: {done}."
        return f"This gives back part of what was done in round {rounds}: {done}, {much}."

    def _limit(self, alteration: Alteration, amount: PlannedAmount) -> str:
        """What the limits of this round and of all rounds leave for later, in words."""
        if amount.remainder_mm <= 1e-6:
            return ""
        largest = max(amount.mm, amount.left_mm or 0.0, amount.right_mm or 0.0)
        most, rest = format_length(largest, self.units), format_length(amount.remainder_mm, self.units)
        in_all = _in_all(alteration)
        done = format_length(amount.already_mm, self.units)
        if amount.already_mm and in_all - amount.already_mm < alteration.most_a_round.amount_mm:
            return (
                f"{format_length(in_all, self.units)} is the most for all rounds together, and {done} is done."
                f" The other {rest} asks for a redrawn block, not for more of this."
            )
        waits = "." if not amount.already_mm else f" ({done} was done before)."
        return f"The most for one round is {most}; the other {rest} waits for the next try-on{waits}"

    def _edges(self, alteration: Alteration, amount: PlannedAmount) -> str:
        """Each edge's share and the whole, where an amount is spread over several edges."""
        edges = alteration.amount.edges
        if edges is None or not amount.mm:
            return ""
        apart = amount.left_mm is not None
        each = "That much" if apart else format_given(amount.mm, self.units)
        text = f"{each} at each of {edges.count} edges ({edges.where})"
        if edges.half is not None:
            text += f", half of that at each of {edges.half.count} ({edges.half.where})"
        return f"{text}." if apart else f"{text}, {format_reading(amount.mm * edges.in_all, self.units)} in all."

    def _second(self, alteration: Alteration) -> str:
        """The second dimension of an alteration that has two, like the length of an insert beside its width."""
        second = alteration.amount.second
        if second is None:
            return ""
        extent = self._extent_of(second)
        size = f"{second.what}: {format_length(self._second_mm(second), self.units)}"
        if extent is None:
            return f"{size} to start with."
        readings = " and ".join(self._reading(self.findings.symptoms[name]) for name in extent.rests_on[:2])
        return f"{size}, give or take {format_length(extent.error_mm, self.units)}, from {readings}."

    def _second_mm(self, second: SecondAmount) -> float:
        extent = self._extent_of(second)
        return second.start_mm if extent is None else min(extent.mean_mm, second.most_mm)

    def _extent_of(self, second: SecondAmount) -> CauseExtent | None:
        """The extent that a second dimension comes from; None where its cause is unlikely or was not read."""
        likely = self.diagnosis.probability.get(second.cause, 0.0) >= _LEAST_WELL
        return self.diagnosis.extents.get(second.cause) if likely else None


def _in_all(alteration: Alteration) -> float:
    """The most of an alteration in all rounds together, mm."""
    return alteration.most_in_all.amount_mm if alteration.most_in_all is not None else inf
