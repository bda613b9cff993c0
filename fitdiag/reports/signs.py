"""Line drawings of what is seen or felt, as it should be and in three strengths. How each sign is drawn, and how the garment hangs
there, is data: `drawings.yaml` and `stances.yaml` of the garment's rules.

Colour carries no meaning: tight lines are thin and sharp, folds are heavier with a faint line beside them, a broken line is where
something should lie, the body is faint. A mark takes its numbers, the strength (0 as it should be, 1 slight, 2 clear, 3 strong),
the amount that goes with it, and the half of the picture it lies on (-1 its left hand, 1 its right).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from html import escape
from math import cos, radians, sin
from typing import Any

from markupsafe import Markup

from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.strict_yaml import read_yaml
from fitdiag.units import trimmed

Point = complex  # x, to the right, is its real part, y, down the page, its imaginary part
MIDDLE = 60.0  # of the picture
STRENGTHS = (1, 2, 3)
SHOWN = (18.0, 6.0, 84.0, 96.0)
RIGHT = "as it should be"
HALVED = ("front", "back")  # views with two mirrored halves


@dataclass(frozen=True)
class At:
    """Where and how strong a mark is drawn: its half, whether x counts from the middle, the strength and the amount."""

    half: int
    halved: bool
    strength: int
    amount: float

    def __call__(self, place: Sequence[float]) -> Point:
        x, y, dx, dy = (*place, 0.0, 0.0)[:4]
        x, y = x + dx * self.amount, y + dy * self.amount
        return complex(MIDDLE + self.half * x if self.halved else x, y)

    def all(self, places: Iterable[Sequence[float]]) -> list[Point]:
        return [self(place) for place in places]


Mark = Callable[[At, Any], list[str]]


# -- ink -------------------------------------------------------------------------------------------------------------


number = partial(trimmed, places=1)  # a coordinate


def pair(point: Point) -> str:
    return f"{number(point.real)} {number(point.imag)}"


def curve(points: Sequence[Point]) -> str:
    """Path commands of a smooth line through points, without the first move."""
    parts = []
    for n in range(len(points) - 1):
        before, a, b, after = points[max(n - 1, 0)], points[n], points[n + 1], points[min(n + 2, len(points) - 1)]
        parts.append(f"C{pair(a + (b - before) / 6)} {pair(b - (after - a) / 6)} {pair(b)}")
    return "".join(parts)


def straight(points: Sequence[Point]) -> str:
    return "".join(f"L{pair(point)}" for point in points)


def stroke(path: str, width: float, *, grey: str = "#111", dash: str = "", fill: str = "none") -> str:
    broken = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="{path}" fill="{fill}" stroke="{grey}" stroke-width="{width}"{broken}/>'


def line(points: Sequence[Point], width: float, *, smooth: bool = True, grey: str = "#111", dash: str = "") -> str:
    """A drawn line of the cloth: a seam, a level, the grain."""
    path = f"M{pair(points[0])}" + (curve(points) if smooth else straight(points[1:]))
    return stroke(path, width, grey=grey, dash=dash)


def wanted(points: Sequence[Point]) -> str:
    """The broken line where something should lie."""
    return line(points, 0.9, smooth=False, dash="2.6 2")


def plumb(x: float, top: float, bottom: float) -> str:
    """A broken plumb line with its weight."""
    weight = f'<path d="M{number(x - 1.8)} {number(bottom)}h3.6l-1.8 5z" fill="#111"/>'
    return wanted([complex(x, top), complex(x, bottom)]) + weight


def lens(a: Point, middle: Point, b: Point, width: float) -> str:
    """A stroke thick in the middle and thin at both ends, bent towards a control point."""
    away = beside(a, b) * width
    return f'<path d="M{pair(a)}Q{pair(middle + away)} {pair(b)}Q{pair(middle - away)} {pair(a)}z" fill="#111"/>'


def pull(a: Point, b: Point, bend: float = 0.0, width: float = 1.0) -> str:
    """A tight, sharp line."""
    return lens(a, between(a, b, bend), b, width)


def fold(a: Point, b: Point, bend: float = 0.0, width: float = 1.7, hand: int = 1) -> str:
    """A loose fold: a heavy stroke and the faint line of its far side; `hand` -1 for its mirror image."""
    middle, off = between(a, b, bend), beside(a, b) * 2.6 * hand
    faint = f"M{pair(share(a, b, 0.12) + off)}Q{pair(middle + off)} {pair(share(a, b, 0.88) + off)}"
    return lens(a, middle, b, width) + stroke(faint, 0.7, grey="#666")


def ahead(a: Point, b: Point) -> Point:
    """The unit vector from a to b."""
    return (b - a) / (abs(b - a) or 1.0)


def beside(a: Point, b: Point) -> Point:
    """The unit vector square to the way from a to b, to its right on the page."""
    return 1j * ahead(a, b)


def share(a: Point, b: Point, part: float) -> Point:
    return a + (b - a) * part


def between(a: Point, b: Point, bend: float) -> Point:
    """The control point of a bent line; a positive bend goes to the right when walking from a to b on the page."""
    return share(a, b, 0.5) + beside(a, b) * bend


def ring(at: Point, radius: float, grey: str, width: float) -> str:
    place = f'<circle cx="{number(at.real)}" cy="{number(at.imag)}" r="{number(radius)}"'
    return f'{place} fill="none" stroke="{grey}" stroke-width="{width}"/>'


def spot(at: Point, strength: int) -> str:
    """The mark of something felt: a dot with one, two or three rings."""
    dot = f'<circle cx="{number(at.real)}" cy="{number(at.imag)}" r="2.6" fill="#111"/>'
    return dot + "".join(ring(at, 2.2 + 3.6 * n, "#111", 1.5) for n in range(1, strength + 1))


def arrow(a: Point, b: Point) -> str:
    """A small arrow from a to b: which way something moves."""
    root, wide = b - ahead(a, b) * 3.4, beside(a, b) * 1.9
    head = [root + wide, root - wide]
    return line([a, root], 1.2, smooth=False) + f'<path d="M{pair(b)}{straight(head)}z" fill="#111"/>'


def dipped(a: Point, middle: Point, b: Point) -> str:
    """An edge that is level in its middle."""
    third, low = (middle - a).real / 2.2, 0.6j
    return f"C{pair(a + third + low)} {pair(middle - third)} {pair(middle)}S{pair(b - third + low)} {pair(b)}"


# -- marks -------------------------------------------------------------------------------------------------------------


def _folds(at: At, rows: Sequence[Any]) -> list[str]:
    """Loose folds; one more with each step of strength, and heavier."""
    k = at.strength
    count = round(len(rows) * (0, 0.34, 0.67, 1.0)[k]) or min(k, 1)
    bent, width = (0, 0.7, 1.0, 1.25)[k], (0, 1.3, 1.9, 2.6)[k]
    return [fold(at(a), at(b), bend * at.half * bent, width, at.half) for a, b, bend in rows[:count]]


def _pulls(at: At, rows: Sequence[Any]) -> list[str]:
    """Tight lines; more and longer with strength."""
    k = at.strength
    count, part = round(len(rows) * (0, 0.4, 0.7, 1.0)[k]) or min(k, 1), (0, 0.6, 0.8, 1.0)[k]
    return [pull(at(a), share(at(a), at(b), part), bend * at.half * part, 1.3) for a, b, bend in rows[:count]]


def _level(at: At, numbers: Sequence[float]) -> list[str]:
    """Tight level lines: [half width, y] about the middle, or [from, to, y]."""
    *ends, y = numbers
    x0, x1 = ends if len(ends) == 2 else (-ends[0], ends[0])
    count = (0, 2, 4, 6)[at.strength]
    marks = []
    for n in range(count):
        off = n - (count - 1) / 2
        inset = abs(off) * 1.6 + (3 - at.strength) * 2.4
        a, b = at((x0 + inset / 2, y + off * 4.6)), at((x1 - inset / 2, y + off * 4.6))
        marks.append(pull(a, b, -off * 0.8 * at.half))
    return marks


def _fan(at: At, given: Mapping[str, Any]) -> list[str]:
    """Tight lines that fan out; angles for the right hand of the picture, 0 outwards, 90 up."""
    k = at.strength
    if not k:
        return []
    middle, far, near = at(given["at"]), given["far"][k - 1], given.get("near", 2.5)
    marks = []
    for n, angle in enumerate(given["angles"][: 2 * k]):
        way = complex(cos(radians(angle)) * at.half, -sin(radians(angle)))
        long = far if n % 2 == 0 else far * 0.8
        marks.append(pull(middle + way * near, middle + way * long, 0.0, 1.2))
    return marks


def _opening(at: At, numbers: Sequence[Any]) -> list[str]:
    """An edge that gapes: an eye between two places, dark inside; as wide as the amount, or as the third number says."""
    a, b, *wide = numbers
    width = wide[0] if wide else at.amount
    p, q = at(a), at(b)
    if not width:
        return []
    middle, away = share(p, q, 0.5), beside(p, q) * width * at.half
    one, two = middle + away, middle - away * (1.0 if a[0] == 0 else 0.3)
    return [stroke(f"M{pair(p)}Q{pair(one)} {pair(q)}Q{pair(two)} {pair(p)}z", 1.3, fill="#777")]


def _pinch(at: At, numbers: Sequence[float]) -> list[str]:
    """Spare cloth pinched out: a tab that stands off the edge at (x, y), `tall` high, as far as the amount."""
    (x, y, tall), out = numbers, at.amount
    if not out:
        return []

    def to(*places: Sequence[float]) -> str:
        return " ".join(map(pair, at.all(places)))

    a, b = at((x - 0.5, y - tall / 2)), at((x - 0.5, y + tall / 2))
    near, tip = x + out * 0.25, x + out
    path = f"M{pair(a)}C{to((near, y - tall * 0.2), (tip - 2, y - 2.4), (tip, y - 1))}v2"
    path += f"C{to((tip - 2, y + 2.4), (near, y + tall * 0.2))} {pair(b)}"
    inner = pull(at((x + 0.6, y)), at((x + out - 1.2, y)), 0, 0.9)
    return [stroke(path, 1.8, fill="#fff"), line([a, b], 0.9, smooth=False, dash="2.2 1.8"), inner]


def _bubble(at: At, place: Sequence[float]) -> list[str]:
    """Cloth that stands off at a dart point."""
    middle = at(place)
    radii = [at.amount * part for part in (1.0, 0.6)[: at.strength]]
    return [
        stroke(f"M{pair(middle - r)}A{number(r)} {number(r)} 0 0 0 {pair(middle + r)}", 1.0 + 0.3 * at.strength)
        for r in radii
    ]


def _edge(at: At, rows: Sequence[Any]) -> list[str]:
    """A rounded edge, where there is a sign at all."""
    shown = rows if at.strength else ()
    return [
        stroke(f"M{pair(at(a))}Q{pair(between(at(a), at(b), -bend * at.half))} {pair(at(b))}", 1.4)
        for a, b, bend in shown
    ]


MARKS: Mapping[str, Mark] = {
    "folds": _folds, "pulls": _pulls, "level": _level, "fan": _fan, "opening": _opening, "pinch": _pinch,
    "bubble": _bubble, "ring": lambda at, numbers: [ring(at(numbers[:2]), numbers[2], "#666", 0.9)],
    "edge": _edge, "line": lambda at, places: [line(at.all(places), 2.0)],
    "corners": lambda at, places: [line(at.all(places), 2.0, smooth=False)],
    "seam": lambda at, places: [line(at.all(places), 1.0)],
    "ticks": lambda at, places: [line(at.all(places), 0.9)],
    "thread": lambda at, places: [line(at.all(places), 0.6, smooth=False, grey="#666")],
    "cord": lambda at, places: [line(at.all(places), (0.9, 1.6, 2.6, 3.8)[at.strength], smooth=False)],
    "wanted": lambda at, places: [wanted(at.all(places))],
    "plumb": lambda at, numbers: [plumb(at((numbers[0], 0)).real, numbers[1], numbers[2])],
    "arrow": lambda at, places: [arrow(*at.all(places))] if at.strength else [],
    "felt": lambda at, place: [spot(at(place), at.strength)] if at.strength else [],
}  # fmt: skip


# -- drawings ----------------------------------------------------------------------------------------------------------


@cache
def _signs(garment: str) -> Mapping[str, Mapping[str, Any]]:
    """The drawings of a garment by sign; none if it has no stances."""
    folder = rules_for(garment)
    if not all((folder / name).exists() for name in ("stances.yaml", "drawings.yaml")):
        return {}
    return read_yaml(folder / "drawings.yaml").data  # type: ignore[no-any-return]


@cache
def _stances(garment: str) -> Mapping[str, Mapping[str, Any]]:
    """How a garment hangs, by view."""
    return read_yaml(rules_for(garment) / "stances.yaml").data  # type: ignore[no-any-return]


def drawn_symptoms(garment: str = "") -> tuple[str, ...]:
    """The ids of all symptoms with a drawing."""
    return tuple(_signs(garment))


def captions(symptom: str, garment: str = "") -> tuple[str, str]:
    """What the two pictures of a sign show, side by side: as it should be and as it is, or before and after a test."""
    then = _signs(garment)[symptom].get("then")
    return (then["first"], then["then"]) if then else (RIGHT.capitalize(), "The sign")


def is_graded(symptom: str, garment: str = "") -> bool:
    """Whether a sign is drawn in three degrees; a test has two states instead."""
    return "then" not in _signs(garment)[symptom]


@cache
def figure(symptom: str, strength: int, *, title: str, side: str | None = None, garment: str = "") -> Markup | None:
    """The drawing of a symptom as SVG, its title escaped; None if there is none.

    `strength`: 0 as it should be, 1 slight, 2 clear, 3 strong.
    A sign that is a test has two states instead: below 2 what is there before it, from 2 on what is there after it.
    `side` is the wearer's own: "left", "right"; otherwise both are drawn. `title` is what a screen reader says.
    """
    if strength not in (0, *STRENGTHS):
        raise ValueError(f"a strength is 0, 1, 2 or 3, not {strength}")
    row = _signs(garment).get(symptom)
    if row is None:
        return None
    window = row.get("shown")
    if "then" in row:
        row = {"view": row["view"], **row["after"]} if strength >= 2 else row
        strength = 2
    stance = _stances(garment)[row["view"]]
    left, top, width, height = window or stance.get("shown", SHOWN)
    name = escape(" ".join(title.split()), quote=True)
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{number(left)} {number(top)} {number(width)} {number(height)}" '
        f'role="img" aria-label="{name}" stroke-linecap="round" stroke-linejoin="round"><title>{name}</title>'
        f"{''.join(_drawn(stance, row, strength, _halves(row['view'], side)))}</svg>"
    )


def _drawn(stance: Mapping[str, Any], row: Mapping[str, Any], strength: int, halves: Sequence[int]) -> Iterable[str]:
    """The garment as it hangs, and what is drawn on it."""
    amount = (0.0, *row.get("amount", (1.0, 2.0, 3.0)))[strength]
    bent = {name: by[strength] if isinstance(by, list) else by * amount for name, by in row.get("bends", {}).items()}
    if halves == (-1,) and "hem_up_right" in bent and "hem_up_left" not in bent:
        bent["hem_up_left"] = bent.pop("hem_up_right")
    yield from _hung(stance, bent)
    halved = row["view"] in HALVED
    for group, sides in (("marks", halves if halved else (1,)), ("middle", (1,)), ("once", halves[-1:])):
        for mark in row.get(group, ()):
            for kind, numbers in mark.items():
                for half in sides:
                    yield from MARKS[kind](At(half, halved, strength, amount), numbers)


def _halves(view: str, side: str | None) -> tuple[int, ...]:
    """The halves of the picture to draw on: that of the wearer's side, mirrored from the front, or both."""
    if side not in ("left", "right") or view not in HALVED:
        return (-1, 1)
    return (-1,) if (side == "left") == (view == "back") else (1,)


# -- stances -----------------------------------------------------------------------------------------------------------

_STYLES = {  # of a path: width, grey and fill
    "outline": (1.5, "#111", "#fff"), "band": (0.9, "#444", "none"), "crease": (0.7, "#999", "none"),
    "slit": (1.0, "#111", "none"), "chair": (2.2, "#999", "none"), "step": (2.0, "#999", "none"),
    "seam": (0.9, "#444", "none"), "body": (0.9, "#767676", "none"), "shoe": (0.9, "#767676", "#fff"),
}  # fmt: skip
_COMMANDS: Mapping[str, Callable[[Point, Sequence[Point]], str]] = {  # of a path, from its current point
    "from": lambda at, to: f"M{pair(to[0])}",
    "to": lambda at, to: straight(to),
    "curve": lambda at, to: curve([at, *to]),
    "bow": lambda at, to: f"Q{pair(to[0])} {pair(to[1])}",
    "dip": lambda at, to: dipped(at, *to),
    "bezier": lambda at, to: f"C{' '.join(map(pair, to))}",
}


def _hung(stance: Mapping[str, Any], bent: Mapping[str, float]) -> Iterable[str]:
    """A garment as it hangs in a view with these bends."""
    strong = any(by for name, by in bent.items() if name.startswith("seam_"))
    for part in stance["drawn"]:
        for kind, given in part.items():
            if kind in ("body", "shoe", "seam", "side-seam"):
                places = [_place(row, bent) for row in given]
                path = f"M{pair(places[0])}{curve(places)}{'z' if kind == 'shoe' else ''}"
            else:
                path = given if isinstance(given, str) else _path(given, bent)
            if kind == "side-seam" and strong:
                yield stroke(path, 1.8)
            else:
                width, grey, fill = _STYLES[kind.removeprefix("side-")]
                yield stroke(path, width, grey=grey, fill=fill)


def _path(commands: Iterable[Mapping[str, Any]], bent: Mapping[str, float]) -> str:
    text, at = "", 0j
    for command in commands:
        for kind, given in command.items():
            if kind == "close":
                text += "z"
                continue
            places = [_place(row, bent) for row in (given if isinstance(given[0], list) else [given])]
            text += _COMMANDS[kind](at, places)
            at = places[-1]
    return text


def _place(row: Sequence[Any], bent: Mapping[str, float]) -> Point:
    """A place of a stance: [x, y, moves of x, moves of y], each move by 1 of a bend."""
    x, y, *moves = row
    across, down = (sum(by * bent.get(name, 0.0) for name, by in one.items()) for one in (*moves, {}, {})[:2])
    return complex(x + across, y + down)
