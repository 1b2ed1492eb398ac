"""Each lead leaves by the exit of its connector, unless a person fixed it otherwise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from streamlit.testing.v1 import AppTest

from mapper.bench import BenchError, connectors_in, exits_by_pins, read_connectors
from mapper.bench.connectors import connector_of
from mapper.plate import Channel, Exit
from mapper.rebuild import RebuildSettings, WantedLead, plan_rebuild
from mapper.records import Job, JobStore, RecordsError, next_job_entries, pin_exits, wanted_leads
from mapper.ui import server
from mapper.ui.session import JOB_PARAM
from tests.rebuild_plates import comb_plate, two_leads_per_drop

LEADS = [("Z01-H", "heater"), ("Z01-T", "thermocouple")]


def a_job(zones: dict, connectors: dict | None = None, **entries) -> Job:
    values = {"plate": comb_plate(2, 3).to_mapping(), **entries}
    values |= {f"zone/{zone}": data for zone, data in zones.items()}
    if connectors is not None:
        values["pins"] = {"spare": "", "connectors": connectors}
    return Job.from_mapping(values)


def test_a_pin_names_its_connector_as_iec_61666_writes_a_terminal():
    written = ("X1:7", "x1 : 07", "-X1:7", "A7", "7")
    assert [connector_of(pin) for pin in written] == ["X1", "X1", "X1", "", ""]


def test_the_leads_of_a_connector_leave_by_its_exit():
    zones = {
        "Z01": {"heater_pin_1": "P1:1", "heater_pin_2": "P1:2", "sensor_pin_plus": "P2:1"},
        "Z02": {"heater_pin_1": "p3:01"},
    }
    job = a_job(zones, {"P1": "X1", "P2": "X2", "P3": "X2"})  # X2 carries two connectors
    wanted = {one.id: one.exit for one in wanted_leads(job)}
    assert (wanted["Z01-H"], wanted["Z01-T"], wanted["Z02-H"]) == ("X1", "X2", "X2")
    assert wanted["Z02-T"] is None and wanted["Z05-H"] is None
    found = pin_exits(job)
    assert found.conflicts == () and found.pins["Z01-H"] == ("P1:1", "P1:2")
    assert "Z01-T has to leave by exit X2" in found.because["Z01-T"]
    assert connectors_in(zones.items()) == {"P1": 2, "P2": 1, "P3": 1}


def test_the_plan_keeps_to_the_connectors():
    zones = {f"Z{k:02d}": {"heater_pin_1": f"H:{k}", "sensor_pin_plus": f"T:{k}"} for k in (1, 2)}
    job = a_job(zones, {"H": "X1", "T": "X2"})
    plan = plan_rebuild(job.plate, wanted_leads(job))
    at = {one.lead.id: one.lead.exit for one in plan.leads}
    assert {at["Z01-H"], at["Z02-H"]} == {"X1"} and {at["Z01-T"], at["Z02-T"]} == {"X2"}


def test_a_lead_fixed_by_hand_goes_there_and_the_conflict_is_told():
    zones = {"Z01": {"heater_pin_1": "P1:1"}}
    job = a_job(zones, {"P1": "X1"}, rebuild={"exits": {"Z01-H": "X2", "Z02-H": "X2"}})
    assert {one.id: one.exit for one in wanted_leads(job)}["Z01-H"] == "X2"
    (told,) = pin_exits(job).conflicts
    assert "Z01-H is fixed to exit X2 by hand, but its connector is at exit X1" in told


def test_two_pins_of_one_lead_at_two_exits_bind_it_to_none_and_are_told():
    zones = {"Z01": {"heater_pin_1": "P1:1", "heater_pin_2": "P2:1"}}
    job = a_job(zones, {"P1": "X1", "P2": "X2"})
    assert {one.id: one.exit for one in wanted_leads(job)}["Z01-H"] is None
    (told,) = pin_exits(job).conflicts
    assert "Z01-H can't leave by two exits" in told and "P2:1" in told


def test_an_exit_that_is_gone_binds_nothing_and_is_told():
    job = a_job({"Z01": {"heater_pin_1": "P1:1"}}, {"P1": "X9"})
    assert all(one.exit is None for one in wanted_leads(job))
    (told,) = pin_exits(job).conflicts
    assert "X9" in told and "not on the plate" in told


pins = st.one_of(st.none(), st.builds("{}:{}".format, st.sampled_from("AB"), st.integers(1, 99)))


@settings(max_examples=60, deadline=None)
@given(st.lists(pins, min_size=4, max_size=4), st.booleans())
def test_without_exits_of_connectors_or_without_pins_nothing_changes(four, empty):
    keys = ("heater_pin_1", "heater_pin_2", "sensor_pin_plus", "sensor_pin_minus")
    data = {key: pin for key, pin in zip(keys, four, strict=True) if pin}
    assert not exits_by_pins(LEADS, {"Z01": data}, {}, ["X1"]).exits
    exit_of = {"A": "X1", "B": "X2"}
    found = exits_by_pins(LEADS, {} if empty else {"Z01": data}, exit_of, ["X1", "X2"])
    for lead, two in (("Z01-H", four[:2]), ("Z01-T", four[2:])):
        ways = set() if empty else {exit_of[pin[0]] for pin in two if pin}
        assert found.exits.get(lead) == (ways.pop() if len(ways) == 1 else None)
    assert len(found.conflicts) == sum(
        not empty and {pin[0] for pin in two if pin} == {"A", "B"} for two in (four[:2], four[2:])
    )


@pytest.mark.parametrize("value", [["P1"], {"P1": 3}, "X1", 7])
def test_damaged_exits_of_connectors_are_refused(value):
    with pytest.raises(BenchError):
        read_connectors(value)
    with pytest.raises(RecordsError):
        Job.from_mapping({"pins": {"connectors": value}})


def test_the_exits_of_the_connectors_go_over_to_the_next_job():
    job = a_job({"Z01": {"heater_pin_1": "P1:1"}}, {"P1": "X2"})
    new = Job.from_mapping(next_job_entries(job, "next"))
    assert new.connectors == {"P1": "X2"} and pin_exits(new).exits == {"Z01-H": "X2"}


def test_the_channel_that_is_too_small_for_one_connector_is_proved():
    # 12 leads of 2.5 and 2 mm take 48.3 mm2; the trunk to X1 has 0.4 * 10 * 10 = 40 mm2.
    plate = comb_plate(2, 3)
    channels = tuple(
        replace(one, width_mm=10.0, depth_mm=10.0) if one.id == "left" else one
        for one in plate.channels
    )
    plate = replace(plate, channels=channels)
    free = two_leads_per_drop(plate)
    assert plan_rebuild(plate, free, RebuildSettings(bend_radius_mm=3.0)).status == "planned"
    bound = [replace(one, exit="X1") for one in free]
    found = plan_rebuild(plate, bound, RebuildSettings(bend_radius_mm=3.0)).bottleneck
    assert found.proven and found.channels == ("left",) and "to exit X1" in found.words


def test_a_lead_with_no_way_to_its_connector_is_told_and_named():
    plate = comb_plate(1, 2)
    far = Channel("far", ((0.0, 5.0), (10.0, 5.0)), 10.0, 10.0)
    plate = replace(plate, channels=(*plate.channels, far), exits=(*plate.exits, Exit("X3", 0, 5)))
    plan = plan_rebuild(plate, [WantedLead("Z01-H", "heater", "D01", 2.5, exit="X3")])
    assert plan.status == "does not fit" and "by its connector" in plan.bottleneck.words


def test_the_page_asks_for_the_exit_of_each_connector_and_plans_by_it(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path))
    store = JobStore(tmp_path)
    job_id = store.import_job(a_job({"Z06": {"heater_pin_1": "P1:1"}}).to_mapping(), name="j")
    script = "from mapper.ui import rebuild_page\nrebuild_page.show()"
    app = AppTest.from_string(script, default_timeout=60)
    app.query_params[JOB_PARAM] = job_id
    app.run()
    (field,) = [one for one in app.selectbox if one.label.startswith("P1")]
    field.set_value("X1")
    next(one for one in app.button if one.label == "Keep these exits").click().run()
    assert not app.exception
    job = store.job(job_id)
    assert job.connectors == {"P1": "X1"} and job.undo_label == "Exits of the connectors"
    table = app.dataframe[0].value.set_index("Lead")
    assert table.loc["Z06-H", "Exit"] == "X1" and table.loc["Z06-H", "Pins"] == "P1:1"
