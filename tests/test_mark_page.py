"""The marking page in a real browser: what the fitter marks is what is saved, and nothing leaves the page or runs in it."""

from __future__ import annotations

import hashlib
import io
import json
import random
import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy
import pytest
from browser import complaints
from PIL import Image, ImageDraw

from fitdiag.photos.marks import Marks, Sheet, as_json, parse_marks
from fitdiag.photos.page import mark_page
from fitdiag.problems import one_line

PLAIN, WIDE, SMALL = {"width": 1000, "height": 640}, {"width": 1280, "height": 900}, {"width": 320, "height": 640}
W, H = 240, 320
DOTS = {(120, 90): (0, 255, 0), (70, 200): (0, 0, 255), (180, 210): (255, 0, 255)}  # centre of a 5 x 5 dot, its colour


@cache
def picture() -> bytes:
    """A small grey picture with three dots whose centres are known."""
    image = Image.new("RGB", (W, H), (150, 150, 150))
    for (x, y), colour in DOTS.items():
        ImageDraw.Draw(image).rectangle((x - 2, y - 2, x + 2, y + 2), fill=colour)
    target = io.BytesIO()
    image.save(target, "JPEG", quality=100, subsampling=0)
    return target.getvalue()


def no_marks(**given: Any) -> Marks:
    return Marks(
        **{
            "file": "back.jpg",
            "sha256": hashlib.sha256(picture()).hexdigest(),
            "width": W,
            "height": H,
            "view": "back",
            **given,
        }
    )


def all_marks() -> Marks:
    """One of everything, with figures that do not fall on a grid."""
    return no_marks(
        focal_35mm=27.35,
        lens_height_mm=862.5,
        lines={
            "hip": ((40.25, 100.0), (119.99, 104.07), (201.0, 99.5)),
            "knee-left": ((40.0, 250.0), (60.0, 251.0), (70.0, 251.5), (80.0, 250.25)),
        },
        grains={"grain-left": ((70.0, 60.0), (71.0, 160.0), (72.13, 300.0))},
        centre_seam=((119.0, 40.0), (120.0, 80.0), (121.0, 120.0), (121.5, 130.0)),
        verticals=(((10.0, 5.0), (11.0, 310.0)), ((230.0, 6.0), (228.75, 300.0)), ((20.0, 6.0), (20.0, 300.0))),
        sheet=Sheet(((200.0, 100.0), (220.0, 101.0), (220.5, 130.0), (200.25, 129.0)), 215.9, 279.4, -12.5),
        widths_mm={"hip": 372.0, "waist": 301.62},
        depths_mm={"hip": 118.3},
        hidden=("hip:left", "knee-left:right"),
        proposed=("hip", "grain-left"),
        notes='two lines\n"quoted" and 3/8',
    )


class Marking:
    """The page as a fitter uses it."""

    def __init__(self, page: Any) -> None:
        self.page, self.board = page, page.locator("#board")

    def pick(self, name: str) -> None:
        self.page.locator(".pick", has=self.page.get_by_text(name, exact=True)).click()

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where the page says it shows a pixel; `test_pixels_...` checks that it says so truly."""
        self.settle()
        box, shown = self.board.bounding_box(), self.board.evaluate("board => ({...board.dataset})")
        scale = float(shown["scale"])
        return (box["x"] + (x + 0.5) * scale + float(shown["left"]), box["y"] + (y + 0.5) * scale + float(shown["top"]))

    def settle(self) -> None:
        self.page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")

    def click(self, x: float, y: float) -> None:
        self.page.mouse.click(*self.at(x, y))

    def keys(self, *names: str) -> None:
        for name in names:
            self.page.keyboard.press(name)

    def tab_to(self, selector: str) -> None:
        for _ in range(80):
            if self.page.evaluate("selector => document.activeElement.matches(selector)", selector):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{selector} cannot be reached by Tab")

    def told(self) -> str:
        return str(self.page.locator("#status").inner_text())

    def save(self, by_keys: bool = False) -> Marks:
        with self.page.expect_download() as waiting:
            if by_keys:
                self.page.keyboard.press("Enter")
            else:
                self.page.click("#save")
        self.saved_as = waiting.value.suggested_filename
        return parse_marks(Path(waiting.value.path()).read_text(encoding="utf-8"), "saved")

    def load(self, text: str) -> None:
        self.page.locator("#status").evaluate("status => { status.textContent = ''; }")
        self.page.set_input_files("#load", {"name": "x.json", "mimeType": "application/json", "buffer": text.encode()})
        self.page.locator("#status", has_text=re.compile(".")).wait_for()


@pytest.fixture
def marking(open_page: Callable[..., Any], tmp_path: Path) -> Callable[..., Marking]:
    """Opens the marking page of the small picture with the marks given."""

    def opened(
        marks: Marks | None = None, drawn: tuple[str, ...] = ("hip", "crotch", "knee"), **wishes: Any
    ) -> Marking:
        path = tmp_path / "mark.html"
        path.write_text(mark_page(picture(), marks or no_marks(), drawn=drawn), encoding="utf-8")
        found = Marking(open_page(path.as_uri(), **{"viewport": PLAIN, **wishes}))
        found.page.wait_for_selector("#board[data-scale]")
        return found

    return opened


def seen_on_screen(page: Any, colour: tuple[int, int, int]) -> tuple[float, float]:
    """The middle of what the screen shows in this colour."""
    shot = numpy.asarray(Image.open(io.BytesIO(page.screenshot())).convert("RGB")).astype(int)
    ys, xs = numpy.nonzero(numpy.abs(shot - colour).sum(axis=2) < 200)
    assert xs.size
    return float(xs.mean()) + 0.5, float(ys.mean()) + 0.5


def near(expected: tuple[float, float], actual: tuple[float, float], far: float) -> bool:
    return abs(expected[0] - actual[0]) <= far and abs(expected[1] - actual[1]) <= far


def test_the_lines_of_the_garment_are_offered(marking: Callable[..., Marking]) -> None:
    """A skirt has a hem line and neither crotch nor knee line; what is marked already stays."""
    offered = marking(drawn=("hip", "hem")).page.locator(".pick").all_inner_texts()
    assert [name for name in offered if "line" in name.lower()][:3] == ["Hip line", "Hem line", "Waistline"]
    offered = " ".join(marking(all_marks(), drawn=("hip", "hem")).page.locator(".pick").all_inner_texts())
    assert "Knee line, left leg" in offered and "Knee line, right leg" not in offered and "Crotch" not in offered


def test_pixels_clicked_on_the_screen_are_the_pixels_saved(marking: Callable[..., Marking]) -> None:
    """Clicking the middle of a dot found on a screenshot saves the pixel at which the dot was painted, zoomed or not."""
    page = marking()
    spots = [seen_on_screen(page.page, colour) for colour in DOTS.values()]
    page.pick("Centre back seam")
    for spot in spots:
        page.page.mouse.click(*spot)
    first = page.save()
    assert len(DOTS) == len(first.centre_seam)
    for expected, actual in zip(sorted(DOTS, key=lambda dot: dot[1]), first.centre_seam, strict=True):
        assert near(expected, actual, 0.25), (expected, actual)
    page.page.reload()
    page.settle()
    x, y = next(iter(DOTS))
    for _ in range(5):
        page.page.mouse.move(*page.at(x + 3, y + 3))
        page.page.mouse.wheel(0, -200)
        page.settle()
    spot = seen_on_screen(page.page, DOTS[(x, y)])
    page.pick("Vertical 1")
    page.page.mouse.click(*spot)
    page.page.click("#whole")
    page.click(x, y + 100)
    (((top, bottom)),) = page.save().verticals
    assert near((x, y), top, 0.05), top
    assert near((x, y + 100), bottom, 0.3), bottom


def test_marks_by_mouse_are_nudged_undone_redone_and_saved(marking: Callable[..., Marking]) -> None:
    """Arrow keys move the pin in hand by exactly 1, 10 and 1/4 pixel, every step can be undone, and the file holds the result."""
    page = marking()
    page.pick("Hip line")
    for at in ((40, 100), (120, 104), (200, 101)):
        page.click(*at)
    start = page.save()
    x, y = start.lines["hip"][2]
    page.board.focus()
    page.keys("ArrowRight", "Shift+ArrowDown", "Alt+ArrowLeft", "Shift+Alt+ArrowUp")
    moved = page.save()
    assert ((*start.lines["hip"][:2], (round(x + 0.75, 2), round(y - 90, 2)))) == moved.lines["hip"]
    page.board.focus()
    page.keys("u", "Control+z", "Control+z", "Control+z")
    assert start == page.save()
    page.board.focus()
    page.keys("Control+y", "Control+y", "Control+Shift+z", "Control+y")
    assert moved == page.save()
    for _ in range(7):
        page.page.click("#undo")
    assert page.page.locator("#undo").is_disabled()
    assert no_marks() == page.save()
    for _ in range(7):
        page.page.click("#redo")
    assert moved == page.save()
    assert "back.marks.json" == page.saved_as


def test_a_dragged_pin_moves_and_a_dragged_picture_sets_nothing(marking: Callable[..., Marking]) -> None:
    """Dragging a pin moves it by what the hand moved; dragging elsewhere only moves the picture."""
    page = marking()
    page.pick("Vertical 1")
    page.click(60, 20)
    page.click(60, 300)
    page.keys("+", "+")
    before = page.save().verticals[0]
    start, goal = page.at(*before[1]), page.at(before[1][0] + 4, before[1][1] - 6)
    page.page.mouse.move(*start)
    page.page.mouse.down()
    page.page.mouse.move(*goal, steps=3)
    page.page.mouse.up()
    after = page.save().verticals[0]
    assert before[0] == after[0]
    assert near((before[1][0] + 4, before[1][1] - 6), after[1], 0.3)  # a mouse sits on whole screen pixels
    shown = page.board.get_attribute("data-left")
    page.page.mouse.move(500, 500)
    page.page.mouse.down()
    page.page.mouse.move(540, 520, steps=3)
    page.page.mouse.up()
    page.settle()
    assert shown != page.board.get_attribute("data-left")
    assert (after,) == page.save().verticals


def test_a_finger_marks_and_two_fingers_only_zoom(marking: Callable[..., Marking]) -> None:
    """Taps set the points of a line; a pinch makes the picture larger and sets nothing."""
    page = marking(viewport=SMALL, has_touch=True, is_mobile=True)
    page.page.locator(".pick", has_text="Crotch line").tap()
    wished = ((40, 150), (120, 155), (200, 150))
    for at in wished:
        page.page.touchscreen.tap(*page.at(*at))
    line = page.save().lines["crotch"]
    assert all(near(at, point, 1.0) for at, point in zip(wished, line, strict=True)), line
    page.page.locator(".pick", has_text="Waistline").tap()
    page.settle()
    box, before = page.board.bounding_box(), float(page.board.get_attribute("data-scale"))
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    fingers = page.page.context.new_cdp_session(page.page)
    for kind, apart in (("touchStart", 20), ("touchMove", 40), ("touchMove", 60), ("touchEnd", 0)):
        points = [{"x": x - apart, "y": y, "id": 1}, {"x": x + apart, "y": y, "id": 2}] if apart else []
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    page.settle()
    assert 2.0 < float(page.board.get_attribute("data-scale")) / before < 3.5
    assert {"crotch"} == set(page.save().lines)


def test_a_whole_line_and_a_vertical_by_keyboard_alone(marking: Callable[..., Marking]) -> None:
    """Without a mouse: pick from the list, move the cross, set, nudge, take out, undo, go on, and save."""
    page = marking()
    x, y = (W - 1) / 2, (H - 1) / 2  # the cross starts in the middle
    page.tab_to('[data-key="pick hip"]')
    page.keys("Enter", *["Shift+ArrowLeft"] * 6, "Alt+ArrowUp", "Alt+ArrowUp", "Enter")
    page.keys(*["Shift+ArrowRight"] * 6, "ArrowDown", "Space")
    page.keys(*["Shift+ArrowRight"] * 6, "Enter")
    assert "Right side edge set. Hip line is done." == page.told()
    page.keys("ArrowRight", "Delete", "Enter", "[", "ArrowUp", "u")  # taken out, set again, one nudge undone
    page.keys("Escape", "Escape")
    assert "pick hip" == page.page.evaluate("document.activeElement.dataset.key")
    page.tab_to('[data-key="pick vertical-1"]')
    page.keys("Enter", *["Shift+Alt+ArrowUp"], "Enter", *["Shift+Alt+ArrowDown"] * 2, "Enter", "Escape", "Escape")
    page.tab_to("#save")
    saved = page.save(by_keys=True)
    hip = ((x - 60, y - 0.5), (x, y + 0.5), (x + 61, y + 0.5))
    assert {"hip": hip} == saved.lines
    (top, bottom) = saved.verticals[0]
    assert 100 <= bottom[1] - top[1] <= 200
    assert top[0] == bottom[0]


def test_enter_goes_on_and_skipped_things_are_passed_over(marking: Callable[..., Marking]) -> None:
    """Enter on a whole line and Skip both go to the next thing that is still to do."""
    page = marking()
    page.pick("Hip line")
    for at in ((40, 100), (120, 104), (200, 101)):
        page.click(*at)
    page.keys("Enter")
    assert page.page.locator(".now .name").inner_text() == "Crotch line"
    page.page.click('[data-key="skip"]')
    assert page.page.locator(".now .name").inner_text() == "Knee line, left leg"
    assert "skipped" in page.page.locator(".pick.off").inner_text()
    page.keys("Control+z")
    assert 0 == page.page.locator(".pick.off").count()


def test_proposals_count_only_when_confirmed(marking: Callable[..., Marking]) -> None:
    """A proposed line stays named as proposed in the file until confirmed; set anew, it is the fitter's own."""
    page = marking(all_marks())
    assert all_marks() == page.save()
    assert {"knee-left"} == set(page.save().confirmed().lines)
    assert "Not counted until confirmed: hip line; grain line, left leg." in page.told()
    page.pick("Hip line")
    page.click(120, 40)
    assert all_marks() == page.save()  # a click does not add to a proposal
    page.page.click('[data-key="confirm"]')
    assert replace(all_marks(), proposed=("grain-left",)) == page.save()
    page.page.click("#undo")
    assert all_marks() == page.save()
    page.board.focus()
    page.keys("c")
    page.pick("Grain line, left leg")
    page.page.click('[data-key="anew"]')
    assert {} == page.save().grains
    for at in ((70, 60), (70, 160), (70, 300)):
        page.click(*at)
    saved = page.save()
    assert ("grain-left",) == tuple(saved.grains)
    assert () == saved.proposed


def test_a_page_for_a_case_in_inches_begins_in_inches(open_page: Callable[..., Any], tmp_path: Path) -> None:
    """The lens height typed at once counts as inches, and the page says so."""
    path = tmp_path / "mark.html"
    path.write_text(mark_page(picture(), no_marks(), "in"), encoding="utf-8")
    page = Marking(open_page(path.as_uri(), viewport=PLAIN))
    page.page.wait_for_selector("#board[data-scale]")
    assert page.page.get_by_label("Lens height over the floor, in").is_visible()
    page.page.fill("#lens", "34")
    assert 863.6 == page.save().lens_height_mm


def test_a_covered_edge_and_known_lengths_are_noted(marking: Callable[..., Marking]) -> None:
    """The tick for a covered edge and lengths in cm, inches and fractions reach the file; nonsense does not and is named."""
    page = marking()
    page.pick("Hip line")
    page.page.get_by_label("An arm or clothes cover the right side edge").check()
    page.page.fill("#width-hip", "37,2")
    page.page.fill("#lens", "86.5")
    page.page.fill("#focal", "50")
    page.page.select_option("#view", "front")
    page.page.get_by_label("inches").check()
    assert "14.646" == page.page.input_value("#width-hip")
    assert "34.055" == page.page.input_value("#lens")
    assert "in" == page.page.inner_text("#lens-unit")
    page.page.fill("#depth-hip", "4 5/8")
    page.page.fill("#notes", "plain <b>text</b>")
    saved = page.save()
    expected = no_marks(
        view="front",
        hidden=("hip:right",),
        widths_mm={"hip": 372.0},
        focal_35mm=50.0,
        focal_typed=True,
        lens_height_mm=865.0,
    )
    assert replace(expected, depths_mm={"hip": round(4.625 * 25.4, 2)}, notes="plain <b>text</b>") == saved
    for field, text in (("#focal", "far"), ("#lens", "9999"), ("#width-hip", "-3")):
        page.page.fill(field, text)
        page.page.keyboard.press("Tab")
        assert "true" == page.page.get_attribute(field, "aria-invalid")
        assert page.page.locator(f"{field}-wrong").inner_text().startswith("Not counted.")
    saved = page.save()
    assert (None, None, {}) == (saved.focal_35mm, saved.lens_height_mm, saved.widths_mm)
    for _ in range(3):
        page.page.click("#undo")
    assert "50" == page.page.input_value("#focal")
    assert 0 == page.page.locator("[aria-invalid=true]").count()
    assert 50.0 == page.save().focal_35mm


def test_a_sheet_that_hangs_askew_keeps_its_corners(marking: Callable[..., Marking]) -> None:
    """Corners that already go round from the top left are not renamed when the sheet leans by 50 degrees."""
    marks = no_marks(sheet=Sheet(((100.0, 100.0), (120.0, 124.0), (92.0, 148.0), (72.0, 124.0))))
    page = marking()
    page.load(as_json(marks))
    assert marks == page.save()


def test_points_are_put_in_the_order_of_the_file(marking: Callable[..., Marking]) -> None:
    """Lines run left to right, verticals down and sheets clockwise, however they were set; what cannot be used is named."""
    page = marking()
    page.pick("Knee line, left leg")
    for at in ((90, 250), (50, 250), (70, 252)):
        page.click(*at)
    page.pick("Vertical 1")
    page.click(220, 300)
    page.click(220, 20)
    page.page.click("#more")
    page.click(100, 250)
    page.click(30, 255)
    assert "far from upright" in page.told()
    page.pick("Sheet of paper")
    for at in ((200, 130), (180, 100), (180, 130), (200, 100)):
        page.click(*at)
    page.page.select_option("#size", "Letter, sideways")
    page.page.fill("#behind", "2")
    page.pick("Waistline")
    page.click(60, 40)
    saved = page.save()
    assert "Left out, not finished: waistline; vertical 3." in page.told()
    xs = [x for x, _ in saved.lines["knee-left"]]
    assert {"knee-left"} == set(saved.lines)
    assert sorted(xs) == xs
    assert 1 == len(saved.verticals)
    assert saved.verticals[0][0][1] < saved.verticals[0][1][1]
    assert saved.sheet is not None
    assert (279.4, 215.9, 20.0) == (saved.sheet.width_mm, saved.sheet.height_mm, saved.sheet.behind_mm)
    wished = ((180, 100), (200, 100), (200, 130), (180, 130))
    assert all(near(at, corner, 0.5) for at, corner in zip(wished, saved.sheet.corners, strict=True))


@pytest.mark.parametrize(
    ("view", "first", "last"), [("left", "front edge", "back edge"), ("right", "back edge", "front edge")]
)
def test_side_views_speak_of_front_and_back_edges(
    marking: Callable[..., Marking], view: str, first: str, last: str
) -> None:
    """Seen from the side, the line ends are the front and back edges, the middle is the side seam, and grain lines are not asked."""
    page = marking(no_marks(view=view))
    page.pick("Hip line")
    assert [first, "side seam", last] == [text.split("\n")[0] for text in page.page.locator(".spot").all_inner_texts()]
    names = page.page.locator(".pick .name").all_inner_texts()
    assert "Side seam" in names
    assert f"Knee line, {view} leg" in names
    assert not [name for name in names if "Grain" in name]


def random_marks(chance: random.Random) -> Marks:
    def point() -> tuple[float, float]:
        return round(chance.uniform(-0.5, W - 0.5), 2), round(chance.uniform(-0.5, H - 0.5), 2)

    def line(key: int, many: int) -> tuple[tuple[float, float], ...]:
        return tuple(sorted((point() for _ in range(many)), key=lambda at: at[key]))

    names = ["waist", "hip", "crotch", "knee-right"]  # each in its own quarter of the picture, from the top down

    def across(name: str) -> tuple[tuple[float, float], ...]:
        return tuple((x, round((y + names.index(name) * H) / 4, 2)) for x, y in line(0, chance.randint(3, 9)))

    x = chance.uniform(30, 150)
    return no_marks(
        view=chance.choice(["front", "back", "left", "right"]),
        focal_35mm=chance.choice([None, round(chance.uniform(5, 200), 2)]),
        lines={name: across(name) for name in chance.sample(names, 2)},
        grains={"grain-right": line(1, chance.randint(3, 9))},
        centre_seam=line(1, chance.choice([0, 2, 9])),
        verticals=tuple(((round(x + i, 2), 1.01), (round(x + i, 2), 300.99)) for i in range(chance.randint(0, 12))),
        sheet=chance.choice([None, Sheet(((1.0, 2.0), (9.5, 2.5), (9.25, 12.0), (1.5, 11.75)), 100.0, 151.5, 3.21)]),
        notes="".join(chance.choices("ab <&>\"'\n\u2028\u00e9\U0001f9f5", k=20)),
    )


def test_saved_marks_load_back_to_the_same_marks(marking: Callable[..., Marking]) -> None:
    """What was saved or written by hand loads into the page and is saved again with every figure the same."""
    page = marking()
    page.load(as_json(all_marks()))
    assert "Marks loaded." == page.told()
    assert all_marks() == page.save()
    chance = random.Random(5)
    for _ in range(12):
        marks = random_marks(chance)
        page.load(as_json(marks))
        assert marks == page.save()


def test_marks_that_do_not_fit_are_refused_and_change_nothing(marking: Callable[..., Marking]) -> None:
    """Marks of another picture and broken marks are refused in words, and the page keeps what it had."""
    page = marking(all_marks())
    data = json.loads(as_json(all_marks()))
    page.load(json.dumps({**data, "picture": {**data["picture"], "sha256": "0" * 64}}))
    assert "These marks belong to another picture." == page.told()
    page.load("\ufeff" + json.dumps({**data, "notes": "from an editor"}))
    assert "Marks loaded." == page.told()
    page.page.click("#undo")
    for broken in (
        "[" * 5000,
        "null",
        "{}",
        json.dumps({**data, "view": "top"}),
        json.dumps({**data, "lines": {"hip": [[1, 2], [3, None], [5, 6]]}}),
        json.dumps({**data, "lines": {"__proto__x": [[1, 2], [3, 4], [5, 6]]}}),
        json.dumps({**data, "verticals": [[[1, 2], [1e9, 2]]]}),
        json.dumps({**data, "hidden": ["hip:up"]}),
        json.dumps({**data, "widths_mm": {"hip": "37"}}),
        json.dumps({**data, "notes": 3}),
        " " * (300 * 1024),
    ):
        page.load(broken)
        assert re.match(r"These marks cannot be read|This file is too large", page.told()), broken[:80]
    assert all_marks() == page.save()


def test_leaving_with_unsaved_marks_asks_first(marking: Callable[..., Marking]) -> None:
    """The browser asks before closing while something is not saved, and does not ask after saving."""
    for saves in (False, True):
        page = marking()
        asked: list[str] = []
        page.page.on("dialog", lambda dialog, asked=asked: (asked.append(dialog.type), dialog.accept()))
        page.pick("Hip line")
        page.click(40, 100)
        if saves:
            page.save()
        with page.page.expect_event("close"):
            page.page.close(run_before_unload=True)
        assert ([] if saves else ["beforeunload"]) == asked


def test_copy_gives_the_same_text_as_saving(marking: Callable[..., Marking]) -> None:
    """Copied marks read back the same, from the clipboard or, where there is none, from the text box."""
    page = marking(all_marks())
    page.page.evaluate("Object.defineProperty(navigator, 'clipboard', {value: undefined})")
    page.page.click("#copy")
    page.page.wait_for_selector("#text")
    assert all_marks() == parse_marks(page.page.input_value("#text"), "copied")
    page = marking(all_marks(), permissions=["clipboard-read", "clipboard-write"])
    page.page.click("#copy")
    page.page.locator("#status", has_text="Copied").wait_for()
    assert all_marks() == parse_marks(page.page.evaluate("navigator.clipboard.readText()"), "copied")


HOSTILE = (
    '"><img src=x onerror=alert(1)>.jpg',
    "</script><script>alert(1)</script>.jpg",
    "<!--<script>.jpg",
    "{{ 7*7 }}{% raw %}\u2028\u202egpj.exe",
    "</title><svg onload=alert(1)>",
    "../../etc/\x00\x1b[31m'`${alert(1)}",
)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_names_and_notes_stay_text(marking: Callable[..., Marking], text: str) -> None:
    """Names and notes that look like code are shown as they are, start nothing, and come back unchanged."""
    marks = replace(all_marks(), file=text, notes=text)
    page = marking(marks)
    asked: list[str] = []
    page.page.on("dialog", hear := lambda dialog: (asked.append(dialog.message), dialog.dismiss()))
    assert 1 == page.page.locator("img").count()
    assert 2 == page.page.locator("script").count()
    assert 0 == page.page.locator("svg").count()
    assert page.page.locator("h1").evaluate("h => h.childElementCount") == 1
    assert one_line(text) == page.page.locator("h1 bdi").evaluate("name => name.textContent")
    assert text == page.page.locator("#notes").evaluate("notes => notes.value")
    assert marks == page.save()
    assert not set('<>"/\\\x00\u202e') & set(page.saved_as)
    page.load(as_json(marks))
    page.settle()
    assert [] == asked
    page.page.remove_listener("dialog", hear)


def test_half_characters_in_a_name_do_not_stop_the_page() -> None:
    """A file name that is no valid text still makes a page that can be written."""
    text = mark_page(picture(), no_marks(file="half\udce9.jpg"))
    assert "half?.jpg" in text.encode("utf-8").decode("utf-8")


def test_the_content_policy_stops_foreign_scripts_and_styles(marking: Callable[..., Marking]) -> None:
    """An inline script, a handler, a style block and a request put into the page do nothing."""
    page = marking()
    stopped = page.page.evaluate(
        """async () => {
            const stopped = [];
            document.addEventListener("securitypolicyviolation", (event) => stopped.push(event.effectiveDirective));
            const script = document.createElement("script");
            script.textContent = "window.ran = 1";
            document.body.append(script);
            const style = document.createElement("style");
            style.textContent = "h1 { display: none }";
            document.body.append(style);
            const link = document.createElement("a");
            link.setAttribute("onclick", "window.ran = 2");
            document.body.append(link);
            link.click();
            const failed = await fetch("data:text/plain,x").then(() => "got", () => "stopped");
            await new Promise((done) => setTimeout(done, 50));
            return [stopped.sort(), failed, window.ran ?? null, getComputedStyle(document.querySelector("h1")).display];
        }"""
    )
    assert [
        ["connect-src", "script-src-attr", "script-src-elem", "style-src-elem"],
        "stopped",
        None,
        "block",
    ] == stopped


def test_the_page_names_no_address_outside_itself() -> None:
    """The text of the page holds no web address and no source but the picture inside it."""
    text = mark_page(picture(), all_marks())
    assert [] == re.findall(r"(?:https?:)?//[a-z]|@import|url\(", text.split("<img")[0])
    assert ["data:image/jpeg;base64"] == [source.split(",")[0] for source in re.findall(r'\ssrc="([^"]*)"', text)]
    assert "unsafe" not in text


@pytest.mark.parametrize("size", [WIDE, SMALL], ids=["wide", "small"])
def test_the_page_fits_and_has_room_for_fingers(marking: Callable[..., Marking], size: dict[str, int]) -> None:
    """No sideways scrolling whatever is open, and nothing to press is lower or narrower than 44 pixels."""
    page = marking(replace(all_marks(), file="a-very-long-name-" * 9 + ".jpg"), viewport=size)
    for index in range(page.page.locator(".pick").count()):
        page.page.locator(".pick").nth(index).click()
        assert page.page.evaluate("document.scrollingElement.scrollWidth <= innerWidth"), index
        low = page.page.evaluate(
            """() => [...document.querySelectorAll("button, select, summary, label.tick, label.file, input[type=text]")]
                .map((one) => [one.id || one.textContent, one.getBoundingClientRect()])
                .filter(([, box]) => box.height && (box.height < 44 || box.width < 44)).map(([name]) => name)"""
        )
        assert [] == low


@pytest.mark.parametrize("size", [WIDE, SMALL], ids=["wide", "small"])
def test_axe_finds_nothing_serious(marking: Callable[..., Marking], size: dict[str, int]) -> None:
    """The accessibility checker axe-core reports no serious or critical finding, with cards open and messages shown."""
    page = marking(all_marks(), viewport=size)
    for name in ("Hip line", "Knee line, left leg", "Sheet of paper"):
        page.pick(name)
        page.page.fill("#lens", "9999")
        page.page.locator("summary").click()
        assert [] == complaints(page.page)
