"""Two windows, and sixteen: what was acknowledged is never lost, whoever was slower; what cannot be taken in now is refused."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from crash import Ran, in_child, lay_out, warm
from crash_commands import FOLDER, NAME, NEW, PICTURES, inputs

from fitdiag import files
from fitdiag.cli import documents, review
from fitdiag.knowledge.findings_file import read_findings
from fitdiag.knowledge.load import load_rules
from fitdiag.sessions import state
from fitdiag.sessions.case import alone, open_case, update_round
from fitdiag.sessions.log import SessionLog, read_log
from fitdiag.sessions.round_log import RoundLog

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="every window is a child process")
MANY = 16
SIGNS = ("seat-wedgie", "crotch-cuts", "waist-binds", "folds-under-seat")


@pytest.fixture(scope="module", autouse=True)
def warmed(shelf: Path) -> Iterator[None]:
    """What every child needs is loaded once."""
    with warm(shelf):
        yield


@pytest.fixture
def work(tmp_path: Path) -> Path:
    """A folder with a case that has no round yet."""
    lay_out(inputs(), tmp_path / "work")
    assert 0 == in_child(tmp_path / "work", NEW).code
    return tmp_path / "work"


def seen(work: Path, name: str, note: str, sign: str) -> tuple[str, ...]:
    """A review that brings findings of its own."""
    (work / name).write_text(f"schema: fitdiag.findings/1\nsymptoms: {{{sign}: yes}}\nnotes: [{note}]\n")
    return ("review", NAME, "--findings", name, "--no-questions")


class Windows:
    """Commands at the same time, each in a process of its own."""

    def __init__(self) -> None:
        self.begun: list[tuple[int, int]] = []

    def begin(self, work: Path, arguments: tuple[str, ...], before: Callable[[], None] = lambda: None) -> None:
        """Begin a command; `before` is done in its process."""
        reads, writes = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                os.close(reads)
                before()
                ran = in_child(work, arguments)
                os.write(writes, json.dumps(ran.__dict__).encode()[:60000])
            finally:
                os._exit(0)
        os.close(writes)
        self.begun.append((child, reads))

    def end(self) -> list[Ran]:
        """How they ended, in the order they were begun."""
        ended = []
        for child, reads in self.begun:
            with os.fdopen(reads, "rb") as pipe:
                told = pipe.read()
            os.waitpid(child, 0)
            ended.append(Ran(**json.loads(told)))
        return ended


def slowly(module: object, name: str, delay_s: float) -> None:
    """A function that takes its time after it has read, and before anything is written."""
    real = getattr(module, name)

    def call(*given: object, **named: object) -> object:
        result = real(*given, **named)
        time.sleep(delay_s)
        return result

    setattr(module, name, call)


def light_documents() -> None:
    """Documents that are quickly made; how they look is not what is tried here."""
    documents.documents_of = lambda base, case, conclusion, look: {  # type: ignore[assignment]
        case.rounds[-1].documents / "client.html": "a page", case.rounds[-1].plan_file: "a plan",
    }  # fmt: skip


def test_two_reviews_at_once_are_both_taken_in(work: Path) -> None:
    """The slower one has read before the other writes: both exit 0, and what both saw stands in log and findings."""
    windows = Windows()
    for number, delay_s in enumerate((0.6, 0.0)):
        windows.begin(
            work, seen(work, f"seen-{number}.yaml", f"note {number}", SIGNS[number]),
            lambda delay_s=delay_s: (light_documents(), slowly(state, "events_of", delay_s))[0],  # type: ignore[misc]
        )  # fmt: skip
    assert [0, 0] == [ran.code for ran in windows.end()]
    one = open_case(work / FOLDER).rounds[-1]
    for found in (RoundLog.of(one).findings(load_rules()), read_findings(one.findings_file, load_rules())):
        assert set(SIGNS[:2]) <= set(found.symptoms)
        assert {"note 0", "note 1"} <= set(found.notes)


def test_sixteen_at_once_lose_nothing_that_was_acknowledged(work: Path) -> None:
    """Each brings a note of its own; every one that ended well is in the log, once, and the rest were told why."""
    windows = Windows()
    for number in range(MANY):
        windows.begin(work, seen(work, f"seen-{number}.yaml", f"note {number}", SIGNS[number % 4]), light_documents)
    ended = windows.end()
    one = open_case(work / FOLDER).rounds[-1]
    notes = list(RoundLog.of(one).findings(load_rules()).notes)
    for number, ran in enumerate(ended):
        assert "Traceback" not in ran.err
        assert 1 == notes.count(f"note {number}") if ran.code == 0 else "(" in ran.err, ran
    assert sum(ran.code == 0 for ran in ended) >= MANY // 2
    assert [] == [path for path in work.rglob("*") if ".fitdiag-" in path.name or path.name.endswith(".lock")]


def test_pictures_that_come_while_an_interview_holds_the_log_are_not_lost(work: Path) -> None:
    """The second window is told and takes nothing in; the same command afterwards measures them, and the list counts them."""
    assert 0 == in_child(work, seen(work, "seen-0.yaml", "first", "seat-wedgie")).code
    one = open_case(work / FOLDER).rounds[-1]
    with SessionLog.resume(one.log_file)[0]:
        ran = in_child(work, PICTURES)
    assert ran.code == 1 and "another interview is writing to this log" in ran.err
    assert [] == list(one.photos.iterdir())
    assert 0 == in_child(work, PICTURES).code
    found = RoundLog.of(one).findings(load_rules()).symptoms["balance-lines-dip-to-back"]
    assert ("yes", "photo") == (found.seen, found.origin)


def test_what_is_measured_counts_even_if_the_disk_was_full_at_that_moment(work: Path) -> None:
    """Whatever fails between the measuring and the log, the next review measures again, and does so only until it is in the log."""
    assert 0 == in_child(work, seen(work, "seen-0.yaml", "first", "seat-wedgie")).code
    one = open_case(work / FOLDER).rounds[-1]
    log = one.log_file.read_bytes()

    class Full(files.Disk):
        def write(self, descriptor: int, content: bytes | memoryview) -> int:
            if bytes(content).startswith(b'{"event":"measured"'):
                raise OSError(28, os.strerror(28))
            return super().write(descriptor, content)

    ran = in_child(work, PICTURES, Full)
    assert ran.code == 1 and "the disk is full" in ran.err
    assert one.log_file.read_bytes().startswith(log)
    assert 0 == in_child(work, ("review", NAME, "--no-questions")).code
    assert 0 == in_child(work, ("review", NAME, "--no-questions")).code
    lines = read_log(one.log_file).lines
    assert 1 == sum(line["event"] == "measured" for line in lines)
    assert "balance-lines-dip-to-back" in RoundLog.of(one).findings(load_rules()).symptoms


def test_marks_saved_again_with_an_older_time_are_measured_again(work: Path) -> None:
    """Copied, unzipped or saved by a clock set back: the content tells, not the time."""
    assert 0 == in_child(work, PICTURES).code
    one = open_case(work / FOLDER).rounds[-1]
    before = RoundLog.of(one).last("measured")
    marks = one.photos / "back.marks.json"
    data = json.loads(marks.read_text())
    data["lines"]["hip"] = [[x, y + 4] for x, y in data["lines"]["hip"]]
    marks.write_text(json.dumps(data))
    os.utime(marks, (0, 0))
    ran = in_child(work, ("review", NAME, "--no-questions"))
    assert ran.code == 0, ran
    assert before != RoundLog.of(one).last("measured")
    assert "Check that the right lines were followed" in ran.out


def test_a_case_deleted_while_a_review_begins_does_not_come_back(work: Path) -> None:
    """The review has read the case when it is deleted: it is told, and nothing of the folder is there again."""

    def late() -> None:
        slowly(review, "findings_given", 1.5)

    windows = Windows()
    windows.begin(work, seen(work, "seen-0.yaml", "late", "seat-wedgie"), late)
    time.sleep(0.7)
    assert 0 == in_child(work, ("case", "delete", NAME, "--yes")).code
    (ran,) = windows.end()
    assert (ran.code == 1 and "deleted or moved" in ran.err) or "no such case" in ran.err, ran
    assert not (work / FOLDER).exists()


def test_a_case_with_an_interview_open_is_not_deleted(work: Path) -> None:
    """Whoever deletes is told of the open window; once it is left, the case goes."""
    assert 0 == in_child(work, seen(work, "seen-0.yaml", "first", "seat-wedgie")).code
    with SessionLog.resume(open_case(work / FOLDER).rounds[-1].log_file)[0]:
        ran = in_child(work, ("case", "delete", NAME, "--yes"))
        assert ran.code == 1 and "open in another window" in ran.err
    assert 0 == in_child(work, ("case", "delete", NAME, "--yes")).code
    assert not (work / FOLDER).exists()


def test_a_window_that_does_not_end_is_named_after_a_wait(work: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A change waits for the other window, and then says which case it is and what to do; nothing is written."""
    before = (work / FOLDER / "case.yaml").read_bytes()
    monkeypatch.setattr(files, "WAIT_S", 0.2)
    with alone(work / FOLDER):
        ran = in_child(work, ("case", "consent", NAME, "no"), lambda: files._held.clear() or files.Disk())  # type: ignore[func-returns-value]
    assert ran.code == 1 and "another window is changing this case" in ran.err and "the-lamplighter" in ran.err
    assert before == (work / FOLDER / "case.yaml").read_bytes()


# -- files made again --------------------------------------------------------------------------------------------------


def test_a_round_broken_off_after_its_line_in_the_log_is_finished(work: Path) -> None:
    """The log says what round.yaml should hold: an old one is brought up to it, one changed by hand is left alone."""
    in_child(work, seen(work, "seen-0.yaml", "first", "seat-wedgie"))
    case = open_case(work / FOLDER)
    path = case.rounds[-1].folder / "round.yaml"
    before = path.read_bytes()
    update_round(case, replace(case.rounds[-1], fits=True))
    after = path.read_bytes()
    path.write_bytes(before)  # as if the power had gone before the file was written
    with alone(work / FOLDER):
        assert after == path.read_bytes()
    by_hand = before.replace(b"waiting: fitter", b"waiting: client")
    path.write_bytes(by_hand)
    with alone(work / FOLDER):
        assert by_hand == path.read_bytes()


def test_repair_makes_again_what_can_be_made_and_names_what_cannot(work: Path) -> None:
    """Every file beside the log but pictures and marks is made again byte for byte; a damaged one is kept aside."""
    assert 0 == in_child(work, seen(work, "seen-0.yaml", "first", "seat-wedgie")).code
    assert 0 == in_child(work, PICTURES).code
    folder = work / FOLDER / "round-01"
    made = [path for path in folder.rglob("*") if path.is_file() and path.suffix != ".jsonl"
            and path.name.rpartition(".")[0] not in ("back", "left", "back.marks", "left.marks")]  # fmt: skip
    assert len(made) >= 13
    before = {path: path.read_bytes() for path in made}
    for path in made:
        path.unlink()
    (folder / "round.yaml").write_text("schema: fitdiag.round/1\nopened: [\n")
    ran = in_child(work, ("case", "repair", NAME))
    assert ran.code == 0, ran
    assert before == {path: path.read_bytes() for path in made}
    assert "it could not be read" in " ".join(ran.out.split()) and list(folder.glob("round.yaml.damaged-1"))
    assert "Nothing to repair" in in_child(work, ("case", "repair", NAME)).out
    (folder / "photos" / "left.jpg").unlink()
    ran = in_child(work, ("case", "repair", NAME))
    assert ran.code == 1 and "left.jpg was taken in and is not there any more" in " ".join(ran.out.split())


def test_findings_changed_by_hand_are_taken_in(work: Path) -> None:
    """What the fitter writes into findings.yaml counts at the next review, as if it were given."""
    assert 0 == in_child(work, seen(work, "seen-0.yaml", "first", "seat-wedgie")).code
    one = open_case(work / FOLDER).rounds[-1]
    text = one.findings_file.read_text()
    one.findings_file.write_text(text.replace("symptoms:\n", "symptoms:\n  crotch-cuts: yes\n"))
    assert 0 == in_child(work, ("review", NAME, "--no-questions")).code
    assert "yes" == RoundLog.of(one).findings(load_rules()).symptoms["crotch-cuts"].seen
    assert "crotch-cuts" in one.findings_file.read_text()


def test_a_log_moved_away_begins_again_from_what_lies_there(work: Path) -> None:
    """As the message about `--done` says: the round's findings, pictures and turn are taken up from the files."""
    assert 0 == in_child(work, seen(work, "seen-0.yaml", "first", "seat-wedgie")).code
    one = open_case(work / FOLDER).rounds[-1]
    one.log_file.rename(work / "away.jsonl")
    assert 0 == in_child(work, ("review", NAME, "--no-questions")).code
    found = RoundLog.of(one).findings(load_rules())
    assert ("yes", ("first",)) == (found.symptoms["seat-wedgie"].seen, found.notes)
