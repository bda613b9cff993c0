"""Fixtures for all tests."""

# ruff: noqa: E402
from __future__ import annotations

import os

for _library in ("OPENBLAS", "OMP"):  # before numpy is loaded: in small matrices more threads only wait for each other
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")

import gc
import shutil
import signal
import sys
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest
import typer.main
from browser import blank, browser, idle, open_page
from hypothesis import settings
from running import Shell, ended
from shelf import FOR_ALL, hurry_documents, put_on, remember_conclusions

from fitdiag.knowledge import cache as rule_cache
from fitdiag.knowledge.folders import default_rules, garments, rules_for
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import parse_yaml

__all__ = ["blank", "browser", "idle", "open_page"]  # one browser for all tests of pages

# The same examples each time, so that a red test is the fault of a change; `--hypothesis-profile=search` draws new ones.
settings.register_profile("same", derandomize=True, max_examples=60)
settings.register_profile("search", derandomize=False, print_blob=True)
settings.load_profile("same")


gc.disable()  # nothing that is loaded, or collected as a test, is garbage: looking for it took a third of the time


def pytest_collection_finish() -> None:
    """From here on garbage is looked for again, but seldom, and not among what stays for the whole run."""
    gc.freeze()
    gc.set_threshold(100_000)
    gc.enable()


def pytest_configure(config: pytest.Config) -> None:
    """Tests that press Ctrl-C need it to arrive, also in a run that was begun in the background, which ignores it.

    Containers often forbid compiled files; without them each worker compiles all tests anew, and each program that is started the
    whole package.
    """
    if sys.dont_write_bytecode:
        sys.dont_write_bytecode = False
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    patch = pytest.MonkeyPatch()  # from here on, for a dozen files load the rules while they are collected
    patch.setattr(rule_cache, "recall", _recalled(rule_cache.recall))
    config.add_cleanup(patch.undo)


@pytest.fixture(autouse=True, scope="session")
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep the parsed rules and the misses of a test run in folders of its own, not in the user's."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("XDG_CACHE_HOME", "XDG_STATE_HOME", "LOCALAPPDATA"):
            patch.setenv(name, str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="session")
def base() -> RuleBase:
    """The shipped rules for trousers."""
    return load_rules()


@pytest.fixture(scope="session")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where commands tried over and over keep what takes long and is always the same; one for all workers of a run."""
    own = tmp_path_factory.getbasetemp()
    place = (own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "shelf"
    place.mkdir(exist_ok=True)
    return place


@pytest.fixture(autouse=True, scope="session")
def command_line() -> Iterator[None]:
    """The tree of commands is built once, not for each of the thousands that the tests run."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(typer.main, "get_command", cache(typer.main.get_command))
        yield


@pytest.fixture(autouse=True, scope="session")
def worked_out_once(shelf: Path) -> Iterator[None]:
    """What a round takes long for is worked out once for the same findings, sheet or picture, also for forked commands."""
    with pytest.MonkeyPatch.context() as patch:
        put_on(shelf, FOR_ALL, patch)
        remember_conclusions(patch)
        yield


@pytest.fixture(scope="module")
def hurried_documents(shelf: Path) -> Iterator[None]:
    """For tests of rounds that say nothing of how documents look."""
    with pytest.MonkeyPatch.context() as patch:
        hurry_documents(shelf, patch)
        yield


@pytest.fixture(scope="module")
def fewer_worlds() -> Iterator[None]:
    """For tests of interviews, also of forked ones, in which it does not matter how well the next question is chosen."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fitdiag.planning.questions.WORLDS", 40)
        patch.setattr("fitdiag.diagnosis.worlds._PROPOSED", 256)
        remember_conclusions(patch)
        yield


def _recalled(recall: Callable[[Path], RuleBase | None]) -> Callable[[Path], RuleBase | None]:
    """The shipped rules are built from what is kept of them once; nobody changes them while the tests run."""
    shipped, kept = {rules_for(name).resolve() for name in garments()}, dict[Path, RuleBase]()

    def call(folder: Path) -> RuleBase | None:
        if (place := folder.absolute()) in kept:
            return kept[place]
        found = recall(folder)
        if found is not None and folder.resolve() in shipped:
            kept[place] = found
        return found

    return call


@pytest.fixture(autouse=True, scope="session")
def no_waiting_for_the_disk() -> Iterator[None]:
    """Nobody cuts the current here; what is synced, and when, `crash.py` sees one layer above."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda descriptor: None)
        yield


@pytest.fixture(scope="module")
def copied(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A copy of the shipped rules, for faults that are taken back again; a file that stays as it is is parsed once."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fitdiag.knowledge.load.parse_yaml", cache(parse_yaml))
        yield Path(shutil.copytree(default_rules(), tmp_path_factory.mktemp("copied") / "trousers"))


@pytest.fixture
def shell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Shell:
    """Runs a command in an empty folder, in 80 columns; exit code, output, errors."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")

    def call(*arguments: str) -> tuple[int, str, str]:
        code = ended(*arguments)
        said = capsys.readouterr()
        return code, said.out, said.err

    return call
