"""Extents: what is approximated, held against integration on a grid; the monotone proof; what a list must hold for any findings."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import isfinite
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from small_rules import LONG, good_files, write_rules

from fitdiag.diagnosis.belief import Diagnosis, compile_network, likelihood
from fitdiag.diagnosis.exact import Posterior
from fitdiag.diagnosis.extents import Explanation, Model, Reading, Slope, Suspect
from fitdiag.knowledge.findings import Done, Finding, Findings, measured, settle
from fitdiag.knowledge.findings_file import findings_in
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import parse_yaml
from fitdiag.planning.plan import Plan
from fitdiag.sessions.rounds import Choice
from fitdiag.sessions.state import conclude
from fitdiag.units import Units

Array = NDArray[np.float64]
_GRID = {1: 1601, 2: 81}  # points of a direction, by the number of causes


# -- the numeric core against integration on a grid ------------------------------------------------------------------


def drawn(rng: random.Random, causes: int, signs: int, scatter: float) -> Model:
    """A small model with two shared factors and slopes of either direction, and readings as the model itself would give them."""
    suspects = {
        cause: Suspect(
            rng.uniform(4.0, 12.0),
            rng.uniform(8.0, 25.0),
            {sign: Slope(rng.uniform(-0.6, 1.0), scatter * rng.random()) for sign in range(signs)},
        )
        for cause in range(causes)
    }
    extents = [abs(rng.gauss(suspect.usual, suspect.spread)) for suspect in suspects.values()]
    body = rng.gauss(0.0, 1.0), rng.gauss(0.0, 1.0)
    readings = []
    for sign in range(signs):
        loads, noise, rest = (rng.gauss(0.0, 2.0), rng.gauss(0.0, 1.0)), rng.uniform(2.0, 9.0), rng.uniform(0.5, 9.0)
        value = rng.gauss(sum(map(float.__mul__, loads, body)), (noise + rest) ** 0.5)
        for suspect, extent in zip(suspects.values(), extents, strict=True):
            value += rng.gauss(suspect.slopes[sign].ratio, suspect.slopes[sign].scatter) * extent
        readings.append(Reading(sign, value, noise, rest, loads))
    return Model(readings, suspects)


def integrated(model: Model, causes: Sequence[int], at: Sequence[float] | None = None) -> tuple[float, Array, Array]:
    """Log density, mean and spread of the extents by a sum over a grid; the scatter of slopes at each point, or at `at`."""
    chosen = [model.suspects[cause] for cause in causes]
    axes = [np.linspace(0.0, suspect.usual + 7.0 * suspect.spread, _GRID[len(causes)]) for suspect in chosen]
    mesh = [points.ravel() for points in np.meshgrid(*axes, indexing="ij")]
    log_prior = np.zeros(mesh[0].size)
    for suspect, axis, points in zip(chosen, axes, mesh, strict=True):
        bell = np.exp(-0.5 * ((axis - suspect.usual) / suspect.spread) ** 2)
        whole = np.trapezoid(bell, axis)
        log_prior += -0.5 * ((points - suspect.usual) / suspect.spread) ** 2 - np.log(whole)
        edge = (points == axis[0]) | (points == axis[-1])
        log_prior += np.log(axis[1] - axis[0]) + np.where(edge, np.log(0.5), 0.0)
    loads = np.array([reading.loads for reading in model.readings])
    values = np.array([reading.excess for reading in model.readings])
    shared = loads @ loads.T + np.diag([reading.variance + reading.rest_variance for reading in model.readings])
    slopes = np.array([[s.slopes[reading.sign].ratio for s in chosen] for reading in model.readings])
    spreads = np.array([[s.slopes[reading.sign].scatter for s in chosen] for reading in model.readings])
    extents = np.stack(mesh, axis=1)
    scatter = spreads * (extents[:, None] if at is None else np.array(at))
    covariance = shared + (scatter**2).sum(axis=-1)[..., None] * np.eye(len(values))
    rest = values - extents @ slopes.T
    _, size = np.linalg.slogdet(2.0 * np.pi * covariance)
    misfit = (rest * np.linalg.solve(covariance, rest[..., None])[..., 0]).sum(axis=1)
    log_weights = log_prior - 0.5 * misfit - 0.5 * size
    top = log_weights.max()
    weights = np.exp(log_weights - top)
    mean = np.array([(weights * points).sum() for points in mesh]) / weights.sum()
    square = np.array([(weights * points**2).sum() for points in mesh]) / weights.sum()
    return float(top + np.log(weights.sum())), mean, np.sqrt(square - mean**2)


def spreads_of(found: Explanation) -> Array:
    return np.sqrt(np.array([found.covariance[place][place] for place in range(len(found.extents))]))


def test_one_cause_without_scatter_is_exact() -> None:
    """Nothing is approximated for one cause: density, mean and spread equal the integral's."""
    rng = random.Random(1)
    for _ in range(30):
        model = drawn(rng, 1, 5, 0.0)
        log_density, mean, spread = integrated(model, [0])
        found = model.explain((0,))
        assert found.log_density == pytest.approx(log_density, abs=5e-3)
        assert found.extents[0] == pytest.approx(mean[0], abs=0.02)
        assert spreads_of(found)[0] == pytest.approx(spread[0], abs=0.02)


def test_two_causes_brought_above_nothing_one_after_the_other() -> None:
    """Two causes, e >= 0 brought in one after another: of 24 drawn models no density is off by 0.35 (in logs), no extent by 1.5 mm."""
    rng = random.Random(2)
    off = []
    for _ in range(24):
        model = drawn(rng, 2, 5, 0.0)
        log_density, mean, _ = integrated(model, [0, 1])
        found = model.explain((0, 1))
        off.append((abs(found.log_density - log_density), np.abs(np.array(found.extents) - mean).max()))
    densities, extents = np.array(off).T
    assert densities.max() < 0.35
    assert np.median(densities) < 0.02
    assert extents.max() < 1.5
    assert np.median(extents) < 0.1


def test_scatter_of_slopes_at_the_mean_extent() -> None:
    """The noise of slopes grows with the extent, but is taken at its mean: half of the densities are off by < 0.1, extents by < 0.2 sd."""
    rng = random.Random(3)
    off = []
    for _ in range(40):
        model = drawn(rng, 1, 6, 0.3)
        log_density, mean, spread = integrated(model, [0])
        found = model.explain((0,))
        off.append((abs(found.log_density - log_density), abs(found.extents[0] - mean[0]) / spread[0]))
    densities, extents = np.array(off).T
    assert np.median(densities) < 0.1
    assert densities.max() < 1.5
    assert np.median(extents) < 0.2
    assert extents.max() < 2.0


def test_a_reading_by_the_others_is_what_leaving_it_out_gives() -> None:
    """`expected` and `variance` of a reading equal the fit of the model without it, where no extent is cut at 0."""
    rng = random.Random(4)
    for _ in range(20):
        model = drawn(rng, 1, 6, 0.0)
        suspect = model.suspects[0]
        far = [replace(r, excess=r.excess + 90.0 * suspect.slopes[r.sign].ratio) for r in model.readings]
        model = Model(far, {0: Suspect(90.0, 15.0, suspect.slopes)})
        whole = model.explain((0,))
        for index in range(len(model.readings)):
            alone = model.explain((0,), frozenset({index}))
            assert whole.expected[index] == pytest.approx(alone.expected[index], abs=0.05)
            assert whole.variance[index] == pytest.approx(alone.variance[index], rel=0.01)


# -- readings that have nothing to do with each other ----------------------------------------------------------------


@pytest.mark.parametrize(("symptom", "mm", "causes"), [
    ("balance-lines-rise-to-back", 8.0, ("back-too-short-above-crotch", "front-crotch-curve-too-long")),
    ("crotch-hangs-low", 20.0, ("rise-too-deep",)),
    ("hems-too-long", 20.0, ("leg-too-long",)),
])  # fmt: skip
def test_what_another_place_shows_does_not_change_what_a_reading_says(
    base: RuleBase, symptom: str, mm: float, causes: Sequence[str]
) -> None:
    """No cause moves the waist's girth and these; a waist that binds neither speaks for nor against their causes."""
    alone = Findings().with_finding(measured(base.symptoms[symptom], mm))
    both = alone.with_finding(measured(base.symptoms["waist-binds"], 16.0))
    before, after = Diagnosis(base, alone).probability, Diagnosis(base, both).probability
    for cause in causes:
        assert after[cause] == pytest.approx(before[cause], rel=0.2)  # only so many sets are weighed


def test_a_cause_that_shows_a_sign_by_no_amount_is_counted_once(base: RuleBase) -> None:
    """A waist worn elsewhere may bind, so binding speaks for it, but no more than if it were not measured."""
    text = "symptoms: {waist-cannot-reach-its-line: {amount: 15 mm}, pattern-depth-under-table: {amount: 14 mm}%s}"
    chance = {
        binds: Diagnosis(base, told(text % binds, base)).probability["wrong-wearing-height"]
        for binds in (", waist-binds: yes", ", waist-binds: {amount: 2 cm}")
    }
    answered, read = chance.values()
    assert read <= 2.0 * answered


# -- more of a sign is never less of its causes ----------------------------------------------------------------------


def falling(base: RuleBase) -> set[tuple[str, str]]:
    """Signs of which more would make a cause that shows it less likely than less of it, or past the mark for clear than a yes, does."""
    network, found = compile_network(base, Findings()).network, set()
    for row, symptom in enumerate(base.symptoms.values()):
        if (measure := symptom.measure) is None:
            continue
        clear, top = measure.grades_mm["clear"], 2.0 * max(measure.seen_from_mm, *measure.grades_mm.values())
        steps = sorted({measure.seen_from_mm, *measure.grades_mm.values(), *(top * step / 40 for step in range(41))})
        yes = Posterior(network, {row: (0.0, 1.0)}).probability
        least = [-1.0] * len(base.believed)
        for amount in steps if measure.worse == "more" else reversed(steps):
            said = likelihood(base, Finding(symptom.id, "yes", amount), Findings())
            now = Posterior(network, {row: said}).probability
            past = amount >= clear if measure.worse == "more" else amount <= clear
            for number, cause in enumerate(base.believed):
                if cause in base.causes_of[symptom.id]:
                    held = max(least[number], yes[number] if past else -1.0)
                    found |= {(symptom.id, cause)} if now[number] < held - 1e-9 else set()
                    least[number] = max(least[number], now[number])
    return found


def test_every_sign_of_the_shipped_rules_is_monotone(base: RuleBase) -> None:
    """Over the whole range of every measurable sign the odds of the causes that show it never fall."""
    assert not falling(base)


def test_a_rule_broken_on_purpose_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A likelihood that falls past a mark would be noticed."""
    from fitdiag.diagnosis import belief

    whole = belief.chance_by_amount

    def broken(base: RuleBase, symptom: object, finding: Finding, findings: Findings) -> float:
        there = whole(base, symptom, finding, findings)  # type: ignore[arg-type]
        return there if (finding.amount_mm or 0.0) < 12.0 else 0.4 * there

    base = load_rules(write_rules(tmp_path, good_files()))
    assert not falling(base)
    monkeypatch.setattr(belief, "chance_by_amount", broken)
    assert falling(base)


def test_a_slope_turned_round_is_told_with_file_and_line(tmp_path: Path) -> None:
    """`per` with the wrong sign makes more of a sign speak against its cause; the check tells file, line and column."""
    from fitdiag.knowledge.check import check_rules

    files = good_files()
    files[LONG] = files[LONG].replace("per: {ratio: 1,", "per: {ratio: -1,")
    problems = [p for p in check_rules(load_rules(write_rules(tmp_path, files))) if p.code == "slope"]
    assert problems
    assert problems[0].where is not None
    assert problems[0].where.line == files[LONG][: files[LONG].index("per:")].count("\n") + 1


# -- what a list must hold for any findings --------------------------------------------------------------------------


@st.composite
def any_findings(draw: st.DrawFn, base: RuleBase) -> Findings:
    """Up to nine signs with amounts of any size, up to three body notes, up to two alterations of earlier rounds."""
    symptoms = {}
    for name in draw(st.lists(st.sampled_from(sorted(base.symptoms)), min_size=1, max_size=9, unique=True)):
        symptom = base.symptoms[name]
        if symptom.measure is not None and draw(st.booleans()):
            most = 1.5 * max(symptom.measure.grades_mm.values())
            symptoms[name] = measured(symptom, draw(st.integers(0, 20)) / 20.0 * most)
        else:
            symptoms[name] = Finding(name, draw(st.sampled_from(("yes", "yes", "no", "unsure"))))
    body = {
        note: draw(st.sampled_from(("some", "marked")))
        for note in draw(st.lists(st.sampled_from(sorted(base.body_notes)), max_size=3, unique=True))
    }
    done = tuple(
        Done(name, base.alterations[name].amount.start_mm, 1)
        for name in draw(st.lists(st.sampled_from(sorted(base.alterations)), max_size=2, unique=True))
    )
    return Findings(symptoms, body=body, done=done, units=draw(st.sampled_from(("in", "cm"))))


def undoing(base: RuleBase, plan: Plan) -> list[tuple[str, str]]:
    names = [item.alteration for item in plan.recommendations]
    return [(one, other) for one in names for other in names if other in base.undone_by[one]]


@pytest.mark.parametrize("start", [0, *(pytest.param(start, marks=pytest.mark.long) for start in range(1, 8))])
def test_any_findings_give_a_list_that_holds_together(base: RuleBase, start: int) -> None:
    """250 findings a start (2,000 in all): one closing line a sign, none on both sides, no pair that undoes itself, finite amounts."""

    @seed(start)
    @settings(max_examples=120, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(any_findings(base))
    def holds(findings: Findings) -> None:
        conclusion = conclude(base, findings)
        plan, diagnosis = conclusion.plan, conclusion.diagnosis
        seen = sorted(finding.symptom for finding in diagnosis.findings.seen if finding.origin != "derived")
        assert sorted(closing.symptom for closing in plan.closings) == seen
        for item in plan.recommendations:
            assert not set(item.because) & set(item.against), item.alteration
            assert 0 < item.amount.mm < 200
            assert item.amount.error_mm is None or isfinite(item.amount.error_mm)
        assert not undoing(base, plan)
        assert all(0.0 <= chance <= 1.0 for chance in diagnosis.probability.values())

    holds()


COMMONEST = (
    "tuck-across-back-hip", "lengthen-back-crotch", "take-waist-in", "let-waist-out", "raise-centre-back-waist",
    "shorten-rise", "lengthen-rise", "take-hip-width", "lengthen-back-extension", "spread-across-front",
)  # fmt: skip


@pytest.mark.parametrize("name", COMMONEST)
def test_too_much_is_answered_by_giving_back(base: RuleBase, name: str) -> None:
    """Ten alterations done by twice what was asked, and the sign of the other direction measured: the first advice gives back."""
    undo = base.undone_by[name]
    backs = [other for other in base.alterations if name in base.undone_by[other]] or list(undo)
    cause = max(
        (cause for back in backs for cause in base.cures_of[back]),
        key=lambda cause: base.words.how_well.words[
            max((base.causes[cause].cured_by[b].how_well for b in backs if b in base.causes[cause].cured_by),
                key=lambda word: base.words.how_well.words[word])
        ],
    )  # fmt: skip
    often = base.words.how_often.words
    shown = sorted(base.causes[cause].shows, key=lambda link: (-often[link.how_often], link.symptom))[:2]
    symptoms = {}
    for link in shown:
        symptom = base.symptoms[link.symptom]
        if symptom.measure is not None and symptom.measure.worse == "more":
            symptoms[link.symptom] = measured(symptom, symptom.measure.grades_mm["clear"] * 1.2)
        else:
            symptoms[link.symptom] = Finding(link.symptom, "yes")
    limit = base.alterations[name].most_a_round.amount_mm
    plan = conclude(base, Findings(symptoms, done=(Done(name, limit, 1),), units="in")).plan
    assert plan.recommendations, plan.verdict
    first = plan.recommendations[0]
    assert first.alteration in backs, (first.alteration, backs, cause)
    assert first.amount.gives_back is not None
    assert "round 1" in first.amount.basis
    assert all(name not in (other.alteration for other in plan.recommendations) for _ in (0,))


# -- contradictions, sides, what cannot be meant ---------------------------------------------------------------------


def told(text: str, base: RuleBase) -> Findings:
    document = parse_yaml(text, "findings.yaml")
    return findings_in(document, (), document.data, base)


def kinds_of(base: RuleBase, text: str) -> dict[str, str]:
    findings = told(text, base)
    return {found.kind: found.text for found in settle(base, findings)[1]}


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("body: [flat-seat, prominent-seat]", ("seat",)),
        ("body: [knees-close, knees-apart]", ("knees",)),
        (
            "symptoms: {balance-lines-dip-to-back: {amount: 1 in}, balance-lines-rise-to-back: {amount: 1 in}}",
            ("lines",),
        ),
    ],
)
def test_what_does_not_go_together_is_named(base: RuleBase, text: str, names: Sequence[str]) -> None:
    """Opposite body notes and opposite signs are named, with what to look at again."""
    told = " ".join(kinds_of(base, text).values()).lower()
    assert told
    assert all(name in told for name in names)


def test_left_and_right_become_an_amount_a_side(base: RuleBase) -> None:
    """A reading of 3/8 in on the left and 3/4 in on the right gives the alteration an amount a side."""
    text = "symptoms: {side-hip-stands-off: {left: 3/8 in, right: 3/4 in}}"
    if "side-hip-stands-off" not in base.symptoms:
        name = next(
            name for name, symptom in base.symptoms.items()
            if symptom.measure is not None and symptom.measure.worse == "more" and any(
                base.alterations[cure].sides != "both"
                for cause in base.causes_of[name] for cure in base.causes[cause].cured_by
            )
        )  # fmt: skip
        text = text.replace("side-hip-stands-off", name)
    findings = told(text, base)
    (finding,) = findings.symptoms.values()
    assert (finding.left_mm, finding.right_mm) == (pytest.approx(9.525), pytest.approx(19.05))


WRONG: Mapping[str, str] = {
    "no unit": "symptoms: {balance-lines-dip-to-back: {amount: 0.5}}",
    "negative": "symptoms: {crotch-hangs-low: {amount: -2 cm}}",
    "no number": "symptoms: {balance-lines-dip-to-back: {amount: .nan}}",
    "cannot be meant": "symptoms: {balance-lines-dip-to-back: {amount: 50 in}}",
    "two units": "symptoms: {balance-lines-dip-to-back: {amount: 1 in 2 cm}}",
    "no such side": "symptoms: {balance-lines-dip-to-back: {amount: 'middle 3/8 in'}}",
}


@pytest.mark.parametrize("text", WRONG.values(), ids=WRONG)
def test_an_amount_that_cannot_be_meant_is_told_at_its_place(base: RuleBase, text: str) -> None:
    """One problem with line, column and a way on, for each reading that cannot be meant."""
    from fitdiag.problems import ProblemsFoundError

    with pytest.raises(ProblemsFoundError) as stopped:
        told(text, base)
    (problem,) = stopped.value.problems
    assert problem.where is not None
    assert problem.where.line == 1
    assert problem.hint or problem.message


@pytest.mark.parametrize(("units", "spare", "each"), [("in", 19.05, "3/16 in"), ("cm", 20.0, "0.5 cm")])
def test_what_is_done_at_many_edges_takes_no_more_than_was_pinched(units: Units, spare: float, each: str) -> None:
    """3/4 in of spare waist is four times 3/16 in, not four times 1/4: rounded to the eighth it would take an inch."""
    base = load_rules()
    findings = Findings({"waist-too-loose": measured(base.symptoms["waist-too-loose"], spare)}, units=units)
    first = conclude(base, findings).plan.recommendations[0]
    assert (first.alteration, first.amount.text) == ("take-waist-in", each)
    assert "2 edges (centre back), half of that at each of 4" in first.amount.extra
    by_hand = Choice(base, conclude(base, findings), units).by_hand("take-waist-in", first.amount.mm)
    assert by_hand.listed[0].amount.text == each
