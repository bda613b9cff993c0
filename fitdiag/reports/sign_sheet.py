"""The illustrated sheet of signs, by station and numbered as in the interview, right beside wrong."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.stations import STATIONS, TITLES, numbered, station_of
from fitdiag.pattern.pdf import PAPERS, document, plain
from fitdiag.reports.signs import captions, drawn_symptoms, figure, is_graded
from fitdiag.templates import render
from fitdiag.units import Units

if TYPE_CHECKING:
    from fpdf import FPDF

TITLE = "The signs, drawn"
INTRO = (
    "Left as it should be, then slight, clear and strong. Thin sharp lines are cloth that pulls, heavy ones loose folds; a "
    "broken line is where something should lie; rings are where it presses. Left and right are the wearer's own."
)
DEGREES = ("As it should be", "Slight", "Clear", "Strong")
MARGIN, GUTTER, SMALL = 11.0, 7.0, 7.0  # mm; points


@dataclass(frozen=True)
class Sign:
    """One sign on the sheet: number, title, question, and pictures with captions."""

    number: int
    title: str
    ask: str
    pictures: tuple[tuple[str, Markup], ...]


def pictures(symptom: str, garment: str = "") -> tuple[tuple[str, Markup], ...]:
    """The drawings of a sign with their captions: the right one and three degrees, or the two states of a test."""
    if is_graded(symptom, garment):
        degrees: Sequence[tuple[str, int]] = [(word, degree) for degree, word in enumerate(DEGREES)]
    else:
        degrees = list(zip(captions(symptom, garment), (0, 2), strict=True))
    return tuple((word, figure(symptom, degree, title=word, garment=garment) or Markup()) for word, degree in degrees)


def signs_by_station(base: RuleBase, units: Units) -> Iterator[tuple[str, tuple[Sign, ...]]]:
    base, number, drawn = base.in_units(units), numbered(base), set(drawn_symptoms(base.about.garment))
    for station in STATIONS:
        here = [symptom for symptom in base.symptoms.values() if station_of(symptom) == station and symptom.id in drawn]
        if here:
            yield (
                TITLES[station],
                tuple(
                    Sign(number[symptom.id], symptom.title, symptom.ask, pictures(symptom.id, base.about.garment))
                    for symptom in here
                ),
            )


def sheet_html(base: RuleBase, units: Units) -> str:
    """The sheet as an HTML page."""
    stations = list(signs_by_station(base, units))
    return render("reports/sign_sheet.html", title=TITLE, intro=INTRO, stations=stations)


def sheet_pdf(base: RuleBase, units: Units, paper: str) -> bytes:
    """The sheet as a PDF, two signs side by side; a sign is never split."""
    pdf = document(TITLE, PAPERS[paper])
    pdf.set_lang("en")
    pdf.set_margin(MARGIN)
    pdf.set_auto_page_break(True, MARGIN + 4.0)
    pdf.c_margin = 0.0
    pdf.footer = lambda: _foot(pdf)  # type: ignore[method-assign]
    pdf.add_page()
    pdf.set_font("times", "B", 18)
    pdf.cell(0, 7.5, TITLE, new_x="LMARGIN", new_y="NEXT")
    pdf.set_font("helvetica", "", 8.5)
    pdf.multi_cell(0, 3.8, INTRO, new_x="LMARGIN", new_y="NEXT")
    pdf.ln(2.0)
    half = (pdf.epw - GUTTER) / 2
    cell = (half - 3.0) / 4  # four pictures side by side
    high = min(cell * 1.1, (pdf.eph - 4.5) / ROWS - WORDS_HIGH)
    for title, signs in signs_by_station(base, units):
        if pdf.will_page_break(9.0 + high + WORDS_HIGH):
            pdf.add_page()
        pdf.set_font("times", "B", 13)
        pdf.cell(0, 8.0, title, new_x="LMARGIN", new_y="NEXT")
        for first in range(0, len(signs), 2):
            if pdf.will_page_break(high + WORDS_HIGH):
                pdf.add_page()
            top = pdf.y
            for column, sign in enumerate(signs[first : first + 2]):
                wide = cell if len(sign.pictures) == 4 else half / 2 - 0.5
                _put(pdf, sign, (MARGIN + column * (half + GUTTER), top, half), (wide, high))
            pdf.set_y(top + high + WORDS_HIGH)
    return bytes(pdf.output())


ROWS = 7  # on a full page
WORDS_HIGH = 12.0  # mm above and below a picture


def _foot(pdf: FPDF) -> None:
    pdf.set_y(-MARGIN)
    pdf.set_font("helvetica", "", SMALL)
    pdf.cell(0, 3.0, f"page {pdf.page_no()}", align="R")


def _put(pdf: FPDF, sign: Sign, place: tuple[float, float, float], size: tuple[float, float]) -> None:
    """Set a sign at a place (left, top, width), with pictures of a size (width, height), all mm."""
    (x, top, width), (wide, high) = place, size
    pdf.set_font("helvetica", "B", 8.5)
    pdf.set_xy(x, top)
    pdf.multi_cell(width, 3.6, plain(f"{sign.number}. {sign.title}"), align="L")
    pdf.set_font("helvetica", "", SMALL)
    for number, (word, svg) in enumerate(sign.pictures):
        left = x + number * (wide + 1.0)
        put_svg(pdf, svg, (left, top + 6.6, wide, high))
        pdf.set_xy(left, top + 6.6 + high + 0.4)
        pdf.multi_cell(wide, 2.6, plain(word), align="C")


def put_svg(pdf: FPDF, svg: str, place: tuple[float, float, float, float]) -> None:
    """Fit an SVG into a box (left, top, width, height, mm), clipped to its own edge."""
    found = re.search(r'viewBox="\S+ \S+ (\S+) (\S+)"', svg)
    assert found is not None
    left, top, room_wide, room_high = place
    scale = min(room_wide / float(found[1]), room_high / float(found[2]))
    width, height = float(found[1]) * scale, float(found[2]) * scale
    left += (room_wide - width) / 2
    with pdf.rect_clip(left, top, width, height):
        pdf.image(io.BytesIO(re.sub("<title>.*?</title>", "", svg).encode()), left, top, width, height)
