"""The page a client keeps: the few alterations in order, each with its drawing and its steps, in the wearer's words.

What it says is made once, as a `Sheet`; the page for the browser and the PDF (`client_pdf`) set the same one.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import takewhile

from markupsafe import Markup

from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.wearer import for_wearer
from fitdiag.pattern.blocks import usual_block
from fitdiag.pattern.draw import states_of
from fitdiag.pattern.garment import garment_of
from fitdiag.pattern.ink import Drawing, svg
from fitdiag.pattern.moves import carry_out
from fitdiag.pattern.piece import Pattern
from fitdiag.planning.plan import Plan, Recommendation
from fitdiag.problems import ProblemsFoundError, one_line
from fitdiag.reports.report import counted
from fitdiag.sessions.state import Conclusion
from fitdiag.templates import render
from fitdiag.units import NO_BREAK, Units, day_words, in_units

TITLE = "What to change on your {}"
CLOTH, LOOK = "First on the cloth", "Then try on and look"
PAPER, SMOOTH = "When the cloth is right, on the paper", "Smooth the lines"
KEY = (
    "In the drawings a ring with a dot is a hinge: leave the paper joined there. Hatching is paper added; cross-hatching is"
    " paper taken away or lying double. A dash-dot line is where to cut, or the new edge; a dashed line is the old one."
)
BLOCK_NOTE = "They show a block, not your pattern: where and how are the same, the shape is not yours."
ORDER_NOTE = "Do them in this order, one at a time, and try on after each."
WROTE = "What you wrote"
THEN = "About how it should look then"
THEN_NOTE = (
    "This is simulated cloth on a body estimated from a few measures, not a photo and not you. Look at where the drawn lines"
    " go, not at each fold: the uppermost across is the hip line, the dashed one is the grain. It cannot show sitting or walking."
)
SIDES = {
    "left": "left side only", "right": "right side only", "both": "both sides alike", "one": "one side only",
    "each": "each side by its own amount",
}  # fmt: skip
PIECES = {"front": "on the front", "back": "on the back", "both": "on front and back"}


@dataclass(frozen=True)
class Picture:
    """One small drawing and what it says."""

    caption: str
    drawing: Drawing


@dataclass(frozen=True)
class Change:
    """One alteration as the client reads it: `much` the amount, with the side if it is done on one; `wait` on what it waits, if it does."""

    number: int
    title: str
    much: str
    amount: str
    place: str
    wait: str
    why: str
    how_much: str
    where: str
    pictures: tuple[Picture, ...]
    drawn: str
    cloth: tuple[str, ...]
    paper: tuple[str, ...]
    smooth: tuple[str, ...]
    look: tuple[str, ...]


@dataclass(frozen=True)
class Heading:
    """Client, round, day and units of a page."""

    units: Units
    client: str
    round_number: int
    date: dt.date

    @property
    def line(self) -> str:
        """The first line of a page: "For the lamplighter, round 2, 9 November 2026"."""
        name = one_line(self.client, 80)
        words = ", ".join([*([f"For {name}"] if name else []), f"round {self.round_number}", day_words(self.date)])
        return words[:1].upper() + words[1:]


@dataclass(frozen=True)
class Sheet:
    """Everything on the client's page, in order. `leave`: a title and the reasons; `muslins`: caption and PNG of simulated cloth."""

    title: str
    head: str
    verdict: str
    changes: tuple[Change, ...]
    key: str
    photographs: tuple[str, ...]
    leave: tuple[tuple[str, str], ...]
    stay: tuple[str, ...]
    cautions: tuple[str, ...]
    muslins: tuple[tuple[str, bytes], ...] = ()
    wrote: tuple[str, ...] = ()


# ---------------------------------------------------------------------------------------------- the wearer's words

_TOLD_APART = re.compile(r"(?<=[.?!]) ")
_CITED = re.compile(r" \([a-z]+(?:-[a-z0-9]+)+(?:, [^()]*)?\)")  # a source, as the rules name it
_FITTERS_ONLY = re.compile(r"\b[Ii]n simulation\b|\bBy plain geometry\b|\(geometry\b")


def for_the_wearer(text: str, units: Units) -> str:
    """A text of the rules in the wearer's units, without sources and lab findings.

    >>> for_the_wearer("Bend and sit. Where do you want it? In simulation it pulled.", "in")
    'Bend and sit. Where do you want it?'
    """
    kept = takewhile(lambda part: not _FITTERS_ONLY.search(part), _TOLD_APART.split(text))
    text = _CITED.sub("", in_units(one_line(" ".join(kept), 1500), units))
    return whole_amounts(text)


def whole_amounts(text: str) -> str:
    """Put no-break spaces into amounts, so that no line ends inside one."""
    return re.sub(r"(?<=\d) (?=\d+/|in\b|cm\b|mm\b)", NO_BREAK, text)


# ------------------------------------------------------------------------------------------------------- the sheet


def make_sheet(
    base: RuleBase, conclusion: Conclusion, heading: Heading, *, pattern: Pattern | None,
    photographs_next: Sequence[str], muslins: Sequence[tuple[str, bytes]] = (), alone: bool = False, wrote: Sequence[str] = (),
) -> Sheet:  # fmt: skip
    """What the client is told; `alone`: somebody who fits herself, with nobody to help; `wrote`: what was made of her mail.

    The drawings follow each other on the client's pattern, or on a drafted block without one.
    """
    plan, base, units = conclusion.plan, for_wearer(base, alone=alone), heading.units
    changes = tuple(_changes(base, plan, units, pattern or usual_block(garment_of(base))))
    key = ""
    if any(change.pictures for change in changes):
        key = KEY if pattern is not None else f"{KEY} {BLOCK_NOTE}"
    stay = tuple(for_the_wearer(text, units) for text in plan.may_stay)
    leave = []
    for item in plan.leave_alone:
        because = " ".join(for_the_wearer(text, units) for text in item.because)
        leave.append((for_the_wearer(base.alterations[item.alteration].title, units), because))
    photographs = tuple(one_line(text, 300) for text in photographs_next)
    return Sheet(
        title=TITLE.format(base.about.garment), head=heading.line,
        verdict=_verdict(conclusion, len(changes), stay, alone=alone, wrote=bool(wrote)), changes=changes, key=key,
        photographs=photographs, leave=tuple(leave), stay=stay, wrote=tuple(whole_amounts(text) for text in wrote),
        cautions=_cautions(base, cutting=bool(changes), photos=bool(photographs)),
        muslins=tuple(muslins) if changes else (),
    )  # fmt: skip


def _verdict(conclusion: Conclusion, changes: int, stay: Sequence[str], *, alone: bool, wrote: bool) -> str:
    if changes:
        return f"{counted(conclusion.plan)}. {ORDER_NOTE if changes > 1 else 'Try on after it.'}"
    if not conclusion.diagnosis.findings.seen and wrote:
        return "Nothing to change yet: what you wrote has to be looked at first."
    if not conclusion.diagnosis.findings.seen:
        return "Nothing to change: nothing shows that asks for it."
    if stay:
        return "Nothing to change: what shows may stay as it is."
    return f"Nothing to change yet: it is not clear enough what the pattern does. {'Look' if alone else 'Your fitter looks'} again first."


def _changes(base: RuleBase, plan: Plan, units: Units, pattern: Pattern) -> list[Change]:
    result = []
    for item in plan.recommendations:
        rule = base.alterations[item.alteration]
        pictures, drawn, pattern = pictures_of(base, pattern, item, units)

        def worded(texts: Sequence[str]) -> tuple[str, ...]:
            return tuple(told for text in texts if (told := for_the_wearer(text, units)))

        hinge = rule.operation.hinge
        where = f"{rule.operation.cut}." + ("" if hinge.startswith("none") else f" Hinge: {hinge}.")
        result.append(Change(
            item.rank, for_the_wearer(rule.title, units), _much(item), item.amount.text,
            place=f"{PIECES[rule.operation.piece]}, {SIDES[item.where]}", wait=_wait(base, plan, item, units),
            why=for_the_wearer(_TOLD_APART.split(rule.why)[0], units),
            how_much=for_the_wearer(item.amount.basis, units), where=for_the_wearer(where, units), pictures=pictures,
            drawn=drawn, cloth=worded(rule.cloth), paper=worded(rule.paper), smooth=worded(rule.true_up),
            look=worded(rule.check_next),
        ))  # fmt: skip
    return result


def _much(item: Recommendation) -> str:
    """The amount as the short list and the title have it: `1 cm, left side`."""
    side = f", {item.where} side" if item.where in ("left", "right", "one") else ""
    return whole_amounts(item.amount.text + side)


def _wait(base: RuleBase, plan: Plan, item: Recommendation, units: Units) -> str:
    """The condition of a waiting alteration, as a question the wearer can answer."""
    symptom = item.only_if_symptom
    if symptom is None:
        return f"{for_the_wearer(item.only_if, units)}. Otherwise leave it." if item.only_if else ""
    calls = [
        other.rank
        for other in plan.recommendations
        for follow in base.alterations[other.alteration].follow_ups
        if follow.do == item.alteration and follow.if_seen == symptom and other is not item
    ]
    first = f"Do number {calls[0]} and try on first." if calls else "Try on first."
    ask = in_units(base.symptoms[symptom].ask, units)
    return f"Wait with this one. {first} Do it only if you then say yes to this: {ask} If no, leave it."


def _cautions(base: RuleBase, *, cutting: bool, photos: bool) -> tuple[str, ...]:
    wanted = [*(("pinning", "cutting", "pressing") if cutting else ()), "always", *(("photos",) if photos else ())]
    return tuple(caution.client for when in wanted for caution in base.about.cautions if caution.when == when)


# ---------------------------------------------------------------------------------------------------- the drawings


def pictures_of(
    base: RuleBase, pattern: Pattern, item: Recommendation, units: Units
) -> tuple[tuple[Picture, ...], str, Pattern]:
    """The drawings of an alteration before and after, what they do not show, and the altered pattern.

    If each side gets an amount of its own, the larger one is drawn.
    """
    cuts, altered = item.cuts(), pattern
    most = max(abs(mm) for _, mm in cuts)
    try:
        for side, mm in cuts:
            step = carry_out(altered, item.alteration, mm, side)
            if abs(mm) == most:
                before, drawn_step = altered, step
            altered = step.pattern
    except ProblemsFoundError:
        return (), "There is no drawing of this one; go by the steps.", pattern
    hinge = base.alterations[item.alteration].operation.hinge
    drawings, alike = states_of(before, drawn_step, units, hinged=not hinge.startswith("none"))
    if len(cuts) > 1:
        alike = f"The {drawn_step.side} side is drawn; the other gets its own amount. {alike}".strip()
    pictures = (
        Picture(whole_amounts(one.title), replace(one, title=f"Change {item.rank}: {one.title}")) for one in drawings
    )
    return tuple(pictures), alike, altered


# ------------------------------------------------------------------------------------------------------- the page


def client_page(sheet: Sheet, *, large: bool = False) -> str:
    """The page for a client who works alone, as one HTML file: no script, one style known by its hash, drawings inside."""
    changes = [{**vars(change), "pictures": drawn(change.pictures)} for change in sheet.changes]
    return render(
        "reports/client_page.html", cloth=CLOTH, look=LOOK, paper=PAPER, smooth=SMOOTH, then=THEN, then_note=THEN_NOTE, wrote_title=WROTE,
        sheet={**vars(sheet), "changes": changes}, large=large,
    )  # fmt: skip


def drawn(pictures: Sequence[Picture]) -> list[tuple[str, Markup]]:
    """Drawings as SVG, each with its caption; every text in a drawing is escaped by its writer."""
    return [(picture.caption, Markup(svg(picture.drawing))) for picture in pictures]
