"""One balance line of a picture: its course put back onto the body, and the numbers read off it with their errors.

Errors are carried through by moving each thing that is not known exactly by its own standard deviation and looking at what becomes
of the result; to these come what no picture shows: how far the body is from half an ellipse, folds, and cloth out of sight.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import cast, get_args

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.body import Known, depth_at
from fitdiag.photos.camera import false_tilt, lens_within
from fitdiag.photos.course import LAST_LENGTH, V_LENGTH, Course, Kind, Numbers, Stance
from fitdiag.photos.drawn import ROUND
from fitdiag.photos.edges import HALF_HEIGHT_MM, Edge, legs_part, side_edge
from fitdiag.photos.marks import Marks, Point, Points
from fitdiag.photos.readings import Line, Reading, Source, called
from fitdiag.photos.section import Section
from fitdiag.photos.setting import Setting
from fitdiag.photos.snap import Track
from fitdiag.photos.trousers import (
    BORDER_WAVES,
    CLEFT_IN_FRONT,
    CROTCH,
    FORK_FOLDS,
    FORK_SLOPE,
    HIP,
    LEG_TURNED,
    OVER_WAISTLINE_MM,
    UNDER_SEAT,
    WAIST,
)
from fitdiag.photos.trust import Doubts, refused, told

Array = NDArray[np.float64]
CLICK_MM = 4.0  # how far from its place a hand sets a point
SEAM_STRAIGHT = 55.0  # mm: over so much a centre seam is nearly straight
SEAM_OFF = 2.4  # mm: how far the centre seam runs off the middle of the body
TURN_UNKNOWN = math.radians(4.0)  # of the body in a side picture
OUTLINE_NEAR, OUTLINE_NEAR_ERROR = 0.25, 30.0  # of the way from the middle to the side seam; mm: what makes the outline
V_DEPTH = 1.0  # mm: how deep a V is where its ends lie on folds
COVERED = 0.6  # degrees
SUREST_DROP = 0.7  # mm: no drop is told with a smaller error; pen, cloth and ends of the line move it by so much
# mm: a leg is no half ellipse, so its line turns out of sight beside its widest place
LEG_ROUND, LEG_ROUND_FROM_THE_SIDE = 0.6, 0.9
ROUNDED = 0.1  # of a V's slope: the pen, the stitches of the seam and a fold in it round its corner
V_SEEN = 5.0  # degrees beside the centre; less is the cloth's own unrest
WIDEST = 1000.0  # mm


@dataclass(frozen=True, eq=False)
class Place:
    """Where on the body a line lies, for grainlines that cross it."""

    section: Section
    course: Course
    stance: Stance
    depth_error: float
    edge_error: float
    seam_error: float


@dataclass(eq=False)
class Found:
    """What one line gave."""

    readings: list[Reading] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    line: Line | None = None
    place: Place | None = None


@dataclass(frozen=True, eq=False)
class _Seen:
    """A line with all that its numbers rest on."""

    name: str
    marks: Marks
    setting: Setting
    doubts: Doubts
    course: Course
    stance: Stance
    numbers: Numbers
    others: tuple[tuple[Source, Numbers], ...]
    edges: tuple[Edge, Edge]
    fork: bool  # the legs part right under the line

    def parts(self, of: Callable[[Numbers], float], **more: float) -> dict[Source, float]:
        """The error of a number by where it comes from; `more`: further parts, by their source."""
        found: dict[Source, float] = dict.fromkeys(get_args(Source), 0.0)
        value = of(self.numbers)
        for source, other in self.others:
            found[source] = math.hypot(found[source], of(other) - value)
        for key, part in more.items():
            found[cast("Source", key)] = math.hypot(found[cast("Source", key)], part)
        return found

    @property
    def in_fork(self) -> bool:
        """Whether the middle of the line lies in the fork: the legs part under it, or it runs up into it."""
        return self.fork or (self.name == CROTCH and min(self.numbers.slopes) < FORK_SLOPE)

    @property
    def waves(self) -> float:
        """Folds along the line, mm."""
        return BORDER_WAVES if self.course.track.border else ROUND[self.name].waves

    @property
    def rise(self) -> float:
        """Tangent of the angle by which the lens looks down (or up) at the line; never negative."""
        return abs(math.tan(math.radians(self.doubts.depression)))


def read_line(
    pixels: NDArray[np.uint8], marks: Marks, where: Setting, known: Known, seam: Track | None, name: str, track: Track
) -> Found:
    """Everything one balance line tells."""
    found = Found()
    points = marks.lines[name]
    hidden = tuple(side for side in ("left", "right") if f"{name}:{side}" in marks.hidden)
    above = HALF_HEIGHT_MM if name != WAIST else 0.0 if track.border else OVER_WAISTLINE_MM
    left, right = (
        Edge(points[-1 if last else 0], CLICK_MM * where.scale)
        if side in hidden
        else side_edge(pixels, track, where.scale, last=last, above_mm=above)
        for side, last in (("left", False), ("right", True))
    )
    edges = left, right
    middle, seam_error = seam_at(points, seam, where.scale)
    rays = where.camera.rays(np.array([edges[0].place, middle, edges[1].place]))
    span = float(rays[2, 0] - rays[0, 0])
    if span <= 0.01:
        why = "the side edges lie too close together, or the line was not marked from left to right"
        found.readings.append(refused(name, "tilt", "deg", None, why))
        return found
    half = span / 2 * where.away
    depth, depth_error = depth_at(marks, known, name, half)
    if max(depth, half if where.distance else 0.0) > min(WIDEST, where.away / 2) or (where.distance and half < 10.0):
        why = f"by its marks the body would be {half / 5:.0f} cm wide and {depth / 5:.0f} cm deep; look at marks and sizes"
        found.readings.append(refused(name, "tilt", "deg", None, why))
        return found
    kind: Kind = "leg" if name not in ROUND else "side" if marks.seen_from_the_side else "trunk"
    course = Course(track, edges[0].place, middle, edges[1].place, kind)
    stance = Stance(where.camera, where.away, edges[0].place[0], edges[1].place[0], middle[0], depth)
    numbers = course.numbers(stance)
    depression = -math.degrees(math.atan(float(np.mean(rays[[0, 2], 1]))))
    known_depth = name in marks.depths_mm or name in (known.deep or {}) or (name == HIP and bool(known.hip_girth))
    doubts = Doubts(name, where, track, hidden, depression, known_depth or name not in ROUND)
    others = _others(course, stance, where, edges, seam_error, depth_error)
    fork = name == CROTCH and kind == "trunk" and legs_part(pixels, middle, where.scale)
    seen = _Seen(name, marks, where, doubts, course, stance, numbers, others, edges, fork)
    _READ[kind](seen, found)
    _keep(seen, found, depth, (depth_error, max(edge.error for edge in edges), seam_error))
    return found


def seam_at(points: Points, seam: Track | None, scale: float) -> tuple[Point, float]:
    """Where the centre seam crosses a line: px and error."""
    middle = points[len(points) // 2]
    if seam is not None and seam.clear and seam.pixels[0, 1] - 40 <= middle[1] <= seam.pixels[-1, 1] + 40:
        at, off = straight_at(seam.pixels, middle[1], SEAM_STRAIGHT * scale)
        return (at, middle[1]), math.hypot(1.0, off)
    return middle, CLICK_MM * scale


def straight_at(pixels: Array, row: float, reach: float) -> tuple[float, float]:
    """Where an upright course (N, 2 px) that is straight within `reach` px crosses a row, and how far it strays there, px: the line of
    Theil and Sen, since at its end a course may run off to another line."""
    x, y = pixels.T
    near = np.abs(y - row) < max(reach, 1.5 * float(np.abs(y - row).min()))
    x, below = x[near][::2], y[near][::2] - row
    first, last = np.triu_indices(len(x), 1)
    slope = float(np.median((x[last] - x[first]) / (below[last] - below[first] + 1e-9)))
    at = float(np.median(x - slope * below))
    return at, float(np.median(np.abs(x - at - slope * below)))


def _others(
    course: Course, stance: Stance, where: Setting, edges: tuple[Edge, Edge], seam_error: float, depth_error: float
) -> tuple[tuple[Source, Numbers], ...]:
    """The numbers with each thing that is not known exactly moved by one standard deviation."""
    cameras = where.pose.others
    moved: list[tuple[Source, Stance]] = []
    for index, camera in enumerate(cameras):
        source: Source = "focal length" if where.pose.levelled and index == len(cameras) - 2 else "level"
        moved.append((source, replace(stance, camera=camera)))
    moved += [
        ("distance", replace(stance, distance=stance.distance * (1 + where.distance_error))),
        ("edges", replace(stance, left=stance.left + edges[0].error)),
        ("edges", replace(stance, right=stance.right + edges[1].error)),
        ("depth", replace(stance, depth=stance.depth + depth_error)),
    ]
    if course.kind == "trunk":
        moved.append(("seam", replace(stance, seam=stance.seam + math.hypot(seam_error, SEAM_OFF * where.scale))))
    return tuple((source, course.numbers(other)) for source, other in moved)


def _tilt(seen: _Seen, found: Found, value: float, parts: dict[Source, float]) -> None:
    left, right = (edge.place for edge in seen.edges)
    raw = -math.degrees(math.atan2(right[1] - left[1], right[0] - left[0]))
    found.readings.append(told(seen.doubts, "tilt", "deg", raw, value, parts))


def _trunk(seen: _Seen, found: Found) -> None:
    """Tilt, drop and V of a line round the trunk, seen from the front or the back."""
    name, numbers = seen.name, seen.numbers
    steep, uneven = math.hypot(*numbers.steep), abs(numbers.steep[0] - numbers.steep[1])
    across = 2 * numbers.section.half
    tilt = {
        "depth": math.degrees(seen.rise * ROUND[name].lopsided / numbers.section.half),
        "folds": math.degrees(math.hypot(seen.waves / 3, 1.1 * numbers.unrest, 0.1 * uneven) / across),
        "edges": COVERED if seen.doubts.hidden else 0.0,
    }
    _tilt(seen, found, numbers.tilt, seen.parts(lambda n: n.tilt, **tilt))
    _drop(seen, found, math.hypot(SUREST_DROP, 0.75 * seen.waves + 0.4 * numbers.unrest + 0.026 * steep))
    if (cleft := ROUND[name].cleft) is not None and seen.course.track.clear:
        _v(seen, found, cleft)


def _drop(seen: _Seen, found: Found, folds: float) -> None:
    """Height at the side edges less height at the centre."""
    name, numbers, stance = seen.name, seen.numbers, seen.stance
    behind, behind_error = ROUND[name].behind
    hollow = math.tan(math.radians(seen.doubts.depression)) * behind  # from above what lies behind looks higher
    more = {
        "depth": seen.rise * behind_error,
        "folds": math.hypot(folds, FORK_FOLDS if name == CROTCH else 0.0),
        "edges": 4.0 if seen.doubts.hidden else 0.0,
    }
    parts = seen.parts(lambda n: n.drop, **more)
    left, right = (edge.place for edge in seen.edges)
    middle = float(np.interp(stance.seam, seen.course.track.pixels[:, 0], seen.course.track.pixels[:, 1]))
    raw = (middle - (left[1] + right[1]) / 2) / seen.setting.camera.focal * stance.distance
    # deeper in the middle than assumed: from above the middle is higher than it was taken for
    deeper = math.copysign(parts["depth"], seen.doubts.depression)
    reading = told(seen.doubts, "drop", "mm", raw, numbers.drop + hollow, parts, fork=seen.in_fork)
    found.readings.append(replace(reading, by_depth=-deeper))
    if name == CROTCH:
        for index, side in enumerate(("left", "right")):
            parts = seen.parts(lambda n, i=index: n.dips[i], **more)  # type: ignore[misc]
            found.readings.append(told(seen.doubts, f"dip {side}", "mm", None, numbers.dips[index], parts))


def _v(seen: _Seen, found: Found, cleft: tuple[float, float]) -> None:
    """The V at the centre seam: the slope of the line over 3 cm to each side of it, and how far it drops over the last 6."""
    numbers = seen.numbers
    behind, behind_error = cleft
    behind *= CLEFT_IN_FRONT if seen.marks.view == "front" else 1.0
    # a centre that lies behind the cloth beside it looks higher from above, and so flattens a V
    hollow = math.tan(math.radians(seen.doubts.depression)) * behind
    unrest = seen.waves / 5 + 0.5 * numbers.beside
    if seen.name == CROTCH:  # over the fork the line may turn under anywhere, so its whole unrest counts
        unrest = seen.waves / 2 + 1.6 * numbers.unrest
    values = [math.degrees(math.atan(math.tan(math.radians(slope)) + hollow / V_LENGTH)) for slope in numbers.slopes]
    mean = sum(values) / 2
    parts = seen.parts(lambda n: n.slopes[0], depth=math.degrees(seen.rise * behind_error / V_LENGTH),
                       folds=math.hypot(math.degrees(unrest / V_LENGTH), ROUNDED * mean))  # fmt: skip
    error = math.sqrt(sum(part**2 for part in parts.values()))
    reason = "no V to be seen"
    if abs(mean) > max(V_SEEN, 2 * error):
        rest = " and ".join(f"{angle:.0f}" for angle in numbers.rests)
        reason = f"a V that points {'down' if mean > 0 else 'up'}; farther out the line rises by {rest} degrees"

    def drops(other: Numbers) -> float:
        return LAST_LENGTH * sum(math.tan(math.radians(slope)) for slope in other.lasts) / 2

    wavy = math.hypot(V_DEPTH, 0.4 * seen.waves + 1.3 * numbers.unrest)
    deep = seen.parts(drops, depth=seen.rise * behind_error, folds=wavy)
    value = drops(numbers) + hollow
    found.readings.append(told(seen.doubts, "v depth", "mm", None, value, deep, fork=seen.in_fork, reason=reason))
    for side, angle in zip(("left", "right"), values, strict=True):
        found.readings.append(told(seen.doubts, f"v angle {side}", "deg", None, angle, parts, fork=seen.in_fork))


def _side(seen: _Seen, found: Found) -> None:
    """A line seen from the side: its tilt from outline to outline, and how far it falls from the side seam to the back one."""
    numbers = seen.numbers
    unseen = 1.0 + seen.waves + 0.05 * math.hypot(*numbers.steep) + numbers.unrest
    unseen += UNDER_SEAT if seen.name == CROTCH else 0.0
    turned = math.degrees(seen.rise * math.tan(TURN_UNKNOWN))
    folds = math.degrees(1.85 * unseen / (2 * numbers.section.half))
    _tilt(seen, found, numbers.tilt, seen.parts(lambda n: n.tilt, depth=turned, folds=folds))
    back = 0 if seen.marks.view == "right" else 1  # the wearer's left side seen: the back is to the right

    near = OUTLINE_NEAR * seen.stance.depth / seen.stance.distance

    def fall(other: Numbers) -> float:
        return other.ends[back] * (1 - near) - other.centre

    parts = seen.parts(fall, depth=seen.rise * OUTLINE_NEAR_ERROR, folds=unseen)
    raw_ends = seen.edges[back].place[1]
    middle = float(np.interp(seen.stance.seam, seen.course.track.pixels[:, 0], seen.course.track.pixels[:, 1]))
    raw = (raw_ends - middle) / seen.setting.camera.focal * seen.stance.distance
    found.readings.append(told(seen.doubts, "fall to the back outline", "mm", raw, -fall(numbers), parts))


def _leg(seen: _Seen, found: Found) -> None:
    """A line round one leg: its tilt from edge to edge, as the picture shows them."""
    numbers, from_the_side = seen.numbers, seen.marks.seen_from_the_side
    across = 2 * numbers.section.half
    uneven = abs(numbers.steep[0] - numbers.steep[1])
    covered = LEG_ROUND_FROM_THE_SIDE if from_the_side else LEG_ROUND
    folds = math.degrees(math.hypot(covered, 1.2 * numbers.unrest, 0.16 * uneven) / across)
    nearer, nearer_error = (0.0, across * math.tan(TURN_UNKNOWN)) if from_the_side else LEG_TURNED
    turned = math.degrees(seen.rise * nearer_error / across)
    outer = 1.0 if seen.name.endswith("right") == (seen.marks.view == "back") else -1.0  # to the right in the picture
    lifted = outer * math.degrees(math.tan(math.radians(seen.doubts.depression)) * nearer / across)
    _tilt(seen, found, numbers.tilt + lifted, seen.parts(lambda n: n.tilt, depth=turned, folds=folds))


_READ: Mapping[Kind, Callable[[_Seen, Found], None]] = {"trunk": _trunk, "side": _side, "leg": _leg}


def _keep(seen: _Seen, found: Found, depth: float, errors: tuple[float, float, float]) -> None:
    """The line for the overlay and for other pictures, and what to do better."""
    where, numbers, depression = seen.setting, seen.numbers, seen.doubts.depression
    found.line = Line(
        seen.course.track, seen.edges[0].place, seen.edges[1].place, depression,
        numbers.section.half if where.distance else None, depth,
    )  # fmt: skip
    found.place = Place(numbers.section, seen.course, seen.stance, *errors)
    turned = abs(numbers.section.yaw)
    if seen.name == HIP and seen.course.kind == "trunk" and turned > math.radians(4.0):
        above = abs(math.tan(math.radians(depression))) * where.away
        looks = false_tilt(above, where.away, math.degrees(turned))
        found.warnings.append(
            f"the body is turned by about {math.degrees(turned):.0f} degrees, which from this lens looks like a tilt of"
            f" {looks:.1f} degrees; straight to the lens is better"
        )
    if seen.doubts.hidden:
        found.warnings.append(f"{called(seen.name)}: a side edge is hidden; arms crossed in front would free it")
    if seen.name in ROUND and where.pose.levelled and where.focal_known and where.distance and abs(depression) > 3:
        off, within = abs(math.tan(math.radians(depression))) * where.distance, lens_within(3.0, depth, where.distance)
        found.warnings.append(
            f"{called(seen.name)}: the lens stood about {off / 10:.0f} cm too {'high' if depression > 0 else 'low'} for this"
            f" line; within {within / 10:.0f} cm of its height nothing has to be corrected"
        )
