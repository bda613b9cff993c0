"""The texts of rules with their lengths in one kind of units."""

from __future__ import annotations

from functools import cache
from operator import is_
from typing import Any

from pydantic import BaseModel

from fitdiag.units import Units, in_units

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
