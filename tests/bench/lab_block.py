"""The block of the shared table of draped muslins, with its faults, as panels to be draped: mm, darts as the metric block has them.

Drafted by the rules of the published metric block (`fitdiag.pattern.blocks.trousers` names it) for waist 68, hip 94, rise 28, waist to
hip 20.6, waist to floor 104, bottom 22 cm; the curves between its points and the faults are the laboratory's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from fitdiag.drape.body import Body, Model, Shape, built
from fitdiag.drape.figure import BASE
from fitdiag.drape.panels import Cut, Panel, Sewn

Array = NDArray[np.float64]
WAIST, HIP, RISE, WAIST_TO_HIP, HEIGHT, HEM = 68.0, 94.0, 28.0, 20.6, 104.0, 22.0
DARTS = {"front": (1, 2.0, 10.0), "back": (2, 4.0, 11.0)}  # how many, what they take in all, how deep


def lab_cut(fault: Mapping[str, float]) -> Cut:
    """Front and back with the faults of a row of the table, in its names and centimetres."""
    hip, fork = HEIGHT - WAIST_TO_HIP, HEIGHT - RISE
    knee = fork - (fork / 2 - 5)
    deeper = fault.get("rise", 0.0)
    levels = {"hip": hip, "crotch": fork - deeper, "knee": knee}
    panels = [_front(levels, fault), _back(levels, fault)]
    sewn = [Sewn(("front", name), ("back", name)) for name in ("side", "inseam")]
    made = []
    for name, edges in zip(("front", "back"), panels, strict=True):
        _wedges(name, edges, levels, fault)
        swing = fault.get("swing" if name == "back" else "swingF", 0.0)
        for edge in ("side", "inseam", "hem"):
            edges[edge][:, 0] += swing * np.clip((levels["crotch"] - edges[edge][:, 1]) / levels["crotch"], 0, 1)
        outline, darts = _darted(name, edges)
        sewn += darts
        made.append(_panel(name, outline, edges, levels))
    return Cut(tuple(made), tuple(sewn))


def lab_body(row: Mapping[str, str]) -> Body:
    """A body of the table by its columns."""
    seat, level, abdomen, thigh = (10 * float(row[name]) for name in ("seat", "seat_height", "abdomen", "thigh"))
    shape = Shape(seat=seat, seat_level=level, abdomen=abdomen, thigh=thigh)
    for _ in range(14):
        model = Model(BASE, shape)
        shape = replace(
            shape, wide=shape.wide * (1 + 1.5 * (BASE.hip / model.hip_girth() - 1)),
            waist=shape.waist * BASE.waist / model.girth(1040.0),
            crotch=shape.crotch + 10 * float(row["crotch_height"]) - model.crotch_height(),
        )  # fmt: skip
    return built(BASE, shape)


def _front(levels: Mapping[str, float], fault: Mapping[str, float]) -> dict[str, Array]:
    fork, lower = levels["crotch"], fault.get("dropAll", 0.0)
    middle, reach = -(HIP / 12 + 1.5), HIP / 16 + 0.5
    start, top = np.array([middle, levels["hip"]]), np.array([middle + 1, HEIGHT])
    if levels["hip"] - fork < 4:
        start = np.array([middle + (4 - levels["hip"] + fork) / WAIST_TO_HIP, fork + 4])
    point = np.array([middle - reach - fault.get("extF", 0.0), fork - lower])
    curve = _curve(start, start - top, point, np.array([middle, fork - lower]), 3.0 + fault.get("scoopF", 0.0))
    side = [(middle + 1 + WAIST / 4 + 2.25, HEIGHT), (middle + HIP / 4 + 0.5, levels["hip"])]
    return _leg(side, 0.0, levels, point, 1.0) | {
        "waist": np.array([top, side[0]]),
        "centre": np.vstack([curve[::-1], top]),
    }


def _back(levels: Mapping[str, float], fault: Mapping[str, float]) -> dict[str, Array]:
    fork, lower = levels["crotch"], fault.get("dropB", 0.0) + fault.get("dropAll", 0.0)
    outer, reach = -(HIP / 12 + 1.5), HIP / 16 + 0.5
    corner = outer * 0.75
    start, top = (
        np.array([corner, fork + (HEIGHT - fork) / 2]),
        np.array([corner + 2 - fault.get("tip", 0.0), HEIGHT + 2]),
    )
    side_top = (float(top[0]) + float(np.sqrt((WAIST / 4 + 4.25) ** 2 - 4)), HEIGHT)
    point = np.array([outer - 1.5 * reach - fault.get("extB", 0.0), fork - 0.5 - lower])
    curve = _curve(start, start - top, point, np.array([corner, fork - lower]), 4.25 + fault.get("raiseB", 0.0))
    side = [side_top, (corner + HIP / 4 + 1.5 + fault.get("hipB", 0.0), levels["hip"])]
    return _leg(side, 1.0, levels, point, 2.5) | {
        "waist": np.array([top, side[0]]),
        "centre": np.vstack([curve[::-1], top]),
    }


def _leg(
    side: list[tuple[float, float]], wider: float, levels: Mapping[str, float], point: Array, bow: float
) -> dict[str, Array]:
    hem = HEM / 2 - 0.5 + wider
    at_knee, knee = hem + 1.3, levels["knee"]
    middle = (side[1][0] * 0.45 + at_knee * 0.55, knee + 0.5 * (levels["hip"] - knee))
    through = np.array(sorted([*side, middle, (at_knee, knee), (hem, 0.0)], key=lambda place: place[1]))
    y = np.linspace(side[0][1], 0.0, 120)
    share = np.linspace(0, 1, 40)[:, None]
    run = point - np.array([-at_knee, knee])
    inner = (
        np.array([-at_knee, knee])
        + run * share
        + np.array([run[1], -run[0]]) / np.hypot(*run) * bow * 4 * share * (1 - share)
    )
    return {
        "side": np.column_stack([PchipInterpolator(through[:, 1], through[:, 0])(y), y]),
        "hem": np.array([[hem, 0.0], [-hem, 0.0]]),
        "inseam": np.vstack([[-hem, 0.0], inner]),
    }


def _curve(start: Array, way: Array, point: Array, corner: Array, touch: float) -> Array:
    """A cubic Bezier from where the curve starts to the crotch point, as full as it passes `touch` from the corner."""
    way = way / np.hypot(*way)
    t = np.linspace(0.0, 1.0, 120)[:, None]
    best, found = np.inf, np.zeros((0, 2))
    for full in np.linspace(0.05, 1.25, 121):
        one, other = (
            start + way * abs(start[1] - corner[1]) * full,
            point + np.array([1.0, 0.0]) * abs(point[0] - corner[0]) * full,
        )
        line = (1 - t) ** 3 * start + 3 * (1 - t) ** 2 * t * one + 3 * (1 - t) * t**2 * other + t**3 * point
        away = line - corner
        at = int(np.abs(away.sum(axis=1)).argmin())
        if abs(np.hypot(*away[at]) - touch) < best:
            best, found = abs(np.hypot(*away[at]) - touch), line
    return found


def _wedges(name: str, edges: dict[str, Array], levels: Mapping[str, float], fault: Mapping[str, float]) -> None:
    """Open (negative: close) wedges hinged at the side seam."""
    hip, fork = levels["hip"], levels["crotch"]
    at = (
        {"wedgeB": hip, "wedgeBhi": hip + 0.5 * (HEIGHT - hip), "wedgeBlo": fork + 0.55 * (hip - fork)}
        if name == "back"
        else {"wedgeF": hip}
    )
    for key, y in at.items():
        if not (wide := fault.get(key, 0.0)):
            continue
        side, centre = edges["side"][::-1], edges["centre"]
        hinge = np.array([np.interp(y, side[:, 1], side[:, 0]), y])
        angle = -np.arcsin(wide / (hinge[0] - np.interp(y, centre[:, 1], centre[:, 0])))
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        for edge in ("side", "centre", "waist"):
            line = edges[edge].copy()
            above = line[:, 1] > y + 1e-9
            line[above] = hinge + (line[above] - hinge) @ turn
            if edge == "centre" and wide < 0:
                line = line[above | (line[:, 1] < line[above][:, 1].min() - 0.2)]
            edges[edge] = line


def _darted(name: str, edges: Mapping[str, Array]) -> tuple[list[tuple[str, Array]], list[Sewn]]:
    """The outline with its darts cut out, in mm, and how they are sewn."""
    count, takes, deep = DARTS[name]
    start, end = edges["waist"]
    along = (end - start) / np.hypot(*(end - start))
    outline, sewn, at = [], [], start
    for number in range(1, count + 1):
        middle, half = start + (end - start) * number / (count + 1), along * takes / count / 2
        tip = middle + np.array([along[1], -along[0]]) * deep
        left, right = f"dart {number} left", f"dart {number} right"
        outline += [
            ("waist", np.array([at, middle - half])),
            (left, np.array([middle - half, tip])),
            (right, np.array([tip, middle + half])),
        ]
        sewn.append(Sewn((name, left), (name, right), against=True))
        at = middle + half
    outline.append(("waist", np.array([at, end])))
    outline += [(edge, edges[edge]) for edge in ("side", "hem", "inseam", "centre")]
    return [(edge, line * 10.0) for edge, line in outline], sewn


def _panel(
    name: str, outline: list[tuple[str, Array]], edges: Mapping[str, Array], levels: Mapping[str, float]
) -> Panel:
    inner = np.vstack([edges["inseam"], edges["centre"][1:]])
    inner, side = inner[np.argsort(inner[:, 1], kind="stable")], edges["side"][::-1]
    lines = {
        line: 10.0 * np.array([[np.interp(y, inner[:, 1], inner[:, 0]), y], [np.interp(y, side[:, 1], side[:, 0]), y]])
        for line, y in levels.items()
    }
    top = 10.0 * float(np.interp(0.0, *edges["waist"].T))
    return Panel(
        name,
        name == "front",
        tuple(outline),
        lines,
        np.array([[0.0, 0.0], [0.0, top]]),
        10.0 * float(edges["centre"][0, 1]),
    )
