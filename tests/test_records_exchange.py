"""A job goes out as a route-map file and comes back; the file is as careful as the job."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from mapper.pulling import plan_pull
from mapper.records import (
    Job,
    JobStore,
    RecordsError,
    Stretch,
    export_route_map,
    import_route_map,
    open_demo,
)
from mapper.routes import RouteMapError, read_route_map
from tests.test_records_job import ALL, PLATE, all_but, job_of, judged_apart, lead, whole

HARD_ID = "<b>\"Größe\"/'x' " + "\N{WRENCH}" * 48


def back(job: Job, provisional: bool = True) -> Job:
    return Job.from_mapping(import_route_map(export_route_map(job, provisional)))


def test_a_job_comes_back_with_its_plate_leads_and_judgements():
    job = judged_apart(job_of(*all_but(), replace(whole("Z01-H", 3.0), id=HARD_ID)))
    again = back(job)
    assert again.plate == job.plate
    assert again.name == "invented"
    # An export without anything unknown is exactly what was traced.
    assert export_route_map(job) == export_route_map(job, provisional=False)
    assert list(again.route_map().leads) == list(job.route_map().leads)
    assert [one.top for one in again.route_map().crossings] == [
        one.top for one in job.route_map().crossings
    ]
    assert all(one.finished for one in again.leads)


def test_seen_and_unseen_runs_come_back_as_stretches():
    stretches = (
        Stretch(((60, 100), (60, 50))),
        Stretch(((60, 50), (100, 50), (120, 50)), seen=False),
        Stretch(((120, 50), (300, 50))),
    )
    job = job_of(replace(whole("Z01-H"), stretches=stretches), settings={"leads_per_drop": []})
    (again,) = back(job).leads
    assert again.stretches == stretches


def test_what_nobody_traced_goes_along_and_stays_out_again():
    cut = lead("Z02-T", (120, 100), (120, 51.5), (150, 51.5), finished=False)
    late = lead("Z03-H", (220, 52), (300, 52))
    job = judged_apart(job_of(*all_but("Z02-T", "Z03-T", "Z03-H"), cut, late))
    data = export_route_map(job)
    marked = [wire["id"] for wire in json.loads(data)["wires"] if "untraced" in wire]
    assert sorted(marked) == sorted(job.provisional_ids()) == ["Z02-T", "Z03-H", "Z03-T"]
    again = Job.from_mapping(import_route_map(data))
    assert [one.id for one in again.leads] == [one for one in ALL if one != "Z03-T"]
    assert [one.points_mm.tolist() for one in again.leads] == [
        one.points_mm.tolist() for one in job.leads
    ]
    assert [one.finished for one in again.leads] == [one.finished for one in job.leads]
    assert {one.diameter_mm for one in again.leads} == {2.4}
    assert again.settings == job.settings
    assert again.provisional_ids() == job.provisional_ids()


def test_an_ideal_line_stays_one_when_only_what_was_traced_goes_out():
    thin = [replace(one, diameter_mm=None) for one in all_but("Z02-T")]
    cut = lead("Z02-T", (120, 100), (120, 51), finished=False, diameter_mm=None)
    job = job_of(*thin, cut)
    assert {one.diameter_mm for one in back(job, provisional=False).leads} == {None}
    assert [one.diameter_mm for one in back(job).leads if one.id == "Z02-T"] == [None]


@pytest.mark.parametrize("odd", [True, "2", -1, 0, [2]])
def test_a_true_diameter_of_another_form_is_passed_over(odd):
    mapping = json.loads(export_route_map(job_of(*all_but())))
    for wire in mapping["wires"]:
        wire["true_diameter"] = odd
    leads = Job.from_mapping(import_route_map(json.dumps(mapping).encode())).leads
    assert {one.diameter_mm for one in leads} == {2.4}


def test_a_plan_made_from_the_file_is_as_careful_as_the_jobs():
    job = judged_apart(job_of(*all_but("Z02-T")))
    plan = plan_pull(read_route_map(export_route_map(job)))
    assert plan.to_dict() == plan_pull(job.route_map()).to_dict()
    assert plan.steps == ()


def test_keys_that_this_version_does_not_know_are_written_back():
    mapping = json.loads(export_route_map(judged_apart(job_of(*all_but()))))
    mapping["maker"] = {"press": 4}
    mapping["plate"]["steel"] = "1.2343"
    mapping["wires"][0]["tag"] = "yellow"
    mapping["crossings"][0]["seen_by"] = "MK"
    job = Job.from_mapping(import_route_map(json.dumps(mapping).encode()))
    again = json.loads(export_route_map(job))
    assert again["maker"] == {"press": 4}
    assert again["plate"]["steel"] == "1.2343"
    assert [wire.get("tag") for wire in again["wires"]].count("yellow") == 1
    assert [one.get("seen_by") for one in again["crossings"]].count("MK") == 1


@pytest.mark.parametrize(
    "untraced", [None, 3, "x", [3], [[1]], [["a", "b"]], {"a": 1}, [[0, True]]]
)
def test_a_mark_of_another_form_takes_nothing_away(untraced):
    mapping = json.loads(export_route_map(job_of(*all_but())))
    for wire in mapping["wires"]:
        wire["untraced"] = untraced
    assert len(import_route_map(json.dumps(mapping).encode())) == 3 + len(ALL)


def test_a_judgement_of_a_lead_that_is_gone_stays_behind():
    job = judged_apart(job_of(*all_but()))
    entries = {key: value for key, value in job.to_mapping().items() if key != "lead/Z02-T"}
    mapping = json.loads(export_route_map(Job.from_mapping(entries), provisional=False))
    assert all("Z02-T" not in (one["a"], one["b"]) for one in mapping["crossings"])


def test_a_lead_without_an_exit_goes_out_by_the_nearest():
    job = job_of(whole("Z01-H", exit=None), settings={"leads_per_drop": []})
    assert read_route_map(export_route_map(job)).leads[0].exit == "X1"


@pytest.mark.parametrize(
    ("plate", "more", "words"),
    [
        (PLATE, {"drop": "D99"}, "starts at drop D99"),
        (PLATE, {"exit": "X99"}, "needs an exit"),
        ({**PLATE, "exits": []}, {"exit": None}, "needs an exit"),
    ],
)
def test_a_job_that_no_file_can_hold_says_what_is_missing(plate, more, words):
    with pytest.raises(RecordsError, match=words):
        export_route_map(job_of(whole("Z01-H", **more), plate=plate))


def test_a_job_without_a_plate_says_so():
    with pytest.raises(RecordsError, match="no plate"):
        export_route_map(Job.from_mapping({"about": {"name": "x"}}))


def test_a_file_that_is_no_route_map_is_refused():
    with pytest.raises(RouteMapError):
        import_route_map(b"\xff\xd8\xff\xe0")


# --- the demo job ------------------------------------------------------------------------


def demo_files(folder: Path) -> Path:
    import hashlib

    folder.mkdir()
    data = b"a picture"
    (folder / "1.jpg").write_bytes(data)
    entries = job_of(*all_but("Z02-T"), about={"name": "Demo"}).to_mapping()
    entries[f"photo/{hashlib.sha256(data).hexdigest()}"] = {"name": "1.jpg", "stage": "before"}
    (folder / "job.json").write_text(json.dumps(entries), encoding="utf-8")
    return folder


def test_the_demo_is_copied_once_and_its_files_stay_untouched(tmp_path: Path):
    folder = demo_files(tmp_path / "demo")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    store = JobStore(tmp_path / "store")
    job_id = open_demo(store, folder=folder)
    job = store.edit(job_id, "name it", {"about": {**store.job(job_id).about, "name": "Mine"}})
    assert store.photo_path(job.photos[0].sha256).read_bytes() == b"a picture"
    assert open_demo(store, folder=folder) == job_id
    fresh = open_demo(store, fresh=True, folder=folder)
    assert (store.job(job_id).name, store.job(fresh).name) == ("Mine", "Demo")
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    store.close()


@pytest.mark.parametrize("harm", ["no folder", "no photo", "other photo", "no json", "odd json"])
def test_a_damaged_demo_asks_to_be_installed_again(tmp_path: Path, harm: str):
    folder = demo_files(tmp_path / "demo")
    if harm == "no folder":
        folder = tmp_path / "nowhere"
    elif harm == "no photo":
        (folder / "1.jpg").unlink()
    elif harm == "other photo":
        (folder / "1.jpg").write_bytes(b"another")
    else:
        (folder / "job.json").write_text("{" if harm == "no json" else "[1]")
    store = JobStore(tmp_path / "store")
    with pytest.raises(RecordsError, match="install it again"):
        open_demo(store, folder=folder)
    assert store.jobs() == []
    store.close()


def test_the_demo_that_ships_with_the_tool_can_be_opened(tmp_path: Path):
    store = JobStore(tmp_path)
    job = store.job(open_demo(store))
    assert all(store.photo_path(photo.sha256).is_file() for photo in job.photos)
    assert len(job.missing_leads()) == 1
    assert job.provisional_ids() == {job.missing_leads()[0].id}
    assert job.warnings() == ()
    assert len(job.fits) >= 1
    store.close()
