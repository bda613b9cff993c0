"""Checks of a rule base beyond form and ids: is every rule used, complete, and free of contradiction?

Each check is a function from a rule base to problems; `CHECKS` lists them, so that a new one needs one line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import combinations

from fitdiag.knowledge.load import source_key
from fitdiag.knowledge.model import Alteration, Condition, RuleBase, Symptom, Words
from fitdiag.knowledge.order import circle, everything_before, exclusive
from fitdiag.problems import Problem, Where


def check_rules(base: RuleBase) -> list[Problem]:
    """Every problem the checks find in a rule base that could be loaded, in the order of the files."""
    problems = [problem for check in CHECKS for problem in check(base)]
    return sorted(problems, key=lambda problem: (problem.where or Where(""), problem.message))


def _at(base: RuleBase, kind: str, rule_id: str) -> Where | None:
    return base.places.get((kind, rule_id))


def unused_ids(base: RuleBase) -> Iterator[Problem]:
    """A symptom no cause shows, a body note nothing heeds, an alteration nothing calls for, a source or seam nobody cites."""
    conditions = [
        condition for rule in base.alterations.values() for condition in (*rule.avoid_when, *rule.careful_when)
    ]
    for symptom, causes in base.causes_of.items():
        if not causes and not base.symptoms[symptom].draft:
            yield Problem(
                "unused",
                f"no cause shows the symptom '{symptom}'",
                _at(base, "symptom", symptom),
                "add a link, or take it out",
            )
    heeded = {note for cause in base.causes.values() for note in cause.body} | {
        condition.body for condition in conditions
    }
    for note in base.body_notes:
        if note not in heeded:
            yield Problem(
                "unused",
                f"no rule heeds the body note '{note}'",
                _at(base, "body note", note),
                "add it to a cause, or take it out",
            )
    called = {follow.do for rule in base.alterations.values() for follow in rule.follow_ups}
    for alteration, causes in base.cures_of.items():
        if not causes and alteration not in called and not base.alterations[alteration].draft:
            yield Problem(
                "unused",
                f"no cause is cured by '{alteration}' and nothing calls for it",
                _at(base, "alteration", alteration),
            )
    cited = {source_key(source) for source in _cited(base)}
    for source in base.sources:
        if source not in cited:
            yield Problem("unused", f"no rule cites the source '{source}'", _at(base, "source", source), "take it out")
    seams = {seam for rule in base.alterations.values() for seam in rule.seams}
    for seam in base.about.seams:
        if seam not in seams:
            yield Problem("unused", f"no alteration changes the seam '{seam}'", None, "take it out of rulebase.yaml")


def _cited(base: RuleBase) -> Iterator[str]:
    for symptom in base.symptoms.values():
        yield symptom.source
        if symptom.measure:
            yield symptom.measure.source
    for note in base.body_notes.values():
        yield note.source
        if note.measure:
            yield note.measure.source
    for cause in base.causes.values():
        yield cause.source
        yield from (link.source for link in cause.shows)
    for rule in base.alterations.values():
        yield from (rule.source, rule.amount.source, rule.most_a_round.source)
        if rule.most_in_all:
            yield rule.most_in_all.source
    yield from (pair.source for pair in base.order)
    yield from (table.source for table in base.ease.values())
    yield from (getattr(base.words, name).source for name in Words.model_fields)


def same_signs(base: RuleBase) -> Iterator[Problem]:
    """Two causes that show the same symptoms equally often: no answer could ever tell them apart."""
    profiles: dict[tuple[tuple[str, float], ...], str] = {}
    numbers = base.words.how_often.words
    for cause in base.causes.values():
        profile = tuple(sorted((link.symptom, numbers[link.how_often]) for link in cause.shows))
        if profile in profiles:
            yield Problem(
                "same-signs",
                f"'{cause.id}' shows exactly what '{profiles[profile]}' shows; no answer can tell them apart",
                _at(base, "cause", cause.id),
                "add a symptom or a test that one of them shows",
            )
        profiles.setdefault(profile, cause.id)


def causes_are_sound(base: RuleBase) -> Iterator[Problem]:
    """A cause has a cure or may stay, links each symptom once, and is no look-alike of itself."""
    for cause in base.causes.values():
        where = _at(base, "cause", cause.id)
        if bool(cause.cured_by) == bool(cause.may_stay):
            told = "has no cure" if not cause.cured_by else "has a cure and may stay as well"
            yield Problem(
                "cure", f"'{cause.id}' {told}", where, "give cured_by, or may_stay if it is harmless; not both"
            )
        symptoms = [link.symptom for link in cause.shows]
        for symptom in sorted({symptom for symptom in symptoms if symptoms.count(symptom) > 1}):
            yield Problem("twice", f"'{cause.id}' shows '{symptom}' twice", where, "keep one link")
        for alike in cause.look_alikes:
            if alike.cause == cause.id:
                yield Problem("look-alike", f"'{cause.id}' is its own look-alike", where)
            for symptom in alike.by:
                if symptom not in symptoms and symptom not in _shown_by(base, alike.cause):
                    yield Problem(
                        "look-alike",
                        f"'{symptom}' should tell '{cause.id}' from '{alike.cause}', but neither shows it",
                        where,
                    )


def _shown_by(base: RuleBase, cause: str) -> set[str]:
    return {link.symptom for link in base.causes[cause].shows} if cause in base.causes else set()


def measures_are_sound(base: RuleBase) -> Iterator[Problem]:
    """Severity grades rise with the sign, all three are there, and the seeing point lies among them."""
    for symptom in base.symptoms.values():
        if symptom.measure:
            yield from _measure(base, symptom)


def _measure(base: RuleBase, symptom: Symptom) -> Iterator[Problem]:
    measure, where = symptom.measure, _at(base, "symptom", symptom.id)
    assert measure is not None
    missing = [grade for grade in ("slight", "clear", "strong") if grade not in measure.grades_mm]
    if missing:
        yield Problem("grades", f"'{symptom.id}': the grades {', '.join(missing)} are missing", where)
        return
    rising = [measure.grades_mm["slight"], measure.grades_mm["clear"], measure.grades_mm["strong"]]
    if measure.worse == "less":
        rising.reverse()
    if not rising[0] < rising[1] < rising[2]:
        direction = "rise" if measure.worse == "more" else "fall"
        yield Problem("grades", f"'{symptom.id}': the grades must {direction} from slight to strong", where)
    if measure.give_mm <= 0:
        yield Problem("grades", f"'{symptom.id}': give must be more than 0", where)


def alterations_are_sound(base: RuleBase) -> Iterator[Problem]:
    """Amounts refer to measurable symptoms, limits make sense, conditions name one thing, nothing cures and worsens."""
    for rule in base.alterations.values():
        where = _at(base, "alteration", rule.id)
        for symptom in rule.amount.measured_by:
            if symptom in base.symptoms and base.symptoms[symptom].measure is None:
                yield Problem(
                    "not-measurable", f"'{rule.id}': the amount is taken from '{symptom}', which has no measure", where
                )
        if rule.amount.short_of_mm is not None and not rule.amount.measured_by:
            yield Problem("not-measurable", f"'{rule.id}': short_of needs a symptom in 'from'", where)
        if rule.amount.start_mm > rule.most_a_round.amount_mm:
            yield Problem("limit", f"'{rule.id}': the start is more than the most a round", where)
        if rule.most_in_all and rule.most_in_all.amount_mm < rule.most_a_round.amount_mm:
            yield Problem("limit", f"'{rule.id}': the most in all is less than the most a round", where)
        yield from _conditions(rule, (*rule.avoid_when, *rule.careful_when), where)
        for cause in rule.worsens:
            if rule.id in base.causes[cause].cured_by:
                yield Problem("contradiction", f"'{rule.id}' worsens '{cause}', which says it is cured by it", where)


def _conditions(rule: Alteration, conditions: tuple[Condition, ...], where: Where | None) -> Iterator[Problem]:
    for condition in conditions:
        given = [kind for kind in ("body", "symptom", "absent", "done") if getattr(condition, kind)]
        if len(given) != 1:
            yield Problem(
                "condition",
                f"'{rule.id}': a condition names one of body, symptom, absent, done; here {len(given)}",
                where,
            )


def order_is_sound(base: RuleBase) -> Iterator[Problem]:
    """Order pairs are well formed, run in no circle, and settle every two alterations that change a common seam."""
    for pair in base.order:
        sides = (bool(pair.first or pair.first_stage), bool(pair.then or pair.then_stage), bool(pair.either))
        if sides not in ((True, True, False), (False, False, True)):
            yield Problem("order", "an order pair has first and then, or either", None, pair.because)
    if ring := circle(base):
        yield Problem(
            "circle", f"the order runs in a circle: {' -> '.join(ring)}", None, "take one pair out of order.yaml"
        )
        return
    complete, apart = everything_before(base), exclusive(base)
    for one, other in combinations(base.alterations.values(), 2):
        common = sorted(set(one.seams) & set(other.seams))
        settled = one.id in complete[other.id] or other.id in complete[one.id] or frozenset((one.id, other.id)) in apart
        if common and not settled and not one.draft and not other.draft:
            yield Problem(
                "unordered",
                f"'{one.id}' and '{other.id}' both change {', '.join(common)}, and no order pair says which comes first",
                _at(base, "alteration", one.id),
                "add a pair to order.yaml",
            )


def words_are_sound(base: RuleBase) -> Iterator[Problem]:
    """Probabilities lie between 0 and 1, odds factors and costs above 0."""
    for name in Words.model_fields:
        chance = name in ("how_often", "base_rate", "seen_anyway", "how_well")
        for word, number in getattr(base.words, name).words.items():
            if not (0 < number < 1 if chance else number > 0):
                expected = "between 0 and 1" if chance else "above 0"
                yield Problem("number", f"words.yaml: {name}, '{word}' must be {expected}, not {number:g}")
    for grade in ("some", "marked"):
        if grade not in base.words.body_grades.words:
            yield Problem("missing", f"words.yaml: body_grades needs '{grade}'")


CHECKS: tuple[Callable[[RuleBase], Iterator[Problem]], ...] = (
    unused_ids,
    same_signs,
    causes_are_sound,
    measures_are_sound,
    alterations_are_sound,
    order_is_sound,
    words_are_sound,
)
