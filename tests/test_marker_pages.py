"""Markers of a plate on the pages: a table that keeps them, a sheet to take away."""

from __future__ import annotations

from dataclasses import replace

import pytest
from streamlit.testing.v1 import AppTest

from mapper.plate import Marker, Plate, PlateError
from mapper.records import JobStore
from mapper.ui.plate_tables import plate_with_rows, rows_of
from tests.test_pages import click, page, sound, store, words  # noqa: F401

PLATE = Plate.grid(1, 2, 100, 100, (60, 60), 40, 220, 120)
LAID = replace(PLATE, markers=(Marker(7, 20, 20, 25, 90), Marker(3, 200, 100, 25)))


def test_the_table_of_markers_gives_back_the_same_plate():
    rows = rows_of(LAID, "markers")
    assert rows[0] == {"no.": "7", "x mm": 20, "y mm": 20, "side mm": 25, "angle °": 90}
    assert plate_with_rows(LAID, "markers", rows) == LAID


def test_a_marker_typed_without_an_angle_lies_upright():
    row = {"no.": " 12 ", "x mm": 110.0, "y mm": 20.0, "side mm": 25.0, "angle °": None}
    plate = plate_with_rows(LAID, "markers", [*rows_of(LAID, "markers"), row])
    assert plate.markers == (*LAID.markers, Marker(12, 110, 20, 25, 0))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"no.": "seven"}, "Markers, row 2: 'seven' is not the number printed"),
        ({"no.": "77"}, "0 to 49"),
        ({"no.": "7"}, "already used"),
        ({"no.": None}, "Markers, row 2: fill in no."),
        ({"side mm": 0.0}, "Markers, row 2, side: must be greater than zero"),
        ({"x mm": 900.0}, "outside the outline"),
    ],
)
def test_a_marker_typed_wrongly_is_named_with_its_row(change, told):
    rows = rows_of(LAID, "markers")
    rows[1] |= change
    with pytest.raises(PlateError, match=told):
        plate_with_rows(LAID, "markers", rows)


def test_tables_of_other_things_leave_the_markers_alone():
    for kind in ("drops", "holes", "channels", "exits"):
        assert plate_with_rows(LAID, kind, rows_of(LAID, kind)).markers == LAID.markers


def test_a_plate_entered_anew_keeps_its_markers_unless_told_otherwise(store: JobStore):  # noqa: F811
    job_id = store.create("Markers")
    store.edit(job_id, "Plate", {"plate": LAID.to_mapping()})
    test = click(page("plate", job_id), "Enter it anew")
    keep = next(box for box in test.checkbox if box.label.startswith("Keep the 2 markers"))
    assert keep.value
    click(test, "Use this plate")
    sound(test)
    kept = store.job(job_id).plate
    assert kept.markers == LAID.markers and len(kept.drops) == 8  # the form's own grid
    test = click(page("plate", job_id), "Enter it anew")
    next(box for box in test.checkbox if box.label.startswith("Keep the 2 markers")).uncheck().run()
    click(test, "Use this plate")
    assert store.job(job_id).plate.markers == ()


def test_markers_off_the_new_plate_are_asked_about_and_not_dropped(store: JobStore):  # noqa: F811
    job_id = store.create("Markers")
    far = replace(PLATE, outline_mm=((0, 0), (900, 0), (900, 120), (0, 120)))
    far = replace(far, markers=(Marker(7, 880, 20, 25),))
    store.edit(job_id, "Plate", {"plate": far.to_mapping()})
    test = click(page("plate", job_id), "Enter it anew")
    assert "do not fit this plate" in words(test)
    assert not [button for button in test.button if button.label == "Use this plate"]
    assert store.job(job_id).plate.markers == far.markers


def test_the_sheet_is_offered_with_its_caution_on_the_photos_page(store: JobStore):  # noqa: F811
    test = page("photos", store.create("Sheet"))
    sound(test)
    assert "Paper burns" in words(test)
    assert test.get("download_button")
    test.text_input(key="marker numbers").set_value("0-99").run()
    sound(test)
    assert "numbered 0 to 49" in words(test)
    assert not test.get("download_button")


def test_the_plate_page_opens_with_markers_on_it(store: JobStore):  # noqa: F811
    job_id = store.create("Markers")
    store.edit(job_id, "Plate", {"plate": LAID.to_mapping()})
    test = page("plate", job_id)
    sound(test)
    assert "lower left corner" in words(test)


def test_the_fit_page_says_which_markers_hold_the_fit():
    script = """
from types import SimpleNamespace
from mapper.plate import Marker
from mapper.ui.fit_numbers import markers_line
laid = SimpleNamespace(plate=SimpleNamespace(markers=(Marker(3, 9, 9, 9), Marker(7, 9, 9, 9))))
markers_line(laid, SimpleNamespace(residual_points=("D01", "marker 3"), residuals_mm=(0.1, 0.24)))
"""
    test = AppTest.from_string(script).run()
    sound(test)
    assert test.caption[0].value.endswith("3 (0.2 mm). Not seen, or left out: 7.")
