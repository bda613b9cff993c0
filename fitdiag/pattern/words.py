"""An alteration in a fitter's words: a sentence for its page, and a caption for each step of the work.
A rule may bring its own words; otherwise those for its kind of move stand here. `{amount}` is the amount and the name of a height
of the move, like `{knee}`, what is moved there; `{widest}` the longest length that is shown, the rest as in `_put_in`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from fitdiag.pattern.change import SEEN_MM, Change
from fitdiag.pattern.garment import off
from fitdiag.pattern.piece import Array, Piece, apart
from fitdiag.units import format_given


@dataclass(frozen=True)
class Words:
    """A sentence with the template of each caption; `last` is the trueing, where there is anything to true."""

    told: str
    steps: tuple[str, ...]
    last: str = "True: {seams}. Smooth lines, no steps."


_ACROSS = "Draw the line across the {piece}, from {free} to {far}."
_HINGED = "Cut from the {free}. Leave a hinge at the {far}."
_SPREAD = "Spread the parts by {amount}, the same from edge to edge. Put paper behind."
_LAPPED = "Overlap the parts by {amount}, the same from edge to edge."
_SQUARE = "Draw the line across, square to the grainline."
_CHECKED = "The grainline runs through both parts: check it with a ruler."
_LENGTHWISE = "Draw the line along the grainline."
_IN_THE_MIDDLE = "Draw the new grainline in the middle of the strip."
_WIDENED = " Draw the new grainline in its middle. The darts take up what the edge gains or loses."
_THROUGH = "Cut right through."
_WALKED = "True: {seams}. Smooth lines, no steps. Walk the seams that are sewn to it."
_FOLDED = "Fold the darts closed and true the {top}."
_USUAL: Mapping[str, Words] = {
    "open": Words(
        "Open a wedge of {amount} at the {free}, to nothing at the {far}.{then}",
        (_ACROSS, _HINGED, "Open it by {amount} at the {free}. Put paper behind it.", "{carry}"),
    ),
    "close": Words(
        "Overlap a wedge of {amount} at the {free}, to nothing at the {far}.{then}",
        (_ACROSS, _HINGED, "Overlap it by {amount} at the {free}, to nothing at the hinge.", "{carry}"),
    ),
    "spread": Words("Spread by {amount}, the same from edge to edge.", (_SQUARE, _THROUGH, _SPREAD, _CHECKED)),
    "overlap": Words("Overlap by {amount}, the same from edge to edge.", (_SQUARE, _THROUGH, _LAPPED, _CHECKED)),
    "widen": Words(
        "Spread {amount} along the grainline, the same from edge to edge." + _WIDENED,
        (_LENGTHWISE, _THROUGH, _SPREAD, _IN_THE_MIDDLE),
    ),
    "fold out": Words(
        "Fold out {amount} along the grainline, the same from edge to edge." + _WIDENED,
        (_LENGTHWISE, _THROUGH, _LAPPED, _IN_THE_MIDDLE),
    ),
    "edge": Words(
        "Draw a new line ({seams}), {widest} at the widest place.{darts}",
        ("Mark {widest} at the widest place.", "Draw the new line, to nothing at its ends."),
        _WALKED,
    ),
    "shift": Words(
        "Draw a new line ({seams}), {widest} from the old one all along.{darts}",
        ("Mark {widest} at both ends.", "Draw the new line, as far from the old one all along."),
        _WALKED,
    ),
    "darts": Words(
        "Redraw the darts, {amount} wider in all.",
        ("Mark the new width at the {top}, half on each side.", "Draw the new dart lines."),
        _FOLDED,
    ),
    "dart points": Words(
        "Move the point of each dart by {amount}.",
        ("Mark the new points of the darts.", "Draw the new dart lines."),
        _FOLDED,
    ),
    "grain": Words(
        "Move the drawn grainline by {amount}. The outline stays.",
        ("Mark {amount} from the old grainline, above and below.", "Draw the new grainline through the marks."),
        "Rub the old one out. The outline stays.",
    ),
}
_STAYS = Words("The paper stays as it is.", ("The paper stays as it is.",), "")


def _words(change: Change) -> Words:
    if change.words is not None:
        return Words(change.words.told, change.words.steps)
    tips = zip(change.old.darts, change.new.darts, strict=False)
    if change.kind == "darts" and any(apart(one.tip, other.tip) > SEEN_MM for one, other in tips):
        return _USUAL["dart points"]
    if change.kind == "widen" and not change.opened:
        return _USUAL["fold out"]
    return _USUAL.get("edge" if change.kind == "tip" else change.kind, _STAYS)


def sentence(change: Change) -> str:
    """One alteration of one piece in a line, without the name of the piece."""
    return _put_in(change, _words(change).told)


def captions(change: Change) -> list[str]:
    """A caption for each step, the trueing last; a single one where nothing is drawn on paper."""
    words = _words(change)
    return [_put_in(change, text) for text in (*words.steps, words.last) if text]


def to_true(change: Change) -> str:
    """What to true, or that there is nothing."""
    return _put_in(change, "True: {seams}.") if change.true else "No seam to true."


def _put_in(change: Change, text: str) -> str:
    """A text with the names of seams and the amounts put in."""

    def given(mm: float) -> str:
        return format_given(mm, change.units)

    part, more = change.old.part, ""
    top = part.word(part.top)
    names = {"piece": change.name, "top": top, "seams": ", ".join(part.word(seam) for seam in change.true)}
    names["widest"] = given(max((mark.amount for mark in change.marks), default=change.amount))
    names |= {name: given(change.amount * abs(share)) for done in change.did for name, share in (done.at or {}).items()}
    drawn = any(done.kind == "darts" for done in change.did)
    names["darts"] = " The darts take up what the edge gains or loses." if drawn else ""
    if change.cut is not None:
        names["free"], names["far"] = (part.word(_seam_at(change.old, point)) for point in change.cut.line)
        if not change.extra.is_empty and change.marks[1:]:
            seam = _seam_at(change.new, change.marks[-1].b)
            more = f"raise the {top}" if seam in (part.top, part.seams[-1]) else f"let out the {part.word(seam)}"
            more += f" by {given(change.marks[-1].amount)}."
    names["then"] = f" Then {more}" if more else ""
    carried = "Carry the grainline of the lower part straight up"
    names["carry"] = f"{more.capitalize()} {carried}." if more else f"{carried} to the {top}."
    return re.sub(r"\{([a-z-]+)\}", lambda match: names.get(match[1], given(change.amount)), text)


def _seam_at(piece: Piece, point: Array) -> str:
    return min(piece.part.seams, key=lambda seam: off(piece.seams[seam], point))
