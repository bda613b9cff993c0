"""The client's form in a real browser, and the reading of what comes back, however mail has mangled it."""

from __future__ import annotations

import base64
import json
import re
import textwrap
import zlib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from browser import complaints
from form_block import packed
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fitdiag.cli.documents import form_that_came
from fitdiag.knowledge.findings import SEVERITIES, Finding
from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import ProblemsFoundError
from fitdiag.reports.form import BEGIN, FEELS, LARGEST, LONGEST_WORDS, SCHEMA, Form, client_form, read_form
from fitdiag.reports.sheet import Heading
from fitdiag.reports.signs import drawn_symptoms
from fitdiag.sessions.case_files import Advised
from fitdiag.units import format_length

pytestmark = pytest.mark.xdist_group("browser")
DAY = date(2026, 11, 9)
QUESTIONS = (
    "folds-under-seat", "waist-dips-at-back", "seat-wedgie", "one-hem-higher", "crotch-eases-with-waist-dropped", "waist-binds",
)  # fmt: skip
ADVISED = (("lengthen-back-crotch", 19.05), ("raise-centre-back-waist", None))
HOSTILE = '</script><script>window.bad=1</script><img src=x onerror="window.bad=1">{{ 7*7 }}'


def page_of(base: RuleBase, folder: Path, **changes: Any) -> str:
    """The address of a form written to a file."""
    wishes: dict[str, Any] = {
        "units": "in", "client": "the lamplighter", "round_number": 2, "advised": ADVISED, "token": "lamp-7f",
    }  # fmt: skip
    wishes |= changes
    questions, drawn = wishes.pop("questions", QUESTIONS), wishes.pop("drawn", {})
    heading = Heading(*(wishes.pop(key) for key in ("units", "client", "round_number")), DAY)
    wishes["advised"] = [((Advised(name, mm),), drawn.get(name, ())) for name, mm in wishes["advised"]]
    path = folder / "form.html"
    path.write_text(client_form(base, questions, heading, **wishes), encoding="utf-8")
    return path.as_uri()


def group(page: Any, **data: str) -> Any:
    ((name, value),) = data.items()
    return page.locator(f'fieldset[data-{name}="{value}"]')


def sides_offered(text: str, symptom: str) -> list[str]:
    """The sides that a form offers for a question, as they are packed."""
    (question,) = re.findall(
        rf'<fieldset class="q" data-question="{symptom}".*?(?=<fieldset class="q"|<h2)', text, re.S
    )
    return re.findall(r'name="\w+side" value="(\w+)"', question)


def test_a_sign_of_one_side_against_the_other_is_not_offered_for_both(base: RuleBase, tmp_path: Path) -> None:
    """One hem cannot be the higher one on both sides; folds can hang on both, and a waist has no sides."""
    page_of(base, tmp_path)
    text = (tmp_path / "form.html").read_text(encoding="utf-8")
    assert sides_offered(text, "one-hem-higher") == ["left", "right"]
    assert sides_offered(text, "folds-under-seat") == ["left", "right", "both"]
    assert sides_offered(text, "waist-dips-at-back") == []


def test_a_form_speaks_of_its_garment(tmp_path: Path) -> None:
    """A skirt is one thing: nothing on its page speaks of trousers, or of it as of several."""
    skirt = load_rules(rules_for("skirt"))
    page_of(skirt, tmp_path, questions=("one-hem-side-higher", "waist-binds"), advised=())
    text = (tmp_path / "form.html").read_text(encoding="utf-8")
    shown = re.sub(r"<(style|script|svg).*?</\1>", " ", text, flags=re.S)
    assert "trial skirt" in shown
    assert not re.search(r"\btrousers\b|\bthey (?:fit|feel)\b|\b(?:loosen|cut) them\b", shown)
    assert sides_offered(text, "one-hem-side-higher") == ["left", "right"]


def comes_back(page: Any, base: RuleBase) -> Form:
    return read_form(page.input_value("#block"), base, "mail")


def content(**changes: Any) -> dict[str, Any]:
    """What a filled form holds."""
    return {
        "schema": SCHEMA, "token": "lamp-7f", "round": 2, "units": "in",
        "answers": [{"symptom": "folds-under-seat", "seen": "yes", "strength": "clear", "side": "both"}],
        "done": [{"alteration": "lengthen-back-crotch", "state": "as-written"}],
        "feels": {"sitting": "presses"}, "words": "It pulls behind.\nMostly when I sit.",
    } | changes  # fmt: skip


def fault(text: str, base: RuleBase) -> str:
    with pytest.raises(ProblemsFoundError) as caught:
        read_form(text, base, "mail.txt")
    (problem,) = caught.value.problems
    assert problem.where is not None
    assert "mail.txt" == problem.where.path
    return problem.code


# ----------------------------------------------------------------------------------------------------- the page


@pytest.mark.parametrize(("wide", "beside"), [(320, 2), (400, 2), (1100, 4)])
def test_four_drawings_stand_two_by_two_on_a_phone_and_in_one_row_on_a_screen(
    wide: int, beside: int, open_page: Callable[..., Any], base: RuleBase, tmp_path: Path
) -> None:
    """No, a little, clearly and a lot are compared at a glance; what cannot be said stands under them."""
    page = open_page(page_of(base, tmp_path), viewport={"width": wide, "height": 640})
    cards = group(page, question="folds-under-seat").locator(".choices").first.locator(".card")
    tops = [round(card.bounding_box()["y"]) for card in cards.all()]
    assert len(tops) == 5 and tops == sorted(tops)
    assert [tops.count(top) for top in dict.fromkeys(tops)] == [beside] * (4 // beside) + [1]


def test_filled_by_touch_on_a_small_phone(open_page: Callable[..., Any], base: RuleBase, tmp_path: Path) -> None:
    """At 320 px everything can be tapped, nothing runs off the side, and pasted text and saved file give the same form."""
    page = open_page(
        page_of(base, tmp_path),
        viewport={"width": 320, "height": 640},
        has_touch=True,
        is_mobile=True,
        device_scale_factor=2,
    )
    assert 320 == page.evaluate("document.documentElement.scrollWidth")

    def tap(where: Any, value: str) -> None:
        where.locator(f'label:has(> input[value="{value}"]), label:has(> span > input[value="{value}"])').first.tap()

    tap(group(page, alteration="lengthen-back-crotch"), "otherwise")
    group(page, alteration="lengthen-back-crotch").get_by_label("Inches").select_option("0")
    group(page, alteration="lengthen-back-crotch").get_by_label("and eighths").select_option("5/8")
    tap(group(page, alteration="raise-centre-back-waist"), "not-done")
    tap(group(page, when="sitting"), "hurts")
    assert group(page, when="sitting").get_by_text("Please loosen the trousers now").is_visible()
    tap(group(page, when="stairs"), "easy")
    tap(group(page, question="seat-wedgie"), "strong")
    tap(group(page, question="folds-under-seat"), "clear")
    tap(group(page, question="folds-under-seat"), "right")
    tap(group(page, question="waist-dips-at-back"), "slight")
    group(page, question="waist-dips-at-back").get_by_label("Inches").select_option("1")
    group(page, question="waist-dips-at-back").get_by_label("and eighths").select_option("1/8")
    tap(group(page, question="one-hem-higher"), "no")
    tap(group(page, question="crotch-eases-with-waist-dropped"), "yes")
    page.fill("#words", "Behind “it pulls” = a lot > before, é.\nThank you [end] 100%")
    small = page.evaluate(
        "[...document.querySelectorAll('label.card, button, select, input[type=text]')].filter(e => e.offsetParent)"
        ".map(e => e.getBoundingClientRect()).filter(r => r.height < 44 || r.width < 44).length"
    )
    assert 0 == small
    assert "9 of 11 answered" == page.inner_text("#count")
    assert "2 questions are still open" in page.inner_text("#open")

    form = comes_back(page, base)
    expected = Form(
        token="lamp-7f",
        round=2,
        units="in",
        findings=(
            Finding("seat-wedgie", "yes", severity="strong", origin="form"),
            Finding("crotch-eases-with-waist-dropped", "yes", origin="form"),
            Finding("folds-under-seat", "yes", severity="clear", side="right", origin="form"),
            Finding("waist-dips-at-back", "yes", pytest.approx(28.575), origin="form"),
            Finding("one-hem-higher", "no", origin="form"),
        ),
        done=(
            ("lengthen-back-crotch", "otherwise", pytest.approx(15.875)),
            ("raise-centre-back-waist", "not-done", None),
        ),
        feels=(("sitting", "hurts"), ("stairs", "easy")),
        words="Behind “it pulls” = a lot > before, é.\nThank you [end] 100%",
    )
    assert expected == form
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Save as a file").tap()
    assert "trousers-try-on-2.txt" == waiting.value.suggested_filename
    assert expected == read_form(Path(waiting.value.path()).read_text(encoding="utf-8"), base, "file")
    page.locator("#told:has-text('is saved')").wait_for()


def test_filled_by_keyboard_alone(open_page: Callable[..., Any], base: RuleBase, tmp_path: Path) -> None:
    """Tab, arrows, space and figures are enough, the focus is always seen, and centimetres are read as such."""
    page = open_page(page_of(base, tmp_path, units="cm", questions=("waist-dips-at-back", "seat-wedgie"), advised=()))
    keys = page.keyboard
    keys.press("Tab")  # sitting
    keys.press("Space")
    keys.press("Tab")  # stairs
    keys.press("Space")
    keys.press("ArrowDown")
    keys.press("Tab")  # bending
    keys.press("Space")
    seen = page.evaluate("getComputedStyle(document.activeElement.closest('.card')).outlineStyle")
    assert "solid" == seen
    keys.press("Tab")  # a felt question comes first
    keys.press("Space")  # no
    keys.press("ArrowRight")
    keys.press("ArrowRight")
    keys.press("Tab")
    keys.press("Space")
    keys.press("ArrowRight")
    keys.press("Tab")
    keys.type("1,5o")
    assert "Write a number of centimetres" in page.inner_text(".fault")
    assert () == tuple(one for one in comes_back(page, base).findings if one.amount_mm)
    keys.press("Backspace")
    assert "" == page.inner_text(".fault")
    keys.press("Tab")
    keys.type("All in all good.")
    form = comes_back(page, base)
    assert (("sitting", "easy"), ("stairs", "holds"), ("bending", "easy")) == form.feels
    assert (
        Finding("seat-wedgie", "yes", severity="clear", origin="form"),
        Finding("waist-dips-at-back", "yes", 15.0, origin="form"),
    ) == form.findings
    assert "All in all good." == form.words
    for _ in range(12):
        keys.press("Tab")
        if page.evaluate("document.activeElement.id") == "copy":
            break
    keys.press("Enter")
    page.locator("#told:has-text('copied'), #told:has-text('marked')").wait_for()
    assert "Everything is answered" in page.inner_text("#open")


def test_answers_are_kept_until_they_are_sent(open_page: Callable[..., Any], base: RuleBase, tmp_path: Path) -> None:
    """A reload keeps every answer; asked twice, the page forgets them, and a reload brings nothing back."""
    page = open_page(page_of(base, tmp_path))
    group(page, question="waist-dips-at-back").locator("input[value=strong]").check()
    group(page, question="waist-dips-at-back").get_by_label("Inches").select_option("2")
    page.fill("#words", "kept <b>as</b> written")
    before = page.input_value("#block")
    # a browser hands what is kept from one of its processes to another; nobody reloads sooner
    page.wait_for_timeout(300)
    page.reload()
    assert before == page.input_value("#block")
    assert "kept on this device" in page.inner_text("#kept")
    page.click("#forget")
    assert before == page.input_value("#block")
    page.click("#forget")
    page.reload()
    assert () == comes_back(page, base).findings
    assert "" == page.input_value("#words")


def test_says_so_when_answers_cannot_be_kept(open_page: Callable[..., Any], base: RuleBase, tmp_path: Path) -> None:
    """Where the browser refuses to keep anything the page still works, and says to send in one go."""
    page = open_page("about:blank")
    page.add_init_script("Object.defineProperty(window, 'localStorage', { get() { throw new Error('refused'); } });")
    page.goto(page_of(base, tmp_path))
    assert "does not keep your answers" in page.inner_text("#kept")
    group(page, question="seat-wedgie").locator("input[value=no]").check()
    assert (Finding("seat-wedgie", "no", origin="form"),) == comes_back(page, base).findings
    page.close()


def test_nothing_hostile_runs_and_no_code_shows(open_page: Callable[..., Any], base: RuleBase, tmp_path: Path) -> None:
    """Hostile names, titles, questions and kept answers stay text; ids never show; the policy names one style and one script."""
    key = "lengthen-back-crotch"
    nasty = base.alterations[key].model_copy(update={"title": HOSTILE})
    sign = base.symptoms["one-side-shows-more"].model_copy(update={"ask": HOSTILE, "id": "odd-sign", "wearer": None})
    worse = RuleBase(
        **{
            **{name: getattr(base, name) for name in base.__dataclass_fields__},
            "alterations": {**base.alterations, key: nasty},
            "symptoms": {**base.symptoms, "odd-sign": sign},
        }
    )
    url = page_of(worse, tmp_path, client=HOSTILE[:80], questions=(*QUESTIONS, "odd-sign"))
    page = open_page(url)
    page.fill("#words", HOSTILE)
    page.wait_for_timeout(300)  # no person reloads sooner
    page.reload()
    assert page.evaluate("window.bad === undefined")
    assert HOSTILE == group(page, alteration=key).locator(".ask").inner_text().removesuffix(" (3/4 in)")
    assert HOSTILE == group(page, question="odd-sign").locator(".ask").inner_text()
    assert HOSTILE == read_form(page.input_value("#block"), worse, "mail").words
    assert 1 == page.locator("script").count()
    shown = page.inner_text("body") + " ".join(
        page.locator("[aria-label]").evaluate_all("e => e.map(x => x.ariaLabel)")
    )
    assert [] == [name for name in (*QUESTIONS, *(row[0] for row in ADVISED), "odd-sign") if name in shown]
    policy = page.get_attribute("meta[http-equiv]", "content")
    assert re.fullmatch(
        r"default-src 'none'; script-src 'sha256-[\w+/=]+'; style-src 'sha256-[\w+/=]+'; img-src data:; "
        r"base-uri 'none'; form-action 'none'",
        policy,
    )


def test_no_serious_findings_of_a_general_accessibility_checker(
    open_page: Callable[..., Any], base: RuleBase, tmp_path: Path
) -> None:
    """axe-core finds nothing serious or critical, on the open form and on the filled one."""
    page = open_page(page_of(base, tmp_path, units="cm"), bypass_csp=True)
    for filled in (False, True):
        if filled:
            for radio in page.locator("input[value=clear], input[value=otherwise], input[value=hurts]").all():
                radio.check()
            group(page, question="waist-dips-at-back").get_by_label("Centimetres").fill("much")
        assert [] == complaints(page)


def test_prints_as_a_form_to_tick(open_page: Callable[..., Any], base: RuleBase, tmp_path: Path) -> None:
    """Twelve questions print on a few pages, with boxes and lines to fill in by hand, and without the parts for the screen."""
    from pypdf import PdfReader

    page = open_page(page_of(base, tmp_path, questions=(*QUESTIONS, *drawn_symptoms()[:6])))
    group(page, question="waist-dips-at-back").locator("input[value=clear]").check()
    group(page, question="waist-dips-at-back").get_by_label("and eighths").select_option("7/8")
    for width in ("A4", "Letter"):
        path = tmp_path / f"{width}.pdf"
        page.pdf(path=str(path), format=width)
        pages = [sheet.extract_text() for sheet in PdfReader(path).pages]
        assert 3 <= len(pages) <= 7
        text = "\n".join(pages)
        assert "________ in" in text
        assert "\n7/8 in" in text
        assert "On which side?" in text
        assert "Copy the text" not in text
        assert all(len(sheet) > 40 for sheet in pages)


def test_asks_in_the_wearers_words(base: RuleBase) -> None:
    """Every question is put to the wearer, felt ones come first, and lengths stand in the client's units."""
    signs = [symptom for symptom in base.symptoms.values() if symptom.views[0] != "paper"]
    for units, other in (("in", r"\d (cm|mm)\b"), ("cm", r"\d in\b")):
        heading = Heading(units, "", 1, DAY)  # type: ignore[arg-type]
        page = client_form(base, [symptom.id for symptom in signs], heading, (), token="t")
        fields = re.split(r"<fieldset class=\"q\"", page)[1:]
        assert len(signs) == len(fields)
        for field in fields:
            asked = re.search(r'<span class="ask">([^<]+)</span>', field)
            how = re.search(r"<small>([^<]+)</small>", field)
            assert asked is not None
            assert asked[1].endswith("?")
            told = asked[1] + (how[1] if how else "")
            assert "client" not in told
            assert not re.search(other, told)
    page = client_form(base, QUESTIONS, Heading("in", "", 1, DAY), (), token="t")
    order = re.findall(r'data-question="([^"]+)"', page)
    assert ["seat-wedgie", "crotch-eases-with-waist-dropped", "waist-binds"] == order[:3]
    assert "<h2>Since" not in page


# --------------------------------------------------------------------------------------------- what comes back


def test_reads_what_was_packed(base: RuleBase) -> None:
    """The plain case, with text before and after."""
    form = read_form("Hello,\nhere it is.\n\n" + packed(content()) + "\n\n-- \nThe lamplighter", base, "mail")
    assert (Finding("folds-under-seat", "yes", severity="clear", side="both", origin="form"),) == form.findings
    assert (("lengthen-back-crotch", "as-written", None),) == form.done
    assert (("sitting", "presses"),) == form.feels
    assert "It pulls behind.\nMostly when I sit." == form.words
    assert () == form.warnings


@st.composite
def mangled(draw: st.DrawFn) -> tuple[str, str]:
    """A form as mail programs leave it, and the words in it."""
    words = draw(st.text(st.characters(exclude_categories=("C",)), max_size=60)).strip()
    text = draw(st.sampled_from(["", "Dear fitter, see 3 > 2:\n", "> [fitting form\n"])) + packed(content(words=words))
    width = draw(st.integers(20, 90))
    for way in draw(st.lists(st.sampled_from(["quote", "wrap", "soft", "indent", "blank", "nbsp", "bar"]), max_size=4)):
        lines = text.split("\n")
        if way == "quote":
            lines = ["> " + line for line in lines]
        elif way == "bar":
            lines = ["| " + line for line in lines]
        elif way == "wrap":
            lines = [part for line in lines for part in textwrap.wrap(line, width) or [""]]
        elif way == "soft":
            lines = [part for line in lines for part in re.sub(rf"(.{{{width}}})(?=.)", "\\1=\n", line).split("\n")]
        elif way == "indent":
            lines = ["    " + line for line in lines]
        elif way == "blank":
            lines = [part for line in lines for part in (line, "")]
        else:
            lines = [line.replace(" ", "\u00a0") + "\u200b" for line in lines]
        text = "\n".join(lines)
    return text.replace("\n", draw(st.sampled_from(["\n", "\r\n", "\r"]))) + draw(
        st.sampled_from(["", "\n", "\nBye [x]"])
    ), words


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(mangled())
def test_survives_mail(base: RuleBase, case: tuple[str, str]) -> None:
    """Quote marks, wrapped lines, soft breaks, foreign line ends and blanks change nothing."""
    text, words = case
    form = read_form(text, base, "mail")
    assert words == form.words
    assert ("lamp-7f", 1, ()) == (form.token, len(form.findings), form.warnings)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_cut_or_changed_block_is_noticed(base: RuleBase, data: st.DataObject) -> None:
    """Cut at any place, or with one letter changed or lost, a form is refused, never read by halves or otherwise."""
    text = packed(content())
    place = data.draw(st.integers(0, len(text) - 1))
    letter = text[place]
    kind = data.draw(st.sampled_from(["cut", "lost", "changed"]))
    if kind == "cut":
        broken = text[:place]
    elif letter.isspace():
        return
    elif kind == "lost":
        broken = text[:place] + text[place + 1 :]
    else:
        broken = text[:place] + ("B" if letter != "B" else "C") + text[place + 1 :]
    try:
        form = read_form(broken, base, "mail")
    except ProblemsFoundError as error:
        assert {problem.code for problem in error.problems} <= {"no-form", "form-cut", "form-changed"}
    else:  # a bit of the last letter that stands for nothing, or a capital in the checksum
        assert (read_form(text, base, "mail"), "changed") == (form, kind)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.recursive(
        st.none()
        | st.booleans()
        | st.integers()
        | st.text(max_size=12)
        | st.sampled_from(["yes", "slight", "3/4 in", "both"]),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(st.sampled_from(["symptom", "seen", "amount", "side", "x"]), inner, max_size=3)
        ),
        max_leaves=8,
    ),
    st.sampled_from(["token", "round", "units", "answers", "done", "feels", "words", "schema", "more"]),
)
def test_any_content_gives_a_form_or_a_clear_refusal(base: RuleBase, value: Any, part: str) -> None:
    """Whatever stands in a part, with a right checksum, is read, left out with a warning, or refused; nothing else is raised."""
    try:
        form = read_form(packed(content(**{part: value})), base, "mail")
    except ProblemsFoundError as error:
        assert all(problem.code.startswith("form-") for problem in error.problems)
    else:
        assert all(finding.symptom in base.symptoms and finding.origin == "form" for finding in form.findings)
        assert all(char == "\n" or char.isprintable() or char.isspace() for char in form.words)


def test_single_answers_that_make_no_sense_are_left_out_with_a_warning(base: RuleBase) -> None:
    """Unknown ids, answers not offered, amounts that are none, and answers given twice."""
    answers = [
        {"symptom": "fold-under-seat", "seen": "yes"},
        {"symptom": "folds-under-seat", "seen": "yes", "amount": "much"},
        {"symptom": "folds-under-seat", "seen": "no"},
        {"symptom": "seat-wedgie", "seen": "yes", "amount": "1 in"},
        {"symptom": "waist-dips-at-back", "seen": "perhaps"},
        {"symptom": "fly-gapes", "seen": "yes", "strength": "strong", "amount": "1 mm"},
        {"symptom": "one-hem-higher", "seen": "no", "amount": "2 cm"},
        {"symptom": "waist-binds", "seen": "yes", "amount": "31 m"},
    ]  # fmt: skip
    done = [
        {"alteration": "burn-it", "state": "as-written"},
        {"alteration": "level-hems", "state": "perhaps"},
        {"alteration": "raise-centre-back-waist", "state": "otherwise", "amount": "2 cm"},
        {"alteration": "lengthen-back-crotch", "state": "undone", "amount": "2 cm"},
    ]
    form = read_form(
        packed(content(answers=answers, done=done, feels={"sitting": "fine", "flying": "easy"})), base, "mail"
    )
    assert (
        Finding("folds-under-seat", "yes", origin="form"),
        Finding("seat-wedgie", "yes", origin="form"),
        Finding("fly-gapes", "yes", severity="slight", origin="form"),
        Finding("one-hem-higher", "no", origin="form"),
        Finding("waist-binds", "yes", origin="form"),
    ) == form.findings
    assert (("raise-centre-back-waist", "otherwise", 20.0), ("lengthen-back-crotch", "undone", None)) == form.done
    assert () == form.feels
    codes = [warning.code for warning in form.warnings]
    assert [
        "unknown-id", "form-amount", "form-twice", "form-amount", "form-answer", "form-amount", "form-amount",
        "unknown-id", "form-answer", "form-answer",
    ] == codes  # fmt: skip
    assert "did you mean 'folds-under-seat'?" == form.warnings[0].hint


@pytest.mark.parametrize(
    ("symptom", "strength", "amount", "begins"),
    [
        ("balance-lines-dip-to-back", "slight", "1/8 in", "the 1/8 in written would count only from {}"),
        ("grainline-near-centre-back", None, "6 in", "the 6 in written would count only at {} or under"),
    ],
)
def test_ticked_as_seen_is_seen_however_small_the_amount(
    base: RuleBase, symptom: str, strength: str | None, amount: str, begins: str
) -> None:
    """A tick with an amount that would not count is seen, slight; the warning names the sign as people do, and what would count."""
    answer = {"symptom": symptom, "seen": "yes", "amount": amount} | ({"strength": strength} if strength else {})
    form = read_form(packed(content(answers=[answer])), base, "mail")
    assert (Finding(symptom, "yes", severity="slight", origin="form"),) == form.findings
    (warning,) = form.warnings
    assert f"{base.symptoms[symptom].title}: ticked as seen, but" in warning.message
    assert "it counts as seen, slight" in warning.message
    measure = base.symptoms[symptom].measure
    assert measure is not None
    assert begins.format(format_length(measure.seen_from_mm, "in")) in warning.message


def test_warnings_speak_titles(base: RuleBase) -> None:
    """No id of a sign or an alteration that the rules know stands in a warning."""
    answers = [
        {"symptom": "waist-pulls-down-when-bending", "seen": "yes", "amount": "much"},
        {"symptom": "waist-pulls-down-when-bending", "seen": "no"},
        {"symptom": "seat-wedgie", "seen": "yes", "amount": "1 in"},
        {"symptom": "waist-dips-at-back", "seen": "perhaps"},
        {"symptom": "fly-gapes", "seen": "yes", "amount": "1 mm"},
    ]
    done = [{"alteration": "level-hems", "state": state} for state in ("perhaps", "not-done", "undone")]
    form = read_form(packed(content(answers=answers, done=done)), base, "mail")
    told = [warning.message for warning in form.warnings]
    assert 7 == len(told)
    assert not [text for text in told if re.search(r"\w-\w+-\w|level-hems|fly-gapes", text)]


@pytest.mark.parametrize(("photos", "told"), [(True, "send them beside it"), (False, "No photos are needed.")])
def test_the_form_says_where_pictures_go(base: RuleBase, photos: bool, told: str) -> None:
    """Pictures go beside the form, as the other papers ask; who refused them reads that none are needed."""
    page = client_form(base, QUESTIONS, Heading("in", "", 1, DAY), (), token="lamp-0", photos=photos)
    assert told in page
    assert "not needed for this form" not in page


def test_other_questions_find_no_answers_kept_on_the_device(base: RuleBase) -> None:
    """Answers are kept by their place on the page, so a form with other questions keeps them apart; the same form finds them."""

    def kept(*questions: str) -> str:
        page = client_form(
            base, questions, Heading("in", "", 2, DAY), [((Advised(*item),), ()) for item in ADVISED], token="lamp-1"
        )
        (found,) = re.findall(r'data-kept="([0-9a-f]{8})"', page)
        return str(found)

    assert kept(*QUESTIONS) == kept(*QUESTIONS)
    assert kept(*QUESTIONS) != kept(*QUESTIONS[1:])


def test_what_was_written_is_told_in_plain_words(base: RuleBase) -> None:
    """How it felt comes in the form's own words, the worst first, then the client's own."""
    form = read_form(packed(content(feels={"sitting": "easy", "stairs": "hurts"}, words="Too long.")), base, "mail")
    assert "On stairs: hurts.\nSitting on a chair: easy.\nToo long." == form.summary


def test_words_are_cut_and_cleaned(base: RuleBase) -> None:
    """Control characters, escapes and marks that turn the writing round go; line ends stay; length is capped."""
    form = read_form(packed(content(words="a\x1b[31mred\x00\u202ereverse\r\nnext\tline" + "x" * 3000)), base, "mail")
    assert form.words.startswith("a[31mredreverse\nnext line")
    assert LONGEST_WORDS == len(form.words)
    assert ["form-words"] == [warning.code for warning in form.warnings]


def with_checksum(raw: bytes) -> str:
    return f"{BEGIN}\n{base64.b64encode(raw).decode()}\n[end {zlib.crc32(raw):08x}]"


def test_a_file_too_large_for_a_form_is_refused(base: RuleBase, tmp_path: Path) -> None:
    """It is not even read, whatever it holds, and whichever case it is for."""
    path = tmp_path / "form.txt"
    path.write_text("é" * (LARGEST // 2 + 1), encoding="utf-8")
    with pytest.raises(ProblemsFoundError) as refused:
        form_that_came(base, None, str(path), "")  # type: ignore[arg-type]
    assert ["too-large"] == [problem.code for problem in refused.value.problems]


def test_hostile_blocks_are_refused(base: RuleBase) -> None:
    """Too deep, doubled keys, strange numbers, another version, another kind, no text at all."""
    assert "form-schema" == fault(with_checksum(b"[" * 20000), base)
    assert "form-schema" == fault(with_checksum(b'{"a":1,"a":2}'), base)
    assert "form-schema" == fault(with_checksum(b'{"round":NaN}'), base)
    assert "form-schema" == fault(with_checksum(b'{"round":' + b"9" * 9000 + b"}"), base)
    assert "form-schema" == fault(with_checksum(b"\xff\xfe"), base)
    assert "form-schema" == fault(packed(content(schema="fitdiag.findings/1")), base)
    assert "form-schema" == fault(packed(content(token="../../etc")), base)
    assert "form-schema" == fault(packed(content(answers=[{"symptom": "fly-gapes", "seen": "yes"}] * 301)), base)
    assert "form-schema" == fault(packed(content()).replace("form 1]", "form 2]"), base)
    assert "no-form" == fault("", base)
    assert "no-form" == fault("Sorry, I forgot it.", base)


def test_of_several_forms_the_first_is_read_and_told(base: RuleBase) -> None:
    """The same form quoted below is one form; another one is named in a warning."""
    one, other = packed(content()), packed(content(round=1))
    quoted = "\n".join("> " + line for line in one.split("\n"))
    assert () == read_form(f"{one}\n\nYou wrote:\n{quoted}", base, "mail").warnings
    form = read_form(f"{one}\n\n{other}", base, "mail")
    assert (2, ["form-several"]) == (form.round, [warning.code for warning in form.warnings])


def test_the_block_is_what_the_page_writes(open_page: Callable[..., Any], base: RuleBase, tmp_path: Path) -> None:
    """The page's own script and `packed` write the same letters for the same answers, beyond ASCII too."""
    page = open_page(page_of(base, tmp_path, advised=()))
    page.fill("#words", "Grüße, 3/4″ – ½ 🙂")
    text = page.input_value("#block")
    block = text[text.index(BEGIN) :].strip()
    raw = base64.b64decode("".join(block.split("\n")[1:-1]) + "==")
    assert block == packed(json.loads(raw))
    assert set(FEELS) == set(page.locator("fieldset.f").first.locator("input").evaluate_all("e => e.map(x => x.value)"))
    assert {*SEVERITIES, "no", "unsure"} == set(
        group(page, question="waist-binds").locator("> .choices input").evaluate_all("e => e.map(x => x.value)")
    )
