"""Makes the shipped sample pictures and their marks again: `python tests/remake_pictures.py`. Nobody is in them: they are drawn.

The lamplighter's muslin: a flat seat, level lines that dip 3/4 in to the back, a V, and a grainline that ran in to centre back; and the
same after a tuck of 3/4 in: the dip about halved, the V gone, the grainline a little farther out.
"""

from __future__ import annotations

import hashlib
import io
import json
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
from photo_scene import Grain, Line, Scene, draw_scene, marks_dict, render
from PIL import Image

SAMPLES = Path(__file__).parent.parent / "sample_sessions"
HAND_PX = 4.0


def scenes(dip: float, v: float, out: float) -> dict[str, Scene]:
    """The three pictures: back and left side at the height of the hip line, front a little high. All in mm; the V is part of the dip."""
    plain = draw_scene(2026)
    body = replace(plain.body, back_power=2.7, cleft=5.0)
    lines = (
        Line("waist", body.waist),
        Line("hip", body.hip, 0.2, dip - 1.0 - v * 0.8, 1.2, 0.0, v * 0.8, 48.0, 48.0),
        Line("crotch", body.crotch, 0.2, dip - v, 1.2, 0.0, v, 45.0, 45.0),
        Line("knee-left", body.knee),
        Line("knee-right", body.knee),
    )
    lean = 0.4
    grains = tuple(
        Grain(name, out, -lean, 0.0, body.waist - 4.0, body.knee + 60.0) for name in ("grain-left", "grain-right")
    )
    common = {
        "body": body, "lines": lines, "grains": grains, "width": 1500, "height": 2000, "distance_mm": 3300.0, "focal_35mm": 57.0,
        "roll_deg": 0.6, "body_yaw_deg": 1.5, "cloth": (226, 219, 203), "line_colour": (150, 40, 40), "grain_colour": (40, 70, 130),
        "opacity": 0.9, "line_width_mm": 2.4, "dashed": False, "folds": 0.05, "clutter": 2, "skin": (150, 110, 88), "top": (96, 106, 116),
        "arm": "", "string_side": 1, "door_edges": 2, "sheet": True, "sheet_behind_mm": 0.0, "noise": 1.6, "blur": 0.6, "motion": 0.0,
        "exposure": 1.0, "jpeg": 0,
    }  # fmt: skip
    heights = {"back": body.hip + 15, "left": body.hip - 10, "front": body.hip + 60}
    return {view: draw_scene(2026, view=view, lens_height_mm=height, **common) for view, height in heights.items()}


def main() -> None:
    """Write pictures and marks."""
    for name, numbers in {
        "lamplighter-pictures": (19.0, 11.0, 39.0),
        "lamplighter-pictures-2": (8.0, 0.0, 49.0),
    }.items():
        (SAMPLES / name).mkdir(exist_ok=True)
        for view, scene in scenes(*numbers).items():
            if name == "lamplighter-pictures" or view != "front":
                write(SAMPLES / name, view, scene)


def write(folder: Path, view: str, scene: Scene) -> None:
    """One picture and its marks; says what was drawn."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        made = render(scene)
    out = io.BytesIO()
    Image.fromarray(made.pixels).save(out, "JPEG", quality=82)
    (folder / f"{view}.jpg").write_bytes(out.getvalue())
    hand = np.random.default_rng(7)
    data = marks_dict(scene, made, hand, HAND_PX, sha256=hashlib.sha256(out.getvalue()).hexdigest(), file=f"{view}.jpg")
    rows = (f" {json.dumps(key)}: {json.dumps(value)}" for key, value in data.items())
    (folder / f"{view}.marks.json").write_text("{\n" + ",\n".join(rows) + "\n}\n", encoding="utf-8")
    truth = {name: (round(line.drop_mm, 1), round(line.v_depth_mm, 1)) for name, line in made.truth.lines.items()}
    print(folder.name, view, len(out.getvalue()) // 1024, "kB; drop and V as drawn:", truth)


if __name__ == "__main__":
    main()
