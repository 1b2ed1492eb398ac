"""The page Sheet: every sheet can be looked at and taken away, with its caution."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

from mapper.bench.response import judge_rises
from mapper.records import JobStore, read_pack, take_in_pack
from mapper.ui import server, sheet_page
from mapper.ui.session import JOB_PARAM
from tests.test_rebuild_pages import wired_job

SCRIPT = """
from mapper.ui import sheet_page
sheet_page.show()
"""


@pytest.fixture
def app(tmp_path: Path, monkeypatch) -> AppTest:
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    app = AppTest.from_string(SCRIPT, default_timeout=60)
    app.query_params[JOB_PARAM] = wired_job(JobStore(tmp_path / "store"))
    return app.run()


def downloads(app: AppTest) -> list[str]:
    assert not app.exception
    return [one.proto.label for one in app.get("download_button")]


def said(app: AppTest) -> str:
    return " ".join(one.proto.body for one in app.get("html"))


def test_each_sheet_is_offered_and_settings_that_do_not_fit_are_told(app: AppTest):
    assert "Pull sheet (PDF)" in downloads(app)
    app.segmented_control(key="sheet shown").set_value("Route map to scale").run()
    assert "Route map to scale (PDF)" in downloads(app)
    app.segmented_control(key="sheet shown").set_value("Pull order with crops").run()
    assert any(one.startswith("Pull order with crops (PDF, ") for one in downloads(app))
    app.segmented_control(key="sheet shown").set_value("Response test").run()
    assert "No response test is kept yet" in said(app)
    app.segmented_control(key="sheet shown").set_value("Wire tags").run()
    assert "Wire tags (PDF, 1 page)" in downloads(app)
    assert "labels burn" in said(app)
    app.number_input(key="tag columns").set_value(9).run()
    assert "take fewer columns" in said(app)
    assert not [label for label in downloads(app) if "tags" in label]
    app.segmented_control(key="tag paper").set_value("Roll").run()
    # one label per page: as many pages as the job has leads
    assert any(label.startswith("Wire tags (PDF, ") for label in downloads(app))


def test_the_job_pack_holds_the_new_sheets_and_gives_the_same_job(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    store = JobStore(tmp_path / "store")
    job_id = wired_job(store)
    rises = np.diag([20.0, 21.0])
    test = judge_rises(["Z01", "Z02"], ["Z01", "Z02"], rises, 0.1).to_dict()
    store.edit(job_id, "Response test", {"response/0001": {**test, "source": "a.csv", "at": ""}})
    data = sheet_page._pack(store.job(job_id), "Small job")
    names = zipfile.ZipFile(io.BytesIO(data)).namelist()
    for name in (
        "Small job pull order with crops.pdf",
        "Small job response test 1.pdf",
        "Small job response test 1.csv",
    ):
        assert f"readable/{name}" in names
    other = JobStore(tmp_path / "other")
    taken = take_in_pack(other, read_pack(data))
    assert other.job(taken).to_mapping() == store.job(job_id).to_mapping()
