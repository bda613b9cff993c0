"""The words of the shot card. The figures come from the law of the false drop, not from a list."""

from __future__ import annotations

from calendar import month_name
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import TYPE_CHECKING

from fitdiag.photos.camera import false_drop
from fitdiag.photos.card_drawings import Drawing, what_is_seen, where_to_stand
from fitdiag.problems import one_line, stop
from fitdiag.units import MM_PER_INCH, Units, format_reading

if TYPE_CHECKING:
    from fitdiag.knowledge.about import ShotCard

DEPTH_MM = 120.0  # side seams to centre back, as the body is seen from behind; the figures on the card hold for it
HEIGHTS_MM = (100.0, 1500.0)  # no line on a garment is lower or higher over the floor
TITLE = "Pictures for fitting your {}"
INTRO = "Your fitter measures the lines on the cloth in these pictures. Go from 1 to 5. Ask somebody you trust to help."
INTRO_ALONE = (
    "The lines on the cloth are measured in these pictures. Go from 1 to 5. A shelf and the self timer do for a helper."
)
COLUMNS = ("Line", "Lens over the floor", "Views")
UNKNOWN = "measure from the floor to the line on the cloth"


@dataclass(frozen=True)
class Section:
    """A heading and its short sentences, each with a lead in bold (or none)."""

    title: str
    items: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Card:
    """All that stands on the card, before it is set."""

    title: str
    intro: str
    drawings: tuple[Drawing, ...]
    table: tuple[tuple[str, str, str], ...]
    table_note: str
    sections: tuple[Section, ...]


def card_of(
    name: str,
    worn: ShotCard,
    units: Units,
    heights_mm: Mapping[str, float] | None,
    keep_until: str,
    *,
    alone: bool = False,
) -> Card:
    """The card for a garment of that name; `alone`: for somebody who fits herself.

    Raises ProblemsFoundError for heights no line has, or no word on keeping.
    """
    kept = one_line(keep_until, 80)
    if not kept:
        hint = "give a day, or 'the fitting ends'"
        raise stop("keep-until", "the card must say how long pictures are kept", hint=hint)
    heights, lines = dict(heights_mm or {}), {line.id: line.views for line in worn.lines}
    for line, height in heights.items():
        if line not in lines:
            raise stop("line", f"'{one_line(line, 40)}' is not a line of the card", hint=f"use {', '.join(lines)}")
        if not HEIGHTS_MM[0] <= height <= HEIGHTS_MM[1]:  # also refuses what is not a number
            told = f"{height:g} mm over the floor cannot be a {line} line"
            raise stop("height", told, hint="measure it from the floor")
    table = tuple(
        (line.capitalize(), format_reading(heights[line], units) if line in heights else UNKNOWN, ", ".join(views))
        for line, views in lines.items()
    )
    count = sum(len(views) for views in lines.values())
    fewer = "" if alone else "; fewer if your fitter asks for fewer"
    note = f"{count} pictures, each taken twice{fewer}. Same shoes, or none, while measuring and in every picture."
    far = "10 ft" if units == "in" else "3 m"
    drawings = where_to_stand(worn, name, far), what_is_seen(worn, name)
    last = _KEEP if alone else _SEND
    sections = (*_steps(name, tuple(lines), units, far), last, *_reasons(worn, units, far, kept, alone=alone))
    return Card(TITLE.format(name), INTRO_ALONE if alone else INTRO, drawings, table, note, sections)


_SEND = Section(
    "5  Send",
    (
        ("Send the original file,", "not the messenger's shrunken copy: attach it as a file."),
        ("Say for each", "which line and which view it is."),
    ),
)
_KEEP = Section(
    "5  Keep",
    (
        ("Keep the original file,", "not a messenger's shrunken copy."),
        ("Note for each", "which line and which view it is."),
    ),
)


def _steps(name: str, lines: tuple[str, ...], units: Units, far: str) -> tuple[Section, ...]:
    wide = "about 1/8 in (2-3 mm)" if units == "in" else "2-3 mm"
    return (
        Section(
            "1  Draw the lines",
            (
                ("On the table, not on you.", f"Lay the {name} flat. Set a ruler square to the grainline."),
                (f"{', '.join(lines).capitalize()}:", f"one solid line each, right round, {wide} wide. No dashes."),
                ("A colour unlike the grainline.", "Washable; try it on a corner of the cloth first."),
            ),
        ),
        Section(
            "2  Make the place ready",
            (
                ("Two verticals in view,", "one on each side of you: a door frame, and a string with a weight, hanging still."),
                (
                    "A sheet of paper",
                    "(A4 or Letter), top left corner blacked, flat beside your hip, facing the phone, in line with your side seam.",
                ),
                ("Two marks on the floor", "for your feet."),
                ("Light from the front,", "no bright window behind you, no flash."),
            ),
        ),
        Section(
            "3  Set up the phone",
            (
                ("Prop it on a stack or shelf.", "The lens, not the foot of the phone, stands at the line's height."),
                (f"{far} or more away.", "Then zoom in, until waist to floor fills the picture."),
                ("Tilt it if you must; never raise it.", "Tilt can be taken out later."),
                ("Full frame.", "No crop, no filter."),
                ("Self timer, and hold still.", "A blurred line cannot be measured well."),
            ),
        ),
        Section(
            "4  Stand, and turn",
            (
                ("Feet on the marks,", "weight even on both, knees easy."),
                ("Arms crossed in front,", "top tucked up, so that both side edges are free."),
                ("Take one. Step off, step on again.", "Take a second try."),
                ("Turn", "for back, front and side; always the same side. Then move the phone to the next line."),
            ),
        ),
    )  # fmt: skip


def _reasons(worn: ShotCard, units: Units, far: str, kept: str, *, alone: bool) -> tuple[Section, ...]:
    foot = 12 * MM_PER_INCH
    away, close, close_words = (10 * foot, 5 * foot, "5 ft") if units == "in" else (3000.0, 1500.0, "1.5 m")
    off, little, eye = (4 * MM_PER_INCH, 2 * MM_PER_INCH, 28 * MM_PER_INCH) if units == "in" else (100.0, 50.0, 700.0)

    def low(above: float, distance: float) -> str:
        return _fine(false_drop(above, DEPTH_MM, distance), units)

    def tape(mm: float) -> str:
        return format_reading(mm, units)

    return (
        Section(
            "Why so exact?",
            (
                (f"Lens {tape(off)} too high at {far}:", f"a level line looks {low(off, away)} low at centre back."),
                (f"The same at {close_words}:", f"{low(off, close)} low. That is why you stand far away."),
                (f"Eye level, {tape(eye)} above the hip line, at {far}:", f"{low(eye, away)} low."),
                (f"Within {tape(little)} is near enough:", f"{low(little, away)} low."),
                ("", f"Worked out for {tape(DEPTH_MM)} from the side seams back to the centre back."),
            ),
        ),
        Section(
            "Take care",
            (
                ("No pins", worn.no_pins),
                ("Do not climb.", "Hang the string where you reach it from the floor."),
                ("Mind the stack:", "it stands firm, out of your way."),
                ("Sit down between pictures.", "If anything presses or hurts, stop and loosen it."),
            ),
        ),
        Section(
            "Your pictures, your say",
            (
                ("Only if you want to.", "Words will do as well. Under age: only with a guardian's yes, and present."),
                ("Waist to floor only, no face.", "If a face got in, delete it and take another."),
                ("They stay with you,", "in the folder where you keep them.")
                if alone
                else ("They stay with your fitter,", "not shown or used elsewhere without a separate yes from you."),
                ("Kept until:", f"{_told(kept)}. Deleted sooner when you ask."),
                ("Turn location off", "in the camera. Nothing we write from your picture carries it."),
            ),
        ),
    )  # fmt: skip


def _told(kept: str) -> str:
    """A day as people write it; other words as they are.

    >>> _told("2027-03-01"), _told("the fitting ends")
    ('1 March 2027', 'the fitting ends')
    """
    try:
        day = date.fromisoformat(kept)
    except ValueError:
        return kept
    return f"{day.day} {month_name[day.month]} {day.year}"


def _fine(mm: float, units: Units) -> str:
    """A small amount, to the millimetre or the sixteenth of an inch."""
    if units == "cm":
        return f"{mm:.0f} mm"
    whole, part = divmod(round(mm / MM_PER_INCH * 16), 16)
    return " ".join([str(whole)] * (whole > 0) + [str(Fraction(part, 16))] * (part > 0)) + " in"
