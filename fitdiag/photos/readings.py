"""What is read off pictures: one number with its error, one line, one whole picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from fitdiag.photos.marks import Marks, Point
from fitdiag.photos.snap import Track

Word = Literal["good", "fair", "don't use"]
Unit = Literal["mm", "deg"]
Source = Literal["level", "crop", "focal length", "distance", "edges", "seam", "depth", "folds", ""]


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
