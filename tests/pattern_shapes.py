"""Two trouser pieces of lines and circular arcs whose measures are known, and the ways in which a drawing can show them.

Our own pieces, in mm, y up: the hip is as wide anywhere between 720 and 860 above the hem, so that the truth does not hang on
where a reader takes the hip level; there are no darts, so the waist is the waist seam.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, ceil, cos, degrees, hypot, pi, sin, tan

from shapely import LinearRing, Polygon

Spot = tuple[float, float]
SEAMS = ("waist", "side", "hem", "inseam", "curve", "centre")


@dataclass(frozen=True)
class Edge:
    """A straight edge, or an arc: `bulge` is the tangent of a quarter of its angle, positive when it turns to the left."""

    start: Spot
    end: Spot
    bulge: float = 0.0

    @property
    def angle(self) -> float:
        return 4.0 * atan2(self.bulge, 1.0)

    @property
    def radius(self) -> float:
        chord = hypot(self.end[0] - self.start[0], self.end[1] - self.start[1])
        return chord / 2.0 / sin(abs(self.angle) / 2.0)

    @property
    def centre(self) -> Spot:
        """Centre of the arc."""
        (x0, y0), (x1, y1) = self.start, self.end
        lift = (1.0 / tan(self.angle / 2.0)) / 2.0
        return (x0 + x1) / 2.0 - lift * (y1 - y0), (y0 + y1) / 2.0 + lift * (x1 - x0)

    @property
    def length(self) -> float:
        if not self.bulge:
            return hypot(self.end[0] - self.start[0], self.end[1] - self.start[1])
        return self.radius * abs(self.angle)

    def points(self, step: float = 6.0) -> list[Spot]:
        """Points from start to end, the end left out."""
        count = max(1, ceil(self.length / step))
        if not self.bulge:
            (x0, y0), (x1, y1) = self.start, self.end
            return [(x0 + (x1 - x0) * i / count, y0 + (y1 - y0) * i / count) for i in range(count)]
        (cx, cy), r = self.centre, self.radius
        first = atan2(self.start[1] - cy, self.start[0] - cx)
        return [
            (cx + r * cos(first + self.angle * i / count), cy + r * sin(first + self.angle * i / count))
            for i in range(count)
        ]

    def arc_degrees(self) -> tuple[float, float]:
        """Start and end angle of the arc run counter-clockwise, in degrees."""
        cx, cy = self.centre
        ends = [degrees(atan2(y - cy, x - cx)) % 360.0 for x, y in (self.start, self.end)]
        return (ends[0], ends[1]) if self.bulge > 0 else (ends[1], ends[0])

    def beziers(self) -> list[tuple[Spot, Spot, Spot, Spot]]:
        """The edge as cubic curves, each of an eighth of a turn at most: 0.001 mm from the arc."""
        if not self.bulge:
            (x0, y0), (x1, y1) = self.start, self.end
            third = ((x1 - x0) / 3.0, (y1 - y0) / 3.0)
            return [(self.start, (x0 + third[0], y0 + third[1]), (x1 - third[0], y1 - third[1]), self.end)]
        (cx, cy), r = self.centre, self.radius
        count = max(1, ceil(abs(self.angle) / (pi / 4.0)))
        step, first = self.angle / count, atan2(self.start[1] - cy, self.start[0] - cx)
        reach = 4.0 / 3.0 * tan(step / 4.0) * r
        found = []
        for i in range(count):
            a, b = first + step * i, first + step * (i + 1)
            p, q = (cx + r * cos(a), cy + r * sin(a)), (cx + r * cos(b), cy + r * sin(b))
            found.append(
                (p, (p[0] - reach * sin(a), p[1] + reach * cos(a)), (q[0] + reach * sin(b), q[1] - reach * cos(b)), q)
            )
        return found


@dataclass(frozen=True)
class Shape:
    """A piece: its seams as edges, clockwise from the waist end of the centre seam."""

    name: str
    seams: dict[str, tuple[Edge, ...]]
    hip: float

    @property
    def edges(self) -> list[Edge]:
        return [edge for seam in SEAMS for edge in self.seams[seam]]

    @property
    def corners(self) -> list[Spot]:
        return [self.seams[seam][0].start for seam in SEAMS]

    def length(self, seam: str) -> float:
        return sum(edge.length for edge in self.seams[seam])

    def outline(self, step: float = 6.0) -> list[Spot]:
        return [point for edge in self.edges for point in edge.points(step)]

    def cut_line(self, allowance: float) -> list[Spot]:
        """The outline with seam allowance, mitred corners."""
        grown = Polygon(self.outline()).buffer(allowance, join_style="mitre", mitre_limit=3.0)
        ring = [(float(x), float(y)) for x, y in grown.exterior.coords[:-1]]
        return ring if not LinearRing(ring).is_ccw else ring[::-1]


def _run(start: Spot, *steps: tuple[float, float, float]) -> tuple[Edge, ...]:
    edges = []
    for x, y, bulge in steps:
        edges.append(Edge(start, (x, y), bulge))
        start = (x, y)
    return tuple(edges)


FRONT = Shape(
    "front",
    {
        "waist": _run((-80, 1000), (100, 1000, 0)),
        "side": _run((100, 1000), (140, 860, -0.07), (140, 720, 0), (115, 400, 0.03), (105, 0, 0)),
        "hem": _run((105, 0), (-105, 0, 0)),
        "inseam": _run((-105, 0), (-115, 400, 0), (-150, 740, 0.02)),
        "curve": _run((-150, 740), (-80, 820, 0.3)),
        "centre": _run((-80, 820), (-80, 1000, 0)),
    },
    220.0,
)
BACK = Shape(
    "back",
    {
        "waist": _run((-60, 1000), (125, 1000, 0)),
        "side": _run((125, 1000), (180, 860, -0.07), (180, 720, 0), (125, 400, 0.03), (115, 0, 0)),
        "hem": _run((115, 0), (-115, 0, 0)),
        "inseam": _run((-115, 0), (-125, 400, 0), (-190, 735, 0.03)),
        "curve": _run((-190, 735), (-60, 820, 0.3)),
        "centre": _run((-60, 820), (-60, 1000, 0)),
    },
    240.0,
)
PIECES = (FRONT, BACK)
TRUTH = {  # as `fitdiag pattern measure` names them
    "hip girth": 2.0 * (FRONT.hip + BACK.hip),
    "waist after darts girth": 2.0 * (FRONT.length("waist") + BACK.length("waist")),
    "front outseam": FRONT.length("side"),
    "back outseam": BACK.length("side"),
    "front inseam": FRONT.length("inseam"),
    "back inseam": BACK.length("inseam"),
}
