"""The pull plan on a laptop: what is needed first is in sight, and each way leads where it says."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from mapper.records import JobStore, judgement_changes, open_demo
from mapper.ui.findings import Findings
from tests.browser import CanvasDriver, browser, go, page_of, running_server, settled

__all__ = ["browser"]  # the fixture

LAPTOP = {"width": 1366, "height": 768}


def expect(*what: Any) -> Any:
    return pytest.importorskip("playwright.sync_api").expect(*what)


@pytest.fixture
def plan(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    folder = tmp_path_factory.mktemp("demo")
    store = JobStore(folder)
    job_id = open_demo(store)
    store.close()
    with (
        running_server(folder, demo=True) as address,
        page_of(browser, f"{address}/plan?job={job_id}", viewport=LAPTOP) as page,
    ):
        CanvasDriver(page).wait_tiles()
        yield page


@pytest.mark.browser
def test_the_first_step_and_the_whole_picture_are_in_sight_on_a_laptop(plan: Any) -> None:
    expect(plan.get_by_role("button", name="Out", exact=True).first).to_be_in_viewport(ratio=1)
    expect(CanvasDriver(plan).root).to_be_in_viewport(ratio=1)
    expect(plan.locator(".caution")).to_be_in_viewport(ratio=1)


@pytest.mark.browser
def test_what_holds_the_locked_leads_is_one_click_away(plan: Any) -> None:
    locked = plan.get_by_role("heading", name="Locked")
    expect(locked).not_to_be_in_viewport()
    plan.get_by_role("link", name="What holds them").click()
    expect(locked).to_be_in_viewport()


@pytest.mark.browser
def test_a_place_to_look_at_leads_to_its_own_question(plan: Any) -> None:
    plan.get_by_role("button", name="Z07-H / Z07-T at").click()
    settled(plan)
    asked = plan.get_by_role("heading", name="Which lies on top?")
    expect(asked).to_contain_text("Z07-H and Z07-T")


@pytest.mark.browser
def test_what_comes_next_leads_to_the_very_lead_from_the_plan_and_from_the_bar(plan: Any) -> None:
    for name in ("Trace Z08-T", "Next: trace Z08-T"):
        plan.get_by_role("button", name=name, exact=True).click()
        expect(plan.locator(".root[role=application] .hint")).to_contain_text(
            "Z08-T: click where it leaves the nozzle of D08"
        )
        plan.locator('button.lead.on[title^="Z08-T:"]').wait_for()
        plan.keyboard.press("v")
        plan.locator("button.lead.on").wait_for(state="detached")
        go(plan, "Pull plan")


def test_a_step_that_peels_names_the_lead_past_which_it_does(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    store = JobStore(tmp_path_factory.mktemp("demo"))
    job_id = open_demo(store)
    for meeting in Findings(store.job(job_id)).open_meetings:
        job = store.job(job_id)
        store.edit(job_id, "Judge", judgement_changes(job, meeting, "a", by="", photo=None))
    findings = Findings(store.job(job_id))
    store.close()
    peels = [step for step in findings.offered.steps if step.action == "peel"]
    assert peels
    for step in peels:
        words = findings.step_words(step)
        (other,) = {
            name
            for one in findings.planned_on.crossings
            if (one.x_mm, one.y_mm) == step.past and step.wire in (one.a, one.b)
            for name in (one.a, one.b)
        } - {step.wire}
        assert words.startswith(f"Peel {step.wire} to just past {other} at (")
