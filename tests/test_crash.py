"""Nothing lost, nothing left behind: commands broken off at the changes of the disk. The whole of it is `tests/bench/crash.py`."""

from __future__ import annotations

import os
import sys
from ast import literal_eval
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from crash import (
    FOLDER,
    NEW,
    PICTURES,
    ROUND_1,
    Command,
    Recorded,
    Trial,
    commands,
    in_child,
    inputs,
    lay_out,
    tree_of,
    warm,
)

from fitdiag import files
from fitdiag.cli import misses
from fitdiag.sessions.log import read_log

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="every trial is a child process")
RUNS = 6  # of a command; as many points of it, spread evenly, are tried here
HOW = ("EIO", "ENOSPC", "short", "killed")


@pytest.fixture(scope="module", autouse=True)
def warmed(shelf: Path) -> Iterator[None]:
    """What every child needs is loaded once."""
    with warm(shelf):
        yield


def spread(count: int, many: int) -> list[int]:
    """So many of the first numbers, evenly, the first and the last among them."""
    many = min(count, many)
    return sorted({round(index * (count - 1) / max(1, many - 1)) for index in range(many)})


@pytest.mark.parametrize("command", commands(), ids=lambda command: command.name)
def test_broken_off_anywhere_it_comes_to_the_same_end(command: Command, tmp_path: Path) -> None:
    """Cut off, killed or failed at any change of the disk, the same command again ends the same or refuses with a way on."""
    trial = Trial(command, inputs(), tmp_path)
    states = trial.cut_states()
    for index in spread(len(states), RUNS // 2):
        trial.after_cut(*states[index])
    for number, index in enumerate(spread(trial.operations, RUNS // 2)):
        trial.with_failure(index + 1, HOW[number % len(HOW)])
    assert trial.figures.failures == []
    assert trial.figures.points >= min(RUNS, trial.operations)


# -- the layer ---------------------------------------------------------------------------------------------------------

CHANGES = {
    "os.rename": "rename",
    "os.remove": "remove",
    "os.rmdir": "remove_folder",
    "os.mkdir": "make_folder",
    "os.link": "link",
}
OTHERS = (
    "os.truncate",
    "os.chmod",
    "os.chown",
    "os.utime",
    "os.symlink",
    "os.setxattr",
    "shutil.move",
    "tempfile.mkstemp",
)
WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND


class Counted(files.Disk):
    """Counts what is asked of it, beside what the interpreter itself sees of changes; both are told at the end."""

    def __init__(self, told: Path, shelf: Path) -> None:
        self.asked, self.seen, self.told, self.shelf = Counter[str](), Counter[str](), told, str(shelf)
        for name in {*CHANGES.values(), "open"}:
            setattr(self, name, self._counted(name, getattr(self, name)))
        sys.addaudithook(self._hook)

    def _counted(self, name: str, real: Callable[..., object]) -> Callable[..., object]:
        def call(*arguments: object) -> object:
            self.asked[name] += 1
            self._tell()
            return real(*arguments)

        return call

    def _hook(self, event: str, arguments: tuple[object, ...]) -> None:
        places = [str(item) for item in arguments[:2]]
        if any(part in places[0] for part in (".pyc", "__pycache__", self.shelf, str(self.told))):
            return  # the interpreter's own, and the tests'
        if event == "open":
            flags = arguments[2]
            if (
                not isinstance(flags, int)
                or not flags & WRITES
                or isinstance(arguments[0], int)
                or places[0].startswith("/dev/")
            ):
                return
            self.seen["open"] += 1
        elif event in CHANGES:
            self.seen[CHANGES[event]] += 1
        elif event in OTHERS:
            self.seen[event] += 1
        else:
            return
        self._tell()

    def _tell(self) -> None:
        self.told.write_text(repr((dict(self.asked), dict(self.seen))))


@pytest.mark.parametrize("command", commands(), ids=lambda command: command.name)
def test_nothing_changes_the_disk_but_through_the_one_layer(command: Command, tmp_path: Path, shelf: Path) -> None:
    """The interpreter's own audit events (PEP 578) count as many changes of each kind as were asked of the layer."""
    work = tmp_path / "work"
    lay_out(inputs(), work)
    for arguments in command.before:
        in_child(work, arguments)
    for path in command.gone:
        (work / path).unlink()
    told = tmp_path / "told"
    assert 0 == in_child(work, command.arguments, lambda: Counted(told, shelf), command.typed).code
    asked, seen = literal_eval(told.read_text())
    assert asked == seen


# -- what is acknowledged ----------------------------------------------------------------------------------------------

ANSWERS = "\n\n\nwedgie\n\n2\n2\n2\nnote kneels\n3\nback\nstop\n"


def test_every_answer_acknowledged_outlasts_a_power_cut(tmp_path: Path) -> None:
    """At any cut the log holds at least the answers to which the program has already replied."""
    work = tmp_path / "work"
    lay_out({}, work)
    told: list[str] = []
    kept = tmp_path / "kept"
    kept.mkdir()

    def note(what: str, disk: Recorded) -> None:
        replied = sys.stdout.getvalue().count("\nSo far")  # type: ignore[attr-defined]
        log = disk.state("kept", "kept").get("a.jsonl", b"") or b""
        (kept / f"{disk.count:04}-{replied}").write_bytes(log)

    ran = in_child(work, ("interview", "--log", "a.jsonl"), lambda: Recorded(work, note), ANSWERS)
    assert ran.code == 0 and ran.out.count("\nSo far") >= 4, ran
    for path in sorted(kept.iterdir()):
        replied = int(path.name.rpartition("-")[2])
        if replied:
            told.append(path.name)
            assert replied <= sum(event["event"] == "answer" for event in read_log(path).events)
    assert told


def test_a_log_removed_under_an_interview_is_told(tmp_path: Path) -> None:
    """An answer to a log that is gone from its path is refused, not "saved"; nothing brings the log back."""
    lay_out({}, tmp_path / "work")

    class Gone(files.Disk):
        writes = 0

        def write(self, descriptor: int, content: bytes | memoryview) -> int:
            self.writes += 1
            done = super().write(descriptor, content)
            if self.writes == 4:
                Path("a.jsonl").unlink()
            return done

    ran = in_child(tmp_path / "work", ("interview", "--log", "a.jsonl"), Gone, ANSWERS)
    assert ran.code == 1 and "was moved or deleted while it was open" in ran.err
    assert "Saved" not in ran.out and {} == tree_of(tmp_path / "work")


# -- deleting ----------------------------------------------------------------------------------------------------------

MARKER = "Zebedee"
LAMPLIGHTER = FOLDER


def marked_inputs() -> dict[str, bytes | None]:
    """The inputs, with a marker in every text that is the client's."""
    found = dict(inputs())
    seen = found["seen.yaml"] or b""
    found["seen.yaml"] = seen + f"notes: [{MARKER} kneels]\nclient: {MARKER}\n".encode()
    return found


def about_client(folder: Path, sizes: set[int]) -> list[str]:
    """The files below a folder that hold the marker in name or content, or are as large as one of the client's pictures."""
    return [
        str(path)
        for path in folder.rglob("*")
        if MARKER.lower() in path.name.lower()
        or (path.is_file() and (MARKER.lower().encode() in path.read_bytes().lower() or path.stat().st_size in sizes))
    ]


@pytest.mark.parametrize("command", ["delete", "list", "export", "review", "photos"])
def test_a_deleted_case_is_found_nowhere(command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also when delete, list, export or review were killed before; neither below the root nor in cache or temporary folder."""
    for name in ("XDG_CACHE_HOME", "XDG_STATE_HOME", "TMPDIR"):
        monkeypatch.setenv(name, str(tmp_path / name))
        (tmp_path / name).mkdir()
    new = ("case", "new", MARKER, *NEW[3:], "--note", f"{MARKER} lives at the harbour")
    pictures = ("review", MARKER, *PICTURES[2:])
    form = ("review", MARKER, "--findings", "seen.yaml", "--no-questions")
    killed = {
        "delete": ("case", "delete", MARKER, "--yes"),
        "photos": ("case", "delete", MARKER, "--photos", "--yes"),
        "list": ("case", "list"),
        "export": ("case", "export", MARKER, "--to", str(tmp_path / "elsewhere" / "copy.zip")),
        "review": form,
    }[command]
    assert ROUND_1[0] == "review"
    (tmp_path / "elsewhere").mkdir()
    given = marked_inputs()
    trial = Trial(Command(command, killed, (new, pictures)), given, tmp_path / "trial")
    sizes = {len(content) for path, content in trial.start.items() if path.endswith((".jpg", ".png")) and content}
    sizes -= {len(content or b"") for content in given.values()}
    states = trial.cut_states()
    assert [path for path in trial.start if MARKER.lower() in path.lower()]
    for index in spread(len(states), 8):
        lay_out({path: content for path, content in states[index][2].items() if path not in given}, trial.work)
        for path in (tmp_path / "elsewhere").iterdir():
            path.unlink()
        if command == "export" and index % 2:  # killed in earnest, so that what it leaves elsewhere is there too
            lay_out({path: content for path, content in trial.start.items() if path not in given}, trial.work)
            from crash import Failing

            in_child(trial.work, killed, lambda: Failing(trial.work, 1 + index, "killed"))  # noqa: B023
            (tmp_path / "elsewhere" / "copy.zip").unlink(missing_ok=True)  # a copy that is whole is the fitter's own
        if list(trial.work.glob("cases/[!.]*/case.yaml")):  # what is kept elsewhere goes before the case does
            misses.remember("symptom", f"{MARKER} kneels askew")
            draped = tmp_path / "XDG_CACHE_HOME" / "fitdiag" / "drapes" / f"{MARKER}.npz"
            draped.parent.mkdir(parents=True, exist_ok=True)
            draped.write_bytes(b"cloth on a client's body")
        ran = in_child(trial.work, ("case", "delete", MARKER, "--yes"))
        assert ran.code in (0, 1) and "Traceback" not in ran.err
        assert [] == about_client(trial.work, sizes), (command, states[index][0], ran)
        for place in ("elsewhere", "XDG_CACHE_HOME", "XDG_STATE_HOME", "TMPDIR"):
            assert [] == about_client(tmp_path / place, sizes), (command, place)
