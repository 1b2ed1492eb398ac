"""Where no lead comes out: a look tells how far one may be lifted, and the lift is ticked off."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from mapper.records import JobStore
from mapper.ui.along_places import along_of, leads_asked
from mapper.ui.asked import hidden_changes
from mapper.ui.findings import Findings
from tests.browser import browser, go, page_of, running_server, seen, settled, until
from tests.full_job import full_job

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser
LAPTOP = {"width": 1366, "height": 768}


def with_nothing_free(store: JobStore, job_id: str, anywhere: bool = False) -> None:
    """Keep that something lies on every lead, somewhere; with `anywhere` at all of its places."""
    findings = Findings(store.job(job_id))
    while leads_asked(findings) and (anywhere or not findings.asked.to_lift):
        name = leads_asked(findings)[0]
        places = [(one, None) for one in along_of(findings, name).places]
        changes = hidden_changes(findings, name, places, "KL", somewhere=not anywhere)
        store.edit(job_id, f"Something lies on {name}", changes)
        findings = Findings(store.job(job_id))


def test_a_lead_is_lifted_as_far_as_the_first_mark_and_hangs_there(
    browser: Any, shared_plates: Path, tmp_path: Path
) -> None:
    store = JobStore(tmp_path)
    job_id = full_job(store, shared_plates / "plate2", open_every=1)
    with_nothing_free(store, job_id)
    findings = Findings(store.job(job_id))
    lead = leads_asked(findings)[0]
    along = along_of(findings, lead)
    last = len(along.places)
    free = along.free_of([last])
    assert free
    with (
        running_server(tmp_path) as address,
        page_of(browser, f"{address}/plan?job={job_id}", viewport=LAPTOP) as page,
    ):
        page.get_by_role("button", name="Next: look how far leads may be lifted").click()
        page.get_by_role("heading", name=f"How far may {lead} be lifted?").wait_for()
        settled(page)
        page.get_by_role("button", name=f"{last} {along.other(along.places[-1])}").last.click()
        words = f"from its exit to place {last}: answer {len(free)} place"
        page.get_by_role("button", name=words).wait_for()
        settled(page)
        seen(page)
        page.keyboard.press("1")
        until(page, lambda: bool(Findings(store.job(job_id)).lifts))
        (lift,) = Findings(store.job(job_id)).lifts
        assert lift.step.wire == lead
        go(page, "Pull plan")
        page.get_by_text(f"Peel {lead} to just past").first.wait_for()
        page.get_by_text("shows what lies under it").first.wait_for()
        page.get_by_role("button", name="Done", exact=True).first.click()
        until(page, lambda: len(store.job(job_id).done) == 1)
        (event,) = store.job(job_id).done
        assert (event.action, event.wire) == ("peel", lead)
        assert not event.reason  # the rule allows it: nobody had to say how it happened
        settled(page)
        page.get_by_role("button", name="Undo").click()
        until(page, lambda: not store.job(job_id).done)
    store.close()


def test_where_no_look_along_a_lead_helps_single_places_can_be_answered(
    browser: Any, shared_plates: Path, tmp_path: Path
) -> None:
    store = JobStore(tmp_path)
    job_id = full_job(store, shared_plates / "plate2", open_every=1)
    with_nothing_free(store, job_id, anywhere=True)
    findings = Findings(store.job(job_id))
    assert not findings.asked_now and not findings.steps_now
    with (
        running_server(tmp_path) as address,
        page_of(browser, f"{address}/crossings?job={job_id}", viewport=LAPTOP) as page,
    ):
        page.get_by_text("One lead all along").click()
        page.get_by_role("button", name="Answer open places one by one").click()
        page.locator(".st-key-desk").get_by_text(" mm").first.wait_for()
        settled(page)
        seen(page)
        page.keyboard.press("1")
        until(
            page,
            lambda: len(Findings(store.job(job_id)).open_meetings) < len(findings.open_meetings),
        )
    store.close()
