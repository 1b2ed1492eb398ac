"""The leads page in a real browser, on a rendered photo whose leads are known."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mapper.records import JobStore, Stretch, TracedLead, lead_changes
from mapper.ui.leads_tracing import joints
from tests.browser import CanvasDriver, browser, page_of, running_server, settled
from tests.full_job import full_job

__all__ = ["browser"]  # the fixture

pytestmark = pytest.mark.browser
PHOTO = "05_clear_overview.jpg"
# one lead for each test that traces: the tests share one job
MISSING = ("Z02-H", "Z02-T", "Z03-H", "Z03-T", "Z04-H", "Z04-T", "Z06-H", "Z08-H")


class Bench:
    """A running job and what is true of it."""

    def __init__(self, folder: Path, plate: Path, job_id: str, address: str) -> None:
        self.store = JobStore(folder)
        self.job_id = job_id
        self.address = address
        truth = json.loads((plate / "truth.json").read_text())
        photo = next(one for one in truth["photos"] if one["file"] == PHOTO)
        self.wires = {"Z" + w["id"][1:].replace("_", "-"): w for w in photo["wires"]}
        self.routes = {
            "Z" + w["id"][1:].replace("_", "-"): np.array(w["points"])[:, :2]
            for w in truth["wires"]
        }

    @property
    def photo(self) -> str:
        """Hash of the photo that is worked on."""
        return next(x.sha256 for x in self.store.job(self.job_id).photos if x.name == PHOTO)

    def lead(self, lead_id: str) -> TracedLead | None:
        return next((x for x in self.store.job(self.job_id).leads if x.id == lead_id), None)

    def spaced(self, lead_id: str, count: int, step_px: float) -> list[tuple[float, float]]:
        """Places along the lead in the photo, some way apart."""
        points = np.array(self.wires[lead_id]["polyline_px"])
        s = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        at = 20 + step_px * np.arange(count)
        return [tuple(np.interp(a, s, points[:, i]) for i in (0, 1)) for a in at]

    def on_photo(self, lead_id: str) -> np.ndarray:
        """The points that can be dragged, (N, 2) px on the photo."""
        job = self.store.job(self.job_id)
        sha256 = next(one.sha256 for one in job.photos if one.name == PHOTO)
        mm = np.array([one.mm for one in joints(self.lead(lead_id))])
        return job.fits[sha256].photo_from_plate(mm, job.plate.lead_depth_mm(mm))

    def visible(self, lead_id: str, parts: tuple[float, ...]) -> list[tuple[float, float]]:
        """Places on the lead in the photo: where it shows, at these parts of its way."""
        wire = self.wires[lead_id]
        points = np.array(wire["polyline_px"])
        inside = (points > 3).all(axis=1) & (points[:, 0] < 2396) & (points[:, 1] < 1796)
        shown = np.flatnonzero(np.array(wire["visible"], bool) & inside)
        wanted = [shown[0] + part * (shown[-1] - shown[0]) for part in parts]
        return [tuple(points[shown[np.argmin(np.abs(shown - at))]]) for at in wanted]


@pytest.fixture(scope="module")
def bench(
    browser: Any, shared_plates: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("store")
    archive = JobStore(folder)
    job_id = full_job(archive, shared_plates / "plate1", missing=MISSING)
    archive.close()
    with running_server(folder) as address:
        yield Bench(folder, shared_plates / "plate1", job_id, address)


@pytest.fixture
def page(browser: Any, bench: Bench) -> Iterator[Any]:
    with page_of(browser, f"{bench.address}/leads?job={bench.job_id}") as page:
        canvas_of(page)
        yield page


def canvas_of(page: Any) -> CanvasDriver:
    """The canvas with the photo shown whole and sharp."""
    canvas = CanvasDriver(page)
    canvas.wait_tiles()
    return canvas


def pick(page: Any, lead_id: str) -> CanvasDriver:
    """Pick a lead in the list, and see the whole photo again."""
    page.get_by_role("button", name=f"{lead_id}:").click()
    page.locator(f'button.lead.on[title^="{lead_id}:"]').wait_for()
    canvas = CanvasDriver(page)
    page.keyboard.press("0")
    page.wait_for_timeout(150)
    return canvas


def click_along(canvas: CanvasDriver, places: list[tuple[float, float]]) -> None:
    for place in places:
        canvas.click(*place)
        canvas.wait_acknowledged()


def test_a_missing_lead_is_traced_to_the_exit_and_is_the_right_one(page: Any, bench: Bench) -> None:
    canvas = pick(page, "Z04-H")
    click_along(canvas, bench.visible("Z04-H", (0.0, 0.3, 0.6, 1.0)))
    page.keyboard.press("f")  # the rest of the way lies under the others
    canvas.wait_acknowledged()
    lead = bench.lead("Z04-H")
    assert lead.finished
    assert lead.exit == "X1"
    route = bench.routes["Z04-H"]
    points = lead.points_mm
    away = np.min(np.hypot(*(points[:, None] - route[None]).transpose(2, 0, 1)), axis=1)
    assert np.median(away) < 1.5  # leads lie 2.5 to 3 mm apart here
    page.locator('button.lead.on[title="Z04-H: traced"]').wait_for()


def test_undo_takes_back_one_click_and_redo_brings_it_again(page: Any, bench: Bench) -> None:
    canvas = pick(page, "Z02-H")
    click_along(canvas, bench.visible("Z02-H", (0.0, 0.2, 0.35)))
    three = len(bench.lead("Z02-H").stretches)
    page.keyboard.press("z")
    canvas.wait_acknowledged()
    assert len(bench.lead("Z02-H").stretches) < three
    page.keyboard.press("Control+y")
    canvas.wait_acknowledged()
    assert len(bench.lead("Z02-H").stretches) == three


def test_a_point_is_dragged_and_the_line_follows(page: Any, bench: Bench) -> None:
    canvas = pick(page, "Z02-T")
    first, middle, last, target = bench.visible("Z02-T", (0.0, 0.2, 0.4, 0.27))
    click_along(canvas, [first, middle, last])
    before = joints(bench.lead("Z02-T"))
    at = next(one for one in before[1:] if one.px and np.hypot(*(np.array(one.px) - middle)) < 15)
    canvas.drag(at.px, target)
    canvas.wait_acknowledged()
    after = joints(bench.lead("Z02-T"))
    assert at.id not in {one.id for one in after}
    assert min(np.hypot(*(np.array(one.px) - target)) for one in after if one.px) < 15
    assert (after[0].id, after[-1].id) == (before[0].id, before[-1].id)


def test_twelve_fast_clicks_along_a_lead_are_all_there(page: Any, bench: Bench) -> None:
    canvas = pick(page, "Z03-H")
    places = bench.spaced("Z03-H", 12, 60.0)  # further apart than a click on a point reaches
    steps = len(bench.store.history(bench.job_id))
    screen = [canvas.screen(*place) for place in places]
    for place in screen:
        page.mouse.click(*place)
        page.wait_for_timeout(33)
    canvas.wait_acknowledged()
    assert len(bench.store.history(bench.job_id)) == steps + 12


def test_a_reload_in_the_middle_of_a_line_loses_nothing(page: Any, bench: Bench) -> None:
    canvas = pick(page, "Z06-H")
    places = bench.visible("Z06-H", (0.0, 0.3, 0.5))
    click_along(canvas, places[:2])
    canvas.click(*places[2])
    page.reload()  # the third click may not have been dealt with yet
    settled(page)
    canvas = canvas_of(page)
    canvas.wait_acknowledged()
    page.locator('button.lead.on[title^="Z06-H:"]').wait_for()
    ends = bench.on_photo("Z06-H")
    for place in places:
        assert np.hypot(*(ends - place).T).min() < 25


def test_fingers_trace_too(browser: Any, bench: Bench) -> None:
    address = f"{bench.address}/leads?job={bench.job_id}&lead=Z08-H"
    with page_of(browser, address, has_touch=True) as page:
        canvas = canvas_of(page)
        page.get_by_role("button", name="Whole photo (0)").tap()
        page.wait_for_timeout(150)
        for place in bench.visible("Z08-H", (0.0, 0.5)):
            page.touchscreen.tap(*canvas.screen(*place))
            canvas.wait_acknowledged()
        assert len(bench.lead("Z08-H").points_mm) > 2


def test_a_run_is_marked_unseen_by_a_key(page: Any, bench: Bench) -> None:
    canvas = pick(page, "Z04-T")
    click_along(canvas, bench.visible("Z04-T", (0.0, 0.06)))
    assert bench.lead("Z04-T").seen[-1] is True
    page.keyboard.press("u")  # the pointer is on the last point: the last run is meant
    canvas.wait_acknowledged()
    assert bench.lead("Z04-T").seen[-1] is False, canvas.root.locator(".hint").inner_text()


def test_another_photo_shows_the_same_place_of_the_plate(page: Any, bench: Bench) -> None:
    canvas = canvas_of(page)
    job = bench.store.job(bench.job_id)
    first = next(one for one in job.photos if one.name == PHOTO)
    drop = job.plate.drops[2]
    x, y = job.fits[first.sha256].photo_from_plate([[drop.x_mm, drop.y_mm]])[0]
    page.mouse.move(*canvas.screen(x, y))
    for _ in range(4):
        page.mouse.wheel(0, -200)
    page.wait_for_timeout(150)
    token = canvas.root.get_attribute("data-token")
    page.keyboard.press("p")
    sync_api = pytest.importorskip("playwright.sync_api")
    sync_api.expect(canvas.root).not_to_have_attribute("data-token", token, timeout=120_000)
    page.wait_for_timeout(150)
    fits = [job.fits[one.sha256] for one in job.photos if one.sha256 != first.sha256]
    scale, cx, cy, _ = canvas.view()
    spot = canvas.screen(x, y)
    assert scale > 0
    # Where the drop now stands on the screen, by the fit of whichever photo is shown.
    box = canvas.root.bounding_box()
    shown = [canvas.screen(*fit.photo_from_plate([[drop.x_mm, drop.y_mm]])[0]) for fit in fits]
    inside = [
        box["x"] < sx < box["x"] + box["width"] and box["y"] < sy < box["y"] + box["height"]
        for sx, sy in shown
    ]
    assert any(inside)
    assert spot != shown[0]


def test_leads_are_hidden_and_shown(page: Any, bench: Bench) -> None:
    page.get_by_role("button", name="Hide the leads of D01").click()
    page.get_by_role("button", name="Show the leads of D01").wait_for()
    page.get_by_role("button", name="Show all").click()
    page.get_by_role("button", name="Hide the leads of D01").wait_for()


def test_next_goes_to_a_lead_that_is_not_traced(page: Any, bench: Bench) -> None:
    page.get_by_role("button", name="Next untraced", exact=True).click()
    page.locator("button.lead.on:not(.traced)").wait_for()


def test_two_fingers_zoom_and_leave_no_click(browser: Any, bench: Bench) -> None:
    address = f"{bench.address}/leads?job={bench.job_id}&lead=Z08-H"
    with page_of(browser, address, has_touch=True) as page:
        canvas = canvas_of(page)
        page.get_by_role("button", name="Whole photo (0)").tap()
        page.wait_for_timeout(150)
        before = canvas.view()[0]
        steps = len(bench.store.history(bench.job_id))
        box = canvas.root.bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        session = page.context.new_cdp_session(page)

        def touch(kind: str, apart: float | None = None) -> None:
            places = [] if apart is None else [(x - apart, y, 1), (x + apart, y, 2)]
            points = [{"x": px, "y": py, "id": number} for px, py, number in places]
            session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        touch("touchStart", 40)
        for apart in (60, 80, 100, 120):
            touch("touchMove", apart)
        touch("touchEnd")
        page.wait_for_timeout(150)
        assert canvas.view()[0] == pytest.approx(3 * before, rel=0.1)  # three times as far apart
        canvas.wait_acknowledged()
        assert len(bench.store.history(bench.job_id)) == steps


def test_a_lead_is_cut_under_the_pointer_and_undo_brings_it_back(page: Any, bench: Bench) -> None:
    canvas = pick(page, "Z05-H")
    whole = bench.lead("Z05-H")
    where = bench.visible("Z05-H", (0.5,))[0]
    page.mouse.move(*canvas.screen(*where))
    page.keyboard.press("x")
    canvas.wait_acknowledged()
    short = bench.lead("Z05-H")
    assert not short.finished, canvas.root.locator(".hint").inner_text()
    assert len(short.points_mm) < len(whole.points_mm)
    page.locator(".jb-soft", has_text="last: Cut Z05-H").wait_for()
    page.keyboard.press("z")
    canvas.wait_acknowledged()
    assert bench.lead("Z05-H") == whole


def test_a_line_is_given_to_the_lead_it_really_is(page: Any, bench: Bench) -> None:
    canvas = pick(page, "Z07-H")
    line = bench.lead("Z07-H").stretches
    page.keyboard.press("a")
    canvas.root.locator(".hint", has_text="really is").wait_for()
    page.get_by_role("button", name="Z07-T:").click()
    canvas.root.locator(".hint.alert", has_text="has a line already").wait_for()
    page.keyboard.press("a")
    canvas.root.locator(".hint", has_text="really is").wait_for()
    page.get_by_role("button", name="Z03-T:").click()  # never begun
    page.locator('button.lead.on[title^="Z03-T:"]').wait_for()
    assert bench.lead("Z03-T").stretches == line
    assert bench.lead("Z07-H") is None
    page.keyboard.press("z")
    canvas.wait_acknowledged()
    assert bench.lead("Z07-H").stretches == line


def test_d_goes_to_a_doubtful_stretch_and_y_confirms_it(page: Any, bench: Bench) -> None:
    lead = bench.lead("Z01-T")
    unsure = replace(lead.stretches[0], seen=True, photo=bench.photo, confidence=0.4)
    doubted = replace(lead, stretches=(unsure, *lead.stretches[1:]))
    bench.store.edit(bench.job_id, "Doubt", lead_changes(doubted))
    canvas = canvas_of(page)
    page.keyboard.press("d")
    canvas.root.locator(".hint", has_text="unsure of the thin line").wait_for()
    page.locator('button.lead.on[title^="Z01-T:"]').wait_for()
    page.keyboard.press("y")
    canvas.wait_acknowledged()
    assert bench.lead("Z01-T").stretches[0].confidence == 1.0
    page.keyboard.press("z")
    canvas.wait_acknowledged()
    assert bench.lead("Z01-T").stretches[0].confidence == 0.4
    page.keyboard.press("Control+y")
    canvas.wait_acknowledged()
    assert bench.lead("Z01-T").stretches[0].confidence == 1.0


def test_two_pieces_are_joined_and_undo_parts_them(page: Any, bench: Bench) -> None:
    whole = bench.lead("Z07-T")
    points = tuple((float(x), float(y)) for x, y in whole.points_mm)
    middle = len(points) // 2
    first = replace(whole, stretches=(Stretch(points[: middle + 1]),), exit=None, finished=False)
    loose = replace(whole, id="loose", stretches=(Stretch(points[middle:]),))
    bench.store.edit(bench.job_id, "Part", {**lead_changes(first), **lead_changes(loose)})
    canvas = pick(page, "Z07-T")
    page.keyboard.press("j")
    canvas.root.locator(".hint", has_text="goes on from the end").wait_for()
    page.get_by_role("button", name="loose:").click()
    page.get_by_role("button", name="loose:").wait_for(state="detached")
    joined = bench.lead("Z07-T")
    assert joined.finished
    assert np.allclose(joined.points_mm, whole.points_mm)
    page.keyboard.press("z")
    canvas.wait_acknowledged()
    assert bench.lead("Z07-T") == first
    assert bench.lead("loose") == loose


def test_panes_beside_show_the_same_place_at_the_depth_of_the_leads(
    page: Any, bench: Bench
) -> None:
    expect = pytest.importorskip("playwright.sync_api").expect
    canvas = canvas_of(page)
    job = bench.store.job(bench.job_id)
    page.keyboard.press("c")
    pane = canvas.root.locator("button.pane[data-view]").first
    pane.wait_for()
    names = {f"{one.stage} · {one.name}": one.sha256 for one in job.photos}
    _, cx, cy, _ = canvas.view()
    shown, other = job.fits[bench.photo], job.fits[names[pane.locator(".name").inner_text()]]
    # The fits themselves say where both photos show the place, as deep as a lead lies there.
    place = shown.plate_from_photo([[cx, cy]])
    for _ in range(3):
        place = shown.plate_from_photo([[cx, cy]], job.plate.lead_depth_mm(place))
    deep = other.photo_from_plate(place, job.plate.lead_depth_mm(place))[0]
    _, px, py, _ = json.loads(pane.get_attribute("data-view"))
    assert np.hypot(px - deep[0], py - deep[1]) < 1.0  # of 2400
    token = canvas.root.get_attribute("data-token")
    pane.click()
    expect(canvas.root).not_to_have_attribute("data-token", token)
