"""`fitdiag pattern darts`: single darts moved, turned, split or eased in."""

from __future__ import annotations

import re
from dataclasses import replace as changed

from fitdiag.cli.arguments import guess_units, signed_length
from fitdiag.cli.output import say
from fitdiag.cli.pattern import write_out
from fitdiag.pattern.darts import WORKS
from fitdiag.pattern.formats import read_pattern
from fitdiag.pattern.measure import after_darts
from fitdiag.pattern.piece import Pattern, faults
from fitdiag.problems import one_line, stop
from fitdiag.units import Units, format_reading

_WORK = re.compile(r"(\S+) (\d{1,2}) ([a-z]+)(?:\s*=\s*(.+))?\Z")


def darts(path: str, do: list[str], out: str | None, units: str | None, *, replace: bool) -> int:
    """Do each work in order, and say what the darts and the edge they lie on measure before and after."""
    chosen = guess_units(units, [text.partition("=")[2] for text in do if "=" in text])
    before = pattern = read_pattern(path)
    for text in do:
        pattern = _done(pattern, text, chosen)
    for name, piece in pattern.pieces.items():
        old = before.pieces[name]
        if piece is not old:
            had, has = ("; ".join(format_reading(d.width, chosen) for d in one.darts) or "none" for one in (old, piece))
            was, now = (format_reading(after_darts(one, one.part.top), chosen) for one in (old, piece))
            edge = f"{piece.part.word(piece.part.top)} after darts {was} before, {now} now"
            say(f"{name.capitalize()}: darts {had} before, {has} now; {edge}.")
            if piece.note and piece.note != old.note:
                say(f"{name.capitalize()}: {piece.note}")
    write_out(pattern, out, replace=replace)
    return 0


def _done(pattern: Pattern, text: str, units: Units) -> Pattern:
    found = _WORK.match(" ".join(text.split()))
    if found is None or found[3] not in WORKS or found[1] not in pattern.pieces:
        pieces, works = " or ".join(pattern.pieces), ", ".join(WORKS)
        told = f"'{one_line(text, 60)}' is no work on a dart"
        hint = f"name the piece ({pieces}), the dart, and one of {works}, like 'back 1 move=2 cm'"
        raise stop("dart", told, hint=hint)
    amount = signed_length(found[4], one_line(text, 60), units) if found[4] else None
    left = {}
    for side, pieces_of in (("", pattern.pieces), ("left", pattern.left)):
        if found[1] in pieces_of:
            left[side] = WORKS[found[3]](pieces_of[found[1]], int(found[2]), amount)
            if problems := faults(left[side]):
                raise stop("broken", f"{one_line(text, 60)}: {problems[0].message}", hint="take a smaller amount")
    more = {**pattern.left, found[1]: left["left"]} if "left" in left else pattern.left
    return changed(pattern, pieces={**pattern.pieces, found[1]: left[""]}, left=more)
