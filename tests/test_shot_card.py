"""The shot card: one page, the right figures, nothing from outside, and the words a client needs."""

from __future__ import annotations

import io
import re
from base64 import b64encode
from collections.abc import Callable
from hashlib import sha256
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from fitdiag.knowledge.load import load_rules
from fitdiag.pattern.pdf import plain
from fitdiag.problems import ProblemsFoundError
from fitdiag.reports.shot_card import Card, card_html, card_of, card_pdf

HEIGHTS = {"hip": 860.0, "crotch": 760.0, "knee": 480.0}
PAGES = {
    "a4": (595.276, 841.890),
    "letter": (612.0, 792.0),
}  # points: ISO 216 A4 210 x 297 mm; ANSI Y14.1 A 8.5 x 11 in
WORN: dict[str, Any] = {"name": "trousers", "worn": load_rules().about.card}
UNTIL = "the last night of the tour"
HOSTILE = '</p><script>alert(1)</script><img src=x onerror=alert(2)>"&{{ 7 * 7 }}'
KEY_WORDS = (
    "the line's height", "measure from the floor to the line on the cloth", "back, front, side", "or more away",
    "zoom in", "Full frame", "No crop", "Self timer", "hold still", "Two verticals in view", "door frame",
    "string with a weight", "A sheet of paper", "in line with your side seam", "Feet on the marks",
    "Arms crossed in front", "Step off, step on again", "second try", "no flash", "Send the original file", "2-3 mm",
    "A colour unlike the grainline", "No pins at the crotch", "Do not climb", "Mind the stack", "no face",
    f"Kept until: {UNTIL}", "Deleted sooner when you ask", "Turn location off",
)  # fmt: skip


class Page(HTMLParser):
    """The tags and the text of a page, as a browser would take them apart."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts.append((self.tags[-1][0] if self.tags else "", data))

    @property
    def text(self) -> str:
        return " ".join("".join(data for tag, data in self.texts if tag != "style").split())


def card(**changes: Any) -> Card:
    return card_of(**{**WORN, "units": "cm", "heights_mm": None, "keep_until": UNTIL, **changes})


def html(*, large: bool = False, **changes: Any) -> str:
    return card_html(card(**changes), large=large)


def pdf(*, large: bool = False, paper: Any = "a4", **changes: Any) -> PdfReader:
    return PdfReader(io.BytesIO(card_pdf(card(**changes), large=large, paper=paper)))


def pdf_text(reader: PdfReader) -> str:
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


@pytest.mark.parametrize("large", [False, True], ids=["plain", "large"])
@pytest.mark.parametrize("units", ["in", "cm"])
@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("heights", [None, HEIGHTS], ids=["unknown", "known"])
def test_the_pdf_is_one_page_of_the_paper(paper: str, units: str, large: bool, heights: Any) -> None:
    """One page of the paper's true size, two in large print, with letters of 9 points or 12 and more in the sentences."""
    reader = pdf(paper=paper, units=units, large=large, heights_mm=heights)
    assert (2 if large else 1) == len(reader.pages)
    for page in reader.pages:
        assert pytest.approx(PAGES[paper], abs=0.02) == (float(page.mediabox.width), float(page.mediabox.height))
    sizes = {}

    def seen(text: str, _cm: Any, _tm: Any, _font: Any, size: float) -> None:
        if "messenger" in text or "bright" in text:
            sizes[text] = size

    for page in reader.pages:
        page.extract_text(visitor_text=seen)
    assert sizes
    assert (12 if large else 9) <= min(sizes.values())


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_no_text_leaves_the_page_and_no_lines_overlap(paper: str) -> None:
    """Every line of text starts inside the margins, and lines below each other keep apart, in plain and in large print."""
    for large in (False, True):
        for page in pdf(paper=paper, large=large, units="in", keep_until="W" * 80).pages:
            spots: list[tuple[float, float]] = []

            def seen(operator: bytes, to: list[float], cm: list[float], _tm: list[float], into: Any = spots) -> None:
                if operator in (b"Td", b"Tm"):  # a line begins here; words of a drawing are placed in the drawing
                    x, y = map(float, to[-2:])
                    into.append((round(cm[0] * x + cm[2] * y + cm[4], 1), round(cm[1] * x + cm[3] * y + cm[5], 1)))

            page.extract_text(visitor_operand_before=seen)
            assert len(spots) > 20
            apart = [abs(b[1] - a[1]) for a, b in pairwise(sorted(spots)) if a[0] == b[0]]
            assert len(apart) > 10
            assert min(apart) > 7
            assert all(28 <= x <= PAGES[paper][0] - 28 and 28 <= y <= PAGES[paper][1] - 28 for x, y in spots)


@pytest.mark.parametrize("units", ["in", "cm"])
@pytest.mark.parametrize("large", [False, True], ids=["plain", "large"])
def test_page_and_paper_say_all_a_client_must_do(units: str, large: bool) -> None:
    """The PDF and the page hold every instruction of the card, word for word."""
    on_paper, on_page = pdf_text(pdf(units=units, large=large)), Page(html(units=units, large=large)).text
    assert [] == [words for words in KEY_WORDS if words not in on_paper]
    assert [] == [words for words in KEY_WORDS if words not in on_page]


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("large", [False, True], ids=["plain", "large"])
def test_a_line_ends_between_words(paper: str, large: bool) -> None:
    """Every sentence stands on paper word for word, also where its bold beginning ends."""
    on_paper = pdf_text(pdf(paper=paper, large=large))
    items = [plain(f"{lead} {text}".strip()) for section in card().sections for lead, text in section.items]
    assert len(items) > 20
    assert [] == [item for item in items if item not in on_paper]


def law(above: float, distance: float) -> float:
    """Similar triangles by themselves: a level point 120 mm nearer, seen from above, put back on the side-seam plane."""
    lens, line = 1000.0 + above, 1000.0
    down_per_mm = (lens - line) / (distance - 120.0)
    return line - (lens - down_per_mm * distance)


def amount(text: str) -> float:
    """`1 1/8 in` or `4 mm` in mm."""
    number, unit = text.rsplit(" ", 1)
    whole = 0.0
    for part in number.split():
        top, _, bottom = part.partition("/")
        whole += int(top) / int(bottom or 1)
    return whole * {"mm": 1.0, "in": 25.4}[unit]


@pytest.mark.parametrize(
    ("units", "above", "distance", "words"),
    [
        ("cm", 100, 3000, r"Lens 10 cm too high at 3 m: a level line looks (.+?) low at centre back"),
        ("cm", 100, 1500, r"The same at 1\.5 m: (.+?) low"),
        ("cm", 700, 3000, r"Eye level, 70 cm above the hip line, at 3 m: (.+?) low"),
        ("cm", 50, 3000, r"Within 5 cm is near enough: (.+?) low"),
        ("in", 4 * 25.4, 120 * 25.4, r"Lens 4 in too high at 10 ft: a level line looks (.+?) low at centre back"),
        ("in", 4 * 25.4, 60 * 25.4, r"The same at 5 ft: (.+?) low"),
        ("in", 28 * 25.4, 120 * 25.4, r"Eye level, 28 in above the hip line, at 10 ft: (.+?) low"),
        ("in", 2 * 25.4, 120 * 25.4, r"Within 2 in is near enough: (.+?) low"),
    ],
)
def test_the_figures_are_those_of_the_law(units: str, above: float, distance: float, words: str) -> None:
    """Each figure on page and paper is the exact projection, to half a millimetre or half a sixteenth of an inch."""
    half = 0.5 if units == "cm" else 25.4 / 32
    for text in (pdf_text(pdf(units=units)), Page(html(units=units)).text):
        found = re.search(words, text)
        assert found
        assert law(above, distance) == pytest.approx(amount(found[1]), abs=half + 1e-9)


def test_known_heights_stand_in_the_table_and_unknown_ones_are_asked_for() -> None:
    """The client's own heights are shown in the tape's units; a line without one says how to measure it."""
    text = Page(html(units="in", heights_mm={"hip": 863.6})).text
    assert "Hip 34 in back, front, side" in " ".join(re.sub(r"(Hip|34 in)", r"\1 ", text).split())
    assert 2 == text.count("measure from the floor to the line on the cloth")
    assert "86 cm" in pdf_text(pdf(heights_mm=HEIGHTS))
    assert "measure from the floor" not in pdf_text(pdf(heights_mm=HEIGHTS))


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"heights_mm": {"hip": float("nan")}}, "height"),
        ({"heights_mm": {"hip": 86.0}}, "height"),
        ({"keep_until": " \n"}, "keep-until"),
    ],
)
def test_what_cannot_be_is_refused(changes: dict[str, Any], code: str) -> None:
    """A height no trousers have, or no word on how long pictures are kept stops with one fault."""
    with pytest.raises(ProblemsFoundError) as caught:
        pdf(**changes)
    assert [code] == [problem.code for problem in caught.value.problems]
    assert "\x1b" not in str(caught.value)


def test_the_page_asks_nothing_of_anybody() -> None:
    """No script, no link, no address, no style outside the one whose hash the policy names."""
    page = html(keep_until=HOSTILE)
    seen = Page(page)
    assert not {tag for tag, _ in seen.tags} & {
        "script", "link", "img", "iframe", "object", "form", "a", "base", "image", "use",
    }  # fmt: skip
    names = {name for _, attributes in seen.tags for name in attributes}
    assert not {name for name in names if name.startswith("on")} | names & {
        "src",
        "href",
        "xlink:href",
        "style",
        "srcset",
    }
    assert ["http://www.w3.org/2000/svg"] * 2 == re.findall(r"https?://[^\"' ]+", page)  # a name, never fetched
    style = re.search(r"<style>(.*?)</style>", page, re.DOTALL)
    assert style
    assert not re.search(r"url\(|@import|expression", style[1])
    policy = next(
        a["content"] for tag, a in seen.tags if tag == "meta" and a.get("http-equiv") == "Content-Security-Policy"
    )
    digest = b64encode(sha256(style[1].encode()).digest()).decode()
    assert f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'" == policy


def test_hostile_text_stays_text() -> None:
    """What the fitter types about keeping is shown as typed, on the page and on paper."""
    assert HOSTILE in Page(html(keep_until=HOSTILE)).text
    assert "<script>alert(1)</script>" in pdf_text(pdf(keep_until=HOSTILE)).replace(" ", "")
    assert "**Łódź** [x](http://y) ?".replace("Ł", "L").replace("ź", "z") in pdf_text(
        pdf(keep_until="**Łódź** [x](http://y) 日")
    )


def test_titles_are_set_in_signs_the_font_has() -> None:
    """A garment may be called anything: in titles, as in the text, what the paper's font cannot set is written plainly."""
    named = card(name="Röcke \u2013 \u201clang\u201d \u0141")
    assert "\u0141" in named.title
    said = pdf_text(PdfReader(io.BytesIO(card_pdf(named))))
    assert 'Röcke - "lang" L' in said


def test_the_page_can_be_read_without_seeing_it() -> None:
    """Language, one main heading, a heading for each section, table heads, and words for each drawing."""
    seen = Page(html())
    tags = [tag for tag, _ in seen.tags]
    assert ("html", "en") == (seen.tags[0][0], seen.tags[0][1]["lang"])
    assert 1 == tags.count("h1") == tags.count("main") == tags.count("table")
    assert tags.count("section") == tags.count("h2") >= 5
    assert {"col", "row"} == {attributes.get("scope") for tag, attributes in seen.tags if tag == "th"}
    ids = {attributes["id"] for _, attributes in seen.tags if "id" in attributes}
    drawings = [attributes for tag, attributes in seen.tags if tag == "svg"]
    assert 2 == len(drawings)
    for drawing in drawings:
        assert "img" == drawing["role"]
        assert set((drawing["aria-labelledby"] or "").split()) <= ids
    assert all(len(data) > 40 for tag, data in seen.texts if tag == "desc")


def test_both_drawings_are_on_page_and_paper() -> None:
    """The same labels and about the same strokes stand in both, since both are made from one set of data."""
    page, paper = html(), pdf()
    labels = re.findall(r"<text [^>]*>([^<]+)</text>", page)
    assert {"door frame", "string and", "paper", "grainline", "marks for the feet", "3 m or more, zoom in"} <= set(
        labels
    )
    assert [] == [label for label in labels if label not in pdf_text(paper)]
    content = paper.pages[0].get_contents()
    assert content is not None
    curves = sum(path.count("C") for path in re.findall(r' d="([^"]+)"', page))
    assert curves <= len(re.findall(rb" c\b", content.get_data()))


def test_the_same_card_makes_the_same_file() -> None:
    """Nothing of the day or the machine goes into the PDF."""
    first, again = (card_pdf(card(units="in", heights_mm=HEIGHTS)) for _ in range(2))
    assert first == again


def test_a_browser_shows_and_prints_it(open_page: Callable[..., Any], tmp_path: Path) -> None:
    """A narrow window needs no sideways scrolling, the policy stops nothing of ours, nothing is asked for, one page prints."""
    for large in (False, True):
        file = tmp_path / "card.html"
        file.write_text(html(keep_until="W" * 80, large=large), encoding="utf-8")
        page = open_page(file.as_uri(), viewport={"width": 320, "height": 640})
        assert 320 >= page.evaluate("document.documentElement.scrollWidth")
        assert "rgb(179, 64, 42)" == page.evaluate("getComputedStyle(document.querySelector('h2')).color")
        letters = page.evaluate("[...document.querySelectorAll('svg text')].map(text => 3 * text.getScreenCTM().a)")
        assert 10 <= min(letters)  # px on the screen
        for paper in ("A4", "Letter"):
            printed = PdfReader(io.BytesIO(page.pdf(format=paper)))
            assert (2 if large else 1) >= len(printed.pages)


def test_a_card_for_somebody_who_fits_herself_speaks_of_no_fitter() -> None:
    """Nobody is there to send pictures to or to ask for help; all else stands as on the other card."""
    own, other = card(alone=True), card()
    page = Page(card_html(own)).text
    for word in ("fitter", "somebody you trust", "Send the original"):
        assert word not in page
        assert word in Page(card_html(other)).text
    assert own.table == other.table
    assert [section.title for section in own.sections[:4]] == [section.title for section in other.sections[:4]]
    assert card_pdf(own) != card_pdf(other)
