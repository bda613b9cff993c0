"""The table of draped muslins in the words of the rules: which column is which sign, which fault is which cause.

Fits the slopes and the right block's readings of the rule base to the table, graded `simulated`:

    python tests/bench/lab.py TABLE.csv            # what the files would say
    python tests/bench/lab.py TABLE.csv --write    # writes rules/trousers/slopes.yaml and at-rest.yaml

Fit: the slope of a cause on a sign is, per body, the least-squares line through that body's right block over all its
amounts; the mean over bodies counts. Scatter: root mean square of what is left, per mm of extent, over all its muslins, so
that it holds the difference of bodies as well as of amounts. At rest: mean over bodies of the right block, and its
covariance as six factors that signs share (principal components, in units of the reading error) plus a rest of its own.
"""

from __future__ import annotations

import argparse
import csv
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitdiag.knowledge.folders import default_rules
from fitdiag.knowledge.model import RestRow, RuleBase, SlopeRow

Array = NDArray[np.float64]
FACTORS = 6


@dataclass(frozen=True)
class Sign:
    """A column as a reading of the rules: symptom, mm for one unit of the column, reading error in mm (one sd)."""

    column: str
    symptom: str
    mm: float
    error_mm: float


def _degrees(over_mm: float) -> float:
    return math.tan(math.radians(1.0)) * over_mm


_V, _TOP, _LEG, _GRAIN = _degrees(60.0), _degrees(206.0), _degrees(834.0), _degrees(600.0)

# Errors as in the table's own account: drawn lines 2 mm, angles 0.4 to 1.5 degrees.
LINES = (
    Sign("dip_CB", "balance-lines-dip-to-back", 10.0, 2.0),
    Sign("dip_CF", "balance-lines-dip-to-front", 10.0, 2.0),
    Sign("crline_dip_back", "crotch-line-drops-behind", 10.0, 2.0),
    Sign("crline_dip_front", "crotch-line-drops-in-front", 10.0, 2.0),
    Sign("V_CB_deg", "v-at-centre-back", _V, 1.5 * _V),
    Sign("V_CF_deg", "v-at-centre-front", _V, 1.5 * _V),
    Sign("side_tilt_up", "side-seam-leans-forward-above-hip", _TOP, 0.6 * _TOP),
    Sign("side_tilt_leg", "side-seam-runs-forward", -_LEG, 0.4 * _LEG),
    Sign("side_y_hip", "side-seam-bows-forward-at-hip", 10.0, 2.0),
    Sign("grain_back_lean_x", "back-grain-leans-out", _GRAIN, 0.4 * _GRAIN),
    Sign("grain_front_lean_x", "front-grain-leans-out", _GRAIN, 0.4 * _GRAIN),
    Sign("grain_back_lean_y", "back-grain-leans-forward", _GRAIN, 0.4 * _GRAIN),
    Sign("grain_front_lean_y", "front-grain-leans-forward", _GRAIN, 0.4 * _GRAIN),
    Sign("grain_CB_waist", "grainline-near-centre-back", 10.0, 2.0),
)
EDGES = (
    Sign("waist_drop_CB", "waist-dips-at-back", 10.0, 2.0),
    Sign("waist_drop_CF", "waist-dips-at-front", 10.0, 2.0),
    Sign("crotch_hang", "crotch-hangs-low", 10.0, 3.0),
    Sign("gap_underseat", "seat-clings-underneath", 10.0, 3.0),
)
SIGNS = (*LINES, *EDGES)

# Faults that the signs of the table cannot part stand under one cause (rise by the waist or by the crotch level). A back
# grainline brought to centre back may have been cut so or drafted so: the table does not know, both count.
CAUSES: Mapping[tuple[str, int], tuple[str, ...]] = {
    ("wedgeB", 1): ("back-too-long-above-crotch",), ("wedgeB", -1): ("back-too-short-above-crotch",),
    ("extB", 1): ("back-extension-too-long",), ("extB", -1): ("back-extension-too-short",),
    ("raiseB", 1): ("back-curve-too-shallow",), ("raiseB", -1): ("back-curve-too-deep",),
    ("tip", 1): ("seat-angle-too-small",), ("tip", -1): ("seat-angle-too-great", "grain-thrown-to-centre-back"),
    ("rise", 1): ("rise-too-deep",), ("rise", -1): ("rise-too-shallow",),
    ("hipB", 1): ("back-too-wide",), ("hipB", -1): ("back-too-narrow",),
    ("wedgeF", 1): ("front-crotch-curve-too-long",), ("wedgeF", -1): ("front-crotch-curve-too-short",),
    ("swing", 1): ("leg-too-open",), ("swing", -1): ("leg-too-closed",),
    ("dropB", 1): ("back-crotch-curve-too-long",), ("dropB", -1): ("back-crotch-sits-too-high",),
    ("scoopF", 1): ("front-curve-too-deep",), ("scoopF", -1): ("front-curve-too-shallow",),
    ("extF", 1): ("front-extension-too-long",), ("extF", -1): ("front-extension-too-short",),
}  # fmt: skip
_SAME = {"wedgeBhi": "wedgeB", "wedgeBlo": "wedgeB", "dropAll": "rise", "swingF": "swing"}


@dataclass(frozen=True)
class Muslin:
    """One draped muslin: its body, its faults in mm, and its readings in mm by symptom."""

    body: str
    faults: Mapping[str, float]
    readings: Mapping[str, float]

    @property
    def kinds(self) -> dict[tuple[str, int], float]:
        """Kinds of faults (the key of CAUSES) with their amounts in mm; hem of back and front swung alike is one."""
        found: dict[tuple[str, int], float] = {}
        for name, mm in self.faults.items():
            kind = (_SAME.get(name, name), 1 if mm > 0 else -1)
            found[kind] = max(found.get(kind, 0.0), abs(mm))
        return found


def read_table(path: Path, signs: Sequence[Sign] = SIGNS) -> list[Muslin]:
    """All muslins of a table."""
    with path.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    return [
        Muslin(
            row["body"],
            {key[6:]: 10.0 * float(row[key]) for key in row if key.startswith("fault_") and float(row[key])},
            {sign.symptom: sign.mm * float(row[sign.column]) for sign in signs},
        )
        for row in rows
    ]


def right_blocks(muslins: Iterable[Muslin]) -> dict[str, Muslin]:
    """Body to the muslin without a fault."""
    return {muslin.body: muslin for muslin in muslins if not muslin.faults}


def fit(muslins: Sequence[Muslin], signs: Sequence[Sign] = SIGNS) -> tuple[list[SlopeRow], list[RestRow]]:
    """Slopes of every cause, and what right blocks read, from these muslins."""
    names = [sign.symptom for sign in signs]
    errors = np.array([sign.error_mm for sign in signs])
    blocks = right_blocks(muslins)
    rest = np.array([[block.readings[name] for name in names] for block in blocks.values()])
    at = dict(zip(blocks, rest, strict=True))
    moved: dict[tuple[str, int], dict[str, list[tuple[float, Array]]]] = defaultdict(lambda: defaultdict(list))
    for muslin in muslins:
        if len(muslin.kinds) == 1 and muslin.body in at:
            ((kind, mm),) = muslin.kinds.items()
            change = np.array([muslin.readings[name] for name in names]) - at[muslin.body]
            moved[kind][muslin.body].append((mm, change))
    slopes = []
    for kind, bodies in sorted(moved.items()):
        lines = [sum(mm * change for mm, change in seen) / sum(mm * mm for mm, _ in seen) for seen in bodies.values()]
        ratio = np.mean(lines, axis=0)
        left = [change - ratio * mm for seen in bodies.values() for mm, change in seen]
        square = sum(mm * mm for seen in bodies.values() for mm, _ in seen)
        scatter = np.sqrt(np.sum(np.square(left), axis=0) / square)
        for cause in CAUSES[kind]:
            for name, slope, spread in zip(names, ratio, scatter, strict=True):
                slopes.append(
                    SlopeRow(
                        cause=cause,
                        symptom=name,
                        ratio=round(float(slope), 3),
                        scatter=round(float(spread), 3),
                        source="simulated",
                    )
                )
    return slopes, _rests(names, rest, errors)


def _rests(names: Sequence[str], rest: Array, errors: Array) -> list[RestRow]:
    mean = rest.mean(axis=0)
    scaled = (rest - mean) / errors
    values, vectors = np.linalg.eigh(np.cov(scaled.T))
    leading = np.argsort(values)[::-1][:FACTORS]
    loads = vectors[:, leading] * np.sqrt(values[leading]) * errors[:, None]
    own = np.sqrt(np.maximum(rest.var(axis=0, ddof=1) - (loads**2).sum(axis=1), (0.3 * errors) ** 2))
    return [
        RestRow.model_validate({
            "symptom": name, "reads": f"{value:.1f} mm", "scatter": f"{spread:.1f} mm", "source": "simulated",
            "moves_with": {f"body-{'abcdefghij'[k]}": f"{load:.1f} mm" for k, load in enumerate(line) if abs(load) >= 0.05},
        })
        for name, value, spread, line in zip(names, mean, own, loads, strict=True)
    ]  # fmt: skip


def with_fit(base: RuleBase, slopes: Sequence[SlopeRow], rests: Sequence[RestRow]) -> RuleBase:
    """The rule base with other simulated figures."""
    kept_slopes = [row for row in base.slopes if row.source != "simulated"]
    kept_rests = [row for row in base.rests if row.source != "simulated"]
    return replace(base, slopes=(*kept_slopes, *slopes), rests=(*kept_rests, *rests))


def written(slopes: Sequence[SlopeRow], rests: Sequence[RestRow]) -> dict[str, str]:
    """The two files."""
    slopes_of = "# How many mm of a sign one mm of a cause's extent gives, and its scatter over bodies.\n"
    rests_of = (
        "# What a right block reads. On a simulated body that is never zero: it counts for simulated cloth only.\n"
    )
    head = "# Fitted by tests/bench/lab.py to draped muslins; one block, no soft body. Not to be edited by hand.\n"
    slope_lines = [
        f"- {{cause: {row.cause}, symptom: {row.symptom}, ratio: {row.ratio:g}, scatter: {row.scatter:g}, source: simulated}}\n"
        for row in slopes
    ]
    rest_lines = [
        f"- {{symptom: {row.symptom}, reads: {row.reads_mm:g} mm, scatter: {row.scatter_mm:g} mm,\n   moves_with: {{"
        + ", ".join(f"{name}: {load:g} mm" for name, load in row.moves_with.items())
        + "}, source: simulated}\n"
        for row in rests
    ]
    return {
        "slopes.yaml": head + slopes_of + "".join(slope_lines),
        "at-rest.yaml": head + rests_of + "".join(rest_lines),
    }  # fmt: skip


def main() -> None:
    """Fit, and print or write."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0] if __doc__ else "")
    parser.add_argument("table", type=Path)
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    for name, text in written(*fit(read_table(chosen.table))).items():
        if chosen.write:
            (default_rules() / name).write_text(text, encoding="utf-8")
        else:
            print(f"--- {name}\n{text}")


if __name__ == "__main__":
    main()
