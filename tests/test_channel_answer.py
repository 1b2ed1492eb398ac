"""Many places of one channel are answered at once: only those ticked, with one undo."""

from __future__ import annotations

from pathlib import Path

import pytest
import streamlit as st

from mapper.records import Job, JobStore, RecordsError, judgements_changes
from mapper.ui import server
from mapper.ui.channel_answer import in_channel
from mapper.ui.findings import Findings
from tests.test_log_records import NO_CHANNELS, with_changes
from tests.test_pages import click, page, sound, words
from tests.test_records_job import job_of, lead

CHANNEL = {"id": "C1", "points": [[60, 100], [60, 50], [300, 50]], "width": 14, "depth": 15}


def side_by_side() -> Job:
    """Three leads along one channel, 2 mm from each other, and one that crosses them all."""
    leads = [
        lead(f"Z0{n}-H", (60 + 2 * n, 90), (60 + 2 * n, 48 + 2 * n), (300, 48 + 2 * n))
        for n in (0, 1, 2)
    ]
    across = lead("Z09-H", (120, 100), (200, 100), (200, 20), (300, 20), exit="X2", drop="D02")
    plate = {**NO_CHANNELS, "channels": [CHANNEL]}
    return job_of(
        *leads, across, plate=plate, settings={"leads_per_drop": ["H"], "not_there": ["Z01-H"]}
    )


@pytest.fixture
def store(tmp_path: Path, monkeypatch) -> JobStore:
    st.cache_resource.clear()
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    return JobStore(tmp_path / "store")


def test_only_runs_in_the_channel_are_among_them():
    findings = Findings(side_by_side())
    found = in_channel(findings, findings.traced.plate.channels[0])
    assert found and all(one.kind != "crossing" for one in found)
    assert not any("Z09-H" in (one.a, one.b) for one in found)


def test_a_run_that_nobody_saw_is_not_among_them():
    job = side_by_side()
    entry = job.value("lead/Z01-H")
    for stretch in entry["stretches"]:
        stretch["seen"] = False
    findings = Findings(with_changes(job, {"lead/Z01-H": entry}))
    found = in_channel(findings, findings.traced.plate.channels[0])
    assert not any("Z01-H" in (one.a, one.b) for one in found)


def test_what_was_looked_at_is_answered_in_one_edit_and_one_undo(store: JobStore):
    job_id = store.import_job(side_by_side().to_mapping())
    before = len(Findings(store.job(job_id)).open_meetings)
    findings = Findings(store.job(job_id))
    wanted = in_channel(findings, findings.traced.plate.channels[0])
    test = page("crossings", job_id)
    sound(test)
    assert "Nothing is ticked yet" in words(test)
    test = click(test, f"These {len(wanted)} all lie")
    test = click(test, "Answer")
    sound(test)
    job = store.job(job_id)
    assert [one.top for one in job.judged] == ["apart"] * len(wanted)
    assert len(Findings(job).open_meetings) == before - len(wanted)
    assert store.undo(job_id).judged == ()


def test_apart_is_refused_for_the_lot_where_two_truly_cross():
    job = side_by_side()
    crossings = [(one, None) for one in job.route_map(provisional=False).crossings]
    assert any(one.kind == "crossing" for one, _ in crossings)
    with pytest.raises(RecordsError, match="truly cross"):
        judgements_changes(job, crossings, "apart")
