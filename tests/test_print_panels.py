"""The page Sheet: every sheet can be looked at and taken away, with its caution."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from mapper.records import JobStore
from mapper.ui import server
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
