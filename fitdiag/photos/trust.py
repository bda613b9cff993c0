"""A line with all that its numbers rest on, and how far each can be trusted: refused with a reason if the picture does not
support it, else graded by its error; and what would reduce the largest error."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import cast, get_args

from fitdiag.photos.course import Course, Numbers, Stance
from fitdiag.photos.drawn import ROUND
from fitdiag.photos.marks import Marks
from fitdiag.photos.readings import Line, Measured, Reading, Source, Unit, Word, called
from fitdiag.photos.setting import Setting
from fitdiag.photos.snap import Edge
from fitdiag.photos.trousers import BORDER_WAVES, CROTCH, FORK_SLOPE, HIP

# Largest standard deviation of a good number; of any number; largest value possible on a body. In mm or degrees.
GOOD = {"tilt": 0.3, "drop": 2.25, "v depth": 1.6, "v angle": 1.5, "fall": 2.5, "dip": 2.5}
# A V counts from 5 degrees on, so its error may be half of that.
LARGEST = {"tilt": 1.6, "drop": 8.0, "v depth": 4.8, "v angle": 2.5, "fall": 8.0, "dip": 8.0}
NO_BODY = {"tilt": 12.0, "drop": 70.0, "v depth": 60.0, "v angle": 45.0, "fall": 70.0, "dip": 70.0}
STEEPEST, STEEPEST_AT_CROTCH, STEEPEST_AT_KNEE = 18.0, 8.0, 12.0  # degrees
STEEPEST_V = 9.0
BLAMED: Mapping[Source, str] = {
    "level": "the plumb lines do not fix the level well enough; two long ones, near the left and right border, are best",
    "crop": "the picture is cropped, so where the lens pointed is not known; ask for the uncut file",
    "focal length": "the focal length is not known for sure, so neither is the height of the lens over the line",
    "distance": "the distance of the lens is not known well enough",
    "edges": "a side edge cannot be seen clearly",
    "seam": "the centre seam cannot be seen clearly",
    "depth": "the lens is off the line's height and the body's depth is not known; add a side picture",
    "folds": "the cloth lies in folds there",
    "": "",
}
LEAST_GAIN = 0.75  # of the error: advice that gains less is not given
DO: Mapping[Source, str] = {
    "level": "have two long upright things in view, a door frame or a hanging string, near the left and the right border",
    "crop": "send the picture as the telephone made it, uncut",
    "focal length": "send the picture as the telephone made it, not through a messenger, which takes the focal length out",
    "distance": "hang a sheet of paper beside the hip, in line with the side seams",
    "edges": "cross the arms in front, and stand before a plain wall of another colour",
    "seam": "draw the centre seam over with the pen",
}


@dataclass(frozen=True, eq=False)
class Seen:
    """A balance line with all that its numbers rest on; `others`: the numbers with one input moved by its standard deviation."""

    name: str
    marks: Marks
    setting: Setting
    course: Course
    stance: Stance
    numbers: Numbers
    others: tuple[tuple[Source, Numbers], ...]
    edges: tuple[Edge, Edge]
    depth_error: float  # mm
    seam_error: float  # px
    depression: float  # degrees by which the lens looks down at the line
    depth_known: bool
    fork: bool  # the legs part right under the line

    @property
    def line(self) -> Line:
        """The line as it is reported."""
        left, right = (edge.place for edge in self.edges)
        half = self.numbers.section.half if self.setting.distance else None
        return Line(self.course.track, left, right, self.depression, half, self.stance.depth)

    @property
    def hidden(self) -> bool:
        """Whether one of its ends is hidden."""
        return bool(self.marks.hides(self.name)) or any(edge.covered_from is not None for edge in self.edges)

    @property
    def in_fork(self) -> bool:
        """Whether the middle of the line lies in the fork: the legs part under it, or it runs up into it."""
        return self.fork or (self.name == CROTCH and min(self.numbers.slopes) < FORK_SLOPE)

    @property
    def waves(self) -> float:
        """Folds along the line, mm."""
        return BORDER_WAVES if self.course.track.border else ROUND[self.name].waves

    @property
    def looks_down(self) -> float:
        """Tangent of the angle at which the lens looks down at the line; negative if it looks up."""
        return math.tan(math.radians(self.depression))

    @property
    def rise(self) -> float:
        """The absolute value of `looks_down`."""
        return abs(self.looks_down)

    def parts(self, of: Callable[[Numbers], float], **more: float) -> dict[Source, float]:
        """Return the error of a number by source; `more`: further parts by source."""
        value = of(self.numbers)
        found: dict[Source, float] = dict.fromkeys(get_args(Source), 0.0)
        moved = [(source, of(other) - value) for source, other in self.others]
        for source, part in (*moved, *((cast("Source", key), part) for key, part in more.items())):
            found[source] = math.hypot(found[source], part)
        return found


def refused(line: str, what: str, unit: Unit, raw: float | None, reason: str) -> Reading:
    """Return a reading without a number, with the reason."""
    return Reading(line, what, unit, raw, None, None, "don't use", reason)


def graded(
    seen: Seen, what: str, unit: Unit, value: float, parts: Mapping[Source, float], *, raw: float | None = None,
    reason: str = "",
) -> Reading:  # fmt: skip
    """Return a number with its error and grade, or refuse it with the reason; `parts`: the error by source."""
    kind = " ".join(what.split()[:2]) if what.startswith("v") else what.split(maxsplit=1)[0]
    error = math.hypot(*parts.values())
    most = max(parts, key=lambda source: parts[source])
    raw = raw if unit == "deg" or seen.setting.distance is not None else None
    if not (math.isfinite(value) and math.isfinite(error)):
        return refused(seen.name, what, unit, None, "these marks fit no body; look at them again")
    why = _impossible(seen, kind)
    if not why and abs(value) > NO_BODY[kind] + 2 * error:
        why = f"{abs(value):.0f} {'mm' if unit == 'mm' else 'degrees'} is more than any body shows; look at the marks again"
    if not why and error > LARGEST[kind]:
        why = BLAMED[most]
        if most == "depth":
            why = f"{_too_steep(seen)}, and the body's depth is not known so well"
    if why:
        return refused(seen.name, what, unit, raw, why)
    word: Word = "good" if error <= GOOD[kind] and not seen.hidden else "fair"
    if not reason and word == "fair":
        reason = "a side edge is hidden" if seen.hidden else BLAMED[most].split(";")[0]
        if most == "depth" and not seen.hidden:
            reason = _too_steep(seen) + ("" if seen.depth_known else ", and the body's depth is only guessed")
    without = math.sqrt(max(error**2 - parts[most] ** 2, 0.0))
    return Reading(seen.name, what, unit, raw, value, error, word, reason, most, without=without)


def _impossible(seen: Seen, kind: str) -> str:
    """Why this line gives no number of this kind; empty if it may."""
    track, in_fork = seen.course.track, kind in ("drop", "v depth", "v angle") and seen.in_fork
    most = STEEPEST_AT_CROTCH if seen.name == CROTCH and kind in ("drop", "dip") else STEEPEST
    if kind.startswith("v"):
        most = STEEPEST_V
    elif seen.name not in ROUND:
        most = STEEPEST_AT_KNEE
    against = (
        (
            track.onto,
            f"followed from its points it runs onto the {called(track.onto).lower()}; set more points along it",
        ),
        (not track.clear and in_fork, "the line breaks where the legs part"),
        (not track.clear, "the line is too faint, broken or thin to be followed; draw it solid, 2 to 3 mm wide"),
        (not seen.setting.pose.levelled, "without two plumb lines the picture cannot be levelled"),
        (kind not in ("tilt", "v angle") and seen.setting.distance is None, "nothing of known size is marked"),
        (kind in ("drop", "dip") and seen.hidden, "a side edge is hidden"),
        (
            track.border and kind in ("drop", "fall"),
            "the top edge folds over and hides behind the body; draw a waistline under it, or measure it on the client",
        ),
        (in_fork, "the legs part right under the line, so its middle lies in the fork"),
        (abs(seen.depression) > most, _too_steep(seen)),
    )
    return next((why for holds, why in against if holds), "")


def _too_steep(seen: Seen) -> str:
    """Text for the lens's angle to the line."""
    where = "above" if seen.depression > 0 else "below"
    return f"the lens looks {abs(seen.depression):.0f} degrees from {where} the line's height"


def next_time(found: Measured) -> tuple[str, Reading] | None:
    """Return what to change in the client's next pictures, and the reading it would improve (`without`: its error then); None if
    nothing gains much."""
    readings = [reading for reading in found.readings if reading.value is not None and reading.what in ("drop", "tilt")]
    readings.sort(key=lambda reading: (reading.line != HIP, reading.what != "drop"))
    for reading in readings:
        if reading.error is None or reading.without is None or reading.without > LEAST_GAIN * reading.error:
            continue
        if reading.most in DO:
            return DO[reading.most], reading
        line = found.lines.get(reading.line)
        if reading.most == "depth" and line is not None and found.distance_mm:
            off = math.tan(math.radians(line.depression_deg)) * found.distance_mm / 10
            return f"hold the lens {abs(off):.0f} cm {'lower' if off > 0 else 'higher'}, at the line's height", reading
    return None
