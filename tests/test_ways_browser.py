"""A click on a way to another page always leads there, also while an answer is being kept."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from mapper.records import JobStore, open_demo
from tests.browser import browser, go, page_of, running_server, seen, settled

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser
LATE_NOTE_APP = Path(__file__).with_name("late_note_app.py")


def test_a_way_leads_there_though_a_stopped_run_notes_its_own_page_last(
    browser: Any, tmp_path: Path
):
    store = JobStore(tmp_path)
    job_id = open_demo(store)
    store.close()
    with (
        running_server(tmp_path, demo=True, script=LATE_NOTE_APP) as address,
        page_of(browser, f"{address}/crossings?job={job_id}") as page,
    ):
        for name in ("Pull plan", "At the plate", "Leads", "Jobs", "Crossings"):
            go(page, name)
        page.get_by_role("button", name="is on top").first.wait_for()


def test_answers_are_kept_and_a_way_clicked_while_one_is_kept_is_followed(
    browser: Any, tmp_path: Path
):
    store = JobStore(tmp_path)
    job_id = open_demo(store)
    with (
        running_server(tmp_path, demo=True) as address,
        page_of(browser, f"{address}/crossings?job={job_id}") as page,
    ):
        for _ in range(8):
            before = store.revision(job_id)
            page.get_by_role("radio", name=re.compile(r"^All \(")).click()
            settled(page)
            seen(page)
            page.get_by_role("button", name="is on top").first.click()
            for _ in range(1000):  # until the answer is in the store: its page is not drawn yet
                if store.revision(job_id) > before:
                    break
                page.wait_for_timeout(10)
            go(page, "Pull plan")
            assert store.revision(job_id) == before + 1
            page.goto(f"{address}/crossings?job={job_id}")
            settled(page)
    store.close()
