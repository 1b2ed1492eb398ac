"""Takes the pictures of docs/walkthrough.md: `python -m tests.make_walkthrough`."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
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
from tests.plate_thermal import Truth, make_log
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
    go(page, "Warm-up")
    take(page, "warmup")
    go(page, "Parts")
    take(page, "parts")
    go(page, "Readings")
    take(page, "readings")
    go(page, "Response test")
    log = {"name": "invented log.csv", "mimeType": "text/csv", "buffer": response_log()}
    page.locator('input[type="file"]').first.set_input_files(log)
    page.get_by_role("button", name="Read it and keep it").click()
    page.get_by_role("button", name="Correct the zone table").wait_for()
    take(page, "response")
    go(page, "Salvage")
    take(page, "salvage")
    go(page, "Rebuild")
    take(page, "rebuild")
    page.get_by_role("button", name="Lay it like this: keep as as-built").click()
    page.wait_for_timeout(3000)
    settled(page)
    go(page, "As found, as built")
    take(page, "compare")
    go(page, "Sheet")
    take(page, "sheet")
    go(page, "Hand-over")
    take(page, "handover")


def response_log() -> bytes:
    """A log of the demo plate with two sensors swapped and one reversed, from the thermal model."""
    sensor_of = np.arange(12)
    sensor_of[[2, 5]] = sensor_of[[5, 2]]
    log = make_log(12, Truth(sensor_of, reversed={8}), np.random.default_rng(7), noise_c=0.2)
    lines = [",".join(("time", *log.sensors, "zone"))]
    for at, row, on in zip(log.time_s, log.temps_c, log.on, strict=True):
        heated = [name for name, one in zip(log.heaters, on, strict=True) if one]
        cells = (f"{value:.2f}" for value in row)
        lines.append(",".join((f"{at:g}", *cells, *(heated or [""]))))
    return "\n".join(lines).encode()


def take(page: Any, name: str) -> None:
    """A picture of the page once its photos are sharp."""
    settled(page)
    if page.locator(".root[role=application]").count():
        CanvasDriver(page).wait_tiles()
    page.wait_for_timeout(1500)
    page.screenshot(path=PICTURES / f"{name}.jpg", type="jpeg", quality=80)


if __name__ == "__main__":
    main()
