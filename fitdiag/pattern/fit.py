"""A pattern estimated from lengths that a client measures on paper with a tape, how far off it may be, and what to measure next.

The unknown pattern is the drafted block with any measures, every corner moved and every seam bowed a little more or less
than the block's, as patterns of other schools are; how much is usual is the prior. The lengths, each with the tape's error, are
fitted by Gauss-Newton steps; what they leave undetermined is the posterior of a linear model there (Gauss-Markov). From it come
the error stated, which the true one keeps within in 68 of 100 cases, the band along each seam, and the lengths that would
narrow it most, found one after the other by the variance that each takes away (A-optimal design).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from fitdiag.pattern.alter import redraw
from fitdiag.pattern.blocks import block_of, draft_block
from fitdiag.pattern.garment import Garment, arc, at_far, shipped_garment, with_notches
from fitdiag.pattern.measure import near_measures, pattern_measures
from fitdiag.pattern.piece import Array, Pattern, Piece, left_of, length, unit
from fitdiag.problems import ProblemsFoundError, one_line, stop
from fitdiag.units import Units, format_reading

FEWEST = 5
ASKED = 3
TAPE_MM = 2.0  # how exactly a tape is read on paper, one standard deviation
CORNER_MM = 5.5  # how far a corner lies from the block's, each way: drafts of other schools; from memory
BOW_MM = 5.0  # and how much more or less a seam is bowed
CURL_MM = 2.0  # and how much it is bowed the other way in its second half
NEAREST = 0.9  # the nearest point of the outline lies nearer than the one across the seam; from 40 made patterns
SHARES = (0.0, 0.5, 1.0)  # of a seam's length: where the band is told
_SAMPLES = 11  # points of a seam that stand for it
_ROUNDS = 3
_DRAWS = 4000
_NO_PULL = re.compile("girth|difference|total|from the cut edge")  # measures that one pull of a tape does not give


@dataclass(frozen=True)
class Fit:
    """The estimate: the pattern, each length wanted and reached in mm, and the error stated for its outline.

    `off`: the root mean square distance from the true outline, pieces laid on each other as well as they fit, that is not
    exceeded in 68 of 100 cases, mm. `ask`: the lengths
    that would narrow it most, with what would be left after each, mm.
    """

    pattern: Pattern
    reached: Mapping[str, tuple[float, float]]
    residual: float
    off: float
    ask: tuple[tuple[str, float], ...]


def fit(lengths: Mapping[str, float], units: Units = "cm", garment: Garment | None = None) -> Fit:
    """The pattern whose measures come nearest to `lengths` (names as in `tape_measures`, mm); messages in `units`.

    Raises ProblemsFoundError for unknown names, too few lengths, or lengths that no such garment has.
    """
    model = _Model(garment or shipped_garment())
    known = tape_measures(model.pattern(np.zeros(model.size)))
    unknown = [name for name in lengths if name not in known]
    if unknown:
        raise stop("measure", f"there is no length '{one_line(unknown[0], 60)}'", hint=near_measures(unknown[0], known))
    if len(lengths) < FEWEST:
        told = f"{len(lengths)} lengths are too few to estimate a pattern"
        raise stop("few", told, hint=f"give at least {FEWEST}, ten are better")
    x = _solved(model, lengths)
    pattern = model.pattern(x)
    measured = tape_measures(pattern)
    reached = {name: (wanted, measured[name]) for name, wanted in lengths.items()}
    residual = float(np.sqrt(np.mean([(got - wanted) ** 2 for wanted, got in reached.values()])))
    if residual > 25.0:
        told = f"no pattern has these lengths (they stay {format_reading(residual, units)} apart)"
        raise stop("no-fit", told, hint="check names and units")
    names = list(known)
    slopes, outline = model.slopes(x, names)
    left = _posterior(slopes[[names.index(name) for name in lengths]])
    off = _stated(outline, left)
    ask = _to_ask(names, slopes, outline, left, set(lengths))
    about = f"{off:.0f} mm" if units == "cm" else format_reading(off, "in")
    told = f"an estimate from {len(lengths)} lengths measured with a tape; its outline is off by about {about}"
    grade = f"{told} (not more in 68 of 100 cases), so it is not your outline"
    banded = model.banded(pattern, outline, left)
    pattern = replace(banded.with_each(with_notches), title="Estimated from lengths", grade=grade)
    return Fit(pattern, reached, residual, off, ask)


def tape_measures(pattern: Pattern) -> dict[str, float]:
    """All lengths that can be taken on paper: the measures of the garment, and straight ones from landmark to landmark."""
    found = dict(pattern_measures(pattern))
    for name, piece in pattern.pieces.items():
        marks = landmarks(piece)
        at = np.array(list(marks.values()))
        apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1)).tolist()
        for (i, one), (j, other) in combinations(enumerate(marks), 2):
            found[f"{name} {one} to {other}, straight"] = apart[i][j]
    return found


def landmarks(piece: Piece) -> dict[str, Array]:
    """Points that can be found on any paper: the corners, and where level lines meet the edges."""
    found = {name.replace("-", " "): piece.corner(name) for name in piece.part.corners}
    for name in piece.part.ends:
        if name in piece.lines:
            found |= {
                f"{name} line inside": piece.lines[name][0],
                f"{name} line at the {piece.part.outer[0]}": piece.lines[name][-1],
            }
    return found


class _Model:
    """Patterns by a vector of standard deviations from what is usual: the block's measures, then corners and bows of each piece."""

    def __init__(self, garment: Garment) -> None:
        self.garment, asked = garment, block_of(garment).asked
        self.asked = [one.name for one in asked]
        self.start, self.usual = (np.array([getattr(one, key) for one in asked]) for key in ("usual", "spread"))
        first = draft_block(garment, dict(zip(self.asked, self.start.tolist(), strict=True)))
        self.seams = [(name, seam) for name, piece in first.pieces.items() for seam in piece.part.seams]
        self.size = len(asked) + 4 * len(self.seams)  # a corner has two numbers, a seam a bow and a curl
        self._base: dict[tuple[float, ...], Pattern] = {}

    def _drafted(self, measures: tuple[float, ...]) -> Pattern:
        """The block of some measures, without notches; kept, as most numbers only bend it."""
        if measures not in self._base:
            pattern = draft_block(self.garment, dict(zip(self.asked, measures, strict=True)))
            bare = {name: replace(piece, notches=()) for name, piece in pattern.pieces.items()}
            self._base[measures] = replace(pattern, pieces=bare)
        return self._base[measures]

    def pattern(self, x: Array) -> Pattern:
        at = len(self.asked)
        pattern = self._drafted(tuple((self.start + self.usual * x[:at]).tolist()))
        for piece in pattern.pieces.values():
            count = len(piece.part.seams)
            corners = x[at : at + 2 * count].reshape(-1, 2)
            bows, curls = x[at + 2 * count : at + 4 * count].reshape(2, -1)
            at += 4 * count
            drawn = {}
            for k, seam in enumerate(piece.part.seams):
                ends = corners[k] * CORNER_MM, corners[(k + 1) % count] * CORNER_MM
                drawn[seam] = _bowed(*ends, float(bows[k] * BOW_MM), float(curls[k] * CURL_MM), piece.seams[seam])
            pattern = pattern.with_piece(redraw(piece, drawn))
        return pattern

    def _samples(self, pattern: Pattern) -> Array:
        """Points along every seam of every piece: (seams, _SAMPLES, 2)."""
        places = np.linspace(0.0, 1.0, _SAMPLES)
        lines = [pattern.pieces[name].seams[seam] for name, seam in self.seams]
        return np.array([at_far(line, length(line) * places) for line in lines])

    def outline(self, pattern: Pattern) -> Array:
        """Points along every seam, each piece with its own middle at 0, one after the other."""
        found, of = self._samples(pattern), np.array([name for name, _ in self.seams])
        for name in pattern.pieces:
            found[of == name] -= found[of == name].mean(axis=(0, 1))
        return found.reshape(-1, 2)

    def normals(self, pattern: Pattern) -> Array:
        """The direction across the seam at each of those points."""
        run = np.gradient(self._samples(pattern), axis=1)
        return (left_of(run) / np.hypot(run[..., 0], run[..., 1])[..., None]).reshape(-1, 2)

    def slopes(self, x: Array, names: list[str]) -> tuple[Array, Array]:
        """How measures, and the outline at its points (across the seams), change with each number of x."""
        here = self.pattern(x)
        measured, outline, across = tape_measures(here), self.outline(here), self.normals(here)
        columns, points = [], []
        for k in range(self.size):
            step = np.zeros(self.size)
            step[k] = 0.05
            moved = self.pattern(x + step)
            other = tape_measures(moved)
            columns.append([(other.get(name, measured[name]) - measured[name]) / 0.05 for name in names])
            points.append(((self.outline(moved) - outline) * across).sum(axis=1) / 0.05)
        return np.array(columns).T, np.array(points).T

    def banded(self, pattern: Pattern, outline: Array, left: Array) -> Pattern:
        """The pattern with the band of each seam: one standard deviation across it, at its start, middle and end."""
        sizes = np.sqrt(np.clip((outline @ left * outline).sum(axis=1), 0.0, None)).reshape(-1, _SAMPLES)
        told = sizes[:, [round(share * (_SAMPLES - 1)) for share in SHARES]].tolist()
        for name, piece in pattern.pieces.items():
            band = {seam: tuple(row) for (of, seam), row in zip(self.seams, told, strict=True) if of == name}
            pattern = pattern.with_piece(replace(piece, band=band))
        return pattern


def _bowed(start: Array, end: Array, bow: float, curl: float, line: Array) -> Array:
    share = (arc(line) / length(line))[:, None]
    out = 4 * share * (1 - share) * bow + np.sin(2 * np.pi * share) * curl
    return np.asarray(line + (1 - share) * start + share * end + out * left_of(unit(line[-1] - line[0])))


def _solved(model: _Model, lengths: Mapping[str, float]) -> Array:
    """The most likely numbers, by Gauss-Newton steps; a step that makes no pattern is halved."""
    names = list(lengths)
    x = np.zeros(model.size)
    for _ in range(_ROUNDS):
        slopes, _outline = model.slopes(x, names)
        measured = tape_measures(model.pattern(x))
        off = np.array([lengths[name] - measured[name] for name in names]) + slopes @ x
        gain = slopes.T @ np.linalg.inv(slopes @ slopes.T + np.eye(len(names)) * TAPE_MM**2)
        new = gain @ off
        for _try in range(6):
            try:
                model.pattern(new)
                break
            except ProblemsFoundError:
                new = (new + x) / 2
        if np.abs(new - x).max() < 1e-3:
            return new
        x = new
    return x


def _posterior(slopes: Array) -> Array:
    """Covariance of the numbers once the lengths are known."""
    size = slopes.shape[1]
    gain = slopes.T @ np.linalg.inv(slopes @ slopes.T + np.eye(len(slopes)) * TAPE_MM**2)
    result: Array = np.eye(size) - gain @ slopes
    return (result + result.T) / 2


def _stated(outline: Array, left: Array) -> float:
    """The root mean square error of the outline that is not exceeded in 68 of 100 cases."""
    values = np.clip(np.linalg.eigvalsh(outline @ left @ outline.T), 0.0, None)
    values = values[values > 1e-9 * values.max()]
    draws = np.random.default_rng(1).chisquare(1, (_DRAWS, len(values)))  # always the same, so that the answer is
    squares = draws @ values / len(outline)
    return NEAREST * float(np.sqrt(np.quantile(squares, 0.68)))


def _to_ask(
    names: list[str], slopes: Array, outline: Array, left: Array, known: set[str]
) -> tuple[tuple[str, float], ...]:
    """The lengths that narrow the outline most, one after the other, and the error that would be left after each."""
    found: list[tuple[str, float]] = []
    weight = outline.T @ outline
    for _ in range(ASKED):
        spread = slopes @ left
        gains = ((spread @ weight) * spread).sum(axis=1) / ((spread * slopes).sum(axis=1) + TAPE_MM**2)
        taken = known | {name for name, _ in found}
        best = next(
            k for k in np.argsort(-gains).tolist() if names[k] not in taken and _NO_PULL.search(names[k]) is None
        )
        row = slopes[best]
        side = left @ row
        left = left - np.outer(side, side) / (float(row @ side) + TAPE_MM**2)
        found.append((names[best], _stated(outline, left)))
    return tuple(found)
