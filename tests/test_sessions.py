"""Session logs: what a crash, a full disk, a forbidden folder, a changed file and a changed rule base do to them."""

from __future__ import annotations

import errno
import json
import os
import resource
import select
import shutil
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from forked import in_pipes, piped
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from running import ended

from fitdiag import __version__
from fitdiag.cli.lists import findings_given
from fitdiag.knowledge.folders import default_rules, rules_for
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import ProblemsFoundError
from fitdiag.sessions.log import KINDS, SCHEMA, SessionLog, read_log
from fitdiag.sessions.replay import replay
from fitdiag.sessions.state import conclude, conclusion_event, fold

pytestmark = pytest.mark.usefixtures("fewer_worlds")
COMMAND = (sys.executable, "-m", "fitdiag")
TO_THE_QUESTIONS = ("", "", "")
WHOLE = (*TO_THE_QUESTIONS, "one", "1 left", "", "2", "3", "note hem is only tacked", "4", "stop")


def fitdiag(*arguments: str | Path, cwd: Path, typed: tuple[str, ...] = (), under: tuple[str, ...] = (), most: int | None = None
            ) -> subprocess.CompletedProcess[str]:  # fmt: skip
    """Run the program with lines typed into a pipe; `most`: no file may grow beyond so many bytes."""
    words, text = [str(part) for part in arguments], "".join(f"{line}\n" for line in typed)
    if not under:
        limit = (resource.RLIM_INFINITY if most is None else most,) * 2
        return piped(cwd, *words, typed=text, before=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit))
    command = (*under, *COMMAND, *words)
    return subprocess.run(command, cwd=cwd, input=text, capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
def refused(capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """A command that must be refused, in this process: its message, after the exit code and the output were looked at."""

    def ask(*arguments: str | Path) -> str:
        capsys.readouterr()
        handlers = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGHUP)}
        code = ended(*arguments)
        for number, handler in handlers.items():
            signal.signal(number, handler)
        shown = capsys.readouterr()
        assert (code, shown.out) == (1, "")
        assert shown.err.strip()
        return shown.err

    return ask


def events_of(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="ascii").splitlines()]


def one_clear_message(done: subprocess.CompletedProcess[str], *parts: str) -> None:
    """One line on the error stream that says all of `parts`, an exit code that is not 0, and no traceback."""
    assert done.returncode == 1
    assert "Traceback" not in done.stderr + done.stdout
    assert len(done.stderr.strip().splitlines()) == 1, done.stderr
    for part in parts:
        assert part in done.stderr


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished session, held through a pipe."""
    path = tmp_path_factory.mktemp("held") / "session.jsonl"
    done = fitdiag("interview", "--log", path, cwd=path.parent, typed=WHOLE)
    assert (done.returncode, done.stderr) == (0, "")
    return path


@pytest.fixture
def log(held: Path, tmp_path: Path) -> Path:
    """A copy of the finished session, to be maltreated."""
    return Path(shutil.copy(held, tmp_path / "session.jsonl"))


# -- what is in a log --------------------------------------------------------------------------------------------------


def test_the_head_says_what_wrote_it_and_by_which_rules(held: Path, base: RuleBase) -> None:
    """The first line holds schema, program version, garment and fingerprint; the file is for its owner only."""
    head = events_of(held)[0]
    assert (SCHEMA, __version__) == (head["schema"], head["program"])
    assert {"garment": base.about.garment, "fingerprint": base.fingerprint} == head["rules"]
    assert stat.S_IMODE(held.stat().st_mode) == 0o600


def test_answers_carry_their_origin(tmp_path: Path, base: RuleBase) -> None:
    """What was volunteered, asked and taken from a file is told apart in the log."""
    log = tmp_path / "a.jsonl"
    fitdiag("interview", "--log", log, cwd=tmp_path, typed=("", "", "seat-wedgie", "", "1 no", "stop"))
    assert [event["origin"] for event in events_of(log) if event["event"] == "answer"] == ["volunteered", "asked"]
    (tmp_path / "findings.yaml").write_text("schema: fitdiag.findings/1\nsymptoms: {seat-wedgie: yes}\n")
    done = fitdiag("interview", "--answers", "findings.yaml", "--log", "b.jsonl", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert [event["origin"] for event in events_of(tmp_path / "b.jsonl") if event["event"] == "answer"] == ["file"]


def test_every_event_is_stamped_with_its_time(log: Path) -> None:
    """Each line says when it was written, in UTC."""
    assert all(event["at"].endswith("+00:00") for event in events_of(log))


def test_an_existing_file_is_never_overwritten(tmp_path: Path, log: Path, refused: Callable[..., str]) -> None:
    """A new interview on a taken name is refused with a way to go on, and the file stays as it was."""
    before = log.read_bytes()
    said = refused("interview", "--log", log)
    assert "already" in said
    assert f"fitdiag interview --resume {log}" in said
    findings = tmp_path / "findings.yaml"
    findings.write_text("schema: fitdiag.findings/1\nsymptoms: {seat-wedgie: yes}\n")
    assert "already" in refused("interview", "--answers", findings, "--log", log)
    assert before == log.read_bytes()


# -- crashes -----------------------------------------------------------------------------------------------------------


class Piped:
    """An interview in a child process, fed line by line, that can be killed at any moment."""

    def __init__(self, cwd: Path, *arguments: str) -> None:
        self.process = in_pipes(cwd, "interview", *arguments)
        self.shown, self.taken = "", -1

    def until_asked(self) -> None:
        """Read until the program waits for a line."""
        assert self.process.stdout is not None
        descriptor = self.process.stdout.fileno()
        ends = time.monotonic() + 30
        while len(self.shown) <= self.taken or not self.shown.endswith("\n> "):
            assert select.select([descriptor], [], [], max(0.0, ends - time.monotonic()))[0], self.shown
            part = os.read(descriptor, 65536)
            assert part, self.shown
            self.shown += part.decode()

    def type(self, text: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(text.encode())
        self.process.stdin.flush()

    def answer(self, *lines: str) -> None:
        for line in lines:
            self.until_asked()
            self.taken = len(self.shown)
            self.type(f"{line}\n")
        self.until_asked()

    def kill(self) -> str:
        """End it as a power cut would, and return everything it had said."""
        self.process.kill()
        rest, _ = self.process.communicate(timeout=30)
        assert self.process.returncode == -signal.SIGKILL
        return self.shown + rest.decode()


def counted(path: Path) -> int:
    return sum(1 for event in read_log(path).events if event["event"] == "answer")


@pytest.mark.parametrize("answers", [0, 3])
def test_a_kill_between_answers_loses_none(tmp_path: Path, base: RuleBase, answers: int) -> None:
    """After kill -9 while a question is on, every answer is in the log, and --resume stands before the same question."""
    child = Piped(tmp_path, "--log", "a.jsonl")
    child.answer(*TO_THE_QUESTIONS, *["1 no"] * answers)
    question = child.shown.rpartition("\n\n")[2]
    child.kill()
    assert answers == counted(tmp_path / "a.jsonl")
    again = Piped(tmp_path, "--resume", "a.jsonl")
    again.until_asked()
    assert question.splitlines()[-3:] == again.shown.splitlines()[-3:]
    again.answer("1 no")
    again.kill()
    assert answers + 1 == counted(tmp_path / "a.jsonl")


def test_a_kill_in_the_middle_of_typing_loses_only_the_line(tmp_path: Path) -> None:
    """A half-typed answer is not in the log; all before it are."""
    child = Piped(tmp_path, "--log", "a.jsonl")
    child.answer(*TO_THE_QUESTIONS, "1 no", "1 no")
    child.type("3/4 i")
    child.kill()
    assert counted(tmp_path / "a.jsonl") == 2
    assert read_log(tmp_path / "a.jsonl").whole_bytes == (tmp_path / "a.jsonl").stat().st_size


@pytest.mark.parametrize("moment", [0.0, 0.01, 0.05])
def test_a_kill_while_an_answer_is_taken_loses_no_acknowledged_one(tmp_path: Path, moment: float) -> None:
    """Killed while a heap of lines is being worked through: whatever was acknowledged on the screen is in the log."""
    child = Piped(tmp_path, "--log", "a.jsonl")
    child.answer(*TO_THE_QUESTIONS)
    child.type("2\n" * 40)
    time.sleep(moment)
    acknowledged = child.kill().count("\nSo far")
    log = tmp_path / "a.jsonl"
    assert acknowledged <= counted(log) <= acknowledged + 1
    done = fitdiag("interview", "--resume", log, cwd=tmp_path, typed=("stop",))
    assert (done.returncode, done.stderr) == (0, "")


def test_a_yes_is_saved_before_its_amount_is_asked(tmp_path: Path, base: RuleBase) -> None:
    """Killed at "how much is it?", the sign is in the log as seen, and --resume asks for the amount."""
    child = Piped(tmp_path, "--log", "a.jsonl")
    child.answer("", "", "balance-lines-dip-to-back")
    assert "How much is it?" in child.shown
    child.kill()
    seen = fold(read_log(tmp_path / "a.jsonl").events, base).findings.symptoms["balance-lines-dip-to-back"]
    assert (seen.seen, seen.amount_mm) == ("yes", None)
    again = Piped(tmp_path, "--resume", "a.jsonl")
    again.until_asked()
    assert "How much is it?" in again.shown
    again.answer("3/4 in")
    again.kill()
    findings = fold(read_log(tmp_path / "a.jsonl").events, base).findings
    assert pytest.approx(19.05) == findings.symptoms["balance-lines-dip-to-back"].amount_mm


# -- the disk ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("most", (1500, 1517, 1540))
def test_a_disk_that_fills_up_keeps_every_answer_before(tmp_path: Path, base: RuleBase, most: int) -> None:
    """When no more can be written, one message says so, and the log ends with the last whole answer."""
    done = fitdiag(
        "interview", "--log", "a.jsonl", cwd=tmp_path, typed=(*TO_THE_QUESTIONS, "one", *["3"] * 20, "stop"), most=most
    )
    one_clear_message(done, "cannot be saved", "every answer before it is saved", "fitdiag interview --resume a.jsonl")
    path = tmp_path / "a.jsonl"
    assert path.read_bytes().endswith(b"\n")
    assert done.stdout.count("\nSo far") == counted(path)
    again = fitdiag("interview", "--resume", "a.jsonl", cwd=tmp_path, typed=("one", "3", "stop"))
    assert (again.returncode, again.stderr) == (0, "")
    assert done.stdout.count("\nSo far") + 1 == counted(path)


@pytest.mark.parametrize("alone", [True, False])
def test_a_new_log_says_whether_she_fits_herself(alone: bool, tmp_path: Path) -> None:
    """Said in the first line where it is so, and nothing of it where it is not."""
    log = SessionLog.create(tmp_path / "a.jsonl", load_rules(default_rules()), client="", units="in", alone=alone)
    log.close()
    assert read_log(tmp_path / "a.jsonl").head.get("alone", False) is alone


def test_an_answer_for_a_log_that_was_moved_away_is_refused(tmp_path: Path) -> None:
    """Nobody is left to believe that it is saved: the message says so, and that the log is to be put back."""
    path = tmp_path / "a.jsonl"
    with SessionLog.create(path, load_rules(default_rules()), client="", units="in") as log:
        path.rename(tmp_path / "b.jsonl")
        with pytest.raises(ProblemsFoundError, match="not saved"):
            log.append({"event": "note", "text": "one more"})
    assert "one more" not in (tmp_path / "b.jsonl").read_text()


def test_a_log_that_cannot_even_begin_leaves_nothing_behind(tmp_path: Path) -> None:
    """On a full disk a new interview is refused at once, without "saved" in the message and without an empty file."""
    done = fitdiag("interview", "--log", "a.jsonl", cwd=tmp_path, typed=("",), most=20)
    one_clear_message(done, "cannot be written", "--log")
    assert "is saved" not in done.stderr
    assert not (tmp_path / "a.jsonl").exists()


FILLED = """
mount -t tmpfs -o size=8k tmpfs "$1" && cd "$1" && shift || exit 99
"$@" interview --log a.jsonl < ../typed > ../shown 2> ../said
code=$?
cp a.jsonl ../kept.jsonl
exit $code
"""


def test_a_full_disk_is_named(tmp_path: Path) -> None:
    """On a disk that is really full the message says so, and nothing that was said is lost."""
    (tmp_path / "disk").mkdir()
    (tmp_path / "typed").write_text(
        "\n".join(TO_THE_QUESTIONS) + "\n" + "".join(f"1 no\nnote {'y' * 400}\n" for _ in range(30))
    )
    try:
        done = subprocess.run(
            ("unshare", "--mount", "sh", "-c", FILLED, "sh", str(tmp_path / "disk"), *COMMAND),
            timeout=60, check=False, capture_output=True, cwd=tmp_path,
        )  # fmt: skip
    except FileNotFoundError:
        pytest.skip("there is no unshare here to mount a small disk with; the size limit above tests the same path")
    if done.returncode == 99 or b"unshare" in done.stderr:
        pytest.skip("mounting is not allowed here; the size limit above tests the same path")
    said = (tmp_path / "said").read_text()
    assert (done.returncode, len(said.splitlines())) == (1, 1)
    assert "the disk is full; every answer before it is saved" in said
    assert counted(tmp_path / "kept.jsonl") > 0
    assert (tmp_path / "shown").read_text().count("\nNoted") == sum(
        1 for event in read_log(tmp_path / "kept.jsonl").events if event["event"] == "note"
    )


@pytest.fixture
def mere_mortal() -> tuple[str, ...]:
    """What to put before a command so that file modes count for it even if the tests run as root."""
    if os.geteuid() != 0:
        return ()
    if shutil.which("setpriv") is None:
        pytest.skip("root may write anywhere, and there is no setpriv here to take that away")
    return (
        "setpriv",
        "--bounding-set",
        "-dac_override,-dac_read_search",
        "--inh-caps",
        "-dac_override,-dac_read_search",
    )


def test_a_folder_that_may_not_be_written_is_named(tmp_path: Path, mere_mortal: tuple[str, ...]) -> None:
    """In a read-only folder one message says where and what to do; nothing is left behind."""
    folder = tmp_path / "shelf"
    folder.mkdir(mode=0o555)
    for arguments, cwd in (
        (("--log", folder / "a.jsonl"), tmp_path),
        ((), folder),
        (("--log", folder / "b" / "a.jsonl"), tmp_path),
    ):
        done = fitdiag("interview", *arguments, cwd=cwd, typed=("",), under=mere_mortal)
        one_clear_message(done, "cannot be ", "not allowed", "--log")
    assert list(folder.iterdir()) == []


def test_a_folder_that_may_not_be_looked_into_is_named(tmp_path: Path, mere_mortal: tuple[str, ...]) -> None:
    """A log in a closed folder, or one that may be read only, cannot be begun or gone on with, and the message says so."""
    folder = tmp_path / "closed"
    folder.mkdir(mode=0)
    one_clear_message(
        fitdiag("interview", "--log", folder / "a.jsonl", cwd=tmp_path, under=mere_mortal),
        "cannot be written",
        "not allowed",
    )
    folder.chmod(0o755)
    path = folder / "a.jsonl"
    fitdiag("interview", "--log", path, cwd=tmp_path, typed=("", "stop"))
    path.chmod(0o400)
    before = path.read_bytes()
    done = fitdiag("interview", "--resume", path, cwd=tmp_path, typed=("stop",), under=mere_mortal)
    one_clear_message(done, "not allowed")
    assert "--log" not in done.stderr
    assert before == path.read_bytes()


@pytest.mark.parametrize("name", ["taken/a.jsonl", "x" * 300, "."])
def test_a_name_that_cannot_be_a_log_is_refused(
    tmp_path: Path, refused: Callable[..., str], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """A folder that is a file, a name that is too long, a folder itself: one message each."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "taken").write_text("a shopping list")
    assert refused("interview", "--log", name).count("\n") == 1
    assert (tmp_path / "taken").read_text() == "a shopping list"


# -- torn and changed files --------------------------------------------------------------------------------------------


def test_a_log_cut_anywhere_in_its_last_line_is_gone_on_with(log: Path, base: RuleBase) -> None:
    """Cut at every byte of the last line, a log reads as if the torn line had not been, and the next event fits on."""
    whole = log.read_bytes()
    start = whole.rstrip(b"\n").rfind(b"\n") + 1
    before = read_log(log).events
    for cut in range(start, len(whole) + 1):
        log.write_bytes(whole[:cut])
        kept = before if cut >= len(whole) - 1 else before[:-1]  # only the line end is missing: the line is whole
        assert kept == read_log(log).events
        with SessionLog.resume(log)[0] as opened:
            opened.append({"event": "note", "text": "after"})
        assert [*kept, "after"] == [*read_log(log).events[:-1], read_log(log).events[-1]["text"]]
        assert log.read_bytes().startswith(whole[:start])


@pytest.mark.parametrize(
    "tail",
    [
        b"\0" * 4096,
        b"\0",
        b'{"event":"no\0\0\0',
        b'{"event":"note","text":"\xc3',
        b'{"event":"note","text":"\xff"}',
        b"\xff\xfe",
        b'{"event',
    ],
)
def test_what_a_crash_leaves_at_the_end_is_read_over(log: Path, tail: bytes) -> None:
    """Zero bytes and half a character behind the last line end cost nothing, and are gone after the next event."""
    whole = log.read_bytes()
    before = read_log(log).events
    log.write_bytes(whole + tail)
    assert before == read_log(log).events
    with SessionLog.resume(log)[0] as opened:
        opened.append({"event": "note", "text": "after"})
    assert log.read_bytes().startswith(whole)
    assert len(before) + 1 == len(read_log(log).events)
    assert b"\0" not in log.read_bytes()


def test_a_byte_order_mark_costs_nothing(log: Path) -> None:
    """A log saved again by an editor that sets a byte-order mark is gone on with, and no byte of it is cut off."""
    whole = b"\xef\xbb\xbf" + log.read_bytes()
    log.write_bytes(whole)
    with SessionLog.resume(log)[0] as opened:
        opened.append({"event": "note", "text": "after"})
    assert log.read_bytes().startswith(whole)
    assert read_log(log).events[-1]["text"] == "after"


def test_a_torn_head_is_an_empty_log(tmp_path: Path, base: RuleBase, refused: Callable[..., str]) -> None:
    """A log of which only half the head was written is told to be empty; nothing is guessed."""
    path = tmp_path / "a.jsonl"
    SessionLog.create(path, base, client="", units="in").close()
    path.write_bytes(path.read_bytes()[:40])
    assert "empty" in refused("interview", "--resume", path)


@pytest.mark.parametrize(
    "line", ["", "{}", '{"event":"dance"}', "not json", "[1]", '"event"', '{"event":["note"]}', "[" * 9000]
)
def test_a_changed_line_in_the_middle_is_named(log: Path, refused: Callable[..., str], line: str) -> None:
    """Every line that is no event is named by its number, all at once, and nothing is changed."""
    lines = log.read_text().splitlines()
    lines[2] = lines[4] = line
    log.write_text("\n".join(lines) + "\n")
    before = log.read_bytes()
    for command in (("replay",), ("interview", "--resume")):
        said = refused(*command, log)
        for number in (3, 5):
            assert f"{log}:{number}:1: " in said
        assert f"{log}:4:" not in said
    assert before == log.read_bytes()


NO_LOGS = (
    b"", b"\n", b"\x89PNG\r\n\x1a\n", b"a: b\n", b"[]\n", b"\0\0\0", b'{"event":"note"}\n',
    b'{"event":"start","schema":"fitdiag.session/99"}\n', b'{"event":"start","schema":"fitdiag.session/1"}\n',
)  # fmt: skip


@pytest.mark.parametrize("content", NO_LOGS)
def test_what_is_no_session_log_is_refused(tmp_path: Path, refused: Callable[..., str], content: bytes) -> None:
    """An empty file, a picture, another schema: one message, exit code 1, and the file is not touched."""
    path = tmp_path / "a.jsonl"
    path.write_bytes(content)
    for command in (("replay",), ("interview", "--resume")):
        said = refused(*command, path)
        assert said.startswith(str(path))
        assert said.count("\n") == 1
    assert content == path.read_bytes()


def test_a_folder_or_nothing_at_all_is_refused(tmp_path: Path, refused: Callable[..., str]) -> None:
    """--resume of a folder or of a name that is not there says so."""
    assert "folder" in refused("interview", "--resume", tmp_path)
    assert "no such" in refused("interview", "--resume", tmp_path / "nothing.jsonl")
    assert not (tmp_path / "nothing.jsonl").exists()


values = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 5000) | st.floats() | st.sampled_from(["yes", "no", "left", "in", "marked", "hip", ""])
    | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["hip", "flat-seat", "x"]), inner, max_size=3),
    max_leaves=4,
)  # fmt: skip
KEYS = ("symptom", "seen", "amount_mm", "error_mm", "severity", "side", "origin", "alteration", "round", "notes", "ended", "steps", "text",
        "body", "pattern", "tables", "client", "units", "awaits", "causes", "recommendations", "leave_alone", "rules")  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_hand_made_events_never_break_the_fold(base: RuleBase, data: st.DataObject) -> None:
    """Whatever stands in the fields of an event, the fold and the conclusion come out; what cannot be read is listed."""
    known = st.sampled_from(["balance-lines-dip-to-back", "seat-wedgie", "tuck-across-back-hip", "flat-seat"])
    event = st.builds(
        lambda kind, fields, rule: {"symptom": rule, "alteration": rule, "seen": "yes", **fields, "event": kind},
        st.sampled_from(KINDS), st.dictionaries(st.sampled_from(KEYS), values, max_size=6), known,
    )  # fmt: skip
    events = data.draw(st.lists(event, max_size=8))
    state = fold(events, base)
    conclude(base, state.findings)
    assert set(state.findings.symptoms) <= set(base.symptoms)
    assert set(state.findings.body) <= set(base.body_notes)
    assert state.steps <= len(events)


def test_a_damaged_answer_is_told_and_left_out(tmp_path: Path, log: Path) -> None:
    """An answer whose fields make no sense is named as unreadable, one about an unknown sign as unknown."""
    text = log.read_text()
    assert '"seen":"no"' in text
    log.write_text(text.replace('"seen":"no"', '"seen":"perhaps"', 1))
    done = fitdiag("replay", log, cwd=tmp_path)
    assert "cannot be read; it is left out" in " ".join(done.stdout.split())
    resumed = fitdiag("interview", "--resume", log, cwd=tmp_path, typed=("stop",))
    assert "cannot be read; it is left out" in " ".join(resumed.stdout.split())


# -- other rules -------------------------------------------------------------------------------------------------------


@pytest.fixture
def other_rules(tmp_path: Path) -> Path:
    """The shipped rules with the word "often" made weak, and the wedgie forgotten by name."""
    folder = tmp_path / "rules"
    shutil.copytree(default_rules(), folder)
    text = (default_rules().parent / "common" / "words.yaml").read_text()
    assert "often: 0.6" in text
    (folder / "words.yaml").write_text(text.replace("often: 0.6", "often: 0.2"))
    return folder


def test_changed_rules_are_refused_unless_asked_for(tmp_path: Path, log: Path, other_rules: Path) -> None:
    """A session of other rules is not resumed in silence: the message names --new-rules, and with it the change is logged."""
    before = log.read_bytes()
    one_clear_message(
        fitdiag("interview", "--resume", log, "--rules", other_rules, cwd=tmp_path, typed=("stop",)),
        "rules have changed", "--new-rules", "fitdiag replay",
    )  # fmt: skip
    assert before == log.read_bytes()
    done = fitdiag(
        "interview", "--resume", log, "--rules", other_rules, "--new-rules", cwd=tmp_path, typed=("1 no", "stop")
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert sum(event["event"] == "rules" for event in events_of(log)) == 1
    again = fitdiag("interview", "--resume", log, "--rules", other_rules, cwd=tmp_path, typed=("stop",))
    assert (again.returncode, again.stderr) == (0, "")
    one_clear_message(fitdiag("interview", "--resume", log, cwd=tmp_path), "--new-rules")


def test_a_replay_under_changed_rules_shows_what_differs(tmp_path: Path, other_rules: Path) -> None:
    """The same log gives the same conclusions under its own rules, and a list of differences under others."""
    log = tmp_path / "a.jsonl"
    typed = ("", "", "balance-lines-dip-to-back 3/4 in", "v-at-centre-back", "folds-under-seat clear", "ask", "stop")
    assert fitdiag("interview", "--log", log, cwd=tmp_path, typed=typed).returncode == 0
    same = fitdiag("replay", log, cwd=tmp_path)
    assert "The same conclusions as when the session was held." in same.stdout
    other = fitdiag("replay", log, "--rules", other_rules, cwd=tmp_path)
    assert (other.returncode, other.stderr) == (0, "")
    assert "The rules have changed since this session." in other.stdout
    assert "What differs from the session as it was:" in other.stdout
    assert " then, " in " ".join(other.stdout.partition("What differs")[2].split())


def test_a_sign_that_the_rules_no_longer_know_is_named(tmp_path: Path, log: Path, base: RuleBase) -> None:
    """An answer about a rule that is no more is left out, and told so."""
    symptom = next(event["symptom"] for event in events_of(log) if event["event"] == "answer")
    log.write_text(log.read_text().replace(f'"{symptom}"', '"a-sign-of-old"'))
    assert "These rules do not know 'a-sign-of-old'" in fitdiag("replay", log, cwd=tmp_path).stdout
    assert fold(read_log(log).events, base).unknown[:1] == ("a-sign-of-old",)


@pytest.mark.parametrize(
    "command",
    [("replay",), ("interview", "--resume"), ("interview", "--new-rules", "--resume"), ("export", "--to", "list.md")],
)
def test_a_log_of_another_garment_is_refused(log: Path, refused: Callable[..., str], command: tuple[str, ...]) -> None:
    """A log about another garment is read by no command, whatever the options."""
    log.write_text(log.read_text().replace('"garment":"trousers"', '"garment":"kilt"', 1))
    before = log.read_bytes()
    said = refused(*command, log)
    assert "kilt" in said
    assert "--rules" in said
    assert before == log.read_bytes()


def test_answers_after_the_conclusion_are_not_held_against_it(tmp_path: Path, log: Path, base: RuleBase) -> None:
    """Resumed, answered on and left before its end, a session is not said to differ from its older conclusion."""
    assert replay(read_log(log), base).differences == ()
    with SessionLog.resume(log)[0] as opened:
        for symptom in ("balance-lines-dip-to-back", "v-at-centre-back"):
            opened.append({"event": "answer", "symptom": symptom, "seen": "yes", "origin": "asked"})
    again = replay(read_log(log), base)
    assert again.differences == ()
    assert again.state.recorded is None
    with SessionLog.resume(log)[0] as opened:
        opened.append(conclusion_event(again.conclusion))
    assert replay(read_log(log), base).state.recorded is not None


# -- two at once -------------------------------------------------------------------------------------------------------


def test_a_second_interview_on_a_log_is_refused(tmp_path: Path) -> None:
    """While one interview writes, another is told so and changes nothing; the first goes on unharmed."""
    first = Piped(tmp_path, "--log", "a.jsonl")
    first.answer(*TO_THE_QUESTIONS, "1 no")
    before = (tmp_path / "a.jsonl").read_bytes()
    one_clear_message(fitdiag("interview", "--resume", "a.jsonl", cwd=tmp_path, typed=("2",)), "another interview")
    one_clear_message(fitdiag("interview", "--log", "a.jsonl", cwd=tmp_path, typed=("2",)), "already")
    assert before == (tmp_path / "a.jsonl").read_bytes()
    assert fitdiag("replay", "a.jsonl", cwd=tmp_path).returncode == 0  # reading is allowed meanwhile
    first.answer("1 no")
    first.kill()
    assert counted(tmp_path / "a.jsonl") == 2
    done = fitdiag("interview", "--resume", "a.jsonl", cwd=tmp_path, typed=("stop",))  # the lock died with its owner
    assert (done.returncode, done.stderr) == (0, "")


def test_a_failed_write_leaves_the_log_as_it_was(tmp_path: Path, base: RuleBase) -> None:
    """An event that cannot be written whole is taken out again, the error tells why, and the log can still be written."""
    path = tmp_path / "a.jsonl"
    with SessionLog.create(path, base, client="", units="in") as log:
        before = path.read_bytes()
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) + 10, hard))
        try:
            with pytest.raises(ProblemsFoundError, match="cannot be saved") as failed:
                log.append({"event": "note", "text": "one that does not fit"})
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert os.strerror(errno.EFBIG).lower() in str(failed.value).lower()
        assert before == path.read_bytes()
        log.append({"event": "note", "text": "one that does"})
    assert read_log(path).events[-1]["text"] == "one that does"


def lines_of(path: Path) -> Iterator[bytes]:
    yield from path.read_bytes().splitlines(keepends=True)


def test_a_log_only_ever_grows(tmp_path: Path) -> None:
    """Taking answers away, resuming and concluding again leave every earlier line as it was."""
    fitdiag(
        "interview", "--log", "a.jsonl", cwd=tmp_path, typed=(*TO_THE_QUESTIONS, "one", "1", "", "2", "back 2", "stop")
    )
    first = list(lines_of(tmp_path / "a.jsonl"))
    fitdiag("interview", "--resume", "a.jsonl", cwd=tmp_path, typed=("back 9", "", "stop"))
    assert first == list(lines_of(tmp_path / "a.jsonl"))[: len(first)]
    assert len(first) < len(list(lines_of(tmp_path / "a.jsonl")))


def test_the_commands_to_go_on_with_say_that_she_is_alone(tmp_path: Path) -> None:
    """What is printed is copied: without the word the next list would ask for a second pair of hands."""
    left = fitdiag("interview", "--client", "the lamplighter", "--units", "in", "--alone", cwd=tmp_path, typed=("",))
    (told,) = (line for line in left.stdout.splitlines() if "--resume" in line)
    assert told.endswith(" --alone")


def test_a_log_remembers_that_she_is_alone(tmp_path: Path) -> None:
    """Gone on with and written out without the word, it asks for no second pair of hands either."""
    fitdiag("interview", "--log", "a.jsonl", "--alone", cwd=tmp_path, typed=("", "", "baggy under the seat", "1"))
    again = fitdiag("interview", "--resume", "a.jsonl", cwd=tmp_path, typed=("?",))
    assert "timer" in again.stdout and "Let the client" not in again.stdout
    assert json.loads((tmp_path / "a.jsonl").read_text().splitlines()[0])["alone"] is True


@pytest.mark.parametrize(("rounds", "doubted"), [((9,), True), ((3,), False), ((1, 2, 3, 4), False), ((1, 5), True)])
def test_a_round_that_leaves_most_before_it_out_is_doubted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], rounds: tuple[int, ...], doubted: bool
) -> None:
    """It may be a slip, so it is asked about, and counts all the same."""
    path = tmp_path / "findings.yaml"
    done = "".join(f"  - {{alteration: lengthen-back-crotch, amount: 1/8 in, round: {number}}}\n" for number in rounds)
    path.write_text(f"schema: fitdiag.findings/1\ndone:\n{done}", encoding="utf-8")
    found = findings_given(path, load_rules(rules_for("trousers")))
    assert tuple(item.round for item in found.done) == rounds
    assert (f"names round {rounds[-1]}" in capsys.readouterr().err) == doubted
