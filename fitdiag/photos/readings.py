"""What is read off pictures: one number with its error, one line, one whole picture; and the file that keeps it.

What was measured for the page is kept beside the pictures, so that confirming all of it does not measure again. The file holds
numbers and lines in px, no picture, place, time or camera. It is valid only for the same pictures, marks, girth and program, and
only if unchanged; otherwise it is ignored.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np

from fitdiag.files import read_bytes
from fitdiag.photos.marks import Marks, Point, as_json
from fitdiag.photos.snap import Track
from fitdiag.problems import ProblemsFoundError

KEPT = "measured.json"
LARGEST = 8 << 20

Word = Literal["good", "fair", "don't use"]
Unit = Literal["mm", "deg"]
Source = Literal["level", "focal length", "distance", "edges", "seam", "depth", "folds", ""]


@dataclass(frozen=True)
class Reading:
    """One number: `raw` as the picture shows it, `value` corrected, `error` one standard deviation (None: refused).

    `most`: source of the largest part of the error; `by_depth`: change of the value for a body one standard deviation deeper, an
    error shared by all pictures of one view; `without`: the error without its largest part.
    """

    line: str
    what: str
    unit: Unit
    raw: float | None
    value: float | None
    error: float | None
    word: Word
    reason: str
    most: Source = ""
    by_depth: float = 0.0
    without: float | None = None


@dataclass(frozen=True, eq=False)
class Line:
    """One balance line as found, for the overlay and for combining pictures."""

    track: Track
    left: Point
    right: Point
    depression_deg: float
    half_mm: float | None
    depth_mm: float


@dataclass(frozen=True, eq=False)
class Measured:
    """Everything read off one picture."""

    marks: Marks
    readings: tuple[Reading, ...]
    lines: Mapping[str, Line]
    grains: Mapping[str, Track]
    seam: Track | None
    verticals: tuple[tuple[Point, Point], ...]
    warnings: tuple[str, ...]
    distance_mm: float | None

    def reading(self, line: str, what: str) -> Reading | None:
        """Return the reading of this name; None if there is none."""
        return next((one for one in self.readings if (one.line, one.what) == (line, what)), None)


def called(name: str) -> str:
    """Return a line's name in plain words."""
    return name.replace("-", " ").replace("_", " ")


def kept_text(found: Sequence[Measured], girth_mm: float | None) -> str:
    """Return the file's text for pictures measured together; `girth_mm`: the hip girth, if known."""
    plain = [{**asdict(one), "marks": None} for one in found]
    body = json.dumps(plain, default=lambda pixels: np.round(pixels, 2).tolist())
    return json.dumps({"seal": _seal(body, [one.marks for one in found], girth_mm), "pictures": body}) + "\n"


def kept(path: Path, marks: Sequence[Marks], girth_mm: float | None) -> list[Measured] | None:
    """Read the measurements of these marks from this file; None if it is missing, damaged, or for anything else."""
    if not path.is_file() or any(one.proposed for one in marks):
        return None
    try:
        data = json.loads(read_bytes(path, LARGEST))
        if data["seal"] == _seal(data["pictures"], marks, girth_mm):
            return [_measured(one, own) for one, own in zip(json.loads(data["pictures"]), marks, strict=True)]
    except (ProblemsFoundError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        pass
    return None


def _seal(body: str, marks: Sequence[Marks], girth_mm: float | None) -> str:
    bare = [as_json(replace(one, file="", notes="", proposed=(), doubts={})) for one in marks]
    return _digest(json.dumps([_program(), girth_mm, bare, body]))


@cache
def _program() -> str:
    """Digest of the measuring code: another version may measure differently."""
    return _digest("".join(path.read_text(encoding="utf-8") for path in sorted(Path(__file__).parent.glob("*.py"))))


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _measured(data: dict[str, Any], marks: Marks) -> Measured:
    def points(line: dict[str, Any]) -> dict[str, Any]:
        return {**line, "track": _track(line["track"]), "left": tuple(line["left"]), "right": tuple(line["right"])}

    return Measured(**{
        **data, "marks": marks, "warnings": tuple(data["warnings"]), "seam": data["seam"] and _track(data["seam"]),
        "readings": tuple(Reading(**one) for one in data["readings"]),
        "lines": {name: Line(**points(line)) for name, line in data["lines"].items()},
        "grains": {name: _track(one) for name, one in data["grains"].items()},
        "verticals": tuple((tuple(top), tuple(bottom)) for top, bottom in data["verticals"]),
    })  # fmt: skip


def _track(data: dict[str, Any]) -> Track:
    return Track(**{**data, "pixels": np.array(data["pixels"], float).reshape(-1, 2)})
