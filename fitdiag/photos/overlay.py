"""Overlays on a picture: the lines found and their measurements, or the lines of another muslin.

The lines of another muslin come from simulated cloth. Distance and level of the camera are those the picture was measured with;
sideways and in height the lines are aligned to both ends of the hip line (else the first line both have), so that only their
shapes differ.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from fitdiag.photos.camera import Camera
from fitdiag.photos.marks import View
from fitdiag.photos.readings import Measured, Reading
from fitdiag.photos.setting import setting
from fitdiag.photos.strip import Array
from fitdiag.photos.trousers import MAIN
from fitdiag.problems import stop
from fitdiag.units import Units, format_error, format_reading, in_units

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont
# Line name to its pieces, (n, 3) in mm: x to the wearer's right, y forward, z up
Courses = Mapping[str, Sequence[Array]]
# by view, as (x, y) of those: the directions to the right in the picture, and away from the lens
ACROSS = {"back": (1, 0, 0, 1), "front": (-1, 0, 0, -1), "left": (0, -1, 1, 0), "right": (0, 1, -1, 0)}
SIDES = {(1, 0): "right", (-1, 0): "left", (0, 1): "front", (0, -1): "back"}  # of the wearer, by those directions
# px: longest side of the output; margins beside and above the marks: the rest of the person is not shown
LONGEST, LONGEST_LAID = 1600, 1500
MARGIN, MARGIN_LAID = (240, 60), (120, 120)
_CLEAR, _UNCLEAR, _SEAM, _PLUMB = (0, 110, 160), (200, 60, 0), (120, 60, 160), (60, 120, 60)
COLOURS = ((0, 70, 150), (190, 30, 0), (0, 0, 0))  # of the picture's own lines, and of the overlaid ones
DASHES = ((0, 0), (18, 9), (3, 9))  # on and off; the picture's own lines are solid


def overlay(pixels: NDArray[np.uint8], found: Measured, units: Units) -> bytes:
    """Return a PNG cropped to the marked part: lines as snapped, their side edges, plumb lines, and the numbers beside them."""
    points = [point for line in found.lines.values() for point in (line.left, line.right)]
    points += [point for track in found.grains.values() for point in track.pixels[[0, -1]]]
    image, place = _cut(pixels, np.array(points or [(0, 0), pixels.shape[1::-1]], float), MARGIN, LONGEST)
    font = ImageFont.load_default(max(12, image.height // 55))
    draw = ImageDraw.Draw(image)
    for pair in found.verticals:
        draw.line(place(pair), fill=_PLUMB, width=1)
    if found.seam is not None:
        draw.line(place(found.seam.pixels[::4]), fill=_SEAM, width=2)
    for name, track in found.grains.items():
        draw.line(place(track.pixels[::4]), fill=_CLEAR if track.clear else _UNCLEAR, width=2)
        _write(draw, font, place(track.pixels[-1:])[0], name, image.size)
    for name, line in found.lines.items():
        draw.line(place(line.track.pixels[::4]), fill=_CLEAR if line.track.clear else _UNCLEAR, width=2)
        ends = place((line.left, line.right))
        for x, y in ends:
            draw.line([(x, y - 9), (x, y + 9)], fill=_CLEAR, width=2)
        _write(draw, font, ends[1], name, image.size)
    beside = _numbers(found, units)
    box = draw.multiline_textbbox((0, 0), beside, font=font)
    whole, draw = _on_white(image, image.width + int(box[2]) + 32, max(image.height, int(box[3]) + 32))
    draw.multiline_text((image.width + 16, 16), beside, fill=(0, 0, 0), font=font)
    return _png(whole)


def _cut(
    pixels: NDArray[np.uint8], points: Array, margin: tuple[int, int], longest: int
) -> tuple[Image.Image, Callable[[Array | Sequence[tuple[float, float]]], list[tuple[float, float]]]]:
    """Crop a picture to these points (n, 2) px and shrink it; return it and a function from picture to crop coordinates."""
    size = np.array(pixels.shape[1::-1])
    low = np.clip(points.min(axis=0) - margin, 0, size - 1).astype(int)
    high = np.clip(points.max(axis=0) + margin, low + 1, size).astype(int)
    shrink = min(1.0, longest / float((high - low).max()))
    wide, tall = (max(1, round(float(side) * shrink)) for side in high - low)
    image = Image.fromarray(np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]]))

    def place(places: Array | Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
        return [(float(x), float(y)) for x, y in (np.asarray(places) - low) * shrink]

    return image.resize((wide, tall), reducing_gap=2.0), place


def _on_white(image: Image.Image, wide: int, tall: int) -> tuple[Image.Image, ImageDraw.ImageDraw]:
    """Paste the picture at the top left of a white canvas; return the canvas and its drawing context."""
    whole = Image.new("RGB", (wide, tall), (255, 255, 255))
    whole.paste(image, (0, 0))
    return whole, ImageDraw.Draw(whole)


def _png(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.save(out, "PNG", compress_level=3)
    return out.getvalue()


def _write(draw: ImageDraw.ImageDraw, font: Font, at: tuple[float, float], name: str, size: tuple[int, int]) -> None:
    text = name.replace("-", " ")
    box = draw.textbbox((0, 0), text, font=font)
    x = min(at[0] + 8, size[0] - box[2] - 4)
    y = min(at[1] + 6, size[1] - box[3] - 4)
    draw.rectangle((x - 3, y - 2, x + box[2] + 3, y + box[3] + 2), fill=(255, 255, 255))
    draw.text((x, y), text, fill=(0, 0, 0), font=font)


def _numbers(found: Measured, units: Units) -> str:
    """Format all readings, line by line."""
    rows: list[str] = []
    for name in (*found.lines, *found.grains):
        rows.append(name.replace("-", " "))
        rows += [
            f"  {reading.what}: {reading_text(reading, found.marks.view, units)}"
            for reading in found.readings
            if reading.line == name
        ]
    return "\n".join(rows)


def placed(camera: Camera, view: str, away_mm: float, lines: Courses, ends: Array) -> dict[str, list[Array]]:
    """Project lines to pixels (n, 2) in a picture from `view`. `ends`: ends of the first of `lines` in it, (2, 2) px."""
    right, deep = np.array(ACROSS[view][:2]), np.array(ACROSS[view][2:])
    first = np.concatenate(list(next(iter(lines.values()))))
    outer = first[[int((first[:, :2] @ right).argmin()), int((first[:, :2] @ right).argmax())]].mean(axis=0)
    ray = camera.rays(ends).mean(axis=0)
    beside, height = outer[:2] @ right - ray[0] * away_mm, outer[2] - ray[1] * away_mm

    def project(line: Array) -> Array:
        depth = away_mm + (line[:, :2] - outer[:2]) @ deep
        return camera.pixels(np.column_stack([(line[:, :2] @ right - beside) / depth, (line[:, 2] - height) / depth]))

    return {name: [project(line) for line in pieces] for name, pieces in lines.items()}


def laid_over(pixels: NDArray[np.uint8], found: Measured, shown: Sequence[tuple[str, Courses]]) -> bytes:
    """Return a PNG of the picture cropped to its lines, in blue, overlaid with the lines of up to two muslins, each with its heading.

    Raises ProblemsFoundError if the picture has no line to align them to.
    """
    marks = found.marks.confirmed()
    anchor = next((name for name in MAIN if name in found.lines and all(name in lines for _, lines in shown)), None)
    if anchor is None:
        raise stop("no-line", "this picture has no hip or crotch line to align others to", hint="mark one of them")
    where = setting(pixels, marks)
    ends = np.array([found.lines[anchor].left, found.lines[anchor].right])
    sets = [[line.track.pixels for line in found.lines.values()] + [track.pixels for track in found.grains.values()]]
    for _, lines in shown:
        ordered = {anchor: lines[anchor], **lines}
        laid = placed(where.camera, marks.view, where.away, ordered, ends)
        sets.append([line for pieces in laid.values() for line in pieces])
    return _drawn(pixels, sets, ["in the picture", *(head for head, _ in shown)])


def _drawn(pixels: NDArray[np.uint8], sets: Sequence[Sequence[Array]], heads: Sequence[str]) -> bytes:
    """Crop the picture to some sets of lines and draw each in its own style, with a heading below the picture."""
    image, place = _cut(pixels, np.concatenate([line for lines in sets for line in lines]), MARGIN_LAID, LONGEST_LAID)
    font = ImageFont.load_default(max(14, image.height // 55))
    row = int(font.getbbox("Ag")[3]) + 12
    whole, draw = _on_white(image, max(image.width, 480), image.height + row * len(sets) + 8)
    for number, (lines, head) in enumerate(zip(sets, heads, strict=True)):
        for line in lines:
            _stroke(draw, np.array(place(line)), number)
        y = image.height + 8 + row * number + row / 2
        _stroke(draw, np.column_stack([np.linspace(10, 90, 60), np.full(60, y)]), number)
        draw.text((104, y), head, fill=(0, 0, 0), font=font, anchor="lm")
    return _png(whole)


def _stroke(draw: ImageDraw.ImageDraw, line: Array, number: int) -> None:
    """Draw a line with a light rim, solid or dashed by its number."""
    on, off = DASHES[number]
    steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    even = np.arange(0.0, steps[-1], 3.0)
    points = [(float(np.interp(at, steps, line[:, 0])), float(np.interp(at, steps, line[:, 1]))) for at in even]
    for width, colour in ((6, (255, 255, 255)), (3, COLOURS[number])):
        for at, (one, other) in zip(even, pairwise(points), strict=False):
            if not off or at % (on + off) < on:
                draw.line([one, other], fill=colour, width=width)


def sentence(text: str, units: Units) -> str:
    """A remark on a picture or a reading, with its centimetres in these units. Millimetres stay: of a lens, or of a drawn line.

    >>> sentence("the lens stood 33 cm too high", "in"), sentence("by the focal length (90 mm)", "in")
    ('the lens stood 13 in too high', 'by the focal length (90 mm)')
    """
    return re.sub(r"(?<![\d.])\d+(?:\.\d+)? cm\b", lambda length: in_units(length[0], units), text)


def reading_text(reading: Reading, view: View, units: Units) -> str:
    """Format a reading's value and error, or "no number"."""
    if reading.value is None or reading.error is None:
        return "no number"
    error = give_or_take(reading.error, reading.unit, units)
    return f"{number_text(reading.what, reading.value, reading.unit, view, units)}, give or take {error}"


def number_text(what: str, value: float, unit: str, view: View, units: Units) -> str:
    """Format a number; of a tilt or a lean it is said which side of the wearer is higher, or where the top goes.

    >>> number_text("drop", -0.2, "mm", "back", "in"), number_text("drop", -19.05, "mm", "back", "in")
    ('0 in', '-3/4 in')
    >>> number_text("tilt", 0.6, "deg", "front", "in"), number_text("lean", -1.25, "deg", "left", "in")
    ('0.6 degrees, left higher', '1.2 degrees, top to the front')
    """
    if unit == "deg":
        (x, y), way = ACROSS[view][:2], 1 if value > 0 else -1
        side, size = SIDES[way * x, way * y], f"{abs(value):.1f} degrees"
        if abs(value) < 0.05:
            return "0.0 degrees"
        if what.startswith("tilt"):
            return f"{size}, {side} higher"
        return f"{size}, top to the {side}" if what == "lean" else f"{value:+.1f} degrees"
    text = format_reading(abs(value), units)
    return f"-{text}" if value < 0 and not text.startswith("0 ") else text


def give_or_take(error: float, unit: str, units: Units) -> str:
    """Format one standard deviation, never below the smallest printed step."""
    if unit == "deg":
        return f"{max(error, 0.1):.1f}"
    return format_error(error, units)
