"""The way "From a photo" on the page Plate."""

from __future__ import annotations

import numpy as np
import pytest

from mapper.records import JobStore
from mapper.ui.canvas import Operation
from mapper.ui.first_plate_panel import CLICKS, points_after
from tests.full_job import true_fit
from tests.test_fit_question import job_with
from tests.test_pages import click, page, sound, store, words  # noqa: F401 (fixture)
from tests.truth import true_plate, truth_of

WAY = {"plate way": "From a photo"}


def test_points_are_set_in_turn_moved_and_taken_away():
    points: list[dict] = []
    for n in range(8):
        points = points_after(points, Operation(f"u-{n}", "point", 10.0 * n, 5.0))
    assert [p["id"] for p in points] == [f"u-{n}" for n in range(6)]
    points = points_after(points, Operation("m", "move", 1.0, 2.0, id="u-3"))
    assert (points[3]["x"], points[3]["y"]) == (1.0, 2.0)
    points = points_after(points, Operation("r", "remove", id="u-0"))
    assert [p["id"] for p in points] == [f"u-{n}" for n in range(1, 6)]


def test_a_click_on_a_corner_makes_it_an_end_of_the_known_distance():
    corners = [{"id": f"c{n}", "x": 100.0 * n, "y": 7.0} for n in range(4)]
    on_corner = Operation("u-9", "select", 101.0, 8.0, id="c1", kind="handle")
    assert points_after(corners, on_corner)[4:] == [{"id": "u-9", "x": 100.0, "y": 7.0}]
    assert points_after(corners[:3], on_corner) == corners[:3]


def test_without_a_photo_it_leads_to_the_photos(store: JobStore):  # noqa: F811
    test = page("plate", store.create("New"), **WAY)
    sound(test)
    assert "There is no photo yet" in words(test)
    assert any(button.label == "Go to Photos" for button in test.button)


def test_a_plate_is_found_corrected_and_saved(store: JobStore, shared_plates):  # noqa: F811
    # truth of the renderer that made the photo
    truth = truth_of(shared_plates / "plate1")
    record = next(r for r in truth["photos"] if r["file"].startswith("05"))
    drawing = true_plate(truth)
    path = shared_plates / "plate1" / record["file"]
    job_id, sha256 = job_with(store, path, drawing, true_fit(record))
    store.edit(job_id, "No plate yet", {"plate": None, f"fit/{sha256}": None})
    corners = np.array(record["plate_corners_px"], float)
    places = [*(corners + 4), corners[0], corners[1]]
    points = [{"id": f"c{n}", "x": float(x), "y": float(y)} for n, (x, y) in enumerate(places)]
    test = page("plate", job_id, **WAY, **{CLICKS: {sha256: points[:5]}})
    sound(test)
    assert "1 more point to click" in words(test)
    assert next(b for b in test.button if b.label == "Find the bores").disabled
    test = page("plate", job_id, **WAY, **{CLICKS: {sha256: points}})
    test.number_input(key="first plate length").set_value(drawing.width_mm).run()
    test = click(test, "Find the bores")
    sound(test)
    values = {box.label: box.value for box in test.number_input}
    assert (values["Rows"], values["Columns"]) == (2, 4)
    assert values["Pitch across, mm"] == pytest.approx(98.0, abs=0.15)
    assert values["Bore diameter, mm"] == pytest.approx(48.0, abs=0.5)
    pitch = next(box for box in test.number_input if box.label == "Pitch across, mm")
    pitch.set_value(98.0).run()
    sound(click(test, "Use this plate"))
    plate = store.job(job_id).plate
    assert len(plate.drops) == 8 and plate.holes
    assert plate.drops[1].x_mm - plate.drops[0].x_mm == pytest.approx(98.0)
    assert store.undo(job_id).plate is None


def test_a_plate_that_is_not_there_is_said_in_a_sentence(store: JobStore, shared_plates):  # noqa: F811
    truth = truth_of(shared_plates / "plate1")
    record = next(r for r in truth["photos"] if r["file"].startswith("05"))
    path = shared_plates / "plate1" / record["file"]
    job_id, sha256 = job_with(store, path, true_plate(truth), true_fit(record))
    store.edit(job_id, "No plate yet", {"plate": None, f"fit/{sha256}": None})
    line = [{"id": f"c{n}", "x": 50.0 + 60 * n, "y": 50.0} for n in range(6)]
    test = page("plate", job_id, **WAY, **{CLICKS: {sha256: line}})
    test.number_input(key="first plate length").set_value(100.0).run()
    test = click(test, "Find the bores")
    sound(test)
    assert "click each corner of the face once" in words(test)
