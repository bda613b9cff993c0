"""Work at the waist: move a dart along its edge, pivot it about its point, split it in two or ease it in; and draft
from the finished waist, darts closed, a straight waistband, a shaped one or a facing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from shapely import LineString

from fitdiag.pattern.alter import exchanged, rotated, through
from fitdiag.pattern.blocks import line
from fitdiag.pattern.garment import along, arc, between, far_on, nearest
from fitdiag.pattern.measure import after_darts
from fitdiag.pattern.piece import Array, Dart, Part, Pattern, Piece, apart, length, points, times_cut, unit
from fitdiag.problems import one_line, stop
from fitdiag.units import Units, format_reading

APART_MM = 30.0  # distance of the two halves of a split dart, centre to centre; common practice, no source
LEAST_MM = 3.0  # a dart narrower than this is not worth sewing; a judgement
EDGE_MM = 5.0  # least distance of a dart from the ends of its edge and from the next dart
BAND_MM = 15.0, 200.0  # finished width of the narrowest and the widest band

Work = Callable[[Piece, int, float | None], Piece]  # raises ProblemsFoundError if there is no such dart, amount or room


def ordered(piece: Piece) -> list[Dart]:
    """The darts from the start of their edge (the centre) outwards."""
    line = piece.top
    return sorted(piece.darts, key=lambda dart: far_on(line, dart.left))


def chosen(piece: Piece, number: int) -> Dart:
    """A dart by its number, counted from 1 at the centre. Raises ProblemsFoundError if there is none."""
    every = ordered(piece)
    if not 1 <= number <= len(every):
        count = f"{len(every)} dart{'' if len(every) == 1 else 's'}" if every else "no dart"
        message = f"the {piece.name} has {count}, so no number {number}"
        raise stop("dart", message, hint="they count from the inner edge")
    return every[number - 1]


def _laid(piece: Piece, dart: Dart, new: tuple[Dart, ...]) -> Piece:
    """The piece with one dart replaced by others and the edge redrawn through the ends of their legs."""
    line = piece.top
    darts = (*(one for one in piece.darts if one is not dart), *new)
    spans = sorted((far_on(line, one.left), far_on(line, one.right)) for one in darts)
    ends = [0.0, *(far for span in spans for far in span), length(line)]
    if min(ends[k + 1] - ends[k] for k in range(0, len(ends), 2)) < EDGE_MM:
        raise stop("dart", f"the {piece.name} has no room for the dart there", hint="take a smaller amount")
    for one in new:
        line = through(line, one.left, one.right)
    result = exchanged(piece, {piece.part.top: line})
    return replace(result, darts=tuple(ordered(replace(result, darts=darts))))


def _at(piece: Piece, dart: Dart, by: float, width: float) -> Dart:
    """A copy of a dart, its centre moved `by` mm along the edge, its intake `width` mm, its legs of equal length."""
    line = piece.top
    middle = (far_on(line, dart.left) + far_on(line, dart.right)) / 2 + by
    left, place, right = (along(piece, piece.part.top, middle + half).at for half in (-width / 2, 0.0, width / 2))
    return Dart.even(left, right, dart.tip + place - nearest(line, (dart.left + dart.right) / 2))


def _given(piece: Piece, number: int, work: str, by: float | None) -> float:
    """How far a dart moves, mm. Raises ProblemsFoundError if that is missing or 0."""
    if not by:
        hint = f"write it like '{piece.name} {number} {work}=2 cm'"
        raise stop("dart", "it does not say how far the dart goes along the edge", hint=hint)
    return by


def moved(piece: Piece, number: int, by: float | None) -> Piece:
    """Move a dart `by` mm along its edge, outwards; its intake, length and direction stay."""
    by, dart = _given(piece, number, "move", by), chosen(piece, number)
    return _laid(piece, dart, (_at(piece, dart, by, dart.width),))


def split(piece: Piece, number: int, apart: float | None) -> Piece:
    """Replace a dart by two of half its intake, `apart` mm between their centres."""
    dart, apart = chosen(piece, number), APART_MM if apart is None else apart
    if dart.width / 2 < LEAST_MM or apart < dart.width / 2 + EDGE_MM:
        raise stop("dart", f"a dart of {dart.width:.0f} mm cannot be split so", hint="a wider dart, or farther apart")
    return _laid(piece, dart, tuple(_at(piece, dart, half, dart.width / 2) for half in (-apart / 2, apart / 2)))


def turned(piece: Piece, number: int, by: float | None) -> Piece:
    """Pivot a dart: close it and open it by the same angle about the same point, `by` mm farther out along its edge.

    The part of the piece between the old place and the new turns with its edge until the old legs meet.
    """
    by, dart, line = _given(piece, number, "turn", by), chosen(piece, number), piece.top
    low, high, far = far_on(line, dart.left), far_on(line, dart.right), arc(line)
    to = (high if by > 0 else low) + by
    place = along(piece, piece.part.top, to).at
    start, end = (high, to) if by > 0 else (to, low)
    if any(one is not dart and start < far_on(line, one.left) < end for one in piece.darts):
        raise stop("dart", "another dart lies between", hint="turn that one first, or less far")

    def turn(at: Array) -> Array:
        return rotated(at, dart.tip, dart.angle if by > 0 else -dart.angle)

    part = turn(between(line, start, end))
    new = Dart(part[-1], points([place])[0], dart.tip) if by > 0 else Dart(points([place])[0], part[0], dart.tip)
    edge = np.concatenate([line[far < min(low, to) - 1e-6], part, line[far > max(high, to) + 1e-6]])
    top = piece.part.top
    notches = tuple(
        replace(n, at=turn(n.at[None])[0]) if n.seam == top and start < far_on(line, n.at) < end else n
        for n in piece.notches
    )
    return _laid(replace(piece.with_seams(**{top: edge}), notches=notches), dart, (new,))


def eased(piece: Piece, number: int, by: float | None) -> Piece:
    """Narrow a dart by `by` mm, or remove it (None); the ease that leaves on the edge is noted on the piece."""
    dart = chosen(piece, number)
    by = dart.width if by is None else by
    if not 0 < by <= dart.width + 0.05:
        message = f"the dart takes {dart.width:.1f} mm, so {by:.1f} mm of it cannot be eased in"
        raise stop("dart", message, hint="give an amount up to its width")
    left = dart.width - by
    new = (_at(piece, dart, 0.0, left),) if left >= LEAST_MM else ()
    if left < LEAST_MM:
        by = dart.width
    result = _laid(piece, dart, new)
    note = f"Ease {by:.0f} mm into the {piece.part.word(piece.part.top)} where dart {number} was."
    return replace(result, note=" ".join([piece.note, note]).strip())


WORKS: Mapping[str, Work] = {"move": moved, "turn": turned, "split": split, "ease": eased}


# -- bands ---------------------------------------------------------------------------------------------------------------


def bands(pattern: Pattern, kind: str, width: float, units: Units = "cm") -> list[Piece]:
    """A straight band in one piece, folded along its middle; or shaped bands, or facings, one for each piece.

    `kind`: `straight`, `shaped` or `facing`. `width`: finished, in mm. Raises ProblemsFoundError for another kind, and
    for a width out of range.
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
        layers = 2 if kind == "shaped" else 1
        folded = "left" if piece.part.fold and side == "both" else None
        found.append(_shaped(piece, name, width, layers * times_cut(piece, side), folded))
    return found


def _band(name: str, cut: int, top: Array, bottom: Array, grain_x: float, fold: str | None = None) -> Piece:
    """A band between two lines that run from left to right, (n, 2) points each."""
    corners = {"top-left": "top", "top-right": "right", "bottom-right": "bottom", "bottom-left": "left"}
    part = Part.model_construct(
        id=name, cut=cut, seams=("top", "right", "bottom", "left"), corners=corners, inner=("left",), outer=("right",),
        stays="bottom", fold=fold,
    )  # fmt: skip
    right, left = line(top[-1], bottom[-1]), line(bottom[0], top[0])
    return Piece(part, {"top": top, "right": right, "bottom": points(bottom[::-1]), "left": left}, grain_x=grain_x)


def _straight(pattern: Pattern, width: float) -> Piece:
    """A band as long as the whole waist and twice its finished width; the grain runs along it, up the paper."""
    whole = sum(after_darts(one, one.part.top) * (2 if side == "both" else 1) for one, side in pattern.cut())
    top, bottom = (line((0.0, y), (2 * width, y)) for y in (whole, 0.0))
    band = _band("waistband", 1, top, bottom, width / 2)
    return replace(band, lines={"fold": points([[width, 0.0], [width, whole]])})


def closed_waist(piece: Piece) -> Array:
    """The waist seam with its darts closed, (n, 2): all beyond a dart turns about its point until the legs meet."""
    waist = piece.top
    darts = sorted(piece.darts, key=lambda dart: apart(dart.left, waist[0]), reverse=True)
    run = unit(waist[-1] - waist[0])
    for dart in darts:  # the outermost first, so that each turns everything beyond it
        before = waist[(waist - dart.left) @ run < -1e-9]
        beyond = waist[(waist - dart.right) @ run > 1e-9]
        turned = rotated(np.concatenate([[dart.right], beyond]), dart.tip, dart.angle)
        waist = np.concatenate([before, [dart.left], turned[1:]])
    return points(waist)


def _shaped(piece: Piece, name: str, width: float, cut: int, fold: str | None) -> Piece:
    """The strip below the closed waist, `width` mm wide all along, cut on the fold where its piece is."""
    top = closed_waist(piece)
    low = np.asarray(LineString(top).offset_curve(-width, join_style="mitre").coords)
    if apart(low[0], top[0]) > apart(low[-1], top[0]):
        low = low[::-1]
    return _band(name, cut, top, low, float((top[0, 0] + top[-1, 0]) / 2), fold)
