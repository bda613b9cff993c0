"""A real browser for tests of pages: Debian's chromium without a window, a fresh profile, and no network."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from importlib.resources import files
from typing import Any

import pytest

ARGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
AT_HOME = ("file:", "data:", "blob:", "about:")


def complaints(page: Any, *, of: tuple[str, ...] = ("serious", "critical")) -> list[tuple[str, list[str]]]:
    """What the accessibility checker axe-core has to say of an open page, of these weights: each rule's name, and where."""
    page.evaluate((files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
    held, found = page.evaluate(
        "async () => {const told = await axe.run({resultTypes: ['violations']});"
        "return [told.passes.length, told.violations.map(one => [one.id, one.impact, one.nodes.map(node => node.html.slice(0, 90))])]}"
    )  # the rest of the answer is large, and takes seconds to come over
    assert held > 12, "the checker has hardly looked"
    return [(name, where) for name, weight, where in found if weight in of]


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One running chromium; skips without one, unless FITDIAG_BROWSER=required."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        told = "no chromium on this machine"
        if os.environ.get("FITDIAG_BROWSER") == "required":
            pytest.fail(told)
        pytest.skip(told)
    from playwright.sync_api import sync_playwright

    home = str(tmp_path_factory.mktemp("browser-home"))  # `launch` makes a new profile of its own each time
    with sync_playwright() as driver:
        running = driver.chromium.launch(
            executable_path=path,
            args=list(ARGS),
            env={**os.environ, "HOME": home, "XDG_CONFIG_HOME": home, "XDG_CACHE_HOME": home},
        )
        yield running
        running.close()


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[..., Any]]:
    """Opens a file in a window of its own; fails the test on any request beyond the file and on any script fault."""
    contexts: list[Any] = []
    asked: list[str] = []
    faults: list[str] = []

    def opened(url: str, **wishes: Any) -> Any:
        context = browser.new_context(
            **{"viewport": {"width": 1280, "height": 900}, "accept_downloads": True, **wishes}
        )
        contexts.append(context)
        context.set_default_timeout(8000)
        context.on("request", lambda request: asked.append(request.url))
        page = context.new_page()
        page.on("websocket", lambda socket: asked.append(socket.url))
        page.on("pageerror", lambda fault: faults.append(str(fault)))
        page.goto(url)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert [] == [url for url in asked if not url.startswith(AT_HOME)], "the page asked the network"
    assert [] == faults
