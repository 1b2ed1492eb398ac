"""What stands round the canvas of the page "Leads", on the demo job."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from mapper.records import JobStore, lead_changes
from mapper.records.demo import open_demo
from mapper.trace import Trace
from mapper.ui import leads_page, leads_state, leads_view, server
from mapper.ui.canvas import Operation
from mapper.ui.leads_offers import NOTHING, Offer, open_offers
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


@pytest.fixture
def acts(monkeypatch) -> list[Operation]:
    """What the user does on the canvas before the next run of the page."""
    waiting: list[Operation] = []

    def taken(key: str) -> Iterator[Operation]:
        while key == leads_page.CANVAS and waiting:
            yield waiting.pop(0)

    monkeypatch.setattr(leads_page, "take_operations", taken)
    return waiting


def test_an_offer_is_refused_or_accepted_by_one_key_and_undo_takes_either_back(
    demo: tuple[JobStore, str], acts: list[Operation]
) -> None:
    store, job_id = demo
    job = store.job(job_id)
    (missing,) = job.missing_leads()
    drop = next(one for one in job.plate.drops if one.id == missing.drop)
    exit_ = job.plate.exits[0]
    sha256, fit = next(iter(job.fits.items()))
    ends_mm = [[drop.x_mm, drop.y_mm], [exit_.x_mm, exit_.y_mm]]
    points_px = fit.photo_from_plate(ends_mm, job.plate.lead_depth_mm(np.array(ends_mm)))
    offer = Offer(drop.id, exit_.id, sha256, Trace(points_px, np.ones(1)))
    found = {"offers": (offer,), "told": False, "error": "", "refused": [], "accepted": {}}
    state = leads_state.PageState(photo=sha256, search=SimpleNamespace(**found))
    test = page("leads", job_id, **{f"{leads_state.STATE} {job_id}": state})
    sound(test)

    def press(number: int, key: str) -> int:
        acts.append(Operation(f"tab-{number}", "key", key=key))
        sound(test.run())
        return len(open_offers(state.search, store.job(job_id)))

    assert press(1, "q") == 0
    assert store.job(job_id).revision == job.revision
    assert press(2, "z") == 1  # the refusal is taken back, nothing else
    assert store.job(job_id).revision == job.revision
    assert press(3, "1") == 0
    lead = next(one for one in store.job(job_id).leads if one.id == missing.id)
    assert lead.finished
    assert press(4, "z") == 1
    assert missing.id in {one.id for one in store.job(job_id).missing_leads()}


def test_the_page_says_so_when_nothing_is_certain_enough_to_offer(
    demo: tuple[JobStore, str],
) -> None:
    _, job_id = demo
    found = {"offers": (), "told": False, "error": "", "refused": [], "accepted": {}}
    state = leads_state.PageState(search=SimpleNamespace(**found))
    sound(page("leads", job_id, **{f"{leads_state.STATE} {job_id}": state}))
    assert state.told == NOTHING
