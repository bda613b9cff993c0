"""The photo commands as a fitter types them: in, marked, measured, into the session; and every way of getting it wrong."""

# ruff: noqa: E501 (tables of broken files)
from __future__ import annotations

import io
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from running import Shell

from fitdiag.cli.photo import read_marked
from fitdiag.diagnosis.belief import likelihood
from fitdiag.interview.engine import Interview
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.findings_file import findings_text, read_findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.photos.marks import Marks, Sheet, as_json, parse_marks, read_marks
from fitdiag.photos.measure import Together, measure_all
from fitdiag.problems import ProblemsFoundError
from fitdiag.sessions.from_photos import findings_from
from fitdiag.sessions.state import offered_event

PICTURES = Path(__file__).parent.parent / "sample_sessions" / "lamplighter-pictures"


def test_three_sample_pictures_become_findings(shell: Shell, tmp_path: Path, base: RuleBase) -> None:
    """The README's walk-through: the drawn muslin dips 18 to 19 mm, has a V, and its grainline lies 37 mm from centre back."""
    files = [str(PICTURES / f"{view}.jpg") for view in ("back", "left", "front")]
    code, out, _ = shell("photo", "measure", *files, "--overlays", ".", "--findings", "found.yaml")
    assert code == 0
    found = read_findings(tmp_path / "found.yaml", base).symptoms
    dip, grain = found["balance-lines-dip-to-back"], found["grainline-near-centre-back"]
    assert dip.seen == "yes" and dip.origin == "photo"
    assert dip.amount_mm == pytest.approx(18.5, abs=3.0)
    assert grain.amount_mm == pytest.approx(37.5, abs=2.5)
    assert "yes" == found["v-at-centre-back"].seen
    assert "yes" != found["hip-line-higher-on-one-side"].seen
    assert all(finding.error_mm for finding in (dip, grain))
    assert "fitdiag interview --photos found.yaml" in out
    assert "give or take" in out
    assert all(len(line) <= 80 for line in out.splitlines() if str(PICTURES) not in line)
    shown = (tmp_path / "back.measured.png").read_bytes()
    assert Image.open(io.BytesIO(shown)).getexif() == {}
    assert 0o600 == (tmp_path / "back.measured.png").stat().st_mode & 0o777


@pytest.mark.parametrize(("hip", "crotch", "seen", "mm"), [
    ((18.0, 1.5), (24.0, 7.5), "yes", 18.0),  # the crotch line may lie lower still: that takes nothing from the hip line
    ((18.0, 1.5), (30.0, 2.0), "yes", 30.0),
    ((1.0, 0.8), (16.0, 7.5), "unsure", 1.0),
    ((1.0, 0.8), (-2.0, 2.0), "no", 1.0),
])  # fmt: skip
def test_a_wide_reading_takes_nothing_from_a_sure_one(
    base: RuleBase, hip: tuple[float, float], crotch: tuple[float, float], seen: str, mm: float
) -> None:
    """Of two lines that answer one sign the one that surely shows most counts; not seen is said only where both say so."""
    read = [
        Together(line, "drop", "mm", *amount, "fair" if amount[1] > 3 else "good", "back picture")
        for line, amount in (("hip", hip), ("crotch", crotch))
    ]
    found = {finding.symptom: finding for finding in findings_from(base, read, [])}
    dip = found["balance-lines-dip-to-back"]
    assert (dip.seen, dip.amount_mm) == (seen, mm)


def test_numbers_for_a_program_are_one_json_object(shell: Shell) -> None:
    """`--json` prints lengths in mm with their errors, words and reasons, and nothing else."""
    code, out, _ = shell("photo", "measure", str(PICTURES / "back.jpg"), "--overlays", ".", "--json")
    data = json.loads(out)
    assert (0, "fitdiag.measured/1") == (code, data["schema"])
    drop = next(r for r in data["pictures"][0]["readings"] if (r["line"], r["what"]) == ("hip", "drop"))
    assert {"raw", "value", "error", "unit", "word", "reason"} <= set(drop)
    assert drop["value"] == pytest.approx(18.0, abs=3.0)


def _phone_picture(path: Path, turned: int = 6) -> None:
    """A picture as a phone sends it: lying on its side, with a place, a maker and a thumbnail in it."""
    image = Image.open(PICTURES / "back.jpg").rotate(90, expand=True)
    exif = Image.Exif()
    exif[0x0112] = turned  # orientation: turn by 90 degrees clockwise to view (CIPA DC-008, table 4, from memory)
    exif[0x010F] = "a maker"
    exif.get_ifd(0x8769)[0xA405] = 57  # FocalLengthIn35mmFilm
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (48.0, 12.0, 30.0)
    image.save(path, quality=90, exif=exif)


def test_a_picture_is_taken_in_without_its_place(shell: Shell, tmp_path: Path) -> None:
    """Upright, without metadata, the original untouched; the focal length is kept as a number; the page to mark it is next."""
    _phone_picture(tmp_path / "IMG 1.jpg")
    before = (tmp_path / "IMG 1.jpg").read_bytes()
    code, out, _ = shell("photo", "add", "back=IMG 1.jpg", "--to", "taken")
    assert (0, before) == (code, (tmp_path / "IMG 1.jpg").read_bytes())
    assert "location" in out
    cleaned = (tmp_path / "taken" / "back.jpg").read_bytes()
    assert not re.search(rb"Exif|GPS|a maker", cleaned)
    marks = read_marks(tmp_path / "taken" / "back.marks.json")
    assert (57.0, 1500, 2000) == (marks.focal_35mm, marks.width, marks.height)
    code, out, _ = shell("photo", "mark", "taken/back.jpg")
    page = (tmp_path / "taken" / "back.marking.html").read_text(encoding="utf-8")
    assert code == 0 and "Content-Security-Policy" in page
    assert "delete" in out


def test_two_pictures_of_one_view_get_two_names(shell: Shell, tmp_path: Path) -> None:
    """The second back picture does not overwrite the first, and one that is there already is passed over."""
    shutil.copy(PICTURES / "back.jpg", tmp_path / "a.jpg")
    shutil.copy(PICTURES.with_name("lamplighter-pictures-2") / "back.jpg", tmp_path / "b.jpg")
    assert 0 == shell("photo", "add", "back=a.jpg", "back=b.jpg", "--to", "taken")[0]
    assert (tmp_path / "taken" / "back 2.marks.json").exists()
    before = sorted((path.name, path.stat().st_mtime_ns) for path in (tmp_path / "taken").iterdir())
    code, out, _ = shell("photo", "add", "back=a.jpg", "--to", "taken")
    assert code == 0 and "it is already there" in out
    assert before == sorted((path.name, path.stat().st_mtime_ns) for path in (tmp_path / "taken").iterdir())


@pytest.mark.parametrize("second", ["back", "front"])
def test_a_picture_given_twice_is_refused_before_anything_is_written(shell: Shell, tmp_path: Path, second: str) -> None:
    """Under another name, as the same view or another: one picture says nothing twice. Both names are said."""
    shutil.copy(PICTURES / "back.jpg", tmp_path / "IMG 1.jpg")
    shutil.copy(PICTURES / "back.jpg", tmp_path / "IMG 2.jpg")
    code, _, err = shell("photo", "read", "back=IMG 1.jpg", f"{second}=IMG 2.jpg", "--to", "taken")
    assert 1 == code and "IMG 2.jpg: this is the same picture as IMG 1.jpg" in " ".join(err.split())
    assert not (tmp_path / "taken").exists()


def test_each_saved_file_names_the_command_that_takes_it(shell: Shell, tmp_path: Path) -> None:
    """Both pages save JSON among the downloads; one given in place of the other is known for what it is."""
    for name in ("back.jpg", "back.marks.json"):
        shutil.copy(PICTURES / name, tmp_path / name)
    marks = (tmp_path / "back.marks.json").read_text(encoding="utf-8")
    answer = json.dumps({"schema": "fitdiag.confirmed/1", "marks": [json.loads(marks)], "mirrored": []})
    (tmp_path / "answer (1).json").write_text(answer, encoding="utf-8")
    code, _, err = shell("photo", "read", "back.jpg", "--answer", "back.marks.json")
    assert 1 == code and "the marks of one picture" in err and "photo measure" in err
    code, _, err = shell("photo", "measure", "back.jpg", "--marks", "answer (1).json")
    assert 1 == code and "not the marks of one picture" in err and "photo read" in err


def test_a_picture_without_marks_is_not_told_what_else_is_missing(shell: Shell, tmp_path: Path) -> None:
    """Whoever left the saved marks among the downloads reads that nothing is marked, and where the marks go."""
    _phone_picture(tmp_path / "IMG 1.jpg")
    shell("photo", "add", "back=IMG 1.jpg", "--to", "taken")
    code, out, _ = shell("photo", "measure", "taken/back.jpg")
    assert 0 == code and "nothing is marked on it yet" in out and "taken/back.marks.json" in out
    assert "plumb" not in out


@pytest.mark.parametrize("units", ["in", "cm"])
def test_remarks_on_pictures_come_in_the_units_asked_for(shell: Shell, tmp_path: Path, units: str) -> None:
    """How much too high the lens stood is said in inches to whoever measures in inches; millimetres of a lens stay."""
    marks = json.loads((PICTURES / "back.marks.json").read_text(encoding="utf-8"))
    marks["sheet"]["behind_mm"] = None
    shutil.copy(PICTURES / "back.jpg", tmp_path / "back.jpg")
    (tmp_path / "back.marks.json").write_text(json.dumps(marks), encoding="utf-8")
    code, out, _ = shell("photo", "measure", "back.jpg", "--units", units)
    assumed = {"in": "9 7/8 in, give or take 7 7/8 in, is assumed", "cm": "25 cm, give or take 20 cm, is assumed"}
    assert 0 == code and assumed[units] in " ".join(out.split())
    assert not re.search({"in": r"\d cm\b", "cm": r"\d in\b"}[units], out)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["photo", "add", "IMG.jpg", "--to", "x"], "from where"),
        (["photo", "add", "top=IMG.jpg", "--to", "x"], "views are"),
        (["photo", "add", "back=none.jpg", "--to", "x"], "no such"),
        (["photo", "measure", "none.jpg"], "no such"),
        (["photo", "mark", "none.jpg"], "no such"),
        (["photo", "card", "--to", "card.docx"], ".html or .pdf"),
        (["photo", "card", "--to", "card.pdf", "--paper", "b5"], "a4 or letter"),
        (["photo", "card", "--to", "card.pdf", "--height", "ankle=86 cm"], "hip; crotch; knee"),
        (["photo", "add", "back=text.jpg", "--to", "x"], "text.jpg"),
        (["interview", "--photos", "a.yaml", "--answers", "b.yaml"], "one of"),
    ],
)
def test_wrong_arguments_get_one_clear_message(shell: Shell, tmp_path: Path, arguments: list[str], says: str) -> None:
    """One line on the error stream, exit code 1, nothing written."""
    (tmp_path / "text.jpg").write_text("no picture", encoding="utf-8")
    code, _, err = shell(*arguments)
    assert 1 == code
    assert says in err
    assert "Traceback" not in err
    assert ["text.jpg"] == [path.name for path in tmp_path.iterdir()]


def test_marks_of_another_picture_are_refused(shell: Shell, tmp_path: Path) -> None:
    """Marks carry the picture's fingerprint, so that they cannot be laid on another one."""
    shutil.copy(PICTURES / "back.jpg", tmp_path / "back.jpg")
    code, _, err = shell("photo", "measure", "back.jpg", "--marks", str(PICTURES / "front.marks.json"))
    assert code == 1 and "front.marks.json" in err
    assert not (tmp_path / "back.measured.png").exists()


@pytest.mark.parametrize("change", [
    {"schema": "other"}, {"view": "top"}, {"lines": {"hem": []}}, {"lines": {"hip": [[1, 2]]}}, {"lines": {"hip": [[1, 2], [3, "x"], [4, 5]]}},
    {"focal_35mm": "fifty"}, {"focal_35mm": -1}, {"verticals": [[[0, 0], [500, 1]]]}, {"sheet": {"corners": [[0, 0], [0, 1], [1, 1], [1, 0]]}},
    {"hidden": ["hip:top"]}, {"picture": {"sha256": "zz", "width": 10, "height": 10}}, {"more": 1}, {"widths_mm": {"hip": 1e9}}, {"notes": 5},
    {"lines": {"hip": [[1, 2], [3, 4], [99999, 5]]}},
])  # fmt: skip
def test_a_broken_sidecar_names_what_is_wrong(change: dict[str, object]) -> None:
    """Every fault is a Problem with the file and the key."""
    data = json.loads((PICTURES / "back.marks.json").read_text(encoding="utf-8"))
    with pytest.raises(ProblemsFoundError) as stopped:
        parse_marks(json.dumps({**data, **change}), "some.marks.json")
    assert all(
        problem.where is not None and problem.where.path == "some.marks.json" for problem in stopped.value.problems
    )


@pytest.mark.parametrize(
    "text", ["", "[]", "{", '{"schema": "fitdiag.marks/1", "schema": "x"}', "[" * 100_000, "NaN", '{"a": Infinity}']
)
def test_what_is_no_sidecar_is_refused(text: str) -> None:
    """Not JSON, not this schema, a key twice, a bomb: one message each."""
    with pytest.raises(ProblemsFoundError):
        parse_marks(text, "x")


def test_a_sidecar_reads_back_to_the_same_marks() -> None:
    """Writing and reading again changes nothing."""
    marks = Marks(
        'a"\u2028</script>.jpg', "0" * 64, 900, 1200, "right", 52.5, 900.0,
        {"hip": ((10.25, 20.0), (400.0, 30.0), (800.0, 20.0))}, {"grain-left": ((1.0, 1.0), (2.0, 500.0), (3.0, 900.0))},
        ((5.0, 1.0), (6.0, 99.0)), (((1.0, 1.0), (2.0, 900.0)),), Sheet(((0.0, 0.0), (10.0, 0.0), (10.0, 14.0), (0.0, 14.0)), 215.9, 279.4, 40.0),
        {"hip": 372.0}, {"hip": 118.0}, ("hip:left",), ("hip",), "a note",
    )  # fmt: skip
    assert marks == parse_marks(as_json(marks), "x")


def _one(what: str, value: float, error: float, line: str = "hip", word: str = "good") -> Together:
    return Together(line, what, "deg" if what in ("tilt", "lean") else "mm", value, error, word, "back picture")  # type: ignore[arg-type]


def test_an_amount_that_could_be_none_is_no_verdict(base: RuleBase) -> None:
    """Twelve millimetres give or take six stand there as a number, and are not called a dip; what must not be used is left out."""
    unsure = findings_from(base, [_one("drop", 12.0, 6.0)], [])
    dip = next(finding for finding in unsure if finding.symptom == "balance-lines-dip-to-back")
    assert ("unsure", 12.0, 6.0) == (dip.seen, dip.amount_mm, dip.error_mm)
    sure = {f.symptom: f for f in findings_from(base, [_one("drop", 12.0, 2.0)], [])}
    assert ("yes", 12.0) == (sure["balance-lines-dip-to-back"].seen, sure["balance-lines-dip-to-back"].amount_mm)
    assert "no" == sure["balance-lines-rise-to-back"].seen
    assert () == findings_from(base, [_one("drop", 12.0, 2.0, word="don't use")], [])
    level = {f.symptom: f.seen for f in findings_from(base, [_one("drop", 0.5, 1.0)], [])}
    assert {"balance-lines-dip-to-back": "no", "balance-lines-rise-to-back": "no"} == level
    numbers = {f.symptom: f.amount_mm for f in findings_from(base, [_one("drop", -0.5, 1.0)], [])}
    assert {"balance-lines-dip-to-back": None, "balance-lines-rise-to-back": 0.5} == numbers


def test_a_number_without_a_verdict_is_weighed(base: RuleBase) -> None:
    """A dip of 12 mm give or take 6 speaks for the sign, less than one give or take 2, and more than none."""
    first, second = (
        likelihood(base, Finding("balance-lines-dip-to-back", "unsure", 12.0, error, origin="photo"), Findings())
        for error in (2.0, 6.0)
    )
    assert first[1] / (first[0] + 1e-9) > second[1] / second[0] > 1.0
    assert (1.0, 1.0) == likelihood(base, Finding("balance-lines-dip-to-back", "unsure"), Findings())


def test_a_front_grainline_says_nothing_about_centre_back(base: RuleBase) -> None:
    """The front's grainline is another line: it may lean, but it is not near centre back."""
    found = findings_from(base, [_one("from the centre at the waist", 20.0, 1.0, "front-grain-left")], [])
    assert () == found


def test_a_line_that_falls_to_the_back_is_not_higher_on_one_side(base: RuleBase) -> None:
    """From the side the hip line's tilt tells how it falls to the back; only from behind or in front which side is higher."""
    read = [read_marked(PICTURES / f"{view}.jpg") for view in ("back", "left")]
    found = measure_all([(picture.pixels, marks) for picture, marks in read])
    from_the_side = replace(_one("tilt", -8.0, 0.2), what="tilt to the back")
    level = _one("tilt", 0.1, 0.3)
    seen = {finding.symptom: finding for finding in findings_from(base, [level, from_the_side], found)}
    assert "yes" != seen["hip-line-higher-on-one-side"].seen
    assert "hip-line-higher-on-one-side" not in {one.symptom for one in findings_from(base, [from_the_side], found)}


def test_measured_findings_are_confirmed_before_they_count(base: RuleBase) -> None:
    """The interview offers each; yes counts it with its error, no leaves it to a question, an amount of one's own counts instead."""
    offered = [
        Finding("balance-lines-dip-to-back", "yes", 18.0, 2.0, origin="photo"),
        Finding("v-at-centre-back", "yes", origin="photo"),
        Finding("grainline-near-centre-back", "yes", 37.0, 2.0, origin="photo"),
    ]
    events: list[dict[str, object]] = []
    start = {"event": "start", "units": "in"}
    interview = Interview(base, (start, offered_event(offered)), lambda event: events.append(dict(event)) or event)
    assert "pictures" == interview.stage and {} == dict(interview.findings.symptoms)
    assert any("Does that agree" in line.text for line in interview.prompt())
    assert ["1 counts it, 2 leaves it out for now."] == [line.text for line in interview.reply("")]
    interview.reply("yes")
    interview.reply("no")
    interview.reply("1 1/2 in")
    counted = interview.findings.symptoms
    assert offered[0] == counted["balance-lines-dip-to-back"]
    assert "v-at-centre-back" not in counted
    assert ("asked", 38.1) == (
        counted["grainline-near-centre-back"].origin,
        counted["grainline-near-centre-back"].amount_mm,
    )
    assert "history" == interview.stage
    again = Interview(base, (start, offered_event(offered), *events), lambda event: event)
    assert (interview.findings, "history") == (again.findings, again.stage)
    again.reply("back")
    assert ("pictures", 1) == (again.stage, len(again.state.offered))


def test_findings_written_read_back_to_the_same(base: RuleBase, tmp_path: Path) -> None:
    """A findings file the program writes is one it reads, whatever the client is called."""
    findings = Findings(
        {"balance-lines-dip-to-back": Finding("balance-lines-dip-to-back", "yes", 18.0, 2.0, origin="photo"),
         "seat-wedgie": Finding("seat-wedgie", "unsure", severity=None, side=None)},
        {"flat-seat": "marked"}, units="cm", client='the "lamplighter": #1 \\', notes=("a: b", "- c"),
        body_measures={"hip": 965.0}, pattern_measures={"hip": 1016.0},
    )  # fmt: skip
    path = tmp_path / "f.yaml"
    path.write_text(findings_text(findings, "trousers"), encoding="utf-8")
    assert findings == read_findings(path, base)


def test_a_face_is_painted_over_and_the_picture_keeps_its_middle(shell: Shell, tmp_path: Path) -> None:
    """Covering keeps the size, for a cropped picture has lost its middle; the covered part is one flat colour."""
    shutil.copy(PICTURES / "back.jpg", tmp_path / "a.jpg")
    assert 0 == shell("photo", "add", "back=a.jpg", "--to", "t", "--cover-above", "300")[0]
    cleaned = np.asarray(Image.open(tmp_path / "t" / "back.jpg"))
    assert (2000, 1500) == cleaned.shape[:2]
    assert cleaned[:280].std() < 2


def test_a_proposal_counts_only_when_confirmed(shell: Shell, tmp_path: Path) -> None:
    """A line in `proposed` is refused with a warning; confirmed, it is measured."""
    shutil.copy(PICTURES / "back.jpg", tmp_path / "back.jpg")
    marks = read_marks(PICTURES / "back.marks.json")
    for proposed, told in ((("hip",), False), ((), True)):
        (tmp_path / "back.marks.json").write_text(as_json(replace(marks, proposed=proposed)), encoding="utf-8")
        code, out, _ = shell("photo", "measure", "back.jpg")
        assert code == 0
        assert told == bool(re.search(r"^hip: the lens", out, re.MULTILINE))
        assert told != ("only proposed" in " ".join(out.split()))


def test_a_focal_length_that_is_known_is_not_asked_for(shell: Shell, tmp_path: Path) -> None:
    """It may stand in the marks that came with a picture, or be typed; what all pictures lack is said once."""
    shutil.copy(PICTURES / "back.jpg", tmp_path / "back.jpg")
    shutil.copy(PICTURES / "left.jpg", tmp_path / "left.jpg")
    for more, asked in ((), 1), (("--focal", "57"), 0):
        _, out, _ = shell("photo", "add", "back=back.jpg", "left=left.jpg", *more, "--to", f"taken {asked}")
        assert out.count("no focal length") == asked
    for view in ("back", "left"):
        shutil.copy(PICTURES / f"{view}.marks.json", tmp_path)
    _, out, _ = shell("photo", "add", "back=back.jpg", "left=left.jpg", "--to", "taken with marks")
    assert "its marks came with it" in out and "no focal length" not in out
