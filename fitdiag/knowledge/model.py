"""What a rule base is made of: the format of every file under `rules/`, as immutable values.

Lengths stand in the files as text with a unit and are millimetres here (`..._mm`). Words ("usually", "much-more") stay
words; `RuleBase` turns them into numbers through the tables of `words.yaml`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from operator import is_
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

from fitdiag.problems import Where
from fitdiag.units import InvalidLengthError, Units, in_units, parse_length


def _length(value: object) -> float:
    if not isinstance(value, str):
        raise ValueError("a length is text with a unit, like 3/4 in or 2 cm")
    try:
        return parse_length(value).mm
    except InvalidLengthError as error:
        raise ValueError(str(error)) from None


def _yes_no(value: object) -> bool:
    if value in ("yes", "no"):
        return value == "yes"
    raise ValueError("write yes or no")


Id = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$", max_length=60)]
Text = Annotated[str, StringConstraints(min_length=1, max_length=1500, strip_whitespace=True)]
LengthMm = Annotated[float, BeforeValidator(_length)]
YesNo = Annotated[bool, BeforeValidator(_yes_no)]
View = Literal["front", "side", "back", "worn", "paper"]
Stage = Literal["balance", "rise", "girth", "crotch", "leg", "finish"]
Grade = Literal["published", "common-practice", "memory", "judgement", "geometry", "simulated"]
Seen = Literal["yes", "no", "unsure"]
Severity = Literal["slight", "clear", "strong"]
Operation = Literal[
    "open-wedge", "close-wedge", "spread-level", "overlap-level", "slide-section", "scoop-curve", "fill-curve",
    "add-extension", "take-extension", "move-seam", "taper-seam", "change-dart", "swing-leg", "raise-waist",
    "lower-waist", "shift-front-and-back", "none",
]  # fmt: skip


class Rule(BaseModel):
    """Common to all: frozen, and a key the format does not know is a fault."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


class Source(Rule):
    """Something rules cite. `where` is the bibliographic place; `grade` says honestly what kind of backing it is."""

    id: Id
    title: Text
    grade: Grade
    where: Text | None = None
    note: Text | None = None


class Measure(Rule):
    """How a symptom is measured. `worse: less` means that a small amount is the sign (a distance that is too short)."""

    what: Text
    how: Text
    worse: Literal["more", "less"]
    seen_from_mm: LengthMm = Field(alias="seen_from")
    give_mm: LengthMm = Field(alias="give")
    grades_mm: Mapping[Severity, LengthMm] = Field(alias="grades")
    on_pattern: Text | None = None
    source: Text


BodyMeasure = Literal[
    "waist", "abdomen", "high-hip", "hip", "thigh", "knee", "calf", "crotch-depth", "total-crotch-length"
]


class FromEase(Rule):
    """The measure check that answers a symptom: the pattern lies under, or over, body plus ease."""

    measure: BodyMeasure
    side: Literal["under", "over"] = Field(alias="is")


class FromPhoto(Rule):
    """Which quantity of measured pictures answers a symptom: of these lines, the one that shows most.

    `drop` and `rise`: the middle against the side seams; `v-depth`: at the centre seam, pointing down; `slope`: between
    the side seams; `lean`: off plumb over 60 cm; `from-centre`: from the centre seam to the grainline at the waist.
    """

    lines: tuple[Literal["waist", "hip", "crotch", "grain-left", "grain-right"], ...] = Field(min_length=1)
    what: Literal["drop", "rise", "v-depth", "slope", "lean", "from-centre"]


class Symptom(Rule):
    """A sign on the cloth or a thing felt."""

    id: Id
    title: Annotated[str, StringConstraints(min_length=3, max_length=75)]
    draft: YesNo = False
    ask: Text
    look: Text
    views: tuple[View, ...] = Field(min_length=1)
    by: Id
    felt: YesNo = False
    whole: YesNo = False  # it cannot be on one side only
    needs: tuple[Id, ...] = ()  # asked only where one of these was seen
    seen_anyway: Id
    source: Text
    search: tuple[Text, ...] = ()
    from_ease: FromEase | None = None
    from_photo: FromPhoto | None = None
    measure: Measure | None = None
    confused_with: tuple[Id, ...] = ()


class NoteMeasure(Rule):
    """How a body note is measured, and from where it counts as some and as marked."""

    what: Text
    worse: Literal["more", "less"]
    some_mm: LengthMm = Field(alias="some")
    marked_mm: LengthMm = Field(alias="marked")
    source: Text


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


class BodyNote(Rule):
    """Shape or stance, in neutral words; it shifts the prior odds of causes."""

    id: Id
    title: Annotated[str, StringConstraints(min_length=3, max_length=75)]
    judge: Text
    measure: NoteMeasure | None = None
    figure: tuple[FigureMove, ...] = ()
    private: YesNo = False
    source: Text
    search: tuple[Text, ...] = ()


class Shows(Rule):
    """One link: how often a cause shows a symptom."""

    symptom: Id
    how_often: Id
    source: Text
    note: Text | None = None


class LookAlike(Rule):
    """A cause this one is taken for, and the symptoms that tell them apart."""

    cause: Id
    tell: Text
    by: tuple[Id, ...] = ()


class Cause(Rule):
    """Something the pattern does."""

    id: Id
    title: Text
    status: Literal["draft", "trial", "tested", "settled"]
    base_rate: Id
    why: Text
    source: Text
    shows: tuple[Shows, ...] = Field(min_length=1)
    body: Mapping[Id, Id] = Field(default_factory=dict)
    after: Mapping[Id, Id] = Field(default_factory=dict)
    cured_by: Mapping[Id, Id] = Field(default_factory=dict)
    may_stay: Text | None = None
    not_when: tuple[Text, ...] = Field(min_length=1)
    look_alikes: tuple[LookAlike, ...] = ()


class Geometry(Rule):
    """The geometric operation behind an alteration, in words and names shared with the pattern code."""

    does: Operation
    piece: Literal["front", "back", "both"]
    cut: Text
    hinge: Text


class Amount(Rule):
    """How much: from a measured symptom, or a careful start. With `short_of`, amount = (short_of - measured) * ratio."""

    measured_by: tuple[Id, ...] = Field(default=(), alias="from")
    short_of_mm: LengthMm | None = Field(default=None, alias="short_of")
    ratio: float = Field(default=1.0, gt=0, le=4)
    start_mm: LengthMm = Field(alias="start")
    up_to: float | None = Field(default=None, gt=1, le=4)
    until: Text
    source: Text


class Limit(Rule):
    """The most that may be changed, and on whose word."""

    amount_mm: LengthMm = Field(alias="amount")
    source: Text


class Condition(Rule):
    """When an alteration is to be avoided: a body note, a symptom seen, a symptom looked for and absent, or history."""

    body: Id | None = None
    symptom: Id | None = None
    absent: Id | None = None
    done: Id | None = None
    because: Text

    @property
    def kind_and_id(self) -> tuple[str, str]:
        """`("body", "flat-seat")` and so on; the checks see to it that exactly one is given."""
        for kind in ("body", "symptom", "absent", "done"):
            if value := getattr(self, kind):
                return kind, value
        return "", ""


class FollowUp(Rule):
    """A next alteration that counts only if the named symptom shows after this one."""

    if_seen: Id = Field(alias="if")
    do: Id
    because: Text


class Expects(Rule):
    """What the next try-on should show: by how much the amount of a symptom changes per amount altered, with its range."""

    symptom: Id
    change: float = Field(ge=-3, le=3)
    range: tuple[float, float]
    source: Text


class Alteration(Rule):
    """What is cut, how much, and what it does to the rest."""

    id: Id
    title: Text
    draft: YesNo = False
    stage: Stage
    operation: Geometry
    seams: tuple[Id, ...] = Field(min_length=1)
    amount: Amount
    most_a_round: Limit
    most_in_all: Limit | None = None
    sides: Literal["as-seen", "both"]
    why: Text
    cloth: tuple[Text, ...] = Field(min_length=1)
    paper: tuple[Text, ...] = Field(min_length=1)
    true_up: tuple[Text, ...] = Field(min_length=1)
    effects: tuple[Text, ...] = Field(min_length=1)
    worsens: Mapping[Id, Id] = Field(default_factory=dict)
    brings: Mapping[Id, Id] = Field(default_factory=dict)
    avoid_when: tuple[Condition, ...] = ()
    careful_when: tuple[Condition, ...] = ()
    check_next: tuple[Text, ...] = Field(min_length=1)
    expects: tuple[Expects, ...] = ()
    opposite: Id | None = None
    follow_ups: tuple[FollowUp, ...] = ()
    source: Text


def _one_or_many(value: object) -> object:
    return [value] if isinstance(value, str) else value


Ids = Annotated[tuple[Id, ...], BeforeValidator(_one_or_many)]


class Order(Rule):
    """`first` before `then` (alterations or whole stages), or `either`: these never in the same round."""

    first: Ids = ()
    then: Ids = ()
    first_stage: Stage | None = None
    then_stage: Stage | None = None
    either: Ids = ()
    because: Text
    source: Text


class EaseRow(Rule):
    """Ease on one measure, perhaps only for a band of hip girths (`hip_from` counts in, `hip_under` does not)."""

    measure: BodyMeasure
    at_least_mm: LengthMm | None = Field(default=None, alias="at_least")
    at_most_mm: LengthMm | None = Field(default=None, alias="at_most")
    hip_from_mm: LengthMm | None = Field(default=None, alias="hip_from")
    hip_under_mm: LengthMm | None = Field(default=None, alias="hip_under")
    note: Text | None = None


class EaseTable(Rule):
    """A published table of ease. Tables that disagree stay apart; the fitter picks one."""

    id: Id
    title: Text
    source: Text
    place: Text | None = None
    rows: tuple[EaseRow, ...] = Field(min_length=1)


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
    source: Text


class SimulatedSign(Rule):
    """Which reading of simulated cloth a symptom is: mm of the symptom per unit of the reading, and when it is seen.

    `whole`: the reading itself is the sign, not its change against the right pattern on the same body.
    """

    id: Id
    symptom: Id
    reading: Id
    mm: float | None = Field(default=None, ge=-100, le=100)
    seen_from: float = Field(gt=0)
    whole: YesNo = False
    source: Text


class Caution(Rule):
    """A caution shown once, where it applies."""

    when: Literal["always", "pinning", "cutting", "photos", "pressing"]
    text: Text


class About(Rule):
    """`rulebase.yaml`: what this rule base is for, and the names of seams its rules use."""

    format: Literal["fitdiag.rules/1"] = Field(alias="schema")
    garment: Id
    title: Text
    seams: tuple[Id, ...]
    cautions: tuple[Caution, ...]


class WordTable(Rule):
    """Words and the numbers they stand for, with the source of the numbers."""

    source: Text
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


@dataclass(frozen=True)
class RuleBase:
    """A whole rule base: every rule by id, in the order of the files, and the place each was read from."""

    about: About
    words: Words
    sources: Mapping[str, Source]
    body_notes: Mapping[str, BodyNote]
    symptoms: Mapping[str, Symptom]
    causes: Mapping[str, Cause]
    alterations: Mapping[str, Alteration]
    order: tuple[Order, ...]
    ease: Mapping[str, EaseTable]
    cloths: Mapping[str, Cloth]
    simulated_signs: Mapping[str, SimulatedSign]
    fingerprint: str
    places: Mapping[tuple[str, str], Where] = field(default_factory=dict, repr=False, compare=False)

    def in_units(self, units: Units) -> RuleBase:
        """The same rules with the lengths in their texts written in inches, or in centimetres."""
        return self._in_inches if units == "in" else self._in_centimetres

    @cached_property
    def _in_inches(self) -> RuleBase:
        return _spoken(self, "in")

    @cached_property
    def _in_centimetres(self) -> RuleBase:
        return _spoken(self, "cm")

    def setting(self, name: str) -> float:
        """A number from the `settings` table of words.yaml."""
        return self.words.settings.words[name]

    @cached_property
    def believed(self) -> Mapping[str, Cause]:
        """The causes that take part in a diagnosis: all but drafts."""
        return {cause.id: cause for cause in self.causes.values() if cause.status != "draft"}

    @cached_property
    def causes_of(self) -> Mapping[str, tuple[str, ...]]:
        """Symptom id to the ids of the causes that show it."""
        table: dict[str, list[str]] = {symptom: [] for symptom in self.symptoms}
        for cause in self.believed.values():
            for link in cause.shows:
                table[link.symptom].append(cause.id)
        return {symptom: tuple(ids) for symptom, ids in table.items()}

    @cached_property
    def cures_of(self) -> Mapping[str, tuple[str, ...]]:
        """Alteration id to the ids of the causes it cures."""
        table: dict[str, list[str]] = {alteration: [] for alteration in self.alterations}
        for cause in self.believed.values():
            for alteration in cause.cured_by:
                table[alteration].append(cause.id)
        return {alteration: tuple(ids) for alteration, ids in table.items()}

    def find(self, rule_id: str) -> tuple[str, Any] | None:
        """The kind ("symptom", "cause", …) and the rule of an id; None if there is none."""
        for kind, table in (
            ("symptom", self.symptoms),
            ("body note", self.body_notes),
            ("cause", self.causes),
            ("alteration", self.alterations),
            ("source", self.sources),
        ):
            if rule_id in table:
                return kind, table[rule_id]
        return None


_SPOKEN = frozenset((
    "title", "ask", "look", "what", "how", "judge", "why", "may_stay", "not_when", "tell", "cloth", "paper", "true_up", "effects",
    "check_next", "cut", "hinge", "until", "because", "measure", "look_alikes", "operation", "amount", "avoid_when",
    "careful_when", "follow_ups",
))  # fmt: skip


def _spoken(base: RuleBase, units: Units) -> RuleBase:
    """Rules whose texts speak in one kind of units; it is its own translation into them."""

    def all_in(rules: Mapping[str, Any]) -> Mapping[str, Any]:
        return {name: _said(rule, units) for name, rule in rules.items()}

    spoken = replace(
        base, body_notes=all_in(base.body_notes), symptoms=all_in(base.symptoms), causes=all_in(base.causes),
        alterations=all_in(base.alterations), order=tuple(_said(rule, units) for rule in base.order),
    )  # fmt: skip
    spoken.__dict__["_in_inches" if units == "in" else "_in_centimetres"] = spoken
    return spoken


@cache
def _texts(model: type[BaseModel]) -> tuple[str, ...]:
    return tuple(name for name in model.model_fields if name in _SPOKEN)


def _said(value: Any, units: Units) -> Any:
    kind = type(value)
    if kind is str:
        return in_units(value, units)
    if kind is tuple:
        if not value:
            return value
        said = tuple([_said(item, units) for item in value])
        return value if all(map(is_, said, value)) else said
    if isinstance(value, BaseModel):
        changed = {}
        for name in _texts(value.__class__):
            old = getattr(value, name)
            if old is not None and (new := _said(old, units)) is not old:
                changed[name] = new
        return value.model_copy(update=changed) if changed else value
    return value
