"""The ink that drawings of signs are made of: folds, pulls, lines.

Nothing is told by colour: tight lines are thin and sharp, folds are heavier with a faint line beside them, a broken line is where
something should lie, the body is faint.
"""

from __future__ import annotations

from collections.abc import Sequence

XY = tuple[float, float]
MIDDLE = 60.0  # of the picture


def number(value: float) -> str:
    """A coordinate with one decimal at most."""
    text = f"{value:.1f}"
    return "0" if text == "-0.0" else text.removesuffix(".0")


def pair(point: XY) -> str:
    return f"{number(point[0])} {number(point[1])}"


def curve(points: Sequence[XY]) -> str:
    """Path commands of a smooth line through points, without the first move."""
    parts = []
    for n in range(len(points) - 1):
        before, a, b, after = points[max(n - 1, 0)], points[n], points[n + 1], points[min(n + 2, len(points) - 1)]
        one = (a[0] + (b[0] - before[0]) / 6, a[1] + (b[1] - before[1]) / 6)
        two = (b[0] - (after[0] - a[0]) / 6, b[1] - (after[1] - a[1]) / 6)
        parts.append(f"C{pair(one)} {pair(two)} {pair(b)}")
    return "".join(parts)


def straight(points: Sequence[XY]) -> str:
    return "".join(f"L{pair(point)}" for point in points)


def stroke(path: str, width: float, *, grey: str = "#111", dash: str = "", fill: str = "none") -> str:
    broken = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="{path}" fill="{fill}" stroke="{grey}" stroke-width="{width}"{broken}/>'


def line(points: Sequence[XY], width: float = 1.8, *, smooth: bool = True) -> str:
    """A drawn line of the cloth: a seam, a level, the grain."""
    return stroke(f"M{pair(points[0])}" + (curve(points) if smooth else straight(points[1:])), width)


def wanted(points: Sequence[XY]) -> str:
    """The broken line where something should lie."""
    return stroke(f"M{pair(points[0])}" + straight(points[1:]), 0.9, dash="2.6 2")


def plumb(x: float, top: float, bottom: float) -> str:
    """A broken plumb line with its weight."""
    weight = f'<path d="M{number(x - 1.8)} {number(bottom)}h3.6l-1.8 5z" fill="#111"/>'
    return wanted([(x, top), (x, bottom)]) + weight


def lens(a: XY, middle: XY, b: XY, width: float) -> str:
    """A stroke that swells in its middle and dies out at both ends, bent through a control point."""
    u = ahead(a, b)
    away = (-u[1] * width, u[0] * width)
    one, two = (middle[0] + away[0], middle[1] + away[1]), (middle[0] - away[0], middle[1] - away[1])
    return f'<path d="M{pair(a)}Q{pair(one)} {pair(b)}Q{pair(two)} {pair(a)}z" fill="#111"/>'


def pull(a: XY, b: XY, bend: float = 0.0, width: float = 1.0) -> str:
    """A tight, sharp line."""
    return lens(a, between(a, b, bend), b, width)


def fold(a: XY, b: XY, bend: float = 0.0, width: float = 1.7, hand: int = 1) -> str:
    """A loose fold: a heavy stroke and the faint line of its far side; `hand` -1 for its mirror image."""
    middle, u = between(a, b, bend), ahead(a, b)
    off = (-u[1] * 2.6 * hand, u[0] * 2.6 * hand)
    near, far = share(a, b, 0.12), share(a, b, 0.88)
    faint = f"M{pair((near[0] + off[0], near[1] + off[1]))}Q{pair((middle[0] + off[0], middle[1] + off[1]))} "
    faint += pair((far[0] + off[0], far[1] + off[1]))
    return lens(a, middle, b, width) + stroke(faint, 0.7, grey="#666")


def ahead(a: XY, b: XY) -> XY:
    """The direction from a to b, one long."""
    run = (b[0] - a[0], b[1] - a[1])
    long = (run[0] ** 2 + run[1] ** 2) ** 0.5 or 1.0
    return run[0] / long, run[1] / long


def share(a: XY, b: XY, part: float) -> XY:
    return a[0] + (b[0] - a[0]) * part, a[1] + (b[1] - a[1]) * part


def between(a: XY, b: XY, bend: float) -> XY:
    """The control point of a bent line; a positive bend goes to the right hand of a walker from a to b on the page."""
    u, middle = ahead(a, b), share(a, b, 0.5)
    return middle[0] - u[1] * bend, middle[1] + u[0] * bend


def spot(at: XY, strength: int) -> str:
    """The mark of something felt: a dot with one, two or three rings."""
    dot = f'<circle cx="{number(at[0])}" cy="{number(at[1])}" r="2.6" fill="#111"/>'
    rings = "".join(
        f'<circle cx="{number(at[0])}" cy="{number(at[1])}" r="{number(2.2 + 3.6 * n)}" fill="none" stroke="#111" stroke-width="1.5"/>'
        for n in range(1, strength + 1)
    )
    return dot + rings


def arrow(a: XY, b: XY) -> str:
    """A small arrow from a to b: which way something moves."""
    u = ahead(a, b)
    root = (b[0] - u[0] * 3.4, b[1] - u[1] * 3.4)
    head = [(root[0] - u[1] * 1.9, root[1] + u[0] * 1.9), (root[0] + u[1] * 1.9, root[1] - u[0] * 1.9)]
    return stroke(f"M{pair(a)}L{pair(root)}", 1.2) + f'<path d="M{pair(b)}{straight(head)}z" fill="#111"/>'


def dipped(a: XY, middle: XY, b: XY) -> str:
    """An edge that runs level through its middle."""
    third = (middle[0] - a[0]) / 2.2
    return (
        f"C{pair((a[0] + third, a[1] + 0.6))} {pair((middle[0] - third, middle[1]))} {pair(middle)}"
        f"S{pair((b[0] - third, b[1] + 0.6))} {pair(b)}"
    )
