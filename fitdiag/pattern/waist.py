"""What is done at the waist: single darts moved along their edge, turned about their point, split in two or eased in; and what is
cut from the finished one, a straight waistband, a shaped one or a facing, darts closed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from shapely import LineString

from fitdiag.pattern.alter import rotated, through
from fitdiag.pattern.blocks import line
from fitdiag.pattern.garment import along, arc, far_on, nearest
from fitdiag.pattern.measure import after_darts
from fitdiag.pattern.piece import Array, Dart, Part, Pattern, Piece, apart, points, unit
from fitdiag.problems import one_line, stop
from fitdiag.units import Units, format_reading

APART_MM = 30.0  # from middle to middle of a dart that is split; common practice, no source
LEAST_MM = 3.0  # a dart narrower than this is not worth sewing; a judgement
EDGE_MM = 5.0  # so far from the ends of its edge, and from the next dart, a dart stays
BAND_MM = 15.0, 200.0  # the narrowest and the widest band

Work = Callable[[Piece, int, float | None], Piece]


def ordered(piece: Piece) -> list[Dart]:
    """The darts from the start of their edge, the centre, outwards."""
    line = piece.top
    return sorted(piece.darts, key=lambda dart: far_on(line, dart.left))


def chosen(piece: Piece, number: int) -> Dart:
    """A dart by its number from the centre. Raises ProblemsFoundError where there is none."""
    every = ordered(piece)
    if not 1 <= number <= len(every):
        count = f"{len(every)} dart{'' if len(every) == 1 else 's'}" if every else "no dart"
        told = f"the {piece.name} has {count}, so no number {number}"
        raise stop("dart", told, hint="they count from the inner edge")
    return every[number - 1]


def _laid(piece: Piece, dart: Dart, new: tuple[Dart, ...]) -> Piece:
    """The piece with one dart exchanged for others, the edge drawn through their ends."""
    line = piece.top
    others = [one for one in piece.darts if one is not dart]
    spans = sorted((far_on(line, one.left), far_on(line, one.right)) for one in (*others, *new))
    ends = [0.0, *(far for span in spans for far in span), float(arc(line)[-1])]
    if min(ends[k + 1] - ends[k] for k in range(0, len(ends), 2)) < EDGE_MM:
        raise stop("dart", f"the {piece.name} has no room for the dart there", hint="take a smaller amount")
    for one in new:
        line = through(line, one.left, one.right)
    seam = piece.part.top
    notches = tuple(replace(n, at=nearest(line, n.at)) if n.seam == seam else n for n in piece.notches)
    result = piece.with_seams(**{seam: points(line)})
    return replace(result, darts=tuple(ordered(replace(result, darts=(*others, *new)))), notches=notches)


def _at(piece: Piece, dart: Dart, middle: float, width: float) -> Dart:
    """A dart like another with its middle so far along the edge, of this width, both legs alike."""
    seam = piece.part.top
    old = (dart.left + dart.right) / 2
    place = along(piece, seam, middle).at
    ends = [along(piece, seam, middle + half).at for half in (-width / 2, width / 2)]
    return Dart.even(ends[0], ends[1], dart.tip + (place - nearest(piece.seams[seam], old)))


def _middle(piece: Piece, dart: Dart) -> float:
    line = piece.top
    return (far_on(line, dart.left) + far_on(line, dart.right)) / 2


def moved(piece: Piece, number: int, by: float | None) -> Piece:
    """The dart moved by some mm along its edge, outwards; its width, length and lie stay."""
    if not by:
        told = "by how much the dart moves is missing"
        raise stop("dart", told, hint=f"write it like '{piece.name} {number} move=2 cm'")
    dart = chosen(piece, number)
    new = _at(piece, dart, _middle(piece, dart) + by, dart.width)
    return _laid(piece, dart, (new,))


def split(piece: Piece, number: int, apart: float | None) -> Piece:
    """Two darts of half the width in place of one, so far apart from middle to middle."""
    dart, apart = chosen(piece, number), APART_MM if apart is None else apart
    if dart.width / 2 < LEAST_MM or apart < dart.width / 2 + EDGE_MM:
        raise stop("dart", f"a dart of {dart.width:.0f} mm cannot be split so", hint="a wider dart, or farther apart")
    middle = _middle(piece, dart)
    new = tuple(_at(piece, dart, middle + half, dart.width / 2) for half in (-apart / 2, apart / 2))
    return _laid(piece, dart, new)


def turned(piece: Piece, number: int, by: float | None) -> Piece:
    """The dart closed and opened again so far along its edge (outwards), about its own point, by the same angle.

    The part of the piece between the old place and the new one turns, with the edge on it.
    """
    if not by:
        told = "how far along the edge it is turned is missing"
        raise stop("dart", told, hint=f"write it like '{piece.name} {number} turn=2 cm'")
    dart, line = chosen(piece, number), piece.top
    low, high = far_on(line, dart.left), far_on(line, dart.right)
    place = along(piece, piece.part.top, (high if by > 0 else low) + by).at
    between = [
        one
        for one in piece.darts
        if one is not dart and min(high, high + by) < far_on(line, one.left) < max(low, low + by)
    ]
    if between:
        raise stop("dart", "another dart lies between", hint="turn that one first, or less far")

    def turn(at: Array) -> Array:
        return rotated(at, dart.tip, dart.angle if by > 0 else -dart.angle)

    far, to = arc(line), far_on(line, place)
    if by > 0:  # what lies between goes inwards, onto the old dart's inner leg
        part = turn(np.concatenate([[dart.right], line[(far > high + 1e-6) & (far < to - 1e-6)], [place]]))
        new = Dart(part[-1], points([place])[0], dart.tip)
        edge = np.concatenate([line[far < low - 1e-6], part, [place], line[far > to + 1e-6]])
    else:
        part = turn(np.concatenate([[place], line[(far > to + 1e-6) & (far < low - 1e-6)], [dart.left]]))
        new = Dart(points([place])[0], part[0], dart.tip)
        edge = np.concatenate([line[far < to - 1e-6], [place], part, line[far > high + 1e-6]])
    moving = (min(high, to) + 1e-6, max(low, to) - 1e-6)
    seam = piece.part.top
    notches = tuple(
        replace(n, at=turn(n.at[None])[0]) if n.seam == seam and moving[0] < far_on(line, n.at) < moving[1] else n
        for n in piece.notches
    )
    return _laid(replace(piece.with_seams(**{seam: edge}), notches=notches), dart, (new,))


def eased(piece: Piece, number: int, by: float | None) -> Piece:
    """The dart narrower by some mm, or gone; what it took is eased into what is sewn to the edge, and noted on the piece."""
    dart = chosen(piece, number)
    by = dart.width if by is None else by
    if not 0 < by <= dart.width + 0.05:
        told = f"the dart takes {dart.width:.1f} mm, so {by:.1f} mm of it cannot be eased in"
        raise stop("dart", told, hint="give an amount up to its width")
    left = dart.width - by
    new = (_at(piece, dart, _middle(piece, dart), left),) if left >= LEAST_MM else ()
    if left < LEAST_MM:
        by = dart.width
    result = _laid(piece, dart, new)
    note = f"Ease {by:.0f} mm into the {piece.part.word(piece.part.top)} where dart {number} was."
    return replace(result, note=" ".join([piece.note, note]).strip())


WORKS: Mapping[str, Work] = {"move": moved, "turn": turned, "split": split, "ease": eased}


# -- bands ---------------------------------------------------------------------------------------------------------------


def bands(pattern: Pattern, kind: str, width: float, units: Units = "cm") -> list[Piece]:
    """A straight band in one piece, folded along its middle; or shaped bands, or facings, one for each piece with a waist.

    `width`: finished, in mm. Raises ProblemsFoundError for another kind or a width that is none.
    """
    if kind not in ("straight", "shaped", "facing"):
        raise stop("band", f"'{one_line(kind, 20)}' is not a band", hint="write straight=4cm, shaped=4cm or facing=6cm")
    if not BAND_MM[0] <= width <= BAND_MM[1]:
        given, least, most = (format_reading(mm, units) for mm in (width, *BAND_MM))
        raise stop("band", f"a band of {given} is outside {least} to {most}", hint="check the unit")
    if kind == "straight":
        return [_straight(pattern, width)]
    found = []
    for piece, side in pattern.cut():
        name = f"{piece.name} {'band' if kind == 'shaped' else 'facing'}{'' if side == 'both' else f', {side}'}"
        found.append(_shaped(piece, name, width, (4 if kind == "shaped" else 2) // (1 if side == "both" else 2)))
    return found


def _part(name: str, cut: int) -> Part:
    corners = {"top-left": "top", "top-right": "right", "bottom-right": "bottom", "bottom-left": "left"}
    return Part.model_construct(
        id=name, cut=cut, seams=("top", "right", "bottom", "left"), corners=corners, inner=("left",), outer=("right",),
        stays="bottom",
    )  # fmt: skip


def _straight(pattern: Pattern, width: float) -> Piece:
    """A band as long as the whole waist, twice as high as its finished width; its grain runs along it, up the paper."""
    whole = sum(after_darts(one, one.part.top) * (2 if side == "both" else 1) for one, side in pattern.cut())
    ring = np.array([[0.0, whole], [2 * width, whole], [2 * width, 0.0], [0.0, 0.0], [0.0, whole]])
    seams = {name: line(ring[k], ring[k + 1]) for k, name in enumerate(("top", "right", "bottom", "left"))}
    fold = points([[width, 0.0], [width, whole]])
    return Piece(_part("waistband", 1), seams, lines={"fold": fold}, grain_x=width / 2)


def closed_waist(piece: Piece) -> Array:
    """The waist seam with its darts folded closed, as one line: all beyond a dart turned about its point until its legs meet."""
    waist = piece.top
    darts = sorted(piece.darts, key=lambda dart: apart(dart.left, waist[0]), reverse=True)
    run = unit(waist[-1] - waist[0])
    for dart in darts:  # from the outer end, so that each turns all that lies beyond it
        before = waist[(waist - dart.left) @ run < -1e-9]
        beyond = waist[(waist - dart.right) @ run > 1e-9]
        turned = rotated(np.concatenate([[dart.right], beyond]), dart.tip, dart.angle)
        waist = np.concatenate([before, [dart.left], turned[1:]])
    return points(waist)


def _shaped(piece: Piece, name: str, width: float, cut: int) -> Piece:
    """The strip below the closed waist, as wide as the band all along."""
    top = closed_waist(piece)
    low = np.asarray(LineString(top).offset_curve(-width, join_style="mitre").coords)
    if apart(low[0], top[0]) > apart(low[-1], top[0]):
        low = low[::-1]
    seams = {
        "top": top,
        "right": line(top[-1], low[-1]),
        "bottom": points(low[::-1]),
        "left": line(low[0], top[0]),
    }
    return Piece(_part(name, cut), seams, grain_x=float((top[0, 0] + top[-1, 0]) / 2))
