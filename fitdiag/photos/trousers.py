"""The lines that are drawn on trousers, and what a body is like at each height: all that this room knows of the garment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

Share = tuple[float, float]  # of the half width, and its error

WAIST, HIP, CROTCH = "waist", "hip", "crotch"
KNEES = ("knee-left", "knee-right")
GRAINS = ("grain-left", "grain-right")
LINES = (WAIST, HIP, CROTCH, *KNEES)
MAIN = (HIP, CROTCH)  # drawn round the trunk


@dataclass(frozen=True)
class Trunk:
    """What is known beforehand of a line round the trunk, whose middle is nearer to the lens than its ends.

    `width`: usual width, mm; `depth`, `depth_in_front`: of the body behind and in front of the side seams; in mm: how far the
    trunk is from half an ellipse, the folds along the line, how far left and right differ in depth, and `cleft`: how far the
    centre lies behind the cloth 3 cm beside it, and its error (None: the line is the edge of the cloth, no drawn one).
    """

    width: float
    depth: Share
    depth_in_front: Share
    off_ellipse: float
    waves: float
    lopsided: float
    cleft: tuple[float, float] | None = None


ROUND: Mapping[str, Trunk] = {
    WAIST: Trunk(290.0, (0.63, 0.12), (0.66, 0.12), 6.0, 3.0, 1.0),
    HIP: Trunk(370.0, (0.62, 0.11), (0.59, 0.13), 4.0, 0.3, 1.5, (5.0, 3.0)),
    CROTCH: Trunk(365.0, (0.56, 0.12), (0.52, 0.13), 6.0, 1.5, 2.5, (8.0, 6.0)),
}
WIDTHS = {**{name: line.width for name, line in ROUND.items()}, **dict.fromkeys(KNEES, 160.0)}  # mm
LEG_DEPTH, LEG_DEPTH_ERROR = 0.95, 0.2  # of the half width
CALLED: Mapping[str, str] = {
    WAIST: "Waist edge",
    **{name: f"{name.title()} line" for name in MAIN},
    **{f"{part}-{leg}": f"{part.title()} line, {leg} leg" for part in ("knee", "grain") for leg in ("left", "right")},
}  # fmt: skip
# A line that rises so towards the centre runs into the fork, degrees; over the fork the cloth turns under, and a line follows it;
# under the seat it folds away behind the outline, mm.
FORK_SLOPE, FORK_FOLDS, UNDER_SEAT = -6.0, 4.0, 3.0
INSEAM = (7.0, 11.0)  # mm: at the knee the inner edge lies so much farther forward than the outer one, and its error
KNEE_SHARE, KNEE_SHARE_ERROR = 0.575, 0.03  # of the hip line's height over the floor the knee line lies at; from memory
