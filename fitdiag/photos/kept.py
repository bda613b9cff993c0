"""What was measured for the page, kept beside the pictures, so that a yes to all of it measures nothing again.

The file holds numbers and courses in px, no picture, place, time or camera. It counts only for the same pictures, marks, girth and
program, and as long as nobody changed it; else it is as good as none.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from fitdiag.files import read_bytes
from fitdiag.photos.marks import Marks, as_json
from fitdiag.photos.readings import Line, Measured, Reading
from fitdiag.photos.snap import Track
from fitdiag.problems import ProblemsFoundError

KEPT = "measured.json"
SCHEMA = "fitdiag.kept/1"
LARGEST = 8 << 20


def kept_text(found: Sequence[Measured], girth_mm: float | None) -> str:
    """The file's text for pictures measured together."""
    body = json.dumps([_plain(one) for one in found])
    key = _key([one.marks for one in found], girth_mm)
    return json.dumps({"schema": SCHEMA, "key": key, "seal": _digest(body), "pictures": body}) + "\n"


def kept(path: Path, marks: Sequence[Marks], girth_mm: float | None) -> list[Measured] | None:
    """What was measured of these marks, if this file holds it; None if it is not there, damaged, or of anything else."""
    if not path.is_file() or any(one.proposed for one in marks):
        return None
    try:
        data = json.loads(read_bytes(path, LARGEST))
        body = data["pictures"]
        if (data["schema"], data["key"], data["seal"]) != (SCHEMA, _key(marks, girth_mm), _digest(body)):
            return None
        return [_measured(one, own) for one, own in zip(json.loads(body), marks, strict=True)]
    except (ProblemsFoundError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def _key(marks: Sequence[Marks], girth_mm: float | None) -> str:
    bare = [as_json(replace(one, file="", notes="", proposed=(), doubts={})) for one in marks]
    return _digest(json.dumps([_program(), girth_mm, bare]))


@cache
def _program() -> str:
    """A digest of what measures: another version may measure otherwise."""
    return _digest("".join(path.read_text(encoding="utf-8") for path in sorted(Path(__file__).parent.glob("*.py"))))


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(found: Measured) -> dict[str, Any]:
    return {
        "readings": [asdict(reading) for reading in found.readings],
        "lines": {name: {**vars(line), "track": _course(line.track)} for name, line in found.lines.items()},
        "grains": {name: _course(track) for name, track in found.grains.items()},
        "seam": found.seam and _course(found.seam),
        "verticals": found.verticals,
        "warnings": found.warnings,
        "distance_mm": found.distance_mm,
    }


def _course(track: Track) -> dict[str, Any]:
    return {**vars(track), "pixels": np.round(track.pixels, 2).tolist()}


def _measured(data: dict[str, Any], marks: Marks) -> Measured:
    readings = tuple(Reading(**_checked(one)) for one in data["readings"])
    lines = {
        name: Line(
            **{**line, "track": _track(line["track"]), "left": tuple(line["left"]), "right": tuple(line["right"])}
        )
        for name, line in data["lines"].items()
    }
    verticals = tuple((tuple(top), tuple(bottom)) for top, bottom in data["verticals"])
    return Measured(
        marks, readings, lines, {name: _track(one) for name, one in data["grains"].items()},
        data["seam"] and _track(data["seam"]), verticals, tuple(data["warnings"]), data["distance_mm"],
    )  # fmt: skip


def _checked(reading: dict[str, Any]) -> dict[str, Any]:
    if any(isinstance(value, float) and not math.isfinite(value) for value in reading.values()):
        raise ValueError
    return reading


def _track(data: dict[str, Any]) -> Track:
    return Track(**{**data, "pixels": np.array(data["pixels"], float).reshape(-1, 2)})
