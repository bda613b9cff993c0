"""The wearer's figure: measures and changes of shape in mm; what is not measured comes from published proportions, with source."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from fitdiag.problems import Problem, ProblemsFoundError, stop
from fitdiag.units import Units, format_reading

GIRTHS_FROM = "507 measured people (Heinz, Peterson, Johnson and Kerk 2003, J. Statistics Education 11(2))"
HEIGHTS_FROM = "size steps of a metric textbook block, from memory"
SEATED_MORE_MM = 14.0  # crotch depth is measured seated; standing it is this much less; a judgement, no source


@dataclass(frozen=True)
class Figure:
    """Girths, heights and depths in mm; `crotch_depth`: standing, from the waist down to the body.

    `seat_out`, `abdomen_out`: how far the fullest point stands out beyond a plumb line from the waist; None if left to the
    girths. Changes of shape are 0 on the model; the one-sided ones (`hip_higher`, `hip_fuller`, `leg_longer`) are + on the right.
    """

    waist: float = 680.0
    hip: float = 940.0
    waist_height: float = 1040.0
    waist_to_hip: float = 206.0
    crotch_depth: float = 266.0
    knee_height: float = 470.0
    thigh: float = 525.9
    knee: float = 358.2
    calf: float = 358.2
    ankle: float = 229.4
    seat_out: float | None = None
    abdomen_out: float | None = None
    seat_level: float = 0.0
    abdomen_level: float = 0.0
    hollow: float = 0.0
    front_thigh: float = 0.0
    back_thigh: float = 0.0
    inner_thigh: float = 0.0
    deeper: float = 0.0
    outer_thigh: float = 0.0
    knees_apart: float = 0.0
    knees_back: float = 0.0
    feet_apart: float = 0.0
    hips_forward: float = 0.0
    waist_lower_in_front: float = 0.0
    hip_higher: float = 0.0
    hip_fuller: float = 0.0
    leg_longer: float = 0.0

    @property
    def lopsided(self) -> bool:
        """Whether its halves differ, so that mirroring one half will not do."""
        return bool(self.hip_higher or self.hip_fuller or self.leg_longer)


BASE = Figure()
PARTS: Mapping[str, tuple[str, float]] = {  # what a body note may change: the field, and the sign of the change
    "seat-out": ("seat_out", 1), "seat-lower": ("seat_level", -1), "seat-higher": ("seat_level", 1),
    "abdomen-out": ("abdomen_out", 1), "abdomen-lower": ("abdomen_level", -1), "abdomen-higher": ("abdomen_level", 1),
    "crotch-lower": ("crotch_depth", 1), "crotch-higher": ("crotch_depth", -1), "hollow-back": ("hollow", 1),
    "hips-forward": ("hips_forward", 1), "waist-lower-in-front": ("waist_lower_in_front", 1), "deeper": ("deeper", 1),
    "flatter": ("deeper", -1), "front-thigh-fuller": ("front_thigh", 1), "back-thigh-fuller": ("back_thigh", 1),
    "inner-thigh-fuller": ("inner_thigh", 1), "inner-thigh-slimmer": ("inner_thigh", -1), "outer-thigh-fuller": ("outer_thigh", 1),
    "calf-fuller": ("calf", 1), "calf-slimmer": ("calf", -1), "knees-apart": ("knees_apart", 1), "knees-closer": ("knees_apart", -1),
    "knees-back": ("knees_back", 1), "knees-forward": ("knees_back", -1), "feet-apart": ("feet_apart", 1),
    "feet-together": ("feet_apart", -1), "hip-higher": ("hip_higher", 1), "hip-fuller": ("hip_fuller", 1),
    "leg-longer": ("leg_longer", 1),
}  # fmt: skip
ONE_SIDED = ("hip-higher", "hip-fuller", "leg-longer")
_WHOLE = ("seat_out", "abdomen_out")  # these are set; all other fields are added to
_LIKELY = {  # measure: least and most in mm, the range this model was tried on
    "waist": (500, 1400), "hip": (700, 1600), "thigh": (380, 1000), "knee": (270, 650), "calf": (240, 600), "ankle": (170, 400),
    "waist-height": (750, 1250), "waist-to-hip": (120, 320), "crotch-depth": (180, 420), "knee-height": (330, 600),
    "seat-out": (0, 150), "abdomen-out": (0, 200),
}  # fmt: skip
MEASURES = tuple(_LIKELY)
MOST_MOVED_MM = 80.0  # for one change of shape
_SPAN = 2.0  # waist over hip, or hip over waist, is never this large; a judgement, no source


@dataclass(frozen=True)
class Taken:
    """One number of a figure and its source."""

    name: str
    mm: float
    source: str


def figure_of(
    measures: Mapping[str, float], changes: Mapping[str, tuple[float, str]], units: Units = "cm"
) -> tuple[Figure, tuple[Taken, ...]]:
    """Build a figure from measures (names of MEASURES, mm) and changes of shape (names of PARTS: mm, and the source).

    `crotch-depth` is the seated one; a one-sided change is negative for the left. A measure takes precedence over a note.
    Raises ProblemsFoundError, in `units`, if no body has these measures.
    """
    known = dict(measures)
    if "hip" not in known:
        raise stop("body", "the body needs at least a hip girth", hint="add --body-measure hip=94cm")
    _refuse(_unlikely(known, units), "check the measure and its unit")
    taken = [Taken(name, mm, "measured") for name, mm in known.items()]
    for name, value, source in _usual(known["hip"], known.get("waist-height")):
        if name not in known:
            known[name] = value
            taken.append(Taken(name, value, source))
    plain = {name.replace("-", "_"): mm for name, mm in known.items()}
    figure = Figure(**{**plain, "crotch_depth": known["crotch-depth"] - SEATED_MORE_MM})
    for part, (mm, source) in changes.items():
        name, sign = PARTS[part]
        if abs(mm) > MOST_MOVED_MM and name not in _WHOLE:
            message = f"{part.replace('-', ' ')} by {format_reading(abs(mm), units)} is more than a body shows"
            raise stop("body", message)
        if name.replace("_", "-") not in measures:
            figure = replace(figure, **{name: sign * mm + (0.0 if name in _WHOLE else getattr(figure, name))})
            taken.append(Taken(part, mm, source))
    _refuse(_impossible(figure, units), "check these measures")
    return figure, tuple(taken)


def _usual(hip: float, waist_height: float | None) -> Iterator[tuple[str, float, str]]:
    """Yield the usual measures of a body with this hip girth: name, mm, source."""
    for name, at_base, power in (
        ("waist", BASE.waist, 1.18), ("thigh", BASE.thigh, 0.93), ("knee", BASE.knee, 0.77), ("calf", BASE.calf, 0.77),
        ("ankle", BASE.ankle, 0.71),
    ):  # fmt: skip
        yield name, at_base * (hip / BASE.hip) ** power, f"grows with the hip to the power {power:g}: {GIRTHS_FROM}"
    steps = (hip - BASE.hip) / 40.0
    yield "waist-height", BASE.waist_height + 9.6 * steps, HEIGHTS_FROM
    yield "waist-to-hip", BASE.waist_to_hip + 3.0 * steps, HEIGHTS_FROM
    yield "crotch-depth", BASE.crotch_depth + SEATED_MORE_MM + 7.0 * min(steps, 9.0), HEIGHTS_FROM
    knee = (waist_height or BASE.waist_height + 9.6 * steps) * BASE.knee_height / BASE.waist_height
    yield "knee-height", knee, "the model's share of the waist height"


def _refuse(messages: Iterable[str], hint: str) -> None:
    if problems := [Problem("body", message, None, hint) for message in messages]:
        raise ProblemsFoundError(problems)


def _unlikely(measures: Mapping[str, float], units: Units) -> Iterator[str]:
    """Yield a message for each measure out of its plausible range."""
    for name, mm in measures.items():
        if not _LIKELY[name][0] <= mm <= _LIKELY[name][1]:
            shown, least, most = (format_reading(value, units) for value in (mm, *_LIKELY[name]))
            yield f"a {name.replace('-', ' ')} of {shown} is outside {least} to {most}"


def _impossible(figure: Figure, units: Units) -> Iterator[str]:
    """Yield a message for each pair of measures that cannot belong to one body."""

    def reading(mm: float) -> str:
        return format_reading(mm, units)

    crotch = figure.waist_height - figure.crotch_depth
    waist, hip, thigh, knee = (reading(mm) for mm in (figure.waist, figure.hip, figure.thigh, figure.knee))
    below, hip_line = reading(figure.crotch_depth), reading(figure.waist_to_hip)
    likely = {
        f"a waist of {waist} and a hip of {hip} do not go together": 1 / _SPAN < figure.waist / figure.hip < _SPAN * 0.75,
        f"the crotch ({below} below the waist, standing) lies above or at the hip line ({hip_line} below it)":
            figure.crotch_depth >= figure.waist_to_hip + 20.0,
        f"the crotch ({reading(crotch)} above the floor) lies at or below the knee ({reading(figure.knee_height)})":
            crotch >= figure.knee_height + 120.0,
        f"a thigh of {thigh} does not belong to a hip of {hip}": 0.35 < figure.thigh / figure.hip < 0.8,
        f"a knee of {knee} does not belong to a thigh of {thigh}": 0.45 < figure.knee / figure.thigh < 1.0,
    }  # fmt: skip
    yield from (message for message, holds in likely.items() if not holds)
