"""Page "Response test": a log in, findings out, the zone table corrected, and all of it undone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

from mapper.bench.corrections import combined, corrected_zones
from mapper.bench.response import judge_log, judge_rises
from mapper.bench.response_log import ResponseLog, read_response_log
from mapper.plate import Plate
from mapper.records import JobStore, RecordsError
from mapper.ui import server
from mapper.ui.response_picture import response_svg
from mapper.ui.session import JOB_PARAM
from tests.plate_thermal import Truth, make_log

SCRIPT = "from mapper.ui import response_page\nresponse_page.show()\n"
NAMES = ["Z01", "Z02", "Z03"]
SWAPPED = np.array([[20.0, 1, 1], [1, 1, 22], [1, -21, 1]])


@pytest.fixture
def store(tmp_path: Path, monkeypatch) -> JobStore:
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    return JobStore(tmp_path / "store")


def page(job_id: str | None) -> AppTest:
    test = AppTest.from_string(SCRIPT, default_timeout=60)
    if job_id is not None:
        test.query_params[JOB_PARAM] = job_id
    test.run()
    assert not test.exception
    return test


def words(test: AppTest) -> str:
    html = [one.proto.body for one in test.get("html")]
    return "\n".join([*html, *(one.value for one in test.markdown)])


def small_job(store: JobStore) -> str:
    job_id = store.create("Small")
    plate = Plate.grid(1, 3, 100, 100, (100, 100), 40, 400, 200, name="small")
    zones = {
        f"zone/{name}": {"volts": 240.0, "watts": 250.0, "sensor": kind, "loop_ohm": ohm,
                         "sensor_pin_plus": f"X1:{n}", "sensor_pin_minus": f"X1:{n + 1}"}
        for n, (name, kind, ohm) in enumerate(
            [("Z01", "J", 10.0), ("Z02", "J", 11.0), ("Z03", "K", 12.0)])
    }  # fmt: skip
    store.edit(job_id, "Enter", {"plate": plate.to_mapping(), **zones})
    return job_id


def csv_of(log: ResponseLog) -> str:
    """The log as a logger in a country of decimal commas writes it."""
    lines = [";".join(["time", *log.sensors, "zone"])]
    for i, at in enumerate(log.time_s):
        on = [log.heaters[h] for h in np.flatnonzero(log.on[i])]
        cells = [f"{c:.2f}".replace(".", ",") if np.isfinite(c) else "" for c in log.temps_c[i]]
        lines.append(";".join([f"{at:.0f}", *cells, *(on or [""])]))
    return "\n".join(lines)


def test_a_log_written_to_a_file_is_judged_as_the_log_itself():
    log = make_log(8, Truth(np.array([1, 0, 2, 3, 4, 5, 6, 7]), {5}), np.random.default_rng(4))
    read = judge_log(read_response_log(csv_of(log).encode()))
    assert read.match.tolist() == [1, 0, 2, 3, 4, 5, 6, 7]
    assert read.reversed_sensors() == ("Z06",)


def test_typed_rises_are_judged_kept_and_the_table_is_corrected_and_undone(store: JobStore):
    job_id = small_job(store)
    entry = judge_rises(NAMES, NAMES, SWAPPED).to_dict()
    store.edit(job_id, "Response test", {"response/0001": {**entry, "source": "typed", "at": ""}})
    before = store.job(job_id).to_mapping()
    test = page(job_id)
    assert "Z02 and Z03 are swapped" in words(test)
    assert "legs are reversed" in words(test)
    button = next(one for one in test.button if one.label == "Correct the zone table")
    button.click().run()
    assert not test.exception
    job = store.job(job_id)
    assert [job.value(f"zone/{name}")["sensor"] for name in NAMES] == ["J", "K", "J"]
    # Sensor Z02 fell: it now belongs to zone Z03, with its two pins turned round.
    assert job.value("zone/Z03")["sensor_pin_plus"] == "X1:2"
    assert "corrected from this test" in words(test)
    assert not [one for one in test.button if one.label == "Correct the zone table"]
    store.undo(job_id)
    assert store.job(job_id).to_mapping() == before


def test_heater_data_stay_with_the_heater():
    zones = {"Z01": {"watts": 100.0, "sensor": "J"}, "Z02": {"watts": 200.0, "sensor": "K"}}
    swapped = judge_rises(["Z1", "Z2"], ["Z1", "Z2"], np.array([[1.0, 20], [20, 1]]))
    assert corrected_zones(zones, swapped) == {
        "Z01": {"watts": 100.0, "sensor": "K"},
        "Z02": {"watts": 200.0, "sensor": "J"},
    }


def test_a_second_test_of_some_heaters_settles_what_was_not_clear():
    first = judge_rises(NAMES, NAMES, np.array([[20.0, 17, 1], [17, 19, 1], [1, 1, 22]]))
    later = judge_rises(["Z01", "Z02"], NAMES, np.array([[20.0, 5, 1], [5, 19, 1]]))
    assert first.test_again == ("Z01", "Z02")
    assert combined(first, later).right == tuple(NAMES)


def test_an_entry_that_is_no_test_is_refused(store: JobStore):
    job_id = small_job(store)
    with pytest.raises(RecordsError, match="damaged"):
        store.edit(job_id, "x", {"response/0001": {"heaters": ["Z01"]}})


def test_page_without_job_and_with_an_empty_one(store: JobStore):
    assert "No job is open" in words(page(None))
    page(store.create("New"))


def test_picture_writes_every_number_of_a_small_plate_and_escapes_names():
    result = judge_rises(["<b>", "Z02"], ["Z01", "Z02"], np.array([[20.0, 1.5], [np.nan, -18]]))
    svg = response_svg(result)
    assert "<b>" not in svg and "&lt;b&gt;" in svg
    assert all(text in svg for text in (">20<", ">1.5<", ">–<", "↓-18"))
