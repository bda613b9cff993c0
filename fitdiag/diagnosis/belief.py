"""From findings to beliefs: how probable each cause is, and what each answer says for or against it, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import hypot, inf, log, prod
from typing import Literal

from fitdiag.diagnosis.exact import Evidence, Network, Posterior, TooWideError
from fitdiag.diagnosis.extents import share_below
from fitdiag.diagnosis.joint import CauseExtent, Joint
from fitdiag.diagnosis.opposites import excluded_by
from fitdiag.diagnosis.readings import at_rest, axis_of, own_shift
from fitdiag.diagnosis.sides import on_the_other_side
from fitdiag.knowledge.findings import BOTH_SIDES_DIFFER, Done, Finding, Findings, by_side, seen_by_amount
from fitdiag.knowledge.model import Cause, RuleBase, Seen, Symptom
from fitdiag.knowledge.order import once
from fitdiag.problems import stop
from fitdiag.units import Units, format_error, format_given, format_reading

FIRMNESS = ((10.0, "very strongly"), (4.0, "strongly"), (1.8, "clearly"), (1.15, "slightly"))
NAMED = 0.8  # chance that a fitter asked "is that all?" has named a visible sign; a fitter's judgement
# simulated faults are made on purpose: some twenty causes, equally likely, one or two at a time
_SIMULATED_RATE = 0.07
_NOT_SIMULATED = 1e-6  # and causes that cannot be simulated are absent
_LARGEST_ODDS = 1e12
_LIKELY_FROM, _MOST_LIKELY = 0.05, 5
_NOT_RULED_OUT_FROM, _MOST_NOT_RULED_OUT = 0.02, 6
_EQUAL = 12  # decimals compared in a ranking, so that rounding never decides it
_CLEAR = 3.0  # standard deviations between a sign's threshold and its mark for clear, measured with a ruler
_AS_GOOD = 2.999  # standard deviations from which a measured amount is a plain yes or no


@dataclass(frozen=True)
class Reason:
    """What one answer, body note or earlier alteration says about a cause; `factor` multiplies the odds of the cause."""

    kind: Literal["symptom", "body", "done"]
    id: str
    factor: float
    text: str

    @property
    def firmness(self) -> str:
        """The strength of the evidence in words; empty if negligible."""
        size = max(self.factor, 1 / self.factor) if self.factor > 0 else inf
        return next((word for least, word in FIRMNESS if size >= least), "")

    @property
    def speaks(self) -> str:
        """What it says, and how firmly: `The lines dip: speaks strongly for it`."""
        return f"{self.text}: speaks {self.firmness} {'for' if self.factor > 1 else 'against'} it"


@dataclass(frozen=True)
class Belief:
    """One cause: its posterior and prior probability, and the reasons for and against it, strongest first."""

    cause: str
    probability: float
    prior: float
    because: tuple[Reason, ...]
    against: tuple[Reason, ...]
    has_sign: bool


@dataclass(frozen=True)
class Question:
    """An unanswered symptom: the expected information of its answer in bits, and the cost of asking (1 = looking).

    That a yes also answers the opposite sign is not counted.
    """

    symptom: str
    gain_bits: float
    cost: float

    @property
    def worth(self) -> float:
        """Bits per unit of cost, by which questions are chosen."""
        return self.gain_bits / self.cost


@dataclass(frozen=True)
class Compiled:
    """A rule base and findings as numbers: the network, the evidence, and the ids by index.

    `presumed`: visible signs that nobody named, though all visible signs were asked for. They count as absent, with links and
    leak raised to the power NAMED. `excluded`: open signs that cannot be there beside some sign seen, absent for certain, each with
    those signs. `across`: (symptom, cause) for signs on the other side than the cause, which it does not show.
    """

    network: Network
    evidence: Evidence
    causes: tuple[str, ...]
    symptoms: tuple[str, ...]
    presumed: frozenset[int] = frozenset()
    excluded: Mapping[int, frozenset[int]] = field(default_factory=dict)
    across: frozenset[tuple[str, str]] = frozenset()


class Diagnosis:
    """Beliefs over all causes given findings; computed on creation, reasons and questions on first use."""

    def __init__(self, base: RuleBase, findings: Findings) -> None:
        self.base = base
        self.findings = with_derived(base, against_rest(base, findings))
        self.compiled = compile_network(base, self.findings)
        self.posterior = _posterior(self.compiled, self.findings)
        network, evidence, across = self.compiled.network, self.compiled.evidence, self.compiled.across
        self.joint = Joint(base, self.findings, network, evidence, across)
        chances = self.joint.probability if self.joint.measured > 1 else self.posterior.probability
        self.probability: Mapping[str, float] = dict(zip(self.compiled.causes, chances, strict=True))

    @cached_property
    def beliefs(self) -> tuple[Belief, ...]:
        """Every cause, the most probable first, ties by id.

        Causes that no sign or reading bears on come last, however common they are.
        """
        shifts = self._shifts()
        prior = dict(zip(self.compiled.causes, self.compiled.network.prior, strict=True))
        result = []
        for cause_id, probability in self.probability.items():
            reasons = [*background(self.base, self.base.causes[cause_id], self.findings), *shifts.get(cause_id, ())]
            reasons = [reason for reason in reasons if reason.firmness]
            reasons.sort(key=lambda reason: (-abs(log(reason.factor)) if reason.factor > 0 else -inf, reason.id))
            because = tuple(reason for reason in reasons if reason.factor > 1)
            against = tuple(reason for reason in reasons if reason.factor < 1)
            has_sign = self.has_sign(cause_id)
            result.append(Belief(cause_id, probability, prior[cause_id], because, against, has_sign))
        touched = self.touched
        return tuple(sorted(result, key=lambda b: (b.cause not in touched, -round(b.probability, _EQUAL), b.cause)))

    @cached_property
    def touched(self) -> frozenset[str]:
        """The causes with a sign seen, or with a reading that bears on their extent."""
        return frozenset(cause for cause in self.probability if cause in self.extents or self.has_sign(cause))

    @cached_property
    def likely(self) -> tuple[Belief, ...]:
        """The few likely causes with a sign, the most probable first."""
        likely = [one for one in self.beliefs if one.has_sign and one.probability >= _LIKELY_FROM]
        return tuple(likely[:_MOST_LIKELY])

    @cached_property
    def not_ruled_out(self) -> tuple[Belief, ...]:
        """The next few causes that a sign or reading bears on: a small fault may hide behind a large one."""
        rest = [one for one in self.beliefs if one.cause in self.touched and one not in self.likely]
        return tuple([one for one in rest if one.probability >= _NOT_RULED_OUT_FROM][:_MOST_NOT_RULED_OUT])

    def shown_by(self, symptom: str) -> Mapping[str, float]:
        """The causes that show a sign where it was seen, each with how often."""
        shown, across = self.base.causes_of[symptom], self.compiled.across
        return {cause: often for cause, often in shown.items() if (symptom, cause) not in across} if across else shown

    def has_sign(self, cause_id: str) -> bool:
        """Whether at least one symptom that the cause shows, or whose reading it moves, was seen."""
        return cause_id in self._signed

    @cached_property
    def signs_of(self) -> Mapping[str, frozenset[str]]:
        """By cause, the signs that it shows, or whose reading it moves, but for those seen across from it."""
        across = self.compiled.across
        return {
            cause.id: frozenset(link.symptom for link in cause.shows if (link.symptom, cause.id) not in across).union(
                self.joint.shown_by(cause.id)
            )
            for cause in self.base.causes.values()
        }

    @cached_property
    def _signed(self) -> frozenset[str]:
        seen = {finding.symptom for finding in self.findings.seen}
        return frozenset(cause for cause, signs in self.signs_of.items() if not seen.isdisjoint(signs))

    @cached_property
    def extents(self) -> Mapping[str, CauseExtent]:
        """The extent of each cause, if present, for causes that some reading bears on."""
        return self.joint.extents

    def _shifts(self) -> dict[str, list[Reason]]:
        """Reasons by cause: the factor of an answer is the odds with all answers over the odds without this one."""
        least = FIRMNESS[-1][0]
        odds = [_odds(probability) for probability in self.posterior.probability]
        read = self.joint.shifts if self.joint.measured > 1 else {}
        result: dict[str, list[Reason]] = {}
        excluded = self.compiled.excluded
        for index in self.compiled.evidence:
            if index in self.compiled.presumed or index in excluded:
                continue
            finding = self.findings.symptoms[self.compiled.symptoms[index]]
            if finding.seen == "unsure" and finding.amount_mm is None:
                continue
            text = finding_text(self.base, finding, self.findings)
            slight = finding.seen == "yes" and finding.severity == "slight"
            too_little = text.replace("slight", "only slight") if slight else text
            before = self.posterior.without(index, *(sign for sign, seen in excluded.items() if seen == {index}))
            for cause, now, earlier in zip(self.compiled.causes, odds, before, strict=True):
                factor = read.get(finding.symptom, {}).get(cause, now / _odds(earlier))
                if factor > least or factor * least < 1.0:
                    shown = text if factor > 1.0 else too_little
                    result.setdefault(cause, []).append(Reason("symptom", finding.symptom, factor, shown))
        return result

    def questions(self) -> tuple[Question, ...]:
        """Every open symptom that can be asked now, the highest worth first."""
        result, seen = [], {finding.symptom for finding in self.findings.seen}
        for index, gain in self.posterior.gains().items():
            symptom = self.base.symptoms[self.compiled.symptoms[index]]
            if symptom.needs and seen.isdisjoint(symptom.needs):
                continue  # a test of a sign that was not seen
            result.append(Question(symptom.id, gain, self.base.words.cost.words[symptom.by]))
        return tuple(sorted(result, key=lambda question: (-round(question.worth, _EQUAL), question.symptom)))

    def next_question(self) -> Question | None:
        """The question most worth asking; None if none is worth it."""
        best = next(iter(self.questions()), None)
        return best if best is not None and best.worth >= self.base.setting("stop_below_bits") else None


def against_rest(base: RuleBase, findings: Findings) -> Findings:
    """Findings with measured signs judged against what a right block shows on this client, where known."""
    if not findings.at_rest and findings.readings_from == "cloth":
        return findings
    for finding in findings.symptoms.values():
        symptom = base.symptoms[finding.symptom]
        if finding.amount_mm is None or finding.severity is not None or symptom.measure is None:
            continue
        seen: Seen = "yes" if seen_by_amount(symptom, finding.amount_mm - own_shift(base, findings, symptom)) else "no"
        if seen != finding.seen:
            findings = findings.with_finding(replace(finding, seen=seen))
    return findings


def with_derived(base: RuleBase, findings: Findings) -> Findings:
    """Add what follows: a sign on one side alone answers whether one side shows more."""
    if BOTH_SIDES_DIFFER not in base.symptoms or BOTH_SIDES_DIFFER in findings.symptoms:
        return findings
    if any(finding.side in ("left", "right") for finding in findings.seen):
        return findings.with_finding(Finding(BOTH_SIDES_DIFFER, "yes", origin="derived"))
    return findings


def compile_network(base: RuleBase, findings: Findings) -> Compiled:
    """Turn a rule base and findings into numbers."""
    words = base.words
    causes, symptoms = tuple(base.believed), tuple(base.symptoms)
    row = {symptom: index for index, symptom in enumerate(symptoms)}
    prior: list[float] = []
    for cause in base.believed.values():
        rate = words.base_rate.words[cause.base_rate]
        if findings.readings_from == "simulation":
            rate = _SIMULATED_RATE if cause.id in base.simulated_causes else _NOT_SIMULATED
        odds = rate / (1.0 - rate) * prod(reason.factor for reason in background(base, cause, findings))
        odds = min(odds, _LARGEST_ODDS)
        prior.append(odds / (1.0 + odds))
    (leaks, all_links), (weaker_leaks, weaker_links) = _strengths(base), _weakened(base)
    leak, links = list(leaks), list(all_links)
    evidence = {row[finding.symptom]: likelihood(base, finding, findings) for finding in findings.symptoms.values()}
    excluded = {
        row[opposite]: frozenset(row[sign] for sign in seen) for opposite, seen in excluded_by(base, findings).items()
    }
    presumed = frozenset(
        row[symptom.id]
        for symptom in base.symptoms.values()
        if findings.looked and symptom.by == "looking" and symptom.id not in findings.symptoms
    ).difference(excluded)
    for sign in presumed:
        links[sign], leak[sign] = weaker_links[sign], weaker_leaks[sign]
    for sign, instead in excluded.items():
        either = {cause for one in instead for cause, _ in all_links[one]}
        links[sign] = [(cause, q) for cause, q in all_links[sign] if cause not in either]
    evidence.update(dict.fromkeys((*presumed, *excluded), (1.0, 0.0)))
    across = on_the_other_side(base, findings)
    for symptom, not_shown_by in across:
        links[row[symptom]] = [(cause, q) for cause, q in links[row[symptom]] if causes[cause] != not_shown_by]
    return Compiled(Network(prior, leak, links), evidence, causes, symptoms, presumed, excluded, across)


def background(base: RuleBase, cause: Cause, findings: Findings) -> list[Reason]:
    """Prior evidence on a cause: body notes and earlier alterations."""
    more, grades = base.words.more_or_less.words, base.words.body_grades.words
    reasons = []
    for note, grade in findings.body.items():
        if note in cause.body and grade in grades:
            text = base.body_notes[note].title + (" (marked)" if grade == "marked" else "")
            reasons.append(Reason("body", note, more[cause.body[note]] ** grades[grade], text))
    for alteration in dict.fromkeys(done.alteration for done in findings.done if done.alteration in cause.after):
        count = int(max(by_side((done.side, 1.0) for done in findings.done if done.alteration == alteration)))
        how_often = "" if count == 1 else f" ({'twice' if count == 2 else f'{count} times'})"
        text = f"Done before: {lower_first(base.alterations[alteration].title)}{how_often}"
        reasons.append(Reason("done", alteration, more[cause.after[alteration]] ** min(count, 99), text))
    return reasons


@once
def _strengths(base: RuleBase) -> tuple[list[float], list[list[tuple[int, float]]]]:
    """The leak of each symptom, and its links: each cause that shows it, with q = 1 - strength."""
    number, anyway = {cause: index for index, cause in enumerate(base.believed)}, base.words.seen_anyway.words
    links = [[(number[cause], 1.0 - often) for cause, often in shown.items()] for shown in base.causes_of.values()]
    return [anyway[symptom.seen_anyway] for symptom in base.symptoms.values()], links


@once
def _weakened(base: RuleBase) -> tuple[list[float], list[list[tuple[int, float]]]]:
    """Leaks and links to the power of NAMED, for visible signs that nobody named."""
    leak, links = _strengths(base)
    return [1.0 - (1.0 - one) ** NAMED for one in leak], [[(cause, q**NAMED) for cause, q in row] for row in links]


def likelihood(base: RuleBase, finding: Finding, findings: Findings) -> tuple[float, float]:
    """The likelihoods (λ0, λ1) of an answer if the sign is absent and if it is present. Equal values say nothing.

    A measured amount is compared with the sign's threshold; measured with a ruler, an amount at the mark for clear is as good as
    a yes. A larger error persuades less.
    """
    symptom = base.symptoms[finding.symptom]
    if finding.seen == "unsure" and finding.amount_mm is None:
        return 1.0, 1.0
    if finding.amount_mm is not None and symptom.measure is not None and finding.severity is None:
        present = chance_by_amount(base, symptom, finding, findings)
        return 1.0 - present, present
    if finding.seen == "yes" and finding.severity == "slight":
        return 1.0 - base.setting("slight_weight"), 1.0
    return (0.0, 1.0) if finding.seen == "yes" else (1.0, 0.0)


def chance_by_amount(base: RuleBase, symptom: Symptom, finding: Finding, findings: Findings) -> float:
    """The likelihood, 0 to 1, that the sign is present given its measured amount; it never falls as the amount grows."""
    measure = symptom.measure
    assert measure is not None and finding.amount_mm is not None
    clear = abs(measure.grades_mm.get("clear", measure.seen_from_mm) - measure.seen_from_mm)
    spread = max(min(clear / _CLEAR, measure.give_mm), 1e-6)
    shift = own_shift(base, findings, symptom)
    axis = axis_of(base, symptom)
    if shift and axis is not None:
        spread = hypot(spread, at_rest(base, findings, axis.id)[1])
    spread = hypot(spread, finding.error_mm or 0.0)
    distance = (finding.amount_mm - shift - measure.seen_from_mm) / spread
    if measure.worse == "less":
        distance = -distance
    return 1.0 if distance >= _AS_GOOD else 0.0 if distance <= -_AS_GOOD else share_below(distance)


def finding_text(base: RuleBase, finding: Finding, findings: Findings) -> str:
    """A finding in words: `The level lines dip towards the back (3/4 in)`, `Not seen: a V …`."""
    title = base.symptoms[finding.symptom].title
    extra = []
    if finding.amount_mm is not None:
        text = format_reading(finding.amount_mm, findings.units)
        if finding.left_mm is not None and finding.right_mm is not None:
            left, right = (format_reading(mm, findings.units) for mm in (finding.left_mm, finding.right_mm))
            text = f"left {left}, right {right}" if left != right else text
        extra.append(f"{text} ± {format_error(finding.error_mm, findings.units)}" if finding.error_mm else text)
    if finding.severity:
        extra.append(finding.severity)
    if finding.side in ("left", "right"):
        extra.append(f"{finding.side} side only")
    tail = f" ({', '.join(extra)})" if extra else ""
    if finding.seen == "unsure":
        return f"Cannot be said: {lower_first(title)}{tail}"
    if finding.seen == "no" and finding.amount_mm:
        return f"Not enough to count: {lower_first(title)}{tail}"
    return f"{title}{tail}" if finding.seen == "yes" else f"Not seen: {lower_first(title)}{tail}"


def done_text(base: RuleBase, done: Done, units: Units) -> str:
    """An earlier alteration in words: `take width out of the back, 1/4 in, left side only`."""
    return ", ".join([lower_first(base.title(done.alteration)), *how_done(base, done, units)])


def how_done(base: RuleBase, done: Done, units: Units) -> list[str]:
    """How much was done of an alteration, which way and where, each only if there is something to say."""
    rule = base.alterations.get(done.alteration)
    parts = []
    if done.amount_mm is not None:
        ways = rule.amount.ways if rule is not None else None
        way = "" if ways is None else ways.less if done.less else ways.more
        parts.append(f"{way} {format_given(done.amount_mm, units)}".strip())
    if done.side != "both":
        parts.append(f"{done.side} side only")
    return parts


def lower_first(text: str) -> str:
    """The text with its first letter in lower case, unless the first word is an abbreviation in capitals."""
    first = text.split(" ", 1)[0]
    return text if len(first) > 1 and first.isupper() else text[:1].lower() + text[1:]


def chance_words(probability: float) -> str:
    """A probability as a fitter would say it.

    >>> chance_words(0.97), chance_words(0.5), chance_words(0.004)
    ('nearly certain', 'about 5 in 10', 'hardly')
    """
    if probability >= 0.95:
        return "nearly certain"
    if probability < 0.02:
        return "hardly"
    if probability < 0.1:
        return f"about 1 in {round(1 / probability / 5) * 5}"
    return f"about {round(probability * 10)} in 10"


def _odds(probability: float) -> float:
    bounded = min(max(probability, 1e-12), 1.0 - 1e-12)
    return bounded / (1.0 - bounded)


def _posterior(compiled: Compiled, findings: Findings) -> Posterior:
    try:
        return Posterior(compiled.network, compiled.evidence)
    except TooWideError as error:
        raise stop(
            "too-many-signs",
            f"{len(findings.seen)} signs at once, and {error.width} of them hang together: too many to weigh exactly",
            hint="so many signs point to another size or block; choose it first, or answer only the largest signs",
        ) from None
