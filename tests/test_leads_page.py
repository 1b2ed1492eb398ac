"""What stands round the canvas of the page "Leads", on the demo job."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from mapper.records import JobStore, lead_changes
from mapper.records.demo import open_demo
from mapper.ui import leads_page, leads_state, leads_view, server
from tests.test_pages import click, page, sound


@pytest.fixture
def demo(tmp_path: Path, monkeypatch) -> tuple[JobStore, str]:
    """The demo job in a store of its own."""
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    store = JobStore(tmp_path / "store")
    return store, open_demo(store)


@pytest.fixture
def drawn(monkeypatch) -> list[set[str]]:
    """The other leads that each run of the page had drawn."""
    runs: list[set[str]] = []
    other_lines = leads_view.other_lines

    def watched(*args, **named):
        lines = other_lines(*args, **named)
        runs.append({line.id.split(" ")[0] for line in lines})
        return lines

    monkeypatch.setattr(leads_page.leads_view, "other_lines", watched)
    return runs


def test_progress_is_told_for_each_channel_and_in_all(demo: tuple[JobStore, str]) -> None:
    store, job_id = demo
    test = page("leads", job_id, **{"leads progress": True})
    sound(test)
    table = test.dataframe[0].value
    channels = [channel.id for channel in store.job(job_id).plate.channels]
    assert list(table["Channel"]) == ["All", *channels]
    assert table["Leads traced"][0] == "23 of 24"  # one lead of the demo is left to trace


def test_one_channel_shown_changes_nothing_in_the_job(
    demo: tuple[JobStore, str], drawn: list[set[str]]
) -> None:
    store, job_id = demo
    before = store.job(job_id)
    test = page("leads", job_id)
    box = next(one for one in test.selectbox if one.label == "Channel")
    test = box.set_value("C1").run()
    sound(test)
    assert len(drawn[0]) == 23
    assert drawn[-1] == {"Z01-H", "Z01-T"}
    test = next(one for one in test.selectbox if one.label == "Channel").set_value("").run()
    assert drawn[-1] == drawn[0]
    assert store.job(job_id).revision == before.revision


def test_a_chosen_lead_is_renamed_in_one_step(demo: tuple[JobStore, str]) -> None:
    store, job_id = demo
    before = store.job(job_id)
    test = page("leads", job_id)
    assert not [one for one in test.text_input if one.label.startswith("New name")]
    chosen = leads_state.PageState(chosen="Z01-H")
    test = page("leads", job_id, **{f"{leads_state.STATE} {job_id}": chosen})
    box = next(one for one in test.text_input if one.label.startswith("New name"))
    box.set_value("Z02-H")
    test = click(test, "Rename this lead")
    sound(test)
    assert store.job(job_id).revision == before.revision  # that name is taken
    box = next(one for one in test.text_input if one.label.startswith("New name"))
    box.set_value("left heater")
    sound(click(test, "Rename this lead"))
    after = store.job(job_id)
    assert "left heater" in {lead.id for lead in after.leads}
    assert after.undo_label == "Rename Z01-H left heater"
    store.undo(job_id)
    assert store.job(job_id).to_mapping() == before.to_mapping()


def test_a_buried_run_leads_to_the_newer_photo_that_has_its_place(
    demo: tuple[JobStore, str],
) -> None:
    store, job_id = demo
    job = store.job(job_id)
    assert not [one for one in page("leads", job_id).button if "now in" in one.label]
    lead = next(one for one in job.leads if one.id == "Z05-H")
    before, cleared = (next(p for p in job.photos if p.stage == s) for s in ("before", "cleared"))
    buried = tuple(
        replace(one, seen=False, photo=before.sha256, points_px=None) for one in lead.stretches
    )
    store.edit(job_id, "Bury it again", lead_changes(replace(lead, stretches=buried)))
    state = leads_state.PageState(photo=before.sha256)
    test = page("leads", job_id, **{f"{leads_state.STATE} {job_id}": state})
    first = next(one for one in test.button if one.label.startswith("Z05\\-H"))
    sound(first.click().run())
    now = test.session_state[f"{leads_state.STATE} {job_id}"]
    assert (now.chosen, now.photo) == ("Z05-H", cleared.sha256)
    assert now.jump is not None
    assert store.job(job_id).undo_label == "Bury it again"  # looking changes nothing
