"""Every sheet as a printer shows it: as the kept picture that somebody looked at, true to scale."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from mapper.bench import Zone
from mapper.bench.response import judge_rises
from mapper.bench.salvage import Costs, compare_costs, part_verdicts
from mapper.plate import Plate
from mapper.pulling import plan_pull
from mapper.rebuild import plan_rebuild
from mapper.routes import Judged, Lead, RouteMap
from mapper.sheets import (
    QuestionCard,
    RecordedLog,
    ResponseRecord,
    StepCard,
    StepPlace,
    TagStock,
    marker_sheet_pdf,
    place_photo,
    pull_cards_pdf,
    pull_sheet_pdf,
    rebuild_sheet_pdf,
    response_sheet_pdf,
    route_sheet_pdf,
    salvage_sheet_pdf,
    step_place,
    waits_of,
    wire_tags_pdf,
)
from tests.rebuild_plates import comb_plate, two_leads_per_drop
from tests.rendered import KEPT_DPI, png, rendered, same_as_kept

AT = datetime(2026, 3, 7, 14, 5)
TITLE = "Invented plate, six drops"


def six_drops() -> RouteMap:
    """Six drops in two rows, their leads down two channels; a few cross, one crossing is open."""
    spots = [(80 + 140 * (n % 3), 120 + 110 * (n // 3)) for n in range(6)]
    plate = Plate.from_mapping(
        {
            "name": "P",
            "outline": [[0, 0], [500, 0], [500, 320], [0, 320]],
            "drops": [
                {"id": f"D{n + 1:02d}", "x": x, "y": y, "bore_diameter": 42}
                for n, (x, y) in enumerate(spots)
            ],
            "channels": [
                {"id": f"C{n + 1}", "points": [[x, 230], [x, 40]], "width": 14, "depth": 15}
                for n, x in enumerate((80, 220, 360))
            ]
            + [{"id": "C4", "points": [[60, 40], [500, 40]], "width": 20, "depth": 15}],
            "exits": [{"id": "X1", "x": 500, "y": 40}],
        }
    )
    leads, judged = [], []
    for n, (x, y) in enumerate(spots):
        for k, kind in (("H", "heater"), ("T", "thermocouple")):
            shift = (n // 3) * 5 + (2.5 if k == "T" else 0) - 4
            low = 32 + 3 * n + (1.5 if k == "T" else 0)
            points = [[x, y], [x + shift, y - 20], [x + shift, low], [500, low]]
            leads.append(Lead(f"Z{n + 1:02d}-{k}", kind, f"D{n + 1:02d}", "X1", points))
    route_map = RouteMap(plate, tuple(leads))
    for n, one in enumerate(route_map.crossings):
        top = None if n == 0 else "a"
        judged.append(Judged(one.a, one.b, one.x_mm, one.y_mm, top))
    return RouteMap(plate, tuple(leads), tuple(judged))


class FlatFit:
    """A photo taken straight from above, 4 px per mm, of the whole plate."""

    def photo_from_plate(self, xy_mm, depth_mm=0.0):
        xy_mm = np.asarray(xy_mm, float)
        return np.column_stack([4 * xy_mm[:, 0], 1280 - 4 * xy_mm[:, 1]])


def painted(route_map: RouteMap) -> np.ndarray:
    """A photo of the invented plate: grey steel, dark channels, light wires."""
    import cv2

    pixels = np.full((1280, 2000, 3), 150, np.uint8)
    for channel in route_map.plate.channels:
        px = FlatFit().photo_from_plate(channel.points_mm).astype(np.int32)
        cv2.polylines(pixels, [px], False, (70, 70, 70), int(4 * channel.width_mm))
    for lead in route_map.leads:
        px = FlatFit().photo_from_plate(lead.points_mm).astype(np.int32)
        cv2.polylines(pixels, [px], False, (215, 215, 215), 8)
    return pixels


def route_sheet() -> bytes:
    return route_sheet_pdf(six_drops(), TITLE, AT)


def pull_sheet() -> bytes:
    route_map = six_drops()
    return pull_sheet_pdf(route_map, plan_pull(route_map).to_dict(), TITLE, AT)


def cards() -> bytes:
    route_map = six_drops()
    pixels, present = painted(route_map), set(route_map.leads_by_id)
    plan = plan_pull(route_map)
    waits = waits_of(route_map, plan.steps)
    steps = []
    for number, step in enumerate(plan.steps[:5], start=1):
        place = step_place(route_map, step, present)
        photo = None
        if number > 1:  # the first one shows what a place without a photo looks like
            photo = place_photo(pixels, FlatFit(), place, 0.0, "painted.jpg, cleared")
        how, leads = "heater, free end at X1", frozenset(present)
        act = step.action.capitalize()
        steps.append(StepCard(number, step, act, how, place, leads, waits[number - 1], (), photo))
        if step.action == "pull":
            present.discard(step.wire)
    look = plan.look_at[0]
    place = StepPlace(look.x_mm, look.y_mm, 20.0)
    photo = place_photo(pixels, FlatFit(), place, 0.0, "painted.jpg, cleared")
    question = QuestionCard(1, look.a, look.b, place, look.frees, True, photo)
    return pull_cards_pdf(route_map, steps, [question], TITLE, AT)


def response() -> bytes:
    names = [f"Z{n:02d}" for n in range(1, 7)]
    rises = np.full((6, 6), 0.4) + np.diag([20.0, 0, 0, 24, 22, 0.1])
    rises[1, 2], rises[2, 1], rises[3, 3] = 21, 19, -24
    log = RecordedLog("bench.csv", "0123456789abcdef" * 4, "2026-03-07 13:10", "A. Person")
    said = ("Zone Z02: thermocouple of Z03 taken.",)
    result = judge_rises(names, names, rises, 0.1)
    return response_sheet_pdf(result, ResponseRecord(1, (log,), said), TITLE, AT)


def rebuild() -> bytes:
    plate = comb_plate(2, 3)
    return rebuild_sheet_pdf(plate, plan_rebuild(plate, two_leads_per_drop(plate)), TITLE, AT)


def salvage() -> bytes:
    parts = part_verdicts((Zone("Z01", {"volts": 240.0, "watts": 250.0}), Zone("Z02")))
    return salvage_sheet_pdf(TITLE, parts, Costs(), compare_costs(parts, Costs()), AT)


def tags() -> bytes:
    return wire_tags_pdf(six_drops().leads, TagStock())


def markers() -> bytes:
    return marker_sheet_pdf(40.0, tuple(range(6)))


KEPT_SHEETS = {
    "route map": route_sheet,
    "pull sheet": pull_sheet,
    "pull order with crops": cards,
    "response test": response,
    "rebuild": rebuild,
    "salvage": salvage,
    "wire tags": tags,
    "markers": markers,
}


@pytest.mark.parametrize("name", KEPT_SHEETS)
def test_each_page_looks_as_the_picture_that_was_looked_at(name, tmp_path):
    # made by `python -m tests.rendered`; poppler is the outside reader of the PDF
    pages = rendered(KEPT_SHEETS[name](), KEPT_DPI, tmp_path)
    for number, page in enumerate(pages, start=1):
        assert same_as_kept(page, f"{name}-{number}") == "", name


def test_the_comparison_of_pages_can_fail(tmp_path):
    (page, *_) = rendered(route_sheet(), KEPT_DPI, tmp_path)
    changed = page.copy()
    changed[100:116, 60:120] = 0
    assert "patch differs" in same_as_kept(changed, "route map-1")
    assert "size" in same_as_kept(page[:-1], "route map-1")
    assert png(page).startswith(b"\x89PNG")


def bar_mm(page: np.ndarray, dpi: int, row: int, left: int, right: int) -> float:
    """Length of what is dark in a row of a page between two columns, in mm."""
    dark = np.flatnonzero(page[row, left:right] < 128)
    return (dark[-1] - dark[0] + 1) / dpi * 25.4


def test_the_bars_of_route_map_and_markers_are_right_to_a_tenth_of_a_millimetre(tmp_path):
    dpi = 600
    (page, *_) = rendered(route_sheet(), dpi, tmp_path)
    px = dpi / 25.4
    # the bar stands 22.6 to 24.6 mm above the lower edge, and has 5 parts of 10 mm
    row = round(page.shape[0] - 23.6 * px)
    right = round(70 * px)
    edges = np.flatnonzero(np.diff((page[row, :right] < 128).astype(int))) / px
    assert edges[-1] - edges[0] == pytest.approx(50.0, abs=0.25)  # with its outline, 0.2 mm wide
    assert np.diff(edges)[1] == pytest.approx(10.0 - 0.2, abs=0.1)
    (page, *_) = rendered(markers(), dpi, tmp_path)
    row = round(page.shape[0] - 18.0 * px)
    # 100 mm from end to end; the line has round ends, 0.2 mm each
    assert bar_mm(page, dpi, row, 0, round(130 * px)) == pytest.approx(100.4, abs=0.1)
