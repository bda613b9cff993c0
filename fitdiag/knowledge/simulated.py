"""What the rules say for simulated cloth: kinds of cloth, what a body note moves on the body, which reading a sign is."""

from typing import Literal

from pydantic import Field

from fitdiag.knowledge.basics import Cites, Id, LengthMm, Rule, SymptomId, Text, YesNo

FigurePart = Literal[
    "seat-out", "seat-lower", "seat-higher", "abdomen-out", "abdomen-lower", "abdomen-higher", "crotch-lower", "crotch-higher",
    "hollow-back", "hips-forward", "waist-lower-in-front", "deeper", "flatter", "front-thigh-fuller", "back-thigh-fuller",
    "inner-thigh-fuller", "inner-thigh-slimmer", "outer-thigh-fuller", "calf-fuller", "calf-slimmer", "knees-apart",
    "knees-closer", "knees-back", "knees-forward", "feet-apart", "feet-together", "hip-higher", "hip-fuller", "leg-longer",
]  # fmt: skip


class FigureMove(Rule):
    """What a body note moves on the simulated body, and to how much; without amounts those of the note's own measure."""

    moves: FigurePart
    some_mm: LengthMm | None = Field(default=None, alias="some")
    marked_mm: LengthMm | None = Field(default=None, alias="marked")


class Cloth(Rule):
    """A kind of cloth: weight in g/m², stretch in % under 100 N/m, bending length in mm (ISO 9073-7), shear in N/m."""

    id: Id
    title: Text
    weight: float = Field(ge=30, le=1500)
    stretch_along: float = Field(ge=0.3, le=60)
    stretch_across: float = Field(ge=0.3, le=60)
    bending_length: float = Field(ge=5, le=80)
    shear: float = Field(ge=5, le=2000)
    friction: float = Field(ge=0, le=1)
    note: Text | None = None
    source: Cites


class SimulatedSign(Rule):
    """Which reading of simulated cloth a symptom is: mm of the symptom per unit of the reading, and when it is seen.

    `whole`: the reading itself is the sign, not its change against the right pattern on the same body.
    """

    id: Id
    symptom: SymptomId
    reading: Id
    mm: float | None = Field(default=None, ge=-100, le=100)
    seen_from: float = Field(gt=0)
    whole: YesNo = False
    source: Cites
