"""Checks of a rule base beyond form and ids: is every rule used, complete, and free of contradiction?

Each check is a function from a rule base to problems, listed in `CHECKS`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from functools import partial
from itertools import combinations
from typing import Any

from fitdiag.knowledge.basics import one_or_many
from fitdiag.knowledge.findings import SEVERITIES
from fitdiag.knowledge.model import KINDS, RuleBase
from fitdiag.knowledge.order import circle, everything_before, exclusive, pair_of
from fitdiag.problems import Problem, Where


def check_rules(base: RuleBase) -> list[Problem]:
    """Every problem the checks find in a rule base that could be loaded, in the order of the files."""
    problems = [problem for check in CHECKS for problem in check(base)]
    return sorted(problems, key=lambda problem: (problem.where or Where(""), problem.message))


def unused_ids(base: RuleBase) -> Iterator[Problem]:
    """Every symptom, body note, alteration, source and seam is used somewhere."""
    rules = base.alterations.values()
    drafts = {*(one.id for one in base.symptoms.values() if one.draft), *(one.id for one in rules if one.draft)}
    heeded = {note for cause in base.causes.values() for note in cause.body}
    heeded |= {one.body or "" for rule in rules for one in (*rule.avoid_when, *rule.careful_when)}
    called = {name for name, causes in base.cures_of.items() if causes}
    called |= {follow.do for rule in rules for follow in rule.follow_ups}
    used: Mapping[str, tuple[str, Collection[str]]] = {
        "symptom": ("no cause shows", {name for name, causes in base.causes_of.items() if causes} | drafts),
        "body note": ("no rule heeds", heeded),
        "alteration": ("no cause is cured by, and nothing calls for,", called | drafts),
        "source": ("no rule cites", {name for kind, name in base.places.used if kind == "source"}),
    }
    for kind in KINDS:
        unused, names = used.get(kind.called, ("", ()))
        for rule in base.rules(kind) if unused else ():
            if rule.id not in names and (kind.called, rule.id) not in base.places.shared:
                where, hint = base.places.of(kind.called, rule.id), "add it to a rule, or take it out"
                yield Problem("unused", f"{unused} the {kind.called} '{rule.id}'", where, hint)
    seams = {seam for rule in rules for seam in rule.seams}
    for index, seam in enumerate(base.about.seams):
        if seam not in seams:
            where = base.places.of("rulebase.yaml", "", "seams", index)
            yield Problem("unused", f"no alteration changes the seam '{seam}'", where, "take it out")


def same_signs(base: RuleBase) -> Iterator[Problem]:
    """No two causes show the same symptoms equally often: no answer could tell them apart."""
    profiles: dict[tuple[tuple[str, float], ...], str] = {}
    numbers = base.words.how_often.words
    for cause in base.causes.values():
        profile = tuple(sorted((link.symptom, numbers[link.how_often]) for link in cause.shows))
        if profile in profiles:
            message = f"'{cause.id}' shows exactly what '{profiles[profile]}' shows; no answer can tell them apart"
            hint = "add a symptom or a test that one of them shows"
            yield Problem("same-signs", message, base.places.of("cause", cause.id), hint)
        profiles.setdefault(profile, cause.id)


def causes_are_sound(base: RuleBase) -> Iterator[Problem]:
    """A cause has a cure or may stay, and its look-alikes can be told apart from it."""
    shown = {cause.id: {link.symptom for link in cause.shows} for cause in base.causes.values()}
    for cause in base.causes.values():
        at = partial(base.places.of, "cause", cause.id)
        if bool(cause.cured_by) == bool(cause.may_stay):
            fault = "has no cure" if not cause.cured_by else "has a cure and may stay as well"
            hint = "give cured_by, or may_stay if it is harmless; not both"
            yield Problem("cure", f"'{cause.id}' {fault}", at(), hint)
        for index, alike in enumerate(cause.look_alikes):
            if alike.cause == cause.id:
                where = at("look_alikes", index, "cause")
                yield Problem("look-alike", f"'{cause.id}' is its own look-alike", where, "name another cause")
            for number, symptom in enumerate(alike.by):
                if symptom not in shown[cause.id] | shown[alike.cause]:
                    message = f"'{symptom}' should tell '{cause.id}' from '{alike.cause}', but neither shows it"
                    where = at("look_alikes", index, "by", number)
                    yield Problem("look-alike", message, where, "add a link to one of them, or take it out")


def measures_are_sound(base: RuleBase) -> Iterator[Problem]:
    """Grades are complete and in order, clear lies past seen_from, mirrors have a measure, moved distances an at_rest."""
    moved = {symptom for slopes in base.slopes_of.values() for symptom in slopes}
    for symptom in base.symptoms.values():
        if (measure := symptom.measure) is None:
            continue
        at = partial(base.places.of, "symptom", symptom.id, "measure")
        grades = [measure.grades_mm[grade] for grade in SEVERITIES if grade in measure.grades_mm]
        if len(grades) < len(SEVERITIES):
            missing = ", ".join(grade for grade in SEVERITIES if grade not in measure.grades_mm)
            yield Problem("grades", f"'{symptom.id}': the grades {missing} are missing", at("grades"), "add them")
        elif not (grades[0] < grades[1] < grades[2] if measure.worse == "more" else grades[0] > grades[1] > grades[2]):
            fault = f"the grades must {'rise' if measure.worse == 'more' else 'fall'} from slight to strong"
            hint = f"worse is '{measure.worse}'; is that what is meant?"
            yield Problem("grades", f"'{symptom.id}': {fault}", at("grades"), hint)
        elif not (measure.seen_from_mm < grades[1] if measure.worse == "more" else measure.seen_from_mm > grades[1]):
            fault = "the mark for clear must lie past seen_from, or a clear reading would say less than a plain yes"
            hint = "move the mark for clear, or seen_from"
            yield Problem("grades", f"'{symptom.id}': {fault}", at("grades"), hint)
        if measure.give_mm <= 0:
            message, hint = f"'{symptom.id}': give must be more than 0", "how far do two fitters differ?"
            yield Problem("grades", message, at("give"), hint)
        for key in ("mirror_of", "same_as"):
            if (other := getattr(measure, key)) is not None and base.symptoms[other].measure is None:
                yield Problem("not-measurable", f"'{other}' has no measure", at(key), "give it one, or take this out")
        if symptom.id in moved and measure.worse == "less" and not base.rests_of[symptom.id]:
            yield Problem("at-rest", f"'{symptom.id}': what does a right block read?", at(), "add at_rest")


def figures_are_sound(base: RuleBase) -> Iterator[Problem]:
    """What a note moves on the simulated body has amounts, its own or those of the note's measure."""
    for note in base.body_notes.values():
        for index, move in enumerate(note.figure):
            if note.measure is None and (move.some_mm is None or move.marked_mm is None):
                where = base.places.of("body note", note.id, "figure", index)
                yield Problem("figure", f"'{note.id}': {move.moves} has no amounts", where, "give some and marked")


def ease_is_sound(base: RuleBase) -> Iterator[Problem]:
    """Every row of an ease table gives at least one figure, and no lower bound exceeds its upper one."""
    rows = ((table, *one) for table in base.ease.values() for one in enumerate(table.rows))
    for table, index, row in rows:
        where = base.places.of("ease table", table.id, "rows", index)
        if row.at_least_mm is None and row.at_most_mm is None:
            yield Problem("ease", f"'{table.id}': this row has no figure", where, "give at_least, at_most or both")
        for low, high, names in (
            (row.at_least_mm, row.at_most_mm, "at_least is more than at_most"),
            (row.hip_from_mm, row.hip_under_mm, "hip_from is more than hip_under"),
        ):
            if low is not None and high is not None and low > high:
                yield Problem("ease", f"'{table.id}': {names}", where, "are the two the wrong way round?")


def alterations_are_sound(base: RuleBase) -> Iterator[Problem]:
    """Amounts aim at measurable symptoms, limits are consistent, conditions name one thing, nothing both cures and worsens."""
    for rule in base.alterations.values():
        at = partial(base.places.of, "alteration", rule.id)
        for key, steps in rule.wearer.items():
            for number in steps if isinstance(steps, Mapping) else ():
                if not 1 <= int(number) <= len(getattr(rule, key)):
                    message = f"'{rule.id}' has no step {number} under '{key}' to say to the wearer"
                    yield Problem("wearer", message, at("wearer", key), "number the steps from 1")
        if (aim := rule.amount.aim) is not None and base.symptoms[aim.symptom].measure is None:
            message = f"'{rule.id}': the amount aims at '{aim.symptom}', which has no measure"
            hint = "give the symptom a measure, or take it out here"
            yield Problem("not-measurable", message, at("amount", "aim", "symptom"), hint)
        if rule.operation.both_ways and rule.amount.ways is None and rule.amount.which_way is None:
            message = f"'{rule.id}' goes both ways, and nothing says which way it is to be"
            hint = "write words for both under 'ways', or what tells it under 'which_way'"
            yield Problem("which-way", message, at("operation", "both_ways"), hint)
        if rule.amount.start_mm > rule.most_a_round.amount_mm:
            message = f"'{rule.id}': the start is more than the most a round"
            yield Problem("limit", message, at("amount", "start"), "start with less")
        if rule.most_in_all and rule.most_in_all.amount_mm < rule.most_a_round.amount_mm:
            message = f"'{rule.id}': the most in all is less than the most a round"
            yield Problem("limit", message, at("most_in_all", "amount"), "are the two the wrong way round?")
        for list_name in ("avoid_when", "careful_when"):
            for index, condition in enumerate(getattr(rule, list_name)):
                given = [kind for kind in ("body", "symptom", "absent", "done") if getattr(condition, kind)]
                if len(given) != 1:
                    message = f"'{rule.id}': a condition names one of body, symptom, absent, done; here {len(given)}"
                    hint = "write two conditions" if given else "name what it depends on"
                    yield Problem("condition", message, at(list_name, index), hint)
        for cause in rule.worsens:
            if rule.id in base.causes[cause].cured_by:
                message = f"'{rule.id}' worsens '{cause}', which says it is cured by it"
                yield Problem("contradiction", message, at("worsens", cause), "one of the two must go")


def order_is_sound(base: RuleBase) -> Iterator[Problem]:
    """Order pairs are well formed, have no cycle, and settle every two alterations that share a seam."""
    for index, pair in enumerate(base.order):
        sides = (bool(pair.first or pair.first_stage), bool(pair.then or pair.then_stage), bool(pair.either))
        where = base.places.of("order", str(index))
        if sides not in ((True, True, False), (False, False, True)):
            yield Problem("order", "an order pair has first and then, or either", where, "write one of the two")
        if twice := set(pair.first) & set(pair.then):
            yield Problem("order", f"'{min(twice)}' is to come before itself", where, "take it out on one side")
        if pair.either and len(set(pair.either)) < 2:
            yield Problem("order", "either names at least two alterations", where, "which two exclude each other?")
    if ring := circle(base):
        where = base.places.of("order", str(pair_of(base, *ring[:2])))
        yield Problem("circle", f"the order runs in a circle: {' -> '.join(ring)}", where, "take one pair of it out")
        return
    yield from _unordered(base)


def _unordered(base: RuleBase) -> Iterator[Problem]:
    """Alterations that share a seam but have no order: a fault for each one that settles several, with what to write."""
    complete, apart = everything_before(base), exclusive(base)
    open_pairs: dict[str, list[str]] = {}
    for one, other in combinations(base.alterations.values(), 2):
        pair = frozenset((one.id, other.id))
        settled = one.id in complete[other.id] or other.id in complete[one.id] or pair in apart
        if set(one.seams) & set(other.seams) and not settled and not one.draft and not other.draft:
            open_pairs.setdefault(one.id, []).append(other.id)
            open_pairs.setdefault(other.id, []).append(one.id)
    while open_pairs:
        most_open = max(open_pairs, key=lambda item: (len(open_pairs[item]), [*base.alterations][::-1].index(item)))
        others = open_pairs.pop(most_open)
        for partner in others:
            open_pairs[partner].remove(most_open)
        open_pairs = {item: left for item, left in open_pairs.items() if left}
        message = f"'{most_open}' changes a seam that these change as well: {', '.join(others)}; no order pair says which comes first"
        hint = f"write in order.yaml {{first: {most_open}, then: [...]}} or {{first: [...], then: {most_open}}}, with because and source"
        yield Problem("unordered", message, base.places.of("alteration", most_open), hint)


def extents_are_sound(base: RuleBase) -> Iterator[Problem]:
    """Every slope has an extent and a measure, and a larger extent gives more of a sign the cause shows."""
    for cause in base.causes.values():
        for index, link in enumerate(cause.shows):
            where = base.places.of("cause", cause.id, "shows", index, "per")
            measure = base.symptoms[link.symptom].measure
            if link.per and cause.extent is None:
                hint = "add extent, with usual and spread"
                yield Problem("extent", f"'{cause.id}': per needs an extent", where, hint)
            if link.per and measure is None:
                message = f"'{cause.id}': '{link.symptom}' has no measure, so nothing can be per mm of it"
                yield Problem("not-measurable", message, where, "give the symptom a measure, or take it out")
            if measure is not None and any((slope.ratio < 0) != (measure.worse == "less") for slope in link.per):
                message = f"'{cause.id}': a larger extent would give less of '{link.symptom}', which it shows"
                yield Problem("slope", message, where, "turn the sign of ratio")
    for number, row in enumerate(base.slopes):
        if base.causes[row.cause].extent is None or base.symptoms[row.symptom].measure is None:
            message = (
                f"a slope of '{row.cause}' on '{row.symptom}', but the cause has no extent, or the symptom no measure"
            )
            yield Problem("extent", message, base.places.of("slope", str(number)), "add it, or take the slope out")


def opposites_are_mutual(base: RuleBase) -> Iterator[Problem]:
    """A rule's opposite names the rule as its opposite in turn."""
    for kind in KINDS:
        if "opposite" in kind.model.model_fields and kind.called != "alteration":
            opposite: dict[str, Any] = {rule.id: one_or_many(rule.opposite or ()) for rule in base.rules(kind)}
            for name, other in ((name, other) for name, others in opposite.items() for other in others):
                if name not in opposite[other]:
                    message, hint = f"'{other}' does not name '{name}' as its opposite", f"write opposite: {name} there"
                    yield Problem("opposite", message, base.places.of(kind.called, name, "opposite"), hint)


CHECKS: tuple[Callable[[RuleBase], Iterator[Problem]], ...] = (
    unused_ids, same_signs, causes_are_sound, measures_are_sound, alterations_are_sound, ease_is_sound, figures_are_sound,
    extents_are_sound, opposites_are_mutual, order_is_sound,
)  # fmt: skip
