"""The stations of a fitting: where the fitter stands and what is done there. Every sign has a station and a number."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, get_args

from fitdiag.knowledge.model import RuleBase, Symptom

Station = Literal["front", "side", "back", "moving", "word", "off", "paper"]
STATIONS: tuple[Station, ...] = get_args(Station)
TITLES: Mapping[Station, str] = {
    "front": "Seen from the front", "side": "Seen from the side", "back": "Seen from the back",
    "moving": "Moving and sitting", "word": "What the client says", "off": "Seams opened, taken off", "paper": "On the paper",
}  # fmt: skip
TRIALS = ("loosening", "unpicking", "undressing", "paper")  # ways of answering that give only yes or no
_MOVING = ("walking", "sitting", "stairs", "bending")
_BY: Mapping[str, Station] = {
    **dict.fromkeys(_MOVING, "moving"), "undressing": "off", "unpicking": "off", "paper": "paper", "asking": "word",
}  # fmt: skip


def station_of(symptom: Symptom) -> Station:
    """Where a sign is looked for first."""
    return stations_of(symptom)[0]


def stations_of(symptom: Symptom) -> tuple[Station, ...]:
    """Every station at which a sign can be judged, the first one first."""
    if symptom.by in _BY:
        return (_BY[symptom.by],)
    if symptom.felt:
        return ("word",)
    seen: tuple[Station, ...] = tuple(view for view in symptom.views if view in ("front", "side", "back"))
    return seen or (("paper",) if "paper" in symptom.views else ("front",))


def numbered(base: RuleBase) -> Mapping[str, int]:
    """The number of each sign on the sheet of drawings: station by station, in the order of the rules."""
    ordered = sorted(base.symptoms.values(), key=lambda symptom: STATIONS.index(station_of(symptom)))
    return {symptom.id: number for number, symptom in enumerate(ordered, 1)}
