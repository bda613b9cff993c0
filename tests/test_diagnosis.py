"""Beliefs, gains and reasons against pyAgrum and plain enumeration, and what must hold whatever the rules say."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import pairwise
from math import inf, log, log2, prod

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from reference import PRIORS, Reference, chance_absent, draw_client, draw_network, enumerated, enumerated_gains

from fitdiag.diagnosis.arrays import Arrays
from fitdiag.diagnosis.belief import (
    Diagnosis,
    Question,
    chance_by_amount,
    chance_words,
    compile_network,
    finding_text,
    likelihood,
    lower_first,
)
from fitdiag.diagnosis.exact import WIDEST, Evidence, Lists, Network, Posterior, Sweep, TooWideError
from fitdiag.diagnosis.survey import close_pairs, deciding_links, separation, widths
from fitdiag.knowledge.findings import BOTH_SIDES_DIFFER, Done, Finding, Findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import ProblemsFoundError

RARE = (1e-4, 1e-3, 0.01, 0.1)
ARRAYS_FROM = 9  # from this width on numpy takes over; both ways must be met by the drawn cases


def worst(one: list[float], other: list[float]) -> float:
    """The largest difference between two lists of numbers."""
    return max((abs(a - b) for a, b in zip(one, other, strict=True)), default=0.0)


def odds(probability: float) -> float:
    return probability / (1.0 - probability)


# -- drawn cases ---------------------------------------------------------------------------------------------------------


def drawn_case(number: int) -> tuple[Network, Evidence]:
    """One of four kinds of network in turn: common causes, rare causes, many positives, a wide component."""
    rng = random.Random(f"case {number}")
    kind = number % 4
    if kind == 3:  # few causes that share everything: wide for us, at most 2^12 for a general-purpose engine
        causes, findings, links, positives = rng.randint(10, 12), 24, 96, rng.randint(11, 16)
    elif kind == 2:
        causes, findings, links, positives = rng.randint(16, 24), 40, 100, rng.randint(15, 20)
    else:
        causes, findings = rng.randint(5, 30), rng.randint(6, 40)
        links, positives = 2 * findings, rng.randint(1, min(findings, 9))
    network = draw_network(rng, causes, findings, links, RARE if kind == 1 else PRIORS)
    order = rng.sample(range(findings), findings)
    soft = rng.sample(order, min(3, findings)) if number % 3 else []
    absent = rng.randint(0, (findings - positives) // 2)
    evidence: Evidence = {
        **dict.fromkeys(order[:positives], (0.0, 1.0)),
        **dict.fromkeys(order[positives : positives + absent], (1.0, 0.0)),
        **{finding: (10 ** rng.uniform(-3, 0), 10 ** rng.uniform(-3, 0)) for finding in soft},
    }
    return network, evidence


def drawn_findings(base: RuleBase, rng: random.Random, answered: int) -> Findings:
    """A client drawn from the rule base, with body notes and earlier rounds, and so many answers of every kind."""
    body = {note: rng.choice(("some", "marked", "no")) for note in rng.sample(list(base.body_notes), 4)}
    done = tuple(Done(alteration) for alteration in rng.choices(list(base.alterations), k=3))
    network = compile_network(base, Findings(body=body, done=done)).network
    _, signs = draw_client(rng, network)
    shown = [symptom for symptom, sign in zip(base.symptoms, signs, strict=True) if sign]
    first = rng.sample(shown, min(len(shown), answered // 3))
    asked = dict.fromkeys([*first, *rng.sample(list(base.symptoms), answered)])
    there = set(shown)
    findings: dict[str, Finding] = {}
    for symptom in list(asked)[:answered]:
        measure = base.symptoms[symptom].measure
        seen = "yes" if symptom in there else "no"
        if measure is not None and rng.random() < 0.5:
            past = (1 if (seen == "yes") == (measure.worse == "more") else -1) * rng.uniform(0.1, 3) * measure.give_mm
            amount, error = max(0.0, measure.seen_from_mm + past), rng.choice((None, 2.0, 15.0))
            findings[symptom] = Finding(symptom, seen, amount, error)  # type: ignore[arg-type]
        elif rng.random() < 0.1:
            findings[symptom] = Finding(symptom, "unsure")
        else:
            severity = rng.choice((None, "slight", "clear")) if seen == "yes" else None
            findings[symptom] = Finding(symptom, seen, severity=severity)  # type: ignore[arg-type]
    return Findings(findings, body, done)


@st.composite
def small_cases(draw: st.DrawFn) -> tuple[Network, Evidence]:
    """Up to seven causes and eight findings with any numbers, the ends of the scale included."""
    causes, findings = draw(st.integers(1, 7)), draw(st.integers(1, 8))
    chance = st.floats(1e-4, 0.9)
    strength = st.sampled_from((0.0, 0.1, 0.25, 0.4, 0.65, 0.9))  # q = 0: the cause always shows it
    links = draw(
        st.lists(
            st.dictionaries(st.integers(0, causes - 1), strength, max_size=4), min_size=findings, max_size=findings
        )
    )
    network = Network(
        draw(st.lists(chance, min_size=causes, max_size=causes)),
        draw(st.lists(st.sampled_from((0.0, 0.01, 0.1)), min_size=findings, max_size=findings)),
        [list(entry.items()) for entry in links],
    )
    fit = st.floats(1e-3, 1.0)
    answer = st.one_of(st.just((0.0, 1.0)), st.just((1.0, 0.0)), st.just((1.0, 1.0)), st.tuples(fit, fit))
    return network, draw(st.dictionaries(st.integers(0, findings - 1), answer))


# -- beliefs -------------------------------------------------------------------------------------------------------------


def one_reading(findings: Findings) -> Findings:
    """The findings with the first measured amount alone; the others are seen or not. Two readings are weighed by their extents."""
    amounts = [name for name, finding in findings.symptoms.items() if finding.amount_mm is not None]
    plain = {name: replace(findings.symptoms[name], amount_mm=None, error_mm=None) for name in amounts[1:]}
    return replace(findings, symptoms={**findings.symptoms, **plain})


def test_beliefs_equal_the_reference_on_the_shipped_base(base: RuleBase) -> None:
    """On the shipped rules, with answers of every kind, each belief equals pyAgrum's to 1e-12."""
    rng = random.Random(1)
    kinds = set()
    for number in range(20):
        findings = drawn_findings(base, rng, answered=4 + number)
        diagnosis = Diagnosis(base, findings)
        compiled = diagnosis.compiled
        kinds |= {
            pair if pair in ((0.0, 1.0), (1.0, 0.0), (1.0, 1.0)) else "soft" for pair in compiled.evidence.values()
        }
        expected = Reference(compiled.network).probability(compiled.evidence)
        assert worst(expected, diagnosis.posterior.probability) < 1e-12
        plain = Diagnosis(base, one_reading(findings))
        expected = Reference(plain.compiled.network).probability(plain.compiled.evidence)
        assert worst(expected, list(plain.probability.values())) < 1e-12
    assert kinds == {(0.0, 1.0), (1.0, 0.0), (1.0, 1.0), "soft"}


def test_beliefs_equal_the_reference_on_drawn_networks() -> None:
    """On 100 drawn networks (rare causes, 15 and more positives, soft answers, wide components) beliefs equal pyAgrum's to 1e-12."""
    widths, most_positives = [], 0
    for number in range(100):
        network, evidence = drawn_case(number)
        posterior = Posterior(network, evidence)
        widths.append(posterior.width)
        most_positives = max(most_positives, sum(pair == (0.0, 1.0) for pair in evidence.values()))
        assert worst(Reference(network).probability(evidence), posterior.probability) < 1e-12, f"case {number}"
    assert most_positives >= 15
    assert min(widths) < ARRAYS_FROM <= sorted(widths)[-5], "both ways of computing were met"


@given(small_cases())
@settings(deadline=None, max_examples=150)
def test_beliefs_equal_enumeration(case: tuple[Network, Evidence]) -> None:
    """On small networks beliefs equal the sum over all worlds to 1e-12, also where a link or an answer is certain."""
    network, evidence = case
    expected = enumerated_or_skipped(network, evidence)
    assert worst(expected, Posterior(network, evidence).probability) < 1e-12


def enumerated_or_skipped(network: Network, evidence: Evidence) -> list[float]:
    """Enumeration; evidence that no world gives (a sign without leak and cause) is no case."""
    try:
        expected, chance = enumerated(network, evidence)
    except ZeroDivisionError:
        assume(False)
        raise
    assume(chance > 1e-60)
    return expected


def test_enumeration_equals_the_reference() -> None:
    """The two references agree with each other up to ten causes, so that neither is checked by itself alone."""
    rng = random.Random(3)
    for causes in range(2, 11):
        network = draw_network(rng, causes, 12, 24)
        evidence: Evidence = {0: (0.0, 1.0), 1: (0.0, 1.0), 2: (1.0, 0.0), 3: (0.3, 0.9), 4: (0.0, 1.0)}
        expected, _ = enumerated(network, evidence)
        assert worst(expected, Reference(network).probability(evidence)) < 1e-12
        assert worst(expected, Posterior(network, evidence).probability) < 1e-12


def test_a_closed_form(base: RuleBase) -> None:
    """One cause, one sign: Bayes' rule as it stands in every textbook."""
    network = Network([0.08], [0.04], [[(0, 1.0 - 0.75)]])
    seen = 1.0 - 0.96 * 0.25
    assert Posterior(network, {0: (0.0, 1.0)}).width == 0, "a sign that shares no cause hangs together with none"
    assert (
        pytest.approx(0.08 * seen / (0.08 * seen + 0.92 * 0.04), rel=1e-14)
        == (Posterior(network, {0: (0.0, 1.0)}).probability[0])
    )
    assert (
        pytest.approx(0.08 * 0.25 / (0.08 * 0.25 + 0.92), rel=1e-14)
        == (Posterior(network, {0: (1.0, 0.0)}).probability[0])
    )


def test_without_an_answer_a_cause_is_as_likely_as_before() -> None:
    """Nothing asked: each keeps its chance, also one that is as likely as not."""
    network = Network([0.08, 0.5, 0.9], [0.04], [[(0, 0.25), (1, 0.5)]])
    assert Posterior(network, {}).probability == pytest.approx([0.08, 0.5, 0.9])
    assert Posterior(network, {0: (0.0, 1.0)}).probability[2] == pytest.approx(0.9)


def test_rare_causes_lose_nothing_to_cancellation() -> None:
    """Fifteen signs of causes as rare as 1 in 10,000: relative errors stay at rounding, where inclusion-exclusion loses digits."""
    rng = random.Random(4)
    network = draw_network(rng, 10, 18, 60, (1e-4,))
    evidence: Evidence = dict.fromkeys(range(15), (0.0, 1.0))
    expected, _ = enumerated(network, evidence)
    for exact, ours in zip(expected, Posterior(network, evidence).probability, strict=True):
        assert pytest.approx(exact, rel=1e-12) == ours


def test_too_many_signs_that_hang_together_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A component wider than the limit raises TooWideError and names its width; one at the limit is computed."""

    def ring(findings: int) -> Network:
        """Every two findings share a cause, so that all are open at once."""
        pairs = [(one, other) for one in range(findings) for other in range(one)]
        links: list[list[tuple[int, float]]] = [[] for _ in range(findings)]
        for cause, pair in enumerate(pairs):
            for finding in pair:
                links[finding].append((cause, 0.5))
        return Network([0.1] * len(pairs), [0.01] * findings, links)

    with pytest.raises(TooWideError, match=f"{WIDEST + 1} signs hang together") as stopped:
        Posterior(ring(WIDEST + 1), dict.fromkeys(range(WIDEST + 1), (0.0, 1.0)))
    assert stopped.value.width == WIDEST + 1
    monkeypatch.setattr("fitdiag.diagnosis.exact.WIDEST", 12)
    assert Posterior(ring(12), dict.fromkeys(range(12), (0.0, 1.0))).width == 12
    with pytest.raises(TooWideError, match="13 signs hang together; at most 12"):
        Posterior(ring(13), dict.fromkeys(range(13), (0.0, 1.0)))
    assert Posterior(ring(WIDEST + 1), dict.fromkeys(range(WIDEST + 1), (1.0, 0.0))).width == 0, (
        "absent ones cost nothing"
    )


@pytest.mark.parametrize(
    ("pairs", "width"),
    [
        ([(sign, sign + 1) for sign in range(11)], 2),  # a chain
        ([(sign, (sign + 1) % 12) for sign in range(12)], 3),  # a ring
        ([(0, sign) for sign in range(1, 12)], 2),  # a star
        ([(sign, sign + 1) for sign in range(0, 12, 2)] + [(sign, sign + 2) for sign in range(10)], 3),  # a ladder
    ],
)
def test_signs_are_weighed_in_an_order_that_keeps_few_open(pairs: list[tuple[int, int]], width: int) -> None:
    """Each two share a cause: no more are open at once than must be, one more than the path width of chain, ring, star and ladder
    (1, 2, 1 and 2; Robertson and Seymour 1983, from memory), whatever the order of the files."""
    for seed in range(4):
        rng = random.Random(seed)
        names, shuffled = rng.sample(range(12), 12), rng.sample(pairs, len(pairs))
        links: list[list[tuple[int, float]]] = [[] for _ in names]
        for cause, pair in enumerate(shuffled):
            for sign in pair:
                links[names[sign]].append((cause, 0.5))
        network = Network([0.1] * len(pairs), [0.01] * len(names), links)
        assert Posterior(network, dict.fromkeys(range(len(names)), (0.0, 1.0))).width == width


def test_every_sign_at_once_stops_with_advice(base: RuleBase) -> None:
    """All signs of the shipped base seen at once: one clear problem, no traceback and no endless wait."""
    everything = Findings({symptom: Finding(symptom, "yes") for symptom in base.symptoms})
    with pytest.raises(ProblemsFoundError, match="too many to weigh exactly") as stopped:
        Diagnosis(base, everything)
    assert [problem.code for problem in stopped.value.problems] == ["too-many-signs"]


def test_leaving_an_answer_out_equals_never_having_it() -> None:
    """On 80 drawn networks, the beliefs without one answer equal those of a posterior made without it to 1e-12."""
    kinds = set()
    for number in range(80):
        network, evidence = drawn_case(number)
        posterior = Posterior(network, evidence)
        for finding in random.Random(number).sample(list(evidence), min(4, len(evidence))):
            kinds.add(evidence[finding] if 0.0 in evidence[finding] else "soft")
            rest = {other: pair for other, pair in evidence.items() if other != finding}
            assert worst(Posterior(network, rest).probability, posterior.without(finding)) < 1e-12
        assert Posterior(network, evidence).probability == posterior.probability, "nothing stays changed"
    assert kinds == {(0.0, 1.0), (1.0, 0.0), "soft"}


def test_reasons_are_never_wider_than_the_answers(base: RuleBase, monkeypatch: pytest.MonkeyPatch) -> None:
    """What can be weighed at all has its reasons: leaving an answer out never meets the limit, although the greedy order may."""
    network = compile_network(base, Findings()).network
    rng = random.Random(13)

    def width_of(signs: list[int]) -> int:
        return Posterior(network, dict.fromkeys(signs, (0.0, 1.0))).width

    def grows(signs: list[int]) -> bool:
        return any(width_of([other for other in signs if other != sign]) > width_of(signs) for sign in signs)

    clients = (draw_client(rng, network)[1] for _ in range(1000))
    signs = next(signs for client in clients if grows(signs := [n for n, there in enumerate(client) if there][:18]))
    monkeypatch.setattr("fitdiag.diagnosis.exact.WIDEST", width_of(signs))
    names = [list(base.symptoms)[sign] for sign in signs]
    assert any(belief.because for belief in Diagnosis(base, Findings({n: Finding(n, "yes") for n in names})).beliefs)


# -- gains ---------------------------------------------------------------------------------------------------------------


def test_gains_equal_the_reference_on_the_shipped_base(base: RuleBase) -> None:
    """The value of every open question equals pyAgrum's, one inference a symptom, to 1e-9."""
    rng = random.Random(5)
    for number in range(2):
        compiled = Diagnosis(base, drawn_findings(base, rng, answered=6 + 8 * number)).compiled
        expected = Reference(compiled.network).gains(compiled.evidence)
        ours = Posterior(compiled.network, compiled.evidence).gains()
        assert set(expected) == set(ours)
        assert max(abs(expected[finding] - ours[finding]) for finding in expected) < 1e-9


def test_gains_equal_the_reference_on_drawn_networks() -> None:
    """On 12 drawn networks, wide ones among them, gains equal pyAgrum's to 1e-9."""
    widths = []
    for number in range(12):
        network, evidence = drawn_case(number)
        posterior = Posterior(network, evidence)
        widths.append(posterior.width)
        expected = Reference(network).gains(evidence)
        ours = posterior.gains()
        assert max((abs(expected[finding] - ours[finding]) for finding in expected), default=0.0) < 1e-9
    assert max(widths) >= ARRAYS_FROM


@given(small_cases())
@settings(deadline=None, max_examples=75)
def test_gains_equal_enumeration(case: tuple[Network, Evidence]) -> None:
    """On small networks gains equal those counted over all worlds, "seen" and "not seen" each for itself."""
    network, evidence = case
    enumerated_or_skipped(network, evidence)
    try:
        expected = enumerated_gains(network, evidence)
    except ZeroDivisionError:
        assume(False)
        raise
    posterior = Posterior(network, evidence)
    ours = posterior.gains()
    assert set(expected) == set(ours)
    assert all(abs(expected[finding] - ours[finding]) < 1e-9 for finding in expected)


def test_arrays_give_the_same_weights() -> None:
    """One pass over a component on numpy equals the pass on lists to rounding, wide components included."""
    widths = []
    for number in range(80):
        network, evidence = drawn_case(number)
        posterior = Posterior(network, evidence)
        for component in posterior.components:
            widths.append(component.width)
            one, same = (Sweep(component, posterior.off, posterior.on, states) for states in (Lists(), Arrays()))
            assert pytest.approx(one.total, rel=1e-12) == same.total
            assert pytest.approx(one.weights(), rel=1e-12) == same.weights()
    assert max(widths) >= ARRAYS_FROM


def test_gains_leave_the_posterior_as_it_was() -> None:
    """Asking for gains changes no belief: the same call twice gives the same to the bit."""
    for number in range(8):
        network, evidence = drawn_case(number)
        posterior = Posterior(network, evidence)
        before = (list(posterior.probability), list(posterior.on), list(posterior.off))
        assert posterior.gains() == posterior.gains()
        assert before == (posterior.probability, posterior.on, posterior.off)


# -- what must hold whatever the rules say ---------------------------------------------------------------------------------


def test_the_network_holds_the_numbers_of_the_words(base: RuleBase) -> None:
    """Priors, leaks and links are those the tables of words.yaml give, whatever order the files have."""
    compiled = compile_network(base, Findings())
    words = base.words
    for cause, prior in zip(compiled.causes, compiled.network.prior, strict=True):
        assert pytest.approx(words.base_rate.words[base.causes[cause].base_rate], rel=1e-14) == prior
    for symptom, leak, links in zip(compiled.symptoms, compiled.network.leak, compiled.network.links, strict=True):
        assert words.seen_anyway.words[base.symptoms[symptom].seen_anyway] == leak
        expected = {
            cause: words.how_often.words[link.how_often]
            for cause, rule in base.believed.items()
            for link in rule.shows
            if link.symptom == symptom
        }
        assert expected == {compiled.causes[cause]: pytest.approx(1.0 - q, rel=1e-14) for cause, q in links}


def test_the_order_of_answers_does_not_matter(base: RuleBase) -> None:
    """The same answers, notes and earlier rounds in any order give the same beliefs, questions and ranking."""
    rng = random.Random(6)
    for _ in range(8):
        findings = drawn_findings(base, rng, answered=16)
        one = Diagnosis(base, findings)
        items, notes, done = list(findings.symptoms.items()), list(findings.body.items()), list(findings.done)
        for shuffled in (items, notes, done):
            rng.shuffle(shuffled)  # type: ignore[arg-type]
        other = Diagnosis(base, Findings(dict(items), dict(notes), tuple(done)))
        assert worst(list(one.probability.values()), list(other.probability.values())) < 1e-14
        assert [belief.cause for belief in one.beliefs] == [belief.cause for belief in other.beliefs]
        gains = {question.symptom: question.gain_bits for question in other.questions()}
        assert all(abs(question.gain_bits - gains[question.symptom]) < 1e-12 for question in one.questions())


def test_equal_causes_stand_by_id(base: RuleBase) -> None:
    """Causes that are equally probable but for rounding stand in the order of their ids, whatever was answered."""
    rng = random.Random(14)
    turned_by_rounding = 0
    for cause in list(base.believed.values())[::2]:
        twins = {f"{cause.id}-{name}": cause.model_copy(update={"id": f"{cause.id}-{name}"}) for name in "cab"}
        others = {rule.id: rule for rule in base.causes.values() if rule.id != cause.id}
        diagnosis = Diagnosis(replace(base, causes={**twins, **others}), drawn_findings(base, rng, answered=16))
        assert sorted(twins) == [belief.cause for belief in diagnosis.beliefs if belief.cause in twins]
        exact = sorted(twins, key=lambda twin: (-diagnosis.probability[twin], twin))
        turned_by_rounding += exact != sorted(twins)
    assert turned_by_rounding, "rounding would have put some in another order"


def test_cannot_say_changes_no_belief(base: RuleBase) -> None:
    """An answer "unsure" changes no belief and gives no reason, and the same question is not asked again."""
    rng = random.Random(7)
    findings = drawn_findings(base, rng, answered=12)
    before = Diagnosis(base, findings)
    question = before.questions()[0]
    after = Diagnosis(base, findings.with_finding(Finding(question.symptom, "unsure", origin="asked")))
    assert before.probability == after.probability
    assert before.beliefs == after.beliefs
    assert question.symptom not in {asked.symptom for asked in after.questions()}
    assert len(before.questions()) - 1 == len(after.questions())


def test_a_blurred_measure_persuades_less(base: RuleBase) -> None:
    """The larger the error of a measured amount, the less it moves any cause, down to nothing; its direction stays."""
    tried = 0
    for symptom in base.symptoms.values():
        if symptom.measure is None or not base.causes_of[symptom.id]:
            continue
        tried += 1
        cause = compile_network(base, Findings()).causes.index(next(iter(base.causes_of[symptom.id])))
        for side in (1, -1):
            amount = max(0.0, symptom.measure.seen_from_mm + side * 1.5 * symptom.measure.give_mm)
            seen = "yes" if (side == 1) == (symptom.measure.worse == "more") else "no"
            shifts = []
            for error in (None, 1.0, 3.0, 10.0, 30.0, 1e6):
                finding = Finding(symptom.id, seen, amount, error)  # type: ignore[arg-type]
                absent, present = likelihood(base, finding, Findings())
                assert (present > absent) == (seen == "yes")
                compiled = Diagnosis(base, Findings({symptom.id: finding}))
                prior = compiled.compiled.network.prior[cause]
                shifts.append(log(odds(compiled.posterior.probability[cause]) / odds(prior)))
            assert all(abs(sharp) >= abs(blurred) for sharp, blurred in pairwise(shifts))
            assert abs(shifts[0]) > abs(shifts[3]) > abs(shifts[-1])
            assert all((shift > 0) == (seen == "yes") for shift in shifts[:-1])
            assert abs(shifts[-1]) < 1e-3
    assert tried > 0


def test_an_amount_is_weighed_by_a_normal_error(base: RuleBase) -> None:
    """At the threshold an amount says nothing; one spread past it, it is the sign with 84.13 % (table of the normal curve)."""
    symptom = next(rule for rule in base.symptoms.values() if rule.measure and rule.measure.worse == "more")
    assert symptom.measure is not None
    threshold, give = symptom.measure.seen_from_mm, symptom.measure.give_mm
    spread = min(give, (symptom.measure.grades_mm["clear"] - threshold) / 3.0)

    def chance(amount: float, error: float | None) -> float:
        return chance_by_amount(base, symptom, Finding(symptom.id, "yes", amount, error), Findings())

    assert pytest.approx(0.5) == chance(threshold, 5.0)
    assert pytest.approx(0.8413, abs=5e-5) == chance(threshold + spread, None)
    error = spread * 3**0.5  # spreads add as squares: together twice the spread
    assert pytest.approx(0.8413, abs=5e-5) == chance(threshold + 2 * spread, error)
    assert chance(symptom.measure.grades_mm["clear"], None) == 1.0, "the mark for clear, read with a ruler, is a yes"


def test_slight_persuades_less_than_strong(base: RuleBase) -> None:
    """A sign called slight raises its causes, but less than the same sign called clear or strong."""
    for symptom, causes in base.causes_of.items():
        if not causes:
            continue
        cause = next(iter(causes))
        slight, clear, strong = (
            Diagnosis(base, Findings({symptom: Finding(symptom, "yes", severity=severity)})).probability[cause]
            for severity in ("slight", "clear", "strong")
        )
        assert Diagnosis(base, Findings()).probability[cause] < slight < clear == strong


def test_body_notes_multiply_the_prior_odds(base: RuleBase) -> None:
    """With nothing answered, a note multiplies the odds of each cause by exactly its factor, "marked" by its power; "no" by 1."""
    plain = Diagnosis(base, Findings()).probability
    words = base.words
    met = set()
    for note in base.body_notes:
        for grade in (*words.body_grades.words, "no"):
            shifted = Diagnosis(base, Findings(body={note: grade})).probability
            for cause, rule in base.believed.items():
                factor = 1.0
                if note in rule.body:
                    factor = words.more_or_less.words[rule.body[note]] ** words.body_grades.words.get(grade, 0)
                    met.add((rule.body[note], grade))
                assert pytest.approx(odds(plain[cause]) * factor, rel=1e-12) == odds(shifted[cause])
    assert met, "some cause knows some note"


def test_earlier_alterations_multiply_the_prior_odds(base: RuleBase) -> None:
    """An alteration done before multiplies the odds by its factor, done twice by the factor squared; amounts do not matter."""
    plain = Diagnosis(base, Findings()).probability
    words = base.words
    known = {alteration for rule in base.believed.values() for alteration in rule.after}
    assert known, "some cause knows an earlier alteration"
    for alteration in known:
        for times in (1, 2, 3):
            done = tuple(Done(alteration, 5.0 * number, number) for number in range(1, times + 1))
            shifted = Diagnosis(base, Findings(done=done)).probability
            for cause, rule in base.believed.items():
                factor = words.more_or_less.words[rule.after[alteration]] ** times if alteration in rule.after else 1.0
                assert pytest.approx(odds(plain[cause]) * factor, rel=1e-12) == odds(shifted[cause])


# -- reasons ---------------------------------------------------------------------------------------------------------------


def test_reasons_have_the_sign_of_leaving_the_answer_out(base: RuleBase) -> None:
    """An answer stands under "because" exactly where leaving it out would make the cause clearly less probable, else under "against"."""
    rng = random.Random(8)
    because = against = 0
    for number in range(6):
        findings = one_reading(drawn_findings(base, rng, answered=5 + 3 * number))
        diagnosis = Diagnosis(base, findings)
        without = {
            symptom: Diagnosis(
                base, replace(findings, symptoms={k: v for k, v in findings.symptoms.items() if k != symptom})
            ).probability
            for symptom in findings.symptoms
        }
        for belief in diagnosis.beliefs:
            told_for = {reason.id: reason for reason in belief.because if reason.kind == "symptom"}
            told_against = {reason.id: reason for reason in belief.against if reason.kind == "symptom"}
            for symptom in findings.symptoms:
                factor = odds(belief.probability) / odds(without[symptom][belief.cause])
                if factor > 1.16:
                    because += 1
                    assert pytest.approx(factor, rel=1e-9) == told_for[symptom].factor
                elif factor < 1 / 1.16:
                    against += 1
                    assert pytest.approx(factor, rel=1e-9) == told_against[symptom].factor
                elif 1 / 1.14 < factor < 1.14:
                    assert symptom not in told_for
                    assert symptom not in told_against
    assert min(because, against) > 20, "both kinds were met"


def test_reasons_from_body_and_history_carry_their_factor(base: RuleBase) -> None:
    """A note and an earlier alteration stand among the reasons with the factor they multiply the odds by."""
    words = base.words
    cause = next(rule for rule in base.believed.values() if rule.body and rule.after)
    (note, note_word), (alteration, after_word) = next(iter(cause.body.items())), next(iter(cause.after.items()))
    findings = Findings(body={note: "marked"}, done=(Done(alteration), Done(alteration)))
    belief = next(b for b in Diagnosis(base, findings).beliefs if b.cause == cause.id)
    factors = {(reason.kind, reason.id): reason.factor for reason in (*belief.because, *belief.against)}
    expected = {
        ("body", note): words.more_or_less.words[note_word] ** words.body_grades.words["marked"],
        ("done", alteration): words.more_or_less.words[after_word] ** 2,
    }
    assert expected == pytest.approx(factors)
    assert all(reason.factor > 1 for reason in belief.because)
    assert all(reason.factor < 1 for reason in belief.against)


def test_reasons_stand_strongest_first(base: RuleBase) -> None:
    """Reasons are ordered by how far they move the odds, and each has a word for how firmly it speaks."""
    order = ["very strongly", "strongly", "clearly", "slightly"]
    for belief in Diagnosis(base, drawn_findings(base, random.Random(9), answered=20)).beliefs:
        for reasons in (belief.because, belief.against):
            sizes = [abs(log(reason.factor)) for reason in reasons]
            assert sorted(sizes, reverse=True) == sizes
            ranks = [order.index(reason.firmness) for reason in reasons]
            assert sorted(ranks) == ranks


def test_has_sign_needs_a_sign_that_was_seen(base: RuleBase) -> None:
    """A cause has a sign only if one of its symptoms was answered with yes."""
    cause = next(iter(base.believed.values()))
    symptom = cause.shows[0].symptom
    assert Diagnosis(base, Findings({symptom: Finding(symptom, "yes")})).has_sign(cause.id)
    for seen in ("no", "unsure"):
        assert not Diagnosis(base, Findings({symptom: Finding(symptom, seen)})).has_sign(cause.id)  # type: ignore[arg-type]
    assert not any(belief.has_sign for belief in Diagnosis(base, Findings()).beliefs)


# -- questions -------------------------------------------------------------------------------------------------------------


def test_questions_are_ordered_by_bits_for_their_cost(base: RuleBase) -> None:
    """Questions come by gain over cost, equal ones by id."""
    findings = drawn_findings(base, random.Random(10), answered=8)
    diagnosis = Diagnosis(base, findings)
    here = diagnosis.questions()
    seen = {finding.symptom for finding in diagnosis.findings.seen}
    fitting = {name for name, symptom in base.symptoms.items() if not symptom.needs or seen & set(symptom.needs)}
    assert fitting - set(diagnosis.findings.symptoms) == {question.symptom for question in here}
    assert fitting != set(base.symptoms)  # a test of what was not seen is not asked
    for question in here:
        symptom = base.symptoms[question.symptom]
        assert base.words.cost.words[symptom.by] == question.cost
        assert question.gain_bits / question.cost == question.worth
    for one, other in pairwise(here):
        assert one.worth > other.worth - 1e-11
        assert one.worth - other.worth > 1e-13 or one.symptom < other.symptom, "equal ones by id"


def test_the_interview_stops_below_the_setting(base: RuleBase) -> None:
    """The next question is the first of the list while it is worth asking, and none when every answer is given."""
    diagnosis = Diagnosis(base, Findings())
    assert diagnosis.questions()[0] == diagnosis.next_question()
    everything = Findings({symptom: Finding(symptom, "no") for symptom in base.symptoms})
    assert Diagnosis(base, everything).next_question() is None
    words = base.words.settings
    settings_ = words.model_copy(update={"words": {**words.words, "stop_below_bits": inf}})
    strict = replace(base, words=base.words.model_copy(update={"settings": settings_}))
    assert Diagnosis(strict, Findings()).next_question() is None


def test_a_draft_is_believed_by_nobody(base: RuleBase) -> None:
    """A cause that is still a draft takes no part: the beliefs are those of a base without it."""
    draft, *rest = base.causes.values()
    with_draft = replace(base, causes={**base.causes, draft.id: draft.model_copy(update={"status": "draft"})})
    findings = Findings({link.symptom: Finding(link.symptom, "yes") for link in draft.shows})
    diagnosis = Diagnosis(with_draft, findings)
    assert draft.id not in diagnosis.probability
    assert Diagnosis(replace(base, causes={rule.id: rule for rule in rest}), findings).probability == (
        diagnosis.probability
    )


def test_gain_is_the_mean_over_both_answers(base: RuleBase) -> None:
    """A question's gain is the fall of entropy over its two answers, each worked out as a diagnosis of its own.

    For signs without an opposite: what a yes says of that as well is not counted in the gain.
    """
    diagnosis = Diagnosis(base, one_reading(drawn_findings(base, random.Random(11), answered=10)))

    def bits(other: Diagnosis) -> float:
        inside = [p for p in other.probability.values() if 0.0 < p < 1.0]
        return -sum(p * log2(p) + (1.0 - p) * log2(1.0 - p) for p in inside)

    for question in [one for one in diagnosis.questions() if not base.symptoms[one.symptom].opposite][:5]:
        answers = (Finding(question.symptom, seen, origin="asked") for seen in ("yes", "no"))
        yes, no = (Diagnosis(base, diagnosis.findings.with_finding(answer)) for answer in answers)
        cause = max(
            diagnosis.probability, key=lambda cause: abs(yes.probability[cause] - no.probability[cause])
        )  # P(cause) = P(yes) P(cause | yes) + P(no) P(cause | no) gives P(yes)
        chance = (diagnosis.probability[cause] - no.probability[cause]) / (
            yes.probability[cause] - no.probability[cause]
        )
        expected = bits(diagnosis) - chance * bits(yes) - (1.0 - chance) * bits(no)
        assert pytest.approx(expected, abs=1e-9) == question.gain_bits


def test_a_sign_on_one_side_answers_whether_one_side_shows_more(base: RuleBase) -> None:
    """A sign seen on the left alone counts as "one side shows more"; the fitter's own answer to that stands above it."""
    symptom = next(symptom for symptom in base.symptoms if symptom != BOTH_SIDES_DIFFER)
    left = Findings({symptom: Finding(symptom, "yes", side="left")})
    assert (
        Finding(BOTH_SIDES_DIFFER, "yes", origin="derived")
        == (Diagnosis(base, left).findings.symptoms[BOTH_SIDES_DIFFER])
    )
    both = Findings({symptom: Finding(symptom, "yes", side="both")})
    assert BOTH_SIDES_DIFFER not in Diagnosis(base, both).findings.symptoms
    own = left.with_finding(Finding(BOTH_SIDES_DIFFER, "no"))
    assert Diagnosis(base, own).findings.symptoms[BOTH_SIDES_DIFFER].seen == "no"


def chance(base: RuleBase, cause: str, *findings: Finding) -> float:
    """How probable a cause is by these answers alone."""
    return Diagnosis(base, Findings({finding.symptom: finding for finding in findings})).probability[cause]


@pytest.mark.parametrize(
    ("seen", "opposite", "cause"),
    [
        ("waist-binds", "waist-too-loose", "waist-too-large"),
        ("waist-too-loose", "waist-binds", "waist-too-small"),
        ("hems-too-long", "hems-too-short", "leg-too-short"),
        ("hems-swing-outward", "hems-swing-inward", "leg-too-open"),
    ],
)
def test_a_sign_answers_its_opposite_as_not_seen(base: RuleBase, seen: str, opposite: str, cause: str) -> None:
    """Where the waist binds it is not loose: nobody need be asked, and it weighs as if somebody had been."""
    shown, absent = Finding(seen, "yes"), Finding(opposite, "no")
    assert chance(base, cause, shown) == pytest.approx(chance(base, cause, shown, absent))
    assert chance(base, cause, shown) < 0.9 * chance(base, cause)
    assert (
        opposite not in Diagnosis(base, Findings({seen: shown})).findings.symptoms
    )  # but it is no answer of the fitter's


def test_what_the_fitter_says_of_an_opposite_counts(base: RuleBase) -> None:
    """An opposite that cannot be said, or was measured, is weighed as it was answered."""
    binds, unsure = Finding("waist-binds", "yes"), Finding("waist-too-loose", "unsure")
    assert chance(base, "waist-too-large", binds, unsure) > 0.9 * chance(base, "waist-too-large")


def test_a_sign_on_one_side_says_nothing_of_its_opposite(base: RuleBase) -> None:
    """One hem may swing inwards and the other outwards."""
    one, both = (Finding("hems-swing-outward", "yes", side=side) for side in ("left", "both"))
    assert chance(base, "leg-too-open", both) < 0.7 * chance(base, "leg-too-open", one)


def test_a_line_that_a_right_block_bends_as_well_excludes_nothing(base: RuleBase) -> None:
    """Lines dip on a right block in simulated cloth: that they dip here does not say that they do not rise for this client."""
    cause, dips = "back-too-short-above-crotch", Finding("balance-lines-dip-to-back", "yes")
    assert chance(base, cause, dips) > chance(base, cause, dips, Finding("balance-lines-rise-to-back", "no"))


def test_a_cause_that_shows_either_of_two_opposites_loses_nothing(base: RuleBase) -> None:
    """The waist worn off its line shows above it or below, never both: one of them missing says nothing against it."""
    high, not_low = Finding("waist-sits-high-all-round", "yes"), Finding("waist-cannot-reach-its-line", "no")
    prior = odds(chance(base, "wrong-wearing-height"))
    assert odds(chance(base, "wrong-wearing-height", high)) > prior
    assert chance(base, "wrong-wearing-height", high) > chance(base, "wrong-wearing-height", high, not_low)


def test_worth_is_bits_a_unit_of_cost() -> None:
    """A question of half a bit that costs two is worth a quarter."""
    assert Question("dip", 0.5, 2.0).worth == 0.25


# -- words -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("probability", "expected"),
    [
        (0.0, "hardly"), (0.019, "hardly"), (0.02, "about 1 in 50"), (0.05, "about 1 in 20"), (0.0999, "about 1 in 10"),
        (0.1, "about 1 in 10"), (0.349, "about 3 in 10"), (0.94, "about 9 in 10"), (0.95, "nearly certain"),
        (1.0, "nearly certain"),
    ],
)  # fmt: skip
def test_chances_in_words(probability: float, expected: str) -> None:
    """A chance is told as a fitter would say it, at the ends of every range."""
    assert expected == chance_words(probability)


@pytest.mark.parametrize(
    ("text", "expected"),
    [("The lines dip", "the lines dip"), ("A V at the seam", "a V at the seam"), ("CB seam", "CB seam"), ("", "")],
)
def test_a_title_inside_a_sentence(text: str, expected: str) -> None:
    """A title loses its capital inside a sentence, unless its first word is all capitals."""
    assert expected == lower_first(text)


def test_an_answer_in_words(base: RuleBase) -> None:
    """An answer is told with its amount, error, grade and side in the fitter's units."""
    symptom = next(rule for rule in base.symptoms.values() if rule.measure)
    title, metric = symptom.title, Findings(units="cm")
    assert f"{title} (2 cm)" == finding_text(base, Finding(symptom.id, "yes", 20.0), metric)
    assert f"{title} (2 cm ± 0.5 cm)" == finding_text(base, Finding(symptom.id, "yes", 20.0, 5.0), metric)
    assert f"{title} (slight, left side only)" == (
        finding_text(base, Finding(symptom.id, "yes", severity="slight", side="left"), metric)
    )
    assert f"Not seen: {lower_first(title)}" == finding_text(base, Finding(symptom.id, "no"), metric)
    assert f"Cannot be said: {lower_first(title)}" == finding_text(base, Finding(symptom.id, "unsure"), metric)


# -- the rule base as a whole ------------------------------------------------------------------------------------------------


def test_the_width_of_the_base_is_that_of_its_draws(base: RuleBase) -> None:
    """The width that `rules check` prints lies within the limit, is the same every time, and grows with the worst draw."""
    measured = widths(base)
    assert measured == widths(base) == sorted(measured)
    assert 0 < measured[len(measured) // 2] <= measured[-1] <= WIDEST


def test_separation_is_the_mean_of_both_divergences(base: RuleBase) -> None:
    """The bits between two causes are the Kullback-Leibler divergences of their signs, counted answer by answer."""
    one, other = list(base.believed)[:2]
    compiled = compile_network(base, Findings())

    def alone(cause: str) -> list[float]:
        world = [int(name == cause) for name in compiled.causes]
        return [1.0 - chance_absent(compiled.network, finding, world) for finding in range(len(compiled.symptoms))]

    def divergence(p: list[float], q: list[float]) -> float:
        return sum(a * log2(a / b) + (1.0 - a) * log2((1.0 - a) / (1.0 - b)) for a, b in zip(p, q, strict=True))

    expected = (divergence(alone(one), alone(other)) + divergence(alone(other), alone(one))) / 2
    assert pytest.approx(expected, rel=1e-9) == separation(base, one, other)
    assert pytest.approx(expected, rel=1e-9) == separation(base, other, one)
    assert separation(base, one, one) == 0.0


def test_close_pairs_are_those_below_the_limit(base: RuleBase) -> None:
    """Pairs come closest first, each below the limit; with no limit every pair is there."""
    causes = len(base.believed)
    every = close_pairs(base, inf)
    assert causes * (causes - 1) // 2 == len(every)
    assert [pair for pair in every if pair[0] < 8.0] == close_pairs(base, 8.0)


def test_deciding_links_by_hand(base: RuleBase) -> None:
    """A link decides alone when this one sign makes its cause surer than the limit: checked against pyAgrum."""
    compiled = compile_network(base, Findings())
    reference = Reference(compiled.network)
    above = 0.5
    expected = {
        (symptom, cause)
        for finding, symptom in enumerate(compiled.symptoms)
        for cause, p in zip(compiled.causes, reference.probability({finding: (0.0, 1.0)}), strict=True)
        if p > above and cause in base.causes_of[symptom]
    }
    assert expected
    assert expected == {(symptom, cause) for symptom, cause, _ in deciding_links(base, above)}


def test_chances_of_evidence_multiply() -> None:
    """The weights of the components and of the absent signs multiply to the chance of all answers (by enumeration)."""
    network, evidence = draw_network(random.Random(12), 8, 12, 22), {0: (0.0, 1.0), 3: (0.0, 1.0), 5: (1.0, 0.0)}
    _, expected = enumerated(network, evidence)
    posterior = Posterior(network, evidence)
    free = prod(off + on for cause, (off, on) in enumerate(zip(posterior.off, posterior.on, strict=True))
                if cause not in posterior.home)  # fmt: skip
    assert pytest.approx(expected, rel=1e-12) == prod(sweep.total for sweep in posterior.sweeps) * free * (
        1.0 - network.leak[5]
    )
    assert posterior.log_chance == pytest.approx(log(expected), rel=1e-12)
    soft = {**evidence, 6: (0.4, 0.0), 7: (0.3, 0.3), 8: (0.2, 0.7), 9: (1.0, 1.0)}
    assert Posterior(network, soft).log_chance == pytest.approx(log(enumerated(network, soft)[1]), rel=1e-12)
