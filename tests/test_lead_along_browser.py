"""One lead all along, in a real browser: the parts are shown, one key answers, one takes back."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from mapper.records import JobStore
from mapper.ui.along_places import along_of, leads_in_turn
from mapper.ui.asked import said_hidden
from mapper.ui.findings import Findings
from tests.browser import browser, go, page_of, running_server, seen, settled, until
from tests.full_job import full_job

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser
LAPTOP = {"width": 1366, "height": 768}
SLOW_MS = 60_000  # a machine may be busy with other tests


@pytest.fixture(scope="module")
def store(
    browser: Any, shared_plates: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[JobStore, str, str]]:
    folder = tmp_path_factory.mktemp("along")
    store = JobStore(folder)
    job_id = full_job(store, shared_plates / "plate2", open_every=1)
    with running_server(folder) as address:
        yield store, job_id, address
    store.close()


@contextmanager
def looking_along(browser: Any, address: str, job_id: str) -> Iterator[Any]:
    """The desk with one lead all along, reached from the plan."""
    with page_of(browser, f"{address}/plan?job={job_id}", viewport=LAPTOP) as page:
        page.get_by_role("button", name="Look along Z").first.click()
        page.get_by_role("heading", name="Does anything lie on").wait_for()
        settled(page)
        yield page


def lead_asked(page: Any) -> str:
    words = page.get_by_role("heading", name="Does anything lie on").inner_text()
    return words.removeprefix("Does anything lie on ").rstrip("?")


def test_one_key_answers_all_places_of_a_lead_but_what_the_marked_one_hides(store, browser) -> None:
    jobs, job_id, address = store
    findings = Findings(jobs.job(job_id))
    lead = leads_in_turn(findings)[1]
    along = along_of(findings, lead)
    with looking_along(browser, address, job_id) as page:
        page.get_by_role("button", name="Another lead").click()
        page.get_by_role("heading", name=f"Does anything lie on {lead}?").wait_for()
        settled(page)
        button = page.get_by_role("button", name=f"lies on {lead}: answer")
        assert f"answer {len(along.places)} place" in button.inner_text()
        assert page.locator('[data-testid="stImage"] img').count() >= len(along.parts)
        mark = max(range(1, len(along.places) + 1), key=lambda n: len(along.free_of([n])))
        free = along.free_of([mark])
        assert 0 < len(free) < len(along.places)
        words = f"{mark} {along.other(along.places[mark - 1])}"
        page.get_by_role("button", name=words, exact=True).first.click()
        settled(page)
        expect = pytest.importorskip("playwright.sync_api").expect
        expect(button).to_contain_text(f"answer {len(free)} place", timeout=SLOW_MS)
        seen(page)
        page.keyboard.press("1")
        until(page, lambda: len(jobs.job(job_id).judged) > 0)
        job = jobs.job(job_id)
        answered = [one for one in job.judged if one.top is not None]
        assert len(answered) == len(free)
        upper = {one.a if one.top == "a" else one.b for one in answered}
        assert upper == {lead}
        assert all(one.photo for one in answered)
        assert len(job.judged) == len(along.places)  # the others are kept as open
        asked = page.get_by_role("heading", name="Does anything lie on")
        expect(asked).not_to_have_text(f"Does anything lie on {lead}?", timeout=SLOW_MS)
        settled(page)
        page.keyboard.press("5")
        until(page, lambda: len(jobs.job(job_id).judged) == 0)
        expect(asked).to_have_text(f"Does anything lie on {lead}?", timeout=SLOW_MS)


def test_all_places_of_one_picture_are_marked_by_one_press(store, browser) -> None:
    jobs, job_id, address = store
    with looking_along(browser, address, job_id) as page:
        along = along_of(Findings(jobs.job(job_id)), lead_asked(page))
        part = next(one for one in along.parts if len(one.numbers) > 1)
        several = [one for one in along.parts if len(one.numbers) > 1]
        page.get_by_role("button", name="all of these").nth(several.index(part)).click()
        left = len(along.free_of(part.numbers))
        button = page.get_by_role("button", name=f"lies on {along.lead}: answer {left} place")
        button.wait_for()
        assert button.is_disabled() == (left == 0)


def test_another_lead_comes_until_all_were_shown_and_then_the_first_again(store, browser) -> None:
    jobs, job_id, address = store
    with looking_along(browser, address, job_id) as page:
        asked = page.get_by_role("heading", name="Does anything lie on")
        names = leads_in_turn(Findings(jobs.job(job_id)))
        expect = pytest.importorskip("playwright.sync_api").expect
        for name in [*names, names[0]]:
            expect(asked).to_have_text(f"Does anything lie on {name}?", timeout=SLOW_MS)
            page.locator(f".st-key-pass-{name} button").first.click()
        expect(asked).to_have_text(f"Does anything lie on {names[1]}?", timeout=SLOW_MS)


def test_all_of_a_lead_and_its_answer_are_in_sight_on_a_laptop(store, browser) -> None:
    _, job_id, address = store
    with page_of(browser, f"{address}/crossings?job={job_id}", viewport=LAPTOP) as page:
        page.get_by_role("button", name="is on top").first.wait_for()
        page.get_by_text("One lead all along").click()
        page.get_by_role("heading", name="Does anything lie on").wait_for()
        settled(page)
        button = page.get_by_role("button", name="Nothing lies on").bounding_box()
        picture = page.locator('[data-testid="stImage"] img').first.bounding_box()
        assert button["y"] + button["height"] <= picture["y"]
        assert picture["y"] + picture["height"] < LAPTOP["height"]
        assert button["height"] >= 44
        go(page, "Leads")
        go(page, "Crossings")  # what was asked is kept
        page.get_by_role("heading", name="Does anything lie on").wait_for()


def test_two_photos_of_one_round_are_told_apart_by_their_names(store, browser) -> None:
    jobs, job_id, address = store
    stages = [one.stage for one in jobs.job(job_id).photos]
    twice = [one.name for one in jobs.job(job_id).photos if stages.count(one.stage) > 1]
    assert twice
    with looking_along(browser, address, job_id) as page:
        for name in twice:
            page.get_by_role("radio", name=name, exact=True).wait_for()


def test_a_lead_that_something_lies_on_is_asked_about_once_and_nothing_is_answered(
    store, browser
) -> None:
    jobs, job_id, address = store
    with looking_along(browser, address, job_id) as page:
        lead = lead_asked(page)
        asked = page.get_by_role("heading", name="Does anything lie on")
        seen(page)
        page.keyboard.press("2")
        expect = pytest.importorskip("playwright.sync_api").expect
        expect(asked).not_to_have_text(f"Does anything lie on {lead}?", timeout=SLOW_MS)
        settled(page)
        after = Findings(jobs.job(job_id))
        assert after.meetings and all(one.top is None for one in after.meetings)
        assert lead in {name for _, name in said_hidden(after, exact=False)}
        assert leads_in_turn(after)[-1] == lead  # all others first
        page.keyboard.press("5")
        expect(asked).to_have_text(f"Does anything lie on {lead}?", timeout=SLOW_MS)
        settled(page)
        assert not jobs.job(job_id).judged


def test_another_lead_pressed_while_the_pictures_are_drawn_is_not_lost(store, browser) -> None:
    jobs, job_id, address = store
    names = leads_in_turn(Findings(jobs.job(job_id)))
    expect = pytest.importorskip("playwright.sync_api").expect
    with looking_along(browser, address, job_id) as page:
        asked = page.get_by_role("heading", name="Does anything lie on")
        for name, following in zip(names[:4], names[1:], strict=False):
            # as soon as the button is there: the pictures below it are still on their way
            page.locator(f".st-key-pass-{name} button").first.click()
            expect(asked).to_have_text(f"Does anything lie on {following}?", timeout=SLOW_MS)
