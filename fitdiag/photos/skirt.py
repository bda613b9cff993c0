"""The line drawn on a skirt besides the hip line, and its priors: all that this package knows about the garment."""

from __future__ import annotations

from collections.abc import Mapping

from fitdiag.photos.trunk import Depth, Trunk

HEM = "hem"  # drawn a hand above the hem and parallel to it on the pattern; the hem itself is not the line
# Cloth hangs free there, in folds, away from the body: a fitter's judgement, wide on purpose.
ROUND: Mapping[str, Trunk] = {
    HEM: Trunk(440.0, Depth(0.6, 0.15, 0.47, 0.08), Depth(0.6, 0.15, 0.47, 0.08), (0.0, 15.0), 2.5, 6.0),
}
CALLED: Mapping[str, str] = {HEM: "Hem line"}
