"""The main job through `diagnose --json`: the trade facts that must come out. All of them: common practice, no source."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from running import ended

WORKED = """
schema: fitdiag.findings/1
garment: trousers
body: [flat-seat, low-seat]
symptoms:
  balance-lines-dip-to-back: {amount: 3/4 in}
  v-at-centre-back: yes
  grainline-near-centre-back: {amount: 1 in}
  seat-wedgie: no
done:
  - {alteration: lengthen-back-crotch, amount: 1/2 in, round: 1}
"""
NOTHING_FELT = "seat-wedgie: no, crotch-cuts: no, seat-binds-sitting: no, waist-binds: no, thigh-binds-on-stairs: no"
LEVEL = "balance-lines-dip-to-back: no, balance-lines-rise-to-back: no, v-at-centre-back: no"


@pytest.fixture
def diagnose(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    """A function from findings text to the JSON object of `fitdiag diagnose --json`."""

    def ask(findings: str, *options: str) -> Any:
        path = tmp_path / "findings.yaml"
        path.write_text(findings if "schema:" in findings else f"schema: fitdiag.findings/1\n{findings}")
        assert 0 == ended("diagnose", str(path), "--json", *options)
        return json.loads(capsys.readouterr().out)

    return ask


def names(result: Any) -> list[str]:
    return [item["alteration"] for item in result["recommendations"]]


def test_dip_on_a_flat_seat_is_tucked_first(diagnose: Any) -> None:
    """A dip of 3/4 in on a flat, low seat is picked up across the back first, by 3/4 in on both sides."""
    first = diagnose(WORKED)["recommendations"][0]
    assert (first["rank"], first["alteration"], first["amount"], first["side"]) == (
        1,
        "tuck-across-back-hip",
        "3/4 in",
        "both",
    )
    assert first["amount_mm"] == pytest.approx(19.05)
    assert first["only_if"] is None
    assert "both side seams" in " ".join((first["hinge"], *first["cloth"]))
    assert first["because"]
    assert first["check_next"]


def test_the_crotch_section_slides_only_if_a_wedgie_shows(diagnose: Any) -> None:
    """The slide of 1/2 in waits for a wedgie after the tuck; the overlap waits for another look at the grainline."""
    result = diagnose(WORKED)
    by_name = {item["alteration"]: item for item in result["recommendations"]}
    assert ["tuck-across-back-hip", "slide-crotch-section-down", "overlap-back-wedge"] == names(result)
    assert by_name["slide-crotch-section-down"]["amount"] == "1/2 in"
    assert by_name["slide-crotch-section-down"]["only_if_symptom"] == "seat-wedgie"
    assert "cleft" in by_name["slide-crotch-section-down"]["only_if"]
    assert by_name["overlap-back-wedge"]["amount"] == "1 in"
    assert "grainline" in by_name["overlap-back-wedge"]["only_if"]


def test_lengthening_and_scooping_are_left_alone(diagnose: Any) -> None:
    """On that back neither lengthening nor scooping is offered, and the grainline and the flat seat are the reasons."""
    left = {item["alteration"]: " ".join(item["because"]) for item in diagnose(WORKED)["leave_alone"]}
    for alteration in ("lengthen-back-crotch", "scoop-back-curve"):
        assert "grainline" in left[alteration]
        assert "flat seat" in left[alteration].lower()


def test_a_leaning_grain_may_stay_on_a_round_seat(diagnose: Any) -> None:
    """With a round seat and a small waist a grainline at 1 in stays, and the list says why."""
    result = diagnose(
        "body: [prominent-seat, small-waist-round-hip]\n"
        f"symptoms: {{grainline-near-centre-back: {{amount: 1 in}}, {LEVEL}, {NOTHING_FELT}}}"
    )
    assert result["recommendations"] == []
    left = {item["alteration"]: " ".join(item["because"]) for item in result["leave_alone"]}
    assert "round seat" in left["overlap-back-wedge"].lower()
    assert result["may_stay"]


def test_a_wedgie_after_the_tuck_slides_the_section(diagnose: Any) -> None:
    """Level lines, a tuck done last round and a wedgie: the crotch section slides down first."""
    result = diagnose(
        f"symptoms: {{{LEVEL}, seat-wedgie: yes}}\ndone: [{{alteration: tuck-across-back-hip, amount: 3/4 in, round: 1}}]"
    )
    assert names(result)[0] == "slide-crotch-section-down"


def test_rising_lines_on_a_round_seat_are_lengthened(diagnose: Any) -> None:
    """Lines that rise to the back and a waist that pulls down when bending ask for length at centre back, never a tuck."""
    result = diagnose(
        "body: [prominent-seat]\nsymptoms: {balance-lines-rise-to-back: yes, waist-pulls-down-when-bending: yes}"
    )
    assert names(result)[0] in ("lengthen-back-crotch", "raise-centre-back-waist")
    assert "tuck-across-back-hip" not in names(result)


def test_nothing_seen_gives_no_list(diagnose: Any) -> None:
    """Nothing seen and nothing felt: nothing to alter, and no invented list."""
    for findings in ("symptoms: {}", f"symptoms: {{{LEVEL}, {NOTHING_FELT}}}"):
        result = diagnose(findings)
        assert result["recommendations"] == []
        assert result["later"] == []
        assert result["verdict"].startswith("Nothing to alter")


def test_an_amount_over_the_limit_names_the_remainder(diagnose: Any) -> None:
    """A dip of 2 in is not tucked at once: the limit of the round is given and the remainder named."""
    first = diagnose("symptoms: {balance-lines-dip-to-back: {amount: 2 in}, v-at-centre-back: yes}\nbody: [flat-seat]")[
        "recommendations"
    ][0]
    assert first["alteration"] == "tuck-across-back-hip"
    whole = first["amount_mm"] + first["remainder_mm"]
    assert abs(whole - 50.8) < first["amount_error_mm"]
    assert first["remainder_mm"] > 0
    assert "next try-on" in first["amount_basis"]


def test_nothing_measured_gives_a_careful_start(diagnose: Any) -> None:
    """Without a measured amount the list gives a start and says to pin it to find out."""
    first = diagnose("symptoms: {balance-lines-dip-to-back: yes, v-at-centre-back: yes}\nbody: [flat-seat]")[
        "recommendations"
    ][0]
    assert first["alteration"] == "tuck-across-back-hip"
    assert "is a careful start. Pin until" in first["amount_basis"]
    assert "measure the drop at centre back" in first["amount_basis"]


def test_amounts_follow_the_units_asked_for(diagnose: Any) -> None:
    """The same findings in centimetres are rounded to quarter centimetres."""
    first = diagnose(WORKED, "--units", "cm")["recommendations"][0]
    assert first["amount"] == "1.75 cm"
    assert first["amount_mm"] == pytest.approx(17.5)


def test_a_pattern_lengthened_twice_is_likelier_thrown_off_grain(diagnose: Any) -> None:
    """Every earlier lengthening of the back crotch raises the belief that the grain was thrown to centre back."""

    def belief(times: int) -> float:
        done = "".join(
            f"\n  - {{alteration: lengthen-back-crotch, amount: 1/4 in, round: {number + 1}}}"
            for number in range(times)
        )
        result = diagnose(f"symptoms: {{v-at-centre-back: yes}}\ndone:{done or ' []'}")
        return next(cause["probability"] for cause in result["causes"] if cause["id"] == "grain-thrown-to-centre-back")

    assert belief(0) < belief(1) < belief(2)


def test_at_most_three_a_round_and_the_rest_is_later(diagnose: Any) -> None:
    """However much is seen, no round has more than three alterations; the rest is named as later."""
    result = diagnose(
        "symptoms: {balance-lines-dip-to-back: yes, v-at-centre-back: yes, waist-too-loose: yes, slides-down-walking: yes,"
        " one-hem-higher: yes, dart-points-stand-off: yes, calf-catches: yes, hip-too-loose: yes, upright-folds-at-seat: yes,"
        " folds-behind-knee: yes, leg-seams-spiral: yes, thigh-too-loose: yes}"
    )
    assert len(result["recommendations"]) == 3
    assert result["later"]


def test_causes_fall_in_probability_and_carry_reasons(diagnose: Any) -> None:
    """What something seen speaks for comes first, each part in falling order, and the leading one says what speaks for it."""
    result = diagnose(WORKED)
    ranked = [(not cause["spoken_of"], -cause["probability"]) for cause in result["causes"]]
    assert sorted(ranked) == ranked
    assert result["causes"][0]["id"] == "back-too-long-above-crotch"
    assert any("3/4 in" in reason for reason in result["causes"][0]["because"])
    assert set(result["next_question"]) == {"symptom", "gain_bits"}


PRESSURE = {
    "crotch-cuts": ("shorten-rise", "tuck-across-back-hip", "shorten-back-inseam", "fill-back-curve", "take-hip-width"),
    "seat-binds-sitting": ("shorten-rise", "straighten-centre-back", "take-back-width", "take-hip-width"),
    "thigh-binds-on-stairs": ("narrow-leg", "take-back-width", "shorten-rise", "narrow-back-leg-top"),
    "waist-binds": ("take-waist-in", "take-back-width", "take-hip-width"),
    "knee-binds-bending": ("narrow-leg", "tuck-behind-knee"),
}


@pytest.mark.parametrize("pressing", PRESSURE)
@pytest.mark.parametrize(
    "others",
    [
        "upright-folds-on-front: yes, hip-too-loose: yes, upright-folds-at-seat: yes, back-leg-slack: yes",
        "diagonals-under-seat: yes, crotch-hangs-low: yes, pattern-depth-over-table: yes",
        "thigh-too-loose: yes, calf-catches: yes, inseams-differ-on-paper: yes, waist-too-loose: yes",
        "grainline-near-centre-back: yes, seat-folds-needed-sitting: yes, folds-under-seat: yes",
    ],
)
def test_nothing_is_taken_in_where_it_presses(diagnose: Any, pressing: str, others: str) -> None:
    """Whatever else is seen, what takes room at a place that presses is not on the list (common practice, no source)."""
    listed = names(diagnose(f"symptoms: {{{pressing}: yes, {others}}}\n"))
    assert not set(PRESSURE[pressing]) & set(listed)


def test_an_amount_with_an_error_as_large_as_itself_is_not_cut_by(diagnose: Any) -> None:
    """A dip of 3/4 in give or take 5 in gives the careful start, not 3/4 in; give or take 1/8 in, it is told with its error."""
    unsure = diagnose("symptoms: {balance-lines-dip-to-back: {amount: 3/4 in, error: 5 in}, v-at-centre-back: yes}\n")
    for item in unsure["recommendations"]:
        assert item["amount_error_mm"] is None or item["amount_error_mm"] > 5.0
    sure = diagnose("symptoms: {balance-lines-dip-to-back: {amount: 3/4 in, error: 1/8 in}, v-at-centre-back: yes}\n")
    assert "(3/4 in ± 1/8 in): 3/4 in, give or take" in sure["recommendations"][0]["amount_basis"]


def test_no_alteration_by_nothing(diagnose: Any) -> None:
    """What is left of the limit of all rounds may be less than a tape shows; then it is not on the list at 0 in."""
    found = diagnose(
        "symptoms: {waist-too-loose: {amount: 1 in}}\ndone: [{alteration: take-waist-in, amount: 3/16 in}]\n"
    )
    assert all(item["amount_mm"] > 0 for item in found["recommendations"])
