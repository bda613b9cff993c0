"""The log of a round, line by line: what counts as taken, measured, concluded and written, and what is made of it again."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import ProblemsFoundError
from fitdiag.sessions.case_files import Advised, Case, Round
from fitdiag.sessions.log import SessionLog, apart, begin_log, day_of, read_log
from fitdiag.sessions.round_log import (
    RoundLog,
    advised_list,
    append,
    digest,
    ensure_log,
    make_files,
    round_text_in_log,
    save_round,
    settle,
)

START: dict[str, Any] = {
    "event": "start",
    "schema": "fitdiag.session/1",
    "rules": {"garment": "trousers"},
    "units": "cm",
}
DIP = {"symptom": "balance-lines-dip-to-back", "seen": "yes", "amount_mm": 12.0}
DAY = date(2026, 11, 29)


def seen(symptom: str, seen: str = "yes") -> dict[str, Any]:
    return {"event": "answer", "symptom": symptom, "seen": seen}


def taken(*events: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"event": "taken", "events": list(events), **more}


@pytest.fixture
def one(tmp_path: Path) -> Round:
    """A round of a case, with its log begun."""
    folder = tmp_path / "the-prompter" / "round-01"
    folder.mkdir(parents=True)
    (folder / "round.yaml").write_text("number: 1\n")
    begin_log(folder / "session.jsonl", "trousers", "f" * 8, client="the prompter", units="cm")
    return Round(1, folder, DAY, DAY)


def log(*lines: dict[str, Any]) -> RoundLog:
    return RoundLog((START, *lines))


CONCLUSION, DOCUMENTS = {"event": "conclusion"}, {"event": "documents", "files": {}, "advised": []}


def test_events_are_those_of_a_session_alone() -> None:
    """What came as one line stands event by event with the line's time; a head in it, or what is no event, is left out."""
    line = taken(seen("seat-wedgie"), START, {"event": "no-such"}, at="2026-11-29")  # type: ignore[arg-type]
    line["events"].append("text")
    found = list(
        apart(
            (
                START,
                line,
                {"event": "round", "text": ""},
                DOCUMENTS,
                {"event": "taken", "events": None},
                {"event": "known"},
            )
        )
    )
    assert found == [START, {**seen("seat-wedgie"), "at": "2026-11-29"}]
    assert log(line).events == tuple(found)
    for joined in ("known", "measured"):
        assert list(apart(({**line, "event": joined},))) == found[1:]


def test_the_questions_have_begun_when_something_is_known_by_other_ways() -> None:
    """Forms, pictures and files alone do not begin them; what the case knows, or an answer, does."""
    assert not log({"event": "rules"}, taken(), {"event": "measured"}, {"event": "round"}, DOCUMENTS).begun
    assert log({"event": "known", "events": []}).begun
    assert log(seen("seat-wedgie")).begun


def test_a_conclusion_counts_until_something_comes_after_it() -> None:
    """What is about files does not."""
    assert log(CONCLUSION).concluded == CONCLUSION
    assert log(CONCLUSION, DOCUMENTS, {"event": "round"}).concluded == CONCLUSION
    assert log(CONCLUSION, seen("seat-wedgie")).concluded is None
    assert log().concluded is None
    assert RoundLog().concluded is None


def test_fresh_is_what_came_since_the_documents() -> None:
    """All of it where none were written."""
    assert log(CONCLUSION).fresh == (START, CONCLUSION)
    assert log(DOCUMENTS, CONCLUSION, DOCUMENTS, seen("a"), CONCLUSION).fresh == (seen("a"), CONCLUSION)
    assert log(DOCUMENTS).fresh == ()


def test_mails_are_read_without_the_forms() -> None:
    """One after the other; a form's words stand with the form."""
    came = log(
        taken(words="The hem swings."),
        taken(words="It is for the fox.", form={"garment": "trousers"}),
        taken(words="It binds."),
    )
    assert came.mail == "The hem swings.\n\nIt binds."
    assert log().mail == ""


def test_the_last_line_of_a_kind() -> None:
    """Not the first."""
    assert log(seen("a"), seen("b"), CONCLUSION).last("answer") == seen("b")
    assert log(CONCLUSION).last("answer") is None


def test_what_was_taken_is_apart_from_what_was_asked(base: RuleBase) -> None:
    """Findings of forms and files; answers at the keyboard are in the whole alone."""
    known = log(taken(seen("seat-wedgie")), seen("crotch-cuts"), taken(seen("waist-binds", "no")))
    came = known.taken(base)
    assert came is not None
    assert {name: item.seen for name, item in came.symptoms.items()} == {"seat-wedgie": "yes", "waist-binds": "no"}
    assert set(known.findings(base).symptoms) >= {"seat-wedgie", "waist-binds", "crotch-cuts"}
    assert log(seen("seat-wedgie")).taken(base) is None
    assert log({"event": "taken", "pictures": {}}).taken(base) is None  # pictures alone


def test_what_was_measured_is_what_the_last_measuring_told(base: RuleBase) -> None:
    """Signs that the rules do not know, and what is no finding, are left out."""
    first = {"event": "measured", "findings": [{"symptom": "seat-wedgie", "seen": "yes"}]}
    last = {"event": "measured", "findings": [DIP, {"symptom": "no-such", "seen": "yes"}, 3]}
    found = log(first, last).measured(base)
    assert found is not None
    assert list(found.symptoms) == ["balance-lines-dip-to-back"]
    assert log().measured(base) is None
    nothing = log({"event": "measured", "findings": None}).measured(base)
    assert nothing is not None
    assert nothing.symptoms == {}


def test_the_same_pictures_with_the_same_marks_are_not_measured_again() -> None:
    """Another picture, other marks, or one fewer are."""
    measured = log({"event": "measured", "pictures": {"a.jpg": ["1", "2"], "b.jpg": ["3", ""]}})
    assert measured.holds({"a.jpg": ("1", "2"), "b.jpg": ["3", ""]})
    for other in ({"a.jpg": ("1", "2")}, {"a.jpg": ("1", "4"), "b.jpg": ("3", "")}, {}):
        assert not measured.holds(other)
    assert not log().holds({})


def test_the_words_of_all_forms_stand_once_line_by_line() -> None:
    """Empty lines are left out, and a line is cut where it is too long to show."""
    told = log(
        taken(words="It pulls.\n\nAt the back\n"),
        taken(words="At the back\nwhen I sit"),
        taken(words=None),
        {"event": "note", "words": "no"},
    )
    assert told.words == ["It pulls.", "At the back", "when I sit"]
    assert len(log(taken(words="x" * 600)).words[0]) <= 481
    assert log().words == []


def test_pictures_are_known_by_name_and_content() -> None:
    """The latest content of a name counts; only what was taken in."""
    found = log(
        taken(pictures={"a": "1", "b": "2"}),
        taken(pictures={"a": "3"}),
        {"event": "measured", "pictures": {"c": ["4"]}},
        taken(),
    )
    assert found.pictures == {"a": "3", "b": "2"}


def test_documents_are_of_the_list_they_were_made_of() -> None:
    """Amounts to a thousandth of a millimetre."""
    advised = (Advised("take-waist-in", 12.70004, "both"), Advised("grain-up", None, "left"))
    made = log({**DOCUMENTS, "advised": advised_list(advised)})
    assert made.written(advised)
    assert made.written((Advised("take-waist-in", 12.7, "both"), advised[1]))
    assert not made.written(advised[:1])
    assert not made.written((Advised("take-waist-in", 12.71, "both"), advised[1]))
    assert not made.written(
        (Advised("take-waist-in", 12.70004, "both", less=True), advised[1])
    )  # shorter is not longer
    assert not log().written(advised)
    assert not log().written(())


def test_documents_missing_or_older_are_to_be_written_and_a_fitters_hand_is_kept(one: Round) -> None:
    """What a hand changed is neither missing nor old."""
    one.documents.mkdir(exist_ok=True)
    now, old = (
        {name: digest(f"{name} now".encode()) for name in ("a.html", "b.html", "c.html", "d.html")},
        digest(b"b.html then"),
    )
    for name, text in (("a.html", "a.html now"), ("b.html", "b.html then"), ("c.html", "by hand")):
        (one.documents / name).write_text(text)
    one.plan_file.parent.mkdir(exist_ok=True)
    now[one.plan_file.name] = digest(b"the plan")
    made = log({"event": "documents", "files": {"b.html": old}}, {"event": "documents", "files": now})
    assert {path.name for path in made.unwritten(one)} == {"b.html", "d.html", one.plan_file.name}
    one.plan_file.write_text("the plan")
    assert {path.name for path in made.unwritten(one)} == {"b.html", "d.html"}
    assert log().unwritten(one) == []


def test_files_of_a_round_are_made_again_where_they_are_missing_or_differ(one: Round, base: RuleBase) -> None:
    """Findings, what was measured and the client's words; what is as the log says is left alone."""
    form = taken(seen("seat-wedgie"), words="It pulls.\nWhen I sit")
    append(one, form, {"event": "measured", "findings": [DIP]})
    made = make_files(one, base, "cm")
    assert {path.name for path in made} == {"findings.yaml", "measured.yaml", "form.txt"}
    assert (one.folder / "form.txt").read_text() == "It pulls.\nWhen I sit\n"
    assert "seat-wedgie" in one.findings_file.read_text()
    assert "balance-lines-dip-to-back" in (one.folder / "measured.yaml").read_text()
    assert make_files(one, base, "cm") == []
    (one.folder / "form.txt").unlink()
    one.findings_file.write_text("by hand")
    assert make_files(one, base, "cm", missing_only=True) == [one.folder / "form.txt"]
    assert one.findings_file.read_text() == "by hand"
    assert make_files(one, base, "cm") == [one.findings_file]


def test_findings_changed_by_hand_are_known_from_every_state_of_the_log(one: Round, base: RuleBase) -> None:
    """As the log makes it now, or made it after an earlier form, also with the line ends of another system: not by hand."""
    append(one, taken(seen("seat-wedgie")))
    make_files(one, base, "cm")
    earlier = one.findings_file.read_bytes()
    append(one, taken(seen("crotch-cuts")))
    now = RoundLog.of(one)
    assert not now.changed_by_hand(one, base, "cm")
    make_files(one, base, "cm")
    assert one.findings_file.read_bytes() != earlier
    assert not now.changed_by_hand(one, base, "cm")
    one.findings_file.write_bytes(one.findings_file.read_bytes().replace(b"\n", b"\r\n"))
    assert not now.changed_by_hand(one, base, "cm")
    one.findings_file.write_bytes(earlier.replace(b"seat-wedgie", b"waist-binds"))
    assert now.changed_by_hand(one, base, "cm")
    one.findings_file.unlink()
    assert not now.changed_by_hand(one, base, "cm")
    one.findings_file.write_text("an older program's")
    assert log().changed_by_hand(one, base, "cm")
    assert not log(seen("seat-wedgie")).changed_by_hand(
        one, base, "cm"
    )  # begun, and nothing taken: it is the fitter's own file


def test_a_round_without_a_log_holds_nothing(tmp_path: Path) -> None:
    """And one with a log holds its lines."""
    empty = Round(1, tmp_path, DAY, DAY)
    assert RoundLog.of(empty) == RoundLog()
    begin_log(empty.log_file, "trousers", "f", client="", units="cm", events=[CONCLUSION])
    assert [line["event"] for line in RoundLog.of(empty).lines] == ["start", "conclusion"]


def test_a_rounds_text_stands_in_the_log_before_it_is_written(one: Round) -> None:
    """With what the file was; the same text again adds nothing; a round without a log gets one."""
    was, case = digest(b"number: 1\n"), Case(one.folder.parent, "the prompter", "skirt", "in", DAY)
    save_round(case, one, "number: 1\nwaiting: client\n", "f")
    line = read_log(one.log_file).lines[-1]
    assert (line["event"], line["was"], line["text"]) == ("round", was, "number: 1\nwaiting: client\n")
    assert (one.folder / "round.yaml").read_text() == line["text"] == round_text_in_log(one.folder)
    size = one.log_file.stat().st_size
    save_round(case, one, "number: 1\nwaiting: client\n", "f")
    assert one.log_file.stat().st_size == size
    one.log_file.unlink()
    (one.folder / "round.yaml").unlink()
    save_round(case, one, "number: 2\n", "abc")
    begun = read_log(one.log_file)
    assert [line["event"] for line in begun.lines] == ["start", "round"]
    assert (begun.head["client"], begun.head["units"], begun.head["rules"]["garment"]) == (
        "the prompter",
        "in",
        "skirt",
    )
    assert begun.lines[1]["was"] == ""


def test_a_log_moved_away_is_begun_with_the_rounds_text(one: Round) -> None:
    """One that is there is left as it is."""
    case = Case(one.folder.parent, "the prompter", "trousers", "cm", DAY)
    before = one.log_file.read_bytes()
    ensure_log(case, one, "f")
    assert one.log_file.read_bytes() == before
    one.log_file.unlink()
    assert round_text_in_log(one.folder) is None
    ensure_log(case, one, "f")
    assert round_text_in_log(one.folder) == "number: 1\n"


@pytest.mark.parametrize(
    ("there", "was", "text", "settled"),
    [
        ("old\n", "old\n", "new\n", True),  # broken off after the line
        ("new\n", "old\n", "new\n", False),  # written
        ("by hand\n", "old\n", "new\n", False),
        (None, "old\n", "new\n", True),  # missing
        ("", "", "new\n", True),
        ("old\n", "old\n", None, False),  # no text in the line
    ],
)
def test_a_writing_broken_off_is_finished(
    one: Round, there: str | None, was: str, text: str | None, settled: bool
) -> None:
    """And a hand's is not undone."""
    place = one.folder / "round.yaml"
    place.unlink()
    if there is not None:
        place.write_text(there)
    append(one, {"event": "round", "was": digest(was.encode()) if was else "", "text": text})
    settle(one.folder)
    assert (place.read_text() if place.exists() else None) == (text if settled else there)
    assert round_text_in_log(one.folder) == text


def test_without_a_readable_log_nothing_is_finished(one: Round) -> None:
    """Whoever needs it is told."""
    before = (one.folder / "round.yaml").read_text()
    settle(one.folder)
    one.log_file.write_text("no log\n")
    settle(one.folder)
    one.log_file.unlink()
    settle(one.folder)
    assert (one.folder / "round.yaml").read_text() == before


# -- the log itself --------------------------------------------------------------------------------------------------------


def test_an_event_is_one_line_with_its_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In ASCII, without a space, stamped to the second."""
    path = tmp_path / "a.jsonl"
    begin_log(path, "trousers", "f", client="Zoë", units="cm")
    begun = path.read_bytes()
    monkeypatch.setattr("fitdiag.sessions.log.now", lambda: datetime(2026, 11, 29, 12, 0, 0, 999, UTC))
    with SessionLog.resume(path)[0] as open_log:
        stamped = open_log.append(seen("seat-wedgie"))
        assert open_log.is_there
    assert stamped == {**seen("seat-wedgie"), "at": "2026-11-29T12:00:00+00:00"}
    line = path.read_bytes().removeprefix(begun)
    assert line == json.dumps(stamped, separators=(",", ":")).encode() + b"\n"
    assert b"Zo\\u00eb" in begun


@pytest.mark.parametrize(
    ("event", "day"),
    [
        ({"at": "2026-11-29T23:59:59+00:00"}, DAY),
        ({"at": "2026-11-29"}, DAY),
        ({"at": "yesterday"}, None),
        ({"at": 20261129}, None),
        ({}, None),
    ],
)
def test_an_event_says_its_day_if_its_line_is_whole(event: dict[str, Any], day: date | None) -> None:
    """A line that a hand has damaged says none, and stops nobody."""
    assert day_of(event) == day


def test_what_was_torn_off_is_cut_and_what_only_lacks_its_end_is_kept(tmp_path: Path) -> None:
    """After a half line, after a whole one without line end, after a byte order mark."""
    path = tmp_path / "a.jsonl"
    begin_log(path, "trousers", "f", client="", units="cm", events=[seen("a")])
    whole = path.read_bytes()
    for content, events, size, ends_open in (
        (whole, 2, len(whole), False), (whole + b'{"event":"answ', 2, len(whole), False), (whole[:-1], 2, len(whole) - 1, True),
        (b"\xef\xbb\xbf" + whole, 2, len(whole) + 3, False), (b"\xef\xbb\xbf" + whole[:-1], 2, len(whole) + 2, True),
        (whole + '{"event":"note","text":"Zoë"}'.encode(), 2, len(whole), False),
    ):  # fmt: skip
        path.write_bytes(content)
        found = read_log(path)
        assert (len(found.lines), found.whole_bytes, found.ends_open) == (events, size, ends_open)
        with SessionLog.resume(path)[0] as open_log:
            open_log.append(seen("b"))
        assert [line.get("symptom") for line in read_log(path).events] == [None, "a", "b"]


def test_lines_that_are_no_events_are_named_up_to_two_hundred(tmp_path: Path) -> None:
    """Each with its number; then reading stops."""
    path = tmp_path / "a.jsonl"
    begin_log(path, "trousers", "f", client="", units="cm")
    head = path.read_text()
    path.write_text(head + "no event\n" + json.dumps(seen("a")) + "\n{}\n")
    with pytest.raises(ProblemsFoundError) as stopped:
        read_log(path)
    assert [problem.where.line for problem in stopped.value.problems[:-1] if problem.where] == [2, 4]
    path.write_text(head + "no event\n" * 300)
    with pytest.raises(ProblemsFoundError) as stopped:
        read_log(path)
    assert len(stopped.value.problems) == 201
    for text, told in (("no\n", "not a session log"), ("", "empty"), (json.dumps(seen("a")) + "\n", "schema: missing"),
                       (json.dumps({**START, "rules": 3}) + "\n", "names no rules")):  # fmt: skip
        path.write_text(text)
        with pytest.raises(ProblemsFoundError, match=told):
            read_log(path)


def test_a_log_is_gone_on_with_by_one_and_only_where_it_may_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two that write would mix their answers; and a disk that takes nothing is told before the first question."""
    path = tmp_path / "one.jsonl"
    begin_log(path, "trousers", "0", client="", units="cm")
    monkeypatch.setattr("fitdiag.sessions.log._BUSY_S", 0.0)
    first, _ = SessionLog.resume(path)
    with first, pytest.raises(ProblemsFoundError, match="another interview"):
        SessionLog.resume(path)

    def refused(log: SessionLog, path: Path) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(SessionLog, "__init__", refused)
    with pytest.raises(ProblemsFoundError, match="cannot be saved"):
        SessionLog.resume(path)
