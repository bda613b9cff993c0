"""What a rule base is for, cautions, the shot card; and its words: those of rules and their numbers, and how people speak."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from fitdiag.knowledge.basics import Cites, Id, Rule, SymptomId, Text


class CardLine(Rule):
    """A level line on the shot card: its height and ends in the drawings (20 mm a unit), and the views it is taken from."""

    id: Id
    y: float
    side: tuple[float, float]
    half: tuple[float, float]
    views: tuple[Text, ...] = Field(min_length=1)


class ShotCard(Rule):
    """What the shot card says and draws of the garment: paths of SVG, M L C Z; `half` and what follows it are the left half from behind.

    `bare`: legs below it, the first from the side. `grain_to`: how far down the grainlines are drawn.
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
    """`rulebase.yaml`: what this rule base is for, the seams and the stages of a round that its rules name.

    `photographs`: what a client is asked to take. `presses`: the sign that cloth which presses in sitting, on stairs or in bending is
    taken for. `shares`: the folder beside this one whose body notes, words, cloths and sources count here too. `alike`: a word and
    those taken for it when typed; `opposites`: pairs of such words; `places`, `poses`: those that name a part, or a
    pose or movement; `vocabulary.yaml` has them too.
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
    """A symptom of an earlier rule base, and what it is now; more than one where it hid a direction."""

    was: Id
    now: tuple[SymptomId, ...] = Field(min_length=1)


class Everyday(Rule):
    """How people speak of a symptom, one phrase a line: which words they use is counted, so that many tell more than apt ones."""

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
