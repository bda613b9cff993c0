"""A real browser for tests of pages: Debian's chromium without a window, a fresh profile, and no network."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from importlib.resources import files
from typing import Any

import pytest

ARGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
WIDE = {"width": 1280, "height": 900}
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


@pytest.fixture(scope="session")
def blank(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A page with nothing on it, of the same origin as all others: what is kept is forgotten there."""
    path = tmp_path_factory.mktemp("blank") / "blank.html"
    path.write_text("<!doctype html><title>blank</title>", encoding="utf-8")
    return path.as_uri()


@pytest.fixture(scope="session")
def idle() -> dict[str, list[Any]]:
    """Windows left empty by earlier tests, by what was wished of them: a new one takes the browser half a second."""
    return {}


def _leave(page: Any, blank: str) -> None:
    """The window as if new: left without being asked whether to, and nothing kept."""
    page.on("dialog", accept := lambda dialog: dialog.accept())
    page.goto(blank)
    page.evaluate("localStorage.clear(); sessionStorage.clear()")
    page.remove_listener("dialog", accept)


@pytest.fixture
def open_page(browser: Any, idle: dict[str, list[Any]], blank: str) -> Iterator[Callable[..., Any]]:
    """Opens a file in a window of its own; fails the test on any request beyond the file and on any script fault.

    A test that listens to dialogs, or puts a script into every page, closes the window, so that the next one has another.
    """
    opened: list[tuple[str, Any]] = []
    asked: list[str] = []
    faults: list[str] = []
    hooks = {
        "request": lambda request: asked.append(request.url),
        "websocket": lambda socket: asked.append(socket.url),
        "pageerror": lambda fault: faults.append(str(fault)),
    }

    def window(url: str, *, viewport: Mapping[str, int] = WIDE, **wishes: Any) -> Any:
        wished = repr(sorted(wishes.items()))
        if idle.get(wished):
            page = idle[wished].pop()
            page.set_viewport_size(viewport)
        else:
            context = browser.new_context(**{"viewport": viewport, "accept_downloads": True, **wishes})
            context.set_default_timeout(8000)
            page = context.new_page()
        opened.append((wished, page))
        for event, hook in hooks.items():
            page.on(event, hook)
        page.goto(url)
        return page

    yield window
    for wished, page in opened:
        if page.is_closed():
            page.context.close()
            continue
        _leave(page, blank)
        for event, hook in hooks.items():
            page.remove_listener(event, hook)
        idle.setdefault(wished, []).append(page)
    assert [] == [url for url in asked if not url.startswith(AT_HOME)], "the page asked the network"
    assert [] == faults
