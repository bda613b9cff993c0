"""From a marked picture to the numbers a fitter wants: each raw, corrected, with one standard deviation and a word.

The lines are snapped, the camera is levelled from plumb lines, and each pixel of a balance line is put back onto the trunk: half
an ellipse as wide as the picture shows and as deep as is known. What is left is a line on cloth, of which tilt, drop and V are
read. Errors are carried through by moving each input by its own standard deviation and looking at what becomes of the result.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.camera import USUAL_FOCAL_35 as USUAL_FOCAL
from fitdiag.photos.camera import Camera, Section, false_tilt, focal_px, lens_within, sheet_distance, upright
from fitdiag.photos.course import Course, Kind, Numbers, Stance
from fitdiag.photos.marks import ROUND_LINES, Marks, Point
from fitdiag.photos.snap import Track, snap, snap_side_edge, snap_straight

Array = NDArray[np.float64]
Word = Literal["good", "fair", "don't use"]
Unit = Literal["mm", "deg"]

# Standard deviations of what goes in; fitter's judgement, tuned on made pictures (tests/bench/photos.py), not on real cloth.
FOCAL_ERROR, FOCAL_UNKNOWN = 0.01, 0.25  # as a share
DEPTH_ERROR, DEPTH_RATIO, DEPTH_RATIO_ERROR = 8.0, 0.62, 0.12  # mm; of the half width where no depth is known
SECTION_ERROR = {"waist": 6.0, "hip": 5.0, "crotch": 11.0}  # mm: how far the trunk is from an ellipse
LOPSIDED_ERROR = {"waist": 0.4, "hip": 1.0, "crotch": 2.0}  # mm: how far left and right differ in depth
LEG_DEPTH_RATIO, LEG_YAW = 0.95, math.radians(1.6)
SHAPE_ERROR = 0.05  # of a drop: the last of it lies where the cloth turns out of sight
BACK_SHARE, CLEFT, DEPTH_FROM_SIDE_ERROR = 0.52, 3.0, 10.0  # of the depth; mm; mm
BEHIND_OUTLINE = 0.24  # share of a dip that a side picture may not show
SEAM_ERROR = 3.0  # mm: how far the centre seam runs off the middle of the body
TURN_UNKNOWN = math.radians(5.0)
SIDE_TILT_ERROR = math.radians(0.4)
TILT_SHARE = 0.53  # the parts of a tilt's error add up to more than was found
PLUMB_ERROR = math.radians(0.025)
WIDTH_ERROR, SHEET_PLANE_ERROR = 5.0, 10.0  # mm
CLICK_ERROR = 4.3  # px on each axis: a hand that is about 6 px off
V_SEEN = 2.3  # mm; less is the cloth's own unrest
SMALL_ANGLE, LARGE_ANGLE, LARGEST_ANGLE = 3.0, 8.0, 15.0  # degrees between the ray to the line and the level
MOST_CORRECTED_GOOD = 6.0  # mm
LARGEST_SIDE_ANGLE = 12.0
LEAST_PX_PER_MM = 1.0
NEAREST, FARTHEST = 400.0, 30_000.0  # mm from the lens; beyond them a mark or a size is wrong
STEEPEST = math.sin(math.radians(45.0))  # of the lens over the level
WIDEST = 1000.0  # mm, half a body
MOST_UNLEVEL = math.radians(8.0)  # lines so near each other that they leave this open do not level a picture
YAW_WARNING = math.radians(4.0)


@dataclass(frozen=True)
class Reading:
    """One number: `raw` as the picture shows it, `value` corrected, `error` one standard deviation (None: refused)."""

    line: str
    what: str
    unit: Unit
    raw: float | None
    value: float | None
    error: float | None
    word: Word
    reason: str


@dataclass(frozen=True, eq=False)
class Line:
    """What was found of one balance line, for the overlay and for putting pictures together."""

    track: Track
    left: Point
    right: Point
    depression_deg: float
    half_mm: float | None
    depth_mm: float | None
    levelled_drop_mm: float | None  # corrected for level but not for depth; two heights make the depth unnecessary
    drop_error_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Measured:
    """Everything read off one picture."""

    marks: Marks
    readings: tuple[Reading, ...]
    lines: Mapping[str, Line]
    grains: Mapping[str, Track]
    seam: Track | None
    verticals: tuple[tuple[Point, Point], ...]
    warnings: tuple[str, ...]
    distance_mm: float | None

    def reading(self, line: str, what: str) -> Reading | None:
        """The reading of this name, if there is one."""
        return next((found for found in self.readings if (found.line, found.what) == (line, what)), None)


@dataclass(frozen=True)
class Known:
    """What other pictures or a tape tell about the body, mm: depths to the middle, half widths, the hip girth."""

    depths: Mapping[str, tuple[float, float]] | None = None  # line: (mm, one standard deviation)
    halves: Mapping[str, float] | None = None
    hip_girth: float | None = None


def measure(pixels: NDArray[np.uint8], marks: Marks, known: Known | None = None) -> Measured:
    """Measure one picture (H, W, 3, upright) by its confirmed marks."""
    return _Work(pixels, marks.confirmed(), known or Known()).done(marks)


class _Work:
    """One picture being measured."""

    def __init__(self, pixels: NDArray[np.uint8], marks: Marks, known: Known) -> None:
        self.pixels, self.marks, self.known = pixels, marks, known
        self.warnings: list[str] = []
        self.readings: list[Reading] = []
        self.lines: dict[str, Line] = {}
        self.sections: dict[str, tuple[Section, Course, Stance]] = {}
        self.middle = ((marks.width - 1) / 2, (marks.height - 1) / 2)
        self.focal_known = marks.focal_35mm is not None
        self.focal = focal_px(marks.focal_35mm or USUAL_FOCAL, marks.width, marks.height)
        self.focal_error = FOCAL_ERROR if self.focal_known else FOCAL_UNKNOWN
        snapped = [snap_straight(pixels, *pair) for pair in marks.verticals]
        snapped = [found for found in snapped if math.dist(found[0], found[1]) >= 1.0]  # a point has no direction
        self.verticals = tuple((first, last) for first, last, _ in snapped)
        self.vertical_errors = [error for _, _, error in snapped]
        self.levelled = len(snapped) >= 2
        self.camera, self.swings = self._level(self.focal)
        self.distance, self.distance_error = self._distance()
        self.seam = snap(pixels, marks.centre_seam) if len(marks.centre_seam) >= 3 else None

    # -- the camera -----------------------------------------------------------------------------------------------

    def _level(self, focal: float) -> tuple[Camera, tuple[tuple[float, float, float], ...]]:
        """The camera, and two small turns (as moves of "up") that stand for one standard deviation each."""
        up = np.array([0.0, -1.0, 0.0])
        swings: tuple[Array, ...] = (np.array([math.radians(1.5), 0, 0]), np.array([0, 0, math.radians(8.0)]))
        many = "only one plumb line is marked" if self.verticals else "no plumb line is marked"
        if self.levelled:
            found, turns = self._plumb(focal)
            self.levelled = abs(found[2]) < STEEPEST and all(np.linalg.norm(turn) < MOST_UNLEVEL for turn in turns)
            up, swings = (found, turns) if self.levelled else (up, swings)
            many = "the plumb lines do not agree, or are too short or too near each other"
        if not self.levelled:
            self.warnings.append(f"{many}: the picture cannot be levelled; mark two or more, to both sides of the body")
        told = tuple((float(s[0]), float(s[1]), float(s[2])) for s in swings)
        return Camera(focal, self.middle, (float(up[0]), float(up[1]), float(up[2]))), told

    def _plumb(self, focal: float) -> tuple[Array, tuple[Array, ...]]:
        """The direction of up by the plumb lines, and its two turns."""
        up = np.array(upright(self.verticals, self.vertical_errors, focal, self.middle))
        side = np.cross(up, [0.0, 0.0, 1.0])
        side /= np.linalg.norm(side)
        basis = np.stack([side, np.cross(side, up)])
        rows = []
        for (top, bottom), error in zip(self.verticals, self.vertical_errors, strict=True):
            first, last = ((x - self.middle[0], y - self.middle[1], focal) for x, y in (top, bottom))
            normal = np.cross(first, last)
            normal /= np.linalg.norm(normal)
            angle = math.hypot(error * math.sqrt(2) / math.dist(top, bottom), PLUMB_ERROR)
            rows.append([normal @ basis[0] / angle, normal @ basis[1] / angle, normal @ up / angle])
        table = np.array(rows)
        misfit = float((table[:, 2] ** 2).sum() / max(1, len(rows) - 2)) if len(rows) > 2 else 1.0
        spread = np.linalg.inv(table[:, :2].T @ table[:, :2] + 1e-9 * np.eye(2)) * max(1.0, misfit)
        sizes, ways = np.linalg.eigh(spread)
        return up, tuple(math.sqrt(max(size, 0.0)) * (way @ basis) for size, way in zip(sizes, ways.T, strict=True))

    def _swung(self, swing: tuple[float, float, float]) -> Camera:
        up = np.array(self.camera.up) + np.array(swing)
        up /= np.linalg.norm(up)
        return replace(self.camera, up=(float(up[0]), float(up[1]), float(up[2])))

    def _refocused(self) -> Camera:
        """The camera with its focal length one standard deviation longer; level is found anew from the plumb lines."""
        focal = self.focal * (1 + self.focal_error)
        if not self.levelled:
            return replace(self.camera, focal=focal)
        return Camera(focal, self.middle, upright(self.verticals, self.vertical_errors, focal, self.middle))

    def _distance(self) -> tuple[float | None, float]:
        """Distance to the side-seam plane in mm and its error as a share; None where nothing of known size is marked."""
        found: list[tuple[float, float]] = []
        sheet = self.marks.sheet
        if sheet is not None:
            corners, error = self._sheet_corners()
            rays = self.camera.rays(corners)
            tall = abs(rays[0, 1] - rays[3, 1]) * self.focal
            distance = sheet_distance(self.camera, [tuple(c) for c in corners], sheet.width_mm, sheet.height_mm)
            if self._likely("the sheet of paper", distance - sheet.behind_mm):
                plane = SHEET_PLANE_ERROR / distance
                found.append((distance - sheet.behind_mm, math.hypot(error / max(tall, 1.0), plane)))
        for name, width in self.marks.widths_mm.items():
            if name in self.marks.lines and not self._hidden(name):
                points = self.marks.lines[name]
                rays = self.camera.rays(np.array([points[0], points[-1]]))
                span = float(rays[1, 0] - rays[0, 0])
                if span > 0.001 and self._likely(f"the width of the {_called(name)}", width / span):
                    error = math.hypot(WIDTH_ERROR / width, 2 * CLICK_ERROR / (span * self.focal))
                    found.append((width / span, error))
        if not found:
            self.warnings.append("nothing of known size is marked (sheet of paper or a width): no lengths, only angles")
            return None, 0.3
        weights = [1 / error**2 for _, error in found]
        mean = sum(w * d for w, (d, _) in zip(weights, found, strict=True)) / sum(weights)
        error = 1 / math.sqrt(sum(weights))
        if self.focal / mean < LEAST_PX_PER_MM:
            sharp = f"{self.focal / mean:.2f} px to the millimetre; from {LEAST_PX_PER_MM:g} px on"
            self.warnings.append(f"the picture shows {sharp} lines are found well: zoom in")
        return mean, error

    def _likely(self, what: str, distance: float) -> bool:
        """Whether a picture can have been taken from there; if not, it is said."""
        if NEAREST <= distance <= FARTHEST:
            return True
        told = f"{distance / 10:.0f} cm" if 0 < distance < 1e6 else "no place at all"
        self.warnings.append(
            f"{what} puts the lens at {told} from the body, so it is left out; look at its marks and size"
        )
        return False

    def _sheet_corners(self) -> tuple[Array, float]:
        """The sheet's corners where its four edges meet, in px, and the error of its height."""
        assert self.marks.sheet is not None
        given = self.marks.sheet.corners
        edges = [snap_straight(self.pixels, given[i], given[(i + 1) % 4]) for i in range(4)]
        corners = []
        for index in range(4):
            before, after = edges[index - 1], edges[index]
            one = np.cross((*before[0], 1.0), (*before[1], 1.0))
            two = np.cross((*after[0], 1.0), (*after[1], 1.0))
            meet = np.cross(one, two)
            place = meet[:2] / meet[2] if abs(meet[2]) > 1e-9 else np.array(given[index])
            corners.append(place if math.dist(place, given[index]) < 30 else np.array(given[index]))
        return np.array(corners), max(1.0, float(np.mean([edge[2] for edge in edges])))

    def _hidden(self, name: str) -> tuple[str, ...]:
        return tuple(side for side in ("left", "right") if f"{name}:{side}" in self.marks.hidden)

    # -- balance lines --------------------------------------------------------------------------------------------

    def done(self, whole: Marks) -> Measured:
        """Measure everything that is marked."""
        for name in whole.proposed:
            self.warnings.append(
                f"{_called(name)} is only proposed; confirm it on the marking page, then it is measured"
            )
        for name, points in self.marks.lines.items():
            self._line(name, snap(self.pixels, points, edge=name == "waist"))
        grains = {name: snap(self.pixels, points) for name, points in self.marks.grains.items()}
        for name, track in grains.items():
            self._grain(name, track)
        return Measured(
            whole,
            tuple(self.readings),
            self.lines,
            grains,
            self.seam,
            self.verticals,
            tuple(self.warnings),
            self.distance,
        )

    def _line(self, name: str, track: Track) -> None:
        points = self.marks.lines[name]
        hidden = self._hidden(name)
        (left, left_error), (right, right_error) = (
            (points[-1 if last else 0], CLICK_ERROR)
            if side in hidden
            else snap_side_edge(self.pixels, track, last=last)
            for side, last in (("left", False), ("right", True))
        )
        seam, seam_error = self._seam_at(points)
        distance = self.distance or 3000.0
        rays = self.camera.rays(np.array([left, seam, right]))
        span = float(rays[2, 0] - rays[0, 0])
        if span <= 0.01:
            why = "the side edges lie too close together, or the line was not marked from left to right"
            self._refuse(name, "tilt", "deg", None, why)
            return
        half = span / 2 * distance
        depth, depth_error = self._depth(name, half)
        if max(depth, half if self.distance else 0.0) > min(WIDEST, distance / 2) or (self.distance and half < 10.0):
            why = f"by its marks the body would be {half / 5:.0f} cm wide and {depth / 5:.0f} cm deep; look at marks and sizes"
            self._refuse(name, "tilt", "deg", None, why)
            return
        stance = Stance(self.camera, distance, left[0], right[0], seam[0], depth)
        kind: Kind = "leg" if name not in ROUND_LINES else "side" if self.marks.seen_from_the_side else "trunk"
        course = Course(track, left, seam, right, kind)
        numbers = course.numbers(stance)
        plane = course.numbers(replace(stance, depth=1.0, flat=True))
        per_px = distance / self.focal
        depression = -math.degrees(math.atan(float(np.mean(rays[[0, 2], 1]))))
        sine = abs(math.tan(math.radians(depression)))
        moved = [replace(stance, camera=self._swung(swing)) for swing in self.swings]
        moved += [
            replace(stance, camera=self._refocused()),
            replace(stance, distance=distance * (1 + self.distance_error)),
            replace(stance, left=left[0] + left_error),
            replace(stance, right=right[0] + right_error),
            replace(stance, depth=depth + depth_error),
        ]
        if course.kind == "trunk":
            off = math.hypot(seam_error, SEAM_ERROR / per_px)
            moved.append(replace(stance, seam=seam[0] + off))
        others = [course.numbers(other) for other in moved]

        def spread(of: Callable[[Numbers], float], *more: float) -> float:
            return math.sqrt(sum((of(other) - of(numbers)) ** 2 for other in others) + sum(part**2 for part in more))

        drawn = numbers.noise * 0.5  # a drawn line is not quite straight
        section = sine * SECTION_ERROR.get(name, 6.0)
        lopsided = sine * LOPSIDED_ERROR.get(name, 4.0) / numbers.section.half
        turn = {
            "trunk": 0.0,
            "side": SIDE_TILT_ERROR + 2 * sine * math.tan(TURN_UNKNOWN),
            "leg": sine * math.tan(LEG_YAW),
        }[course.kind]
        cover = math.radians(0.6) if hidden else 0.0
        # the outline of a side picture is not centre back: the last of a dip lies behind it
        unseen = BEHIND_OUTLINE * (0.5 if name == "waist" else 1.0)
        behind = unseen * max(abs(drop) for drop in numbers.end_drops) if course.kind == "side" else 0.0
        tilt_error = spread(
            lambda n: n.tilt,
            *(math.degrees(part) for part in (lopsided, turn, cover, (drawn + behind) / span / distance)),
        )
        if course.kind == "trunk":
            tilt_error *= TILT_SHARE
        raw = -math.degrees(math.atan2(right[1] - left[1], right[0] - left[0]))
        word, reason = self._word(name, "tilt", depression, numbers.tilt - raw, track, hidden)
        if word == "don't use":
            self._refuse(name, "tilt", "deg", raw, reason)
        else:
            self._read(name, "tilt", "deg", raw, numbers.tilt, tilt_error, word, reason)
        levelled = None
        edge = 0.8 if name == "waist" else 0.0  # the edge of the cloth is no drawn line
        drop_error = spread(lambda n: n.drop, section, drawn, edge, SHAPE_ERROR * numbers.drop, 4.0 if hidden else 0.0)
        if name in ROUND_LINES:
            levelled = plane.drop if self.levelled and self.distance else None
            middle = float(np.interp(seam[0], track.pixels[:, 0], track.pixels[:, 1]))
            flat = (middle - (left[1] + right[1]) / 2) * per_px
            word, reason = self._word(name, "drop", depression, numbers.drop - plane.drop, track, hidden)
            wanted: list[tuple[str, float, float, float]] = []
            if self.marks.seen_from_the_side:
                back = 1 if self.marks.view == "left" else 0  # the wearer's left side seen: the back is to the right
                back = 0 if self.marks.view == "right" else back
                error = spread(lambda n: n.end_drops[back], 2 * section, 1.0 + behind)
                ends = (left[1], right[1])[back]
                raw_back = (ends - middle) * per_px
                wanted.append(("drop to the back", raw_back, numbers.end_drops[back], error))
            else:
                wanted.append(("drop", flat, numbers.drop, drop_error))
            for what, raw_mm, value, error in wanted:
                if word == "don't use" or self.distance is None:
                    why = reason if word == "don't use" else "nothing of known size is marked"
                    self._refuse(name, what, "mm", raw_mm if self.distance else None, why)
                else:
                    self._read(name, what, "mm", raw_mm, value, error, word, reason)
            if not self.marks.seen_from_the_side and track.clear:
                self._v(name, numbers, sine, depression)
        self.lines[name] = Line(
            track, left, right, depression,
            numbers.section.half if self.distance else None,
            depth, levelled, drop_error,
        )  # fmt: skip
        if course.kind == "trunk" and abs(numbers.section.yaw) > YAW_WARNING and name == "hip":
            turned = math.degrees(abs(numbers.section.yaw))
            above = abs(math.tan(math.radians(depression))) * distance
            self.warnings.append(
                f"the body is turned by about {turned:.0f} degrees, which from this lens looks like a tilt of"
                f" {false_tilt(above, distance, turned):.1f} degrees; straight to the lens is better"
            )
        if (
            name in ROUND_LINES
            and self.levelled
            and self.focal_known
            and self.distance
            and abs(depression) > SMALL_ANGLE
        ):
            off, within = abs(math.tan(math.radians(depression))) * distance, lens_within(3.0, depth, distance)
            self.warnings.append(
                f"{_called(name)}: the lens stood about {off / 10:.0f} cm too {'high' if depression > 0 else 'low'} for this line;"
                f" within {within / 10:.0f} cm of its height nothing has to be corrected"
            )
        if hidden:
            self.warnings.append(f"{_called(name)}: a side edge is hidden; arms crossed in front would free it")
        self.sections[name] = (numbers.section, course, stance)

    def _v(self, name: str, numbers: Numbers, sine: float, depression: float) -> None:
        """The V at the centre seam: its depth and the angle of each side."""
        error = math.hypot(
            0.25 + 0.65 * numbers.noise, 0.06 * numbers.v_depth, sine * (1.3 if name == "waist" else 5.0)
        )
        seen = abs(numbers.v_depth) > max(V_SEEN, 2 * error)
        if abs(depression) > LARGE_ANGLE and name != "waist":
            word: Word = "fair" if abs(depression) <= LARGEST_ANGLE else "don't use"
        else:
            word = "good"
        way = "points down" if numbers.v_depth > 0 else "points up"
        reason = f"a V that {way}" if seen else "no V to be seen"
        if word == "don't use" or (word == "fair" and not seen):
            self._refuse(name, "v depth", "mm", None, f"{_too_steep(depression)}, so a small V would not show")
            return
        self._read(name, "v depth", "mm", None, numbers.v_depth, error, word, reason)
        if seen:
            for side, angle in zip(("left", "right"), numbers.v_angles, strict=True):
                slack = math.hypot(0.055 * abs(angle) + math.degrees(error / 80.0), 12.0 * sine)
                self._read(name, f"v angle {side}", "deg", None, angle, slack, word, "")

    def _seam_at(self, points: Sequence[Point]) -> tuple[Point, float]:
        """Where the centre seam crosses a line: px and error."""
        middle = points[len(points) // 2]
        if self.seam is not None and self.seam.clear:
            track = self.seam.pixels
            if track[0, 1] - 40 <= middle[1] <= track[-1, 1] + 40:
                return (float(np.interp(middle[1], track[:, 1], track[:, 0])), middle[1]), 1.0
        return middle, CLICK_ERROR

    def _depth(self, name: str, half: float) -> tuple[float, float]:
        """From the side-seam plane to the middle, mm, and its error, from the best that is known."""
        if name not in ROUND_LINES:
            return LEG_DEPTH_RATIO * half, 0.2 * half
        if self.marks.seen_from_the_side:
            near = (self.known.halves or {}).get(name)
            return (near, 8.0) if near else (1.5 * half, 0.25 * half)
        if name in self.marks.depths_mm:
            return self.marks.depths_mm[name], DEPTH_ERROR
        if self.known.depths and name in self.known.depths:
            return self.known.depths[name]
        if self.known.hip_girth and name == "hip":
            return depth_from_girth(self.known.hip_girth, half), 12.0
        return DEPTH_RATIO * half, DEPTH_RATIO_ERROR * half

    def _word(
        self, name: str, what: str, depression: float, corrected: float, track: Track, hidden: tuple[str, ...]
    ) -> tuple[Word, str]:
        """How far a number can be trusted, and why."""
        steep = abs(depression)
        if not track.clear:
            return "don't use", "the line is too faint, broken or thin to be followed; draw it solid, 2 to 3 mm wide"
        if not self.levelled:
            return "don't use", "without two plumb lines the picture cannot be levelled"
        if what == "drop":
            loose = not self.focal_known and steep > 1.5
            if loose:
                return "don't use", "the focal length is not known, so neither is the height of the lens over the line"
            if hidden:
                return "don't use", "a side edge is hidden"
            if steep > LARGE_ANGLE and name == "crotch":
                return "don't use", f"{_too_steep(depression)}, and the body is not round there"
            if steep > LARGEST_ANGLE:
                return "don't use", _too_steep(depression)
            guessed = name in ROUND_LINES and not self._depth_known(name)
            if guessed and steep > 1.5 + SMALL_ANGLE:
                return (
                    "don't use",
                    "the lens is off the line's height and the body's depth is not known; add a side picture",
                )
            if guessed and steep > 1.5:
                return "fair", "the body's depth is only guessed"
            if steep <= SMALL_ANGLE and abs(corrected) <= MOST_CORRECTED_GOOD:
                return "good", ""
            return "fair", f"{_too_steep(depression)}; corrected by {abs(corrected):.0f} mm"
        if hidden:
            return "fair", "a side edge is hidden"
        if self.marks.seen_from_the_side and name in ROUND_LINES and steep > LARGEST_SIDE_ANGLE:
            return "don't use", f"{_too_steep(depression)}, and the hip stands towards it"
        if steep <= SMALL_ANGLE or (steep <= LARGE_ANGLE and name not in ROUND_LINES):
            return "good", ""
        if steep <= LARGEST_ANGLE + 5:
            return "fair", _too_steep(depression)
        return "don't use", _too_steep(depression)

    def _depth_known(self, name: str) -> bool:
        if self.marks.seen_from_the_side:
            return True
        known = self.known.depths or {}
        return name in self.marks.depths_mm or name in known or (name == "hip" and bool(self.known.hip_girth))

    # -- grain lines ----------------------------------------------------------------------------------------------

    def _grain(self, name: str, track: Track) -> None:
        rays = self.camera.rays(track.pixels)
        count = len(rays)
        top, bottom = rays[: max(1, count // 12)].mean(axis=0), rays[-max(1, count // 12) :].mean(axis=0)
        lean = math.degrees(math.atan2(top[0] - bottom[0], top[1] - bottom[1]))
        first, last = track.pixels[0], track.pixels[-1]
        raw = math.degrees(math.atan2(first[0] - last[0], last[1] - first[1]))
        if not track.clear or not self.levelled:
            why = "without two plumb lines there is no plumb" if track.clear else "the line is too faint or broken"
            self._refuse(name, "lean", "deg", raw, why)
        else:
            swings = []
            for swing in self.swings:
                other = self._swung(swing).rays(np.array([first, last]))
                swings.append(
                    math.degrees(math.atan2(*(other[0] - other[1]))) - math.degrees(math.atan2(*(rays[0] - rays[-1])))
                )
            off = abs(float(rays[:, 0].mean() - self._body_middle()))
            slope = math.degrees(off * 0.085)  # a seat that leans towards or away from the lens (law: x m / D)
            error = math.sqrt(sum(part**2 for part in swings) + slope**2 + 0.1**2)
            self._read(name, "lean", "deg", raw, lean, error, "good" if error < 0.8 else "fair", "")
        for line, (section, course, stance) in self.sections.items():
            if line in ROUND_LINES and not self.marks.seen_from_the_side:
                self._grain_distance(name, track, line, section, course, stance)

    def _body_middle(self) -> float:
        found = [section.x / section.z for section, _, _ in self.sections.values()]
        return float(np.mean(found)) if found else 0.0

    def _grain_distance(
        self, name: str, track: Track, line: str, section: Section, course: Course, stance: Stance
    ) -> None:
        """From the centre seam to the grain along the cloth where it crosses a balance line."""
        across = np.interp(track.pixels[:, 0], course.track.pixels[:, 0], course.track.pixels[:, 1])
        gap = np.abs(across - track.pixels[:, 1])
        nearest = int(gap.argmin())
        if gap[nearest] > 25 or not track.clear:
            return
        place = track.pixels[nearest][None]

        def length(other: Stance) -> float:
            now, seam = course.section(other)
            return now.along(seam, float(now.hit(other.camera.rays(place)[:, 0])[0, 0]))

        value = length(stance)
        moved = [
            replace(stance, distance=stance.distance * (1 + self.distance_error)),
            replace(stance, depth=stance.depth + self._depth(line, section.half)[1]),
            replace(stance, left=stance.left + 2.0),
            replace(stance, seam=stance.seam + 1.0),
        ]
        error = math.sqrt(sum((length(other) - value) ** 2 for other in moved) + 0.5 + (0.01 * value) ** 2)
        seam = np.array([[stance.seam, place[0, 1]]])
        ends = self.camera.rays(np.concatenate([place, seam]))
        raw = abs(float(ends[0, 0] - ends[1, 0])) * stance.distance
        if self.distance is None:
            self._refuse(name, f"from the centre at the {line}", "mm", None, "nothing of known size is marked")
        else:
            word: Word = "good" if error <= 4 else "fair"
            self._read(name, f"from the centre at the {line}", "mm", raw, value, error, word, "")

    # -- writing down ---------------------------------------------------------------------------------------------

    def _read(
        self, line: str, what: str, unit: Unit, raw: float | None, value: float, error: float, word: Word, reason: str
    ) -> None:
        if not (math.isfinite(value) and math.isfinite(error)) or (unit == "mm" and abs(value) > WIDEST):
            self._refuse(line, what, unit, None, "these marks fit no body; look at them again")
            return
        self.readings.append(Reading(line, what, unit, raw, value, error, word, reason))

    def _refuse(self, line: str, what: str, unit: Unit, raw: float | None, reason: str) -> None:
        self.readings.append(Reading(line, what, unit, raw, None, None, "don't use", reason))


def depth_from_girth(girth_mm: float, half_mm: float) -> float:
    """The mean depth of a trunk, mm, from its girth and half its width: an ellipse's girth by Ramanujan's formula (1914)."""
    low, high = 10.0, girth_mm / 2
    for _ in range(50):
        middle = (low + high) / 2
        a, b = half_mm, middle
        girth = math.pi * (3 * (a + b) - math.sqrt((3 * a + b) * (a + 3 * b)))
        low, high = (middle, high) if girth < girth_mm else (low, middle)
    return (low + high) / 2


def depths_from_side(side: Measured) -> dict[str, tuple[float, float]]:
    """From a side picture: line to (depth from the side seams to centre back, error), mm, for the lines marked on it.

    Two ways, of which the mean is taken: from the side seam, which a small turn of the body moves, and as a share of the whole depth,
    which bodies differ in. The centre seam lies a little deeper than the outline.
    """
    found: dict[str, tuple[float, float]] = {}
    if side.distance_mm is None:
        return found
    for name, line in side.lines.items():
        if name in ROUND_LINES and line.half_mm and line.depth_mm:
            middle = side.marks.lines[name][len(side.marks.lines[name]) // 2]
            seam = middle[0]
            if side.seam is not None and side.seam.clear:
                seam = float(np.interp(middle[1], side.seam.pixels[:, 1], side.seam.pixels[:, 0]))
            share = (seam - line.left[0]) / (line.right[0] - line.left[0])
            off = (2 * share - 1) * line.half_mm * (side.distance_mm - line.depth_mm) / side.distance_mm
            by_seam = line.half_mm - off if side.marks.view == "left" else line.half_mm + off
            by_share = BACK_SHARE * 2 * line.half_mm
            found[name] = ((by_seam + by_share) / 2 - CLEFT, DEPTH_FROM_SIDE_ERROR)
    return found


def _called(name: str) -> str:
    return name.replace("-", " ")


def _too_steep(depression: float) -> str:
    where = "above" if depression > 0 else "below"
    return f"the lens looks {abs(depression):.0f} degrees from {where} the line's height"
