"""What the rounds of a case add up to: what was done, what was expected and observed, what went too far, what goes in circles.

Turns a case, the rules and the round's findings into plain values and sentences. A prediction carries its range; nothing inside
it is called a miss.

The list as the fitter wants it, and what the try-ons taught about the simulated body, are here as well.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import hypot
from typing import Any

from fitdiag.diagnosis.belief import lower_first
from fitdiag.files import digest
from fitdiag.knowledge.findings import LEFT_RIGHT, Done, Earlier, Finding, Findings, Side, by_side, gone_mm, meet
from fitdiag.knowledge.findings_file import findings_text, read_findings
from fitdiag.knowledge.model import RuleBase, Symptom
from fitdiag.planning.amounts import Amounts
from fitdiag.planning.plan import Plan, Recommendation
from fitdiag.planning.stages import on_each_side
from fitdiag.sessions.carried import advised_as, by_alteration
from fitdiag.sessions.case import case_findings
from fitdiag.sessions.case_files import Advised, Case, Outcome, Round
from fitdiag.sessions.from_photos import tells_more
from fitdiag.sessions.log import Event
from fitdiag.sessions.round_log import RoundLog
from fitdiag.sessions.state import Conclusion, answer_event, conclude, events_of, offered_event
from fitdiag.units import Units, format_error, format_length, format_reading

PATTERN_SHARE = 0.3  # share of a change on paper by which cloth may differ; a fitter's judgement
SAME_MM = 0.5  # amounts that differ by less are the same
ERROR_MM = 3.0  # standard deviation of an amount read with a ruler on a person; a fitter's judgement


def known_findings(base: RuleBase, case: Case) -> Findings:
    """What is known before the last round's answers, and including them once its questions have begun."""
    *earlier, one = case.rounds
    log = RoundLog.of(one)
    if log.begun:
        return log.findings(base)
    known = case_findings(case, base, before=one.number)
    looks = [RoundLog.of(before).findings(base) for before in earlier]
    for look in looks:  # what was noted about the client in an earlier round still holds
        sides = {**known.body_sides, **look.body_sides}
        known = replace(known, body={**known.body, **look.body}, body_sides=sides)
    for before in earlier:
        if before.findings_file.exists():  # of an earlier round only what lasts
            known = _joined(known, replace(read_findings(before.findings_file, base), symptoms={}, notes=()))
    read = (
        {item.symptom: (item.amount_mm, item.error_mm) for item in look.symptoms.values()
         if item.amount_mm is not None and item.seen != "unsure"}
        for look in looks
    )  # fmt: skip
    known = replace(known, earlier=tuple(map(Earlier, (before.number for before in earlier), read)))
    came = log.taken(base)
    return replace(_joined(known, came) if came is not None else known, units=case.units)


def _joined(known: Findings, mine: Findings) -> Findings:
    """Join both; what was done before the case comes before what was done in its rounds."""
    done = (*(item for item in mine.done if item not in known.done), *known.done)
    return replace(known.joined(replace(mine, done=())), done=done)


def known_line(base: RuleBase, case: Case) -> Event:
    """What is known when the last round's questions begin, as one line of its log, without what the log holds already."""
    one = case.rounds[-1]
    log, known = RoundLog.of(one), known_findings(base, case)
    there = log.findings(base)
    tables = ("body", "body_measures", "pattern_measures", "tables")
    fresh: dict[str, Any] = {
        table: {
            name: value for name, value in getattr(known, table).items() if getattr(there, table).get(name) != value
        }
        for table in tables
    }
    events: list[Event] = []
    rules = {"garment": base.about.garment, "fingerprint": base.fingerprint}
    if log.lines[0].get("rules") != rules:
        events.append({"event": "rules", "rules": rules})
    bare = replace(there, body_measures={}, pattern_measures={}, tables={})
    events += events_of(replace(known, symptoms={}, **fresh), bare)
    settled = (("history", one.number > 1 or bool(known.done)), ("body", bool(known.body)))
    events += [{"event": "stage", "ended": stage} for stage, is_known in settled if is_known]
    found = log.measured(base)
    if found is not None:
        offered = (item for name, item in found.symptoms.items() if tells_more(item, known.symptoms.get(name)))
        events.append(offered_event(offered))
    seen = [item for before in case.rounds[-2:-1] for item in RoundLog.of(before).findings(base).seen]
    events.append({"event": "before", "findings": [answer_event(item) for item in seen]})
    events += [{"event": "note", "text": f"the client: {line}"} for line in log.words[:12]]
    return {"event": "known", "events": events}


def expected_outcomes(
    base: RuleBase, findings: Findings, advised: Iterable[Advised], on_pattern: Mapping[str, float] | None = None
) -> dict[str, Outcome]:
    """Predict each measured sign at the next try-on, in mm with its standard deviation.

    By the rules' `expects`; a sign that is also a pattern measure goes by `on_pattern`, its change on the pattern in mm.
    """
    before = {f.symptom: f for f in findings.seen if f.amount_mm is not None}
    change: dict[str, list[tuple[Side, float]]] = {}
    spread: dict[str, list[tuple[Side, float]]] = {}
    for item in advised:
        rule = base.alterations.get(item.alteration)
        if rule is None or item.amount_mm is None:
            continue
        for expects in rule.expects:
            way = -1.0 if item.less else 1.0
            change.setdefault(expects.symptom, []).append((item.side, expects.change * way * item.amount_mm))
            half = abs(expects.range[1] - expects.range[0]) / 2 * item.amount_mm
            spread.setdefault(expects.symptom, []).append((item.side, half**2))
    moved = {name: by_side(amounts) for name, amounts in change.items()}
    wide = {name: max(by_side(squares)) for name, squares in spread.items()}
    for symptom in before:
        measure = base.symptoms[symptom].measure if symptom in base.symptoms else None
        on_paper = on_each_side(on_pattern or {}, measure.on_pattern or "") if measure is not None else (0.0, 0.0)
        if max(map(abs, on_paper)) > 0.5:
            moved[symptom], wide[symptom] = on_paper, (max(on_paper, key=abs) * PATTERN_SHARE) ** 2
    return {
        symptom: _outcome(base.symptoms[symptom], before[symptom], moved[symptom], wide[symptom])
        for symptom in moved
        if symptom in before
    }


def _outcome(sign: Symptom, was: Finding, moved: tuple[float, float], spread: float) -> Outcome:
    """What is expected of a sign, by how far it moves left and right and the square of the spread of that, in mm.

    Of a sign measured left and right the side that then shows more counts, of one seen on one side that side, of any other
    the side where more is done.
    """
    assert was.amount_mm is not None
    left, right = moved
    expected = was.amount_mm + {"left": left, "right": right}.get(was.side or "both", max(moved, key=abs))
    if was.left_mm is not None and was.right_mm is not None:
        least = sign.measure is not None and sign.measure.worse == "less"
        expected = (min if least else max)(was.left_mm + moved[0], was.right_mm + moved[1])
    error = (spread + (was.error_mm or ERROR_MM) ** 2) ** 0.5
    return Outcome(round(was.amount_mm, 1), round(expected, 1), None, round(error, 1))


def observed_outcomes(base: RuleBase, previous: Round, findings: Findings) -> dict[str, Outcome]:
    """The previous round's outcomes with what is observed now; of a sign that is gone nothing is left."""
    filled = dict(previous.outcome)
    for symptom, outcome in previous.outcome.items():
        found = findings.symptoms.get(symptom)
        if found is None or symptom not in base.symptoms:
            continue
        if found.amount_mm is not None:
            filled[symptom] = replace(outcome, observed=round(found.amount_mm, 1), gone=None)
        elif found.seen == "no":
            left = gone_mm(base.symptoms[symptom])
            filled[symptom] = replace(outcome, observed=left, gone=True if left is None else None)
    return filled


def compared(base: RuleBase, outcomes: Mapping[str, Outcome], units: Units) -> Iterator[str]:
    """Describe expected against observed."""
    for symptom, outcome in outcomes.items():
        if outcome.expected is None or (outcome.observed is None and not outcome.gone):
            continue
        name, error = lower_first(base.title(symptom)), outcome.error or ERROR_MM
        was = f"{format_reading(outcome.before, units)} before" if outcome.before is not None else "not measured before"
        text = f"{name}: {was}, expected about {format_reading(max(outcome.expected, 0.0), units)}"
        text += f" (give or take {format_error(error, units)})"
        if outcome.observed is None:
            yield f"{text}, now not seen any more"
            continue
        text += f", now {format_reading(outcome.observed, units)}"
        off = outcome.observed - max(outcome.expected, 0.0)
        # a distance that was too small should grow
        grows = outcome.before is not None and outcome.expected > outcome.before
        if abs(off) <= 2 * error:
            yield f"{text}: as expected"
        elif (off < 0) == grows:
            yield f"{text}: less came of it than expected; was it done in full?"
        else:
            yield f"{text}: more came of it than expected"


def worse(base: RuleBase, outcomes: Mapping[str, Outcome], before: Findings, now: Findings) -> Iterator[str]:
    """Name the signs that are clearly worse than at the last try-on, but for those whose outcome was predicted (`compared`)."""
    for finding in now.seen:
        sign, was = base.symptoms[finding.symptom], before.symptoms.get(finding.symptom)
        if was is None or finding.symptom in outcomes or not _is_worse(sign, was, finding):
            continue
        then, today = (format_reading(one.amount_mm or 0.0, now.units) for one in (was, finding))
        text = f"{lower_first(sign.title)}: {then} at the last try-on, {today} now, which is worse"
        yield f"{text}. Look for the reason in what was done, or left undone, before more is altered."


def _is_worse(sign: Symptom, was: Finding, now: Finding) -> bool:
    """Whether a measured sign is worse now by more than twice the error of the difference."""
    if sign.measure is None or was.amount_mm is None or now.amount_mm is None:
        return False
    more = (now.amount_mm - was.amount_mm) * (-1 if sign.measure.worse == "less" else 1)
    return more > 2 * hypot(was.error_mm or ERROR_MM, now.error_mm or ERROR_MM)


def remarks(
    base: RuleBase, findings: Findings, moved_mm: Mapping[str, float] | None = None, looks: Sequence[Findings] = ()
) -> tuple[str, ...]:
    """Warnings from the history, before anything more is altered.

    `moved_mm`: by how much (mm) each alteration reduced the followed measure in all. `looks`: findings of the earlier rounds,
    in order.
    """
    done: dict[str, list[Done]] = {}  # from the findings, which include what was done before the case
    for item in findings.done:
        if item.alteration in base.alterations:
            done.setdefault(item.alteration, []).append(item)
    plan = conclude(base, findings).plan if done else Plan("")
    return (
        *_too_far(base, done, (*looks, findings), moved_mm or {}, plan),
        *_over_the_rounds(base, done, findings.units),
    )


_DoneOf = Mapping[str, Sequence[Done]]  # by alteration, all that was done of it


def _in_all(done: Iterable[Done], less: Iterable[Done] = ()) -> float:
    """How much was done over all rounds, less what took it back, in mm, on the side that got more."""
    given = [(item.side, item.signed_mm or 0.0) for item in done]
    return max(by_side([*given, *((item.side, -(item.signed_mm or 0.0)) for item in less)]))


def _too_far(
    base: RuleBase, done: _DoneOf, looks: Sequence[Findings], moved_mm: Mapping[str, float], plan: Plan
) -> Iterator[str]:
    """Warn of alterations whose own signs are seen now and came with them: they may have gone too far."""
    units = looks[-1].units
    for alteration, items in done.items():
        rule, mm, rounds = base.alterations[alteration], _in_all(items), {item.round for item in items}
        if _in_all(items, done.get(rule.opposite or "", ())) < 3.0:
            continue
        brought = dict.fromkeys((*(one.symptom for one in rule.expects if one.change > 0.2), *rule.brings))
        there = [text for name in brought if (text := _came(base.symptoms[name], alteration, looks))]
        if not there:
            continue
        over = f" over {len(rounds)} rounds" if len(rounds) > 1 else ""
        shift = moved_mm.get(alteration, 0.0)
        followed = base.garment.followed if base.garment is not None and shift > 3 else None
        moved = f"; {followed.moved.format(amount=format_length(shift, units))}" if followed is not None else ""
        back = next((min(item.amount.mm, given.mm) for item in plan.recommendations
                     if (given := item.amount.gives_back) is not None and given.alteration == alteration), None)  # fmt: skip
        then = "Look at that before more of it is done"
        if back is not None:
            then = f"The list gives {format_length(back, units)} of it back"
        text = f"{rule.title}, {format_length(mm, units)} in all{over}, brings what is seen now"
        yield f"{text} ({'; '.join(there)}){moved}. {then}."


def _came(sign: Symptom, alteration: str, looks: Sequence[Findings]) -> str:
    """Describe a sign that appeared, turned or grew with an alteration, and how it was before; empty for any other.

    For what was done before the first look there is only that look to go by.
    """
    title, unasked = lower_first(sign.title), Finding(sign.id, "unsure")
    for item in (item for item in looks[-1].done if item.alteration == alteration):
        first = next(number for number, look in enumerate(looks) if item in look.done)
        now, after, was = (looks[at].symptoms.get(sign.id, unasked) for at in (-1, first, max(first - 1, 0)))
        if now.seen != "yes" or after.seen != "yes":
            continue
        if first == 0:
            return title
        if was.amount_mm is not None and after.amount_mm is not None:
            if not _is_worse(sign, was, after):
                continue
            if was.seen == "yes":
                return f"{title}, {format_reading(was.amount_mm, looks[-1].units)} in round {first}"
        if was.seen != "yes":
            if any(one.symptom in sign.opposite for one in looks[first - 1].seen):
                return f"{title}, turned since round {first}"
            return f"{title}, not {'there' if was.seen == 'no' else 'noted'} in round {first}"
    return ""


def _over_the_rounds(base: RuleBase, done: _DoneOf, units: Units) -> Iterable[str]:
    """Warn of what goes in circles (reversing once does not count), comes back, or exceeds what one pattern takes.

    Each side is looked at by itself: what was done to the other leg is no return.
    """
    told: list[str] = []
    for own in LEFT_RIGHT:
        here = {name: [item for item in items if meet(item.side, own)] for name, items in done.items()}
        told += _on_one_side(base, {name: items for name, items in here.items() if items}, units)
    return dict.fromkeys(told)


def _on_one_side(base: RuleBase, done: _DoneOf, units: Units) -> Iterator[str]:
    for alteration, items in done.items():
        rule, rounds = base.alterations[alteration], {item.round for item in items}
        other = rule.opposite or ""
        if other in done and alteration < other:
            back = {item.round for item in done[other]}
            ways = [way for _, way in sorted([*((number, 1) for number in rounds), *((number, -1) for number in back)])]
            if sum(way != next_one for way, next_one in pairwise(ways)) >= 2:
                text = f"{rule.title} and {lower_first(base.alterations[other].title)} were done in turns (rounds"
                text += f" {', '.join(map(str, sorted(rounds | back)))}): the pattern goes there and back. Stop, look at the"
                yield f"{text} first muslin again, and test the cause before another cut."
        if len(rounds) >= 3:
            text = f"{rule.title} was done in {len(rounds)} rounds: what it should cure comes back, so"
            yield f"{text} its cause may be another."
        if rule.most_in_all is not None and (mm := _in_all(items)) >= rule.most_in_all.amount_mm - 0.5:
            most = format_length(rule.most_in_all.amount_mm, units)
            text = f"{rule.title}: {format_length(mm, units)} in all has reached the {most} one pattern should take."
            yield f"{text} Redraw the block from the measures, or choose another size."


# -- what came in ------------------------------------------------------------------------------------------------------


def came_in(
    base: RuleBase, case: Case, given: Findings | None, *, words: str = "", checksum: str = "",
    ticked: Iterable[Finding] = (), mail: str = "", proposed: Sequence[Event] = (),
) -> dict[str, Any]:  # fmt: skip
    """The fitter's findings, and the `words` of a form or a mail, as entries for a line of the round's log.

    A form has a checksum and what the client ticked, which what the fitter saw outranks; a mail proposes events.
    """
    mine, known = given or Findings(units=case.units), RoundLog.of(case.rounds[-1]).findings(base)
    new = {
        item.symptom: item for item in ticked if getattr(known.symptoms.get(item.symptom), "origin", "form") == "form"
    }
    source = f"{findings_text(mine, base.about.garment)}{checksum}{mail}"
    events = [*events_of(replace(mine, client="", symptoms={**new, **mine.symptoms}), known), *proposed]
    return {"from": digest(source.encode()), "form": checksum, "words": words, "events": events}


# -- the list as the fitter wants it -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Choice:
    """What a conclusion proposes, which alterations are left out, and amounts (mm) set by hand, by alteration."""

    base: RuleBase
    proposed: Conclusion
    units: Units
    out: frozenset[str] = frozenset()
    amounts: Mapping[str, float] = field(default_factory=dict)

    @property
    def listed(self) -> tuple[Recommendation, ...]:
        """Everything proposed, with the current amounts."""
        return tuple(self._amended(item) for item in self.proposed.plan.recommendations)

    @property
    def chosen(self) -> tuple[Recommendation, ...]:
        """What is to be advised."""
        return tuple(item for item in self.listed if item.alteration not in self.out)

    def without(self, names: Iterable[str]) -> Choice:
        """Leave these out too, and whatever is only done after them."""
        out = self.out | set(names)
        while more := {item.alteration for item in self.listed if item.only_after in out} - out:
            out |= more
        return replace(self, out=frozenset(out))

    def by_hand(self, alteration: str, mm: float) -> Choice:
        """Set another amount (mm) for one alteration."""
        return replace(self, amounts={**self.amounts, alteration: mm})

    def concluded(self) -> Conclusion:
        """The conclusion with this list, renumbered and with a matching verdict."""
        chosen, plan = self.chosen, self.proposed.plan
        if chosen == plan.recommendations:
            return self.proposed
        ranked = tuple(replace(item, rank=rank) for rank, item in enumerate(chosen, 1))
        verdict = "Nothing is altered this round; the fitter decided so."
        if ranked:
            verdict = ranked[0].as_first
        return replace(self.proposed, plan=replace(plan, recommendations=ranked, verdict=verdict))

    def _amended(self, item: Recommendation) -> Recommendation:
        mm = self.amounts.get(item.alteration)
        if mm is None:
            return item
        return replace(item, amount=Amounts(self.proposed.diagnosis).by_hand(item.alteration, item.amount, mm))


def choice_of(base: RuleBase, conclusion: Conclusion, one: Round, units: Units) -> Choice:
    """Restore the choices of an earlier run of the round."""
    advised, amounts = by_alteration(one.advised), dict[str, float]()
    planned = {item.alteration: advised_as(item) for item in conclusion.plan.recommendations}
    for name in planned.keys() & advised.keys():
        mm, asked = advised[name][0].amount_mm, planned[name]
        if mm is None or len(advised[name]) > 1:
            continue  # an amount of its own for each side is never by hand
        if len(asked) > 1 or abs(mm - (asked[0].amount_mm or 0.0)) >= SAME_MM:
            amounts[name] = mm
    return Choice(base, conclusion, units, amounts=amounts).without(planned.keys() & set(one.left_out))


# -- the simulated body --------------------------------------------------------------------------------------------------


def nudged(rounds: Iterable[Round]) -> dict[str, float]:
    """How far (mm) the try-ons of these rounds moved each part of the simulated body in total."""
    total: dict[str, float] = {}
    for part, mm in (nudge for one in rounds for nudge in one.nudges.items()):
        total[part] = total.get(part, 0.0) + mm
    return total
