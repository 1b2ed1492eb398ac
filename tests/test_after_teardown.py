"""When the last lead is out: what comes next, what the log says, and a job that is not whole."""

from __future__ import annotations

import io
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from mapper.cli.main import main
from mapper.records import AsBuilt, JobStore, readable_copies
from mapper.ui import server
from mapper.ui.findings import Findings
from mapper.ui.handover import handover_of
from mapper.ui.log_panel import CONTRADICTIONS
from mapper.ui.session import JOB_PARAM
from tests.rebuild_plates import comb_plate
from tests.test_log_records import NO_CHANNELS, crossed_job, ticked, with_changes
from tests.test_records_job import job_of

PAGE = "from mapper.ui import bench_page, plan_page, sheet_page\n{page}_page.show()"


@pytest.fixture
def store(tmp_path: Path, monkeypatch) -> JobStore:
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    return JobStore(tmp_path / "store")


def opened(page: str, job_id: str) -> AppTest:
    app = AppTest.from_string(PAGE.format(page=page), default_timeout=60)
    app.query_params[JOB_PARAM] = job_id
    app.run()
    assert not app.exception
    return app


def test_after_the_last_lead_the_bench_the_wiring_and_the_test_come_one_by_one():
    job = ticked(ticked(crossed_job(), "pull", "Z01-H"), "pull", "Z02-H")
    assert Findings(job).next_thing.page == "readings"
    job = with_changes(job, {"zone/Z01": {"ohm": 52.9}})
    assert Findings(job).next_thing.page == "rebuild"
    laid = AsBuilt(job.route_map(provisional=False)).to_mapping()
    job = with_changes(job, {"as-built": laid})
    assert Findings(job).next_thing.page == "response"


def test_a_lead_that_came_out_untraced_is_asked_for_no_more():
    job = with_changes(crossed_job(), {"lead/Z02-H": None})
    assert Findings(job).next_thing.text == "trace Z02-H"
    job = ticked(job, "pull", "Z02-H", reason="it lay loose")
    assert Findings(job).next_thing.text == "pull Z01-H"


def test_a_broken_lead_is_asked_for_until_both_pieces_are_out():
    short = {**crossed_job().value("lead/Z02-H"), "finished": False}
    job = with_changes(crossed_job(), {"lead/Z02-H": short})
    job = ticked(job, "broke", "Z02-H", past=(90, 67.5))
    job = ticked(job, "pull", "Z02-H (exit side)", reason="loose")
    assert Findings(job).next_thing.text == "trace Z02-H to its exit"
    job = ticked(job, "pull", "Z02-H (drop side)", reason="loose")
    assert Findings(job).next_thing.text == "pull Z01-H"


def overridden(store: JobStore) -> str:
    """A plate of which every lead was taken out as it came, against the rule."""
    plate = comb_plate(2, 3, (30.0, 25.0))
    job_id = store.import_job({"about": {"name": "comb"}, "plate": plate.to_mapping()})
    job = store.job(job_id)
    points = job.route_map().leads_by_id
    entries = {}
    for name, lead in points.items():
        entries[f"lead/{name}"] = {
            "id": name, "kind": lead.kind, "drop": lead.drop, "exit": "X1", "finished": True,
            "stretches": [{"points_mm": lead.points_mm.tolist()}],
        }  # fmt: skip
    job = store.edit(job_id, "trace", entries)
    judged = {
        f"judged/{n:032x}": {
            "a": m.a, "b": m.b, "x": m.x_mm, "y": m.y_mm, "top": "b", "by": "", "photo": None,
            "at": datetime(2026, 3, 1, tzinfo=UTC).isoformat(),
        }
        for n, m in enumerate(job.route_map(provisional=False).crossings)
    }  # fmt: skip
    store.edit(job_id, "judge", judged)
    done = {
        f"done/{n:04d}": {"action": "pull", "wire": name, "reason": "in a hurry"}
        for n, name in enumerate(sorted(points)[:-1], 1)
    }
    store.edit(job_id, "pull", done)
    return job_id


@pytest.mark.parametrize("page", ["plan", "bench"])
def test_many_contradictions_leave_the_step_at_hand_in_sight(store: JobStore, page: str):
    job_id = overridden(store)
    told = Findings(store.job(job_id)).contradictions
    assert len(told) > CONTRADICTIONS
    app = opened(page, job_id)
    (rest,) = [one for one in app.expander if "does not fit the map" in one.label]
    assert rest.label.startswith(f"✕ {len(told) - CONTRADICTIONS} more")
    outside = [one.proto.body for one in app.get("html") if told[CONTRADICTIONS] in one.proto.body]
    assert len(outside) == 1  # in the list, once


def test_the_hand_over_tells_contradictions_apart_from_what_is_held_back(store: JobStore):
    told = handover_of(Findings(store.job(overridden(store))))
    assert "for damage" in told.unfit[0]
    assert not any("for damage" in line for line in told.blocked)


def test_a_job_without_an_exit_is_packed_all_the_same(store: JobStore, tmp_path: Path):
    plate = {**NO_CHANNELS, "exits": []}
    job_id = store.import_job({"about": {"name": "begun"}, "plate": plate})
    assert readable_copies(store.job(job_id), "map") == {}
    labels = [one.label for one in opened("sheet", job_id).get("download_button")]
    assert "Job pack (ZIP)" in labels and "Route map (JSON)" not in labels
    pack = tmp_path / "begun.zip"
    assert main(["pack", "begun", str(pack), "--store", str(store.folder)]) == 0
    assert "job.json" in zipfile.ZipFile(io.BytesIO(pack.read_bytes())).namelist()
    assert main(["take-in", str(pack), "--store", str(store.folder)]) == 0
    assert [job.name for job in store.jobs()] == ["begun", "begun"]


def test_one_drop_is_one_drop():
    one = {**NO_CHANNELS, "drops": NO_CHANNELS["drops"][:1]}
    assert Findings(job_of(plate=one)).line.startswith("1 drop ·")
