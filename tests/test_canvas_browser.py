"""The canvas in a real browser: clicks, drags, fingers, reloads, and the routes behind it."""

from __future__ import annotations

import re
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser import CanvasDriver, browser, page_of, running_server, settled

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser
APP = Path(__file__).with_name("canvas_app.py")


@pytest.fixture(scope="module")
def gate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """While there is no such file, the page with the tool "trace" answers one click only."""
    return tmp_path_factory.mktemp("gate") / "open"


@pytest.fixture(scope="module")
def address(browser: Any, tmp_path_factory: pytest.TempPathFactory, gate: Path) -> Iterator[str]:
    folder, gated = tmp_path_factory.mktemp("store"), {"CANVAS_GATE": str(gate)}
    with running_server(folder, script=APP, environment=gated) as address:
        yield address


@pytest.fixture(scope="module")
def busy_address(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The same page, but every run of it takes half a second more."""
    slow = {"CANVAS_BUSY_SECONDS": "0.5"}
    folder = tmp_path_factory.mktemp("busy")
    with running_server(folder, script=APP, environment=slow) as address:
        yield address


@pytest.fixture
def page(browser: Any, address: str, request: pytest.FixtureRequest) -> Iterator[Any]:
    with page_of(browser, f"{address}/?keep={request.node.name}") as page:
        yield page


@pytest.fixture
def canvas(page: Any) -> CanvasDriver:
    canvas = CanvasDriver(page)
    canvas.wait_tiles()
    return canvas


def log_of(page: Any) -> list[str]:
    return page.get_by_text(re.compile("^log")).inner_text().split()[1:]


def count_of(page: Any) -> int:
    return int(page.get_by_text(re.compile("^points")).inner_text().split()[1])


def twelve_fast_clicks(canvas: CanvasDriver) -> None:
    for i in range(12):
        canvas.page.mouse.click(*canvas.screen(300 + 80 * i, 400))
        canvas.page.wait_for_timeout(33)


def test_of_twelve_clicks_in_less_than_half_a_second_none_is_lost(canvas: CanvasDriver) -> None:
    twelve_fast_clicks(canvas)
    canvas.wait_acknowledged()
    assert log_of(canvas.page) == ["point:"] * 12
    assert count_of(canvas.page) == 12


def test_no_click_is_lost_while_the_page_is_busy(browser: Any, busy_address: str) -> None:
    with page_of(browser, f"{busy_address}/?keep=busy") as page:
        canvas = CanvasDriver(page)
        canvas.wait_tiles()
        twelve_fast_clicks(canvas)
        canvas.wait_acknowledged()
        assert log_of(page) == ["point:"] * 12


def test_lines_are_shown_before_python_has_dealt_with_the_clicks(
    browser: Any, address: str, gate: Path
) -> None:
    expect = pytest.importorskip("playwright.sync_api").expect
    with page_of(browser, f"{address}/?keep=ahead&tool=trace") as page:
        canvas = CanvasDriver(page)
        canvas.wait_tiles()
        canvas.click(400, 600)  # on a line of the grid, as the others
        canvas.wait_acknowledged()
        for x in (700, 900, 1100):
            canvas.click(x, 600)
        expect(canvas.root).to_have_attribute("data-waiting", "0")  # all three lines are drawn
        expect(canvas.root).to_have_attribute("data-pending", "3")  # the page waits at the gate
        gate.touch()
        canvas.wait_acknowledged()
        assert log_of(page) == ["point:"] * 4


def test_clicks_survive_a_reload_in_the_middle_and_none_comes_twice(
    browser: Any, busy_address: str
) -> None:
    with page_of(browser, f"{busy_address}/?keep=reload") as page:
        canvas = CanvasDriver(page)
        canvas.wait_tiles()
        canvas.click(400, 400)
        canvas.click(500, 400)
        canvas.click(600, 400)
        page.reload()
        settled(page)
        canvas = CanvasDriver(page)
        canvas.wait_acknowledged()
        assert count_of(page) == 3
        assert log_of(page) == ["point:"] * 3


def test_a_point_lands_where_it_was_clicked_after_zoom_pan_and_turn(canvas: CanvasDriver) -> None:
    page = canvas.page
    page.mouse.move(*canvas.screen(800, 500))
    page.mouse.wheel(0, -400)
    page.mouse.move(*canvas.screen(820, 560))
    page.keyboard.press("r")
    page.keyboard.press("ArrowLeft")
    page.wait_for_timeout(100)
    canvas.click(790, 520)
    canvas.wait_acknowledged()
    # Delete with the pointer on the place removes the handle there: it is where we clicked.
    page.mouse.move(*canvas.screen(790, 520))
    page.keyboard.press("Delete")
    canvas.wait_acknowledged()
    assert [entry.split(":")[0] for entry in log_of(page)] == ["point", "remove"]
    assert count_of(page) == 0


def test_the_wheel_zooms_about_the_pointer(canvas: CanvasDriver) -> None:
    spot = canvas.screen(500, 300)
    canvas.page.mouse.move(*spot)
    canvas.page.mouse.wheel(0, -500)
    canvas.page.wait_for_timeout(100)
    assert canvas.view()[0] > 0.5
    after = canvas.screen(500, 300)
    assert after == pytest.approx(spot, abs=1.0)


def test_a_handle_is_dragged(canvas: CanvasDriver) -> None:
    canvas.click(500, 400)
    canvas.wait_acknowledged()
    canvas.drag((500, 400), (700, 450))
    canvas.wait_acknowledged()
    entry = log_of(canvas.page)
    assert [one.split(":")[0] for one in entry] == ["point", "move"]
    canvas.page.mouse.move(*canvas.screen(700, 450))
    canvas.page.keyboard.press("Delete")
    canvas.wait_acknowledged()
    assert count_of(canvas.page) == 0


def test_a_line_is_grabbed_to_put_a_point_into_it(canvas: CanvasDriver) -> None:
    canvas.drag((800, 925), (800, 800))
    canvas.wait_acknowledged()
    assert log_of(canvas.page) == ["insert:b"]


def test_a_drag_in_a_bundle_takes_the_own_line_and_a_click_the_nearest(
    browser: Any, address: str
) -> None:
    with page_of(browser, f"{address}/?keep=bundle&tool=look") as page:
        canvas = CanvasDriver(page)
        canvas.wait_tiles()
        nearer_to_the_other = (800, 262)
        canvas.click(*nearer_to_the_other)
        canvas.wait_acknowledged()
        canvas.drag(nearer_to_the_other, (800, 400))
        canvas.wait_acknowledged()
        assert log_of(page) == ["select:a", "insert:d"]


def test_dragging_free_ground_moves_the_photo_and_sets_no_point(canvas: CanvasDriver) -> None:
    canvas.page.mouse.move(*canvas.screen(800, 600))
    canvas.page.mouse.wheel(0, -600)
    canvas.page.wait_for_timeout(100)
    before = canvas.view()
    canvas.drag((800, 560), (700, 500))
    canvas.page.wait_for_timeout(100)
    assert canvas.view()[1] == pytest.approx(before[1] + 100, abs=3)
    assert log_of(canvas.page) == []


def test_keys_of_the_page_are_reported_and_do_not_reach_streamlit(canvas: CanvasDriver) -> None:
    canvas.click(400, 400)
    canvas.page.keyboard.press("u")
    canvas.page.keyboard.press("c")  # would offer to clear the cache
    canvas.wait_acknowledged()
    assert log_of(canvas.page) == ["point:", "key:u"]
    assert canvas.page.get_by_role("dialog").count() == 0


def test_a_strange_name_is_drawn_as_text_and_can_be_picked(browser: Any, address: str) -> None:
    with page_of(browser, f"{address}/?keep=strange&tool=look") as page:
        canvas = CanvasDriver(page)
        canvas.wait_tiles()
        canvas.click(500, 230)
        canvas.click(300, 600)
        canvas.click(1000, 1100)  # free ground: nothing to pick
        canvas.wait_acknowledged()
        assert log_of(page) == ["select:a", "select:D01"]


def test_the_view_outlives_a_reload(canvas: CanvasDriver) -> None:
    canvas.page.mouse.move(*canvas.screen(500, 300))
    canvas.page.mouse.wheel(0, -500)
    canvas.page.wait_for_timeout(400)
    before = canvas.view()
    canvas.page.reload()
    settled(canvas.page)
    assert CanvasDriver(canvas.page).view() == pytest.approx(before)


def test_everything_goes_by_keys(canvas: CanvasDriver) -> None:
    page = canvas.page
    canvas.root.focus()
    page.keyboard.press("+")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    canvas.wait_acknowledged()
    assert log_of(page) == ["point:"]
    page.keyboard.press("0")
    page.wait_for_timeout(100)
    assert canvas.view()[1] == pytest.approx(799.5)


def test_fingers_tap_pinch_and_grab_a_handle_from_22_css_pixels_away(
    browser: Any, address: str
) -> None:
    with page_of(browser, f"{address}/?keep=fingers", has_touch=True) as page:
        canvas = CanvasDriver(page)
        canvas.wait_tiles()
        page.touchscreen.tap(*canvas.screen(500, 400))
        canvas.wait_acknowledged()
        assert log_of(page) == ["point:"]
        fingers = page.context.new_cdp_session(page)

        def touch(kind: str, *places: tuple[float, float]) -> None:
            points = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(places)]
            fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        x, y = canvas.screen(500, 400)
        touch("touchStart", (x + 15, y + 15))
        touch("touchMove", (x + 60, y + 60))
        touch("touchMove", (x + 100, y + 60))
        touch("touchEnd")
        canvas.wait_acknowledged()
        assert log_of(page)[1].startswith("move:")

        before = canvas.view()[0]
        x, y = canvas.screen(900, 600)
        touch("touchStart", (x - 40, y), (x + 40, y))
        touch("touchMove", (x - 80, y), (x + 80, y))
        touch("touchMove", (x - 120, y), (x + 120, y))
        touch("touchEnd")
        page.wait_for_timeout(100)
        assert canvas.view()[0] == pytest.approx(3 * before, rel=0.05)
        assert len(log_of(page)) == 2  # pinching sets no point


def test_a_finger_held_still_aims_with_the_loupe(browser: Any, address: str) -> None:
    with page_of(browser, f"{address}/?keep=aim", has_touch=True) as page:
        canvas = CanvasDriver(page)
        canvas.wait_tiles()
        fingers = page.context.new_cdp_session(page)
        x, y = canvas.screen(600, 500)
        start = {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]}
        fingers.send("Input.dispatchTouchEvent", start)
        page.wait_for_timeout(600)
        move = {"type": "touchMove", "touchPoints": [{"x": x + 30, "y": y + 20}]}
        fingers.send("Input.dispatchTouchEvent", move)
        assert log_of(page) == []
        fingers.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        canvas.wait_acknowledged()
        assert log_of(page) == ["point:"]


# ---- the routes


def test_tiles_are_not_readable_by_other_web_pages(canvas: CanvasDriver, address: str) -> None:
    token = canvas.root.get_attribute("data-token")
    tile = f"{address}/photo/{token}/0/0/0"
    asked = urllib.request.Request(tile, headers={"Origin": "http://elsewhere.example"})
    with urllib.request.urlopen(asked) as answer:
        assert answer.headers["Content-Type"] == "image/jpeg"
        assert answer.headers["Access-Control-Allow-Origin"] is None
        assert answer.headers["Cross-Origin-Resource-Policy"] == "same-origin"


@pytest.mark.parametrize("path", ["/photo/guess/0/0/0", "/photo/guess/snap?x=1&y=1&reach=9"])
def test_without_the_token_there_is_nothing(address: str, path: str) -> None:
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(address + path)
    assert refused.value.code == 404


@pytest.mark.parametrize("query", ["", "x=1&y=1", "x=nan&y=1&reach=9", "x=1&y=1&reach=1e9"])
def test_a_malformed_question_for_a_wire_is_refused(address: str, query: str) -> None:
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(f"{address}/photo/guess/snap?{query}")
    assert refused.value.code == 400


@pytest.mark.parametrize("path", ["/", "/photo/guess/0/0/0", "/_stcore/health"])
def test_a_request_under_another_host_name_is_refused(address: str, path: str) -> None:
    asked = urllib.request.Request(address + path, headers={"Host": "evil.example"})
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(asked)
    assert refused.value.code == 400
