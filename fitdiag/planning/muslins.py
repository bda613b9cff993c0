"""The plan on simulated cloth: the figure, the cloth, the drape after each step, and warnings.

Even a right block dips on a body, so lines are compared with the block of the client's own measures, draped on the same body.
Nothing here was measured on a real garment; the grade is "simulated".
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf

import numpy as np

from fitdiag.drape.body import nudged
from fitdiag.drape.cloth import GRAVITY, Cloth
from fitdiag.drape.figure import MEASURES, ONE_SIDED, SEATED_MORE_MM, Figure, Taken, figure_of
from fitdiag.drape.muslin import Draped, drape, order_of
from fitdiag.drape.readings import READINGS
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.model import BodyNote, RuleBase
from fitdiag.pattern.blocks import block_of, draft_block
from fitdiag.pattern.piece import Pattern
from fitdiag.planning.effects import as_planned
from fitdiag.planning.plan import Plan, Recommendation
from fitdiag.planning.stages import Shown, Simulation
from fitdiag.problems import ProblemsFoundError, one_line, stop
from fitdiag.units import (
    InvalidLengthError,
    Units,
    format_error,
    format_length,
    format_reading,
    parse_length,
    round_length,
)

CALICO = "calico-medium"
PULL_N_M = 100.0  # the pull at which the rules give stretch
MOVED = {"mm": 3.0, "degrees": 1.5, "N": 0.3, "N/m": 6.0, "%": 0.5}  # least change worth mentioning; a judgement
CHANGED = 0.25  # for pulls and pressures also this share of the earlier value
LINE_OFF_MM = 6.0  # a line this far off the block's is seen by a fitter; common practice, no source
PULLS_N_M, PULLS_TIMES = 45.0, 1.7  # a seat pull this strong, and this many times the block's, draws into the cleft
_MOST_LINES = 5
_LEAST = {"degrees": 1.0, "N": 0.01, "N/m": 0.01, "%": 0.01}  # by unit: the smallest step printed
_TIMES = (  # up to this factor: words for growing, for falling
    (1.4, "a little", "a little"), (1.75, "by half", "by a third"), (2.5, "to twice", "to half"),
    (3.5, "to three times", "to a third"), (inf, "to many times", "to a fraction"),
)  # fmt: skip


@dataclass(frozen=True)
class Wearer:
    """The figure, the source of each of its numbers, and the body notes it does not show."""

    figure: Figure
    taken: tuple[Taken, ...]
    not_shown: tuple[str, ...]


def wearer_of(base: RuleBase, measures: Mapping[str, float], notes: Mapping[str, str], units: Units,
              nudges: Mapping[str, float] | None = None) -> Wearer:  # fmt: skip
    """The figure for body measures (mm) and notes; a note has a grade ("some", "marked") or a length, with `left` for the left side.

    `nudges`: how far, in mm, earlier rounds moved parts of it.
    """
    changes: dict[str, tuple[float, str]] = {}
    not_shown = []
    for name, text in notes.items():
        note = base.body_notes[name]
        if text == "no":
            continue
        if not note.figure:
            not_shown.append(note.title)
        for index, move in enumerate(note.figure):
            mm, how = _moved(note, index, text, units)
            if move.moves in ONE_SIDED and "left" in text.split():
                mm = -mm
            changes[move.moves] = (mm, f"{note.title.lower()}, {how}")
    known = {name: mm for name, mm in measures.items() if name in MEASURES}
    figure, taken = figure_of(known, changes, units)
    if nudges:
        figure = nudged(figure, nudges)
        source = "moved so far by what came at try-ons, smaller where below 0"
        taken = (*taken, *(Taken(part, mm, source) for part, mm in nudges.items()))
    return Wearer(figure, taken, tuple(not_shown))


def body_lines(wearer: Wearer, units: Units) -> tuple[str, ...]:
    """The body in lines: what was measured, filled in (with its source), moved by notes, and not shown."""
    by_source: dict[str, list[str]] = {}
    for taken in wearer.taken:
        side = "" if taken.mm >= 0 else " (left)" if taken.name in ONE_SIDED else " less"
        by_source.setdefault(taken.source, []).append(
            f"{taken.name.replace('-', ' ')} {format_reading(abs(taken.mm), units)}{side}"
        )
    lines = [f"{', '.join(names)}: {source}." for source, names in by_source.items()]
    if wearer.not_shown:
        lines.append(f"Not shown on this body: {', '.join(title.lower() for title in wearer.not_shown)}.")
    return tuple(lines)


def _moved(note: BodyNote, index: int, text: str, units: Units) -> tuple[float, str]:
    """How far, in mm, a note moves one part, and the words it was given in."""
    move, words = note.figure[index], text.replace("left", "").replace("right", "").strip()
    some, marked = move.some_mm, move.marked_mm
    if note.measure is not None:
        some = note.measure.some_mm if some is None else some
        marked = note.measure.marked_mm if marked is None else marked
    if words in ("", "some", "yes"):
        return some or 0.0, "some"
    if words == "marked":
        return marked or 0.0, "marked"
    try:
        mm = parse_length(words, units).mm
    except InvalidLengthError as error:
        raise stop("body", f"{note.id}: {error}", hint="write some, marked, or a length like 1.5 cm") from None
    return (mm, "as given") if index == 0 else (some or 0.0, "some")


def cloth_of(base: RuleBase, name: str = CALICO) -> Cloth:
    """A cloth of the rule folder by name, in SI units. Raises ProblemsFoundError if there is none."""
    if not base.cloths and name == CALICO:
        return Cloth()
    if name not in base.cloths:
        raise stop("cloth", f"there is no cloth '{one_line(name, 40)}'", hint=f"there are {', '.join(base.cloths)}")
    kind = base.cloths[name]
    weight = kind.weight / 1000.0
    along, across = (PULL_N_M / (percent / 100.0) for percent in (kind.stretch_along, kind.stretch_across))
    bending = weight * GRAVITY * (kind.bending_length / 1000.0) ** 3
    return Cloth(kind.title, weight, along, across, kind.shear, bending, kind.friction)


def block_for(figure: Figure, pattern: Pattern) -> Pattern:
    """Draft the block for a figure's measures, with the pattern's own hem and length."""
    pieces = tuple(pattern.pieces.values())
    hems = [float(np.ptp(piece.seams[piece.part.stays][:, 0])) for piece in pieces]
    length = float(pieces[0].top[0, 1] - pieces[0].outline[:, 1].min())  # at the centre, where the block has it
    known = {
        "waist": figure.waist, "hip": figure.hip, "rise": figure.crotch_depth + SEATED_MORE_MM, "waist_to_hip": figure.waist_to_hip,
        "waist_to_floor": figure.waist_height, "bottom": sum(hems) / 2, "length": length,
    }  # fmt: skip
    asked = {one.name: (one, known.get(one.name, one.usual)) for one in block_of(pattern.garment).asked}
    return draft_block(pattern.garment, {name: min(max(mm, one.least), one.most) for name, (one, mm) in asked.items()})


def simulate(
    base: RuleBase, plan: Plan, findings: Findings, pattern: Pattern, wearer: Wearer, *,
    solved: Mapping[str, float] | None = None, tell: Callable[[float], None] | None = None,
) -> tuple[Simulation, tuple[Draped, ...]]:  # fmt: skip
    """Drape the block, the pattern, and the pattern after each step of the plan; return the muslins in the order of the stages.

    `solved`: amounts in mm solved on the pattern, by alteration. Raises ProblemsFoundError.
    """
    units, cloth = findings.units, cloth_of(base)
    patterns, steps = [pattern], list[tuple[Recommendation, float]]()
    warnings: list[str] = []
    for item in plan.recommendations:
        amount = (solved or {}).get(item.alteration, item.amount.signed_mm)
        try:
            patterns.append(as_planned(patterns[-1], item, amount))
            order_of(patterns[-1], wearer.figure, cloth, units=units)
        except ProblemsFoundError as stopped:
            patterns = patterns[: len(steps) + 1]
            warnings.append(f"{base.alterations[item.alteration].title}: not draped, {stopped.problems[0].message}.")
            continue
        steps.append((item, amount))
    orders = [
        order_of(one, wearer.figure, cloth, units=units) for one in (block_for(wearer.figure, pattern), *patterns)
    ]
    block, *muslins = drape(orders, tell=tell)
    stages = [Shown("", None, muslins[0].readings, muslins[0].apart or {})]
    for (item, amount), (before, muslin) in zip(steps, pairwise(muslins), strict=True):
        was, now = (one.left if item.side == "left" and one.left else one.readings for one in (before, muslin))
        lines = changes(was, now, muslin.apart or {}, units)
        stages.append(Shown(item.alteration, amount, muslin.readings, muslin.apart or {}, lines))
    surely = {item.alteration for item in plan.recommendations if item.only_if is None}
    warnings += _warned(base, block.readings, stages, [s for s in stages if s.alteration in {"", *surely}], units)
    body = body_lines(wearer, units)
    return Simulation(body, cloth.name, block.readings, tuple(stages), tuple(warnings)), tuple(muslins)


def changes(
    before: Mapping[str, float], after: Mapping[str, float], apart: Mapping[str, float], units: Units
) -> tuple[str, ...]:
    """What a fitter would see change, the largest change first, one line each."""
    ranked = []
    for name, reading in READINGS.items():
        if name not in before or name not in after:
            continue
        change, was = after[name] - before[name], abs(before[name])
        worth = max(MOVED[reading.unit], 2 * apart.get(name, 0.0))
        if reading.unit not in ("mm", "degrees"):
            worth = max(worth, CHANGED * was)
        if abs(change) >= worth:
            ranked.append((abs(change) / worth, _change_text(name, before[name], after[name], units)))
    ranked.sort(key=lambda pair: -pair[0])
    return tuple(text for _, text in ranked[:_MOST_LINES])


def _change_text(name: str, before: float, after: float, units: Units) -> str:
    """One reading before and after, in words."""
    reading = READINGS[name]
    if reading.unit in ("mm", "degrees"):
        return f"{reading.words}: {reading_text(name, before, units)} before, {reading_text(name, after, units)} after"
    low, high = sorted((abs(before), abs(after)))
    times = high / low if low > 1e-6 else 9.0
    _, more, less = next(row for row in _TIMES if times < row[0])
    return (
        f"{reading.words}: falls {less}" if abs(after) < abs(before) else f"{reading.words}: grows {more}, look there"
    )


def reading_text(name: str, value: float, units: Units) -> str:
    """A reading with its unit, lengths as a tape shows them."""
    unit = READINGS[name].unit
    if unit == "mm":
        shown = format_reading(abs(value), units)
        return f"-{shown}" if value < 0 and shown not in ("0 in", "0 cm") else shown
    if unit == "degrees":
        whole = round(value)
        return f"{whole} degree{'' if abs(whole) == 1 else 's'}"
    return f"{value:.2f} {unit}" if abs(value) < 10 else f"{value:.0f} {unit}"


def error_text(name: str, value: float, units: Units) -> str:
    """How far a reading may be off, with its unit, never below the smallest step that a reading is printed with."""
    unit = READINGS[name].unit
    return format_error(value, units) if unit == "mm" else reading_text(name, max(value, _LEAST[unit]), units)


def _warned(
    base: RuleBase, block: Mapping[str, float], stages: Sequence[Shown], sure: Sequence[Shown], units: Units
) -> list[str]:
    """Warn of amounts that would leave the hip line off or pull into the cleft, each with an amount that would not.

    `sure`: the stages without steps that wait for a sign.
    """
    warnings = []
    last = sure[-1]
    for name in ("dip-centre-back", "dip-centre-front"):
        over = last.readings[name] - block[name]
        if len(sure) > 1 and abs(over) > LINE_OFF_MM + last.apart.get(name, 0.0):
            place, more = name.removeprefix("dip-").replace("-", " "), "lower" if over > 0 else "higher"
            lies = f"the hip line would lie {format_reading(abs(over), units)} {more} at {place}"
            text = f"After these steps {lies} than the block's does on this body."
            warnings.append(text + _instead(base, sure, name, block[name], units))
    for before, after in pairwise(stages):
        limit = max(PULLS_N_M, PULLS_TIMES * block.get("pull-seat", 0.0))
        pull, was = after.readings.get("pull-seat", 0.0), before.readings.get("pull-seat", 0.0)
        if pull > limit and pull > was * 1.2 and after.amount:
            size, share = abs(after.amount), max(0.0, (limit - was) / (pull - was))
            safe = round_length(size * share, units)
            if safe >= round_length(size, units):
                continue  # what would be safe is, on the tape, what is planned
            title = base.alterations[after.alteration].title
            upto = (
                f"Up to about {format_length(safe, units)} it would not." if safe > 0 else "Any amount would add to it."
            )
            by = f"{title} by {format_length(size, units)}"
            warnings.append(f"{by} would pull hard over the seat and may draw into the cleft. {upto}")
    return warnings


def _instead(base: RuleBase, stages: Sequence[Shown], name: str, wanted: float, units: Units) -> str:
    """The amount of the step that moves a line most which would bring the line where it is wanted, by proportion, in words."""
    moves = [(later.readings[name] - earlier.readings[name], later) for earlier, later in pairwise(stages)]
    moved, step = max(moves, key=lambda pair: abs(pair[0]))
    if abs(moved) < MOVED["mm"] or not step.amount:
        return " No step of this plan moves that line: look for another cause."
    size = abs(step.amount)  # the other amount goes the same way
    amount = size * (1 + (wanted - stages[-1].readings[name]) / moved)
    most = base.alterations[step.alteration].most_a_round.amount_mm
    title = base.alterations[step.alteration].title
    if amount <= 0:
        return f" Without '{title}' it would lie nearer."
    shown = format_length(round_length(min(amount, most), units), units)
    if amount > most:
        return f" '{title}' by {shown}, the most of one round, would leave less of it."
    return f" '{title}' by about {shown} instead of {format_length(size, units)} would bring it there."
