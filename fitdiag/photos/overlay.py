"""The picture with everything drawn on it that was snapped and measured, for the fitter to confirm at a glance."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from fitdiag.photos.readings import Measured, Reading
from fitdiag.units import Units, format_reading

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont
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
    font = ImageFont.load_default(max(12, size[1] // 55))
    image = Image.fromarray(np.ascontiguousarray(pixels[top:bottom, left:right])).resize(size, reducing_gap=2.0)
    draw = ImageDraw.Draw(image)

    def place(point: tuple[float, float]) -> tuple[float, float]:
        return (point[0] - left) * shrink, (point[1] - top) * shrink

    for first, last in found.verticals:
        draw.line([place(first), place(last)], fill=_PLUMB, width=1)
    if found.seam is not None:
        draw.line([place((x, y)) for x, y in found.seam.pixels[::4]], fill=_SEAM, width=2)
    for name, track in found.grains.items():
        draw.line([place((x, y)) for x, y in track.pixels[::4]], fill=_CLEAR if track.clear else _UNCLEAR, width=2)
        _write(draw, font, place((track.pixels[-1, 0], track.pixels[-1, 1])), name, size)
    for name, line in found.lines.items():
        colour = _CLEAR if line.track.clear else _UNCLEAR
        draw.line([place((x, y)) for x, y in line.track.pixels[::4]], fill=colour, width=2)
        for end in (line.left, line.right):
            x, y = place(end)
            draw.line([(x, y - 9), (x, y + 9)], fill=_CLEAR, width=2)
        _write(draw, font, place(line.right), name, size)
    beside = _numbers(found, units)
    box = draw.multiline_textbbox((0, 0), beside, font=font)
    whole = Image.new("RGB", (size[0] + int(box[2]) + 32, max(size[1], int(box[3]) + 32)), (255, 255, 255))
    whole.paste(image, (0, 0))
    ImageDraw.Draw(whole).multiline_text((size[0] + 16, 16), beside, fill=(0, 0, 0), font=font)
    out = io.BytesIO()
    whole.save(out, "PNG", compress_level=3)
    return out.getvalue()


def _write(draw: ImageDraw.ImageDraw, font: Font, at: tuple[float, float], name: str, size: tuple[int, int]) -> None:
    text = name.replace("-", " ")
    box = draw.textbbox((0, 0), text, font=font)
    x = min(at[0] + 8, size[0] - box[2] - 4)
    y = min(at[1] + 6, size[1] - box[3] - 4)
    draw.rectangle((x - 3, y - 2, x + box[2] + 3, y + box[3] + 2), fill=(255, 255, 255))
    draw.text((x, y), text, fill=(0, 0, 0), font=font)


def _numbers(found: Measured, units: Units) -> str:
    """All readings, line by line, as a column of text."""
    rows: list[str] = []
    for name in (*found.lines, *found.grains):
        rows.append(name.replace("-", " "))
        rows += [f"  {reading.what}: {told(reading, units)}" for reading in found.readings if reading.line == name]
    return "\n".join(rows)


def told(reading: Reading, units: Units) -> str:
    """A reading in a few words: value, error, and how far it can be trusted."""
    if reading.value is None or reading.error is None:
        return "no number"
    error = give_or_take(reading.error, reading.unit, units)
    return f"{plain(reading.value, reading.unit, units)}, give or take {error}"


def plain(value: float, unit: str, units: Units) -> str:
    """A number with its sign; nothing is ever minus nothing.

    >>> plain(-0.2, "mm", "in"), plain(-0.01, "deg", "in"), plain(-19.05, "mm", "in")
    ('0 in', '0.0 degrees', '-3/4 in')
    """
    if unit == "deg":
        return f"{value:+.1f} degrees" if abs(value) >= 0.05 else "0.0 degrees"
    text = format_reading(abs(value), units)
    return f"-{text}" if value < 0 and not text.startswith("0 ") else text


def give_or_take(error: float, unit: str, units: Units) -> str:
    """One standard deviation as text, never below the smallest step that is printed."""
    if unit == "deg":
        return f"{max(error, 0.1):.1f}"
    return format_reading(max(error, 1.6 if units == "in" else 0.5), units)
