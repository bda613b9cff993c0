"""What a rule says an alteration does to seams and widths, held against the paper: the sign, and the size wherever one is named.

The claims are read out of the sentences themselves; the other side is the pattern, altered and trued, on two bodies.
Which sizes are rightly called "about" is a judgement, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import pytest

from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.blocks import block_of, draft_block
from fitdiag.pattern.garment import garment_of
from fitdiag.pattern.measure import pattern_measures
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.piece import Pattern
from fitdiag.pattern.true import true

BY_MM = 10.0
STAYS = 0.15  # a measure that stays changes by less than this share of the amount
LITTLE = 0.35  # as much of the amount is still a little
ROUNDED = 0.05  # half a millimetre for 1 cm
SUBJECTS = {
    "trousers": {
        "back crotch curve": ("back crotch curve",), "back crotch seam": ("back crotch curve",),
        "back curve": ("back crotch curve",), "centre-back seam": ("back crotch curve",),
        "front crotch curve": ("front crotch curve",), "front crotch seam": ("front crotch curve",),
        "front centre seam": ("front crotch curve",), "whole crotch seam": ("total crotch length",),
        "back crotch extension": ("back extension",), "extension": ("back extension",),
        "back inseam": ("back inseam",), "front inseam": ("front inseam",), "both inseams": ("back inseam", "front inseam"),
        "inseams": ("back inseam", "front inseam"), "inseam": ("back inseam", "front inseam"),
        "side seams": ("back outseam", "front outseam"), "side seam": ("back outseam", "front outseam"),
        "back side seam": ("back outseam",),
        "back thigh": ("thigh girth",), "front thigh": ("thigh girth",), "thigh": ("thigh girth",),
        "knee": ("knee girth",), "hem": ("hem girth",), "hip": ("hip girth",), "hip line": ("hip girth",),
        "hip width": ("hip girth",), "waist": ("waist after darts girth",),
    },
    "skirt": {
        "centre back": ("back centre length",), "centre front": ("front centre length",),
        "side seams": ("back side length", "front side length"), "side seam": ("back side length", "front side length"),
        "back side seam": ("back side length",), "front side seam": ("front side length",),
        "hem": ("hem girth",), "hip": ("hip girth",), "waist": ("waist after darts girth",),
    },
}  # fmt: skip
SIZES = {
    "nine tenths of the amount": 0.9, "three quarters of the amount": 0.75, "three quarters of it": 0.75,
    "half of the amount": 0.5, "two fifths of the amount": 0.4, "a third of the amount": 0.33,
    "a quarter of the amount": 0.25, "a quarter of the overlap": 0.25, "an eighth of the overlap": 0.125,
    "a fifth of the amount": 0.2, "a sixth of the amount": 0.17, "a tenth of the amount": 0.1,
    "the amount and a half": 1.5, "one and a half times the amount": 1.5, "twice the amount": 2.0,
    "three times the amount": 3.0, "four times the amount": 4.0, "the whole amount": 1.0, "the amount": 1.0,
}  # fmt: skip
_SIZE = "|".join(sorted(SIZES, key=len, reverse=True))
_GROWS = r"(?:is|gets?|becomes?|are) (?:longer|wider)|grows?|gains?"
_SHRINKS = r"(?:is|gets?|becomes?|are) (?:shorter|narrower|smaller)|shrinks?|loses?"


@dataclass(frozen=True)
class Claim:
    """A measure, what it changes by per mm altered at least and at most, and the words that say so."""

    measure: str
    least: float
    most: float
    words: str


def claims(text: str, garment: str) -> Iterator[Claim]:
    """Every claim of a text about a measure that a tape takes on the pattern."""
    subjects = SUBJECTS[garment]
    subject = "|".join(sorted(subjects, key=len, reverse=True))
    one = rf"(?<!upper )(?<!whole back )(?:\b[Tt]he |\b[Ee]ach |\b[Bb]oth )?(?:full )?\b({subject})"
    changes = re.compile(
        rf"{one}(?: of that side| just below the crotch)? (?:({_GROWS})|({_SHRINKS}))(?: in all)?(?: by)?"
        rf"( nearly| about| up to| less than)*((?: the whole slide, about)?) ({_SIZE})(?: in all)?( at most)?(?! in length)(?! measured)"
        r"( on each front)?",
        re.IGNORECASE,
    )
    for found in changes.finditer(text):
        name, grows, _, hedge, _, size, at_most, each = found.groups()
        per = SIZES[size.lower()] * (2 if each else 1)
        within = 0.2 * per if "about" in (hedge or "") else 0.12 * max(per, 0.5)
        low, high = per - max(within, 0.1), per + max(within, 0.1)
        low = 0.0 if at_most or "up to" in (hedge or "") else 0.7 * per if "nearly" in (hedge or "") else low
        ends = (low, high) if grows else (-high, -low)
        yield from (Claim(measure, *ends, found[0]) for measure in subjects[name.lower()])
    few = rf"{one} (?:({_GROWS})|({_SHRINKS}))|{one} (?:gets?|becomes?) (?:a trifle )?(?:(longer)|(shorter))"
    for found in re.finditer(
        rf"(?:{few}),?(?: by)?(?: only| less than| about)* ?(\d) mm(?: at most| longer or less| for|\b)", text
    ):
        name = found[1] or found[4]
        most, grows = int(found[7]) / BY_MM + ROUNDED, found[2] or found[5]
        yield from (
            Claim(measure, *((-ROUNDED, most) if grows else (-most, ROUNDED)), found[0]) for measure in subjects[name]
        )
    little = rf"{one} (?:gets?|becomes?) (?:a trifle|a little|somewhat) (?:(longer|wider)|(shorter|narrower|smaller))\b(?! when)"
    for found in re.finditer(little, text):
        ends = (0.0, LITTLE) if found[2] else (-LITTLE, 0.0)
        yield from (Claim(measure, *ends, found[0]) for measure in subjects[found[1].lower()])
    for listed in re.finditer(
        r"(?:^|(?<=\. ))([^.;]*?) (?:keeps? (?:its|their) (?:length|width|measure)|stays?)\b(?! within)", text
    ):
        for part in re.split(r", | and ", listed[1]):
            found_name = part.lower().removeprefix("the ").removeprefix("full ").strip()
            for measure in subjects.get(found_name, ()):
                yield Claim(measure, -STAYS, STAYS, listed[0])


BASES = {name: load_rules(rules_for(name)) for name in SUBJECTS}
RULES = [(garment, name) for garment, base in BASES.items() for name in base.alterations]


@cache
def blocks(garment: str) -> tuple[Pattern, ...]:
    """A usual body, and one larger round waist and hip by 12 cm."""
    cut = garment_of(BASES[garment])
    usual = {asked.name: asked.usual for asked in block_of(cut).asked}
    larger = usual | {name: usual[name] + 120.0 for name in ("waist", "hip")}
    return tuple(draft_block(cut, given) for given in (usual, larger))


def said(base: RuleBase, garment: str, name: str) -> list[Claim]:
    return [claim for text in base.alterations[name].effects for claim in claims(text, garment)]


def disproved(found: list[Claim], garment: str, name: str) -> list[str]:
    """Each claim that the altered, trued pattern of a body does not bear out, with what it measures per mm."""
    wrong = []
    for block in blocks(garment):
        side = "left" if BASES[garment].alterations[name].operation.one_side else "both"
        before = pattern_measures(block)
        after = pattern_measures(true(carry_out(block, name, BY_MM, side).pattern)[0])
        for claim in found:
            now = after[claim.measure] if claim.measure in after else after[f"{claim.measure}, left"]
            per = (now - before[claim.measure]) / BY_MM
            if not claim.least <= per <= claim.most:
                wrong.append(f"{claim.words!r}: {claim.measure} {per:+.2f}")
    return wrong


@pytest.mark.parametrize(("garment", "name"), RULES)
def test_every_size_that_a_rule_names_is_that_of_the_paper(garment: str, name: str) -> None:
    """Each claim about a seam or a width holds on both bodies, in sign and in size."""
    assert disproved(said(BASES[garment], garment, name), garment, name) == []


def test_claims_are_found_in_most_rules() -> None:
    """The sentences are read: most rules make claims, and many of them name a size."""
    found = {rule: said(BASES[rule[0]], *rule) for rule in RULES}
    assert sum(1 for one in found.values() if one) >= 0.8 * len(RULES)
    assert sum(1 for one in found.values() for claim in one if claim.least > STAYS or claim.most < -STAYS) >= 70


@pytest.mark.parametrize(
    ("garment", "name", "text"),
    [
        ("trousers", "raise-centre-back-waist", "The waist grows by about a quarter of the amount."),
        ("trousers", "raise-centre-back-waist", "The waist gets a trifle wider."),
        ("trousers", "lengthen-back-inseam", "The back crotch seam gets shorter by about a third of the amount."),
        ("trousers", "narrow-leg", "The thigh loses four times the amount in round."),
        ("trousers", "lengthen-back-extension", "The inseam keeps its length."),
        ("skirt", "raise-centre-front-waist", "The waist, the hip and the hem keep their measure."),
        ("trousers", "slide-crotch-section-down", "The back inseam gets shorter by about half of the amount."),
    ],
)
def test_a_wrong_claim_is_found_out(garment: str, name: str, text: str) -> None:
    """Texts that say too much, too little or the other way do not hold on paper."""
    found = list(claims(text, garment))
    assert found
    assert disproved(found, garment, name)


@pytest.mark.parametrize("garment", ["trousers", "skirt"])
def test_what_is_cut_closes_what_the_table_misses(garment: str) -> None:
    """A girth short of its table by 2 cm, all of it from one cause: the amount that wholly cures it gives back 2 cm of girth."""
    base = load_rules(rules_for(garment))
    girths = {"hip": "hip girth", "waist": "waist after darts girth", "thigh": "thigh girth", "knee": "knee girth"}
    closed = {}
    for cause in base.causes.values():
        for link in cause.shows:
            table = base.symptoms[link.symptom].from_ease
            if table is None or table.measure not in girths or not link.per:
                continue
            for name, cure in cause.cured_by.items():
                each = base.alterations[name].effects_on.get(girths[table.measure])
                if each and cure.how_well == "wholly":
                    amount = 20.0 / link.per[0].ratio / abs(cure.takes)
                    closed[cause.id, name] = amount * abs(each)
    assert closed
    assert closed == {pair: pytest.approx(20.0, rel=0.1) for pair in closed}
