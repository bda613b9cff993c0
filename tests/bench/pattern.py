"""How long altering and solving take, how cost grows with the number of points, and shapely's own operations as the floor.

`python tests/bench/pattern.py [--runs N]` prints medians and worst in milliseconds, and ratios from the same run.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from shapely import LineString, Polygon
from shapely.affinity import rotate
from shapely.ops import split
from trousers import Measures, draft

from fitdiag.pattern.draw import drawing
from fitdiag.pattern.ink import svg
from fitdiag.pattern.measure import pattern_measures
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.piece import Pattern, points
from fitdiag.pattern.solve import Target, Wanted, solve_plan

FIVE = (
    "tuck-across-back-hip",
    "overlap-back-wedge",
    "slide-crotch-section-down",
    "scoop-back-curve",
    "shorten-back-inseam",
)


def timed(work: Callable[[], object], runs: int) -> list[float]:
    """Milliseconds of each run, after one that does not count."""
    work()
    result = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        result.append((time.perf_counter() - start) * 1e3)
    return result


def denser(pattern: Pattern, times: int) -> Pattern:
    """The same pattern with `times` as many points on every seam."""
    for side in ("front", "back"):
        piece = pattern.pieces[side]  # type: ignore[arg-type]
        seams = {}
        for name, line in piece.seams.items():
            at = np.linspace(0, len(line) - 1, (len(line) - 1) * times + 1)
            seams[name] = points(
                np.column_stack([np.interp(at, np.arange(len(line)), line[:, axis]) for axis in (0, 1)])
            )
        pattern = pattern.with_piece(piece.with_seams(**seams))
    return pattern


def shapely_floor(pattern: Pattern) -> object:
    """A cut across the back and the upper part turned, by shapely alone: no seams, no names, no measures."""
    polygon = Polygon(pattern.back.outline)
    parts = split(polygon, LineString([(-500, 925), (500, 925)])).geoms
    return [rotate(part, 2.0, origin=(180, 925)) if part.centroid.y > 925 else part for part in parts]


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--runs", type=int, default=30)
    runs = options.parse_args().runs
    block = carry_out(draft(Measures(680, 940, 280, 206, 1040, 220)), "lengthen-back-crotch", 27.6).pattern
    targets = [
        Target("back grain to centre at waist", ">=", 60.0),
        Target("inseam difference, back less front", "=", 0.0, 3.0),
        Target("total crotch length", ">=", 690.0),
    ]
    wanted = [Wanted(name, 0.0, 25.0) for name in FIVE]
    print(f"{'points':>7} {'what':34} {'median ms':>10} {'worst ms':>9} {'x shapely':>10}")
    for times in (1, 4, 16):
        pattern = denser(block, times)
        count = sum(len(line) for line in pattern.back.seams.values())
        floor = median(timed(lambda: shapely_floor(pattern), runs))  # noqa: B023 (used at once)
        for name, work in (
            ("shapely: split and rotate", lambda: shapely_floor(pattern)),  # noqa: B023
            ("one alteration (tuck)", lambda: carry_out(pattern, FIVE[0], 19.05)),  # noqa: B023
            ("all measures", lambda: pattern_measures(pattern)),  # noqa: B023
            ("one drawing, as SVG", lambda: svg(drawing(pattern, carry_out(pattern, FIVE[0], 19.05), "in"))),  # noqa: B023
            ("joint solve of five alterations", lambda: solve_plan(pattern, wanted, targets)),  # noqa: B023
        ):
            found = timed(work, runs)
            print(f"{count:7d} {name:34} {median(found):10.2f} {max(found):9.2f} {median(found) / floor:10.1f}")


if __name__ == "__main__":
    main()
