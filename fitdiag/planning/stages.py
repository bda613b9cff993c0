"""The measures of a pattern through the stages of a plan, as plain values that any report can import cheaply."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

MOVED_MM = 0.5  # a smaller change of a measure is not shown


@dataclass(frozen=True)
class Stage:
    """The pattern's measures in mm at one moment: as it is, or after an alteration by `amount` mm."""

    name: str
    amount: float | None
    measures: Mapping[str, float]


@dataclass(frozen=True)
class Effects:
    """The stages of a plan on the pattern, warnings, amounts solved on it (id to mm), and earlier rounds."""

    stages: tuple[Stage, ...]
    warnings: tuple[str, ...]
    solved: Mapping[str, float]
    grade: str
    history: tuple[Stage, ...] = ()


HONEST = (
    "Simulated cloth on an estimated, hard body that stands still: it cannot show soft flesh, sitting, walking or cloth"
    " caught on cloth, and no real garment has been measured against it. Trust the change more than the number; pin first."
)


@dataclass(frozen=True)
class Shown:
    """One stage of a plan on simulated cloth: readings by name, how far two dressings differ, and the changes in words."""

    alteration: str
    amount: float | None
    readings: Mapping[str, float]
    apart: Mapping[str, float]
    changes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Simulation:
    """A plan on simulated cloth: the body in lines, the block's readings, the pattern and each step, and warnings.

    `pictures`: caption and PNG of the muslin as it is and as the plan leaves it; `laid`: by file name, its lines over the client's
    pictures; `near`: how close the simulation came to this try-on.
    """

    body: tuple[str, ...]
    cloth: str
    block: Mapping[str, float]
    stages: tuple[Shown, ...]
    warnings: tuple[str, ...]
    pictures: tuple[tuple[str, bytes], ...] = ()
    laid: Mapping[str, bytes] = field(default_factory=dict)
    near: tuple[str, ...] = ()

    def of(self, alteration: str) -> Shown | None:
        """The stage of an alteration; None if it was not draped."""
        return next((stage for stage in self.stages if stage.alteration == alteration), None)


def on_each_side(changes: Mapping[str, float], measure: str) -> tuple[float, float]:
    """A measure's change left and right, in mm, whether or not it is given per side; 0 where it is not known."""
    whole = changes.get(measure, 0.0)
    return changes.get(f"{measure}, left", whole), changes.get(f"{measure}, right", whole)


def moving(stages: Sequence[Stage]) -> tuple[str, ...]:
    """The measures that any later stage changes by MOVED_MM or more."""
    if not stages:
        return ()
    first = stages[0].measures
    return tuple(
        name
        for name in first
        if any(abs(stage.measures.get(name, first[name]) - first[name]) >= MOVED_MM for stage in stages[1:])
    )
