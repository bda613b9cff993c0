"""What the rounds of a case add up to: what was done, what was expected and observed, what went too far, what goes in circles.

Turns a case, the rules and the round's findings into plain values and sentences. A prediction carries its range; nothing inside
it is called a miss.

The list as the fitter wants it, and what the try-ons taught about the simulated body, are here as well.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import hypot
from typing import Any

from fitdiag.diagnosis.belief import how_done, lower_first
from fitdiag.files import digest, refusals, remove_file
from fitdiag.knowledge.about import FigurePart
from fitdiag.knowledge.basics import Part, Strict
from fitdiag.knowledge.findings import Done, Earlier, Finding, Findings, Side, gone_mm
from fitdiag.knowledge.findings_file import findings_text, read_findings
from fitdiag.knowledge.model import Alteration, RuleBase, Symptom
from fitdiag.knowledge.reading import read_file
from fitdiag.knowledge.strict_yaml import read_yaml
from fitdiag.planning.amounts import Amounts
from fitdiag.planning.plan import Plan, Recommendation
from fitdiag.plausible import doubt_of_alteration
from fitdiag.problems import one_line, stop
from fitdiag.sessions.case import alone, case_findings, update_round
from fitdiag.sessions.case_files import Advised, Carried, Case, Millimetres, Outcome, Round
from fitdiag.sessions.from_photos import tells_more
from fitdiag.sessions.log import Event
from fitdiag.sessions.round_log import RoundLog
from fitdiag.sessions.state import Conclusion, answer_event, conclude, events_of, offered_event
from fitdiag.units import InvalidLengthError, Units, format_error, format_length, format_reading, parse_length

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
        known = replace(known, body={**known.body, **look.body})
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
    before = {f.symptom: (f.amount_mm, f.error_mm or ERROR_MM) for f in findings.seen if f.amount_mm is not None}
    change, spread = dict[str, float](), dict[str, float]()
    for item in advised:
        rule = base.alterations.get(item.alteration)
        if rule is None or item.amount_mm is None:
            continue
        for expects in rule.expects:
            way = -1.0 if item.less else 1.0
            change[expects.symptom] = change.get(expects.symptom, 0.0) + expects.change * way * item.amount_mm
            half = abs(expects.range[1] - expects.range[0]) / 2 * item.amount_mm
            spread[expects.symptom] = spread.get(expects.symptom, 0.0) + half**2
    for symptom in before:
        measure = base.symptoms[symptom].measure if symptom in base.symptoms else None
        moved = (on_pattern or {}).get(measure.on_pattern or "", 0.0) if measure is not None else 0.0
        if abs(moved) > 0.5:
            change[symptom], spread[symptom] = moved, (moved * PATTERN_SHARE) ** 2
    return {
        symptom: Outcome(round(was, 1), round(was + moved, 1), None, round((spread[symptom] + error**2) ** 0.5, 1))
        for symptom, moved in change.items()
        if symptom in before
        for was, error in (before[symptom],)
    }


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


def _in_all(done: Iterable[Done]) -> float:
    return sum(item.signed_mm or 0.0 for item in done)


def _too_far(
    base: RuleBase, done: _DoneOf, looks: Sequence[Findings], moved_mm: Mapping[str, float], plan: Plan
) -> Iterator[str]:
    """Warn of alterations whose own signs are seen now and came with them: they may have gone too far."""
    units = looks[-1].units
    for alteration, items in done.items():
        rule, mm, rounds = base.alterations[alteration], _in_all(items), {item.round for item in items}
        if mm - _in_all(done.get(rule.opposite or "", ())) < 3.0:
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


def _over_the_rounds(base: RuleBase, done: _DoneOf, units: Units) -> Iterator[str]:
    """Warn of what goes in circles (reversing once does not count), comes back, or exceeds what one pattern takes."""
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


# -- what was done, and what came in ------------------------------------------------------------------------------------


def reported_done(
    base: RuleBase, one: Round, texts: Sequence[str], ticked: Iterable[tuple[str, str, float | None]], units: Units
) -> dict[str, Carried]:
    """Read what was really done of a round from `alteration=amount`, `=yes` or `=no` texts, else the form, by alteration.

    Without an amount, or a side behind it, it is as was advised. Raises ProblemsFoundError.
    """
    advised = {item.alteration: item for item in one.advised}
    reported: dict[str, Carried] = {}
    for name, _, text in (item.partition("=") for item in texts):
        if name not in base.alterations:
            hint = "`fitdiag rules list alterations`"
            raise stop("argument", f"there is no alteration '{one_line(name, 40)}'", hint=hint)
        amount, side = without_side(text)
        amount, less = without_way(base.alterations[name], amount)
        mm, was_done = _amount_or_no(base, name, amount, units)
        as_advised = advised.get(name, Advised(name))
        reported[name] = carried_as(as_advised, mm, side, less) if was_done else Carried(name, None, done=False)
    for name, state, mm in ticked:
        was_done = state in ("as-written", "otherwise")
        done = carried_as(advised.get(name, Advised(name)), mm) if was_done else Carried(name, None, done=False)
        reported.setdefault(name, done)
    return reported


def carried_as(
    advised: Advised, mm: float | None = None, side: Side | None = None, less: bool | None = None
) -> Carried:
    """What was done of an alteration: as was advised, but for the amount, the side and the way that are given."""
    done = mm if mm is not None else advised.amount_mm
    return Carried(advised.alteration, done, side=side or advised.side, less=advised.less if less is None else less)


def advised_as(item: Recommendation) -> Advised:
    """A recommendation as the round records it."""
    return Advised(item.alteration, item.amount.mm, item.side, item.amount.less or None)


def without_side(text: str) -> tuple[str, Side | None]:
    """An amount typed as really done, and the side behind it, if one is named.

    >>> without_side("3/4 in left side only"), without_side("2 cm")
    (('3/4 in', 'left'), ('2 cm', None))
    """
    match = re.fullmatch(r"(.*\S)[\s,]+(left|right|both)(?: sides?)?(?: only)?", text.strip(), re.IGNORECASE)
    return (text, None) if match is None else (match[1].rstrip(","), match[2].lower())  # type: ignore[return-value]


def without_way(rule: Alteration, text: str) -> tuple[str, bool | None]:
    """An amount typed as really done, and whether it was done in reverse, if the way is named: `shorter by 2 cm`, `-2 cm`."""
    ways = rule.amount.ways
    for way, sign, less in () if ways is None else ((ways.less, "[-−]", True), (ways.more, r"\+", False)):
        word, _, by = way.partition(" ")
        if match := re.fullmatch(rf"(?:{word}(?: {by})?\b|{sign})\s*(.*)", text.strip(), re.IGNORECASE):
            return match[1], less
    return text, None


def _amount_or_no(base: RuleBase, alteration: str, text: str, units: Units) -> tuple[float | None, bool]:
    said = text.strip().lower()
    if said in ("", "yes", "no"):
        return None, said != "no"
    try:
        mm = parse_length(text).mm
    except InvalidLengthError as error:
        raise stop("argument", f"{alteration}: {error}") from None
    if doubt := doubt_of_alteration(mm, base.alterations[alteration].most_a_round.amount_mm, units):
        raise stop("amount", f"{alteration}: {doubt}", hint="check the amount and its unit")
    return mm, True


def done_late(before: Round, reported: Mapping[str, Carried], texts: Sequence[str]) -> tuple[Carried, ...]:
    """What was done of a round, with later reports added; what is known already changes only where `texts` say so."""
    known, said = {item.alteration: item for item in before.done}, {text.partition("=")[0] for text in texts}
    new = {name: item for name, item in reported.items() if name not in known or name in said}
    return tuple({**known, **new}.values())


def changed_in_all(base: RuleBase, case: Case) -> list[str]:
    """Describe what was altered over all rounds: each alteration, on each side it was done on, once with its total.

    What was done one way and the other is set against each other.
    """
    amounts: dict[tuple[str, Side], list[float | None]] = {}
    for item in (item.as_done() for one in case.rounds for item in one.done if item.done):
        amounts.setdefault((item.alteration, item.side), []).append(item.signed_mm)
    lines = []
    for (name, side), each in amounts.items():
        known = [mm for mm in each if mm is not None]
        total = sum(known) if known else None
        how = how_done(base, Done(name, abs(total) if total else None, 1, side, less=(total or 0.0) < 0.0), case.units)
        if total == 0.0:
            how.insert(0, "there and back again, nothing in all")
        if len(known) < len(each):
            how.append("and as it was pinned" if known else "as it was pinned")
        lines.append(f"{base.title(name)}: {', '.join(how)}")
    return lines


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
            title = self.base.alterations[ranked[0].alteration].title
            verdict = f"First: {lower_first(title)}, {ranked[0].amount.text}."
        return replace(self.proposed, plan=replace(plan, recommendations=ranked, verdict=verdict))

    def _amended(self, item: Recommendation) -> Recommendation:
        mm = self.amounts.get(item.alteration)
        if mm is None:
            return item
        return replace(item, amount=Amounts(self.proposed.diagnosis).by_hand(item.alteration, item.amount, mm))


def choice_of(base: RuleBase, conclusion: Conclusion, one: Round, units: Units) -> Choice:
    """Restore the choices of an earlier run of the round."""
    planned = {item.alteration: item.amount.mm for item in conclusion.plan.recommendations}
    advised = {item.alteration: item.amount_mm for item in one.advised if item.amount_mm is not None}
    amounts = {name: mm for name, mm in advised.items() if name in planned and abs(mm - planned[name]) >= SAME_MM}
    return Choice(base, conclusion, units, amounts=amounts).without(planned.keys() & set(one.left_out))


# -- the simulated body --------------------------------------------------------------------------------------------------


def nudged(rounds: Iterable[Round]) -> dict[str, float]:
    """How far (mm) the try-ons of these rounds moved each part of the simulated body in total."""
    total: dict[str, float] = {}
    for part, mm in (nudge for one in rounds for nudge in one.nudges.items()):
        total[part] = total.get(part, 0.0) + mm
    return total


@dataclass(frozen=True)
class _Nudge(Strict):
    round: int
    part: FigurePart
    mm: Millimetres


class _Nudges(Part):
    nudges: tuple[_Nudge, ...] = ()


def take_over_nudges(case: Case) -> Case:
    """Move the nudges an older version kept in `simulated-body.yaml` into their rounds. Raises ProblemsFoundError."""
    path = case.folder / "simulated-body.yaml"
    if not path.exists():
        return case
    with alone(case.folder):
        kept = read_file(read_yaml(path), _Nudges, "fitdiag.body/1").nudges
        for one in case.rounds:
            moved = {item.part: item.mm for item in kept if item.round == one.number}
            if moved and not one.nudges:
                case = update_round(case, replace(one, nudges=moved))
        with refusals(path, "this cannot be removed"):
            remove_file(path)
    return case
