"""A stranger finishes the demo job in a real browser, and a reload finds it all there."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mapper.pulling import check_order, plan_pull
from mapper.records import JobStore, open_demo
from tests.browser import CanvasDriver, browser, go, page_of, running_server, seen, settled, until

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser
# Z08-T on cleared.jpg: from its nozzle through the channel to the exit
CLICKS_PX = [(1214.0, 377.4), (1207.8, 479.4), (1340.2, 577.2), (1526.2, 578.2), (1710.1, 572.5)]


@pytest.fixture(scope="module")
def demo(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, ...]]:
    folder = tmp_path_factory.mktemp("demo")
    store = JobStore(folder)
    job_id = open_demo(store)
    with running_server(folder, demo=True) as address:
        yield store, job_id, address
    store.close()


def test_the_demo_is_finished_step_by_step_and_a_reload_finds_it_all(browser, demo):
    store, job_id, address = demo
    with page_of(browser, f"{address}/?job={job_id}") as page:
        page.set_default_timeout(90_000)

        go(page, "Fit")
        page.get_by_role("button", name="Fit all (1 to do)").click()
        page.get_by_role("button", name="All photos are fitted").wait_for()
        job = store.job(job_id)
        close_up = next(photo for photo in job.photos if photo.name == "round-1-close.jpg")
        assert job.fits[close_up.sha256].verdict == "good"

        go(page, "Leads")
        page.get_by_role("button", name="Next untraced", exact=True).click()
        settled(page)
        canvas = CanvasDriver(page)
        canvas.wait_acknowledged()
        page.get_by_role("button", name="Whole").click()
        for x_px, y_px in CLICKS_PX:
            canvas.click(x_px, y_px)
        canvas.wait_acknowledged()
        page.get_by_text("24 of 24 traced").first.wait_for()
        (lead,) = [lead for lead in store.job(job_id).leads if lead.id == "Z08-T"]
        assert lead.finished and lead.drop == "D08" and lead.exit == "X2"

        go(page, "Crossings")
        before = {one.id for one in store.job(job_id).judged}
        seen(page)
        page.get_by_role("button", name="is on top").first.click()
        until(page, lambda: {one.id for one in store.job(job_id).judged} != before)
        assert len({one.id for one in store.job(job_id).judged} - before) == 1

        go(page, "Pull plan")
        page.get_by_role("button", name="Out", exact=True).first.click()
        until(page, lambda: bool(store.job(job_id).done))
        (step,) = store.job(job_id).done
        assert step.action == "pull"
        assert not check_order(store.job(job_id).route_map(), [step.wire])

        page.reload()
        settled(page)
        page.get_by_text("24 of 24 leads").first.wait_for()
        page.get_by_text(step.wire).first.wait_for()
        assert page.get_by_text("Traceback").count() == 0


def test_shipped_files_of_the_demo_stay_as_they_are(demo, sample_images: Path):
    before = {path.name: path.stat().st_mtime_ns for path in sample_images.iterdir()}
    store, job_id, _ = demo
    store.edit(job_id, "a change", {"about": {**store.job(job_id).about, "note": "changed"}})
    assert {path.name: path.stat().st_mtime_ns for path in sample_images.iterdir()} == before


def test_the_demo_starts_as_its_readme_says(sample_images: Path, tmp_path: Path):
    store = JobStore(tmp_path)
    job = store.job(open_demo(store, folder=sample_images))
    store.close()
    assert [lead.id for lead in job.missing_leads()] == ["Z08-T"]
    plan = plan_pull(job.route_map())
    assert [set(locked.wires) for locked in plan.locked] == [{"Z01-H", "Z06-T", "Z09-T"}]
    assert plan.status == "locked" and plan.steps
    assert any(meeting.top is None for meeting in job.route_map(provisional=False).crossings)
    assert {photo.stage for photo in job.photos} == {"before", "during 1", "cleared"}
    assert len(job.fits) == len(job.photos) - 1
    drops_mm = np.array([(drop.x_mm, drop.y_mm) for drop in job.plate.drops])
    assert all(fit.sigma_mm(drops_mm).max() < 0.5 for fit in job.fits.values())
