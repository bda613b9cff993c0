"""Fixtures for all tests."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest
import typer.main
from browser import browser, open_page
from hypothesis import settings

from fitdiag.cli.main import run

__all__ = ["browser", "open_page"]  # one browser for all tests of pages

# The same examples each time, so that a red test is the fault of a change; `--hypothesis-profile=search` draws new ones.
settings.register_profile("same", derandomize=True)
settings.register_profile("search", derandomize=False, print_blob=True)
settings.load_profile("same")


def pytest_configure() -> None:
    """Tests that press Ctrl-C need it to arrive, also in a run that was begun in the background, which ignores it.

    Small matrices in many processes: more threads in each only stand in the others' way.
    """
    for library in ("OPENBLAS", "OMP"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(autouse=True, scope="session")
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep the parsed rules and the misses of a test run in folders of its own, not in the user's."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("XDG_CACHE_HOME", "XDG_STATE_HOME", "LOCALAPPDATA"):
            patch.setenv(name, str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="session")
def shelf(own_cache: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
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


@pytest.fixture
def shell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Runs a command in an empty folder, in 80 columns; exit code, output, errors."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")

    def call(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as ended:
            run(list(arguments))
        said = capsys.readouterr()
        return int(ended.value.code or 0), said.out, said.err

    return call
