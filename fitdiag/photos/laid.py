"""Lines of another muslin, as simulated cloth has them, laid over a picture at the estimated place of its camera.

Distance and level of the camera are those that the picture was measured by; sideways and in height the lines are set where
the hip line (else the first line that both have) ends on both sides, so what is left to see is how the lines run.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from fitdiag.photos.camera import Camera
from fitdiag.photos.readings import Measured
from fitdiag.photos.setting import setting
from fitdiag.photos.trousers import MAIN
from fitdiag.problems import stop

Array = NDArray[np.float64]
# Name of a line to its pieces, (n, 3) in mm: x to the wearer's right, y forward, z up; of x, y: to the right, away from the lens.
Courses = Mapping[str, Sequence[Array]]
ACROSS = {"back": (1, 0, 0, 1), "front": (-1, 0, 0, -1), "left": (0, -1, 1, 0), "right": (0, 1, -1, 0)}
LONGEST = 1500  # px of what is written
MARGIN = 120  # px round the lines
COLOURS = ((0, 70, 150), (190, 30, 0), (0, 0, 0))  # of the picture's own lines, and of those laid over it
DASHES = ((0, 0), (18, 9), (3, 9))  # on and off; the picture's own lines are drawn through


def placed(camera: Camera, view: str, away_mm: float, lines: Courses, ends: Array) -> dict[str, list[Array]]:
    """Lines as pixels (n, 2) in a picture from `view`. `ends`: where the first line of `lines` begins and ends there, (2, 2) px."""
    right, deep = np.array(ACROSS[view][:2]), np.array(ACROSS[view][2:])
    first = np.concatenate(list(next(iter(lines.values()))))
    outer = first[[int((first[:, :2] @ right).argmin()), int((first[:, :2] @ right).argmax())]].mean(axis=0)
    ray = camera.rays(ends).mean(axis=0)
    beside, height = outer[:2] @ right - ray[0] * away_mm, outer[2] - ray[1] * away_mm

    def at(line: Array) -> Array:
        depth = away_mm + (line[:, :2] - outer[:2]) @ deep
        return camera.pixels(np.column_stack([(line[:, :2] @ right - beside) / depth, (line[:, 2] - height) / depth]))

    return {name: [at(line) for line in pieces] for name, pieces in lines.items()}


def laid_over(pixels: NDArray[np.uint8], found: Measured, shown: Sequence[tuple[str, Courses]]) -> bytes:
    """A PNG: the picture cut to its lines, those in blue, and over them the lines of up to two muslins, each with its heading.

    Raises ProblemsFoundError if the picture has no line to set them by.
    """
    marks = found.marks.confirmed()
    anchor = next((name for name in MAIN if name in found.lines and all(name in lines for _, lines in shown)), None)
    if anchor is None:
        raise stop("no-line", "this picture has no hip or crotch line to set others by", hint="mark one of them")
    where = setting(pixels, marks)
    ends = np.array([found.lines[anchor].left, found.lines[anchor].right])
    sets = [[line.track.pixels for line in found.lines.values()] + [track.pixels for track in found.grains.values()]]
    for _, lines in shown:
        ordered = {anchor: lines[anchor], **lines}
        laid = placed(where.camera, marks.view, where.away, ordered, ends)
        sets.append([line for pieces in laid.values() for line in pieces])
    heads = ["in the picture", *(head for head, _ in shown)]
    return _drawn(pixels, sets, heads)


def _drawn(pixels: NDArray[np.uint8], sets: Sequence[Sequence[Array]], heads: Sequence[str]) -> bytes:
    every = np.concatenate([line for lines in sets for line in lines])
    size = np.array([pixels.shape[1], pixels.shape[0]])
    low = np.clip(every.min(axis=0) - MARGIN, 0, size - 1).astype(int)
    high = np.clip(every.max(axis=0) + MARGIN, low + 1, size).astype(int)
    shrink = min(1.0, LONGEST / float((high - low).max()))
    wide, tall = (max(1, round(float(side) * shrink)) for side in high - low)
    image = Image.fromarray(np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]])).resize((wide, tall))
    font = ImageFont.load_default(max(14, tall // 55))
    row = int(font.getbbox("Ag")[3]) + 12
    whole = Image.new("RGB", (max(wide, 480), tall + row * len(sets) + 8), (255, 255, 255))
    whole.paste(image, (0, 0))
    draw = ImageDraw.Draw(whole)
    for number, (lines, head) in enumerate(zip(sets, heads, strict=True)):
        for line in lines:
            _stroke(draw, (line - low) * shrink, number)
        y = tall + 8 + row * number + row / 2
        _stroke(draw, np.column_stack([np.linspace(10, 90, 60), np.full(60, y)]), number)
        draw.text((104, y), head, fill=(0, 0, 0), font=font, anchor="lm")
    out = io.BytesIO()
    whole.save(out, "PNG")
    return out.getvalue()


def _stroke(draw: ImageDraw.ImageDraw, line: Array, number: int) -> None:
    """A line with a light rim, drawn through or dashed by its number."""
    on, off = DASHES[number]
    steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    even = np.arange(0.0, steps[-1], 3.0)
    points = [(float(np.interp(at, steps, line[:, 0])), float(np.interp(at, steps, line[:, 1]))) for at in even]
    for width, colour in ((6, (255, 255, 255)), (3, COLOURS[number])):
        for at, (one, other) in zip(even, pairwise(points), strict=False):
            if not off or at % (on + off) < on:
                draw.line([one, other], fill=colour, width=width)
