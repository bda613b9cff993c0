"""How a picture was taken: the level camera, its distance from the body, and the size of a pixel on the cloth."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.camera import USUAL_FOCAL_35, Camera, focal_px, sheet_distance
from fitdiag.photos.drawn import WIDTHS
from fitdiag.photos.intake import camera_shaped
from fitdiag.photos.level import CLICK_ERROR, Pose, Straight, crossing, follow, posed, snap_straight
from fitdiag.photos.marks import Marks, Sheet
from fitdiag.photos.readings import called
from fitdiag.photos.snap import USUAL_SCALE
from fitdiag.photos.strip import Array, along_side, step_across

FOCAL_ERROR, FOCAL_UNKNOWN = 0.01, 0.25  # as a share
WIDTH_ERROR, SHEET_PLANE_ERROR = 5.0, 10.0  # mm
USUAL_BEHIND, BEHIND_UNKNOWN = 250.0, 200.0  # mm: on a wall or door behind the body, where nobody said how far
LEAST_PX_PER_MM = 1.0
LEAST_SCALE, MOST_SCALE = 0.4, 8.0  # px a millimetre that lines are looked for at
NEAREST, FARTHEST = 400.0, 30_000.0  # mm from the lens; beyond them a mark or a size is wrong
NEAR, FAR = 1600.0, 7000.0  # mm; from nearer or farther nobody takes a whole person: the focal length is in doubt
USUAL_DISTANCE = 3000.0
SHAPE_ERROR = 0.02  # of a sheet's height to its width, as it hangs
MOST_OFF = 25.0  # the most that a sheet's shape counts: one set otherwise is not a sheet of that size
SET_ERROR = 8.0  # px: of a corner set by hand
FAINT = 6.0  # units of `opponent` by which a sheet differs from what is beside it
SHEET_REACH, SAME_EDGE = 14, 2.5  # px
BESIDE_SHEET = (0.0, -1.5, 1.5, 3.0, 4.5)  # so many reaches outwards a second edge is looked for


@dataclass(frozen=True, eq=False)
class Setting:
    """The camera, and how far the side-seam plane lies from it (None where nothing of known size is marked)."""

    pose: Pose
    distance: float | None
    distance_error: float  # as a share
    focal_known: bool
    scale: float  # px a millimetre on the cloth, at least roughly
    warnings: tuple[str, ...]

    @property
    def camera(self) -> Camera:
        """The camera as it was most likely held."""
        return self.pose.camera

    @property
    def away(self) -> float:
        """The distance, or a usual one."""
        return self.distance or USUAL_DISTANCE


def setting(pixels: NDArray[np.uint8], marks: Marks) -> Setting:
    """How a marked picture was taken."""
    cropped = not camera_shaped(marks.width, marks.height)
    known = marks.focal_35mm is not None and not cropped
    focal = focal_px(marks.focal_35mm or USUAL_FOCAL_35, marks.width, marks.height)
    warnings = []
    if cropped:
        warnings.append(
            "this is no camera's shape (4:3, 3:2, 16:9): a picture that was cut no longer tells where the lens looked; "
            "ask for the uncut file"
        )
    plumb = follow(pixels, marks.verticals)
    pose = posed(plumb, focal, FOCAL_ERROR if known else FOCAL_UNKNOWN, cropped=cropped)
    distance, error, told = _distance(pixels, marks, pose)
    if known and distance is not None and not NEAR <= distance <= FAR:
        warnings.append(
            f"by the focal length ({marks.focal_35mm:g} mm) the lens stood {distance / 10:.0f} cm from the body, "
            f"{'nearer' if distance < NEAR else 'farther'} than anyone takes a whole person; it may be wrong or the picture cut"
        )
        known = False
        pose = posed(plumb, focal, FOCAL_UNKNOWN, cropped=cropped)
    scale = min(max(focal / distance, LEAST_SCALE), MOST_SCALE) if distance else _usual_scale(marks)
    if distance is not None and round(scale, 2) < LEAST_PX_PER_MM:  # as it is printed
        sharp = f"{scale:.2f} px to the millimetre; from {LEAST_PX_PER_MM:g} px on"
        warnings.append(f"the picture shows {sharp} lines are found well: zoom in, and send the full-size file")
    level_told = [pose.warning] if pose.warning else []
    return Setting(pose, distance, error, known, scale, (*level_told, *warnings, *told))


def _usual_scale(marks: Marks) -> float:
    """Px a millimetre by how wide bodies usually are."""
    found = [abs(at[-1][0] - at[0][0]) / WIDTHS[name] for name, at in marks.lines.items() if len(at) > 1]
    usual = float(np.median(found)) if found else USUAL_SCALE * marks.height / 3464
    return min(max(usual, LEAST_SCALE), MOST_SCALE)


def _distance(pixels: NDArray[np.uint8], marks: Marks, pose: Pose) -> tuple[float | None, float, list[str]]:
    """Distance to the side-seam plane, mm, its error as a share, and what was left out; None where nothing tells it."""
    camera, found, told = pose.camera, list[tuple[float, float]](), list[str]()
    if marks.sheet is not None:
        corners, error = sheet_corners(pixels, marks.sheet, camera)
        tall = float(np.linalg.norm(corners[0] - corners[3]))
        size = (marks.sheet.width_mm, marks.sheet.height_mm)
        given = marks.sheet.behind_mm
        behind, behind_error = (
            (USUAL_BEHIND, BEHIND_UNKNOWN) if given is None else (given, math.hypot(SHEET_PLANE_ERROR, 0.03 * given))
        )
        at = [(float(x), float(y)) for x, y in corners]
        distance = sheet_distance(camera, at, *size) - behind
        if given is None:
            assumed = f"{behind / 10:.0f} cm, give or take {behind_error / 10:.0f}, is assumed"
            told.append(
                f"how far the sheet hangs behind the side seam was not said: {assumed}; `photo read` takes it with --behind"
            )
        if _likely("the sheet of paper", distance, told):
            held = [] if pose.levelled else [sheet_distance(other, at, *size) - behind for other in pose.others]
            unlevel = math.dist(held, [distance] * len(held)) / distance
            found.append((distance, math.hypot(error / max(tall, 1.0), behind_error / distance, unlevel)))
    for name, width in marks.widths_mm.items():
        if name in marks.lines and not marks.hides(name):
            points = marks.lines[name]
            rays = camera.rays(np.array([points[0], points[-1]]))
            span = float(rays[1, 0] - rays[0, 0])
            if span > 0.001 and _likely(f"the width of the {called(name)}", width / span, told):
                found.append((width / span, math.hypot(WIDTH_ERROR / width, 2 * CLICK_ERROR / (span * camera.focal))))
    if not found:
        told.append("nothing of known size is marked (sheet of paper or a width): no lengths, only angles")
        return None, 0.3, told
    weights = [1 / error**2 for _, error in found]
    mean = sum(w * d for w, (d, _) in zip(weights, found, strict=True)) / sum(weights)
    error = 1 / math.sqrt(sum(weights))
    far = max(abs(distance - mean) for distance, _ in found) / mean
    if far > 3 * max(each for _, each in found):
        told.append(f"the known sizes put the lens at distances that differ by {200 * far:.0f} %; look at their marks")
        error = far
    return mean, error, told


def _likely(what: str, distance: float, told: list[str]) -> bool:
    """Whether a picture can have been taken from there; if not, it is said."""
    if NEAREST <= distance <= FARTHEST:
        return True
    far = f"{distance / 10:.0f} cm" if 0 < distance < 1e6 else "no place at all"
    told.append(f"{what} puts the lens at {far} from the body, so it is left out; look at its marks and size")
    return False


def sheet_corners(pixels: NDArray[np.uint8], sheet: Sheet, camera: Camera) -> tuple[Array, float]:
    """The sheet's corners where its four edges meet, in px, and the error of its height.

    A frame printed on a sheet, or the edge of a board behind it, runs beside its own edge. Of all edges near the points that were
    set those are taken that have a sheet's shape together; what fits nearly as well goes into the error.
    """
    given, found = np.array(sheet.corners), list[tuple[float, float, float, Array]]()
    sides = [_edges_near(pixels, given[i], given[(i + 1) % 4], given[(i + 2) % 4]) for i in range(4)]
    for chosen in itertools.product(*sides):
        edges = [edge for edge, _ in chosen]
        met = [crossing(edges[index - 1], edges[index]) for index in range(4)]
        corners = np.array([p if np.linalg.norm(p - own) < 30 else own for p, own in zip(met, given, strict=True)])
        rays = camera.rays(corners)
        tall, wide = (float(np.linalg.norm(rays[0] + rays[i] - rays[2] - rays[4 - i])) + 1e-9 for i in (1, 3))
        off = math.log(tall / wide / sheet.height_mm * sheet.width_mm) / SHAPE_ERROR
        away = float(((corners - given) ** 2).sum()) / (4 * SET_ERROR**2)
        cost = min(off**2, MOST_OFF) + away + sum(faint for _, faint in chosen)
        found.append((cost, tall * wide, float(np.mean([edge[2] for edge in edges])), corners))
    least, size, error, corners = min(found, key=lambda one: one[0])
    weights = [math.exp((least - cost) / 2) for cost, *_ in found]
    share = [math.sqrt(other / size) - 1 for _, other, *_ in found]
    spread = math.sqrt(float(np.average(np.square(share), weights=weights))) * float(
        np.linalg.norm(corners[0] - corners[3])
    )
    return corners, max(1.0, math.hypot(error, spread))


def _edges_near(pixels: NDArray[np.uint8], first: Array, last: Array, inner: Array) -> list[tuple[Straight, float]]:
    """The straight edges near a side of a sheet, the one nearest to where it was set first, and how faint each is; `inner`: a corner
    on the other side. What lies beyond a sheet differs from it, while a printed line has paper on both sides."""
    out = along_side(first, last, 0.0, 1.0)[1]
    reach = max(5, round(0.02 * abs(float((inner - last) @ out))))
    found: list[tuple[Straight, float]] = []
    for step in BESIDE_SHEET:
        one, other = ((float(x), float(y)) for x, y in (first + step * reach * out, last + step * reach * out))
        edge = snap_straight(pixels, one, other, reach if step else SHEET_REACH)
        if any(max(math.dist(edge[0], seen[0]), math.dist(edge[1], seen[1])) < SAME_EDGE for seen, _ in found):
            continue
        if not step or edge[2] < CLICK_ERROR:
            found.append((edge, (FAINT / (step_across(pixels, np.array(edge[0]), np.array(edge[1])) + 0.1)) ** 2))
    return found
