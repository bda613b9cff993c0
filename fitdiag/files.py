"""Whole files in and out: nothing half read, nothing half written, and one clear message when it cannot be."""

from __future__ import annotations

import errno
import os
import tempfile
from pathlib import Path

from fitdiag.problems import ProblemsFoundError, Where, one_line, shown_path, stop

_NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)  # as on memory sticks


def write_atomically(path: Path, content: str | bytes, *, replace: bool = False, private: bool = True) -> None:
    """Write a whole file or nothing. An existing file is kept unless `replace`. Raises ProblemsFoundError.

    `private`: only the owner can read it.
    """
    where = Where(shown_path(path))
    hint = "choose another folder"
    try:
        if path.exists() and not replace:
            raise _exists(where)
        descriptor, name = tempfile.mkstemp(prefix=".fitdiag-", dir=path.parent)
        hint = "nothing was changed"
        try:
            with os.fdopen(descriptor, "wb") as handle:
                handle.write(content.encode() if isinstance(content, str) else content)
                handle.flush()
                os.fsync(handle.fileno())
            Path(name).chmod(0o600 if private else 0o644)
            if replace:
                Path(name).replace(path)
            else:
                _claim(Path(name), path)
        finally:
            Path(name).unlink(missing_ok=True)
    except FileExistsError:
        raise _exists(where) from None
    except (OSError, ValueError) as error:
        raise stop("cannot-save", f"this cannot be written: {reason(error)}", where=where, hint=hint) from None


def _claim(source: Path, path: Path) -> None:
    """Give a file its name, and fail if the name was taken meanwhile, so that nothing is ever lost."""
    try:
        os.link(source, path)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        try:
            source.replace(path)
        except OSError:
            path.unlink()
            raise


def _exists(where: Where) -> ProblemsFoundError:
    hint = "choose another name, or add --replace"
    return stop("exists", "there is a file of this name already", where=where, hint=hint)


def read_bytes(path: Path, largest: int, what: str = "file") -> bytes:
    """The content of a regular file of at most `largest` bytes. Raises ProblemsFoundError otherwise."""
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


def reason(error: Exception) -> str:
    """Why the system refused, in its own words."""
    return one_line(getattr(error, "strerror", None) or error)
