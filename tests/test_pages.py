"""Every page opens on an empty, a new and a whole job, and does its main act."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from mapper.plate import Plate
from mapper.records import JobStore
from mapper.ui import fit_joint, server
from mapper.ui.session import JOB_PARAM, PERSON
from tests.full_job import full_job

MAIN = str(server.MAIN_SCRIPT)
PAGES = [
    "jobs",
    "plate",
    "photos",
    "fit",
    "leads",
    "crossings",
    "plan",
    "bench",
    "sheet",
    "parts",
    "readings",
    "salvage",
]
PAGE_SCRIPT = """
import streamlit as st
from mapper.ui import (bench_page, crossings_page, fit_page, jobs_page, leads_page, looks,
                       parts_page, photos_page, plan_page, plate_page, readings_page,
                       salvage_page, sheet_page)
PAGES = {{"jobs": jobs_page, "plate": plate_page, "photos": photos_page, "fit": fit_page,
          "leads": leads_page, "crossings": crossings_page, "plan": plan_page,
          "bench": bench_page, "sheet": sheet_page, "parts": parts_page,
          "readings": readings_page, "salvage": salvage_page}}
PAGES[{name!r}].show()
"""


@pytest.fixture
def store(tmp_path: Path, monkeypatch) -> JobStore:
    """An empty store that the pages work on."""
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    return JobStore(tmp_path / "store")


@pytest.fixture(scope="module")
def whole_store(shared_plates: Path, tmp_path_factory) -> Path:
    """A store with one whole job, made once; copy it before changing anything."""
    folder = tmp_path_factory.mktemp("whole")
    archive = JobStore(folder)
    full_job(archive, shared_plates / "plate2", missing=("Z07-T",))
    full_job(archive, shared_plates / "plate2", open_every=20, runs_apart=True)
    archive.close()
    return folder


@pytest.fixture
def whole(whole_store: Path, tmp_path: Path, monkeypatch) -> JobStore:
    """A copy of the store with two whole jobs: one lead missing in the one, none in the other."""
    shutil.copytree(whole_store, tmp_path / "store")
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    return JobStore(tmp_path / "store")


def job_ids(archive: JobStore) -> tuple[str, str]:
    """(job with a missing lead, job with all leads)."""
    by_leads = sorted(archive.jobs(), key=lambda job: job.leads)
    return by_leads[0].id, by_leads[-1].id


def page(name: str, job_id: str | None = None, **state) -> AppTest:
    """A page run once, with a job open."""
    test = AppTest.from_string(PAGE_SCRIPT.format(name=name), default_timeout=90)
    if job_id is not None:
        test.query_params[JOB_PARAM] = job_id
    for key, value in state.items():
        test.session_state[key] = value
    return test.run()


def words(test: AppTest) -> str:
    """All text of a page."""
    parts = [
        one.value
        for kind in ("markdown", "caption", "subheader", "html")
        for one in test.get(kind)
        if hasattr(one, "value") and isinstance(one.value, str)
    ]
    parts += [one.proto.body for one in test.get("html") if hasattr(one.proto, "body")]
    parts += [button.label for button in test.button]
    return "\n".join(parts)


def click(test: AppTest, label: str) -> AppTest:
    """Press the first button whose label starts so."""
    found = [button for button in test.button if button.label.startswith(label)]
    assert found, f"no button {label!r} among {[button.label for button in test.button]}"
    return found[0].click().run()


def sound(test: AppTest) -> None:
    """No exception, and no page that had to give up."""
    assert not test.exception
    assert "Something went wrong" not in words(test)


def grid_plate() -> Plate:
    return Plate.grid(1, 3, 100, 100, (100, 100), 40, 400, 200, name="small")


@pytest.mark.parametrize("name", PAGES)
def test_page_without_a_job_leads_to_the_jobs(store: JobStore, name: str):
    test = page(name)
    sound(test)
    if name != "jobs":
        assert "No job is open" in words(test)


@pytest.mark.parametrize("name", PAGES)
def test_page_opens_on_an_empty_job(store: JobStore, name: str):
    sound(page(name, store.create("New one")))


@pytest.mark.parametrize("name", PAGES)
def test_page_opens_on_a_job_with_a_plate_only(store: JobStore, name: str):
    job_id = store.create("Plate only")
    store.edit(job_id, "Enter the plate", {"plate": grid_plate().to_mapping()})
    sound(page(name, job_id))


@pytest.mark.parametrize("name", PAGES)
def test_page_opens_on_a_whole_job(whole: JobStore, name: str):
    for job_id in job_ids(whole):
        sound(page(name, job_id))


def test_navigation_shows_the_job_list_first(store: JobStore):
    test = AppTest.from_file(MAIN, default_timeout=60).run()
    sound(test)
    assert any(sub.value == "New job" for sub in test.subheader)


def test_a_job_that_is_not_there_is_said_in_a_sentence(store: JobStore):
    test = page("plan", "nothing-like-it")
    sound(test)
    assert "There is no job nothing-like-it" in words(test)


def test_new_job_is_kept_and_opened(store: JobStore):
    test = AppTest.from_file(MAIN, default_timeout=60).run()
    next(one for one in test.text_input if one.label == "Name").input("Lid tool")
    click(test, "Start the job")
    assert [job.name for job in store.jobs()] == ["Lid tool"]


def test_new_job_without_a_name_is_asked_for_one(store: JobStore):
    test = page("jobs")
    click(test, "Start the job")
    assert "Give the job a name" in words(test)
    assert store.jobs() == []


def test_deleted_job_can_be_put_back(store: JobStore):
    store.create("Keep me")
    test = click(page("jobs"), "Delete")
    assert store.jobs() == []
    click(test, "Put back")
    assert [job.name for job in store.jobs()] == ["Keep me"]


def test_resin_and_note_can_be_corrected_later_and_undone(store: JobStore):
    job_id = store.create("Lid tool", {"mould": "M 1"})
    test = page("jobs", job_id)
    resin = next(
        one for one in test.text_input if one.label == "Resin"
    )  # the open job's comes first
    resin.input("PA 6")
    test.text_area[0].input("Round 2 tomorrow")
    sound(click(test, "Keep these"))
    about = store.job(job_id).about
    assert (about["resin"], about["mould"], about["note"]) == ("PA 6", "M 1", "Round 2 tomorrow")
    assert store.undo(job_id).about == {"name": "Lid tool", "mould": "M 1"}


def test_names_with_signs_of_markup_stay_text(store: JobStore):
    name = "<img src=x onerror=alert(1)> **bold** [x](javascript:1)"
    store.create(name)
    test = page("jobs", store.jobs()[0].id)
    sound(test)
    assert "<img" not in words(test).replace("\\<img", "").replace("&lt;img", "")


def test_grid_becomes_the_plate_of_the_job(store: JobStore):
    job_id = store.create("Grid")
    test = page("plate", job_id)
    click(test, "Use this plate")
    plate = store.job(job_id).plate
    assert plate is not None and len(plate.drops) == 8


def test_grid_that_does_not_fit_says_so_in_a_sentence(store: JobStore):
    test = page("plate", store.create("Grid"))
    test.number_input(key="grid width").set_value(100.0).run()
    sound(test)
    assert "do not fit on a plate" in words(test)


def test_plate_with_leads_is_not_changed_without_consent(whole: JobStore):
    job_id, _ = job_ids(whole)
    test = click(page("plate", job_id), "Enter it anew")
    assert "leads and" in words(test)
    use = next(button for button in test.button if button.label == "Use this plate")
    assert use.disabled


def test_answer_is_kept_with_the_person_and_undone(whole: JobStore):
    job_id, _ = job_ids(whole)
    before = len(whole.job(job_id).judged)
    test = page("crossings", job_id, **{PERSON: "AB"})
    click(test, "**A**")
    judged = whole.job(job_id).judged
    assert len(judged) == before + 1
    assert any(one.by == "AB" and one.photo and one.at for one in judged)
    click(test, "Undo")
    assert len(whole.job(job_id).judged) == before


def test_true_crossing_offers_no_answer_apart(whole: JobStore):
    _, job_id = job_ids(whole)
    test = page("crossings", job_id)
    assert "cross. Which lies on top" in words(test) or "meets itself" in words(test)
    assert not [button for button in test.button if button.label.startswith("Apart")]


def test_first_step_is_ticked_off_and_stays_so(whole: JobStore):
    _, job_id = job_ids(whole)
    click(page("plan", job_id, **{PERSON: "AB"}), "Out")
    done = whole.job(job_id).done
    assert len(done) == 1 and done[0].by == "AB"
    assert done[0].wire in words(page("plan", job_id))


def test_untraced_lead_is_said_loudly_and_not_offered(whole: JobStore):
    job_id, _ = job_ids(whole)
    test = page("plan", job_id)
    assert "Z07-T is not traced to its end" in words(test)
    assert "Pull Z07-T" not in words(test)


def test_lead_that_is_not_free_is_refused_with_the_reason(whole: JobStore):
    job_id, _ = job_ids(whole)
    test = page("plan", job_id)
    test.selectbox(key="another lead").set_value("Z01-H").run()
    test = click(test, "Mark it as out")
    assert "Z01-H was not marked as out" in words(test)
    assert whole.job(job_id).done == ()


def test_lead_that_is_out_all_the_same_is_recorded_with_the_reason(whole: JobStore):
    job_id, _ = job_ids(whole)
    test = page("plan", job_id)
    test.selectbox(key="another lead").set_value("Z01-H").run()
    test = click(test, "Mark it as out")
    test.text_input(key="tick reason").input("it broke").run()
    click(test, "Record that it is out")
    (step,) = whole.job(job_id).done
    assert (step.wire, step.reason) == ("Z01-H", "it broke")


def test_own_order_is_checked_step_by_step(whole: JobStore):
    job_id, _ = job_ids(whole)
    test = page("plan", job_id)
    test.text_area(key="own order").input("Z01-H\nnobody").run()
    test = click(test, "Check the order")
    assert "Step 1: Z01-H" in words(test)
    assert "Step 2: nobody is no lead of this plate" in words(test)


def test_plan_page_never_says_that_anything_is_safe(whole: JobStore):
    for job_id in job_ids(whole):
        text = words(page("plan", job_id)).lower()
        assert "safe" not in text
        assert "prove dead" in text and "local codes" in text


def test_stage_set_by_hand_is_kept(whole: JobStore):
    job_id, _ = job_ids(whole)
    photo = whole.job(job_id).photos[0]
    test = page("photos", job_id)
    test.selectbox(key=f"stage {photo.sha256} {photo.stage}").set_value("during 2").run()
    assert {p.stage for p in whole.job(job_id).photos if p.sha256 == photo.sha256} == {"during 2"}


def test_removed_photo_comes_back_with_undo(whole: JobStore):
    job_id, _ = job_ids(whole)
    test = click(page("photos", job_id), "Remove")
    assert len(whole.job(job_id).photos) == 3
    click(test, "Undo")
    assert len(whole.job(job_id).photos) == 4
    assert len(whole.job(job_id).fits) == 4


def test_photos_adjusted_together_are_one_edit_that_undo_takes_back(whole: JobStore, monkeypatch):
    _, job_id = job_ids(whole)
    before, edits = whole.job(job_id), len(whole.history(job_id))

    def nudged(photos, fits, plate, progress):
        cameras = [
            replace(fit.camera, translation_mm=fit.camera.translation_mm + (0.2, 0.0, 0.0))
            for fit in fits[1:]
        ]
        moved = [replace(fit, camera=c) for fit, c in zip(fits[1:], cameras, strict=True)]
        return (fits[0].doubted("Its neighbours see it elsewhere."), *moved)

    monkeypatch.setattr(fit_joint, "fit_together", nudged)
    test = click(page("fit", job_id), "Adjust")
    sound(test)
    after = whole.job(job_id)
    assert len(whole.history(job_id)) == edits + 1
    first, second, *_ = [photo.sha256 for photo in before.photos if photo.sha256 in before.fits]
    assert after.fits[first].verdict == "doubtful"
    shift = after.fits[second].camera.translation_mm - before.fits[second].camera.translation_mm
    assert shift.tolist() == pytest.approx([0.2, 0.0, 0.0])
    # what was traced on a photo goes with it
    on_second = {
        lead.id
        for lead in before.leads
        if any(one.photo == second and one.points_px for one in lead.stretches)
    }
    assert {
        old.id
        for old, new in zip(before.leads, after.leads, strict=True)
        if old.points_mm.tolist() != new.points_mm.tolist()
    } >= on_second
    whole.undo(job_id)
    assert whole.job(job_id).fits[first].verdict == before.fits[first].verdict
