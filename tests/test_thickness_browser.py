"""How thick the leads are is entered on the page Leads, in a real browser."""

from __future__ import annotations

from typing import Any

import pytest

from tests.browser import browser, go, settled, until
from tests.test_leads_browser import Bench, bench, click_along, page, pick

__all__ = ["bench", "browser", "page"]  # the fixtures

pytestmark = pytest.mark.browser
HEATERS, THERMOCOUPLES = "All heater leads, mm", "All thermocouple leads, mm"


def expect(*what: Any) -> Any:
    return pytest.importorskip("playwright.sync_api").expect(*what)


def entered_mm(bench: Bench) -> dict[str, float]:
    return dict(bench.store.job(bench.job_id).settings.diameters_mm)


def test_the_thickness_of_a_kind_is_entered_by_keys_and_undo_takes_it_back(
    page: Any, bench: Bench
) -> None:
    page.get_by_role("button", name="Thickness ?").focus()
    page.keyboard.press("Enter")
    field = page.get_by_label(HEATERS)
    field.wait_for()
    expect(field).to_be_focused()
    page.keyboard.type("2,5")
    page.keyboard.press("Enter")
    page.get_by_text("entered: 2.5 mm").wait_for()
    assert entered_mm(bench) == {"heater": 2.5}
    settled(page)
    expect(field).to_be_focused()  # the fields are drawn anew with what was kept
    page.keyboard.press("Tab")
    expect(page.get_by_label(THERMOCOUPLES)).to_be_focused()
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Undo", exact=True).click()
    until(page, lambda: entered_mm(bench) == {})
    page.get_by_role("button", name="Thickness ?").click()
    expect(field).to_have_value("")


def test_the_keys_stay_in_the_form_on_a_laptop_too_slow_to_draw_it_in_time(
    page: Any, bench: Bench
) -> None:
    page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": 12})
    page.get_by_role("button", name="Thickness ?").focus()
    page.keyboard.press("Enter")
    field = page.get_by_label(HEATERS)
    for typed, kept_mm in (("2,5", 2.5), ("2,6", 2.6), ("2,7", 2.7)):
        expect(field).to_be_focused()
        page.keyboard.type(typed)
        page.keyboard.press("Enter")
        page.get_by_text(f"entered: {kept_mm} mm").wait_for()
        settled(page)
    expect(field).to_be_focused()
    assert entered_mm(bench) == {"heater": 2.7}
    page.keyboard.press("Delete")  # what stands in the field is selected
    page.keyboard.press("Enter")
    until(page, lambda: entered_mm(bench) == {})


def test_a_thickness_no_lead_can_have_is_refused_where_it_is_seen_and_stays_to_be_mended(
    page: Any, bench: Bench
) -> None:
    page.get_by_role("button", name="Thickness ?").click()
    page.get_by_label(HEATERS).fill("2.6")
    page.get_by_label(THERMOCOUPLES).fill("210")
    page.keyboard.press("Enter")
    refused = page.get_by_text("210 mm can't be right")
    refused.wait_for()
    expect(refused).to_be_in_viewport()
    assert entered_mm(bench) == {}
    expect(page.get_by_label(HEATERS)).to_have_value("2.6")
    page.get_by_label(THERMOCOUPLES).fill("2,1 mm")
    page.get_by_role("button", name="Keep the thickness").click()
    until(page, lambda: entered_mm(bench) == {"heater": 2.6, "thermocouple": 2.1})
    page.keyboard.press("Escape")
    go(page, "Crossings")
    page.get_by_role("button", name="Thickness").click()
    page.get_by_text("entered: 2.6 mm").wait_for()


def test_an_entry_much_thinner_than_the_photo_shows_is_doubted_beside_it(
    page: Any, bench: Bench
) -> None:
    canvas = pick(page, "Z04-H")
    click_along(canvas, bench.visible("Z04-H", (0.0, 0.3, 0.6)))
    page.get_by_role("button", name="Thickness").click()
    own = page.get_by_label("Only the picked lead, mm")
    own.fill("0,9")
    page.keyboard.press("Enter")
    doubt = page.get_by_text("Z04-H looks clearly thicker on the photos than the 0.9 mm entered")
    doubt.wait_for()
    assert (bench.lead("Z04-H").diameter_mm, bench.lead("Z04-H").diameter_from) == (0.9, "entered")
    settled(page)
    own.fill("2.6")
    page.keyboard.press("Enter")
    until(page, lambda: bench.lead("Z04-H").diameter_mm == 2.6)
    doubt.wait_for(state="detached")
