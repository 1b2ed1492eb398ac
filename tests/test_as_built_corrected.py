"""One lead of the as-built map is corrected; nothing that nobody saw is ever taken as seen."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from streamlit.testing.v1 import AppTest

from mapper.plate import channel_path_mm
from mapper.pulling import safe_now
from mapper.rebuild import RebuildSettings, lead_ways, plan_rebuild
from mapper.records import (
    AsBuilt,
    Correction,
    Job,
    JobStore,
    RecordsError,
    as_built_of,
    corrected_by_way,
    corrected_from_job,
    next_job_entries,
    rename_changes,
)
from mapper.ui import server
from mapper.ui.session import JOB_PARAM
from tests.rebuild_plates import comb_plate, random_plate, two_leads_per_drop

AT = datetime(2026, 3, 1, 14, 30, tzinfo=UTC)
EASY = RebuildSettings(bend_radius_mm=3.0)


def laid(plate) -> AsBuilt:
    plan = plan_rebuild(plate, two_leads_per_drop(plate), EASY)
    return replace(as_built_of(plan, "Kim", AT), confirmed=True)


def test_the_ways_of_a_lead_are_the_ways_of_the_channels_shortest_first():
    # By hand: from D01 at (60, 130) left along R2 to x = 30 and down to X1 is 30 + 130 mm; right
    # past D02 and D03 to x = 210 and down is 150 + 130; left, down to R1, along it and down
    # to X2 is 30 + 70 + 180 + 60.
    plate = comb_plate(2, 3)
    ways = lead_ways(plate, "D01")
    assert [(one.exit, one.channels) for one in ways[:2]] == [
        ("X1", ("R2", "left")),
        ("X2", ("R2", "right")),
    ]
    assert [one.length_mm for one in ways[:2]] == [pytest.approx(160), pytest.approx(280)]
    assert ways[2].channels == ("R2", "left", "R1", "right")
    assert ways[2].length_mm == pytest.approx(30 + 70 + 180 + 60)
    assert ways[0].aside_mm == 15.0  # half of the trunk's 30 mm
    assert lead_ways(plate, "D99") == ()


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_first_way_is_the_shortest_and_none_comes_twice(seed):
    plate = random_plate(seed)
    for drop in plate.drops:
        ways = lead_ways(plate, drop.id)
        path = channel_path_mm(plate, drop.id)  # Dijkstra, from the drop's centre to the exit
        assert (path is None) == (not ways)
        if ways:
            shortest = float(np.hypot(*np.diff(path, axis=0).T).sum())
            assert ways[0].length_mm == pytest.approx(shortest, abs=2.0)
            lengths = [one.length_mm for one in ways]
            assert lengths == pytest.approx(sorted(lengths), abs=2.0)
            assert len({one.points_mm.tobytes() for one in ways}) == len(ways)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), which=st.integers(0, 99), name=st.text(max_size=20))
def test_a_corrected_lead_is_open_wherever_it_meets_another_and_the_rest_stays(seed, which, name):
    plate = random_plate(seed)
    if plan_rebuild(plate, two_leads_per_drop(plate), EASY).status != "planned":
        return
    built = laid(plate)
    lead = built.laid_map.leads[which % len(built.laid_map.leads)]
    ways = lead_ways(plate, lead.drop)
    made = corrected_by_way(built, lead.id, ways[which % len(ways)], name, AT)
    meetings = made.route_map.crossings

    def others(found) -> list:
        return [
            (one.a, one.b, one.kind, one.top, round(one.x_mm, 6), round(one.y_mm, 6))
            for one in found
            if lead.id not in (one.a, one.b)
        ]

    assert others(meetings) == others(built.laid_map.crossings)
    assert all(one.top is None for one in meetings if lead.id in (one.a, one.b))
    if any(lead.id in (one.a, one.b) for one in meetings):
        assert lead.id not in safe_now(made.route_map).pull
    assert AsBuilt.from_mapping(made.to_mapping()).to_mapping() == made.to_mapping()
    assert made.corrections[-1].wire == lead.id and made.corrections[-1].by == name


def test_a_lead_on_a_chosen_way_meets_all_that_share_its_channel():
    # Its true lane is unknown: every lead of the trunk may touch it, whatever lane that has.
    built = laid(comb_plate(2, 3))
    way = next(one for one in lead_ways(comb_plate(2, 3), "D06") if one.exit == "X1")
    made = corrected_by_way(built, "Z06-H", way, "Kim", AT).route_map
    left = {one.id for one in made.leads if one.exit == "X1"} - {"Z06-H"}
    met = {name for one in made.crossings if "Z06-H" in (one.a, one.b) for name in (one.a, one.b)}
    assert left and left <= met


def test_an_unconfirmed_map_stays_as_careful_after_a_correction():
    built = replace(laid(comb_plate(2, 3)), confirmed=False)
    way = lead_ways(built.laid_map.plate, "D01")[1]
    made = corrected_by_way(built, "Z01-H", way, "", AT)
    assert not made.confirmed and made.route_map.unseen_error_mm == max(4.0, way.aside_mm)
    assert all(one.top is None for one in made.route_map.crossings)


def traced_job(**more) -> Job:
    plate = comb_plate(2, 3)
    points = channel_path_mm(plate, "D01", "X2").tolist()
    lead = {"id": "Z01-H", "kind": "heater", "drop": "D01", "exit": "X2", "finished": True,
            "stretches": [{"points_mm": points}], **more}  # fmt: skip
    values = {"about": {"name": "rebuilt"}, "plate": plate.to_mapping(), "lead/Z01-H": lead}
    return Job.from_mapping(values)


def test_a_lead_is_taken_as_another_job_traced_it_when_it_is_traced_to_its_end():
    built = laid(comb_plate(2, 3))
    made = corrected_from_job(built, "Z01-H", traced_job(), "Lou", AT)
    new = made.laid_map.leads_by_id["Z01-H"]
    assert new.exit == "X2" and all(new.seen) and new.diameter_mm == 2.5
    assert made.corrections == (Correction("Z01-H", "as traced in the job rebuilt", "Lou", AT),)
    assert made.confirmed and len(made.laid_map.leads) == 12
    for bad in ({"finished": False}, {"drop": "D02"}, {"stretches": []}):
        with pytest.raises(RecordsError):
            corrected_from_job(built, "Z01-H", traced_job(**bad), "Lou", AT)
    with pytest.raises(RecordsError, match="no lead"):
        corrected_by_way(built, "Z99-H", lead_ways(comb_plate(2, 3), "D01")[0], "", AT)


def test_corrections_follow_a_renamed_lead_and_stay_with_the_old_job():
    job = traced_job()
    made = corrected_from_job(laid(job.plate), "Z01-H", job, "Lou", AT)
    job = Job.from_mapping({**job.to_mapping(), "as-built": made.to_mapping()})
    changes = rename_changes(job, "Z01-H", "spare heater")
    assert changes["as-built"]["corrections"][0]["wire"] == "spare heater"
    assert "as-built" not in next_job_entries(job, "next")


@pytest.mark.parametrize("value", ["x", [3], [{"how": "x"}], [{"wire": "a", "at": "soon"}]])
def test_damaged_corrections_are_refused(value):
    mapping = {**laid(comb_plate(1, 2)).to_mapping(), "corrections": value}
    with pytest.raises(RecordsError):
        Job.from_mapping({"as-built": mapping})


def test_a_person_corrects_a_lead_on_the_page_and_undo_takes_it_back(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path))
    store = JobStore(tmp_path)
    plate = comb_plate(2, 3)
    built = laid(plate)
    entries = {"plate": plate.to_mapping(), "as-built": built.to_mapping(),
               "about": {"person": "Kim"}}  # fmt: skip
    job_id = store.import_job(entries, name="j")
    app = AppTest.from_string(
        "from mapper.ui import rebuild_page\nrebuild_page.show()", default_timeout=60
    )
    app.query_params[JOB_PARAM] = job_id
    app.run()
    app.selectbox(key="correct lead").set_value("Z01-H").run()
    ways = app.selectbox(key="correct way Z01-H")
    assert ways.value == 0  # as it lies now
    ways.set_value(1).run()
    next(one for one in app.button if one.label == "Keep this way").click().run()
    assert not app.exception
    made = store.job(job_id).as_built
    length = made.laid_map.leads_by_id["Z01-H"].length_mm
    assert math.isclose(length, 280.0) and made.corrections[0].by == "Kim"
    (edit,) = store.history(job_id)
    assert (edit.label, edit.by) == ("Correct Z01-H as built", "Kim")
    store.undo(job_id)
    assert store.job(job_id).as_built.to_mapping() == built.to_mapping()
