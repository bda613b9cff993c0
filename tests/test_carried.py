"""What is advised and done on each side by an amount of its own stays apart: in the round, its history, limits and pattern."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

import pytest

from fitdiag.cli.documents import simulated_round
from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.knowledge.findings import Done, Earlier, Finding, Findings, measured, measured_apart
from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import parse_yaml
from fitdiag.pattern.blocks import block_of, draft_block
from fitdiag.pattern.formats import write_pattern
from fitdiag.pattern.garment import garment_of
from fitdiag.pattern.measure import pattern_measures
from fitdiag.pattern.piece import Carried as OnPattern
from fitdiag.pattern.piece import Pattern
from fitdiag.planning.amounts import Amounts
from fitdiag.planning.effects import changes_on, done_on, measure_moved
from fitdiag.problems import ProblemsFoundError, stop
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import as_csv
from fitdiag.sessions.carried import advised_as, as_told, changed_in_all, read_done, reported_done, told_amounts
from fitdiag.sessions.case_files import Advised, Carried, Case, Round, round_in, round_text
from fitdiag.sessions.rounds import choice_of, expected_outcomes, remarks
from fitdiag.sessions.state import Conclusion, conclude

INSEAMS = "inseams-differ-on-paper"
TODAY = date(2026, 11, 30)


@cache
def rules() -> RuleBase:
    return load_rules(rules_for("trousers"))


@cache
def block() -> Pattern:
    garment = garment_of(rules())
    return draft_block(garment, {one.name: one.usual for one in block_of(garment).asked})


def apart(left: float, right: float, **known: object) -> Conclusion:
    """The conclusion from inseams that differ by so much (mm) on the left and on the right."""
    sign = measured_apart(rules().symptoms[INSEAMS], left, right)
    return conclude(rules(), Findings(units="cm", **known).with_finding(sign))  # type: ignore[arg-type]


def a_round(**known: object) -> Round:
    return Round(1, Path("round-01"), TODAY, TODAY, **known)  # type: ignore[arg-type]


TWO = (Advised("shorten-back-inseam", 20.0, "left"), Advised("shorten-back-inseam", 7.0, "right"))


@pytest.mark.parametrize(("left", "right", "where"), [(20.0, 0.0, "left"), (0.0, 20.0, "right"), (20.0, 7.0, "each")])
def test_a_side_that_reads_nothing_is_not_cut(left: float, right: float, where: str) -> None:
    """The other one is, by its own amount; where both read something, each."""
    item = apart(left, right).plan.recommendations[0]
    assert item.where == where
    assert {side for side, _ in item.cuts()} == ({"left", "right"} if where == "each" else {where})


def test_a_table_has_a_row_for_each_side_that_gets_its_own_amount() -> None:
    """Whoever adds its amounts up must not add up the mean of two legs."""
    report = make_report(rules(), apart(20.0, 7.0))
    table = list(csv.DictReader(io.StringIO(as_csv(report).removeprefix("\ufeff"))))
    own = [(row["side"], float(row["amount_mm"])) for row in table if row["alteration"] == "shorten-back-inseam"]
    amount = report.plan.recommendations[0].amount
    assert own == [("left side", amount.left_mm), ("right side", amount.right_mm)]
    assert amount.left_mm != amount.right_mm


# -- what is advised ---------------------------------------------------------------------------------------------------


def test_what_is_advised_apart_is_recorded_apart() -> None:
    """The round holds what the list says of each side, and gives back the same pattern when it is replayed."""
    item = apart(20.0, 7.0).plan.recommendations[0]
    advised = advised_as(item)
    assert [(one.side, one.amount_mm) for one in advised] == [
        ("left", item.amount.left_mm),
        ("right", item.amount.right_mm),
    ]
    pattern = block()
    for one in advised:
        pattern = done_on(pattern, one.as_done())
    before, after = pattern_measures(block())["back inseam"], pattern_measures(pattern)
    assert before - after["back inseam, left"] == pytest.approx(item.amount.left_mm, abs=1.5)
    assert before - after["back inseam, right"] == pytest.approx(item.amount.right_mm, abs=1.5)


def test_a_round_with_two_sides_reads_back_and_so_does_an_old_one() -> None:
    """One entry for a side; a round of an older version has one entry for both, and keeps it."""
    for advised in (TWO, (Advised("shorten-back-inseam", 13.5),)):
        done = tuple(Carried(one.alteration, one.amount_mm, one.side) for one in advised)
        one = a_round(advised=advised, done=done)
        text = round_text(one, "cm")
        assert round_in(parse_yaml(text, "round.yaml"), 1, one.folder) == one


def test_an_interrupted_review_finds_its_list_as_it_was() -> None:
    """The list's own amounts are not taken for the fitter's; an amount of the fitter's is, though it is one for both sides."""
    conclusion = apart(20.0, 7.0)
    item = conclusion.plan.recommendations[0]
    kept = choice_of(rules(), conclusion, a_round(advised=advised_as(item)), "cm")
    assert kept.listed[0] == item
    by_hand = choice_of(rules(), conclusion, a_round(advised=(Advised(item.alteration, 11.0),)), "cm").listed[0]
    assert by_hand.cuts() == ((None, 11.0),)


# -- what was done -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("told", "done"), [
    ("yes", [("left", 20.0), ("right", 7.0)]),
    ("no", []),
    ("1 cm", [("both", 10.0)]),
    ("1 cm left", [("left", 10.0)]),
    ("left", [("left", 20.0)]),
    ("left 1 cm, right 5 mm", [("left", 10.0), ("right", 5.0)]),
    ("2 cm on the right and 1 cm on the left", [("left", 10.0), ("right", 20.0)]),
    ("1 cm left, right nothing", [("left", 10.0)]),
])  # fmt: skip
def test_what_is_told_of_two_sides_is_what_was_done(told: str, done: list[tuple[str, float]]) -> None:
    (items,) = reported_done(rules(), a_round(advised=TWO), [f"shorten-back-inseam={told}"], (), "cm").values()
    assert [(one.side, one.amount_mm) for one in items if one.done] == done


@pytest.mark.parametrize("told", ["perhaps", "a banana", "2 cm of lace", "-1 cm"])
def test_what_tells_nothing_of_what_was_done_is_refused(told: str) -> None:
    with pytest.raises(ProblemsFoundError, match="does not say what was done"):
        reported_done(rules(), a_round(advised=TWO), [f"shorten-back-inseam={told}"], (), "cm")


def test_a_form_tells_of_an_alteration_as_a_whole() -> None:
    """As written is as advised, side by side; another amount is that of both."""
    for state, mm, done in (("as-written", None, {20.0, 7.0}), ("otherwise", 9.0, {9.0}), ("not-done", None, {None})):
        ticked = (("shorten-back-inseam", state, mm),)
        (items,) = reported_done(rules(), a_round(advised=TWO), (), ticked, "cm").values()
        assert {one.amount_mm for one in items} == done


def test_one_question_asks_for_both_sides() -> None:
    """With each side's amount; told on one side only, an amount is of that side."""
    amounts = told_amounts(rules(), TWO, "cm")
    assert "2 cm, left" in amounts and "0.7 cm, right" in amounts
    read = read_done(rules().alterations[TWO[0].alteration], "1 cm", "cm")
    assert read is not None
    assert as_told(TWO[:1], *read)[0].side == "left"


def test_what_was_changed_in_all_is_told_for_each_side() -> None:
    """Left and right are never added up."""
    first = a_round(done=(Carried("shorten-back-inseam", 20.0, "left"), Carried("shorten-back-inseam", 7.0, "right")))
    second = a_round(done=(Carried("shorten-back-inseam", 3.0, "right"),))
    case = Case(Path(), "x", "trousers", "cm", TODAY, rounds=(first, second))
    left, right = changed_in_all(rules(), case)
    assert "2 cm, left" in left and "1 cm, right" in right


# -- the rounds after it -----------------------------------------------------------------------------------------------


def amount_after(name: str, *done: Done, seen: Finding | None = None):  # type: ignore[no-untyped-def]
    findings = Findings(units="cm", done=done)
    findings = findings.with_finding(seen) if seen is not None else findings
    return Amounts(Diagnosis(rules(), findings)).plan(name)


def test_the_limit_of_all_rounds_is_that_of_one_leg() -> None:
    """What was done to the left leg takes nothing from what the right one may get."""
    rule = rules().alterations["add-knee-width"]
    assert rule.most_in_all is not None and rule.sides != "both"
    most = rule.most_in_all.amount_mm
    both = amount_after(rule.id, Done(rule.id, most / 2, 1, "left"), Done(rule.id, most / 2, 1, "right"))
    assert (both.already_mm, both.exhausted) == (most / 2, False)
    left_full = Done(rule.id, most, 1, "left")
    sign = rules().symptoms["knee-binds-bending"]
    on_the_left, on_the_right = (
        amount_after(rule.id, left_full, seen=Finding(sign.id, "yes", side=side)) for side in ("left", "right")
    )
    assert (on_the_left.side, on_the_left.mm, on_the_left.exhausted) == ("left", 0.0, True)
    assert on_the_right.side == "right" and on_the_right.mm > 0 and not on_the_right.exhausted
    unsaid = amount_after(rule.id, left_full)
    assert (unsaid.left_mm, unsaid.side) == (0.0, "right") and unsaid.right_mm


def test_what_was_done_to_one_leg_is_not_given_back_on_the_other() -> None:
    base = rules()
    name = next(name for name, others in base.undone_by.items() if "lengthen-back-inseam" in others)
    sign = next(
        symptom.id for symptom in base.symptoms.values() if set(base.causes_of[symptom.id]) & set(base.cures_of[name])
    )
    done = Done("lengthen-back-inseam", 10.0, 1, "left")
    given = {
        side: amount_after(name, done, seen=Finding(sign, "yes", side=side)).gives_back for side in ("left", "right")
    }
    assert given["left"] is not None and given["left"].mm == 10.0 and given["right"] is None


def test_amounts_left_and_right_are_no_evidence_twice() -> None:
    """Both sides of one round are one alteration: a cause that it makes likelier is not made likelier twice."""
    base = rules()
    cause = next(cause for cause in base.believed.values() if cause.after)
    name = next(iter(cause.after))

    def prior(*done: Done) -> float:
        return Diagnosis(base, Findings(done=done)).probability[cause.id]

    once, twice = prior(Done(name, 5.0)), prior(Done(name, 5.0, 1), Done(name, 5.0, 2))
    assert prior(Done(name, 5.0, 1, "left"), Done(name, 5.0, 1, "right")) == once != twice


def test_an_extent_is_taken_away_by_what_its_side_got_and_not_by_both() -> None:
    """Read 20 on the left and 7 on the right, cut by as much: nothing is left, and nothing was taken too much."""
    sign = rules().symptoms[INSEAMS]
    seen = Findings(earlier=(Earlier(1, {sign.id: (20.0, 1.0)}),), done=tuple(one.as_done() for one in TWO))
    now = conclude(rules(), seen.with_finding(measured(sign, 0.0, error_mm=1.0))).diagnosis.extents
    alike = replace(seen, done=(Done("shorten-back-inseam", 20.0),))
    then = conclude(rules(), alike.with_finding(measured(sign, 0.0, error_mm=1.0))).diagnosis.extents
    assert {name: one.mean_mm for name, one in now.items()} == {name: one.mean_mm for name, one in then.items()}


def test_what_is_expected_of_a_sign_is_what_its_side_gets() -> None:
    """Each side by its own amount: none of them is expected to be cut by the amounts of both."""
    base = rules()
    rule = base.alterations["tuck-across-back-hip"]
    expects = next(one for one in rule.expects if base.symptoms[one.symptom].measure)
    seen = Findings().with_finding(measured_apart(base.symptoms[expects.symptom], 30.0, 20.0))
    two = [Advised(rule.id, 10.0, "left"), Advised(rule.id, 4.0, "right")]
    outcome = expected_outcomes(base, seen, two)[expects.symptom]
    sides = (30.0 + expects.change * 10.0, 20.0 + expects.change * 4.0)
    assert outcome.expected == pytest.approx(max(sides), abs=0.1)


def test_a_higher_hip_comes_down_by_what_its_own_side_got() -> None:
    """Raised by 8 mm on the side where it was seen 7 mm higher, hip line and hem are to be level; on the other side it helps nothing."""
    base = load_rules(rules_for("skirt"))
    for sign in ("hip-line-higher-on-one-side", "one-hem-side-higher"):
        seen = Findings().with_finding(measured(base.symptoms[sign], 7.0, side="left"))
        for side, least, most in (("left", -1.0, 1.0), ("right", 7.0, 7.0)):
            expected = expected_outcomes(base, seen, [Advised("raise-one-hip", 8.0, side)])[sign].expected  # type: ignore[arg-type]
            assert expected is not None
            assert least <= expected <= most


def test_the_history_knows_measures_that_one_sided_work_has_split() -> None:
    """What is taken from the followed measure on one side is what it takes there; both sides alike take no more."""
    base = rules()
    assert base.garment is not None and base.garment.followed is not None
    name = next(
        name for name in ("overlap-back-wedge", "slide-crotch-section-down", "lengthen-back-extension")
        if abs(measure_moved(base, block(), [Done(name, 10.0)]).get(name, 0.0)) > 1.0
    )  # fmt: skip
    alike = measure_moved(base, block(), [Done(name, 10.0)])[name]
    left = measure_moved(base, block(), [Done(name, 10.0, 1, "left")])[name]
    each = measure_moved(base, block(), [Done(name, 10.0, 1, "left"), Done(name, 10.0, 1, "right")])[name]
    assert left == pytest.approx(alike, abs=0.1) == each
    assert any(key.endswith(", left") for key in changes_on(block(), [Done(name, 10.0, 1, "left")]))


def test_what_one_pattern_takes_in_all_is_reached_on_one_leg_only() -> None:
    base = rules()
    rule = base.alterations["lengthen-back-inseam"]
    assert rule.most_in_all is not None
    half = rule.most_in_all.amount_mm * 0.6

    def told(second: str) -> str:
        done = (Done(rule.id, half, 1, "left"), Done(rule.id, half, 2, second))  # type: ignore[arg-type]
        return " ".join(remarks(base, Findings(done=done)))

    assert "in all has reached" in told("left") and "in all has reached" not in told("right")


@pytest.mark.parametrize(("sides", "told"), [
    ("left left left", True), ("left right left", False), ("both right right", True), ("left both right", False),
])  # fmt: skip
def test_what_comes_back_comes_back_on_the_same_side(sides: str, told: bool) -> None:
    """Three rounds on one leg are three; taken back on the other leg, an alteration does not go there and back."""
    base = rules()
    thrice = tuple(Done("add-knee-width", 2.0, number, side) for number, side in enumerate(sides.split(), 1))  # type: ignore[arg-type]
    assert any("comes back" in text for text in remarks(base, Findings(done=thrice))) == told
    turns = (thrice[0], replace(thrice[1], alteration="narrow-knee"), thrice[2])
    assert any("there and back" in text for text in remarks(base, Findings(done=turns))) == told


# -- the muslin as it is sewn ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("on_paper", "moves"), [
    ((), (20.0, 7.0)),
    ((("left", 20.0),), (0.0, 7.0)),
    ((("left", 20.0), ("right", 7.0)), (0.0, 0.0)),
    ((("right", 20.0),), (20.0, 7.0)),  # the same amount on the other side is another alteration
    ((("both", 20.0),), (0.0, 7.0)),
])  # fmt: skip
def test_what_was_done_on_a_side_is_sewn_there_unless_the_paper_has_it(
    on_paper: tuple[tuple[str, float], ...], moves: tuple[float, float], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The muslin draped in the next round has each side's own amount, once: what the pattern's record names is on the paper."""
    record = tuple(OnPattern("shorten-back-inseam", mm, "x", "2026-11-30", side) for side, mm in on_paper)  # type: ignore[arg-type]
    write_pattern(replace(block(), carried=record), str(tmp_path / "pattern.yaml"), replace=False)
    done = tuple(Carried(one.alteration, one.amount_mm, one.side) for one in TWO)
    first = a_round(done=done)
    rounds = (first, replace(first, number=first.number + 1, done=()))
    case = Case(tmp_path, "x", "trousers", "cm", TODAY, pattern="pattern.yaml", rounds=rounds)
    draped: list[Pattern] = []

    def simulated(base: object, conclusion: object, sewn: Pattern, **_: object) -> None:
        draped.append(sewn)
        raise stop("no-drape", "not draped here")

    monkeypatch.setattr("fitdiag.cli.drape.simulated", simulated)
    monkeypatch.setattr("fitdiag.cli.documents.say", lambda text: None)
    simulated_round(rules(), case, apart(20.0, 7.0, body_measures={"hip": 1000.0}))
    before = pattern_measures(block())["back inseam"]
    sides = (pattern_measures(draped[0].of(side))["back inseam"] for side in ("left", "right"))  # type: ignore[arg-type]
    assert tuple(before - now for now in sides) == (pytest.approx(moves[0], abs=1.0), pytest.approx(moves[1], abs=1.0))
