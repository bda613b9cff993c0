"""Windows, memory sticks and network disks, as far as they can be emulated here: the program's own code for them runs.

Emulated: a disk on which `A` and `a` are one name, nothing open can be renamed or removed, no folder can be opened or synced,
names with `<>:"|?*`, trailing dots and device names are refused, locks are `msvcrt`'s, there are no hard links, and the output
is in code page 1252. Not emulated, so untested: paths with drives and backslashes, the console itself, real locks between
processes on a network disk, virus scanners that hold a file open for a moment.
"""

# It stands in for the very functions that Path calls.
# ruff: noqa: PTH110, PTH112, PTH115, PTH119
from __future__ import annotations

import errno
import fcntl
import importlib
import io
import os
import sys
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from crash import Ran, in_child, warm
from crash_commands import GONE, NEW, SEEN

from fitdiag import files
from fitdiag.sessions.case import folder_name

pytestmark = pytest.mark.skipif(
    not Path("/proc/self/fd").exists(), reason="the emulation looks at open files the Linux way"
)
DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{number}" for port in ("com", "lpt") for number in range(1, 10))}
NAME = "the lamplighter"


@pytest.fixture(scope="module", autouse=True)
def warmed(shelf: Path) -> Iterator[None]:
    """What every child needs is loaded once, and drawn once."""
    with warm(shelf):
        yield


def _open_below(path: str) -> bool:
    """Whether this process holds a file open at a path or below it."""
    real = os.path.realpath(path)
    for number in _listdir("/proc/self/fd"):
        try:
            held = os.readlink(f"/proc/self/fd/{number}")
        except OSError:
            continue
        if held == real or held.startswith(f"{real}/"):
            return True
    return False


_listdir, _lstat = os.listdir, os.lstat


def one_name(path: Any) -> Any:
    """The path as it lies on the disk, where capitals make no difference."""
    if isinstance(path, int):
        return path
    text = os.fspath(path)
    if not isinstance(text, str) or text.startswith("/proc"):
        return path
    found = "/" if text.startswith("/") else "."
    for part in [part for part in text.split("/") if part not in ("", ".")]:
        try:
            _lstat(f"{found}/{part}")
            match = part
        except OSError:
            try:
                match = next((name for name in _listdir(found) if name.casefold() == part.casefold()), part)
            except OSError:
                match = part
        found = f"{found}/{match}"
    return found


def allowed(path: Any) -> None:
    """Names that such a disk does not take."""
    name = os.path.basename(os.fspath(path))
    if set(name) & set('<>:"|?*') or name != name.rstrip(". ") or name.split(".")[0].casefold() in DEVICES:
        raise OSError(errno.EINVAL, "The filename, directory name, or volume label syntax is incorrect")


def emulate(*, links: bool) -> Callable[[], files.Disk]:
    """To be done in a child: the system behaves like another, and the module that knows of systems is loaded for it."""

    def begin() -> files.Disk:
        msvcrt = types.ModuleType("msvcrt")

        def locking(descriptor: int, mode: int, many: int) -> None:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise PermissionError(errno.EACCES, "Permission denied") from None

        msvcrt.locking, msvcrt.LK_NBLCK = locking, 2  # type: ignore[attr-defined]
        sys.modules["msvcrt"] = msvcrt
        os.O_BINARY = 0  # type: ignore[attr-defined]
        del os.O_NOFOLLOW
        real, there = sys.platform, dict(vars(files))
        sys.platform = "win32"
        try:
            importlib.reload(files)
        finally:
            sys.platform = real
        for kind in ("GoneError", "Growing", "Alone"):
            setattr(files, kind, there[kind])
        files.sys = types.SimpleNamespace(platform="win32")  # type: ignore[attr-defined]
        _patch(links=links)
        return files.disk

    return begin


def _patch(*, links: bool) -> None:
    def opened(path: Any, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        path = one_name(path)
        if os.path.isdir(path):
            raise PermissionError(errno.EACCES, "Permission denied")
        if flags & os.O_CREAT:
            allowed(path)
        return real["open"](path, flags, mode)

    def moved(source: Any, target: Any, **more: Any) -> None:
        source, target = one_name(source), one_name(target)
        allowed(target)
        if _open_below(source) or (os.path.exists(target) and _open_below(target)):
            raise PermissionError(errno.EACCES, "The process cannot access the file because it is being used")
        real["replace"](source, target)

    def removed(path: Any, **more: Any) -> None:
        path = one_name(path)
        if _open_below(path):
            raise PermissionError(errno.EACCES, "The process cannot access the file because it is being used")
        real["unlink"](path)

    def made(path: Any, mode: int = 0o777, **more: Any) -> None:
        path = one_name(path)
        allowed(path)
        real["mkdir"](path, mode)

    def linked(source: Any, target: Any, **more: Any) -> None:
        if not links:
            raise OSError(errno.EPERM, "Operation not permitted")
        real["link"](one_name(source), one_name(target))

    def plain(name: str) -> Callable[..., Any]:
        return lambda path, *given, **more: real[name](one_name(path), *given, **more)

    names = (
        "open", "replace", "rename", "unlink", "remove", "mkdir", "rmdir", "link", "stat", "lstat", "scandir",
        "listdir",
    )  # fmt: skip
    real = {name: getattr(os, name) for name in names}
    reads = io.open
    changed = {"open": opened, "replace": moved, "rename": moved, "unlink": removed, "remove": removed, "mkdir": made,
               "link": linked, **{name: plain(name) for name in ("rmdir", "stat", "lstat", "scandir", "listdir")}}  # fmt: skip
    for name, call in changed.items():
        setattr(os, name, call)
    io.open = lambda path, *given, **more: reads(one_name(path), *given, **more)  # type: ignore[assignment]


@pytest.fixture(params=[True, False], ids=["NTFS", "a memory stick"])
def windows(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[..., Ran]:
    """Runs a command in a folder of such a system."""
    work = tmp_path / "work"
    work.mkdir()
    for name, text in (("seen.yaml", SEEN), ("gone.yaml", GONE)):
        (work / name).write_bytes(text.replace("\n", "\r\n").encode())

    def call(
        *arguments: str, typed: str = "", code: int = 0, again: Callable[[files.Disk], files.Disk] = lambda disk: disk
    ) -> Ran:
        begin = emulate(links=request.param)
        ran = in_child(work, arguments, lambda: again(begin()), typed)
        assert code == ran.code and "Traceback" not in ran.err, (arguments, ran)
        return ran

    return call


def leftovers(work: Path) -> list[str]:
    return [path.name for path in work.rglob("*") if ".fitdiag-" in path.name or path.name.endswith(".lock")]


def test_a_case_from_new_to_deleted(windows: Callable[..., Ran], tmp_path: Path) -> None:
    """Every step of a case's life, with names written in other capitals; nothing is left behind at any step."""
    work = tmp_path / "work"
    tuck = ("--done", "tuck-across-back-hip=1/2 in")
    steps: tuple[tuple[str, ...], ...] = (
        NEW,
        ("review", "The LAMPLIGHTER", "--send-form"),
        ("review", NAME, "--findings", "SEEN.yaml", "--no-questions"),
        ("review", "THE-lamplighter", "--sent"),
        ("review", NAME, "--findings", "gone.yaml", *tuck, "--no-questions"),
        ("review", NAME, "--fits"),
        ("case", "consent", NAME, "no"),
        ("case", "close", NAME, "--fits"),
        ("case", "list", "--all"),
        ("case", "show", NAME),
        ("case", "repair", NAME),
        ("case", "export", NAME, "--to", "copy"),
        ("case", "export", NAME, "--to", "copy.zip"),
        ("case", "export", NAME, "--to", "bare", "--anonymous"),
        ("interview", "--answers", "seen.yaml", "--log", "a.jsonl"),
        ("export", "A.jsonl", "--to", "list.md"),
    )
    for arguments in steps:
        windows(*arguments)
        assert [] == leftovers(work), arguments
    windows("interview", "--resume", "A.JSONL", typed="note kneels\nstop\n")
    assert b"\r\n" not in (work / "a.jsonl").read_bytes()
    ran = windows(*NEW[:2], "THE LAMPLIGHTER", code=1)
    assert "a case or a file of this name already" in ran.err
    windows("export", "a.jsonl", "--to", "LIST.md", code=1)
    windows("case", "delete", NAME, "--yes")
    assert [] == leftovers(work) and ["the-lamplighter"] != [path.name for path in (work / "cases").glob("[!.]*")]


@pytest.mark.parametrize("at", (5, 12, 23, 38))
def test_what_a_kill_leaves_goes_with_the_next_command(windows: Callable[..., Ran], tmp_path: Path, at: int) -> None:
    """Killed at one change after another: the same command again ends well, and nothing half written stays."""
    work = tmp_path / "work"
    windows(*NEW)

    def killed(disk: files.Disk) -> files.Disk:
        count = 0

        def counted(real: Callable[..., Any]) -> Callable[..., Any]:
            def call(*given: Any) -> Any:
                nonlocal count
                count += 1
                if count == at:
                    os._exit(0)
                return real(*given)

            return call

        for name in ("open", "write", "sync", "rename", "link", "remove", "make_folder"):
            setattr(disk, name, counted(getattr(disk, name)))
        return disk

    windows("review", NAME, "--findings", "seen.yaml", "--no-questions", again=killed)
    windows("review", NAME, "--findings", "seen.yaml", "--no-questions")
    windows("case", "list")
    assert [] == leftovers(work)
    assert (work / "cases/the-lamplighter/round-01/documents/client.pdf").stat().st_size


def test_a_second_window_is_kept_out_by_its_locks(windows: Callable[..., Ran], tmp_path: Path) -> None:
    """A log that an interview holds is refused to the next, by the lock of that system."""
    windows("interview", "--answers", "seen.yaml", "--log", "a.jsonl")
    with (tmp_path / "work" / "a.jsonl").open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        ran = windows("interview", "--resume", "a.jsonl", typed="stop\n", code=1)
    assert "another interview is writing to this log" in ran.err


@pytest.mark.parametrize("windows", [True], indirect=True, ids=["NTFS"])
def test_names_of_devices_and_forbidden_signs_make_a_folder(windows: Callable[..., Ran]) -> None:
    """Whatever a client is called, the folder's name is one that such a disk takes."""
    for name in ("CON", "aux", "Lpt1", "nul.", "a?b", "trailing. ", 'say "hello"'):
        windows("case", "new", name)
        assert folder_name(name).casefold() not in DEVICES


@pytest.mark.parametrize("windows", [True], indirect=True, ids=["NTFS"])
def test_the_output_of_an_old_console(windows: Callable[..., Ran], tmp_path: Path) -> None:
    """Code page 1252 has no prime signs or Chinese letters; they become `?`, and nothing fails."""

    def narrow(disk: files.Disk) -> files.Disk:
        sys.stdout = io.TextIOWrapper(io.BytesIO(), encoding="cp1252")
        return disk

    windows("case", "new", "點燈夫 ½″")
    windows("case", "list", again=narrow)
