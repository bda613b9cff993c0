"""What is read off pictures: one number with its error, one line, one whole picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from fitdiag.photos.marks import Marks, Point
from fitdiag.photos.snap import Track

Word = Literal["good", "fair", "don't use"]
Unit = Literal["mm", "deg"]
Source = Literal["level", "focal length", "distance", "edges", "seam", "depth", "folds", ""]


@dataclass(frozen=True)
class Reading:
    """One number: `raw` as the picture shows it, `value` corrected, `error` one standard deviation (None: refused).

    `most`: what the largest part of the error comes from; `by_depth`: what the value would gain with the body one standard
    deviation deeper. That part of the error all pictures of one view share. `without`: the error with its largest part gone.
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
    """What was found of one balance line, for the overlay and for putting pictures together."""

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
        """The reading of this name, if there is one."""
        return next((found for found in self.readings if (found.line, found.what) == (line, what)), None)


def called(name: str) -> str:
    """A line's name as it is said."""
    return name.replace("-", " ").replace("_", " ")
