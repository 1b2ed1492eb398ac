"""Two jobs on one plate side by side: routes, pins, parts, and what did not last."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from streamlit.testing.v1 import AppTest

from mapper.plate import Drop, Plate, channel_path_mm
from mapper.rebuild import plan_rebuild, why_not_comparable
from mapper.records import (
    Fates,
    Job,
    JobStore,
    as_built_of,
    fates_of,
    fates_told,
    tables_difference,
    wanted_leads,
)
from mapper.ui import server
from mapper.ui.session import JOB_PARAM
from tests.rebuild_plates import comb_plate

NOW = datetime(2026, 3, 1, 14, 30, tzinfo=UTC)


def entries(plate: Plate | None = None, **more) -> dict:
    plate = plate or comb_plate(2, 3)
    lead = {
        "id": "Z01-H",
        "kind": "heater",
        "drop": "D01",
        "exit": "X1",
        "finished": True,
        "stretches": [{"points_mm": channel_path_mm(plate, "D01", "X1").tolist()}],
    }
    return {"plate": plate.to_mapping(), "lead/Z01-H": lead, **more}


# --- one plate or two ---------------------------------------------------------------


def test_a_plate_is_the_same_wherever_its_outline_begins():
    plate = comb_plate(2, 3)
    turned = replace(plate, outline_mm=plate.outline_mm[2:] + plate.outline_mm[:2])
    assert why_not_comparable(plate, turned) is None
    backwards = replace(plate, outline_mm=plate.outline_mm[::-1])
    assert why_not_comparable(plate, backwards) is None


def test_another_size_another_shape_and_other_drops_are_refused_with_the_reason():
    plate = comb_plate(2, 3)
    assert "240.0 x 200.0 mm" in why_not_comparable(plate, comb_plate(2, 4))
    (x, y) = plate.outline_mm[0]
    cut = replace(plate, outline_mm=((x + 30, y), (x + 30, y + 30), (x, y + 30),
                                     *plate.outline_mm[1:]))  # fmt: skip
    assert "lie up to 30 mm apart" in why_not_comparable(plate, cut)
    moved = replace(plate, drops=tuple(Drop(one.id, one.x_mm + 9, one.y_mm + 9, 40)
                                       for one in plate.drops))  # fmt: skip
    assert "no drop" in why_not_comparable(plate, moved)


@settings(max_examples=30, deadline=None)
@given(st.floats(-30, 30), st.floats(-30, 30))
def test_a_shifted_outline_is_the_same_plate_only_within_a_millimetre(x_mm, y_mm):
    plate = comb_plate(1, 2)
    shifted = tuple((x + x_mm, y + y_mm) for x, y in plate.outline_mm)
    refused = why_not_comparable(plate, replace(plate, outline_mm=shifted)) is not None
    assert refused == (math.hypot(x_mm, y_mm) > 1.0)  # the corner decides


# --- pins and parts -----------------------------------------------------------------


def test_changed_pins_and_parts_are_told_in_words_and_prices_are_not():
    first = Job.from_mapping(entries(**{"zone/Z01": {
        "heater_pin_1": "X1:1", "watts": 500.0, "sensor": "J", "heater_price": 80.0,
        "heater_days": 4.0, "ohm": 100.0}}))  # fmt: skip
    second = Job.from_mapping(entries(**{"zone/Z01": {
        "heater_pin_1": "X1:3", "watts": 630.0, "sensor": "K", "heater_price": 99.0,
        "heater_days": 9.0, "ohm": 77.0}}))  # fmt: skip
    found = tables_difference(first, second)
    assert found["Pins"] == ["Z01: Heater pin was X1:1, is X1:3."]
    assert found["Parts"] == [
        "Z01: Sensor type was J, is K.",
        "Z01: Watts of the zone was 500, is 630.",
    ]
    assert found["Covers"] == []


def test_a_job_without_any_parts_is_one_sentence_and_not_hundreds():
    full = Job.from_mapping(entries(**{f"zone/Z{k:02d}": {"watts": 500.0} for k in range(1, 7)}))
    found = tables_difference(Job.from_mapping(entries()), full)
    assert found["Parts"] == ["Only the second of the two has parts entered."]
    assert found["Pins"] == []


# --- over the takeouts --------------------------------------------------------------


def takeout(year: int, **by_lead: str) -> Fates:
    names = {name.replace("_", "-"): fate for name, fate in by_lead.items()}
    return Fates(f"j{year}", str(year), datetime(year, 5, 1, 12, tzinfo=UTC), names)


def test_a_lead_that_was_replaced_twice_in_a_row_is_told_first():
    told = fates_told(
        [
            takeout(2026, Z03_H="replace", Z01_T="replace", Z09_T="used again"),
            takeout(2022, Z03_H="used again", Z02_H="replace"),
            takeout(2024, Z03_H="broke", Z01_T="used again", Z02_H="used again"),
        ]
    )
    assert told[0] == (
        "Z03-H had to be replaced at the last two takeouts "
        "(2024-05-01 lead broke, 2026-05-01 by its readings)."
    )
    assert told[1].startswith("Z01-T had to be replaced at the last takeout, after 1 on which")
    assert told[2].startswith("Z02-H had to be replaced once (2022-05-01") and len(told) == 3


fate = st.sampled_from(["broke", "replace", "used again", "undecided", None])


@settings(max_examples=60, deadline=None)
@given(st.lists(fate, min_size=1, max_size=6), st.randoms())
def test_the_last_takeouts_are_counted_back_from_the_newest(fates, rng):
    takeouts = [
        takeout(2000 + k, **({} if one is None else {"Z01_H": one})) for k, one in enumerate(fates)
    ]
    rng.shuffle(takeouts)
    told = " ".join(fates_told(takeouts))
    known = [one in ("broke", "replace") for one in fates if one is not None]
    run = 0
    for lost in reversed(known):
        if not lost:
            break
        run += 1
    assert bool(told) == any(known)
    numbers = {2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}
    for number, word in numbers.items():
        assert (f"the last {word} takeouts" in told) == (run == number)


def test_the_fate_of_a_lead_comes_from_the_log_and_the_readings():
    job = Job.from_mapping(
        entries(
            **{
                "zone/Z01": {"volts": 230.0, "watts": 529.0, "ohm": 100.0},
                "zone/Z02": {"volts": 230.0, "watts": 529.0, "ohm": 5.0},
                "done/0001": {"action": "broke", "wire": "Z01-H", "past": [30.0, 60.0],
                              "at": "2026-03-01T10:00:00+00:00"},
            }
        )
    )  # fmt: skip
    fates = fates_of(job)
    assert fates.by_lead["Z01-H"] == "broke" and fates.by_lead["Z02-H"] == "replace"
    assert "Z03-H" not in fates.by_lead and fates.day == "2026-03-01"


# --- the page -----------------------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path, monkeypatch) -> JobStore:
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    return JobStore(tmp_path / "store")


def opened(job_id: str) -> AppTest:
    app = AppTest.from_string(
        "from mapper.ui import compare_page\ncompare_page.show()", default_timeout=60
    )
    app.query_params[JOB_PARAM] = job_id
    app.run()
    assert not app.exception
    return app


def said(app: AppTest) -> str:
    return " ".join(one.proto.body for one in app.get("html"))


def test_any_two_maps_of_two_jobs_on_one_plate_are_compared(store: JobStore):
    old = store.import_job(entries(**{"zone/Z01": {"watts": 500.0}}), name="of 2024")
    built = as_built_of(plan_rebuild(store.job(old).plate, wanted_leads(store.job(old))), "", NOW)
    store.edit(old, "as built", {"as-built": built.to_mapping()})
    new = store.import_job(entries(**{"zone/Z01": {"watts": 630.0}}), name="of 2026")
    app = opened(new)
    names = app.selectbox[1].options
    assert names == [
        "this job, as found (traced)",
        "other job, as found (traced)",
        "other job, as built",
    ]
    assert app.selectbox[1].value == "other job, as built"
    assert app.selectbox[2].value == "this job, as found (traced)"
    assert "11 gone" in said(app) and "Watts of the zone was 500, is 630" in said(app)
    app.selectbox[1].set_value("other job, as found (traced)").run()
    assert "Leads: as before" in said(app) and not app.exception


def test_a_job_on_another_plate_is_refused_with_the_reason(store: JobStore):
    store.import_job(entries(comb_plate(2, 4)), name="wider")
    new = store.import_job(entries(), name="this")
    app = opened(new)
    other = app.selectbox(key="compare job")
    assert other.value == "no other job"
    other.set_value(other.options[1]).run()
    assert "two different plates" in said(app) and not app.exception
