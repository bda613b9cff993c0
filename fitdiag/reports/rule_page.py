"""One plain-text page per rule: what it says, how firmly, and by which source. Its layout is `rule_page.txt`."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator

from fitdiag.knowledge.basics import source_key
from fitdiag.knowledge.model import Cause, RuleBase
from fitdiag.templates import render
from fitdiag.units import Units, format_length

_MARK = re.compile(r"  (?:- |\d+\. )")  # of a list item


def page(base: RuleBase, rule_id: str, units: Units = "in", width: int = 80) -> str | None:
    """The page of a rule, in lines of at most `width` characters; None if the id is unknown."""
    found = base.find(rule_id)
    if found is None:
        return None
    kind, rule = found
    words, more_or_less = base.words, base.words.more_or_less.words
    causes = base.causes.values()
    shifted = [cause for cause in causes if rule_id in cause.body]
    text = render(
        "reports/rule_page.txt", base=base, rule=rule, kind=kind, underline="=" * min(len(rule.title), width),
        length=lambda mm: format_length(mm, units), cite=lambda source: _cite(base, source),
        how_often=words.how_often.words, base_rate=words.base_rate.words, more_or_less=more_or_less,
        shown_by=_shown_by(base, rule_id),
        likelier=[cause for cause in shifted if more_or_less[cause.body[rule_id]] > 1],
        less_likely=[cause for cause in shifted if more_or_less[cause.body[rule_id]] <= 1],
        against=[
            (alteration, condition)
            for alteration in base.alterations.values()
            for condition in (*alteration.avoid_when, *alteration.careful_when)
            if condition.body == rule_id
        ],
        measures_of="; ".join(dict.fromkeys(
            extent.what for cause in base.cures_of.get(rule_id, ()) if (extent := base.causes[cause].extent)
        )),
    )  # fmt: skip
    lines = (line for row in re.sub(r"\n{3,}", "\n\n", text).splitlines() for line in _folded(row, width))
    return "\n".join(lines).rstrip() + "\n"


def _folded(text: str, width: int) -> Iterator[str]:
    """Wrap a line of the page; ids stay whole, so that they can be copied."""
    mark = _MARK.match(text)
    indent = " " * len(mark[0]) if mark else ""
    lines = textwrap.wrap(text, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
    yield from lines or [""]


def _shown_by(base: RuleBase, symptom: str) -> list[tuple[Cause, str]]:
    """The causes that show a symptom, and how often, the most frequent first."""
    numbers = base.words.how_often.words
    links = [
        (cause, link.how_often) for cause in base.causes.values() for link in cause.shows if link.symptom == symptom
    ]
    return sorted(links, key=lambda pair: (-numbers[pair[1]], pair[0].id))


def _cite(base: RuleBase, source: str) -> str:
    key = source_key(source)
    place = source[len(key) :].lstrip(", ")
    rule = base.sources[key]
    return rule.title + (f", {place}" if place else "") + (" (published)" if rule.grade == "published" else "")
