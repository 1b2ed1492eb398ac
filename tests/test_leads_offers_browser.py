"""Leads looked for without a click, seen to the end in a real browser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from mapper.records import JobStore, PhotoEntry, TracedLead, fit_changes
from tests.browser import CanvasDriver, browser, page_of, running_server, until
from tests.test_leads_tracing import PLATE, fitted, off_route_mm, photo

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser
OFFERED = "Offered: the white line from D01 to X1"


@pytest.fixture
def search(browser: Any, tmp_path: Path) -> Iterator[tuple[JobStore, str, Any]]:
    """A page of a job whose one photo shows one lead in full sight, and nothing traced."""
    store = JobStore(tmp_path)
    job_id = store.create("invented")
    done, jpeg = cv2.imencode(".jpg", photo(fitted()), [cv2.IMWRITE_JPEG_QUALITY, 95])
    assert done
    sha256 = store.add_photo(jpeg.tobytes(), ".jpg")
    entry = PhotoEntry(sha256, "clear.jpg", "cleared", None, 26.0, 1600, 1200)
    start = {"plate": PLATE.to_mapping(), f"photo/{sha256}": entry.to_mapping()}
    job = store.edit(job_id, "Enter the plate, add a photo", start)
    store.edit(job_id, "Fit", fit_changes(job, sha256, fitted()))
    with (
        running_server(tmp_path) as address,
        page_of(browser, f"{address}/leads?job={job_id}") as page,
    ):
        CanvasDriver(page).wait_tiles()
        yield store, job_id, page
    store.close()


def lead_of(store: JobStore, job_id: str) -> TracedLead | None:
    return next(iter(store.job(job_id).leads), None)


def test_a_certain_lead_is_offered_accepted_taken_back_and_refused_by_a_key_each(
    search: tuple[JobStore, str, Any],
) -> None:
    store, job_id, page = search
    canvas = CanvasDriver(page)
    place = canvas.root.bounding_box()
    page.get_by_role("button", name="Look for leads by itself").click()
    offered = canvas.root.locator(".hint", has_text=OFFERED)
    offered.wait_for()
    assert canvas.root.bounding_box() == place  # nothing moved under a hand that went on tracing
    canvas.wait_acknowledged()
    # The whole pocket is in sight, clear of the sentence, to tell whose lead it is.
    hint, job = offered.bounding_box(), store.job(job_id)
    (fit,), drop = job.fits.values(), job.plate.drops[0]
    radius = drop.bore_diameter_mm / 2
    edge = [(drop.x_mm + x, drop.y_mm + y) for x, y in ((-radius, 0), (0, radius), (radius, 0))]
    for x, y in (canvas.screen(*px) for px in fit.photo_from_plate(np.array(edge))):
        assert place["x"] < x < place["x"] + place["width"]
        assert hint["y"] + hint["height"] <= y < place["y"] + place["height"]

    page.keyboard.press("1")
    until(page, lambda: lead_of(store, job_id) is not None)
    lead = lead_of(store, job_id)
    assert (lead.id, lead.drop, lead.exit, lead.finished) == ("Z01-H", "D01", "X1", True)
    seen = lead.points_mm[:-1][np.array(lead.seen)]
    assert np.quantile(off_route_mm(seen), 0.95) < 0.7  # as from two clicks at its ends
    canvas.root.locator(".hint", has_text="That was the last lead offered").wait_for()
    canvas.wait_acknowledged()

    page.keyboard.press("z")
    offered.wait_for()
    assert lead_of(store, job_id) is None
    canvas.wait_acknowledged()

    page.keyboard.press("2")  # it is the other lead of that drop
    until(page, lambda: lead_of(store, job_id) is not None)
    assert (lead_of(store, job_id).id, lead_of(store, job_id).kind) == ("Z01-T", "thermocouple")
    canvas.wait_acknowledged()
    page.keyboard.press("z")
    offered.wait_for()
    canvas.wait_acknowledged()

    revision = store.job(job_id).revision
    page.keyboard.press("q")
    canvas.root.locator(".hint", has_text="That was the last lead offered").wait_for()
    canvas.wait_acknowledged()
    page.keyboard.press("z")
    offered.wait_for()
    assert store.job(job_id).revision == revision  # a refusal changes nothing in the job
