"""A cover is set in two clicks on the photo, in a real browser."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from mapper.records import JobStore, open_demo
from tests.browser import CanvasDriver, browser, page_of, running_server, settled

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser


def test_two_clicks_on_the_photo_set_a_cover_over_the_channel(browser: Any, tmp_path: Path):
    store = JobStore(tmp_path)
    job_id = open_demo(store)
    job = store.job(job_id)
    fit = job.fits[[entry.sha256 for entry in job.photos if entry.sha256 in job.fits][-1]]
    channel = max(job.plate.channels, key=lambda one: shapely.LineString(one.points_mm).length)
    line = shapely.LineString(channel.points_mm)
    places = [line.interpolate(share, normalized=True).coords[0] for share in (0.4, 0.6)]
    with (
        running_server(tmp_path, demo=True) as address,
        page_of(browser, f"{address}/plan?job={job_id}") as page,
    ):
        page.set_default_timeout(20_000)
        page.get_by_text("Covers, nozzles and heaters").click()
        page.get_by_role("button", name="Add a cover").click()
        page.get_by_text("Click where the cover begins").first.wait_for()
        settled(page)
        canvas = CanvasDriver(page)
        canvas.root.scroll_into_view_if_needed()
        for place in places:
            canvas.click(*np.asarray(fit.photo_from_plate([place]))[0])
            canvas.wait_acknowledged()
        page.get_by_text("Take off cover 1").first.wait_for()
    (cover,) = store.job(job_id).covers
    (over,) = cover.over
    assert over.channel == channel.id
    expected = (0.4 * line.length, 0.6 * line.length)
    assert (over.from_mm, over.to_mm) == pytest.approx(expected, abs=3.0)
    store.close()
