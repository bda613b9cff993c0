"""One balance line of a picture: projected back onto the body, and measured, with errors.

Errors are propagated by moving each uncertain input by its own standard deviation; to these is added what no picture shows:
deviation of the body from half an ellipse, folds, and cloth out of sight.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.camera import false_tilt, lens_within
from fitdiag.photos.course import LAST_LENGTH, V_LENGTH, Course, Kind, Numbers, Stance
from fitdiag.photos.drawn import ROUND
from fitdiag.photos.marks import Marks, Point, Points
from fitdiag.photos.readings import Reading, Source, called
from fitdiag.photos.section import Known, depth_at
from fitdiag.photos.setting import Setting
from fitdiag.photos.snap import HALF_HEIGHT_MM, Edge, Track, legs_part, side_edge
from fitdiag.photos.strip import Array
from fitdiag.photos.trousers import (
    CLEFT_IN_FRONT,
    CROTCH,
    FORK_FOLDS,
    HIP,
    LEG_TURNED,
    OVER_WAISTLINE_MM,
    UNDER_SEAT,
    WAIST,
)
from fitdiag.photos.trust import Seen, graded, refused

CLICK_MM = 4.0  # error of a point set by hand
SEAM_STRAIGHT = 55.0  # mm over which a centre seam is nearly straight
SEAM_OFF = 2.4  # mm: offset of the centre seam from the middle of the body
TURN_UNKNOWN = math.radians(4.0)  # of the body in a side picture
OUTLINES_TURNED = math.radians(8.0)  # of the line between its outlines; belly and seat are widest in two planes
# where the outline is: share of the way from the middle to the side seam; mm
OUTLINE_NEAR, OUTLINE_NEAR_ERROR = 0.25, 30.0
V_DEPTH = 1.0  # mm: error of a V's depth from folds at its ends
MOST_TURNED = math.radians(4.0)  # a body that seems turned by more may as well have an end of the line under an arm
TURN_WORTH_TELLING = 0.15  # degrees of seeming tilt
TURNED_ALIKE = math.radians(1.5)  # bodies twist, and the centre seam is not quite in their middle
SUREST_DROP = 0.7  # mm: least error of a drop, from pen, cloth and ends of the line
# mm: a leg is not half an ellipse, so its line turns out of sight beside its widest point
LEG_ROUND, LEG_ROUND_FROM_THE_SIDE = 0.6, 0.9
ROUNDED = 0.13  # share of a V's slope lost where the pen, the seam's stitches and a fold round its corner
V_SEEN = 5.0  # degrees beside the centre; less is scatter of the cloth
WIDEST = 1000.0  # mm


def place_line(
    pixels: NDArray[np.uint8], marks: Marks, where: Setting, known: Known, seam: Track | None, name: str, track: Track
) -> Seen | Reading:
    """Return a balance line with what its numbers rest on, or a refusal if its marks fit no body."""
    above = HALF_HEIGHT_MM if name != WAIST else 0.0 if track.border else OVER_WAISTLINE_MM
    points, hidden = marks.lines[name], marks.hides(name)
    left, right = (
        Edge(points[-1 if last else 0], CLICK_MM * where.scale)
        if side in hidden
        else side_edge(pixels, track, where.scale, last=last, above_mm=above)
        for side, last in (("left", False), ("right", True))
    )
    middle, seam_error = seam_at(points, seam, where.scale)
    rays = where.camera.rays(np.array([left.place, middle, right.place]))
    span = float(rays[2, 0] - rays[0, 0])
    if span <= 0.01:
        why = "the side edges lie too close together, or the line was not marked from left to right"
        return refused(name, "tilt", "deg", None, why)
    half = span / 2 * where.away
    depth, depth_error = depth_at(marks, known, name, half)
    if max(depth, half if where.distance else 0.0) > min(WIDEST, where.away / 2) or (where.distance and half < 10.0):
        why = f"by its marks the body would be {half / 5:.0f} cm wide and {depth / 5:.0f} cm deep; look at marks and sizes"
        return refused(name, "tilt", "deg", None, why)
    kind: Kind = "leg" if name not in ROUND else "side" if marks.seen_from_the_side else "trunk"
    course = Course(track, left.place, middle, right.place, kind, (left.covered_from, right.covered_from))
    stance = Stance(where.camera, where.away, left.place[0], right.place[0], middle[0], depth)
    depression = -math.degrees(math.atan(float(np.mean(rays[[0, 2], 1]))))
    deep = name in marks.depths_mm or name in (known.deep or {}) or (name == HIP and bool(known.hip_girth))
    fork = name == CROTCH and kind == "trunk" and legs_part(pixels, middle, where.scale)
    numbers, others = course.numbers(stance), _others(course, stance, where, (left, right), seam_error, depth_error)
    return Seen(name, marks, where, course, stance, numbers, others, (left, right), depth_error, seam_error, depression,
                deep or name not in ROUND, fork)  # fmt: skip


def read_line(seen: Seen, beside: Iterable[Seen] = ()) -> list[Reading]:
    """Return all readings of one line; `beside`: other lines of the same picture."""
    if seen.course.kind == "trunk":
        return list(_trunk(seen, _turn_in_doubt(seen, beside)))
    return list((_side if seen.course.kind == "side" else _leg)(seen))


def seam_at(points: Points, seam: Track | None, scale: float) -> tuple[Point, float]:
    """Return where the centre seam crosses a line, and the error, px."""
    middle = points[len(points) // 2]
    if seam is not None and seam.clear and seam.pixels[0, 1] - 40 <= middle[1] <= seam.pixels[-1, 1] + 40:
        x, scatter = straight_at(seam.pixels, middle[1], SEAM_STRAIGHT * scale)
        return (x, middle[1]), math.hypot(1.0, scatter)
    return middle, CLICK_MM * scale


def straight_at(pixels: Array, row: float, reach: float) -> tuple[float, float]:
    """Return where an upright course (N, 2 px), straight within `reach` px, crosses a row, and its scatter there, px: the Theil-Sen
    line, since a course may end on another line."""
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
    """The numbers with each uncertain input moved by one standard deviation."""
    moved: list[tuple[Source, Stance]] = [
        *(
            (source, replace(stance, camera=camera, distance=where.away_with(camera)))
            for source, camera in where.pose.others
        ),
        ("distance", replace(stance, distance=stance.distance * (1 + where.distance_error))),
        ("edges", replace(stance, left=stance.left + edges[0].error)),
        ("edges", replace(stance, right=stance.right + edges[1].error)),
        ("depth", replace(stance, depth=stance.depth + depth_error)),
    ]
    if course.kind == "trunk":
        moved.append(("seam", replace(stance, seam=stance.seam + seam_error)))
        moved.append(("seam", replace(stance, seam_off=SEAM_OFF * where.scale)))
    return tuple((source, course.numbers(other)) for source, other in moved)


def _tilt(seen: Seen, value: float, turned: float = 0.0, **more: float) -> Reading:
    """A tilt; `turned`: degrees of it that may come from a turn that only a wrong side edge makes the body seem to have. An edge moved
    by its own error turns the body too, so the two are one error, known twice: the larger counts."""
    left, right = (edge.place for edge in seen.edges)
    raw = -math.degrees(math.atan2(right[1] - left[1], right[0] - left[0]))
    parts = seen.parts(lambda n: n.tilt, **more)
    parts["edges"] = max(parts["edges"], turned)
    return graded(seen, "tilt", "deg", value, parts, raw=raw)


def _lower(seen: Seen, row: float) -> float:
    """Apparent distance of the line at the seam below a row of the picture, mm."""
    middle = float(np.interp(seen.stance.seam, seen.course.track.pixels[:, 0], seen.course.track.pixels[:, 1]))
    return (middle - row) / seen.setting.camera.focal * seen.stance.distance


def _turn_in_doubt(seen: Seen, beside: Iterable[Seen]) -> float:
    """Tangent of the angle by which the body may be turned less than it seems at a line: an end under an arm looks like a turn, but
    not at the other lines. What is taken for the end then also lies nearer the lens, about as much again."""
    yaw = seen.numbers.section.yaw
    others = [other.numbers.section.yaw for other in beside if other.course.kind == "trunk" and not other.hidden]
    if others:
        return 2 * math.tan(max(abs(yaw - sum(others) / len(others)) - TURNED_ALIKE, 0.0))
    return math.tan(min(abs(yaw), 2 * max(abs(yaw) - MOST_TURNED, 0.0)))


def _trunk(seen: Seen, turn_in_doubt: float) -> Iterator[Reading]:
    """Tilt, drop and V of a line round the trunk, from the front or the back."""
    name, numbers = seen.name, seen.numbers
    steep, uneven = math.hypot(*numbers.steep), abs(numbers.steep[0] - numbers.steep[1])
    folds = math.hypot(seen.waves / 4.5, 0.9 * numbers.unrest, 0.08 * uneven)
    yield _tilt(
        seen, numbers.tilt, math.degrees(seen.rise * turn_in_doubt),
        depth=math.degrees(seen.rise * ROUND[name].lopsided / numbers.section.half),
        folds=math.degrees(folds / (2 * numbers.section.half)),
    )  # fmt: skip
    yield from _drop(seen, math.hypot(SUREST_DROP, 0.75 * seen.waves + 0.4 * numbers.unrest + 0.026 * steep))
    if (cleft := ROUND[name].cleft) is not None and seen.course.track.clear:
        yield from _v(seen, cleft)


def _drop(seen: Seen, folds: float) -> Iterator[Reading]:
    """Height at the side edges minus height at the centre."""
    behind, behind_error = ROUND[seen.name].behind
    hollow = seen.looks_down * behind  # from above, what is farther away looks higher
    more = {
        "depth": seen.rise * behind_error,
        "folds": math.hypot(folds, FORK_FOLDS if seen.name == CROTCH else 0.0),
        "edges": 4.0 if seen.hidden else 0.0,
    }
    parts = seen.parts(lambda n: n.drop, **more)
    raw = _lower(seen, sum(edge.place[1] for edge in seen.edges) / 2)
    reading = graded(seen, "drop", "mm", seen.numbers.drop + hollow, parts, raw=raw)
    # with a deeper middle than assumed, seen from above, the middle is really higher
    yield replace(reading, by_depth=-math.copysign(parts["depth"], seen.depression))
    for index, side in enumerate(("left", "right") if seen.name == CROTCH else ()):
        parts = seen.parts(lambda n, i=index: n.dips[i], **more)  # type: ignore[misc]
        yield graded(seen, f"dip {side}", "mm", seen.numbers.dips[index], parts)


def _v(seen: Seen, cleft: tuple[float, float]) -> Iterator[Reading]:
    """The V at the centre seam: slope of the line over 3 cm on each side of it, and its drop over the last 6 cm."""
    numbers = seen.numbers
    behind, behind_error = cleft
    behind *= CLEFT_IN_FRONT if seen.marks.view == "front" else 1.0
    hollow = seen.looks_down * behind  # seen from above, the farther centre looks higher, which flattens a V
    unrest = seen.waves / 5 + 0.5 * numbers.beside
    if seen.name == CROTCH:  # over the fork the line may turn under anywhere, so all its scatter counts
        unrest = seen.waves / 2 + 1.6 * numbers.unrest
    values = [math.degrees(math.atan(math.tan(math.radians(slope)) + hollow / V_LENGTH)) for slope in numbers.slopes]
    mean = sum(values) / 2
    parts = seen.parts(lambda n: n.slopes[0], depth=math.degrees(seen.rise * behind_error / V_LENGTH),
                       folds=math.hypot(math.degrees(unrest / V_LENGTH), ROUNDED * mean))  # fmt: skip
    reason = "no V to be seen"
    if abs(mean) > max(V_SEEN, 2 * math.hypot(*parts.values())):
        rest = " and ".join(f"{angle:.0f}" for angle in numbers.rests)
        reason = f"a V that points {'down' if mean > 0 else 'up'}; farther out the line rises by {rest} degrees"

    def drops(other: Numbers) -> float:
        return LAST_LENGTH * sum(math.tan(math.radians(slope)) for slope in other.lasts) / 2

    wavy = math.hypot(V_DEPTH, 0.4 * seen.waves + 1.3 * numbers.unrest)
    deep = seen.parts(drops, depth=seen.rise * behind_error, folds=wavy)
    yield graded(seen, "v depth", "mm", drops(numbers) + hollow, deep, reason=reason)
    for side, angle in zip(("left", "right"), values, strict=True):
        yield graded(seen, f"v angle {side}", "deg", angle, parts)


def _side(seen: Seen) -> Iterator[Reading]:
    """A line from the side: its tilt from outline to outline, and its fall from the side seam to the back outline."""
    numbers = seen.numbers
    unseen = 1.0 + 0.05 * math.hypot(*numbers.steep) + numbers.unrest + (UNDER_SEAT if seen.name == CROTCH else 0.0)
    turned = math.degrees(seen.rise * math.tan(OUTLINES_TURNED))
    folds = 1.5 * math.hypot(unseen, seen.waves / 3)
    yield _tilt(seen, numbers.tilt, depth=turned, folds=math.degrees(folds / (2 * numbers.section.half)))
    back = 0 if seen.marks.view == "right" else 1  # from the wearer's left the back is on the right
    near = OUTLINE_NEAR * seen.stance.depth / seen.stance.distance

    def fall(other: Numbers) -> float:
        return other.ends[back] * (1 - near) - other.centre

    parts = seen.parts(fall, depth=seen.rise * OUTLINE_NEAR_ERROR, folds=unseen + seen.waves)
    raw = -_lower(seen, seen.edges[back].place[1])
    yield graded(seen, "fall to the back outline", "mm", -fall(numbers), parts, raw=raw)


def _leg(seen: Seen) -> Iterator[Reading]:
    """A line round one leg: its tilt from edge to edge as pictured."""
    numbers, from_the_side = seen.numbers, seen.marks.seen_from_the_side
    across = 2 * numbers.section.half
    uneven = abs(numbers.steep[0] - numbers.steep[1])
    covered = LEG_ROUND_FROM_THE_SIDE if from_the_side else LEG_ROUND
    folds = math.degrees(math.hypot(covered, 1.2 * numbers.unrest, 0.16 * uneven) / across)
    nearer, nearer_error = (0.0, across * math.tan(TURN_UNKNOWN)) if from_the_side else LEG_TURNED
    outer = 1.0 if seen.name.endswith("right") == (seen.marks.view == "back") else -1.0  # to the right in the picture
    lifted = outer * math.degrees(seen.looks_down * nearer / across)
    yield _tilt(seen, numbers.tilt + lifted, depth=math.degrees(seen.rise * nearer_error / across), folds=folds)


def do_better(seen: Seen) -> Iterator[str]:
    """Yield advice for the next picture of a line."""
    where, turned = seen.setting, math.degrees(abs(seen.numbers.section.yaw))
    above = seen.rise * where.away
    seeming = abs(false_tilt(above, where.away, turned))
    if seen.name == HIP and seen.course.kind == "trunk" and turned > 4.0 and seeming >= TURN_WORTH_TELLING:
        yield (
            f"the body is turned by about {turned:.0f} degrees, which from this lens looks like a tilt of"
            f" {seeming:.1f} degrees; facing straight to the lens is better"
        )
    if seen.hidden:
        free = "arms crossed in front" if seen.name in ROUND else "feet a hand apart and nothing before the legs"
        yield f"{called(seen.name)}: a side edge is hidden; {free} would free it"
    known = where.pose.levelled and where.focal_known and where.distance
    if known and seen.name in ROUND and abs(seen.depression) > 3:
        high, within = "high" if seen.depression > 0 else "low", lens_within(3.0, seen.stance.depth, where.away)
        yield (
            f"{called(seen.name)}: the lens stood about {above / 10:.0f} cm too {high} for this"
            f" line; within {within / 10:.0f} cm of its height nothing has to be corrected"
        )
