"""How true the error is that an estimate from taped lengths states, on patterns that are not of the block's family.

Each pattern is a block of other measures whose corners are moved by up to 10 mm each way and whose seams are bowed by up to 10 mm,
most of it anywhere along them; each length is read with a tape error of 2 mm. The true error is the root mean square distance of
points of the true outline from the estimated one, each piece laid on the other by its middle; shapely measures it.

`python tests/bench/estimate.py [--patterns N] [--seed N]` prints stated and true error from ten lengths, and with those asked for.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from shapely import LinearRing, LineString, Point
from trousers import Measures, draft

from fitdiag.pattern.alter import redraw
from fitdiag.pattern.fit import fit, tape_measures
from fitdiag.pattern.garment import arc
from fitdiag.pattern.piece import Pattern

TEN = ("front waist after darts", "back waist after darts", "front hip", "back hip", "front inseam", "back inseam",
       "front crotch curve", "back crotch curve", "front hem", "back hem")  # fmt: skip
RANGES = ((640, 900), (900, 1150), (255, 310), (190, 220), (980, 1080), (190, 260))
MOST_MM, TAPE_MM = 10.0, 2.0


def stranger(dice: np.random.Generator) -> Pattern:
    """A pattern of another hand."""
    pattern = draft(Measures(*(float(dice.uniform(*limits)) for limits in RANGES)))
    for piece in list(pattern.pieces.values()):
        seams = piece.part.seams
        corners = dice.uniform(-MOST_MM, MOST_MM, (len(seams), 2))
        bows, tops = dice.uniform(-MOST_MM, MOST_MM, len(seams)), dice.uniform(0.3, 0.7, len(seams))
        drawn, following = {}, np.roll(corners, -1, axis=0)
        for k, seam in enumerate(seams):
            line = piece.seams[seam]
            run = (line[-1] - line[0]) / np.hypot(*(line[-1] - line[0]))
            normal = np.array([-run[1], run[0]])
            nearly_straight = seam in (seams[0], piece.part.stays)  # waist and hem
            bow, top = float(bows[k]) * (0.3 if nearly_straight else 1.0), float(tops[k])
            t = (arc(line) / LineString(line).length)[:, None]
            bump = np.sin(np.where(t < top, t / top, (1 - t) / (1 - top)) * np.pi / 2) ** 2
            drawn[seam] = line + (1 - t) * corners[k] + t * following[k] + bump * bow * normal
        pattern = pattern.with_piece(redraw(piece, drawn))
    return pattern


def off(estimate: Pattern, truth: Pattern) -> float:
    """Root mean square distance of the true outline from the estimated one, mm."""
    squares = []
    for name, piece in truth.pieces.items():
        other = estimate.pieces[name]
        both = []
        for one in (piece, other):
            tracks = [LineString(one.seams[seam]) for seam in one.part.seams]
            places = [track.interpolate(share, normalized=True) for track in tracks for share in np.linspace(0, 1, 12)]
            both.append(np.array([(at.x, at.y) for at in places]))
        shift = (both[1] - both[0]).mean(axis=0)
        ring = LinearRing(other.outline)
        squares += [ring.distance(Point(*(at + shift))) ** 2 for at in both[0]]
    return float(np.sqrt(np.mean(squares)))


def main() -> None:
    """Print the figures."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--patterns", type=int, default=30)
    options.add_argument("--seed", type=int, default=7)
    chosen = options.parse_args()
    dice = np.random.default_rng(chosen.seed)
    rows = []
    for _ in range(chosen.patterns):
        truth = stranger(dice)
        lengths = tape_measures(truth)
        ten = {name: lengths[name] + float(dice.normal(0, TAPE_MM)) for name in TEN}
        found = fit(ten)
        more = fit({**ten, **{name: lengths[name] + float(dice.normal(0, TAPE_MM)) for name, _ in found.ask}})
        rows.append((found.off, off(found.pattern, truth), more.off, off(more.pattern, truth)))
    table = np.array(rows)
    for words, stated, true in (("ten lengths", 0, 1), ("with the three asked for", 2, 3)):
        inside = float(np.mean(table[:, true] <= table[:, stated]))
        print(f"{words}: stated {np.median(table[:, stated]):.1f} mm, true {np.median(table[:, true]):.1f} mm (medians),"
              f" within the stated one in {inside:.0%} of {len(table)}")  # fmt: skip


if __name__ == "__main__":
    main()
