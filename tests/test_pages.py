"""The client's page and the fitter's: what they say, on what paper, in a real browser, and that text stays text."""

from __future__ import annotations

import datetime as dt
import io
import re
from base64 import b64encode
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache
from hashlib import sha256
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from browser import complaints
from pypdf import PdfReader
from trousers import Measures, draft

from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.pattern.draw import states_of
from fitdiag.pattern.moves import carry_out
from fitdiag.planning.amounts import Amounts
from fitdiag.planning.effects import effects
from fitdiag.planning.plan import Plan, Recommendation
from fitdiag.reports.client_pdf import Paper, client_pdf
from fitdiag.reports.fitter import Beside, Turn, chart, fitter_page, turning_answers, values
from fitdiag.reports.sheet import Heading, Sheet, client_page, make_sheet
from fitdiag.sessions.case_files import Advised, Carried, Outcome, Round
from fitdiag.sessions.log import read_log
from fitdiag.sessions.state import Conclusion, conclude, fold

SAMPLES = sorted((Path(__file__).parent.parent / "sample_sessions").glob("*.jsonl"))
BLOCK = Measures(waist=720, hip=980, rise=275, waist_to_hip=205, waist_to_floor=1030, bottom=230)  # a middle size
IDS = [path.stem for path in SAMPLES]
THREE, ONE_SIDE, MAY_STAY = "lamplighter-round-2", "stilt-walker-round-1", "prompter-round-1"
DAY = dt.date(2026, 11, 9)
PHOTOS = ("From behind, feet on the marks", "From the left side, with a string and a weight in view")
HOSTILE = "</p><script>alert(1)</script><img src=x onerror=alert(2)>\"'&{{ 7 * 7 }}\x1b[2J"
PAPERS = {"a4": (595.276, 841.890), "letter": (612.0, 792.0)}  # points: ISO 216 A4; ANSI Y14.1 A, 8.5 x 11 in


def a_round(number: int, found: Mapping[str, tuple[float, float | None]], **more: Any) -> tuple[Round, Findings]:
    """A round and what was measured at its try-on: symptom to mm and error."""
    symptoms = {name: Finding(name, "yes", mm, error) for name, (mm, error) in found.items()}
    return Round(number, Path(), **{"opened": DAY, "since": DAY, **more}), Findings(symptoms)


ROUNDS = (
    a_round(
        1,
        {"balance-lines-rise-to-back": (9.5, 6.0)},
        opened=dt.date(2026, 10, 5),
        advised=(Advised("lengthen-back-crotch", 19.05),),
        done=(Carried("lengthen-back-crotch", 31.75),),
        outcome={"balance-lines-dip-to-back": Outcome(expected=3.0, error=6.0)},
    ),
    a_round(
        2,
        {"balance-lines-dip-to-back": (19.05, 3.2), "grainline-near-centre-back": (25.4, 3.0)},
        advised=(Advised("tuck-across-back-hip", 19.05),),
    ),
)


@cache
def rules() -> RuleBase:
    return load_rules()


@cache
def sample(name: str) -> tuple[Findings, Conclusion]:
    path = next(path for path in SAMPLES if path.stem == name)
    findings = fold(read_log(path).events, rules()).findings
    return findings, conclude(rules(), findings)


def asked_for(name: str, **changes: Any) -> dict[str, Any]:
    findings, conclusion = sample(name)
    return {
        "base": rules(),
        "conclusion": conclusion,
        "heading": Heading(
            changes.pop("units", findings.units), changes.pop("client", findings.client), int(name[-1]), DAY
        ),
        "pattern": None,
        "photographs_next": PHOTOS,
        **changes,
    }


@cache
def usual_sheet(name: str) -> Sheet:
    return make_sheet(**asked_for(name))


def sheet_for(name: str, **changes: Any) -> Sheet:
    return make_sheet(**asked_for(name, **changes)) if changes else usual_sheet(name)


def client(name: str, large: bool = False, **changes: Any) -> str:
    return client_page(sheet_for(name, **changes), large=large) if changes or large else usual_page(name)


@cache
def usual_page(name: str) -> str:
    return client_page(sheet_for(name))


def pdf(name: str, paper: Paper = "a4", large: bool = False, **changes: Any) -> PdfReader:
    usual = not (changes or large)
    content = usual_pdf(name, paper) if usual else client_pdf(sheet_for(name, **changes), paper=paper, large=large)
    return PdfReader(io.BytesIO(content))


@cache
def usual_pdf(name: str, paper: Paper = "a4") -> bytes:
    return client_pdf(sheet_for(name), paper=paper)


@cache
def turns_of(name: str) -> list[Turn]:
    return turning_answers(rules(), *sample(name))


@cache
def reasoned(name: str) -> dict[str, Any]:
    """What a fitter's page shows beside the plan and takes long to work out."""
    findings, conclusion = sample(name)
    first = dict(list(findings.symptoms.items())[:1])
    return {
        "before": conclude(rules(), replace(findings, symptoms=first)),
        "effects": effects(rules(), conclusion.plan, findings, draft(BLOCK)),
        "turns": turns_of(name),
        "sheet": sheet_for(name),
    }


def fitter(name: str, **changes: Any) -> str:
    wanted = {**reasoned(name), "history": ROUNDS, **asked_for(name, **changes)}
    del wanted["pattern"], wanted["photographs_next"]
    shown = [wanted.pop(name) for name in ("base", "conclusion", "heading")]
    return fitter_page(*shown, Beside(**wanted))


def plain(text: str) -> str:
    return " ".join(text.replace("\u00a0", " ").split())


class Page(HTMLParser):
    """The tags and the text of a page, as a browser would take them apart."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.parts: list[str] = []
        self.styles: list[str] = []
        self.inside = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.inside = tag

    def handle_endtag(self, tag: str) -> None:
        self.inside = ""

    def handle_data(self, data: str) -> None:
        (self.styles if self.inside == "style" else self.parts).append(data)

    @property
    def text(self) -> str:
        return plain(" ".join(self.parts))


def pdf_text(reader: PdfReader) -> str:
    """What stands on all pages, without the foot of each, which may stand amid a sentence."""
    return plain(" ".join(re.sub(r"\n.*- \d+ of \d+$", "", page.extract_text()) for page in reader.pages))


# ---------------------------------------------------------------------------------------------- the client's words


@pytest.mark.parametrize("name", IDS)
def test_page_and_paper_name_every_change_with_the_amount_of_the_plan(name: str) -> None:
    """Page and PDF hold each recommendation's title and amount, in the plan's order and in the plan's units."""
    plan = sample(name)[1].plan
    on_page, on_paper = Page(client(name)).text, pdf_text(pdf(name))
    for text in (on_page, on_paper):
        places = [
            text.index(rules().alterations[item.alteration].title.split(" on the client")[0])
            for item in plan.recommendations
        ]
        assert sorted(places) == places
        for item in plan.recommendations:
            assert item.amount.text in text
    sides = {"left": ", left side", "right": ", right side", "one": ", one side"}
    titled = [plain(much) for much in re.findall(r'<span class="much">([^<]+)</span>', client(name))]
    assert [item.amount.text + sides.get(item.where, "") for item in plan.recommendations] == titled


def test_all_a_client_needs_for_a_change_stands_on_page_and_paper() -> None:
    """Steps for cloth before those for paper, smoothing, what to look for, pictures to take, what to leave, once each."""
    sheet = sheet_for(THREE)
    for text in (Page(client(THREE)).text, pdf_text(pdf(THREE))):
        for change in sheet.changes:
            for step in (*change.cloth, *change.paper, *change.smooth, *change.look):
                assert plain(step) in text
            assert text.index(plain(change.cloth[0])) < text.index(plain(change.paper[-1]))
        for words in (*PHOTOS, *(why for _, why in sheet.leave)):
            assert plain(words) in text


def test_a_change_that_waits_says_on_what_in_plain_words() -> None:
    """The condition is a question to the wearer and names the change to try on after; "otherwise leave it" is said."""
    text = Page(client(THREE)).text
    assert (
        "Wait with this one. Do number 1 and try on first. Do it only if you then say yes to this: Standing, or after a few"
        " steps, does the back seam pull in between the two sides of the seat? If no, leave it." in text
    )
    assert text.count("Wait with this one") == 2


@pytest.mark.parametrize("name", IDS)
def test_cautions_stand_once_and_at_the_end(name: str) -> None:
    """One block of cautions, after everything else, each caution a single time."""
    page, paper = Page(client(name)), pdf_text(pdf(name))
    assert 1 == page.text.count("Take care") == paper.count("Take care")
    cautions = {caution.client: caution.when for caution in rules().about.cautions}
    for text, when in cautions.items():
        wanted = 1 if when in ("always", "photos") or sample(name)[1].plan.recommendations else 0
        assert wanted == page.text.count(text)
        assert wanted == paper.count(text)
    assert page.text.endswith(next(text for text, when in cautions.items() if when == "photos"))


def test_what_may_stay_is_said_instead_of_a_change() -> None:
    """Where nothing is to be altered the page says so and why the sign may stay."""
    text = Page(client(MAY_STAY)).text
    assert "Nothing to change: what shows may stay as it is." in text
    assert "The lean gives the round seat its length, so leave it." in text
    assert "Pins point away" not in text


def everything(units: str) -> Conclusion:
    """A plan with every alteration of the shipped rules in it."""
    findings = Findings(units=units)  # type: ignore[arg-type]
    diagnosis = conclude(rules(), findings).diagnosis
    amounts = Amounts(diagnosis)
    recommended = tuple(
        Recommendation(n, rule.id, rule.title, amounts.plan(rule.id), "both", (), (), None, None, ())
        for n, rule in enumerate(rules().alterations.values(), 1)
        if not rule.draft
    )
    return Conclusion(diagnosis, Plan("", recommended))


@pytest.mark.parametrize("units", ["in", "cm"])
def test_no_alteration_shows_an_id_a_client_or_the_other_units(units: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever is advised: no rule id, no "the client", no laboratory, and no length in units that are not the client's."""
    monkeypatch.setattr("fitdiag.reports.sheet.pictures_of", lambda base, pattern, item, units: ((), "", pattern))
    sheet = sheet_for(THREE, conclusion=everything(units), units=units)
    told = []
    for change in sheet.changes:
        told += [change.title, change.why, change.how_much, change.where, *change.cloth, *change.paper, *change.smooth]
        told += change.look
    ids = {*rules().alterations, *rules().causes, *rules().symptoms, *rules().body_notes, *rules().sources}
    words = [text for text in told if set(re.findall(r"[a-z0-9]+(?:-[a-z0-9]+)+", text)) & ids - {"low-seat"}]
    assert [] == words
    assert [] == [text for text in told if re.search(r"\bclients?\b|\bsimulation\b|\bgeometry\b", text, re.I)]
    other = r"\d\s(?:mm|cm)\b" if units == "in" else r"\d\sin\b(?! (?:the|a|front|all)\b)"
    assert [] == [text for text in told if re.search(other, text)]


def test_drawings_say_whether_they_show_a_block_or_the_pattern() -> None:
    """Without a pattern the page says that a block is drawn; with one it does not, and the drawing is another."""
    own = draft(replace(BLOCK, hip=1100.0, waist=900.0))
    block, mine = client(THREE), client(THREE, pattern=own)
    assert "a block, not your pattern" in Page(block).text
    assert "not your pattern" not in Page(mine).text
    drawings = [re.findall(r"<svg.*?</svg>", html, re.DOTALL) for html in (block, mine)]
    assert 6 == len(drawings[0]) == len(drawings[1])
    assert all(one != other for one, other in zip(*drawings, strict=True))


def test_a_drawing_shows_hinge_amount_and_overlap_and_tells_them_in_words() -> None:
    """The pictures of a tuck hold a hinge, hatching and the amount, and each is named for those who do not see it."""
    first, second = re.findall(r"<svg.*?</svg>", client(THREE), re.DOTALL)[:2]
    assert 'class="hinge"' in first and ">cut<" in first
    assert 'class="hatch"' in second and ">3/4 in<" in second
    for drawing in (first, second):
        label = re.search(r'role="img" aria-labelledby="(\w+) ', drawing)
        assert label is not None
        assert re.search(rf'<title id="{label[1]}">Change 1: \w+', drawing)


def test_every_alteration_is_drawn_before_and_after() -> None:
    """Cut or new line before, the amount after, the hinge where something stays joined, and the grainline in both states."""
    block, undrawn = draft(BLOCK), set()
    for rule in rules().alterations.values():
        hinged = not rule.operation.hinge.startswith("none")
        step = carry_out(block, rule.id, 12.0)
        states, alike = states_of(block, step, "cm", hinged=hinged)
        if not states:
            undrawn.add(rule.id)
            continue
        before, after = ({item.role for item in state.items} for state in states)
        assert {"grain", "cut", *(("hinge",) if hinged else ())} <= before, rule.id
        assert {"grain", "amount", *(("hinge",) if hinged else ())} <= after, rule.id
        piece = next(name for name in ("back", "front") if states[0].title.startswith(f"The {name}, before. "))
        assert piece in step.altered and states[1].title.startswith(f"The {piece}, after. ")
        assert not alike or re.fullmatch(
            r"The back is drawn; the front is done (?:alike|the same way by [\d.]+ cm)\.", alike
        ), rule.id
    assert undrawn == {"agree-wearing-height", "recut-on-grain", "resew-seam"}


# --------------------------------------------------------------------------------------------------------- on paper


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", IDS)
def test_the_pdf_has_few_pages_of_the_right_size(name: str, paper: str) -> None:
    """At most two pages for three changes (three on Letter), one for one or none, of true size, with letters of 8 points or more."""
    reader = pdf(name, paper=paper)
    most = (2 + (paper == "letter")) if len(sample(name)[1].plan.recommendations) > 1 else 1
    assert most >= len(reader.pages)
    sizes: list[float] = []
    for page in reader.pages:
        assert pytest.approx(PAPERS[paper], abs=0.02) == (float(page.mediabox.width), float(page.mediabox.height))
        page.extract_text(
            visitor_text=lambda text, _cm, _tm, _font, size: sizes.append(size) if len(text) > 40 else None
        )
    assert 7.2 <= min(sizes)
    assert 8.0 <= sorted(sizes)[len(sizes) // 2]


def test_large_print_is_large() -> None:
    """In large print the steps are set in 14 points; no text starts outside the page."""
    steps: list[float] = []
    for page in pdf(THREE, large=True).pages:

        def seen(text: str, _cm: Any, tm: list[float], _font: Any, size: float, box: Any = page.mediabox) -> None:
            if text.strip():
                assert 28 <= tm[4] <= float(box.width) - 28
                assert 20 <= tm[5] <= float(box.height) - 20
            if "fold across the back" in text or "level line across each" in text:
                steps.append(size)

        page.extract_text(visitor_text=seen)
    assert steps
    assert 14.0 == min(steps)
    assert '<html lang="en" class="large">' in client(THREE, large=True)


def test_the_same_case_makes_the_same_file() -> None:
    """Two runs give the same bytes."""
    assert client_pdf(sheet_for(ONE_SIDE)) == client_pdf(make_sheet(**asked_for(ONE_SIDE)))


# ----------------------------------------------------------------------------------------------------- hostile text


def hostile_rules() -> RuleBase:
    base = rules()
    rule = base.alterations["tuck-across-back-hip"]
    evil = rule.model_copy(
        update={
            "title": f"Tuck {HOSTILE}",
            "cloth": (f"Pin {HOSTILE}", "W" * 300),
            "check_next": (f"Look {HOSTILE}",),
            "why": f"Why {HOSTILE}",
        }
    )
    return replace(base, alterations={**base.alterations, rule.id: evil})


def test_hostile_text_stays_text() -> None:
    """Markup in a client's name, a note, a wish for a picture or a rule becomes words; no tag or attribute comes of it."""
    findings = replace(sample(THREE)[0], notes=(HOSTILE,), client=HOSTILE)
    base = hostile_rules()
    conclusion = conclude(base, findings)
    changes = {"base": base, "conclusion": conclusion, "client": HOSTILE}
    facts = (a_round(1, {"balance-lines-dip-to-back": (5.0, None)}, advised=(Advised(HOSTILE, 5.0),)),)
    pages = (
        client(THREE, **changes, photographs_next=[HOSTILE]),
        fitter(THREE, **changes, history=facts, effects=None),
    )
    for html in pages:
        page = Page(html)
        assert "<script>alert(1)</script>" in page.text
        assert "{{ 7 * 7 }}" in page.text
        assert "\x1b" not in html
        assert not {"script", "img", "iframe", "a", "form"} & {tag for tag, _ in page.tags}
        assert [] == [name for _, attrs in page.tags for name in attrs if name.startswith("on") or name == "href"]
    on_paper = pdf_text(pdf(THREE, **changes, photographs_next=[HOSTILE]))
    assert "<script>alert(1)</script>" in on_paper


def test_hostile_rules_do_not_widen_the_page(tmp_path: Path, open_page: Callable[..., Any]) -> None:
    """A word of 300 letters in a rule neither widens the page at 320 px nor runs a script."""
    base = hostile_rules()
    conclusion = conclude(base, sample(THREE)[0])
    path = tmp_path / "page.html"
    path.write_text(client(THREE, base=base, conclusion=conclusion, client="W" * 80), encoding="utf-8")
    page = open_page(path.as_uri(), viewport={"width": 320, "height": 700})
    assert 320 == page.evaluate("document.documentElement.scrollWidth")


@pytest.mark.parametrize("make", [client, fitter])
def test_the_policy_lets_in_the_one_style_and_nothing_else(make: Callable[..., str]) -> None:
    """default-src 'none'; the style is let in by the hash of exactly what stands in the page; no inline style, no script."""
    html = make(THREE)
    page = Page(html)
    (style,) = re.findall(r"<style>(.*?)</style>", html, re.DOTALL)
    digest = b64encode(sha256(style.encode()).digest()).decode()
    policy = next(attrs["content"] for tag, attrs in page.tags if attrs.get("http-equiv") == "Content-Security-Policy")
    assert f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'" == policy
    assert [] == [attrs for _, attrs in page.tags if "style" in attrs or "src" in attrs or "href" in attrs]


# ------------------------------------------------------------------------------------------------- in a real browser


@pytest.mark.parametrize("width", [320, pytest.param(390, marks=pytest.mark.long), 1280])
@pytest.mark.parametrize("make", [client, fitter])
def test_pages_fit_the_window_and_axe_finds_nothing_serious(
    make: Callable[..., str], width: int, tmp_path: Path, open_page: Callable[..., Any]
) -> None:
    """No scrolling sideways, the style is used, no two elements share an id, and axe-core has no serious finding."""
    path = tmp_path / "page.html"
    path.write_text(make(THREE), encoding="utf-8")
    page = open_page(path.as_uri(), viewport={"width": width, "height": 800})
    assert width == page.evaluate("document.documentElement.scrollWidth")
    assert page.evaluate("getComputedStyle(document.querySelector('h1')).fontFamily").startswith("Georgia")
    assert [] == page.evaluate(
        "[...document.querySelectorAll('[id]')].map(e => e.id).filter((id, n, all) => all.indexOf(id) !== n)"
    )
    assert [] == complaints(page)


# ----------------------------------------------------------------------------------------------- the fitter's page


def test_every_page_begins_with_the_client_the_round_and_the_day() -> None:
    """The line under the title is that of the heading, on the client's page and on the fitter's."""
    line = asked_for(THREE)["heading"].line
    assert "round" in line
    for html in (client_page(sheet_for(THREE)), fitter(THREE)):
        assert line in Page(html).text[:400]


def test_the_fitters_page_shows_where_each_finding_comes_from_and_its_error() -> None:
    """A photographed amount stands with its error, an asked and a volunteered answer with their origin."""
    findings = sample(THREE)[0].with_finding(Finding("balance-lines-dip-to-back", "yes", 19.05, 6.35, origin="photo"))
    text = Page(fitter(THREE, conclusion=conclude(rules(), findings))).text
    assert "The level lines dip towards the back seen, 3/4 in ± 1/4 in; fitter ± 1/8 in photo" in text
    asked = [f for f in findings.symptoms.values() if (f.seen, f.origin) == ("no", "asked")]
    assert asked
    assert all(f"{rules().symptoms[finding.symptom].title} not seen - asked" in text for finding in asked)
    assert "The level line makes a V at centre back seen - unasked" in text


def test_the_fitters_page_holds_beliefs_reasons_effects_and_one_block_of_cautions() -> None:
    """Beliefs before and after, for and against, what moves on the pattern step by step, warnings, later and left alone."""
    html = fitter(THREE)
    page = Page(html)
    for words in (
        "Beliefs before and after", "For it", "Against", "What would change the conclusion",
        "Leave alone", "This round: measures that move", "After 1", "After 3", "back grain to centre at waist", "Warnings",
    ):  # fmt: skip
        assert words in page.text
    assert 1 == html.count("<h2>Cautions</h2>")
    before = sample(THREE)[1].diagnosis.probability["back-too-long-above-crotch"]
    assert f'width="{before * 99:.1f}" height="4.5"' in html
    assert "Beliefs before and after" not in Page(fitter(THREE, before=None)).text


@pytest.mark.parametrize("name", [THREE, ONE_SIDE, MAY_STAY])
def test_a_turning_answer_does_turn_the_first_recommendation(name: str) -> None:
    """Each answer named, put in the place of today's, really leads to the first recommendation it claims, and to another."""
    findings, conclusion = sample(name)
    first = next((item.alteration for item in conclusion.plan.recommendations), None)
    turns = turns_of(name)
    for turn in turns:
        given = findings.symptoms.get(turn.symptom)
        assert turn.now == (given.seen if given else None)
        assert turn.answer != turn.now
        plan = conclude(rules(), findings.with_finding(Finding(turn.symptom, turn.answer, origin="asked"))).plan
        other = next((item.alteration for item in plan.recommendations), None)
        assert turn.first == other != first
    assert len(turns) == len({(turn.symptom, turn.answer) for turn in turns})


def test_the_one_sign_of_a_plan_turns_it() -> None:
    """Where a single sign carries the plan, its "not seen" is among the turning answers and leaves nothing to alter."""
    findings = sample(ONE_SIDE)[0]
    findings = replace(findings, symptoms={"one-sided-diagonal": findings.symptoms["one-sided-diagonal"]}, looked=False)
    turns = turning_answers(rules(), findings, conclude(rules(), findings))
    assert ("yes", "no", None) in [(t.now, t.answer, t.first) for t in turns if t.symptom == "one-sided-diagonal"]


# ------------------------------------------------------------------------------------------------------ the history


def test_the_history_reads_a_rise_as_a_drop_below_zero_and_keeps_the_expected() -> None:
    """A rise counts negative, a round without the measure has none, the expected stands with the round after."""
    drop, grain = rules().garment.charts  # type: ignore[union-attr]
    assert ((1, (-9.5, 6.0), None), (2, (19.05, 3.2), (3.0, 6.0))) == values(rules(), drop, ROUNDS)
    assert ((1, None, None), (2, (25.4, 3.0), None)) == values(rules(), grain, ROUNDS)


@pytest.mark.parametrize("count", [1, 2, 6])
def test_the_chart_holds_every_value_inside_its_frame(count: int) -> None:
    """From one to six rounds: a dot for each value measured, a ring for each expected, all inside the picture."""
    rounds = [
        a_round(
            n,
            {"balance-lines-dip-to-back": (4.0 * n, 2.0), "grainline-near-centre-back": (20.0 - n, None)},
            outcome={"balance-lines-dip-to-back": Outcome(expected=3.0, error=1.0)},
        )
        for n in range(1, count + 1)
    ]
    drawn = chart(rules(), rounds, "cm")
    wide, high = map(float, re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', drawn).groups())  # type: ignore[union-attr]
    dots = re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)" r="1.5" fill="(#\w+)"', drawn)
    assert 2 * count == sum(fill == "#22303c" for *_, fill in dots)
    assert count - 1 == sum(fill == "#fff" for *_, fill in dots)
    assert all(0 < float(x) < wide and 0 < float(y) < high for x, y, _ in dots)
    assert "round 1 0.4 cm ± 0.2 cm" in plain(drawn)


def test_the_rounds_stand_beside_the_chart_in_numbers() -> None:
    """What was advised, what was done, and each value with its error and what was expected stand as text."""
    text = Page(fitter(THREE)).text
    assert "Advised: lengthen the back crotch with a wedge at the hip line, 3/4 in. Done: lengthen" in text
    assert "hip line, 1 1/4 in." in text
    assert "3/4 in ± 1/8 in (expected 1/8 in ± 1/4 in)" in text
    assert "What was done is not known yet." in text
    advised = (Advised("scoop-back-curve", 6.35), Advised("fill-back-curve", only_if="crotch-cuts"))
    done = (Carried("scoop-back-curve", done=False),)
    told = Page(fitter(THREE, history=[a_round(1, {}, advised=advised, done=done)])).text
    ends = "Not done: scoop the back crotch curve. Not known whether done: fill in the back crotch curve."
    assert "Advised: scoop the back crotch curve, 1/4 in. Only if needed: fill in the back crotch curve." in told
    assert ends in told
    assert 'class="chart"' not in fitter(THREE, history=())
