"""Pictures dropped in: lines found, one page to say yes on (by mouse, touch and keyboard), findings from what was confirmed."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from PIL import Image
from running import Shell

from fitdiag.knowledge.findings_file import read_findings
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.photos.intake import read_picture
from fitdiag.photos.marks import as_json, read_marks
from fitdiag.photos.page import parse_answer

PICTURES = Path(__file__).parents[1] / "sample_sessions" / "lamplighter-pictures"
VIEWS = ("back", "left", "front")
MOST_ACTIONS = 6
BOX = "name => { const box = name.getBBox(); return [box.x, box.y, box.x + box.width, box.y + box.height]; }"


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which three pictures were read up to the page."""
    from fitdiag.cli.photo import lines_drawn, take_pictures
    from fitdiag.cli.photo_read import ask, with_view

    folder = tmp_path_factory.mktemp("found")
    for view in VIEWS:
        shutil.copy(PICTURES / f"{view}.jpg", folder / f"{view}.jpg")
    paths = list(
        take_pictures([with_view(str(folder / f"{view}.jpg")) for view in VIEWS], str(folder / "read"), focal=57)
    )
    ask(paths, folder / "read", "cm", None, lines_drawn(load_rules()))
    return folder


@pytest.fixture
def here(found: Path, tmp_path: Path) -> Path:
    """The same, where a test may write."""
    shutil.copytree(found, tmp_path, dirs_exist_ok=True)
    return tmp_path


def _nothing(*_: object) -> None:
    raise AssertionError("measured again")


def _say_yes(page: Any, press: Callable[[str], None]) -> tuple[Any, int]:
    """Press what the page asks to be pressed; the download and how often something was pressed."""
    pressed = 0
    with page.expect_download() as download:
        press("#all")
        pressed += 1
        while page.is_visible("#ask") and pressed < 40:
            press("#it-is")
            pressed += 1
    return download.value, pressed


@pytest.mark.parametrize("hand", ["mouse", "touch", "keyboard"])
def test_a_yes_on_the_page_becomes_findings(
    hand: str, here: Path, shell: Shell, open_page: Any, base: RuleBase, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From three pictures to findings: one command, one page, a yes (and one for each doubt), one command; by any hand.

    What was measured for the page is not measured again (tests/bench/photos.py --large prints the seconds of both commands).
    """
    page = open_page((here / "read" / "confirm.html").as_uri(), has_touch=hand == "touch")
    page.wait_for_selector("body[data-ready]", state="attached")

    def press(place: str) -> None:
        if hand == "mouse":
            page.click(place)
        elif hand == "touch":
            page.tap(place)
        else:
            page.focus(place)
            page.keyboard.press("Enter")

    saved, pressed = _say_yes(page, press)
    doubts = [set(read_marks(here / "read" / f"{view}.marks.json").doubts.values()) for view in VIEWS]
    assert pressed <= 1 + sum(map(len, doubts)) + 1  # yes to all, each doubt of a picture once, and no mirror image
    assert pressed + 1 <= MOST_ACTIONS  # the command that goes on is one more
    saved.save_as(here / "downloads" / saved.suggested_filename)
    monkeypatch.setattr("fitdiag.photos.measure.look", _nothing)
    monkeypatch.setenv("XDG_DOWNLOAD_DIR", str(here / "downloads"))
    code, out, err = shell("photo", "read", *(str(here / f"{view}.jpg") for view in VIEWS))
    assert 0 == code, err
    assert "Confirmed on the page" in out
    symptoms = read_findings(here / "read" / "findings.yaml", base).symptoms
    assert symptoms["balance-lines-dip-to-back"].amount_mm == pytest.approx(18.5, abs=4.0)
    assert not read_marks(here / "read" / "back.marks.json").proposed


def test_a_pin_is_dragged_by_mouse_touch_and_keys(here: Path, open_page: Any) -> None:
    """A pin goes where it is taken; the answer holds its new place, and a line without a tick is gone."""
    page = open_page((here / "read" / "confirm.html").as_uri(), has_touch=True)
    page.wait_for_selector("body[data-ready]", state="attached")
    before = read_marks(here / "read" / "back.marks.json")
    pin = page.locator("circle[aria-label^='Hip line, pin 1'][aria-label*='back']")
    pin.scroll_into_view_if_needed()
    box = pin.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 20, y + 10, steps=4)
    page.mouse.up()
    page.keyboard.press("Shift+ArrowDown")
    page.get_by_role("checkbox", name="Crotch line").first.uncheck()
    download, _ = _say_yes(page, page.tap)
    answer = {marks.view: marks for marks in parse_answer(Path(download.path()).read_text("utf-8"), "answer").marks}[
        "back"
    ]
    moved, old = answer.lines["hip"][0], before.lines["hip"][0]
    assert moved[0] < old[0] - 10 and moved[1] > old[1] + 5
    assert answer.lines["hip"][1:] == before.lines["hip"][1:]
    assert "crotch" not in answer.lines and "crotch" in before.lines


@pytest.mark.parametrize("wide", [1280, 380])
def test_no_name_on_a_picture_covers_another(wide: int, here: Path, open_page: Any) -> None:
    """Lines end close together at the knee; their names, which say which leg is meant, stand apart."""
    page = open_page((here / "read" / "confirm.html").as_uri(), viewport={"width": wide, "height": 800})
    page.wait_for_selector("body[data-ready]", state="attached")
    for picture in page.locator("svg").all():
        names = picture.locator(".name").all()
        assert {"knee line, left"} <= {name.text_content() for name in names}
        boxes = [shapely.box(*name.evaluate(BOX)) for name in names]
        for one, other in combinations(boxes, 2):
            assert one.intersection(other).area < 0.05 * min(one.area, other.area)


def test_a_name_is_not_covered_and_covers_no_pin(here: Path, open_page: Any) -> None:
    """Names are painted over all pins, so that each can be read; a click there still takes the pin under it."""
    page = open_page((here / "read" / "confirm.html").as_uri())
    page.wait_for_selector("body[data-ready]", state="attached")
    for picture in page.locator("svg").all():
        kinds = picture.evaluate("eye => [...eye.children].map(part => part.getAttribute('class') ?? '')")
        assert "pin" in kinds and "name" in kinds
        assert "pin" not in kinds[kinds.index("name") :]
    missed = page.evaluate(
        """() => [...document.querySelectorAll('.pin')].filter(pin => {
          pin.scrollIntoView({ block: 'center' });
          const box = pin.getBoundingClientRect(), x = box.x + box.width / 2, y = box.y + box.height / 2;
          return !document.elementFromPoint(x, y).classList.contains('pin');
        }).map(pin => pin.getAttribute('aria-label'))"""
    )
    assert [] == missed


def _answered(page: Any, no_to: str) -> tuple[Any, list[str]]:
    """Answer all questions of the page, no to those that hold these words; the download, and the questions."""
    asked: list[str] = []
    with page.expect_download() as download:
        page.click("#all")
        while page.is_visible("#ask") and len(asked) < 40:
            asked.append(page.inner_text("#question"))
            page.click("#it-is-not" if re.search(no_to, asked[-1]) else "#it-is")
    return download.value, asked


def test_a_mirror_image_is_asked_about_and_turned(here: Path, shell: Shell, open_page: Any) -> None:
    """Where nothing tells left from right it is asked once of all, and after a no of each; the one is not measured but turned."""
    page = open_page((here / "read" / "confirm.html").as_uri())
    page.wait_for_selector("body[data-ready]", state="attached")
    download, asked = _answered(page, r"^back\.jpg(, .*)?: nothing shows")
    about = [text.partition(":")[0] for text in asked if "mirror image" in text]
    assert ["back.jpg, left.jpg, front.jpg", "back.jpg", "left.jpg", "front.jpg"] == about
    before = read_picture(here / "read" / "back.jpg").pixels.astype(int)
    code, _, err = shell(
        "photo", "read", *(str(here / f"{view}.jpg") for view in VIEWS), "--answer", str(download.path())
    )
    assert 1 == code and "a mirror image" in err and "turned-back.jpg" in err
    assert ["turned-back.jpg"] == [path.name for path in (here / "read").glob("turned-*.jpg")]
    turned = here / "read" / "turned-back.jpg"
    assert np.abs(read_picture(turned).pixels[:, ::-1] - before).mean() < 2
    assert read_marks(turned.with_name("turned-back.marks.json")).focal_35mm == 57
    assert not (here / "read" / "findings.yaml").exists() and read_marks(here / "read" / "back.marks.json").proposed


@pytest.mark.parametrize(
    ("stands", "quarters"), [("upside down", 2), ("the head to the left", 3), ("the head to the right", 1)]
)
def test_a_picture_that_does_not_stand_upright_is_turned(
    stands: str, quarters: int, here: Path, shell: Shell, open_page: Any
) -> None:
    """Said on the page, it is not asked about; a copy stands upright, the others are left alone, and nothing is measured.

    `quarters`: turns to the left, as numpy counts them, that lead there; three to the left are one to the right.
    """
    page = open_page((here / "read" / "confirm.html").as_uri())
    page.wait_for_selector("body[data-ready]", state="attached")
    choice = page.get_by_label("It stands").nth(0)
    choice.select_option(label=choice.locator("option", has_text=stands).inner_text())
    assert "turned when you save" in page.locator("section").first.inner_text()
    download, asked = _answered(page, "never")
    assert not [text for text in asked if text.startswith("back.jpg:")]
    code, _, err = shell(
        "photo", "read", *(str(here / f"{view}.jpg") for view in VIEWS), "--answer", str(download.path())
    )
    assert 1 == code and "stands upright" in err
    assert ["turned-back.jpg"] == [path.name for path in (here / "read").glob("turned-*.jpg")]
    before, after = (read_picture(here / "read" / name).pixels for name in ("back.jpg", "turned-back.jpg"))
    assert np.abs(after.astype(int) - np.rot90(before, quarters)).mean() < 2
    marks = read_marks(here / "read" / "turned-back.marks.json")
    assert (after.shape[1], after.shape[0]) == (marks.width, marks.height) and not marks.lines
    assert not (here / "read" / "findings.yaml").exists()


def test_in_a_case_a_picture_is_turned_where_it_lies(
    here: Path, shell: Shell, open_page: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was said on the page needs no copying: the next command turns it, finds its lines, and asks again; only then it counts."""
    upside = Image.open(PICTURES / "back.jpg").transpose(Image.Transpose.ROTATE_180)
    upside.save(here / "upside.jpg", quality=92, exif=Image.open(PICTURES / "back.jpg").getexif())
    monkeypatch.setenv("XDG_DOWNLOAD_DIR", str(here))
    assert 0 == shell("case", "new", "x", "--units", "in", "--photos-consent", "yes")[0]
    assert 0 == shell("review", "x", "--photo", f"back={here / 'upside.jpg'}", "--no-questions", "--no-drape")[0]
    photos = Path("cases/x/round-01/photos")
    page = open_page((photos / "confirm.html").resolve().as_uri())
    page.wait_for_selector("body[data-ready]", state="attached")
    page.get_by_label("It stands").select_option(label="upside down")
    download, _ = _answered(page, "never")
    download.save_as(here / download.suggested_filename)
    as_it_came = (photos / "back.jpg").read_bytes()
    code, out, err = shell("review", "x", "--no-questions", "--no-drape")
    assert (0, "") == (code, err)
    assert "Turned the right way round" in out and "confirm.html" in out and "Findings" not in out
    assert ["back.jpg"] == [path.name for path in photos.glob("*.jpg")]
    upright = np.asarray(Image.open(PICTURES / "back.jpg").convert("RGB")).astype(int)
    assert np.abs(read_picture(photos / "back.jpg").pixels - upright).mean() < 4
    marks = read_marks(photos / "back.marks.json")
    assert {"hip", "crotch"} <= set(marks.lines) <= set(marks.proposed)
    # broken off after the marks of the turned picture were in their place, and before the picture was: it is asked about again
    (photos / "back.jpg").write_bytes(as_it_came)
    (photos / "back.marks.json").write_text(
        as_json(replace(marks, lines={}, grains={}, proposed=(), doubts={})), "utf-8"
    )
    code, out, err = shell("review", "x", "--no-questions", "--no-drape")
    assert (0, "") == (code, err) and "confirm.html" in out
    assert read_marks(photos / "back.marks.json").sha256 == read_picture(photos / "back.jpg").sha256


def test_nothing_is_measured_before_a_yes(here: Path, shell: Shell) -> None:
    """Without an answer the page is written and said; nothing is measured, and no findings are there."""
    code, out, _ = shell("photo", "read", *(str(here / f"{view}.jpg") for view in VIEWS))
    assert 0 == code and "confirm.html" in out and "Nothing is measured before" in out
    assert not (here / "read" / "findings.yaml").exists()


def test_where_no_line_is_found_the_ways_on_are_said(shell: Shell, tmp_path: Path) -> None:
    """A picture of something else, alone or in a case: by hand, or turned on the page. Doubts are counted among lines only."""
    Image.new("RGB", (900, 1200), (200, 190, 170)).save(tmp_path / "back.jpg")
    assert 0 == shell("case", "new", "x", "--units", "in", "--photos-consent", "yes")[0]
    for command in (("photo", "read", "back.jpg"), ("review", "x", "--photo", "back=back.jpg", "--no-questions")):
        code, out, _ = shell(*command)
        said = " ".join(out.split())
        assert 0 == code and "back.jpg: 0 lines found." in said
        assert "If one does not stand upright" in said and "fitdiag photo mark" in said and "confirm.html" in said


def test_without_the_page_what_is_doubtful_is_left_out(here: Path, shell: Shell, base: RuleBase) -> None:
    """`--yes` takes what is not doubted, and says what was left out."""
    marks = here / "read" / "back.marks.json"
    text = json.loads(marks.read_text(encoding="utf-8"))
    text["doubts"] = {"crotch": "another line could be meant as well"}
    marks.write_text(json.dumps(text), encoding="utf-8")
    code, out, _ = shell("photo", "read", *(str(here / f"{view}.jpg") for view in VIEWS), "--yes")
    assert 0 == code and "crotch is left out: another line could be meant as well" in " ".join(out.split())
    assert "crotch" not in read_marks(marks).lines and "hip" in read_marks(marks).lines
    assert "balance-lines-dip-to-back" in read_findings(here / "read" / "findings.yaml", base).symptoms


def test_an_answer_to_other_pictures_is_refused(here: Path, shell: Shell) -> None:
    """An answer that knows other pictures, or is none, changes nothing and is said so."""
    (here / "answer.json").write_text('{"schema": "fitdiag.confirmed/1", "marks": []}', encoding="utf-8")
    empty = '{"schema": "fitdiag.confirmed/1"}'
    for content in (
        None,
        "[1]",
        empty,
        empty.replace("}", ', "marks": [3]}'),
        empty.replace("}", ', "marks": [null]}'),
    ):
        if content:
            (here / "answer.json").write_text(content, encoding="utf-8")
        before = (here / "read" / "back.marks.json").read_bytes()
        code, _, err = shell(
            "photo", "read", *(str(here / f"{view}.jpg") for view in VIEWS), "--answer", str(here / "answer.json")
        )
        assert 1 == code and "answer" in err
        assert before == (here / "read" / "back.marks.json").read_bytes()


def test_an_answer_about_another_side_is_refused(here: Path, shell: Shell) -> None:
    """What was said yes to as the right side is no yes to the same picture given as the left one."""
    all_marks = [json.loads((here / "read" / f"{view}.marks.json").read_text(encoding="utf-8")) for view in VIEWS]
    for marks in all_marks:
        marks |= {"view": "right" if marks["view"] == "left" else marks["view"], "proposed": [], "doubts": {}}
    answer = here / "answer.json"
    answer.write_text(json.dumps({"schema": "fitdiag.confirmed/1", "marks": all_marks}), encoding="utf-8")
    before = (here / "read" / "left.marks.json").read_bytes()
    pictures = [str(here / f"{view}.jpg") for view in VIEWS]
    code, _, err = shell("photo", "read", *pictures, "--answer", str(answer))
    assert 1 == code and "belongs to other pictures" in err
    assert before == (here / "read" / "left.marks.json").read_bytes()


def test_a_name_without_a_view_is_asked_about(shell: Shell, tmp_path: Path) -> None:
    """Which side a picture shows stands in its name or before it; else one message says how to write it."""
    Image.new("RGB", (600, 800)).save(tmp_path / "IMG_1.jpg")
    code, _, err = shell("photo", "read", str(tmp_path / "IMG_1.jpg"))
    assert 1 == code and "back=IMG_1.jpg" in err


def test_the_page_keeps_what_is_hostile_as_text(here: Path) -> None:
    """Names from a file end no script, and the page holds no address."""
    text = (here / "read" / "confirm.html").read_text(encoding="utf-8")
    assert "http" not in text.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")
    assert 0o600 == (here / "read" / "confirm.html").stat().st_mode & 0o777
