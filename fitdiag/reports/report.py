"""The report of a fitting as a tree of sections; every writer walks the same tree, so that all documents say the same."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from fitdiag.diagnosis.belief import Belief, Diagnosis, Question, chance_words, done_text, finding_text, lower_first
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.model import Alteration, RuleBase
from fitdiag.knowledge.stations import STATIONS, TITLES, station_of
from fitdiag.planning.plan import SIDE_WORDS, Named, Plan, Recommendation
from fitdiag.planning.stages import HONEST, MOVED_MM, Effects, Simulation, Stage, moving
from fitdiag.sessions.state import Conclusion
from fitdiag.units import format_change, format_given, format_reading

_ON_ONE_SCREEN = (
    "In short", "Contradictions", "On the pattern", "On simulated cloth", "The next question worth asking",
)  # fmt: skip
_COUNTS = ("No", "One", "Two", "Three", "Four", "Five")
_MOVED_NAMED = 3  # measures of the pattern that the screen names for each step
_SUGGESTS = "The tool suggests, the fitter decides."


@dataclass(frozen=True)
class Items:
    """A list; `numbered` if the order matters, by `numbers` where they are not 1, 2, 3."""

    title: str
    items: tuple[str, ...]
    numbered: bool = False
    numbers: tuple[int, ...] = ()

    @property
    def counted(self) -> tuple[tuple[int, str], ...]:
        """Each item with its number."""
        return tuple(zip(self.numbers or range(1, len(self.items) + 1), self.items, strict=True))


@dataclass(frozen=True)
class Section:
    """A heading with paragraphs, lists and sections below it."""

    title: str
    parts: tuple[str | Items | Section, ...] = ()


def counted(plan: Plan) -> str:
    """The number of changes in words: "Two changes now, one that may follow"."""
    perhaps = sum(bool(item.only_if) for item in plan.recommendations)
    now = len(plan.recommendations) - perhaps
    words = [_COUNTS[count] if count < len(_COUNTS) else str(count) for count in (now, perhaps)]
    follow = f", {words[1].lower()} that may follow" if perhaps else ""
    return f"{words[0]} change{'' if now == 1 else 's'} now{follow}"


def section(title: str, *parts: str | Items | Section, empty: str = "") -> Section:
    """Make a section without empty texts and lists; `empty` is its text if nothing is left."""
    kept = tuple(part for part in parts if (part.items if isinstance(part, Items) else part))
    return Section(title, kept or ((empty,) if empty else ()))


@dataclass(frozen=True)
class Report:
    """Everything a document needs. `sections` is the text; the rest, like the rules in its units, is for table and machine formats."""

    base: RuleBase
    title: str
    client: str
    conclusion: Conclusion
    next_question: Question | None
    sections: tuple[Section, ...] = field(default=())
    on_pattern: Effects | None = None
    simulated: Simulation | None = None

    @property
    def plan(self) -> Plan:
        return self.conclusion.plan


def make_report(
    base: RuleBase, conclusion: Conclusion, client: str = "", *, steps: bool = True, on_pattern: Effects | None = None,
    simulated: Simulation | None = None,
) -> Report:  # fmt: skip
    """The report of a conclusion. `client` is the fitter's own name for the client; empty if none is wanted.

    `steps=False` leaves the steps for cloth and paper and the longer reasoning out: the short form for the screen.
    `on_pattern`: what the plan does to the client's pattern, where there is one; `simulated`: what simulated cloth shows of it.
    """
    findings, plan = conclusion.diagnosis.findings, conclusion.plan
    base = base.in_units(findings.units)
    name = client or findings.client
    next_question = conclusion.diagnosis.next_question()
    writer = _Writer(base, findings, steps=steps, simulated=simulated)
    reasoning = writer.beliefs(conclusion.diagnosis)
    apart = tuple(item.text for item in conclusion.contradictions)
    ask = base.symptoms[next_question.symptom] if next_question is not None else None
    look = f" {ask.look}" if ask and steps else ""
    sections = (
        writer.at_a_glance(plan),
        writer.findings(),
        section("Contradictions", Items("", apart)),
        *(() if steps else (reasoning,)),
        writer.plan(plan),
        writer.closings(plan),
        writer.on_pattern(on_pattern, plan) if on_pattern is not None else None,
        writer.on_cloth(simulated) if simulated is not None else None,
        writer.leave_alone(plan),
        section("Later, if still needed", Items("", tuple(map(writer.named, plan.later)))),
        section("The next question worth asking", f"{ask.ask}{look} " if ask else ""),
        *((reasoning,) if steps else ()),
        section("Notes", Items("", findings.notes)),
        section("Cautions", Items("", cautions(base, plan))),
    )
    kept = tuple(part for part in sections if part is not None and part.parts)
    title = f"Alteration list for {name}" if name else "Alteration list"
    return Report(base, title, name, conclusion, next_question, kept, on_pattern, simulated)


def for_one_screen(report: Report) -> tuple[Section, ...]:
    """The sections of a report that are told on a screen, what becomes of the pattern in a line for each step."""
    writer = _Writer(report.base, report.conclusion.diagnosis.findings, steps=False)
    effects = report.on_pattern
    return tuple(
        writer.on_pattern_in_short(effects, report.plan)
        if one.title == "On the pattern" and effects is not None
        else one
        for one in report.sections
        if one.title in _ON_ONE_SCREEN
    )


class _Writer:
    def __init__(self, base: RuleBase, findings: Findings, *, steps: bool, simulated: Simulation | None = None) -> None:
        self.base, self.known, self.steps, self.simulated = base, findings, steps, simulated

    def at_a_glance(self, plan: Plan) -> Section:
        """The list itself, short enough for one screen: the verdict, each alteration in one line, what to check."""
        now = [item for item in plan.recommendations if not item.only_if]
        perhaps = [item for item in plan.recommendations if item.only_if]
        checks = dict.fromkeys(self.base.alterations[item.alteration].check_next[0] for item in now)
        return section(
            "In short",
            plan.verdict,
            f"{counted(plan)}." if plan.recommendations else "",
            Items("Now", tuple(map(_in_a_row, now)), numbered=True, numbers=tuple(item.rank for item in now)),
            Items("Only if needed", tuple(map(_in_a_row, perhaps))),
            Items("Check at the next try-on", tuple(checks)),
        )

    def findings(self) -> Section:
        known = self.known
        found, notes = known.symptoms.values(), self.base.body_notes
        seen = [finding_text(self.base, one, known) for one in found if one.seen == "yes"]
        small = [finding_text(self.base, one, known) for one in found if one.seen == "no" and one.amount_mm]
        unsure = [lower_first(self.base.symptoms[one.symptom].title) for one in found if one.seen == "unsure"]
        marked = {"marked": " (marked)"}
        body = [notes[note].title + marked.get(grade, "") for note, grade in known.body.items() if grade != "no"]
        done = [f"Round {item.round}: {done_text(self.base, item, known.units)}" for item in known.done]
        lists = {
            "Seen or felt": seen, "Measured": small, "Looked for and not found": self._absent(), "Not sure": unsure,
            "Shape and stance": body, "Done in earlier rounds": done,
        }  # fmt: skip
        items = (Items(title, tuple(items)) for title, items in lists.items())
        return section("Findings", *items, empty="Nothing was noted.")

    def _absent(self) -> list[str]:
        """What was looked for and not seen, one line per station."""
        lines: dict[str, list[str]] = {}
        for name, finding in self.known.symptoms.items():
            if finding.seen == "no" and not finding.amount_mm:
                symptom = self.base.symptoms[name]
                lines.setdefault(station_of(symptom), []).append(lower_first(symptom.title))
        return [f"{TITLES[station]}: {'; '.join(lines[station])}" for station in STATIONS if station in lines]

    def beliefs(self, diagnosis: Diagnosis) -> Section:
        rest = "; ".join(
            f"{lower_first(self.base.causes[belief.cause].title)} ({chance_words(belief.probability)})"
            for belief in diagnosis.not_ruled_out
        )
        title, not_ruled_out = "What the pattern may do", f"Not ruled out: {rest}." if rest else ""
        if not diagnosis.likely:
            return section(title, "No cause is likely from what was seen.", not_ruled_out)
        if not self.steps:
            return section(title, Items("", tuple(map(self.in_a_line, diagnosis.likely))), not_ruled_out)
        likely = {belief.cause for belief in diagnosis.likely}
        return section(title, *(self._belief(belief, likely) for belief in diagnosis.likely), not_ruled_out)

    def _belief(self, belief: Belief, likely: Collection[str]) -> Section:
        """A likely cause with its reasons, and the likely causes it may be confused with."""
        cause, causes = self.base.causes[belief.cause], self.base.causes
        alike = (other for other in cause.look_alikes if other.cause in causes and other.cause in likely)
        return section(
            f"{cause.title}: {chance_words(belief.probability)}",
            cause.why,
            Items("For it", tuple(reason.speaks for reason in belief.because[:5])),
            Items("Against it", tuple(reason.speaks for reason in belief.against[:4])),
            Items("Not when", cause.not_when),
            Items("Not to be confused with", tuple(f"{causes[other.cause].title}: {other.tell}" for other in alike)),
        )

    def in_a_line(self, belief: Belief) -> str:
        """A belief for the screen: the cause, how sure, and the strongest reasons for and against."""
        text = f"{self.base.causes[belief.cause].title}: {chance_words(belief.probability)}."
        if belief.because:
            text += f" For it: {'; '.join(lower_first(reason.text) for reason in belief.because[:3])}."
        if belief.against:
            text += f" Against it: {'; '.join(lower_first(reason.text) for reason in belief.against[:2])}."
        return text

    def plan(self, plan: Plan) -> Section:
        order = f"Do them in this order, and try on before you go on. {_SUGGESTS}" if plan.recommendations else ""
        return section("This round", plan.verdict, order, *map(self.recommendation, plan.recommendations))

    def recommendation(self, item: Recommendation) -> Section:
        rule: Alteration = self.base.alterations[item.alteration]
        extra = f" {item.amount.extra}" if item.amount.extra else ""
        shown = self.simulated.of(item.alteration) if self.simulated is not None else None
        seen = () if shown is None else _capital(shown.changes) or ("Nothing a fitter would see.",)
        parts: list[str | Items] = [
            f"{item.only_if}. Otherwise leave it." if item.only_if else "",
            rule.why if self.steps else "",
            f"How much: {item.amount.text}, {SIDE_WORDS[item.where]}. {item.amount.basis}{extra}",
            f"Where: {rule.operation.cut}. Hinge: {rule.operation.hinge}.",
            Items("Because", item.because),
            Items("Against", item.against),
            Items("What simulated cloth shows", seen),
        ]
        if self.steps:
            parts += [
                Items("On the cloth", rule.cloth, numbered=True),
                Items("On the paper", rule.paper, numbered=True),
                Items("True up", rule.true_up),
                Items("What it does to the rest", rule.effects),
            ]
        head = f"{item.rank}. {item.title}: {item.amount.text}{' (only if needed)' if item.only_if else ''}"
        return section(head, *parts, Items("Check at the next try-on", rule.check_next))

    def on_pattern(self, found: Effects, plan: Plan) -> Section:
        """The measures that change: before, after each step and at the end; amounts solved on the pattern; warnings."""
        return section(
            "On the pattern",
            f"The pattern is {found.grade}." if found.grade else "",
            *(
                self._solved(item, found.solved[item.alteration])
                for item in plan.recommendations
                if item.alteration in found.solved
            ),
            *(
                Items(f"{title}: measures that move", tuple(self.moved(stages, name) for name in moving(stages)))
                for title, stages in (("Earlier rounds", found.history), ("This round", found.stages))
            ),
            Items("Warnings", found.warnings),
            empty="No measure of the pattern moves.",
        )

    def on_pattern_in_short(self, found: Effects, plan: Plan) -> Section:
        """The same for one screen: of each step of this round, the measures it moves most."""
        ranks = {item.alteration: item.rank for item in plan.recommendations}
        steps = tuple(
            f"{ranks[after.name]}, {lower_first(self.base.alterations[after.name].title)}: {text}."
            for before, after in pairwise(found.stages)
            if (text := self._moved_most(before, after))
        )
        told = (part for part in self.on_pattern(found, plan).parts if isinstance(part, str))
        moving_most = Items("What each step moves most", steps)
        return section("On the pattern", *told, moving_most, Items("Warnings", found.warnings))

    def _moved_most(self, before: Stage, after: Stage) -> str:
        """The measures that a step moves most, the rest counted; empty if none is moved."""
        units, was = self.known.units, before.measures
        moved = {name: mm - was[name] for name, mm in after.measures.items() if name in was}
        changes = {
            name: change
            for name in sorted(moved, key=lambda name: -abs(moved[name]))
            if abs(moved[name]) >= MOVED_MM and (change := format_change(was[name], after.measures[name], units))
        }
        told = [f"{name} {change}" for name, change in list(changes.items())[:_MOVED_NAMED]]
        more = len(changes) - len(told)
        return "; ".join([*told, *([f"{more} more"] if more else [])])

    def _solved(self, item: Recommendation, mm: float) -> str:
        """The amount of an alteration that was solved on the pattern, and where it is not that of the list."""
        amount = format_given(mm, self.known.units)
        text = f"Solved on this pattern: {lower_first(self.base.alterations[item.alteration].title)}, {amount}."
        if amount == item.amount.text:
            return text
        return f"{text} The measures below are with that; the list has {item.amount.text}, from what was seen."

    def on_cloth(self, found: Simulation) -> Section:
        """What simulated cloth warns of, and on which body."""
        return section(
            "On simulated cloth",
            HONEST,
            Items("Before anyone cuts", found.warnings),
            Items("How close it came to this try-on", found.near),
            Items(f"The body, in {found.cloth.lower()}", _capital(found.body) if self.steps else ()),
        )

    def moved(self, stages: Sequence[Stage], name: str) -> str:
        """One measure through the stages of a plan, with the change of each step."""
        units = self.known.units
        text = f"{name}: {format_reading(stages[0].measures[name], units)}"
        for before, after in pairwise(stage for stage in stages if name in stage.measures):
            change = after.measures[name] - before.measures[name]
            if abs(change) >= MOVED_MM:
                title = lower_first(self.base.alterations[after.name].title)
                now = format_reading(after.measures[name], units)
                by = format_change(before.measures[name], after.measures[name], units) or "hardly changed"
                text += f"; after '{title}' {now} ({by})"
        return text

    def closings(self, plan: Plan) -> Section:
        """Every sign seen, one line each."""
        items = tuple(f"{self.base.symptoms[item.symptom].title}: {lower_first(item.text)}" for item in plan.closings)
        return section("What becomes of each sign", Items("", items))

    def leave_alone(self, plan: Plan) -> Section:
        named = Items("", tuple(map(self.named, plan.leave_alone)))
        return section("Leave alone", Items("May stay as it is", plan.may_stay), named)

    def named(self, item: Named) -> str:
        return f"{self.base.alterations[item.alteration].title}: {' '.join(item.because)}"


def cautions(base: RuleBase, plan: Plan) -> tuple[str, ...]:
    """The cautions that apply; fewer if nothing is altered."""
    wanted = ("always", "pinning", "cutting", "pressing") if plan.recommendations else ("always",)
    return tuple(caution.text for caution in base.about.cautions if caution.when in wanted)


def _capital(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(text[:1].upper() + text[1:] for text in texts)


def _in_a_row(item: Recommendation) -> str:
    return f"{item.title}: {item.amount.text}, {SIDE_WORDS[item.where]}"


def brief(plan: Plan) -> Iterable[str]:
    """The plan in a few lines, for the end of an interview."""
    yield plan.verdict
    for item in plan.recommendations:
        yield f"{item.rank}. {_in_a_row(item)}{f'. {item.only_if}.' if item.only_if else ''}"
