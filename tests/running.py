"""A command carried out in the process of the tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from fitdiag.cli.main import run

Shell = Callable[..., tuple[int, str, str]]  # what the fixture `shell` gives: exit code, output, errors of a command


def ended(*arguments: str | Path) -> int:
    """The exit code of a command; any exception but its own ending comes through."""
    with pytest.raises(SystemExit) as stopped:
        run([str(argument) for argument in arguments])
    assert isinstance(stopped.value.code, int)
    return stopped.value.code
