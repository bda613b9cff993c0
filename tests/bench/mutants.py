"""Small faults put into the core one at a time: how many do the tests that belong to it catch?

    python tests/bench/mutants.py [MODULE...] [--sample N] [--seed N] [--jobs N]

A MODULE is one of `MODULES`, all by default; N faults are drawn from each. A fault is a comparison or a sign turned, `and` for
`or`, a number one more (from ten on half as much again), a truth reversed, a condition negated, `min` for `max`, a statement
left out, nothing returned. None is made where it could not matter: annotations, docstrings, messages of errors, assertions,
decorators, guards against rounding.

First the tests run once unharmed, which tells what each calls and how long it takes. Then every fault has a process of its own,
forked where all libraries are loaded already; it runs the tests that call the faulty function, the quick ones first and `MOST_S`
seconds of them in all, until one fails. A test that takes five times as long as it should fails too. What only a slower test, or
one in another process, would see survives, and so do faults that change nothing: the share is at least what is printed. Nothing
is written but in a temporary copy of the tree. Tools for it from the registry write each fault into the tree they test, or start
the tests anew as a command for each; here a fault costs some two seconds.
"""

from __future__ import annotations

import argparse
import ast
import builtins
import copy
import os
import pickle
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from importlib.machinery import SourceFileLoader
from itertools import accumulate
from pathlib import Path
from typing import NamedTuple

import pytest

TREE = Path(__file__).resolve().parents[2]
# each module's files, and the tests that belong to them, the quick ones first
MODULES = {
    "sessions/log": ("sessions/log.py sessions/round_log.py", "test_round_log.py test_sessions.py"),
    "units": ("units.py", "../fitdiag/units.py test_units.py"),
    "diagnosis/exact": ("diagnosis/exact.py", "test_diagnosis.py"),
    "planning/plan": ("planning/plan.py", "test_plan.py test_sides.py test_worked_examples.py test_main_job.py"),
    "planning/amounts": (
        "planning/amounts.py", "test_plan.py test_sides.py test_carried.py test_worked_examples.py test_main_job.py"
    ),
    "planning/sides": ("planning/sides.py", "test_sides.py test_carried.py"),
    "pattern/alter": ("pattern/alter.py", "test_moves.py test_darts.py test_pattern.py"),
    "pattern/moves": ("pattern/moves.py", "test_kinds_of_move.py test_moves.py test_darts.py test_pattern.py"),
    "photos/course": ("photos/course.py photos/camera.py", "test_course.py test_photo_measuring.py"),
}  # fmt: skip
TURNED: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.In: ast.NotIn,
    ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
SWAPPED = ("min max", "max min", "minimum maximum", "maximum minimum", "any all", "all any", "floor ceil")
NAMES = dict(pair.split() for pair in SWAPPED)
TOLD = ("stop", "Problem", "InvalidLengthError", "TypeVar", "Literal")  # calls that only make a message or a type
OPTIONS = "-p no:cacheprovider -p no:xdist -p no:terminal --doctest-modules --maxfail=1 -o addopts= -m"
MOST_S = 6.0  # of tests for one fault
WAITING_S = 600  # a test that only waits; long, for on a busy machine one that works waits as well
FITTED = 10  # a number from here on is a size or an angle somebody chose, and one more of it is no fault
ROUNDING = 1e-3  # a number nearer to 0 is a guard against rounding


class Fault(NamedTuple):
    """One fault: where, in words, and what makes it in the tree of syntax."""

    file: str
    line: int
    function: int  # the line of the function it is in; 0 outside of any
    words: str
    make: Callable[[], None]


def faults(file: str, node: ast.AST, function: int = 0) -> Iterator[Fault]:
    """All faults that can be made in and below a node of a file's tree."""
    if isinstance(node, ast.FunctionDef):
        function = node.lineno
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list", "format_spec"):
            continue
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, ast.AST) and not _does_not_matter(one):
                line = getattr(one, "lineno", getattr(node, "lineno", 0))
                for words, make in _of(one):
                    yield Fault(file, line, function, f"{_shown(one)}  ->  {words}", make)
                yield from faults(file, one, function)


def _does_not_matter(node: ast.AST) -> bool:
    match node:
        case ast.Call(func=ast.Name(id=name)):
            return name in TOLD
        case ast.keyword(arg=name):
            return name in ("strict", "hint", "encoding")
        case ast.If(test=ast.Name(id="TYPE_CHECKING")) | ast.Assert():
            return True
    return False


def _of(node: ast.AST) -> Iterator[tuple[str, Callable[[], None]]]:
    """The faults of one node itself: what stands there then, and what makes it so."""
    new: ast.AST | None = None
    match node:
        case ast.Constant(value=bool(value)):
            new = ast.Constant(not value)
        case ast.Constant(value=int(value) | float(value)) if value == 0 or abs(value) >= ROUNDING:
            new = ast.Constant(value + (1 if abs(value) < FITTED else value // 2))
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand) if not isinstance(operand, ast.Constant):
            new = operand
        case ast.BinOp(op=op) | ast.BoolOp(op=op) if type(op) in TURNED:
            yield TURNED[type(op)].__name__, partial(setattr, node, "op", TURNED[type(op)]())
        case ast.Compare(ops=[op, *more]) if type(op) in TURNED:
            yield TURNED[type(op)].__name__, partial(setattr, node, "ops", [TURNED[type(op)](), *more])
        case ast.Name(id=name) if name in NAMES:
            new = ast.Name(NAMES[name], ast.Load())
        case ast.Attribute(attr=name, value=value) if name in NAMES:
            new = ast.Attribute(value, NAMES[name], ast.Load())
        case ast.Return(value=ast.AST() as value) if not (isinstance(value, ast.Constant) and value.value is None):
            new = ast.Return(ast.Constant(None))
        case ast.AugAssign() | ast.Raise() | ast.Break() | ast.Continue() | ast.Expr(value=ast.Call()):
            new = ast.Pass()
        case ast.Assign(targets=[ast.Attribute() | ast.Subscript(), *_]):
            new = ast.Pass()
        case ast.If(test=test) | ast.While(test=test) | ast.IfExp(test=test) | ast.comprehension(ifs=[test, *_]):
            yield f"not {_shown(test)}", partial(_become, test, ast.UnaryOp(ast.Not(), copy.copy(test)))
    if new is not None:
        yield _shown(new), partial(_become, node, new)


def _become(node: ast.AST, new: ast.AST) -> None:
    """The node turned into another in its place."""
    node.__class__, node.__dict__ = new.__class__, {**node.__dict__, **new.__dict__}


def _shown(node: ast.AST) -> str:
    return " ".join(ast.unparse(node).split())[:60]


class Calls:
    """Which functions each test calls, by file and line, and how long it takes; as a plugin of pytest."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.tests: dict[tuple[str, int], set[str]] = defaultdict(set)
        self.now = ""

    def watch(self, file: str, tree: ast.Module) -> None:
        """Every function of a file tells when it is called."""
        builtins.seen_by_bench = lambda *function: self.tests[function].add(self.now)  # type: ignore[attr-defined]
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                at = int(ast.get_docstring(node) is not None)
                node.body[at:at] = ast.parse(f"seen_by_bench({file!r}, {node.lineno})").body
        load_instead(file, tree)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        """Watch one test."""
        self.now, begun = item.nodeid, time.process_time()
        try:
            return (yield)
        finally:
            self.seconds[item.nodeid] = time.process_time() - begun

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Iterator[None]:
        """What is set up serves the other tests of the file as well."""
        self.now = item.nodeid.split("::")[0]
        try:
            return (yield)
        finally:
            self.now = item.nodeid


class Chosen:
    """Runs the tests that call a function, the quick ones of a file first, each no longer than it may."""

    def __init__(self, calls: Calls, fault: Fault) -> None:
        self.seconds = calls.seconds
        self.tests = calls.tests[fault.file, fault.function] if fault.function else None

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Choose the quick ones, `MOST_S` in all, and sort them."""
        kept = [one for one in items if self.tests is None or {one.nodeid, one.nodeid.split("::")[0]} & self.tests]
        files = list(dict.fromkeys(one.path for one in kept))
        kept.sort(key=lambda one: self.seconds.get(one.nodeid, 0.0))
        until = accumulate(self.seconds.get(one.nodeid, 0.0) for one in kept)
        items[:] = [one for one, so_far in zip(kept, until, strict=True) if so_far <= MOST_S] or kept[:1]
        items.sort(key=lambda one: files.index(one.path))

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        """The process ends when a test takes too long."""
        usual = self.seconds.get(item.nodeid, 1.0)
        signal.setitimer(signal.ITIMER_PROF, 3 + 5 * usual)
        signal.alarm(WAITING_S)


def tested(place: Path, tests: str, *plugins: object) -> int:
    """Pytest's exit code for some test files of the tree at `place`."""
    with tempfile.TemporaryDirectory(dir=place.parent) as own:
        chosen = [name if name[0] == "-" else str(place / "tests" / name) for name in tests.split()]
        given = [*OPTIONS.split(), "not long", f"--rootdir={place}", f"--basetemp={own}/run", *chosen]
        return int(pytest.main(given, list(plugins)))


def load_instead(file: str, tree: ast.Module) -> None:
    """Load a file as this tree has it."""
    code = compile(ast.fix_missing_locations(tree), file, "exec")
    real = SourceFileLoader.get_code
    SourceFileLoader.get_code = lambda self, name: code if self.path == file else real(self, name)  # type: ignore


def harmed(place: Path, tests: str, calls: Calls, fault: Fault, tree: ast.Module) -> int:
    """Put the fault in, and test."""
    resource.setrlimit(resource.RLIMIT_AS, (6 << 30, 6 << 30))
    signal.alarm(WAITING_S)
    fault.make()
    load_instead(fault.file, tree)
    return tested(place, tests, Chosen(calls, fault))


def watched(place: Path, tests: str, trees: Mapping[str, ast.Module], into: Path) -> int:
    """Test unharmed, and keep what each test calls and how long it takes."""
    calls = Calls()
    for file, tree in trees.items():
        calls.watch(file, tree)
    code = tested(place, tests, calls)
    into.write_bytes(pickle.dumps((calls.seconds, dict(calls.tests))))
    return code


def forked(work: Callable[[], int]) -> int:
    """The id of a process that does the work, and nothing else, and says nothing; its exit code is what the work returns."""
    child = os.fork()
    if not child:
        code = 70
        try:
            os.dup2(os.open(os.devnull, os.O_RDWR), 1)
            os.dup2(1, 2)
            code = work()
        finally:
            os._exit(code)
    return child


def used() -> float:
    """Seconds of processor time of all processes so far."""
    return sum(os.times()[:4])


def module(name: str, place: Path, given: argparse.Namespace) -> tuple[int, int]:
    """How many faults of a module were caught, and how many there were; prints those that were not."""
    begun = used()
    inside, tests = MODULES[name]
    paths = [place / "fitdiag" / file for file in inside.split()]
    trees = {str(path): ast.parse(path.read_text()) for path in paths}
    calls, kept = Calls(), place.parent / "calls"
    if os.waitpid(forked(lambda: watched(place, tests, trees, kept)), 0)[1]:
        raise SystemExit(f"{name}: its tests fail without any fault")
    calls.seconds, tests_of = pickle.loads(kept.read_bytes())
    calls.tests.update(tests_of)
    all_faults = [fault for file, tree in trees.items() for fault in faults(file, tree)]
    drawn = random.Random(given.seed).sample(all_faults, min(given.sample, len(all_faults)))
    control = drawn[0]._replace(make=lambda: None)
    if os.waitpid(forked(partial(harmed, place, tests, calls, control, trees[control.file])), 0)[1]:
        raise SystemExit(f"{name}: its tests fail also where the fault is none")
    running: dict[int, Fault] = {}
    left, missed = list(drawn), 0
    while left or running:
        if left and len(running) < given.jobs:
            fault = left.pop()
            running[forked(partial(harmed, place, tests, calls, fault, trees[fault.file]))] = fault
            continue
        child, status = os.wait()
        fault = running.pop(child)
        if os.waitstatus_to_exitcode(status) in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
            missed += 1
            print(f"    {Path(fault.file).relative_to(place)}:{fault.line}: {fault.words}", flush=True)
    caught, made = len(drawn) - missed, len(drawn)
    print(f"{name:16} {caught:7} {made:4}  {caught / made:4.0%}  {used() - begun:4.0f} s", flush=True)
    return caught, made


def main() -> int:
    """The figures, and every fault that nobody saw."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help=", ".join(MODULES))
    parser.add_argument("--sample", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    if unknown := set(given.modules) - MODULES.keys():
        parser.error(f"there is no module {' or '.join(sorted(unknown))}; there are {', '.join(MODULES)}")
    os.environ |= {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    names = given.modules or list(MODULES)
    with tempfile.TemporaryDirectory() as own:
        place = Path(own).resolve() / "tree"
        shutil.copytree(TREE, place, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache"))
        os.chdir(place)
        sys.path[:0] = [str(place), str(place / "tests")]
        tested(place, " ".join({name: None for one in names for name in MODULES[one][1].split()}) + " --collect-only")
        for key, loaded in list(sys.modules.items()):
            if str(getattr(loaded, "__file__", "")).startswith(str(place)):
                del sys.modules[key]
        print("module            caught   of", flush=True)
        found = [module(name, place, given) for name in names]
    caught, made = (sum(column) for column in zip(*found, strict=True))
    print(f"{'all':16} {caught:7} {made:4}  {caught / made:.0%}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
