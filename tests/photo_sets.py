"""Three sets of pictures with known answers, in one shape: the first maker's, the second maker's, and rendered ones in a folder.

Each gives groups of pictures of one muslin, marked as by a hand: three rough points a line. Truth is asked by the names of readings.
"""

from __future__ import annotations

import json
import math
import warnings
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import photo_scene
import second_scene
from PIL import Image

from fitdiag.photos.marks import Marks, parse_marks

HAND_PX = 6.0  # how far a hand sets a point from its place, in a picture 1500 px wide
DEPTH_SD, WIDTH_SD, BEHIND_SD = 8.0, 4.0, 10.0  # mm: what a fitter tapes
Truth = Callable[[str, str], float | None]


@dataclass(frozen=True, eq=False)
class Shot:
    """One picture: its pixels, a user's marks, and what is true of it. `level`: its lines are level on the body."""

    name: str
    pixels: np.ndarray
    marks: Marks
    truth: Truth
    courses: dict[str, np.ndarray]  # px, every drawn line that can be seen
    ends: dict[str, tuple[float, float]]  # px, x of a line's ends where both are seen
    up: np.ndarray | None
    sheet: np.ndarray | None  # corners, px
    level: bool
    px_per_mm: float


def first(seeds: Iterable[int], *, depths: bool = True, **fixed: Any) -> Iterator[list[Shot]]:
    """The first maker's pictures, one by one; the body's depths are taped."""
    for seed in seeds:
        scene = photo_scene.draw_scene(seed, **fixed)
        yield [_first(scene, seed, depths=depths)]


def rings(seeds: Iterable[int]) -> Iterator[list[Shot]]:
    """Level lines by the first maker, from lens heights between 0.8 and 1.65 m."""
    for seed in seeds:
        scene = photo_scene.level_ring_scene(seed, float(np.linspace(800, 1650, 12)[seed % 12]))
        yield [_first(scene, seed, level=True)]


def pairs(seeds: Iterable[int]) -> Iterator[list[Shot]]:
    """One body twice, the lens at about 860 and at 1300 mm; nothing is known of its depth."""
    for seed in seeds:
        low, high = (
            photo_scene.draw_scene(seed, view="back", lens_height_mm=height, sheet=True, dashed=False)
            for height in (860.0, 1300.0)
        )
        yield [_first(low, seed, depths=False), _first(high, seed + 1, depths=False)]


def _first(scene: photo_scene.Scene, seed: int, *, depths: bool = True, level: bool = False) -> Shot:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        made = photo_scene.render(scene)
    true, rng = made.truth, np.random.default_rng([seed, 77])
    widths = False if true.sheet else WIDTH_SD
    data = photo_scene.marks_dict(scene, made, rng, HAND_PX * scene.width / 1500,
                                  give_depths=DEPTH_SD if depths else None, give_widths=widths)  # fmt: skip
    back = 1 if scene.view == "left" else 0
    side = scene.view in ("left", "right")

    def truth(line: str, what: str) -> float | None:
        if line in true.grains:
            grain = true.grains[line]
            return grain.tilt_deg if what == "lean" else grain.distance_mm.get(what.rsplit(" ", 1)[-1])
        if line not in true.lines or any(item.startswith(f"{line}:") for item in true.hidden):
            return None
        own = true.lines[line]
        if what == "tilt" and side and line in true.widths_mm:
            return math.degrees(math.atan2(own.end_drops_mm[0] - own.end_drops_mm[1], true.widths_mm[line]))
        told = {
            "tilt": own.tilt_deg,
            "drop": own.whole_drop_mm,
            "fall to the back outline": own.end_drops_mm[back],
            "v angle left": own.slopes_deg[0],
            "v angle right": own.slopes_deg[1],
            "v depth": 30 * sum(math.tan(math.radians(slope)) for slope in own.lasts_deg),
        }
        return told.get(what)

    roll, pitch = math.radians(scene.roll_deg), math.radians(scene.pitch_deg)
    up = np.array([-math.sin(roll) * math.cos(pitch), -math.cos(roll) * math.cos(pitch), -math.sin(pitch)])
    drawn = {**true.lines, **true.grains}
    ends = {name: (float(line.pixels[0, 0]), float(line.pixels[-1, 0])) for name, line in true.lines.items()
            if not any(item.startswith(f"{name}:") for item in true.hidden)}  # fmt: skip
    return Shot(
        f"{seed}-{scene.view}", made.pixels, parse_marks(json.dumps(data), "made"), truth,
        {name: line.pixels for name, line in drawn.items()}, ends, up,
        np.array(true.sheet) if true.sheet else None, level, true.focal_px / scene.distance_mm,
    )  # fmt: skip


def second(seeds: Iterable[int], folder: Path | None = None) -> Iterator[list[Shot]]:
    """The second maker's: back, left and front together, as a client sends them; pictures in the folder are not drawn again."""
    for seed in seeds:
        shots = {}
        for view in second_scene.VIEWS:
            path = folder and folder / str(seed) / f"{view}.jpg"
            if path is None or not path.exists():
                made = second_scene.make(seed, view)
                shots[view] = _shot(
                    f"{seed}-{view}", made.pixels, made.truth, parse_marks(json.dumps(made.marks()), "made")
                )
            else:
                marks = parse_marks(path.with_suffix(".marks.json").read_text(encoding="utf-8"), str(path))
                facts = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
                shots[view] = _shot(f"{seed}-{view}", _pixels(path), facts, marks)
        yield [shots[view] for view in ("back", "left", "front")]


def rendered(folder: Path, hand: int = 0, names: Callable[[str], bool] | None = None) -> Iterator[list[Shot]]:
    """The rendered set in a folder of `pictures` and `truth`: the pictures of a drape together, the levelled ones one by one."""
    groups: dict[str, list[Shot]] = {}
    for path in sorted((folder / "truth").glob("*.json")):
        if names is not None and not names(path.stem):
            continue
        facts = json.loads(path.read_text(encoding="utf-8"))
        pixels = _pixels(folder / "pictures" / f"{path.stem}.jpg")
        facts = _scaled(facts, pixels.shape[1] / facts["width"])
        marks = parse_marks(json.dumps(_marked(facts, pixels, path.stem, hand)), path.stem)
        drape = path.stem if "level" in path.stem else path.stem.rsplit("-", 1)[0]
        groups.setdefault(drape, []).append(_shot(path.stem, pixels, facts, marks))
    yield from groups.values()


def _pixels(path: Path) -> np.ndarray:
    return np.asarray(Image.open(path).convert("RGB"))


def _scaled(facts: dict[str, Any], share: float) -> dict[str, Any]:
    """The facts with their places in a picture of another size."""

    def places(value: Any) -> Any:
        return ((np.array(value, float) + 0.5) * share - 0.5).tolist()

    lines = {
        name: {**line, **{key: places(line[key]) for key in ("pixels", "ends", "middle") if line.get(key)}}
        for name, line in facts["lines"].items()
    }
    grains = {
        name: {**grain, **{key: places(grain[key]) for key in ("pixels", "ends")}}
        for name, grain in facts["grains"].items()
    }
    sheet = facts["sheet"] and {**facts["sheet"], "corners": places(facts["sheet"]["corners"])}
    return {**facts, "lines": lines, "grains": grains, "sheet": sheet, "seam": places(facts["seam"]),
            "verticals": places(facts["verticals"]), "px_per_mm": facts["px_per_mm"] * share}  # fmt: skip


def _marked(facts: dict[str, Any], pixels: np.ndarray, name: str, hand: int) -> dict[str, Any]:
    """A user's marks on a rendered picture."""
    height, width = pixels.shape[:2]
    rng = np.random.default_rng([sum(map(ord, name)), hand])

    def off(place: Any) -> list[float]:
        turn = rng.uniform(0, 2 * math.pi)
        moved = np.array(place) + HAND_PX * np.array([math.cos(turn), math.sin(turn)])
        return np.clip(moved, 0, [width - 1, height - 1]).tolist()  # type: ignore[no-any-return]

    lines = {
        key: [off(place) for place in (line["ends"][0], line["middle"], line["ends"][1])]
        for key, line in facts["lines"].items()
    }
    whole = facts["sheet"] is not None and facts["sheet"]["whole"]
    seam = facts["seam"]
    sheet = {
        "corners": [off(corner) for corner in facts["sheet"]["corners"]],
        "behind_mm": facts["sheet"]["behind_mm"] + float(rng.normal(0, BEHIND_SD)),
    } if whole else None  # fmt: skip
    return {
        "schema": "fitdiag.marks/1",
        "picture": {"file": name, "sha256": "0" * 64, "width": width, "height": height},
        "view": facts["view"],
        "focal_35mm": facts["focal_35mm_nominal"],
        "lines": lines,
        "grains": {key: [off(end) for end in grain["ends"]] for key, grain in facts["grains"].items()},
        "centre_seam": [off(seam[round(at)]) for at in np.linspace(0.03, 0.97, 5) * (len(seam) - 1)],
        "verticals": [[off(top), off(bottom)] for top, bottom in facts["verticals"]],
        "sheet": sheet,
        "widths_mm": {} if whole else {"hip": facts["lines"]["hip"]["width"] + float(rng.normal(0, WIDTH_SD))},
    }


def _shot(name: str, pixels: np.ndarray, facts: dict[str, Any], marks: Marks) -> Shot:
    """A picture whose truth has the rendered set's form."""
    side = facts["view"] == "left"

    def truth(line: str, what: str) -> float | None:
        if line in facts["grains"]:
            grain = facts["grains"][line]
            return grain["lean"] if what == "lean" else grain["dist"].get(what.rsplit(" ", 1)[-1])
        own = facts["lines"].get(line, {})
        if not all(own.get("ends_seen", (True,))):
            return None
        if what.startswith("v angle") and "slope3" in own:
            return own["slope3"][0 if what.endswith("left") else 1]  # type: ignore[no-any-return]
        if what == "v depth" and "slope6" in own:
            return 30 * sum(math.tan(math.radians(slope)) for slope in own["slope6"])
        if what == "tilt":
            return own.get("tilt_sil") if side else own.get("tilt_seam", own.get("tilt_sil"))
        return own.get({"drop": "drop_seam", "fall to the back outline": "drop_back_sil"}.get(what, what))

    drawn = {**{k: v for k, v in facts["lines"].items() if k != "waist"}, **facts["grains"]}
    ends = {
        key: tuple(sorted(end[0] for end in line["ends"]))
        for key, line in facts["lines"].items()
        if all(line.get("ends_seen", (True,)))
    }
    sheet = facts["sheet"]
    return Shot(
        name, pixels, marks, truth, {key: np.array(line["pixels"], float) for key, line in drawn.items()}, ends,
        np.array(facts["up"]), np.array(sheet["corners"]) if sheet and sheet["whole"] else None,
        bool(facts["levelled_lines"]) or facts.get("kind") == "level", facts["px_per_mm"],
    )  # fmt: skip
