"""Worked examples from published sources, through the whole way from findings to plan.

Where the source gives the amount (or a rule from which it follows by arithmetic) the amount must come out; where it gives only
the direction, the alteration must.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import pytest

from fitdiag.knowledge.findings_file import findings_in
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.strict_yaml import parse_yaml
from fitdiag.planning.ease import check_measures
from fitdiag.planning.plan import Recommendation
from fitdiag.sessions.state import conclude
from fitdiag.units import MM_PER_INCH, Units, parse_length


@dataclass(frozen=True)
class Example:
    """One published example: what is found, what must be advised, and the least and most amount the source gives (in)."""

    source: str
    findings: str
    advised: str
    least_in: float = 0.0
    most_in: float = 99.0
    says: tuple[str, ...] = field(default=())


EXAMPLES = (
    Example(
        "Sewing Pants for Women (1960s), step 4: raise the waist seam at centre back 1/4 to 1/2 in, to nothing at the side",
        "body: [{prominent-seat: marked}, deep-round-hips]\n"
        "symptoms: {waist-dips-at-back: yes, waist-edge-tilts: yes, balance-lines-rise-to-back: no, seat-binds-sitting: no,"
        " waist-pulls-down-when-bending: no}",
        "raise-centre-back-waist", 0.25, 0.5, says=("side",),
    ),
    Example(
        "Hertzer 1892, pp. 20-21: close the leg, 5/8 in at the bottom",
        "symptoms: {fold-climbs-inner-shin: yes, folds-go-with-feet-apart: yes}",
        "close-leg", 0.625, 0.625, says=("thigh", "knee"),
    ),
    Example(
        "New Mexico C-209 / Nebraska EC73-455, tables of ease: hip 40, depth 10 1/2 + 1 = 11 1/2, pattern 10 3/4",
        "measures: {body: {hip: 40 in, crotch-depth: 10 1/2 in}, pattern: {crotch-depth: 10 3/4 in}, tables: {crotch-depth: nmsu}}",
        "lengthen-rise", 0.75, 0.75,
    ),
    Example(
        "Nebraska EC73-455 and CWU costume text ch. 17: hip 34, depth 9 3/4 + 1/2 = 10 1/4, pattern 11; the fold is half of it",
        "measures: {body: {hip: 34 in, crotch-depth: 9 3/4 in}, pattern: {crotch-depth: 11 in}, tables: {crotch-depth: nebraska}}",
        "shorten-rise", 0.75, 0.75, says=("half the amount", "3/8 in"),
    ),
    Example(
        "Nebraska EC73-455 and CWU costume text ch. 17: hip 38, pattern 38 1/2, wanted 39-40: 1/8 to 3/8 in on each of four edges",
        "measures: {body: {hip: 38 in}, pattern: {hip: 38 1/2 in}, tables: {hip: nebraska}}",
        "add-hip-width", 0.125, 0.375,
    ),
    Example(
        "General mending article: baggy back of made trousers, open the inseam 10-12 in, centre back up to 1 in",
        "body: [slim-thighs, full-calf]\n"
        "symptoms: {back-leg-slack: yes, thigh-too-loose: yes, waist-too-loose: yes, back-waist-gapes: yes, upright-folds-at-seat: yes,"
        " hip-too-loose: no, waist-binds: no, diagonals-under-seat: no}",
        "narrow-back-leg-top", says=("10-12 in", "up to 1 in"),
    ),
    Example(
        "The Modern Tailor 1949, ch. XXII, section 2: surplus just under the seat, let out the top of the seat seam, take in the side",
        "symptoms: {folds-under-seat: strong, seat-folds-needed-sitting: yes}",
        "straighten-centre-back", says=("side",),
    ),
    Example(
        "Hertzer 1892, p. 11: knees that touch want more cloth inside the knee, as much less outside",
        "body: [{knees-close: marked}]\nsymptoms: {crease-outside-mid-knee: yes}",
        "shift-leg-to-close-knees", says=("inside", "outside"),
    ),
    Example(
        "Hertzer 1892, p. 19: wrinkled back that works under the heel, front waist loose: take cloth out of the front waist",
        "symptoms: {back-hem-works-under-heel: yes, front-waist-gapes: {amount: 2 cm}, back-leg-slack: yes,"
        " folds-droop-from-front-crotch: no, waist-binds: no, slides-down-walking: no, waist-too-loose: no, front-pulls-across-fly: no}",
        "take-in-front-waist",
    ),
    Example(
        "US Army TM 10-227, p. 34: the seat was taken in at centre back, so the crotch must be altered too",
        "done: [{alteration: take-waist-in, amount: 1/4 in, round: 1}]\n"
        "symptoms: {lines-fan-from-back-crotch: yes, seat-binds-sitting: yes, waist-cannot-reach-its-line: no, inner-thigh-pulls: no,"
        " seam-puckers-lengthwise: no}",
        "lengthen-back-extension",
    ),
)  # fmt: skip


def advised(example: Example) -> Recommendation:
    """The first recommendation for an example's findings."""
    document = parse_yaml(example.findings, "example")
    base = load_rules()
    findings = findings_in(document, (), document.data, base)
    plan = conclude(base, findings).plan
    assert plan.recommendations, plan.verdict
    return plan.recommendations[0]


@pytest.mark.parametrize(
    "example", EXAMPLES, ids=[example.source.split(":")[0] + " " + example.advised for example in EXAMPLES]
)
def test_a_published_example_comes_out(example: Example) -> None:
    """The alteration the source advises comes first, by the amount it gives, and its steps say what the source says."""
    first = advised(example)
    rule = load_rules().alterations[example.advised]
    assert first.alteration == example.advised
    assert example.least_in - 1e-6 <= first.amount.mm / MM_PER_INCH <= example.most_in + 1e-6
    text = " ".join(
        (rule.why, rule.operation.cut, rule.operation.hinge, *rule.cloth, *rule.paper, *rule.effects, *rule.true_up)
    )
    for words in example.says:
        assert words in text


# Depth ease by hip band. New Mexico C-209: under 36 in 1/2, 36-38 3/4, over 38 1. Nebraska EC73-455: under 35, 35-38, over 38.
BANDS = [
    ("nmsu", 35.5, 0.5), ("nebraska", 35.5, 0.75), ("nmsu", 36, 0.75), ("nebraska", 34.9, 0.5), ("nmsu", 38, 0.75),
    ("nebraska", 38, 0.75), ("nmsu", 38.5, 1.0), ("nebraska", 40, 1.0),
]  # fmt: skip


@pytest.mark.parametrize(("table", "hip", "ease"), BANDS)
def test_depth_ease_goes_by_the_published_hip_bands(table: str, hip: float, ease: float) -> None:
    """Each table gives its own ease for a hip girth; where they disagree both are kept."""
    body = {"hip": hip * MM_PER_INCH, "crotch-depth": 10 * MM_PER_INCH}
    found = [result for result in check_measures(load_rules(), body, {}, table) if result.row.measure == "crotch-depth"]
    assert len(found) == 1
    assert found[0].least_mm == pytest.approx((10 + ease) * MM_PER_INCH)


# (table, measure, least, most) in inches, as printed in the two extension guides and the US Army manual (p. 25)
EASES = [
    ("nmsu", "waist", None, 1.0), ("nmsu", "hip", 2.0, 4.0), ("nmsu", "thigh", 1.0, 2.0), ("nmsu", "knee", 1.0, None),
    ("nmsu", "abdomen", None, 2.0), ("nebraska", "waist", 0.5, 1.0), ("nebraska", "high-hip", 0.5, 1.0), ("nebraska", "hip", 1.0, 2.0),
    ("nebraska", "thigh", 1.0, 2.0), ("nebraska", "knee", 1.0, 2.0), ("nebraska", "calf", 1.0, 2.0),
    ("nebraska", "total-crotch-length", 1.0, 2.0), ("army-service", "waist", 0.5, 0.5),
]  # fmt: skip


@pytest.mark.parametrize(("table", "measure", "least", "most"), EASES)
def test_eases_are_the_published_ones(table: str, measure: str, least: float | None, most: float | None) -> None:
    """The tables of ease hold the figures of their source."""
    found = [
        result for result in check_measures(load_rules(), {measure: 1000.0}, {}, table) if result.row.measure == measure
    ]
    assert len(found) == 1
    assert found[0].least_mm == pytest.approx(
        1000 + (least or 0.0) * MM_PER_INCH
    )  # "up to" still means at least the body
    assert found[0].most_mm == (None if most is None else pytest.approx(1000 + most * MM_PER_INCH))


def test_tables_that_disagree_count_as_their_range() -> None:
    """With no table chosen and two that differ, the finding spans both, and the note names each and says that one can be chosen."""
    text = "measures: {body: {hip: 38 in}, pattern: {hip: 39 in}}"
    document = parse_yaml(text, "example")
    base = load_rules()
    findings = findings_in(document, (), document.data, base)
    known = conclude(base, findings).diagnosis.findings
    found = known.symptoms["pattern-hip-under-table"]
    # 39 in against 38 + 1 (Nebraska EC73-455) and 38 + 2 (New Mexico C-209)
    assert found.amount_mm == pytest.approx(MM_PER_INCH / 2)
    assert found.error_mm == pytest.approx(MM_PER_INCH / 2)
    (note,) = (note for note in known.notes if "disagree, 0 in to 1 in short" in note)
    assert all(table.title in note for table in base.ease.values() if table.id in ("nmsu", "nebraska"))
    assert "Choose one for hip." in note


@pytest.mark.parametrize("units", ["in", "cm"])
def test_a_measure_check_prints_numbers_that_agree(units: Units) -> None:
    """What is printed as short is the least that is wanted less what the pattern has, both as printed."""
    body, pattern = {"hip": 940.0}, {"hip": 968.6}
    text = next(
        one.text(units) for one in check_measures(load_rules(), body, pattern, "nmsu") if one.row.measure == "hip"
    )
    found = re.search(r"wanted (.+?) to .+, pattern (.+?): (.+?) short", text)
    assert found is not None
    wanted, has, short = (parse_length(one).mm for one in found.groups())
    assert wanted - has == pytest.approx(short, abs=1e-6)
