"""Page "Parts": filled from a file, by "all the same", from an earlier job; pins; limits."""

from __future__ import annotations

import io
from pathlib import Path

import openpyxl
import pytest
from streamlit.testing.v1 import AppTest

from mapper.bench import Zone
from mapper.bench.parts import typed_value
from mapper.plate import Plate
from mapper.records import JobStore
from mapper.ui import server
from mapper.ui.session import JOB_PARAM
from mapper.ui.zone_table import keep_rows
from tests.test_pages import click, sound, words

SCRIPT = "from mapper.ui import {name}\n{name}.show()\n"


@pytest.fixture
def store(tmp_path: Path, monkeypatch) -> JobStore:
    """An empty store that the pages work on."""
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    return JobStore(tmp_path / "store")


def job_with_plate(store: JobStore, name: str = "Three drops") -> str:
    job_id = store.create(name)
    plate = Plate.grid(1, 3, 100, 100, (100, 100), 40, 400, 200, name="small")
    store.edit(job_id, "Enter the plate", {"plate": plate.to_mapping()})
    return job_id


def opened(job_id: str, name: str = "parts_page") -> AppTest:
    test = AppTest.from_string(SCRIPT.format(name=name), default_timeout=60)
    test.query_params[JOB_PARAM] = job_id
    return test.run()


def data_of(store: JobStore, job_id: str) -> dict:
    return {zone.id: dict(zone.data) for zone in store.job(job_id).zones}


def workbook() -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Parts of the plate"])
    sheet.append(["Zone", "Volts", "Watts", "Type", "Heater price", "TC price", "Odd"])
    sheet.append([1, 240, 250, "J", "95,50", 41, "x"])
    sheet.append(["Z2", 240, "abc", "K", 95.5, None, None])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_spreadsheet_is_shown_first_then_taken_in_and_undone(store: JobStore):
    job_id = job_with_plate(store)
    zones = list(data_of(store, job_id))
    test = opened(job_id)
    sound(test)
    test.file_uploader[0].set_value(("parts.xlsx", workbook(), "application/octet-stream")).run()
    sound(test)
    assert "abc is no number" in words(test).replace("\\", "")
    assert data_of(store, job_id) == dict.fromkeys(zones, {})
    sound(click(test, "Take in 2 zones"))
    data = data_of(store, job_id)
    assert data[zones[0]] == {
        "volts": 240.0,
        "watts": 250.0,
        "sensor": "J",
        "heater_price": 95.5,
        "sensor_price": 41.0,
    }
    assert data[zones[1]] == {"volts": 240.0, "sensor": "K", "heater_price": 95.5}
    click(opened(job_id), "Undo")
    assert data_of(store, job_id) == dict.fromkeys(zones, {})


class Keeper:
    """Stands for the open job: notes what an edit would keep."""

    def __init__(self):
        self.edits: list[dict] = []

    def edit(self, label, changes):
        self.edits.append(dict(changes))
        return False  # no new run of the page


def test_typed_rows_are_kept_as_one_edit_or_not_at_all():
    zones = (Zone("Z01", {"volts": 230.0, "ohm": 211.6}), Zone("Z02"))
    columns = {"volts": "Volts", "heater_price": "Price"}
    rows = [{"Zone": "Z01", "Volts": "", "Price": "95,5"}, {"Zone": "Z02", "Volts": "240 V"}]
    ctx = Keeper()
    keep_rows(ctx, zones, rows, columns, typed_value, "heater parts")
    assert ctx.edits == [
        {"zone/Z01": {"ohm": 211.6, "heater_price": 95.5}, "zone/Z02": {"volts": 240.0}}
    ]
    rows[1]["Volts"] = "lots"
    keep_rows(ctx, zones, rows, columns, typed_value, "heater parts")
    assert len(ctx.edits) == 1


def test_bad_file_gets_one_sentence(store: JobStore):
    test = opened(job_with_plate(store))
    test.file_uploader[0].set_value(("parts.xlsx", b"PK\x03\x04 cut", "application/x")).run()
    sound(test)
    assert "The spreadsheet can" in words(test)


def test_all_the_same_and_from_an_earlier_job(store: JobStore):
    first, second = job_with_plate(store, "first"), job_with_plate(store, "second")
    test = opened(first)
    next(one for one in test.text_input if one.label == "Volts").input("230")
    next(one for one in test.text_input if one.label == "Heater price").input("95,5")
    sound(click(test, "Enter this for every zone"))
    assert all(d == {"volts": 230.0, "heater_price": 95.5} for d in data_of(store, first).values())
    test = opened(second)
    next(one for one in test.selectbox if one.label == "Job").set_value(first).run()
    sound(click(test, "Take in the parts of 3 zones"))
    assert data_of(store, second) == data_of(store, first)


def test_limits_go_back_to_their_source(store: JobStore):
    job_id = job_with_plate(store)
    store.edit(job_id, "Limits", {"limits": {"insulation_mohm": 5.0, "power_plus": 0.1}})
    test = opened(job_id)
    sound(test)
    assert "Set anew for this job: 2" in words(test)
    sound(click(test, "Back to 1 MΩ"))
    assert dict(store.job(job_id).limits.own) == {"power_plus": 0.1}
    sound(click(opened(job_id), "Back to 5 %"))
    assert store.job(job_id).limits.own == {}


def test_pins_entered_twice_are_named(store: JobStore):
    job_id = job_with_plate(store)
    zones = list(data_of(store, job_id))
    pins = {"heater_pin_1": "X1:1", "heater_pin_2": "X1:2"}
    store.edit(job_id, "Pins", {f"zone/{zone}": pins for zone in zones[:2]})
    test = opened(job_id)
    sound(test)
    assert "X1:1 is entered 2 times" in words(test).replace("\\", "")


def test_zone_of_a_manifold_is_added_and_taken_out(store: JobStore):
    job_id = job_with_plate(store)
    test = opened(job_id)
    next(one for one in test.text_input if one.label == "Name of the zone").input("M1")
    sound(click(test, "Add this zone"))
    assert "M1" in data_of(store, job_id)
    sound(click(opened(job_id), "Take this zone out"))
    assert "M1" not in data_of(store, job_id)


def test_salvage_page_counts_orders_and_compares(store: JobStore):
    job_id = job_with_plate(store)
    zones = list(data_of(store, job_id))
    lost = {"volts": 240, "watts": 250, "ohm": "open", "heater_price": 90.0, "heater_days": 12}
    store.edit(job_id, "Readings", {f"zone/{zones[0]}": lost})
    test = opened(job_id, "salvage_page")
    sound(test)
    assert "1 replace" in words(test) and "longest lead time 12 days" in words(test)
    next(one for one in test.text_input if one.label == "Hours of work in-house").input("8,5")
    next(one for one in test.text_input if one.label == "Cost of one hour").input("50")
    sound(click(test, "Keep these numbers"))
    costs = store.job(job_id).costs
    assert (costs.hours, costs.rate, costs.quote) == (8.5, 50, None)
    assert "Missing: Quote" in words(opened(job_id, "salvage_page")).replace("\\", "")
