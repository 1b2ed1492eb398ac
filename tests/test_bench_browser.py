"""At the plate in a real browser: refusals, overrides and put-backs are kept."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from mapper.records import JobStore, open_demo
from tests.browser import browser, page_of, running_server, settled

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def demo(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, ...]]:
    folder: Path = tmp_path_factory.mktemp("bench")
    store = JobStore(folder)
    job_id = open_demo(store)
    with running_server(folder, demo=True) as address:
        yield store, job_id, address
    store.close()


def test_lead_that_is_not_free_is_refused_overridden_with_a_reason_and_put_back(browser, demo):
    store, job_id, address = demo
    with page_of(browser, f"{address}/bench?job={job_id}") as page:
        page.set_default_timeout(60_000)
        page.get_by_text("Another lead came out").click()
        page.get_by_role("button", name="Mark it as out").click()
        page.get_by_text("Z01-H was not marked as out.").wait_for()
        assert store.job(job_id).done == ()

        page.get_by_role("button", name="Record that it is out").click()
        page.get_by_text("Not recorded: say how it happened first.").wait_for()
        assert store.job(job_id).done == ()

        reason = page.get_by_label("If it is out all the same")
        reason.fill("cut at the nozzle")
        reason.press("Enter")  # also the key of the step at hand: it must mark nothing here
        settled(page)
        assert store.job(job_id).done == ()

        page.get_by_role("button", name="Record that it is out").click()
        page.get_by_text("although it was not free: cut at the nozzle").wait_for()
        (step,) = store.job(job_id).done
        assert (step.action, step.wire, step.reason) == ("pull", "Z01-H", "cut at the nozzle")

        page.reload()
        page.get_by_text("although it was not free: cut at the nozzle").wait_for()
        page.get_by_role("button", name="Put back", exact=True).first.click()
        page.get_by_text("Z01-H put back").first.wait_for()
        assert [one.action for one in store.job(job_id).done] == ["pull", "put back"]
        page.get_by_text("although it was not free: cut at the nozzle").wait_for()
