"""What is planned for one side, or for each side by its own amount, is that on the pattern, in the drawings and in words."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

import pytest

from fitdiag.cli.choose import choose
from fitdiag.cli.drape import simulated
from fitdiag.cli.screen import Screen
from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.interview.answers import side_meant, side_of_note
from fitdiag.interview.engine import Interview
from fitdiag.knowledge.findings import Done, Earlier, Finding, Findings, Side, measured, measured_apart
from fitdiag.knowledge.findings_file import findings_text, read_findings
from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.alter import redraw
from fitdiag.pattern.blocks import block_of, draft_block
from fitdiag.pattern.draw import states_of
from fitdiag.pattern.garment import garment_of
from fitdiag.pattern.measure import pattern_measures
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.piece import Pattern
from fitdiag.pattern.walk import walked
from fitdiag.planning.amounts import Amounts
from fitdiag.planning.effects import as_planned, changes_on, done_on, effects, seams_apart
from fitdiag.planning.muslins import Wearer
from fitdiag.planning.plan import Recommendation
from fitdiag.planning.sides import side_to_alter
from fitdiag.problems import ProblemsFoundError
from fitdiag.reports.report import brief
from fitdiag.reports.sheet import Heading, make_sheet
from fitdiag.sessions.rounds import Choice
from fitdiag.sessions.state import Conclusion, conclude, done_event, fold

INCH = 25.4


@cache
def rules(garment: str = "trousers") -> RuleBase:
    return load_rules(rules_for(garment))


def block(base: RuleBase) -> Pattern:
    return draft_block(garment_of(base), {one.name: one.usual for one in block_of(garment_of(base)).asked})


def concluded(base: RuleBase, symptom: str, *mm: float, side: str | None = None) -> Conclusion:
    """The conclusion from one sign, measured once or left and right."""
    sign = base.symptoms[symptom]
    finding = measured_apart(sign, *mm) if len(mm) > 1 else measured(sign, *mm, side=side)  # type: ignore[arg-type,misc]
    return conclude(base, Findings(units="in").with_finding(finding))


def concluded_seen(base: RuleBase, symptom: str, side: str | None) -> Conclusion:
    """The conclusion from one sign, seen without an amount."""
    return conclude(base, Findings().with_finding(Finding(symptom, "yes", side=side)))  # type: ignore[arg-type]


def first(conclusion: Conclusion) -> Recommendation:
    return conclusion.plan.recommendations[0]


def moved(before: Pattern, after: Pattern, name: str) -> tuple[float, float]:
    """How much a measure changed on the left and on the right, in mm."""
    left, right = (
        pattern_measures(after.of(side))[name] - pattern_measures(before.of(side))[name]
        for side in ("left", "right")  # type: ignore[arg-type]
    )
    return left, right


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_waist_is_raised_over_the_side_that_was_named(side: str) -> None:
    """The measures of the list move on the side of the higher hip, and on no other."""
    base = rules("skirt")
    conclusion = concluded(base, "hip-line-higher-on-one-side", INCH, side=side)
    pattern, other = block(base), "right" if side == "left" else "left"
    found = effects(base, conclusion.plan, conclusion.diagnosis.findings, pattern)
    before, after = (found.stages[place].measures for place in (0, 1))
    grown = {name for name in after if after[name] - before[name] > 1.0}
    assert grown and all(name.endswith(f", {side}") for name in grown)
    assert not any(abs(after[name] - before[name]) > 0.01 for name in after if name.endswith(f", {other}"))


def test_each_side_is_altered_by_its_own_amount() -> None:
    """Left and right amounts of the list are cut as they stand there."""
    base = rules()
    conclusion = concluded(base, "inseams-differ-on-paper", 20.0, 7.0)
    item, pattern = first(conclusion), block(base)
    left, right = moved(pattern, as_planned(pattern, item), "back inseam")
    assert (left, right) == (
        pytest.approx(-item.amount.left_mm, abs=1.5),
        pytest.approx(-item.amount.right_mm, abs=1.5),
    )  # type: ignore[operator]
    assert left < right - 2.0
    assert item.where == "each"
    found = effects(base, conclusion.plan, conclusion.diagnosis.findings, pattern).stages
    assert found[-1].measures["back inseam, left"] < found[-1].measures["back inseam, right"] - 2.0


@pytest.mark.parametrize(("garment", "symptom", "length"), [
    ("skirt", "hem-too-long", "back centre length"), ("trousers", "hems-too-long", "back outseam"),
])  # fmt: skip
def test_what_is_to_be_shorter_is_drawn_shorter(garment: str, symptom: str, length: str) -> None:
    """The words of the list, the pattern after it and the caption of the client's drawing go the same way."""
    base = rules(garment)
    conclusion = concluded(base, symptom, INCH)
    item, pattern = first(conclusion), block(base)
    assert item.amount.text.startswith("shorter by 1 in")
    assert moved(pattern, as_planned(pattern, item), length) == (pytest.approx(-INCH, abs=1.0),) * 2
    sheet = make_sheet(
        base, conclusion, Heading("in", "x", 1, date(2026, 11, 30)), pattern=pattern, photographs_next=()
    )
    told = " ".join(picture.caption for picture in sheet.changes[0].pictures)
    assert "Spread" not in told and "Put paper behind" not in told


@pytest.mark.parametrize("symptom", ["hems-too-long", "back-hem-works-under-heel"])
def test_the_leg_that_is_lengthened_is_not_the_one_whose_hem_is_too_low(symptom: str) -> None:
    """One hem too low on the left: either the left leg is shortened, or the right one lengthened."""
    item = first(concluded(rules(), symptom, *((INCH,) if symptom == "hems-too-long" else (30.0,)), side="left"))
    assert (item.side, item.amount.less) in (("left", True), ("right", False))


def test_the_leg_whose_hem_is_off_is_altered_and_not_the_one_whose_hem_is_right() -> None:
    """Left too low and right higher by as much: the right hem lies where it was agreed, so the left leg is shortened."""
    base = rules()
    findings = Findings(units="in")
    for symptom, side in (("hems-too-long", "left"), ("one-hem-higher", "right")):
        findings = findings.with_finding(measured(base.symptoms[symptom], INCH / 2, side=side))  # type: ignore[arg-type]
    item = first(conclude(base, findings))
    assert (item.side, item.amount.less, item.amount.mm) == ("left", True, INCH / 2)


def test_what_is_done_on_one_side_gets_one_amount_on_the_side_that_shows_more() -> None:
    """A hip is raised on one side only, also where the sign was measured on both."""
    item = first(concluded(rules(), "one-sided-diagonal", 10.0, 30.0))
    assert (item.alteration, item.side, item.amount.left_mm) == ("raise-one-hip", "right", None)


def test_a_side_that_nobody_named_is_not_called_both() -> None:
    """Where an alteration has one side only and no answer says which, the list says so, and the pattern which is shown."""
    base = rules()
    conclusion = concluded(base, "one-sided-diagonal", 30.0)
    assert "one side only" in " ".join(brief(conclusion.plan))
    found = effects(base, conclusion.plan, conclusion.diagnosis.findings, block(base))
    assert any("no answer says on which side" in text for text in found.warnings)


def test_an_amount_of_the_fitters_own_counts_for_both_sides_and_keeps_its_way() -> None:
    """Changed by hand: no amounts per side are left over, and shorter stays shorter."""
    conclusion = concluded(rules(), "hems-too-long", 27.0, 10.0)
    before = first(conclusion)
    assert before.amount.text.startswith("shorter by left")
    (item,) = Choice(rules(), conclusion, "in").by_hand(before.alteration, INCH / 2).listed
    assert (item.amount.text, item.cuts()) == ("shorter by 1/2 in", ((None, -INCH / 2),))


def test_the_side_stands_in_the_list_that_is_chosen_from() -> None:
    """Before the fitter says yes, the side is on the screen."""
    shown: list[str] = []

    class Typed(Screen):
        interactive = True

        def show(self, lines: object) -> None:
            shown.extend(line.text for line in lines)  # type: ignore[attr-defined]

        def read(self) -> str:
            return ""

    choice = Choice(rules(), concluded(rules(), "one-sided-diagonal", 30.0, side="left"), "in")
    choose(Typed.__new__(Typed), choice, ask=True, keep=lambda chosen: None)
    assert any("left side" in text for text in shown)


# -- what was done in earlier rounds ----------------------------------------------------------------------------------


def test_what_was_done_on_one_side_is_replayed_on_that_side() -> None:
    """The history on the pattern as it was first cut moves the side that was altered."""
    base = rules()
    findings = Findings(done=(Done("raise-one-hip", 10.0, 1, "left"),))
    plan = conclude(base, findings).plan
    (was, now) = effects(base, plan, findings, block(base), earlier=findings.done).history
    changed = {name for name in now.measures if abs(now.measures[name] - was.measures[name]) > 1.0}
    assert any(name.endswith(", left") for name in changed) and not any(name.endswith(", right") for name in changed)


def test_a_leg_that_was_shortened_is_replayed_shorter() -> None:
    base = rules()
    pattern = block(base)
    done = Done("level-hems", 20.0, 1, less=True)
    assert changes_on(pattern, [done])["back outseam"] == pytest.approx(-20.0, abs=0.5)
    assert moved(pattern, done_on(pattern, Done("level-hems", 20.0, 1, "right", less=True)), "back outseam") == (
        pytest.approx(0.0, abs=0.01), pytest.approx(-20.0, abs=0.5)
    )  # fmt: skip


def test_a_leg_that_was_shortened_is_told_as_shortened() -> None:
    """The history gives an amount done in reverse below 0, as the steps of this round do."""
    base = rules()
    earlier = (Done("level-hems", 20.0, 1, less=True),)
    (_, step) = effects(base, conclude(base, Findings()).plan, Findings(), block(base), earlier=earlier).history
    assert step.amount == -20.0


def test_seams_that_were_apart_before_are_no_news_of_one_side() -> None:
    """A pattern whose front leg is 8 mm longer stays so on either side when the waist is raised on one: no warning of the plan."""
    front = block(rules()).front
    longer = redraw(front, {"hem": front.seams["hem"] + [0.0, -8.0]})
    before = block(rules()).with_piece(longer)
    after = carry_out(before, "raise-one-hip", 6.0, "left").pattern
    assert seams_apart(walked(before), walked(after), "cm") == []
    worse = carry_out(after, "lengthen-back-inseam", 20.0, "left").pattern
    (told,) = seams_apart(walked(before), walked(worse), "cm")
    assert told.startswith("Inseam, left")


def test_a_hem_that_was_taken_up_is_not_taken_for_let_down() -> None:
    """Read again after it was shortened by what it was too long, the leg is right, and not twice too long."""
    base, sign = rules(), "hems-too-long"
    seen = Findings(earlier=(Earlier(1, {sign: (20.0, 2.0)}),)).with_finding(
        measured(base.symptoms[sign], 0.0, error_mm=2.0)
    )
    extents = {
        less: conclude(base, replace(seen, done=(Done("level-hems", 20.0, 1, less=less),))).diagnosis.extents
        for less in (True, False)
    }
    assert extents[True]["leg-too-long"].mean_mm < 3.0 < extents[False]["leg-too-long"].mean_mm


@pytest.mark.parametrize(
    "done", [Done("raise-one-hip", 6.0, 2, "left"), Done("level-hems", 20.0, less=True), Done("open-leg")]
)
def test_side_and_way_of_an_earlier_alteration_come_back_from_files_and_logs(done: Done, tmp_path: Path) -> None:
    base = rules()
    (tmp_path / "findings.yaml").write_text(findings_text(Findings(done=(done,)), "trousers"), encoding="utf-8")
    assert read_findings(tmp_path / "findings.yaml", base).done == (done,)
    event = json.loads(json.dumps(done_event(done)))
    assert fold([event], base).findings.done == (done,)


@pytest.mark.parametrize(("typed", "side", "less"), [
    ("shortened the legs 1/2 in left only", "left", True),
    ("lengthened the legs 1/2 in", "both", False),
])  # fmt: skip
def test_side_and_way_are_kept_from_what_is_typed(typed: str, side: str, less: bool) -> None:
    """As said on the screen, so in the log."""
    talk = Interview(rules(), ({"event": "start"},), lambda event: event)
    lines = talk.reply(typed)
    number = list(talk.pending.ids).index("change-leg-length") + 1  # type: ignore[union-attr]
    lines = talk.reply(str(number))
    (done,) = talk.findings.done
    assert (done.alteration, done.side, done.less) == ("change-leg-length", side, less)
    assert ("left side only" in lines[0].text, "shorter by 1/2 in" in lines[0].text) == (side == "left", less)


@pytest.mark.parametrize("side", [None, "left"])
def test_hems_that_hang_too_low_are_never_let_down(side: str | None) -> None:
    """Also where another sign makes it likelier that one leg is longer than the other."""
    base = rules()
    findings = Findings().with_finding(measured(base.symptoms["hems-too-long"], INCH, side=side))  # type: ignore[arg-type]
    findings = findings.with_finding(measured(base.symptoms["hip-line-higher-on-one-side"], 10.0, side="right"))
    hems = [
        item
        for item in conclude(base, findings).plan.recommendations
        if item.alteration in ("level-hems", "change-leg-length")
    ]
    assert all(item.amount.less and item.amount.text.startswith("shorter by") for item in hems)
    assert hems


SEEN_APART = [
    ("skirt", "one-sided-diagonal", 15.0, "raise-one-hip"), ("skirt", "hip-line-higher-on-one-side", 12.0, "raise-one-hip"),
    ("trousers", "one-sided-diagonal", 12.0, "raise-one-hip"), ("trousers", "pocket-mouths-open", 8.0, "add-to-one-side"),
]  # fmt: skip


@pytest.mark.parametrize(("garment", "symptom", "mm", "alteration"), SEEN_APART)
def test_nothing_on_the_other_side_does_not_halve_what_this_side_gets(
    garment: str, symptom: str, mm: float, alteration: str
) -> None:
    """Measured as left nothing, right something, it is one side's fault, as large as when only the right was measured."""
    apart = first(concluded(rules(garment), symptom, 0.0, mm))
    assert (apart.alteration, apart.side) == (alteration, "right")
    assert apart.amount.mm == pytest.approx(mm, abs=3.2)


def test_each_side_keeps_within_the_limit_and_gets_all_it_asks_for_below_it() -> None:
    """A pinch of the side curve is halved between its two edges; the limit of a round cuts the one side, not the other."""
    base = rules("skirt")
    item = first(concluded(base, "side-stands-off-below-waist", 24.0, 8.0))
    most = base.alterations[item.alteration].most_a_round.amount_mm
    assert item.amount.left_mm is not None and item.amount.right_mm is not None
    assert most - 3.2 <= item.amount.left_mm <= most
    assert item.amount.right_mm == pytest.approx(8.0 / 2, abs=1.6)
    assert "both side seams" not in item.amount.extra


def test_one_side_seam_has_two_edges() -> None:
    """What is taken in at one side seam is told for that seam: the front edge and the back edge, not four edges."""
    amount = first(concluded(rules("skirt"), "side-stands-off-below-waist", 10.0, side="left")).amount
    assert "2 edges" in amount.extra and "4" not in amount.extra.split("(")[0]


@pytest.mark.parametrize(("sign", "grade"), [("back-hem-works-under-heel", 25.0), ("hems-too-long", 25.0)])
@pytest.mark.parametrize("side", ["left", "right"])
def test_a_hem_under_one_heel_is_shortened_there(sign: str, grade: float, side: str) -> None:
    """A longer leg on the other side would leave this hem under its heel."""
    item = first(concluded(rules(), sign, grade, side=side))
    assert (item.side, item.amount.less) == (side, True)


def with_signs(*found: Finding, **known: dict[str, str]) -> Recommendation:
    """The first recommendation from several signs, with body notes and their sides."""
    findings = Findings(units="cm", **known)  # type: ignore[arg-type]
    for one in found:
        findings = findings.with_finding(one)
    return first(conclude(rules(), findings))


@pytest.mark.parametrize(("lower", "higher"), [("left", "right"), ("right", "left")])
def test_spare_folds_under_the_lower_hip_raise_the_other_one(lower: str, higher: str) -> None:
    """The folds lie on the lower side, as the rule says of them; the waist is raised over the higher hip."""
    ripples = Finding("side-waist-ripples", "yes", side=lower)  # type: ignore[arg-type]
    for diagonal in (None, higher):
        item = with_signs(ripples, Finding("one-sided-diagonal", "yes", side=diagonal))  # type: ignore[arg-type]
        assert (item.alteration, item.where) == ("raise-one-hip", higher)


@pytest.mark.parametrize("side", ["left", "right"])
def test_where_no_sign_names_the_side_the_body_note_does(side: str) -> None:
    """The higher hip is raised, the fuller one widened, and the leg that is longer gets the longer trouser leg."""
    base = rules()
    for note, sign, alteration in (
        ("one-hip-higher", "one-sided-diagonal", "raise-one-hip"),
        ("one-leg-longer", "one-hem-higher", "change-leg-length"),
    ):
        found = measured(base.symptoms[sign], 15.0)
        item = with_signs(found, body={note: "some"}, body_sides={note: side})
        assert (item.alteration, item.where, item.amount.less) == (alteration, side, False)


@pytest.mark.parametrize("garment", ["trousers", "skirt"])
@pytest.mark.parametrize("less", [False, True])
def test_a_note_of_one_side_speaks_for_all_that_cures_what_it_makes_likelier(garment: str, less: bool) -> None:
    """Whether it makes it likelier or much likelier; on the other side, where an alteration is to be done in reverse for it."""
    base, spoken_for = rules(garment), 0
    for note in base.body_notes:
        known = {"body": {note: "some"}, "body_sides": {note: "left"}}
        diagnosis = Diagnosis(base, Findings(**known))  # type: ignore[arg-type]
        for rule in base.alterations.values():
            causes = [base.causes[name] for name in base.cures_of[rule.id]]
            ways = {one.cured_by[rule.id].takes >= 0 for one in causes if one.body.get(note) in ("more", "much-more")}
            if len(ways) > 1:
                continue  # it speaks for either way
            side = "both" if not ways or rule.sides == "both" else "left" if ways == {not less} else "right"
            assert side_to_alter(diagnosis, rule, (), less=less) == side, (note, rule.id)
            spoken_for += side != "both"
    assert spoken_for > 0


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_sign_of_both_sides_leaves_the_side_to_the_note(side: str) -> None:
    """A hip is raised on the side of the note where one sign was seen on both sides and another has nothing to do with it."""
    base = rules()
    rule = base.alterations["raise-one-hip"]
    own = next(name for name in base.symptoms if not base.cures_of[rule.id].keys().isdisjoint(base.causes_of[name]))
    other = next(name for name in base.symptoms if base.cures_of[rule.id].keys().isdisjoint(base.causes_of[name]))
    for signs in ([own], [own, other]):
        symptoms = {name: Finding(name, "yes", side="both") for name in signs}
        known = {"body": {"one-hip-higher": "some"}, "body_sides": {"one-hip-higher": side}}
        diagnosis = Diagnosis(base, Findings(symptoms, **known))  # type: ignore[arg-type]
        assert side_to_alter(diagnosis, rule, (), less=False) == side


@pytest.mark.parametrize("side", ["left", "right", "both"])
def test_where_the_amount_was_read_is_where_it_is_done(side: str) -> None:
    """Also if only a slope of simulated cloth, and no word of the rules, ties the reading to what is cured; else that sign says nothing."""
    base = rules()
    rule = next(one for one in base.alterations.values() if one.sides != "both" and base.cures_of[one.id])
    sign = next(name for name in base.symptoms if base.cures_of[rule.id].keys().isdisjoint(base.causes_of[name]))
    diagnosis = Diagnosis(base, Findings({sign: Finding(sign, "yes", side=side)}))  # type: ignore[arg-type]
    assert side_to_alter(diagnosis, rule, (sign,), less=False) == side
    assert side_to_alter(diagnosis, rule, (), less=False) == "both"


def test_a_hem_left_over_after_a_raised_hip_is_levelled_on_one_leg() -> None:
    """Both hems longer would leave one as much higher as before."""
    plan = concluded(rules(), "one-sided-diagonal", 15.0, side="left").plan
    hem = next(item for item in plan.recommendations if item.alteration == "level-hems")
    assert hem.where == "one" and [side for side, _ in hem.cuts()] == ["right"]


@pytest.mark.parametrize(("alteration", "sign", "other"), [
    ("close-leg", "fold-climbs-inner-shin", "recentre-crease"), ("open-leg", None, None),
    ("narrow-knee", "closer-knee-wished", None),
])  # fmt: skip
@pytest.mark.parametrize("side", ["left", "right"])
def test_one_leg_alone_is_altered_where_the_sign_is_on_one_leg(
    alteration: str, sign: str | None, other: str | None, side: str
) -> None:
    """Below the crotch the legs have no seam in common: the other leg keeps every measure, and what follows is done on this leg."""
    base, pattern = rules(), block(rules())
    if sign is not None:
        one, unsaid = (concluded_seen(base, sign, own) for own in (side, None))
        assert (first(one).alteration, first(one).side, first(unsaid).side) == (alteration, side, "both")
        assert [item.side for item in one.plan.recommendations if item.alteration == other] == ([side] if other else [])
    altered = carry_out(pattern, alteration, 10.0, side).pattern  # type: ignore[arg-type]
    here, there = (pattern_measures(altered.of(own)) for own in (side, "right" if side == "left" else "left"))  # type: ignore[arg-type]
    assert there == pytest.approx(pattern_measures(pattern)) and here != pytest.approx(there)


@pytest.mark.parametrize(("side", "way"), [("left", -1.0), ("right", 1.0)])
def test_the_body_that_is_draped_has_its_higher_hip_on_the_side_of_the_note(
    side: str, way: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A figure's one-sided shapes are above 0 on the right."""
    draped: list[float] = []

    def simulate(base: object, plan: object, findings: object, pattern: object, wearer: Wearer, **_: object) -> None:
        draped.append(wearer.figure.hip_higher)
        raise ProblemsFoundError([])

    monkeypatch.setattr("fitdiag.cli.drape.simulate", simulate)
    base = rules()
    note, measures = "one-hip-higher", {"waist": 760.0, "hip": 1000.0, "height": 1700.0}
    known = Findings(units="cm", body={note: "marked"}, body_sides={note: side}, body_measures=measures)  # type: ignore[dict-item]
    with pytest.raises(ProblemsFoundError):
        simulated(base, conclude(base, known), block(base))
    assert draped[0] * way > 0.0


@pytest.mark.parametrize(("words", "higher"), [
    ("left hem drags", "right"), ("right leg drags while the left is fine", "left"), ("the left leg is too long", "right"),
    ("left hem trails", "right"), ("left hem sits on the floor", "right"), ("left hem is higher", "left"),
    ("the right one is shorter", "right"), ("the right leg ends further up, as I always had one longer leg", "right"),
])  # fmt: skip
def test_a_hem_that_drags_on_one_side_is_higher_on_the_other(words: str, higher: str) -> None:
    """The sign is of the higher hem, and people tell of the lower one."""
    named = "right" if words.split("while", maxsplit=1)[0].count("right") else "left"
    assert side_meant(rules().symptoms["one-hem-higher"], words, named) == higher  # type: ignore[arg-type]


@pytest.mark.parametrize(("alteration", "piece", "share"), [
    ("add-calf-width", "front", "0.5 cm"), ("add-inner-thigh", "front", "0.5 cm"), ("take-waist-in", "front", "0.5 cm"),
])  # fmt: skip
def test_a_piece_that_changes_by_less_is_not_said_to_be_done_alike(alteration: str, piece: str, share: str) -> None:
    """The front gets half of what the drawn back gets."""
    pattern = block(rules())
    _, beside = states_of(pattern, carry_out(pattern, alteration, 10.0), "cm", hinged=True)
    assert piece in beside and share in beside and "alike" not in beside


@pytest.mark.parametrize(("note", "words", "side"), [
    ("one-hip-higher", "right hip higher", "right"), ("one-hip-higher", "my left hip is lower", "right"),
    ("one-leg-longer", "left leg shorter", "right"), ("one-leg-longer", "the right leg is longer", "right"),
    ("one-hip-fuller", "flatter on the left", "right"), ("one-hip-fuller", "left hip fuller", "left"),
    ("one-leg-longer", "hip replacement left one leg longer", None), ("one-hip-higher", "left hip higher than the right hip", None),
    ("one-hip-higher", "one hip lower, left", "right"), ("one-hip-higher", "one hip higher right now", None),
    ("one-hip-higher", "uneven on the left", None), ("flat-seat", "left side lower", None),
])  # fmt: skip
def test_the_side_of_a_body_note_is_the_one_that_has_more(note: str, words: str, side: str | None) -> None:
    """Where it is not plain which of the two is meant, no side is taken."""
    assert side_of_note(rules().body_notes[note], words) == side


@pytest.mark.parametrize(("typed", "side"), [("left hip higher", "left"), ("left hip lower", "right")])
def test_a_higher_hip_typed_with_its_side_is_raised_there(typed: str, side: str) -> None:
    """From the words typed to the plan, where the sign itself is typed without a side."""
    events = [
        {"event": "body", "notes": {"one-hip-higher": "some"}, "sides": {"one-hip-higher": side_of_note(
            rules().body_notes["one-hip-higher"], typed)}},
        {"event": "answer", "symptom": "one-sided-diagonal", "seen": "yes"},
    ]  # fmt: skip
    findings = fold(events, rules()).findings
    assert first(conclude(rules(), findings)).where == side


@pytest.mark.parametrize("garment", ["trousers", "skirt"])
def test_what_goes_both_ways_says_which_way_it_is_to_be(garment: str) -> None:
    """Longer or shorter stands before the amount where the signs say which; else the list says what tells it."""
    base = rules(garment)
    for rule in (one for one in base.alterations.values() if one.operation.both_ways):
        amount = Amounts(Diagnosis(base, Findings())).plan(rule.id)
        ways, told = rule.amount.ways, rule.amount.which_way
        assert ways is None or amount.text.startswith((ways.more, ways.less))
        assert ways is not None or (told is not None and told in amount.basis)


@pytest.mark.parametrize(("higher", "other"), [("left", "right"), ("right", "left")])
def test_a_hem_across_from_the_higher_hip_is_another_matter(higher: Side, other: Side) -> None:
    """The hip is raised where its line is up, and no reading of the other side counts for it; the short leg is lengthened."""
    base = rules()
    hip = replace(measured(base.symptoms["hip-line-higher-on-one-side"], 20.0), side=higher)
    hem = replace(measured(base.symptoms["one-hem-higher"], 15.0), side=other)
    shape = {"one-hip-higher": "some", "one-leg-longer": "some"}
    findings = Findings(body=shape, units="cm").with_finding(hip).with_finding(hem)
    across = conclude(base, findings).plan
    planned = {item.alteration: item for item in across.recommendations}
    raised, lengthened = planned["raise-one-hip"], planned["change-leg-length"]
    assert (higher, ()) == (raised.where, raised.amount.rests_on)
    assert (other, 15.0, False) == (lengthened.where, lengthened.amount.mm, lengthened.amount.less)
    ends = {closing.symptom: closing.by for closing in across.closings}
    assert {"hip-line-higher-on-one-side": "raise-one-hip", "one-hem-higher": "change-leg-length"} == ends

    same = conclude(base, findings.with_finding(replace(hem, side=higher))).plan
    assert (higher, ("one-hem-higher",)) == (same.recommendations[0].where, same.recommendations[0].amount.rests_on)


def test_the_side_of_a_shape_says_which_of_two_signs_is_its_own() -> None:
    """A hem that is higher across from the hip said to be higher does not raise the wrong hip."""
    base = rules()
    hem = replace(measured(base.symptoms["one-hem-higher"], 15.0), side="right")
    for side in ("left", "right"):
        shape = Findings(body={"one-hip-higher": "marked"}, body_sides={"one-hip-higher": side}, units="cm")
        planned = {item.alteration: item.where for item in conclude(base, shape.with_finding(hem)).plan.recommendations}
        assert planned.get("raise-one-hip", side) == side
        assert "raise-one-hip" in planned or side == "left"
