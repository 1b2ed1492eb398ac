"""Page "Warm-up": start, log, watch; and the pull advice under the step at the plate."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from mapper.bench.warmup import WarmUp
from mapper.records import JobStore, RecordsError
from mapper.ui import server
from mapper.ui.session import JOB_PARAM
from tests.test_bench_warmup import rise

SCRIPT = "from mapper.ui import warmup_page\nwarmup_page.show()\n"


@pytest.fixture
def store(tmp_path: Path, monkeypatch) -> JobStore:
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    return JobStore(tmp_path / "store")


def page(job_id: str) -> AppTest:
    test = AppTest.from_string(SCRIPT, default_timeout=60)
    test.query_params[JOB_PARAM] = job_id
    test.run()
    assert not test.exception
    return test


def words(test: AppTest) -> str:
    html = [one.proto.body for one in test.get("html")]
    return "\n".join([*html, *(one.value for one in test.markdown)])


def press(test: AppTest, label: str) -> AppTest:
    next(one for one in test.button if one.label == label).click().run()
    assert not test.exception
    return test


def test_a_warm_up_is_started_logged_and_undone(store: JobStore):
    job_id = store.create("Small")
    store.edit(job_id, "About", {"about": {"name": "Small", "resin": "POM"}})
    test = page(job_id)
    assert "must never meet hot" in words(test)
    # While nobody says what the insulation is, it is taken as the weakest: nothing starts at 175.
    assert next(one for one in test.number_input if one.label == "Insulation bears °C").value == 70
    next(one for one in test.selectbox if one.label == "Lead insulation").set_value("PTFE").run()
    next(one for one in test.number_input if one.label == "Target °C").set_value(175.0).run()
    press(test, "Start this warm-up")
    assert store.job(job_id).value("warmup/0001")["resin"] == "POM (acetal)"
    next(one for one in test.number_input if one.label == "Reads now, °C").set_value(23.0)
    press(test, "Log it")
    assert [c for _, c in store.job(job_id).value("warmup/0001")["points"]] == [23.0]
    store.undo(job_id)
    assert store.job(job_id).value("warmup/0001")["points"] == []


def test_a_rise_towards_the_limit_is_told_on_the_page(store: JobStore):
    job_id = store.create("Small")
    warm = WarmUp("D07", tuple(rise(600, 260, 700)), 200.0, "PVC", 190.0, 250.0)
    store.edit(job_id, "Warm-up", {"warmup/0001": warm.to_dict()})
    text = words(page(job_id))
    assert "Mind the resin, PVC" in text and "Mind the lead insulation" in text
    assert "will be reached in" in text


def test_readings_typed_with_their_times(store: JobStore):
    job_id = store.create("Small")
    store.edit(job_id, "Warm-up", {"warmup/0001": WarmUp("D07").to_dict()})
    test = page(job_id)
    test.text_area[0].set_value("0 23\n2 41\n4 nothing")
    press(test, "Take these readings instead")
    assert "Line 3" in words(test)
    test.text_area[0].set_value("0 23\n2 41\n4 58,5")
    press(test, "Take these readings instead")
    assert store.job(job_id).value("warmup/0001")["points"] == [[0, 23], [120, 41], [240, 58.5]]


def test_an_entry_that_is_no_warm_up_is_refused(store: JobStore):
    with pytest.raises(RecordsError, match="damaged"):
        store.edit(store.create("x"), "x", {"warmup/0001": {"points": "soon"}})
