"""Only one channel shown on the leads page: picked by its name or by pointing at it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from mapper.fit import PhotoFit
from mapper.records import Job, JobStore, open_demo
from tests.browser import CanvasDriver, browser, page_of, running_server, until

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser
PHOTO = "cleared.jpg"
CHANNEL = "C1"  # it leads from D01 to the common channel
INSIDE, OUTSIDE = {"Z01-H", "Z01-T"}, "Z02-H"


def expect(*what: Any) -> Any:
    return pytest.importorskip("playwright.sync_api").expect(*what)


@pytest.fixture(scope="module")
def demo(
    browser: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[JobStore, str, str]]:
    folder = tmp_path_factory.mktemp("demo")
    store = JobStore(folder)
    job_id = open_demo(store)
    with running_server(folder, demo=True) as address:
        yield store, job_id, f"{address}/leads?job={job_id}"
    store.close()


def on_photo(job: Job, points_mm: np.ndarray) -> np.ndarray:
    """Pixels (N, 2) on the photo of places in mm where leads lie."""
    fit = fit_of(job)
    return fit.photo_from_plate(points_mm, job.plate.lead_depth_mm(points_mm))


def fit_of(job: Job) -> PhotoFit:
    return job.fits[next(one.sha256 for one in job.photos if one.name == PHOTO)]


def middle_of_channel(job: Job) -> tuple[float, float]:
    channel = next(one for one in job.plate.channels if one.id == CHANNEL)
    return tuple(on_photo(job, np.mean(channel.points_mm, axis=0, keepdims=True))[0])


def at_nozzle(job: Job, lead_id: str) -> tuple[float, float]:
    """A place on the lead in its pocket, where no lead of another drop lies."""
    lead = next(one for one in job.leads if one.id == lead_id)
    return tuple(on_photo(job, lead.points_mm[2:3])[0])


def channels(page: Any) -> Any:
    """The box that names the channel shown."""
    return page.get_by_role("combobox", name="Channel")


def listed_as_not_drawn(page: Any) -> set[str]:
    return _listed(page, "button.lead.pale")


def picked(page: Any) -> set[str]:
    return _listed(page, "button.lead.on")


def _listed(page: Any, which: str) -> set[str]:
    titles = page.locator(which).evaluate_all("found => found.map((one) => one.title)")
    return {title.partition(":")[0] for title in titles}


def all_but_those_inside(job: Job) -> set[str]:
    return {lead.id for lead in job.leads} - INSIDE


def test_a_channel_picked_by_name_comes_into_sight_with_its_leads_and_no_other(
    browser: Any, demo: tuple[JobStore, str, str]
) -> None:
    store, job_id, address = demo
    job = store.job(job_id)
    with page_of(browser, address) as page:
        canvas = CanvasDriver(page)
        canvas.wait_tiles()
        whole = canvas.view()[0]
        channels(page).click()
        page.get_by_role("option", name=f"Only {CHANNEL} · 2 leads").click()
        canvas.root.locator(".hint", has_text=f"Only leads in {CHANNEL}: Z01-H, Z01-T.").wait_for()
        canvas.wait_acknowledged()
        until(page, lambda: listed_as_not_drawn(page) == all_but_those_inside(job))
        scale, x, y, _ = canvas.view()
        assert scale > 2 * whole
        assert np.hypot(*(np.array([x, y]) - middle_of_channel(job))) * scale < 60

        page.keyboard.press("0")
        page.wait_for_timeout(150)
        canvas.click(*at_nozzle(job, OUTSIDE))  # it is not drawn, so it is not there to be picked
        canvas.wait_acknowledged()
        assert picked(page) == set()
        canvas.click(*at_nozzle(job, "Z01-H"))
        page.locator("button.lead.on").wait_for()
        assert picked(page) <= INSIDE

        page.get_by_role("button", name="Show all").click()
        page.locator("button.lead.pale").first.wait_for(state="detached")
        expect(channels(page)).to_have_value("All channels")
    assert store.job(job_id).revision == job.revision  # only what is looked at has changed


def test_the_channel_under_the_pointer_is_shown_alone_by_one_key_and_all_again_by_the_same(
    browser: Any, demo: tuple[JobStore, str, str]
) -> None:
    store, job_id, address = demo
    job = store.job(job_id)
    with page_of(browser, address) as page:
        canvas = CanvasDriver(page)
        canvas.wait_tiles()
        before = canvas.view()
        box = canvas.root.bounding_box()
        page.mouse.move(box["x"] + 20, box["y"] + box["height"] / 2)  # beside the photo
        page.keyboard.press("i")
        canvas.root.locator(".hint.alert", has_text="Point at a channel").wait_for()

        page.mouse.move(*canvas.screen(*middle_of_channel(job)))
        page.keyboard.press("i")
        canvas.root.locator(".hint", has_text=f"Only leads in {CHANNEL}").wait_for()
        expect(channels(page)).to_have_value(f"Only {CHANNEL} · 2 leads")
        until(page, lambda: listed_as_not_drawn(page) == all_but_those_inside(job))
        assert canvas.view() == before  # the place pointed at stays under the pointer

        page.keyboard.press("i")
        page.locator("button.lead.pale").first.wait_for(state="detached")
        expect(channels(page)).to_have_value("All channels")


def test_a_finger_shows_the_channel_that_it_touched(
    browser: Any, demo: tuple[JobStore, str, str]
) -> None:
    store, job_id, address = demo
    job = store.job(job_id)
    size = {"width": 1280, "height": 800}
    with page_of(browser, address, viewport=size, has_touch=True, is_mobile=True) as page:
        canvas = CanvasDriver(page)
        canvas.wait_tiles()
        page.touchscreen.tap(*canvas.screen(*middle_of_channel(job)))
        canvas.wait_acknowledged()
        canvas.root.get_by_role("button", name="one channel").tap()
        expect(channels(page)).to_have_value(f"Only {CHANNEL} · 2 leads")
        others = all_but_those_inside(job)
        until(page, lambda: listed_as_not_drawn(page) == others - picked(page))
        canvas.root.get_by_role("button", name="all channels").tap()
        page.locator("button.lead.pale").first.wait_for(state="detached")
