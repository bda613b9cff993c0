"""What a rule base is made of: the format of every file under `rules/`, as immutable values.

Lengths are text with a unit in the files and millimetres here (`..._mm`). Words stay words; `words.yaml` has their numbers.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BeforeValidator, Field, StringConstraints

from fitdiag.knowledge.about import About, Cloth, Everyday, FigureMove, Renamed, SimulatedSign, Words
from fitdiag.knowledge.basics import (
    AlterationId,
    AlterationIds,
    CauseId,
    Cites,
    HowOften,
    HowWell,
    Id,
    LengthMm,
    MoreOrLess,
    NoteId,
    NoteIds,
    Rule,
    SignedMm,
    StageId,
    SymptomId,
    SymptomIds,
    Text,
    YesNo,
    converted,
    one_or_many,
    ref,
    short_for,
    source_key,
)
from fitdiag.knowledge.garment import Garment, MeasureRef, Move, Operation
from fitdiag.knowledge.reading import Places
from fitdiag.plausible import BODY_MM
from fitdiag.problems import one_line
from fitdiag.units import Units

Item = TypeVar("Item")
View = Literal["front", "side", "back", "worn", "paper"]
Grade = Literal["published", "common-practice", "memory", "judgement", "geometry", "simulated"]
Seen = Literal["yes", "no", "unsure"]
WearerText = Literal["title", "why", "cloth", "paper", "true_up", "check_next"]
Severity = Literal["slight", "clear", "strong"]


class Source(Rule):
    """A source that rules cite. `where`: bibliographic reference; `grade`: the kind of backing it gives."""

    id: Id
    title: Text
    grade: Grade
    where: Text | None = None
    note: Text | None = None


class AtRest(Rule):
    """The reading of a measurable sign on a right block, and its standard deviation over bodies.

    `moves_with`: factors shared by several signs over bodies, with this sign's change per standard deviation.
    """

    reads_mm: SignedMm = Field(alias="reads")
    scatter_mm: LengthMm = Field(alias="scatter")
    moves_with: Mapping[Id, SignedMm] = Field(default_factory=dict)
    source: Cites


class RestRow(AtRest):
    """The reading of one symptom on a right block, in a table of its own."""

    symptom: SymptomId


class Measure(Rule):
    """How a symptom is measured. `worse: less` means that a small amount is the sign (a distance that is too short).

    `mirror_of`: the same reading with the opposite sign, as a rising line is one that dips by a negative amount. `same_as`: the
    same distance with its other end as the sign, like near and far. `largest`: the largest possible amount; more is a slip.
    """

    what: Text
    how: Text
    worse: Literal["more", "less"]
    seen_from_mm: LengthMm = Field(alias="seen_from")
    give_mm: LengthMm = Field(alias="give")
    grades_mm: Mapping[Severity, LengthMm] = Field(alias="grades")
    on_pattern: MeasureRef | None = None
    mirror_of: SymptomId | None = None
    same_as: SymptomId | None = None
    at_rest: Annotated[tuple[AtRest, ...], BeforeValidator(one_or_many)] = ()
    largest_mm: LengthMm | None = Field(default=None, alias="largest")
    source: Cites

    @property
    def most_mm(self) -> float:
        """The largest amount that can be meant; a larger one is a slip of the unit."""
        if self.largest_mm is not None:
            return self.largest_mm
        return _FAR_MM if self.worse == "less" else _FAR * max(self.seen_from_mm, *self.grades_mm.values(), 10.0)


_FAR, _FAR_MM = 4.0, 400.0  # times the mark for strong; for a distance where less is worse; a fitter's judgement


def _known_measure(name: str) -> str:
    if name not in BODY_MM:
        raise ValueError(f"'{name[:40]}' is not one of {', '.join(BODY_MM)}")
    return name


BodyMeasure = Annotated[str, AfterValidator(_known_measure)]


class FromEase(Rule):
    """The measure check that answers a symptom: the pattern is under, or over, body plus ease."""

    measure: BodyMeasure
    side: Literal["under", "over"] = Field(alias="is")


class FromPhoto(Rule):
    """The quantity measured in pictures that answers a symptom: of these lines, the one that shows most.

    `drop`: the middle lower than the side seams; `rise`: higher; `dip`: half way to a side seam lower than there; `v-depth`: at the centre
    seam, over 6 cm; `slope`: between the side seams; `lean`, `lean-out`: off plumb over 60 cm, either way or outwards;
    `from-centre`: from the centre seam to the grainline at the waist. A sign that is this one turned round needs no link.
    """

    lines: tuple[Annotated[Id, ref("line")], ...] = Field(min_length=1)
    what: Literal["drop", "rise", "dip", "v-depth", "slope", "lean", "lean-out", "from-centre"]
    of: Literal["back", "front"] = "back"  # for slope and lean either


class Wearer(Rule):
    """What the wearer is asked in place of the fitter, and how to look and measure alone; `graded: no`: only yes or no."""

    ask: Text | None = None
    look: str = ""
    how: str = ""
    graded: YesNo = True


class Symptom(Rule):
    """A sign on the cloth or a thing felt."""

    id: Id
    title: Annotated[str, StringConstraints(min_length=3, max_length=75)]
    draft: YesNo = False
    ask: Text
    look: Text
    views: tuple[View, ...] = Field(min_length=1)
    by: Annotated[Id, ref("word for how the answer is got")]
    felt: YesNo = False
    whole: YesNo = False  # cannot be on one side only
    one_side: YesNo = False  # cannot be on both: one side against the other
    needs: tuple[SymptomId, ...] = ()  # asked only if one of these was seen
    opposite: SymptomIds = ()  # signs that exclude it
    seen_anyway: Annotated[Id, ref("seen-anyway word")]
    source: Cites
    search: tuple[Text, ...] = ()
    from_ease: FromEase | None = None
    from_photo: FromPhoto | None = None
    measure: Measure | None = None
    wearer: Wearer | None = None
    confused_with: tuple[SymptomId, ...] = ()

    @property
    def axis(self) -> str:
        """The id of the symptom whose measure it shares: its mirror, the other end of the same distance, or itself."""
        return (self.measure and (self.measure.mirror_of or self.measure.same_as)) or self.id


class NoteMeasure(Rule):
    """How a body note is measured, and its thresholds for some and marked."""

    what: Text
    worse: Literal["more", "less"]
    some_mm: LengthMm = Field(alias="some")
    marked_mm: LengthMm = Field(alias="marked")
    source: Cites


class BodyNote(Rule):
    """A shape or stance, in neutral words; it shifts the prior odds of causes."""

    id: Id
    title: Annotated[str, StringConstraints(min_length=3, max_length=75)]
    judge: Text
    measure: NoteMeasure | None = None
    figure: tuple[FigureMove, ...] = ()
    private: YesNo = False
    opposite: NoteIds = ()
    source: Cites
    search: tuple[Text, ...] = ()


class Slope(Rule):
    """Change of a measurable sign in mm per mm of a cause's extent, and its standard deviation over bodies."""

    ratio: float = Field(ge=-10, le=10)
    scatter: float = Field(ge=0, le=10)
    source: Cites


class Shows(Rule):
    """One link: how often a cause shows a symptom and, where known, how much of it an extent gives (`per`).

    `across`: it shows on the other side than the cause is on, as spare length lies under the lower hip.
    """

    symptom: SymptomId
    how_often: HowOften
    per: Annotated[tuple[Slope, ...], BeforeValidator(one_or_many)] = ()
    source: Cites
    note: Text | None = None
    across: YesNo = False


class SlopeRow(Slope):
    """A slope in a table of its own, like those fitted to simulated muslins; it needs no link."""

    cause: CauseId
    symptom: SymptomId


class Extent(Rule):
    """The prior of a cause's extent in mm: a normal distribution truncated at 0."""

    what: Text
    usual_mm: LengthMm = Field(alias="usual")
    spread_mm: LengthMm = Field(alias="spread")
    source: Cites


class Cure(Rule):
    """How well an alteration cures a cause, and how much of the cause's extent 1 mm of it takes.

    Below 0: the alteration is done the other way, as one that lengthens a leg shortens it. 0: the extent does not say how much.
    """

    how_well: HowWell
    takes: float = Field(default=1.0, ge=-10, le=10)


class LookAlike(Rule):
    """A cause this one is mistaken for, and the symptoms that tell them apart."""

    cause: CauseId
    tell: Text
    by: tuple[SymptomId, ...] = ()


class Cause(Rule):
    """A fault of the pattern: how common it is, what it shows and what cures it."""

    id: Id
    title: Text
    status: Literal["draft", "trial", "tested", "settled"]
    base_rate: Annotated[Id, ref("base-rate word")]
    why: Text
    source: Cites
    extent: Extent | None = None
    opposite: CauseId | None = None
    shows: tuple[Shows, ...] = Field(min_length=1)
    body: Mapping[NoteId, MoreOrLess] = Field(default_factory=dict)
    after: Mapping[AlterationId, MoreOrLess] = Field(default_factory=dict)
    cured_by: Mapping[AlterationId, Annotated[Cure, short_for("how_well")]] = Field(default_factory=dict)
    may_stay: Text | None = None
    not_when: tuple[Text, ...] = Field(min_length=1)
    look_alikes: tuple[LookAlike, ...] = ()


class Drawn(Rule):
    """The texts on the drawing of an alteration, in place of those for its kind of move.

    `told`: the line on the page; `steps`: the captions of the small pictures except the last, which is the trueing. `{amount}`
    stands for the amount, and the name of a height of the move, like `{knee}`, for what is moved there.
    """

    told: Text
    steps: tuple[Text, ...] = ()


class Geometry(Rule):
    """The geometric operation behind an alteration, in words and as moves on the paper.

    `both_ways`: a negative amount has a meaning (shorter for longer). `one_side`: it is done on one side of the client only.
    """

    does: Operation
    piece: Text
    cut: Text
    hinge: Text
    both_ways: YesNo = False
    one_side: YesNo = False
    moves: tuple[Move, ...] = ()
    drawn: Drawn | None = None


class SomeEdges(Rule):
    count: int = Field(ge=2, le=8)
    where: Text


class Edges(SomeEdges):
    """An amount applied at several edges: those that each take it, and those that take half."""

    half: SomeEdges | None = None

    @property
    def in_all(self) -> float:
        """The total over all edges, in multiples of the amount."""
        return self.count + (self.half.count / 2.0 if self.half is not None else 0.0)


class SecondAmount(Rule):
    """The second dimension of an alteration, from the extent of another cause."""

    what: Text
    cause: CauseId
    start_mm: LengthMm = Field(alias="start")
    most_mm: LengthMm = Field(alias="most")


class Ways(Rule):
    """Words for the amount of an alteration that goes either way."""

    more: Text
    less: Text


class Aim(Rule):
    """The target for a measure of the pattern: the symptom that reads it, and its amount when right."""

    symptom: SymptomId
    reads_mm: LengthMm = Field(alias="reads")


class Amount(Rule):
    """How much: from the extents of the causes it cures (`Cause.extent`), or a careful start; and when to stop.

    What goes both ways has words for either (`ways`), where the signs say which it is, or says what else tells it (`which_way`).
    """

    start_mm: LengthMm = Field(alias="start")
    until: Text
    aim: Aim | None = None
    edges: Edges | None = None
    second: SecondAmount | None = None
    ways: Ways | None = None
    which_way: Text | None = None
    source: Cites


class Limit(Rule):
    """The most that may be changed, with its source."""

    amount_mm: LengthMm = Field(alias="amount")
    source: Cites


class Condition(Rule):
    """When an alteration is to be avoided: a body note, a symptom seen, a symptom looked for and absent, or history."""

    body: NoteId | None = None
    symptom: SymptomId | None = None
    absent: SymptomId | None = None
    done: AlterationId | None = None
    because: Text

    @property
    def kind_and_id(self) -> tuple[str, str]:
        """`("body", "flat-seat")` and so on; the checks make sure exactly one is given."""
        for kind in ("body", "symptom", "absent", "done"):
            if value := getattr(self, kind):
                return kind, value
        return "", ""


class FollowUp(Rule):
    """A next alteration that counts only if the named symptom shows after this one; `one_side`: then on one side alone."""

    if_seen: SymptomId = Field(alias="if")
    do: AlterationId
    because: Text
    one_side: YesNo = False


class Expects(Rule):
    """What the next try-on should show: change of a symptom in mm per mm altered, with its range."""

    symptom: SymptomId
    change: float = Field(ge=-3, le=3)
    range: tuple[float, float]
    source: Cites


class Alteration(Rule):
    """What is cut, how much, and what it does to the rest."""

    id: Id
    title: Text
    draft: YesNo = False
    search: tuple[Text, ...] = ()
    stage: StageId
    operation: Geometry
    seams: tuple[Annotated[Id, ref("seam in rulebase.yaml")], ...] = Field(min_length=1)
    amount: Amount
    most_a_round: Limit
    most_in_all: Limit | None = None
    sides: Literal["as-seen", "both"]
    why: Text
    cloth: tuple[Text, ...] = Field(min_length=1)
    paper: tuple[Text, ...] = Field(min_length=1)
    true_up: tuple[Text, ...] = Field(min_length=1)
    # what the wearer reads, steps by number
    wearer: Mapping[WearerText, Text | Mapping[int, Text]] = Field(default_factory=dict)
    effects: tuple[Text, ...] = Field(min_length=1)
    # change of a pattern measure per amount altered
    effects_on: Mapping[MeasureRef, float] = Field(default_factory=dict)
    worsens: Mapping[CauseId, HowWell] = Field(default_factory=dict)
    brings: Mapping[SymptomId, HowOften] = Field(default_factory=dict)
    avoid_when: tuple[Condition, ...] = ()
    careful_when: tuple[Condition, ...] = ()
    check_next: tuple[Text, ...] = Field(min_length=1)
    expects: tuple[Expects, ...] = ()
    opposite: AlterationId | None = None
    follow_ups: tuple[FollowUp, ...] = ()
    source: Cites

    @property
    def goes_back(self) -> bool:
        """Whether a negative amount has a meaning, here or as another alteration."""
        return self.operation.both_ways or self.opposite is not None


class Order(Rule):
    """`first` before `then` (alterations or whole stages), or `either`: these never in the same round."""

    first: AlterationIds = ()
    then: AlterationIds = ()
    first_stage: StageId | None = None
    then_stage: StageId | None = None
    either: AlterationIds = ()
    because: Text
    source: Cites


class EaseRow(Rule):
    """Ease on one measure, perhaps only for a band of hip girths (`hip_from` counts in, `hip_under` does not)."""

    measure: BodyMeasure
    at_least_mm: LengthMm | None = Field(default=None, alias="at_least")
    at_most_mm: LengthMm | None = Field(default=None, alias="at_most")
    hip_from_mm: LengthMm | None = Field(default=None, alias="hip_from")
    hip_under_mm: LengthMm | None = Field(default=None, alias="hip_under")
    note: Text | None = None


class EaseTable(Rule):
    """A published table of ease. Tables that disagree are kept apart; the fitter picks one."""

    id: Id
    title: Text
    source: Cites
    place: Text | None = None
    rows: tuple[EaseRow, ...] = Field(min_length=1)


@dataclass(frozen=True)
class Kind:
    """A kind of rule: its name in messages, the pattern of its files, its model, and its table in a `RuleBase`."""

    called: str
    files: str
    model: type[Rule]
    table: str
    has_page: bool = False  # can be shown by its id

    @property
    def has_ids(self) -> bool:
        """Whether its table maps ids to rules; else it is a tuple of rules."""
        return "id" in self.model.model_fields

    @property
    def one_a_file(self) -> bool:
        """Whether each rule is a file of its own; else a file holds a list of them."""
        return "**" in self.files

    def tabled(self, rules: Iterable[Any]) -> Any:
        """Rules of this kind in the form of their table."""
        return {rule.id: rule for rule in rules} if self.has_ids else tuple(rules)


KINDS = (
    Kind("source", "sources*.yaml", Source, "sources", has_page=True),
    Kind("body note", "body-notes*.yaml", BodyNote, "body_notes", has_page=True),
    Kind("symptom", "symptoms/*.yaml", Symptom, "symptoms", has_page=True),
    Kind("cause", "causes/**/*.yaml", Cause, "causes", has_page=True),
    Kind("alteration", "alterations/**/*.yaml", Alteration, "alterations", has_page=True),
    Kind("order", "order*.yaml", Order, "order"),
    Kind("ease table", "ease-tables*.yaml", EaseTable, "ease"),
    Kind("cloth", "cloths*.yaml", Cloth, "cloths"),
    Kind("simulated sign", "simulated-signs*.yaml", SimulatedSign, "simulated_signs"),
    Kind("slope", "slopes*.yaml", SlopeRow, "slopes"),
    Kind("rest", "at-rest*.yaml", RestRow, "rests"),
    Kind("renamed", "renamed*.yaml", Renamed, "renamed"),
    Kind("everyday", "everyday/*.yaml", Everyday, "everyday"),
)


def _grouped(names: Iterable[str], pairs: Iterable[tuple[str, Item]]) -> Mapping[str, tuple[Item, ...]]:
    """Group the items of (name, item) pairs by name, in order; a name without any gets ()."""
    table: dict[str, list[Item]] = {name: [] for name in names}
    for name, item in pairs:
        table.setdefault(name, []).append(item)
    return {name: tuple(items) for name, items in table.items()}


@dataclass(frozen=True)
class RuleBase:
    """A whole rule base: rules by id, in the order of the files, and the place each was read from."""

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
    slopes: tuple[SlopeRow, ...]
    rests: tuple[RestRow, ...]
    renamed: tuple[Renamed, ...]
    everyday: tuple[Everyday, ...]
    fingerprint: str
    garment: Garment | None = None
    places: Places = field(default_factory=Places, repr=False, compare=False)

    def rules(self, kind: Kind) -> Collection[Any]:
        table: Any = getattr(self, kind.table)
        return table.values() if kind.has_ids else table  # type: ignore[no-any-return]

    def in_units(self, units: Units) -> "RuleBase":
        """The same rules with the lengths in their texts written in inches, or in centimetres."""
        key = ("in units", units)
        if key not in self.worked_out:
            tables: dict[str, Any] = {
                name: {rule_id: converted(rule, units) for rule_id, rule in getattr(self, name).items()}
                for name in ("body_notes", "symptoms", "causes", "alterations")
            }
            copy = replace(self, order=converted(self.order, units), **tables)
            self.worked_out[key] = copy.worked_out[key] = copy  # already in these units
        in_these_units: RuleBase = self.worked_out[key]
        return in_these_units

    def setting(self, name: str) -> float:
        """A number from the `settings` table of words.yaml."""
        return self.words.settings.words[name]

    @cached_property
    def believed(self) -> Mapping[str, Cause]:
        """The causes used in diagnosis: all but drafts."""
        return {cause.id: cause for cause in self.causes.values() if cause.status != "draft"}

    def is_simulated(self, source: str) -> bool:
        return self.sources[source_key(source)].grade == "simulated"

    @cached_property
    def undone_by(self) -> Mapping[str, tuple[str, ...]]:
        """Alteration id to the alterations it undoes."""
        pairs = [(rule.id, rule.opposite) for rule in self.alterations.values() if rule.opposite]
        return _grouped(self.alterations, dict.fromkeys([*pairs, *((other, rule_id) for rule_id, other in pairs)]))

    @cached_property
    def worked_out(self) -> dict[tuple[object, ...], Any]:
        """Cache for what other packages compute once for these rules, by keys of their own."""
        return {}

    @cached_property
    def slopes_of(self) -> Mapping[str, Mapping[str, tuple[Slope, ...]]]:
        """Cause id to the measurable symptoms its extent moves, with their known slopes, links before tables."""
        table: dict[str, dict[str, list[Slope]]] = {cause: {} for cause in self.believed}
        for cause in self.believed.values():
            for link in cause.shows:
                if link.per:
                    table[cause.id][link.symptom] = list(link.per)
        for row in self.slopes:
            if row.cause in table:
                table[row.cause].setdefault(row.symptom, []).append(row)
        return {cause: {name: tuple(slopes) for name, slopes in known.items()} for cause, known in table.items()}

    @cached_property
    def simulated_causes(self) -> frozenset[str]:
        """The causes with slopes from simulation."""
        return frozenset(row.cause for row in self.slopes if self.is_simulated(row.source))

    @cached_property
    def rests_of(self) -> Mapping[str, tuple[AtRest, ...]]:
        """Symptom id to its known readings on a right block."""
        measured = {rule.id: rule.measure.at_rest for rule in self.symptoms.values() if rule.measure is not None}
        links = [(symptom, row) for symptom, rows in measured.items() for row in rows]
        return _grouped(measured, [*links, *((row.symptom, row) for row in self.rests)])

    @cached_property
    def mirrors(self) -> Mapping[str, str]:
        """Symptom id to the symptom that is the same reading in the other direction."""
        measured = ((rule.id, rule.measure) for rule in self.symptoms.values() if rule.measure is not None)
        return {first: mirror for mirror, how in measured if (first := how.mirror_of or how.same_as) is not None}

    @cached_property
    def causes_of(self) -> Mapping[str, Mapping[str, float]]:
        """Symptom id to the causes that show it, each with how often, as a number."""
        shown: dict[str, dict[str, float]] = {symptom: {} for symptom in self.symptoms}
        for cause in self.believed.values():
            for link in cause.shows:
                shown[link.symptom][cause.id] = self.words.how_often.words[link.how_often]
        return shown

    @cached_property
    def cures_of(self) -> Mapping[str, Mapping[str, float]]:
        """Alteration id to the causes it cures, each with how well, as a number."""
        cured: dict[str, dict[str, float]] = {alteration: {} for alteration in self.alterations}
        for cause in self.believed.values():
            for name, cure in cause.cured_by.items():
                cured[name][cause.id] = self.words.how_well.words[cure.how_well]
        return cured

    def find(self, rule_id: str) -> tuple[str, Any] | None:
        """The kind ("symptom", "cause", …) and rule with an id; None if there is none."""
        for kind in KINDS:
            if kind.has_page and rule_id in (table := getattr(self, kind.table)):
                return kind.called, table[rule_id]
        return None

    def title(self, rule_id: str) -> str:
        """The title of the rule with an id; for one these rules do not know, the id as one harmless line."""
        found = self.find(rule_id)
        return str(found[1].title) if found else one_line(rule_id, 60)
