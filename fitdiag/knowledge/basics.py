"""Base types of all rules: a frozen model that forbids unknown keys, ids, texts, and lengths with a unit."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from functools import cache
from operator import is_
from typing import Annotated, Any, TypeAlias

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    StringConstraints,
    ValidationInfo,
    model_validator,
)

from fitdiag.knowledge.reading import wrong
from fitdiag.problems import Hints, one_line
from fitdiag.units import InvalidLengthError, Units, in_units, parse_length


def length_mm(value: object) -> float:
    """Parse a length with a unit, like `2 cm`, to mm. Raises ValueError."""
    if not isinstance(value, str):
        raise ValueError("a length is text with a unit, like 3/4 in or 2 cm")
    try:
        return parse_length(value).mm
    except InvalidLengthError as error:
        raise ValueError(str(error)) from None


def _signed_length(value: object) -> float:
    """Parse a length that may be negative, like `-3 mm`, to mm."""
    if isinstance(value, str) and value.strip()[:1] in ("-", "\u2212"):
        return -length_mm(value.strip()[1:])
    return length_mm(value)


def one_or_many(value: object) -> object:
    """Wrap a single text or mapping in a list."""
    return [value] if isinstance(value, str | Mapping) else value


def short_for(key: str) -> BeforeValidator:
    """Accept a bare value as short for a block with that one key."""
    return BeforeValidator(lambda value: value if isinstance(value, Mapping | list) else {key: value})


def _yes_no(value: object) -> bool:
    if isinstance(value, bool) or value in ("yes", "no"):
        return value in (True, "yes")
    raise ValueError("write yes or no")


Id = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$", max_length=60)]
Text = Annotated[str, StringConstraints(min_length=1, max_length=1500, strip_whitespace=True)]
LengthMm = Annotated[float, BeforeValidator(length_mm)]
SignedMm = Annotated[float, BeforeValidator(_signed_length)]
YesNo = Annotated[bool, BeforeValidator(_yes_no)]


class Names:
    """The known names of each kind. A rule validated with this as context has every id, word and part it names looked up.

    `parts`: the part names that all the given pieces share.
    """

    def __init__(self, known: Mapping[str, Collection[str]], parts: Parts = lambda _: {}) -> None:
        self.known, self.parts, self.hints = known, parts, Hints()
        self.used: set[tuple[str, str]] = set()

    def look_up(self, kind: str, name: str, on: tuple[str, ...] = ()) -> None:
        """Raise PydanticCustomError if there is no such name; any name passes for a kind with no names."""
        self.used.add((kind, name))
        known = self.known.get(kind, self.parts(on).get(kind))
        if known is not None and name not in known:
            listed = f"`fitdiag rules list {kind.replace(' ', '-')}s` shows them all" if kind in _LISTED else ""
            raise wrong(
                "unknown-id", f"there is no {kind} '{one_line(name, 60)}'", self.hints.near(name, known) or listed
            )


_LISTED = ("symptom", "body note", "cause", "alteration", "source")
Parts = Callable[[tuple[str, ...]], Mapping[str, Collection[str]]]
Info: TypeAlias = "ValidationInfo[Names | None]"


def source_key(text: str) -> str:
    """The key of a source reference: `hertzer-1892, p. 20` cites `hertzer-1892`."""
    return text.split(",", 1)[0].strip()


def refs(names_in: Callable[[str], Iterable[tuple[str, str]]]) -> AfterValidator:
    """Mark a field whose text names things; `names_in` gives their (kind, name). In a move they are parts of its pieces."""

    def looked_up(value: str, info: Info) -> str:
        if (names := info.context) is not None:
            for kind, name in names_in(value):
                names.look_up(kind, name, info.data.get("on", ()))
        return value

    return AfterValidator(looked_up)


def ref(kind: str) -> AfterValidator:
    """Mark a field whose text is the id of a rule, a word of a table or the name of a part; `kind`: what it names."""
    return refs(lambda text: [(kind, source_key(text) if kind == "source" else text)])


SymptomId = Annotated[Id, ref("symptom")]
NoteId = Annotated[Id, ref("body note")]
CauseId = Annotated[Id, ref("cause")]
AlterationId = Annotated[Id, ref("alteration")]
SymptomIds = Annotated[tuple[SymptomId, ...], BeforeValidator(one_or_many)]
NoteIds = Annotated[tuple[NoteId, ...], BeforeValidator(one_or_many)]
AlterationIds = Annotated[tuple[AlterationId, ...], BeforeValidator(one_or_many)]
StageId = Annotated[Id, ref("stage")]
Cites = Annotated[Text, ref("source")]
HowOften = Annotated[Id, ref("how-often word")]
MoreOrLess = Annotated[Id, ref("more-or-less word")]
HowWell = Annotated[Id, ref("how-well word")]


def without_nothing(data: Any) -> Any:
    """A mapping without its empty (None) values; anything else unchanged."""
    return {key: value for key, value in data.items() if value is not None} if isinstance(data, dict) else data


class Part(BaseModel):
    """A block of a hand-written file: an empty value counts as left out, an unknown key is a fault."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True, defer_build=True)

    _without_nothing = model_validator(mode="before")(without_nothing)


class Strict:
    """Mixin for dataclasses that pydantic reads from files like a `Part`."""

    __pydantic_config__ = ConfigDict(extra="forbid")
    _without_nothing = model_validator(mode="before")(without_nothing)


class Rule(BaseModel):
    """Base of all rules: frozen; an unknown key is a fault."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


_SPOKEN = frozenset((
    "title", "ask", "look", "what", "how", "judge", "why", "may_stay", "not_when", "tell", "cloth", "paper", "true_up", "effects",
    "check_next", "cut", "hinge", "until", "because", "measure", "look_alikes", "operation", "amount", "avoid_when",
    "careful_when", "follow_ups",
))  # fmt: skip


@cache
def _texts(model: type[BaseModel]) -> tuple[str, ...]:
    return tuple(name for name in model.model_fields if name in _SPOKEN)


def converted(value: Any, units: Units) -> Any:
    """A rule, a text or a tuple of them with every length written in `units`; the same object if there is none."""
    if isinstance(value, str):
        return in_units(value, units)
    if isinstance(value, tuple):
        parts = tuple([converted(item, units) for item in value])
        return value if all(map(is_, parts, value)) else parts
    if isinstance(value, BaseModel):
        changed = {}
        for name in _texts(value.__class__):
            old = getattr(value, name)
            if old is not None and (new := converted(old, units)) is not old:
                changed[name] = new
        return value.model_copy(update=changed) if changed else value
    return value
