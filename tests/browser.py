"""Helpers of the browser tests: a running server and a headless Chromium.

Fixtures are defined here and imported by name in the test files that need them.
"""

from __future__ import annotations

import atexit
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from mapper.ui.jobbar import PAGE_WORDS
from mapper.ui.main import PHASES

REPO = Path(__file__).resolve().parents[1]
CHROMIUM_ARGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
START_SECONDS = 90
START_ATTEMPTS = 3

SEEN = """() => {
  const asked = document.querySelector(".st-key-desk [data-place]")?.dataset.place;
  const guards = [...document.querySelectorAll(".st-key-look-first, .st-key-look-first *")];
  const root = guards.map((one) => one.shadowRoot?.querySelector(".root")).find(Boolean);
  return asked !== undefined && root?.dataset.seen === asked;
}"""

__all__ = [
    "CanvasDriver",
    "browser",
    "chromium_path",
    "go",
    "page_of",
    "running_server",
    "seen",
    "settled",
]


def chromium_path() -> str | None:
    """Chromium of this machine, or None."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        found = shutil.which(name)
        if found:
            return found
    return "/usr/bin/chromium" if Path("/usr/bin/chromium").exists() else None


@cache
def _started(path: str) -> Any:
    """One Chromium for the process: each module that imports the fixture has it anew."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    playwright = sync_api.sync_playwright().start()
    sync_api.expect.set_options(timeout=60_000)  # a machine may be busy with other tests
    started = playwright.chromium.launch(executable_path=path, args=CHROMIUM_ARGS)
    atexit.register(playwright.stop)
    atexit.register(started.close)
    return started


@pytest.fixture(scope="session")
def browser() -> Any:
    """Headless Chromium; the test is skipped where there is none."""
    path = chromium_path()
    if path is None:
        pytest.skip("no Chromium on this machine: the browser tests need one")
    return _started(path)


@contextmanager
def running_server(
    store_folder: Path,
    demo: bool = False,
    script: Path | None = None,
    environment: dict[str, str] | None = None,
) -> Iterator[str]:
    """Start the pages on a free port in a process of their own; yields the address."""
    log = Path(store_folder) / "server.log"
    log.parent.mkdir(parents=True, exist_ok=True)
    process, address = _started_server(store_folder, log, demo, script, environment or {})
    try:
        yield address
    finally:
        process.terminate()
        try:
            process.wait(15)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _started_server(
    folder: Path, log: Path, demo: bool, script: Path | None, environment: dict[str, str]
) -> tuple[subprocess.Popen[bytes], str]:
    code = (
        "import json, sys; from mapper.ui.server import serve; "
        "serve(sys.argv[1], **json.loads(sys.argv[2]))"
    )
    for attempt in range(START_ATTEMPTS):
        port = _any_port()
        arguments = {"port": port, "demo": demo, "open_browser": False}
        if script is not None:
            arguments["script"] = str(script)
        with log.open("wb") as out:
            process = subprocess.Popen(
                [sys.executable, "-c", code, str(folder), json.dumps(arguments)],
                cwd=REPO,
                env={**os.environ, "PYTHONPATH": str(REPO), **environment},
                stdout=out,
                stderr=subprocess.STDOUT,
            )
        address = f"http://127.0.0.1:{port}"
        try:
            _wait_until_up(address, process, log)
            return process, address
        except BaseException as error:
            stopped = process.poll() is not None
            process.kill()
            process.wait()
            # Somebody else may have taken the port between the asking and the binding.
            if not (stopped and isinstance(error, RuntimeError)) or attempt + 1 == START_ATTEMPTS:
                raise
    raise AssertionError("not reached")


def _any_port() -> int:
    """A port that nobody uses; the system gives another one to each that asks."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def _wait_until_up(address: str, process: subprocess.Popen[bytes], log: Path) -> None:
    for _ in range(START_SECONDS * 5):
        if process.poll() is not None:
            raise RuntimeError(f"the server stopped at once:\n{log.read_text()[-3000:]}")
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2):
                return
        except (urllib.error.URLError, OSError):
            try:  # a wait that ends early when the process ends
                process.wait(0.2)
            except subprocess.TimeoutExpired:
                continue
    raise RuntimeError(f"the server did not come up:\n{log.read_text()[-3000:]}")


@contextmanager
def page_of(browser: Any, address: str, **options: Any) -> Iterator[Any]:
    """A fresh browser window at the address, once the page has run."""
    options = {"viewport": {"width": 1400, "height": 950}, **options}
    context = browser.new_context(**options)
    page = context.new_page()
    page.set_default_timeout(120_000)  # a machine may be busy with other tests
    try:
        page.goto(address)
        settled(page)
        yield page
    finally:
        context.close()


def settled(page: Any) -> None:
    """Wait until the script of the page has run to its end."""
    page.wait_for_selector('[data-testid="stApp"][data-test-script-state="notRunning"]')


def seen(page: Any) -> None:
    """Wait until the desk takes an answer: its place has been on the screen for long enough."""
    page.wait_for_function(SEEN)


def until(page: Any, happened: Callable[[], bool]) -> None:
    """Wait until it has happened (in the store, say); the page goes on meanwhile."""
    for _ in range(600):
        if happened():
            break
        page.wait_for_timeout(100)
    else:
        raise AssertionError("it did not happen within a minute")
    settled(page)


def go(page: Any, name: str) -> None:
    """Go to the page of that name by the ways on top, through its phase where that is closed."""
    ways = page.locator(".st-key-ways")
    phase = next(phase for phase, members in PHASES.items() if _named(name) in members)
    if phase:
        _follow(ways, f"{phase} ›", ways.locator(".phase", has_text=phase))
    here = ways.locator('[aria-current="page"]', has_text=re.compile(f"^{name}$"))
    _follow(ways, name, here)
    settled(page)


def _follow(ways: Any, link_name: str, goal: Any) -> None:
    """Click the link, or the goal where that is there already: the row may be drawn anew."""
    ways.get_by_role("link", name=link_name, exact=True).or_(goal).first.click()
    goal.wait_for()


def _named(words: str) -> str:
    return next(name for name, title in PAGE_WORDS.items() if title == words)


class CanvasDriver:
    """One photo canvas on a page: clicks given in photo pixels, and what it shows."""

    def __init__(self, page: Any, index: int = 0) -> None:
        self.page = page
        self.root = page.locator(".root[role=application]").nth(index)
        self.root.wait_for()

    def view(self) -> list[float]:
        """[css px per photo px, middle x, middle y, quarter turns]."""
        self._wait_for("data-view", re.compile(".+"))
        return json.loads(self.root.get_attribute("data-view"))

    def screen(self, x_px: float, y_px: float) -> tuple[float, float]:
        """Page coordinates of a photo pixel."""
        return self.screen_in(self.view(), self.root.bounding_box(), x_px, y_px)

    @staticmethod
    def screen_in(
        view: list[float], box: dict[str, float], x_px: float, y_px: float
    ) -> tuple[float, float]:
        """The same under a view and in a box that were asked for before."""
        scale, cx, cy, turns = view
        a, b, c, d = ((1, 0, 0, 1), (0, -1, 1, 0), (-1, 0, 0, -1), (0, 1, -1, 0))[int(turns)]
        dx, dy = (x_px - cx) * scale, (y_px - cy) * scale
        return (
            box["x"] + box["width"] / 2 + a * dx + b * dy,
            box["y"] + box["height"] / 2 + c * dx + d * dy,
        )

    def click(self, x_px: float, y_px: float) -> None:
        self.page.mouse.click(*self.screen(x_px, y_px))

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
        first, *rest = [self.screen(*place) for place in (start, middle, end)]
        self.page.mouse.move(*first)
        self.page.mouse.down()
        for place in rest:
            self.page.mouse.move(*place)
        self.page.mouse.up()

    def wait_acknowledged(self) -> None:
        """Wait until Python has dealt with everything and the page has settled."""
        self._wait_for("data-pending", "0")
        settled(self.page)

    def wait_tiles(self) -> None:
        """Wait until the photo is shown as sharp as it gets."""
        self._wait_for("data-missing", "0")

    def _wait_for(self, name: str, value: str | re.Pattern[str]) -> None:
        # by locator, not by handle: a rerun may draw the canvas as a new element meanwhile
        expect = pytest.importorskip("playwright.sync_api").expect
        expect(self.root).to_have_attribute(name, value, timeout=120_000)
