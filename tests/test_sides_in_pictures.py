"""What a picture shows on its left or right is on the wearer's side in the finding and in the plan, from the front and the back."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.photos.marks import Marks, View
from fitdiag.photos.measure import together
from fitdiag.photos.overlay import number_text
from fitdiag.photos.readings import Line, Measured, Reading
from fitdiag.photos.snap import Track
from fitdiag.sessions.from_photos import findings_from
from fitdiag.sessions.state import conclude

HALF_MM = 180.0
# whose hand is where: a wearer seen from behind has the left one on the left of the picture, from the front on its right
ON_THE_PICTURES_RIGHT = {"back": "right", "front": "left"}
OTHER = {"left": "right", "right": "left"}


@cache
def rules(garment: str) -> RuleBase:
    return load_rules(rules_for(garment))


def found_in(base: RuleBase, view: View, *readings: Reading) -> dict[str, Finding]:
    """The findings from one picture with these readings, by sign."""
    nothing = Track(np.zeros((2, 2)), 0.0, 1.0)
    lines = {
        one.line: Line(nothing, (0.0, 0.0), (1.0, 0.0), 0.0, HALF_MM, 240.0) for one in readings if one.what == "tilt"
    }
    picture = Measured(Marks("a.jpg", "0" * 64, 1000, 1500, view), readings, lines, {}, None, (), (), None)
    return {one.symptom: one for one in findings_from(base, together([picture]), [picture])}


@pytest.mark.parametrize("garment", ["trousers", "skirt"])
@pytest.mark.parametrize("view", ["back", "front"])
@pytest.mark.parametrize("up", ["left", "right"])
def test_the_side_that_is_higher_in_the_picture_is_raised_on_the_wearer(garment: str, view: View, up: str) -> None:
    """A hip line 25 mm higher at one end; a tilt is above 0 where the picture's right end is higher."""
    base = rules(garment)
    degrees = math.degrees(math.atan(25.0 / (2 * HALF_MM))) * (1 if up == "right" else -1)
    found = found_in(base, view, Reading("hip", "tilt", "deg", None, degrees, 0.2, "good", ""))
    sign = found["hip-line-higher-on-one-side"]
    words = number_text("tilt", degrees, "deg", view, "cm")
    assert words == f"{abs(degrees):.1f} degrees, {sign.side} higher"
    wearers = ON_THE_PICTURES_RIGHT[view] if up == "right" else OTHER[ON_THE_PICTURES_RIGHT[view]]
    assert (sign.seen, sign.side, sign.amount_mm) == ("yes", wearers, pytest.approx(25.0, abs=1.0))
    plan = conclude(base, Findings(units="cm").with_finding(sign)).plan
    assert (plan.recommendations[0].alteration, plan.recommendations[0].where) == ("raise-one-hip", wearers)


@pytest.mark.parametrize("view", ["back", "front"])
@pytest.mark.parametrize("leg", ["left", "right"])
@pytest.mark.parametrize("out_mm", [30.0, -30.0])
def test_a_grainline_leans_out_where_its_lower_end_is_farther_from_the_middle(
    view: View, leg: str, out_mm: float
) -> None:
    """Places across the picture in mm, its right above 0, over 60 cm of grainline."""
    at = 90.0 if ON_THE_PICTURES_RIGHT[view] == leg else -90.0
    bottom = at + (out_mm if at > 0 else -out_mm)
    lean = math.degrees(math.atan((at - bottom) / 600.0))  # above 0 where the top is to the right
    found = found_in(rules("trousers"), view, Reading(f"grain-{leg}", "lean", "deg", None, lean, 0.1, "good", ""))
    way = "out" if abs(bottom) > abs(at) else "in"
    sign = found[f"{view}-grain-leans-{way}"]
    assert (sign.seen, sign.amount_mm) == ("yes", pytest.approx(30.0, abs=0.5))
    other = found.get(f"{view}-grain-leans-{'in' if way == 'out' else 'out'}")
    assert other is None or other.seen == "no"


@pytest.mark.parametrize("view", ["back", "front"])
def test_a_dip_on_the_pictures_left_is_on_the_wearers_side(view: View) -> None:
    """The crotch line drops to the crease on one leg only: 12 mm on the picture's left, nothing on its right."""
    readings = (
        Reading("crotch", f"dip {picture}", "mm", None, mm, 1.0, "good", "")
        for picture, mm in (("left", 12.0), ("right", 0.0))
    )
    sign = found_in(rules("trousers"), view, *readings)[
        "crotch-line-drops-behind" if view == "back" else "crotch-line-drops-in-front"
    ]
    shown = OTHER[ON_THE_PICTURES_RIGHT[view]]
    assert sign.side == shown
    assert {"left": sign.left_mm, "right": sign.right_mm} == {shown: 12.0, OTHER[shown]: 0.0}


@pytest.mark.parametrize(("view", "nose"), [("left", "left"), ("right", "right")])
def test_from_the_side_a_tilt_names_the_front_or_the_back(view: View, nose: str) -> None:
    """Who is seen from the left looks to the left of the picture; a tilt is above 0 where the picture's right end is higher."""
    at_right = "front" if nose == "right" else "back"
    assert number_text("tilt", 2.0, "deg", view, "cm") == f"2.0 degrees, {at_right} higher"
