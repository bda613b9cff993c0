"""Priors for lines round the trunk."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Depth:
    """Depth of a body from the outline to the middle, as a share of half the width and of the whole depth, each with its error."""

    of_half: float
    half_error: float
    of_whole: float
    whole_error: float


@dataclass(frozen=True)
class Trunk:
    """Priors for a line round the trunk, whose middle is nearer the lens than its ends. Lengths in mm.

    `width`: usual width; `behind`: distance of the centre behind half an ellipse, and its error (seats are hollow there and trunks
    squarer than ellipses); `waves`: folds along the line; `lopsided`: left-right difference in depth; `cleft`: distance of the centre
    behind the cloth 3 cm beside it, and its error (None if the line is the edge of the cloth and not a drawn one).
    """

    width: float
    back: Depth
    front: Depth
    behind: tuple[float, float]
    waves: float
    lopsided: float
    cleft: tuple[float, float] | None = None
