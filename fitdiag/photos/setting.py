"""How a picture was taken: the levelled camera, its distance from the body, and the scale on the cloth."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitdiag.photos.camera import Camera, sheet_distance
from fitdiag.photos.drawn import ROUND, WIDTHS
from fitdiag.photos.focal import focal_of
from fitdiag.photos.intake import camera_shaped
from fitdiag.photos.level import CLICK_ERROR, Pose, Straight, crossing, follow, posed, snap_straight
from fitdiag.photos.marks import Marks, Sheet
from fitdiag.photos.readings import called
from fitdiag.photos.snap import USUAL_SCALE
from fitdiag.photos.strip import Array, along_side, step_across

WIDTH_ERROR, SHEET_PLANE_ERROR = 5.0, 10.0  # mm
USUAL_BEHIND, BEHIND_UNKNOWN = 250.0, 200.0  # mm: on a wall or door behind the body, if the distance is unknown
LEAST_PX_PER_MM = 1.0
LEAST_SCALE, MOST_SCALE = 0.4, 8.0  # px per millimetre at which lines are searched for
NEAREST, FARTHEST = 400.0, 30_000.0  # mm from the lens; beyond them a mark or a size is wrong
MOST_ASIDE = 0.1  # of the width: people point a camera at the body they photograph
USUAL_DISTANCE = 3000.0
SHAPE_ERROR = 0.02  # of a hanging sheet's aspect ratio
MOST_OFF = 25.0  # cap on the cost of a sheet's shape, for a sheet that is not of the size given
SET_ERROR = 8.0  # px: of a corner set by hand
FAINT = 6.0  # usual difference, in units of `opponent`, between a sheet and what is beside it
SHEET_REACH, SAME_EDGE = 14, 2.5  # px
BESIDE_SHEET = (0.0, -1.5, 1.5, 3.0, 4.5)  # outward offsets, in reaches, at which a second edge is searched for


@dataclass(frozen=True, eq=False)
class Size:
    """A thing of known size in the picture: the distance to the side-seam plane that it gives a camera, mm, and its error as a share."""

    distance: Callable[[Camera], float]
    error: float


@dataclass(frozen=True, eq=False)
class Setting:
    """The camera, and its distance from the side-seam plane, mm (None if nothing of known size is marked)."""

    pose: Pose
    distance: float | None
    distance_error: float  # as a share
    sizes: tuple[Size, ...]
    focal_known: bool
    scale: float  # px per millimetre on the cloth, approximate
    warnings: tuple[str, ...]

    @property
    def camera(self) -> Camera:
        """The most likely camera."""
        return self.pose.camera

    @property
    def away(self) -> float:
        """The distance, mm, or a usual one."""
        return self.distance or USUAL_DISTANCE

    def away_with(self, camera: Camera) -> float:
        """The same with another camera: through a longer lens, what is of known size looks as large from farther away."""
        return _mean(self.sizes, camera) if self.sizes else self.away


def setting(pixels: NDArray[np.uint8], marks: Marks) -> Setting:
    """Work out how a marked picture (H, W, 3) was taken."""
    cut = _cut(marks)
    plumb = follow(pixels, marks.verticals)
    aimed = _body(marks)
    if cut and aimed is not None:
        plumb = replace(plumb, middle=(aimed, plumb.middle[1]))
    focal = focal_of(marks, plumb, cropped=bool(cut))
    pose = posed(plumb, focal.px, focal.error, cropped=bool(cut))
    sizes, notes = _sizes(pixels, marks, pose)
    distance, error = _distance(sizes, pose.camera, notes)
    warnings = [text for text in (pose.warning, cut, focal.doubt) if text]
    scale = min(max(focal.px / distance, LEAST_SCALE), MOST_SCALE) if distance else _usual_scale(marks)
    if distance is not None and round(scale, 2) < LEAST_PX_PER_MM:  # as it is printed
        sharp = f"{scale:.2f} px to the millimetre; from {LEAST_PX_PER_MM:g} px on"
        warnings.append(f"the picture shows {sharp} lines are found well: zoom in, and send the full-size file")
    return Setting(pose, distance, error, tuple(sizes), focal.known, scale, (*warnings, *notes))


def _cut(marks: Marks) -> str:
    """Why a picture must have been cropped; empty if it need not have been."""
    aimed = _body(marks)
    if not camera_shaped(marks.width, marks.height):
        why = "this is not a camera's shape (4:3, 3:2, 16:9)"
    elif marks.cropped:
        why = "the picture's file says that it once had another shape"
    elif aimed is not None and abs(aimed / marks.width - 0.5) > MOST_ASIDE:
        why = "the body stands far from the middle of the picture, as if one side had been cut off"
    else:
        return ""
    return f"{why}: a cropped picture no longer shows where the lens pointed; ask for the uncut file"


def _body(marks: Marks) -> float | None:
    """Where the body stands in a picture, px from its left border, by the lines round the trunk; None if none is marked whole."""
    middles = [
        (points[0][0] + points[-1][0]) / 2
        for name, points in marks.lines.items()
        if name in ROUND and not marks.hides(name)
    ]
    return float(np.median(middles)) if middles else None


def _usual_scale(marks: Marks) -> float:
    """Px per millimetre from the usual widths of bodies."""
    scales = [abs(line[-1][0] - line[0][0]) / WIDTHS[name] for name, line in marks.lines.items() if len(line) > 1]
    usual = float(np.median(scales)) if scales else USUAL_SCALE * marks.height / 3464
    return min(max(usual, LEAST_SCALE), MOST_SCALE)


def _mean(sizes: Sequence[Size], camera: Camera) -> float:
    """The distance that things of known size give a camera together, mm."""
    distances, weights = [size.distance(camera) for size in sizes], [1 / size.error**2 for size in sizes]
    return float(np.average(distances, weights=weights))


def _sizes(pixels: NDArray[np.uint8], marks: Marks, pose: Pose) -> tuple[list[Size], list[str]]:
    """What is of known size in the picture, and notes on what was assumed or left out."""
    camera, found, notes = pose.camera, list[Size](), list[str]()
    if marks.sheet is not None:
        corners, error = sheet_corners(pixels, marks.sheet, camera)
        tall = float(np.linalg.norm(corners[0] - corners[3]))
        size = (marks.sheet.width_mm, marks.sheet.height_mm)
        given = marks.sheet.behind_mm
        behind, behind_error = (
            (USUAL_BEHIND, BEHIND_UNKNOWN) if given is None else (given, math.hypot(SHEET_PLANE_ERROR, 0.03 * given))
        )
        at = [(float(x), float(y)) for x, y in corners]

        def by_sheet(camera: Camera) -> float:
            return sheet_distance(camera, at, *size) - behind

        if given is None:
            assumed = f"{behind / 10:.0f} cm, give or take {behind_error / 10:.0f} cm, is assumed"
            notes.append(
                f"how far the sheet hangs behind the side seam was not given: {assumed}; say it with --behind of `photo read`,"
                " or on the page of `photo mark`"
            )
        distance = by_sheet(camera)
        if _likely("the sheet of paper", distance, notes):
            found.append(Size(by_sheet, math.hypot(error / max(tall, 1.0), behind_error / distance)))
    for name, width in marks.widths_mm.items():
        if name in marks.lines and not marks.hides(name):
            ends = np.array([marks.lines[name][0], marks.lines[name][-1]])

            def by_width(camera: Camera, ends: Array = ends, width: float = width) -> float:
                rays = camera.rays(ends)
                return width / max(float(rays[1, 0] - rays[0, 0]), 1e-9)

            distance = by_width(camera)
            if distance < 1000 * width and _likely(f"the width of the {called(name)}", distance, notes):
                span = width / distance * camera.focal
                found.append(Size(by_width, math.hypot(WIDTH_ERROR / width, 2 * CLICK_ERROR / span)))
    if not found:
        notes.append("nothing of known size is marked (sheet of paper or a width): no lengths, only angles")
    return found, notes


def _distance(sizes: Sequence[Size], camera: Camera, notes: list[str]) -> tuple[float | None, float]:
    """Distance to the side-seam plane, mm (None if unknown), and its error as a share; a note is added if the sizes disagree."""
    if not sizes:
        return None, 0.3
    mean = _mean(sizes, camera)
    far = max(abs(size.distance(camera) - mean) for size in sizes) / mean
    if far > 3 * max(size.error for size in sizes):
        notes.append(f"the known sizes put the lens at distances that differ by {200 * far:.0f} %; look at their marks")
        return mean, far
    return mean, 1 / math.sqrt(sum(1 / size.error**2 for size in sizes))


def _likely(what: str, distance: float, notes: list[str]) -> bool:
    """Whether a picture can have been taken from this distance; if not, add a note."""
    if NEAREST <= distance <= FARTHEST:
        return True
    far = f"{distance / 10:.0f} cm" if 0 < distance < 1e6 else "no place at all"
    notes.append(f"{what} puts the lens at {far} from the body, so it is left out; look at its marks and size")
    return False


def sheet_corners(pixels: NDArray[np.uint8], sheet: Sheet, camera: Camera) -> tuple[Array, float]:
    """Return the sheet's corners (4, 2), px, where its four edges meet, and the error of its height, px.

    A frame printed on a sheet, or the edge of a board behind it, runs beside its own edge. Of all edges near the marked points,
    those that together have a sheet's shape are taken; what fits nearly as well goes into the error.
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
    """The straight edges near a side of a sheet, the one nearest to its marks first, and the cost of each for faintness; `inner`: a
    corner on the other side. What lies beyond a sheet differs from it, while a printed line has paper on both sides."""
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
