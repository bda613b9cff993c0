"""The picture with everything drawn on it that was snapped and measured, for the fitter to confirm at a glance."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from fitdiag.photos.measure import Measured, Reading
from fitdiag.units import Units, format_reading

_MARGIN = 60  # px round what was marked; the rest of the person is not shown
_LONGEST = 1600
_CLEAR, _UNCLEAR, _SEAM, _PLUMB = (0, 110, 160), (200, 60, 0), (120, 60, 160), (60, 120, 60)


def overlay(pixels: NDArray[np.uint8], found: Measured, units: Units) -> bytes:
    """A PNG, cut to the marked part: lines as they were snapped, their side edges, plumb lines, and the numbers beside them."""
    points = [tuple(point) for line in found.lines.values() for point in (line.left, line.right)]
    points += [tuple(point) for track in found.grains.values() for point in track.pixels[[0, -1]]]
    if not points:
        points = [(0.0, 0.0), (float(found.marks.width), float(found.marks.height))]
    xs, ys = zip(*points, strict=True)
    left, top = max(0, int(min(xs)) - 4 * _MARGIN), max(0, int(min(ys)) - _MARGIN)
    right = min(found.marks.width, int(max(xs)) + 4 * _MARGIN)
    bottom = min(found.marks.height, int(max(ys)) + _MARGIN)
    shrink = min(1.0, _LONGEST / max(right - left, bottom - top, 1))
    size = (max(1, round((right - left) * shrink)), max(1, round((bottom - top) * shrink)))
    image = Image.fromarray(np.ascontiguousarray(pixels[top:bottom, left:right])).resize(size)
    draw = ImageDraw.Draw(image)
    font = ImageFont.load_default(max(12, size[1] // 55))

    def place(point: tuple[float, float]) -> tuple[float, float]:
        return (point[0] - left) * shrink, (point[1] - top) * shrink

    for first, last in found.verticals:
        draw.line([place(first), place(last)], fill=_PLUMB, width=1)
    if found.seam is not None:
        draw.line([place((x, y)) for x, y in found.seam.pixels[::4]], fill=_SEAM, width=2)
    for name, track in found.grains.items():
        draw.line([place((x, y)) for x, y in track.pixels[::4]], fill=_CLEAR if track.clear else _UNCLEAR, width=2)
        _write(draw, font, place((track.pixels[0, 0], track.pixels[0, 1])), name, found, units, size)
    for name, line in found.lines.items():
        draw.line(
            [place((x, y)) for x, y in line.track.pixels[::4]], fill=_CLEAR if line.track.clear else _UNCLEAR, width=2
        )
        for end in (line.left, line.right):
            x, y = place(end)
            draw.line([(x, y - 9), (x, y + 9)], fill=_CLEAR, width=2)
        _write(draw, font, place(line.right), name, found, units, size)
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


def _write(
    draw: ImageDraw.ImageDraw,
    font: ImageFont.FreeTypeFont | ImageFont.ImageFont,
    at: tuple[float, float],
    name: str,
    found: Measured,
    units: Units,
    size: tuple[int, int],
) -> None:
    lines = [name.replace("-", " ")]
    lines += [f"{reading.what} {told(reading, units)}" for reading in found.readings if reading.line == name]
    text = "\n".join(lines)
    box = draw.multiline_textbbox((0, 0), text, font=font)
    x = min(at[0] + 8, size[0] - box[2] - 4)
    y = min(at[1] + 6, size[1] - box[3] - 4)
    draw.rectangle((x - 3, y - 2, x + box[2] + 3, y + box[3] + 2), fill=(255, 255, 255))
    draw.multiline_text((x, y), text, fill=(0, 0, 0), font=font)


def told(reading: Reading, units: Units) -> str:
    """A reading in a few words: value, error, and how far it can be trusted."""
    if reading.value is None or reading.error is None:
        return "no number"
    if reading.unit == "deg":
        return f"{reading.value:+.1f} degrees, give or take {reading.error:.1f}"
    sign = "-" if reading.value < 0 else ""
    return f"{sign}{format_reading(abs(reading.value), units)}, give or take {amount(reading.error, units)}"


def amount(mm: float, units: Units) -> str:
    """An error as text: never below the smallest step that is printed."""
    return format_reading(max(mm, 1.6 if units == "in" else 0.5), units)
