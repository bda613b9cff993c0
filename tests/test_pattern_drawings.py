"""Pictures and paper: what a drawing shows, that its SVG is harmless, and that the printed sheets are true to the millimetre.

The PDF is read back with pypdf, a general-purpose PDF library that shares no code with the writer; paper sizes are those of
ISO 216 (A4) and ANSI/ASME Y14.1 (Letter); text widths are those of the core fonts as fpdf2 carries them.
"""

from __future__ import annotations

import io
import math
import re
import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations, pairwise

import numpy as np
import pytest
from fpdf import FPDF
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader
from pypdf.generic import ContentStream
from shapely import LineString, MultiPoint, Point, Polygon, box, hausdorff_distance, unary_union
from thinned import thinned
from trousers import Measures, draft

from fitdiag.knowledge.load import load_rules
from fitdiag.pattern.blocks import usual_block
from fitdiag.pattern.change import change_of
from fitdiag.pattern.draw import drawing, strip
from fitdiag.pattern.garment import shipped_garment, unfolded
from fitdiag.pattern.ink import Drawing, Fill, Stroke, Text, svg, together
from fitdiag.pattern.moves import Step, carry_out
from fitdiag.pattern.outline import cutting_area
from fitdiag.pattern.pdf import pdf_drawing, plain
from fitdiag.pattern.piece import Pattern, Piece, length
from fitdiag.pattern.sheets import pdf_sheets, tiles
from fitdiag.pattern.waist import bands
from fitdiag.problems import ProblemsFoundError, one_line
from fitdiag.units import format_given, format_length, parse_length

NAMES = tuple(sorted(load_rules().alterations))
SEAMS = shipped_garment().parts["back"].seams
BLOCK = thinned(draft(Measures(waist=760, hip=1000, rise=280, waist_to_hip=205, waist_to_floor=1040, bottom=230)))
AMOUNTS = {
    "tuck-across-back-hip": 19.05,
    "lengthen-back-crotch": 19.05,
    "overlap-back-wedge": 15.875,
    "slide-crotch-section-down": 12.7,
    "scoop-back-curve": 6.35,
    "close-leg": 12.7,
    "raise-centre-back-waist": 15.875,
}
STAYS = {"agree-wearing-height", "recut-on-grain", "resew-seam"}  # alterations that leave the paper as it is
ALLOWANCE = {"waist": 10.0, "side": 15.0, "hem": 40.0, "inseam": 15.0, "curve": 10.0, "centre": 25.0}
HOSTILE = "</title><script>alert(1)</script> & \"quoted\" 'too' \x1b[31m\x00 ]]> \u202e rev"
SIZES = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN = 10.0
OVERLAP = 10.0  # mm of its neighbours that a sheet shows, as the first page says
MM = 25.4 / 72
SVG = "{http://www.w3.org/2000/svg}"


@cache
def step(name: str) -> Step:
    return carry_out(BLOCK, name, AMOUNTS.get(name, 12.7))


@cache
def page(name: str) -> Drawing:
    return drawing(BLOCK, step(name), "in", name.replace("-", " "))


def texts(picture: Drawing, role: str = "") -> list[str]:
    return [item.text for item in picture.items if isinstance(item, Text) and role in ("", item.role)]


def strokes(picture: Drawing, role: str) -> list[Stroke]:
    return [item for item in picture.items if isinstance(item, Stroke) and item.role == role]


@pytest.fixture(scope="module")
def pages() -> Mapping[str, tuple[Drawing, Drawing]]:
    """Page and strip of every alteration."""
    return {name: (page(name), strip(BLOCK, step(name), "in")) for name in NAMES}


# What is drawn


def test_every_alteration_has_a_page_and_a_strip_that_stay_on_their_paper(
    pages: Mapping[str, tuple[Drawing, Drawing]],
) -> None:
    """Nothing of any drawing lies outside its own size, and both kinds fit the width of an A4 sheet with margins."""
    for name, pictures in pages.items():
        for picture in pictures:
            assert picture.width <= 190 and picture.height <= 277, name
            for item in picture.items:
                points = np.array([(item.x, item.y)] if isinstance(item, Text) else item.points)
                assert points.min() > -0.01, (name, item)
                assert (points.max(axis=0) < (picture.width + 0.01, picture.height + 0.01)).all(), (name, item)


def test_what_changes_is_hatched_and_its_amount_written(pages: Mapping[str, tuple[Drawing, Drawing]]) -> None:
    """Every alteration that moves the outline shows hatching and the amount in figures; one that moves nothing shows neither."""
    for name, (picture, _) in pages.items():
        moved = any(
            len(one) != len(other) or np.abs(one - other).max() > 0.5
            for side, altered in step(name).altered.items()
            for one, other in ((BLOCK.pieces[side].seams[seam], altered.piece.seams[seam]) for seam in SEAMS)
        )
        assert moved == bool(strokes(picture, "hatch")), name
        assert (name in STAYS) == (texts(picture, "amount") == []), name


@pytest.mark.parametrize("name", AMOUNTS)
@pytest.mark.parametrize("units", ["in", "cm"])
def test_the_amount_stands_at_the_open_edge_in_the_units_asked_for(name: str, units: str) -> None:
    """The figures on the drawing are the amount as it was given, in inches or in centimetres to the millimetre."""
    picture = drawing(BLOCK, step(name), units, name)  # type: ignore[arg-type]
    figures = {"in": {format_length(AMOUNTS[name], "in")}, "cm": {f"{round(AMOUNTS[name]) / 10:g} cm"}}[units]
    assert figures & set(texts(picture, "amount"))


@pytest.mark.parametrize("units", ["in", "cm"])
def test_a_figure_says_what_the_line_beside_it_measures(units: str) -> None:
    """To a sixteenth of an inch or a millimetre, and to the share by which a curve moves more at its widest place."""
    fine = {"in": 25.4 / 16, "cm": 1.0}[units]
    for name in sorted(set(NAMES) - STAYS):
        made = carry_out(BLOCK, name, 8.0)
        for piece, altered in made.altered.items():
            for mark in change_of(BLOCK.pieces[piece], altered, 8.0, units).marks:  # type: ignore[arg-type]
                said = parse_length(format_given(mark.amount, units)).mm  # type: ignore[arg-type]
                drawn = math.dist(mark.a, mark.b)
                assert abs(said - drawn) <= fine / 2 + 0.08 * 8.0 + 0.1, (name, piece)


def test_a_wedge_names_its_cut_its_hinge_its_lines_and_the_seams_to_true() -> None:
    """On a wedge all words a fitter needs are there, and old, new and cut line differ without colour."""
    picture = page("tuck-across-back-hip")
    shown = set(texts(picture))
    assert {"cut", "hinge", "hip", "crotch", "knee", "grain", "dart", "hem", "inseam"} <= shown
    assert {"waist: true", "side seam: true", "crotch curve: true"} <= shown
    old, new, cut = (strokes(picture, role)[0] for role in ("old", "new", "cut"))
    assert old.dash and cut.dash and not new.dash
    assert old.dash != cut.dash
    assert new.width > 1.5 * max(old.width, cut.width) - 0.01


@pytest.mark.parametrize(("name", "ways"), [("tuck-across-back-hip", 2), ("lengthen-back-crotch", 1)])
def test_double_paper_is_hatched_crosswise_and_added_paper_one_way(name: str, ways: int) -> None:
    """The direction of the hatching tells an overlap from a gap, so that neither needs a colour."""
    slopes = {
        np.sign((b[0] - a[0]) * (b[1] - a[1]))
        for stroke in strokes(page(name), "hatch")
        for a, b in pairwise(stroke.points)
    }
    assert ways == len(slopes)


@pytest.mark.parametrize("name", ["tuck-across-back-hip", "lengthen-back-crotch", "tuck-below-seat"])
def test_the_hatched_wedge_is_the_triangle_of_its_cut_and_amount(name: str) -> None:
    """The area of a wedge is that of a triangle with two sides as long as the cut: w² sin(a) / 2, with amount = 2 w sin(a / 2)."""
    made = step(name)
    ((side, altered),) = made.altered.items()
    change = change_of(BLOCK.pieces[side], altered, made.amount, "in")
    assert altered.cut is not None
    wide = math.dist(altered.cut.start, altered.cut.end)
    turn = 2 * math.asin(made.amount / (2 * wide))
    assert wide**2 * math.sin(turn) / 2 == pytest.approx(change.added.area + change.removed.area, rel=1e-6)
    assert (change.kind == "close") == change.added.is_empty


def test_the_swung_leg_is_drawn_over_the_old_one() -> None:
    """The upper part of a swung leg lies on the old one, so that the picture shows the leg move by the amount and nothing else."""
    made = step("close-leg")
    for side, altered in made.altered.items():
        old = BLOCK.pieces[side]
        change = change_of(old, altered, made.amount, "in")
        assert np.abs(change.new.seams["waist"] - old.seams["waist"]).max() < 0.01
        moved = change.new.seams["hem"] - old.seams["hem"]
        assert made.amount == pytest.approx(np.abs(moved[:, 0]).max(), abs=0.01)
        assert np.abs(moved[:, 1]).max() < 0.01


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("close-leg", "5/8 in at the hem and 1/2 in at the knee"),
        ("open-leg", "5/8 in at the hem and 5/16 in at the knee"),
        ("insert-for-abdomen", "Cut upright through the dart to the knee line, and open it by 5/8 in at the abdomen"),
        ("pass-back-up", "5/8 in at the side seam and at the crotch point"),
        ("narrow-leg", "Draw a new line (inseam, side seam), 5/8 in at the widest place"),
    ],
)
def test_the_words_on_the_page_are_those_of_the_steps(name: str, words: str) -> None:
    """What a page tells agrees with the steps of the rule: where the amount counts, and where it ends."""
    made = carry_out(BLOCK, name, 5 / 8 * 25.4)
    assert words in " ".join(texts(drawing(BLOCK, made, "in"), "told"))


@pytest.mark.parametrize(("garment", "name"), [("skirt", "deepen-back-darts"), ("trousers", "deepen-darts")])
def test_the_page_says_how_much_wider_the_darts_become_together(garment: str, name: str) -> None:
    """Where an amount is what each dart takes up, the page names what all darts of the piece do, as a tape finds it."""
    block = usual_block(shipped_garment(garment))
    made = carry_out(block, name, 25.4 / 8)
    was, now = (sum(dart.width for dart in one.pieces["back"].darts) for one in (block, made.pattern))
    told = " ".join(texts(drawing(block, made, "in"), "told"))
    assert f"Redraw the darts, {format_length(now - was, 'in')} wider in all." in told


def test_drawings_put_together_keep_every_line_and_word() -> None:
    """Two drawings one below the other hold all that each holds, and nothing of one lies on the other."""
    parts = [page("tuck-across-back-hip"), page("scoop-back-curve")]
    whole = together(parts, "Both")
    assert whole.height >= sum(part.height for part in parts)
    assert Counter(texts(whole)) == sum((Counter(texts(part)) for part in parts), Counter())
    assert len(whole.items) == sum(len(part.items) for part in parts) + 1


def test_no_word_covers_another(pages: Mapping[str, tuple[Drawing, Drawing]]) -> None:
    """Labels find free places: no two texts of any drawing overlap, by the widths of the real font."""
    for name, pictures in pages.items():
        for picture in pictures:
            grounds = [(item.text, ground(item)) for item in picture.items if isinstance(item, Text)]
            assert [] == [(name, one, other) for (one, a), (other, b) in combinations(grounds, 2) if a.intersects(b)]


@pytest.mark.parametrize("name", AMOUNTS)
def test_words_stay_readable_on_the_smallest_paper(name: str) -> None:
    """Every text of a page is at least 7 pt when printed on A4 and on Letter, as the PDF itself sets it."""
    for paper in SIZES:
        for picture in (page(name), strip(BLOCK, step(name), "in")):
            ((found,),) = [(read(pdf_drawing(picture, paper)))]  # type: ignore[arg-type]
            assert found.words
            assert min(word.size for word in found.words) >= 7.0
            assert inside(found, paper)


def ground(item: Text) -> Polygon:
    """The box of a text from its capitals' height to its baseline."""
    wide, high = string_width(item.text, item.size, item.bold), item.size * MM * 0.7
    left = {"start": 0.0, "middle": -wide / 2, "end": -wide}[item.anchor]
    turn = math.radians(item.angle)
    corners = [(left, 0.0), (left + wide, 0.0), (left + wide, -high), (left, -high)]
    return Polygon(
        [
            (item.x + x * math.cos(turn) + y * math.sin(turn), item.y - x * math.sin(turn) + y * math.cos(turn))
            for x, y in corners
        ]
    )


_FONT = FPDF(unit="mm")


def string_width(text: str, size: float, bold: bool) -> float:
    _FONT.set_font("helvetica", "B" if bold else "", size)
    return _FONT.get_string_width(text)


# Step by step


def test_a_strip_has_three_to_five_numbered_pictures(pages: Mapping[str, tuple[Drawing, Drawing]]) -> None:
    """Each picture has a number, a frame and a caption; what stays on paper as it is has one."""
    for name, (_, pictures) in pages.items():
        numbers = texts(pictures, "number")
        assert [str(n + 1) for n in range(len(numbers))] == numbers
        assert len(numbers) in ((1,) if name in STAYS else (3, 4, 5)), name
        frames = [s for s in strokes(pictures, "frame") if math.dist(s.points[0], s.points[1]) > 50]
        assert len(numbers) == len(frames), name
        assert len(texts(pictures, "caption")) >= len(numbers)


def test_the_strip_of_a_wedge_goes_from_the_line_to_the_trued_seam() -> None:
    """Draw, cut and leave the hinge, close by the amount, carry the grain up, true: in this order, with the amount at the third."""
    pictures = strip(BLOCK, step("tuck-across-back-hip"), "in")
    told = " ".join(texts(pictures, "caption"))
    places = [told.find(word) for word in ("Draw the line", "hinge at the side seam", "3/4 in", "grainline", "True:")]
    assert -1 not in places
    assert sorted(places) == places
    hinge, amount = (
        next(item for item in pictures.items if isinstance(item, Text) and item.text == word)
        for word in ("hinge", "3/4 in")
    )
    assert hinge.x < amount.x


def test_a_strip_says_when_the_front_is_done_alike() -> None:
    """Where both pieces are altered the strip shows the back and says that the front is done the same way."""
    assert "the front alike" in texts(strip(BLOCK, step("close-leg"), "in"), "title")[0]


# SVG


@pytest.mark.parametrize("name", NAMES)
def test_the_svg_is_well_formed_and_brings_nothing_along(
    name: str, pages: Mapping[str, tuple[Drawing, Drawing]]
) -> None:
    """It parses, is announced as an image with a title and a description, and has no script, link, style or colour."""
    for picture in pages[name]:
        text = svg(picture)
        root = ET.fromstring(text)
        assert f"{SVG}svg" == root.tag
        assert "img" == root.get("role")
        assert f"-1 -1 {root.get('width', '')[:-2]} {root.get('height', '')[:-2]}" == root.get("viewBox")
        title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
        assert title is not None and title.text and desc is not None and desc.text
        assert f"{title.get('id')} {desc.get('id')}" == root.get("aria-labelledby")
        assert {element.tag.removeprefix(SVG) for element in root.iter()} <= {
            "svg", "title", "desc", "rect", "path", "text",
        }  # fmt: skip
        assert not re.search(r"href|url\(|<script|<style|\son\w+=|@import|data:", text)
        assert ["http://www.w3.org/2000/svg"] == re.findall(r"https?://[^\"]*", text)
        for colour in set(re.findall(r"#[0-9a-f]+", text)):
            digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
            assert digits[:2] == digits[2:4] == digits[4:], colour


def test_a_hostile_title_stays_text() -> None:
    """Markup, quotes and control characters in a title end up as text in the title and on the drawing."""
    picture = drawing(BLOCK, step("scoop-back-curve"), "in", HOSTILE)
    root = ET.fromstring(svg(picture))
    title = root.find(f"{SVG}title")
    assert title is not None
    assert one_line(HOSTILE, 2000) == title.text
    assert root.find(f".//{SVG}script") is None
    shown = " ".join(element.text or "" for element in root.iter(f"{SVG}text") if element.get("class") == "title")
    assert "<script>alert(1)</script>" in shown


@given(st.text(max_size=60))
@settings(max_examples=60, deadline=None)
def test_any_title_makes_an_svg_and_a_pdf(title: str) -> None:
    """No text, in whatever script, breaks either writer."""
    picture = Drawing(
        title,
        title,
        100,
        50,
        (Text(5, 20, title, 9), Stroke(((0, 0), (9, 9)), 0.2), Fill(((0, 0), (9, 9), (9, 0)), 0.5)),
    )
    assert f"{SVG}svg" == ET.fromstring(svg(picture)).tag
    assert 1 == len(PdfReader(io.BytesIO(pdf_drawing(picture))).pages)


# PDF


@dataclass(frozen=True)
class Line:
    """A path of a page in mm, y down from its top left corner."""

    points: tuple[tuple[float, float], ...]
    width: float
    dashed: bool
    filled: bool


@dataclass(frozen=True)
class Word:
    """A text of a page: its box in mm, y down, and its size in points."""

    text: str
    box: Polygon
    size: float


@dataclass(frozen=True)
class Page:
    lines: tuple[Line, ...]
    words: tuple[Word, ...]


@cache
def printed(what: Pattern, paper: str) -> list[Page]:
    """The sheets of a pattern as they are in the PDF."""
    return read(pdf_sheets(what, paper))  # type: ignore[arg-type]


def read(pdf: bytes) -> list[Page]:
    """The paths and texts of a PDF from its own content streams."""
    reader = PdfReader(io.BytesIO(pdf))
    result = []
    for found in reader.pages:
        high = float(found.mediabox.height)
        lines: list[Line] = []
        words: list[Word] = []
        ctm, stack = np.eye(3), []
        path: list[list[float]] = []
        width, dashed, size, bold, at = 0.0, False, 0.0, False, (0.0, 0.0)
        fonts = {
            name: "Bold" in str(font.get_object()["/BaseFont"]) for name, font in found["/Resources"]["/Font"].items()
        }  # type: ignore[index]

        def mm(x: float, y: float, matrix: np.ndarray, top: float = high) -> tuple[float, float]:
            u, v, _ = np.array([x, y, 1.0]) @ matrix
            return float(u) * MM, (top - float(v)) * MM

        contents = found.get_contents()
        for operands, operator in ContentStream(contents, reader).operations:
            numbers = [float(value) for value in operands if isinstance(value, int | float)]
            match operator:
                case b"q":
                    stack.append(ctm)
                case b"Q":
                    ctm = stack.pop()
                case b"cm":
                    a, b, c, d, e, f = numbers
                    ctm = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ ctm
                case b"w":
                    width = numbers[0] * MM
                case b"d":
                    dashed = bool(operands[0])
                case b"m":
                    path = [numbers]
                case b"l":
                    path.append(numbers)
                case b"h":
                    path.append(path[0])
                case b"S" | b"s" | b"f" | b"F":
                    lines.append(Line(tuple(mm(x, y, ctm) for x, y in path), width, dashed, operator in (b"f", b"F")))
                    path = []
                case b"Tf":
                    bold, size = fonts[operands[0]], float(operands[1])
                case b"Td":
                    at = (numbers[0], numbers[1])
                case b"Tj":
                    text = operands[0] if isinstance(operands[0], str) else operands[0].decode("latin-1")
                    wide, tall = string_width(text, size, bold) / MM, 0.7 * size
                    corners = [at, (at[0] + wide, at[1]), (at[0] + wide, at[1] + tall), (at[0], at[1] + tall)]
                    words.append(Word(text, Polygon([mm(x, y, ctm) for x, y in corners]), size))
                case b"re" | b"c" | b"v" | b"y" | b"TJ" | b"'" | b"B" | b"b":
                    pytest.fail(f"the reader of this test does not know {operator!r}")
        result.append(Page(tuple(lines), tuple(words)))
    return result


def inside(page_: Page, paper: str) -> bool:
    """Whether all lines and all words of a page keep off its margins."""
    wide, high = SIZES[paper]
    room = box(MARGIN, MARGIN, wide - MARGIN, high - MARGIN).buffer(0.01)
    return all(room.contains(MultiPoint(line.points)) for line in page_.lines) and all(
        room.contains(word.box) for word in page_.words
    )


@dataclass(frozen=True)
class Sheet:
    """A page of a piece: its row and column, and its lines moved to where they lie when the sheets are joined."""

    row: int
    column: int
    lines: tuple[Line, ...]
    words: tuple[str, ...]


def sheets(what: Pattern, side: str, paper: str) -> dict[tuple[int, int], Sheet]:
    """The pages of one piece, laid out by the names printed on them, the paper's size and the overlap: nothing else is known."""
    wide, high = (length_ - 2 * MARGIN for length_ in SIZES[paper])
    result = {}
    for found in printed(what, paper)[1:-1]:
        names = [match for word in found.words if (match := re.fullmatch(r"(Front|Back) ([A-Z])(\d+)", word.text))]
        assert 1 == len(names)
        if names[0][1].lower() != side:
            continue
        row, column = ord(names[0][2]) - 65, int(names[0][3]) - 1
        x, y = column * (wide - OVERLAP) - MARGIN, row * (high - OVERLAP) - MARGIN
        lines = tuple(replace(line, points=tuple((u + x, v + y) for u, v in line.points)) for line in found.lines)
        result[row, column] = Sheet(row, column, lines, tuple(word.text for word in found.words))
    return result


def share(sheet: Sheet, all_of_them: Mapping[tuple[int, int], Sheet], paper: str) -> Polygon:
    """The part of the joined paper that is taken from one sheet, so that no line is counted twice."""
    wide, high = (length_ - 2 * MARGIN for length_ in SIZES[paper])
    x, y = sheet.column * (wide - OVERLAP), sheet.row * (high - OVERLAP)
    right = x + (wide - OVERLAP if (sheet.row, sheet.column + 1) in all_of_them else wide)
    bottom = y + (high - OVERLAP if (sheet.row + 1, sheet.column) in all_of_them else high)
    return box(x, y, right, bottom)


def chained(lines: list[np.ndarray]) -> np.ndarray:
    """Pieces of line joined end to end, in whichever order and direction they come."""
    rest = sorted(lines, key=len)
    chain = rest.pop()
    while rest:
        gaps = [
            (min(math.dist(chain[-1], part[0]), math.dist(chain[-1], part[-1])), index)
            for index, part in enumerate(rest)
        ]
        gap, index = min(gaps)
        part = rest.pop(index)
        assert gap < 0.05, "the sheets do not meet"
        chain = np.concatenate(
            [chain, part if math.dist(chain[-1], part[0]) <= math.dist(chain[-1], part[-1]) else part[::-1]]
        )
    return chain


def stitching(found: Mapping[tuple[int, int], Sheet], paper: str, width: float, dashed: bool) -> np.ndarray:
    """The stitching line put together from all sheets, as one closed line."""
    parts = []
    for sheet in found.values():
        own = share(sheet, found, paper)
        for line in sheet.lines:
            if not line.filled and line.dashed == dashed and abs(line.width - width) < 0.01 and len(line.points) > 1:
                cut = LineString(line.points).intersection(own)
                parts += [
                    np.asarray(part.coords)
                    for part in getattr(cut, "geoms", [cut])
                    if part.geom_type == "LineString" and part.length
                ]
    return chained(parts)


def seam_errors(ring: np.ndarray, piece: Piece) -> dict[str, float]:
    """Length of three seams on paper less that of the pattern, in mm; the seams found by their corners alone."""
    outline = piece.outline * (1, -1)
    ring = ring + (outline.min(axis=0) - ring.min(axis=0))
    loop = ring if math.dist(ring[0], ring[-1]) < 0.05 else np.concatenate([ring, ring[:1]])
    loop = loop[:-1]
    errors = {}
    for seam in ("centre", "inseam", "side"):
        ends = [
            int(np.argmin(np.hypot(*(loop - corner * (1, -1)).T)))
            for corner in (piece.seams[seam][0], piece.seams[seam][-1])
        ]
        a, b = min(ends), max(ends)
        middle = piece.seams[seam][len(piece.seams[seam]) // 2] * (1, -1)
        ways = (loop[a : b + 1], np.concatenate([loop[b:], loop[: a + 1]]))
        way = min(ways, key=lambda part: LineString(part).distance(Point(*middle)))
        errors[seam] = length(way) - length(piece.seams[seam])
    return errors


ALLOWED = replace(
    BLOCK,
    pieces={name: replace(piece, allowance=ALLOWANCE) for name, piece in BLOCK.pieces.items()},
    title="With allowance",
)
PRINTS = [
    pytest.param(paper, pattern, id=f"{paper}-{pattern.title}")
    for pattern in (BLOCK, ALLOWED)
    for paper in ("a4", "letter")
]


@pytest.mark.parametrize(("paper", "pattern"), PRINTS)
@pytest.mark.parametrize("side", ["front", "back"])
def test_the_joined_sheets_are_the_pattern_at_full_scale(paper: str, pattern: Pattern, side: str) -> None:
    """Centre seam, inseam and side seam, put together from the pages, are as long as on the pattern, within 0.2 mm."""
    piece = pattern.pieces[side]  # type: ignore[arg-type]
    found = sheets(pattern, side, paper)
    ring = stitching(found, paper, *((0.3, True) if piece.allowance else (0.6, False)))
    assert max(abs(error) for error in seam_errors(ring, piece).values()) < 0.2


@pytest.mark.parametrize("paper", SIZES)
def test_the_squares_on_the_first_page_are_true(paper: str) -> None:
    """The first page has a square of 50 mm and one of 2 in, and says what to do with them."""
    first = printed(BLOCK, paper)[0]
    squares = [line for line in first.lines if not line.filled and len(line.points) == 5]
    sides = [[math.dist(a, b) for a, b in pairwise(line.points)] for line in squares]
    for wanted in (50.0, 2 * 25.4):
        assert any(all(abs(side - wanted) < 0.02 for side in four) for four in sides)
    assert "Print at 100 %, no scaling; measure the square." in [word.text for word in first.words]


@pytest.mark.parametrize(("paper", "pattern"), PRINTS)
def test_neighbours_show_the_same_in_their_overlap(paper: str, pattern: Pattern) -> None:
    """What two neighbouring sheets both show lies on itself when they overlap as stated, the gluing line where the other ends."""
    wide, high = (length_ - 2 * MARGIN for length_ in SIZES[paper])
    pairs = shared = 0
    for side in ("front", "back"):
        found = sheets(pattern, side, paper)
        for (row, column), sheet in found.items():
            for other in (found.get((row, column + 1)), found.get((row + 1, column))):
                if other is None:
                    continue
                pairs += 1
                x, y = other.column * (wide - OVERLAP), other.row * (high - OVERLAP)
                strip_ = box(x, y, (column + 1) * (wide - OVERLAP) + OVERLAP, (row + 1) * (high - OVERLAP) + OVERLAP)
                assert OVERLAP == pytest.approx(
                    min(strip_.bounds[2] - strip_.bounds[0], strip_.bounds[3] - strip_.bounds[1])
                )
                one, two = (unary_union(list(drawn(s, strip_.buffer(-0.3)))) for s in (sheet, other))
                assert one.is_empty == two.is_empty
                if not one.is_empty:
                    shared += 1
                    assert hausdorff_distance(one, two) < 0.1
                edge = LineString([(x, y), (x, y + high)] if other.row == row else [(x, y), (x + wide, y)])
                glue = [LineString(line.points) for line in sheet.lines if line.dashed and line.width < 0.28]
                assert any(hausdorff_distance(edge, line) < 0.02 for line in glue)
    assert pairs > 10
    assert shared > 10


def drawn(sheet: Sheet, room: Polygon) -> Iterator[LineString]:
    """The lines of the pattern itself on a sheet (cutting and stitching line), within a box."""
    for line in sheet.lines:
        if not line.filled and (line.width > 0.55 or (line.dashed and 0.28 < line.width < 0.32)):
            part = LineString(line.points).intersection(room)
            if part.length > 0:
                yield part


@pytest.mark.parametrize(("paper", "pattern"), PRINTS)
def test_nothing_is_printed_in_the_margin(paper: str, pattern: Pattern) -> None:
    """All lines and words of all pages lie 10 mm from the edge of the paper, and all words are at least 7 pt."""
    for found in printed(pattern, paper):
        assert inside(found, paper)
        assert min(word.size for word in found.words) >= 7.0


@pytest.mark.parametrize("paper", SIZES)
def test_only_sheets_that_are_needed_are_printed_and_each_names_its_neighbours(paper: str) -> None:
    """A sheet without a part of the piece is left out; every edge that is joined names the sheet it is joined to."""
    pattern = BLOCK.with_piece(replace(BLOCK.back, allowance=ALLOWANCE))
    found = sheets(pattern, "back", paper)
    assert (0, 0) not in found  # the corner above the crotch point
    piece_on_paper = Polygon(stitching(found, paper, 0.6, False))
    assert piece_on_paper.within(unary_union([share(sheet, found, paper) for sheet in found.values()]).buffer(0.05))
    for (row, column), sheet in found.items():
        assert piece_on_paper.buffer(3.0).intersects(share(sheet, found, paper)), "an empty sheet"
        others = [text for text in sheet.words if not text.startswith("Back")]
        named = {match[1] for text in others if (match := re.search(r"\b([A-Z]\d+)\b", text))}
        around = {(row + 1, column), (row - 1, column), (row, column + 1), (row, column - 1)}
        assert {f"{chr(65 + r)}{c + 1}" for r, c in around if (r, c) in found} == named


def test_the_words_on_the_sheets_are_those_of_the_pattern() -> None:
    """Piece names, grain, balance lines, darts and seams are named on the sheets, and the first page maps all of them."""
    found = printed(ALLOWED, "a4")
    shown = {word.text for page_ in found[1:] for word in page_.words}
    assert {
        "Front, cut 2", "Back, cut 2", "grain", "hip", "crotch", "knee", "dart", "waist", "hem", "inseam",
        "side seam", "crotch curve",
    } <= shown  # fmt: skip
    first = [word.text for word in found[0].words]
    for page_ in found[1:-1]:
        name = next(
            match[1] for word in page_.words if (match := re.fullmatch(r"(?:Front|Back) ([A-Z]\d+)", word.text))
        )
        assert name in first


@pytest.mark.parametrize("paper", SIZES)
def test_knee_and_hip_are_shown_enlarged(paper: str) -> None:
    """On one last page both ends of each level line, three times as large, beside a bar of that scale; nothing is empty."""
    last = printed(ALLOWED, paper)[-1]
    captions = [word.text for word in last.words if re.match(r"(Front|Back): ", word.text)]
    assert {"Front: knee, inseam", "Front: knee, side seam", "Back: hip, crotch curve", "Back: hip, side seam"} <= set(
        captions
    )
    assert len(captions) == 12
    bars = [line for line in last.lines if line.width > 0.55 and len(line.points) == 2 and not line.dashed]
    lengths = [abs(line.points[1][0] - line.points[0][0]) for line in bars]
    assert sum(abs(size - 9.0) < 0.01 for size in lengths) == 12  # 3 mm, three times


@pytest.mark.parametrize("seam", SEAMS)
def test_the_cutting_line_runs_at_its_own_allowance(seam: str) -> None:
    """Along each seam, away from its corners, the cutting line is as far out as that seam's allowance."""
    piece = replace(BLOCK.back, allowance=ALLOWANCE)
    edge = cutting_area(piece).exterior
    line = piece.seams[seam]
    for share_ in (0.4, 0.5, 0.6):
        assert ALLOWANCE[seam] == pytest.approx(
            edge.distance(LineString(line).interpolate(share_, normalized=True)), abs=0.2
        )


@given(st.fixed_dictionaries({seam: st.floats(0, 60) for seam in SEAMS}), st.sampled_from([BLOCK.front, BLOCK.back]))
@settings(max_examples=40, deadline=None)
def test_the_cutting_line_never_cuts_into_the_piece(allowance: dict[str, float], piece: Piece) -> None:
    """For any allowances the cutting line is one simple closed line that holds the whole piece."""
    area = cutting_area(replace(piece, allowance=allowance))
    assert area.is_valid
    assert area.buffer(0.01).contains(Polygon(piece.outline))


@pytest.mark.parametrize("room", [(190.0, 277.0), (195.9, 259.4)], ids=["a4", "letter"])
def test_no_sheet_is_nearly_empty(room: tuple[float, float]) -> None:
    """Each page shows more than a fortieth of its room of the piece, though the crotch point alone may need one."""
    for piece in BLOCK.pieces.values():
        outline = Polygon(piece.outline)
        grid = tiles(piece, room)
        for tile in grid.tiles:
            left, top, right, bottom = np.add(tile.box, (grid.left, grid.top) * 2)
            assert outline.intersection(box(left, -bottom, right, -top)).area > room[0] * room[1] / 40


def test_a_line_under_a_fold_is_broken_and_does_not_run_back() -> None:
    """A level line whose outer part was laid 4 mm over the inner one and 3 mm lower: two parts that meet above one another."""
    parts = unfolded(np.array([[0.0, 0.0], [50.0, 0.0], [46.0, -3.0], [96.0, -3.0]]))
    assert [[[0.0, 0.0], [48.0, 0.0]], [[48.0, -3.0], [96.0, -3.0]]] == [part.round(0).tolist() for part in parts]
    (whole,) = unfolded(np.array([[0.0, 0.0], [50.0, 1.0], [96.0, 0.0]]))
    assert 3 == len(whole)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("kinds", [("straight",), ("straight", "shaped", "facing")])
def test_the_first_page_has_room_for_every_piece(paper: str, kinds: tuple[str, ...]) -> None:
    """With the legs and all bands printed together, no words of the first page meet, and none leave the paper's margins."""
    more = [piece for kind in kinds for piece in bands(BLOCK, kind, 40.0)]
    first = read(pdf_sheets(BLOCK, paper, more=more))[0]  # type: ignore[arg-type]
    wide, high = SIZES[paper]
    inside = box(MARGIN - 1, MARGIN - 1, wide - MARGIN + 1, high - MARGIN + 1)
    assert [word.text for word in first.words if not inside.contains(word.box)] == []
    meet = [(one.text, other.text) for one, other in combinations(first.words, 2) if one.box.intersects(other.box)]
    assert meet == []
    for piece in (*BLOCK.pieces.values(), *more):
        assert sum(word.text.startswith(f"{piece.name.capitalize()}: ") for word in first.words) == 1
    assert not any(word.text.endswith(": 1 pages") for word in first.words)


def test_pieces_of_one_side_say_how_the_print_lies() -> None:
    """All are drawn with the centre on the left: seen on the right side of the cloth, that is a left front and a right back.

    Common practice, no source.
    """
    onesided = carry_out(BLOCK, "raise-one-hip", 10.0, "left").pattern
    assert {name: piece.seams["side"][0][0] > piece.corner("centre-waist")[0] for name, piece in onesided.pieces.items()} == {
        "front": True, "back": True,
    }  # fmt: skip
    text = " ".join(word.text for word in printed(onesided, "a4")[0].words)
    assert "with the print up: front left; back right. With the print down: front right; back left." in text
    assert "print up" not in " ".join(word.text for word in printed(BLOCK, "a4")[0].words)


def test_the_same_pattern_makes_the_same_file() -> None:
    """Sheets do not depend on the clock."""
    assert pdf_sheets(BLOCK) == pdf_sheets(BLOCK)


def test_a_pattern_in_the_wrong_unit_does_not_fill_the_printer() -> None:
    """A piece that would need hundreds of pages is refused with a hint at the unit."""
    big = replace(BLOCK.back, seams={name: line * 25.4 for name, line in BLOCK.back.seams.items()})
    with pytest.raises(ProblemsFoundError, match="in mm"):
        pdf_sheets(BLOCK.with_piece(big))


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("the lamplighter's trousers", "the lamplighter's trousers"),
        ("Łódź – “⅜ in” … ½", 'Lódz - "3/8 in" ... ½'),
        ("裁縫 2", "?? 2"),
        ("a\x1b[0mb", "a?[0mb"),
    ],
)
def test_text_outside_the_core_fonts_degrades_readably(text: str, shown: str) -> None:
    """What a core font cannot set is shown by its plain form, or by a question mark."""
    assert shown == plain(text)
    picture = Drawing(text, "", 100, 50, (Text(5, 20, text, 9),))
    assert shown in PdfReader(io.BytesIO(pdf_drawing(picture))).pages[0].extract_text()
