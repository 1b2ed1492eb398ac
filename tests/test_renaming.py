"""A lead gets another name: all that names it goes along, or it keeps the old one."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from mapper.plate import Plate
from mapper.records import AsBuilt, Job, JobStore, RecordsError, Stretch, TracedLead
from mapper.records import rename_changes as rename
from mapper.records.demo import demo_folder

PLATE = Plate.from_mapping(
    {
        "name": "invented",
        "outline": [[0, 0], [300, 0], [300, 200], [0, 200]],
        "drops": [
            {"id": "D01", "x": 60, "y": 150, "bore_diameter": 42},
            {"id": "D02", "x": 180, "y": 150, "bore_diameter": 42},
        ],
        "channels": [
            {"id": "C1", "points": [[60, 150], [60, 60], [300, 60]], "width": 14, "depth": 15},
            {"id": "C2", "points": [[180, 150], [180, 40], [300, 40]], "width": 14, "depth": 15},
        ],
        "exits": [{"id": "X1", "x": 300, "y": 60}, {"id": "X2", "x": 300, "y": 40}],
    }
)


def lead(id: str, kind: str, drop: str, *points_mm: tuple[float, float]) -> TracedLead:
    exit = "X1" if points_mm[-1][1] == 60 else "X2"
    return TracedLead(id, kind, drop, exit, (Stretch(points_mm),), 2.0, None, True)


LEADS = (
    lead("Z01-H", "heater", "D01", (60, 150), (60, 60), (300, 60)),
    lead("Z02-H", "heater", "D02", (180, 150), (180, 40), (300, 40)),
)
LOWER = lead("lower", "other", "D02", (180, 150), (180, 40), (300, 40))
JUDGED = {"a": "Z01-H", "b": "Z02-H", "x": 180, "y": 60, "top": "b", "by": "KL"}


def entries(**more) -> dict:
    settings = {"leads_per_drop": ["H"]}
    judged = {"judged/1": JUDGED}
    leads = {f"lead/{one.id}": one.to_mapping() for one in LEADS}
    return {"plate": PLATE.to_mapping(), "settings": settings, **leads, **judged, **more}


def job(**more) -> Job:
    return Job.from_mapping(entries(**more))


def changed(old: Job, changes: dict) -> Job:
    values = {**old.to_mapping(), **changes}
    return Job.from_mapping({key: one for key, one in values.items() if one is not None})


@pytest.mark.parametrize("new", ["A", "zz heater, left", "Ü 1/2", "x" * 64])
def test_the_lead_on_top_is_the_same_under_any_name(new: str) -> None:
    # Names before and after Z02-H: the pair is listed the other way round then.
    renamed = changed(job(), rename(job(), "Z01-H", new))
    (crossing,) = renamed.route_map(provisional=False).crossings
    assert {crossing.a, crossing.b} == {new, "Z02-H"}
    assert (crossing.a if crossing.top == "a" else crossing.b) == "Z02-H"
    assert renamed.missing_leads() == ()
    assert (renamed.judged[0].by, len(renamed.judged)) == ("KL", 1)


def test_the_log_goes_along_and_what_is_out_stays_out() -> None:
    step = {"action": "pull", "wire": "Z02-H", "past": None, "at": None, "by": "KL"}
    before = job(**{"done/0001": step})
    renamed = changed(before, rename(before, "Z02-H", "upper"))
    assert before.teardown.out == {"Z02-H"}
    assert renamed.teardown.out == {"upper"}
    assert renamed.teardown.findings == ()
    assert renamed.done[0].by == "KL"


def test_wishes_and_the_as_built_map_go_along() -> None:
    laid = AsBuilt(job().route_map(provisional=False), (("Z01-H", 400.0), ("Z02-H", 300.0)))
    wishes = {"channels": {"Z01-H": "C1"}, "exits": {"Z01-H": "X1", "Z02-H": "X2"}}
    before = job(**{"as-built": laid.to_mapping(), "rebuild": wishes})
    renamed = changed(before, rename(before, "Z01-H", "lower"))
    assert renamed.rebuild.channels == {"lower": "C1"}
    assert renamed.rebuild.exits == {"lower": "X1", "Z02-H": "X2"}
    assert renamed.as_built.install == (("lower", 400.0), ("Z02-H", 300.0))
    assert set(renamed.as_built.laid_map.leads_by_id) == {"lower", "Z02-H"}
    assert "Z01-H" not in json.dumps(renamed.to_mapping())


def test_a_name_and_back_again_leaves_the_job_as_it_was() -> None:
    there = changed(job(), rename(job(), "Z01-H", "lower"))
    assert changed(there, rename(there, "lower", "Z01-H")).to_mapping() == job().to_mapping()


@pytest.mark.parametrize("new", ["", "   ", "x" * 65, "a\nb", "a\x00", "a\u200bb", "\u202eH-10Z"])
def test_a_name_that_can_not_be_kept_or_seen_is_refused(new: str) -> None:
    with pytest.raises(RecordsError):
        rename(job(), "Z01-H", new)


@pytest.mark.parametrize("new", ["Z02-H", "z02-h", " Z02-H ", "\uff3a02-H"])
def test_a_name_that_looks_like_another_leads_is_refused(new: str) -> None:
    with pytest.raises(RecordsError):
        rename(job(), "Z01-H", new)


def test_a_lead_never_gets_the_name_of_another_drops_zone() -> None:
    # The conductor's size, and so the force to pull with, is looked up by the zone in the name.
    with pytest.raises(RecordsError, match="would be a lead of D02"):
        rename(job(), "Z01-H", "Z02-left")


@pytest.mark.parametrize("new", ["nozzle D02", "heater D01", "cover 1", "lower (drop side)"])
def test_a_name_of_a_part_or_a_piece_is_refused(new: str) -> None:
    cover = {"cover/cover 1": {"kind": "cover", "over": [{"channel": "C1"}], "note": ""}}
    with pytest.raises(RecordsError, match="names already"):
        rename(job(**cover, **{"lead/lower": LOWER.to_mapping()}), "Z01-H", new)


def test_old_answers_for_a_lead_that_is_gone_never_come_to_count() -> None:
    stale = {**JUDGED, "a": "gone", "top": "a"}
    with pytest.raises(RecordsError, match="a judgement names already"):
        rename(job(**{"judged/2": stale}), "Z01-H", "gone")


def test_a_broken_lead_keeps_the_name_that_its_pieces_have() -> None:
    step = {"action": "broke", "wire": "Z02-H", "past": [180, 100], "at": None, "by": "KL"}
    with pytest.raises(RecordsError, match="broke"):
        rename(job(**{"done/0001": step}), "Z02-H", "upper")


def test_a_lead_without_a_line_has_no_name_to_change() -> None:
    empty = replace(LEADS[0], stretches=(), finished=False)
    with pytest.raises(RecordsError, match="no line yet"):
        rename(job(**{"lead/Z01-H": empty.to_mapping()}), "Z01-H", "lower")


def test_a_rename_is_one_step_that_undo_takes_back(tmp_path: Path) -> None:
    store = JobStore(tmp_path)
    job_id = store.import_job(entries())
    before = store.job(job_id)
    store.edit(job_id, "Rename Z01-H", rename(before, "Z01-H", "lower"), expected=before)
    store.undo(job_id)
    assert store.job(job_id).to_mapping() == before.to_mapping()


def test_any_lead_of_the_demo_job_can_be_renamed() -> None:
    values = json.loads((demo_folder() / "job.json").read_text(encoding="utf-8"))
    whole = Job.from_mapping(values)
    for old, new in (("Z01-H", "~ last"), ("Z12-T", "! first"), ("Z06-H", "middle")):
        renamed = changed(whole, rename(whole, old, new))
        assert f'"{old}"' not in json.dumps(renamed.to_mapping())
        tops = [
            sum(one.top is not None for one in each.route_map(provisional=False).crossings)
            for each in (whole, renamed)
        ]
        assert tops[0] == tops[1] > 100
