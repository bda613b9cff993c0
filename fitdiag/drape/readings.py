"""What a fitter would read off the muslin at rest: lines, grains, seams, stand-off, pull and folds, as numbers with units.

Signs: a dip is + if the centre hangs below the side; a lean is + outwards, and + with the lower end forward; a side seam is +
if its upper end is forward of its lower one. For half the garment unless said otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fitdiag.drape.body import Array, Body
from fitdiag.drape.cloth import Sheet, Stress
from fitdiag.drape.mesh import Mesh
from fitdiag.drape.panels import Cut, Panel
from fitdiag.drape.settle import Rested
from fitdiag.pattern.garment import arc, at_far

NEAR_CENTRE_MM = 60.0  # length of line next to the centre seam over which a V is read
STRONGEST = 0.1  # a pull is the mean over this share of a region's triangles, the most stressed
FOLD_MM = 90.0  # shorter wavelengths of a line are folds, longer ones the shape below


@dataclass(frozen=True)
class Reading:
    """What a reading is, in words, and its unit (mm, degrees, N, N/m, %)."""

    words: str
    unit: str


READINGS: Mapping[str, Reading] = {
    "dip-centre-back": Reading("the hip line dips at centre back", "mm"),
    "dip-centre-front": Reading("the hip line dips at centre front", "mm"),
    "crotch-line-dip-back": Reading("the crotch line dips at the back grain", "mm"),
    "crotch-line-dip-front": Reading("the crotch line dips at the front grain", "mm"),
    "v-centre-back": Reading("the V of the hip line at centre back", "degrees"),
    "v-centre-front": Reading("the V of the hip line at centre front", "degrees"),
    "side-seam-upper": Reading("the side seam from waist to hip leans (waist forward)", "degrees"),
    "side-seam-leg": Reading("the side seam from hip to hem leans (hip forward)", "degrees"),
    "side-seam-hip": Reading("the side seam at the hip lies forward of the middle", "mm"),
    "back-grain-out": Reading("the back grain of the leg leans out", "degrees"),
    "front-grain-out": Reading("the front grain of the leg leans out", "degrees"),
    "back-grain-forward": Reading("the back grain of the leg leans forward", "degrees"),
    "front-grain-forward": Reading("the front grain of the leg leans forward", "degrees"),
    "back-grain-at-waist": Reading("the back grain meets the waist this far from centre back", "mm"),
    "back-grain-at-hip": Reading("the back grain crosses the hip line this far from centre back", "mm"),
    "crotch-hang": Reading("the crotch hangs below the body", "mm"),
    "crotch-cut": Reading("the crotch presses up", "N"),
    "seat-stands-off": Reading("the centre seam stands off the seat", "mm"),
    "under-seat-stands-off": Reading("the cloth under the seat stands off", "mm"),
    "back-waist-stands-off": Reading("the cloth above the seat stands off", "mm"),
    "abdomen-stands-off": Reading("the cloth over the abdomen stands off", "mm"),
    "thigh-stands-off": Reading("the cloth over the front thigh stands off", "mm"),
    "waist-pulled-back": Reading("the waist is pulled down at centre back", "N"),
    "waist-pulled-front": Reading("the waist is pulled down at centre front", "N"),
    "waist-drop-back": Reading("the waist comes down at centre back", "mm"),
    "waist-drop-front": Reading("the waist comes down at centre front", "mm"),
    "pull-seat": Reading("the pull over the seat", "N/m"),
    "pull-hip": Reading("the pull across the back hip", "N/m"),
    "pull-above-seat": Reading("the pull above the seat at centre back", "N/m"),
    "pull-back-crotch": Reading("the pull at the back crotch", "N/m"),
    "pull-front-crotch": Reading("the pull at the front crotch", "N/m"),
    "across-back-hip": Reading("the tension round the back hip", "N/m"),
    "folds-under-seat": Reading("length lying in folds under the seat", "%"),
    "folds-over-seat": Reading("length lying in folds over the seat", "%"),
    "folds-front": Reading("length lying in folds in front", "%"),
}


class Worn:
    """A garment at rest on a body; maps points on the paper to space. `places`: (n, 3) in mm."""

    def __init__(self, cut: Cut, mesh: Mesh, sheet: Sheet, body: Body, rested: Rested) -> None:
        self.cut, self.mesh, self.sheet, self.body, self.rested = cut, mesh, sheet, body, rested
        self.places = rested.places * 1000.0

    @cached_property
    def stress(self) -> Stress:
        return self.sheet.stress(self.rested.places)

    def panel(self, piece: int) -> Panel:
        return self.mesh.pieces[piece].panel

    def piece(self, front: bool, *, left: bool = False) -> int:
        """Index of the front or back piece of a side."""
        indices = [k for k, piece in enumerate(self.mesh.pieces) if piece.panel.front == front]
        return indices[-1 if left else 0]

    def at(self, piece: int, flat: Array) -> Array:
        """Positions (n, 3) in mm of flat points (n, 2) on a piece."""
        corners, weights = self.mesh.locate(piece, flat)
        return np.asarray((self.places[corners] * weights[:, :, None]).sum(1))

    def line(self, piece: int, name: str, count: int = 60) -> Array:
        """A line drawn on a piece as it hangs, from the centre to the side, (count, 3) in mm."""
        drawn = self.panel(piece).lines[name]
        return self.at(piece, at_far(drawn, np.linspace(0.004, 0.996, count) * arc(drawn)[-1]))


def read(worn: Worn, *, left: bool = False) -> dict[str, float]:
    """Take all readings of one side, by the names of READINGS; those the garment does not have are left out."""
    front, back = worn.piece(True, left=left), worn.piece(False, left=left)
    found = _lines(worn, front, back) | _seams(worn, front, back) | _waist(worn, left=left) | _pull(worn, front, back)
    found |= _stand_off(worn, front, back)
    if worn.panel(back).fork is not None:
        found |= _crotch(worn, front, back) | _folds(worn, front, back)
    return {name: float(found[name]) for name in READINGS if name in found and np.isfinite(found[name])}


def _lines(worn: Worn, front: int, back: int) -> dict[str, float]:
    before, behind = worn.line(front, "hip"), worn.line(back, "hip")
    side = 0.5 * (before[-1, 2] + behind[-1, 2])
    found = {
        "dip-centre-back": side - behind[0, 2], "dip-centre-front": side - before[0, 2],
        "v-centre-back": _slope(behind), "v-centre-front": _slope(before),
    }  # fmt: skip
    if "crotch" in worn.panel(back).lines:
        lower = [worn.line(piece, "crotch")[-1, 2] for piece in (front, back)]
        for name, piece in (("front", front), ("back", back)):
            panel = worn.panel(piece)
            on_grain = np.array([[panel.grain[0, 0], panel.level("crotch")]])
            found[f"crotch-line-dip-{name}"] = float(np.mean(lower)) - worn.at(piece, on_grain)[0, 2]
    return found


def _slope(line: Array) -> float:
    """Slope of a line next to the centre seam, degrees."""
    steps = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    far = line[int(np.searchsorted(steps, NEAR_CENTRE_MM))] - line[0]
    return float(np.degrees(np.arctan2(far[2], np.hypot(far[0], far[1]))))


def _seams(worn: Worn, front: int, back: int) -> dict[str, float]:
    found: dict[str, float] = {}
    panel = worn.panel(front)
    side = panel.chain(worn.cut.outer)
    hip = int(np.hypot(*(side - panel.lines["hip"][-1]).T).argmin())
    waist, at_hip, hem = worn.at(front, side[np.array([0, hip, -1])])
    found["side-seam-upper"] = _lean(waist - at_hip, 1)
    found["side-seam-leg"] = _lean(at_hip - hem, 1)
    found["side-seam-hip"] = at_hip[1]
    for name, piece in (("front", front), ("back", back)):
        panel = worn.panel(piece)
        grain, low = panel.grain[0]
        upper, lower = worn.at(piece, np.array([[grain, panel.level("hip")], [grain, low + 20.0]]))
        outward = -1.0 if worn.mesh.mirrored[piece] else 1.0
        found[f"{name}-grain-out"] = outward * _lean(lower - upper, 0, down=True)
        found[f"{name}-grain-forward"] = _lean(lower - upper, 1, down=True)
    panel = worn.panel(back)
    centre = panel.chain(worn.cut.centre)[-1]
    top = worn.at(back, np.array([panel.grain[1] - [0.0, 1.0], centre]))
    found["back-grain-at-waist"] = float(np.hypot(*(top[0] - top[1])[:2])) * np.sign(panel.grain[1, 0] - centre[0])
    line = panel.lines["hip"]
    cross = np.array([[panel.grain[0, 0], float(np.interp(panel.grain[0, 0], *line[[0, -1]].T))], line[0]])
    found["back-grain-at-hip"] = float(np.hypot(*np.diff(worn.at(back, cross), axis=0)[0, :2]))
    return found


def _lean(run: Array, axis: int, *, down: bool = False) -> float:
    """Angle of a vector from plumb along an axis, degrees; `down`: the vector points down."""
    return float(np.degrees(np.arctan2(run[axis], -run[2] if down else run[2])))


def _waist(worn: Worn, *, left: bool) -> dict[str, float]:
    pull, places = worn.rested.holding[:, 2], worn.places
    mine = (places[:, 0] < 0) if left else (places[:, 0] >= 0)
    ring, scale = worn.body.outline(worn.body.figure.waist_height, 0.0), worn.body.shape.scale
    middle = 0.5 * (ring[:, 1].max() + ring[:, 1].min())
    behind = pull[mine & (places[:, 1] < middle - 50.0 * scale)].sum()
    before = pull[mine & (places[:, 1] > middle + 50.0 * scale)].sum()
    ends = {}
    for name, piece in (("front", worn.piece(True, left=left)), ("back", worn.piece(False, left=left))):
        end = worn.panel(piece).chain(worn.cut.centre)[-1]
        ends[f"waist-drop-{name}"] = worn.body.figure.waist_height - worn.at(piece, end[None])[0, 2]
    return {"waist-pulled-back": behind, "waist-pulled-front": before, **ends}


def _pull(worn: Worn, front: int, back: int) -> dict[str, float]:
    mesh, stress, area = worn.mesh, worn.stress, worn.sheet.area
    most, middle = stress.tensions()[0], mesh.flat[mesh.corners].mean(axis=1)

    def strongest(where: Array) -> float:
        values = np.sort(most[where])[::-1]
        return float(values[: max(3, int(STRONGEST * len(values)))].mean()) if len(values) > 2 else np.nan

    x, y = middle.T
    grain, hip, of_back = worn.panel(back).grain[0, 0], worn.panel(back).level("hip"), mesh.of == back
    found = {
        "pull-hip": strongest(of_back & (np.abs(y - hip) < 50) & (x > grain)),
        "pull-seat": strongest(of_back & (np.abs(y - hip - 10) < 50) & (x < grain + 40)),
        "pull-above-seat": strongest(of_back & (y > hip + 30) & (x < grain + 20)),
    }
    for name, piece in (("back", back), ("front", front)):
        panel, mine = worn.panel(piece), mesh.of == piece
        band = mine & (np.abs(y - panel.level("hip")) < 30)
        found[f"across-{name}-hip"] = float(np.average(stress.stress[band, 0], weights=area[band]))
        if panel.fork is not None:
            point = panel.chain(worn.cut.centre)[0]
            found[f"pull-{name}-crotch"] = strongest(mine & (np.hypot(*(middle - point).T) < 80))
    return found


def _crotch(worn: Worn, front: int, back: int) -> dict[str, float]:
    (x, y, up), scale, z = worn.places.T, worn.body.shape.scale, worn.body.crotch_height
    seam = np.concatenate([worn.places[worn.mesh.points(piece, *worn.cut.centre)] for piece in (front, back)])
    near = (np.abs(x) < 30 * scale) & (up < z + 50) & (up > z - 60) & (y > -120 * scale) & (y < 85 * scale)
    near &= (x <= 1e-6) if worn.mesh.mirrored[back] else (x >= 0)
    return {"crotch-hang": z - seam[:, 2].min(), "crotch-cut": -worn.rested.contact[near, 2].sum()}


def _stand_off(worn: Worn, front: int, back: int) -> dict[str, float]:
    mesh, body, found = worn.mesh, worn.body, {}
    seam = worn.places[mesh.points(back, *worn.cut.centre)]
    hip = body.figure.waist_height - body.figure.waist_to_hip
    beside = seam[(seam[:, 2] > hip - 54) & (seam[:, 2] < hip + 86)]
    found["seat-stands-off"] = float(body.distance(beside).mean()) if len(beside) else np.nan
    ranges = [("back-waist-stands-off", back, "hip", 80.0, 186.0), ("abdomen-stands-off", front, "hip", 0.0, 146.0)]
    if worn.panel(back).fork is not None:
        ranges += [
            ("under-seat-stands-off", back, "crotch", -140.0, -10.0),
            ("thigh-stands-off", front, "crotch", -100.0, -10.0),
        ]
    for name, piece, line, low, high in ranges:
        flat = mesh.pieces[piece].flat
        level = worn.panel(piece).level(line)
        inside = np.nonzero((flat[:, 1] > level + low) & (flat[:, 1] < level + high))[0]
        found[name] = float(body.distance(worn.places[mesh.sewn[mesh.starts[piece] + inside]]).mean())
    return found


def _folds(worn: Worn, front: int, back: int) -> dict[str, float]:
    """Slack of vertical lines beside the grain, clear of the darts, percent."""
    ranges = (  # offsets from the grain, then start and end above the crotch line; no end: up to the waist or its darts
        ("folds-under-seat", back, (-50.0, 0.0, 50.0), -260.0, 20.0),
        ("folds-over-seat", back, (-30.0, 20.0, 70.0), 20.0, None),
        ("folds-front", front, (-50.0, 0.0, 50.0), -100.0, None),
    )
    found = {}
    for name, piece, beside, start, end in ranges:
        panel = worn.panel(piece)
        level, grain = panel.level("crotch"), panel.grain[0, 0]
        upper = (line[:, 1].min() for edge, line in panel.outline if edge == worn.cut.held or "dart" in edge)
        heights = np.linspace(level + start, min(upper) - 10.0 if end is None else level + end, 200)
        lines = [np.column_stack([np.full(200, grain + x), heights]) for x in beside]
        found[name] = float(np.mean([_slack(worn.at(piece, line)) for line in lines]))
    return found


def _slack(line: Array) -> float:
    """By how many percent a line is longer than with its folds smoothed out."""
    steps = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    even = np.linspace(0, steps[-1], len(line))
    line = np.column_stack([np.interp(even, steps, line[:, k]) for k in range(3)])
    window = max(3, int(FOLD_MM / even[1]) // 2 * 2 + 1)
    kernel = np.hanning(window + 2)[1:-1] / np.hanning(window + 2).sum()
    padded = np.pad(line, ((window // 2, window // 2), (0, 0)), mode="reflect", reflect_type="odd")
    smooth = np.column_stack([np.convolve(padded[:, k], kernel, "valid") for k in range(3)])
    return float((steps[-1] / np.linalg.norm(np.diff(smooth, axis=0), axis=1).sum() - 1) * 100.0)
