"""Estimate a pattern from lengths measured on paper with a tape, state its error, and suggest what to measure next.

The model is the drafted block with variable measures, every corner moved and every seam bowed slightly more or less, as in
other drafting systems; their usual spread is the prior. The lengths, with the tape's error, are fitted by Gauss-Newton steps;
the posterior is that of the model linearised there. It gives the stated error (not exceeded in 68 of 100 cases), the band
along each seam, and the lengths that would reduce the error most, chosen greedily by variance reduction (A-optimal design).
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
TAPE_MM = 2.0  # standard deviation of a tape reading on paper
CORNER_MM = 5.5  # prior sd of a corner in x and in y, from other drafting systems; from memory
BOW_MM = 5.0  # prior sd of the bow of a seam
CURL_MM = 2.0  # prior sd of its S-shaped part
NEAREST = 0.9  # distance to the nearest outline point over that across the seam; from 40 made patterns
SHARES = (0.0, 0.5, 1.0)  # of a seam's length: where the band is given
_SAMPLES = 11  # points per seam
_ROUNDS = 3
_DRAWS = 4000
_NO_PULL = re.compile("girth|difference|total|from the cut edge")  # measures that take more than one pull of a tape


@dataclass(frozen=True)
class Fit:
    """The estimate: the pattern, each length as given and as fitted (mm), and the stated error of its outline.

    `residual`: rms of fitted less given lengths, mm. `off`: rms distance from the true outline, pieces aligned, not exceeded
    in 68 of 100 cases, mm. `ask`: the lengths that would reduce it most, each with the error then left, mm.
    """

    pattern: Pattern
    reached: Mapping[str, tuple[float, float]]
    residual: float
    off: float
    ask: tuple[tuple[str, float], ...]


def fit(lengths: Mapping[str, float], units: Units = "cm", garment: Garment | None = None) -> Fit:
    """Fit a pattern to `lengths` (names as in `tape_measures`, mm); messages in `units`.

    Raises ProblemsFoundError for unknown names, too few lengths, or lengths that no such garment has.
    """
    model = _Model(garment or shipped_garment())
    known = tape_measures(model.pattern(np.zeros(model.size)))
    unknown = [name for name in lengths if name not in known]
    if unknown:
        raise stop("measure", f"there is no length '{one_line(unknown[0], 60)}'", hint=near_measures(unknown[0], known))
    if len(lengths) < FEWEST:
        message = f"{len(lengths)} lengths are too few to estimate a pattern"
        raise stop("few", message, hint=f"give at least {FEWEST}, ten are better")
    x = _solved(model, lengths)
    pattern = model.pattern(x)
    measured = tape_measures(pattern)
    reached = {name: (wanted, measured[name]) for name, wanted in lengths.items()}
    residual = float(np.sqrt(np.mean([(got - wanted) ** 2 for wanted, got in reached.values()])))
    if residual > 25.0:
        message = f"no pattern has these lengths (the nearest is {format_reading(residual, units)} off)"
        raise stop("no-fit", message, hint="check names and units")
    names = list(known)
    slopes, outline = model.slopes(x, names)
    covariance = _posterior(slopes[[names.index(name) for name in lengths]])
    off = _stated(outline, covariance)
    ask = _to_ask(names, slopes, outline, covariance, set(lengths))
    about = f"{off:.0f} mm" if units == "cm" else format_reading(off, "in")
    summary = f"an estimate from {len(lengths)} lengths measured with a tape; its outline is off by about {about}"
    grade = f"{summary} (not more in 68 of 100 cases), so it is not your outline"
    banded = model.banded(pattern, outline, covariance)
    pattern = replace(banded.with_each(with_notches), title="Estimated from lengths", grade=grade)
    return Fit(pattern, reached, residual, off, ask)


def tape_measures(pattern: Pattern) -> dict[str, float]:
    """Return all lengths that can be measured on paper, mm: the garment's measures, and straight ones between landmarks."""
    lengths = dict(pattern_measures(pattern))
    for name, piece in pattern.pieces.items():
        marks = landmarks(piece)
        at = np.array(list(marks.values()))
        distances = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1)).tolist()
        for (i, one), (j, other) in combinations(enumerate(marks), 2):
            lengths[f"{name} {one} to {other}, straight"] = distances[i][j]
    return lengths


def landmarks(piece: Piece) -> dict[str, Array]:
    """Points that can be found on any pattern: the corners, and the ends of level lines."""
    marks = {name.replace("-", " "): piece.corner(name) for name in piece.part.corners}
    for name in piece.part.ends:
        if name in piece.lines:
            ends = (f"{name} line inside", f"{name} line at the {piece.part.outer[0]}")
            marks |= zip(ends, piece.lines[name][[0, -1]], strict=True)
    return marks


class _Model:
    """Patterns from a parameter vector, in prior standard deviations: the block's measures, then corners, bows and curls of each piece."""

    def __init__(self, garment: Garment) -> None:
        self.garment, asked = garment, block_of(garment).asked
        self.asked = [one.name for one in asked]
        self.start, self.usual = (np.array([getattr(one, key) for one in asked]) for key in ("usual", "spread"))
        first = draft_block(garment, dict(zip(self.asked, self.start.tolist(), strict=True)))
        self.seams = [(name, seam) for name, piece in first.pieces.items() for seam in piece.part.seams]
        self.size = len(asked) + 4 * len(self.seams)  # x and y of a corner, bow and curl of a seam
        self._base: dict[tuple[float, ...], Pattern] = {}

    def _drafted(self, measures: tuple[float, ...]) -> Pattern:
        """The block from these measures, without notches; cached, as most parameters only bend it."""
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
        """Points along every seam of every piece, shape (seams, _SAMPLES, 2)."""
        places = np.linspace(0.0, 1.0, _SAMPLES)
        lines = [pattern.pieces[name].seams[seam] for name, seam in self.seams]
        return np.array([at_far(line, length(line) * places) for line in lines])

    def outline(self, pattern: Pattern) -> Array:
        """Points along every seam, each piece centred at 0, shape (seams * _SAMPLES, 2)."""
        samples, of = self._samples(pattern), np.array([name for name, _ in self.seams])
        for name in pattern.pieces:
            samples[of == name] -= samples[of == name].mean(axis=(0, 1))
        return samples.reshape(-1, 2)

    def normals(self, pattern: Pattern) -> Array:
        """Unit normal of the seam at each of those points."""
        run = np.gradient(self._samples(pattern), axis=1)
        return (left_of(run) / np.hypot(run[..., 0], run[..., 1])[..., None]).reshape(-1, 2)

    def slopes(self, x: Array, names: list[str]) -> tuple[Array, Array]:
        """Jacobians with respect to x of the named measures, and of the outline points across the seams."""
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

    def banded(self, pattern: Pattern, outline: Array, covariance: Array) -> Pattern:
        """The pattern with the band of each seam: standard deviation across it at start, middle and end, mm."""
        sizes = np.sqrt(np.clip((outline @ covariance * outline).sum(axis=1), 0.0, None)).reshape(-1, _SAMPLES)
        rows = sizes[:, [round(share * (_SAMPLES - 1)) for share in SHARES]].tolist()
        for name, piece in pattern.pieces.items():
            band = {seam: tuple(row) for (of, seam), row in zip(self.seams, rows, strict=True) if of == name}
            pattern = pattern.with_piece(replace(piece, band=band))
        return pattern


def _bowed(start: Array, end: Array, bow: float, curl: float, line: Array) -> Array:
    share = (arc(line) / length(line))[:, None]
    out = 4 * share * (1 - share) * bow + np.sin(2 * np.pi * share) * curl
    return np.asarray(line + (1 - share) * start + share * end + out * left_of(unit(line[-1] - line[0])))


def _solved(model: _Model, lengths: Mapping[str, float]) -> Array:
    """Maximum a posteriori parameters, by Gauss-Newton steps; a step that gives no valid pattern is halved."""
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
    """Posterior covariance of the parameters, given the Jacobian of the known lengths."""
    size = slopes.shape[1]
    gain = slopes.T @ np.linalg.inv(slopes @ slopes.T + np.eye(len(slopes)) * TAPE_MM**2)
    result: Array = np.eye(size) - gain @ slopes
    return (result + result.T) / 2


def _stated(outline: Array, covariance: Array) -> float:
    """The rms error of the outline that is not exceeded in 68 of 100 cases, mm."""
    values = np.clip(np.linalg.eigvalsh(outline @ covariance @ outline.T), 0.0, None)
    values = values[values > 1e-9 * values.max()]
    draws = np.random.default_rng(1).chisquare(1, (_DRAWS, len(values)))  # fixed seed: reproducible
    squares = draws @ values / len(outline)
    return NEAREST * float(np.sqrt(np.quantile(squares, 0.68)))


def _to_ask(
    names: list[str], slopes: Array, outline: Array, covariance: Array, known: set[str]
) -> tuple[tuple[str, float], ...]:
    """The lengths that reduce the outline's error most, chosen greedily, and the error left after each, mm."""
    chosen: list[tuple[str, float]] = []
    weight = outline.T @ outline
    for _ in range(ASKED):
        spread = slopes @ covariance
        gains = ((spread @ weight) * spread).sum(axis=1) / ((spread * slopes).sum(axis=1) + TAPE_MM**2)
        taken = known | {name for name, _ in chosen}
        best = next(
            k for k in np.argsort(-gains).tolist() if names[k] not in taken and _NO_PULL.search(names[k]) is None
        )
        row = slopes[best]
        side = covariance @ row
        covariance = covariance - np.outer(side, side) / (float(row @ side) + TAPE_MM**2)
        chosen.append((names[best], _stated(outline, covariance)))
    return tuple(chosen)
