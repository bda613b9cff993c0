"""Fixtures for all tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from browser import browser, open_page

__all__ = ["browser", "open_page"]  # one browser for all tests of pages


@pytest.fixture(autouse=True, scope="session")
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep the parsed rules of a test run in a folder of its own, not in the user's cache."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
            patch.setenv(name, str(tmp_path_factory.mktemp("cache")))
        yield
