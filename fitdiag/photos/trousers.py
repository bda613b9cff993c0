"""The lines drawn on trousers, and the body's priors at each height: all that this package knows about the garment."""

from __future__ import annotations

from collections.abc import Mapping

from fitdiag.photos.trunk import Depth, Trunk

WAIST, HIP, CROTCH = "waist", "hip", "crotch"
KNEES = ("knee-left", "knee-right")
GRAINS = ("grain-left", "grain-right")
LINES = (WAIST, HIP, CROTCH, *KNEES)
MAIN = (HIP, CROTCH)  # drawn round the trunk

ROUND: Mapping[str, Trunk] = {
    WAIST: Trunk(290.0, Depth(0.70, 0.08, 0.49, 0.04), Depth(0.74, 0.08, 0.51, 0.05), (0.0, 5.0), 0.9, 1.0),
    HIP: Trunk(370.0, Depth(0.65, 0.09, 0.465, 0.055), Depth(0.64, 0.11, 0.45, 0.04), (5.0, 7.0), 0.3, 2.8, (5.0, 3.7)),
    CROTCH: Trunk(
        365.0, Depth(0.6, 0.1, 0.465, 0.06), Depth(0.56, 0.12, 0.45, 0.06), (50.0, 35.5), 1.5, 2.8, (8.0, 6.0)
    ),
}
BORDER_WAVES = 4.5  # mm: waviness of the top edge of the cloth, where no waistline is drawn
OVER_WAISTLINE_MM = 8.0  # least cloth above a waistline
CLEFT_IN_FRONT = 0.3  # as a share of the cleft at the back
WIDTHS = {**{name: line.width for name, line in ROUND.items()}, **dict.fromkeys(KNEES, 160.0)}  # mm
LEG_DEPTH, LEG_DEPTH_ERROR = 0.95, 0.2  # of the half width
CALLED: Mapping[str, str] = {
    WAIST: "Waistline",
    **{name: f"{name.title()} line" for name in MAIN},
    **{f"{part}-{leg}": f"{part.title()} line, {leg} leg" for part in ("knee", "grain") for leg in ("left", "right")},
}  # fmt: skip
# Slope towards the centre, degrees, from which a line runs into the fork; error where the cloth turns under at the fork, and where it
# folds away behind the outline under the seat, mm.
FORK_SLOPE, FORK_FOLDS, UNDER_SEAT = -6.0, 5.0, 3.0
# mm by which a leg's outer edge is nearer the lens than its inner one at the knee, and the error
LEG_TURNED = (7.0, 4.2)
KNEE_SHARE, KNEE_SHARE_ERROR = 0.575, 0.03  # height of the knee line as a share of the hip line's; from memory
HIP_HEIGHT, HIP_HEIGHT_ERROR = 850.0, 70.0  # mm above the floor: half of what people are tall
