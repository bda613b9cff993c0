"""Exported lists: text from outside stays text, the file is written whole or not at all, and every format says the same."""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import re
import stat
import subprocess
import sys
from collections.abc import Iterator, Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from markdown_it.token import Token
from running import ended
from small_rules import good_files, write_rules

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.files import write_atomically
from fitdiag.knowledge.findings import Done, Finding, Findings
from fitdiag.knowledge.folders import rules_for
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.plan import make_plan
from fitdiag.planning.stages import Effects, Stage
from fitdiag.problems import ProblemsFoundError, one_line
from fitdiag.reports.fitter import moved_tables
from fitdiag.reports.report import Report, make_report
from fitdiag.reports.sheet import whole_amounts
from fitdiag.reports.writers import (
    COLUMNS,
    WRITERS,
    as_csv,
    as_data,
    as_json,
    as_markdown,
    as_text,
    cell,
)
from fitdiag.sessions.state import conclude
from fitdiag.units import Units, format_length

QUICK = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
PLAIN = "the lamplighter"
HOSTILE = [
    "<script>alert(1)</script>", "<b>bold</b> <!-- gone --> <img src=x onerror=y>",
    "[link](https://example.org) ![picture](x.png)", "[a]: https://example.org",
    "<https://example.org> https://example.org www.example.org someone@example.org",
    "*one* **two** _three_ __four__ ***five*** ~~six~~", "# heading", "## heading ##", "- item", "+ item", "* item",
    "1. item", "1) item", "> quoted", "```code```", "`code` ``more``", "~~~", "---", "***", "===", "| a | b |",
    "&lt;b&gt; &copy; &#42;star&#42; &amp;", "back\\slash \\* \\", "two\nlines\n\n# and a heading", "    indented",
    "\ttab", "\x1b[31mred\x1b[0m \x1b]0;title\x07", "\x9b31mred", "a\u202egnp.exe\u202c", "zero\u200bwidth", "=1+1",
    "+1", "-1", "@SUM(A1)", "\t=1+1", "\r=1+1", " =1+1", "'quoted",
    '"=1+1","x"',
    'x";=1+1;"',
    "x;=1+1",
    "x|=1+1",
    "=cmd|' /C calc'!A0",
    "x" * 300,
    "x " * 150,
    "\ud800",
    "",
]  # fmt: skip


def findings_of(units: Units = "in", client: str = PLAIN, notes: tuple[str, ...] = ()) -> Findings:
    """The worked example: the lines dip on a flat seat, after an earlier round that went the other way."""
    answers = (
        Finding("balance-lines-dip-to-back", "yes", amount_mm=19.05, error_mm=2.0),
        Finding("v-at-centre-back", "yes"),
        Finding("grainline-near-centre-back", "yes", amount_mm=25.4),
        Finding("seat-wedgie", "no"),
        Finding("diagonals-under-seat", "unsure"),
    )
    return Findings(
        symptoms={finding.symptom: finding for finding in answers},
        body={"flat-seat": "some", "low-seat": "marked"},
        done=(Done("lengthen-back-crotch", 12.7, 1),),
        units=units,
        client=client,
        notes=notes,
    )


@pytest.fixture(scope="module")
def plain(base: RuleBase) -> Report:
    """The worked example for a client whose name is plain text."""
    return report_of(base, PLAIN, ("climbs a ladder",))


def report_of(base: RuleBase, client: str, notes: tuple[str, ...] = ()) -> Report:
    """The worked example with a client's name and notes as they come from outside."""
    return make_report(base, conclude(base, findings_of(client=client, notes=notes)), client)


# -- Markdown ------------------------------------------------------------------------------------------------------------

READERS = (MarkdownIt("commonmark"), MarkdownIt("commonmark").enable(["table", "strikethrough"]))


@cache
def parts(reader: MarkdownIt, text: str) -> Sequence[Token]:
    """The parts of a document as a reader takes them; several things are asked of the same text."""
    return reader.parse(text)


def structure(reader: MarkdownIt, text: str) -> list[str]:
    """What kinds of parts a document has, in order, without the words: blocks, and marks inside them."""
    kinds = []
    for token in parts(reader, text):
        kinds.append(f"{token.type} {token.tag}")
        kinds += [child.type for child in token.children or () if child.type != "text"]
    return kinds


def words(reader: MarkdownIt, text: str) -> list[str]:
    """The words of each part, as a reader shows them."""
    inline = [token for token in parts(reader, text) if token.type == "inline"]
    return ["".join(child.content for child in token.children or ()) for token in inline]


@pytest.mark.parametrize("text", HOSTILE)
def test_markdown_shows_outside_text_as_it_is(base: RuleBase, plain: Report, text: str) -> None:
    """No HTML, link, picture, heading, list or emphasis comes from a client's name or a note; the words are all there.

    Checked with markdown-it-py, a CommonMark parser that passes the tests of the CommonMark specification.
    """
    name = text if one_line(text) else "-"
    written = as_markdown(report_of(base, name, (name,)))
    for reader in READERS:
        assert structure(reader, as_markdown(plain)) == structure(reader, written)
        shown = words(reader, written)
        assert shown[0] == one_line(f"Alteration list for {name}", 2000)[: len(shown[0])]
        assert one_line(name, 2000) in shown
    assert not re.search(r"https?://|www\.\w|\w@\w", written)  # what some readers turn into links without being asked
    assert all(line.isprintable() for line in written.split("\n"))


@QUICK
@given(st.text(max_size=60), st.lists(st.text(min_size=1, max_size=40), min_size=1, max_size=1))
def test_markdown_shows_any_text_as_it_is(base: RuleBase, plain: Report, name: str, notes: list[str]) -> None:
    """The same for any name and any note that has something to show."""
    name, note = one_line(name) or "-", one_line(notes[0]) or "-"
    written = as_markdown(report_of(base, name, (note,)))
    for reader in READERS:
        assert structure(reader, as_markdown(plain)) == structure(reader, written)
        assert note in words(reader, written)


def test_markdown_has_headings_and_lists(base: RuleBase, plain: Report) -> None:
    """The document has one title, headings below it without a gap in their levels, and numbered steps."""
    kinds = structure(READERS[0], as_markdown(plain))
    levels = [int(kind[-1]) for kind in kinds if kind.startswith("heading_open")]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert "ordered_list_open ol" in kinds
    assert not [kind for kind in kinds if "html" in kind or "link" in kind or "image" in kind or "code" in kind]


# -- CSV -----------------------------------------------------------------------------------------------------------------

FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")  # OWASP, "CSV Injection"


def rows(text: str) -> list[list[str]]:
    assert text.startswith("\ufeff")
    return list(csv.reader(io.StringIO(text.removeprefix("\ufeff")), strict=True))


@pytest.mark.parametrize("text", HOSTILE)
def test_no_cell_is_a_formula(base: RuleBase, text: str) -> None:
    """No cell of the table starts with a sign that a spreadsheet works out, where a comma or a semicolon parts the cells."""
    written = as_csv(report_of(base, text, (text,)))
    table = rows(written)
    assert {len(COLUMNS)} == {len(row) for row in table}
    assert tuple(table[0]) == COLUMNS
    assert not [value for row in table for value in row if value.startswith(FORMULA)]
    apart = csv.reader(io.StringIO(written.removeprefix("\ufeff")), delimiter=";")
    assert not [value for row in apart for value in row if value.startswith(FORMULA)]
    assert all(line.isprintable() for line in written.removeprefix("\ufeff").split("\r\n"))
    if text:
        (client,) = (row for row in table if row[0] == "client")
        assert client[3].replace(" ", "").lstrip("'") == one_line(text, 4000).replace(" ", "").lstrip("'")


@given(st.text(max_size=50))
def test_any_cell_is_text(text: str) -> None:
    """Whatever a cell holds, it starts with no formula sign, holds no control character, and keeps its words."""
    value = cell(text)
    assert not value.startswith(FORMULA)
    assert value.isprintable()
    assert one_line(text, 4000).replace(" ", "") in value.replace(" ", "")


def test_the_table_has_a_row_for_each_alteration(base: RuleBase, plain: Report) -> None:
    """One row for each alteration of the round with its amount, one for each that is left alone, and one for the client."""
    table = [dict(zip(COLUMNS, row, strict=True)) for row in rows(as_csv(plain))[1:]]
    now = [row for row in table if row["kind"] == "this round"]
    assert [item.alteration for item in plain.plan.recommendations] == [row["alteration"] for row in now]
    assert [item.amount.text for item in plain.plan.recommendations] == [row["amount"] for row in now]
    assert [str(number) for number in range(1, len(now) + 1)] == [row["rank"] for row in now]
    left = [row["alteration"] for row in table if row["kind"] == "leave alone"]
    assert [item.alteration for item in plain.plan.leave_alone] == left
    assert left
    assert [PLAIN] == [row["title"] for row in table if row["kind"] == "client"]


def test_the_table_and_the_data_agree_on_the_way() -> None:
    """Shorter is less than nothing in both, and stays a number in a spreadsheet."""
    base = load_rules(rules_for("skirt"))
    findings = Findings({"hem-too-long": Finding("hem-too-long", "yes", amount_mm=20.0)}, units="cm")
    report = make_report(base, conclude(base, findings))
    table = [dict(zip(COLUMNS, row, strict=True)) for row in rows(as_csv(report))[1:]]
    in_table = [float(row["amount_mm"]) for row in table if row["alteration"] == "change-skirt-length"]
    in_data = [item["amount_mm"] for item in json.loads(as_json(report))["recommendations"]]
    assert [-20.0] == in_table == in_data


# -- text ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", HOSTILE)
def test_plain_text_reaches_a_terminal_safely(base: RuleBase, text: str) -> None:
    """Control characters, escapes, turned text and line ends from outside are shown as `?` or a space."""
    for written in (as_text(report_of(base, text, (text,))), as_json(report_of(base, text, (text,)))):
        assert all(line.isprintable() for line in written.split("\n"))
    assert "\x1b" not in written
    if "\x1b" in text or "\u202e" in text:
        assert "?" in as_text(report_of(base, text)).split("\n")[0]


@pytest.mark.parametrize("width", [40, 80, 100])
@pytest.mark.parametrize("client", [PLAIN, "x y " * 30])
def test_plain_text_folds_to_its_width(base: RuleBase, client: str, width: int) -> None:
    """No line is wider than asked for, not even the title of a client with a long name."""
    for steps in (True, False):
        report = make_report(base, conclude(base, findings_of(client=client, notes=(client,))), client, steps=steps)
        assert max(len(line) for line in as_text(report, width).split("\n")) <= width


# -- JSON ----------------------------------------------------------------------------------------------------------------

KEYS = {"id": str, "title": str, "probability": float, "because": list, "against": list}
ADVICE = {"rank": int, "alteration": str, "title": str, "amount_mm": float, "amount": str, "side": str, "because": list,
          "check_next": list}  # fmt: skip


def no_constant(name: str) -> float:
    raise AssertionError(f"{name} is no JSON")


@pytest.mark.parametrize("text", [PLAIN, *HOSTILE])
def test_json_is_what_is_documented(base: RuleBase, text: str) -> None:
    """The object has the documented keys and types, causes fall in probability, and ranks count from one."""
    data = json.loads(as_json(report_of(base, text, (text,))), parse_constant=no_constant)
    assert data["schema"] == "fitdiag.diagnosis/1"
    assert one_line(text) == data["client"]
    assert len(data["causes"]) == len(base.believed)
    for cause in data["causes"]:
        assert cause.keys() >= KEYS.keys()
        assert all(isinstance(cause[key], kind) for key, kind in KEYS.items())
        assert 0 <= cause["probability"] <= 1
    ranked = [(not cause["spoken_of"], -cause["probability"]) for cause in data["causes"]]
    assert sorted(ranked) == ranked
    assert data["recommendations"]
    for number, item in enumerate(data["recommendations"], 1):
        assert all(isinstance(item[key], kind) for key, kind in ADVICE.items())
        assert number == item["rank"]
        assert item["amount"] == format_length(item["amount_mm"], data["units"])
        assert item["side"] in ("left", "right", "both")
        assert item["only_if"] is None or isinstance(item["only_if"], str)
        assert item["because"]
        assert item["check_next"]
    for item in (*data["leave_alone"], *data["later"]):
        assert item["alteration"] in base.alterations
        assert item["because"]
    assert data["leave_alone"]
    question = data["next_question"]
    assert question is None or (question["symptom"] in base.symptoms and question["gain_bits"] > 0)


def test_json_says_when_no_question_is_left(base: RuleBase) -> None:
    """With every symptom answered there is no next question: null, not a missing key."""
    answered = {symptom: Finding(symptom, "no") for symptom in base.symptoms}
    data = as_data(make_report(base, conclude(base, Findings(symptoms=answered))))
    assert data["next_question"] is None
    assert data["recommendations"] == []


# -- all formats ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", WRITERS)
def test_every_format_says_the_same(base: RuleBase, plain: Report, ending: str) -> None:
    """Every alteration of the round stands in every format with its amount, and every one to leave alone."""
    text = " ".join(WRITERS[ending](plain).split()).replace("\\", "")
    for item in plain.plan.recommendations:
        assert base.alterations[item.alteration].title in text
        assert item.amount.text in text
    for other in plain.plan.leave_alone:
        assert base.alterations[other.alteration].title in text or other.alteration in text


@pytest.mark.parametrize("ending", [".md", ".txt", ".csv"])
def test_each_caution_stands_once(base: RuleBase, plain: Report, ending: str) -> None:
    """A caution that applies stands in a document exactly once, one that does not apply not at all."""
    nothing = make_report(base, conclude(base, Findings()))
    for report, applying in ((plain, {"always", "pinning", "cutting", "pressing"}), (nothing, {"always"})):
        text = " ".join(WRITERS[ending](report).split()).replace("\\", "")
        for caution in base.about.cautions:
            assert (caution.when in applying) == text.count(" ".join(caution.text.split()))


def test_the_units_chosen_are_used_everywhere(tmp_path: Path) -> None:
    """In centimetres no amount of the document is in inches, and the other way round; the rules here name no lengths."""
    rules = write_rules(tmp_path / "rules", good_files())
    log = tmp_path / "session.jsonl"
    log.write_text(_small_log())
    for units, other in (("cm", "in"), ("in", "cm")):
        for ending in WRITERS:
            path = tmp_path / f"list-{units}{ending}"
            assert ended("export", str(log), "--to", str(path), "--units", units, "--rules", str(rules)) == 0
            text = re.sub(r"about \d+ in \d+", "", path.read_text(encoding="utf-8"))  # odds
            assert re.search(rf"\d {units}\b", text)
            assert not re.search(rf"\d {other}\b", text)
            assert not re.search(r"\d mm\b", text)


def _small_log() -> str:
    events: list[dict[str, Any]] = [
        {
            "event": "start",
            "schema": "fitdiag.session/1",
            "rules": {"garment": "skirt"},
            "client": PLAIN,
            "units": "in",
        },
        {"event": "done", "alteration": "swing-leg", "amount_mm": 6.0, "round": 1},
        {"event": "done", "alteration": "give-room", "amount_mm": 11.0, "round": 1},
        {"event": "body", "notes": {"flat-seat": "some"}},
        {"event": "answer", "symptom": "lines-dip", "seen": "yes", "amount_mm": 33.0, "error_mm": 2.0},
        {"event": "answer", "symptom": "v-at-seam", "seen": "yes"},
        {"event": "answer", "symptom": "line-near-seam", "seen": "no", "amount_mm": 80.0},
    ]
    return "".join(json.dumps(event) + "\n" for event in events)


# -- the file --------------------------------------------------------------------------------------------------------------


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Path]:
    """A folder in which nothing is left behind but what a test names itself: no hidden file."""
    folder = tmp_path / "place"
    folder.mkdir()
    (tmp_path / "session.jsonl").write_text(_small_log())
    write_rules(tmp_path / "rules", good_files())
    yield folder
    assert [path.name for path in folder.iterdir() if path.name.startswith(".")] == []


def export(place: Path, name: str, *more: str) -> int:
    log, rules = place.parent / "session.jsonl", place.parent / "rules"
    return ended("export", str(log), "--rules", str(rules), "--to", str(place / name), *more)


@pytest.mark.parametrize("ending", [*WRITERS, ".MD"])
def test_the_ending_chooses_the_format(place: Path, capsys: pytest.CaptureFixture[str], ending: str) -> None:
    """A file is written in the format of its ending, whole, in UTF-8, and readable by its owner only whatever the umask."""
    before = os.umask(0)
    try:
        assert export(place, f"list{ending}", "--client", "die Zigarrenh\u00e4ndlerin") == 0
    finally:
        os.umask(before)
    path = place / f"list{ending}"
    assert f"Written: {path}" == " ".join(capsys.readouterr().out.split())
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "h\u00e4ndlerin" in path.read_text(encoding="utf-8")
    assert path.read_bytes().endswith(b"\n")


@pytest.mark.parametrize("name", ["list", "list.pdfx", "list.md.", ".md", "list.exe", "list.m\x1bd", "list."])
def test_another_ending_is_refused(place: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    """An ending that is no format is refused with those that are, and nothing is written."""
    assert export(place, name) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert "is not a format this command writes" in line
    assert ".md, .csv, .json, .txt, .html or .pdf" in line
    assert line.isprintable()
    assert list(place.iterdir()) == []


def test_an_existing_file_is_kept(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file of the name is kept as it was, byte by byte, unless --replace is given; then it is replaced whole."""
    path = place / "list.md"
    path.write_text("mine")
    inode = path.stat().st_ino
    assert export(place, "list.md") == 1
    assert "there is a file of this name already" in capsys.readouterr().err
    assert (path.read_text(), path.stat().st_ino) == ("mine", inode)
    assert export(place, "list.md", "--replace") == 0
    assert path.read_text(encoding="utf-8").startswith("# Alteration list")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_what_stands_in_the_way_is_told(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder of the name, a folder that is not there, a file as folder and a name too long are told in a line."""
    (place / "folder.md").mkdir()
    (place / "folder.md" / "kept").write_text("mine")
    (place / "file").write_text("mine")
    for name in ("folder.md", "nowhere/list.md", "file/list.md", "n" * 300 + ".md", "a\0b.md"):
        for more in ((), ("--replace",)):
            assert export(place, name, *more) == 1
            (line,) = capsys.readouterr().err.splitlines()
            assert re.search(r"(cannot be written: \S|there is a file of this name already)", line)
            assert line.isprintable()
    assert sorted(path.name for path in place.iterdir()) == ["file", "folder.md"]
    assert (place / "folder.md" / "kept").read_text() == "mine"


def test_a_link_is_not_written_through(place: Path) -> None:
    """A link of the name is kept; with --replace the link is replaced, not the file it points to."""
    other = place / "other.md"
    other.write_text("mine")
    (place / "list.md").symlink_to(other)
    (place / "dangling.md").symlink_to(place / "nowhere.md")
    assert export(place, "list.md") == 1
    assert export(place, "dangling.md") == 1
    assert not (place / "nowhere.md").exists()
    assert export(place, "list.md", "--replace") == 0
    assert other.read_text() == "mine"
    assert not (place / "list.md").is_symlink()


@pytest.mark.parametrize("replace", [False, True])
def test_a_full_disk_leaves_nothing_behind(place: Path, replace: bool) -> None:
    """When the system refuses to write on, the old file is whole and no part of the new one is left (limit on file size)."""
    if replace:
        (place / "list.md").write_text("mine")
    script = (
        "import resource, sys\n"
        "from fitdiag.cli.main import run\n"
        "from fitdiag.knowledge.load import load_rules\n"
        "from pathlib import Path\n"
        "load_rules(Path(sys.argv[4]))\n"
        "sys.dont_write_bytecode = True\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (300, 300))\n"
        "run(sys.argv[1:])\n"
    )
    more = ["--replace"] if replace else []
    log, rules = place.parent / "session.jsonl", place.parent / "rules"
    done = subprocess.run(
        [sys.executable, "-c", script, "export", str(log), "--rules", str(rules), "--to", str(place / "list.md"), *more],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "this cannot be written: File too large (nothing was changed)" in done.stderr
    assert "Traceback" not in done.stderr
    assert [path.read_text() for path in place.iterdir()] == (["mine"] if replace else [])


def test_a_disk_without_hard_links(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a memory stick that knows no hard links the file is written all the same, and an existing one is kept.

    The system call is made to fail as it does there.
    """

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", refuse)
    write_atomically(place / "list.md", "new")
    assert (place / "list.md").read_text() == "new"
    with pytest.raises(ProblemsFoundError):
        write_atomically(place / "list.md", "newer")
    assert (place / "list.md").read_text() == "new"
    assert stat.S_IMODE((place / "list.md").stat().st_mode) == 0o600


def test_two_at_once_lose_nothing(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that another program makes while the list is written is kept; the list is refused, not laid over it."""
    path = place / "list.md"
    sync = os.fsync

    def and_meanwhile(descriptor: int) -> None:
        sync(descriptor)
        path.write_text("another's")

    monkeypatch.setattr(os, "fsync", and_meanwhile)
    with pytest.raises(ProblemsFoundError) as stopped:
        write_atomically(path, "new")
    assert stopped.value.problems[0].code == "exists"
    assert path.read_text() == "another's"


def test_an_interruption_leaves_nothing_behind(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C while the file is written leaves no part of it."""

    def interrupt(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_atomically(place / "list.md", "new")
    assert list(place.iterdir()) == []


def test_text_that_no_file_can_hold(place: Path) -> None:
    """Half of a pair of surrogates cannot be written as UTF-8; that is told, and nothing is left behind."""
    with pytest.raises(ProblemsFoundError) as stopped:
        write_atomically(place / "list.md", "\ud800")
    assert stopped.value.problems[0].code == "cannot-save"
    assert list(place.iterdir()) == []


def test_hostile_names_through_the_whole_program(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A client and notes from a log, and a client from the command line, reach every format as text."""
    rules = write_rules(tmp_path / "rules", good_files())
    for number, text in enumerate(HOSTILE):
        log = tmp_path / f"{number}.jsonl"
        head, rest = _small_log().split("\n", 1)
        note = json.dumps({"event": "note", "text": text})
        log.write_text(json.dumps({**json.loads(head), "client": text}) + "\n" + note + "\n" + rest)
        ending = list(WRITERS)[number % len(WRITERS)]
        path = tmp_path / f"{number}{ending}"
        more = ["--client", text] if number % 3 == 0 else []
        assert ended("export", str(log), "--rules", str(rules), "--to", str(path), *more) == 0
        written = path.read_text(encoding="utf-8-sig")
        assert all(line.isprintable() for line in written.splitlines())
        assert ending != ".md" or not re.search(r"(?<!\\)<", written)
    assert "\x1b" not in capsys.readouterr().out


def test_a_measure_through_the_steps_agrees_with_its_changes() -> None:
    """39 5/8 in that becomes 39 3/8 in has changed by 1/4 in, on every page, though the change itself is nearer 1/8."""
    base = load_rules()
    stages = (Stage("as it is", None, {"hip girth": 1005.0}), Stage("take-hip-width", 3.0, {"hip girth": 1001.2}))
    plan = make_plan(Diagnosis(base, Findings()))
    tables = moved_tables(plan, Effects(stages, (), {}, "as drafted"), "in")
    (rows, _) = tables["This round: measures that move"]
    assert rows == [("hip girth", whole_amounts("39 5/8 in"), whole_amounts("39 3/8 in (-1/4 in)"))]
