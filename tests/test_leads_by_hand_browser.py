"""A wrong part of a lead is drawn over by hand: with the mouse and Shift, or with a finger."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from scipy.spatial import cKDTree

from mapper.records import Stretch, TracedLead, lead_changes
from tests.browser import CanvasDriver, browser, page_of, until
from tests.test_leads_browser import Bench, bench, canvas_of, page, pick

__all__ = ["bench", "browser", "page"]  # the fixtures

pytestmark = pytest.mark.browser
LEAD = "Z05-H"


@pytest.fixture
def astray(bench: Bench) -> Iterator[TracedLead]:
    """The lead with its middle third drawn 15 mm beside where it lies; put back afterwards."""
    right = bench.lead(LEAD)
    points = right.points_mm
    low, high = len(points) // 3, 2 * len(points) // 3
    points[low:high] += (15.0, 15.0)
    wrong = TracedLead(
        right.id,
        right.kind,
        right.drop,
        right.exit,
        (Stretch(tuple(map(tuple, points.tolist()))),),
        finished=True,
    )
    bench.store.edit(bench.job_id, "Draw it wrong", lead_changes(wrong))
    yield wrong
    bench.store.edit(bench.job_id, "Put it back", lead_changes(right))


def way_of(bench: Bench, lead: TracedLead) -> np.ndarray:
    """Where the lead lies in truth on the photo, from before its wrong part to behind it, px."""
    wire = bench.wires[LEAD]
    line, route = np.array(wire["polyline_px"]), bench.routes[LEAD]
    off = cKDTree(dense(lead.points_mm)).query(route)[0]
    wrong = np.flatnonzero(off > 2.0)
    return line[max(wrong[0] - 6, 0) : wrong[-1] + 7]


def dense(points: np.ndarray) -> np.ndarray:
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    even = np.arange(0.0, s[-1], 0.5)
    return np.column_stack([np.interp(even, s, points[:, k]) for k in (0, 1)])


def off_mm(bench: Bench) -> float:
    """How far the true lead is off the drawn line at most, where the stroke went."""
    route = bench.routes[LEAD]
    return float(np.percentile(cKDTree(dense(bench.lead(LEAD).points_mm)).query(route)[0], 90))


def test_shift_and_a_drag_replace_the_wrong_part_and_undo_brings_it_back(
    page: Any, bench: Bench, astray: TracedLead
) -> None:
    canvas = pick(page, LEAD)
    before = off_mm(bench)
    way = way_of(bench, astray)
    view = canvas.view()
    page.keyboard.down("Shift")
    page.mouse.move(*canvas.screen(*way[0]))
    page.mouse.down()
    for place in way[1:]:
        page.mouse.move(*canvas.screen(*place))
    page.mouse.up()
    page.keyboard.up("Shift")
    until(page, lambda: bench.lead(LEAD) != astray)
    assert off_mm(bench) < 2.0 < before
    assert bench.lead(LEAD).finished
    assert canvas.view() == view  # the photo was not moved
    page.keyboard.press("z")
    until(page, lambda: bench.lead(LEAD) == astray)


def test_a_finger_draws_after_a_tap_on_the_button_and_two_fingers_move_the_photo(
    browser: Any, bench: Bench, astray: TracedLead
) -> None:
    address = f"{bench.address}/leads?job={bench.job_id}"
    with page_of(browser, address, has_touch=True) as page:
        canvas_of(page)
        canvas = pick(page, LEAD)
        canvas.root.get_by_role("button", name="draw by hand").tap()
        canvas.root.get_by_role("button", name="stop drawing").wait_for()
        fingers = page.context.new_cdp_session(page)

        def touch(kind: str, *places: tuple[float, float]) -> None:
            points = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(places)]
            fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        view = canvas.view()
        x, y = canvas.screen(*view[1:3])
        touch("touchStart", (x - 60, y), (x + 60, y))
        touch("touchMove", (x - 90, y + 20), (x + 30, y + 20))
        touch("touchEnd")
        page.wait_for_timeout(100)
        assert canvas.view() != view
        assert bench.lead(LEAD) == astray

        way = way_of(bench, astray)
        touch("touchStart", canvas.screen(*way[0]))
        for place in way[1:]:
            touch("touchMove", canvas.screen(*place))
        touch("touchEnd")
        until(page, lambda: bench.lead(LEAD) != astray)
        assert off_mm(bench) < 2.0
        CanvasDriver(page).root.get_by_role("button", name="stop drawing").wait_for()


def test_a_stroke_beside_the_line_is_refused_with_a_sentence(page: Any, bench: Bench) -> None:
    canvas = pick(page, LEAD)
    before = bench.lead(LEAD)
    page.keyboard.down("Shift")
    canvas.drag((300, 1500), (420, 1600))
    page.keyboard.up("Shift")
    canvas.root.locator(".hint.alert", has_text="Begin and end the stroke on the line").wait_for()
    assert bench.lead(LEAD) == before
