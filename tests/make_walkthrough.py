"""Takes the pictures of docs/walkthrough.md: `python -m tests.make_walkthrough`."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

from mapper.records import JobStore, open_demo
from tests.browser import (
    CHROMIUM_ARGS,
    CanvasDriver,
    chromium_path,
    go,
    page_of,
    running_server,
    settled,
)
from tests.conftest import REPO
from tests.test_demo_browser import CLICKS_PX

PICTURES = REPO / "docs" / "pictures"
WINDOW = {"width": 1366, "height": 860}


def main() -> None:
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        store = JobStore(Path(folder))
        job_id = open_demo(store)
        started = playwright.chromium.launch(executable_path=chromium_path(), args=CHROMIUM_ARGS)
        with (
            running_server(Path(folder), demo=True) as address,
            page_of(started, f"{address}/?job={job_id}", viewport=WINDOW) as page,
        ):
            page.set_default_timeout(120_000)
            walk(page)
        started.close()
        store.close()


def walk(page: Any) -> None:
    """The demo job from start to plan, with a picture of each page."""
    go(page, "Plate")
    take(page, "plate")
    go(page, "Photos")
    take(page, "photos")
    go(page, "Fit")
    page.get_by_role("button", name="Fit all (1 to do)").click()
    page.get_by_role("button", name="All photos are fitted").wait_for()
    take(page, "fit")

    go(page, "Leads")
    page.get_by_role("button", name="Next untraced", exact=True).click()
    settled(page)
    canvas = CanvasDriver(page)
    canvas.wait_acknowledged()
    page.get_by_role("button", name="Whole").click()
    for place in CLICKS_PX[:3]:
        canvas.click(*place)
    canvas.wait_acknowledged()
    take(page, "tracing")
    for place in CLICKS_PX[3:]:
        canvas.click(*place)
    canvas.wait_acknowledged()
    page.get_by_text("24 of 24 traced").first.wait_for()
    take(page, "leads")

    go(page, "Crossings")
    take(page, "crossing")
    go(page, "Pull plan")
    take(page, "plan")
    page.mouse.move(300, 600)
    page.mouse.wheel(0, 700)
    page.wait_for_timeout(800)
    page.screenshot(path=PICTURES / "plan-more.jpg", type="jpeg", quality=80)
    go(page, "At the plate")
    take(page, "bench")
    go(page, "Sheet")
    take(page, "sheet")


def take(page: Any, name: str) -> None:
    """A picture of the page once its photos are sharp."""
    settled(page)
    if page.locator(".root[role=application]").count():
        CanvasDriver(page).wait_tiles()
    page.wait_for_timeout(1500)
    page.screenshot(path=PICTURES / f"{name}.jpg", type="jpeg", quality=80)


if __name__ == "__main__":
    main()
