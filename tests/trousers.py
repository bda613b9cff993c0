"""Trouser patterns for tests: the block of six body measures."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from fitdiag.pattern.blocks import draft_block
from fitdiag.pattern.garment import shipped_garment
from fitdiag.pattern.piece import Pattern


@dataclass(frozen=True)
class Measures:
    """Body measures for the block, in mm. Bottom is the width of the finished hem, flat."""

    waist: float
    hip: float
    rise: float
    waist_to_hip: float
    waist_to_floor: float
    bottom: float


def draft(measures: Measures) -> Pattern:
    """Front and back by the block's rules, with the shipped rules."""
    return draft_block(shipped_garment("trousers"), asdict(measures))
