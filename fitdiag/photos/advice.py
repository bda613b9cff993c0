"""What would bring the largest error down: one line for the client's next pictures, said after each reading."""

from __future__ import annotations

import math

from fitdiag.photos.readings import Measured, Reading, Source
from fitdiag.photos.trousers import HIP

LEAST_GAIN = 0.75  # of the error: what gains less is not worth a word
DO: dict[Source, str] = {
    "level": "have two long upright things in view, a door frame or a hanging string, near the left and the right border",
    "focal length": "send the picture as the telephone made it, not through a messenger, which takes the focal length out",
    "distance": "hang a sheet of paper beside the hip, in line with the side seams",
    "edges": "cross the arms in front, and stand before a plain wall of another colour",
    "seam": "draw the centre seam over with the pen",
}


def next_time(found: Measured) -> tuple[str, Reading] | None:
    """What to do otherwise, and the reading it would better (`without`: its error then); None where nothing gains much."""
    readings = [reading for reading in found.readings if reading.value is not None and reading.what in ("drop", "tilt")]
    readings.sort(key=lambda reading: (reading.line != HIP, reading.what != "drop"))
    for reading in readings:
        if reading.error is None or reading.without is None or reading.without > LEAST_GAIN * reading.error:
            continue
        if reading.most in DO:
            return DO[reading.most], reading
        line = found.lines.get(reading.line)
        if reading.most == "depth" and line is not None and found.distance_mm:
            off = math.tan(math.radians(line.depression_deg)) * found.distance_mm / 10
            return f"hold the lens {abs(off):.0f} cm {'lower' if off > 0 else 'higher'}, at the line's height", reading
    return None
