"""What is known beforehand of lines round the trunk."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Depth:
    """How deep bodies are from the outline to the middle: as a share of half the width, and of the whole depth, each with its error."""

    of_half: float
    half_error: float
    of_whole: float
    whole_error: float


@dataclass(frozen=True)
class Trunk:
    """What is known beforehand of a line round the trunk, whose middle is nearer to the lens than its ends.

    `width`: usual width, mm; in mm besides, `behind`: how far the centre lies behind half an ellipse, since seats are hollow there and
    trunks squarer than ellipses, and its error; the folds along the line, how far left and right differ in depth, and `cleft`: how far
    the centre lies behind the cloth 3 cm beside it, and its error (None: the line is the edge of the cloth, no drawn one).
    """

    width: float
    back: Depth
    front: Depth
    behind: tuple[float, float]
    waves: float
    lopsided: float
    cleft: tuple[float, float] | None = None
