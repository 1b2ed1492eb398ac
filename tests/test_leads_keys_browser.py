"""What keys, fingers and a full window do on the leads page, in a real browser."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from mapper.records import Stretch, lead_changes
from mapper.ui.leads_tracing import joints
from mapper.ui.leads_words import KEY_LIST
from tests.browser import CanvasDriver, browser, page_of, settled, until
from tests.test_leads_browser import Bench, bench, canvas_of, page, pick

__all__ = ["bench", "browser", "page"]  # the fixtures

pytestmark = pytest.mark.browser
LAPTOP = {"width": 1366, "height": 768}


def expect(*what: Any) -> Any:
    return pytest.importorskip("playwright.sync_api").expect(*what)


@pytest.fixture
def laptop(browser: Any, bench: Bench) -> Iterator[Any]:
    address = f"{bench.address}/leads?job={bench.job_id}"
    with page_of(browser, address, viewport=LAPTOP) as page:
        canvas_of(page)
        yield page


@pytest.fixture
def tablet(browser: Any, bench: Bench) -> Iterator[Any]:
    address = f"{bench.address}/leads?job={bench.job_id}"
    size = {"width": 900, "height": 1200}
    with page_of(browser, address, viewport=size, has_touch=True, is_mobile=True) as page:
        canvas_of(page)
        yield page


def middle_of(bench: Bench, lead_id: str, part: float = 0.5) -> tuple[float, float]:
    """A place on the photo where the lead as drawn lies."""
    job = bench.store.job(bench.job_id)
    points = bench.lead(lead_id).points_mm
    at = points[[int(part * (len(points) - 1))]]
    return tuple(job.fits[bench.photo].photo_from_plate(at, job.plate.lead_depth_mm(at))[0])


def alone(bench: Bench, lead_id: str) -> tuple[float, float]:
    """A place on the photo where the lead as drawn lies furthest from all others."""
    job = bench.store.job(bench.job_id)
    fit, plate = job.fits[bench.photo], job.plate

    def dense_px(points_mm: np.ndarray) -> np.ndarray:
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points_mm, axis=0).T))])
        even = np.arange(0.0, s[-1])
        mm = np.column_stack([np.interp(even, s, points_mm[:, i]) for i in (0, 1)])
        return fit.photo_from_plate(mm, plate.lead_depth_mm(mm))

    own = dense_px(bench.lead(lead_id).points_mm)
    others = [one.points_mm for one in job.leads if one.id != lead_id and len(one.points_mm) > 1]
    far = [np.hypot(*(own[:, None] - dense_px(one)).T).min(axis=0) for one in others]
    return tuple(own[np.argmax(np.min(far, axis=0))])


def test_the_windows_own_undo_is_not_called_another_windows_and_moves_nothing(
    laptop: Any, bench: Bench
) -> None:
    canvas = pick(laptop, "Z02-H")
    box = canvas.root.bounding_box()
    canvas.click(*bench.visible("Z02-H", (0.0,))[0])
    canvas.wait_acknowledged()
    laptop.locator(".jb-soft", has_text="last: Trace Z02-H").wait_for()
    laptop.keyboard.press("z")
    until(laptop, lambda: bench.lead("Z02-H") is None)
    laptop.get_by_role("button", name="Redo: Trace Z02-H").wait_for()
    assert laptop.get_by_text("another window").count() == 0
    assert canvas.root.bounding_box() == box


def test_a_key_pressed_over_another_lead_changes_nothing_and_says_whose_line_that_is(
    page: Any, bench: Bench
) -> None:
    canvas = pick(page, "Z07-H")
    before = bench.store.job(bench.job_id).revision
    page.mouse.move(*canvas.screen(*alone(bench, "Z01-H")))
    page.keyboard.press("u")
    hint = canvas.root.locator(".hint.alert", has_text="That is Z01-H")
    hint.wait_for()
    assert "Z07-H" in hint.inner_text()
    assert bench.store.job(bench.job_id).revision == before


def test_all_keys_stand_in_the_page_and_escape_closes_what_is_open(
    laptop: Any, bench: Bench
) -> None:
    canvas = CanvasDriver(laptop)
    laptop.keyboard.press("?")
    listed = canvas.root.locator(".help")
    for words in KEY_LIST.values():
        expect(listed).to_contain_text(words)
    shown, whole = listed.bounding_box(), canvas.root.bounding_box()
    assert shown["y"] + shown["height"] <= whole["y"] + whole["height"]
    laptop.keyboard.press("Escape")
    listed.wait_for(state="hidden")
    laptop.get_by_role("button", name="Progress").click()
    left = laptop.get_by_text("What is left")
    left.wait_for()
    laptop.keyboard.press("Escape")
    left.wait_for(state="detached")


def test_the_photo_fills_the_window_by_a_key_and_clicks_go_on_landing(
    laptop: Any, bench: Bench
) -> None:
    canvas = pick(laptop, "Z02-T")
    small = canvas.root.bounding_box()
    laptop.keyboard.press("e")
    expect(canvas.root).to_have_class(re.compile("large"))
    large = canvas.root.bounding_box()
    assert (large["x"], large["y"]) == (0, 0)
    assert (large["width"], large["height"]) == (LAPTOP["width"], LAPTOP["height"])
    place = bench.visible("Z02-T", (0.0,))[0]
    canvas.click(*place)
    canvas.wait_acknowledged()
    assert np.hypot(*(bench.on_photo("Z02-T") - place).T).min() < 25
    laptop.keyboard.press("z")
    until(laptop, lambda: bench.lead("Z02-T") is None)
    laptop.keyboard.press("Escape")
    expect(canvas.root).not_to_have_class(re.compile("large"))
    assert canvas.root.bounding_box() == small


def test_g_goes_through_the_open_crossings_and_t_to_the_desk_with_that_one(
    page: Any, bench: Bench
) -> None:
    canvas = canvas_of(page)
    page.keyboard.press("g")
    hint = canvas.root.locator(".hint", has_text="Nobody has judged")
    hint.wait_for()
    first = hint.inner_text()
    page.keyboard.press("g")
    expect(hint).not_to_have_text(first)
    a, b = re.search(r"judged (\S+) and (\S+) here", hint.inner_text()).groups()
    page.keyboard.press("t")
    asked = page.get_by_role("heading", name="Which lies on top?")
    expect(asked).to_contain_text(re.compile(f"{a} and {b} "))


def test_two_leads_swap_their_lines_when_the_other_is_picked_twice(page: Any, bench: Bench) -> None:
    canvas = pick(page, "Z05-H")
    lines = {name: bench.lead(name).stretches for name in ("Z05-H", "Z05-T")}
    page.keyboard.press("a")
    canvas.root.locator(".hint", has_text="really is").wait_for()
    page.get_by_role("button", name="Z05-T:").click()
    canvas.root.locator(".hint.alert", has_text="once more to swap").wait_for()
    assert bench.lead("Z05-T").stretches == lines["Z05-T"]
    page.get_by_role("button", name="Z05-T:").click()
    until(page, lambda: bench.lead("Z05-T").stretches == lines["Z05-H"])
    assert bench.lead("Z05-H").stretches == lines["Z05-T"]
    page.keyboard.press("z")
    until(page, lambda: bench.lead("Z05-T").stretches == lines["Z05-T"])
    assert bench.lead("Z05-H").stretches == lines["Z05-H"]


def test_flipping_through_the_photos_of_a_place_comes_back_to_it(page: Any, bench: Bench) -> None:
    canvas = canvas_of(page)
    job = bench.store.job(bench.job_id)
    drop = job.plate.drops[2]
    at_mm = [[drop.x_mm, drop.y_mm]]
    start = canvas.root.get_attribute("data-token")
    page.mouse.move(*canvas.screen(*job.fits[bench.photo].photo_from_plate(at_mm)[0]))
    for _ in range(6):
        page.mouse.wheel(0, -200)
    page.mouse.move(*canvas.screen(*canvas.view()[1:3]))
    # The photos that have the middle of the view in them, by their own fits.
    place = job.fits[bench.photo].plate_from_photo([canvas.view()[1:3]])
    fits = [fit for name, fit in job.fits.items() if name != bench.photo]
    px = [fit.photo_from_plate(place)[0] for fit in fits]
    have = sum(
        20 < x < fit.width_px - 20 and 20 < y < fit.height_px - 20
        for fit, (x, y) in zip(fits, px, strict=True)
    )
    assert 0 < have < len(fits)  # at least one photo lacks the place
    tokens = [start]
    for _ in range(have + 1):
        page.keyboard.press("p")
        expect(canvas.root).not_to_have_attribute("data-token", tokens[-1])
        canvas.wait_acknowledged()
        tokens.append(canvas.root.get_attribute("data-token"))
    assert tokens[-1] == start
    assert len(set(tokens)) == have + 1
    back = job.fits[bench.photo].plate_from_photo([canvas.view()[1:3]])
    assert np.hypot(*(back - place)[0]) < 2.0


def test_a_finger_cuts_the_lead_where_it_touched_it(tablet: Any, bench: Bench) -> None:
    whole = bench.lead("Z07-T")
    tablet.get_by_role("button", name="Z07-T:").tap()
    tablet.locator('button.lead.on[title^="Z07-T:"]').wait_for()
    canvas = CanvasDriver(tablet)
    canvas.wait_acknowledged()
    place = alone(bench, "Z07-T")
    tablet.touchscreen.tap(*canvas.screen(*place))
    canvas.wait_acknowledged()
    more = canvas.root.get_by_role("button", name="More …")
    if more.is_visible():
        more.tap()
    canvas.root.get_by_role("button", name="cut here").tap()
    until(tablet, lambda: not bench.lead("Z07-T").finished)
    end = bench.on_photo("Z07-T")[-1]
    assert np.hypot(*(end - place)) < 25
    canvas.root.get_by_role("button", name="undo").tap()
    until(tablet, lambda: bench.lead("Z07-T") == whole)


def test_buttons_and_list_lie_inside_a_small_window(tablet: Any) -> None:
    canvas = CanvasDriver(tablet)
    expect(canvas.root.locator(".key").last).to_be_in_viewport(ratio=1)
    for button in tablet.locator("button.eye").all()[:6]:
        expect(button).to_be_in_viewport(ratio=1)
    sizes = [one.bounding_box() for one in canvas.root.locator("button:visible").all()]
    assert min(min(one["width"], one["height"]) for one in sizes) >= 44


def test_a_view_chosen_before_the_page_has_answered_is_not_moved_under_the_hand(
    page: Any, bench: Bench
) -> None:
    canvas = pick(page, "Z02-H")
    whole = canvas.view()
    page.keyboard.press("+")
    presses = [
        page.get_by_role("button", name="Z02-T:").element_handle(),
        canvas.root.get_by_role("button", name="Whole").element_handle(),
    ]
    # In one go: Python can't have answered the first when the second comes.
    page.evaluate("(presses) => presses.forEach((one) => one.click())", presses)
    page.locator('button.lead.on[title^="Z02-T:"]').wait_for()
    canvas.root.locator(".hint", has_text="Z02-T").wait_for()
    canvas.wait_acknowledged()
    assert canvas.view() == whole
    page.get_by_role("button", name="Z02-H:").click()
    expect(canvas.root).not_to_have_attribute("data-view", json.dumps(whole, separators=(",", ":")))


def buried(bench: Bench, lead_id: str) -> None:
    """Let the middle third of a lead be drawn as buried, by somebody who had no photo of it."""
    lead = bench.lead(lead_id)
    points = tuple((float(x), float(y)) for x, y in lead.points_mm)
    a, b = len(points) // 3, 2 * len(points) // 3
    parts = (
        Stretch(points[: a + 1]),
        Stretch(points[a : b + 1], seen=False, confidence=0.0),
        Stretch(points[b:]),
    )
    bench.store.edit(bench.job_id, "Bury", lead_changes(replace(lead, stretches=parts)))


def unseen_mm(bench: Bench, lead_id: str) -> float:
    lead = bench.lead(lead_id)
    steps = np.hypot(*np.diff(lead.points_mm, axis=0).T)
    return float(steps[~np.array(lead.seen)].sum())


def test_a_buried_run_is_offered_on_a_newer_photo_and_traced_there_or_left(
    page: Any, bench: Bench
) -> None:
    buried(bench, "Z01-H")
    before = unseen_mm(bench, "Z01-H")
    page.reload()
    canvas = canvas_of(page)
    page.keyboard.press("w")
    canvas.root.locator(".hint", has_text="Z01-H: the dotted line was buried").wait_for()
    canvas.wait_acknowledged()
    job = bench.store.job(bench.job_id)
    shown = job.fits[next(x.sha256 for x in reversed(job.photos) if x.sha256 in job.fits)]
    run = bench.lead("Z01-H").stretches[1]
    mm = np.array([run.points_mm[len(run.points_mm) // 2]])
    place = shown.photo_from_plate(mm, job.plate.lead_depth_mm(mm))[0]
    canvas.drag(tuple(place), (place[0] + 4, place[1] + 4))
    until(page, lambda: unseen_mm(bench, "Z01-H") < 0.5 * before)
    page.keyboard.press("z")
    until(page, lambda: unseen_mm(bench, "Z01-H") == before)
    page.keyboard.press("w")
    canvas.root.locator(".hint", has_text="the dotted line was buried").wait_for()
    page.keyboard.press("k")
    until(page, lambda: bench.lead("Z01-H").stretches[1].looked is not None)
    page.get_by_role("button", name=re.compile("^Look again")).wait_for(state="detached")
    settled(page)


def test_a_key_pressed_on_a_point_means_a_run_that_ends_there_and_not_the_last(
    page: Any, bench: Bench
) -> None:
    canvas = pick(page, "Z03-T")
    for place in bench.visible("Z03-T", (0.0, 0.1, 0.2, 0.3)):
        canvas.click(*place)
        canvas.wait_acknowledged()
    points = [one for one in joints(bench.lead("Z03-T")) if one.px is not None]
    page.mouse.move(*canvas.screen(*points[1].px))
    before = bench.lead("Z03-T").stretches
    page.keyboard.press("u")
    until(page, lambda: bench.lead("Z03-T").stretches != before)
    after = bench.lead("Z03-T").stretches
    changed = [i for i, (old, new) in enumerate(zip(before, after, strict=True)) if old != new]
    assert changed in ([0], [1])
    page.keyboard.press("z")
    until(page, lambda: bench.lead("Z03-T").stretches == before)


def middle_to(page: Any, canvas: CanvasDriver, place: tuple[float, float]) -> None:
    """Bring a place of the photo as near to the middle as the arrow keys can."""
    for _ in range(60):
        scale, x, y, _turns = canvas.view()
        right, down = (place[0] - x) * scale, (place[1] - y) * scale
        if abs(right) > 30:
            page.keyboard.press("ArrowRight" if right > 0 else "ArrowLeft")
        elif abs(down) > 30:
            page.keyboard.press("ArrowDown" if down > 0 else "ArrowUp")
        else:
            return
        page.wait_for_timeout(50)  # until the view is drawn
    raise AssertionError("the arrows do not reach the place")


def test_a_line_is_moved_and_cut_without_a_mouse(page: Any, bench: Bench) -> None:
    canvas = pick(page, "Z05-H")
    whole = bench.lead("Z05-H")
    revision = bench.store.job(bench.job_id).revision
    middle_to(page, canvas, bench.visible("Z05-H", (0.5,))[0])  # far from its two ends
    page.keyboard.press("m")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Escape")  # put back
    canvas.wait_acknowledged()
    assert bench.store.job(bench.job_id).revision == revision
    page.keyboard.press("m")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Enter")  # put down: no button that was pressed before takes it
    until(page, lambda: bench.lead("Z05-H") != whole)
    assert len(joints(bench.lead("Z05-H"))) > len(joints(whole))
    page.keyboard.press("z")
    until(page, lambda: bench.lead("Z05-H") == whole)
    page.keyboard.press("m")  # brings a point or the line under the middle ...
    page.keyboard.press("Escape")
    page.keyboard.press("x")  # ... and there it is cut; the mouse is elsewhere
    until(page, lambda: not bench.lead("Z05-H").finished)
    page.keyboard.press("z")
    until(page, lambda: bench.lead("Z05-H") == whole)


def test_a_photo_opens_with_the_whole_plate_in_sight_turned_as_it_is_drawn(
    laptop: Any, bench: Bench
) -> None:
    canvas = CanvasDriver(laptop)
    job = bench.store.job(bench.job_id)
    sha256 = re.search(r"photo=(\w+)", laptop.url)[1]
    box = canvas.root.bounding_box()
    corners = [
        canvas.screen(*px) for px in job.fits[sha256].photo_from_plate(job.plate.outline_array)
    ]
    for x, y in corners:
        assert box["x"] <= x <= box["x"] + box["width"]
        assert box["y"] <= y <= box["y"] + box["height"]
    drops = [(one.x_mm, one.y_mm) for one in job.plate.drops]
    left, right = min(drops), max(drops)
    ends = job.fits[sha256].photo_from_plate([left, right])
    (x0, y0), (x1, y1) = (canvas.screen(*px) for px in ends)
    assert x1 - x0 > abs(y1 - y0)
    plate = canvas.view()
    laptop.keyboard.press("0")  # the whole photo, with what lies round the plate
    laptop.wait_for_timeout(150)
    assert canvas.view() != plate
    laptop.keyboard.press("+")
    laptop.keyboard.press("0")  # and the plate again
    laptop.wait_for_timeout(150)
    assert canvas.view() == pytest.approx(plate)
