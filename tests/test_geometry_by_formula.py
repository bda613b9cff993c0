"""Every alteration of the rule base against its own text and plain geometry, on six drafted bodies.

The expectations stand in the `expected_*.py` files beside this one, ruler and compasses in `paper.py`; none of them shares code
with the pattern room, which is only called through `geometry_adapter.py`. Run as a program it prints, for each alteration, what
is not as its rule says and by how much at the worst: `python tests/test_geometry_by_formula.py [ALTERATION ...]`.
"""

from __future__ import annotations

import random
import re
import sys
from functools import cache
from pathlib import Path
from typing import Any

import expected_balance
import expected_crotch
import expected_edges
import expected_widths
import geometry_adapter as fitdiag
import numpy as np
import pytest
from expected import INCH, RULES
from paper import TOL, Case, Paper, apart, cross, length, rigid, unit, x_at
from plain_yaml import plain_yaml
from shapely import LineString

FILES = (expected_balance, expected_crotch, expected_edges, expected_widths)  # each registers its rules
ROOT = Path(__file__).parent.parent / "rules" / "trousers" / "alterations"
BODIES = {  # waist, hip, rise, waist to hip, waist to floor, width of the hem, in mm; our own, from small to large
    "60/84": (600, 840, 255, 195, 980, 200),
    "68/94": (680, 940, 280, 206, 1040, 220),  # the example measures of the drafting rules
    "76/102": (760, 1020, 294, 212, 1040, 230),
    "86/112": (860, 1120, 305, 215, 1040, 240),
    "98/120": (980, 1200, 320, 220, 1060, 250),
    "110/130": (1100, 1300, 335, 225, 1060, 260),
}
MEASURES = ("waist", "hip", "rise", "waist_to_hip", "waist_to_floor", "bottom")
UNITS = {"mm": 1.0, "cm": 10.0, "in": INCH}
ONE_SIDED = ("add-to-one-side", "raise-one-hip")  # by their titles; the others "as seen" on one leg or on both


@cache
def block(body: str) -> Any:
    return fitdiag.drafted(dict(zip(MEASURES, BODIES[body], strict=True)))


@cache
def sheets_of_block(body: str) -> dict[str, Any]:
    return {piece: fitdiag.sheet(block(body), piece) for piece in fitdiag.PIECES}


@cache
def rule_text(alteration: str) -> dict[str, Any]:
    [path] = ROOT.rglob(f"{alteration}.yaml")
    text: dict[str, Any] = plain_yaml(path)
    return text


@cache
def limit(alteration: str) -> float:
    """The most of one round in mm, read from the rule: `2.5 cm`, `5/8 in`, `8 mm`."""
    number, unit = str(rule_text(alteration)["most_a_round"]["amount"]).split()
    over, _, under = number.partition("/")
    return float(over) / float(under or 1) * UNITS[unit]


ALTERATIONS = tuple(sorted(path.stem for path in ROOT.rglob("*.yaml")))


def test_there_is_an_expectation_for_every_alteration() -> None:
    assert set(ALTERATIONS) == set(RULES)


def examine(alteration: str, amount: float, body: str) -> Case:
    """Carry out and hold against the rule."""
    half = "left" if alteration in ONE_SIDED else None
    pattern = fitdiag.altered(block(body), alteration, amount, half)
    case = Case(amount, sheets_of_block(body), {piece: fitdiag.sheet(pattern, piece) for piece in fitdiag.PIECES})
    RULES[alteration](case)
    for pair in case.both:
        pair.sound()
    _numbers_are_the_paper(case, pattern, alteration)
    for text in fitdiag.problems(pattern):
        case.found.append(("fault", 0.0, f"fault: {text}"))
    return case


def _numbers_are_the_paper(case: Case, pattern: Any, alteration: str) -> None:
    """What is printed is what a ruler reads on the outline and the drawn lines."""
    told = fitdiag.printed(pattern)
    for pair in case.both:
        paper = Paper(pair.drawn)
        paper = Paper(pair.drawn, paper.grain_frame())
        read = {
            "inseam": length(paper.seams["inseam"]),
            "outseam": length(paper.seams["side"]),
            "hem": length(paper.seams["hem"]),
            "crotch curve": length(paper.edge),
            "extension": paper.extension(),
            "waist after darts": paper.width("waist"),
            "grain to centre at waist": paper.grain_to_centre(),
            "knee": paper.width("knee"),
        }
        if alteration != "overlap-back-wedge":  # its cut crosses the hip line
            read["hip"] = paper.width("hip")
        if alteration == "take-back-width":  # the grainline meets the waist right at the step that the fold leaves
            del read["grain to centre at waist"]
        for name, value in read.items():
            case.near(f"printed {pair.piece} {name}", told.get(f"{pair.piece} {name}", float("nan")), value)


@pytest.mark.parametrize("alteration", ALTERATIONS)
def test_an_alteration_does_what_its_rule_says(alteration: str) -> None:
    """On every body, by the most of one round and by half of it."""
    hold(
        *(
            (examine(alteration, limit(alteration) * share, body), f"{alteration} by {share} of the most on {body}")
            for body in BODIES
            for share in (0.5, 1.0)
        )
    )


def hold(*cases: tuple[Case, str]) -> None:
    """Fail with everything that was found, in words."""
    if wrong := [f"{head}:\n{case.told()}" for case, head in cases if case.found]:
        pytest.fail("\n".join(wrong), pytrace=False)


@pytest.mark.parametrize("alteration", [name for name in ALTERATIONS if rule_text(name)["operation"]["does"] != "none"])
def test_the_expectations_can_fail(alteration: str) -> None:
    """A pattern that was not altered at all does not pass for an altered one, nor does one altered by half as much again."""
    body, most = "76/102", limit(alteration)
    for carried in (0.0, 1.5 * most):
        pattern = fitdiag.altered(block(body), alteration, carried) if carried else block(body)
        case = Case(most, sheets_of_block(body), {piece: fitdiag.sheet(pattern, piece) for piece in fitdiag.PIECES})
        RULES[alteration](case)
        assert case.found, f"{carried:.1f} mm passes for {most:.1f} mm"


# --- read both ways ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("body", BODIES)
def test_a_leg_can_be_lengthened_and_shortened(body: str) -> None:
    """The titles "lengthen or shorten", "up is shorter, down is longer": what one sign does, the other undoes."""
    leg = examine("change-leg-length", -limit("change-leg-length") / 2, body)
    hold((leg, f"shortened on {body}"))
    moved = []
    for amount in (20.0, -20.0):
        hem = examine("level-hems", amount, body)
        hold((hem, f"hem by {amount:.0f} mm on {body}"))
        moved.append(length(hem.back.now.seams["inseam"]) - length(hem.back.was.seams["inseam"]))
    assert moved[0] == pytest.approx(-moved[1], abs=TOL)


# --- one side -----------------------------------------------------------------------------------------------------------------

AS_SEEN = [
    name
    for name in ALTERATIONS
    if rule_text(name)["sides"] == "as-seen" and rule_text(name)["operation"]["does"] != "none"
]


@pytest.mark.parametrize("alteration", AS_SEEN)
def test_what_is_seen_on_one_side_changes_one_side(alteration: str) -> None:
    """The other half of the wearer's trousers keeps its paper; the altered one is as it would be with both altered."""
    body, amount = "76/102", limit(alteration)
    both = fitdiag.altered(block(body), alteration, amount)
    one = fitdiag.altered(block(body), alteration, amount, half="left")
    wrong = []
    for piece in fitdiag.PIECES:
        kept, block_of = Paper(fitdiag.sheet(one, piece, half="right")), Paper(sheets_of_block(body)[piece])
        taken, as_both = Paper(fitdiag.sheet(one, piece, half="left")), Paper(fitdiag.sheet(both, piece, half="left"))
        wrong += [(f"right {piece} {name}", apart(kept.seams[name], line)) for name, line in block_of.seams.items()]
        wrong.append((f"right {piece} grain", float(np.abs(kept.grain - block_of.grain).max())))
        if alteration not in ONE_SIDED:
            wrong += [(f"left {piece} {name}", apart(taken.seams[name], line)) for name, line in as_both.seams.items()]
    told = "; ".join(f"{what} off by {by:.1f} mm" for what, by in wrong if by > TOL)
    assert not told, told


@pytest.mark.parametrize("body", BODIES)
def test_the_hip_grows_by_twice_the_amount_on_one_side(body: str) -> None:
    """The rule: "the hip grows by twice the amount on that side only", so the whole girth by as much, not by four times."""
    amount = limit("add-to-one-side")
    before = fitdiag.printed(block(body))
    after = fitdiag.printed(fitdiag.altered(block(body), "add-to-one-side", amount, half="left"))
    assert after["hip girth"] - before["hip girth"] == pytest.approx(2 * amount, abs=TOL + 0.04 * amount)
    assert after["waist after darts girth"] == pytest.approx(before["waist after darts girth"], abs=TOL)


# --- there and back -----------------------------------------------------------------------------------------------------------

INVERSES = {  # by the text of both rules: the same place, the same hinge, the other way
    "lengthen-rise": "shorten-rise",
    "add-back-width": "take-back-width",
    "add-hip-width": "take-hip-width",
    "add-front-width": "take-front-width",
    "scoop-back-curve": "fill-back-curve",
    "scoop-front-curve": "fill-front-curve",
    "lengthen-back-extension": "shorten-back-extension",
    "lengthen-front-extension": "shorten-front-extension",
    "raise-centre-back-waist": "lower-centre-back-waist",
    "raise-centre-front-waist": "lower-centre-front-waist",
    "drop-crotch-level": "raise-crotch-level",
    "advance-centre-front": "take-back-centre-front",
    "round-side-curve": "flatten-side-curve",
    "pass-back-down": "pass-back-up",
}
# Not inverse by their texts, though some are named as opposites: tuck-across-back-hip lies 1 in above the cut of
# lengthen-back-crotch; close-leg moves the knee by four fifths, open-leg by half; shorten-back-inseam drops the point straight
# down, lengthen-back-inseam raises it along the seam; take-waist-in works at other seams than let-waist-out; slant- and
# straighten-centre-back both square the waist to the new line.
BOTH_WAYS = {**INVERSES, **{back: there for there, back in INVERSES.items()}}
NEGATIVE = ("change-leg-length", "level-hems")


@pytest.mark.parametrize("seed", range(100))
def test_six_alterations_and_their_inverses_lead_back_to_the_block(seed: int) -> None:
    """Undone in reverse order, everything drawn lies within 0.5 mm of the block: nothing is forgotten on the way."""
    dice = random.Random(seed)
    body = dice.choice(sorted(BODIES))
    pattern, undo = block(body), []
    for name in dice.choices(sorted(BOTH_WAYS) + list(NEGATIVE), k=6):
        back = BOTH_WAYS.get(name)
        most = limit(name) if back is None else min(limit(name), limit(back))
        amount = round(dice.uniform(0.2, 0.8) * most, 2)
        pattern = fitdiag.altered(pattern, name, amount)
        undo.append((back or name, amount if back else -amount))
    done = [f"{name} {amount:.1f}" for name, amount in undo]
    for name, amount in reversed(undo):
        pattern = fitdiag.altered(pattern, name, amount)
    wrong = []
    for piece in fitdiag.PIECES:
        was, now = Paper(sheets_of_block(body)[piece]), Paper(fitdiag.sheet(pattern, piece))
        was, now = (Paper(paper.drawn, paper.grain_frame()) for paper in (was, now))
        lift = float(was.seams["hem"][:, 1].mean() - now.seams["hem"][:, 1].mean())
        up = np.array([0.0, lift])
        seams = ("waist", "side", "hem", "inseam", "curve", "centre")
        wrong += [(f"{piece} {name}", apart(now.line(name) + up, was.line(name))) for name in seams]
        wrong += [(f"{piece} {name} line", apart(now.lines[name] + up, was.lines[name])) for name in was.lines]
        wrong += [
            (f"{piece} dart {i + 1}", float(np.hypot(*(after + up - before).T).max()))
            for i, (after, before) in enumerate(zip(now.darts, was.darts, strict=True))
        ]
    wrong = [(what, by) for what, by in wrong if by > 0.5]
    assert not wrong, f"{body}, undone {', '.join(done)}: " + "; ".join(
        f"{what} off by {by:.2f} mm" for what, by in wrong
    )


# --- the worked sequence --------------------------------------------------------------------------------------------------------


def _grain_by_formula(body: str, thrown: float, tuck: float, overlap: float, hand: float = 100.0) -> list[float]:
    """How far the grainline meets the waist from centre back (mm): on the block, thrown back, tucked, overlapped.

    Three turns about points of the side seam, nothing else. Thrown back: hinge at the hip line. Tuck: hinge 1 in above it.
    Overlap: hinge a hand below the crotch level, the amount measured where the curve begins; what the waist end came down by
    is given back along centre back.
    """
    back = Paper(sheets_of_block(body)["back"])
    side, edge, start = back.seams["side"], back.edge, back.spot("curve-start")
    waist = back.seams["waist"][[0, -1]]
    found = [_along_waist(waist)]
    hinges = (back.level("hip"), back.level("hip") + INCH)
    for height, amount in zip(hinges, (-thrown, tuck), strict=True):
        hinge = np.array([x_at(side, height), height])
        width = hinge[0] - x_at(edge, height)
        motion = rigid(2.0 * np.arcsin(amount / 2.0 / width), hinge, hinge)
        waist, start = motion(waist), motion(start) if start[1] > height else start
        low_side, low_edge = side[side[:, 1] < height], edge[edge[:, 1] < height]
        side = np.vstack([motion(side[side[:, 1] > height]), hinge, low_side])
        edge = np.vstack([low_edge, motion(edge[edge[:, 1] > height])])
        found.append(_along_waist(waist))
    foot = back.level("crotch") - hand
    hinge = np.array([x_at(side, foot), foot])
    motion = rigid(2.0 * np.arcsin(overlap / 2.0 / np.hypot(*(start - hinge))), hinge, hinge)
    turned = motion(waist)
    up = unit(turned[0] - motion(start))
    turned[0] += up * (waist[0, 1] - turned[0, 1]) / up[1]
    return [*found, _along_waist(turned)]


def _along_waist(waist: np.ndarray) -> float:
    """From the centre end of a straight waist along it to the grainline x = 0."""
    return float(-waist[0, 0] / (waist[1, 0] - waist[0, 0]) * np.hypot(*(waist[1] - waist[0])))


@pytest.mark.parametrize("body", ["68/94", "76/102", "86/112"])
def test_the_overlap_brings_the_grainline_as_far_as_practice_counts_on(body: str) -> None:
    """Thrown back, 3/4 in tuck, 1 in overlap: 1.00 in to 2.77 in on the 68/94 block."""
    steps = (("lengthen-back-crotch", 27.6), ("tuck-across-back-hip", 0.75 * INCH), ("overlap-back-wedge", 1.0 * INCH))
    want = _grain_by_formula(body, *(amount for _, amount in steps))
    pattern, got, printed = block(body), [], []
    for name, amount in (("", 0.0), *steps):
        pattern = fitdiag.altered(pattern, name, amount) if name else pattern
        paper = Paper(fitdiag.sheet(pattern, "back"))
        got.append(Paper(paper.drawn, paper.grain_frame()).grain_to_centre())
        printed.append(fitdiag.printed(pattern)["back grain to centre at waist"])
    if body == "68/94":
        assert want[1] / INCH == pytest.approx(1.00, abs=0.01)
        assert want[3] / INCH == pytest.approx(2.77, abs=0.01)
    inches = " ".join(f"{value / INCH:.2f}" for value in got)
    assert got == pytest.approx(want, abs=0.05 * INCH), f"grain to centre back in inches: {inches}"
    assert printed == pytest.approx(got, abs=TOL)


def test_the_formula_holds_on_the_example_of_the_notes() -> None:
    """Plain geometry, anybody can redo it: a back 25 cm wide with 20.6 cm above the cut, 1 cm opened: waist 8.2 mm sideways."""
    hinge, waist = np.array([250.0, 0.0]), np.array([0.0, 206.0])
    moved = rigid(-2.0 * np.arcsin(10.0 / 2.0 / 250.0), hinge, hinge)(waist) - waist
    assert moved == pytest.approx([8.2, 9.8], abs=0.3)


# --- trueing --------------------------------------------------------------------------------------------------------------------

KEPT_BY_TRUEING = ("width change", "corner gap", "grainline", "line off its paper")
TRUED = [name for name in ALTERATIONS if rule_text(name)["operation"]["does"] != "none"]
TRUED_BODIES = ("68/94", "98/120")


@cache
def trued(alteration: str, body: str) -> tuple[Any, Any, list[str]]:
    return fitdiag.trued(block(body), alteration, limit(alteration))


@pytest.mark.parametrize("body", TRUED_BODIES)
@pytest.mark.parametrize("alteration", TRUED)
def test_trueing_takes_away_steps_and_nothing_else(alteration: str, body: str) -> None:
    """Girths within 0.3 mm of the cut paper; what the rule asked for is still there; no step is left; the second time nothing."""
    amount = limit(alteration)
    cut = fitdiag.altered(block(body), alteration, amount, "left" if alteration in ONE_SIDED else None)
    once, twice, _ = trued(alteration, body)
    case = Case(amount, sheets_of_block(body), {piece: fitdiag.sheet(once, piece) for piece in fitdiag.PIECES})
    RULES[alteration](case)
    case.found = [item for item in case.found if any(kind in item[0] for kind in KEPT_BY_TRUEING)]
    for piece in fitdiag.PIECES:
        raw, true, again = (Paper(fitdiag.sheet(pattern, piece)) for pattern in (cut, once, twice))
        for name in ("waist", "hip", "knee", "hem"):
            if (alteration, name) != (
                "take-back-width",
                "waist",
            ):  # the fold left a step there, which trueing is to take off
                case.near(f"{piece} {name} by trueing", true.width(name), raw.width(name))
        for name in ("edge", "side", "inseam"):
            case.between(f"{piece} {name}: sharpest step left, degrees", sharpest(true.line(name)), 0.0, 25.0)
        for name in true.seams:
            case.near(f"{piece} {name} moved by trueing again", apart(true.seams[name], again.seams[name]), 0.0, 0.05)
    hold((case, f"{alteration} by {amount:.1f} mm on {body}, trued"))


def sharpest(line: np.ndarray) -> float:
    """The sharpest turn of a seam, degrees, between the 6 mm before and the 6 mm after a point."""
    track = LineString(line)
    places = np.arange(0.0, track.length, 3.0)
    points = np.array([track.interpolate(place).coords[0] for place in places])
    if len(points) < 5:
        return 0.0
    before, after = points[2:-2] - points[:-4], points[4:] - points[2:-2]
    angles = np.arctan2(cross(before, after), (before * after).sum(axis=1))
    return float(np.degrees(np.abs(angles)).max())


@pytest.mark.parametrize("body", TRUED_BODIES)
@pytest.mark.parametrize("alteration", TRUED)
def test_trued_partners_agree_or_the_difference_is_told(alteration: str, body: str) -> None:
    """Side seams, and inseams, of front and back: within 1 mm of each other, or what is told names the pair and its difference."""
    once, _, told = trued(alteration, body)
    front, back = (Paper(fitdiag.sheet(once, piece)) for piece in fitdiag.PIECES)
    for seam, words in (("side", ("side", "outseam")), ("inseam", ("inseam",))):
        differs = abs(length(back.seams[seam]) - length(front.seams[seam]))
        named = [text for text in told if any(word in text for word in words)]
        numbers = [abs(float(found)) for text in named for found in re.findall(r"[-+]?\d+(?:\.\d+)?", text)]
        assert differs <= 1.0 or any(abs(number - differs) <= 1.0 for number in numbers), (
            f"{seam} seams differ by {differs:.1f} mm; told: {told}"
        )


def report(*chosen: str) -> None:
    """What is not as the rules say, an alteration at a time: how often of twelve, and by how much at the worst."""
    for alteration in chosen or ALTERATIONS:
        worst: dict[str, list[tuple[float, str]]] = {}
        for body in BODIES:
            for share in (0.5, 1.0):
                for what, by, text in examine(alteration, limit(alteration) * share, body).found:
                    plain = re.sub(r"\d+(\.\d+)?", "#", what)
                    worst.setdefault(plain, []).append((by, f"{body} by {limit(alteration) * share:.1f}: {text}"))
        print(f"{alteration}: {'as its rule says' if not worst else ''}")
        for cases in worst.values():
            by, text = max(cases)
            print(f"  {len(cases):2d} of {2 * len(BODIES)}, up to {by:.2f}: {text}")


if __name__ == "__main__":
    report(*sys.argv[1:])
