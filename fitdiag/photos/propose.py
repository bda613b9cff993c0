"""Proposals: everything worth marking in a picture, found without marks, for the fitter to confirm.

Lines come from `find_lines`, plumb lines and the sheet from `find_room`. Each is named in `proposed`, and what speaks against it is
in `doubts`. What the fitter marked stays as it is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fitdiag.photos.camera import USUAL_FOCAL_35, focal_px
from fitdiag.photos.find_lines import SEAM, Lines, find_lines, larger
from fitdiag.photos.find_room import find_sheet, find_uprights, marked_corner
from fitdiag.photos.focal import FOCAL_ERROR, FOCAL_UNKNOWN
from fitdiag.photos.level import Pair, Pose
from fitdiag.photos.marks import Marks, Points, Sheet, upright
from fitdiag.photos.trousers import GRAINS, LINES

LOOKED_AT = 1800  # px: pictures at least twice this high are searched in a smaller copy
SAME_PX = 0.008  # of the picture's height: a line found this near a marked one is the same
MIRRORED = "its marked corner is at the top right, as in a mirror image"
LEAST_APART = 0.3  # of the picture's width
MOST_ROLL, MOST_PITCH = 5.0, 22.0  # degrees: few hold a camera at a larger angle


def proposals(pixels: NDArray[np.uint8], marks: Marks) -> Marks:
    """Return the marks with everything found in the picture (H, W, 3) that was not yet marked."""
    if min(pixels.shape[:2]) < 300:
        return marks
    share = max(1, pixels.shape[0] // LOOKED_AT)
    copy = np.asarray(Image.fromarray(pixels).reduce(share)) if share > 1 else pixels
    seen = find_lines(copy, marks.view)
    new: dict[str, tuple[Any, str]] = {}  # each with what speaks against it
    for kind, marked in ((LINES, marks.lines), (GRAINS, marks.grains), ((SEAM,), {SEAM: marks.centre_seam})):
        kept = {name: points for name, points in marked.items() if points}
        for name in seen.points:
            points = larger(seen.points[name], share)
            if name in kind and name not in kept and not _taken(points, kept.values(), marks.height):
                kept[name] = points
                new[name] = points, seen.doubts.get(name, "")
    new |= _in_the_room(copy, share, marks, seen)
    of = {name: value for name, (value, _) in new.items()}
    return replace(
        marks,
        lines={**marks.lines, **{name: of[name] for name in of if name in LINES}},
        grains={**marks.grains, **{name: of[name] for name in of if name in GRAINS}},
        proposed=tuple(dict.fromkeys((*marks.proposed, *new))),
        doubts={**marks.doubts, **{name: doubt for name, (_, doubt) in new.items() if doubt}},
        **{name: of[name] for name in (SEAM, "verticals", "sheet") if name in of},
    )


def _in_the_room(pixels: NDArray[np.uint8], share: int, marks: Marks, found: Lines) -> dict[str, tuple[Any, str]]:
    """Plumb lines and the sheet, if none are marked; `pixels`: the picture downscaled by `share`."""
    focal = focal_px(marks.focal_35mm or USUAL_FOCAL_35, marks.width, marks.height) / share
    body, error = found.body, FOCAL_ERROR if marks.focal_35mm else FOCAL_UNKNOWN
    uprights, pose = find_uprights(pixels, focal, error, body and (body[0], body[2]))
    new: dict[str, tuple[Any, str]] = {}
    if pose is None:
        return new
    shown = (_shown(larger(pair, share), marks) for pair in uprights)
    verticals = tuple((pair[0], pair[1]) for pair in shown if len(pair) == 2 and upright(pair))
    if verticals and not marks.verticals:
        new["verticals"] = verticals, _askew(uprights, pose, pixels.shape[1])
    if marks.sheet is None and (seen := find_sheet(pixels, pose.camera, body)) is not None:
        doubt = MIRRORED if marked_corner(pixels, seen.corners) == "right" else seen.doubt
        new["sheet"] = Sheet(larger(seen.corners, share), *seen.size, behind_mm=None), doubt
    return new


def _shown(pair: Points, marks: Marks) -> Points:
    """The part of a line inside the picture; empty if none is."""
    first, last = np.array(pair)
    places = first + np.linspace(0.0, 1.0, 2001)[:, None] * (last - first)
    inside = places[((places >= 0) & (places <= (marks.width - 1, marks.height - 1))).all(axis=1)]
    return tuple((float(x), float(y)) for x, y in inside[[0, -1]]) if len(inside) > 1 else ()


def _askew(uprights: Sequence[Pair], pose: Pose, width: int) -> str:
    """Why these may not be plumb lines; empty if nothing speaks against them."""
    middles = [(top[0] + bottom[0]) / 2 for top, bottom in uprights]
    if max(middles) - min(middles) < LEAST_APART * width:
        return "all of them are close together on one side"
    roll, pitch = (math.degrees(math.asin(pose.camera.up[axis])) for axis in (0, 2))
    if abs(roll) > MOST_ROLL or abs(pitch) > MOST_PITCH:
        return f"the camera would have been held {abs(roll):.0f} degrees rolled and {abs(pitch):.0f} tipped"
    return ""


def _taken(points: Points, marked: Iterable[Points], height: int) -> bool:
    """Whether this line is already marked under another name."""
    middle = points[len(points) // 2]
    return any(
        abs(float(np.interp(middle[0], *np.array(sorted(other)).T)) - middle[1]) < SAME_PX * height
        and min(p[0] for p in other) <= middle[0] <= max(p[0] for p in other)
        for other in marked
    )
