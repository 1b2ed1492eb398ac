"""Two people on one job: both keep what they did, and nobody's press lands on what they never saw.

Each AppTest is a browser window of its own; both work on one archive, in a file or on a server.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from mapper.bench import Zone
from mapper.plate import Exit
from mapper.records import JobStore
from mapper.ui import server
from mapper.ui.session import JOB_PARAM, PERSON
from mapper.ui.zone_table import keep_rows
from tests.rebuild_plates import comb_plate


@pytest.fixture(params=["SQLite", "PostgreSQL"])
def store(request, tmp_path: Path, monkeypatch):
    database = None
    if request.param == "PostgreSQL":
        database = request.getfixturevalue("new_database")
    where = server.UiSettings(tmp_path / "store", database=database)
    monkeypatch.setattr(server, "_settings", where)
    opened = JobStore(tmp_path / "store", database)
    yield opened
    opened.close()


def three_leads(store: JobStore) -> str:
    """A plate on which all leads that are there are free."""
    plate = comb_plate(1, 3)
    exits = tuple(Exit(f"E{k}", drop.x_mm, 0.0) for k, drop in enumerate(plate.drops, start=1))
    plate = replace(plate, exits=(*plate.exits, *exits))
    leads = {}
    for k, drop in enumerate(plate.drops, start=1):
        points = [[drop.x_mm, drop.y_mm], [drop.x_mm, 0.0]]
        leads[f"lead/Z{k:02d}-H"] = {
            "id": f"Z{k:02d}-H",
            "kind": "heater",
            "drop": drop.id,
            "exit": f"E{k}",
            "finished": True,
            "stretches": [{"points_mm": points}],
        }
    settings = {"not_there": [f"Z{k:02d}-T" for k in (1, 2, 3)]}
    entries = {"about": {"name": "one job"}, "plate": plate.to_mapping(), "settings": settings}
    return store.import_job({**entries, **leads})


def window(page: str, job_id: str, person: str) -> AppTest:
    script = f"from mapper.ui import {page}_page\n{page}_page.show()"
    app = AppTest.from_string(script, default_timeout=60)
    app.session_state[PERSON] = person
    app.query_params[JOB_PARAM] = job_id
    app.run()
    assert not app.exception
    return app


def said(app: AppTest) -> str:
    return " ".join(one.proto.body for one in app.get("html"))


def press(app: AppTest, key: str) -> None:
    app.button(key=key).click().run()
    assert not app.exception


def test_a_press_never_ticks_a_lead_that_came_up_only_since_the_page_was_drawn(store):
    job_id = three_leads(store)
    kim, lou = (window("bench", job_id, name) for name in ("Kim", "Lou"))
    press(kim, "bench done")
    press(lou, "bench done")  # the same lead lies on Lou's screen
    (step,) = store.job(job_id).done
    assert step.by == "Kim"
    assert "Another window has changed the teardown log" in said(lou)
    assert f"{step.wire} out" in said(lou) and "by Kim" in said(lou)
    press(lou, "bench done")  # now Lou sees the next one
    assert [one.by for one in store.job(job_id).done] == ["Kim", "Lou"]
    assert len({one.wire for one in store.job(job_id).done}) == 2


def details(app: AppTest, label: str):
    return next(one for one in [*app.text_input, *app.text_area] if one.label == label)


def keep_details(app: AppTest) -> None:
    next(one for one in app.button if one.label == "Keep these").click().run()
    assert not app.exception


def test_two_forms_at_once_lose_neither_what_was_kept_nor_what_was_typed(store):
    job_id = three_leads(store)
    kim, lou = (window("jobs", job_id, name) for name in ("Kim", "Lou"))
    details(kim, "Resin").set_value("PP")
    keep_details(kim)
    details(lou, "Note for the next shift").set_value("mind <X1>")
    keep_details(lou)
    about = store.job(job_id).about
    assert about["resin"] == "PP" and not about.get("note")
    assert "Another window has changed" in said(lou) and "by Kim" in said(lou)
    assert "note: mind &lt;X1&gt;" in said(lou)  # what Lou typed is not gone
    assert details(lou, "Resin").value == "PP"
    details(lou, "Note for the next shift").set_value("mind <X1>")
    keep_details(lou)
    about = store.job(job_id).about
    assert (about["resin"], about["note"]) == ("PP", "mind <X1>")


def test_a_form_is_kept_when_the_other_window_changed_something_else(store):
    job_id = three_leads(store)
    lou = window("jobs", job_id, "Lou")
    store.edit(job_id, "costs", {"costs": {}}, by="Kim")
    details(lou, "Resin").set_value("POM")
    keep_details(lou)
    assert store.job(job_id).about["resin"] == "POM"
    assert store.job(job_id).value("costs") == {}
    assert "Another window" not in said(lou)


def test_undo_takes_back_only_what_was_named_on_the_button(store):
    job_id = three_leads(store)
    store.edit(job_id, "first", {"costs": {}}, by="Lou")
    lou = window("rebuild", job_id, "Lou")
    store.edit(job_id, "second", {"limits": {}}, by="Kim")
    press(lou, "jobbar Undo")
    assert store.job(job_id).undo_label == "second"  # Kim's stands
    assert "Another window has changed" in said(lou) and "by Kim" in said(lou)
    press(lou, "jobbar Undo")
    assert store.job(job_id).undo_label == "first"


def test_two_wishes_for_the_rebuild_are_told_and_both_can_be_kept(store):
    job_id = three_leads(store)
    kim, lou = (window("rebuild", job_id, name) for name in ("Kim", "Lou"))
    for app, lead in ((kim, "Z01-H"), (lou, "Z02-H")):
        app.selectbox(key="rebuild lead").set_value(lead)
        app.selectbox(key="rebuild way").set_value("exit X2").run()
    for app in (kim, lou):
        next(one for one in app.button if one.label == "Fix it and plan again").click().run()
    # Lou's window has drawn nothing since Kim's wish, so it is told and not mixed in unseen.
    assert store.job(job_id).rebuild.exits == {"Z01-H": "X2"}
    assert "Another window has changed the rebuild" in said(lou)
    next(one for one in lou.button if one.label == "Fix it and plan again").click().run()
    assert store.job(job_id).rebuild.exits == {"Z01-H": "X2", "Z02-H": "X2"}


def test_what_another_window_did_is_told_once(store):
    job_id = three_leads(store)
    lou = window("rebuild", job_id, "Lou")
    store.edit(job_id, "mind <X1>", {"costs": {}}, by="Kim")
    store.undo(job_id, by="Kim")
    lou.run()
    assert "Changed in another window since this page was drawn" in said(lou)
    assert "undo of &#x27;mind &lt;X1&gt;&#x27; by Kim" in said(lou)
    lou.run()
    assert "Changed in another window" not in said(lou)


def test_only_the_cells_that_were_typed_are_kept_from_a_table():
    class Keeper:
        changes: dict = {}

        def edit(self, label, changes):
            self.changes = changes
            return False

    zones = (Zone("Z01", {"volts": 240.0, "watts": 500.0}), Zone("Z02"))  # as they are by now
    drawn = [{"Zone": "Z01", "Volts": "230", "Watts": "500"}]  # before Kim came
    typed = [{"Zone": "Z01", "Volts": "230", "Watts": "630"}]  # Lou's table
    ctx = Keeper()

    def read(key, cell, where):
        return float(cell)

    keep_rows(ctx, zones, typed, {"volts": "Volts", "watts": "Watts"}, read, "parts", drawn)
    assert ctx.changes == {"zone/Z01": {"volts": 240.0, "watts": 630.0}}
