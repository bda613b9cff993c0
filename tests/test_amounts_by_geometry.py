"""How much an alteration takes for what was read: held against plain geometry, worked out without a look at the rules.

Each line says how many mm of an alteration, as printed (at each edge, where it is spread over several), a mm of the sign asks for if
the cause is there alone. The waist edge is one ring, so cloth pinched out of it anywhere is what the ring has too much; a girth
goes over the edges of both halves; a drop at the centre against the side is a wedge as high at the centre.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import pytest

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.diagnosis.readings import slopes_of
from fitdiag.knowledge.findings import Finding, Findings, measured
from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.amounts import Amounts
from fitdiag.planning.plan import Plan
from fitdiag.sessions.state import conclude
from fitdiag.units import parse_length

TROUSERS = [
    # lengths: the drop at the centre is the wedge, the cloth a level fold takes up is the length that is spare
    ("balance-lines-dip-to-back", "back-too-long-above-crotch", "tuck-across-back-hip", 1.0),
    ("balance-lines-rise-to-back", "back-too-short-above-crotch", "lengthen-back-crotch", 1.0),
    ("balance-lines-dip-to-front", "front-crotch-curve-too-long", "tuck-across-front", 1.0),
    ("balance-lines-rise-to-front", "front-crotch-curve-too-short", "spread-across-front", 1.0),
    ("waist-dips-at-back", "back-too-short-above-crotch", "lengthen-back-crotch", 1.0),
    ("waist-dips-at-back", "rise-too-shallow", "lengthen-rise", 1.0),
    ("waist-dips-at-front", "front-crotch-curve-too-short", "spread-across-front", 1.0),
    ("waist-rises-at-front", "front-crotch-curve-too-long", "tuck-across-front", 1.0),
    ("fold-below-back-waist", "waist-too-high-at-centre-back", "lower-centre-back-waist", 1.0),
    ("fold-below-back-waist", "back-too-long-above-crotch", "tuck-across-back-hip", 1.0),
    ("fold-below-front-waist", "front-crotch-curve-too-long", "tuck-across-front", 1.0),
    ("folds-under-seat", "back-too-long-above-crotch", "tuck-across-back-hip", 1.0),
    ("waist-cannot-reach-its-line", "rise-too-shallow", "lengthen-rise", 1.0),
    ("pattern-crotch-length-under-table", "rise-too-shallow", "lengthen-rise", 1 / 2),  # front and back both get it
    ("hems-too-long", "leg-too-long", "change-leg-length", 1.0),
    # a wedge w wide and a piece h high above it moves the waist end of centre back h / w as far: 20.6 cm on 25 cm
    ("folds-under-seat", "seat-angle-too-great", "straighten-centre-back", 20.6 / 25),
    ("grainline-far-from-centre-back", "seat-angle-too-small", "slant-centre-back", 1.0),
    # the waist: half of a round amount at centre back and half at the sides, or a quarter at each edge
    ("waist-too-loose", "waist-too-large", "take-waist-in", 1 / 4),
    ("back-waist-gapes", "waist-too-large", "take-waist-in", 1 / 4),
    ("front-waist-gapes", "waist-too-large", "take-waist-in", 1 / 4),
    ("front-waist-gapes", "too-much-front-waist", "take-in-front-waist", 1 / 2),  # both fronts
    ("front-waist-gapes", "front-too-wide", "take-front-width", 1 / 2),
    (
        "back-waist-gapes",
        "back-seam-too-straight-for-hollow",
        "shape-centre-back-hollow",
        1 / 4,
    ),  # both seam edges, both darts
    ("waist-binds", "waist-too-small", "let-waist-out", 1 / 4),
    # widths: what is pinched on one back or front is that piece's, what is pinched across both is half of each
    ("upright-folds-at-seat", "back-too-wide", "take-back-width", 1 / 2),
    ("back-pinch-takes-up-easily", "back-too-wide", "take-back-width", 1.0),
    ("back-leg-slack", "back-too-wide", "take-back-width", 1.0),
    ("upright-folds-on-front", "front-too-wide", "take-front-width", 1.0),
    ("back-pinch-takes-up-easily", "hip-too-wide", "take-hip-width", 1.0),  # a quarter of the girth, one side edge
    ("upright-folds-on-front", "hip-too-wide", "take-hip-width", 1.0),
    ("hip-too-loose", "hip-too-wide", "take-hip-width", 1 / 4),
    ("side-hip-pulls-across", "one-side-fuller", "add-to-one-side", 1 / 2),
    ("side-hip-pulls-across", "hip-too-narrow", "add-hip-width", 1 / 2),
    ("front-pulls-across-fly", "hip-too-narrow", "add-hip-width", 1 / 2),  # the gap is what both fronts are short of
    ("outer-thigh-pulls", "outer-thigh-too-narrow", "add-outer-thigh", 1 / 2),
    ("front-pulls-across-fly", "front-too-narrow-at-abdomen", "insert-for-abdomen", 1 / 2),
    ("pattern-knee-under-table", "knee-too-narrow", "add-knee-width", 1 / 4),
    ("closer-knee-wished", "knee-wider-than-wished", "narrow-knee", 1 / 4),
]
SKIRT = [
    ("fold-below-back-waist", "back-too-long-above-hip", "lower-centre-back-waist", 1.0),
    ("fold-below-front-waist", "front-too-long-above-hip", "lower-centre-front-waist", 1.0),
    ("hip-line-dips-to-back", "back-too-long-above-hip", "lower-centre-back-waist", 1.0),
    ("hip-line-rises-to-back", "back-too-short-above-hip", "lengthen-back-over-seat", 1.0),
    ("hem-higher-behind", "back-too-short-above-hip", "lengthen-back-over-seat", 1.0),
    ("hip-line-rises-to-front", "front-too-short-above-hip", "raise-centre-front-waist", 1.0),
    ("waist-too-loose", "waist-too-large", "take-waist-in", 1 / 4),
    ("back-waist-gapes", "waist-too-large", "take-waist-in", 1 / 4),
    ("waist-binds", "waist-too-small", "let-waist-out", 1 / 4),
    ("hip-too-loose", "hip-too-wide", "take-hip-width", 1 / 4),
    ("upright-folds-behind", "back-too-wide", "take-back-width", 1 / 2),
    ("front-pulls-across-abdomen", "front-too-narrow", "add-front-width", 1 / 2),
    ("side-stands-off-below-waist", "side-curve-too-round", "flatten-side-curve", 1 / 2),
    ("stride-held-at-hem", "hem-too-narrow-for-stride", "widen-hem", 1 / 4),
    ("one-hem-side-higher", "waist-not-shaped-for-higher-hip", "raise-one-hip", 1.0),
]


@cache
def rules(garment: str) -> RuleBase:
    return load_rules(rules_for(garment))


@pytest.mark.parametrize(
    ("garment", "sign", "cause", "alteration", "share"),
    [(garment, *row) for garment, rows in (("trousers", TROUSERS), ("skirt", SKIRT)) for row in rows],
)
def test_a_reading_asks_for_what_plain_geometry_gives(
    garment: str, sign: str, cause: str, alteration: str, share: float
) -> None:
    """A mm of the sign, by how much of it an extent shows and how much of the extent the alteration takes; within a quarter."""
    base = rules(garment)
    shown = slopes_of(base, cause, simulated=False)[base.symptoms[sign].axis].ratio
    takes = base.causes[cause].cured_by[alteration].takes
    assert abs(1.0 / (shown * takes)) == pytest.approx(share, rel=0.25)


def planned(garment: str, amounts: dict[str, float], seen: Sequence[str] = ()) -> Plan:
    """The plan from amounts in mm, and from signs seen without one."""
    base = rules(garment)
    found = {name: measured(base.symptoms[name], mm) for name, mm in amounts.items()}
    return conclude(base, Findings({**found, **{name: Finding(name, "yes") for name in seen}}, units="cm")).plan


def waist_taken_in(**pinched: float) -> float:
    """What is asked off the whole waist, in mm, where this much is pinched out of it at one place or another."""
    base = rules("trousers")
    found = {name.replace("_", "-"): mm for name, mm in pinched.items()}
    findings = Findings({name: measured(base.symptoms[name], mm) for name, mm in found.items()}, units="cm")
    edges = base.alterations["take-waist-in"].amount.edges
    assert edges is not None
    return Amounts(Diagnosis(base, findings)).plan("take-waist-in").wanted_mm * edges.in_all


def test_a_gape_in_front_takes_about_as_much_off_the_waist_as_was_pinched() -> None:
    """The ring is 12 mm too large where 12 mm are pinched out in front, not 24."""
    assert 10.0 < waist_taken_in(front_waist_gapes=12.0) < 17.0


def test_pinches_at_two_places_of_the_waist_share_what_is_too_much() -> None:
    """12 mm in front and 12 mm behind are two parts of the 25 mm that the whole edge has to spare, not two doubts of it."""
    apart = waist_taken_in(waist_too_loose=25.0, front_waist_gapes=12.0, back_waist_gapes=12.0)
    assert 17.0 < apart < 25.0


def test_an_insert_is_as_wide_as_the_front_is_narrow_and_as_long_as_it_dips() -> None:
    """The length that is missing says nothing of the width: half of the gap in each front, and the dip across."""
    plan = planned(
        "trousers",
        {"waist-dips-at-front": 12.0, "front-pulls-across-fly": 30.0},
        ("diagonals-crotch-to-side-waist", "front-lines-go-with-waist-dropped", "side-seam-bows-forward-at-hip"),
    )
    insert = next(item for item in plan.recommendations if item.alteration == "insert-for-abdomen")
    assert insert.amount.wanted_mm == pytest.approx(15.0, abs=1.5)
    assert insert.amount.rests_on == ("front-pulls-across-fly",)
    length = parse_length(insert.amount.extra.removeprefix("Length at centre front: ").partition(",")[0]).mm
    assert length == pytest.approx(12.0, abs=3.0)


def test_centimetres_do_not_follow_from_a_reading_that_hardly_moves() -> None:
    """A waist that dips 15 mm behind asks for about as much rise where the rise is short, not for four times that."""
    plan = planned("trousers", {"waist-dips-at-back": 15.0}, ("waist-cannot-reach-its-line", "crotch-cuts"))
    rise = next(item for item in plan.recommendations if item.alteration == "lengthen-rise")
    assert rise.amount.wanted_mm == pytest.approx(15.0, abs=4.0)


def test_a_sign_that_an_extent_hardly_moves_gives_no_amount() -> None:
    """In simulated cloth a long front lifts the lines behind by a tenth of its length: less than a tape reads, so nothing follows."""
    base = rules("trousers")
    rises = Findings({"balance-lines-rise-to-back": measured(base.symptoms["balance-lines-rise-to-back"], 10.0)})
    assert "back-too-short-above-crotch" in Diagnosis(base, rises).extents
    assert "front-crotch-curve-too-long" not in Diagnosis(base, rises).extents


def test_what_helps_without_a_measure_starts_carefully() -> None:
    """Ripples at the side say how much to flatten the curve, but not how far the dart points are off."""
    base = rules("trousers")
    ripples = Findings({"side-waist-ripples": measured(base.symptoms["side-waist-ripples"], 15.0)}, units="cm")
    amounts = Amounts(Diagnosis(base, ripples))
    assert amounts.plan("flatten-side-curve").rests_on == ("side-waist-ripples",)
    darts = amounts.plan("re-aim-darts")
    assert (darts.wanted_mm, darts.rests_on) == (base.alterations["re-aim-darts"].amount.start_mm, ())
