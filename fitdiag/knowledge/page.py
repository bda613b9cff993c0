"""One readable page per rule, as plain text: what it says, how firmly, and on whose word."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import Any

from fitdiag.knowledge.model import Alteration, BodyNote, Cause, RuleBase, Source, Symptom, source_key
from fitdiag.units import Units, format_length


def page(base: RuleBase, rule_id: str, units: Units = "in", width: int = 80) -> str | None:
    """The page of a rule, or None if there is no rule of that id. Lines are at most `width` characters."""
    found = base.find(rule_id)
    if found is None:
        return None
    writer = _Page(base, units, width)
    match found[1]:
        case Symptom() as rule:
            writer.symptom(rule)
        case BodyNote() as rule:
            writer.body_note(rule)
        case Cause() as rule:
            writer.cause(rule)
        case Alteration() as rule:
            writer.alteration(rule)
        case Source() as rule:
            writer.source_page(rule)
    return "\n".join(writer.lines).rstrip() + "\n"


class _Page:
    def __init__(self, base: RuleBase, units: Units, width: int) -> None:
        self.base, self.units, self.width = base, units, width
        self.lines: list[str] = []

    def head(self, title: str, kind: str, rule_id: str) -> None:
        self.text(title)
        self.lines.append("=" * min(len(title), self.width))
        self.text(f"{kind}, {rule_id}")
        self.lines.append("")

    def text(self, text: str, indent: str = "") -> None:
        first, rest = indent, " " * len(indent)
        whole: dict[str, Any] = {
            "break_long_words": False,
            "break_on_hyphens": False,
        }  # an id stays whole, so that it can be copied
        self.lines += textwrap.wrap(text, self.width, initial_indent=first, subsequent_indent=rest, **whole) or [""]

    def part(self, title: str, body: str) -> None:
        self.text(f"{title}: {body}")
        self.lines.append("")

    def items(self, title: str, items: Iterable[str], numbered: bool = False) -> None:
        shown = list(items)
        if not shown:
            return
        self.lines.append(title)
        for number, item in enumerate(shown, 1):
            mark = f"{number}. " if numbered else "- "
            self.text(item, "  " + mark)
        self.lines.append("")

    def cite(self, source: str) -> str:
        key = source_key(source)
        place = source[len(key) :].lstrip(", ")
        rule = self.base.sources[key]
        return rule.title + (f", {place}" if place else "") + ("" if rule.grade != "published" else " (published)")

    def length(self, mm: float) -> str:
        return format_length(mm, self.units)

    def symptom(self, rule: Symptom) -> None:
        self.head(rule.title, "symptom", rule.id)
        self.part("Asked", rule.ask)
        self.part("How to look", rule.look)
        if measure := rule.measure:
            past = "from" if measure.worse == "more" else "from this down:"
            grades = ", ".join(f"{grade} {past} {self.length(mm)}" for grade, mm in measure.grades_mm.items())
            self.part("How to measure", f"{measure.what}. {measure.how}")
            self.part("Counted as", f"{grades}. Half of fitters would call it seen at {self.length(measure.seen_from_mm)}"
                      f" (two careful fitters differ by {self.length(measure.give_mm)}). {self.cite(measure.source)}.")  # fmt: skip
        self.part("Seen in", ", ".join(rule.views))
        shown = [
            (self.base.words.how_often.words[link.how_often], link.how_often, cause)
            for cause in self.base.causes.values()
            for link in cause.shows
            if link.symptom == rule.id
        ]
        shown.sort(key=lambda item: (-item[0], item[2].id))
        self.items(
            "It can come from", (f"{cause.title} (shows it {how_often}); {cause.id}" for _, how_often, cause in shown)
        )
        self.items(
            "Not to be confused with", (f"{self.base.symptoms[other].title}; {other}" for other in rule.confused_with)
        )
        self.part("Source", self.cite(rule.source))

    def body_note(self, rule: BodyNote) -> None:
        self.head(rule.title, "body note" + (", private: asked as optional" if rule.private else ""), rule.id)
        self.part("How to judge", rule.judge)
        if rule.measure:
            some, marked = self.length(rule.measure.some_mm), self.length(rule.measure.marked_mm)
            word = "from" if rule.measure.worse == "more" else "at or under"
            self.part(
                "Measured",
                f"{rule.measure.what}: some {word} {some}, marked {word} {marked}. {self.cite(rule.measure.source)}.",
            )
        self.items("It makes likelier", self._shifted(rule.id, up=True))
        self.items("It makes less likely", self._shifted(rule.id, up=False))
        self.items(
            "It speaks against",
            (
                f"{alteration.title}: {condition.because}"
                for alteration in self.base.alterations.values()
                for condition in (*alteration.avoid_when, *alteration.careful_when)
                if condition.body == rule.id
            ),
        )
        self.part("Source", self.cite(rule.source))

    def _shifted(self, note: str, *, up: bool) -> Iterable[str]:
        numbers = self.base.words.more_or_less.words
        for cause in self.base.causes.values():
            if note in cause.body and (numbers[cause.body[note]] > 1) == up:
                yield f"{cause.title} ({cause.body[note]}, odds times {numbers[cause.body[note]]:g}); {cause.id}"

    def cause(self, rule: Cause) -> None:
        words = self.base.words
        self.head(rule.title, f"cause, status {rule.status}", rule.id)
        self.text(rule.why)
        self.lines.append("")
        rate = words.base_rate.words[rule.base_rate]
        self.part("How often, before anything is seen", f"{rule.base_rate} ({rate:.0%}). {self.cite(rule.source)}.")
        self.items(
            "What it shows",
            (
                f"{self.base.symptoms[link.symptom].title}: {link.how_often} ({words.how_often.words[link.how_often]:.0%};"
                f" {self.cite(link.source)}){'. ' + link.note if link.note else ''}"
                for link in rule.shows
            ),
        )
        more = words.more_or_less.words
        self.items(
            "Body notes that shift it",
            (
                f"{self.base.body_notes[note].title}: {word} (odds times {more[word]:g})"
                for note, word in rule.body.items()
            ),
        )
        self.items(
            "Earlier alterations that shift it",
            (f"{self.base.alterations[name].title}: {word}" for name, word in rule.after.items()),
        )
        self.items(
            "Cured by",
            (f"{self.base.alterations[name].title}: {cure.how_well}; {name}" for name, cure in rule.cured_by.items()),
        )
        if rule.may_stay:
            self.part("It may stay", rule.may_stay)
        self.items("Not when", rule.not_when)
        self.items(
            "Look-alikes", (f"{self.base.causes[alike.cause].title}: {alike.tell}" for alike in rule.look_alikes)
        )

    def alteration(self, rule: Alteration) -> None:
        self.head(rule.title, f"alteration, stage: {rule.stage}", rule.id)
        self.text(rule.why)
        self.lines.append("")
        self.part("Where", f"{rule.operation.cut}. Hinge: {rule.operation.hinge}.")
        amount = rule.amount
        cured = [self.base.causes[cause].extent for cause in self.base.cures_of[rule.id]]
        told = "; ".join(dict.fromkeys(extent.what for extent in cured if extent))
        start = f"a careful start is {self.length(amount.start_mm)}"
        basis = f"by what the readings tell of {told}; where none does, {start}" if told else start
        edges = f" At each of {amount.edges.count} edges: {amount.edges.where}." if amount.edges else ""
        if amount.edges and (half := amount.edges.half):
            edges += f" Half of it at each of {half.count}: {half.where}."
        self.part("How much", f"{basis}. Stop when {amount.until}.{edges} {self.cite(amount.source)}.")
        limits = f"{self.length(rule.most_a_round.amount_mm)} in a round ({self.cite(rule.most_a_round.source)})"
        if rule.most_in_all:
            limits += (
                f", {self.length(rule.most_in_all.amount_mm)} in all rounds ({self.cite(rule.most_in_all.source)})"
            )
        self.part("At most", limits)
        self.items("On the cloth", rule.cloth, numbered=True)
        self.items("On the paper", rule.paper, numbered=True)
        self.items("True up", rule.true_up)
        self.items("What it does to the rest", rule.effects)
        self.items("Leave it alone when", (condition.because for condition in rule.avoid_when))
        self.items("Be careful when", (condition.because for condition in rule.careful_when))
        self.items("Check at the next try-on", rule.check_next)
        self.items(
            "What the next try-on should show",
            (
                f"{self.base.symptoms[e.symptom].title}: changes by {e.change:+g} times the amount,"
                f" from {e.range[0]:+g} to {e.range[1]:+g} ({self.cite(e.source)})"
                for e in rule.expects
            ),
        )
        self.items(
            "And then",
            (
                f"If this shows: {self.base.symptoms[f.if_seen].title}; then {self.base.alterations[f.do].title}. {f.because}"
                for f in rule.follow_ups
            ),
        )
        self.items(
            "Cures",
            (
                f"{self.base.causes[cause].title}: {self.base.causes[cause].cured_by[rule.id].how_well}"
                for cause in self.base.cures_of[rule.id]
            ),
        )
        self.part("Source", self.cite(rule.source))

    def source_page(self, rule: Source) -> None:
        self.head(rule.title, f"source, {rule.grade}", rule.id)
        if rule.where:
            self.part("Where", rule.where)
        if rule.note:
            self.part("Note", rule.note)
