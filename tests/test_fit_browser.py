"""The Fit page in a real browser: a point is dragged, its error follows, and Undo takes it back."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from mapper.records import JobStore, fit_changes
from tests.browser import CanvasDriver, browser, page_of, running_server, settled
from tests.full_job import full_job

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser
PHOTO = "05_clear_overview.jpg"
DRAG_MM = 12.0  # less than half a pitch, and more than the shortest drag on the screen
WORST = re.compile(r"worst is point (\d): (\d+\.\d\d) mm")


def worst(page: Any) -> tuple[int, float]:
    """Number and error of the worst point, as the page tells."""
    line = page.get_by_text(WORST).first
    line.wait_for()
    number, mm = WORST.search(line.inner_text()).groups()
    return int(number), float(mm)


def test_a_dragged_point_shows_its_new_error_and_undo_takes_it_back(
    browser: Any, shared_plates: Path, tmp_path: Path
) -> None:
    store = JobStore(tmp_path)
    job_id = full_job(store, shared_plates / "plate1")
    job = store.job(job_id)
    entry = next(one for one in job.photos if one.name == PHOTO)
    fit = job.fits[entry.sha256]
    # on bores of the drawing, the second 0.4 mm beside its place
    at_mm = [(d.x_mm + 0.4 * (n == 1), d.y_mm) for n, d in enumerate(job.plate.drops[:5])]
    at_px = fit.photo_from_plate(at_mm)
    clicks = [
        {"id": f"c{n}", "x": float(x), "y": float(y), "feature": None}
        for n, (x, y) in enumerate(at_px)
    ]
    store.edit(job_id, "Set points", fit_changes(job, entry.sha256, fit, clicks))
    away_px = fit.photo_from_plate([(at_mm[3][0], at_mm[3][1] + DRAG_MM)])[0]
    with (
        running_server(tmp_path) as address,
        page_of(
            browser, f"{address}/fit?job={job_id}", viewport={"width": 1366, "height": 900}
        ) as page,
    ):
        CanvasDriver(page).wait_tiles()
        page.get_by_role("button", name=PHOTO).click()
        page.locator("b", has_text=PHOTO).wait_for()
        settled(page)
        page.get_by_text("Set points by hand").first.click()
        page.get_by_text("Each further point").wait_for()
        settled(page)
        canvas = CanvasDriver(page)
        canvas.wait_tiles()
        assert worst(page) == (2, pytest.approx(0.4, abs=0.02))
        canvas.drag(tuple(at_px[3]), tuple(away_px))
        canvas.wait_acknowledged()
        page.get_by_text("worst is point 4").wait_for()
        # one css pixel is some 0.8 mm here: the mouse can not say it finer
        assert worst(page) == (4, pytest.approx(DRAG_MM, abs=2.0))
        assert store.job(job_id).clicks(entry.sha256)[3]["y"] != clicks[3]["y"]
        page.get_by_role("button", name="Undo").click()
        page.get_by_text("worst is point 2").wait_for()
        back = store.job(job_id)
        assert back.clicks(entry.sha256) == clicks
        assert back.fits[entry.sha256].to_dict() == fit.to_dict()
