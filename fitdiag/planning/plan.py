"""The plan of a round: alterations ranked by the relief they promise over the believed causes, less the harm they do.

At most three a round, in the order of the rule base; the rest come later. What to leave alone is listed with the reason, and so
is what may stay as it is. What an earlier round took too much of is given back at the same place. Every sign seen ends in
exactly one line. The tool suggests; the fitter decides.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache, cached_property
from typing import Literal, NamedTuple, TypeVar

from fitdiag.diagnosis.belief import Belief, Diagnosis, chance_words, lower_first
from fitdiag.knowledge.findings import Finding, Findings, Side
from fitdiag.knowledge.model import Alteration, Condition, RuleBase
from fitdiag.knowledge.order import in_order, opposed, reason
from fitdiag.planning.amounts import Amounts, PlannedAmount, given_back
from fitdiag.units import format_given, format_length

Item = TypeVar("Item", bound=Hashable)
When = Literal["avoid_when", "careful_when"]
SIDE_WORDS: Mapping[str, str] = {
    "left": "left side", "right": "right side", "both": "both sides", "one": "one side only", "each": "both sides",
}  # fmt: skip
MOST_A_ROUND = 3  # common practice, no source
_PRICE_OF_A_NEW_SIGN = 0.1  # relief given up for a sign that an alteration surely brings; a fitter's judgement
CAREFUL = 0.7  # factor on relief where a caution applies; a fitter's judgement
AT_THE_SAME_PLACE = 2.0  # factor on relief for giving back rather than cutting elsewhere; a fitter's judgement
LIKELY = 0.5  # a less likely cause waits for the next try-on while another is likelier
AS_GOOD = 0.03  # within this relief the alteration that risks fewer new signs comes first; a fitter's judgement
_MOST_LEFT_ALONE = 6
_BEHIND = 0.3  # causes below this share of the best explanation of a sign are left out; a fitter's judgement
_NAMED_FROM = 0.1  # less likely causes are not named for a sign
_CURES = 0.7  # an alteration that cures a cause this well also cures its signs
Ending = Literal["cured", "goes-with", "waits", "may-stay", "look", "unexplained"]
_LESS_SURE = "Less certain than what is done now, and the next try-on may settle it."


@dataclass(frozen=True)
class Recommendation:
    """One alteration of the round. `only_if` is set if it waits for a sign at the try-on after `only_after`.

    `one_side`: it is never done on both sides, so where no answer names the side, `side` is "both" and `where` is "one".
    """

    rank: int
    alteration: str
    title: str
    amount: PlannedAmount
    side: Side
    because: tuple[str, ...]
    against: tuple[str, ...]
    only_if: str | None
    only_if_symptom: str | None
    causes: tuple[str, ...]
    only_after: str | None = None
    one_side: bool = False

    @property
    def where(self) -> Literal["left", "right", "both", "one", "each"]:
        """The side to alter; `one`: a single side that no answer names, `each`: both, each by its own amount."""
        if self.amount.left_mm and self.amount.right_mm:
            return "each"
        return "one" if self.one_side and self.side == "both" else self.side

    @property
    def much(self) -> str:
        """The amount, with the side where it is not done on both: "3/8 in, left side"."""
        side = "" if self.where in ("both", "each") else f", {SIDE_WORDS[self.where]}"
        return f"{self.amount.text}{side}"

    @property
    def as_first(self) -> str:
        """The verdict of a plan that begins with this one."""
        return f"First: {lower_first(self.title)}, {self.much}."

    def cuts(self, solved_mm: float | None = None) -> tuple[tuple[Side | None, float], ...]:
        """What is cut where, as (side, signed mm), side None for both; two cuts if each side gets an amount of its own.

        A single side that no answer names is the right one.

        `solved_mm`: the signed amount solved on the pattern, in place of the planned one.
        """
        amount = self.amount
        if amount.left_mm is not None and amount.right_mm is not None:
            way = -1.0 if amount.less else 1.0
            sides: tuple[tuple[Side, float], ...] = (("left", amount.left_mm), ("right", amount.right_mm))
            return tuple((side, way * mm) for side, mm in sides if mm)
        one: Side = "right" if self.where == "one" else self.side
        return ((None if one == "both" else one, amount.signed_mm if solved_mm is None else solved_mm),)


class _FollowUp(NamedTuple):
    """An alteration called for by another: the condition in words, the sign it waits for, why, and after which alteration.

    `one_side`: it is done on one side only.
    """

    words: str
    symptom: str
    because: str
    after: str
    one_side: bool


@dataclass(frozen=True)
class Named:
    """An alteration not recommended now, and why."""

    alteration: str
    because: tuple[str, ...]


@dataclass(frozen=True)
class Closing:
    """What becomes of one sign. `by`: the alteration, cause or symptom responsible; `text`: a whole sentence."""

    symptom: str
    ending: Ending
    by: str | None
    text: str


@dataclass(frozen=True)
class Plan:
    """What to do this round. `verdict`: one sentence, saying why if nothing is recommended.

    `closings`: one line for every sign seen.
    """

    verdict: str
    recommendations: tuple[Recommendation, ...] = ()
    leave_alone: tuple[Named, ...] = ()
    later: tuple[Named, ...] = ()
    may_stay: tuple[str, ...] = ()
    closings: tuple[Closing, ...] = ()


def sentence(text: str) -> str:
    """The text, ending in a full stop unless it has end punctuation."""
    return text if text.endswith((".", "!", "?")) else text + "."


def make_plan(diagnosis: Diagnosis) -> Plan:
    """Make the plan for a diagnosis. Deterministic."""
    return Planner(diagnosis).plan()


def without_rivals(treats: Mapping[str, Collection[Item]]) -> list[str]:
    """The alterations, by what each treats and the best first, that treat something which none before them does."""
    kept: list[str] = []
    treated: set[Item] = set()
    for name, signs in treats.items():
        if not kept or not treated.issuperset(signs):
            kept.append(name)
            treated.update(signs)
    return kept


def first_choice(diagnosis: Diagnosis) -> str | None:
    """The alteration a plan would put first, without building its texts; for trying many variants."""
    planner = Planner(diagnosis)
    relief = planner.choose()
    return next(iter(in_order(diagnosis.base, planner.firm(relief), relief)), None)


class Planner:
    """A plan in the making: what each alteration relieves, what rules it out, and how much of it."""

    def __init__(self, diagnosis: Diagnosis) -> None:
        self.diagnosis = diagnosis
        self.base: RuleBase = diagnosis.base
        self.findings: Findings = diagnosis.findings
        self.probability = diagnosis.probability
        self.reckoner = Amounts(diagnosis)
        self.amount = cache(self.reckoner.plan)  # before other alterations take their share
        self.given = {  # on the side that is to be altered, which only the amount knows
            name: self.amount(name).gives_back if given_back(self.base, rule, self.findings) is not None else None
            for name, rule in self.base.alterations.items()
        }
        self.opposed = opposed(self.base)
        self._altered = {done.alteration for done in self.findings.done}
        self.avoided = {name: self.holding(self.conditions(name, "avoid_when")) for name in self.base.alterations}
        for name in self._altered:  # only what was done before can be exhausted
            if (amount := self.amount(name)).exhausted:
                self.avoided[name] = (*self.avoided[name], self._enough(name, amount))

    def plan(self) -> Plan:
        relief = self.choose()
        ordered = in_order(self.base, self.firm(relief), relief)
        waiting = in_order(self.base, relief.keys() - set(ordered), relief)
        now, later = ordered[:MOST_A_ROUND], [*ordered[MOST_A_ROUND:], *waiting]
        chosen: dict[str, _FollowUp | None] = dict.fromkeys(now)
        followed = self._follow_ups(now)
        for name, waits in followed.items():
            if name in chosen or (len(chosen) < MOST_A_ROUND and not self.opposes(name, chosen)):
                chosen[name] = waits
            elif name not in later:
                later.append(name)
        value = {name: 0.0 if waits else relief.get(name, 0.0) for name, waits in chosen.items()}
        recommendations = self._recommended(in_order(self.base, chosen, value), chosen, relief)
        may_stay = tuple(
            f"{self.base.causes[belief.cause].title}: {text}"
            for belief in self.beliefs.values()
            if (text := self.base.causes[belief.cause].may_stay) and belief.has_sign and belief.probability >= 0.5
        )
        names = [item.alteration for item in recommendations]
        plan = Plan(
            verdict=self._verdict(recommendations, may_stay),
            recommendations=recommendations,
            leave_alone=self._leave_alone(set(names)),
            later=tuple(Named(name, self._later_because(name, names, followed)) for name in later if name not in names),
            may_stay=may_stay,
        )
        closer = _Closer(self, plan)
        return replace(plan, closings=tuple(closer.close(one) for one in self.findings.seen if one.origin != "derived"))

    def _recommended(
        self, order: Iterable[str], chosen: Mapping[str, _FollowUp | None], relief: Mapping[str, float]
    ) -> tuple[Recommendation, ...]:
        """The recommendations in order, each amount reduced by what those before it take."""
        taken: dict[str, float] = {}
        result: list[Recommendation] = []
        for name in order:
            waits = chosen[name]
            amount = self.reckoner.plan(name, taken, at_least=waits is not None)
            if not amount.mm:
                continue  # those before it leave nothing
            item = self._recommend(len(result) + 1, name, amount)
            if waits is not None:
                item = replace(item, only_if=waits.words, only_if_symptom=waits.symptom, only_after=waits.after)
                item = replace(item, one_side=item.one_side or waits.one_side)
                if item.where == "both" and self.base.alterations[name].sides != "both":
                    item = replace(
                        item, side=next((one.side for one in result if one.alteration == waits.after), "both")
                    )
                if name not in relief:
                    item = replace(item, because=(waits.because,), against=item.against[-1:])
            result.append(item)
            for cause, well in self.base.cures_of[name].items():
                taken[cause] = taken.get(cause, 0.0) + self.reckoner.takes_of(cause, name, amount.mm) * well
        return tuple(result)

    @cached_property
    def beliefs(self) -> Mapping[str, Belief]:
        """Beliefs with their reasons, by cause; needed only for the texts."""
        return {belief.cause: belief for belief in self.diagnosis.beliefs}

    def _enough(self, alteration: str, amount: PlannedAmount) -> str:
        most, units = self.base.alterations[alteration].most_in_all, self.findings.units
        in_all = f"{format_length(most.amount_mm, units)} in all is" if most is not None else "that is"
        done = f"{format_given(amount.already_mm, units)} of it has been done before"
        return f"{done}, and {in_all} the most one pattern should take. Redraw the block or choose another size."

    # -- choosing ------------------------------------------------------------------------------------------------

    def choose(self) -> dict[str, float]:
        """Choose greedily by net relief over what is still uncured, until nothing is worth it; return net relief by alteration."""
        left = {cause: p if self.diagnosis.has_sign(cause) else 0.0 for cause, p in self.probability.items()}
        chosen: dict[str, float] = {}
        against = {
            rule.id: self._against_it(rule) for rule in self.base.alterations.values() if not self.avoided[rule.id]
        }
        while True:
            nets = {
                name: sum(left[cause] * well for cause, well in self.base.cures_of[name].items()) * factor - price
                for name, (factor, price) in against.items()
                if name not in chosen and not self.opposes(name, chosen)
            }
            least = self.base.setting("worth_altering")
            able = [name for name in nets if nets[name] > least + 1e-9 and self.amount(name).mm]
            if not able:
                return chosen
            best = max(nets[name] for name in able)
            pick = min(
                (name for name in able if nets[name] >= best - AS_GOOD),
                key=lambda name: (self.price(self.base.alterations[name]), -nets[name]),
            )
            chosen[pick] = nets[pick]
            for cause, well in self.base.cures_of[pick].items():
                left[cause] *= 1.0 - well

    def firm(self, chosen: Iterable[str]) -> list[str]:
        """The chosen alterations that cure a likely cause; the others wait until these were tried.

        If none does, those that each treat a sign which none before them treats, as two causes of one sign are seldom both there.
        """
        likely = {cause for cause, p in self.probability.items() if p >= LIKELY and self.diagnosis.has_sign(cause)}
        names = list(chosen)
        sure = [name for name in names if not likely.isdisjoint(self.base.cures_of[name])]
        return sure or without_rivals({name: self._treats(name) for name in names})

    def _treats(self, alteration: str) -> set[str]:
        """The signs seen that some cause shows which an alteration cures."""
        seen = {finding.symptom for finding in self.findings.seen}
        return {sign for cause in self.base.cures_of[alteration] for sign in seen & self.diagnosis.signs_of[cause]}

    def _against_it(self, alteration: Alteration) -> tuple[float, float]:
        """The factor on an alteration's relief, and what is then subtracted."""
        known, well = self.probability, self.base.words.how_well.words
        harm = sum(known[cause] * well[word] for cause, word in alteration.worsens.items() if cause in known)
        careful = CAREFUL if self.holding(self.conditions(alteration.id, "careful_when")) else 1.0
        again = AT_THE_SAME_PLACE if self.given[alteration.id] is not None else 1.0
        return again * careful, harm + self.price(alteration)

    def price(self, alteration: Alteration) -> float:
        """The relief given up for the signs an alteration may bring."""
        return sum(self.base.words.how_often.words[word] for word in alteration.brings.values()) * _PRICE_OF_A_NEW_SIGN

    def conditions(self, alteration: str, kind: When) -> tuple[Condition, ...]:
        """The conditions that rule an alteration out or call for care; against undoing earlier work only signs seen count."""
        conditions: tuple[Condition, ...] = getattr(self.base.alterations[alteration], kind)
        if self.given[alteration] is None:
            return conditions
        return tuple(condition for condition in conditions if condition.kind_and_id[0] == "symptom")

    def holding(self, conditions: Iterable[Condition], but: Iterable[str] = ()) -> tuple[str, ...]:
        """The reasons of the conditions that hold now, except those naming an id in `but`."""
        result = []
        for condition in conditions:
            kind, rule_id = condition.kind_and_id
            if kind == "body":
                holds = self.findings.body.get(rule_id, "no") != "no"
            elif kind == "done":
                holds = rule_id in self._altered
            else:
                finding = self.findings.symptoms.get(rule_id)
                holds = finding is not None and finding.seen == {"symptom": "yes", "absent": "no"}.get(kind)
            if holds and rule_id not in but:
                result.append(sentence(condition.because))
        return tuple(result)

    # -- wording -------------------------------------------------------------------------------------------------

    def _recommend(self, rank: int, alteration_id: str, amount: PlannedAmount) -> Recommendation:
        alteration = self.base.alterations[alteration_id]
        cured = sorted(
            (self.beliefs[cause] for cause in self.base.cures_of[alteration_id] if self.beliefs[cause].has_sign),
            key=lambda belief: (-belief.probability, belief.cause),
        )
        main = [belief for belief in cured if belief.probability >= 0.1][:2]
        because: list[str] = []
        mentioned: set[str] = set()
        for belief in main:
            cause = self.base.causes[belief.cause]
            reasons = belief.because[:3]
            mentioned |= {reason.id for reason in reasons}
            listed = "; ".join(lower_first(reason.text) for reason in reasons)
            firmly = f", {chance_words(belief.probability)}: {listed}" if listed else ""
            because.append(f"{cause.title}{firmly}.")
        return Recommendation(
            rank, alteration_id, self._title(alteration, amount), amount, amount.side,
            tuple(dict.fromkeys(because)), self._against(alteration, main, mentioned), None, None,
            tuple(belief.cause for belief in main), one_side=alteration.operation.one_side,
        )  # fmt: skip

    def _title(self, alteration: Alteration, amount: PlannedAmount) -> str:
        given = amount.gives_back
        if given is None or not amount.only_gives_back:
            return alteration.title
        return f"{alteration.title} (gives back part of round {' and '.join(map(str, given.rounds))})"

    def _against(self, alteration: Alteration, main: list[Belief], mentioned: set[str]) -> tuple[str, ...]:
        """What speaks against every cause the alteration is advised for, and its known risks, in sentences."""
        against: list[str] = []
        if main:
            common = set.intersection(*({reason.id for reason in belief.against} for belief in main)) - mentioned
            against += [f"{reason.speaks}." for reason in main[0].against[:4] if reason.id in common][:2]
        against += self.holding(self.conditions(alteration.id, "careful_when"), but=mentioned)
        for cause_id in alteration.worsens:
            if self.probability.get(cause_id, 0.0) >= 0.2:
                against.append(f"It makes this worse: {lower_first(self.base.causes[cause_id].title)}.")
        for symptom in alteration.brings:
            if (finding := self.findings.symptoms.get(symptom)) is not None and finding.seen == "yes":
                continue  # it is already there, so it is no new risk
            against.append(f"It can bring: {lower_first(self.base.symptoms[symptom].title)}.")
        return tuple(dict.fromkeys(against))

    def _follow_ups(self, planned: Iterable[str]) -> dict[str, _FollowUp]:
        """The follow-ups of the planned alterations, by id."""
        result: dict[str, _FollowUp] = {}
        for name in planned:
            alteration = self.base.alterations[name]
            for follow in alteration.follow_ups:
                if follow.do in (name, *result) or self.avoided[follow.do] or not self.amount(follow.do).mm:
                    continue
                sign = lower_first(self.base.symptoms[follow.if_seen].title)
                finding = self.findings.symptoms.get(follow.if_seen)
                still = "still shows" if finding is not None and finding.seen == "yes" else "shows"
                text = f"Only if this {still} at the try-on after '{lower_first(alteration.title)}': {sign}"
                result[follow.do] = _FollowUp(text, follow.if_seen, sentence(follow.because), name, follow.one_side)
        return result

    def opposes(self, alteration: str, chosen: Iterable[str]) -> bool:
        """Whether an alteration undoes or excludes one already chosen."""
        return not self.opposed[alteration].isdisjoint(chosen)

    def _leave_alone(self, recommended: set[str]) -> tuple[Named, ...]:
        least = self.base.setting("leave_alone_from")
        ranked: list[tuple[float, str]] = []
        for name, reasons in self.avoided.items():
            if not reasons or name in recommended:
                continue
            weight = 0.0
            for cause, well in self.base.cures_of[name].items():
                belief = self.beliefs[cause]
                rate = self.base.words.base_rate.words[self.base.causes[cause].base_rate]
                if belief.probability >= least and (belief.has_sign or belief.prior > rate * 1.3):
                    weight += belief.probability * well
            if weight or name in self._altered:
                ranked.append((weight + (1.0 if name in self._altered else 0.0), name))
        ranked.sort(key=lambda pair: (-pair[0], pair[1]))
        return tuple(
            Named(name, (*self.avoided[name], *self.holding(self.base.alterations[name].careful_when)))
            for _, name in ranked[:_MOST_LEFT_ALONE]
        )

    def _later_because(self, name: str, now: list[str], followed: Mapping[str, _FollowUp]) -> tuple[str, ...]:
        reasons = [sentence(text) for first in now if (text := reason(self.base, first, name))]
        if name in followed:
            reasons.insert(0, f"{followed[name].words}.")
        full = len(now) >= MOST_A_ROUND
        plain = "Three alterations are enough for one round; look again first." if full else _LESS_SURE
        return tuple(dict.fromkeys(reasons)) or (plain,)

    def _verdict(self, ranked: tuple[Recommendation, ...], may_stay: tuple[str, ...]) -> str:
        if ranked:
            return ranked[0].as_first
        if not self.findings.seen:
            return "Nothing to alter: nothing was seen and nothing was felt that asks for a change."
        if may_stay:
            return "Nothing to alter: what is seen may stay as it is."
        unsure = "Nothing to alter yet: no cause is likely enough to cut for. Look at the open question first."
        return self._held_back() or unsure

    def _held_back(self) -> str:
        """If a likely cause has a cure that is held back: which cure, and why; else empty."""
        likely = [belief for belief in self.beliefs.values() if belief.has_sign and belief.probability >= 0.5]
        for belief in sorted(likely, key=lambda belief: -belief.probability):
            cause = self.base.causes[belief.cause]
            for name in sorted(cause.cured_by, key=lambda cure: -self.base.cures_of[cure][cause.id]):
                why = [*self.avoided[name], *self.holding(self.conditions(name, "careful_when"))]
                if why:
                    found = f"{cause.title}, {chance_words(belief.probability)}"
                    against = f"against '{lower_first(self.base.alterations[name].title)}': {lower_first(why[0])}"
                    return f"Nothing to alter yet. {found}, but one thing speaks {against} Look at the open question first."
        return ""


class _Closer:
    """Says what becomes of each sign under a plan."""

    def __init__(self, planner: Planner, plan: Plan) -> None:
        self.diagnosis, self.base, self.avoided = planner.diagnosis, planner.base, planner.avoided
        self.now = {item.alteration: item for item in plan.recommendations if item.only_if is None}
        self.waiting = {item.alteration: item for item in plan.recommendations if item.only_if is not None}
        self.later = {item.alteration: item for item in plan.later}

    def close(self, finding: Finding) -> Closing:
        """The line of one sign."""
        causes = self._explaining(finding.symptom)
        tried = (close(finding, cause) for close in (self._cured, self._waits) for cause in causes)
        if (closing := next((one for one in tried if one is not None), None)) is not None:
            return closing
        if (after := self._only_if(finding)) is not None:
            return after
        if causes and (text := self.base.causes[causes[0]].may_stay):
            return Closing(finding.symptom, "may-stay", causes[0], f"May stay: {text}")
        known = causes[:1] or self.diagnosis.shown_by(finding.symptom)
        if not known:
            return Closing(finding.symptom, "unexplained", None, "No rule explains this; note it and look again.")
        return self._look(finding, max(known, key=lambda cause: (self.diagnosis.probability[cause], cause)))

    def _explaining(self, symptom: str) -> list[str]:
        """The causes that may explain a sign, the likeliest first, far less likely ones left out."""
        weights: dict[str, float] = {}
        for cause, probability in self.diagnosis.probability.items():
            strength = self.diagnosis.shown_by(symptom).get(cause, 0.0)
            if symptom in self.diagnosis.joint.shown_by(cause):
                strength = max(strength, 0.5)
            if strength and probability >= _NAMED_FROM:
                weights[cause] = strength * probability
        most = max(weights.values(), default=0.0)
        kept = [cause for cause, weight in weights.items() if weight >= _BEHIND * most]
        return sorted(kept, key=lambda cause: (-weights[cause], cause))

    def _cured(self, finding: Finding, cause: str) -> Closing | None:
        here = {name: self.base.cures_of[name][cause] for name in self.base.causes[cause].cured_by if name in self.now}
        if not here:
            return None
        best = max(here, key=lambda name: (here[name], -self.now[name].rank))
        item = self.now[best]
        if here[best] >= _CURES and item.amount.remainder_mm <= 1e-6:
            return Closing(finding.symptom, "cured", best, f"Cured by {item.rank}, {lower_first(item.title)}.")
        rest = " in part; the rest waits for the next round" if item.amount.remainder_mm > 1e-6 else ""
        text = f"Expected to go with {item.rank}, {lower_first(item.title)}{rest}; look again at the next try-on."
        return Closing(finding.symptom, "goes-with", best, text)

    def _waits(self, finding: Finding, cause: str) -> Closing | None:
        cures = self.base.causes[cause].cured_by
        ranked = sorted(cures, key=lambda name: (-self.base.cures_of[name][cause], name))
        for name in ranked:
            if name in self.waiting:
                return self._waiting(finding, self.waiting[name])
            if name in self.later:
                why = " ".join(self.later[name].because)
                title = lower_first(self.base.alterations[name].title)
                return Closing(finding.symptom, "waits", name, f"Waits for a later round ({title}): {lower_first(why)}")
        if ranked and all(self.avoided.get(name) for name in ranked):
            title, why = lower_first(self.base.alterations[ranked[0]].title), self.avoided[ranked[0]][0]
            text = f"Waits; this speaks against {title}: {lower_first(why)}"
            return Closing(finding.symptom, "waits", ranked[0], text)
        return None

    def _only_if(self, finding: Finding) -> Closing | None:
        """Where an alteration waits to see whether the sign still shows."""
        item = next((one for one in self.waiting.values() if one.only_if_symptom == finding.symptom), None)
        return None if item is None else self._waiting(finding, item)

    @staticmethod
    def _waiting(finding: Finding, item: Recommendation) -> Closing:
        text = f"Waits for {item.rank}, {lower_first(item.title)}: {lower_first(item.only_if or '')}."
        return Closing(finding.symptom, "waits", item.alteration, text)

    def _look(self, finding: Finding, cause: str) -> Closing:
        """Ask for one more reading or look."""
        rule = self.base.causes[cause]
        probability = self.diagnosis.probability[cause]
        what = f" ({lower_first(rule.title)}, {chance_words(probability)})" if probability >= _NAMED_FROM else ""
        often, known = self.base.words.how_often.words, self.diagnosis.findings.symptoms
        open_signs = [
            link.symptom
            for link in sorted(rule.shows, key=lambda link: (-often[link.how_often], link.symptom))
            if link.symptom not in known
            and all(name in known and known[name].seen == "yes" for name in self.base.symptoms[link.symptom].needs[:1])
        ]
        if open_signs:
            ask = self.base.symptoms[open_signs[0]].ask
            return Closing(finding.symptom, "look", open_signs[0], f"One more look is needed{what}: {ask}")
        measure = self.base.symptoms[finding.symptom].measure
        if finding.amount_mm is None and measure is not None:
            text = f"One more reading is needed{what}: measure {measure.what}."
            return Closing(finding.symptom, "look", finding.symptom, text)
        text = f"Not sure enough to cut for{what}; look again at the next try-on."
        return Closing(finding.symptom, "look", None, text)
