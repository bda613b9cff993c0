"""A drawing as data: an immutable list of strokes, fills and texts in mm on paper, y down; its SVG writer; the pen that draws one.

Nothing depends on colour: lines differ in width and dashes, areas in hatching. The pen records what is on the paper, so that
labels can be put where there is room. Text sizes are in points.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from html import escape
from math import atan2, cos, degrees, hypot, pi, radians, sin
from typing import Literal, NamedTuple

import numpy as np
import shapely
from shapely import GeometryType, LineString, Point, Polygon, STRtree, box, get_parts
from shapely.geometry.base import BaseGeometry

from fitdiag.pattern.garment import arc, at_far
from fitdiag.pattern.piece import Array, apart, left_of, unit
from fitdiag.problems import one_line
from fitdiag.units import trimmed

MM_PER_POINT = 25.4 / 72
APART_MM = 12.0  # between drawings stacked one below another
XY = tuple[float, float]
Box = tuple[float, float, float, float]  # left, top, right, bottom
Anchor = Literal["start", "middle", "end"]
Over = Literal["labels", "lines", "nothing"]  # what a label may cover


@dataclass(frozen=True)
class Stroke:
    """A polyline; closed when its last point equals its first. `width` and `dash` (lengths on and off) in mm."""

    points: tuple[XY, ...]
    width: float
    dash: tuple[float, ...] = ()
    role: str = ""

    @property
    def closed(self) -> bool:
        return len(self.points) > 2 and self.points[0] == self.points[-1]


@dataclass(frozen=True)
class Fill:
    """A filled area without an edge; `grey` runs from 0, black, to 1, white."""

    points: tuple[XY, ...]
    grey: float = 0.0
    role: str = ""


@dataclass(frozen=True)
class Text:
    """One line of text: the anchor of its baseline in mm, its size in points, and its counter-clockwise rotation in degrees."""

    x: float
    y: float
    text: str
    size: float
    anchor: Anchor = "start"
    angle: float = 0.0
    bold: bool = False
    role: str = ""


Item = Stroke | Fill | Text


class Letters(NamedTuple):
    """The lettering of a text: its size in points, whether it is bold, and what the text is for."""

    size: float
    bold: bool = False
    role: str = "text"

    @cache  # noqa: B019 (letters are values, a few for all drawings)
    def width(self, text: str) -> float:
        """Width of a text in Helvetica, mm, with a margin for a wider substitute font, and a larger one for bold."""
        wider = 1.26 if self.bold else 1.15
        return sum(_WIDTHS.get(char, 556) for char in text) / 1000 * self.size * MM_PER_POINT * wider

    def room(self, text: str) -> tuple[float, float]:
        """Width and height of a text of one or more lines, mm."""
        lines = text.split("\n")
        return max(map(self.width, lines)) + 1.2, self.size * MM_PER_POINT * (1.25 * len(lines) - 0.25)


LABEL = Letters(9.0, role="label")


@dataclass(frozen=True)
class Drawing:
    """A finished drawing: its title, a description in words, its size in mm, and its items from back to front."""

    title: str
    desc: str
    width: float
    height: float
    items: tuple[Item, ...]


def lowered(item: Item, by: float) -> Item:
    """The same item, moved down the paper by `by` mm."""
    if isinstance(item, Text):
        return replace(item, y=item.y + by)
    return replace(item, points=tuple((x, y + by) for x, y in item.points))


def together(drawings: Sequence[Drawing], title: str) -> Drawing:
    """Stack drawings into one, separated by lines."""
    wide, high, items = max(one.width for one in drawings), 0.0, list[Item]()
    for one in drawings:
        if items:
            items.append(Stroke(((0.0, high + APART_MM / 2), (wide, high + APART_MM / 2)), 0.15, (), "frame"))
            high += APART_MM
        items += [lowered(item, high) for item in one.items]
        high += one.height
    return Drawing(title, " ".join(f"{one.title}. {one.desc}" for one in drawings), wide, high, tuple(items))


@dataclass(frozen=True)
class Style:
    """How a line of one role is drawn: width and dashes in mm; `weight`: what a label pays for each mm of it that it covers."""

    width: float
    dash: tuple[float, ...] = ()
    weight: float = 3.0


STYLES: Mapping[str, Style] = {
    "new": Style(0.6, (), 10.0), "old": Style(0.25, (1.6, 1.1)), "cut": Style(0.4, (3.4, 0.9, 0.5, 0.9), 6.0),
    "dart": Style(0.35, (), 5.0), "balance": Style(0.18), "grain": Style(0.25, (), 5.0), "hatch": Style(0.16),
    "dimension": Style(0.2, (), 10.0), "stitching": Style(0.3, (3.0, 1.5), 10.0), "frame": Style(0.15, (), 10.0),
    "window": Style(0.2, (0.6, 0.7)), "part": Style(0.4, (), 10.0),
}  # fmt: skip


def svg(drawing: Drawing) -> str:
    """The drawing as a self-contained SVG image with title and description: no scripts, no external resources."""
    title, desc = (escape(one_line(text, 2000)) for text in (drawing.title, drawing.desc))
    key = hashlib.blake2s(f"{title}\n{desc}".encode(), digest_size=6).hexdigest()
    edge = 1.0  # so that a frame at the edge is drawn at full width
    width, height = trimmed(drawing.width + 2 * edge), trimmed(drawing.height + 2 * edge)
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="t{key} d{key}" '
        f'width="{width}mm" height="{height}mm" viewBox="-{trimmed(edge)} -{trimmed(edge)} {width} {height}" '
        'font-family="Helvetica, Arial, Liberation Sans, sans-serif">',
        f'<title id="t{key}">{title}</title>',
        f'<desc id="d{key}">{desc}</desc>',
        f'<rect x="-{trimmed(edge)}" y="-{trimmed(edge)}" width="{width}" height="{height}" fill="#fff"/>',
    ]
    lines += [_svg_item(item) for item in drawing.items]
    return "\n".join([*lines, "</svg>", ""])


def _svg_item(item: Item) -> str:
    name = f' class="{escape(item.role)}"' if item.role else ""
    if isinstance(item, Text):
        x, y = trimmed(item.x), trimmed(item.y)
        turn = f' transform="rotate({trimmed(-item.angle)} {x} {y})"' if item.angle else ""
        anchor = f' text-anchor="{item.anchor}"' if item.anchor != "start" else ""
        weight = ' font-weight="bold"' if item.bold else ""
        size = trimmed(item.size * MM_PER_POINT)
        return f'<text{name} x="{x}" y="{y}" font-size="{size}"{anchor}{weight}{turn}>{escape(one_line(item.text, 400))}</text>'
    points = item.points[:-1] if isinstance(item, Stroke) and item.closed else item.points
    path = "M" + "L".join(f"{trimmed(x)} {trimmed(y)}" for x, y in points)
    if isinstance(item, Fill):
        shade = f"{round(item.grey * 255):02x}"
        return f'<path{name} d="{path}Z" fill="#{shade}{shade}{shade}"/>'
    dash = f' stroke-dasharray="{" ".join(trimmed(part) for part in item.dash)}"' if item.dash else ""
    return (
        f'<path{name} d="{path}{"Z" if item.closed else ""}" fill="none" stroke="#000" '
        f'stroke-width="{trimmed(item.width)}"{dash} stroke-linejoin="round"/>'
    )


# Helvetica's advance widths in thousandths of the size, from the font's public metrics; 556 for letters not listed.
_WIDTHS = {
    **dict.fromkeys("ijl'|", 222), **dict.fromkeys("ftI ./,:;!\\[]", 278), **dict.fromkeys("r-()`{}", 333),
    **dict.fromkeys("ckvxyzsJ", 500), **dict.fromkeys("FTZL", 611), **dict.fromkeys("ABEKPSVXY&", 667),
    **dict.fromkeys("CDHNRUw", 722), **dict.fromkeys("GOQ", 778), "m": 833, "M": 833, "W": 944, "%": 889,
}  # fmt: skip


def wrapped(text: str, size: float, width: float) -> list[str]:
    """Break text into lines no wider than `width` mm; a single word wider than that is cut short with dots."""
    lines, plain = list[str](), Letters(size)
    whole = re.sub(r"(?<=\d) (?=\d|in\b|cm\b)", "\u00a0", " ".join(text.split()))  # never break inside an amount
    for word in whole.split(" "):
        if lines and plain.width(f"{lines[-1]} {word}") <= width:
            lines[-1] += f" {word}"
            continue
        while plain.width(word) > width and len(word) > 4:
            word = word[:-4] + "..."  # noqa: PLW2901
        lines.append(word)
    return [line.replace("\u00a0", " ") for line in lines]


@dataclass(frozen=True)
class Spot:
    """A candidate place for a label: the centre of its box in mm, and its rotation in degrees, counter-clockwise."""

    x: float
    y: float
    angle: float = 0.0


class Pen:
    """Draws on one sheet of paper, in mm, y down, and records which places are occupied."""

    def __init__(self, width: float, height: float, hatching: float = 1.8, *, ground: bool = True) -> None:
        self.width, self.height, self.hatching = width, height, hatching
        self.ground = ground  # whether labels get a white ground that hides the lines under them
        self._items: list[Item] = []
        self._over: list[Item] = []  # labels, drawn over all lines
        self._lines: list[Array] = []
        self._weights: list[float] = []  # of each line: what a label pays per mm that it covers
        self._taken: list[tuple[Box, Polygon]] = []  # where labels stand, with the bounds of each
        # the lines by place, and their weights; made anew after one was added
        self._index: tuple[STRtree, Array] | None = None

    def done(self, title: str, desc: str, height: float | None = None) -> Drawing:
        return Drawing(title, desc, self.width, self.height if height is None else height, (*self._items, *self._over))

    def line(
        self, points: Array | Sequence[XY], role: str, clip: Box | None = None, width: float | None = None
    ) -> list[Array]:
        """Draw a polyline in the style of its role, clipped to a box; return the visible parts, each (n, 2) mm."""
        line = np.asarray(points, dtype=float)
        parts = [line] if clip is None else clipped(line, clip)
        style = STYLES[role]
        for part in parts:
            self._items.append(Stroke(_pairs(part), style.width if width is None else width, style.dash, role))
            self._note(part, style.weight)
        return parts

    def frame(self, box: Box, role: str = "frame") -> None:
        """Draw a rectangle."""
        self.line(corners(box), role)

    def fill(self, points: Array | Sequence[XY], grey: float, role: str = "") -> None:
        self._items.append(Fill(_pairs(np.asarray(points, dtype=float)), grey, role))

    def dot(self, at: XY, radius: float, grey: float, role: str) -> None:
        """Draw a filled circle, as a polygon of 24 sides."""
        self.fill(_circle(at, radius)[:-1], grey, role)

    def ring(self, at: XY, radius: float, role: str) -> None:
        """Draw a circle with a dot in it on white ground: the mark of a hinge."""
        self.dot(at, radius, 1.0, role)
        self.line(_circle(at, radius), "part", width=0.3)
        self.dot(at, radius * 0.45, 0.0, role)

    def arrow(self, tip: XY | Array, start: XY | Array) -> None:
        """Draw a line with a filled arrowhead at its tip."""
        whole: Array = np.array([start, tip], dtype=float)
        back = unit(whole[0] - whole[1]) * 2.0
        self.line(np.array([whole[0], whole[1] + back * 0.8]), "dimension")
        self.fill(pointed(whole[1], back, -0.28), 0.0, "dimension")
        self._note(whole)

    def hatch(self, area: BaseGeometry, *, cross: bool) -> None:
        """Hatch an area (paper mm), or cross-hatch it."""
        if area.is_empty:
            return
        left, top, right, bottom = area.bounds
        run = bottom - top
        starts = np.arange(np.floor((left - run) / self.hatching) * self.hatching, right, self.hatching)
        for foot, head in ((bottom, top), (top, bottom))[: 2 if cross else 1]:
            rays = np.array([[(x, foot), (x + run, head)] for x in starts]).reshape(-1, 2, 2)
            parts = get_parts(shapely.intersection(shapely.multilinestrings(shapely.linestrings(rays)), area))
            for part in parts[(shapely.get_type_id(parts) == GeometryType.LINESTRING) & (shapely.length(parts) > 0.15)]:
                self.line(shapely.get_coordinates(part), "hatch")

    def text(self, x: float, y: float, text: str, letters: Letters, anchor: Anchor = "start") -> None:
        """Set one line of text at a fixed place."""
        size, bold, role = letters
        self._over.append(Text(x, y, text, size, anchor, 0.0, bold, role))
        wide = letters.width(text)
        left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        self._take(box(left, y - size * MM_PER_POINT * 0.75, left + wide, y + size * MM_PER_POINT * 0.25))

    def paragraph(
        self, x: float, y: float, text: str, letters: Letters, width: float, step: float, most: int | None = None
    ) -> float:
        """Set a text in lines no wider than `width` and `step` mm apart, at most `most` of them; return the y of the next line."""
        for line in wrapped(text, letters.size, width)[:most]:
            self.text(x, y, line, letters)
            y += step
        return y

    def label(
        self, text: str, spots: Iterable[Spot], within: Box, letters: Letters = LABEL, *, leader: XY | None = None,
        over: Over = "labels",
    ) -> bool:  # fmt: skip
        """Set a text, of one or more lines, at the spot that covers least, the first of equally good ones; return whether it was set.

        `leader`: the point it names, joined to it by a thin line if they end up far apart. `over`: the most it may cover; if it
        would cover more, it is left out.
        """
        size, bold, role = letters
        best = self._freest(spots, letters.room(text), within)
        if best is None or (best[0] >= 100 and over != "labels") or (over == "nothing" and best[3] > 0.3):
            return False
        _, spot, ground, ink = best
        if ink > 0.3 and self.ground:
            self._over.append(Fill(_pairs(np.asarray(ground.exterior.coords)[:-1]), 1.0, "ground"))
        if leader is not None and hypot(spot.x - leader[0], spot.y - leader[1]) > letters.width(text) / 2 + 5.6:
            bare = LineString([leader, (spot.x, spot.y)]).difference(ground)
            if not bare.is_empty:
                self._over.append(Stroke(_pairs(np.asarray(bare.coords)), 0.15, (), "leader"))
                self._note(np.asarray(bare.coords))
        lines, turn = text.split("\n"), radians(spot.angle)
        for row, line in enumerate(lines):
            far = (0.35 + 1.25 * (row - (len(lines) - 1) / 2)) * size * MM_PER_POINT
            x, y = spot.x + far * sin(turn), spot.y + far * cos(turn)
            self._over.append(Text(x, y, line, size, "middle", spot.angle, bold, role))
        self._take(ground)
        return True

    def _freest(
        self, spots: Iterable[Spot], room: tuple[float, float], within: Box
    ) -> tuple[float, Spot, Polygon, float] | None:
        """The spot of least cost, the first of equally good ones: its cost, the spot, the area covered, and the mm of line under it."""
        best: tuple[float, Spot, Polygon, float] | None = None
        for order, spot in enumerate(spots):
            if best is not None and best[0] <= order * 0.4:
                break  # no later spot can cost less
            ground = ground_of(spot, room)
            taken = self._taken_cost(ground, within)
            if best is not None and best[0] <= taken + order * 0.4:
                continue
            covered, ink = self._line_cost(ground)
            cost = taken + covered + order * 0.4
            if best is None or cost < best[0]:
                best = (cost, spot, ground, ink)
        return best

    def dimension(self, a: XY, b: XY, text: str, away: XY | None) -> tuple[XY, list[Spot]]:
        """Draw the arrows of a dimension from `a` to `b`: offset in the direction `away` with extension lines, or between the points.

        Returns the middle of the dimension line, and candidate spots for its figure.
        """
        one, other = np.array([a, b])
        run, tail, spots, figures = apart(one, other) or 1e-6, 5.5, list[Spot](), Letters(10.0, bold=True)
        way = (other - one) / run
        if away is not None:
            out = np.array(away)
            for end in (one, other):
                self.line([end + out * 1.2, end + out * 7.5], "dimension", width=0.15)
            one, other = one + out * 6.0, other + out * 6.0
        x, y = (one + other) / 2
        middle = float(x), float(y)
        if away is not None:
            spots += [beside(middle, away, text, figures, gap) for gap in (1.2, 2.5, 5.0)]
        if run < 8:
            self.line([one, other], "dimension")
        for end, on in ((one, -way), (other, way)):
            self.arrow(end, middle if run >= 8 else end + on * tail)
        for end, on in ((other, way), (one, -way)):
            tip = end if run >= 8 else end + on * tail
            spots += [beside(tip, on, text, figures, gap) for gap in (0.8, 2.0)]
        return middle, [*spots, *around(middle, text, figures, (3.0, 6.0, 10.0, 15.0))]

    def _note(self, line: Array, weight: float = 10.0) -> None:
        if len(line) > 1:
            self._lines.append(line)
            self._weights.append(weight)
            self._index = None

    def _take(self, ground: Polygon) -> None:
        self._taken.append((ground.bounds, ground))

    def _taken_cost(self, ground: Polygon, within: Box) -> float:
        """The cost of leaving a box and of covering other labels."""
        left, top, right, bottom = ground.bounds
        over = (within[0] - left, within[1] - top, right - within[2], bottom - within[3])
        out = sum(max(mm, 0) for mm in over)
        cost = 1000.0 + out if out > 1e-6 else 0.0
        near = [
            other for (west, north, east, south), other in self._taken
            if west < right and east > left and north < bottom and south > top
        ]  # fmt: skip
        shared = float(shapely.area(shapely.intersection(near, ground)).sum()) if near else 0.0
        return cost + (100.0 + shared if shared > 0.01 else 0.0)

    def _line_cost(self, ground: Polygon) -> tuple[float, float]:
        """The cost of covering lines, and the length of those under an area, in mm."""
        if self._index is None:
            numbers = np.repeat(np.arange(len(self._lines)), [len(line) for line in self._lines])
            joined = np.concatenate(self._lines) if self._lines else np.empty((0, 2))
            self._index = STRtree(shapely.linestrings(joined, indices=numbers)), np.array(self._weights)
        lines, weights = self._index
        near = lines.query(ground)
        ink = shapely.length(shapely.intersection(lines.geometries[near], ground))
        return float((ink * weights[near]).sum()), float(ink.sum())


def corners(box: Box) -> Array:
    """A box as a closed line of (5, 2) points."""
    left, top, right, bottom = box
    return np.array([(left, top), (right, top), (right, bottom), (left, bottom), (left, top)])


def _circle(at: XY, radius: float) -> Array:
    return np.asarray(Point(at).buffer(radius, quad_segs=6).exterior.coords)


def pointed(tip: Array, back: Array, share: float) -> Array:
    """An arrowhead as (3, 2) points: its tip, and the two ends of its base, each off the line by a `share` of the head's length."""
    return np.array([tip, tip + back + left_of(back) * share, tip + back - left_of(back) * share])


def beside(point: XY | Array, direction: XY | Array, text: str, letters: Letters, gap: float) -> Spot:
    """The spot where a horizontal text lies `gap` mm from a point, in the given direction."""
    run = hypot(*direction) or 1.0
    x, y = direction[0] / run, direction[1] / run
    half_wide, half_high = letters.width(text) / 2 + 0.6, letters.size * MM_PER_POINT / 2
    reach = min(half_wide / abs(x) if abs(x) > 1e-6 else 1e9, half_high / abs(y) if abs(y) > 1e-6 else 1e9)
    return Spot(point[0] + x * (gap + reach), point[1] + y * (gap + reach))


def around(point: XY, text: str, letters: Letters, gaps: Sequence[float]) -> Iterator[Spot]:
    """Candidate spots for a horizontal text around a point, the nearest first; `gaps` in mm."""
    turns = [(cos(k * pi / 4), sin(k * pi / 4)) for k in range(8)]
    return (beside(point, turn, text, letters, gap) for gap in gaps for turn in turns)


def along(line: Array, size: float, shares: Sequence[float], gap: float = 0.9) -> Iterator[Spot]:
    """Candidate spots for a text along a line, `gap` mm off it on its left and right, at `shares` of its length."""
    whole = float(arc(line)[-1])
    for share in shares:
        before, point, after = at_far(line, share * whole + np.array([-5.0, 0.0, 5.0]))
        run = after - before
        turn = atan2(-run[1], run[0])
        normal = -unit(left_of(run))
        angle = 100 - (100 - degrees(turn)) % 180  # readable from the bottom or the right edge of the sheet
        high = size * MM_PER_POINT / 2
        for beyond in (normal * (high + gap), -normal * (high + gap)):
            yield Spot(float(point[0] + beyond[0]), float(point[1] + beyond[1]), angle)


def clipped(line: Array, clip: Box) -> list[Array]:
    """The parts of a polyline inside a box, each (n, 2) points."""
    inside = get_parts(shapely.line_merge(LineString(line).intersection(box(*clip))))
    return [np.asarray(part.coords) for part in inside if part.geom_type == "LineString" and part.length > 1e-6]


def all_over(within: Box, room: tuple[float, float], towards: XY) -> list[Spot]:
    """Candidate spots all over a box for a text of `room` (width and height, mm): the nearest to `towards` first, upright ones last.

    `towards`: a point in shares of the box, (0, 0) at the top left.
    """
    left, top, right, bottom = within
    at = left + (right - left) * towards[0], top + (bottom - top) * towards[1]
    spots = []
    for high, wide, angle in ((room[1], room[0], 0.0), (room[0], room[1], 90.0)):
        x, y = np.arange(left + wide / 2, right - wide / 2, 12.0), np.arange(top + high / 2, bottom - high / 2, 12.0)
        spots += [Spot(float(u), float(v), angle) for u in x for v in y]
    return sorted(spots, key=lambda spot: abs(spot.x - at[0]) + abs(spot.y - at[1]) + spot.angle)


def ground_of(spot: Spot, room: tuple[float, float]) -> Polygon:
    """The area that a text of `room` (width and height, mm) covers at a spot."""
    turn, (wide, high) = radians(spot.angle), room
    u, v = np.array([cos(turn), -sin(turn)]) * wide / 2, np.array([sin(turn), cos(turn)]) * high / 2
    middle = np.array([spot.x, spot.y])
    return Polygon(np.array([middle - u - v, middle + u - v, middle + u + v, middle - u + v]))


def _pairs(points: Array) -> tuple[XY, ...]:
    return tuple([(x, y) for x, y in points.astype(float).tolist()])
