"""Cases and rounds: what their files hold, what a hand edit and a hostile name do to them, the list, export, delete."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import stat
import sys
import time
import zipfile
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from fitdiag import files
from fitdiag.cli.case import case_page, delete
from fitdiag.cli.case_list import list_lines, show_list
from fitdiag.cli.main import app_of
from fitdiag.knowledge.findings import Done, Finding, Findings
from fitdiag.knowledge.findings_file import findings_text, read_findings
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.reading import file_text
from fitdiag.knowledge.strict_yaml import parse_yaml
from fitdiag.problems import ProblemsFoundError
from fitdiag.problems import command as command_line
from fitdiag.sessions import case as store
from fitdiag.sessions.case import (
    add_round,
    case_findings,
    find_case,
    folder_name,
    new_case,
    open_case,
    save_case,
    told_apart,
    update_round,
)
from fitdiag.sessions.case_export import LEFT_OUT, contents, delete_case, delete_photos, export_case
from fitdiag.sessions.case_files import (
    Advised,
    Carried,
    Case,
    Closed,
    Consent,
    Outcome,
    case_in,
    case_text,
    length_text,
    round_in,
)
from fitdiag.sessions.case_list import last_advised, list_cases, sweep_case
from fitdiag.sessions.log import SessionLog, read_log
from fitdiag.sessions.replay import replay
from fitdiag.sessions.state import answer_event, done_event, fold
from fitdiag.units import parse_length

DAY = date(2026, 11, 2)
MANY = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def begin(parent: Path, name: str = "the lamplighter", **more: Any) -> Case:
    """A case with notes and measures, no round yet."""
    given = {
        "garment": "trousers", "units": "in", "opened": DAY, "body": {"flat-seat": "some", "low-seat": "marked"},
        "body_measures": {"hip": 1016.0}, "consent": Consent(True, DAY, date(2026, 12, 1)), "notes": ("climbs: a ladder",),
    }  # fmt: skip
    pattern = more.pop("pattern", None)
    return new_case(Case(parent, name, **{**given, **more}), pattern)


def through_a_round(case: Case, day: date = DAY, *, sent: bool = True) -> Case:
    """The same with one more round, advised and sent."""
    case = add_round(case, today=day)
    last = case.rounds[-1]
    advised = (Advised("tuck-across-back-hip", 19.05, "both"),)
    changed = replace(last, advised=advised, sent=day if sent else None, waiting="client" if sent else "fitter")
    return update_round(case, changed, today=day)


@pytest.fixture
def cases(tmp_path: Path) -> Path:
    return tmp_path / "cases"


@pytest.fixture
def case(cases: Path) -> Case:
    """One case with two rounds: the first worked, the second advised and sent."""
    one = through_a_round(begin(cases))
    first = replace(
        one.round(1),
        form_received=DAY + timedelta(days=7),
        waiting="fitter",
        done=(Carried("tuck-across-back-hip", 12.7), Carried("lengthen-back-crotch", None, done=False)),
        outcome={"balance-lines-dip-to-back": Outcome(19.05, 0.0, -3.5, 3.0)},
        fits=False,
    )
    one = update_round(one, first, today=DAY + timedelta(days=7))
    return through_a_round(one, DAY + timedelta(days=9))


def codes(work: Callable[[], object]) -> list[str]:
    """The codes of the problems that stop something."""
    with pytest.raises(ProblemsFoundError) as stopped:
        work()
    return [problem.code for problem in stopped.value.problems]


# -- files -------------------------------------------------------------------------------------------------------------


def test_a_case_reads_back_as_it_was_written(case: Case) -> None:
    """Everything of a case and its rounds is in its files, for its owner only."""
    assert case == open_case(case.folder)
    assert (2, "client", date(2026, 11, 11)) == (case.rounds[-1].number, case.rounds[-1].waiting, case.rounds[-1].since)
    assert {0o600} == {stat.S_IMODE(path.stat().st_mode) for path in case.folder.rglob("*.yaml")}
    assert stat.S_IMODE(case.folder.stat().st_mode) == 0o700


def test_amounts_stand_in_the_units_of_the_case(case: Case) -> None:
    """A fitter reads eighths of an inch; what is no eighth is written in mm, so that nothing is rounded away."""
    text = (case.folder / "round-01" / "round.yaml").read_text(encoding="utf-8")
    assert "{alteration: tuck-across-back-hip, amount: 1/2 in}" in text
    assert "{alteration: lengthen-back-crotch, done: no}" in text
    changed = update_round(case, replace(case.round(2), advised=(Advised("tuck-across-back-hip", 7.0),)))
    assert "amount: 7 mm" in (case.folder / "round-02" / "round.yaml").read_text(encoding="utf-8")
    assert 7.0 == changed.round(2).advised[0].amount_mm


@MANY
@given(st.floats(0, 2999, allow_nan=False), st.sampled_from(["in", "cm"]))
def test_any_length_is_written_so_that_it_reads_back(mm: float, units: Any) -> None:
    """Written and read, a length is the same to a hundredth of a millimetre."""
    assert abs(parse_length(length_text(mm, units)).mm - mm) < 0.01


@MANY
@given(st.text(max_size=200))
@example("no: 7")
@example("- a\n# b")
@example("=1+1")
@example("a -")
@example("---")
def test_any_text_is_quoted_so_that_it_reads_back(text: str) -> None:
    """Whatever the fitter writes is one YAML scalar, in a line of its own and in brackets."""
    plain = store.one_line(text, 200)
    read = parse_yaml(file_text({"all": (plain, {"a": plain})}, str), "x").data["all"]
    assert read == [plain, {"a": plain}] or not plain


def test_the_history_goes_into_the_next_diagnosis(case: Case, base: RuleBase) -> None:
    """Body notes, measures and what was really done, with its round; what was advised and not done does not count."""
    findings = case_findings(case, base)
    assert (Done("tuck-across-back-hip", 12.7, 1),) == findings.done
    assert ({"flat-seat": "some", "low-seat": "marked"}, {"hip": 1016.0}) == (findings.body, findings.body_measures)
    assert ("in", "the lamplighter", ()) == (findings.units, findings.client, findings.notes)
    assert () == case_findings(case, base, before=1).done


def test_what_the_rules_do_not_know_is_named_at_its_line(case: Case, base: RuleBase) -> None:
    """A body note or an alteration of other rules stops the diagnosis with path, line and a near word."""
    path = case.folder / "case.yaml"
    path.write_text(path.read_text().replace("flat-seat: some", "flat-seet: some"))
    with pytest.raises(
        ProblemsFoundError, match=r"case\.yaml:8:3: there is no body note 'flat-seet' \(did you mean 'flat-seat'"
    ):
        case_findings(open_case(case.folder), base)
    path.write_text(path.read_text().replace("flat-seet: some", "flat-seat: some"))
    path = case.folder / "round-01" / "round.yaml"
    path.write_text(
        path.read_text().replace("- {alteration: tuck-across-back-hip, amount: 1/2 in}", "- {alteration: tuck-acros}")
    )
    with pytest.raises(ProblemsFoundError, match=r"round\.yaml:\d+:\d+: there is no alteration 'tuck-acros'"):
        case_findings(open_case(case.folder), base)


def test_a_hand_edit_counts(case: Case) -> None:
    """A fitter may write the short forms by hand, and a save of something else leaves them alone."""
    path = case.folder / "case.yaml"
    text = path.read_text().replace("  flat-seat: some\n  low-seat: marked\n", "  [flat-seat, {low-seat: marked}]\n")
    path.write_text(text.replace("hip: 40 in", "hip: 41 in, waist: 75 cm"))
    saved = save_case(case, replace(case, notes=("wears boots",)))
    assert ({"hip": 1041.4, "waist": 750.0}, ("wears boots",)) == (saved.body_measures, saved.notes)
    assert {"flat-seat": "some", "low-seat": "marked"} == saved.body


def test_two_changes_of_one_thing_do_not_overwrite_each_other(case: Case) -> None:
    """What somebody else changed meanwhile is not written over; other things of the same round are."""
    mine = replace(case.round(2), fits=True)
    update_round(case, replace(case.round(2), form_received=DAY + timedelta(days=20)))
    both = update_round(case, mine)
    assert (True, DAY + timedelta(days=20)) == (both.round(2).fits, both.round(2).form_received)
    assert codes(lambda: update_round(case, replace(case.round(2), form_received=DAY))) == ["changed"]


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("nmae: x", "unknown-key"),
        ("opened: 02.11.2026", "duplicate-key"),
        ("closed: {date: 2026-13-01, outcome: fits}", "day"),
        ("closed: {date: 2026-11-03, outcome: perhaps}", "value"),
        ("pattern: ../other/pattern.yaml", "path"),
        ("pattern: /etc/passwd", "path"),
        ("pattern: C:\\pattern.dxf", "path"),
        ("pattern: link.dxf", "path"),
        ("pattern: [a]", "text"),
    ],
)
def test_a_fault_in_a_case_is_named_at_its_place(cases: Path, tmp_path: Path, line: str, code: str) -> None:
    """Unknown keys, wrong days and paths that lead out are refused with path, line and column."""
    case = begin(cases)
    (case.folder / "link.dxf").symlink_to(tmp_path / "elsewhere.dxf")
    path = case.folder / "case.yaml"
    path.write_text(f"{path.read_text()}{line}\n")
    with pytest.raises(ProblemsFoundError) as stopped:
        open_case(case.folder)
    assert [code] == [problem.code for problem in stopped.value.problems]
    assert re.match(rf"{re.escape(str(path))}:\d+:\d+: ", str(stopped.value.problems[0]))


def test_all_faults_of_all_files_are_told_at_once(case: Case) -> None:
    """One look shows everything that is to be mended."""
    for path in (
        case.folder / "case.yaml",
        case.folder / "round-01" / "round.yaml",
        case.folder / "round-02" / "round.yaml",
    ):
        path.write_text(path.read_text() + "colour: red\n")
    assert codes(lambda: open_case(case.folder)) == ["unknown-key"] * 3


@pytest.mark.parametrize("name", ["round-3", "Round-03", "round-00", "round 03"])
def test_a_folder_nearly_named_like_a_round_is_a_fault(case: Case, name: str) -> None:
    """No round is passed over silently."""
    (case.folder / name).mkdir()
    assert codes(lambda: open_case(case.folder)) == ["round-name"]


def test_a_round_folder_made_by_hand_is_taken_as_it_lies(case: Case) -> None:
    """Photos copied into the next round's folder before it was begun stay there."""
    folder = case.folder / "round-03" / "photos"
    folder.mkdir(parents=True)
    (folder / "back.jpg").write_bytes(b"x")
    assert 2 == len(open_case(case.folder).rounds)
    assert 3 == add_round(case).rounds[-1].number
    assert b"x" == (folder / "back.jpg").read_bytes()


@pytest.mark.parametrize("linked", ["case.yaml", "round-01", "round-01/round.yaml"])
def test_links_out_of_the_folder_are_refused(case: Case, tmp_path: Path, linked: str) -> None:
    """Neither a file nor a round may be a link to somewhere else."""
    (case.folder / linked).rename(tmp_path / "away")
    (case.folder / linked).symlink_to(tmp_path / "away")
    assert codes(lambda: open_case(case.folder)) == ["link"]


def test_a_closed_case_gets_no_further_round(case: Case) -> None:
    """How it ended is kept in a word and in the fitter's words."""
    closed = save_case(case, replace(case, closed=Closed(DAY, "other", "moved away: far")))
    assert Closed(DAY, "other", "moved away: far") == open_case(case.folder).closed
    assert codes(lambda: add_round(closed)) == ["closed"]


def test_what_would_not_read_back_is_not_written(case: Case) -> None:
    """A value no reader would take is refused before anything is changed."""
    before = (case.folder / "round-02" / "round.yaml").read_bytes()
    assert codes(lambda: update_round(case, replace(case.round(2), advised=(Advised("Not an id"),)))) == ["id"]
    assert codes(lambda: update_round(case, replace(case.round(2), advised=(Advised("a", -4.0),)))) == ["value"]
    assert before == (case.folder / "round-02" / "round.yaml").read_bytes()


# -- names -------------------------------------------------------------------------------------------------------------


@MANY
@given(st.text(max_size=300))
@example("../../etc/passwd")
@example("..")
@example("a\0b")
@example("\x1b[31mred\x1b[0m")
@example("con")
@example("COM¹")
@example("x" * 300)
@example("é" * 300)
@example("点" * 300)
@example("\U0001f456")
def test_a_folder_name_cannot_leave_the_folder(name: str) -> None:
    """Whatever the fitter calls a case, its folder is one plain name that every system takes, or the name is refused."""
    try:
        folder = folder_name(name)
    except ProblemsFoundError as stopped:
        assert ["name"] == [problem.code for problem in stopped.problems]
        assert str(stopped).isprintable()
        return
    assert all(char.isalnum() or char == "-" for char in folder)
    assert 0 < len(folder.encode()) <= 125
    assert folder[0] != "-" != folder[-1]
    assert folder.casefold() == folder
    assert not re.fullmatch(r"con|prn|aux|nul|(com|lpt)\d", folder)


def test_a_name_that_is_too_long_is_refused_by_its_length(tmp_path: Path) -> None:
    """The message speaks of the name that was typed, not of a file never written; a name of the greatest length is taken."""
    with pytest.raises(ProblemsFoundError, match=r"too long a name .*at most 80 letters"):
        begin(tmp_path, "n" * 81)
    assert list(tmp_path.iterdir()) == []
    assert begin(tmp_path, "n" * 80).name == "n" * 80


@pytest.mark.parametrize("second", ["The  Lamplighter!", "the-lamplighter", "THÉ LAMPLIGHTER"])
def test_a_taken_name_is_refused(cases: Path, second: str) -> None:
    """Two names with one folder, also by capitals or accents, do not meet."""
    before = begin(cases)
    assert codes(lambda: begin(cases, second)) == ["exists"]
    assert before == open_case(before.folder)


@pytest.mark.parametrize("name", ["the lamplighter", "the-lamplighter", "The Lamplighter", "cases/the-lamplighter/"])
def test_a_case_is_found_by_its_name_or_its_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """The fitter's words, the folder and the path a shell completes all mean the same case."""
    monkeypatch.chdir(tmp_path)
    case = begin(Path("cases"))
    assert case.folder == find_case(Path("cases"), name)


def test_a_case_renamed_in_its_file_is_found_by_its_new_name(cases: Path) -> None:
    """The name in the file counts, also in a folder called otherwise, and the list names that folder."""
    before = begin(cases, "the stilt walker")
    renamed = save_case(before, replace(before, name="The Rope-Dancer"))
    assert before.folder == find_case(cases, "the rope dancer") == find_case(cases, "the-stilt-walker")
    assert told_apart(renamed) == "The Rope-Dancer (folder the-stilt-walker)"
    assert any(told_apart(renamed) in line for line in list_lines(list_cases(cases), DAY))
    assert told_apart(begin(cases, "the usher")) == "the usher"


def test_a_folder_called_like_another_case_is_not_opened_for_it(cases: Path) -> None:
    """One case was renamed, another lies in a folder of its own and is called as the first was: the message names both."""
    first = begin(cases, "the stilt walker")
    save_case(first, replace(first, name="the rope-dancer"))
    other = begin(cases, "the copy")
    save_case(other, replace(other, name="the stilt walker"))
    with pytest.raises(
        ProblemsFoundError, match=r"'the-copy' \(the stilt walker\) or 'the-stilt-walker' \(the rope-dancer\)"
    ):
        find_case(cases, "the stilt walker")
    assert first.folder == find_case(cases, "the-stilt-walker")
    assert other.folder == find_case(cases, "the-copy")


def test_a_part_of_a_name_is_answered_with_the_whole(cases: Path) -> None:
    """Half a name opens nothing, but the message says which case it may be."""
    begin(cases, "the stilt walker, black trousers")
    with pytest.raises(ProblemsFoundError, match="did you mean 'the-stilt-walker-black-trousers'"):
        find_case(cases, "stilt walker")


@pytest.mark.parametrize(
    "name", ["../secret", "cases/../secret", "..", ".", "", "/", "a\0b", "x" * 5000, "\ud800", "the lamplihgter"]
)
def test_a_name_finds_nothing_elsewhere(tmp_path: Path, name: str) -> None:
    """A name never leads out of the folder of the cases; the message says what was meant."""
    begin(tmp_path / "cases")
    (tmp_path / "secret").mkdir()
    (tmp_path / "secret" / "case.yaml").write_text("schema: fitdiag.case/1\n")
    assert codes(lambda: find_case(tmp_path / "cases", name)) == ["no-case"]


def test_what_is_half_written_now_is_left_to_its_writer(case: Case) -> None:
    """A temporary file that a process holds may be another window's; one that nobody holds goes, however young it is."""
    held, left = case.folder / "round-02" / ".fitdiag-held", case.folder / "round-02" / ".fitdiag-left"
    for path in (held, left):
        path.write_text("half")
    with held.open("rb+") as writer:
        assert files.lock(writer.fileno(), 0)
        assert 1 == sweep_case(case.folder)
    assert (True, False) == (held.exists(), left.exists())
    assert 1 == sweep_case(case.folder)


def test_what_a_delete_began_is_finished_and_said(case: Case, cases: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What a killed delete left, of a case or of photos, goes at the next command on that root, whichever it is."""
    gone = cases / ".fitdiag-gone-0123456789ab"
    shutil.copytree(case.folder, gone)
    picture = case.round(1).photos / "back.jpg"
    picture.write_bytes(b"x")
    (cases / ".fitdiag").mkdir(exist_ok=True)
    (cases / ".fitdiag" / f"{case.folder.name}.lock").write_text("photos 2026-11-20\n")
    assert 0 == show_list(str(cases), as_json=True, everything=False, today=DAY)
    shown = capsys.readouterr()
    assert "Finished now: 1 interrupted deletion." in shown.err
    assert "Finished now: an interrupted deletion of photos" in shown.err and json.loads(shown.out)
    assert not gone.exists() and not picture.exists()
    assert date(2026, 11, 20) == open_case(case.folder).consent.removed
    assert [] == list((cases / ".fitdiag").glob("*.lock"))
    assert 0 == show_list(str(cases), as_json=False, everything=False, today=DAY)
    assert "" == capsys.readouterr().err


def test_a_lock_that_says_nonsense_harms_nothing(case: Case, cases: Path) -> None:
    """Whatever stands in a lock that was left, nothing outside is touched and nothing is deleted."""
    before = {path: path.read_bytes() for path in case.folder.rglob("*") if path.is_file()}
    (cases / ".fitdiag").mkdir(exist_ok=True)
    for name, text in (
        (case.folder.name, b"photos never\nplace \xff\0\nrun me"),
        ("no case", b"photos 2026-11-20"),
        ("..", b"x"),
    ):
        (cases / ".fitdiag" / f"{name}.lock").write_bytes(text)
    show_list(str(cases), as_json=True, everything=False, today=DAY)
    assert before == {path: path.read_bytes() for path in case.folder.rglob("*") if path.is_file()}


# -- the list ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def many(cases: Path) -> Path:
    """Four cases: two wait for the fitter, one for the client, one is closed."""
    early = through_a_round(begin(cases, "the first fiddle"), DAY)
    update_round(
        early,
        replace(early.round(1), waiting="fitter", form_received=DAY + timedelta(days=3)),
        today=DAY + timedelta(days=3),
    )
    through_a_round(begin(cases, "the lamplighter", consent=Consent(True, DAY, DAY + timedelta(days=20))), DAY)
    begin(cases, "the stilt walker", opened=DAY + timedelta(days=5), consent=Consent())
    done = through_a_round(begin(cases, "the prompter", consent=Consent(True, DAY, DAY + timedelta(days=10))))
    save_case(done, replace(done, closed=Closed(DAY, "fits")))
    for name in ("the first fiddle", "the lamplighter", "the prompter"):
        photos = open_case(find_case(cases, name)).round(1).photos
        photos.mkdir(parents=True, exist_ok=True)
        (photos / "back.jpg").write_bytes(b"a picture")
    return cases


def test_monday_shows_what_to_do(many: Path) -> None:
    """The fitter's turn first, in it the longest wait, with what was advised last, then the photos to think of."""
    monday = DAY + timedelta(days=14)
    removed = command_line("fitdiag", "case", "delete", "the-prompter", "--in", many) + " --photos"
    assert [
        "YOUR TURN (2)",
        "  the first fiddle, round 1 (11 days): read the form of 2026-11-05",
        "    advised: tuck across back hip 3/4 in",
        "  the stilt walker (9 days): begin round 1",
        "",
        "THE CLIENT'S TURN (1)",
        "  the lamplighter, round 1 (14 days): wait for the form, sent 2026-11-02",
        "    advised: tuck across back hip 3/4 in",
        "",
        "PHOTOS (3)",
        f"  the prompter: photos kept until 2026-11-12: OVERDUE by 4 days; {removed}",
        "  the lamplighter: photos kept until 2026-11-22: 6 days left",
        "  the first fiddle: photos kept until 2026-12-01: 15 days left",
        "",
        "1 closed; `fitdiag case list --all` shows them.",
    ] == list_lines(list_cases(many), monday)


def test_photos_that_never_came_are_not_reminded_of(cases: Path) -> None:
    """Agreed to and promised for twenty days, but no picture was taken in."""
    through_a_round(begin(cases, "the lamplighter", consent=Consent(True, DAY, DAY + timedelta(days=20))), DAY)
    assert not any("PHOTOS" in line for line in list_lines(list_cases(cases), DAY + timedelta(days=21)))


def test_the_list_says_which_way_a_length_was_changed(case: Case) -> None:
    """A leg advised to be shortened stands with a minus sign, as on the command line."""
    advised = (Advised("change-leg-length", 12.7, "left", less=True),)
    assert ("change leg length -1/2 in left", 2) == last_advised(
        update_round(case, replace(case.round(2), advised=advised))
    )


def test_what_is_only_done_if_needed_is_not_said_to_be_advised_as_the_rest(case: Case, base: RuleBase) -> None:
    """The list names it apart, `case show` says so, and both hold after the round is read again from its file."""
    advised = (
        Advised("tuck-across-back-hip", 19.05),
        Advised("slide-crotch-section-down", 12.7, only_if="seat-wedgie"),
        Advised("overlap-back-wedge", 25.4, only_if="grainline-near-centre-back"),
    )
    update_round(case, replace(case.round(2), advised=advised, done=(Carried("tuck-across-back-hip", 19.05),)))
    again = open_case(case.folder)
    assert again.round(2).advised == advised
    told = "tuck across back hip 3/4 in; only if needed: slide crotch section down 1/2 in; overlap back wedge 1 in"
    assert last_advised(again) == (told, 2)
    lines = case_page(again, contents(again.folder), base).splitlines()
    assert "  advised: tuck across the back above the full hip line, 3/4 in" in lines
    assert "  advised, only if needed: slide the back crotch section down, 1/2 in" in lines
    assert "  not known whether done: slide the back crotch section down" in lines
    assert "  not known whether done: tuck across the back above the full hip line" not in lines


def test_a_long_wait_for_the_client_asks_for_a_word(many: Path) -> None:
    """After three weeks the list says to ask."""
    lines = list_lines(list_cases(many), DAY + timedelta(days=21))
    assert "  the lamplighter, round 1 (21 days): ask how it goes; sent 2026-11-02" in lines


@pytest.mark.parametrize("columns", [40, 80, 100])
def test_the_list_keeps_to_its_columns(
    cases: Path, columns: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Long names and many alterations fold."""
    monkeypatch.setenv("COLUMNS", str(columns))
    one = add_round(begin(cases, "a very long name " * 4), today=DAY)
    advised = tuple(Advised("slide-crotch-section-down", 12.7, "left") for _ in range(6))
    update_round(one, replace(one.round(1), advised=advised, sent=DAY, waiting="client"), today=DAY)
    show_list(str(cases), as_json=False, everything=False, today=DAY)
    assert max(map(len, capsys.readouterr().out.splitlines())) <= columns


def _by_hand(name: str, old: str, new: str) -> Callable[[Path], None]:
    def edit(folder: Path) -> None:
        path = folder / name
        before = path.stat()
        text = path.read_text()
        assert old in text and len(old) == len(new)
        path.write_text(text.replace(old, new))
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))  # an unkind editor: same size, same time

    return edit


def _another_round(folder: Path) -> None:
    shutil.copytree(folder / "round-01", folder / "round-02")


def _round_in_an_empty_folder(folder: Path) -> None:
    (folder / "round-02").mkdir()
    list_cases(folder.parent)
    shutil.copy(folder / "round-01" / "round.yaml", folder / "round-02" / "round.yaml")


def _no_round(folder: Path) -> None:
    shutil.rmtree(folder / "round-01")


@pytest.mark.parametrize(
    ("change", "key", "now"),
    [
        (_by_hand("case.yaml", "name: the lamplighter", "name: the stagehandXY"), "name", "the stagehandXY"),
        (_by_hand("round-01/round.yaml", "waiting: client", "waiting: fitter"), "waiting", "fitter"),
        (_by_hand("round-01/round.yaml", "amount: 3/4 in", "amount: 1/2 in"), "advised", "tuck across back hip 1/2 in"),
        (_another_round, "round", 2),
        (_round_in_an_empty_folder, "round", 2),
        (_no_round, "round", 0),
    ],
)
def test_the_list_is_never_stale(
    cases: Path, change: Callable[[Path], None], key: str, now: object, capsys: pytest.CaptureFixture[str]
) -> None:
    """Any change by hand shows at once, even one that leaves size and time of the file as they were."""
    case = through_a_round(begin(cases))
    list_cases(cases)
    time.sleep(0.02)  # the clock of the disk ticks in hundredths
    change(case.folder)
    capsys.readouterr()
    show_list(str(cases), as_json=True, everything=False)
    assert now == json.loads(capsys.readouterr().out)["cases"][0][key]


def test_a_case_that_cannot_be_read_does_not_hide_the_others(
    many: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The list goes on, names the fault with its line, and ends with exit code 1."""
    (many / "the-prompter" / "case.yaml").write_text("schema: fitdiag.case/1\nname: [\n")
    (many / "borrowed").symlink_to(many / "the-first-fiddle")
    (many / "no-case").mkdir()
    assert 1 == show_list(str(many), as_json=False, everything=True, today=DAY)
    shown = capsys.readouterr()
    assert "the first fiddle" in shown.out
    assert re.search(r"the-prompter/case\.yaml:\d+:\d+: this is not YAML", shown.err)
    assert "borrowed: this is a link" in shown.err
    assert "no-case" not in shown.out + shown.err


def test_the_list_as_json(many: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """All cases, closed ones too, with days waited and days left."""
    assert 0 == show_list(str(many), as_json=True, everything=False, today=DAY + timedelta(days=14))
    told = json.loads(capsys.readouterr().out)
    assert ("fitdiag.case-list/1", "2026-11-16", []) == (told["schema"], told["today"], told["unreadable"])
    assert [
        ("the first fiddle", 11, 15),
        ("the stilt walker", 9, None),
        ("the lamplighter", 14, 6),
        ("the prompter", None, -4),
    ] == [(row["name"], row["days"], row["days_left"]) for row in told["cases"]]


def test_a_list_that_an_older_program_kept_goes(many: Path) -> None:
    """Names of cases stood there, which would outlive the cases."""
    (many / ".fitdiag").mkdir(exist_ok=True)
    (many / ".fitdiag" / "list.txt").write_text("the prompter")
    show_list(str(many), as_json=False, everything=False, today=DAY)
    assert not (many / ".fitdiag" / "list.txt").exists()


def test_nothing_heavy_is_loaded_before_a_case_is_read() -> None:
    """Cleaning up behind a killed command waits for neither YAML nor the rules."""
    import subprocess

    code = "import sys, fitdiag.cli.case_list, fitdiag.cli.main; print([n for n in ('yaml', 'pydantic', 'numpy') if n in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert "[]" == shown.strip()


# -- commands ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str]]:
    """A `fitdiag case` command in an empty folder: exit code, and what was shown on both streams."""
    monkeypatch.chdir(tmp_path)

    def ask(*arguments: str) -> tuple[int, str]:
        try:
            app_of("case", arguments[0])(["case", *arguments])
        except SystemExit as ended:
            code = int(ended.code or 0)
        except ProblemsFoundError as stopped:
            return 1, str(stopped)
        shown = capsys.readouterr()
        return code, shown.out + shown.err

    return ask


def test_a_day_that_has_not_come_yet_is_said_and_refuses_nothing(
    told: Callable[..., tuple[int, str]], tmp_path: Path
) -> None:
    """Tomorrow may be today somewhere; a later day is named with its file, and the case is shown all the same."""
    told("new", "the usher", "--units", "in")
    add_round(open_case(Path("cases/the-usher")))
    file, day = Path("cases/the-usher/round-01/round.yaml"), date.today()
    assert "not come yet" not in told("show", "the usher")[1]
    for ahead, said in ((1, False), (2, True)):
        text = file.read_text("utf-8")
        file.write_text(re.sub(r"(?m)^opened: .*$", f"opened: {day + timedelta(days=ahead)}", text), "utf-8")
        code, shown = told("show", "the usher")
        assert 0 == code and "Round 1" in shown
        assert said == (f"round.yaml: opened: {day + timedelta(days=2)} has not come yet" in " ".join(shown.split()))


def test_a_case_from_new_to_deleted(told: Callable[..., tuple[int, str]], tmp_path: Path) -> None:
    """The commands in the order of a case's life, each with what the fitter needs to read."""
    assert (0, "No cases here yet. Begin one: fitdiag case new 'the lamplighter'\n") == told("list")
    code, shown = told(
        "new", "the lamplighter", "--units", "in", "--body", "flat-seat", "--body", "low-seat=marked", "--measure", "hip=40",
        "--photos-consent", "yes", "--keep-until", "2099-12-01", "--note", "climbs a ladder",
    )  # fmt: skip
    assert (0, "A new case for the lamplighter: cases/the-lamplighter\nNext: fitdiag review the-lamplighter\n") == (
        code,
        shown,
    )
    through_a_round(open_case(Path("cases/the-lamplighter")))
    code, shown = told("show", "the lamplighter")
    assert 0 == code
    for part in ("Body notes: straight or flat seat; low seat (marked)", "hip 40 in", "kept until 2099-12-01", "Round 1",
                 "the client's turn", "advised: tuck across the back above the full hip line, 3/4 in", "Note: climbs"):  # fmt: skip
        assert part in shown
    assert (1, "say how it ended (add --fits, or --given-up, or --because 'in a few words')") == told(
        "close", "the lamplighter"
    )
    assert (0, "the lamplighter is closed: fits.") == (
        told("close", "the lamplighter", "--fits")[0],
        "the lamplighter is closed: fits.",
    )
    code, shown = told("list")
    assert (0, "1 closed; `fitdiag case list --all` shows them.\n") == (code, shown)
    code, shown = told("delete", "the lamplighter", "--yes")
    assert 0 == code
    assert "This deletes cases/the-lamplighter: 3 files, 0 photos among them, 1 kB." in shown
    assert not Path("cases/the-lamplighter").exists()
    assert not [path for path in Path("cases").rglob("*") if path.is_file() and "lamplighter" in path.read_text()]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--body", "flat-seet"), "there is no body note 'flat-seet' (did you mean 'flat-seat'?)"),
        (("--body", "flat-seat=verymuch"), "is not a grade of a body note"),
        (("--measure", "hips=40 in"), "did you mean"),
        (("--units", "ell"), "is not a unit to work in"),
        (("--photos-consent", "maybe"), "write yes or no"),
        (("--keep-until", "2020-01-01", "--photos-consent", "yes"), "is already past"),
        (("--keep-until", "2099-01-01"), "photos are kept only with consent"),
        (("--keep-until", "soon", "--photos-consent", "yes"), "'soon' is not a day"),
        (("--pattern", "none.yaml"), "none.yaml"),
        (("--in", "file"), "file"),
    ],
)
def test_what_new_cannot_take_is_said(
    told: Callable[..., tuple[int, str]], arguments: tuple[str, ...], says: str
) -> None:
    """One clear message, and no case is begun."""
    Path("file").write_text("x")
    code, shown = told("new", "the lamplighter", *arguments)
    assert 1 == code
    assert says in shown
    assert not Path("cases/the-lamplighter").exists()


def test_hostile_names_stay_text(told: Callable[..., tuple[int, str]]) -> None:
    """A name with terminal escapes and line ends is printed as one harmless line, in the list and in the case."""
    name = "evil\x1b[31m\x07\nYOUR TURN\u202e"
    assert 0 == told("new", name)[0]
    for command in (("list",), ("list", "--json"), ("show", name)):
        code, shown = told(*command)
        assert 0 == code
        assert all(line.isprintable() for line in shown.split("\n"))
        assert "evil?[31m? YOUR TURN?" in shown


@pytest.mark.parametrize("answer", ["", "no\n", "y\n"])
def test_delete_asks_first(
    case: Case, cases: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], answer: str
) -> None:
    """Anything but yes, and the end of the input, leaves the case as it is."""
    monkeypatch.setattr("sys.stdin", io.StringIO(answer))
    assert 1 == delete("the lamplighter", str(cases), yes=False, photos=False)
    assert "Nothing was deleted." in capsys.readouterr().out
    assert case == open_case(case.folder)


# -- delete ------------------------------------------------------------------------------------------------------------


def test_delete_follows_no_link(case: Case, tmp_path: Path) -> None:
    """What links in a case point to stays, whether file or folder, and counts neither as file nor in size."""
    away = tmp_path / "away"
    away.mkdir()
    (away / "keep.jpg").write_bytes(b"x" * 10_000)
    before = contents(case.folder)
    (case.folder / "round-01" / "photos" / "all").symlink_to(away)
    (case.folder / "round-01" / "photos" / "one.jpg").symlink_to(away / "keep.jpg")
    after = contents(case.folder)
    assert (before.files, before.size, before.photos, 2) == (after.files, after.size, after.photos, len(after.links))
    delete_case(case.folder)
    assert [away / "keep.jpg"] == list(away.iterdir())
    assert not case.folder.exists()


@pytest.mark.parametrize("make", ["empty", "other schema", "link", "linked file", "home"])
def test_only_a_case_is_deleted(tmp_path: Path, make: str) -> None:
    """A folder without a case file, a link to a case, and a case file of another kind are refused."""
    folder = tmp_path / "folder"
    real = begin(tmp_path / "cases").folder
    if make == "link":
        folder.symlink_to(real)
    else:
        folder.mkdir()
        (folder / "work.txt").write_text("mine")
    if make == "other schema":
        (folder / "case.yaml").write_text("schema: fitdiag.findings/1\n# schema: fitdiag.case/1\n")
    if make == "linked file":
        (folder / "case.yaml").symlink_to(real / "case.yaml")
    assert codes(lambda: delete_case(folder))[0] in ("no-case", "link")
    assert folder.exists()
    assert real.exists()


def test_a_broken_case_can_still_be_deleted(case: Case) -> None:
    """A case file with a fault is no reason to keep a client's photos."""
    (case.folder / "case.yaml").write_text("schema: fitdiag.case/1\nname: [\n")
    delete_case(case.folder)
    assert not case.folder.exists()


@pytest.mark.parametrize("kept", [True, False])
def test_closing_speaks_of_photos_only_where_there_are_some(told: Callable[..., tuple[int, str]], kept: bool) -> None:
    """How long they may be kept is said, with the command that deletes them, if any was taken in."""
    told("new", "the usher", "--photos-consent", "yes", "--keep-until", "2099-12-01")
    case = add_round(open_case(Path("cases/the-usher")))
    if kept:
        (case.round(1).photos / "back.jpg").write_bytes(b"a picture")
    _, shown = told("close", "the usher", "--fits")
    assert kept == ("delete the-usher --photos" in shown) == ("may be kept until" in shown)


def test_photos_alone_can_be_deleted(case: Case) -> None:
    """Pictures and the marks on them go, everything else stays, and the reminder ends."""
    photos = case.round(1).photos
    (photos / "back.jpg").write_bytes(b"x")
    (photos / "back.marks.json").write_text("{}")
    (case.round(1).documents / "drawing.png").write_bytes(b"x")
    after = delete_photos(case, DAY)
    assert [] == list(photos.iterdir())
    assert (case.round(1).documents / "drawing.png").exists()
    assert DAY == after.consent.removed
    assert not any("photos kept" in line for line in list_lines(list_cases(case.folder.parent), DAY))


# -- export ------------------------------------------------------------------------------------------------------------

SECRET = "Zebedee"


@pytest.fixture
def told_much(cases: Path, base: RuleBase) -> Case:
    """A case with a secret word in every place that takes words, and a session in its round."""
    case = begin(cases, f"{SECRET} one", notes=(f"{SECRET} two",), body={"flat-seat": "some", SECRET.lower(): "some"})
    case = through_a_round(case)
    one = case.round(1)
    with SessionLog.resume(one.log_file)[0] as log:
        log.append({"event": "body", "notes": {"flat-seat": "some", SECRET.lower(): "some"}})
        log.append(answer_event(Finding("balance-lines-dip-to-back", "yes", 19.0, 2.0, origin="asked")))
        log.append({"event": "note", "text": f"{SECRET} four"})
        log.append(
            {
                "event": "answer",
                "symptom": SECRET.lower(),
                "seen": "yes",
                "origin": "asked",
                "words": SECRET,
                "list": [SECRET],
            }
        )
        log.append(done_event(Done("tuck-across-back-hip", 12.7, 1)))
        log.append({"event": "answer", "symptom": "seat-wedgie", "seen": "yes", "origin": "asked"})
        log.append({"event": "back", "steps": 1})
    findings = Findings(
        {"seat-wedgie": Finding("seat-wedgie", "yes")}, client=f"{SECRET} five", notes=(f"{SECRET} six",)
    )
    one.findings_file.write_text(findings_text(findings, "trousers"), encoding="utf-8")
    for path in (one.photos / f"{SECRET}.jpg", one.documents / "page.html", one.plan_file, one.folder / "marks.json"):
        path.write_text(SECRET)
    case = update_round(
        case, replace(one, done=(Carried(SECRET.lower(), 3.0),), outcome={SECRET.lower(): Outcome(1.0)})
    )
    return save_case(case, replace(case, closed=Closed(DAY + timedelta(days=30), "other", f"{SECRET} seven")))


def test_an_anonymous_copy_names_nobody(told_much: Case, base: RuleBase, tmp_path: Path) -> None:
    """No name, note, photo, free word or day is in it; whatever the rules do not know may be a name."""
    export_case(told_much, tmp_path / "copy.zip", base)
    with zipfile.ZipFile(tmp_path / "copy.zip") as archive:
        parts = {entry.filename: archive.read(entry).decode() for entry in archive.infolist()}
        assert {(1980, 1, 1, 0, 0, 0)} == {entry.date_time for entry in archive.infolist()}
    inner = ("case.yaml", "round-01/findings.yaml", "round-01/round.yaml", "round-01/session.jsonl")
    assert sorted(f"case/{name}" for name in inner) == sorted(parts)
    everything = "".join([*parts, *parts.values()])
    assert SECRET.lower() not in everything.lower()
    assert "2026" not in everything
    assert LEFT_OUT in everything


def test_an_anonymous_copy_still_says_what_was_seen(told_much: Case, base: RuleBase, tmp_path: Path) -> None:
    """It opens as a case; its session replays to the same answers; days keep their distance."""
    export_case(told_much, tmp_path / "copy", base)
    copy = open_case(tmp_path / "copy")
    assert ({"flat-seat": "some"}, "a case", ()) == (copy.body, copy.name, copy.notes)
    assert told_much.round(1).since - told_much.opened == copy.round(1).since - copy.opened
    assert copy.closed == Closed(copy.opened + timedelta(days=30), "other")
    before, after = (fold(read_log(one.round(1).log_file).events, base).findings for one in (told_much, copy))
    assert (before.symptoms, before.done, before.body) == (after.symptoms, after.done, after.body)
    assert "balance-lines-dip-to-back" in after.symptoms and "seat-wedgie" not in after.symptoms
    assert ("", ()) == (after.client, after.notes)
    assert replay(read_log(copy.round(1).log_file), base).state.findings == after
    assert {"seat-wedgie"} == set(read_findings(copy.round(1).findings_file, base).symptoms)


@pytest.mark.parametrize("to", ["copy", "copy.zip"])
def test_a_whole_copy_is_the_case_without_links(told_much: Case, tmp_path: Path, to: str) -> None:
    """Every file is in it as it is; links are left out and named; an existing copy is not written over."""
    (told_much.folder / "round-01" / "photos" / "link").symlink_to("/etc")
    copied = export_case(told_much, tmp_path / to)
    assert ((Path("round-01/photos/link"),), 1) == (copied.links, copied.photos)
    if to.endswith(".zip"):
        with zipfile.ZipFile(tmp_path / to) as archive:
            archive.extractall(tmp_path / "out")
    folder = tmp_path / "out" / told_much.folder.name if to.endswith(".zip") else tmp_path / to
    assert {path: (told_much.folder / path).read_bytes() for path in copied.files} == {
        path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }
    assert codes(lambda: export_case(told_much, tmp_path / to)) == ["exists"]
    assert codes(lambda: export_case(told_much, told_much.folder / "inside")) == ["argument"]


# -- any content -------------------------------------------------------------------------------------------------------

WORDS = [
    "2026-11-02",
    "2026-99-99",
    "yes",
    "no",
    "in",
    "client",
    "3/4 in",
    "-1 cm",
    "../x",
    "a-b",
    "\x1b[31m",
    "9" * 400,
]
INNER = st.sampled_from(["date", "photos", "alteration", "amount", "hip", "x"])
PLAIN = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12) | st.sampled_from(WORDS)
VALUES = st.recursive(
    PLAIN, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(INNER, inner, max_size=3), max_leaves=6
)
CASE_KEYS = st.sampled_from(
    ["name", "garment", "units", "opened", "body", "measures", "pattern", "alone", "consent", "notes", "closed", "odd"]
)
ROUND_KEYS = st.sampled_from(
    ["opened", "waiting", "since", "sent", "form_received", "advised", "done", "outcome", "fits", "odd"]
)


def _read_or_told(text: str, read: Callable[[Any], object]) -> None:
    try:
        read(parse_yaml(text, "x.yaml"))
    except ProblemsFoundError as stopped:
        for problem in stopped.problems:
            assert str(problem).startswith("x.yaml")
            assert str(problem).isprintable()


@settings(MANY, max_examples=80)
@given(st.dictionaries(CASE_KEYS, VALUES, max_size=6))
def test_any_case_file_is_read_or_told(values: dict[str, Any]) -> None:
    """Any value under any key ends in a case that reads back the same, or in problems at their places."""

    def read(document: Any) -> None:
        case = case_in(document, Path("/nowhere/case"))
        assert case == case_in(parse_yaml(case_text(case), "x.yaml"), Path("/nowhere/case"))

    given = {"schema": "fitdiag.case/1", "name": "a", "garment": "trousers", "opened": "2026-11-02", **values}
    _read_or_told(json.dumps(given), read)


@settings(MANY, max_examples=80)
@given(st.dictionaries(ROUND_KEYS, VALUES, max_size=6))
def test_any_round_file_is_read_or_told(values: dict[str, Any]) -> None:
    """The same for a round."""

    def read(document: Any) -> None:
        one = round_in(document, 1, Path("/nowhere"))
        assert one == round_in(parse_yaml(store.round_text(one, "in"), "x.yaml"), 1, Path("/nowhere"))

    _read_or_told(json.dumps({"schema": "fitdiag.round/1", "opened": "2026-11-02", **values}), read)


@MANY
@given(st.binary(max_size=400) | st.text(max_size=400).map(str.encode))
def test_any_bytes_are_a_case_or_told(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    """A case file of any bytes never ends in a traceback, in the list either."""
    folder = tmp_path_factory.mktemp("any") / "a"
    folder.mkdir()
    (folder / "case.yaml").write_bytes(content)
    with pytest.raises(ProblemsFoundError):
        open_case(folder)
    assert [] != list(list_cases(folder.parent).problems)


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="counts open files the Linux way")
def test_no_folder_stays_open(case: Case) -> None:
    """A case is locked by its open folder, so each change lets go of it, also one that fails."""

    def count() -> int:
        return sum(1 for _ in Path("/proc/self/fd").iterdir())

    before = count()
    for number in range(5):
        case = update_round(case, replace(case.round(2), fits=number % 2 == 0))
        with suppress(ProblemsFoundError):
            update_round(case, replace(case.round(2), advised=(Advised("Not an id"),)))
    assert before == count()
