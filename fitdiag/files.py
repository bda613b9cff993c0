"""Reading and writing of whole files: nothing half read, half written or left behind, and one clear message on failure.

There is one way to write: a temporary file beside the target, its data synced, renamed, its folder synced. Every change of the
disk is one method of `Disk`, so that a test can stop at each. A writer holds a lock on what is still incomplete; what nobody
holds was left by a killed command, and the next one sweeps it.
"""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
import stat
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any, Literal, Self

from fitdiag.problems import ProblemsFoundError, Where, one_line, shown_path, stop

TEMPORARY = ".fitdiag-"  # prefix of everything still incomplete
GONE = f"{TEMPORARY}gone-"  # prefix of what is being deleted; the next command removes any rest
WAIT_S = 30.0  # how long to wait for another window to finish its change
_AGE_S = 3600.0  # where files cannot be locked, a temporary file this old is left from a crash
_NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)  # as on USB sticks
_NO_SYNC = (errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EACCES, errno.EPERM, errno.EBADF, errno.EISDIR)
_WINDOWS = sys.platform == "win32"  # open files can be neither renamed nor removed there
_PLAIN = getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)


class Disk:
    """Every operation that changes the disk. Nothing in the program changes a file in any other way."""

    def open(self, path: str | Path, flags: int, mode: int = 0o600) -> int:
        return os.open(path, flags | _PLAIN, mode)

    def write(self, descriptor: int, content: bytes | memoryview) -> int:
        return os.write(descriptor, content)

    def sync(self, descriptor: int) -> None:
        os.fsync(descriptor)

    def truncate(self, descriptor: int, size: int) -> None:
        os.ftruncate(descriptor, size)

    def rename(self, source: Path, target: Path) -> None:
        source.replace(target)

    def link(self, source: Path, target: Path) -> None:
        os.link(source, target)

    def remove(self, path: str | Path) -> None:
        os.unlink(path)  # noqa: PTH108 (scandir gives plain strings)

    def make_folder(self, path: Path) -> None:
        os.mkdir(path, 0o700)  # noqa: PTH102 (as above)

    def remove_folder(self, path: str | Path) -> None:
        os.rmdir(path)  # noqa: PTH106 (as above)

    def sync_folder(self, path: Path) -> None:
        """Make new names in a folder survive a power cut, where the system lets a folder be opened for that."""
        try:
            descriptor = os.open(path, os.O_RDONLY)
            try:
                os.fsync(descriptor)
            finally:
                os.close(descriptor)
        except OSError as error:
            if error.errno not in _NO_SYNC:
                raise


disk = Disk()


# -- locks -------------------------------------------------------------------------------------------------------------

if sys.platform == "win32":
    import msvcrt

    def _try_lock(descriptor: int, at: int = 0) -> bool:
        """Try to lock a file; False if another process holds it. Raises OSError where the system cannot lock it at all."""
        os.lseek(descriptor, at, os.SEEK_SET)  # a byte past the text: a locked byte cannot be read either
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except PermissionError:
            return False
        return True

else:
    import fcntl

    def _try_lock(descriptor: int, at: int = 0) -> bool:
        """Try to lock a file or folder; False if another process holds it. Raises OSError where it cannot be locked at all."""
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except (BlockingIOError, PermissionError):
            return False
        return True


def lock(descriptor: int, wait_s: float, at: int = 0) -> bool:
    """Lock an open file, waiting up to `wait_s` for another process to release it; False if it does not."""
    ends = time.monotonic() + wait_s
    while not _try_lock(descriptor, at):
        if time.monotonic() >= ends:
            return False
        time.sleep(0.005 + secrets.randbelow(20) / 1000)  # so that waiting processes do not retry in step
    return True


class _Held:
    """A file or folder that this process holds open; also as a context manager. Closing it twice is harmless."""

    def __init__(self, path: Path, descriptor: int, *, is_folder: bool = False) -> None:
        self.path, self.descriptor, self.is_folder = path, descriptor, is_folder

    @property
    def is_there(self) -> bool:
        """Whether it is still the file at its path, neither removed nor replaced."""
        try:
            held, current = os.fstat(self.descriptor), os.stat(self.path, follow_symlinks=False)  # noqa: PTH116
        except OSError:
            return False
        return (held.st_dev, held.st_ino) == (current.st_dev, current.st_ino)

    def close(self) -> None:
        """Release it."""
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def remove(self) -> None:
        """Remove and close it, in the order the system allows. Raises OSError."""
        if _WINDOWS:
            self.close()
        try:
            (remove_tree if self.is_folder else disk.remove)(self.path)
        finally:
            self.close()


def _new_temporary(folder: Path, make: Callable[[Path], int], *, is_folder: bool = False) -> _Held:
    """Make a temporary file or folder, locked while it is open where the system can lock it. Raises OSError."""
    while True:
        path = folder / f"{TEMPORARY}{secrets.token_hex(6)}"
        try:
            held = _Held(path, make(path), is_folder=is_folder)
        except FileNotFoundError:
            if is_folder and folder.is_dir():
                continue  # swept before it was opened
            raise
        with suppress(OSError):
            if held.descriptor >= 0 and not (_try_lock(held.descriptor) and held.is_there):
                held.close()  # swept before it was locked
                continue
        return held


class Alone(_Held):
    """A held lock. Its notes survive a kill, for the next command that finds the lock."""

    def note(self, text: str) -> None:
        """Note, before starting it, what the next command must finish if this one is killed. Raises ProblemsFoundError."""
        with refusals(self.path, "this cannot be written"):
            _write(self.descriptor, os.fsencode(text).replace(b"\n", b"?") + b"\n")
            disk.sync(self.descriptor)
            disk.sync_folder(self.path.parent)

    def notes(self) -> list[str]:
        """Return the notes a killed command left."""
        size = os.fstat(self.descriptor).st_size
        os.lseek(self.descriptor, 0, os.SEEK_SET)
        return [os.fsdecode(line) for line in os.read(self.descriptor, size).split(b"\n") if line]


_held: dict[str, Alone] = {}


@contextmanager
def alone(path: Path, wait_s: float | None = None, *, only_left: bool = False) -> Iterator[Alone | None]:
    """Hold the lock file at `path`, made with its folder and removed at the end; only a kill leaves it. Re-entrant.

    Yields None if another process does not release it in time. `only_left`: take only a lock file that exists already.
    Where files cannot be locked it goes without: windows rarely collide. Raises OSError.
    """
    key = os.path.realpath(path)
    if key in _held:
        yield _held[key]
        return
    held = _taken(path, WAIT_S if wait_s is None else wait_s, os.O_RDWR if only_left else os.O_RDWR | os.O_CREAT)
    if held is None:
        yield None
        return
    _held[key] = held
    try:
        yield held
    finally:
        del _held[key]
        with suppress(OSError):  # a process waiting for it has it open, and removes it after its turn
            held.remove()
        with suppress(OSError):
            if not any(path.parent.iterdir()):
                disk.remove_folder(path.parent)


def _taken(path: Path, wait_s: float, flags: int) -> Alone | None:
    ends = time.monotonic() + wait_s
    while True:
        try:
            held = Alone(path, disk.open(path, flags))
        except FileNotFoundError:
            if not flags & os.O_CREAT:
                return None
            _make_folder(path.parent)
            continue
        except PermissionError:
            if not _WINDOWS or time.monotonic() >= ends:
                raise
            continue  # it is just being removed
        try:
            free = lock(held.descriptor, max(0.0, ends - time.monotonic()))
        except OSError:
            return held
        if free and held.is_there:
            return held
        held.close()
        if not free:
            return None


# -- whole files -------------------------------------------------------------------------------------------------------


def write_atomically(path: Path, content: str | bytes, *, replace: bool = False, private: bool = True) -> None:
    """Write a whole file or nothing. An existing file is kept unless `replace`. Raises ProblemsFoundError.

    `private`: readable by the owner only.
    """
    write_all({path: content}, replace=replace, private=private)


def write_all(files: Mapping[Path, str | bytes], *, replace: bool = False, private: bool = True) -> None:
    """Write several files, each whole or not at all; if one fails, the new ones are removed again. Raises ProblemsFoundError."""
    flags, mode = os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600 if private else 0o644
    waiting: list[tuple[_Held, Path]] = []  # to be renamed
    new: list[Path] = []
    path, hint = Path(), "choose another folder"
    try:
        for folder in {path.parent for path in files}:
            sweep(folder)
        for path in files:  # refuse whatever can be refused before anything is written
            refuse_taken(path, replace=replace)
        for path, content in files.items():
            waiting.append((_new_temporary(path.parent, lambda place: disk.open(place, flags, mode)), path))
            hint = "nothing was changed"
            _write(waiting[-1][0].descriptor, content.encode() if isinstance(content, str) else content)
            disk.sync(waiting[-1][0].descriptor)
        while waiting:
            part, path = waiting[0]
            is_new = not os.path.lexists(path)
            if _WINDOWS:
                part.close()
            (disk.rename if replace else _claim)(part.path, path)
            waiting.pop(0)[0].close()
            new += [path] if is_new else []
            hint = "mend that, then do this again"
        for folder in {path.parent for path in files}:
            path = folder
            disk.sync_folder(folder)
    except BaseException as error:
        for left in new:
            with suppress(OSError):
                disk.remove(left)
        if isinstance(error, FileExistsError):
            raise taken_name(path) from None
        if isinstance(error, OSError | ValueError):
            message = f"this cannot be written: {refusal(error)}"
            raise stop("cannot-save", message, where=path, hint=hint) from None
        raise
    finally:
        for part, _ in waiting:
            with suppress(OSError):
                part.remove()


def _write(descriptor: int, content: bytes) -> None:
    left = memoryview(content)
    while left:
        left = left[disk.write(descriptor, left) :]


def _claim(source: Path, path: Path) -> None:
    """Give a file its name; fail if the name was taken meanwhile, so that nothing is ever overwritten."""
    try:
        disk.link(source, path)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        os.close(disk.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        rest = partial(disk.rename, source, path)
    else:
        rest = partial(disk.remove, source)
    try:
        rest()
    except OSError:
        disk.remove(path)
        raise


def refuse_taken(path: Path, *, replace: bool) -> None:
    """Refuse a name already in use, unless it may be replaced. Raises ProblemsFoundError."""
    if not replace and os.path.lexists(path):
        raise taken_name(path)


def taken_name(path: Path | str) -> ProblemsFoundError:
    """The error for a name already in use."""
    hint = "choose another name, or add --replace"
    return stop("exists", "there is a file of this name already", where=path, hint=hint)


# -- files that grow ---------------------------------------------------------------------------------------------------


class GoneError(Exception):
    """An open file is no longer the one at its path: it was moved, deleted or replaced."""


class Growing(_Held):
    """A file that only grows, by whole lines, open in one process only. Raises OSError or GoneError."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, disk.open(path, os.O_RDWR | os.O_APPEND))

    def lock(self, wait_s: float, at: int) -> bool:
        """Lock it, waiting up to `wait_s`; False if another process holds it. `at`: an offset that is never written."""
        return lock(self.descriptor, wait_s, at)

    def add(self, line: bytes) -> None:
        """Append a line and wait until it is on the disk; on failure the file stays as it was."""
        if not self.is_there:
            raise GoneError
        size = os.fstat(self.descriptor).st_size
        try:
            _write(self.descriptor, line)
            disk.sync(self.descriptor)
        except OSError:
            with suppress(OSError):  # if this fails too, readers skip the torn last line
                disk.truncate(self.descriptor, size)
            raise

    def cut(self, size: int, *, line_end: bool = False) -> None:
        """Cut off a torn end; with `line_end`, add the newline the last line lacks."""
        if os.fstat(self.descriptor).st_size == size and not line_end:
            return
        disk.truncate(self.descriptor, size)
        if line_end:
            _write(self.descriptor, b"\n")
        disk.sync(self.descriptor)


# -- folders -----------------------------------------------------------------------------------------------------------


def make_folder(folder: Path) -> None:
    """Make a folder and its missing parents, for the owner only. Raises ProblemsFoundError."""
    with refusals(folder, "this folder cannot be made"):
        _make_folder(folder)


def _make_folder(folder: Path) -> None:
    if folder.is_dir():
        return
    if folder.parent != folder:
        _make_folder(folder.parent)
    try:
        disk.make_folder(folder)
    except FileExistsError:
        if not folder.is_dir():
            raise
    disk.sync_folder(folder.parent)


def write_folder(folder: Path, files: Mapping[Path, bytes]) -> None:
    """Write a new folder of files, keyed by path inside it; it gets its name once complete. Raises ProblemsFoundError.

    If anything fails, nothing is left behind.
    """
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
    taken = stop("exists", "there is something of this name already", where=folder, hint="choose another")
    with refusals(folder, "this folder cannot be made"):
        if os.path.lexists(folder):
            raise taken
        sweep(folder.parent)
        held = _new_temporary(folder.parent, _new_folder, is_folder=True)
        place = held.path
        try:
            folders = sorted({above for path in files for above in path.parents})
            for inside in folders:
                _make_folder(place / inside)
            for path, content in files.items():
                with _Held(place / path, disk.open(place / path, flags)) as part:
                    _write(part.descriptor, content)
                    disk.sync(part.descriptor)
            for inside in reversed(folders):
                disk.sync_folder(place / inside)
            if os.path.lexists(folder):  # made meanwhile
                raise taken
            disk.rename(place, folder)
            disk.sync_folder(folder.parent)
        except BaseException:
            with suppress(OSError):
                held.remove()
            raise
        finally:
            held.close()


def _new_folder(path: Path) -> int:
    """Make a folder and open it; -1 where the system cannot open folders."""
    disk.make_folder(path)
    try:
        return os.open(path, os.O_RDONLY)
    except FileNotFoundError:
        raise
    except OSError:
        return -1


def own_folder(kind: Literal["cache", "state"] = "cache") -> Path:
    """The program's own folder, for what belongs to no case: XDG Base Directory Specification, or LOCALAPPDATA on Windows."""
    if sys.platform == "win32":
        home = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif kind == "cache":
        home = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    else:
        home = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
    return home / "fitdiag"


def remove_file(path: Path) -> None:
    """Remove a file for good. Raises OSError."""
    disk.remove(path)
    disk.sync_folder(path.parent)


def remove_tree(folder: str | Path) -> None:
    """Remove a folder and its contents; links are not followed, missing entries are ignored. Raises OSError."""
    with suppress(FileNotFoundError):
        for entry in list(os.scandir(folder)):
            with suppress(FileNotFoundError):
                if entry.is_dir(follow_symlinks=False):
                    remove_tree(entry.path)
                else:
                    disk.remove(entry.path)
        disk.remove_folder(folder)


def delete_folder(folder: Path) -> None:
    """Delete a folder, all or nothing; whatever a kill leaves is removed by the next sweep. Raises OSError."""
    place = folder.with_name(f"{GONE}{secrets.token_hex(6)}")
    disk.rename(folder, place)
    disk.sync_folder(folder.parent)
    remove_tree(place)
    disk.sync_folder(folder.parent)


def sweep(folder: Path) -> list[str]:
    """Remove what killed commands left in a folder, return its names; files being written now stay. Never fails."""
    gone: list[str] = []
    with suppress(OSError, ValueError):
        for name in os.listdir(folder):  # noqa: PTH208 (fast: every command looks here)
            if name.startswith(TEMPORARY):
                with suppress(OSError):
                    path = Path(folder, name)
                    if name.startswith(GONE):
                        remove_tree(path)
                    elif not _removed_if_left(path):
                        continue
                    gone.append(name)
    if gone:
        with suppress(OSError):
            disk.sync_folder(folder)
    return gone


def _removed_if_left(path: Path) -> bool:
    """Remove a temporary file or folder if no process holds it."""
    status = path.lstat()
    is_folder, young = stat.S_ISDIR(status.st_mode), time.time() - status.st_mtime < _AGE_S
    held, free = _Held(path, -1, is_folder=is_folder), not (is_folder and young)
    try:
        if stat.S_ISREG(status.st_mode) or (is_folder and not _WINDOWS):
            held.descriptor = os.open(path, (os.O_RDONLY if is_folder else os.O_RDWR) | _PLAIN)
            try:
                free = _try_lock(held.descriptor)
            except OSError:
                free = not young
        if free:
            held.remove()
        return free
    finally:
        held.close()


@contextmanager
def refusals(path: Path, what: str, *, reading: bool = False) -> Iterator[None]:
    """Turn the system's refusal to write or read into a ProblemsFoundError."""
    try:
        yield
    except (OSError, ValueError) as error:
        code, why = ("unreadable", reason(error)) if reading else ("cannot-save", refusal(error))
        raise stop(code, f"{what}: {why}", where=path) from None


# -- reading -----------------------------------------------------------------------------------------------------------


def read_bytes(path: Path, largest: int, what: str = "file") -> bytes:
    """Read a regular file of at most `largest` bytes. Raises ProblemsFoundError."""
    where = Where(shown_path(path))
    try:
        if path.is_dir():
            raise stop("not-a-file", f"this is a folder, not a {what}", where=where)
        if path.exists() and not path.is_file():
            raise stop("not-a-file", "this is not a regular file", where=where, hint="give the path of a plain file")
        with path.open("rb") as handle:
            raw = handle.read(largest + 1)
    except FileNotFoundError:
        raise stop("no-file", f"there is no such {what}", where=where, hint="check the path and the name") from None
    except (OSError, ValueError) as error:
        raise stop("unreadable", f"this {what} cannot be read: {reason(error)}", where=where) from None
    if len(raw) > largest:
        raise stop(
            "too-large", f"this {what} is larger than {largest // 1024} kB", where=where, hint="is it the right one?"
        )
    return raw


def digest(content: bytes) -> str:
    """SHA-256 of some content, in hex."""
    return hashlib.sha256(content).hexdigest()


def refuse_utf16(raw: bytes, where: Where | None, what: str = "file") -> None:
    """Refuse UTF-16 text, as some editors save it, with or without a byte-order mark. Raises ProblemsFoundError."""
    start = raw[:64]
    empty = max(start[0::2].count(0), start[1::2].count(0))
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")) or (
        len(start) >= 8 and empty > len(start) // 4 and b"\0\0" not in start
    ):
        raise stop(
            "encoding", f"this {what} is in UTF-16, not in UTF-8", where=where, hint="save it again as plain UTF-8 text"
        )


def no_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """JSON object hook that refuses duplicate keys. Raises ValueError."""
    result = dict(pairs)
    if len(result) != len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise ValueError(f"'{one_line(twice, 40)}' appears twice")
    return result


def reason(error: Exception) -> str:
    """Why the system refused, in its own words."""
    return one_line(getattr(error, "strerror", None) or error)


_REFUSALS = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EROFS: "the disk is read-only",
    errno.EACCES: "writing is not allowed here",
    errno.EPERM: "writing is not allowed here",
    errno.ENOENT: "its folder is not there",
    errno.ENOTDIR: "its folder is a file",
    errno.EEXIST: "its folder is a file",
    errno.ENAMETOOLONG: "the name is too long",
}


def refusal(error: Exception) -> str:
    """Why something cannot be written, in words."""
    return _REFUSALS.get(getattr(error, "errno", None) or 0) or reason(error)
