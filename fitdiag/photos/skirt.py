"""The line that is drawn on a skirt besides the hip line, and what is known of it beforehand: all that this room knows of the garment."""

from __future__ import annotations

from collections.abc import Mapping

from fitdiag.photos.trunk import Depth, Trunk

HEM = "hem"  # a line drawn a hand above the hem and level with it on the pattern; the edge itself is none
# Cloth hangs free there, in folds, on no body whose depth would be known: a fitter's judgement, wide on purpose.
ROUND: Mapping[str, Trunk] = {
    HEM: Trunk(440.0, Depth(0.6, 0.15, 0.47, 0.08), Depth(0.6, 0.15, 0.47, 0.08), (0.0, 15.0), 2.5, 6.0),
}
CALLED: Mapping[str, str] = {HEM: "Hem line"}
