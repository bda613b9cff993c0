"""Commands broken off at every change of the disk: killed, failed, and cut off from the current with un-synced data dropped.

The model of the disk is pessimistic: a name lasts once its folder was synced, content once its file was. What a cut leaves is
laid out in a folder, and the same command runs again there.
"""

from __future__ import annotations

import errno
import gc
import hashlib
import importlib
import io
import os
import pickle
import re
import shutil
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import chdir, contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from small_rules import good_files

from fitdiag import files
from fitdiag.cli import review
from fitdiag.cli.main import run
from fitdiag.knowledge import cache
from fitdiag.knowledge.load import default_rules, load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.reports.form import packed
from fitdiag.sessions.case_files import Case
from fitdiag.sessions.state import Conclusion

Tree = dict[str, bytes | None]  # path below the work folder to content; None for a folder
_TIME = re.compile(rb'"at":"[^"]*"')


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


class Recorded(files.Disk):
    """Does what is asked, and notes after every operation what a kill and what a power cut would leave."""

    def __init__(self, root: Path, note: Callable[[str, Recorded], None]) -> None:
        self.root, self.tree, self.note = root, _read(root), note
        self.open_files: dict[int, _Node] = {}
        self.count = 0

    def _done(self, what: str) -> None:
        self.count += 1
        self.note(what, self)

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

    def _take(self, path: str | Path) -> None:
        if found := self._place(path):
            found[0].live.pop(found[1], None)

    def open(self, path: str | Path, flags: int, mode: int = 0o600) -> int:
        descriptor = super().open(path, flags, mode)
        if found := self._place(path):
            folder, name = found
            self.open_files[descriptor] = folder.live.setdefault(name, _File())
            self._done(f"open {name}")
        return descriptor

    def write(self, descriptor: int, content: bytes | memoryview) -> int:
        many = super().write(descriptor, content)
        if isinstance(node := self.open_files.get(descriptor), _File):
            node.live += bytes(content[:many])
            self._done("write")
        return many

    def sync(self, descriptor: int) -> None:
        super().sync(descriptor)
        if isinstance(node := self.open_files.get(descriptor), _File):
            node.kept = node.live
            self._done("sync")

    def truncate(self, descriptor: int, size: int) -> None:
        super().truncate(descriptor, size)
        if isinstance(node := self.open_files.get(descriptor), _File):
            node.live = node.live[:size]
            self._done("truncate")

    def rename(self, source: Path, target: Path) -> None:
        super().rename(source, target)
        old, new = self._place(source), self._place(target)
        if old and new:
            new[0].live[new[1]] = old[0].live.pop(old[1])
            self._done(f"rename to {target.name}")

    def link(self, source: Path, target: Path) -> None:
        super().link(source, target)
        old, new = self._place(source), self._place(target)
        if old and new:
            new[0].live[new[1]] = old[0].live[old[1]]
            self._done(f"link to {target.name}")

    def remove(self, path: str | Path) -> None:
        super().remove(path)
        self._take(path)
        self._done(f"remove {Path(path).name}")

    def make_folder(self, path: Path) -> None:
        super().make_folder(path)
        if found := self._place(path):
            found[0].live[found[1]] = _Folder()
            self._done(f"make folder {path.name}")

    def remove_folder(self, path: str | Path) -> None:
        super().remove_folder(path)
        self._take(path)
        self._done(f"remove folder {Path(path).name}")

    def sync_folder(self, path: Path) -> None:
        super().sync_folder(path)
        whole = Path(path).absolute()
        if whole == self.root:
            node: _Node = self.tree
        elif found := self._place(path):
            node = found[0].live[found[1]]
        else:
            return
        assert isinstance(node, _Folder)
        node.kept = dict(node.live)
        self._done(f"sync folder {whole.name}")

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


CUTS = {"killed": ("live", "live"), "all dropped": ("kept", "kept"), "data dropped": ("live", "kept")}


class Failing(files.Disk):
    """Fails at one operation: with an error of the disk, or by writing less than was asked."""

    def __init__(self, root: Path, at: int, how: str) -> None:
        self.root, self.at, self.how, self.count = root, at, how, 0
        for name in (
            "open",
            "write",
            "sync",
            "truncate",
            "rename",
            "link",
            "remove",
            "make_folder",
            "remove_folder",
            "sync_folder",
        ):
            setattr(self, name, self._counted(name, getattr(self, name)))

    def _counted(self, name: str, real: Callable[..., object]) -> Callable[..., object]:
        def call(*arguments: object) -> object:
            self.count += 1
            if self.count != self.at:
                return real(*arguments)
            if self.how == "killed":
                os._exit(9)
            if self.how == "short":
                if name == "write":
                    descriptor, content = arguments
                    return real(descriptor, content[: max(1, len(content) // 2)])  # type: ignore[index, arg-type]
                return real(*arguments)
            number = errno.EIO if self.how == "EIO" else errno.ENOSPC
            raise OSError(number, os.strerror(number))

        return call


# -- running -----------------------------------------------------------------------------------------------------------


SLOW = ("cli.photo read_picture", "cli.photo clean_bytes", "cli.photo measure_all", "cli.photo overlay", "photos.card card_pdf",
        "reports.client_pdf client_pdf", "reports.turning turning_answers")  # fmt: skip


@contextmanager
def warm(shelf: Path) -> Iterator[None]:
    """Load once what every command would load anew in its child, and keep on a shelf what takes long and is always the same."""
    base, recall = load_rules(), cache.recall
    before: list[tuple[object, str, object]] = [(cache, "recall", recall)]
    cache.recall = lambda folder: base if folder == default_rules() else recall(folder)
    for place in SLOW:
        module, name = place.split()
        held = importlib.import_module(f"fitdiag.{module}")
        before.append((held, name, getattr(held, name)))
        setattr(held, name, _shelved(shelf, name, getattr(held, name)))
    before.append((review, "simulated_round", review.simulated_round))
    review.simulated_round = _draped
    work = shelf / f"work-{os.getpid()}"
    lay_out(inputs(), work)
    with chdir(work), redirect_stdout(io.StringIO()):  # all that is loaded late is loaded here, once
        for arguments in (NEW, ROUND_1, PICTURES, SENT, DRAFT):
            with suppress(SystemExit):
                run(list(arguments))
    gc.enable()
    try:
        yield
    finally:
        for held, name, real in before:
            setattr(held, name, real)


def _draped(base: RuleBase, case: Case, conclusion: Conclusion) -> tuple[None, dict[str, float] | None]:
    """What a plan on simulated cloth hands on from the second round: the cloth itself takes minutes, and writes nothing here."""
    return None, {"seat-out": -3.5} if case.pattern and len(case.rounds) > 1 else None


def _shelved(shelf: Path, name: str, real: Callable[..., object]) -> Callable[..., object]:
    """A function whose results are kept by what goes into it."""

    def call(*given: object, **named: object) -> object:
        told = repr([name, [_told(item) for item in given], {key: _told(item) for key, item in named.items()}])
        place = shelf / hashlib.sha256(told.encode()).hexdigest()
        if place.exists():
            return pickle.loads(place.read_bytes())
        result = real(*given, **named)
        begun = place.with_suffix(f".{os.getpid()}")
        begun.write_bytes(pickle.dumps(result))
        begun.rename(place)
        return result

    return call


def _told(item: object) -> object:
    """What goes into a function, so that it tells one from another: content, not identity."""
    if isinstance(item, Path):
        return hashlib.sha256(item.read_bytes()).hexdigest() if item.is_file() else str(item)
    if isinstance(item, np.ndarray):
        return hashlib.sha256(item.tobytes()).hexdigest()
    if isinstance(item, list | tuple):
        return [_told(inner) for inner in item]
    if isinstance(item, Conclusion):
        return item.plan  # the rest of it follows from rules and findings
    return item.fingerprint if isinstance(item, RuleBase) else item


@dataclass(frozen=True)
class Ran:
    """How a command ended, and what it said."""

    code: int
    out: str
    err: str


def in_child(
    folder: Path, arguments: tuple[str, ...], disk: Callable[[], files.Disk] | None = None, typed: str = ""
) -> Ran:
    """Run a command in a process of its own, in a folder, with a disk of its own."""
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        code, out, err = 7, io.StringIO(), io.StringIO()
        try:
            os.close(reads)
            os.chdir(folder)
            sys.stdin = io.StringIO(typed)
            files.disk = disk() if disk is not None else files.Disk()
            with redirect_stdout(out), redirect_stderr(err):
                try:
                    run(list(arguments))
                    code = 0
                except SystemExit as ended:
                    code = int(ended.code or 0)
        except BaseException:
            err.write(traceback.format_exc())
        with os.fdopen(writes, "wb") as pipe:
            pipe.write(f"{out.getvalue()}\0{err.getvalue()}".encode("utf-8", "surrogateescape"))
        os._exit(code)
    os.close(writes)
    with os.fdopen(reads, "rb") as pipe:
        told = pipe.read().decode("utf-8", "surrogateescape")
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    out_text, _, err_text = told.partition("\0")
    return Ran(code, out_text, err_text)


# -- trees -------------------------------------------------------------------------------------------------------------


def tree_of(folder: Path) -> Tree:
    """Everything below a folder."""
    return {
        path.relative_to(folder).as_posix(): None if path.is_dir() else path.read_bytes() for path in folder.rglob("*")
    }


def lay_out(tree: Tree, folder: Path) -> None:
    """Make a folder hold exactly this."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for path, content in sorted(tree.items()):
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        if content is None:
            (folder / path).mkdir(exist_ok=True)
        else:
            (folder / path).write_bytes(content)


def settled(tree: Tree) -> Tree:
    """A tree without the times in it; the list kept for speed holds nothing else."""
    return {
        path: content if content is None else _TIME.sub(b"", content)
        for path, content in tree.items()
        if ".fitdiag" not in path.split("/")
    }


def leftovers(tree: Tree) -> list[str]:
    """What is half written, half deleted, or a lock that nobody holds."""
    return [path for path in tree if ".fitdiag-" in path or path.endswith(".lock")]


def difference(one: Tree, other: Tree) -> str:
    """The paths in which two trees differ."""
    return ", ".join(sorted(path for path in one.keys() | other.keys() if one.get(path, 0) != other.get(path, 0)))


@dataclass(frozen=True)
class Command:
    """A command that writes, the commands that come before it, and what the message of a refusal says to add."""

    name: str
    arguments: tuple[str, ...]
    before: tuple[tuple[str, ...], ...] = ()
    way_on: tuple[str, ...] = ()
    typed: str = ""
    gone: tuple[str, ...] = ()  # files taken away before it
    aside: bool = False  # what it writes is not what it is for, so that it ends well without


# -- what is tried -----------------------------------------------------------------------------------------------------

NAME, FOLDER = "the lamplighter", "cases/the-lamplighter"
SAMPLES = Path(__file__).parent.parent / "sample_sessions"
SEEN = """schema: fitdiag.findings/1
symptoms:
  balance-lines-dip-to-back: {amount: 3/4 in}
  v-at-centre-back: yes
  grainline-near-centre-back: {amount: 1 in}
  seat-wedgie: no
"""
GONE = "schema: fitdiag.findings/1\nsymptoms: {balance-lines-dip-to-back: {amount: 1/4 in}, v-at-centre-back: no}\n"


def _form(after: int) -> bytes:
    content = {"schema": "fitdiag.form/1", "token": f"the-lamplighter-{after}", "round": after + 1, "units": "in", "done": [],
               "feels": {}, "words": "I climb a ladder.", "answers": [{"symptom": "waist-binds", "seen": "no"}]}  # fmt: skip
    return packed(content).encode()


def inputs() -> Tree:
    """What the commands read."""
    pictures = SAMPLES / "lamplighter-pictures"
    return {
        "seen.yaml": SEEN.encode(),
        "gone.yaml": GONE.encode(),
        "form-1.txt": _form(0),
        "form-2.txt": _form(1),
        "session.jsonl": (SAMPLES / "lamplighter-round-2.jsonl").read_bytes(),
        **{f"mine/{path}": text.encode() for path, text in good_files().items()},
        **{f"in/{path.name}": path.read_bytes() for path in pictures.iterdir() if not path.name.startswith("front")},
    }


def _review(*arguments: str) -> tuple[str, ...]:
    return ("review", NAME, *arguments)


def _case(command: str, *arguments: str) -> tuple[str, ...]:
    return ("case", command, NAME, *arguments)


NEW = _case("new", "--units", "in", "--body", "flat-seat", "--measure", "hip=38 in", "--photos-consent", "yes")
ASK = _review("--send-form")
ROUND_1 = _review("--form", "form-1.txt", "--findings", "seen.yaml", "--no-questions")
PICTURES = _review("--photo", "back=in/back.jpg", "--photo", "left=in/left.jpg", "--no-questions")
SENT = _review("--sent")
ROUND_2 = _review(
    "--form", "form-2.txt", "--findings", "gone.yaml", "--done", "tuck-across-back-hip=1/2 in", "--no-questions"
)
DRAFT = ("pattern", "draft", "--waist", "68cm", "--hip", "94cm", "--rise", "28cm", "--waist-to-hip", "20.6cm",
         "--waist-to-floor", "104cm", "--bottom", "22cm", "--out", "block.yaml")  # fmt: skip
WITH_PATTERN = (DRAFT, (*NEW, "--pattern", "block.yaml"))
REPLACE = ("--replace",)


def commands() -> list[Command]:
    """Every command that writes."""
    held = (NEW, ROUND_1)
    made = ("round-01/round.yaml", "round-01/findings.yaml", "round-01/form.txt", "round-01/documents/client.pdf")
    tuck = ("--do", "tuck-across-back-hip=1/2 in")
    return [
        Command("case new", WITH_PATTERN[1], WITH_PATTERN[:1]),
        Command("case consent", _case("consent", "no"), (NEW,)),
        Command("case list", ("case", "list"), (NEW,)),
        Command("case show", _case("show"), held, gone=tuple(f"{FOLDER}/{path}" for path in made[:3]), aside=True),
        Command("case close", _case("close", "--fits"), (NEW,)),
        Command("case repair", _case("repair"), held, gone=tuple(f"{FOLDER}/{path}" for path in made)),
        Command("case export", _case("export", "--to", "copy"), held),
        Command("case export .zip", _case("export", "--to", "copy.zip"), held),
        Command("case export --anonymous", _case("export", "--to", "bare", "--anonymous"), held),
        Command("case delete", _case("delete", "--yes"), held),
        Command("case delete --photos", _case("delete", "--photos", "--yes"), (NEW, PICTURES)),
        Command("review --send-form", ASK, (NEW,)),
        Command("review --form", ROUND_1, (NEW, ASK)),
        Command("review --photo", PICTURES, (NEW, ROUND_1)),
        Command("review --sent", SENT, held),
        Command("review, the next round", ROUND_2, (*held, SENT)),
        Command("review --fits", _review("--fits"), held),
        Command("interview --answers", ("interview", "--answers", "seen.yaml", "--log", "a.jsonl")),
        Command("export .md", ("export", "session.jsonl", "--to", "list.md"), way_on=REPLACE),
        Command("export .pdf", ("export", "session.jsonl", "--to", "list.pdf"), way_on=REPLACE),
        Command("demo", ("demo", "--to", "demo")),
        Command("photo add", ("photo", "add", "back=in/back.jpg", "left=in/left.jpg", "--to", "p"), way_on=REPLACE),
        Command("photo mark", ("photo", "mark", "in/back.jpg", "in/left.jpg"), way_on=REPLACE),
        Command("photo measure", ("photo", "measure", "in/back.jpg", "--findings", "found.yaml"), way_on=REPLACE),
        Command("photo card", ("photo", "card", "--to", "card.pdf"), way_on=REPLACE),
        Command("pattern draft", DRAFT, way_on=REPLACE),
        Command("pattern alter", ("pattern", "alter", "block.yaml", *tuck, "--out", "b.svg"), (DRAFT,), REPLACE),
        Command("pattern draw", ("pattern", "draw", "block.yaml", *tuck, "--to", "b.pdf"), (DRAFT,), REPLACE),
        Command("pattern read", ("pattern", "read", "block.yaml", "--out", "again.svg"), (DRAFT,), REPLACE),
        Command("pattern walk", ("pattern", "walk", "block.yaml", "--to", "walk.svg"), (DRAFT,), REPLACE),
        Command("review, the simulated body is moved", ROUND_2, (*WITH_PATTERN, ROUND_1, SENT)),
        Command("case body", _case("body", "--take-back"), (*WITH_PATTERN, ROUND_1, SENT, ROUND_2)),
        Command("rules new", ("rules", "new", "symptom", "hangs-askew", "--in", "back", "--rules", "mine")),
    ]


# -- every point of a command ------------------------------------------------------------------------------------------


@dataclass
class Figures:
    """How many points were tried, and what went wrong at which."""

    points: int = 0
    same: int = 0
    refused: int = 0
    failures: list[str] = field(default_factory=list)


class Trial:
    """One command at all its points."""

    def __init__(self, command: Command, inputs: Tree, place: Path) -> None:
        self.command, self.work = command, place / "work"
        self.figures = Figures()
        lay_out(inputs, self.work)
        for arguments in command.before:
            ran = in_child(self.work, arguments)
            assert ran.code == 0, (arguments, ran)
        for path in command.gone:
            (self.work / path).unlink()
        self.start = tree_of(self.work)
        self.states: list[tuple[str, dict[str, Tree]]] = []
        self.operations = 0
        self._record()
        self.end = tree_of(self.work)

    def _record(self) -> None:
        """Run it undisturbed, and keep what each cut would have left; in a child, which hands the trees over in a folder."""
        kept = self.work.with_name("states")
        shutil.rmtree(kept, ignore_errors=True)
        kept.mkdir()

        def note(what: str, disk: Recorded) -> None:
            found = {cut: disk.state(*how) for cut, how in CUTS.items()}
            (kept / f"{disk.count:05}").write_bytes(pickle.dumps((what, found)))

        ran = in_child(self.work, self.command.arguments, lambda: Recorded(self.work, note), self.command.typed)
        assert ran.code == 0, (self.command.name, ran)
        self.states = [pickle.loads(path.read_bytes()) for path in sorted(kept.iterdir())]
        self.operations = len(self.states)
        last = self.states[-1][1]
        lost = difference(settled(last["killed"]), settled(last["all dropped"]))
        if lost:
            self.figures.failures.append(f"{self.command.name}: acknowledged, and a power cut would lose {lost}")

    def cut_states(self) -> list[tuple[str, int, Tree]]:
        """What a cut at any operation leaves: how it came about, at how many points, and the tree."""
        found: dict[str, tuple[str, int, Tree]] = {}
        for number, (what, states) in enumerate(self.states, 1):
            for cut, tree in states.items():
                key = hashlib.sha256(pickle.dumps(sorted(settled_with_leftovers(tree).items()))).hexdigest()
                where, many, first = found.get(key, (f"{cut} after operation {number} ({what})", 0, tree))
                found[key] = (where, many + 1, first)
        return list(found.values())

    def after_cut(self, where: str, many: int, tree: Tree) -> None:
        """The same command again, in what a cut at so many points has left."""
        lay_out(tree, self.work)
        self.again(where, many)

    def with_failure(self, at: int, how: str) -> None:
        """The command with a failing disk, or killed in earnest, then the same again."""
        lay_out(self.start, self.work)
        where = f"{how} at operation {at}"
        ran = in_child(self.work, self.command.arguments, lambda: Failing(self.work, at, how), self.command.typed)
        if how == "killed":
            if ran.code not in (9, 0):
                self._fault(where, f"ended with {ran.code}: {ran.err}")
        elif "Traceback" in ran.err:
            self._fault(where, ran.err)
        elif ran.code == 0 and not self.command.aside and settled(tree_of(self.work)) != settled(self.end):
            self._fault(where, f"ended well, but {difference(settled(tree_of(self.work)), settled(self.end))}")
        elif ran.code != 0 and how == "short":
            self._fault(where, f"ended with {ran.code}: {ran.err}")
        elif ran.code != 0 and not ran.err.strip():
            self._fault(where, "failed without a word")
        if ran.code == 0 and how != "killed" and not self.command.aside:
            self.figures.points += 1
            self.figures.same += 1
            return
        self.again(where)

    def again(self, where: str, many: int = 1) -> None:
        """The same command again: to the same end, or to a refusal with a way on; nothing is left behind."""
        self.figures.points += many
        ran = in_child(self.work, self.command.arguments, typed=self.command.typed)
        refused = ran.code != 0
        if refused:
            if "Traceback" in ran.err or not re.search(r"\(.+\)", ran.err):
                self._fault(where, f"refused without a way on: {ran.err}")
                return
            self.figures.refused += many
            if self.command.way_on:
                ran = in_child(self.work, (*self.command.arguments, *self.command.way_on), typed=self.command.typed)
        else:
            self.figures.same += many
        found = tree_of(self.work)
        if settled(found) != settled(self.end):
            self._fault(
                where,
                f"{'refused: ' + ran.err if refused else 'ended'}, differs in {difference(settled(found), settled(self.end))}",
            )
        elif left := leftovers(found):
            self._fault(where, f"left behind: {left}")

    def _fault(self, where: str, told: str) -> None:
        self.figures.failures.append(f"{self.command.name}, {where}: {told}")


def settled_with_leftovers(tree: Tree) -> Tree:
    """A tree without times and without the random names of what is half written."""
    return {re.sub(r"\.fitdiag-(gone-)?[0-9a-f]+", r".fitdiag-\1", path): content for path, content in tree.items()}
