"""What a plan does to the pattern before anyone cuts: its measures before and after each step, and warnings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from itertools import pairwise

from fitdiag.knowledge.findings import LEFT_RIGHT, Done, Findings, Side, meet
from fitdiag.knowledge.garment import Watch
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.blocks import block_of
from fitdiag.pattern.garment import garment_of
from fitdiag.pattern.measure import alike, pattern_measures
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.piece import Pattern, faults
from fitdiag.pattern.solve import Target, measured, solve_one
from fitdiag.pattern.true import true
from fitdiag.pattern.walk import Walked, pair_sentences, walked
from fitdiag.planning.plan import Plan, Recommendation
from fitdiag.planning.stages import MOVED_MM, Effects, Stage, on_each_side
from fitdiag.problems import ProblemsFoundError
from fitdiag.units import Units, format_length, format_reading


def effects(
    base: RuleBase, plan: Plan, findings: Findings, pattern: Pattern, *, earlier: Iterable[Done] = ()
) -> Effects:  # fmt: skip
    """Carry out the plan on the pattern step by step, conditional steps included, and measure it, trued, after each.

    `earlier`: what was done in earlier rounds and is not on this pattern yet; it is carried out first, and shown.
    """
    warnings: list[str] = []
    history: list[Stage] = []
    if earlier := tuple(earlier):
        pattern, history = _earlier(base, earlier, pattern, findings.units, warnings)
    stages = [Stage("as it is", None, _trued_measures(pattern))]
    unaltered = walked(pattern)
    solved: dict[str, float] = {}
    for item in plan.recommendations:
        amount, title = item.amount.signed_mm, base.alterations[item.alteration].title
        target = _target(base, item.alteration)
        try:
            if target is not None and item.only_if is not None:
                amount = _solved(base, item.alteration, target, pattern, findings.units, warnings)
                solved[item.alteration] = amount
            altered = as_planned(pattern, item, amount)
        except ProblemsFoundError as stopped:
            warnings.append(f"{title}: {stopped.problems[0].message}.")
            continue
        if item.where == "one":
            warnings.append(f"{title}: no answer says on which side; shown here on the right.")
        before, pattern = pattern, altered
        stages.append(Stage(item.alteration, amount, _trued_measures(pattern)))
        warnings += _broken_by_side(base, before, pattern, findings, title)
        warnings += [f"{title}: {problem.message}." for piece, _ in pattern.cut() for problem in faults(piece)]
    warnings += seams_apart(unaltered, walked(true(pattern)[0]), findings.units)
    every = _under_the_same_names((*history, *stages))
    history_told, now_told = every[: len(history)], every[len(history) :]
    return Effects(now_told, tuple(dict.fromkeys(warnings)), solved, pattern.grade, history_told)


def _trued_measures(pattern: Pattern) -> dict[str, float]:
    """The measures of a pattern as it is sewn, in mm: with the steps that cuts leave in its seams trued, as sheets print it."""
    return pattern_measures(true(pattern)[0])


def as_planned(pattern: Pattern, item: Recommendation, solved_mm: float | None = None) -> Pattern:
    """The pattern after one alteration of a plan, each side by its own amount. Raises ProblemsFoundError.

    `solved_mm`: the signed amount solved on the pattern, in place of the planned one.
    """
    for side, mm in item.cuts(solved_mm):
        pattern = carry_out(pattern, item.alteration, mm, side).pattern
    return pattern


def done_on(pattern: Pattern, done: Done) -> Pattern:
    """The pattern after an alteration of an earlier round, as it is without an amount. Raises ProblemsFoundError."""
    side = None if done.side == "both" else done.side
    return carry_out(pattern, done.alteration, done.signed_mm, side).pattern if done.signed_mm else pattern


def as_sewn(pattern: Pattern, done: Iterable[Done]) -> Pattern:
    """The pattern after alterations made one after another; those that cannot be made on it are skipped."""
    for item in done:
        with suppress(ProblemsFoundError):
            pattern = done_on(pattern, item)
    return pattern


def not_on_paper(pattern: Pattern, done: Iterable[Done]) -> tuple[Done, ...]:
    """What was done that is not in the record of a pattern; each entry of the record stands for one alteration of its side."""
    recorded = [
        (one.alteration, round(one.amount, 1), own)
        for one in pattern.carried
        for own in LEFT_RIGHT
        if meet(one.side, own)
    ]
    missing: list[Done] = []
    for item in done:
        lacking: list[Side] = []
        for own in LEFT_RIGHT:
            entry = (item.alteration, round(item.signed_mm or 0.0, 1), own)
            if not meet(item.side, own):
                continue
            if entry in recorded:
                recorded.remove(entry)
            else:
                lacking.append(own)
        if lacking:
            missing.append(item if len(lacking) == len(LEFT_RIGHT) else replace(item, side=lacking[0]))
    return tuple(missing)


def _under_the_same_names(stages: Sequence[Stage]) -> tuple[Stage, ...]:
    """Stages that can be compared: a measure that differs between the sides after any step is given per side throughout."""
    values = alike(stage.measures for stage in stages)
    return tuple(replace(stage, measures=measures) for stage, measures in zip(stages, values, strict=True))


def seams_apart(before: Walked, after: Walked, units: Units) -> list[str]:
    """Sewn pairs whose lengths, after the steps and trueing, differ by more than can be eased in; one line each, saying where."""
    lines = []
    for pair in after.pairs:
        was = abs(before.pair(pair.rule.id, pair.side).longer)
        if abs(pair.longer) > max(pair.rule.ease_mm, was + MOVED_MM):
            lines.append(" ".join(line.strip() for line in pair_sentences(pair, units)))
    return lines


def _earlier(
    base: RuleBase, earlier: Iterable[Done], pattern: Pattern, units: Units, warnings: list[str]
) -> tuple[Pattern, list[Stage]]:
    """Replay earlier rounds, and name the one that took most from the followed measure."""
    history = [Stage("first cut", None, _trued_measures(pattern))]
    for done in sorted(earlier, key=lambda item: item.round):
        start = base.alterations[done.alteration].amount.start_mm
        known = done if done.amount_mm is not None else replace(done, amount_mm=start)
        try:
            pattern = done_on(pattern, known)
        except ProblemsFoundError as stopped:
            title = f"{base.alterations[done.alteration].title}, done in round {done.round}"
            warnings.append(f"{title}: {stopped.problems[0].message}.")
            continue
        history.append(Stage(done.alteration, known.signed_mm, _trued_measures(pattern)))
    followed = base.garment.followed if base.garment is not None else None
    if followed is None:
        return pattern, history
    steps = list(zip(pairwise(alike(stage.measures for stage in history)), history[1:], strict=True))
    falls = [
        (earlier[name] - later[name], stage)
        for name in (followed.measure, f"{followed.measure}, left", f"{followed.measure}, right")
        for (earlier, later), stage in steps
        if name in earlier and name in later
    ]
    if falls:
        fall, stage = max(falls, key=lambda pair: pair[0])
        if fall >= MOVED_MM:
            title = base.alterations[stage.name].title
            by = format_reading(fall, units)
            warnings.append(f"Of the earlier rounds it was '{title}' that {followed.nearer}, by {by}.")
    return pattern, history


def _target(base: RuleBase, alteration: str) -> Target | None:
    """The target for the pattern measure an alteration aims at; None if it aims at none."""
    aim = base.alterations[alteration].amount.aim
    measure = base.symptoms[aim.symptom].measure if aim is not None else None
    if aim is None or measure is None or not measure.on_pattern:
        return None
    return Target(measure.on_pattern, ">=", aim.reads_mm)


def _solved(
    base: RuleBase, alteration: str, target: Target, pattern: Pattern, units: Units, warnings: list[str]
) -> float:
    """The amount in mm at which the target is met, or the most of one round, with a warning.

    Raises ProblemsFoundError if the pattern cannot be altered so, or the target cannot be measured on it.
    """
    rule = base.alterations[alteration]
    most = rule.most_a_round.amount_mm
    amount = solve_one(pattern, alteration, target, most)
    if amount is None:
        (reached,) = measured(carry_out(pattern, alteration, most).pattern, [target])
        warnings.append(
            f"{rule.title}: the most of one round, {format_length(most, units)}, brings {target.measure} to"
            f" {format_reading(reached, units)} on this pattern, not to {format_length(target.amount, units)}; the rest waits."
        )
        return most
    if amount == 0.0:
        told = f"not needed on this pattern, {target.measure} is already there after the steps before"
        warnings.append(f"{rule.title}: {told}.")
    return amount


def _broken_by_side(base: RuleBase, before: Pattern, after: Pattern, findings: Findings, title: str) -> list[str]:
    """The watched measures that a step makes worse, one message each; its side is named where it is not the same on both."""
    told = {
        side: broken(base, _trued_measures(before.of(side)), _trued_measures(after.of(side)), findings)
        for side in after.sides
    }
    messages = []
    for text in dict.fromkeys(text for texts in told.values() for text in texts):
        own = [side for side, texts in told.items() if text in texts]
        messages.append(f"{title if len(own) == len(told) else f'{title}, {own[0]}'}: {text}")
    return messages


def broken(base: RuleBase, before: Mapping[str, float], after: Mapping[str, float], findings: Findings) -> list[str]:
    """The watched measures that a step makes worse, one message each."""
    messages = []
    for watch in base.garment.watches if base.garment is not None else ():
        now, was = after.get(watch.measure), before.get(watch.measure)
        wanted = _wanted(base, watch, after, findings)
        if now is None or was is None or wanted is None:
            continue
        if watch.apart_mm is not None:
            now = abs(now)
            worse = now > max(wanted, abs(was) + MOVED_MM)
        else:
            worse = now < min(wanted * (watch.of_block or 1.0), was - MOVED_MM)
        if worse:
            read = {"now": now, "short": wanted - now}
            texts = {name: format_reading(mm, findings.units) for name, mm in read.items()}
            messages.append(watch.told.format(wanted=format_length(wanted, findings.units), **texts))
    return messages


def _wanted(base: RuleBase, watch: Watch, after: Mapping[str, float], findings: Findings) -> float | None:
    """The value in mm a watched measure is compared with; None if unknown, or if it is not watched on this client."""
    if watch.body is not None and findings.body.get(watch.body, "no") == "no":
        return None
    if watch.of_body is not None:
        return findings.body_measures.get(watch.of_body)
    if watch.of_block is None:
        return watch.at_least_mm if watch.at_least_mm is not None else watch.apart_mm
    try:
        return block_of(garment_of(base)).expects[watch.measure](after)
    except KeyError:
        return None


def measure_moved(base: RuleBase, pattern: Pattern, done: Iterable[Done]) -> dict[str, float]:
    """How many mm each earlier alteration takes from the followed measure, on the side where it takes more, tried on this pattern."""
    moved: dict[str, tuple[float, float]] = {}
    if base.garment is not None and (followed := base.garment.followed) is not None:
        for item in (one for one in done if one.amount_mm):
            left, right = on_each_side(changes_on(pattern, [item]), followed.measure)
            before = moved.get(item.alteration, (0.0, 0.0))
            moved[item.alteration] = (before[0] - left, before[1] - right)
    return {name: max(sides, key=abs) for name, sides in moved.items()}


def changes_on(pattern: Pattern, done: Iterable[Done]) -> dict[str, float]:
    """How many mm alterations, made one after another, change each measure of a pattern; those that cannot be made are skipped.

    A measure that differs between the sides, before or after, is given for each.
    """
    before = _trued_measures(pattern)
    before, after = alike((before, _trued_measures(as_sewn(pattern, done))))
    return {name: after[name] - before[name] for name in before if name in after}
