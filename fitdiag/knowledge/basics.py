"""What all rules are made of: a frozen model that knows its keys, ids, texts, and lengths written with a unit."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from operator import is_
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, StringConstraints, model_validator

from fitdiag.units import InvalidLengthError, Units, in_units, parse_length


def length_mm(value: object) -> float:
    """A length with a unit in mm. Raises ValueError."""
    if not isinstance(value, str):
        raise ValueError("a length is text with a unit, like 3/4 in or 2 cm")
    try:
        return parse_length(value).mm
    except InvalidLengthError as error:
        raise ValueError(str(error)) from None


def _signed_length(value: object) -> float:
    """A length that may point the other way: `-3 mm`."""
    if isinstance(value, str) and value.strip()[:1] in ("-", "\u2212"):
        return -length_mm(value.strip()[1:])
    return length_mm(value)


def one_or_many(value: object) -> object:
    """A single text or mapping as a list of one."""
    return [value] if isinstance(value, str | Mapping) else value


def _yes_no(value: object) -> bool:
    if isinstance(value, bool) or value in ("yes", "no"):
        return value in (True, "yes")
    raise ValueError("write yes or no")


Id = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$", max_length=60)]
Text = Annotated[str, StringConstraints(min_length=1, max_length=1500, strip_whitespace=True)]
LengthMm = Annotated[float, BeforeValidator(length_mm)]
SignedMm = Annotated[float, BeforeValidator(_signed_length)]
YesNo = Annotated[bool, BeforeValidator(_yes_no)]


@dataclass(frozen=True)
class Ref:
    """Marks a field whose text is the id of a rule, or a word of a table; what kind of thing it names."""

    kind: str


@dataclass(frozen=True)
class PartRef(Ref):
    """Marks a name of `garment.yaml`: a piece, seam, corner, level, height or measure of the garment."""


SymptomId = Annotated[Id, Ref("symptom")]
NoteId = Annotated[Id, Ref("body note")]
CauseId = Annotated[Id, Ref("cause")]
AlterationId = Annotated[Id, Ref("alteration")]
SymptomIds = Annotated[tuple[SymptomId, ...], BeforeValidator(one_or_many)]
NoteIds = Annotated[tuple[NoteId, ...], BeforeValidator(one_or_many)]
AlterationIds = Annotated[tuple[AlterationId, ...], BeforeValidator(one_or_many)]
StageId = Annotated[Id, Ref("stage")]
Cites = Annotated[Text, Ref("source")]
HowOften = Annotated[Id, Ref("how-often word")]
MoreOrLess = Annotated[Id, Ref("more-or-less word")]
HowWell = Annotated[Id, Ref("how-well word")]


def without_nothing(data: Any) -> Any:
    """A mapping without what is left empty in it."""
    return {key: value for key, value in data.items() if value is not None} if isinstance(data, dict) else data


class Part(BaseModel):
    """A block of a file that people write: what is left empty counts as left out, a key not known is a fault."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True, defer_build=True)

    _without_nothing = model_validator(mode="before")(without_nothing)


class Strict:
    """A dataclass that a file may hold as it is: pydantic reads it like a `Part`."""

    __pydantic_config__ = ConfigDict(extra="forbid")
    _without_nothing = model_validator(mode="before")(without_nothing)


class Rule(BaseModel):
    """Common to all: frozen, and a key the format does not know is a fault."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


_SPOKEN = frozenset((
    "title", "ask", "look", "what", "how", "judge", "why", "may_stay", "not_when", "tell", "cloth", "paper", "true_up", "effects",
    "check_next", "cut", "hinge", "until", "because", "measure", "look_alikes", "operation", "amount", "avoid_when",
    "careful_when", "follow_ups",
))  # fmt: skip


@cache
def _texts(model: type[BaseModel]) -> tuple[str, ...]:
    return tuple(name for name in model.model_fields if name in _SPOKEN)


def said(value: Any, units: Units) -> Any:
    """A rule, a text or several with every length written in `units`; itself where there is none."""
    if isinstance(value, str):
        return in_units(value, units)
    if isinstance(value, tuple):
        parts = tuple([said(item, units) for item in value])
        return value if all(map(is_, parts, value)) else parts
    if isinstance(value, BaseModel):
        changed = {}
        for name in _texts(value.__class__):
            old = getattr(value, name)
            if old is not None and (new := said(old, units)) is not old:
                changed[name] = new
        return value.model_copy(update=changed) if changed else value
    return value
