"""`fitdiag photo measure` run from outside on made pictures, and its readings held against the truth.

PYTHONPATH=tests python -m second_scene make FOLDER 1-60      # pictures, marks, truth: FOLDER/SEED/VIEW.jpg ...
PYTHONPATH=tests python -m second_scene measure FOLDER 1-60   # measure, keep what is said, print the table
PYTHONPATH=tests python -m second_scene table FOLDER 1-60     # the table again from what was kept
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from . import VIEWS, make, write
from .marks import as_text, marks

BAND_NAMES = ("0-3", "3-8", "8-15", "15+")
CENTRE = "from the centre at the "
SETS = (("back", "left"), ("front", "left"))


@dataclass(frozen=True)
class Score:
    """A reading beside its truth; `value` is None where the program refuses; `outline`: the truth if read at the outline's edges."""

    seed: int
    view: str
    line: str
    what: str
    truth: float
    value: float | None
    error: float
    elevation: float
    reason: str
    outline: float

    @property
    def off(self) -> float:
        """Value less truth."""
        return (self.value or 0.0) - self.truth

    @property
    def band(self) -> str:
        """How steeply the lens looks at this line."""
        return BAND_NAMES[int(np.searchsorted([3, 8, 15], abs(self.elevation)))]


def seeds_of(text: str) -> list[int]:
    """`3`, `1-60`."""
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def make_all(folder: Path, seeds: Iterable[int], trouble: str | None = None) -> None:
    """Draw what is not there yet."""
    for seed in seeds:
        for view in VIEWS:
            if not (folder / str(seed) / f"{view}.truth.json").exists():
                write(make(seed, view, trouble=trouble), folder / str(seed))


def mark_again(folder: Path, seeds: Iterable[int]) -> None:
    """Write the marks files anew from picture and truth, for a maker of marks that has changed."""
    for seed in seeds:
        for place, view in enumerate(VIEWS):
            path = folder / str(seed) / f"{view}.jpg"
            facts = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
            made = marks(facts, path.read_bytes(), path.name, seed * 3 + place)
            path.with_suffix(".marks.json").write_text(as_text(made), encoding="utf-8")


def measure(pictures: list[Path]) -> dict[str, Any]:
    """The program's own JSON for pictures of one fitting; a failure gives its message under `failed`."""
    command = [sys.executable, "-m", "fitdiag", "photo", "measure", *map(str, pictures), "--json"]
    ran = subprocess.run(
        [*command, "--overlays", str(pictures[0].parent), "--replace"], capture_output=True, text=True, check=False
    )
    if ran.returncode or not ran.stdout.strip():
        return {"failed": ran.stderr or ran.stdout, "pictures": []}
    return json.loads(ran.stdout)  # type: ignore[no-any-return]


def true_value(facts: dict[str, Any], line: str, what: str) -> float | None:
    """The truth for a reading's name, or None where the truth has no such thing."""
    if line in facts["grains"]:
        grain = facts["grains"][line]
        return grain["lean"] if what == "lean" else grain["dist"].get(what.removeprefix(CENTRE))
    own = facts["lines"].get(line, {})
    if what == "tilt":
        return own.get("tilt_seam", own.get("tilt_sil"))
    if what in ("v angle left", "v angle right"):
        made = own.get("made")
        return float(np.mean(own["slope3"])) if made and made["vee"] >= 4 else None
    if what == "v depth":
        return own["made"]["vee"] if own.get("made") else None
    return own.get({"drop": "drop_seam", "drop to the back": "drop_back"}.get(what, what))


def measure_all(folder: Path, seeds: Iterable[int]) -> None:
    """Measure back and front, each together with the side picture, which tells the depth; keep what is said."""
    for seed in seeds:
        for views in SETS:
            told = measure([folder / str(seed) / f"{view}.jpg" for view in views])
            (folder / str(seed) / f"{views[0]}.said.json").write_text(json.dumps(told), encoding="utf-8")


def scores(folder: Path, seeds: Iterable[int]) -> list[Score]:
    """All readings that were kept, beside the truth."""
    found = []
    for seed in seeds:
        for views in SETS:
            told = json.loads((folder / str(seed) / f"{views[0]}.said.json").read_text(encoding="utf-8"))
            if "failed" in told:
                print(seed, views, told["failed"], file=sys.stderr)
            for picture in told["pictures"][: 2 if views[0] == "back" else 1]:
                path = folder / str(seed) / picture["file"]
                facts = json.loads(path.with_suffix(".truth.json").read_text())
                for reading in picture["readings"]:
                    true = true_value(facts, reading["line"], reading["what"])
                    if true is not None:
                        found.append(_score(seed, facts, reading, true))
    return found


def _score(seed: int, facts: dict[str, Any], reading: dict[str, Any], true: float) -> Score:
    own = facts["lines"].get(reading["line"], {})
    outline = {"drop": "drop_sil", "tilt": "tilt_sil", "drop to the back": "drop_back_sil"}.get(reading["what"], "")
    return Score(
        seed=seed,
        view=facts["view"],
        line=reading["line"],
        what=reading["what"],
        truth=true,
        value=None if reading["word"] == "don't use" else reading["value"],
        error=reading["error"] or 0.0,
        elevation=own.get("elevation_deg", facts["lines"]["hip"]["elevation_deg"]),
        reason=reading["reason"],
        outline=own.get(outline, true),
    )


def row(name: str, some: list[Score], off: Callable[[Score], float] = lambda score: score.off) -> str:
    """One line of the table."""
    told = [score for score in some if score.value is not None]
    if not told:
        return f"| {name} | {len(some)} | 0 | | | | |"
    wrong = np.array([off(score) for score in told])
    error = np.maximum([score.error for score in told], 1e-9)
    inside = [f"{np.mean(np.abs(wrong) <= times * error):.0%}" for times in (1, 2)]
    middle, far = np.quantile(np.abs(wrong), [0.5, 0.95])
    return f"| {name} | {len(some)} | {len(told)} | {middle:.2f} / {far:.1f} | {np.mean(wrong):+.2f} | {inside[0]} | {inside[1]} |"


def at_outline(score: Score) -> float:
    """Value less what is true at the outline's edges."""
    return (score.value or 0.0) - score.outline


def table(found: list[Score]) -> str:
    """Median and 95 % of the absolute error, mean error, share inside the printed one and two standard deviations."""
    lines = ["| reading | n | told | median / 95 % | mean | 1 sd | 2 sd |", "|---|---|---|---|---|---|---|"]

    def pick(view: str, line: str, what: str) -> list[Score]:
        return [
            score
            for score in found
            if view in ("", score.view) and score.line.startswith(line) and score.what.startswith(what)
        ]

    for line in ("hip", "crotch", "waist"):
        for view in ("back", "front"):
            own = pick(view, line, "drop")
            for band in BAND_NAMES:
                some = [score for score in own if score.band == band]
                if some:
                    lines.append(row(f"{line} drop, {view}, {band} deg, mm", some))
            lines.append(row(f"{line} drop, {view}, all, against the outline, mm", own, at_outline))
        lines.append(row(f"{line} drop to the back, side picture, mm", pick("left", line, "drop to the back")))
    for line in ("hip", "crotch"):
        lines.append(row(f"{line} V angle against slope3, both views, deg", pick("", line, "v angle")))
        lines.append(row(f"{line} V depth, both views, mm", pick("", line, "v depth")))
    for line in ("waist", "hip", "crotch", "knee"):
        for view in VIEWS:
            lines.append(row(f"{line} tilt, {view}, deg", pick(view, line, "tilt")))
            lines.append(row(f"{line} tilt, {view}, against the outline, deg", pick(view, line, "tilt"), at_outline))
    for what in ("lean", *(CENTRE + line for line in ("waist", "hip", "crotch"))):
        for view in ("back", "front"):
            lines.append(row(f"grain: {what}, {view}", pick(view, "grain", what)))
    lines.append(row("everything", found))
    return "\n".join([*lines, "", calls(found)])


def calls(found: list[Score]) -> str:
    """What is called: V where there is none, dips where there is nothing to find."""
    depth = [
        score
        for score in found
        if score.what == "v depth" and score.value is not None and score.line in ("hip", "crotch")
    ]
    none, real = [s for s in depth if abs(s.truth) < 0.5], [s for s in depth if s.truth >= 4]
    drops = [s for s in found if s.what == "drop" and s.value is not None and s.line == "hip"]
    level = [s for s in drops if abs(s.truth) < 1.5]
    dips = [s for s in drops if s.truth >= 10]
    return "\n".join(
        [
            f"V called where there is none (hip, crotch): {sum('V that points' in s.reason for s in none)} of {len(none)}",
            f"V of 4 mm and more not called: {sum('V that points' not in s.reason for s in real)} of {len(real)}",
            f"level hip line, read as 2 sd and 3 mm or more away: {sum(abs(s.off) > max(2 * s.error, 3) for s in level)} of {len(level)}",
            f"hip dip of 10 mm and more, read less than half of it with a small error: "
            f"{sum(s.truth + s.off < s.truth / 2 and s.truth + s.off + 2 * s.error < s.truth for s in dips)} of {len(dips)}",
        ]
    )
