"""The focal length a picture was taken with: as its file says, as somebody typed it, or as the picture makes likely.

A focal length that is taken k times too long puts the lens k times too far from the body and, in a tilted camera, the horizon k^2
times too far from the middle, so the lens soon stands higher than anyone holds it, or under the floor; and an upright sheet of
paper seen from above is no longer of its own shape. What is usual of these three weighs the focal lengths that may be meant.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fitdiag.photos.camera import USUAL_FOCAL_35, Camera, focal_px, sheet_distance
from fitdiag.photos.level import Plumb, Pose, levelled, posed
from fitdiag.photos.marks import Marks
from fitdiag.photos.strip import Array
from fitdiag.photos.trousers import HIP, HIP_HEIGHT, HIP_HEIGHT_ERROR

FOCAL_ERROR, FOCAL_UNKNOWN = 0.01, 0.25  # as a share
NEAR, FAR = 1600.0, 7000.0  # mm; nobody photographs a whole person from nearer or farther
HIGHEST = 2000.0  # mm above the floor; nobody holds a lens higher, or under the floor
# What is usual, with one standard deviation: distance (mm; as a share), height of the lens over the floor (mm), aspect ratio of a
# sheet by its corners as a hand marks them (as a share). Judgements.
DISTANCE, DISTANCE_SPREAD = 2600.0, 0.35
LENS_HEIGHT, LENS_HEIGHT_SPREAD = 1000.0, 400.0
LENS_TYPED_ERROR = 100.0  # mm: of a lens height as people measure it
SHEET_SHAPE_ERROR = 0.03
SHAPE_BY_PITCH = 0.3  # for each radian by which the pitch is off: tangent of the angle to the sheet
# What may be meant: parts of all cases, and in each the natural logarithm of the true focal length over the one said, with one
# standard deviation. Judgements.
Chances = Sequence[tuple[float, float, float]]
TYPED: Chances = ((0.75, 0.0, 0.02), (0.25, 0.0, 0.5))  # one in four zooms without saying so, or types another number
CROPPED: Chances = ((1.0, 0.1, 0.1),)  # what was cut away is no longer part of the diagonal
DOUBTED: Chances = ((1.0, 0.0, 0.5),)
UNKNOWN: Chances = ((0.6, 0.0, 0.12), (0.4, 0.7, 0.35))  # the main lens of a phone, or zoomed in as the shot card asks
_TRIED = np.linspace(-1.2, 1.6, 29)
_FINE = np.linspace(-1.2, 1.6, 561)


@dataclass(frozen=True)
class Focal:
    """A focal length in px, its error as a share, and what speaks against the one given; `known`: as the file says."""

    px: float
    error: float
    known: bool
    doubt: str = ""


def focal_of(marks: Marks, plumb: Plumb, *, cropped: bool) -> Focal:
    """Return the most likely focal length of a marked picture; `plumb`: its plumb lines as followed."""
    given = focal_px(marks.focal_35mm or USUAL_FOCAL_35, marks.width, marks.height)
    pitch_error = _pitch_error(posed(plumb, given, FOCAL_ERROR, cropped=cropped))
    doubt = ""
    if marks.focal_35mm is None:
        chances = UNKNOWN
    elif cropped:
        chances = CROPPED
    else:
        distance, height, _ = _usual(marks, plumb, given, pitch_error)
        doubt = _against(marks.focal_35mm, distance, height)
        if not (doubt or marks.focal_typed):
            return Focal(given, FOCAL_ERROR, known=True)
        chances = TYPED if marks.focal_typed else DOUBTED
    likely = sum(part / spread * np.exp(-0.5 * ((_FINE - mean) / spread) ** 2) for part, mean, spread in chances)
    costs = [_usual(marks, plumb, given * math.exp(step), pitch_error)[2] for step in _TRIED]
    cost = np.interp(_FINE, _TRIED, costs)
    likely = likely * np.exp(-0.5 * (cost - cost.min()))
    mean = float(np.average(_FINE, weights=likely))
    least, most = np.interp((0.025, 0.975), np.cumsum(likely) / likely.sum(), _FINE)
    error = max(float(most) - mean, mean - float(least)) / 2  # no bell: of the few that are wrong, most are far off
    return Focal(given * math.exp(mean), max(error, FOCAL_ERROR), known=False, doubt=doubt)


def _against(focal_35mm: float, distance: float, height: float) -> str:
    """Why a focal length cannot be right, by the distance and the height of the lens (mm; NaN if unknown); empty if it may."""
    if not math.isnan(distance) and not NEAR <= distance <= FAR:
        where = f"{distance / 10:.0f} cm from the body, {'nearer' if distance < NEAR else 'farther'} than anyone takes a whole person"
    elif height > HIGHEST:
        where = f"{height / 10:.0f} cm above the floor, higher than anyone holds it"
    elif height < 0:
        where = "under the floor"
    else:
        return ""
    return f"by the focal length ({focal_35mm:g} mm) the lens stood {where}; it may be wrong or the picture cut"


def _pitch_error(pose: Pose) -> float | None:
    """Error of the camera's pitch by its plumb lines and by where it pointed, radians; None if it is not levelled."""
    if not pose.levelled:
        return None
    away = [camera.up[2] - pose.camera.up[2] for source, camera in pose.others if source != "focal length"]
    return math.hypot(*away)


def _usual(marks: Marks, plumb: Plumb, focal: float, pitch_error: float | None) -> tuple[float, float, float]:
    """Distance from the body and height over the floor that a focal length (px) gives the lens, mm (NaN if unknown), and how unusual
    they and the shape of the sheet are: the sum of squares, each in its own standard deviations."""
    camera = None if pitch_error is None else levelled(plumb, focal)
    upright = camera or Camera(focal, plumb.middle, (0.0, -1.0, 0.0))
    distance, costs = _distance(marks, upright), []
    if not math.isnan(distance):
        costs.append(math.log(max(distance, 1.0) / DISTANCE) / DISTANCE_SPREAD)
    height = math.nan
    if camera is not None and pitch_error is not None and HIP in marks.lines:
        away = DISTANCE if math.isnan(distance) else max(distance, 1.0)
        points = np.array(marks.lines[HIP])[[0, -1]]
        height = HIP_HEIGHT - away * float(camera.rays(points)[:, 1].mean())
        usual, spread = LENS_HEIGHT, LENS_HEIGHT_SPREAD
        if marks.lens_height_mm is not None:
            usual, spread = marks.lens_height_mm, math.hypot(LENS_TYPED_ERROR, HIP_HEIGHT_ERROR)
        costs.append((height - usual) / math.hypot(spread, away * pitch_error))
    if camera is not None and pitch_error is not None and marks.sheet is not None:
        shape_error = math.hypot(SHEET_SHAPE_ERROR, SHAPE_BY_PITCH * pitch_error)
        tall, wide = _sides(camera.rays(np.array(marks.sheet.corners)))
        costs.append(math.log(tall / wide * marks.sheet.width_mm / marks.sheet.height_mm) / shape_error)
    return distance, height, sum(cost**2 for cost in costs)


def _sides(rays: Array) -> tuple[float, float]:
    """Twice the height and twice the width of a sheet by the rays of its corners (4, 2), clockwise."""
    tall, wide = (float(np.linalg.norm(rays[0] + rays[i] - rays[2] - rays[4 - i])) + 1e-9 for i in (1, 3))
    return tall, wide


def _distance(marks: Marks, camera: Camera) -> float:
    """Distance of the lens from the body by the sheet as marked, or by a known width, mm; NaN if neither is there."""
    if marks.sheet is not None:
        sheet = marks.sheet
        return sheet_distance(camera, sheet.corners, sheet.width_mm, sheet.height_mm) - (sheet.behind_mm or 0.0)
    for name, width in marks.widths_mm.items():
        if name in marks.lines and not marks.hides(name):
            rays = camera.rays(np.array(marks.lines[name]))
            return width / max(float(rays[-1, 0] - rays[0, 0]), 1e-3)
    return math.nan
