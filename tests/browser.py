"""A browser with the network switched off, for tests of the pages."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from tests.firefox import find_firefox

ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
ON_DEVICE = "() => { try { return { ...localStorage }; } catch { return {}; } }"


def find_browser() -> Path | None:
    """The Chromium or Chrome to use: the one REACHMAP_BROWSER names, else the first on the path."""
    named = os.environ.get("REACHMAP_BROWSER")
    found = named or next((path for name in NAMES if (path := shutil.which(name))), None)
    return Path(found) if found else None


def pytest_collection_modifyitems(config, items):
    """Tests whose browser isn't on the machine are left out, and the run says so; under CI Chromium must be there."""
    missing = {"browser": not (find_browser() or os.environ.get("CI")), "firefox": not find_firefox()}
    needy = [item for item in items if any(gone and item.get_closest_marker(name) for name, gone in missing.items())]
    if needy:
        items[:] = [item for item in items if item not in needy]
        config.hook.pytest_deselected(items=needy)
        config.left_out_for_want_of_a_browser = len(needy)


def pytest_terminal_summary(terminalreporter, config):
    """Say loudly what was not tested."""
    count = getattr(config, "left_out_for_want_of_a_browser", 0)
    if count:
        text = (
            f"{count} tests of the map page NOT RUN: no Chromium (set REACHMAP_BROWSER) or no Firefox on this machine"
        )
        terminalreporter.write_sep("!", text)


@pytest.fixture(scope="session")
def browser():
    """One browser for the run."""
    from playwright.sync_api import sync_playwright

    path = find_browser()
    assert path is not None, "no Chromium found: install one or set REACHMAP_BROWSER"
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=str(path), args=ARGS)
        yield opened
        opened.close()


class Offline:
    """A page from a file, with everything it said and asked for."""

    def __init__(self, browser) -> None:
        self._context = browser.new_context(accept_downloads=True)
        self.as_good_as_new = True
        self.page = self._context.new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.said.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.said.append(f"error: {error}"))
        self.page.route("**/*", self._only_files)

    @property
    def context(self):
        """What a test does to the context cannot all be taken back: no other test gets this page."""
        self.as_good_as_new = False
        return self._context

    def open(self, path: Path, width: int, height: int) -> None:
        self.page.set_viewport_size({"width": width, "height": height})
        self.page.goto(path.as_uri())

    def clean(self, nothing: Path) -> None:
        """Leave no notes on the device, no word said and no medium set, on another file than a test would open."""
        self.page.goto(nothing.as_uri())
        self.page.evaluate("localStorage.clear()")
        self.page.emulate_media(media="null", forced_colors="null")
        self.said, self.asked = [], []

    def close(self) -> None:
        self._context.close()

    def _only_files(self, route) -> None:
        address = route.request.url
        if address.startswith(("file:", "data:", "blob:")):
            route.continue_()
        else:
            self.asked.append(address)
            route.abort()


def anew(page, path: Path | None = None) -> None:
    """The same map opened once more, or another after it.

    On a crowded machine Chromium at times loses all that a page kept when another takes its place, whether one waits
    before or not. That is put back and the map opened again; what the page itself drops is dropped again.
    """
    kept = page.evaluate(ON_DEVICE)
    for _ in range(3):
        page.goto(path.as_uri()) if path else page.reload()
        page.wait_for_selector("body[data-ready]", timeout=20000)
        now = page.evaluate(ON_DEVICE)
        lost = {name: value for name, value in kept.items() if now.get(name) != value}
        if not lost:
            break
        page.evaluate("(lost) => { Object.assign(localStorage, lost); }", lost)


@pytest.fixture(scope="session")
def idle():
    """Pages between two tests: to start one takes longer than to draw a map in it."""
    return []


@pytest.fixture
def offline(browser, idle, request, tmp_path_factory):
    """Open a file with the network off: offline(path, width, height) -> Offline."""
    opened = []

    def open_page(path: Path, width: int = 1280, height: int = 800) -> Offline:
        opened.append(idle.pop() if idle else Offline(browser))
        opened[-1].open(path, width, height)
        return opened[-1]

    failed = request.session.testsfailed
    yield open_page
    nothing = tmp_path_factory.getbasetemp() / "nothing.html"
    nothing.touch()
    for one in opened:
        if one.as_good_as_new and request.session.testsfailed == failed:
            one.clean(nothing)
            idle.append(one)
        else:
            one.close()
