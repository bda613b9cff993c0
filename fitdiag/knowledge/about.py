"""What a rule base is for, cautions, the shot card; the words rules use and their numbers, and everyday words; and for simulated
cloth: kinds of cloth, what a body note moves on the body, and the reading for each sign."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from fitdiag.knowledge.basics import Cites, Id, LengthMm, Rule, SymptomId, Text, YesNo


class CardLine(Rule):
    """A level line on the shot card: its height and ends in the drawings (20 mm a unit), and the views it is taken from.

    `where`: where it is drawn, if its name does not say so.
    """

    id: Id
    where: Text = ""
    y: float
    side: tuple[float, float]
    half: tuple[float, float]
    views: tuple[Text, ...] = Field(min_length=1)


class ShotCard(Rule):
    """What the shot card says and draws of the garment: SVG paths (M L C Z); from `half` on they show the left half from behind.

    `bare`: legs below the garment, the first from the side. `grain_to`: how far down the grainlines are drawn.
    """

    no_pins: Text
    lines: tuple[CardLine, ...] = Field(min_length=1)
    outline: Text
    side_seam: Text
    half: Text
    centre: Text
    bare: tuple[Text, ...] = ()
    grain_to: float


class Vocabulary(Rule):
    """`vocabulary.yaml`: words of `About` that several garments share."""

    alike: Mapping[str, tuple[Text, ...]] = Field(default_factory=dict)
    opposites: tuple[tuple[Text, Text], ...] = ()
    places: tuple[Text, ...] = ()
    poses: tuple[Text, ...] = ()


class Caution(Rule):
    """A caution shown once, where it applies: to the fitter, in the wearer's words, and for a wearer who has no helper."""

    when: Literal["always", "pinning", "cutting", "photos", "pressing"]
    text: Text
    client: Text
    alone: Text | None = None


class About(Vocabulary):
    """`rulebase.yaml`: what this rule base is for, and the seams and stages of a round that its rules name.

    `photographs`: what a client is asked to take. `presses`: the sign meant by cloth that presses in sitting, on stairs or in
    bending. `shares`: a sibling folder whose body notes, words, cloths and sources apply here too. `alike`: synonyms of a typed
    word; `opposites`: pairs of antonyms; `places`, `poses`: words for a part of the garment, for a pose or movement. The last four
    may come from `vocabulary.yaml` too.
    """

    format: Literal["fitdiag.rules/1"] = Field(alias="schema")
    garment: Id
    title: Text
    shares: Id | None = None
    stages: tuple[Id, ...] = Field(min_length=1)
    seams: tuple[Id, ...]
    photographs: tuple[Text, ...] = ()
    card: ShotCard | None = None
    presses: Mapping[Text, SymptomId] = Field(default_factory=dict)
    cautions: tuple[Caution, ...]


class Renamed(Rule):
    """A symptom of an earlier rule base and its present id, or ids if it was split."""

    was: Id
    now: tuple[SymptomId, ...] = Field(min_length=1)


class Everyday(Rule):
    """How people speak of a symptom, one phrase a line. Words are counted, so many phrases help more than apt ones."""

    symptom: SymptomId
    said: Annotated[str, StringConstraints(min_length=1, max_length=20_000)]

    @property
    def phrases(self) -> tuple[str, ...]:
        """The phrases, without empty lines."""
        return tuple(line.strip() for line in self.said.splitlines() if line.strip())


class WordTable(Rule):
    """Words and the numbers they stand for, with the source of the numbers."""

    source: Cites
    words: Mapping[Id | Annotated[str, StringConstraints(pattern=r"^[a-z_]+$")], float]


class Words(Rule):
    """`words.yaml`: every table of words that rules use."""

    how_often: WordTable
    base_rate: WordTable
    seen_anyway: WordTable
    more_or_less: WordTable
    how_well: WordTable
    body_grades: WordTable
    cost: WordTable
    settings: WordTable


FigurePart = Literal[
    "seat-out", "seat-lower", "seat-higher", "abdomen-out", "abdomen-lower", "abdomen-higher", "crotch-lower", "crotch-higher",
    "hollow-back", "hips-forward", "waist-lower-in-front", "deeper", "flatter", "front-thigh-fuller", "back-thigh-fuller",
    "inner-thigh-fuller", "inner-thigh-slimmer", "outer-thigh-fuller", "calf-fuller", "calf-slimmer", "knees-apart",
    "knees-closer", "knees-back", "knees-forward", "feet-apart", "feet-together", "hip-higher", "hip-fuller", "leg-longer",
]  # fmt: skip


class FigureMove(Rule):
    """The part of the simulated body a note moves, and how far; without amounts, as far as the note's own measure says."""

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
    """The reading of simulated cloth for a symptom: mm of the symptom per unit of the reading, and the change from which it is seen.

    `whole`: the reading itself is the sign, not its change from the right pattern on the same body.
    """

    id: Id
    symptom: SymptomId
    reading: Id
    mm: float | None = Field(default=None, ge=-100, le=100)
    seen_from: float = Field(gt=0)
    whole: YesNo = False
    source: Cites
