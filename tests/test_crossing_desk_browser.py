"""Crossings are worked through with one hand: every answer is a key, and so is taking it back."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from mapper.records import JobStore
from tests.browser import browser, page_of, running_server, seen, settled
from tests.full_job import full_job

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser

# The second press of a key pressed twice, at the moment that the next place is drawn: as late as
# it can come without having been meant for that place.
PRESSED_TWICE = """(key) => {
  const asked = () => document.querySelector(".st-key-desk [data-place]")?.dataset.place;
  const press = () => document.body.dispatchEvent(
    new KeyboardEvent("keydown", { key, code: "Digit" + key, bubbles: true, cancelable: true }));
  const first = asked();
  globalThis.pressedAgain = false;
  const watch = new MutationObserver(() => {
    if (asked() === first || asked() === undefined) return;
    watch.disconnect();
    press();
    globalThis.pressedAgain = true;
  });
  watch.observe(document.body, { subtree: true, childList: true, attributes: true });
  press();
  press();
}"""


@pytest.fixture(scope="module")
def desk(
    browser: Any, shared_plates: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[JobStore, str, Any]]:
    folder = tmp_path_factory.mktemp("desk")
    store = JobStore(folder)
    job_id = full_job(store, shared_plates / "plate2", open_every=2, runs_apart=True)
    with (
        running_server(folder) as address,
        page_of(browser, f"{address}/crossings?job={job_id}") as page,
    ):
        page.get_by_role("button", name="is on top").first.wait_for()
        yield store, job_id, page
    store.close()


def press(page: Any, key: str) -> str:
    """Press a key and wait for the next place; returns what is asked there."""
    seen(page)
    before = place(page)
    page.keyboard.press(key)
    expect = pytest.importorskip("playwright.sync_api").expect
    expect(page.locator(".st-key-desk")).not_to_contain_text(before, timeout=60_000)
    settled(page)
    return place(page)


def place(page: Any) -> str:
    """Where the meeting lies, as the page says it: "at (120, 60) mm"."""
    return re.search(r"at \(.*?\) mm", page.locator(".st-key-desk").inner_text())[0]


def test_one_hand_on_the_keys_answers_passes_and_takes_back(desk):
    store, job_id, page = desk
    before = {one.id for one in store.job(job_id).judged}
    first = place(page)
    second = press(page, "1")
    new = [one for one in store.job(job_id).judged if one.id not in before]
    assert [one.top for one in new] == ["a"]
    assert f"at ({new[0].x_mm:.0f}, {new[0].y_mm:.0f}) mm" == first

    press(page, "4")  # can't tell: the next one, and nothing is kept
    assert len(store.job(job_id).judged) == len(before) + 1
    assert press(page, "5") == second
    assert press(page, "5") == first
    assert {one.id for one in store.job(job_id).judged} == before

    # The tool speaks when it is asked, and is silent at the next place.
    spoken = page.get_by_role("note").filter(has_text="The tool")
    assert spoken.count() == 0
    page.keyboard.press("6")
    spoken.first.wait_for()
    settled(page)
    press(page, "4")
    assert spoken.count() == 0


def test_a_key_pressed_twice_does_not_answer_the_next_place_unseen(desk):
    store, job_id, page = desk
    seen(page)
    before, there = len(store.job(job_id).judged), place(page)
    page.evaluate(PRESSED_TWICE, "2")
    page.wait_for_function("globalThis.pressedAgain")
    page.get_by_text("That answer came before this place").wait_for()
    settled(page)
    seen(page)
    assert place(page) != there
    assert len(store.job(job_id).judged) == before + 1
    press(page, "2")  # and then the desk goes on
    assert len(store.job(job_id).judged) == before + 2


CUT_OFF = """(places) => places.filter((one) => {
  const words = document.createRange();
  words.selectNodeContents(one);
  const right = words.getBoundingClientRect().right;
  for (let box = one; box.tagName !== "BUTTON"; box = box.parentElement) {
    const cuts = getComputedStyle(box).overflowX !== "visible";
    if (cuts && right > box.getBoundingClientRect().right + 1) return true;
  }
  return right > one.closest("button").getBoundingClientRect().right;
}).map((one) => one.innerText)"""


@pytest.mark.parametrize("page_name", ["crossings", "plan"])
def test_no_answer_is_cut_off_on_a_tablet(desk, browser, page_name):
    _, _, page = desk
    address = re.sub(r"/crossings.*?\?", f"/{page_name}?", page.url)
    size = {"width": 900, "height": 1200}
    with page_of(browser, address, viewport=size, has_touch=True, is_mobile=True) as tablet:
        name = "is on top" if page_name == "crossings" else "frees|may free"
        button = tablet.get_by_role("button", name=re.compile(name)).first
        button.wait_for()
        settled(tablet)
        box = ".st-key-desk" if page_name == "crossings" else '[class*="st-key-look-"]'
        words = tablet.locator(f"{box} .stButton button p")
        assert words.count() >= 2
        assert words.evaluate_all(CUT_OFF) == []
