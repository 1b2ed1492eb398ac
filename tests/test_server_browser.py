"""The pages on a shared archive: jobs on a PostgreSQL server, photos on a shared place."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from mapper.records import JobStore, open_demo
from tests.browser import browser, page_of, running_server, settled, until

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser


def test_a_step_marked_on_one_bench_is_there_after_a_reload_and_on_the_other_bench(
    browser: Any, new_database: str, tmp_path: Path
):
    place = (tmp_path / "place").as_uri()
    other = JobStore(tmp_path / "other bench", new_database, place)
    job_id = open_demo(other)
    here = tmp_path / "this bench"
    shared = {"MAPPER_DATABASE": new_database, "MAPPER_PHOTOS": place}
    with (
        running_server(here, environment=shared) as address,
        page_of(browser, f"{address}/plan?job={job_id}&by=Kim") as page,
    ):
        page.get_by_role("button", name="Out", exact=True).first.click()
        until(page, lambda: bool(other.job(job_id).done))
        (step,) = other.job(job_id).done
        assert (step.action, step.by) == ("pull", "Kim")
        page.reload()
        settled(page)
        page.get_by_text(f"last: {step.wire} out").first.wait_for()

        # The list of jobs needs one small picture here, and no original of all the photos.
        page.goto(f"{address}/?job={job_id}")
        page.locator('[data-testid="stMain"] img').first.wait_for()
        settled(page)
        assert page.get_by_text("Traceback").count() == 0
    assert not (here / "jobs.sqlite").exists()
    assert len(list((here / "small").rglob("*.jpg"))) == 1
    other.close()
