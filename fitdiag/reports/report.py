"""The report of a fitting as a tree of sections; every writer walks the same tree, so that all documents say the same."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from fitdiag.diagnosis.belief import Belief, Diagnosis, Question, chance_words, lower_first, told
from fitdiag.knowledge.findings import Findings, Side
from fitdiag.knowledge.model import Alteration, RuleBase
from fitdiag.knowledge.stations import STATIONS, TITLES, station_of
from fitdiag.planning.plan import Named, Plan, Recommendation
from fitdiag.planning.stages import HONEST, MOVED_MM, Effects, Simulation, Stage, moving
from fitdiag.sessions.state import Conclusion
from fitdiag.units import format_given, format_reading, read_off

SIDE_WORDS: dict[Side, str] = {"left": "left side", "right": "right side", "both": "both sides"}
_COUNTS = ("No", "One", "Two", "Three")
_SUGGESTS = "The tool suggests, the fitter decides."


@dataclass(frozen=True)
class Items:
    """A list; `numbered` when the order counts."""

    title: str
    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True)
class Section:
    """A heading with paragraphs, lists and sections below it."""

    title: str
    parts: tuple[str | Items | Section, ...] = ()


@dataclass(frozen=True)
class Report:
    """Everything a document needs. `sections` is the text; the rest is for the table and machine formats."""

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
    sections = [writer.at_a_glance(plan)]
    sections += [writer.findings(), writer.plan(plan)] if steps else [writer.findings(), reasoning, writer.plan(plan)]
    if conclusion.contradictions:
        told_apart = tuple(item.text for item in conclusion.contradictions)
        sections.insert(2, Section("Does not go together", (Items("", told_apart),)))
    if plan.closings:
        sections.append(writer.closings(plan))
    if on_pattern is not None:
        sections.append(writer.on_pattern(on_pattern))
    if simulated is not None:
        sections.append(writer.on_cloth(simulated))
    if plan.leave_alone or plan.may_stay:
        sections.append(writer.leave_alone(plan))
    if plan.later:
        sections.append(
            Section("Later, if still needed", (Items("", tuple(writer.named(item) for item in plan.later)),))
        )
    if next_question is not None:
        symptom = base.symptoms[next_question.symptom]
        look = f" {symptom.look}" if steps else ""
        text = f"{symptom.ask}{look} "
        sections.append(Section("The next question worth asking", (text,)))
    if steps:
        sections.append(reasoning)
    if findings.notes:
        sections.append(Section("Notes", (Items("", findings.notes),)))
    cautions = writer.cautions(bool(plan.recommendations))
    if cautions:
        sections.append(Section("Cautions", (Items("", cautions),)))
    title = f"Alteration list for {name}" if name else "Alteration list"
    return Report(title, name, conclusion, next_question, tuple(sections), on_pattern, simulated)


class _Writer:
    def __init__(self, base: RuleBase, findings: Findings, *, steps: bool, simulated: Simulation | None = None) -> None:
        self.base, self.known, self.steps, self.simulated = base, findings, steps, simulated

    def at_a_glance(self, plan: Plan) -> Section:
        """The list itself, short enough for one screen: the verdict, each alteration in one line, what to check."""
        now = [item for item in plan.recommendations if not item.only_if]
        perhaps = [item for item in plan.recommendations if item.only_if]
        parts: list[str | Items] = [plan.verdict]
        if plan.recommendations:
            counts = f"{_COUNTS[len(now)]} change{'' if len(now) == 1 else 's'} now"
            if perhaps:
                counts += f", {_COUNTS[len(perhaps)].lower()} that may follow"
            parts.append(f"{counts}.")
            parts.append(Items("Now", tuple(self._in_a_row(item) for item in now), numbered=True))
        if perhaps:
            parts.append(Items("Only if needed", tuple(self._in_a_row(item) for item in perhaps)))
        checks = dict.fromkeys(self.base.alterations[item.alteration].check_next[0] for item in now)
        if checks:
            parts.append(Items("Check at the next try-on", tuple(checks)))
        return Section("In short", tuple(parts))

    def _in_a_row(self, item: Recommendation) -> str:
        return f"{item.title}: {item.amount.text}, {SIDE_WORDS[item.side]}"

    def findings(self) -> Section:
        known = self.known
        items = [told(self.base, finding, known) for finding in known.symptoms.values() if finding.seen == "yes"]
        small = [
            told(self.base, finding, known)
            for finding in known.symptoms.values()
            if finding.seen == "no" and finding.amount_mm
        ]
        absent = self._absent()
        unsure = [
            lower_first(self.base.symptoms[name].title)
            for name, finding in known.symptoms.items()
            if finding.seen == "unsure"
        ]
        body = [
            self.base.body_notes[note].title + (" (marked)" if grade == "marked" else "")
            for note, grade in known.body.items()
            if grade != "no"
        ]
        done = []
        for item in known.done:
            much = f", {format_given(item.amount_mm, known.units)}" if item.amount_mm is not None else ""
            done.append(f"Round {item.round}: {lower_first(self.base.alterations[item.alteration].title)}{much}")
        parts: list[str | Items] = []
        if items:
            parts.append(Items("Seen or felt", tuple(items)))
        if small:
            parts.append(Items("Measured", tuple(small)))
        if absent:
            parts.append(Items("Looked for and not there", tuple(absent)))
        if unsure:
            parts.append(Items("Could not be said", tuple(unsure)))
        if body:
            parts.append(Items("Shape and stance", tuple(body)))
        if done:
            parts.append(Items("Done in earlier rounds", tuple(done)))
        return Section("Findings", tuple(parts) or ("Nothing was noted.",))

    def _absent(self) -> list[str]:
        """What was looked for and is not there, one line a station."""
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
        not_ruled_out = (f"Not ruled out: {rest}.",) if rest else ()
        if not diagnosis.likely:
            return Section("What the pattern may do", ("No cause is likely from what was seen.", *not_ruled_out))
        if not self.steps:
            likely = Items("", tuple(self.in_a_line(belief) for belief in diagnosis.likely))
            return Section("What the pattern may do", (likely, *not_ruled_out))
        sections: list[Section] = []
        for belief in diagnosis.likely:
            cause = self.base.causes[belief.cause]
            parts: list[str | Items] = [cause.why]
            if belief.because:
                parts.append(
                    Items(
                        "For it",
                        tuple(f"{reason.text}: speaks {reason.firmness} for it" for reason in belief.because[:5]),
                    )
                )
            if belief.against:
                parts.append(
                    Items(
                        "Against it",
                        tuple(f"{reason.text}: speaks {reason.firmness} against it" for reason in belief.against[:4]),
                    )
                )
            parts.append(Items("Not when", cause.not_when))
            alike = [
                f"{self.base.causes[other.cause].title}: {other.tell}"
                for other in cause.look_alikes
                if other.cause in self.base.causes and other.cause in {belief.cause for belief in diagnosis.likely}
            ]
            if alike:
                parts.append(Items("Not to be taken for", tuple(alike)))
            sections.append(Section(f"{cause.title}: {chance_words(belief.probability)}", tuple(parts)))
        return Section("What the pattern may do", (*sections, *not_ruled_out))

    def in_a_line(self, belief: Belief) -> str:
        """A belief on the screen: the cause, how sure, and the firmest reasons on both sides."""
        text = f"{self.base.causes[belief.cause].title}: {chance_words(belief.probability)}."
        if belief.because:
            text += f" For it: {'; '.join(lower_first(reason.text) for reason in belief.because[:3])}."
        if belief.against:
            text += f" Against it: {'; '.join(lower_first(reason.text) for reason in belief.against[:2])}."
        return text

    def plan(self, plan: Plan) -> Section:
        parts: list[str | Items | Section] = [plan.verdict]
        if plan.recommendations:
            parts.append(f"Do them in this order, and try on before you go on. {_SUGGESTS}")
        parts += [self.recommendation(item) for item in plan.recommendations]
        return Section("This round", tuple(parts))

    def recommendation(self, item: Recommendation) -> Section:
        rule: Alteration = self.base.alterations[item.alteration]
        parts: list[str | Items] = []
        if item.only_if:
            parts.append(f"{item.only_if}. Otherwise leave it.")
        if self.steps:
            parts.append(rule.why)
        extra = f" {item.amount.extra}" if item.amount.extra else ""
        parts.append(f"How much: {item.amount.text}, {SIDE_WORDS[item.side]}. {item.amount.basis}{extra}")
        parts.append(f"Where: {rule.operation.cut}. Hinge: {rule.operation.hinge}.")
        if item.because:
            parts.append(Items("Because", item.because))
        if item.against:
            parts.append(Items("Against", item.against))
        shown = self.simulated.of(item.alteration) if self.simulated is not None else None
        if shown is not None:
            parts.append(
                Items("What simulated cloth shows of it", _capital(shown.told) or ("Nothing a fitter would see.",))
            )
        if not self.steps:
            parts.append(Items("Check at the next try-on", rule.check_next))
            return Section(self.headline(item), tuple(parts))
        parts += [
            Items("On the cloth", rule.cloth, numbered=True),
            Items("On the paper", rule.paper, numbered=True),
            Items("True up", rule.true_up),
            Items("What it does to the rest", rule.effects),
            Items("Check at the next try-on", rule.check_next),
        ]
        return Section(self.headline(item), tuple(parts))

    def headline(self, item: Recommendation) -> str:
        """`1. Tuck across the back …: 3/4 in`, with a word if it waits for something."""
        return f"{item.rank}. {item.title}: {item.amount.text}{' (only if needed)' if item.only_if else ''}"

    def on_pattern(self, found: Effects) -> Section:
        """The measures that move, before, after each step and at the end; amounts solved on the pattern; warnings."""
        units, parts = self.known.units, list[str | Items]()
        if found.grade:
            parts.append(f"The pattern is {found.grade}.")
        for name, amount in found.solved.items():
            parts.append(
                f"Solved on this pattern: {lower_first(self.base.alterations[name].title)}, {format_given(amount, units)}."
            )
        for title, stages in (("Earlier rounds", found.history), ("This round", found.stages)):
            lines = [self.moved(stages, name) for name in moving(stages)]
            if lines:
                parts.append(Items(f"{title}: measures that move", tuple(lines)))
        if found.warnings:
            parts.append(Items("Warnings", found.warnings))
        return Section("On the pattern", tuple(parts) or ("No measure of the pattern moves.",))

    def on_cloth(self, found: Simulation) -> Section:
        """What simulated cloth warns of, and on which body."""
        parts: list[str | Items] = [HONEST]
        if found.warnings:
            parts.append(Items("Before anyone cuts", found.warnings))
        if found.near:
            parts.append(Items("How near it came to this try-on", found.near))
        if self.steps:
            parts.append(Items(f"The body, in {found.cloth.lower()}", _capital(found.body)))
        return Section("On simulated cloth", tuple(parts))

    def moved(self, stages: Sequence[Stage], name: str) -> str:
        """One measure through the stages of a plan, with the change of each step."""
        units = self.known.units
        text = f"{name}: {format_reading(stages[0].measures[name], units)}"
        for before, after in pairwise(stages):
            change = after.measures[name] - before.measures[name]
            if abs(change) >= MOVED_MM:
                title = lower_first(self.base.alterations[after.name].title)
                now = format_reading(after.measures[name], units)
                shown = read_off(after.measures[name], units) - read_off(before.measures[name], units)
                by = f"{'+' if shown > 0 else '-'}{format_reading(abs(shown), units)}" if shown else "hardly changed"
                text += f"; after '{title}' {now} ({by})"
        return text

    def closings(self, plan: Plan) -> Section:
        """Every sign that was seen, each in one line."""
        items = tuple(f"{self.base.symptoms[item.symptom].title}: {lower_first(item.text)}" for item in plan.closings)
        return Section("What becomes of each sign", (Items("", items),))

    def leave_alone(self, plan: Plan) -> Section:
        parts: list[str | Items] = []
        if plan.may_stay:
            parts.append(Items("May stay as it is", plan.may_stay))
        if plan.leave_alone:
            parts.append(Items("", tuple(self.named(item) for item in plan.leave_alone)))
        return Section("Leave alone", tuple(parts))

    def named(self, item: Named) -> str:
        return f"{self.base.alterations[item.alteration].title}: {' '.join(item.because)}"

    def cautions(self, cutting: bool) -> tuple[str, ...]:
        wanted = ("always", "pinning", "cutting", "pressing") if cutting else ("always",)
        return tuple(caution.text for caution in self.base.about.cautions if caution.when in wanted)


def _capital(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(text[:1].upper() + text[1:] for text in texts)


def brief(report: Report, base: RuleBase) -> Iterable[str]:
    """The plan in a few lines, for the end of an interview."""
    yield report.plan.verdict
    for item in report.plan.recommendations:
        tail = f". {item.only_if}." if item.only_if else ""
        yield f"{item.rank}. {item.title}: {item.amount.text}, {SIDE_WORDS[item.side]}{tail}"
