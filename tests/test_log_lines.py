"""The lines of the teardown log: what was overruled is told by what changed, not by its name."""

from __future__ import annotations

import pytest

from mapper.records import JobStore, judgement_changes, tick_changes
from mapper.ui.findings import Findings
from mapper.ui.log_panel import log_lines
from tests.test_log_records import crossed_job
from tests.test_pages import click, job_ids, page, whole, whole_store  # noqa: F401
from tests.test_records_parts import covered


def meeting_of(job):
    (meeting,) = job.route_map(provisional=False).crossings
    return meeting


@pytest.mark.parametrize("label", ["Z01-H / Z02-H: Z02-H on top", "zz", "", "aa / bb"])
def test_a_judgement_is_overruled_whatever_the_edit_is_called(tmp_path, label: str):
    store = JobStore(tmp_path)
    job = store.job(store.import_job(crossed_job().to_mapping()))
    job = store.edit(job.id, label, judgement_changes(job, meeting_of(job), "b", by="KL"), by="KL")
    lines = [(line.what, line.by) for line in log_lines(job, store.history(job.id))]
    assert lines.count(("overruled", "KL")) == 1
    words = [line.words for line in log_lines(job, store.history(job.id))]
    assert any(text.endswith("Z01-H on top; not any more") for text in words)
    assert any("Z02-H on top" in text for text in words)


def test_a_first_judgement_and_one_taken_back_with_undo_overrule_nothing(tmp_path):
    store = JobStore(tmp_path)
    values = {k: v for k, v in covered().to_mapping().items() if not k.startswith("judged/")}
    job = store.job(store.import_job(values))
    job = store.edit(job.id, "first", judgement_changes(job, meeting_of(job), "a"))
    store.undo(job.id)
    job = store.edit(job.id, "second", judgement_changes(store.job(job.id), meeting_of(job), "b"))
    whats = [line.what for line in log_lines(job, store.history(job.id))]
    assert whats == ["judged"]


def test_opening_a_meeting_again_is_told(tmp_path):
    store = JobStore(tmp_path)
    job = store.job(store.import_job(crossed_job().to_mapping()))
    job = store.edit(job.id, "open", judgement_changes(job, meeting_of(job), None))
    assert {line.what for line in log_lines(job, store.history(job.id))} == {"judged", "overruled"}


def test_each_event_has_its_line_in_the_order_of_the_log(tmp_path):
    store = JobStore(tmp_path)
    job = store.job(store.import_job(covered(("C1", 100, 150)).to_mapping()))
    for action, wire, reason in (
        ("pull", "cover 1", ""),
        ("pull", "Z01-H", ""),
        ("put back", "Z01-H", ""),
        ("pull", "Z02-H", "cut at the nozzle"),
    ):
        job = store.edit(job.id, wire, tick_changes(job, action, wire, by="KL", reason=reason))
    lines = [line for line in log_lines(job, store.history(job.id)) if line.what != "judged"]
    assert [(line.what, line.wire, line.override) for line in lines] == [
        ("took off", "cover 1", False),
        ("pulled", "Z01-H", False),
        ("put back", "Z01-H", False),
        ("pulled", "Z02-H", True),
    ]
    store.undo(job.id)
    lines = log_lines(store.job(job.id), store.history(job.id))
    assert [line.words for line in lines if line.what == "taken back"] == ["Z02-H"]


def test_a_judgement_keeps_the_photo_that_was_looked_at(whole: JobStore):  # noqa: F811
    _, job_id = job_ids(whole)
    before = {one.id for one in whole.job(job_id).judged}
    assert Findings(whole.job(job_id)).open_meetings
    test = page("crossings", job_id)
    chosen = next(button for button in test.button if button.key == "large 1")
    test = chosen.click().run()
    (key, sha256) = test.session_state["photo looked at"]
    click(test, "**A**")
    (made,) = [one for one in whole.job(job_id).judged if one.id not in before]
    assert made.photo == sha256 and key
