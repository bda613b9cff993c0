"""The drape against the shared table, against itself on finer meshes and steps, on ten bodies, and against the clock.

    python tests/bench/drape.py table TABLE.csv [--muslins 24] [--seed 1]   # lines of draped muslins with known faults
    python tests/bench/drape.py finer                                       # mesh halved, step halved: the dip
    python tests/bench/drape.py bodies [--bodies 10]                        # waist 55 to 130 cm: at rest, nothing trapped
    python tests/bench/drape.py alterations                                 # every alteration at half its limit
    python tests/bench/drape.py time                                        # before and after, as a ratio to a factorisation

The table was made by other code (explicit steps, darts spread above their points). `--muslins` are drawn evenly from all
bodies and faults; what is printed is the error of the *change* against the right block on the same body.
"""

from __future__ import annotations

import argparse
import csv
import os
import resource
import sys
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from lab_block import lab_body, lab_cut
from trousers import Measures, draft

from fitdiag.drape import settle as settling
from fitdiag.drape.body import Body, body_of
from fitdiag.drape.cloth import Cloth, Sheet
from fitdiag.drape.dressing import dress
from fitdiag.drape.figure import BASE, figure_of
from fitdiag.drape.mesh import POINTS, mesh_of
from fitdiag.drape.muslin import drape, order_of, pictures
from fitdiag.drape.panels import Cut, cut_of
from fitdiag.drape.picture import SCALE
from fitdiag.drape.readings import READINGS, Worn, read
from fitdiag.knowledge.load import load_rules
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.piece import Pattern
from fitdiag.problems import ProblemsFoundError

COLUMNS = {  # reading: column of the table, and the table's unit in ours
    "dip-centre-back": ("dip_CB", 10), "dip-centre-front": ("dip_CF", 10), "v-centre-back": ("V_CB_deg", 1),
    "v-centre-front": ("V_CF_deg", 1), "crotch-line-dip-back": ("crline_dip_back", 10), "side-seam-upper": ("side_tilt_up", 1),
    "side-seam-leg": ("side_tilt_leg", 1), "side-seam-hip": ("side_y_hip", 10), "back-grain-out": ("grain_back_lean_x", 1),
    "back-grain-at-waist": ("grain_CB_waist", 10), "crotch-hang": ("crotch_hang", 10), "crotch-cut": ("crotch_cut_N", 1),
    "seat-stands-off": ("CB_seat_gap", 10), "under-seat-stands-off": ("gap_underseat", 10), "pull-seat": ("seatB_T90", 1),
    "pull-hip": ("hipB_T90", 1), "across-back-hip": ("T_hoop_hip_back", 1), "waist-pulled-back": ("pull_down_CB_N", 1),
    "folds-under-seat": ("fold_back_slack%", 1),
}  # fmt: skip
DRESSINGS = (0, 1)


def settled(
    cut: Cut, body: Body, dressing: int = 0, points: int = POINTS, cloth: Cloth | None = None
) -> dict[str, float]:
    """Readings of one dressing, with how it rested."""
    mesh = mesh_of(cut, points=points)
    sheet = Sheet(mesh, cloth or Cloth())
    rested = settling.Settling(sheet, dress(cut, mesh, body, dressing=dressing), body).run()
    return {**read(Worn(cut, mesh, sheet, body, rested)), "deepest": rested.deepest_mm, "speed": rested.speed_mm_s}


def fault_of(row: Mapping[str, str]) -> dict[str, float]:
    return {name[6:]: float(value) for name, value in row.items() if name.startswith("fault_") and float(value)}


def _case(job: tuple[dict[str, str], dict[str, float]]) -> tuple[dict[str, float], list[float]]:
    """Mean over the dressings of one muslin of the table, and how far they differ in the dip."""
    row, fault = job
    both = [settled(lab_cut(fault), lab_body(row), number) for number in DRESSINGS]
    mean = {name: float(np.mean([one[name] for one in both])) for name in both[0] if all(name in one for one in both)}
    return mean, [
        both[0]["dip-centre-back"] - both[1]["dip-centre-back"],
        both[0]["crotch-cut"] - both[1]["crotch-cut"],
    ]


def drawn(rows: Sequence[dict[str, str]], count: int, seed: int) -> list[dict[str, str]]:
    """Muslins with one fault each, the bodies in turn and the faults as they fall."""
    random = np.random.default_rng(seed)
    bodies = sorted({row["body"] for row in rows})
    random.shuffle(bodies)
    chosen, seen = [], set[tuple[str, ...]]()
    while len(chosen) < count:
        own = [row for row in rows if row["body"] == bodies[len(chosen) % len(bodies)] and len(fault_of(row)) == 1]
        row = own[int(random.integers(len(own)))]
        key = (*fault_of(row), str(np.sign(next(iter(fault_of(row).values())))))
        if key not in seen or len(seen) > 20:
            seen.add(key)
            chosen.append(row)
    return chosen


def table(path: Path, count: int, seed: int) -> None:
    rows = list(csv.DictReader(path.open(encoding="utf-8")))
    right = {row["body"]: row for row in rows if not fault_of(row)}
    chosen = drawn(rows, count, seed)
    jobs = [(row, fault_of(row)) for row in chosen] + [
        (right[name], {}) for name in sorted({row["body"] for row in chosen})
    ]
    with ProcessPoolExecutor(2) as pool:
        results = list(pool.map(_case, jobs))
    blocks = {row["body"]: result for (row, fault), (result, _) in zip(jobs, results, strict=True) if not fault}
    errors: dict[str, list[tuple[float, float]]] = {}
    order_right, big = 0, 0
    for (row, fault), (result, _) in zip(jobs, results, strict=True):
        block, base = blocks[row["body"]], right[row["body"]]
        for name, (column, unit) in COLUMNS.items():
            if row[column] and base[column] and name in result and name in block and fault:
                told = (float(row[column]) - float(base[column])) * unit
                errors.setdefault(name, []).append((result[name] - block[name] - told, told))
        if not fault:
            continue
        cut = float(row["crotch_cut_N"]) - float(base["crotch_cut_N"])
        mine = result["crotch-cut"] - block["crotch-cut"]
        if max(map(abs, fault.values())) >= 1.0 and abs(cut) > 0.3:
            big += 1
            order_right += cut * mine > 0
        told = {
            name: (float(row[column]) - float(base[column])) * unit
            for name, (column, unit) in COLUMNS.items()
            if row[column]
        }
        here = {name: result[name] - block[name] for name in told if name in result and name in block}
        dip, v = "dip-centre-back", "v-centre-back"
        names = " ".join(f"{name} {value:+g}" for name, value in fault.items())
        print(f"{row['body']} {names:20} dip {told[dip]:+6.1f} here {here[dip]:+6.1f} mm  V {told[v]:+5.1f} here {here[v]:+5.1f}"
              f"  cut {cut:+5.2f} here {mine:+5.2f} N")  # fmt: skip
    print(f"\n{'change against the right block':32}{'error, rms':>12}{'of change, rms':>16}{'mean':>8}")
    for name, pairs in errors.items():
        error, told = np.array(pairs).T
        print(
            f"{name:32}{np.sqrt((error**2).mean()):12.2f}{np.sqrt((told**2).mean()):16.2f}{error.mean():8.2f} {READINGS[name].unit}"
        )
    apart = np.array([difference for _, difference in results])
    print(
        f"crotch cut in the right order for {order_right} of {big} faults of 1 cm and more that change it by over 0.3 N"
    )
    dip, cut = (np.sqrt((apart[:, k] ** 2 / 2).mean()) for k in (0, 1))
    print(f"two dressings of one muslin: dip differs by {dip:.2f} mm (sd), cut by {cut:.2f} N")


def block() -> Pattern:
    return draft(Measures(680, 940, 280, 206, 1040, 220))


def finer() -> None:
    """Mesh halved (four times the points) and step halved, on the block and a thrown block, means over both dressings."""
    body = body_of(BASE)
    for name, pattern in (
        ("block", block()),
        ("block, back 2 cm longer", carry_out(block(), "lengthen-back-crotch", 20.0).pattern),
    ):
        cut = cut_of(pattern)

        def dip(points: int, cut: Cut = cut) -> float:
            return float(np.mean([settled(cut, body, number, points)["dip-centre-back"] for number in DRESSINGS]))

        coarse = dip(POINTS)
        fine = dip(4 * POINTS)
        phases = settling.PHASES
        settling.PHASES = tuple((step / 2, 2 * count, gravity) for step, count, gravity in phases)  # type: ignore[assignment]
        slow = dip(POINTS)
        settling.PHASES = phases
        print(f"{name}: dip {coarse:.1f} mm; mesh halved {fine - coarse:+.1f}, step halved {slow - coarse:+.1f} mm")


TEN = (
    (550, 780),
    (600, 850),
    (640, 900),
    (680, 940),
    (750, 940),
    (760, 1000),
    (850, 1050),
    (1100, 1120),
    (1100, 1300),
    (1300, 1500),
)


def bodies(count: int = len(TEN)) -> None:
    for waist, hip in TEN[:count]:
        figure, _ = figure_of({"waist": waist, "hip": hip}, {})
        rise = figure.crotch_depth + 14.0
        pattern = draft(Measures(waist, hip, rise, figure.waist_to_hip, figure.waist_height, hip * 0.22))
        began = time.process_time()
        one = settled(cut_of(pattern), body_of(figure))
        told = f"dip {one['dip-centre-back']:5.1f} mm, V {one['v-centre-back']:4.1f}°, cut {one['crotch-cut']:5.2f} N"
        rest = f"deepest {one['deepest']:+.1f} mm, {one['speed']:.1f} mm/s, {time.process_time() - began:.1f} s"
        print(f"waist {waist / 10:5.0f} hip {hip / 10:5.0f} cm: {told}, {rest}")


def alterations() -> None:
    """Each at half its limit on the block; where a rule expects a sign to change that is read off the cloth, which way it does."""
    base, body = load_rules(), body_of(BASE)
    signs = {sign.symptom: sign for sign in base.simulated_signs.values()}
    before = [settled(cut_of(block()), body, number) for number in DRESSINGS]
    for rule in base.alterations.values():
        amount = rule.most_a_round.amount_mm / 2
        try:
            cut = cut_of(carry_out(block(), rule.id, amount).pattern)
        except ProblemsFoundError as stopped:
            print(f"{rule.id:34}{amount:6.1f} mm  NOT DRAPED: {stopped}")
            continue
        expected = [item for item in rule.expects if item.symptom in signs]
        after = [settled(cut, body, number) for number in (DRESSINGS if expected else (0,))]

        def change(name: str, after: Sequence[Mapping[str, float]] = after) -> float:
            return float(np.mean([two[name] - one[name] for one, two in zip(before, after, strict=False)]))

        deepest, speed = (max(one[name] for one in after) for name in ("deepest", "speed"))
        dip = change("dip-centre-back")
        print(f"{rule.id:34}{amount:6.1f} mm  dip {dip:+5.1f}, deepest {deepest:+.1f}, {speed:.1f} mm/s")
        for item in expected:
            sign = signs[item.symptom]
            own = change(sign.reading) * (sign.mm or 1.0)
            word = "same sign" if own * item.change > 0 else "OTHER SIGN"
            print(f"    {item.symptom}: expected {item.change * amount:+.1f}, {sign.reading} gives {own:+.1f}: {word}")


def clock() -> None:
    """Before and after with pictures of three sides, two processes; and readings only; beside one factorisation."""
    from scipy.sparse.linalg import splu

    figure, _ = figure_of({"waist": 680, "hip": 940}, {"seat-out": (35.0, "flat")})
    thrown = carry_out(block(), "lengthen-back-crotch", 27.6).pattern
    both = [thrown, carry_out(thrown, "tuck-across-back-hip", 19.0).pattern]
    cut, body = cut_of(thrown), body_of(figure)
    mesh = mesh_of(cut)
    sheet = Sheet(mesh, Cloth())
    system = settling.Settling(sheet, dress(cut, mesh, body), body)
    _, matrix = system._system_at(0.03, 0.0, 1.0, 5.0)
    began = time.process_time()
    for _ in range(3):
        splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
    one = (time.process_time() - began) / 3
    began = time.process_time()
    settling.Settling(sheet, dress(cut, mesh, body), body).run()
    alone = time.process_time() - began
    print(
        f"one sparse factorisation of {matrix.shape[0]} unknowns: {one:.2f} s; one drape: {alone:.2f} s, {alone / one:.0f} times as long"
    )
    for name, dressings, scale in (("quick", 1, 0.0), ("two dressings and pictures", 2, SCALE)):
        began, used = time.time(), resource.getrusage(resource.RUSAGE_CHILDREN)
        orders = [order_of(replace(pattern, title=name), figure) for pattern in both]
        muslins = drape(orders, dressings=dressings, keep=False)
        if scale:
            pictures(muslins, ("back", "side", "front"), scale)
        wall, after = time.time() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
        cpu = after.ru_utime + after.ru_stime - used.ru_utime - used.ru_stime
        used_up = f"{cpu:.1f} CPU-seconds in two processes ({cpu / one:.0f} factorisations)"
        most = f"at most {after.ru_maxrss / 1024:.0f} MB a process; load {os.getloadavg()[0]:.1f}"
        print(f"before and after, {name}: {wall:.1f} s of wall clock, {used_up}, {most}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("table", "finer", "bodies", "alterations", "time"))
    parser.add_argument("path", nargs="?", type=Path)
    parser.add_argument("--muslins", type=int, default=24)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--bodies", type=int, default=len(TEN), help="only the first of them")
    given = parser.parse_args()
    if given.what == "table":
        if given.path is None:
            parser.error("give the table, a .csv file")
        table(given.path, given.muslins, given.seed)
    elif given.what == "bodies":
        bodies(given.bodies)
    else:
        {"finer": finer, "alterations": alterations, "time": clock}[given.what]()


if __name__ == "__main__":
    main()
