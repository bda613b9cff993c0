"""What cannot be: said in one place for every door, be it the interview, a file, marks on a picture, a form or the mail it is in.

Each function answers with why something cannot well be meant, in words, or with nothing. Whether it is then refused, left out
or asked back is the door's own affair. Bounds are wide: they catch a slip of the finger or of the unit, never an unusual body.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import dist

from fitdiag.units import Units, format_length

FAR = 4.0  # times the largest usual amount: a slip is likelier than such an amount; a fitter's judgement
LINES_FROM_THE_TOP = ("waist", "hip", "crotch", "knee", "hem")
_NO_LINE_PX = 5.0  # points within so few pixels are one place

# mm, from a small child to far above the largest size of EN 13402-3 (hip 72 to 152 cm); from memory, wide on purpose
BODY_MM: Mapping[str, tuple[float, float]] = {
    "waist": (350, 2200), "abdomen": (350, 2400), "high-hip": (400, 2400), "hip": (400, 2500), "thigh": (200, 1400),
    "knee": (150, 1000), "calf": (120, 900), "crotch-depth": (100, 600), "total-crotch-length": (300, 1800),
}  # fmt: skip


def doubt_of_sign(most_mm: float, mm: float) -> str:
    """Why an amount of a sign, of which a rule knows the most, cannot well be meant; empty if it can."""
    return "that is far more than this ever shows" if mm > most_mm else ""


def doubt_of_alteration(mm: float, most_a_round_mm: float, units: Units) -> str:
    """Why an amount to alter by cannot well be meant; empty if it can."""
    if mm <= FAR * most_a_round_mm:
        return ""
    return f"{format_length(mm, units)} is more than four times the {format_length(most_a_round_mm, units)} one round should take"


def doubt_of_body(name: str, mm: float, units: Units) -> str:
    """Why a measure cannot be a body's, or that of a pattern for one; empty if it can, or if the name is none of these."""
    least, most = BODY_MM.get(name, (0.0, float("inf")))
    if least <= mm <= most:
        return ""
    told = f"from {format_length(least, units)} to {format_length(most, units)}"
    return f"{name.replace('-', ' ')}: {format_length(mm, units)} is no measure of a body ({told})"


def doubt_of_line(points: Sequence[tuple[float, float]]) -> str:
    """Why points (px) are no line; empty if they are one."""
    if len(points) > 1 and max(dist(points[0], point) for point in points) < _NO_LINE_PX:
        return "these points lie in one place and make no line"
    return ""


def doubts_of_order(lines: Mapping[str, Sequence[tuple[float, float]]]) -> dict[str, str]:
    """Lines marked on a body that do not lie from the waist down as they should: by name, why. y (px) grows downwards."""
    heights = [
        (place, name, sum(y for _, y in points) / len(points))
        for name, points in lines.items()
        for place, known in enumerate(LINES_FROM_THE_TOP)
        if points and name.split("-")[0] == known
    ]
    found: dict[str, str] = {}
    for place, name, y in heights:
        for other_place, other, other_y in heights:
            if other_place < place and other_y >= y:
                found[name] = f"this line lies above the {other.replace('-', ' ')}; were the two exchanged?"
    return found
