"""Commands broken off at every change of the disk: killed, failed, and cut off from the current with un-synced data dropped.

The model of the disk is pessimistic: a name lasts once its folder was synced, content once its file was. One recorded run of a
command gives what a cut would leave at each of its changes; each such tree is laid out and the same command runs again there,
once for all the points that leave it. Every run is a child forked from a process that has loaded everything.
"""

from __future__ import annotations

import errno
import functools
import gc
import hashlib
import importlib
import io
import os
import pickle
import re
import shutil
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import chdir, contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import pytest
import typer.main
from crash_commands import (
    BROKEN_OFF,
    DRAFT,
    MARKED,
    NEW,
    PICTURES,
    ROUND_1,
    SENT,
    Command,
    Tree,
    about_client,
    inputs,
    kept_elsewhere,
    marked_inputs,
)
from shelf import FOR_ALL, hurry_documents, put_on

from fitdiag import files
from fitdiag.cli import documents
from fitdiag.cli.main import run
from fitdiag.knowledge import cache
from fitdiag.knowledge.folders import default_rules
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.sessions.case_files import Case
from fitdiag.sessions.state import Conclusion

MEMORY = Path("/dev/shm")  # where syncing costs nothing
How = Literal["killed", "EIO", "ENOSPC", "short"]
FAILS: tuple[How, ...] = ("EIO", "ENOSPC", "short")
OPERATIONS = ("open", "write", "sync", "truncate", "rename", "link", "remove", "make_folder", "remove_folder", "sync_folder")  # fmt: skip


# -- trees -------------------------------------------------------------------------------------------------------------


def tree_of(folder: Path) -> Tree:
    """Everything below a folder."""
    found: Tree = {}
    for place, folders, names in os.walk(folder):
        at = os.path.relpath(place, folder)
        before = "" if at == "." else f"{at}/"
        found |= {before + name: None for name in folders}
        for name in names:
            with open(f"{place}/{name}", "rb", buffering=0) as handle:  # noqa: PTH123 (thousands of them)
                found[before + name] = handle.read()
    return found


def lay_out(tree: Tree, folder: Path) -> None:
    """Make a folder hold exactly this."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for path, content in sorted(tree.items()):
        place = folder / path
        if content is None:
            place.mkdir(exist_ok=True)
        else:
            if not place.parent.is_dir():
                place.parent.mkdir(parents=True)
            place.write_bytes(content)


_TIMES = re.compile(rb'"at":"[^"]*"')
_HALF = re.compile(r"\.fitdiag-(gone-)?[0-9a-f]+")  # the random name of what is half written


@functools.lru_cache(maxsize=10_000)
def _timeless(content: bytes) -> bytes:
    return _TIMES.sub(b"", content)


@functools.lru_cache(maxsize=10_000)
def _sum(content: bytes) -> bytes:
    told = _HALF.sub(r".fitdiag-\1", _timeless(content).decode("latin-1")) if len(content) < 1 << 16 else ""
    return hashlib.sha256(told.encode("latin-1") if told else content).digest()


def likeness(tree: Tree) -> str:
    """The same for two trees that differ only in times and in the random names of what is half written."""
    lines = sorted(
        (_HALF.sub(r".fitdiag-\1", path), b"" if content is None else _sum(content)) for path, content in tree.items()
    )
    return hashlib.sha256(repr(lines).encode()).hexdigest()


def settled(tree: Tree) -> Tree:
    """A tree without the times in it; the list and the results kept for speed hold nothing else."""
    return {
        path: content if content is None else _timeless(content)
        for path, content in tree.items()
        if ".fitdiag" not in path.split("/") and path != "own" and not path.startswith("own/XDG_CACHE_HOME")
    }


def leftovers(tree: Tree) -> list[str]:
    """What is half written, half deleted, or a lock that nobody holds."""
    return [path for path in tree if ".fitdiag-" in path or path.endswith(".lock")]


def difference(one: Tree, other: Tree) -> str:
    """The paths in which two trees differ."""
    return ", ".join(sorted(path for path in one.keys() | other.keys() if one.get(path, 0) != other.get(path, 0)))


# -- a disk that knows what is synced ----------------------------------------------------------------------------------


@dataclass(eq=False)
class _File:
    live: bytes = b""
    kept: bytes = b""


@dataclass(eq=False)
class _Folder:
    live: dict[str, _Node] = field(default_factory=dict)
    kept: dict[str, _Node] = field(default_factory=dict)


_Node = _File | _Folder


def _read(path: Path) -> _Node:
    if path.is_dir():
        inner = {entry.name: _read(entry) for entry in path.iterdir()}
        return _Folder(dict(inner), dict(inner))
    content = path.read_bytes()
    return _File(content, content)


CUTS = {"killed": ("live", "live"), "all dropped": ("kept", "kept"), "data dropped": ("live", "kept")}


@dataclass(frozen=True)
class Point:
    """One change of the disk: what it was, and what is left when the command is broken off right after it, by cut."""

    what: str
    left: dict[str, str]  # by the name of the cut, the likeness of the tree


class _Counted(files.Disk):
    """Counts what is asked of it."""

    def __init__(self) -> None:
        self.count = 0
        for name in OPERATIONS:
            setattr(self, name, functools.partial(self._call, name, getattr(self, name)))

    def _call(self, name: str, real: Callable[..., object], *arguments: object) -> object:
        self.count += 1
        return self.done(name, real, arguments)

    def done(self, name: str, real: Callable[..., object], arguments: tuple[object, ...]) -> object:
        """One operation, or what comes in its stead."""
        raise NotImplementedError


class Recorded(_Counted):
    """Does what is asked, and notes after every operation what a kill and what a power cut would leave."""

    def __init__(self, root: Path, note: Callable[[Recorded], None] | None = None) -> None:
        super().__init__()
        self.root, self.tree, self.note = root, _read(root), note
        self.open_files: dict[int, _Node] = {}
        self.points: list[Point] = []
        self.trees: dict[str, Tree] = {}
        self.last: dict[str, Tree] = {}
        self.seen = changes_seen()

    def done(self, name: str, real: Callable[..., object], arguments: tuple[object, ...]) -> object:
        try:
            return real(*arguments)
        finally:
            if self.note is not None:
                self.note(self)
            else:
                self.last = {cut: self.state(*how) for cut, how in CUTS.items()}
                told = " ".join([name, *(item.name for item in arguments if isinstance(item, Path))])
                self.points.append(Point(told, {cut: self._held(tree) for cut, tree in self.last.items()}))

    def _held(self, tree: Tree) -> str:
        like = likeness(tree)
        self.trees.setdefault(like, tree)
        return like

    def _place(self, path: str | Path) -> tuple[_Folder, str] | None:
        """The folder that holds a path, and its name there; None outside the work folder."""
        whole = Path(path).absolute()
        if not whole.is_relative_to(self.root):
            return None
        *above, name = whole.relative_to(self.root).parts
        node: _Node = self.tree
        for part in above:
            assert isinstance(node, _Folder)
            node = node.live[part]
        assert isinstance(node, _Folder)
        return node, name

    def open(self, path: str | Path, flags: int, mode: int = 0o600) -> int:
        descriptor = super().open(path, flags, mode)
        if found := self._place(path):
            folder, name = found
            self.open_files[descriptor] = folder.live.setdefault(name, _File())
        return descriptor

    def write(self, descriptor: int, content: bytes | memoryview) -> int:
        many = super().write(descriptor, content)
        if isinstance(node := self.open_files.get(descriptor), _File):
            node.live += bytes(content[:many])
        return many

    def sync(self, descriptor: int) -> None:
        super().sync(descriptor)
        if isinstance(node := self.open_files.get(descriptor), _File):
            node.kept = node.live

    def truncate(self, descriptor: int, size: int) -> None:
        super().truncate(descriptor, size)
        if isinstance(node := self.open_files.get(descriptor), _File):
            node.live = node.live[:size]

    def rename(self, source: Path, target: Path) -> None:
        super().rename(source, target)
        if (old := self._place(source)) and (new := self._place(target)):
            new[0].live[new[1]] = old[0].live.pop(old[1])

    def link(self, source: Path, target: Path) -> None:
        super().link(source, target)
        if (old := self._place(source)) and (new := self._place(target)):
            new[0].live[new[1]] = old[0].live[old[1]]

    def remove(self, path: str | Path) -> None:
        super().remove(path)
        if found := self._place(path):
            found[0].live.pop(found[1])

    def make_folder(self, path: Path) -> None:
        super().make_folder(path)
        if found := self._place(path):
            found[0].live[found[1]] = _Folder()

    def remove_folder(self, path: str | Path) -> None:
        super().remove_folder(path)
        if found := self._place(path):
            found[0].live.pop(found[1])

    def sync_folder(self, path: Path) -> None:
        super().sync_folder(path)
        whole = Path(path).absolute()
        node: _Node | None = self.tree
        if whole != self.root:
            node = found[0].live[found[1]] if (found := self._place(path)) else None
        if isinstance(node, _Folder):
            node.kept = dict(node.live)

    def state(self, names: str, contents: str) -> Tree:
        """What lies there with the names and the contents that are `live` or `kept`."""
        found: Tree = {}

        def walk(node: _Node, at: str) -> None:
            if isinstance(node, _File):
                found[at] = node.live if contents == "live" else node.kept
                return
            if at:
                found[at] = None
            for name, inner in (node.live if names == "live" else node.kept).items():
                walk(inner, f"{at}/{name}" if at else name)

        walk(self.tree, "")
        return found


CHANGES = {
    "os.rename": "rename",
    "os.remove": "remove",
    "os.rmdir": "remove_folder",
    "os.mkdir": "make_folder",
    "os.link": "link",
}
OTHERS = ("os.truncate", "os.chmod", "os.chown", "os.utime", "os.symlink", "os.setxattr", "shutil.move", "tempfile.mkstemp")  # fmt: skip
WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
NOT_COUNTED = [".pyc", "__pycache__"]  # the interpreter's own; `warm` adds the shelf


def changes_seen() -> Counter[str]:
    """Counts from now on what the interpreter itself sees of changes of the disk, by its audit events (PEP 578)."""
    seen = Counter[str]()

    def hook(event: str, arguments: tuple[object, ...]) -> None:
        if event != "open" and event not in CHANGES and event not in OTHERS:
            return
        if event == "open":
            path, _, flags = arguments
            if isinstance(path, int) or path == os.devnull or not (isinstance(flags, int) and flags & WRITES):
                return
        if not any(part in str(arguments[0]) for part in NOT_COUNTED):
            seen[CHANGES.get(event, event)] += 1

    sys.addaudithook(hook)
    return seen


class Failing(_Counted):
    """Fails at one operation: with an error of the disk, by writing less than was asked, or by a kill."""

    def __init__(self, at: int, how: How) -> None:
        super().__init__()
        self.at, self.how = at, how

    def done(self, name: str, real: Callable[..., object], arguments: tuple[object, ...]) -> object:
        if self.count != self.at:
            return real(*arguments)
        if self.how == "killed":
            os._exit(9)
        if self.how == "short":
            descriptor, content = arguments
            return real(descriptor, content[: max(1, len(content) // 2)])  # type: ignore[index, arg-type]
        number = errno.EIO if self.how == "EIO" else errno.ENOSPC
        raise OSError(number, os.strerror(number))


# -- running -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Ran:
    """How a command ended, what it said, and what its disk had to hand over."""

    code: int
    out: str
    err: str
    handed: object = None


def in_child(
    folder: Path,
    arguments: tuple[str, ...],
    disk: Callable[[], files.Disk] | None = None,
    typed: str = "",
    hand: Callable[[files.Disk], object] | None = None,
) -> Ran:
    """Run a command in a process of its own, in a folder, with a disk of its own; `hand` says what of that comes back."""
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        code, out, err, handed = 7, io.StringIO(), io.StringIO(), None
        try:
            os.close(reads)
            os.chdir(folder)
            os.environ |= {name: str(folder / "own" / name) for name in OWN}
            sys.stdin = io.StringIO(typed)
            files.disk = disk() if disk is not None else files.Disk()
            with redirect_stdout(out), redirect_stderr(err):
                try:
                    run(list(arguments))
                    code = 0
                except SystemExit as ended:
                    code = int(ended.code or 0)
            handed = hand(files.disk) if hand is not None else None
        except BaseException:
            err.write(traceback.format_exc())
        with os.fdopen(writes, "wb") as pipe:
            pickle.dump((out.getvalue(), err.getvalue(), handed), pipe)
        os._exit(code)
    os.close(writes)
    with os.fdopen(reads, "rb") as pipe:
        told = pipe.read()
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return Ran(code, *(pickle.loads(told) if told else ("", "")))


OWN = ("XDG_CACHE_HOME", "XDG_STATE_HOME", "LOCALAPPDATA")  # what is kept outside the cases lies in the same tree
SHELVED = (
    *FOR_ALL, "cli.photo read_picture", "cli.photo clean_jpeg", "cli.learn learn_from", "drape.muslin _settled", "pattern.fit fit",
    "drape.muslin _drawn", "reports.sheet make_sheet", "sessions.state make_plan",
)  # fmt: skip


@contextmanager
def warm(shelf: Path) -> Iterator[None]:
    """Load once what every command would load anew in its child, and keep on the shelf what else takes long and is always the same."""
    base, recall, muslin = load_rules(), cache.recall, importlib.import_module("fitdiag.drape.muslin")
    NOT_COUNTED.append(str(shelf.resolve()))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cache, "recall", lambda folder: base if folder == default_rules() else recall(folder))
        patch.setattr(typer.main, "get_command", functools.cache(typer.main.get_command))
        patch.setattr(documents, "simulated_round", _draped)
        put_on(shelf, SHELVED, patch)
        hurry_documents(shelf, patch)
        patch.setattr(muslin, "WORKERS", 1)
        _load_all(shelf)
        gc.freeze()  # so that a child touches, and copies, nothing of it
        try:
            yield
        finally:
            gc.enable()


@functools.cache
def _load_all(shelf: Path) -> None:
    """All that is loaded late is loaded here, once in a process."""
    with tempfile.TemporaryDirectory(dir=shelf) as work:
        lay_out(inputs(), Path(work))
        with chdir(work), redirect_stdout(io.StringIO()):
            for arguments in (NEW, ROUND_1, PICTURES, SENT, DRAFT):
                with suppress(SystemExit):
                    run(list(arguments))
    gc.collect()


def _draped(base: RuleBase, case: Case, conclusion: Conclusion) -> tuple[None, dict[str, float] | None]:
    """What a plan on simulated cloth hands on from the second round: the cloth itself takes minutes, and writes nothing here."""
    return None, {"seat-out": -3.5} if case.pattern and len(case.rounds) > 1 else None


# -- every point of a command ------------------------------------------------------------------------------------------


@dataclass
class Figures:
    """How many points were tried, and what went wrong at which."""

    points: int = 0
    same: int = 0
    refused: int = 0
    failures: list[str] = field(default_factory=list)


_LEFT: dict[
    tuple[str, tuple[tuple[str, ...], ...], str], Tree
] = {}  # by what was there, and the commands that were run in it


class Trial:
    """One command at all its points."""

    def __init__(self, command: Command, inputs: Tree, place: Path) -> None:
        self.command, self.work = command, place / "work"
        self.figures = Figures()
        self.after: dict[str, tuple[bool, str]] = {}  # by the likeness of a tree: refused there, and what went wrong
        if command.beside is not None:
            command.beside(place)
        self.start = self._before(inputs)
        lay_out(self.start, self.work)  # so that a folder is walked in the same order ever after
        self.points, self.trees, self.seen = self._recorded()
        self.asked = Counter(
            kind for point in self.points if (kind := point.what.split()[0]) in (*CHANGES.values(), "open")
        )
        self.operations = len(self.points)
        self.end = tree_of(self.work)

    def _before(self, inputs: Tree) -> Tree:
        """What the commands before leave, each run once for all trials, without what is taken away."""
        tree, first = inputs, likeness(inputs)
        for number, arguments in enumerate(self.command.before, 1):
            key = (first, self.command.before[:number], self.command.typed)
            if key not in _LEFT:
                lay_out(tree, self.work)
                ran = self._run(arguments)
                assert ran.code == 0, (arguments, ran)
                _LEFT[key] = tree_of(self.work)
            tree = _LEFT[key]
        return {path: content for path, content in tree.items() if path not in self.command.gone}

    def _run(self, arguments: tuple[str, ...], disk: Callable[[], files.Disk] | None = None) -> Ran:
        return in_child(self.work, arguments, disk, self.command.typed)

    def _recorded(self) -> tuple[list[Point], dict[str, Tree], Counter[str]]:
        """Run it undisturbed; what each cut would have left, and what the interpreter saw of changes."""

        def hand(disk: files.Disk) -> object:
            assert isinstance(disk, Recorded)
            return disk.points, disk.trees, disk.last, disk.seen

        ran = in_child(self.work, self.command.arguments, lambda: Recorded(self.work), self.command.typed, hand)
        assert ran.code == 0, (self.command.name, ran)
        points, trees, last, seen = ran.handed  # type: ignore[misc]
        lost = difference(settled(last["killed"]), settled(last["all dropped"]))
        if lost:
            self._fault("at the end", f"acknowledged, and a power cut would lose {lost}")
        return points, trees, seen

    def cut(self, at: int) -> None:
        """Cut off right after an operation (0 is the first), in all ways; the same command again in what is left."""
        for cut, like in self.points[at].left.items():
            self.again(f"{cut} after operation {at + 1} ({self.points[at].what})", self.trees[like])

    def kill(self, at: int) -> None:
        """Killed in earnest before an operation: what lies there is what the model says, and the same command goes on from it."""
        lay_out(self.start, self.work)
        where = f"killed before operation {at + 1} ({self.points[at].what})"
        ran = self._run(self.command.arguments, lambda: Failing(at + 1, "killed"))
        found = tree_of(self.work)
        if ran.code != 9:
            self._fault(where, f"ended with {ran.code}: {ran.err}")
        elif at:
            said = self.trees[self.points[at - 1].left["killed"]]
            if likeness(settled(found)) != likeness(settled(said)):
                self._fault(where, f"is not as the model says in {difference(settled(found), settled(said))}")
        self.again(where, found)

    def fail(self, at: int, how: How) -> None:
        """The command with a disk that fails at an operation, then the same again."""
        if how == "short" and self.points[at].what != "write":
            return
        lay_out(self.start, self.work)
        where = f"{how} at operation {at + 1} ({self.points[at].what})"
        ran = self._run(self.command.arguments, lambda: Failing(at + 1, how))
        found = tree_of(self.work)
        if "Traceback" in ran.err:
            self._fault(where, ran.err)
        elif ran.code == 0 and not self.command.aside and settled(found) != settled(self.end):
            self._fault(where, f"ended well, but {difference(settled(found), settled(self.end))}")
        elif ran.code != 0 and (how == "short" or not ran.err.strip()):
            self._fault(where, f"ended with {ran.code}: {ran.err}")
        if ran.code == 0 and not self.command.aside:
            self.figures.points += 1
            self.figures.same += 1
        else:
            self.again(where, found)

    def again(self, where: str, tree: Tree) -> None:
        """The same command again in a tree, or what is known of it."""
        like = likeness(tree)
        if like not in self.after:
            self.after[like] = self._ended(tree)
        refused, fault = self.after[like]
        self.figures.points += 1
        self.figures.refused += refused
        self.figures.same += not refused
        if fault:
            self._fault(where, fault)

    def _ended(self, tree: Tree) -> tuple[bool, str]:
        """Whether the same command refuses in a tree, and what goes wrong: it must come to the same end, or say a way on."""
        lay_out(tree, self.work)
        ran = self._run(self.command.arguments)
        refused = ran.code != 0
        if refused:
            if "Traceback" in ran.err or not re.search(r"\(.+\)", ran.err):
                return refused, f"refused without a way on: {ran.err}"
            if self.command.way_on:
                ran = self._run((*self.command.arguments, *self.command.way_on))
        found = tree_of(self.work)
        if settled(found) != settled(self.end):
            ended = f"refused: {ran.err}" if refused else "ended"
            return refused, f"{ended}, differs in {difference(settled(found), settled(self.end))}"
        left = leftovers(found)
        return refused, f"left behind: {left}" if left else ""

    def _fault(self, where: str, told: str) -> None:
        self.figures.failures.append(f"{self.command.name}, {where}: {told}")


def deletion(name: str, place: Path) -> Trial:
    """A command over a case that holds a marker in every field, after which the case is to be deleted."""
    return Trial(Command(name, BROKEN_OFF[name], MARKED), marked_inputs() | kept_elsewhere(), place)


def delete_again(trial: Trial, like: str) -> None:
    """Delete the case in a tree that a broken-off command has left; nothing of the client may be left anywhere."""
    given = marked_inputs()
    pictures = [
        content for path, content in trial.start.items() if path.endswith((".jpg", ".png")) and path not in given
    ]
    sizes = frozenset(map(len, filter(None, pictures)))
    assert sizes and len(about_client(trial.start, sizes)) > 10
    whole = (
        "elsewhere/copy.zip" if trial.command.name.endswith(".zip") else "elsewhere/copy"
    )  # the fitter's own, once it is there
    tree = {
        path: content
        for path, content in trial.trees[like].items()
        if path not in given and not f"{path}/".startswith(f"{whole}/")
    }
    lay_out(tree, trial.work)
    ran = in_child(trial.work, BROKEN_OFF["delete"])
    trial.figures.points += 1
    trial.figures.refused += ran.code == 1
    trial.figures.same += ran.code == 0
    left = about_client(tree_of(trial.work), sizes)
    if left or ran.code not in (0, 1) or "Traceback" in ran.err:
        what = next(point.what for point in trial.points if like in point.left.values())
        trial.figures.failures.append(f"{trial.command.name}, broken off at {what}, then deleted: {left} {ran.err}")
