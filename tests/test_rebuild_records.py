"""What a job keeps of its rebuild comes back as it was, and is refused when it makes no sense."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from mapper.plate import channel_path_mm
from mapper.pulling import plan_pull, safe_now
from mapper.rebuild import plan_rebuild
from mapper.records import (
    AsBuilt,
    Job,
    JobStore,
    RecordsError,
    ShiftNote,
    as_built_of,
    import_route_map,
    wanted_leads,
)
from mapper.routes import route_map_to_mapping
from tests.rebuild_plates import comb_plate

AT = datetime(2026, 3, 1, 14, 30, tzinfo=UTC)


def a_job(**entries) -> Job:
    return Job.from_mapping({"plate": comb_plate(2, 3).to_mapping(), **entries})


def test_every_drop_wants_its_heater_and_thermocouple_lead():
    wanted = wanted_leads(a_job())
    assert [one.id for one in wanted[:3]] == ["Z01-H", "Z01-T", "Z02-H"]
    assert len(wanted) == 12 and {one.diameter_mm for one in wanted} == {2.5, 2.0}


def test_a_traced_lead_keeps_its_measured_diameter_and_a_wish_for_a_lost_channel_is_left_out():
    path = channel_path_mm(comb_plate(2, 3), "D01")
    lead = {
        "id": "Z01-H",
        "kind": "heater",
        "drop": "D01",
        "diameter_mm": 3.3,
        "stretches": [{"points_mm": path.tolist()}],
    }
    wishes = {"channels": {"Z01-H": "gone", "Z01-T": "left"}, "exits": {"Z02-T": "X2"}}
    job = a_job(**{"lead/Z01-H": lead, "rebuild": wishes})
    wanted = {one.id: one for one in wanted_leads(job)}
    assert wanted["Z01-H"].diameter_mm == 3.3 and wanted["Z01-H"].channel is None
    assert wanted["Z01-T"].channel == "left" and wanted["Z02-T"].exit == "X2"


def test_an_accepted_plan_comes_back_from_the_store_and_undo_takes_it_away(tmp_path):
    store = JobStore(tmp_path)
    job_id = store.import_job(a_job().to_mapping())
    job = store.job(job_id)
    plan = plan_rebuild(job.plate, wanted_leads(job))
    store.edit(job_id, "Accept", {"as-built": as_built_of(plan, "Kim", AT).to_mapping()})
    kept = store.job(job_id).as_built
    assert [wire for wire, _ in kept.install] == [one.lead.id for one in plan.leads]
    assert kept.by == "Kim" and kept.at == AT
    assert plan_pull(kept.laid_map).status == "complete"
    store.undo(job_id)
    assert store.job(job_id).as_built is None


def test_notes_come_newest_first():
    first = ShiftNote("a1", "look at Z03-H first", "Kim", AT)
    second = ShiftNote("b2", "exit X1 is sharp", "Lou", AT.replace(hour=22))
    job = a_job(**{f"note/{one.id}": one.to_mapping() for one in (first, second)})
    assert job.notes == (second, first)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("rebuild", {"settings": {"fill_limit": 0}}),
        ("rebuild", {"settings": {"bend_radius_mm": "wide"}}),
        ("rebuild", {"channels": ["left"]}),
        ("rebuild", {"diameters_mm": {"heater": -1}}),
        ("as-built", {"laid_map": {"format": "other"}}),
        ("as-built", {}),
        ("note/a1", {"text": "  "}),
        ("note/a1", {"text": "late", "at": "yesterday"}),
    ],
)
def test_entries_that_make_no_sense_are_refused(key, value):
    with pytest.raises(RecordsError):
        Job.from_mapping({key: value})


def test_the_as_built_map_is_the_same_after_its_mapping():
    plate = comb_plate(2, 3)
    built = as_built_of(plan_rebuild(plate, wanted_leads(a_job())), "", AT)
    again = AsBuilt.from_mapping(built.to_mapping())
    assert again.laid_map.leads == built.laid_map.leads and again.install == built.install


def test_a_plan_that_nobody_confirmed_frees_no_lead_that_meets_another():
    plate = comb_plate(2, 3)
    built = as_built_of(plan_rebuild(plate, wanted_leads(a_job())), "", AT)
    careful = built.route_map
    assert careful.crossings and all(one.top is None for one in careful.crossings)
    meeting = {name for one in careful.crossings for name in (one.a, one.b)}
    assert not meeting & set(safe_now(careful).pull)
    assert plan_pull(careful).status == "needs-a-look"
    confirmed = replace(built, confirmed=True)
    assert AsBuilt.from_mapping(confirmed.to_mapping()).confirmed
    assert plan_pull(confirmed.route_map).status == "complete"
    entries = import_route_map(json.dumps(route_map_to_mapping(careful)).encode())
    assert not [key for key in entries if key.startswith("judged/")]
