"""`fitdiag interview` in a real pseudo-terminal of 80 by 24, in a pipe, and under every way of leaving it."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pexpect
import pytest
from forked import at_terminal
from forked import piped as forked_piped

from fitdiag.knowledge.load import load_rules
from fitdiag.sessions.log import read_log

ESCAPES = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|[@-Z\\-_]|\][^\x07]*\x07)")
WAITS = "\n> (?:\x1b[^m]*m)*$"
COMMAND = ["-m", "fitdiag", "interview"]
BASE = load_rules()


ORDINARY = {"TERM": "xterm-256color", "LANG": "C.UTF-8", "LC_ALL": "C.UTF-8", "COLUMNS": None, "LINES": None,
            "NO_COLOR": None, "PYTHONIOENCODING": None}  # fmt: skip


def environment(**changes: str | None) -> dict[str, str]:
    """The variables of an ordinary terminal in UTF-8, with changes (None: without it)."""
    wanted = {**os.environ, **ORDINARY, **changes}
    return {name: value for name, value in wanted.items() if value is not None}


class Terminal:
    """A session in a pseudo-terminal: type a line, wait for the next prompt, look at what was shown."""

    def __init__(self, folder: Path, *arguments: str, **changes: str | None) -> None:
        if changes.keys() <= {"TERM", "NO_COLOR"}:
            self.child: Any = at_terminal(folder, "interview", *arguments, variables={**ORDINARY, **changes})
        else:  # how text is coded is settled when a program starts
            self.child = pexpect.spawn(
                sys.executable, [*COMMAND, *arguments], cwd=str(folder), env=environment(**changes), dimensions=(24, 80),
                timeout=30, encoding="utf-8", codec_errors="replace",
            )  # fmt: skip
        self.raw = ""
        self.until_asked()

    def until_asked(self) -> str:
        self.child.expect(r"\n> (?:\x1b\[[0-9;?]*[a-zA-Z])*$")
        shown = str(self.child.before + self.child.after)
        self.raw += shown
        return ESCAPES.sub("", shown).replace("\r", "")

    def type(self, line: str) -> str:
        """Type a line and return everything shown up to the next prompt, the echo of the line first."""
        self.child.sendline(line)
        return self.until_asked()

    def ends(self) -> str:
        """Wait for the end, return what was still shown."""
        self.child.expect(pexpect.EOF)
        self.raw += str(self.child.before)
        self.child.close()
        return ESCAPES.sub("", str(self.child.before)).replace("\r", "")

    @property
    def code(self) -> tuple[int | None, int | None]:
        return self.child.exitstatus, self.child.signalstatus

    @property
    def rows(self) -> Iterator[str]:
        yield from ESCAPES.sub("", self.raw).replace("\r", "").split("\n")


def events(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="ascii").splitlines()]


def answers(path: Path) -> int:
    return sum(event["event"] == "answer" for event in read_log(path).events)


def piped(folder: Path, *arguments: str, typed: bytes, **changes: str | None) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, *COMMAND, *arguments]
    return subprocess.run(
        command, cwd=folder, env=environment(**changes), input=typed, capture_output=True, timeout=60, check=False
    )


# -- a whole session ---------------------------------------------------------------------------------------------------


def test_a_whole_session(tmp_path: Path) -> None:
    """From the name to Ctrl-C and on with --resume to the list: every command answers, and the log holds it all."""
    screen = Terminal(tmp_path)
    assert "Inches or centimetres?" in screen.type("the lamplighter")
    begun = screen.type("1")
    assert BASE.about.title in begun
    log = next((tmp_path / "sessions").iterdir())
    assert f"sessions/{log.name}" in begun.replace("\n", "")
    assert re.fullmatch(r"\d{4}-\d\d-\d\d-the-lamplighter\.jsonl", log.name)
    assert "Tuck across the back" in screen.type("tuck")
    assert "by how much?" in screen.type("1")
    assert "1/2 in, round 2" in screen.type("1/2 in round 2")
    assert "shape and stance" in screen.type("")
    assert "Straight or flat seat" in screen.type("?")
    assert "Counted: straight or flat seat" in screen.type("flat seat")
    assert "What you see" in screen.type("")
    assert "3/4 in, left side only" in screen.type("balance-lines-dip-to-back 3/4 in left")
    asked = screen.type("")
    for part in ("What the client says", "? how to look"):
        assert part in asked
    assert "How to look" in screen.type("?1")
    assert "which alteration comes first" in screen.type("why")
    assert "Noted." in screen.type("note hem is only tacked")
    so_far = screen.type("so far")
    for part in ("Answered so far", "3/4 in, left side only", "hem is only tacked", "Likely"):
        assert part in so_far
    assert "So far" in screen.type("no")
    assert "Taken back" in screen.type("back")
    question = screen.type("no").rpartition("\n\n")[2]
    screen.child.sendintr()
    left = screen.ends()
    assert "every answer is saved" in left
    assert f"\n  fitdiag interview --resume sessions/{log.name}\n" in left
    assert screen.code == (0, None)
    assert not any("Traceback" in row for row in screen.rows)

    again = Terminal(tmp_path, "--resume", f"sessions/{log.name}")
    assert question.splitlines()[-3:] == "\n".join(again.rows).splitlines()[-3:]
    assert re.search(r"Going on where you left off: [2-9] answers so far\.", "\n".join(again.rows))
    ended = again.type("stop")
    for part in (
        "Alteration list for the lamplighter",
        "In short",
        f"Saved in sessions/{log.name}",
        "fitdiag export",
        "--resume",
    ):
        assert part in ended
    again.child.sendline("")
    again.ends()
    assert again.code == (0, None)
    kinds = [event["event"] for event in events(log)]
    assert kinds[0] == "start"
    assert kinds[-1] == "conclusion"
    assert events(log)[0]["client"] == "the lamplighter"


def test_a_session_in_centimetres(tmp_path: Path) -> None:
    """Two chooses centimetres; amounts are shown in them, and an unknown answer to that question is asked again."""
    screen = Terminal(tmp_path, "--client", "the prompter")
    assert "'furlongs' is neither" in screen.type("furlongs")
    screen.type("2")
    screen.type("")
    screen.type("")
    assert "(1.5 cm)" in screen.type("balance-lines-dip-to-back 1,5")
    shown = screen.type("")
    for _ in range(6):  # until a screen asks for an amount
        if "like: 1: 2 cm" in shown:
            break
        shown = screen.type("no")
    assert "like: 1: 2 cm" in shown
    screen.child.sendeof()
    assert "every answer is saved" in screen.ends()
    assert screen.code == (0, None)


def test_after_the_list_an_answer_can_still_be_changed(tmp_path: Path) -> None:
    """Behind the list `back` and `also` go on with the interview, Enter leaves."""
    screen = Terminal(tmp_path, "--units", "in", "--client", "", "--log", "a.jsonl")
    for line in ("", "", "seat-wedgie", "", "one", "2"):
        screen.type(line)
    assert "Enter to leave" in screen.type("stop")
    assert "is none of these" in screen.type("2")
    assert "Noted." in screen.type("note seen in the mirror")
    changed = screen.type("back")
    assert "Taken back: Not seen" in changed
    assert "1 yes  2 no" in changed
    screen.type("stop")
    assert "Seen: the level line makes a V" in screen.type("also v-at-centre-back")
    assert "Alteration list" in screen.type("stop")
    assert "The level line makes a V" in screen.type("why").partition("Findings")[2]
    screen.child.sendline("")
    screen.ends()
    assert screen.code == (0, None)
    assert events(tmp_path / "a.jsonl")[-1]["event"] == "conclusion"


# -- what is written to the screen -------------------------------------------------------------------------------------

TOUR = (
    "?", "tuck", "?1", "1", "", "", "?3", "flat seat", "", "crotch", "?2", "2", "", "sagging", "1 2", "", "", "?", "why", "so far",
    "help", "1", "", "back", "note " + "word " * 60, "note " + "x" * 200, "y" * 300, "also knee", "", "so far", "stop",
)  # fmt: skip


@pytest.mark.parametrize("changes", [{"TERM": "xterm-256color"}, {"NO_COLOR": "1"}])
def test_no_line_is_longer_than_the_terminal(tmp_path: Path, changes: dict[str, str]) -> None:
    """Everything the program says stays within 80 columns, and no row begins with a stray space (except an indent)."""
    screen = Terminal(tmp_path, "--log", "a.jsonl", "--units", "in", "--client", "w" * 70, **changes)
    said: list[str] = []
    for line in TOUR:
        said += screen.type(line).split("\n> ")[0].split("\n")[1:] if len(line) < 70 else []
        if len(line) >= 70:
            said += ESCAPES.sub("", screen.child.before).replace("\r", "").split("\n")[-4:]
    screen.child.sendline("")
    said += screen.ends().split("\n")
    assert len(said) > 250
    assert [row for row in said if len(row) > 80 and " " in row.strip()] == []
    assert [row for row in said if re.match(r" \S| {3}\S", row) and not row.startswith("   ")] == []


def test_a_terminal_shows_bold_questions_and_a_plain_one_the_same_words(tmp_path: Path) -> None:
    """With colour the question is bold, by the standard sequences (ECMA-48); without, the words are the same."""
    shown = {}
    for term in ("xterm-256color", "dumb"):
        screen = Terminal(tmp_path, "--log", f"{term}.jsonl", "--units", "in", "--client", "", TERM=term)
        screen.type("")
        screen.type("")
        screen.type("")
        shown[term] = screen
        screen.child.close(force=True)
    assert "\x1b[1m" in shown["xterm-256color"].raw
    asked = [[row for row in screen.rows if row.endswith("?")] for screen in shown.values()]
    assert asked[0] == asked[1] != []


@pytest.mark.parametrize("changes", [{"TERM": "dumb"}, {"NO_COLOR": "1"}])
def test_without_colour_there_are_no_escapes(tmp_path: Path, changes: dict[str, str]) -> None:
    """NO_COLOR (no-color.org) and a dumb terminal get plain text from the first to the last character."""
    screen = Terminal(tmp_path, "--log", "a.jsonl", **changes)
    for line in ("the lamplighter", "1", "", "flat seat", "", "crotch", "1", "", "", "why", "2", "stop"):
        screen.type(line)
    screen.child.sendline("")
    screen.ends()
    assert "\x1b" not in screen.raw
    assert set(screen.raw) <= set(map(chr, range(32, 127))) | set("\r\n")
    assert screen.code == (0, None)


def test_in_a_pipe_there_are_no_escapes(tmp_path: Path) -> None:
    """A pipe gets plain text, whatever the terminal behind it is called: at most 80 columns, but a longer word stays whole."""
    done = piped(tmp_path, "--log", "a.jsonl", typed="\n".join(TOUR).encode() + b"\n", FORCE_COLOR="1")
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"\x1b" not in done.stdout
    text = done.stdout.decode()
    assert [row for row in text.splitlines() if len(row) > 80 and len(row.split()) > 1] == []
    assert "In short" in text


def test_typed_escapes_are_shown_harmlessly(tmp_path: Path) -> None:
    """Terminal escapes and control characters in a name or an answer never come back to the terminal."""
    name = "lamp\x1b[31m\x1b]0;owned\x07\x9b2J\u202elighter"
    typed = b"note \x1b[2J\x07x\n\x1b[31mdip\n\x9b\nso far\nstop\n"
    done = piped(tmp_path, "--log", "a.jsonl", "--client", name, typed=typed)
    assert (done.returncode, done.stderr) == (0, b"")
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e]", done.stdout.decode())
    assert "lamp?[31m" in done.stdout.decode()
    assert "\\u001b" not in (tmp_path / "a.jsonl").read_text()


def test_control_keys_in_the_name_are_harmless(tmp_path: Path) -> None:
    """Escape sequences typed at the question for the name neither break the session nor reach the folder's name."""
    screen = Terminal(tmp_path, TERM="dumb")
    screen.type("../../\x1b[31mlamp\x07 <b>")
    screen.type("1")
    screen.child.sendeof()
    screen.ends()
    assert screen.code == (0, None)
    assert [path.parent for path in tmp_path.rglob("*.jsonl")] == [tmp_path / "sessions"]
    assert "\x1b" not in events(next(tmp_path.rglob("*.jsonl")))[0]["client"]


@pytest.mark.parametrize("changes", [{"PYTHONIOENCODING": "ascii"}, {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
                                     {"LC_ALL": "POSIX"}, {}])  # fmt: skip
def test_any_locale_will_do(tmp_path: Path, changes: dict[str, str]) -> None:
    """In ASCII and in UTF-8, typed fractions, umlauts and broken bytes are survived, and what cannot be shown becomes "?"."""
    typed = (
        "note Größe ½ ✂\n\n\nbalance-lines-dip-to-back about ½ in\n1\n\n".encode()
        + b"\xff\xfe\x80 broken\n2\nso far\nstop\n"
    )
    done = piped(tmp_path, "--log", "a.jsonl", "--client", "Frau Größe", typed=typed, **changes)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"In short" in done.stdout
    assert answers(tmp_path / "a.jsonl") >= 1  # the lines behind the broken bytes were read
    if not changes:
        assert "Größe ½ ✂" in done.stdout.decode()
        assert "± " in done.stdout.decode()
    screen = Terminal(tmp_path, "--log", "b.jsonl", "--client", "Größe", "--units", "in", **changes)
    screen.type("½ ✂")
    screen.type("")
    screen.type("")
    screen.type("balance-lines-dip-to-back about 1/2 in")
    screen.type("1")
    assert "(1/2 in" in screen.type("so far")
    screen.child.sendeof()
    assert "every answer is saved" in screen.ends()
    assert screen.code == (0, None)


# -- leaving -----------------------------------------------------------------------------------------------------------


class Bare:
    """An interview in a session of its own, whose terminal can be taken away."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        self.master, slave = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, *COMMAND, *arguments], cwd=folder, env=environment(), stdin=slave, stdout=slave, stderr=slave,
            start_new_session=True, preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509 (no threads here)
        )  # fmt: skip
        os.close(slave)
        self.shown = ""

    def until(self, text: str) -> None:
        ends = time.monotonic() + 30
        while text not in self.shown:
            assert select.select([self.master], [], [], max(0.0, ends - time.monotonic()))[0], self.shown
            self.shown += os.read(self.master, 65536).decode(errors="replace")

    def type(self, line: str) -> None:
        os.write(self.master, line.encode() + b"\n")

    def at_a_question(self) -> None:
        self.until("altered before")
        for line in ("", "", ""):
            self.type(line)
        self.until("how to look, why")
        self.shown = ""
        self.type("one")
        self.until("Drawing")
        self.shown = ""
        self.type("no")
        self.until("Drawing")


def asked_to_end(process: subprocess.Popen[bytes], number: signal.Signals) -> int:
    """Send a signal over and over until the program has ended; its exit code. Once may fall between two reads of the keyboard."""
    ends = time.monotonic() + 30
    while process.poll() is None and time.monotonic() < ends:
        process.send_signal(number)
        time.sleep(0.002)
    return process.wait(timeout=1)


def whole(path: Path, count: int) -> None:
    """The log ends with a whole line and holds so many answers."""
    assert path.read_bytes().endswith(b"\n")
    assert read_log(path).whole_bytes == path.stat().st_size
    assert count == answers(path)


def test_closing_the_terminal_loses_nothing(tmp_path: Path) -> None:
    """When the terminal window is closed the program ends with exit code 0 and a whole log."""
    bare = Bare(tmp_path, "--log", "a.jsonl", "--units", "in", "--client", "")
    bare.at_a_question()
    os.close(bare.master)
    assert bare.process.wait(timeout=30) == 0
    whole(tmp_path / "a.jsonl", 1)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_loses_nothing(tmp_path: Path, number: signal.Signals) -> None:
    """Asked to end, over and over, the program says how to go on and ends with exit code 0 and a whole log."""
    bare = Bare(tmp_path, "--log", "a.jsonl", "--units", "in", "--client", "")
    bare.at_a_question()
    assert asked_to_end(bare.process, number) == 0
    bare.until("--resume a.jsonl")
    assert "Traceback" not in bare.shown
    whole(tmp_path / "a.jsonl", 1)
    os.close(bare.master)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_leaving_before_it_has_begun_leaves_nothing(tmp_path: Path, number: signal.Signals) -> None:
    """At the question for the name nothing is begun: exit code 0, no file, no traceback."""
    bare = Bare(tmp_path)
    bare.until("Whose trousers?")
    bare.until("> ")
    assert asked_to_end(bare.process, number) == 0
    assert "Traceback" not in bare.shown
    assert list(tmp_path.iterdir()) == []
    os.close(bare.master)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_in_a_pipe_loses_nothing(tmp_path: Path, number: signal.Signals) -> None:
    """In a pipe too: exit code 0, a whole log, and how to go on."""
    process = subprocess.Popen(
        [sys.executable, *COMMAND, "--log", "a.jsonl"],
        cwd=tmp_path,
        env=environment(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(b"\n\n\n1 no\n")
    process.stdin.flush()
    shown = b""
    while b"So far" not in shown:
        shown += os.read(process.stdout.fileno(), 65536)
    assert asked_to_end(process, number) == 0
    shown += process.stdout.read()
    assert b"fitdiag interview --resume a.jsonl" in shown
    whole(tmp_path / "a.jsonl", 1)


@pytest.mark.parametrize("lines", [0, 1, 4])
def test_the_end_of_input_leaves_as_ctrl_d_does(tmp_path: Path, lines: int) -> None:
    """When a pipe ends early, what was answered is saved and the way to go on is shown."""
    done = piped(tmp_path, "--log", "a.jsonl", typed=b"\n" * min(lines, 3) + b"1 no\n" * (lines > 3))
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"fitdiag interview --resume a.jsonl" in done.stdout
    whole(tmp_path / "a.jsonl", int(lines > 3))


def test_a_reader_that_goes_away_is_no_error(tmp_path: Path) -> None:
    """With the output cut off (as by `| head`), the program ends quietly and the log is whole."""
    process = subprocess.Popen(
        [sys.executable, *COMMAND, "--log", "a.jsonl"], cwd=tmp_path, env=environment(), stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    os.read(process.stdout.fileno(), 100)
    process.stdout.close()
    process.stdin.write(b"\n\n\n" + b"2\n" * 5)
    process.stdin.close()
    assert process.stderr is not None
    assert process.stderr.read() == b""
    assert process.wait(timeout=30) == 0
    assert read_log(tmp_path / "a.jsonl").whole_bytes == (tmp_path / "a.jsonl").stat().st_size


def test_a_refusal_breaks_between_words_and_its_path_stays_whole(tmp_path: Path) -> None:
    """In a terminal the place has a line of its own, however long, and no word is cut; in a pipe a refusal is one line."""
    folder = tmp_path / "the trousers of the lamplighter" / "and of the second assistant stage manager"
    folder.mkdir(parents=True)
    findings = folder / "findings.yaml"
    findings.write_text(
        "schema: fitdiag.findings/1\ngarment: trousers\nsymptoms: {balance-lines-dip-to-bakc: yes, "
        + "x" * 30
        + ": 1 }\n"
    )
    child = at_terminal(tmp_path, "diagnose", str(findings))
    child.setwinsize(24, 80)
    rows = child.read().replace("\r\n", "\n").splitlines()
    child.close()
    flat = forked_piped(tmp_path, "diagnose", str(findings)).stderr.splitlines()
    assert child.exitstatus == 1
    assert len(flat) > 1
    assert [row for row in rows if not row.startswith("  ")] == [f"{line.split(': ')[0]}:" for line in flat]
    assert " ".join(row.strip() for row in rows) == " ".join(flat)
    assert all(len(row) <= 80 for row in rows if row.startswith("  "))


@pytest.mark.parametrize(
    "name", ["my session.jsonl", "a'b.jsonl", "sessions/2026-11-25-the-second-assistant-stage-manager.jsonl"]
)
def test_the_way_to_go_on_can_be_copied(tmp_path: Path, name: str) -> None:
    """The command shown for going on works when it is pasted into a shell, spaces and quotes included."""
    done = piped(tmp_path, "--log", name, typed=b"\n\n\n2\n")
    shown = next(line.strip() for line in done.stdout.decode().splitlines() if "--resume" in line)
    pasted = shown.replace("fitdiag", f"{sys.executable} -m fitdiag", 1)
    again = subprocess.run(
        ["sh", "-c", pasted],
        cwd=tmp_path,
        env=environment(),
        input=b"stop\n",
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert (again.returncode, again.stderr) == (0, b"")
    assert b"Going on where you left off: 1 answer so far." in again.stdout
