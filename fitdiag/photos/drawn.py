"""Lines that may be drawn on a garment, for all garments together: their names in marks are the same for each."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from fitdiag.photos import skirt, trousers
from fitdiag.photos.trunk import Trunk

ROUND: Mapping[str, Trunk] = {**trousers.ROUND, **skirt.ROUND}  # lines round the whole garment
LINES = (*trousers.LINES, *skirt.ROUND)
WIDTHS = {**trousers.WIDTHS, **{name: line.width for name, line in skirt.ROUND.items()}}  # mm
CALLED = {**trousers.CALLED, **skirt.CALLED}


def named(drawn: Collection[str]) -> tuple[str, ...]:
    """The lines in marks of those `drawn` on a garment, in which "knee" stands for the lines of both legs."""
    return tuple(name for name in LINES if name in drawn or name.split("-")[0] in drawn)


def has_legs(drawn: Collection[str]) -> bool:
    """Whether a garment with these level lines drawn on it has legs."""
    return not set(named(drawn)).isdisjoint(trousers.KNEES)


def called(drawn: Collection[str]) -> Mapping[str, str]:
    """What lines are called on a garment with these level lines drawn on it."""
    return {name: words if has_legs(drawn) else words.removesuffix(" leg") for name, words in CALLED.items()}
