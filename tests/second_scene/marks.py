"""A person's marks on a made picture, as a marks file (`fitdiag.marks/1`): rough points, no better than a hand."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import numpy as np


def marks(
    facts: dict[str, Any], picture: bytes, file: str, seed: int = 0, error_px: float = 6.0, focal: bool = True
) -> dict[str, Any]:
    """Marks by a hand that is `error_px` off (standard deviation, in full-size pixels) on lines, half as much on strings and corners."""
    rng = np.random.default_rng([seed, 71])
    size = facts["width"], facts["height"]
    error_px = error_px * size[0] / 1500

    def near(points: Any, share: float = 1.0) -> list[list[float]]:
        moved = np.asarray(points, dtype=float) + rng.normal(0, error_px * share, np.shape(points))
        return np.round(np.clip(moved, 0, [size[0] - 1, size[1] - 1]), 2).tolist()  # type: ignore[no-any-return]

    lines, hidden = {}, []
    for name, line in facts["lines"].items():
        if line["visible_share"] < 0.25 or len(line["pixels"]) < 8:
            continue
        pixels = np.asarray(line["pixels"])
        middle = np.asarray(line["middle"]) if line["middle_seen"] else pixels[len(pixels) // 2]
        ends = np.asarray(line["ends"])
        order = np.argsort(ends[:, 0])
        for place, at in zip(("left", "right"), order, strict=True):
            if not line["ends_seen"][at]:
                hidden.append(f"{name}:{place}")
        lines[name] = near([ends[order[0]], middle, ends[order[1]]])
    sheet = facts["sheet"]
    swap = facts["mirrored"]
    corners = sheet and [sheet["corners"][index] for index in ([1, 0, 3, 2] if swap else [0, 1, 2, 3])]
    known = sheet and sheet["whole"]
    hip = facts["lines"]["hip"]["width"]
    widths = (
        {} if known else {"hip": round(hip + rng.normal(0, 4), 0)}
    )  # no sheet: a breadth taken with two books and a tape
    seam = np.asarray(facts["seam"])
    return {
        "schema": "fitdiag.marks/1",
        "picture": {"file": file, "sha256": hashlib.sha256(picture).hexdigest(), "width": size[0], "height": size[1]},
        "view": facts["view"],
        "focal_35mm": facts["focal_35mm_nominal"] if focal else None,
        "lens_height_mm": None,
        "lines": lines,
        "grains": {
            name: near(grain["ends"]) for name, grain in facts["grains"].items() if grain["visible_share"] > 0.6
        },
        "centre_seam": near(seam[np.linspace(2, len(seam) - 3, 5).astype(int)]),
        "verticals": [near(pair, 0.5) for pair in facts["verticals"]][:12],
        "sheet": {
            "corners": near(corners, 0.5),
            "width_mm": sheet["width_mm"],
            "height_mm": sheet["height_mm"],
            "behind_mm": round(sheet["behind_mm"] + rng.normal(0, 15), 0),
        }
        if known
        else None,
        "widths_mm": widths,
        "depths_mm": {},
        "hidden": hidden,
        "proposed": [],
        "notes": "",
    }


def as_text(made: dict[str, Any]) -> str:
    """The marks file's text."""
    return json.dumps(made, indent=1) + "\n"
