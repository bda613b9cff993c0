"""Plausibility checks shared by every kind of input: the interview, files, marks on a picture, forms and mail.

Each function returns why a value is implausible, in words, or an empty string. Whether it is then refused, left out or asked
about is up to the caller. Bounds are wide: they catch a slip of the finger or of the unit, never an unusual body.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import dist

from fitdiag.units import Units, format_length

FAR = 4.0  # times the largest usual amount: a slip is likelier than such an amount; a fitter's judgement
LINES_FROM_THE_TOP = ("waist", "hip", "crotch", "knee", "hem")
_NO_LINE_PX = 5.0  # points closer than this are one point

# mm, from a small child to far above the largest size of EN 13402-3 (hip 72 to 152 cm); from memory, wide on purpose
BODY_MM: Mapping[str, tuple[float, float]] = {
    "waist": (350, 2200), "abdomen": (350, 2400), "high-hip": (400, 2400), "hip": (400, 2500), "thigh": (200, 1400),
    "knee": (150, 1000), "calf": (120, 900), "crotch-depth": (100, 600), "total-crotch-length": (300, 1800),
}  # fmt: skip


def doubt_of_sign(most_mm: float, mm: float) -> str:
    """Why an amount of a sign (mm) is implausible, given the most its rule allows; empty if it is plausible."""
    return "that is far more than this ever shows" if mm > most_mm else ""


def doubt_of_alteration(mm: float, most_a_round_mm: float, units: Units) -> str:
    """Why an amount to alter by (mm) is implausible; empty if it is plausible."""
    if mm <= FAR * most_a_round_mm:
        return ""
    return f"{format_length(mm, units)} is more than four times the {format_length(most_a_round_mm, units)} one round should take"


def doubt_of_body(name: str, mm: float, units: Units) -> str:
    """Why a measure of a body or pattern (mm) is implausible; empty if it is plausible or the name is unknown."""
    least, most = BODY_MM.get(name, (0.0, float("inf")))
    if least <= mm <= most:
        return ""
    limits = f"from {format_length(least, units)} to {format_length(most, units)}"
    return f"{name.replace('-', ' ')}: {format_length(mm, units)} is not a plausible body measure ({limits})"


def doubt_of_line(points: Sequence[tuple[float, float]]) -> str:
    """Why points (px) do not make a line; empty if they do."""
    if len(points) > 1 and max(dist(points[0], point) for point in points) < _NO_LINE_PX:
        return "these points lie in one place and make no line"
    return ""


def doubts_of_order(lines: Mapping[str, Sequence[tuple[float, float]]]) -> dict[str, str]:
    """Marked lines that are out of order from the waist down: name to reason. y (px) grows downwards."""
    heights = [
        (place, name, sum(y for _, y in points) / len(points))
        for name, points in lines.items()
        for place, known in enumerate(LINES_FROM_THE_TOP)
        if points and name.split("-")[0] == known
    ]
    doubts: dict[str, str] = {}
    for place, name, y in heights:
        for other_place, other, other_y in heights:
            if other_place < place and other_y >= y:
                doubts[name] = f"this line lies above the {other.replace('-', ' ')}; were the two exchanged?"
    return doubts
