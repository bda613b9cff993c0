"""How far a number can be trusted: refused with the reason where the picture cannot hold it, else a word by its error."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from fitdiag.photos.drawn import ROUND
from fitdiag.photos.readings import Reading, Source, Unit, Word, called
from fitdiag.photos.setting import Setting
from fitdiag.photos.snap import Track
from fitdiag.photos.trousers import CROTCH

# One standard deviation up to which a number is good; from which on it is none; what no line on a body does. In mm or degrees.
GOOD = {"tilt": 0.3, "drop": 2.25, "v depth": 1.6, "v angle": 1.5, "fall": 2.5, "dip": 2.5}
# A V counts from 5 degrees on, so half of that may be open.
LARGEST = {"tilt": 1.6, "drop": 8.0, "v depth": 4.8, "v angle": 2.5, "fall": 8.0, "dip": 8.0}
NO_BODY = {"tilt": 12.0, "drop": 70.0, "v depth": 60.0, "v angle": 45.0, "fall": 70.0, "dip": 70.0}
STEEPEST, STEEPEST_AT_CROTCH, STEEPEST_AT_KNEE = 18.0, 8.0, 12.0  # degrees
STEEPEST_V = 9.0
BLAMED: Mapping[Source, str] = {
    "level": "the plumb lines leave level too open; two long ones, near the left and right border, are best",
    "focal length": "the focal length is not known, so neither is the height of the lens over the line",
    "distance": "the distance of the lens is not known well enough",
    "edges": "a side edge is not to be seen clearly",
    "seam": "the centre seam is not to be seen clearly",
    "depth": "the lens is off the line's height and the body's depth is not known; add a side picture",
    "folds": "the cloth lies in folds there",
    "": "",
}


@dataclass(frozen=True, eq=False)
class Doubts:
    """What speaks against the numbers of one line."""

    name: str
    setting: Setting
    track: Track
    hidden: tuple[str, ...]
    depression: float  # degrees by which the lens looks down at the line
    depth_known: bool


def refused(line: str, what: str, unit: Unit, raw: float | None, reason: str) -> Reading:
    """No number, and why."""
    return Reading(line, what, unit, raw, None, None, "don't use", reason)


def told(
    doubts: Doubts, what: str, unit: Unit, raw: float | None, value: float, parts: Mapping[Source, float], *,
    fork: bool = False, reason: str = "",
) -> Reading:  # fmt: skip
    """A number with its error and a word, or the reason why there is none; `parts`: the error by where it comes from."""
    kind = " ".join(what.split()[:2]) if what.startswith("v") else what.split(maxsplit=1)[0]
    error = math.sqrt(sum(part**2 for part in parts.values()))
    most = max(parts, key=lambda source: parts[source])
    raw = raw if unit == "deg" or doubts.setting.distance is not None else None
    if not (math.isfinite(value) and math.isfinite(error)):
        return refused(doubts.name, what, unit, None, "these marks fit no body; look at them again")
    why = _impossible(doubts, kind, fork=fork)
    if not why and abs(value) > NO_BODY[kind] + 2 * error:
        why = f"{abs(value):.0f} {'mm' if unit == 'mm' else 'degrees'} is more than any body shows; look at the marks again"
    if not why and error > LARGEST[kind]:
        why = BLAMED[most]
        if most == "depth":
            why = f"{too_steep(doubts.depression)}, and the body's depth is not known so well"
    if why:
        return refused(doubts.name, what, unit, raw, why)
    word: Word = "good" if error <= GOOD[kind] and not doubts.hidden else "fair"
    if not reason and word == "fair":
        reason = "a side edge is hidden" if doubts.hidden else _fair(doubts, most)
    without = math.sqrt(max(error**2 - parts[most] ** 2, 0.0))
    return Reading(doubts.name, what, unit, raw, value, error, word, reason, most, without=without)


def _impossible(doubts: Doubts, kind: str, *, fork: bool) -> str:
    """Why this line tells nothing of this kind; empty where it may."""
    where, steep, name = doubts.setting, abs(doubts.depression), doubts.name
    if doubts.track.onto:
        return (
            f"followed from its points it runs onto the {called(doubts.track.onto).lower()}; set more points along it"
        )
    if not doubts.track.clear:
        if fork:
            return "the line breaks where the legs part"
        return "the line is too faint, broken or thin to be followed; draw it solid, 2 to 3 mm wide"
    if not where.pose.levelled:
        return "without two plumb lines the picture cannot be levelled"
    if kind in ("drop", "v depth", "fall", "dip") and where.distance is None:
        return "nothing of known size is marked"
    if kind in ("drop", "dip") and doubts.hidden:
        return "a side edge is hidden"
    if doubts.track.border and kind in ("drop", "fall"):
        return (
            "the top edge folds over and hides behind the body; draw a waistline under it, or measure it on the client"
        )
    if fork:
        return "the legs part right under the line, so its middle lies in the fork"
    most = STEEPEST_AT_CROTCH if name == CROTCH and kind in ("drop", "dip") else STEEPEST
    if kind.startswith("v"):
        most = STEEPEST_V
    elif name not in ROUND:
        most = STEEPEST_AT_KNEE
    return too_steep(doubts.depression) if steep > most else ""


def _fair(doubts: Doubts, most: Source) -> str:
    if most == "depth":
        deep = "" if doubts.depth_known else ", and the body's depth is only guessed"
        return f"{too_steep(doubts.depression)}{deep}"
    return BLAMED[most].split(";")[0]


def too_steep(depression: float) -> str:
    """From where the lens looked."""
    where = "above" if depression > 0 else "below"
    return f"the lens looks {abs(depression):.0f} degrees from {where} the line's height"
