"""Lines that may be drawn on a garment, for all garments together: their names in marks are the same for each."""

from __future__ import annotations

from collections.abc import Mapping

from fitdiag.photos import skirt, trousers
from fitdiag.photos.trunk import Trunk

ROUND: Mapping[str, Trunk] = {**trousers.ROUND, **skirt.ROUND}  # lines round the whole garment
LINES = (*trousers.LINES, *skirt.ROUND)
WIDTHS = {**trousers.WIDTHS, **{name: line.width for name, line in skirt.ROUND.items()}}  # mm
CALLED = {**trousers.CALLED, **skirt.CALLED}
