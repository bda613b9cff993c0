"""What a round advised and what was really done of it, side by side: told on the command line, on the form or when asked.

A side that is altered by an amount of its own has an entry of its own, so one alteration may stand in a round twice.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, TypeVar

from fitdiag.diagnosis.belief import done_text, how_done, lower_first
from fitdiag.knowledge.findings import LEFT_RIGHT, Done, Findings, Side
from fitdiag.knowledge.model import Alteration, RuleBase
from fitdiag.knowledge.said import Said, only_says, read_said
from fitdiag.plausible import doubt_of_alteration
from fitdiag.problems import one_line, shown_path, stop
from fitdiag.sessions.case_files import ROUND_FILE, Advised, Carried, Case, Round
from fitdiag.units import Length, Units

if TYPE_CHECKING:
    from fitdiag.planning.plan import Recommendation

_Entry = TypeVar("_Entry", Advised, Carried)
Reported = Mapping[str, tuple[Carried, ...]]  # by alteration: an entry for each side that got an amount of its own


def advised_as(item: Recommendation) -> tuple[Advised, ...]:
    """A recommendation as the round records it, one entry for each amount that is cut."""
    less, only_if = item.amount.less or None, item.only_if_symptom
    if item.where == "one":  # nobody knows which side it will be
        return (Advised(item.alteration, item.amount.mm, "both", less, only_if),)
    return tuple(Advised(item.alteration, abs(mm), side or "both", less, only_if) for side, mm in item.cuts())


def by_alteration(items: Iterable[_Entry]) -> dict[str, tuple[_Entry, ...]]:
    """The entries of each alteration together, in the order of the first of them."""
    result: dict[str, list[_Entry]] = {}
    for item in items:
        result.setdefault(item.alteration, []).append(item)
    return {name: tuple(same) for name, same in result.items()}


def not_told(one: Round) -> tuple[str, ...]:
    """The alterations advised in a round of which nobody has said whether they were done, once something was said of others."""
    told = {item.alteration for item in one.done}
    return tuple(dict.fromkeys(item.alteration for item in one.advised if told and item.alteration not in told))


def nothing_told(base: RuleBase, case: Case) -> Iterator[str]:
    """Say that nobody has told what was done of the list before the last round, if so."""
    if len(case.rounds) < 2:
        return
    before, last = case.rounds[-2:]
    if before.advised and not before.done:
        names = ", ".join(lower_first(base.title(name)) for name in by_alteration(before.advised))
        yield (
            f"What was done of round {before.number} is not known ({names}), so nothing of it counts below. If it was done, write it"
            f" under 'done:' in {shown_path(before.folder / ROUND_FILE)}, move {shown_path(last.log_file)} away and review again."
        )


def told_since(base: RuleBase, case: Case, findings: Findings) -> Iterator[str]:
    """What the earlier rounds say was done and the last one does not count, because its questions had already begun.

    That is so where somebody changed a `round.yaml` by hand. `findings`: those of the last round.
    """

    def kept(item: Done) -> tuple[object, ...]:
        mm = None if item.amount_mm is None else round(item.amount_mm, 1)
        return item.alteration, mm, item.round, item.side, item.less

    last, counted = case.rounds[-1], {kept(item) for item in findings.done}
    for item in case.done_before(last.number):
        if kept(item) not in counted:
            text = (
                f"Round {item.round} now says: {done_text(base, item, case.units)}. The list below does not count that"
            )
            text += f", because the questions of round {last.number} had already begun; to begin them again, move"
            yield f"{text} {shown_path(last.log_file)} away."


def told_amounts(base: RuleBase, items: Iterable[Advised], units: Units) -> str:
    """The amounts of one alteration in words: shorter by 1 in, left side only; shorter by 3/8 in, right side only."""
    return "; ".join(filter(None, (", ".join(how_done(base, item.as_done(), units)) for item in items)))


def read_done(rule: Alteration | None, text: str, units: Units) -> tuple[Said, bool | None] | None:
    """Read what is told of an alteration, and whether it was done in reverse, where the way is named: shorter by 2 cm, -2 cm.

    It may be yes, no, an amount, a side, or an amount for each side. None for anything else.
    """
    ways, less = rule.amount.ways if rule is not None else None, None
    for way, sign, in_reverse in () if ways is None else ((ways.less, "[-−]", True), (ways.more, r"\+", False)):
        word, _, by = way.partition(" ")
        if match := re.fullmatch(rf"(?:{word}(?: {by})?\b|{sign})\s*(.*)", text.strip(), re.IGNORECASE):
            text, less = match[1], in_reverse
    said = read_said(text, units) if only_says(text) else None
    return (said, less) if said is not None and said.seen != "unsure" else None


def amounts_of(said: Said) -> tuple[float, ...]:
    """The amounts that are told, in mm."""
    given = said.apart or ((said.length,) if said.length is not None else ())
    return tuple(length.mm for length in given)


def as_told(advised: Sequence[Advised], said: Said, less: bool | None = None) -> tuple[Carried, ...]:
    """What was done of one alteration: as its entries advise, but for the amounts, the side and the way that are told.

    An amount alone holds for the side or sides advised; where each was to get its own, it holds for both.
    """
    name, less = advised[0].alteration, advised[0].less if less is None else less
    if said.seen == "no":
        return (Carried(name, None, done=False),)
    if said.apart is not None:
        sides = zip(LEFT_RIGHT, said.apart, strict=True)
        return tuple(Carried(name, length.mm, side, less) for side, length in sides if length.mm)
    if said.length is not None:
        side = said.side or (advised[0].side if len(advised) == 1 else "both")
        return (Carried(name, said.length.mm, side, less),)
    if said.side in (None, "both"):
        return tuple(Carried(name, item.amount_mm, item.side, less) for item in advised)
    there = next((item for item in advised if item.side == said.side), advised[0])
    return (Carried(name, there.amount_mm, said.side, less),)


def reported_done(
    base: RuleBase, one: Round, texts: Sequence[str], ticked: Iterable[tuple[str, str, float | None]], units: Units
) -> dict[str, tuple[Carried, ...]]:
    """Read what was really done of a round from `alteration=amount`, `=yes` or `=no` texts, else the form, by alteration.

    Without an amount, or a side behind it, it is as was advised. Raises ProblemsFoundError.
    """
    advised = by_alteration(one.advised)
    reported: dict[str, tuple[Carried, ...]] = {}
    for name, _, text in (item.partition("=") for item in texts):
        reported[name] = as_told(advised.get(name, (Advised(name),)), *_read_checked(base, name, text, units))
    for name, state, mm in ticked:
        was_done = state in ("as-written", "otherwise")
        said = Said("yes" if was_done else "no", length=Length(mm) if was_done and mm is not None else None)
        reported.setdefault(name, as_told(advised.get(name, (Advised(name),)), said))
    return reported


def _read_checked(base: RuleBase, alteration: str, text: str, units: Units) -> tuple[Said, bool | None]:
    if alteration not in base.alterations:
        hint = "`fitdiag rules list alterations`"
        raise stop("argument", f"there is no alteration '{one_line(alteration, 40)}'", hint=hint)
    rule = base.alterations[alteration]
    read = read_done(rule, text.strip() or "yes", units)
    if read is None:
        hint = f"write it like {alteration}=3/4 in, =2 cm left, =yes or =no"
        raise stop("argument", f"{alteration}: '{one_line(text, 40)}' does not say what was done", hint=hint)
    doubts = (doubt_of_alteration(mm, rule.most_a_round.amount_mm, units) for mm in amounts_of(read[0]))
    if doubt := next(filter(None, doubts), ""):
        raise stop("amount", f"{alteration}: {doubt}", hint="check the amount and its unit")
    return read


def done_late(before: Round, reported: Reported, texts: Sequence[str]) -> tuple[Carried, ...]:
    """What was done of a round, with later reports added; what is known already changes only where `texts` say so."""
    known = by_alteration(before.done)
    said = {text.partition("=")[0] for text in texts}
    new = {name: items for name, items in reported.items() if name not in known or name in said}
    return tuple(item for items in ({**known, **new}).values() for item in items)


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
            how.insert(0, "there and back again, nothing overall")
        if len(known) < len(each):
            how.append("and as it was pinned" if known else "as it was pinned")
        lines.append(f"{base.title(name)}: {', '.join(how)}")
    return lines
