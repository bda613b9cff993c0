"""Grainlines: their lean from plumb, and their distance from the centre seam at the balance lines, along the cloth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from fitdiag.photos.course import Stance
from fitdiag.photos.lines import TURN_UNKNOWN, straight_at
from fitdiag.photos.marks import Marks
from fitdiag.photos.readings import Reading, Source, Word
from fitdiag.photos.setting import Setting
from fitdiag.photos.snap import Track
from fitdiag.photos.trousers import CROTCH, HIP, ROUND
from fitdiag.photos.trust import Seen, refused

# slope of a body towards or away from the lens, which tilts a grainline seen aslant; bellies and thighs vary more
SLOPE, SLOPE_IN_FRONT = 0.04, 0.06
TURN_ERROR = 0.04  # radians, of the turn that a body seems to have
LEAST_LEAN = 0.04  # degrees: error of a lean, from pen and cloth
FULLER = 0.99  # bodies are a little flatter beside the centre than half an ellipse
# mm by which the middle of a seat lies farther in than half an ellipse, against the cloth beside it
HOLLOW_BEHIND = 12.0
STRAIGHT = 90.0  # mm over which a grainline is nearly straight
# least sideways step to another line; lengths above and below compared; gap left out between them, mm
ASIDE, ASIDE_OVER, ASIDE_WITHIN = 4.0, 20.0, 3.0
STEPS_ASIDE = "the line steps aside on its way there, as to a dart"
SEAM_KNOWN = 0.7  # mm: least error of a seam's place
# error of a length along the cloth: mm beside a straight grainline, and times the scatter of one that wavers as the cloth lies in folds
CALM, BY_WAVERING = 0.2, 3.4


def read_grain(marks: Marks, where: Setting, places: Mapping[str, Seen], name: str, track: Track) -> list[Reading]:
    """Return all readings of one grainline."""
    one = _one_line(track, where.scale)
    readings = [_lean(where, places, name, one, SLOPE if marks.view == "back" else SLOPE_IN_FRONT)]
    if not marks.seen_from_the_side and track.clear:
        for line in ROUND:
            if line in places:
                hollow = HOLLOW_BEHIND if (marks.view, line) == ("back", HIP) else 0.0
                reading = _from_centre(where, places[line], name, line, track, one, hollow)
                readings += [reading] if reading else []
    return readings


def _one_line(track: Track, scale: float) -> Track:
    """The part of a grainline that is one line: where it steps aside, as to a dart beside it, the longer part."""
    half, gap = max(round(ASIDE_OVER / 2 * scale), 2), max(round(ASIDE_WITHIN * scale), 2)
    x, y = track.pixels.T
    rows = np.arange(math.ceil(y.min()), y.max())
    size = len(rows) - 4 * half - gap + 1
    if size < 1:
        return track
    down = np.argsort(y)
    course = np.interp(rows, y[down], x[down])
    course -= np.polyval(np.polyfit(rows, course, 1), rows)
    means = np.median(sliding_window_view(course, half), axis=1)
    first, second, third, last = (means[at : at + size] for at in (0, half, 2 * half + gap, 3 * half + gap))
    steep, apart = np.maximum(np.abs(second - first), np.abs(last - third)) / half, half + gap
    carried = third - second - (second - first + last - third) / 2 / half * apart  # both extrapolated to the middle
    aside = np.minimum(np.abs(carried), np.abs((third + last - first - second) / 2) - steep * (apart + half))
    worst = int(aside.argmax())
    if aside[worst] < ASIDE * scale:
        return track
    upper = y < rows[worst + 2 * half + gap // 2]
    return replace(track, pixels=track.pixels[upper if upper.sum() > len(y) / 2 else ~upper])


def _lean(where: Setting, places: Mapping[str, Seen], name: str, track: Track, slope: float) -> Reading:
    """Lean from plumb, degrees, positive where the top is to the right."""
    rays = where.camera.rays(track.pixels)
    part = max(1, len(rays) // 12)
    top, bottom = rays[:part].mean(axis=0), rays[-part:].mean(axis=0)
    lean = math.degrees(math.atan2(top[0] - bottom[0], top[1] - bottom[1]))
    first, last = track.pixels[0], track.pixels[-1]
    raw = math.degrees(math.atan2(first[0] - last[0], last[1] - first[1]))
    if not track.clear or not where.pose.levelled:
        why = "without two plumb lines the vertical is unknown" if track.clear else "the line is too faint or broken"
        return refused(name, "lean", "deg", raw, why)
    swings = []
    for _, camera in where.pose.others:
        other = camera.rays(np.array([first, last]))
        swings.append(math.degrees(math.atan2(*(other[0] - other[1])) - math.atan2(*(rays[0] - rays[-1]))))
    shown = [place for place in places.values() if place.course.kind == "trunk" and not place.hidden]
    turned = [place.numbers.section.yaw for place in shown]
    turn = float(np.median(turned)) if turned else 0.0
    aslant = math.hypot(float(rays[:, 0].mean()) + turn, TURN_ERROR if turned else TURN_UNKNOWN)
    level = math.hypot(*swings)
    error = math.hypot(level, math.degrees(aslant * slope), LEAST_LEAN)
    word: Word = "good" if error < 0.8 else "fair"
    most: Source = "level" if level > 0.7 * error else "depth"
    return Reading(name, "lean", "deg", raw, lean, error, word, "", most)


def _from_centre(
    where: Setting, place: Seen, name: str, line: str, track: Track, one: Track, hollow: float
) -> Reading | None:
    """Distance from the centre seam to the grainline along the cloth, where it crosses a balance line; None if it does not. `one`:
    the part that is one line; `hollow`: mm by which the centre lies farther in than half an ellipse, which shifts it sideways on a
    turned body."""
    course, stance = place.course, place.stance
    across = np.interp(track.pixels[:, 0], course.track.pixels[:, 0], course.track.pixels[:, 1])
    gap = np.abs(across - track.pixels[:, 1])
    nearest = int(gap.argmin())
    reach = 25 * max(1.0, where.scale / 1.2)
    if gap[nearest] > reach:
        return None
    what = f"from the centre at the {line}"
    if line == CROTCH:
        return refused(name, what, "mm", None, "the cloth turns into the fork there")
    if where.distance is None:
        return refused(name, what, "mm", None, "nothing of known size is marked")
    row = float(track.pixels[nearest, 1])
    if np.abs(one.pixels[:, 1] - row).min() > reach:
        return refused(name, what, "mm", None, STEPS_ASIDE)
    crossing, strays = straight_at(one.pixels, row, STRAIGHT * where.scale)
    at = np.array([[crossing, row]])

    def length(other: Stance) -> float:
        now, seam = course.section(other)
        place = float(now.hit(other.camera.rays(at)[:, 0])[0, 0])
        return FULLER * now.along(seam, place) - math.copysign(hollow, place - seam) * math.sin(now.yaw)

    value = length(stance)
    moved: dict[Source, Stance] = {
        "distance": replace(stance, distance=stance.distance * (1 + where.distance_error)),
        "depth": replace(stance, depth=stance.depth + place.depth_error),
        "edges": replace(stance, left=stance.left + max(edge.error for edge in place.edges)),
        "seam": replace(stance, seam=stance.seam + max(place.seam_error, SEAM_KNOWN * where.scale)),
    }
    parts = {source: abs(length(other) - value) for source, other in moved.items()}
    for source, camera in where.pose.others:
        other = replace(stance, camera=camera, distance=where.away_with(camera))
        parts[source] = math.hypot(parts.get(source, 0.0), length(other) - value)
    parts["folds"] = math.hypot(CALM, BY_WAVERING * strays / where.scale)
    error = math.hypot(*parts.values())
    ends = where.camera.rays(np.concatenate([at, [[stance.seam, at[0, 1]]]]))
    raw = abs(float(ends[0, 0] - ends[1, 0])) * where.distance
    most = max(parts, key=lambda source: parts[source])
    return Reading(name, what, "mm", raw, value, error, "good" if error <= 4 else "fair", "", most)
