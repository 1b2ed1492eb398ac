"""Covers, nozzles and heaters of a job (common practice, no source).

The judge of random cases is plain geometry in this file; it shares no code with the package.
"""

from __future__ import annotations

import json
from random import Random

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.cli import main
from mapper.pulling import cover_outlines, plan_pull
from mapper.records import (
    EditConflict,
    Job,
    JobStore,
    RecordsError,
    cover_changes,
    export_route_map,
    import_route_map,
    takeout_changes,
    tick_changes,
)
from tests.test_log_records import NO_CHANNELS, free, ticked, with_changes
from tests.test_records_job import job_of, lead

# Two channels, one above the other; each drop's lead runs in one of them.
PLATE = {
    **NO_CHANNELS,
    "channels": [
        {"id": "C1", "points": [[60, 100], [60, 50], [300, 50]], "width": 14, "depth": 15},
        {"id": "C2", "points": [[120, 100], [120, 20], [300, 20]], "width": 14, "depth": 15},
    ],
}
ROUTES = {
    "Z01-H": ((60, 100), (60, 50), (300, 50)),
    "Z02-H": ((120, 100), (130, 100), (130, 70), (120, 70), (120, 20), (300, 20)),
}


def covered(*stretches_mm: tuple[str, float, float], plate=PLATE) -> Job:
    """Two leads that cross nowhere but at (120, 50), where the first lies on top."""
    job = job_of(
        lead("Z01-H", *ROUTES["Z01-H"]),
        lead("Z02-H", *ROUTES["Z02-H"], exit="X2"),
        plate=plate,
        settings={"leads_per_drop": ["H"]},
        judged__1={"a": "Z01-H", "b": "Z02-H", "x": 120, "y": 50, "top": "a"},
    )
    for stretch_mm in stretches_mm:
        job = with_changes(job, cover_changes(job, "cover", stretch_mm=stretch_mm))
    return job


def steps(job: Job) -> list[str]:
    return [step.wire for step in plan_pull(job.teardown.route_map, job.teardown.done).steps]


def test_a_lead_under_a_cover_waits_until_the_cover_is_off():
    job = covered(("C1", 100, 150))
    assert free(job) == ("cover 1",) and steps(job)[0] == "cover 1"
    assert job.refusals({"action": "pull", "wire": "Z01-H"})
    off = ticked(job, "pull", "cover 1")
    assert [(one.action, one.wire) for one in off.done] == [("took off", "cover 1")]
    assert free(off) == ("Z01-H",) and off.teardown.findings == ()
    on = ticked(off, "put back", "cover 1")
    assert free(on) == ("cover 1",)


def test_all_drops_give_their_nozzle_and_heater_after_their_leads():
    job = covered()
    for drop in ("D01", "D02"):
        more = takeout_changes(job, drop, nozzle=True, heater=True, thermocouple="at the front")
        job = with_changes(job, more)
    assert set(steps(job)) == {
        "Z01-H", "Z02-H", "nozzle D01", "nozzle D02", "heater D01", "heater D02",
    }  # fmt: skip
    assert steps(job).index("heater D01") > steps(job).index("Z01-H")
    assert job.refusals({"action": "took off", "wire": "nozzle D02"})
    assert job.takeouts["D01"].thermocouple == "at the front"


def test_a_cover_on_a_channel_that_is_gone_or_moved_holds_every_lead():
    for channels in ([], [{**PLATE["channels"][0], "points": [[60, 100], [60, 90], [300, 90]]}]):
        job = with_changes(covered(("C1", 100, 150)), {"plate": {**PLATE, "channels": channels}})
        assert free(job) == ("cover 1",)
        assert any("cover 1" in sentence for sentence in job.warnings())


def test_a_new_cover_never_takes_the_name_of_one_that_came_off():
    job = ticked(covered(("C1", 100, 150)), "pull", "cover 1")
    job = with_changes(job, {"cover/cover 1": None})
    assert list(cover_changes(job, "cover", channels=["C1"])) == ["cover/cover 2"]
    assert job.teardown.findings  # the mark stays, and what it meant is told


@pytest.mark.parametrize(
    "value",
    [
        {},
        {"over": []},
        {"over": [{"channel": 3}]},
        {"over": [{"channel": "C1", "from_mm": 5, "to_mm": 2}]},
        {"over": [{"channel": "C1", "from_mm": float("inf")}]},
        {"over": [{"channel": "C1", "ends": [[1, 2]]}]},
        {"over": [{"channel": "C1", "ends": [None, [1, 2]]}]},
        {"outline": [[0, 0], [1, 1]]},
        {"outline": [[0, 0], [1, 1], "x"]},
        {"kind": "lid", "over": [{"channel": "C1"}]},
        {"over": [{"channel": "C1"}], "outline": [[0, 0], [1, 0], [1, 1]]},
        "cover",
    ],
)
def test_a_damaged_cover_is_refused_in_a_sentence(value):
    with pytest.raises(RecordsError):
        Job.from_mapping({"cover/cover 1": value})


@pytest.mark.parametrize("value", [{"nozzle": 1}, {"thermocouple": "sideways"}, 3])
def test_a_damaged_takeout_is_refused_in_a_sentence(value):
    with pytest.raises(RecordsError):
        Job.from_mapping({"takeout/D01": value})


def test_a_cover_over_no_channel_of_the_plate_is_refused():
    with pytest.raises(RecordsError, match="no channel"):
        cover_changes(covered(), "cover", stretch_mm=("C9", 0, 10))
    with pytest.raises(RecordsError, match="290 mm long"):
        cover_changes(covered(), "cover", stretch_mm=("C1", 100, 400))
    with pytest.raises(RecordsError):
        cover_changes(covered(), "cover")


def test_a_cover_over_everything_is_drawn_on_the_plate_only():
    job = with_changes(covered(("C1", 100, 150)), {"plate": {**PLATE, "channels": []}})
    (cover,) = job.parts.parts
    for outline in cover_outlines(job.route_map(), cover):
        assert outline.min() >= 0 and outline[:, 0].max() <= 300 and outline[:, 1].max() <= 150


def test_parts_are_kept_undone_and_guarded_against_a_second_window(tmp_path):
    store = JobStore(tmp_path / "store")
    job = store.job(store.import_job(covered().to_mapping()))
    old = job
    job = store.edit(job.id, "cover", cover_changes(job, "cover", channels=["C1"]), expected=job)
    assert free(job) == ("cover 1",)
    with pytest.raises(EditConflict, match="a cover"):
        store.edit(
            job.id, "out", tick_changes(old, "pull", "Z01-H"), expected=old, depends_on=["cover"]
        )
    job = store.undo(job.id)
    assert free(job) == ("Z01-H",) and job.covers == ()
    assert store.redo(job.id).covers[0].id == "cover 1"


def test_parts_go_into_the_route_map_file_and_come_back(tmp_path, capsys):
    job = covered(("C1", 100, 150))
    job = with_changes(
        job, takeout_changes(job, "D01", nozzle=True, heater=False, thermocouple="at the front")
    )
    data = export_route_map(job)
    again = Job.from_mapping(import_route_map(data))
    assert (again.covers, dict(again.takeouts)) == (job.covers, dict(job.takeouts))
    assert free(again) == ("cover 1",)
    (tmp_path / "map.json").write_bytes(data)
    assert main(["plan", str(tmp_path / "map.json"), "--json"]) == 0
    planned = [step["wire"] for step in json.loads(capsys.readouterr().out)["steps"]]
    assert planned == steps(job)
    (tmp_path / "order.csv").write_text("wire\nZ01-H\n")
    order = ["--order", str(tmp_path / "order.csv")]
    assert main(["check", str(tmp_path / "map.json"), *order]) == 1
    assert "cover 1" in capsys.readouterr().out


def under(job: Job, name: str) -> set[str]:
    """Leads that plainly lie under a cover: in its channel, along its stretch."""
    (over,) = next(one for one in job.covers if one.id == name).over
    line = shapely.LineString(
        next(one.points_mm for one in job.plate.channels if one.id == over.channel)
    )
    points = [line.interpolate(mm) for mm in range(int(over.from_mm) + 1, int(over.to_mm))]
    return {
        wire
        for wire, route in ROUTES.items()
        if any(shapely.LineString(route).distance(point) < 5 for point in points)
    }


STRETCHES = st.tuples(st.sampled_from(["C1", "C2"]), st.integers(0, 120), st.integers(3, 120)).map(
    lambda one: (one[0], float(one[1]), float(one[1] + one[2]))
)


@given(st.lists(STRETCHES, min_size=1, max_size=3), st.integers(0, 2**32))
@settings(max_examples=15, deadline=None)
def test_a_lead_under_a_cover_still_on_is_never_offered(stretches, seed):
    random = Random(seed)
    job = covered(*stretches)
    on = {one.id for one in job.covers}
    while free(job):
        now = set(free(job))
        held = set().union(*(under(job, name) for name in on)) if on else set()
        assert not held & now
        for wire in held - job.teardown.out:
            assert job.refusals({"action": "pull", "wire": wire})
        act = random.choice(sorted(now))
        on.discard(act)
        job = ticked(job, "pull", act)
        if random.random() < 0.2 and act.startswith("cover"):
            job = ticked(job, "put back", act)
            on.add(act)
    assert not on and job.teardown.findings == ()
