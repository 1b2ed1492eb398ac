"""The pages show covers, nozzles and heaters as steps, and no lead under a cover that is on."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
import streamlit as st

from mapper.pulling import cover_outlines
from mapper.records import JobStore, lead_changes, takeout_changes
from mapper.sheets import pull_sheet_svg
from mapper.ui import server
from mapper.ui.findings import Findings
from mapper.ui.parts_panel import channel_at
from tests.test_pages import click, page, sound, words
from tests.test_records_job import lead
from tests.test_records_parts import covered


@pytest.fixture
def job_id(tmp_path: Path, monkeypatch) -> str:
    """A job of two leads in two channels, without photos; its store is under tmp_path."""
    st.cache_resource.clear()
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    return JobStore(tmp_path / "store").import_job(covered().to_mapping())


def job(tmp_path: Path, job_id: str):
    return JobStore(tmp_path / "store").job(job_id)


def test_a_cover_over_a_channel_is_one_click_and_its_leads_wait(tmp_path: Path, job_id: str):
    test = page("plan", job_id)
    assert "Pull Z01-H" in words(test)
    test.selectbox(key="covered").set_value("C1").run()
    sound(click(test, "Cover over all of it"))
    findings = Findings(job(tmp_path, job_id))
    assert [one.id for one in findings.job.covers] == ["cover 1"]
    assert {step.wire for step in findings.legal_now} == {"cover 1"}
    assert findings.step_words(findings.offered.steps[0]) == "Take off cover 1"
    for name in ("plan", "bench"):
        test = page(name, job_id)
        sound(test)
        assert "Take off" in words(test) and "cover 1" in words(test)
    test = click(page("bench", job_id), "Off")
    sound(test)
    assert [step.action for step in job(tmp_path, job_id).done] == ["took off"]
    assert "cover 1 off" in words(test)
    assert {step.wire for step in Findings(job(tmp_path, job_id)).legal_now} == {"Z01-H"}
    sound(click(page("plan", job_id), "Put back"))
    assert {step.wire for step in Findings(job(tmp_path, job_id)).legal_now} == {"cover 1"}


def test_a_cover_that_is_not_there_goes_and_comes_back_with_undo(tmp_path: Path, job_id: str):
    click(page("plan", job_id), "Cover over all of it")
    sound(click(page("plan", job_id), "Not there"))
    assert job(tmp_path, job_id).covers == ()
    sound(click(page("plan", job_id), "Undo"))
    assert len(job(tmp_path, job_id).covers) == 1


def test_all_drops_get_nozzle_and_heater_with_one_button(tmp_path: Path, job_id: str):
    test = click(page("plan", job_id), "All drops have a nozzle and a heater")
    sound(test)
    findings = Findings(job(tmp_path, job_id))
    assert set(findings.parts) == {"nozzle D01", "heater D01", "nozzle D02", "heater D02"}
    assert "Take out nozzle D01" in words(test)
    assert findings.leads_left == ("Z01-H", "Z02-H")
    assert "All 2 leads" in words(test)
    sound(page("sheet", job_id))
    sound(click(page("plan", job_id), "No nozzle or heater"))
    assert not job(tmp_path, job_id).takeouts


def test_setting_a_clip_shows_the_drawing_to_click_on(job_id: str):
    test = click(page("plan", job_id), "Add a clip")
    sound(test)
    assert "where the clip begins" in words(test)
    sound(click(test, "No cover after all"))


def test_a_click_beside_every_channel_means_none():
    plate = covered().plate
    assert channel_at(plate, 200, 52) == ("C1", pytest.approx(190))
    assert channel_at(plate, 200, 130) is None


def test_the_sheet_says_part_steps_in_their_own_words():
    findings = Findings(covered(("C1", 100, 150)))
    form = findings.offered.to_dict()
    form["steps"][0]["words"] = "Take off cover 1"
    covers = {"cover 1": cover_outlines(findings.planned_on, findings.parts["cover 1"])}
    svg = pull_sheet_svg(findings.drawn, form, "t", datetime(2026, 3, 1), covers=covers)
    assert "1. Take off cover 1" in svg and svg.count("cover 1") >= 2
    assert "Pull cover 1" not in svg


def test_a_thermocouple_that_leaves_with_its_nozzle_is_freed_and_hangs(tmp_path: Path, job_id: str):
    store = JobStore(tmp_path / "store")
    along = lead("Z01-T", (52, 105), (52, 140), (300, 140))
    changes = lead_changes(replace(along, kind="thermocouple"))
    changes["settings"] = {"leads_per_drop": ["H", "T"], "not_there": ["Z02-T"]}
    changes |= takeout_changes(
        store.job(job_id), "D01", nozzle=True, heater=True, thermocouple="with the nozzle"
    )
    store.edit(job_id, "a thermocouple lead", changes)
    findings = Findings(store.job(job_id))
    assert findings.hanging == {"Z01-T": "nozzle D01"}
    assert "Free Z01-T" in map(findings.step_words, findings.offered.steps)
    for name in ("plan", "bench", "sheet"):
        sound(page(name, job_id))
    assert "it leaves with nozzle D01" in words(page("plan", job_id))
