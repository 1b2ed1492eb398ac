"""Points set by hand: the worst one is named, and a dragged one answers at once."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from urllib.parse import quote

import numpy as np
import pytest
from starlette.requests import Request

from mapper.fit import Click, FitFailed, quick_fit
from mapper.plate import plate_features
from mapper.ui import server
from mapper.ui.fit_clicks import click_errors, click_handles, drag_answer, watch_drags
from mapper.ui.fit_points import keeps_fit
from mapper.ui.tiles import SHELF, open_photo
from tests.test_fit_advice import PLATE, looking

NAMES = ("corner 1", "D02", "corner 3", "D03")
GOOD = looking(600, tilt_deg=15)
DOUBTFUL = replace(GOOD, verdict="doubtful", reasons=("for a test",))


def exact_clicks(names=NAMES, labelled=True) -> list[dict]:
    place = {f.id: (f.x_mm, f.y_mm) for f in plate_features(PLATE)}
    px = GOOD.photo_from_plate([place[name] for name in names])
    return [
        {"id": f"c{n}", "x": float(x), "y": float(y), "feature": name if labelled else None}
        for n, (name, (x, y)) in enumerate(zip(names, px, strict=True), 1)
    ]


def as_clicks(clicks: list[dict]) -> list[Click]:
    return [Click(c["x"], c["y"], c["feature"]) for c in clicks]


@pytest.mark.parametrize("order", list(itertools.permutations(NAMES))[::5])
def test_clicks_in_any_order_on_any_features_are_found_out(order):
    quick = quick_fit(PLATE, GOOD, as_clicks(exact_clicks(order, labelled=False)))
    assert quick.features == order
    assert quick.misses_mm.max() < 1e-6


def test_a_good_fit_keeps_its_camera_and_shows_the_dragged_click_off():
    clicks = exact_clicks()
    clicks[1]["x"] += 30
    quick = quick_fit(PLATE, GOOD, as_clicks(clicks))
    assert quick.fit is GOOD and quick.worst == 1
    # worked: 30 px at about 3 px per mm (1800 px of focal length at 600 mm)
    assert quick.misses_mm[1] == pytest.approx(10, rel=0.15)
    assert np.delete(quick.misses_mm, 1).max() < 1e-6


def test_points_that_agree_with_a_good_fit_ask_for_no_new_one():
    clicks = exact_clicks()
    clicks[1]["x"] += 4  # 1.3 mm at 3 px per mm: within what a rough click errs
    assert keeps_fit(PLATE, GOOD, clicks)
    clicks[1]["x"] += 6  # 3.3 mm: somebody means something else
    assert not keeps_fit(PLATE, GOOD, clicks)
    assert not keeps_fit(PLATE, DOUBTFUL, exact_clicks())
    assert not keeps_fit(PLATE, None, exact_clicks())
    assert not keeps_fit(PLATE, GOOD, [{**clicks[0], "feature": "no such bore"}])


def test_a_doubtful_camera_is_moved_onto_the_clicks():
    off = replace(DOUBTFUL, camera=GOOD.camera.moved(np.array([0.03, 0.02, 0.05, 9, -7, 20, 0, 0])))
    names = (*NAMES, "D01", "corner 2", "corner 4")
    quick = quick_fit(PLATE, off, as_clicks(exact_clicks(names)))
    drops = np.array([(d.x_mm, d.y_mm) for d in PLATE.drops])
    found = quick.fit.plate_from_photo(GOOD.photo_from_plate(drops))
    assert np.hypot(*(found - drops).T).max() < 0.5


def test_a_name_that_the_drawing_lacks_is_refused():
    with pytest.raises(FitFailed, match="no feature"):
        quick_fit(PLATE, GOOD, [Click(5, 5, "D99")])


def test_no_click_no_answer():
    assert quick_fit(PLATE, GOOD, []) is None
    assert quick_fit(PLATE, GOOD, [Click(float("nan"), 5)]) is None


def test_the_worst_point_is_named_on_the_photo():
    clicks = exact_clicks()
    clicks[2]["y"] += 12
    handles = click_handles(clicks, click_errors(GOOD, plate_features(PLATE), clicks))
    worst = [handle for handle in handles if "worst" in handle.tag]
    assert [handle.id for handle in worst] == ["c3"]
    assert worst[0].color not in {handle.color for handle in handles if handle is not worst[0]}


def test_a_dragged_point_is_answered_with_lines_tags_and_words():
    answer = drag_answer(PLATE, GOOD, exact_clicks(), "c2", 700.0, 500.0)
    assert "Point 2 on D02" in answer["text"]
    assert set(answer["tags"]) == {"c1", "c2", "c3", "c4"} and "worst" in answer["tags"]["c2"]
    assert {"outline", "bore D01", "miss 2"} <= {line["id"] for line in answer["lines"]}
    json.dumps(answer, allow_nan=False)
    assert drag_answer(PLATE, GOOD, exact_clicks(), "other", 700.0, 500.0) == {}


def test_the_canvas_is_answered_over_its_route_and_never_with_a_fault():
    opened = open_photo("drag test", lambda: np.zeros((1500, 2000, 3), np.uint8))

    def get(token: str, query: str):
        """The answer of the route, without a server in between."""
        scope = {"type": "http", "method": "GET", "headers": [], "path_params": {"token": token}}
        return server._drag(Request({**scope, "query_string": query.encode()}))

    at = opened.token
    assert json.loads(get(at, "id=c2&x=700&y=500").body) == {}  # no page shows it
    assert watch_drags(opened.token, PLATE, GOOD, exact_clicks())
    assert "lines" in json.loads(get(at, "id=c2&x=700&y=500").body)
    assert json.loads(get(at, f"id={quote('<x>')}&x=700&y=500").body) == {}
    for wrong in ("id=c2&x=700", "id=c2&x=a&y=5", "id=c2&x=nan&y=5", "x=1&y=2", "id=c2&x=1e9&y=0"):
        assert get(at, wrong).status_code == 400
    assert get("unknown", "id=c2&x=7&y=5").status_code == 404
    assert not watch_drags(opened.token, PLATE, None, exact_clicks())
    assert SHELF.dragged(opened.token, "c2", 1.0, 2.0) == {}
