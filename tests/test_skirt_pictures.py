"""Pictures of a skirt by plain formulas (a pinhole, ellipses at hip and hem, no code of the package): what its hem line tells."""

from __future__ import annotations

import re
import shlex
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from forked import piped
from PIL import Image, ImageDraw

from fitdiag.cli.photo import lines_drawn
from fitdiag.knowledge.findings import Finding
from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.load import load_rules
from fitdiag.photos.marks import Marks, Sheet, View
from fitdiag.photos.measure import measure_all, together
from fitdiag.photos.page import confirm_page, mark_page
from fitdiag.sessions.from_photos import findings_from

# px; mm: the side seams from the lens, the lens above the floor
SIZE, FOCAL, FAR, LENS = (1800, 2400), 2900.0, 3000.0, 720.0
FINE = 2  # factor by which the picture is drawn larger and then reduced
RINGS = {"hip": (860.0, 190.0, 122.0), "hem": (520.0, 226.0, 140.0)}  # mm: over the floor, half width, depth
OUTLINE = ((1060.0, 145.0), (960.0, 175.0), (860.0, 190.0), (520.0, 226.0), (430.0, 229.0))


def seen(points: np.ndarray) -> np.ndarray:
    """Places (x right, y up from the floor, z away from the side seams, mm) as pixels."""
    away = FAR + points[:, 2]
    x, y = FOCAL * points[:, 0] / away, FOCAL * (LENS - points[:, 1]) / away
    return np.stack([x + SIZE[0] / 2 - 0.5, y + SIZE[1] / 2 - 0.5], axis=1)


def ring(name: str, rise: float, higher_right: float) -> np.ndarray:
    """The half of a line that faces the lens: its centre is higher than its ends by `rise`, the right end than the left one."""
    height, half, depth = RINGS[name]
    turn = np.radians(np.linspace(-90, 90, 361))
    up = height + rise * np.cos(turn) + higher_right / 2 * np.sin(turn)
    return np.stack([half * np.sin(turn), up, -depth * np.cos(turn)], axis=1)


def picture(view: View, rise: float, higher_right: float) -> tuple[np.ndarray, Marks]:
    """A skirt whose hip line is level, between two plumb lines and beside a sheet of paper, and a hand's marks on it."""
    image = Image.new("RGB", (SIZE[0] * FINE, SIZE[1] * FINE), (128, 136, 142))
    pen = ImageDraw.Draw(image)

    def at(points: np.ndarray) -> list[tuple[float, float]]:
        return [((x + 0.5) * FINE, (y + 0.5) * FINE) for x, y in points]

    plumb = [np.array([[x, y, 0.0] for y in (1700.0, 60.0)]) for x in (-640.0, 640.0)]
    for line in plumb:
        pen.line(at(seen(line)), (40, 40, 40), 4 * FINE)
    paper = seen(np.array([[330.0 + x, 700.0 + y, 0.0] for x, y in ((0, 297), (210, 297), (210, 0), (0, 0))]))
    pen.polygon(at(paper), (248, 248, 246))
    left, right = (np.array([[side * half, up, 0.0] for up, half in OUTLINE]) for side in (-1, 1))
    pen.polygon(at(seen(np.concatenate([left, right[::-1]]))), (228, 221, 206))
    pen.line(at(seen(np.array([[0.0, y, -125.0] for y in (1050.0, 435.0)]))), (170, 164, 150), FINE)
    lines = {}
    for name in RINGS:
        course = seen(ring(name, rise, higher_right) if name == "hem" else ring(name, 0.0, 0.0))
        pen.line(at(course), (150, 40, 45), 3 * FINE, "curve")
        lines[name] = tuple((float(x), float(y) + 2.0) for x, y in course[[0, 180, 360]])
    pixels = np.asarray(image.resize(SIZE, Image.Resampling.BOX))
    pixels = np.clip(pixels + np.random.default_rng(5).normal(0, 2, pixels.shape), 0, 255).astype(np.uint8)
    marks = Marks(
        f"{view}.jpg", "0" * 64, *SIZE, view, focal_35mm=FOCAL / np.hypot(*SIZE) * np.hypot(36, 24), lines=lines,
        centre_seam=tuple((SIZE[0] / 2, float(y)) for _, y in seen(np.array([[0, y, -125.0] for y in (1040, 700, 440)]))),
        verticals=tuple(tuple(map(tuple, seen(line).tolist())) for line in plumb),  # type: ignore[misc]
        sheet=Sheet(tuple(map(tuple, paper.tolist()))),  # type: ignore[arg-type]
    )  # fmt: skip
    return pixels, marks


def told(view: View, rise: float, higher_right: float) -> dict[str, Finding]:
    """What the pictures tell of the signs of a skirt."""
    base = load_rules(rules_for("skirt"))
    found = measure_all([picture(view, rise, higher_right)])
    return {item.symptom: item for item in findings_from(base, together(found), found)}


@pytest.mark.parametrize(("view", "sign"), [("back", "hem-higher-behind"), ("front", "hem-higher-in-front")])
def test_a_hem_that_is_higher_in_the_middle_is_told(view: View, sign: str) -> None:
    """35 mm of a hem that climbs over seat or tummy, from a lens that stands over it: the size within twice the error it prints."""
    finding = told(view, 35.0, 0.0)[sign]
    assert finding.seen == "yes"
    assert finding.amount_mm is not None and finding.error_mm is not None
    assert abs(finding.amount_mm - 35) < 2 * finding.error_mm


@pytest.mark.parametrize("view", ["back", "front"])
def test_a_level_hem_is_not_called_higher(view: View) -> None:
    """Seen from above a level hem looks lower in the middle, from below higher; put back onto the cloth it is neither."""
    found = told(view, 0.0, 0.0)
    assert not [name for name, item in found.items() if name.startswith(("hem", "one-hem")) and item.seen == "yes"]


@pytest.mark.parametrize(("view", "side"), [("back", "right"), ("front", "left")])
def test_the_higher_side_of_a_hem_is_told_as_the_wearers(view: View, side: str) -> None:
    """The right end in the picture is the wearer's right from behind, and her left from the front."""
    finding = told(view, 0.0, 24.0)["one-hem-side-higher"]
    assert (finding.seen, finding.side) == ("yes", side)
    assert finding.amount_mm == pytest.approx(24, abs=2 * (finding.error_mm or 0))


def test_the_pages_speak_of_what_is_drawn_on_a_skirt() -> None:
    """No crotch or knee line is missed on a skirt and its grainlines are of no leg; for trousers both pages speak of legs."""
    pixels, marks = picture("back", 0.0, 0.0)
    bare = replace(marks, lines={}, grains={"grain-left": ((800.0, 900.0), (800.0, 1200.0), (800.0, 1500.0))})
    for garment, missing in (
        ("skirt", ["hip line", "hem line"]),
        ("trousers", ["hip line", "crotch line", "knee line", "knee line"]),
    ):
        drawn = lines_drawn(load_rules(rules_for(garment)))
        page = confirm_page([(pixels, measure_all([(pixels, bare)])[0])], "answer.json", "in", drawn)
        (told,) = re.findall(r'"missing": \[(.*?)\]', page)
        (grain,) = re.findall(r'"name": "(Grain line[^"]*)"', page)
        assert [name.split(",")[0] for name in re.findall(r'"([^"]*)"', told)] == missing
        assert grain == ("Grain line, left leg" if garment == "trousers" else "Grain line, left")
        marking = mark_page(b"", bare, drawn=drawn)
        assert ("Legs are the wearer" in marking) == (garment == "trousers")
        assert f'LEG = "{" leg" if garment == "trousers" else ""}"' in marking


def test_where_no_line_is_found_the_commands_to_go_on_repeat_what_was_given(tmp_path: Path) -> None:
    """The lines of a skirt are set by hand; no command offered for it falls back to trousers, or to another folder or unit."""
    Image.fromarray(picture("back", 0.0, 0.0)[0]).save(tmp_path / "back.jpg", quality=90)
    given = ("--to", "set here", "--hip-girth", "98 cm", "--units", "cm", "--garment", "skirt")
    done = piped(tmp_path, "photo", "read", "back.jpg", *given)
    assert done.returncode == 0
    offered = [
        shlex.split(line) for line in done.stdout.splitlines() if line.startswith("  ") and "photo" in line.split()
    ]
    by_hand, again = (words[words.index("photo") :] for words in offered)
    assert by_hand == ["photo", "mark", "set here/back.jpg", "--garment", "skirt"]
    assert again == ["photo", "read", "back.jpg", *given]
    marked = piped(tmp_path, *by_hand).stdout
    assert "photo measure 'set here/back.jpg' --garment skirt" in marked


def test_pictures_that_tell_nothing_end_in_a_message_and_no_file(tmp_path: Path) -> None:
    """A grey wall answers no question: no empty findings are written that an interview would then be opened with."""
    Image.new("RGB", (900, 1200), (128, 128, 128)).save(tmp_path / "back.jpg")
    done = piped(tmp_path, "photo", "read", "back.jpg", "--yes", "--garment", "skirt")
    assert done.returncode == 1
    assert "no question can be answered" in done.stderr
    assert "photo mark read/back.jpg --garment skirt" in done.stderr
    assert "interview --photos" not in done.stdout
    assert not (tmp_path / "read" / "findings.yaml").exists()
    bare = piped(tmp_path, "photo", "measure", "back.jpg")
    assert bare.returncode == 1
    assert bare.stderr.startswith("back.jpg: this picture has no marks beside it")
    assert "photo read back=back.jpg" in bare.stderr
