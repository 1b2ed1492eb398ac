"""The page at the plate shows one step, ticks it off, and sends no second person into its way."""

from __future__ import annotations

import streamlit as st
from streamlit.testing.v1 import AppTest

from mapper.records import JobStore
from mapper.ui.bench_page import apart_now
from mapper.ui.findings import Findings
from mapper.ui.session import JOB_PARAM
from tests.test_pages import click, job_ids, page, sound, store, whole, whole_store, words  # noqa: F401

SCRIPT = "from mapper.ui import bench_page\nbench_page.show()\n"


def at_the_plate(job_id: str) -> AppTest:
    test = AppTest.from_string(SCRIPT, default_timeout=90)
    test.query_params[JOB_PARAM] = job_id
    return test.run()


def test_step_at_hand_is_ticked_off_and_the_next_is_shown(whole: JobStore):  # noqa: F811
    _, job_id = job_ids(whole)
    first = Findings(whole.job(job_id)).offered.steps[0]
    test = at_the_plate(job_id)
    sound(test)
    assert first.wire in words(test)
    sound(click(test, "Out" if first.action == "pull" else "Done"))
    assert [step.wire for step in whole.job(job_id).done] == [first.wire]


def test_a_step_that_waits_says_so_first_and_is_asked_for_in_no_large_letters(
    whole: JobStore,  # noqa: F811
):
    st.cache_resource.clear()  # copies of one job share id and revision with other tests
    _, job_id = job_ids(whole)
    findings = Findings(whole.job(job_id))
    steps = findings.offered.steps
    at = next(n for n, step in enumerate(steps) if step not in findings.legal_now)
    first = findings.waits_words(at + 1)
    test = at_the_plate(job_id)
    for _ in range(at):
        test = next(one for one in test.button if one.label == "Next").click().run()
    (card,) = [one.proto.body for one in test.get("html") if 'class="big' in one.proto.body]
    assert "Not yet" in card and first in card
    assert f'class="act">{findings.act(steps[at])}' not in card
    plan = [
        one.proto.body for one in page("plan", job_id).get("html") if "step w" in one.proto.body
    ]
    assert all("Not yet: first" in one for one in plan) and plan
    legal = [n for n, step in enumerate(steps, 1) if step in findings.legal_now]
    assert all(findings.waits_words(n) == "" for n in legal)


def test_second_person_gets_only_free_leads_that_do_not_meet_this_one(whole: JobStore):  # noqa: F811
    _, job_id = job_ids(whole)
    findings = Findings(whole.job(job_id))
    wire = findings.offered.steps[0].wire
    pairs = {frozenset((one.a, one.b)) for one in findings.planned_on.crossings}
    free = {step.wire for step in findings.legal_now}
    for other in apart_now(findings, wire):
        assert other in free and frozenset((wire, other)) not in pairs


def test_why_a_lead_waits_is_told_with_a_way_to_a_crossing(whole: JobStore):  # noqa: F811
    _, job_id = job_ids(whole)
    findings = Findings(whole.job(job_id))
    free = {step.wire for step in findings.legal_now}
    held = next(one.id for one in findings.planned_on.leads if one.id not in free)
    test = page("plan", job_id)
    test.selectbox(key="why lead").set_value(held).run()
    sound(test)
    assert held in words(test)
    assert any((button.key or "").startswith("why ") for button in test.button)


def test_lead_that_is_not_free_goes_out_only_with_a_typed_reason_and_can_be_put_back(
    whole: JobStore,  # noqa: F811
):
    st.cache_resource.clear()  # copies of one job share id and revision with other tests
    _, job_id = job_ids(whole)
    findings = Findings(whole.job(job_id))
    free = {step.wire for step in findings.legal_now}
    held = next(one.id for one in findings.planned_on.leads if one.id not in free)
    test = at_the_plate(job_id)
    test.selectbox(key="another lead").set_value(held).run()
    test = click(test, "Mark it as out")
    assert f"{held} was not marked as out" in words(test)
    test = click(test, "Record that it is out")
    assert "say how it happened" in words(test) and whole.job(job_id).done == ()
    test.text_input(key="tick reason").input("cut at the nozzle").run()
    test = click(test, "Record that it is out")
    sound(test)
    assert "although it was not free: cut at the nozzle" in words(at_the_plate(job_id))
    sound(click(at_the_plate(job_id), "Put back"))
    log = whole.job(job_id).done
    assert [(one.action, one.wire) for one in log] == [("pull", held), ("put back", held)]
    assert "although it was not free: cut at the nozzle" in words(at_the_plate(job_id))
